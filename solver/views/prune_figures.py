"""Pictures of what to cut: reactance over each band before and after, and the cuts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .figures import FAINT, GOOD, INK, REACTANCE, RESISTANCE, head, new_axes, tidy

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..study.pruning.records import Advice

PANEL = (4.6, 3.2)  # inches


def draw_reactance(advice: Advice, band: str, *, ax: Axes | None = None) -> Axes:
    """Reactance over a band now and after the cuts, the last readings, and what is aimed at."""
    ax = new_axes(*PANEL) if ax is None else ax
    tidy(ax)
    (curve,) = [one for one in advice.curves if one.band == band]
    at = curve.frequencies / 1e6
    data = advice.posterior.data
    last = data.visit == data.visit.max()
    own = last & data.has_phase
    own &= (data.frequencies >= curve.frequencies[0]) & (data.frequencies <= curve.frequencies[-1])
    reflection = data.reflection[own]
    read = data.reference * (1.0 + reflection) / (1.0 - reflection)
    ax.plot(at, curve.now.imag, color=INK, lw=1.4, ls="--", label="now")
    ax.plot(at, curve.after.imag, color=REACTANCE, lw=1.8, label="after the cuts")
    ax.plot(
        data.frequencies[own] / 1e6, read.imag, "o", ms=4, color=RESISTANCE, label="read", ls="none"
    )
    for one in advice.expected:
        if one.target.band != band:
            continue
        f, step = one.target.frequency / 1e6, one.target.tolerance * one.target.frequency / 1e6
        ax.axvspan(f - step, f + step, color=GOOD, zorder=0, label="aimed at")
        ax.plot([f], [one.target.reactance], "+", color=INK, ms=10, mew=1.5)
        low, middle, high = (v / 1e6 for v in one.after)
        ax.errorbar(
            [middle], [one.target.reactance], xerr=[[middle - low], [high - middle]],
            color=REACTANCE, capsize=3, lw=1.2,
        )  # fmt: skip
    ax.axhline(0.0, color=FAINT, lw=1.0)
    ax.set_xlim(at[0], at[-1])
    ax.set_xlabel("frequency, MHz")
    ax.set_ylabel("reactance at the feed point, ohm")
    head(ax, band)
    ax.legend(fontsize=7, frameon=False)
    return ax


def draw_cuts(advice: Advice, *, ax: Axes | None = None) -> Axes:
    """Lengths now, proposed, and where what is right lies in 10 to 90 %."""
    ax = new_axes(*PANEL) if ax is None else ax
    tidy(ax)
    places = np.arange(len(advice.cuts))[::-1]
    for k, (y, cut) in enumerate(zip(places, advice.cuts, strict=True)):
        low, high, best = (
            100.0 * (v / float(cut.now) - 1.0) for v in (cut.low, cut.high, cut.best)
        )
        words = ("right, 10 to 90 %", "most likely right", "proposed") if k == 0 else ("",) * 3
        ax.barh(y, high - low, left=low, height=0.5, color=FAINT, label=words[0] or None)
        ax.plot([best, best], [y - 0.25, y + 0.25], color=INK, lw=1.5, label=words[1] or None)
        change = 100.0 * cut.change / float(cut.now)
        ax.plot([change], [y], "D", color=REACTANCE, ms=6, ls="none", label=words[2] or None)
    ax.axvline(0.0, color=INK, lw=1.0)
    ax.set_yticks(places, [cut.element for cut in advice.cuts])
    ax.set_xlabel("change of length, % of now")
    head(ax, "what to cut")
    ax.legend(fontsize=7, frameon=False)
    return ax


def draw_advice(advice: Advice) -> Figure:
    """A panel a band, and the cuts."""
    from ...geometry.picture import Picture

    count = len(advice.curves) + 1
    across = min(count, 3)
    down = -(-count // across)
    sheet = Picture(figsize=(PANEL[0] * across, PANEL[1] * down), layout="constrained")
    for k, curve in enumerate(advice.curves, start=1):
        draw_reactance(advice, curve.band, ax=sheet.add_subplot(down, across, k))
    draw_cuts(advice, ax=sheet.add_subplot(down, across, count))
    return sheet
