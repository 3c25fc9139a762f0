"""The chain from radio to antenna as a power ladder: how many watts each stage takes.

Stages stand in a row, the radio's first. Impedances are found from the antenna back to the radio,
so that a tuner sees what really arrives there; powers then go from the radio to the antenna. The
radio gives its stated power into its reference impedance; into anything else it gives
1 - |reflection|^2 of it (common practice: what a real one does depends on its protection), and the
rest is the ladder's first entry.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike

from ..errors import SolverError
from ..moments.basis import ComplexArray, FloatArray
from .checks import require_frequency, require_load, require_power, require_value
from .line import Line
from .transformer import Transformer
from .tuner import SWR_LIMIT, Match, Network
from .two_port import TwoPort, reflection, swr
from .window_matcher import WindowMatcher

Element = Line | Transformer | Network | WindowMatcher | TwoPort
REFLECTED = "mismatch at the radio"
UNACCOUNTED = "unaccounted"
LINE, TUNER = "line", "tuner"
"""What `stages_in_order` calls them."""

_BUDGET_SLACK = 0.02


@dataclass(frozen=True)
class Stage:
    """One stage of a chain.

    Parameters
    ----------
    name : str
        For tables; each of a chain its own.
    element : Line, Transformer, LNetwork, PiNetwork, TNetwork, WindowMatcher or TwoPort
        What it is, the radio's side its input.
    z0 : float, optional
        What a tuner matches to; None for the radio's reference. [ohm]

    Raises
    ------
    SolverError
        If the name is empty or the element is none of these.
    """

    name: str
    element: Element
    z0: float | None = field(default=None, kw_only=True)

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise SolverError(f"the name of a stage is {self.name!r}; give it a name.")
        if not isinstance(self.element, Element):
            raise SolverError(
                f"stage {self.name!r} is {self.element!r}; give a line, a transformer, a tuner, a "
                "window matcher or a two-port."
            )
        if self.z0 is not None:
            require_value(self.z0, what=f"reference of stage {self.name!r}", unit="ohm", above=0.0)


@dataclass(frozen=True)
class LadderEntry:
    """One rung: what a stage takes, and what is left after it."""

    name: str
    watts: float
    """Taken here. [W]"""
    loss_db: float
    """What arrives here over what leaves; NaN for shares of the antenna, the chain's end. [dB]"""
    left_watts: float
    """Left after it; after an antenna's share, the shares still to come. [W]"""


@dataclass(frozen=True)
class LadderRow:
    """The ladder at one frequency."""

    frequency: float
    power: float
    swr: float
    """At the radio."""
    entries: tuple[LadderEntry, ...]

    def __str__(self) -> str:
        rungs = ", ".join(f"{e.name} {e.watts:.3g} W" for e in self.entries)
        return f"{self.frequency / 1e6:.3f} MHz, {self.power:g} W, SWR {self.swr:.2f}: {rungs}"


