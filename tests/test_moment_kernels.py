"""Compiled moment integrals against slow readable twins, and the functions made from them.

Tolerance classes: rounding 1e-12; quadrature named beside the case.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import mpmath
import numpy as np
import pytest
from scipy import integrate
from scipy.constants import c as LIGHT_SPEED
from scipy.constants import epsilon_0, mu_0
from scipy.special import ellipe, ellipk, eval_legendre

from ridgepole.geometry import Feed, GeometryError, Scene, Wire
from ridgepole.geometry.mesh import build_mesh
from ridgepole.solver.moments import kernels, pairs
from ridgepole.solver.moments.assembly import (
    SEPARATION,
    fill,
    find_near_pairs,
    make_elements,
    prepare,
)
from ridgepole.solver.moments.basis import connect, legendre_of_functions, legendre_of_slopes
from ridgepole.solver.moments.quadrature import gauss, node_tables

ROUNDING = 1e-12


def interpreted(function) -> Callable:
    """The Python function behind a compiled one."""
    return function.py_func


@pytest.mark.parametrize(
    "function", [kernels.complete_elliptic, interpreted(kernels.complete_elliptic)]
)
def test_complete_elliptic(function):
    for complement in (1.0, 0.7, 0.05, 1e-6, 1e-12):
        k, e = function(complement)
        with mpmath.workdps(40):
            m = 1 - mpmath.mpf(complement)
            expected = [complex(f(m)).real for f in (mpmath.ellipk, mpmath.ellipe)]
        assert [k, e] == pytest.approx(expected, rel=ROUNDING)


@pytest.mark.parametrize(
    ("zeta", "a", "b"),
    [(0.3, 0.1, 0.25), (-1e-3, 0.1, 0.1), (1e-6, 0.02, 0.03), (40.0, 1e-3, 2e-3)],
)
def test_ring_means(zeta, a, b):
    found = kernels.ring_means(zeta, a, b)
    m = 4 * a * b / (zeta**2 + (a + b) ** 2)
    root = np.hypot(zeta, a + b)
    # scipy's integrals lose digits where 1 - m is small: 1e-9.
    expected = 2 / np.pi * ellipk(m) / root, 2 / np.pi * ellipe(m) * root
    assert found == pytest.approx(expected, rel=1e-9)

    # The mean itself, by quadrature.
    def distance(angle):
        return mpmath.sqrt(zeta**2 + a**2 + b**2 - 2 * a * b * mpmath.cos(angle))

    cuts = [0, *sorted(min(3.0, s * (abs(zeta) + abs(a - b)) / a) for s in (1, 10, 100)), mpmath.pi]
    for value, power in zip(found, (-1, 1), strict=True):
        mean = mpmath.quad(lambda t, p=power: distance(t) ** p, cuts) / mpmath.pi
        assert value == pytest.approx(float(mean), rel=1e-10)


def test_legendre_values():
    values = np.empty(7)
    for function in (kernels.legendre_into, interpreted(kernels.legendre_into)):
        function(-0.37, 7, values)
        assert values == pytest.approx(eval_legendre(np.arange(7), -0.37), rel=ROUNDING)


# --- static moments -----------------------------------------------------------------------------

PAIRS = {
    # start, end, radius, degree of two elements
    "collinear neighbours": (
        ((0, 0, 0), (0, 0, 1.3), 0.01, 2),
        ((0, 0, 1.3), (0, 0, 1.8), 0.03, 3),
    ),
    "collinear, head on": (((0, 0, 0), (0, 0, 1.3), 0.01, 2), ((0, 0, 2.4), (0, 0, 1.3), 0.01, 1)),
    "collinear with a gap": (
        ((0, 0, 0), (0, 0, 1.3), 0.02, 2),
        ((0, 0, 1.5), (0, 0, 2.5), 0.01, 2),
    ),
    "V junction": (((0, 0, 0), (0.9, 0, 0.3), 0.01, 2), ((0, 0, 0), (-0.2, 0.5, 0.9), 0.02, 2)),
    "narrow V": (((0, 0, 0), (1.0, 0, 0), 0.01, 1), ((0, 0, 0), (0.8, 0.16, 0), 0.02, 2)),
    "T": (((0, 0, 0), (0.7, 0, 0), 0.01, 2), ((0, 0, 0), (0, 1.1, 0), 0.02, 1)),
    "parallel near": (((0, 0, 0), (1, 0, 0), 0.01, 2), ((0.3, 0.08, 0), (1.2, 0.08, 0), 0.02, 3)),
    "skew": (((0, 0, 0), (1, 0, 0), 0.01, 2), ((0.4, -0.3, 0.1), (0.6, 0.7, 0.15), 0.02, 2)),
}


def elements_of(*described):
    start, end, radius, degree = (np.array(column) for column in zip(*described, strict=True))
    return make_elements(start.astype(float), end.astype(float), radius, degree)


def twin_of_statics(e, i, j, power, orders):
    """h h' Int Int P_m P_n R^power over two elements, by adaptive and graded quadrature."""
    a, b = float(e.radius[i]), float(e.radius[j])
    core = 0.5 * (a**2 + b**2)
    along = e.half[i] / e.length[i]
    beside = np.cross(e.center[j] - e.center[i], along)
    on_line = np.linalg.norm(beside) + np.linalg.norm(np.cross(e.half[j], along)) < 1e-9

    def powered(xi, eta):
        d2 = np.sum((e.center[i] + xi[..., None] * e.half[i]
                     - e.center[j] - eta[..., None] * e.half[j]) ** 2, axis=-1)  # fmt: skip
        if on_line:
            far = d2 + (a + b) ** 2
            m = 4 * a * b / far
            return 2 / np.pi * (ellipk(m) * far**-0.5 if power < 0 else ellipe(m) * far**0.5)
        return (d2 + core * np.exp(-d2 / (4 * core))) ** (0.5 * power)

    # For each xi a quadrature graded to the nearest eta, and the same towards the ends of xi.
    nodes, weights = gauss(16)
    steps = np.concatenate([[0.0], 2.0 ** -np.arange(24, -1, -1)])

    def graded(low, high, towards):
        edges = np.concatenate(
            [towards + (low - towards) * steps, towards + (high - towards) * steps]
        )
        edges = np.unique(edges)
        middle, width = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
        return (middle[:, None] + width[:, None] * nodes).ravel(), np.outer(width, weights).ravel()

    unit = e.half[j] / e.length[j] ** 2
    special = [-1.0, 1.0]
    for eta in (-1.0, 1.0):  # where an end of the other lies beside this one
        xi = float((e.center[j] + eta * e.half[j] - e.center[i]) @ along / e.length[i])
        special.append(min(max(xi, -1.0), 1.0))
    # nearest points of the two lines
    system = np.stack([e.half[i], -e.half[j]], axis=1)
    nearest = np.linalg.lstsq(system, e.center[j] - e.center[i], rcond=None)[0][0]
    special.append(min(max(float(nearest), -1.0), 1.0))
    points = np.unique(special)
    total = np.zeros(orders)
    for low, high in pairwise(points):
        if high - low < 1e-12:
            continue
        half_way = 0.5 * (low + high)
        for a0, a1, towards in ((low, half_way, low), (half_way, high, high)):
            xi, w = graded(a0, a1, towards)
            for x, wx in zip(xi, w, strict=True):
                place = float((e.center[i] + x * e.half[i] - e.center[j]) @ unit)
                eta, we = graded(-1.0, 1.0, min(max(place, -1.0), 1.0))
                values = we * powered(np.full_like(eta, x), eta)
                q = np.polynomial.legendre.legvander(eta, orders[1] - 1).T @ values
                p = np.polynomial.legendre.legvander(np.array([x]), orders[0] - 1)[0]
                total += wx * np.outer(p, q)
    return total * e.length[i] * e.length[j]


