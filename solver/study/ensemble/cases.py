"""The figures of many houses on a band."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ....geometry.plan import AtticPlan
from ...answer_records import swr_of
from ...bands import Band
from ...moments.basis import ComplexArray, FloatArray
from ...station.station_tables import STATION_TABLES, StationSetup, read_station
from ...station.verdicts import station_verdict
from ..model.attic_model import WATTS, AtticModel, HouseState
from ..model.eliminated import LayoutState
from ..unknowns import apply
from .quantities import QUANTITIES

AT_ONCE = 16
"""Layouts whose watts are summed together; more keep more memory."""


@dataclass(frozen=True, eq=False)
class Station:
    """What stands between radio and antenna, in each case.

    Attributes
    ----------
    setups : tuple of StationSetup
        One for all cases, or one for each.
    power : float
        Of the radio where no setup says its own. [W]
    reference : float
        [ohm]
    """

    setups: tuple[StationSetup, ...]
    power: float
    reference: float

    @classmethod
    def of(
        cls, plan: AtticPlan, model: AtticModel, states: Sequence[HouseState], *, power: float,
        reference: float,
    ) -> Station | None:  # fmt: skip
        """None where the file tells of no tuner."""
        if not plan.file.has("tuner"):
            return None
        varied = [
            (n, one) for n, one in enumerate(model.unknowns)
            if one.kind == "key" and one.key.partition(".")[0] in STATION_TABLES
        ]  # fmt: skip
        if not varied:
            return cls((read_station(plan.file),), power, reference)
        setups = []
        for state in states:
            values = {one.name: one.distribution.value(float(state.scores[n])) for n, one in varied}
            setups.append(read_station(apply(plan, values, unknowns=model.asked).file))
        return cls(tuple(setups), power, reference)

    def verdict(
        self, impedance: ComplexArray, frequency: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Whether the tuner copes, what it loses, and what the antenna gets, (V,) each."""
        whole = np.arange(impedance.size)
        rows = [whole] if len(self.setups) == 1 else [whole[n : n + 1] for n in whole]
        found = np.full((3, impedance.size), np.nan)
        for setup, own in zip(self.setups, rows, strict=True):
            power = self.power if setup.transmitter_power is None else setup.transmitter_power
            verdict = station_verdict(
                setup, impedance[own], np.full(own.size, frequency), power=power,
                reference=self.reference,
            )  # fmt: skip
            found[:, own] = verdict.copes, verdict.lost_in_tuner, verdict.delivered
        return found[0], found[1], found[2]


def band_points(band: Band, points: int) -> FloatArray:
    """Frequencies of a band from edge to edge, its centre among them. [Hz]"""
    even = np.linspace(band.low, band.high, points)
    apart = np.abs(even - band.centre) > 1e-6 * band.width
    return np.sort(np.append(even[apart], band.centre))


def cases_on_band(
    model: AtticModel,
    band: Band,
    states: Sequence[HouseState],
    *,
    lengths: FloatArray,
    frequencies: FloatArray,
    station: Station | None,
    power: float,
    reference: float,
    tick: Callable[[], None],
) -> tuple[ComplexArray, dict[str, FloatArray]]:
    """Impedances (V, F) and figures (V,) by name of some houses.

    Parameters
    ----------
    lengths : (E,) float
        Of the elements, as told. [m]
    frequencies : (F,) float
        With the band's centre. [Hz]
    tick : callable
        Called after each house.
    """
    own = model.band(band)
    middle = int(np.argmin(np.abs(frequencies - band.centre)))
    impedances = np.empty((len(states), frequencies.size), dtype=np.complex128)
    effective = [model.effective(lengths, state.scores) for state in states]
    leads = np.array([model.lead(state.scores) for state in states])
    watts = np.empty((len(states), len(WATTS)))
    loads = np.empty(len(states))

    def sum_watts(layouts: list[LayoutState], first: int) -> None:
        rows = slice(first, first + len(layouts))
        scores = np.stack([state.scores for state in states[rows]])
        watts[rows] = own.watts(layouts, scores)
        loads[rows] = [_in_loads(layout) for layout in layouts]

    for k, f in enumerate(map(float, frequencies)):
        held: list[LayoutState] = []
        for v, state in enumerate(states):
            layout = own.eliminated(f, state).state(effective[v].tolist())
            impedances[v, k] = layout.impedance
            if k == middle:
                held.append(layout)
                if len(held) == AT_ONCE or v + 1 == len(states):
                    sum_watts(held, v + 1 - len(held))
                    held = []
            tick()
        own.forget(f)
    impedances += 2j * np.pi * frequencies * leads[:, None]
    found = _figures(
        impedances, watts, loads, middle=middle, power=power, reference=reference,
        has_earth=model.plan.earth is not None and not model.plan.earth.is_perfect,
    )  # fmt: skip
    if station is not None:
        copes, lost, delivered = station.verdict(impedances[:, middle], band.centre)
        found["tuner copes"], found["tuner loss"] = copes, lost
        found["sent"] = delivered * found["efficiency"]
    return impedances, {name: found[name] for name in QUANTITIES if name in found}


def _in_loads(layout: LayoutState) -> float:
    """Part of the input that loads take."""
    currents = layout.admittance @ layout.voltages
    ports = (layout.voltages * currents.conj()).real
    feeds = layout.eliminated.lengths.pool.scene.ports
    driven = np.array([feed.termination is None for feed in feeds])
    return float(-ports[~driven].sum() / ports[driven].sum())


def _figures(
    impedances: ComplexArray,
    watts: FloatArray,
    loads: FloatArray,
    *,
    middle: int,
    power: float,
    reference: float,
    has_earth: bool,
) -> dict[str, FloatArray]:
    z = impedances[:, middle]
    swr: NDArray[np.float64] = swr_of(impedances, reference)
    radiated = watts[:, :3].sum(axis=1)
    heat = dict(zip(WATTS[3:], watts[:, 3:].T, strict=True))
    earth = 1.0 - radiated - watts[:, 3:].sum(axis=1) - loads
    shares = watts[:, :3] / radiated[:, None]
    return {
        "resistance": z.real,
        "reactance": z.imag,
        "swr": swr[:, middle],
        "best swr": swr.min(axis=1),
        "worst swr": swr.max(axis=1),
        "reflection": np.abs((z - reference) / (z + reference)),
        "feed voltage": np.abs(z) * np.sqrt(power / z.real),
        "efficiency": radiated,
        "earth": earth if has_earth else np.zeros(radiated.shape),
        **heat,
        "loads": loads,
        "low": shares[:, 0],
        "middle": shares[:, 1],
        "high": shares[:, 2],
    }
