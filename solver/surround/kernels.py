r"""Compiled kernels of the surround: fields of polynomial currents in cells of timber and sheet.

Plain arrays and scalars in and out; nothing is checked here, callers do.  With P_i the Legendre
polynomials on an element and D the vector from source to observer, the sums are

    V_i = Int P_i g ds,    G_i = Int P_i grad g ds,    g = exp(-jkR)/R  (without 1/4 pi),

and the field of a local function f = sum T_i P_i, df/ds = sum D_i P_i / h is

    E = -j/(4 pi) [w mu0 t v_f + s_f/(w eps0)],    v_f = sum T_i V_i,    s_f = sum D_i G_i / h.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange

STACK = 512
ROWS = 192
"""Points times axes whose products are taken together."""
CLOSE = 3.0
"""In half lengths: nearer elements are integrated in closed form, farther ones by nodes."""

FINE = 0.5
"""A leaf is at most this part of its distance from a wire's axis, as a half extent across it."""

SHEET, BRICKED, WHOLE = 0, 1, 2
"""Kinds of cells; timber that wires come close to is cut into bricks that act on each other."""

GAUSS_TWO = 0.5773502691896258


@njit(cache=True, error_model="numpy")
def _clipped(value, bound):
    return min(max(value, -bound), bound)


@njit(cache=True, error_model="numpy")
def static_sums(x, y, z, cx, cy, cz, ux, uy, uz, h, n_orders, xi, legendre, poly, vector, slope):
    """V_i and G_i for k = 0 of one element at one point, i < n_orders.

    Parameters
    ----------
    x, y, z, cx, cy, cz : float
        Point and middle of the element. [m]
    ux, uy, uz, h : float
        Direction and half length. [m]
    xi, legendre : (G,) and (n, G) float
        Nodes, and Legendre polynomials times weights there, for far points.
    poly : (n, n) float
        Room to work in.
    vector, slope : (n,) and (n, 3) float, written
        [1] and [1/m]

    Notes
    -----
    Near the element the moments I_k = Int x^k/R dx and J_k = Int x^k/R^3 dx about the foot of the
    perpendicular have closed forms and recursions, I_k = [x^(k-1) R]/k - (k-1)/k rho^2 I_(k-2),
    J_k = I_(k-2) - rho^2 J_(k-2); P_i is expanded there by its own recursion.
    """
    dx, dy, dz = x - cx, y - cy, z - cz
    for i in range(n_orders):
        vector[i] = 0.0
        slope[i, 0] = slope[i, 1] = slope[i, 2] = 0.0
    if dx * dx + dy * dy + dz * dz > (CLOSE * h) ** 2:
        for q in range(xi.size):
            s = h * xi[q]
            px, py, pz = dx - s * ux, dy - s * uy, dz - s * uz
            inverse = 1.0 / math.sqrt(px * px + py * py + pz * pz)
            g = h * inverse
            f = -g * inverse * inverse
            for i in range(n_orders):
                w = legendre[i, q]
                vector[i] += w * g
                slope[i, 0] += w * f * px
                slope[i, 1] += w * f * py
                slope[i, 2] += w * f * pz
        return
    foot = dx * ux + dy * uy + dz * uz
    rx, ry, rz = dx - foot * ux, dy - foot * uy, dz - foot * uz
    square = max(rx * rx + ry * ry + rz * rz, 1e-18)
    low, high = -h - foot, h - foot
    r_low, r_high = math.sqrt(low * low + square), math.sqrt(high * high + square)
    rho = math.sqrt(square)
    # Legendre polynomials in powers of x/h about the foot
    at = foot / h
    for i in range(n_orders):
        for k in range(n_orders):
            poly[i, k] = 0.0
    poly[0, 0] = 1.0
    if n_orders > 1:
        poly[1, 0], poly[1, 1] = at, 1.0
    for n in range(1, n_orders - 1):
        for k in range(n + 2):
            value = (2 * n + 1) * at * poly[n, k] - n * poly[n - 1, k]
            if k > 0:
                value += (2 * n + 1) * poly[n, k - 1]
            poly[n + 1, k] = value / (n + 1)
    i_older = math.asinh(high / rho) - math.asinh(low / rho)
    i_old = r_high - r_low
    j_older = (high / r_high - low / r_low) / square
    j_old = 1.0 / r_low - 1.0 / r_high
    power_low, power_high, scale = 1.0, 1.0, 1.0
    for k in range(n_orders + 1):
        if k == 0:
            i_k, j_k = i_older, j_older
        elif k == 1:
            i_k, j_k = i_old, j_old
        else:
            power_low *= low
            power_high *= high
            i_k = (power_high * r_high - power_low * r_low - (k - 1) * square * i_older) / k
            j_k = i_older - square * j_older
            i_older, i_old = i_old, i_k
            j_older, j_old = j_old, j_k
        # J_k serves x^k across and x^(k-1) along
        if k < n_orders:
            for i in range(k, n_orders):
                w = poly[i, k] * scale
                vector[i] += w * i_k
                slope[i, 0] -= w * j_k * rx
                slope[i, 1] -= w * j_k * ry
                slope[i, 2] -= w * j_k * rz
        if k > 0:
            before = scale * h
            for i in range(k - 1, n_orders):
                w = poly[i, k - 1] * before * j_k
                slope[i, 0] += w * ux
                slope[i, 1] += w * uy
                slope[i, 2] += w * uz
        scale /= h


