"""The coupled brick solution against closed forms and against itself.

It is the reference for timber and sheets, so every part of it is checked by something that does
not share its formulas.
"""

from __future__ import annotations

from dataclasses import replace

import dielectric_closed_forms as closed
import numpy as np
import pytest
import voxel_reference as voxel
from scipy.constants import c as light
from scipy.constants import epsilon_0
from scipy.special import sici

QUASI_STATIC = 1e-6  # wavenumber [1/m] at which a box of metres is at rest


def _dipole_field(offset, moment, wavenumber):
    """E of a current moment [A m] at an offset (..., 3), written out on its own."""
    r = np.linalg.norm(offset, axis=-1, keepdims=True)
    ray = offset / r
    kr = wavenumber * r
    along = (ray * moment).sum(-1, keepdims=True) * ray
    near = 3 * along - moment
    wave = np.exp(-1j * kr) / (4 * np.pi * r)
    bracket = moment - along + near * (1 / kr**2 + 1j / kr)
    return -1j * wavenumber * voxel.ETA0 * wave * bracket


def test_wire_function_is_a_row_of_dipoles():
    """Closed field of one wire function against a sum of dipoles (quadrature)."""
    dipole, k = voxel.Dipole(2.4, segments=6), 0.9
    points = np.array([[0.31, 0.2, -0.15], [-0.9, -0.3, 0.4], [1.9, 0.05, 0.6]])
    closed_field = voxel.wave_fields(dipole, k, points) @ voxel.node_weights(dipole, k)[:, 1]
    x, w = np.polynomial.legendre.leggauss(60)
    d, middle = dipole.step, dipole.nodes[2]
    total = np.zeros((3, 3), complex)
    for side in (-1, 1):
        s = middle + side * (x + 1) / 2 * d
        current = np.sin(k * (d - np.abs(s - middle))) / np.sin(k * d) * w * d / 2
        for place, strength in zip(s, current, strict=True):
            offset = points - np.array([place, 0, 0])
            total += _dipole_field(offset, np.array([strength, 0, 0]), k)
    np.testing.assert_allclose(closed_field.T, total, rtol=1e-9)


def test_half_wave_dipole_of_sinusoidal_current():
    """One function over half a wave: 73.13 + j42.54 ohm (textbook, imposed sinusoidal current)."""
    thin = voxel.wire_matrix(voxel.Dipole(5.0, 1e-6, 2), 2 * np.pi / 10.0)[0, 0]
    # 30 [Cin(2 pi) + j Si(2 pi)] in units of eta/(4 pi): computed from formula.
    si, ci = sici(2 * np.pi)
    cin = np.euler_gamma + np.log(2 * np.pi) - ci
    assert thin == pytest.approx(voxel.ETA0 / (4 * np.pi) * (cin + 1j * si), rel=1e-5)


@pytest.mark.parametrize("lag", [(2, 1, 0), (1, 2, 3), (0, 0, 2)])
def test_brick_tensor_by_quadrature(lag):
    """Bricks that do not touch: the six-fold integral by Gauss nodes (quadrature, 1e-6)."""
    sides = np.array([1.0, 0.8, 1.3])
    tensor = voxel.prism_tensor(sides, (3, 3, 4))[(slice(None), *lag)]
    x, w = np.polynomial.legendre.leggauss(16)
    u = np.concatenate([(x - 1) / 2, (x + 1) / 2])
    wu = np.concatenate([w, w]) / 2 * (1 - np.abs(u))
    d = np.stack(np.meshgrid(u, u, u, indexing="ij"), axis=-1) * sides + np.array(lag) * sides
    weight = np.einsum("i,j,k->ijk", wu, wu, wu)
    r = np.linalg.norm(d, axis=-1)
    for row, (i, j) in enumerate(voxel.PAIRS):
        value = 3 * d[..., i] * d[..., j] / r**5 - (i == j) / r**3
        integral = np.sum(weight * value) * np.prod(sides) / (4 * np.pi)
        assert tensor[row] == pytest.approx(integral, abs=2e-6)


def test_brick_tensor_of_a_cube_and_of_its_parts():
    """1/3 on itself, no divergence elsewhere, and a cube is the mean of its eight parts."""
    own = voxel.prism_tensor(np.array([0.02, 0.02, 0.02]), (2, 2, 2))
    np.testing.assert_allclose(own[:3, 0, 0, 0], -1 / 3, rtol=1e-12)
    trace = own[:3].sum(axis=0)
    trace[0, 0, 0] += 1
    np.testing.assert_allclose(trace, 0, atol=1e-12)
    # Uneven brick: all pairs of its 2 x 2 x 2 parts, both signs of lag (even on the diagonal).
    sides = np.array([0.03, 0.01, 0.02])
    parts = voxel.prism_tensor(sides / 2, (2, 2, 2))[:3]
    whole = voxel.prism_tensor(sides, (1, 1, 1))[:3, 0, 0, 0]
    pairs = np.array([2, 2])
    mean = np.einsum("cijk,i,j,k->c", parts, pairs, pairs, pairs) / 8
    np.testing.assert_allclose(mean, whole, rtol=1e-10)


