"""What cells and the wires near them have in common at all frequencies, a part at a time.

A part is a run of cells that a wire crosses, or a cell by itself.  Parts near which the wires stay
as they are keep their integrals when other wires change.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.constants import epsilon_0, mu_0

from ..moments.assembly import Elements
from ..moments.basis import Basis, ComplexArray, FloatArray, IntArray
from ..moments.quadrature import gauss, lagrange_weights
from . import kernels
from .bricks import BrickPlan, Bricks
from .cells import Body, Cells
from .placing_kernels import scatter_forms

STATIC_NODES = 10
MOST_ENTRIES = 1_000_000
"""Of a row of forms held at once, 100 MB in all."""

NODE_FREQUENCY, LOWEST_NODE, HIGHEST_NODE = 1.5e6, -3, 5
"""Bricks are worked out at 1.5 MHz times powers of two, up to 48 MHz, and interpolated between."""

MOST_FORMS = 48
"""Forms of bricks that are kept, by stuff and by frequency."""

MOST_FREQUENCIES = 64
"""At which a body's polarisability is kept."""

INVERSE_FOUR_PI = 0.25 / np.pi


def polarisability(body: Body, frequency: float) -> tuple[ComplexArray, ComplexArray]:
    """alpha of even fields along the three axes, and of the four classes of forms, (3,), (4,).

    Even fields are means over cells; the classes are those of `kernels.integrate_cells`. [F/m]
    """
    known = body.polarisabilities
    if frequency in known:
        return known[frequency]
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
    weights.setflags(write=False)
    if len(known) >= MOST_FREQUENCIES:
        known.clear()
    known[frequency] = weights[:3], weights[3:]
    return known[frequency]


@dataclass(frozen=True, eq=False)
class Covariance:
    """Sub-cell part of fields as forms of the functions, integrated over cells.

    Attributes
    ----------
    row, column : (K,) int
        Local functions of the near elements, then each one's next; each pair once.
    values : (3 R, K) float
        A, B and C for R of the four classes of `kernels.integrate_cells`: the last in bricks, else
        the first three. [m^3], [m], [1/m]
    """

    row: IntArray
    column: IntArray
    values: FloatArray


def steps_of(omega: float) -> FloatArray:
    """Factors of A, B and C in Q, (3,)."""
    return np.array([(omega * mu_0) ** 2, mu_0 / epsilon_0, 1.0 / (omega * epsilon_0) ** 2])


class Numbering(NamedTuple):
    """Where the functions of elements are in a list: their own in turn, then each one's next."""

    offset: IntArray
    n_local: int

    def numbers(self, elements: IntArray, n_functions: IntArray) -> IntArray:
        """Of all functions of some elements, in the order of a list that holds these alone."""
        own = [
            np.arange(int(n) - 1) + int(self.offset[e])
            for e, n in zip(elements, n_functions, strict=True)
        ]
        return np.concatenate([*own, self.n_local + elements]).astype(np.int64)

    @classmethod
    def of(cls, n_functions: IntArray) -> Numbering:
        """Of elements that have so many functions, the next one counted."""
        ends = np.cumsum(n_functions - 1)
        return cls(ends - (n_functions - 1), int(ends[-1]) if ends.size else 0)


class BrickStuff(NamedTuple):
    """What bricks are made of at a node frequency.

    Attributes
    ----------
    key : hashable
        Of all that decides it.
    susceptibility, even : (3,) complex
        ec - 1 along the axes, and alpha of even fields [F/m].
    """

    key: Any
    susceptibility: ComplexArray
    even: ComplexArray

    @classmethod
    def of(cls, body: Body, node: int) -> BrickStuff:
        """At 2^node times `NODE_FREQUENCY`."""
        frequency = NODE_FREQUENCY * 2.0**node
        even, _ = polarisability(body, frequency)
        return cls((body.sample.stuff, body.half, node), body.permittivity(frequency) - 1.0, even)


