"""The layouts of a sweep as plans and scenes: which fit, and which share what is costly."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np

from ...geometry import Scene
from ...geometry.attic_file import plan_from
from ...geometry.own_values import with_own_values
from ...geometry.plan import AtticPlan
from ...geometry.positions import TomlPath
from ...geometry.text_edits import with_values
from ..errors import SweepError
from ..moments.basis import IntArray
from .sweep_filter import Where, holds
from .sweep_names import resolve, value_at
from .sweep_records import Design
from .sweep_trials import READING_ERRORS
from .sweep_values import written

__all__ = ["NOT_WANTED", "LayoutPlans"]

NOT_WANTED = "left out by where"
"""Reason of a layout that a filter of the user's ruled out."""

STUB = "5 cm"
"""Length of elements in the base of a group whose first layout does not fit: the shortest."""

MATERIALS = ("earth", "house", "line", "tuner", "transformer")
"""Tables that leave the geometry as it is; they change fastest in the order of groups."""


class LayoutPlans:
    """The layouts of a design, as plans.

    Parameters
    ----------
    plan : AtticPlan
        What is varied.
    design : Design
        From `design_layouts` with the same plan.
    where : str or callable, optional
        Which layouts are wanted: a condition as "element.long.length > element.cross.length + 1 m"
        (see `sweep_filter`), or a function of a dict of values that gives True or False.

    Raises
    ------
    AtticFileError
        If the plan was changed in a way that its text cannot say.
    SweepError
        If the condition cannot be read.
    """

    def __init__(self, plan: AtticPlan, design: Design, *, where: Where | None = None) -> None:
        _ = plan.text  # complains if it does not say what the plan is
        self.plan = plan
        self.design = design
        self.paths = tuple(resolve(plan.file, p.name)[1] for p in design.parameters)
        self._like = tuple(value_at(plan.file.document, path) for path in self.paths)
        self._outer = np.array([p.is_outer for p in design.parameters], dtype=bool)
        self.wanted = holds(where, design, plan.file)
        """Layouts that `where` lets pass, (L,)."""

    def __len__(self) -> int:
        return len(self.design)

    def values(self, number: int) -> dict[TomlPath, Any]:
        """Values of a layout as the file says them, by the path of their keys."""
        return self.values_of(number, range(len(self.paths)))

    def values_of(self, number: int, which: Iterable[int]) -> dict[TomlPath, Any]:
        """The same of some parameters, by their place in the design."""
        if not 0 <= number < len(self.design):
            raise SweepError(
                f"There is no layout {number}; they are numbered 0 to {len(self.design) - 1}."
            )
        found: dict[TomlPath, Any] = {}
        for n in which:
            parameter, value = self.design.parameters[n], self.design.columns[n][number]
            if parameter.choices and not parameter.is_number:
                found[self.paths[n]] = parameter.choices[int(value)]
            else:
                found[self.paths[n]] = written(float(value), parameter.unit, like=self._like[n])
        return found

    def plan_of(self, number: int) -> AtticPlan:
        """The whole plan of a layout; its `text` is the file to save.

        Raises
        ------
        AtticFileError
            If the layout does not fit.
        """
        return plan_from(with_values(self.plan.file, self.values(number)))

    # ---- what is shared ------------------------------------------------------------------

    def outer_groups(self) -> list[IntArray]:
        """Numbers of layouts that share all outer parameters, rising, a group each.

        Groups that differ in materials alone (earth, moisture) follow each other, since they share
        their geometry. Layouts that `where` leaves out are in no group.
        """
        numbers = np.flatnonzero(self.wanted)
        outer = [n for n in range(len(self.paths)) if self._outer[n]]
        if not outer or not numbers.size:
            return [numbers] if numbers.size else []
        outer.sort(key=lambda n: self.paths[n][0] in MATERIALS)
        codes = np.stack(
            [np.unique(self.design.columns[n][numbers], return_inverse=True)[1] for n in outer]
        )
        order = np.lexsort((numbers, *codes[::-1]))
        steps = np.any(np.diff(codes[:, order], axis=1) != 0, axis=0)
        return [numbers[part] for part in np.split(order, np.flatnonzero(steps) + 1)]

    def base_plan(self, group: Sequence[int] | IntArray) -> AtticPlan:
        """A plan with the outer values of a group in place, for `inner_plan`.

        Its elements are those of the group's first layout; where these do not fit, those varied in
        length are stubs, on the first routes of the group that do.

        Raises
        ------
        AtticFileError
            If no layout of the group fits, whatever the lengths.
        """
        first = int(group[0])
        try:
            return plan_from(with_values(self.plan.file, self.values(first)))
        except READING_ERRORS as error:
            fault = error
        lengths = [path for path in self.paths if path[0] == "element" and path[-1] == "length"]
        routes = [n for n, path in enumerate(self.paths) if path[-1] == "route"]
        ways = {tuple(int(self.design.columns[n][k]) for n in routes): int(k) for k in group[::-1]}
        for number in sorted(ways.values()):
            values = {**self.values(first), **self.values_of(number, routes)}
            try:
                return plan_from(
                    with_values(self.plan.file, {**values, **dict.fromkeys(lengths, STUB)})
                )
            except READING_ERRORS as error:
                fault = error
        raise fault

    def inner_plan(self, base: AtticPlan, number: int) -> AtticPlan:
        """The plan of a layout from the base of its group: the same scene, sooner.

        House and counterpoise are those of the base; its `text` is only had from `plan_of`.

        Raises
        ------
        AtticFileError
            If the layout does not fit.
        """
        inner = self.values_of(number, np.flatnonzero(~self._outer))
        if not inner:
            return base
        return with_own_values(
            base, inner, text_fault=f"The text of layout {number} is plan_of({number}).text."
        )

    # ---- which fit -----------------------------------------------------------------------

    def scene_or_reason(
        self, number: int, base: AtticPlan | None = None
    ) -> tuple[Scene | None, str]:
        """The scene of a layout, or None and why it is unfit.

        Parameters
        ----------
        number : int
        base : AtticPlan, optional
            Of its group; read anew where left out.
        """
        if not self.wanted[number]:
            return None, NOT_WANTED
        try:
            plan = self.plan_of(number) if base is None else self.inner_plan(base, number)
            return plan.scene(), ""
        except READING_ERRORS as error:
            return None, str(error)

    def fits(self) -> Iterator[tuple[int, str]]:
        """All layouts, group by group, each with "" or why it is unfit."""
        for number in np.flatnonzero(~self.wanted):
            yield int(number), NOT_WANTED
        for group in self.outer_groups():
            try:
                base = self.base_plan(group)
            except READING_ERRORS as error:
                yield from ((int(number), str(error)) for number in group)
                continue
            for number in group:
                yield int(number), self.scene_or_reason(int(number), base)[1]
