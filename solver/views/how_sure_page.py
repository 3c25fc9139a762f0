"""How sure an answer is: tables by the five questions, text, HTML and JSON."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any

import numpy as np

from ..study.ensemble.quantities import QUANTITIES, Quantity
from . import numbers as n
from .html_tables import html_table
from .json_form import FORMAT_VERSION, number
from .numbers import wrapped
from .tables import QUESTIONS

if TYPE_CHECKING:
    from ..study.ensemble.records import BandSureness, HowSure
    from ..study.ensemble.sobol import Indices

STANDS_OUT = 0.1
"""Part of a figure's variance from which on an unknown is named."""

MOST_NAMED = 3
SURE = 2.0
"""Standard errors that an index is above 0 by, to be named."""

UNTOLD = "too unsure to tell"
TOLD_AT_LEAST = 0.1
"""A share is told with its standard error, unless this is above the share and above so much."""

TOGETHER = 0.3
"""Part of the variance that no unknown explains alone, from which on that is said."""

NOTHING = 5e-4
"""A part of one below this in every case and band has no column."""

DECIDED = (("SWR", "reflection"), ("X", "reactance"), ("efficiency", "efficiency"))
"""What is told of which figure: of the SWR by its reflection coefficient."""


# ---- cells -------------------------------------------------------------------------------


def figure_text(quantity: Quantity, value: float) -> str:
    """A figure as tables have it, without its unit but for per cent."""
    if quantity.style == "swr":
        return n.swr(value)
    if quantity.style == "part":
        return n.per_cent(value)
    return n.rounded(value)


def range_text(quantity: Quantity, values: np.ndarray) -> str:
    """Three values as "23 | 31 | 44"."""
    texts = [figure_text(quantity, float(value)) for value in values]
    if quantity.style == "part" and all(text.endswith(" %") for text in texts):
        return f"{' | '.join(text[:-2] for text in texts)} %"
    return " | ".join(texts)


def _cells(band: BandSureness, name: str) -> tuple[str, str]:
    """Range, and as told."""
    quantity = QUANTITIES[name]
    if name == "tuner copes":
        share = float(np.mean(band.values[name]))
        return f"in {n.per_cent(share)}", "yes" if band.told[name] >= 0.5 else "no"
    return range_text(quantity, band.quantiles(name)), figure_text(quantity, band.told[name])


def _heading(found: HowSure, quantity: Quantity) -> str:
    if quantity.style == "swr":
        return f"{quantity.words} ({found.reference:g} ohm)"
    if quantity.style == "volt":
        return f"{quantity.words} at {found.power:g} W"
    return f"{quantity.words}, {quantity.unit}" if quantity.unit else quantity.words


def _shown(found: HowSure, question: int) -> list[str]:
    """Figures of a question, those that are nothing everywhere left out."""
    names = []
    for name in found.figures:
        quantity = QUANTITIES[name]
        if quantity.question != question or name == "reflection":
            continue
        every = np.concatenate([band.values[name] for band in found.bands])
        is_nothing = quantity.style == "part" and np.all(np.abs(every) < NOTHING)
        if not is_nothing or name in ("efficiency", "tuner copes"):
            names.append(name)
    return names


def _table(found: HowSure, question: int) -> list[list[str]]:
    names = _shown(found, question)
    rows = [["band", "", *(_heading(found, QUANTITIES[name]) for name in names)]]
    for band in found.bands:
        pairs = [_cells(band, name) for name in names]
        rows.append([band.name, "10 | 50 | 90 %", *(first for first, _ in pairs)])
        rows.append(["", as_told(found), *(second for _, second in pairs)])
    return rows


def as_told(found: HowSure) -> str:
    """What the single value beside the range is."""
    return "most likely" if found.after else "as told"


# ---- what matters ------------------------------------------------------------------------


def named(indices: Indices) -> str:
    """The unknowns that stand out: "ground conductivity 41 %, length of long 22 %"."""
    if not indices.is_known:
        return "does not vary"
    least = np.maximum(STANDS_OUT, SURE * indices.errors)
    first = [k for k in indices.order if indices.shares[k] >= least[k]][:MOST_NAMED]
    if not first:
        return "no single one"
    return ", ".join(f"{indices.names[k]} {n.per_cent(float(indices.shares[k]))}" for k in first)


