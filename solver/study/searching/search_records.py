"""What a search found: layouts, the front, and the best of them solved in full."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from ...answer_records import data_frame
from ...bands import Band
from ...errors import TargetError
from ..sweep_fronts import pareto_front
from ..sweep_quantities import Asked, axis_label
from ..sweep_records import Parameter
from .goals import Goal, Limit
from .varying import GRAIN, Variant, room_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ....geometry.plan import AtticPlan

__all__ = ["Checked", "FoundLayout", "SearchResult"]


@dataclass(frozen=True, eq=False)
class FoundLayout:
    """A layout that the search looked at.

    Attributes
    ----------
    number : int
        In the order in which they were looked at.
    variant : int
        Which combination of choices.
    choices : mapping of str to value
        What was chosen, as in the file.
    lengths : mapping of str to float
        Of the elements whose length was sought. [m]
    figures : mapping of str to float
        Goals, and what is told beside, in the worst of the houses.
    held : mapping of str to float
        What each limit is held against, by its text.
    broken : float
        By how much limits are broken; 0 where all are kept. [Np]
    score : float
        Goals by their weights, broken limits counted in; less is better. [Np]
    houses : int
        In how many houses it was looked at.
    is_start : bool
        Whether it is of the first, even spread.
    is_told : bool
        Whether it is the layout as the file tells it.
    """

    number: int
    variant: int
    choices: Mapping[str, Any]
    lengths: Mapping[str, float]
    figures: Mapping[str, float]
    held: Mapping[str, float]
    broken: float
    score: float
    houses: int
    is_start: bool
    is_told: bool = False

    @property
    def keeps_limits(self) -> bool:
        """Whether it keeps all limits that can be seen without a full solve."""
        return self.broken == 0.0


@dataclass(frozen=True, eq=False)
class Checked:
    """A layout solved in full, on a mesh of its own, in the house as it is told.

    Attributes
    ----------
    number : int
        Of the layout.
    searched, solved : mapping of str to float
        Goals, and what is told beside, as the search has them and as the full solve does.
    held : mapping of str to float
        What each limit is held against in the full solve, by its text.
    difference : float
        Greatest of reflection coefficients and of parts of the power, on all bands.
    broken : float
        By how much limits are broken, wire voltages and exposure too; 0 where all are kept. [Np]
    """

    number: int
    searched: Mapping[str, float]
    solved: Mapping[str, float]
    held: Mapping[str, float]
    difference: float
    broken: float

    @property
    def keeps_limits(self) -> bool:
        """Whether all limits are kept, wire voltages and exposure too."""
        return self.broken == 0.0


@dataclass(frozen=True, repr=False, eq=False)
class SearchResult:
    """What a search found.

    Attributes
    ----------
    name : str
        Of the attic file.
    parameters : tuple of Parameter
        What was varied.
    goals, shown : tuple of Goal
        What was sought, and what is told beside.
    limits : tuple of Limit
    bands : tuple of Band
    layouts : tuple of FoundLayout
        All that were looked at.
    checked : tuple of Checked
        The best first.
    variants : tuple of Variant
        Combinations of choices, as plans.
    houses : int
        In how many houses goals and limits count: the one that is told, and those drawn.
    budget, spent : int
        Solves.
    seed : int
    reference, power : float
        What SWR refers to [ohm]; into the feed point [W].
    remarks : tuple of str
        What was assumed, left out or found wanting.
    seconds : float
        How long it took. [s]
    """

    name: str
    parameters: tuple[Parameter, ...]
    goals: tuple[Goal, ...]
    shown: tuple[Goal, ...]
    limits: tuple[Limit, ...]
    bands: tuple[Band, ...]
    layouts: tuple[FoundLayout, ...]
    checked: tuple[Checked, ...]
    variants: tuple[Variant, ...]
    houses: int
    budget: int
    spent: int
    seed: int
    reference: float
    power: float
    remarks: tuple[str, ...] = ()
    seconds: float = field(default=0.0)

    def __len__(self) -> int:
        return len(self.layouts)

    def __iter__(self) -> Iterator[FoundLayout]:
        return iter(self.layouts)

    def __getitem__(self, number: int) -> FoundLayout:
        if not 0 <= number < len(self.layouts):
            raise TargetError(
                f"There is no layout {number}; they are numbered 0 to {len(self.layouts) - 1}."
            )
        return self.layouts[number]

    # ---- which are good ------------------------------------------------------------------

    @property
    def in_all_houses(self) -> tuple[FoundLayout, ...]:
        """Those that were looked at in all houses."""
        return tuple(one for one in self.layouts if one.houses == self.houses)

    @property
    def are_met(self) -> bool:
        """Whether any layout keeps all limits, as far as was seen.

        Where limits can be seen in full solves only and some were made, one of them must keep all.
        """
        if self.checked and any(limit.is_late for limit in self.limits):
            return any(self.broken(self[one.number]) == 0.0 for one in self.checked)
        return bool(self.keeping)

    @property
    def keeping(self) -> tuple[FoundLayout, ...]:
        """Layouts that break no limit, as far as was seen."""
        return tuple(one for one in self.in_all_houses if self.broken(one) == 0.0)

    def check_of(self, number: int) -> bool | None:
        """Whether a layout keeps all limits in full; None where it was not solved so."""
        for one in self.checked:
            if one.number == number:
                return one.keeps_limits
        return None

    def broken(self, layout: FoundLayout) -> float:
        """By how much a layout breaks limits, in full where it was solved so. [Np]"""
        for one in self.checked:
            if one.number == layout.number:
                # a full solve sees the house as it is told, and no other
                return one.broken if self.houses == 1 else max(one.broken, layout.broken)
        return layout.broken

    @property
    def best(self) -> FoundLayout:
        """By the goals' weights: one that keeps all limits, or else breaks them least."""
        return self.ranked()[0]

    def ranked(self, weights: Sequence[float] | None = None) -> list[FoundLayout]:
        """The best first, by the goals' own weights or by others.

        Those that keep all limits come first, of them those that were solved in full where some
        limits are seen there alone; then the others by how little they break limits.
        """
        own = [goal.weight for goal in self.goals] if weights is None else list(weights)
        has_late = any(limit.is_late for limit in self.limits)

        def score(one: FoundLayout) -> tuple[Any, ...]:
            passed = 0 if self.check_of(one.number) or not has_late else 1
            each = [_loss(goal, one) for goal in self.goals]
            loss = sum(w * x for w, x in zip(own, each, strict=True))
            broken = self.broken(one)
            if broken and one.broken:
                broken = one.broken  # all by the same model: full solves of a few differ a little
            return (broken > 0.0, passed, broken, loss, one.number)

        return sorted(self.in_all_houses, key=score)

    @property
    def as_told(self) -> FoundLayout | None:
        """The layout as the file tells it; None where it is not among those sought."""
        return next((one for one in self.in_all_houses if one.is_told), None)

    def stopped(self, layout: FoundLayout) -> dict[str, str]:
        """Lengths that are at an end of what was sought, by parameter.

        "way" where the element's way ends there, "range" where it could go farther.
        """
        found = {}
        for parameter in self.parameters:
            if parameter.name in layout.choices:
                continue
            length = float(self.value(parameter, layout))
            variant, name = self.variants[layout.variant], _element(parameter)
            low, high = variant.ranges[name]
            if length > high - GRAIN:
                is_way = high > room_of(variant.plan, name) - 2.0 * GRAIN
                found[parameter.name] = "way" if is_way else "range"
            elif length < low + GRAIN:
                found[parameter.name] = "range"
        return found

    @property
    def best_by_goal(self) -> dict[str, FoundLayout]:
        """The best of each goal alone, limits kept where that can be."""
        weights = np.eye(len(self.goals))
        return {
            goal.name: self.ranked(row)[0]
            for goal, row in zip(self.goals, weights.tolist(), strict=True)
        }

    @property
    def criteria(self) -> tuple[Goal, ...]:
        """What the front is about: the goals, or the only one and what goes against it."""
        return self.goals if len(self.goals) > 1 else (*self.goals, *self.shown[:1])

    @property
    def front(self) -> tuple[FoundLayout, ...]:
        """Layouts that no other one is as good as in all criteria and better than in one.

        Of those that keep all limits, where any does, or else of all, limits left aside; the best
        in the first goal first.
        """
        some = self.keeping or self.in_all_houses
        values = np.array([[_loss(goal, one) for goal in self.criteria] for one in some])
        rows = pareto_front(values)
        return tuple(some[k] for k in sorted(rows, key=lambda k: tuple(values[k])))

    # ---- as plans ------------------------------------------------------------------------

    def plan_of(self, number: int) -> AtticPlan:
        """A layout as a plan, lengths to the millimetre; its `text` is the attic file to save.

        Raises
        ------
        TargetError
            If there is no such layout.
        """
        one = self[number]
        return self.variants[one.variant].plan_at(one.lengths)

    # ---- how it shows itself -------------------------------------------------------------

    @property
    def asked(self) -> tuple[Asked, ...]:
        """All that is told of a layout, the goals first."""
        return tuple(goal.asked for goal in (*self.goals, *self.shown))

    def value(self, parameter: Parameter, layout: FoundLayout) -> Any:
        """A layout's value of a parameter, as in the file; lengths in metres."""
        if parameter.name in layout.choices:
            return layout.choices[parameter.name]
        return layout.lengths[_element(parameter)]

    def to_dataframe(self) -> Any:
        """One row a layout; needs pandas."""
        columns: dict[str, list[Any]] = {}
        for one in self.layouts:
            row: dict[str, Any] = {"layout": one.number}
            for parameter in self.parameters:
                value = self.value(parameter, one)
                row[parameter.name] = value if isinstance(value, float) else axis_label(value)
            row |= dict(one.figures) | dict(one.held)
            row |= {
                "keeps_limits": self.broken(one) == 0.0,
                "houses": one.houses,
                "score": one.score,
            }
            for key, value in row.items():
                columns.setdefault(key, []).append(value)
        return data_frame(columns)

    def plot(self, ax: Axes | None = None) -> Axes:
        """All layouts by two criteria, the front, and what is on it."""
        from ...views.search_figures import draw_search

        return draw_search(self, ax)

    def to_text(self, *, width: int = 100) -> str:
        """The printed form, paragraphs no wider than `width`."""
        from ...views.search_page import search_text

        return search_text(self, width=width)

    def __str__(self) -> str:
        return self.to_text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from ...views.search_page import search_html

        return search_html(self)


def _element(parameter: Parameter) -> str:
    """Whose length it is."""
    return ".".join(parameter.name.split(".")[1:-1])


def _loss(goal: Goal, one: FoundLayout) -> float:
    """Less is better. [Np]"""
    value = max(one.figures[goal.name], 1e-12)
    return float(-np.log(value) if goal.high_is_better else np.log(min(value, 1e12)))
