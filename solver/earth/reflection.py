"""Reflection of plane waves at the earth's surface, free of cancellation.

Everything the rest of this package knows about the ground is one function of the
horizontal wavenumber: :func:`reflect` returns the vertical wavenumber in air, the two
reflection coefficients and their scaled difference. Another kind of ground (layers, say)
needs another such function and nothing else.

Time dependence exp(+jwt); the square roots lie on the sheet with Im kz <= 0.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import constants

__all__ = [
    "Reflection",
    "free_space_wavenumber",
    "fresnel_coefficients",
    "reflect",
    "vertical_wavenumber",
]


class Reflection(NamedTuple):
    """What a plane wave of horizontal wavenumber kr finds at the earth's surface."""

    #: vertical wavenumber in air, Im <= 0 [rad/m]
    kz: NDArray[np.complex128]
    #: TE reflection coefficient G_h (of the transverse electric field)
    te: NDArray[np.complex128]
    #: TM reflection coefficient G_e (of the transverse electric field)
    tm: NDArray[np.complex128]
    #: D = (G_h - G_e)/kr^2, finite at kr = 0 [m^2]
    difference: NDArray[np.complex128]


def free_space_wavenumber(frequency: float) -> float:
    """Wavenumber of air, 2 pi f/c.

    Parameters
    ----------
    frequency : float
        Frequency, > 0. [Hz]

    Returns
    -------
    float
        Wavenumber. [rad/m]
    """
    return 2.0 * np.pi * frequency / constants.c


def vertical_wavenumber(kr: ArrayLike, wavenumber: complex) -> NDArray[np.complex128]:
    """Vertical wavenumber sqrt(k^2 - kr^2) on the sheet Im kz <= 0.

    Parameters
    ----------
    kr : array_like of complex, shape (...)
        Horizontal wavenumber, in the closed first quadrant (Re >= 0, Im >= 0). [rad/m]
    wavenumber : complex
        Wavenumber of the medium, Im <= 0. [rad/m]

    Returns
    -------
    ndarray of complex128, shape (...)
        Vertical wavenumber, Re >= 0 and Im <= 0. [rad/m]

    Notes
    -----
    Written as -j sqrt((kr - k)(kr + k)) with the principal root: for kr in the first
    quadrant the radicand lies in the closed upper half plane, so the cut is met only on its
    edge, and the real axis beyond k gives the decaying wave. The factored form keeps its digits
    near kr = k.
    """
    kr = np.asarray(kr, dtype=np.complex128)
    kz = -1j * np.sqrt((kr - wavenumber) * (kr + wavenumber))
    # on the imaginary axis of kr rounding decides the side of the cut: put it right
    return np.where(kz.real < kz.imag, -kz, kz)


def reflect(kr: ArrayLike, wavenumber: complex, complex_permittivity: complex) -> Reflection:
    r"""Reflection quantities of a homogeneous earth, seen from the air.

    Parameters
    ----------
    kr : array_like of complex, shape (...)
        Horizontal wavenumber, closed first quadrant. [rad/m]
    wavenumber : complex
        Wavenumber of air, Re > 0, Im <= 0. [rad/m]
    complex_permittivity : complex
        Complex permittivity of the earth relative to the air, er - j sigma/(w eps0), Im <= 0.

    Returns
    -------
    Reflection
        kz, G_h, G_e and D = (G_h - G_e)/kr^2, each of the shape of `kr`.

    Notes
    -----
    With kz1 the vertical wavenumber in the earth and ec its relative permittivity,

    .. math::

        G_h = (1 - e_c) k^2 / (k_z + k_{z1})^2, \quad
        G_e = \frac{k_{z1} - e_c k_z}{k_{z1} + e_c k_z}, \quad
        D = \frac{2 (1 - e_c)}{(k_z + k_{z1})(e_c k_z + k_{z1})}

    None of them subtracts nearly equal numbers for small kr or large kr, except G_e where
    it passes through its own zero (the Brewster angle) and for a ground that hardly differs
    from air.

    References
    ----------
    .. [1] K. A. Michalski and D. Zheng, IEEE Trans. Antennas Propag. 38, 1990 (formulation
       C; from memory). The cancellation-free forms are computed from the definitions.
    """
    kr = np.asarray(kr, dtype=np.complex128)
    ec = complex(complex_permittivity)
    kz = vertical_wavenumber(kr, wavenumber)
    kz1 = vertical_wavenumber(kr, wavenumber * np.sqrt(ec))
    total = kz + kz1
    below = kz1 + ec * kz
    # k^2 - k1^2 = (1 - ec) k^2
    te = (1.0 - ec) * wavenumber**2 / total**2
    tm = (kz1 - ec * kz) / below
    return Reflection(kz, te, tm, 2.0 * (1.0 - ec) / (total * below))


def fresnel_coefficients(
    elevation: ArrayLike, complex_permittivity: complex
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Reflection coefficients of the far field, R_v and R_h.

    Parameters
    ----------
    elevation : array_like, shape (...)
        Angle above the horizon, 0 to pi/2. [rad]
    complex_permittivity : complex
        Relative complex permittivity of the earth, Im <= 0.

    Returns
    -------
    vertical, horizontal : ndarray of complex128, shape (...)
        R_v = -G_TM and R_h = G_TE at kr = k cos(elevation). A perfect ground would give
        +1 and -1.

    Notes
    -----
    They do not depend on the frequency other than through the permittivity. With
    s = sin(elevation) and q = sqrt(ec - cos^2), R_v = (ec s - q)/(ec s + q) and
    R_h = (s - q)/(s + q).
    """
    elevation = np.asarray(elevation, dtype=np.float64)
    ec = complex(complex_permittivity)
    if ec == 1.0:  # an earth of air reflects nothing, at the horizon too
        nothing = np.zeros(elevation.shape, dtype=np.complex128)
        return nothing, nothing.copy()
    sine = np.sin(elevation)
    # ec - cos^2 = (ec - 1) + sin^2: no digits lost for a ground close to air
    root = np.asarray(np.sqrt((ec - 1.0) + sine**2 + 0j), dtype=np.complex128)
    horizontal = (1.0 - ec) / (sine + root) ** 2
    vertical = (ec * sine - root) / (ec * sine + root)
    return vertical, horizontal
