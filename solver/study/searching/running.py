"""How a budget of solves is spent: even spread over all choices, then runs from the best."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ...moments.basis import FloatArray
from .seeking import BudgetSpent, Purse, Space, Trial

FIRST_LOOK = 0.35
"""Part of the budget for layouts that are evenly spread."""

LEAST_LOOK = 4
"""Of them for each choice, before half of the choices are dropped."""

RECHECKED = 4
"""Best layouts of one house that are looked at in all houses, where there are several."""

MOST_SPACES = 3
"""Choices that runs begin in."""


def spend(
    spaces: Sequence[Space],
    purse: Purse,
    *,
    houses: int,
    mixes: Sequence[Sequence[float]],
    starts: Sequence[Sequence[FloatArray]],
    seed: int,
    told: tuple[Space, FloatArray] | None = None,
) -> None:
    """Spend a budget; what was looked at is in the spaces' trials.

    Parameters
    ----------
    spaces : sequence of Space
    purse : Purse
        That all of them share.
    houses : int
        That goals and limits count in.
    mixes : sequence of weights of the goals
        Runs take them in turn.
    starts : sequence of sequences of (E,)
        Lengths to begin with in each space. [m]
    seed : int
    told : (Space, (E,)), optional
        The layout as the file tells it, that is looked at in all houses whatever it is worth. [m]
    """
    try:
        left = _first_look(spaces, purse, mixes[0], starts, seed)
        if told is not None:
            told[0].look(told[0].place_of(told[1]), houses)
        if houses > 1:
            _recheck(left, mixes, houses)
        _runs(left, houses, mixes, seed)
    except BudgetSpent:
        return


def _first_look(
    spaces: Sequence[Space],
    purse: Purse,
    weights: Sequence[float],
    starts: Sequence[Sequence[FloatArray]],
    seed: int,
) -> list[Space]:
    """Even spread, in one house, half of the choices dropped again and again."""
    left = list(spaces)
    for space, some in zip(spaces, starts, strict=True):
        for start in some:
            space.look(space.place_of(start), 1, is_start=True)
    rounds = max(1, math.ceil(math.log2(len(left))) + 1)
    for n in range(rounds):
        share = FIRST_LOOK * purse.budget / rounds / len(left)
        count = max(LEAST_LOOK if n == 0 else 1, round(share))
        for space in left:
            own = np.random.SeedSequence((seed, n, space.number)).generate_state(1)[0]
            for place in space.spread(count, int(own)):
                space.look(place, 1, is_start=True)
        if n + 1 < rounds:
            ranked = sorted(left, key=lambda one: _best(one, weights, 1))
            left = ranked[: max(MOST_SPACES if n + 2 < rounds else 1, math.ceil(len(left) / 2))]
    ranked = sorted(left, key=lambda one: _best(one, weights, 1))
    return ranked[:MOST_SPACES]


def _recheck(spaces: Sequence[Space], mixes: Sequence[Sequence[float]], houses: int) -> None:
    """The best of one house in all of them."""
    for space in spaces:
        own = sorted(_own(space, 1), key=lambda one: one.judgement.score(mixes[0]))
        for trial in own[: max(1, RECHECKED // len(spaces))]:
            space.look(trial.place, houses)


def _runs(
    spaces: Sequence[Space], houses: int, mixes: Sequence[Sequence[float]], seed: int
) -> None:
    """Runs of the optimiser from the best places that none was near, until nothing is left."""
    run = 0
    while True:
        weights = mixes[run % len(mixes)]
        ranked = sorted(spaces, key=lambda one: _best(one, weights, houses))
        space = ranked[(run // len(mixes)) % 2] if len(ranked) > 1 else ranked[0]
        before = space.purse.spent
        start = space.next_start(weights)
        if start is None:
            own = np.random.SeedSequence((seed, 1000 + run)).generate_state(1)[0]
            (start,) = space.spread(1, int(own))
        space.improve(start, houses, weights)
        run += 1
        if space.purse.spent == before and not space.free.size:
            return  # nothing but choices: all has been seen


def _own(space: Space, houses: int) -> list[Trial]:
    return [t for t in space.trials if t.space == space.number and t.houses == houses]


def _best(space: Space, weights: Sequence[float], houses: int) -> float:
    own = _own(space, houses)
    return min((one.judgement.score(weights) for one in own), default=math.inf)
