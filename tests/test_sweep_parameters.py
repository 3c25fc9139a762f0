"""Parameters of a sweep: names, ranges, values, samples."""

from __future__ import annotations

import logging
import math
import re
from importlib.resources import as_file, files
from typing import Any

import numpy as np
import pytest
from varied_attic import TEXT, column, plan_of

from ridgepole.geometry import AtticPlan
from ridgepole.solver import SweepError, read_attic
from ridgepole.solver.study.sweep_layouts import LayoutPlans
from ridgepole.solver.study.sweep_parameters import design_layouts


@pytest.fixture(scope="module")
def plan() -> AtticPlan:
    return plan_of()


@pytest.fixture(scope="module")
def example() -> AtticPlan:
    with as_file(files("ridgepole.geometry") / "examples" / "gable-house.toml") as path:
        return read_attic(path)


# ---- names -------------------------------------------------------------------------------


def test_names_lead_to_keys_and_say_what_is_cheap(plan: AtticPlan):
    outer = {
        "element.long.length": False,
        "element.low.one.length": False,  # a name with a point; the file tells no length yet
        "element.side.route": False,
        "element.long.wire": False,
        "load.trap.coil": False,
        "load.trap.at": True,
        "counterpoise.radials": True,
        "antenna.feed_point": True,
        "house.moisture": True,  # a table that is not there yet
        "earth.ground": True,
        "joists.spacing": True,
        "tuner.coil_q": True,
    }
    values: dict[str, Any] = {
        "element.side.route": [[["3 m", "4 m", "1.5 m"], ["0.4 m", "4.2 m", "1.6 m"]]],
        "element.long.wire": ["1.5 mm2 copper, bare"],
        "load.trap.coil": "2 uH to 3 uH, 3 values",
        "counterpoise.radials": [5],
        "antenna.feed_point": [["3.2 m", "3 m"]],
        "house.moisture": ["14 %"],
        "earth.ground": ["wet ground"],
        "tuner.coil_q": [150],
    }
    design = design_layouts(
        plan, {name: values.get(name, ["0.5 m", "60 cm"]) for name in outer}, method="grid"
    )
    assert {p.name: p.is_outer for p in design.parameters} == outer
    (coil,) = [p for p in design.parameters if p.name == "load.trap.coil"]
    assert (coil.unit, coil.low, coil.high) == ("H", 2e-6, 3e-6)


def test_the_name_of_an_element_alone_is_its_length(plan: AtticPlan):
    design = design_layouts(plan, {"long": ["9 m"], "low.one": [2.2]})
    assert design.layout(0) == {"element.long.length": 9.0, "element.low.one.length": 2.2}
    assert [p.unit for p in design.parameters] == ["m", "m"]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("element.lang.length", "Is 'long' meant"),
        ("element.length", "element.NAME.length"),
        ("lonk", "Is 'long' meant"),
        ("hose.moisture", "Is 'house' meant|Is 'house.moisture' meant|house"),
        ("joists.spacin", "Is 'spacing' meant"),
        ("rafters.spacing", r"has no \[rafters\]"),
        ("load.trap.inductance", "this key is not known"),
        ("element.long", "no .*element.* is called|say which"),
        ("element.long.name", "names stay"),
        ("counterpoise.radials.first", "has no keys"),
        ("bands.wanted", "does not change what a sweep computes"),
        ("counterpoise.", "say which of its keys"),
        ("", "no name"),
    ],
)
def test_a_name_that_leads_nowhere_is_told(plan: AtticPlan, name: str, words: str):
    with pytest.raises(SweepError, match=words):
        design_layouts(plan, {name: [1, 2]})


def test_one_parameter_under_two_names_is_told(plan: AtticPlan):
    with pytest.raises(SweepError, match="given twice"):
        design_layouts(plan, {"long": ["9 m"], "element.long.length": ["9.2 m"]})


# ---- values ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "values"),
    [
        ("9 m to 9.2 m, step 5 cm", [9.0, 9.05, 9.1, 9.15, 9.2]),
        ("9 to 9.5 m, 3 values", [9.0, 9.25, 9.5]),
        ("29 ft to 30 ft, step 6 in", [8.8392, 8.9916, 9.144]),
        ((9.0, 9.4, "20 cm"), [9.0, 9.2, 9.4]),
        ((9, 9.45, 0.2), [9.0, 9.2, 9.4]),  # the last step does not reach the end
        (["9 m", 9.2, "930 cm"], [9.0, 9.2, 9.3]),
        (np.array([9.0, 9.1]), [9.0, 9.1]),
        ("9.3 m", [9.3]),
        (9.3, [9.3]),
    ],
)
def test_lengths_become_metres(plan: AtticPlan, given: Any, values: list[float]):
    design = design_layouts(plan, {"long": given})
    # rounding: values are held to twelve digits
    assert column(design, "element.long.length") == pytest.approx(values, rel=1e-12)
    assert design.parameters[0].unit == "m"


