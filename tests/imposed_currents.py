"""Currents given by a formula, as elements with Legendre coefficients, and their exact fields."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.constants import epsilon_0, mu_0

from ridgepole.solver.moments.basis import ElementCurrents

ETA = np.sqrt(mu_0 / epsilon_0)


def along(points, current, n_elements=6, degree=9, radius=1e-6):
    """Elements along a polyline whose current is a function of the distance along it [m].

    Elements are deliberately of unequal length; `n_elements` belong to each straight stretch.
    """
    points = np.asarray(points, dtype=float)
    xi, weight = np.polynomial.legendre.leggauss(degree + 8)
    legendre = np.polynomial.legendre.legvander(xi, degree)
    norm = (2 * np.arange(degree + 1) + 1) / 2
    cuts = (np.arange(n_elements + 1) / n_elements) ** 1.2
    starts, ends, rows, walked = [], [], [], 0.0
    for first, last in pairwise(points):
        length = np.linalg.norm(last - first)
        for low, high in pairwise(cuts):
            starts.append(first + low * (last - first))
            ends.append(first + high * (last - first))
            s = walked + length * (low + (high - low) * 0.5 * (xi + 1.0))
            rows.append(norm * (legendre.T @ (weight * current(s))))
        walked += length
    return ElementCurrents(
        np.array(starts),
        np.array(ends),
        np.full(len(starts), radius),
        np.array(rows, dtype=complex),
    )


def closed_dipole(points, length, k):
    """E and H of a sinusoidal filament on the z axis: three spherical waves.

    C. A. Balanis, "Antenna Theory", ch. 8 (near field of a dipole; from memory).
    """
    h = 0.5 * length
    rho = np.hypot(points[:, 0], points[:, 1])
    z = points[:, 2]
    r, r1, r2 = np.hypot(rho, z), np.hypot(rho, z - h), np.hypot(rho, z + h)
    w, w1, w2 = (np.exp(-1j * k * x) for x in (r, r1, r2))
    both = 2 * np.cos(k * h)
    e_z = -1j * ETA / (4 * np.pi) * (w1 / r1 + w2 / r2 - both * w / r)
    e_rho = (
        1j * ETA / (4 * np.pi * rho) * ((z - h) * w1 / r1 + (z + h) * w2 / r2 - z * both * w / r)
    )
    h_phi = 1j / (4 * np.pi * rho) * (w1 + w2 - both * w)
    cos, sin = points[:, 0] / rho, points[:, 1] / rho
    return (
        np.stack([e_rho * cos, e_rho * sin, e_z], axis=1),
        np.stack([-h_phi * sin, h_phi * cos, np.zeros_like(h_phi)], axis=1),
    )
