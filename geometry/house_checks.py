"""What a house may not be: solids in each other, wires in wood or metal, anything in the ground."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .errors import GeometryError
from .house import Solid
from .lengths import metres
from .metalwork import Tank
from .nearness import box_pairs
from .obstructions import FLAT, Sheet, Timber
from .outlines import inside, line_parameters
from .screens import Screen
from .wires import JOINING_DISTANCE, Wire, show_point

if TYPE_CHECKING:
    from .scene import Scene

__all__ = ["Boxes", "check_house", "clipped", "house_doubts", "inside_outline"]

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

TWICE = 1.0 / 3.0
"""Parallel timbers of one wood may share so much of the lesser one; more: it is there twice."""

MOSTLY = 0.6
"""Of timbers across each other, the part of the lesser one from which its overlap is doubted."""

PARALLEL = np.cos(np.radians(10.0))  # axes of timbers that may be the same one

_LINES = 8  # along a timber, each way across its section, to measure what it shares

THROUGH = 4.0
"""A wire inside a sheet for more than so many thicknesses lies in it; less: it passes through."""


def check_house(scene: Scene) -> None:
    """What is wrong with solids and tanks, before anything is computed.

    Raises
    ------
    GeometryError
        If solids of different stuff are in each other by more than 2 mm, a piece is there twice,
        a wire runs inside a timber or a tank, lies in a sheet or screen or ends in a screen
        without being joined, or a solid is below ground.

    Notes
    -----
    Timbers of equal wood may overlap: that is how members are notched into each other. Parallel
    ones may share a third of the lesser one. Sheets may meet at edges and corners; they may not
    pass through each other.
    """
    solids = scene.solids
    if solids:
        boxes = Boxes(solids)
        if scene.earth is not None:
            _check_above_ground(boxes)
        _check_overlaps(boxes)
        inside_solids = _wires_in_solids(scene.wires, boxes)
        if inside_solids is not None:
            raise GeometryError(inside_solids)
    _check_tanks(scene)
    _wires_in_screens(scene)


def house_doubts(scene: Scene) -> list[str]:
    """Wires that pass through boards and through screens, told in a sentence each."""
    passing: list[str] = []
    found = []
    if scene.solids:
        boxes = Boxes(scene.solids)
        found += _overlap_doubts(boxes)
        _wires_in_solids(scene.wires, boxes, passing)
    if passing:
        found.append(
            f"Wires pass through sheets ({_listed(passing)}); the hole is taken to be as wide as "
            "the wire."
        )
    passing = _wires_in_screens(scene)
    if passing:
        found.append(
            f"Wires pass through screens ({_listed(passing)}) without touching them; the hole is "
            "as wide as the grid's pitch there. Bond them if they do touch."
        )
    return found


def _listed(passing: Sequence[str]) -> str:
    names = list(dict.fromkeys(passing))
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


class Boxes:
    """Solids as boxes: frames (K, 3, 3), centers and half sizes (K, 3), and boxes around them."""

    def __init__(self, solids: Sequence[Solid]) -> None:
        self.solids = solids
        self.frame = np.array([solid.frame for solid in solids])
        self.center = np.array([solid.center for solid in solids])
        self.half = np.array([solid.half for solid in solids])
        reach = np.einsum("kij,ki->kj", np.abs(self.frame), self.half)
        self.low, self.high = self.center - reach, self.center + reach


# ---- the ground -----------------------------------------------------------------------------


def _check_above_ground(boxes: Boxes) -> None:
    for k in np.flatnonzero(boxes.low[:, 2] < -FLAT):
        solid = boxes.solids[int(k)]
        if isinstance(solid, Sheet):
            normal, half = solid.frame[2], 0.5 * metres(solid.thickness)
            lowest = float(np.array(solid.corners)[:, 2].min()) - half * abs(float(normal[2]))
        else:
            lowest = float(boxes.low[k, 2])
        if lowest < -FLAT:
            raise GeometryError(
                f"{solid.kind.capitalize()} {solid.name!r} comes down to {lowest:.4g} m, below "
                "ground (z = 0). Heights count from the earth's surface; raise it, or leave the "
                "buried part out."
            )


# ---- solids in each other -------------------------------------------------------------------


def _check_overlaps(boxes: Boxes) -> None:
    one, two, joined = _near_pairs(boxes)
    parallel = _cosines(boxes, one, two) > PARALLEL
    keep = ~joined | parallel
    one, two, joined = one[keep], two[keep], joined[keep]
    if not one.size:
        return
    depth = _overlap_depths(boxes, one, two)
    twice = np.flatnonzero(joined & (depth > FLAT))
    share = _shares(boxes, one[twice], two[twice])
    if (share > TWICE).any():
        k = twice[int(np.argmax(share))]
        first, second = boxes.solids[int(one[k])], boxes.solids[int(two[k])]
        raise GeometryError(
            f"Timbers {first.name!r} and {second.name!r} share {100 * share.max():.0f} % of the "
            f"lesser one near {_between(first, second)}; that wood would count twice. Parallel "
            "timbers may overlap by a third of the lesser one. Is it the same timber twice? Leave "
            "one out, or move or shorten it."
        )
    for k in np.flatnonzero(~joined & (depth > FLAT)):
        first, second = boxes.solids[int(one[k])], boxes.solids[int(two[k])]
        if _truly_overlap(first, second):
            raise GeometryError(
                f"{first.kind.capitalize()} {first.name!r} and {second.kind} {second.name!r} are "
                f"in each other by up to {depth[k] * 1e3:.3g} mm near {_between(first, second)}; "
                + _why_apart(first, second)
            )


def _between(one: Solid, two: Solid) -> str:
    return show_point(0.5 * (_nearest_in(one, two) + _nearest_in(two, one)))


def _why_apart(one: Solid, two: Solid) -> str:
    """The rule that solids in each other break, and the cure."""
    if one.stuff != two.stuff:
        return (
            "solids of different stuff may touch, and overlap by 2 mm at most. Move or shorten "
            "one (boards go under or on the timbers)."
        )
    return (
        "sheets may meet at their edges, and overlap by 2 mm at most: what they share would count "
        "twice. Is it the same sheet twice? Leave one out, or move it."
    )


def _overlap_doubts(boxes: Boxes) -> list[str]:
    """Timbers that lie mostly in others across them."""
    one, two, joined = _near_pairs(boxes)
    keep = joined & (_cosines(boxes, one, two) <= PARALLEL)
    one, two = one[keep], two[keep]
    if not one.size:
        return []
    keep = _overlap_depths(boxes, one, two) > FLAT
    one, two = one[keep], two[keep]
    names = [
        f"{boxes.solids[int(one[k])].name!r} and {boxes.solids[int(two[k])].name!r}"
        for k in np.flatnonzero(_shares(boxes, one, two) > MOSTLY)
    ]
    if not names:
        return []
    return [
        f"Timbers lie mostly in each other ({_listed(names)}); the wood that they share counts "
        "twice. Shorten one of each pair."
    ]


def _near_pairs(boxes: Boxes) -> tuple[Ints, Ints, Bools]:
    """Solids whose surrounding boxes meet, and which of the pairs are timbers of one wood."""
    one, two = box_pairs(boxes.low, boxes.high)
    joined = [_may_overlap(boxes.solids[i], boxes.solids[j]) for i, j in zip(one, two, strict=True)]
    return one, two, np.array(joined, dtype=bool)


def _cosines(boxes: Boxes, one: Ints, two: Ints) -> Array:
    """Of the angles between the first axes of solids, 0 to 1, shape (P,)."""
    return np.abs(np.einsum("pi,pi->p", boxes.frame[one, 0], boxes.frame[two, 0]))


def _shares(boxes: Boxes, one: Ints, two: Ints) -> Array:
    """What part of the lesser box lies in the other, shape (P,).

    Lines along the lesser box, in the middles of 8 by 8 parts of its section, are cut exactly with
    the other box; the mean of what is inside is the part.
    """
    volume = boxes.half.prod(axis=1)
    less = np.where(volume[one] <= volume[two], one, two)
    more = one + two - less
    across = (2.0 * np.arange(_LINES) + 1.0) / _LINES - 1.0
    v, w = (part.ravel() for part in np.meshgrid(across, across))

    def seen(side: float) -> Array:
        local = np.stack([np.full_like(v, side), v, w], axis=1) * boxes.half[less][:, None]
        world = boxes.center[less][:, None] + local @ boxes.frame[less]
        shifted = world - boxes.center[more][:, None]
        return (shifted @ boxes.frame[more].transpose(0, 2, 1)).reshape(-1, 3)

    start, end = clipped(seen(-1.0), seen(1.0), np.repeat(boxes.half[more], _LINES**2, axis=0))
    return np.maximum(end - start, 0.0).reshape(-1, _LINES**2).mean(axis=1)


def _may_overlap(one: Solid, two: Solid) -> bool:
    return isinstance(one, Timber) and isinstance(two, Timber) and one.wood == two.wood


def _overlap_depths(boxes: Boxes, one: Ints, two: Ints) -> Array:
    """How deep boxes are in each other, negative when apart, shape (P,): 15 separating axes. [m]"""
    a, b = boxes.frame[one], boxes.frame[two]
    cross = np.cross(a[:, :, None, :], b[:, None, :, :]).reshape(len(one), 9, 3)
    size = np.linalg.norm(cross, axis=2, keepdims=True)
    # Parallel edges have no axis of their own; the faces' axes decide there.
    cross = np.where(size > 1e-6, cross / np.maximum(size, 1e-6), a[:, :1])
    axes = np.concatenate([a, b, cross], axis=1)
    shift = np.abs(np.einsum("pni,pi->pn", axes, boxes.center[two] - boxes.center[one]))
    reach = np.zeros_like(shift)
    for frame, half in ((a, boxes.half[one]), (b, boxes.half[two])):
        reach += np.einsum("pnk,pk->pn", np.abs(np.einsum("pni,pki->pnk", axes, frame)), half)
    return (reach - shift).min(axis=1)


def _nearest_in(one: Solid, two: Solid) -> Array:
    """The point of one's box nearest to the middle of the other."""
    local = np.clip((two.center - one.center) @ one.frame.T, -one.half, one.half)
    return one.center + local @ one.frame


