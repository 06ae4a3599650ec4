"""Where things lie in the sample: one invented stretch of sea.

Positions are kilometres east and north of the sheet's south-west corner, so
that the numbers stay readable; :func:`at` turns them into eastings and
northings of EPSG:32740. The ground (:mod:`corridor.sample.terrain`) and the
layers (:mod:`corridor.sample.obstructions`) both draw on this page.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

CRS = "EPSG:32740"
NOTE = "Invented for the corridor sample: no such seabed, structure, vessel or company exists."

CORNER_M = (400_000.0, 8_258_000.0)
SIZE_M = (34_000.0, 16_000.0)
REGIONAL_CELL_M = 20.0
SURVEY_CELL_M = 2.0

START_KM = (2.0, 3.0)
END_KM = (31.5, 12.5)
PLATFORM_KM = (31.56, 12.52)

# Contours run along "offshore" distance: east, swung by this much per km of northing.
SWING = 0.25
# The escarpment: offshore distance of its middle (km, on northing 0 of the sheet).
SCARP_KM = 16.9
# Passes: northing on the sheet (km) and half-width (km) of the ramps that cross it.
PASSES_KM = ((4.3, 0.40), (10.4, 0.50), (14.3, 0.30))
# Canyon branches, head first: x, y (km), floor below the surrounding ground (m), half-width (km).
CANYONS = (
    (
        (13.9, 8.30, 0.0, 0.14),
        (14.7, 7.95, 34.0, 0.24),
        (15.6, 7.40, 66.0, 0.36),
        (17.0, 6.90, 62.0, 0.46),
        (19.0, 6.00, 34.0, 0.55),
        (22.0, 4.40, 20.0, 0.70),
        (26.0, 2.60, 10.0, 0.80),
        (30.0, 0.00, 4.0, 0.90),
    ),
    ((14.4, 6.60, 0.0, 0.12), (15.1, 6.80, 26.0, 0.20), (16.2, 7.15, 55.0, 0.32)),
    ((15.3, 8.75, 0.0, 0.10), (15.6, 8.20, 22.0, 0.18), (15.9, 7.50, 50.0, 0.26)),
)
# Patches: x, y, half-length, half-width (km), bearing of the long axis (deg).
SAND_WAVES = (10.6, 7.6, 2.9, 1.5, 62.0)
OUTCROPS = (
    (8.9, 6.8, 0.6, 0.22, 150.0),
    (14.0, 10.3, 0.75, 0.35, 10.0),
    (14.0, 5.2, 0.9, 0.45, 160.0),
    (19.2, 10.5, 0.6, 0.25, 20.0),
    (23.6, 12.6, 0.9, 0.4, 110.0),
    (24.3, 8.0, 0.8, 0.35, 60.0),
    (28.9, 11.9, 0.6, 0.25, 150.0),
    (5.2, 2.0, 0.6, 0.4, 120.0),
)
REEF = (8.0, 5.0, 1.75, 1.0, 75.0)
HUMMOCKS = (
    (17.0, 10.4, 0.8, 0.5, 20.0),
    (25.6, 11.0, 0.9, 0.7, 0.0),
    (20.5, 7.6, 1.2, 0.6, 60.0),
    (27.2, 9.2, 1.0, 0.7, 100.0),
)
# Wrecks: name, year lost, position uncertainty (m, 95 %), x, y (km).
WRECKS = (
    ("Wooden Spoon", 1931, 15.0, 4.05, 3.66),
    ("Grey Thimble", 1908, 40.0, 6.05, 7.05),
    ("Second Biscuit", 1977, 10.0, 10.90, 8.75),
    ("Tin Teacup", 1944, 60.0, 24.30, 10.18),
    ("Lesser Crumpet", 1889, 75.0, 17.90, 10.22),
    ("Folding Chair", 1996, 5.0, 28.20, 11.75),
    ("Paper Doily", 1952, 25.0, 19.40, 5.10),
    ("Odd Sock", 1963, 20.0, 12.90, 3.95),
    ("Unnamed barge", 1985, 30.0, 30.10, 6.20),
    ("Brass Whisk", 1919, 50.0, 22.60, 13.30),
)
# The line that was approved on this ground: easting, northing, radius (m); START and END have none.
APPROVED_LINE = (
    (402000.0, 8261000.0, None),
    (402635.0726, 8261231.1475, 1500.0),
    (406392.8722, 8263705.8842, 7863.1018),
    (410461.5943, 8265496.9198, 11174.7056),
    (414265.6818, 8267863.3042, 1500.0),
    (423533.8368, 8268248.3697, 12171.0675),
    (431500.0, 8270500.0, None),
)

# Found after the surveys, on the approved line about two thirds of its way: x, y (km), standoff (m).
NEW_WRECK = ("Spare Kettle", 21.87, 10.195, 120.0)

# Where the regional survey has no data: x, y, half-length, half-width (km), bearing.
HOLES = ((12.2, 13.9, 0.50, 0.22, 70.0), (29.2, 4.1, 0.35, 0.30, 20.0))

# Middle of the 2 m survey strip, a little past both ends of the line: the corners of the
# cheapest line on the 20 m ground, found from a least-cost path with zones and steep cells
# closed, then by moving its corners under the project's rules. Cut into blocks of equal length.
STRIP = (
    (1.70, 2.90),
    (2.63, 3.23),
    (6.48, 5.74),
    (9.92, 7.23),
    (14.05, 9.93),
    (18.65, 10.22),
    (22.95, 10.36),
    (27.15, 11.08),
    (31.80, 12.60),
)
STRIP_HALF_WIDTH_KM = 0.70
STRIP_BLOCKS = 7


def at(x_km: ArrayLike, y_km: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Easting and northing (m) of a place on the sheet (km from its south-west corner)."""
    return CORNER_M[0] + 1000.0 * np.asarray(x_km, float), CORNER_M[1] + 1000.0 * np.asarray(y_km, float)


def block_file(number: int) -> str:
    """File name of block `number` (1, 2, ...) of the 2 m survey."""
    return f"survey_block_{number:02d}.tif"
