"""Everything that can go wrong, as one tree.

::

    CorridorError                  exit 1: a fault of ours
    ├── InputError                 exit 3: something handed in cannot be used
    │   ├── SettingError           a key of the project file
    │   ├── SeabedError            a raster or a set of soundings
    │   ├── LayerError             a vector layer or one of its features
    │   ├── AlignmentError         a line handed in
    │   └── PipeError              a section that floats, buckles or cannot be laid
    ├── NoRouteError               exit 4: no line obeys the rules
    └── Cancelled                  the caller asked to stop

An :class:`InputError` carries every fault found, so that a user mends them all
in one go. Each fault says what, where, the value, the limit and the remedy.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any


class CorridorError(Exception):
    """Base of all errors raised on purpose; `exit_code` is the command's exit code."""

    exit_code = 1


class InputError(CorridorError):
    """Input that cannot be used.

    Parameters
    ----------
    faults : str or iterable of str
        One sentence per fault: what, requirement, value, where, remedy.
    """

    exit_code = 3

    def __init__(self, faults: str | Iterable[str]):
        self.faults: tuple[str, ...] = (faults,) if isinstance(faults, str) else tuple(faults)
        super().__init__("\n".join(self.faults))


class SettingError(InputError):
    """A key of the project file is missing, unknown, or has a value out of range."""


class SeabedError(InputError):
    """A raster or a set of soundings cannot be used as seabed."""


class LayerError(InputError):
    """A vector layer, or one of its features, cannot be used."""


class AlignmentError(InputError):
    """A line handed in is not an alignment."""


class PipeError(InputError):
    """The pipe floats, buckles, or its section is impossible."""


class NoRouteError(CorridorError):
    """No line obeys every rule.

    Parameters
    ----------
    message : str
        One paragraph a manager understands.
    reasons : iterable of mapping
        What is known, as it goes into ``no_route.json``.
    explanation : mapping
        Further members of ``no_route.json``: what cannot help, pairs, the barrier.
    barrier : iterable of (geometry, properties)
        What ``no_route.geojson`` draws.
    """

    exit_code = 4

    def __init__(
        self,
        message: str,
        reasons: Iterable[Mapping[str, Any]] = (),
        explanation: Mapping[str, Any] | None = None,
        barrier: Iterable[tuple[Any, Mapping[str, Any]]] = (),
    ):
        self.reasons: tuple[Mapping[str, Any], ...] = tuple(reasons)
        self.explanation: dict[str, Any] = {
            "text": message,
            "reasons": list(self.reasons),
            **(explanation or {}),
        }
        self.barrier = tuple(barrier)
        super().__init__(message)


class Cancelled(CorridorError):
    """The caller's progress function raised or asked to stop; nothing was written."""

    exit_code = 1
