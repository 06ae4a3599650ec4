"""Features as they come from files, made fit for use: valid, flat, of one kind, on the project grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from corridor.io import _environment  # noqa: F401  (before pyproj)

# isort: split
import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from corridor.io.crs import horizontal, is_same, label, outline, transformer

STEP_M = 500.0
"""A segment is split so that no piece is longer, before it is reprojected.

A straight line in longitude and latitude is a curve on the grid. Between
vertices 500 m apart it strays from its chord by at most ``L**2 tan(lat) / 8 R``:
0.03 m at 80 degrees of latitude (curvature of a parallel, on a sphere).
"""

_METRES_PER_DEGREE = 111_320.0
_REACH_DEG = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """Parts of features and the feature (row of the file) that each one belongs to."""

    geometries: NDArray[np.object_]
    rows: NDArray[np.intp]


def repair(
    wkb: NDArray[np.object_], names: tuple[str, ...]
) -> tuple[NDArray[np.object_], list[str], list[str]]:
    """Decode geometries, drop Z, mend what is invalid.

    Parameters
    ----------
    wkb : array (n,) of bytes or None
    names : tuple of str, n entries
        What the features are called in messages.

    Returns
    -------
    geometries : array (n,)
        None where the file holds no geometry, or one that cannot be used.
    notes : list of str
        What was mended.
    faults : list of str
        Polygons that are empty or collapse to nothing, coordinates that are not finite.
    """
    with np.errstate(invalid="ignore"):  # NaN coordinates are judged below
        strict = shapely.from_wkb(wkb, on_invalid="ignore")
        mended = shapely.from_wkb(wkb, on_invalid="fix")
    present = np.array([item is not None for item in wkb], dtype=bool)
    broken = present & shapely.is_missing(strict)
    geometries = shapely.force_2d(np.where(broken, mended, strict))
    notes: list[str] = []
    faults: list[str] = []
    for i in np.flatnonzero(present):
        geometry = geometries[i]
        if geometry is None or geometry.is_empty:
            faults.append(f"feature {names[i]!r} is empty; draw it or delete it")
        elif not np.isfinite(shapely.get_coordinates(geometry)).all():
            faults.append(
                f"feature {names[i]!r} has coordinates that are not finite numbers; mend or delete it"
            )
        elif broken[i] or not geometry.is_valid:
            why = "ring not closed" if broken[i] else shapely.is_valid_reason(geometry)
            whole = _mend(geometry)
            if whole.is_empty:
                faults.append(f"feature {names[i]!r} encloses nothing ({why}); draw it again or delete it")
                continue
            geometries[i] = whole
            notes.append(f"feature {names[i]!r} repaired ({why})")
    return geometries, notes, faults


def _mend(geometry: Any) -> Any:
    """Valid geometry that covers the same ground.

    Ground that a ring goes round stays inside, however often and in whichever direction: rings that cross
    themselves keep every lobe, and ground gone round twice is no hole. The library's own repair loses
    lobes of rings that run back along themselves.
    """
    if geometry.geom_type == "GeometryCollection":
        mended = [_mend(part) for part in shapely.get_parts(geometry)]
        return shapely.GeometryCollection([part for part in mended if not part.is_empty])
    if geometry.geom_type not in ("Polygon", "MultiPolygon"):
        return shapely.make_valid(geometry, method="structure", keep_collapsed=True)
    parts = []
    for polygon in shapely.get_parts(geometry):
        holes = [_gone_round(ring) for ring in polygon.interiors]
        parts.append(shapely.difference(_gone_round(polygon.exterior), shapely.union_all(holes)))
    return shapely.union_all(parts)


def _gone_round(ring: Any) -> Any:
    """All ground about which a closed ring has a winding number other than 0."""
    noded = shapely.union_all([shapely.LineString(ring.coords)])  # cut wherever the ring meets itself
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    if not len(faces):
        return shapely.Polygon()
    return shapely.union_all(faces[_winding(ring, shapely.point_on_surface(faces)) != 0])


def _winding(ring: Any, points: NDArray[np.object_]) -> NDArray[np.int64]:
    """How often a closed ring goes round points that are not on it.

    The edges that pass a point on its east side, those that go north less those that go south.
    """
    corners = shapely.get_coordinates(ring)
    tree = shapely.STRtree(shapely.linestrings(np.stack([corners[:-1], corners[1:]], axis=1)))
    times = np.zeros(len(points), dtype=np.int64)
    x, y = shapely.get_coordinates(points).T
    for at in range(0, len(points), 1000):  # pairs of point and edge in memory at once
        part = slice(at, at + 1000)
        rays = shapely.box(x[part], y[part], np.maximum(corners[:, 0].max(), x[part]), y[part])
        ray, edge = tree.query(rays)
        east, north = (corners[np.stack([edge, edge + 1])] - np.stack([x[part], y[part]], axis=1)[ray]).T
        side = east[:, 0] * north[:, 1] - east[:, 1] * north[:, 0]  # positive: the point is left of the edge
        up = (north[:, 0] <= 0.0) & (north[:, 1] > 0.0) & (side > 0.0)
        down = (north[:, 0] > 0.0) & (north[:, 1] <= 0.0) & (side < 0.0)
        times[part] = np.bincount(ray, up.astype(np.int64) - down, minlength=len(rays))
    return times


def split_kinds(geometries: NDArray[np.object_]) -> Features:
    """Split collections into their points, lines and polygons; everything else stays whole.

    Features without geometry are left out.
    """
    parts: list[Any] = []
    rows: list[int] = []
    for row, geometry in enumerate(geometries):
        if geometry is None:
            continue
        for part in _of_one_kind(geometry):
            parts.append(part)
            rows.append(row)
    array = np.empty(len(parts), dtype=object)
    array[:] = parts
    return Features(array, np.array(rows, dtype=np.intp))


def _of_one_kind(geometry: Any) -> list[Any]:
    if geometry.geom_type == "LinearRing":
        return [shapely.LineString(geometry.coords)]
    if geometry.geom_type != "GeometryCollection":
        return [geometry]
    leaves = [leaf for leaf in _leaves(geometry) if not leaf.is_empty]
    kinds = []
    for dimension, multi in ((0, shapely.multipoints), (1, shapely.multilinestrings), (2, shapely.union_all)):
        same = [leaf for leaf in leaves if shapely.get_dimensions(leaf) == dimension]
        if same:
            kinds.append(same[0] if len(same) == 1 else multi(same))
    return kinds


def _leaves(geometry: Any) -> list[Any]:
    if hasattr(geometry, "geoms"):
        return [leaf for part in geometry.geoms for leaf in _leaves(part)]
    return [geometry]


def to_grid(
    geometries: NDArray[np.object_],
    source: pyproj.CRS,
    target: pyproj.CRS,
    area_m: tuple[float, float, float, float] | None,
) -> tuple[NDArray[np.object_], list[str]]:
    """Bring geometries onto the project grid.

    Parameters
    ----------
    geometries : array (n,) of valid two-dimensional geometries in `source`
    source, target : CRS
    area_m : (west, south, east, north), optional
        The project's ground in `target`. Features in degrees are cut to its surroundings (10 degrees of
        latitude about it): a projection cannot show the other side of the Earth.

    Returns
    -------
    geometries : array (n,)
        Empty where a feature lies wholly beyond the surroundings; None where the projection fails.
    notes : list of str
    """
    source, target = horizontal(source), horizontal(target)
    sample = _sample(geometries)
    if is_same(source, target, sample[:, 0], sample[:, 1]):
        return geometries, []
    way = transformer(source, target)
    notes = [f"reprojected from {label(source)}, segments longer than {STEP_M:g} m split first"]
    if source.is_geographic:
        geometries, cut = _around(geometries, source, way, area_m)
        notes += cut
        step = STEP_M / _METRES_PER_DEGREE * (math.pi / 180.0) / _radians_per_unit(source)
    else:
        step = STEP_M / source.axis_info[0].unit_conversion_factor
    dense = shapely.segmentize(geometries, step)
    moved = shapely.transform(dense, lambda x, y: way.transform(x, y), interleaved=False)
    for i, geometry in enumerate(moved):
        if not np.isfinite(shapely.get_coordinates(geometry)).all():
            moved[i] = None
        elif not geometry.is_valid:
            moved[i] = _mend(geometry)
    return moved, notes


def _sample(geometries: NDArray[np.object_]) -> NDArray[np.float64]:
    """Corners of the box around everything, (4, 2)."""
    west, south, east, north = shapely.total_bounds(geometries)
    return np.array([(west, south), (east, south), (west, north), (east, north)])


def _radians_per_unit(crs: pyproj.CRS) -> float:
    return crs.axis_info[0].unit_conversion_factor


def _around(
    geometries: NDArray[np.object_],
    source: pyproj.CRS,
    way: pyproj.Transformer,
    area_m: tuple[float, float, float, float] | None,
) -> tuple[NDArray[np.object_], list[str]]:
    """Longitudes within half a turn of the project, features cut to its surroundings."""
    if area_m is None:
        return geometries, []
    edge = outline(*area_m, count=9)
    lon, lat = way.transform(edge[:, 0], edge[:, 1], direction="INVERSE")
    if not (np.isfinite(lon).all() and np.isfinite(lat).all()):
        return geometries, []
    turn = 2.0 * math.pi / _radians_per_unit(source)
    middle = lon[0]

    def near_project(x: NDArray) -> NDArray:
        return np.where(
            np.abs(x - middle) <= turn / 2.0, x, (x - middle + turn / 2.0) % turn + middle - turn / 2.0
        )

    lon = near_project(lon)
    geometries = shapely.transform(geometries, lambda x, y: (near_project(x), y), interleaved=False)
    reach = _REACH_DEG * turn / 360.0
    south, north = max(lat.min() - reach, -turn / 4.0), min(lat.max() + reach, turn / 4.0)
    poleward = math.cos(min(max(abs(south), abs(north)) / turn * 2.0 * math.pi, math.radians(83.0)))
    wide = reach / poleward
    window = shapely.box(lon.min() - wide, south, lon.max() + wide, north)
    beyond = ~shapely.covered_by(geometries, window)
    if not beyond.any():
        return geometries, []
    geometries = geometries.copy()
    for i in np.flatnonzero(beyond):
        geometry = geometries[i] if geometries[i].is_valid else _mend(geometries[i])
        geometries[i] = shapely.intersection(geometry, window)
    count = int(beyond.sum())
    return geometries, [f"{count} features cut to the surroundings of the project ({_REACH_DEG:g} degrees)"]
