r"""Compiled integrals over element pairs: Legendre moments of the free-space Green's function.

M_ij = h h' Int Int P_i(xi) P_j(xi') exp(-jkR)/(4 pi R) dxi dxi'

Distances R between the currents of two conductors of radii a and a':

* on one straight line: the mean over both circumferences, R^2 = zeta^2 + a^2 + b^2 - 2ab cos(phi)
  (static parts by complete elliptic integrals, the rest with R^2 = zeta^2 + a^2 + b^2);
* elsewhere R^2 = D^2 + c^2 exp(-D^2/4c^2), c^2 = (a^2 + a'^2)/2: the junction value at D = 0,
  the distance of the axes beyond a few radii, and no seam between the two.

The frequency-independent parts of near pairs, 1/R and R, are integrated once with care; the
remainder (exp(-jkR) - 1 + (kR)^2/2)/R is smooth and needs plain nodes only.

All functions here take arrays and scalars, and call jitted functions of this file only.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange

FAST = {"contract", "reassoc", "arcp", "nsz"}
FOUR_PI = 4.0 * math.pi
THIN = 1e-6
"""Conductors with (ka)^2 below this radiate like their axes; others like their surface."""
MOST_PANELS = 512
"""Panels double in size from half a radius on: 512 would span more than doubles can."""


@njit(cache=True, error_model="numpy")
def complete_elliptic(complement):
    """K(m) and E(m) from m1 = 1 - m > 0 by the arithmetic-geometric mean."""
    a, g = 1.0, math.sqrt(complement)
    total = 1.0 - complement
    factor = 1.0
    excess = 0.5 * total
    for _ in range(40):
        difference = 0.5 * (a - g)
        mean = 0.5 * (a + g)
        g = math.sqrt(a * g)
        a = mean
        factor *= 2.0
        excess += 0.5 * factor * difference * difference
        if abs(difference) < 1e-16 * a:
            break
    k = 0.5 * math.pi / a
    return k, k * (1.0 - excess)


@njit(cache=True, error_model="numpy")
def ring_means(zeta, a, b):
    """Mean of 1/R and of R over two coaxial rings of radii a and b, zeta apart."""
    far = zeta * zeta + (a + b) * (a + b)
    close = zeta * zeta + (a - b) * (a - b)
    k, e = complete_elliptic(max(close / far, 1e-300))
    root = math.sqrt(far)
    return 2.0 / math.pi * k / root, 2.0 / math.pi * e * root


@njit(cache=True, error_model="numpy")
def legendre_into(x, n, values):
    """P_0 .. P_{n-1} at x."""
    values[0] = 1.0
    if n > 1:
        values[1] = x
    for k in range(2, n):
        values[k] = ((2 * k - 1) * x * values[k - 1] - (k - 1) * values[k - 2]) / k


@njit(cache=True, error_model="numpy")
def _line_panels(h, other_h, shift, scale):
    """Panels of zeta, rows (from, to, graded), growing away from zeta = 0.

    The moments of two elements on one line, their centres `shift` apart, are integrals over
    zeta = s' - s of a piecewise polynomial; the pieces meet at the four sums of the ends.
    """
    panels = np.empty((MOST_PANELS, 3))
    n = 0
    cuts = np.empty(5)
    cuts[0] = shift - other_h - h
    cuts[1] = shift - abs(other_h - h)
    cuts[2] = shift + abs(other_h - h)
    cuts[3] = shift + other_h + h
    cuts[4] = min(max(0.0, cuts[0]), cuts[3])
    for a in range(1, 5):  # few enough to sort by hand; a library sort takes seconds to compile
        for b in range(a, 0, -1):
            if cuts[b] < cuts[b - 1]:
                cuts[b], cuts[b - 1] = cuts[b - 1], cuts[b]
    tiny = 1e-12 * (h + other_h)
    for c in range(4):
        near, far = cuts[c], cuts[c + 1]
        if far - near <= tiny:
            continue
        if abs(far) < abs(near):
            near, far = far, near
        direction = 1.0 if far > near else -1.0
        if abs(near) <= tiny:
            near = direction * min(abs(far), 0.5 * scale)
            panels[n, 0], panels[n, 1], panels[n, 2] = 0.0, near, 1.0
            n += 1
        while abs(far - near) > tiny and n < MOST_PANELS:
            onward = near + direction * min(abs(far - near), abs(near) + 0.1 * scale)
            panels[n, 0], panels[n, 1], panels[n, 2] = near, onward, 0.0
            n += 1
            near = onward
    return panels[:n]


@njit(cache=True, error_model="numpy")
def _line_statics(
    h, other_h, shift, sign, a, b, nodes, weights, inner_nodes, inner_weights, n, other_n,
    p, q, over, times,
):  # fmt: skip
    """Moments of 1/R and R of two elements on one line."""
    panels = _line_panels(h, other_h, shift, max(a, b))
    for panel in range(panels.shape[0]):
        z0, width = panels[panel, 0], panels[panel, 1] - panels[panel, 0]
        for g in range(nodes.size):
            t = 0.5 * (nodes[g] + 1.0)
            w = 0.5 * weights[g] * abs(width)
            if panels[panel, 2] > 0.0:
                # The logarithm at zeta = 0 becomes t^3 log t.
                w *= 4.0 * t**3
                t = t**4
            zeta = z0 + width * t
            low = max(-h, shift - other_h - zeta)
            high = min(h, shift + other_h - zeta)
            if high <= low:
                continue
            inverse, distance = ring_means(zeta, a, b)
            for r in range(inner_nodes.size):
                s = 0.5 * (low + high) + 0.5 * (high - low) * inner_nodes[r]
                weight = w * inner_weights[r] * 0.5 * (high - low)
                legendre_into(s / h, n, p)
                legendre_into(sign * (s + zeta - shift) / other_h, other_n, q)
                for i in range(n):
                    for j in range(other_n):
                        product = weight * p[i] * q[j]
                        over[i, j] += product * inverse
                        times[i, j] += product * distance


@njit(cache=True, fastmath=FAST, error_model="numpy")
def _leaf_statics(
    center, half, other_center, other_half, h, other_h, core, leaf, nodes, weights, n, other_n,
    p, qs, over, times,
):  # fmt: skip
    """Add the moments of 1/R and R over one pair of sub-intervals."""
    a0, a1, b0, b1 = leaf[0], leaf[1], leaf[2], leaf[3]
    scale = 0.25 * (a1 - a0) * (b1 - b0) * h * other_h
    for g in range(nodes.size):
        xi = 0.5 * (b0 + b1) + 0.5 * (b1 - b0) * nodes[g]
        legendre_into(xi, other_n, qs[g])
    inverse_row = np.empty(other_n)
    distance_row = np.empty(other_n)
    for f in range(nodes.size):
        xi = 0.5 * (a0 + a1) + 0.5 * (a1 - a0) * nodes[f]
        legendre_into(xi, n, p)
        x = center[0] + xi * half[0] - other_center[0]
        y = center[1] + xi * half[1] - other_center[1]
        z = center[2] + xi * half[2] - other_center[2]
        for j in range(other_n):
            inverse_row[j] = 0.0
            distance_row[j] = 0.0
        for g in range(nodes.size):
            eta = 0.5 * (b0 + b1) + 0.5 * (b1 - b0) * nodes[g]
            dx = x - eta * other_half[0]
            dy = y - eta * other_half[1]
            dz = z - eta * other_half[2]
            d2 = dx * dx + dy * dy + dz * dz
            ratio = d2 / (4.0 * core)
            if ratio < 40.0:
                d2 += core * math.exp(-ratio)
            distance = math.sqrt(d2)
            weight = weights[f] * weights[g] * scale
            inverse = weight / distance
            distance *= weight
            for j in range(other_n):
                inverse_row[j] += inverse * qs[g, j]
                distance_row[j] += distance * qs[g, j]
        for i in range(n):
            for j in range(other_n):
                over[i, j] += p[i] * inverse_row[j]
                times[i, j] += p[i] * distance_row[j]


@njit(cache=True, error_model="numpy")
def line_moments(
    pairs, pair_i, pair_j, center, half, length, radius, degree, other_center, other_half,
    nodes, weights, inner_nodes, inner_weights, moments,
):  # fmt: skip
    """Moments of 1/R and R of pairs on one line, in rows `pairs` of moments (n, 2, width, width).

    Orders 0 .. degree + 1; `length` is the half length; the other element has the length, radius
    and degree of element j.
    """
    p = np.empty(moments.shape[2])
    q = np.empty(moments.shape[2])
    for m in pairs:
        i, j = pair_i[m], pair_j[m]
        shift = 0.0
        dot = 0.0
        for c in range(3):
            shift += (other_center[j, c] - center[i, c]) * half[i, c] / length[i]
            dot += half[i, c] * other_half[j, c]
        _line_statics(
            length[i], length[j], shift, 1.0 if dot > 0 else -1.0, radius[i], radius[j],
            nodes, weights, inner_nodes, inner_weights, degree[i] + 2, degree[j] + 2,
            p, q, moments[m, 0], moments[m, 1],
        )  # fmt: skip


@njit(cache=True, parallel=True, error_model="numpy")
def leaf_moments(
    pairs, pair_i, pair_j, first_leaf, leaves, center, half, length, radius, degree,
    other_center, other_half, nodes, weights, moments,
):  # fmt: skip
    """The same of pairs that are not on one line, by sub-intervals."""
    for at in prange(pairs.size):
        m = pairs[at]
        i, j = pair_i[m], pair_j[m]
        p = np.empty(moments.shape[2])
        qs = np.empty((nodes.size, moments.shape[2]))
        core = 0.5 * (radius[i] ** 2 + radius[j] ** 2)
        for leaf in range(first_leaf[m], first_leaf[m + 1]):
            _leaf_statics(
                center[i], half[i], other_center[j], other_half[j], length[i], length[j], core,
                leaves[leaf], nodes, weights, degree[i] + 2, degree[j] + 2, p, qs,
                moments[m, 0], moments[m, 1],
            )  # fmt: skip


@njit(cache=True, error_model="numpy")
def ring_square(k, radius):
    """Square of the radius of the ring that radiates, 0 where the axis does. [m^2]"""
    return radius * radius if (k * radius) ** 2 > THIN else 0.0


@njit(cache=True, error_model="numpy")
def bessel_quotients(square):
    """j_n(x)/x^n, n = 0 .. 4, of x^2, j_n the spherical Bessel functions."""
    if square < 4.0:
        v = 0.5 * square
        e4 = (1.0 - v / 11.0 * (1.0 - v / 26.0 * (1.0 - v / 45.0 * (1.0 - v / 68.0 * (
            1.0 - v / 95.0 * (1.0 - v / 126.0 * (1.0 - v / 161.0))))))) / 945.0  # fmt: skip
        e3 = (1.0 - v / 9.0 * (1.0 - v / 22.0 * (1.0 - v / 39.0 * (1.0 - v / 60.0 * (
            1.0 - v / 85.0 * (1.0 - v / 114.0 * (1.0 - v / 147.0))))))) / 105.0  # fmt: skip
        e2 = 7.0 * e3 - square * e4
        e1 = 5.0 * e2 - square * e3
        return 3.0 * e1 - square * e2, e1, e2, e3, e4
    x = math.sqrt(square)
    over = 1.0 / square
    e0 = math.sin(x) / x
    e1 = (e0 - math.cos(x)) * over
    e2 = (3.0 * e1 - e0) * over
    e3 = (5.0 * e2 - e1) * over
    return e0, e1, e2, e3, (7.0 * e3 - e2) * over


@njit(cache=True, error_model="numpy")
def ring_sine(k, square, along, other_along, cosine, a2, b2):
    """Mean of sin(kR)/R over two rings of radii a and b, across the currents they belong to.

    Parameters
    ----------
    square, along, other_along : float
        D^2 of the vector D between the middles, and D.t and D.t' along the two currents. [m^2, m]
    cosine : float
        t.t'
    a2, b2 : float
        Squares of the radii. [m^2]

    Notes
    -----
    R^2 = q + X with q = D^2 + a^2 + b^2, X = 2a D.e - 2b D.e' - 2ab e.e' for unit vectors e, e' to
    the rings.  Taylor's series about q, F_n the n-th derivative of sin(kR)/R by R^2, and the means
    of X^n over both angles leave, with U = D^2 - (D.t)^2, V = D^2 - (D.t')^2,

        F + F_2 [a^2 U + b^2 V + a^2 b^2 (1 + (t.t')^2)/2] + 2 a^2 b^2 F_3 W
          + F_4 [a^4 U^2/4 + a^2 b^2 U V + b^4 V^2/4],
        W = D^2 - (D.t)^2 - (D.t')^2 + (D.t)(D.t')(t.t')

    and (ka)^6.  It is the series of J0(a sqrt(k^2 + d^2/ds^2)) for each current, whose far field
    has the factors J0(ka sin psi): the matrix and the far field agree about the power.
    """
    u = square - along * along
    v = square - other_along * other_along
    w = u - other_along * other_along + along * other_along * cosine
    e0, _, e2, e3, e4 = bessel_quotients(k * k * (square + a2 + b2))
    half = 0.5 * k * k
    second = a2 * u + b2 * v + 0.5 * a2 * b2 * (1.0 + cosine * cosine)
    fourth = 0.25 * (a2 * a2 * u * u + b2 * b2 * v * v) + a2 * b2 * u * v
    return k * (e0 + half * half * (e2 * second + half * (half * e4 * fourth
                                                          - 2.0 * e3 * a2 * b2 * w)))  # fmt: skip


@njit(cache=True, fastmath=FAST, error_model="numpy")
def _free_space_pair(
    i, j, k, factor, extra, center, half, length, radius, degree, other_center, other_half,
    line, near, statics, count, xi, legendre, real, imag, row_real, row_imag, target,
):  # fmt: skip
    """Add one pair's moments to target[2, orders, orders]; real, imag, row_* are scratch."""
    di, dj = degree[i], degree[j]
    ni, nj = di + 1 + extra, dj + 1 + extra
    cosine = (
        half[i, 0] * other_half[j, 0]
        + half[i, 1] * other_half[j, 1]
        + half[i, 2] * other_half[j, 2]
    ) / (length[i] * length[j])
    offset = radius[i] ** 2 + radius[j] ** 2 if line else 0.0
    a2, b2 = ring_square(k, radius[i]), ring_square(k, radius[j])
    thick = a2 + b2 > 0.0
    scale = length[i] * length[j] / FOUR_PI
    for a in range(ni):
        for b in range(nj):
            real[a, b] = 0.0
            imag[a, b] = 0.0
    for f in range(count[di]):
        x = center[i, 0] + xi[di, f] * half[i, 0] - other_center[j, 0]
        y = center[i, 1] + xi[di, f] * half[i, 1] - other_center[j, 1]
        z = center[i, 2] + xi[di, f] * half[i, 2] - other_center[j, 2]
        for b in range(nj):
            row_real[b] = 0.0
            row_imag[b] = 0.0
        for g in range(count[dj]):
            eta = xi[dj, g]
            dx = x - eta * other_half[j, 0]
            dy = y - eta * other_half[j, 1]
            dz = z - eta * other_half[j, 2]
            distance = math.sqrt(dx * dx + dy * dy + dz * dz + offset)
            u = k * distance
            if near < 0:
                value = scale / distance
                g_real = value * math.cos(u)
                g_imag = -value * math.sin(u)
            elif u < 0.3:
                v = u * u
                g_real = 1.0 / 720 - v * (1.0 / 40320 - v / 3628800)
                g_real = scale * k * u * v * (1.0 / 24 - v * g_real)
                v -= k * k * offset
                g_imag = 1.0 / 120 - v * (1.0 / 5040 - v / 362880)
                g_imag = -scale * k * (1.0 - v * (1.0 / 6 - v * g_imag))
            else:
                value = scale / distance
                g_real = value * (math.cos(u) - 1.0 + 0.5 * u * u)
                g_imag = -value * math.sin(u)
            if thick:
                along = (dx * half[i, 0] + dy * half[i, 1] + dz * half[i, 2]) / length[i]
                beside = dx * other_half[j, 0] + dy * other_half[j, 1] + dz * other_half[j, 2]
                g_imag = -scale * ring_sine(
                    k, dx * dx + dy * dy + dz * dz, along, beside / length[j], cosine, a2, b2
                )
            elif line and (near < 0 or u >= 0.3):
                # The first term of Taylor's series brings sin(kR)/R from the rings to the axes.
                slope = (k * math.cos(u) - math.sin(u) / distance) / (distance * distance)
                g_imag += 0.5 * scale * offset * slope
            for b in range(nj):
                row_real[b] += g_real * legendre[dj, b, g]
                row_imag[b] += g_imag * legendre[dj, b, g]
        for a in range(ni):
            w = legendre[di, a, f]
            for b in range(nj):
                real[a, b] += w * row_real[b]
                imag[a, b] += w * row_imag[b]
    if near >= 0:
        for a in range(ni):
            for b in range(nj):
                static = statics[near, 0, a, b] - 0.5 * k * k * statics[near, 1, a, b]
                real[a, b] += static / FOUR_PI
    for a in range(ni):
        for b in range(nj):
            value = factor * complex(real[a, b], imag[a, b])
            target[0, a, b] += cosine * value
            target[1, a, b] += value


@njit(cache=True, parallel=True, error_model="numpy")
def add_free_space_moments(
    buffer, first_row, last_row, wavenumber, factor, extra,
    center, half, length, radius, degree, other_center, other_half, kind, near_index, statics,
    count, xi, legendre,
):  # fmt: skip
    """Add factor * t.t' M to buffer[..., 0] and factor * M to buffer[..., 1] for rows of pairs.

    Parameters
    ----------
    buffer : (rows, E, 2, orders, orders) complex
        Moments of the vector and of the scalar potential; columns left of the diagonal unused.
    extra : int
        Moments of order 0 .. degree + extra are added, extra 0 or 1.
    kind, near_index : (E, E)
        From `pairs.classify_pairs`; row of `statics` or -1. Pairs of a kind below 0 are left out.
    count, xi, legendre
        `quadrature.NodeTables`.
    """
    rows = last_row - first_row
    orders = buffer.shape[3]
    for unsigned in prange((rows + 1) // 2):
        fold = np.int64(unsigned)
        scratch = np.empty((2, orders, orders))
        row = np.empty((2, orders))
        # A long row and a short one go together, so that the threads have equal work.
        for turn in range(2 if rows - 1 - fold > fold else 1):
            r = fold if turn == 0 else rows - 1 - fold
            i = first_row + r
            for j in range(i, center.shape[0]):
                if kind[i, j] < 0:
                    continue
                _free_space_pair(
                    i, j, wavenumber, factor, extra, center, half, length, radius, degree,
                    other_center, other_half, kind[i, j] >= 2, near_index[i, j], statics,
                    count, xi, legendre, scratch[0], scratch[1], row[0], row[1], buffer[r, j],
                )  # fmt: skip


@njit(cache=True, parallel=True, error_model="numpy")
def add_end_potentials(
    potentials, k, factor, ends, directions, radii,
    other_center, other_half, length, radius, degree, count, xi, legendre,
):  # fmt: skip
    """Add factor * Int P_b mean of sin(kR)/R dxi of every element to potentials[ends, E, orders].

    Means over the rings of the ends (positions `ends`, unit currents `directions`, `radii`) and of
    the elements.
    """
    for p in prange(ends.shape[0]):
        for j in range(other_center.shape[0]):
            dj = degree[j]
            cosine = (
                directions[p, 0] * other_half[j, 0]
                + directions[p, 1] * other_half[j, 1]
                + directions[p, 2] * other_half[j, 2]
            ) / length[j]
            for g in range(count[dj]):
                dx = ends[p, 0] - other_center[j, 0] - xi[dj, g] * other_half[j, 0]
                dy = ends[p, 1] - other_center[j, 1] - xi[dj, g] * other_half[j, 1]
                dz = ends[p, 2] - other_center[j, 2] - xi[dj, g] * other_half[j, 2]
                along = dx * directions[p, 0] + dy * directions[p, 1] + dz * directions[p, 2]
                beside = dx * other_half[j, 0] + dy * other_half[j, 1] + dz * other_half[j, 2]
                value = factor * ring_sine(
                    k, dx * dx + dy * dy + dz * dz, along, beside / length[j], cosine,
                    ring_square(k, radii[p]), ring_square(k, radius[j]),
                )  # fmt: skip
                for b in range(dj + 1):
                    potentials[p, j, b] += value * legendre[dj, b, g]


@njit(cache=True, error_model="numpy")
def add_end_pairs(potentials, k, factor, ends, directions, radii, other_ends, other_directions):
    """Add factor * mean of sin(kR)/R between the rings of ends, (ends, ends)."""
    for p in range(ends.shape[0]):
        for q in range(ends.shape[0]):
            square, along, beside, cosine = 0.0, 0.0, 0.0, 0.0
            for c in range(3):
                d = ends[p, c] - other_ends[q, c]
                square += d * d
                along += d * directions[p, c]
                beside += d * other_directions[q, c]
                cosine += directions[p, c] * other_directions[q, c]
            potentials[p, q] += factor * ring_sine(
                k, square, along, beside, cosine,
                ring_square(k, radii[p]), ring_square(k, radii[q]),
            )  # fmt: skip


@njit(cache=True, error_model="numpy")
def _to_functions(source, ni, nj, slopes, middle, result):
    """Local-function matrix of Legendre moments: T M T^T, or D M D^T for derivatives."""
    for b in range(nj):
        if slopes:
            middle[0, b] = -0.5 * source[0, b]
            middle[1, b] = 0.5 * source[0, b]
            for a in range(2, ni):
                middle[a, b] = source[a - 1, b]
        else:
            middle[0, b] = 0.5 * (source[0, b] - source[1, b])
            middle[1, b] = 0.5 * (source[0, b] + source[1, b])
            for a in range(2, ni):
                middle[a, b] = (source[a, b] - source[a - 2, b]) / (2 * a - 1)
    for a in range(ni):
        if slopes:
            result[a, 0] = -0.5 * middle[a, 0]
            result[a, 1] = 0.5 * middle[a, 0]
            for b in range(2, nj):
                result[a, b] = middle[a, b - 1]
        else:
            result[a, 0] = 0.5 * (middle[a, 0] - middle[a, 1])
            result[a, 1] = 0.5 * (middle[a, 0] + middle[a, 1])
            for b in range(2, nj):
                result[a, b] = (middle[a, b] - middle[a, b - 2]) / (2 * b - 1)


@njit(cache=True, error_model="numpy")
def _place_pair(
    i, j, source, extra, vector_factor, scalar_factor, length, degree, offset,
    middle, vector, scalar, local, next_rows, next_diagonal,
):  # fmt: skip
    own, other = degree[i] + 1, degree[j] + 1
    ni, nj = own + extra, other + extra
    _to_functions(source[0], ni, nj, False, middle, vector)
    _to_functions(source[1], ni, nj, True, middle, scalar)
    slope_factor = scalar_factor / (length[i] * length[j])
    for a in range(ni):
        for b in range(nj):
            vector[a, b] = vector_factor * vector[a, b] + slope_factor * scalar[a, b]
    for a in range(own):
        for b in range(other):
            local[offset[i] + a, offset[j] + b] = vector[a, b]
            local[offset[j] + b, offset[i] + a] = vector[a, b]
    if extra == 1:
        for b in range(other):
            next_rows[i, offset[j] + b] = vector[own, b]
        if i == j:
            next_diagonal[i] = vector[own, own]
        else:
            for a in range(own):
                next_rows[j, offset[i] + a] = vector[a, other]


@njit(cache=True, parallel=True, error_model="numpy")
def assemble_rows(
    local, next_rows, next_diagonal, buffer, first_row, last_row, extra,
    vector_factor, scalar_factor, length, degree, offset,
):  # fmt: skip
    """Turn moments into local-function impedances and put them in place, both triangles.

    local[M, M] receives vector_factor <f_m f_n G_A> + scalar_factor <f_m' f_n' G_phi>.
    Where `extra` is 1, next_rows[E, M] and next_diagonal[E] receive the rows and the diagonal
    of each element's next function (for the error estimate).
    """
    rows = last_row - first_row
    orders = buffer.shape[3]
    for unsigned in prange((rows + 1) // 2):
        fold = np.int64(unsigned)
        scratch = np.empty((3, orders, orders), dtype=np.complex128)
        for turn in range(2 if rows - 1 - fold > fold else 1):
            r = fold if turn == 0 else rows - 1 - fold
            i = first_row + r
            for j in range(i, length.shape[0]):
                _place_pair(
                    i, j, buffer[r, j], extra, vector_factor, scalar_factor, length, degree,
                    offset, scratch[0], scratch[1], scratch[2], local, next_rows, next_diagonal,
                )  # fmt: skip


@njit(cache=True, error_model="numpy")
def combine_functions(local, first, row, weight, matrix):
    """matrix = C^T local C for a sparse C by columns: rows row[first[n]:first[n+1]] of column n."""
    n_unknowns = matrix.shape[0]
    sums = np.empty(local.shape[1], dtype=np.complex128)
    for n in range(n_unknowns):
        for m in range(sums.size):
            sums[m] = 0.0
        for at in range(first[n], first[n + 1]):
            source = local[row[at]]
            w = weight[at]
            for m in range(sums.size):
                sums[m] += w * source[m]
        for other in range(n_unknowns):
            total = 0.0j
            for at in range(first[other], first[other + 1]):
                total += weight[at] * sums[row[at]]
            matrix[n, other] = total
