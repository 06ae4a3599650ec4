"""Large arrays that lie in files: memory they need not take all the time."""

from __future__ import annotations

import mmap
from typing import Any

import numpy as np
from numpy.typing import NDArray


def rest(*arrays: NDArray | None) -> None:
    """Give back the memory of arrays that lie in files; what they hold comes back when it is used.

    Others are left alone, and so are all where the system has no way to ask for it.
    """
    for array in arrays:
        owner: Any = array
        while isinstance(owner, np.ndarray | memoryview):
            owner = owner.base if isinstance(owner, np.ndarray) else owner.obj
        if isinstance(owner, mmap.mmap) and hasattr(mmap, "MADV_DONTNEED"):
            owner.madvise(mmap.MADV_DONTNEED)
