"""The laid pipe against closed forms of beam theory, within 0.5 % at 0.5 m spacing.

Unless said: EI = 3e8 N m², q = 1000 N/m. At lift-off from a flat rigid bed
w = w' = w'' = 0; the forms below follow from that and from EI w'''' = -q. They were
derived for this project and confirmed numerically by others before (closed forms,
not our output).
"""

from __future__ import annotations

import numpy as np
import pytest

from corridor.kernels.onbottom import factor, moments, substitute
from corridor.pipe.onbottom import Beam, lay
from corridor.pipe.spans import find_spans

EI, Q, H = 3e8, 1000.0, 0.5
X = np.arange(-500, 500 + H / 2, H)
MIDDLE = len(X) // 2


def laid(z, beam=Beam(EI, Q)):  # noqa: B008  frozen
    result = lay(z, H, beam)
    spans, _ = find_spans(result, slice(200, len(z) - 200), least_length_m=5.0)
    return result, spans


@pytest.mark.parametrize("height", [0.1, 0.3, 0.5, 1.0])
def test_point_obstruction_without_tension(height):
    # L = (72 EI h/q)^¼, R = 4qL/3, crest M = -qL²/6, sag M = qL²/18 at L/3 from the far lift-off.
    length = (72 * EI * height / Q) ** 0.25
    result, spans = laid(np.where(np.abs(X) < 1e-9, height, 0.0))
    assert spans.length_m == pytest.approx([length, length], rel=5e-3)
    assert result.reaction[MIDDLE] == pytest.approx(4 * Q * length / 3, rel=5e-3)
    assert spans.moment_right_Nm[0] == pytest.approx(-Q * length**2 / 6, rel=5e-3)
    assert spans.moment_span_Nm == pytest.approx([Q * length**2 / 18] * 2, rel=5e-3)
    sag_at = X[MIDDLE + np.argmax(result.moment[MIDDLE:])]
    assert length - sag_at == pytest.approx(length / 3, abs=H)


def test_the_numbers_of_the_table():
    result, spans = laid(np.where(np.abs(X) < 1e-9, 0.5, 0.0))
    assert spans.length_m[0] == pytest.approx(57.3266, rel=5e-3)
    assert result.reaction[MIDDLE] == pytest.approx(76435.4, rel=5e-3)
    assert result.moment.min() == pytest.approx(-547722.6, rel=5e-3)
    assert result.moment.max() == pytest.approx(182574, rel=5e-3)


def test_point_obstruction_with_tension():
    # Crest M = -sqrt(2 q EI h) whatever the tension; the length solves w(L) = h.
    beam = Beam(3.4259e8, Q, 1e6)
    result, spans = laid(np.where(np.abs(X) < 1e-9, 0.5, 0.0), beam)
    assert spans.length_m == pytest.approx([64.573, 64.573], rel=5e-3)
    assert result.reaction[MIDDLE] == pytest.approx(98188, rel=5e-3)
    assert result.moment.min() == pytest.approx(-585312, rel=5e-3)
    assert result.moment.min() == pytest.approx(-np.sqrt(2 * Q * 3.4259e8 * 0.5), rel=5e-3)


def test_step():
    # b/L = sqrt3 - 1; L = [24 EI H/((2 sqrt3 - 3) q)]^¼; edge R = (3 + sqrt3) qL/4, M = -(2 - sqrt3) qL²/2.
    result, spans = laid(np.where(X <= 0, 2.0, 0.0))
    assert spans.length_m == pytest.approx([54.636, 74.634], rel=5e-3)
    assert result.reaction[MIDDLE] == pytest.approx(88293, rel=5e-3)
    assert result.moment.min() == pytest.approx(-746272, rel=5e-3)


def test_trench_that_is_not_touched():
    # b/L = 2 cos 40° - 1; edge M = -(b/L)² qL²/4; mid M and sag as in the checks; L = 60 m.
    result, spans = laid(np.where(np.abs(X) < 30 - 1e-9, -5.0, 0.0))
    assert spans.length_m == pytest.approx([31.925, 60.0, 31.925], rel=5e-3)
    assert -result.w[MIDDLE] == pytest.approx(0.180290, rel=5e-3)
    assert spans.moment_left_Nm[1] == pytest.approx(-254807, rel=5e-3)
    assert result.moment[MIDDLE] == pytest.approx(195193, rel=5e-3)


