"""Compiled kernels: how far wires are from points and from cells."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy")
def nearest_elements(points, starts, ends):
    """Distance of each point (N, 3) to the nearest of the straight elements, and which. [m]"""
    out = np.empty(points.shape[0])
    which = np.zeros(points.shape[0], dtype=np.int64)
    for n in range(points.shape[0]):
        least = np.inf
        for e in range(starts.shape[0]):
            ux = ends[e, 0] - starts[e, 0]
            uy = ends[e, 1] - starts[e, 1]
            uz = ends[e, 2] - starts[e, 2]
            x = points[n, 0] - starts[e, 0]
            y = points[n, 1] - starts[e, 1]
            z = points[n, 2] - starts[e, 2]
            t = (x * ux + y * uy + z * uz) / (ux * ux + uy * uy + uz * uz)
            t = min(max(t, 0.0), 1.0)
            x -= t * ux
            y -= t * uy
            z -= t * uz
            square = x * x + y * y + z * z
            if square < least:
                least = square
                which[n] = e
        out[n] = math.sqrt(least)
    return out, which


@njit(cache=True, error_model="numpy")
def mark_near(center, frame, half, reach, element_center, element_half, near):
    """near[c, e] = True where an element comes within reach[c] of a cell.

    The distance of a segment from a box is bounded from below by sampling it at steps of half the
    reach and taking that half step off.
    """
    for c in range(center.shape[0]):
        bound = math.sqrt(half[c, 0] ** 2 + half[c, 1] ** 2 + half[c, 2] ** 2) + reach[c]
        for e in range(element_center.shape[0]):
            dx = element_center[e, 0] - center[c, 0]
            dy = element_center[e, 1] - center[c, 1]
            dz = element_center[e, 2] - center[c, 2]
            hx, hy, hz = element_half[e, 0], element_half[e, 1], element_half[e, 2]
            square = hx * hx + hy * hy + hz * hz
            t = min(max(-(dx * hx + dy * hy + dz * hz) / square, -1.0), 1.0)
            x, y, z = dx + t * hx, dy + t * hy, dz + t * hz
            if x * x + y * y + z * z > bound * bound:
                continue
            steps = math.ceil(4.0 * math.sqrt(square) / reach[c]) + 1
            least = np.inf
            for s in range(steps + 1):
                t = -1.0 + 2.0 * s / steps
                x, y, z = dx + t * hx, dy + t * hy, dz + t * hz
                total = 0.0
                for a in range(3):
                    q = frame[c, a, 0] * x + frame[c, a, 1] * y + frame[c, a, 2] * z
                    q = max(abs(q) - half[c, a], 0.0)
                    total += q * q
                least = min(least, total)
            near[c, e] = math.sqrt(least) - math.sqrt(square) / steps <= reach[c]
