r"""Timber and sheets as weak scatterers: a term of the matrix, watts by group, polarisation.

Wood, board and tile carry the volume current J = jw alpha E with alpha = eps0 (ec - 1) times what
the shape lets in: 1 along a timber and 2/(ec + 1) across it (exact for a thin round rod in a
uniform field and for a flat face near a line charge, quasi-statically), 1 in the plane of a thin
sheet and 1/ec normal to it.  With e_n the field of basis function n in the absence of the solids,

    Z_mn -= jw Int e_m . alpha . e_n dV,

no unknowns added and symmetric.  What is dropped is scattering from solid to solid.

**How it is integrated.**  Solids are cut into cells.  In each cell a field is split into its mean
and the rest, and the integral of a product into the product of the means and the covariance.
Means of far elements are taken from two or three samples; near elements' static fields are
integrated finely over the cell, once per geometry, and only the rest is sampled.  The covariance
matters where both elements are near; with the static potentials it is

    Q = [w^2 mu0^2 A + (mu0/eps0) B + C/(w eps0)^2]/(4 pi)^2

with A of the vector potentials, C of the gradients and B of both, integrated once per geometry.
No value is taken at a single point beside a wire, so nothing spikes when a cell's middle lies
there.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.constants import c as SPEED_OF_LIGHT
from scipy.constants import epsilon_0, mu_0

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
from .cells import Body, CellRule, Cells, cut_solids

if TYPE_CHECKING:
    from .cells import Solid

REACH = 1.5
"""Elements nearer to a cell than this times its longest side are integrated over it finely."""

NODE_COUNTS = (2, 3, 4, 6, 8, 12, 16, 24, 32, 48)
STATIC_NODES = 10
BLOCKS = 4
"""A symmetric product is computed in this many strips, the lower triangle mirrored."""

INVERSE_FOUR_PI = 0.25 / np.pi


def shape_factors(kind: str, permittivity: ComplexArray) -> ComplexArray:
    """What a solid's shape lets in of the field outside, along its three axes, (3,)."""
    if kind == "sheet":
        return np.array([1.0, 1.0, 1.0 / permittivity[2]])
    return np.array([1.0, 2.0 / (permittivity[1] + 1.0), 2.0 / (permittivity[2] + 1.0)])


def polarisability(body: Body, frequency: float) -> ComplexArray:
    """alpha along the three axes of a body's cells, (3,). [F/m]"""
    permittivity = body.permittivity(frequency)
    return epsilon_0 * (permittivity - 1.0) * shape_factors(body.kind, permittivity)


class Covariance(NamedTuple):
    """Sub-cell part of a body along some of its axes, as real sparse forms of the functions.

    Attributes
    ----------
    vector, mixed, slope : sparse (M + E, M + E)
        A, B and C, integrated over the volume, over the local functions followed by each
        element's next one. [m^3], [m], [1/m]
    """

    vector: sparse.csr_array
    mixed: sparse.csr_array
    slope: sparse.csr_array

    def at(self, omega: float) -> sparse.csr_array:
        """Q: the integral of the product of what the means leave out is -Q. [(V/m)^2 m^3/A^2]"""
        total = self.vector * (omega * mu_0) ** 2 + self.mixed * (mu_0 / epsilon_0)
        return total + self.slope * (1.0 / (omega * epsilon_0) ** 2)


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


AddReflectedFunctions = Callable[[ComplexArray, ComplexArray, int], None]
"""add(local, following, extra): adds what a real earth reflects to the fields at the cells."""


