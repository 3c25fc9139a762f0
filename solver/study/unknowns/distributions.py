"""How a value that nobody knows exactly is spread: monotonic maps of a standard normal score."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from numbers import Real
from typing import NamedTuple, overload

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from ...errors import PriorError
from ...moments.basis import FloatArray

__all__ = ["FOUR_IN_FIVE", "SCORE_LIMIT", "Distribution"]

FOUR_IN_FIVE = float(ndtri(0.9))
"""Score on both sides of 0 between which four cases in five lie, 10 to 90 %."""

SCORE_LIMIT = 3.0
"""Scores beyond which no value is taken; one case in 370 lies there."""

NEAREST_BOUND = 0.25
"""Of a spread: a bound nearer to the middle than this leaves too little of the bell."""

SHAPES = ("normal", "lognormal", "between")


class _Base(NamedTuple):
    """The normal variable behind a distribution, and how much of it lies outside the bounds."""

    location: float
    scale: float
    below: float
    above: float
    within: float


@dataclass(frozen=True, repr=False)
class Distribution:
    """A value as a monotonic map of a standard normal score.

    Made by `normal`, `lognormal` and `between`. The score 0 is the middle: half the cases lie
    below it. The scores -1.28 and 1.28 are the 10 % and 90 % values.

    Attributes
    ----------
    shape : str
        One of "normal", "lognormal", "between".
    first, second : float
        Middle and spread, middle and factor, or low and high end.
    least, most : float
        Bounds that no case lies outside of.
    """

    shape: str
    first: float
    second: float
    least: float = -math.inf
    most: float = math.inf
    _base: _Base = field(init=False, compare=False)

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise PriorError(
                f"shape is {self.shape!r}; it must be one of {', '.join(map(repr, SHAPES))}."
            )
        object.__setattr__(self, "_base", _read(self))

    @classmethod
    def normal(
        cls, middle: float, spread: float, *, least: float = -math.inf, most: float = math.inf
    ) -> Distribution:
        """A bell: four cases in five lie between ``middle - spread`` and ``middle + spread``.

        Parameters
        ----------
        middle : float
            Half the cases lie below it.
        spread : float
            > 0; what lies beyond `least` and `most` is cut off, and the bell moved so that the
            middle stays, which makes four in five lie a little closer together.
        least, most : float
            Each on its side of the middle, a quarter of the spread off or more.

        Raises
        ------
        PriorError
            If there is no such bell.
        """
        return cls("normal", middle, spread, least, most)

    @classmethod
    def lognormal(
        cls, middle: float, factor: float, *, least: float = 0.0, most: float = math.inf
    ) -> Distribution:
        """A bell of the logarithm: four in five between middle / factor and middle * factor.

        Parameters
        ----------
        middle : float
            > 0; half the cases lie below it.
        factor : float
            > 1; with bounds as for `normal`, distances taken of logarithms.
        least, most : float
            As for `normal`.

        Raises
        ------
        PriorError
            If there is no such bell.
        """
        return cls("lognormal", middle, factor, least, most)

    @classmethod
    def between(cls, low: float, high: float) -> Distribution:
        """Every value from low to high alike likely, none outside.

        Raises
        ------
        PriorError
            If low does not lie below high.
        """
        return cls("between", low, high, low, high)

    # ---- the map -------------------------------------------------------------------------

    @overload
    def value(self, u: float) -> float: ...
    @overload
    def value(self, u: FloatArray) -> FloatArray: ...
    def value(self, u: float | FloatArray) -> float | FloatArray:
        """Value at a standard normal score u, shape of u; it rises with u."""
        z = self._inner(np.asarray(u, dtype=float))
        x = self._base.location + self._base.scale * z
        v = np.exp(x) if self.shape == "lognormal" else x
        return _like(u, np.clip(v, self.least, self.most))  # clips what rounding adds

    @overload
    def slope(self, u: float) -> float: ...
    @overload
    def slope(self, u: FloatArray) -> FloatArray: ...
    def slope(self, u: float | FloatArray) -> float | FloatArray:
        """Derivative of `value` by u, > 0."""
        told = np.asarray(u, dtype=float)
        if self.shape == "between":
            return _like(u, (self.second - self.first) * _bell(told))
        z = self._inner(told)
        dz = self._base.within * np.exp(0.5 * (z * z - told * told))
        dx = self._base.scale * dz
        if self.shape == "lognormal":
            dx = dx * np.exp(self._base.location + self._base.scale * z)
        return _like(u, dx)

    @overload
    def score(self, value: float) -> float: ...
    @overload
    def score(self, value: FloatArray) -> FloatArray: ...
    def score(self, value: float | FloatArray) -> float | FloatArray:
        """The score that gives a value; infinite at a bound.

        Raises
        ------
        PriorError
            If a value is NaN or lies outside the bounds.
        """
        told = np.asarray(value, dtype=float)
        outside = ~((told >= self.least) & (told <= self.most))
        if np.any(outside):
            first = float(np.atleast_1d(told)[np.atleast_1d(outside)][0])
            raise PriorError(
                f"{first:g} cannot be: {self} has values from {self.least:g} to {self.most:g} "
                "only. Give one of them, or widen the bounds."
            )
        if self.shape == "between":
            below = (told - self.first) / (self.second - self.first)
            above = (self.second - told) / (self.second - self.first)
        else:
            z = self._standard(told)
            below = (ndtr(z) - self._base.below) / self._base.within
            above = (ndtr(-z) - self._base.above) / self._base.within
        low, high = np.clip(below, 0.0, 1.0), np.clip(above, 0.0, 1.0)
        return _like(value, np.where(low < high, ndtri(low), -ndtri(high)))

    @overload
    def quantile(self, p: float) -> float: ...
    @overload
    def quantile(self, p: FloatArray) -> FloatArray: ...
    def quantile(self, p: float | FloatArray) -> float | FloatArray:
        """The value below which a part p of all cases lies.

        Raises
        ------
        PriorError
            If a part is not 0 to 1.
        """
        told = np.asarray(p, dtype=float)
        if not np.all((told >= 0.0) & (told <= 1.0)):
            raise PriorError(f"p is {p!r}; a part of all cases is 0 to 1.")
        return _like(p, np.asarray(self.value(ndtri(told))))

    @overload
    def density(self, value: float) -> float: ...
    @overload
    def density(self, value: FloatArray) -> FloatArray: ...
    def density(self, value: float | FloatArray) -> float | FloatArray:
        """Probability per unit of the value; 0 outside the bounds."""
        told = np.asarray(value, dtype=float)
        inside = (told >= self.least) & (told <= self.most)
        if self.shape == "between":
            return _like(value, np.where(inside, 1.0 / (self.second - self.first), 0.0))
        inside &= (told > 0.0) | (self.shape == "normal")
        safe = np.where(inside, told, self.first)
        found = _bell(self._standard(safe)) / (self._base.scale * self._base.within)
        if self.shape == "lognormal":
            found = found / safe
        return _like(value, np.where(inside, found, 0.0))

    @property
    def middle(self) -> float:
        """Value at the score 0."""
        return self.value(0.0)

    @property
    def low(self) -> float:
        """Value at the lowest score that is taken, -`SCORE_LIMIT`."""
        return self.value(-SCORE_LIMIT)

    @property
    def high(self) -> float:
        """Value at the highest score that is taken, `SCORE_LIMIT`."""
        return self.value(SCORE_LIMIT)

    @property
    def four_in_five(self) -> tuple[float, float]:
        """The 10 % and the 90 % value."""
        return self.value(-FOUR_IN_FIVE), self.value(FOUR_IN_FIVE)

    def times(self, factor: float) -> Distribution:
        """That of the value times a factor > 0.

        Raises
        ------
        PriorError
            If the factor is not above 0.
        """
        factor = _number(factor, "factor")
        if factor <= 0.0:
            raise PriorError(f"factor is {factor:g}; it must be above 0.")
        second = self.second if self.shape == "lognormal" else self.second * factor
        return Distribution(
            self.shape, self.first * factor, second, self.least * factor, self.most * factor
        )

    def about(self, middle: float) -> Distribution:
        """The same spread or factor, and the same bounds, about another middle.

        Raises
        ------
        PriorError
            If the bounds do not leave room for it, or this has no middle of its own (`between`).
        """
        if self.shape == "between":
            raise PriorError(f"{self} has ends, no middle to move.")
        return Distribution(self.shape, middle, self.second, self.least, self.most)

    def _inner(self, u: FloatArray) -> FloatArray:
        """Score of the normal variable before its tails were cut off, or the part, by u."""
        base = self._base
        if self.shape == "between":
            return ndtr(u)
        if not (base.below or base.above):
            return u
        low = ndtri(np.minimum(base.below + base.within * ndtr(u), 1.0))
        high = -ndtri(np.minimum(base.above + base.within * ndtr(-u), 1.0))
        return np.where(u < 0.0, low, high)

    def _standard(self, value: FloatArray) -> FloatArray:
        if self.shape != "lognormal":
            return (value - self._base.location) / self._base.scale
        with np.errstate(divide="ignore"):
            return (np.log(value) - self._base.location) / self._base.scale

    def __str__(self) -> str:
        if self.shape == "between":
            return f"{self.first:.6g} to {self.second:.6g}"
        bounds = ""
        if self.least > (0.0 if self.shape == "lognormal" else -math.inf):
            bounds += f", at least {self.least:.6g}"
        if self.most < math.inf:
            bounds += f", at most {self.most:.6g}"
        joint = ", factor" if self.shape == "lognormal" else " +-"
        return f"{self.first:.6g}{joint} {self.second:.6g}{bounds}"

    def __repr__(self) -> str:
        return f"<Distribution: {self}>"


def _bell(z: FloatArray) -> FloatArray:
    """Density of the standard normal variable."""
    return np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def _like(told: ArrayLike, found: FloatArray) -> FloatArray:
    """A number for a number."""
    return found if isinstance(told, np.ndarray) and told.ndim else float(found)  # pyright: ignore[reportReturnType]


def _number(value: object, what: str) -> float:
    if isinstance(value, bool | np.bool_) or not isinstance(value, Real):
        raise PriorError(f"{what} is {value!r}, which is no number.")
    number = float(value)
    if not math.isfinite(number):
        raise PriorError(f"{what} is {number:g}; it must be a finite number.")
    return number


def _bound(value: object, what: str, otherwise: float) -> float:
    """A bound may be infinite to its own side."""
    if isinstance(value, Real) and float(value) == otherwise:
        return otherwise
    return _number(value, what)


def _read(told: Distribution) -> _Base:
    """Check what was told, make it plain floats, and find the normal variable behind it."""
    put, shape = object.__setattr__, told.shape
    words = {
        "normal": ("middle", "spread"), "lognormal": ("middle", "factor"),
        "between": ("low end", "high end"),
    }[shape]  # fmt: skip
    first = _number(told.first, f"the {words[0]}")
    second = _number(told.second, f"the {words[1]}")
    least = _bound(told.least, "least", -math.inf)
    most = _bound(told.most, "most", math.inf)
    for key, value in (("first", first), ("second", second), ("least", least), ("most", most)):
        put(told, key, value)
    if shape == "between":
        if not first < second:
            what = "the same as" if first == second else "not below"
            raise PriorError(
                f"the low end, {first:g}, is {what} the high end, {second:g}; a range needs a "
                'width. What is known exactly is no unknown: say "known".'
            )
        return _Base(first, second - first, 0.0, 0.0, 1.0)
    if shape == "lognormal":
        if first <= 0.0:
            raise PriorError(
                f"the middle is {first:g}, but a factor about it needs a middle above 0. Give a "
                "range, or a spread with +-."
            )
        if second <= 1.0:
            raise PriorError(
                f"the factor is {second:g}; it must be above 1, as 2 for half to double. What is "
                'known exactly is no unknown: say "known".'
            )
        if least < 0.0:
            raise PriorError(f"least is {least:g}; with a factor about the middle it is 0 or more.")
        middle, spread = math.log(first), math.log(second)
        low = math.log(least) if least > 0.0 else -math.inf
        high = math.log(most) if 0.0 < most < math.inf else most
    else:
        if second <= 0.0:
            raise PriorError(
                f"the spread is {second:g}; it must be above 0. What is known exactly is no "
                'unknown: say "known".'
            )
        middle, spread, low, high = first, second, least, most
    if not least < first < most:
        raise PriorError(
            f"the middle, {first:g}, does not lie between least, {least:g}, and most, {most:g}."
        )
    for word, bound, gap in (("least", least, middle - low), ("most", most, high - middle)):
        if gap < NEAREST_BOUND * spread:
            raise PriorError(
                f"{word}, {bound:g}, lies so near to the middle, {first:g}, that hardly anything "
                f"of the {words[1]} {second:g} is left on that side. Give a range, low to high."
            )
    return _cut(middle, spread / FOUR_IN_FIVE, low, high)


def _cut(middle: float, scale: float, low: float, high: float) -> _Base:
    """The normal variable whose median is `middle` once what lies outside is cut off."""

    def lopsided(location: float) -> float:
        a, m, b = ((x - location) / scale for x in (low, middle, high))
        return float((ndtr(m) - ndtr(a)) - (ndtr(-m) - ndtr(-b)))

    location = middle
    if lopsided(middle) != 0.0:
        far = 5.0 * scale  # bounds a quarter of a spread off shift it by about two
        location = float(brentq(lopsided, middle - far, middle + far, xtol=1e-15 * scale))  # pyright: ignore[reportArgumentType]
    below, above = float(ndtr((low - location) / scale)), float(ndtr((location - high) / scale))
    return _Base(location, scale, below, above, 1.0 - below - above)
