"""Slow, readable twins of the compiled kernels of timber and sheets.

Tolerance classes: rounding 1e-10 and better; quadrature as stated beside each.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.polynomial.legendre import leggauss, legval, legvander
from scipy.constants import c as light
from scipy.constants import epsilon_0, mu_0
from scipy.integrate import quad

from ridgepole.materials import Earth
from ridgepole.solver.earth.kernels import add_reflected_functions
from ridgepole.solver.earth.tables import build_earth_table
from ridgepole.solver.fields.near import fields
from ridgepole.solver.moments.assembly import make_elements
from ridgepole.solver.moments.basis import (
    ElementCurrents,
    legendre_of_functions,
    legendre_of_slopes,
)
from ridgepole.solver.surround import distance_kernels, kernels, placing_kernels
from ridgepole.solver.surround.volume import _gauss_tables

FREQUENCY = 21.3e6
OMEGA = 2 * np.pi * FREQUENCY
K = OMEGA / light

STARTS = np.array([(0.2, -0.4, 2.1), (1.3, 0.6, 2.4), (-0.9, 0.5, 3.0)])
ENDS = np.array([(1.3, 0.6, 2.4), (1.9, 2.4, 2.2), (-0.5, -1.6, 2.7)])
DEGREES = np.array([2, 4, 3])
ELEMENTS = make_elements(STARTS, ENDS, np.full(3, 1e-3), DEGREES)
OFFSET = np.concatenate([[0], np.cumsum(DEGREES + 1)])


def table(n_nodes, n_orders):
    """Gauss nodes, and Legendre polynomials times weights there, as kernels take them."""
    nodes, weights = leggauss(n_nodes)
    return nodes, np.ascontiguousarray(legvander(nodes, n_orders - 1).T * weights)


def static_sums(point, element, n, *, compiled=True):
    function: Any = kernels.static_sums
    kernel = function if compiled else function.py_func
    unit = ELEMENTS.half[element] / ELEMENTS.length[element]
    vector, slope = np.full(n, np.nan), np.full((n, 3), np.nan)
    kernel(
        *point, *ELEMENTS.center[element], *unit, ELEMENTS.length[element], n,
        *table(10, n), np.empty((n, n)), vector, slope,
    )  # fmt: skip
    return vector, slope


def slow_sums(point, element, n):
    """V_i and G_i by adaptive quadrature, cut where the point's foot is."""
    h = ELEMENTS.length[element]
    unit = ELEMENTS.half[element] / h
    offset = point - ELEMENTS.center[element]
    foot = float(np.clip(offset @ unit, -h, h))
    cuts = np.unique(np.array([-h, foot, h]))

    def integral(what):
        parts = [quad(what, a, b, epsabs=0, epsrel=1e-12, limit=400)[0] for a, b in pairwise(cuts)]
        return sum(parts)

    def r(s):
        return np.linalg.norm(offset - s * unit)

    vector, slope = np.zeros(n), np.zeros((n, 3))
    for i in range(n):
        order = np.eye(n)[i]
        vector[i] = integral(lambda s, c=order: legval(s / h, c) / r(s))
        for a in range(3):
            slope[i, a] = integral(
                lambda s, c=order, a=a: -legval(s / h, c) * (offset - s * unit)[a] / r(s) ** 3
            )
    return vector, slope


def beside(element, along, away):
    """A point at `along` half lengths from the middle of an element and `away` metres off it."""
    half = ELEMENTS.half[element]
    across = np.cross(half, [0.3, 0.1, 1.0])
    return ELEMENTS.center[element] + along * half + away * across / np.linalg.norm(across)


