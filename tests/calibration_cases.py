"""Models of the small attic and readings made from them, for tests of calibration."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from small_attic import ATTIC

from ridgepole.geometry.attic_file import read_attic_text
from ridgepole.geometry.plan import AtticPlan
from ridgepole.solver import Readings, Visit
from ridgepole.solver.settings import TABLES
from ridgepole.solver.study.calibration.reading_data import Distortion
from ridgepole.solver.study.model.attic_model import AtticModel, HouseState
from ridgepole.solver.study.model.modelling import Modelling

LOW, HIGH = "9.4-10.4 MHz", "21-22 MHz"

USUAL = """[unknowns]
cables = 0
"feed lead" = "0 cm to 5 cm"
"""
"""The defaults but for cables, and with a lead that can be told from a length."""

CHEAP = """[unknowns]
defaults = false
"length of long" = "+- 1 %"
"feed lead" = "0 cm to 20 cm"
"""
"""Unknowns for which no matrix but the told house's is needed."""

BELL = CHEAP.replace("0 cm to 20 cm", "60 cm +- 15 cm")

WIDE = CHEAP.replace("+- 1 %", "+- 6 %")


def plan_of(
    bands: tuple[str, ...] = (LOW, HIGH), unknowns: str = "", length: str = "8.3 m"
) -> AtticPlan:
    wanted = ", ".join(f'"{band}"' for band in bands)
    text = ATTIC.replace('"20 m"', wanted).replace("8.3 m", length) + (unknowns or USUAL)
    return read_attic_text(text, name="small.toml", other_tables=TABLES)


@lru_cache(maxsize=1)
def small_model() -> AtticModel:
    """Ground constants, height, length and lead, on two bands."""
    return _filled(Modelling.of(plan_of(), ranges={"long": (8.0, 8.7)}))


@lru_cache(maxsize=4)
def cheap_model(
    unknowns: str = CHEAP, bands: tuple[str, ...] = (LOW,), length: str = "8.3 m"
) -> AtticModel:
    """Length and lead alone."""
    return _filled(Modelling.of(plan_of(bands, unknowns, length)))


def _filled(modelling: Modelling) -> AtticModel:
    model = modelling.build()
    for band in model.bands:
        model.band(band)
    return model


def frequencies(model: AtticModel, each: int = 5) -> NDArray[np.float64]:
    return np.sort(np.concatenate([np.linspace(b.low, b.high, each) for b in model.bands]))


def truth(
    model: AtticModel,
    scores: object,
    f: NDArray[np.float64],
    *,
    lengths: NDArray[np.float64] | None = None,
) -> NDArray[np.complex128]:
    """Reflection coefficients of a house with scores, without noise."""
    state = HouseState(np.asarray(scores, dtype=float), model.middle.cables)
    own = model.told if lengths is None else lengths
    each = [model.band(model.band_at(x)).impedance(x, own, state) for x in map(float, f)]
    z = np.array(each, dtype=np.complex128)
    return (z - 50.0) / (z + 50.0)


def noisy(
    g: NDArray[np.complexfloating], seed: int, *, times: float = 1.0
) -> NDArray[np.complex128]:
    """With noise of 0.01 in size and 0.5 degrees, or times as much."""
    rng = np.random.default_rng(seed)
    size = np.abs(g) + times * 0.01 * rng.standard_normal(g.size)
    angle = np.angle(g) + times * np.deg2rad(0.5) * rng.standard_normal(g.size)
    return (size * np.exp(1j * angle)).astype(np.complex128)


def visit(
    f: NDArray[np.float64], g: NDArray[np.complex128], lengths: dict[str, float] | None = None
) -> Visit:
    return Visit(Readings(f, g, np.abs(g)), lengths or {})


def swr_visit(f: NDArray[np.float64], g: NDArray[np.complex128]) -> Visit:
    """The same of which SWR alone was read."""
    return Visit(Readings(f, np.full(f.size, complex(np.nan, np.nan)), np.abs(g)))


def distorted(
    f: NDArray[np.float64],
    g: NDArray[np.complex128],
    *,
    conjugate: bool = False,
    line: float = 0.0,
    size: float = 1.0,
) -> NDArray[np.complex128]:
    return Distortion(conjugate, line, size).applied(f, g)
