"""Sum over pairs of sources for the evanescent part of the earth's power.

Plain numbers and arrays only. The kernels lie on the same kind of grid as those of
:mod:`.kernels` (a jitted function calls jitted functions of its own file only, hence the
second copy of the six weights).
"""

from __future__ import annotations

import math

from numba import njit, prange

__all__ = ["interpolate_four", "pair_power"]


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def _six_weights(t):
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
def interpolate_four(rho, zeta, values, rho_scale, rho_stretch, zeta_min, du, dv):
    """Four real kernels at one point.

    Parameters
    ----------
    rho, zeta : float
        Horizontal distance and sum of heights, inside the table. [m]
    values : ndarray of float64, shape (U, V, 4)
        Kernels times R^3, R^3, R^5 and R^4, R^2 = rho^2 + zeta^2.
    rho_scale, rho_stretch, zeta_min, du, dv : float
        Grid, as in :mod:`.kernels`.

    Returns
    -------
    a, b, c, x : float
        Kernels of vertical pairs, horizontal pairs (two) and mixed pairs.
    """
    scaled = rho / rho_scale
    u = (math.log(scaled + math.sqrt(scaled * scaled + 1.0)) + rho_stretch * rho) / du
    v = math.log(zeta / zeta_min) / dv
    iu = min(int(u), values.shape[0] - 6)
    iv = min(max(int(v), 0), values.shape[1] - 6)
    wu = _six_weights(u - iu)
    v0, v1, v2, v3, v4, v5 = _six_weights(v - iv)
    a = b = c = x = 0.0
    for i in range(6):
        rows = values[iu + i]
        w = wu[i]
        for j, weight in enumerate((v0 * w, v1 * w, v2 * w, v3 * w, v4 * w, v5 * w)):
            row = rows[iv + j]
            a += weight * row[0]
            b += weight * row[1]
            c += weight * row[2]
            x += weight * row[3]
    square = 1.0 / (rho * rho + zeta * zeta)
    inverse = math.sqrt(square)
    cube = square * inverse
    return a * cube, b * cube, c * cube * square, x * square * square


@njit(cache=True, parallel=True, error_model="numpy")
def pair_power(positions, moments, values, rho_scale, rho_stretch, zeta_min, du, dv, rows):
    """Evanescent power of the first sources, each with itself and with all later ones.

    Parameters
    ----------
    positions : ndarray of float64, shape (S, 3)
        Source points. [m]
    moments : ndarray of complex128, shape (S, 3)
        Current times length at each. [A m]
    values, rho_scale, rho_stretch, zeta_min, du, dv
        As in :func:`interpolate_four`.
    rows : ndarray of float64, shape (N,), N <= S, written
        Power by first source. [W]
    """
    n = rows.shape[0]
    for number in prange(n):
        # long and short rows alternate, so that threads share the triangle evenly
        i = number // 2 if number % 2 == 0 else n - 1 - number // 2
        px, py, pz = moments[i, 0], moments[i, 1], moments[i, 2]
        total = 0.0
        for j in range(i, positions.shape[0]):
            dx = positions[i, 0] - positions[j, 0]
            dy = positions[i, 1] - positions[j, 1]
            a, b, c, x = interpolate_four(
                math.sqrt(dx * dx + dy * dy),
                positions[i, 2] + positions[j, 2],
                values,
                rho_scale,
                rho_stretch,
                zeta_min,
                du,
                dv,
            )
            qx = moments[j, 0].conjugate()
            qy = moments[j, 1].conjugate()
            qz = moments[j, 2].conjugate()
            p_along = px * dx + py * dy
            q_along = qx * dx + qy * dy
            part = (
                a * (pz * qz).real
                + b * (px * qx + py * qy).real
                + c * (p_along * q_along).real
                + x * (p_along * qz - q_along * pz).real
            )
            total += part if j == i else 2.0 * part
        rows[i] = total
