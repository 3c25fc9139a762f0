"""Currents of a solution where people ask for them: along wires, at the feed, at named points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from .answer_records import NodeCurrent, PointReading, WireCurrent
from .moments.basis import FloatArray, IntArray
from .potentials import end_potentials
from .solution import Solution

if TYPE_CHECKING:
    from ..geometry.mesh import Mesh

AT_END = 1e-9
"""In parts of an element."""


def along_wires(
    mesh: Mesh,
    n_wires: int,
    elements: IntArray,
    xi: FloatArray,
    *,
    some: Sequence[int] | None = None,
) -> list[tuple[FloatArray, IntArray, FloatArray]]:
    """Where places on elements lie along the wires, by wire.

    Parameters
    ----------
    elements : (S,) int
        Rising.
    xi : (S,) float
    some : sequence of int, optional
        Numbers of the wires that are asked for; the others' arrays are empty.

    Returns
    -------
    list of (distances [m], rows, directions)
        Distances rise; rows are indices of the places, directions 1 or -1 against the element.
    """
    parts: list[list[tuple[FloatArray, IntArray, FloatArray]]] = [[] for _ in range(n_wires)]
    wanted = set(range(n_wires) if some is None else some)
    for run in mesh.runs:
        if run.wire not in wanted:
            continue
        breaks = np.asarray(run.breaks)
        middle, half = 0.5 * (breaks[1:] + breaks[:-1]), 0.5 * np.diff(breaks)
        bounds = np.searchsorted(elements, [run.first_element, run.first_element + middle.size])
        rows = np.arange(*bounds)
        own = elements[rows] - run.first_element
        along = middle[own] + half[own] * xi[rows]
        distance = run.from_distance + run.direction * (along - run.offset)
        inside = (distance > run.from_distance - 1e-9) & (distance < run.to_distance + 1e-9)
        count = int(inside.sum())
        parts[run.wire].append((distance[inside], rows[inside], np.full(count, run.direction)))
    found = []
    for each in parts:
        if not each:
            found.append((np.zeros(0), np.zeros(0, dtype=np.int64), np.zeros(0)))
            continue
        distance, rows, direction = (np.concatenate(column) for column in zip(*each, strict=True))
        order = np.argsort(distance, kind="stable")
        found.append((distance[order], rows[order], direction[order]))
    return found


def wire_currents(
    solution: Solution, power: float, *, places_each: int = 5
) -> tuple[WireCurrent, ...]:
    """Currents along all wires, at some places on every element."""
    mesh, wires = solution.mesh, solution.scene.wires
    xi = np.linspace(-1.0, 1.0, places_each)
    coefficients = solution.currents(power=power).current
    values = coefficients @ np.polynomial.legendre.legvander(xi, coefficients.shape[1] - 1).T
    elements = np.repeat(np.arange(len(mesh)), places_each)
    places = along_wires(mesh, len(wires), elements, np.tile(xi, len(mesh)))
    return tuple(
        WireCurrent(wire.name, distances, directions * values.ravel()[rows])
        for wire, (distances, rows, directions) in zip(wires, places, strict=True)
    )


def node_currents(
    solution: Solution, power: float, feed_voltage: complex
) -> tuple[NodeCurrent, ...]:
    """Currents away from the node of the first driven feed, the driven side first."""
    scene, mesh = solution.scene, solution.mesh
    first = next(n for n, feed in enumerate(scene.feeds) if feed.is_driven)
    node, group = mesh.feeds[first].node, set(mesh.feeds[first].group_a)
    coefficients = solution.currents(power=power).current
    ends = [
        (int(e), side)
        for side in (0, 1)
        for e in np.flatnonzero(mesh.element_nodes[:, side] == node)
    ]
    turn = np.exp(-1j * np.angle(feed_voltage))
    orders = np.arange(coefficients.shape[1])
    found = []
    for element, side in ends:
        value = coefficients[element] @ (-1.0 if side == 0 else 1.0) ** orders
        outward = value if side == 0 else -value
        wire = scene.wires[int(mesh.wire[element])].name
        found.append(NodeCurrent(wire, (element, side) in group, complex(outward * turn)))
    order = {wire.name: n for n, wire in enumerate(scene.wires)}
    return tuple(sorted(found, key=lambda one: (not one.is_driven, order[one.wire])))


def named_point_readings(solution: Solution, power: float) -> tuple[PointReading, ...]:
    """Current at every named point of the wires, and the potential of those at open ends."""
    scene, mesh = solution.scene, solution.mesh
    currents = solution.currents(power=power)
    found: list[PointReading] = []
    ends: list[tuple[int, bool]] = []
    for number, wire in enumerate(scene.wires):
        for point, at in wire.named_points:
            element, xi, direction = mesh.locate(number, at)
            current = direction * np.polynomial.legendre.legval(xi, currents.current[element])
            side = 0 if xi < 0.0 else 1
            is_open = abs(abs(xi) - 1.0) < AT_END and bool(mesh.free_end[element, side])
            if is_open:
                ends.append((number, at > 0.5 * wire.length))
            found.append(
                PointReading(
                    point, wire.name, float(at), complex(current), is_open, complex(np.nan, np.nan)
                )
            )
    potentials = iter(end_potentials(solution, ends, power=power))
    return tuple(
        replace(one, potential=complex(next(potentials))) if one.is_open_end else one
        for one in found
    )
