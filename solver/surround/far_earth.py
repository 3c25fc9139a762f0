"""What a real earth reflects onto the cells of solids, interpolated from few points.

High above the ground the reflected field is smooth: it is taken on a grid of Chebyshev points in
the box that holds all cells, and from there by Lagrange interpolation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..earth.kernels import add_reflected_functions
from ..earth.tables import EarthTable
from ..moments.assembly import Elements
from ..moments.basis import ComplexArray, FloatArray, IntArray
from ..moments.boxes import ChebyshevBox
from .cells import Cells
from .placing_kernels import add_turned

ACCURACY = 1e-4
WORTH = 0.6
"""The grid is used where it has fewer points than this part of the number of samples."""


@dataclass(frozen=True, eq=False)
class ObserverGrid:
    """Points at which the reflected field is computed, and the way from them to the cells.

    Attributes
    ----------
    points : (G, 3) float
        [m]
    weights : (C, G) float, single precision, or None
        To the means over the cells' samples; None where the points are the samples themselves.
    """

    points: FloatArray
    weights: NDArray[np.float32] | None


def make_grid(cells: Cells, lowest_source: float) -> ObserverGrid:
    """A grid fine enough for sources down to a height [m], or the cells' samples if that is less.

    Along an axis of half length L, at a distance d from the images of the sources, Chebyshev
    interpolation converges like (d/L + sqrt(1 + (d/L)^2))^-n, upwards as for d/L + 1 on the axis.
    """
    samples, first = cells.samples()
    own = ObserverGrid(samples, None)
    distance = float(samples[:, 2].min()) + lowest_source
    if distance <= 0.0:
        return own

    def count(axis: int, half: float) -> int:
        ratio = distance / half
        rate = np.arccosh(1.0 + ratio) if axis == 2 else np.arcsinh(ratio)
        return min(int(np.ceil(-np.log(ACCURACY) / rate)) + 1, len(samples))

    box = ChebyshevBox.around(samples, count)
    if box.size > WORTH * len(samples):
        return own
    weights = np.einsum("ci,cj,ck->cijk", *box.weights(samples)).reshape(len(samples), -1)
    means = np.add.reduceat(weights, first[:-1], axis=0) / np.diff(first)[:, None]
    return ObserverGrid(np.ascontiguousarray(box.nodes), means.astype(np.float32))


def add_reflected(
    grid: ObserverGrid,
    cells: Cells,
    elements: Elements,
    offset: IntArray,
    node_tables: tuple[IntArray, FloatArray, FloatArray],
    table: EarthTable,
    local: ComplexArray,
    following: ComplexArray,
    combination: Any = None,
) -> None:
    """Add the reflected fields of all functions to those at the cells, in the cells' frames.

    Parameters
    ----------
    local, following : (M, 3 C) and (E or 0, 3 C) complex, added to
        [V/m per A]
    combination : sparse (M, N), optional
        `local` is by global function, (N, 3 C), where this is given.
    """
    n_points, extra = len(grid.points), int(following.shape[0] > 0)
    frames = np.broadcast_to(np.eye(3), (n_points, 3, 3)).copy()
    found = [
        np.zeros((rows, 3 * n_points), dtype=np.complex128)
        for rows in (offset[-1], following.shape[0])
    ]
    add_reflected_functions(
        grid.points, frames, elements.center, elements.half, elements.length, elements.degree,
        extra, offset, *node_tables, *table.field_arguments(), *found,
    )  # fmt: skip
    if combination is not None:
        found[0] = combination.T @ found[0]
    for rows, total in zip(found, (local, following), strict=True):
        if not rows.shape[0]:
            continue
        # real and imaginary parts as rows, for one real product with the weights
        parts = rows.view(np.float64).reshape(-1, n_points, 3, 2).transpose(0, 2, 3, 1)
        if grid.weights is None:
            at_cells = cells.sample_means(parts)
        else:
            # single precision is far better than the interpolation
            flat = parts.astype(np.float32, order="C").reshape(-1, n_points)
            at_cells = (flat @ grid.weights.T).reshape(*parts.shape[:3], -1).astype(float)
        add_turned(np.ascontiguousarray(at_cells), cells.frame, total)