def most_words(found: HowSure, figure: str, band: str) -> str:
    """Which unknown contributes most to a figure on a band, in a sentence."""
    quantity, indices = QUANTITIES[figure], found.indices(figure, band)
    whose = f"{quantity.words} on {band}"
    if not indices.is_known:
        return f"{whose} does not vary."
    k = indices.order[0]
    share, error = float(indices.shares[k]), float(indices.errors[k])
    if share < SURE * error or share < STANDS_OUT:
        return f"No single unknown stands out in {whose}."
    text = (
        f"Most of what is open in {whose} comes from {indices.names[k]}"
        if share > 0.5
        else f"{indices.names[k]} does the most to {whose}"
    )
    text += f": {n.per_cent(share)} of the variance, give or take {n.per_cent(error)}"
    if indices.rest > TOGETHER:
        text += f"; {n.per_cent(indices.rest)} come from several together"
    return f"{text[0].upper()}{text[1:]}."


def _matter_rows(found: HowSure) -> list[list[str]]:
    rows = [["band", *(label for label, _ in DECIDED)]]
    for band in found.bands:
        rows.append([band.name, *(named(band.indices(figure)) for _, figure in DECIDED)])
    return rows


def _over_all(found: HowSure) -> list[list[str]]:
    rows = [["unknown", "part of the variance", "most on", "told", "how to know it better"]]
    for one in found.contributions:
        _, middle, range_ = one.unknown.row
        rows.append(
            [
                one.unknown.name,
                share_text(one.share, one.error),
                f"{one.most_on} ({n.per_cent(max(one.most, 0.0))})",
                f"{middle} ({range_})",
                one.unknown.measure,
            ]
        )
    return rows


def share_text(share: float, error: float) -> str:
    """As "34 +- 4 %"; what noise made negative is 0, and what drowns in noise is not told."""
    if error > max(share, TOLD_AT_LEAST):
        return UNTOLD
    return f"{100 * max(share, 0.0):.0f} +- {max(100 * error, 1.0):.0f} %"


def _opening(found: HowSure) -> str:
    after = f", after {found.after}" if found.after else ""
    what = "" if not found.bands[0].independent else " evenly"
    return (
        f"How sure, for {found.name}: {found.count} houses drawn{what} from {len(found.unknowns)} "
        f"unknowns{after}. Of each figure 10 % of the cases lie below the first value, half below "
        "the middle one, 90 % below the last; efficiency and angles are those at the centre of a "
        f"band. '{as_told(found)}' has every unknown at its "
        f"{'most likely value' if found.after else 'middle'} and no cable that is not drawn."
    )


def _sureness(found: HowSure) -> str:
    rests = [
        band.indices(figure).rest for band in found.bands for _, figure in DECIDED
        if np.isfinite(band.indices(figure).rest)
    ]  # fmt: skip
    text = ""
    if rests:
        text = (
            f"{n.per_cent(float(np.median(rests)))} of the variance (median) come from several "
            "unknowns together. "
        )
    elif found.after:
        text = "After readings unknowns hang together: parts overlap and do not add up. "
    if found.check is not None:
        text += (
            f"One house solved by itself on {found.check.band} differed by "
            f"{found.check.reflection:.1g} in the reflection coefficient and "
            f"{n.per_cent(found.check.budget)} of the input in the budget. "
        )
    return (
        f"{text}With {found.count} cases parts are known to {_typical_error(found)} or better. "
        "What nobody thought of is in no range, and the model's own error, a few per cent of an "
        "impedance, is not either."
    )


def _typical_error(found: HowSure) -> str:
    errors = [band.indices(figure).errors for band in found.bands for _, figure in DECIDED]
    known = np.concatenate(errors)
    known = known[np.isfinite(known)]
    return f"{max(100.0 * float(known.max()), 1.0):.0f} %" if known.size else "nothing"


# ---- pages -------------------------------------------------------------------------------


def how_sure_text(found: HowSure, *, width: int = 100) -> str:
    """The printed form, a table a question."""
    lines = wrapped(_opening(found), width, first="", rest="")
    for question in (1, 2, 3):
        lines += ["", f"{question}. {QUESTIONS[question - 1]}"]
        lines += n.columns(_table(found, question), left=2, width=width)
    lines += ["", f"4. {QUESTIONS[3]}"]
    lines += wrapped(
        "Voltages at the ends and fields in the rooms are not drawn: ridgepole answer and exposure "
        "tell them for the attic as told. Leave room for what is open here.",
        width,
    )
    lines += ["", f"5. {QUESTIONS[4]}"]
    lines += wrapped("What the range hangs on, with its part of the variance:", width)
    for band in found.bands:
        for label, figure in DECIDED:
            head = f"{band.name if label == DECIDED[0][0] else '':<6}  {label:<10}  "
            text = named(band.indices(figure))
            lines += wrapped(text, width, first=f"  {head}", rest=" " * (len(head) + 2))
    lines += ["", *wrapped("Over all bands, SWR, X and efficiency counted alike:", width)]
    rows = [row[:3] for row in _over_all(found)]
    lines += n.columns(rows, left=1, width=width)
    lines += wrapped(_sureness(found), width)
    first = found.contributions[0] if found.contributions else None
    if first is not None and first.share > SURE * first.error:
        lines += wrapped(
            f"Begin with {first.unknown.name}: {first.unknown.measure or 'as well as you can'}. "
            "ridgepole measure FILE prints what to measure in its order.",
            width,
        )
    return "\n".join(lines)


