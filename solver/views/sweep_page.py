"""A sweep in words and tables: how far it is, the best layouts, what a centimetre does."""

from __future__ import annotations

import html
import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ...geometry.file_tables import HOUSE_TABLES
from ...geometry.lengths import Length
from ..study.sweep_layouts import NOT_WANTED
from ..study.sweep_quantities import Asked, axis_label, file_units, is_choice, words_of
from ..study.sweep_records import FAILED, UNFIT, Parameter
from . import json_form
from . import numbers as n
from .numbers import wrapped

if TYPE_CHECKING:
    from ..study.sweep_cuts import TrimTable
    from ..study.sweep_ranking import RankedLayout, Ranking
    from ..study.sweep_result import SweepResult

MOST_REASONS = 3
"""Reasons told of layouts that are not done, the commonest first."""

MOST_TEXT = 24
"""Letters of a choice in a table."""

WORST_CHECK = 5e-3
"""A layout solved in full may differ from its batch by this without a word of warning."""

LENGTHS = ("cm", "mm", "ft", "in", "ft in")

SCALED_UNITS = {
    "H": (1e-6, "uH"), "F": (1e-12, "pF"), "S/m": (1e-3, "mS/m"), "%": (1e-2, "%"),
}  # fmt: skip

LEFT_OUT = {
    "waiting": "not computed yet", "unfit": "unfit", "failed": "failed",
    "ruled out": "ruled out by the conditions", "no figure": "without the number",
}  # fmt: skip


# ---- values, names -----------------------------------------------------------------------


def value_text(asked: Asked, value: float) -> str:
    """A quantity as tables have it."""
    style, unit = asked.quantity.style, asked.quantity.unit
    if style == "swr":
        return n.swr(value)
    if style == "part":
        return n.per_cent(value)
    if style == "decibels":
        return n.decibels(value) if math.isnan(value) else f"{n.decibels(value)} {unit}"
    if style == "yes":
        return n.NOT_KNOWN if math.isnan(value) else "yes" if value >= 0.5 else "no"
    return n.with_unit(value, unit) if unit else n.rounded(value)


def quantity_label(asked: Asked, *, reference: float = np.nan, power: float = np.nan) -> str:
    """A quantity's name, with what it refers to where that is told: "worst SWR (50 ohm)"."""
    name = asked.name.replace("|z|", "|Z|")
    if asked.quantity.style == "swr":
        at = f" ({reference:g} ohm)" if math.isfinite(reference) else ""
        return re.sub(r"\bswr\b", "SWR", name) + at
    if asked.quantity.unit == "V" and math.isfinite(power):
        return f"{name}, RMS at {power:g} W"
    return name


def parameter_labels(parameters: Sequence[Parameter]) -> list[str]:
    """Parameters as people call them; in full where two would be called the same."""
    short = [words_of(one.name) for one in parameters]
    return [
        one.name if short.count(name) > 1 else name
        for one, name in zip(parameters, short, strict=True)
    ]


def parameter_text(parameter: Parameter, value: Any, unit: str = "") -> str:
    """A value in the unit of the file: "11.70 m", "12 ft 6 in", "medium dry ground"."""
    if is_choice(parameter):
        text = axis_label(value)
        return text if len(text) <= MOST_TEXT else f"{text[: MOST_TEXT - 3]}..."
    unit = unit or parameter.unit
    if unit == "m":
        return f"{value:.{_decimals(parameter)}f} m"
    if unit in LENGTHS:
        return str(Length(float(value), unit))
    factor, unit = SCALED_UNITS.get(unit, (1.0, unit))
    text = f"{value / factor:.6g}"
    return f"{text} {unit}" if unit else text


def _decimals(parameter: Parameter) -> int:
    """Of metres: millimetres only where the values are told to the millimetre."""
    told = parameter.choices or (parameter.low, parameter.step)
    exact = all(math.isnan(float(v)) or abs(float(v) - round(float(v), 2)) < 1e-6 for v in told)
    is_drawn = not parameter.choices and math.isnan(parameter.step)
    return 2 if exact or is_drawn else 3


def counted(number: int, thing: str = "") -> str:
    """10,648 layouts; 1 layout."""
    return f"{number:,}" + (f" {thing}{'s' * (number != 1)}" if thing else "")


