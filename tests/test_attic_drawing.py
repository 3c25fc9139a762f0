"""Drawings: what is on them, and that north points north."""

import io
from importlib.resources import files
from typing import Any

import numpy as np
import pytest
from matplotlib.colors import to_hex
from mpl_toolkits.mplot3d import proj3d

from ridgepole.geometry import (
    Cable,
    Choke,
    Coax,
    Duct,
    Feed,
    Load,
    Scene,
    Screen,
    Sheet,
    Timber,
    Wire,
    drawing,
    read_attic_text,
)
from ridgepole.geometry.drawing import (
    draw_3d,
    draw_attic,
    draw_plan,
    draw_section,
    wire_colours,
)
from ridgepole.geometry.house_drawing import (
    METAL_COLOURS,
    TIMBER,
    house_handles,
    metal_colours,
)

OTHERS = ("bands", "line", "tuner", "station", "sweep")
TEXT = (files("ridgepole.geometry") / "examples" / "gable-house.toml").read_text("utf-8")


@pytest.fixture(scope="module")
def plan():
    return read_attic_text(TEXT, other_tables=OTHERS)


def test_sheet_has_four_views_and_saves(plan, tmp_path):
    figure = draw_attic(plan)
    titles = [ax.get_title(loc="left") for ax in figure.axes]
    assert titles[:4] == ["Plan", "Section", "Side", "View"]
    figure.savefig(tmp_path / "sheet.png", dpi=40)
    assert (tmp_path / "sheet.png").stat().st_size > 5000
    assert "<img" in plan._repr_html_()


def test_elements_have_colours_of_their_own_and_radials_share_one(plan):
    colours = wire_colours(plan.wires)
    elements = [colours[e.name] for e in plan.antenna.elements]
    assert len(set(elements)) == 3
    assert len({colours[f"radial {n}"] for n in range(1, 15)}) == 1


@pytest.mark.parametrize("ridge", [0, 118, 250])
def test_north_arrow(ridge):
    ax = draw_plan(
        read_attic_text(TEXT.replace("bearing = 118", f"bearing = {ridge}"), other_tables=OTHERS)
    )
    (inset,) = ax.child_axes
    (letter,) = [t for t in inset.texts if t.get_text() == "N"]
    x, y = letter.get_position()
    # north lies `ridge` degrees to the left of +x, which bears `ridge`
    assert np.degrees(np.arctan2(y, x)) % 360 == pytest.approx(ridge)


def test_line_width_follows_the_current(plan):
    wire = plan.wires[0]
    along = np.array([0.0, wire.length])
    ax = draw_plan(plan.scene(), currents={wire.name: (along, np.array([1.0, 0.25]))}, legend=False)
    lines: Any = ax.collections[0]
    widths = np.asarray(lines.get_linewidths())
    assert widths[0] > 3.0 * widths[-1] > 0
    assert np.all(np.diff(widths) < 0)


def test_views_of_a_bare_scene(plan):
    scene = plan.scene()
    assert draw_section(scene).get_xlabel() == "y [m]"
    assert draw_section(scene, along_ridge=True).get_xlabel() == "x [m]"
    assert draw_3d(scene, currents={"long": (np.array([0.0, 9]), np.array([1.0, 0]))}).lines


@pytest.mark.parametrize("length", ["11.3 m", "25 m", "13 m"])
def test_the_view_is_not_cut_off(length):
    plan = read_attic_text(TEXT.replace('"11.3 m", "7', f'"{length}", "7'), other_tables=OTHERS)
    figure = draw_attic(plan)
    figure.savefig(io.BytesIO(), dpi=50)
    ax: Any = figure.axes[3]
    corners = np.concatenate([np.column_stack(line.get_data_3d()) for line in ax.lines])
    x, y, _ = proj3d.proj_transform(corners[:, 0], corners[:, 1], corners[:, 2], ax.get_proj())
    seen = ax.transData.transform(np.column_stack([x, y]))
    assert ax.bbox.x0 <= seen[:, 0].min()
    assert seen[:, 0].max() <= ax.bbox.x1
    assert ax.bbox.y0 <= seen[:, 1].min()
    assert seen[:, 1].max() <= ax.bbox.y1


