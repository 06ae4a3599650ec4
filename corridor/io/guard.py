"""What may be opened at all: existing regular files in formats that hold their own data.

GDAL follows URLs, ``/vsi...`` names and formats that are only a description of
other files or of a service. A project file comes from somebody else, so none
of these is opened: a path must name an existing regular file, rasters are
opened with a list of formats allowed, vector files are looked at before they
are opened and their format is judged again afterwards.
"""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path

from corridor.io import _environment  # noqa: F401  (before rasterio loads GDAL)

# isort: split
import rasterio
from rasterio.errors import NotGeoreferencedWarning, RasterioError

from corridor.errors import InputError, LayerError, SeabedError
from corridor.model.project import SourceFile

RASTER_FORMATS = (
    "AAIGrid", "ACE2", "AIG", "BAG", "BT", "BYN", "CTG", "DTED", "EHdr", "ENVI", "ERS", "GPKG",
    "GRASSASCIIGrid", "GRIB", "GS7BG", "GSAG", "GSBG", "GSC", "GTX", "GTiff", "GXF", "HDF5", "HDF5Image",
    "HF2", "HFA", "ILWIS", "ISG", "JP2OpenJPEG", "KRO", "LCP", "Leveller", "MFF", "NGSGEOID", "NITF",
    "NOAA_B", "NWT_GRD", "PCIDSK", "PCRaster", "PNG", "RMF", "ROI_PAC", "RRASTER", "RST", "S102", "SAGA",
    "SDTS", "SIGDEM", "SNODAS", "SRTMHGT", "Terragen", "USGSDEM", "VICAR", "XYZ", "ZMap", "netCDF",
)  # fmt: skip
"""Raster formats that hold their own cells. Not: VRT, tile indexes, services, archives."""

VECTOR_FORMATS = frozenset((
    "AVCBin", "AVCE00", "CSV", "DGN", "DXF", "EDIGEO", "ESRIJSON", "FlatGeobuf", "GML", "GPKG", "GPX",
    "GeoJSON", "GeoJSONSeq", "GeoRSS", "Idrisi", "JML", "JSONFG", "KML", "LIBKML", "MVT", "MapML",
    "MiraMonVector", "OGR_GMT", "PMTiles", "S57", "SQLite", "SXF", "Selafin", "TopoJSON", "VDV", "VFK",
    "WAsP", "ESRI Shapefile", "MapInfo File",
))  # fmt: skip
"""Vector formats that hold their own features. Not: OGR VRT, pipelines, services, helper programs."""

_REFERENCES = {
    b"<ogrvrtdatasource": "OGR VRT",
    b"<vrtdataset": "VRT",
    b"<gdaltileindexdataset": "tile index",
    b"<gdal_wms": "web map service",
    b"<gdal_wmts": "web map service",
    b"<ogrwfsdatasource": "web feature service",
    b"<ogroapifdatasource": "web feature service",
    b"gdal_streamed_alg": "GDAL pipeline",
    b"\\isseamless": "seamless MapInfo table",
    b"create view": "MapInfo view",
}
"""Beginnings (lower case) that GDAL takes as a description of other sources."""

_HEAD_BYTES = 4096
_ARCHIVES = (".zip", ".tar", ".tgz", ".gz", ".7z", ".rar", ".bz2", ".xz")
_SIDE_FILES = (
    ".shx", ".dbf", ".prj", ".cpg", ".qpj", ".sbn", ".sbx", ".dat", ".map", ".id", ".ind", ".mid", ".xsd",
    ".gfs", ".hdr", ".aux.xml", ".msk", ".ovr",
)  # fmt: skip


def existing_file(
    text: str, folder: Path, where: str, *, key: str = "file", error: type[InputError] = InputError
) -> Path:
    """Absolute path of an existing regular file.

    Parameters
    ----------
    text : str
        As written by the user.
    folder : Path
        Relative paths start here.
    where : str
        Named in the message, for example ``[[seabed]] 'a.tif' in project.toml``.
    key : str
        The setting that holds the path.
    error : type of InputError
        Raised for URLs, names of GDAL's virtual file systems, folders, devices, archives and files that
        do not exist.
    """
    requirement = f"{key} must be an existing file on this computer (got {_short(text)})"
    slashes = text.strip().replace("\\", "/").lower()
    if "://" in slashes or slashes.startswith("file:"):
        raise error(f"{requirement}, not an address: {where}; download it first and give its path")
    if slashes.lstrip("/").startswith("vsi") and slashes.startswith("/"):
        raise error(f"{requirement}, not a virtual file system: {where}; unpack or download it first")
    if not text.strip() or "\0" in text:
        raise error(f"{requirement}: {where}; give its path, relative to the project file")
    path = folder / text
    try:
        path = path.resolve()
        regular, exists = path.is_file(), path.exists()
    except (OSError, RuntimeError) as problem:
        raise error(f"{requirement}: {where}; {problem}") from problem
    if exists and not regular:
        raise error(
            f"{requirement}, not a folder or device: {where}; give one file, for example a GeoPackage"
        )
    if not regular:
        raise error(f"{requirement}; there is none at {path}: {where}; mend the path or put the file there")
    if path.as_posix().lower().startswith("/vsi"):
        raise error(f"{requirement}: {where}; move it to a folder whose name does not begin with 'vsi'")
    if path.suffix.lower() in _ARCHIVES:
        raise error(f"{requirement}, not an archive: {where}; unpack it and name the file inside")
    return path


