r"""The fixed part of a pool at one frequency, eliminated: layouts pay for their moving part alone.

With the unknowns ordered [f | m] and X = Z_ff^-1 Z_fm, one layout's selection of the moving columns
obeys (plain transposes)

    S x_m = s,   S = Z_mm - Z_mf X,   s = b_m - X^T b_f,
    Y = b_f^T Z_ff^-1 b_f + s^T S^-1 s,   x_f = Z_ff^-1 b_f - X x_m.

S and s are worked out once for the whole pool; a layout takes some rows and columns of them.
Watts are Hermitian forms of all unknowns, u^H Q u with u = U [x_m; v], and U^H Q U is worked out
once too: conductors and jackets from their overlaps, solids from their fields, the sky from the
radiation vectors of every column.  What goes into the earth is what is left of the input.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse

from ..fields.far import CLOSE, FarField, Spare
from ..fields.radiation import angle_forms, direction_forms
from ..moments.basis import (
    ComplexArray,
    ElementCurrents,
    FloatArray,
    IntArray,
    PointMoments,
    legendre_of_functions,
    overlap_of_functions,
    overlap_of_slopes,
)
from ..surround.volume import hermitian_product
from .partition_kernels import solve_layouts
from .pool import Pool

REFINEMENTS = 1
"""Steps that correct X, for floating conductors of the fixed part near resonance."""

POWER_STEPS = 12
"""Of the power method that looks for the nearest natural frequency."""

HEAT = ("conductors", "jackets", "timbers")
"""Forms of what is turned to heat, in their order."""


@dataclass(frozen=True, eq=False)
class Partition:
    """A pool at one frequency with its fixed part eliminated.

    Attributes
    ----------
    pool : Pool
    frequency : float
        [Hz]
    schur : (M, M) complex
        S. [ohm]
    sources : (M, P) complex
        s.
    fixed : (P, P) complex
        Admittance of the fixed part alone. [S]
    response : (F, M + P) complex
        Fixed unknowns for each moving unknown, and for 1 V at each port.
    """

    pool: Pool
    frequency: float
    schur: ComplexArray
    sources: ComplexArray
    fixed: ComplexArray
    response: ComplexArray

    @classmethod
    def of(cls, pool: Pool, matrix: ComplexArray, frequency: float) -> Partition:
        """From the pool's matrix at a frequency. [Hz]

        Raises
        ------
        SolverError
            If the fixed part is singular to working precision.
        """
        n = pool.n_fixed
        ports = pool.system.ports.astype(complex)
        right = np.concatenate([matrix[:n, n:], ports[:n]], axis=1)
        if n:
            with pool.system.few_threads():
                own = np.array(matrix[:n, :n], order="C")
                factors = pool.system.factor(own.copy(), frequency)
                solved = linalg.lu_solve(factors, right, check_finite=False)
                for _ in range(REFINEMENTS):
                    left = right - own @ solved
                    solved += linalg.lu_solve(factors, left, check_finite=False)
                reduced = matrix[n:, :n] @ solved
        else:
            solved = np.zeros((0, right.shape[1]), dtype=np.complex128)
            reduced = np.zeros((pool.n_moving, right.shape[1]), dtype=np.complex128)
        m = pool.n_moving
        schur = matrix[n:, n:] - reduced[:, :m]
        response = solved.copy()
        response[:, :m] *= -1.0
        return cls(
            pool,
            frequency,
            0.5 * (schur + schur.T),
            ports[n:] - reduced[:, m:],
            ports[:n].T @ solved[:, m:],
            response,
        )

    def solve(self, forms: ComplexArray | None = None) -> tuple[ComplexArray, ComplexArray]:
        """Admittances (V, P, P) [S] and forms (V, K, P, P) of all layouts.

        Parameters
        ----------
        forms : (K, M + P, M + P) complex, optional
        """
        admittance, values, _ = self._solve(forms, None)
        return admittance, values

    def solve_with_poles(self, scaled_slope: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
        """Admittances (V, P, P) [S] and each layout's nearest natural frequency (V,) [Hz].

        All gaps are shorted.  With W = f Z nearly linear in s = f^2, natural frequencies are where
        s0 - s is s0 over an eigenvalue of W^-1 (dW/ds) s0; the greatest is that of the nearest.

        Parameters
        ----------
        scaled_slope : (N, N) complex
            d(f Z)/df of the pool's matrix. [ohm]
        """
        n, m = self.pool.n_fixed, self.pool.n_moving
        coupling = -self.response[:, :m]
        mixed = coupling.T @ scaled_slope[:n, n:]
        slope = scaled_slope[n:, n:] - mixed - mixed.T
        slope += coupling.T @ (scaled_slope[:n, :n] @ coupling)
        admittance, _, eigenvalue = self._solve(None, 0.5 * slope)
        with np.errstate(divide="ignore", invalid="ignore"):
            natural = self.frequency * np.sqrt(1.0 - 1.0 / eigenvalue)
        return admittance, np.asarray(natural, dtype=np.complex128)

    def _solve(
        self, forms: ComplexArray | None, slope: ComplexArray | None
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        pool, n_ports, size = self.pool, self.sources.shape[1], self.response.shape[1]
        if forms is None:
            forms = np.zeros((0, size, size), dtype=np.complex128)
        if slope is None:
            slope = np.zeros((0, 0), dtype=np.complex128)
        admittance = np.empty((len(pool), n_ports, n_ports), dtype=np.complex128)
        values = np.empty((len(pool), forms.shape[0], n_ports, n_ports), dtype=np.complex128)
        eigenvalue = np.full(len(pool), np.nan, dtype=np.complex128)
        chosen = pool.selections
        solve_layouts(
            chosen.first_function, chosen.first_entry, chosen.column, chosen.weight, self.schur,
            self.sources, self.fixed, np.ascontiguousarray(forms), np.ascontiguousarray(slope),
            POWER_STEPS, admittance, values, eigenvalue,
        )  # fmt: skip
        return admittance, values, eigenvalue

    def _reduced(self, form: sparse.csr_array) -> ComplexArray:
        """U^H Q U of a real symmetric sparse form of the pool's unknowns."""
        n, m, response = self.pool.n_fixed, self.pool.n_moving, self.response
        rows: Any = form.tocsr()
        upper = np.asarray(rows[:n, :n] @ response)
        upper[:, :m] += rows[:n, n:].toarray()
        found = response.conj().T @ upper
        found[:m] += rows[n:, :n] @ response
        found[:m, :m] += rows[n:, n:].toarray()
        return found

    def heat_forms(
        self, means: ComplexArray | None, *, instead: IntArray | None = None
    ) -> ComplexArray:
        """Watts in conductors, jackets and solids for the unknowns, (3, M + P, M + P).

        Parameters
        ----------
        means : (N, 3 C) complex or None
            Of `Volume.means`, the solids' fields by the pool's unknowns.
        instead : (Q, 2) int, optional
            Pairs of elements of which one stands for the other in part: with currents w I on the
            one and (1 - w) I on the other, the watts are w times those of the one and 1 - w times
            those of the other.
        """
        system, frequency = self.pool.system, self.frequency
        elements, basis = system.prepared.elements, system.prepared.basis
        width = int(elements.degree.max()) + 2
        size = self.response.shape[1]
        forms = np.zeros((len(HEAT), size, size), dtype=np.complex128)
        for k, (per_metre, overlap, by) in enumerate(
            (
                (system.surface_impedance(frequency), overlap_of_functions(width), elements.length),
                (system.slope_impedance(frequency), overlap_of_slopes(width), 1 / elements.length),
            )
        ):
            if per_metre is not None:
                local = _block_diagonal(per_metre.real * by, overlap, elements.degree)
                if instead is not None and instead.size:
                    local = local + _between(
                        instead, per_metre.real * by, overlap, elements.degree, basis.offset
                    )
                form: Any = basis.combination.T @ local @ basis.combination
                forms[k] = self._reduced(sparse.csr_array(form))
        volume = system.volume
        if volume is not None and means is not None:
            inside = self.solid_fields(means)
            loss = -volume.weight(frequency).real
            forms[2] = hermitian_product(inside * np.sqrt(loss))
            local = volume.form(frequency)[: basis.n_local, : basis.n_local].real
            beside: Any = basis.combination.T @ local @ basis.combination
            forms[2] += self._reduced(sparse.csr_array(beside))
        return forms

    def solid_fields(self, means: ComplexArray) -> ComplexArray:
        """Mean fields in the cells of the solids for the unknowns, (M + P, 3 C). [V/m]"""
        n, m = self.pool.n_fixed, self.pool.n_moving
        found = self.response.T @ means[:n]
        found[:m] += means[n:]
        return found

    def sky_forms(
        self,
        edges_deg: Sequence[float],
        directions_deg: Sequence[tuple[float, float]],
        means: ComplexArray | None,
        *,
        spare: Spare = CLOSE,
    ) -> ComplexArray:
        """Watts between elevations, then 4 pi times W/sr into directions, (K, M + P, M + P).

        Parameters
        ----------
        edges_deg : sequence of float
            Rising elevations. [degree]
        directions_deg : sequence of (elevation, azimuth)
            [degree]
        means : (N, 3 C) complex or None
            As for `heat_forms`.
        spare : Spare
            How many directions are taken.
        """
        mesh, volume = self.pool.system.mesh, self.pool.system.volume
        combination: Any = self.pool.system.prepared.basis.combination
        orders = _legendre_map(mesh.degree) @ combination
        nothing = np.zeros((len(mesh), int(mesh.degree.max()) + 1), dtype=np.complex128)
        currents = ElementCurrents(mesh.start, mesh.end, mesh.radius, nothing)
        moments, cells, polarisation = None, None, None
        if volume is not None and means is not None:
            cells = volume.cells
            moments = volume.cell_moments(self.solid_fields(means).T, self.frequency)
            positions, _ = cells.samples()
            polarisation = PointMoments(positions, np.zeros(positions.shape, dtype=complex))
        sketch = FarField(currents, self.frequency, self.pool.scene.earth, 1.0, polarisation)

        def of_unknowns(by_order: ComplexArray) -> ComplexArray:
            by_function = np.asarray((orders.T @ by_order.T).T)
            n, m = self.pool.n_fixed, self.pool.n_moving
            found = by_function[:, :n] @ self.response
            found[:, :m] += by_function[:, n:]
            return found

        parts = angle_forms(
            sketch, edges_deg, of_unknowns, cells=cells, moments=moments, spare=spare
        )
        if not directions_deg:
            return parts
        ways = direction_forms(sketch, directions_deg, of_unknowns, cells=cells, moments=moments)
        return np.concatenate([parts, ways])


