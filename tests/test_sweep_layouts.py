"""Layouts of a sweep: names, ranges, samples, filters, the table of the file, plans that share."""

from __future__ import annotations

import logging
import math
import re
from importlib.resources import as_file, files
from typing import Any

import numpy as np
import pytest

from ridgepole.geometry import AtticFile, AtticFileError, AtticPlan, Scene
from ridgepole.geometry.attic_file import plan_from
from ridgepole.solver import SweepError, read_attic
from ridgepole.solver.settings import TABLES
from ridgepole.solver.study.sweep_filter import check_condition, holds
from ridgepole.solver.study.sweep_layouts import NOT_WANTED, LayoutPlans
from ridgepole.solver.study.sweep_parameters import design_layouts
from ridgepole.solver.study.sweep_records import Design
from ridgepole.solver.study.sweep_settings import read_sweep

# A bare attic, quick to read: three elements, one in feet, one with a coil, a few radials.
TEXT = """
[attic]
size = ["12 m", "7 m"]
ceiling_height = "5 m"
ridge_height = "8.6 m"
eaves_height = "5.4 m"
ridge_bearing = 75

[antenna]
feed_point = ["3 m", "3 m", "0 m"]
wire = "2.5 mm2 copper, bare"

[[element]]
name = "long"
route = "up to 2 m; along the ridge 7.5 m; down 1 m"
length = "9.5 m"        # the one to prune

[[element]]
name = "side"
route = [["3 m", "4 m", "1.8 m"], ["0.5 m", "4.2 m", "1.6 m"]]
length = "12 ft 6 in"

[[element]]
name = "low.one"
route = [["3.6 m", "2 m", "1.1 m"], ["6 m", "1.8 m", "0.9 m"]]
wire = "1.5 mm2 copper, bare"

[counterpoise]
radials = 5
length = "2.4 m"
start_bearing = 20

[[load]]
name = "trap"
wire = "long"
at = "6 m"
coil = "3 uH"
coil_q = 200

[joists]
spacing = "600 mm"
section = "45 x 195 mm"

[earth]
ground = "medium dry ground"

[tuner]
kind = "L"
coil = ["0 uH", "20 uH"]
capacitor = ["0 pF", "2 nF"]
"""


def plan_of(text: str = TEXT) -> AtticPlan:
    return plan_from(AtticFile.from_text(text, name="house.toml", other_tables=TABLES))


@pytest.fixture(scope="module")
def plan() -> AtticPlan:
    return plan_of()


@pytest.fixture(scope="module")
def example() -> AtticPlan:
    with as_file(files("ridgepole.geometry") / "examples" / "gable-house.toml") as path:
        return read_attic(path)


def column(design: Design, name: str) -> list[Any]:
    return [design.layout(n)[name] for n in range(len(design))]


def told(scene: Scene) -> list[Any]:
    """All that the solver is given, exactly."""
    wires = [
        (w.name, w.vertices.tolist(), w.radius, w.conductor, w.jacket, w.marks) for w in scene.wires
    ]
    ports = [repr(port) for port in scene.ports]
    return [wires, ports, scene.solids, scene.earth]


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


# ---- plans -------------------------------------------------------------------------------

VARIED: dict[str, Any] = {
    "long": ["8.7 m", "9.3 m"],
    "side": (2.9, 3.5, 0.3),
    "element.low.one.wire": ["2.5 mm2 copper, bare", "16 AWG copper, PVC 0.5 mm"],
    "load.trap.coil": "2 uH to 3 uH, 2 values",
    "counterpoise.radials": [4, 6],
    "house.moisture": "8 % to 18 %, 2 values",
}


def test_the_quick_way_gives_the_scene_of_the_whole_file(plan: AtticPlan):
    design = design_layouts(plan, VARIED)
    layouts = LayoutPlans(plan, design)
    groups = layouts.outer_groups()
    assert len(groups) == 4
    seen: list[Any] = []
    for group in groups[::3]:
        base = layouts.base_plan(group)
        for number in group[[0, 5, -1]]:
            quick = layouts.inner_plan(base, int(number)).scene()
            whole = layouts.plan_of(int(number)).scene()
            assert told(quick) == told(whole)
            seen.append(told(whole))
    assert all(seen[0] != other for other in seen[1:])  # they are not all one layout


