"""New obstructions for a reroute: a position, or any vector file, a survey's contacts among them."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from corridor.errors import LayerError
from corridor.io.guard import existing_file
from corridor.io.tables import LayerSettings
from corridor.io.vectors import read_layer, read_table
from corridor.model.layers import Layer

_NUMBER = r"[+-]?\d+(?:\.\d*)?"
_POSITION = re.compile(rf"\s*({_NUMBER})\s*,\s*({_NUMBER})\s*")

NAME = "new obstructions"


def read_around(
    text: str, crs: str, standoff_m: float | None, default_m: float | None = None, name: str = NAME
) -> Layer:
    """Read new obstructions as a layer to avoid.

    Parameters
    ----------
    text : str
        ``E,N`` on the project grid, m, or a vector file of points, lines or areas.
    crs : str
        Projected CRS of the project.
    standoff_m : float, optional
        Of all of them; else the attribute ``standoff_m`` of each, else `default_m`.
    default_m : float, optional
    name : str
        Of the layer.

    Returns
    -------
    Layer
        A file with the attribute ``status`` (a survey's contacts) gives its features
        that are not ``known``, and of those with a ``kind`` no pits; the notes say how
        many were left out.

    Raises
    ------
    LayerError
        No standoff for a feature, or what :func:`corridor.io.vectors.read_layer` refuses.
    """
    if standoff_m is not None and not (math.isfinite(standoff_m) and standoff_m >= 0.0):
        raise LayerError(f"--standoff-m must be a finite number >= 0 (got {standoff_m}): --around {text}")
    place = _POSITION.fullmatch(text)
    if place is not None:
        reach = standoff_m if standoff_m is not None else default_m
        if reach is None:
            raise LayerError(f"--around {text} needs a standoff: give --standoff-m or [reroute] standoff_m")
        easting, northing = (float(part) for part in place.groups())
        point = shapely.Point(easting, northing)
        return Layer(
            name=name,
            rule="avoid",
            geometries=np.array([point], dtype=object),
            features=(f"{easting:.1f} E, {northing:.1f} N",),
            attributes=({},),
            standoff_m=np.array([float(reach)]),
            position_uncertainty_m=np.zeros(1),
        )
    where = f"--around {text}"
    file = existing_file(text, Path.cwd(), where, key="--around", error=LayerError)
    columns = read_table(file, where).columns
    stated: float | str | None = standoff_m
    if stated is None:
        stated = "standoff_m" if "standoff_m" in columns else default_m
    if stated is None:
        raise LayerError(
            f"{where} needs a standoff: give --standoff-m, an attribute standoff_m, or [reroute] standoff_m"
        )
    position = "position_uncertainty_m" if "position_uncertainty_m" in columns else 0.0
    settings = LayerSettings(
        name=name, file=str(file), rule="avoid", standoff_m=stated, position_uncertainty_m=position
    )
    return _not_known(read_layer(file, settings, crs=crs, where=where), where)


def _not_known(layer: Layer, where: str) -> Layer:
    """What a survey calls known is in the project already; a pit is seabed, not an obstruction."""
    known = np.array([row.get("status") == "known" for row in layer.attributes], dtype=bool)
    pits = np.array([row.get("kind") == "pit" for row in layer.attributes], dtype=bool) & ~known
    if not len(layer):
        raise LayerError(f"{where} holds no feature: nothing to go round")
    notes = list(layer.notes)
    for mask, word in ((known, "known already"), (pits, "pits, not obstructions")):
        if mask.any():
            notes.append(f"{int(mask.sum())} left out: {word}")
    return replace(layer.chosen(np.flatnonzero(~(known | pits))), notes=tuple(notes))
