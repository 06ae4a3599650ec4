"""A project file and all it names -> a :class:`Project`, or every fault at once."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import shapely

from corridor.errors import InputError, LayerError, SeabedError, SettingError
from corridor.io.ends import position_faults, rule_faults, scale_faults
from corridor.io.guard import existing_file, source_files
from corridor.io.rasters import read_surface
from corridor.io.settings import Settings, parse, read_settings
from corridor.io.tables import LayerSettings, SeabedSettings
from corridor.io.vectors import read_layer
from corridor.model.layers import Layer
from corridor.model.project import OutputSettings, Project, SourceFile
from corridor.model.rules import RouteRules
from corridor.model.seabed import Seabed, Surface
from corridor.progress import Progress, silent
from corridor.side_by_side import side_by_side

_SPOKEN = ("repaired", "left out", "the reader said", "more like these", "vertical datum")
"""Notes with these words go to the warnings too: the user must see them."""


def read_project(file: str | Path, progress: Progress = silent) -> Project:
    """Read a project file, its rasters and layers, and check that a study can start.

    Parameters
    ----------
    file : str or Path
        The TOML file; relative paths in it start at its folder.
    progress : Progress, optional

    Returns
    -------
    Project

    Raises
    ------
    InputError
        With every fault found: unknown and missing keys, wrong types, values out of range, missing
        files, rasters and layers that cannot be used, mixed vertical datums, ends that lie where no
        line may. :class:`SettingError` when all of them concern the project file alone.
    """
    path = existing_file(str(file), Path.cwd(), "command line", key="project file", error=SettingError)
    settings = read_settings(parse(path), path.name)
    folder = path.parent
    seabed, files = _read_seabed(settings, folder, progress)
    layers, more = _read_layers(settings, folder, seabed, progress)
    files = {path: source_files(path, folder), **files, **more}
    only_settings = not any(isinstance(fault, _FileFault) for fault in settings.faults)
    rules = _check_route(settings, seabed, layers, path.name)
    if settings.output is not None:
        settings.faults += output_faults(settings.output, folder, files, f"[output] in {path.name}")
    if settings.faults:
        raise (SettingError if only_settings else InputError)([str(fault) for fault in settings.faults])
    return _assemble(settings, path, seabed, layers, rules, files)


class _FileFault(str):
    """A fault of an input file, as against one of the project file."""

    __slots__ = ()


def _assemble(
    settings: Settings,
    path: Path,
    seabed: Seabed | None,
    layers: tuple[Layer, ...],
    rules: RouteRules | None,
    files: dict[Path, tuple[SourceFile, ...]],
) -> Project:
    """The project, once nothing is at fault any more."""
    head, start, end, output = settings.head, settings.start, settings.end, settings.output
    assert head is not None and seabed is not None and rules is not None
    assert start is not None and end is not None and output is not None
    return Project(
        name=head.name,
        crs=head.crs,
        vertical_datum=head.vertical_datum,
        seabed=seabed,
        layers=layers,
        rules=rules,
        start=start,
        end=end,
        via=settings.via,
        pipe=settings.pipe,
        environment=settings.environment,
        output=output,
        rates=settings.rates,
        file=path,
        inputs=tuple(source for sources in files.values() for source in sources),
        settings=settings.document,
        warnings=tuple(settings.warnings),
        tables=settings.tables,
    )


def _collect(faults: list[str], action: Callable[[], None]) -> None:
    """Do it; what goes wrong with the input joins the faults."""
    try:
        action()
    except InputError as error:
        faults += _faults_of(error)


def _faults_of(error: InputError) -> list[str]:
    file_fault = isinstance(error, (SeabedError, LayerError))
    return [_FileFault(fault) if file_fault else fault for fault in error.faults]


_FileRead = tuple[Path, tuple[SourceFile, ...], tuple[Surface, list[str]] | None]
"""A file, what identifies it, and its surface with what to warn of, where the settings allow to read it."""


def _read_seabed(
    settings: Settings, folder: Path, progress: Progress
) -> tuple[Seabed | None, dict[Path, tuple[SourceFile, ...]]]:
    """All surfaces, or None when one of them, or the project CRS, is at fault."""
    surfaces: list[Surface] = []
    files: dict[Path, tuple[SourceFile, ...]] = {}

    def read(given: tuple[SeabedSettings, str]) -> _FileRead | InputError:
        table, where = given
        try:
            path = existing_file(table.file, folder, where, error=SeabedError)
            source = source_files(path, folder)
            known = settings.crs_ok and settings.head is not None
            return path, source, _surface(settings, table, path, where) if known else None
        except InputError as error:
            return error

    progress("reading the seabed", 0.0)
    # Reading and unpacking leave the interpreter free; faults and warnings keep the order of the tables.
    for found in side_by_side(read, settings.seabeds, 2, "reading the seabed", progress):
        if isinstance(found, InputError):
            settings.faults += _faults_of(found)
            continue
        path, source, surface = found
        files[path] = source
        if surface is not None:
            surfaces.append(surface[0])
            settings.warnings += surface[1]
    if not surfaces or len(surfaces) < len(settings.document.get("seabed", ())):
        return None, files
    datum = settings.head.vertical_datum if settings.head is not None else ""
    progress("reading the seabed", 1.0)
    return Seabed(tuple(surfaces), datum), files


def _surface(settings: Settings, table: SeabedSettings, path: Path, where: str) -> tuple[Surface, list[str]]:
    """The surface of one table, and what to warn of."""
    assert settings.head is not None
    depth_range = None if settings.rules is None else settings.rules.depth_range_m
    surface = read_surface(
        path,
        crs=settings.head.crs,
        values=table.values,
        offset_m=table.vertical_offset_m or 0.0,
        uncertainty=table.uncertainty,
        name=table.name or table.file,
        band=table.band,
        variable=table.variable,
        nodata=table.nodata,
        declared_crs=table.crs,
        depth_range_m=depth_range,
        where=where,
    )
    if table.vertical_offset_source:
        notes = (*surface.notes, f"offset from: {table.vertical_offset_source}")
        surface = dataclasses.replace(surface, notes=notes)
    stated = table.vertical_datum is not None or table.vertical_offset_m is not None
    spoken = _spoken(surface.notes, where, skip="vertical datum" if stated else "")
    return surface, [*spoken, *sign_warnings(surface, depth_range, where)]


def sign_warnings(surface: Surface, depth_range_m: tuple[float, ...] | None, where: str) -> list[str]:
    """Say so when nearly all of a surface is above water and would fit with the other sign."""
    if depth_range_m is None:
        return []
    depth = surface.depth_m[np.isfinite(surface.depth_m)]
    shallow, deep = max(depth_range_m[0], 0.0), depth_range_m[1]
    wet = float(np.mean(depth > 0.0))
    mirrored = float(np.mean((depth < -shallow) & (depth > -deep)))
    if wet < 0.05 and mirrored > 0.5:
        return [
            f"only {wet:.1%} of {surface.name} is below water, with the other sign {mirrored:.0%} would lie "
            f"within depth_range_m: {where}; check values"
        ]
    return []


def _read_layers(
    settings: Settings, folder: Path, seabed: Seabed | None, progress: Progress
) -> tuple[tuple[Layer, ...], dict[Path, tuple[SourceFile, ...]]]:
    """Every layer that can be read; the faults of the others are collected."""
    layers: list[Layer] = []
    files: dict[Path, tuple[SourceFile, ...]] = {}
    area = None if seabed is None else seabed.bounds_m
    for done, (table, where) in enumerate(settings.layers):
        progress("reading the layers", done / len(settings.layers))

        def read(table: LayerSettings = table, where: str = where) -> None:
            path = existing_file(table.file, folder, where, error=LayerError)
            if path not in files:
                files[path] = source_files(path, folder)
            if settings.crs_ok and settings.head is not None:
                layer = read_layer(path, table, crs=settings.head.crs, area_m=area, where=where)
                settings.warnings += _spoken(layer.notes, where) + layer_warnings(layer, seabed, where)
                if layer.rule == "stay_within" and not len(layer):
                    raise LayerError(f"rule stay_within needs polygons, the layer is empty: {where}; drop it")
                layers.append(layer)

        _collect(settings.faults, read)
    if settings.layers:
        progress("reading the layers", 1.0)
    return tuple(layers), files


def _spoken(notes: Iterable[str], where: str, skip: str = "") -> list[str]:
    return [
        f"{note}: {where}"
        for note in notes
        if any(word in note for word in _SPOKEN) and not (skip and skip in note)
    ]


def layer_warnings(layer: Layer, seabed: Seabed | None, where: str) -> list[str]:
    """What looks odd about a layer but does not stop the work: empty, elsewhere, without extent."""
    if not len(layer):
        return [f"the layer is empty: {where}; is the file, the table and the filter right?"]
    warnings = []
    if seabed is not None:
        ground = shapely.box(*seabed.bounds_m)
        reach = layer.standoff_m + layer.position_uncertainty_m
        if not np.any(shapely.distance(layer.geometries, ground) <= reach):
            west, south, east, north = shapely.total_bounds(layer.geometries)
            warnings.append(
                f"the layer does not overlap the seabed (it lies at {west:.0f} to {east:.0f} E, "
                f"{south:.0f} to {north:.0f} N): {where}; is its CRS right?"
            )
    if layer.rule == "avoid":
        flat = shapely.area(layer.geometries) == 0.0
        bare = flat & (layer.standoff_m + layer.position_uncertainty_m == 0.0)
        if bare.any():
            first = layer.features[int(np.flatnonzero(bare)[0])]
            warnings.append(
                f"{int(bare.sum())} points or lines ({first!r} first) have no standoff: {where}; "
                "the line may pass right beside them, give standoff_m"
            )
    return warnings


def _check_route(
    settings: Settings, seabed: Seabed | None, layers: tuple[Layer, ...], file: str
) -> RouteRules | None:
    """The rules with the tie-in length filled in; faults of the rules and of every position."""
    where = f"[route] in {file}"
    rules = settings.rules
    if rules is not None:
        names = [table["name"] for table in settings.document.get("layer", ()) if _has_name(table)]
        faults, warnings = rule_faults(rules, layers, names, where)
        settings.faults += faults
        settings.warnings += warnings
        if rules.tie_in_layers and rules.tie_in_length_m == 0.0:
            length = 2.0 * rules.min_bend_radius_m
            rules = dataclasses.replace(rules, tie_in_length_m=length)
            settings.warnings.append(
                f"tie_in_length_m is not stated: {where}; {length:g} m is used (twice min_bend_radius_m)"
            )
    ends = [end for end in (settings.start, settings.end) if end is not None]
    if len(ends) == 2 and math.dist(*((end.easting, end.northing) for end in ends)) < 1e-3:
        place = f"{ends[0].easting:.1f} E, {ends[0].northing:.1f} N"
        settings.faults.append(f"start and end must differ (both at {place}): {where}; mend one of them")
    if seabed is None:
        return rules
    if ends:
        faults, warnings = scale_faults(ends, seabed.crs, where)
        settings.faults += faults
        settings.warnings += warnings
    for name, end in (("start", settings.start), ("end", settings.end)):
        if end is not None:
            settings.faults += position_faults(name, end, seabed, layers, rules, where)
    for number, end in enumerate(settings.via, 1):
        settings.faults += position_faults(f"via[{number}]", end, seabed, layers, rules, where, tie_in=False)
    return rules


def _has_name(table: object) -> bool:
    return isinstance(table, dict) and isinstance(table.get("name"), str)


def output_faults(output: OutputSettings, folder: Path, inputs: Iterable[Path], where: str) -> list[str]:
    """Refuse an output folder in which a run would replace one of its own inputs.

    A run replaces the folder as a whole and keeps the one before as ``<folder>.previous``.
    """
    if not output.folder.strip() or "\0" in output.folder or "://" in output.folder:
        return [f"folder must be a folder on this computer (got {output.folder!r}): {where}; write 'out'"]
    out = (folder / output.folder).resolve()
    if out.exists() and not out.is_dir():
        return [f"folder must be a folder (got {output.folder!r}, which is a file): {where}; name another"]
    replaced = (out, out.with_name(out.name + ".previous"))
    held = sorted({path.name for path in inputs if any(path.is_relative_to(place) for place in replaced)})
    if held:
        return [
            f"folder must not hold inputs (got {output.folder!r}, which holds {', '.join(held)}): {where}; "
            "a run replaces the folder as a whole, name another"
        ]
    return []
