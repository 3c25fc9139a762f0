"""The best layouts of a sweep, as plain rows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..answer_records import data_frame
from ..errors import SweepError
from ..moments.basis import FloatArray
from .sweep_conditions import Mask
from .sweep_quantities import Asked, file_units
from .sweep_records import Parameter

if TYPE_CHECKING:
    from .sweep_result import SweepResult


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
    units : tuple of str
        In which the file tells them.
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
    units: tuple[str, ...]
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


def rank_layouts(
    result: SweepResult,
    by: str | None,
    *,
    best: Literal["high", "low"] | None,
    bands: Sequence[str] | None,
    where: str | Mask | Sequence[str | Mask],
    show: Sequence[str],
    count: int,
) -> Ranking:
    """See `SweepResult.rank`."""
    is_number = isinstance(count, int | np.integer) and not isinstance(count, bool)
    if not is_number or count < 1:
        raise SweepError(f"count is {count!r}; at least one place is needed.")
    asked, way = result.judged(by or result.natural, best)
    among = result
    if not isinstance(where, str | np.ndarray | list | tuple):
        raise SweepError(
            f"where is {where!r}; give a condition as text, a mask, or a list of them, as "
            "'worst swr < 3'."
        )
    for condition in (where,) if isinstance(where, str | np.ndarray) else tuple(where):
        among = among.filter(condition, bands=bands)
    told = [asked]
    besides = (show,) if isinstance(show, str) else tuple(show)
    for name in (*(n for n in ("efficiency", "swr") if result.has(n)), *besides):
        one = result.told(name)
        if one not in told and not one.is_parameter:  # parameters are told anyhow
            told.append(one)
    values = result.one_a_layout(told, bands)
    rankable = among.done & among.passed & ~np.isnan(values[0])
    for one, column in zip(told, values, strict=True):
        if one.quantity.name == "swr":  # no layout without an impedance has been computed
            rankable &= ~np.isnan(column)
    numbers = np.flatnonzero(rankable)
    first = numbers[_least((1.0 if way == "low" else -1.0) * values[0][numbers], int(count))]
    plan = result.plan
    rows = tuple(
        RankedLayout(
            place,
            number,
            plan.design.layout(number),
            {one.name: float(column[number]) for one, column in zip(told, values, strict=True)},
        )
        for place, number in enumerate(first.tolist(), start=1)
    )
    return Ranking(
        result.name,
        asked,
        way,
        rows,
        tuple(told),
        plan.design.parameters,
        file_units(plan),
        tuple(plan.bands[k].name for k in result.band_places(bands)),
        among.where,
        int(numbers.size),
        _left_out(among, rankable),
        float(plan.settings.get("reference", np.nan)),
        float(plan.settings.get("power", np.nan)),
    )


def _left_out(among: SweepResult, rankable: Mask) -> dict[str, int]:
    found = {name: number for name, number in among.counts.items() if name != "done"}
    ruled_out = among.done & ~among.passed
    found["ruled out"] = int(np.count_nonzero(ruled_out))
    found["no figure"] = int(np.count_nonzero(among.done & ~ruled_out & ~rankable))
    return found


def _least(values: FloatArray, count: int) -> NDArray[np.int64]:
    """Places of the least values in order; ties by place."""
    if count < values.size:
        edge = np.partition(values, count - 1)[count - 1]
        among = np.flatnonzero(values <= edge)
        return among[np.argsort(values[among], kind="stable")][:count]
    return np.argsort(values, kind="stable")
