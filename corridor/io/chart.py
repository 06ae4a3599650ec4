"""Chart data in: S-57 ENC cells with their updates, sorted into layers by the table of rules.

Nothing is dropped silently: classes and codes the table does not know,
features without a place, repeated ids and doubtful positions are all listed,
and what has no rule is written to tables of its own.
"""

from __future__ import annotations

import csv
import shutil
import tempfile
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from corridor.io import _environment  # noqa: F401  (before pyogrio loads GDAL)

# isort: split
import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError

from corridor.errors import LayerError, SettingError
from corridor.io.chart_cells import check_records, group_cells, head_of, update_chain
from corridor.io.guard import existing_file, source_files
from corridor.model.project import SourceFile
from corridor.permit.chart_rules import ChartTable, chart_table, codes_of, commented, layer_entry
from corridor.permit.chart_sorting import ChartIntake, ChartRows, CodeWords, Sorting, chart_value
from corridor.permit.lonlat import split_at_antimeridian, unwrapped
from corridor.progress import Progress, silent

DEFAULT_TABLE = Path(__file__).with_name("chart_rules.toml")
OPTIONS = {
    "RETURN_LINKAGES": "ON", "RETURN_PRIMITIVES": "ON", "LIST_AS_STRING": "ON", "LNAM_REFS": "ON",
}  # fmt: skip
PRIMITIVES = ("IsolatedNode", "ConnectedNode", "Edge", "Face")
QUALITY_AREAS = ("M_QUAL", "M_ACCY")
STEP_DEG = 0.005
"""Edges are cut to this length (about 500 m), so that they keep their course on any projection."""

WGS84_CODE = 2
"""DSPM HDAT of ENCs (IHO S-57 edition 3.1, ENC product specification: WGS 84; from memory)."""


def read_chart_table(file: Path | str | None = None) -> ChartTable:
    """The table of rules: the package's own, or a user's TOML file.

    Raises
    ------
    SettingError
        Every fault of the table at once.
    """
    path = DEFAULT_TABLE if file is None else existing_file(str(file), Path(), "table of chart rules")
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingError(f"{path.name} is not a TOML file: {error}; mend that line") from error
    return chart_table(data, path.name)


def read_charts(
    files: Sequence[Path | str],
    table: ChartTable | None = None,
    area_deg: tuple[float, float, float, float] | None = None,
    folder: Path = Path(),
    progress: Progress = silent,
) -> ChartIntake:
    """Read ENC cells and sort their features into layers.

    Parameters
    ----------
    files : sequence of path
        Base cells (``.000``); updates beside them or named themselves are applied in order.
    table : ChartTable, optional
        The package's own by default.
    area_deg : (west, south, east, north), optional
        Only features that touch it, in degrees; the rest is counted.
    folder : Path
        Relative paths start here.

    Raises
    ------
    LayerError
        Damaged or truncated cells, missing or foreign updates: every cell's fault at once.
    """
    table = read_chart_table() if table is None else table
    intake = Sorting(table, code_words(), area_deg)
    faults: list[str] = []
    inputs: list[SourceFile] = []
    cells = group_cells([existing_file(str(file), folder, "chart", error=LayerError) for file in files])
    for done, (base, updates) in enumerate(cells):
        progress("charts", done / len(cells))
        try:
            _read_cell(base, updates, intake)
        except LayerError as error:
            faults += error.faults
        inputs += source_files(base, folder)
    if faults:
        raise LayerError(faults)
    progress("charts", 1.0)
    return intake.finished(tuple(dict.fromkeys(inputs)))


def _read_cell(base: Path, updates: list[Path], intake: Sorting) -> None:
    """One cell with its updates: checked, copied together, read."""
    for path in (base, *updates):
        check_records(path)
    head = head_of(base)
    if head["DSPM_HDAT"] not in (WGS84_CODE, None):
        raise LayerError(
            f"{base.name}: horizontal datum code {head['DSPM_HDAT']} is not WGS 84; an ENC must be"
        )
    chain = update_chain(base, head, updates, intake.notes)
    with tempfile.TemporaryDirectory(prefix="corridor-chart-") as temporary:
        cell = Path(temporary) / "CELL.000"
        shutil.copyfile(base, cell)
        # GDAL looks for .001, .002, ...: a re-issued base cell may start later.
        for number, path in enumerate(chain, start=1):
            shutil.copyfile(path, cell.with_suffix(f".{number:03d}"))
        try:
            _read_features(cell, base, head_of(cell, updates=True), intake)
        except (DataSourceError, DataLayerError) as error:
            raise LayerError(
                f"{base.name} cannot be read ({error}); get the cell and its updates again"
            ) from error