@pytest.mark.parametrize("name", PAIRS)
def test_static_moments_of_two_elements(name):
    e = elements_of(*PAIRS[name])
    near = find_near_pairs(e, e)
    row = near.near_index[0, 1]
    assert row >= 0
    orders = (int(e.degree[0]) + 2, int(e.degree[1]) + 2)
    for which, power in ((0, -1), (1, 1)):
        found = near.statics[row, which, : orders[0], : orders[1]]
        expected = twin_of_statics(e, 0, 1, power, orders)
        # Quadrature class: 2e-6 of the largest moment (the leaves' rule, eight nodes and more).
        assert np.abs(found - expected).max() < 2e-6 * np.abs(expected).max()


def test_static_moments_of_an_element_with_itself():
    e = elements_of(((0.1, 0.2, 0), (0.3, 0.9, 1.0), 0.012, 3))
    near = find_near_pairs(e, e)
    h, a = float(e.length[0]), 0.012
    x, w = np.polynomial.legendre.leggauss(40)

    # By the distribution of zeta = s - s': the inner integral has a polynomial integrand.
    def overlap(m, n, zeta):
        low, high = max(-h, -h - zeta), min(h, h - zeta)
        s = 0.5 * (low + high) + 0.5 * (high - low) * x
        return (
            (w * eval_legendre(m, s / h) * eval_legendre(n, (s + zeta) / h)).sum()
            * (high - low)
            / 2
        )

    def ring(zeta, power):
        far = zeta**2 + 4 * a**2
        m = 4 * a**2 / far
        return 2 / np.pi * (ellipk(m) / np.sqrt(far) if power < 0 else ellipe(m) * np.sqrt(far))

    for which, power in ((0, -1), (1, 1)):
        for m, n in ((0, 0), (1, 1), (0, 2), (2, 4), (3, 3)):
            expected = sum(
                integrate.quad(
                    lambda z, m=m, n=n, p=power: ring(z, p) * overlap(m, n, z), *span,
                    points=None, epsabs=1e-13, epsrel=1e-11, limit=200,
                )[0]
                for span in ((-2 * h, -0.02), (-0.02, 0), (0, 0.02), (0.02, 2 * h))
            )  # fmt: skip
            assert near.statics[0, which, m, n] == pytest.approx(expected, rel=1e-7, abs=1e-9)
        # Odd against even vanishes by symmetry.
        assert abs(near.statics[0, which, 0, 1]) < 1e-12


