"""Pipe and Environment: the ``[pipe]`` and ``[environment]`` tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from corridor.errors import SettingError
from corridor.model.fields import setting, validate

LOAD_CASES = ("as laid", "flooded", "operating")
"""In the order in which the pipe lives through them."""


@dataclass(frozen=True, slots=True, eq=False)
class Pipe:
    """Section, tension and contents of the pipe, and how its spans are judged.

    Only the first four groups describe the pipe. The rest are choices of the
    engineer with defaults; :data:`SOURCES` says where each default comes from.
    """

    # Section. Diameter and wall are the steel's; coating goes outwards, each layer a
    # table {thickness_m, density_kg_m3}.
    outside_diameter_m: float = setting(above=0.0)
    wall_thickness_m: float = setting(above=0.0)
    residual_tension_kN: float = setting()
    coating: tuple[Mapping[str, Any], ...] = setting(())
    joint_length_m: float = setting(12.2, above=0.0)

    # Material.
    yield_strength_MPa: float | None = setting(None, above=0.0)
    youngs_modulus_GPa: float = setting(207.0, above=0.0, remedy="a pipe without stiffness has no spans")
    steel_density_kg_m3: float = setting(7850.0, above=0.0)
    poisson_ratio: float = setting(0.3, least=0.0, below=0.5)
    thermal_expansion_per_C: float = setting(1.17e-5, least=0.0)
    concrete_stiffness_factor: float = setting(0.0, least=0.0)

    # Contents: as laid, and in operation (assessed only where its density is given).
    contents_density_kg_m3: float = setting(0.0, least=0.0)
    operating_density_kg_m3: float | None = setting(None, least=0.0)
    internal_overpressure_MPa: float = setting(0.0, least=0.0)
    temperature_rise_C: float = setting(0.0)

    # Contact.
    load_cases: tuple[str, ...] = setting(LOAD_CASES, choices=LOAD_CASES)
    sag_tension: bool = setting(False)
    pipe_step_m: float = setting(1.0, above=0.0)
    span_smoothing_m: float = setting(5.0, least=0.0)
    hole_bridge_m: float = setting(10.0, least=0.0)
    crossing_crest_m: float = setting(3.0, least=0.0)
    crossing_side_slope: float = setting(1.5, least=0.0)

    # Spans: which are listed, which are judged, and against what.
    span_least_length_m: float = setting(10.0, least=0.0)
    span_least_gap_m: float = setting(0.1, least=0.0)
    span_max_cell_m: float = setting(2.0, above=0.0)
    stress_fraction_of_yield: float = setting(0.8, above=0.0, most=1.0)
    lay_stress_fraction_of_yield: float = setting(0.15, above=0.0, most=1.0)
    onset_factor_inline: float = setting(1.4, least=1.0)
    onset_factor_crossflow: float = setting(1.4, least=1.0)
    onset_velocity_inline: float = setting(1.0 / 1.1, above=0.0)
    onset_velocity_crossflow: float = setting(2.0, above=0.0)
    onset_least_current_ratio: float = setting(0.6, above=0.0, most=1.0)
    onset_slenderness_scale: float = setting(250.0, above=0.0)
    span_max_slenderness: float = setting(140.0, above=0.0)

    # Doubt: what the survey's uncertainty does to the spans.
    tvu_short_range_share: float = setting(0.1, least=0.0, most=1.0)
    tvu_correlation_m: float = setting(20.0, above=0.0)
    realisations: int = setting(200, least=0, most=10000)
    random_seed: int = setting(1, least=0)
    probability_to_assess: float = setting(0.1, above=0.0, most=1.0)

    # Cures.
    supports_reach: str = setting("ok", choices=("ok", "assess"))
    supports_per_span_most: int = setting(6, least=0, most=20)
    berm_crest_m: float = setting(3.0, above=0.0)
    berm_side_slope: float = setting(2.5, least=0.0)
    trench: tuple[Mapping[str, Any], ...] = setting(())

    def __post_init__(self) -> None:
        validate(self)
        faults = []
        if self.wall_thickness_m >= self.outside_diameter_m / 2:
            faults.append(
                f"wall_thickness_m must be < half of outside_diameter_m = {self.outside_diameter_m:g} "
                f"(got {self.wall_thickness_m:g}); are both in metres?"
            )
        if self.span_max_slenderness >= self.onset_slenderness_scale:
            faults.append(
                f"span_max_slenderness must be < onset_slenderness_scale = {self.onset_slenderness_scale:g} "
                f"(got {self.span_max_slenderness:g}): beyond it the screening would pass anything"
            )
        for number, case in enumerate(self.load_cases):
            if case not in LOAD_CASES or case in self.load_cases[:number]:
                faults.append(f"load_cases must be among {', '.join(LOAD_CASES)}, each once (got {case!r})")
        operates = self.internal_overpressure_MPa or self.temperature_rise_C
        if operates and self.operating_density_kg_m3 is None:
            faults.append(
                "operating_density_kg_m3 is required, and missing, where internal_overpressure_MPa or "
                "temperature_rise_C is given"
            )
        if not self.load_cases:
            faults.append(f"load_cases must name at least one of {', '.join(LOAD_CASES)} (got none)")
        for number, coat in enumerate(self.coating, 1):
            faults += _table_faults(f"coating {number}", coat, ("thickness_m", "density_kg_m3"))
        for number, trench in enumerate(self.trench, 1):
            keys = ("from_kp_km", "to_kp_km", "depth_m", "bottom_m", "side_slope")
            faults += _table_faults(f"trench {number}", trench, keys)
        if faults:
            raise SettingError(faults)


@dataclass(frozen=True, slots=True, eq=False)
class Environment:
    """Water, currents and soil.

    `current_m_s` and `wave_velocity_m_s` act at pipe level, across the pipe: a
    number, or a table ``{depth_m = [...], value = [...]}`` or ``{kp_km = [...],
    value = [...]}``, linear between its entries and never beyond them.
    """

    soil_stiffness_static_kN_m2: float = setting(above=0.0)
    water_density_kg_m3: float = setting(1025.0, above=0.0)
    current_m_s: float | Mapping[str, Any] | None = setting(None, least=0.0)
    wave_velocity_m_s: float | Mapping[str, Any] | None = setting(None, least=0.0)
    soil_stiffness_dynamic_kN_m2: float | None = setting(None, above=0.0)
    soil_lateral_stiffness_ratio: float = setting(0.75, above=0.0)
    seabed_response: str = setting("elastic", choices=("elastic", "rigid"))
    added_mass_coefficient: float = setting(1.0, least=0.0)
    lateral_friction: float = setting(0.6, above=0.0)
    axial_friction: float = setting(0.4, above=0.0)

    def __post_init__(self) -> None:
        validate(self)
        faults = []
        for name in ("current_m_s", "wave_velocity_m_s"):
            value = getattr(self, name)
            if isinstance(value, Mapping):
                faults += _curve_faults(name, value)
        if faults:
            raise SettingError(faults)


def _table_faults(name: str, table: Any, keys: tuple[str, ...]) -> list[str]:
    """Faults of a small table whose keys all take a number >= 0."""
    if not isinstance(table, Mapping):
        return [f"{name} must be a table with {', '.join(keys)} (got {table!r})"]
    faults = [f"{name}: {key} is required and missing" for key in keys if key not in table]
    for key, value in table.items():
        if key not in keys:
            faults.append(f"{name}: unknown key {key!r}; known keys are {', '.join(keys)}")
        elif not _is_number(value) or not 0 <= value < float("inf"):
            faults.append(f"{name}: {key} must be a finite number >= 0 (got {value!r})")
    if not faults and "to_kp_km" in keys and not table["from_kp_km"] < table["to_kp_km"]:
        faults.append(
            f"{name}: from_kp_km must be < to_kp_km (got {table['from_kp_km']}, {table['to_kp_km']})"
        )
    return faults


def _curve_faults(name: str, table: Mapping[str, Any]) -> list[str]:
    """Faults of a table of velocities by depth or by KP."""
    places = [key for key in table if key in ("depth_m", "kp_km")]
    if len(places) != 1 or "value" not in table or len(table) != 2:
        return [f"{name} must hold value and either depth_m or kp_km (got {', '.join(map(str, table))})"]
    place, value = table[places[0]], table["value"]
    for key, numbers in ((places[0], place), ("value", value)):
        if not isinstance(numbers, (list, tuple)) or not numbers or not all(map(_is_number, numbers)):
            return [f"{name}: {key} must be a list of numbers (got {numbers!r})"]
    if len(place) != len(value):
        return [f"{name}: {places[0]} has {len(place)} entries, value has {len(value)}"]
    faults = []
    if any(not low < high for low, high in pairwise(place)):
        faults.append(f"{name}: {places[0]} must increase (got {list(place)})")
    if not all(0 <= number < float("inf") for number in value):
        faults.append(f"{name}: value must be finite and >= 0 m/s (got {list(value)})")
    return faults


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


_MEMORY = "from memory"
_PRACTICE = "common practice, no source"
_OURS = "our own choice, no source"

SOURCES: Mapping[str, str] = {
    "youngs_modulus_GPa": f"carbon steel, {_MEMORY}",
    "steel_density_kg_m3": f"carbon steel, {_MEMORY}",
    "poisson_ratio": f"carbon steel, {_MEMORY}",
    "thermal_expansion_per_C": f"carbon steel, {_MEMORY}",
    "concrete_stiffness_factor": "0: the concrete's stiffness is not counted (safe side)",
    "joint_length_m": _PRACTICE,
    "pipe_step_m": f"{_OURS}; finer where the soil's stiffness asks for it",
    "span_smoothing_m": f"{_OURS}: running mean, so that single soundings make no spans",
    "hole_bridge_m": _OURS,
    "crossing_crest_m": f"width of a separation mattress, {_PRACTICE}",
    "crossing_side_slope": _OURS,
    "span_least_length_m": _PRACTICE,
    "span_least_gap_m": _PRACTICE,
    "span_max_cell_m": "the contract of this tool: coarser cells cannot carry a span",
    "stress_fraction_of_yield": f"ASME B31.8 chapter VIII, longitudinal stress, {_MEMORY}",
    "lay_stress_fraction_of_yield": f"{_PRACTICE}: little bending stress left by a curve",
    "onset_factor_inline": f"DNV-RP-F105 screening factor, {_MEMORY}",
    "onset_factor_crossflow": f"DNV-RP-F105 screening factor, {_MEMORY}",
    "onset_velocity_inline": f"DNV-RP-F105: 1.0/1.1 at low stability parameter, {_MEMORY}",
    "onset_velocity_crossflow": f"DNV-RP-F105, {_MEMORY}",
    "onset_least_current_ratio": f"DNV-RP-F105, {_MEMORY}",
    "onset_slenderness_scale": f"DNV-RP-F105: factor 1 - (L/D)/250, {_MEMORY}",
    "span_max_slenderness": f"DNV-RP-F105: that factor belongs to L/D up to about 140, {_MEMORY}",
    "tvu_short_range_share": f"{_OURS}: share of the variance that is not common to the whole place",
    "tvu_correlation_m": _OURS,
    "realisations": _OURS,
    "probability_to_assess": _OURS,
    "supports_reach": f"{_OURS}: supports are added until every span they leave is ok",
    "supports_per_span_most": _OURS,
    "berm_crest_m": _PRACTICE,
    "berm_side_slope": _PRACTICE,
    "soil_lateral_stiffness_ratio": f"{_PRACTICE}: lateral over vertical dynamic stiffness",
    "seabed_response": "elastic: the soil stiffness given",
    "added_mass_coefficient": f"DNV-RP-F105, pipe away from the bed, {_MEMORY}",
    "water_density_kg_m3": "sea water, common value",
    "lateral_friction": f"{_PRACTICE}; depends on the soil",
    "axial_friction": f"{_PRACTICE}; depends on the soil",
}
"""Where the default of each setting comes from."""