def _truly_overlap(one: Solid, two: Solid) -> bool:
    """Whether solids whose boxes overlap do so by more than 2 mm themselves."""
    if isinstance(one, Sheet) and isinstance(two, Sheet):
        return _sheets_overlap(one, two)
    if isinstance(one, Sheet) and isinstance(two, Timber):
        one, two = two, one
    if isinstance(one, Timber) and isinstance(two, Sheet):
        return _timber_in_sheet(one, two)
    return True


def _timber_in_sheet(timber: Timber, sheet: Sheet) -> bool:
    """Cut the timber with the slab of the sheet and look whether that meets the outline."""
    corners = (timber.corners() - sheet.center) @ sheet.frame.T
    half = sheet.half[2] - FLAT
    found = [p[:2] for p in corners if abs(p[2]) < half]
    for i in range(8):
        for j in range(i + 1, 8):
            if bin(i ^ j).count("1") != 1:  # corners of one edge differ in one sign
                continue
            p, q = corners[i], corners[j]
            for level in (-half, half):
                if (p[2] - level) * (q[2] - level) < 0.0:
                    t = (level - p[2]) / (q[2] - p[2])
                    found.append((p + t * (q - p))[:2])
    if not found:
        return False
    points = np.array(found)
    outline = sheet.outline
    middle = points.mean(axis=0)
    if inside(outline, np.vstack([points, middle]), tolerance=-FLAT).any():
        return True
    for i in range(len(points)):  # a long cut may cross the outline with no end inside
        for j in range(i + 1, len(points)):
            cuts = line_parameters(outline, points[i], points[j])
            size = float(np.linalg.norm(points[j] - points[i]))
            if len(cuts) > 1 and (cuts[-1] - cuts[0]) * size > 2.0 * FLAT:
                return True
    return False


