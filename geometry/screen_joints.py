"""The grids of the screens of a scene, joined where screens have a side in common."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.constants import speed_of_light

from .screens import LEAST_PITCH, Ruling, Screen
from .wires import JOINING_DISTANCE, Wire

__all__ = ["draw_screens", "rule_screens"]

Array = NDArray[np.float64]

PITCHES_PER_WAVELENGTH = 12.0


@dataclass(frozen=True)
class _Lines:
    """An axis of a screen whose lines others share: t = sign * common + shift."""

    screen: int
    axis: int
    sign: float
    shift: float


@dataclass(frozen=True)
class _Side:
    """A side that two screens share; axes along it, and which end of the other axis it is at."""

    screens: tuple[int, int]
    axes: tuple[int, int]
    ends: tuple[int, int]
    sign: float
    shift: float


def draw_screens(
    screens: Sequence[Screen], *, near: Sequence[Wire] = (), top_frequency: float = 30e6
) -> dict[str, tuple[Wire, ...]]:
    """The wires of screens that may have sides in common, by name; see `rule_screens`."""
    rulings = rule_screens(screens, near=near, top_frequency=top_frequency)
    return {screen.name: screen.drawn(rulings[screen.name]) for screen in screens}


def rule_screens(
    screens: Sequence[Screen], *, near: Sequence[Wire] = (), top_frequency: float = 30e6
) -> dict[str, Ruling]:
    """The grids of screens, by name, joined where screens have a side in common.

    Parameters
    ----------
    screens : sequence of Screen
    near, top_frequency
        As for `Screen.wires`.

    Raises
    ------
    GeometryError
        If even the widest pitch needs more than `most_pieces` pieces.
    """
    for screen in screens:
        screen.check_pitch()
    widest = speed_of_light / top_frequency / PITCHES_PER_WAVELENGTH
    at = _samples(near, widest)
    local = [(at - screen.center) @ screen.frame.T for screen in screens]
    sides = [
        side
        for i in range(len(screens))
        for j in range(i + 1, len(screens))
        if (side := _common_side(screens[i], screens[j], (i, j))) is not None
    ]
    found: dict[str, Ruling] = {}
    for members in _joined(len(screens), sides):
        own = [side for side in sides if side.screens[0] in members]
        factor = 1.0
        while True:
            rulings = _rule_together(screens, members, own, local, widest, factor)
            if all(rulings[m].n_pieces <= screens[m].most_pieces for m in members):
                break
            for m in members:
                screen, ruling = screens[m], rulings[m]
                longest = max(np.diff(ruling.u).max(), np.diff(ruling.v).max())
                widest_yet = longest > 0.9 * widest and factor > 1e3
                if ruling.n_pieces > screen.most_pieces and (
                    screen.pitch is not None or widest_yet
                ):
                    raise screen.too_many(ruling.n_pieces)
            factor *= 1.12
        found |= {screens[m].name: rulings[m] for m in members}
    return {screen.name: found[screen.name] for screen in screens}


def _common_side(one: Screen, two: Screen, which: tuple[int, int]) -> _Side | None:
    """A side along an axis of each, at the edge of both grids, that lies on one line."""
    for axis, end, start, stop in _edge_sides(one):
        way = (stop - start) / np.linalg.norm(stop - start)
        for axis_two, end_two, *points in _edge_sides(two):
            offset = np.array(points) - start
            along = offset @ way
            off = np.linalg.norm(offset - along[:, None] * way, axis=1)
            overlap = min(along.max(), np.linalg.norm(stop - start)) - max(along.min(), 0.0)
            if off.max() > JOINING_DISTANCE or overlap < LEAST_PITCH:
                continue
            sign = float(np.sign(one.frame[axis] @ two.frame[axis_two]))
            zero = one.center + ((start - one.center) @ one.frame[1 - axis]) * one.frame[1 - axis]
            shift = float((zero - two.center) @ two.frame[axis_two])
            return _Side(which, (axis, axis_two), (end, end_two), sign, shift)
    return None


def _edge_sides(screen: Screen) -> list[tuple[int, int, Array, Array]]:
    """Sides along an axis at the edge of the grid: axis, end of the other axis, two points. [m]"""
    found = []
    outline = screen.outline
    for k, start in enumerate(outline):
        stop = outline[(k + 1) % len(outline)]
        for axis in (0, 1):
            low, high = screen.reach(1 - axis)
            if np.abs(stop - start)[1 - axis] > JOINING_DISTANCE:
                continue
            for end, place in ((0, low), (-1, high)):
                if abs(start[1 - axis] - place) <= JOINING_DISTANCE:
                    points = screen.center + np.array([start, stop]) @ screen.frame[:2]
                    found.append((axis, end, *points))
    return found


def _joined(count: int, sides: Sequence[_Side]) -> list[list[int]]:
    """Screens in groups that hang together by sides in common."""
    label = list(range(count))
    for side in sides:
        one, two = (label[n] for n in side.screens)
        label = [one if n == two else n for n in label]
    return [[n for n in range(count) if label[n] == own] for own in dict.fromkeys(label)]


def _rule_together(
    screens: Sequence[Screen],
    members: Sequence[int],
    sides: Sequence[_Side],
    local: Sequence[Array],
    widest: float,
    factor: float,
) -> dict[int, Ruling]:
    lines: dict[tuple[int, int], tuple[Array, NDArray[np.intp]]] = {}
    for m in members:
        for axis in (0, 1):
            if (m, axis) not in lines:
                lines |= _common_lines(screens, _sharing(m, axis, sides), local, widest, factor)
    found = {m: screens[m].pieces(lines[m, 0][0], lines[m, 1][0], factor) for m in members}
    for side in sides:  # the wire along it belongs to the first
        numbers = [lines[m, axis][1] for m, axis in zip(side.screens, side.axes, strict=True)]
        cells = [np.minimum(n[1:], n[:-1]) for n in numbers]
        rows = [
            found[m].along_u[:, end] if axis == 0 else found[m].along_v[end]
            for m, axis, end in zip(side.screens, side.axes, side.ends, strict=True)
        ]
        rows[1] &= ~np.isin(cells[1], cells[0][rows[0]])
    return found


def _sharing(screen: int, axis: int, sides: Sequence[_Side]) -> list[_Lines]:
    """The axes that have their lines in common with this one, itself first."""
    found = [_Lines(screen, axis, 1.0, 0.0)]
    for one in found:  # grows as it goes
        for side in sides:
            for here, there in ((0, 1), (1, 0)):
                if (side.screens[here], side.axes[here]) != (one.screen, one.axis):
                    continue
                key = side.screens[there], side.axes[there]
                if any((other.screen, other.axis) == key for other in found):
                    continue
                shift = side.shift if there else -side.sign * side.shift
                found.append(_Lines(*key, side.sign * one.sign, side.sign * one.shift + shift))
    return found


def _common_lines(
    screens: Sequence[Screen],
    shared: Sequence[_Lines],
    local: Sequence[Array],
    widest: float,
    factor: float,
) -> dict[tuple[int, int], tuple[Array, NDArray[np.intp]]]:
    """Places of the lines on each axis that shares them, rising, and their common numbers. [m]"""
    tables, ends, seams, corners = [], [], [], []
    for one in shared:
        screen = screens[one.screen]
        fine, pitch = screen.pitches(one.axis, local[one.screen], widest, factor)
        places = one.sign * (fine - one.shift)
        order = np.argsort(places)
        tables.append((places[order], pitch[order]))

        def common(at: Sequence[float] | Array, one: _Lines = one) -> list[float]:
            return (one.sign * (np.asarray(at, dtype=float) - one.shift)).tolist()

        ends += common(screen.reach(one.axis))
        seams += common(screen.seams_across(one.axis))
        corners += common(screen.outline[:, one.axis])
    fine = np.linspace(min(ends), max(ends), 801)
    pitch = np.min([np.interp(fine, *table, left=np.inf, right=np.inf) for table in tables], axis=0)
    lines = _divided(fine, np.minimum(pitch, max(t[1].max() for t in tables)), ends, seams, corners)
    found = {}
    for one in shared:
        low, high = screens[one.screen].reach(one.axis)
        at = one.sign * lines + one.shift
        numbers = np.flatnonzero((at > low - 1e-9) & (at < high + 1e-9))
        numbers = numbers[np.argsort(at[numbers])]
        found[one.screen, one.axis] = at[numbers], numbers
    return found


def _divided(
    fine: Array,
    pitch: Array,
    ends: Sequence[float],
    seams: Sequence[float],
    corners: Sequence[float],
) -> Array:
    """Lines at the ends of screens, beside seams, at corners, and in between by the pitch. [m]"""

    def local_pitch(t: float) -> float:
        return float(np.interp(t, fine, pitch))

    low, high = min(ends), max(ends)
    stops, gaps = [low, high], []
    for t in ends:
        if min(abs(t - s) for s in stops) > 1e-6:
            stops.append(t)
    for t in seams:
        half = min(0.5 * local_pitch(t), 0.4 * (t - low), 0.4 * (high - t))
        gaps.append((t - half, t + half))
    for gap in gaps:
        stops += gap
    for t in corners:  # corners of the outline that are well away from others
        inside_gap = any(a < t < b for a, b in gaps)
        if not inside_gap and min(abs(t - s) for s in stops) > 0.5 * local_pitch(t):
            stops.append(t)
    stops = sorted(stops)
    density = np.concatenate(
        [[0.0], np.cumsum(np.diff(fine) * 0.5 * (1 / pitch[1:] + 1 / pitch[:-1]))]
    )
    lines = [np.array([low])]
    for a, b in pairwise(stops):
        n_a, n_b = np.interp([a, b], fine, density)
        count = 1 if (a, b) in gaps else max(1, int(np.ceil(n_b - n_a - 1e-6)))
        steps = np.interp(np.linspace(n_a, n_b, count + 1)[1:], density, fine)
        steps[-1] = b
        lines.append(steps)
    return np.concatenate(lines)


def _samples(wires: Sequence[Wire], widest: float) -> Array:
    """Points along the wires, close enough to find how near they come, shape (M, 3). [m]"""
    found = [np.zeros((0, 3))]
    for wire in wires:
        count = max(2, int(np.ceil(wire.length / (0.25 * widest))) + 1)
        found += [wire.points_at(np.linspace(0.0, wire.length, count)), wire.vertices]
    return np.concatenate(found)
