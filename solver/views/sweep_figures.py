"""Pictures of a sweep: the front, all layouts at once, a length over the bands, what a trim does.

Functions that draw one thing take `ax` and return it; those that draw a sheet return a Figure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import SweepError
from ..study.sweep_quantities import Asked, file_units, is_choice, words_of
from . import numbers as n
from .figures import GOOD, INK, TITLE_INCHES, head, mark_swr, new_axes, put_title, tidy
from .sweep_page import parameter_labels, parameter_text, quantity_label, value_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

    from ..moments.basis import FloatArray
    from ..study.sweep_cuts import LengthMap, Spread, TrimTable
    from ..study.sweep_records import Parameter
    from ..study.sweep_result import SweepResult

FRONT = "#0b4f8a"
CHOSEN = "#d1641b"
OTHERS = "#b5aea2"
COLOURS = "cividis"
"""From dark to light for any eye; the better end is the light one where there is a better."""

MOST_LINES = 400
"""Layouts in parallel coordinates: half of them the best, the others an even sample."""

TOP_SWR = 5000.0
"""Beyond it SWR is drawn at the edge."""

NEAR_MATCH = 4.0
"""An axis of SWR begins at 1 where the least is below this."""

MAPPED = ("|z|", "feed voltage", "efficiency")


# ---- axes --------------------------------------------------------------------------------


def label_of(asked: Asked, *, reference: float, power: float) -> str:
    """Name, what it refers to, unit in brackets."""
    text = quantity_label(asked, reference=reference, power=power)
    unit = "%" if asked.quantity.style == "part" else asked.quantity.unit
    return f"{text} [{unit}]" if unit else text


def _label(asked: Asked, result: SweepResult) -> str:
    settings = result.plan.settings
    return label_of(
        asked,
        reference=float(settings.get("reference", np.nan)),
        power=float(settings.get("power", np.nan)),
    )


def _parameter_label(parameter: Parameter) -> str:
    text = words_of(parameter.name)
    return f"{text} [{parameter.unit}]" if parameter.unit else text


def scaled(asked: Asked, values: FloatArray) -> FloatArray:
    """As drawn: parts in per cent, SWR no higher than `TOP_SWR`."""
    if asked.quantity.style == "part":
        return 100.0 * values
    return np.minimum(values, TOP_SWR) if asked.quantity.style == "swr" else values


def _is_logarithmic(asked: Asked) -> bool:
    is_signed = asked.quantity.name in ("resistance", "reactance")
    return asked.quantity.style == "swr" or (asked.quantity.unit in ("V", "ohm") and not is_signed)


def set_axis(ax: Axes, which: str, asked: Asked, values: FloatArray, label: str) -> None:
    """Scale, ticks and label of an axis that carries a quantity as drawn."""
    getattr(ax, f"set_{which}label")(label)
    known = values[np.isfinite(values)]
    if not known.size or not _is_logarithmic(asked):
        return
    getattr(ax, f"set_{which}scale")("log")
    axis: Axis = getattr(ax, f"{which}axis")
    low, high = float(known.min()), float(known.max())
    if asked.quantity.style == "swr" and low < NEAR_MATCH:
        low, high = 1.0, max(6.0, 1.15 * high)
        mark_swr(axis, high)
    else:
        low, high = low / 1.1, high * 1.1
        _mark_log(axis, low, high)
    getattr(ax, f"set_{which}lim")(low, high)


def _mark_log(axis: Axis, low: float, high: float) -> None:
    """Ticks at round numbers, the fewest that make three."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks: list[float] = []
    for digits in ((1,), (1, 2, 5), (1, 1.5, 2, 3, 4, 5, 7), np.arange(1.0, 10.0, 0.2)):
        ticks = [float(d) * 10.0**k for k in decades for d in digits]
        ticks = [tick for tick in ticks if low <= tick <= high]
        if len(ticks) >= 3:
            break
    axis.set_major_locator(FixedLocator(ticks))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_locator(NullLocator())


def _colour_bar(bar: Any, asked: Asked, limits: tuple[float, float], label: str) -> None:
    """Label and ticks of a colour bar as on axes."""
    bar.set_label(label, fontsize=8.5, color=INK)
    bar.ax.tick_params(labelsize=8, colors="#5f5a52")
    if _is_logarithmic(asked):
        _mark_log(bar.ax.yaxis, *limits)


