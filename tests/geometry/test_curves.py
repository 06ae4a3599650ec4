"""Straights and arcs against curve formulas and against shapely."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from corridor.model.alignment import Alignment
from corridor.routing.geometry import (
    at_station,
    bends,
    curvature_at,
    cut,
    densify,
    elements,
    part,
    points,
    setting_out,
    stations,
    straight_runs,
    straights,
)

CRS = "EPSG:32740"


def bend(deflection_deg: float, radius_m: float, leg_m: float = 2000.0) -> Alignment:
    """One IP at (400000, 8260000): a leg from the south, then a turn to the right."""
    angle = math.radians(deflection_deg)
    ip = np.array([400_000.0, 8_260_000.0])
    end = ip + leg_m * np.array([math.sin(angle), math.cos(angle)])
    return Alignment.from_points([ip - [0.0, leg_m], ip, end], [radius_m], CRS)


# T = R tan(D/2), L = R D, E = R (sec(D/2) - 1), M = R (1 - cos(D/2)): circular curve
# geometry, exact; figures recomputed independently, rounded as printed.
@pytest.mark.parametrize(
    ("radius", "deflection", "tangent", "length", "external", "middle"),
    [
        (716.20, 25.5, 162.06, 318.75, 18.106, 17.660),
        (381.97, 45.0, 158.217, 299.999, 31.471, 29.076),
    ],
)
def test_curve_elements_match_handbook_formulas(radius, deflection, tangent, length, external, middle):
    alignment = bend(deflection, radius)
    table = setting_out(alignment)
    assert table["tangent_m"][1] == pytest.approx(tangent, abs=0.005)
    assert table["arc_m"][1] == pytest.approx(length, abs=0.005)
    line = elements(alignment)
    arc = int(np.flatnonzero(line.ip >= 0)[0])
    e, n, _ = at_station(line, line.station_m[arc] + line.length_m[arc] / 2.0)
    ip = np.array([400_000.0, 8_260_000.0])
    assert math.dist((e, n), ip) == pytest.approx(external, abs=0.0005)
    chord_middle = 0.5 * np.array(
        [
            table["in_easting_m"][1] + table["out_easting_m"][1],
            table["in_northing_m"][1] + table["out_northing_m"][1],
        ]
    )
    assert math.dist((e, n), chord_middle) == pytest.approx(middle, abs=0.0005)


@st.composite
def alignments(draw, most=7):
    """Lines with legs of 3 km or more and arcs that do not overlap; turns of up to about 120 degrees."""
    count = draw(st.integers(0, most))
    bearing = draw(st.floats(0.0, 2.0 * math.pi))
    turns = draw(st.lists(st.floats(-2.1, 2.1), min_size=count, max_size=count))
    place = np.array([400_000.0, 8_260_000.0])
    rows = [place]
    for turn in [0.0, *turns]:
        bearing += turn
        leg = draw(st.floats(3000.0, 9000.0))
        place = place + leg * np.array([math.sin(bearing), math.cos(bearing)])
        rows.append(place)
    radii = [draw(st.floats(50.0, 1400.0 / max(math.tan(abs(turn) / 2.0), 0.2))) for turn in turns]
    return Alignment.from_points(rows, radii, CRS)


@settings(max_examples=60, deadline=None)
@given(alignments())
def test_elements_join_without_step_or_kink(alignment):
    line = elements(alignment)
    end_e, end_n, _ = at_station(line, np.nextafter(line.station_m[1:], 0.0))
    assert (
        np.hypot(end_e - line.start_easting_m[1:], end_n - line.start_northing_m[1:]).max(initial=0.0) < 1e-6
    )
    turn = line.end_bearing_rad[:-1] - line.bearing_rad[1:]
    assert np.abs(np.sin(turn / 2.0)).max(initial=0.0) < 1e-9
    e, n, _ = at_station(line, [0.0, line.total_m])
    assert np.hypot(e - alignment.easting_m[[0, -1]], n - alignment.northing_m[[0, -1]]).max() < 1e-6


@settings(max_examples=60, deadline=None)
@given(alignments(), st.floats(0.001, 5.0))
def test_densified_line_keeps_within_the_sagitta(alignment, sagitta):
    line = elements(alignment)
    chords = shapely.LineString(densify(alignment, sagitta))
    e, n, _ = at_station(line, np.linspace(0.0, line.total_m, 997))
    assert shapely.distance(chords, shapely.points(e, n)).max() <= sagitta + 1e-6
    # Chords are never longer than the curve.
    assert chords.length <= line.total_m + 1e-6


@settings(max_examples=60, deadline=None)
@given(alignments())
def test_length_from_tables_is_that_of_the_elements(alignment):
    table = points(alignment)
    line = elements(alignment)
    assert table["kp_out_km"][-1] * 1000.0 == pytest.approx(line.total_m, abs=1e-6)
    # Length = legs - 2 T + L at every IP (circular curve geometry).
    legs = np.hypot(np.diff(alignment.easting_m), np.diff(alignment.northing_m)).sum()
    saved = np.nansum(2.0 * table["tangent_m"] - table["arc_m"])
    assert line.total_m == pytest.approx(legs - saved, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(alignments())
def test_reversed_line_has_the_same_length_and_passes_the_same_places(alignment):
    line, back = elements(alignment), elements(alignment.reversed())
    assert back.total_m == pytest.approx(line.total_m, abs=1e-6)
    s = np.linspace(0.0, line.total_m, 53)
    e, n, b = at_station(line, s)
    e2, n2, b2 = at_station(back, line.total_m - s)
    assert np.hypot(e - e2, n - n2).max() < 1e-5
    inner = slice(1, -1)
    assert np.abs(np.cos((b - b2)[inner]) + 1.0).max() < 1e-6


def test_bearing_and_curvature_are_clockwise_and_to_the_right():
    line = elements(bend(90.0, 500.0))
    assert line.curvature_1_m.tolist() == [0.0, 1.0 / 500.0, 0.0]
    _, _, bearing = at_station(line, [0.0, line.total_m])
    assert np.degrees(bearing) == pytest.approx([0.0, 90.0])
    assert curvature_at(line, [0.0, 1700.0, line.total_m]).tolist() == [0.0, 0.002, 0.0]
    left = elements(bend(-90.0, 500.0))
    assert left.curvature_1_m[1] == -1.0 / 500.0
    _, _, bearing = at_station(left, left.total_m)
    assert math.degrees(bearing) == pytest.approx(270.0)


def test_setting_out_gives_centre_and_tangent_points():
    table = setting_out(bend(90.0, 500.0))
    # A right-angled turn of radius R: T = R, the centre lies R east and R south of the IP.
    assert (table["in_easting_m"][1], table["in_northing_m"][1]) == pytest.approx((400_000.0, 8_259_500.0))
    assert (table["out_easting_m"][1], table["out_northing_m"][1]) == pytest.approx((400_500.0, 8_260_000.0))
    assert (table["centre_easting_m"][1], table["centre_northing_m"][1]) == pytest.approx(
        (400_500.0, 8_259_500.0)
    )
    assert table["deflection_deg"][1] == pytest.approx(90.0)
    assert table["leg_bearing_deg"][:2] == pytest.approx([0.0, 90.0])
    assert table["straight_m"][:2] == pytest.approx([1500.0, 1500.0])
    assert np.isnan(table["centre_easting_m"][[0, 2]]).all()
    left = setting_out(bend(-90.0, 500.0))
    assert left["centre_easting_m"][1] == pytest.approx(399_500.0)
    assert left["deflection_deg"][1] == pytest.approx(-90.0)


def test_sharp_corner_is_two_straights():
    line = elements(bend(60.0, 0.0))
    assert line.ip.tolist() == [-1, -1]
    assert line.total_m == pytest.approx(4000.0)
    _, _, bearing = at_station(line, [2000.0 - 1e-6, 2000.0])
    assert np.degrees(bearing) == pytest.approx([0.0, 60.0])


def test_turning_straight_back_is_a_corner_whatever_the_radius():
    alignment = Alignment.from_points([(0, 0), (0, 1000), (0, 200)], [500.0], CRS)
    assert elements(alignment).total_m == pytest.approx(1800.0)
    assert bends(alignment).arc_m[1] == 0.0


def test_overlapping_arcs_leave_a_negative_straight_and_a_connected_line():
    alignment = Alignment.from_points([(0, 0), (0, 1000), (1000, 1000), (1000, 2000)], [600.0, 600.0], CRS)
    assert straights(alignment) == pytest.approx([400.0, -200.0, 400.0])
    assert [run[3] for run in straight_runs(alignment)] == pytest.approx([400.0, -200.0, 400.0])
    line = elements(alignment)
    e, n, _ = at_station(line, np.nextafter(line.station_m[1:], 0.0))
    assert np.hypot(e - line.start_easting_m[1:], n - line.start_northing_m[1:]).max() < 1e-6
    assert line.total_m == pytest.approx(400.0 + 200.0 + 400.0 + 2 * 300.0 * math.pi)


def test_points_without_a_turn_do_not_end_a_straight():
    alignment = Alignment.from_points([(0, 0), (0, 1000), (0, 2000), (2000, 2000)], [500.0, 500.0], CRS)
    assert [(begin, end, length) for begin, end, _, length in straight_runs(alignment)] == [
        (0, 2, pytest.approx(1500.0)),
        (2, 3, pytest.approx(1500.0)),
    ]


def test_coincident_points_do_not_break_the_line():
    alignment = Alignment.from_points([(0, 0), (0, 1000), (0, 1000), (1000, 1000)], [0.0, 0.0], CRS)
    line = elements(alignment)
    assert line.total_m == pytest.approx(2000.0)
    nothing = elements(Alignment.from_points([(5, 5), (5, 5)], [], CRS))
    assert nothing.total_m == 0.0
    assert [float(v) for v in at_station(nothing, 0.0)[:2]] == [5.0, 5.0]


def test_stations_hold_regular_ones_tangent_points_and_the_end_once():
    line = elements(bend(90.0, 500.0))
    at = stations(line, 100.0)
    assert np.diff(at).min() > 1e-6
    assert np.isin(np.arange(0.0, 1600.0, 100.0), at).all()
    for joint in (0.0, 1500.0, 1500.0 + 250.0 * math.pi, line.total_m):
        assert np.abs(at - joint).min() < 1e-9
    # 0 ... 3700 every 100 (1500 is a tangent point as well), the arc's end, and the end.
    assert len(at) == 38 + 2


@settings(max_examples=40, deadline=None)
@given(alignments(), st.floats(0.0, 1.0), st.floats(0.01, 1.0))
def test_a_part_runs_where_the_whole_runs(alignment, share, length):
    line = elements(alignment)
    low = share * 0.9 * line.total_m
    high = low + length * (line.total_m - low)
    piece = part(line, low, high)
    assert piece.station_m[0] == pytest.approx(low, abs=1e-9)
    assert piece.end_m == pytest.approx(high, abs=1e-6)
    s = np.linspace(low, high, 31)
    whole, some = at_station(line, s), at_station(piece, s)
    assert np.abs(np.array(whole[:2]) - np.array(some[:2])).max() < 1e-6


def test_cut_divides_every_element():
    line = elements(bend(90.0, 500.0))
    at = cut(line, np.array([3, 2, 1]))
    assert np.diff(at) == pytest.approx([500.0, 500.0, 500.0, 125.0 * math.pi, 125.0 * math.pi, 1500.0])


def test_alignment_table_has_the_columns_of_the_file():
    table = points(bend(90.0, 500.0))
    assert ",".join(table) == (
        "point,easting_m,northing_m,radius_m,deflection_deg,tangent_m,arc_m,kp_in_km,kp_out_km,"
        "latitude_deg,longitude_deg"
    )
    assert table["point"].tolist() == ["START", "IP1", "END"]
    assert np.isnan(table["radius_m"][[0, -1]]).all()
    assert table["kp_in_km"].tolist() == pytest.approx([0.0, 1.5, 3.0 + 0.25 * math.pi])
