"""Reflected kernels of the earth: look-up, fields of elementary sources, element pairs.

Plain numbers and arrays in, plain numbers out. A table (see :mod:`.tables`) holds the
kernels as ratios to simple functions over a grid in u, v,

    u = asinh(rho/s) + q rho,    v = ln(zeta/zeta_min),

with two points beyond each lower edge and three beyond each upper one, so that six-point
Lagrange interpolation is centred everywhere in the range. The arguments after rho and zeta
are what `EarthTable.kernel_arguments()` and `EarthTable.field_arguments()` hand out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import njit, prange
from numba.core import cgutils, types
from numba.extending import intrinsic, overload
from scipy import constants

__all__ = [
    "add_reflected_fields",
    "add_reflected_functions",
    "interpolate_fields",
    "interpolate_kernels",
    "interpolate_kernels_at",
    "reflected_dipole_field",
]

_INVERSE_FOUR_PI = 1.0 / (4.0 * math.pi)
_INVERSE_EPSILON = 1.0 / constants.epsilon_0
# w mu0 = k eta0
_ETA = constants.mu_0 * constants.c


# --- six by six weighted sums, four numbers at a time --------------------------------------
# The compiler does not turn this loop nest into vector instructions by itself; saying so takes
# look-up from 160 to 115 ns. Python functions of the same name and meaning serve uncompiled.


def _six_by_six(values, iu, iv, wu, wv, width):
    block = values[iu : iu + 6, iv : iv + 6]
    return tuple(float(x) for x in np.einsum("i,j,ijc->c", np.array(wu), np.array(wv), block))


def _sum_eight(values, iu, iv, wu, wv):
    """sum_ij wu_i wv_j values[iu + i, iv + j, c] for the eight columns c."""
    return _six_by_six(values, iu, iv, wu, wv, 8)


def _sum_sixteen(values, iu, iv, wu, wv):
    """The same for sixteen columns."""
    return _six_by_six(values, iu, iv, wu, wv, 16)


def _vector_sum(width: int) -> Callable[..., Any]:
    """Intrinsic: the weighted sum over a 6 x 6 block of rows of `width` numbers."""

    @intrinsic
    def block_sum(typingctx, values, iu, iv, wu, wv):  # pyright: ignore[reportUnusedParameter]
        signature = types.UniTuple(types.float64, width)(values, iu, iv, wu, wv)

        def codegen(context, builder, signature, args):
            array = context.make_array(signature.args[0])(context, builder, args[0])
            iu, iv, wu, wv = args[1:]
            n_v = cgutils.unpack_tuple(builder, array.shape, 3)[1]
            index, lane = iu.type, ir.IntType(32)
            vector = ir.VectorType(ir.DoubleType(), 4)
            undefined = ir.Constant(vector, ir.Undefined)
            everywhere = ir.Constant(ir.VectorType(lane, 4), [0] * 4)
            contract = ("contract",)

            def spread(weight):
                first = builder.insert_element(undefined, weight, ir.Constant(lane, 0))
                return builder.shuffle_vector(first, undefined, everywhere)

            def accumulate(total, weight, value):
                product = builder.fmul(weight, value, flags=contract)
                return product if total is None else builder.fadd(total, product, flags=contract)

            along_u = [spread(builder.extract_value(wu, i)) for i in range(6)]
            along_v = [spread(builder.extract_value(wv, j)) for j in range(6)]
            totals: list[Any] = [None] * (width // 4)
            for i in range(6):
                row = builder.add(iu, ir.Constant(index, i))
                cell = builder.add(builder.mul(row, n_v), iv)
                base = builder.gep(array.data, [builder.mul(cell, ir.Constant(index, width))])
                for part in range(width // 4):
                    line = None
                    for j in range(6):
                        place = builder.gep(base, [ir.Constant(index, j * width + 4 * part)])
                        place = builder.bitcast(place, vector.as_pointer())
                        line = accumulate(line, along_v[j], builder.load(place, align=8))
                    totals[part] = accumulate(totals[part], along_u[i], line)
            numbers = [
                builder.extract_element(totals[c // 4], ir.Constant(lane, c % 4))
                for c in range(width)
            ]
            return context.make_tuple(builder, signature.return_type, numbers)

        return signature, codegen

    return block_sum


_block_sum_eight = _vector_sum(8)
_block_sum_sixteen = _vector_sum(16)


@overload(_sum_eight)
def _overload_sum_eight(values, iu, iv, wu, wv):  # pyright: ignore[reportUnusedParameter]
    def compiled(values, iu, iv, wu, wv):
        return _block_sum_eight(values, iu, iv, wu, wv)

    return compiled


@overload(_sum_sixteen)
def _overload_sum_sixteen(values, iu, iv, wu, wv):  # pyright: ignore[reportUnusedParameter]
    def compiled(values, iu, iv, wu, wv):
        return _block_sum_sixteen(values, iu, iv, wu, wv)

    return compiled


# --- look-up -------------------------------------------------------------------------------


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def _six_weights(t):
    # Lagrange weights of the nodes -2 .. 3 at t in [0, 1).
    a = t + 2.0
    b = t + 1.0
    c = t - 1.0
    d = t - 2.0
    e = t - 3.0
    ab = a * b
    de = d * e
    tc = t * c
    return (
        b * tc * de * (-1.0 / 120.0),
        a * tc * de * (1.0 / 24.0),
        ab * c * de * (-1.0 / 12.0),
        ab * t * de * (1.0 / 12.0),
        ab * tc * e * (-1.0 / 24.0),
        ab * tc * d * (1.0 / 120.0),
    )


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def interpolate_kernels(rho, zeta, values, rho_scale, rho_stretch, zeta_min, du, dv, k):
    """Reflected kernels at one point by six-point interpolation.

    Parameters
    ----------
    rho, zeta : float
        Horizontal distance, 0 to rho_max, and sum of heights, zeta_min to zeta_max. Not
        checked. [m]
    values : ndarray of float64, shape (U, V, 8)
        Real and imaginary parts of the four ratios.
    rho_scale, rho_stretch, zeta_min, du, dv, k : float
        As the table hands them out. [m, 1/m, m, 1, 1, rad/m]

    Returns
    -------
    g_vv, g_phi, g_zz, w_over_rho : complex
        Reflected kernels. [1/m, 1/m, 1/m, 1/m^2]
    """
    x = rho / rho_scale
    u = (math.log(x + math.sqrt(x * x + 1.0)) + rho_stretch * rho) / du
    v = math.log(zeta / zeta_min) / dv
    iu = min(int(u), values.shape[0] - 6)
    iv = min(max(int(v), 0), values.shape[1] - 6)
    a0, a1, a2, a3, a4, a5, a6, a7 = _sum_eight(
        values, iu, iv, _six_weights(u - iu), _six_weights(v - iv)
    )
    inverse = 1.0 / math.sqrt(rho * rho + zeta * zeta)
    phase = k / inverse
    size = _INVERSE_FOUR_PI * inverse
    g = complex(size * math.cos(phase), -size * math.sin(phase))
    return (
        g * complex(a0, a1),
        g * complex(a2, a3),
        g * complex(a4, a5),
        (g * inverse) * complex(a6, a7),
    )


@njit(cache=True, error_model="numpy")
def interpolate_kernels_at(rho, zeta, values, rho_scale, rho_stretch, zeta_min, du, dv, k, out):
    """:func:`interpolate_kernels` at many points: rho, zeta of shape (P,), out (4, P)."""
    for i in range(rho.shape[0]):
        a, b, c, d = interpolate_kernels(
            rho[i], zeta[i], values, rho_scale, rho_stretch, zeta_min, du, dv, k
        )
        out[0, i] = a
        out[1, i] = b
        out[2, i] = c
        out[3, i] = d


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def interpolate_fields(
    rho, zeta, values, field_values, rho_scale, rho_stretch, zeta_min, du, dv, k
):
    """Reflected kernels and their derivatives at one point.

    Parameters
    ----------
    rho, zeta : float
        As in :func:`interpolate_kernels`. [m]
    values : ndarray of float64, shape (U, V, 8)
    field_values : ndarray of float64, shape (U, V, 16)
    rho_scale, rho_stretch, zeta_min, du, dv, k : float

    Returns
    -------
    tuple of twelve complex
        g_vv, g_phi, g_zz, w/rho as above, then (d g_phi/d rho)/rho, (d g_vv/d rho)/rho,
        (d g_zz/d rho)/rho [1/m^3], d g_phi/d zeta, d g_vv/d zeta, d g_zz/d zeta [1/m^2],
        (d w/d zeta)/rho [1/m^3], P/rho^2 [1/m^4].
    """
    x = rho / rho_scale
    u = (math.log(x + math.sqrt(x * x + 1.0)) + rho_stretch * rho) / du
    v = math.log(zeta / zeta_min) / dv
    iu = min(int(u), values.shape[0] - 6)
    iv = min(max(int(v), 0), values.shape[1] - 6)
    wu = _six_weights(u - iu)
    wv = _six_weights(v - iv)
    a = _sum_eight(values, iu, iv, wu, wv)
    b = _sum_sixteen(field_values, iu, iv, wu, wv)
    inverse = 1.0 / math.sqrt(rho * rho + zeta * zeta)
    phase = k / inverse
    size = _INVERSE_FOUR_PI * inverse
    g = complex(size * math.cos(phase), -size * math.sin(phase))
    slope = g * complex(inverse, k)
    curvature = slope * inverse
    return (
        g * complex(a[0], a[1]),
        g * complex(a[2], a[3]),
        g * complex(a[4], a[5]),
        (g * inverse) * complex(a[6], a[7]),
        curvature * complex(b[0], b[1]),
        curvature * complex(b[2], b[3]),
        curvature * complex(b[4], b[5]),
        slope * complex(b[6], b[7]),
        slope * complex(b[8], b[9]),
        slope * complex(b[10], b[11]),
        curvature * complex(b[12], b[13]),
        (curvature * inverse) * complex(b[14], b[15]),
    )


@njit(cache=True, error_model="numpy")
def _legendre_rows(nodes, low, high, n_orders, rows):
    """P_0 .. P_{n-1} at nodes mapped to [low, high], one row per node."""
    for f in range(nodes.size):
        x = 0.5 * (low + high) + 0.5 * (high - low) * nodes[f]
        rows[f, 0] = 1.0
        if n_orders > 1:
            rows[f, 1] = x
        for n in range(2, n_orders):
            rows[f, n] = ((2 * n - 1) * x * rows[f, n - 1] - (n - 1) * rows[f, n - 2]) / n


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def _reflected_leaf(
    center, half, length, other_center, other_half, other_length, core, leaf, nodes, weights,
    other_nodes, other_weights, ni, nj, rows, other_rows, vector_row, scalar_row, target,
    values, rho_scale, rho_stretch, zeta_min, du, dv, k,
):  # fmt: skip
    """Add the reflected moments of one pair of sub-intervals to target[2, orders, orders].

    `core` is the mean square of the radii where both elements touch the earth, else 0; near the
    image rho^2 grows by core exp(-R'^2/(4 core)), as for real pairs that are not on one line.
    """
    a0, a1, b0, b1 = leaf[0], leaf[1], leaf[2], leaf[3]
    _legendre_rows(nodes, a0, a1, ni, rows)
    _legendre_rows(other_nodes, b0, b1, nj, other_rows)
    scale = 0.25 * (a1 - a0) * (b1 - b0) * length * other_length
    tx, ty, tz = half[0] / length, half[1] / length, half[2] / length
    sx, sy, sz = (
        other_half[0] / other_length, other_half[1] / other_length, other_half[2] / other_length,
    )  # fmt: skip
    level = tx * sx + ty * sy
    upright = tz * sz
    for f in range(nodes.size):
        at = rows[f, 1]
        x = center[0] + at * half[0] - other_center[0]
        y = center[1] + at * half[1] - other_center[1]
        z = center[2] + at * half[2] + other_center[2]
        for b in range(nj):
            vector_row[b] = 0.0
            scalar_row[b] = 0.0
        for g in range(other_nodes.size):
            eta = other_rows[g, 1]
            dx, dy = x - eta * other_half[0], y - eta * other_half[1]
            zeta = max(z + eta * other_half[2], zeta_min)
            square = dx * dx + dy * dy
            apart = square + zeta * zeta
            if apart < 160.0 * core:
                square += core * math.exp(-0.25 * apart / core)
            g_vv, g_phi, g_zz, w = interpolate_kernels(
                math.sqrt(square), zeta, values, rho_scale, rho_stretch, zeta_min, du, dv, k
            )
            crossed = tz * (dx * sx + dy * sy) - sz * (dx * tx + dy * ty)
            weight = scale * weights[f] * other_weights[g]
            vector = weight * (level * g_vv + upright * g_zz + crossed * w)
            scalar = weight * g_phi
            for b in range(nj):
                vector_row[b] += vector * other_rows[g, b]
                scalar_row[b] += scalar * other_rows[g, b]
        for a in range(ni):
            p = rows[f, a]
            for b in range(nj):
                target[0, a, b] += p * vector_row[b]
                target[1, a, b] += p * scalar_row[b]


@njit(cache=True, error_model="numpy")
def _touches(center, half, length):
    return center[2] - abs(half[2]) <= 1e-9 * length


@njit(cache=True, parallel=True, error_model="numpy")
def add_reflected_moments(
    buffer, first_row, last_row, extra, center, half, length, radius, degree,
    near_index, first_leaf, leaves, count, xi, weight, near_count, near_xi, near_weight,
    values, rho_scale, rho_stretch, zeta_min, du, dv, k,
):  # fmt: skip
    """Add Legendre moments of the reflected kernels for rows of element pairs.

    Parameters
    ----------
    buffer : (rows, E, 2, orders, orders) complex
        Receives the moments of t.G_A.t' and of G_phi; columns left of the diagonal unused.
    extra : int
        Moments of order 0 .. degree + extra.
    center, half, length, radius, degree
        Elements; `length` is the half length.
    near_index, first_leaf, leaves
        Pairs near each other's image, and the sub-intervals they are split into; pairs with an
        index below -1 are left out.
    count, xi, weight, near_count, near_xi, near_weight
        Gauss nodes by degree, for pairs far from and near to each other's image.
    values, ..., k
        `EarthTable.kernel_arguments()`.
    """
    rows = last_row - first_row
    orders = buffer.shape[3]
    width = max(2, orders)
    for unsigned in prange((rows + 1) // 2):
        fold = np.int64(unsigned)
        row = np.empty((near_xi.shape[1], width))
        other_row = np.empty((near_xi.shape[1], width))
        sums = np.empty((2, width), dtype=np.complex128)
        whole = np.empty((1, 4))
        whole[0, 0], whole[0, 1], whole[0, 2], whole[0, 3] = -1.0, 1.0, -1.0, 1.0
        for turn in range(2 if rows - 1 - fold > fold else 1):
            r = fold if turn == 0 else rows - 1 - fold
            i = first_row + r
            di = degree[i]
            for j in range(i, center.shape[0]):
                dj = degree[j]
                near = near_index[i, j]
                if near < -1:
                    continue
                n_leaves = 1 if near < 0 else first_leaf[near + 1] - first_leaf[near]
                n, x, w = (count, xi, weight) if near < 0 else (near_count, near_xi, near_weight)
                core = 0.0
                if _touches(center[i], half[i], length[i]) and _touches(
                    center[j], half[j], length[j]
                ):
                    core = 0.5 * (radius[i] ** 2 + radius[j] ** 2)
                for m in range(n_leaves):
                    leaf = whole[0] if near < 0 else leaves[first_leaf[near] + m]
                    _reflected_leaf(
                        center[i], half[i], length[i], center[j], half[j], length[j], core, leaf,
                        x[di, : n[di]], w[di, : n[di]], x[dj, : n[dj]], w[dj, : n[dj]],
                        di + 1 + extra, dj + 1 + extra, row, other_row, sums[0], sums[1],
                        buffer[r, j], values, rho_scale, rho_stretch, zeta_min, du, dv, k,
                    )  # fmt: skip


# --- fields of elementary sources ----------------------------------------------------------


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def reflected_dipole_field(
    dx,
    dy,
    zeta,
    tx,
    ty,
    tz,
    current,
    charge,
    values,
    field_values,
    rho_scale,
    rho_stretch,
    zeta_min,
    du,
    dv,
    k,
):
    """Field that the earth adds to that of one elementary source.

    Parameters
    ----------
    dx, dy : float
        Horizontal position of the observer less that of the source. [m]
    zeta : float
        Sum of the heights of observer and source. [m]
    tx, ty, tz : float
        Unit vector of the current.
    current : complex
        Current times length. [A m]
    charge : complex
        Charge -(1/jw) dI/ds times length, in the mixed-potential form. [C]
    values, field_values, rho_scale, rho_stretch, zeta_min, du, dv, k
        `EarthTable.field_arguments()`.

    Returns
    -------
    ex, ey, ez, hx, hy, hz : complex
        Electric and magnetic field. [V/m, A/m]

    Notes
    -----
    With d = (dx, dy) and W = w/rho, per unit current moment

        A_h = t_h g_vv - t_z W d,   A_z = t_z g_zz + W (d . t_h),
        E = -jw mu0 A - (q/eps0) [d (g_phi)'/rho + z d g_phi/d zeta],   H = curl A.
    """
    g_vv, _, g_zz, w, phi_r, vv_r, zz_r, phi_z, vv_z, _, w_z, p = interpolate_fields(
        math.sqrt(dx * dx + dy * dy),
        zeta,
        values,
        field_values,
        rho_scale,
        rho_stretch,
        zeta_min,
        du,
        dv,
        k,
    )
    along = dx * tx + dy * ty
    drive = complex(0.0, -k * _ETA) * current
    push = (-_INVERSE_EPSILON) * charge
    ex = drive * (tx * g_vv - (tz * dx) * w) + push * (dx * phi_r)
    ey = drive * (ty * g_vv - (tz * dy) * w) + push * (dy * phi_r)
    ez = drive * (tz * g_zz + along * w) + push * phi_z
    radial = tz * zz_r + along * p
    hx = current * (dy * radial + ty * w - ty * vv_z + (tz * dy) * w_z)
    hy = current * (tx * vv_z - (tz * dx) * w_z - dx * radial - tx * w)
    hz = current * ((dx * ty - dy * tx) * vv_r)
    return ex, ey, ez, hx, hy, hz


@njit(cache=True, parallel=True, error_model="numpy")
def add_reflected_fields(
    points,
    positions,
    tangents,
    currents,
    charges,
    values,
    field_values,
    rho_scale,
    rho_stretch,
    zeta_min,
    du,
    dv,
    k,
    electric,
    magnetic,
):
    """Add the earth's part of the fields of many elementary sources.

    Parameters
    ----------
    points : ndarray of float64, shape (P, 3)
        Observers above the ground. [m]
    positions, tangents : ndarray of float64, shape (S, 3)
        Sources and unit vectors of their currents. [m, 1]
    currents, charges : ndarray of complex128, shape (S,)
        Current times quadrature weight [A m], charge per length times weight [C].
    values, field_values, rho_scale, rho_stretch, zeta_min, du, dv, k
        `EarthTable.field_arguments()`; the table must cover every pair.
    electric, magnetic : ndarray of complex128, shape (P, 3), added to
        Fields. [V/m, A/m]
    """
    for i in prange(points.shape[0]):
        ex = ey = ez = hx = hy = hz = 0j
        for s in range(positions.shape[0]):
            a, b, c, d, e, f = reflected_dipole_field(
                points[i, 0] - positions[s, 0],
                points[i, 1] - positions[s, 1],
                points[i, 2] + positions[s, 2],
                tangents[s, 0],
                tangents[s, 1],
                tangents[s, 2],
                currents[s],
                charges[s],
                values,
                field_values,
                rho_scale,
                rho_stretch,
                zeta_min,
                du,
                dv,
                k,
            )
            ex += a
            ey += b
            ez += c
            hx += d
            hy += e
            hz += f
        electric[i, 0] += ex
        electric[i, 1] += ey
        electric[i, 2] += ez
        magnetic[i, 0] += hx
        magnetic[i, 1] += hy
        magnetic[i, 2] += hz


@njit(cache=True, parallel=True, error_model="numpy")
def add_reflected_functions(
    points, frames, center, half, length, degree, extra, offset, counts, xi, legendre,
    values, field_values, rho_scale, rho_stretch, zeta_min, du, dv, k, out, next_out,
):  # fmt: skip
    """Add the electric field that the earth reflects of every local function of every element.

    Parameters
    ----------
    points, frames : (C, 3), (C, 3, 3) float
        Observers, and unit axes (rows) along which the field is wanted.
    center, half, length, degree
        Elements; `length` is the half length.
    extra : int
        1 for the next function of every element too.
    offset : (E + 1,) int
        First local function of each element.
    counts, xi, legendre : (T,), (T, G), (T, W, G)
        Gauss tables of rising size, Legendre polynomials times weights.
    values, ..., k
        `EarthTable.field_arguments()`; the table must cover every pair.
    out, next_out : (M, 3 C) and (E, 3 C) complex, added to
        By local function, and each element's next one. [V/m per A]
    """
    width = legendre.shape[1]
    vector_factor = complex(0.0, -k * _ETA)
    charge_factor = complex(0.0, -_ETA / k)  # 1/(jw eps0)
    for unsigned in prange(points.shape[0]):
        c = np.int64(unsigned)
        vector = np.empty((width, 3), dtype=np.complex128)
        slope = np.empty((width, 3), dtype=np.complex128)
        for e in range(center.shape[0]):
            h = length[e]
            orders = degree[e] + 1 + extra
            tx, ty, tz = half[e, 0] / h, half[e, 1] / h, half[e, 2] / h
            dx = points[c, 0] - center[e, 0]
            dy = points[c, 1] - center[e, 1]
            height = points[c, 2] + center[e, 2]
            ratio = max(math.sqrt(dx * dx + dy * dy + height * height) / h - 1.0, 0.05)
            wanted = 4.0 / math.log(ratio + math.sqrt(1.0 + ratio * ratio))
            wanted += 0.5 * (degree[e] + k * h)
            table = 0
            while table < counts.size - 1 and counts[table] < wanted:
                table += 1
            for i in range(orders):
                for a in range(3):
                    vector[i, a] = 0.0
                    slope[i, a] = 0.0
            for q in range(counts[table]):
                s = xi[table, q]
                x, y = dx - s * half[e, 0], dy - s * half[e, 1]
                g_vv, _, g_zz, w, phi_r, _, _, phi_z, _, _, _, _ = interpolate_fields(
                    math.sqrt(x * x + y * y), height + s * half[e, 2],
                    values, field_values, rho_scale, rho_stretch, zeta_min, du, dv, k,
                )  # fmt: skip
                ax = tx * g_vv - (tz * x) * w
                ay = ty * g_vv - (tz * y) * w
                az = tz * g_zz + (x * tx + y * ty) * w
                sx, sy = x * phi_r, y * phi_r
                for i in range(orders):
                    weight = legendre[table, i, q] * h
                    vector[i, 0] += weight * ax
                    vector[i, 1] += weight * ay
                    vector[i, 2] += weight * az
                    slope[i, 0] += weight * sx
                    slope[i, 1] += weight * sy
                    slope[i, 2] += weight * phi_z
            for f in range(orders):
                x = y = z = 0j
                for a in range(3):
                    if f < 2:
                        sign = 1.0 if f == 1 else -1.0
                        v = 0.5 * (vector[0, a] + sign * vector[1, a])
                        d = (0.5 * sign / h) * slope[0, a]
                    else:
                        v = (vector[f, a] - vector[f - 2, a]) / (2 * f - 1)
                        d = slope[f - 1, a] / h
                    value = vector_factor * v + charge_factor * d
                    x += frames[c, 0, a] * value
                    y += frames[c, 1, a] * value
                    z += frames[c, 2, a] * value
                if f <= degree[e]:
                    out[offset[e] + f, 3 * c] += x
                    out[offset[e] + f, 3 * c + 1] += y
                    out[offset[e] + f, 3 * c + 2] += z
                else:
                    next_out[e, 3 * c] += x
                    next_out[e, 3 * c + 1] += y
                    next_out[e, 3 * c + 2] += z
