"""Bessel functions close to the real axis, quick enough to fill whole matrices.

The integration path of :mod:`.tables` stays within a unit or two of the real axis once it
is multiplied by the distance, so J0(x), J1(x)/x and J2(x)/x^2 are summed as Taylor series
about the nearest whole number (Re x below 48), or by Hankel's asymptotic series (above).
About 40 ns a pair, against a microsecond for a general complex routine.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["TERMS", "WHOLE_NUMBERS", "bessel_matrices", "bessel_near_axis", "taylor_coefficients"]

#: Taylor terms about each whole number: |Im x| <= 1.6 leaves 2e-14.
TERMS = 21
#: number of expansion points 0, 1, 2, ...; beyond the last one Hankel's series takes over
WHOLE_NUMBERS = 49

_QUARTER_PI = math.pi / 4.0


@functools.cache
def taylor_coefficients() -> NDArray[np.float64]:
    """Taylor coefficients of J0(x), J1(x)/x and J2(x)/x^2 about 0, 1, 2, ...

    Returns
    -------
    ndarray of float64, shape (3, WHOLE_NUMBERS, TERMS), read-only

    Notes
    -----
    All three are sums of Bessel functions of even order with constant coefficients, J1/x =
    (J0 + J2)/2 and J2/x^2 = (3 J0 + 4 J2 + J4)/24, whose derivatives follow from
    J_m^(n) = 2^-n sum_i (-1)^i C(n, i) J_{m-n+2i}: no cancellation, no recurrence.
    """
    from scipy.special import comb, factorial, jv

    points = np.arange(WHOLE_NUMBERS, dtype=np.float64)
    largest = TERMS + 4
    orders = np.arange(largest + 1)
    positive = jv(orders[:, None], points[None, :])
    signs = (-1.0) ** orders
    # bessel[m + largest] = J_m, with J_-m = (-1)^m J_m
    bessel = np.concatenate([(signs[:, None] * positive)[:0:-1], positive])
    derivatives = np.empty((3, TERMS, WHOLE_NUMBERS))
    for n in range(TERMS):
        i = np.arange(n + 1)
        factors = (-1.0) ** i * comb(n, i) * 0.5**n
        for row, order in enumerate((0, 2, 4)):
            derivatives[row, n] = factors @ bessel[order - n + 2 * i + largest]
    derivatives /= factorial(np.arange(TERMS))[None, :, None]
    j0, j2, j4 = derivatives
    table = np.stack([j0, 0.5 * (j0 + j2), (3.0 * j0 + 4.0 * j2 + j4) / 24.0])
    table = np.ascontiguousarray(table.transpose(0, 2, 1))
    table.setflags(write=False)
    return table


@njit(cache=True, fastmath={"contract"})
def _taylor_sum(coefficients, real, imag):
    # Real polynomial at a complex point: b_k = a_k + 2 Re(z) b_{k+1} - |z|^2 b_{k+2}.
    twice = 2.0 * real
    square = real * real + imag * imag
    last = 0.0
    this = coefficients[TERMS - 1]
    for k in range(TERMS - 2, 0, -1):
        last, this = this, coefficients[k] + twice * this - square * last
    return complex(coefficients[0] + real * this - square * last, imag * this)


@njit(cache=True, fastmath={"contract"})
def _hankel_pair(x):
    # J0(x) and J1(x), Re x > 20: sqrt(2/(pi x)) (P cos(chi) - Q sin(chi)); nine terms of P
    # and Q each leave less than 1e-16 at 48.
    inverse = 1.0 / x
    inverse_square = inverse * inverse
    phase = complex(math.cos(x.real - _QUARTER_PI), math.sin(x.real - _QUARTER_PI))
    growth = math.exp(-x.imag)
    plus = phase * growth
    minus = phase.conjugate() / growth
    cosine = 0.5 * (plus + minus)
    sine = -0.5j * (plus - minus)
    amplitude = np.sqrt(2.0 / math.pi * inverse)
    p0 = 1.0 + 0j
    q0 = -0.125 * inverse
    p1 = 1.0 + 0j
    q1 = 0.375 * inverse
    term0 = q0
    term1 = q1
    for m in range(2, 18):
        odd = (2.0 * m - 1.0) ** 2
        factor = inverse / (8.0 * m)
        term0 = term0 * factor * (-odd)
        term1 = term1 * factor * (4.0 - odd)
        quarter = m % 4
        if quarter == 0:
            p0 += term0
            p1 += term1
        elif quarter == 1:
            q0 += term0
            q1 += term1
        elif quarter == 2:
            p0 -= term0
            p1 -= term1
        else:
            q0 -= term0
            q1 -= term1
        if abs(term0.real) + abs(term0.imag) < 1e-18:
            break
    j0 = amplitude * (p0 * cosine - q0 * sine)
    # chi_1 = chi_0 - pi/2: cos -> sin, sin -> -cos
    j1 = amplitude * (p1 * sine + q1 * cosine)
    return j0, j1, inverse, inverse_square


@njit(cache=True, fastmath={"contract"})
def bessel_near_axis(x, taylor):
    """J0(x), J1(x)/x and J2(x)/x^2 of one complex number close to the real axis.

    Parameters
    ----------
    x : complex
        Argument, Re x >= 0, |Im x| <= 1.6.
    taylor : ndarray of float64, shape (3, WHOLE_NUMBERS, TERMS)
        From :func:`taylor_coefficients`.

    Returns
    -------
    tuple of three complex
    """
    nearest = int(x.real + 0.5)
    if nearest < WHOLE_NUMBERS:
        real = x.real - nearest
        imag = x.imag
        return (
            _taylor_sum(taylor[0, nearest], real, imag),
            _taylor_sum(taylor[1, nearest], real, imag),
            _taylor_sum(taylor[2, nearest], real, imag),
        )
    j0, j1, inverse, inverse_square = _hankel_pair(x)
    j1_over_x = j1 * inverse
    return j0, j1_over_x, (2.0 * j1_over_x - j0) * inverse_square


@njit(cache=True, fastmath={"contract"})
def bessel_matrices(rho, kr, taylor, j0, j1_over_x, j2_over_x2):
    """Fill the matrices J0(x), J1(x)/x and, if it has rows, J2(x)/x^2 at x = rho_i kr_q.

    Parameters
    ----------
    rho : ndarray of float64, shape (R,)
        Distances, >= 0. [m]
    kr : ndarray of complex128, shape (Q,)
        Wavenumbers with |Im kr| rho <= 1.6. [rad/m]
    taylor : ndarray of float64, shape (3, WHOLE_NUMBERS, TERMS)
    j0, j1_over_x : ndarray of complex128, shape (R, Q), written
    j2_over_x2 : ndarray of complex128, shape (R, Q) or (0, 0), written
    """
    third = j2_over_x2.shape[0] > 0
    for i in range(rho.shape[0]):
        for q in range(kr.shape[0]):
            x = rho[i] * kr[q]
            nearest = int(x.real + 0.5)
            if nearest < WHOLE_NUMBERS:
                real = x.real - nearest
                j0[i, q] = _taylor_sum(taylor[0, nearest], real, x.imag)
                j1_over_x[i, q] = _taylor_sum(taylor[1, nearest], real, x.imag)
                if third:
                    j2_over_x2[i, q] = _taylor_sum(taylor[2, nearest], real, x.imag)
            else:
                zero, one, inverse, inverse_square = _hankel_pair(x)
                one *= inverse
                j0[i, q] = zero
                j1_over_x[i, q] = one
                if third:
                    j2_over_x2[i, q] = (2.0 * one - zero) * inverse_square
