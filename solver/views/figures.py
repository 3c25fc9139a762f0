"""Pictures of an answer: load, watts, angles, and the wires with the current along them.

Functions that draw one thing take `ax` and return it; those that draw a sheet return a Figure
that is not attached to pyplot (``figure.savefig(path)``).
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..answer_records import swr_of
from . import numbers as n
from .tables import (
    EARTH,
    ELECTRODES,
    JACKETS,
    LOADS,
    METAL,
    SKY,
    SOLIDS,
    WIRE,
    bandwidth_text,
    is_free,
    watt_columns,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

    from ..answer_records import Answer, BandAnswer
    from ..bands import Band
    from ..moments.basis import ComplexArray, FloatArray

# Hues that also differ in lightness, so that any eye and any printer tells them apart.
INK = "#33312e"
FAINT = "#d9d4ca"
RESISTANCE = "#0b4f8a"
REACTANCE = "#d1641b"
GOOD = "#dcebdf"
WATT_COLOURS = {
    SKY: "#2f7fb8",
    EARTH: "#8a6d3b",
    ELECTRODES: "#4a3a1e",
    WIRE: "#e09a4f",
    METAL: "#b3123f",
    JACKETS: "#5a2d82",
    SOLIDS: "#c9b38a",
    LOADS: "#6f7479",
}
ANGLE_COLOURS = ("#123f6b", "#5fa0bd", "#e3c46f")

_PLURALS = {
    "cable": "cables", "duct": "ducts", "pipe": "pipes", "downpipe": "downpipes", "tank": "tanks",
    "gutter": "gutters", "screen": "sheets of metal", "metal": "pieces of metal",
}  # fmt: skip

INNER_DBI, OUTER_DBI = -20.0, 10.0
"""Gain at the centre and at the rim of the patterns, the same on every band."""

MOST_COLUMNS = 3

Point = tuple[float, float]


def new_axes(width: float = 5.0, height: float = 3.4) -> Axes:
    """Axes on a sheet of their own. [inch]"""
    from ...geometry.picture import Picture

    return Picture(figsize=(width, height), layout="constrained").add_subplot()


def head(ax: Axes, text: str) -> None:
    """A title at a fixed place: having it found takes a good part of the drawing time."""
    ax.set_title(text, loc="left", fontsize=9, color=INK, y=1.0, pad=5.0)


def tidy(ax: Axes) -> None:
    """Grid, spines, ticks and labels as all charts have them; what labels them goes in later."""
    head(ax, "")
    ax.grid(visible=True, color=FAINT, lw=0.6)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color("#a8a196")
    ax.tick_params(colors="#5f5a52", labelsize=8)
    for label in (ax.xaxis.label, ax.yaxis.label):
        label.set_color(INK)
        label.set_fontsize(9)


def megahertz_axis(ax: Axes, band: Band) -> None:
    """A band from edge to edge in MHz, edges and middle written out."""
    from matplotlib.ticker import FuncFormatter

    low, high = band.low / 1e6, band.high / 1e6
    ticks = np.linspace(low, high, 3)
    # As many decimals as write each tick exactly, to the hertz at most.
    decimals = next(
        (d for d in range(2, 6) if all(abs(round(tick, d) - tick) < 1e-9 for tick in ticks)), 6
    )
    ax.set_xlim(low, high)
    ax.set_xticks(ticks)
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.{decimals}f}"))


# ---- will it load? -----------------------------------------------------------------------


def _smooth(band: BandAnswer) -> tuple[FloatArray, ComplexArray]:
    """Frequencies [MHz] and impedances [ohm] for a curve, by the reflection coefficient."""
    from scipy.interpolate import CubicSpline

    known = (band.impedances - band.reference) / (band.impedances + band.reference)
    fine = np.union1d(np.linspace(band.band.low, band.band.high, 241), band.frequencies)
    gamma = np.asarray(CubicSpline(band.frequencies, known)(fine), dtype=np.complex128)
    return fine / 1e6, band.reference * (1.0 + gamma) / (1.0 - gamma)


def mark_swr(axis: Axis, top: float) -> None:
    """Ticks of a logarithmic axis of SWR from 1 up to `top`, at numbers that people know."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter, NullLocator

    steps = [1, 1.5, 2, 3, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000]
    shown = [step for step in steps if step <= top]
    shown = shown if len(shown) <= 7 else [1, 2, *[s for s in shown if str(s)[0] in "15"][2:]]
    axis.set_major_locator(FixedLocator(shown))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_locator(NullLocator())
    axis.set_minor_formatter(NullFormatter())


