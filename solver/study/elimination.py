r"""The same scene without one piece, from the factors of the whole.

With y = W b, W = Z^-1, solved once:

**Metal.** A piece that is not there carries no current on any of its elements: K x = 0, where K
holds the rows that make the local functions on the piece from the unknowns.  The currents of all
the rest then obey Z x + K^T l = b, so that

    x = y - W K^T (K W K^T)^-1 K y        (plain transposes).

Functions that carry current from the piece to others are not lost by this: at a node where the
piece met two others, those still pass current to each other.  Rows that the others imply (at a
node where all ends belong to the piece they sum to zero) are left out.

**Solids.** Z' = Z - T, T = -jw e^T (alpha - alpha') e of the group, kept as factors.  x obeys
x = y + W T x, a small change, solved by GMRES with the factors of Z at hand; where that does not
reach `RESIDUAL`, Z' is factored by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import linalg, sparse
from scipy.sparse.linalg import LinearOperator, gmres

from ..errors import SolverError
from ..moments.basis import ComplexArray, IntArray
from ..surround.volume import FunctionFields, SolidTerm
from ..system import System

if TYPE_CHECKING:
    from ...geometry import Scene
    from ..solution import Solution
    from ..surround.volume import Volume

RESIDUAL = 1e-11
"""Of x = y + W T x, relative to y."""

GMRES_STEPS = 40
INDEPENDENT = 1e-9
"""Rows of a node whose part across the others is below this are implied by them."""


def elements_of(system: System, piece: str) -> IntArray:
    """Elements of all wires that belong to a piece of the house."""
    own = [n for n, wire in enumerate(system.scene.wires) if wire.piece == piece]
    return np.flatnonzero(np.isin(system.mesh.wire, own))


def metal_pieces(scene: Scene) -> tuple[str, ...]:
    """Names of the pieces of metal, in order."""
    return tuple(dict.fromkeys(wire.piece for wire in scene.wires if wire.piece))


def constraint_rows(system: System, elements: IntArray) -> sparse.csr_array:
    """Independent rows K, (n, N), whose product with the unknowns is 0 without these elements."""
    basis, mesh = system.prepared.basis, system.mesh
    ends: dict[int, list[int]] = {}
    for e in elements:
        for side in (0, 1):
            node = int(mesh.element_nodes[e, side])
            ends.setdefault(node, []).append(int(basis.offset[e]) + side)
    kept: list[int] = []
    for e in elements:
        kept += range(int(basis.offset[e]) + 2, int(basis.offset[e + 1]))
    for rows in ends.values():
        some = basis.combination[rows].tocsc()
        columns = np.flatnonzero(np.diff(some.indptr))
        if not columns.size:  # a free end
            continue
        dense = some[:, columns].toarray()
        factored: Any = linalg.qr(dense.T, mode="economic", pivoting=True)
        _, triangle, order = factored
        size = np.abs(np.diag(triangle))
        kept += [rows[k] for k in order[: int((size > INDEPENDENT * size[0]).sum())]]
    return basis.combination[np.array(kept, dtype=np.int64)]


def lost_ports(system: System, elements: IntArray) -> list[int]:
    """Feeds with nothing left on one side of their gap without these elements."""
    gone = set(elements.tolist())
    lost = []
    for port, feed in enumerate(system.mesh.feeds):
        group = set(feed.group_a)
        sides = {True: False, False: False}
        for node, *ends, _ in system.prepared.basis.node_functions:
            if node != feed.node:
                continue
            for end in ends:
                if end is None:  # into the ground
                    sides[False] = True
                elif end[0] not in gone:
                    sides[end in group] = True
        if not all(sides.values()):
            lost.append(port)
    return lost


@dataclass(frozen=True, eq=False)
class FactoredSystem:
    """A scene at one frequency, factored, ready to be solved without some of it.

    Attributes
    ----------
    system : System
    frequency : float
        [Hz]
    matrix : (N, N) complex
        [ohm]
    factors
        As `scipy.linalg.lu_solve` takes them.
    currents : (N, P) complex
        With everything, for unit voltage at each port in turn. [A]
    fields : FunctionFields or None
        Of the functions over the cells of the solids.
    """

    system: System
    frequency: float
    matrix: ComplexArray
    factors: tuple[Any, Any]
    currents: ComplexArray
    fields: FunctionFields | None

    @classmethod
    def at(cls, system: System, frequency: float) -> FactoredSystem:
        """Fill, factor and solve at one frequency. [Hz]"""
        fields = None if system.volume is None else system.solid_fields(frequency)
        matrix = system.fill(frequency, solid_fields=fields).matrix
        factors = system.factor(matrix.copy(), frequency)
        currents = linalg.lu_solve(factors, system.ports.astype(complex), check_finite=False)
        return cls(system, frequency, matrix, factors, currents, fields)

    @property
    def volume(self) -> Volume:
        """The solids; SolverError where there are none."""
        if self.system.volume is None:
            raise SolverError("There are no timbers or sheets in this scene.")
        return self.system.volume

    @cached_property
    def means(self) -> ComplexArray:
        """Mean fields of the functions over the cells, (N, 3 C). [V/m per A]"""
        if self.fields is None:
            raise SolverError("There are no timbers or sheets in this scene.")
        return self.volume.means(self.fields)

    def solution(self, currents: ComplexArray, *, with_solids: bool = False) -> Solution:
        """Currents (N, P) of one of the variants as a solution at this frequency.

        Parameters
        ----------
        currents : (N, P) complex
            For unit voltage at each port in turn. [A]
        with_solids : bool
            Whether the solids are those of the whole, so that their fields can be had from those
            of the functions.
        """
        from ..solution import Solution

        system = self.system
        admittance = system.ports.T @ currents
        # A port that went with its piece: a unit admittance leaves its voltage and current 0.
        gone = np.flatnonzero(np.abs(admittance).max(axis=0) < 1e-12 * np.abs(admittance).max())
        admittance[gone, gone] = 1.0
        nothing = np.full((1, currents.shape[1]), np.nan)
        estimates = np.full((1, len(system.mesh), currents.shape[1]), np.nan)
        inside = None
        if with_solids and self.fields is not None:
            local = system.prepared.basis.combination @ currents
            inside = np.asarray(local.T @ self.fields.local)[None]
        return Solution(
            system, self.frequency, currents[None], admittance[None], nothing, estimates, inside
        )

    def _solve(self, right: ComplexArray) -> ComplexArray:
        return linalg.lu_solve(self.factors, right, check_finite=False)

    def without_elements(self, sets: Sequence[IntArray]) -> list[ComplexArray]:
        """Currents (N, P) with each set of elements gone in turn."""
        rows: list[Any] = [constraint_rows(self.system, elements) for elements in sets]
        edges = np.cumsum([0, *(k.shape[0] for k in rows)])
        if not edges[-1]:
            return [self.currents.copy() for _ in sets]
        # One solve for all pieces: W K^T.
        stacked: Any = sparse.vstack(rows)
        spread: Any = self._solve(stacked.T.toarray().astype(complex))
        found = []
        for k, low, high in zip(rows, edges[:-1], edges[1:], strict=True):
            own = spread[:, low:high]
            if high == low:
                found.append(self.currents.copy())
                continue
            forces = linalg.solve(k @ own, k @ self.currents, check_finite=False)
            found.append(self.currents - own @ forces)
        return found

    def with_solids_of(self, other: Volume) -> ComplexArray:
        """Currents (N, P) with other stuff, or nothing, in the same cells. [A]"""
        term = self.volume.difference(other, self.means, self.frequency)
        found = np.empty_like(self.currents)
        for port in range(found.shape[1]):
            solved = self._small_change(term, self.currents[:, port])
            if solved is None:
                changed = self.matrix - term.matrix()
                factors = self.system.factor(changed, self.frequency)
                ports = self.system.ports.astype(complex)
                return linalg.lu_solve(factors, ports, check_finite=False)
            found[:, port] = solved
        return found

    def _small_change(self, term: SolidTerm, known: ComplexArray) -> ComplexArray | None:
        """x = y + W T x; None where it does not converge."""
        size = known.size

        def less(vector: ComplexArray) -> ComplexArray:
            vector = vector.ravel()
            return vector - self._solve(term.product(vector))

        operator = LinearOperator((size, size), matvec=less, dtype=np.complex128)  # pyright: ignore[reportCallIssue]
        solved, _ = gmres(
            operator, known, x0=known, rtol=0.1 * RESIDUAL, atol=0.0, restart=GMRES_STEPS, maxiter=1
        )
        left = float(np.linalg.norm(known - less(solved)))
        return solved if left <= RESIDUAL * float(np.linalg.norm(known)) else None
