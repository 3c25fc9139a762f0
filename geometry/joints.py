"""Where wires meet: nodes, and the straight pieces between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .electrodes import Electrode
from .errors import FeedError, GeometryError
from .feeds import Feed
from .wires import JOINING_DISTANCE, Wire, show_point

if TYPE_CHECKING:
    from .scene import Scene

__all__ = ["FeedNode", "Skeleton", "cluster_points", "trace_joints"]

_SWEEP = np.array([0.7693, 0.5381, 0.3441])  # no direction that wires are likely to share


@dataclass(frozen=True)
class FeedNode:
    """Where a feed's gap is.

    Attributes
    ----------
    node : int
        Index of the node.
    group_a : tuple of (piece, side)
        The ends on the driven side; side 0 is the piece's first node, 1 its last. All other
        ends at the node, and a perfect ground under it, are the other side.
    """

    node: int
    group_a: tuple[tuple[int, int], ...]


@dataclass(frozen=True, eq=False)
class Skeleton:
    """A scene as nodes and straight pieces; pieces follow the wires in order.

    Attributes
    ----------
    nodes : ndarray, shape (N, 3)
        Ends, corners, marked and fed points, those within 1 mm as one. [m]
    node_on_ground : ndarray of bool, shape (N,)
        Whether the node is a contact to the ground: all that touch a perfect one, ends with an
        electrode over real earth; its z is then 0.
    piece_wire : ndarray of int, shape (K,)
        Index of the piece's wire.
    piece_nodes : ndarray of int, shape (K, 2)
        First and last node.
    piece_span : ndarray, shape (K, 2)
        Distances along the wire. [m]
    feeds : tuple of FeedNode
        In the order of the scene's feeds.
    electrodes : tuple of (node, Electrode)
        Contacts to real earth, by rising node.
    """

    nodes: NDArray[np.float64]
    node_on_ground: NDArray[np.bool_]
    piece_wire: NDArray[np.intp]
    piece_nodes: NDArray[np.intp]
    piece_span: NDArray[np.float64]
    feeds: tuple[FeedNode, ...]
    electrodes: tuple[tuple[int, Electrode], ...] = ()


def trace_joints(scene: Scene) -> Skeleton:
    """Join what meets and cut the wires into straight pieces.

    Parameters
    ----------
    scene : Scene
        Wires, feeds, earth.

    Returns
    -------
    Skeleton

    Raises
    ------
    FeedError
        If a feed is off its wire, its wires do not meet, or nothing is on its other side.
    GeometryError
        If a stretch closes on itself within the joining distance, or two different electrodes
        are given for one point.

    Notes
    -----
    Nearness of wires that do not join is the business of `checks`.
    """
    places = _feed_places(scene)
    breaks = [_breaks(wire, places.get(w, ())) for w, wire in enumerate(scene.wires)]
    counts = np.array([len(along) for along, _ in breaks])
    along = np.concatenate([along for along, _ in breaks])
    points = np.concatenate([points for _, points in breaks])
    first = np.concatenate([[0], np.cumsum(counts)[:-1]])

    grounded = np.zeros(len(points), dtype=bool)
    if scene.earth is not None and scene.earth.is_perfect:
        grounded = np.abs(points[:, 2]) < JOINING_DISTANCE
        points[grounded, 2] = 0.0
    led = _led_ends(scene, first, counts)
    for k in led:
        grounded[k] = True
        points[k, 2] = 0.0
    labels = cluster_points(points, JOINING_DISTANCE)
    nodes = _cluster_means(points, labels)
    node_on_ground = np.zeros(len(nodes), dtype=bool)
    node_on_ground[labels[grounded]] = True
    nodes[node_on_ground, 2] = 0.0

    is_last = np.zeros(len(points), dtype=bool)
    is_last[first + counts - 1] = True
    begin = np.flatnonzero(~is_last)
    piece_wire = np.repeat(np.arange(len(counts)), counts - 1)
    piece_nodes = np.stack([labels[begin], labels[begin + 1]], axis=1)
    piece_span = np.stack([along[begin], along[begin + 1]], axis=1)
    closed = np.flatnonzero(piece_nodes[:, 0] == piece_nodes[:, 1])
    if closed.size:
        k = int(closed[0])
        raise GeometryError(
            f"Wire {scene.wires[int(piece_wire[k])].name!r}: the stretch from "
            f"{piece_span[k, 0]:g} to {piece_span[k, 1]:g} m begins and ends at one join; points "
            "within 1 mm of each other are one. Leave a point out or move it."
        )
    first_piece = first - np.arange(len(counts))
    feeds = _feed_nodes(scene, breaks, first_piece, piece_nodes, node_on_ground)
    return Skeleton(
        nodes=nodes,
        node_on_ground=node_on_ground,
        piece_wire=piece_wire,
        piece_nodes=piece_nodes,
        piece_span=piece_span,
        feeds=feeds,
        electrodes=_node_electrodes(nodes, labels, led),
    )


def _led_ends(
    scene: Scene, first: NDArray[np.intp], counts: NDArray[np.intp]
) -> dict[int, Electrode]:
    """Electrodes over real earth by the number of the point that is led to it."""
    found = {}
    if scene.earth is not None and not scene.earth.is_perfect:
        for w, wire in enumerate(scene.wires):
            if wire.earth_start is not None:
                found[int(first[w])] = wire.earth_start
            if wire.earth_end is not None:
                found[int(first[w] + counts[w]) - 1] = wire.earth_end
    return found


def _node_electrodes(
    nodes: NDArray[np.float64], labels: NDArray[np.intp], led: dict[int, Electrode]
) -> tuple[tuple[int, Electrode], ...]:
    found: dict[int, Electrode] = {}
    for point, electrode in led.items():
        node = int(labels[point])
        if found.setdefault(node, electrode) != electrode:
            raise GeometryError(
                f"At {show_point(nodes[node])} two different electrodes are given, {electrode!r} "
                f"and {found[node]!r}; wires that share a contact share its electrode. Give both "
                "the same, or one of them none."
            )
    return tuple(sorted(found.items(), key=lambda pair: pair[0]))


def cluster_points(points: NDArray[np.float64], distance: float) -> NDArray[np.intp]:
    """Which points are one: nearer than `distance`, directly or by way of others.

    Parameters
    ----------
    points : ndarray, shape (M, 3)
        [m]
    distance : float
        [m]

    Returns
    -------
    ndarray of int, shape (M,)
        Cluster numbers from 0 in order of first appearance.
    """
    along = points @ (_SWEEP / np.linalg.norm(_SWEEP))
    order = np.argsort(along, kind="stable")
    sorted_along = along[order]
    sorted_points = points[order]
    labels = np.arange(len(points))
    pairs = []
    active = np.arange(len(points))
    step = 0
    while True:
        step += 1
        active = active[active + step < len(points)]
        active = active[sorted_along[active + step] - sorted_along[active] <= distance]
        if not active.size:
            break
        gap = sorted_points[active + step] - sorted_points[active]
        near = active[(gap**2).sum(axis=1) <= distance**2]
        pairs.append(np.stack([order[near], order[near + step]], axis=1))
    if pairs:
        one, two = np.concatenate(pairs).T
        labels = merge_labels(len(points), one, two)
    return np.unique(labels, return_inverse=True)[1].reshape(-1)


def merge_labels(count: int, one: NDArray[np.intp], two: NDArray[np.intp]) -> NDArray[np.intp]:
    """Labels, shape (count,), equal for all that pairs (one, two) connect: the least index."""
    labels = np.arange(count)
    while one.size:
        before = labels.copy()
        least = np.minimum(labels[one], labels[two])
        np.minimum.at(labels, before[one], least)
        np.minimum.at(labels, before[two], least)
        labels = labels[labels]
        if np.array_equal(labels, before):
            break
    return labels


def _cluster_means(points: NDArray[np.float64], labels: NDArray[np.intp]) -> NDArray[np.float64]:
    """Mean of each cluster, exact where all its points are equal."""
    _, first = np.unique(labels, return_index=True)
    base = points[first]
    gap = points - base[labels]
    count = np.bincount(labels)
    shift = np.stack([np.bincount(labels, weights=gap[:, i]) for i in range(3)], axis=1)
    return base + shift / count[:, None]


def _breaks(
    wire: Wire, fed: tuple[float, ...] | list[float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distances and points at which a wire is cut: corners, marks and fed points."""
    if not wire.marks and not fed:
        return wire.vertex_distances, wire.vertices
    found = wire.vertex_distances
    for wanted in (wire.marks, fed):  # a fed point within 1 mm of a corner or mark is that point
        new: list[float] = []
        for at in sorted(wanted):
            k = int(np.searchsorted(found, at))
            gap = np.abs(found[max(k - 1, 0) : k + 1] - at).min()
            if gap > JOINING_DISTANCE and (not new or at - new[-1] > JOINING_DISTANCE):
                new.append(at)
        found = np.sort(np.concatenate([found, new]))
    points = wire.points_at(found)
    points[np.searchsorted(found, wire.vertex_distances)] = wire.vertices
    return found, points