def test_convolution_is_the_sum_over_bricks():
    """FFT against a written-out sum of dipoles, lopsided grid, complex moments (point rule)."""
    grid = voxel.Grid((0.0, 0.0, 0.0), (0.5, 0.3, 0.4), (10, 6, 8))
    k = 0.8
    random = np.random.default_rng(5)
    # Places (0,0,0), (1,5,2), (0,1,7) and (9,4,1), (8,0,6), (5,5,7) of the grid.
    chosen, seen = [0, 90, 15], [465, 390, 287]
    polarisation = np.zeros((3, 480), complex)
    polarisation[:, chosen] = random.normal(size=(3, 3)) + 1j * random.normal(size=(3, 3))
    found = voxel.Body.at(grid, k).field_of(polarisation)[:, seen]
    omega = k * light
    moments = 1j * omega * epsilon_0 * grid.volume * polarisation[:, chosen]
    offsets = grid.centers[seen][:, None, :] - grid.centers[chosen][None, :, :]
    expected = _dipole_field(offsets, moments.T[None], k).sum(axis=1)
    assert np.linalg.norm(offsets, axis=-1).min() > 0.2
    # Four bricks apart and more the point rule is within (side/distance)^4.
    np.testing.assert_allclose(found, expected.T, rtol=3e-3)


def test_sphere_in_an_even_field():
    """Bricks in a sphere: 3/(e + 2) of the field (Clausius-Mossotti, textbook; stairs, 3 %)."""
    n = 16
    whole = voxel.Grid((-1.0, -1.0, -1.0), (1.0, 1.0, 1.0), (n, n, n))
    inside = np.linalg.norm(whole.centers, axis=1) < 1.0
    grid = replace(whole, filled=inside.reshape(n, n, n))
    ec = 3 - 0.5j
    incident = np.zeros((3, n**3), complex)
    incident[0], incident[2] = 1.0, 0.5j
    field = voxel.Body.at(grid, QUASI_STATIC).respond(incident, (ec, ec, ec))
    mean = field[:, inside].mean(axis=1)
    np.testing.assert_allclose(mean, 3 / (ec + 2) * np.array([1, 0, 0.5j]), rtol=0.03, atol=1e-6)


def test_wide_board_and_long_bar_in_an_even_field():
    """In the middle of a board 1 in its plane and 1/e across; along a bar 1 (ends, 3 %)."""
    ec = 3 - 0.5j
    board = voxel.Grid.cut((0, 0, 0), (1.6, 1.6, 0.04), voxel=0.04)
    even = np.ones((3, len(board.centers)), complex)
    field = voxel.Body.at(board, QUASI_STATIC).respond(even, (ec, ec, ec))
    middle = field.reshape(3, *board.counts)[:, 20, 20, 0]
    np.testing.assert_allclose(middle, [1, 1, 1 / ec], rtol=0.03)
    bar = voxel.Grid.cut((0, 0, 0), (0.03, 3.0, 0.03), voxel=0.015)
    even = np.ones((3, len(bar.centers)), complex)
    field = voxel.Body.at(bar, QUASI_STATIC).respond(even, (ec, ec, ec))
    middle = field.reshape(3, *bar.counts)[:, :, 100].mean(axis=(1, 2))
    # A square bar lets less in across it than a round one, by 3 to 4 % at this permittivity.
    np.testing.assert_allclose(middle, [2 / (ec + 1), 1, 2 / (ec + 1)], rtol=0.05)


def test_rod_beside_a_line_charge():
    """Watts in a round rod beside a line charge, by bricks and in closed form (stairs, 3 %)."""
    radius, distance, ec, frequency = 0.05, 0.08, 3 - 0.4j, 3.6e6
    n = 24
    whole = voxel.Grid((-2.0, -radius, -radius), (2.0, radius, radius), (1, n, n))
    across = whole.centers[:, 1:]
    inside = np.hypot(across[:, 0], across[:, 1]) < radius
    grid = replace(whole, filled=inside.reshape(1, n, n))
    charge = 2e-9
    line = closed.rod_field(charge, distance, radius, 1.0, across)
    incident = np.concatenate([0 * line[:, :1], line], axis=1).T
    field = voxel.Body.at(grid, QUASI_STATIC).respond(incident, (ec, ec, ec))
    square = np.sum(np.abs(field[:, inside]) ** 2) * np.prod(grid.sides[1:])
    loss = 2 * np.pi * frequency * epsilon_0 * -ec.imag * square
    expected = closed.rod_loss(charge, distance, radius, ec, frequency=frequency)
    assert loss == pytest.approx(expected, rel=0.03)
    # The field itself: 2/(1 + e) of the line's, within a few per cent in the mean.
    share = np.vdot(incident[:, inside], field[:, inside]) / np.sum(np.abs(incident[:, inside]) ** 2)
    assert share == pytest.approx(2 / (1 + ec), rel=0.02)


