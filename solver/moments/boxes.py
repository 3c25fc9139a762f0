"""Smooth functions over a box, by their values at a grid of Chebyshev points."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .basis import FloatArray
from .quadrature import lagrange_weights

THINNEST = 1e-9
"""Half a side of a box that counts as flat. [m]"""

AT_ONCE = 4096
"""Points that are interpolated at once."""


class ChebyshevBox(NamedTuple):
    """A grid of Chebyshev points in the box around some points.

    Attributes
    ----------
    axes : three arrays
        Coordinates of the nodes on each axis. [m]
    """

    axes: tuple[FloatArray, FloatArray, FloatArray]

    @classmethod
    def around(cls, points: FloatArray, count: Callable[[int, float], int]) -> ChebyshevBox:
        """The box that holds points (N, 3). [m]

        Parameters
        ----------
        count : callable
            Nodes wanted on an axis (0, 1, 2) along a side of some half length [m]; a flat side has
            one.
        """
        low, high = points.min(axis=0), points.max(axis=0)
        axes = []
        for a in range(3):
            middle, half = 0.5 * float(low[a] + high[a]), 0.5 * float(high[a] - low[a])
            n = count(a, half) if half > THINNEST else 1
            axes.append(middle + half * np.cos(np.pi * (np.arange(n) + 0.5) / n))
        return cls((axes[0], axes[1], axes[2]))

    @property
    def size(self) -> int:
        """How many nodes there are."""
        return math.prod(axis.size for axis in self.axes)

    @property
    def nodes(self) -> FloatArray:
        """The last axis running fastest, shape (size, 3). [m]"""
        return np.stack(np.meshgrid(*self.axes, indexing="ij"), axis=-1).reshape(-1, 3)

    def weights(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """What the nodes of each axis count at points (N, 3), shapes (N, n). [m]"""
        x, y, z = (lagrange_weights(axis, points[:, a]) for a, axis in enumerate(self.axes))
        return x, y, z

    def at(self, values: NDArray[Any], points: FloatArray) -> NDArray[Any]:
        """Values at points (N, 3) of the box, (N, V), from those at the nodes (size, V)."""
        shaped = values.reshape(*(axis.size for axis in self.axes), -1)
        found = np.empty((points.shape[0], shaped.shape[-1]), dtype=values.dtype)
        for first in range(0, points.shape[0], AT_ONCE):
            some = slice(first, first + AT_ONCE)
            found[some] = np.einsum(
                "pi,pj,pk,ijka->pa", *self.weights(points[some]), shaped, optimize=True
            )
        return found

    def gathered(self, values: NDArray[Any], points: FloatArray) -> NDArray[Any]:
        """Values of points (N, V) handed to the nodes by the same weights, (size, V)."""
        shared = np.einsum("pi,pj,pk,pa->ijka", *self.weights(points), values, optimize=True)
        return shared.reshape(self.size, -1)
