"""Scalar potential at the surface of the conductors of a solution."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from .errors import SolverError
from .fields.near import scalar_potential, slope_coefficients
from .moments.basis import ComplexArray, FloatArray, IntArray
from .moments.quadrature import gauss
from .solution import Solution

if TYPE_CHECKING:
    from ..geometry import Wire

END_RADII = 25.0
"""Length over which the potential of an open end is the mean, never more than a quarter of the
straight stretch that ends there. [radii]"""

END_NODES = 6


def surface_potential(
    solution: Solution, elements: IntArray, xi: FloatArray, *, power: float
) -> ComplexArray:
    """Potential at the conductor's surface at places (element, xi), relative to infinity, (S,). [V]

    RMS, in the Lorenz gauge, of the charges on all wires and on contacts to the earth, with the
    earth's response; the mean around the conductor. A jacket takes its part of it off, as it does
    in the matrix. What timber and sheets add is left out.

    Parameters
    ----------
    elements : (S,) int
    xi : (S,) float
        -1 to 1.
    power : float
        Watts put into the driven feeds. [W]
    """
    if not solution.is_scalar:
        raise SolverError(
            f"The potential belongs to one frequency and this solution has {len(solution)}: take "
            "one of them first, solution[0]."
        )
    mesh, scene = solution.mesh, solution.scene
    frequency = float(solution.frequencies[0])
    currents = solution.currents(power=power)
    middle, half = 0.5 * (mesh.start + mesh.end), 0.5 * (mesh.end - mesh.start)
    found = scalar_potential(
        currents,
        frequency,
        middle[elements] + xi[:, None] * half[elements],
        earth=scene.earth,
        contacts=solution.contact_charges(power=power),
    )
    added = solution.system.slope_impedance(frequency)
    if added is not None:
        slopes = slope_coefficients(currents)[elements]
        legendre = np.polynomial.legendre.legvander(xi, slopes.shape[1] - 1)
        found = found - added[elements] * (slopes * legendre).sum(axis=1)
    return found


def end_reach(wire: Wire, *, is_last: bool) -> float:
    """Length over which the potential of an open end is the mean. [m]"""
    stretch = np.diff(wire.vertex_distances)[-1 if is_last else 0]
    return min(END_RADII * wire.radius, 0.25 * float(stretch))


def end_potentials(
    solution: Solution, ends: Sequence[tuple[int, bool]], *, power: float
) -> ComplexArray:
    """Potentials of open ends of wires, (number of the wire, whether its last end), (N,). [V]

    The mean over the last `END_RADII`: Galerkin's equations hold in the mean, and at the very tip
    the polynomial charge is too small.
    """
    if not ends:
        return np.zeros(0, dtype=np.complex128)
    nodes, weights = gauss(END_NODES)
    elements, places = [], []
    for number, is_last in ends:
        wire = solution.scene.wires[number]
        reach = end_reach(wire, is_last=is_last)
        for part in 0.5 * reach * (1.0 + nodes):
            at = wire.length - float(part) if is_last else float(part)
            element, xi, _ = solution.mesh.locate(number, at)
            elements.append(element)
            places.append(xi)
    found = surface_potential(solution, np.array(elements), np.array(places), power=power)
    return 0.5 * found.reshape(len(ends), END_NODES) @ weights
