"""Pictures of a station: the ladder of watts over the bands, and what the tuner can match."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import SolverError
from ..station.chain import LINE, REFLECTED, TUNER, UNACCOUNTED
from ..station.match_map import match_map
from ..station.tuner import SWR_LIMIT, Network
from . import numbers as n
from .figures import (
    FAINT,
    INK,
    MOST_COLUMNS,
    TITLE_INCHES,
    WATT_COLOURS,
    draw_bars,
    head,
    new_axes,
    put_title,
    tidy,
)
from .station_page import LEAST_SHOWN, chain_in_words, verdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..moments.basis import FloatArray
    from ..station.station_answer import StationAnswer, StationBand

OTHER = "#8d6fb0"
CHAIN_COLOURS = {
    REFLECTED: "#1d1b19",
    LINE: "#7f9c3b",
    TUNER: "#d14a6b",
    "transformer": OTHER,
    UNACCOUNTED: "#eeeae2",
    "not told": "#a9a296",
}

MAP_POINTS = 51
"""Of a map along each side."""

MAP_RESISTANCE = (1.0, 5000.0)
"""Of a map at least; loads beyond widen it. [ohm]"""

MAP_REACTANCE = 3000.0
LINEAR_REACTANCE = 20.0
"""Below this reactance is drawn evenly, above it by decades. [ohm]"""

MOST_LOSS = 6.0
"""Where the shading of a map ends. [dB]"""


def draw_ladder(station: StationAnswer, ax: Axes | None = None) -> Axes:
    """Watts of the radio over the bands: sky first, then all that takes some on the way."""
    ax = new_axes(9.0, 1.3 + 0.38 * len(station.bands)) if ax is None else ax
    taken: dict[str, FloatArray] = {}
    for k, band in enumerate(station.bands):
        for entry in band.ladder.entries if band.ladder else ():
            row = taken.setdefault(entry.name, np.zeros(len(station.bands)))
            row[k] = max(entry.watts, 0.0)
    colours = WATT_COLOURS | CHAIN_COLOURS
    first = [name for name in taken if name not in CHAIN_COLOURS]
    order = [*first, *(name for name in reversed(CHAIN_COLOURS) if name in taken)]
    parts = [
        (name, colours.get(name, OTHER), taken[name] / station.power)
        for name in order
        if taken[name].max() > LEAST_SHOWN * station.power
    ]
    draw_bars(ax, [band.name for band in station.bands], parts, 4.0)
    ax.set_xlim(0.0, 100.0)
    ax.set_xlabel(f"per cent of the radio's {station.power:g} W, at the centre of each band")
    return ax


def ladder_sheet(station: StationAnswer) -> Figure:
    """The ladder as a sheet of its own."""
    from ...geometry.picture import Picture

    height = 1.4 + 0.38 * len(station.bands)
    figure = Picture(figsize=(12, height + TITLE_INCHES))
    across, up = 12.0, height + TITLE_INCHES
    ax = figure.add_axes((0.95 / across, 0.55 / up, (across - 1.2) / across, (height - 1.0) / up))
    draw_ladder(station, ax)
    put_title(figure, f"{station.name}: the radio's watts", chain_in_words(station.setup))
    return figure


def _sides(bands: Sequence[StationBand]) -> tuple[FloatArray, FloatArray]:
    """Resistances and reactances of a map that holds all loads. [ohm]"""
    loads = np.concatenate([band.loads for band in bands])
    low = min(MAP_RESISTANCE[0], 0.8 * float(loads.real.min()))
    high = max(MAP_RESISTANCE[1], 1.25 * float(loads.real.max()))
    most = max(MAP_REACTANCE, 1.25 * float(np.abs(loads.imag).max()))
    turn = np.linspace(-1.0, 1.0, MAP_POINTS) * math.asinh(most / LINEAR_REACTANCE)
    return np.geomspace(low, high, MAP_POINTS), LINEAR_REACTANCE * np.sinh(turn)


def draw_match_map(
    station: StationAnswer,
    band: str,
    ax: Axes | None = None,
    *,
    sides: tuple[FloatArray, FloatArray] | None = None,
) -> Axes:
    """Loads that the tuner copes with at a band's centre, by its loss; dots: what it gets there.

    The dots lie all over the band, from the low edge (empty) to the high edge; a red one is not
    matched at its own frequency.

    Raises
    ------
    SolverError
        If no tuner was told.
    """
    tuner, limit = station.setup.tuner, station.setup.swr_limit
    if tuner is None:
        raise SolverError(
            f"station of {station.name!r} has no tuner, so there is no map. Tell of one in "
            "[tuner] of the attic file."
        )
    ax = new_axes(5.0, 3.8) if ax is None else ax
    found = station.band(band)
    frequency = found.centre.frequency
    resistance, reactance = _sides(station.bands) if sides is None else sides
    if isinstance(tuner, Network):
        stage = station.setup.line if station.setup.tuner_at == "feed point" else None
        z0 = station.reference if stage is None else stage.kind.impedance
        made = match_map(
            tuner, frequency, resistance, reactance, z0=z0, swr_limit=min(limit, SWR_LIMIT)
        )
        loss = np.where(made.swr <= limit, made.match.loss_db, np.nan)
    else:
        loads = resistance[:, None] + 1j * reactance[None, :]
        said = tuner.verdict(loads, frequency, power=min(station.power, tuner.power))
        loss = np.where(said.can_match, tuner.loss_db, np.nan)
    ax.pcolormesh(
        resistance, reactance, loss.T, cmap="YlGnBu", vmin=0.0, vmax=MOST_LOSS, shading="nearest",
        rasterized=True,
    )  # fmt: skip
    ax.set_facecolor("#aaa49a")
    good = found.copes_at
    ax.plot(found.loads.real, found.loads.imag, color=INK, lw=0.8)
    for mask, colour in ((good, INK), (~good, "#c8102e")):
        ax.plot(found.loads.real[mask], found.loads.imag[mask], "o", ms=4, color=colour)
    ax.plot(found.loads.real[0], found.loads.imag[0], "o", ms=4.5, mfc="white", mec=INK)
    ax.set_xscale("log")
    ax.set_yscale("asinh", linear_width=LINEAR_REACTANCE)
    ticks = [t for t in (-1000.0, -100.0, 0.0, 100.0, 1000.0) if abs(t) < reactance[-1]]
    ax.set_yticks(ticks, [f"{t:g}" for t in ticks])
    marks = [t for t in (1.0, 10.0, 100.0, 1000.0) if resistance[0] <= t <= resistance[-1]]
    ax.set_xticks(marks, [f"{t:g}" for t in marks])
    ax.minorticks_off()
    tidy(ax)
    ax.grid(visible=True, color=FAINT, lw=0.4)
    ax.set_xlabel("resistance, ohm")
    ax.set_ylabel("reactance, ohm")
    head(ax, f"{found.name} at {n.megahertz(frequency)} MHz   copes: {verdict(found)}")
    return ax


def draw_match_maps(station: StationAnswer, bands: Sequence[str] | None = None) -> Figure:
    """A map for each band, see `draw_match_map`."""
    from ...geometry.picture import Picture

    names = [band.name for band in station.bands] if bands is None else list(bands)
    sides = _sides([station.band(name) for name in names])
    wide = min(len(names), MOST_COLUMNS)
    deep = math.ceil(len(names) / wide)
    figure = Picture(figsize=(4.2 * wide + 0.9, 3.3 * deep + TITLE_INCHES))
    up = float(figure.get_figheight())
    grid: dict[str, Any] = {
        "left": 0.75 / figure.get_figwidth(),
        "right": 1.0 - 1.0 / figure.get_figwidth(),
        "bottom": 0.55 / up,
        "top": 1.0 - (TITLE_INCHES + 0.3) / up,
        "wspace": 0.25,
        "hspace": 0.38,
    }
    axes = figure.subplots(deep, wide, squeeze=False, gridspec_kw=grid)
    drawn = [
        draw_match_map(station, name, ax, sides=sides)
        for name, ax in zip(names, axes.flat, strict=False)
    ]
    for ax in axes.flat[len(names) :]:
        ax.set_axis_off()
    bar = figure.add_axes((1.0 - 0.85 / figure.get_figwidth(), 0.55 / up, 0.15 /
                           figure.get_figwidth(), 1.0 - (TITLE_INCHES + 0.85) / up))  # fmt: skip
    figure.colorbar(drawn[0].collections[0], cax=bar, extend="max", label="loss of the tuner, dB")
    put_title(
        figure,
        f"{station.name}: what the tuner can match",
        "at each band's centre; grey: it cannot; dots: the loads of the band, the open one its low "
        "edge, red: not matched",
    )
    return figure


def station_figures(station: StationAnswer) -> dict[str, Figure]:
    """Sheets of a station that has a chain, by file name."""
    return {"ladder.png": ladder_sheet(station)} if station.setup.has_chain else {}
