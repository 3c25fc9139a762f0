"""Filters of a sweep, and its table in the attic file."""

from __future__ import annotations

from importlib.resources import as_file, files
from typing import Any

import numpy as np
import pytest
from varied_attic import TEXT, plan_of

from ridgepole.geometry import AtticFileError, AtticPlan
from ridgepole.solver import SweepError, read_attic
from ridgepole.solver.study.sweep_filter import check_condition, holds
from ridgepole.solver.study.sweep_layouts import NOT_WANTED, LayoutPlans
from ridgepole.solver.study.sweep_parameters import design_layouts
from ridgepole.solver.study.sweep_settings import read_sweep


@pytest.fixture(scope="module")
def plan() -> AtticPlan:
    return plan_of()


@pytest.fixture(scope="module")
def example() -> AtticPlan:
    with as_file(files("ridgepole.geometry") / "examples" / "gable-house.toml") as path:
        return read_attic(path)


# ---- filters -----------------------------------------------------------------------------


def test_conditions_compare_sums(plan: AtticPlan):
    design = design_layouts(
        plan, {"long": "8 m to 9 m, step 25 cm", "counterpoise.radials": [4, 5, 6]}
    )
    length, radials = design.columns
    side = 12.5 * 0.3048  # of the file, not varied

    def check(text: str, wanted: np.ndarray) -> None:
        assert 0 < wanted.sum() < len(design)
        assert np.array_equal(holds(text, design, plan.file), wanted)

    check("element.long.length > 8.5 m", length > 8.5)
    check("element.long.length >= 8.5", length >= 8.5)
    check("long<=850 cm and counterpoise.radials!=5", (length <= 8.5) & (radials != 5))
    check("counterpoise.radials = 5", radials == 5)
    check("counterpoise.radials == 2 + 2", radials == 4)
    check("long > element.side.length + 1 m + 3.9 m", length > side + 4.9)
    check("16 m - 2 * side < long - 0.5 m", 16 - 2 * side < length - 0.5)
    check("-1 * long < -8.4 m", length > 8.4)
    check("long - long + counterpoise.radials < 5", radials < 5)
    check("counterpoise.radials <= 5 and long < 9 m", (radials <= 5) & (length < 9.0))


def test_conditions_compare_texts_and_take_brackets_and_or(plan: AtticPlan):
    design = design_layouts(
        plan, {"long": ["9 m", "9.2 m"], "earth.ground": ["wet ground", "medium dry ground"]}
    )
    text = "earth.ground = 'wet ground' and not (long > 9.1 m) or long > 2 * (4 m + 55 cm)"
    assert holds(text, design, plan.file).tolist() == [True, False, True, True]


def test_steps_that_add_up_count_as_equal(plan: AtticPlan):
    design = design_layouts(plan, {"long": "8 m to 8.3 m, step 10 cm", "side": ["3 m"]})
    wanted = holds("long = 8 m + 10 cm + 20 cm", design, plan.file)
    assert wanted.tolist() == [False, False, False, True]
    assert not np.any(holds("long > 8 m + 0.1 m + 0.2 m", design, plan.file))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("long", "compare it with something"),
        ("long > ", "ends|cannot be read|number"),
        ("long > lonk", "neither varied nor a number of the file. Is 'long' meant"),
        ("long > 8 ohm", "sets m against ohm"),
        ("long + 3 ohm > 9 m", "sets m against ohm"),
        ("earth.ground > 3", "text"),
        ("earth.ground = 'moon dust'", "none of the values taken"),
        ("counterpoise.bonded = 3", "neither numbers nor texts"),
        ("__import__('os').getcwd() > 1", "where = "),
    ],
)
def test_conditions_that_cannot_be_read_are_told(plan: AtticPlan, text: str, words: str):
    design = design_layouts(
        plan,
        {"long": ["9 m"], "earth.ground": ["wet ground"], "counterpoise.bonded": [[]]},
    )
    with pytest.raises(SweepError, match=words):
        check_condition(text, design.parameters, plan.file)
    with pytest.raises(SweepError, match=words):
        LayoutPlans(plan, design, where=text)


def test_a_function_sees_the_values_as_they_are(plan: AtticPlan):
    design = design_layouts(
        plan, {"long": ["9 m", "9.2 m"], "earth.ground": ["wet ground", "medium dry ground"]}
    )
    layouts = LayoutPlans(
        plan, design,
        where=lambda v: v["earth.ground"] == "wet ground" or v["element.long.length"] > 9.1,
    )  # fmt: skip
    assert layouts.wanted.tolist() == [True, False, True, True]
    assert dict(layouts.fits())[1] == NOT_WANTED
    assert layouts.scene_or_reason(1) == (None, NOT_WANTED)
    assert 1 not in np.concatenate(layouts.outer_groups())


@pytest.mark.parametrize(
    ("where", "words"),
    [
        (lambda v: v["nothing"], "where fails on layout 0.*KeyError"),
        (lambda v: 3, "where gives 3"),
        (7, "where is 7"),
    ],
)
def test_a_function_that_fails_is_told(plan: AtticPlan, where: Any, words: str):
    design = design_layouts(plan, {"long": ["9 m"]})
    with pytest.raises(SweepError, match=words):
        LayoutPlans(plan, design, where=where)