@pytest.mark.filterwarnings("ignore::scipy.integrate.IntegrationWarning")
@pytest.mark.parametrize(
    ("along", "away", "tolerance"),
    [
        (0.31, 0.012, 1e-9),  # beside it, in closed form
        (-0.97, 0.004, 1e-9),  # foot near an end
        (1.02, 0.02, 1e-9),  # foot just past an end
        (1.6, 0.0, 1e-7),  # on the axis' extension, where the closed form loses digits
        (2.2, 0.7, 1e-9),  # as far as the closed form goes
        (3.1, 0.9, 1e-9),  # by nodes
    ],
)
@pytest.mark.parametrize("compiled", [True, False])
def test_static_sums(along, away, tolerance, compiled):
    point = beside(1, along, away)
    vector, slope = static_sums(point, 1, 6, compiled=compiled)
    expected_vector, expected_slope = slow_sums(point, 1, 6)
    np.testing.assert_allclose(vector, expected_vector, atol=tolerance * abs(expected_vector[0]))
    scale = np.abs(expected_slope).max()
    np.testing.assert_allclose(slope, expected_slope, atol=tolerance * scale)


@pytest.mark.parametrize("n", [2, 3, 6])
def test_legendre_sums_to_functions(n):
    random = np.random.default_rng(n)
    vector, slope, h = random.normal(size=n), random.normal(size=(n, 3)), 0.7
    # v_f = sum T_i V_i, s_f = sum D_i G_i / h: rounding
    expected = legendre_of_functions(n) @ vector, legendre_of_slopes(n) @ slope / h
    kernels.to_functions(n, h, vector, slope)
    np.testing.assert_allclose(vector, expected[0], rtol=1e-13)
    np.testing.assert_allclose(slope, expected[1], rtol=1e-13)


def frames_of(n):
    """Lopsided right-handed unit axes, (n, 3, 3)."""
    random = np.random.default_rng(8)
    return np.ascontiguousarray(np.linalg.qr(random.normal(size=(n, 3, 3)))[0])


def function_fields(points, frames, **options):
    """E of every local function and each element's next one along the frames, by `fields`."""
    local, following = [], []
    for e, degree in enumerate(DEGREES):
        rows = legendre_of_functions(degree + 2)
        for f in range(degree + 2):
            current = ElementCurrents(
                STARTS[e : e + 1],
                ENDS[e : e + 1],
                np.array([1e-6]),
                rows[f : f + 1].astype(complex),
            )
            field = fields(current, FREQUENCY, points, **options)[0]
            turned = np.einsum("cab,cb->ca", frames, field).ravel()
            (local if f <= degree else following).append(turned)
    return np.array(local), np.array(following)


POINTS = np.array(
    [
        beside(0, 0.2, 0.03),
        beside(1, -0.9, 0.08),
        (0.4, 1.9, 3.3),
        (7.0, -5.0, 1.2),
        beside(2, 1.4, 0.0),
    ]
)


def largest_at(values):
    """Greatest component of any function at each point, (P,)."""
    return np.abs(values).reshape(len(values), -1, 3).max(axis=(0, 2))


def test_fields_of_all_functions():
    """Near pairs get their static part from the means, here those of the point itself."""
    frames = frames_of(len(POINTS))
    near = np.array([[1, 0, 0], [1, 1, 0], [0, 0, 0], [0, 0, 0], [0, 0, 1]], dtype=bool)
    slot = np.full(near.shape, -1, dtype=np.int32)
    slot[near] = np.arange(near.sum())
    width = int(DEGREES.max()) + 2
    mean_vector, mean_slope = np.zeros((near.sum(), width)), np.zeros((near.sum(), width, 3))
    for c, e in zip(*np.nonzero(near), strict=True):
        n = DEGREES[e] + 2
        vector, slope = static_sums(POINTS[c], e, n)
        kernels.to_functions(n, ELEMENTS.length[e], vector, slope)
        mean_vector[slot[c, e], :n] = vector
        mean_slope[slot[c, e], :n] = slope @ frames[c].T
    local = np.zeros((OFFSET[-1], 3 * len(POINTS)), complex)
    following = np.zeros((3, 3 * len(POINTS)), complex)
    kernels.add_direct_functions(
        POINTS, np.arange(len(POINTS) + 1), frames, slot, K, 1.0, 1,
        *ELEMENTS[:3], DEGREES, OFFSET, *_gauss_tables(width), mean_vector, mean_slope,
        -1j * OMEGA * mu_0 / (4 * np.pi), 1 / (4j * np.pi * OMEGA * epsilon_0), local, following,
    )  # fmt: skip
    expected = function_fields(POINTS, frames)
    scale = largest_at(expected[0])
    for found, wanted in zip((local, following), expected, strict=True):
        error = np.abs(found - wanted).reshape(len(wanted), -1, 3).max(axis=2) / scale
        owner = np.repeat(np.arange(3), DEGREES + 1) if len(wanted) > 3 else np.arange(3)
        close = near.T[owner]
        # Class: quadrature. The rule aims at 1e-6; 30 mm from an axis what is left of
        # exp(-jkR)/R has a kink that few nodes meet to 3e-4 of the field.
        assert error[~close].max() < 2e-5
        assert error[close].max() < 5e-4


