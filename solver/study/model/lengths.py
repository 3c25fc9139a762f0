r"""Elements of any length within a range, from a few lengths of each.

An element that ends somewhere on one straight piece keeps its topology: the elements of the mesh
after the last corner stretch, all others stay.  Entries of the matrix are then smooth in the
logarithm of what lies past that corner (they are sums of its powers times logarithms), so that
polynomials through a few Chebyshev points give them, and their derivatives, for every length.
The unknowns of a layout are combinations C(L) = sum of w_k(L) C_k of the pool's moving columns.
Two columns of the same wire stand for the same function at two lengths, which are never there
together: their block of the matrix is the weighted sum of those at each length.

    A = C^T Z C + sum over wires [sum of w_k C_k^T Z C_k - C_w^T Z C_w],   C_w = sum of w_k C_k
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ....geometry import GeometryError, Scene, Wire
from ....geometry.joints import feed_distance
from ....geometry.mesh import Division, build_mesh, last_bound
from ....geometry.plan import AtticPlan
from ....materials import Earth
from ...errors import SolverError
from ...moments.basis import ComplexArray, FloatArray, IntArray
from ...moments.quadrature import lagrange_weights
from ..pool import Pool, pool_of_divisions
from ..pool_meshing import Meshing

LEAST_PAST_CORNER = 0.03
"""Past a corner no end is nearer to it; lengths in between are moved to one of both. [m]"""

PAST_LOAD = 0.05
"""Lengths that are prepared begin so far past the last load or feed within an element. [m]"""

LEAST_RANGE = 5e-3
"""Part of an element's length: a narrower range is widened downwards, for the derivative."""

WIDEST_RATIO = 8.0
"""Of lengths past a corner that one polynomial spans."""

NODES = ((1.1, 4), (1.3, 5), (1.7, 6), (3.0, 7), (math.inf, 9))
"""Number of lengths up to a ratio: impedances are then within some 1e-6."""


@dataclass(frozen=True, eq=False)
class LengthPiece:
    """Lengths of one wire that end on the same straight piece of its way.

    Attributes
    ----------
    low, high : float
        [m]
    corner : float
        Where that piece begins. [m]
    lengths : (K,) float
        Rising; the wire is in the pool at these. [m]
    first : int
        Number of the first of them among the wire's variants.
    """

    low: float
    high: float
    corner: float
    lengths: FloatArray
    first: int

    @cached_property
    def _places(self) -> FloatArray:
        return np.log(self.lengths - self.corner)

    def weights(self, length: float) -> tuple[FloatArray, FloatArray]:
        """Weights of its lengths, and their derivatives [1/m], (K,) each."""
        past = length - self.corner
        at, step = math.log(past), 1e-5
        low, here, high = lagrange_weights(self._places, np.array([at - step, at, at + step]))
        return here, (high - low) / (2.0 * step * past)


def pieces_of(wire: Wire, low: float, high: float) -> tuple[LengthPiece, ...]:
    """Pieces of a range of lengths, rising.

    Parameters
    ----------
    wire : Wire
        As far as it goes.
    low, high : float
        [m]
    """
    corners = [0.0, *map(float, wire.vertex_distances[1:-1]), *map(float, wire.marks)]
    corners = sorted(c for c in set(corners) if c < high - LEAST_PAST_CORNER)
    found: list[LengthPiece] = []
    first = 0
    for corner, following in itertools.pairwise([*corners, math.inf]):
        a, b = max(low, corner + LEAST_PAST_CORNER), min(high, following)
        if b - a < 1e-6:
            continue
        ratio = (b - corner) / (a - corner)
        count = max(1, math.ceil(math.log(ratio) / math.log(WIDEST_RATIO) - 1e-9))
        edges = corner + np.geomspace(a - corner, b - corner, count + 1)
        edges[0], edges[-1] = a, b
        for one, other in itertools.pairwise(map(float, edges)):
            n = next(n for limit, n in NODES if (other - corner) / (one - corner) <= limit)
            x = 0.5 * (1.0 - np.cos(np.pi * np.arange(n) / (n - 1)))
            lengths = corner + (one - corner) * ((other - corner) / (one - corner)) ** x
            lengths[0], lengths[-1] = one, other
            found.append(LengthPiece(one, other, corner, lengths, first))
            first += n
    return tuple(found)