def _title(result: SweepResult) -> str:
    where = f", where {' and '.join(result.where)}" if result.where else ""
    return f"{result.name}{where}"


# ---- the front ---------------------------------------------------------------------------


def draw_front(
    result: SweepResult,
    criteria: Sequence[tuple[str, str]] = (("worst efficiency", "high"), ("worst swr", "low")),
    ax: Axes | None = None,
    *,
    chosen: int | None = None,
    bands: Sequence[str] | None = None,
) -> Axes:
    """All layouts by two criteria, those that no other one beats joined, one marked.

    Raises
    ------
    SweepError
        If there are not two criteria, or `chosen` is no layout.
    """
    if len(criteria) != 2:
        raise SweepError(f"A front is drawn over two criteria, got {len(criteria)}.")
    ax = new_axes(6.2, 4.2) if ax is None else ax
    judged = [result.judged(name, best)[0] for name, best in criteria]
    values = result.criteria_values(criteria, bands=bands)
    drawn = np.stack([scaled(a, values[:, k]) for k, a in enumerate(judged)], axis=1)
    layouts = result.layouts
    front = result.pareto(criteria, bands=bands)
    size = 6.0 if layouts.size < 1000 else 3.0
    ax.plot(
        drawn[layouts, 0], drawn[layouts, 1], ".", ms=size, color=OTHERS, mew=0,
        rasterized=layouts.size > 2000, label=f"{layouts.size:,} layouts",
    )  # fmt: skip
    ax.plot(
        drawn[front, 0], drawn[front, 1], "o-", ms=4.5, lw=1.4, color=FRONT, zorder=3,
        label=f"beaten by none: {front.size}",
    )  # fmt: skip
    if chosen is not None:
        place = result.chosen(chosen)
        ax.plot(
            *drawn[place], "D", ms=8.5, mfc="none", mec=CHOSEN, mew=2.0, ls="", zorder=4,
            label=f"layout {place}: {value_text(judged[0], values[place, 0])}, "
            f"{value_text(judged[1], values[place, 1])}",
        )  # fmt: skip
    tidy(ax)
    for which, k in (("x", 0), ("y", 1)):
        set_axis(ax, which, judged[k], drawn[layouts, k], _label(judged[k], result))
    ax.legend(frameon=False, fontsize=8, loc="best")
    head(ax, _title(result))
    return ax


# ---- parallel coordinates ----------------------------------------------------------------


