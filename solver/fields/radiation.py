r"""Radiated power of many currents on the same elements: one matrix of radiation vectors.

Every Legendre polynomial on every element has its N_theta and N_phi in each direction of a grid,
made once; the power of any currents between two elevations is then a product with their
coefficients.  Solids add N_p of their polarisation, cell by cell.  As in `far`, the power is
|N_w|^2 + 2 Re(N_w* . N_p): what the polarisation would radiate alone is left out, since the
matrix has none of the solids on each other either.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import SolverError
from ..moments.basis import ComplexArray, FloatArray
from .far import CLOSE, COARSE, FarField, PieceOrders, Spare, cut_orders
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
        grids = _grids(sketch, edges, spare)
        sine, azimuth, weight = (np.concatenate([grid[k] for grid in grids]) for k in range(3))
        part = np.repeat(np.arange(len(grids)), [grid[0].size for grid in grids])
        orders = cut_orders(sketch.currents, sketch.wavenumber)
        theta, phi = _of_orders(sketch, orders, sine, azimuth)
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
            sideways = _by_cell(moments)
            for low in range(0, self.sine.size, DIRECTIONS_AT_ONCE):
                at = slice(low, low + DIRECTIONS_AT_ONCE)
                own = _of_cells(self.sketch, cells, sideways, self.sine[at], self.azimuth[at])
                for wires, more in zip((theta, phi), own, strict=True):
                    power[at] += 2.0 * (wires[at].conj() * more).real
        weighted = self.sketch.unit * self.weight[:, None] * power
        n_parts = len(self.edges) - 1
        return np.stack([weighted[self.part == k].sum(axis=0) for k in range(n_parts)], axis=1)


def _grids(
    sketch: FarField, edges: Sequence[float], spare: Spare
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Directions between each two of some elevations, see `FarField.directions`."""
    sines = np.sin(np.deg2rad(np.asarray(edges, dtype=float)))
    if sines.size < 2 or not np.all(np.diff(sines) > 0.0):
        raise SolverError(
            f"elevations {list(edges)} must be two or more, rising, -90 to 90 degrees."
        )
    return [sketch.directions(a, b, spare) for a, b in pairwise(sines)]


def _of_orders(
    sketch: FarField, orders: PieceOrders, sine: FloatArray, azimuth: FloatArray
) -> tuple[ComplexArray, ComplexArray]:
    """N_theta and N_phi of each polynomial on each element, (D, E Q). [m]"""
    vertical, horizontal = (
        np.broadcast_to(np.asarray(r, dtype=complex), sine.shape).copy()
        for r in sketch.reflection(sine)
    )
    theta = np.zeros((sine.size, sketch.currents.current.size), dtype=np.complex128)
    phi = np.zeros_like(theta)
    order_vectors(
        sine, azimuth, vertical, horizontal, sketch.earth is not None, sketch.wavenumber,
        *orders, theta, phi,
    )  # fmt: skip
    return theta, phi


def _by_cell(moments: ComplexArray) -> ComplexArray:
    """Moments (C, 3, V) as rows (3 V, C)."""
    return np.ascontiguousarray(moments.transpose(2, 1, 0)).reshape(-1, moments.shape[0])


def _of_cells(
    sketch: FarField, cells: Cells, sideways: NDArray[Any], sine: FloatArray, azimuth: FloatArray
) -> tuple[ComplexArray, ComplexArray]:
    """N_theta and N_phi of the solids, (D, V), for moments as `_by_cell` gives them. [A m]"""
    points, first = cells.samples()

    def solids(ways: FloatArray) -> ComplexArray:
        phases = mean_phases(ways, sketch.wavenumber, points, first).astype(sideways.dtype)
        return (sideways @ phases.T).reshape(-1, 3, ways.shape[0]).transpose(0, 2, 1)

    theta, phi = sketch.projected(solids, sine, azimuth)
    return theta.T, phi.T


OfUnknowns = Callable[[ComplexArray], ComplexArray]
"""From values by Legendre polynomial and element (D, E Q) to values by unknown (D, V)."""


def angle_forms(
    sketch: FarField,
    edges: Sequence[float],
    of_unknowns: OfUnknowns,
    *,
    cells: Cells | None = None,
    moments: ComplexArray | None = None,
    spare: Spare = CLOSE,
) -> ComplexArray:
    """Watts between neighbouring elevations as Hermitian forms of unknowns, (edges - 1, V, V).

    Parameters
    ----------
    sketch : FarField
        On the same elements, with the polarisation of all solids: for the grid of directions.
    edges : sequence of float
        Rising elevations, two or more. [degree]
    of_unknowns : callable
    cells : Cells, optional
        Of the solids.
    moments : (C, 3, V) complex, optional
        Their polarisation current times volume for each unknown. [A m]
    spare : Spare
        How fine the grid is.
    """
    orders = cut_orders(sketch.currents, sketch.wavenumber)
    # single precision of what the solids add is 1e-9 of the whole
    sideways = None if moments is None else _by_cell(moments).astype(np.complex64)
    forms: list[ComplexArray] = []
    for sine, azimuth, weight in _grids(sketch, edges, spare):
        total: Any = 0.0
        for low in range(0, sine.size, DIRECTIONS_AT_ONCE):
            at = slice(low, low + DIRECTIONS_AT_ONCE)
            wires = [of_unknowns(n) for n in _of_orders(sketch, orders, sine[at], azimuth[at])]
            both: Sequence[ComplexArray] = wires
            if cells is not None and sideways is not None:
                solids = _of_cells(sketch, cells, sideways, sine[at], azimuth[at])
                both = [n + 2.0 * more for n, more in zip(wires, solids, strict=True)]
            for own, whole in zip(wires, both, strict=True):
                total = total + (own.conj().T * weight[at]) @ whole
        forms.append(0.5 * sketch.unit * (total + total.conj().T))
    return np.stack(forms)


def direction_forms(
    sketch: FarField,
    directions_deg: Sequence[tuple[float, float]],
    of_unknowns: OfUnknowns,
    *,
    cells: Cells | None = None,
    moments: ComplexArray | None = None,
) -> ComplexArray:
    """4 pi times the radiation intensity in some directions as forms of unknowns, (G, V, V).

    Parameters as for `angle_forms`, but for directions (elevation, azimuth). [degree]
    """
    elevation, azimuth = np.deg2rad(np.asarray(directions_deg, dtype=float)).T
    sine = np.sin(elevation)
    orders = cut_orders(sketch.currents, sketch.wavenumber)
    wires = [of_unknowns(n) for n in _of_orders(sketch, orders, sine, azimuth)]
    if cells is not None and moments is not None:
        solids = _of_cells(sketch, cells, _by_cell(moments), sine, azimuth)
        wires = [n + more for n, more in zip(wires, solids, strict=True)]
    total: Any = sum(n.conj()[:, :, None] * n[:, None, :] for n in wires)
    return 4.0 * np.pi * sketch.unit * total