def _sheets_overlap(one: Sheet, two: Sheet) -> bool:
    """Whether two sheets lie on each other, or pass through each other away from their edges."""
    cosine = float(abs(one.frame[2] @ two.frame[2]))
    reach = one.half[2] + two.half[2] - FLAT
    if cosine > np.cos(np.radians(1.0)):
        gap = (np.array(two.corners) - one.center) @ one.frame[2]
        if np.abs(gap).min() >= reach and (np.sign(gap) == np.sign(gap[0])).all():
            return False
        other = (np.array(two.corners) - one.center) @ one.frame[:2].T
        return _outlines_overlap(one.outline, other)
    # Where the middle planes meet: the parts of that line inside both outlines, less a margin.
    margin = (one.half[2] + two.half[2]) / max(np.sqrt(1.0 - cosine**2), 0.02) + FLAT
    along = np.cross(one.frame[2], two.frame[2])
    along /= np.linalg.norm(along)
    rows = np.stack([one.frame[2], two.frame[2], along])
    right = np.array([one.frame[2] @ one.center, two.frame[2] @ two.center, along @ one.center])
    point = np.linalg.solve(rows, right)
    far = 2.0 * float(np.linalg.norm([*one.half[:2], *two.half[:2]])) + float(
        np.linalg.norm(point - one.center) + np.linalg.norm(point - two.center)
    )
    spans = []
    for sheet in (one, two):
        ends = (point + np.array([[-far], [far]]) * along - sheet.center) @ sheet.frame[:2].T
        cuts = line_parameters(sheet.outline, ends[0], ends[1])
        inner = [
            (a, b)
            for a, b in pairwise(cuts)
            if inside(sheet.outline, (ends[0] + 0.5 * (a + b) * (ends[1] - ends[0]))[None])[0]
        ]
        # An outline that only comes up to the line on one side touches it, and does not cross.
        kept = []
        for a, b in inner:
            at = ends[0] + np.linspace(a, b, 9)[1:-1, None] * (ends[1] - ends[0])
            if inside(sheet.outline, at, tolerance=-margin).any():
                kept.append((a * 2.0 * far, b * 2.0 * far))
        spans.append(kept)
    return any(min(b, d) - max(a, c) > 2.0 * margin for a, b in spans[0] for c, d in spans[1])


