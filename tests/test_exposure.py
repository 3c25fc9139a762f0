"""Fields in rooms: against closed forms, fluxes and solves; limits, rooms, files, command.

Tolerance classes: rounding 1e-9; interpolation 1e-3, as `exposure` asks for; discretisation 0.5 %
of watts; formula 2 %, for the sinusoidal current that the closed form assumes.

E and H over real earth are held to direct integration, to flux through the ground and to the far
field in test_near_field, and to `empymod` in test_earth_dipoles; div A + jw eps0 Phi = 0 belongs to
the tables of the earth, test_earth_tables.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from imposed_currents import closed_dipole
from scipy.constants import c as LIGHT_SPEED
from small_attic import ATTIC

from ridgepole.geometry import (
    Attic,
    AtticFileError,
    Feed,
    GeometryError,
    Room,
    Scene,
    Timber,
    Wire,
    read_attic_text,
)
from ridgepole.materials import Earth
from ridgepole.solver import Exposure, Limits, LimitsError, SolverError, exposure, solve
from ridgepole.solver.settings import TABLES, read_attic, read_settings
from ridgepole.solver.station.exposure import best_axis
from ridgepole.solver.station.exposure_settings import LimitChoice, read_exposure_settings
from ridgepole.solver.station.room_points import LEAST_DISTANCE
from ridgepole.solver.study.elimination import FactoredSystem, elements_of
from ridgepole.solver.views import command

ROUNDING = 1e-9
INTERPOLATION = 1e-3
FLUX = 5e-3
FORMULA = 0.02

FREQUENCY = 14.2e6
WAVELENGTH = LIGHT_SPEED / FREQUENCY
AVERAGE = Earth(relative_permittivity=13.0, conductivity=0.005)
HUB = (0.0, 0.0, 5.0)


def antenna() -> list[Wire]:
    """A lopsided one."""
    return [
        Wire([HUB, (0.6, 0.2, 7.0), (7.1, 1.5, 7.4)], radius=9e-4, name="long"),
        Wire([HUB, (-1.2, 0.9, 6.5), (-1.5, 3.4, 6.2)], radius=6e-4, name="short"),
        Wire([HUB, (3.9, 0.3, 5.1)], radius=7e-4, name="radial 1"),
        Wire([HUB, (0.4, -4.4, 4.9)], radius=7e-4, name="radial 2"),
    ]


def cable(name: str = "cable") -> Wire:
    """A floating one, down into the bedroom."""
    return Wire(
        [(-2.9, -2.0, 5.3), (1.8, -2.2, 5.2), (1.8, -2.2, 2.9)], radius=2e-3, name="run",
        piece=name,
    )  # fmt: skip


def scene(*extra: Wire, **rest: Any) -> Scene:
    rest = {"earth": AVERAGE} | rest
    return Scene([*antenna(), *extra], feed=Feed(["long", "short"]), **rest)


BEDROOM = Room.rectangle("bedroom", (4.5, 3.7), at=(-1.5, -2.5), floor=2.4, planes=(0.6, 1.7))
GARDEN = Room(
    "garden", [(9.0, -3.0), (12.0, -3.0), (12.0, 3.0), (10.0, 1.0)], floor=0.0, planes=(1.0,),
    who="occupational",
)  # fmt: skip


@lru_cache
def solved(**rest: Any) -> Any:
    return solve(scene(cable(), **rest), FREQUENCY, tolerance=None)


def look(what: Any = None, **rest: Any) -> Exposure:
    rest = {"rooms": [BEDROOM, GARDEN], "limits": "FCC general", "step": 0.5} | rest
    return exposure(solved() if what is None else what, progress=False, **rest)


# --- fields ------------------------------------------------------------------------------------


HALF_WAVE_OHMS = 73.13
"""Of a filament with a sinusoidal current; C. A. Balanis, "Antenna Theory", ch. 4 (from memory)."""


def with_sine(solution: Any, length: float) -> Any:
    """The same mesh with the current cos(kx), as near as its functions come, at 1 W."""
    basis, mesh = solution.system.prepared.basis, solution.mesh
    units = np.eye(solution.unknowns, dtype=complex)
    each = np.stack([basis.legendre_currents(one, mesh.degree).ravel() for one in units], axis=1)
    xi, weight = np.polynomial.legendre.leggauss(12)
    n_orders = basis.legendre_currents(units[0], mesh.degree).shape[1]
    along = 0.5 * (mesh.start + mesh.end)[:, :1] + 0.5 * (mesh.end - mesh.start)[:, :1] * xi
    sine = np.cos(np.pi * along / length) * np.sign(mesh.end - mesh.start)[:, :1]
    legendre = np.polynomial.legendre.legvander(xi, n_orders - 1)
    rows = (sine * weight) @ legendre * (np.arange(n_orders) + 0.5)
    unknowns = np.linalg.lstsq(each, rows.ravel().astype(complex), rcond=None)[0]
    return replace(
        solution,
        port_currents=unknowns[None, :, None] / HALF_WAVE_OHMS,
        port_admittance=np.full((1, 1, 1), 1.0 / HALF_WAVE_OHMS, dtype=complex),
    )


def test_a_metre_below_a_half_wave_dipole():
    # Closed form of a sinusoidal current (see `closed_dipole`). Discretisation:
    # cos(kx) on functions up to degree 4 and so. Formula: the true current of a thin wire is not
    # quite sinusoidal; its greatest fields are held to the closed form, all points to the sine.
    length = 0.5 * WAVELENGTH
    wire = Wire([(-0.5 * length, 0.0, 3.0), (0.5 * length, 0.0, 3.0)], radius=1e-6, name="dipole")
    solution = solve(Scene([wire], feed=Feed("dipole", at=0.5 * length)), FREQUENCY)
    room = Room.rectangle("room", (12.0, 3.0), at=(-6.0, -1.5), floor=1.0, planes=(1.0,))

    def looked(at: Any) -> Exposure:
        return exposure(at, rooms=room, limits="FCC general", power=100.0, progress=False)

    found = looked(with_sine(solution, length))
    fields = found.fields[0]
    x, y = np.meshgrid(fields.x, fields.y)
    x, y = x[fields.within], y[fields.within]
    # The closed form's dipole stands upright: its z is our x.
    points = np.stack([y, np.full_like(y, -1.0), x], axis=1)
    electric, magnetic = closed_dipole(points, length, 2.0 * np.pi / WAVELENGTH)
    closed_e = np.linalg.norm(electric, axis=1) / np.sqrt(HALF_WAVE_OHMS)
    closed_h = np.linalg.norm(magnetic, axis=1) / np.sqrt(HALF_WAVE_OHMS)
    assert np.abs(fields.electric / closed_e - 1.0).max() < 2e-3
    assert np.abs(fields.magnetic / closed_h - 1.0).max() < 2e-3
    row = found.planes[0]
    assert row.electric == pytest.approx(10.0 * closed_e.max(), rel=2e-3)
    assert row.magnetic == pytest.approx(10.0 * closed_h.max(), rel=2e-3)
    # E is greatest out towards the tips, where the charge is; H under the feed.
    assert 3.5 < abs(x[np.argmax(fields.electric)]) < 0.5 * length
    assert row.worst_field == "H"
    assert row.worst_point == pytest.approx((0.0, 0.0, 2.0), abs=1e-9)
    assert row.distance == pytest.approx(1.0, abs=1e-5)
    true = looked(solution).planes[0]
    assert true.electric == pytest.approx(row.electric, rel=FORMULA)
    assert true.magnetic == pytest.approx(row.magnetic, rel=FORMULA)
    # What the far-field formula sqrt(30 P G)/d says in its place, with the gain of 1.64.
    far = np.sqrt(30.0 * 100.0 * 1.64)
    middle = 10.0 * closed_e[np.argmin(np.hypot(x, y))]
    print(f"\nE at 1 m and 100 W: greatest {row.electric:.0f} V/m (solved "
          f"{true.electric:.0f}), below the middle {middle:.0f}, by the far-field formula "
          f"{far:.0f}; H {row.magnetic:.3f} A/m (solved {true.magnetic:.3f}), by the formula "
          f"{far / 376.73:.3f}")  # fmt: skip
    assert middle < 0.2 * far
    assert row.electric < 0.9 * far


@pytest.mark.parametrize("earth", [None, Earth.perfect()])
def test_flux_through_a_box_is_the_radiated_power(earth: Earth | None):
    # Of a solved antenna without loss; imposed currents are held to 2e-6 in test_near_field.
    solution = solve(scene(earth=earth), FREQUENCY, tolerance=None)
    low = np.array([-4.0, -6.5, 2.0 if earth is None else 0.0])
    high = np.array([9.5, 6.0, 10.0])
    x, weight = np.polynomial.legendre.leggauss(20)
    total = 0.0
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        for side, outward in ((low, -1.0), (high, 1.0)):
            across, up = np.meshgrid(x, x, indexing="ij")
            points = np.empty((20, 20, 3))
            points[..., axis] = side[axis]
            points[..., u] = 0.5 * (low[u] + high[u]) + 0.5 * (high[u] - low[u]) * across
            points[..., v] = 0.5 * (low[v] + high[v]) + 0.5 * (high[v] - low[v]) * up
            electric, magnetic = solution.near_fields(points)
            flow = np.cross(electric, magnetic.conj())[..., axis].real
            area = 0.25 * (high[u] - low[u]) * (high[v] - low[v])
            total += outward * area * float(weight @ flow @ weight)
    assert float(solution.budget.radiated) == pytest.approx(1.0, rel=1e-6)
    assert total == pytest.approx(1.0, rel=FLUX)


def test_the_earths_part_is_interpolated_between_fewer_points(monkeypatch: pytest.MonkeyPatch):
    joists = tuple(
        Timber((x, -4.0, 4.7), (x, 4.0, 4.7), width=0.045, depth=0.195, name=f"joist {x}")
        for x in (-1.3, 0.2)
    )
    solution = solve(scene(house=joists), FREQUENCY, tolerance=None)
    axes = np.linspace(-6, 8, 24), np.linspace(-7, 5, 20), np.linspace(1.0, 2.9, 4)
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    electric, magnetic = solution.near_fields(points)
    counts = []
    from ridgepole.solver.fields import near

    plain = near._add_earth
    monkeypatch.setattr(
        near, "_add_earth", lambda points, *rest: (counts.append(len(points)), plain(points, *rest))
    )
    smooth_e, smooth_h = solution.near_fields(points, smooth_error=1e-3)
    assert counts
    assert max(counts) < points[..., 0].size
    for smooth, field in ((smooth_e, electric), (smooth_h, magnetic)):
        size = np.linalg.norm(field, axis=-1).max()
        assert np.linalg.norm(smooth - field, axis=-1).max() < INTERPOLATION * size
        assert np.any(smooth != field)


def test_a_turned_probe_reads_the_longer_half_axis():
    random = np.random.default_rng(3)
    field = random.normal(size=(5, 3)) + 1j * random.normal(size=(5, 3))
    ways = random.normal(size=(200_000, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    # The densest of 200,000 directions lies within half a degree or so of the best.
    assert best_axis(field) == pytest.approx(np.abs(ways @ field.T).max(axis=0), rel=1e-3)
    assert np.all(best_axis(field) >= np.abs(ways @ field.T).max(axis=0) - 1e-12)
    assert best_axis(np.array([[3.0, 4.0j, 0.0]])) == pytest.approx([4.0])  # runs round an ellipse
    assert best_axis(np.array([[3.0, 4.0, 0.0]])) == pytest.approx([5.0])  # swings on a line


def test_components_bound_the_total():
    for row in look():
        for parts, axis, total in (
            (row.electric_parts, row.electric_axis, row.electric),
            (row.magnetic_parts, row.magnetic_axis, row.magnetic),
        ):
            assert max(parts) <= axis * (1.0 + ROUNDING)
            assert axis <= total * (1.0 + ROUNDING)
            assert total <= np.linalg.norm(parts) * (1.0 + ROUNDING)
            assert min(parts) > 0.0


# --- limits ------------------------------------------------------------------------------------


def test_parts_of_the_limit_are_fields_over_limits():
    found = look(power=50.0)
    limits = Limits.named("FCC general").at(FREQUENCY)
    for row in found:
        fields = found.fields_of(row)
        electric, magnetic = np.sqrt(50.0) * fields.electric, np.sqrt(50.0) * fields.magnetic
        assert row.electric == pytest.approx(electric.max(), rel=ROUNDING)
        each = np.fmax(electric / limits.electric, magnetic / limits.magnetic)
        assert row.fraction == pytest.approx(each.max(), rel=ROUNDING)
        grid = found.fraction_map(row)
        at = np.unravel_index(np.nanargmax(grid), grid.shape)
        assert row.worst_point[:2] == pytest.approx((fields.x[at[1]], fields.y[at[0]]))
        assert np.isnan(grid).sum() == (~fields.within).sum()
        # The same from the solution, point by point.
        points = np.array([row.worst_point])
        e = np.linalg.norm(solved().electric_field(points, power=50.0))
        h = np.linalg.norm(solved().magnetic_field(points, power=50.0))
        there = max(e / limits.electric, h / limits.magnetic)
        assert row.fraction == pytest.approx(there, rel=2 * INTERPOLATION)


def test_power_duty_and_pauses_scale():
    base = look(power=100.0)
    more = look(power=400.0, mode="SSB", minutes_on=3.0, minutes_off=7.0)
    for one, two in zip(base, more, strict=True):
        # 30 minutes hold three turns of 3 in 10 minutes; SSB sends a fifth of its peak.
        assert two.averaged_part == pytest.approx(0.2 * 0.3)
        assert two.fraction == pytest.approx(one.fraction * np.sqrt(4.0 * 0.06), rel=ROUNDING)
        assert two.electric == pytest.approx(2.0 * one.electric, rel=ROUNDING)
        assert one.complying_power == pytest.approx(100.0 / one.fraction**2)
        again = two.fraction * np.sqrt(two.complying_power / 400.0)
        assert again == pytest.approx(1.0)
    assert base.complying_power == min(row.complying_power for row in base)


def test_nerves_are_not_averaged():
    low = solve(scene(), 7.1e6, tolerance=None)
    one = look(low, limits="ICNIRP 2010 general", mode="SSB")
    two = look(low, limits="ICNIRP 2010 general", mode="carrier")
    assert [r.fraction for r in one] == pytest.approx([r.fraction for r in two], rel=ROUNDING)
    assert np.isnan(one.worst[0].body_average)


def test_default_limits_by_who_is_there_and_frequency():
    found = exposure(
        solve(scene(), [7.1e6, FREQUENCY], tolerance=None), rooms=[BEDROOM, GARDEN], step=1.0,
        progress=False,
    )  # fmt: skip
    names = {(r.room, r.band, r.limits) for r in found}
    assert ("bedroom", "7.1 MHz", "ICNIRP 2010 general") in names
    assert ("bedroom", "14.2 MHz", "FCC general") in names
    assert ("garden", "7.1 MHz", "ICNIRP 2010 occupational") in names
    assert not any(band == "14.2 MHz" and "2010" in limits for _, band, limits in names)
    assert not any(room == "garden" and "general" in limits for room, _, limits in names)


def test_a_set_that_does_not_cover_the_frequency_says_so():
    with pytest.raises(LimitsError, match=r"ICNIRP 2010 general.*does not cover 14\.2 MHz"):
        look(limits=["FCC general", "ICNIRP 2010 general"])
    with pytest.raises(LimitsError, match=r"no set of limits is wanted at 14\.2 MHz"):
        look(limits="ICNIRP 2010 general below 10 MHz")
    with pytest.raises(LimitsError, match="FCC general"):
        look(limits="FCC privates")
    with pytest.raises(LimitsError, match="SSB"):
        look(mode="semaphore")
    assert LimitChoice.told("ICNIRP 2010 general below 500 kHz").below == 500e3


def test_whole_body_is_the_worst_column():
    found = look()
    for one in found.worst:
        rows = [r for r in found if (r.room, r.limits) == (one.worst.room, one.worst.limits)]
        limits = Limits.named(one.worst.limits).at(FREQUENCY)
        electric = np.stack([10.0 * found.fields_of(r).electric for r in rows]) / limits.electric
        magnetic = np.stack([10.0 * found.fields_of(r).magnetic for r in rows]) / limits.magnetic
        worst = max(np.sqrt((f**2).mean(axis=0)).max() for f in (electric, magnetic))
        assert one.body_average == pytest.approx(worst, rel=ROUNDING)
        assert one.worst.fraction == max(r.fraction for r in rows)


def test_at_the_complying_distance_the_field_is_the_limit():
    found = look(power=400.0)
    one = found.worst_of("bedroom")
    row = one.worst
    assert row.fraction > 1.0
    assert LEAST_DISTANCE < one.complying_distance < 10.0
    wire = next(w for w in solved().scene.wires if w.name == row.nearest_wire)
    stops = np.linspace(0.0, wire.length, 20001)
    along = np.stack([wire.position(float(s)) for s in stops])
    foot = along[np.argmin(np.linalg.norm(along - row.worst_point, axis=1))]
    way = np.array(row.worst_point) - foot
    assert np.linalg.norm(way) - wire.radius == pytest.approx(row.distance, abs=1e-3)
    way /= np.linalg.norm(way)
    limits = Limits.named(row.limits).at(FREQUENCY)

    def part(distance: float) -> float:
        point = foot + (distance + wire.radius) * way
        e = np.linalg.norm(solved().electric_field(point, power=400.0))
        h = np.linalg.norm(solved().magnetic_field(point, power=400.0))
        return max(e / limits.electric, h / limits.magnetic)

    # Interpolated in logarithms between points 6 % of the distance apart.
    assert part(one.complying_distance) == pytest.approx(1.0, abs=5e-3)
    assert all(part(d) < 1.0 for d in np.linspace(1.02 * one.complying_distance, 4.5, 12))
    weak = look(power=0.001).worst_of("garden")
    assert weak.complying_distance == LEAST_DISTANCE


# --- with and without ----------------------------------------------------------------------------


def test_without_a_cable_is_a_scene_without_it():
    # Rounding: the floating cable leaves the mesh of the rest as it is.
    found = look(scene(cable()), bands="14.0-14.4 MHz", tolerance=None)
    bare = look(scene(), bands="14.0-14.4 MHz", tolerance=None)
    changes = []
    for row, other in zip(found, bare, strict=True):
        assert [one.piece for one in row.without] == ["cable"]
        assert row.without[0].fraction == pytest.approx(other.fraction, rel=1e-6)
        changes.append(abs(row.fraction / other.fraction - 1.0))
    assert max(changes) > 0.02
    assert bare.pieces == ()
    assert look(scene(cable()), bands="14.0-14.4 MHz", tolerance=None, pieces=False).pieces == ()


def test_without_a_cable_the_timber_stays():
    # The cable hangs 3 cm beside the joist.
    joist = Timber((1.855, -4.0, 4.7), (1.855, -0.5, 4.7), width=0.045, depth=0.195, name="joist")
    whole = scene(cable(), house=(joist,))
    found = look(whole, bands="14.0-14.4 MHz", tolerance=None)
    bare = look(scene(house=(joist,)), bands="14.0-14.4 MHz", tolerance=None)
    for row, other in zip(found, bare, strict=True):
        # Discretisation: cells are cut finer near wires, so that the cable changes them a little.
        assert row.without[0].fraction == pytest.approx(other.fraction, rel=1e-3)
    # Rounding: what the joist takes follows from the currents that are left.
    system = solve(whole, FREQUENCY, tolerance=None).system
    factored = FactoredSystem.at(system, FREQUENCY)
    lacking = factored.without_elements([elements_of(system, "cable")])[0]
    solution = factored.solution(lacking, with_solids=True)
    anew = replace(solution, port_solid_fields=None)
    point = [(1.9, -2.0, 4.6)]
    for known, again in zip(solution.near_fields(point), anew.near_fields(point), strict=True):
        assert known == pytest.approx(again, rel=ROUNDING)
    assert solution.solid_losses["joist"] == pytest.approx(anew.solid_losses["joist"], rel=ROUNDING)


def test_what_the_antenna_cannot_do_without_has_a_reason():
    wires = antenna()
    radials = [replace(w, piece="bonded") if w.name.startswith("radial") else w for w in wires]
    found = look(
        Scene(radials, feed=Feed(["long", "short"]), earth=AVERAGE), bands="14.0-14.4 MHz",
        tolerance=None,
    )  # fmt: skip
    one = found.planes[0].without[0]
    assert np.isnan(one.fraction)
    assert "nothing on one side" in one.reason


def test_edges_of_a_band_can_only_add():
    centre = look(scene(), bands="21.0-21.9 MHz", tolerance=None)
    edges = look(scene(), bands="21.0-21.9 MHz", tolerance=None, edges=True)
    for one, two in zip(centre, edges, strict=True):
        assert two.fraction >= one.fraction
        assert two.frequency in (21.0e6, 21.45e6, 21.9e6)
    assert any(row.frequency != 21.45e6 for row in edges)


# --- rooms ---------------------------------------------------------------------------------------


def test_points_beside_a_wire_are_marked_and_not_dropped():
    # The cable's end hangs at (1.8, -2.2), down to 2.9 m: right on a point of the grid.
    room = Room.rectangle("hall", (1.0, 1.0), at=(1.3, -2.7), floor=2.0, planes=(0.3, 1.1))
    found = look(rooms=room, step=0.25)
    low, high = found.planes
    assert high.is_extrapolated
    assert high.nearest_wire == "run"
    assert high.distance <= 0.0
    assert not low.is_extrapolated
    assert high.clear_fraction < high.fraction
    fields = found.fields_of(high)
    assert fields.is_extrapolated.sum() == 1
    assert len(fields.electric) == 25
    assert np.isfinite(fields.electric).all()
    assert found.n_extrapolated == 1
    # On the axis stands the field at two radii.
    beside = np.array([1.8 + 0.004001, -2.2, 3.1])
    top = np.linalg.norm(solved().electric_field(beside, power=100.0))
    assert high.electric == pytest.approx(top, rel=0.3)
    assert "extrapolated" in str(found)
    assert "run" in " ".join(found.remarks)


def test_grid_reaches_the_walls_and_stays_inside():
    x, y, within = GARDEN.grid(0.4)
    assert (x[0], x[-1], y[0], y[-1]) == (9.0, 12.0, -3.0, 3.0)
    assert max(np.diff(x).max(), np.diff(y).max()) <= 0.4 + ROUNDING
    assert within[0].all()  # the straight side
    assert within[-1].tolist() == [False] * (len(x) - 1) + [True]
    assert Room.rectangle("r", ("2 m", 1.0), floor=0.0).grid(5.0)[2].shape == (2, 2)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"floor": -0.5}, "above ground"),
        ({"floor": np.nan}, "."),
        ({"size": (0.0, 3.0)}, "both sides must be above 0"),
        ({"size": (3.0, -1.0)}, "both sides must be above 0"),
        ({"planes": ()}, "one or more heights"),
        ({"planes": (0.0, 1.0)}, "above 0"),
        ({"planes": (1.5, 1.0)}, "must rise"),
        ({"who": "tenant"}, "'general', 'occupational'"),
        ({"name": " "}, "needs a name"),
    ],
)
def test_bad_rooms_are_named(change: dict[str, Any], said: str):
    whole: dict[str, Any] = {"name": "attic room", "size": (3.0, 2.0), "floor": 1.0} | change
    with pytest.raises(GeometryError, match=said):
        Room.rectangle(**whole)


def test_bad_plans_of_rooms_are_named():
    for corners in ([(0, 0), (1, 0)], [(0, 0), (2, 2), (2, 0), (0, 2)], [(0, 0), (1, 0), (2, 0)]):
        with pytest.raises(GeometryError, match="hall"):
            Room("hall", corners, floor=1.0)
    with pytest.raises(GeometryError, match="longer step"):
        Room.rectangle("hall", (900.0, 900.0), floor=1.0).grid(0.05)


def test_bad_calls_are_named():
    with pytest.raises(SolverError, match="no rooms"):
        exposure(scene(), ["20 m"])
    with pytest.raises(SolverError, match="one name"):
        look(rooms=[BEDROOM, BEDROOM])
    with pytest.raises(SolverError, match="no Room"):
        look(rooms=["bedroom"])
    with pytest.raises(SolverError, match="bands is given beside a solution"):
        look(bands=["20 m"])
    with pytest.raises(SolverError, match="step"):
        look(step=0.0)
    with pytest.raises(SolverError, match="power"):
        look(power=-5.0)
    with pytest.raises(LimitsError, match="duty"):
        look(duty=20.0)
    with pytest.raises(LimitsError, match="minutes_on"):
        look(minutes_off=3.0)
    with pytest.raises(SolverError, match="'bedroom', 'garden'"):
        look().worst_of("cellar")
    with pytest.raises(SolverError, match="no plane"):
        look().plot("bedroom", plane=0.5)


def test_doubts_of_rooms():
    attic = Attic((9.0, 6.0), ceiling_height=5.0, ridge_height=8.0)
    inside = Room.whole_house("floor", attic, floor=2.4)
    assert inside.doubts(antenna(), attic) == ()
    assert inside.area == pytest.approx(54.0)
    assert "outside the house" in GARDEN.doubts([], attic)[0]
    half = Room.rectangle("porch", (4.0, 2.0), at=(-2.0, 1.0), floor=0.0)
    assert "50 % of its plan outside" in half.doubts([], attic)[0]
    high = replace(inside, name="loft", floor=4.0)
    assert "above the attic floor" in high.doubts([], attic)[0]
    through = BEDROOM.doubts([cable()])
    assert "'run'" in through[0]


# --- the file ------------------------------------------------------------------------------------

ROOMS = """
[[room]]
name = "bedroom"
floor = "-2.5 m"
size = ["4 m", "3 m"]
at = ["1 m", "1 m"]
[[room]]
name = "next door"
floor = 0.2
heights_from = "ground"
corners = [["9.1 m", "0 m"], ["13 m", "0 m"], ["13 m", "6 m"]]
planes = ["0.5 m", "5 ft"]
who = "occupational"
[[room]]
name = "upper floor"
floor = "-2.5 m"
plan = "whole house"
[exposure]
limits = ["FCC general"]
mode = "CW"
minutes_on = 2
minutes_off = 2
step = "50 cm"
"""


def read(text: str) -> Any:
    return read_attic_text(text, other_tables=TABLES)


def test_rooms_of_a_file():
    plan = read(ATTIC + ROOMS)
    bedroom, next_door, upper = plan.rooms
    assert bedroom.floor_level == pytest.approx(2.4)
    assert bedroom.levels == pytest.approx([2.9, 3.4, 3.9, 4.4])
    assert bedroom.outline.tolist() == [[1.0, 1.0], [5.0, 1.0], [5.0, 4.0], [1.0, 4.0]]
    assert next_door.floor_level == pytest.approx(0.2)
    assert next_door.planes == pytest.approx((0.5, 1.524))
    assert next_door.who == "occupational"
    assert upper.area == pytest.approx(9.1 * 6.3)
    assert any("next door" in doubt for doubt in plan.doubts())
    settings = read_exposure_settings(plan)
    assert settings.duty == pytest.approx(0.4)
    assert settings.step == pytest.approx(0.5)
    assert [one.limits.name for one in settings.general] == ["FCC general"]
    other = read_exposure_settings(plan, mode="FM", step=0.1)
    assert (other.duty, other.step, other.minutes_on) == (1.0, 0.1, 2.0)
    assumed = read(ATTIC + '[[room]]\nname = "hall"\nfloor = "-2.5 m"\n')
    assert assumed.rooms[0].area == pytest.approx(9.1 * 6.3)
    assert any("hall" in one.what for one in assumed.assumptions)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('floor = "-2.5 m"\nsize', 'floor = "-6 m"\nsize', "line 26.*above ground"),
        ('size = ["4 m", "3 m"]', 'size = ["0 m", "3 m"]', "line 27.*above 0"),
        ('at = ["1 m", "1 m"]\n', "", "at: is missing"),
        ('plan = "whole house"', 'plan = "garden"', "whole house"),
        ('plan = "whole house"', 'plan = "whole house"\nsize = [1, 1]', "one plan"),
        ('name = "upper floor"', 'name = "bedroom"', "another room has this name"),
        ('who = "occupational"', 'who = "tenants"', "must be one of"),
        ('planes = ["0.5 m", "5 ft"]', "planes = [2, 1]", "must rise"),
        ('planes = ["0.5 m", "5 ft"]', "planes = 1", "list of heights"),
        ("floor = 0.2", "flor = 0.2", "floor.*missing"),
        ('limits = ["FCC general"]', 'limits = ["FCC"]', "line.*limits"),
        ('mode = "CW"', 'mode = "flags"', "line.*mode"),
        ("minutes_on = 2\n", "", "minutes_on beside it"),
        ('step = "50 cm"', 'step = "1 mm"', "0.02 to 10 m"),
        ('mode = "CW"', 'mode = "CW"\nduty = 0.1', "line.*duty.*stands beside mode"),
        ('["FCC general"]', '["FCC occupational"]', "line.*limits.*people who work"),
        ('["FCC general"]', '["FCC general", "FCC general"]', "line.*limits.*more than once"),
        (
            '["FCC general"]',
            '["ICNIRP 2010 general"]',
            "line.*limits.*does not cover.*'ICNIRP 2010 general below 10 MHz'",
        ),
        ('step = "50 cm"', 'steps = "50 cm"', "'step'"),
    ],
)
def test_faults_of_a_file_have_a_line(old: str, new: str, said: str, tmp_path: Path):
    text = ATTIC + ROOMS
    assert text.count(old) == 1
    file = tmp_path / "attic.toml"
    file.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(AtticFileError, match=said):
        read_attic(file)


def test_limits_of_ones_own(tmp_path: Path):
    own = tmp_path / "own.toml"
    own.write_text(
        'format = 1\n[[limits]]\nname = "ours"\nnote = "house rules"\naveraging_minutes = 6\n'
        "sum_exponent = 2\nelectric = [[1.0, 30.0, 5.0, 0]]\n"
        'sources.averaging_minutes = "own"\nsources.sum_exponent = "own"\n'
        'sources.electric = "own"\n',
        encoding="utf-8",
    )
    found = look(limits="ours", limits_file=own)
    row = found.planes[0]
    assert row.fraction == pytest.approx(row.electric / 5.0, rel=ROUNDING)
    assert np.isnan(row.magnetic_fraction)
    assert row.worst_field == "E"
    file = tmp_path / "attic.toml"
    text = ROOMS.replace('limits = ["FCC general"]', 'limits = ["ours"]\nlimits_file = "own.toml"')
    file.write_text(ATTIC + text, encoding="utf-8")
    assert read_exposure_settings(read_attic(file)).general[0].limits.name == "ours"


# --- showing -------------------------------------------------------------------------------------


def test_words_tables_and_maps():
    from ridgepole.geometry.picture import Picture

    found = look(power=400.0, mode="SSB")
    text = found.to_text(width=90)
    assert "not a compliance statement" in text
    assert "licensed practice" in text
    assert "400 W" in text
    assert "duty factor 0.2" in text
    assert max(map(len, text.splitlines())) <= 90
    html = found._repr_html_()
    assert "not a compliance statement" in html
    assert "garden" in html
    figure = Picture()
    ax = figure.add_subplot()
    assert found.plot("garden", ax=ax) is ax
    assert "garden" in ax.get_title(loc="left")
    rings = [line for line in ax.lines if line.get_marker() == "o"]
    worst = found.worst_of("garden").worst.worst_point
    assert any(np.allclose(np.asarray(line.get_xydata()), worst[:2]) for line in rings)
    assert len(found.figure().axes) >= 2
    frame = found.to_dataframe()
    assert list(frame["fraction"]) == [row.fraction for row in found]


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    file = tmp_path / "attic.toml"
    file.write_text(ATTIC, encoding="utf-8")
    assert command.main(["exposure", str(file)]) == 2
    assert "[[room]]" in capsys.readouterr().err
    file.write_text(ATTIC + ROOMS, encoding="utf-8")
    assert command.main(["exposure", str(file), "--limits", "nobody's"]) == 2
    assert "nobody's" in capsys.readouterr().err
    folder = tmp_path / "out"
    typed = ["exposure", str(file), "--to", str(folder), "--power", "50", "--json"]
    assert command.main(typed) == 0
    told = capsys.readouterr()
    form = json.loads(told.out)
    assert form["power_w"] == 50.0
    assert {row["room"] for row in form["planes"]} == {"bedroom", "next door", "upper floor"}
    assert "compliance" in form["caution"]
    assert (folder / "rooms.png").stat().st_size > 5000
    assert "bedroom" in (folder / "exposure.txt").read_text(encoding="utf-8")
    assert "Wrote exposure.txt, rooms.png" in told.err


@pytest.mark.parametrize(
    ("station", "watts", "said"),
    [
        ("transmitter_power = 400", 400.0, "all that the transmitter has"),
        ("power = 100\ntransmitter_power = 400", 100.0, "the transmitter has 400 W"),
        ("power = 100\ntransmitter_power = 90", 100.0, None),
    ],
)
def test_the_radios_power_is_not_forgotten(station: str, watts: float, said: str | None):
    """It counts in full where none is told for the feed point, and is told where that is less."""
    plan = read(ATTIC + f"[station]\n{station}\n")
    settings = read_settings(plan)
    assert settings.power == watts
    told = [str(one) for one in settings.assumptions if one.what == "power"]
    assert (said is None and not told) or (said is not None and said in told[0])


def test_keys_tell_of_rooms(capsys: pytest.CaptureFixture[str]):
    assert command.main(["keys"]) == 0
    told = capsys.readouterr().out
    for table, content in tomllib.loads(ROOMS).items():
        assert f"[{table}]" in told
        for key in (content[0] | content[1] | content[2]) if isinstance(content, list) else content:
            assert key in told, key
    assert '"ICNIRP 2010 general"' in told
    assert '"SSB processed"' in told
