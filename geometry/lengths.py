"""Lengths as people give them: metres, or feet and inches, kept in the unit they came in."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .errors import GeometryError

__all__ = ["Length", "LengthLike", "PointLike", "PointsLike", "gauge_radius", "metres"]

_INCH = 0.0254  # exact [m]
_PER_METRE = {
    "m": 1.0,
    "cm": 100.0,
    "mm": 1000.0,
}  # divided by, so that 35 cm is 0.35 to the last digit
_INCHES = {"ft": 12.0, "in": 1.0, "ft in": 1.0}
_DECIMALS = {"m": 3, "cm": 1, "mm": 2, "ft": 3, "in": 2, "ft in": 2}

_UNIT_WORDS = {
    "m": "m metre metres meter meters",
    "cm": "cm centimetre centimetres centimeter centimeters",
    "mm": "mm millimetre millimetres millimeter millimeters",
    "ft": "ft foot feet ' ′ ’",
    "in": "in inch inches \" ″ ” ''",
}
_UNITS = {word: unit for unit, words in _UNIT_WORDS.items() for word in words.split()}

_NUMBER = r"\d+\s*/\s*\d+|\d+\s+\d+\s*/\s*\d+|(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?"
_PART = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>[a-z]+|''|['′’\"″”])\.?\s*,?")
_EXAMPLES = "'4.2 m', '35 cm', '12 ft 6 in' or a number in metres"


class Length(float):
    """A length in metres that remembers the unit it was given in and prints back in it.

    Parameters
    ----------
    value : float, str or Length
        Metres as a number, or text with a unit: ``"4.2 m"``, ``"35 cm"``, ``"12 ft 6 in"``,
        ``12' 6 1/2"``. [m]
    unit : {"m", "cm", "mm", "ft", "in", "ft in"}, optional
        Unit to print in; from the text, or metres, where left out.

    Raises
    ------
    GeometryError
        If the text has no unit or is no length, or the value is not finite.

    Notes
    -----
    It is a float: arithmetic gives plain floats in metres. `with_value` keeps the unit.

    Examples
    --------
    >>> Length("12 ft 6 in") + 0.0
    3.81
    >>> print(Length("12 ft 6 in").with_value(3.0))
    9 ft 10.11 in
    """

    unit: str

    def __new__(cls, value: float | str, unit: str | None = None) -> Length:
        if isinstance(value, str):
            number, found = _parse(value)
        else:
            number, found = _number(value), getattr(value, "unit", "m")
        if unit is not None and unit not in _DECIMALS:
            raise GeometryError(
                f"Unit {unit!r} of a length is not known; use one of {', '.join(_DECIMALS)}."
            )
        length = super().__new__(cls, number)
        length.unit = found if unit is None else unit
        return length

    def __reduce__(self) -> tuple[type[Length], tuple[float, str]]:
        return Length, (float(self), self.unit)

    def with_value(self, value: float) -> Length:
        """Another length in the same unit; `value` in metres."""
        return Length(float(value), self.unit)

    def __str__(self) -> str:
        decimals = _DECIMALS[self.unit]
        if self.unit != "ft in":
            in_unit = (
                float(self) * _PER_METRE[self.unit]
                if self.unit in _PER_METRE
                else float(self) / (_INCH * _INCHES[self.unit])
            )
            return f"{_plain(in_unit, decimals)} {self.unit}"
        inches = round(abs(float(self)) / _INCH, decimals)
        feet, rest = divmod(inches, 12.0)
        parts = []
        if feet:
            parts.append(f"{feet:.0f} ft")
        if round(rest, decimals) or not feet:
            parts.append(f"{_plain(rest, decimals)} in")
        return ("-" if self < 0 and inches else "") + " ".join(parts)

    def __format__(self, spec: str) -> str:
        return str(self) if not spec else format(float(self), spec)

    def __repr__(self) -> str:
        return f"Length({str(self)!r})"


LengthLike = Length | float | str  # what a person may give where a length is asked for
PointLike = Sequence[LengthLike] | NDArray[np.floating[Any]]  # (x, y, z)
PointsLike = Sequence[PointLike] | NDArray[np.floating[Any]]  # points one after the other


def metres(value: Any) -> float:
    """A length in metres from whatever a person gave.

    Parameters
    ----------
    value : float, str or Length
        A number is metres; text carries its unit ("12 ft 6 in"). [m]

    Returns
    -------
    float
        Metres; may be negative (a coordinate). [m]

    Raises
    ------
    GeometryError
        If it is no finite length.
    """
    return _parse(value)[0] if isinstance(value, str) else _number(value)


def gauge_radius(gauge: str) -> float:
    """Radius of a round wire from its gauge.

    Parameters
    ----------
    gauge : str
        ``"14 AWG"`` (``"2/0 AWG"`` or ``"00 AWG"`` above zero), or the metal's cross-section,
        ``"1.5 mm2"``.

    Returns
    -------
    float
        Radius of the solid wire; a stranded one of the same section is 10-15 % thicker
        outside (common practice). [m]

    Raises
    ------
    GeometryError
        If the text is no gauge, or lies outside 4/0-40 AWG or 0.01-1000 mm2.

    Notes
    -----
    Diameter 0.127 mm * 92**((36 - n)/39), n = -1, -2, -3 for 2/0, 3/0, 4/0 [1]_.

    References
    ----------
    .. [1] ASTM B258, standard nominal diameters of AWG sizes (from memory).
    """
    cures = "Write '14 AWG', '2/0 AWG' or '1.5 mm2', or give `radius` in metres."
    if not isinstance(gauge, str):
        raise GeometryError(f"A gauge is text, got {gauge!r}. {cures}")
    text = gauge.strip().lower()
    awg = re.fullmatch(r"(?:awg\s*)?#?\s*(\d)/0(?:\s*awg)?|(?:awg\s*|#\s*)?(\d+)\s*(?:awg)?", text)
    if awg and ("awg" in text or "#" in text):
        digits = awg[2]
        if awg[1]:
            number = 1 - int(awg[1])
        elif set(digits) == {"0"}:
            number = 1 - len(digits)
        else:
            number = int(digits)
        if not -3 <= number <= 40:
            raise GeometryError(f"Gauge {gauge!r} lies outside 4/0 to 40 AWG. {cures}")
        return 0.5 * 0.127e-3 * 92.0 ** ((36 - number) / 39)
    area = re.fullmatch(r"(\d+\.?\d*|\.\d+)\s*(?:sq\.?\s*mm|mm\s*(?:2|\^2|\*\*2|²))", text)
    if area:
        square = float(area[1])
        if not 0.01 <= square <= 1000.0:
            raise GeometryError(f"Cross-section {gauge!r} lies outside 0.01 to 1000 mm2. {cures}")
        return math.sqrt(square / math.pi) * 1e-3
    raise GeometryError(f"{gauge!r} is no wire gauge. {cures}")


def _number(value: Any) -> float:
    if isinstance(value, bool):
        raise GeometryError(f"{value!r} is no length. Give {_EXAMPLES}.")
    try:
        number = float(value)
    except OverflowError:
        raise GeometryError(f"A length is too large for a number. Give {_EXAMPLES}.") from None
    except (TypeError, ValueError):
        raise GeometryError(f"{value!r} is no length. Give {_EXAMPLES}.") from None
    if not math.isfinite(number):
        raise GeometryError(f"A length of {number} is not finite. Give {_EXAMPLES}.")
    return number


def _parse(text: str) -> tuple[float, str]:
    """Value [m] and unit of a text."""
    rest = text.strip().lower()
    sign = -1.0 if rest[:1] in ("-", "−") else 1.0
    if rest[:1] in ("-", "−", "+"):
        rest = rest[1:]
    parts: list[tuple[float, str]] = []
    at = 0
    while at < len(rest):
        match = _PART.match(rest, at)
        unit = _UNITS.get(match["unit"]) if match else None
        if match is None or unit is None:
            raise GeometryError(_complaint(text))
        parts.append((_value(match["number"], text), unit))
        at = match.end()
    units = [unit for _, unit in parts]
    if units == ["ft", "in"]:
        unit = "ft in"
        if parts[1][0] >= 12.0:
            raise GeometryError(
                f"Length {text!r} has {parts[1][0]:g} inches beside its feet; below 12 is the rule."
            )
    elif len(units) == 1:
        unit = units[0]
        if unit == "ft" and parts[0][0] == int(parts[0][0]):
            unit = "ft in"
    else:
        raise GeometryError(_complaint(text))
    if unit in _PER_METRE:
        return sign * parts[0][0] / _PER_METRE[unit], unit
    return sign * _INCH * sum(number * _INCHES[u] for number, u in parts), unit


def _value(number: str, text: str) -> float:
    whole = 0.0
    if "/" in number:
        top, bottom = number.split("/")
        pieces = top.split()
        if len(pieces) == 2:
            whole = float(pieces[0])
        if int(bottom) == 0:
            raise GeometryError(f"Length {text!r} divides by zero.")
        return whole + int(pieces[-1]) / int(bottom)
    return float(number)


def _complaint(text: str) -> str:
    if re.fullmatch(r"\s*[-+−]?[\d.]+\s*", text):
        return f"Length {text!r} has no unit. Write '{text.strip()} m', or a number for metres."
    if re.search(r"\d,\d", text):
        return f"Length {text!r} has a decimal comma; write a point, as in '4.2 m'."
    return f"{text!r} is no length. Give {_EXAMPLES}."


def _plain(value: float, decimals: int) -> str:
    """A number with at most so many decimals and no trailing zeros."""
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
