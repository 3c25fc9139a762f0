"""The best layouts of a sweep, as plain rows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..answer_records import data_frame
from .sweep_quantities import Asked
from .sweep_records import Parameter


@dataclass(frozen=True)
class RankedLayout:
    """One layout of a ranking.

    Attributes
    ----------
    place : int
        1 is the best.
    layout : int
        Its number in the sweep.
    parameters : mapping of str to value
        As `Design.layout` has them, in SI units.
    quantities : mapping of str to float
        By the name under which they were asked for.
    """

    place: int
    layout: int
    parameters: Mapping[str, Any]
    quantities: Mapping[str, float]


@dataclass(frozen=True, repr=False)
class Ranking:
    """Layouts in order, the best first.

    Attributes
    ----------
    name : str
        Of the attic file.
    by : Asked
        What ranks.
    best : "high" or "low"
    rows : tuple of RankedLayout
    shown : tuple of Asked
        What is told of each, `by` first.
    parameters : tuple of Parameter
    bands : tuple of str
        Those that count.
    where : tuple of str
        Conditions that all of them meet.
    ranked : int
        How many layouts have a place, told here or not.
    left_out : mapping of str to int
        How many have none, by why: "waiting", "unfit", "failed", "ruled out", "no figure".
    reference : float
        What SWR refers to. [ohm]
    power : float
        Into the feed point, for volts. [W]
    """

    name: str
    by: Asked
    best: Literal["high", "low"]
    rows: tuple[RankedLayout, ...]
    shown: tuple[Asked, ...]
    parameters: tuple[Parameter, ...]
    bands: tuple[str, ...]
    where: tuple[str, ...]
    ranked: int
    left_out: Mapping[str, int]
    reference: float
    power: float

    def __iter__(self) -> Iterator[RankedLayout]:
        return iter(self.rows)

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def layouts(self) -> NDArray[np.int64]:
        """Numbers of the layouts, the best first."""
        return np.array([row.layout for row in self.rows], dtype=np.int64)

    def to_dataframe(self) -> Any:
        """One row a place; needs pandas."""
        columns: dict[str, list[Any]] = {"place": [], "layout": []}
        for row in self.rows:
            values = {"place": row.place, "layout": row.layout}
            for key, value in (values | dict(row.parameters) | dict(row.quantities)).items():
                columns.setdefault(key, []).append(value)
        return data_frame(columns)

    def to_text(self, *, width: int = 100) -> str:
        """The printed ranking."""
        from ..views.sweep_page import ranking_text

        return ranking_text(self, width=width)

    def __str__(self) -> str:
        return self.to_text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from ..views.sweep_page import ranking_html

        return ranking_html(self)
