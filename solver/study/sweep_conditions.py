"""Conditions on layouts as people write them: "worst swr < 3 and efficiency on 40 m > 20 %"."""

from __future__ import annotations

import difflib
import operator
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...geometry.errors import GeometryError
from ...geometry.lengths import metres
from ..errors import SweepError
from ..moments.basis import FloatArray

Mask = NDArray[np.bool_]

UNITS: dict[str, tuple[float, str]] = {
    "%": (0.01, "1"), "ohm": (1.0, "ohm"), "ohms": (1.0, "ohm"), "kohm": (1e3, "ohm"),
    "mv": (1e-3, "V"), "v": (1.0, "V"), "kv": (1e3, "V"), "a": (1.0, "A"), "ma": (1e-3, "A"),
    "w": (1.0, "W"), "kw": (1e3, "W"), "hz": (1.0, "Hz"), "khz": (1e3, "Hz"), "mhz": (1e6, "Hz"),
    "dbi": (1.0, "dBi"), "db": (1.0, "dB"), "deg": (1.0, "degree"), "s/m": (1.0, "S/m"),
    "ms/m": (1e-3, "S/m"), "pf": (1e-12, "F"), "nf": (1e-9, "F"), "uh": (1e-6, "H"),
}  # fmt: skip
"""Factors and units that may stand behind a number, lengths aside."""

EXAMPLE = "'worst swr < 3 and efficiency on 40 m > 20 %'"

LOOSENESS = 1e-9
"""Relative; closer numbers count as equal, since steps add up to the last digit only."""

MOST_DEPTH = 40

