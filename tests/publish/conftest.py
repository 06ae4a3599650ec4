"""Fixtures around the synthetic study."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from corridor.model.results import Study
from corridor.publish.provenance import Stamp

from .synthetic import CRS, HOSTILE, make_study


@pytest.fixture
def study(tmp_path: Path) -> Study:
    return make_study(tmp_path)


@pytest.fixture
def hostile_study(tmp_path: Path) -> Study:
    return make_study(tmp_path, HOSTILE)


@pytest.fixture
def a_stamp() -> Stamp:
    return Stamp(
        "Synthetic line",
        "B",
        CRS,
        "LAT",
        "0.1.0",
        datetime(2024, 1, 2, 3, 4, 5, tzinfo=UTC),
        (("a.tif", "ab" * 32),),
    )
