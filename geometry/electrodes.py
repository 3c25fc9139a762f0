"""Electrodes: where a wire is led to the earth, and what that costs in ohms."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import Any

from scipy.constants import c, epsilon_0

from .errors import GeometryError
from .lengths import LengthLike, metres

__all__ = ["Electrode"]

LONGEST_ROD = 0.3
"""In units of 1/|k1|, k1 the wavenumber of the earth: longer rods are not at one potential."""

_THICKEST_ROD = 0.1
"""Greatest radius, in lengths."""


@dataclass(frozen=True, init=False, repr=False)
class Electrode:
    r"""A ground rod, or any electrode of known impedance, flush with the earth's surface.

    Parameters
    ----------
    length : float or length, optional
        Of a rod driven straight down; this or `impedance`. [m]
    radius : float or length
        Of the rod. [m]
    impedance : complex, optional
        Measured or guessed impedance to distant earth, the same at all frequencies. [ohm]

    Raises
    ------
    GeometryError
        If neither or both of length and impedance are given, the rod is not thin (a tenth of its
        length), or the impedance is zero or has a negative resistance.

    Notes
    -----
    A rod has

    .. math::

        Z_e = \frac{\ln(4 l/a) - 1}{2 \pi y l}, \qquad
        y = \sigma + j \omega \epsilon_0 (\epsilon_r + 1),

    with y the admittivity that a contact on the surface sees. It holds while the whole rod is at
    one potential, for rods shorter than 0.3/\|k1\|.

    References
    ----------
    .. [1] E. D. Sunde, "Earth Conduction Effects in Transmission Systems", 1949, resistance of
       a vertical rod (from memory).

    Examples
    --------
    >>> Electrode("0.5 m", radius="8 mm")
    Electrode(rod of 0.5 m, radius 8 mm)
    >>> Electrode(impedance=40.0)
    Electrode(40 ohm)
    """

    length: float | None
    radius: float
    impedance: complex | None

    def __init__(
        self,
        length: LengthLike | None = None,
        radius: LengthLike = 7e-3,
        *,
        impedance: complex | None = None,
    ) -> None:
        if (length is None) == (impedance is None):
            raise GeometryError(
                "An electrode needs the length of its rod or its impedance, one of them; "
                f"{'neither is' if length is None else 'both are'} given."
            )
        thick = metres(radius)
        rod = None if length is None else metres(length)
        if not (math.isfinite(thick) and thick > 0.0):
            raise GeometryError(f"Electrode: radius {thick:g} m; it must be above 0.")
        if rod is not None and not (math.isfinite(rod) and rod * _THICKEST_ROD >= thick):
            raise GeometryError(
                f"Electrode: a rod of {rod:g} m with radius {thick:g} m is not thin; it must be "
                f"at least ten radii long, {thick / _THICKEST_ROD:g} m. Give the impedance of "
                "another shape, Electrode(impedance=...)."
            )
        put = object.__setattr__
        put(self, "length", rod)
        put(self, "radius", thick)
        put(self, "impedance", None if impedance is None else _read_impedance(impedance))

    def impedance_at(self, frequency: float, complex_permittivity: complex) -> complex:
        """Impedance to distant earth. [ohm]

        Parameters
        ----------
        frequency : float
            [Hz]
        complex_permittivity : complex
            Of the earth, relative, er - j sigma/(w eps0).

        Raises
        ------
        GeometryError
            If the rod is longer than 0.3/|k1|.
        """
        if self.impedance is not None:
            return self.impedance
        length = self.length or 0.0  # one of the two is always there
        wavenumber = 2.0 * math.pi * frequency / c * abs(cmath.sqrt(complex_permittivity))
        if length * wavenumber > LONGEST_ROD:
            raise GeometryError(
                f"Electrode: a rod of {length:.4g} m at {frequency / 1e6:.6g} MHz is longer "
                f"than 0.3/|k1| = {LONGEST_ROD / wavenumber:.3g} m in this earth, so it is not at "
                "one potential and the formula for its impedance does not hold. Give its impedance "
                "instead, Electrode(impedance=...), or stay at lower frequencies."
            )
        shape = math.log(4.0 * length / self.radius) - 1.0
        admittivity = surface_admittivity(frequency, complex_permittivity)
        return shape / (2.0 * math.pi * admittivity * length)

    def scaled(self, factor: float) -> Electrode:
        """A rod with length and radius times `factor` > 0; a given impedance stays."""
        if self.length is None:
            return self
        return Electrode(self.length * factor, self.radius * factor)

    def __repr__(self) -> str:
        if self.impedance is not None:
            z = self.impedance
            return f"Electrode({z.real:g} ohm)" if z.imag == 0.0 else f"Electrode({z:g} ohm)"
        return f"Electrode(rod of {self.length:g} m, radius {self.radius * 1e3:g} mm)"


def surface_admittivity(frequency: float, complex_permittivity: complex) -> complex:
    """y = jw eps0 (ec + 1) = sigma + jw eps0 (er + 1), seen by a contact on the surface. [S/m]"""
    return 2j * math.pi * frequency * epsilon_0 * (1.0 + complex(complex_permittivity))


def _read_impedance(value: Any) -> complex:
    try:
        number = complex(value)
    except (TypeError, ValueError):
        number = complex(math.nan)
    if isinstance(value, str | bool) or not cmath.isfinite(number):
        raise GeometryError(f"Electrode: impedance {value!r}; give a finite number of ohms.")
    if number.real < 0.0 or number == 0.0:
        raise GeometryError(
            f"Electrode: impedance {number:g} ohm; its resistance must not be negative, and a "
            "contact without any impedance needs Earth.perfect()."
        )
    return number
