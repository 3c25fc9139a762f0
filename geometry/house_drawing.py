"""The house in the drawings: timber as thin boxes, sheets translucent, metal in its true width.

All of it lies under the wires and in paler colours, so that the wires stay readable.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

__all__ = [
    "draw_house_flat",
    "draw_house_view",
    "house_handles",
    "kind_colour",
    "metal_colours",
    "pieces_of",
    "reach_of",
]

Array = NDArray[np.float64]

TIMBER = "#dcb98a"
TIMBER_EDGE = "#b08850"

# words in the name of a material, and its colour; the first that fits
SHEET_COLOURS = (
    ("plaster", "#9aa3ad"), ("gypsum", "#9aa3ad"), ("glass", "#d9a0b5"), ("wool", "#d9a0b5"),
    ("wet", "#4f86b5"), ("slate", "#5f6f86"), ("shingle", "#6a6460"), ("tile", "#c0694a"),
    ("brick", "#b0573f"), ("concrete", "#8f8d88"), ("wood", "#c9a06a"), ("osb", "#c9a06a"),
    ("board", "#c9a06a"),
)  # fmt: skip
OTHER_SHEET = "#9a9486"
SCREEN = "#7f8ea3"

# by kind: pale or dark enough to be told from the wires' own colours, one hue a kind
METAL_COLOURS = {
    "duct": ("#7d8fd6", "#5d6fb8", "#a3b1e6"),
    "pipe": ("#a86b4c", "#8a543a", "#c08a6e"),
    "gutter": ("#5d6b62", "#7c8a80"),
    "downpipe": ("#4d5b52", "#6c7a70"),
    "tank": ("#76848f", "#92a0aa"),
    "cable": ("#b3123f",) * 3 + ("#e0668c",) * 3 + ("#6e0f2b",) * 3,
}  # fmt: skip
OTHER_METAL = ("#6b7178",)
DASHES = ("-", (0, (6, 1.5)), (0, (1.6, 1.2)))
"""Lines of thin metal of one colour, so that three cables of a hue are told apart."""

MOST_NAMED = 9  # pieces of a kind with an entry of their own
EDGE_ON = 0.12  # thinner than this a sheet is seen from its edge [m]
POINTS_PER_METRE = 24.0  # of the view in three dimensions, about
LEAST_POINTS = 1.3


def pieces_of(plan: Any) -> tuple[Any, ...]:
    """The pieces of the house that a plan or a scene has."""
    return tuple(getattr(plan, "house", ()) or ())


def _kind(piece: Any) -> str:
    return type(piece).__name__.lower()


def _is_box(piece: Any) -> bool:
    return _kind(piece) == "timber"


def _is_face(piece: Any) -> bool:
    return _kind(piece) in ("sheet", "screen")


def kind_colour(kind: str) -> str:
    """The colour of the first conductor of a kind: "cable", "duct", "screen"."""
    return SCREEN if kind == "screen" else METAL_COLOURS.get(kind, OTHER_METAL)[0]


def metal_colours(house: Sequence[Any]) -> dict[str, str]:
    """A colour for every conductor of the house by its name; one hue a kind."""
    colours: dict[str, str] = {}
    seen: Counter[str] = Counter()
    for piece in house:
        kind = _kind(piece)
        if kind == "screen":
            colours[piece.name] = SCREEN
        elif not _is_box(piece) and not _is_face(piece):
            shades = METAL_COLOURS.get(kind, OTHER_METAL)
            colours[piece.name] = shades[seen[kind] % len(shades)]
            seen[kind] += 1
    return colours


def _dashes(house: Sequence[Any]) -> dict[str, Any]:
    """Line styles of conductors by name: cables differ, wide metal is solid."""
    styles: dict[str, Any] = {}
    seen: Counter[str] = Counter()
    for piece in house:
        kind = _kind(piece)
        styles[piece.name] = DASHES[seen[kind] % len(DASHES)] if kind == "cable" else "-"
        seen[kind] += 1
    return styles


def _sheet_colour(piece: Any) -> str:
    if _kind(piece) == "screen":
        return SCREEN
    name = _material(piece).lower()
    return next((colour for word, colour in SHEET_COLOURS if word in name), OTHER_SHEET)


def _material(piece: Any) -> str:
    stuff = getattr(piece, "material", "")
    return stuff if isinstance(stuff, str) else str(getattr(stuff, "name", ""))


# ---- shapes ------------------------------------------------------------------------------


def _box_corners(piece: Any) -> Array:
    """Corners of a timber, shape (8, 3). [m]"""
    signs = np.array([[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)], dtype=float)
    return piece.center + (signs * piece.half) @ piece.frame


def _hull(points: Array) -> Array:
    """Convex outline of plane points (M, 2), counter-clockwise, shape (N, 2)."""
    ordered = np.unique(np.round(points, 9), axis=0)
    if len(ordered) < 3:
        return ordered

    def half(run: Array) -> list[Array]:
        kept: list[Array] = []
        for p in run:
            while len(kept) > 1:
                a, b = kept[-1] - kept[-2], p - kept[-2]
                if a[0] * b[1] - a[1] * b[0] > 0.0:
                    break
                kept.pop()
            kept.append(p)
        return kept[:-1]

    return np.array(half(ordered) + half(ordered[::-1]))


def _band(start: Array, end: Array, half_width: float) -> Array:
    """Outline of a stretch with round ends, shape (N, 2). [m]"""
    turn = np.linspace(0.0, 2.0 * np.pi, 17)[:-1]
    ring = half_width * np.column_stack([np.cos(turn), np.sin(turn)])
    return _hull(np.vstack([start + ring, end + ring]))


def _half_width(piece: Any, radius: float, axes: tuple[int, int]) -> float:
    """Half of what a conductor shows from that side: a duct's width from above. [m]"""
    across = getattr(piece, "width" if 2 not in axes else "height", None)
    return radius if across is None else 0.5 * float(across)


