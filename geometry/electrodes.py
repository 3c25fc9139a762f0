"""Electrodes: where a wire is led to the earth, and what that costs in ohms."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import Any

from scipy.constants import epsilon_0, mu_0

from .errors import GeometryError
from .lengths import LengthLike, metres

__all__ = ["Electrode", "read_electrode"]

USUAL_ROD = "1.5 m"
"""What earthed = true stands for: a rod one is likely to have driven (common practice)."""

_LEAST_RATIO = 8.0
"""4 l/a within the reach of the current is not taken lower, so that the logarithm stays above 1."""

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
    A rod is a line that loses current to the earth all along (from memory; the correction of the
    logarithm is our own). With y the admittivity that a contact on the surface sees,

    .. math::

        y = \sigma + j \omega \epsilon_0 (\epsilon_r + 1), \qquad
        k = \sqrt{j \omega \mu_0 y}, \qquad
        \Lambda = \ln\frac{4 l}{(1 + k l) a} - 1,

        z' = \frac{j \omega \mu_0}{2 \pi} \Lambda, \qquad
        y' = \frac{2 \pi y}{\mathrm{Re}\,\Lambda}, \qquad
        Z_e = \sqrt{z'/y'} \coth(\sqrt{z' y'}\, l).

    A short rod has the handbook's (ln(4 l/a) - 1)/(2 pi y l). In a longer one the current reaches
    no farther than 1/\|k\|, and the argument of 1 + k l is what it radiates into the earth.
    Re z' and Re y' are never negative, hence neither is Re Z_e.

    How far to trust it: against an integral equation for a thin rod of 1.5 m in the same earth,
    its charge mirrored at the surface (tests/test_earth_rods.py), it is within 10 % up to
    \|k l\| = 0.6 and 20 % up to 1 in earth of 5 mS/m and more (average ground: 8 % at 3.6 MHz,
    18 % at 7 MHz). Beyond, and in earth that hardly conducts, only its size and trend are right:
    10 to 54 ohm off from 10 to 30 MHz in average ground. The voltage of a contact then depends on
    the path, and no one impedance says it all; give a measured one where there is one. Where the
    reach of the current is below 2 a the rod is not thin for the earth, and 4 l/a counts as 8.

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
        """
        if self.impedance is not None:
            return self.impedance
        length = self.length or 0.0  # one of the two is always there
        omega = 2.0 * math.pi * frequency
        admittivity = surface_admittivity(frequency, complex_permittivity)
        reach = cmath.sqrt(1j * omega * mu_0 * admittivity) * length  # right half plane
        ratio = 4.0 * length / self.radius / (1.0 + reach)
        logarithm = cmath.log(ratio * max(1.0, _LEAST_RATIO / abs(ratio))) - 1.0
        series = 1j * omega * mu_0 * logarithm / (2.0 * math.pi)
        shunt = 2.0 * math.pi * admittivity / logarithm.real
        # the two square roots apart: each is in the right half plane, as is their quotient
        return (
            cmath.sqrt(series)
            / cmath.sqrt(shunt)
            / cmath.tanh(cmath.sqrt(series) * cmath.sqrt(shunt) * length)
        )

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


def read_electrode(value: Any, what: str) -> Electrode | None:
    """What `earthed=` of a piece of metal means; True is a rod of `USUAL_ROD`.

    Raises
    ------
    GeometryError
        If it is neither an electrode nor True, False or None.
    """
    if value is True:
        return Electrode(USUAL_ROD)
    if value is None or value is False:
        return None
    if not isinstance(value, Electrode):
        raise GeometryError(
            f"{what}: earthed={value!r} is no electrode; give Electrode(length, radius=...), "
            f"Electrode(impedance=...), or True for a rod of {USUAL_ROD}."
        )
    return value


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