@dataclass(frozen=True, repr=False, eq=False)
class PowerLadder:
    """Watts from radio to antenna, F frequencies and S stages.

    Attributes
    ----------
    frequency, power : ndarray of float, shape (F,)
        [Hz, W]
    stage_names : tuple of str, length S
        The radio's first.
    reflected : ndarray of float, shape (F,)
        What the radio does not give because of the mismatch there. [W]
    arriving : ndarray of float, shape (F, S + 1)
        Power into each stage; the last column goes into the antenna. [W]
    lost : ndarray of float, shape (F, S)
        Power lost in each stage; a tuner's is the sum over its parts. [W]
    impedance : ndarray of complex, shape (F, S + 1)
        Seen at the input of each stage; the last column is the antenna's. [ohm]
    swr : ndarray of float, shape (F,)
        At the radio.
    shares : mapping of str to ndarray of float, shape (F,)
        Where the antenna's power goes. [W]
    matches : mapping of str to Match
        Settings of each tuner, by the name of its stage.
    """

    frequency: FloatArray
    power: FloatArray
    stage_names: tuple[str, ...]
    reflected: FloatArray
    arriving: FloatArray
    lost: FloatArray
    impedance: ComplexArray
    swr: FloatArray
    shares: Mapping[str, FloatArray]
    matches: Mapping[str, Match]

    @property
    def delivered(self) -> FloatArray:
        """Power into the antenna, shape (F,). [W]"""
        return self.arriving[:, -1]

    @property
    def loss_db(self) -> FloatArray:
        """Power into each stage over power out of it, shape (F, S). [dB]"""
        return np.asarray(10.0 * np.log10(self.arriving[:, :-1] / self.arriving[:, 1:]))

    @property
    def total_loss_db(self) -> FloatArray:
        """The radio's power over what goes into the antenna, shape (F,). [dB]"""
        return np.asarray(10.0 * np.log10(self.power / self.delivered))

    @property
    def total(self) -> FloatArray:
        """Sum of all entries, shape (F,): the radio's power again. [W]"""
        shares = self.shares.values() if self.shares else [self.delivered]
        return np.asarray(self.reflected + self.lost.sum(axis=1) + sum(shares))

    def rows(self) -> tuple[LadderRow, ...]:
        """Return one row per frequency, with an entry per stage."""
        return tuple(self.row(at) for at in range(self.frequency.size))

    def with_shares(self, shares: Mapping[str, ArrayLike]) -> PowerLadder:
        """Return the same ladder with other shares of the antenna's power; see `power_ladder`."""
        return replace(self, shares=_in_watts(shares, self.delivered))

    def row(self, at: int) -> LadderRow:
        """Return the row at one frequency, by its index."""
        power = float(self.power[at])
        names = (REFLECTED, *self.stage_names)
        taken = [float(self.reflected[at]), *map(float, self.lost[at])]
        before = [power, *map(float, self.arriving[at, :-1])]
        after = [float(x) for x in self.arriving[at]]
        entries = [
            LadderEntry(name, watts, float(10.0 * np.log10(start / end)), end)
            for name, watts, start, end in zip(names, taken, before, after, strict=True)
        ]
        left = after[-1]
        for name, share in (self.shares or {"antenna": self.delivered}).items():
            left -= float(share[at])
            entries.append(LadderEntry(name, float(share[at]), np.nan, left))
        return LadderRow(float(self.frequency[at]), power, float(self.swr[at]), tuple(entries))

    def __str__(self) -> str:
        return "\n".join(map(str, self.rows()))

    def __repr__(self) -> str:
        stages = ", ".join(self.stage_names) or "no stages"
        return f"<PowerLadder: {self.frequency.size} frequencies, {stages}>"


