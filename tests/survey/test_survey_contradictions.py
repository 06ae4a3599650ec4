"""Soundings that cannot be what they are declared to be: the likely cause is named, nothing is merged."""

from __future__ import annotations

import dataclasses
import threading

import numpy as np
import pytest
from pyproj import Transformer

from corridor.errors import SeabedError

from . import synthetic
from .synthetic import CRS, SOUTH, WEST, as_file, settings, soundings, study


@pytest.fixture(scope="module")
def survey():
    return soundings(1, step=1.0)


def refusal(*columns, **other) -> str:
    with pytest.raises(SeabedError) as caught:
        study([as_file(*columns, **other)])
    text = str(caught.value)
    assert "Nothing was merged" in text and "new.xyz" in text
    return text


def test_what_is_declared_right_passes(survey):
    easting, northing, depth, _ = survey
    study([as_file(easting, northing, depth)])
    study([as_file(easting, northing, -depth, sign=-1.0)])
    study([as_file(easting, northing, depth / 0.3048, unit_m=0.3048)])
    study([as_file(easting, northing, depth - 1.3, offset_m=1.3)])


@pytest.mark.parametrize(
    ("sign", "word"), [(-1.0, "depth, declared as elevation"), (1.0, "elevation, declared as depth")]
)
def test_mirrored_sign(survey, sign, word):
    easting, northing, depth, _ = survey
    assert f"sign is mirrored: values are {word}" in refusal(easting, northing, -sign * depth, sign=sign)


@pytest.mark.parametrize(("unit", "metres"), [("feet", 0.3048), ("fathoms", 1.8288)])
def test_feet_or_fathoms_for_metres(survey, unit, metres):
    easting, northing, depth, _ = survey
    assert f"depths are in {unit}, declared as metres" in refusal(easting, northing, depth / metres)


def test_metres_for_feet(survey):
    easting, northing, depth, _ = survey
    assert "depths are in metres, declared as feet" in refusal(easting, northing, depth, unit_m=0.3048)


def test_swapped_axes(survey):
    easting, northing, depth, _ = survey
    assert "axes are swapped" in refusal(northing, easting, depth)


@pytest.mark.parametrize("shift", [2.4, -1.7])
def test_constant_shift(survey, shift):
    easting, northing, depth, _ = survey
    text = refusal(easting, northing, depth + shift)
    side = "below" if shift > 0 else "above"
    assert "constant shift" in text and f"{abs(shift):.2f} m {side}" in text and "vertical_offset_m" in text


@pytest.mark.parametrize("true_zone", ["EPSG:32739", "EPSG:32741", "EPSG:32640"])
def test_wrong_zone_or_hemisphere(survey, true_zone):
    """The file is in another zone than declared: EPSG registry, WGS 84 / UTM zones 39S, 41S and 40N."""
    x, y = Transformer.from_crs(CRS, true_zone, always_xy=True).transform(survey[0], survey[1])
    assert f"another zone or CRS: {true_zone}, declared as {CRS}" in refusal(x, y, survey[2])


def test_degrees_declared_as_metres(survey):
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(survey[0], survey[1])
    assert "coordinates are degrees: EPSG:4326" in refusal(lon, lat, survey[2])


def test_two_mistakes_at_once(survey):
    easting, northing, depth, _ = survey
    text = refusal(northing, easting, -depth / 0.3048)
    assert "axes are swapped" in text and "sign is mirrored" in text and "in feet" in text


def test_all_outside_with_no_cause(survey):
    easting, northing, depth, _ = survey
    assert "lie outside the project" in refusal(easting + 30_000.0, northing - 50_000.0, depth)


def test_each_file_is_judged_by_itself(survey):
    easting, northing, depth, _ = survey
    files = [
        as_file(easting, northing, depth, name="good.xyz"),
        as_file(easting, northing, -depth, name="bad.xyz"),
    ]
    with pytest.raises(SeabedError) as caught:
        study(files)
    assert len(caught.value.faults) == 1 and "bad.xyz contradicts" in caught.value.faults[0]


def test_a_seabed_that_moved_is_no_contradiction(survey):
    """Sand waves that migrated by half their length: differences as large as they are high, but no shift."""
    easting, northing, depth, _ = survey
    moved = depth + 2.0 * np.sin(2 * np.pi * easting / 60.0)
    result = study([as_file(easting, northing, moved)])
    assert len(result.changes) > 3 and "taken as change" in result.notes[0]


