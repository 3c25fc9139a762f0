"""Which layouts a person wants: comparisons of sums of parameters, read without evaluating code.

    condition   comparison, or several with "and" between them
    comparison  sum <, <=, >, >=, = or != sum
    sum         terms with + or - between them
    term        a parameter, a quantity as "1.5 m", or a number * a parameter

"element.long.length > element.cross.length + 1 m and counterpoise.radials <= 12". A parameter that
is not varied counts as the file has it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...geometry.file_tables import AtticFile, nearest
from ..errors import SweepError
from ..moments.basis import FloatArray
from .sweep_names import known_numbers, resolve
from .sweep_records import Design, Parameter
from .sweep_values import read_quantity

__all__ = ["Condition", "Where", "holds", "read_condition"]

Where = str | Callable[[dict[str, Any]], bool]
"""What `where` may be: a text as above, or a function of one layout's values by full name."""

LOOSENESS = 1e-9
"""Relative; closer numbers count as equal, since steps add up to the last digit only."""

_SIGN = re.compile(r"<=|>=|!=|==|=|<|>")
_QUANTITY = re.compile(r"(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?\s*(?:%|[A-Za-z]+(?:/[A-Za-z]+)?)?")


@dataclass(frozen=True)
class _Sum:
    """sum of factors times parameters, and a number."""

    factors: tuple[tuple[str, float], ...]
    constant: float

    def over(self, columns: Mapping[str, NDArray[Any]]) -> tuple[FloatArray, FloatArray]:
        """Value and size, for rounding, layout by layout."""
        total = np.asarray(self.constant, dtype=np.float64)
        size = np.abs(total)
        for name, factor in self.factors:
            part = factor * columns[name]
            total, size = total + part, size + np.abs(part)
        return total, size


