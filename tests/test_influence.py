"""What each piece of the house does: equal to leaving it out, its resonances, watts and cost.

References are systems built anew from the remaining elements or solids; closed forms are named
where they are used.
"""

import json
import time
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from scipy.optimize import brentq
from small_attic import ATTIC

from ridgepole.geometry import Feed, Scene, Wire, build_mesh
from ridgepole.geometry.mesh import FeedNode, Mesh
from ridgepole.materials import Earth, Wood
from ridgepole.solver import (
    SolverError,
    answer,
    compare,
    influence,
    open_answer,
    read_attic,
    solve,
)
from ridgepole.solver.bands import Band
from ridgepole.solver.currents_along import named_point_readings
from ridgepole.solver.fields.far import FINE, FarField
from ridgepole.solver.fields.near import scalar_potential
from ridgepole.solver.fields.radiation import PowerByAngle
from ridgepole.solver.solution import Solution
from ridgepole.solver.study import elimination
from ridgepole.solver.study.elimination import FactoredSystem, elements_of, lost_ports
from ridgepole.solver.study.resonance import Curve, points_about, reference_of, shift_of
from ridgepole.solver.surround.cells import CellRule
from ridgepole.solver.system import System
from ridgepole.solver.views import command
from ridgepole.solver.views.influence_page import influence_columns, influence_form

AVERAGE = Earth(relative_permittivity=13, conductivity=0.005)
FREQUENCY = 14.2e6

ROUNDING = 1e-8
"""Tolerance class rounding: the same equations, solved another way."""


@dataclass(frozen=True, eq=False)
class Box:
    """A straight solid, as the solver takes them; of wood, or of a given permittivity."""

    start: tuple[float, float, float]
    end: tuple[float, float, float]
    size: tuple[float, float]
    group: str
    kind: str = "timber"
    wood: Wood | None = None
    constant: complex = 1.0

    @property
    def frame(self) -> np.ndarray:
        along = np.subtract(self.end, self.start)
        along = along / np.linalg.norm(along)
        up = np.array([0.0, 0.0, 1.0])
        up = up - up @ along * along
        up /= np.linalg.norm(up)
        return np.array([along, np.cross(up, along), up])

    @property
    def center(self) -> np.ndarray:
        return 0.5 * np.add(self.start, self.end)

    @property
    def half(self) -> np.ndarray:
        length = np.linalg.norm(np.subtract(self.end, self.start))
        return 0.5 * np.array([length, *self.size])

    @property
    def stuff(self) -> Any:
        return self.wood or self.constant

    def permittivity(self, frequency: float) -> np.ndarray:
        if self.wood is None:
            return np.full(3, self.constant)
        along = complex(self.wood.permittivity_along(frequency))
        across = complex(self.wood.permittivity_across(frequency))
        return np.array([along, across, across])

    def filled(self, rows: np.ndarray) -> np.ndarray:
        return np.ones(len(rows))

    def with_wood(self, wood: Wood) -> "Box":
        return replace(self, wood=wood)


class Housed(Scene):
    """A scene with solids."""

    solids: tuple[Box, ...] = ()  # pyright: ignore[reportIncompatibleVariableOverride]


def housed(wires: list[Wire], solids: tuple[Box, ...] = (), **rest: Any) -> Scene:
    scene = Housed(wires, **rest)
    object.__setattr__(scene, "solids", solids)
    return scene


HUB = (0.0, 0.0, 5.0)


def wires(*, long: float = 7.1) -> list[Wire]:
    """A lopsided antenna; cable 1 hangs on radial 2, cable 2 on cable 1, the others float."""
    return [
        Wire([HUB, (0.6, 0.2, 7.0), (long, 1.5, 7.4)], radius=9e-4, name="long",
             conductor="annealed copper"),
        Wire([HUB, (-1.2, 0.9, 6.5), (-1.5, 3.4, 6.2)], radius=6e-4, name="short"),
        Wire([HUB, (3.9, 0.3, 5.1)], radius=7e-4, name="radial 1"),
        Wire([(-3.2, -2.6, 5.0), HUB], radius=7e-4, name="radial 2"),
        Wire([HUB, (0.4, -4.4, 4.9)], radius=7e-4, name="radial 3"),
        Wire([(-3.2, -2.6, 5.0), (-2.9, 2.0, 5.2)], radius=2e-3, name="run", piece="cable 1"),
        Wire([(-2.9, 2.0, 5.2), (-2.9, 2.0, 6.0)], radius=2e-3, name="drop", piece="cable 2",
             named_points={"thermostat": "end"}),
        Wire([(-2.9, 2.0, 5.2), (-2.4, 3.0, 5.2), (-1.4, 3.0, 5.3)], radius=2e-3, name="spur",
             piece="cable 3"),
        Wire([(1.0, -2.0, 5.6), (4.0, 2.2, 5.6)], radius=3e-3, name="duct", piece="duct",
             conductor="aluminium", named_points={"damper": 2.0}),
    ]  # fmt: skip


