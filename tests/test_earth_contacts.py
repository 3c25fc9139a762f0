"""Wires led into real earth: electrodes, kernels at the surface, matrix, fields and watts.

Tolerance classes are stated at each check: rounding, quadrature, interpolation (the tables' 1e-6 of
the free-space kernel), model (what the formula compared with leaves out).
"""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from scipy.constants import c, epsilon_0, mu_0
from scipy.integrate import quad

from ridgepole.geometry import (
    Downpipe,
    Electrode,
    Feed,
    GeometryError,
    Scene,
    Timber,
    Wire,
    build_mesh,
    check_frequency,
)
from ridgepole.materials import Conductor, Earth, Wood
from ridgepole.solver import solve
from ridgepole.solver.earth.contact_flux import contact_flux
from ridgepole.solver.earth.contacts import (
    ContactCharges,
    ContactTable,
    evaluate_contact_kernel,
)
from ridgepole.solver.earth.flux import earth_flux
from ridgepole.solver.earth.tables import evaluate_kernels
from ridgepole.solver.errors import SolverError
from ridgepole.solver.moments.basis import ElementCurrents, PointMoments
from ridgepole.solver.system import System

AVERAGE = Earth(13.0, 0.005)
FREQUENCY = 7.1e6
ROD = Electrode(0.3, radius=6e-3)


def permittivity(frequency: float, earth: Earth = AVERAGE) -> complex:
    return complex(earth.complex_permittivity(frequency))


def admittivity(frequency: float, earth: Earth = AVERAGE) -> complex:
    return 2j * np.pi * frequency * epsilon_0 * (1.0 + permittivity(frequency, earth))


def lopsided(*, earth: Earth | None = AVERAGE, electrode: Electrode | None = ROD) -> Scene:
    """Two wires of one contact, and a third with its own."""
    other = None if electrode is None else Electrode(impedance=60.0 - 5j)
    wires = [
        Wire([(0, 0, 0), (0.5, 0.3, 4.0), (4.2, 1.1, 5.0)], radius=2e-3, name="up",
             earth_start=electrode),
        Wire([(-2.0, 1.0, 1.7), (0, 0, 0)], radius=1e-3, name="stay"),
        Wire([(1.0, 2.2, 0), (1.4, 2.0, 3.1), (3.9, 3.0, 3.6)], radius=1e-3, name="pipe",
             earth_start=other),
    ]  # fmt: skip
    feeds = [Feed("up", at=1.1, name="one"), Feed("pipe", at=2.0, name="two")]
    return Scene(wires, feeds=feeds, earth=earth)


# --- electrodes and geometry ---------------------------------------------------------------


def test_rod_is_the_mean_potential_of_an_even_line_of_current():
    # E. D. Sunde 1949 (from memory) derives ln(4l/a) - 1 as the mean over the rod of the potential
    # of current leaving it evenly, with its image. Model: the formula drops terms of order a/l.
    # At 10 Hz, where the rod is a millionth of what a wave needs in the earth.
    length, radius, frequency = 0.4, 5e-4, 10.0
    # integrals over both places on the rod as integrals over their difference and sum
    near = quad(lambda u: 2 * (length - u) / np.hypot(u, radius), 0, length, points=[radius])[0]
    far = quad(
        lambda u: min(u, 2 * length - u) / np.hypot(u, radius), 0, 2 * length, points=[length]
    )[0]
    expected = (near + far) / (4 * np.pi * admittivity(frequency) * length**2)
    found = Electrode(length, radius=radius).impedance_at(frequency, permittivity(frequency))
    assert abs(found / expected - 1) < 2 * radius / length


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({}, "neither is given"),
        ({"length": 1.0, "impedance": 20.0}, "both are given"),
        ({"length": 0.05, "radius": 0.01}, "is not thin"),
        ({"length": 1.0, "radius": 0.0}, "above 0"),
        ({"impedance": 0.0}, "without any impedance"),
        ({"impedance": -3.0}, "must not be negative"),
        ({"impedance": float("nan")}, "finite number of ohms"),
    ],
)
def test_no_electrode(arguments, says):
    with pytest.raises(GeometryError, match=says):
        Electrode(**arguments)


