"""Degrees and decimal minutes: written, read back, never more than a centimetre off."""

from __future__ import annotations

import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st

from corridor.errors import InputError
from corridor.permit.degrees import chosen_step, degrees_minutes, minute_decimals_for, parse_degrees_minutes


@given(st.floats(-90.0, 90.0), st.floats(-180.0, 180.0))
def test_round_trip_stays_within_a_centimetre(latitude, longitude):
    """Distance on the ellipsoid (pyproj.Geod) after writing and reading back: below 0.01 m."""
    text = degrees_minutes([latitude], "latitude")[0], degrees_minutes([longitude], "longitude")[0]
    back = [parse_degrees_minutes(item) for item in text]
    _, _, distance = pyproj.Geod(ellps="WGS84").inv(longitude, latitude, back[1], back[0])
    assert distance < 0.01


@given(st.integers(0, 5_400_000_000))
def test_minutes_never_reach_sixty(microminutes):
    text = degrees_minutes([microminutes / 6e7 + 4e-9], "latitude")[0]
    assert float(text[3:12]) < 60.0


@pytest.mark.parametrize(
    ("value", "axis", "text"),
    [
        # One degree has 60 minutes: 57.2057613 x 60 = 3432.345678, exact arithmetic.
        (57.2057613, "latitude", "57°12.345678'N"),
        (-3.5, "longitude", "003°30.000000'W"),
        (-0.0, "latitude", "00°00.000000'N"),
        (59.9999999999, "latitude", "60°00.000000'N"),
        (-1e-12, "longitude", "000°00.000000'E"),
        (180.0, "longitude", "180°00.000000'E"),
    ],
)
def test_worked_values(value, axis, text):
    assert degrees_minutes([value], axis) == [text]


@pytest.mark.parametrize("text", ["57°60.0'N", "91°00.0'N", "57.5", "57°12.3'", "north", ""])
def test_what_is_no_position_is_refused(text):
    with pytest.raises(InputError, match="position must"):
        parse_degrees_minutes(text)


def test_graticule_steps_are_round():
    assert chosen_step(0.4) == pytest.approx(5.0 / 60.0)
    assert minute_decimals_for(5.0 / 60.0) == 0
    assert minute_decimals_for(30.0 / 3600.0) == 1
