"""What layouts do in one or several houses, on all bands, with derivatives to their lengths.

Everything about the house that lengths do not change is done once, by `PreparedModel.of`: its fixed
part eliminated at a few frequencies of each band, in each house, and the watts in the middle of a
band told by what is left.  A layout then is one small system for each of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ...bands import Band
from ...moments.basis import ComplexArray, FloatArray
from ..model.attic_model import AtticModel, BandModel, HouseState
from ..model.eliminated import Eliminated, LayoutState
from ..model.lengths import LengthPool
from ..model.scores import ScoreNodes

N_SKY = 3
"""Forms of watts that a search needs: radiated at low, middle and high angles."""


@dataclass(frozen=True, eq=False)
class Outcome:
    """What a layout does in S houses, on B bands, at P frequencies of each.

    Attributes
    ----------
    impedance : (S, B, P) complex
        At the feed point. [ohm]
    sky : (S, B, 3) float
        Radiated at low, middle and high angles per watt of input, at the band's centre.
    impedance_by_length : (S, B, P, E) complex or None
        Derivatives to the told lengths; None where they were not asked for. [ohm/m]
    sky_by_length : (S, B, 3, E) float or None
        [1/m]
    """

    impedance: ComplexArray
    sky: FloatArray
    impedance_by_length: ComplexArray | None = None
    sky_by_length: FloatArray | None = None


def band_points(band: Band, points: int) -> FloatArray:
    """Frequencies of a band at which it is judged, its centre among them, (P,). [Hz]"""
    return np.linspace(band.low, band.high, points) if points > 1 else np.array([band.centre])


@dataclass(frozen=True, eq=False)
class PreparedModel:
    """A model whose houses are ready for layouts.

    Attributes
    ----------
    lengths : LengthPool
    bands : tuple of Band
    frequencies : (B, P) float
        [Hz]
    stretch : (S, E) float
        Effective over told length of each element, in each house.
    leads : (S,) float
        Inductance in series with the feed point. [H]
    eliminated : tuple of tuple of tuple of Eliminated
        By house, band and frequency.
    forms : tuple of tuple of (3, M + P, M + P) complex
        Of the watts to the sky, by house and band.
    """

    lengths: LengthPool
    bands: tuple[Band, ...]
    frequencies: FloatArray
    stretch: FloatArray
    leads: FloatArray
    eliminated: tuple[tuple[tuple[Eliminated, ...], ...], ...]
    forms: tuple[tuple[ComplexArray, ...], ...]

    @classmethod
    def of(
        cls,
        model: AtticModel,
        states: Sequence[HouseState],
        points: int,
        *,
        tick: Callable[[], None] = lambda: None,
    ) -> PreparedModel:
        """Fill the bands one after the other, and let go of each.

        Parameters
        ----------
        model : AtticModel
        states : sequence of HouseState
        points : int
            Frequencies of a band, odd.
        tick : callable
            Called after each matrix.
        """
        frequencies = np.array([band_points(band, points) for band in model.bands])
        each: list[list[tuple[Eliminated, ...]]] = [[] for _ in states]
        forms: list[list[ComplexArray]] = [[] for _ in states]
        for band, places in zip(model.bands, frequencies, strict=True):
            filled = model.band(band, tick=tick)
            for n, state in enumerate(states):
                found = [filled.eliminated(float(f), state) for f in places]
                forms[n].append(_sky_forms(filled, state, found[points // 2]))
                each[n].append(tuple(_without_response(one) for one in found))
            model.forget(band)
        told = np.ones(len(model.names))
        return cls(
            model.lengths,
            model.bands,
            frequencies,
            np.array([model.effective(told, state.scores) for state in states]),
            np.array([model.lead(state.scores) for state in states]),
            tuple(map(tuple, each)),
            tuple(map(tuple, forms)),
        )

    @property
    def n_houses(self) -> int:
        """How many houses there are."""
        return len(self.eliminated)

    @cached_property
    def _ends(self) -> tuple[FloatArray, FloatArray]:
        """Least and greatest lengths that the model was made for. [m]"""
        pieces = self.lengths.pieces.values()
        return np.array([p[0].low for p in pieces]), np.array([p[-1].high for p in pieces])

    def first(self, houses: int) -> PreparedModel:
        """With the first of the houses only."""
        return replace(
            self,
            stretch=self.stretch[:houses],
            leads=self.leads[:houses],
            eliminated=self.eliminated[:houses],
            forms=self.forms[:houses],
        )

    def outcome(self, lengths: FloatArray, *, with_slopes: bool = False) -> Outcome:
        """What a layout of told lengths does. [m]

        Raises
        ------
        GeometryError
            If a length is outside of what the model was made for.
        SolverError
            If its equations are singular.
        """
        shape = (self.n_houses, *self.frequencies.shape)
        impedance = np.empty(shape, dtype=np.complex128)
        sky = np.empty((*shape[:2], N_SKY))
        by_length = np.empty((*shape, lengths.size), dtype=np.complex128)
        sky_by_length = np.empty((*sky.shape, lengths.size))
        for s, stretch in enumerate(self.stretch):
            wanted = lengths * stretch
            effective = np.clip(wanted, *self._ends)  # no wire goes farther than its way
            own = np.where(effective == wanted, stretch, 0.0)
            columns = self.lengths.columns(effective)
            lead = 2j * np.pi * self.leads[s]
            for b, row in enumerate(self.frequencies):
                for p, f in enumerate(row):
                    state = self.eliminated[s][b][p].state_of(columns)
                    impedance[s, b, p] = state.impedance + f * lead
                    if with_slopes:
                        by_length[s, b, p] = state.by_length * own
                    if p == row.size // 2:
                        form = self.forms[s][b]
                        sky[s, b], slopes = _sky(state, form, with_slopes=with_slopes)
                        sky_by_length[s, b] = slopes * own
        if not with_slopes:
            return Outcome(impedance, sky)
        return Outcome(impedance, sky, by_length, sky_by_length)


def _without_response(one: Eliminated) -> Eliminated:
    """Without what only the fixed part's currents need: most of its memory."""
    held = (0, one.response.shape[1])
    return replace(one, response=np.zeros(held, dtype=np.complex128), there=one.there[:0])


def _sky_forms(filled: BandModel, state: HouseState, middle: Eliminated) -> ComplexArray:
    """Of the watts to the sky in a house, for the layouts' own columns."""
    model = filled.model
    nodes = ScoreNodes(model.nodes.n_scores)
    weights = nodes.weights(state.scores[model.of_kind["key"]])
    forms = np.tensordot(weights.astype(np.float32), filled.forms[:, :N_SKY], axes=1)
    return middle.reduced(forms)


def _sky(
    state: LayoutState, forms: ComplexArray, *, with_slopes: bool
) -> tuple[FloatArray, FloatArray]:
    """Per watt of input, (3,), and derivatives to the effective lengths, (3, E)."""
    voltage = state.voltages[state.driven]
    power = (voltage * state.feed_current.conjugate()).real
    shares = state.watts(forms) / power
    if not with_slopes:
        return shares, np.zeros((N_SKY, 1))
    # at a fixed voltage the input is |V|^2 Re(1/Z)
    z = state.impedance
    by_length = abs(voltage) ** 2 * (-state.by_length / z**2).real
    return shares, (state.watts_by_length(forms).T - np.outer(shares, by_length)) / power