def led(*points, **options) -> Wire:
    return Wire(points, radius=1e-3, name="led", **options)


def test_where_a_wire_may_be_led_to_earth():
    feed = Feed("led", at=1.0)
    down = led((0, 0, 3), (0, 0, 0.0006), earth_end=ROD)
    scene = Scene(down, feed=feed, earth=AVERAGE)
    assert scene.skeleton.node_on_ground.tolist() == [False, False, True]
    assert scene.skeleton.nodes[2, 2] == 0.0
    assert scene.skeleton.electrodes == ((2, ROD),)
    check_frequency(scene, 3.6e6)
    # over perfect ground it simply touches
    perfect = Scene(down, feed=feed, earth=Earth.perfect())
    assert perfect.skeleton.node_on_ground[2]
    assert perfect.skeleton.electrodes == ()
    for wire, earth, says in [
        (down, None, "no earth to lead it to"),
        (led((0, 0, 3), (0, 0, 0.002), earth_end=ROD), AVERAGE, "within 1 mm of the surface"),
        (led((0, 0, 3), (0, 0, 0.002), earth_end=ROD), Earth.perfect(), "within 1 mm of the sur"),
        (led((0, 0, 3), (0, 0, 0)), AVERAGE, "touches the earth.*earth_end=Electrode"),
        (led((0, 0, 0), (3, 0, 0), (3, 0, 1), earth_start=ROD), AVERAGE, "point 2 .*touches"),
        (led((0, 0, 0), (3, 0, 0), earth_start=ROD, earth_end=ROD), AVERAGE, "lies on the earth"),
        (led((0, 0, 0), (5, 0, 0.01), earth_start=ROD), AVERAGE, "above the earth, less than"),
        (led((0, 0, 0), (1, 0, 2), (2, 0, 1), (0, 0, 0), earth_end=ROD), AVERAGE, "closed loop"),
    ]:
        with pytest.raises(GeometryError, match=says):
            Scene(wire, feed=feed, earth=earth)
    with pytest.raises(GeometryError, match="is no electrode"):
        led((0, 0, 3), (0, 0, 0), earth_end=25.0)


def test_wires_that_share_a_contact_share_its_electrode():
    other = Electrode(impedance=33.0)
    one = led((0, 0, 0), (0, 0, 3), earth_start=ROD)
    for given, fine in ((None, True), (ROD, True), (other, False)):
        two = Wire([(2, 0, 1), (0, 0, 0)], radius=1e-3, name="two", earth_end=given)
        if fine:
            assert Scene([one, two], feed=Feed("led"), earth=AVERAGE).skeleton.electrodes == (
                (0, ROD),
            )
        else:
            with pytest.raises(GeometryError, match="two different electrodes"):
                Scene([one, two], feed=Feed("led"), earth=AVERAGE)


def test_layers_below_an_electrode_are_refused():
    layered = Earth.layered([(0.5, AVERAGE)], below=Earth(5.0, 0.001))
    with pytest.raises(GeometryError, match="homogeneous earth only"):
        Scene(led((0, 0, 0), (0, 0, 3), earth_start=ROD), feed=Feed("led"), earth=layered)
    with pytest.raises(SolverError, match="1 layer"):
        evaluate_contact_kernel([1.0], 1.0, FREQUENCY, layered.at(FREQUENCY))


def test_changed_copies_keep_the_electrode_at_its_end():
    wire = led((0, 0, 0), (0, 0, 2), (1, 0, 3), earth_start=ROD)
    assert wire.reversed().earth_end == ROD
    assert wire.reversed().earth_start is None
    lower, upper = wire.split(1.0)
    assert (lower.earth_start, lower.earth_end, upper.earth_start) == (ROD, None, None)
    assert wire.scaled(2.0).earth_start == Electrode(0.6, radius=12e-3)
    assert wire.with_length(1.5).earth_start == ROD
    with pytest.raises(GeometryError, match="led to the earth"):
        wire.reversed().with_length(1.5)


def test_a_wire_too_low_is_refused_at_its_frequency():
    low = led((0, 0, 0), (0, 0, 0.02), (9, 0, 0.02), earth_start=ROD)
    with pytest.raises(GeometryError, match=r"comes down to 0\.02 m"):
        check_frequency(Scene(low, feed=Feed("led"), earth=AVERAGE), 3.6e6)