def feed_distance(feed: Feed, wire: Wire) -> float:
    """Where a feed sits along a wire. [m]"""
    if feed.at == "start":
        return 0.0
    if feed.at == "middle":
        return 0.5 * wire.length
    if feed.at == "end":
        return wire.length
    at = float(feed.at)
    if at > wire.length + JOINING_DISTANCE:
        raise FeedError(
            f"{type(feed).__name__} {feed.name!r}: at={at:g} m is off the end of wire "
            f"{wire.name!r}, which is {wire.length:g} m long. Give 0 to {wire.length:g}, "
            "'start', 'middle' or 'end'."
        )
    return min(at, wire.length)


def _feed_places(scene: Scene) -> dict[int, list[float]]:
    index = {wire.name: w for w, wire in enumerate(scene.wires)}
    places: dict[int, list[float]] = {}
    for feed in scene.ports:
        for name in feed.wires:
            w = index[name]
            places.setdefault(w, []).append(feed_distance(feed, scene.wires[w]))
    return places


def _feed_nodes(
    scene: Scene,
    breaks: list[tuple[NDArray[np.float64], NDArray[np.float64]]],
    first_piece: NDArray[np.intp],
    piece_nodes: NDArray[np.intp],
    node_on_ground: NDArray[np.bool_],
) -> tuple[FeedNode, ...]:
    index = {wire.name: w for w, wire in enumerate(scene.wires)}
    found = []
    for feed in scene.ports:
        group: list[tuple[int, int]] = []
        nodes: list[int] = []
        for name in feed.wires:
            w = index[name]
            along = breaks[w][0]
            k = int(np.argmin(np.abs(along - feed_distance(feed, scene.wires[w]))))
            n_pieces = len(along) - 1
            end = (int(first_piece[w]) + min(k, n_pieces - 1), 0 if k < n_pieces else 1)
            group.append(end)
            nodes.append(int(piece_nodes[end]))
        for name, node in zip(feed.wires, nodes, strict=True):
            if node != nodes[0]:
                raise FeedError(
                    f"{type(feed).__name__} {feed.name!r}: wires {feed.wires[0]!r} and {name!r} "
                    f"are not joined at at={feed.at!r} of each; all its wires must join there "
                    "(within 1 mm). A wire that was drawn towards the feed is turned by "
                    ".reversed()."
                )
        n_ends = int(np.count_nonzero(piece_nodes == nodes[0]))
        if n_ends == len(group) and not node_on_ground[nodes[0]]:
            raise FeedError(
                f"{type(feed).__name__} {feed.name!r} sits at a free end: nothing but "
                f"{' + '.join(feed.wires)} is there (at={feed.at!r}), so no current can flow. "
                "Feed it part-way along, or join a counterpoise there."
            )
        found.append(FeedNode(node=nodes[0], group_a=tuple(group)))
    return tuple(found)
