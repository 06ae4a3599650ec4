"""The line after a survey, laid again in part, against the whole assessment: every field of both."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import shapely

from corridor.assess.again import measure
from corridor.io.alignment_file import read_alignment
from corridor.model.alignment import Alignment
from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.model.pipe import Environment, Pipe
from corridor.model.project import Project
from corridor.model.rules import RouteEnd, RouteRules
from corridor.model.seabed import Seabed, Surface
from corridor.model.survey import Declaration
from corridor.pipe import again
from corridor.survey.impact import compare_assessments
from corridor.survey.study import sampled_alike, with_survey
from corridor.survey_flow import add_survey
from corridor.workflow import assess_line

from ..alike import assert_same
from . import synthetic
from .synthetic import CRS, OLD, SOUTH, WEST

LENGTH = 5000.0
BOX = (2200.0, 60.0, 150.0, 80.0)


def relief(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Depth (m) over a strip: gentle waves and five gullies across it, two of them in the survey's box."""
    depth = 60 + 1.5 * np.sin(x / 61.0 + y / 50.0) + 0.004 * x
    for middle, width in ((700.0, 44.0), (2215.0, 25.0), (2240.0, 12.0), (3300.0, 48.0), (4500.0, 44.0)):
        depth = depth + np.where(np.abs(x - middle) < width / 2, 2.0, 0.0)
    return depth


def strip(cell: float = 2.0) -> Project:
    grid = Grid(int(200 / cell), int(LENGTH / cell), WEST, SOUTH + 200.0, cell, CRS)
    east, north = grid.centres()
    depth = relief(east[None, :] - WEST, north[:, None] - SOUTH).astype(np.float32)
    depth[: int(80 / cell), int(4000 / cell) : int(4100 / cell)] = np.nan
    area = shapely.box(WEST + 2000.0, SOUTH, WEST + 2300.0, SOUTH + 200.0)
    soft = Layer(
        name="soft ground", rule="discourage", geometries=np.array([area], dtype=object), features=("a",),
        attributes=({},), standoff_m=np.zeros(1), position_uncertainty_m=np.zeros(1), factor=1.7,
    )  # fmt: skip
    return Project(
        name="Strip", crs=CRS, vertical_datum="LAT", layers=(soft,),
        seabed=Seabed((Surface("old", grid, depth, OLD),), "LAT"),
        rules=RouteRules(min_bend_radius_m=500.0, max_slope_along_deg=9.0, search_cell_m=20.0),
        start=RouteEnd(WEST + 50.0, SOUTH + 100.0), end=RouteEnd(WEST + LENGTH - 50.0, SOUTH + 100.0),
        pipe=Pipe(0.508, 0.0206, 200.0, yield_strength_MPa=450.0, realisations=2),
        environment=Environment(300.0, current_m_s=0.5, wave_velocity_m_s=0.1),
    )  # fmt: skip


@pytest.fixture
def line(tmp_path: Path) -> Alignment:
    path = tmp_path / "line.csv"
    rows = [(50.0, 100.0), (2300.0, 104.0), (LENGTH - 50.0, 98.0)]
    names = (("START", ""), ("IP1", "1000"), ("END", ""))
    text = "".join(f"{n},{WEST + x},{SOUTH + y},{r}\n" for (n, r), (x, y) in zip(names, rows, strict=True))
    path.write_text("point,easting_m,northing_m,radius_m\n" + text)
    return read_alignment(path, CRS, 0.0)


def soundings_file(folder: Path) -> Path:
    """The same seabed in the box, but for a pit of 2 m across the line."""
    easting, northing, _, _ = synthetic.soundings(1, box=BOX, step=0.5)
    x, y = easting - WEST, northing - SOUTH
    depth = relief(x, y) + np.where(np.abs(x - 2290.0) < 18.0, 2.0, 0.0)
    np.savetxt(folder / "new.xyz", np.column_stack([easting, northing, depth]), fmt="%.3f")
    return folder / "new.xyz"


@pytest.mark.parametrize("cell", [pytest.param(2.0, marks=pytest.mark.slow), 1.0])
def test_only_the_affected_part_is_laid_and_all_fields_are_those_of_the_whole(
    line, tmp_path, monkeypatch, cell
):
    project, lengths = strip(), []

    def counted(station, *args, **others):
        lengths.append(station[-1] - station[0])
        return lay_pipe(station, *args, **others)

    lay_pipe = again.lay_pipe
    again._LATELY.clear()
    monkeypatch.setattr(again, "lay_pipe", counted)
    given = Declaration(values="depth", crs=CRS, vertical_datum="LAT")
    survey, found = add_survey(
        project, [soundings_file(tmp_path)], "new", declared=given,
        settings=synthetic.settings(cell_m=cell), alignment=line,
    )  # fmt: skip
    assert lengths[0] > 4890.0 and lengths[1] < 1900.0 and len(lengths) == 2
    new = with_survey(project, survey)
    again._LATELY.clear()
    old, whole = assess_line(sampled_alike(project, survey), line), assess_line(new, line)
    assert_same(found, compare_assessments(old.assessment, whole.assessment))
    assert {row["change"] for row in found.spans} > {"same"}
    before = measure(line, sampled_alike(project, survey))
    after = measure(line, new, before)
    assert_same(before.assessment, old.assessment)
    assert_same(after.assessment, whole.assessment)
    assert after.assessment.cost_m != before.assessment.cost_m
    assert any("every 1 m on both" in note for note in survey.notes) == (cell == 1.0)
    if cell == 2.0:  # the survey is no finer than the old seabed: before is what it always was
        assert_same(before.assessment, assess_line(project, line).assessment)


def test_a_line_assessed_already_is_not_laid_again(line, tmp_path, monkeypatch):
    project = strip()
    assess_line(project, line)
    monkeypatch.setattr(again.Bed, "lay", lambda *args, **others: pytest.fail("laid again"))
    assert measure(line, project).pipe is not None


def test_a_project_without_a_pipe(line):
    project = dataclasses.replace(strip(), pipe=None, environment=None)
    found = measure(line, project, measure(line, project))
    assert found.pipe is None
    assert_same(found.assessment, assess_line(project, line).assessment)
