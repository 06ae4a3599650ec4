"""The orders of IHO S-44: limits on uncertainty, coverage and feature size.

Source of every figure here: IHO, *Standards for Hydrographic Surveys*, S-44
edition 6.1.0, table 1. A survey order is a statement about a whole survey
operation; what this package checks is the part that the soundings themselves
can show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.model.seabed import S44_TVU, Uncertainty

SIGMA_TO_95 = 1.96
"""95 % of a normal distribution in one dimension lies within 1.96 standard deviations (S-44, glossary)."""


@dataclass(frozen=True, slots=True)
class Order:
    """One order.

    Attributes
    ----------
    name : str
    tvu : Uncertainty
        Largest total vertical uncertainty at 95 %: ``sqrt(a**2 + (b d)**2)``.
    thu_m, thu_share : float
        Largest total horizontal uncertainty at 95 %: ``thu_m + thu_share * d``.
    feature_m : float or None
        Side of the smallest cube that must be detected; None where none is asked for.
    feature_share, feature_from_m : float
        Beyond the depth `feature_from_m` the side is `feature_share` of the depth.
    search_percent, coverage_percent : float
        Feature search and bathymetric coverage; a search of 0 is "recommended" only.
    """

    name: str
    tvu: Uncertainty
    thu_m: float
    thu_share: float
    feature_m: float | None
    feature_share: float
    feature_from_m: float
    search_percent: float
    coverage_percent: float

    def thu_at(self, depth_m: ArrayLike) -> NDArray[np.float64]:
        """Largest horizontal uncertainty (95 %), m."""
        return self.thu_m + self.thu_share * np.abs(np.asarray(depth_m, dtype=float))

    def feature_at(self, depth_m: ArrayLike) -> NDArray[np.float64]:
        """Side of the cube to be detected, m; NaN where the order asks for none.

        The step of order 1a's rule at 40 m (2 m above, 10 % of depth below: 4 m)
        is the standard's own.
        """
        depth = np.abs(np.asarray(depth_m, dtype=float))
        if self.feature_m is None:
            return np.full(depth.shape, np.nan)
        return np.where(depth > self.feature_from_m, self.feature_share * depth, self.feature_m)


ORDERS: dict[str, Order] = {
    order.name: order
    for order in (
        Order("2", S44_TVU["2"], 20.0, 0.10, None, 0.0, np.inf, 0.0, 5.0),
        Order("1b", S44_TVU["1b"], 5.0, 0.05, None, 0.0, np.inf, 0.0, 5.0),
        # Table 1 allows order 1a a bathymetric coverage of up to 100 %: the full search of the
        # seabed may be done by other means. The search is what is checked.
        Order("1a", S44_TVU["1a"], 5.0, 0.05, 2.0, 0.10, 40.0, 100.0, 5.0),
        Order("special", S44_TVU["special"], 2.0, 0.0, 1.0, 0.0, np.inf, 100.0, 100.0),
        Order("exclusive", S44_TVU["exclusive"], 1.0, 0.0, 0.5, 0.0, np.inf, 200.0, 200.0),
    )
}

TVU = S44_TVU


def feature_size_m(order: str, depth_m: ArrayLike) -> NDArray[np.float64]:
    """Size of the features looked for: the order's own, order 1a's where it has none."""
    chosen = ORDERS[order] if ORDERS[order].feature_m is not None else ORDERS["1a"]
    return chosen.feature_at(depth_m)
