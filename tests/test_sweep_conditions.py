"""Conditions on layouts, and fronts, against plain numpy on the same figures."""

import re
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sweep_stand_in import (
    MemoryStore,
    attic_sweep,
    slow_swr,
)

from ridgepole.solver import SweepError
from ridgepole.solver.study.sweep_conditions import MOST_DEPTH, parse_condition
from ridgepole.solver.study.sweep_fronts import pareto_front
from ridgepole.solver.study.sweep_records import (
    DONE,
)
from ridgepole.solver.study.sweep_result import SweepResult

BANDS = ("80 m", "40 m", "20 m", "15 m", "10 m")


@pytest.fixture(scope="module")
def store() -> MemoryStore:
    return attic_sweep(BANDS)


@pytest.fixture
def result(store: MemoryStore) -> SweepResult:
    return SweepResult(store)


# ---- conditions --------------------------------------------------------------------------


def masks(store: MemoryStore) -> dict[str, Any]:
    """Conditions in words and the same in numpy."""
    long, cross, ground = store.plan.design.columns
    swr, radiated = slow_swr(store), store.figures["budget"][:, :, 0]
    z = store.figures["impedance"][:, :, 2]
    with np.errstate(invalid="ignore"):
        return {
            "worst swr < 60": swr.max(axis=1) < 60,
            "worst SWR<60": swr.max(axis=1) < 60,
            "swr < 60": (swr < 60).all(axis=1),
            "swr on 15 m <= 9": swr[:, 3] <= 9,
            "10 < swr on 40 m <= 20": (swr[:, 1] > 10) & (swr[:, 1] <= 20),
            "efficiency > 25 % and not long > 12 m": (radiated > 0.25).all(axis=1) & (long <= 12),
            "efficiency on 20 m > 0.6 or cross = 5 m": (radiated[:, 2] > 0.6) | (cross == 5),
            "element.long.length > element.cross.length + 5.5 m": long > cross + 5.5,
            "long - 2 * cross < -1 m": long - 2 * cross < -1,
            "long length / cross length >= 2": long / cross >= 2,
            "long > 39 ft 4.5 in": long > 12.0015,
            "cross >= 7.50000000001 m": cross == 7.5,  # the same to 1e-9
            "cross <= 6.25 m": cross <= 6.25,
            "cross < 6.25 m": cross < 6.25,
            "long > 1200 cm": long > 12.0,
            "earth.ground == 'Wet ground'": ground == 1,
            'earth.ground != "wet ground" and |z| < 0.4 kohm':
                (ground == 0) & (np.abs(z) < 400).all(axis=1),
            "-(reactance on 40 m + 100) > 0": z[:, 1].imag < -100,
            "reactance on 80 m + 200 < -200 ohm": z[:, 0].imag < -400,
            "not (long > 10 m or cross > 6 m)": (long <= 10) & (cross <= 6),
            "gain at 10 deg up, 070 on 10 m > -5.7 dBi": store.figures["gain"][:, 4, 0] > -5.7,
            "low-angle share >= 0.14": (store.figures["shares"][:, :, 0] >= 0.14).all(axis=1),
        }  # fmt: skip


def test_conditions_mean_what_they_say(store: MemoryStore, result: SweepResult):
    told = 0
    for text, expected in masks(store).items():
        found = result.filter(text)
        np.testing.assert_array_equal(
            found.layouts, np.flatnonzero(expected & (store.states == DONE)), err_msg=text
        )
        assert 0 < found.layouts.size < 118, text
        told += 1
    assert told == 22


def test_filters_add_up_and_keep_numbers(store: MemoryStore, result: SweepResult):
    narrow = result.filter("long < 12 m").filter(result.quantity("cross") > 6.0)
    long, cross, _ = store.plan.design.columns
    expected = (store.states == DONE) & (long < 12) & (cross > 6)
    np.testing.assert_array_equal(narrow.layouts, np.flatnonzero(expected))
    assert len(narrow) == len(result) == narrow.quantity("swr").shape[0]
    assert expected[narrow.rank(count=500).layouts].all()
    assert expected[narrow.pareto()].all()
    assert narrow.rank().left_out["ruled out"] == 118 - np.count_nonzero(expected)
    assert result.layouts.size == 118
    assert "left by the conditions" in repr(narrow)


def test_a_band_in_words_or_in_the_call(result: SweepResult):
    one = result.filter("swr < 15", bands=["40 m"]).layouts
    np.testing.assert_array_equal(one, result.filter("swr on 40 m < 15").layouts)
    assert 0 < one.size < 118