def _thinness(outline: Array) -> float:
    """The least extent of a plane outline (N, 2). [m]"""
    if len(outline) < 3:
        return 0.0
    side = np.roll(outline, -1, axis=0) - outline
    side = side / np.linalg.norm(side, axis=1)[:, None]
    normal = np.column_stack([-side[:, 1], side[:, 0]])
    return float(np.ptp(outline @ normal.T, axis=0).min())


def _face(piece: Any) -> Array:
    return np.asarray(piece.corners, dtype=float)


def _solid_face(piece: Any) -> Array:
    """Corners of both faces of a sheet, shape (2N, 3). [m]"""
    corners = _face(piece)
    half = 0.5 * float(getattr(piece, "thickness", 0.0) or 0.0)
    normal = np.cross(corners[1] - corners[0], corners[2] - corners[0])
    normal = half * normal / (np.linalg.norm(normal) or 1.0)
    return np.vstack([corners - normal, corners + normal])


def _seams(piece: Any) -> Iterator[Array]:
    for seam in getattr(piece, "seams", ()) or ():
        yield np.asarray(seam, dtype=float)


# ---- flat --------------------------------------------------------------------------------


def draw_house_flat(ax: Axes, house: Sequence[Any], axes: tuple[int, int]) -> None:
    """The house seen along the third axis, under the wires.

    Parameters
    ----------
    ax : Axes
    house : sequence
        Solids and metal.
    axes : pair of int
        Which coordinates are to the right and up.
    """
    pick = list(axes)
    drawn: set[bytes] = set()
    for piece in house:
        if _is_box(piece):
            _draw_timber(ax, piece, pick, drawn)
        elif _is_face(piece):
            _draw_face(ax, piece, pick, drawn)
    colours, styles = metal_colours(house), _dashes(house)
    for piece in house:
        if not _is_box(piece) and not _is_face(piece):
            _draw_metal(ax, piece, axes, colours[piece.name], styles[piece.name])


def _is_new(outline: Array, drawn: set[bytes]) -> bool:
    """Whether this outline was not drawn yet: rafters behind one another are one."""
    key = np.sort(np.round(outline, 3) + 0.0, axis=0).tobytes()
    if key in drawn:
        return False
    drawn.add(key)
    return True


def _patch(ax: Axes, outline: ArrayLike, **style: Any) -> None:
    from matplotlib.patches import Polygon

    ax.add_patch(Polygon(np.asarray(outline), closed=True, **style))
    ax.update_datalim(np.asarray(outline))


def _draw_timber(ax: Axes, piece: Any, pick: list[int], drawn: set[bytes]) -> None:
    outline = _hull(_box_corners(piece)[:, pick])
    if len(outline) < 3 or not _is_new(outline, drawn):
        return
    # what slopes away over the rest is only hinted at
    fades = 2 not in pick and abs(float(piece.frame[0][2])) > 0.2
    _patch(
        ax, outline, facecolor=TIMBER, edgecolor=TIMBER_EDGE, lw=0.3 if fades else 0.5,
        ls=(0, (2, 2)) if fades else "-", alpha=0.22 if fades else 0.6,
        zorder=1.2 if fades else 1.4,
    )  # fmt: skip


def _draw_face(ax: Axes, piece: Any, pick: list[int], drawn: set[bytes]) -> None:
    colour = _sheet_colour(piece)
    outline = _hull(_solid_face(piece)[:, pick])
    if not _is_new(outline, drawn):
        return
    if _thinness(outline) < EDGE_ON:
        ring = np.vstack([outline, outline[:1]])
        style: dict[str, Any] = {"color": colour, "lw": 1.4, "alpha": 0.75, "zorder": 1.6}
        ax.fill(ring[:, 0], ring[:, 1], **style)
    else:
        _patch(
            ax, _face(piece)[:, pick], facecolor=colour, edgecolor=colour, lw=0.8, alpha=0.07,
            zorder=1.0,
        )  # fmt: skip
    for seam in _seams(piece):
        ax.plot(
            seam[:, pick[0]], seam[:, pick[1]], color=colour, lw=1.0, ls=(0, (4, 3)), zorder=1.7
        )