@pytest.mark.parametrize(
    "given", ["8 % to 18 %, 3 values", "0.08 to 0.18, step 0.05", "8 to 18 %, 3 values"]
)
def test_per_cent_is_a_part(plan: AtticPlan, given: str):
    design = design_layouts(plan, {"house.moisture": given})
    assert column(design, "house.moisture") == pytest.approx([0.08, 0.13, 0.18], rel=1e-12)


def test_steps_add_up_to_the_digits_that_people_write(plan: AtticPlan):
    design = design_layouts(plan, {"long": "9 m to 10 m, step 5 cm"})
    assert column(design, "element.long.length") == [
        float(f"{9 + 0.05 * n:.2f}") for n in range(21)
    ]


@pytest.mark.parametrize(
    ("name", "given", "end", "said"),
    [
        ("element.long.length", "9 m to 12 m, step 70 cm", 11.8, "11.8 m; 12 m is not reached"),
        ("element.side.length", "9 ft to 12 ft, step 2 ft", 3.3528, "11 ft; 12 ft is not reached"),
        ("counterpoise.radials", (4, 9, 2), 8.0, "8; 9 is not reached"),
    ],
)
@pytest.mark.parametrize("how", [{}, {"method": "sobol", "count": 4}])
def test_an_end_that_no_step_reaches_is_said(
    plan: AtticPlan, name: str, given: Any, end: float, said: str, how: dict[str, Any]
):
    design = design_layouts(plan, {name: given}, **how)
    (remark, *_) = design.remarks
    assert remark.startswith(f"{name} ends at {said}")
    assert design.parameters[0].high == pytest.approx(end, rel=1e-12)  # rounding
    assert max(column(design, name)) <= design.parameters[0].high


def test_an_end_that_is_reached_is_no_remark(plan: AtticPlan):
    for given in ("9 m to 10 m, 4 values", "9 m to 10 m, step 0.1 m", "29 ft to 30 ft, step 1 in"):
        assert design_layouts(plan, {"long": given}).remarks == ()


def test_counts_take_whole_steps_without_being_told(plan: AtticPlan):
    design = design_layouts(plan, {"counterpoise.radials": "4 to 7"})
    assert column(design, "counterpoise.radials") == [4, 5, 6, 7]
    assert LayoutPlans(plan, design).values(1) == {("counterpoise", "radials"): 5}


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ([], "takes no value"),
        ([math.nan], "no value"),
        ((9.0, math.inf, 1.0), "finite"),
        ("14 m to 9 m, step 1 m", "low end"),
        ("9 m to 9 m, step 1 m", "low end"),
        ("9 m to 10 m, step 0 m", "above 0"),
        ((9.0, 10.0, -0.1), "above 0"),
        ("9 m to 10 m, step 2 m", "larger than the range"),
        ("9 m to 10 m, 1 value", "of a range cannot be"),
        ("9 m to 10 m, step 5 ohm", "in the unit of its ends"),
        ("9 m to 10 ohm, step 1 m", "keep to one unit"),
        ("9 m to 10 miles, step 1 m", "is no number"),
        ((9.0,), "a tuple is"),
        ("9 m to 10 m", "without steps"),
        (["9 m", "5 ohm"], "keep to one"),
        ("9 ohm to 12 ohm, step 1 ohm", "cannot take '9 ohm'.*no length"),
        ("0.009 kohm to 0.012 kohm, 2 values", "cannot take '0.009 kohm'.*no length"),
        ("900 % to 1200 %, 2 values", "cannot take '900 %'.*no length"),
        (("900 %", "1200 %", "50 %"), "cannot take '900 %'.*no length"),
        (["9 ohm", "10 ohm"], "cannot take '9 ohm'.*no length"),
        ("9 m to 1200 %, 2 values", "'1200 %' is not in m"),
        ("9 m to 12 m, step 50 %", "'50 %' is not in m"),
        (["nine metres"], "cannot take 'nine metres'.*no length"),
        (["9 m", "nine metres"], "cannot take 'nine metres'"),
        ([True], "cannot take True"),
        ("9 m to 900 m, step 1 m", "cannot take '900 m'.*0.05 to 500 m"),
    ],
)
def test_values_that_cannot_be_are_told_with_the_parameter(plan: AtticPlan, given: Any, words: str):
    with pytest.raises(SweepError, match=rf"'element.long.length'.*{words}") as caught:
        design_layouts(plan, {"long": given})
    assert caught.value.parameter == "element.long.length"