def test_an_unknown_number_meets_no_condition(store: MemoryStore):
    budget = store.figures["budget"].copy()
    budget[30, 2, 0] = np.nan
    found = SweepResult(
        MemoryStore(store.plan, store.states, store.reasons, {**store.figures, "budget": budget})
    )
    assert 30 not in found.filter("not efficiency > 99 %").layouts
    assert 31 in found.filter("not efficiency > 99 %").layouts


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("worst swr", "is a number, not a condition"),
        ("worst swr < ", "ends where a name or a number belongs"),
        ("worst swr < 3 3", "unit that is not known, '3 3'"),
        ("(worst swr < 3", "bracket that is not closed"),
        ("worst swr < 3)", "cannot be read from ')' on"),
        ("worst swr < < 3", "has '<' where"),
        ("worst swr < 3 and 4", "a number beside 'and'"),
        ("(worst swr < 3) + 1 > 2", "a comparison beside '+'"),
        ("long > 40 ohm", "sets m against ohm"),
        ("long + feed voltage > 3", "sets m against V"),
        ("efficiency > 40", "is 40 % meant"),
        ("efficiency > 3 bananas", "unit that is not known"),
        ("wurst swr < 3", "is 'worst swr' meant"),
        ("earth.ground == 'wett ground'", "Is 'wet ground' meant"),
        ("earth.ground > 'wet ground'", "compares a text"),
        ("earth.ground > 0", "reckons with a text"),
        ("long == 'wet ground'", "compares a text"),
        ("__import__('os').system('x') == 1", "cannot be read"),
        ("long > 1 m; long", "unit that is not known"),
        ("(" * 300 + "long > 1 m" + ")" * 300, f"more than {MOST_DEPTH}"),
        ("not " * 300 + "long > 1 m", f"more than {MOST_DEPTH}"),
        (3, "A mask has one truth"),
        (np.ones(4, dtype=bool), "A mask has one truth for each of the 126 layouts"),
        (np.ones(126), "of float64"),
    ],
)
def test_conditions_that_cannot_be_used(result: SweepResult, text: Any, message: str):
    with pytest.raises(SweepError, match=re.escape(message)):
        result.filter(text)


@given(st.text(alphabet="abz0123.<>=!&|()+-*/ '\"%mandort", max_size=40))
def test_any_text_is_read_or_refused_by_name(text: str):
    try:
        found = parse_condition(text)
    except SweepError:
        return  # and no other error
    assert found.tree


# ---- fronts ------------------------------------------------------------------------------


def slow_front(values: np.ndarray) -> list[int]:
    """By the definition: every row against every other."""
    return [
        k
        for k, own in enumerate(values)
        if not any((other <= own).all() and (other < own).any() for other in values)
    ]


@pytest.mark.parametrize("kinds", [3, 8, 1000])
@pytest.mark.parametrize("columns", [1, 2, 3, 4, 5])
def test_fronts_by_the_definition(columns: int, kinds: int):
    rng = np.random.default_rng(10 * columns + kinds)
    values = rng.integers(0, kinds, (150, columns)).astype(np.float64)
    values[rng.random(values.shape) < 0.02] = np.inf
    np.testing.assert_array_equal(pareto_front(values), slow_front(values))
    turned = 1e3 - values.cumsum(axis=1)[:, ::-1] ** 2  # columns that hang together
    np.testing.assert_array_equal(pareto_front(turned), slow_front(turned))


@given(
    st.lists(
        st.tuples(st.integers(0, 4), st.integers(0, 4), st.integers(0, 4)), min_size=0, max_size=30
    )
)
def test_any_front_of_three(rows: list[tuple[int, int, int]]):
    values = np.array(rows, dtype=np.float64).reshape(-1, 3)
    np.testing.assert_array_equal(pareto_front(values), slow_front(values))
    np.testing.assert_array_equal(pareto_front(values[:, :2]), slow_front(values[:, :2]))


def test_front_of_a_sweep(store: MemoryStore, result: SweepResult):
    criteria = [("efficiency", "high"), ("worst swr", "low"), ("feed voltage on 20 m", "low")]
    front = result.pareto(criteria)
    values = np.stack(
        [
            -store.figures["budget"][:, :, 0].min(axis=1),
            slow_swr(store).max(axis=1),
            result.quantity("feed voltage")[:, 2],
        ],
        axis=1,
    )
    done = np.flatnonzero(store.states == DONE)
    assert sorted(front.tolist()) == done[slow_front(values[done])].tolist()
    assert (np.diff(values[front, 0]) >= 0.0).all()
    assert 2 < front.size < 60
    for wrong in ([], "worst swr", [("worst swr", "less")], [("|z|", None)], ["swr"]):
        with pytest.raises(SweepError):
            result.pareto(wrong)  # pyright: ignore[reportArgumentType]
