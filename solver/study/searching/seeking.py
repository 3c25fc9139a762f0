"""Where to look next: layouts spread evenly first, then the best of them made better.

What is looked for is the least of the greatest of many smooth numbers: the losses on every band in
every house, with limits beside.  A smooth optimiser (`scipy.optimize.minimize`, SLSQP) gets it as

    min sum of w_g t_g  over x, t  with  t_g >= each loss of goal g,  each limit's excess <= 0

whose derivatives are those of the model.  Each run stays within a box about where it begins: losses
have many minima, and steps across several are wasted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.optimize import minimize

from ...moments.basis import FloatArray
from ..sweep_parameters import unit_points
from .judging import Judge, Judgement
from .outcomes import PreparedModel

STRETCH = 10.0
"""Ranges in the optimiser's own measure: its first step goes some tenth of them."""

BOX = 0.2
"""Half of the box of a run, in ranges."""

APART = 0.08
"""Runs begin so far from where others ended, in ranges."""

LONGEST_RUN = 40
"""Solves of one run in one house."""

FIRST_STEP = 0.7
"""Of the optimiser in its own measure, by the scale that losses are given: they may change by much
or by little over a range."""

MOST_SCALE = 1e3

TOLERANCE = 1e-3
"""Of a run's end, of losses so scaled."""


class BudgetSpent(Exception):
    """No solve is left."""


@dataclass
class Purse:
    """Solves that are left.

    Attributes
    ----------
    budget, spent : int
    tick : callable
        Called with how many were just spent.
    """

    budget: int
    spent: int = 0
    tick: Callable[[int], None] = lambda count: None

    @property
    def left(self) -> int:
        return self.budget - self.spent

    def take(self, count: int) -> None:
        if count > self.left:
            raise BudgetSpent
        self.spent += count
        self.tick(count)


@dataclass(eq=False)
class Trial:
    """A layout that was looked at.

    Attributes
    ----------
    space : int
        Number of the model it belongs to.
    place : (E,) float
        Its lengths in parts of their ranges.
    lengths : (E,) float
        [m]
    judgement : Judgement
    houses : int
        In how many it was looked at.
    is_start : bool
        Whether it is one of the first, evenly spread.
    """

    space: int
    place: FloatArray
    lengths: FloatArray
    judgement: Judgement
    houses: int
    is_start: bool