def how_sure_html(found: HowSure) -> str:
    """The same as tables."""
    parts = [f"<p>{html.escape(_opening(found))}</p>"]
    parts += [
        html_table(_table(found, question), f"{question}. {QUESTIONS[question - 1]}")
        for question in (1, 2, 3)
    ]
    parts.append(
        html_table(_matter_rows(found), f"5. {QUESTIONS[4]} What the range hangs on, by band")
    )
    parts.append(html_table(_over_all(found), "Over all bands, SWR, X and efficiency alike"))
    parts.append(f"<p>{html.escape(_sureness(found))}</p>")
    return "".join(parts)


def how_sure_columns(found: HowSure) -> dict[str, list[Any]]:
    """Columns for a data frame: one row a band and figure."""
    columns: dict[str, list[Any]] = {}
    for band in found.bands:
        for name in band.figures:
            low, middle, high = (float(value) for value in band.quantiles(name))
            indices = band.indices(name)
            k = indices.order[0] if indices.is_known else None
            row = {
                "band": band.name, "figure": name, "unit": QUANTITIES[name].unit,
                "as_told": band.told[name], "p10": low, "p50": middle, "p90": high,
                "most": "" if k is None else indices.names[k],
                "most_share": np.nan if k is None else float(indices.shares[k]),
                "most_error": np.nan if k is None else float(indices.errors[k]),
                "rest": indices.rest,
            }  # fmt: skip
            for key, value in row.items():
                columns.setdefault(key, []).append(value)
    return columns


def how_sure_form(found: HowSure) -> dict[str, Any]:
    """All of it as nested dicts and lists, SI units, null for what is not known."""

    def figure(band: BandSureness, name: str) -> dict[str, Any]:
        indices = band.indices(name)
        return {
            "unit": QUANTITIES[name].unit,
            "as_told": number(band.told[name]),
            "p10_p50_p90": [number(float(value)) for value in band.quantiles(name)],
            "first_order": {
                one: {"share": number(float(share)), "error": number(float(error))}
                for one, share, error in zip(
                    indices.names, indices.shares, indices.errors, strict=True
                )
            },
            "rest": number(indices.rest),
        }

    def curve(band: BandSureness, name: str) -> list[list[float | None]]:
        return [[number(float(value)) for value in row] for row in band.curve(name)]

    return {
        "format_version": FORMAT_VERSION,
        "name": found.name,
        "cases": found.count,
        "seed": found.seed,
        "after": found.after,
        "check": None if found.check is None else {
            "band": found.check.band, "case": found.check.case,
            "reflection": number(found.check.reflection), "budget": number(found.check.budget),
        },
        "reference_ohm": found.reference,
        "power_w": found.power,
        "unknowns": [
            {
                "name": one.name, "kind": one.kind, "unit": one.unit,
                "p10_p50_p90": [
                    one.distribution.quantile(0.1), one.distribution.middle,
                    one.distribution.quantile(0.9),
                ],
                "reason": one.reason, "measure": one.measure,
            }
            for one in found.unknowns
        ],
        "bands": [
            {
                "band": band.name,
                "low_hz": band.band.low,
                "high_hz": band.band.high,
                "frequencies_hz": band.frequencies.tolist(),
                "resistance_ohm": curve(band, "resistance"),
                "reactance_ohm": curve(band, "reactance"),
                "swr": curve(band, "swr"),
                "figures": {name: figure(band, name) for name in band.figures},
            }
            for band in found.bands
        ],
        "over_all": [
            {
                "unknown": one.unknown.name, "share": number(one.share),
                "error": number(one.error), "most_on": one.most_on, "most": number(one.most),
            }
            for one in found.contributions
        ],
    }  # fmt: skip
