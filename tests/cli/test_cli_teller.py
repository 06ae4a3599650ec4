"""Progress as it is shown: lines elsewhere, bars on a terminal, rounds told apart."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from corridor.cli.teller import Teller, compiled
from corridor.compiled import compiled_folder

ONE_ROUND = [
    ("ground", 0.0), ("ground", 1.0), ("relaxed field", 0.3), ("search", 0.1), ("relaxed field", 0.4),
    ("search", 0.05), ("search", 0.6), ("fit", 0.5), ("search", 0.2), ("fit", 1.0), ("assess", 0.0),
    ("assess", 1.0),
]  # fmt: skip


class Screen(io.StringIO):
    """A terminal that remembers."""

    def isatty(self) -> bool:
        return True


class Clock:
    """A second passes at every look."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        self.now += 1.0
        return self.now


def told(calls: list[tuple[str, float]]) -> list[str]:
    stream = io.StringIO()
    teller = Teller(stream)
    for stage, share in calls:
        teller(stage, share)
    teller.close()
    return stream.getvalue().splitlines()


def test_a_stage_is_told_once_however_often_the_search_returns_to_it() -> None:
    assert told(ONE_ROUND) == [
        f"{stage} ..." for stage in ("ground", "relaxed field", "search", "fit", "assess")
    ]


def test_a_new_round_is_told_as_such() -> None:
    again = [call for call in ONE_ROUND if call[0] != "ground"]
    lines = told([*ONE_ROUND, *again, *again, ("laying the pipe", 0.0), ("writing files", 0.5)])
    assert lines[5:10] == [
        f"round 2: {stage} ..." for stage in ("relaxed field", "search", "fit", "assess")
    ] + ["round 3: relaxed field ..."]
    assert lines[-2:] == ["round 3: laying the pipe ...", "round 3: writing files ..."]
    assert len(lines) == 5 + 4 + 4 + 2


def test_another_ground_is_a_new_round() -> None:
    """When no line keeps the slopes' margin, the work begins again from the ground."""
    lines = told([("ground", 0.0), ("relaxed field", 0.1), ("search", 0.1), ("ground", 0.0), ("search", 0.0)])
    assert lines[3:] == ["round 2: ground ...", "round 2: search ..."]


def test_a_bar_never_runs_backwards_and_leaves_one_line_per_stage() -> None:
    screen = Screen()
    teller = Teller(screen, Clock())
    for stage, share in ONE_ROUND:
        teller(stage, share)
    teller.close()
    lines = screen.getvalue().split("\n")
    assert len(lines) == 5 + 1 and lines[-1] == ""
    for line in lines[:-1]:
        shares = [int(part.split("]")[1].split("%")[0]) for part in line.split("\r") if "]" in part]
        assert shares == sorted(shares) and shares[-1] <= 100
        assert line.split("\r")[-1].endswith(" s\x1b[K")  # how long it took
    assert "search" in lines[2] and "100 %" not in lines[2]


def test_a_line_of_its_own_ends_the_stage_before() -> None:
    screen = Screen()
    teller = Teller(screen, Clock())
    teller("reading", 0.5)
    teller.say("something else")
    assert screen.getvalue().split("\n")[-2] == "something else"
    assert screen.getvalue().count("\n") == 2


@pytest.mark.parametrize("kept", [False, True])
def test_a_first_compilation_is_recognised_by_what_is_kept(kept: bool, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    monkeypatch.setattr("corridor.compiled.KERNELS", tmp_path)
    (tmp_path / "kernels-ofanotherstate").mkdir()
    (tmp_path / "kernels-ofanotherstate" / "search.expand-186.py311.nbi").touch()
    if kept:
        compiled_folder().mkdir()
        (compiled_folder() / "search.expand-186.py311.nbi").touch()
    assert compiled() is kept
