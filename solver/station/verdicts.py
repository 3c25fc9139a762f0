"""A station's chain at many impedances, and whether it copes with them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..answer_records import SWR_LIMIT as CONTENT_SWR
from ..moments.basis import ComplexArray, FloatArray
from .chain import TUNER, PowerLadder, Stage, power_ladder, stages_in_order
from .station_tables import AT_FEED_POINT, StationSetup
from .tuner import SWR_LIMIT, Network
from .window_matcher import WindowMatcher


@dataclass(frozen=True)
class StationChain:
    """A chain at frequencies, some of which a data sheet may leave out."""

    stages: tuple[Stage, ...]
    frequencies: FloatArray
    known: NDArray[np.bool_]
    """Where the ladder could be found."""
    words: list[str]
    """What the tuner does there, empty without one."""
    loads: ComplexArray
    """What the tuner sees; without one, the antenna. [ohm]"""
    ladder: PowerLadder | None
    """At those that are known; None where there are none."""

    def spread(self, values: Any) -> FloatArray:
        """Values at the known frequencies as values at all, NaN elsewhere."""
        found = np.full(self.frequencies.shape, np.nan)
        if self.ladder is not None:
            found[self.known] = values
        return found

    def column(self, name: str) -> int | None:
        names = [stage.name for stage in self.stages]
        return names.index(name) if name in names else None


def _chain(
    stages: tuple[Stage, ...],
    antenna: ComplexArray,
    frequencies: FloatArray,
    *,
    power: float,
    z0: float,
    swr_limit: float,
) -> StationChain:
    loads = np.array(antenna)
    known = np.ones(loads.shape, dtype=bool)
    words = [""] * loads.size
    for stage in reversed(stages):
        element = stage.element
        if isinstance(element, (Network, WindowMatcher)):
            if isinstance(element, WindowMatcher):
                verdict = element.verdict(loads, frequencies, power=power)
                known, words = verdict.can_match, [str(text) for text in verdict.words]
            break
        loads = element.two_port(frequencies).input_impedance(loads)  # pyright: ignore
    else:
        loads = np.array(antenna)
    ladder = None
    if known.any():
        ladder = power_ladder(
            stages, antenna[known], frequencies[known], power=power, z0=z0, swr_limit=swr_limit
        )
        if TUNER in ladder.matches:
            match = ladder.matches[TUNER]
            words = [match.settings((k,)) for k in range(loads.size)]
    return StationChain(stages, frequencies, known, words, loads, ladder)


class Verdict(NamedTuple):
    """What a station makes of impedances, shape (F,) each.

    Attributes
    ----------
    copes : bool
        Whether the tuner matches; without one, whether the radio is content.
    lost_in_tuner : float
        Part of the radio's power; NaN where it cannot be told.
    delivered : float
        Part of it that the antenna gets, NaN likewise.
    """

    copes: NDArray[np.bool_]
    lost_in_tuner: FloatArray
    delivered: FloatArray


def station_verdict(
    setup: StationSetup,
    antenna: ComplexArray,
    frequencies: FloatArray,
    *,
    power: float,
    reference: float,
) -> Verdict:
    """Whether a station copes with impedances (F,), and at what cost. [ohm, Hz]

    Parameters
    ----------
    setup : StationSetup
    antenna, frequencies : (F,)
        [ohm], [Hz]
    power : float
        Of the radio. [W]
    reference : float
        [ohm]
    """
    here = station_chain(setup, setup.tuner_at, antenna, frequencies, power, reference)
    blank = np.full(frequencies.shape, np.nan)
    if here.ladder is None:
        return Verdict(here.known, blank, blank)
    column = here.column(TUNER)
    lost = np.zeros(frequencies.shape)
    if column is not None:
        lost = here.spread(here.ladder.lost[:, column]) / power
    copes = copes_of(here, setup, here.spread(here.ladder.swr))
    return Verdict(copes, lost, here.spread(here.ladder.delivered) / power)


def station_chain(
    setup: StationSetup,
    where: str,
    antenna: ComplexArray,
    frequencies: FloatArray,
    power: float,
    reference: float,
) -> StationChain:
    """The chain with the tuner at one of its places."""
    stages = stages_in_order(
        line=setup.line,
        tuner=setup.tuner,
        transformer=setup.transformer,
        at_feed_point=where == AT_FEED_POINT,
    )
    return _chain(
        stages,
        antenna,
        frequencies,
        power=power,
        z0=reference,
        swr_limit=min(SWR_LIMIT, setup.swr_limit),
    )


def copes_of(chain: StationChain, setup: StationSetup, swr: FloatArray) -> NDArray[np.bool_]:
    """Where the tuner matches, (F,); without one, where the radio is content with an SWR."""
    if isinstance(setup.tuner, Network):
        if chain.ladder is None:
            return chain.known
        return np.asarray(chain.ladder.matches[TUNER].swr <= setup.swr_limit)
    if setup.tuner is not None:
        return chain.known
    return np.asarray(swr <= CONTENT_SWR)
