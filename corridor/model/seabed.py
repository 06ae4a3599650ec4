"""Seabed: one or more surfaces of depth, the first listed on top."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from corridor.errors import SeabedError
from corridor.model.grid import Grid


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Total vertical uncertainty at 95 %: ``sqrt(a_m**2 + (b * depth)**2)``.

    Source: IHO S-44 edition 6.1.0, section 3.2 (TVU maximum).
    """

    a_m: float
    b: float

    def at(self, depth_m: NDArray | float) -> NDArray:
        """Uncertainty (95 %), m, at `depth_m` (m, positive down)."""
        return np.hypot(self.a_m, self.b * np.asarray(depth_m, dtype=float))


S44_TVU: Mapping[str, Uncertainty] = MappingProxyType(
    {
        "exclusive": Uncertainty(0.15, 0.0075),
        "special": Uncertainty(0.25, 0.0075),
        "1a": Uncertainty(0.5, 0.013),
        "1b": Uncertainty(0.5, 0.013),
        "2": Uncertainty(1.0, 0.023),
    }
)
"""Largest total vertical uncertainty of each survey order (IHO S-44 edition 6.1.0, table 1)."""


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """One raster of depth.

    Parameters
    ----------
    name : str
        File name, as people know it.
    grid : Grid
    depth_m : array (rows, cols), m, positive down, on the project's vertical datum
        NaN where there is no data.
    uncertainty : Uncertainty or array (rows, cols) of 95 % values, m, optional
    notes : tuple of str
        What was done to the file on reading: flipped, reprojected (and how), shifted.
    """

    name: str
    grid: Grid
    depth_m: NDArray[np.float32]
    uncertainty: Uncertainty | NDArray | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.depth_m.shape != self.grid.shape:
            raise SeabedError(
                f"{self.name}: depth has shape {self.depth_m.shape}, its grid {self.grid.shape}"
            )
        self.depth_m.setflags(write=False)


@dataclass(frozen=True, slots=True, eq=False)
class Seabed:
    """Surfaces in order of priority: where they overlap, the first with data counts.

    Parameters
    ----------
    surfaces : tuple of Surface
        All in the same CRS, on the same vertical datum.
    vertical_datum : str
        Name carried to every output.
    """

    surfaces: tuple[Surface, ...]
    vertical_datum: str = ""
    crs: str = field(init=False, default="")

    def __post_init__(self) -> None:
        if not self.surfaces:
            raise SeabedError("a seabed needs at least one surface")
        systems = {surface.grid.crs for surface in self.surfaces}
        if len(systems) > 1:
            raise SeabedError(f"surfaces are in different CRS: {', '.join(sorted(systems))}")
        object.__setattr__(self, "crs", systems.pop())

    @property
    def finest_cell_m(self) -> float:
        """Cell size of the finest surface, m."""
        return min(surface.grid.cell_m for surface in self.surfaces)

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """(west, south, east, north) around all surfaces, m."""
        boxes = np.array([surface.grid.bounds_m for surface in self.surfaces])
        return (*boxes[:, :2].min(axis=0).tolist(), *boxes[:, 2:].max(axis=0).tolist())
