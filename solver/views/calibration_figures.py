"""A picture of a calibration: readings, the model before and after, and what is missed, by band."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .figures import GOOD, INK, REACTANCE, RESISTANCE, TITLE_INCHES, head, put_title, tidy

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..moments.basis import ComplexArray, FloatArray
    from ..study.calibration.records import Calibration, Fitted

FEWEST_FOR_CURVE = 4
WIDE, DEEP = 4.6, 4.4
MOST_COLUMNS = 3
FAR = 12.0
"""Residuals beyond are drawn at the edge. [noise]"""


def draw_calibration(found: Calibration) -> Figure:
    """For every band R and X (SWR, where that alone was read) above, what is missed below."""
    from matplotlib.lines import Line2D

    from ...geometry.picture import Picture

    names = list(dict.fromkeys(found.fitted.band))
    wide = min(len(names), MOST_COLUMNS)
    deep = -(-len(names) // wide)
    figure = Picture(figsize=(WIDE * wide, DEEP * deep + TITLE_INCHES + 0.3), layout="constrained")
    figure.get_layout_engine().set(rect=(0.0, 0.0, 1.0, 1.0 - 0.6 / figure.get_figheight()))  # type: ignore[union-attr]
    outer = figure.add_gridspec(deep, wide)
    for k, name in enumerate(names):
        inner = outer[k // wide, k % wide].subgridspec(2, 1, height_ratios=(2, 1))
        upper = figure.add_subplot(inner[0])
        draw_band(found.fitted, name, upper)
        upper.tick_params(labelbottom=False)
        draw_residual(found.fitted, name, figure.add_subplot(inner[1], sharex=upper))
    marks = [
        Line2D([], [], marker="o", ls="", ms=4.5, color=INK, label="read"),
        Line2D([], [], ls=(0, (2, 2)), lw=1.2, color=INK, label="model before"),
        Line2D([], [], lw=1.8, color=INK, label="model after"),
    ]
    figure.legend(
        handles=marks, loc="upper left", bbox_to_anchor=(0.0, 1.0 - 0.3 / figure.get_figheight()),
        ncols=3, frameon=False, fontsize=8,
    )  # fmt: skip
    put_title(figure, f"{found.name}: readings and model", f"{found.numbers} numbers read")
    return figure


def draw_band(fitted: Fitted, band: str, ax: Axes) -> Axes:
    """R and X of a band over MHz; SWR where no phase was read."""
    inside = np.array([one == band for one in fitted.band])
    has_phase = bool(fitted.has_phase[inside].any())
    ax.axhline(0.0 if has_phase else 1.0, color="#a8a196", lw=0.8)
    for visit in np.unique(fitted.visit[inside]):
        own = inside & (fitted.visit == visit)
        faint = 1.0 if visit == fitted.visit[inside].max() else 0.4
        _draw_visit(fitted, own, has_phase, faint, ax)
    tidy(ax)
    ax.yaxis.set_major_formatter("{x:g}")  # an open circuit's would say 1e9 over the title
    ax.margins(x=0.06, y=0.14)
    ax.set_ylabel("R and X [ohm]" if has_phase else f"SWR ({fitted.reference:g} ohm)")
    head(ax, band)
    return ax


def _draw_visit(fitted: Fitted, own: Any, has_phase: bool, faint: float, ax: Axes) -> None:
    megahertz = fitted.frequencies[own] / 1e6
    sides = ((0, RESISTANCE, "R"), (1, REACTANCE, "X")) if has_phase else ((2, INK, ""),)
    for side, colour, letter in sides:
        for which, style in (("before", (0, (2, 2))), ("after", "-")):
            x, z = _curve(megahertz, getattr(fitted, which)[own], fitted.reference)
            values = _values(z, fitted.reference)[side]
            width, mark = (1.8, "_") if which == "after" else (1.2, ".")
            ax.plot(
                x, values, ls=style, lw=width, color=colour, alpha=faint,
                marker=mark if x.size == 1 else None, ms=9,
            )  # fmt: skip
            if which == "after" and letter:
                ax.annotate(
                    letter, (x[-1], values[-1]), xytext=(5, 0), textcoords="offset points",
                    color=colour, fontsize=9, fontweight="bold", va="center",
                    annotation_clip=False,
                )  # fmt: skip
        known = np.ones(megahertz.size, dtype=bool)
        if has_phase:
            known = fitted.has_phase[own]
            values = _values(fitted.impedance("read")[own][known], fitted.reference)[side]
        else:
            size = np.minimum(np.abs(fitted.read[own]), 0.999)
            values = (1.0 + size) / (1.0 - size)
        ax.plot(megahertz[known], values, "o", ms=4.5, color=colour, alpha=faint, zorder=4)


def _values(z: ComplexArray, reference: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    size = np.minimum(np.abs((z - reference) / (z + reference)), 0.999)
    return z.real, z.imag, (1.0 + size) / (1.0 - size)


def _curve(
    megahertz: FloatArray, reflection: ComplexArray, reference: float
) -> tuple[FloatArray, ComplexArray]:
    """Impedance over frequency, smooth by the reflection coefficient where there are points."""
    x, g = megahertz, reflection
    if megahertz.size >= FEWEST_FOR_CURVE:
        from scipy.interpolate import CubicSpline

        x = np.linspace(megahertz[0], megahertz[-1], 121)
        g = np.asarray(CubicSpline(megahertz, reflection)(x), dtype=np.complex128)
    return x, reference * (1.0 + g) / (1.0 - g)


def draw_residual(fitted: Fitted, band: str, ax: Axes) -> Axes:
    """What the model after misses of the reflection, in units of noise; two on each side shaded."""
    inside = np.array([one == band for one in fitted.band])
    residual = np.clip(fitted.residual(), -FAR, FAR)
    ax.axhspan(-2.0, 2.0, color=GOOD, lw=0)
    ax.axhline(0.0, color="#a8a196", lw=0.8)
    last = fitted.visit[inside].max()
    for side, mark, what in ((0, "o", "size"), (1, "D", "phase")):
        for visit in np.unique(fitted.visit[inside]):
            own = inside & (fitted.visit == visit)
            ax.plot(
                fitted.frequencies[own] / 1e6, residual[own, side], mark, ms=4.5, color=INK,
                mfc=INK if side == 0 else "none", alpha=1.0 if visit == last else 0.4,
                label=what if visit == last else None, clip_on=False,
            )  # fmt: skip
    tidy(ax)
    reach = float(np.nanmax(np.abs(residual[inside]), initial=0.0))
    ax.set_ylim(-max(4.0, 1.15 * reach), max(4.0, 1.15 * reach))
    ax.set_xlabel("MHz")
    ax.set_ylabel("missed [noise]")
    ax.legend(frameon=False, fontsize=8, ncols=2, loc="best", handletextpad=0.2)
    return ax
