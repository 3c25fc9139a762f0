"""Where else a search for the most likely house may begin: a coarse scan of lengths."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ...moments.basis import FloatArray
from ..model.attic_model import HouseState
from ..unknowns.distributions import SCORE_LIMIT
from .reading_data import Data

SCAN = np.linspace(-0.9 * SCORE_LIMIT, 0.9 * SCORE_LIMIT, 13)
"""Scores of a length that are tried."""

MOST_STARTS = 3

MOST_READINGS = 12
"""That are looked at in a scan."""


def other_starts(
    data: Data, state: HouseState, *, tick: Callable[[], None] = lambda: None
) -> list[FloatArray]:
    """Scores to begin from, the most promising first, (U,) each.

    One length after the other is tried over its range, and all together, everything else as in
    a state: no more than one elimination for each frequency. Each place that is better than its
    neighbours and lies in another hollow than the state itself is one to begin from.

    Parameters
    ----------
    data : Data
    state : HouseState
        Where the first search ended.
    tick : callable
        Called for each frequency.
    """
    model = data.model
    lengths = model.of_kind["length"]
    groups = [[n] for n in lengths] + ([lengths] if len(lengths) > 1 else [])
    if not groups:
        return []
    tried = np.tile(state.scores, (len(groups) * SCAN.size, 1))
    for g, group in enumerate(groups):
        tried[g * SCAN.size : (g + 1) * SCAN.size, group] = SCAN[:, None]
    costs = _costs(data, state, tried, tick)
    found: list[tuple[float, FloatArray]] = []
    step = SCAN[1] - SCAN[0]
    for g, group in enumerate(groups):
        own = costs[g * SCAN.size : (g + 1) * SCAN.size]
        padded = np.concatenate([[np.inf], own, [np.inf]])
        hollow = (own <= padded[:-2]) & (own <= padded[2:])
        for k in np.flatnonzero(hollow):
            if np.abs(SCAN[k] - state.scores[group]).max() > step:
                found.append((float(own[k]), tried[g * SCAN.size + k]))
    found.sort(key=lambda one: one[0])
    return [scores for _, scores in found[:MOST_STARTS]]


def _costs(
    data: Data, state: HouseState, tried: FloatArray, tick: Callable[[], None]
) -> FloatArray:
    """What is missed and how unlikely it is, for scores that differ in lengths alone, (V,)."""
    count = data.frequencies.size
    few = np.unique(np.linspace(0, count - 1, min(count, MOST_READINGS)).round().astype(np.int64))
    some, model = data.part(few), data.model
    seen = np.empty((len(tried), few.size), dtype=np.complex128)
    for k, f in enumerate(map(float, some.frequencies)):
        band = model.band(model.band_at(f))
        eliminated = band.eliminated(f, state)
        own = some.lengths[some.visit[k]]
        for v, scores in enumerate(tried):
            house = HouseState(scores, state.cables)
            z = band.impedance(f, own, house, eliminated=eliminated)
            seen[v, k] = (z - some.reference) / (z + some.reference)
        tick()
    missed = some.whitening @ some.missed(seen.T)
    return (missed**2).sum(axis=0) + (tried**2).sum(axis=1)