@njit(cache=True, error_model="numpy")
def _fine_enough(cx, cy, cz, hx, hy, hz, members, e_center, e_axis, e_length, e_radius):
    """The axis along which a box must be halved, -1 if it is small enough for all elements."""
    worst, axis = 1.0, -1
    for m in range(members.size):
        e = members[m]
        x, y, z = cx - e_center[m, 0], cy - e_center[m, 1], cz - e_center[m, 2]
        ux, uy, uz = e_axis[m, 0], e_axis[m, 1], e_axis[m, 2]
        h = e_length[e]
        foot = x * ux + y * uy + z * uz
        t = _clipped(foot, h)
        px, py, pz = x - t * ux, y - t * uy, z - t * uz
        distance = math.sqrt(px * px + py * py + pz * pz)
        room = FINE * max(distance, e_radius[e])
        to_end = max(h - abs(foot), abs(foot) - h)
        along = max(FINE * math.sqrt(to_end * to_end + distance * distance), 2.0 * room)
        for a in range(3):
            if a == 0:
                size, u = hx, abs(ux)
            elif a == 1:
                size, u = hy, abs(uy)
            else:
                size, u = hz, abs(uz)
            across = math.sqrt(max(1.0 - u * u, 0.0))
            need = max(size * across / room, size * u / along)
            if need > worst:
                worst, axis = need, a
    return axis


@njit(cache=True, error_model="numpy")
def to_functions(n, h, vector, slope):
    """Turn V_i, G_i (i < n) into v_f, s_f of the first n local functions, in place."""
    for f in range(n - 1, 1, -1):
        vector[f] = (vector[f] - vector[f - 2]) / (2 * f - 1)
        for a in range(3):
            slope[f, a] = slope[f - 1, a] / h
    one, two = vector[0], vector[1]
    vector[0] = 0.5 * (one - two)
    vector[1] = 0.5 * (one + two)
    for a in range(3):
        one = 0.5 * slope[0, a] / h
        slope[0, a] = -one
        slope[1, a] = one


@njit(cache=True, error_model="numpy")
def _gap(x, y, z, place, axis, members, e_length, e_radius):
    """Distance of a point from the nearest axis, -1 inside a wire."""
    least = np.inf
    for m in range(members.size):
        e = members[m]
        dx, dy, dz = x - place[m, 0], y - place[m, 1], z - place[m, 2]
        t = dx * axis[m, 0] + dy * axis[m, 1] + dz * axis[m, 2]
        beyond = max(abs(t) - e_length[e], 0.0)
        square = max(dx * dx + dy * dy + dz * dz - t * t, 0.0)
        if beyond == 0.0 and square < e_radius[e] * e_radius[e]:
            return -1.0
        least = min(least, square + beyond * beyond)
    return math.sqrt(least)


@njit(cache=True, error_model="numpy")
def _add_products(weights, scale, first, a, b, forms):
    """Add products of fields a, b (n, 3) to the forms, upper triangles row by row.

    `weights` (4, 3) says how much each axis counts in each class; the three rows of a class are
    a a, a b + b a and b b.
    """
    n = a.shape[0]
    for k in range(4):
        u, v, w = scale * weights[k, 0], scale * weights[k, 1], scale * weights[k, 2]
        if u == 0.0 and v == 0.0 and w == 0.0:
            continue
        for p in range(n):
            ax, ay, az = u * a[p, 0], v * a[p, 1], w * a[p, 2]
            bx, by, bz = u * b[p, 0], v * b[p, 1], w * b[p, 2]
            base = first + p * n
            for q in range(p, n):
                x, y, z = a[q, 0], a[q, 1], a[q, 2]
                i, j, o = b[q, 0], b[q, 1], b[q, 2]
                forms[3 * k, base + q] += ax * x + ay * y + az * z
                mixed = ax * i + ay * j + az * o + bx * x + by * y + bz * z
                forms[3 * k + 1, base + q] += mixed
                forms[3 * k + 2, base + q] += bx * i + by * j + bz * o


