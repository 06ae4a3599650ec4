"""The sample: a fictional CO2 export line, its seabed and what lies on it.

Everything is invented and computed from fixed seeds, the same on every machine:

- :mod:`~corridor.sample.layout` says where things lie,
- :mod:`~corridor.sample.terrain` is the ground as a function of position,
- :mod:`~corridor.sample.surveys` samples it at 20 m and, in a strip, at 2 m,
- :mod:`~corridor.sample.obstructions` holds the layers,
- :mod:`~corridor.sample.write` puts it all on disk.
"""

from corridor.sample.write import write_sample

__all__ = ["write_sample"]
