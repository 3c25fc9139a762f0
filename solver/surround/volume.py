r"""Timber and sheets as weak scatterers: a term of the matrix, watts by group, polarisation.

Wood, board and tile carry the volume current J = jw alpha E with alpha = eps0 (ec - 1) F, F what
the shape lets in of the field outside.  With e_n the field of basis function n in the absence of
the solids,

    Z_mn -= jw Int e_m . alpha . e_n dV,

no unknowns added and symmetric.  What is dropped is scattering from solid to solid.

**How it is integrated.**  Solids are cut into cells.  In each cell a field is split into its mean
and the rest, and the integral of a product into the product of the means and the covariance.
Means of far elements are taken from two samples in a timber; a sheet's cell has the field at its
middle instead, see `Cells.samples`. Near elements' static fields are integrated finely over the
cell, once per geometry, and only the rest is sampled.  The covariance
matters where both elements are near; with the static potentials it is

    Q = [w^2 mu0^2 A + (mu0/eps0) B + C/(w eps0)^2]/(4 pi)^2

with A of the vector potentials, C of the gradients and B of both, integrated once per geometry.
No value is taken at a single point beside a wire, so nothing spikes when a cell's middle lies
there.

**The shape.**  Along a timber and in the plane of a thin sheet F = 1, normal to a sheet 1/ec, and
across a timber 1/(1 + N (ec - 1)) with the depolarisation of an elliptic cylinder of that width and
depth, N = depth/(width + depth) along the width.  That is for the mean over a cell.  Where a wire
comes close to a timber, the rest is met by bricks that act on each other (see `bricks`), over runs
of cells where a wire crosses it, and what varies within a brick by 2/(ec + 1), as at a flat face
beside a line charge.  Within about its thickness from a wire a sheet acts as a half-space,
2/(ec + 1) too.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.constants import c as SPEED_OF_LIGHT
from scipy.constants import epsilon_0, mu_0
from scipy.linalg import blas

from ..moments.assembly import Elements, Filled
from ..moments.basis import (
    Basis,
    ComplexArray,
    FloatArray,
    IntArray,
    PointMoments,
)
from ..moments.quadrature import gauss
from . import kernels
from .bricks import plan_bricks
from .cells import Body, CellRule, Cells, cut_solids
from .distance_kernels import mark_near
from .far_earth import ObserverGrid, make_grid
from .integrals import (
    INVERSE_FOUR_PI,
    CellIntegrals,
    Group,
    Part,
    grouped,
    integrate_parts,
    polarisability,
)

if TYPE_CHECKING:
    from .cells import Solid

REACH = 0.9
"""Elements nearer to a cell than this times its longest side are integrated over it finely."""

NODE_COUNTS = (2, 3, 4, 6, 8, 12, 16, 24, 32, 48)


class FunctionFields(NamedTuple):
    """Mean fields of the functions over the cells, in the cells' frames.

    Attributes
    ----------
    local : (M, 3 C) complex
        By local function. [V/m per A]
    following : (E, 3 C) complex
        Of each element's next function; no rows where not asked for.
    """

    local: ComplexArray
    following: ComplexArray


class SolidTerm(NamedTuple):
    """What solids of some polarisability add to the matrix, as factors.

    Attributes
    ----------
    means : (N, K) complex
        Mean fields of the functions along the axes of the cells that count. [V/m per A]
    weight : (K,) complex
        -jw times polarisability times volume. [A m^2/V]
    form : sparse (N, N)
        What the means leave out. [ohm]
    """

    means: ComplexArray
    weight: ComplexArray
    form: sparse.csr_array

    def product(self, vectors: ComplexArray) -> ComplexArray:
        """The term times vectors, (N, V) or (N,)."""
        inside = self.means.T @ vectors
        weighted = (self.weight * inside.T).T
        return self.means @ weighted + self.form @ vectors

    def matrix(self) -> ComplexArray:
        """The same as a full matrix, (N, N). [ohm]"""
        return (self.means * self.weight) @ self.means.T + self.form.toarray()


class SolidState(NamedTuple):
    """What the solids take for given currents.

    Attributes
    ----------
    losses : dict of str to float
        By group. [W]
    polarisation : PointMoments
        Currents in the solids. [A m]
    """

    losses: dict[str, float]
    polarisation: PointMoments


@dataclass(frozen=True, eq=False)
class Volume:
    """The solids about a mesh, with all that does not depend on frequency.

    Attributes
    ----------
    cells : Cells
    slot : (C, E) int
        Rows of `mean_vector`, `mean_slope`; -1 for far pairs.
    parts : tuple of Part
        Runs of cells, and cells by themselves, with what is integrated finely over them.
    groups_of_parts : tuple of Group
        The same by body.
    grid : ObserverGrid
        Where the field that a real earth reflects is worked out.
    """

    elements: Elements
    basis: Basis
    cells: Cells
    slot: NDArray[np.int32]
    mean_vector: FloatArray
    mean_slope: FloatArray
    parts: tuple[Part, ...]
    groups_of_parts: tuple[Group, ...]
    has_images: bool
    grid: ObserverGrid

    @property
    def known(self) -> dict[bytes, CellIntegrals]:
        """Integrals that another mesh of the same house may use, by key."""
        return {part.key: part.integrals for part in self.parts}

    @property
    def groups(self) -> tuple[str, ...]:
        """Names of the groups, in order."""
        return tuple(dict.fromkeys(body.group for body in self.cells.bodies))

    @property
    def node_tables(self) -> tuple[IntArray, FloatArray, FloatArray]:
        """Gauss tables of rising size: counts (T,), nodes (T, G), polynomials (T, W, G)."""
        return _gauss_tables(int(self.elements.degree.max()) + 2)

    def alpha(self, frequency: float) -> ComplexArray:
        """Polarisability of each body by even fields along its axes, (B, 3). [F/m]"""
        return np.array([polarisability(body, frequency)[0] for body in self.cells.bodies])

    def fields(
        self,
        frequency: float,
        *,
        extra: int = 0,
    ) -> FunctionFields:
        """Mean fields of all local functions over the cells, without what a real earth reflects.

        Parameters
        ----------
        frequency : float
            [Hz]
        extra : int
            1 for the next function of every element too.
        """
        elements, omega = self.elements, 2.0 * np.pi * frequency
        n_local, n_cells = self.basis.n_local, len(self.cells)
        local = np.zeros((n_local, 3 * n_cells), dtype=np.complex128)
        following = np.zeros((elements.length.size * extra, 3 * n_cells), dtype=np.complex128)
        samples, first_sample = self.cells.samples()
        counts, xi, legendre = self.node_tables
        images = ((1.0, elements, self.slot),)
        if self.has_images:
            images += ((-1.0, elements.mirrored, np.full_like(self.slot, -1)),)
        for factor, source, slot in images:
            kernels.add_direct_functions(
                samples, first_sample, self.cells.frame, slot, omega / SPEED_OF_LIGHT, factor,
                extra,
                source.center, source.half, source.length, source.degree, self.basis.offset,
                counts, xi, legendre, self.mean_vector, self.mean_slope,
                -1j * omega * mu_0 * INVERSE_FOUR_PI,
                INVERSE_FOUR_PI / (1j * omega * epsilon_0), local, following,
            )  # fmt: skip
        return FunctionFields(local, following)

    def means(self, fields: FunctionFields) -> ComplexArray:
        """Mean fields over the cells by global function, (N, 3 C). [V/m per A]"""
        return self.basis.combination.T.tocsr() @ fields.local

    def weight(self, frequency: float) -> ComplexArray:
        """-jw times polarisability times volume of each cell along its axes, (3 C,). [A m^2/V]"""
        even = self.alpha(frequency)
        return (-2j * np.pi * frequency) * (
            self.cells.volume[:, None] * even[self.cells.body]
        ).ravel()

    def for_mesh(self, elements: Elements, basis: Basis, source: IntArray) -> Volume:
        """The same solids about some of the elements, without integrating again.

        Parameters
        ----------
        elements, basis
            The other mesh as arrays, and its functions.
        source : (E,) int
            Which of these elements each of its elements is.
        """
        n_local = self.basis.n_local
        numbers = np.full(n_local + self.elements.length.size, -1)
        for e, old in enumerate(source):
            own = slice(int(self.basis.offset[old]), int(self.basis.offset[old + 1]))
            numbers[own] = np.arange(int(basis.offset[e]), int(basis.offset[e + 1]))
            numbers[n_local + old] = basis.n_local + e
        parts = tuple(part._replace(numbers=numbers[part.numbers]) for part in self.parts)
        return replace(
            self,
            elements=elements,
            basis=basis,
            slot=np.ascontiguousarray(self.slot[:, source]),
            parts=parts,
            groups_of_parts=grouped(parts, basis.n_local + elements.length.size),
        )

    def with_bodies(self, bodies: Sequence[Body]) -> Volume:
        """The same cells filled with other stuff, one body for each there is."""
        return replace(self, cells=replace(self.cells, bodies=tuple(bodies)))

    def without(self, bodies: Sequence[int]) -> Volume:
        """The same cells with nothing in some of the bodies."""
        gone = {int(b) for b in bodies}
        return self.with_bodies(
            [body.emptied() if b in gone else body for b, body in enumerate(self.cells.bodies)]
        )

    def difference(self, other: Volume, means: ComplexArray, frequency: float) -> SolidTerm:
        """What these solids add to the matrix beyond the same cells with other bodies.

        Parameters
        ----------
        other : Volume
            Of `with_bodies`; bodies that are the same cost nothing.
        means : (N, 3 C) complex
            Of `means`.
        """
        weight = self.weight(frequency) - other.weight(frequency)
        count = np.flatnonzero(weight)
        own = means if count.size == weight.size else means[:, count]
        both = enumerate(zip(self.cells.bodies, other.cells.bodies, strict=True))
        changed = {b for b, (one, two) in both if one is not two}
        combination, n_local = self.basis.combination, self.basis.n_local
        form = self.form(frequency, changed) - other.form(frequency, changed)
        inner = sparse.csr_array(combination.T @ form[:n_local, :n_local] @ combination)
        return SolidTerm(own, weight[count], inner)

    def add_to(self, filled: Filled, fields: FunctionFields, frequency: float) -> None:
        """Add the solids' term to a matrix and to the next functions' rows, in place."""
        form = self.add_to_matrix(filled.matrix, self.means(fields), frequency)
        if filled.next_diagonal.size:
            n_local = self.basis.n_local
            following = fields.following * self.weight(frequency)
            filled.next_rows[...] += following @ fields.local.T + form[n_local:, :n_local].toarray()
            filled.next_diagonal[...] += np.einsum("ec,ec->e", following, fields.following)
            filled.next_diagonal[...] += form[n_local:, n_local:].diagonal()

    def add_to_matrix(
        self, matrix: ComplexArray, means: ComplexArray, frequency: float
    ) -> sparse.csr_array:
        """Add the solids' term to a matrix (N, N), in place, from `means`; returns `form`."""
        combination, form = self.basis.combination, self.form(frequency)
        _add_symmetric(matrix, means * np.sqrt(self.weight(frequency)))
        n_local = self.basis.n_local
        inner = sparse.coo_array(combination.T @ form[:n_local, :n_local] @ combination)
        matrix[inner.row, inner.col] += inner.data
        return form

    def _beside_means(
        self, frequency: float, bodies: Collection[int] | None = None
    ) -> Iterator[tuple[Group, ComplexArray]]:
        """Groups of some of the bodies, or all, and what means leave out of them, (K,)."""
        for group in self.groups_of_parts:
            if bodies is None or group.body in bodies:
                yield group, group.beside_means(self.cells.bodies[group.body], frequency)

    def form(self, frequency: float, bodies: Collection[int] | None = None) -> sparse.csr_array:
        """What the means leave out, a symmetric (M + E, M + E) form of all functions."""
        size = self.basis.n_local + self.elements.length.size
        row, column, value = [], [], []
        for group, values in self._beside_means(frequency, bodies):
            inner = group.row != group.column
            row += [group.row, group.column[inner]]
            column += [group.column, group.row[inner]]
            value += [values, values[inner]]
        if not value:
            return sparse.csr_array((size, size), dtype=np.complex128)
        entries = (np.concatenate(value), (np.concatenate(row), np.concatenate(column)))
        form = sparse.csr_array(sparse.coo_array(entries, shape=(size, size)))
        return (2j * np.pi * frequency) * form

    def state(self, inside: ComplexArray, currents: ComplexArray, frequency: float) -> SolidState:
        """Losses by group, and polarisation; parameters as for `losses`."""
        watts = dict.fromkeys(self.groups, 0.0)
        losses = self.losses(inside, currents, frequency)
        for body, loss in zip(self.cells.bodies, losses, strict=True):
            watts[body.group] += float(loss)
        return SolidState(watts, self.polarisation(inside, frequency))

    def losses(
        self,
        inside: ComplexArray,
        currents: ComplexArray,
        frequency: float,
    ) -> FloatArray:
        """Watts turned to heat in each body, w Int E^H (-Im alpha) E dV, (B,).

        Parameters
        ----------
        inside : (3 C,) complex
            Mean fields in the cells, along their axes, RMS. [V/m]
        currents : (M,) complex
            Coefficients of the local functions that make them, RMS. [A]
        """
        omega = 2.0 * np.pi * frequency
        even = -omega * self.alpha(frequency).imag
        square = np.abs(inside).reshape(-1, 3) ** 2
        each = self.cells.volume * (square * even[self.cells.body]).sum(axis=1)
        n_bodies = len(self.cells.bodies)
        watts = np.bincount(self.cells.body, weights=each, minlength=n_bodies).astype(float)
        padded = np.append(currents, np.zeros(self.elements.length.size))
        for group, values in self._beside_means(frequency):
            product = (padded[group.row].conj() * padded[group.column]).real
            product[group.row != group.column] *= 2.0
            watts[group.body] -= omega * float(values.imag @ product)
        return watts

    def polarisation(self, inside: ComplexArray, frequency: float) -> PointMoments:
        """Polarisation currents jw alpha E times volume, spread over the cells' samples."""
        moments = self.cell_moments(inside[:, None], frequency)[..., 0]
        samples, first = self.cells.samples()
        counts = np.diff(first)
        return PointMoments(samples, np.repeat(moments / counts[:, None], counts, axis=0))

    def cell_moments(self, mean_fields: ComplexArray, frequency: float) -> ComplexArray:
        """Polarisation current times volume of each cell, (C, 3, V). [A m]

        Parameters
        ----------
        mean_fields : (3 C, V) complex
            Along the cells' axes. [V/m]
        """
        current = -self.weight(frequency)[:, None] * mean_fields
        own_axes = current.reshape(len(self.cells), 3, -1)
        return np.einsum("cab,cav->cbv", self.cells.frame, own_axes)


