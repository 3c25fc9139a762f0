r"""Compiled kernels of the fields: radiation vectors, and E and H near straight elements.

Plain arrays and scalars in and out; nothing is checked here, callers do.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange

FAST = {"contract", "reassoc", "arcp", "nsz"}
STACK = 512


@njit(cache=True, fastmath=FAST, error_model="numpy")
def _radiation_vector(kx, ky, kz, centers, halves, rings, series, out):
    n_pieces, n_terms = series.shape
    sum_x, sum_y, sum_z = 0.0j, 0.0j, 0.0j
    squared = kx * kx + ky * ky + kz * kz
    for p in range(n_pieces):
        a = kx * halves[p, 0] + ky * halves[p, 1] + kz * halves[p, 2]
        value = series[p, n_terms - 1]
        for m in range(n_terms - 2, -1, -1):
            value = value * a + series[p, m]
        phase = kx * centers[p, 0] + ky * centers[p, 1] + kz * centers[p, 2]
        # J0 of k times the radius times the sine of the angle to the axis
        x = 0.25 * (rings[p, 0] * squared - rings[p, 1] * a * a)
        ring = 1.0 - x * (1.0 - 0.25 * x * (1.0 - x / 9.0 * (1.0 - 0.0625 * x)))
        value = value * complex(ring * np.cos(phase), ring * np.sin(phase))
        sum_x += halves[p, 0] * value
        sum_y += halves[p, 1] * value
        sum_z += halves[p, 2] * value
    out[0] = sum_x
    out[1] = sum_y
    out[2] = sum_z


@njit(cache=True, parallel=True, error_model="numpy")
def radiation_vectors(directions, wavenumber, centers, halves, rings, series):
    r"""Vectors N = sum over pieces of Int I(s) t J0 exp(jk r.r') ds, shape (D, 3). [A m]

    Parameters
    ----------
    directions : (D, 3) float
        Unit vectors.
    wavenumber : float
        Of free space. [1/m]
    centers, halves : (P, 3) float
        Middle of each straight piece and the vector from there to its end. [m]
    rings : (P, 2) float
        Square of the conductor's radius, and of radius over half length. [m^2, 1]
    series : (P, M) complex
        j^m/m! times the m-th moment of the current over xi in [-1, 1]. [A]

    Notes
    -----
    J0(ka sin psi) is the mean over the circumference of a conductor of radius a at the angle psi
    to the direction; its power series stops where ka = 1 leaves 3e-7.
    With a = k r.h the integral over a piece is h exp(jk r.c) sum_m series[m] a^m, a power series
    that stops at M terms because pieces are short, |a| <= about 1.
    """
    out = np.empty((directions.shape[0], 3), dtype=np.complex128)
    for d in prange(directions.shape[0]):
        _radiation_vector(
            wavenumber * directions[d, 0],
            wavenumber * directions[d, 1],
            wavenumber * directions[d, 2],
            centers,
            halves,
            rings,
            series,
            out[d],
        )
    return out


@njit(cache=True, fastmath=FAST, error_model="numpy")
def _piece_values(kx, ky, kz, center, half, ring, series, out):
    n_orders, n_terms = series.shape
    a = kx * half[0] + ky * half[1] + kz * half[2]
    phase = kx * center[0] + ky * center[1] + kz * center[2]
    # As in _radiation_vector
    x = 0.25 * (ring[0] * (kx * kx + ky * ky + kz * kz) - ring[1] * a * a)
    mean = 1.0 - x * (1.0 - 0.25 * x * (1.0 - x / 9.0 * (1.0 - 0.0625 * x)))
    turn = complex(mean * np.cos(phase), mean * np.sin(phase))
    for i in range(n_orders):
        value = series[i, n_terms - 1]
        for m in range(n_terms - 2, -1, -1):
            value = value * a + series[i, m]
        out[i] = value * turn


@njit(cache=True, fastmath=FAST, error_model="numpy")
def _order_row(
    sine, azimuth, vertical, horizontal, has_image, k,
    centers, halves, rings, owner, series, values, theta, phi,
):  # fmt: skip
    n_orders = series.shape[1]
    cosine = np.sqrt(max(1.0 - sine * sine, 0.0))
    cos_az, sin_az = np.cos(azimuth), np.sin(azimuth)
    kx, ky, kz = k * cosine * cos_az, k * cosine * sin_az, k * sine
    for p in range(owner.size):
        level = (halves[p, 0] * cos_az + halves[p, 1] * sin_az) * sine
        across = halves[p, 1] * cos_az - halves[p, 0] * sin_az
        upright = halves[p, 2] * cosine
        first = owner[p] * n_orders
        _piece_values(kx, ky, kz, centers[p], halves[p], rings[p], series[p], values)
        for i in range(n_orders):
            theta[first + i] += (level - upright) * values[i]
            phi[first + i] += across * values[i]
        if has_image:
            _piece_values(kx, ky, -kz, centers[p], halves[p], rings[p], series[p], values)
            for i in range(n_orders):
                theta[first + i] -= vertical * (level + upright) * values[i]
                phi[first + i] += horizontal * across * values[i]


@njit(cache=True, parallel=True, error_model="numpy")
def order_vectors(
    sine, azimuth, vertical, horizontal, has_image, wavenumber,
    centers, halves, rings, owner, series, theta, phi,
):  # fmt: skip
    r"""Radiation vectors of each Legendre polynomial on each element, added to theta and phi.

    Parameters
    ----------
    sine, azimuth : (D,) float
        Of the elevation; [rad].
    vertical, horizontal : (D,) complex
        R_v and R_h of the ground, of no account without images.
    has_image : bool
    wavenumber : float
        Of free space. [1/m]
    centers, halves, rings, owner, series
        See `far.PieceOrders`.
    theta, phi : (D, E Q) complex
        N_theta and N_phi for 1 A, element by element. [m]
    """
    for d in prange(sine.size):
        values = np.empty(series.shape[1], dtype=np.complex128)
        _order_row(
            sine[d], azimuth[d], vertical[d], horizontal[d], has_image, wavenumber,
            centers, halves, rings, owner, series, values, theta[d], phi[d],
        )  # fmt: skip


@njit(cache=True, parallel=True, error_model="numpy")
def mean_phases(directions, wavenumber, points, first):
    """Mean of exp(jk r.r') over the points first[c] : first[c + 1] of each cell, (D, C)."""
    out = np.empty((directions.shape[0], first.size - 1), dtype=np.complex128)
    for d in prange(directions.shape[0]):
        kx = wavenumber * directions[d, 0]
        ky = wavenumber * directions[d, 1]
        kz = wavenumber * directions[d, 2]
        for c in range(first.size - 1):
            real, imaginary = 0.0, 0.0
            for s in range(first[c], first[c + 1]):
                phase = kx * points[s, 0] + ky * points[s, 1] + kz * points[s, 2]
                real += np.cos(phase)
                imaginary += np.sin(phase)
            share = 1.0 / (first[c + 1] - first[c])
            out[d, c] = complex(share * real, share * imaginary)
    return out


@njit(cache=True, fastmath=FAST, error_model="numpy")
def _point_vector(kx, ky, kz, positions, moments, out):
    sum_x, sum_y, sum_z = 0.0j, 0.0j, 0.0j
    for p in range(positions.shape[0]):
        phase = kx * positions[p, 0] + ky * positions[p, 1] + kz * positions[p, 2]
        turn = complex(np.cos(phase), np.sin(phase))
        sum_x += moments[p, 0] * turn
        sum_y += moments[p, 1] * turn
        sum_z += moments[p, 2] * turn
    out[0] = sum_x
    out[1] = sum_y
    out[2] = sum_z


@njit(cache=True, parallel=True, error_model="numpy")
def point_vectors(directions, wavenumber, positions, moments):
    """N = sum of moments exp(jk r.r') over points, shape (D, 3), as `radiation_vectors`. [A m]"""
    out = np.empty((directions.shape[0], 3), dtype=np.complex128)
    for d in prange(directions.shape[0]):
        _point_vector(
            wavenumber * directions[d, 0],
            wavenumber * directions[d, 1],
            wavenumber * directions[d, 2],
            positions,
            moments,
            out[d],
        )
    return out


@njit(cache=True)
def nearest_elements(points, starts, ends, radii):
    """The element whose axis is nearest in radii to each point, and how far its axis is.

    Returns
    -------
    element : (N,) int64
    distance : (N,) float
        From that element's axis. [m]
    """
    n_points = points.shape[0]
    element = np.zeros(n_points, dtype=np.int64)
    distance = np.zeros(n_points)
    for n in range(n_points):
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
            d = np.sqrt(x * x + y * y + z * z)
            if d < least * radii[e]:
                least = d / radii[e]
                element[n] = e
                distance[n] = d
    return element, distance


@njit(cache=True)
def least_distances(points, starts, ends):
    """Distance of each straight piece (P, 3) to the nearest of the points (N, 3), (P,). [m]"""
    n_pieces = starts.shape[0]
    out = np.full(n_pieces, np.inf)
    for p in range(n_pieces):
        ux = ends[p, 0] - starts[p, 0]
        uy = ends[p, 1] - starts[p, 1]
        uz = ends[p, 2] - starts[p, 2]
        squared = ux * ux + uy * uy + uz * uz
        least = np.inf
        for n in range(points.shape[0]):
            x = points[n, 0] - starts[p, 0]
            y = points[n, 1] - starts[p, 1]
            z = points[n, 2] - starts[p, 2]
            t = min(max((x * ux + y * uy + z * uz) / squared, 0.0), 1.0)
            x -= t * ux
            y -= t * uy
            z -= t * uz
            least = min(least, x * x + y * y + z * z)
        out[p] = np.sqrt(least)
    return out


@njit(cache=True)
def split_toward(px, py, pz, start, end, stack, part, square=0.0):
    """Split xi in [-1, 1] until every part is at most half as long as its distance from a point.

    `square` is added to the squared distance: the point may then lie on the axis. [m2]
    `stack` (STACK, 2) is room to work in; the parts go to the rows of `part` (STACK, 2).
    Returns their number.  Two radii away from a wire 10^6 radii long it stays below 200.
    """
    length = np.sqrt((end[0] - start[0]) ** 2 + (end[1] - start[1]) ** 2 + (end[2] - start[2]) ** 2)
    ux = (end[0] - start[0]) / length
    uy = (end[1] - start[1]) / length
    uz = (end[2] - start[2]) / length
    x = px - 0.5 * (start[0] + end[0])
    y = py - 0.5 * (start[1] + end[1])
    z = pz - 0.5 * (start[2] + end[2])
    along = x * ux + y * uy + z * uz
    x -= along * ux
    y -= along * uy
    z -= along * uz
    across_squared = x * x + y * y + z * z + square
    along = 2.0 * along / length
    half = 0.5 * length
    stack[0, 0], stack[0, 1] = -1.0, 1.0
    top, count = 1, 0
    while top > 0:
        top -= 1
        low, high = stack[top, 0], stack[top, 1]
        beyond = half * max(low - along, along - high, 0.0)
        size = half * (high - low)
        enough = 4.0 * size * size <= across_squared + beyond * beyond
        if enough or count + top + 3 > STACK:
            part[count, 0], part[count, 1] = low, high
            count += 1
        else:
            middle = 0.5 * (low + high)
            stack[top, 0], stack[top, 1] = low, middle
            stack[top + 1, 0], stack[top + 1, 1] = middle, high
            top += 2
    return count


@njit(cache=True)
def add_direct_fields(
    points, wavenumber, eta, starts, ends, radii, currents, slopes, mirrored, xi, weight,
    e_field, h_field,
):  # fmt: skip
    r"""Add the fields of straight elements in free space to E and H, both (N, 3) complex.

    E = -j k eta Int I t g ds + (eta/jk) Int I' grad g ds and H = Int I grad g x t ds, with
    g = exp(-jkR)/(4 pi R), R^2 = D^2 + a^2 and grad g its exact gradient.

    Parameters
    ----------
    points : (N, 3) float
    wavenumber, eta : float
        Of free space. [1/m], [ohm]
    starts, ends : (E, 3) float; radii : (E,) float
    currents : (E, Q) complex
        Legendre coefficients of I. [A]
    slopes : (E, Q) complex
        Legendre coefficients of dI/ds. [A/m]
    mirrored : bool
        True adds the images in a perfect ground at z = 0 instead of the elements themselves.
    xi, weight : (G,) float
        Gauss nodes for one part.
    """
    n_orders = currents.shape[1]
    stack = np.empty((STACK, 2))
    part = np.empty((STACK, 2))
    flip = -1.0 if mirrored else 1.0
    for n in range(points.shape[0]):
        # The field of the image at a point is found at the mirrored point, then turned back.
        px, py, pz = points[n, 0], points[n, 1], flip * points[n, 2]
        ex, ey, ez = 0.0j, 0.0j, 0.0j
        hx, hy, hz = 0.0j, 0.0j, 0.0j
        for e in range(starts.shape[0]):
            count = split_toward(px, py, pz, starts[e], ends[e], stack, part)
            dx = 0.5 * (ends[e, 0] - starts[e, 0])
            dy = 0.5 * (ends[e, 1] - starts[e, 1])
            dz = 0.5 * (ends[e, 2] - starts[e, 2])
            cx = 0.5 * (ends[e, 0] + starts[e, 0])
            cy = 0.5 * (ends[e, 1] + starts[e, 1])
            cz = 0.5 * (ends[e, 2] + starts[e, 2])
            half = np.sqrt(dx * dx + dy * dy + dz * dz)
            tx, ty, tz = dx / half, dy / half, dz / half
            vector = 0.0j
            sx, sy, sz = 0.0j, 0.0j, 0.0j
            qx, qy, qz = 0.0j, 0.0j, 0.0j
            for m in range(count):
                low, high = part[m, 0], part[m, 1]
                scale = 0.5 * (high - low)
                for q in range(xi.size):
                    at = 0.5 * (low + high) + scale * xi[q]
                    current = currents[e, 0]
                    slope = slopes[e, 0]
                    older, old = 1.0, at
                    for i in range(1, n_orders):
                        current += currents[e, i] * old
                        slope += slopes[e, i] * old
                        older, old = old, ((2 * i + 1) * at * old - i * older) / (i + 1)
                    x = px - cx - at * dx
                    y = py - cy - at * dy
                    z = pz - cz - at * dz
                    r2 = x * x + y * y + z * z + radii[e] * radii[e]
                    r = np.sqrt(r2)
                    kr = wavenumber * r
                    g = complex(np.cos(kr), -np.sin(kr)) / r
                    fall = -complex(1.0, kr) / r2 * g
                    step = weight[q] * scale
                    vector += step * current * g
                    with_current = step * current * fall
                    with_slope = step * slope * fall
                    sx += x * with_current
                    sy += y * with_current
                    sz += z * with_current
                    qx += x * with_slope
                    qy += y * with_slope
                    qz += z * with_slope
            unit = half / (4.0 * np.pi)
            from_vector = -1j * wavenumber * eta * unit * vector
            from_charge = eta / (1j * wavenumber) * unit
            ex += from_vector * tx + from_charge * qx
            ey += from_vector * ty + from_charge * qy
            ez += from_vector * tz + from_charge * qz
            hx += unit * (sy * tz - sz * ty)
            hy += unit * (sz * tx - sx * tz)
            hz += unit * (sx * ty - sy * tx)
        # Image: horizontal currents and charges change sign, so E and H mirror as below.
        e_field[n, 0] += flip * ex
        e_field[n, 1] += flip * ey
        e_field[n, 2] += ez
        h_field[n, 0] += hx
        h_field[n, 1] += hy
        h_field[n, 2] += flip * hz


@njit(cache=True, error_model="numpy")
def add_potentials(
    points, wavenumber, starts, ends, squares, slopes, mirrored, xi, weight, factor, potential
):
    r"""Add factor Int I' g ds of straight elements in free space to `potential`, (N,) complex.

    g = exp(-jkR)/(4 pi R), R^2 = D^2 + a^2; the points may lie on the axes.

    Parameters
    ----------
    points : (N, 3) float
    wavenumber : float
        [1/m]
    starts, ends : (E, 3) float; squares : (E,) float
        a^2. [m2]
    slopes : (E, Q) complex
        Legendre coefficients of dI/ds. [A/m]
    mirrored : bool
        True takes the images in z = 0 instead of the elements themselves.
    xi, weight : (G,) float
        Gauss nodes for one part.
    factor : complex
    """
    n_orders = slopes.shape[1]
    stack = np.empty((STACK, 2))
    part = np.empty((STACK, 2))
    flip = -1.0 if mirrored else 1.0
    for n in range(points.shape[0]):
        px, py, pz = points[n, 0], points[n, 1], flip * points[n, 2]
        total = 0.0j
        for e in range(starts.shape[0]):
            count = split_toward(px, py, pz, starts[e], ends[e], stack, part, squares[e])
            dx = 0.5 * (ends[e, 0] - starts[e, 0])
            dy = 0.5 * (ends[e, 1] - starts[e, 1])
            dz = 0.5 * (ends[e, 2] - starts[e, 2])
            x0 = px - 0.5 * (ends[e, 0] + starts[e, 0])
            y0 = py - 0.5 * (ends[e, 1] + starts[e, 1])
            z0 = pz - 0.5 * (ends[e, 2] + starts[e, 2])
            own = 0.0j
            for m in range(count):
                low, high = part[m, 0], part[m, 1]
                scale = 0.5 * (high - low)
                for q in range(xi.size):
                    at = 0.5 * (low + high) + scale * xi[q]
                    slope = slopes[e, 0]
                    older, old = 1.0, at
                    for i in range(1, n_orders):
                        slope += slopes[e, i] * old
                        older, old = old, ((2 * i + 1) * at * old - i * older) / (i + 1)
                    x, y, z = x0 - at * dx, y0 - at * dy, z0 - at * dz
                    r = np.sqrt(x * x + y * y + z * z + squares[e])
                    kr = wavenumber * r
                    step = weight[q] * scale / r
                    own += slope * complex(step * np.cos(kr), -step * np.sin(kr))
            total += np.sqrt(dx * dx + dy * dy + dz * dz) * own
        potential[n] += factor * total / (4.0 * np.pi)


@njit(cache=True, parallel=True, error_model="numpy")
def add_point_fields(points, wavenumber, eta, positions, moments, mirrored, e_field, h_field):
    r"""Add the fields of electric point dipoles in free space to E and H, both (N, 3) complex.

    With R = R n, m the moment and g = exp(-jkR)/(4 pi R), closed form [1]_

        E = -jk eta g [ (1 + 1/jkR - 1/(kR)^2) m - (1 + 3/jkR - 3/(kR)^2) n (n . m) ]
        H = -jk g (1 + 1/jkR) n x m

    Parameters
    ----------
    points : (N, 3) float
    wavenumber, eta : float
        Of free space. [1/m], [ohm]
    positions : (C, 3) float
        [m]
    moments : (C, 3) complex
        Current times length. [A m]
    mirrored : bool
        True adds the images in a perfect ground at z = 0 instead of the dipoles themselves.

    References
    ----------
    .. [1] J. D. Jackson, "Classical Electrodynamics", ch. 9 (from memory; computed anew from
       E = -jw mu0 (m g + grad div m g / k^2)).
    """
    flip = -1.0 if mirrored else 1.0
    for n in prange(points.shape[0]):
        px, py, pz = points[n, 0], points[n, 1], flip * points[n, 2]
        ex, ey, ez = 0.0j, 0.0j, 0.0j
        hx, hy, hz = 0.0j, 0.0j, 0.0j
        for c in range(positions.shape[0]):
            x, y, z = px - positions[c, 0], py - positions[c, 1], pz - positions[c, 2]
            r = np.sqrt(x * x + y * y + z * z)
            x, y, z = x / r, y / r, z / r
            kr = wavenumber * r
            wave = wavenumber / (4.0 * np.pi * r) * complex(-np.sin(kr), -np.cos(kr))
            near = complex(-1.0 / (kr * kr), -1.0 / kr)
            mx, my, mz = moments[c, 0], moments[c, 1], moments[c, 2]
            across = (1.0 + near) * wave * eta
            along = -(1.0 + 3.0 * near) * (x * mx + y * my + z * mz) * wave * eta
            turn = complex(1.0, -1.0 / kr) * wave
            ex += across * mx + along * x
            ey += across * my + along * y
            ez += across * mz + along * z
            hx += turn * (y * mz - z * my)
            hy += turn * (z * mx - x * mz)
            hz += turn * (x * my - y * mx)
        # The image mirrors as that of `add_direct_fields`.
        e_field[n, 0] += flip * ex
        e_field[n, 1] += flip * ey
        e_field[n, 2] += ez
        h_field[n, 0] += hx
        h_field[n, 1] += hy
        h_field[n, 2] += flip * hz
