"""Soundings on disk, by tile, and large results: what keeps memory independent of their number."""

from __future__ import annotations

import errno
import math
import mmap
import os
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

import numpy as np
from numpy.typing import DTypeLike, NDArray

from corridor.errors import CorridorError
from corridor.survey.memory import rest

Tile = tuple[int, int]

SPILL_CELLS = 4_000_000
"""Arrays of more cells than this are kept in a file."""

_BLOCK = 1 << 20


class TileStore:
    """One temporary file of soundings and an index of which stretch belongs to which tile.

    Batches are written as they come, each sorted by tile; a tile is read as the
    list of its stretches. The file has no name in the folder on systems that
    allow it, and is gone when the store is closed, whatever happens.

    Parameters
    ----------
    folder : path, optional
        Where to put the file; the system's temporary folder by default.
    """

    def __init__(self, folder: str | Path | None = None):
        self._folder = str(folder) if folder is not None else tempfile.gettempdir()
        self._file: BinaryIO | None = None
        self._index: dict[Tile, list[tuple[int, int, int, int]]] = {}
        self._counts: dict[Tile, int] = {}
        self._dtypes: tuple[np.dtype, ...] = ()
        self._lock = threading.Lock()
        self._arrays: list[NDArray] = []

    def __enter__(self) -> TileStore:
        self._file = tempfile.TemporaryFile(dir=self._folder, prefix="corridor-soundings-")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None

    @property
    def bytes_written(self) -> int:
        """Size of the temporary file."""
        return self._open.seek(0, os.SEEK_END)

    @property
    def _open(self) -> BinaryIO:
        if self._file is None:
            raise CorridorError("the store of soundings is closed; use it inside its with block")
        return self._file

    def append(self, tiles: list[Tile], start: NDArray[np.int64], columns: list[NDArray]) -> None:
        """Add a batch sorted by tile.

        Parameters
        ----------
        tiles : list of (row, col)
        start : array (tiles + 1,)
            Soundings of tile k are ``start[k]:start[k + 1]`` of every column.
        columns : list of arrays of one length
            The same number and types in every batch.
        """
        dtypes = tuple(column.dtype for column in columns)
        if self._dtypes and dtypes != self._dtypes:
            raise CorridorError("every batch of a store must have the same columns")
        self._dtypes = dtypes
        base = self._open.seek(0, os.SEEK_END)
        with self._room(base):
            for column in columns:
                self._open.write(np.ascontiguousarray(column).data.cast("B"))
        for k, tile in enumerate(tiles):
            count = int(start[k + 1] - start[k])
            if count:
                self._index.setdefault(tile, []).append((base, int(start[-1]), int(start[k]), count))
                self._counts[tile] = self._counts.get(tile, 0) + count

    @contextmanager
    def _room(self, written: int) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT):
                raise
            raise CorridorError(
                f"no space left in {self._folder} after {written / 1e9:.1f} GB of soundings; free some, or "
                "set TMPDIR to a folder with about 30 bytes for every sounding and every cell; no input was "
                "changed"
            ) from error

    def array(self, shape: tuple[int, int], dtype: DTypeLike, fill: float) -> NDArray:
        """A new array, every cell `fill`; a large one lies in a file of its own without a name.

        It can be used as any other and outlives the store. :meth:`rest` gives back
        the memory that its cells have come to take.
        """
        kind, cells = np.dtype(dtype), math.prod(shape)
        if cells < SPILL_CELLS:
            return np.full(shape, fill, dtype=kind)
        block = np.full(min(_BLOCK, cells), fill, dtype=kind)
        # All of it is written now: where the disk is too small, it must show here and not in a page fault.
        with (
            self._room(self.bytes_written),
            tempfile.TemporaryFile(dir=self._folder, prefix="corridor-cells-") as file,
        ):
            for first in range(0, cells, len(block)):
                file.write(block[: cells - first].data.cast("B"))
            file.flush()
            space = mmap.mmap(file.fileno(), cells * kind.itemsize)
        self._arrays.append(np.frombuffer(space, dtype=kind).reshape(shape))
        return self._arrays[-1]

    def rest(self) -> None:
        """:func:`rest` for all arrays of the store."""
        rest(*self._arrays)

    def tiles(self) -> list[Tile]:
        """All tiles that hold soundings, sorted."""
        return sorted(self._index)

    def count(self, tile: Tile) -> int:
        """Soundings in a tile, its halo included."""
        return self._counts.get(tile, 0)

    def stretches(self, tile: Tile) -> Iterator[list[NDArray]]:
        """The tile's soundings, one batch after the other, as columns; several threads may read."""
        for base, total, first, count in self._index.get(tile, ()):
            columns = []
            offset = base
            for dtype in self._dtypes:
                with self._lock:
                    self._open.seek(offset + first * dtype.itemsize)
                    data = self._open.read(count * dtype.itemsize)
                columns.append(np.frombuffer(data, dtype=dtype))
                offset += total * dtype.itemsize
            yield columns
