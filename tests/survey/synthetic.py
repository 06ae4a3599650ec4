"""A known piece of seabed, surveys of it with known faults, and a project around it. All invented."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from corridor.io.survey_store import TileStore
from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.rules import RouteEnd, RouteRules
from corridor.model.seabed import Seabed, Surface, Uncertainty
from corridor.model.survey import RawSoundings, SoundingFile, Survey, SurveySettings
from corridor.survey.study import LinePoints, study_survey

CRS = "EPSG:32740"
WEST, SOUTH = 402_000.0, 8_261_000.0
OLD = Uncertainty(0.10, 0.001)
DECLARED = {"a_m": 0.08, "b": 0.001}


def ground(easting: NDArray, northing: NDArray) -> NDArray:
    """Depth (m): a slope of one in a hundred with gentle undulations."""
    x, y = easting - WEST, northing - SOUTH
    return 35.0 + 0.01 * x + 0.8 * np.sin((x + 0.5 * y) / 90.0) + 0.5 * np.cos(y / 70.0)


def project(
    size: float = 400.0, cell: float = 2.0, layers: tuple[Layer, ...] = (), file: Path | None = None
) -> Project:
    """A project whose seabed is :func:`ground` itself at the cell centres."""
    count = round(size / cell)
    grid = Grid(count, count, WEST, SOUTH + size, cell, CRS)
    east, north = grid.centres()
    depth = ground(east[None, :], north[:, None]).astype(np.float32)
    return Project(
        name="Synthetic line",
        crs=CRS,
        vertical_datum="LAT",
        seabed=Seabed((Surface("old.tif", grid, depth, OLD),), "LAT"),
        layers=layers,
        rules=RouteRules(min_bend_radius_m=500.0),
        start=RouteEnd(WEST + 10.0, SOUTH + 10.0),
        end=RouteEnd(WEST + size - 10.0, SOUTH + size - 10.0),
        file=file or Path("project.toml"),
    )


def soundings(
    seed: int,
    *,
    box: tuple[float, float, float, float] = (100.0, 100.0, 220.0, 200.0),
    noise: float = 0.05,
    spacing: float = 40.0,
    swath: float = 60.0,
    step: float = 0.35,
) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """Easting, northing, depth, line of parallel lines over `box` (x, y, width, height from the corner)."""
    rng = np.random.default_rng(seed)
    x0, y0, width, height = box
    parts = []
    for number, middle in enumerate(np.arange(0.5 * spacing, width, spacing)):
        across = np.arange(-0.5 * swath, 0.5 * swath, step)
        x, y = (a.ravel() for a in np.meshgrid(x0 + middle + across, y0 + np.arange(0.0, height, step)))
        parts.append((x, y, np.full(len(x), number)))
    x, y, line = (np.concatenate(column) for column in zip(*parts, strict=True))
    x = x + rng.normal(0.0, 0.1, len(x))
    y = y + rng.normal(0.0, 0.1, len(y))
    keep = (x > x0) & (x < x0 + width) & (y > y0) & (y < y0 + height)
    easting, northing = WEST + x[keep], SOUTH + y[keep]
    depth = ground(easting, northing) + rng.normal(0.0, noise, len(easting))
    return easting, northing, depth, line[keep].astype(np.int32)


def as_file(
    easting: NDArray,
    northing: NDArray,
    depth: NDArray,
    line: NDArray | None = None,
    uncertainty: NDArray | None = None,
    name: str = "new.xyz",
    batch: int = 50_000,
    **other: object,
) -> SoundingFile:
    """Arrays as a file that streams them in batches."""
    names: list[str] = []

    def batches():
        names[:] = [] if line is None else [f"line {k}" for k in range(int(line.max()) + 1)]
        for start in range(0, len(depth), batch):
            part = slice(start, start + batch)
            yield RawSoundings(
                easting[part],
                northing[part],
                depth[part],
                None if uncertainty is None else uncertainty[part],
                None if line is None else line[part],
            )

    digest = hashlib.sha256(np.ascontiguousarray(depth).tobytes() + name.encode()).hexdigest()
    given = {"crs": CRS, "vertical_datum": "LAT", "sign": 1.0, "unit_m": 1.0, "offset_m": 0.0, **other}
    return SoundingFile(
        name=name, kind="text", sha256=digest, batches=batches, lines=names,
        has_uncertainty=uncertainty is not None, **given,
    )  # fmt: skip


def settings(**changes: object) -> SurveySettings:
    """Settings with an uncertainty declared."""
    return SurveySettings(**{"uncertainty": DECLARED, "cell_m": 1.0, **changes})


def study(
    files: list[SoundingFile],
    chosen: SurveySettings | None = None,
    at: Project | None = None,
    line: LinePoints | None = None,
) -> Survey:
    """Run all steps."""
    with TileStore() as store:
        return study_survey(at or project(), files, store, chosen or settings(), "synthetic", line)


def straight_line(northing: float) -> LinePoints:
    """A line due east along one northing: KP 0 at the project's western edge."""
    station = np.arange(0.0, 400.0, 2.0)
    return LinePoints(
        station,
        WEST + station,
        np.full(len(station), northing),
        lambda e, n: (e - WEST, northing - n),
    )