def power_ladder(
    stages: Sequence[Stage],
    antenna: ArrayLike,
    frequency: ArrayLike,
    *,
    power: ArrayLike = 100.0,
    z0: float = 50.0,
    shares: Mapping[str, ArrayLike] | None = None,
    swr_limit: float = SWR_LIMIT,
) -> PowerLadder:
    """Find where the watts go from radio to antenna, and on from there.

    Parameters
    ----------
    stages : sequence of Stage, length S
        The radio's first; none for an antenna right at the radio.
    antenna : array_like of complex, shape (F,) or ()
        Impedance at the feed point, resistance > 0. [ohm]
    frequency, power : array_like of float, shape (F,) or ()
        [Hz, W that the radio gives into its reference]
    z0 : float
        The radio's reference, > 0. [ohm]
    shares : mapping of str to array_like of float, shape (F,) or (), optional
        Parts of the antenna's power that go to sky, earth and so on, each 0 to 1, their sum 1
        within 0.02; what is missing is shown as "unaccounted".
    swr_limit : float
        What tuners aim at; see `Network.match`.

    Returns
    -------
    PowerLadder
        With F = 1 for a single frequency.

    Raises
    ------
    SolverError
        If a value is out of range, names come twice, or a window matcher cannot match.

    Examples
    --------
    >>> ladder = power_ladder([Stage("coax", Line.named("RG-58", length=15))], 50, 14.1e6)
    >>> f"{ladder.delivered[0]:.1f} W"
    '82.8 W'
    """
    z0 = require_value(z0, what="reference of the radio", unit="ohm", above=0.0)
    for stage in stages:
        if not isinstance(stage, Stage):
            raise SolverError(
                f"a stage of the chain is a {type(stage).__name__}; give Stage('its name', it)."
            )
    names = tuple(stage.name for stage in stages)
    if len(set(names)) != len(names):
        raise SolverError(f"the stages are named {', '.join(names)}; give each its own name.")
    asked = (
        np.atleast_1d(require_frequency(frequency)),
        require_load(antenna, what="antenna impedance"),
        require_power(power),
    )
    try:
        f, z, watts = np.broadcast_arrays(*asked)
    except ValueError as error:
        shapes = ", ".join(str(one.shape) for one in asked)
        raise SolverError(
            f"frequency, impedance and power have the shapes {shapes}; give as many of each, or "
            "one."
        ) from error
    if f.ndim != 1:
        raise SolverError(
            f"frequency, impedance and power make an array of shape {f.shape}; give lists over "
            "frequency."
        )
    impedance = np.empty((f.size, len(stages) + 1), dtype=np.complex128)
    impedance[:, -1] = z
    two_ports: list[TwoPort] = []
    matches: dict[str, Match] = {}
    for k in reversed(range(len(stages))):
        stage, load = stages[k], impedance[:, k + 1]
        if isinstance(stage.element, Network):
            reference = stage.z0 or z0
            found = stage.element.match(load, f, z0=reference, power=watts, swr_limit=swr_limit)
            matches[stage.name] = found
            two_port = found.two_port
        else:
            two_port = _two_port(stage.element, f, load, power=watts)
        two_ports.insert(0, two_port)
        impedance[:, k] = two_port.input_impedance(load)
    lost = np.empty((f.size, len(stages)))
    arriving = np.empty((f.size, len(stages) + 1))
    arriving[:, 0] = watts * (1.0 - reflection(impedance[:, 0], z0=z0) ** 2)
    for k, stage in enumerate(stages):
        state = two_ports[k].state(impedance[:, k + 1], power=arriving[:, k])
        arriving[:, k + 1] = state.output_power
        lost[:, k] = state.lost
        if stage.name in matches:
            matches[stage.name] = matches[stage.name].at_power(arriving[:, k])
            lost[:, k] = matches[stage.name].loss_watts.sum(axis=-1)
    return PowerLadder(
        frequency=f,
        power=watts,
        stage_names=names,
        reflected=np.asarray(watts - arriving[:, 0]),
        arriving=arriving,
        lost=lost,
        impedance=impedance,
        swr=swr(impedance[:, 0], z0=z0),
        shares=_in_watts(shares, arriving[:, -1]),
        matches=matches,
    )


@dataclass(frozen=True, repr=False, eq=False)
class TunerPlaces:
    """The same line and tuner, the tuner at either end of the line."""

    at_feed_point: PowerLadder
    in_shack: PowerLadder

    @property
    def gained_watts(self) -> FloatArray:
        """More watts into the antenna with the tuner at the feed point, shape (F,). [W]"""
        return np.asarray(self.at_feed_point.delivered - self.in_shack.delivered)

    def __str__(self) -> str:
        lines = []
        for one, other in zip(self.at_feed_point.rows(), self.in_shack.rows(), strict=True):
            lines += [f"at the feed point: {one}", f"in the shack:      {other}"]
        return "\n".join(lines)

    def __repr__(self) -> str:
        return f"<TunerPlaces: {self.gained_watts.size} frequencies>"


