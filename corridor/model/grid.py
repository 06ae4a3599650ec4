"""Grid: where the cells of a raster lie on the map."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.errors import SeabedError


@dataclass(frozen=True, slots=True)
class Grid:
    """A north-up raster of square cells in a projected CRS.

    Parameters
    ----------
    rows, cols : int
        Shape; row 0 is the northernmost, column 0 the westernmost.
    west_m, north_m : float
        Easting of the left edge and northing of the top edge, m.
    cell_m : float
        Side of a cell, m.
    crs : str
        The projected CRS, for example ``EPSG:32740``.
    """

    rows: int
    cols: int
    west_m: float
    north_m: float
    cell_m: float
    crs: str

    def __post_init__(self) -> None:
        if self.rows < 1 or self.cols < 1:
            raise SeabedError(f"a grid needs at least 1 row and 1 column (got {self.shape})")
        if not self.cell_m > 0:
            raise SeabedError(f"cell size must be > 0 m (got {self.cell_m})")

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols)."""
        return (self.rows, self.cols)

    @property
    def east_m(self) -> float:
        """Easting of the right edge, m."""
        return self.west_m + self.cols * self.cell_m

    @property
    def south_m(self) -> float:
        """Northing of the bottom edge, m."""
        return self.north_m - self.rows * self.cell_m

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """(west, south, east, north), m."""
        return (self.west_m, self.south_m, self.east_m, self.north_m)

    def to_cells(self, easting_m: ArrayLike, northing_m: ArrayLike) -> tuple[NDArray, NDArray]:
        """Map position -> (u, v) in cell units from the top left corner, u east, v south.

        ``floor(u)`` is the column and ``floor(v)`` the row of the cell.
        """
        u = (np.asarray(easting_m, dtype=float) - self.west_m) / self.cell_m
        v = (self.north_m - np.asarray(northing_m, dtype=float)) / self.cell_m
        return u, v

    def to_map(self, u: ArrayLike, v: ArrayLike) -> tuple[NDArray, NDArray]:
        """Inverse of :meth:`to_cells`: (u, v) in cell units -> easting, northing, m."""
        easting = self.west_m + np.asarray(u, dtype=float) * self.cell_m
        northing = self.north_m - np.asarray(v, dtype=float) * self.cell_m
        return easting, northing

    def centres(self) -> tuple[NDArray, NDArray]:
        """Eastings (cols,) and northings (rows,) of the cell centres, m."""
        return (
            self.west_m + (np.arange(self.cols) + 0.5) * self.cell_m,
            self.north_m - (np.arange(self.rows) + 0.5) * self.cell_m,
        )
