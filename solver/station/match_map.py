"""Maps of what a tuner can match over a grid of loads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import SolverError
from ..moments.basis import FloatArray
from .checks import require_value
from .tuner import SWR_LIMIT, Match, Network


@dataclass(frozen=True, repr=False, eq=False)
class MatchMap:
    """What a network can match over a grid of loads at one frequency.

    Attributes
    ----------
    frequency : float
        [Hz]
    resistance : ndarray of float, shape (R,)
        [ohm]
    reactance : ndarray of float, shape (X,)
        [ohm]
    match : Match
        Of shape (R, X).
    """

    frequency: float
    resistance: FloatArray
    reactance: FloatArray
    match: Match

    @property
    def can_match(self) -> NDArray[np.bool_]:
        """Where the SWR limit is met, shape (R, X)."""
        return self.match.can_match

    @property
    def swr(self) -> FloatArray:
        """SWR at the input, shape (R, X)."""
        return self.match.swr

    @property
    def loss_db(self) -> FloatArray:
        """Loss where it can match, NaN elsewhere, shape (R, X). [dB]"""
        return np.asarray(np.where(self.can_match, self.match.loss_db, np.nan))

    def __repr__(self) -> str:
        return (
            f"<MatchMap at {self.frequency / 1e6:g} MHz: {int(self.can_match.sum())} of "
            f"{self.can_match.size} loads can be matched>"
        )


def match_map(
    network: Network,
    frequency: float,
    resistance: ArrayLike,
    reactance: ArrayLike,
    *,
    z0: float = 50.0,
    power: float = 100.0,
    swr_limit: float = SWR_LIMIT,
) -> MatchMap:
    """What a network can match over a grid of loads at one frequency.

    Parameters
    ----------
    network : Network
        The network.
    frequency : float
        [Hz]
    resistance : array_like of float, shape (R,)
        > 0. [ohm]
    reactance : array_like of float, shape (X,)
        [ohm]
    z0, power, swr_limit
        See `Network.match`.

    Returns
    -------
    MatchMap

    Raises
    ------
    SolverError
        If a value is out of range.
    """
    if not isinstance(network, Network):
        raise SolverError(f"{network!r} is no network; give an LNetwork, PiNetwork or TNetwork.")
    f = require_value(frequency, what="frequency", unit="Hz", above=0.0)
    r, x = (np.asarray(values, dtype=np.float64) for values in (resistance, reactance))
    if r.ndim != 1 or x.ndim != 1 or not r.size or not x.size:
        raise SolverError(
            f"a map needs a list of resistances and one of reactances; theirs are of shape "
            f"{r.shape} and {x.shape}."
        )
    loads = r[:, None] + 1j * x[None, :]
    match = network.match(loads, f, z0=z0, power=power, swr_limit=swr_limit)
    return MatchMap(f, r, x, match)