JOISTS = tuple(
    Box((x, -4.0, 4.87), (x, 4.0, 4.87), (0.045, 0.195), "joists", wood=Wood(moisture=0.13))
    for x in (-2.6, -1.3, 0.2, 1.4)
)
RIDGE = Box((-4.0, 0.7, 7.9), (5.0, 0.7, 7.9), (0.04, 0.2), "ridge", wood=Wood("oak"))
CEILING = Box((-4.0, 0.0, 4.74), (5.0, 0.0, 4.74), (8.0, 0.0125), "ceiling", kind="sheet",
              constant=2.7 - 0.09j)  # fmt: skip
SOLIDS = (*JOISTS, RIDGE, CEILING)
FEED = Feed(["long", "short"])


@lru_cache
def furnished(*, far_joists_only: bool = False) -> tuple[Scene, System]:
    """Antenna, metal and solids over average earth; cells that do not depend on wires."""
    solids = JOISTS[2:] if far_joists_only else SOLIDS
    scene = housed(wires(), solids, feed=FEED, earth=AVERAGE)
    mesh = build_mesh(scene, FREQUENCY)
    return scene, System.from_scene(scene, mesh, rule=CellRule(1.0, 0.6, 1.0))


def less(mesh: Mesh, gone: np.ndarray) -> Mesh:
    """The mesh without some elements, all others as they are."""
    kept = np.setdiff1d(np.arange(len(mesh)), gone)
    number = {int(old): new for new, old in enumerate(kept)}
    return replace(
        mesh, start=mesh.start[kept], end=mesh.end[kept], radius=mesh.radius[kept],
        degree=mesh.degree[kept], wire=mesh.wire[kept], element_nodes=mesh.element_nodes[kept],
        free_end=mesh.free_end[kept], runs=(),
        feeds=tuple(
            FeedNode(f.node, tuple((number[e], side) for e, side in f.group_a if e in number))
            for f in mesh.feeds
        ),
    )  # fmt: skip


def built_without(system: System, piece: str) -> System:
    """A system from the remaining elements, or from the remaining solids."""
    scene: Any = system.scene
    rule = CellRule(1.0, 0.6, 1.0)
    elements = elements_of(system, piece)
    if elements.size:
        return System.from_scene(scene, less(system.mesh, elements), rule=rule)
    left = tuple(solid for solid in scene.solids if solid.group != piece)
    return System.from_scene(
        housed(list(scene.wires), left, feeds=scene.feeds, earth=scene.earth),
        system.mesh, rule=rule,
    )  # fmt: skip


def solution_of(system: System, frequency: float) -> Solution:
    """A solution on exactly this system."""
    ports = system.solve(frequency)
    return Solution(
        system, frequency, ports.currents[None], ports.admittance[None], ports.estimate[None],
        ports.element_estimate[None],
    )  # fmt: skip


# --- leaving out ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "piece",
    [
        "duct",  # floats
        "cable 1",  # bonded to the counterpoise and to two other pieces
        "cable 2",  # bonded to another piece
        "cable 3",
    ],
)
def test_metal_left_out_is_a_system_without_it(piece: str):
    # Far joists only: the fine points within a cell are laid by all wires near it, so a system
    # built anew has others where a piece that went had laid some (1e-7 of the admittance under
    # cable 1).
    _, system = furnished(far_joists_only=True)
    whole = FactoredSystem.at(system, FREQUENCY)
    elements = elements_of(system, piece)
    found = whole.without_elements([elements])[0]
    local = system.prepared.basis.combination @ found
    offset = system.prepared.basis.offset
    own = np.concatenate([np.arange(int(offset[e]), int(offset[e + 1])) for e in elements])
    assert np.abs(local[own]).max() < ROUNDING * np.abs(local).max()

    expected = built_without(system, piece).solve(FREQUENCY)
    admittance = system.ports.T @ found
    change = abs(expected.admittance[0, 0] / (system.ports.T @ whole.currents)[0, 0] - 1.0)
    assert change > 1e-4  # it does something
    np.testing.assert_allclose(admittance, expected.admittance, rtol=ROUNDING)