@dataclass(eq=False)
class Space:
    """Layouts of one model: lengths within ranges, all else the same.

    Attributes
    ----------
    number : int
    prepared : PreparedModel
    judge : Judge
    low, high : (E,) float
        [m]; the same where a length is held.
    purse : Purse
    trials : list of Trial
        Where all are kept.
    """

    number: int
    prepared: PreparedModel
    judge: Judge
    low: FloatArray
    high: FloatArray
    purse: Purse
    trials: list[Trial]
    _values: dict[tuple[bytes, int], Trial] = field(default_factory=dict)
    _slopes: dict[tuple[bytes, int], Judgement] = field(default_factory=dict)
    _rested: list[FloatArray] = field(default_factory=list)

    @property
    def free(self) -> Any:
        """Places of the lengths that are sought."""
        return np.flatnonzero(self.high > self.low)

    def lengths_at(self, place: FloatArray) -> FloatArray:
        """From parts of the ranges. [m]"""
        return self.low + np.clip(place, 0.0, 1.0) * (self.high - self.low)

    def place_of(self, lengths: FloatArray) -> FloatArray:
        """In parts of the ranges; 0 where a length is held."""
        width = np.where(self.high > self.low, self.high - self.low, 1.0)
        return np.clip((lengths - self.low) / width, 0.0, 1.0)

    def look(self, place: FloatArray, houses: int, *, is_start: bool = False) -> Trial:
        """A layout's value; one solve for each house, if it was not looked at before."""
        key = (place.tobytes(), houses)
        if key not in self._values:
            self.purse.take(houses)
            lengths = self.lengths_at(place)
            outcome = self.prepared.first(houses).outcome(lengths)
            found = Trial(self.number, place.copy(), lengths, self.judge(outcome), houses, is_start)
            self._values[key] = found
            self.trials.append(found)
        return self._values[key]

    def slopes(self, place: FloatArray, houses: int) -> Judgement:
        """The same with derivatives; as many solves again."""
        key = (place.tobytes(), houses)
        if key not in self._slopes:
            self.look(place, houses)
            self.purse.take(houses)
            outcome = self.prepared.first(houses).outcome(self.lengths_at(place), with_slopes=True)
            self._slopes[key] = self.judge(outcome)
        return self._slopes[key]

    def spread(self, count: int, seed: int) -> list[FloatArray]:
        """Places that fill the ranges evenly (Latin hypercube)."""
        found = np.zeros((count, self.low.size))
        free = self.free
        if free.size and count:
            found[:, free] = unit_points("latin hypercube", free.size, count, seed=seed)
        return list(found)

    def next_start(self, weights: Sequence[float]) -> FloatArray | None:
        """The best place that no run began or ended near."""
        own = [one for one in self.trials if one.space == self.number]
        for one in sorted(own, key=lambda t: t.judgement.score(weights)):
            near = [np.abs(one.place - other).max() < APART for other in self._rested]
            if not any(near):
                return one.place
        return None

    def improve(self, place: FloatArray, houses: int, weights: Sequence[float]) -> None:
        """One run of the optimiser from a place, all that it looks at is kept.

        Raises
        ------
        BudgetSpent
            In the midst of it.
        """
        self._rested.append(place)
        free = self.free
        if not free.size:
            self.look(place, houses)
            return
        first = self.slopes(place, houses)
        counts = [rows.value.size for rows in first.goals]
        tops = np.array([float(rows.value.max()) for rows in first.goals])
        width = (self.high - self.low)[free] / STRETCH
        scale = _scale(first, weights, free, width)
        start = np.concatenate([STRETCH * place[free], scale * tops])
        limit = self.purse.spent + LONGEST_RUN * houses

        def whole(x: FloatArray) -> FloatArray:
            full = place.copy()
            full[free] = np.clip(x[: free.size] / STRETCH, 0.0, 1.0)
            return full

        def check() -> None:
            if self.purse.spent >= limit:
                raise _LongEnough

        def constraints(x: FloatArray) -> FloatArray:
            check()
            judged = self.look(whole(x), houses).judgement
            t = np.repeat(x[free.size :], counts)
            losses = np.concatenate([rows.value for rows in judged.goals])
            limits = [-scale * rows.value for rows in judged.limits]
            return np.concatenate([t - scale * losses, *limits])

        def jacobian(x: FloatArray) -> FloatArray:
            check()
            judged = self.slopes(whole(x), houses)
            rows = [rows.by_length for rows in (*judged.goals, *judged.limits)]
            by_x = -np.concatenate([one[:, free] for one in rows if one is not None])
            by_x *= scale * width
            by_t = np.zeros((by_x.shape[0], len(counts)))
            by_t[np.arange(sum(counts)), np.repeat(np.arange(len(counts)), counts)] = 1.0
            return np.concatenate([by_x, by_t], axis=1)

        gradient = np.concatenate([np.zeros(free.size), weights])
        bounds = [
            (STRETCH * max(0.0, p - BOX), STRETCH * min(1.0, p + BOX)) for p in place[free]
        ] + [(None, None)] * len(counts)
        with suppress(_LongEnough):
            minimize(
                lambda x: float(gradient @ x), start, jac=lambda x: gradient, method="SLSQP",
                bounds=bounds, constraints={"type": "ineq", "fun": constraints, "jac": jacobian},
                options={"ftol": TOLERANCE, "maxiter": 30},
            )  # fmt: skip
        own = [one for one in self.trials[-LONGEST_RUN:] if one.space == self.number]
        best = min(own, key=lambda t: t.judgement.score(weights), default=None)
        if best is not None and not _at_edge(best.place, place):
            self._rested.append(best.place)


def _scale(first: Judgement, weights: Sequence[float], free: Any, width: FloatArray) -> float:
    """By which losses are multiplied so that the first step is `FIRST_STEP`."""
    push = np.zeros(width.size)
    for w, rows in zip(weights, first.goals, strict=True):
        if rows.by_length is not None:
            push += w * rows.by_length[int(np.argmax(rows.value)), free] * width
    return min(FIRST_STEP / max(float(np.linalg.norm(push)), 1e-12), MOST_SCALE)


def _at_edge(place: FloatArray, start: FloatArray) -> bool:
    """Whether a run ended at its box, which then goes on from there."""
    inside = (place > 1e-6) & (place < 1.0 - 1e-6)
    return bool((inside & (np.abs(place - start) > 0.98 * BOX)).any())


class _LongEnough(Exception):
    """A run has had its share."""