@dataclass(frozen=True, eq=False)
class Part:
    """What one moving wire adds to the functions of a layout, zeros left out.

    Attributes
    ----------
    rows : (R,) int
        Moving columns of the pool that it uses.
    functions : (F,) int
        Functions of the layout that they are in.
    each : (K, R, F) float
        Weights with the wire at each of its lengths.
    key : tuple
        Equal for equal rows and weights.
    """

    rows: IntArray
    functions: IntArray
    each: FloatArray
    key: tuple[bytes, bytes]

    @classmethod
    def of(cls, each: FloatArray) -> Part:
        """From all moving columns and functions, (K, M, n)."""
        there = (each != 0.0).any(axis=0)
        rows, functions = np.flatnonzero(there.any(axis=1)), np.flatnonzero(there.any(axis=0))
        own = np.ascontiguousarray(each[:, rows[:, None], functions])
        return cls(rows, functions, own, (rows.tobytes(), own.tobytes()))

    def blocks(self, matrix: ComplexArray) -> ComplexArray:
        """Blocks (K, F, F) of a pool's moving block (M, M), at each length."""
        own = matrix[self.rows[:, None], self.rows]
        return np.stack([one.T @ own @ one for one in self.each])


@dataclass(frozen=True, eq=False)
class Mixture:
    """Columns of a layout: which piece each wire ends on, and what its functions are made of.

    Attributes
    ----------
    pieces : tuple of LengthPiece
        By moving wire.
    parts : tuple of Part
        By moving wire.
    shape : (int, int)
        Of all the pool's moving columns by the layout's functions, (M, n).
    """

    pieces: tuple[LengthPiece, ...]
    parts: tuple[Part, ...]
    shape: tuple[int, int]

    @cached_property
    def rows(self) -> IntArray:
        """Moving columns of all parts, one after the other, (R,)."""
        nothing = np.zeros(0, dtype=np.int64)
        return np.concatenate([nothing, *(part.rows for part in self.parts)])

    @cached_property
    def spans(self) -> tuple[slice, ...]:
        """Where in `rows` those of each part are."""
        ends = np.cumsum([0, *(part.rows.size for part in self.parts)])
        return tuple(slice(int(a), int(b)) for a, b in itertools.pairwise(ends))

    def at(self, lengths: Sequence[float]) -> Columns:
        """With the wires at lengths. [m]"""
        weights = [p.weights(x) for p, x in zip(self.pieces, lengths, strict=True)]
        own, slopes = (
            tuple(
                np.tensordot(one[n], part.each, axes=1)
                for one, part in zip(weights, self.parts, strict=True)
            )
            for n in (0, 1)
        )
        whole = np.zeros((self.rows.size, self.shape[1]))
        for span, part, mine in zip(self.spans, self.parts, own, strict=True):
            whole[span, part.functions] = mine
        return Columns(self, tuple(weights), whole, own, slopes)


@dataclass(frozen=True, eq=False)
class Columns:
    """A layout at certain lengths.

    Attributes
    ----------
    mixture : Mixture
    weights : tuple of (weights (K,), derivatives (K,))
    whole : (R, n) float
        Its functions by the moving columns `Mixture.rows`.
    own : tuple of (R_w, F_w) float
        The part of each wire.
    slopes : tuple of (R_w, F_w) float
        Their derivatives to that wire's length. [1/m]
    """

    mixture: Mixture
    weights: tuple[tuple[FloatArray, FloatArray], ...]
    whole: FloatArray
    own: tuple[FloatArray, ...]
    slopes: tuple[FloatArray, ...]

    def spread(self, held: ComplexArray) -> ComplexArray:
        """Values of `Mixture.rows` (R, ...) as values of all moving columns, (M, ...)."""
        found = np.zeros((self.mixture.shape[0], *held.shape[1:]), dtype=held.dtype)
        np.add.at(found, self.mixture.rows, held)
        return found

    def own_excess(self, matrices: ComplexArray, first: int, x: ComplexArray) -> ComplexArray:
        """What x^T A x has beyond (C x)^T Z (C x), for some pools' matrices (T, N, N), (T,).

        Parameters
        ----------
        first : int
            Where the moving columns begin in the matrices.
        """
        rows, found = self.mixture.rows, np.zeros(matrices.shape[0], dtype=np.complex128)
        for (weights, _), part, own, span in zip(
            self.weights, self.mixture.parts, self.own, self.mixture.spans, strict=True
        ):
            at = first + rows[span]
            mine, x_own = matrices[:, at[:, None], at], x[part.functions]
            at_each, now = part.each @ x_own, own @ x_own
            sides = np.concatenate([at_each, now[None]])
            products = (sides @ mine * sides).sum(axis=2)  # (T, K + 1)
            found += products[:, :-1] @ weights - products[:, -1]
        return found


