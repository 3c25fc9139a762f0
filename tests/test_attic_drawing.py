"""Drawings: what is on them, and that north points north."""

import io
from importlib.resources import files
from typing import Any

import numpy as np
import pytest
from mpl_toolkits.mplot3d import proj3d

from ridgepole.geometry import read_attic_text
from ridgepole.geometry.drawing import (
    draw_3d,
    draw_attic,
    draw_plan,
    draw_section,
    wire_colours,
)

TEXT = (files("ridgepole.geometry") / "examples" / "gable-house.toml").read_text("utf-8")


@pytest.fixture(scope="module")
def plan():
    return read_attic_text(TEXT, other_tables=("bands",))


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
        read_attic_text(
            TEXT.replace("bearing = 118", f"bearing = {ridge}"), other_tables=("bands",)
        )
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
    plan = read_attic_text(TEXT.replace('"11.3 m", "7', f'"{length}", "7'), other_tables=("bands",))
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
    ax = draw_plan(read_attic_text(text, other_tables=("bands",)))
    legend = ax.get_legend()
    assert legend is not None
    assert [t.get_text() for t in legend.get_texts()][-2:] == ["feed", "opening"]
    marked = {line.get_label(): line for line in ax.lines}
    assert np.asarray(marked["feed"].get_xydata())[0] == pytest.approx([3.1, 2.9])
    assert np.asarray(marked["opening"].get_xydata())[0] == pytest.approx([7.2, 5.0])
    assert marked["feed"].get_marker() != marked["opening"].get_marker()