@contextmanager
def open_raster(path: Path, where: str, variable: str | None = None) -> Iterator[rasterio.io.DatasetReader]:
    """Open a raster whose format holds its own cells.

    Parameters
    ----------
    path : Path
        From :func:`existing_file`.
    where : str
    variable : str, optional
        For a file with several rasters (netCDF, HDF5): which one.

    Raises
    ------
    SeabedError
        Unknown format, one that only refers to other files, a damaged file, an unknown `variable`.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        dataset = _open(path, path, where)
        try:
            inside = dataset.subdatasets
            if variable is not None or (dataset.count == 0 and inside):
                name = _choose(inside, variable, path, where)
                driver = dataset.driver
                dataset.close()
                dataset = _open(name, path, where, (driver, f"{driver}Image"))
            _refuse_references(dataset.files, path, where)
            if dataset.count == 0:
                raise SeabedError(f"{path.name} holds no raster: {where}; name a raster file")
            yield dataset
        finally:
            dataset.close()


def _open(
    name: Path | str, path: Path, where: str, formats: tuple[str, ...] = RASTER_FORMATS
) -> rasterio.io.DatasetReader:
    if path.stat().st_size == 0:
        raise SeabedError(f"{path.name} is empty (0 bytes): {where}; copy it again")
    # rasterio.open takes one driver at most; the reader behind it takes the list, so that
    # a format not allowed is not even opened.
    allowed = [driver for driver in formats if driver in _installed()]
    try:
        return rasterio.io.DatasetReader(name, driver=allowed)
    except RasterioError as problem:
        raise SeabedError(
            f"{path.name} cannot be read as a raster: {where}; give a whole file in a format that holds its "
            f"own cells (GeoTIFF, BAG, netCDF, ASCII grid, ...), not a reference such as VRT ({problem})"
        ) from problem


@lru_cache(maxsize=1)
def _installed() -> frozenset[str]:
    with rasterio.Env() as env:
        return frozenset(env.drivers())


def _choose(names: list[str], variable: str | None, path: Path, where: str) -> str:
    """The one raster of a file with several."""
    short = {name.rsplit(":", 1)[-1].strip("/"): name for name in names}
    listed = ", ".join(short) or "none"
    if variable is None and len(short) == 1:
        return next(iter(short.values()))
    if variable is None:
        raise SeabedError(
            f"variable is required, {path.name} holds {listed}: {where}; name the one with the depth"
        )
    if variable not in short:
        raise SeabedError(f"variable must be one of {listed} (got {variable!r}): {where}")
    return short[variable]


def _refuse_references(files: list[str], path: Path, where: str) -> None:
    """Everything a dataset reads must be a regular file beside the one that was named."""
    for name in files:
        other = Path(name)
        if other.is_dir() and other.resolve() == path.parent:
            continue
        if str(name).startswith("/vsi") or not other.is_file() or other.resolve().parent != path.parent:
            raise SeabedError(
                f"{path.name} refers to {_short(name)}: {where}; give a file that holds its own cells"
            )


def refuse_vector_reference(path: Path, where: str) -> None:
    """Refuse a vector file that only describes others, before GDAL opens it.

    Raises
    ------
    LayerError
    """
    if any(mark in str(path) for mark in "!;"):
        raise LayerError(f"file {path.name!r} or its folder holds '!' or ';' in its name: {where}; rename it")
    with path.open("rb") as stream:
        head = stream.read(_HEAD_BYTES).lower()
    if not head:
        raise LayerError(f"{path.name} is empty (0 bytes): {where}; copy it again")
    flat = head.replace(b"\0", b"")
    for mark, kind in _REFERENCES.items():
        table_only = kind.endswith(("table", "view")) and path.suffix.lower() != ".tab"
        if mark in flat and not table_only:
            raise LayerError(
                f"{path.name} is a {kind} that refers to other sources: {where}; "
                "give a file that holds the features"
            )


def refuse_vector_format(driver: str, path: Path, where: str) -> None:
    """Refuse a vector format that does not hold its own features; `driver` as GDAL names it."""
    if driver not in VECTOR_FORMATS:
        raise LayerError(
            f"{path.name} is in format {driver}, which is not read: {where}; "
            "convert it to GeoPackage or GeoJSON"
        )


def side_files(path: Path) -> tuple[Path, ...]:
    """The file itself and those that belong to it (.dbf, .prj, .aux.xml, chart updates ...), sorted."""
    stem, name = path.stem.casefold(), path.name.casefold()
    beside = []
    for other in path.parent.iterdir():
        low = other.name.casefold()
        updates = path.suffix == ".000" and other.stem.casefold() == stem and other.suffix[1:].isdigit()
        named = any(low in (stem + ending, name + ending) for ending in _SIDE_FILES)
        if other != path and (named or updates) and other.is_file():
            beside.append(other)
    return (path, *sorted(beside))


def source_files(path: Path, folder: Path) -> tuple[SourceFile, ...]:
    """Names (relative to `folder` where possible) and SHA-256 of a file and those that belong to it."""
    return tuple(SourceFile(_relative(item, folder), sha256(item)) for item in side_files(path))


def sha256(path: Path) -> str:
    """SHA-256 of a file's content, as hexadecimal text."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _relative(path: Path, folder: Path) -> str:
    try:
        return path.relative_to(folder.resolve()).as_posix()
    except ValueError:
        return path.as_posix()


def _short(text: object) -> str:
    shown = repr(str(text))
    return shown if len(shown) <= 120 else shown[:117] + "...'"