def draw_swr(band: BandAnswer, ax: Axes | None = None) -> Axes:
    """SWR over a band, up to 2 shaded; the dot is the lowest."""
    ax = new_axes() if ax is None else ax
    megahertz, impedance = _smooth(band)
    swr = swr_of(impedance, band.reference)
    swr = np.where(np.isfinite(swr) & (swr > 0.0), swr, 1e4)
    top = max(6.0, 1.3 * float(np.max(swr)))
    ax.set_yscale("log")
    ax.axhspan(1.0, 2.0, color=GOOD, lw=0)
    ax.plot(megahertz, swr, color=INK, lw=1.8)
    ax.plot(band.lowest.frequency / 1e6, band.lowest.swr, "o", ms=5, color=INK, clip_on=False)
    ax.set_ylim(1.0, top)
    mark_swr(ax.yaxis, top)
    tidy(ax)
    megahertz_axis(ax, band.band)
    ax.set_xlabel("MHz")
    ax.set_ylabel(f"SWR ({band.reference:g} ohm)")
    head(
        ax,
        f"{band.name}   efficiency {n.per_cent(band.efficiency)}, SWR 2 or less: "
        f"{bandwidth_text(band)}",
    )
    return ax


def draw_impedance(band: BandAnswer, ax: Axes | None = None) -> Axes:
    """Resistance and reactance at the feed point over a band, marked at the line's end."""
    ax = new_axes() if ax is None else ax
    megahertz, impedance = _smooth(band)
    ax.axhline(0.0, color="#a8a196", lw=0.8)
    for values, colour, style, label in (
        (impedance.real, RESISTANCE, "-", "R"),
        (impedance.imag, REACTANCE, (0, (5, 2)), "X"),
    ):
        ax.plot(megahertz, values, color=colour, lw=1.8, ls=style)
        ax.annotate(
            label, (megahertz[-1], values[-1]), xytext=(4, 0), textcoords="offset points",
            color=colour, fontsize=9, fontweight="bold", va="center", annotation_clip=False,
        )  # fmt: skip
    tidy(ax)
    megahertz_axis(ax, band.band)
    ax.margins(y=0.12)
    ax.set_xlabel("MHz")
    ax.set_ylabel("R and X [ohm]")
    return ax


