"""Bricks of timber that act on each other, against quadrature, closed forms and written-out sums.

Tolerance classes: rounding 1e-9 and better; others as stated beside each.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.polynomial.legendre import leggauss
from scipy.constants import epsilon_0
from voxel_bricks import PAIRS, prism_tensor

from ridgepole.geometry import Timber
from ridgepole.solver.surround import bricks, kernels
from ridgepole.solver.surround.cells import CellRule, cut_solids


def test_prism_field_by_quadrature():
    """Field of an evenly polarised prism at points outside, summed over dipoles (quadrature)."""
    half = np.array([0.5, 0.2, 0.35])
    points = np.array([(1.1, 0.3, -0.4), (-0.2, -0.9, 0.5), (0.3, 0.1, 1.4)])
    x, w = leggauss(14)
    places = np.stack(np.meshgrid(x, x, x, indexing="ij"), axis=-1).reshape(-1, 3) * half
    weights = np.einsum("i,j,k->ijk", w, w, w).ravel() * half.prod()
    offset = points[:, None] - places
    r = np.linalg.norm(offset, axis=2)[..., None, None]
    dyad = 3 * offset[..., :, None] * offset[..., None, :] / r**5 - np.eye(3) / r**3
    expected = np.einsum("q,pqab->pab", weights, dyad) / (4 * np.pi)
    np.testing.assert_allclose(bricks.prism_field(points, half), expected, atol=1e-6)


def test_prism_field_is_symmetric_and_has_the_charge_of_its_faces():
    """div E = -div P: the trace is -1 inside and 0 outside (rounding)."""
    half = np.array([0.3, 0.2, 0.7])
    random = np.random.default_rng(9)
    inside = random.uniform(-0.9, 0.9, size=(20, 3)) * half
    outside = inside + np.array([0.7, -0.5, 1.6])
    for points, trace in ((inside, -1.0), (outside, 0.0)):
        field = bricks.prism_field(points, half)
        np.testing.assert_allclose(field, field.transpose(0, 2, 1), atol=1e-13)
        np.testing.assert_allclose(np.trace(field, axis1=1, axis2=2), trace, atol=1e-12)


def interaction(sides, counts, period=None):
    """K of a box of bricks written out, (3 n, 3 n), brick by brick with three components each.

    With a period of slices that repeat; half of it away they do not count.
    """
    fields = bricks.brick_fields(sides, counts)
    place = np.stack(np.unravel_index(np.arange(np.prod(counts)), counts), axis=1)
    size = len(place)
    matrix = np.zeros((size, 3, size, 3))
    for i in range(size):
        for j in range(size):
            lag = place[i] - place[j]
            if period is not None:
                if 2 * abs(lag[0]) == period:
                    continue
                lag[0] -= period * round(lag[0] / period)
            way = np.where(lag < 0, -1.0, 1.0)
            sign = np.where(np.eye(3, dtype=bool), 1.0, np.outer(way, way))
            matrix[i, :, j] = sign * fields[tuple(np.abs(lag))]
    matrix = matrix.reshape(3 * size, 3 * size)
    return 0.5 * (matrix + matrix.T)


def box_response(sides, counts, chi, period=None):
    """(1/chi - K)^-1 of a box of bricks, (3 n, 3 n)."""
    matrix = interaction(sides, counts, period)
    return np.linalg.inv(np.diag(np.tile(1 / chi, int(np.prod(counts)))) - matrix)


def test_interaction_of_bricks():
    """Against the tensor of the reference, which is averaged over both bricks in closed form."""
    cube = interaction((0.1, 0.1, 0.1), (1, 1, 1))
    np.testing.assert_allclose(cube, -np.eye(3) / 3, atol=2e-3)  # quadrature near edges
    sides, counts = (0.05, 0.03, 0.04), (3, 2, 2)
    matrix = interaction(sides, counts)
    tensor = prism_tensor(np.array(sides), counts)
    place = np.stack(np.unravel_index(np.arange(12), counts), axis=1)
    for i in range(12):
        for j in range(12):
            lag = place[i] - place[j]
            for row, (a, b) in enumerate(PAIRS):
                sign = np.prod(np.where(lag == 0, 1, np.sign(lag))[[a, b]]) if a != b else 1
                expected = sign * tensor[(row, *np.abs(lag))]
                found = matrix[3 * i + a, 3 * j + b]
                assert abs(found - expected) < 3e-3, (i, j, a, b)  # quadrature, of 1/3


def mean_polarisation(sides, counts, chi, way):
    """Mean of P/eps0 over a box in an even field of 1 V/m, (3,)."""
    even = np.tile(np.eye(3)[way], int(np.prod(counts)))
    return (box_response(sides, counts, np.full(3, chi)) @ even).reshape(-1, 3).mean(axis=0)


def test_response_of_a_long_rod():
    """Across, chi/(1 + N chi) of an elliptic cylinder, N = depth/(width + depth); along, chi.

    Class: shape, a rectangle for an ellipse, 5 %; what is beyond half a period, 1 %.
    """
    chi, width, depth = 1.4 - 0.2j, 0.045, 0.145
    sides = (0.1, width / 3, depth / 6)
    even_everywhere = bricks.response(sides, (21, 3, 6), np.full(3, chi))[0]
    for axis, share in ((0, 0.0), (1, depth / (width + depth)), (2, width / (width + depth))):
        found = (even_everywhere @ np.tile(np.eye(3)[axis], 18)).reshape(18, 3).mean(axis=0)
        expected = np.eye(3)[axis] * chi / (1 + share * chi)
        np.testing.assert_allclose(found, expected, rtol=0.05, atol=1e-3)
        assert abs(found[axis] / expected[axis] - 1) < (0.01 if axis == 0 else 0.05)


def test_response_of_a_cube():
    """Somewhat above 3 chi/(chi + 3) of a sphere (Clausius-Mossotti), by up to 5 %."""
    chi = 1.4 - 0.3j
    found = mean_polarisation((0.1, 0.1, 0.1), (5, 5, 5), chi, 1)
    ratio = found[1] / (3 * chi / (chi + 3))
    assert 1.0 < ratio.real < 1.05
    np.testing.assert_allclose(found[[0, 2]], 0.0, atol=1e-12)


RUN_SIDES, RUN_COUNTS = (0.05, 0.045, 0.03), (12, 1, 4)
CHI = np.array([1.9 - 0.3j, 1.3 - 0.2j, 1.3 - 0.2j])
EVEN = np.array([1.9 - 0.3j, 0.6 - 0.05j, 0.9 - 0.1j], dtype=np.complex128)
EVEN *= epsilon_0
BRICK_VOLUME = float(np.prod(RUN_SIDES))


def run_of_bricks(slices, n=5):
    """A run with made-up means over its bricks, of n functions; `slices` of bricks in each cell."""
    random = np.random.default_rng(21)
    means = random.normal(size=(2, 48, n, 3))
    counts = np.array([(count, 1, 4) for count in slices])
    run = bricks.Bricks.from_means(
        np.array(RUN_SIDES), counts, (means[0], means[1]),
        place=np.zeros((n, n), dtype=np.int64),
    )  # fmt: skip
    return means, run


def cells_of(slices, field):
    """Bricks in each cell and the mean over it, (n, 3)."""
    ends = 4 * np.cumsum(slices)
    return [(4 * count, field[end - 4 * count : end].mean(axis=0))
            for count, end in zip(slices, ends, strict=True)]  # fmt: skip


def test_reaction_of_a_run():
    """Written out brick by brick for one frequency (rounding)."""
    slices = (3, 3, 6)
    (vector, slope), run = run_of_bricks(slices)
    # Any factors do; these make both kinds of potential count alike.
    steps = np.array([0.7**2, 0.7 * 1.6, 1.6**2])
    (forms,) = run.forms([run.weight(CHI, EVEN)])
    found = steps[0] * forms[0] + steps[1] * forms[1] + steps[2] * forms[2]
    field = 0.7 * vector + 1.6 * slope  # (48, n, 3)
    mean = field.mean(axis=0)
    rest = field - mean
    period = len(bricks.response(RUN_SIDES, RUN_COUNTS, CHI))
    assert period >= 12 + 6 * 0.12 / 0.05
    response = box_response(RUN_SIDES, (period, 1, 4), CHI, period)
    response = epsilon_0 * BRICK_VOLUME * response.reshape(4 * period, 3, 4 * period, 3)
    expected = np.einsum("kma,kalb,lnb->mn", rest, response[:48, :, :48], rest)
    # What an even field across does to the bricks of a slice, felt by the rest.
    profile = response[:4].sum(axis=2)
    mixed = np.zeros_like(expected)
    for k in range(48):
        for a in (1, 2):
            mixed += np.outer(mean[:, a], profile[k % 4, a, a] * rest[k, :, a])
    expected += mixed + mixed.T
    for count, cell in cells_of(slices, rest):
        expected -= count * BRICK_VOLUME * np.einsum("a,ma,na->mn", EVEN, cell, cell)
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-12 * np.abs(expected).max())


def test_a_run_within_a_long_timber():
    """Against bricks of a timber three times as long, written out (class: the period, 1e-4)."""
    # of a charge 25 mm above the middle
    x = (np.arange(12) - 5.5) * RUN_SIDES[0]
    z = (np.arange(4) - 1.5) * RUN_SIDES[2]
    x, z = np.meshgrid(x, z, indexing="ij")
    height = 2.0 * RUN_SIDES[2] + 0.025
    field: Any = np.stack([x, np.zeros_like(x), z - height], axis=-1)
    field /= (x**2 + (z - height) ** 2)[..., None]
    weight = bricks.BrickWeight(bricks.response(RUN_SIDES, RUN_COUNTS, CHI), 1.0, EVEN)
    found = weight.moments(field.reshape(-1, 1))
    long = np.zeros((36, *field.shape[1:]))
    long[12:24] = field
    expected = (box_response(RUN_SIDES, (36, 1, 4), CHI) @ long.ravel()).reshape(long.shape)
    expected = expected[12:24].ravel()
    assert np.abs(found[:, 0] - expected).max() < 1e-4 * np.abs(expected).max()
    # a run with ends of its own would be off by far more
    cut = box_response(RUN_SIDES, RUN_COUNTS, CHI) @ field.ravel()
    assert np.abs(cut - expected).max() > 1e-3 * np.abs(expected).max()


def test_reaction_of_a_run_does_not_depend_on_its_cells():
    """With the products of the means over cells, which are counted elsewhere (rounding)."""
    totals = []
    for slices in ((12,), (6, 6), (3, 3, 6), (1, 2, 4, 5)):
        (vector, _), run = run_of_bricks(slices)
        total = run.forms([run.weight(CHI, EVEN)])[0][0]
        for count, cell in cells_of(slices, vector):
            total += count * BRICK_VOLUME * np.einsum("a,ma,na->mn", EVEN, cell, cell)
        totals.append(total)
    for total in totals[1:]:
        np.testing.assert_allclose(total, totals[0], rtol=1e-9, atol=1e-12 * np.abs(total).max())


def test_runs_follow_wires_that_cross():
    """Every bricked cell is in one run; crossed ones hang together, others stand alone."""
    timbers = [
        Timber((-2, y, 0), (3, y, 0), width=0.045, depth=0.145, name=f"{y}", group="joists")
        for y in (-0.6, 0.1, 0.9)
    ]
    across = [[(0.4, -2.0, 0.09), (0.7, 0.5, 0.09)], [(2.3, -0.9, 0.1), (1.2, -0.4, 0.1)]]
    along = [[(-2.0, 0.92, 0.09), (2.9, 0.92, 0.09)]]
    ends = np.array(across + along)
    cells = cut_solids(timbers, ends[:, 0].copy(), ends[:, 1].copy(), CellRule(longest=1.0))
    plan = bricks.plan_bricks(cells, ends[:, 0].copy(), ends[:, 1].copy())
    seen = np.concatenate(plan.runs)
    assert sorted(seen) == list(np.flatnonzero(plan.kind == kernels.BRICKED))
    for run in plan.runs:
        assert run.size <= bricks.LONGEST_RUN
        centers = cells.center[run]
        assert np.ptp(centers[:, 1]) < 1e-12
        half = cells.half[run, 0]
        np.testing.assert_allclose(np.diff(centers[:, 0]), half[1:] + half[:-1])
        assert (run.size == 1) or centers[0, 1] < 0.5
        side = 2 * half / plan.counts[run, 0]
        np.testing.assert_allclose(side, side[0])
        assert np.all(plan.counts[run, 1:] == plan.counts[run[0], 1:])
    sizes = sorted(run.size for run in plan.runs if cells.center[run[0], 1] < 0.5)
    assert sizes[-1] > 1
    for run in plan.runs:  # the crossing of the second timber lies well inside of its run
        if abs(cells.center[run[0], 1] - 0.1) < 1e-9:
            low = cells.center[run[0], 0] - cells.half[run[0], 0]
            high = cells.center[run[-1], 0] + cells.half[run[-1], 0]
            assert low < 0.652 - 0.3
            assert high > 0.652 + 0.3
