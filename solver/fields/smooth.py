"""Fields that vary slowly over a box, worked out at few points of it and interpolated."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from ..moments.basis import ComplexArray, FloatArray
from ..moments.quadrature import lagrange_weights

MARGIN = 2
"""Nodes more than the rate of convergence asks for, on each axis."""

AT_ONCE = 4096
"""Points that are interpolated at once."""


class SmoothBox(NamedTuple):
    """Chebyshev points of the box around some points.

    Attributes
    ----------
    axes : three arrays
        Coordinates of the nodes on each axis. [m]
    """

    axes: tuple[FloatArray, FloatArray, FloatArray]

    @classmethod
    def around(
        cls, points: FloatArray, *, distance: float, wavenumber: float, error: float
    ) -> SmoothBox:
        """Enough nodes for waves from sources no nearer than `distance` to the box. [m]

        Along a side of half length h the interpolant of a function whose nearest singularity lies
        at the distance d beside it converges like rho^-n, rho = d/h + sqrt((d/h)^2 + 1), and a
        wave takes about kh nodes before it converges at all (Trefethen, "Approximation Theory and
        Approximation Practice", ch. 8; from memory).
        """
        low, high = points.min(axis=0), points.max(axis=0)
        axes = []
        for a in range(3):
            half = 0.5 * float(high[a] - low[a])
            count = 1
            if half > 1e-9:
                ratio = distance / half
                rate = math.log(ratio + math.hypot(ratio, 1.0))
                count = math.ceil(-math.log(error) / rate + wavenumber * half) + MARGIN
            nodes = np.cos(np.pi * (np.arange(count) + 0.5) / count)
            axes.append(0.5 * (low[a] + high[a]) + half * nodes)
        return cls((axes[0], axes[1], axes[2]))

    @property
    def size(self) -> int:
        """How many nodes there are."""
        return math.prod(axis.size for axis in self.axes)

    @property
    def nodes(self) -> FloatArray:
        """Shape (size, 3). [m]"""
        return np.stack(np.meshgrid(*self.axes, indexing="ij"), axis=-1).reshape(-1, 3)

    def at(self, values: ComplexArray, points: FloatArray) -> ComplexArray:
        """Values at points (N, 3) of the box, (N, 3), from those at the nodes (size, 3)."""
        shaped = values.reshape(*(axis.size for axis in self.axes), -1)
        found = np.empty((points.shape[0], shaped.shape[-1]), dtype=np.complex128)
        for first in range(0, points.shape[0], AT_ONCE):
            some = points[first : first + AT_ONCE]
            x, y, z = (lagrange_weights(axis, some[:, a]) for a, axis in enumerate(self.axes))
            found[first : first + AT_ONCE] = np.einsum(
                "pi,pj,pk,ijka->pa", x, y, z, shaped, optimize=True
            )
        return found
