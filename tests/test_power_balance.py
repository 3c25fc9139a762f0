"""Input power against sky, earth and heat, each computed by itself, over real earth."""

from __future__ import annotations

from importlib.resources import as_file, files

import numpy as np
import pytest

from ridgepole.geometry import Feed, Scene, Wire
from ridgepole.materials import Conductor, Earth
from ridgepole.solver import read_attic, solve

COPPER = Conductor.named("annealed copper")


def bent_wire(height: float) -> Scene:
    """A crooked copper wire, every stretch another way."""
    points = [
        (0, 0, height + 1.3),
        (4.1, 0.7, height),
        (5.2, 5.9, height + 2.4),
        (3.0, 8.8, height),
    ]
    wire = Wire(points, radius=0.9e-3, conductor=COPPER, name="crooked")
    return Scene(wire, feed=Feed("crooked", at=3.3), earth=Earth(13, 0.005))


def three_wires(height: float) -> Scene:
    """Two unlike elements and one radial; nothing symmetric, one wire thick."""
    hub = (0.4, -0.3, height)
    wires = [
        Wire([hub, (1.0, 0.2, height + 1.9), (6.3, 2.8, height + 2.2)], radius=1e-3, name="one"),
        Wire([hub, (-0.6, 0.5, height + 1.1), (-2.9, -3.8, height + 1.4)], radius=6e-3, name="two"),
        Wire([hub, (3.1, -4.4, height)], radius=0.7e-3, conductor=COPPER, name="radial"),
    ]
    return Scene(wires, feed=Feed(("one", "two"), at=0.0), earth=Earth(5, 0.001))


def terminated_loop(height: float) -> Scene:
    """A sloping loop with a resistor in it, over sea water."""
    points = [(0, 0, height), (5, 1, height + 1), (6, 5, height + 2), (-1, 4, height + 0.5)]
    wire = Wire([*points, points[0]], radius=1.2e-3, conductor=COPPER, name="loop")
    feeds = [Feed("loop", at=1.1, name="in"), Feed("loop", at=12.0, name="load", termination=220.0)]
    return Scene(wire, feeds=feeds, earth=Earth(80, 5.0))


SCENES = (bent_wire, three_wires, terminated_loop)


@pytest.mark.parametrize("frequency", [3.6e6, 14.1e6, 28.5e6])
@pytest.mark.parametrize("make", SCENES)
def test_budget_closes_one_metre_up(make, frequency):
    # Tolerance class: quadrature and table interpolation.
    solution = solve(make(1.0), frequency)
    assert solution.balance_error < 1e-5
    assert solution.budget.earth > 1e-4


@pytest.mark.parametrize("frequency", [3.6e6, 28.5e6])
@pytest.mark.parametrize("make", SCENES)
@pytest.mark.parametrize("height", [0.1, 0.4])
def test_budget_closes_low_down(make, frequency, height):
    # Tolerance class: quadrature and table interpolation, images near.
    assert solve(make(height), frequency).balance_error < 1e-3


@pytest.mark.parametrize("frequency", [3.65e6, 10.12e6, 28.5e6])
def test_shipped_example_closes(frequency):
    # Tolerance class: quadrature and table interpolation.
    example = files("ridgepole.geometry") / "examples" / "gable-house.toml"
    with as_file(example) as path:
        plan = read_attic(path)
    assert solve(plan.scene(), frequency).balance_error < 1e-5


def test_every_term_is_there():
    solution = solve(terminated_loop(1.0), 14.1e6)
    terms = solution.budget.as_dict()
    for name in ("radiated", "earth", "conductors", "loads"):
        assert terms[name] > 1e-5, name
    assert terms["jackets"] == terms["timbers"] == 0.0
    assert np.isclose(sum(terms.values()), 1.0, atol=1e-5)