def draw_load(answer: Answer) -> Figure:
    """SWR above, R and X below, for every band."""
    from ...geometry.picture import Picture

    bands = answer.bands
    wide = min(len(bands), MOST_COLUMNS)
    deep = math.ceil(len(bands) / wide)
    figure, inches = Picture(figsize=(4.4 * wide, 3.5 * deep + 0.4)), Inches(4.4, 3.5)
    outer = figure.add_gridspec(
        deep, wide, **inches.grid(wide, deep, left=0.65, right=0.3, bottom=0.5, top=0.3)
    )
    for k, band in enumerate(bands):
        inner = outer[k // wide, k % wide].subgridspec(2, 1, hspace=0.12)
        upper = draw_swr(band, figure.add_subplot(inner[0]))
        upper.set_xlabel("")
        upper.tick_params(labelbottom=False)
        draw_impedance(band, figure.add_subplot(inner[1]))
    put_title(figure, f"{_name(answer)}: will it load?", answer.place)
    return figure


TITLE_INCHES = 0.4
LEGEND_LINE = 0.24  # inches
LEGEND_COLUMNS = 9


@dataclass(frozen=True)
class Inches:
    """Cells of a sheet laid out by hand, which is far quicker than having it found.

    Attributes
    ----------
    width, height : float
        Of a cell. [inch]
    """

    width: float
    height: float

    def grid(
        self,
        wide: int,
        deep: int,
        *,
        left: float,
        right: float,
        bottom: float,
        top: float,
        over: float = TITLE_INCHES,
    ) -> dict[str, float]:
        """Where a grid of cells lies, with room in each for labels on its four sides [inch].

        `over` is what all of it leaves free at the top.
        """
        across, up = self.width * wide, self.height * deep + over
        return {
            "left": left / across,
            "right": 1.0 - right / across,
            "bottom": bottom / up,
            "top": 1.0 - (top + over) / up,
            "wspace": (left + right) / (self.width - left - right),
            "hspace": (bottom + top) / (self.height - bottom - top),
        }


def _name(answer: Answer) -> str:
    """House and layout, as titles call them."""
    if answer.house is None or answer.house.name == answer.name:
        return answer.name
    return f"{answer.house.name}, {answer.name}"


INCHES_PER_LETTER = 0.085
"""Of the largest type, a little more than letters take on the whole."""


def put_title(figure: Figure, text: str, note: str) -> None:
    """What a sheet shows, on its top line, or in smaller type on lines of its own."""
    height, width = float(figure.get_figheight()), float(figure.get_figwidth())
    is_narrow = width < max(8.0, INCHES_PER_LETTER * len(f"{text}   ({note})"))
    if is_narrow:
        letters = int(width / (INCHES_PER_LETTER * 8.0 / 11.0))
        note = "\n".join(textwrap.wrap(note, letters - 2))
    figure.text(
        0.1 / figure.get_figwidth(),
        1.0 - 0.2 / height,
        f"{text}\n({note})" if is_narrow else f"{text}   ({note})",
        ha="left",
        va="center",
        color=INK,
        fontsize=8 if is_narrow else 11,
    )


# ---- where do the watts go? --------------------------------------------------------------


def draw_bars(
    ax: Axes, names: Sequence[str], parts: Sequence[tuple[str, str, np.ndarray]], text_from: float
) -> None:
    """Lying stacked bars in per cent; a part wide enough carries its number."""
    places = np.arange(len(names))[::-1]
    left = np.zeros(len(names))
    for label, colour, values in parts:
        size = 100.0 * np.nan_to_num(values)
        ax.barh(places, size, left=left, height=0.66, color=colour, label=label, lw=0)
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        tone = "white" if 0.3 * red + 0.6 * green + 0.1 * blue < 140 else INK
        for y, x, value in zip(places, left, size, strict=True):
            if value >= text_from:
                ax.text(x + value / 2, y, f"{value:.0f}", color=tone, fontsize=8, ha="center",
                        va="center")  # fmt: skip
        left += size
    ax.set_yticks(places, names)
    tidy(ax)
    ax.grid(visible=False, axis="y")
    ax.set_ylim(-0.6, len(names) - 0.4)
    ax.legend(
        loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=len(parts), frameon=False, fontsize=8,
        handlelength=1.0, columnspacing=1.2, borderaxespad=0.2,
    )  # fmt: skip


def draw_budget(bands: Sequence[BandAnswer], ax: Axes | None = None) -> Axes:
    """Where the input goes, at the centre of each band."""
    ax = new_axes() if ax is None else ax
    parts = [
        (word, WATT_COLOURS[word], np.array(values)) for word, values in watt_columns(bands).items()
    ]
    draw_bars(ax, [band.name for band in bands], parts, 4.0)
    ax.set_xlim(0.0, 100.0)
    ax.set_xlabel("per cent of the input power")
    return ax


def draw_split(bands: Sequence[BandAnswer], ax: Axes | None = None) -> Axes:
    """What leaves for the sky, by angle above the horizon, as a part of the input."""
    ax = new_axes() if ax is None else ax
    low, high = bands[0].angle_limits
    down = ", and below the horizon" if is_free(bands[0]) else ""
    labels = (f"below {low:g} deg{down}", f"{low:g} to {high:g} deg", f"above {high:g} deg")
    shares = np.array([band.shares_of_input for band in bands])
    parts = [
        (label, colour, shares[:, k])
        for k, (label, colour) in enumerate(zip(labels, ANGLE_COLOURS, strict=True))
    ]
    draw_bars(ax, [band.name for band in bands], parts, 4.0)
    ax.set_xlim(0.0, 100.0)
    ax.set_xlabel("per cent of the input power, by angle above the horizon")
    return ax


def draw_watts(answer: Answer) -> Figure:
    """Budget and split by angle, side by side over the bands."""
    from ...geometry.picture import Picture

    inches = Inches(6.0, 1.3 + 0.38 * len(answer.bands))
    figure = Picture(figsize=(12, inches.height + TITLE_INCHES))
    grid = inches.grid(2, 1, left=0.95, right=0.25, bottom=0.55, top=0.35)
    left, right = figure.subplots(1, 2, gridspec_kw=grid)
    draw_budget(answer.bands, left)
    draw_split(answer.bands, right)
    put_title(figure, f"{_name(answer)}: where do the watts go?", answer.place)
    return figure


# ---- where does it send them? ------------------------------------------------------------


def _radius(gain_dbi: np.ndarray) -> np.ndarray:
    return np.clip((gain_dbi - INNER_DBI) / (OUTER_DBI - INNER_DBI), 0.0, 1.25)


def _rings(ax: Axes, at: Point, from_deg: float, to_deg: float, label_deg: float) -> None:
    angles = np.deg2rad(np.linspace(from_deg, to_deg, 91))
    turn = math.radians(label_deg)
    for level in (-10.0, 0.0, 10.0):
        r = float(_radius(np.array(level)))
        ax.plot(
            at[0] + r * np.cos(angles), at[1] + r * np.sin(angles), color="#b9b2a5", lw=0.7,
            zorder=1,
        )  # fmt: skip
        ax.text(
            at[0] + r * math.cos(turn), at[1] + r * math.sin(turn),
            f"{level:+.0f}" if level else "0 dBi",
            fontsize=6.5, color="#7d766a", ha="center", va="center", zorder=2,
            bbox={"boxstyle": "round,pad=0.1", "fc": "white", "ec": "none", "alpha": 0.7},
        )  # fmt: skip


def _way(band: BandAnswer, direction: float) -> str:
    return f"{'bearing' if band.has_bearings else 'azimuth'} {n.bearing(direction)}"


def _lobes(ax: Axes, at: Point, angle: np.ndarray, radius: np.ndarray) -> None:
    x, y = at[0] + radius * np.cos(angle), at[1] + radius * np.sin(angle)
    ax.fill(x, y, color=INK, alpha=0.07, lw=0)
    ax.plot(x, y, color=INK, lw=1.8, zorder=3)


def _put_elevation(ax: Axes, band: BandAnswer, at: Point) -> None:
    """The upright cut, a disc or half disc of radius 1 about a point."""
    from matplotlib.patches import Wedge

    direction, free = band.bearing_deg, is_free(band)
    low, high = band.angle_limits
    edges = (0.0, low, high, 90.0)
    for k in range(3):
        for start, stop in (
            (edges[k], edges[k + 1]),
            (180.0 - edges[k + 1], 180.0 - edges[k]),
        ):
            ax.add_patch(
                Wedge(at, 1.0, start, stop, color=ANGLE_COLOURS[k], alpha=0.16, lw=0, zorder=0)
            )
    elevation = np.linspace(-90.0 if free else 0.0, 90.0, 181 if free else 121)
    ahead = _radius(band.gain_at(elevation, direction))
    behind = _radius(band.gain_at(elevation, direction + 180.0))
    angle = np.deg2rad(np.concatenate([elevation, 180.0 - elevation[::-1]]))
    _lobes(ax, at, angle, np.concatenate([ahead, behind[::-1]]))
    if free:
        _rings(ax, at, 0.0, 360.0, 90.0 + 0.5 * (90.0 - high))
        ax.plot([at[0] - 1.05, at[0] + 1.05], [at[1]] * 2, color="#a8a196", lw=0.8)
    else:
        _rings(ax, at, 0.0, 180.0, 90.0)
        ax.plot(
            [at[0] - 1.12, at[0] + 1.12], [at[1]] * 2, color="#6b5a3e", lw=2.5,
            solid_capstyle="butt", zorder=4,
        )  # fmt: skip
    for mark in (low, high):
        for side in (mark, 180.0 - mark):
            turn = math.radians(side)
            ax.text(
                at[0] + 1.09 * math.cos(turn), at[1] + 1.09 * math.sin(turn), f"{mark:g}",
                fontsize=7, color="#5f5a52", ha="center", va="center",
            )  # fmt: skip
    below = at[1] - (1.15 if free else 0.08)
    for side, way in ((1, direction), (-1, (direction + 180.0) % 360.0)):
        ax.text(
            at[0] + 1.05 * side, below, _way(band, way), fontsize=7.5, va="top", color=INK,
            ha="right" if side > 0 else "left",
        )  # fmt: skip


def _put_azimuth(ax: Axes, band: BandAnswer, at: Point, elevation_deg: float) -> None:
    """The cut round the compass, a disc of radius 1 about a point."""
    direction = np.arange(0.0, 361.0, 3.0)
    radius = _radius(band.gain_at(elevation_deg, direction))
    # Bearings run clockwise from the top, azimuths counter-clockwise from the right.
    _lobes(ax, at, np.deg2rad(90.0 - direction if band.has_bearings else direction), radius)
    _rings(ax, at, 0.0, 360.0, 22.5)
    marks = ("N", "E", "S", "W") if band.has_bearings else ("90", "0", "270", "180")
    for mark, (px, py) in zip(marks, ((0, 1), (1, 0), (0, -1), (-1, 0)), strict=True):
        ax.plot([at[0], at[0] + px], [at[1], at[1] + py], color=FAINT, lw=0.7, zorder=0)
        ax.text(
            at[0] + 1.13 * px, at[1] + 1.13 * py, mark, ha="center", va="center", fontsize=8,
            color=INK, fontweight="bold" if mark in ("N", "0") else "normal",
        )  # fmt: skip
    if band.has_bearings:
        for bearing in (band.ridge_bearing, band.ridge_bearing + 180.0):
            turn = math.radians(90.0 - bearing)
            ax.plot(
                [at[0] + 0.93 * math.cos(turn), at[0] + 1.03 * math.cos(turn)],
                [at[1] + 0.93 * math.sin(turn), at[1] + 1.03 * math.sin(turn)],
                color="#9b8f7c", lw=3.0, solid_capstyle="butt", zorder=2,
            )  # fmt: skip


def _gain_in_words(band: BandAnswer) -> str:
    return f"{band.name}   {n.decibels(band.gain_dbi)} dBi at {n.angle(band.elevation_deg)} deg up"


def _frame(ax: Axes, x: Point, y: Point) -> None:
    ax.set_xlim(*x)
    ax.set_ylim(*y)
    ax.set_aspect("equal")
    ax.set_axis_off()


def draw_elevation(band: BandAnswer, ax: Axes | None = None) -> Axes:
    """Upright cut through the greatest gain: horizon at the bottom, zenith on top.

    The shades are low, middle and high angles; the rim is +10 dBi, the middle -20 dBi.
    """
    ax = new_axes(4.4, 2.8) if ax is None else ax
    _put_elevation(ax, band, (0.0, 0.0))
    head(ax, _gain_in_words(band))
    _frame(ax, (-1.2, 1.2), (-1.3 if is_free(band) else -0.24, 1.15))
    return ax


def draw_azimuth(
    band: BandAnswer, ax: Axes | None = None, *, elevation_deg: float | None = None
) -> Axes:
    """Cut round the compass at one angle above the horizon (the band's low angle), north up."""
    ax = new_axes(3.4, 3.4) if ax is None else ax
    elevation = band.low_angle_deg if elevation_deg is None else elevation_deg
    _put_azimuth(ax, band, (0.0, 0.0), elevation)
    head(ax, f"{elevation:g} deg up")
    _frame(ax, (-1.25, 1.25), (-1.25, 1.25))
    return ax


def draw_angles(answer: Answer) -> Figure:
    """Upright and compass cut of every band, all to one scale."""
    from ...geometry.picture import Picture

    bands = answer.bands
    wide = min(len(bands), MOST_COLUMNS)
    deep = math.ceil(len(bands) / wide)
    step_x, step_y = 5.0, 2.75
    scale = 0.98  # inches a unit
    size = (scale * step_x * wide, scale * step_y * deep + TITLE_INCHES)
    figure = Picture(figsize=size)
    # One set of axes for all cuts: a set for each would take most of the drawing time.
    ax = figure.add_axes((0.0, 0.0, 1.0, 1.0 - TITLE_INCHES / size[1]))
    for k, band in enumerate(bands):
        left, top = step_x * (k % wide), -step_y * (k // wide)
        middle = top - (1.4 if is_free(band) else 1.95)
        _put_elevation(ax, band, (left + 1.3, middle))
        around = (left + 3.8, top - 1.4)
        _put_azimuth(ax, band, around, band.low_angle_deg)
        ax.text(left + 0.1, top - 0.12, _gain_in_words(band), fontsize=9, color=INK, va="center")
        ax.text(
            left + 2.75, top - 0.12, f"{band.low_angle_deg:g} deg up", fontsize=8, color=INK,
            va="center",
        )  # fmt: skip
    _frame(ax, (0.0, step_x * wide), (-step_y * deep, 0.0))
    note = f"rim {OUTER_DBI:+g} dBi, middle {INNER_DBI:g} dBi"
    if answer.house is not None:
        note += ", bars on the compass: the ridge"
    put_title(figure, f"{_name(answer)}: where does it send them?", note)
    return figure


# ---- the wires and their currents --------------------------------------------------------


def drawable(answer: Answer) -> Any:
    """What `geometry.drawing` draws: wires, feeds and attic of an answer."""
    from ...geometry import Feed, Wire

    return SimpleNamespace(
        attic=None if answer.house is None else answer.house.attic(),
        metal_kinds={wire.piece: wire.kind for wire in answer.wires if wire.piece},
        wires=tuple(
            Wire(wire.vertices, radius=wire.radius, name=wire.name, piece=wire.piece)
            for wire in answer.wires
        ),
        feeds=tuple(
            Feed(
                feed.wires,
                at=feed.at,  # pyright: ignore[reportArgumentType]
                name=feed.name,
                termination=None if feed.is_driven else "open",
            )
            for feed in answer.feeds
        ),
    )


def currents_of(band: BandAnswer) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Distances [m] and magnitudes [A] by wire name, as `geometry.drawing` takes them."""
    return {one.wire: (one.distances, np.abs(one.current)) for one in band.wire_currents}


def draw_currents(
    answer: Answer, band: str, ax: Axes | None = None, *, from_side: bool = False
) -> Axes:
    """Attic and wires from above (or from the side), each line as wide as the current in it."""
    from ...geometry.drawing import draw_plan, draw_section

    ax = new_axes(7.0, 5.0) if ax is None else ax
    found = answer.band(band)
    currents = currents_of(found)
    if from_side:
        draw_section(drawable(answer), ax, along_ridge=True, currents=currents)
    else:
        draw_plan(drawable(answer), ax, currents=currents, legend=False)
    top = max(float(size.max()) for _, size in currents.values())
    view = "Side" if from_side else "Plan"
    head(ax, f"{view}, {found.name}: widest line {n.rounded(top)} A at {answer.power:g} W")
    return ax


def draw_wires(answer: Answer, bands: Sequence[str] | None = None) -> Figure:
    """Plan and side view with currents, a row a band; left out: lowest and highest band."""
    return wire_sheet(answer, bands, draw_currents, "current along the wires")


def wire_sheet(
    answer: Answer, bands: Sequence[str] | None, draw: Callable[..., Axes], title: str
) -> Figure:
    """Plan and side view by `draw(answer, band, ax, from_side=...)`, a row a band."""
    from matplotlib.lines import Line2D

    from ...geometry.drawing import feed_marks
    from ...geometry.picture import Picture

    if bands is None:
        ordered = sorted(answer.bands, key=lambda band: band.band.centre)
        bands = list(dict.fromkeys([ordered[0].name, ordered[-1].name]))
    what = drawable(answer)
    handles = {
        label: Line2D([], [], color=colour, lw=3) for label, colour in wire_legend(answer).items()
    }
    marks = feed_marks(what)
    if len(marks) > 1:
        handles |= {label: Line2D([], [], ls="", **mark) for label, mark in marks.items()}
    over = TITLE_INCHES + LEGEND_LINE * math.ceil(len(handles) / LEGEND_COLUMNS)
    inches = Inches(6.2, 3.7)
    figure = Picture(figsize=(12.4, 3.7 * len(bands) + over))
    grid = inches.grid(2, len(bands), left=0.6, right=0.75, bottom=0.5, top=0.3, over=over)
    axes = figure.subplots(len(bands), 2, squeeze=False, gridspec_kw=grid)
    for row, band in zip(axes, bands, strict=True):
        draw(answer, band, row[0])
        draw(answer, band, row[1], from_side=True)
    figure.legend(
        list(handles.values()), list(handles),
        loc="upper left", ncols=LEGEND_COLUMNS, frameon=False, fontsize=9, borderaxespad=0.0,
        bbox_to_anchor=(0.1 / 12.4, 1.0 - (TITLE_INCHES - 0.05) / figure.get_figheight()),
    )  # fmt: skip
    put_title(figure, f"{_name(answer)}: {title}", answer.place)
    return figure


def wire_legend(answer: Answer) -> dict[str, str]:
    """Colours of the wires by what they are called: metal of the house by its kind.

    One piece of a kind has its own name.
    """
    from ...geometry.drawing import plan_colours

    colours = plan_colours(drawable(answer))
    kinds: dict[str, list[str]] = {}
    for wire in answer.wires:
        if wire.piece and wire.piece not in kinds.setdefault(wire.kind, []):
            kinds[wire.kind].append(wire.piece)
    found: dict[str, str] = {}
    for wire in answer.wires:
        if wire.piece:
            pieces = kinds[wire.kind]
            label = pieces[0] if len(pieces) == 1 else f"{len(pieces)} {_PLURALS[wire.kind]}"
        elif wire.is_element:
            label = wire.name
        else:
            label = "radials" if wire.name.startswith("radial") else wire.name
        found.setdefault(label, colours[wire.name])
    return found


def draw_band(band: BandAnswer) -> Figure:
    """One band on a sheet: SWR, R and X, both cuts, the watts."""
    from ...geometry.picture import Picture

    figure = Picture(figsize=(11, 6.4), layout="constrained")
    grid = figure.add_gridspec(2, 3, width_ratios=[1.5, 1.3, 1.0])
    draw_swr(band, figure.add_subplot(grid[0, 0]))
    draw_impedance(band, figure.add_subplot(grid[1, 0]))
    draw_elevation(band, figure.add_subplot(grid[0, 1]))
    draw_azimuth(band, figure.add_subplot(grid[0, 2]))
    lower = grid[1, 1:].subgridspec(2, 1)
    draw_budget([band], figure.add_subplot(lower[0]))
    draw_split([band], figure.add_subplot(lower[1]))
    return figure


def answer_figures(answer: Answer) -> dict[str, Figure]:
    """All sheets of an answer, by file name."""
    from .station_figures import station_figures
    from .voltage_figures import draw_voltage_sheet  # which builds on these

    told = any(band.voltages for band in answer.bands)
    voltages = {"voltages.png": draw_voltage_sheet(answer)} if told else {}
    return {
        "load.png": draw_load(answer),
        "watts.png": draw_watts(answer),
        "angles.png": draw_angles(answer),
        "wires.png": draw_wires(answer),
        **voltages,
        **({} if answer.station is None else station_figures(answer.station)),
    }
