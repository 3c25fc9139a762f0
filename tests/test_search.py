"""Lengths and choices that meet a goal: what is found, what it is worth, what is refused."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pytest
from small_attic import MEDIUM_DRY, RADIALS, ROOM
from threadpoolctl import threadpool_limits

from ridgepole.geometry.attic_file import read_attic_text
from ridgepole.geometry.plan import AtticPlan
from ridgepole.solver import search
from ridgepole.solver.bands import read_bands
from ridgepole.solver.errors import SweepError, TargetError
from ridgepole.solver.settings import TABLES
from ridgepole.solver.station.station_tables import read_station
from ridgepole.solver.study.searching import SearchResult, plan_search
from ridgepole.solver.study.searching.goals import read_goals, read_limits
from ridgepole.solver.study.searching.judging import Judge, beside
from ridgepole.solver.study.searching.outcomes import Outcome, PreparedModel
from ridgepole.solver.study.searching.quantities import QUANTITIES, Circumstances
from ridgepole.solver.study.searching.running import spend
from ridgepole.solver.study.searching.seeking import Purse, Space
from ridgepole.solver.study.searching.varying import room_of
from ridgepole.solver.views.search_figures import LETTER, apart
from ridgepole.solver.views.search_page import search_form, told_best

LINEAR = 1e-5
"""Derivatives against central differences, relative."""

TWO_WIRES = """[antenna]
feed_point = ["2.1 m", "2.5 m", "0 m"]
wire = "2.5 mm2 copper, bare"
[[element]]
name = "long"
route = [["2.1 m", "3.0 m", "2.6 m"], ["8.4 m", "3.1 m", "2.7 m"]]
length = "5.3 m"
[[element]]
name = "low"
route = [["3.3 m", "1.6 m", "1.3 m"], ["6.9 m", "1.5 m", "1.2 m"]]
length = "4.4 m"
"""
STATION = """[bands]
wanted = ["20 m", "15 m"]
[tuner]
kind = "L"
coil = ["0 uH", "10 uH"]
capacitor = ["0 pF", "1 nF"]
"""
VARY = {"long": "4.6 m to 8.1 m", "low": "2.6 m to 4.9 m"}
BUDGET = 60
EVERYTHING = {"has_chain": True, "has_tuner": True, "has_rooms": True}


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    """Many small matrices, as `search` itself has them."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


@pytest.fixture(scope="module")
def plan() -> AtticPlan:
    text = ROOM + TWO_WIRES + RADIALS + MEDIUM_DRY + STATION
    return read_attic_text(text, name="two wires", other_tables=TABLES)


@pytest.fixture(scope="module")
def prepared(plan: AtticPlan) -> PreparedModel:
    wanted = plan_search(plan, vary=VARY)
    model = wanted.modellings[0].build()
    return PreparedModel.of(model, [model.middle], 3)


@pytest.fixture(scope="module")
def found(plan: AtticPlan) -> SearchResult:
    return search(
        plan, VARY, limits=["swr < 60", "wire voltage < 5 kV"], budget=BUDGET, seed=3, finalists=1,
        tolerance=None, progress=False,
    )  # fmt: skip


def judge_of(
    plan: AtticPlan, prepared: PreparedModel, goal: Any, limits: list[str] | None = None
) -> Judge:
    goals = read_goals(goal, prepared.bands, has_chain=True, has_tuner=True)
    some = read_limits(limits, prepared.bands, goals, **EVERYTHING)
    where = Circumstances(50.0, 100.0, read_station(plan.file))
    return Judge(goals, some, beside(goals), prepared.bands, prepared.frequencies, where)


# ---- derivatives -------------------------------------------------------------------------

SMOOTH = [
    name
    for name, one in QUANTITIES.items()
    if one.compute is not None and name not in ("tuner strain", "system efficiency")
]


