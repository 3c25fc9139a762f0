"""A small attic whose unknowns tests draw from, computed once for all of them."""

from __future__ import annotations

from functools import cache

from small_attic import MEDIUM_DRY, RADIALS, ROOM, named

from ridgepole.geometry.attic_file import read_attic_text
from ridgepole.geometry.plan import AtticPlan
from ridgepole.solver import HowSure, how_sure
from ridgepole.solver.settings import TABLES
from ridgepole.solver.study.model.attic_model import AtticModel
from ridgepole.solver.study.model.modelling import Modelling

ELEMENTS = """[antenna]
feed_point = ["2.1 m", "2.5 m", "0 m"]
wire = "2.5 mm2 copper, bare"
[[element]]
name = "long"
route = [["2.1 m", "3.0 m", "2.6 m"], ["8.4 m", "3.1 m", "2.7 m"]]
length = "8.3 m"
[[element]]
name = "short"
route = [["2.6 m", "2.5 m", "1.1 m"], ["3.1 m", "5.1 m", "1.2 m"]]
length = "11 ft 2 in"
"""

STATION = """[line]
type = "RG-58"
length = "12 m"
[tuner]
kind = "L"
coil = ["0 uH", "4 uH"]
coil_q = 140
capacitor = ["0 pF", "260 pF"]
capacitor_q = 900
[station]
transmitter_power = 80
power = 65
"""

ON_TWO_BANDS = """[bands]
wanted = ["40 m", "20 m"]
"""

TEXT = named(ROOM + ELEMENTS + RADIALS + MEDIUM_DRY + ON_TWO_BANDS + STATION)
COUNT, SEED, POINTS = 64, 5, 5
BANDS = ("40 m", "20 m")


def plan_of(text: str) -> AtticPlan:
    """An attic from a text, with all tables that the solver knows."""
    return read_attic_text(text, name="small.toml", other_tables=TABLES)


@cache
def plan() -> AtticPlan:
    """Two wires of unlike units over three radials, with a line and a tuner."""
    return plan_of(TEXT)


@cache
def ensemble() -> HowSure:
    """64 houses on two bands."""
    return how_sure(plan(), count=COUNT, seed=SEED, points=POINTS, progress=False)


@cache
def model() -> AtticModel:
    """The model that those houses are drawn in."""
    return Modelling.of(plan(), seed=SEED).build()
