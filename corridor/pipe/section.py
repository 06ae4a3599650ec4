"""The pipe's section and what it weighs in each load case."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.errors import PipeError
from corridor.model.pipe import Environment, Pipe

GRAVITY_M_S2 = 9.81


@dataclass(frozen=True, slots=True)
class Section:
    """Geometry, mass and stiffness of the pipe, contents not counted.

    Attributes
    ----------
    steel_diameter_m, diameter_m : float
        Outside diameter of the steel, and over all coatings.
    bore_area_m2, steel_area_m2, section_modulus_m3, second_moment_m4 : float
    bending_stiffness_Nm2, axial_stiffness_N : float
        EI and EA of the steel.
    steel_kg_m, coating_kg_m, displaced_kg_m : float
    """

    steel_diameter_m: float
    wall_thickness_m: float
    diameter_m: float
    bore_area_m2: float
    steel_area_m2: float
    second_moment_m4: float
    section_modulus_m3: float
    bending_stiffness_Nm2: float
    axial_stiffness_N: float
    steel_kg_m: float
    coating_kg_m: float
    displaced_kg_m: float


@dataclass(frozen=True, slots=True)
class LoadCase:
    """One state of the pipe.

    Attributes
    ----------
    name : {"as laid", "flooded", "operating"}
    dry_kg_m : float
        Steel, coatings and contents.
    submerged_N_m : float
        Weight in water, > 0.
    effective_kg_m : float
        Dry mass and the added mass of the water.
    axial_force_N : float
        Effective axial force, tension positive.
    """

    name: str
    contents_kg_m3: float
    dry_kg_m: float
    submerged_N_m: float
    effective_kg_m: float
    axial_force_N: float
    internal_overpressure_Pa: float | None

    def overpressure_Pa(self, depth_m: ArrayLike, water_kg_m3: float) -> NDArray:
        """Pressure inside less outside, Pa.

        In operation as stated; otherwise the contents' own column, open at the
        surface, against the sea's.
        """
        depth = np.maximum(np.asarray(depth_m, dtype=float), 0.0)
        if self.internal_overpressure_Pa is not None:
            return np.full_like(depth, self.internal_overpressure_Pa)
        return (self.contents_kg_m3 - water_kg_m3) * GRAVITY_M_S2 * depth


def section(pipe: Pipe, environment: Environment) -> Section:
    """Work out the section; tube formulas are exact geometry."""
    outer, inner = pipe.outside_diameter_m, pipe.outside_diameter_m - 2 * pipe.wall_thickness_m
    steel_area = _disc(outer) - _disc(inner)
    second_moment = math.pi / 64 * (outer**4 - inner**4)
    diameter, coating = outer, 0.0
    for coat in pipe.coating:
        wider = diameter + 2 * coat["thickness_m"]
        coating += (_disc(wider) - _disc(diameter)) * coat["density_kg_m3"]
        diameter = wider
    modulus = pipe.youngs_modulus_GPa * 1e9
    return Section(
        steel_diameter_m=outer,
        wall_thickness_m=pipe.wall_thickness_m,
        diameter_m=diameter,
        bore_area_m2=_disc(inner),
        steel_area_m2=steel_area,
        second_moment_m4=second_moment,
        section_modulus_m3=second_moment / (outer / 2),
        bending_stiffness_Nm2=modulus * second_moment,
        axial_stiffness_N=modulus * steel_area,
        steel_kg_m=steel_area * pipe.steel_density_kg_m3,
        coating_kg_m=coating,
        displaced_kg_m=_disc(diameter) * environment.water_density_kg_m3,
    )


def load_cases(pipe: Pipe, environment: Environment) -> tuple[LoadCase, ...]:
    """The load cases to assess, in the order of `Pipe.load_cases`.

    *operating* is left out where `operating_density_kg_m3` is not given.

    Raises
    ------
    PipeError
        The pipe floats in one of them.
    """
    wanted = [
        name for name in pipe.load_cases if name != "operating" or pipe.operating_density_kg_m3 is not None
    ]
    return tuple(load_case(name, pipe, environment) for name in wanted)


def load_case(name: str, pipe: Pipe, environment: Environment) -> LoadCase:
    """One load case: "as laid", "flooded" or "operating"; PipeError where the pipe floats."""
    tube = section(pipe, environment)
    contents = {
        "as laid": pipe.contents_density_kg_m3,
        "flooded": environment.water_density_kg_m3,
        "operating": pipe.operating_density_kg_m3 or 0.0,
    }[name]
    dry = tube.steel_kg_m + tube.coating_kg_m + tube.bore_area_m2 * contents
    submerged = (dry - tube.displaced_kg_m) * GRAVITY_M_S2
    if submerged <= 0:
        raise PipeError(
            f"the pipe floats {name}: its submerged weight is {submerged:.1f} N/m and must be > 0; "
            "thicken wall_thickness_m or the coating, or give heavier contents"
        )
    force, pressure = pipe.residual_tension_kN * 1e3, None
    if name == "operating":
        pressure = pipe.internal_overpressure_MPa * 1e6
        force += operating_force_change(pipe, tube)
    return LoadCase(
        name=name,
        contents_kg_m3=contents,
        dry_kg_m=dry,
        submerged_N_m=submerged,
        effective_kg_m=dry + environment.added_mass_coefficient * tube.displaced_kg_m,
        axial_force_N=force,
        internal_overpressure_Pa=pressure,
    )


def operating_force_change(pipe: Pipe, tube: Section) -> float:
    """Change of effective axial force from laying to operation, N, of a pipe held by the seabed.

    ``-p A_i (1 - 2 nu) - A_s E alpha dT`` (effective force of a fully restrained
    pipe: DNV-RP-F105 and DNV-ST-F101, from memory; it follows from Hooke's law
    with no axial strain and the end-cap force p A_i).
    """
    pressure = pipe.internal_overpressure_MPa * 1e6
    thermal = tube.axial_stiffness_N * pipe.thermal_expansion_per_C * pipe.temperature_rise_C
    return -pressure * tube.bore_area_m2 * (1 - 2 * pipe.poisson_ratio) - thermal


def stress_parts(
    tube: Section, moment_Nm: ArrayLike, axial_force_N: ArrayLike, overpressure_Pa: ArrayLike
) -> tuple[NDArray, NDArray, NDArray]:
    """Bending, axial and hoop stress, Pa; tension positive, bending without sign.

    The axial stress carries the wall's true force less the part that hydrostatic
    pressure all round gives, which no yield criterion feels: effective force
    plus overpressure times bore. Hoop: thin wall, ``p (D - t)/(2 t)``.
    """
    pressure = np.asarray(overpressure_Pa, dtype=float)
    bending = np.abs(np.asarray(moment_Nm, dtype=float)) / tube.section_modulus_m3
    axial = (np.asarray(axial_force_N, dtype=float) + pressure * tube.bore_area_m2) / tube.steel_area_m2
    wall = tube.wall_thickness_m
    return bending, axial, pressure * (tube.steel_diameter_m - wall) / (2 * wall)


def equivalent_stress(bending: ArrayLike, axial: ArrayLike, hoop: ArrayLike) -> NDArray:
    """Largest von Mises stress of the section, Pa, from its plane stresses (R. von Mises 1913)."""
    around = np.asarray(hoop, dtype=float)
    worst = np.zeros(np.shape(bending))
    for sign in (1.0, -1.0):
        along = np.asarray(axial, dtype=float) + sign * np.asarray(bending, dtype=float)
        worst = np.maximum(worst, np.sqrt(along**2 - along * around + around**2))
    return worst


def bending_allowed(axial: ArrayLike, hoop: ArrayLike, limit: float) -> NDArray:
    """Bending stress at which :func:`equivalent_stress` reaches `limit`, Pa; 0 where nothing is left."""
    along = np.asarray(axial, dtype=float)
    half = np.asarray(hoop, dtype=float) / 2
    reach = np.sqrt(np.maximum(limit**2 - 3 * half**2, 0.0))
    allowed = np.minimum(half + reach - along, along - (half - reach))
    return np.maximum(np.where(3 * half**2 > limit**2, 0.0, allowed), 0.0)


def _disc(diameter: float) -> float:
    return math.pi / 4 * diameter**2
