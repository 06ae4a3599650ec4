"""The profile as the pipe meets it."""

from __future__ import annotations

import numpy as np
import pytest

from corridor.pipe.ground import CrossedAsset, prepare, running_mean

from .pipe_reference import a_pipe, a_sea

X = np.arange(0.0, 301.0)


def ground(depth, x=X, cell=1.0, crossings=(), sea=None, **settings):
    return prepare(x, depth, cell, a_pipe(**settings), sea or a_sea(seabed_response="rigid"), crossings)


def inside(prepared):
    return prepared.z[prepared.inside]


def test_running_mean_keeps_a_slope_and_halves_by_width():
    line = np.linspace(0, 10, 51)
    np.testing.assert_allclose(running_mean(line, 5.0), line, atol=1e-12)
    spike = np.zeros(51)
    spike[25] = 1.0
    np.testing.assert_allclose(running_mean(spike, 5.0)[22:29], [0, 0.2, 0.2, 0.2, 0.2, 0.2, 0])
    # A stretch of 4 nodes: the two outermost count half.
    np.testing.assert_allclose(running_mean(spike, 4.0)[22:29], [0, 0.125, 0.25, 0.25, 0.25, 0.125, 0])
    assert running_mean(spike, 1.0) is spike


def test_without_smoothing_the_stations_keep_their_depths():
    depth = 80 + np.sin(X / 7)
    prepared = ground(depth, span_smoothing_m=0.0)
    np.testing.assert_allclose(inside(prepared), -depth)
    assert prepared.station_m(prepared.inside.start) == pytest.approx(0.0)
    assert prepared.node(37.0) == prepared.inside.start + 37


def test_coarse_stations_are_cut_into_elements():
    prepared = ground(np.full(61, 80.0), x=np.arange(0.0, 305.0, 5.0))
    assert prepared.every == 5 and prepared.h == pytest.approx(1.0)
    soft = ground(
        np.full(61, 80.0), x=np.arange(0.0, 305.0, 5.0), sea=a_sea(soil_stiffness_static_kN_m2=5000.0)
    )
    assert soft.h < 0.6  # (k/4EI)^¼ h <= 0.15


def test_short_holes_are_bridged_and_long_ones_marked():
    depth = np.full(301, 80.0)
    depth[50:55] = np.nan
    depth[100:140] = np.nan
    depth[295:] = np.nan
    depth[150:] += 3
    prepared = ground(depth, hole_bridge_m=10.0, span_smoothing_m=0.0)
    hole = prepared.hole[prepared.inside]
    assert not hole[:100].any() and hole[100:140].all() and not hole[140:295].any() and hole[295:].all()
    assert np.isfinite(prepared.z).all()


@pytest.mark.parametrize(
    ("asset", "height"),
    [
        (CrossedAsset("a", 150.0, 0.6), 0.9),
        (CrossedAsset("a", 150.0, 0.6, cover_m=0.1), 0.2),
        (CrossedAsset("a", 150.0, 0.6, cover_m=0.3), 0.0),
        (CrossedAsset("a", 150.0, 0.1, cover_m=1.5, separation_m=0.5), 0.0),
    ],
)
def test_crossed_assets_are_humps(asset, height):
    prepared = ground(np.full(301, 80.0), crossings=(asset,))
    assert inside(prepared).max() + 80 == pytest.approx(height)
    if height:
        hump = inside(prepared) + 80
        assert np.argmax(hump) in (149, 150, 151)
        np.testing.assert_allclose(hump[149:152], height)  # 3 m of crest
        assert hump[152] == pytest.approx(max(height - 0.5 / 1.5, 0.0))  # falling 1 : 1.5


def test_cell_sizes_go_with_their_stations():
    cell = np.where(X < 150, 1.0, 20.0)
    prepared = ground(np.full(301, 80.0), cell=cell)
    np.testing.assert_array_equal(prepared.cell_m[prepared.inside], cell)
