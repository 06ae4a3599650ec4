"""Second guard around GDAL, and a clean start for PROJ. Import before rasterio, pyogrio or pyproj.

The first guard is :mod:`corridor.io.guard`: nothing but existing regular files
is ever opened. Should a file still refer to something on a network, these
variables leave the libraries no way out. They are read when GDAL is first
loaded: a notebook that imported rasterio before us has the first guard only.

A PROJ or GDAL data folder left in the environment by another installation
(a removed one, or one with an older database) makes every CRS unknown. Such
variables are dropped for this process: the wheels carry their own data.
"""

from __future__ import annotations

import importlib.util
import os
import sqlite3
from contextlib import closing
from pathlib import Path

SAFE = {
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
    "GDAL_HTTP_PROXY": "127.0.0.1:9",
    "GML_DOWNLOAD_SCHEMA": "NO",
}
"""Variables set before GDAL loads: no remote file has an allowed name, no proxy answers."""

DATA_VARIABLES = ("PROJ_DATA", "PROJ_LIB", "GDAL_DATA")
_GDAL_DATA_FILES = ("gdalvrt.xsd", "s57objectclasses.csv", "gt_datum.csv")


def prepare(environment: os._Environ[str] | dict[str, str] = os.environ) -> tuple[str, ...]:
    """Set the safe variables and drop stale data folders; returns the names dropped."""
    environment.update(SAFE)
    dropped = tuple(
        name for name in DATA_VARIABLES if name in environment and is_stale(name, environment[name])
    )
    for name in dropped:
        del environment[name]
    return dropped


def is_stale(variable: str, value: str) -> bool:
    """True when no folder in `value` holds data that the installed libraries can use."""
    folders = [Path(part) for part in value.split(os.pathsep) if part]
    if variable == "GDAL_DATA":
        return not any((folder / name).is_file() for folder in folders for name in _GDAL_DATA_FILES)
    needed = _needed_layout()
    return not any(_usable(_layout(folder / "proj.db"), needed) for folder in folders)


def _usable(layout: tuple[int, int] | None, needed: tuple[int, int] | None) -> bool:
    """PROJ's own test: same major layout, minor at least the one it was built for."""
    if layout is None:
        return False
    return needed is None or (layout[0] == needed[0] and layout[1] >= needed[1])


def _needed_layout() -> tuple[int, int] | None:
    """Highest layout among the databases that the wheels ship; None without wheels."""
    found = []
    for package, inside in (
        ("rasterio", "proj_data"),
        ("pyogrio", "proj_data"),
        ("pyproj", "proj_dir/share/proj"),
    ):
        spec = importlib.util.find_spec(package)
        for place in (spec.submodule_search_locations or ()) if spec else ():
            layout = _layout(Path(place) / inside / "proj.db")
            if layout is not None:
                found.append(layout)
    return max(found, default=None)


def _layout(database: Path) -> tuple[int, int] | None:
    """(major, minor) layout version written in a ``proj.db``, or None."""
    if not database.is_file():
        return None
    query = "SELECT value FROM metadata WHERE key = ?"
    try:
        with closing(sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            major, minor = (
                int(connection.execute(query, (f"DATABASE.LAYOUT.VERSION.{part}",)).fetchone()[0])
                for part in ("MAJOR", "MINOR")
            )
    except (sqlite3.Error, TypeError, ValueError):
        return None
    return major, minor


DROPPED = prepare()
"""Names of the stale variables dropped at import."""
