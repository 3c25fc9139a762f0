"""Goals and limits of a search, from what people write."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...bands import Band
from ...errors import SweepError, TargetError
from ...moments.basis import FloatArray
from ..sweep_conditions import parse_condition
from ..sweep_quantities import Asked
from .quantities import MISMATCH, QUANTITIES, LayoutQuantity

__all__ = ["DEFAULT_GOAL", "Goal", "Limit", "read_goals", "read_limits"]

DEFAULT_GOAL = "worst efficiency"

GOAL_WORDS = ("worst", "mean")
"""How a goal makes one number of all bands and houses."""

COPES = "tuner matched"
"""The limit that the tuner copes with all bands."""

EXPOSURE = "exposure"
"""What is held down in rooms."""

_AN_EXAMPLE = "'swr < 10', 'feed voltage < 600 V', 'low-angle share > 20 %' or 'tuner matched'"


@dataclass(frozen=True)
class Goal:
    """What is to be made as good as it can be.

    Attributes
    ----------
    quantity : LayoutQuantity
    reduction : "worst" or "mean"
        Over bands and houses.
    band : str
        The only band that counts, "" for all.
    weight : float
        Beside other goals, > 0.
    """

    quantity: LayoutQuantity
    reduction: str = "worst"
    band: str = ""
    weight: float = 1.0

    @property
    def asked(self) -> Asked:
        """The same as sweeps ask for it."""
        return Asked(self.quantity.quantity, self.reduction, self.band)

    @property
    def name(self) -> str:
        """In full: "worst efficiency on 40 m"."""
        on = f" on {self.band}" if self.band else ""
        return f"{self.reduction} {self.quantity.name}{on}"

    @property
    def high_is_better(self) -> bool:
        """Whether more is better."""
        return self.quantity.quantity.nature == "high"

    def of(self, values: FloatArray) -> float:
        """One number of those of houses, bands and frequencies."""
        if self.reduction == "mean":
            return float(values.mean())
        return float(values.min() if self.high_is_better else values.max())


@dataclass(frozen=True)
class Limit:
    """What must hold on every band in every house.

    Attributes
    ----------
    text : str
        As it was written.
    quantity : LayoutQuantity
    is_upper : bool
        Whether values must lie below.
    value : float
        In SI units.
    band : str
        The only band that it is about, "" for all.
    """

    text: str
    quantity: LayoutQuantity
    is_upper: bool
    value: float
    band: str = ""

    @property
    def is_late(self) -> bool:
        """Whether it can only be seen in a layout that is solved in full."""
        return self.quantity.compute is None

    def of(self, values: FloatArray) -> float:
        """The value that is nearest to breaking it."""
        return float(values.max() if self.is_upper else values.min())

    def is_kept(self, value: float) -> bool:
        """Whether a value keeps it."""
        return value <= self.value if self.is_upper else value >= self.value


def on_bands(band: str, bands: Sequence[Band]) -> slice:
    """Which rows of bands are meant."""
    names = [one.name for one in bands]
    return slice(None) if not band else slice(names.index(band), names.index(band) + 1)


# ---- reading -----------------------------------------------------------------------------


def read_goals(
    told: Any, bands: Sequence[Band], *, has_chain: bool, has_tuner: bool
) -> tuple[Goal, ...]:
    """Goals from a name, several, or a mapping of names to weights.

    Parameters
    ----------
    told : str, sequence of str, mapping of str to float, or None
        "worst efficiency" (what None means), "mean low-angle efficiency", "worst swr on 40 m".
    bands : sequence of Band
    has_chain : bool
        Whether there is a line, tuner or transformer to reckon with.
    has_tuner : bool

    Raises
    ------
    TargetError
        If a name means nothing here, a weight is not above 0, or one comes twice.
    """
    if told is None:
        told = DEFAULT_GOAL
    if isinstance(told, str):
        told = [told]
    weights: Mapping[Any, Any]
    if isinstance(told, Mapping):
        weights = told
    elif isinstance(told, list | tuple):
        weights = dict.fromkeys(told, 1.0) if all(isinstance(one, str) for one in told) else {}
        if len(weights) != len(told):
            raise TargetError(
                f"goal is {told!r}; each must be a name, once. An example: {DEFAULT_GOAL!r}."
            )
    else:
        raise TargetError(f"goal is {told!r}; give a name as {DEFAULT_GOAL!r}, or several.")
    if not weights:
        raise TargetError(f"There is no goal; name one, as {DEFAULT_GOAL!r}.")
    found: list[Goal] = []
    for name, weight in weights.items():
        number = isinstance(weight, int | float) and not isinstance(weight, bool)
        if not (number and math.isfinite(weight) and weight > 0.0):
            raise TargetError(f"goal {name!r} has the weight {weight!r}; it must be above 0.")
        goal = _read_goal(name, bands, float(weight))
        _need_station(goal.quantity, f"goal {name!r}", has_chain=has_chain, has_tuner=has_tuner)
        if any(one.name == goal.name for one in found):
            raise TargetError(f"goal {goal.name!r} is told twice; keep one.")
        found.append(goal)
    return tuple(found)


def _read_goal(name: Any, bands: Sequence[Band], weight: float) -> Goal:
    if not isinstance(name, str) or not name.strip():
        raise TargetError(f"goal {name!r} is no name. An example: {DEFAULT_GOAL!r}.")
    wanted, band = _on_band(name, bands)
    first, _, rest = wanted.partition(" ")
    reduction, base = (first, rest) if first in GOAL_WORDS else ("worst", wanted)
    quantity = _quantity(base, f"goal {name!r}", GOAL_WORDS, late=False)
    if not quantity.quantity.nature:
        raise TargetError(f"goal {name!r}: whether high or low is better is not known of it.")
    return Goal(quantity, reduction, band, weight)


def read_limits(
    told: Any,
    bands: Sequence[Band],
    goals: Sequence[Goal],
    *,
    has_chain: bool,
    has_tuner: bool,
    has_rooms: bool,
) -> tuple[Limit, ...]:
    """Limits from texts as "swr < 10"; each holds on every band, or on one: "swr on 40 m < 3".

    Parameters
    ----------
    told : str, sequence of str, or None
    bands : sequence of Band
    goals : sequence of Goal
        That must not contradict them.
    has_chain, has_tuner : bool
        As for `read_goals`.
    has_rooms : bool
        Whether there are rooms to hold exposure in.

    Raises
    ------
    TargetError
        If one cannot be read, nothing can meet it, or two contradict each other.
    """
    told = [] if told is None else [told] if isinstance(told, str) else told
    if not isinstance(told, list | tuple):
        raise TargetError(f"limits are {told!r}; give texts, as {_AN_EXAMPLE}.")
    found = [_read_limit(one, bands) for one in told]
    for k, one in enumerate(found):
        what = f"limit {one.text!r}"
        _need_station(one.quantity, what, has_chain=has_chain, has_tuner=has_tuner)
        if one.quantity.name == EXPOSURE and not has_rooms:
            raise TargetError(f"{what}: the file has no [[room]] to hold it in. Write one.")
        for other in found[:k]:
            _check_pair(one, other)
        for goal in goals:
            _check_goal(one, goal)
    return tuple(found)


def _read_limit(text: Any, bands: Sequence[Band]) -> Limit:
    try:
        tree = parse_condition(text).tree
    except SweepError as error:
        raise TargetError(f"limit {text!r} is not understood. Write {_AN_EXAMPLE}.") from error
    if tree[0] == "name":
        wanted, band = _on_band(tree[1], bands)
        if wanted == COPES:
            return Limit(text, QUANTITIES[MISMATCH], is_upper=True, value=1.0, band=band)
    if tree[0] != "compare" or tree[1] not in ("<", "<=", ">", ">="):
        raise TargetError(f"limit {text!r} is not one comparison. Write {_AN_EXAMPLE}.")
    how, (left, right) = tree[1], tree[2]
    if left[0] == "number":
        left, right, how = right, left, {"<": ">", "<=": ">=", ">": "<", ">=": "<="}[how]
    if left[0] != "name" or right[0] != "number":
        raise TargetError(
            f"limit {text!r} does not compare a quantity with a number. Write {_AN_EXAMPLE}."
        )
    wanted, band = _on_band(left[1], bands)
    if wanted.startswith("worst "):
        wanted = wanted.removeprefix("worst ")
    quantity = _quantity(wanted, f"limit {text!r}", (), late=True)
    value, unit = float(right[1]), right[2]
    own = "1" if quantity.quantity.style == "part" else quantity.quantity.unit
    if unit and unit != own:
        raise TargetError(
            f"limit {text!r}: {quantity.name} is told in {own or 'plain numbers'}, not in {unit}."
        )
    if own == "1" and not unit and value > 1.0 and math.isfinite(quantity.most):
        raise TargetError(f"limit {text!r}: a part of 1; is {value:g} % meant? Write the %.")
    limit = Limit(text, quantity, is_upper=how[0] == "<", value=value, band=band)
    if limit.is_late and not limit.is_upper:
        raise TargetError(f"limit {text!r}: {quantity.name} can only be held down.")
    _check_possible(limit)
    return limit


def _check_possible(limit: Limit) -> None:
    least, most = limit.quantity.least, limit.quantity.most
    hopeless = limit.value <= least if limit.is_upper else limit.value >= most
    idle = limit.value >= most if limit.is_upper else limit.value <= least
    if not (hopeless or idle) or not math.isfinite(limit.value):
        return
    end = f"{least:g} to {most:g}" if math.isfinite(most) else f"{least:g} up"
    what = "no layout can meet it" if hopeless else "every layout meets it"
    raise TargetError(f"limit {limit.text!r}: {what}; {limit.quantity.name} goes from {end}.")


def _same_place(one: Limit, band: str) -> bool:
    return not one.band or not band or one.band == band


def _check_pair(one: Limit, other: Limit) -> None:
    if one.quantity.name != other.quantity.name or not _same_place(one, other.band):
        return
    if one.is_upper == other.is_upper:
        if one.band == other.band:
            raise TargetError(
                f"limits {other.text!r} and {one.text!r} say two things of the same; keep one."
            )
        return
    low, high = (other, one) if one.is_upper else (one, other)
    if low.value >= high.value:
        raise TargetError(
            f"limits {other.text!r} and {one.text!r} contradict each other: nothing lies between."
        )


def _check_goal(limit: Limit, goal: Goal) -> None:
    if limit.quantity.name != goal.quantity.name or not _same_place(limit, goal.band):
        return
    if limit.is_upper == goal.high_is_better:
        kept = "down" if limit.is_upper else "up"
        want = "high" if goal.high_is_better else "low"
        raise TargetError(
            f"limit {limit.text!r} and goal {goal.name!r} contradict each other: one holds "
            f"{limit.quantity.name} {kept}, the other wants it {want}. Leave one out."
        )


# ---- names -------------------------------------------------------------------------------


def _on_band(name: str, bands: Sequence[Band]) -> tuple[str, str]:
    """A name without its band, in small letters, and the band's name."""
    wanted = " ".join(name.split()).casefold()
    before, _, after = wanted.rpartition(" on ")
    if not before:
        return wanted, ""
    squeezed = "".join(after.split())
    for band in bands:
        if "".join(band.name.split()).casefold() == squeezed:
            return before, band.name
    raise TargetError(
        f"{name!r}: there is no band {after!r} here; there are {', '.join(b.name for b in bands)}."
    )


