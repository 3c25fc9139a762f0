"""Checks of the numbers that describe a material; each says what, the value, rule and cure."""

from __future__ import annotations

import math
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
