"""Meshes from given divisions of their wires, and divisions of shorter wires."""

from __future__ import annotations

import numpy as np
import pytest

from ridgepole.geometry import Feed, GeometryError, Scene, Wire, build_mesh
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
