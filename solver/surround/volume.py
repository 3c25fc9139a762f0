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

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

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
from ..moments.quadrature import gauss, lagrange_weights
from . import kernels
from .bricks import Bricks, BrickWeight, plan_bricks
from .cells import Body, CellRule, Cells, cut_solids
from .far_earth import ObserverGrid, make_grid

if TYPE_CHECKING:
    from .cells import Solid

REACH = 0.9
"""Elements nearer to a cell than this times its longest side are integrated over it finely."""

NODE_COUNTS = (2, 3, 4, 6, 8, 12, 16, 24, 32, 48)
STATIC_NODES = 10
MOST_ENTRIES = 1_000_000
"""Of a row of forms held at once, 100 MB in all."""

NODE_FREQUENCY, LOWEST_NODE, HIGHEST_NODE = 1.5e6, -3, 5
"""Bricks are worked out at 1.5 MHz times powers of two, up to 48 MHz, and interpolated between."""

BLOCKS = 4
"""A symmetric product is computed in this many strips, the lower triangle mirrored."""

INVERSE_FOUR_PI = 0.25 / np.pi


def polarisability(body: Body, frequency: float) -> tuple[ComplexArray, ComplexArray]:
    """alpha of even fields along the three axes, and of the four classes of forms, (3,), (4,).

    Even fields are means over cells; the classes are those of `kernels.integrate_cells`. [F/m]
    """
    permittivity = body.permittivity(frequency)
    less_one = permittivity - 1.0
    if body.kind == "sheet":
        even = less_one / np.array([1.0, 1.0, permittivity[2]])
        classes = [even[0], even[2], 2.0 * less_one[0] / (permittivity[0] + 1.0), 0.0]
    else:
        width, depth = body.half
        shape = np.array([0.0, depth, width]) / (width + depth)
        even = less_one / (1.0 + shape * less_one)
        classes = [*even, 2.0 * less_one[1] / (permittivity[1] + 1.0)]
    weights = np.array([*even, *classes], dtype=np.complex128) * epsilon_0
    return weights[:3], weights[3:]


@dataclass(frozen=True, eq=False)
class Covariance:
    """Sub-cell part of a body as forms of the functions, integrated over its volume.

    Attributes
    ----------
    row, column : (K,) int
        Local functions, then each element's next one; each pair once.
    values : (12, K) float
        A, B and C for each of the four classes of `kernels.integrate_cells`. [m^3], [m], [1/m]
    """

    row: IntArray
    column: IntArray
    values: FloatArray

    def at(self, classes: ComplexArray | FloatArray, omega: float) -> NDArray[Any]:
        """sum over classes of weight times Q, (K,), Q in (V/m)^2 m^3/A^2 for a weight of 1."""
        return np.outer(classes, steps_of(omega)).ravel() @ self.values