def test_pieces_that_met_stay_joined():
    """Cables 2 and 3 still pass current to each other where cable 1 has gone."""
    _, system = furnished()
    found = FactoredSystem.at(system, FREQUENCY).without_elements([elements_of(system, "cable 1")])
    coefficients = system.prepared.basis.legendre_currents(found[0][:, 0], system.mesh.degree)
    names = [wire.name for wire in system.scene.wires]

    def at_start(wire: str) -> complex:
        element, xi, direction = system.mesh.locate(names.index(wire), 0.0)
        value = np.polynomial.legendre.legval(xi, coefficients[element])
        return complex(direction * value)

    assert abs(at_start("drop")) > 1e-8
    assert abs(at_start("drop") + at_start("spur")) < ROUNDING * abs(at_start("drop"))


@pytest.mark.parametrize("group", ["joists", "ridge", "ceiling"])
def test_solids_left_out_are_a_system_without_them(group: str):
    _, system = furnished()
    whole = FactoredSystem.at(system, FREQUENCY)
    bodies = whole.volume.cells.bodies
    own = [b for b, body in enumerate(bodies) if body.group == group]
    found = system.ports.T @ whole.with_solids_of(whole.volume.without(own))
    expected = built_without(system, group).solve(FREQUENCY).admittance
    assert abs(expected[0, 0] / (system.ports.T @ whole.currents)[0, 0] - 1.0) > 1e-5
    np.testing.assert_allclose(found, expected, rtol=ROUNDING)


def test_a_matrix_of_its_own_where_iteration_fails(monkeypatch: pytest.MonkeyPatch):
    _, system = furnished()
    whole = FactoredSystem.at(system, FREQUENCY)
    nothing = whole.volume.without(range(len(whole.volume.cells.bodies)))
    expected = whole.with_solids_of(nothing)
    monkeypatch.setattr(elimination, "GMRES_STEPS", 1)
    found = whole.with_solids_of(nothing)
    assert np.abs(found - expected).max() > 0.0  # it went the other way
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-10 * np.abs(expected).max())


def test_several_ports_and_a_load_on_the_piece():
    """Two driven feeds and a load in the duct, which goes with it."""
    own = wires()
    own[-1] = replace(own[-1], marks=(1.7,))
    feeds = [FEED, Feed("radial 3", at=2.0, name="second", voltage=0.3 - 0.8j),
             Feed("duct", at=1.7, name="choke", termination=40 + 90j)]  # fmt: skip
    scene = housed(own, feeds=feeds, earth=AVERAGE)
    system = System.from_scene(scene, build_mesh(scene, FREQUENCY))
    duct = elements_of(system, "duct")
    assert lost_ports(system, duct) == [2]
    found = influence(scene, [Band("a", 14.0e6, 14.4e6)], tolerance=None, progress=False)
    mesh = less(build_mesh(scene, 14.4e6), elements_of(system, "duct"))
    mesh = replace(mesh, feeds=mesh.feeds[:2])
    rest = System.from_scene(housed(own[:-1], feeds=feeds[:2], earth=AVERAGE), mesh)
    expected = solution_of(rest, FREQUENCY)
    state = found.row("duct", "a").without
    assert abs(state.impedance / complex(expected.impedance) - 1.0) < ROUNDING
    # Tolerance class quadrature: directions of the coarse grid.
    assert abs(state.efficiency / expected.far_field().radiated - 1.0) < 1e-6


def test_what_the_antenna_cannot_do_without_has_a_reason_and_no_number():
    own = [wire if not wire.name.startswith("radial") else replace(wire, piece="mesh of the floor")
           for wire in wires()]  # fmt: skip
    scene = housed(own, feed=FEED, earth=AVERAGE)
    found = influence(scene, [Band("a", 14.0e6, 14.4e6)], tolerance=None)
    row = found.row("mesh of the floor", "a")
    assert row.reason.startswith("feed 'feed' on 'long' has nothing on one side")
    assert np.isnan(row.without.impedance)
    assert np.isnan(row.effect)
    assert np.isnan(row.shift.by)
    assert found.rows[-1] is row
    assert found.ranking[-1][0] == row.piece
    assert row.current > 0.0
    assert row.reason in str(found)
    form = json.dumps(influence_form(found), allow_nan=False)
    assert row.reason in form