@dataclass(frozen=True)
class Condition:
    """Comparisons that must all hold.

    Attributes
    ----------
    text : str
    comparisons : tuple of (sum, sign, sum)
    """

    text: str
    comparisons: tuple[tuple[_Sum, str, _Sum], ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Varied parameters that it speaks of."""
        return tuple(dict.fromkeys(
            name for left, _, right in self.comparisons for name, _ in left.factors + right.factors
        ))  # fmt: skip

    def holds(self, columns: Mapping[str, NDArray[Any]], count: int) -> NDArray[np.bool_]:
        """Where it holds, (count,), from values in SI units by name, each (count,)."""
        result = np.ones(count, dtype=bool)
        for left, sign, right in self.comparisons:
            (a, size), (b, other) = left.over(columns), right.over(columns)
            margin = LOOSENESS * np.maximum(size, other)
            equal, above = np.abs(a - b) <= margin, a - b > margin
            below = ~(equal | above)
            result &= {
                "<": below, "<=": below | equal, ">": above, ">=": above | equal, "=": equal,
                "!=": ~equal,
            }[sign]  # fmt: skip
        return result


def holds(where: Where | Condition | None, design: Design, file: AtticFile) -> NDArray[np.bool_]:
    """Which layouts of a design a filter lets pass, (L,).

    Raises
    ------
    SweepError
        If the text cannot be read, or the function fails or gives no truth value.
    """
    count = len(design)
    if where is None:
        return np.ones(count, dtype=bool)
    if isinstance(where, str):
        where = read_condition(where, design.parameters, file)
    if isinstance(where, Condition):
        columns = {p.name: c for p, c in zip(design.parameters, design.columns, strict=True)}
        return where.holds(columns, count)
    if not callable(where):
        raise SweepError(f"where is {where!r}; give a text or a function of a layout's values.")
    passed = np.empty(count, dtype=bool)
    for number in range(count):
        values = design.layout(number)
        try:
            verdict = where(values)
        except Exception as error:
            raise SweepError(
                f"where fails on layout {number}, {values}: {type(error).__name__}: {error}."
            ) from error
        if not isinstance(verdict, bool | np.bool_):
            raise SweepError(
                f"where gives {verdict!r} on layout {number}; it must give True or False."
            )
        passed[number] = verdict
    return passed


def read_condition(text: str, parameters: Iterable[Parameter], file: AtticFile) -> Condition:
    """A condition from its text; see the module for what it may say.

    Raises
    ------
    SweepError
        If it cannot be read, speaks of what is no number, or compares metres with ohms.
    """
    if not isinstance(text, str) or not text.strip():
        raise SweepError(f"where is {text!r}; give a text, as 'element.long.length > 9 m'.")
    reader = _Reader(text, tuple(parameters), file)
    return Condition(text, tuple(reader.condition()))


class _Reader:
    """One pass over a text, names before all else, the longest first."""

    def __init__(self, text: str, parameters: tuple[Parameter, ...], file: AtticFile) -> None:
        self.text, self.at = text, 0
        self.varied = {p.name: p for p in parameters}
        self.fixed = {k: v for k, v in known_numbers(file) if k not in self.varied}
        self.names = {name: name for name in (*self.varied, *self.fixed)}
        for name in list(self.names):  # an element's name alone is its length
            if name.startswith("element.") and name.endswith(".length"):
                short = name.removeprefix("element.").removesuffix(".length")
                if resolve(file, short)[0] == name:
                    self.names.setdefault(short, name)
        self.longest = sorted(self.names, key=len, reverse=True)

    def error(self, problem: str) -> SweepError:
        rest = self.text[self.at :].strip()
        where = f", at {rest[:30]!r}" if rest else ""
        return SweepError(f"where = {self.text!r}{where}: {problem}")

    def skip(self) -> None:
        while self.at < len(self.text) and self.text[self.at].isspace():
            self.at += 1

    def taken(self, pattern: re.Pattern[str]) -> str | None:
        self.skip()
        match = pattern.match(self.text, self.at)
        if match is None:
            return None
        self.at = match.end()
        return match[0]

    def condition(self) -> Iterable[tuple[_Sum, str, _Sum]]:
        while True:
            left, unit = self.sum()
            sign = self.taken(_SIGN)
            if sign is None:
                raise self.error("a comparison is due here: <, <=, >, >=, = or !=.")
            right, other = self.sum()
            if unit and other and unit != other:
                raise self.error(f"{unit} on the left cannot be compared with {other}.")
            yield left, "=" if sign == "==" else sign, right
            self.skip()
            if self.at >= len(self.text):
                return
            if self.taken(re.compile(r"and\b")) is None:
                raise self.error("'and' with another comparison, or nothing, is due here.")

    def sum(self) -> tuple[_Sum, str]:
        factors: dict[str, float] = {}
        constant, units = 0.0, set()
        sign = -1.0 if self.taken(re.compile(r"[-+]")) == "-" else 1.0
        while True:
            name, value, unit = self.term()
            units |= {unit} - {""}
            if name is None:
                constant += sign * value
            else:
                factors[name] = factors.get(name, 0.0) + sign * value
            if len(units) > 1:
                raise self.error(f"{' and '.join(sorted(units))} cannot be added.")
            following = self.taken(re.compile(r"[-+]"))
            if following is None:
                return _Sum(tuple(factors.items()), constant), units.pop() if units else ""
            sign = -1.0 if following == "-" else 1.0

    def term(self) -> tuple[str | None, float, str]:
        """Parameter or None, its factor or the value, and the unit."""
        found = self.name()
        if found is not None:
            return self.parameter(found, 1.0)
        text = self.taken(_QUANTITY)
        read = None if text is None else self.quantity(text)
        if read is None:
            word = re.match(r"\s*[\w.]*", self.text[self.at :])
            near = nearest("" if word is None else word[0].strip(), self.longest)
            numbers = ", ".join(self.varied) or "none"
            raise self.error(
                f"a parameter or a quantity as '1.5 m' is due here. {near}Varied are: {numbers}; "
                "other numbers of the file go too."
            )
        if self.taken(re.compile(r"\*")) is None:
            return None, *read
        found = self.name()
        if found is None or read[1]:
            raise self.error("a factor is a plain number before a parameter, as 2 * antenna.x.")
        return self.parameter(found, read[0])

    def quantity(self, text: str) -> tuple[float, str] | None:
        """Of a number and the word after it, unless that is the next "and"."""
        head = re.fullmatch(r"(.*?)\s*\band", text)
        if head is not None:
            self.at -= len(text) - len(head[1])
            text = head[1]
        return read_quantity(text)

    def name(self) -> str | None:
        self.skip()
        for name in self.longest:
            end = self.at + len(name)
            if self.text.startswith(name, self.at) and not re.match(r"[\w.]", self.text[end:]):
                self.at = end
                return self.names[name]
        return None

    def parameter(self, name: str, factor: float) -> tuple[str | None, float, str]:
        if name in self.fixed:
            value, unit = self.fixed[name]
            return None, factor * value, unit
        parameter = self.varied[name]
        if parameter.choices and not parameter.is_number:
            raise self.error(f"{name!r} takes values that are no numbers; they cannot be compared.")
        return name, factor, parameter.unit