@pytest.mark.parametrize("is_open", ["true", "false"])
def test_an_opening_is_no_feed(is_open):
    text = f"""{TEXT}
[[loop]]
name = "ring"
points = [["6 m", "5 m", "0.4 m"], ["9 m", "5 m", "0.4 m"], ["9 m", "5.2 m", "0.6 m"]]
opening_at = "1.2 m"
open = {is_open}
"""
    ax = draw_plan(read_attic_text(text, other_tables=OTHERS))
    legend = ax.get_legend()
    assert legend is not None
    assert [t.get_text() for t in legend.get_texts()][-2:] == ["feed", "opening"]
    marked = {line.get_label(): line for line in ax.lines}
    assert np.asarray(marked["feed"].get_xydata())[0] == pytest.approx([3.1, 2.9])
    assert np.asarray(marked["opening"].get_xydata())[0] == pytest.approx([7.2, 5.0])
    assert marked["feed"].get_marker() != marked["opening"].get_marker()


def a_house() -> tuple[Any, ...]:
    """Three joists, three pairs of rafters behind one another, a board, a duct, cables, foil."""
    joists = [
        Timber(
            (x, 0, 5.3), (x, 7.7, 5.3), width=0.045, depth=0.195, name=f"joist {n}", group="joists"
        )
        for n, x in enumerate((1.0, 4.2, 9.0))
    ]
    rafters = [
        Timber((x, y, 5.75), (x, 3.85, 9.15), width=0.05, depth=0.15, name=f"rafter {x} {y}",
               group="rafters")
        for x in (1.0, 4.2, 9.0) for y in (0.0, 7.7)
    ]  # fmt: skip
    floor = [(0.0, 0.0, 5.1), (11.3, 0.0, 5.1), (11.3, 7.7, 5.1), (0.0, 7.7, 5.1)]
    board = Sheet(floor, thickness=0.0125, material="plasterboard", name="ceiling")
    duct = Duct([(5.0, 6.0, 5.9), (10.0, 6.0, 5.9)], width=0.4, height=0.2, name="fan duct")
    cables = [
        Cable([(1.5, y, 5.15), (9.5, y, 5.15)], gauge="1.5 mm2", name=f"cable {y}")
        for y in (5.0, 5.5)
    ]
    foil = Screen(
        [(2.0, 0.3, 5.12), (5.0, 0.3, 5.12), (5.0, 2.0, 5.12), (2.0, 2.0, 5.12)],
        seams=[((3.0, 0.3, 5.12), (3.0, 2.0, 5.12))], name="foil",
    )  # fmt: skip
    return (*joists, *rafters, board, duct, *cables, foil)


@pytest.fixture(scope="module")
def housed(plan):
    return plan.with_house(*a_house())


def extents(ax: Any, colour: str) -> np.ndarray:
    """Widths and heights of all patches of a colour, shape (n, 2). [m]"""
    found = [p.get_path().get_extents() for p in ax.patches if same(p.get_facecolor(), colour)]
    return np.array([[box.width, box.height] for box in found])


def same(one: Any, other: str) -> bool:
    return to_hex(one) == other


def test_timber_and_ducts_are_drawn_in_their_true_size(housed):
    ax: Any = draw_plan(housed)
    timber = extents(ax, TIMBER)
    assert len(timber) == 9  # joists, and rafters from above
    joists = timber[np.isclose(timber[:, 1], 7.7)]
    assert joists[:, 0] == pytest.approx([0.045] * 3, abs=1e-9)
    duct = metal_colours(housed.house)["fan duct"]
    assert extents(ax, duct) == pytest.approx(np.array([[5.4, 0.4]]), abs=1e-9)
    side: Any = draw_section(housed, along_ridge=True)
    assert extents(side, duct) == pytest.approx(np.array([[5.2, 0.2]]), abs=1e-9)


