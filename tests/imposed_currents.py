"""Currents given by a formula, as elements with Legendre coefficients."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ridgepole.solver.moments.basis import ElementCurrents


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
