"""Several elements of any length at once: what belongs together in layouts of unlike lengths."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from small_attic import MEDIUM_DRY, RADIALS, ROOM

from ridgepole.geometry.attic_file import read_attic_text
from ridgepole.geometry.plan import AtticPlan
from ridgepole.solver import solve
from ridgepole.solver.settings import TABLES
from ridgepole.solver.study.model.eliminated import Eliminated
from ridgepole.solver.study.model.lengths import LengthPool

# Corners and ranges chosen so that the three have unlike numbers of lengths.
ELEMENTS = """[antenna]
feed_point = ["2.1 m", "2.5 m", "0 m"]
wire = "2.5 mm2 copper, bare"
[[element]]
name = "long"
route = [["2.1 m", "3.0 m", "2.6 m"], ["8.4 m", "3.1 m", "2.7 m"], ["8.4 m", "0.7 m", "0.8 m"]]
length = "8.3 m"
[[element]]
name = "cross"
route = [["1.2 m", "3.6 m", "1.9 m"], ["0.5 m", "5.2 m", "0.8 m"]]
length = "3.6 m"
[[element]]
name = "low"
route = [["3.3 m", "1.6 m", "1.3 m"], ["6.9 m", "1.5 m", "1.2 m"]]
length = "4.4 m"
"""
RANGES = {"long": (6.0, 10.5), "cross": (2.2, 4.1), "low": (2.4, 5.4)}
FREQUENCY = 14.175e6

DISCRETISATION = 2e-3
"""Both meshes unrefined; functions of unlike lengths mixed up are wrong by 3 % to 167 %."""


@pytest.fixture(scope="module")
def plan() -> AtticPlan:
    text = ROOM + ELEMENTS + RADIALS + MEDIUM_DRY
    return read_attic_text(text, name="three wires", other_tables=TABLES)


@pytest.fixture(scope="module")
def pool(plan: AtticPlan) -> LengthPool:
    return LengthPool.build(plan, RANGES, [14.0e6, 14.35e6], tolerance=None)


def test_every_function_is_there_at_every_length(pool: LengthPool) -> None:
    counts = {piece.lengths.size for pieces in pool.pieces.values() for piece in pieces}
    assert len(counts) > 1
    for numbers in itertools.product(*(range(len(own)) for own in pool.pieces.values())):
        lengths = [own[n].high for n, own in zip(numbers, pool.pieces.values(), strict=True)]
        for part in pool.columns(lengths).mixture.parts:
            assert (part.each != 0.0).any(axis=1).all(), numbers


@pytest.mark.parametrize(
    "lengths", [(6.385, 2.650, 4.804), (8.620, 2.379, 3.699), (7.938, 3.315, 4.614)]
)
def test_three_lengths_at_once_against_a_solve_in_full(
    plan: AtticPlan, pool: LengthPool, lengths: tuple[float, ...]
) -> None:
    matrix = pool.pool.system.fill(FREQUENCY).matrix
    found = Eliminated.of(pool, matrix, FREQUENCY).state(lengths).impedance
    own = plan.with_element_length(**dict(zip(RANGES, lengths, strict=True)))
    whole = complex(np.asarray(solve(own.scene(), FREQUENCY, tolerance=None).impedance))
    assert abs(found / whole - 1.0) < DISCRETISATION
