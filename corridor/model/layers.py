"""Layer: things on or over the seabed, and the rule that goes with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.errors import LayerError

RULES = ("avoid", "discourage", "cross", "stay_within", "jurisdiction")


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """Features of one kind with one rule.

    Parameters
    ----------
    name : str
        As the user calls it.
    rule : {"avoid", "discourage", "cross", "stay_within", "jurisdiction"}
    geometries : array (n,) of shapely geometries in the project CRS, m
        Valid, never empty.
    features : tuple of str, n entries
        What a feature is called in tables and messages (a name attribute, or its id).
    attributes : tuple of mapping, n entries
        The features' attributes as read; hostile text until escaped.
    standoff_m : array (n,), ground metres
        avoid: nearest allowed distance. cross: distance to keep where not crossing.
    position_uncertainty_m : array (n,), ground metres
        Added to the standoff.
    factor : float
        discourage: one metre inside counts this many times.
    min_angle_deg, straight_each_side_m, crossing_cost_m : float
        cross: least angle, straight needed on both sides, price in equivalent metres.
    needs_consent : bool
        A limit of law or safety: relaxing it needs an authority.
    file, table : str
        Where it came from.
    notes : tuple of str
        What was done on reading: repaired, dropped, reprojected.
    settings : mapping
        Further keys of the layer's table (season, authority, legal_basis, diameter_m, ...).
    """

    name: str
    rule: str
    geometries: NDArray[np.object_]
    features: tuple[str, ...]
    attributes: tuple[Mapping[str, Any], ...]
    standoff_m: NDArray[np.float64]
    position_uncertainty_m: NDArray[np.float64]
    factor: float = 1.0
    min_angle_deg: float = 0.0
    straight_each_side_m: float = 0.0
    crossing_cost_m: float = 0.0
    needs_consent: bool = False
    file: str = ""
    table: str = ""
    notes: tuple[str, ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.rule not in RULES:
            raise LayerError(
                f"layer {self.name!r}: rule must be one of {', '.join(RULES)} (got {self.rule!r})"
            )
        count = len(self.geometries)
        for name in ("features", "attributes", "standoff_m", "position_uncertainty_m"):
            if len(getattr(self, name)) != count:
                raise LayerError(
                    f"layer {self.name!r}: {name} has {len(getattr(self, name))} entries for {count} features"
                )
        for array in (self.geometries, self.standoff_m, self.position_uncertainty_m):
            array.setflags(write=False)

    def __len__(self) -> int:
        return len(self.geometries)

    def chosen(self, index: NDArray[np.intp]) -> Layer:
        """The same layer with some of its features, by their indices (k,)."""
        return replace(
            self,
            geometries=self.geometries[index],
            features=tuple(self.features[k] for k in index),
            attributes=tuple(self.attributes[k] for k in index),
            standoff_m=self.standoff_m[index],
            position_uncertainty_m=self.position_uncertainty_m[index],
        )
