"""Closed forms of charges and waves beside dielectrics, for the tests.

Line charges are per metre and at rest (quasi-static), the field of a line q in air being
q/(2 pi eps0 r). Permittivities are relative and may be complex, ec = er - j sigma/(w eps0); the
formulas are analytic in them. Sources: W. R. Smythe, Static and Dynamic Electricity, and Landau and
Lifshitz, Electrodynamics of Continuous Media, image charges of a cylinder and a half-space (from
memory); every one is checked against its boundary conditions in test_voxel_reference.py.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import epsilon_0, mu_0
from scipy.constants import c as light

ETA0 = float(np.sqrt(mu_0 / epsilon_0))


def image_factor(permittivity: complex) -> complex:
    """(1 - e)/(1 + e): image of a line charge (or point charge) in a half-space or a rod."""
    return (1 - permittivity) / (1 + permittivity)


def half_space_field(charge: complex, height: float, permittivity: complex, points: ArrayLike
) -> NDArray[np.complex128]:
    """E of a line charge at (0, height) over a dielectric z < 0, at points (..., 2). [V/m]

    Outside: charge and its image (1 - e)/(1 + e) at -height. Inside: 2/(1 + e) times the field of
    the charge in air. Returns (..., 2), components y and z.
    """
    points = np.asarray(points, float)
    above = _line_field(charge, (0.0, height), points) + _line_field(
        charge * image_factor(permittivity), (0.0, -height), points
    )
    below = _line_field(charge * 2 / (1 + permittivity), (0.0, height), points)
    return np.where(points[..., 1:] > 0, above, below)


def half_space_force(charge: complex, height: float, permittivity: complex) -> complex:
    """Force per metre on a line charge, away from the dielectric where positive. [N/m]"""
    image = charge * image_factor(permittivity)
    return charge * image / (2 * np.pi * epsilon_0 * 2 * height)


def half_space_added_elastance(height: float, spacing: float, permittivity: complex) -> complex:
    """What the dielectric adds to the voltage between two lines +q and -q, over q. [m/F]

    Both at `height` over the flat face, `spacing` apart between axes. Capacitance per metre is the
    inverse of this plus ln(spacing/a)/(pi eps0). Negative: the dielectric raises the capacitance.
    """
    image = image_factor(permittivity)
    # Image of a line seen from itself, less seen from the other; both lines alike.
    per_line = np.log(np.hypot(2 * height, spacing) / (2 * height)) / (2 * np.pi * epsilon_0)
    return 2 * image * per_line


def half_space_loss(
    charge: complex, height: float, spacing: float, permittivity: complex, *, frequency: float
) -> float:
    """Power lost per metre in the half-space under lines +q and -q, charge RMS. [W/m]

    P = Re(V (jw q)*) with V = `half_space_added_elastance` q, hence w |q|^2 Im(V/q).
    """
    elastance = half_space_added_elastance(height, spacing, permittivity)
    return float(2 * np.pi * frequency * abs(charge) ** 2 * np.imag(elastance))


def rod_field(
    charge: complex, distance: float, radius: float, permittivity: complex, points: ArrayLike
) -> NDArray[np.complex128]:
    """E of a line charge at (distance, 0) beside a rod about the origin, points (..., 2). [V/m]

    Outside: the charge, its image (1 - e)/(1 + e) at radius^2/distance and the opposite of that on
    the axis. Inside: 2/(1 + e) times the field of the charge in air.
    """
    points = np.asarray(points, float)
    image = charge * image_factor(permittivity)
    outside = (
        _line_field(charge, (distance, 0.0), points)
        + _line_field(image, (radius**2 / distance, 0.0), points)
        - _line_field(image, (0.0, 0.0), points)
    )
    inside = _line_field(charge * 2 / (1 + permittivity), (distance, 0.0), points)
    return np.where((points**2).sum(axis=-1, keepdims=True) > radius**2, outside, inside)


def rod_added_elastance(distance: float, radius: float, permittivity: complex) -> complex:
    """What the rod adds to the potential of a line charge at its own place, over q. [m/F]

    The images sum to zero, so that no second line is needed:
    (1 - e)/(1 + e) ln(d^2/(d^2 - R^2))/(2 pi eps0).
    """
    gain = np.log(distance**2 / (distance**2 - radius**2)) / (2 * np.pi * epsilon_0)
    return image_factor(permittivity) * gain


def rod_force(charge: complex, distance: float, radius: float, permittivity: complex) -> complex:
    """Force per metre on a line charge, away from the rod's axis where positive. [N/m]"""
    image = charge * image_factor(permittivity)
    lever = 1 / (distance - radius**2 / distance) - 1 / distance
    return charge * image / (2 * np.pi * epsilon_0) * lever


def rod_loss(
    charge: complex, distance: float, radius: float, permittivity: complex, *, frequency: float
) -> float:
    """Power lost per metre in the rod, charge RMS. [W/m]

    w eps0 (-Im e) |2/(1 + e)|^2 times the integral of |E|^2 of the line in air over the section,
    |q/(2 pi eps0)|^2 pi ln(d^2/(d^2 - R^2)).
    """
    share = abs(2 / (1 + permittivity)) ** 2
    area = np.pi * np.log(distance**2 / (distance**2 - radius**2))
    strength = abs(charge / (2 * np.pi * epsilon_0)) ** 2
    omega = 2 * np.pi * frequency
    return float(omega * epsilon_0 * -np.imag(permittivity) * share * strength * area)


def slab_coefficients(
    permittivity: complex, thickness: float, frequency: float
) -> tuple[complex, complex]:
    """Reflection at the front face and transmission to the back face, normal incidence.

    Transmission is E just behind over E just in front of the incident wave. Textbook sum of the
    bounces: r (1 - q^2)/(1 - r^2 q^2), (1 - r^2) q/(1 - r^2 q^2).
    """
    index = np.sqrt(complex(permittivity))
    index = index if index.imag <= 0 else -index
    r = (1 - index) / (1 + index)
    q = np.exp(-1j * 2 * np.pi * frequency / light * index * thickness)
    denominator = 1 - r**2 * q**2
    return complex(r * (1 - q**2) / denominator), complex((1 - r**2) * q / denominator)


def sheet_coefficients(sheet_impedance: complex) -> tuple[complex, complex]:
    """Reflection and transmission of an infinitely thin sheet [ohm per square], normal incidence.

    The sheet shunts a line of the impedance of free space: R = -eta/(2 Zs + eta), T = 1 + R.
    """
    reflection = -ETA0 / (2 * sheet_impedance + ETA0)
    return reflection, 1 + reflection


def thin_slab_sheet_impedance(permittivity: complex, thickness: float, frequency: float) -> complex:
    """Sheet impedance of a thin board for the field in its plane, 1/(jw eps0 (e - 1) t). [ohm]"""
    return 1 / (2j * np.pi * frequency * epsilon_0 * (permittivity - 1) * thickness)


def _line_field(
    charge: complex, place: tuple[float, float], points: NDArray[np.float64]
) -> NDArray[np.complex128]:
    offset = points - np.asarray(place)
    return charge / (2 * np.pi * epsilon_0) * offset / (offset**2).sum(axis=-1, keepdims=True)