def test_mean_over_a_cell_is_that_of_its_samples():
    """Two samples and two mirrored elements with the factor -1: sums of single ones (rounding)."""
    frame = frames_of(1)
    image = ELEMENTS.mirrored
    none = np.full((1, 3), -1, dtype=np.int32)
    tables = _gauss_tables(6)
    results = []
    for samples, factor in ((POINTS[2:4], -1.0), (POINTS[2:3], 1.0), (POINTS[3:4], 1.0)):
        local, following = np.zeros((OFFSET[-1], 3), complex), np.zeros((0, 3), complex)
        kernels.add_direct_functions(
            np.ascontiguousarray(samples), np.array([0, len(samples)]), frame, none, K, factor, 0,
            *image[:3], DEGREES, OFFSET, *tables, np.zeros((0, 6)), np.zeros((0, 6, 3)),
            1.0 + 2.0j, 0.3 - 1.0j, local, following,
        )  # fmt: skip
        results.append(local)
    np.testing.assert_allclose(results[0], -0.5 * (results[1] + results[2]), rtol=1e-11, atol=1e-14)


def test_fields_that_real_earth_reflects():
    frames, earth = frames_of(len(POINTS)), Earth(13, 0.005)
    high = max(POINTS[:, 2].max(), 3.0)
    earth_table = build_earth_table(
        FREQUENCY, earth.at(FREQUENCY), rho_max=14.0, zeta_min=2.1 + 1.2, zeta_max=high + 3.0,
        with_fields=True,
    )  # fmt: skip
    local = np.zeros((OFFSET[-1], 3 * len(POINTS)), complex)
    following = np.zeros((3, 3 * len(POINTS)), complex)
    add_reflected_functions(
        POINTS, frames, *ELEMENTS[:3], DEGREES, 1, OFFSET, *_gauss_tables(6),
        *earth_table.field_arguments(), local, following,
    )  # fmt: skip
    with_earth = function_fields(POINTS, frames, earth=earth)
    without = function_fields(POINTS, frames)
    for found, one, other in zip((local, following), with_earth, without, strict=True):
        wanted = one - other
        # Class: table interpolation, and what is left when the direct field is taken away again.
        np.testing.assert_allclose(found, wanted, atol=3e-6 * np.abs(one).max())
        scale = largest_at(with_earth[0] - without[0])
        # Class: quadrature of the kernel's own rule, which aims at exp(-10).
        assert np.all(largest_at(found - wanted)[2:4] < 5e-5 * scale[2:4])


# Fine integrals over a cell ----------------------------------------------------------------------

CELL_HALF = np.array([0.11, 0.02, 0.06])
CELL_FRAME = frames_of(1)[0]
CELL_CENTER = beside(0, 0.3, 0.0) + 0.095 * CELL_FRAME[2] + 0.01 * CELL_FRAME[1]
MEMBERS = np.array([0, 1])
COUNTS = np.array([4, 5])  # functions of the two members
TOTAL = int(COUNTS.sum())


