"""Section, weights, stresses and lay advice against exact arithmetic and handbook values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from corridor.pipe.lay import catenary, elastic_bend_radius_m, lay_advice
from corridor.pipe.section import (
    bending_allowed,
    equivalent_stress,
    load_case,
    load_cases,
    operating_force_change,
    section,
    stress_parts,
)

from .pipe_reference import a_pipe, a_sea


def test_constructed_section():
    # Exact arithmetic: 508 x 20.6 mm, 40 mm coating at 3040, steel 7850, sea 1025 kg/m³, g 9.81.
    tube = section(a_pipe(), a_sea())
    assert tube.second_moment_m4 == pytest.approx(9.383369e-4, rel=1e-6)
    assert tube.steel_kg_m == pytest.approx(247.612, abs=5e-4)
    assert tube.coating_kg_m == pytest.approx(209.346, abs=5e-4)
    assert tube.displaced_kg_m == pytest.approx(278.335, abs=5e-4)
    assert tube.diameter_m == pytest.approx(0.588)


def test_weights_of_the_load_cases():
    pipe = a_pipe(operating_density_kg_m3=900.0)
    laid, flooded, operating = load_cases(pipe, a_sea())
    assert laid.submerged_N_m == pytest.approx(1752.288, abs=5e-4)
    assert operating.submerged_N_m == pytest.approx(3263.283, abs=5e-4)
    assert operating.effective_kg_m == pytest.approx(889.319, abs=5e-4)
    water = math.pi / 4 * 0.4668**2 * 1025 * 9.81
    assert flooded.submerged_N_m - laid.submerged_N_m == pytest.approx(water)


def test_layers_of_coating_go_outwards():
    thin = {"thickness_m": 0.003, "density_kg_m3": 940.0}
    thick = {"thickness_m": 0.04, "density_kg_m3": 3040.0}
    tube = section(a_pipe(coating=(thin, thick)), a_sea())
    assert tube.diameter_m == pytest.approx(0.508 + 2 * 0.043)
    ring = math.pi / 4 * (0.514**2 - 0.508**2) * 940 + math.pi / 4 * (0.594**2 - 0.514**2) * 3040
    assert tube.coating_kg_m == pytest.approx(ring)


def test_operating_is_left_out_without_contents():
    assert [case.name for case in load_cases(a_pipe(), a_sea())] == ["as laid", "flooded"]


def test_effective_force_of_a_held_pipe():
    # Hooke: no axial strain; wall stress nu p_hoop - E alpha dT, less the end cap p A_i, thin wall and
    # thick wall agree: effective force = -p A_i (1 - 2 nu) - E A alpha dT.
    pipe = a_pipe(operating_density_kg_m3=700.0, internal_overpressure_MPa=10.0, temperature_rise_C=40.0)
    tube = section(pipe, a_sea())
    bore = math.pi / 4 * 0.4668**2
    heat = 207e9 * tube.steel_area_m2 * 1.17e-5 * 40
    assert operating_force_change(pipe, tube) == pytest.approx(-10e6 * bore * 0.4 - heat)
    # Lamé (S. Timoshenko and J. Goodier, Theory of Elasticity, from memory): in a closed-off but axially
    # held thick tube the axial wall stress is 2 nu p r_i²/(r_o² - r_i²); force in wall less p A_i.
    wall = 2 * 0.3 * 10e6 * 0.2334**2 / (0.254**2 - 0.2334**2) * tube.steel_area_m2
    assert operating_force_change(pipe, tube) + heat == pytest.approx(wall - 10e6 * bore)
    assert load_case("operating", pipe, a_sea()).axial_force_N == pytest.approx(
        200e3 + operating_force_change(pipe, tube)
    )


def test_stress_of_bending_alone_is_m_over_w():
    tube = section(a_pipe(), a_sea())
    parts = stress_parts(tube, np.array([-5e5]), 0.0, 0.0)
    assert equivalent_stress(*parts) == pytest.approx([5e5 * 0.254 / 9.383369e-4], rel=1e-6)


def test_hydrostatic_pressure_all_round_is_not_felt():
    # Filled with sea water open to the sea there is no overpressure at any depth.
    flooded = load_case("flooded", a_pipe(), a_sea())
    assert flooded.overpressure_Pa(400.0, 1025.0) == pytest.approx(0.0)
    empty = load_case("as laid", a_pipe(), a_sea())
    assert empty.overpressure_Pa(400.0, 1025.0) == pytest.approx(-1025 * 9.81 * 400)


def test_von_mises_of_pure_shear():
    # sigma1 = -sigma2 = s gives sqrt(3) s (R. von Mises 1913).
    assert equivalent_stress(0.0, 100.0, -100.0) == pytest.approx(100 * math.sqrt(3))


@pytest.mark.parametrize(("axial", "hoop"), [(0.0, 0.0), (50e6, -80e6), (-30e6, 120e6)])
def test_bending_allowed_is_where_the_equivalent_stress_meets_the_limit(axial, hoop):
    allowed = bending_allowed(axial, hoop, 360e6)
    assert equivalent_stress(allowed, axial, hoop) == pytest.approx(360e6)


def test_no_bending_is_allowed_beyond_the_limit():
    assert bending_allowed(0.0, 450e6, 360e6) == 0.0
    assert bending_allowed(400e6, 0.0, 360e6) == 0.0


@pytest.mark.parametrize(
    ("tension", "weight", "depth", "radius", "top", "free", "layback", "angle"),
    [
        (200e3, 1000.0, 100.0, 200.0, 300.0, 223.6068, 192.4847, 48.1897),
        (500e3, 1500.0, 300.0, 333.333, 950.0, 538.5165, 419.0653, 58.2431),
    ],
)
def test_catenary(tension, weight, depth, radius, top, free, layback, angle):
    # Q. Bai and Y. Bai, Pipelines and Risers, eq. 12.2.
    table = catenary(tension, weight, [depth])
    assert table["touchdown_radius_m"] == pytest.approx([radius], rel=1e-5)
    assert table["top_tension_kN"] == pytest.approx([top])
    assert table["free_length_m"] == pytest.approx([free], rel=1e-6)
    assert table["layback_m"] == pytest.approx([layback], rel=1e-6)
    assert table["departure_deg"] == pytest.approx([angle], rel=1e-5)


def test_lay_radius_from_friction():
    # R = T/(mu w), A. C. Palmer and R. A. King, Subsea Pipeline Engineering, from memory.
    weight = load_case("as laid", a_pipe(), a_sea()).submerged_N_m
    advice = lay_advice(a_pipe(yield_strength_MPa=None), a_sea(), [50.0])
    assert advice.friction_radius_m == pytest.approx(200e3 / (0.6 * weight))
    assert advice.bending_radius_m is None
    assert advice.least_radius_m == advice.friction_radius_m
    # The table's own figures: 200 kN, 0.6, 1500 N/m: 222.222 m.
    assert advice.friction_radius_m * weight / 1500 == pytest.approx(222.222, rel=1e-5)


def test_lay_radius_from_bending():
    # R = E D/(2 sigma), beam theory: 207 GPa, 0.508 m, 67.5 MPa: 778.933 m; 67.5 = 0.15 x 450.
    assert elastic_bend_radius_m(a_pipe(), 67.5e6) == pytest.approx(778.933, rel=1e-6)
    advice = lay_advice(a_pipe(), a_sea(), [50.0])
    assert advice.bending_radius_m == pytest.approx(778.933, rel=1e-6)
    assert advice.warnings(1500.0) == ()
    (warning,) = advice.warnings(700.0)
    assert "min_bend_radius_m = 700 m" in warning and "779 m" in warning and "bending" in warning


def test_lay_radius_warning_names_friction_where_it_decides():
    advice = lay_advice(a_pipe(residual_tension_kN=1500.0), a_sea(), [50.0])
    assert "friction" in advice.warnings(1000.0)[0]


def test_no_catenary_without_tension():
    advice = lay_advice(a_pipe(residual_tension_kN=0.0), a_sea(), [50.0, 100.0])
    assert all(len(column) == 0 for column in advice.catenary.values())