@njit(cache=True, error_model="numpy")
def _flush(k, count, first, rows, square, forms):
    """Add the products of the rows gathered for a class to the forms."""
    n = square.shape[0]
    a, b = rows[k, 0, :count], rows[k, 1, :count]
    np.dot(a.T, a, square)
    for p in range(n):
        for q in range(p, n):
            forms[3 * k, first + p * n + q] += square[p, q]
    np.dot(a.T, b, square)
    for p in range(n):
        for q in range(p, n):
            forms[3 * k + 1, first + p * n + q] += square[p, q] + square[q, p]
    np.dot(b.T, b, square)
    for p in range(n):
        for q in range(p, n):
            forms[3 * k + 2, first + p * n + q] += square[p, q]


@njit(cache=True, error_model="numpy")
def _gather(weights, scale, first, a, b, rows, counts, square, forms):
    """As `_add_products` for positive weights, with the products taken many points at a time.

    `rows` (4, 2, R, n) holds the fields times the roots of their weights, `counts` (4,) how many.
    """
    for k in range(4):
        for axis in range(3):
            if weights[k, axis] <= 0.0:
                continue
            if counts[k] == rows.shape[2]:
                _flush(k, counts[k], first, rows, square, forms)
                counts[k] = 0
            root = math.sqrt(scale * weights[k, axis])
            row = counts[k]
            for p in range(square.shape[0]):
                rows[k, 0, row, p] = root * a[p, axis]
                rows[k, 1, row, p] = root * b[p, axis]
            counts[k] += 1


@njit(cache=True, error_model="numpy")
def _weigh(kind, at, weights):
    """How the axes of a cell count in the four classes: at its points, bricks or as a whole.

    `at` is 0 for a point, 1 for the mean of a brick, 2 for the mean of the cell.
    """
    for k in range(4):
        for a in range(3):
            weights[k, a] = 0.0
    if kind == BRICKED:
        if at < 2:
            weights[3, 0] = weights[3, 1] = weights[3, 2] = 1.0 - 2.0 * at
    elif at != 1:
        sign = 1.0 - at
        if kind == SHEET:
            weights[0, 0] = weights[0, 1] = weights[1, 2] = sign
        else:
            weights[0, 0] = weights[1, 1] = weights[2, 2] = sign


@njit(cache=True, error_model="numpy")
def _brick(
    c, low, size, kind, half, first_slot, members, columns, place, axis, n_functions, e_length,
    e_radius, xi, legendre, poly, scalar, vector, slope, stack, total_vector, total_slope,
    mean_vector, mean_slope, weights, first, rows, counts, square, forms,
):  # fmt: skip
    """Integrate over a brick of a cell; sums go to total_*, products to rows and forms."""
    _weigh(kind, 0, weights)
    for a in range(3):
        stack[0, a], stack[0, 3 + a] = low[a] + 0.5 * size[a], 0.5 * size[a]
    whole = 8.0 * half[c, 0] * half[c, 1] * half[c, 2]
    thickness = 2.0 * half[c, 2]
    top, used = 1, 0
    while top > 0:
        top -= 1
        cx, cy, cz = stack[top, 0], stack[top, 1], stack[top, 2]
        hx, hy, hz = stack[top, 3], stack[top, 4], stack[top, 5]
        cut = _fine_enough(cx, cy, cz, hx, hy, hz, members, place, axis, e_length, e_radius)
        if cut >= 0 and top + 2 < STACK:
            for side in range(2):
                row = stack[top + side]
                row[0], row[1], row[2] = cx, cy, cz
                row[3], row[4], row[5] = hx, hy, hz
                size = 0.5 * row[3 + cut]
                row[3 + cut] = size
                row[cut] += size if side else -size
            top += 2
            continue
        weight = hx * hy * hz / whole
        for corner in range(8):
            x = cx + (GAUSS_TWO if corner & 1 else -GAUSS_TWO) * hx
            y = cy + (GAUSS_TWO if corner & 2 else -GAUSS_TWO) * hy
            z = cz + (GAUSS_TWO if corner & 4 else -GAUSS_TWO) * hz
            gap = _gap(x, y, z, place, axis, members, e_length, e_radius)
            if gap < 0.0:
                continue
            used += 1
            for m in range(members.size):
                e = members[m]
                at = columns[m]
                own = slope[at : at + n_functions[e]]
                static_sums(
                    x, y, z, place[m, 0], place[m, 1], place[m, 2],
                    axis[m, 0], axis[m, 1], axis[m, 2], e_length[e], n_functions[e],
                    xi, legendre, poly, scalar, own,
                )  # fmt: skip
                to_functions(n_functions[e], e_length[e], scalar, own)
                for i in range(n_functions[e]):
                    mean_vector[first_slot + m, i] += weight * scalar[i]
                    for a in range(3):
                        vector[at + i, a] = scalar[i] * axis[m, a]
                        mean_slope[first_slot + m, i, a] += weight * own[i, a]
                        total_vector[at + i, a] += weight * vector[at + i, a]
                        total_slope[at + i, a] += weight * own[i, a]
            if kind == SHEET:
                thin = math.exp(-2.0 * thickness / gap)
                weights[0, 0] = weights[0, 1] = weights[1, 2] = thin
                weights[2, 0] = weights[2, 1] = weights[2, 2] = 1.0 - thin
            _gather(weights, weight, first, vector, slope, rows, counts, square, forms)
    return used


