"""What is slow to make and only read afterwards is made once for all test processes of a run."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

try:
    import fcntl
except ImportError:  # Windows: every process makes its own
    fcntl = None  # type: ignore[assignment]


def once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """A folder that `make` has filled; whoever comes first fills it, the others wait."""
    if fcntl is None or "PYTEST_XDIST_WORKER" not in os.environ:
        folder = factory.mktemp(name)
        make(folder)
        return folder
    shared = factory.getbasetemp().parent
    folder = shared / name
    with open(shared / f"{name}.lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            filling = shared / f"{name}.filling"
            filling.mkdir()
            make(filling)
            filling.rename(folder)
    return folder
