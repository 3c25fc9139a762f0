"""Limits of exposure to fields, as exchangeable data, and what part of them a field is.

Limits, contact currents, exemptions and duty factors stand in `catalogue/exposure.toml`; a file
of one's own with the same tables is read by the same reader. What comes out is an estimate to plan
by, not a statement of compliance.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...materials.catalogue_reader import Entry, find_entry, read_table
from ...materials.errors import MaterialError
from ..errors import LimitsError

FloatArray = NDArray[np.float64]
Made = TypeVar("Made")

CATALOGUE = "exposure.toml"
MEGAHERTZ = 1e6
FIELDS = ("electric", "magnetic", "power_density")
UNITS = {"electric": "V/m", "magnetic": "A/m", "power_density": "W/m^2"}
EDGE = 1e-9
"""Relative slack at the ends of a range, for frequencies that were converted."""


@dataclass(frozen=True)
class Curve:
    """coefficient * (f/MHz)^exponent, piece by piece.

    Attributes
    ----------
    rows : tuple of (from [MHz], to [MHz], coefficient, exponent)
    """

    rows: tuple[tuple[float, float, float, float], ...]

    @classmethod
    def read(cls, rows: Any, *, where: str) -> Curve:
        """From what a file holds.

        Raises
        ------
        LimitsError
            If a row is not four numbers, or its range or its value is not positive.
        """
        if not isinstance(rows, list) or not rows:
            raise LimitsError(
                f"{where}: a list of rows [from, to, coefficient, exponent] is needed."
            )
        found = []
        for n, row in enumerate(rows, start=1):
            if (
                not isinstance(row, list)
                or len(row) != 4
                or not all(type(v) in (int, float) and np.isfinite(v) for v in row)
            ):
                raise LimitsError(
                    f"{where}, row {n}: {row!r} is not [from MHz, to MHz, coefficient, exponent]."
                )
            low, high, coefficient, exponent = map(float, row)
            if not (0.0 < low < high and coefficient > 0.0):
                raise LimitsError(
                    f"{where}, row {n}: {row!r}; 0 < from < to and a coefficient > 0 are needed."
                )
            found.append((low, high, coefficient, exponent))
        return cls(tuple(found))

    @property
    def ranges(self) -> str:
        """What it covers, in words."""
        spans: list[list[float]] = []
        for low, high, *_ in sorted(self.rows):
            if spans and low <= spans[-1][1] * (1.0 + EDGE):
                spans[-1][1] = max(spans[-1][1], high)
            else:
                spans.append([low, high])
        return " and ".join(f"{low:g} to {high:g} MHz" for low, high in spans)

    def at(self, frequency: ArrayLike, *, what: str) -> FloatArray:
        """Values at frequencies [Hz], of their shape; the smaller where two rows meet.

        Raises
        ------
        LimitsError
            If a frequency is outside, or is no positive number.
        """
        f = np.asarray(require(frequency, what=f"{what}: frequency", unit="Hz", above_zero=True))
        f = f / MEGAHERTZ
        values = np.full(f.shape, np.inf)
        for low, high, coefficient, exponent in self.rows:
            inside = (f >= low * (1.0 - EDGE)) & (f <= high * (1.0 + EDGE))
            here = coefficient * f**exponent
            values = np.where(inside, np.minimum(values, here), values)
        outside = ~np.isfinite(values)
        if np.any(outside):
            raise LimitsError(
                f"{what} does not cover {float(f[outside].flat[0]):g} MHz; it runs from "
                f"{self.ranges}. Take another set of limits for this frequency."
            )
        return values[()]


@dataclass(frozen=True)
class LimitValues:
    """Limits at one or several frequencies, RMS, of the frequencies' shape; NaN: none is set.

    Attributes
    ----------
    electric : [V/m]
    magnetic : [A/m]
    power_density : [W/m^2]
    """

    electric: Any
    magnetic: Any
    power_density: Any


@dataclass(frozen=True, repr=False)
class Limits:
    """One set of limits: one document, one group of people, one part of the body.

    Attributes
    ----------
    name : str
    electric, magnetic, power_density : Curve or None
        [V/m], [A/m], [W/m^2]
    averaging_minutes : float
        Thermal limits hold for the power averaged over so long; 0: they hold at every instant.
    sum_exponent : float
        Over several frequencies sum (field/limit)^sum_exponent may be 1 at most.
    document : str
    source : str
        Where each of the values comes from.
    """

    name: str
    electric: Curve | None
    magnetic: Curve | None
    power_density: Curve | None
    averaging_minutes: float
    sum_exponent: float
    document: str
    source: str

    @classmethod
    def named(cls, name: str, *, file: str | Path | None = None) -> Limits:
        """The set of that name, of the shipped catalogue or of a file of one's own.

        Raises
        ------
        LimitsError
            If there is none; the message lists the names.

        Examples
        --------
        >>> f"{Limits.named('fcc general').at(7.0e6).electric:.1f} V/m"
        '117.7 V/m'
        """
        return _entry_of(read_exposure_file(file).limits, name, "set of limits", _limits)

    def at(self, frequency: ArrayLike) -> LimitValues:
        """Limits at frequencies. [Hz]

        Raises
        ------
        LimitsError
            If one of its curves does not cover a frequency.
        """
        found = []
        for field in FIELDS[:2]:
            curve: Curve | None = getattr(self, field)
            if curve is None:
                found.append(np.full(np.shape(frequency), np.nan)[()])
            else:
                found.append(curve.at(frequency, what=f"{self.name}, {field} field"))
        return LimitValues(found[0], found[1], self._power_density(frequency))

    def _power_density(self, frequency: ArrayLike) -> Any:
        """NaN at frequencies for which no power density is given."""
        f = np.asarray(frequency, dtype=float)
        if self.power_density is None:
            return np.full(f.shape, np.nan)[()]
        values = np.full(f.shape, np.nan)
        for index in np.ndindex(f.shape):
            try:
                values[index] = self.power_density.at(f[index], what=self.name)
            except LimitsError:
                continue
        return values[()]

    @property
    def is_averaged(self) -> bool:
        """Whether duty factor and pauses count (thermal limits) or not (nerve stimulation)."""
        return self.averaging_minutes > 0.0

    def averaged_part(
        self, *, duty: float = 1.0, minutes_on: float | None = None, minutes_off: float = 0.0
    ) -> float:
        """Average over greatest power in the worst stretch as long as the averaging time.

        Parameters
        ----------
        duty : float
            Of the mode while sending, see `duty_factor`; above 0, up to 1.
        minutes_on, minutes_off : float
            How long sending and listening take turns; left out: sending all the time. [min]

        Returns
        -------
        float
            1 for limits that are not averaged.
        """
        duty = float(require(duty, what="duty factor", unit="", above_zero=True))
        if duty > 1.0:
            raise LimitsError(
                f"duty factor is {duty:g}; it is average over greatest power, at most 1. Give "
                "20 % as 0.2."
            )
        off = float(require(minutes_off, what="minutes_off", unit="min"))
        if minutes_on is None:
            if off > 0.0:
                raise LimitsError(
                    f"minutes_off is {off:g} and minutes_on is not given; give both or neither."
                )
            part = 1.0
        else:
            on = float(require(minutes_on, what="minutes_on", unit="min", above_zero=True))
            part = self._worst_window(on, off)
        return duty * part if self.is_averaged else 1.0

    def _worst_window(self, on: float, off: float) -> float:
        window = self.averaging_minutes
        if not window:
            return 1.0
        # A window that begins with a transmission holds as much of them as any.
        turns, rest = divmod(window, on + off)
        return float((turns * on + min(rest, on)) / window)

    def __repr__(self) -> str:
        over = f"averaged over {self.averaging_minutes:g} min" if self.is_averaged else "no average"
        curve = self.electric or self.magnetic
        return f"<Limits {self.name!r}: {'' if curve is None else curve.ranges}, {over}>"


@dataclass(frozen=True)
class LimitFraction:
    """How much of a set of limits a field takes up; shapes as the fields'.

    Attributes
    ----------
    limits : Limits
    electric, magnetic : float or ndarray
        Field over limit, RMS over the averaging time; NaN where no limit is set. 1 is the limit.
    averaged_part : float
        Average over greatest power that this holds for.
    power : float
        Greatest power that this holds for. [W]
    """

    limits: Limits
    electric: Any
    magnetic: Any
    averaged_part: float
    power: float

    @property
    def worst(self) -> Any:
        """The greater of the two: E and H must both comply."""
        return np.fmax(self.electric, self.magnetic)

    @property
    def complies(self) -> Any:
        """Whether both are within the limit (an estimate to plan by)."""
        return self.worst <= 1.0

    @property
    def complying_power(self) -> Any:
        """Greatest power at which both just are; inf where there is no field. [W]"""
        with np.errstate(divide="ignore"):
            return self.power / np.square(self.worst)


def fraction_of_limit(
    electric: ArrayLike,
    magnetic: ArrayLike,
    frequency: ArrayLike,
    *,
    limits: Limits,
    power: float,
    fields_power: float = 1.0,
    duty: float = 1.0,
    minutes_on: float | None = None,
    minutes_off: float = 0.0,
) -> LimitFraction:
    """Part of the limits that fields take up.

    Parameters
    ----------
    electric, magnetic : array_like
        Magnitudes for `fields_power` (all three components, or one of them as a single-axis probe
        reads it), RMS of the carrier. [V/m], [A/m]
    frequency : array_like
        Broadcast against them. [Hz]
    limits : Limits
    power : float
        Greatest power into the antenna (peak envelope). [W]
    fields_power : float
        What the fields are given for. [W]
    duty, minutes_on, minutes_off
        See `Limits.averaged_part`; limits of nerve stimulation leave them aside.

    Raises
    ------
    LimitsError
        If the limits do not cover the frequency, or a value is none.
    """
    e = require(electric, what="electric field", unit="V/m")
    h = require(magnetic, what="magnetic field", unit="A/m")
    power = float(require(power, what="power", unit="W", above_zero=True))
    base = float(require(fields_power, what="fields_power", unit="W", above_zero=True))
    part = limits.averaged_part(duty=duty, minutes_on=minutes_on, minutes_off=minutes_off)
    at = limits.at(frequency)
    scale = np.sqrt(power / base * part)
    return LimitFraction(limits, scale * e / at.electric, scale * h / at.magnetic, part, power)


def sum_of_fractions(fractions: Sequence[LimitFraction]) -> Any:
    """Total of fields of several frequencies at once: sum of (field/limit)^n, 1 at most.

    The sums for E and for H are separate; the greater counts. Shapes are broadcast.

    Raises
    ------
    LimitsError
        If there is none, or they are of different sets of limits.
    """
    if not fractions:
        raise LimitsError("sum_of_fractions: there is nothing to add; give one fraction or more.")
    limits = fractions[0].limits
    if any(one.limits != limits for one in fractions):
        names = ", ".join(dict.fromkeys(one.limits.name for one in fractions))
        raise LimitsError(f"fractions of different limits do not add: {names}. Take one set.")
    n = limits.sum_exponent
    return np.fmax(
        sum(np.asarray(one.electric) ** n for one in fractions),
        sum(np.asarray(one.magnetic) ** n for one in fractions),
    )


# --- the catalogue ----------------------------------------------------------------------------


@dataclass(frozen=True)
class ExposureFile:
    """Entries of a catalogue of limits, as they stand in it."""

    limits: tuple[Entry, ...]
    contacts: tuple[Entry, ...]
    exemptions: tuple[Entry, ...]
    modes: tuple[Entry, ...]


_TABLES = {
    "limits": ({*FIELDS, "averaging_minutes", "sum_exponent"},
               {"averaging_minutes", "sum_exponent"}),
    "contact": ({"current"}, {"current"}),
    "exemption": ({"threshold"}, {"threshold"}),
    "mode": ({"duty"}, {"duty"}),
}  # fmt: skip


def read_exposure_file(path: str | Path | None = None) -> ExposureFile:
    """Read limits and what goes with them; None: the shipped catalogue.

    Raises
    ------
    LimitsError
        If it cannot be read, a table or key is unknown, or a value has no source.
    """
    return _shipped() if path is None else _read_file(Path(path))


@cache
def _shipped() -> ExposureFile:
    place = files("ridgepole.solver.station").joinpath("catalogue", CATALOGUE)
    return parse_exposure(place.read_text(encoding="utf-8"), file=CATALOGUE)


def _read_file(path: Path) -> ExposureFile:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise LimitsError(f"{path}: limits cannot be read: {error}. Check the path.") from error
    return parse_exposure(text, file=path.name)


def parse_exposure(text: str, *, file: str) -> ExposureFile:
    """The same from text; `file` is for messages.

    Raises
    ------
    LimitsError
        As `read_exposure_file`.
    """
    try:
        document = tomllib.loads(text)
        for table in document:
            if table not in {*_TABLES, "format"}:
                raise LimitsError(
                    f"{file}: unknown table {table!r}; known are {', '.join(_TABLES)}."
                )
        found = [
            read_table(document, file=file, table=t, allowed=frozenset(a), required=frozenset(r))
            for t, (a, r) in _TABLES.items()
        ]
    except (tomllib.TOMLDecodeError, MaterialError) as error:
        raise LimitsError(f"{file}: {error}" if file not in str(error) else str(error)) from error
    read = ExposureFile(*found)
    # All of them at once, so that a fault shows when the file is read and not at night.
    for entry in read.limits:
        _limits(entry)
    for entry in read.contacts:
        Curve.read(entry.values["current"], where=f"{file}, {entry.name!r}, current")
    for entry in read.exemptions:
        Curve.read(entry.values["threshold"], where=f"{file}, {entry.name!r}, threshold")
    for entry in read.modes:
        _duty(entry)
    return read


def _limits(entry: Entry) -> Limits:
    values = entry.values
    curves = {
        key: Curve.read(values[key], where=f"{entry.name!r}, {key}") if key in values else None
        for key in FIELDS
    }
    if curves["electric"] is None and curves["magnetic"] is None:
        raise LimitsError(f"{entry.name!r}: neither electric nor magnetic is given; give one.")
    minutes = require(
        values["averaging_minutes"], what=f"{entry.name!r}, averaging_minutes", unit="min"
    )
    exponent = require(
        values["sum_exponent"], what=f"{entry.name!r}, sum_exponent", unit="", above_zero=True
    )
    return Limits(
        entry.name, **curves, averaging_minutes=float(minutes), sum_exponent=float(exponent),
        document=entry.note, source=entry.source,
    )  # fmt: skip


def _duty(entry: Entry) -> float:
    duty = require(entry.values["duty"], what=f"{entry.name!r}, duty", unit="", above_zero=True)
    if duty > 1.0:
        raise LimitsError(f"{entry.name!r}: duty is {float(duty):g}; it must be 1 at most.")
    return float(duty)


def limit_names(*, file: str | Path | None = None) -> tuple[str, ...]:
    """Names of the sets of limits, in the order of the catalogue."""
    return tuple(entry.name for entry in read_exposure_file(file).limits)


def mode_names(*, file: str | Path | None = None) -> tuple[str, ...]:
    """Names of the modes, in the order of the catalogue."""
    return tuple(entry.name for entry in read_exposure_file(file).modes)


def duty_factor(mode: str, *, file: str | Path | None = None) -> float:
    """Average over greatest power of a mode while sending.

    Raises
    ------
    LimitsError
        If the mode is not known; the message lists those that are.

    Examples
    --------
    >>> duty_factor("CW")
    0.4
    """
    return _entry_of(read_exposure_file(file).modes, mode, "mode", _duty)


def contact_current_limit(
    name: str, frequency: ArrayLike, *, file: str | Path | None = None
) -> FloatArray:
    """Greatest current through a person who touches something, RMS, at frequencies [Hz]. [A]

    Raises
    ------
    LimitsError
        If there is no set of that name or it does not cover a frequency.
    """
    curve = _entry_of(
        read_exposure_file(file).contacts, name, "contact-current limit",
        lambda entry: Curve.read(entry.values["current"], where=f"{entry.name!r}, current"),
    )  # fmt: skip
    return curve.at(frequency, what=f"{name}, contact current")


def exemption_curve(name: str, *, file: str | Path | None = None) -> Curve:
    """Effective radiated power per squared distance up to which no evaluation is asked. [W/m^2]

    Raises
    ------
    LimitsError
        If there is none of that name.
    """
    return _entry_of(
        read_exposure_file(file).exemptions, name, "exemption",
        lambda entry: Curve.read(entry.values["threshold"], where=f"{entry.name!r}, threshold"),
    )  # fmt: skip


def _entry_of(
    entries: tuple[Entry, ...], name: str, what: str, make: Callable[[Entry], Made]
) -> Made:
    try:
        return make(find_entry(name, entries=entries, what=what))
    except MaterialError as error:
        raise LimitsError(str(error)) from None


def require(value: Any, *, what: str, unit: str, above_zero: bool = False) -> FloatArray:
    """Finite real numbers >= 0 (or > 0) as an array, or a named error."""
    found = np.asarray(value)
    if found.dtype.kind not in "iuf":
        raise LimitsError(f"{what} is {value!r}, which is not made of real numbers; give {unit}.")
    found = found.astype(float)
    good = np.isfinite(found) & ((found > 0.0) if above_zero else (found >= 0.0))
    if not np.all(good):
        rule = "above 0" if above_zero else "at least 0"
        raise LimitsError(
            f"{what} is {float(found[~good].flat[0]):g} {unit}; it must be finite and {rule}."
        )
    return found
