"""What a search may change: lengths within ranges, and choices, each a house of its own."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from ....geometry import Length, metres
from ....geometry.attic_file import plan_from
from ....geometry.plan import AtticPlan
from ....geometry.positions import TomlPath
from ....geometry.text_edits import with_values
from ...errors import TargetError
from ..model.lengths import LEAST_PAST_CORNER, PAST_LOAD, last_loads
from ..sweep_layouts import LayoutPlans
from ..sweep_names import resolve, value_at
from ..sweep_parameters import design_layouts, read_parameter
from ..sweep_records import Design, Parameter
from ..sweep_trials import READING_ERRORS
from ..sweep_values import written

__all__ = ["Variant", "Varied", "read_vary"]

MOST_VARIANTS = 24
"""Each is a model of its own, minutes on a whole house."""

SHORTER, LONGER = 0.6, 1.25
"""Of the told lengths, the range where nothing is told to be varied; no farther than the way."""

GRAIN = 1e-3
"""Lengths are told to the millimetre. [m]"""


@dataclass(frozen=True, eq=False)
class Variant:
    """One combination of choices.

    Attributes
    ----------
    number : int
        Of the layout in the design of choices.
    plan : AtticPlan
    choices : mapping of str to value
        By the parameter's name, as in the file.
    ranges : mapping of str to (low, high)
        Of the lengths that are sought, as far as the way goes. [m]
    told : mapping of str to float
        Lengths of all elements as they are told. [m]
    is_told : bool
        Whether what the file tells of all choices is this one.
    """

    number: int
    plan: AtticPlan
    choices: Mapping[str, Any]
    ranges: Mapping[str, tuple[float, float]]
    told: Mapping[str, float]
    is_told: bool = True

    @property
    def has_told(self) -> bool:
        """Whether the layout as the file tells it is among those sought."""
        return self.is_told and all(
            low - GRAIN <= self.told[name] <= high + GRAIN
            for name, (low, high) in self.ranges.items()
        )

    def plan_at(self, lengths: Mapping[str, float]) -> AtticPlan:
        """The plan with lengths, to the millimetre. [m]"""
        wanted = {
            name: Length(held_to_grain(lengths[name], *self.ranges[name])) for name in self.ranges
        }
        return self.plan.with_element_length(**wanted) if wanted else self.plan


def room_of(plan: AtticPlan, element: str) -> float:
    """How far the way of an element goes, from the feed point to its end. [m]"""
    antenna = plan.antenna
    if antenna is None:
        raise TargetError("There is no [antenna] with elements whose lengths could be sought.")
    return float(antenna.element(element).room([metres(v) for v in antenna.feed_point]))


def held_to_grain(length: float, low: float, high: float) -> float:
    """A length to the millimetre, within its range. [m]"""
    found = round(length / GRAIN) * GRAIN
    if found > high:
        found -= GRAIN
    if found < low:
        found += GRAIN
    return round(min(max(found, low), high), 6)


@dataclass(frozen=True, eq=False)
class Varied:
    """All that is varied.

    Attributes
    ----------
    plan : AtticPlan
    lengths : mapping of str to (low, high)
        By element. [m]
    choices : Design or None
        All combinations of what is no length.
    parameters : tuple of Parameter
        As they were told: the lengths first.
    assumed : str
        What was assumed where nothing was told, else "".
    places : mapping of str to TomlPath
        Where the file tells the range of an element's length, if it does.
    """

    plan: AtticPlan
    lengths: Mapping[str, tuple[float, float]]
    choices: Design | None
    parameters: tuple[Parameter, ...]
    assumed: str = ""
    places: Mapping[str, TomlPath] = field(default_factory=dict)

    @cached_property
    def _plans(self) -> LayoutPlans | None:
        return None if self.choices is None else LayoutPlans(self.plan, self.choices)

    @cached_property
    def _told_choices(self) -> Mapping[str, Any]:
        """What the file tells of all that is chosen; nothing where it leaves some to be assumed."""
        names = [] if self.choices is None else [one.name for one in self.choices.parameters]
        file = self.plan.file
        told = {name: [value_at(file.document, resolve(file, name)[1])] for name in names}
        if [None] in told.values():
            return {}
        return design_layouts(self.plan, told).layout(0)

    def variants(self) -> tuple[tuple[Variant, ...], tuple[str, ...]]:
        """Those that fit the attic, and why the others do not.

        Raises
        ------
        TargetError
            If none fits, or a range goes farther than every way.
        AtticFileError
            The same of a range that the file tells.
        """
        found: list[Variant] = []
        unfit: list[str] = []
        rooms: dict[str, float] = dict.fromkeys(self.lengths, 0.0)
        for number in range(1 if self.choices is None else len(self.choices)):
            choices = {} if self.choices is None else self.choices.layout(number)
            try:
                plan = self._plan(number)
                own, told = self._ranges(plan, rooms)
            except (*READING_ERRORS, TargetError) as error:
                if self.choices is None:
                    raise
                unfit.append(str(error))
                continue
            is_told = self.choices is None or choices == self._told_choices
            found.append(Variant(number, plan, choices, own, told, is_told))
        if not found:
            raise TargetError(f"No choice fits the attic: {unfit[0]}")
        for name, (_, high) in self.lengths.items():
            if high > rooms[name] + GRAIN:
                raise self._fault(
                    name,
                    f"Length of {name!r} up to {high:g} m: its way goes {rooms[name]:.3f} m only, "
                    "from the feed point to its end. Let the range end there, or lengthen the "
                    "route.",
                )
        return tuple(found), tuple(unfit)

    def _fault(self, name: str, text: str) -> Exception:
        """Of an element's range, with its line where the file tells it."""
        if name not in self.places:
            return TargetError(text)
        return self.plan.file.error(self.places[name], f"[search.vary]: {text}")

    def _plan(self, number: int) -> AtticPlan:
        """With elements that fit, whatever is told of them where their length is sought."""
        plans = self._plans
        if plans is None:
            return self.plan
        try:
            return plans.plan_of(number)
        except READING_ERRORS:
            if not self.lengths:
                raise
        values = plans.values(number)
        for name, (low, _) in self.lengths.items():
            values[(*self.plan.origins[name], "length")] = written(low, "m")
        return plan_from(with_values(self.plan.file, values))

    def _ranges(
        self, plan: AtticPlan, rooms: dict[str, float]
    ) -> tuple[dict[str, tuple[float, float]], dict[str, float]]:
        antenna = plan.antenna
        if antenna is None:
            raise TargetError("There is no [antenna] with elements whose lengths could be sought.")
        own: dict[str, tuple[float, float]] = {}
        for name, (low, high) in self.lengths.items():
            room = room_of(plan, name)
            rooms[name] = max(rooms[name], room)
            if low >= room:
                raise self._fault(
                    name, f"Length of {name!r} from {low:g} m: its way goes {room:.3f} m only."
                )
            own[name] = (low, min(high, room))
        wires = {wire.name: float(wire.length) for wire in plan.wires}
        return own, {element.name: wires[element.name] for element in antenna.elements}