def integrate(kind, counts):
    n_bricks = int(np.prod(counts)) if kind == kernels.BRICKED else 0
    nodes, legendre = table(10, 6)
    mean_vector, mean_slope = np.zeros((2, 6)), np.zeros((2, 6, 3))
    forms, points = np.zeros((12, TOTAL**2)), np.zeros(1, dtype=np.int64)
    brick_vector, brick_slope = np.zeros(n_bricks * TOTAL), np.zeros((n_bricks * TOTAL, 3))
    kernels.integrate_cells(
        0, 1, CELL_CENTER[None], CELL_FRAME[None], CELL_HALF[None], np.array([kind]),
        np.array([counts]), np.array([0, 2]), MEMBERS, np.array([0, TOTAL**2]),
        np.array([4, 5, 5]), *ELEMENTS[:4], nodes, legendre, mean_vector, mean_slope, forms,
        np.array([0, n_bricks * TOTAL]), brick_vector, brick_slope, points,
    )  # fmt: skip
    return (
        forms.reshape(12, TOTAL, TOTAL), mean_vector, mean_slope,
        brick_vector.reshape(-1, TOTAL), brick_slope.reshape(-1, TOTAL, 3),
    )  # fmt: skip


def dense_fields(n_panels=(5, 2, 6), order=6):
    """Points of a dense rule over the cell and t v_f, s_f there in its frame (P, TOTAL, 3)."""
    x, w = leggauss(order)
    sides = []
    for count in n_panels:
        middles = (2 * np.arange(count) + 1) / count - 1
        sides.append(((middles[:, None] + x / count).ravel(), np.tile(w / (2 * count), count)))
    unit = np.stack(np.meshgrid(*(s for s, _ in sides), indexing="ij"), axis=-1).reshape(-1, 3)
    weights = np.einsum("i,j,k->ijk", *(w for _, w in sides)).ravel()
    points = CELL_CENTER + (unit * CELL_HALF) @ CELL_FRAME
    vector, slope = [], []
    for e, n in zip(MEMBERS, COUNTS, strict=True):
        h = ELEMENTS.length[e]
        s = ((2 * np.arange(60) + 1)[:, None] / 60 - 1 + x / 60).ravel()
        basis = legvander(s, n - 1) * np.tile(w / 60 * h, 60)[:, None]
        offset = points[:, None] - ELEMENTS.center[e] - s[:, None] * ELEMENTS.half[e]
        r = np.linalg.norm(offset, axis=2)
        v = (1 / r) @ basis @ legendre_of_functions(n).T
        g = np.einsum("psa,si->pia", -offset / r[..., None] ** 3, basis)
        tangent = CELL_FRAME @ ELEMENTS.half[e] / h
        vector.append(v[:, :, None] * tangent)
        slope.append(np.einsum("fi,pia->pfa", legendre_of_slopes(n) / h, g) @ CELL_FRAME.T)
    gap = np.min(
        [
            np.linalg.norm(
                points - ELEMENTS.center[e]
                - np.clip((points - ELEMENTS.center[e]) @ ELEMENTS.half[e]
                          / ELEMENTS.length[e] ** 2, -1, 1)[:, None] * ELEMENTS.half[e], axis=1)
            for e in MEMBERS
        ], axis=0,
    )  # fmt: skip
    return unit, weights, np.concatenate(vector, 1), np.concatenate(slope, 1), gap


@pytest.fixture(scope="module")
def dense():
    return dense_fields()


def products(weights, per_axis, vector, slope):
    """<a a>, <a b + b a>, <b b> with each axis weighed point by point, (3, TOTAL, TOTAL)."""
    w = weights[:, None] * np.broadcast_to(per_axis, (weights.size, 3))
    aa = np.einsum("pa,pma,pna->mn", w, vector, vector, optimize=True)
    ab = np.einsum("pa,pma,pna->mn", w, vector, slope, optimize=True)
    bb = np.einsum("pa,pma,pna->mn", w, slope, slope, optimize=True)
    return np.stack([aa, ab + ab.T, bb])