@dataclass(frozen=True, eq=False)
class LengthPool:
    """A pool whose layouts have elements of any length within ranges.

    Attributes
    ----------
    pool : Pool
    pieces : mapping of str to tuple of LengthPiece
        By moving wire; none where all lengths are held.
    """

    pool: Pool
    pieces: Mapping[str, tuple[LengthPiece, ...]]
    _mixtures: dict[tuple[int, ...], Mixture]

    @property
    def names(self) -> tuple[str, ...]:
        """Moving wires, in the order of lengths."""
        return tuple(self.pieces)

    @cached_property
    def instead(self) -> IntArray:
        """Pairs of elements that are one and the same at two lengths of a wire, (Q, 2)."""
        pool, found = self.pool, set()
        for k, (name, pieces) in enumerate(self.pieces.items()):
            for piece in pieces:
                own = []
                for n in range(piece.first, piece.first + piece.lengths.size):
                    layout = int(np.flatnonzero(pool.layouts[:, k] == n)[0])
                    scene, divisions = pool.layout_scene(layout)
                    mesh = build_mesh(scene, pool.top_frequency, divisions=divisions)
                    number = next(i for i, w in enumerate(scene.wires) if w.name == name)
                    own.append(pool.system.mesh.places_of(mesh)[mesh.wire == number])
                for one, other in itertools.combinations(own, 2):
                    found |= {(int(a), int(b)) for a, b in zip(one, other, strict=True) if a != b}
        return np.array(sorted(found), dtype=np.int64).reshape(-1, 2)

    @classmethod
    def build(
        cls,
        plan: AtticPlan,
        ranges: Mapping[str, tuple[float, float]],
        frequencies: Sequence[float],
        *,
        tolerance: float | None,
        earth: Earth | None = None,
        like: LengthPool | None = None,
    ) -> LengthPool:
        """Pool of an attic whose elements may be anything within ranges.

        Parameters
        ----------
        plan : AtticPlan
        ranges : mapping of str to (low, high)
            Lengths of elements [m]; elements that are not named are held.
        frequencies : sequence of float
            At which the mesh is refined; the highest is what it is made for. [Hz]
        tolerance : float or None
            As for `solve`.
        like : LengthPool, optional
            Of the same ranges in a house that differs in no more than numbers: its mesh, and
            integrals over solids that are the same, are taken over.

        Raises
        ------
        SolverError
            If the scene cannot be parted so (see `build_pool`), or the other pool is not alike.
        """
        loads = last_loads(plan, tuple(ranges))
        ranges = {
            name: (
                min(low, max((1.0 - LEAST_RANGE) * high, loads[name] + LEAST_PAST_CORNER)),
                high,
            )
            for name, (low, high) in ranges.items()
        }
        longest = plan.with_element_length(**{name: high for name, (_, high) in ranges.items()})
        scene = longest.scene()
        top = max(frequencies)
        if like is None:
            pieces = {
                name: pieces_of(_bounded(scene.wire(name), scene), low, high)
                for name, (low, high) in ranges.items()
            }
            reference = {name: {0: scene.wire(name)} for name in ranges}
            meshing = Meshing.of(
                scene, reference, frequencies, tolerance, earth=scene.earth, known=None
            )
        else:
            pieces, meshing = like.pieces, _carried(like.pool, scene)
        cut = {
            name: tuple(_divided(plan, scene, name, pieces[name], meshing.divisions[name]))
            for name in ranges
        }
        layouts = _layouts(list(pieces.values()))
        reuse = None if like is None else like.pool
        pool = pool_of_divisions(scene, cut, layouts, top, meshing, reuse=reuse)
        if like is not None and not _alike(pool, like.pool):
            raise SolverError(
                "The house changed in more than numbers: its wires meet elsewhere than before."
            )
        return cls(pool, pieces, {})

    def piece_numbers(self, lengths: Sequence[float] | FloatArray) -> tuple[int, ...]:
        """On which piece each wire of certain lengths ends. [m]

        Raises
        ------
        GeometryError
            If a length is outside of its range.
        """
        found = []
        for (name, pieces), length in zip(self.pieces.items(), lengths, strict=True):
            low, high = pieces[0].low, pieces[-1].high
            if not low - 1e-6 <= length <= high + 1e-6:
                raise GeometryError(
                    f"Element {name!r}: {length:g} m is outside of {low:g} to {high:g} m, for "
                    "which the model was made."
                )
            middle = [0.5 * (a.high + b.low) for a, b in itertools.pairwise(pieces)]
            found.append(int(np.searchsorted(middle, length)))
        return tuple(found)

    def columns(self, lengths: Sequence[float] | FloatArray) -> Columns:
        """The layout whose moving wires have lengths. [m]"""
        numbers = self.piece_numbers(lengths)
        if numbers not in self._mixtures:
            self._mixtures[numbers] = self._mixture(numbers)
        mixture = self._mixtures[numbers]
        held = [min(max(x, p.low), p.high) for x, p in zip(lengths, mixture.pieces, strict=True)]
        return mixture.at(held)

    def _mixture(self, numbers: tuple[int, ...]) -> Mixture:
        pieces = tuple(own[n] for own, n in zip(self.pieces.values(), numbers, strict=True))
        count = max((p.lengths.size for p in pieces), default=1)
        chosen = self.pool.selections
        rows = []
        for k in range(count):
            want = [p.first + min(k, p.lengths.size - 1) for p in pieces]
            (row,) = np.flatnonzero((self.pool.layouts == want).all(axis=1))[:1]
            rows.append(int(row))
        n = int(chosen.first_function[rows[0] + 1] - chosen.first_function[rows[0]])
        each = [np.zeros((p.lengths.size, self.pool.n_moving, n)) for p in pieces]
        for k, row in enumerate(rows):
            own = slice(int(chosen.first_function[row]), int(chosen.first_function[row + 1]))
            if own.stop - own.start != n:
                raise SolverError("The lengths of a piece do not have the same functions.")
            ends = chosen.first_entry[own.start : own.stop + 1]
            function = np.repeat(np.arange(n), np.diff(ends))
            for at, entry in enumerate(range(int(ends[0]), int(ends[-1]))):
                wire = int(chosen.mover[entry])
                if k < pieces[wire].lengths.size:
                    place = (k, int(chosen.column[entry]), int(function[at]))
                    each[wire][place] = chosen.weight[entry]
        return Mixture(pieces, tuple(map(Part.of, each)), (self.pool.n_moving, n))