def _outlines_overlap(one: Array, two: Array) -> bool:
    if inside(one, two, tolerance=-FLAT).any() or inside(two, one, tolerance=-FLAT).any():
        return True
    low = np.maximum(one.min(axis=0), two.min(axis=0))
    high = np.minimum(one.max(axis=0), two.max(axis=0))
    if (high <= low).any():
        return False
    # One may be the other, corner on corner: look at points spread over what both could share.
    part = (np.arange(17) + 0.5) / 17.0
    x, y = (low + part[:, None] * (high - low)).T
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    if (inside(one, grid, tolerance=-FLAT) & inside(two, grid, tolerance=-FLAT)).any():
        return True
    for start, end in zip(two, np.roll(two, -1, axis=0), strict=True):
        cuts = line_parameters(one, start, end)
        stops = np.concatenate([[0.0], cuts, [1.0]])
        middles = start + (0.5 * (stops[1:] + stops[:-1]))[:, None] * (end - start)
        if inside(one, middles, tolerance=-FLAT).any():
            return True
    return False


# ---- wires in solids ------------------------------------------------------------------------


def _wires_in_solids(
    wires: Sequence[Wire], boxes: Boxes, passing: list[str] | None = None
) -> str | None:
    """What is wrong, or None; wires that pass through sheets are added to `passing`."""
    start = np.concatenate([wire.vertices[:-1] for wire in wires])
    end = np.concatenate([wire.vertices[1:] for wire in wires])
    radius = np.repeat([w.radius for w in wires], [len(w.points) - 1 for w in wires])
    number = np.repeat(np.arange(len(wires)), [len(w.points) - 1 for w in wires])
    low, high = np.minimum(start, end), np.maximum(start, end)
    near = ((low[:, None] < boxes.high) & (high[:, None] > boxes.low)).all(
        axis=2
    )  # (stretches, solids)
    k, s = np.nonzero(near)
    if not k.size:
        return None
    skin = np.maximum(radius[k], FLAT)[:, None]
    frame = boxes.frame[s]
    a = np.einsum("pij,pj->pi", frame, start[k] - boxes.center[s])
    b = np.einsum("pij,pj->pi", frame, end[k] - boxes.center[s])
    half = boxes.half[s] - skin
    thin = np.array([isinstance(solid, Sheet) for solid in boxes.solids])[s]
    # Boards are thinner than many wires: inside is then the middle plane.
    half = np.where(thin[:, None] & (half <= 0.0), 1e-6, half)
    t0, t1 = clipped(a, b, half)
    length = np.linalg.norm(end[k] - start[k], axis=1)
    for p in np.flatnonzero((t1 > t0) & (half > 0.0).all(axis=1)):
        solid, wire = boxes.solids[int(s[p])], wires[int(number[k[p]])]
        spans = [(float(t0[p]), float(t1[p]))]
        if isinstance(solid, Sheet):
            spans = inside_outline(solid, a[p], b[p], *spans[0])
        for t_in, t_out in spans:
            run = (t_out - t_in) * length[p]
            place = start[k[p]] + 0.5 * (t_in + t_out) * (end[k[p]] - start[k[p]])
            if isinstance(solid, Timber):
                if run > FLAT:
                    return (
                        f"Wire {wire.name!r} runs inside timber {solid.name!r} near "
                        f"{show_point(place)}, {run:.3g} m of it. Wires lie on timbers or beside "
                        "them; move it out, deeper than its radius is inside."
                    )
                continue
            lies = run > THROUGH * metres(solid.thickness) + 2.0 * radius[k[p]]
            ends_there = (t_in <= 0.0) != (t_out >= 1.0) and _is_free(wire, start[k[p]], t_in <= 0)
            if lies or (t_in <= 0.0 and t_out >= 1.0) or ends_there:
                return (
                    f"Wire {wire.name!r} lies inside sheet {solid.name!r} near {show_point(place)}"
                    f", {run:.3g} m of it; its thickness is {metres(solid.thickness) * 1e3:.4g} "
                    "mm. Wires may pass through a sheet and lie on it; move it to one side."
                )
            if passing is not None:
                passing.append(f"{wire.label} through {solid.name!r}")
    return None


