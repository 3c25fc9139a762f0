r"""Impedances of one-ports over frequency: resistors, coils, capacitors, traps, chokes, tables.

Each is told by few numbers and gives its impedance `at` any frequency [ohm]. Time dependence
exp(+jwt): a coil has positive reactance. Losses:

    coil of constant Q        Z = w L (1/Q + j)
    coil of Q at frequency f0 Z = (w0 L/Q) sqrt(f/f0) + j w L        (skin effect; common practice)
    capacitor of constant Q   Z = (1/(w C)) (1/Q - j)

and the self-capacitance of a coil lies in parallel with all of its Z.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import reduce
from typing import overload

import numpy as np
from numpy.typing import NDArray

from .checks import read_quantity, require_frequencies, require_number
from .errors import MaterialError
from .frequency_curves import require_in_range

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

_OHMS = {"ohm": 1.0, "mohm": 1e-3, "kohm": 1e3, "Mohm": 1e6}
_HENRIES = {"H": 1.0, "mH": 1e-3, "uH": 1e-6, "nH": 1e-9}
_FARADS = {"F": 1.0, "uF": 1e-6, "nF": 1e-9, "pF": 1e-12}


def resistance(value: float | str, *, what: str = "resistance") -> float:
    """Ohms from a number or from text as "1.2 kohm", at least 0. [ohm]

    Raises
    ------
    MaterialError
        If it is no resistance.
    """
    return read_quantity(
        value, what=what, units=_OHMS, least=0.0, cure="Give ohms, or text as '1.2 kohm'."
    )


def inductance(value: float | str, *, what: str = "inductance") -> float:
    """Henries from a number or from text as "2.2 uH", at least 0. [H]

    Raises
    ------
    MaterialError
        If it is no inductance.
    """
    return read_quantity(
        value, what=what, units=_HENRIES, least=0.0, cure="Give henries, or text as '2.2 uH'."
    )


def capacitance(value: float | str, *, what: str = "capacitance") -> float:
    """Farads from a number or from text as "47 pF", at least 0. [F]

    Raises
    ------
    MaterialError
        If it is no capacitance.
    """
    return read_quantity(
        value, what=what, units=_FARADS, least=0.0, cure="Give farads, or text as '47 pF'."
    )


def quality(value: float, *, what: str = "Q") -> float:
    """Q, a number above 0; infinite for no loss.

    Raises
    ------
    MaterialError
        If it is not above 0.
    """
    return require_number(
        value,
        what=what,
        unit="",
        above=0.0,
        cure="Coils have 50 to 400, capacitors 500 and more; leave it out for no loss.",
        may_be_infinite=True,
    )


def _in_units(value: float, base: str, units: dict[str, float]) -> str:
    """A value in the unit that leaves the fewest digits before the point, "2.2 uH"."""
    fitting = [(size, name) for name, size in units.items() if size <= value and "M" not in name]
    size, name = max(fitting) if fitting else (units[base], base)
    return f"{value / size:.4g} {name}"


class Impedance(ABC):
    """What two terminals show over frequency. The kinds below are frozen dataclasses."""

    @overload
    def at(self, frequency: float) -> complex: ...
    @overload
    def at(self, frequency: FloatArray) -> ComplexArray: ...
    def at(self, frequency: float | FloatArray) -> complex | ComplexArray:
        """Impedance at one frequency or many.

        Parameters
        ----------
        frequency : float or ndarray, shape (...)
            Frequency, > 0. [Hz]

        Returns
        -------
        complex for a number, ndarray of complex128 of the same shape for an array
            Impedance; its real part is never negative. [ohm]

        Raises
        ------
        MaterialError
            If a frequency is out of range, or the impedance is infinite there (the resonance of
            parts without any loss in parallel).
        """
        frequencies = require_frequencies(frequency, what=f"{self!r}")
        result = self._values(frequencies)
        bad = ~np.isfinite(result)
        if np.any(bad):
            raise MaterialError(
                f"the impedance of {self!r} is infinite at "
                f"{float(np.atleast_1d(frequencies)[np.atleast_1d(bad)][0]) / 1e6:g} MHz: parts "
                "without loss in parallel are in resonance. Give a coil or capacitor its Q."
            )
        return result if result.ndim else complex(result)

    @abstractmethod
    def _values(self, frequencies: FloatArray) -> ComplexArray:
        """Impedance at frequencies [Hz] that have been checked, same shape. [ohm]"""


@dataclass(frozen=True)
class Resistor(Impedance):
    """A resistance, the same at every frequency.

    Parameters
    ----------
    ohms : float or str
        Resistance, at least 0; text as "1.2 kohm". [ohm]

    Raises
    ------
    MaterialError
        If it is no resistance.
    """

    ohms: float | str

    def __post_init__(self) -> None:
        object.__setattr__(self, "ohms", resistance(self.ohms, what="resistance of a resistor"))

    def __str__(self) -> str:
        return _in_units(float(self.ohms), "ohm", _OHMS)

    def _values(self, frequencies: FloatArray) -> ComplexArray:
        return np.full(frequencies.shape, self.ohms, dtype=np.complex128)


@dataclass(frozen=True)
class Coil(Impedance):
    """A coil with loss and self-capacitance; see the module's equations.

    Parameters
    ----------
    henries : float or str
        Inductance, at least 0; text as "2.2 uH". [H]
    q : float
        Reactance over resistance, > 0; infinite for no loss.
    q_frequency : float, optional
        Frequency at which Q is stated, with a resistance that rises as the square root of the
        frequency. None: Q is the same at every frequency. [Hz]
    capacitance : float or str
        Self-capacitance, in parallel; text as "3 pF". [F]

    Raises
    ------
    MaterialError
        If a value is out of range.

    Examples
    --------
    >>> coil = Coil("2.2 uH", q=200)
    >>> f"{coil.at(7.1e6):.3f}"
    '0.491+98.143j'
    """

    henries: float | str
    q: float = field(default=math.inf, kw_only=True)
    q_frequency: float | None = field(default=None, kw_only=True)
    capacitance: float | str = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        object.__setattr__(self, "henries", inductance(self.henries, what="inductance of a coil"))
        object.__setattr__(self, "q", quality(self.q, what="Q of a coil"))
        stray = capacitance(self.capacitance, what="self-capacitance of a coil")
        object.__setattr__(self, "capacitance", stray)
        if self.q_frequency is not None:
            stated = require_number(
                self.q_frequency,
                what="frequency at which Q of a coil is stated",
                unit="Hz",
                above=0.0,
                cure="Give hertz, or leave it out for a Q that is the same everywhere.",
            )
            object.__setattr__(self, "q_frequency", stated)

    def __str__(self) -> str:
        loss = "" if math.isinf(self.q) else f" of Q {self.q:g}"
        return f"coil {_in_units(float(self.henries), 'H', _HENRIES)}{loss}"

    def _values(self, frequencies: FloatArray) -> ComplexArray:
        reactance = 2.0 * np.pi * frequencies * float(self.henries)
        loss = reactance / self.q
        if self.q_frequency is not None:
            loss = loss * np.sqrt(self.q_frequency / frequencies)
        wound = loss + 1j * reactance
        # z/(1 + z y), so that a coil of no inductance is a short whatever lies beside it.
        stray = 2j * np.pi * frequencies * float(self.capacitance)
        return _beside(wound, np.asarray(stray, dtype=np.complex128))


@dataclass(frozen=True)
class Capacitor(Impedance):
    """A capacitor of constant Q.

    Parameters
    ----------
    farads : float or str
        Capacitance, > 0; text as "47 pF". [F]
    q : float
        Reactance over resistance, the same at every frequency, > 0; infinite for no loss.

    Raises
    ------
    MaterialError
        If a value is out of range.
    """

    farads: float | str
    q: float = field(default=math.inf, kw_only=True)

    def __post_init__(self) -> None:
        farads = capacitance(self.farads, what="capacitance of a capacitor")
        require_number(
            farads,
            what="capacitance of a capacitor",
            unit="F",
            above=0.0,
            cure="A capacitor of 0 F is a gap; leave it out.",
        )
        object.__setattr__(self, "farads", farads)
        object.__setattr__(self, "q", quality(self.q, what="Q of a capacitor"))

    def __str__(self) -> str:
        loss = "" if math.isinf(self.q) else f" of Q {self.q:g}"
        return f"capacitor {_in_units(float(self.farads), 'F', _FARADS)}{loss}"

    def _values(self, frequencies: FloatArray) -> ComplexArray:
        reactance = 1.0 / (2.0 * np.pi * frequencies * float(self.farads))
        return np.asarray(reactance * (1.0 / self.q - 1j), dtype=np.complex128)


@dataclass(frozen=True, init=False)
class SeriesParts(Impedance):
    """Impedances one after the other.

    Parameters
    ----------
    *parts : Impedance
        One or more.

    Raises
    ------
    MaterialError
        If there are none, or one is no impedance.
    """

    parts: tuple[Impedance, ...]

    def __init__(self, *parts: Impedance) -> None:
        object.__setattr__(self, "parts", _checked_parts(parts, of="SeriesParts"))

    def __str__(self) -> str:
        return " + ".join(map(str, self.parts))

    def _values(self, frequencies: FloatArray) -> ComplexArray:
        return np.asarray(sum(part._values(frequencies) for part in self.parts))


@dataclass(frozen=True, init=False)
class ParallelParts(Impedance):
    """Impedances side by side.

    Parameters
    ----------
    *parts : Impedance
        One or more.

    Raises
    ------
    MaterialError
        If there are none, or one is no impedance.

    Examples
    --------
    A trap for 7.05 MHz:

    >>> trap = ParallelParts.trap(7.05e6, farads="47 pF", q=150)
    >>> f"{abs(trap.at(7.05e6)):.0f} ohm"
    '72050 ohm'
    """

    parts: tuple[Impedance, ...]

    def __init__(self, *parts: Impedance) -> None:
        object.__setattr__(self, "parts", _checked_parts(parts, of="ParallelParts"))

    @classmethod
    def trap(
        cls,
        resonance: float,
        *,
        farads: float | str,
        q: float,
        capacitor_q: float = math.inf,
    ) -> ParallelParts:
        """Coil and capacitor in parallel, in resonance w^2 L C = 1.

        Parameters
        ----------
        resonance : float
            Frequency of the resonance, > 0. [Hz]
        farads : float or str
            Capacitance, > 0. [F]
        q, capacitor_q : float
            Of the coil (its resistance rising as the square root of the frequency) at the
            resonance, and of the capacitor.

        Raises
        ------
        MaterialError
            If a value is out of range.
        """
        capacitor = Capacitor(farads, q=capacitor_q)
        omega = 2.0 * math.pi * float(require_frequencies(resonance, what="a trap"))
        henries = 1.0 / (omega**2 * float(capacitor.farads))
        return cls(Coil(henries, q=q, q_frequency=resonance), capacitor)

    def __str__(self) -> str:
        return f"({' beside '.join(map(str, self.parts))})"

    def _values(self, frequencies: FloatArray) -> ComplexArray:
        return _all_beside([part._values(frequencies) for part in self.parts])


@dataclass(frozen=True)
class FerriteChoke(Impedance):
    """A choke as resistance, inductance and capacitance in parallel.

    A common fit to measured chokes: it holds near and above the resonance, while well below it the
    loss of real ferrite falls more slowly (common practice). Use an `ImpedanceTable` for more.

    Parameters
    ----------
    resistance : float or str
        The impedance at resonance, > 0; text as "5 kohm". [ohm]
    inductance : float or str
        Inductance, > 0; text as "40 uH". [H]
    capacitance : float or str
        Capacitance between the ends, at least 0; text as "2 pF". [F]

    Raises
    ------
    MaterialError
        If a value is out of range.
    """

    resistance: float | str = field(kw_only=True)
    inductance: float | str = field(kw_only=True)
    capacitance: float | str = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        readers: dict[str, tuple[Callable[..., float], str]] = {
            "resistance": (resistance, "ohm"),
            "inductance": (inductance, "H"),
            "capacitance": (capacitance, "F"),
        }
        for name, (read, unit) in readers.items():
            value = read(getattr(self, name), what=f"{name} of a choke")
            if name != "capacitance":
                require_number(
                    value,
                    what=f"{name} of a choke",
                    unit=unit,
                    above=0.0,
                    cure="With 0 there is no choke; leave it out.",
                )
            object.__setattr__(self, name, value)

    def __str__(self) -> str:
        parts = (
            _in_units(float(self.resistance), "ohm", _OHMS),
            _in_units(float(self.inductance), "H", _HENRIES),
            _in_units(float(self.capacitance), "F", _FARADS),
        )
        return f"choke ({' beside '.join(parts)})"

    def _values(self, frequencies: FloatArray) -> ComplexArray:
        omega = 2.0 * np.pi * frequencies
        admittance = (
            1.0 / float(self.resistance)
            + 1.0 / (1j * omega * float(self.inductance))
            + 1j * omega * float(self.capacitance)
        )
        return np.asarray(1.0 / admittance)


@dataclass(frozen=True, repr=False)
class ImpedanceTable(Impedance):
    """Impedance given at some frequencies; resistance and reactance straight over log f between.

    Parameters
    ----------
    frequencies : sequence of float, shape (N,)
        Two or more, rising, > 0. [Hz]
    impedances : sequence of complex, shape (N,)
        Real parts at least 0. [ohm]

    Raises
    ------
    MaterialError
        If the two do not go together or a value is out of range; and by `at`, outside the table.

    Examples
    --------
    >>> choke = ImpedanceTable([3.5e6, 7e6, 14e6], [900 + 2100j, 2500 + 1200j, 2800 - 900j])
    >>> choke.at(7e6)
    (2500+1200j)
    >>> choke.at(1.8e6)
    Traceback (most recent call last):
    ...
    ridgepole.materials.errors.MaterialError: this impedance table is known from 3.5 to 14 MHz; ...
    """

    frequencies: Sequence[float] | FloatArray
    impedances: Sequence[complex] | ComplexArray

    def __post_init__(self) -> None:
        cure = "Give one impedance in ohms for each frequency in hertz, two or more, rising."
        what = "an impedance table"
        try:
            known = require_frequencies(np.asarray(self.frequencies), what=what)
            values = np.asarray(self.impedances, dtype=np.complex128)
        except (TypeError, ValueError) as error:
            if isinstance(error, MaterialError):
                raise
            raise MaterialError(f"the values of {what} are not numbers: {error}. {cure}") from error
        if known.ndim != 1 or values.shape != known.shape or known.size < 2:
            raise MaterialError(
                f"{what} has frequencies of shape {known.shape} and impedances of shape "
                f"{values.shape}. {cure}"
            )
        falls = np.flatnonzero(np.diff(known) <= 0.0)
        if falls.size:
            raise MaterialError(
                f"frequencies of {what} must rise; {known[falls[0] + 1]:g} Hz follows "
                f"{known[falls[0]]:g} Hz. Sort the rows."
            )
        bad = np.flatnonzero(~np.isfinite(values) | ~(values.real >= 0.0))
        if bad.size:
            raise MaterialError(
                f"{what} has {values[bad[0]]} ohm at {known[bad[0]]:g} Hz; it must be finite and "
                "its resistance at least 0. Correct that row (a reading below 0 is noise)."
            )
        object.__setattr__(self, "frequencies", tuple(known.tolist()))
        object.__setattr__(self, "impedances", tuple(values.tolist()))

    def _values(self, frequencies: FloatArray) -> ComplexArray:
        known = np.asarray(self.frequencies)
        require_in_range(
            frequencies,
            within=(float(known[0]), float(known[-1])),
            what="this impedance table",
            cure="Measure further, or ask within it.",
        )
        values = np.asarray(self.impedances, dtype=np.complex128)
        found = np.interp(np.log(frequencies), np.log(known), values)
        return np.asarray(found, dtype=np.complex128)

    def __str__(self) -> str:
        known = np.asarray(self.frequencies, dtype=float) / 1e6
        return f"table of {known.size} impedances, {known.min():g} to {known.max():g} MHz"

    def __repr__(self) -> str:
        low, high = self.frequencies[0] / 1e6, self.frequencies[-1] / 1e6
        return f"<ImpedanceTable: {len(self.frequencies)} rows, {low:g} to {high:g} MHz>"


def _beside(impedance: ComplexArray, admittance: ComplexArray) -> ComplexArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(impedance / (1.0 + impedance * admittance))


def _all_beside(impedances: Sequence[ComplexArray]) -> ComplexArray:
    """Z1 Z2/(Z1 + Z2) of all in turn: a short among them is a short, not a division by zero."""

    def beside(one: ComplexArray, other: ComplexArray) -> ComplexArray:
        either_short = (one == 0) | (other == 0)
        return np.asarray(np.where(either_short, 0.0j, one * other / (one + other)))

    with np.errstate(divide="ignore", invalid="ignore"):
        return reduce(beside, impedances)


def _checked_parts(parts: tuple[Impedance, ...], *, of: str) -> tuple[Impedance, ...]:
    if not parts:
        raise MaterialError(f"{of} has no parts. Give one or more impedances.")
    for part in parts:
        if not isinstance(part, Impedance):
            raise MaterialError(
                f"{of} has the part {part!r}, which is no impedance. Give Resistor, Coil, "
                "Capacitor, FerriteChoke, ImpedanceTable or a combination of them."
            )
    return parts