def last_loads(plan: AtticPlan, names: Sequence[str]) -> dict[str, float]:
    """How far along each element its last load or feed sits; 0 where it has none. [m]"""
    found = dict.fromkeys(names, 0.0)
    for port in (*plan.feeds, *plan.loads):
        for name in found.keys() & set(port.wires):
            if not isinstance(port.at, str):
                found[name] = max(found[name], float(port.at))
    return found


def _bounded(wire: Wire, scene: Scene) -> Wire:
    """A wire with marks at the gaps in it: what is before them does not stretch with its end."""
    ports = [port for port in scene.ports if wire.name in port.wires]
    for port in ports:
        if port.at in ("middle", "end"):
            raise SolverError(
                f"{type(port).__name__} {port.name!r} sits at the {port.at} of element "
                f"{wire.name!r} and would move with its length; give its place as a distance."
            )
    gaps = {feed_distance(port, wire) for port in ports}
    marks = sorted({*map(float, wire.marks), *(at for at in gaps if 0.0 < at < wire.length)})
    return Wire(wire.vertices, radius=wire.radius, name=wire.name, marks=marks)


def _divided(
    plan: AtticPlan, scene: Scene, name: str, pieces: Sequence[LengthPiece], division: Division
) -> list[tuple[Wire, Division]]:
    """The variants of a wire, and how they are cut."""

    def wire_of(length: float) -> Wire:
        antenna = plan.with_element_length(**{name: length}).antenna
        if antenna is None:
            raise SolverError(f"There is no [antenna] with an element {name!r}.")
        return next(wire for wire in antenna.wires() if wire.name == name)

    found = []
    for piece in pieces:
        longest = division.shortened(wire_of(piece.high))
        for length in map(float, piece.lengths):
            wire = wire_of(length)
            bounded = _bounded(wire, scene)
            if abs(last_bound(bounded) - piece.corner) > 1e-6:
                raise SolverError(f"Element {name!r} has a corner at its end, {length:g} m.")
            found.append((wire, longest.stretched(bounded)))
    return found


def _layouts(pieces: Sequence[Sequence[LengthPiece]]) -> IntArray:
    """For each combination of pieces, all wires at their first, second, ... length."""
    rows = []
    for some in itertools.product(*pieces):
        count = max((p.lengths.size for p in some), default=1)
        rows += [[p.first + min(k, p.lengths.size - 1) for p in some] for k in range(count)]
    return np.array(rows, dtype=np.int64).reshape(len(rows), len(pieces))


def _carried(pool: Pool, scene: Scene) -> Meshing:
    """The cuts of a pool's wires for those of another scene."""
    old = {wire.name: wire for wire in pool.scene.wires}
    new = {wire.name: wire for wire in scene.wires}
    if old.keys() != new.keys():
        raise SolverError("The house changed in more than numbers: it has other wires than before.")
    divisions = {
        name: division.carried(old[name], new[name])
        for name, division in pool.meshing.divisions.items()
    }
    return replace(pool.meshing, divisions=divisions)


def _alike(pool: Pool, other: Pool) -> bool:
    return (
        pool.n_fixed == other.n_fixed
        and pool.system.n_unknowns == other.system.n_unknowns
        and np.array_equal(pool.system.mesh.degree, other.system.mesh.degree)
        and np.array_equal(pool.system.mesh.element_nodes, other.system.mesh.element_nodes)
        and np.array_equal(pool.system.ports, other.system.ports)
        and np.array_equal(pool.selections.column, other.selections.column)
    )