# --- watts and angles -------------------------------------------------------------------------


@pytest.mark.parametrize("earth", [None, Earth.perfect(), AVERAGE], ids=["free", "perfect", "real"])
@pytest.mark.parametrize("frequency", [3.6e6, 28.5e6])
def test_powers_by_angle_are_those_of_the_far_field(earth: Earth | None, frequency: float):
    scene = housed(wires(), SOLIDS, feed=FEED, earth=earth)
    system = System.from_scene(scene, build_mesh(scene, frequency))
    solution = solution_of(system, frequency)
    far = solution.far_field()
    edges = [-90.0 if earth is None else 0.0, 30.0, 60.0, 90.0]
    volume = system.volume
    assert volume is not None
    means = volume.means(system.solid_fields(frequency)).T @ solution.driven_unknowns()[:, None]
    moments = volume.cell_moments(means, frequency)
    currents = solution.currents().current
    # A second current in the same product must not disturb the first.
    both = np.stack([currents, 0.3j * currents])
    grid = PowerByAngle.of(far, edges)
    assert grid.sine.size < 0.6 * sum(far.directions(a, b)[0].size for a, b in
                                      zip(np.sin(np.deg2rad(edges[:-1])),
                                          np.sin(np.deg2rad(edges[1:])), strict=True))  # fmt: skip
    powers = grid.powers(both, cells=volume.cells, moments=np.repeat(moments, 2, axis=2))
    # Tolerance class quadrature.
    assert abs(powers[0].sum() / far.radiated - 1.0) < 1e-6
    for power, low, high in zip(powers[0], edges[:-1], edges[1:], strict=True):
        assert abs(power / far.radiated - far.share(low, high)) < 1e-6
    wires_only = grid.powers(both)
    np.testing.assert_allclose(wires_only[1], 0.09 * wires_only[0], rtol=1e-12)
    assert abs(wires_only[0].sum() / powers[0].sum() - 1.0) > 1e-5  # solids count


def test_polynomials_radiate_what_the_far_field_adds_up():
    _, system = furnished()
    solution = solution_of(system, FREQUENCY)
    far = FarField(solution.currents(), FREQUENCY, AVERAGE)
    grid = PowerByAngle.of(far, [0.0, 41.0, 90.0], spare=FINE)
    elevation = np.rad2deg(np.arcsin(grid.sine))
    theta, phi = far.amplitudes(elevation, np.rad2deg(grid.azimuth))
    scale = np.abs(theta).max()
    unit = theta[3] / (grid.theta[3] @ far.currents.current.ravel())
    found = grid.theta @ far.currents.current.ravel() * unit
    np.testing.assert_allclose(found, theta, rtol=0, atol=1e-12 * scale)
    found = grid.phi @ far.currents.current.ravel() * unit
    np.testing.assert_allclose(found, phi, rtol=0, atol=1e-12 * scale)


# --- the whole way ----------------------------------------------------------------------------


@lru_cache
def studied() -> Any:
    scene, _ = furnished()
    band = Band("a", 14.1e6, 14.3e6)
    return influence(scene, [band], tolerance=None, name="attic", progress=False)


def study_system(scene: Scene) -> System:
    return System.from_scene(scene, build_mesh(scene, 14.3e6))


