"""What of a layout can be a goal or a limit, as losses in nepers that the optimiser lessens.

A quantity q > 0 counts as -ln q where high is better and as ln q where low is: a tenth more of 5 %
efficiency is worth as much as a tenth more of 50 %.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from ...answer_records import SWR_LIMIT as CONTENT_SWR
from ...moments.basis import ComplexArray, FloatArray
from ...station.chain import TUNER
from ...station.station_tables import StationSetup
from ...station.tuner import Network
from ...station.two_port import reflection, swr
from ...station.verdicts import station_chain, station_verdict
from ...station.window_matcher import WindowMatcher
from ..sweep_quantities import Nature, Quantity, Style
from .outcomes import Outcome

if TYPE_CHECKING:
    from collections.abc import Mapping

TUNER_STEP = 0.02
"""Of the impedance: step of a tuner's derivatives. Its coils and capacitors go by steps, too."""

LEAST = 1e-12
"""Of what a logarithm is taken."""

MISMATCH = "tuner strain"
"""How far the tuner is from not coping: 1 is the edge of what it copes with."""


@dataclass(frozen=True)
class Circumstances:
    """What quantities depend on beside the layout.

    Attributes
    ----------
    reference : float
        What SWR refers to. [ohm]
    power : float
        Into the feed point. [W]
    setup : StationSetup
    """

    reference: float
    power: float
    setup: StationSetup

    @cached_property
    def radio_power(self) -> float:
        """What the radio gives. [W]"""
        told = self.setup.transmitter_power
        return self.power if told is None else told


@dataclass(frozen=True, eq=False)
class Values:
    """A quantity in each house, on each band, at one or several frequencies.

    Attributes
    ----------
    value : (S, B, P) float
        P is 1 where it is known at the band's centre.
    by_length : (S, B, P, E) float or None
        [1/m]
    """

    value: FloatArray
    by_length: FloatArray | None


Compute = Callable[[Outcome, FloatArray, Circumstances], Values]


@dataclass(frozen=True)
class LayoutQuantity:
    """Something that a layout has on every band.

    Attributes
    ----------
    quantity : Quantity
        As sweeps name it.
    compute : callable or None
        From an outcome, the frequencies (B, P) and the circumstances; None where only a layout
        solved in full has it.
    most : float
        Greatest value it can have.
    least : float
    """

    quantity: Quantity
    compute: Compute | None
    least: float = 0.0
    most: float = np.inf

    @property
    def name(self) -> str:
        """Of the quantity."""
        return self.quantity.name


# ---- from the impedance ------------------------------------------------------------------


def _chained(
    outcome: Outcome, value: FloatArray, by_real: FloatArray, by_imag: FloatArray
) -> Values:
    change = outcome.impedance_by_length
    if change is None:
        return Values(value, None)
    slopes = by_real[..., None] * change.real + by_imag[..., None] * change.imag
    return Values(value, slopes)


def _swr(outcome: Outcome, frequencies: FloatArray, where: Circumstances) -> Values:
    del frequencies
    z, z0 = outcome.impedance, where.reference
    size = np.abs(reflection(z, z0=z0))
    value = np.where(size < 1.0, (1.0 + size) / np.maximum(1.0 - size, LEAST), np.inf)
    # d|g| = Re(conj(g) dg)/|g|, dg/dz = 2 z0/(z + z0)^2
    push = 2.0 * z0 / (z + z0) ** 2 * (z - z0).conj() / (z + z0).conj()
    push = push / np.maximum(size, LEAST) * 2.0 / np.maximum(1.0 - size, 1e-6) ** 2
    return _chained(outcome, value, push.real, -push.imag)


def _feed_voltage(outcome: Outcome, frequencies: FloatArray, where: Circumstances) -> Values:
    del frequencies
    r, x = outcome.impedance.real, outcome.impedance.imag
    r = np.maximum(r, LEAST)
    value = np.sqrt(where.power * (r + x * x / r))
    half = 0.5 * where.power / value
    return _chained(outcome, value, half * (1.0 - x * x / r**2), half * 2.0 * x / r)