@dataclass(frozen=True, eq=False)
class CellIntegrals:
    """Integrals over the cells of a part, functions numbered within its near elements.

    Attributes
    ----------
    covariance : Covariance
    bricks : Bricks or None
        Of timber close to wires.
    mean_vector, mean_slope : (S, W) and (S, W, 3) float
        Means of v_f and s_f over the cells, by cell and near element.
    points : int
        Points of the fine integration.
    """

    covariance: Covariance
    bricks: Bricks | None
    mean_vector: FloatArray
    mean_slope: FloatArray
    points: int
    _forms: dict[Any, NDArray[np.complex64]] = field(default_factory=dict, init=False, repr=False)

    def brick_forms(self, stuffs: Sequence[BrickStuff]) -> list[NDArray[np.complex64]]:
        """Forms of the bricks of each stuff at a node frequency, (3, K), kept once they are made.

        They depend on frequency by the permittivity alone, which is smooth: three nodes an octave
        apart serve all frequencies between.
        """
        new = [stuff for stuff in stuffs if stuff.key not in self._forms]
        found = {s.key: self._forms[s.key] for s in stuffs if s.key in self._forms}
        made: list[ComplexArray] = []
        if self.bricks is not None and new:
            made = self.bricks.forms([self.bricks.weight(s.susceptibility, s.even) for s in new])
        for n, stuff in enumerate(new):
            total = np.zeros((3, self.covariance.row.size), dtype=np.complex64)
            if self.bricks is not None:
                inside = self.bricks.place >= 0
                total[:, self.bricks.place[inside]] = made[n][:, inside]
            found[stuff.key] = _kept(self._forms, stuff.key, total)
        return [found[stuff.key] for stuff in stuffs]


def _kept(forms: dict[Any, Any], key: Any, value: Any) -> Any:
    """A value, put among the last `MOST_FORMS`."""
    while len(forms) >= MOST_FORMS:
        del forms[next(iter(forms))]
    forms[key] = value
    return value