def _quantity(base: str, what: str, words: Sequence[str], *, late: bool) -> LayoutQuantity:
    allowed = {n: one for n, one in QUANTITIES.items() if late or one.compute is not None}
    if base in allowed:
        return allowed[base]
    if base in QUANTITIES:
        raise TargetError(
            f"{what}: {base} is known of layouts solved in full only. Hold it with a limit, as "
            f"'{base} < ...'."
        )
    known = [*allowed, *([COPES] if late else [])]
    near = difflib.get_close_matches(base, known, n=1, cutoff=0.5)
    hint = f" Is {near[0]!r} meant?" if near else ""
    before = f", with {' or '.join(map(repr, words))} before" if words else ""
    raise TargetError(f"{what}: nothing is called {base!r}.{hint} There are: "
                      f"{', '.join(known)}{before}.")  # fmt: skip


def _need_station(quantity: LayoutQuantity, what: str, *, has_chain: bool, has_tuner: bool) -> None:
    if quantity.name == MISMATCH and not has_tuner:
        raise TargetError(f"{what} is about the tuner, but the file has no [tuner]. Write one.")
    if quantity.name == "system efficiency" and not has_chain:
        raise TargetError(
            f"{what} is about what stands between radio and antenna, but the file has no [line], "
            "[tuner] or [transformer]. Write one."
        )


def known(values: FloatArray) -> bool:
    """Whether all of some numbers are."""
    return bool(np.isfinite(values).all())
