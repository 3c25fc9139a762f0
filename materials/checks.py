"""Checks of the numbers that describe a material; each says what, the value, rule and cure."""

from __future__ import annotations

import math
import re
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
_QUANTITY = re.compile(r"\s*(\d+\.?\d*(?:[eE][-+]?\d+)?|\.\d+(?:[eE][-+]?\d+)?)\s*(\S.*?)\s*")


def read_conductivity(text: str) -> float:
    """Conductivity from text with a unit, "5 mS/m" or "0.005 S/m". [S/m]

    Raises
    ------
    MaterialError
        If it is no number with one of the known units; "MS/m" is not taken for "mS/m".
    """
    match = _QUANTITY.fullmatch(text)
    unit = "" if match is None else re.sub(r"\s*/\s*", "/", match[2]).replace("s/", "S/")
    unit = unit.replace("\N{MICRO SIGN}", "u").replace("\N{GREEK SMALL LETTER MU}", "u")
    if match is None or unit not in _PER_UNIT:
        raise MaterialError(
            f"{text!r} is no conductivity. Write a number of siemens per metre, or text with a "
            f"unit as '5 mS/m'; units: {', '.join(_PER_UNIT)}."
        )
    return float(match[1]) * _PER_UNIT[unit]


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