def _read_features(cell: Path, base: Path, head: dict[str, Any], intake: Sorting) -> None:
    names = [str(name) for name in pyogrio.list_layers(cell)[:, 0]]
    quality = _position_quality(cell)
    areas = _quality_areas(cell, names)
    origin = {
        "cell": base.stem,
        "edition": str(head.get("DSID_EDTN", "")),
        "update_number": str(head.get("DSID_UPDN", "")),
        "issue_date": str(head.get("DSID_ISDT", "")),
        "compilation_scale": head.get("DSPM_CSCL"),
    }
    for name in names:
        if name == "DSID" or name in PRIMITIVES:
            continue
        if name in intake.table.not_used:
            intake.counts[name] += int(
                pyogrio.read_info(cell, layer=name, force_feature_count=True)["features"]
            )
            continue
        meta, _, wkb, columns = pyogrio.raw.read(cell, layer=name, **OPTIONS)
        fields = [str(field) for field in meta["fields"]]
        shapes = _shapes(wkb)
        for i, values in enumerate(zip(*columns, strict=True)):
            attributes = dict(zip(fields, values, strict=True))
            codes, accuracies = quality.get_for(attributes)
            zones = areas.at(shapes[i])
            intake.add(name, attributes, shapes[i], origin, codes, (*accuracies, *zones[0]), zones[1])


def _shapes(wkb: NDArray[np.object_]) -> NDArray[np.object_]:
    """Geometries, flat, long edges cut, rings across the antimeridian split."""
    shapes = shapely.force_2d(shapely.from_wkb(wkb, on_invalid="fix"))
    bounds = shapely.bounds(shapes)
    for i in np.flatnonzero(bounds[:, 2] - bounds[:, 0] > 180.0):
        shapes[i] = split_at_antimeridian(unwrapped(shapes[i]))
    return shapely.segmentize(shapes, STEP_DEG)


@dataclass(slots=True)
class _Quality:
    """QUAPOS and POSACC of the cell's positions, by record name."""

    quapos: dict[tuple[int, int], int] = field(default_factory=dict)
    posacc: dict[tuple[int, int], float] = field(default_factory=dict)

    def get_for(self, attributes: dict[str, Any]) -> tuple[tuple[int, ...], tuple[float, ...]]:
        """Codes and accuracies of all positions a feature is made of."""
        kinds, numbers = attributes.get("NAME_RCNM"), attributes.get("NAME_RCID")
        if kinds is None or numbers is None:
            return (), ()
        names = [(int(kind), int(number)) for kind, number in zip(kinds, numbers, strict=True)]
        codes = tuple(self.quapos[name] for name in names if name in self.quapos)
        return codes, tuple(self.posacc[name] for name in names if name in self.posacc)


def _position_quality(cell: Path) -> _Quality:
    quality = _Quality()
    for name in PRIMITIVES:
        try:
            meta, _, _, columns = pyogrio.raw.read(cell, layer=name, read_geometry=False, **OPTIONS)
        except DataLayerError:
            continue  # a cell without this kind of primitive
        fields = dict(zip((str(f) for f in meta["fields"]), columns, strict=True))
        for kind, number, code, accuracy in zip(
            *(fields[key] for key in ("RCNM", "RCID", "QUAPOS", "POSACC")), strict=True
        ):
            if code == code and code:
                quality.quapos[int(kind), int(number)] = int(code)
            if accuracy == accuracy and accuracy:
                quality.posacc[int(kind), int(number)] = float(accuracy)
    return quality


@dataclass(slots=True)
class _QualityAreas:
    """Areas of the cell that state the accuracy of everything in them."""

    shapes: list[Any] = field(default_factory=list)
    posacc: list[float] = field(default_factory=list)
    catzoc: list[tuple[int, ...]] = field(default_factory=list)

    def at(self, shape: Any) -> tuple[tuple[float, ...], tuple[int, ...]]:
        """Accuracies (m) and zones of confidence of all areas that `shape` touches."""
        if shape is None or not self.shapes:
            return (), ()
        hit = np.flatnonzero(shapely.intersects(self.shapes, shape))
        accuracies = tuple(self.posacc[i] for i in hit if self.posacc[i] > 0.0)
        return accuracies, tuple(code for i in hit for code in self.catzoc[i])


def _quality_areas(cell: Path, names: Sequence[str]) -> _QualityAreas:
    areas = _QualityAreas()
    for name in QUALITY_AREAS:
        if name not in names:
            continue
        meta, _, wkb, columns = pyogrio.raw.read(cell, layer=name, **OPTIONS)
        fields = dict(zip((str(f) for f in meta["fields"]), columns, strict=True))
        for i, shape in enumerate(_shapes(wkb)):
            accuracy = chart_value(fields["POSACC"][i]) if "POSACC" in fields else None
            areas.shapes.append(shape)
            areas.posacc.append(float(accuracy or 0.0))
            areas.catzoc.append(codes_of(chart_value(fields["CATZOC"][i])) if "CATZOC" in fields else ())
    return areas