@pytest.mark.parametrize("piece", ["duct", "cable 2", "joists", "ceiling"])
def test_rows_are_those_of_solves_without_the_piece(piece: str):
    scene, _ = furnished()
    system = study_system(scene)
    row = studied().row(piece, "a")
    whole = solution_of(system, FREQUENCY)
    assert abs(row.whole.impedance / complex(whole.impedance) - 1.0) < ROUNDING
    elements = elements_of(system, piece)
    if elements.size:
        # Solids are cut finer near wires: a system built without the metal has other cells.
        states = FactoredSystem.at(system, FREQUENCY).without_elements([elements])[0]
        expected = replace_currents(whole, states)
        assert np.isnan(row.watts)
        sizes = [np.abs(whole.current(w.name, np.linspace(0, w.length, 301))).max()
                 for w in scene.wires if w.piece == piece]  # fmt: skip
        assert row.current == pytest.approx(max(sizes), rel=1e-3)
        name, at = row.current_at
        assert abs(whole.current(name, at)) == pytest.approx(row.current, rel=1e-9)
    else:
        left = tuple(s for s in SOLIDS if s.group != piece)
        rest = System.from_scene(
            housed(list(scene.wires), left, feed=FEED, earth=AVERAGE), system.mesh
        )
        expected = solution_of(rest, FREQUENCY)
        assert row.watts == pytest.approx(float(whole.solid_losses[piece]), rel=1e-9)
        assert np.isnan(row.current)
    far = expected.far_field()
    assert abs(row.without.impedance / complex(expected.impedance) - 1.0) < ROUNDING
    # Tolerance class quadrature: directions of the coarse grid.
    assert row.without.efficiency == pytest.approx(far.radiated, rel=1e-6)
    assert row.without.shares == pytest.approx(
        (far.share(0, 30), far.share(30, 60), far.share(60, 90)), abs=1e-6
    )


def replace_currents(solution: Solution, currents: np.ndarray) -> Solution:
    """The same system with other currents."""
    admittance = solution.system.ports.T @ currents
    return Solution(
        solution.system, solution.frequency, currents[None], admittance[None].astype(complex),
        solution.port_estimate, solution.element_estimate,
    )  # fmt: skip


@pytest.mark.parametrize("piece", ["duct", "joists"])
def test_shift_is_found_by_solving_without_the_piece(piece: str):
    """The shift against a root sought with solves of their own, metal without solids about."""
    scene: Any = furnished()[0]
    solids = () if piece == "duct" else SOLIDS
    scene = housed(list(scene.wires), solids, feed=FEED, earth=AVERAGE)
    row = influence(scene, [Band("a", 14.1e6, 14.3e6)], tolerance=None).row(piece, "a")
    system = study_system(scene)
    elements = elements_of(system, piece)
    if elements.size:
        rest = System.from_scene(scene, less(system.mesh, elements))
    else:
        left = tuple(s for s in solids if s.group != piece)
        rest = System.from_scene(
            housed(list(scene.wires), left, feed=FEED, earth=AVERAGE), system.mesh
        )
    wanted = row.resonance.reactance

    def reactance(system: System, frequency: float) -> float:
        return complex(1.0 / system.solve(frequency).admittance[0, 0]).imag

    assert reactance(system, row.resonance.frequency) == pytest.approx(wanted, abs=1e-2)
    low, high = 0.985 * FREQUENCY, 1.015 * FREQUENCY
    there: Any = brentq(lambda f: reactance(rest, f) - wanted, low, high, xtol=1.0)
    expected = row.resonance.frequency - there
    assert abs(row.shift.by) > 500.0  # Hz
    # Tolerance class discretisation: the curve through five points.
    assert row.shift.by == pytest.approx(expected, rel=0.01)
    assert row.shift_per_cent == pytest.approx(100 * row.shift.by / row.resonance.frequency)


def test_dry_and_wet_are_systems_of_such_timber():
    scene, _ = furnished()
    pair = studied().moisture
    assert [(row.dry_moisture, row.wet_moisture) for row in pair] == [(0.08, 0.24)]
    system = study_system(scene)
    for state, watts, moisture in (
        (pair[0].dry, pair[0].dry_watts, 0.08), (pair[0].wet, pair[0].wet_watts, 0.24),
    ):  # fmt: skip
        changed = tuple(
            s if s.wood is None else s.with_wood(s.wood.with_moisture(moisture)) for s in SOLIDS
        )
        rest = System.from_scene(
            housed(list(scene.wires), changed, feed=FEED, earth=AVERAGE), system.mesh
        )
        expected = solution_of(rest, FREQUENCY)
        assert abs(state.impedance / complex(expected.impedance) - 1.0) < ROUNDING
        assert state.efficiency == pytest.approx(expected.far_field().radiated, rel=1e-6)
        losses = expected.solid_losses
        assert watts == pytest.approx(float(losses["joists"] + losses["ridge"]), rel=1e-8)
    assert pair[0].wet_watts > 2.0 * pair[0].dry_watts
    assert pair[0].shift.by > 0.0  # water lowers the resonance