def test_python_and_compiled_leaves_agree():
    e = elements_of(*PAIRS["skew"])
    arguments = (
        e.center[0], e.half[0], e.center[1], e.half[1], e.length[0], e.length[1], 2.5e-4,
        np.array([-0.5, 0.25, 0.0, 1.0]), *gauss(5), 3, 4,
    )  # fmt: skip
    results = []
    for function in (kernels._leaf_statics, interpreted(kernels._leaf_statics)):
        over, times = np.zeros((3, 4)), np.zeros((3, 4))
        function(*arguments, np.empty(4), np.empty((5, 4)), over, times)
        results.append(np.stack([over, times]))
    assert results[0] == pytest.approx(results[1], rel=ROUNDING)


# --- pairs --------------------------------------------------------------------------------------


def test_segment_distance():
    generator = np.random.default_rng(7)
    t = np.linspace(0, 1, 401)
    for _ in range(30):
        p, q, u, v = generator.normal(size=(4, 3))
        if generator.random() < 0.2:
            v = 1.7 * u  # parallel
        found = pairs.segment_distance(*p, *q, *u, *v)
        one, two = p + t[:, None] * u, q + t[:, None] * v
        least = np.linalg.norm(one[:, None] - two[None], axis=2).min()
        assert found <= least + 1e-9
        assert found > least - 0.01
        assert found == pytest.approx(interpreted(pairs.segment_distance)(*p, *q, *u, *v), rel=1e-9)


def test_pairs_are_classified_by_distance_and_line():
    described = [
        ((0, 0, 0), (0, 0, 1), 0.01, 1),
        ((0, 0, 1), (0, 0, 2), 0.01, 1),
        ((0, 0, 9), (0, 0, 10), 0.01, 1),
        ((0.1, 0, 0), (1, 0.5, 0), 0.01, 1),
        ((9, 0, 0), (9, 1, 0.3), 0.01, 1),
    ]
    e = elements_of(*described)
    kind = pairs.classify_pairs(*e[:3], e.center, e.half, SEPARATION)
    assert kind[0].tolist() == [2, 2, 3, 1, 0]
    assert not np.tril(kind, -1).any()