# --- the kernel of a contact -----------------------------------------------------------------


@pytest.mark.parametrize("earth", [AVERAGE, Earth(4.0, 1e-4), Earth(80.0, 5.0)])
def test_contact_kernel_is_the_sum_of_both_parts(earth):
    # Rounding where the two parts do not cancel: g_phi by its own integral, 1e-12 of g.
    ec = permittivity(FREQUENCY, earth)
    k = 2 * np.pi * FREQUENCY / c
    rho = np.array([0.05, 0.3, 2.0, 20.0])
    table = ContactTable.build(FREQUENCY, ec, rho_min=0.05, rho_max=25.0, zeta_max=6.0)
    for height in (0.02, 1.3, 5.0):
        distance = np.hypot(rho, height)
        g = np.exp(-1j * k * distance) / (4 * np.pi * distance)
        both = g + evaluate_kernels(rho, height, FREQUENCY, ec).g_phi
        found = evaluate_contact_kernel(rho, height, FREQUENCY, ec)
        np.testing.assert_array_less(np.abs(found - both), 3e-12 * np.abs(g))
        # interpolation, relative to K itself
        np.testing.assert_allclose(table(rho, np.full(4, height)), found, rtol=2e-6)


def test_contact_kernel_close_by_is_that_of_a_current_led_into_the_earth():
    frequency, rho = 1e5, np.array([0.02])
    k = evaluate_contact_kernel(rho, 1e-4, frequency, permittivity(frequency))[0]
    found = k / (2j * np.pi * frequency * epsilon_0)
    # Model: 1/(2 pi y R) is exact for k1 R -> 0, and |k1| R is 1e-3 here.
    assert abs(found * 2 * np.pi * admittivity(frequency) * 0.02 - 1) < 2e-3


def test_contact_gradient_against_differences():
    # Model: central differences with steps of 1e-3, 1e-6 of the value.
    ec, rho, height = permittivity(FREQUENCY), 0.7, 0.4
    table = ContactTable.build(
        FREQUENCY, ec, rho_min=0.05, rho_max=25.0, zeta_max=6.0, with_gradient=True
    )
    radial, upward = (x[0] for x in table.gradient(np.array([rho]), np.array([height])))

    def k(r: float, z: float) -> complex:
        return complex(evaluate_contact_kernel([r], z, FREQUENCY, ec)[0])

    step = 1e-3
    across = (k(rho * (1 + step), height) - k(rho * (1 - step), height)) / (2 * step * rho)
    up = (k(rho, height * (1 + step)) - k(rho, height * (1 - step))) / (2 * step * height)
    assert abs(radial * rho / across - 1) < 5e-6
    assert abs(upward / up - 1) < 5e-6


# --- the matrix ------------------------------------------------------------------------------


def graded_nodes(n_panels: int, towards: float) -> tuple[np.ndarray, np.ndarray]:
    """Gauss nodes in [-1, 1] on panels that halve towards one of the ends."""
    xi, weight = np.polynomial.legendre.leggauss(5)
    edges = np.concatenate([[0.0], 2.0 ** np.arange(1 - n_panels, 2)])
    half = 0.5 * np.diff(edges)
    at = 0.5 * (edges[:-1] + edges[1:])[:, None] + half[:, None] * xi
    return towards * (1.0 - at.ravel()), (half[:, None] * weight).ravel()