def _block_diagonal(
    weight: FloatArray, overlap: FloatArray, degree: NDArray[np.int64]
) -> sparse.csr_array:
    """weight[e] overlap on each element's own functions."""
    blocks = [w * overlap[: d + 1, : d + 1] for w, d in zip(weight, degree, strict=True)]
    return sparse.csr_array(sparse.block_diag(blocks))


def _between(
    pairs: IntArray,
    weight: FloatArray,
    overlap: FloatArray,
    degree: NDArray[np.int64],
    offset: IntArray,
) -> sparse.csr_array:
    """The mean weight of two elements times overlap, between their functions."""
    rows, columns, values = [], [], []
    for one, other in pairs:
        n = int(degree[one]) + 1
        a, b = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
        mean = (0.5 * (weight[one] + weight[other]) * overlap[:n, :n]).ravel()
        for first, second in ((one, other), (other, one)):
            rows.append(a.ravel() + int(offset[first]))
            columns.append(b.ravel() + int(offset[second]))
            values.append(mean)
    size = int(offset[-1])
    places = np.concatenate(rows), np.concatenate(columns)
    return sparse.csr_array(sparse.coo_array((np.concatenate(values), places), shape=(size, size)))


def _legendre_map(degree: NDArray[np.int64]) -> sparse.csr_array:
    """From local functions to Legendre coefficients, element after element, zero-padded."""
    width = int(degree.max()) + 1
    functions = legendre_of_functions(width)
    blocks = [functions[: d + 1].T for d in degree]
    return sparse.csr_array(sparse.block_diag(blocks))
