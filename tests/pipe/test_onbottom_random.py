"""Random seabeds, stiffnesses, weights, tensions and spacings: all settle, or buckle and say so."""

from __future__ import annotations

import numpy as np
import pytest

from corridor.pipe import onbottom
from corridor.pipe.onbottom import Beam, BucklingError, lay

from .pipe_reference import fractal

KINDS = ("fractal", "terraces", "spikes", "cliffs", "flat", "noise")


def random_case(seed):
    random = np.random.default_rng(seed)
    h = float(random.choice([0.25, 0.5, 1.0, 2.0]))
    nodes = int(random.integers(500, 2500))
    kind = KINDS[seed % len(KINDS)]
    z = fractal(nodes, h, random, 10 ** random.uniform(-1, 1.5), random.uniform(1, 1.8))
    if kind == "terraces":
        tread = 10 ** random.uniform(-1, 1)
        z = np.round(z / tread) * tread
    elif kind == "spikes":
        height = 10 ** random.uniform(-1, 1.5)
        z = np.where(random.random(nodes) < 0.01, height * random.random(nodes), 0.0)
    elif kind == "cliffs":
        z = np.cumsum(np.where(random.random(nodes) < 0.003, random.normal(0, 20, nodes), 0.0))
    elif kind == "flat":
        z = np.zeros(nodes)
    elif kind == "noise":
        z = random.normal(0, 10 ** random.uniform(-2, 1), nodes)
    # Steel pipes have EI/q of 1e3 to 2e6 m³ (50 to 1500 mm); this goes well beyond both ends.
    stiffness = 10 ** random.uniform(5, 10)
    beam = Beam(
        bending_stiffness_Nm2=stiffness,
        weight_N_m=max(stiffness / 10 ** random.uniform(2, 7), 1.0),
        tension_N=float(random.choice([0.0, 10 ** random.uniform(3, 7), -(10 ** random.uniform(3, 7))])),
        soil_N_m2=None if random.random() < 0.5 else 10 ** random.uniform(3, 8),
    )
    return z, h, beam


def check(seed) -> bool:
    """Lay one random case; True when it buckled, which only compression may do."""
    z, h, beam = random_case(seed)
    try:
        result = lay(z, h, beam)
    except BucklingError as error:
        assert beam.tension_N < 0, f"seed {seed} buckles without compression: {error}"
        return True
    weight = beam.weight_N_m * h * (len(z) - 1)
    # Metres of noise at every node bend a stiff pipe with millions of tonnes: there rounding counts.
    rounding = 1e-8 * np.abs(result.reaction).max()
    assert result.reaction.sum() == pytest.approx(weight, rel=1e-4, abs=rounding), f"seed {seed}"
    inner = slice(1, -1)
    assert (result.reaction[inner] >= 0).all(), f"seed {seed}: the seabed pulls"
    free = ~result.touching[inner]
    assert (result.w[inner][free] >= result.z[inner][free] - 1e-9).all(), f"seed {seed}: pipe in the ground"
    return False


def test_three_hundred_random_cases_settle():
    buckled = sum(check(seed) for seed in range(300))
    assert 10 < buckled < 100  # A third is under compression, part of it beyond what it can carry.


@pytest.mark.slow
def test_five_thousand_random_cases_settle():
    buckled = sum(check(seed) for seed in range(1000, 6000))
    assert 200 < buckled < 1600


def test_a_node_that_just_touches_may_flip_for_ever() -> None:
    """A reaction of rounding size changes no force; one of a millimetre's compression does (statics)."""
    beam = Beam(1e8, 1000.0, 0.0, 3e5)
    work = onbottom._Work(np.zeros(50), 1.0, beam, np.zeros(49), np.ones(50, dtype=bool))
    work.ks = 3e5
    work.flipped[20] = True
    work.x[20, 0] = 1e-12
    assert work._only_rounding()
    work.x[20, 0] = -1e-3
    assert not work._only_rounding()