def check_forms(forms, expected, tolerance):
    """Upper triangles; mixed products against the geometric mean of the others."""
    upper = np.triu(np.ones((TOTAL, TOTAL), dtype=bool))
    for row, (found, wanted) in enumerate(zip(forms, expected, strict=True)):
        first = row - row % 3
        greatest = [np.abs(form).max() for form in expected[first : first + 3]]
        scale = np.sqrt(greatest[0] * greatest[2]) if row % 3 == 1 else greatest[row % 3]
        assert np.abs(found - wanted)[upper].max() <= tolerance * scale, row
        assert np.all(found[~upper] == 0.0)


@pytest.mark.parametrize("kind", [kernels.WHOLE, kernels.SHEET])
def test_covariances_over_a_cell(kind, dense):
    # Class: quadrature of the fine integration, 5 % of what the mean leaves out.
    _, weights, vector, slope, gap = dense
    forms, mean_vector, mean_slope, _, _ = integrate(kind, [1, 1, 1])
    means = [np.einsum("p,pna->na", weights, x)[None] for x in (vector, slope)]
    found = np.concatenate([mean_slope[m, :n] for m, n in enumerate(COUNTS)])
    np.testing.assert_allclose(found, means[1][0], atol=2e-3 * np.abs(means[1]).max())
    tangents = [CELL_FRAME @ ELEMENTS.half[e] / ELEMENTS.length[e] for e in MEMBERS]
    found = np.concatenate([mean_vector[m, :n, None] * tangents[m] for m, n in enumerate(COUNTS)])
    np.testing.assert_allclose(found, means[0][0], atol=2e-4 * np.abs(means[0]).max())
    one, axes = np.ones(1), np.eye(3)
    if kind == kernels.WHOLE:
        each = [
            products(weights, axes[k], vector, slope) - products(one, axes[k], *means)
            for k in range(3)
        ]
        each.append(np.zeros((3, TOTAL, TOTAL)))
    else:
        thin = np.exp(-2 * 2 * CELL_HALF[2] / gap)[:, None]
        plane, normal = axes[0] + axes[1], axes[2]
        each = [
            products(weights, thin * plane, vector, slope) - products(one, plane, *means),
            products(weights, thin * normal, vector, slope) - products(one, normal, *means),
            products(weights, (1 - thin) * np.ones(3), vector, slope),
            np.zeros((3, TOTAL, TOTAL)),
        ]
    check_forms(forms, np.concatenate(each), 0.05)


def test_covariances_within_bricks(dense):
    # Class: quadrature of the fine integration.
    unit, weights, vector, slope, _ = dense
    counts = [5, 2, 3]
    forms, _, _, brick_vector, brick_slope = integrate(kernels.BRICKED, counts)
    place = np.minimum(((unit + 1) / 2 * counts).astype(int), np.array(counts) - 1)
    owner = np.ravel_multi_index(tuple(place.T), counts)
    n = int(np.prod(counts))
    share = np.zeros((n, weights.size))
    share[owner, np.arange(weights.size)] = weights * n
    assert np.allclose(share.sum(axis=1), 1.0, atol=0.3)  # panels are not cut at the bricks' faces
    tidy = [
        np.einsum("kp,pna->kna", share, x) / share.sum(1)[:, None, None] for x in (vector, slope)
    ]
    tangents = np.repeat(
        [CELL_FRAME @ ELEMENTS.half[e] / ELEMENTS.length[e] for e in MEMBERS], COUNTS, axis=0
    )
    found = brick_vector[:, :, None] * tangents
    np.testing.assert_allclose(found, tidy[0], atol=5e-3 * np.abs(tidy[0]).max())
    np.testing.assert_allclose(brick_slope, tidy[1], atol=0.02 * np.abs(tidy[1]).max())
    both = products(weights, np.ones(3), vector, slope)
    even = np.full(n, 1.0 / n)
    check_forms(forms[9:], both - products(even, np.ones(3), *tidy), 0.05)
    # All of it together, which is what counts: 1 %.
    whole = forms[9:] + np.triu(products(even, np.ones(3), found, brick_slope))
    check_forms(whole, both, 0.01)
    assert np.all(forms[:9] == 0.0)


