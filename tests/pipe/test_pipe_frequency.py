"""Natural frequencies against textbook eigenvalues, an exact table and general eigensolvers."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.sparse as sparse
from scipy.linalg import eigh
from scipy.sparse.linalg import eigsh

from corridor.kernels.onbottom_modes import span_frequencies
from corridor.pipe.frequency import direct_frequencies, effective_length_ratio, formula_frequency
from corridor.pipe.onbottom import Beam, lay
from corridor.pipe.section import load_case, section
from corridor.pipe.spans import find_spans

from .pipe_reference import a_pipe, a_sea, fractal, mass_matrix, stiffness_matrix

TUBE = section(a_pipe(), a_sea())
EI = TUBE.bending_stiffness_Nm2
MASS = load_case("operating", a_pipe(operating_density_kg_m3=900.0), a_sea()).effective_kg_m  # 889.319
LENGTH = 40.0
HOLD, FAR = 10**6, 10**6


def frequency(spring, begin, end, margin, h, tension=0.0, lateral=1.0):
    crossflow, inline = np.empty(1), np.empty(1)
    span_frequencies(
        np.array([begin]),
        np.array([end]),
        HOLD,
        np.array([margin]),
        spring,
        lateral,
        EI / h**3,
        np.full(len(spring) - 1, tension),
        MASS,
        h,
        crossflow,
        inline,
    )
    return crossflow[0], inline[0]


def test_clamped_span():
    # lambda1 = 4.7300407: W. T. Thomson, Theory of Vibration, app. D; 1.04008 Hz for this section.
    spring = np.full(81, 1e9)
    spring[1:-1] = 0.0
    found, _ = frequency(spring, 0, 80, 0, 0.5)
    assert found == pytest.approx(1.04008, rel=1e-3)
    assert found == pytest.approx(4.7300407**2 / (2 * np.pi) * np.sqrt(EI / MASS) / LENGTH**2, rel=1e-3)


def test_span_clamped_at_one_end_and_pinned_at_the_other():
    # Two equal spans over a point, clamped outside: they move against each other about the point,
    # each with lambda1 = 3.9266023 (Thomson, app. D).
    spring = np.zeros(161)
    spring[[0, 80, 160]] = 1e12
    found, _ = frequency(spring, 0, 80, 80, 0.5)
    assert found == pytest.approx(3.9266023**2 / (2 * np.pi) * np.sqrt(EI / MASS) / LENGTH**2, rel=1e-3)


def test_tension_raises_a_clamped_span_as_the_dense_matrices_say():
    spring = np.zeros(81)
    found, _ = frequency(spring, 0, 80, 0, 0.5, tension=1e6)
    stiffness = stiffness_matrix(81, 0.5, EI, 1e6).toarray()[2:-2, 2:-2]
    mass = mass_matrix(81, 0.5, MASS).toarray()[2:-2, 2:-2]
    assert found == pytest.approx(np.sqrt(eigh(stiffness, mass)[0][0]) / (2 * np.pi), rel=1e-6)


@pytest.mark.parametrize(
    ("beta", "exact"), [(2, 2.0708), (3, 1.5537), (4, 1.2953), (5, 1.1618), (6, 1.0900), (8, 1.0283)]
)
def test_span_on_elastic_shoulders(beta, exact):
    # L_eff/L, exact, of a span between semi-infinite elastic shoulders whose mass moves too; beta =
    # log10(K L⁴/EI). Solved independently (table of the checks). At 0.5 m; 8 is stiffer than 0.5 m shows.
    h = 0.5 if beta < 8 else 0.05
    shoulder = round(150 / h) if beta < 8 else round(20 / h)
    span = round(LENGTH / h)
    spring = np.full(2 * shoulder + span + 1, 10**beta * EI / LENGTH**4 * h)
    spring[shoulder + 1 : shoulder + span] = 0.0
    spring[[shoulder, shoulder + span]] /= 2
    found, _ = frequency(spring, shoulder, shoulder + span, FAR, h)
    clamped = 4.7300407**2 / (2 * np.pi) * np.sqrt(EI / MASS) / LENGTH**2
    assert np.sqrt(clamped / found) == pytest.approx(exact, rel=2e-3)  # a frequency within 0.4 %


@pytest.mark.parametrize(
    ("beta", "fitted"), [(2, 2.0008), (3, 1.5278), (4, 1.2945), (5, 1.1593), (6, 1.0814), (8, 1.0359)]
)
def test_fitted_effective_length(beta, fitted):
    # DNV-RP-F105's fit, from memory; the column "fitted formula" of the checks.
    ratio = effective_length_ratio(10**beta * EI / LENGTH**4, np.array([LENGTH]), EI)
    assert ratio == pytest.approx([fitted], abs=5e-5)


def test_formula_on_a_stiff_bed_is_close_to_the_clamped_span():
    # 3.56 stands for 4.73²/(2 pi) = 3.5608 of the clamped beam; at beta = 8 the fit is 3.6 % long.
    found = formula_frequency(
        np.array([LENGTH]),
        soil_dynamic_N_m2=1e8 * EI / LENGTH**4,
        stiffness_Nm2=EI,
        mass_kg_m=MASS,
        axial_force_N=0.0,
    )
    assert found == pytest.approx([1.04008 * 3.56 / 3.5608 / 1.0359**2], rel=1e-3)


def test_formula_vanishes_where_the_span_buckles():
    found = formula_frequency(
        np.array([LENGTH]), soil_dynamic_N_m2=1e8, stiffness_Nm2=EI, mass_kg_m=MASS, axial_force_N=-1e8
    )
    assert found == pytest.approx([0.0])


@pytest.mark.parametrize("soil", [None, 3e5], ids=["rigid", "elastic"])
def test_rough_ground_against_arpack(soil):
    # Oracle: ARPACK (scipy) on the readable matrices in a wider window, same choice of mode.
    h, nodes = 1.0, 1401
    laid = lay(fractal(nodes, h, np.random.default_rng(4), 0.8, 1.2), h, Beam(EI, 1752.0, 2e5, soil))
    spans, contact = find_spans(laid, slice(300, nodes - 300), 15.0, 0.05)
    crossflow, inline = direct_frequencies(laid, spans, contact, 3e6, 0.75, EI, MASS)
    assert len(spans) > 8
    stiffness, mass = stiffness_matrix(nodes, h, EI, 2e5), mass_matrix(nodes, h, MASS)
    for s in range(len(spans)):
        window = slice(int(spans.begin[s]) - 250, int(spans.end[s]) + 251)
        for ratio, found in ((1.0, crossflow[s]), (0.75, inline[s])):
            foundation = np.zeros(2 * nodes)
            foundation[::2] = 3e6 * ratio * contact
            exact = by_arpack(stiffness + sparse.diags(foundation), mass, window, 250)
            assert found == pytest.approx(exact, rel=0.02)


def by_arpack(stiffness, mass, window, margin):
    inner = slice(2 * window.start + 2, 2 * window.stop - 2)  # the window's first and last node clamped
    squares, shapes = eigsh(stiffness.tocsc()[inner, inner], 24, mass[inner, inner], sigma=0.0)
    lift = np.abs(shapes[::2])
    inside = lift[margin:-margin]  # row 0 is the window's second node
    own = inside.max(axis=0) > 0.5 * lift.max(axis=0)
    return np.sqrt(squares[own].min()) / (2 * np.pi)
