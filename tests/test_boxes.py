"""Interpolation over a box: polynomials of a degree below the number of nodes are exact."""

from __future__ import annotations

import numpy as np

from ridgepole.solver.moments.boxes import AT_ONCE, ChebyshevBox

COUNTS = (4, 3, 5)


def lopsided(n=50):
    random = np.random.default_rng(8)
    return random.uniform(-1.0, 1.0, size=(n, 3)) * (3.0, 0.4, 1.7) + (5.0, -2.0, 0.3)


def polynomial(points):
    x, y, z = points.T
    return np.stack([x**3 * y**2 * z**4, (2 - 1j) * x * z + y], axis=-1)


def test_polynomials_are_exact_within_and_many_points_at_once():
    points = lopsided(AT_ONCE + 7)
    box = ChebyshevBox.around(points, lambda axis, half: COUNTS[axis])
    assert box.size == 60
    assert box.nodes.shape == (60, 3)
    found = box.at(polynomial(box.nodes), points)
    expected = polynomial(points)
    np.testing.assert_allclose(found, expected, atol=1e-11 * np.abs(expected).max())


def test_gathering_is_interpolation_the_other_way_round():
    """Sums of values times a function, over points and over nodes."""
    points = lopsided()
    values = np.random.default_rng(2).normal(size=(50, 3))
    box = ChebyshevBox.around(points, lambda axis, half: COUNTS[axis])
    handed = box.gathered(values, points)
    for k in range(2):
        np.testing.assert_allclose(
            polynomial(box.nodes)[:, k] @ handed, polynomial(points)[:, k] @ values, rtol=1e-10
        )


def test_a_flat_side_has_one_node_and_rules_see_half_lengths():
    points = lopsided()
    points[:, 1] = -0.7
    seen = {}

    def count(axis, half):
        seen[axis] = half
        return 4

    box = ChebyshevBox.around(points, count)
    assert [axis.size for axis in box.axes] == [4, 1, 4]
    assert box.axes[1][0] == -0.7
    assert seen == {a: 0.5 * np.ptp(points[:, a]) for a in (0, 2)}
