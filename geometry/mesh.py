"""Straight elements with a polynomial degree each, made from a scene."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.constants import c as SPEED_OF_LIGHT

from .electrodes import Electrode
from .errors import GeometryError
from .joints import FeedNode, Skeleton, trace_joints

if TYPE_CHECKING:
    from .scene import Scene
    from .wires import Wire

LONGEST_ELEMENT = 0.25
"""Longest element, in wavelengths at the top frequency of the run."""

DEGREE_STEPS = ((0.02, 1), (0.1, 2), (0.2, 3))
"""Degree of an element shorter than so many wavelengths; longer ones get LARGEST_AUTOMATIC."""

LARGEST_AUTOMATIC = 4
SHORTEST_LONGEST = 1e-3
"""Least value of the longest element, in wavelengths: more elements than any memory holds."""

LARGEST_DEGREE = 8
TIP_RADII = (25.0,)
TIP_PART = 0.25
TIP_SPLIT = 1.0 / 6.0
SHORTEST_PART = 1e-8
"""A tip shorter than this part of its element would drown in rounding, and is not cut."""

RADIUS_STEP = 3.0
PLACE_DECIMALS = 9
"""Ends of elements are told apart by so many. [m]"""

STRAIGHT = 1e-6
"""Two pieces run on in one line when the sine of the angle between them is below this."""


@dataclass(frozen=True, eq=False)
class Mesh:
    """Straight elements, where they meet, and where the feeds are.

    Attributes
    ----------
    start, end : (E, 3) float
        Element ends. [m]
    radius : (E,) float
        [m]
    degree : (E,) int
        Polynomial degree of the current.
    wire : (E,) int
        Index into `scene.wires` of the wire at the middle of the element.
    element_nodes : (E, 2) int
        Node at the start and at the end.
    nodes : (N, 3) float
        [m]
    node_on_ground : (N,) bool
        True where a node is a contact to the ground.
    feeds : tuple of FeedNode
        `group_a` holds (element, side), side 0 the start and 1 the end.
    free_end : (E, 2) bool
        True at a side that nothing else meets.
    runs : tuple of (piece wire, from, to, first element, last element, reversed)
        How distances along a wire map to elements, see `locate`.
    drawing : tuple
        What it was made from, see `fits`.
    electrodes : tuple of (node, Electrode)
        Contacts to real earth.
    """

    start: NDArray[np.float64]
    end: NDArray[np.float64]
    radius: NDArray[np.float64]
    degree: NDArray[np.int64]
    wire: NDArray[np.int64]
    element_nodes: NDArray[np.int64]
    nodes: NDArray[np.float64]
    node_on_ground: NDArray[np.bool_]
    feeds: tuple[FeedNode, ...]
    free_end: NDArray[np.bool_]
    runs: tuple[Run, ...]
    drawing: tuple[object, ...]
    electrodes: tuple[tuple[int, Electrode], ...] = ()

    def __len__(self) -> int:
        return int(self.degree.size)

    def __repr__(self) -> str:
        return (
            f"Mesh({len(self)} elements, degree {self.degree.min()} to {self.degree.max()}, "
            f"{self.nodes.shape[0]} nodes)"
        )

    def places_of(self, other: Mesh) -> NDArray[np.int64]:
        """Which of these elements each element of another mesh is, (E,).

        Raises
        ------
        GeometryError
            If one of them is none of these.
        """
        own: dict[tuple[float, ...], int] = {}
        for e, key in enumerate(self._keys()):
            own.setdefault(key, e)
        try:
            return np.array([own[key] for key in other._keys()], dtype=np.int64)
        except KeyError:
            raise GeometryError(
                "The other mesh has elements that are not in this one: make it from the same "
                "divisions of the same wires."
            ) from None

    def _keys(self) -> list[tuple[float, ...]]:
        """What tells elements apart: ends, radius and degree."""
        rounded = np.round(np.concatenate([self.start, self.end], axis=1), PLACE_DECIMALS) + 0.0
        rows = np.concatenate([rounded, self.radius[:, None], self.degree[:, None]], axis=1)
        return [tuple(row) for row in rows.tolist()]

    def fits(self, scene: Scene) -> bool:
        """True if the mesh was made from the same wires, feed points and kind of ground."""
        return self.drawing == drawing_of(scene)

    def refined(self, raise_degree: NDArray[np.bool_], split: NDArray[np.bool_]) -> Mesh:
        """A finer mesh.

        Parameters
        ----------
        raise_degree : (E,) bool
            Elements that get one degree more (up to 8).
        split : (E,) bool
            Elements that are cut in two: a sixth from the free end where they have one, else in
            the middle; both parts keep the degree.
        """
        source = np.repeat(np.arange(len(self)), 1 + split)
        is_second = np.concatenate([[False], source[1:] == source[:-1]])
        is_first = np.concatenate([is_second[1:], [False]])
        part = np.where(
            self.free_end[:, 1], 1.0 - TIP_SPLIT, np.where(self.free_end[:, 0], TIP_SPLIT, 0.5)
        )
        cut = self.start + part[:, None] * (self.end - self.start)
        start, end = self.start[source], self.end[source]
        start[is_second], end[is_first] = cut[split], cut[split]
        nodes = self.element_nodes[source]
        new = self.nodes.shape[0] + np.arange(int(split.sum()))
        nodes[is_second, 0], nodes[is_first, 1] = new, new
        free = self.free_end[source]
        free[is_second, 0], free[is_first, 1] = False, False
        degree = np.minimum(self.degree + raise_degree, LARGEST_DEGREE)[source]
        first_of = np.searchsorted(source, np.arange(len(self)))
        last_of = first_of + split

        def refined_run(run: Run) -> Run:
            breaks = []
            for k, (low, high) in enumerate(pairwise(run.breaks)):
                breaks.append(low)
                e = run.first_element + k
                if split[e]:
                    breaks.append(low + float(part[e]) * (high - low))
            breaks.append(run.breaks[-1])
            first = int(first_of[run.first_element])
            return replace(run, first_element=first, breaks=tuple(breaks))

        return replace(
            self,
            start=start,
            end=end,
            radius=self.radius[source],
            degree=degree,
            wire=self.wire[source],
            element_nodes=nodes,
            nodes=np.concatenate([self.nodes, cut[split]]),
            node_on_ground=np.concatenate([self.node_on_ground, np.zeros(new.size, dtype=bool)]),
            feeds=tuple(
                FeedNode(
                    feed.node,
                    tuple((int((first_of, last_of)[side][e]), side) for e, side in feed.group_a),
                )
                for feed in self.feeds
            ),
            free_end=free,
            runs=tuple(refined_run(run) for run in self.runs),
        )

    def division(self, wire: int) -> Division:
        """How a wire is cut into elements, by its index into `scene.wires`."""
        found: dict[float, tuple[float, int]] = {}
        for run in self.runs:
            if run.wire != wire:
                continue
            along = np.asarray(run.breaks)
            at = run.from_distance + run.direction * (along - run.offset)
            for k in range(along.size - 1):
                low, high = sorted((float(at[k]), float(at[k + 1])))
                low, high = max(low, run.from_distance), min(high, run.to_distance)
                if high - low > 1e-12 * run.to_distance:
                    found[low] = (high, int(self.degree[run.first_element + k]))
        lows = sorted(found)
        return Division(
            (*lows, max(high for high, _ in found.values())), tuple(found[at][1] for at in lows)
        )

    def locate(self, wire: int, at: float) -> tuple[int, float, float]:
        """Element, xi and direction (+1 or -1 against the element) of a point of a wire.

        Parameters
        ----------
        wire : int
            Index into `scene.wires`.
        at : float
            Distance along the wire. [m]
        """
        for run in self.runs:
            if run.wire == wire and run.from_distance - 1e-9 <= at <= run.to_distance + 1e-9:
                along = run.offset + run.direction * (at - run.from_distance)
                breaks = np.asarray(run.breaks)
                k = int(np.clip(np.searchsorted(breaks, along) - 1, 0, breaks.size - 2))
                xi = 2.0 * (along - breaks[k]) / (breaks[k + 1] - breaks[k]) - 1.0
                return run.first_element + k, float(np.clip(xi, -1.0, 1.0)), run.direction
        raise GeometryError(
            f"Wire number {wire} has no point at {at:g} m; distances run from its start to its end."
        )


@dataclass(frozen=True)
class Run:
    """A straight piece of a wire on a stretch of elements.

    `offset + direction * (at - from_distance)` is the distance along the stretch, whose elements
    meet at `breaks`.
    """

    wire: int
    from_distance: float
    to_distance: float
    offset: float
    direction: float
    first_element: int
    breaks: tuple[float, ...]


@dataclass(frozen=True)
class Division:
    """How a wire is cut into elements.

    Attributes
    ----------
    distances : (n + 1,) tuple of float
        Where elements begin and end along the wire. [m]
    degrees : (n,) tuple of int
    """

    distances: tuple[float, ...]
    degrees: tuple[int, ...]

    def shortened(self, wire: Wire) -> Division:
        """The same for a wire that ends before, on the same way.

        Whole elements stay; the last one is cut, with the short elements of the free end at the
        new one. Where little is left of it, it is drawn together with the one before.

        Parameters
        ----------
        wire : Wire
            The shorter one.
        """
        length, old = wire.length, np.asarray(self.distances)
        if length >= old[-1] * (1.0 - 1e-12):
            return self
        tips = [t for t in old[-1] - old[-2:0:-1] if t <= wire.radius * TIP_RADII[0] * 1.01]
        corner = float(wire.vertex_distances[-2])
        room = TIP_PART * (length - corner)
        tips = [float(t) for t in tips if t < room] or ([room] if tips else [])
        body_end = length - max(tips, default=0.0)
        kept = int(np.searchsorted(old, body_end - 1e-9 * length))
        size = old[kept] - old[kept - 1]
        may_join = kept > 1 and old[kept - 1] > corner + 1e-9 * length
        degree = self.degrees[kept - 1]
        if may_join and body_end - old[kept - 1] < LEAST_LEFT * size:
            kept -= 1
            degree = min(max(degree, self.degrees[kept - 1]) + 1, LARGEST_DEGREE)
        after = sorted(length - t for t in tips)
        n_tips = len(tips)
        return Division(
            (*map(float, old[:kept]), *after, length),
            (*self.degrees[: kept - 1], degree, *(self.degrees[-n_tips:] if n_tips else ())),
        )

    def stretched(self, wire: Wire) -> Division:
        """The same for a wire that ends elsewhere on its last straight piece.

        As many elements: those after the last corner or marked point grow and shrink with it, but
        for the short ones of the free end, which keep their lengths where there is room.

        Parameters
        ----------
        wire : Wire
            On the same way, with as many corners and marked points.
        """
        old = np.asarray(self.distances)
        corner, length = last_bound(wire), wire.length
        first = int(np.searchsorted(old, corner + 1e-9 * length))
        tips = [float(old[-1] - at) for at in old[first:-1]
                if old[-1] - at <= wire.radius * TIP_RADII[0] * 1.01]  # fmt: skip
        tip = max(tips, default=0.0)
        shrunk = min(1.0, TIP_PART * (length - corner) / tip) if tip else 1.0
        body, room = old[-1] - tip - corner, length - shrunk * tip - corner
        inner = corner + (old[first : old.size - 1 - len(tips)] - corner) * room / body
        ends = [length - shrunk * t for t in tips]
        return Division((*map(float, old[:first]), *map(float, inner), *ends, length), self.degrees)

    def carried(self, old: Wire, new: Wire) -> Division:
        """The same cuts for a wire of as many corners elsewhere, in proportion between corners.

        Raises
        ------
        GeometryError
            If it has more or fewer corners.
        """
        if old.vertices.shape != new.vertices.shape:
            raise GeometryError(
                f"Wire {new.name!r} has {len(new.vertices)} corners and ends, and had "
                f"{len(old.vertices)}: its mesh cannot be kept."
            )
        if np.allclose(old.vertex_distances, new.vertex_distances, rtol=0.0, atol=1e-12):
            return self
        moved = np.interp(self.distances, old.vertex_distances, new.vertex_distances)
        return Division(tuple(map(float, moved)), self.degrees)


def last_bound(wire: Wire) -> float:
    """Where the last straight piece of a wire begins, at a corner or a marked point. [m]"""
    marks = [float(mark) for mark in wire.marks if mark < wire.length - 1e-9]
    return max([float(wire.vertex_distances[-2]), *marks])


LEAST_LEFT = 0.3
"""Of an element that a shorter wire cuts: less than this is joined to the element before."""


@dataclass(frozen=True)
class _Stretch:
    """Pieces in one line with nothing between them: (piece, forward) in order."""

    pieces: tuple[tuple[int, bool], ...]
    first_node: int
    last_node: int


def _find_stretches(scene: Scene, skeleton: Skeleton) -> list[_Stretch]:
    n_pieces = skeleton.piece_wire.size
    meeting: list[list[tuple[int, int]]] = [[] for _ in range(skeleton.nodes.shape[0])]
    for piece in range(n_pieces):
        for side in (0, 1):
            meeting[int(skeleton.piece_nodes[piece, side])].append((piece, side))
    kept = {feed.node for feed in skeleton.feeds}
    vector = skeleton.nodes[skeleton.piece_nodes[:, 1]] - skeleton.nodes[skeleton.piece_nodes[:, 0]]
    unit = vector / np.linalg.norm(vector, axis=1)[:, None]

    def runs_on(node: int) -> bool:
        if node in kept or skeleton.node_on_ground[node] or len(meeting[node]) != 2:
            return False
        (one, one_side), (two, two_side) = meeting[node]
        a, b = (scene.wires[int(skeleton.piece_wire[p])] for p in (one, two))
        if one == two or a.radius != b.radius:
            return False
        if a.conductor != b.conductor or a.jacket != b.jacket or a.piece != b.piece:
            return False
        away = unit[one] * (1 if one_side == 0 else -1), unit[two] * (1 if two_side == 0 else -1)
        bent = float(np.linalg.norm(np.cross(*away)))
        return bent < STRAIGHT and float(away[0] @ away[1]) < 0

    joined = [runs_on(node) for node in range(skeleton.nodes.shape[0])]
    used = np.zeros(n_pieces, dtype=bool)
    stretches = []
    for piece in range(n_pieces):
        if used[piece]:
            continue
        used[piece] = True
        chain = [(piece, True)]
        node_at = [int(n) for n in skeleton.piece_nodes[piece]]
        for at_end in (True, False):
            while joined[node := node_at[1 if at_end else 0]]:
                last = chain[-1 if at_end else 0][0]
                (one, one_side), (two, two_side) = meeting[node]
                new, side = (two, two_side) if one == last else (one, one_side)
                if used[new]:
                    break
                used[new] = True
                far = int(skeleton.piece_nodes[new, 1 - side])
                if at_end:
                    chain.append((new, side == 0))
                    node_at[1] = far
                else:
                    chain.insert(0, (new, side == 1))
                    node_at[0] = far
        stretches.append(_Stretch(tuple(chain), node_at[0], node_at[1]))
    return stretches


def _break_up(
    length: float, longest: float, tips: tuple[Sequence[float], Sequence[float]]
) -> NDArray[np.float64]:
    """Distances along a stretch at which elements meet.

    `tips` are the cuts wanted near the start and near the end, as distances from it.
    """

    def cuts(wanted: Sequence[float], body: float) -> list[float]:
        room = TIP_PART * body
        kept = sorted((t for t in wanted if SHORTEST_PART * body < t < room), reverse=True)
        if not kept and max(wanted, default=0.0) >= room:
            kept = [room]
        return kept

    whole = length / math.ceil(length / longest - 1e-9)
    head, tail = cuts(tips[0], whole), cuts(tips[1], whole)
    low, high = (head[0] if head else 0.0), length - (tail[0] if tail else 0.0)
    body = np.linspace(low, high, math.ceil((high - low) / longest - 1e-9) + 1)
    ahead = [0.0, *sorted(head)[:-1]] if head else []
    after = [length - t for t in tail[1:]] + [length] if tail else []
    return np.array([*ahead, *body, *after])


def _divided(
    stretch: _Stretch,
    skeleton: Skeleton,
    scene: Scene,
    length: float,
    divisions: Mapping[str, Division],
) -> tuple[NDArray[np.float64], list[int]] | None:
    """Breaks and degrees that divisions give a stretch; None where a wire has none."""
    names = {scene.wires[int(skeleton.piece_wire[p])].name for p, _ in stretch.pieces}
    if not names <= divisions.keys():
        return None
    breaks, parts, offset = [0.0], [], 0.0
    for piece, forward in stretch.pieces:
        division = divisions[scene.wires[int(skeleton.piece_wire[piece])].name]
        low, high = (float(d) for d in skeleton.piece_span[piece])
        for a, b, degree in zip(
            division.distances[:-1], division.distances[1:], division.degrees, strict=True
        ):
            inside = max(a, low), min(b, high)
            if inside[1] - inside[0] <= 1e-9 * length:
                continue
            ends = [d - low if forward else high - d for d in inside]
            parts.append((offset + min(ends), offset + max(ends), degree))
        breaks += [offset + (d - low if forward else high - d) for d in division.distances
                   if low + 1e-9 * length < d < high - 1e-9 * length]  # fmt: skip
        offset += high - low
    joined = np.array([*sorted(breaks), length])
    degrees = []
    for middle in 0.5 * (joined[1:] + joined[:-1]):
        degrees.append(next(degree for a, b, degree in parts if a <= middle <= b))
    return joined, degrees


def _automatic_degree(length: float) -> int:
    for limit, degree in DEGREE_STEPS:
        if length < limit:
            return degree
    return LARGEST_AUTOMATIC


def _check_settings(
    degree: int | None, longest: float, tip_radii: Sequence[float], raise_degree: int
) -> None:
    for name, value, low in (("degree", degree, 1), ("raise_degree", raise_degree, 0)):
        whole = isinstance(value, int | np.integer) and not isinstance(value, bool)
        if value is not None and not (whole and low <= value <= LARGEST_DEGREE):
            raise GeometryError(
                f"{name} is {value!r}; it must be a whole number from {low} to {LARGEST_DEGREE}."
            )
    if not (isinstance(longest, int | float) and SHORTEST_LONGEST <= longest <= 0.5):
        raise GeometryError(
            f"longest element is {longest!r} wavelengths; it must lie between "
            f"{SHORTEST_LONGEST:g} and 0.5."
        )
    for tip in tip_radii:
        if not (isinstance(tip, int | float) and 0.0 < tip < np.inf):
            raise GeometryError(
                f"tip_radii holds {tip!r}; give positive numbers of radii, or none."
            )


def drawing_of(scene: Scene) -> tuple[object, ...]:
    """What a mesh depends on: wires, feed points, contacts, and whether ground is perfect."""
    return (
        tuple(
            (
                w.vertices.tobytes(),
                w.radius,
                w.marks,
                w.conductor,
                w.jacket,
                w.earth_start,
                w.earth_end,
                w.piece,
            )
            for w in scene.wires
        ),
        tuple((f.wires, f.at) for f in scene.ports),
        scene.earth is not None and scene.earth.is_perfect,
    )


def build_mesh(
    scene: Scene,
    top_frequency: float,
    *,
    degree: int | None = None,
    longest: float = LONGEST_ELEMENT,
    tip_radii: Sequence[float] = TIP_RADII,
    raise_degree: int = 0,
    divisions: Mapping[str, Division] | None = None,
) -> Mesh:
    """Make the mesh of a scene.

    Parameters
    ----------
    scene : Scene
    top_frequency : float
        Highest frequency of the run. [Hz]
    degree : int, optional
        The same degree, 1 to 8, on every element; otherwise from the element's length.
    longest : float
        Longest element in wavelengths at `top_frequency`, 0.001 to 0.5.
    tip_radii : sequence of float
        Distances from free ends and from steps of radius above 3:1, in radii, at which short
        elements are cut off (never more than a quarter of an element). Empty: none.
    raise_degree : int
        Added to the automatic degrees.
    divisions : mapping, optional
        How wires are cut, by name, instead of all that. Pieces in one line that are merged follow
        it where all their wires are named.

    Raises
    ------
    GeometryError
        If degree or longest is out of range.

    Notes
    -----
    Collinear pieces of equal radius, conductor and jacket are merged first, whatever wires they
    belong to, so that drawing a straight wire in two pieces changes nothing.
    """
    _check_settings(degree, longest, tip_radii, raise_degree)
    wavelength = SPEED_OF_LIGHT / top_frequency
    skeleton = trace_joints(scene)
    stretches = _find_stretches(scene, skeleton)
    radii = np.array([scene.wires[int(w)].radius for w in skeleton.piece_wire])
    n_ends = np.zeros(skeleton.nodes.shape[0], dtype=int)
    thickest, thinnest = np.zeros(n_ends.size), np.full(n_ends.size, np.inf)
    for stretch in stretches:
        for node in (stretch.first_node, stretch.last_node):
            radius = radii[stretch.pieces[0][0]]
            n_ends[node] += 1
            thickest[node] = max(thickest[node], radius)
            thinnest[node] = min(thinnest[node], radius)
    free = (n_ends == 1) & ~skeleton.node_on_ground
    with_tip = free | (thickest > RADIUS_STEP * thinnest)

    nodes = [tuple(node) for node in skeleton.nodes]
    start, end, radius_of, degree_of, wire_of, ends, free_end = [], [], [], [], [], [], []
    runs: list[Run] = []
    at_node: dict[tuple[int, int], tuple[int, int]] = {}
    for stretch in stretches:
        first, last = (skeleton.nodes[n] for n in (stretch.first_node, stretch.last_node))
        spans = [float(np.diff(skeleton.piece_span[p])[0]) for p, _ in stretch.pieces]
        length = float(np.linalg.norm(last - first))
        radius = float(radii[stretch.pieces[0][0]])
        wanted = [t * radius for t in tip_radii]
        cut = _divided(stretch, skeleton, scene, length, divisions or {})
        if cut is None:
            breaks = _break_up(
                length,
                longest * wavelength,
                (
                    wanted if with_tip[stretch.first_node] else (),
                    wanted if with_tip[stretch.last_node] else (),
                ),
            )
        else:
            breaks = cut[0]
        first_element, n = len(start), breaks.size - 1
        offset = 0.0
        bounds = []
        for (piece, forward), span in zip(stretch.pieces, spans, strict=True):
            low, high = skeleton.piece_span[piece]
            runs.append(
                Run(
                    int(skeleton.piece_wire[piece]), float(low), float(high),
                    offset if forward else offset + span, 1.0 if forward else -1.0,
                    first_element, tuple(breaks),
                )
            )  # fmt: skip
            for side in (0, 1):
                at_first = forward == (side == 0)
                node = int(skeleton.piece_nodes[piece, side])
                if node == (stretch.first_node if at_first else stretch.last_node):
                    at_node[(piece, side)] = (
                        (first_element, 0) if at_first else (first_element + n - 1, 1)
                    )
            offset += span
            bounds.append(offset)
        inner = [first + (last - first) * b / length for b in breaks[1:-1]]
        numbers = [stretch.first_node, *range(len(nodes), len(nodes) + n - 1), stretch.last_node]
        nodes.extend(tuple(point) for point in inner)
        points = [first, *inner, last]
        for k in range(n):
            start.append(points[k])
            end.append(points[k + 1])
            radius_of.append(radius)
            middle = 0.5 * (breaks[k] + breaks[k + 1])
            piece = stretch.pieces[min(int(np.searchsorted(bounds, middle)), len(bounds) - 1)][0]
            wire_of.append(int(skeleton.piece_wire[piece]))
            ends.append((numbers[k], numbers[k + 1]))
            free_end.append(
                (
                    bool(k == 0 and free[stretch.first_node]),
                    bool(k == n - 1 and free[stretch.last_node]),
                )
            )
            if cut is not None:
                degree_of.append(cut[1][k])
                continue
            part = float(breaks[k + 1] - breaks[k]) / wavelength
            chosen = _automatic_degree(part) if degree is None else degree
            degree_of.append(min(chosen + raise_degree, LARGEST_DEGREE))
    feeds = tuple(
        FeedNode(feed.node, tuple(at_node[end_] for end_ in feed.group_a))
        for feed in skeleton.feeds
    )
    on_ground = np.zeros(len(nodes), dtype=bool)
    on_ground[: skeleton.node_on_ground.size] = skeleton.node_on_ground
    return Mesh(
        start=np.array(start),
        end=np.array(end),
        radius=np.array(radius_of),
        degree=np.array(degree_of, dtype=np.int64),
        wire=np.array(wire_of, dtype=np.int64),
        element_nodes=np.array(ends, dtype=np.int64),
        nodes=np.array(nodes),
        node_on_ground=on_ground,
        feeds=feeds,
        free_end=np.array(free_end, dtype=bool),
        runs=tuple(runs),
        drawing=drawing_of(scene),
        electrodes=skeleton.electrodes,
    )