@dataclass(frozen=True, eq=False)
class Volume:
    """The solids about a mesh, with all that does not depend on frequency.

    Attributes
    ----------
    cells : Cells
    slot : (C, E) int
        Rows of `mean_vector`, `mean_slope`; -1 for far pairs.
    covariance : tuple of (Covariance, Covariance)
        By body: along a timber or in the plane of a sheet, and across or normal to it.
    points : int
        Points of the fine integration.
    """

    elements: Elements
    basis: Basis
    cells: Cells
    slot: NDArray[np.int32]
    mean_vector: FloatArray
    mean_slope: FloatArray
    covariance: tuple[tuple[Covariance, Covariance], ...]
    points: int
    has_images: bool

    @property
    def groups(self) -> tuple[str, ...]:
        """Names of the groups, in order."""
        return tuple(dict.fromkeys(body.group for body in self.cells.bodies))

    @property
    def node_tables(self) -> tuple[IntArray, FloatArray, FloatArray]:
        """Gauss tables of rising size: counts (T,), nodes (T, G), polynomials (T, W, G)."""
        return _gauss_tables(int(self.elements.degree.max()) + 2)

    def alpha(self, frequency: float) -> ComplexArray:
        """Polarisability of each body along its axes, (B, 3). [F/m]"""
        return np.array([polarisability(body, frequency) for body in self.cells.bodies])

    def fields(
        self,
        frequency: float,
        *,
        add_reflected: AddReflectedFunctions | None = None,
        extra: int = 0,
    ) -> FunctionFields:
        """Mean fields of all local functions over the cells.

        Parameters
        ----------
        frequency : float
            [Hz]
        add_reflected : callable, optional
            Adds what a real earth reflects.
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
        if add_reflected is not None:
            add_reflected(local, following, extra)
        return FunctionFields(local, following)

    def means(self, fields: FunctionFields) -> ComplexArray:
        """Mean fields over the cells by global function, (N, 3 C). [V/m per A]"""
        return self.basis.combination.T.tocsr() @ fields.local

    def _weight(self, alpha: ComplexArray, omega: float) -> ComplexArray:
        return (-1j * omega) * (self.cells.volume[:, None] * alpha[self.cells.body]).ravel()

    def term(self, means: ComplexArray, alpha: ComplexArray, frequency: float) -> SolidTerm:
        """What these solids would add to the matrix with another polarisability.

        Parameters
        ----------
        means : (N, 3 C) complex
            Of `means`.
        alpha : (B, 3) complex
            By body; bodies and axes with zeros cost nothing. [F/m]
        """
        omega = 2.0 * np.pi * frequency
        weight = self._weight(alpha, omega)
        count = np.flatnonzero(weight)
        own = means if count.size == weight.size else means[:, count]
        combination, n_local = self.basis.combination, self.basis.n_local
        form = self._covariance_form(alpha, omega)[:n_local, :n_local]
        inner = sparse.csr_array(combination.T @ form @ combination)
        return SolidTerm(own, weight[count], inner)

    def add_to(self, filled: Filled, fields: FunctionFields, frequency: float) -> None:
        """Add the solids' term to a matrix and to the next functions' rows, in place."""
        omega = 2.0 * np.pi * frequency
        combination = self.basis.combination
        alpha = self.alpha(frequency)
        weight = self._weight(alpha, omega)
        _add_symmetric(filled.matrix, self.means(fields) * np.sqrt(weight))
        form = self._covariance_form(alpha, omega)
        n_local = self.basis.n_local
        inner = sparse.coo_array(combination.T @ form[:n_local, :n_local] @ combination)
        filled.matrix[inner.row, inner.col] += inner.data
        if filled.next_diagonal.size:
            following = fields.following * weight
            filled.next_rows[...] += following @ fields.local.T + form[n_local:, :n_local].toarray()
            filled.next_diagonal[...] += np.einsum("ec,ec->e", following, fields.following)
            filled.next_diagonal[...] += form[n_local:, n_local:].diagonal()

    def _covariance_form(self, alpha: ComplexArray, omega: float) -> sparse.csr_array:
        total = sparse.csr_array(self.covariance[0][0].slope.shape, dtype=np.complex128)
        for (along, across), (one, _, two) in zip(self.covariance, alpha, strict=True):
            for part, covariance in ((one, along), (two, across)):
                if part != 0.0 and covariance.slope.nnz:
                    total = total + covariance.at(omega) * (1j * omega * part)
        return total

    def state(self, fields: FunctionFields, currents: ComplexArray, frequency: float) -> SolidState:
        """Losses by group, and polarisation, for currents of the local functions (M,). [A]"""
        watts = dict.fromkeys(self.groups, 0.0)
        losses = self.losses(fields, currents, frequency)
        for body, loss in zip(self.cells.bodies, losses, strict=True):
            watts[body.group] += float(loss)
        return SolidState(watts, self.polarisation(fields, currents, frequency))

    def losses(
        self,
        fields: FunctionFields,
        currents: ComplexArray,
        frequency: float,
        *,
        alpha: ComplexArray | None = None,
    ) -> FloatArray:
        """Watts turned to heat in each body, w Int E^H (-Im alpha) E dV, (B,).

        Parameters
        ----------
        currents : (M,) complex
            Coefficients of the local functions, RMS. [A]
        alpha : (B, 3) complex, optional
            Another polarisability than the bodies' own. [F/m]
        """
        omega = 2.0 * np.pi * frequency
        loss = -omega * (self.alpha(frequency) if alpha is None else alpha).imag
        square = np.abs(currents @ fields.local).reshape(-1, 3) ** 2
        each = self.cells.volume * (square * loss[self.cells.body]).sum(axis=1)
        n_bodies = len(self.cells.bodies)
        watts = np.bincount(self.cells.body, weights=each, minlength=n_bodies).astype(float)
        n_local = self.basis.n_local
        for b, (along, across) in enumerate(self.covariance):
            for part, covariance in ((loss[b, 0], along), (loss[b, 2], across)):
                product = covariance.at(omega)[:n_local, :n_local] @ currents
                watts[b] += part * float(np.vdot(currents, product).real)
        return watts

    def polarisation(
        self, fields: FunctionFields, currents: ComplexArray, frequency: float
    ) -> PointMoments:
        """Polarisation currents jw alpha E times volume, spread over the cells' samples."""
        inside = (currents @ fields.local)[:, None]
        moments = self.cell_moments(inside, self.alpha(frequency), frequency)[..., 0]
        samples, first = self.cells.samples()
        counts = np.diff(first)
        return PointMoments(samples, np.repeat(moments / counts[:, None], counts, axis=0))

    def cell_moments(
        self, mean_fields: ComplexArray, alpha: ComplexArray, frequency: float
    ) -> ComplexArray:
        """Polarisation current times volume of each cell, (C, 3, V). [A m]

        Parameters
        ----------
        mean_fields : (3 C, V) complex
            Along the cells' axes. [V/m]
        alpha : (B, 3) complex
            By body. [F/m]
        """
        current = -self._weight(alpha, 2.0 * np.pi * frequency)[:, None] * mean_fields
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