@lru_cache(maxsize=16)
def _gauss_tables(n_orders: int) -> tuple[IntArray, FloatArray, FloatArray]:
    counts = np.array(NODE_COUNTS, dtype=np.int64)
    xi = np.zeros((counts.size, counts[-1]))
    legendre = np.zeros((counts.size, n_orders, counts[-1]))
    for row, count in enumerate(NODE_COUNTS):
        nodes, weights = gauss(count)
        xi[row, :count] = nodes
        legendre[row, :, :count] = np.polynomial.legendre.legvander(nodes, n_orders - 1).T * weights
    return counts, xi, legendre


_BLAS: Any = blas


def _add_symmetric(matrix: ComplexArray, rows: ComplexArray) -> None:
    """matrix += rows rows^T (plain transpose)."""
    upper = np.triu(_BLAS.zsyrk(1.0, rows.T, trans=1))
    matrix += upper
    np.fill_diagonal(upper, 0.0)
    matrix += upper.T


def hermitian_product(rows: ComplexArray) -> ComplexArray:
    """conj(rows) rows^T, (N, N), of rows (N, K)."""
    upper = np.triu(_BLAS.zherk(1.0, rows.T, trans=2))
    found = upper + upper.conj().T
    np.fill_diagonal(found, upper.diagonal().real)
    return found


