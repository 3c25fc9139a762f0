"""Loads: against impedances in wires, closed forms of circuits, and two-port algebra."""

from __future__ import annotations

import numpy as np
import pytest

from ridgepole.geometry import Feed, FeedError, GeometryError, Load, Scene, Wire, build_mesh
from ridgepole.materials import Conductor, Earth
from ridgepole.solver import answer, solve

FREQUENCY = 7.1e6
AVERAGE = Earth(13, 0.005)


class Inductor:
    """Made up: all that a load asks of an impedance."""

    def __init__(self, henries: float, ohms: float = 0.0) -> None:
        self.henries, self.ohms = henries, ohms

    def at(self, frequency):
        return self.ohms + 2j * np.pi * np.asarray(frequency) * self.henries


def bent(**kwargs):
    """A lopsided bent wire against two unlike ones."""
    wires = [
        Wire([(0, 0, 6), (0.2, 0, 8), (6.1, 0.4, 8.3)], radius=1e-3, name="long"),
        Wire([(0, 0, 6), (-3.7, 1.1, 6)], radius=1e-3, name="radial"),
        Wire([(0, 0, 6), (1.3, -4.4, 6)], radius=1e-3, name="other"),
    ]
    return Scene(wires, feed=Feed("long", at=0.0), earth=AVERAGE, **kwargs)


def test_a_load_is_a_terminated_feed():
    """The same gap told as a feed with a termination (rounding)."""
    ohms = 31.0 + 240.0j
    load = Load("long", at=3.3, impedance=ohms, name="coil")
    loaded = solve(bent(loads=[load]), FREQUENCY, tolerance=None)
    feeds = [Feed("long", at=0.0), Feed("long", at=3.3, name="coil", termination=ohms)]
    scene = Scene(bent().own_wires, feeds=feeds, earth=AVERAGE)
    fed = solve(scene, FREQUENCY, tolerance=None)
    assert loaded.impedance == pytest.approx(fed.impedance, rel=1e-12)
    assert loaded.budget.loads == pytest.approx(fed.budget.loads, rel=1e-12)
    assert loaded.port_impedance.shape == (1, 1)
    assert loaded.port_impedance[0, 0] == pytest.approx(loaded.impedance, rel=1e-12)
    assert fed.port_impedance.shape == (2, 2)


def test_a_load_of_no_ohms_is_not_there():
    """Against a mark there, whose mesh joins its elements (discretisation)."""
    shorted = bent(loads=[Load("long", at=3.3, impedance=0.0)])
    plain = Scene([w.with_marks(3.3) if w.name == "long" else w for w in shorted.own_wires],
                  feed=shorted.feed, earth=AVERAGE)  # fmt: skip
    found = solve(shorted, FREQUENCY, tolerance=None)
    assert found.impedance == pytest.approx(
        solve(plain, FREQUENCY, tolerance=None).impedance, rel=1e-3
    )
    assert found.budget.loads == pytest.approx(0.0, abs=1e-15)


def test_gaps_at_one_node_must_be_independent():
    with pytest.raises(FeedError, match=r"'feed' and 'load of radial' share .* not independent"):
        bent(loads=[Load(["radial", "other"], at=0.0, impedance=5.0)])


def test_load_by_two_port_algebra_over_frequency():
    """From the impedance matrix of the two gaps: Z11 - Z12 Z21/(Z22 + Z_L) (rounding)."""
    frequencies = np.array([3.6e6, 7.1e6, 10.12e6])
    part = Inductor(5.1e-6, 3.0)
    feeds = [Feed("long", at=0.0), Feed("radial", at=1.2, name="gap", termination="open")]
    open_gap = Scene(bent().own_wires, feeds=feeds, earth=AVERAGE)
    mesh = build_mesh(open_gap, frequencies.max())
    z = solve(open_gap, frequencies, mesh=mesh).port_impedance
    expected = z[:, 0, 0] - z[:, 0, 1] * z[:, 1, 0] / (z[:, 1, 1] + part.at(frequencies))
    scene = bent(loads=[Load("radial", at=1.2, impedance=part, name="coil")])
    found = solve(scene, frequencies, mesh=mesh)
    np.testing.assert_allclose(found.impedance, expected, rtol=1e-9)
    current = found.load_currents(power=25.0)["coil"]
    lost = found.load_losses["coil"]
    np.testing.assert_allclose(25.0 * lost, np.abs(current) ** 2 * 3.0, rtol=1e-9)
    np.testing.assert_allclose(found.current("radial", 1.2, power=25.0), current, rtol=1e-6)


def test_budget_closes_with_loads_and_names_them():
    scene = bent(
        loads=[
            Load("long", at=4.0, impedance=Inductor(3e-6, 8.0), name="coil"),
            Load("other", at="2 m", impedance=50.0, name="resistor"),
        ]
    )
    wires = [Wire(w.points, radius=w.radius, name=w.name, conductor=Conductor.named("copper"))
             for w in scene.own_wires]  # fmt: skip
    solution = solve(scene.with_wires(wires), FREQUENCY, tolerance=None)
    assert solution.balance_error < 1e-6
    parts = solution.budget.parts_of("loads")
    assert set(parts) == {"coil", "resistor"}
    assert sum(parts.values()) == pytest.approx(solution.budget.loads, rel=1e-12)
    assert solution.budget.loads > 0.05


def test_loads_in_an_answer():
    scene = bent(loads=[Load("long", at=3.3, impedance=Inductor(3e-6, 8.0), name="coil")])
    found = answer(scene, ["7.0-7.2 MHz"], tolerance=None, progress=False)
    direct = solve(scene, 7.1e6, mesh=build_mesh(scene, 7.2e6))
    centre = found.bands[0].centre
    assert centre.impedance == pytest.approx(direct.impedance, rel=1e-6)
    assert found.bands[0].budget.parts_of("loads")["coil"] > 0.01


def test_moved_and_scaled_scenes_keep_their_loads():
    scene = bent(loads=Load("long", at=3.0, impedance=10.0))
    assert scene.scaled(2.0).loads[0].at == pytest.approx(6.0)
    assert scene.translated((1, 0, 0)).loads == scene.loads
    assert scene.with_loads().loads == ()
    assert "Load('long' at 3 m, 'load of long', 10+0j ohm)" in repr(scene.loads)


def test_bad_loads():
    with pytest.raises(FeedError, match="negative resistance"):
        Load("long", at=1.0, impedance=-3.0)
    with pytest.raises(FeedError, match="has the impedance None"):
        Load("long", at=1.0, impedance=None)  # pyright: ignore[reportArgumentType]
    with pytest.raises(FeedError, match=r"has the impedance '3 ohm'"):
        Load("long", at=1.0, impedance="3 ohm")  # pyright: ignore[reportArgumentType]
    with pytest.raises(FeedError, match=r"no wire 'lung'.*long"):
        bent(loads=[Load("lung", at=1.0, impedance=3.0)])
    with pytest.raises((FeedError, GeometryError), match="off the end"):
        bent(loads=[Load("long", at=99.0, impedance=3.0)])
    with pytest.raises(FeedError, match="takes Load objects"):
        bent(loads=[Feed("long", at=1.0)])
    with pytest.raises(FeedError, match="More than one"):
        bent(loads=[Load("long", at=1.0, impedance=3.0), Load("long", at=2.0, impedance=3.0)])
    active = bent(loads=[Load("long", at=1.0, impedance=Inductor(1e-6, -5.0))])
    with pytest.raises(FeedError, match=r"resistance is -5 ohm at 7.1 MHz"):
        print(solve(active, FREQUENCY).impedance)