def test_reflected_moments_of_elements_that_touch_the_earth():
    # Slow twin: dense quadrature graded to the contact, kernels integrated directly, the same
    # distance near the image. Quadrature and interpolation.
    scene = lopsided()
    system = System.from_scene(scene, build_mesh(scene, FREQUENCY, degree=2))
    elements = system.prepared.elements
    n = len(system.mesh)
    moments = np.zeros((n, n, 2, 3, 3), dtype=complex)
    add = system._reflected(FREQUENCY)
    assert add is not None
    pairs = system.prepared.reflected
    assert pairs is not None
    add(moments, 0, n, 0, elements, pairs)
    low = elements.center[:, 2] - np.abs(elements.half[:, 2])
    first, second = (np.flatnonzero((low == 0.0) & (system.mesh.wire == w))[0] for w in (0, 1))
    assert elements.half[first, 2] > 0 > elements.half[second, 2]
    for i, j in ((first, first), (first, second)):
        x, wx = graded_nodes(13, -1.0 if elements.half[i, 2] > 0 else 1.0)
        y, wy = graded_nodes(13, -1.0 if elements.half[j, 2] > 0 else 1.0)
        one = elements.center[i] + x[:, None] * elements.half[i]
        two = elements.center[j] + y[:, None] * elements.half[j]
        t, s = (elements.half[e] / elements.length[e] for e in (i, j))
        d = (one[:, None] - two)[..., :2]
        zeta = one[:, None, 2] + two[:, 2]
        core = 0.5 * (elements.radius[i] ** 2 + elements.radius[j] ** 2)
        square = (d**2).sum(axis=-1)
        rho = np.sqrt(square + core * np.exp(-(square + zeta**2) / (4 * core)))
        kernels = evaluate_kernels(rho, zeta, FREQUENCY, permittivity(FREQUENCY), order=8)
        g_vv, g_phi, g_zz, w = kernels
        vector = (t[:2] @ s[:2]) * g_vv + t[2] * s[2] * g_zz
        vector = vector + w * (t[2] * (d @ s[:2]) - s[2] * (d @ t[:2]))
        p = np.polynomial.legendre.legvander(x, 2) * wx[:, None]
        q = np.polynomial.legendre.legvander(y, 2) * wy[:, None]
        expected = np.stack([p.T @ kernel @ q for kernel in (vector, g_phi)])
        expected *= elements.length[i] * elements.length[j]
        off = np.abs(moments[i, j] - expected) / np.abs(expected[1, 0, 0])
        assert off.max() < 2e-5, (i, j, off.max())


def test_matrix_is_symmetric_and_ports_are_reciprocal():
    scene = lopsided()
    system = System.from_scene(scene, build_mesh(scene, FREQUENCY))
    matrix = system.fill(FREQUENCY).matrix
    assert np.abs(matrix - matrix.T).max() < 1e-13 * np.abs(matrix).max()  # rounding
    z = solve(scene, FREQUENCY).port_impedance
    assert abs(z[0, 1] / z[1, 0] - 1) < 1e-9
    assert abs(z[0, 1]) > 1.0


def test_next_rows_are_those_of_one_degree_more():
    # The error estimate's rows against the matrix that holds these functions. Quadrature.
    scene = lopsided()
    mesh = build_mesh(scene, FREQUENCY, degree=2)
    system = System.from_scene(scene, mesh)
    filled = system.fill(FREQUENCY, with_next=True)
    finer = System.from_scene(scene, dataclasses.replace(mesh, degree=mesh.degree + 1))
    matrix = finer.fill(FREQUENCY).matrix
    rows = filled.next_rows @ system.prepared.basis.combination
    # interior functions come first, element by element: degree 2, 3 of the finer one
    assert system.contacts is not None
    contact = np.flatnonzero(system.contacts.global_currents.any(axis=1))
    nodes = slice(len(mesh), None)
    expected = matrix[1 : 2 * len(mesh) : 2, 2 * len(mesh) :]
    assert np.all(contact >= len(mesh))
    size = np.abs(expected).max()
    assert np.abs(rows[:, nodes] - expected).max() < 3e-5 * size


def test_mutual_resistance_of_two_electrodes():
    # 1/(2 pi y d), the potential of a point current on a half-space. Model: |k1| d = 0.02.
    frequency, earth = 500.0, Earth(13.0, 0.01)
    wires = [
        Wire([(x, 0, 0), (x + 1, 2, 3)], radius=1e-3, name=f"{x}", earth_start=Electrode(1.0))
        for x in (0, 3)
    ]
    scene = Scene(wires, feed=Feed("0"), earth=earth)
    system = System.from_scene(scene, build_mesh(scene, 1e6))
    contacts, ec = system.contacts, permittivity(frequency, earth)
    assert contacts is not None
    table = ContactTable.build(frequency, ec, rho_min=0.1, rho_max=9.0, zeta_max=4.0)
    z = contacts.impedance_matrix(table, frequency, ec)
    a_e = contacts.radii(frequency, ec)
    assert abs(z[0, 1] - z[1, 0]) == 0.0
    expected = 1 / (2 * np.pi * admittivity(frequency, earth) * np.hypot(3.0, a_e[0]))
    assert abs(z[0, 1] / expected - 1) < 0.02
    assert abs(z[0, 0] - Electrode(1.0).impedance_at(frequency, ec)) == 0.0


