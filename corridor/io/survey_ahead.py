"""Read ahead in a second thread, so that parsing and gridding share the work."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterable, Iterator
from typing import TypeVar

T = TypeVar("T")

_POLL_S = 0.05


def ahead(items: Iterable[T], depth: int = 2) -> Iterator[T]:
    """Yield `items` in their order while a thread fetches up to `depth` more.

    What the thread raises is raised here. When the caller stops early, by
    Ctrl-C too, the thread ends and `items` is closed.
    """
    waiting: queue.Queue[tuple[str, object]] = queue.Queue(maxsize=depth)
    stopped = threading.Event()

    def hand_over(kind: str, value: object) -> bool:
        while not stopped.is_set():
            try:
                waiting.put((kind, value), timeout=_POLL_S)
            except queue.Full:
                continue
            return True
        return False

    def fetch() -> None:
        stream = iter(items)
        try:
            for item in stream:
                if not hand_over("item", item):
                    return
            hand_over("end", None)
        except BaseException as error:  # whatever it is, it belongs to the caller's thread
            hand_over("error", error)
        finally:
            close = getattr(stream, "close", None)
            if close is not None:
                close()

    thread = threading.Thread(target=fetch, name="corridor-read-ahead", daemon=True)
    thread.start()
    try:
        while True:
            kind, value = waiting.get()
            if kind == "end":
                return
            if kind == "error":
                assert isinstance(value, BaseException)
                raise value
            yield value  # type: ignore[misc]
    finally:
        stopped.set()
        thread.join()