@pytest.mark.parametrize("reduction", ["worst", "mean"])
@pytest.mark.parametrize("name", SMOOTH)
def test_losses_by_length_against_central_differences(
    plan: AtticPlan, prepared: PreparedModel, name: str, reduction: str
) -> None:
    judge = judge_of(plan, prepared, f"{reduction} {name}", ["swr < 4", "feed voltage < 90 V"])
    lengths, step = np.array([5.93, 3.71]), 2e-5
    exact = judge(prepared.outcome(lengths, with_slopes=True))
    for e in range(2):
        move = step * np.eye(2)[e]
        ends = [judge(prepared.outcome(lengths + sign * move)) for sign in (1.0, -1.0)]
        for k, rows in enumerate((*exact.goals, *exact.limits)):
            high, low = ((*end.goals, *end.limits)[k].value for end in ends)
            by_length = rows.by_length
            assert by_length is not None
            slope = (high - low) / (2.0 * step)
            assert np.abs(by_length[:, e] - slope).max() < LINEAR * np.abs(by_length).max()


def test_system_efficiency_follows_impedance_and_watts(
    plan: AtticPlan, prepared: PreparedModel
) -> None:
    # Coil and capacitor without steps, yet the tuner's own derivative is one of wide differences:
    # discretisation, a tenth.
    judge = judge_of(plan, prepared, "worst system efficiency")
    lengths, step = np.array([5.93, 3.71]), 2e-3
    by_length = judge(prepared.outcome(lengths, with_slopes=True)).goals[0].by_length
    assert by_length is not None
    for e in range(2):
        move = step * np.eye(2)[e]
        high, low = (judge(prepared.outcome(lengths + s * move)).goals[0].value for s in (1, -1))
        slope = (high - low) / (2.0 * step)
        assert np.abs(by_length[:, e] - slope).max() < 0.1 * np.abs(by_length).max()


# ---- what is found -----------------------------------------------------------------------


def seek(judge: Judge, prepared: PreparedModel, budget: int, seed: int) -> tuple[Space, Purse]:
    purse = Purse(budget)
    space = Space(0, prepared, judge, np.array([4.6, 2.6]), np.array([8.1, 4.9]), purse, [])
    spend([space], purse, houses=1, mixes=[(1.0,)], starts=[[]], seed=seed)
    return space, purse


@pytest.fixture(scope="module")
def grid(prepared: PreparedModel) -> list[Outcome]:
    """400 layouts."""
    low = np.linspace(2.6, 4.9, 20)
    return [prepared.outcome(np.array([a, b])) for a in np.linspace(4.6, 8.1, 20) for b in low]


@pytest.mark.parametrize("seed", [0, 5])
def test_a_search_beats_a_grid_of_ten_times_as_many(
    plan: AtticPlan, prepared: PreparedModel, grid: list[Outcome], seed: int
) -> None:
    judge = judge_of(plan, prepared, "worst efficiency", ["swr < 20"])
    judged = [judge(outcome) for outcome in grid]
    best = min(one.score((1.0,)) for one in judged if one.broken == 0.0)
    space, purse = seek(judge, prepared, 40, seed)
    kept = [t.judgement for t in space.trials if t.judgement.broken == 0.0]
    assert purse.spent <= 40
    assert min(one.score((1.0,)) for one in kept) < best


def test_every_solve_is_counted(
    plan: AtticPlan, prepared: PreparedModel, monkeypatch: pytest.MonkeyPatch
) -> None:
    solves = []
    outcome = PreparedModel.outcome

    def counted(self: PreparedModel, lengths: Any, *, with_slopes: bool = False) -> Any:
        solves.append(self.n_houses)
        return outcome(self, lengths, with_slopes=with_slopes)

    monkeypatch.setattr(PreparedModel, "outcome", counted)
    judge = judge_of(plan, prepared, "worst efficiency")
    space, purse = seek(judge, prepared, 40, 1)
    assert sum(solves) == purse.spent <= 40
    assert len(space.trials) < purse.spent  # slopes are solves of their own