# ---- ranking -----------------------------------------------------------------------------


def _ranking_rows(ranking: Ranking) -> list[list[str]]:
    heads = ["place", "layout", *parameter_labels(ranking.parameters)]
    heads += [quantity_label(one) for one in ranking.shown]
    return [heads, *(_ranking_cells(ranking, row) for row in ranking.rows)]


def _ranking_cells(ranking: Ranking, row: RankedLayout) -> list[str]:
    return [
        str(row.place),
        str(row.layout),
        *(
            parameter_text(one, row.parameters[one.name], unit)
            for one, unit in zip(ranking.parameters, ranking.units, strict=True)
        ),
        *(value_text(one, row.quantities[one.name]) for one in ranking.shown),
    ]


def _ranking_opening(ranking: Ranking) -> str:
    way = "highest" if ranking.best == "high" else "lowest"
    by = quantity_label(ranking.by, reference=ranking.reference, power=ranking.power)
    over = f", over {', '.join(ranking.bands)}" if not ranking.by.is_parameter else ""
    where = f" Only where {' and '.join(ranking.where)}." if ranking.where else ""
    refers = _references(ranking, ranking.shown[1:])
    return f"Layouts of {ranking.name} by {by}, the {way} first{over}.{where}{refers}"


def _references(ranking: Ranking, shown: Sequence[Asked]) -> str:
    """What SWR and volts in the table refer to."""
    text = ""
    if any(one.quantity.style == "swr" for one in shown):
        text += f" SWR refers to {ranking.reference:g} ohm."
    if any(one.quantity.unit == "V" for one in shown):
        text += f" Volts are RMS at {ranking.power:g} W into the feed point."
    return text


def _ranking_closing(ranking: Ranking) -> str:
    left = [
        f"{counted(number)} {LEFT_OUT[why]}" for why, number in ranking.left_out.items() if number
    ]
    total = ranking.ranked + sum(ranking.left_out.values())
    text = f"{counted(ranking.ranked)} of {counted(total, 'layout')} could be ranked"
    text += f"; left out: {', '.join(left)}." if left else "."
    if any(one.quantity.style == "swr" for one in ranking.shown):
        text += " A good match is not radiation: read efficiency beside SWR."
    return text


def ranking_text(ranking: Ranking, *, width: int = 100) -> str:
    """The printed ranking."""
    lines = wrapped(_ranking_opening(ranking), width, first="", rest="")
    if ranking.rows:
        lines += n.columns(_ranking_rows(ranking), left=2, width=width)
    else:
        lines += ["  No layout is left to rank."]
    lines += wrapped(_ranking_closing(ranking), width, first="", rest="")
    return "\n".join(lines)


def ranking_html(ranking: Ranking) -> str:
    """The same as a table."""
    heads, *rows = _ranking_rows(ranking)
    top = "".join(f"<th>{html.escape(one)}</th>" for one in heads)
    body = "".join(
        "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in cells) + "</tr>"
        for cells in rows
    )
    return (
        f"<p>{html.escape(_ranking_opening(ranking))}</p>"
        f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"
        f"<p>{html.escape(_ranking_closing(ranking))}</p>"
    )


def ranking_form(ranking: Ranking) -> dict[str, Any]:
    """The same as nested dicts and lists, SI units, null for what is not known."""
    return {
        "format_version": json_form.FORMAT_VERSION,
        "name": ranking.name,
        "by": ranking.by.name,
        "best": ranking.best,
        "bands": list(ranking.bands),
        "where": list(ranking.where),
        "ranked": ranking.ranked,
        "left_out": dict(ranking.left_out),
        "reference_ohm": json_form.number(ranking.reference),
        "power_w": json_form.number(ranking.power),
        "parameters": [{"name": one.name, "unit": one.unit} for one in ranking.parameters],
        "quantities": [
            {"name": one.name, "unit": one.quantity.unit, "about": one.quantity.about}
            for one in ranking.shown
        ],
        "rows": [
            {
                "place": row.place,
                "layout": row.layout,
                "parameters": dict(row.parameters),
                "quantities": {
                    name: json_form.number(value) for name, value in row.quantities.items()
                },
            }
            for row in ranking.rows
        ],
    }


# ---- state -------------------------------------------------------------------------------


