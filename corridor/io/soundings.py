"""Files of soundings: what is declared, what the format carries, and whether the two agree."""

from __future__ import annotations

import dataclasses
import os
import tomllib
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pyproj

from corridor.errors import InputError, SeabedError
from corridor.io import soundings_grid, soundings_las, soundings_text
from corridor.io.crs import horizontal, label, read_crs
from corridor.io.guard import existing_file, sha256
from corridor.io.survey_ahead import ahead
from corridor.model.fields import build
from corridor.model.project import Project
from corridor.model.survey import UNITS_M, Declaration, RawSoundings, SoundingFile
from corridor.progress import Progress, silent

_GRIDS = (".tif", ".tiff", ".bag", ".nc", ".asc", ".grd", ".flt", ".img")
_CLOUDS = (".las", ".laz")

HASHED_AT_ONCE = min(4, os.cpu_count() or 1)


@dataclasses.dataclass(frozen=True, slots=True)
class _Carried:
    """What a file says of itself, and how to stream it."""

    kind: str
    crs: str | None
    vertical_datum: str
    values: str | None
    lines: list[str]
    cell_m: float | None = None
    anchor_m: tuple[float, float] | None = None
    uncertainty_factor: float = 1.0
    uncertainty_band: int | None = None
    layout: soundings_text.TextLayout | None = None
    notes: tuple[str, ...] = ()

    @property
    def has_uncertainty(self) -> bool:
        """Whether every sounding comes with an uncertainty."""
        in_text = self.layout is not None and "uncertainty" in self.layout.columns
        return in_text or self.uncertainty_band is not None


def open_soundings(
    files: Iterable[str | Path],
    project: Project,
    declared: Declaration | None = None,
    progress: Progress = silent,
) -> list[SoundingFile]:
    """Look at every file and settle its sign, CRS and vertical datum; nothing is read in full but its hash.

    Parameters
    ----------
    files : iterable of path
        Text, gzip text, LAS, LAZ, or a grid. ``<file>.toml`` beside a file declares it.
    project : Project
    declared : Declaration, optional
        Holds for all files; what is set in it overrules the side files.

    Raises
    ------
    SeabedError
        With every fault of every file: missing, empty, unreadable, given twice,
        already part of the project, a declaration missing or contradicted.
    """
    faults: list[str] = []
    found: list[SoundingFile] = []
    paths = [Path(file) for file in files]
    if not paths:
        raise SeabedError("no file of soundings was given; name at least one")
    known = {source.sha256: source.file for source in project.inputs}
    with ThreadPoolExecutor(min(HASHED_AT_ONCE, len(paths))) as pool:
        hashed = [pool.submit(_hashed, path) for path in paths]
        try:
            for number, job in enumerate(hashed):
                try:
                    path, digest = job.result()
                    if digest in known:
                        raise SeabedError(
                            f"{path.name} holds the same as {known[digest]}; give each set of soundings once"
                        )
                    known[digest] = path.name
                    found.append(_open(path, digest, project, declared or Declaration()))
                except InputError as error:
                    faults += error.faults
                progress("looking at the files", (number + 1) / len(paths))
        finally:
            for job in hashed:
                job.cancel()
    if faults:
        raise SeabedError(faults)
    return found


def _hashed(given: Path) -> tuple[Path, str]:
    path = _regular_file(given)
    return path, sha256(path)


def _regular_file(given: Path) -> Path:
    """As the guard for rasters, but text may be gzip: it is unpacked by ourselves, not by GDAL."""
    if given.suffix.lower() != ".gz":
        return existing_file(str(given), Path.cwd(), "soundings", error=SeabedError)
    path = given.expanduser().resolve()
    if not path.is_file():
        raise SeabedError(
            f"file must be an existing file on this computer (got {str(given)[:80]!r}): soundings"
        )
    return path


def kind_of(path: Path) -> str:
    """ "las", "grid" or "text", by the file's beginning where that tells, else by its name."""
    with path.open("rb") as file:
        head = file.read(8)
    if head[:4] == b"LASF" or path.suffix.lower() in _CLOUDS:
        return "las"
    tiff = head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
    if tiff or head == b"\x89HDF\r\n\x1a\n" or head[:3] == b"CDF" or path.suffix.lower() in _GRIDS:
        return "grid"
    return "text"


def _open(path: Path, digest: str, project: Project, flags: Declaration) -> SoundingFile:
    declared = _merged(flags, side_file(path))
    carried = _look_at(path, declared)
    faults: list[str] = []
    values = _agreed(path, "values", declared.values, carried.values, faults, "depth or elevation: the sign")
    crs = _crs(path, declared.crs, carried.crs, faults)
    offset = _datum_offset(path, declared, carried.vertical_datum, project.vertical_datum, faults)
    if faults:
        raise SeabedError(faults)
    assert values is not None and crs is not None
    factor = carried.uncertainty_factor
    if declared.uncertainty_level is not None:
        factor = 1.96 if declared.uncertainty_level == "sigma" else 1.0
    if declared.line is not None:
        carried = dataclasses.replace(carried, lines=[])
    return SoundingFile(
        name=path.name,
        kind=carried.kind,
        sha256=digest,
        crs=crs,
        vertical_datum=declared.vertical_datum or carried.vertical_datum or project.vertical_datum,
        sign=1.0 if values == "depth" else -1.0,
        unit_m=UNITS_M[declared.unit],
        offset_m=offset,
        batches=_reader(path, carried, declared),
        lines=carried.lines if declared.line is None else [declared.line],
        cell_m=carried.cell_m,
        anchor_m=carried.anchor_m,
        uncertainty_factor=factor,
        has_uncertainty=carried.has_uncertainty,
        notes=(*carried.notes, *((f"offset from: {declared.vertical_offset_source}",) if offset else ())),
    )