def prepare_volume(
    solids: Sequence[Solid],
    elements: Elements,
    basis: Basis,
    *,
    has_images: bool = False,
    rule: CellRule | None = None,
    known: Mapping[bytes, CellIntegrals] | None = None,
) -> Volume:
    """Cut the solids and integrate what does not depend on frequency.

    Parameters
    ----------
    solids : sequence of Timber or Sheet
        One at least.
    elements, basis
        The mesh as arrays, and its functions.
    has_images : bool
        True over perfect ground.
    rule : CellRule, optional
        How finely solids are cut.
    known : mapping, optional
        `Volume.known` of another mesh: solids with the same wires near them are not done again.
    """
    starts, ends = elements.center - elements.half, elements.center + elements.half
    cells = cut_solids(solids, starts, ends, CellRule() if rule is None else rule)
    plan = plan_bricks(cells, starts, ends)
    near = np.zeros((len(cells), elements.length.size), dtype=bool)
    mark_near(
        cells.center, cells.frame, cells.half, REACH * cells.size, elements.center, elements.half,
        near,
    )  # fmt: skip
    for run in plan.runs:
        near[run] = near[run].any(axis=0)
    parts = integrate_parts(cells, plan, near, elements, basis, {} if known is None else known)
    slot = np.full(near.shape, -1, dtype=np.int32)
    width = int(elements.degree.max()) + 2
    mean_vector = np.zeros((int(near.sum()), width))
    mean_slope = np.zeros((*mean_vector.shape, 3))
    begin = 0
    for part in parts:
        cell, element = np.nonzero(near[part.cells])
        own, means = slice(begin, begin + cell.size), part.integrals
        slot[part.cells[cell], element] = np.arange(own.start, own.stop)
        # another mesh may have had other degrees elsewhere
        both = min(width, means.mean_vector.shape[1])
        mean_vector[own, :both] = means.mean_vector[:, :both]
        mean_slope[own, :both] = means.mean_slope[:, :both]
        begin = own.stop
    lowest = float(min(starts[:, 2].min(), ends[:, 2].min()))
    size = basis.n_local + elements.length.size
    return Volume(
        elements, basis, cells, slot, mean_vector, mean_slope, parts, grouped(parts, size),
        has_images, make_grid(cells, lowest),
    )  # fmt: skip