def test_a_shift_can_be_allowed(survey):
    easting, northing, depth, _ = survey
    result = study([as_file(easting, northing, depth + 2.4)], settings(shift_tolerance_m=3.0))
    assert result.quality.overlap.bias_m == pytest.approx(2.4, abs=0.02)


def test_beside_the_existing_seabed_there_is_nothing_to_compare():
    easting, northing, depth, _ = soundings(2, box=(420.0, 100.0, 80.0, 100.0), step=1.0)
    result = study([as_file(easting, northing, depth)])
    assert any("nothing to compare" in note for note in result.notes)
    assert result.quality.overlap is None


# -- soundings that cannot be used


def test_a_few_bad_soundings_are_tolerated_and_counted(survey):
    easting, northing, depth, _ = (column.copy() for column in survey)
    depth[10], depth[20], easting[30] = np.nan, 30_000.0, easting[30] + 90_000.0
    (census,) = study([as_file(easting, northing, depth)]).files
    assert (census.not_finite, census.absurd, census.outside) == (1, 1, 1)
    assert census.kept == len(depth) - 3


def test_too_many_bad_soundings_are_refused_with_their_kinds(survey):
    easting, northing, depth, _ = (column.copy() for column in survey)
    depth[::50] = np.nan
    with pytest.raises(SeabedError, match=r"2 %\) cannot be used: \d+ not a number, 0 with a depth outside"):
        study([as_file(easting, northing, depth)])
    allowed = dataclasses.replace(settings(), max_bad_share=0.05)
    assert study([as_file(easting, northing, depth)], allowed).files[0].not_finite == len(depth[::50])


def test_no_soundings_at_all():
    void = np.empty(0)
    with pytest.raises(SeabedError, match="holds no soundings"):
        study([as_file(void, void, void)])


def test_the_grid_may_not_grow_beyond_the_setting():
    easting, northing, depth, _ = soundings(3, step=1.0)
    with pytest.raises(SeabedError, match="more than max_cells = 1000"):
        study([as_file(easting, northing, depth)], settings(max_cells=1000))


@pytest.mark.parametrize("stage", ["reading soundings", "gridding", "comparing with the existing seabed"])
def test_ctrl_c_leaves_no_thread_and_no_file(survey, tmp_path, stage):
    from corridor.io.survey_ahead import ahead
    from corridor.io.survey_store import TileStore
    from corridor.survey.study import study_survey

    def stop(now: str, share: float) -> None:
        if now == stage:
            raise KeyboardInterrupt

    easting, northing, depth, _ = survey
    plain = as_file(easting, northing, depth, batch=2000)
    file = dataclasses.replace(plain, batches=lambda: ahead(plain.batches()))
    with pytest.raises(KeyboardInterrupt), TileStore(tmp_path) as store:
        study_survey(synthetic.project(), [file], store, settings(), "x", None, stop)
    assert list(tmp_path.iterdir()) == []
    left = [t for t in threading.enumerate() if "read-ahead" in t.name or "ThreadPool" in t.name]
    assert not left


@pytest.mark.parametrize("count", [1, 2, 9])
def test_a_handful_of_soundings_suggests_no_cell(count):
    easting, northing = WEST + 200.0 + 5.0 * np.arange(count), np.full(count, SOUTH + 200.0)
    file = as_file(easting, northing, synthetic.ground(easting, northing))
    with pytest.raises(SeabedError, match=rf"only {count} sounding.*give cell_m"):
        study([file], settings(cell_m=None))
    result = study([file], settings(cell_m=5.0))
    assert result.surface.count.sum() == count and not result.quality.ok


def test_cancelling_stops_within_a_stage(survey):
    from corridor.errors import Cancelled
    from corridor.io.survey_store import TileStore
    from corridor.survey.study import study_survey

    def stop(stage: str, share: float) -> None:
        if stage == "gridding":
            raise Cancelled("asked to stop")

    easting, northing, depth, _ = survey
    with TileStore() as store, pytest.raises(Cancelled):
        study_survey(
            synthetic.project(), [as_file(easting, northing, depth)], store, settings(), "x", None, stop
        )
