"""Plane polygons: sense, insets, clipping, what lies inside. Arrays in, arrays out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "clip_strip",
    "cross2",
    "first_hit",
    "following",
    "inset",
    "inside",
    "is_simple",
    "line_parameters",
    "segment_distance",
    "signed_area",
    "tidied",
]

Array = NDArray[np.float64]


def cross2(a: Array, b: Array) -> Array:
    """Cross product of plane vectors, shapes (..., 2) -> (...)."""
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def following(corners: Array) -> Array:
    """The corner after each of a polygon (N, 2), the first after the last; quicker than a roll."""
    return np.concatenate((corners[1:], corners[:1]))


def signed_area(corners: Array) -> float:
    """Area of a polygon (N, 2), positive when it runs counter-clockwise. [m2]"""
    return 0.5 * float(np.sum(cross2(corners, following(corners))))


def is_simple(corners: Array) -> bool:
    """Whether no two sides of the polygon (N, 2) touch but neighbours at their corner."""
    n = len(corners)
    ends = following(corners)
    for i in range(n):
        for j in range(i + 1, n):
            if j - i in (1, n - 1):
                continue
            if segment_distance(corners[i], ends[i], corners[j], ends[j]) < 1e-6:
                return False
    return True


def inside(corners: Array, points: Array, *, tolerance: float = 0.0) -> NDArray[np.bool_]:
    """Which points (M, 2) lie in the polygon (N, 2), or within `tolerance` of its sides. [m]"""
    starts, ends = corners, following(corners)
    x, y = points[:, None, 0], points[:, None, 1]
    above = (starts[:, 1] > y) != (ends[:, 1] > y)
    rise = np.where(ends[:, 1] == starts[:, 1], 1.0, ends[:, 1] - starts[:, 1])
    at = starts[:, 0] + (y - starts[:, 1]) * (ends[:, 0] - starts[:, 0]) / rise
    within = (np.sum(above & (x < at), axis=1) % 2).astype(bool)
    side = ends - starts
    t = np.clip(
        np.sum((points[:, None] - starts) * side, axis=2) / np.sum(side**2, axis=1), 0.0, 1.0
    )
    gap = np.linalg.norm(points[:, None] - starts - t[..., None] * side, axis=2).min(axis=1)
    return np.where(gap <= abs(tolerance), tolerance >= 0.0, within)


def inset(corners: Array, distance: float) -> Array | None:
    """The counter-clockwise polygon (N, 2) with every side moved inwards. [m]

    Returns
    -------
    ndarray (N, 2) or None
        None where a side would vanish or turn round: the room is too narrow.
    """
    side = following(corners) - corners
    along = side / np.linalg.norm(side, axis=1)[:, None]
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    before_normal = np.roll(normal, 1, axis=0)
    # corner moves by a vector v with v.n = v.n_before = distance
    det = cross2(before_normal, normal)
    if np.any(np.abs(det) < 1e-9):
        return None
    v = distance * np.stack(
        [normal[:, 1] - before_normal[:, 1], before_normal[:, 0] - normal[:, 0]], axis=1
    )
    moved = corners + v / det[:, None]
    new_side = following(moved) - moved
    if np.any(np.sum(new_side * along, axis=1) <= 1e-6) or not is_simple(moved):
        return None
    return moved


def clip_strip(corners: Array, low: float, high: float) -> Array:
    """The part of the polygon (N, 2) with low <= y <= high; empty (0, 2) if nothing is left. [m]"""
    for sign, bound in ((1.0, low), (-1.0, -high)):
        kept: list[Array] = []
        for here, there in zip(corners, following(corners), strict=True):
            a, b = sign * here[1] - bound, sign * there[1] - bound
            if a >= 0.0:
                kept.append(here)
            if (a > 0.0 and b < 0.0) or (a < 0.0 and b > 0.0):
                kept.append(here + (there - here) * (a / (a - b)))
        corners = np.array(kept) if len(kept) > 2 else np.zeros((0, 2))
    return corners


def line_parameters(corners: Array, start: Array, end: Array) -> Array:
    """Where the stretch from start to end, 0 to 1, crosses sides of the polygon (N, 2); sorted."""
    side = following(corners) - corners
    way = end - start
    det = cross2(way, side)
    skew = np.abs(det) > 1e-14
    safe = np.where(skew, det, 1.0)
    t = cross2(corners - start, side) / safe
    u = cross2(corners - start, np.broadcast_to(way, side.shape)) / safe
    return np.sort(t[skew & (u >= 0.0) & (u <= 1.0) & (t > 0.0) & (t < 1.0)])


def first_hit(corners: Array, start: Array, direction: Array) -> tuple[float, int] | None:
    """Distance along a ray to the polygon's nearest side, and which side; None for a miss. [m]"""
    side = following(corners) - corners
    det = cross2(np.broadcast_to(direction, side.shape), side)
    skew = np.abs(det) > 1e-12
    safe = np.where(skew, det, 1.0)
    t = cross2(corners - start, side) / safe
    u = cross2(corners - start, np.broadcast_to(direction, side.shape)) / safe
    hits = np.flatnonzero(skew & (u >= -1e-12) & (u <= 1.0 + 1e-12) & (t > 0.0))
    if hits.size == 0:
        return None
    nearest = hits[np.argmin(t[hits])]
    return float(t[nearest]), int(nearest)


def segment_distance(a: Array, b: Array, c: Array, d: Array) -> float:
    """Least distance of the plane stretches a-b and c-d. [m]"""
    ab, cd, ac = b - a, d - c, c - a
    det = float(cross2(ab, cd))
    if abs(det) > 1e-14:
        t, u = float(cross2(ac, cd)) / det, float(cross2(ac, ab)) / det
        if 0.0 <= t <= 1.0 and 0.0 <= u <= 1.0:
            return 0.0

    def to_stretch(p: Array, q: Array, r: Array) -> float:
        way = r - q
        square = float(way @ way)
        t = 0.0 if square == 0.0 else min(max(float((p - q) @ way) / square, 0.0), 1.0)
        return float(np.linalg.norm(p - q - t * way))

    return min(to_stretch(a, c, d), to_stretch(b, c, d), to_stretch(c, a, b), to_stretch(d, a, b))


def tidied(corners: Array) -> Array:
    """The polygon (N, 2) without repeated corners and corners on a straight side."""
    if len(corners) < 3:
        return corners
    corners = corners[np.linalg.norm(following(corners) - corners, axis=1) > 1e-6]
    if len(corners) < 3:
        return corners
    before, after = np.roll(corners, 1, axis=0), following(corners)
    a, b = corners - before, after - corners
    bend = np.abs(cross2(a, b)) > 1e-9 * np.linalg.norm(a, axis=1) * np.linalg.norm(b, axis=1)
    return corners[bend]