def _is_free(wire: Wire, point: Array, at_start: bool) -> bool:
    """Whether the stretch's end in question is an end of the wire."""
    first = bool(np.array_equal(wire.vertices[0], point))
    last = bool(np.array_equal(wire.vertices[-2], point))
    return first if at_start else last


def clipped(a: Array, b: Array, half: Array) -> tuple[Array, Array]:
    """Parts of stretches a to b, shape (P, 3), within boxes about the origin: (from, to)."""
    way = b - a
    level = np.abs(way) < 1e-12
    safe = np.where(level, 1.0, way)
    one, two = (-half - a) / safe, (half - a) / safe
    outside = level & (np.abs(a) >= half)
    enter = np.where(level, -np.inf, np.minimum(one, two)).max(axis=1)
    leave = np.where(level, np.inf, np.maximum(one, two)).min(axis=1)
    t0, t1 = np.maximum(enter, 0.0), np.minimum(leave, 1.0)
    t1 = np.where(outside.any(axis=1), -1.0, t1)
    return t0, t1


def inside_outline(
    sheet: Sheet, a: Array, b: Array, t0: float, t1: float
) -> list[tuple[float, float]]:
    """The parts of a stretch that are inside the outline of a sheet too."""
    p, q = a[:2] + t0 * (b - a)[:2], a[:2] + t1 * (b - a)[:2]
    cuts = line_parameters(sheet.outline, p, q)
    stops = np.concatenate([[0.0], cuts, [1.0]])
    middles = p + (0.5 * (stops[1:] + stops[:-1]))[:, None] * (q - p)
    within = inside(sheet.outline, middles, tolerance=-1e-6)
    return [
        (t0 + float(u) * (t1 - t0), t0 + float(v) * (t1 - t0))
        for (u, v), is_in in zip(pairwise(stops), within, strict=True)
        if is_in
    ]


