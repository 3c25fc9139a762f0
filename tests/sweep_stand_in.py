"""A small sweep in memory: two open wires on one feed, told by a formula instead of solved."""

import itertools
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import constants

from ridgepole.solver.bands import Band
from ridgepole.solver.study.sweep_records import (
    DONE,
    FAILED,
    UNFIT,
    WAITING,
    Axis,
    Design,
    Figure,
    Parameter,
    SweepPlan,
)

TERMS = ("radiated", "earth", "conductors", "jackets", "timbers", "loads")
LONG = Parameter("element.long.length", low=9.0, high=14.0, step=0.25, unit="m", is_outer=False)
CROSS = Parameter("element.cross.length", (5.0, 6.25, 7.5), unit="m", is_outer=False)
GROUND = Parameter("earth.ground", ("average ground", "wet ground"))
POWER, REFERENCE = 80.0, 50.0


class MemoryStore:
    """Figures in arrays; remembers what was read."""

    def __init__(
        self,
        plan: SweepPlan,
        states: NDArray[np.int8],
        reasons: Mapping[int, str],
        figures: Mapping[str, Any],
    ) -> None:
        self.plan, self.states, self.reasons, self.figures = plan, states, reasons, figures
        self.asked: list[tuple[str, int]] = []

    def read(self, name: str, *, layouts: slice = slice(None)) -> NDArray[Any]:
        found = self.figures[name][layouts]
        self.asked.append((name, found.shape[0]))
        return found


def reactance(length: Any, frequency: Any) -> NDArray[Any]:
    """Of one open wire as a line of 600 ohm. [ohm]"""
    return -600.0 / np.tan(2.0 * np.pi * frequency * length / constants.c)


def wire_impedance(length: NDArray[Any], frequency: NDArray[Any]) -> NDArray[Any]:
    """The same with losses: 600 coth(gamma l). [ohm]"""
    wavenumber = 2.0 * np.pi * frequency / constants.c
    return 600.0 / np.tanh((0.06 + 1j) * wavenumber * length)


def bands_of(names: Sequence[str], points: int) -> tuple[tuple[Band, ...], NDArray[np.float64]]:
    bands = tuple(Band.named(name) for name in names)
    return bands, np.array([np.linspace(band.low, band.high, points) for band in bands])


def attic_sweep(
    names: Sequence[str] = ("80 m", "40 m", "20 m", "15 m", "10 m"), points: int = 5
) -> MemoryStore:
    """21 by 3 lengths over two grounds; some layouts unfit, one failed, some not computed."""
    bands, frequencies = bands_of(names, points)
    grid = np.meshgrid(LONG.low + 0.25 * np.arange(21), CROSS.choices, [0, 1], indexing="ij")
    long, cross, ground = (axis.ravel() for axis in grid)
    at = frequencies[None, :, :]
    impedance = 12.0 + 1.0 / (
        1.0 / wire_impedance(long[:, None, None], at)
        + 1.0 / wire_impedance(cross[:, None, None], at)
    )
    centre = frequencies[:, points // 2]
    quarter = constants.c / centre / 4.0
    radiated = 0.7 / (1.0 + (quarter / (long + 0.6 * cross)[:, None]) ** 2)
    radiated = radiated * np.where(ground == 1, 0.93, 1.0)[:, None]
    rest = (1.0 - radiated)[:, :, None] * np.array([0.5, 0.22, 0.03, 0.15, 0.1])
    budget = np.concatenate([radiated[:, :, None], rest], axis=2)
    low = 0.1 + 0.02 * long[:, None] * centre / 28e6 + 0.05 * ground[:, None]
    shares = np.stack([low, 0.6 * (1.0 - low), 0.4 * (1.0 - low)], axis=2)
    gain = 10.0 * np.log10(radiated[:, :, None] * np.array([0.4, 1.7]))
    loss = np.abs(impedance[:, :, points // 2].imag) / 4000.0
    can = (np.abs(impedance).max(axis=2) < 900.0).astype(np.float64)
    tuner = np.stack([can, loss, can * (1.0 - loss) * radiated], axis=2)
    states = np.full(long.size, DONE, dtype=np.int8)
    states[(long > 13.6) & (cross > 7.0)] = UNFIT
    states[17] = FAILED
    states[-6:-3] = WAITING
    reasons = {
        int(k): f"Element 'long' leaves the attic {long[k] - 13.2:.2f} m beyond the gable."
        for k in np.flatnonzero(states == UNFIT)
    }
    reasons[17] = "The matrix is singular on 20 m."
    figures: dict[str, NDArray[Any]] = {
        "impedance": impedance, "budget": budget, "shares": shares, "gain": gain, "tuner": tuner,
    }  # fmt: skip
    for values in figures.values():
        values[states != DONE] = np.nan
    plan = SweepPlan(
        "",
        "linden-lane",
        Design((LONG, CROSS, GROUND), (long, cross, ground.astype(np.int64)), "grid"),
        bands,
        frequencies,
        (
            Figure("impedance", (Axis("point", tuple(range(points))),), "complex128", "ohm"),
            Figure("budget", (Axis("term", TERMS),), unit="W/W"),
            Figure("shares", (Axis("angle", ("low", "middle", "high")),)),
            Figure("gain", (Axis("direction", ("10 deg up, 070", "60 deg up, 250")),), unit="dBi"),
            Figure("tuner", (Axis("what", ("matched", "loss", "radiated")),)),
        ),
        {"power": POWER, "reference": REFERENCE, "angle_limits": (20.0, 50.0)},
    )
    return MemoryStore(plan, states, reasons, figures)


def slow_swr(store: MemoryStore) -> np.ndarray:
    """Greatest SWR of each layout and band, one point after the other; NaN where not done."""
    z = store.figures["impedance"]
    found = np.full(z.shape[:2], np.nan)
    for layout, band in itertools.product(np.flatnonzero(store.states == DONE), range(len(z[0]))):
        ratios = []
        for value in z[layout, band]:
            gamma = abs((value - REFERENCE) / (value + REFERENCE))
            ratios.append((1 + gamma) / (1 - gamma))
        found[layout, band] = max(ratios)
    return found