def test_routes_go_the_quick_way_too(plan: AtticPlan):
    routes = [
        "to (2.4 m, 3.8 m, 1.6 m); right 2 m",
        [["3 m", "4 m", "1.5 m"], ["0.4 m", "4.2 m", "1.6 m"]],
    ]
    design = design_layouts(plan, {"element.side.route": routes, "side": "2 m to 3 m, 2 values"})
    layouts = LayoutPlans(plan, design)
    (group,) = layouts.outer_groups()
    base = layouts.base_plan(group)
    for number in group:
        quick = layouts.inner_plan(base, int(number)).scene()
        assert told(quick) == told(layouts.plan_of(int(number)).scene())


def test_the_text_of_a_layout_is_a_file_to_save(plan: AtticPlan):
    design = design_layouts(plan, VARIED)
    layouts = LayoutPlans(plan, design)
    number = len(design) - 1
    text = layouts.plan_of(number).text
    assert 'length = "9.3 m"        # the one to prune' in text
    assert 'length = "137.795275591 in"' in text  # 3.5 m, in inches as the file has it
    assert 'coil = "3 uH"' in text
    assert "radials = 6" in text
    assert "[house]\nmoisture = 0.18\n" in text
    assert told(plan_of(text).scene()) == told(layouts.plan_of(number).scene())
    base = layouts.base_plan([number])
    with pytest.raises(AtticFileError, match=rf"plan_of\({number}\).text"):
        _ = layouts.inner_plan(base, number).text


def test_groups_share_all_that_is_costly_and_keep_geometry_together(plan: AtticPlan):
    design = design_layouts(
        plan,
        {
            "earth.ground": ["wet ground", "medium dry ground"],
            "long": ["9 m", "9.2 m"],
            "counterpoise.length": ["2 m", "2.2 m"],
        },
    )
    layouts = LayoutPlans(plan, design)
    groups = layouts.outer_groups()
    assert sorted(n for group in groups for n in group) == list(range(8))
    shared = []
    for group in groups:
        assert np.all(np.diff(group) > 0)
        values = [design.layout(int(n)) for n in group]
        outer = {(v["counterpoise.length"], v["earth.ground"]) for v in values}
        assert len(outer) == 1
        shared += outer
    assert [length for length, _ in shared] == [2.0, 2.0, 2.2, 2.2]


def test_without_outer_parameters_there_is_one_group(plan: AtticPlan):
    layouts = LayoutPlans(plan, design_layouts(plan, {"long": "8 m to 9 m, 5 values"}))
    (group,) = layouts.outer_groups()
    assert group.tolist() == [0, 1, 2, 3, 4]


def test_a_group_whose_first_layouts_do_not_fit_still_has_its_base(plan: AtticPlan):
    """At the moved feed point the first length and the file's own are more than the route."""
    design = design_layouts(
        plan, {"antenna.feed_point": [["3 m", "3.6 m", "1.2 m"]], "side": ["12 m", "2.2 m"],
               "long": ["28 ft"]},
    )  # fmt: skip
    layouts = LayoutPlans(plan, design)
    reasons = dict(layouts.fits())
    assert "more than its route" in reasons[0]
    assert reasons[1] == ""
    base = layouts.base_plan([0, 1])
    assert told(layouts.inner_plan(base, 1).scene()) == told(layouts.plan_of(1).scene())


def test_outer_values_without_room_make_the_whole_group_unfit(plan: AtticPlan):
    design = design_layouts(
        plan, {"counterpoise.length": ["2 m", "90 m"], "long": ["9 m", "9.2 m"]}
    )
    reasons = dict(LayoutPlans(plan, design).fits())
    assert reasons[0] == reasons[1] == ""
    assert "radial" in reasons[2]
    assert reasons[3] == reasons[2]


def test_wires_that_cross_are_unfit_with_the_reason(plan: AtticPlan):
    routes = [
        [["3 m", "4 m", "1.8 m"], ["5 m", "3 m", "2 m"], ["5 m", "2 m", "2 m"]],
        [["3 m", "4 m", "1.8 m"], ["1 m", "4 m", "2 m"]],
    ]
    design = design_layouts(plan, {"element.side.route": routes, "side": ["4.9 m", "3 m"]})
    layouts = LayoutPlans(plan, design)
    reasons = dict(layouts.fits())
    assert "'long'" in reasons[0]
    assert "'side'" in reasons[0]
    assert reasons[3] == ""
    scene, reason = layouts.scene_or_reason(0)
    assert scene is None
    assert reason == reasons[0]
    assert isinstance(layouts.scene_or_reason(3)[0], Scene)


