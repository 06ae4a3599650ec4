"""Pieces of work that know nothing of each other, on several processors."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from corridor.progress import Progress

Item = TypeVar("Item")
Result = TypeVar("Result")


def side_by_side(
    work: Callable[[Item], Result], items: Sequence[Item], at_most: int, stage: str, progress: Progress
) -> list[Result]:
    """The result for every item, in order; `at_most` are worked on at the same time.

    Worth it where the time is spent in kernels, which leave the interpreter
    free. What is not yet begun when one fails, or when `progress` cancels, is dropped.
    """
    found: list[Result] = []
    pool = ThreadPoolExecutor(min(at_most, os.cpu_count() or 1))
    try:
        for result in pool.map(work, items):
            found.append(result)
            progress(stage, len(found) / (len(items) + 1))
    finally:
        pool.shutdown(cancel_futures=True)
    return found