def test_forms_are_scattered_to_pairs_of_elements():
    """The last two of three cells, elements in common: every product goes to its pair (rounding).

    Elements 5, 2 and 7 of a mesh are the blocks' 0, 1 and 2, and the forms begin with the second
    cell's.
    """
    random = np.random.default_rng(3)
    mesh, n_functions = [5, 2, 7], np.array([2, 3, 4])
    lists = [[0, 2], [1], [0, 1, 2]]
    members = np.array([mesh[e] for own in lists for e in own])
    place, counts = np.full(8, -1), np.zeros(8, dtype=np.int64)
    place[mesh], counts[mesh] = range(3), n_functions
    first_member = np.array([0, 2, 3, 6])
    columns = np.array([sum(n_functions[e] for e in own) for own in lists])
    first_entry = np.concatenate([[0], np.cumsum(columns**2)])
    base, volume = first_entry[1], np.array([0.3, 9.0, 0.7])
    forms = random.normal(size=(12, first_entry[-1] - base))
    block, size = np.full((3, 3), -1), 0
    for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)):
        block[i, j], size = size, size + n_functions[i] * n_functions[j]
    values = np.ones((12, size))
    placing_kernels.scatter_forms(
        1, 3, volume, first_member, members, place, first_entry, base, counts, forms, block, values
    )
    expected = np.ones_like(values)
    for c in (1, 2):
        names = [(e, f) for e in lists[c] for f in range(n_functions[e])]
        own = forms[:, first_entry[c] - base : first_entry[c + 1] - base]
        matrix = own.reshape(12, columns[c], columns[c])
        for p, (i, a) in enumerate(names):
            for q, (j, b) in enumerate(names):
                if q >= p:
                    at = block[i, j] + a * n_functions[j] + b
                    expected[:, at] += volume[c] * matrix[:, p, q]
    np.testing.assert_allclose(values, expected, rtol=1e-13)


# Distances ---------------------------------------------------------------------------------------


def random_elements(n=60):
    random = np.random.default_rng(11)
    starts = random.uniform(-2, 2, size=(n, 3))
    return starts, starts + random.normal(size=(n, 3))


def test_nearest_elements():
    starts, ends = random_elements()
    points = np.random.default_rng(2).uniform(-3, 3, size=(40, 3))
    distance, which = distance_kernels.nearest_elements(points, starts, ends)
    s = np.linspace(0, 1, 2001)
    on = starts[:, None] + s[:, None] * (ends - starts)[:, None]
    slow = np.linalg.norm(points[:, None, None] - on[None], axis=3).min(axis=2)
    np.testing.assert_array_equal(which, slow.argmin(axis=1))
    np.testing.assert_allclose(distance, slow.min(axis=1), atol=2e-3)


def test_near_cells_are_marked():
    """All within reach are, none beyond 1.25 times it."""
    starts, ends = random_elements()
    random = np.random.default_rng(6)
    center, half = random.uniform(-2, 2, size=(25, 3)), random.uniform(0.02, 0.5, size=(25, 3))
    frame, reach = frames_of(25), random.uniform(0.1, 0.8, size=25)
    near = np.zeros((25, 60), dtype=bool)
    distance_kernels.mark_near(
        center, frame, half, reach, 0.5 * (starts + ends), 0.5 * (ends - starts), near
    )
    s = np.linspace(0, 1, 801)
    on = starts[:, None] + s[:, None] * (ends - starts)[:, None]
    local = np.einsum("cab,cesb->cesa", frame, on[None] - center[:, None, None])
    outside = np.maximum(np.abs(local) - half[:, None, None], 0.0)
    distance = np.linalg.norm(outside, axis=3).min(axis=2)
    assert np.all(near[distance <= reach[:, None]])
    assert not np.any(near[distance > 1.25 * reach[:, None] + 5e-3])
    assert 50 < near.sum() < near.size - 50
