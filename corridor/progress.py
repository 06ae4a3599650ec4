"""How a long job tells its caller how far it has come.

A progress function takes the name of the stage and the share done (0 to 1).
It cancels the job by raising :class:`corridor.errors.Cancelled`: kernels work
in bounded batches and the functions around them report between batches, so
the exception surfaces within a fraction of a second and nothing is left half
done.
"""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, float], None]


def silent(stage: str, share: float) -> None:
    """Report nothing: the default of every function that takes `progress`."""
