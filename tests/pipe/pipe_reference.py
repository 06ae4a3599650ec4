"""Slow, readable references and the synthetic sections the pipe's tests share."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sparse

from corridor.model.pipe import Environment, Pipe

# The constructed section of the checks: 508 x 20.6 mm, 40 mm of coating at 3040 kg/m³.
SECTION = {
    "outside_diameter_m": 0.508,
    "wall_thickness_m": 0.0206,
    "residual_tension_kN": 200.0,
    "coating": ({"thickness_m": 0.04, "density_kg_m3": 3040.0},),
    "yield_strength_MPa": 450.0,
}
SEA = {
    "soil_stiffness_static_kN_m2": 300.0,
    "soil_stiffness_dynamic_kN_m2": 3000.0,
    "current_m_s": 0.4,
    "wave_velocity_m_s": 0.1,
}


def a_pipe(**changes) -> Pipe:
    return Pipe(**(SECTION | changes))


def a_sea(**changes) -> Environment:
    return Environment(**(SEA | changes))


def stiffness_matrix(nodes: int, h: float, EI: float, tension: float) -> sparse.csc_matrix:
    """Hermite beam with tension in (w, h w'), assembled element by element.

    Element matrices: R. D. Cook et al., *Concepts and Applications of Finite Element
    Analysis* (beam and geometric stiffness; from memory).
    """
    bending = np.array([[12, 6, -12, 6], [6, 4, -6, 2], [-12, -6, 12, -6], [6, 2, -6, 4]])
    pulling = np.array([[36, 3, -36, 3], [3, 4, -3, -1], [-36, -3, 36, -3], [3, -1, -3, 4]])
    return _assembled(nodes, EI / h**3 * bending + tension / (30 * h) * pulling)


def mass_matrix(nodes: int, h: float, mass: float) -> sparse.csc_matrix:
    """Consistent mass of the same elements."""
    unit = np.array([[156, 22, 54, -13], [22, 4, 13, -3], [54, 13, 156, -22], [-13, -3, -22, 4]])
    return _assembled(nodes, mass * h / 420 * unit)


def _assembled(nodes: int, element: np.ndarray) -> sparse.csc_matrix:
    """The same 4 x 4 element between every two nodes; entries at one place add up."""
    first = 2 * np.arange(nodes - 1)[:, None, None]
    rows, columns = np.broadcast_arrays(first + np.arange(4)[:, None], first + np.arange(4))
    values = np.broadcast_to(element, rows.shape)
    entries = values.ravel(), (rows.ravel(), columns.ravel())
    return sparse.coo_matrix(entries, shape=(2 * nodes, 2 * nodes)).tocsc()


def weight_vector(nodes: int, h: float, weight: float) -> np.ndarray:
    """Consistent nodal loads of an even weight, downwards."""
    load = np.zeros(2 * nodes)
    for i in range(nodes - 1):
        load[2 * i : 2 * i + 4] -= weight * h * np.array([1 / 2, 1 / 12, 1 / 2, -1 / 12])
    return load


def fractal(nodes: int, h: float, random: np.random.Generator, height: float, steepness: float) -> np.ndarray:
    """Random profile with a power-law spectrum; `height` is its standard deviation."""
    frequency = np.fft.rfftfreq(nodes, h)
    amplitude = np.zeros(len(frequency))
    amplitude[1:] = frequency[1:] ** -steepness
    z = np.fft.irfft(amplitude * np.exp(2j * np.pi * random.random(len(frequency))), nodes)
    return z / z.std() * height
