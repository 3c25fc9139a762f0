"""Radials fitted into a plan: straight while there is room, then along the walls.

A radial that meets a wall may turn left or right, in one of several lanes. Lane k is
the plan inset by the margin plus k times the spacing, so lanes nest and never meet.
What can meet is a lane and the straight stretch of a radial that crosses it; those
pairs are kept apart by search: every radial tries its lanes from the wall inwards,
and the search goes back where a later radial finds none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .outlines import cross2, first_hit, following, inset, inside, line_parameters

__all__ = ["fit_radials"]

Array = NDArray[np.float64]

_LANES = 30
_SHORTEST_BEND = 0.12  # no stretch along a wall shorter than this [m]
_ROUNDS = 40  # before the search gives up
_PAIRS = 80_000  # pairs of ways looked at, likewise
_BATCH = 6


@dataclass(frozen=True)
class _Way:
    """One possible way of one radial: corners (N, 2), the hub first; side 0 means straight."""

    corners: Array
    lane: int


def fit_radials(
    corners: Array,
    hub: Array,
    azimuths: Sequence[float],
    lengths: Sequence[float],
    *,
    margin: float,
    spacing: float,
    effort: float = 1.0,
) -> list[Array] | int:
    """Lay radials of given directions and lengths inside a plan.

    Parameters
    ----------
    corners : ndarray (N, 2)
        The plan, counter-clockwise. [m]
    hub : ndarray (2,)
        Where the radials start, at least `margin` inside. [m]
    azimuths : sequence of float
        Directions at the hub, counter-clockwise from +x. [radian]
    lengths : sequence of float
        Lengths along the radials. [m]
    margin : float
        Least distance to the walls. [m]
    spacing : float
        Least distance between a stretch along a wall and any other radial. [m]
    effort : float
        How long to search, as a part of the most that one call may take.

    Returns
    -------
    list of ndarray (M, 2), or int
        Corners of every radial from the hub outwards; or, where no arrangement was found,
        the number of the radial that found no way in the best attempt.
    """
    lanes: list[Array] = []
    for k in range(_LANES):
        lane = inset(corners, margin + k * spacing)
        if lane is None or not inside(lane, hub[None, :], tolerance=1e-9)[0]:
            break
        lanes.append(lane)
    ways = [_ways(lanes, hub, a, n) for a, n in zip(azimuths, lengths, strict=True)]
    for n, choice in enumerate(ways):
        if not choice:
            return n
    # radials that meet their wall soonest get the lanes nearest to it
    order = sorted(range(len(ways)), key=lambda n: _first_leg(ways[n]))
    return _search(ways, order, spacing, effort * _PAIRS)


def _first_leg(ways: list[_Way]) -> float:
    """Length of the first straight stretch; straight radials come before all others. [m]"""
    way = ways[0].corners
    return 0.0 if len(way) == 2 else float(np.linalg.norm(way[1] - way[0]))


def _ways(lanes: list[Array], hub: Array, azimuth: float, length: float) -> list[_Way]:
    """All ways of one radial, the least bent first."""
    if not lanes:
        return []
    direction = np.array([np.cos(azimuth), np.sin(azimuth)])
    tip = hub + length * direction
    if (
        inside(lanes[0], tip[None, :], tolerance=1e-9)[0]
        and line_parameters(lanes[0], hub, tip).size == 0
    ):
        return [_Way(np.stack([hub, tip]), 0)]
    found: list[_Way] = []
    for k, lane in enumerate(lanes):
        hit = first_hit(lane, hub, direction)
        if hit is None or hit[0] < _SHORTEST_BEND or hit[0] >= length:
            continue
        reach, side = hit
        wall = lane[(side + 1) % len(lane)] - lane[side]
        onward = 1 if wall @ direction >= 0.0 else -1
        for sense in (onward, -onward):
            way = _along(lane, hub, hub + reach * direction, side, sense, length - reach)
            if way is not None:
                found.append(_Way(way, k))
    return found


def _along(
    lane: Array, hub: Array, start: Array, side: int, sense: int, length: float
) -> Array | None:
    """From the hub to a point on a side of the lane and on along the lane; None if a bit is left
    that is too short to bend, or the way would come round to its own start."""
    perimeter = float(np.linalg.norm(following(lane) - lane, axis=1).sum())
    if length > 0.8 * perimeter:
        return None
    way = [hub, start]
    corner = (side + 1) % len(lane) if sense > 0 else side
    while True:
        stretch = lane[corner] - way[-1]
        size = float(np.linalg.norm(stretch))
        if length < _SHORTEST_BEND or size < _SHORTEST_BEND:
            return None
        if size >= length:
            way.append(way[-1] + stretch * (length / size))
            return np.array(way)
        way.append(lane[corner])
        length -= size
        corner = (corner + sense) % len(lane)


def _search(
    ways: list[list[_Way]], order: list[int], spacing: float, most: float
) -> list[Array] | int:
    """First arrangement without a conflict.

    Each round lays the radials in turn, each in its first way that is clear of those laid
    before; one that finds none moves towards the front of the next round's order.
    """
    longest = max(len(way.corners) for choice in ways for way in choice)
    shapes = [np.stack([_padded(way.corners, longest) for way in choice]) for choice in ways]
    best, blamed, pairs = len(ways) + 1, order[0], 0
    for _ in range(_ROUNDS):
        placed: dict[int, int] = {}
        failed: list[int] = []
        laid = np.zeros((0, longest, 2))
        for n in order:
            for start in range(0, len(shapes[n]), _BATCH):
                batch = shapes[n][start : start + _BATCH]
                pairs += len(batch) * len(laid)
                free = np.flatnonzero(_clear(batch, laid, spacing).all(axis=1))
                if free.size:
                    placed[n] = start + int(free[0])
                    laid = np.concatenate([laid, batch[free[0]][None]])
                    break
            else:
                failed.append(n)
        if not failed:
            return [ways[n][placed[n]].corners for n in range(len(ways))]
        if len(failed) < best:
            best, blamed = len(failed), failed[0]
        for n in failed:
            at = order.index(n)
            order.insert(max(0, at - max(1, len(order) // 4)), order.pop(at))
        if pairs > most:
            break
    return blamed


def _padded(corners: Array, size: int) -> Array:
    """Corners (N, 2) filled up to (size, 2) with NaN."""
    return np.vstack([corners, np.full((size - len(corners), 2), np.nan)])


def _clear(a: Array, b: Array, spacing: float) -> NDArray[np.bool_]:
    """Which radials of one hub keep their distance beyond their first stretches.

    Parameters
    ----------
    a, b : ndarray (W, N, 2), (P, N, 2)
        Corners, the hub first, filled up with NaN. [m]
    spacing : float
        [m]

    Returns
    -------
    ndarray of bool, shape (W, P)
    """
    p, q = a[:, None, :-1, None, :], b[None, :, None, :-1, :]
    u, v = np.diff(a, axis=1)[:, None, :, None, :], np.diff(b, axis=1)[None, :, None, :, :]
    gaps = np.minimum(
        np.minimum(_to_stretch(p, q, v), _to_stretch(p + u, q, v)),
        np.minimum(_to_stretch(q, p, u), _to_stretch(q + v, p, u)),
    )
    det = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
    safe = np.where(np.abs(det) > 1e-14, det, np.inf)
    w = q - p
    t = (w[..., 0] * v[..., 1] - w[..., 1] * v[..., 0]) / safe
    s = (w[..., 0] * u[..., 1] - w[..., 1] * u[..., 0]) / safe
    crossing = (t >= 0) & (t <= 1) & (s >= 0) & (s <= 1) & np.isfinite(safe)
    gaps = np.where(crossing, 0.0, gaps)
    # near the hub two radials are as close as their angle makes them
    need = np.full(gaps.shape, spacing)
    need[:, :, 1:, 0] = np.minimum(
        spacing, 0.9 * _to_stretch(a[:, None, 1], b[None, :, 0], v[:, :, 0, 0])
    )[..., None]
    need[:, :, 0, 1:] = np.minimum(
        spacing, 0.9 * _to_stretch(b[None, :, 1], a[:, None, 0], u[:, :, 0, 0])
    )[..., None]
    need[:, :, 0, 0] = 0.0
    first_a, first_b = u[:, :, 0, 0], v[:, :, 0, 0]
    turn = np.arctan2(cross2(first_a, first_b), np.sum(first_a * first_b, axis=-1))
    near = gaps < need * (1.0 - 1e-9)  # never where filled up: comparisons with NaN are false
    return ~near.any(axis=(2, 3)) & (np.abs(turn) > 1e-3)


def _to_stretch(point: Array, start: Array, way: Array) -> Array:
    """Distance of points (..., 2) to stretches of the same shape. [m]"""
    t = np.clip(np.sum((point - start) * way, axis=-1) / np.sum(way**2, axis=-1), 0.0, 1.0)
    gap = point - start - t[..., None] * way
    return np.hypot(gap[..., 0], gap[..., 1])
