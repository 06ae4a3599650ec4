"""A synthetic study with a pipe, its supports and rates; a stamp whose time does not move."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from corridor.model.pipe import Environment, Pipe
from corridor.model.publication import QuantitySettings, SheetSettings
from corridor.model.results import Study
from corridor.publish.provenance import Stamp
from corridor.publish.sheets_data import SheetSet
from tests.publish.synthetic import CRS, HOSTILE, make_study

RATES = {"pipe_per_m": 250.0, "crossing": 1.5e6, "crossing_cables": 2.0e5, "rock_per_m3": 80.0}

PIPE = Pipe(
    outside_diameter_m=0.508,
    wall_thickness_m=0.0206,
    residual_tension_kN=200.0,
    coating=({"thickness_m": 0.04, "density_kg_m3": 3040.0},),
)
"""The section constructed for this project's table of outside values (exact arithmetic)."""


def with_pipe(study: Study) -> Study:
    """The study with a pipe, two supports, a trench and rates."""
    supports = {
        "support": np.array([1, 2]),
        "span": np.array([2, 5]),
        "kp_km": np.array([4.123456, 5.5]),
        "height_m": np.array([0.5, 1.25]),
        "crest_depth_m": np.array([114.5, 142.25]),
        "reaction_kN": np.array([60.0, 70.5]),
        "rock_m3": np.array([7.5, 33.3333]),
    }
    trench = {"from_kp_km": 0.0, "to_kp_km": 0.5, "depth_m": 1.5, "bottom_m": 1.0, "side_slope": 2.0}
    pipe_summary = {
        "trenches": [{**trench, "length_m": 500.0, "top_width_m": 7.0, "volume_m3": 3000.0}],
        "settings": {"residual_tension_kN": {"value": 200.0, "source": "project"}},
        "cautions": ["Span screening aid."],
    }
    project = replace(
        study.project,
        pipe=PIPE,
        environment=Environment(soil_stiffness_static_kN_m2=300.0),
        rates=RATES,
        tables={"quantities": QuantitySettings("EUR", 3.0)},
    )
    assessed = replace(study.assessment, supports=supports, pipe_summary=pipe_summary)
    return replace(study, project=project, assessment=assessed)


@pytest.fixture
def study(tmp_path: Path) -> Study:
    return with_pipe(make_study(tmp_path))


@pytest.fixture
def hostile_study(tmp_path: Path) -> Study:
    return with_pipe(make_study(tmp_path, HOSTILE))


@pytest.fixture
def a_stamp() -> Stamp:
    time = datetime(2024, 1, 2, 3, 4, 5, tzinfo=UTC)
    return Stamp("Synthetic line", "B", CRS, "LAT", "0.1.0", time, (("a.tif", "ab" * 32),))


@pytest.fixture
def data(study: Study, a_stamp: Stamp) -> SheetSet:
    return SheetSet(study, a_stamp, SheetSettings())
