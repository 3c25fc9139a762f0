"""What is not known exactly of an attic: one unknown, and the list of them with its table."""

from __future__ import annotations

import html
import textwrap
from dataclasses import dataclass

from ...errors import PriorError
from .distributions import Distribution

__all__ = ["KINDS", "Unknown", "Unknowns"]

KINDS = ("key", "length", "lead", "cables")

_PREFIXES = {"H": (1e6, "uH"), "F": (1e12, "pF"), "S/m": (1e3, "mS/m")}


@dataclass(frozen=True, repr=False)
class Unknown:
    """A value that nobody knows exactly.

    Attributes
    ----------
    name : str
        In words, its own: "ground conductivity".
    kind : str
        What it changes. "key": a key of the attic file, and with it the house; "length": the
        electrical length of an element, relative to what the file says; "lead": an inductance in
        series with the feed point; "cables": cables of the house that nobody told of.
    key : str
        Of "key", the name of the key as sweeps call it; of "length", the element's; else "".
    distribution : Distribution
        Of its value. [unit; length: part of one, 0.01 is 1 % longer; lead: H; cables: how many]
    unit : str
        "m", "S/m", "H", "ohm", "F", or "" for plain numbers and parts of one.
    reason : str
        Why it is spread like that.
    measure : str
        How it could be known better.
    """

    name: str
    kind: str
    key: str
    distribution: Distribution
    unit: str = ""
    reason: str = ""
    measure: str = ""

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise PriorError(
                f"Unknown {self.name!r}: kind is {self.kind!r}; it must be one of "
                f"{', '.join(map(repr, KINDS))}."
            )
        if not isinstance(self.distribution, Distribution):
            raise PriorError(
                f"Unknown {self.name!r}: {self.distribution!r} is no Distribution; make one with "
                "Distribution.normal, lognormal or between."
            )

    @property
    def is_in_per_cent(self) -> bool:
        """Whether its value, a part of one, reads better in per cent."""
        return self.kind == "length" or (not self.unit and self.key.endswith("moisture"))

    def in_words(self, value: float) -> str:
        """A value with its unit, "14 %", "4 mS/m"."""
        if self.is_in_per_cent:
            return f"{100.0 * value:.3g} %"
        by, unit = _PREFIXES.get(self.unit, (1.0, self.unit))
        return f"{by * value:.4g} {unit}".rstrip()

    @property
    def row(self) -> tuple[str, str, str]:
        """Name, middle, and what holds four cases in five, in words."""
        low, high = self.distribution.four_in_five
        return (
            self.name,
            self.in_words(self.distribution.middle),
            f"{self.in_words(low)} to {self.in_words(high)}",
        )

    def __repr__(self) -> str:
        name, middle, range_ = self.row
        return f"<Unknown {name!r}: {middle}, 10-90 % {range_}>"


class Unknowns(tuple[Unknown, ...]):
    """Unknowns of an attic, in their order; shows itself as a table."""

    __slots__ = ()

    def named(self, name: str) -> Unknown:
        """That of a name.

        Raises
        ------
        PriorError
            If none is called so.
        """
        for one in self:
            if one.name == name:
                return one
        raise PriorError(
            f"Nothing unknown is called {name!r}. There are: "
            f"{', '.join(repr(one.name) for one in self) or 'none'}."
        )

    @property
    def names(self) -> tuple[str, ...]:
        """Their names."""
        return tuple(one.name for one in self)

    def of_kind(self, *kinds: str) -> Unknowns:
        """Those of some kinds, in their order."""
        return Unknowns(one for one in self if one.kind in kinds)

    def __repr__(self) -> str:
        if not self:
            return "Nothing is unknown: all values are taken as told."
        rows = [("unknown", "middle", "10-90 %"), *(one.row for one in self)]
        widths = [max(len(row[n]) for row in rows) for n in range(3)]
        lines: list[str] = []
        for row, why in zip(rows, ["why", *(one.reason for one in self)], strict=True):
            head = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
            first, *more = textwrap.wrap(why, max(100 - len(head), 40)) or [""]
            lines.append(f"{head}  {first}".rstrip())
            lines += [f"{'':{len(head)}}  {line}" for line in more]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        rows = ""
        for one in self:
            cells = (f"<td>{html.escape(cell)}</td>" for cell in (*one.row, one.reason))
            rows += f"<tr>{''.join(cells)}</tr>"
        return (
            "<table><caption>What is not known exactly</caption><tr><th>unknown</th>"
            f"<th>middle</th><th>10-90 %</th><th>why</th></tr>{rows}</table>"
        )
