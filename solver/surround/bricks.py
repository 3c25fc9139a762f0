r"""How bricks of a timber act on each other, where a wire comes close.

A field that changes within a timber is met by charges on its faces.  The timber is cut into
bricks; a brick with the polarisation P = eps0 chi E gives, quasi-statically, the mean field
K P/eps0 in every other and in itself, so that the mean fields E of all bricks and e of the wires'
obey

    E = e + K chi E,      P = eps0 chi (1 - K chi)^-1 e.

K is minus the demagnetising tensor of a uniformly polarised prism [1]_, averaged over the brick
that receives it; on itself a cube has -1/3.

References
----------
.. [1] A. J. Newell, W. Williams, D. J. Dunlop, J. Geophys. Res. 98(B6), 1993, tensors of prisms
   (from memory; the point function is computed anew from the potential of charged rectangles).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from ..moments.basis import ComplexArray, FloatArray
from ..moments.quadrature import gauss

AVERAGE_NODES = 4
"""Gauss nodes along each side of the brick that receives a field."""


def prism_field(points: FloatArray, half: FloatArray) -> FloatArray:
    """E of uniform polarisations along x, y, z of a prism about the origin, P/eps0 = 1, (N, 3, 3).

    Last axis the component of the field, middle axis the direction of the polarisation.

    Parameters
    ----------
    points : (N, 3) float
        Off the edges. [m]
    half : (3,) float
        Half sides of the prism. [m]
    """
    tensor = np.zeros((points.shape[0], 3, 3))
    for corner in range(8):
        signs = np.array([1.0 if corner >> a & 1 else -1.0 for a in range(3)])
        # second derivatives of the triple integral of 1/R are elementary at its corners
        x, y, z = (points - signs * half).T
        r = np.sqrt(x * x + y * y + z * z)
        parity = float(signs.prod())
        for a, (u, v, w) in enumerate(((x, y, z), (y, z, x), (z, x, y))):
            b = (a + 1) % 3
            tensor[:, a, a] += parity * np.arctan(v * w / (u * r))
            mixed = parity * np.log(r + w)
            tensor[:, a, b] -= mixed
            tensor[:, b, a] -= mixed
    return tensor / (4.0 * np.pi)


@lru_cache(maxsize=32)
def interaction(sides: tuple[float, float, float], counts: tuple[int, int, int]) -> FloatArray:
    """K of a box of bricks, (3 n, 3 n), brick by brick with three components each, read-only.

    Parameters
    ----------
    sides : three floats
        Of one brick. [m]
    counts : three ints
        Bricks along each axis; numbered with the last axis running fastest.
    """
    half = 0.5 * np.array(sides)
    # the mean over a brick of the field of one at each lag, lags of either sign
    lags = [np.arange(-n + 1, n) for n in counts]
    grid = np.stack(np.meshgrid(*lags, indexing="ij"), axis=-1)
    centers = (grid * np.array(sides)).reshape(-1, 3)
    xi, weight = gauss(AVERAGE_NODES)
    nodes = np.stack(np.meshgrid(xi, xi, xi, indexing="ij"), axis=-1).reshape(-1, 3) * half
    weights = np.einsum("i,j,k->ijk", weight, weight, weight).ravel() / 8.0
    points = (centers[:, None] + nodes).reshape(-1, 3)
    mean = np.einsum(
        "lgab,g->lab", prism_field(points, half).reshape(len(centers), -1, 3, 3), weights
    ).reshape(*grid.shape[:3], 3, 3)
    index = np.stack(np.meshgrid(*(np.arange(n) for n in counts), indexing="ij"), axis=-1)
    index = index.reshape(-1, 3)
    lag = index[:, None] - index[None] + np.array(counts) - 1
    full = mean[lag[..., 0], lag[..., 1], lag[..., 2]]
    size = 3 * len(index)
    matrix = full.transpose(0, 2, 1, 3).reshape(size, size)
    matrix = 0.5 * (matrix + matrix.T)  # averaging over both bricks would be symmetric
    matrix.setflags(write=False)
    return matrix


def response(
    sides: tuple[float, float, float], counts: tuple[int, int, int], susceptibility: ComplexArray
) -> ComplexArray:
    """chi (1 - K chi)^-1 of a box of bricks with chi = ec - 1 along its axes (3,), (3 n, 3 n)."""
    matrix = interaction(sides, counts)
    inverse = np.tile(1.0 / susceptibility, matrix.shape[0] // 3)
    return np.linalg.inv(np.diag(inverse) - matrix)
