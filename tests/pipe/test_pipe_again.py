"""The pipe laid again in part. The reference is laying the whole line."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from corridor.errors import PipeError
from corridor.pipe import CrossedAsset, again
from corridor.pipe.again import Bed, changed_stations, laid_on, lay_again
from corridor.pipe.study import PipeResult

from ..alike import assert_same
from .pipe_reference import a_pipe, a_sea

X = np.arange(0.0, 5001.0)
PUBLISHED = ("spans", "details", "supports", "profile", "advice", "summary", "warnings")


def rough(seed: int = 0, roughness: float = 0.3) -> np.ndarray:
    """Rough ground with trenches: some spans pass, some want supports."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, roughness, len(X) + 80)
    depth = 80 + 3 * np.sin(X / 400) + np.convolve(noise, np.ones(81) / 9, "valid")
    for centre, width in ((700, 44), (1200, 45), (2600, 50), (3100, 70), (4400, 44)):
        depth += np.where(np.abs(X - centre) < width / 2, 2.5, 0.0)
    return depth


def bed(depth: np.ndarray, tvu: float | None = 0.3, humps: tuple[CrossedAsset, ...] = ()) -> Bed:
    return Bed(X, depth, np.ones(len(X)), None if tvu is None else np.full(len(X), tvu), humps)


def dug(depth: np.ndarray, *places: tuple[float, float, float]) -> np.ndarray:
    """The same seabed after pits of (station, width, depth)."""
    for centre, width, deep in places:
        depth = depth + np.where(np.abs(X - centre) < width / 2, deep, 0.0)
    return depth


def both(old: Bed, new: Bed, pipe, sea, monkeypatch) -> tuple[PipeResult, PipeResult, list[int]]:
    """(in part, whole, lengths of all profiles laid for the first), the whole never remembered."""
    before, whole = (one.lay(pipe, sea, 500.0) for one in (old, new))
    lengths: list[int] = []

    def counted(station, *args, **others):
        lengths.append(len(station))
        return lay_pipe(station, *args, **others)

    lay_pipe = again.lay_pipe
    monkeypatch.setattr(again, "lay_pipe", counted)
    again._LATELY.clear()
    found = lay_again(before, old, new, pipe, sea, 500.0)
    for name in PUBLISHED:
        assert_same(getattr(found, name), getattr(whole, name), name)
    return found, whole, lengths


CHANGES = {
    "a new span": ((2300.0, 40.0, 2.0),),
    "a new span that wants supports": ((2300.0, 70.0, 3.0),),
    "a span filled in": ((2600.0, 50.0, -2.5),),
    "two places": ((90.0, 60.0, 2.0), (4990.0, 30.0, 2.0)),
    "ripples of a centimetre": ((2000.0, 400.0, 0.01),),
}


@pytest.mark.parametrize("change", CHANGES)
def test_windows_give_what_the_whole_line_gives(change, monkeypatch):
    pipe, sea = a_pipe(realisations=6), a_sea(current_m_s=0.5)
    old = rough()
    found, whole, lengths = both(bed(old), bed(dug(old, *CHANGES[change])), pipe, sea, monkeypatch)
    assert max(lengths) < 0.6 * len(X)  # or nothing was saved
    assert len(whole.spans["span"]) > 10 and len(whole.supports["support"]) > 0
    assert not found.laid


@pytest.mark.parametrize(
    ("settings", "sea"),
    [
        ({"temperature_rise_C": 4.0, "operating_density_kg_m3": 700.0}, {}),
        ({"yield_strength_MPa": None}, {"seabed_response": "rigid", "current_m_s": None}),
    ],
)
def test_other_pipes_and_seabeds_too(settings, sea, monkeypatch):
    pipe, sea = a_pipe(**{"realisations": 3, **settings}), a_sea(**sea)
    old = rough(1, 0.02)
    _, _, lengths = both(bed(old), bed(dug(old, *CHANGES["a new span"])), pipe, sea, monkeypatch)
    assert max(lengths) < 0.6 * len(X)


def test_tension_that_reaches_far(monkeypatch):
    # Friction lets a span's gain in force die away over kilometres: the window grows to the whole line.
    hot = {"sag_tension": True, "temperature_rise_C": 8.0, "operating_density_kg_m3": 700.0}
    old = rough(1, 0.02)
    new = dug(old, *CHANGES["a new span"])
    _, _, lengths = both(bed(old), bed(new), a_pipe(realisations=2, **hot), a_sea(), monkeypatch)
    assert lengths[0] < lengths[-1] == len(X)


