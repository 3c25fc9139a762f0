"""Reflection of plane waves at the earth's surface, free of cancellation.

Everything the rest of this package knows about the ground is one function of the
horizontal wavenumber: :func:`reflect` returns the vertical wavenumber in air, the two
reflection coefficients and their scaled difference, for a half-space or any number of layers.

Time dependence exp(+jwt); the square roots lie on the sheet with Im kz <= 0.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import constants

from ...materials.ground import Ground
from ..errors import SolverError

__all__ = [
    "Reflection",
    "free_space_wavenumber",
    "fresnel_coefficients",
    "input_admittances",
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


def reflect(kr: ArrayLike, wavenumber: complex, ground: complex | Ground) -> Reflection:
    r"""Reflection quantities of the earth, seen from the air.

    Parameters
    ----------
    kr : array_like of complex, shape (...)
        Horizontal wavenumber, closed first quadrant. [rad/m]
    wavenumber : complex
        Wavenumber of air, Re > 0, Im <= 0. [rad/m]
    ground : complex or Ground
        Permittivities of the earth relative to the air, er - j sigma/(w eps0), Im <= 0; a number
        for a homogeneous one.

    Returns
    -------
    Reflection
        kz, G_h, G_e and D = (G_h - G_e)/kr^2, each of the shape of `kr`.

    Notes
    -----
    With kz1 the vertical wavenumber in a homogeneous earth and ec its relative permittivity,

    .. math::

        G_h = (1 - e_c) k^2 / (k_z + k_{z1})^2, \quad
        G_e = \frac{k_{z1} - e_c k_z}{k_{z1} + e_c k_z}, \quad
        D = \frac{2 (1 - e_c)}{(k_z + k_{z1})(e_c k_z + k_{z1})}

    None of them subtracts nearly equal numbers for small kr or large kr, except G_e where
    it passes through its own zero (the Brewster angle) and for a ground that hardly differs
    from air. Layers: see :func:`_reflect_layers`.

    References
    ----------
    .. [1] K. A. Michalski and D. Zheng, IEEE Trans. Antennas Propag. 38, 1990 (formulation
       C; from memory). The cancellation-free forms are computed from the definitions.
    """
    kr = np.asarray(kr, dtype=np.complex128)
    ground = Ground.of(ground)
    kz = vertical_wavenumber(kr, wavenumber)
    if ground.is_layered:
        below = [
            kz if np.isinf(e) else vertical_wavenumber(kr, wavenumber * np.sqrt(complex(e)))
            for e in ground.permittivities
        ]
        return _reflect_layers([kz, *below], wavenumber, ground)
    ec = complex(ground.bottom)
    kz1 = vertical_wavenumber(kr, wavenumber * np.sqrt(ec))
    total = kz + kz1
    below = kz1 + ec * kz
    # k^2 - k1^2 = (1 - ec) k^2
    te = (1.0 - ec) * wavenumber**2 / total**2
    tm = (kz1 - ec * kz) / below
    return Reflection(kz, te, tm, 2.0 * (1.0 - ec) / (total * below))


def _reflect_layers(
    kz: list[NDArray[np.complex128]], wavenumber: complex, ground: Ground
) -> Reflection:
    r"""Reflection quantities of layers, from the vertical wavenumbers of air and all media.

    Notes
    -----
    At the face between media i and i+1 (0 the air), with a = kz_i, b = kz_{i+1},

    .. math::

        r_h = \frac{(e_i - e_{i+1}) k^2}{(a + b)^2}, \quad
        r_e = \frac{e_i b - e_{i+1} a}{e_i b + e_{i+1} a}, \quad
        \frac{r_h - r_e}{k_r^2} = \frac{2 (e_i - e_{i+1})}{(a + b)(e_i b + e_{i+1} a)}, \quad
        1 - r_h r_e = \frac{2 (e_i b^2 + e_{i+1} a^2)}{(a + b)(e_i b + e_{i+1} a)}

    and from the lowest face up, with q = exp(-2j b d) of the layer below the face,

    .. math::

        G_i = \frac{r + q G_{i+1}}{1 + r q G_{i+1}}, \quad
        D_i = \frac{(1 - q^2 G^h_{i+1} G^e_{i+1}) (r_h - r_e)/k_r^2 + q D_{i+1} (1 - r_h r_e)}
                   {(1 + r_h q G^h_{i+1})(1 + r_e q G^e_{i+1})}

    so D never divides a difference by kr^2. The formulas for D are computed from the definitions.
    """
    permittivities = (1.0 + 0j, *ground.permittivities)
    last = len(permittivities) - 2  # face above the lowest half-space
    te = tm = difference = np.zeros_like(kz[0])
    for face in range(last, -1, -1):
        if face == last and ground.has_perfect_bottom:
            te, tm = -np.ones_like(kz[0]), -np.ones_like(kz[0])
            continue
        upper, lower = permittivities[face], permittivities[face + 1]
        a, b = kz[face], kz[face + 1]
        delay = 0.0 if face == last else np.exp(-2j * b * ground.thicknesses[face])
        te, tm = te * delay, tm * delay
        if upper == lower:  # no face at all, at grazing incidence too
            difference = difference * delay
            continue
        total, mixed = a + b, upper * b + lower * a
        own_te = (upper - lower) * wavenumber**2 / total**2
        own_tm = (upper * b - lower * a) / mixed
        own_difference = 2.0 * (upper - lower) / (total * mixed)
        through = 2.0 * (upper * b**2 + lower * a**2) / (total * mixed)  # 1 - r_h r_e
        bounce_te, bounce_tm = 1.0 + own_te * te, 1.0 + own_tm * tm
        difference = (1.0 - te * tm) * own_difference + delay * difference * through
        difference = difference / (bounce_te * bounce_tm)
        te, tm = (own_te + te) / bounce_te, (own_tm + tm) / bounce_tm
    return Reflection(kz[0], te, tm, difference)


def input_admittances(
    kr: ArrayLike, wavenumber: complex, ground: Ground
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    r"""Admittances of the transmission lines that stand for the ground, at its surface.

    Parameters
    ----------
    kr, wavenumber
        As for :func:`reflect`.
    ground : Ground
        Layered or not, not perfect.

    Returns
    -------
    te, tm : ndarray of complex128, shape of `kr`
        w mu0 Y_h [rad/m] and Y_e/(w eps0) [m/rad]: kz1 and ec/kz1 for a half-space.

    Notes
    -----
    By the line equation Y_i = y (Y_{i+1} + j y tan x)/(y + j Y_{i+1} tan x), x = kz_i d_i, from
    the bottom up. Another way than the reflection coefficients of :func:`reflect`, so that powers
    computed from these check fields computed from those.
    """
    kr = np.asarray(kr, dtype=np.complex128)
    last = len(ground.thicknesses)
    te = tm = np.full(kr.shape, np.inf + 0j)
    for layer in range(last, -1, -1):
        ec = ground.permittivities[layer]
        if np.isinf(ec):
            continue
        kz = vertical_wavenumber(kr, wavenumber * np.sqrt(complex(ec)))
        if layer == last:
            te, tm = kz, ec / kz
            continue
        # j tan x = (1 - q)/(1 + q), with q = exp(-2jx) as 1 - q = 2 t, 1 + q = 2 (1 - t)
        t = -0.5 * np.expm1(-2j * kz * ground.thicknesses[layer])
        if layer == last - 1 and ground.has_perfect_bottom:
            te, tm = kz * (1.0 - t) / t, (ec / kz) * (1.0 - t) / t
            continue
        te = kz * (te * (1.0 - t) + kz * t) / (kz * (1.0 - t) + te * t)
        own = ec / kz
        tm = own * (tm * (1.0 - t) + own * t) / (own * (1.0 - t) + tm * t)
    return te, tm


def fresnel_coefficients(
    elevation: ArrayLike, ground: complex | Ground, *, wavenumber: float | None = None
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Reflection coefficients of the far field, R_v and R_h.

    Parameters
    ----------
    elevation : array_like, shape (...)
        Angle above the horizon, 0 to pi/2. [rad]
    ground : complex or Ground
        Relative complex permittivities of the earth, Im <= 0; a number for a homogeneous one.
    wavenumber : float, optional
        Wavenumber of air, which layers need. [rad/m]

    Returns
    -------
    vertical, horizontal : ndarray of complex128, shape (...)
        R_v = -G_TM and R_h = G_TE at kr = k cos(elevation). A perfect ground would give
        +1 and -1.

    Raises
    ------
    SolverError
        If the earth has layers and no wavenumber is given.

    Notes
    -----
    For a half-space they do not depend on the frequency other than through the permittivity.
    With s = sin(elevation) and q = sqrt(ec - cos^2), R_v = (ec s - q)/(ec s + q) and
    R_h = (s - q)/(s + q).
    """
    elevation = np.asarray(elevation, dtype=np.float64)
    ground = Ground.of(ground)
    sine = np.sin(elevation)

    def root(ec: complex) -> NDArray[np.complex128]:
        # ec - cos^2 = (ec - 1) + sin^2: no digits lost for a ground close to air
        return np.asarray(np.sqrt((ec - 1.0) + sine**2 + 0j), dtype=np.complex128)

    if ground.is_layered:
        if wavenumber is None:
            raise SolverError(
                "the reflection of a layered earth depends on the wavelength: pass wavenumber"
            )
        kz = [wavenumber * (sine + 0j)]
        kz += [kz[0] if np.isinf(e) else wavenumber * root(e) for e in ground.permittivities]
        found = _reflect_layers(kz, wavenumber, ground)
        return -found.tm, found.te
    ec = complex(ground.bottom)
    if ec == 1.0:  # an earth of air reflects nothing, at the horizon too
        nothing = np.zeros(elevation.shape, dtype=np.complex128)
        return nothing, nothing.copy()
    horizontal = (1.0 - ec) / (sine + root(ec)) ** 2
    vertical = (ec * sine - root(ec)) / (ec * sine + root(ec))
    return vertical, horizontal