@njit(cache=True, error_model="numpy")
def _cell(
    c, center, frame, half, kind, bricks, first_slot, members, n_functions, e_center, e_half,
    e_length, e_radius, xi, legendre, mean_vector, mean_slope, first, forms,
    first_brick, brick_vector, brick_slope,
):  # fmt: skip
    """Means and covariances of static fields over one cell; returns the points used."""
    n = members.size
    place = np.empty((n, 3))
    axis = np.empty((n, 3))
    columns = np.empty(n + 1, dtype=np.int64)
    columns[0] = 0
    width = legendre.shape[0]
    for m in range(n):
        e = members[m]
        columns[m + 1] = columns[m] + n_functions[e]
        for a in range(3):
            p, q = 0.0, 0.0
            for b in range(3):
                p += frame[c, a, b] * (e_center[e, b] - center[c, b])
                q += frame[c, a, b] * e_half[e, b]
            place[m, a] = p
            axis[m, a] = q / e_length[e]
    total = columns[n]
    poly = np.empty((width, width))
    scalar = np.empty(width)
    vector = np.empty((total, 3))
    slope = np.empty((total, 3))
    sum_vector = np.empty((total, 3))
    sum_slope = np.empty((total, 3))
    stack = np.empty((STACK, 6))
    weights = np.empty((4, 3))
    rows = np.empty((4, 2, ROWS, total))
    counts = np.zeros(4, dtype=np.int64)
    square = np.empty((total, total))
    low = np.empty(3)
    size = np.empty(3)
    for a in range(3):
        size[a] = 2.0 * half[c, a] / bricks[a]
    n_bricks = bricks[0] * bricks[1] * bricks[2]
    used = 0
    for k in range(n_bricks):
        low[0] = (k // (bricks[1] * bricks[2])) * size[0] - half[c, 0]
        low[1] = (k // bricks[2] % bricks[1]) * size[1] - half[c, 1]
        low[2] = (k % bricks[2]) * size[2] - half[c, 2]
        for p in range(total):
            for a in range(3):
                sum_vector[p, a] = 0.0
                sum_slope[p, a] = 0.0
        used += _brick(
            c, low, size, kind, half, first_slot, members, columns, place, axis, n_functions,
            e_length, e_radius, xi, legendre, poly, scalar, vector, slope, stack,
            sum_vector, sum_slope, mean_vector, mean_slope, weights, first, rows, counts, square,
            forms,
        )  # fmt: skip
        if kind == BRICKED:
            # sums are 1/n_bricks times the means of the brick
            _weigh(kind, 1, weights)
            _add_products(weights, 1.0 * n_bricks, first, sum_vector, sum_slope, forms)
            start = first_brick + k * total
            for m in range(n):
                longest = 0
                for a in range(1, 3):
                    if abs(axis[m, a]) > abs(axis[m, longest]):
                        longest = a
                for p in range(columns[m], columns[m + 1]):
                    brick_vector[start + p] = n_bricks * sum_vector[p, longest] / axis[m, longest]
                    for a in range(3):
                        brick_slope[start + p, a] = n_bricks * sum_slope[p, a]
    for k in range(4):
        _flush(k, counts[k], first, rows, square, forms)
    for m in range(n):
        for i in range(n_functions[members[m]]):
            for a in range(3):
                vector[columns[m] + i, a] = mean_vector[first_slot + m, i] * axis[m, a]
                slope[columns[m] + i, a] = mean_slope[first_slot + m, i, a]
    _weigh(kind, 2, weights)
    _add_products(weights, 1.0, first, vector, slope, forms)
    return used


@njit(cache=True, parallel=True, nogil=True, error_model="numpy")
def integrate_cells(
    first_cell, last_cell, center, frame, half, kind, bricks, first_member, members,
    first_entry, n_functions, e_center, e_half, e_length, e_radius, xi, legendre,
    mean_vector, mean_slope, forms, first_brick, brick_vector, brick_slope, points,
):  # fmt: skip
    """Fine integrals of static fields over some of the cells.

    To be called with linear algebra limited to one thread: every thread here has its own.  The
    lock of the interpreter is let go, since threads need it to find the product of matrices.

    Parameters
    ----------
    first_cell, last_cell : int
        Cells first_cell ... last_cell - 1.
    center, frame, half : (C, 3), (C, 3, 3), (C, 3) float
        Cells.
    kind : (C,) int
        SHEET, BRICKED or WHOLE timber.
    bricks : (C, 3) int
        Into how many bricks a cell is cut along its axes, 1 unless BRICKED.
    first_member, members : (C + 1,), (S,) int
        Elements members[first_member[c] : first_member[c + 1]] are near cell c; S slots.
    first_entry : (C + 1,) int
        Where the block of a cell begins in a row of `forms`, less first_entry[first_cell].
    n_functions : (E,) int
        Functions wanted of each element.
    e_center, e_half, e_length, e_radius
        Elements; `e_length` is the half length.
    mean_vector, mean_slope : (S, W) and (S, W, 3) float, written
        Means of v_f and of s_f (in the cell's frame) over the cell.
    forms : (12, ...) float, written
        Upper triangles of covariances over the cell of t v_f and s_f: the first with itself, both
        ways with the second, the second with itself; for each of four classes. Along, across along
        the width and along the depth of WHOLE timber; what the means of BRICKED timber leave out
        within its bricks is the fourth. In sheets: in the plane, normal to it, and what lies
        nearer to a wire than the sheet is thick, where it acts like a half-space:
        exp(-2 thickness/distance) parts them.
    first_brick, brick_vector, brick_slope : (C + 1,) int, (B,) float, (B, 3) float, written
        Means of v_f and s_f over the bricks of a cell, brick by brick, from first_brick[c] on.
    points : (C,) int, written
        Points used.
    """
    base = first_entry[first_cell]
    for unsigned in prange(last_cell - first_cell):
        c = first_cell + np.int64(unsigned)
        low, high = first_member[c], first_member[c + 1]
        if high > low:
            points[c] = _cell(
                c, center, frame, half, kind[c], bricks[c], low, members[low:high], n_functions,
                e_center, e_half, e_length, e_radius, xi, legendre,
                mean_vector, mean_slope, first_entry[c] - base, forms,
                first_brick[c], brick_vector, brick_slope,
            )  # fmt: skip


@njit(cache=True, error_model="numpy")
def _direct_sums(
    px, py, pz, center, half, length, n, near, k, xi, legendre, n_orders, vector, slope
):
    """Add V_i and G_i by nodes; with `near` those of exp(-jkR)/R - 1/R."""
    for q in range(n):
        x = px - center[0] - xi[q] * half[0]
        y = py - center[1] - xi[q] * half[1]
        z = pz - center[2] - xi[q] * half[2]
        r = math.sqrt(x * x + y * y + z * z)
        u = k * r
        if near:
            v = u * u
            if u < 0.1:
                g = complex(
                    -k * u * (0.5 - v * (1.0 / 24 - v / 720)),
                    -k * (1.0 - v * (1.0 / 6 - v * (1.0 / 120 - v / 5040))),
                )
                # -[(1 + ju) exp(-ju) - 1]/R^3 with the factor k^3 taken out
                f = complex(
                    -(0.5 - v * (1.0 / 8 - v / 144)) / max(u, 1e-12),
                    1.0 / 3 - v * (1.0 / 30 - v / 840),
                ) * (k * k * k)
            else:
                inverse = 1.0 / r
                c, s = math.cos(u), math.sin(u)
                g = complex(c - 1.0, -s) * inverse
                f = complex(1.0 - c - u * s, s - u * c) * (inverse * inverse * inverse)
        else:
            inverse = 1.0 / r
            g = complex(math.cos(u), -math.sin(u)) * inverse
            f = -complex(1.0, u) * g * (inverse * inverse)
        g *= length
        f *= length
        fx, fy, fz = f * x, f * y, f * z
        for i in range(n_orders):
            w = legendre[i, q]
            vector[i] += w * g
            slope[i, 0] += w * fx
            slope[i, 1] += w * fy
            slope[i, 2] += w * fz


@njit(cache=True, parallel=True, error_model="numpy")
def add_direct_functions(
    samples, first_sample, frame, slot, wavenumber, factor, extra,
    center, half, length, degree, offset, counts, xi, legendre,
    mean_vector, mean_slope, potential_factor, charge_factor, out, next_out,
):  # fmt: skip
    r"""Mean fields of all local functions over the cells, in the cells' frames.

    Parameters
    ----------
    samples, first_sample : (S, 3) float, (C + 1,) int
        Points whose mean stands for the mean over a cell.
    frame : (C, 3, 3) float
    slot : (C, E) int
        Row of `mean_vector`, `mean_slope` for near pairs: their static part is integrated over the
        cell, only the rest is sampled; -1 for far pairs.
    wavenumber, factor : float
        factor -1 with mirrored elements gives the images in a perfect ground.
    counts, xi, legendre : (T,), (T, G), (T, W, G)
        Gauss tables of rising size; the smallest that will do is taken.
    potential_factor, charge_factor : complex
        -jw mu0/4 pi and 1/(jw eps0 4 pi).
    out, next_out : (M, 3 C) and (E, 3 C) complex, added to
        By local function, and each element's next function if extra is 1.
    """
    width = legendre.shape[1]
    for unsigned in prange(frame.shape[0]):
        c = np.int64(unsigned)
        vector = np.empty(width, dtype=np.complex128)
        slope = np.empty((width, 3), dtype=np.complex128)
        first, last = first_sample[c], first_sample[c + 1]
        for e in range(center.shape[0]):
            h = length[e]
            orders = degree[e] + 1 + extra
            slots = slot[c, e]
            near = slots >= 0
            for i in range(orders):
                vector[i] = 0.0
                slope[i, 0] = 0.0
                slope[i, 1] = 0.0
                slope[i, 2] = 0.0
            for at in range(first, last):
                x = samples[at, 0] - center[e, 0]
                y = samples[at, 1] - center[e, 1]
                z = samples[at, 2] - center[e, 2]
                t = _clipped((x * half[e, 0] + y * half[e, 1] + z * half[e, 2]) / (h * h), 1.0)
                x -= t * half[e, 0]
                y -= t * half[e, 1]
                z -= t * half[e, 2]
                wanted = 6.0
                if not near:
                    ratio = math.sqrt(x * x + y * y + z * z) / h
                    # rho^-2n = 1e-6 on the Bernstein ellipse through the point
                    wanted = 6.9 / math.log(ratio + math.sqrt(1.0 + ratio * ratio))
                wanted += 0.5 * (degree[e] + wavenumber * h)
                table = 0
                while table < counts.size - 1 and counts[table] < wanted:
                    table += 1
                _direct_sums(
                    samples[at, 0], samples[at, 1], samples[at, 2], center[e], half[e],
                    h / (last - first), counts[table], near, wavenumber, xi[table],
                    legendre[table], orders, vector, slope,
                )  # fmt: skip
            to_functions(orders, h, vector, slope)
            for f in range(orders):
                for a in range(3):
                    tangent, charge = 0.0, 0.0j
                    for b in range(3):
                        tangent += frame[c, a, b] * half[e, b]
                        charge += frame[c, a, b] * slope[f, b]
                    v = vector[f]
                    if near:
                        v += mean_vector[slots, f]
                        charge += mean_slope[slots, f, a]
                    value = (factor * tangent / h) * potential_factor * v
                    value += (factor * charge_factor) * charge
                    if f <= degree[e]:
                        out[offset[e] + f, 3 * c + a] += value
                    else:
                        next_out[e, 3 * c + a] += value
