"""`prune`: what to cut or add next, all elements at once, and never too much."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ...moments.basis import FloatArray
from ..calibration.posterior import Posterior
from ..model.attic_model import AtticModel, HouseState
from .aim import Aim, Houses, take_aim

DRAWS = 24
"""Houses that the readings leave possible."""

SURE = 0.99
"""Part of them in which a cut must not go below what would have been right."""

ALLOWED_BELOW = 0.0035
"""Part of a length that a cut may go below what would have been right: well within a target's
tolerance of half a per cent."""

LEAST_CUT = 0.005
"""Shorter cuts are not worth a trip. [m]"""


@dataclass(frozen=True, eq=False)
class NextLengths:
    """Lengths to cut to, or to lengthen to.

    Attributes
    ----------
    now, best, next : (E,) float
        As they are; as they would be if the most likely house were the true one; as is proposed.
        [m]
    low, high : (E,) float
        10 and 90 % of what would be right. [m]
    misses : (V, T) float
        What the proposed lengths miss in possible houses, in tolerances.
    aim : Aim
    """

    now: FloatArray
    best: FloatArray
    next: FloatArray
    low: FloatArray
    high: FloatArray
    misses: FloatArray
    aim: Aim

    @property
    def chance(self) -> float:
        """Part of the possible houses in which the proposed lengths meet every target."""
        return float((np.abs(self.misses) <= 1.0).all(axis=1).mean())


def next_lengths(
    likely: Houses,
    possible: Houses,
    now: FloatArray,
    *,
    low: FloatArray,
    high: FloatArray,
    tick: Callable[[], None] = lambda: None,
) -> NextLengths:
    """What to cut to, given what the readings say.

    Parameters
    ----------
    likely : Houses
        The most likely house alone.
    possible : Houses
        Those that the readings leave possible.
    now : (E,) float
        Lengths as they are. [m]
    low, high : (E,) float
        To which they may be brought; both the same where an end is out of reach. [m]
    """
    aim = take_aim(likely, start=now, low=low, high=high, tick=tick)
    free = np.flatnonzero(high - low > 1e-6)
    right = possible.right(aim, free)
    safe = np.quantile(right, SURE, axis=0) - ALLOWED_BELOW * aim.lengths
    proposed = now.copy()
    # what is added can be cut again, what is cut cannot be put back
    proposed[free] = np.maximum(aim.lengths, safe)[free]
    too_careful = (proposed > now) & (aim.lengths <= now)
    proposed[too_careful] = now[too_careful]
    proposed = np.clip(proposed, low, high)
    small = np.abs(proposed - now) < LEAST_CUT
    proposed[small] = now[small]
    return NextLengths(
        now, aim.lengths, proposed, np.quantile(right, 0.1, axis=0),
        np.quantile(right, 0.9, axis=0), possible.misses(proposed, aim.miss.slope), aim,
    )  # fmt: skip


def possible_houses(
    model: AtticModel, posterior: Posterior, count: int, seed: int
) -> list[HouseState]:
    """Houses that the readings leave possible, with candidate cables at random."""
    rng = np.random.default_rng((seed, 1))
    cables = rng.random((count, len(model.cables))) < 0.5
    return [
        HouseState(scores, there)
        for scores, there in zip(posterior.draws(count, seed), cables, strict=True)
    ]


__all__ = ["NextLengths", "next_lengths", "possible_houses"]