def test_rows_are_ranked_and_shown():
    found = studied()
    effects = [row.effect for row in found.rows]
    assert effects == sorted(effects, reverse=True)
    assert [row.rank for row in found.rows] == list(range(1, 8))
    assert [name for name, _ in found.ranking] == [row.piece for row in found.rows]
    assert {row.kind for row in found.rows} == {"metal", "timber", "sheet"}
    text = str(found)
    assert repr(found) == text
    assert text.startswith("What the house does, for attic")
    for piece in ("cable 1", "joists", "moisture"):
        assert piece in text
    assert max(len(line) for line in found.to_text(width=88).split("\n")) <= 88
    assert found._repr_html_().count("<tr>") == 8
    columns = influence_columns(found)
    assert {len(column) for column in columns.values()} == {7}
    ax = found.plot()
    widths = [patch.get_width() for patch in ax.patches]
    np.testing.assert_allclose(widths, [100.0 * effect for _, effect in found.ranking])
    assert "%" in ax.get_xlabel()
    with pytest.raises(SolverError, match="no piece 'chimney'"):
        found.row("chimney", "a")


def test_bad_input_is_told():
    bare = Scene(wires()[:5], feed=FEED, earth=AVERAGE)
    with pytest.raises(SolverError, match="no house"):
        influence(bare, "20 m", tolerance=None)
    scene, _ = furnished()
    with pytest.raises(SolverError, match="moistures"):
        influence(scene, "20 m", moistures=(0.2, 0.1))
    with pytest.raises(SolverError, match="angle_limits"):
        influence(scene, "20 m", angle_limits=(60.0, 30.0))
    with pytest.raises(SolverError, match="influence takes"):
        influence("attic.toml")  # pyright: ignore[reportArgumentType]


# --- resonance ---------------------------------------------------------------------------------

BAND = Band("a", 7.0e6, 7.2e6)


def circuit(points: np.ndarray, resonance: float, *, q: float = 12.0) -> np.ndarray:
    """A series circuit of 40 ohm."""
    return 40.0 * (1.0 + 1j * q * (points / resonance - resonance / points))


def test_shift_between_two_series_circuits():
    """Resonances at known frequencies: 7.15 MHz with, 7.06 MHz without (closed form)."""
    points = points_about(BAND)
    assert points[2] == BAND.centre
    whole, less_one = (Curve(points, circuit(points, f)) for f in (7.15e6, 7.06e6))
    reference = reference_of(whole)
    assert reference.is_resonance
    # Tolerance class discretisation.
    assert reference.frequency == pytest.approx(7.15e6, rel=1e-6)
    assert shift_of(reference, whole, less_one).by == pytest.approx(90e3, rel=1e-4)


def test_reactance_at_the_centre_where_there_is_no_resonance():
    """X = R q (f/f0 - f0/f), met without the piece at f0'/f0 times the frequency."""
    points = points_about(BAND)
    whole, less_one = (Curve(points, circuit(points, f)) for f in (9.0e6, 9.09e6))
    reference = reference_of(whole)
    assert not reference.is_resonance
    assert reference.frequency == BAND.centre
    assert shift_of(reference, whole, less_one).by == pytest.approx(-0.01 * 7.1e6, rel=1e-4)


def test_no_number_where_there_is_none():
    points = points_about(BAND)
    whole = Curve(points, circuit(points, 7.1e6))
    reference = reference_of(whole)
    far_off = shift_of(reference, whole, Curve(points, circuit(points, 8.9e6)))
    assert np.isnan(far_off.by)
    assert far_off.reason.startswith("without it the reactance is nowhere")
    kink = circuit(points, 7.05e6)
    for at in (6.84e6, 6.93e6, 7.29e6):
        kink += 60.0 / (1.0 + 150j * (points / at - at / points))
    fast = shift_of(reference, whole, Curve(points, kink))
    assert np.isnan(fast.by)
    assert fast.reason == "the reactance turns too fast to be followed"


# --- cost --------------------------------------------------------------------------------------


