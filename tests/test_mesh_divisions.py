"""Meshes from given divisions of their wires, and divisions of shorter wires."""

from __future__ import annotations

import numpy as np
import pytest

from ridgepole.geometry import Feed, GeometryError, Scene, Wire, build_mesh
from ridgepole.geometry.mesh import last_bound
from ridgepole.solver.system import System

TOP = 29e6


def bent_pair() -> Scene:
    one = Wire([(0, 0, 6), (0.4, 0.2, 8.1), (7.3, 0.9, 8.4)], radius=1e-3, name="one")
    # in line with each other: a single stretch
    two = Wire([(0, 0, 6), (-2.5, 0, 6)], radius=0.8e-3, name="two")
    three = Wire([(-2.5, 0, 6), (-5.1, 0, 6)], radius=0.8e-3, name="three")
    return Scene([one, two, three], feed=Feed("one", at=0.0))


def test_divisions_of_a_refined_mesh_give_it_again() -> None:
    scene = bent_pair()
    mesh = System.refined(scene, build_mesh(scene, TOP), [14e6, TOP], tolerance=0.005).mesh
    divisions = {wire.name: mesh.division(n) for n, wire in enumerate(scene.wires)}
    again = build_mesh(scene, TOP, divisions=divisions)
    assert len(again) == len(mesh) > len(build_mesh(scene, TOP))
    for name in ("start", "end"):  # rounding
        np.testing.assert_allclose(getattr(again, name), getattr(mesh, name), atol=1e-12)
    for name in ("degree", "wire", "free_end", "element_nodes"):
        one, other = getattr(again, name), getattr(mesh, name)
        if name == "element_nodes":  # nodes within stretches are numbered in another order
            one = again.nodes[one]
            other = mesh.nodes[other]
            np.testing.assert_allclose(one, other, atol=1e-12)
        else:
            np.testing.assert_array_equal(one, other)
    np.testing.assert_array_equal(mesh.places_of(again), np.arange(len(mesh)))


@pytest.mark.parametrize("cut", [0.013, 0.4, 1.9, 3.1, 6.9, 7.6])
def test_a_shorter_wire_keeps_whole_elements(cut: float) -> None:
    wire = bent_pair().wire("one")
    scene = bent_pair()
    division = build_mesh(scene, TOP).division(0)
    short = wire.with_length(wire.length - cut)
    found = division.shortened(short)
    assert found.distances[-1] == pytest.approx(short.length, abs=1e-12)
    assert len(found.degrees) == len(found.distances) - 1
    steps = np.diff(found.distances)
    assert np.all(steps > 0.0)
    # the corners of the way are ends of elements
    for corner in short.vertex_distances[:-1]:
        assert np.abs(np.asarray(found.distances) - corner).min() < 1e-9
    # all but the last element before the tip are whole ones of the long wire
    whole = [d for d in found.distances if d in division.distances]
    assert len(whole) >= len(found.distances) - 3
    # a short element stays at the free end, a quarter of what is there at most
    tip = 25 * wire.radius
    room = short.length - short.vertex_distances[-2]
    assert steps[-1] == pytest.approx(min(tip, 0.25 * room), rel=1e-9)


def test_the_same_length_is_the_same_division() -> None:
    scene = bent_pair()
    division = build_mesh(scene, TOP).division(0)
    assert division.shortened(scene.wire("one")) is division


def test_elements_of_another_mesh_are_told() -> None:
    scene = bent_pair()
    mesh = build_mesh(scene, TOP)
    with pytest.raises(GeometryError, match="not in this one"):
        mesh.places_of(build_mesh(scene, TOP, degree=3))


@pytest.mark.parametrize("length", [2.9, 4.2, 6.4, 9.6])
def test_a_stretched_wire_keeps_its_elements(length: float) -> None:
    """What is before the last corner stays, what is after it grows, but for the tip."""
    wire = Wire([(0, 0, 6), (0.4, 0.2, 8.1), (12.3, 0.9, 8.4)], radius=1e-3, name="one")
    reference = wire.with_length(7.1)
    scene = Scene([reference], feed=Feed("one", at=2.0))
    division = build_mesh(scene, TOP).division(0)
    corner = float(wire.vertex_distances[1])
    found = division.stretched(wire.with_length(length))
    assert found.degrees == division.degrees
    old, new = np.array(division.distances), np.array(found.distances)
    before = old <= corner + 1e-9
    assert before.sum() >= 2
    np.testing.assert_array_equal(new[before], old[before])
    assert new[-1] == pytest.approx(length, abs=1e-12)
    tip, own = new[-1] - new[-2], old[-1] - old[-2]
    assert tip == pytest.approx(min(own, 0.25 * (length - corner)), rel=1e-9)
    # all between in proportion
    body_old, body_new = old[~before][:-1] - corner, new[~before][:-1] - corner
    np.testing.assert_allclose(body_new / body_new[-1], body_old / body_old[-1], rtol=1e-9)
    # and back again, where the tip has had room
    if tip == pytest.approx(own):
        back = found.stretched(reference)
        np.testing.assert_allclose(back.distances, division.distances, atol=1e-12)


def test_a_stretched_wire_keeps_what_is_before_a_mark() -> None:
    points = [(0, 0, 6), (9.0, 0.3, 6.4)]
    wire = Wire(points, radius=1e-3, name="one", marks=[3.0])
    division = build_mesh(Scene([wire], feed=Feed("one", at=1.4)), TOP).division(0)
    assert 3.0 in np.round(division.distances, 9)
    found = division.stretched(wire.with_length(7.3))
    assert last_bound(wire) == 3.0
    old, new = np.array(division.distances), np.array(found.distances)
    np.testing.assert_array_equal(new[old <= 3.0], old[old <= 3.0])
    assert np.all(new[old > 3.0] < old[old > 3.0])


def test_cuts_are_carried_to_another_place() -> None:
    scene = bent_pair()
    wire = scene.wire("one")
    division = build_mesh(scene, TOP).division(0)
    assert division.carried(wire, wire) is division
    lifted = Wire(np.add(wire.vertices, [0, 0, 0.7]), radius=1e-3, name="one")
    assert division.carried(wire, lifted) is division
    other = Wire([(0, 0, 6), (0.4, 0.2, 9.3), (7.3, 0.9, 9.1)], radius=1e-3, name="one")
    found = division.carried(wire, other)
    assert found.degrees == division.degrees
    assert found.distances[-1] == pytest.approx(other.length)
    old, new = np.array(division.distances), np.array(found.distances)
    (a,), (b,) = wire.vertex_distances[1:-1], other.vertex_distances[1:-1]
    first = old <= a + 1e-9
    np.testing.assert_allclose(new[first] / b, old[first] / a, atol=1e-12)
    part = (old[~first] - a) / (wire.length - a)
    np.testing.assert_allclose((new[~first] - b) / (other.length - b), part, atol=1e-12)
    with pytest.raises(GeometryError, match="2 corners and ends, and had 3: its mesh"):
        division.carried(wire, Wire([(0, 0, 6), (3, 0, 6)], radius=1e-3, name="one"))
