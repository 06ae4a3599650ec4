"""The contact against a general-purpose solver on the same quadratic programme.

Oracle: Clarabel (interior point, Apache-2.0). Rigid: minimise ½ x.K.x - f.x with
w >= z; elastic: one slack per node with the energy ½ ks s², s >= z - w. The
matrices come from the readable assembly in pipe_reference.py, not from the kernels.
"""

from __future__ import annotations

import clarabel
import numpy as np
import pytest
import scipy.sparse as sparse
from scipy.sparse.linalg import spsolve

from corridor.pipe.onbottom import RIGID_N_M2, Beam, lay

from .pipe_reference import fractal, stiffness_matrix, weight_vector

NODES, H, EI, Q, T = 1001, 2.0, 1.94e8, 1752.0, 2e5


def programme(z, soil):
    """Underside (n,) and reactions (n,) by Clarabel; the end nodes on two-sided springs as in `lay`."""
    held = (RIGID_N_M2[-1] if soil is None else soil) * H / 2
    ends = np.zeros(2 * NODES)
    ends[[0, 2 * NODES - 2]] = held
    stiffness = stiffness_matrix(NODES, H, EI, T) + sparse.diags(ends)
    load = weight_vector(NODES, H, Q)
    load[[0, -2]] += held * z[[0, -1]]
    pick = sparse.eye(2 * NODES).tocsc()[::2][1:-1]
    count, scale = NODES - 2, Q * H
    if soil is None:
        matrix, linear, rows, limits = stiffness, -load, -pick, -z[1:-1]
    else:
        matrix = sparse.block_diag([stiffness, sparse.eye(count) * soil * H])
        linear = np.concatenate([-load, np.zeros(count)])
        unit = sparse.eye(count)
        rows = sparse.bmat([[-pick, -unit], [None, -unit]])
        limits = np.concatenate([-z[1:-1], np.zeros(count)])
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.tol_gap_abs = settings.tol_gap_rel = settings.tol_feas = 1e-10
    solution = clarabel.DefaultSolver(
        sparse.triu(matrix).tocsc() / scale,
        linear / scale,
        sparse.csc_matrix(rows),
        limits,
        [clarabel.NonnegativeConeT(len(limits))],
        settings,
    ).solve()
    return np.array(solution.x)[: 2 * NODES : 2], np.array(solution.z)[:count] * scale


@pytest.mark.parametrize("soil", [3e5, None], ids=["elastic", "rigid"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_contact_set_equals_the_quadratic_programmes(soil, seed):
    z = fractal(NODES, H, np.random.default_rng(seed), 0.8, 1.2)
    result = lay(z, H, Beam(EI, Q, T, soil))
    w, reaction = programme(z, soil)
    # An interior point leaves small reactions on free nodes, more of them on a rigid bed.
    theirs = reaction > (0.05 if soil is None else 1e-4) * Q * H
    assert theirs.sum() > 40
    np.testing.assert_array_equal(result.touching[1:-1], theirs)
    assert np.abs(result.w - w).max() < 2e-4


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_contact_set_on_a_rigid_bed_is_proved_optimal(seed):
    # Karush-Kuhn-Tucker: with w = z exactly at our touching nodes, every reaction there is a push and
    # the pipe is nowhere below the seabed elsewhere, so the contact set is the programme's own.
    z = fractal(NODES, H, np.random.default_rng(seed), 0.8, 1.2)
    touching = lay(z, H, Beam(EI, Q, T)).touching
    touching[[0, -1]] = True
    contact = 2 * np.flatnonzero(touching)
    free = np.setdiff1d(np.arange(2 * NODES), contact)
    stiffness, load = stiffness_matrix(NODES, H, EI, T), weight_vector(NODES, H, Q)
    x = np.zeros(2 * NODES)
    x[contact] = z[touching]
    x[free] = spsolve(stiffness[free][:, free], load[free] - stiffness[free][:, contact] @ x[contact])
    push = (stiffness @ x - load)[contact]
    assert (push[1:-1] > 0).all()
    assert (x[::2] - z).min() > -1e-9


def test_reactions_carry_the_weight():
    z = fractal(20_001, 0.5, np.random.default_rng(5), 3.0, 1.2) - 250.0
    for soil in (3e5, None):
        result = lay(z, 0.5, Beam(EI, Q, T, soil))
        assert result.reaction.sum() == pytest.approx(Q * 10_000, rel=1e-4)


def test_rest_is_an_equilibrium_of_the_readable_matrices():
    # Beam forces minus weight must be what the seabed pushes: no reference solver needed.
    z = fractal(NODES, H, np.random.default_rng(9), 0.5, 1.2)
    result = lay(z, H, Beam(EI, Q, T, 3e5))
    x = result.shape.ravel()
    force = stiffness_matrix(NODES, H, EI, T) @ x - weight_vector(NODES, H, Q)
    np.testing.assert_allclose(force[::2], result.reaction, atol=1e-3)
    np.testing.assert_allclose(force[1::2], 0.0, atol=1e-3)
    free = ~result.touching
    assert (result.w[free] >= result.z[free]).all()