def test_there_is_no_layout_beyond_the_last(plan: AtticPlan):
    layouts = LayoutPlans(plan, design_layouts(plan, {"long": ["9 m"]}))
    with pytest.raises(SweepError, match="no layout 1; they are numbered 0 to 0"):
        layouts.plan_of(1)


def test_a_plan_that_its_text_does_not_say_is_refused(plan: AtticPlan):
    design = design_layouts(plan, {"long": ["9 m"]})
    changed = plan.with_house(*plan.house[:2])
    with pytest.raises(AtticFileError, match="cannot say pieces"):
        LayoutPlans(changed, design)


def test_keys_that_the_file_lacks_are_added_to_their_tables(plan: AtticPlan):
    design = design_layouts(
        plan,
        {
            "house.moisture": ["9 %"],
            "house.temperature": [4.5],
            "counterpoise.height": ["12 cm"],
            "counterpoise.margin": ["20 cm"],
            "low.one": ["2.1 m"],
        },
    )
    changed = LayoutPlans(plan, design).plan_of(0)
    document = changed.file.document
    assert document["house"] == {"moisture": 0.09, "temperature": 4.5}
    assert document["counterpoise"]["height"] == "0.12 m"
    assert document["counterpoise"]["margin"] == "0.2 m"
    assert document["element"][2]["length"] == "2.1 m"
    assert changed.house[0].wood.moisture == 0.09


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


# ---- the shipped example -----------------------------------------------------------------


def test_the_sweep_of_the_example_fits_its_attic(example: AtticPlan):
    layouts = read_sweep(example).layouts(example)
    assert len(layouts) == 5 * 4 * 3
    assert layouts.wanted.sum() == 59
    assert {reason for _, reason in layouts.fits()} == {"", NOT_WANTED}


def test_random_lengths_in_the_example_fit_as_their_routes_are_long(example: AtticPlan):
    """What fits is what the routes can hold, and nothing else is in the way."""
    limits = {"long": (9.0, 16.0), "cross": (5.0, 9.0), "short": (3.0, 7.0)}
    design = design_layouts(example, dict(limits), method="latin hypercube", count=60, seed=8)
    antenna: Any = example.antenna
    fits = np.ones(60, dtype=bool)
    for column_, name in zip(design.columns, limits, strict=True):
        way = antenna.element(name).with_length(None).path(antenna.hub)
        fits &= column_ <= np.linalg.norm(np.diff(way, axis=0), axis=1).sum()
    reasons = dict(LayoutPlans(example, design).fits())
    assert 10 < fits.sum() < 50
    assert [reasons[n] == "" for n in range(60)] == fits.tolist()


def test_a_table_without_a_name_is_to_get_one():
    text = TEXT.replace('name = "trap"\n', "")
    with pytest.raises(SweepError, match=r"'load.at': no \[\[load\]\] has a name.*Give"):
        design_layouts(plan_of(text), {"load.at": ["5 m"]})
    with pytest.raises(SweepError, match=r"does not say which \[\[load\]\]. Write 'load.NAME.at'"):
        design_layouts(plan_of(), {"load.at": ["5 m"]})


@pytest.mark.parametrize("told", ['""', '["long > 9 m", "side > 3 m"]', "3"])
def test_a_condition_that_is_no_text_is_to_be_one(told: str):
    text = f'{TEXT}\n[sweep]\nwhere = {told}\n[sweep.vary]\n"long" = ["9 m"]\n'
    with pytest.raises(AtticFileError, match=r"line \d+: \[sweep\], where.*joined with and"):
        read_sweep(plan_of(text))


def test_a_condition_in_another_unit_is_told_with_its_line():
    """Plain numbers are lengths once their reader has taken them."""
    text = f'{TEXT}\n[sweep]\nwhere = "long > 5 ohm"\n[sweep.vary]\n"long" = [9, 10]\n'
    with pytest.raises(AtticFileError, match=r"house.toml, line \d+: \[sweep\].*ohm"):
        read_sweep(plan_of(text)).design(plan_of(text))


@pytest.mark.parametrize("step", [1e-300, 1e-315])  # the count of the latter overflows
def test_a_step_far_too_small_is_told_in_a_line(plan: AtticPlan, step: float):
    with pytest.raises(SweepError, match=r"has about 1e\+300 values") as caught:
        design_layouts(plan, {"long": (9.0, 10.0, step)})
    assert len(str(caught.value)) < 150
