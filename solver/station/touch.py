r"""A person who touches a conductor: the current through them.

The conductor is a source with an open-circuit voltage V and an inner impedance Z. The person is a
resistance in series with the capacitance of the body to earth, or with nothing where they stand
barefoot on it:

    I = V/(Z + R + 1/(jw C))

500 ohm and 100 to 200 pF are common practice. Source and body may resonate, so the greatest
current over the range of capacitances need not be at either end of it: |I| is greatest where the
reactance is least, and that is monotonic in C.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ..errors import LimitsError
from .limits import contact_current_limit, require

BODY_RESISTANCE = 500.0
"""Common practice. [ohm]"""

BODY_CAPACITANCES = (100e-12, 200e-12)
"""A person in shoes on a floor (common practice). [F]"""


@dataclass(frozen=True)
class Touch:
    """Currents of a touched conductor, RMS; of the shape of what was given.

    Attributes
    ----------
    frequency : float or ndarray
        [Hz]
    open_voltage : complex or ndarray
        Before it is touched. [V]
    current : float or ndarray
        Greatest through a person in the range of capacitances. [A]
    capacitance : float or ndarray
        At which it flows. [F]
    barefoot_current : float or ndarray
        Through a person who stands on the earth: the resistance alone. [A]
    short_circuit_current : float or ndarray
        Into a short to the earth; inf from a source without impedance. [A]
    """

    frequency: Any
    open_voltage: Any
    current: Any
    capacitance: Any
    barefoot_current: Any
    short_circuit_current: Any

    def fraction_of_limit(self, name: str = "ICNIRP 2010 general") -> Any:
        """Current through the person in shoes over a contact-current limit of the catalogue.

        Raises
        ------
        LimitsError
            If the limit does not cover the frequency.
        """
        return self.current / contact_current_limit(name, self.frequency)

    def barefoot_fraction_of_limit(self, name: str = "ICNIRP 2010 general") -> Any:
        """The same for the person who stands on the earth."""
        return self.barefoot_current / contact_current_limit(name, self.frequency)


def body_impedance(
    frequency: ArrayLike, *, capacitance: ArrayLike, resistance: float = BODY_RESISTANCE
) -> Any:
    """Impedance of a person to earth: R + 1/(jw C), broadcast. [ohm]"""
    omega = 2.0 * np.pi * require(frequency, what="frequency", unit="Hz", above_zero=True)
    farads = require(capacitance, what="body capacitance", unit="F", above_zero=True)
    ohms = float(require(resistance, what="body resistance", unit="ohm", above_zero=True))
    return ohms - 1j / (omega * farads)


def touch(
    open_voltage: ArrayLike,
    impedance: ArrayLike,
    frequency: ArrayLike,
    *,
    capacitances: tuple[float, float] = BODY_CAPACITANCES,
    resistance: float = BODY_RESISTANCE,
) -> Touch:
    """Currents when a conductor is touched; all arrays broadcast.

    Parameters
    ----------
    open_voltage : array_like of complex
        Of the conductor against earth before it is touched, RMS. [V]
    impedance : array_like of complex
        Of the conductor against earth, seen from the hand. [ohm]
    frequency : array_like
        [Hz]
    capacitances : pair of float
        Least and greatest capacitance of the body. [F]
    resistance : float
        Of the body. [ohm]

    Raises
    ------
    LimitsError
        If a value is none, the resistance of the source is negative, or the capacitances are
        not in order.
    """
    volts: Any = np.asarray(open_voltage)
    source: Any = np.asarray(impedance)
    for value, what in ((volts, "open-circuit voltage"), (source, "source impedance")):
        if value.dtype.kind not in "iufc" or not np.all(np.isfinite(value)):
            raise LimitsError(f"{what} is {value!r}; finite numbers are needed.")
    if np.any(source.real < 0.0):
        raise LimitsError(
            f"source impedance is {complex(source[source.real < 0.0].flat[0]):.4g} ohm; a passive "
            "conductor has no negative resistance."
        )
    f = require(frequency, what="frequency", unit="Hz", above_zero=True)
    least, greatest = (
        float(require(c, what="body capacitance", unit="F", above_zero=True)) for c in capacitances
    )
    if least > greatest:
        raise LimitsError(
            f"body capacitances are {least:g} and {greatest:g} F; give the smaller one first."
        )
    ohms = float(require(resistance, what="body resistance", unit="ohm", above_zero=True))
    volts, source, f = np.broadcast_arrays(volts, source, f)
    omega = 2.0 * np.pi * f
    # X = 1/(w C) tunes the source out.
    with np.errstate(divide="ignore"):
        tuning = 1.0 / (omega * np.where(source.imag > 0.0, source.imag, 0.0))
    best = np.clip(tuning, least, greatest)
    size = np.abs(volts)
    body = body_impedance(f, capacitance=best, resistance=ohms)
    with np.errstate(divide="ignore", invalid="ignore"):
        shorted = np.where(size == 0.0, 0.0, size / np.abs(source))
    return Touch(
        f[()],
        volts[()],
        (size / np.abs(source + body))[()],
        best[()],
        (size / np.abs(source + ohms))[()],
        shorted[()],
    )