def test_forty_pieces_cost_a_few_solves():
    """30 cables and 10 groups, three solves at most: the best of six, other work disturbs it."""
    random = np.random.default_rng(7)
    own = wires()[:5]
    for k in range(30):
        x, y, turn = *random.uniform(-3.5, 3.5, 2), random.uniform(0.0, 2.0 * np.pi)
        step = np.array([np.cos(turn), np.sin(turn), 0.02]) * random.uniform(1.0, 3.0)
        start = np.array([x, y, 5.3 + 0.05 * k])
        own.append(Wire([start, start + step], radius=1e-3, name=f"w{k}", piece=f"cable {k}"))
    timbers = tuple(
        Box((x, -4.0, 4.87), (x, 4.0, 4.87), (0.045, 0.195), f"joists {k % 9}", wood=Wood())
        for k, x in enumerate(np.arange(-4.4, 4.5, 0.4))
    )
    scene = housed(own, (*timbers, CEILING), feed=FEED, earth=AVERAGE)
    system = System.from_scene(scene, build_mesh(scene, FREQUENCY))
    from ridgepole.solver.study.influence import _parts, _Variants

    parts = _parts(system)
    assert len(parts) == 40
    ratios = []
    for _ in range(6):
        began = time.perf_counter()
        system.solve(FREQUENCY)
        solved = time.perf_counter()
        _Variants.at(system, FREQUENCY, parts, ()).states([0.0, 30.0, 60.0, 90.0])
        ratios.append((time.perf_counter() - solved) / (solved - began))
    print(f"the whole and 40 pieces left out: {min(ratios):.2f} solves ({system.n_unknowns})")
    assert min(ratios) < 3.0


# --- named points ------------------------------------------------------------------------------


def test_named_points_in_an_answer(tmp_path: Path):
    scene, _ = furnished()
    plain = Scene(list(scene.wires), feed=FEED, earth=AVERAGE)
    found = answer(plain, ["14.1-14.3 MHz"], tolerance=None, power=60.0, progress=False)
    band = found.bands[0]
    assert [one.point for one in band.named_points] == ["thermostat", "damper"]
    direct = solve(plain, FREQUENCY, mesh=build_mesh(plain, 14.3e6))
    damper = band.named_point("damper")
    assert (damper.wire, damper.at, damper.is_open_end) == ("duct", 2.0, False)
    assert abs(damper.current) == pytest.approx(abs(direct.current("duct", 2.0, power=60.0)))
    assert np.isnan(damper.potential)
    end = band.named_point("thermostat")
    assert end.is_open_end
    assert abs(end.current) < 1e-9 * abs(damper.current)
    assert 1.0 < abs(end.potential) < 1e4
    text = str(found)
    assert "thermostat" in text
    assert "open end" in text
    assert "damper" in str(band)
    with pytest.raises(SolverError, match="'thermostat', 'damper'"):
        band.named_point("breaker")

    kept = found.save(tmp_path / "kept.h5")
    assert open_answer(kept) == found
    with h5py.File(kept, "r+") as file:  # as schema 2 wrote it
        file.attrs["schema"] = 2
        del file["answer/bands/0/named_points"]
    assert open_answer(kept).bands[0].named_points == ()


def test_layouts_ranked_by_the_current_at_a_point():
    answers = [
        answer(Scene(wires(long=size), feed=FEED, earth=AVERAGE), ["14.1-14.3 MHz", "7.0-7.1 MHz"],
               tolerance=None, name=name, error_estimate=False, progress=False)
        for name, size in (("reaching", 7.1), ("short", 4.3))
    ]  # fmt: skip
    found = compare(answers, point="damper")
    for row in found.rows:
        layout = next(one for one in answers if one.name == row.layout)
        expected = abs(layout.band(row.band).named_point("damper").current)
        assert row.point_current == pytest.approx(expected)
    for name in ("14.1-14.3 MHz", "7-7.1 MHz"):
        sizes = [row.point_current for row in found.rows if row.band.startswith(name[:2])]
        assert sizes == sorted(sizes)
        assert len(sizes) == 2
    by_hand = {
        name: np.mean([row.point_difference for row in found.rows if row.layout == name])
        for name in ("reaching", "short")
    }
    assert by_hand["reaching"] == 0.0
    assert found.best == min(by_hand, key=lambda name: by_hand[name])
    assert "'damper'" in str(found)
    with pytest.raises(SolverError, match="no point called 'breaker'"):
        compare(answers, point="breaker")
    with pytest.raises(SolverError, match="power"):
        compare([answers[0], replace(answers[1], power=5.0)], point="damper")