def test_leaves_cover_the_square_and_are_well_apart():
    e = elements_of(*PAIRS["narrow V"])
    floor = 0.005
    first, leaves = pairs.split_pairs(
        np.array([0]), np.array([1]), *e[:3], e.center, e.half, np.array([floor]), SEPARATION
    )
    assert first.tolist() == [0, len(leaves)]
    widths = leaves[:, [1, 3]] - leaves[:, [0, 2]]
    assert np.prod(widths, axis=1).sum() == pytest.approx(4.0, rel=ROUNDING)
    for (a0, a1, b0, b1), (da, db) in zip(leaves, widths, strict=True):
        longer = max(da * e.length[0], db * e.length[1])
        p, q = e.center[0] + a0 * e.half[0], e.center[1] + b0 * e.half[1]
        gap = pairs.segment_distance(*p, *q, *((a1 - a0) * e.half[0]), *((b1 - b0) * e.half[1]))
        assert gap >= SEPARATION * longer or longer <= floor


# --- free-space moments and assembly ------------------------------------------------------------

MESH = elements_of(
    ((0, 0, 4), (0.4, 0.3, 7), 1e-3, 3),
    ((0.4, 0.3, 7), (5, 2, 8), 1e-3, 4),
    ((0, 0, 4), (-3, 2, 4.2), 2e-3, 2),
    ((-3, 2, 4.2), (-6, 4, 4.4), 2e-3, 2),
    ((0, 0, 4), (1, -4, 3.5), 5e-3, 1),
    ((12, 9, 1), (14, 11, 3), 3e-3, 3),
)


def moments(wavenumber, factor=1.0, other=None, extra=1):
    e, other = MESH, MESH if other is None else other
    near = find_near_pairs(e, other)
    tables = node_tables(int(e.degree.max()), extra=2, least=4)
    n, orders = e.length.size, int(e.degree.max()) + 1 + extra
    buffer = np.zeros((n, n, 2, orders, orders), dtype=np.complex128)
    kernels.add_free_space_moments(
        buffer, 0, n, wavenumber, factor, extra, *e, other.center, other.half, *near,
        tables.n_nodes, tables.xi, tables.legendre,
    )  # fmt: skip
    return buffer, near


@pytest.mark.parametrize("is_image", [False, True])
def test_free_space_moments_against_dense_quadrature(is_image):
    # M_ij = h h' Int Int P_i P_j exp(-jkR)/(4 pi R): far pairs whole; in near ones the static part
    # (tested above) is taken as it is and the rest is integrated densely.
    e = MESH
    other = e.mirrored if is_image else e
    k = 2 * np.pi / 21.0
    found, near = moments(k, factor=-1.0 if is_image else 1.0, other=other)
    x, w = np.polynomial.legendre.leggauss(60)
    for i in range(6):
        for j in range(i, 6):
            ni, nj = int(e.degree[i]) + 2, int(e.degree[j]) + 2
            separate = (
                e.center[i] + x[:, None, None] * e.half[i]
                - other.center[j] - x[None, :, None] * other.half[j]
            )  # fmt: skip
            d2 = (separate**2).sum(axis=2)
            if near.kind[i, j] >= 2:
                d2 = d2 + e.radius[i] ** 2 + e.radius[j] ** 2
            r = np.sqrt(d2)
            p = np.polynomial.legendre.legvander(x, ni - 1) * w[:, None]
            q = np.polynomial.legendre.legvander(x, nj - 1) * w[:, None]
            row = near.near_index[i, j]
            values = np.exp(-1j * k * r) / r
            if row >= 0:
                values = (np.exp(-1j * k * r) - 1 + 0.5 * (k * r) ** 2) / r
            expected = e.length[i] * e.length[j] * (p.T @ values @ q)
            if row >= 0:
                static = near.statics[row, :, :ni, :nj]
                expected = expected + static[0] - 0.5 * k**2 * static[1]
            expected = (-1.0 if is_image else 1.0) * expected / (4 * np.pi)
            cosine = e.half[i] @ other.half[j] / (e.length[i] * e.length[j])
            # Quadrature class: degree + 2 nodes on elements up to a quarter of a wavelength;
            # 1e-5, and 1e-4 for the order above the degree, which only the estimate uses.
            scale = np.abs(expected).max()
            error = np.abs(found[i, j, 1, :ni, :nj] - expected)
            assert error[:-1, :-1].max() < 1e-5 * scale
            assert error.max() < 1e-4 * scale
            assert np.abs(found[i, j, 0, :ni, :nj] - cosine * found[i, j, 1, :ni, :nj]).max() < (
                ROUNDING * scale
            )