_ARITHMETIC: dict[str, Callable[[Any, Any], Any]] = {
    "+": operator.add, "-": operator.sub, "*": operator.mul, "/": operator.truediv,
}  # fmt: skip
_TOKENS = re.compile(
    r"""\s*(?:
    (?P<compare><=|>=|==|!=|<|>|=)
    | (?P<bracket>[()])
    | (?P<text>"[^"]*"|'[^']*')
    | (?P<word>(?:and|or|not)\b)
    | (?P<sign>[-+*/])
    | (?P<name>(?:(?!\s+(?:and|or|not)\b|\s+[-+*/]|\s*(?:[<>=!()*+"]|/\s|$)).)+)
    )""",
    re.VERBOSE | re.IGNORECASE,
)
_NUMBER = re.compile(r"(?P<number>(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?)(?P<unit>.*)", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class Column:
    """What a name stands for.

    Attributes
    ----------
    values : ndarray, (L, B) or (L, 1)
        Of parameters that are no numbers, indices into `choices`.
    unit : str
        "1" for parts of 1, "" for plain numbers.
    choices : tuple of str
        Empty for numbers.
    """

    values: FloatArray
    unit: str = ""
    choices: tuple[str, ...] = ()


Lookup = Callable[[str], Column]


@dataclass(frozen=True, eq=False)
class _Known:
    """A value on the way: numbers (or truths) and where they are known."""

    values: Any
    unknown: Mask
    unit: str | None = ""  # None: of a product, not followed any further
    is_truth: bool = False
    choices: tuple[str, ...] = ()
    text: str | None = None
    is_literal: bool = False


_NOWHERE = np.zeros((1, 1), dtype=np.bool_)


@dataclass(frozen=True)
class Condition:
    """A condition that was read; `holds` tells where it is met.

    Attributes
    ----------
    text : str
        As it was written.
    tree : tuple
        Nested (operator, ...) tuples.
    """

    text: str
    tree: tuple[Any, ...]

    def holds(self, lookup: Lookup, size: int) -> Mask:
        """Layouts that meet it, on every band where names have a number for each, shape (size,).

        Parameters
        ----------
        lookup : callable
            From a name to its `Column`.
        size : int
            How many layouts there are.

        Raises
        ------
        SweepError
            If units do not fit, or a text is compared with numbers.

        Notes
        -----
        A layout for which one of the named numbers is not known does not meet it, whatever else is
        said.
        """
        found = self._value(self.tree, lookup)
        if not found.is_truth:
            raise self._fault("is a number, not a condition: compare it with something")
        met = np.asarray(found.values) & ~found.unknown.any(axis=1, keepdims=True)
        return np.broadcast_to(met.all(axis=1), (size,)).copy()

    def _fault(self, what: str) -> SweepError:
        return SweepError(f"Condition {self.text!r} {what}. An example: {EXAMPLE}.")

    def _value(self, node: tuple[Any, ...], lookup: Lookup) -> _Known:
        kind, *rest = node
        if kind == "number":
            return _Known(np.array([[rest[0]]]), _NOWHERE, rest[1], is_literal=True)
        if kind == "text":
            return _Known(None, _NOWHERE, text=rest[0])
        if kind == "name":
            column = lookup(rest[0])
            return _Known(
                column.values, np.isnan(column.values), column.unit, choices=column.choices
            )
        parts = [self._value(one, lookup) for one in rest[-1]]
        unknown = _NOWHERE
        for part in parts:
            unknown = np.logical_or(unknown, part.unknown.any(axis=1, keepdims=True))
        if kind in ("and", "or", "not"):
            for part in parts:
                if not part.is_truth:
                    raise self._fault(f"has a number beside {kind!r}, where a comparison belongs")
            met = parts[0].values
            if kind == "not":
                met = ~met
            for part in parts[1:]:
                met = met & part.values if kind == "and" else met | part.values
            return _Known(met, unknown, is_truth=True)
        one, two = parts
        if one.is_truth or two.is_truth:
            raise self._fault(f"has a comparison beside {rest[0]!r}, where a number belongs")
        if kind == "compare":
            met = self._compared(rest[0], one, two)
            return _Known(met.all(axis=1, keepdims=True), unknown, is_truth=True)
        self._need_numbers(one, two)
        unit: str | None = None
        if rest[0] in "+-":
            self._need_same_unit(one, two)
            unit = one.unit or two.unit
        with np.errstate(divide="ignore", invalid="ignore"):
            values = _ARITHMETIC[rest[0]](one.values, two.values)
        is_literal = one.is_literal and two.is_literal
        return _Known(values, np.logical_or(unknown, np.isnan(values)), unit, is_literal=is_literal)

    def _compared(self, how: str, one: _Known, two: _Known) -> Mask:
        if one.text is not None or two.text is not None:
            column, text = (two, one.text) if one.text is not None else (one, two.text)
            if how not in ("==", "=", "!=") or not column.choices or text is None:
                raise self._fault(
                    "compares a text with what is no text; only == and != go, between a "
                    "parameter that takes texts and one of them in quotes"
                )
            allowed = [choice.casefold() == text.strip().casefold() for choice in column.choices]
            if not any(allowed):
                near = difflib.get_close_matches(text, column.choices, n=1, cutoff=0.5)
                hint = f" Is {near[0]!r} meant?" if near else ""
                raise SweepError(
                    f"Condition {self.text!r}: {text!r} is none of the values taken, "
                    f"{', '.join(map(repr, column.choices))}.{hint}"
                )
            met = np.array(allowed)[np.asarray(column.values, dtype=np.int64)]
            return ~met if how == "!=" else met
        self._need_numbers(one, two)
        self._need_same_unit(one, two)
        for part, other in ((one, two), (two, one)):
            if part.is_literal and part.unit == "" and other.unit == "1":
                value = float(part.values[0, 0])
                if abs(value) > 1.0:
                    raise self._fault(
                        f"compares a part of 1 with {value:g}; is {value:g} % meant? Write the %"
                    )
        a, b = np.asarray(one.values), np.asarray(two.values)
        with np.errstate(invalid="ignore"):  # NaN, and of infinite values the difference
            margin = LOOSENESS * np.maximum(np.abs(a), np.abs(b))
            equal = np.logical_or(a == b, np.abs(a - b) <= margin)
            less = np.logical_and(a < b, ~equal)
            greater = np.logical_and(a > b, ~equal)
        met = {
            "<": less, "<=": less | equal, ">": greater, ">=": greater | equal, "=": equal,
            "==": equal, "!=": ~equal,
        }  # fmt: skip
        return met[how]

    def _need_numbers(self, *parts: _Known) -> None:
        for part in parts:
            if part.text is not None or part.choices:
                raise self._fault(
                    "reckons with a text; a parameter that takes texts goes with == and != and "
                    "one of them in quotes only"
                )

    def _need_same_unit(self, one: _Known, two: _Known) -> None:
        for part, other in ((one, two), (two, one)):
            if other.is_literal and other.unit and part.unit == "" and not part.is_literal:
                told = "parts of 1, as written with %," if other.unit == "1" else other.unit
                raise self._fault(
                    f"sets a plain number, which has no unit, against {told}; leave the unit out"
                )
        if not one.unit or not two.unit or one.unit == two.unit:
            return  # a number without a unit is taken in the unit of the other side
        names = ["plain numbers" if unit == "1" else unit for unit in (one.unit, two.unit)]
        raise self._fault(f"sets {names[0]} against {names[1]}")


def parse_condition(text: str) -> Condition:
    """Read a condition.

    Parameters
    ----------
    text : str
        Comparisons (< <= > >= == !=, also chained) of sums, products and brackets of named
        quantities and of numbers with or without a unit, joined by `and`, `or`, `not`. A name may
        hold blanks, dots, hyphens and slashes: a minus has a blank before it, a stroke of division
        on both sides. Texts that a parameter
        takes stand in quotes.

    Raises
    ------
    SweepError
        If it cannot be read; the message says where.

    Examples
    --------
    >>> parse_condition("1 < worst swr <= 3").tree[0]
    'and'
    """
    return _Reader(text).condition()


class _Reader:
    """Reads by descent: or, and, not, comparisons, sums, products."""

    def __init__(self, text: str) -> None:
        if not isinstance(text, str):
            raise SweepError(f"A condition is text, got {text!r}. An example: {EXAMPLE}.")
        self.text = text
        self.tokens: list[tuple[str, str, int]] = []
        at = 0
        while text[at:].strip():
            match = _TOKENS.match(text, at)
            if match is None or match.lastgroup is None:
                raise self._fault(f"cannot be read from {text[at:].strip()!r} on")
            kind = match.lastgroup
            self.tokens.append((kind, match[kind].strip(), match.start(kind)))
            at = match.end()
        self.at = 0
        self.depth = 0

    def condition(self) -> Condition:
        if not self.tokens:
            raise self._fault("is empty")
        tree = self._any()
        if self.at < len(self.tokens):
            raise self._fault(f"cannot be read from {self.text[self.tokens[self.at][2] :]!r} on")
        return Condition(self.text, tree)

    def _fault(self, what: str) -> SweepError:
        return SweepError(f"Condition {self.text!r} {what}. An example: {EXAMPLE}.")

    def _next(self, kind: str, *values: str) -> str | None:
        """The next token's text, if it is of that kind and one of those values."""
        if self.at == len(self.tokens):
            return None
        found, text, _ = self.tokens[self.at]
        if found != kind or (values and text.lower() not in values):
            return None
        self.at += 1
        return text

    def _deeper(self, read: Callable[[], tuple[Any, ...]]) -> tuple[Any, ...]:
        self.depth += 1
        if self.depth > MOST_DEPTH:
            raise self._fault(f"has more than {MOST_DEPTH} brackets, minuses and nots in another")
        found = read()
        self.depth -= 1
        return found

    def _any(self) -> tuple[Any, ...]:
        parts = [self._all()]
        while self._next("word", "or"):
            parts.append(self._all())
        return parts[0] if len(parts) == 1 else ("or", parts)

    def _all(self) -> tuple[Any, ...]:
        parts = [self._one()]
        while self._next("word", "and"):
            parts.append(self._one())
        return parts[0] if len(parts) == 1 else ("and", parts)

    def _one(self) -> tuple[Any, ...]:
        if self._next("word", "not"):
            return ("not", [self._deeper(self._one)])
        left = self._sum()
        found: list[tuple[Any, ...]] = []
        while how := self._next("compare"):
            right = self._sum()
            found.append(("compare", how, [left, right]))
            left = right
        if not found:
            return left
        return found[0] if len(found) == 1 else ("and", found)

    def _sum(self) -> tuple[Any, ...]:
        left = self._product()
        while sign := self._next("sign", "+", "-"):
            left = ("reckon", sign, [left, self._product()])
        return left

    def _product(self) -> tuple[Any, ...]:
        left = self._atom()
        while sign := self._next("sign", "*", "/"):
            left = ("reckon", sign, [left, self._atom()])
        return left

    def _atom(self) -> tuple[Any, ...]:
        if self._next("bracket", "("):
            inside = self._deeper(self._any)
            if not self._next("bracket", ")"):
                raise self._fault("has a bracket that is not closed")
            return inside
        if self._next("sign", "-"):
            inside = self._deeper(self._atom)
            if inside[0] == "number":
                return ("number", -inside[1], inside[2])
            return ("reckon", "-", [("number", 0.0, ""), inside])
        if (text := self._next("text")) is not None:
            return ("text", text[1:-1])
        if (name := self._next("name")) is not None:
            match = _NUMBER.fullmatch(name)
            return ("name", name) if match is None else self._quantity(name, match)
        if self.at == len(self.tokens):
            raise self._fault("ends where a name or a number belongs")
        raise self._fault(f"has {self.tokens[self.at][1]!r} where a name or a number belongs")

    def _quantity(self, text: str, match: re.Match[str]) -> tuple[Any, ...]:
        number, unit = float(match["number"]), match["unit"].strip()
        if not unit:
            return ("number", number, "")
        if unit.lower() in UNITS:
            factor, of = UNITS[unit.lower()]
            return ("number", factor * number, of)
        try:
            return ("number", metres(text), "m")
        except GeometryError:
            raise self._fault(
                f"has a number with a unit that is not known, {text!r}; known are lengths and "
                f"{', '.join(UNITS)}"
            ) from None