# ---- wires in screens -----------------------------------------------------------------------


def _wires_in_screens(scene: Scene) -> list[str]:
    """Names of the wires that pass through screens; places on the grid's wires are joints.

    Raises
    ------
    GeometryError
        If a wire lies in the plane of a screen or ends there, not joined.
    """
    passing: list[str] = []
    for screen in scene.house:
        if not isinstance(screen, Screen):
            continue
        # its own wires, without the leads of its bonds
        lines = (f"{screen.name} u", f"{screen.name} v")
        piece = screen.group or screen.name
        own = [w.piece == piece and w.name.startswith(lines) for w in scene.wires]
        grid = [wire for wire, is_own in zip(scene.wires, own, strict=True) if is_own]
        nodes = np.concatenate(
            [wire.points_at(np.append([0.0, wire.length], wire.marks)) for wire in grid]
        )
        low, high = nodes.min(axis=0), nodes.max(axis=0)
        for wire, is_own in zip(scene.wires, own, strict=True):
            if is_own:
                continue
            skin = max(wire.radius, JOINING_DISTANCE)
            corners = wire.vertices
            if (corners.max(axis=0) < low - skin).any() or (
                corners.min(axis=0) > high + skin
            ).any():
                continue
            local = (corners - screen.center) @ screen.frame.T
            level = np.where(np.abs(local[:, 2]) <= skin, 0.0, local[:, 2])
            for a, b, i, j in zip(local, local[1:], level, level[1:], strict=False):
                if i * j > 0.0:
                    continue
                at = 0.5 * (a + b) if i == j == 0.0 else a + (b - a) * (i / (i - j))
                place = screen.center + at @ screen.frame
                if not inside(screen.outline, at[None, :2], tolerance=-skin)[0]:
                    continue
                if np.linalg.norm(nodes - place, axis=1).min() <= skin:
                    continue
                if i != 0.0 and j != 0.0:
                    passing.append(f"{wire.label} through {screen.name!r}")
                    continue
                what = "lies" if i == j else "bends or ends"
                raise GeometryError(
                    f"Wire {wire.name!r} {what} in screen {screen.name!r} near "
                    f"{show_point(place)}, joined to nothing. Metal that touches is one conductor: "
                    f"bond it (bonded={wire.piece or wire.name!r}), or keep the wire at least its "
                    "radius away."
                )
    return passing


# ---- wires in tanks -------------------------------------------------------------------------


def _check_tanks(scene: Scene) -> None:
    for tank in scene.house:
        if not (isinstance(tank, Tank) and tank.is_cage):
            continue
        low, high = tank.vertices
        axis = (high - low) / tank.length
        for wire in scene.wires:
            if wire.piece == tank.name:
                continue
            count = max(2, int(np.ceil(wire.length / (0.25 * tank.radius))) + 1)
            at = wire.points_at(np.linspace(0.0, wire.length, count)) - low
            along = at @ axis
            away = np.linalg.norm(at - along[:, None] * axis, axis=1)
            skin = tank.radius / 6.0
            deep = (away < tank.radius - skin) & (along > skin) & (along < tank.length - skin)
            if deep.any():
                raise GeometryError(
                    f"Wire {wire.name!r} runs inside tank {tank.name!r} near "
                    f"{show_point(at[int(np.argmax(deep))] + low)}. Nothing gets into metal; move "
                    "it out, or leave that part out."
                )
