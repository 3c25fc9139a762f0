"""What `solve` and `Solution` refuse, and that the refusal says what to do."""

from __future__ import annotations

import numpy as np
import pytest

from ridgepole.geometry import Feed, GeometryError, Scene, Wire, build_mesh
from ridgepole.materials import Earth
from ridgepole.solver import SolverError, solve

ROD = Wire([(0, 0, -5.0), (0, 0, 5.0)], radius=1e-3, name="rod")
SCENE = Scene(ROD, feed=Feed("rod", at=5.0))


def level(height: float, **options) -> Scene:
    wire = Wire([(-5, 0, height), (5, 0, height)], radius=1e-3, name="level")
    return Scene(wire, feed=Feed("level", at=5.0), **options)


OTHERS = {
    "feed elsewhere": Scene(ROD, feed=Feed("rod", at=4.0)),
    "one wire more": Scene([ROD, ROD.translated((2, 0, 0)).renamed("b")], feed=Feed("rod", at=5.0)),
    "thicker": Scene(
        Wire([(0, 0, -5.0), (0, 0, 5.0)], radius=2e-3, name="rod"), feed=Feed("rod", at=5.0)
    ),
    "moved": SCENE.translated((0, 1, 0)),
}


@pytest.mark.parametrize("name", OTHERS)
def test_mesh_of_another_scene_is_refused(name):
    mesh = build_mesh(SCENE, 14.2e6)
    assert solve(SCENE, 14.2e6, mesh=mesh).mesh is mesh
    with pytest.raises(SolverError, match="does not belong to this scene"):
        solve(OTHERS[name], 14.2e6, mesh=mesh)


def test_mesh_and_settings_for_one_are_refused_together():
    with pytest.raises(SolverError, match="Give either"):
        solve(SCENE, 14.2e6, mesh=build_mesh(SCENE, 14.2e6), degree=3)


@pytest.mark.parametrize(
    "settings",
    [
        {"longest_element": 1e-9},
        {"longest_element": 0.6},
        {"longest_element": np.nan},
        {"degree": 2.5},
        {"degree": True},
        {"degree": 0},
        {"degree": 9},
        {"raise_degree": -1},
        {"raise_degree": 1.5},
        {"tip_radii": (np.nan,)},
        {"tip_radii": (-1.0,)},
    ],
)
def test_mesh_settings_out_of_range(settings):
    with pytest.raises(GeometryError, match=r"must|give positive"):
        solve(SCENE, 14.2e6, **settings)


@pytest.mark.parametrize("tolerance", [0, -1, 1, 5, np.nan, "fine"])
def test_tolerance_out_of_range(tolerance):
    with pytest.raises(SolverError, match="between 0 and 1"):
        solve(SCENE, 14.2e6, tolerance=tolerance)


@pytest.mark.parametrize(
    "frequency", [0, -14e6, np.nan, 1e9, 14.2, [], [14e6, np.inf], "high", None]
)
def test_frequency_out_of_range(frequency):
    with pytest.raises(GeometryError, match=r"[Ff]requency"):
        solve(SCENE, frequency)


def test_frequency_table_is_refused():
    with pytest.raises(SolverError, match="flat list"):
        solve(SCENE, [[14e6], [15e6]])


def test_thinnest_radius():
    with pytest.raises(GeometryError, match="at least"):
        Wire([(0, 0, -5.0), (0, 0, 5.0)], radius=1e-100, name="rod")
    thin = Wire([(0, 0, -5.0), (0, 0, 5.0)], radius=1e-15, name="rod")
    assert 60 < solve(Scene(thin, feed=Feed("rod", at=5.0)), 14.2e6).impedance.real < 70


def test_point_at_the_end_of_the_world():
    with pytest.raises(GeometryError, match="point 2"):
        Wire([(0, 0, 0), (0, 0, 1e300)], radius=1e-3, name="rod")


def test_wire_too_low_over_earth():
    low = level(2e-3, earth=Earth(13, 0.005))
    with pytest.raises(GeometryError, match="Raise it"):
        solve(low, 14.2e6)
    assert np.isfinite(solve(level(2e-3), 14.2e6).impedance)
    assert np.isfinite(solve(level(0.02, earth=Earth(13, 0.005)), 14.2e6).impedance)


def test_earth_of_air_is_free_space():
    # Tolerance class: quadrature.
    over = solve(level(1.0, earth=Earth(1.0, 0.0)), 14.2e6)
    free = solve(level(1.0), 14.2e6)
    assert np.isclose(over.impedance, free.impedance, rtol=1e-9)
    assert np.isclose(
        over.far_field().gain_dbi(40, 90), free.far_field().gain_dbi(40, 90), atol=1e-6
    )


def test_resistance_below_resolution_is_said():
    side = 0.01
    corners = [(-side, -side, 0), (side, -side, 0), (side, side, 0), (-side, side, 0)]
    loop = Wire([*corners, corners[0]], radius=1e-4, name="loop")
    solution = solve(Scene(loop, feed=Feed("loop", at=0.005)), 1e5)
    # L of the loop is near 0.06 microhenry: the reactance is good.
    assert 0.01 < solution.impedance.imag < 0.1
    with pytest.raises(SolverError, match="can be resolved"):
        _ = solution.budget


@pytest.mark.parametrize("value", [0, -1, np.nan, np.inf, "much"])
def test_power_and_reference(value):
    solution = solve(SCENE, 14.2e6)
    for call in (
        lambda: solution.currents(power=value),
        lambda: solution.feed_current(power=value),
        lambda: solution.feed_voltage(power=value),
        lambda: solution.electric_field([[1.0, 0, 0]], power=value),
        lambda: solution.swr(value),
        lambda: solution.s_parameters(value),
    ):
        with pytest.raises(SolverError, match="positive"):
            call()


def test_index_and_place():
    several = solve(SCENE, [14.0e6, 14.1e6, 14.2e6])
    assert several[-1].frequency == several[2].frequency == 14.2e6
    assert np.array_equal(several[-2].port_currents, several[1].port_currents)
    with pytest.raises(IndexError):
        several[3]
    for bad in (slice(0, 2), True, "0"):
        with pytest.raises(SolverError, match="whole number"):
            several[bad]  # pyright: ignore[reportArgumentType]
    with pytest.raises(SolverError, match="there are 3"):
        several.currents(5)
    with pytest.raises(SolverError, match="'rod' has no point at 11 m"):
        several.current("rod", 11.0)
