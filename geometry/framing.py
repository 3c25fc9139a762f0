"""Builders that fill an attic: joists, rafters, ridge board, trusses, studs, boards and roof.

The tops of the joists are at the attic floor, where wires lie. The undersides of the rafters and
of the ridge board are the attic's roof (`Attic.roof_height`), so that the space below is free;
with ``position="below"`` they hang under it, for a roof that was measured to its covering. Boards
go under the joists (ceiling) and on them (floor), the covering goes on the rafters, walls stand
outside the plan.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from .attic import Attic
from .errors import GeometryError
from .lengths import LengthLike, metres
from .obstructions import Sheet, Timber, read_wood
from .outlines import clip_strip, tidied
from .screens import Screen

if TYPE_CHECKING:
    from ..materials import Dielectric, Wood

__all__ = [
    "ceiling",
    "floor",
    "joists",
    "rafters",
    "read_section",
    "ridge_board",
    "roof",
    "studs",
    "trusses",
    "walls",
]

Array = NDArray[np.float64]

_NOMINAL = {
    1: 19, 2: 38, 3: 64, 4: 89, 5: 114, 6: 140, 8: 184, 10: 235, 12: 286,
}  # fmt: skip
"""Dressed size of softwood of a nominal size in inches (common practice). [mm]"""

_UNDER_RIDGE = 0.0225  # half of a ridge board's usual width [m]
_ON_RAFTERS = 0.24  # height of the covering over the attic's roof where no rafters are told [m]
_UNDER_JOISTS = 0.20  # depth of the ceiling under the attic floor where no joists are told [m]
_FOOT = 0.045  # studs and webs start here: a sole plate, or room for a deck (common practice) [m]
_LEAST_WALL = 0.10  # lower walls are left out [m]

COVERINGS = {
    "clay tile": 0.018, "concrete tile": 0.018, "slate": 0.012, "asphalt shingle": 0.008,
    "wet roof layer": 0.001, "steel roofing": 0.0, "copper roofing": 0.0,
}  # fmt: skip
"""Usual thickness of coverings, mean over laps (common practice); 0: metal, a `Screen`. [m]"""

WET_LAYER = 0.5e-3
"""Thickness of the water that stays on a wet roof (common practice, half a litre per m2). [m]"""


def read_section(section: str | Sequence[LengthLike]) -> tuple[float, float]:
    """Width and depth of a timber. [m]

    Parameters
    ----------
    section : str or pair of length
        "45 x 195 mm", "1 1/2 x 7 1/4 in", or a nominal size, "2x8", in inches without a unit.

    Raises
    ------
    GeometryError
        If it is none, or no such nominal size is known.

    Examples
    --------
    >>> read_section("2x8")
    (0.038, 0.184)
    """
    cure = "Write '45 x 195 mm', '1.5 x 7.25 in', or a nominal size as '2x8'."
    if not isinstance(section, str):
        if len(section) != 2:
            raise GeometryError(f"Section {section!r} is no width and depth. {cure}")
        return metres(section[0]), metres(section[1])
    parts = re.split(r"\s*[x×X]\s*", section.strip())
    if len(parts) != 2:
        raise GeometryError(f"Section {section!r} is no width and depth. {cure}")
    unit = re.search(r"[a-z\"″']+\s*$", parts[1])
    if unit is None and all(part.isdigit() for part in parts):
        known = [_NOMINAL.get(int(part)) for part in parts]
        if None in known:
            raise GeometryError(
                f"Section {section!r} is no nominal size; {', '.join(map(str, _NOMINAL))} inches "
                f"are known. {cure}"
            )
        return 1e-3 * (known[0] or 0), 1e-3 * (known[1] or 0)
    if unit is None:
        raise GeometryError(f"Section {section!r} has no unit. {cure}")
    if not re.search(r"[a-z\"″']\s*$", parts[0]):
        parts[0] += f" {unit[0]}"
    return metres(parts[0]), metres(parts[1])


def joists(
    attic: Attic,
    *,
    spacing: LengthLike = "600 mm",
    section: str | Sequence[LengthLike] = "45 x 195 mm",
    wood: Wood | str | None = None,
    direction: Literal["across", "along"] = "across",
    group: str = "joists",
) -> tuple[Timber, ...]:
    """Ceiling joists, tops at the attic floor, on centres from the first wall.

    Parameters
    ----------
    attic : Attic
    spacing : length
        On centre: 400, 450, 600 mm, or 12, 16, 24 in. The last stands at the far wall. [m]
    section : str or pair of length
        As for `read_section`.
    wood : Wood or str, optional
    direction : {"across", "along"}
        Across the ridge, or along it.
    group : str
        Joists are called "joist 1", ..., their losses are told together.
    """
    if direction not in ("across", "along"):
        raise GeometryError(f"Joists: direction={direction!r}; 'across' or 'along' is possible.")
    width, depth = read_section(section)
    wood = read_wood(wood)
    axis = 0 if direction == "across" else 1
    found = []
    for place, low, high in _lines(attic.corners, axis, spacing, width, "joists"):
        ends = np.zeros((2, 3))
        ends[:, axis] = place
        ends[:, 1 - axis] = low, high
        ends[:, 2] = -0.5 * depth
        found.append(_timber(attic, ends, width, depth, wood, f"joist {len(found) + 1}", group))
    return tuple(found)


def rafters(
    attic: Attic,
    *,
    spacing: LengthLike = "600 mm",
    section: str | Sequence[LengthLike] = "45 x 170 mm",
    wood: Wood | str | None = None,
    position: Literal["above", "below"] = "above",
    group: str = "rafters",
) -> tuple[Timber, ...]:
    """Pairs of rafters from the eaves to the ridge.

    Parameters
    ----------
    attic, spacing, section, wood
        As for `joists`.
    position : {"above", "below"}
        Over the attic's roof, which is then their underside, or hanging under it.
    group : str
        Rafters are called "rafter 1 left" (lower y), "rafter 1 right", ...
    """
    width, depth = read_section(section)
    wood = read_wood(wood)
    found = []
    lines = _lines(attic.corners, 0, spacing, width, "rafters")
    for number, (place, low, high) in enumerate(lines, start=1):
        for side, ends in _rafter_ends(attic, place, low, high, depth, position):
            name = f"rafter {number} {side}"
            found.append(_timber(attic, ends, width, depth, wood, name, group))
    return tuple(found)


def ridge_board(
    attic: Attic,
    *,
    section: str | Sequence[LengthLike] = "45 x 220 mm",
    wood: Wood | str | None = None,
    position: Literal["above", "below"] = "above",
    group: str = "ridge board",
) -> tuple[Timber, ...]:
    """The board along the ridge, its underside (or top) at the ridge; parameters as `rafters`."""
    width, depth = read_section(section)
    wood = read_wood(wood)
    top = attic.ridge_level - attic.floor_level + 0.5 * depth * _sign(position)
    spans = _spans(attic.corners, 1, attic.ridge_across, 0.5 * width)
    return tuple(
        _timber(
            attic,
            np.array([[low, attic.ridge_across, top], [high, attic.ridge_across, top]]),
            width, depth, wood, "ridge board" + f" {n + 1}" * (len(spans) > 1), group,
        )
        for n, (low, high) in enumerate(spans)
    )  # fmt: skip


def trusses(
    attic: Attic,
    *,
    spacing: LengthLike = "600 mm",
    section: str | Sequence[LengthLike] = "45 x 120 mm",
    wood: Wood | str | None = None,
    group: str = "trusses",
) -> tuple[Timber, ...]:
    """Trusses across the ridge: bottom chord (as a joist), top chords (as rafters), four webs.

    The webs stand in the attic: from the thirds of the bottom chord to the ridge and to the middles
    of the top chords. Parameters as for `joists`.
    """
    width, depth = read_section(section)
    wood = read_wood(wood)
    found = []
    mid = attic.ridge_across
    lines = _lines(attic.corners, 0, spacing, width, "trusses")
    for number, (place, low, high) in enumerate(lines, start=1):
        called = f"truss {number}"
        bottom = np.array([[place, low, -0.5 * depth], [place, high, -0.5 * depth]])
        found.append(_timber(attic, bottom, width, depth, wood, f"{called} bottom chord", group))
        for side, ends in _rafter_ends(attic, place, low, high, depth, "above"):
            found.append(_timber(attic, ends, width, depth, wood, f"{called} chord {side}", group))
        if not low < mid < high:
            continue
        for side, foot, eaves in (
            ("left", low + (high - low) / 3.0, low), ("right", high - (high - low) / 3.0, high),
        ):  # fmt: skip
            for what, top in (("inner", mid), ("outer", 0.5 * (eaves + mid))):
                height = float(attic.roof_height(top))
                ends = np.array([[place, foot, _FOOT + 0.5 * depth], [place, top, height]])
                if height > 2.0 * depth:
                    name = f"{called} web {side} {what}"
                    found.append(_timber(attic, ends, width, depth, wood, name, group))
    return tuple(found)


def studs(
    attic: Attic,
    *,
    spacing: LengthLike = "600 mm",
    section: str | Sequence[LengthLike] = "45 x 95 mm",
    wood: Wood | str | None = None,
    group: str = "studs",
) -> tuple[Timber, ...]:
    """Upright timbers inside both gable ends, from the attic floor to the roof.

    They stand along the sides of the plan that run across the ridge. Parameters as for `joists`.
    """
    width, depth = read_section(section)
    wood = read_wood(wood)
    corners = attic.corners
    found = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if abs(end[0] - start[0]) > 0.02 * abs(end[1] - start[1]):
            continue
        inwards = -1.0 if end[1] > start[1] else 1.0  # counter-clockwise: inside is to the left
        x = 0.5 * (start[0] + end[0]) + inwards * 0.5 * depth
        low, high = sorted((float(start[1]), float(end[1])))
        for y in _on_centre(low, high, spacing, width, "studs"):
            edges = attic.roof_height(np.array([y - 0.5 * width, y + 0.5 * width]))
            top = float(edges.min())
            if top < 2.0 * depth:
                continue
            ends = np.array([[x, y, _FOOT], [x, y, top]])
            name = f"stud {len(found) + 1}"
            found.append(_timber(attic, ends, width, depth, wood, name, group, up=(1.0, 0.0, 0.0)))
    return tuple(found)


def ceiling(
    attic: Attic,
    *,
    material: Dielectric | str = "plasterboard",
    thickness: LengthLike = "12.5 mm",
    under: Sequence[Timber] | LengthLike | None = None,
    group: str = "ceiling",
) -> tuple[Sheet, ...]:
    """A board under the joists.

    Parameters
    ----------
    attic : Attic
    material : Dielectric or str
    thickness : length
        [m]
    under : sequence of Timber, or length, optional
        The joists, or their depth; None: 200 mm. [m]
    group : str
    """
    if under is None:
        drop = _UNDER_JOISTS
    elif isinstance(under, str | int | float):
        drop = metres(under)
    else:
        drop = max((attic.floor_level - t.corners()[:, 2].min() for t in under), default=0.0)
    return _level_sheet(
        attic, -drop - 0.5 * metres(thickness), material, thickness, "ceiling", group
    )


def floor(
    attic: Attic,
    *,
    material: Dielectric | str = "chipboard",
    thickness: LengthLike = "22 mm",
    group: str = "floor",
) -> tuple[Sheet, ...]:
    """A deck on the joists, from the attic floor upwards: wires must lie on it, not in it."""
    return _level_sheet(attic, 0.5 * metres(thickness), material, thickness, "floor", group)


def roof(
    attic: Attic,
    *,
    covering: Dielectric | str = "clay tile",
    thickness: LengthLike | None = None,
    wet: bool = False,
    on: Sequence[Timber] | LengthLike | None = None,
    group: str = "roof",
) -> tuple[Sheet | Screen, ...]:
    """The covering over both slopes; metal ones are screens, joined along the ridge.

    Parameters
    ----------
    attic : Attic
    covering : Dielectric or str
        "clay tile", "slate", ... of `Dielectric.names()`, or "steel roofing", "aluminium foil",
        ... of `SheetConductor.names()`.
    thickness : length, optional
        None: the usual one of that covering. [m]
    wet : bool
        With half a millimetre of water on top ("wet roof layer").
    on : sequence of Timber, or length, optional
        The rafters (and ridge board) it lies on, or its height over the attic's roof, square to
        the slope; None: 240 mm, which clears usual rafters and battens. [m]
    group : str

    Raises
    ------
    GeometryError
        If the thickness of a covering is not known and not told.
    """
    from ..materials import SheetConductor

    rise = math.hypot(1.0, attic.slope)
    if on is None:
        height = _ON_RAFTERS
    elif isinstance(on, str | int | float):
        height = metres(on)
    else:
        height = 0.0
        for timber in on:
            local = attic.to_attic(timber.corners())
            above = (local[:, 2] - attic.roof_height(local[:, 1])) / rise
            height = max(height, float(above.max()))
    is_metal = isinstance(covering, str) and _is_named(covering, SheetConductor.names())
    if is_metal:
        thick = 0.0
    elif thickness is not None:
        thick = metres(thickness)
    else:
        usual = COVERINGS.get(covering) if isinstance(covering, str) else None
        if usual is None:
            raise GeometryError(
                f"Roof: the usual thickness of {covering!r} is not known; give thickness=..., or "
                f"one of {', '.join(COVERINGS)}."
            )
        thick = usual
    found: list[Sheet | Screen] = []
    for side, plan in _slopes(attic):
        middle = _on_slope(attic, plan, (height + 0.5 * thick) * rise)
        name = f"roof {side}"
        if is_metal:
            found.append(
                Screen(middle, conductor=str(covering), name=name, outside=True, group=group)
            )
        else:
            found.append(Sheet(middle, thickness=thick, material=covering, name=name, group=group))
        if wet:
            corners = _on_slope(attic, plan, (height + thick + 0.5 * WET_LAYER) * rise)
            found.append(
                Sheet(
                    corners, thickness=WET_LAYER, material="wet roof layer",
                    name=f"wet layer {side}", group="wet roof layer",
                )
            )  # fmt: skip
    return tuple(found)


def walls(
    attic: Attic,
    *,
    material: Dielectric | str = "brick",
    thickness: LengthLike = "110 mm",
    base: LengthLike | None = None,
    group: str = "walls",
) -> tuple[Sheet, ...]:
    """Walls outside the plan, from a base up to the roof: the gables, and what stands at the eaves.

    Parameters
    ----------
    attic : Attic
    material : Dielectric or str
    thickness : length
        [m]
    base : length, optional
        Above ground; None: the attic floor, so that only what shows in the attic stands. Walls
        lower than 0.1 m are left out. [m]
    group : str
        Walls are called "wall 1", ...
    """
    thick = metres(thickness)
    foot = attic.floor_level if base is None else metres(base)
    corners = attic.corners
    found: list[Sheet] = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = end - start
        outwards = np.array([along[1], -along[0]]) / np.linalg.norm(along)
        stops = [0.0, 1.0]
        if (start[1] - attic.ridge_across) * (end[1] - attic.ridge_across) < 0.0:
            stops.insert(1, float((attic.ridge_across - start[1]) / along[1]))
        plan = start + np.array(stops)[:, None] * along
        top = attic.roof_height(plan[:, 1]) + attic.floor_level
        if top.max() < foot + _LEAST_WALL:
            continue
        edge = plan + 0.5 * thick * outwards
        outline = np.column_stack([edge, np.maximum(top, foot)])[::-1]
        ground = np.column_stack([edge[[0, -1]], [foot, foot]])
        whole = np.vstack([ground, outline])
        keep = np.linalg.norm(whole - np.roll(whole, 1, axis=0), axis=1) > 2e-3
        name = f"wall {len(found) + 1}"
        found.append(Sheet(whole[keep], thickness=thick, material=material, name=name, group=group))
    return tuple(found)


# ---- plans and lines ------------------------------------------------------------------------


def _timber(
    attic: Attic,
    ends: Array,
    width: float,
    depth: float,
    wood: Wood | str | None,
    name: str,
    group: str,
    up: tuple[float, float, float] | None = None,
) -> Timber:
    start, end = attic.to_world(ends)
    return Timber(start, end, width=width, depth=depth, wood=wood, up=up, name=name, group=group)


def _level_sheet(
    attic: Attic,
    height: float,
    material: Dielectric | str,
    thickness: LengthLike,
    name: str,
    group: str,
) -> tuple[Sheet, ...]:
    corners = np.column_stack([attic.corners, np.full(len(attic.corners), height)])
    return (
        Sheet(
            attic.to_world(corners), thickness=thickness, material=material, name=name, group=group
        ),
    )


def _sign(position: str) -> float:
    if position not in ("above", "below"):
        raise GeometryError(f"position={position!r}; 'above' or 'below' the roof is possible.")
    return 1.0 if position == "above" else -1.0


def _on_centre(low: float, high: float, spacing: LengthLike, width: float, what: str) -> Array:
    """Middles of timbers between two walls: on centres from the first, one at the last."""
    step = metres(spacing)
    if not width < step <= 10.0:
        raise GeometryError(
            f"{what.capitalize()}: spacing {step:g} m; it must be above their width ({width:g} m), "
            "up to 10 m, as in '400 mm' or '16 in'."
        )
    first, last = low + 0.5 * width, high - 0.5 * width
    if last <= first:
        raise GeometryError(
            f"{what.capitalize()}: no room between {low:g} and {high:g} m for a timber {width:g} m "
            "wide."
        )
    found: Array = first + step * np.arange(int((last - first) / step + 1e-9) + 1, dtype=float)
    if last - found[-1] > width:
        return np.append(found, last)
    found[-1] = last
    return found


def _lines(
    corners: Array, axis: int, spacing: LengthLike, width: float, what: str
) -> list[tuple[float, float, float]]:
    """Timbers across one axis of a plan: (place along it, from, to)."""
    low, high = float(corners[:, axis].min()), float(corners[:, axis].max())
    return [
        (float(place), *span)
        for place in _on_centre(low, high, spacing, width, what)
        for span in _spans(corners, axis, float(place), 0.5 * width)
    ]


def _spans(corners: Array, axis: int, at: float, half: float) -> list[tuple[float, float]]:
    """Where a strip of half width `half` about `at` along an axis lies in the plan, (from, to)."""
    inner = half * (1.0 - 1e-9)
    both = [_chords(corners, axis, at + d) for d in (-inner, inner)]
    found = []
    for a, b in both[0]:
        for c, d in both[1]:
            low, high = max(a, c), min(b, d)
            if high - low > 4.0 * half:
                found.append((low, high))
    return found


def _chords(corners: Array, axis: int, at: float) -> list[tuple[float, float]]:
    ends = np.roll(corners, -1, axis=0)
    a, b = corners[:, axis] - at, ends[:, axis] - at
    cut = (a > 0.0) != (b > 0.0)
    part = a[cut] / (a[cut] - b[cut])
    hits = np.sort((1.0 - part) * corners[cut, 1 - axis] + part * ends[cut, 1 - axis])
    return [(float(p), float(q)) for p, q in zip(hits[::2], hits[1::2], strict=True)]


def _rafter_ends(
    attic: Attic, x: float, low: float, high: float, depth: float, position: str
) -> list[tuple[str, Array]]:
    """Axes (2, 3) of the rafters at x on each side of the ridge, square to their ends."""
    mid, slope = attic.ridge_across, attic.slope
    rise = math.hypot(1.0, slope)
    lift = 0.5 * depth * rise * _sign(position)
    back = 0.5 * depth * slope / rise + _UNDER_RIDGE  # so that the lower corner stays off the ridge
    found = []
    for side, eaves, to in (("left", low, mid - back), ("right", high, mid + back)):
        inside_ends = (eaves < to) if side == "left" else (eaves > to)
        if not inside_ends or abs(to - eaves) < 2.0 * depth:
            continue
        heights = attic.roof_height(np.array([eaves, to])) + lift
        found.append((side, np.array([[x, eaves, heights[0]], [x, to, heights[1]]])))
    return found


def _slopes(attic: Attic) -> list[tuple[str, Array]]:
    """The plan on either side of the ridge."""
    corners, mid = attic.corners, attic.ridge_across
    halves = (
        ("left", clip_strip(corners, float(corners[:, 1].min()), mid)),
        ("right", clip_strip(corners, mid, float(corners[:, 1].max()))),
    )
    return [(side, tidied(plan)) for side, plan in halves if len(plan) > 2]


def _on_slope(attic: Attic, plan: Array, lift: float) -> Array:
    """World corners of a plan, lifted straight up onto the roof and over it by `lift`."""
    found = np.zeros((len(plan), 3))
    found[:, :2] = plan
    found[:, 2] = attic.roof_height(plan[:, 1]) + lift + attic.floor_level
    return found


def _is_named(text: str, names: Sequence[str]) -> bool:
    def plain(name: str) -> str:
        return re.sub(r"[\s-]+", " ", name.strip().lower())

    return plain(text) in {plain(name) for name in names}
