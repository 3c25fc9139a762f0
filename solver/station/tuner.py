"""Antenna tuners of coils and capacitors: what they can match, with which values, at what cost.

A network is told by the ranges, steps and Q of its parts. `match` finds, for each load and
frequency, the lowest loss among all settings that bring the SWR at the input within the limit, or
else the lowest SWR; `ladder_search` says how. Powers go into the network's input, and the leads and
strays inside a real box are not part of the model.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import SolverError
from ..moments.basis import ComplexArray, FloatArray
from .checks import require_frequency, require_load, require_power, require_value
from .ladder_search import Slot, search
from .part_ranges import CapacitorRange, CoilRange
from .two_port import LadderPart, TwoPort, cascade, ladder_state, reflection, swr

BYPASS = "bypass"
SWR_LIMIT = 1.05


Place = tuple[bool, int]
"""Whether in series, and the index of the part."""


@dataclass(frozen=True, repr=False, eq=False)
class Match:
    """How a network matches loads: arrays of the shape (...) of loads and frequencies.

    Attributes
    ----------
    network : Network
        The network.
    frequency, power : ndarray of float, shape (...)
        [Hz, W into its input]
    load, input_impedance : ndarray of complex, shape (...)
        [ohm]
    z0, swr_limit : float
        Reference and limit of the SWR at the input.
    topology : ndarray of str, shape (...)
        How the parts are arranged, one of `network.topologies`.
    part_names : tuple of str, length P
        The parts.
    values : ndarray of float, shape (..., P)
        Settings, NaN in bypass. [H for coils, F for capacitors]
    swr : ndarray of float, shape (...)
        At the input.
    can_match : ndarray of bool, shape (...)
        Whether the SWR is within the limit.
    loss_watts : ndarray of float, shape (..., P)
        Power lost in each part. [W]
    voltage, current : ndarray of float, shape (..., P)
        RMS across and through each part. [V, A]
    two_port : TwoPort
        The network as it is set.
    """

    network: Network
    frequency: FloatArray
    load: ComplexArray
    power: FloatArray
    z0: float
    swr_limit: float
    topology: NDArray[np.str_]
    values: FloatArray
    input_impedance: ComplexArray
    swr: FloatArray
    can_match: NDArray[np.bool_]
    loss_watts: FloatArray
    voltage: FloatArray
    current: FloatArray
    two_port: TwoPort

    @property
    def part_names(self) -> tuple[str, ...]:
        """Names of the parts, in the order of `values`."""
        return self.network.part_names

    @property
    def loss(self) -> FloatArray:
        """Part of the input power that is lost in the parts, 0 to 1."""
        return np.asarray(self.loss_watts.sum(axis=-1) / self.power)

    @property
    def loss_db(self) -> FloatArray:
        """Power in over power into the load. [dB]"""
        return np.asarray(-10.0 * np.log10(1.0 - self.loss))

    @property
    def peak_voltage(self) -> FloatArray:
        """sqrt(2) times the RMS voltage across each part. [V]"""
        return np.asarray(math.sqrt(2.0) * self.voltage)

    @property
    def peak_current(self) -> FloatArray:
        """sqrt(2) times the RMS current through each part. [A]"""
        return np.asarray(math.sqrt(2.0) * self.current)

    def at_power(self, power: ArrayLike) -> Match:
        """Return the same settings with another power going in, shape (...). [W]

        Raises
        ------
        SolverError
            If the power is not above 0.
        """
        watts = np.broadcast_to(require_power(power), self.power.shape)
        ratio = (watts / self.power)[..., None]
        return replace(
            self,
            power=watts,
            loss_watts=self.loss_watts * ratio,
            voltage=self.voltage * np.sqrt(ratio),
            current=self.current * np.sqrt(ratio),
        )

    def describe(self) -> str:
        """One line for each load: verdict, arrangement, settings, SWR and loss."""
        lines = []
        for at in np.ndindex(self.swr.shape):
            verdict = "matches" if self.can_match[at] else f"no match within {self.swr_limit:g}"
            lines.append(
                f"{self.frequency[at] / 1e6:.3f} MHz, {self.load[at]:.1f} ohm: {verdict}, "
                f"{self.settings(at)}, SWR {self.swr[at]:.2f}, "
                f"{self.loss_db[at]:.2f} dB ({self.loss_watts[at].sum():.3g} of "
                f"{self.power[at]:g} W)"
            )
        return "\n".join(lines)

    def settings(self, at: tuple[int, ...] = ()) -> str:
        """Arrangement and values in words, of the load at an index."""
        values = [
            _in_words(part, value)
            for part, value in zip(self.network.parts, self.values[at], strict=True)
            if np.isfinite(value)
        ]
        return ", ".join([str(self.topology[at]), *values])

    def __repr__(self) -> str:
        return f"<Match: {int(self.can_match.sum())} of {self.swr.size} loads matched>"


class Network(ABC):
    """A tuner of coils and capacitors. The kinds below are frozen dataclasses."""

    part_names: ClassVar[tuple[str, ...]]
    arrangements: ClassVar[dict[str, tuple[Place, ...]]]
    """From the input to the load."""
    topologies: tuple[str, ...]

    @property
    @abstractmethod
    def parts(self) -> tuple[CoilRange | CapacitorRange, ...]:
        """The ranges of its parts, in the order of `part_names`."""

    def match(
        self,
        load: ArrayLike,
        frequency: ArrayLike,
        *,
        z0: float = 50.0,
        power: ArrayLike = 100.0,
        swr_limit: float = SWR_LIMIT,
    ) -> Match:
        """Find the best settings for loads: lowest loss within the limit, or else lowest SWR.

        Parameters
        ----------
        load, frequency, power : array_like, shapes that broadcast to (...)
            [ohm with a resistance above 0, Hz, W into the input]
        z0 : float
            Reference at the input, > 0. [ohm]
        swr_limit : float
            Greatest SWR at the input that counts as a match, > 1.

        Returns
        -------
        Match
            Arrays of shape (...).

        Raises
        ------
        SolverError
            If a value is out of range.
        """
        z0 = require_value(z0, what="reference impedance", unit="ohm", above=0.0)
        swr_limit = require_value(swr_limit, what="SWR limit", unit="", above=1.0)
        f, z, watts = np.broadcast_arrays(
            require_frequency(frequency), require_load(load), require_power(power)
        )
        omega, loads = 2.0 * np.pi * f.ravel(), z.ravel()
        # Ties go to what comes first, so that an antenna that needs no tuner gets none.
        best = np.full(loads.shape, np.inf)
        chosen = np.zeros(loads.shape, dtype=np.intp)
        values = np.full((loads.size, len(self.parts)), np.nan)
        order = sorted(self.topologies, key=lambda name: name != BYPASS)
        for k, name in enumerate(order):
            settings = np.full_like(values, np.nan)
            if name == BYPASS:
                score = np.where(swr(loads, z0=z0) <= swr_limit, 0.0, 2 + reflection(loads, z0=z0))
            else:
                places = self.arrangements[name]
                slots = [self._slot(place) for place in places]
                found = search(slots, loads, omega, z0=z0, limit=swr_limit)
                score = found.score
                for n, (slot, (_, part)) in enumerate(zip(slots, places, strict=True)):
                    settings[:, part] = _set_value(slot, found.s[:, n], omega)
            take = score < best
            best, chosen = np.where(take, score, best), np.where(take, k, chosen)
            values[take] = settings[take]
        names = np.array(order)[chosen].reshape(f.shape)
        return self._evaluated(
            names, values.reshape(*f.shape, -1), f, z, watts, z0=z0, swr_limit=swr_limit
        )

    def with_values(
        self,
        topology: str,
        values: ArrayLike,
        load: ArrayLike,
        frequency: ArrayLike,
        *,
        z0: float = 50.0,
        power: ArrayLike = 100.0,
        swr_limit: float = SWR_LIMIT,
    ) -> Match:
        """What given settings do: as `match`, with nothing sought and no range looked at.

        Parameters
        ----------
        topology : str
            One of `topologies`.
        values : array_like of float, shape (..., P)
            Settings in the order of `part_names`. [H, F]
        load, frequency, z0, power, swr_limit
            See `match`.

        Raises
        ------
        SolverError
            If a value is out of range.
        """
        if topology not in self.arrangements and topology != BYPASS:
            raise SolverError(_no_topology(topology, (*self.arrangements, BYPASS)))
        f, z, watts = np.broadcast_arrays(
            require_frequency(frequency), require_load(load), require_power(power)
        )
        settings = np.asarray(values, dtype=np.float64)
        if settings.shape[-1:] != (len(self.parts),) or not np.all(settings >= 0.0):
            raise SolverError(
                f"settings are {values!r}; give one of at least 0 for each of "
                f"{', '.join(self.part_names)}."
            )
        settings = np.broadcast_to(settings, (*f.shape, len(self.parts)))
        names = np.full(f.shape, topology)
        return self._evaluated(names, settings, f, z, watts, z0=z0, swr_limit=swr_limit)

    def _slot(self, place: Place) -> Slot:
        is_series, index = place
        part = self.parts[index]
        step = None if part.step is None else float(part.step)
        is_coil = isinstance(part, CoilRange)
        return Slot(is_coil, is_series, float(part.low), float(part.high), step, part.q)

    def _evaluated(
        self,
        names: NDArray[np.str_],
        values: FloatArray,
        f: FloatArray,
        load: ComplexArray,
        power: FloatArray,
        *,
        z0: float,
        swr_limit: float,
    ) -> Match:
        """Put settings into the two-ports and read off what happens."""
        chain = np.zeros((4, *f.shape), dtype=np.complex128)
        chain[0], chain[3] = 1.0, 1.0
        lost, voltage, current = (np.zeros(values.shape) for _ in range(3))
        for name in np.unique(names):
            if name == BYPASS:
                continue
            here = names == name
            omega = 2.0 * np.pi * f[here]
            places = self.arrangements[str(name)]
            ladder = []
            for is_series, index in places:
                slot = self._slot((is_series, index))
                s = slot.s(values[here][:, index], omega)
                immittance = np.asarray(s * slot.direction, dtype=np.complex128)
                ladder.append(LadderPart(self.part_names[index], is_series, immittance))
            whole = cascade([part.two_port for part in ladder])
            chain[:, here] = np.stack([whole.a, whole.b, whole.c, whole.d])
            state = ladder_state(ladder, load[here], power=power[here])
            order = [index for _, index in places]
            for table, found in (
                (lost, state.lost),
                (voltage, np.abs(state.voltage)),
                (current, np.abs(state.current)),
            ):
                rows = np.zeros(found.shape)
                rows[:, order] = found
                table[here] = rows
        two_port = TwoPort(chain[0, ...], chain[1, ...], chain[2, ...], chain[3, ...])
        shown = two_port.input_impedance(load)
        ratio = swr(shown, z0=z0)
        return Match(
            network=self,
            frequency=f,
            load=load,
            power=power,
            z0=z0,
            swr_limit=swr_limit,
            topology=names,
            values=values,
            input_impedance=shown,
            swr=ratio,
            can_match=np.asarray(ratio <= swr_limit),
            loss_watts=lost,
            voltage=voltage,
            current=current,
            two_port=two_port,
        )

    def _check(self, kinds: tuple[type, ...]) -> None:
        for name, part, kind in zip(self.part_names, self.parts, kinds, strict=True):
            if not isinstance(part, kind):
                raise SolverError(f"the {name} of a network is {part!r}; give a {kind.__name__}.")
        known = (*self.arrangements, BYPASS)
        if isinstance(self.topologies, str) or not self.topologies:
            raise SolverError(f"topologies are {self.topologies!r}; give one or more of {known}.")
        for name in self.topologies:
            if name not in known:
                raise SolverError(_no_topology(name, known))
        object.__setattr__(self, "topologies", tuple(self.topologies))


_L = {
    "series L, shunt C at load": ((True, 0), (False, 1)),
    "series L, shunt C at input": ((False, 1), (True, 0)),
    "series C, shunt L at load": ((True, 1), (False, 0)),
    "series C, shunt L at input": ((False, 0), (True, 1)),
}
_PI = {"shunt C, series L, shunt C": ((False, 0), (True, 1), (False, 2))}
_T = {"series C, shunt L, series C": ((True, 0), (False, 1), (True, 2))}


@dataclass(frozen=True)
class LNetwork(Network):
    """A coil and a capacitor, one in series and one across the load or the input.

    Parameters
    ----------
    coil : CoilRange
        Range, steps and Q of the coil.
    capacitor : CapacitorRange
        Of the capacitor.
    topologies : tuple of str
        The arrangements that its switches allow; all four and "bypass" by default.

    Raises
    ------
    SolverError
        If a part is of the wrong kind, or a topology is not known.

    Examples
    --------
    >>> tuner = LNetwork(
    ...     CoilRange(0, "25.5 uH", step="0.1 uH", q=150),
    ...     CapacitorRange(0, "2.55 nF", step="10 pF", q=1000),
    ... )
    >>> print(tuner.match(12 - 310j, 3.65e6).describe())
    3.650 MHz, 12.0-310.0j ohm: matches, ...
    """

    part_names: ClassVar[tuple[str, ...]] = ("coil", "capacitor")
    arrangements: ClassVar[dict[str, tuple[Place, ...]]] = _L

    coil: CoilRange
    capacitor: CapacitorRange
    topologies: tuple[str, ...] = field(default=(*_L, BYPASS), kw_only=True)

    def __post_init__(self) -> None:
        self._check((CoilRange, CapacitorRange))

    @property
    def parts(self) -> tuple[CoilRange | CapacitorRange, ...]:
        """Coil and capacitor."""
        return (self.coil, self.capacitor)


@dataclass(frozen=True)
class PiNetwork(Network):
    """A coil in series between two capacitors across input and load.

    Parameters
    ----------
    input_capacitor : CapacitorRange
        Across the input.
    coil : CoilRange
        In series.
    load_capacitor : CapacitorRange
        Across the load.
    topologies : tuple of str
        The network, and "bypass".

    Raises
    ------
    SolverError
        If a part is of the wrong kind, or a topology is not known.
    """

    part_names: ClassVar[tuple[str, ...]] = ("input capacitor", "coil", "load capacitor")
    arrangements: ClassVar[dict[str, tuple[Place, ...]]] = _PI

    input_capacitor: CapacitorRange
    coil: CoilRange
    load_capacitor: CapacitorRange
    topologies: tuple[str, ...] = field(default=(*_PI, BYPASS), kw_only=True)

    def __post_init__(self) -> None:
        self._check((CapacitorRange, CoilRange, CapacitorRange))

    @property
    def parts(self) -> tuple[CoilRange | CapacitorRange, ...]:
        """Input capacitor, coil, load capacitor."""
        return (self.input_capacitor, self.coil, self.load_capacitor)


@dataclass(frozen=True)
class TNetwork(Network):
    """A coil across the middle between two capacitors in series.

    Parameters
    ----------
    input_capacitor : CapacitorRange
        In series at the input.
    coil : CoilRange
        Across the middle.
    load_capacitor : CapacitorRange
        In series at the load.
    topologies : tuple of str
        The network, and "bypass".

    Raises
    ------
    SolverError
        If a part is of the wrong kind, or a topology is not known.
    """

    part_names: ClassVar[tuple[str, ...]] = ("input capacitor", "coil", "load capacitor")
    arrangements: ClassVar[dict[str, tuple[Place, ...]]] = _T

    input_capacitor: CapacitorRange
    coil: CoilRange
    load_capacitor: CapacitorRange
    topologies: tuple[str, ...] = field(default=(*_T, BYPASS), kw_only=True)

    def __post_init__(self) -> None:
        self._check((CapacitorRange, CoilRange, CapacitorRange))

    @property
    def parts(self) -> tuple[CoilRange | CapacitorRange, ...]:
        """Input capacitor, coil, load capacitor."""
        return (self.input_capacitor, self.coil, self.load_capacitor)


def _set_value(slot: Slot, s: FloatArray, omega: FloatArray) -> FloatArray:
    """Values of a part from s, on its steps and within its range."""
    value = s / omega if slot.is_direct else 1.0 / (omega * s)
    if slot.step is None:
        return np.clip(value, slot.low, slot.high)
    return np.asarray(slot.low + slot.step * np.rint((value - slot.low) / slot.step))


def _in_words(part: CoilRange | CapacitorRange, value: float) -> str:
    if isinstance(part, CoilRange):
        return f"{value * 1e6:.4g} uH"
    return f"{value * 1e12:.4g} pF"


def _no_topology(name: object, known: tuple[str, ...]) -> str:
    return f"topology {name!r} is not known; known are {', '.join(map(repr, known))}."