def state_sentence(result: SweepResult) -> str:
    """What sweep it is and how far, in a sentence; reads the layouts' states alone."""
    parameters = result.plan.design.parameters
    over = ", ".join(parameter_labels(parameters)) or "nothing"
    bands = counted(len(result.plan.bands), "band")
    left = "" if not result.where else f"; {counted(result.layouts.size)} left by the conditions"
    return (
        f"Sweep of {result.name}: {counted(len(result), 'layout')} on {bands}, "
        f"{result.plan.design.method} over {over}; {state_counts(result.counts)}{left}."
    )


def state_counts(counts: Mapping[str, int]) -> str:
    """How many layouts are done, unfit, failed, waiting, as a text."""
    told = [f"{counted(counts['done'])} done"]
    told += [f"{counted(counts[s])} {s}" for s in ("unfit", "failed", "waiting") if counts[s]]
    return ", ".join(told)


def _range_text(parameter: Parameter, unit: str) -> str:
    if is_choice(parameter):
        return f"{len(parameter.choices)} choices"
    if len(parameter.choices) == 1:
        return parameter_text(parameter, parameter.choices[0], unit)
    lowest, highest = parameter.low, parameter.high
    if parameter.choices:
        lowest, highest = min(parameter.choices), max(parameter.choices)
    text = " to ".join(parameter_text(parameter, end, unit) for end in (lowest, highest))
    if parameter.choices:
        return f"{text} in {counted(len(parameter.choices), 'value')}"
    if math.isnan(parameter.step):
        return text
    return f"{text}, step {parameter_text(parameter, parameter.step, unit)}"


def _reason_lines(result: SweepResult, width: int) -> list[str]:
    """Why layouts are unfit or failed; reasons that differ in numbers only are one."""
    lines: list[str] = []
    for state, word in ((UNFIT, "unfit"), (FAILED, "failed")):
        numbers = np.flatnonzero(result.states == state).tolist()
        asked = f"{NOT_WANTED} = {result.plan.settings.get('where', '')!r}"
        place = re.compile(rf"^{re.escape(result.plan.name)}(, line \d+)?: ")
        reasons = {k: place.sub("", result.reasons.get(k, "no reason was kept")) for k in numbers}
        kinds: Counter[str] = Counter()
        examples: dict[str, int] = {}
        for number in numbers:
            kind = re.sub(r"[-+]?\d+(?:\.\d+)?", "0", reasons[number])
            kinds[kind] += 1
            examples.setdefault(kind, number)
        if not kinds:
            continue
        lines.append(f"Why {word}, the commonest first:")
        for kind, number in kinds.most_common(MOST_REASONS):
            example = examples[kind]
            text = asked if reasons[example] == NOT_WANTED else reasons[example]
            lines += wrapped(
                f"{counted(number, 'time')}, as layout {example}: {text}", width, first="  - ",
                rest="    ",
            )  # fmt: skip
        rest = sum(kinds.values()) - sum(k for _, k in kinds.most_common(MOST_REASONS))
        if rest:
            lines.append(f"  - {counted(rest)} for other reasons")
    return lines


def _sureness_lines(result: SweepResult, width: int) -> list[str]:
    lines: list[str] = []
    if result.has("check difference"):
        found = result.by_band(["check difference"])["check difference"]
        known = found[~np.isnan(found)]
        if known.size:
            warning = (
                ": too much, so take the best layouts' own answers before you trust the ranking"
                if known.max() > WORST_CHECK
                else ""
            )
            lines += wrapped(
                f"{counted(known.size, 'check')} of a layout and band solved in full: it differed "
                f"by {known.max():.1g} at most{warning}.",
                width,
            )
    if result.has("narrow resonances"):
        found = result.by_band(["narrow resonances"])["narrow resonances"][result.layouts]
        narrow = int(np.count_nonzero((found > 0.0).any(axis=1)))
        if narrow:
            lines += wrapped(
                f"{counted(narrow, 'layout')} may have a kink on some band that is narrower than "
                "its points are apart ('narrow resonances'): SWR there may be worse than told.",
                width,
            )
    parameters = result.plan.design.parameters
    varied = [
        label
        for label, one in zip(parameter_labels(parameters), parameters, strict=True)
        if one.name.partition(".")[0] in (*HOUSE_TABLES, "house", "earth")
    ]
    but = f", but for {', '.join(varied)}" if varied else ""
    lines += wrapped(
        f"All layouts stand in one model of the house and over one earth{but}: "
        "what nobody told of is in no layout, and what was assumed wrongly is wrong in "
        "all of them. Differences between layouts are surer than their numbers, and small "
        "differences between the best are none. Nor does a ranking say whether a place is safe: "
        "answer the chosen layout by itself before you cut wire.",
        width,
    )
    return lines


