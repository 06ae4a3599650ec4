"""Which part of the line stands where on which sheet: geometry of windows and axes."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.text import Annotation

from corridor.errors import InputError
from corridor.model.alignment import Alignment
from corridor.model.publication import STRIP_MM, SheetSettings
from corridor.publish.sheet_furniture import north_arrow, round_scale, round_step
from corridor.publish.sheets_plan import (
    CLEAR_MM,
    PLAN_HEIGHT_MM,
    PLAN_WIDTH_MM,
    StripFrame,
    plan_sheets,
    sheet_step,
)
from corridor.publish.sheets_profile import MARGIN_MM, PROFILE_HEIGHT_MM, thinned, vertical_scale
from corridor.publish.zones_sheet_page import Page
from corridor.routing.geodesy import convergence_deg
from corridor.routing.geometry import at_station, elements
from tests.publish.synthetic import CRS, make_alignment


def straight(length_m: float, bearing_deg: float = 60.0) -> Alignment:
    turn = math.radians(bearing_deg)
    end = (450_000.0 + length_m * math.sin(turn), 8_250_000.0 + length_m * math.cos(turn))
    return Alignment.from_points([(450_000.0, 8_250_000.0), end], [], CRS)


@given(
    st.floats(0.0, 360.0), st.floats(100.0, 1e6), st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)
)  # fmt: skip
def test_paper_and_grid_are_each_others_reverse(
    right: float, scale: float, east: float, north: float
) -> None:
    frame = StripFrame(450_000.0, 8_250_000.0, right, scale)
    there = frame.to_paper(450_000.0 + east, 8_250_000.0 + north)
    back = frame.to_grid(there[0], there[1])
    assert back[0] == pytest.approx(450_000.0 + east, abs=1e-6)
    assert back[1] == pytest.approx(8_250_000.0 + north, abs=1e-6)
    long = float(np.hypot(*(there - [frame.width_mm / 2.0, frame.height_mm / 2.0])))
    assert long == pytest.approx(
        math.hypot(east, north) * 1000.0 / scale, rel=1e-9, abs=1e-5
    )  # the definition of a scale


def test_north_up_has_east_to_the_right() -> None:
    frame = StripFrame(0.0, 0.0, 90.0, 1000.0)
    assert frame.to_paper(10.0, 20.0) - frame.to_paper(0.0, 0.0) == pytest.approx([10.0, 20.0])


@given(st.floats(0.0, 360.0))
def test_a_straight_line_stands_above_its_own_profile(bearing: float) -> None:
    """One KP axis: plan and profile have each KP at the same distance from the sheet's left edge."""
    line = elements(straight(7400.0, bearing))
    for strip in plan_sheets(line, SheetSettings()):
        kp = np.linspace(strip.kp_from_km, strip.kp_to_km, 9)
        easting, northing, _ = at_station(line, kp * 1000.0)
        paper = strip.frame.to_paper(easting, northing)
        assert paper[:, 0] == pytest.approx(strip.x_mm(kp), abs=1e-6)
        assert paper[:, 1] == pytest.approx(PLAN_HEIGHT_MM / 2.0, abs=1e-6)


@given(length=st.floats(50.0, 900_000.0), orientation=st.sampled_from(["line", "north"]))
@settings(max_examples=40, deadline=None)
def test_sheets_cover_the_line_without_gap_or_overlap(length: float, orientation: str) -> None:
    line = elements(straight(length))
    strips = plan_sheets(line, SheetSettings(orientation=orientation))
    assert [strip.number for strip in strips] == list(range(1, len(strips) + 1))
    assert strips[0].kp_from_km == 0.0 and strips[-1].kp_to_km == line.total_m / 1000.0
    assert all(a.kp_to_km == b.kp_from_km for a, b in pairwise(strips))
    for strip in strips:
        edges = strip.x_mm([strip.kp_from_km, strip.kp_to_km])
        assert edges[0] >= -1e-9 and edges[1] <= PLAN_WIDTH_MM + 1e-9
    assert len(strips) <= 60