@pytest.mark.parametrize(
    ("tension", "sag", "end", "middle"),
    [(0.0, 0.1125, 300000.0, 150000.0), (5e5, 0.0978485, 273727.0, 127348.0)],
)
def test_clamped_span_with_tension(tension, sag, end, middle):
    # S. Timoshenko, Strength of Materials part II (beam columns): L = 60 m, both ends clamped.
    nodes = 121
    result = np.zeros((nodes, 2))
    pivot, gain = np.empty((nodes, 3)), np.empty((nodes, 4))
    pull = np.full(nodes - 1, tension)
    assert factor(1, nodes - 1, np.zeros(nodes), EI / H**3, pull, H, pivot, gain) == -1
    result[1:-1, 0] = -Q * H
    substitute(1, nodes - 1, pivot, gain, result)
    assert -result[nodes // 2, 0] == pytest.approx(sag, rel=5e-3)
    moment = _moments(result, pull)
    assert -moment[0] == pytest.approx(end, rel=5e-3)
    assert -moment[-1] == pytest.approx(end, rel=5e-3)
    assert moment[nodes // 2] == pytest.approx(middle, rel=5e-3)


def _moments(x, pull):
    moment = np.empty(len(x))
    moments(Q, EI / H**3, pull, H, x, moment)
    return moment


@pytest.mark.parametrize(("tension", "y0", "M0"), [(0.0, 8.49522e-5, 1471.4), (5e5, 8.43457e-5, 1460.9)])
def test_point_load_on_elastic_foundation(tension, y0, M0):
    # M. Hetenyi, Beams on Elastic Foundation (1946): k = 1e6 N/m², P = 1000 N, two-sided foundation.
    nodes, k = 401, 1e6
    x = np.zeros((nodes, 2))
    pivot, gain = np.empty((nodes, 3)), np.empty((nodes, 4))
    pull = np.full(nodes - 1, tension)
    assert factor(0, nodes, np.full(nodes, k * H), EI / H**3, pull, H, pivot, gain) == -1
    x[nodes // 2, 0] = -1000.0
    substitute(0, nodes, pivot, gain, x)
    assert -x[nodes // 2, 0] == pytest.approx(y0, rel=5e-3)
    moment = np.empty(nodes)
    moments(0.0, EI / H**3, pull, H, x, moment)
    assert moment[nodes // 2] == pytest.approx(M0, rel=5e-3)


@pytest.mark.parametrize(
    ("beta", "in_span", "anywhere"),
    [(3, 0.0906, 0.09059), (4, 0.0678, 0.06876), (5, 0.0692, 0.07325), (6, 0.0756, 0.07695)],
)
def test_largest_moment_of_a_span_on_elastic_shoulders(beta, in_span, anywhere):
    # Span between semi-infinite Winkler shoulders, beta = log10(k L⁴/EI): exact column of the
    # checks for the span itself; just inside the shoulder the moment goes on rising. Both from
    # four constants of EI w = -q and EI w + k w = -q matched at the edge.
    length, h = 40.0, 0.05
    k = 10**beta * EI / length**4
    nodes = 3201
    x = (np.arange(nodes) - nodes // 2) * h
    spring = np.where(np.abs(x) >= length / 2 - 1e-9, k * h, 0.0)
    spring[np.isclose(np.abs(x), length / 2)] /= 2
    shape = np.zeros((nodes, 2))
    shape[:, 0] = -Q * h
    pivot, gain = np.empty((nodes, 3)), np.empty((nodes, 4))
    pull = np.zeros(nodes - 1)
    assert factor(0, nodes, spring, EI / h**3, pull, h, pivot, gain) == -1
    substitute(0, nodes, pivot, gain, shape)
    moment = np.empty(nodes)
    moments(Q, EI / h**3, pull, h, shape, moment)
    size = np.abs(moment) / (Q * length**2)
    assert size[np.abs(x) <= length / 2 + 1e-9].max() == pytest.approx(in_span, rel=5e-3)
    assert size.max() == pytest.approx(anywhere, rel=5e-3)


def test_elastic_bed_of_even_depth_is_penetrated_evenly():
    result = lay(np.full(1001, -300.0), 1.0, Beam(EI, Q, 2e5, 3e5))
    assert result.w[200:-200] == pytest.approx(np.full(601, -300 - Q / 3e5), abs=1e-6)
    assert result.touching.all()
