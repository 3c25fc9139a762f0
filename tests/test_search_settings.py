"""The table [search] of an attic file: what it says, and what is said of faults in it."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_attic import ATTIC

from ridgepole.geometry import AtticFileError
from ridgepole.solver import read_attic
from ridgepole.solver.errors import TargetError
from ridgepole.solver.study.searching import plan_search
from ridgepole.solver.study.searching.search_settings import read_search

TABLE = """
[search]
goal = {"mean efficiency" = 2, "worst swr" = 1}
limits = ["low-angle share > 20 %", "swr on 20 m < 30", "wire voltage < 1.5 kV"]
budget = 120
robust = 4
seed = 9
points = 5
finalists = 1
[search.vary]
"element.long.length" = "6 m to 8.6 m"
"counterpoise.length" = "3 m to 4 m, step 50 cm"
"""


def written(tmp_path: Path, table: str) -> Path:
    file = tmp_path / "attic.toml"
    file.write_text(ATTIC + table, encoding="utf-8")
    return file


def test_all_that_the_table_says(tmp_path: Path) -> None:
    found = read_search(read_attic(written(tmp_path, TABLE)))
    assert found is not None
    assert [(goal.name, goal.weight) for goal in found.goals] == [
        ("mean efficiency", 2.0), ("worst swr", 1.0),
    ]  # fmt: skip
    told = [
        (limit.quantity.name, limit.is_upper, limit.value, limit.band) for limit in found.limits
    ]
    assert told == [
        ("low-angle share", False, 0.2, ""), ("swr", True, 30.0, "20 m"),
        ("wire voltage", True, 1500.0, ""),
    ]  # fmt: skip
    assert [limit.is_late for limit in found.limits] == [False, False, True]
    assert (found.budget, found.robust, found.seed) == (120, 4, 9)
    assert (found.points, found.finalists) == (5, 1)
    assert found.varied.lengths == {"long": (6.0, 8.6)}
    variants, unfit = found.varied.variants()
    assert [one.choices["counterpoise.length"] for one in variants] == [3.0, 3.5, 4.0]
    assert unfit == ()


def test_what_is_given_counts_before_the_file(tmp_path: Path) -> None:
    plan = read_attic(written(tmp_path, TABLE))
    found = plan_search(
        plan, vary={"long": (5.0, 7.0)}, goal="worst efficiency", limits=[], budget=50, robust=0
    ).settings
    assert found.varied.lengths == {"long": (5.0, 7.0)}
    assert [goal.name for goal in found.goals] == ["worst efficiency"]
    assert found.limits == ()
    assert (found.budget, found.robust, found.seed) == (50, 0, 9)


def test_without_a_table_all_elements_are_sought(tmp_path: Path) -> None:
    plan = read_attic(written(tmp_path, ""))
    assert read_search(plan) is None
    found = plan_search(plan).settings
    low, high = found.varied.lengths["long"]
    assert low == pytest.approx(0.6 * 8.3)
    assert high < 1.25 * 8.3  # as far as its way goes
    assert found.varied.variants()[0][0].ranges["long"] == (low, high)
    assert "since nothing was told" in found.varied.assumed
    assert (found.budget, found.robust, found.points, found.finalists) == (200, 0, 3, 2)


FAULTS = [
    ('goal = "worst eficiency"', "goal = 'worst eficiency': .*Is 'efficiency' meant"),
    ('limits = ["swr < 3", "swr > 5"]', "contradict each other"),
    ('limits = ["exposure < 100 %"]', "exposure < 100 %.*the file has no"),
    ('limits = ["tuner matched"]', "tuner matched.*the file has no"),
    ("budget = 3", "budget = 3: must be a whole number, 8 to 100000"),
    ("points = 4", "points = 4: must be odd"),
    ("robust = -1", "robust = -1"),
    ("seed = 1.5", "seed = 1.5"),
    ("bands = 20", "must be a list of names"),
    ('bands = ["21 m"]', "bands"),
    ("gaol = 3", "gaol"),
    ('vary = "long"', "must be a table"),
]


@pytest.mark.parametrize(("line", "says"), FAULTS)
def test_faults_tell_the_line(tmp_path: Path, line: str, says: str) -> None:
    file = written(tmp_path, f"[search]\n{line}\n")
    number = file.read_text().split("\n").index(line) + 1
    with pytest.raises(AtticFileError, match=says) as caught:
        read_attic(file)
    assert f"line {number}" in str(caught.value)


VARIED = [
    ('"long" = "4 m to 6 m, step 10 cm"', "leave the step out"),
    ('"tall" = "4 m to 6 m"', "tall"),
    ('"earth.conductivity" = "1 mS/m to 9 mS/m"', "give a list of values, or a step"),
]


@pytest.mark.parametrize(("line", "says"), VARIED)
def test_faults_of_what_is_varied_tell_the_line(tmp_path: Path, line: str, says: str) -> None:
    file = written(tmp_path, f"[search.vary]\n{line}\n")
    number = file.read_text().split("\n").index(line) + 1
    with pytest.raises(AtticFileError, match=says) as caught:
        read_attic(file)
    assert f"line {number}" in str(caught.value)


WAYS = [
    ('"long" = "6 m to 14 m"', "'long' up to 14 m: its way goes 8.* m only"),
    ('"long" = "13 m to 14 m"', "'long' from 13 m: its way goes 8.* m only"),
]


@pytest.mark.parametrize(("line", "says"), WAYS)
def test_lengths_beyond_the_way_tell_the_line(tmp_path: Path, line: str, says: str) -> None:
    file = written(tmp_path, f"[search.vary]\n{line}\n")
    number = file.read_text().split("\n").index(line) + 1
    with pytest.raises(AtticFileError, match=says) as caught:
        plan_search(read_attic(file)).check_effort()
    assert f"line {number}" in str(caught.value)


def test_an_estimate_tells_of_choices_that_do_not_fit(tmp_path: Path) -> None:
    table = '[search.vary]\n"antenna.feed_point" = '
    table += '[["2.1 m", "2.5 m", "0 m"], ["50 m", "3 m", "0 m"]]\n'
    effort = plan_search(read_attic(written(tmp_path, table))).effort
    assert effort.models == 1
    assert "1 combination of choices does not fit" in str(effort)
    assert "(x 50.00, y 3.00" in str(effort)
    assert len(effort.unfit) == 1


def test_lengths_that_are_sought_begin_past_a_load(tmp_path: Path) -> None:
    coil = '[[load]]\nwire = "long"\nat = "6 m"\ncoil = "4 uH"\ncoil_q = 150\nname = "coil"\n'
    plan = read_attic(written(tmp_path, coil))
    low, _ = plan_search(plan).settings.varied.lengths["long"]
    assert low == pytest.approx(6.05)
    with pytest.raises(TargetError, match=r"sits at 6 m and stays there; begin at 6\.05 m"):
        plan_search(plan, vary={"long": (5.0, 7.0)})
