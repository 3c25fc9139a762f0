"""Which stretches of wire come too near each other without a join."""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .wires import JOINING_DISTANCE

if TYPE_CHECKING:
    from .joints import Skeleton
    from .scene import Scene

__all__ = ["Contact", "NearPairs", "Stretches", "find_near_pairs", "segment_distances"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

REACH = 0.100  # within this of a shared node, nearness is no error [m]
REACH_RADII = 3.0  # the same for thick conductors, in sums of radii
PROXIMITY = 2.5  # parallel wires nearer than so many sums of radii (s/a = 5) are doubtful
SAME_LINE = np.sin(np.radians(1.0))  # from one node, below one degree: on top of each other
ALONGSIDE = np.cos(np.radians(20.0))  # near-parallel, for the proximity effect
NEAR_MISS = 5e-3  # an end this near to another wire may have been meant to join [m]


@dataclass(frozen=True, eq=False)
class Stretches:
    """The straight stretches of all wires between their corners; marks do not cut them.

    Attributes
    ----------
    start, end : ndarray, shape (K, 3)
        [m]
    radius : ndarray, shape (K,)
        [m]
    wire : ndarray of int, shape (K,)
    from_distance : ndarray, shape (K,)
        Distance of `start` along the wire. [m]
    is_first, is_last : ndarray of bool, shape (K,)
        Whether `start` (`end`) is the end of the wire.
    held_stretch, held_node, held_at : ndarray, shape (M,)
        Every node on every stretch and its distance from the stretch's start. [m]
    """

    start: Floats
    end: Floats
    radius: Floats
    wire: Ints
    from_distance: Floats
    is_first: NDArray[np.bool_]
    is_last: NDArray[np.bool_]
    held_stretch: Ints
    held_node: Ints
    held_at: Floats

    @cached_property
    def length(self) -> Floats:
        """Shape (K,). [m]"""
        return np.sqrt(((self.end - self.start) ** 2).sum(axis=1))

    @cached_property
    def direction(self) -> Floats:
        """Unit vectors, shape (K, 3)."""
        return (self.end - self.start) / self.length[:, None]

    @classmethod
    def of(cls, scene: Scene, skeleton: Skeleton) -> Stretches:
        """The stretches of a scene and the nodes on them."""
        vertices = [wire.vertices for wire in scene.wires]
        counts = np.array([len(v) for v in vertices])
        points = np.concatenate(vertices)
        along = np.concatenate([wire.vertex_distances for wire in scene.wires])
        first = np.concatenate([[0], np.cumsum(counts)[:-1]])
        last = first + counts - 1
        begin = np.ones(len(points), dtype=bool)
        begin[last] = False
        begin = np.flatnonzero(begin)
        wire = np.repeat(np.arange(len(counts)), counts - 1)
        # One axis for all wires, so that one search places every piece on its stretch.
        offset = np.concatenate([[0.0], np.cumsum(along[last] + 1.0)[:-1]])
        middle = skeleton.piece_span.mean(axis=1) + offset[skeleton.piece_wire]
        begins_at = along[begin] + offset[wire]
        stretch = np.searchsorted(begins_at, middle, side="right") - 1
        new = np.ones(len(stretch), dtype=bool)
        new[1:] = stretch[1:] != stretch[:-1]
        is_first = np.zeros(len(begin), dtype=bool)
        is_first[first - np.arange(len(counts))] = True
        is_last = np.zeros(len(begin), dtype=bool)
        is_last[last - np.arange(len(counts)) - 1] = True
        return cls(
            start=points[begin],
            end=points[begin + 1],
            radius=np.array([w.radius for w in scene.wires])[wire],
            wire=wire,
            from_distance=along[begin],
            is_first=is_first,
            is_last=is_last,
            held_stretch=np.concatenate([stretch[new], stretch]),
            held_node=np.concatenate([skeleton.piece_nodes[new, 0], skeleton.piece_nodes[:, 1]]),
            held_at=np.concatenate([skeleton.piece_span[new, 0], skeleton.piece_span[:, 1]])
            - along[begin][np.concatenate([stretch[new], stretch])],
        )


@dataclass(frozen=True)
class Contact:
    """Two stretches nearer than they may be.

    Attributes
    ----------
    kind : {"overlap", "landing", "ends", "crossing", "alongside", "near miss"}
        The last two are doubts, the others errors. "landing": the end of the first on the
        middle of the second.
    first, second : int
        Indices of the stretches.
    distance : float
        Between the axes. [m]
    first_at, second_at : float
        Nearest points, as distances along the wires. [m]
    place : tuple of float
        Nearest point on the first. [m]
    """

    kind: str
    first: int
    second: int
    distance: float
    first_at: float
    second_at: float
    place: tuple[float, float, float]


@dataclass(frozen=True)
class NearPairs:
    """What `find_near_pairs` found: errors, and doubts, between which stretches."""

    stretches: Stretches
    errors: tuple[Contact, ...]
    doubts: tuple[Contact, ...]


def segment_distances(
    a0: Floats, a1: Floats, b0: Floats, b1: Floats
) -> tuple[Floats, Floats, Floats]:
    """Least distance between pairs of segments.

    Parameters
    ----------
    a0, a1, b0, b1 : ndarray, shape (M, 3)
        Ends of the first and of the second segments. [m]

    Returns
    -------
    distance : ndarray, shape (M,)
        [m]
    s, t : ndarray, shape (M,)
        Nearest points as parts 0..1 of the first and the second segment.

    Notes
    -----
    The least of the four end-to-segment distances and of the common perpendicular where it
    meets both segments; so parallel and degenerate segments need no case of their own.
    """
    u, v, w = a1 - a0, b1 - b0, a0 - b0
    uu, vv = _dot(u, u), _dot(v, v)
    uv, uw, vw = _dot(u, v), _dot(u, w), _dot(v, w)
    tiny = np.finfo(float).tiny
    uu_safe, vv_safe = np.maximum(uu, tiny), np.maximum(vv, tiny)
    zero, one = np.zeros_like(uu), np.ones_like(uu)
    determinant = uu * vv - uv**2
    meets = determinant > 1e-14 * uu * vv
    safe = np.where(meets, determinant, 1.0)
    s_line = np.where(meets, (uv * vw - vv * uw) / safe, -1.0)
    t_line = np.where(meets, (uu * vw - uv * uw) / safe, -1.0)
    inside = (s_line >= 0) & (s_line <= 1) & (t_line >= 0) & (t_line <= 1)
    s = np.stack(
        [
            np.where(inside, s_line, 0.0),
            zero,
            one,
            np.clip(-uw / uu_safe, 0, 1),
            np.clip((uv - uw) / uu_safe, 0, 1),
        ]
    )
    t = np.stack(
        [
            np.where(inside, t_line, np.clip(vw / vv_safe, 0, 1)),
            np.clip(vw / vv_safe, 0, 1),
            np.clip((vw + uv) / vv_safe, 0, 1),
            zero,
            one,
        ]
    )
    gap = w[None] + s[..., None] * u[None] - t[..., None] * v[None]
    squares = (gap**2).sum(axis=-1)
    best = np.argmin(squares, axis=0)
    pick = np.arange(len(uu))
    return np.sqrt(squares[best, pick]), s[best, pick], t[best, pick]


def find_near_pairs(scene: Scene, skeleton: Skeleton) -> NearPairs:
    """Pairs of stretches that touch without a join, and those that come doubtfully near.

    Parameters
    ----------
    scene, skeleton : Scene, Skeleton

    Returns
    -------
    NearPairs

    Notes
    -----
    Axes no farther apart than the sum of radii (or 1 mm) are an error, near-parallel ones within
    2.5 sums of radii a doubt, both only farther than the reach (100 mm, or 3 sums of radii
    where that is more) from a node that both can be followed to. From one node within one
    degree of each other two stretches lie on top of each other at any distance.
    """
    stretches = Stretches.of(scene, skeleton)
    shared = _shared_pairs(stretches, len(skeleton.nodes))
    errors, doubts = _check_shared(stretches, *shared)
    more_errors, more_doubts = _check_apart(stretches, skeleton, shared[0], shared[1])
    return NearPairs(stretches, tuple(errors + more_errors), tuple(doubts + more_doubts))


def _dot(a: Floats, b: Floats) -> Floats:
    return np.einsum("ij,ij->i", a, b)


def _shared_pairs(stretches: Stretches, n_nodes: int) -> tuple[Ints, Ints, Floats, Floats]:
    """Pairs of stretches at one node: (first, second, node's distance on each)."""
    order = np.argsort(stretches.held_node, kind="stable")
    node = stretches.held_node[order]
    group = np.bincount(node, minlength=n_nodes)
    first_of = np.concatenate([[0], np.cumsum(group)[:-1]])
    rank = np.arange(len(node)) - first_of[node]
    left = group[node] - 1 - rank  # how many follow in the same group
    one = np.repeat(np.arange(len(node)), left)
    step = np.arange(len(one)) - np.repeat(np.cumsum(left) - left, left) + 1
    two = one + step
    one, two = order[one], order[two]
    p, q = stretches.held_stretch[one], stretches.held_stretch[two]
    swap = p > q
    one, two = np.where(swap, two, one), np.where(swap, one, two)
    p, q = np.where(swap, q, p), np.where(swap, p, q)
    keep = p != q
    return p[keep], q[keep], stretches.held_at[one[keep]], stretches.held_at[two[keep]]


def _check_shared(
    stretches: Stretches, p: Ints, q: Ints, p_at: Floats, q_at: Floats
) -> tuple[list[Contact], list[Contact]]:
    sum_of_radii = stretches.radius[p] + stretches.radius[q]
    reach = np.maximum(REACH, REACH_RADII * sum_of_radii)
    cosine = _dot(stretches.direction[p], stretches.direction[q])
    cross = np.cross(stretches.direction[p], stretches.direction[q])
    sine = np.sqrt(_dot(cross, cross))
    errors: list[Contact] = []
    doubts: list[Contact] = []

    ahead_p = stretches.length[p] - p_at > JOINING_DISTANCE
    ahead_q = stretches.length[q] - q_at > JOINING_DISTANCE
    behind_p, behind_q = p_at > JOINING_DISTANCE, q_at > JOINING_DISTANCE
    along = (ahead_p & ahead_q) | (behind_p & behind_q)
    against = (ahead_p & behind_q) | (behind_p & ahead_q)
    same = (sine < SAME_LINE) & np.where(cosine > 0, along, against)
    for k in np.flatnonzero(same):
        errors.append(_contact(stretches, "overlap", int(p[k]), int(q[k]), 0.0, p_at[k], q_at[k]))
    near = np.flatnonzero(~same & (reach * sine < PROXIMITY * sum_of_radii))
    for p_side in (-1, 1):
        for q_side in (-1, 1):
            pairs, p_from, p_to = _clip(stretches, p[near], p_at[near], reach[near], p_side)
            also, q_from, q_to = _clip(stretches, q[near], q_at[near], reach[near], q_side)
            k = np.flatnonzero(pairs & also)
            if k.size:
                found = _judge(
                    stretches, p[near[k]], q[near[k]], p_from[k], p_to[k], q_from[k], q_to[k]
                )
                errors += found[0]
                doubts += found[1]
    return errors, doubts


def _clip(
    stretches: Stretches, index: Ints, at: Floats, reach: Floats, side: int
) -> tuple[NDArray[np.bool_], Floats, Floats]:
    """What is left of stretches before (-1) or after (1) the reach of a place on them."""
    length = stretches.length[index]
    low = np.zeros_like(at) if side < 0 else at + reach
    high = at - reach if side < 0 else length
    return high > low, low, high


def _judge(
    stretches: Stretches,
    p: Ints,
    q: Ints,
    p_from: Floats,
    p_to: Floats,
    q_from: Floats,
    q_to: Floats,
) -> tuple[list[Contact], list[Contact]]:
    """Errors and doubts between parts of stretches that share nothing near by."""
    start, direction = stretches.start, stretches.direction
    distance, s, t = segment_distances(
        start[p] + p_from[:, None] * direction[p],
        start[p] + p_to[:, None] * direction[p],
        start[q] + q_from[:, None] * direction[q],
        start[q] + q_to[:, None] * direction[q],
    )
    p_at = p_from + s * (p_to - p_from)
    q_at = q_from + t * (q_to - q_from)
    sum_of_radii = stretches.radius[p] + stretches.radius[q]
    touches = distance <= np.maximum(sum_of_radii * (1 + 1e-9), JOINING_DISTANCE)
    cosine = _dot(direction[p], direction[q])
    parallel = np.abs(cosine) > ALONGSIDE
    # Common length, of the second's part seen along the first.
    ends = np.stack(
        [
            _dot(start[q] + x[:, None] * direction[q] - start[p], direction[p])
            for x in (q_from, q_to)
        ]
    )
    common = np.minimum(ends.max(axis=0), p_to) - np.maximum(ends.min(axis=0), p_from)
    errors = [
        _contact(
            stretches,
            _kind(stretches, int(p[k]), int(q[k]), p_at[k], q_at[k], common[k], parallel[k]),
            int(p[k]), int(q[k]), distance[k], p_at[k], q_at[k],
        )
        for k in np.flatnonzero(touches)
    ]  # fmt: skip
    side_by_side = parallel & (common > 2.0 * distance)
    beside = side_by_side & ~touches & (distance < PROXIMITY * sum_of_radii)
    doubts = [
        _contact(stretches, "alongside", int(p[k]), int(q[k]), distance[k], p_at[k], q_at[k])
        for k in np.flatnonzero(beside)
    ]
    other = stretches.wire[p] != stretches.wire[q]
    # An end half-way along a neighbour that runs beside it was not led there to join.
    close = other & ~touches & ~side_by_side & (distance - sum_of_radii < NEAR_MISS)
    for k in np.flatnonzero(close):
        one, two = int(p[k]), int(q[k])
        if _wire_end(stretches, one, p_at[k]):
            doubts.append(_contact(stretches, "near miss", one, two, distance[k], p_at[k], q_at[k]))
        elif _wire_end(stretches, two, q_at[k]):
            doubts.append(_contact(stretches, "near miss", two, one, distance[k], q_at[k], p_at[k]))
    return errors, doubts


def _wire_end(stretches: Stretches, k: int, at: float) -> bool:
    """Whether a place on a stretch is the end of its wire."""
    return bool(
        (at <= JOINING_DISTANCE and stretches.is_first[k])
        or (at >= stretches.length[k] - JOINING_DISTANCE and stretches.is_last[k])
    )


def _kind(
    stretches: Stretches, p: int, q: int, p_at: float, q_at: float, common: float, parallel: bool
) -> str:
    if parallel and common > stretches.radius[p] + stretches.radius[q]:
        return "overlap"
    p_end, q_end = _wire_end(stretches, p, p_at), _wire_end(stretches, q, q_at)
    if p_end and q_end:
        return "ends"
    if p_end:
        return "landing"
    return "landed on" if q_end else "crossing"


def _contact(
    stretches: Stretches, kind: str, p: int, q: int, distance: float, p_at: float, q_at: float
) -> Contact:
    if kind == "landed on":
        kind, p, q, p_at, q_at = "landing", q, p, q_at, p_at
    x, y, z = stretches.start[p] + p_at * stretches.direction[p]
    return Contact(
        kind=kind,
        first=p,
        second=q,
        distance=float(distance),
        first_at=float(stretches.from_distance[p] + p_at),
        second_at=float(stretches.from_distance[q] + q_at),
        place=(float(x), float(y), float(z)),
    )


# ---- stretches that share no node -----------------------------------------------------------


def box_pairs(low: Floats, high: Floats) -> tuple[Ints, Ints]:
    """Pairs of boxes, shape (K, 3), that overlap: sweep along the best axis, then the others."""
    best: tuple[int, Ints, Ints, int] | None = None
    for axis in range(3):
        order = np.argsort(low[:, axis], kind="stable")
        last = np.searchsorted(low[order, axis], high[order, axis], side="right")
        count = last - np.arange(len(order)) - 1
        total = int(count.sum())
        if best is None or total < best[0]:
            best = (total, order, count, axis)
    if best is None or best[0] == 0:
        empty = np.zeros(0, dtype=np.intp)
        return empty, empty
    _, order, count, axis = best
    one = np.repeat(np.arange(len(order)), count)
    two = one + np.arange(len(one)) - np.repeat(np.cumsum(count) - count, count) + 1
    one, two = order[one], order[two]
    for other in range(3):
        if other != axis:
            keep = (low[one, other] <= high[two, other]) & (low[two, other] <= high[one, other])
            one, two = one[keep], two[keep]
    return np.minimum(one, two), np.maximum(one, two)


def _check_apart(
    stretches: Stretches, skeleton: Skeleton, shared_p: Ints, shared_q: Ints
) -> tuple[list[Contact], list[Contact]]:
    n = len(stretches.radius)
    pad = (PROXIMITY * stretches.radius + NEAR_MISS)[:, None]
    low = np.minimum(stretches.start, stretches.end) - pad
    high = np.maximum(stretches.start, stretches.end) + pad
    p, q = box_pairs(low, high)
    if p.size and shared_p.size:
        keep = ~np.isin(p * n + q, shared_p * n + shared_q)
        p, q = p[keep], q[keep]
    if not p.size:
        return [], []
    distance, s, t = segment_distances(
        stretches.start[p], stretches.end[p], stretches.start[q], stretches.end[q]
    )
    sum_of_radii = stretches.radius[p] + stretches.radius[q]
    near = np.flatnonzero(distance < np.maximum(PROXIMITY * sum_of_radii, sum_of_radii + NEAR_MISS))
    walk = _Walk(stretches, skeleton)
    parts: list[tuple[int, int, float, float, float, float]] = []
    for k in near:
        one, two = int(p[k]), int(q[k])
        spans_p = [(0.0, float(stretches.length[one]))]
        spans_q = [(0.0, float(stretches.length[two]))]
        lands = distance[k] <= JOINING_DISTANCE and (
            _wire_end(stretches, one, s[k] * stretches.length[one])
            or _wire_end(stretches, two, t[k] * stretches.length[two])
        )
        common = walk.common(one, two, max(REACH, REACH_RADII * float(sum_of_radii[k])))
        if common is not None and not lands:
            spans_p = _without(spans_p[0], *common[0])
            spans_q = _without(spans_q[0], *common[1])
        parts += [(one, two, *span_p, *span_q) for span_p in spans_p for span_q in spans_q]
    if not parts:
        return [], []
    first, second, *spans = zip(*parts, strict=True)
    return _judge(stretches, np.array(first), np.array(second), *(np.array(span) for span in spans))


def _without(span: tuple[float, float], at: float, reach: float) -> list[tuple[float, float]]:
    parts = [(span[0], at - reach), (at + reach, span[1])]
    return [(low, high) for low, high in parts if high > low]


class _Walk:
    """Distances along the wires from stretches to nodes, as far as a reach."""

    def __init__(self, stretches: Stretches, skeleton: Skeleton) -> None:
        self.stretches = stretches
        self.skeleton = skeleton
        self.found: dict[tuple[int, float], dict[int, tuple[float, float]]] = {}

    @cached_property
    def neighbours(self) -> list[list[tuple[int, float]]]:
        lists: list[list[tuple[int, float]]] = [[] for _ in self.skeleton.nodes]
        lengths = np.diff(self.skeleton.piece_span, axis=1)[:, 0].tolist()
        for (a, b), length in zip(self.skeleton.piece_nodes.tolist(), lengths, strict=True):
            lists[a].append((b, length))
            lists[b].append((a, length))
        return lists

    @cached_property
    def held(self) -> list[list[tuple[int, float]]]:
        lists: list[list[tuple[int, float]]] = [[] for _ in self.stretches.radius]
        for k, node, at in zip(
            self.stretches.held_stretch.tolist(),
            self.stretches.held_node.tolist(),
            self.stretches.held_at.tolist(),
            strict=True,
        ):
            lists[k].append((node, at))
        return lists

    def near(self, k: int, reach: float) -> dict[int, tuple[float, float]]:
        """Nodes within reach of a stretch: node to (distance, where the way leaves it)."""
        key = (k, reach)
        if key not in self.found:
            best: dict[int, tuple[float, float]] = {}
            heap = [(0.0, node, at) for node, at in self.held[k]]
            while heap:
                distance, node, at = heapq.heappop(heap)
                if node in best:
                    continue
                best[node] = (distance, at)
                for other, length in self.neighbours[node]:
                    if other not in best and distance + length <= reach:
                        heapq.heappush(heap, (distance + length, other, at))
            self.found[key] = best
        return self.found[key]

    def common(
        self, p: int, q: int, reach: float
    ) -> tuple[tuple[float, float], tuple[float, float]] | None:
        """Around where, and how far, each of two stretches lies within reach of one node."""
        from_p, from_q = self.near(p, reach), self.near(q, reach)
        both = [node for node in from_p if node in from_q]
        if not both:
            return None
        node = min(both, key=lambda n: max(from_p[n][0], from_q[n][0]))
        (d_p, at_p), (d_q, at_q) = from_p[node], from_q[node]
        return (at_p, reach - d_p), (at_q, reach - d_q)