def read_vary(plan: AtticPlan, told: Mapping[str, Any] | None) -> Varied:
    """Read what is varied.

    Parameters
    ----------
    plan : AtticPlan
    told : mapping of str to values, or None
        By the names of sweeps; an element alone means its length. Lengths take ranges ("9 m to
        14.2 m"), all else lists or ranges with steps. None: all elements, from 0.6 of their length
        to 1.25, or as far as the way goes.

    Raises
    ------
    TargetError
        If nothing is varied, or a range cannot be used so.
    SweepError
        If a name leads nowhere, or no reader takes a value.
    """
    antenna = plan.antenna
    if antenna is None:
        raise TargetError(
            f"{plan.file.name} has no [antenna] with elements; a search is made for their lengths."
        )
    if told is None:
        return _assumed(plan)
    if not isinstance(told, Mapping) or not told:
        raise TargetError(
            f"vary is {told!r}: nothing is to be sought. Give names and ranges, as "
            "{'element.long.length': '9 m to 14 m'}, or leave it out for all elements."
        )
    names = {path: name for name, path in plan.origins.items()}
    lengths: dict[str, tuple[float, float]] = {}
    choices: dict[str, Any] = {}
    parameters: list[Parameter] = []
    seen: set[TomlPath] = set()
    for key, value in told.items():
        parameter = read_parameter(plan, key, value)
        path = resolve(plan.file, parameter.name)[1]
        if path in seen:
            raise TargetError(f"{parameter.name!r} is varied twice; keep one.")
        seen.add(path)
        is_length = path[0] == "element" and path[-1] == "length"
        if is_length and not parameter.choices:
            name = names[path[:-1]]
            lengths[name] = _length_range(parameter, value, _least(plan).get(name, 0.0))
            parameters.append(replace(parameter, unit="m"))
        elif not parameter.choices and math.isnan(parameter.step):
            raise TargetError(
                f"{parameter.name!r} = {value!r}: only lengths of elements are sought in between; "
                "give a list of values, or a step: each is a model of its own."
            )
        else:
            choices[key] = value
    if not lengths and not choices:
        raise TargetError("Nothing is to be sought.")
    design = None
    if choices:
        design = design_layouts(plan, choices)
        if len(design) > MOST_VARIANTS:
            raise TargetError(
                f"{' x '.join(choices)} makes {len(design)} combinations; {MOST_VARIANTS} are the "
                "most, since each is a model of its own. Leave some out, or use a sweep."
            )
        parameters += design.parameters
    return Varied(plan, lengths, design, tuple(parameters))


