"""How kernels are compiled, and where the compiled code is kept.

numba keeps compiled code beside the file that defines a function and holds it
for fresh as long as that one file is unchanged: a kernel that calls a changed
one would go on running the old code, and every new installation would compile
everything again. Here the code is kept once per user, in a folder named after
the content of all kernel files together: another version of any of them is
another folder, and equal ones are shared by all installations.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from numba import njit
from numba.core.caching import CompileResultCacheImpl, FunctionCache

try:
    import fcntl
except ImportError:  # Windows: numba's own protection against half files has to do
    fcntl = None  # type: ignore[assignment]

KERNELS = Path(__file__).parent / "kernels"
ZERO, ONE = np.int64(0), np.int64(1)
"""For arguments of a kernel that another calls: a bare 0 or 1 is a type of its own to numba,
and all that hangs on the called kernel would be compiled once more for it."""

KEPT = 4
"""Folders of compiled kernels there are at most; the one written last longest ago goes first."""


def kernel(function: Callable | None = None, **options: Any) -> Any:
    """Compile a function with numba on its first call and keep the result: `@kernel` or `@kernel(...)`.

    Parameters
    ----------
    **options
        Options of `numba.njit`. Every kernel gives up the interpreter lock.
    """
    if function is None:
        return lambda later: kernel(later, **options)
    compiled = njit(nogil=True, **options)(function)
    if hasattr(compiled, "_cache"):  # not where NUMBA_DISABLE_JIT leaves plain Python
        compiled._cache = _KernelCache(function)
    return compiled


def compiled_folder() -> Path:
    """Where the code of these kernels is kept; NUMBA_CACHE_DIR names another parent.

    It need not exist. Where it cannot be written, numba's own places are used.
    """
    parent = os.environ.get("NUMBA_CACHE_DIR") or _of_user("corridor")
    return Path(parent) / f"kernels-{CONTENT[:16]}"


def _of_user(name: str) -> Path:
    """A folder in the user's cache; beside the kernels where there is no user to be found."""
    try:
        if os.name == "nt":
            return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / name
        return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / name
    except RuntimeError:  # no home folder: a container that runs as nobody
        return KERNELS / "__pycache__"


def content_digest(files: Iterable[Path]) -> str:
    """sha256 over the names and the bytes of files, in the order of their names, hexadecimal."""
    digest = hashlib.sha256()
    for file in sorted(files, key=lambda file: file.name):
        data = file.read_bytes()
        digest.update(f"{file.name} {len(data)}\n".encode())
        digest.update(data)
    return digest.hexdigest()


CONTENT = content_digest([Path(__file__), *KERNELS.glob("*.py")])


def begin_folder(folder: Path) -> None:
    """Make a folder for compiled kernels and drop those beside it that were last written longest ago."""
    if folder.is_dir():
        return
    folder.mkdir(parents=True, exist_ok=True)
    others = sorted(
        (other for other in folder.parent.glob("kernels-*") if other != folder and other.is_dir()),
        key=lambda other: other.stat().st_mtime,
        reverse=True,
    )
    for old in others[KEPT - 1 :]:
        shutil.rmtree(old, ignore_errors=True)


class _ByContent:
    """numba's locator protocol: one folder for all kernels, named after their content."""

    def __init__(self, function: Callable) -> None:
        self._line = function.__code__.co_firstlineno
        self._py_file = function.__code__.co_filename

    @classmethod
    def from_function(cls, function: Callable, _file: str) -> _ByContent | None:
        locator = cls(function)
        try:
            locator.ensure_cache_path()
        except OSError:
            return None
        return locator

    def ensure_cache_path(self) -> None:
        begin_folder(compiled_folder())
        if not os.access(compiled_folder(), os.W_OK):
            raise OSError(f"{compiled_folder()} cannot be written")

    def get_cache_path(self) -> str:
        return str(compiled_folder())

    def get_source_stamp(self) -> str:
        return CONTENT

    def get_disambiguator(self) -> str:
        return str(self._line)


class _KernelCacheImpl(CompileResultCacheImpl):
    _locator_classes: ClassVar = [_ByContent, *CompileResultCacheImpl._locator_classes]


class _KernelCache(FunctionCache):
    _impl_class = _KernelCacheImpl

    def save_overload(self, sig: Any, data: Any) -> None:
        # Two runs at once: numba picks a file number and writes index and file one after
        # the other; unguarded, one run's code could end up under the other's signature.
        with _alone(Path(self.cache_path)):
            super().save_overload(sig, data)


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    if fcntl is None:
        yield
        return
    folder.mkdir(parents=True, exist_ok=True)
    with open(folder / "lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