def test_rafters_behind_one_another_are_drawn_once(housed):
    ax: Any = draw_section(housed)
    sloping = [box for box in extents(ax, TIMBER) if box[1] > 3.0]
    assert len(sloping) == 2  # a pair stands for three


def test_wires_lie_over_the_house(housed, plan):
    for ax in (draw_plan(housed), draw_section(housed), draw_3d(housed)):
        shown: Any = ax
        colours = wire_colours(plan.wires)
        wires = [line for line in shown.lines if line.get_color() == colours["long"]]
        house = [line for line in shown.lines if line.get_color() in HOUSE_COLOURS]
        others = [*shown.patches, *shown.collections, *house]
        assert wires
        assert len(others) > 4
        assert min(w.get_zorder() for w in wires) > max(o.get_zorder() for o in others)


HOUSE_COLOURS = {c for shades in METAL_COLOURS.values() for c in shades}


def test_the_legend_names_the_house(housed, plan):
    ax: Any = draw_plan(housed)
    (legend,) = ax.artists
    names = [t.get_text() for t in legend.get_texts()]
    assert names == [
        "joists", "rafters", "ceiling: plasterboard", "foil", "seam", "fan duct", "cable 5.0",
        "cable 5.5",
    ]  # fmt: skip
    wires = [t.get_text() for t in ax.get_legend().get_texts()]
    assert wires == ["long", "cross", "short", "14 radials", "feed"]
    lines = dict(zip(names, legend.legend_handles, strict=True))
    assert lines["cable 5.0"].get_linestyle() != lines["cable 5.5"].get_linestyle()
    assert lines["seam"].get_linestyle() == "--"
    assert lines["fan duct"].get_linewidth() > 2 * lines["cable 5.0"].get_linewidth()
    many = [Cable([(x, 1, 5), (x, 2, 5)], gauge="14 AWG", name=f"c{x}") for x in range(1, 13)]
    assert list(house_handles(many)) == ["12 cables"]
    assert set(metal_colours(housed.house).values()).isdisjoint(wire_colours(plan.wires).values())


def test_a_scene_shows_metal_once_and_its_current_where_that_is_known(housed):
    scene = housed.with_house(*[p for p in housed.house if p.name == "cable 5.5"]).scene()
    colour = metal_colours(scene.house)["cable 5.5"]

    def cable(ax: Any) -> list[Any]:
        lines = [line for line in ax.lines if line.get_color() == colour]
        return [*lines, *[c for c in ax.collections if same(c.get_color()[0], colour)]]

    assert len(cable(draw_plan(scene))) == 1
    along = np.array([0.0, scene.wire("cable 5.5").length])
    shown = cable(draw_plan(scene, currents={"cable 5.5": (along, np.array([1.0, 0.3]))}))
    widths = [np.ptp(one.get_linewidth()) for one in shown if hasattr(one, "get_segments")]
    assert max(widths) > 1.0


def test_loads_and_chokes_are_marked():
    """Each where it is, on a wire of the plan or on the coax."""
    wires = [
        Wire([(0, 0, 5), (6, 1, 6)], radius=1e-3, name="long"),
        Wire([(0, 0, 5), (-3, 0.4, 5)], radius=1e-3, name="radial"),
    ]
    coax = Coax([(0, 0, 5), (0, -0.4, 5), (0, -0.4, 1)], diameter="4 mm", chokes=Choke(9.0, at=2.4))
    scene = Scene(
        wires, feed=Feed("long"), house=[coax], loads=Load("long", at="middle", impedance=5.0)
    )
    found = [point for what, point in drawing._feed_points(scene) if what == "load"]
    np.testing.assert_allclose(found, [[3.0, 0.5, 5.5], [0.0, -0.4, 3.0]], atol=1e-9)
    assert "load" in drawing.feed_marks(scene)