def _add_symmetric(matrix: ComplexArray, rows: ComplexArray) -> None:
    """matrix += rows rows^T (plain transpose), a strip at a time."""
    size = matrix.shape[0]
    edges = np.linspace(0, size, BLOCKS + 1).astype(int)
    for low, high in itertools.pairwise(edges):
        strip = rows[low:high] @ rows[low:].T
        matrix[low:high, low:] += strip
        matrix[high:, low:high] += strip[:, high - low :].T


def prepare_volume(
    solids: Sequence[Solid],
    elements: Elements,
    basis: Basis,
    *,
    has_images: bool = False,
    rule: CellRule | None = None,
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
    """
    starts, ends = elements.center - elements.half, elements.center + elements.half
    cells = cut_solids(solids, starts, ends, CellRule() if rule is None else rule)
    n_cells, n_elements = len(cells), elements.length.size
    near = np.zeros((n_cells, n_elements), dtype=bool)
    kernels.mark_near(
        cells.center, cells.frame, cells.half, REACH * cells.size, elements.center, elements.half,
        near,
    )  # fmt: skip
    owner, members = (index.astype(np.int64) for index in np.nonzero(near))
    slot = np.full(near.shape, -1, dtype=np.int32)
    slot[owner, members] = np.arange(members.size, dtype=np.int32)
    first_member = np.searchsorted(owner, np.arange(n_cells + 1)).astype(np.int64)
    n_functions = elements.degree + 2
    width = int(n_functions.max())
    columns = np.bincount(owner, weights=n_functions[members], minlength=n_cells).astype(np.int64)
    first_entry = np.concatenate([[0], np.cumsum(columns**2)])
    mean_vector = np.zeros((members.size, width))
    mean_slope = np.zeros((members.size, width, 3))
    forms = np.zeros((6, first_entry[-1]))
    points = np.zeros(n_cells, dtype=np.int64)
    nodes, weights = gauss(STATIC_NODES)
    legendre = np.polynomial.legendre.legvander(nodes, width - 1).T * weights
    kernels.integrate_cells(
        cells.center, cells.frame, cells.half, cells.flat, first_member, members, first_entry,
        n_functions, *elements[:4], np.array(nodes), np.ascontiguousarray(legendre),
        mean_vector, mean_slope, forms, points,
    )  # fmt: skip
    covariance = _gather_forms(cells, basis, members, first_member, first_entry, n_functions, forms)
    return Volume(
        elements, basis, cells, slot, mean_vector, mean_slope, covariance, int(points.sum()),
        has_images,
    )  # fmt: skip


def _gather_forms(
    cells: Cells,
    basis: Basis,
    members: IntArray,
    first_member: IntArray,
    first_entry: IntArray,
    n_functions: IntArray,
    forms: FloatArray,
) -> tuple[tuple[Covariance, Covariance], ...]:
    """Sum the cells' covariances by body, as forms of all local and next functions."""
    n_elements = n_functions.size
    own = [
        np.append(np.arange(basis.offset[e], basis.offset[e + 1]), basis.n_local + e)
        for e in range(n_elements)
    ]
    size = basis.n_local + n_elements
    found = []
    for body in range(len(cells.bodies)):
        rows: list[IntArray] = []
        columns: list[IntArray] = []
        values: list[FloatArray] = []
        for c in np.flatnonzero(cells.body == body):
            near = members[first_member[c] : first_member[c + 1]]
            if near.size:
                place = np.concatenate([own[e] for e in near])
                rows.append(np.repeat(place, place.size))
                columns.append(np.tile(place, place.size))
                scale = cells.volume[c] * INVERSE_FOUR_PI**2
                values.append(forms[:, first_entry[c] : first_entry[c + 1]] * scale)
        if rows:
            at = (np.concatenate(rows), np.concatenate(columns))
            six = np.concatenate(values, axis=1)
            sums = [
                sparse.csr_array(sparse.coo_array((one, at), shape=(size, size))) for one in six
            ]
        else:
            sums = [sparse.csr_array((size, size)) for _ in range(6)]
        found.append((Covariance(*sums[:3]), Covariance(*sums[3:])))
    return tuple(found)
