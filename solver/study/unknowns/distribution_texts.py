"""Distributions as people write them: "14 % +- 4 %", "0.004 S/m, factor 2", "10 % to 18 %"."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import NamedTuple

from ...errors import PriorError
from ..sweep_values import read_quantity
from .distributions import Distribution

__all__ = ["HOW", "parse_distribution", "unit_of"]

HOW = (
    "Write '14 % +- 4 %' or '0.004 S/m, factor 2', within which four cases in five lie, '10 % to "
    "18 %' for a range that nothing lies outside of, or '+- 1 %' or 'factor 1.5' about what the "
    "file says; 'known' for what is known exactly."
)

_BOUND = re.compile(r"\s*at (?P<which>least|most)\s+(?P<value>.+?)\s*")
_RANGE = re.compile(r"\s*(?:from\s+)?(?P<low>[-+]?[.\d].*?)\s+to\s+(?P<high>[-+.\d].*?)\s*")
_SPREAD = re.compile(r"\s*(?P<middle>.*?)\s*(?:\+-|\+/-|±)\s*(?P<spread>.*?)\s*")
_FACTOR = re.compile(r"\s*(?P<middle>.*?)\s*\bfactor\s*(?P<factor>.*?)\s*")

_PARTS = re.compile(r"\s+to\s+|\+-|\+/-|±|,|\bfactor\b|\bat least\b|\bat most\b|^\s*from\s")
_NUMBER = re.compile(r"^[-+]?[.\d]+(?:[eE][-+]?\d+)?")


class _Told(NamedTuple):
    """A number with its unit, and whether it was told in per cent."""

    value: float
    unit: str
    is_per_cent: bool


def parse_distribution(
    told: str,
    *,
    unit: str,
    middle: float | None,
    least: float = -math.inf,
    most: float = math.inf,
    in_per_cent: bool = False,
) -> Distribution:
    """A distribution from a text.

    Parameters
    ----------
    told : str
        "MIDDLE +- SPREAD" and "MIDDLE, factor F", between which and their opposites four cases in
        five lie; "LOW to HIGH", a range of values alike likely; each of the first two without
        the middle means about what the file says. ", at least X" and ", at most X" may follow.
        Plain numbers are in SI units; a spread in per cent about a middle that is not is a part
        of the middle.
    unit : str
        "m", "H", "F", "ohm", "S/m", or "" for plain numbers and per cent.
    middle : float or None
        What the file says, None where it says nothing.
    least, most : float
        Bounds of what can be at all; the text may narrow them.
    in_per_cent : bool
        Whether the file says the middle in per cent, so that a spread in per cent alone might
        mean both percentage points and a part of it.

    Raises
    ------
    PriorError
        If it is none, has another unit, or a width of zero.

    Examples
    --------
    >>> parse_distribution("14 % +- 4 %", unit="", middle=None)
    <Distribution: 0.14 +- 0.04>
    >>> parse_distribution("+- 1 %", unit="m", middle=5.2)
    <Distribution: 5.2 +- 0.052>
    >>> parse_distribution("4 mS/m, factor 2", unit="S/m", middle=0.001)
    <Distribution: 0.004, factor 2>
    """
    if not isinstance(told, str) or not told.strip():
        raise PriorError(f"{told!r} tells no spread. {HOW}")
    try:
        head, bounds = _bounds(told, unit)
        return _parsed(
            head, unit, middle, in_per_cent,
            max(least, bounds.get("least", -math.inf)), min(most, bounds.get("most", math.inf)),
        )  # fmt: skip
    except PriorError as error:
        raise PriorError(f"{told!r}: {error}") from error


def unit_of(told: str) -> str:
    """Unit of the first number in a text that has one, "" where none has."""
    for part in _PARTS.split(told):
        read = read_quantity(part)
        if read is not None and read[1]:
            return read[1]
    return ""


def _parsed(
    head: str, unit: str, middle: float | None, in_per_cent: bool, least: float, most: float
) -> Distribution:
    found = _RANGE.fullmatch(head)
    if found is not None:
        low, high = _range(found["low"], found["high"], unit)
        if low < least or high > most:
            raise PriorError(f"it leaves what can be, {least:g} to {most:g}.")
        return Distribution.between(low, high)
    found = _FACTOR.fullmatch(head)
    if found is not None:
        about = _middle(found["middle"].rstrip(","), unit, middle)
        factor = _quantity(found["factor"], "", "the factor")
        if factor.is_per_cent:
            raise PriorError("a factor is a plain number, as 2 for half to double.")
        return Distribution.lognormal(
            about.value, factor.value, least=max(least, 0.0), most=most
        )  # fmt: skip
    found = _SPREAD.fullmatch(head)
    if found is None:
        raise PriorError(f"this tells no spread. {HOW}")
    about = _middle(found["middle"], unit, middle)
    return Distribution.normal(
        about.value,
        _spread(found["spread"], unit, about, in_per_cent and not found["middle"].strip()),
        least=least,
        most=most,
    )


def _bounds(told: str, unit: str) -> tuple[str, Mapping[str, float]]:
    """What stands before the first ", at least" or ", at most", and the bounds."""
    parts, bounds = told.split(","), {}
    while len(parts) > 1:
        found = _BOUND.fullmatch(parts[-1])
        if found is None:
            break
        parts.pop()
        if found["which"] in bounds:
            raise PriorError(f"'at {found['which']}' stands twice; keep one.")
        bounds[found["which"]] = _quantity(found["value"], unit, f"at {found['which']}").value
    return ",".join(parts), bounds


def _quantity(text: str, unit: str, what: str) -> _Told:
    """One number, of the unit or none."""
    read = read_quantity(text)
    if read is None or not math.isfinite(read[0]):
        raise PriorError(f"{what} is {text!r}, which is no number with a unit or without. {HOW}")
    value, found = read
    per_cent = text.rstrip().endswith("%")
    if (found and found != unit) or (per_cent and unit):
        wanted = f"in {unit}" if unit else "a plain number, or in per cent"
        raise PriorError(f"{what} is {text!r}; it must be {wanted}.")
    return _Told(value, found, per_cent)


def _middle(text: str, unit: str, middle: float | None) -> _Told:
    if text.strip():
        return _quantity(text, unit, "the middle")
    if middle is None:
        raise PriorError(
            "the file says nothing there that it could lie about; write the middle too, or say "
            "the value in the file."
        )
    return _Told(middle, unit, False)


def _spread(text: str, unit: str, about: _Told, is_unclear: bool) -> float:
    read = read_quantity(text)
    if not (read and text.rstrip().endswith("%")) or about.is_per_cent:
        return _quantity(text, unit, "the spread").value
    if is_unclear and about.value != 0.0:
        raise PriorError(
            f"the file says {100.0 * about.value:g} %, so that '+- {text}' may mean points of per "
            "cent or a part of that. Write the middle too, as '14 % +- 4 %', or a factor."
        )
    if is_unclear:
        return read[0]
    if about.value == 0.0:
        raise PriorError("a part of a middle of 0 is 0; write a spread with a unit, or a range.")
    return read[0] * abs(about.value)


def _range(low: str, high: str, unit: str) -> tuple[float, float]:
    """Both ends; a bare first one has the unit of the second."""
    try:
        float(low)
    except ValueError:
        pass
    else:
        low = f"{low} {_NUMBER.sub('', high).strip()}".strip()
    return _quantity(low, unit, "the low end").value, _quantity(high, unit, "the high end").value
