"""Layouts of a sweep as plans that share what is costly."""

from __future__ import annotations

from importlib.resources import as_file, files
from typing import Any

import numpy as np
import pytest
from varied_attic import TEXT, plan_of, told

from ridgepole.geometry import AtticFileError, AtticPlan, Scene
from ridgepole.solver import SweepError, read_attic
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