@pytest.mark.parametrize("extra", [0, 1])
def test_assembled_rows_are_the_transformed_moments(extra):
    e = MESH
    n, orders = e.length.size, int(e.degree.max()) + 1 + extra
    generator = np.random.default_rng(3)
    shape = (n, n, 2, orders, orders)
    buffer = generator.normal(size=shape) + 1j * generator.normal(size=shape)
    for i in range(n):  # an element with itself is symmetric
        buffer[i, i] += buffer[i, i].transpose(0, 2, 1)
    offset = np.concatenate([[0], np.cumsum(e.degree + 1)])
    size = int(offset[-1])
    vector_factor, scalar_factor = 0.3 + 2.0j, -1.1 + 0.4j
    # Rows in two runs, as in the engine.
    local = np.zeros((size, size), dtype=complex)
    next_rows = np.zeros((n if extra else 0, size), dtype=complex)
    diagonal = np.zeros(n if extra else 0, dtype=complex)
    for first, last in ((0, 4), (4, 6)):
        kernels.assemble_rows(
            local, next_rows, diagonal, np.ascontiguousarray(buffer[first:last]), first, last,
            extra, vector_factor, scalar_factor, e.length, e.degree, offset,
        )  # fmt: skip
    for i in range(n):
        for j in range(i, n):
            ni, nj = int(e.degree[i]) + 1, int(e.degree[j]) + 1
            mi, mj = ni + extra, nj + extra
            source = buffer[i, j, :, :mi, :mj]
            values = legendre_of_functions(mi), legendre_of_functions(mj)
            slopes = legendre_of_slopes(mi), legendre_of_slopes(mj)
            block = vector_factor * values[0] @ source[0] @ values[1].T
            block = block + scalar_factor / (e.length[i] * e.length[j]) * (
                slopes[0] @ source[1] @ slopes[1].T
            )
            rows, columns = slice(offset[i], offset[i] + ni), slice(offset[j], offset[j] + nj)
            assert local[rows, columns] == pytest.approx(block[:ni, :nj], rel=1e-10)
            assert local[columns, rows] == pytest.approx(block[:ni, :nj].T, rel=1e-10)
            if extra:
                assert next_rows[i, columns] == pytest.approx(block[ni, :nj], rel=1e-10)
                if i == j:
                    assert diagonal[i] == pytest.approx(block[ni, ni], rel=1e-10)
                else:
                    assert next_rows[j, rows] == pytest.approx(block[:ni, nj], rel=1e-10)


def test_matrix_is_the_combination_of_local_functions():
    nodes = np.array([[0, 1], [1, 2], [0, 3], [3, 4], [0, 5], [6, 7]])
    basis = connect(nodes, MESH.degree, np.zeros(8, dtype=bool))
    frequency = 0.9e6  # all radii are thin: thick corners add to the matrix
    omega = 2 * np.pi * frequency
    filled = fill(prepare(MESH, basis, ground="none"), frequency)
    buffer, _ = moments(omega / LIGHT_SPEED, extra=0)
    local = np.zeros((basis.n_local, basis.n_local), dtype=complex)
    nothing = np.zeros((0, basis.n_local), dtype=complex), np.zeros(0, dtype=complex)
    kernels.assemble_rows(
        local, *nothing, buffer, 0, 6, 0, 1j * omega * mu_0, 1 / (1j * omega * epsilon_0),
        MESH.length, MESH.degree, basis.offset,
    )  # fmt: skip
    dense = basis.combination.toarray()
    expected = dense.T @ local @ dense
    assert np.abs(filled.matrix - expected).max() < ROUNDING * np.abs(expected).max()
    assert np.abs(expected - expected.T).max() < ROUNDING * np.abs(expected).max()


# --- functions ----------------------------------------------------------------------------------

HUB = np.array([[0, 1], [2, 0], [0, 3], [4, 0], [0, 5], [5, 6]])
DEGREE = np.array([2, 1, 3, 1, 2, 2])