def steps_of(omega: float) -> FloatArray:
    """Factors of A, B and C in Q, (3,)."""
    return np.array([(omega * mu_0) ** 2, mu_0 / epsilon_0, 1.0 / (omega * epsilon_0) ** 2])


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
    covariance : tuple of Covariance
        By body.
    bricks : tuple of tuple of Bricks
        By body, its runs of cells close to wires.
    points : int
        Points of the fine integration.
    """

    elements: Elements
    basis: Basis
    cells: Cells
    slot: NDArray[np.int32]
    mean_vector: FloatArray
    mean_slope: FloatArray
    covariance: tuple[Covariance, ...]
    bricks: tuple[tuple[Bricks, ...], ...]
    points: int
    has_images: bool
    grid: ObserverGrid
    brick_forms: dict[tuple[int, int], ComplexArray] = field(default_factory=dict, init=False)

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

    def _weight(self, omega: float) -> ComplexArray:
        even = self.alpha(omega / (2.0 * np.pi))
        return (-1j * omega) * (self.cells.volume[:, None] * even[self.cells.body]).ravel()

    def with_bodies(self, bodies: Sequence[Body]) -> Volume:
        """The same cells filled with other stuff, one body for each there is."""
        changed = replace(self, cells=replace(self.cells, bodies=tuple(bodies)))
        for (body, node), forms in self.brick_forms.items():
            if bodies[body] is self.cells.bodies[body]:
                changed.brick_forms[body, node] = forms
        return changed

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
        weight = self._weight(2.0 * np.pi * frequency) - other._weight(2.0 * np.pi * frequency)
        count = np.flatnonzero(weight)
        own = means if count.size == weight.size else means[:, count]
        both = enumerate(zip(self.cells.bodies, other.cells.bodies, strict=True))
        changed = [b for b, (one, two) in both if one is not two]
        combination, n_local = self.basis.combination, self.basis.n_local
        form = self._form(frequency, changed) - other._form(frequency, changed)
        inner = sparse.csr_array(combination.T @ form[:n_local, :n_local] @ combination)
        return SolidTerm(own, weight[count], inner)

    def add_to(self, filled: Filled, fields: FunctionFields, frequency: float) -> None:
        """Add the solids' term to a matrix and to the next functions' rows, in place."""
        omega = 2.0 * np.pi * frequency
        combination = self.basis.combination
        weight = self._weight(omega)
        _add_symmetric(filled.matrix, self.means(fields) * np.sqrt(weight))
        form = self._form(frequency)
        n_local = self.basis.n_local
        inner = sparse.coo_array(combination.T @ form[:n_local, :n_local] @ combination)
        filled.matrix[inner.row, inner.col] += inner.data
        if filled.next_diagonal.size:
            following = fields.following * weight
            filled.next_rows[...] += following @ fields.local.T + form[n_local:, :n_local].toarray()
            filled.next_diagonal[...] += np.einsum("ec,ec->e", following, fields.following)
            filled.next_diagonal[...] += form[n_local:, n_local:].diagonal()

    def _beside_means(self, body: int, frequency: float) -> ComplexArray:
        """alpha times what the cells' means leave out of a body, by pairs of functions, (K,)."""
        omega = 2.0 * np.pi * frequency
        _, classes = polarisability(self.cells.bodies[body], frequency)
        values = self.covariance[body].at(classes, omega)
        if self.bricks[body] and not self.cells.bodies[body].is_empty:
            octave = np.log2(frequency / NODE_FREQUENCY)
            middle = int(np.clip(np.rint(octave), LOWEST_NODE + 1, HIGHEST_NODE - 1))
            nodes = np.arange(middle - 1, middle + 2)
            weights = lagrange_weights(nodes.astype(float), octave)
            for node, weight in zip(nodes, weights, strict=True):
                if weight != 0.0:
                    values = values + weight * (steps_of(omega) @ self._at_node(body, int(node)))
        return values

    def _at_node(self, body: int, node: int) -> ComplexArray:
        """Forms of a body's bricks at a node frequency, (3, K), kept once they are made.

        They depend on frequency by the permittivity alone, which is smooth: three nodes an octave
        apart serve all frequencies between.
        """
        key = (body, node)
        if key not in self.brick_forms:
            frequency = NODE_FREQUENCY * 2.0**node
            stuff = self.cells.bodies[body]
            even, _ = polarisability(stuff, frequency)
            chi = stuff.permittivity(frequency) - 1.0
            total = np.zeros((3, self.covariance[body].row.size), dtype=np.complex128)
            known: dict[object, BrickWeight] = {}
            for bricks in self.bricks[body]:
                shape = (bricks.sides, bricks.counts)
                if shape not in known:
                    known[shape] = bricks.weight(chi, even)
                inside = bricks.place >= 0
                total[:, bricks.place[inside]] += bricks.forms(known[shape])[:, inside]
            self.brick_forms[key] = total
        return self.brick_forms[key]

    def _form(self, frequency: float, bodies: Sequence[int] | None = None) -> sparse.csr_array:
        """What the means leave out, a symmetric (M + E, M + E) form of all functions."""
        size = self.basis.n_local + self.elements.length.size
        row, column, value = [], [], []
        for body in range(len(self.covariance)) if bodies is None else bodies:
            covariance = self.covariance[body]
            values = self._beside_means(body, frequency)
            inner = covariance.row != covariance.column
            row += [covariance.row, covariance.column[inner]]
            column += [covariance.column, covariance.row[inner]]
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
        for body, covariance in enumerate(self.covariance):
            product = (padded[covariance.row].conj() * padded[covariance.column]).real
            product[covariance.row != covariance.column] *= 2.0
            watts[body] -= omega * float(self._beside_means(body, frequency).imag @ product)
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
        current = -self._weight(2.0 * np.pi * frequency)[:, None] * mean_fields
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
    plan = plan_bricks(cells, starts, ends)
    for run in plan.runs:
        near[run] = near[run].any(axis=0)
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
    points = np.zeros(n_cells, dtype=np.int64)
    n_bricks = np.where(plan.kind == kernels.BRICKED, plan.counts.prod(axis=1), 0)
    first_brick = np.concatenate([[0], np.cumsum(n_bricks * columns)])
    brick_vector, brick_slope = np.zeros(first_brick[-1]), np.zeros((first_brick[-1], 3))
    nodes, weights = gauss(STATIC_NODES)
    legendre = np.polynomial.legendre.legvander(nodes, width - 1).T * weights
    chosen = [cells.body == b for b in range(len(cells.bodies))]
    blocks = [_blocks(near[one], n_functions) for one in chosen]
    values = [np.zeros((12, size)) for _, size in blocks]
    first = 0
    while first < n_cells:
        limit = first_entry[first] + MOST_ENTRIES
        last = max(first + 1, int(np.searchsorted(first_entry, limit, side="right")) - 1)
        forms = np.zeros((12, first_entry[last] - first_entry[first]))
        kernels.integrate_cells(
            first, last, cells.center, cells.frame, cells.half, plan.kind, plan.counts,
            first_member, members, first_entry, n_functions, *elements[:4], np.array(nodes),
            np.ascontiguousarray(legendre), mean_vector, mean_slope, forms,
            first_brick, brick_vector, brick_slope, points,
        )  # fmt: skip
        for one, (block, _), value in zip(chosen, blocks, values, strict=True):
            kernels.scatter_forms(
                first, last, one, cells.volume, first_member, members, first_entry, n_functions,
                forms, block, value,
            )  # fmt: skip
        first = last
    covariance = tuple(
        _covariance(block, value, basis, n_functions)
        for (block, _), value in zip(blocks, values, strict=True)
    )
    numbers = _function_numbers(basis, n_functions)
    found: list[list[Bricks]] = [[] for _ in cells.bodies]
    size = basis.n_local + n_elements
    where = [
        sparse.csr_array(
            sparse.coo_array(
                (np.arange(1, one.row.size + 1), (one.row, one.column)), shape=(size, size)
            )
        )
        for one in covariance
    ]
    for run in plan.runs:
        one, total = int(run[0]), int(columns[run[0]])
        if total == 0:
            continue
        own = members[first_member[one] : first_member[one + 1]]
        axes = (elements.half[own] / elements.length[own, None]) @ cells.frame[one].T
        axes = np.repeat(axes, n_functions[own], axis=0)
        part = np.concatenate(
            [np.arange(int(first_brick[c]), int(first_brick[c + 1])) for c in run]
        )
        vector = brick_vector[part].reshape(-1, total)[:, :, None] * axes
        slope = brick_slope[part].reshape(-1, total, 3)
        functions = np.concatenate([numbers[e] for e in own])
        found[cells.body[one]].append(
            Bricks.from_means(
                functions,
                np.round(2.0 * cells.half[one] / plan.counts[one], 9),
                plan.counts[run],
                (vector * INVERSE_FOUR_PI, slope * INVERSE_FOUR_PI),
                place=where[cells.body[one]][functions][:, functions].toarray() - 1,
            )
        )
    return Volume(
        elements, basis, cells, slot, mean_vector, mean_slope, covariance,
        tuple(tuple(one) for one in found), int(points.sum()), has_images,
        make_grid(cells, float(min(starts[:, 2].min(), ends[:, 2].min()))),
    )  # fmt: skip


