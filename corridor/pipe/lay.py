"""What the lay asks of the route: the least radius, and the catenary from vessel to seabed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from corridor.model.pipe import Environment, Pipe
from corridor.model.results import Table
from corridor.pipe.section import load_case


@dataclass(frozen=True, slots=True, eq=False)
class LayAdvice:
    """Least radius of a laid bend and catenary figures.

    Attributes
    ----------
    friction_radius_m : float
        Below it, the bottom tension pulls the bend sideways over the seabed.
    bending_radius_m : float or None
        Below it, bending stress exceeds its share of yield; None without a yield strength.
    least_radius_m : float
        The larger of the two.
    catenary : table
        depth_m, touchdown_radius_m, top_tension_kN, free_length_m, layback_m, departure_deg.
    """

    friction_radius_m: float
    bending_radius_m: float | None
    least_radius_m: float
    catenary: Table

    def warnings(self, min_bend_radius_m: float | None) -> tuple[str, ...]:
        """What the route's `min_bend_radius_m` fails to respect, in words."""
        if min_bend_radius_m is None or min_bend_radius_m >= self.least_radius_m:
            return ()
        by_friction = self.friction_radius_m >= (self.bending_radius_m or 0.0)
        cause = (
            "the seabed's friction may not hold the residual tension in a tighter bend"
            if by_friction
            else "a tighter bend exceeds the bending stress allowed for laying"
        )
        return (
            f"min_bend_radius_m = {min_bend_radius_m:g} m is below the least lay radius of "
            f"{self.least_radius_m:.0f} m: {cause}",
        )


def lay_advice(pipe: Pipe, environment: Environment, depths_m: ArrayLike) -> LayAdvice:
    """Advise on laying this pipe (empty, as laid) at these depths.

    ``R = T/(mu w)`` (A. C. Palmer and R. A. King, *Subsea Pipeline Engineering*,
    from memory) and ``R = E D/(2 sigma)`` (beam theory) with sigma =
    `lay_stress_fraction_of_yield` x yield.

    Parameters
    ----------
    depths_m : array (n,), m, positive down
        Where the catenary is wanted; depths that are not > 0 are left out.
    """
    weight = load_case("as laid", pipe, environment).submerged_N_m
    tension = pipe.residual_tension_kN * 1e3
    friction = max(tension, 0.0) / (environment.lateral_friction * weight)
    bending = None
    if pipe.yield_strength_MPa is not None:
        stress = pipe.lay_stress_fraction_of_yield * pipe.yield_strength_MPa * 1e6
        bending = elastic_bend_radius_m(pipe, stress)
    return LayAdvice(
        friction_radius_m=friction,
        bending_radius_m=bending,
        least_radius_m=max(friction, bending or 0.0),
        catenary=catenary(tension, weight, depths_m),
    )


def elastic_bend_radius_m(pipe: Pipe, bending_stress_Pa: float) -> float:
    """Radius at which the steel's outer fibre reaches a bending stress, m: ``E D/(2 sigma)``."""
    return pipe.youngs_modulus_GPa * 1e9 * pipe.outside_diameter_m / (2 * bending_stress_Pa)


def catenary(tension_N: float, weight_N_m: float, depths_m: ArrayLike) -> Table:
    """Catenary between seabed and surface, pipe stiffness neglected.

    ``z = (H/w)(cosh(x w/H) - 1)`` (Q. Bai and Y. Bai, *Pipelines and Risers*, eq. 12.2).

    Parameters
    ----------
    tension_N : float
        Horizontal force H, the residual tension; without tension (<= 0) there is
        no catenary and the table is empty.
    weight_N_m : float
    depths_m : array (n,), m, positive down
    """
    depth = np.atleast_1d(np.asarray(depths_m, dtype=float))
    depth = depth[depth > 0] if tension_N > 0 else depth[:0]
    radius = tension_N / weight_N_m
    top = tension_N + weight_N_m * depth
    return {
        "depth_m": depth,
        "touchdown_radius_m": np.full_like(depth, radius),
        "top_tension_kN": top / 1e3,
        "free_length_m": np.sqrt(depth * (depth + 2 * radius)),
        "layback_m": radius * np.arccosh(1 + depth / radius),
        "departure_deg": np.degrees(np.arccos(tension_N / top)),
    }
