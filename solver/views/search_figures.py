"""A search as a picture: all layouts by two criteria, the front, and what is on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..errors import TargetError
from .figures import INK, head, new_axes, tidy
from .search_page import told_front
from .sweep_figures import CHOSEN, FRONT, OTHERS, label_of, scaled, set_axis
from .sweep_page import counted, parameter_labels, parameter_text, value_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..study.searching.search_records import FoundLayout, SearchResult

MOST_NAMED = 5
"""Layouts of the front that say what they are."""

LETTER = 10.0
"""Room of a letter. [pt]"""

RINGS = (10.5, 18.0, 27.0, 38.0)
"""How far letters may be from their places, the nearest first. [pt]"""

BEARINGS = np.deg2rad(np.arange(45.0, 405.0, 30.0))


def draw_search(result: SearchResult, ax: Axes | None = None) -> Axes:
    """All layouts by two criteria, those that no other one beats joined, some with their lengths.

    Raises
    ------
    TargetError
        If there is only one criterion.
    """
    if len(result.criteria) < 2:
        raise TargetError("A front is drawn over two criteria; there is one.")
    ax = new_axes(7.4, 4.4) if ax is None else ax
    judged = [goal.asked for goal in result.criteria[:2]]

    def places(layouts: list[FoundLayout]) -> np.ndarray:
        values = np.array([[one.figures[asked.name] for asked in judged] for one in layouts])
        values = values.reshape(-1, 2)
        return np.stack([scaled(a, values[:, k]) for k, a in enumerate(judged)], axis=1)

    every = list(result.in_all_houses)
    kept = [one for one in every if result.broken(one) == 0.0]
    broken = [one for one in every if result.broken(one) > 0.0]
    for some, mark, what in ((broken, "x", "break a limit"), (kept, "o", "looked at")):
        if some:
            label = f"{len(some):,} {what}"
            ax.plot(*places(some).T, mark, ms=3.5, color=OTHERS, mew=0.8, label=label)
    front = places(list(result.front))
    label = f"beaten by none: {len(front)}" + ("" if result.keeping else "\n(limits left aside)")
    ax.plot(*front.T, "o-", ms=5.0, lw=1.4, color=FRONT, zorder=3, label=label)
    best = places([result.best])[0]
    ax.plot(
        *best, "D", ms=8.5, mfc="none", mec=CHOSEN, mew=2.0, ls="", zorder=4,
        label=f"layout {result.best.number}: "
        + ", ".join(value_text(a, result.best.figures[a.name]) for a in judged),
    )  # fmt: skip
    if result.as_told is not None:
        ax.plot(*places([result.as_told])[0], "s", ms=7.0, mfc="none", mec=INK, ls="", zorder=4,
                label=f"layout {result.as_told.number}, as told")  # fmt: skip
    tidy(ax)
    drawn = places(every)
    for which, k in (("x", 0), ("y", 1)):
        label = label_of(judged[k], reference=result.reference, power=result.power)
        set_axis(ax, which, judged[k], drawn[:, k], label)
    _name_some(result, ax)
    ax.legend(frameon=False, fontsize=8, loc="upper left", bbox_to_anchor=(1.01, 1.0))
    count = counted(len(result), "layout")
    head(ax, f"{result.name}: {count} for {counted(result.spent, 'solve')}")
    return ax


def _name_some(result: SearchResult, ax: Axes) -> None:
    """Beside some layouts of the front, what they are."""
    front = told_front(result)
    count = min(MOST_NAMED, len(front))
    rows = sorted({round(k * (len(front) - 1) / max(count - 1, 1)) for k in range(count)})
    labels = parameter_labels(result.parameters)
    lines: list[str] = []
    places: list[tuple[float, float]] = []
    for mark, row in enumerate(rows):
        one = front[row]
        at = [scaled(g.asked, np.array([one.figures[g.name]]))[0] for g in result.criteria[:2]]
        letter = "abcdefgh"[mark]
        places.append((float(at[0]), float(at[1])))
        told = ", ".join(
            f"{label} {parameter_text(p, result.value(p, one))}"
            for label, p in zip(labels, result.parameters, strict=True)
        )
        lines.append(f"{letter}  layout {one.number}: {told}")
    for letter, place, offset in zip("abcdefgh", places, apart(ax, places), strict=False):
        ax.annotate(
            letter, place, xytext=offset, textcoords="offset points", fontsize=8, color=INK,
            zorder=5, ha="center", va="center",
            arrowprops={"arrowstyle": "-", "color": INK, "lw": 0.5, "shrinkA": 4, "shrinkB": 2},
        )  # fmt: skip
    ax.annotate(
        "\n".join(lines), (0.0, -0.2), xycoords="axes fraction", fontsize=7.5, color=INK, va="top",
        annotation_clip=False,
    )  # fmt: skip


def apart(ax: Axes, places: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Offsets of letters, so that none is over another, over a place or outside. [pt]"""
    figure = ax.get_figure(root=True)
    if figure is None:
        raise ValueError("the axes are in no figure")
    to_points = 72.0 / figure.dpi
    points = ax.transData.transform(np.array(places)) * to_points
    low, high = np.array(ax.bbox.extents).reshape(2, 2) * to_points
    taken = list(points)
    found = []
    for point in points:
        ways = [r * np.array([np.cos(t), np.sin(t)]) for r in RINGS for t in BEARINGS]
        free = [
            way
            for way in ways
            if all(np.abs(point + way - one).max() > LETTER for one in taken)
            and (np.abs(point + way - 0.5 * (low + high)) < 0.5 * (high - low - LETTER)).all()
        ]
        way = free[0] if free else ways[0]
        taken.append(point + way)
        found.append((float(way[0]), float(way[1])))
    return found
