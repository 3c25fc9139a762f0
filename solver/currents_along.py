"""Currents of a solution where people ask for them: along wires, at the feed, at named points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .answer_records import NodeCurrent, PointReading, WireCurrent
from .moments.basis import FloatArray
from .potentials import end_potentials
from .solution import Solution

AT_END = 1e-9
"""In parts of an element."""


def wire_currents(
    solution: Solution, power: float, *, places_each: int = 5
) -> tuple[WireCurrent, ...]:
    """Currents along all wires, at some places on every element."""
    mesh, wires = solution.mesh, solution.scene.wires
    xi = np.linspace(-1.0, 1.0, places_each)
    coefficients = solution.currents(power=power).current
    values = coefficients @ np.polynomial.legendre.legvander(xi, coefficients.shape[1] - 1).T
    places: list[list[FloatArray]] = [[] for _ in wires]
    currents: list[list[np.ndarray]] = [[] for _ in wires]
    for run in mesh.runs:
        breaks = np.asarray(run.breaks)
        middle, half = 0.5 * (breaks[1:] + breaks[:-1]), 0.5 * np.diff(breaks)
        along = (middle[:, None] + half[:, None] * xi).ravel()
        own = values[run.first_element : run.first_element + middle.size].ravel()
        distance = run.from_distance + run.direction * (along - run.offset)
        inside = (distance > run.from_distance - 1e-9) & (distance < run.to_distance + 1e-9)
        places[run.wire].append(distance[inside])
        currents[run.wire].append(run.direction * own[inside])
    found = []
    for wire, where, what in zip(wires, places, currents, strict=True):
        distance = np.concatenate(where)
        order = np.argsort(distance, kind="stable")
        found.append(WireCurrent(wire.name, distance[order], np.concatenate(what)[order]))
    return tuple(found)


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