@pytest.mark.parametrize("earth", [None, Earth.perfect()], ids=["free", "perfect"])
def test_potentials_of_a_slow_dipole_differ_by_the_feed_voltage(earth: Earth | None):
    """Quasi-statics: each arm is at one potential, and the two differ by the voltage of the gap."""
    wire = Wire([(0, 0, 3.0), (1.3, 0.4, 3.1), (3.0, 0.2, 3.9)], radius=4e-3, name="arms",
                named_points={"one": "start", "other": "end"})  # fmt: skip
    scene = Scene(wire, feed=Feed("arms", at=1.1, voltage=0.7 + 0.4j), earth=earth)
    solution = solve(scene, 0.3e6, tolerance=1e-3)
    one, other = (reading.potential for reading in named_point_readings(solution, 5.0))
    voltage = complex(solution.feed_voltage(power=5.0))
    # Tolerance class discretisation: means over elements, and 0.3 MHz is not quite zero.
    assert abs((other - one) / voltage - 1.0) < 0.02
    assert min(abs(one), abs(other)) > 0.2 * abs(voltage)


def test_potential_over_ground_that_conducts_well_is_that_over_perfect_ground():
    wire = Wire([(0, 0, 0.5), (1.3, 0.4, 0.4), (3.0, 0.2, 0.9)], radius=4e-3, name="arms")
    solution = solve(Scene(wire, feed=Feed("arms", at=1.1)), 7e6, tolerance=None)
    places = wire.vertices[[0, -1]]
    found = [
        scalar_potential(solution.currents(), 7e6, places, earth=earth)
        for earth in (Earth(relative_permittivity=1, conductivity=1e7), Earth.perfect(), None)
    ]
    scale = np.abs(found[1]).max()
    # Tolerance class discretisation: ground of 1e7 S/m still lets in about 1e-5.
    assert np.abs(found[0] - found[1]).max() < 1e-3 * scale
    assert np.abs(found[2] - found[1]).max() > 0.02 * scale


# --- the command ---------------------------------------------------------------------------------


def test_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    file = tmp_path / "attic.toml"
    file.write_text(ATTIC, encoding="utf-8")
    assert command.main(["influence", str(file)]) == 2
    assert "no house" in capsys.readouterr().err
    assert command.main(["influence", str(file), "--to", "chart.doc"]) == 2
    assert ".png" in capsys.readouterr().err

    plan = read_attic(file)
    cable = Wire([(1.0, 1.0, 5.3), (1.0, 4.0, 5.3)], radius=1e-3, name="w", piece="cable")
    with_cable = replace(plan, other_wires=(*plan.other_wires, cable))
    monkeypatch.setattr("ridgepole.solver.settings.read_attic", lambda path: with_cable)
    chart = tmp_path / "charts" / "chart.png"
    assert command.main(["influence", str(file), "--to", str(chart)]) == 0
    told = capsys.readouterr()
    assert "cable" in told.out
    assert "20 m" in told.out
    assert told.err == ""
    assert chart.stat().st_size > 5000
    assert command.main(["influence", str(file), "--json"]) == 0
    form = json.loads(capsys.readouterr().out)
    assert [row["piece"] for row in form["rows"]] == ["cable"]
    assert form["rows"][0]["resistance_with_ohm"] > 0.0
    beside = tmp_path / "attic-influence.png"  # where --to is left out, as `check` does
    assert form["files"] == [str(beside)]
    assert beside.stat().st_size > 5000


def test_other_polarisability_is_that_of_other_bodies():
    """`difference` from a part of the bodies, as a product and as a matrix."""
    _, system = furnished()
    volume = system.volume
    assert volume is not None
    means = volume.means(system.solid_fields(FREQUENCY))
    nothing = volume.without(range(len(volume.cells.bodies)))
    part = volume.without([0])
    whole = volume.difference(nothing, means, FREQUENCY).matrix()
    rest = volume.difference(part, means, FREQUENCY)
    both = part.difference(nothing, means, FREQUENCY).matrix() + rest.matrix()
    np.testing.assert_allclose(both, whole, rtol=0, atol=1e-12 * np.abs(whole).max())
    assert np.abs(rest.matrix()).max() > 0.0
    vector = np.exp(1j * np.arange(whole.shape[0]))
    np.testing.assert_allclose(rest.product(vector), rest.matrix() @ vector, rtol=1e-9)