@pytest.mark.parametrize(
    ("name", "given", "words"),
    [
        ("earth.ground", ["medium dry ground", "moon dust"], "moon dust"),
        ("house.moisture", (0.1, 0.9, 0.1), "0.9"),
        ("counterpoise.radials", [4, 4.5, 6], "cannot take 4.5: .*whole number"),
        ("counterpoise.radials", "4 to 6, step 0.5", "cannot take 4.5: .*whole number"),
        ("element.side.route", ["up 1 m; fly away"], "'fly away' of the route is not understood"),
        ("element.side.route", [[["3 m", "4 m"]]], "x, y, height"),
        ("element.long.wire", ["rope"], "rope"),
        ("load.trap.coil", [3e-6, 4e-6], None),  # henries, written with their unit
        ("load.trap.coil", ["3 m"], "3 m"),
        ("load.trap.resistance", "9 m to 12 m, step 1 m", "cannot take '9 m'"),
        ("house.moisture", "0.1 ohm to 0.2 ohm, 2 values", "cannot take '0.1 ohm'"),
        ("load.trap.coil_q", [0.5], "cannot take 0.5|0.5"),
        ("tuner.coil_q", [-3], "-3"),
        ("antenna.feed_point", [["3 m"]], r"\[x, y\]"),
    ],
)
def test_every_value_is_tried_by_its_reader(
    plan: AtticPlan, name: str, given: Any, words: str | None
):
    if words is None:
        with pytest.raises(SweepError, match="must be text with a unit"):
            design_layouts(plan, {name: given})
        return
    with pytest.raises(SweepError, match=words) as caught:
        design_layouts(plan, {name: given})
    assert caught.value.parameter == name


def test_what_may_fit_elsewhere_is_no_error(plan: AtticPlan):
    """A length beyond its route, a route through the roof: unfit layouts, told one by one."""
    routes = [
        "to (2.4 m, 3.8 m, 1.6 m); back along the ridge 2 m",
        ["to (2.4 m, 3.8 m, 2.4 m)", "left 9 m"],
    ]
    design = design_layouts(
        plan, {"long": ["9 m", "11 m"], "element.side.route": routes, "side": ["3.8 m"]}
    )
    reasons = dict(LayoutPlans(plan, design).fits())
    assert reasons[0] == ""
    assert re.search("house.toml, line 20: .*leaves the attic", reasons[1])
    assert re.search("house.toml, line 16: .*more than its route", reasons[2])


def test_values_that_only_go_together_are_tried_together():
    text = TEXT.replace('[earth]\nground = "medium dry ground"\n', "")
    bare = plan_of(text)
    both: dict[str, Any] = {"earth.permittivity": [5, 13], "earth.conductivity": ["1 mS/m"]}
    design = design_layouts(bare, both)
    earth: Any = LayoutPlans(bare, design).plan_of(1).earth
    assert (earth.relative_permittivity, earth.conductivity) == (13, 1e-3)
    with pytest.raises(SweepError, match=r"'earth.permittivity' cannot take 5: .*go together"):
        design_layouts(bare, {"earth.permittivity": [5, 13]})
    with pytest.raises(SweepError, match=r"'earth.conductivity' cannot take 1000"):
        design_layouts(bare, {**both, "earth.conductivity": [0.001, 1000.0]})


# ---- methods -----------------------------------------------------------------------------


def test_a_grid_is_every_combination_once_the_last_fastest(plan: AtticPlan):
    design = design_layouts(
        plan, {"earth.ground": ["wet ground", "medium dry ground"], "long": (9.0, 9.4, 0.2)}
    )
    assert len(design) == 6
    assert column(design, "earth.ground") == ["wet ground"] * 3 + ["medium dry ground"] * 3
    assert column(design, "element.long.length") == pytest.approx([9.0, 9.2, 9.4] * 2)
    assert design.seed is None
    assert design.columns[0].dtype == np.int64


def test_a_list_goes_side_by_side(plan: AtticPlan):
    design = design_layouts(
        plan, {"long": ["9 m", "9.1 m"], "side": "3 m to 3.5 m, 2 values"}, method="list"
    )
    assert design.layout(1) == {"element.long.length": 9.1, "element.side.length": 3.5}
    with pytest.raises(SweepError, match=r"long\.length 2, element\.side\.length 3"):
        design_layouts(
            plan, {"long": ["9 m", "9.1 m"], "side": "3 m to 3.5 m, 3 values"}, method="list"
        )


def test_a_latin_hypercube_has_one_value_in_every_slice(plan: AtticPlan):
    count = 40
    design = design_layouts(
        plan,
        {"long": "7 m to 10 m", "side": "2 m to 3.6 m"},
        method="latin hypercube",
        count=count,
        seed=5,
    )
    for values, low, high in zip(design.columns, (7.0, 2.0), (10.0, 3.6), strict=True):
        slices = np.floor((values - low) / (high - low) * count).astype(int)
        assert sorted(slices) == list(range(count))