def _function_numbers(basis: Basis, n_functions: IntArray) -> list[IntArray]:
    """Numbers of each element's functions, the next one last, as in `Covariance`."""
    return [
        np.append(np.arange(basis.offset[e], basis.offset[e + 1]), basis.n_local + e)
        for e in range(n_functions.size)
    ]


def _blocks(near: NDArray[np.bool_], n_functions: IntArray) -> tuple[IntArray, int]:
    """Where the block of each pair of elements that share a cell begins, and how many numbers."""
    shared = near.astype(np.float32)
    pair_i, pair_j = np.nonzero(np.triu(shared.T @ shared) > 0.0)
    sizes = n_functions[pair_i] * n_functions[pair_j]
    ends = np.cumsum(sizes)
    block = np.full((n_functions.size, n_functions.size), -1, dtype=np.int64)
    block[pair_i, pair_j] = ends - sizes
    return block, int(ends[-1]) if ends.size else 0


def _covariance(
    block: IntArray, values: FloatArray, basis: Basis, n_functions: IntArray
) -> Covariance:
    """Blocks as a list of pairs of functions, upper triangle only."""
    pair_i, pair_j = np.nonzero(block >= 0)
    order = np.argsort(block[pair_i, pair_j], kind="stable")
    pair_i, pair_j = pair_i[order], pair_j[order]
    sizes = n_functions[pair_i] * n_functions[pair_j]
    pair = np.repeat(np.arange(pair_i.size), sizes)
    inside = np.arange(pair.size) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    i, j = pair_i[pair], pair_j[pair]
    a, b = inside // n_functions[j], inside % n_functions[j]

    def number(element: IntArray, function: IntArray) -> IntArray:
        own = function < n_functions[element] - 1
        return np.where(own, basis.offset[element] + function, basis.n_local + element)

    row, column = number(i, a), number(j, b)
    keep = (i != j) | (a <= b)
    row, column, values = row[keep], column[keep], values[:, keep] * INVERSE_FOUR_PI**2
    # the next functions come after all others: keep to the upper triangle there too
    swap = row > column
    row[swap], column[swap] = column[swap], row[swap].copy()
    return Covariance(row, column, np.ascontiguousarray(values))