@dataclass(frozen=True, eq=False)
class Group:
    """Parts of a body with or without bricks, together.

    Attributes
    ----------
    body : int
    parts : tuple of CellIntegrals
    bricked : bool
    row, column : (K,) int
        Pairs of functions of the mesh, each once.
    place : (sum of the parts' K,) int
        Where their pairs are among these; K for those of functions that the mesh has not.
    values : (3 R, K) float
        Sums over the parts.
    """

    body: int
    parts: tuple[CellIntegrals, ...]
    bricked: bool
    row: IntArray
    column: IntArray
    place: IntArray
    values: FloatArray
    _forms: dict[Any, ComplexArray] = field(default_factory=dict, init=False, repr=False)

    @classmethod
    def of(cls, parts: Sequence[Part], *, bricked: bool, size: int) -> Group:
        """Of parts of one body; `size` is the number of the mesh's functions, the next included."""
        own = [part.integrals for part in parts]
        row = np.concatenate([p.numbers[p.integrals.covariance.row] for p in parts])
        column = np.concatenate([p.numbers[p.integrals.covariance.column] for p in parts])
        there = (row >= 0) & (column >= 0)
        kept, found = np.unique(row[there] * size + column[there], return_inverse=True)
        place = np.full(row.size, kept.size)
        place[there] = found
        every = np.concatenate([one.covariance.values for one in own], axis=1)
        values = np.array([_summed(place, v, kept.size) for v in every], dtype=float)
        return cls(parts[0].body, tuple(own), bricked, kept // size, kept % size, place, values)

    def beside_means(self, body: Body, frequency: float) -> ComplexArray:
        """alpha times what the cells' means leave out, by pairs of functions, (K,)."""
        steps = steps_of(2.0 * np.pi * frequency)
        classes = polarisability(body, frequency)[1]
        factors = np.outer(classes[3:] if self.bricked else classes[:3], steps).ravel()
        # real and imaginary part by one real product
        real, imaginary = np.stack([factors.real, factors.imag]) @ self.values
        values = real + 1j * imaginary
        if self.bricked and not body.is_empty:
            octave = np.log2(frequency / NODE_FREQUENCY)
            middle = int(np.clip(np.rint(octave), LOWEST_NODE + 1, HIGHEST_NODE - 1))
            nodes = np.arange(middle - 1, middle + 2)
            weights = lagrange_weights(nodes.astype(float), octave)
            there = weights != 0.0
            forms = self._brick_forms(body, list(map(int, nodes[there])))
            for weight, form in zip(weights[there], forms, strict=True):
                values += (weight * steps) @ form
        return values

    def _brick_forms(self, body: Body, nodes: Sequence[int]) -> list[ComplexArray]:
        """Sums of the parts' forms at node frequencies, (3, K) each."""
        keys = {node: (body.sample.stuff, body.half, node) for node in nodes}
        found = {node: self._forms[key] for node, key in keys.items() if key in self._forms}
        new = [node for node in nodes if node not in found]
        if new:
            stuffs = [BrickStuff.of(body, node) for node in new]
            parts = [one.brick_forms(stuffs) for one in self.parts]
            for n, node in enumerate(new):
                every = np.concatenate([part[n] for part in parts], axis=1)
                summed = [
                    _summed(self.place, side, self.row.size)
                    for one in every
                    for side in (one.real, one.imag)
                ]
                total = np.array(summed[::2]) + 1j * np.array(summed[1::2])
                found[node] = _kept(self._forms, keys[node], total)
        return [found[node] for node in nodes]


def _summed(place: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Sums of values by place, (size,); those with the place `size` are left out."""
    return np.bincount(place, weights=values, minlength=size + 1)[:size].astype(float)


class Part(NamedTuple):
    """A run of cells, or one, among the wires of a mesh.

    Attributes
    ----------
    key : bytes
        Of all that its integrals depend on.
    cells : (R,) int
        In order.
    body : int
        Of the cells.
    numbers : (L,) int
        Of the mesh: the functions of its near elements, -1 for those that it has not.
    integrals : CellIntegrals
    """

    key: bytes
    cells: IntArray
    body: int
    numbers: IntArray
    integrals: CellIntegrals


def grouped(parts: Sequence[Part], size: int) -> tuple[Group, ...]:
    """Parts by body, those of bricks apart; `size` as for `Group.of`."""
    together: dict[tuple[int, bool], list[Part]] = {}
    for part in parts:
        if part.numbers.size:
            together.setdefault((part.body, part.integrals.bricks is not None), []).append(part)
    return tuple(
        Group.of(own, bricked=bricked, size=size) for (_, bricked), own in together.items()
    )


KEY_DECIMALS = 9
"""Places are told apart by so many. [m]"""


class _Site(NamedTuple):
    """A part's cells and near elements, before it is known whether they have been integrated."""

    cells: IntArray
    elements: IntArray
    near: NDArray[np.bool_]
    key: bytes


def integrate_parts(
    cells: Cells,
    plan: BrickPlan,
    near: NDArray[np.bool_],
    elements: Elements,
    basis: Basis,
    known: Mapping[bytes, CellIntegrals],
) -> tuple[Part, ...]:
    """Integrate over cells what is not known.

    Parameters
    ----------
    near : (C, E) bool
        Which elements are integrated finely over which cells.
    known : mapping
        Integrals by key, of `Part`.
    """
    n_functions = elements.degree + 2
    alone = np.ones(len(cells), dtype=bool)
    for run in plan.runs:
        alone[run] = False
    together = [*plan.runs, *np.flatnonzero(alone)[:, None]]
    sites = [_site(own, cells, plan, near, elements) for own in together]
    missing = {site.key: site for site in sites if site.key not in known}
    found = dict(known)
    found.update(_integrated(list(missing.values()), cells, plan, elements, n_functions))
    numbering = Numbering(basis.offset, basis.n_local)
    return tuple(
        Part(
            site.key,
            site.cells,
            int(cells.body[site.cells[0]]),
            numbering.numbers(site.elements, n_functions[site.elements]),
            found[site.key],
        )
        for site in sites
    )


def _site(
    own: IntArray,
    cells: Cells,
    plan: BrickPlan,
    near: NDArray[np.bool_],
    elements: Elements,
) -> _Site:
    which = np.flatnonzero(near[own].any(axis=0))
    here = near[own][:, which]
    digest = hashlib.sha256()
    # places count from the first cell: a house that is lifted as a whole has the same integrals
    origin = cells.center[own[0]]
    moved = elements._replace(center=elements.center - origin)
    for values in (
        cells.center[own] - origin, cells.half[own], cells.frame[own], cells.volume[own],
        plan.kind[own], plan.counts[own], here, *(one[which] for one in moved),
    ):  # fmt: skip
        digest.update(str(values.shape).encode())
        if values.dtype == np.float64:
            values = np.round(values, KEY_DECIMALS) + 0.0
        digest.update(np.ascontiguousarray(values).tobytes())
    return _Site(own, which, here, digest.digest())


class _Layout(NamedTuple):
    """Cells of some sites one after the other, as `kernels.integrate_cells` takes them."""

    center: FloatArray
    frame: FloatArray
    half: FloatArray
    volume: FloatArray
    kind: IntArray
    counts: IntArray
    first_member: IntArray
    members: IntArray
    first_entry: IntArray
    first_brick: IntArray
    columns: IntArray

    @classmethod
    def of(
        cls, sites: Sequence[_Site], cells: Cells, plan: BrickPlan, n_functions: IntArray
    ) -> _Layout:
        chosen = np.concatenate([site.cells for site in sites])
        pairs = [np.nonzero(site.near) for site in sites]
        begins = np.cumsum([0, *(site.cells.size for site in sites)])
        owner = np.concatenate(
            [begin + cell for begin, (cell, _) in zip(begins[:-1], pairs, strict=True)]
        )
        members = np.concatenate(
            [site.elements[element] for site, (_, element) in zip(sites, pairs, strict=True)]
        ).astype(np.int64)
        weights = n_functions[members]
        columns = np.bincount(owner, weights=weights, minlength=chosen.size).astype(np.int64)
        kind, counts = plan.kind[chosen], plan.counts[chosen]
        n_bricks = np.where(kind == kernels.BRICKED, counts.prod(axis=1), 0)
        return cls(
            cells.center[chosen], cells.frame[chosen], cells.half[chosen], cells.volume[chosen],
            kind, counts,
            np.searchsorted(owner, np.arange(chosen.size + 1)).astype(np.int64),
            members,
            np.concatenate([[0], np.cumsum(columns**2)]),
            np.concatenate([[0], np.cumsum(n_bricks * columns)]),
            columns,
        )  # fmt: skip


def _integrated(
    sites: Sequence[_Site],
    cells: Cells,
    plan: BrickPlan,
    elements: Elements,
    n_functions: IntArray,
) -> dict[bytes, CellIntegrals]:
    """Integrals by key over the cells of some parts."""
    if not sites:
        return {}
    laid = _Layout.of(sites, cells, plan, n_functions)
    n_cells, width = laid.kind.size, int(n_functions.max())
    mean_vector = np.zeros((laid.members.size, width))
    mean_slope = np.zeros((laid.members.size, width, 3))
    points = np.zeros(n_cells, dtype=np.int64)
    brick_vector, brick_slope = (
        np.zeros(laid.first_brick[-1]), np.zeros((laid.first_brick[-1], 3))
    )  # fmt: skip
    nodes, weights = gauss(STATIC_NODES)
    legendre = np.polynomial.legendre.legvander(nodes, width - 1).T * weights
    site_of = np.repeat(np.arange(len(sites)), [site.cells.size for site in sites])
    blocks = [_blocks(site.near, n_functions[site.elements]) for site in sites]
    values = [np.zeros((12, size)) for _, size in blocks]
    place = np.zeros(elements.length.size, dtype=np.int64)
    first = 0
    while first < n_cells:
        base = laid.first_entry[first]
        limit = np.searchsorted(laid.first_entry, base + MOST_ENTRIES, side="right")
        last = max(first + 1, int(limit) - 1)
        forms = np.zeros((12, laid.first_entry[last] - base))
        kernels.integrate_cells(
            first, last, laid.center, laid.frame, laid.half, laid.kind, laid.counts,
            laid.first_member, laid.members, laid.first_entry, n_functions, *elements[:4],
            np.array(nodes), np.ascontiguousarray(legendre), mean_vector, mean_slope, forms,
            laid.first_brick, brick_vector, brick_slope, points,
        )  # fmt: skip
        for s in range(site_of[first], site_of[last - 1] + 1):
            place[sites[s].elements] = np.arange(sites[s].elements.size)
            here = np.flatnonzero(site_of[first:last] == s) + first
            scatter_forms(
                int(here[0]), int(here[-1]) + 1, laid.volume, laid.first_member, laid.members,
                place, laid.first_entry, base, n_functions, forms, blocks[s][0], values[s],
            )  # fmt: skip
        first = last
    found = {}
    ends = np.cumsum([site.cells.size for site in sites])
    for site, end, (block, _), value in zip(sites, ends, blocks, values, strict=True):
        own = slice(int(end - site.cells.size), int(end))
        slots = slice(int(laid.first_member[own.start]), int(laid.first_member[end]))
        bricked = laid.kind[own.start] == kernels.BRICKED
        functions = n_functions[site.elements]
        covariance = _covariance(block, value[slice(9, 12) if bricked else slice(0, 9)], functions)
        bricks = None
        if bricked and laid.columns[own.start] > 0:
            part = slice(int(laid.first_brick[own.start]), int(laid.first_brick[end]))
            means = brick_vector[part], brick_slope[part]
            axes = (elements.half / elements.length[:, None])[site.elements]
            bricks = _bricks(laid, own, np.repeat(axes, functions, axis=0), means,
                             _places(covariance, functions))  # fmt: skip
        found[site.key] = CellIntegrals(
            covariance, bricks, mean_vector[slots].copy(), mean_slope[slots].copy(),
            int(points[own].sum()),
        )  # fmt: skip
    return found


def _bricks(
    laid: _Layout,
    own: slice,
    axes: FloatArray,
    means: tuple[FloatArray, FloatArray],
    place: IntArray,
) -> Bricks:
    """The bricks of a run, from the means over them of v_f and s_f, the functions along `axes`."""
    axes = axes @ laid.frame[own.start].T
    vector = means[0].reshape(-1, len(axes))[:, :, None] * axes
    slope = means[1].reshape(-1, len(axes), 3)
    return Bricks.from_means(
        np.round(2.0 * laid.half[own.start] / laid.counts[own.start], 9),
        laid.counts[own],
        (vector * INVERSE_FOUR_PI, slope * INVERSE_FOUR_PI),
        place=place,
    )


def _places(covariance: Covariance, n_functions: IntArray) -> IntArray:
    """Where each pair of functions is in the list, -1 below the diagonal, (n, n).

    In the order of the elements, each one's next function after its own.
    """
    size = int(n_functions.sum())
    found = np.full((size, size), -1, dtype=np.int64)
    found[covariance.row, covariance.column] = np.arange(covariance.row.size)
    numbering = Numbering.of(n_functions)
    order = np.concatenate(
        [
            np.append(np.arange(n - 1) + numbering.offset[e], numbering.n_local + e)
            for e, n in enumerate(n_functions)
        ]
    ).astype(np.int64)
    return found[order][:, order]


def _blocks(near: NDArray[np.bool_], n_functions: IntArray) -> tuple[IntArray, int]:
    """Where the block of each pair of elements that share a cell begins, and how many numbers."""
    shared = near.astype(np.float32)
    pair_i, pair_j = np.nonzero(np.triu(shared.T @ shared) > 0.0)
    sizes = n_functions[pair_i] * n_functions[pair_j]
    ends = np.cumsum(sizes)
    block = np.full((n_functions.size, n_functions.size), -1, dtype=np.int64)
    block[pair_i, pair_j] = ends - sizes
    return block, int(ends[-1]) if ends.size else 0


def _covariance(block: IntArray, values: FloatArray, n_functions: IntArray) -> Covariance:
    """Blocks as a list of pairs of functions, upper triangle only."""
    numbering = Numbering.of(n_functions)
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
        return np.where(own, numbering.offset[element] + function, numbering.n_local + element)

    row, column = number(i, a), number(j, b)
    keep = (i != j) | (a <= b)
    row, column, values = row[keep], column[keep], values[:, keep] * INVERSE_FOUR_PI**2
    # the next functions come after all others: keep to the upper triangle there too
    swap = row > column
    row[swap], column[swap] = column[swap], row[swap].copy()
    return Covariance(row, column, np.ascontiguousarray(values))