def test_monopole_led_to_earth_of_rising_conductivity_becomes_that_over_perfect_ground():
    def impedance(points, earth, electrode):
        wire = Wire(points, radius=1e-3, name="rod", earth_start=electrode)
        scene = Scene(wire, feed=Feed("rod"), earth=earth)
        return solve(scene, FREQUENCY, degree=4, tolerance=None).impedance

    for points in ([(0, 0, 0), (0, 0, 10.2)], [(0, 0, 0), (1, 0.5, 4), (6, 3, 5.5)]):
        goal = impedance(points, Earth.perfect(), None)
        gaps = []
        for conductivity in (1e3, 1e5, 1e7):
            ground = Earth(13.0, conductivity)
            # a contact 50 mm in radius
            size = 1 / (2 * np.pi * admittivity(FREQUENCY, ground) * 0.05)
            found = impedance(points, ground, Electrode(impedance=size))
            gaps.append(abs(found - goal) / abs(goal))
        # the surface impedance goes like 1/sqrt(conductivity), a tenth for a hundred times; near
        # the contact less, while the skin depth (6 mm at first) is above the wire's radius
        assert gaps[0] < 0.01
        assert 6 < gaps[0] / gaps[1] < 12
        # Model: near its image a wire on one line has the distance of wires off it, 8e-5.
        assert gaps[2] < 2e-4


def carson(frequency: float, height: float, radius: float, earth: Earth) -> complex:
    """Series impedance per metre of a wire over earth. [ohm/m]

    J. R. Carson, "Wave propagation in overhead wires with ground return", Bell System Technical
    Journal 5, 1926 (from memory): jw mu0/(2 pi) [ln(2h/a) + 2 Int exp(-2 h u)/(u + sqrt(u^2 + jw
    mu0 sigma)) du].
    """
    omega = 2 * np.pi * frequency
    square = 1j * omega * mu_0 * earth.conductivity
    root = abs(np.sqrt(square))

    def part(u: float) -> complex:
        return np.exp(-2 * height * u) / (u + np.sqrt(u * u + square))

    edges = [0.0, 0.1 * root, root, 10 * root, 1.0 / height, 20.0 / height]
    total = sum(
        quad(lambda u: part(u).real, a, b)[0] + 1j * quad(lambda u: part(u).imag, a, b)[0]
        for a, b in pairwise(edges)
    )
    return 1j * omega * mu_0 / (2 * np.pi) * (np.log(2 * height / radius) + 2 * total)


@pytest.mark.parametrize(("conductivity", "ohms"), [(0.01, 20.0), (0.1, 5.0)])
def test_wire_between_two_electrodes_at_10_khz(conductivity, ohms):
    # Carson's impedance belongs to an endless wire. The ends, from the mutual impedance of grounded
    # wires by E. D. Sunde 1949 (from memory), Q'' + P with Q = 1/(2 pi sigma r) and
    # P = [1 - (1 + gr) exp(-gr)]/(2 pi sigma r^3), g^2 = jw mu0 sigma, over a length L >> 1/|g|:
    # -g/(pi sigma) - 1/(2 pi sigma L). The wire is a line with its charging current; its two
    # upright ends add their heights to its length. Required: 0.2 % of R.
    frequency, height, radius = 10e3, 1.0, 2e-3
    earth = Earth(13.0, conductivity)
    per_metre = carson(frequency, height, radius, earth)
    omega = 2 * np.pi * frequency
    # the resistance in deep-lying earth is w mu0/8, less for a wire of some height
    assert 0.9 < per_metre.real / (omega * mu_0 / 8) < 1.0
    grounded = Electrode(impedance=ohms)
    resistances = []
    for length in (300.0, 1200.0):
        points = [(0, 0, 0), (0, 0, height), (length, 0, height), (length, 0, 0)]
        wire = Wire(points, radius=radius, name="w", earth_start=grounded, earth_end=grounded)
        scene = Scene(wire, feed=Feed("w", at="middle"), earth=earth)
        system = System.from_scene(scene, build_mesh(scene, 0.5e6, degree=2))
        found = 1 / system.solve(frequency).admittance[0, 0]
        root = np.sqrt(1j * omega * mu_0 * conductivity)
        ends = -root / (np.pi * conductivity) - 1 / (2 * np.pi * conductivity * length)
        shunt = 2j * np.pi * omega * epsilon_0 / np.log(2 * height / radius)
        z_line, propagation = np.sqrt(per_metre / shunt), np.sqrt(per_metre * shunt)
        t, z_end = np.tanh(propagation * (length / 2 + height)), ohms + ends / 2
        expected = 2 * z_line * (z_end + z_line * t) / (z_line + z_end * t)
        assert abs(found.real / expected.real - 1) < 2e-3
        assert abs(found.imag / expected.imag - 1) < 0.02
        resistances.append((found.real, expected.real))
    # between two lengths the ends cancel: what the wire itself adds
    (a, b), (d, e) = resistances
    assert abs((d - a) / (e - b) - 1) < 2e-3