def test_deep_box_under_a_pair_of_lines():
    """Watts in a deep wide box under lines +q and -q against the half-space (its ends, 4 %)."""
    height, spacing, ec, frequency = 0.04, 0.08, 3 - 0.4j, 3.6e6
    grid = voxel.Grid((-20.0, -0.4, -0.4), (20.0, 0.4, 0.0), (1, 80, 40))
    across, charge = grid.centers[:, 1:], 2e-9
    shift = np.array([spacing / 2, 0.0])
    line = closed.half_space_field(charge, height, 1.0, across - shift)
    line = line - closed.half_space_field(charge, height, 1.0, across + shift)
    incident = np.concatenate([0 * line[:, :1], line], axis=1).T
    field = voxel.Body.at(grid, QUASI_STATIC).respond(incident, (ec, ec, ec))
    square = np.sum(np.abs(field) ** 2) * np.prod(grid.sides[1:])
    loss = 2 * np.pi * frequency * epsilon_0 * -ec.imag * square
    expected = closed.half_space_loss(charge, height, spacing, ec, frequency=frequency)
    assert loss == pytest.approx(expected, rel=0.04)


@pytest.mark.parametrize("arrangement", ["along", "across"])
def test_power_balance(arrangement):
    """Power in is loss in the timber plus power through a far sphere (quadrature, 2e-4)."""
    case = voxel.ReferenceCase(
        arrangement=arrangement,
        offset=1.1,
        gap=0.01,
        along=3.5 - 1.3j,
        across=2.8 - 1.2j,
        timber_length=1.5,
    )
    answer = voxel.reference_case(case, voxel=0.02, segments=12, radiated=True)
    resistance = (answer.bare + answer.added_plain).real
    parts = answer.loss_resistance + answer.radiated_resistance
    assert parts == pytest.approx(resistance, rel=2e-4)
    # Leaving the timber's watts out would show.
    assert abs(parts - answer.loss_resistance - resistance) > 2e-3 * resistance


def test_thin_stuff_is_single_scattering():
    """For ec near 1 nothing scatters twice: the field of the wire alone (5 (ec - 1), 2 %)."""
    ec = 1.02 - 0.003j
    case = voxel.ReferenceCase(frequency=3.6e6, gap=0.02, along=ec, across=ec, timber_length=1.0)
    dipole, grid = voxel.Dipole(5.0), voxel.Grid.cut(*case.corners, voxel=0.02)
    answer = voxel.solve_box(
        dipole, grid, frequency=3.6e6, permittivity=(ec, ec, ec), single_weights=(1, 1, 1)
    )
    assert answer.added_plain == pytest.approx(answer.single_plain, rel=0.02)
    # The finer part too: within a brick nothing else acts than the wire's own field.
    assert answer.added == pytest.approx(answer.single, rel=0.02)


def test_mirrored_case():
    """Timber and feed on the other side of the middle: the same impedance (rounding)."""
    case = voxel.ReferenceCase(timber_length=1.2, offset=0.5, arrangement="across")
    low, high = case.corners
    ec = (2.8 - 0.2j, 3.5 - 0.3j, 2.8 - 0.2j)
    answers = [
        voxel.solve_box(
            voxel.Dipole(5.0, segments=12, feed_node=node),
            voxel.Grid.cut((x0, *low[1:]), (x1, *high[1:]), voxel=0.02),
            frequency=28.5e6,
            permittivity=ec,
            single_weights=(1, 1, 1),
        )
        for node, x0, x1 in ((5, low[0], high[0]), (7, -high[0], -low[0]))
    ]
    assert answers[0].added == pytest.approx(answers[1].added, rel=1e-6)


@pytest.mark.parametrize("arrangement", ["along", "across"])
def test_voxels_converge(arrangement):
    """20, 15 and 10 mm at a gap of 20 mm: steps below 3 %, the answers with and without the finer
    part of the field close in on each other."""
    case = voxel.ReferenceCase(frequency=3.6e6, arrangement=arrangement, timber_length=1.5)
    answers = [voxel.reference_case(case, voxel=side, segments=12) for side in (0.02, 0.015, 0.01)]
    added = np.array([answer.added for answer in answers])
    plain = np.array([answer.added_plain for answer in answers])
    for part in (np.real, np.imag):
        steps = np.abs(np.diff(part(added)) / part(added)[1:])
        assert steps.max() < 0.03
        apart = np.abs(part(added) - part(plain))
        assert apart[0] > apart[1] > apart[2]


def test_a_wire_inside_the_box_is_refused():
    case = voxel.ReferenceCase(gap=-0.05)
    with pytest.raises(ValueError, match="inside the box"):
        voxel.reference_case(case)
