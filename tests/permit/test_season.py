"""When zones are in force: chart dates, seasons over New Year, dates nobody can read."""

from __future__ import annotations

from datetime import date

import pytest

from corridor.errors import SettingError
from corridor.model.permit import ZoneSettings
from corridor.permit.season import active_layers, activity, parse_day, parse_season, validity

from .synthetic import sample_layers

MAY = (date(2027, 5, 1), date(2027, 5, 31))


@pytest.mark.parametrize(
    ("text", "end", "expected"),
    [
        # Forms of S-57 dates (IHO S-57 appendix A, attributes DATSTA and PERSTA; from memory), and ISO 8601.
        ("20270401", False, date(2027, 4, 1)),
        ("202704", False, date(2027, 4, 1)),
        ("202704", True, date(2027, 4, 30)),
        ("2027", True, date(2027, 12, 31)),
        ("--0401", False, (4, 1)),
        ("----0401", False, (4, 1)),
        ("--04", True, (4, 30)),
        ("2027-04-01", False, date(2027, 4, 1)),
        ("2027-04-01T12:00:00", False, date(2027, 4, 1)),
        ("04-01", False, (4, 1)),
        ("31.12.2027", False, date(2027, 12, 31)),
        ("12/31/2027", False, date(2027, 12, 31)),
        (20270401.0, False, date(2027, 4, 1)),
    ],
)
def test_dates_that_can_be_read(text, end, expected):
    assert parse_day(text, end) == expected


@pytest.mark.parametrize("text", ["03/04/2027", "20271301", "--0231", "next spring", "", "1 May"])
def test_dates_that_cannot_are_not_guessed(text):
    with pytest.raises(ValueError):
        parse_day(text)
    doubtful = validity({"valid_from": text or "?"}, {})
    active, reason = activity(doubtful, MAY)
    assert active and "counted as in force" in reason


def test_season_over_new_year():
    winter = validity({"PERSTA": "--1101", "PEREND": "--0228"}, {})
    assert winter.season_text == "1 Nov to 28 Feb"
    for day, expected in (
        ("2027-01-10", True),
        ("2027-02-28", True),
        ("2027-03-01", False),
        ("2027-11-01", True),
    ):
        period = (date.fromisoformat(day),) * 2
        assert activity(winter, period)[0] is expected


def test_period_that_only_touches_a_season_counts():
    summer = validity({}, {"season": "04-01/08-31"})
    assert activity(summer, (date(2027, 8, 31), date(2027, 12, 1)))[0]
    assert not activity(summer, (date(2027, 9, 1), date(2028, 3, 31)))[0]
    assert activity(summer, (date(2027, 9, 1), date(2028, 4, 1)))[0]


def test_dates_limit_a_season():
    valid = validity({"season": "04-01/08-31", "valid_from": "2027-06-01"}, {})
    assert not activity(valid, MAY)[0]
    assert activity(valid, (date(2027, 5, 1), date(2027, 6, 1)))[0]


def test_half_a_season_is_a_doubt_and_a_wrong_key_is_refused():
    assert activity(validity({"PERSTA": "--0401"}, {}), MAY) == (
        True,
        "counted as in force: PERSTA and PEREND must come together: one of them is missing",
    )
    with pytest.raises(SettingError, match="spring"):
        validity({}, {"season": "spring"}, "reserve")
    assert validity({"closed": "04-01/08-31"}, {"season": "closed"}).season == ((4, 1), (8, 31))


def test_season_needs_two_yearly_days():
    assert parse_season(["04-01", "08-31"]) == ((4, 1), (8, 31))
    for value in ("04-01", "2027-04-01/2027-08-31", 5, ["04-01"]):
        with pytest.raises(ValueError):
            parse_season(value)


def test_search_and_map_see_the_same_zones():
    layers = sample_layers()
    kept, notes = active_layers(layers, ZoneSettings(study_date="2027-05-14"))
    assert len(kept[3]) == 0 and "Rolling Pin" in notes[0]
    assert [len(layer) for layer in kept[:3]] == [4, 1, 1]
    same, none = active_layers(layers, ZoneSettings())
    assert none == () and all(a is b for a, b in zip(same, layers, strict=True))


@pytest.mark.parametrize(
    "keys",
    [
        {"study_date": "14.05.2027"},
        {"laying_season": ("2027-05-01",)},
        {"laying_season": ("2027-05-02", "2027-05-01")},
        {"study_date": "2027-05-14", "laying_season": ("2027-05-01", "2027-06-01")},
        {"working_corridor_m": 0.0},
        {"publish_columns": (1.0,)},
    ],
)
def test_settings_say_what_is_wrong(keys):
    with pytest.raises(SettingError) as caught:
        ZoneSettings(**keys)
    assert next(iter(keys)) in str(caught.value)