@pytest.mark.parametrize("orientation", ["line", "north"])
@pytest.mark.parametrize("seed", range(6))
def test_every_part_of_a_winding_line_lies_on_its_plan(orientation: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn = np.cumsum(rng.uniform(-1.2, 1.2, 9))
    step = np.column_stack([np.sin(turn), np.cos(turn)]) * rng.uniform(2500.0, 5000.0, (9, 1))
    points = np.array([450_000.0, 8_250_000.0]) + np.vstack([[0.0, 0.0], np.cumsum(step, axis=0)])
    line = elements(Alignment.from_points(points, np.full(8, 500.0), CRS))
    for strip in plan_sheets(line, SheetSettings(orientation=orientation, kp_per_sheet_km=4.0)):
        kp = np.linspace(strip.kp_from_km, strip.kp_to_km, 200)
        paper = strip.frame.to_paper(*at_station(line, kp * 1000.0)[:2])
        assert paper[:, 0].min() >= -1e-6 and paper[:, 0].max() <= PLAN_WIDTH_MM + 1e-6
        # The window is fitted to samples of the line; an arc between two of them bulges by less than this.
        assert paper[:, 1].min() >= CLEAR_MM - 0.1 and paper[:, 1].max() <= PLAN_HEIGHT_MM - CLEAR_MM + 0.1


def test_scale_and_length_follow_from_each_other() -> None:
    assert sheet_step(31.6, SheetSettings()) == (3.0, 10_000.0)
    assert sheet_step(31.6, SheetSettings(scale=5_000.0)) == (1.5, 5_000.0)
    assert sheet_step(31.6, SheetSettings(kp_per_sheet_km=7.0)) == (7.0, 25_000.0)  # 7 km / 300 mm: 1:23 333
    assert sheet_step(1000.0, SheetSettings()) == (30.0, 100_000.0)
    assert sheet_step(0.25, SheetSettings())[0] == 0.3


def test_a_tiny_rest_joins_the_last_sheet() -> None:
    strips = plan_sheets(elements(straight(6030.0)), SheetSettings(kp_per_sheet_km=3.0))
    assert [round(strip.kp_to_km, 3) for strip in strips] == [3.0, 6.03]


def test_thousands_of_sheets_are_refused_with_the_remedy() -> None:
    with pytest.raises(InputError, match="kp_per_sheet_km"):
        plan_sheets(elements(straight(900_000.0)), SheetSettings(kp_per_sheet_km=0.1))


@given(st.floats(1e-3, 1e8))
def test_round_scales_and_steps_are_the_next_ones_up(needed: float) -> None:
    assert needed * (1 - 1e-9) <= round_scale(needed) <= 1.34 * needed  # 1.5 to 2: a third
    assert needed * (1 - 1e-9) <= round_step(needed) <= 2.5 * needed * (1 + 1e-9)


@pytest.mark.parametrize("right_deg", [90.0, 60.0, 200.0, 351.0])
def test_the_north_arrow_points_along_the_meridian(right_deg: float) -> None:
    """Against pyproj's own geodesic: a step due north, put on the grid and on the sheet."""
    easting, northing = 380_000.0, 8_250_000.0
    to_degrees = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True)
    lon, lat = to_degrees.transform(easting, northing)
    lon2, lat2, _ = pyproj.Geod(ellps="WGS84").fwd(lon, lat, 0.0, 500.0)
    there = to_degrees.transform(lon2, lat2, direction="INVERSE")
    frame = StripFrame(easting, northing, right_deg, 10_000.0)
    step = frame.to_paper(*there) - frame.to_paper(easting, northing)
    page = Page(set())
    north_arrow(page, 100.0, 100.0, frame.up_deg, float(convergence_deg(CRS, easting, northing)), 13.0)
    arrow = next(item for item in page.paper.texts if isinstance(item, Annotation))
    drawn = np.subtract(arrow.xy, arrow.xyann)
    assert np.degrees(np.arctan2(*drawn)) == pytest.approx(np.degrees(np.arctan2(*step)), abs=0.01)


@given(st.lists(st.floats(-10.0, 3000.0), min_size=1, max_size=30))
def test_depths_fit_the_profile_at_a_round_scale(depths: list[float]) -> None:
    scale = vertical_scale(np.array(depths))
    mm = (np.array(depths) - scale.top_m) * 1000.0 / scale.scale
    assert mm.min() >= MARGIN_MM - 1e-6 and mm.max() <= PROFILE_HEIGHT_MM - MARGIN_MM + 1e-6
    assert (scale.bottom_m - scale.top_m) * 1000.0 / scale.scale == pytest.approx(PROFILE_HEIGHT_MM)
    assert round_scale(scale.scale) == pytest.approx(scale.scale)


def test_thinning_keeps_every_extreme() -> None:
    values = np.random.default_rng(1).normal(size=50_000)
    values[30_000:30_010] = np.nan
    keep = thinned(values, 3000)
    assert len(keep) < 3100 and keep[0] == 0 and keep[-1] == 49_999
    assert np.nanmin(values[keep]) == np.nanmin(values) and np.nanmax(values[keep]) == np.nanmax(values)


def test_the_strip_holds_the_settings_length(tmp_path: Path) -> None:
    strip = plan_sheets(elements(make_alignment()), SheetSettings())[0]
    edges = strip.x_mm([strip.kp_from_km, strip.kp_to_km])
    assert edges[1] - edges[0] == pytest.approx(STRIP_MM)