def side_file(path: Path) -> Declaration | None:
    """The declaration in ``<file>.toml``, if there is one."""
    side = path.with_name(path.name + ".toml")
    if not side.is_file():
        return None
    try:
        table = tomllib.loads(side.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SeabedError(f"{side.name} is not valid TOML: {error}") from error
    declared, faults = build(Declaration, table, side.name)
    if faults:
        raise SeabedError(faults)
    return declared


def _merged(flags: Declaration, side: Declaration | None) -> Declaration:
    """Flags over the side file, field by field; a field at its default says nothing."""
    if side is None:
        return flags
    silent_one = Declaration()
    chosen = {}
    for item in dataclasses.fields(Declaration):
        said = getattr(flags, item.name)
        chosen[item.name] = said if said != getattr(silent_one, item.name) else getattr(side, item.name)
    return Declaration(**chosen)


def _look_at(path: Path, declared: Declaration) -> _Carried:
    kind = kind_of(path)
    if kind == "las":
        crs, datum, values = soundings_las.look_at(path)
        return _Carried(kind, crs, datum, values, [])
    if kind == "grid":
        grid = soundings_grid.look_at(path, declared.variable)
        return _Carried(
            kind, grid.crs, grid.vertical_datum, grid.values, [], grid.cell_m, grid.anchor_m,
            grid.uncertainty_factor, grid.uncertainty_band, notes=grid.notes,
        )  # fmt: skip
    layout = soundings_text.look_at(path, declared)
    # A heading such as "depth" can contradict a declaration; it only replaces one that a person wrote.
    role = layout.z_role
    if declared.columns is not None and role != "z":
        return _Carried(kind, None, "", role, [], layout=layout)
    if declared.values is not None and role not in ("z", declared.values):
        raise SeabedError(
            f"{path.name}: values = {declared.values!r} contradicts its header, which names a column of "
            f"{role}; state columns if the header is wrong"
        )
    return _Carried(kind, None, "", None, [], layout=layout)


def _reader(path: Path, carried: _Carried, declared: Declaration):
    """What starts the file from its beginning."""
    names = carried.lines

    def batches() -> Iterator[RawSoundings]:
        if carried.kind == "las":
            stream = soundings_las.read_las(path, declared.nodata, names)
        elif carried.kind == "grid":
            stream = soundings_grid.read_grid(
                path, declared.variable, carried.uncertainty_band, declared.nodata
            )
        else:
            assert carried.layout is not None
            stream = soundings_text.read_text(path, carried.layout, declared.nodata, names)
        if declared.line is not None:
            stream = (dataclasses.replace(raw, line=None) for raw in stream)
        return ahead(stream)

    return batches


def _agreed(
    path: Path, key: str, declared: str | None, carried: str | None, faults: list[str], meaning: str
) -> str | None:
    if declared is not None and carried is not None and declared != carried:
        faults.append(
            f"{path.name}: {key} = {declared!r} contradicts the file, which says {carried!r}; drop one"
        )
    if declared is None and carried is None:
        faults.append(
            f"{path.name}: {key} must be declared ({meaning}), the file does not say it and it is never "
            f"guessed; give --{key.replace('_', '-')} or {key} in {path.name}.toml"
        )
    return declared or carried


def _crs(path: Path, declared: str | None, carried: str | None, faults: list[str]) -> str | None:
    """The horizontal CRS; declared and carried must mean the same."""
    try:
        said = None if declared is None else horizontal(read_crs(declared))
    except InputError as error:
        faults += [f"{path.name}: {fault}" for fault in error.faults]
        return None
    held = None if carried is None else horizontal(pyproj.CRS.from_user_input(carried))
    if said is not None and held is not None and not said.equals(held, ignore_axis_order=True):
        faults.append(
            f"{path.name}: crs = {declared!r} contradicts the file, which says {label(held)}; drop one"
        )
    text = _agreed(path, "crs", None if said is None else declared, carried if said is None else None, faults,
                   "for example EPSG:32740")  # fmt: skip
    if text is None:
        return None
    chosen = said if said is not None else held
    assert chosen is not None
    code = label(chosen)
    return code if code.startswith("EPSG:") else text


def _datum_offset(
    path: Path, declared: Declaration, carried: str, project_datum: str, faults: list[str]
) -> float:
    """Metres to add to depths; a file on another datum than the project's needs a declared offset."""
    datum = _agreed(
        path,
        "vertical_datum",
        declared.vertical_datum,
        carried or None,
        faults,
        f"the project's is {project_datum!r}",
    )
    if datum is None:
        return 0.0
    same = datum.strip().casefold() == project_datum.strip().casefold()
    offset = declared.vertical_offset_m
    if not same and offset is None:
        faults.append(
            f"{path.name}: vertical_datum must be the project's, {project_datum!r} (got {datum!r}); give "
            "vertical_offset_m (added to the depths of this file) and vertical_offset_source"
        )
    if same and offset:
        faults.append(
            f"{path.name}: vertical_offset_m must be 0 on the project's own datum {datum!r} "
            f"(got {offset:g}); mend vertical_datum or drop the offset"
        )
    return offset or 0.0