# --- watts and fields --------------------------------------------------------------------------


def test_flux_by_charges_is_the_flux_by_currents_where_nothing_touches():
    # Two forms of one integral, with point moments in the air too. Quadrature and interpolation.
    base = 0.9
    points = [(0, 0, base), (0.5, 0.3, 4.0), (4.2, 1.1, 5.0)]
    scene = Scene(Wire(points, radius=2e-3, name="up"), feed=Feed("up", at=1.1), earth=AVERAGE)
    system = System.from_scene(scene, build_mesh(scene, FREQUENCY, degree=3))
    random = np.random.default_rng(4)
    n = len(system.mesh)
    unknowns = random.normal(size=system.n_unknowns) + 1j * random.normal(size=system.n_unknowns)
    coefficients = system.prepared.basis.legendre_currents(unknowns, system.mesh.degree)
    currents = ElementCurrents(system.mesh.start, system.mesh.end, system.mesh.radius, coefficients)
    assert n >= 2
    solid = PointMoments(
        np.array([[0.3, 0.2, 1.0], [2.0, 1.5, 3.0]]),
        0.3 * (random.normal(size=(2, 3)) + 1j * random.normal(size=(2, 3))),
    )
    nothing = ContactCharges(np.zeros((0, 3)), np.zeros(0, complex), np.zeros(0))
    for polarisation in (None, solid):
        ground = AVERAGE.at(FREQUENCY)
        expected = earth_flux(currents, FREQUENCY, ground, polarisation=polarisation)
        found = contact_flux(
            currents, nothing, np.zeros(0, complex), system.prepared, FREQUENCY, ground,
            polarisation=polarisation,
        )  # fmt: skip
        assert abs(found / expected - 1) < 1e-6


@pytest.mark.parametrize("frequency", [1.9e6, FREQUENCY, 21.2e6])
def test_balance_closes_with_electrodes(frequency):
    # Sky, earth, copper and loads each by themselves. Model: the distance a_e is not in the vector
    # potential and the far field, some |k1 a_e|^2 of what the contact takes.
    electrode = Electrode(0.05, radius=2e-3)
    copper = Conductor.named("annealed copper")
    wires = [
        Wire([(0, 0, 0), (0.5, 0.3, 4.0), (4.2, 1.1, 5.0)], radius=2e-3, name="up",
             earth_start=electrode, conductor=copper),
        Wire([(-2.0, 1.0, 1.7), (0, 0, 0)], radius=1e-3, name="stay"),
        Wire([(1.0, 2.2, 0), (1.4, 2.0, 3.1), (3.9, 3.0, 3.6)], radius=1e-3, name="pipe",
             earth_start=electrode, conductor=copper),
    ]  # fmt: skip
    feeds = [Feed("up", at=1.1, name="one"), Feed("pipe", at=2.0, name="two", termination=70 + 20j)]
    solution = solve(Scene(wires, feeds=feeds, earth=AVERAGE), frequency)
    budget = solution.budget
    assert budget.earth > 0.2
    assert solution.balance_error < 1e-4
    charges = solution.contact_charges()
    assert charges is not None
    up = solution.current("up", 0.0)
    stay = solution.current("stay", solution.scene.wire("stay").length)
    assert abs(charges.currents[0] - (up - stay)) < 1e-12 * abs(up)
    assert abs(charges.currents[1] - solution.current("pipe", 0.0)) < 1e-12 * abs(up)