def _draw_metal(ax: Axes, piece: Any, axes: tuple[int, int], colour: str, style: Any) -> None:
    pick = list(axes)
    for wire in piece.wires():
        flat = wire.vertices[:, pick]
        half = _half_width(piece, wire.radius, axes)
        for start, end in pairwise(flat):
            _patch(ax, _band(start, end, half), facecolor=colour, lw=0, zorder=2.0)
        ax.plot(
            flat[:, 0], flat[:, 1], color=colour, lw=LEAST_POINTS, ls=style, zorder=2.0,
            solid_joinstyle="round",
        )  # fmt: skip


# ---- in three dimensions -----------------------------------------------------------------


def draw_house_view(ax: Any, house: Sequence[Any]) -> None:
    """The house on 3-D axes: first, so that wires drawn later lie on top."""
    from mpl_toolkits.mplot3d.art3d import Poly3DCollection

    ax.computed_zorder = False
    beams = [
        _box_corners(p)[[0, 1, 3, 2, 4, 5, 7, 6]].reshape(2, 4, 3) for p in house if _is_box(p)
    ]
    faces = [p for p in house if _is_face(p)]
    for piece in faces:
        colour = _sheet_colour(piece)
        ax.add_collection3d(
            Poly3DCollection(
                [_face(piece)], facecolors=colour, edgecolors="none", alpha=0.08, zorder=1.0
            )
        )
        for seam in _seams(piece):
            ax.plot(*seam.T, color=colour, lw=0.9, ls=(0, (4, 3)), zorder=1.5)
    if beams:
        sides = [side for beam in beams for side in _sides(*beam)]
        ax.add_collection3d(
            Poly3DCollection(
                sides, facecolors=TIMBER, edgecolors="none", alpha=0.3, zorder=1.2
            )
        )  # fmt: skip
    colours, styles = metal_colours(house), _dashes(house)
    for piece in house:
        if _is_box(piece) or _is_face(piece):
            continue
        for wire in piece.wires():
            width = 2.0 * _half_width(piece, wire.radius, (0, 1)) * POINTS_PER_METRE
            ax.plot(
                *wire.vertices.T, color=colours[piece.name], lw=float(max(width, LEAST_POINTS)),
                ls=styles[piece.name], solid_capstyle="butt", zorder=2.0,
            )  # fmt: skip
    if house:
        ax.auto_scale_xyz(*reach_of(house).T)


def _sides(one: Array, other: Array) -> list[Array]:
    """The four long sides of a beam from its end faces, each (4, 3)."""
    return [
        np.array([one[n], one[(n + 1) % 4], other[(n + 1) % 4], other[n]]) for n in range(4)
    ]  # fmt: skip


def reach_of(house: Sequence[Any]) -> Array:
    """Corners of all pieces, shape (M, 3). [m]"""
    return np.concatenate([np.zeros((0, 3)), *(_reach(piece) for piece in house)])


def _reach(piece: Any) -> Array:
    if _is_box(piece):
        return _box_corners(piece)
    if _is_face(piece):
        return _face(piece)
    return np.vstack([wire.vertices for wire in piece.wires()])


# ---- what it is called -------------------------------------------------------------------


def house_handles(house: Sequence[Any]) -> dict[str, Artist]:
    """Legend of the house: a swatch per group of solids, a line per conductor."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: dict[str, Artist] = {}
    for piece in house:
        if _is_box(piece):
            label = piece.group
            style = {"facecolor": TIMBER, "edgecolor": TIMBER_EDGE, "lw": 0.5, "alpha": 0.8}
        elif _is_face(piece):
            label = _face_label(piece)
            colour = _sheet_colour(piece)
            style = {"facecolor": colour, "edgecolor": colour, "alpha": 0.45}
        else:
            continue
        handles.setdefault(label, Patch(**style))
        if any(True for _ in _seams(piece)):
            handles.setdefault("seam", Line2D([], [], color=SCREEN, lw=1.0, ls=(0, (4, 3))))
    colours, styles = metal_colours(house), _dashes(house)
    metal = [p for p in house if not _is_box(p) and not _is_face(p)]
    counts = Counter(_kind(p) for p in metal)
    for piece in metal:
        kind = _kind(piece)
        many = counts[kind] > MOST_NAMED
        label = f"{counts[kind]} {kind}s" if many else piece.name
        wide = max((w.radius for w in piece.wires()), default=0.0) > 0.02
        width = 5.0 if wide else 1.6
        handles.setdefault(
            label, Line2D([], [], color=colours[piece.name], lw=width, ls=styles[piece.name])
        )
    return handles


def _face_label(piece: Any) -> str:
    group = getattr(piece, "group", "") or piece.name
    material = _material(piece)
    return f"{group}: {material}" if material and material not in group else group
