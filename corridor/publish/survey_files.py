"""A survey's surfaces as cloud-optimised GeoTIFF, and a project file that lists the new one first."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from corridor.io import _environment  # noqa: F401  (before rasterio loads GDAL)

# isort: split
import numpy as np
import rasterio
import rasterio.shutil
from numpy.typing import NDArray
from rasterio.errors import RasterioError
from rasterio.transform import Affine
from rasterio.windows import Window

from corridor.errors import CorridorError, SettingError
from corridor.model.grid import Grid
from corridor.survey.memory import rest

BLOCK = 512

CACHE_BYTES = 64 * 2**20
"""What GDAL may keep of a raster while it is written; by itself it takes a twentieth of the machine."""

Band = NDArray | Callable[[slice], NDArray]
"""An array (rows, cols), or what gives some of its rows."""


@contextmanager
def spoken_write_errors(path: Path) -> Iterator[None]:
    """Turn a failed write into an error that says what happened and what was left alone."""
    try:
        yield
    except (OSError, RasterioError) as error:
        raise CorridorError(
            f"{path} could not be written ({error}); is the disk full, or the folder protected? "
            "No input was changed and nothing half-written was left"
        ) from error


def write_raster(
    path: Path, grid: Grid, bands: Mapping[str, Band], nodata: float, resampling: str = "AVERAGE"
) -> None:
    """Write bands of one type as a cloud-optimised GeoTIFF with overviews, and read it back.

    Parameters
    ----------
    path : Path
        Appears when it is complete.
    grid : Grid
    bands : mapping of description -> array (rows, cols), or function of rows
        A function spares the memory of a band that is worked out of others.
    nodata : float
    resampling : str
        How overviews are made: AVERAGE for figures, MODE for codes.

    Raises
    ------
    CorridorError
        When the file cannot be written, or does not read back as it was.
    """
    work, fresh = path.with_name(f".{path.name}.work"), path.with_name(f".{path.name}.fresh")
    try:
        with spoken_write_errors(path), rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES):
            _write_plain(work, grid, bands, nodata)
            rasterio.shutil.copy(
                work, fresh, driver="COG", COMPRESS="DEFLATE", PREDICTOR="YES", LEVEL="6", BLOCKSIZE=BLOCK,
                OVERVIEW_RESAMPLING=resampling, BIGTIFF="IF_SAFER", OVERVIEWS="IGNORE_EXISTING",
            )  # fmt: skip
            if not _reads_back(fresh, grid, bands):
                raise OSError("what was written does not read back as it was")
            os.replace(fresh, path)
    finally:
        for left in (work, fresh):
            left.unlink(missing_ok=True)


def _rows(band: Band, row: int, grid: Grid) -> NDArray:
    """A block's rows of a band."""
    rows = slice(row, min(row + BLOCK, grid.rows))
    return band(rows) if callable(band) else band[rows]


def _write_plain(path: Path, grid: Grid, bands: Mapping[str, Band], nodata: float) -> None:
    first = _rows(next(iter(bands.values())), 0, grid)
    with rasterio.open(
        path, "w", driver="GTiff", height=grid.rows, width=grid.cols, count=len(bands), dtype=first.dtype,
        crs=grid.crs, transform=Affine(grid.cell_m, 0.0, grid.west_m, 0.0, -grid.cell_m, grid.north_m),
        nodata=nodata, tiled=True, blockxsize=BLOCK, blockysize=BLOCK, BIGTIFF="IF_SAFER",
    ) as dataset:  # fmt: skip
        for number, (name, band) in enumerate(bands.items(), 1):
            dataset.set_band_description(number, name)
            for row in range(0, grid.rows, BLOCK):
                part = _rows(band, row, grid)
                dataset.write(part, number, window=Window(0, row, grid.cols, len(part)))
            _rested(band)


def _reads_back(path: Path, grid: Grid, bands: Mapping[str, Band]) -> bool:
    """GDAL may report a full disk only in passing: the file itself is the proof."""
    with rasterio.open(path) as dataset:
        for number, band in enumerate(bands.values(), 1):
            for row in range(0, dataset.height, BLOCK):
                part = _rows(band, row, grid)
                read = dataset.read(number, window=Window(0, row, dataset.width, len(part)))
                if not np.array_equal(read, part, equal_nan=part.dtype.kind == "f"):
                    return False
            _rested(band)
    return True


def _rested(band: Band) -> None:
    """A band of a large survey gives back its memory before the next one is read."""
    if not callable(band):
        rest(band)


def project_text(text: str, name: str, seabed: Mapping[str, str]) -> str:
    """A project file's text with one more ``[[seabed]]`` table before all others; nothing else differs.

    Parameters
    ----------
    text : str
        The old file, comments and all.
    name : str
        The survey's, for the comment above the table.
    seabed : mapping of key -> text
        The new table.

    Raises
    ------
    SettingError
        When the result would not say exactly that, as where the surfaces are
        written as one inline list.
    """
    old = tomllib.loads(text)
    rows = "\n".join(f"{key} = {toml_text(value)}" for key, value in seabed.items())
    comment = re.sub(r"[^\w .,()-]", "", name)
    block = f"# Survey {comment}: on top of the surfaces below.\n[[seabed]]\n{rows}\n\n"
    for match in re.finditer(r"^[ \t]*\[\[[ \t]*seabed[ \t]*\]\]", text, flags=re.MULTILINE):
        new = text[: match.start()] + block + text[match.start() :]
        if _is(new, {**old, "seabed": [dict(seabed), *old.get("seabed", [])]}):
            return new
    raise SettingError(
        "the project file's surfaces are not written as [[seabed]] tables, so that the survey cannot be put "
        "before them; write each as a [[seabed]] table of its own"
    )


def _is(text: str, expected: Mapping[str, object]) -> bool:
    try:
        return tomllib.loads(text) == expected
    except tomllib.TOMLDecodeError:
        return False


def toml_text(value: str) -> str:
    """A basic string of TOML 1.0: quotes, backslashes and control characters escaped."""
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda match: f"\\u{ord(match[0]):04X}", escaped) + '"'


@contextmanager
def text_beside(path: Path, text: str) -> Iterator[None]:
    """Write text under a temporary name before the block, and give it its name after it.

    What can fail for want of room fails before the block; where the block
    fails, nothing is left.
    """
    fresh = path.with_name(f".{path.name}.fresh")
    try:
        with spoken_write_errors(path):
            fresh.write_text(text, encoding="utf-8")
        yield
        with spoken_write_errors(path):
            os.replace(fresh, path)
    finally:
        fresh.unlink(missing_ok=True)


def safe_name(name: str) -> str:
    """A survey's name as part of file names: letters, digits, dot, dash, underscore.

    Raises
    ------
    SettingError
        When nothing is left of it.
    """
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", name.strip()).strip("-._")[:60]
    if not plain:
        raise SettingError(f"the survey's name must hold letters or digits (got {name!r}); give --name")
    return plain