def _least(plan: AtticPlan) -> dict[str, float]:
    """How short each element may become: its loads stay where they are. [m]"""
    names = tuple(plan.origins)
    loads = last_loads(plan, names)
    return {n: at + PAST_LOAD if at > 0.0 else LEAST_PAST_CORNER for n, at in loads.items()}


def _length_range(parameter: Parameter, told: Any, least: float) -> tuple[float, float]:
    if parameter.unit not in ("", "m"):
        raise TargetError(f"{parameter.name!r} = {told!r}: a length is told in metres.")
    if not math.isnan(parameter.step):
        raise TargetError(
            f"{parameter.name!r} = {told!r}: lengths are sought without steps; leave the step out."
        )
    low, high = float(parameter.low), float(parameter.high)
    if low < LEAST_PAST_CORNER:
        raise TargetError(
            f"{parameter.name!r} = {told!r}: a length is at least {1e3 * LEAST_PAST_CORNER:.0f} mm."
        )
    if low < least - 1e-9:
        raise TargetError(
            f"{parameter.name!r} = {told!r}: its last load sits at {least - PAST_LOAD:.4g} m and "
            f"stays there; begin at {least:.4g} m, or move the load."
        )
    return low, high


def _assumed(plan: AtticPlan) -> Varied:
    antenna = plan.antenna
    if antenna is None or not antenna.elements:
        raise TargetError(f"{plan.file.name} has no elements whose lengths could be sought.")
    wires = {wire.name: float(wire.length) for wire in plan.wires}
    lengths: dict[str, tuple[float, float]] = {}
    least = _least(plan)
    for element in antenna.elements:
        room = room_of(plan, element.name)
        length = wires[element.name]
        lengths[element.name] = (
            round(max(SHORTER * length, min(length, least[element.name])), 3),
            math.floor(1e3 * min(LONGER * length, room)) / 1e3,
        )
    if any(high - low < GRAIN for low, high in lengths.values()):
        raise TargetError("Elements have no room to vary in; tell in vary what is to be sought.")
    parameters = tuple(
        Parameter(f"element.{name}.length", (), low, high, unit="m", is_outer=False)
        for name, (low, high) in lengths.items()
    )
    said = (
        f"lengths of {', '.join(lengths)} from {SHORTER:g} to {LONGER:g} times what they are, as "
        "far as their ways go, since nothing was told to be varied"
    )
    return Varied(plan, lengths, None, parameters, said)
