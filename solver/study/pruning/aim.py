r"""Lengths that meet targets, and how far they hang on what is not known.

A target wants the reactance X_t at a frequency f_t.  What is missed is counted in tolerances,

    r_t = (X(f_t; L) - X_t) / (tau_t f_t dX/df),

how far off in frequency the wanted reactance is met, in parts of what is allowed.  Lengths are
sought all at once, with dX/dL from each solve, since cutting one element moves the others too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from ...moments.basis import FloatArray
from ..model.attic_model import AtticModel, HouseState
from .targets import Target

SLOPE_STEP = 2e-3
"""Of the frequency: step of the reactance's slope."""

STAY = 0.02
"""Weight that keeps a length where it is, per tenth of it, in tolerances: where targets leave
several ways, the nearest is taken."""

MOST_STEPS = 25


@dataclass(frozen=True, eq=False)
class Miss:
    """What is missed, in tolerances.

    Attributes
    ----------
    value : (T,) float
    by_length : (T, E) float
        [1/m]
    reactance : (T,) float
        [ohm]
    resistance : (T,) float
        [ohm]
    slope : (T,) float
        dX/df. [ohm/Hz]
    """

    value: FloatArray
    by_length: FloatArray
    reactance: FloatArray
    resistance: FloatArray
    slope: FloatArray


def miss(
    model: AtticModel, targets: Sequence[Target], lengths: FloatArray, state: HouseState
) -> Miss:
    """What lengths [m] miss in a house."""
    rows = []
    for target in targets:
        band = model.band(target.band)
        f = target.frequency
        step = SLOPE_STEP * f
        low, high = max(band.band.low, f - step), min(band.band.high, f + step)
        at = band.reading(f, lengths, state)
        ends = [band.impedance(g, lengths, state).imag for g in (low, high)]
        slope = (ends[1] - ends[0]) / (high - low)
        scale = target.tolerance * f * slope
        rows.append((
            (at.impedance.imag - target.reactance) / scale, at.by_length.imag / scale,
            at.impedance.imag, at.impedance.real, slope,
        ))  # fmt: skip
    return Miss(*(np.array([row[k] for row in rows]) for k in range(5)))


@dataclass(frozen=True, eq=False)
class Aim:
    """Lengths that meet the targets in one house.

    Attributes
    ----------
    lengths : (E,) float
        [m]
    miss : Miss
        There.
    """

    lengths: FloatArray
    miss: Miss

    @property
    def is_met(self) -> bool:
        """Whether every target is."""
        return bool(np.all(np.abs(self.miss.value) <= 1.0))


def take_aim(
    model: AtticModel,
    targets: Sequence[Target],
    state: HouseState,
    *,
    start: FloatArray,
    low: FloatArray,
    high: FloatArray,
    tick: Callable[[], None] = lambda: None,
) -> Aim:
    """Seek them; elements whose low and high are the same are held.

    Parameters
    ----------
    start, low, high : (E,) float
        [m]
    """
    free = np.flatnonzero(high - low > 1e-6)
    kept: dict[bytes, Miss] = {}

    def at(some: FloatArray) -> Miss:
        lengths = start.copy()
        lengths[free] = some
        key = lengths.tobytes()
        if key not in kept:
            kept[key] = miss(model, targets, lengths, state)
            tick()
        return kept[key]

    stay = STAY / (0.1 * start[free])
    if free.size:
        inside = np.clip(start[free], low[free] + 1e-5, high[free] - 1e-5)
        found = least_squares(
            lambda x: np.concatenate([at(x).value, stay * (x - start[free])]),
            inside,
            lambda x: np.concatenate([at(x).by_length[:, free], np.diag(stay)]),
            bounds=(low[free], high[free]), x_scale=0.01 * start[free], max_nfev=MOST_STEPS,
            xtol=1e-6, ftol=1e-7, gtol=1e-9,
        )  # fmt: skip
        lengths = start.copy()
        lengths[free] = found.x
    else:
        lengths = start.copy()
    return Aim(lengths, miss(model, targets, lengths, state))


def spread_of_lengths(
    model: AtticModel,
    targets: Sequence[Target],
    aim: Aim,
    states: Sequence[HouseState],
    free: np.ndarray,
    *,
    tick: Callable[[], None] = lambda: None,
) -> tuple[FloatArray, FloatArray]:
    """Lengths that would meet the targets in each of some houses, and what is missed as aimed.

    Returns
    -------
    lengths : (V, E) float
        By one step of Newton's from the aim. [m]
    misses : (V, T) float
        Of the aim's lengths in that house, in tolerances.
    """
    lengths, misses = np.tile(aim.lengths, (len(states), 1)), []
    stay = np.diag(STAY / (0.1 * aim.lengths[free]))
    for v, state in enumerate(states):
        own = miss(model, targets, aim.lengths, state)
        matrix = np.concatenate([own.by_length[:, free], stay])
        right = np.concatenate([own.value - aim.miss.value, np.zeros(len(free))])
        lengths[v, free] -= np.linalg.lstsq(matrix, right, rcond=None)[0]
        misses.append(own.value)
        tick()
    return lengths, np.array(misses)
