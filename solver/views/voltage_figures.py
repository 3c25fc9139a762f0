"""Pictures of the voltage along wires."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..errors import SolverError
from . import numbers as n
from .figures import INK, drawable, head, new_axes, tidy, wire_sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..answer_records import Answer
    from ..voltage_records import VoltageReading, WireVoltage

WARNING = "#c2161d"
LABELLED = 4
"""Wires whose curves are named at their ends; of more, the highest."""


def draw_voltages(
    answer: Answer, band: str, ax: Axes | None = None, *, from_side: bool = False
) -> Axes:
    """Attic and wires from above (or from the side), each line as wide as the voltage on it.

    Rings stand where the voltage is too near to wood, boards or metal, a star where it is highest.

    Raises
    ------
    SolverError
        If the answer was kept before voltages were.
    """
    from ...geometry.drawing import draw_plan, draw_section

    ax = new_axes(7.0, 5.0) if ax is None else ax
    found = answer.band(band)
    if not found.wire_voltages:
        raise SolverError(
            f"{answer.name}: this answer holds no voltages along wires; answer the attic again."
        )
    sizes = {one.wire: (one.distances, one.peak) for one in found.wire_voltages}
    if from_side:
        draw_section(drawable(answer), ax, along_ridge=True, currents=sizes)
    else:
        draw_plan(drawable(answer), ax, currents=sizes, legend=False)
    axes = [0, 2] if from_side else [0, 1]
    flagged = [one for one in found.worst_voltages if one.is_flagged]
    if flagged:
        at = np.array([_place(answer, one) for one in flagged])[:, axes]
        ax.plot(at[:, 0], at[:, 1], "o", ms=9, mfc="none", mec=WARNING, mew=1.5, zorder=8, ls="")
    most = max(found.voltages, key=lambda one: one.peak)
    at = _place(answer, most)[axes]
    ax.plot(at[0], at[1], "*", ms=10, color=INK, mec="white", mew=0.6, zorder=9)
    ax.annotate(
        f"{n.rounded(most.peak)} V", tuple(at), xytext=(7, 5), textcoords="offset points",
        fontsize=8, color=INK, zorder=9,
        bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": "none", "alpha": 0.8},
    )  # fmt: skip
    too_near = f", ringed: {len(flagged)} too near" if flagged else ""
    view = "Side" if from_side else "Plan"
    head(
        ax,
        f"{view}, {found.name}: widest line {n.rounded(most.peak)} V peak at "
        f"{answer.power:g} W{too_near}",
    )
    return ax


def draw_wire_voltages(voltages: Sequence[WireVoltage], ax: Axes | None = None) -> Axes:
    """Peak voltage against remote earth over the distance along each wire."""
    from ...geometry.drawing import wire_colours
    from ...geometry.wires import Wire

    if not voltages:
        raise SolverError("There are no voltages to draw; give at least one wire's.")
    ax = new_axes(6.5, 3.6) if ax is None else ax
    colours = wire_colours(
        [Wire([(0, 0, 0), (0, 0, 1)], radius=1e-3, name=one.wire) for one in voltages]
    )
    named = sorted(voltages, key=lambda one: -float(one.peak.max()))[:LABELLED]
    for one in voltages:
        colour = colours[one.wire]
        is_named = any(one is other for other in named)
        ax.plot(one.distances, one.peak, color=colour, lw=1.8 if is_named else 0.8)
        if is_named:
            ax.annotate(
                one.wire, (one.distances[-1], one.peak[-1]), xytext=(4, 0),
                textcoords="offset points", fontsize=8, color=colour, va="center",
            )  # fmt: skip
    tidy(ax)
    ax.set_ylim(bottom=0.0)
    ax.margins(x=0.12)
    ax.set_xlabel("distance along the wire [m]")
    ax.set_ylabel("peak voltage against remote earth [V]")
    return ax


def draw_voltage_sheet(answer: Answer, bands: Sequence[str] | None = None) -> Figure:
    """Plan and side view with voltages, a row a band; left out: lowest and highest band."""
    return wire_sheet(answer, bands, draw_voltages, "peak voltage along the wires")


def _place(answer: Answer, reading: VoltageReading) -> np.ndarray:
    """Where a reading is, (3,). [m]"""
    corners = answer.wire(reading.wire).vertices
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))])
    return np.array([np.interp(reading.at, along, corners[:, k]) for k in range(3)])