@pytest.mark.parametrize("frequency", [1.9e6, FREQUENCY])
def test_balance_closes_with_a_wet_timber_and_an_earthed_downpipe(frequency):
    # The timber lies in the field of the contacts' charges: without them the balance is off by
    # 2e-4 and 5e-4. Model, as above.
    electrode = Electrode(0.05, radius=2e-3)
    up = [(0, 0, 0), (0.5, 0.3, 4.0), (4.2, 1.1, 5.0)]
    wire = Wire(up, radius=2e-3, name="up", earth_start=electrode)
    ends, wood = ((-0.4, 0.5, 0.35), (3.0, 0.7, 0.5)), Wood(moisture=0.25)
    house = [
        Timber(*ends, width=0.3, depth=0.3, wood=wood, name="sleeper"),
        Downpipe([(5.5, 0.4, 4.8), (5.5, 0.4, 0.4)], diameter=0.08, name="pipe", earthed=electrode),
    ]
    scene = Scene(wire, feed=Feed("up", at=1.1), earth=AVERAGE, house=house)
    solution = solve(scene, frequency, tolerance=None)
    assert solution.budget.timbers > 1e-4  # what is left out would show in the balance
    assert solution.balance_error < 3e-5
    charges = solution.contact_charges()
    assert charges is not None
    assert charges.currents.shape == (2,)


def test_fields_of_led_wires_obey_amperes_law():
    # curl H = jw eps0 E with E from the charges, those of the contacts included, and H from the
    # currents alone: it fails by tens of per cent without them. Model: central differences, and
    # a_e^2/R^2.
    wire = Wire([(0, 0, 0), (0.5, 0.3, 4.0), (4.2, 1.1, 5.0)], radius=2e-3, name="up",
                earth_start=Electrode(0.05, radius=2e-3))  # fmt: skip
    solution = solve(Scene(wire, feed=Feed("up", at=1.1), earth=AVERAGE), FREQUENCY)
    step = 5e-3
    for place in ((0.8, -0.5, 0.6), (-0.3, 0.3, 0.2)):
        moves = np.concatenate([step * np.eye(3), -step * np.eye(3)])
        h = solution.magnetic_field(np.array(place) + moves)
        slope = (h[:3] - h[3:]) / (2 * step)  # slope[j, i] = d H_i/d x_j
        curl = np.array([slope[1, 2] - slope[2, 1], slope[2, 0] - slope[0, 2],
                         slope[0, 1] - slope[1, 0]])  # fmt: skip
        e = solution.electric_field(np.array(place))
        off = np.linalg.norm(curl / (2j * np.pi * FREQUENCY * epsilon_0) - e)
        assert off < 4e-3 * np.linalg.norm(e)
    # on the surface too
    assert np.isfinite(solution.electric_field(np.array([[0.5, 0.0, 0.0], [0.02, 0.0, 0.0]]))).all()


def test_a_downpipe_beside_an_antenna():
    def scene(electrode):
        antenna = Wire([(-4, 0, 6.0), (0, 0, 7.0), (5, 0, 6.2)], radius=1e-3, name="antenna")
        bottom = 0.0 if electrode else 0.3
        pipe = Wire([(5.5, 0.4, 5.8), (5.5, 0.4, bottom)], radius=0.04, name="pipe",
                    earth_end=electrode, outside=True)  # fmt: skip
        return Scene([antenna, pipe], feed=Feed("antenna", at=4.0), earth=AVERAGE)

    led_down = solve(scene(Electrode(impedance=50.0)), [7.1e6, 14.2e6])
    hanging = solve(scene(None), [7.1e6, 14.2e6])
    current = np.abs(led_down.current("pipe", 5.8))
    assert np.all(current > 1e-3)
    assert np.all(np.abs(led_down.impedance / hanging.impedance - 1) > 1e-3)
    assert np.all(led_down.balance_error < 2e-3)