def test_a_planted_optimum_is_found(
    plan: AtticPlan, prepared: PreparedModel, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Efficiency made a hill of known place, whose slopes are as steep as real ones.
    top, wide = np.array([6.337, 3.911]), np.array([1.5, 1.1])

    def hill(self: PreparedModel, lengths: Any, *, with_slopes: bool = False) -> Outcome:
        x = (lengths - top) / wide
        value = 0.5 * np.exp(-(x @ x) - 0.4 * x[0] * x[1])
        slopes = -value * (2.0 * x + 0.4 * x[::-1]) / wide
        sky = np.zeros((1, 2, 3))
        sky[..., 0] = value
        by_length = np.zeros((1, 2, 3, 2))
        by_length[..., 0, :] = slopes
        z = np.full((1, 2, 3), 20.0 + 5.0j)
        nothing = np.zeros((1, 2, 3, 2), dtype=complex)
        return Outcome(z, sky, nothing, by_length) if with_slopes else Outcome(z, sky)

    monkeypatch.setattr(PreparedModel, "outcome", hill)
    space, _ = seek(judge_of(plan, prepared, "worst efficiency"), prepared, BUDGET, 2)
    best = min(space.trials, key=lambda t: t.judgement.score((1.0,)))
    assert np.abs(best.lengths - top).max() < 0.01


def test_the_same_seed_finds_the_same(plan: AtticPlan, prepared: PreparedModel) -> None:
    judge = judge_of(plan, prepared, "mean efficiency", ["low-angle share > 25 %"])
    one, other, third = (seek(judge, prepared, 20, seed)[0] for seed in (4, 4, 7))
    places = [np.array([t.lengths for t in space.trials]) for space in (one, other, third)]
    assert np.array_equal(places[0], places[1])
    assert places[2].shape != places[0].shape or not np.array_equal(places[2], places[0])


# ---- the whole way -----------------------------------------------------------------------


def test_the_best_keeps_limits_and_is_what_a_full_solve_says(found: SearchResult) -> None:
    assert found.spent <= BUDGET
    assert found.are_met
    best = found.best
    assert found.checked[0].number == best.number or found.check_of(best.number)
    check = next(one for one in found.checked if one.number == best.number)
    assert check.held["swr < 60"] <= 60.0
    assert 100.0 < check.held["wire voltage < 5 kV"] <= 4000.0
    # Meshes of their own, unrefined: discretisation.
    assert check.difference < 0.02
    for name, value in check.searched.items():
        assert check.solved[name] == pytest.approx(value, rel=0.05)
    for name, (low, high) in {"long": (4.6, 8.1), "low": (2.6, 4.9)}.items():
        assert all(low <= one.lengths[name] <= high for one in found)


def test_no_layout_of_the_front_beats_another(found: SearchResult) -> None:
    front = [(-one.figures["worst efficiency"], one.figures["worst swr"]) for one in found.front]
    assert front == sorted(front)
    for k, one in enumerate(front):
        assert not any(a <= one[0] and b <= one[1] for a, b in front[:k] + front[k + 1 :])
    kept = [one for one in found if one.keeps_limits and found.check_of(one.number) is not False]
    assert max(one.figures["worst efficiency"] for one in kept) == -front[0][0]


def test_where_none_keeps_the_limits_the_least_broken_is_the_best(plan: AtticPlan) -> None:
    found = search(
        plan, VARY, limits="swr < 1.01", budget=14, seed=1, finalists=1, points=1, tolerance=None,
        progress=False,
    )  # fmt: skip
    assert not found.are_met
    least = min(found, key=lambda one: one.broken)
    assert found.best is least
    assert found.checked[0].number == least.number
    assert 0.0 < found.checked[0].broken == pytest.approx(least.broken, rel=0.05)  # discretisation
    assert [one.broken for one in found.ranked()] == sorted(one.broken for one in found)
    assert told_best(found)[0] is least
    # the front is of all layouts, and says so
    swrs = {one.number: one.figures["worst swr"] for one in found}
    assert min(swrs, key=swrs.__getitem__) in {one.number for one in found.front}
    assert "limits left aside" in " ".join(found.to_text().split())
    assert f"Of layout {least.number}, swr < 1.01 is at" in " ".join(found.to_text().split())
    form = search_form(found)
    assert not form["front_keeps_limits"]
    assert not form["limits_are_met"]


def test_a_limit_broken_in_full_alone_counts(found: SearchResult) -> None:
    (check,) = [one for one in found.checked if one.number == found.best.number]
    held = {**check.held, "wire voltage < 5 kV": 6e3}
    worse = replace(found, checked=(replace(check, broken=np.log(6.0 / 5.0), held=held),))
    assert not worse.are_met
    assert worse.best.number != check.number
    assert worse.ranked()[0].broken == 0.0
    assert check.number not in {one.number for one in worse.front}
    assert "No layout that was solved in full keeps all limits" in " ".join(str(worse).split())


def test_what_stops_the_best_and_what_was_gained(plan: AtticPlan) -> None:
    # more wire radiates better here: one ends with its range, one with its way of 5.13 m
    found = search(
        plan, {"long": "4.6 m to 5.5 m", "low": "4.3 m to 5.1 m"}, bands=["20 m"], budget=24,
        finalists=0, points=1, tolerance=None, progress=False,
    )  # fmt: skip
    told = found.as_told
    assert told is not None
    assert dict(told.lengths) == pytest.approx({"long": 5.3, "low": 4.4})
    assert told.figures["worst efficiency"] < found.best.figures["worst efficiency"]
    text = " ".join(found.to_text().split())
    assert f" {told.number}, as told 5.30 m 4.40 m" in text
    assert "element.long.length" in found.stopped(found.best)
    assert f"The range stops layout {found.best.number}, at long length" in text
    form = search_form(found)
    assert form["best"]["stopped_by"] == found.stopped(found.best)
    assert form["as_told"] == told.number
    assert found.stopped(told) == {}


def test_a_way_that_ends_stops_a_length(plan: AtticPlan) -> None:
    room = room_of(plan, "low")
    found = search(
        plan, {"long": (5.0, 5.2), "low": (4.3, room)}, bands=["20 m"], budget=10, finalists=0,
        points=1, tolerance=None, progress=False,
    )  # fmt: skip
    assert found.as_told is None  # its 5.3 m are beyond the range
    assert "outside of what was sought" in found.to_text()
    ends = replace(found.best, lengths={"long": 5.0, "low": room})
    assert found.stopped(ends) == {"element.long.length": "range", "element.low.length": "way"}


def test_the_told_choice_is_looked_at_in_all_houses(plan: AtticPlan) -> None:
    found = search(
        plan, {"counterpoise.length": ["3.1 m", "3.4 m"], "low": "4.39 m to 4.9 m"},
        bands=["20 m"], robust=2, budget=60, finalists=0, points=1, tolerance=None,
        unknowns={"defaults": False, "feed lead": "0 cm to 20 cm"}, progress=False,
    )  # fmt: skip
    told = found.as_told
    assert told is not None
    assert told.houses == 3
    # nor is it among the best few of one house, which are looked at in all of them anyhow
    first = [one for one in found if one.houses == 1 and one.is_start]
    (single,) = [one for one in first if one.is_told]
    assert sum(one.score < single.score for one in first) >= 8
    assert told.choices["counterpoise.length"] == 3.4
    assert told.lengths["low"] == pytest.approx(4.4)


def test_letters_of_the_front_do_not_cover_each_other() -> None:
    _, ax = plt.subplots()
    ax.set_xlim(0.0, 1.0)
    ax.set_ylim(0.0, 1.0)
    places = [(0.97, 0.99), (0.97, 0.99), (0.972, 0.991), (0.976, 0.99), (0.98, 0.99)]
    own = ax.transData.transform(np.array(places)) * 72.0 / ax.figure.dpi
    ends = own + np.array(apart(ax, places))
    inside = np.array(ax.bbox.extents) * 72.0 / ax.figure.dpi
    for k, one in enumerate(ends):
        assert (one > inside[:2]).all()
        assert (one < inside[2:]).all()
        others = np.concatenate([ends[:k], own])
        assert np.abs(others - one).max(axis=1).min() >= LETTER
    plt.close("all")


def test_a_layout_is_an_attic_file(found: SearchResult, tmp_path: Path) -> None:
    from ridgepole.solver import read_attic

    number = found.front[-1].number
    file = tmp_path / "layout.toml"
    file.write_text(found.plan_of(number).text, encoding="utf-8")
    wires = {wire.name: wire.length for wire in read_attic(file).wires}
    for name, length in found[number].lengths.items():
        assert abs(wires[name] - length) <= 1.001e-3
    with pytest.raises(TargetError, match="no layout 9999"):
        found.plan_of(9999)


def test_it_shows_itself(found: SearchResult) -> None:
    text = found.to_text(width=90)
    assert "worst efficiency" in text
    assert "swr < 60" in text
    assert "Solved in full" in text
    assert max(map(len, text.split("\n"))) <= 90
    assert "<table>" in found._repr_html_()
    ax = found.plot()
    assert any("beaten by none" in str(one.get_label()) for one in ax.get_lines())
    plt.close("all")
    pandas = pytest.importorskip("pandas")
    frame = found.to_dataframe()
    assert isinstance(frame, pandas.DataFrame)
    assert len(frame) == len(found)
    assert frame["element.long.length"].between(4.6, 8.1).all()


def test_choices_and_several_goals(plan: AtticPlan) -> None:
    other = [["3.0 m", "1.4 m", "1.2 m"], ["3.1 m", "0.6 m", "0.5 m"]]
    own = plan.file.document["element"][1]["route"]
    found = search(
        plan,
        {"long": (4.6, 8.1), "element.low.route": [own, other], "low": "2.3 m to 4.9 m"},
        goal=["mean efficiency", "worst swr"], bands=["20 m"], budget=40, finalists=0, points=1,
        tolerance=None, progress=False,
    )  # fmt: skip
    assert {one.variant for one in found} == {0, 1}
    rooms = [variant.ranges["low"][1] for variant in found.variants]
    assert rooms[0] == 4.9
    assert rooms[1] < 4.0
    assert found.spent <= 40
    assert not found.checked
    by_goal = found.best_by_goal
    assert by_goal["worst swr"].figures["worst swr"] <= found.best.figures["worst swr"]
    assert {one.number for one in by_goal.values()} <= {one.number for one in found.front}
    route = found.plan_of(by_goal["worst swr"].number).file.document["element"][1]["route"]
    assert route == found[by_goal["worst swr"].number].choices["element.low.route"]


def test_houses_drawn_count(plan: AtticPlan) -> None:
    unknowns = {"defaults": False, "length of long": "+- 3 %", "feed lead": "0 cm to 20 cm"}
    found = search(
        plan, {"long": "4.6 m to 6.1 m"}, bands=["20 m"], robust=3, budget=40, finalists=0,
        points=1, unknowns=unknowns, tolerance=None, progress=False,
    )  # fmt: skip
    assert found.houses == 4
    assert found.spent <= 40
    assert found.best.houses == 4
    single = {one.lengths["long"]: one for one in found if one.houses == 1}
    both = [(single[one.lengths["long"]], one) for one in found.in_all_houses
            if one.lengths["long"] in single]  # fmt: skip
    assert both
    for nominal, worst in both:
        assert worst.figures["worst efficiency"] < nominal.figures["worst efficiency"]


# ---- what is refused ---------------------------------------------------------------------

WRONG: list[tuple[dict[str, Any], str]] = [
    ({"vary": {}}, "nothing is to be sought"),
    ({"vary": {"long": "4 m to 14 m"}}, "its way goes 8.* m only"),
    ({"vary": {"long": "4 m to 6 m, step 10 cm"}}, "leave the step out"),
    ({"vary": {"counterpoise.length": "2 m to 3 m"}}, "give a list of values, or a step"),
    ({"vary": {"long": (4, 6), "element.long.length": (4, 5)}}, "varied twice"),
    ({"goal": "worst radiance"}, "nothing is called 'radiance'"),
    ({"goal": "worst eficiency"}, "Is 'efficiency' meant"),
    ({"goal": []}, "no goal"),
    ({"goal": ["worst swr", "worst swr"]}, "once"),
    ({"goal": {"worst swr": 0.0}}, "must be above 0"),
    ({"goal": "worst efficiency on 40 m"}, "no band '40 m' here"),
    ({"goal": "worst exposure"}, "solved in full only"),
    ({"limits": ["swr < 3", "swr > 5"]}, "contradict each other"),
    ({"limits": ["efficiency < 10 %"]}, "contradict each other"),
    ({"limits": ["swr < 0.5"]}, "no layout can meet it"),
    ({"limits": ["efficiency > 0 %"]}, "every layout meets it"),
    ({"limits": ["swr == 3"]}, "is not one comparison"),
    ({"limits": ["low-angle share > 20"]}, "Write the %"),
    ({"limits": ["feed voltage < 3 m"]}, "is told in V, not in m"),
    ({"limits": ["swr < 3", "swr < 4"]}, "keep one"),
    ({"limits": ["exposure > 10 %"]}, "can only be held down"),
    ({"limits": ["swr on 40 m < 3"]}, "no band '40 m' here"),
    ({"budget": 4}, "whole number, 8 to"),
    ({"budget": 9, "robust": 6}, "at least"),
    ({"points": 2}, "must be odd"),
    ({"unknowns": {"feed lead": "known"}}, "say how many with robust"),
    ({"starts": [{"tall": 3.0}]}, "no element 'tall'"),
]


@pytest.mark.parametrize(("asked", "says"), WRONG, ids=lambda one: str(one)[:60])
def test_what_cannot_be_is_refused_before_anything_is_computed(
    plan: AtticPlan, asked: dict[str, Any], says: str
) -> None:
    with pytest.raises(TargetError, match=says):
        plan_search(plan, **{"vary": VARY, **asked}).check_effort()


def test_names_that_lead_nowhere(plan: AtticPlan) -> None:
    with pytest.raises(SweepError, match="tall"):
        plan_search(plan, vary={"tall": "4 m to 6 m"})


def test_what_stands_between_radio_and_antenna_is_needed_for_some() -> None:
    bands = read_bands(["20 m"], region=1)
    goals = read_goals(None, bands, has_chain=False, has_tuner=False)
    for lacking, told, says in (
        ("has_chain", "system efficiency > 5 %", r"no \[line\]"),
        ("has_tuner", "tuner matched", r"'tuner matched' is about the tuner.* no \[tuner\]"),
        ("has_tuner", "tuner strain on 20 m < 0.8", r"no \[tuner\]"),
        ("has_rooms", "exposure < 50 %", r"'exposure < 50 %'.* no \[\[room\]\]"),
    ):
        with pytest.raises(TargetError, match=says):
            read_limits([told], bands, goals, **{**EVERYTHING, lacking: False})
        assert read_limits([told], bands, goals, **EVERYTHING)
    with pytest.raises(TargetError, match=r"no \[tuner\]"):
        read_goals("tuner strain", bands, has_chain=True, has_tuner=False)
