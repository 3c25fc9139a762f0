"""What to know before the values of a calibration are believed: rules, each with its number."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.stats import chi2

from ..unknowns.distributions import SCORE_LIMIT
from .explanations import explanations
from .posterior import IMPROBABLE, Posterior
from .records import Caution

NOTHING_LEARNED = 0.9
"""Least spread of all scores above which the readings say nothing new."""

HARDLY_BETTER = 0.5
"""Part of the misfit that remains where the fit is hardly better than what was told."""

AT_BOUND = 0.97
"""Of the limit of scores: beyond, a value sits on its bound."""

CORRELATED = 0.95
"""Correlation beyond which two unknowns cannot be told apart."""

FEWEST = 3
"""Frequencies on a band among which a slip of the pen shows."""

RIVALS = 6.0
"""Explanations worse by less than this are told too: 20 to 1."""


def cautions_of(
    posterior: Posterior, *, tick: Callable[[], None] = lambda: None
) -> tuple[Caution, ...]:
    """All that is to be said of a fit, the gravest first."""
    return (
        *_improbable(posterior, tick),
        *_no_better(posterior),
        *_at_bounds(posterior),
        *_two_answers(posterior),
        *_nothing_learned(posterior),
        *_alike(posterior),
        *_few(posterior),
        *_other_start(posterior),
    )


def _improbable(posterior: Posterior, tick: Callable[[], None]) -> list[Caution]:
    if posterior.chance >= IMPROBABLE:
        return []
    size = posterior.data.size
    times = np.sqrt(max(1.0, posterior.misfit / size))
    found = [
        Caution(
            "improbable",
            f"The readings look wrong: {size} numbers are missed by {posterior.cost:.0f} in "
            f"squares, and an attic like this one gives over {chi2.isf(IMPROBABLE, size):.0f} in "
            f"one case of {1.0 / IMPROBABLE:.0f}. The values are the nearest that such attics "
            f"come to them; the noise was taken {times:.1f} times as great for their spreads.",
        )
    ]
    several = explanations(posterior, tick=tick)
    if not several:
        return [
            *found,
            Caution(
                "unexplained",
                "Neither a turned sign of X, a piece of line, a wrong size of the reflection, one "
                "wrong reading nor more noise would explain it: look for what is drawn otherwise "
                "than it is - an element, a radial that is not connected, metal close to the "
                "wires - and whether it is the same antenna and band.",
            ),
        ]
    best = several[0].badness
    return [
        *found,
        *(Caution(one.kind, one.text) for one in several if one.badness <= best + RIVALS),
    ]


def _no_better(posterior: Posterior) -> list[Caution]:
    data = posterior.data
    is_bad = posterior.chance < IMPROBABLE > chi2.sf(posterior.prior_misfit, data.size)
    if not is_bad or posterior.misfit <= HARDLY_BETTER * posterior.prior_misfit:
        return []
    return [
        Caution(
            "no better",
            "The fit is hardly better than what was told: it leaves "
            f"{100.0 * posterior.misfit / posterior.prior_misfit:.0f} % of the squares that were "
            "missed before, so that the values say little.",
        )
    ]


def _nothing_learned(posterior: Posterior) -> list[Caution]:
    least = float(posterior.spread.min())
    if least <= NOTHING_LEARNED or posterior.chance < IMPROBABLE:
        return []
    return [
        Caution(
            "nothing learned",
            "The readings narrow nothing: of the best known value "
            f"{100.0 * least:.0f} % of the spread remains. What stands under after is what was "
            "believed before; read the full impedance, nearer to a resonance, or on other bands.",
        )
    ]


def _at_bounds(posterior: Posterior) -> list[Caution]:
    model = posterior.data.model
    found = []
    for one, score in zip(model.unknowns, posterior.scores, strict=True):
        if abs(score) > AT_BOUND * SCORE_LIMIT:
            end = one.distribution.low if score < 0.0 else one.distribution.high
            found.append(f"{one.name} ({one.in_words(end)})")
    if not found:
        return []
    several = len(found) > 1
    return [
        Caution(
            "at its bound",
            f"At the {'bounds' if several else 'bound'} of what was taken to be possible: "
            f"{', '.join(found)}. {'They were' if several else 'It was'} held there, and the "
            "readings want more: measure it, tell a wider spread under [unknowns], or something "
            "else that is not in the file pushes it there. The spreads beside it are too narrow.",
        )
    ]


def _two_answers(posterior: Posterior) -> list[Caution]:
    rival = posterior.rival
    if rival is None:
        return []
    model = posterior.data.model
    away = np.abs(rival.scores - posterior.scores)
    told = []
    for n in np.argsort(-away)[:2]:
        one = model.unknowns[n]
        here, there = (
            one.distribution.value(float(s[n])) for s in (posterior.scores, rival.scores)
        )
        told.append(f"{one.name} {one.in_words(there)} instead of {one.in_words(here)}")
    return [
        Caution(
            "two answers",
            f"Another attic fits about as well: {', '.join(told)}. The more likely one was taken, "
            "and its spread does not hold the other; readings with phase, or on another band, "
            "tell them apart.",
        )
    ]


def _alike(posterior: Posterior) -> list[Caution]:
    names = [one.name for one in posterior.data.model.unknowns]
    table = np.triu(posterior.correlation, 1)
    pairs = []
    for i, j in np.argwhere(np.abs(table) > CORRELATED):
        how = "both up or down" if table[i, j] > 0.0 else "one up, the other down"
        pairs.append(f"{names[i]} and {names[j]} ({how})")
    if not pairs:
        return []
    return [
        Caution(
            "alike",
            f"These cannot be told apart by such readings: {'; '.join(pairs)}. Together they are "
            "known better than each by itself, and draws from the posterior keep them together; "
            "measure one of them with a tape, or read on another band.",
        )
    ]


def _few(posterior: Posterior) -> list[Caution]:
    data = posterior.data
    few = []
    for band in data.model.bands:
        inside = (data.frequencies >= band.low) & (data.frequencies <= band.high)
        count = np.unique(data.frequencies[inside]).size
        if 0 < count < FEWEST:
            few.append(f"{count} on {band.name}")
    if not few:
        return []
    return [
        Caution(
            "few frequencies",
            f"Few frequencies: {', '.join(few)}. They were used as they are, but a slip of the pen "
            f"would not show; read at both edges and the middle of a band, {FEWEST} or more.",
        )
    ]


def _other_start(posterior: Posterior) -> list[Caution]:
    if not posterior.began_elsewhere:
        return []
    return [
        Caution(
            "other start",
            "The search from what was told ended badly; begun anew from other lengths, "
            f"{posterior.starts - 1} of them, it came to the values above.",
        )
    ]