def write_chart_layers(path: Path, intake: ChartIntake) -> None:
    """Write a GeoPackage: a table per layer, per class without rule, and one of features without place.

    Longitude and latitude, WGS 84, as charted. The file appears when it is
    complete; an older one of the name is replaced.
    """
    partial = path.with_name(f".{path.stem}.partial.gpkg")
    partial.unlink(missing_ok=True)
    try:
        for name, rows in intake.layers.items():
            _write_table(partial, table_name(name), rows)
        for name, rows in sorted(intake.unassigned.items()):
            _write_table(partial, unassigned_name(name), rows)
        if intake.unplaced.rows:
            _write_table(partial, "features_without_place", intake.unplaced, placed=False)
        if not partial.exists():
            raise LayerError(
                f"no feature of the charts was kept: nothing to write to {path.name}; name other cells"
            )
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def layer_text(intake: ChartIntake, file: str) -> str:
    """The ``[[layer]]`` tables to paste into a project file, and what to know about them as comments.

    Parameters
    ----------
    file : str
        The GeoPackage as the project file should name it.
    """
    parts = [commented("From charts. Distances are settings: check each with its authority or owner.")]
    parts.append("".join(commented(note) for note in intake.notes))
    for name, keys in intake.table.layers.items():
        if name in intake.layers:
            parts.append(layer_entry(name, file, table_name(name), keys, len(intake.layers[name].rows)))
    for name, rows in sorted(intake.unassigned.items()):
        entry = layer_entry(
            name, file, unassigned_name(name), {"rule": "avoid"}, len(rows.rows), "no rule yet"
        )
        parts.append(commented(entry))
    return "\n".join(part for part in parts if part)


def table_name(layer: str) -> str:
    """Table of a layer: its name in plain letters."""
    return "_".join("".join(c if c.isalnum() else " " for c in layer.casefold()).split()) or "layer"


def unassigned_name(object_class: str) -> str:
    """Table of a class without a rule."""
    return f"unassigned_{table_name(object_class)}"


def _write_table(path: Path, name: str, rows: ChartRows, placed: bool = True) -> None:
    names = list(dict.fromkeys(key for row in rows.rows for key in row))
    columns = [_column([row.get(key) for row in rows.rows]) for key in names]
    shapes = np.empty(len(rows.shapes), dtype=object)
    shapes[:] = rows.shapes
    kinds = {shape.geom_type for shape in rows.shapes if shape is not None}
    kind = kinds.pop() if len(kinds) == 1 else "Unknown"
    pyogrio.raw.write(
        path,
        shapely.to_wkb(shapes) if placed else None,
        columns,
        names,
        layer=name,
        driver="GPKG",
        append=path.exists(),
        geometry_type=kind if placed else None,
        crs="EPSG:4326" if placed else None,
        dataset_options=None if path.exists() else {"VERSION": "1.3"},
        layer_options={} if placed else {"ASPATIAL_VARIANT": "GPKG_ATTRIBUTES"},
    )


def _column(values: list[Any]) -> NDArray:
    """A column of one type: whole numbers, numbers (NaN where absent), or text (None where absent)."""
    present = [value for value in values if value is not None]
    if present and all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in present):
        whole = len(present) == len(values) and all(isinstance(value, int) for value in present)
        return np.array([np.nan if v is None else v for v in values], dtype=np.int64 if whole else float)
    return np.array([None if v is None else str(v).replace("\0", "") for v in values], dtype=object)


def code_words() -> CodeWords:
    """Names of classes and codes; empty where GDAL's tables are not found."""
    folder = pyogrio.get_gdal_data_path()
    if folder is None or not (Path(folder) / "s57objectclasses.csv").is_file():
        return CodeWords({}, {})
    classes = {row["Acronym"]: row["ObjectClass"] for row in _table(Path(folder) / "s57objectclasses.csv")}
    names = {row["Code"]: row["Acronym"] for row in _table(Path(folder) / "s57attributes.csv")}
    codes = {
        (names[row["Code"]], int(row["ID"])): row["Meaning"]
        for row in _table(Path(folder) / "s57expectedinput.csv")
        if row["Code"] in names and row["ID"].isdecimal()
    }
    return CodeWords(classes, codes)


def _table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="latin-1", newline="") as file:
        return list(csv.DictReader(file))
