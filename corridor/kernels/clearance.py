"""Signed distance of many positions from one geometry, by its segments."""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel


@kernel
def signed_distance(easting, northing, segments, area, most):
    """Distance of positions from the edges of a geometry, negative inside an area.

    Parameters
    ----------
    easting, northing : arrays (n,)
    segments : array (m, 4)
        All edges; a point is a segment of no length.
    area : bool
        The edges are closed rings: inside is where a ray meets them an odd
        number of times.
    most : float
        Outside, larger distances come back as infinity.

    Returns
    -------
    array (n,)
    """
    out = np.empty(len(easting))
    count = len(segments)
    for i in range(len(easting)):
        e, n = easting[i], northing[i]
        best = math.inf
        inside = False
        for k in range(count):
            e1, n1, e2, n2 = segments[k, 0], segments[k, 1], segments[k, 2], segments[k, 3]
            if area and (n1 > n) != (n2 > n) and e < e1 + (n - n1) / (n2 - n1) * (e2 - e1):
                inside = not inside
            de, dn = e2 - e1, n2 - n1
            size = de * de + dn * dn
            t = 0.0
            if size > 0.0:
                t = min(1.0, max(0.0, ((e - e1) * de + (n - n1) * dn) / size))
            away = (e - e1 - t * de) ** 2 + (n - n1 - t * dn) ** 2
            best = min(best, away)
        distance = math.sqrt(best)
        if inside:
            out[i] = -distance
        else:
            out[i] = distance if distance <= most else math.inf
    return out
