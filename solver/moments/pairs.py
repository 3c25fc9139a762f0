"""Which element pairs are near, and how to split them until plain quadrature is good enough.

Compiled kernels; plain arrays in and out.  Pair kinds: far pairs have near_index -1, the others
number the rows of the leaf list.  A leaf is a pair of sub-intervals of xi and xi' whose distance
is at least `separation` times the longer of the two, or both shorter than `floor`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

ON_ONE_LINE = 1e-7


@njit(cache=True, error_model="numpy")
def segment_distance(p0, p1, p2, q0, q1, q2, ux, uy, uz, vx, vy, vz):
    """Least distance of the segments P + s U and Q + t V, s and t in [0, 1]."""
    wx, wy, wz = p0 - q0, p1 - q1, p2 - q2
    a = ux * ux + uy * uy + uz * uz
    b = ux * vx + uy * vy + uz * vz
    c = vx * vx + vy * vy + vz * vz
    d = ux * wx + uy * wy + uz * wz
    e = vx * wx + vy * wy + vz * wz
    det = a * c - b * b
    s = 0.0
    if det > 1e-14 * a * c:
        s = min(max((b * e - c * d) / det, 0.0), 1.0)
    t = (b * s + e) / c
    if t < 0.0:
        t = 0.0
        s = min(max(-d / a, 0.0), 1.0)
    elif t > 1.0:
        t = 1.0
        s = min(max((b - d) / a, 0.0), 1.0)
    x = wx + s * ux - t * vx
    y = wy + s * uy - t * vy
    z = wz + s * uz - t * vz
    return np.sqrt(x * x + y * y + z * z)


@njit(cache=True, error_model="numpy")
def _part_distance(center, half, a0, a1, other_center, other_half, b0, b1):
    p0 = center[0] + a0 * half[0]
    p1 = center[1] + a0 * half[1]
    p2 = center[2] + a0 * half[2]
    q0 = other_center[0] + b0 * other_half[0]
    q1 = other_center[1] + b0 * other_half[1]
    q2 = other_center[2] + b0 * other_half[2]
    da, db = a1 - a0, b1 - b0
    return segment_distance(
        p0, p1, p2, q0, q1, q2,
        da * half[0], da * half[1], da * half[2],
        db * other_half[0], db * other_half[1], db * other_half[2],
    )  # fmt: skip


@njit(cache=True, error_model="numpy")
def _on_one_line(center, half, length, other_center, other_half):
    """True where both ends of the other element lie on this element's line."""
    ux, uy, uz = half[0] / length, half[1] / length, half[2] / length
    for sign in (-1.0, 1.0):
        x = other_center[0] + sign * other_half[0] - center[0]
        y = other_center[1] + sign * other_half[1] - center[1]
        z = other_center[2] + sign * other_half[2] - center[2]
        cx, cy, cz = y * uz - z * uy, z * ux - x * uz, x * uy - y * ux
        reach = np.sqrt(x * x + y * y + z * z) + length
        if np.sqrt(cx * cx + cy * cy + cz * cz) > ON_ONE_LINE * reach:
            return False
    return True


@njit(cache=True, error_model="numpy")
def _pair_kind(i, j, center, half, length, other_center, other_half, separation):
    longer = 2.0 * max(length[i], length[j])
    x = center[i, 0] - other_center[j, 0]
    y = center[i, 1] - other_center[j, 1]
    z = center[i, 2] - other_center[j, 2]
    near = np.sqrt(x * x + y * y + z * z) - length[i] - length[j] < separation * longer
    if near:
        gap = _part_distance(
            center[i], half[i], -1.0, 1.0, other_center[j], other_half[j], -1.0, 1.0
        )
        near = gap < separation * longer
    if _on_one_line(center[i], half[i], length[i], other_center[j], other_half[j]):
        return 2 if near else 3
    return 1 if near else 0


@njit(cache=True, error_model="numpy")
def classify_pairs(center, half, length, other_center, other_half, separation):
    """Kind of each pair, int8 (E, E'): 0 far, 1 near, 2 near and on one line, 3 far on one line.

    `length` is the half length of an element; pairs below the diagonal are left 0.
    """
    n = center.shape[0]
    kind = np.zeros((n, n), dtype=np.int8)
    for i in range(n):
        for j in range(i, n):
            kind[i, j] = _pair_kind(
                i, j, center, half, length, other_center, other_half, separation
            )
    return kind


@njit(cache=True, error_model="numpy")
def _put(rows, at, a0, a1, b0, b1):
    row = rows[at]
    row[0] = a0
    row[1] = a1
    row[2] = b0
    row[3] = b1


@njit(cache=True, error_model="numpy")
def _doubled(rows):
    grown = np.empty((2 * rows.shape[0], 4))
    for n in range(rows.shape[0]):  # a loop compiles many times faster than a slice
        for c in range(4):
            grown[n, c] = rows[n, c]
    return grown


@njit(cache=True, error_model="numpy")
def split_pairs(pair_i, pair_j, center, half, length, other_center, other_half, floor, separation):
    """Leaves of near pairs.

    Parameters: pair_i, pair_j (n,) element indices; floor (n,) length below which a piece is not
    split further. [m]

    Returns
    -------
    first : (n + 1,) int64
        Leaves first[m] .. first[m + 1] - 1 belong to pair m.
    leaves : (n_leaves, 4) float
        xi from, xi to, xi' from, xi' to.
    """
    n = pair_i.shape[0]
    first = np.zeros(n + 1, dtype=np.int64)
    leaves = np.empty((64 * n + 64, 4))
    stack = np.empty((256, 4))
    count = 0
    for m in range(n):
        i, j = pair_i[m], pair_j[m]
        _put(stack, 0, -1.0, 1.0, -1.0, 1.0)
        top = 1
        while top > 0:
            top -= 1
            a0, a1, b0, b1 = stack[top, 0], stack[top, 1], stack[top, 2], stack[top, 3]
            la = (a1 - a0) * length[i]
            lb = (b1 - b0) * length[j]
            longer = max(la, lb)
            done = longer <= floor[m]
            if not done:
                gap = _part_distance(
                    center[i], half[i], a0, a1, other_center[j], other_half[j], b0, b1
                )
                done = gap >= separation * longer
            if done:
                if count == leaves.shape[0]:
                    leaves = _doubled(leaves)
                _put(leaves, count, a0, a1, b0, b1)
                count += 1
                continue
            middle_a = 0.5 * (a0 + a1) if la >= lb else a1
            middle_b = 0.5 * (b0 + b1) if la < lb else b1
            _put(stack, top, a0, middle_a, b0, middle_b)
            _put(stack, top + 1, middle_a if la >= lb else a0, a1, middle_b if la < lb else b0, b1)
            top += 2
        first[m + 1] = count
    return first, leaves[:count]
