r"""A length pool at one frequency in one state of the house: layouts cost next to nothing.

The fixed part is eliminated as in `partition`, with the columns of every length:

    S(L) = A(L) - C^T (Z_mf X) C,   X = Z_ff^-1 Z_fm,   s = C^T (b_m - X^T b_f)

with A(L) of `lengths`.  Of a layout only the columns that its wires use are looked at, and all that
their lengths do not change is kept:

    S(L) = C^T D C + sum over wires, sum of w_k C_k^T Z C_k

with D = Z_mm - Z_mf X without Z between columns of the same wire.  For any small change of the
matrix the impedance at the driven feed, terminations held, changes by I^T dZ I over the square of
the feed's current.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from scipy import linalg

from ...errors import SolverError
from ...gaps import gap_voltages, terminations_of
from ...moments.basis import ComplexArray, FloatArray, IntArray
from .lengths import Columns, LengthPool, Mixture


@dataclass(frozen=True, eq=False)
class Eliminated:
    """A length pool with its fixed part eliminated.

    Attributes
    ----------
    lengths : LengthPool
    frequency : float
        [Hz]
    there : (F',) int
        Fixed unknowns that are there.
    moving : (M, M) complex
        Block of the moving columns. [ohm]
    reduction : (M, M) complex
        Z_mf X. [ohm]
    sources : (M, P) complex
    fixed : (P, P) complex
        Admittance of the fixed part alone. [S]
    response : (F', M + P) complex
        Fixed unknowns for each moving column, and for 1 V at each port.
    terminations : (1, P) complex
        Of loads and closed feeds. [ohm]
    """

    lengths: LengthPool
    frequency: float
    there: IntArray
    moving: ComplexArray
    reduction: ComplexArray
    sources: ComplexArray
    fixed: ComplexArray
    response: ComplexArray
    terminations: ComplexArray
    _kept: dict[Any, Any] = field(default_factory=dict, repr=False)

    @classmethod
    def of(
        cls,
        lengths: LengthPool,
        matrix: ComplexArray,
        frequency: float,
        *,
        absent: IntArray | None = None,
    ) -> Eliminated:
        """From the pool's matrix at a frequency. [Hz]

        Parameters
        ----------
        absent : (K,) int, optional
            Fixed unknowns that are left out, as those of wires that are not there.

        Raises
        ------
        SolverError
            If the fixed part is singular to working precision.
        """
        pool = lengths.pool
        n, m = pool.n_fixed, pool.n_moving
        there = np.arange(n)
        if absent is not None and absent.size:
            there = np.setdiff1d(there, absent)
        ports = pool.system.ports.astype(complex)
        coupling = matrix[there, n:]
        right = np.concatenate([coupling, ports[there]], axis=1)
        solved = np.zeros((0, right.shape[1]), dtype=np.complex128)
        if there.size:
            with pool.system.few_threads():
                own = matrix[:n, :n] if there.size == n else matrix[np.ix_(there, there)]
                factors = pool.system.factor(np.array(own, order="C"), frequency)
                solved = linalg.lu_solve(factors, right, check_finite=False)
        reduced = coupling.T @ solved
        response = solved.copy()
        response[:, :m] *= -1.0
        return cls(
            lengths, frequency, there, matrix[n:, n:], reduced[:, :m],
            ports[n:] - reduced[:, m:], ports[there].T @ solved[:, m:], response,
            terminations_of(pool.scene.ports, np.array([frequency])),
        )  # fmt: skip

    def reduced(self, forms: ComplexArray) -> ComplexArray:
        """Forms (K, N, N) of all unknowns as forms of moving columns and gap voltages.

        Returns (K, M + P, M + P): U^H Q U with what the fixed unknowns follow from.
        """
        n, m = self.lengths.pool.n_fixed, self.moving.shape[0]
        whole = np.zeros((n + m, m + self.fixed.shape[0]), dtype=np.complex128)
        whole[self.there] = self.response
        whole[n:, :m] = np.eye(m)
        return np.stack([whole.conj().T @ (form @ whole) for form in forms])

    def state(self, lengths: Sequence[float] | FloatArray) -> LayoutState:
        """The layout whose moving wires have lengths. [m]

        Raises
        ------
        SolverError
            If its equations are singular to working precision.
        """
        columns = self.lengths.columns(lengths)
        return self.state_of(columns)

    def _held(self, mixture: Mixture) -> tuple[ComplexArray, FloatArray, list[ComplexArray]]:
        """D (R, R), its real and imaginary part (2, R, R), and C_k^T Z C_k of each wire."""
        found = self._kept.get("mixture")
        if found is not None and found[0] is mixture:
            return found[1]
        at = mixture.rows
        whole = self.moving[at[:, None], at]
        for span in mixture.spans:
            whole[span, span] = 0.0
        whole -= self.reduction[at[:, None], at]
        blocks = []
        for part in mixture.parts:
            if part.key not in self._kept:
                self._kept[part.key] = part.blocks(self.moving)
            blocks.append(self._kept[part.key])
        held = (whole, np.stack([whole.real, whole.imag]), blocks)
        self._kept["mixture"] = (mixture, held)
        return held

    def state_of(self, columns: Columns) -> LayoutState:
        """The layout of columns that are there already."""
        mixture, c = columns.mixture, columns.whole
        _, parted, blocks = self._held(mixture)
        left = c.T @ parted
        block = (left[0] @ c).astype(np.complex128)
        block += 1j * (left[1] @ c)
        for (weights, _), part, each in zip(columns.weights, mixture.parts, blocks, strict=True):
            at = part.functions
            block[at[:, None], at] += np.tensordot(weights, each, axes=1)
        right = c.T @ self.sources[mixture.rows]
        try:
            solved: ComplexArray = np.linalg.solve(block, right)  # pyright: ignore
        except np.linalg.LinAlgError as error:
            raise SolverError(
                f"At {self.frequency / 1e6:g} MHz a layout's equations are singular."
            ) from error
        admittance = self.fixed + right.T @ solved
        voltages = gap_voltages(self.lengths.pool.scene.ports, admittance[None], self.terminations)
        return LayoutState(self, columns, block, solved, admittance, voltages[0])


@dataclass(frozen=True, eq=False)
class LayoutState:
    """One layout solved.

    Attributes
    ----------
    eliminated : Eliminated
    columns : Columns
    block : (n, n) complex
        S. [ohm]
    solved : (n, P) complex
        Moving unknowns for 1 V at each port. [A]
    admittance : (P, P) complex
        [S]
    voltages : (P,) complex
        Across the gaps with the driven feeds at their voltages. [V]
    """

    eliminated: Eliminated
    columns: Columns
    block: ComplexArray
    solved: ComplexArray
    admittance: ComplexArray
    voltages: ComplexArray

    @cached_property
    def driven(self) -> int:
        """The first driven feed."""
        feeds = self.eliminated.lengths.pool.scene.feeds
        return next(n for n, feed in enumerate(feeds) if feed.is_driven)

    @cached_property
    def feed_current(self) -> complex:
        """Into the driven feed. [A]"""
        return complex(self.admittance[self.driven] @ self.voltages)

    @property
    def impedance(self) -> complex:
        """At the driven feed. [ohm]"""
        return complex(self.voltages[self.driven] / self.feed_current)

    @cached_property
    def unknowns(self) -> ComplexArray:
        """The layout's own, (n,). [A]"""
        return self.solved @ self.voltages

    @cached_property
    def held(self) -> ComplexArray:
        """Of the moving columns that its wires use, (R,). [A]"""
        return self.columns.whole @ self.unknowns

    @cached_property
    def moving(self) -> ComplexArray:
        """Of the pool's moving columns, (M,). [A]"""
        return self.columns.spread(self.held)

    @cached_property
    def currents(self) -> ComplexArray:
        """Of all of the pool's unknowns, (N,). [A]"""
        e = self.eliminated
        pool = e.lengths.pool
        found = np.zeros(pool.system.n_unknowns, dtype=np.complex128)
        found[e.there] = e.response @ np.concatenate([self.moving, self.voltages])
        found[pool.n_fixed :] = self.moving
        return found

    @cached_property
    def _pushed(self) -> ComplexArray:
        """D C x - s v before the wires' columns, (R,). [V]"""
        e, c = self.eliminated, self.columns
        return e._held(c.mixture)[0] @ self.held - e.sources[c.mixture.rows] @ self.voltages

    @cached_property
    def _forces(self) -> ComplexArray:
        """Derivative of S x - s v to each wire's length at fixed unknowns, (n, W). [V/m]"""
        e, c, x = self.eliminated, self.columns, self.unknowns
        whole, _, blocks = e._held(c.mixture)
        found = np.empty((x.size, len(c.slopes)), dtype=np.complex128)
        for n, ((_, slopes), part, change, span, each) in enumerate(
            zip(c.weights, c.mixture.parts, c.slopes, c.mixture.spans, blocks, strict=True)
        ):
            own = x[part.functions]
            found[:, n] = c.whole.T @ (whole[:, span] @ (change @ own))
            found[part.functions, n] += change.T @ self._pushed[span] + slopes @ (each @ own)
        return found

    @cached_property
    def by_length(self) -> ComplexArray:
        """Derivative of the impedance to each wire's length, (W,). [ohm/m]"""
        c, x = self.columns, self.unknowns
        blocks = self.eliminated._held(c.mixture)[2]
        found = np.empty(len(c.slopes), dtype=np.complex128)
        for n, ((_, slopes), part, change, span, each) in enumerate(
            zip(c.weights, c.mixture.parts, c.slopes, c.mixture.spans, blocks, strict=True)
        ):
            own = x[part.functions]
            found[n] = 2.0 * (change @ own) @ self._pushed[span] + slopes @ (each @ own @ own)
        return found / self.feed_current**2

    def quadratic(self, matrices: ComplexArray) -> ComplexArray:
        """I^T Z I for some of the pool's matrices (T, N, N), (T,). [V A]"""
        n, current = self.eliminated.lengths.pool.n_fixed, self.currents
        pushed = matrices.reshape(-1, current.size) @ current
        found = pushed.reshape(matrices.shape[0], -1) @ current
        return found + self.columns.own_excess(matrices, n, self.unknowns)

    def _looked_at(self, forms: ComplexArray) -> ComplexArray:
        """Forms (K, M + P, M + P) of the columns that its wires use, and gap voltages."""
        mixture, kept = self.columns.mixture, self.eliminated._kept
        found = kept.get("forms")
        if found is None or found[0] is not forms or found[1] is not mixture:
            ports = np.arange(forms.shape[1] - self.voltages.size, forms.shape[1])
            at = np.concatenate([mixture.rows, ports])
            found = kept["forms"] = (forms, mixture, forms[:, at[:, None], at])
        return found[2]

    def watts(self, forms: ComplexArray) -> FloatArray:
        """z^H Q z of forms (K, M + P, M + P) of moving columns and gap voltages, (K,). [W]"""
        z = np.concatenate([self.held, self.voltages])
        return ((self._looked_at(forms) @ z) @ z.conj()).real

    def watts_by_length(self, forms: ComplexArray) -> FloatArray:
        """Their derivatives to each wire's length, (W, K). [W/m]"""
        z = np.concatenate([self.held, self.voltages])
        right = self._looked_at(forms) @ z
        return 2.0 * (self._changes.conj() @ right.T).real

    @cached_property
    def _changes(self) -> ComplexArray:
        """Derivative of what the wires' columns carry and of gap voltages, (W, R + P), to lengths.

        The driven feeds keep their voltages.
        """
        e, c = self.eliminated, self.columns
        ports = e.lengths.pool.scene.ports
        moved = -np.linalg.solve(self.block, self._forces)  # all gaps at their voltages
        sources = e.sources[c.mixture.rows]
        right = c.whole.T @ sources
        changes = np.zeros((len(c.slopes), c.mixture.rows.size), dtype=np.complex128)
        for n, (slope, part, span) in enumerate(
            zip(c.slopes, c.mixture.parts, c.mixture.spans, strict=True)
        ):
            changes[n, span] = slope @ self.unknowns[part.functions]
        voltages = np.zeros((len(c.slopes), len(ports)), dtype=np.complex128)
        closed = np.flatnonzero([feed.termination is not None for feed in ports])
        if closed.size:
            # V + Z I = 0 in the loads: dV + Z (Y dV + dI) = 0, dI by the change of the unknowns
            impedance = e.terminations[0, closed]
            is_open = np.isinf(impedance)
            factor = np.where(is_open, 1.0, impedance)
            direct = right.T @ moved + sources.T @ changes.T
            matrix = factor[:, None] * self.admittance[np.ix_(closed, closed)]
            matrix += np.diag(np.where(is_open, 0.0, 1.0))
            voltages[:, closed] = np.linalg.solve(matrix, -factor[:, None] * direct[closed]).T
            moved = moved + self.solved @ voltages.T
        return np.concatenate([(c.whole @ moved).T + changes, voltages], axis=1)