def test_a_sobol_sequence_of_a_power_of_two_is_balanced(plan: AtticPlan):
    design = design_layouts(
        plan,
        {"long": "7 m to 10 m", "earth.ground": ["wet ground", "medium dry ground"]},
        method="sobol",
        count=64,
        seed=2,
    )
    assert design.remarks == ()
    assert np.sum(design.columns[0] < 8.5) == 32
    assert np.sum(design.columns[1] == 0) == 32


def test_drawn_layouts_repeat_with_their_seed_and_only_with_it(plan: AtticPlan):
    def drawn(seed: int, method: str) -> np.ndarray:
        return design_layouts(
            plan, {"long": "7 m to 10 m"}, method=method, count=8, seed=seed
        ).columns[0]

    for method in ("sobol", "latin hypercube"):
        assert np.array_equal(drawn(1, method), drawn(1, method))
        assert not np.array_equal(drawn(1, method), drawn(2, method))


def test_odd_counts_of_a_sobol_sequence_and_dropped_layouts_are_said(
    plan: AtticPlan, caplog: pytest.LogCaptureFixture
):
    caplog.set_level(logging.INFO)
    design = design_layouts(
        plan, {"long": "9 m to 10 m, step 25 cm"}, method="sobol", count=50, seed=1
    )
    # every step lies in reach, each drawn ten times or so
    assert sorted(column(design, "element.long.length")) == [9.0, 9.25, 9.5, 9.75, 10.0]
    assert len(design.remarks) == 2
    assert "64, a power of two" in design.remarks[0]
    assert design.remarks[1].startswith("45 of 50 layouts")
    assert all(remark in caplog.text for remark in design.remarks)


def test_steps_are_drawn_evenly_their_ends_too(plan: AtticPlan):
    design = design_layouts(
        plan, {"long": "9 m to 10 m, step 25 cm", "side": "2 m to 3.6 m"},
        method="latin hypercube", count=500, seed=3,
    )  # fmt: skip
    counts = np.unique(design.columns[0], return_counts=True)[1]
    assert counts.tolist() == [100] * 5


def test_layouts_that_come_twice_are_kept_once(plan: AtticPlan):
    design = design_layouts(plan, {"long": ["9 m", "9.2 m", 9.0], "side": ["3 m"]})
    assert column(design, "element.long.length") == [9.0, 9.2]
    assert design.remarks == ("1 of 3 layouts came more than once and were dropped",)
    design = design_layouts(
        plan,
        {"earth.ground": ["wet ground", "medium dry ground", "wet ground"],
         "long": ["9 m", "9.2 m", "9.4 m"]},
        method="list",
    )  # fmt: skip
    assert column(design, "earth.ground") == ["wet ground", "medium dry ground", "wet ground"]
    assert [g.tolist() for g in LayoutPlans(plan, design).outer_groups()] == [[0, 2], [1]]


@pytest.mark.parametrize(
    ("given", "options", "words"),
    [
        ({}, {}, "parameters is"),
        ({"long": ["9 m"]}, {"method": "random"}, "method is 'random'"),
        ({"long": "9 m to 10 m"}, {"method": "sobol"}, "count is None"),
        ({"long": "9 m to 10 m"}, {"method": "sobol", "count": 0}, "count is 0"),
        ({"long": "9 m to 10 m"}, {"method": "sobol", "count": 1_000_001}, "1 to 1000000"),
        ({"long": "9 m to 10 m"}, {"method": "sobol", "count": 2.5}, "count is 2.5"),
        ({"long": ["9 m"]}, {"count": 5}, "count is 5, but grid"),
        ({"long": "9 m to 10 m"}, {"method": "sobol", "count": 4, "seed": -1}, "seed is -1"),
        (
            {"long": "9 m to 10 m, 1001 values", "side": "2 m to 3 m, 1000 values"},
            {},
            "1001 x 1000 values has 1001000 layouts",
        ),
        ({"long": "9 m to 10 m, step 0.0001 mm"}, {}, "10000001 values"),
    ],
)
def test_designs_that_cannot_be_are_told(
    plan: AtticPlan, given: dict[str, Any], options: dict[str, Any], words: str
):
    with pytest.raises(SweepError, match=words):
        design_layouts(plan, given, **options)


def test_a_million_layouts_are_allowed(plan: AtticPlan):
    design = design_layouts(
        plan, {"long": "9 m to 10 m, 1000 values", "side": "2 m to 3 m, 1000 values"}
    )
    assert len(design) == 1_000_000
    assert design.layout(999_999) == {"element.long.length": 10.0, "element.side.length": 3.0}