def end_currents(basis, unknowns):
    """Current out of each element's ends, shape (E, 2), counted into the node."""
    legendre = basis.legendre_currents(unknowns, DEGREE)
    sign = (-1.0) ** np.arange(legendre.shape[1])
    return np.stack([-legendre @ sign, legendre.sum(axis=1)], axis=1)


def test_current_is_conserved_at_a_hub():
    basis = connect(HUB, DEGREE, np.zeros(7, dtype=bool))
    # Inner functions of each element, 4 for five ends, 1 for two.
    assert basis.n_unknowns == int((DEGREE - 1).sum()) + 4 + 1
    generator = np.random.default_rng(5)
    unknowns = generator.normal(size=(basis.n_unknowns, 2)) @ [1, 1j]
    into = end_currents(basis, unknowns)
    totals = np.zeros(7, dtype=complex)
    np.add.at(totals, HUB.ravel(), into.ravel())
    assert np.abs(totals).max() < 1e-13  # the hub, the joint and every free end
    assert np.abs(into[HUB == 0]).min() > 0.01
    assert np.linalg.matrix_rank(basis.combination.toarray()) == basis.n_unknowns


def test_current_flows_into_a_node_on_the_ground():
    on_ground = np.arange(7) == 0
    basis = connect(HUB, DEGREE, on_ground)
    assert basis.n_unknowns == int((DEGREE - 1).sum()) + 5 + 1
    unknowns = np.random.default_rng(6).normal(size=basis.n_unknowns) + 0j
    into = end_currents(basis, unknowns)
    assert abs(into[HUB == 0].sum()) > 0.1
    # A base feed of one end: b^T I is the current from the ground into it.
    port = basis.port_vector(0, [(0, 0)])
    assert port @ unknowns == pytest.approx(-into[0, 0], rel=ROUNDING)


@pytest.mark.parametrize("group", [[(0, 0)], [(1, 1), (2, 0)], [(0, 0), (3, 1), (4, 0)]])
def test_port_vector_gives_the_current_into_the_group(group):
    basis = connect(HUB, DEGREE, np.zeros(7, dtype=bool))
    unknowns = np.random.default_rng(8).normal(size=(basis.n_unknowns, 2)) @ [1, 1j]
    into = end_currents(basis, unknowns)
    away = -sum(into[element, side] for element, side in group)
    assert basis.port_vector(0, group) @ unknowns == pytest.approx(away, rel=ROUNDING)
    others = [(e, s) for e in range(6) for s in (0, 1) if HUB[e, s] == 0 and (e, s) not in group]
    assert basis.port_vector(0, others) == pytest.approx(-basis.port_vector(0, group), abs=ROUNDING)


def test_locate_finds_points_on_merged_and_reversed_wires():
    wires = [
        Wire([(0, 0, 0), (4, 0, 0), (4, 3, 0)], radius=1e-3, name="bent"),
        Wire([(-5, 0, 0), (0, 0, 0)], radius=1e-3, name="behind"),
        Wire([(4, 3, 0), (4, 9, 0)], radius=1e-3, name="on").reversed(),
    ]
    scene = Scene(wires, feed=Feed("bent", at=1.7))
    mesh = build_mesh(scene, 14e6, longest=0.07)
    at_end = mesh.free_end[:, 0] | mesh.free_end[:, 1]
    refined = mesh.refined(np.zeros(len(mesh), dtype=bool), at_end)
    for found in (mesh, refined):
        for number, wire in enumerate(wires):
            for at in (0.0, 0.31, 1.7, 2.9, 0.77 * wire.length, wire.length):
                element, xi, direction = found.locate(number, at)
                start, end = found.start[element], found.end[element]
                place = 0.5 * (start + end) + 0.5 * xi * (end - start)
                assert np.abs(place - wire.position(at)).max() < 1e-9
                step = 1e-6 if at < wire.length else -1e-6
                along = (wire.position(at + step) - wire.position(at)) / step
                if at not in wire.vertex_distances:
                    unit = (end - start) / np.linalg.norm(end - start)
                    assert direction * (unit @ along) == pytest.approx(1.0, abs=1e-6)
    with pytest.raises(GeometryError, match="no point at 99"):
        mesh.locate(0, 99.0)
