"""Maps of rooms: what part of a limit the field takes up, the wires above drawn lightly."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from . import numbers as n
from .figures import INK, drawable, head, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..moments.basis import FloatArray
    from ..station.exposure_records import Exposure, PlaneExposure, PlaneFields

LEVELS = (0.01, 0.02, 0.03, 0.05, 0.07, 0.1, 0.15, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 7.0,
          10.0, 20.0, 50.0)  # fmt: skip
"""Parts of the limit between which colours change."""

LIGHT = 0.3
LIMIT_COLOUR = "#c2161d"
MOST_COLUMNS = 3


def chosen_row(
    found: Exposure,
    room: str | None,
    *,
    band: str | None = None,
    limits: str | None = None,
    plane: float | None = None,
) -> PlaneExposure:
    """The row to draw: what is left out is the worst there is.

    Raises
    ------
    SolverError
        If there is none such.
    """
    from ..errors import SolverError

    row = found.worst_of(room, band=band, limits=limits).worst
    if plane is None:
        return row
    for one in found.planes:
        same = (one.room, one.band, one.limits) == (row.room, row.band, row.limits)
        if same and abs(one.plane - plane) < 1e-6:
            return one
    heights = ", ".join(f"{height:g}" for height in found.room(row.room).planes)
    raise SolverError(
        f"Room {row.room!r} has no plane {plane!r} m above its floor; it has {heights}."
    )


def draw_room(
    found: Exposure,
    room: str | None = None,
    *,
    band: str | None = None,
    limits: str | None = None,
    plane: float | None = None,
    ax: Axes | None = None,
) -> Axes:
    """One plane of a room from above: contours of the part of the limit, the worst point ringed.

    Parameters
    ----------
    found : Exposure
    room, band, limits, plane
        What is left out is the worst there is; the plane above the room's floor. [m]
    ax : Axes, optional
        Where; a new figure where left out.
    """
    from matplotlib.colors import BoundaryNorm
    from matplotlib.patches import Polygon

    from ...geometry.drawing import draw_plan

    row = chosen_row(found, room, band=band, limits=limits, plane=plane)
    ax = new_axes(6.6, 5.0) if ax is None else ax
    draw_plan(_without_feeds(found), ax, legend=False)
    for line in ax.lines:
        line.set_alpha(LIGHT)
    fields, grid = found.fields_of(row), found.fraction_map(row)
    levels = _levels(grid)
    colours = _colours()
    # One colour for a part of the limit in every map; clipped to the room's own outline.
    norm = BoundaryNorm(LEVELS, colours.N, extend="both")
    corners = found.room(row.room).outline
    frame = Polygon(corners, closed=True, transform=ax.transData)
    spread = _filled(fields, grid)
    filled = ax.contourf(
        fields.x, fields.y, spread, levels=levels, cmap=colours, norm=norm, extend="both",
        alpha=0.85, zorder=1,
    )  # fmt: skip
    filled.set_clip_path(frame)
    inner = [level for level in levels if np.nanmin(grid) < level < np.nanmax(grid)]
    if inner:
        lines = ax.contour(
            fields.x, fields.y, spread, levels=inner, zorder=2,
            linewidths=[2.2 if level == 1.0 else 0.7 for level in inner],
            colors=[LIMIT_COLOUR if level == 1.0 else INK for level in inner],
        )  # fmt: skip
        lines.set_clip_path(frame)
        ax.clabel(lines, fmt=lambda value: n.per_cent(float(value)), fontsize=7.5)
    outline = np.vstack([corners, corners[:1]])
    ax.plot(outline[:, 0], outline[:, 1], color=INK, lw=1.6, zorder=5)
    _dot_extrapolated(ax, fields)
    x, y, _ = row.worst_point
    ax.plot(x, y, "o", ms=9, mfc="none", mec=LIMIT_COLOUR, mew=2.0, zorder=7)
    ax.use_sticky_edges = False
    ax.autoscale_view()
    _key(ax, filled, levels)
    head(
        ax,
        f"{row.room}, {row.plane:g} m above its floor: {row.band}, {row.limits}\n"
        f"ring: {n.per_cent(row.fraction)} of the limit ({row.worst_field})"
        f"{', extrapolated' if row.is_extrapolated else ''} at {row.power:g} W, "
        f"{found.sending.mode}",
    )
    return ax


def _without_feeds(found: Exposure) -> Any:
    """What is drawn under the map: attic and wires."""
    what: Any = drawable(found)  # pyright: ignore[reportArgumentType]
    return SimpleNamespace(
        attic=what.attic, wires=what.wires, metal_kinds=what.metal_kinds, feeds=()
    )


def _levels(grid: FloatArray) -> list[float]:
    """Those about the values, two at least."""
    low, high = float(np.nanmin(grid)), float(np.nanmax(grid))
    first = max(sum(level <= low for level in LEVELS) - 1, 0)
    last = min(sum(level < high for level in LEVELS) + 1, len(LEVELS))
    if last - first < 3:
        first, last = max(0, min(first, len(LEVELS) - 3)), max(3, min(first + 3, len(LEVELS)))
    return list(LEVELS[first:last])


def _colours() -> Any:
    """Light to dark, so that any eye and any printer shows which is more (own choice)."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list(
        "exposure", ["#f4f1e8", "#f2d98b", "#e09a4f", "#b5532a", "#6b1f2a"]
    )


def _filled(fields: PlaneFields, grid: FloatArray) -> FloatArray:
    """The grid filled up beyond the room from its nearest points, so that contours reach walls."""
    from scipy.spatial import KDTree

    across, up = np.meshgrid(fields.x, fields.y)
    places = np.column_stack([across.ravel(), up.ravel()])
    known = fields.within.ravel()
    _, nearest = KDTree(places[known]).query(places)
    return grid.ravel()[known][nearest].reshape(grid.shape)


def _dot_extrapolated(ax: Axes, fields: PlaneFields) -> None:
    across, up = np.meshgrid(fields.x, fields.y)
    own = fields.within
    some = fields.is_extrapolated
    if some.any():
        ax.plot(across[own][some], up[own][some], ".", ms=2.2, color=INK, alpha=0.7, zorder=6)


def _key(ax: Axes, filled: Any, levels: list[float]) -> None:
    """A bar of the colours, to the right above the arrow to north."""
    inset = ax.inset_axes((1.05, 0.45, 0.035, 0.5))
    bar = ax.figure.colorbar(filled, cax=inset, ticks=levels)
    bar.ax.set_yticklabels([n.per_cent(level) for level in levels])
    bar.ax.tick_params(labelsize=7.5, colors="#5f5a52", length=2)
    bar.outline.set_visible(False)  # pyright: ignore[reportCallIssue]
    inset.set_title("of the limit", fontsize=7.5, color=INK, loc="left", pad=4.0)


def draw_rooms(found: Exposure) -> Figure:
    """One sheet: a map of each room where, when and by whose limits it is worst."""
    from ...geometry.picture import Picture

    count = len(found.rooms)
    wide = min(count, MOST_COLUMNS)
    deep = math.ceil(count / wide)
    figure = Picture(figsize=(6.4 * wide, 4.9 * deep + 0.5), layout="constrained")
    axes = figure.subplots(deep, wide, squeeze=False).ravel()
    for ax, room in zip(axes, found.rooms, strict=False):
        draw_room(found, room.name, ax=ax)
    for ax in axes[count:]:
        ax.set_axis_off()
    figure.suptitle(
        f"{found.name}: fields in the rooms. An estimate to plan by, no compliance statement",
        x=0.01, ha="left", color=INK, fontsize=11,
    )  # fmt: skip
    return figure