def draw_parallel(
    result: SweepResult,
    quantities: Sequence[str] | None = None,
    ax: Axes | None = None,
    *,
    colour_by: str | None = None,
    bands: Sequence[str] | None = None,
    most: int = MOST_LINES,
) -> Axes:
    """Each layout a line through its parameters and quantities, coloured by one of them.

    Parameters
    ----------
    result : SweepResult
    quantities : sequence of str, optional
        What to draw beside the parameters; efficiency, SWR and low angles where left out.
    ax : Axes, optional
    colour_by : str, optional
        What ranks where left out.
    bands : sequence of str, optional
        That count.
    most : int
        Lines at most: half of them the best by the colour, the rest an even sample.
    """
    from matplotlib.cm import ScalarMappable
    from matplotlib.collections import LineCollection
    from matplotlib.colors import LogNorm, Normalize

    if quantities is None:
        usual = ("worst efficiency", "worst low-angle efficiency", "worst swr")
        quantities = [name for name in usual if result.has(name.removeprefix("worst "))]
    parameters, units = result.plan.design.parameters, file_units(result.plan)
    told = [result.numbers(name, bands=bands) for name in quantities]
    colour, by = result.numbers(colour_by or result.natural, bands=bands)
    columns = [np.asarray(c, dtype=np.float64) for c in result.plan.design.columns]
    columns += [scaled(asked, values) for asked, values in told]
    stacked = np.stack(columns, axis=1)
    known = result.layouts[~np.isnan(stacked[result.layouts]).any(axis=1)]
    known = known[~np.isnan(by[known])]
    if not known.size:
        raise SweepError(f"No layout of {result.name!r} is done and left to draw.")
    sign = -1.0 if colour.quantity.nature == "high" else 1.0
    ordered = known[np.argsort(sign * by[known], kind="stable")]
    if ordered.size > most:
        rest = ordered[most // 2 :]
        sample = np.linspace(0, rest.size - 1, most - most // 2).round().astype(np.int64)
        ordered = np.concatenate([ordered[: most // 2], rest[sample]])
    ax = new_axes(max(1.45 * stacked.shape[1] + 1.6, 5.0), 4.2) if ax is None else ax
    places = np.arange(stacked.shape[1], dtype=np.float64)
    heights = np.empty((ordered.size, places.size))
    tops: list[tuple[str, str]] = []
    for k in range(places.size):
        asked = None if k < len(parameters) else told[k - len(parameters)][0]
        heights[:, k] = _heights(stacked[ordered, k], asked)
        ends = (float(stacked[ordered, k].min()), float(stacked[ordered, k].max()))
        tops.append(
            _end_texts(ends, asked)
            if asked is not None
            else _parameter_ends(ends, parameters[k], units[k])
        )
    shades = scaled(colour, by[ordered])
    finite = shades[np.isfinite(shades)]
    limits = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
    norm = (LogNorm if _is_logarithmic(colour) else Normalize)(*limits)
    shade_map = COLOURS if sign < 0.0 else f"{COLOURS}_r"
    # The best last, on top.
    points = np.stack([np.broadcast_to(places, heights.shape), heights], axis=2)[::-1]
    lines = LineCollection(
        list(points), array=shades[::-1], cmap=shade_map, norm=norm, lw=0.9, alpha=0.75
    )
    ax.add_collection(lines)
    labels = [_broken(words) for words in parameter_labels(parameters)]
    labels += [_broken(_label(asked, result)) for asked, _ in told]
    tidy(ax)
    ax.grid(visible=False)
    for k, (low, high) in enumerate(tops):
        ax.axvline(k, color="#a8a196", lw=0.9, zorder=3)
        ax.annotate(high, (k, 1.0), xytext=(0, 4), textcoords="offset points", ha="center",
                    fontsize=8, color=INK, zorder=4)  # fmt: skip
        ax.annotate(low, (k, 0.0), xytext=(0, -4), textcoords="offset points", ha="center",
                    va="top", fontsize=8, color=INK, zorder=4)  # fmt: skip
    ax.set_xlim(-0.45, places.size - 0.55)
    ax.set_ylim(-0.09, 1.09)
    ax.set_yticks([])
    ax.set_xticks(places, labels)
    ax.tick_params(axis="x", length=0)
    for side in ("left", "bottom"):
        ax.spines[side].set_visible(False)
    bar = ax.figure.colorbar(ScalarMappable(norm=norm, cmap=shade_map), ax=ax, pad=0.02)
    _colour_bar(bar, colour, limits, _label(colour, result))
    shown = f"{ordered.size:,} of {known.size:,} layouts" if ordered.size < known.size else (
        f"{known.size:,} layouts"
    )  # fmt: skip
    head(ax, f"{_title(result)}: {shown}")
    return ax


def _heights(values: FloatArray, asked: Asked | None) -> FloatArray:
    """From 0 to 1 between the ends, by decades where the quantity is drawn so."""
    if asked is not None and _is_logarithmic(asked):
        values = np.log10(values)
    low, high = float(values.min()), float(values.max())
    return (values - low) / (high - low) if high > low else np.full(values.size, 0.5)


def _parameter_ends(ends: tuple[float, float], parameter: Parameter, unit: str) -> tuple[str, str]:
    """What stands at the lower and the upper end of a parameter's axis."""
    low, high = (parameter.choices[int(e)] if is_choice(parameter) else e for e in ends)
    return parameter_text(parameter, low, unit), parameter_text(parameter, high, unit)


def _end_texts(ends: tuple[float, float], asked: Asked) -> tuple[str, str]:
    """The same of a quantity's."""
    if asked.quantity.style == "part":
        return n.per_cent(0.01 * ends[0]), n.per_cent(0.01 * ends[1])
    written = n.swr if asked.quantity.style == "swr" else n.rounded
    return written(ends[0]), written(ends[1])


def _broken(text: str) -> str:
    """A label in lines of some fourteen letters."""
    lines = [""]
    for word in text.replace(" ohm)", "\u00a0ohm)").split(" "):
        if lines[-1] and len(lines[-1]) + len(word) > 13:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)


# ---- a length over the bands -------------------------------------------------------------


def draw_length_panel(found: LengthMap, label: str, ax: Axes | None = None) -> Axes:
    """A quantity as shades over one parameter and the bands; the line is the layout held."""
    from matplotlib.colors import LogNorm, Normalize

    ax = new_axes(7.0, 2.4) if ax is None else ax
    values = scaled(found.quantity, found.values)
    known = values[np.isfinite(values)]
    limits = (float(known.min()), float(known.max())) if known.size else (0.1, 1.0)
    is_log = _is_logarithmic(found.quantity) and limits[0] > 0.0
    nature = found.quantity.quantity.nature
    mesh = ax.pcolormesh(
        _edges(found.lengths), np.arange(len(found.bands) + 1) - 0.5, values.T,
        cmap=COLOURS if nature == "high" else f"{COLOURS}_r",
        norm=(LogNorm if is_log else Normalize)(*limits),
    )  # fmt: skip
    ax.set_facecolor("#d9d4ca")
    own = found.lengths[found.layouts == found.at]
    for length in own:
        ax.axvline(float(length), color=CHOSEN, lw=1.6)
    tidy(ax)
    ax.grid(visible=False)
    ax.set_yticks(range(len(found.bands)), list(found.bands))
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel(_parameter_label(found.parameter))
    bar = ax.figure.colorbar(mesh, ax=ax, pad=0.015, aspect=12)
    _colour_bar(bar, found.quantity, limits, _broken(label))
    return ax


def _edges(values: FloatArray) -> FloatArray:
    """Where cells about rising values meet."""
    middle = 0.5 * (values[1:] + values[:-1])
    return np.concatenate([[1.5 * values[0] - 0.5 * values[1]], middle,
                           [1.5 * values[-1] - 0.5 * values[-2]]])  # fmt: skip


def draw_length_map(
    result: SweepResult,
    parameter: str,
    *,
    quantities: Sequence[str] = MAPPED,
    at: int | None = None,
) -> Figure:
    """Size of the impedance, feed volts and efficiency over a length and the bands.

    Of the usual three those that were kept.
    """
    from ...geometry.picture import Picture

    names = [name for name in quantities if quantities is not MAPPED or result.has(name)]
    if not names:
        raise SweepError("A length map needs at least one quantity, and there is none.")
    first = result.length_map(parameter, names[0], at=at)
    place = first.at
    maps = [first, *(result.length_map(parameter, name, at=place) for name in names[1:])]
    each = 0.75 + 0.24 * len(result.plan.bands)
    figure = Picture(figsize=(7.6, each * len(names) + 0.5 + TITLE_INCHES), layout="constrained")
    top = 1.0 - TITLE_INCHES / float(figure.get_figheight())
    engine: Any = figure.get_layout_engine()
    engine.set(rect=(0.0, 0.0, 1.0, top))
    axes = figure.subplots(len(names), 1, squeeze=False, sharex=True)[:, 0]
    for ax, found in zip(axes, maps, strict=True):
        draw_length_panel(found, _label(found.quantity, result), ax)
        if ax is not axes[-1]:
            ax.set_xlabel("")
    others = [p.name for p in result.plan.design.parameters if p.name != maps[0].parameter.name]
    note = f"layout {place} marked" + ("; all else as there" if others else "")
    put_title(figure, f"{result.name}: {words_of(maps[0].parameter.name)} over the bands", note)
    return figure


# ---- against one parameter ---------------------------------------------------------------


def draw_against(
    result: SweepResult,
    parameter: str,
    quantity: str,
    ax: Axes | None = None,
    *,
    bands: Sequence[str] | None = None,
) -> Axes:
    """A quantity against one parameter: median, and the range that holds four in five layouts."""
    ax = new_axes(6.0, 3.8) if ax is None else ax
    found = result.against(parameter, quantity, bands=bands)
    low, median, high = (
        scaled(found.quantity, one) for one in (found.low, found.median, found.high)
    )
    if found.labels or found.values.size == 1:
        _draw_ranges(ax, found, low, median, high)
    else:
        ax.fill_between(
            found.values, low, high, color=FRONT, alpha=0.18, lw=0, label="four in five layouts"
        )
        ax.plot(found.values, median, "o-", ms=3.5, lw=1.8, color=FRONT, label="median")
    tidy(ax)
    ax.set_xlabel(_parameter_label(found.parameter))
    set_axis(ax, "y", found.quantity, np.concatenate([low, high]), _label(found.quantity, result))
    if found.quantity.quantity.style == "swr" and ax.get_ylim()[0] <= 1.0:
        ax.axhspan(1.0, 2.0, color=GOOD, lw=0, zorder=0)
    ax.legend(frameon=False, fontsize=8, loc="best")
    grouped = f", in {found.values.size} groups" if found.is_grouped else ""
    head(ax, f"{_title(result)}: {int(found.counts.sum()):,} layouts{grouped}")
    return ax


def _draw_ranges(
    ax: Axes, found: Spread, low: FloatArray, median: FloatArray, high: FloatArray
) -> None:
    ax.vlines(found.values, low, high, color=FRONT, alpha=0.3, lw=9, label="four in five layouts")
    ax.plot(found.values, median, "o", ms=7, color=FRONT, label="median")
    if found.labels:
        ax.set_xticks(found.values, [_broken(label) for label in found.labels])
        ax.set_xlim(found.values.min() - 0.6, found.values.max() + 0.6)


# ---- trimming ----------------------------------------------------------------------------


def draw_trim(table: TrimTable, ax: Axes | None = None) -> Axes:
    """How far a centimetre more moves each band's resonance; pale: the grid is too coarse."""
    rows = table.rows
    ax = new_axes(6.6, 1.3 + 0.34 * max(len(rows), 2)) if ax is None else ax
    places = np.arange(len(rows))[::-1]
    values = np.array([1e-5 * row.resonance_slope for row in rows])
    drawn = np.nan_to_num(values)
    for is_coarse, colour in ((False, FRONT), (True, "#a9bfd3")):
        mask = np.array([row.is_coarse is is_coarse for row in rows])
        if mask.any():
            ax.barh(
                places[mask], drawn[mask], height=0.62, color=colour,
                label="grid too coarse: not to be trusted" if is_coarse else "from both neighbours",
            )  # fmt: skip
    for place, value, row in zip(places, drawn, rows, strict=True):
        text = f"X {n.signed(0.01 * row.reactance_slope)} ohm"
        side = -1 if value < 0.0 else 1
        ax.annotate(
            text, (value, float(place)), xytext=(4 * side, 0), textcoords="offset points",
            ha="left" if side > 0 else "right", va="center", fontsize=8, color=INK,
        )  # fmt: skip
    tidy(ax)
    ax.grid(visible=False, axis="y")
    ax.axvline(0.0, color="#a8a196", lw=0.9)
    ax.set_yticks(places, [row.band for row in rows])
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    low, high = min(float(drawn.min()), 0.0), max(float(drawn.max()), 0.0)
    room = 0.3 * max(high - low, 1e-9)
    ax.set_xlim(low - (room if low < 0.0 else 0.05 * room), high + (room if high > 0.0 else 0.0))
    label = words_of(table.parameter.name)
    ax.set_xlabel("shift of the resonance per centimetre more [kHz]")
    if any(row.is_coarse for row in rows):
        ax.legend(frameon=False, fontsize=8, loc="lower left", bbox_to_anchor=(0.0, 1.08), ncols=2,
                  borderaxespad=0.0)  # fmt: skip
    head(ax, f"{table.name}, layout {table.layout}: {label} {table.length:.2f} m")
    return ax


# ---- by kind -----------------------------------------------------------------------------


def _sheet(draw: Callable[..., Axes]) -> Callable[..., Figure]:
    def drawn(result: SweepResult, *args: Any, **options: Any) -> Figure:
        from matplotlib.figure import Figure

        figure = draw(result, *args, **options).get_figure()
        if not isinstance(figure, Figure):
            raise SweepError("The axes are on no sheet of their own; call the function that draws.")
        return figure

    return drawn


def _trim(
    result: SweepResult, element: str, *, around: int | None = None, ax: Axes | None = None
) -> Axes:
    return draw_trim(result.trim_table(element, around=around), ax)


PICTURES: Mapping[str, Callable[..., Figure]] = MappingProxyType(
    {
        "front": _sheet(draw_front),
        "parallel": _sheet(draw_parallel),
        "length map": draw_length_map,
        "against": _sheet(draw_against),
        "trim": _sheet(_trim),
    }
)
"""Pictures by the name that `SweepResult.plot` takes."""
