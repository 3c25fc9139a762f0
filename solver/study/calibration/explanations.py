r"""What would explain readings that no house like this one gives.

Each explanation is put between model and readings and fitted anew.  With S the covariance of the
readings before they are taken, d what they are missed by, and k numbers more than the plain fit
chooses, what explains best has the least

    d^T S^-1 d + ln det C + k ln n

C the readings' own covariance, n how many numbers were read (Schwarz, Estimating the dimension of a
model, Ann. Statist. 6, 1978; from memory); one reading that is off among K was chosen from K, which
adds 2 ln K.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg
from scipy.stats import chi2

from ...moments.basis import ComplexArray, FloatArray, IntArray
from .posterior import IMPROBABLE, Posterior, fitted
from .reading_data import Data, Distortion

LINES: FloatArray = np.linspace(-10.0, 20.0, 601)
"""Pieces of line that are tried, electrically. [m]"""

SIZES: FloatArray = np.linspace(0.3, 1.7, 57)

ALIKE = 6.0
"""A shorter line is preferred to one that explains as little better."""

HOPELESS = 10.0
"""Times what is improbable: an explanation that leaves more, with the model taken to be linear, is
not tried in full."""

FEWEST_LEFT = 3
"""Frequencies that must remain where one is doubted."""

MOST_NOISE = 20.0
"""Times the noise that was told, beyond which it is no noise."""

SCATTER = 1.0
"""Mean square of the difference of neighbours, over twice their mean square: 1 where they are at
random, near 0 where they follow a curve. Half of this counts as at random (von Neumann, Ann. Math.
Statist. 12, 1941; from memory)."""

FEWEST_NEIGHBOURS = 6


@dataclass(frozen=True, eq=False)
class Explanation:
    """Something that makes readings probable that were not.

    Attributes
    ----------
    kind : str
        As of cautions.
    text : str
    badness : float
        The less, the better it explains; see the module.
    chance : float
        Of readings so far off if it is true.
    """

    kind: str
    text: str
    badness: float
    chance: float


def explanations(
    posterior: Posterior, *, tick: Callable[[], None] = lambda: None
) -> list[Explanation]:
    """What makes the readings probable, the best first; empty if nothing that is tried does."""
    found = [
        *_turned(posterior, tick),
        *_lines(posterior, tick),
        *_sizes(posterior, tick),
        *_one_off(posterior, tick),
        *_more_noise(posterior, tick),
    ]
    return sorted((one for one in found if one.chance >= IMPROBABLE), key=lambda one: one.badness)


def _badness(found: Posterior, *, more: int = 0, chosen_from: int = 1) -> float:
    data = found.data
    volume = -2.0 * float(np.log(np.diag(data.whitening)).sum())
    return found.cost + volume + more * np.log(data.size) + 2.0 * np.log(chosen_from)


def _chance(found: Posterior, more: int = 0) -> float:
    return float(chi2.sf(found.cost, max(1, found.data.size - more)))


# ---- what an analyser or a line does ------------------------------------------------------


def _turned(posterior: Posterior, tick: Callable[[], None]) -> Iterable[Explanation]:
    data = posterior.data
    if not data.has_phase.any():
        return
    turned = data.distorted(Distortion(conjugate=True))
    if min(_cost(turned, *one) for one in _both(posterior)) > _hopeless(data):
        return
    found = fitted(turned, tick=tick)
    yield Explanation(
        "turned sign",
        "The readings fit once the sign of every reactance is turned: many analysers show X "
        "without its sign or with a guessed one. Nothing was turned here; read again with one "
        "that tells the sign, or turn it in what was typed.",
        _badness(found),
        _chance(found),
    )


def _lines(posterior: Posterior, tick: Callable[[], None]) -> Iterable[Explanation]:
    data = posterior.data
    if not data.has_phase.any():
        return
    tried = _searched(posterior, LINES, lambda x: Distortion(line=float(x)), tick, nearest=0.0)
    if tried is None:
        return
    found, length = tried
    if length > 0.0:
        what = (
            f"as if taken behind {length:.2f} m more of line (electrically; some "
            f"{0.66 * length:.2f} m of coax with solid insulation, {0.8 * length:.2f} m of foam)"
        )
        cure = (
            "Tell the line that the analyser stood at the end of (line=, --line), or calibrate it "
            "at the feed point."
        )
    else:
        what = f"as if {-length:.2f} m of line (electrically) too much had been taken away"
        cure = "Correct the line that was told, or the analyser's own extension of its port."
    yield Explanation(
        "untold line",
        f"The readings fit {what}. Nothing was taken away here. {cure}",
        _badness(found, more=1),
        _chance(found, 1),
    )


def _sizes(posterior: Posterior, tick: Callable[[], None]) -> Iterable[Explanation]:
    tried = _searched(posterior, SIZES, lambda x: Distortion(size=float(x)), tick, nearest=1.0)
    if tried is None:
        return
    found, size = tried
    if size < 1.0:
        cause = (
            f"too low by a factor {size:.2f}, as a lossy piece of line or a bad plug makes them "
            f"({-20.0 * np.log10(size):.1f} dB there and back)"
        )
    else:
        cause = (
            f"too high by a factor {size:.2f}, as an analyser does that is not calibrated, or "
            "where more loss of a line was taken away than there is"
        )
    yield Explanation(
        "wrong size",
        f"The readings fit if all |reflection| are {cause}. Nothing was changed here; calibrate "
        "the analyser with open, short and load where the antenna is connected, and read again.",
        _badness(found, more=1),
        _chance(found, 1),
    )


def _searched(
    posterior: Posterior,
    values: FloatArray,
    distortion: Callable[[float], Distortion],
    tick: Callable[[], None],
    *,
    nearest: float,
) -> tuple[Posterior, float] | None:
    """The fit with the value of a distortion that explains best, and this; None if there is none.

    Values are tried with the model linear about two houses, then finely about the fit with the
    best; of those about alike that nearest to no distortion counts.
    """
    data = posterior.data
    about = _both(posterior)
    costs = np.array([
        min(_cost(data.distorted(distortion(x)), *one) for one in about) for x in values
    ])  # fmt: skip
    hollow = (costs <= np.append(costs[1:], np.inf)) & (costs <= np.append(np.inf, costs[:-1]))
    good = np.flatnonzero(hollow & (costs <= costs.min() + ALIKE))
    best = float(values[good[np.argmin(np.abs(values[good] - nearest))]])
    if costs.min() > _hopeless(data) or best == nearest:
        return None
    step = float(values[1] - values[0])
    found = fitted(data.distorted(distortion(best)), tick=tick)
    for _ in range(2):
        near = best + np.linspace(-1.0, 1.0, 21) * step
        seen = _about(found)
        best = float(near[np.argmin([_cost(data.distorted(distortion(x)), *seen) for x in near])])
        found = fitted(data.distorted(distortion(best)), start=found.scores, tick=tick)
        step /= 5.0
    return found, best


def _both(found: Posterior) -> list[tuple[FloatArray, ComplexArray, ComplexArray]]:
    """Where the model is taken to be linear: the house as told, and the most likely one."""
    middle = found.data.model.middle
    return [(middle.scores, *found.data.sloped(middle)), _about(found)]


def _hopeless(data: Data) -> float:
    return HOPELESS * float(chi2.isf(IMPROBABLE, data.size))


def _about(found: Posterior) -> tuple[FloatArray, ComplexArray, ComplexArray]:
    return (found.scores, *found.data.sloped(found.state))


def _cost(data: Data, scores: FloatArray, seen: ComplexArray, slopes: ComplexArray) -> float:
    """The least value of a fit if the model were linear about some scores."""
    miss, covariance = data.evidence(seen, slopes, scores)
    return float(miss @ linalg.solve(covariance, miss, assume_a="pos"))


# ---- readings themselves ------------------------------------------------------------------


def _one_off(posterior: Posterior, tick: Callable[[], None]) -> Iterable[Explanation]:
    """A single reading that is wrong, found by leaving out each."""
    data = posterior.data
    count = data.frequencies.size
    if np.unique(data.frequencies).size < FEWEST_LEFT + 1:
        return
    scores, seen, slopes = _about(posterior)
    miss, covariance = data.evidence(seen, slopes, scores)
    precision = np.linalg.inv(covariance)
    pulled = precision @ miss
    gains = np.zeros(count)
    for k in range(count):
        own = _places(data, k)
        gains[k] = pulled[own] @ np.linalg.solve(precision[np.ix_(own, own)], pulled[own])
    worst = int(np.argmax(gains))
    rest = np.delete(np.arange(count), worst)
    found = fitted(data.part(rest), tick=tick)
    more = _places(data, worst).size
    whole = data.size
    volume = -2.0 * float(np.log(np.diag(data.whitening)).sum())
    yield Explanation(
        "one reading off",
        f"The readings fit without the one at {data.frequencies[worst] / 1e6:.6g} MHz, which is "
        "off by more than its noise: a slip of the pen, or another signal on the antenna. It was "
        "used here nevertheless; read it again, or leave it out.",
        found.cost + volume + more * np.log(whole) + 2.0 * np.log(count),
        _chance(found),
    )


def _places(data: Data, k: int) -> IntArray:
    """Rows of a reading among the parts."""
    if not data.has_phase[k]:
        return np.array([k])
    return np.array([k, data.frequencies.size + int(data.has_phase[:k].sum())])


def _more_noise(posterior: Posterior, tick: Callable[[], None]) -> Iterable[Explanation]:
    """Noise greater than told, where what is missed is at random."""
    data, found = posterior.data, posterior
    scatter = scatter_of(posterior)
    if not scatter >= 0.5 * SCATTER:
        return
    times = 1.0
    for _ in range(4):
        times *= np.sqrt(found.cost / data.size)
        if not 1.0 < times <= MOST_NOISE:
            return
        louder = replace(data, noise=times * data.noise)
        found = fitted(louder, start=found.scores, tick=tick)
    yield Explanation(
        "more noise",
        f"The readings scatter about the model by {times:.1f} times the noise that was told, "
        "without a trend. All spreads were widened accordingly; tell the noise (magnitude_sd, "
        "phase_sd_deg), and keep the analyser and its lead still while it reads.",
        _badness(found, more=1),
        _chance(found, 1),
    )


def scatter_of(posterior: Posterior) -> float:
    """Whether what is missed is at random from reading to reading: about 1 if so, 0 if not.

    NaN where there are too few neighbours to tell.
    """
    data = posterior.data
    parts = data.missed(data.reflections(posterior.state))
    size = np.concatenate([data.noise[:, 0], data.noise[data.has_phase, 1]])
    off = parts / size
    f = np.concatenate([data.frequencies, data.frequencies[data.has_phase]])
    visit = np.concatenate([data.visit, data.visit[data.has_phase]])
    across = np.arange(off.size) >= data.frequencies.size
    differences, squares = [], []
    for band in data.model.bands:
        for n in np.unique(visit):
            for side in (False, True):
                own = (f >= band.low) & (f <= band.high) & (visit == n) & (across == side)
                if own.sum() > 1:
                    differences += [np.diff(off[own]) ** 2]
                    squares += [np.full(int(own.sum()) - 1, np.mean(off[own] ** 2))]
    if sum(one.size for one in differences) < FEWEST_NEIGHBOURS:
        return float("nan")
    return float(np.concatenate(differences).sum() / (2.0 * np.concatenate(squares).sum()))