def sweep_summary(result: SweepResult, *, width: int = 100, count: int = 3) -> list[str]:
    """How far a sweep is, what is best in it, and what it cannot promise, as lines.

    Parameters
    ----------
    result : SweepResult
    width : int
        Of the terminal. [characters]
    count : int
        Places to tell of each ranking.
    """
    lines = wrapped(state_sentence(result), width, first="", rest="")
    labels = parameter_labels(result.plan.design.parameters)
    units = file_units(result.plan)
    for label, one, unit in zip(labels, result.plan.design.parameters, units, strict=True):
        outer = "outer loop" if one.is_outer else "cheap"
        lines += wrapped(f"{label}: {_range_text(one, unit)} ({outer})", width, rest="    ")
    reasons = _reason_lines(result, width)
    lines += ["", *reasons] if reasons else []
    lines += best_lines(result, count=count, width=width)
    if not result.layouts.size:
        return lines
    lines += ["", "How sure, and what next?", *_sureness_lines(result, width)]
    return lines


def best_lines(
    result: SweepResult, bands: Sequence[str] | None = None, *, width: int = 100, count: int = 3
) -> list[str]:
    """The best layouts by efficiency and by SWR, of those that are there, as lines."""
    so_far = " so far" if result.counts["waiting"] else ""
    if not result.layouts.size:
        left = " and left by the conditions" if result.where else ""
        return ["", f"No layout is done{left}{so_far}."]
    over = ""
    if bands is not None and len(bands) < len(result.plan.bands):
        over = f", over {', '.join(bands)}"
    lines: list[str] = []
    for name, words in (("efficiency", "on their worst band"), ("swr", "by their worst SWR")):
        if not result.has(name):
            continue
        ranking = result.rank(name, bands=bands, count=count)
        refers = _references(ranking, ranking.shown)
        lines += ["", *wrapped(f"Best {words}{so_far}{over}.{refers}", width, first="", rest="")]
        lines += n.columns(_ranking_rows(ranking), left=2, width=width)
        if no_figure := ranking.left_out["no figure"]:
            lines += wrapped(f"{counted(no_figure, 'layout')} without that number.", width)
    return lines


# ---- trimming ----------------------------------------------------------------------------


def trim_text(table: TrimTable, *, width: int = 100) -> str:
    """The printed trim table: per centimetre longer."""
    label = words_of(table.parameter.name)
    neighbours = " and ".join(
        f"{one:.2f} m" for one in (table.shorter, table.longer) if not math.isnan(one)
    )
    word = "neighbours" if " and " in neighbours else "neighbour"
    lines = wrapped(
        f"What a centimetre more of {label} does about layout {table.layout} of {table.name}, "
        f"{table.length:.2f} m long, from its {word} of {neighbours}. Cutting a centimetre off "
        "does the opposite. Shift: of the frequency at which the reactance is what it is here, the "
        "resonance if that is 0.",
        width,
        first="",
        rest="",
    )
    rows = [["band", "at, MHz", "X, ohm", "X per cm, ohm", "shift per cm, kHz", ""]]
    for row in table.rows:
        rows.append(
            [
                row.band,
                n.megahertz(row.frequency),
                n.rounded(row.reactance),
                n.signed(0.01 * row.reactance_slope),
                n.signed(1e-5 * row.resonance_slope),
                "?" if row.is_coarse else "",
            ]
        )
    lines += n.columns(rows, width=width)
    reasons: dict[str, list[str]] = {}
    for row in table.rows:
        if row.reason:
            reasons.setdefault(row.reason, []).append(row.band)
    for reason, bands in reasons.items():
        lines += wrapped(f"? {', '.join(bands)}: {reason}.", width)
    return "\n".join(lines)
