r"""Radiated power of many currents on the same elements: one matrix of radiation vectors.

Every Legendre polynomial on every element has its N_theta and N_phi in each direction of a grid,
made once; the power of any currents between two elevations is then a product with their
coefficients.  Solids add N_p of their polarisation, cell by cell.  As in `far`, the power is
|N_w|^2 + 2 Re(N_w* . N_p): what the polarisation would radiate alone is left out, since the
matrix has none of the solids on each other either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from ..errors import SolverError
from ..moments.basis import ComplexArray, FloatArray
from .far import COARSE, FarField, Spare, cut_orders
from .kernels import mean_phases, order_vectors

if TYPE_CHECKING:
    from ..surround.cells import Cells

DIRECTIONS_AT_ONCE = 512


@dataclass(frozen=True, eq=False)
class PowerByAngle:
    """Powers between elevations, for many currents on the elements of one antenna.

    Attributes
    ----------
    sketch : FarField
        Of currents on the same elements, with the polarisation of all solids: for the grid.
    edges : tuple of float
        Rising elevations that part the angles. [degree]
    sine, azimuth, weight : (D,) float
        Directions, by part. [1, rad, sr]
    part : (D,) int
        Between which edges.
    theta, phi : (D, E Q) complex
        N_theta and N_phi of the wires' polynomials. [m]
    """

    sketch: FarField
    edges: tuple[float, ...]
    sine: FloatArray
    azimuth: FloatArray
    weight: FloatArray
    part: np.ndarray
    theta: ComplexArray
    phi: ComplexArray

    @classmethod
    def of(cls, sketch: FarField, edges: Sequence[float], *, spare: Spare = COARSE) -> PowerByAngle:
        """Directions, and what each polynomial radiates there.

        Parameters
        ----------
        sketch : FarField
        edges : sequence of float
            Rising elevations, two or more. [degree]
        spare : Spare
            How fine the grid is.
        """
        sines = np.sin(np.deg2rad(np.asarray(edges, dtype=float)))
        if sines.size < 2 or not np.all(np.diff(sines) > 0.0):
            raise SolverError(
                f"elevations {list(edges)} must be two or more, rising, -90 to 90 degrees."
            )
        grids = [sketch.directions(a, b, spare) for a, b in pairwise(sines)]
        sine, azimuth, weight = (np.concatenate([grid[k] for grid in grids]) for k in range(3))
        part = np.repeat(np.arange(len(grids)), [grid[0].size for grid in grids])
        vertical, horizontal = (
            np.broadcast_to(np.asarray(r, dtype=complex), sine.shape).copy()
            for r in sketch.reflection(sine)
        )
        orders = cut_orders(sketch.currents, sketch.wavenumber)
        theta = np.zeros((sine.size, sketch.currents.current.size), dtype=np.complex128)
        phi = np.zeros_like(theta)
        order_vectors(
            sine, azimuth, vertical, horizontal, sketch.earth is not None, sketch.wavenumber,
            *orders, theta, phi,
        )  # fmt: skip
        return cls(sketch, tuple(edges), sine, azimuth, weight, part, theta, phi)

    def powers(
        self,
        currents: ComplexArray,
        *,
        cells: Cells | None = None,
        moments: ComplexArray | None = None,
    ) -> FloatArray:
        """Watts between neighbouring edges, shape (V, edges - 1).

        Parameters
        ----------
        currents : (V, E, Q) complex
            Legendre coefficients. [A]
        cells : Cells, optional
            Of the solids.
        moments : (C, 3, V) complex, optional
            Their polarisation current times volume. [A m]
        """
        flat = currents.reshape(currents.shape[0], -1).T
        theta, phi = self.theta @ flat, self.phi @ flat
        power = np.abs(theta) ** 2 + np.abs(phi) ** 2
        if cells is not None and moments is not None:
            points, first = cells.samples()
            sideways = np.ascontiguousarray(moments.transpose(2, 1, 0)).reshape(-1, len(cells))

            for low in range(0, self.sine.size, DIRECTIONS_AT_ONCE):
                at = slice(low, low + DIRECTIONS_AT_ONCE)

                def solids(ways: FloatArray) -> ComplexArray:
                    phases = mean_phases(ways, self.sketch.wavenumber, points, first)
                    vector = (sideways @ phases.T).reshape(-1, 3, ways.shape[0])
                    return vector.transpose(0, 2, 1)

                own = self.sketch.projected(solids, self.sine[at], self.azimuth[at])
                for wires, more in zip((theta, phi), own, strict=True):
                    power[at] += 2.0 * (wires[at].conj() * more.T).real
        weighted = self.sketch.unit * self.weight[:, None] * power
        n_parts = len(self.edges) - 1
        return np.stack([weighted[self.part == k].sum(axis=0) for k in range(n_parts)], axis=1)
