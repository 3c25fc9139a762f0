r"""Lengths that meet targets, and how far they hang on what is not known.

A target wants the reactance X_t at a frequency f_t.  What is missed is counted in tolerances,

    r_t = (X(f_t; L) - X_t) / (tau_t f_t dX/df),

how far off in frequency the wanted reactance is met, in parts of what is allowed.  Lengths are
sought all at once, with dX/dL from each solve, since cutting one element moves the others too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from ...moments.basis import FloatArray
from ..model.attic_model import AtticModel, HouseState
from ..model.eliminated import Eliminated
from .targets import Target

SLOPE_STEP = 2e-3
"""Of the frequency: step of the reactance's slope."""

STAY = 0.02
"""Weight that keeps a length where it is, per tenth of it, in tolerances: where targets leave
several ways, the nearest is taken."""

MOST_STEPS = 25

STARTS = (1.0, 0.95, 0.9)
"""Of the lengths as they are: from where lengths are sought, until all is met."""

USEFUL = 1.0
"""Tolerances that an element must be able to move a target by, to be cut for it."""

WRONG_KIND = 1e3
"""Tolerances that a reactance falling with frequency counts for, where it should rise."""


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


class Houses:
    """Some houses, ready to be asked what any lengths miss in them.

    Parameters
    ----------
    model : AtticModel
    targets : sequence of Target
    states : sequence of HouseState
    """

    def __init__(
        self, model: AtticModel, targets: Sequence[Target], states: Sequence[HouseState]
    ) -> None:
        self.model, self.targets, self.states = model, targets, states
        self._ready: dict[tuple[int, float], Eliminated] = {}

    def __len__(self) -> int:
        return len(self.states)

    def _eliminated(self, house: int, target: Target, frequency: float) -> Eliminated:
        key = (house, frequency)
        if key not in self._ready:
            band = self.model.band(target.band)
            self._ready[key] = band.eliminated(frequency, self.states[house])
        return self._ready[key]

    def miss(self, house: int, lengths: FloatArray, *, slopes: FloatArray | None = None) -> Miss:
        """What lengths [m] miss in one of them.

        Parameters
        ----------
        slopes : (T,) float, optional
            dX/df that the tolerances are counted with; the house's own where left out. [ohm/Hz]
        """
        rows, state = [], self.states[house]
        for t, target in enumerate(self.targets):
            band, f = self.model.band(target.band), target.frequency
            at = band.reading(f, lengths, state, eliminated=self._eliminated(house, target, f))
            if slopes is None:
                step = SLOPE_STEP * f
                low, high = max(band.band.low, f - step), min(band.band.high, f + step)
                ends = [
                    band.impedance(
                        g, lengths, state, eliminated=self._eliminated(house, target, g)
                    ).imag
                    for g in (low, high)
                ]
                slope = (ends[1] - ends[0]) / (high - low)
            else:
                slope = float(slopes[t])
            scale = target.tolerance * f * slope
            rows.append((
                (at.impedance.imag - target.reactance) / scale, at.by_length.imag / scale,
                at.impedance.imag, at.impedance.real, slope,
            ))  # fmt: skip
        return Miss(*(np.array([row[k] for row in rows]) for k in range(5)))

    def misses(self, lengths: FloatArray, slopes: FloatArray) -> FloatArray:
        """What lengths [m] miss in each of them, (V, T) tolerances."""
        return np.array([self.miss(v, lengths, slopes=slopes).value for v in range(len(self))])

    def right(self, aim: Aim, free: np.ndarray) -> FloatArray:
        """Lengths that would meet the targets in each, by one step of Newton's, (V, E). [m]"""
        lengths = np.tile(aim.lengths, (len(self), 1))
        stay = np.diag(STAY / (0.1 * aim.lengths[free]))
        for v in range(len(self)):
            own = self.miss(v, aim.lengths, slopes=aim.miss.slope)
            matrix = np.concatenate([own.by_length[:, free], stay])
            right = np.concatenate([own.value - aim.miss.value, np.zeros(len(free))])
            lengths[v, free] -= np.linalg.lstsq(matrix, right, rcond=None)[0]
        return lengths


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
    def size(self) -> float:
        """How much is missed; the high-resistance resonance counts as missed by far."""
        return float(np.abs(self.miss.value).max() + WRONG_KIND * (self.miss.slope < 0.0).sum())

    @property
    def is_met(self) -> bool:
        """Whether every target is."""
        return bool(np.all(np.abs(self.miss.value) <= 1.0))


def take_aim(
    house: Houses,
    *,
    start: FloatArray,
    low: FloatArray,
    high: FloatArray,
    tick: Callable[[], None] = lambda: None,
) -> Aim:
    """Seek lengths that meet the targets in the first of some houses.

    Parameters
    ----------
    house : Houses
    start, low, high : (E,) float
        Elements whose low and high are the same are held. [m]
    """
    free = np.flatnonzero(high - low > 1e-6)
    nearest = Aim(start.copy(), house.miss(0, start))
    if not free.size:
        return nearest
    for some in _few_first(nearest.miss, free, low, high):
        for part in STARTS:
            lengths = start.copy()
            lengths[some] = np.clip(part * start[some], low[some] + 1e-5, high[some] - 1e-5)
            one = _sought(house, lengths, start, some, low, high, tick)
            if one.size < nearest.size:
                nearest = one
            if nearest.is_met and np.all(nearest.miss.slope > 0.0):
                return nearest
    return nearest


def _few_first(
    here: Miss, free: np.ndarray, low: FloatArray, high: FloatArray
) -> Iterator[np.ndarray]:
    """Elements to try, as few as targets first: those that move a target most, then more.

    Those that move no target by anything worth a cut, over all that they may be, are left alone.
    """
    moves = np.abs(here.by_length) * (high - low)  # (T, E), tolerances
    useful = [int(k) for k in free if moves[:, k].max() > USEFUL]
    chosen: list[int] = []
    for t in np.argsort(-moves.max(axis=1)):
        rest = [k for k in useful if k not in chosen]
        if rest:
            chosen.append(max(rest, key=lambda k, row=t: moves[row, k]))
    rest = sorted(set(useful) - set(chosen), key=lambda k: -moves[:, k].max())
    while chosen:
        yield np.array(sorted(chosen))
        if not rest:
            return
        chosen.append(rest.pop(0))


def _sought(
    house: Houses,
    first: FloatArray,
    now: FloatArray,
    free: np.ndarray,
    low: FloatArray,
    high: FloatArray,
    tick: Callable[[], None],
) -> Aim:
    kept: dict[bytes, Miss] = {}

    def at(some: FloatArray) -> Miss:
        lengths = now.copy()
        lengths[free] = some
        key = lengths.tobytes()
        if key not in kept:
            kept[key] = house.miss(0, lengths)
            tick()
        return kept[key]

    stay = STAY / (0.1 * now[free])

    def residual(x: FloatArray) -> FloatArray:
        return np.concatenate([at(x).value, stay * (x - now[free])])

    def slopes(x: FloatArray) -> FloatArray:
        return np.concatenate([at(x).by_length[:, free], np.diag(stay)])

    jacobian: Any = slopes
    found = least_squares(
        residual, first[free], jac=jacobian, bounds=(low[free], high[free]),
        x_scale=0.01 * now[free], max_nfev=MOST_STEPS, xtol=1e-6, ftol=1e-7, gtol=1e-9,
    )  # fmt: skip
    lengths = now.copy()
    lengths[free] = found.x
    return Aim(lengths, at(found.x))