def test_a_hole_that_is_closed_and_a_finer_survey(monkeypatch):
    pipe, sea = a_pipe(realisations=3), a_sea()
    old = rough(2)
    old[2000:2200] = np.nan
    new = np.where(np.isnan(old), rough(2), old)
    was, now = bed(old), bed(new)
    now = dataclasses.replace(now, cell_m=np.where((X > 1900) & (X < 2300), 0.5, 1.0))
    now = dataclasses.replace(now, tvu_m=np.where((X > 1900) & (X < 2300), 0.2, 0.3))
    assert changed_stations(was, now).sum() == np.sum((X > 1900) & (X < 2300))
    found, _, _ = both(was, now, pipe, sea, monkeypatch)
    assert any("holes" in text for text in was.lay(pipe, sea).warnings)
    assert not any("holes" in text for text in found.warnings)


def test_crossings_and_trenches(monkeypatch):
    trench = {"from_kp_km": 2.0, "to_kp_km": 3.0, "depth_m": 1.0, "bottom_m": 2.0, "side_slope": 3.0}
    pipe, sea = a_pipe(realisations=2, trench=(trench,)), a_sea()
    humps = (CrossedAsset("in it", 2350.0, 0.6), CrossedAsset("far off", 4000.0, 0.6))
    old = rough(3)
    new = dug(old, *CHANGES["a new span"])
    found, _, _ = both(bed(old, humps=humps), bed(new, humps=humps), pipe, sea, monkeypatch)
    assert found.summary["trenches"][0]["volume_m3"] > 4000


def test_nothing_changed_lays_nothing(monkeypatch):
    pipe, sea = a_pipe(realisations=2), a_sea()
    _, _, lengths = both(bed(rough()), bed(rough()), pipe, sea, monkeypatch)
    assert lengths == []


def test_a_change_along_the_whole_line_lays_the_whole(monkeypatch):
    pipe, sea = a_pipe(realisations=2), a_sea()
    found, _, lengths = both(bed(rough()), bed(rough() + 1.0), pipe, sea, monkeypatch)
    assert lengths == [len(X)] and found.local


def test_what_buckles_counts_against_the_whole_line(monkeypatch):
    # Hot enough to buckle: the verdicts along the whole line depend on it.
    pipe = a_pipe(realisations=2, temperature_rise_C=40.0, operating_density_kg_m3=700.0)
    old = rough(4, 0.1)
    assert not bed(old, tvu=1.0).lay(pipe, a_sea()).local
    new = dug(old, *CHANGES["a new span"])
    _, _, lengths = both(bed(old, tvu=1.0), bed(new, tvu=1.0), pipe, a_sea(), monkeypatch)
    assert lengths == [len(X)]


def test_windows_that_do_not_agree_grow(monkeypatch):
    # Joined right beside the change, old and new cannot agree.
    monkeypatch.setattr(again, "SEAM_M", 2.0)
    monkeypatch.setattr(again, "BEYOND_M", 20.0)
    old = rough()
    pipe, sea = a_pipe(realisations=2), a_sea()
    _, _, lengths = both(bed(old), bed(dug(old, (2200.0, 60.0, 3.0))), pipe, sea, monkeypatch)
    assert len(lengths) > 1 and lengths == sorted(lengths)


def test_a_line_that_cannot_be_laid_says_so_as_ever():
    pipe, sea = a_pipe(realisations=2), a_sea()
    old = bed(rough())
    before = old.lay(pipe, sea)
    table = {"depth_m": (10.0, 100.0), "value": (0.5, 0.2)}
    deep = dataclasses.replace(old, depth_m=dug(rough(), (2300.0, 40.0, 60.0)))
    with pytest.raises(PipeError, match="its table reaches depth_m 10 to 100"):
        lay_again(before, old, deep, pipe, a_sea(current_m_s=table))


def test_the_same_line_is_laid_once(monkeypatch):
    pipe, sea = a_pipe(realisations=2), a_sea()
    again._LATELY.clear()
    first = laid_on(bed(rough()), pipe, sea)
    assert laid_on(bed(rough()), pipe, sea) is first
    assert laid_on(bed(rough()), a_pipe(realisations=3), sea) is not first
    assert laid_on(bed(rough() + 0.001), pipe, sea) is not first
    assert len(again._LATELY) == again.REMEMBERED