def compare_tuner_places(
    line: Line,
    tuner: Network | WindowMatcher,
    antenna: ArrayLike,
    frequency: ArrayLike,
    *,
    power: ArrayLike = 100.0,
    z0: float = 50.0,
    transformer: Transformer | None = None,
    shares: Mapping[str, ArrayLike] | None = None,
) -> TunerPlaces:
    """Tuner at the feed point against tuner in the shack, from the same parts.

    Parameters
    ----------
    line, tuner : Line, Network or WindowMatcher
        The parts.
    antenna, frequency, power, z0, shares
        See `power_ladder`.
    transformer : Transformer, optional
        One that stays at the antenna in both.

    Returns
    -------
    TunerPlaces
        At the feed point the tuner matches to the line's nominal impedance, in the shack to the
        radio's reference.

    Raises
    ------
    SolverError
        If a value is out of range, or a window matcher cannot match.
    """

    def ladder(*, at_feed_point: bool) -> PowerLadder:
        stages = stages_in_order(
            line=line, tuner=tuner, transformer=transformer, at_feed_point=at_feed_point
        )
        return power_ladder(stages, antenna, frequency, power=power, z0=z0, shares=shares)

    return TunerPlaces(
        at_feed_point=ladder(at_feed_point=True), in_shack=ladder(at_feed_point=False)
    )


def stages_in_order(
    *,
    line: Line | None = None,
    tuner: Network | WindowMatcher | None = None,
    transformer: Transformer | None = None,
    at_feed_point: bool = True,
) -> tuple[Stage, ...]:
    """Return line, tuner and transformer as stages, the transformer at the antenna.

    A tuner at the feed point matches to the line's nominal impedance; without a line, or in front
    of it, to the radio's reference.
    """
    end = [] if transformer is None else [Stage(transformer.name, transformer)]
    coax = [] if line is None else [Stage(LINE, line)]
    box: list[Stage] = []
    if tuner is not None:
        z0 = line.kind.impedance if line is not None and at_feed_point else None
        box = [Stage(TUNER, tuner, z0=z0)]
    return (*coax, *box, *end) if at_feed_point else (*box, *coax, *end)


def _two_port(element: Element, f: FloatArray, load: ComplexArray, *, power: FloatArray) -> TwoPort:
    if isinstance(element, TwoPort):
        if element.shape not in ((), (1,), f.shape):
            raise SolverError(
                f"a two-port of shape {element.shape} stands in a chain of {f.size} frequencies; "
                "compute it at those."
            )
        return element
    if isinstance(element, WindowMatcher):
        return element.two_port(f, load, power=power)
    if isinstance(element, (Line, Transformer)):
        return element.two_port(f)
    raise SolverError(f"{element!r} cannot stand in a chain.")


def _in_watts(
    shares: Mapping[str, ArrayLike] | None, delivered: FloatArray
) -> dict[str, FloatArray]:
    """Watts of each share of the antenna's power, and of what they leave out."""
    if shares is None:
        return {}
    parts = {
        name: np.broadcast_to(np.asarray(share, dtype=np.float64), delivered.shape)
        for name, share in shares.items()
    }
    missing = np.asarray(1.0 - sum(parts.values()))
    for name, part in parts.items():
        if not np.all((part >= 0.0) & (part <= 1.0 + _BUDGET_SLACK)):
            raise SolverError(
                f"the antenna's share {name!r} is {part}; each must be from 0 to 1. Give parts of "
                "the antenna's input."
            )
    if UNACCOUNTED in parts or not np.all(np.abs(missing) <= _BUDGET_SLACK):
        raise SolverError(
            f"the antenna's shares {', '.join(parts)} leave {missing} unaccounted; their sum must "
            f"be 1 within {_BUDGET_SLACK}. Give all of the budget."
        )
    watts = {name: np.asarray(part * delivered) for name, part in parts.items()}
    watts[UNACCOUNTED] = np.asarray(missing * delivered)
    return watts
