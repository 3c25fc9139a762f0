"""Drawings of attic, house and wires: plan with north arrow, section, view in three dimensions.

Every function takes a plan (anything with `wires`, `feeds` and `attic`) or a scene, and plain
arrays for currents, so that others can draw their results onto the same pictures.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .antenna import BentL
from .attic import Attic
from .feeds import Feed
from .house_drawing import (
    draw_house_flat,
    draw_house_view,
    house_handles,
    kind_colour,
    metal_colours,
    pieces_of,
    reach_of,
)
from .joints import feed_distance
from .loads import Load
from .wires import Wire

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "draw_3d",
    "draw_attic",
    "draw_plan",
    "draw_section",
    "feed_marks",
    "plan_colours",
    "wire_colours",
]

Array = NDArray[np.float64]
Currents = Mapping[str, tuple[Array, Array]]

# told apart with any colour vision: hues that also differ in lightness (own choice)
_PALETTE = ("#0b4f8a", "#d1641b", "#1a8f72", "#a3307e", "#7a6a00", "#4aa3df", "#5a2d82", "#e0a100")
_RADIAL = "#8a8f98"
_METAL = "#6b7178"
_HOUSE = "#c9bfae"
_ROOF = "#9b8f7c"
_INK = "#33312e"
_FEED = "#c2161d"
_ROOM = "#4d6b57"


def wire_colours(wires: Sequence[Wire]) -> dict[str, str]:
    """A colour for every wire by name; radials, and leads to bonded metal, share a grey.

    Conductors of the house take none of the colours of the antenna.
    """
    colours, n = {}, 0
    for wire in wires:
        if _is_radial(wire.name):
            colours[wire.name] = _RADIAL
        elif getattr(wire, "piece", ""):
            colours[wire.name] = _METAL
        else:
            colours[wire.name] = _PALETTE[n % len(_PALETTE)]
            n += 1
    return colours


def _is_radial(name: str) -> bool:
    return name.startswith(("radial ", "bond to "))


def draw_plan(
    plan: Any, ax: Axes | None = None, *, currents: Currents | None = None, legend: bool = True
) -> Axes:
    """Attic and wires from above, with an arrow to true north.

    Parameters
    ----------
    plan : AtticPlan, BentL or Scene
        What to draw.
    ax : Axes, optional
        Where; a new figure where left out.
    currents : mapping of wire name to (distance, magnitude), optional
        Distances along the wire, shape (M,) [m], and current there, shape (M,); the line is as
        wide as the current. Magnitudes of all wires share one scale.
    legend : bool
        Whether to name the wires.

    Returns
    -------
    Axes
    """
    ax = _new_axes() if ax is None else ax
    attic, wires, house = _attic(plan), _wires(plan, currents), pieces_of(plan)
    if attic is not None:
        outline = np.vstack([attic.corners, attic.corners[:1]])
        ax.fill(outline[:, 0], outline[:, 1], color=_HOUSE, alpha=0.12 if house else 0.25, lw=0)
        ax.plot(outline[:, 0], outline[:, 1], color=_ROOF, lw=2.0)
        x = [attic.corners[:, 0].min(), attic.corners[:, 0].max()]
        ax.plot(x, [attic.ridge_across] * 2, color=_ROOF, lw=1.0, ls=(0, (8, 3, 2, 3)))
        ax.annotate(
            "ridge", (x[1], attic.ridge_across), xytext=(4, 0), textcoords="offset points",
            color=_ROOF, fontsize=8, va="center",
        )  # fmt: skip
    draw_house_flat(ax, house, (0, 1))
    _draw_rooms(ax, plan, (0, 1))
    colours = plan_colours(plan, wires)
    _draw_wires(
        ax, wires, (0, 1), currents, colours=colours, marks=feed_marks(plan) if legend else None
    )
    _draw_feeds(ax, plan, (0, 1))
    ax.set_aspect("equal")
    ax.margins(0.06)
    ax.set_xlabel("along the ridge [m]" if attic is not None else "x [m]")
    ax.set_ylabel("across [m]" if attic is not None else "y [m]")
    ax.set_title("Plan", loc="left", color=_INK, fontsize=10)
    _tidy(ax)
    if legend:
        _name_house(ax, house)
    if attic is not None:
        _north(ax, attic.azimuth(0.0))
    return ax


def draw_section(
    plan: Any,
    ax: Axes | None = None,
    *,
    along_ridge: bool = False,
    currents: Currents | None = None,
    legend: bool = False,
) -> Axes:
    """Attic and wires from the side, heights above ground.

    Parameters
    ----------
    plan, ax, currents, legend
        As for `draw_plan`.
    along_ridge : bool
        False: the gable, seen along the ridge. True: the side view, x to the right.

    Returns
    -------
    Axes
    """
    ax = _new_axes() if ax is None else ax
    attic, wires, house = _attic(plan), _wires(plan, currents), pieces_of(plan)
    across = 0 if along_ridge else 1
    if attic is not None:
        low, high = attic.corners[:, across].min(), attic.corners[:, across].max()
        floor, eaves, ridge = attic.floor_level, attic.eaves_level, attic.ridge_level
        if along_ridge:
            roof = np.array([[low, eaves], [low, ridge], [high, ridge], [high, eaves]])
        else:
            roof = np.array([[low, eaves], [attic.ridge_across, ridge], [high, eaves]])
        base = np.array([[high, min(floor, eaves)], [low, min(floor, eaves)]])
        shape = np.vstack([roof, base])
        ax.fill(shape[:, 0], shape[:, 1], color=_HOUSE, alpha=0.12 if house else 0.25, lw=0)
        ax.plot(roof[:, 0], roof[:, 1], color=_ROOF, lw=2.0)
        for side in (low, high):
            ax.plot([side, side], [0.0, eaves], color=_ROOF, lw=1.2)
        ax.plot([low, high], [floor, floor], color=_ROOF, lw=1.2, ls=(0, (5, 3)))
        ax.annotate(
            "attic floor", (low, floor), xytext=(4, -3), textcoords="offset points",
            color=_ROOF, fontsize=8, va="top",
        )  # fmt: skip
    draw_house_flat(ax, house, (across, 2))
    _draw_rooms(ax, plan, (across, 2))
    colours = plan_colours(plan, wires)
    _draw_wires(
        ax, wires, (across, 2), currents, colours=colours,
        marks=feed_marks(plan) if legend else None,
    )  # fmt: skip
    _draw_feeds(ax, plan, (across, 2))
    ax.set_aspect("equal")
    ax.margins(0.06)
    if attic is not None or min((w.vertices[:, 2].min() for w in wires), default=0.0) < 3.0:
        left, right = ax.get_xlim()
        ax.fill_between([left, right], 0.0, -0.35, color="#6b5a3e", alpha=0.35, lw=0)
        ax.set_xlim(left, right)
        ax.set_ylim(bottom=-0.35)
    names = ("along the ridge [m]", "across [m]") if attic is not None else ("x [m]", "y [m]")
    ax.set_xlabel(names[across])
    ax.set_ylabel("above ground [m]")
    ax.set_title("Side" if along_ridge else "Section", loc="left", color=_INK, fontsize=10)
    _tidy(ax)
    return ax


def draw_3d(plan: Any, ax: Any = None, *, currents: Currents | None = None) -> Any:
    """Attic and wires in three dimensions; arguments as for `draw_plan`, `ax` a 3-D Axes."""
    if ax is None:
        from .picture import Picture

        ax = Picture(figsize=(6, 5), layout="constrained").add_subplot(projection="3d")
    attic, wires, house = _attic(plan), _wires(plan, currents), pieces_of(plan)
    if attic is not None:
        for edge in _edges(attic):
            ax.plot(*edge.T, color=_ROOF, lw=1.1)
    draw_house_view(ax, house)
    colours = plan_colours(plan, wires)
    top = _top(currents)
    for wire in wires:
        if currents and wire.name in currents:
            points, width = _sampled(wire, currents[wire.name], top)
            for n in range(len(points) - 1):
                ax.plot(*points[n : n + 2].T, color=colours[wire.name], lw=width[n], zorder=4)
        else:
            ax.plot(*wire.vertices.T, color=colours[wire.name], lw=_width(wire), zorder=4)
    for what, point in _feed_points(plan):
        if what == "feed":
            ax.plot(*point[:, None], marker="o", ms=5, color=_FEED, zorder=6)
        else:
            ax.plot(*point[:, None], marker="s", ms=5, mfc="white", mec=_INK, zorder=6)
    limits = np.array([ax.get_xlim(), ax.get_ylim(), ax.get_zlim()])
    ax.view_init(elev=22, azim=-62)
    ax.set_box_aspect(limits[:, 1] - limits[:, 0], zoom=1.0)
    ax.set_box_aspect(limits[:, 1] - limits[:, 0], zoom=_zoom(ax, house))
    ax.set_axis_off()
    ax.set_title("View", loc="left", color=_INK, fontsize=10)
    return ax


def draw_attic(plan: Any, *, currents: Currents | None = None) -> Figure:
    """One sheet: plan, section, side and view.

    Parameters
    ----------
    plan : AtticPlan, BentL or Scene
    currents : mapping, optional
        As for `draw_plan`.

    Returns
    -------
    Figure
        Not attached to pyplot; save it with ``figure.savefig(path)``.
    """
    from .picture import Picture

    figure = Picture(figsize=(12, 8), layout="constrained")
    grid = figure.add_gridspec(2, 2, width_ratios=[1.25, 1.0])
    draw_plan(plan, figure.add_subplot(grid[0, 0]), currents=currents)
    draw_section(plan, figure.add_subplot(grid[0, 1]), currents=currents)
    draw_section(plan, figure.add_subplot(grid[1, 0]), along_ridge=True, currents=currents)
    draw_3d(plan, figure.add_subplot(grid[1, 1], projection="3d"), currents=currents)
    attic = _attic(plan)
    if attic is not None:
        figure.suptitle(
            f"{attic.name}: ridge bears {attic.ridge_bearing % 360:.0f} deg true",
            x=0.01, ha="left", color=_INK, fontsize=12,
        )  # fmt: skip
    return figure


def _zoom(ax: Any, house: Sequence[Any]) -> float:
    """How much larger than at zoom 1 the view may be without being cut off."""
    from mpl_toolkits.mplot3d import proj3d

    drawn = [np.column_stack(line.get_data_3d()) for line in ax.lines]
    points = np.concatenate([*drawn, reach_of(house)])
    x, y, _ = proj3d.proj_transform(points[:, 0], points[:, 1], points[:, 2], ax.get_proj())
    room = [np.abs(ax.viewLim.intervalx).min(), np.abs(ax.viewLim.intervaly).min()]
    used = [np.abs(x).max(), np.abs(y).max()]
    return float(min(0.96 * r / u for r, u in zip(room, used, strict=True)))


# ---- inside ------------------------------------------------------------------------------


def _new_axes() -> Axes:
    from .picture import Picture

    return Picture(figsize=(7, 5), layout="constrained").add_subplot()


def _attic(plan: Any) -> Attic | None:
    found = getattr(plan, "attic", None)
    return found if isinstance(found, Attic) else None


def _wires(plan: Any, currents: Currents | None = None) -> tuple[Wire, ...]:
    """The wires to draw as such; conductors of the house only where their current is known."""
    wires = plan.wires() if isinstance(plan, BentL) else tuple(plan.wires)
    drawn = {piece.name for piece in pieces_of(plan)}
    return tuple(
        wire
        for wire in wires
        if getattr(wire, "piece", "") not in drawn or wire.name in (currents or ())
    )


def plan_colours(plan: Any, wires: Sequence[Wire] | None = None) -> dict[str, str]:
    """Colours of the wires by name; a conductor of the house has that of its piece.

    Where a plan has no `house` but `metal_kinds`, kinds of metal by the names of pieces, metal has
    the colour of its kind.
    """
    kinds: Mapping[str, str] = getattr(plan, "metal_kinds", {})
    metal = {name: kind_colour(kind) for name, kind in kinds.items()}
    metal |= metal_colours(pieces_of(plan))
    found = _wires(plan) if wires is None else wires
    pieces = {wire.name: getattr(wire, "piece", "") for wire in found}
    return {name: metal.get(pieces[name], colour) for name, colour in wire_colours(found).items()}


def _name_house(ax: Axes, house: Sequence[Any]) -> None:
    """A legend of the house below the plan, beside that of the wires."""
    from matplotlib.legend import Legend

    handles = house_handles(house)
    if handles:
        legend = Legend(
            ax, list(handles.values()), list(handles), loc="upper left", fontsize=7.5, ncols=4,
            bbox_to_anchor=(0.0, -0.16), borderaxespad=0.0, frameon=False, columnspacing=1.2,
        )  # fmt: skip
        ax.add_artist(legend)
        legend.set_clip_on(False)  # else the layout leaves no room for it


def _feeds(plan: Any) -> list[Feed]:
    if isinstance(plan, BentL):
        return [plan.feed()]
    chokes = [load for piece in getattr(plan, "house", ()) for load in getattr(piece, "loads", ())]
    own = getattr(plan, "own_loads", getattr(plan, "loads", ()))
    return [*plan.feeds, *own, *chokes]


def _what(feed: Feed) -> str:
    """What a feed is, in a word; an opening stays one when its switch is closed."""
    if feed.termination is None:
        return "feed"
    if isinstance(feed, Load):
        return "load"
    return "opening" if feed.termination == "open" or feed.termination == 0 else "termination"


def feed_marks(plan: Any) -> dict[str, dict[str, Any]]:
    """Marks of the kinds of feeds that a plan has, by what they are called, as `plot` takes them.

    A driven feed is a red ring; an opening and a termination, which nothing drives, are squares;
    loads are diamonds.
    """
    ring = {"marker": "o", "ms": 6, "mfc": "white", "mec": _FEED, "mew": 1.8}
    square = {"marker": "s", "ms": 6, "mfc": "white", "mec": _INK, "mew": 1.4}
    looks = {"feed": ring, "load": square | {"marker": "D", "ms": 5}}
    return {what: looks.get(what, square) for what in map(_what, _feeds(plan))}


def _feed_points(plan: Any) -> list[tuple[str, Array]]:
    """What each feed is, and where, shape (3,). [m]"""
    wires = {wire.name: wire for wire in _wires(plan)}
    for piece in pieces_of(plan):
        if getattr(piece, "loads", ()):
            wires |= {wire.name: wire for wire in piece.wires()}
    points = []
    for feed in _feeds(plan):
        wire = wires.get(feed.wires[0])
        if wire is not None:
            at = feed_distance(feed, wire)
            points.append((_what(feed), wire.position(at)))
    return points


def _draw_feeds(ax: Axes, plan: Any, axes: tuple[int, int]) -> None:
    marks = feed_marks(plan)
    labelled: set[str] = set()
    for what, point in _feed_points(plan):
        label = None if what in labelled else what
        labelled.add(what)
        ax.plot(point[axes[0]], point[axes[1]], ls="", zorder=6, label=label, **marks[what])


def _draw_rooms(ax: Axes, plan: Any, axes: tuple[int, int]) -> None:
    """Rooms by their outline from above, from the side by their floor and planes."""
    names: dict[tuple[float, ...], list[str]] = {}
    for room in getattr(plan, "rooms", ()):
        outline = room.outline
        if axes == (0, 1):
            ring = np.vstack([outline, outline[:1]])
            ax.plot(ring[:, 0], ring[:, 1], color=_ROOM, lw=1.0, ls=(0, (2, 2)), zorder=2)
            x, y = outline[np.argmin(outline.sum(axis=1))].tolist()
        else:
            x, high = outline[:, axes[0]].min(), outline[:, axes[0]].max()
            y = room.floor_level
            ax.plot([x, high], [y, y], color=_ROOM, lw=1.4, zorder=2)
            for level in room.levels:
                ax.plot([x, high], [level] * 2, color=_ROOM, lw=0.6, ls=(0, (1, 3)), zorder=2)
            x = min((at for at, level in names if abs(level - y) < 0.3), default=x)
        names.setdefault((x, y), []).append(room.name)
    for where, there in names.items():
        ax.annotate(
            ", ".join(there), (where[0], where[1]), xytext=(3, 3), textcoords="offset points",
            color=_ROOM, fontsize=7.5, zorder=5,
        )  # fmt: skip


def _width(wire: Wire) -> float:
    return 1.1 if _is_radial(wire.name) else 2.0


def _top(currents: Currents | None) -> float:
    if not currents:
        return 1.0
    return max((float(np.max(np.abs(c[1]))) for c in currents.values()), default=1.0) or 1.0


def _sampled(wire: Wire, current: tuple[Array, Array], top: float) -> tuple[Array, Array]:
    """Points (M, 3) along a wire, its corners among them, and line widths between them (M-1,)."""
    where, size = np.asarray(current[0], dtype=float), np.abs(np.asarray(current[1]))
    order = np.argsort(where, kind="stable")
    fine = np.linspace(0.0, wire.length, 2 + math.ceil(wire.length / 0.1))
    stops = np.unique(np.concatenate([fine, wire.vertex_distances]))
    points = np.column_stack(
        [np.interp(stops, wire.vertex_distances, wire.vertices[:, k]) for k in range(3)]
    )
    middle = 0.5 * (stops[1:] + stops[:-1])
    return points, 0.5 + 5.5 * np.interp(middle, where[order], size[order]) / top


def _draw_wires(
    ax: Axes,
    wires: Sequence[Wire],
    axes: tuple[int, int],
    currents: Currents | None,
    *,
    colours: Mapping[str, str],
    marks: Mapping[str, Mapping[str, Any]] | None,
) -> None:
    """Wires, and a legend of them and of the marks where these are given."""
    from matplotlib.collections import LineCollection
    from matplotlib.lines import Line2D

    top = _top(currents)
    handles: dict[str, Line2D] = {}
    for wire in wires:
        colour, radial = colours[wire.name], _is_radial(wire.name)
        layer = 3 if radial else 4
        if currents and wire.name in currents:
            points, width = _sampled(wire, currents[wire.name], top)
            flat = points[:, list(axes)]
            pieces = np.stack([flat[:-1], flat[1:]], axis=1)
            ax.add_collection(
                LineCollection(
                    list(pieces), linewidths=width.tolist(), colors=colour, capstyle="round",
                    zorder=layer,
                )
            )  # fmt: skip
            ax.update_datalim(flat)
            ax.plot(flat[:, 0], flat[:, 1], color=colour, lw=0.4, zorder=layer)
        else:
            flat = wire.vertices[:, list(axes)]
            ax.plot(
                flat[:, 0], flat[:, 1], color=colour, lw=_width(wire), zorder=layer,
                solid_joinstyle="round",
            )  # fmt: skip
            if not radial and not wire.is_closed:
                ax.plot(*flat[-1], ".", color=colour, ms=5, zorder=layer)
        count = sum(_is_radial(w.name) for w in wires)
        label = f"{count} radials and bonds" if radial and count > 1 else wire.name
        if radial and all(w.name.startswith("radial ") for w in wires if _is_radial(w.name)):
            label = f"{count} radial{'s' * (count > 1)}"
        handles.setdefault(label, Line2D([], [], color=colour, lw=_width(wire)))
    if marks is not None and handles:
        handles |= {label: Line2D([], [], ls="", **mark) for label, mark in marks.items()}
        ax.legend(
            list(handles.values()), list(handles), loc="upper left", fontsize=8,
            bbox_to_anchor=(1.01, 1.0), borderaxespad=0.0, frameon=False,
        )  # fmt: skip


def _north(ax: Axes, azimuth_deg: float) -> None:
    """An arrow to true north, to the right of the plot."""
    turn = math.radians(azimuth_deg)
    way = np.array([math.cos(turn), math.sin(turn)])
    inset = ax.inset_axes((1.03, 0.0, 0.2, 0.34))
    inset.set_aspect("equal")
    inset.set_xlim(-1.5, 1.5)
    inset.set_ylim(-1.5, 1.5)
    inset.set_axis_off()
    inset.annotate(
        "", xy=tuple(way), xytext=tuple(-0.8 * way),
        arrowprops={"arrowstyle": "-|>", "color": _INK, "lw": 1.4},
    )  # fmt: skip
    inset.text(
        float(1.3 * way[0]),
        float(1.3 * way[1]),
        "N",
        ha="center",
        va="center",
        fontsize=10,
        fontweight="bold",
        color=_INK,
    )


def _tidy(ax: Axes) -> None:
    ax.grid(visible=True, color="#e6e2da", lw=0.6, zorder=0)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color("#b7b0a3")
    ax.tick_params(colors="#6d675d", labelsize=8)
    ax.xaxis.label.set_color(_INK)
    ax.yaxis.label.set_color(_INK)


def _edges(attic: Attic) -> list[Array]:
    """Floor, eaves, ridge and gables as polylines (N, 3), world coordinates. [m]"""
    corners = attic.corners
    ring = np.vstack([corners, corners[:1]])
    roof = attic.roof_height(corners[:, 1]) + attic.floor_level
    floor = np.full(len(ring), attic.floor_level)
    lines = [np.column_stack([ring, floor])]
    for n in range(len(corners)):
        a, b = corners[n], corners[(n + 1) % len(corners)]
        stops = [a, b]
        mid = attic.ridge_across
        if (a[1] - mid) * (b[1] - mid) < 0.0:  # the side passes under the ridge
            stops.insert(1, a + (b - a) * ((mid - a[1]) / (b[1] - a[1])))
        edge = np.array(stops)
        lines.append(np.column_stack([edge, attic.roof_height(edge[:, 1]) + attic.floor_level]))
        lines.append(np.array([[*a, attic.floor_level], [*a, roof[n]]]))
    x = [corners[:, 0].min(), corners[:, 0].max()]
    lines.append(np.array([[v, attic.ridge_across, attic.ridge_level] for v in x]))
    return lines