def _stepped(
    outcome: Outcome, impedance: ComplexArray, of: Callable[[ComplexArray], FloatArray]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """A value and its derivatives to R and X, by differences where slopes are asked for."""
    value = of(impedance)
    if outcome.impedance_by_length is None:
        nothing = np.zeros_like(value)
        return value, nothing, nothing
    step = TUNER_STEP * np.abs(impedance)
    slopes = []
    for unit in (1.0, 1j):
        low, high = impedance - unit * step, impedance + unit * step
        low = np.where(low.real > 0.0, low, impedance)
        slopes.append((of(high) - of(low)) / np.abs(high - low))
    return value, slopes[0], slopes[1]


def _strain(outcome: Outcome, frequencies: FloatArray, where: Circumstances) -> Values:
    def of(impedance: ComplexArray) -> FloatArray:
        f = np.broadcast_to(frequencies, impedance.shape)
        return tuner_strain(where, impedance.ravel(), f.ravel()).reshape(impedance.shape)

    return _chained(outcome, *_stepped(outcome, outcome.impedance, of))


def tuner_strain(
    where: Circumstances, impedance: ComplexArray, frequencies: FloatArray
) -> FloatArray:
    """How far the station is from not coping with impedances (F,): up to 1 it copes.

    A network's SWR at its best over what it may be; how near to a window's nearest edge; without
    a tuner, the radio's SWR over what it is content with.
    """
    setup = where.setup
    chain = station_chain(
        setup, setup.tuner_at, impedance, frequencies, where.radio_power, where.reference
    )
    if isinstance(setup.tuner, Network) and chain.ladder is not None:
        return np.asarray(chain.ladder.matches[TUNER].swr / setup.swr_limit)
    if isinstance(setup.tuner, WindowMatcher):
        return _window_strain(setup.tuner, chain.loads, frequencies, where.radio_power)
    found = chain.spread(np.nan if chain.ladder is None else chain.ladder.swr)
    return np.asarray(found / CONTENT_SWR)


def _window_strain(
    window: WindowMatcher, z: ComplexArray, frequencies: FloatArray, power: float
) -> FloatArray:
    r = np.maximum(z.real, LEAST)
    parts = [np.full(z.shape, power / window.power)]
    if window.resistance is not None:
        low, high = window.resistance
        parts += [low / r, r / high]
    if window.reactance is not None:
        low, high = window.reactance
        parts.append(np.abs(z.imag - 0.5 * (low + high)) / (0.5 * (high - low)))
    if window.swr is not None:
        parts.append(swr(z, z0=window.z0) / window.swr)
    if window.peak_voltage is not None:
        out = power * 10.0 ** (-window.loss_db / 10.0)
        parts.append(np.sqrt(2.0 * out / r) * np.abs(z) / window.peak_voltage)
    if window.frequencies is not None:
        parts += [window.frequencies[0] / frequencies, frequencies / window.frequencies[1]]
    return np.max(parts, axis=0)


# ---- from the watts ----------------------------------------------------------------------


def _sky(terms: Sequence[int], over: Sequence[int] = ()) -> Compute:
    """The sum of some of the watts to the sky, over that of others."""

    def compute(outcome: Outcome, frequencies: FloatArray, where: Circumstances) -> Values:
        del frequencies, where
        sky, change = outcome.sky, outcome.sky_by_length
        top = sky[..., list(terms)].sum(axis=-1)
        bottom = sky[..., list(over)].sum(axis=-1) if over else np.ones_like(top)
        value = top / bottom
        if change is None:
            return Values(value[..., None], None)
        slopes = change[..., list(terms), :].sum(axis=-2)
        if over:
            slopes = slopes - value[..., None] * change[..., list(over), :].sum(axis=-2)
        return Values(value[..., None], (slopes / bottom[..., None])[..., None, :])

    return compute


def _system(outcome: Outcome, frequencies: FloatArray, where: Circumstances) -> Values:
    """Watts to the sky per watt of the radio, at the band's centre."""
    middle = frequencies.shape[1] // 2
    z = outcome.impedance[..., middle]

    def of(impedance: ComplexArray) -> FloatArray:
        f = np.broadcast_to(frequencies[:, middle], impedance.shape)
        found = station_verdict(
            where.setup, impedance.ravel(), f.ravel(),
            power=where.radio_power, reference=where.reference,
        )  # fmt: skip
        return np.nan_to_num(found.delivered, nan=0.0).reshape(impedance.shape)

    delivered, by_real, by_imag = _stepped(outcome, z, of)
    efficiency = outcome.sky.sum(axis=-1)
    value = delivered * efficiency
    if outcome.impedance_by_length is None or outcome.sky_by_length is None:
        return Values(value[..., None], None)
    change = outcome.impedance_by_length[..., middle, :]
    slopes = by_real[..., None] * change.real + by_imag[..., None] * change.imag
    slopes = slopes * efficiency[..., None]
    slopes = slopes + delivered[..., None] * outcome.sky_by_length.sum(axis=-2)
    return Values(value[..., None], slopes[..., None, :])


def _made(
    name: str, about: str, compute: Compute | None, nature: Nature, style: Style, unit: str = "",
    *, least: float = 0.0, most: float = np.inf,
) -> LayoutQuantity:  # fmt: skip
    return LayoutQuantity(Quantity(name, unit, about, nature, style), compute, least, most)


_ALL = (
    _made("efficiency", "Radiated over input power, at the band's centre.", _sky((0, 1, 2)),
          "high", "part", most=1.0),
    _made("swr", "Greatest standing wave ratio over the band's points.", _swr, "low", "swr",
          least=1.0),
    _made("low-angle share", "Part of the radiated power at low angles, at the band's centre.",
          _sky((0,), (0, 1, 2)), "high", "part", most=1.0),
    _made("high-angle share", "Part of the radiated power at high angles, at the band's centre.",
          _sky((2,), (0, 1, 2)), "high", "part", most=1.0),
    _made("low-angle efficiency", "Part of the input that leaves at low angles, at the band's "
          "centre.", _sky((0,)), "high", "part", most=1.0),
    _made("high-angle efficiency", "Part of the input that leaves at high angles, at the band's "
          "centre.", _sky((2,)), "high", "part", most=1.0),
    _made("system efficiency", "Watts radiated per watt of the radio, at the band's centre.",
          _system, "high", "part", most=1.0),
    _made("feed voltage", "Greatest RMS voltage at the feed point over the band's points, at the "
          "stated power.", _feed_voltage, "low", "number", "V"),
    _made(MISMATCH, "How far the tuner is from not coping; up to 1 it copes.", _strain, "low",
          "number"),
    _made("wire voltage", "Greatest RMS voltage along the antenna's wires, at the band's centre, "
          "at the stated power.", None, "low", "number", "V"),
    _made("exposure", "Greatest part of the limits in the rooms.", None, "low", "part"),
)  # fmt: skip

QUANTITIES: Mapping[str, LayoutQuantity] = {one.name: one for one in _ALL}
"""By the name under which they are asked for."""


def losses(values: Values, *, high_is_better: bool) -> tuple[FloatArray, FloatArray | None]:
    """A quantity in nepers, less is better, and its derivatives."""
    sign = -1.0 if high_is_better else 1.0
    held = np.clip(values.value, LEAST, 1.0 / LEAST)
    slopes = None if values.by_length is None else sign * values.by_length / held[..., None]
    return sign * np.log(held), slopes
