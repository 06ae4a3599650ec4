"""Ground without seabed data in the way: no rule can give way there, a survey can."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy.ndimage import label

from corridor.routing.barrier import cells_outline
from corridor.routing.concession_ground import HOLE, ClosedGround
from corridor.routing.concession_pass import Flood
from corridor.routing.concession_rules import AREA, Rule
from corridor.routing.concession_text import number, place

OPEN_HOLE = Rule(*HOLE, AREA, 0.0, 1, 1.0)
"""A hole as if it were a rule that could give way as a whole."""


@dataclass(frozen=True, slots=True, eq=False)
class ToSurvey:
    """A stretch without data that a line would run over.

    Attributes
    ----------
    easting_m, northing_m : float
        Its middle.
    width_m : float
        Of the hole along the way across it.
    shape : geometry
        The hole, on the search grid.
    """

    easting_m: float
    northing_m: float
    width_m: float
    shape: shapely.Geometry

    @property
    def text(self) -> str:
        """What to do, in words."""
        at = place(self.easting_m, self.northing_m)
        return (
            f"Survey the ground without data at {at}: about {number(self.width_m)} m of it lie in the way. "
            "Whether a line can lie there is not known before."
        )


def holes_in_the_way(ground: ClosedGround) -> tuple[ToSurvey, ...]:
    """Holes whose survey could open a way, on the shortest way across them; none where they do not matter."""
    closure = ground.closure(HOLE)
    if closure is None:
        return ()
    opened = replace(closure, give=np.ones(len(closure.give), dtype=np.float32))
    other = replace(ground, closures=tuple(opened if c.key == HOLE else c for c in ground.closures))
    way = Flood.of(other).way((OPEN_HOLE,), most=1.0)
    if way is None:
        return ()
    grid = ground.grid
    holes = np.zeros(grid.shape, dtype=bool)
    holes.ravel()[closure.cells] = True
    parts, _ = label(holes, structure=np.ones((3, 3)))
    found = []
    for pinch in way.pinches:
        cell = ground.cell_of(pinch.easting_m, pinch.northing_m)
        row, col = divmod(cell, grid.cols)
        near = parts[max(row - 2, 0) : row + 3, max(col - 2, 0) : col + 3]
        if not near.any():
            continue
        shape = cells_outline(parts == near[near > 0][0], grid)
        found.append(ToSurvey(pinch.easting_m, pinch.northing_m, pinch.length_m, shape))
    return tuple(found)
