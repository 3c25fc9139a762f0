"""Cables that nobody told: clear of all that is there, repeatable, and evenly drawn."""

from __future__ import annotations

from importlib.resources import files
from itertools import combinations, pairwise

import numpy as np
import pytest
from small_attic import ATTIC, LONG, MEDIUM_DRY, ON_20_M, RADIALS, ROOM

from ridgepole.geometry import Cable
from ridgepole.geometry.attic_file import read_attic_text
from ridgepole.geometry.plan import AtticPlan
from ridgepole.geometry.scene import Scene
from ridgepole.solver import read_attic, unknowns_of
from ridgepole.solver.errors import PriorError
from ridgepole.solver.settings import TABLES
from ridgepole.solver.study.unknowns import apply, cables_at_height, candidates, draw


@pytest.fixture(scope="module")
def example() -> AtticPlan:
    return read_attic(str(files("ridgepole.geometry") / "examples" / "gable-house.toml"))


@pytest.fixture(scope="module")
def cables(example: AtticPlan) -> tuple[Cable, ...]:
    return candidates(example, 8, 5)


def _with(plan: AtticPlan, cables: tuple[Cable, ...]) -> Scene:
    return Scene(plan.wires, feeds=plan.feeds, earth=plan.earth, house=(*plan.house, *cables))


def _gap(a: np.ndarray, b: np.ndarray) -> float:
    """Least distance of two polylines, of points 10 mm apart on both."""

    def filled(line: np.ndarray) -> np.ndarray:
        parts = [
            p + np.linspace(0.0, 1.0, int(np.linalg.norm(q - p) / 0.01) + 2)[:, None] * (q - p)
            for p, q in pairwise(line)
        ]
        return np.concatenate(parts)

    one, two = filled(a), filled(b)
    return min(float(np.linalg.norm(two - point, axis=1).min()) for point in one)


def test_they_stay_in_the_attic_and_look_like_cables(example: AtticPlan, cables: tuple[Cable, ...]):
    assert len(cables) == 8
    floor = example.attic.floor_level
    for n, cable in enumerate(cables):
        (wire,) = cable.wires()
        assert 1.9 < wire.length < 9.1
        assert not cable.bonded
        assert not cable.earthed
        above = wire.vertices[wire.vertices[:, 2] >= floor]
        assert example.attic.way_out(above - [0.0, 0.0, floor]) is None
        assert np.all(above[:, 2] < floor + 0.1)
        lowest = wire.vertices[:, 2].min()
        comes_up = n % 4 == 3
        assert (lowest < floor) == comes_up  # every fourth comes up a wall
        assert lowest > 0.4 * floor
    assert {len(cable.points) for cable in cables} == {2, 3}


def test_they_are_clear_of_all_that_is_there_and_of_each_other(
    example: AtticPlan, cables: tuple[Cable, ...]
):
    scene = _with(example, cables)  # checked: no timber, crossing or name is in the way
    before = example.scene()
    assert len(scene.wires) == len(before.wires) + 8
    new = [w for w in scene.wires if w.name.startswith("untold")]
    least = 0.03 - 1e-3  # the reference steps along by 10 mm
    for cable in new[::3]:
        for wire in before.wires:
            wanted = 0.1 if wire.name in ("long", "cross", "short") else least
            assert _gap(cable.vertices, wire.vertices) > max(wanted - 1e-3, 5.0 * wire.radius)
    for one, two in combinations(new[:5], 2):
        assert _gap(one.vertices, two.vertices) > least
    told = [d for d in scene.doubts() if "untold" in d and "cores count" not in d]
    assert all("pass through sheets" in d for d in told)  # as every cable up a wall does


def test_a_seed_gives_the_same_cables_and_a_larger_count_begins_with_them(
    example: AtticPlan, cables: tuple[Cable, ...]
):
    again, other = candidates(example, 3, 5), candidates(example, 3, 6)
    for a, b in zip(again, cables, strict=False):
        np.testing.assert_array_equal(a.vertices, b.vertices)
        assert a.name == b.name
    assert not any(
        np.array_equal(a.vertices, b.vertices) for a, b in zip(again, other, strict=True)
    )


def test_names_that_are_taken_are_left_out():
    taken = ATTIC + (
        '[[cable]]\nname = "untold cable 2"\nwire = "1.5 mm2 copper, PVC 0.7 mm"\n'
        'points = [["7 m", "1 m", "0.05 m"], ["7 m", "4 m", "0.05 m"]]\n'
    )
    plan = read_attic_text(taken, other_tables=TABLES)
    assert [one.name for one in candidates(plan, 3, 1)] == [
        "untold cable 1", "untold cable 3", "untold cable 4",
    ]  # fmt: skip


def test_they_go_along_with_the_attic_floor(example: AtticPlan, cables: tuple[Cable, ...]):
    height = unknowns_of(example).named("height above ground")
    for value in (height.distribution.low, height.distribution.high):
        changed = apply(example, {height.name: value})
        moved = cables_at_height(cables, example, changed)
        scene = _with(changed, moved)
        assert min(wire.vertices[:, 2].min() for wire in scene.wires) > 0.1
        for before, after in zip(cables, moved, strict=True):
            rise = after.vertices - before.vertices
            np.testing.assert_allclose(rise[1:], [[0.0, 0.0, value - 5.4]] * len(rise[1:]))
            assert after.vertices[0, 2] > 0.4 * value
    assert cables_at_height(cables, example, example) == cables


def test_where_there_is_no_room_it_is_told():
    low = ROOM.replace('["9.1 m", "6.3 m"]', '["3.4 m", "3.0 m"]')
    wires = LONG.replace('["2.1 m", "2.5 m", "0 m"]', '["1.1 m", "1.2 m", "0 m"]').replace(
        '[["2.1 m", "3.0 m", "2.6 m"], ["8.4 m", "3.1 m", "2.7 m"]]',
        '[["1.1 m", "1.5 m", "2.2 m"], ["3.2 m", "1.5 m", "2.2 m"]]',
    )
    wires = wires.replace('"8.3 m"', '"4.1 m"')
    radials = RADIALS.replace('"3.4 m"', '"0.9 m"')
    plan = read_attic_text(low + wires + radials + MEDIUM_DRY + ON_20_M, other_tables=TABLES)
    with pytest.raises(PriorError, match=r"room for (\d+) cables .* not for 40.*cables = \1 in"):
        candidates(plan, 40, 2)


@pytest.mark.parametrize(("count", "seed"), [(-1, 0), (2.0, 0), (True, 0), (2, -3), (2, "a")])
def test_counts_and_seeds_that_are_none_are_told(example: AtticPlan, count, seed):
    with pytest.raises(PriorError, match="must be a whole number from 0 up"):
        candidates(example, count, seed)


def test_none_are_none(example: AtticPlan):
    assert candidates(example, 0, 1) == ()
    assert draw(np.random.default_rng(1), ()).shape == (0,)


def test_any_number_of_them_is_alike_likely(cables: tuple[Cable, ...]):
    rng = np.random.default_rng(17)
    masks = np.array([draw(rng, cables[:4]) for _ in range(4000)])
    assert masks.dtype == bool
    counts = np.bincount(masks.sum(axis=1), minlength=5)
    # 800 of each of 0 to 4; five standard deviations of a count, 25
    assert np.abs(counts - 800).max() < 5 * 25.3
    assert np.abs(masks.mean(axis=0) - 0.5).max() < 5 * 0.0079
    pairs = [np.mean(masks[masks.sum(axis=1) == 2][:, n]) for n in range(4)]
    assert pairs == pytest.approx([0.5] * 4, abs=5 * 0.018)
