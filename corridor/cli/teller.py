"""Progress as a person sees it: bars on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TextIO

FIRST, LAST = "ground", "assess"
"""The stages with which a round of search and verification begins, and ends."""

BAR = 30
REDRAW_S = 0.1


class Teller:
    """A progress function that writes to stderr.

    The search returns to its relaxed field now and then; nothing is said about
    that, and a bar never runs backwards. When the verification sends the line
    back, the stages that follow are told again as those of the next round.

    Parameters
    ----------
    stream : text stream
    clock : callable
        Seconds.
    """

    def __init__(self, stream: TextIO | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        self._stream = sys.stderr if stream is None else stream
        self._clock = clock
        self._bars = self._stream.isatty()
        self._round = 1
        self._stages: list[str] = []
        self._began = 0.0
        self._share = 0.0
        self._drawn = 0.0

    def __call__(self, stage: str, share: float) -> None:
        if stage in self._stages and stage != self._stages[-1]:
            if not self._starts_round(stage):
                return
            self._finish()
            self._round += 1
            self._stages = []
        if stage not in self._stages:
            self._begin(stage)
        self._share = max(self._share, min(share, 1.0))
        if self._bars and (self._clock() - self._drawn > REDRAW_S or share >= 1.0):
            self._draw()

    def say(self, text: str) -> None:
        """A line of its own between the stages."""
        self._finish()
        self._stages = []
        print(text, file=self._stream, flush=True)

    def close(self) -> None:
        """Finish the last stage's line."""
        self._finish()
        self._stages = []

    def _starts_round(self, stage: str) -> bool:
        before = self._stages.index(stage)
        return stage == FIRST or (LAST in self._stages and before < self._stages.index(LAST))

    def _begin(self, stage: str) -> None:
        self._finish()
        self._stages.append(stage)
        self._began, self._share = self._clock(), 0.0
        if self._bars:
            self._draw()
        else:
            print(f"{self._label()} ...", file=self._stream, flush=True)

    def _finish(self) -> None:
        if self._bars and self._stages:
            seconds = self._clock() - self._began
            print(f"\r{self._label():<24} {seconds:.1f} s\x1b[K", file=self._stream, flush=True)

    def _draw(self) -> None:
        self._drawn = self._clock()
        bar = "=" * int(BAR * self._share)
        line = f"\r{self._label():<24} [{bar:<{BAR}}] {100 * self._share:3.0f} %\x1b[K"
        print(line, end="", file=self._stream, flush=True)

    def _label(self) -> str:
        stage = self._stages[-1]
        return stage if self._round == 1 else f"round {self._round}: {stage}"


def compiled() -> bool:
    """Whether compiled search kernels are kept from an earlier run.

    Where the folder of compiled kernels cannot be written, numba keeps them beside the sources.
    """
    from corridor.compiled import KERNELS, compiled_folder  # numba: slow to import

    places = (compiled_folder(), KERNELS / "__pycache__")
    return any(next(place.glob("search.expand*.nbi"), None) for place in places if place.is_dir())