# ---- the file's table --------------------------------------------------------------------

SWEEP = """
[sweep]
method = "latin hypercube"
count = 12
seed = 4
bands = ["40 m", "14.0-14.35 MHz"]
points = 5
figures = ["shares", "gain", "tuner"]
angles = [[15, 40], [70.0, -130]]
where = "long > side + 5 m"

[sweep.vary]
element.long.length = "8 m to 9.5 m"
element."low.one".wire = ["1.5 mm2 copper, bare", "2.5 mm2 copper, bare"]
"house.moisture" = "8 % to 18 %, step 5 %"
side = ["3 m", "3.2 m"]
"""


def test_the_table_of_a_file_is_read(plan: AtticPlan):
    settings = read_sweep(plan_of(TEXT + SWEEP))
    assert settings.method == "latin hypercube"
    assert (settings.count, settings.seed, settings.points) == (12, 4, 5)
    assert [band.name for band in settings.bands] == ["40 m", "14-14.35 MHz"]
    assert settings.figures == ("impedance", "shares", "gain", "tuner")
    assert settings.angles == ((15.0, 40.0), (70.0, -130.0))
    assert list(settings.vary) == [
        "element.long.length", "element.low.one.wire", "house.moisture", "element.side.length"
    ]  # fmt: skip
    design = settings.design(plan_of(TEXT + SWEEP))
    again = design_layouts(plan, dict(settings.vary), method="latin hypercube", count=12, seed=4)
    assert [design.layout(n) for n in range(12)] == [again.layout(n) for n in range(12)]
    layouts = settings.layouts(plan_of(TEXT + SWEEP))
    lengths = layouts.design.columns
    assert np.array_equal(layouts.wanted, lengths[0] > lengths[3] + 5.0)


def test_what_the_table_does_not_say_has_its_usual_value():
    settings = read_sweep(plan_of(f'{TEXT}[sweep.vary]\nlong = "8 m to 9 m, 3 values"\n'))
    assert settings.method == "grid"
    assert settings.figures == ("impedance", "budget", "shares", "tuner")
    assert (settings.points, settings.where, settings.count) == (9, None, None)
    assert len(settings.bands) == 9


def test_a_missing_table_comes_with_one_to_write(plan: AtticPlan):
    with pytest.raises(
        AtticFileError, match=r"house.toml: the table \[sweep\] is missing"
    ) as error:
        read_sweep(plan)
    table = str(error.value).partition("\n\n")[2]
    settings = read_sweep(plan_of(TEXT + table))
    assert list(settings.vary) == ["element.long.length"]


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('"latin hypercube"', '"dice"', "method", "must be one of 'grid'"),
        ("count = 12", "count = 0", "count", "1 to 1e\\+06"),
        ("count = 12", "", "method", "needs a count"),
        ("seed = 4", "sead = 4", "sead", "Is 'seed' meant"),
        ('"latin hypercube"', '"grid"', "count", "nothing is drawn in a grid"),
        ('"40 m"', '"41 m"', "bands", "no band '41 m'"),
        ("points = 5", "points = 1", "points", "2 to 1001"),
        ('"shares"', '"share"', "figures", "Is 'shares' meant"),
        ("angles = [[15, 40], [70.0, -130]]", "", "figures", "at which angles"),
        ("[15, 40]", "[95, 40]", "angles", "elevation 0 to 90"),
        ("[15, 40]", "[15]", "angles", "elevation 0 to 90"),
        ('"gain", ', "", "angles", "figures leaves out"),
        ("long > side", "long > sied", "where", "Is 'side' meant"),
        ("8 m to 9.5 m", "9.5 m to 8 m", "element.long", "low end"),
        ('"house.moisture"', '"hause.moisture"', '"hause', "is not known"),
        ('side = ["3 m", "3.2 m"]', '"element.long.length" = ["9 m"]', '"element.long', "stands"),
    ],
)  # fmt: skip
def test_faults_in_the_table_are_told_with_line_and_key(old: str, new: str, line: str, words: str):
    assert old in SWEEP
    text = TEXT + SWEEP.replace(old, new)
    at = 1 + next(n for n, one in enumerate(text.split("\n")) if one.startswith(line))
    with pytest.raises(AtticFileError, match=rf"house.toml, line {at}:.*{words}"):
        read_sweep(plan_of(text))


def test_a_value_that_no_reader_takes_is_told_with_its_line_in_the_table():
    text = TEXT + SWEEP.replace('"1.5 mm2 copper, bare", "2.5', '"rope", "2.5')
    at = 1 + next(n for n, one in enumerate(text.split("\n")) if "rope" in one)
    varied = plan_of(text)
    with pytest.raises(AtticFileError, match=rf"house.toml, line {at}:.*'rope'"):
        read_sweep(varied).design(varied)


def test_reading_an_attic_looks_at_its_sweep(tmp_path: Any):
    path = tmp_path / "house.toml"
    path.write_text(TEXT + SWEEP, encoding="utf-8")
    assert read_attic(path).file.has("sweep")
    path.write_text(TEXT + SWEEP.replace("seed = 4", "seed = -4"), encoding="utf-8")
    with pytest.raises(AtticFileError, match="seed = -4"):
        read_attic(path)
