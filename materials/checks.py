"""Checks of the numbers that describe a material; each says what, the value, rule and cure."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from numbers import Real

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import MaterialError


def require_number(
    value: object,
    *,
    what: str,
    unit: str,
    least: float = -math.inf,
    above: float = -math.inf,
    cure: str,
    may_be_infinite: bool = False,
) -> float:
    """Return `value` as a float, or say why it cannot be used.

    Parameters
    ----------
    value : object
        What was given.
    what, unit : str
        What the value is, and its unit ("" for none), for the message.
    least, above : float
        The value has to be >= `least` and > `above`.
    cure : str
        What to do instead.
    may_be_infinite : bool
        Whether plus infinity passes.

    Raises
    ------
    MaterialError
        If the value is not a real number, is NaN or infinite, or is out of range.
    """
    if isinstance(value, (bool, np.bool_)) or not isinstance(value, Real):
        raise MaterialError(f"{what} is {value!r}, which is not a real number. {cure}")
    number = float(value)
    if math.isnan(number):
        raise MaterialError(f"{what} is NaN, which is no value at all. {cure}")
    if math.isinf(number) and not (may_be_infinite and number > 0.0):
        raise MaterialError(f"{what} is infinite. {cure}")
    of_unit = f" {unit}" if unit else ""
    if number < least:
        raise MaterialError(f"{what} is {number:g}{of_unit}; it must be at least {least:g}. {cure}")
    if number <= above:
        raise MaterialError(f"{what} is {number:g}{of_unit}; it must be above {above:g}. {cure}")
    return number


_PER_UNIT = {
    "S/m": 1.0, "mS/m": 1e-3, "uS/m": 1e-6, "S/cm": 100.0, "dS/m": 0.1, "mS/cm": 0.1, "uS/cm": 1e-4,
}  # fmt: skip
_SIGNS = {
    "\N{MICRO SIGN}": "u",
    "\N{GREEK SMALL LETTER MU}": "u",
    "\N{OHM SIGN}": "ohm",
    "\N{GREEK CAPITAL LETTER OMEGA}": "ohm",
}
_QUANTITY = re.compile(r"\s*(\d+\.?\d*(?:[eE][-+]?\d+)?|\.\d+(?:[eE][-+]?\d+)?)\s*(\S.*?)\s*")


def read_conductivity(text: str) -> float:
    """Conductivity from text with a unit, "5 mS/m" or "0.005 S/m". [S/m]

    Raises
    ------
    MaterialError
        If it is no number with one of the known units; "MS/m" is not taken for "mS/m".
    """
    number, unit = _number_and_unit(text)
    unit = unit.replace("s/", "S/")
    if unit not in _PER_UNIT:
        raise MaterialError(
            f"{text!r} is no conductivity. Write a number of siemens per metre, or text with a "
            f"unit as '5 mS/m'; units: {', '.join(_PER_UNIT)}."
        )
    return number * _PER_UNIT[unit]


def read_quantity(
    value: object,
    *,
    what: str,
    units: Mapping[str, float],
    cure: str,
    least: float = -math.inf,
    above: float = -math.inf,
    may_be_infinite: bool = False,
) -> float:
    """Return a number of SI units from a number, or from text with one of the known units.

    Parameters
    ----------
    value : object
        A number, or text as "2.2 uH".
    what : str
        What the value is, for the message.
    units : mapping of str to float
        Units and how many SI units each has; the one of 1.0 is named in messages.
    cure : str
        What to do instead.
    least, above, may_be_infinite
        See `require_number`.

    Raises
    ------
    MaterialError
        If the text is no number with a known unit, or the value is out of range.
    """
    of_one = next(unit for unit, factor in units.items() if factor == 1.0)
    if isinstance(value, str):
        number, unit = _number_and_unit(value)
        if unit not in units:
            raise MaterialError(
                f"{what} is {value!r}, which is no number with a unit; units: "
                f"{', '.join(units)}. {cure}"
            )
        value = number * units[unit]
    return require_number(
        value,
        what=what,
        unit=of_one,
        least=least,
        above=above,
        cure=cure,
        may_be_infinite=may_be_infinite,
    )


def _number_and_unit(text: str) -> tuple[float, str]:
    """Return number and unit of a text, the unit "" where the text is neither."""
    match = _QUANTITY.fullmatch(text)
    if match is None:
        return math.nan, ""
    unit = re.sub(r"\s*/\s*", "/", match[2])
    for sign, word in _SIGNS.items():
        unit = unit.replace(sign, word)
    return float(match[1]), unit


def read_per_cent(text: str, *, what: str, cure: str) -> float:
    """A part from text in per cent: 0.14 from "14 %". [1]

    Raises
    ------
    MaterialError
        If it is no number with a per cent sign.
    """
    number = text.strip()
    try:
        if not number.endswith("%"):
            raise ValueError
        return float(number.removesuffix("%")) / 100.0
    except ValueError:
        raise MaterialError(f'{what} is {text!r}, which is no "14 %". {cure}') from None


def require_frequencies(frequency: ArrayLike, *, what: str) -> NDArray[np.float64]:
    """Return the frequencies as float64 [Hz], shape as given; every one > 0 and finite.

    Raises
    ------
    MaterialError
        If a frequency is not a real number, is NaN, infinite, zero or negative.
    """
    asked = np.asarray(frequency)
    if asked.dtype.kind not in "iuf":
        raise MaterialError(
            f"frequency for {what} is {frequency!r}, which is not made of real numbers. "
            "Give hertz, for example 14.2e6."
        )
    frequencies = asked.astype(np.float64)
    bad = ~(np.isfinite(frequencies) & (frequencies > 0.0))
    if np.any(bad):
        first = float(frequencies[bad].flat[0]) if frequencies.ndim else float(frequencies)
        raise MaterialError(
            f"frequency for {what} is {first:g} Hz; it must be finite and above 0. "
            "Give hertz, for example 14.2e6."
        )
    return frequencies
