"""A layout held against goals and limits: what it is worth, what it breaks, and the slopes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ...bands import Band
from ...moments.basis import FloatArray
from .goals import Goal, Limit, on_bands
from .outcomes import Outcome
from .quantities import QUANTITIES, Circumstances, LayoutQuantity, Values, losses

PENALTY = 3.0
"""Worth of a broken limit against goals, both in nepers: what breaks one by a tenth must be a third
better to be looked at."""

SPARE = 0.02
"""Runs seek to keep limits with so much to spare: full solves on meshes of their own differ by
about half of it. [Np]"""

KEPT = 1e-6
"""Relative: a limit that is met so nearly is met."""


@dataclass(frozen=True, eq=False)
class Rows:
    """Numbers that should be small, all of them, and their derivatives.

    Attributes
    ----------
    value : (K,) float
        [Np]
    by_length : (K, E) float or None
        [Np/m]
    """

    value: FloatArray
    by_length: FloatArray | None


@dataclass(frozen=True, eq=False)
class Judgement:
    """A layout judged.

    Attributes
    ----------
    goals : tuple of Rows
        Losses of each goal: its own on each band in each house, or their mean alone.
    limits : tuple of Rows
        Above 0 where a limit is broken, or kept with less than `SPARE`.
    figures : mapping of str to float
        What each goal, and all that is shown beside, comes to; by name.
    held : tuple of float
        What each limit is held against.
    broken : float
        By how much the limits are broken, all together; 0 where all are kept. [Np]
    """

    goals: tuple[Rows, ...]
    limits: tuple[Rows, ...]
    figures: Mapping[str, float]
    held: tuple[float, ...]
    broken: float

    def score(self, weights: Sequence[float]) -> float:
        """Less is better, limits counted in. [Np]"""
        each = [float(rows.value.max()) for rows in self.goals]
        return sum(w * x for w, x in zip(weights, each, strict=True)) + PENALTY * self.broken


@dataclass(frozen=True, eq=False)
class Judge:
    """What layouts are held against.

    Attributes
    ----------
    goals : tuple of Goal
    limits : tuple of Limit
        Those that are not late.
    shown : tuple of Goal
        Told beside the goals.
    bands : tuple of Band
    frequencies : (B, P) float
        [Hz]
    circumstances : Circumstances
    """

    goals: tuple[Goal, ...]
    limits: tuple[Limit, ...]
    shown: tuple[Goal, ...]
    bands: tuple[Band, ...]
    frequencies: FloatArray
    circumstances: Circumstances

    def __call__(self, outcome: Outcome) -> Judgement:
        """Judge a layout."""
        known: dict[str, Values] = {}

        def values(of: LayoutQuantity, band: str) -> Values:
            if of.name not in known:
                if of.compute is None:
                    raise ValueError(f"{of.name} is not known of a layout that is not solved")
                known[of.name] = of.compute(outcome, self.frequencies, self.circumstances)
            rows, found = on_bands(band, self.bands), known[of.name]
            slopes = None if found.by_length is None else found.by_length[:, rows]
            return Values(found.value[:, rows], slopes)

        goals = tuple(_goal_rows(one, values(one.quantity, one.band)) for one in self.goals)
        limits = tuple(_limit_rows(one, values(one.quantity, one.band)) for one in self.limits)
        broken = sum(max(0.0, float(rows.value.max()) - SPARE - KEPT) for rows in limits)
        figures = {
            one.name: one.of(values(one.quantity, one.band).value)
            for one in (*self.goals, *self.shown)
        }
        held = tuple(one.of(values(one.quantity, one.band).value) for one in self.limits)
        return Judgement(goals, limits, figures, held, broken)


def _goal_rows(goal: Goal, values: Values) -> Rows:
    if goal.reduction == "mean":
        slopes = values.by_length
        e = 0 if slopes is None else slopes.shape[-1]
        mean = Values(
            values.value.mean(keepdims=True),
            None if slopes is None else slopes.reshape(-1, e).mean(axis=0).reshape(1, 1, 1, e),
        )
        return _flat(*losses(mean, high_is_better=goal.high_is_better))
    return _flat(*losses(values, high_is_better=goal.high_is_better))


def _limit_rows(limit: Limit, values: Values) -> Rows:
    value, slopes = losses(values, high_is_better=not limit.is_upper)
    edge, _ = losses(Values(np.array([limit.value]), None), high_is_better=not limit.is_upper)
    return _flat(value - edge + SPARE, slopes)


def _flat(value: FloatArray, slopes: FloatArray | None) -> Rows:
    return Rows(value.ravel(), None if slopes is None else slopes.reshape(-1, slopes.shape[-1]))


def beside(goals: Sequence[Goal]) -> tuple[Goal, ...]:
    """What is told beside the goals: efficiency and SWR, the former at low angles too."""
    names = [goal.name for goal in goals]
    every = [Goal(QUANTITIES[n]) for n in ("efficiency", "swr", "low-angle efficiency")]
    return tuple(one for one in every if one.name not in names)
