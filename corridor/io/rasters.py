"""Rasters in: any format that holds its own cells, any orientation, nodata or CRS, to a :class:`Surface`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from corridor.io import _environment  # noqa: F401  (before rasterio loads GDAL)

# isort: split
import numpy as np
import pyproj
from numpy.typing import NDArray
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader
from rasterio.transform import Affine
from rasterio.windows import Window

from corridor.errors import InputError, SeabedError
from corridor.io.crs import horizontal, is_same, label, read_crs, vertical_name
from corridor.io.georeference import outline_of, upright
from corridor.io.guard import existing_file, open_raster
from corridor.io.resample import resampled
from corridor.io.uncertainty import NORMAL_95, UncertaintyBand, parse_uncertainty
from corridor.model.grid import Grid
from corridor.model.seabed import Surface, Uncertainty

SHALLOWEST_M, DEEPEST_M = -9000.0, 12000.0
"""No ground on Earth lies outside: such a figure is a nodata value that the file does not declare."""

_BLOCK_CELLS = 4_000_000
_UNITS = {
    "": 1.0, "m": 1.0, "metre": 1.0, "meter": 1.0, "metres": 1.0, "meters": 1.0,
    "cm": 0.01, "dm": 0.1, "mm": 0.001, "km": 1000.0, "fathom": 1.8288, "fathoms": 1.8288,
    "ft": 0.3048, "foot": 0.3048, "feet": 0.3048,
    "us survey foot": 1200 / 3937, "us-ft": 1200 / 3937, "ftus": 1200 / 3937,
}  # fmt: skip


def read_surface(
    path: str | Path,
    *,
    crs: str,
    values: str,
    offset_m: float = 0.0,
    uncertainty: object = None,
    name: str | None = None,
    band: int = 1,
    variable: str | None = None,
    nodata: float | None = None,
    declared_crs: str | None = None,
    depth_range_m: tuple[float, ...] | None = None,
    where: str | None = None,
) -> Surface:
    """Read one raster as a surface of depth.

    Parameters
    ----------
    path : str or Path
        An existing regular file in a raster format that holds its own cells.
    crs : str
        Projected CRS of the project; the surface comes out in it.
    values : {"elevation", "depth"}
        Sign of the file: elevation is positive up, depth positive down.
    offset_m : float
        Metres added to the depths to bring them to the project's vertical
        datum: positive where the project's datum lies above the file's.
    uncertainty : optional
        As :func:`corridor.io.uncertainty.parse_uncertainty`; the uncertainty band of a BAG is
        taken by itself.
    name : str, optional
        Default: the file's name.
    band : int
        Band with the values, from 1.
    variable : str, optional
        For files with several rasters (netCDF): which one.
    nodata : float, optional
        Value without data, for files that do not declare it.
    declared_crs : str, optional
        CRS of a file that does not say it itself.
    depth_range_m : (float, float), optional
        Depths the line may have, m; used to recognise a wrong sign.
    where : str, optional
        Named in messages.

    Returns
    -------
    Surface
        Depth float32, positive down, NaN where there is none; what was done to
        the cells stands in its notes.

    Raises
    ------
    SeabedError
        Missing file, format not allowed, no CRS, no data, a figure that is no depth, a sign that
        contradicts `depth_range_m`.
    """
    place = where or f"{Path(path).name}"
    file = existing_file(str(path), Path.cwd(), place, error=SeabedError)
    if values not in ("elevation", "depth"):
        raise SeabedError(f"values must be elevation or depth (got {values!r}): {place}; it is never guessed")
    choice, faults = parse_uncertainty(uncertainty, place)
    if faults:
        raise SeabedError(faults)
    with open_raster(file, place, variable) as dataset:
        source, notes = _crs_of(dataset, declared_crs, file, place)
        choice, band_notes = _own_band(dataset, choice, file, place)
        sign = -1.0 if values == "elevation" else 1.0
        arrays = [_band(dataset, band, sign, offset_m, nodata, file, place)]
        if isinstance(choice, UncertaintyBand):
            factor = choice.factor or 1.0
            arrays.append(_band(dataset, choice.band, factor, 0.0, nodata, file, place))
        transform = dataset.transform
    _check_depths(arrays[0], values, depth_range_m, file, place)
    grid, cells, turned = _onto_grid(arrays, transform, source, crs, file, place)
    shift = (f"shifted by {offset_m:+g} m to the project's vertical datum",) if offset_m else ()
    kept: Uncertainty | NDArray | None
    kept = _positive(cells[1]) if isinstance(choice, UncertaintyBand) else choice
    return Surface(name or file.name, grid, cells[0], kept, (*notes, *band_notes, *turned, *shift))


def _onto_grid(
    arrays: list[NDArray[np.float32]],
    transform: Affine,
    source: pyproj.CRS,
    crs: str,
    file: Path,
    where: str,
) -> tuple[Grid, tuple[NDArray[np.float32], ...], tuple[str, ...]]:
    """North-up square cells in the project CRS: by flips where that is enough, else resampled."""
    edge = outline_of(transform, *arrays[0].shape)
    try:
        target = read_crs(crs)
        same = is_same(source, target, edge[:, 0], edge[:, 1])
        found = upright(arrays, transform, crs) if same else None
        if found is None:
            place = f"{file.name} ({where})"
            found = resampled(arrays, transform, target if same else source, target, crs, place)
    except SeabedError:
        raise
    except InputError as error:
        raise SeabedError([f"{fault}: {where}" for fault in error.faults]) from error
    if not np.isfinite(found[1][0]).any():
        raise SeabedError(f"{file.name} holds no depth after resampling: {where}; is its CRS right?")
    return found


def _crs_of(
    dataset: DatasetReader, declared: str | None, file: Path, where: str
) -> tuple[pyproj.CRS, tuple[str, ...]]:
    """Horizontal CRS of a raster, and what it says about its vertical one."""
    notes: tuple[str, ...] = ()
    if dataset.transform.is_identity:
        raise SeabedError(
            f"{file.name} does not say where its cells lie: {where}; georeference it (GeoTIFF, ...)"
        )
    if dataset.crs is None or not dataset.crs.to_wkt():
        if declared is None:
            raise SeabedError(
                f"{file.name} has no CRS: {where}; state it in the surface's table, for example "
                "crs = 'EPSG:32740', once you know it from whoever made the file"
            )
        return horizontal(_known(declared, where)), (f"CRS {declared} as declared, the file has none",)
    source = pyproj.CRS.from_wkt(dataset.crs.to_wkt())
    if declared is not None and not horizontal(source).equals(
        horizontal(_known(declared, where)), ignore_axis_order=True
    ):
        raise SeabedError(
            f"crs = {declared!r} contradicts {file.name}, which says {label(source)}: {where}; drop one"
        )
    vertical = vertical_name(source)
    if vertical:
        notes = (f"the file names its vertical datum {vertical!r}",)
    return horizontal(source), notes


def _known(text: str, where: str) -> pyproj.CRS:
    try:
        return read_crs(text)
    except InputError as error:
        raise SeabedError([f"{fault}: {where}" for fault in error.faults]) from error


def _own_band(
    dataset: DatasetReader, choice: Uncertainty | UncertaintyBand | None, file: Path, where: str
) -> tuple[Uncertainty | UncertaintyBand | None, tuple[str, ...]]:
    """Settle which band holds the uncertainty and what turns it into 95 % values."""
    is_bag = dataset.driver == "BAG"
    if is_bag and dataset.tags().get("HAS_SUPERGRIDS", "").upper() == "TRUE":
        raise SeabedError(
            f"{file.name} has cells of varying size, of which only the coarsest would be read: {where}; "
            "resample it to one cell size first (GDAL's BAG driver, MODE=RESAMPLED_GRID)"
        )
    if choice is None and is_bag and dataset.count >= 2 and dataset.descriptions[1] == "uncertainty":
        choice = UncertaintyBand()
    if not isinstance(choice, UncertaintyBand):
        return choice, ()
    if choice.band > dataset.count:
        raise SeabedError(
            f"uncertainty asks for band {choice.band}, {file.name} has {dataset.count}: {where}"
        )
    if choice.factor is not None:
        return choice, (f"uncertainty from band {choice.band} x {choice.factor:g}",)
    deviations = is_bag and "StdDev" in dataset.tags(ns="xml:BAG").get("xml:BAG", "")
    factor = NORMAL_95 if deviations else 1.0
    kind = "standard deviations, x 1.96" if deviations else "taken as 95 % values"
    return UncertaintyBand(choice.band, factor), (f"uncertainty from band {choice.band}, {kind}",)


def _band(
    dataset: DatasetReader,
    band: int,
    factor: float,
    offset: float,
    nodata: float | None,
    file: Path,
    where: str,
) -> NDArray[np.float32]:
    """One band times `factor` plus `offset`, float32; NaN where it has no data. Read in bounded pieces."""
    if not 1 <= band <= dataset.count:
        raise SeabedError(f"band must be 1 to {dataset.count} (got {band}): {where}")
    if np.dtype(dataset.dtypes[band - 1]).kind == "c":
        raise SeabedError(
            f"band {band} of {file.name} holds complex numbers: {where}; give a raster of depths"
        )
    unit = (dataset.units[band - 1] or "").strip().casefold()
    factor *= _UNITS.get(unit, 1.0)
    scale, shift = dataset.scales[band - 1], dataset.offsets[band - 1]
    result = np.empty(dataset.shape, dtype=np.float32)
    try:
        for window in _windows(dataset):
            block = dataset.read(band, window=window, masked=True)
            data = block.data.astype(np.float64)
            data[np.ma.getmaskarray(block)] = np.nan
            if nodata is not None:
                data[np.isclose(data, nodata, rtol=1e-6, atol=0.0)] = np.nan
            data[~np.isfinite(data)] = np.nan
            rows = slice(window.row_off, window.row_off + window.height)
            result[rows] = (data * scale + shift) * factor + offset
    except RasterioError as problem:
        raise SeabedError(f"{file.name} is damaged: {where}; copy it again ({problem})") from problem
    return result


def _windows(dataset: DatasetReader) -> Iterator[Window]:
    """Full-width strips of whole blocks, a few million cells each."""
    rows, cols = dataset.shape
    block = max(dataset.block_shapes[0][0], 1)
    height = max(_BLOCK_CELLS // max(cols, 1) // block, 1) * block
    for top in range(0, rows, height):
        yield Window(0, top, cols, min(height, rows - top))


def _positive(array: NDArray[np.float32]) -> NDArray[np.float32]:
    """Uncertainty as written; a negative one means unknown."""
    return np.where(array >= 0.0, array, np.float32(np.nan))


def _check_depths(
    depth_m: NDArray[np.float32], values: str, depth_range_m: tuple[float, ...] | None, file: Path, where: str
) -> None:
    """Refuse a raster without data, with figures that are no depths, or with the sign turned round."""
    if not np.isfinite(depth_m).any():
        raise SeabedError(f"{file.name} holds no data at all: {where}; check its nodata value")
    least, most = float(np.nanmin(depth_m)), float(np.nanmax(depth_m))
    if least < SHALLOWEST_M or most > DEEPEST_M:
        worst = least if least < SHALLOWEST_M else most
        shown = -worst if values == "elevation" else worst
        count = int(np.count_nonzero((depth_m < SHALLOWEST_M) | (depth_m > DEEPEST_M)))
        raise SeabedError(
            f"{file.name} has {count} cells whose {values} is impossible, for example {shown:g} m (depths "
            f"lie between {SHALLOWEST_M:g} and {DEEPEST_M:g} m): {where}; state nodata = {shown:g} in the "
            "surface's table if that is what it means"
        )
    if depth_range_m is None or len(depth_range_m) != 2 or most > 0.0:
        return
    shallow, deep = max(depth_range_m[0], 0.0), depth_range_m[1]
    mirrored = -depth_m
    if np.any((mirrored >= shallow) & (mirrored <= deep) & (mirrored > 0.0)):
        other = "depth" if values == "elevation" else "elevation"
        raise SeabedError(
            f"{file.name}: everything is above water (depths {least:g} to {most:g} m, depth_range_m "
            f"{list(depth_range_m)}): {where}; the sign is the likely cause, state values = {other!r}"
        )
