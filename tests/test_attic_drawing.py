"""Drawings: what is on them, and that north points north."""

from importlib.resources import files
from typing import Any

import numpy as np
import pytest
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
