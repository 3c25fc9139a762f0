"""Pictures of how sure an answer is: bands on SWR, R and X, ranges of watts, and what matters.

Functions that draw one thing take `ax` and return it; those that draw a sheet return a Figure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from ..answer_records import swr_of
from ..errors import SolverError
from ..study.ensemble.quantities import PARTS, QUANTITIES
from . import numbers as n
from .figures import (
    GOOD,
    INK,
    MOST_COLUMNS,
    REACTANCE,
    RESISTANCE,
    TITLE_INCHES,
    WATT_COLOURS,
    Inches,
    head,
    mark_swr,
    megahertz_axis,
    new_axes,
    put_title,
    tidy,
)
from .how_sure_page import as_told
from .tables import EARTH, JACKETS, LOADS, SKY, SOLIDS, WIRE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..moments.basis import ComplexArray, FloatArray
    from ..study.ensemble.records import BandSureness, HowSure
    from ..study.unknowns import Unknown

TOP_SWR = 5000.0
"""Beyond it SWR is drawn at the edge."""

FINE = 61
"""Points of a curve."""

LEAST_NODES = 4
"""Known points from which on a curve is smooth between them."""

BUDGET = {
    "efficiency": SKY, "earth": EARTH, "conductors": WIRE, "jackets": JACKETS, "timbers": SOLIDS,
    "loads": LOADS,
}  # fmt: skip

LEAST_PART = 2e-3
"""A part of the budget that is less in all cases has no bars."""

KIND_COLOURS = {"earth": "#8a6d3b", "house": "#c9b38a", "antenna": "#0b4f8a"}
MOST_BARS = 20


def _fine(
    band: BandSureness,
) -> tuple[FloatArray, ComplexArray, ComplexArray]:
    """Frequencies [MHz], impedances (V, K) and those as told (K,), by reflection coefficients."""
    from scipy.interpolate import CubicSpline

    every = np.concatenate([band.impedances, band.told_impedances[None]])
    fine = band.frequencies
    if fine.size >= LEAST_NODES:
        known = (every - band.reference) / (every + band.reference)
        fine = np.union1d(np.linspace(band.band.low, band.band.high, FINE), fine)
        spline = CubicSpline(band.frequencies, known, axis=1)
        gamma: ComplexArray = np.asarray(spline(fine), dtype=np.complex128)
        every = band.reference * (1.0 + gamma) / (1.0 - gamma)
    return fine / 1e6, every[:-1], every[-1]


def _swr(impedance: ComplexArray, reference: float) -> FloatArray:
    found = np.asarray(swr_of(impedance, reference))
    return np.where(np.isfinite(found) & (found >= 1.0), np.minimum(found, TOP_SWR), TOP_SWR)


def _ranges(
    ax: Axes, megahertz: FloatArray, values: FloatArray, told: FloatArray, colour: str
) -> FloatArray:
    """The range of four cases in five, the middle, and as told; returns what is drawn."""
    low, middle, high = np.quantile(values, PARTS, axis=0)
    ax.fill_between(megahertz, low, high, color=colour, alpha=0.22, lw=0)
    ax.plot(megahertz, middle, color=colour, lw=1.8)
    ax.plot(megahertz, told, color=colour, lw=1.1, ls=(0, (4, 2)))
    return np.stack([low, middle, high, told])


def draw_swr_range(band: BandSureness, ax: Axes | None = None) -> Axes:
    """SWR over a band: 10 to 90 % of the cases shaded, the middle, and as told dashed."""
    ax = new_axes() if ax is None else ax
    megahertz, cases, told = _fine(band)
    ax.set_yscale("log")
    ax.axhspan(1.0, 2.0, color=GOOD, lw=0)
    drawn = _ranges(
        ax, megahertz, _swr(cases, band.reference), _swr(told, band.reference), INK
    )  # fmt: skip
    top = max(6.0, 1.3 * float(drawn.max()))
    ax.set_ylim(1.0, top)
    mark_swr(ax.yaxis, top)
    _finish(ax, band)
    ax.set_ylabel(f"SWR ({band.reference:g} ohm)")
    low, _, high = band.quantiles("efficiency")
    head(ax, f"{band.name}   efficiency {n.per_cent(float(low))} to {n.per_cent(float(high))}")
    return ax


def _finish(ax: Axes, band: BandSureness) -> None:
    tidy(ax)
    megahertz_axis(ax, band.band)
    ax.set_xlabel("MHz")


def draw_impedance_range(band: BandSureness, ax: Axes | None = None) -> Axes:
    """R and X over a band, each as `draw_swr_range` draws the SWR."""
    ax = new_axes() if ax is None else ax
    megahertz, cases, told = _fine(band)
    ax.axhline(0.0, color="#a8a196", lw=0.8)
    for values, own, colour, label in (
        (cases.real, told.real, RESISTANCE, "R"),
        (cases.imag, told.imag, REACTANCE, "X"),
    ):
        drawn = _ranges(ax, megahertz, values, own, colour)
        ax.annotate(
            label, (megahertz[-1], drawn[1, -1]), xytext=(4, 0), textcoords="offset points",
            color=colour, fontsize=9, fontweight="bold", va="center", annotation_clip=False,
        )  # fmt: skip
    _finish(ax, band)
    ax.margins(y=0.08)
    ax.set_ylabel("R and X [ohm]")
    head(ax, band.name)
    return ax


def draw_curve(band: BandSureness, what: str = "swr", ax: Axes | None = None) -> Axes:
    """SWR ("swr"), or R and X ("impedance", "resistance", "reactance"), of one band."""
    if what == "swr":
        return draw_swr_range(band, ax)
    if what in ("impedance", "resistance", "reactance"):
        return draw_impedance_range(band, ax)
    raise SolverError(f"There is no picture {what!r} of a band; there are: 'swr', 'impedance'.")


def _note(found: HowSure) -> str:
    return f"{found.count} cases: shaded 10 to 90 %, line the middle, dashed {as_told(found)}"


def _sheet(
    found: HowSure, bands: Sequence[BandSureness], one: Callable[..., Axes], title: str
) -> Figure:
    from ...geometry.picture import Picture

    wide = min(len(bands), MOST_COLUMNS)
    deep = math.ceil(len(bands) / wide)
    inches = Inches(4.4, 2.7)
    figure = Picture(figsize=(4.4 * wide, 2.7 * deep + TITLE_INCHES))
    grid = figure.add_gridspec(
        deep, wide, **inches.grid(wide, deep, left=0.65, right=0.3, bottom=0.5, top=0.3)
    )
    for k, band in enumerate(bands):
        one(band, figure.add_subplot(grid[k // wide, k % wide]))
    put_title(figure, f"{found.name}: {title}", _note(found))
    return figure


def draw_swr_ranges(found: HowSure, bands: Sequence[BandSureness]) -> Figure:
    """`draw_swr_range` for every band."""
    return _sheet(found, bands, draw_swr_range, "will it load?")


def draw_impedance_ranges(found: HowSure, bands: Sequence[BandSureness]) -> Figure:
    """`draw_impedance_range` for every band."""
    return _sheet(found, bands, draw_impedance_range, "R and X")


def draw_part(
    found: HowSure, figure: str, ax: Axes | None = None, *, bands: Sequence[BandSureness] = ()
) -> Axes:
    """One part of the budget, a bar a band from 10 to 90 %, a line at the middle, a dot as told."""
    shown = list(bands) or list(found.bands)
    ax = new_axes(3.4, 1.2 + 0.32 * len(shown)) if ax is None else ax
    quantity = QUANTITIES[figure]
    colour = WATT_COLOURS[BUDGET.get(figure, SKY)]
    places = np.arange(len(shown))[::-1]
    ranges = 100.0 * np.stack([band.quantiles(figure) for band in shown])
    told = 100.0 * np.array([band.told[figure] for band in shown])
    ax.barh(places, ranges[:, 2] - ranges[:, 0], left=ranges[:, 0], height=0.62, color=colour,
            alpha=0.55, lw=0)  # fmt: skip
    ax.vlines(ranges[:, 1], places - 0.31, places + 0.31, color=INK, lw=1.8)
    ax.plot(told, places, "o", ms=4, mfc="white", mec=INK, mew=1.0, zorder=3)
    tidy(ax)
    ax.grid(visible=False, axis="y")
    ax.set_yticks(places, [band.name for band in shown])
    ax.set_ylim(-0.6, len(shown) - 0.4)
    top = float(max(ranges.max(), told.max(), 1e-3))
    least = float(min(ranges.min(), told.min(), 0.0))
    ax.set_xlim(1.1 * least, min(1.12 * top, 100.0) if top < 100.0 else 100.0)
    ax.set_xlabel("% of the input")
    head(ax, quantity.words)
    return ax


def draw_watt_ranges(found: HowSure, bands: Sequence[BandSureness]) -> Figure:
    """All parts of the budget that are there, side by side."""
    from ...geometry.picture import Picture

    parts = [
        name for name in BUDGET
        if any(float(np.abs(band.values[name]).max()) > LEAST_PART for band in bands)
    ]  # fmt: skip
    inches = Inches(3.0, 1.2 + 0.34 * len(bands))
    figure = Picture(figsize=(3.0 * len(parts), inches.height + TITLE_INCHES))
    grid = inches.grid(len(parts), 1, left=0.6, right=0.2, bottom=0.5, top=0.3)
    axes = np.atleast_1d(figure.subplots(1, len(parts), gridspec_kw=grid))
    for ax, name in zip(axes, parts, strict=True):
        draw_part(found, name, ax, bands=bands)
    note = f"{found.count} cases: bars 10 to 90 %, line the middle, dot {as_told(found)}"
    put_title(figure, f"{found.name}: where do the watts go?", note)
    return figure


def belongs_to(unknown: Unknown) -> str:
    """Earth, house or antenna."""
    if unknown.kind in ("length", "lead"):
        return "antenna"
    table = unknown.key.partition(".")[0]
    if table == "earth":
        return "earth"
    return "antenna" if table in ("antenna", "element", "counterpoise") else "house"


def draw_what_matters(found: HowSure, ax: Axes | None = None) -> Axes:
    """Bars of what each unknown does over all bands, with standard errors, the greatest on top."""
    from matplotlib.patches import Patch

    rows = found.contributions[:MOST_BARS]
    ax = new_axes(6.4, 1.4 + 0.28 * max(len(rows), 2)) if ax is None else ax
    places = np.arange(len(rows))[::-1]
    shares = np.array([100.0 * max(row.share, 0.0) for row in rows])
    errors = np.array([100.0 * row.error for row in rows])
    kinds = [belongs_to(row.unknown) for row in rows]
    ax.barh(places, shares, height=0.68, color=[KIND_COLOURS[kind] for kind in kinds])
    ax.errorbar(shares, places, xerr=[np.minimum(errors, shares), errors], fmt="none", ecolor=INK,
                elinewidth=0.9, capsize=2)  # fmt: skip
    for place, share, error, row in zip(places, shares, errors, rows, strict=True):
        if row.most > 0.0:
            ax.annotate(
                f"most in {row.most_on}: {n.per_cent(row.most)}", (share + error, float(place)),
                xytext=(5, 0), textcoords="offset points", va="center", fontsize=7.5, color=INK,
            )  # fmt: skip
    tidy(ax)
    ax.grid(visible=False, axis="y")
    ax.set_yticks(places, [row.unknown.name for row in rows])
    ax.set_xlim(0.0, 1.7 * float(max((shares + errors).max(initial=1.0), 1.0)))
    ax.set_xlabel("part of the variance of SWR, X and efficiency, all bands [%]")
    handles = [Patch(color=KIND_COLOURS[kind], label=kind) for kind in dict.fromkeys(kinds)]
    if handles:
        ax.legend(handles=handles, loc="lower right", frameon=False, fontsize=8)
    head(ax, f"{found.name}: what matters most")
    return ax


PICTURES: Mapping[str, Callable[..., Any]] = MappingProxyType(
    {
        "swr": draw_swr_ranges,
        "impedance": draw_impedance_ranges,
        "watts": draw_watt_ranges,
        "what matters": draw_what_matters,
    }
)
"""Pictures by the name that `HowSure.plot` takes."""

_SINGLE: Mapping[str, Callable[..., Axes]] = MappingProxyType(
    {"swr": draw_swr_range, "impedance": draw_impedance_range}
)


def draw(
    found: HowSure, what: str, ax: Axes | None = None, *, bands: Sequence[str] | None = None
) -> Any:
    """A picture by its name; on `ax` where that holds it.

    Raises
    ------
    SolverError
        If there is none of that name, or several bands are to go on one `ax`.
    """
    if what not in PICTURES:
        raise SolverError(
            f"There is no picture {what!r}; there are: {', '.join(map(repr, PICTURES))}."
        )
    chosen = list(found.bands) if bands is None else [found.band(name) for name in bands]
    if what == "what matters":
        return draw_what_matters(found, ax)
    if ax is None:
        return PICTURES[what](found, chosen)
    if what == "watts":
        return draw_part(found, "efficiency", ax, bands=chosen)
    if len(chosen) != 1:
        raise SolverError(
            f"{len(chosen)} bands do not go on one ax; name one, as bands=['{chosen[0].name}']."
        )
    return _SINGLE[what](chosen[0], ax)
