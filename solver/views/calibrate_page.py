"""What readings say of an attic: text, table, JSON."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any

import numpy as np

from . import numbers as n
from .json_form import FORMAT_VERSION, number

if TYPE_CHECKING:
    from ..study.calibration.records import Calibration, CalibrationRow

HEADS = ("unknown", "before", "10-90 %", "after", "10-90 %", "learned")


def _ranked(found: Calibration) -> list[CalibrationRow]:
    """What was learned most of first."""
    return sorted(found.rows, key=lambda row: -row.learned)


def _cells(row: CalibrationRow) -> list[str]:
    words = []
    for low, middle, high in (row.before, row.after):
        low_word, middle_word, high_word = map(row.unknown.in_words, (low, middle, high))
        unit = f" {middle_word.rpartition(' ')[2]}"
        if low_word.endswith(unit) and high_word.endswith(unit):
            low_word = low_word.removesuffix(unit)
        words += [middle_word, f"{low_word} to {high_word}"]
    learned = n.per_cent(max(row.learned, 0.0)) if row.learned >= 0.005 else "nothing"
    return [row.name, *words, learned]


def fit_in_words(found: Calibration) -> str:
    """How far off the readings are, before and after."""
    before, after = (
        n.rounded(float(np.sqrt(one / found.numbers))) for one in (found.prior_misfit, found.misfit)
    )
    return (
        f"{found.numbers} numbers were read. The model missed them by {before} times their own "
        f"error before and {after} times after; about 1 is what a true model leaves. Readings as "
        f"far off as these come of {chance_in_words(found.chance)} attics like this one."
    )


def chance_in_words(chance: float) -> str:
    """As "62 in 100"."""
    if chance < 0.001:
        return "fewer than 1 in 1000"
    if chance < 0.095:
        return f"{1000.0 * chance:.0f} in 1000"
    return f"{100.0 * chance:.0f} in 100"


def learned_in_words(found: Calibration) -> str:
    """What was learned most of, in a sentence."""
    best = [row for row in _ranked(found) if row.learned >= 0.1][:3]
    if not best:
        return "The readings narrowed nothing by a tenth or more."
    parts = [
        f"{row.name} {row.unknown.in_words(row.after[1])} "
        f"({row.unknown.in_words(row.after[0])} to {row.unknown.in_words(row.after[2])})"
        for row in best
    ]
    return f"Learned most: {'; '.join(parts)}."


def calibration_text(found: Calibration, *, width: int = 100) -> str:
    """The printed form: what was learned, the table, what to know before it is believed."""
    lines = [f"What the readings say of {found.name}", ""]
    for visit in found.visits:
        lines += n.wrapped(f"{visit.readings}.", width, first="", rest="  ")
    lines += n.wrapped(learned_in_words(found), width, first="", rest="")
    lines += ["", *n.columns([HEADS, *map(_cells, _ranked(found))], left=1, width=width), ""]
    lines += n.wrapped(
        "Before is what was believed before the readings, after what is most likely now, each with "
        "what holds four cases in five. Learned is the part of the spread that is gone.",
        width, first="", rest="",
    )  # fmt: skip
    lines += n.wrapped(fit_in_words(found), width, first="", rest="")
    if found.warnings:
        lines += ["", "Before this is believed"]
        for one in found.warnings:
            lines += n.wrapped(one.text, width, first="  - ", rest="    ")
    if found.notes:
        lines += ["", "Done on the way"]
        for note in found.notes:
            lines += n.wrapped(f"{note}.", width, first="  - ", rest="    ")
    return "\n".join(lines)


def calibration_html(found: Calibration) -> str:
    """The same as a table."""
    top = "".join(f"<th>{html.escape(one)}</th>" for one in HEADS)
    body = ""
    for row in _ranked(found):
        cells = "".join(f"<td>{html.escape(cell)}</td>" for cell in _cells(row))
        body += f"<tr>{cells}</tr>"
    said = "".join(f"<li>{html.escape(one.text)}</li>" for one in found.warnings)
    head = f"<p>Before this is believed</p><ul>{said}</ul>" if said else ""
    visits = "".join(f"<p>{html.escape(str(visit.readings))}</p>" for visit in found.visits)
    return (
        f"<p><b>What the readings say of {html.escape(found.name)}</b></p>{visits}"
        f"<p>{html.escape(learned_in_words(found))}</p>"
        f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"
        f"<p>{html.escape(fit_in_words(found))}</p>{head}"
    )


def calibration_columns(found: Calibration) -> dict[str, list[Any]]:
    """Columns for a data frame: one row an unknown."""
    rows = found.rows
    columns: dict[str, list[Any]] = {
        "unknown": [row.name for row in rows],
        "unit": [row.unknown.unit for row in rows],
    }
    for when in ("before", "after"):
        for k, at in enumerate(("10", "50", "90")):
            columns[f"{when}_{at}"] = [getattr(row, when)[k] for row in rows]
    columns["score"] = [row.score for row in rows]
    columns["learned"] = [row.learned for row in rows]
    return columns


def calibration_form(found: Calibration) -> dict[str, Any]:
    """The same as nested dicts and lists, null for what is not known."""
    fitted = found.fitted
    residual, z = fitted.residual(), {k: fitted.impedance(k) for k in ("read", "before", "after")}

    def point(k: int) -> dict[str, Any]:
        told: dict[str, Any] = {
            "frequency_hz": float(fitted.frequencies[k]),
            "visit": int(fitted.visit[k]),
            "band": fitted.band[k],
        }
        for name, values in z.items():
            told[f"resistance_{name}_ohm"] = number(float(values[k].real))
            told[f"reactance_{name}_ohm"] = number(float(values[k].imag))
            told[f"magnitude_{name}"] = float(np.abs(getattr(fitted, name)[k]))
        told["residual_along"] = number(float(residual[k, 0]))
        told["residual_across"] = number(float(residual[k, 1]))
        return told

    return {
        "format_version": FORMAT_VERSION,
        "name": found.name,
        "bands": [band.name for band in found.bands],
        "reference_ohm": fitted.reference,
        "numbers": found.numbers,
        "misfit_before": number(found.prior_misfit),
        "misfit_after": number(found.misfit),
        "chance": number(found.chance),
        "unknowns": [
            {
                "unknown": row.name,
                "unit": row.unknown.unit,
                "before": list(row.before),
                "after": list(row.after),
                "score": row.score,
                "learned": row.learned,
            }
            for row in found.rows
        ],
        "warnings": [{"kind": one.kind, "text": one.text} for one in found.warnings],
        "notes": list(found.notes),
        "readings": [point(k) for k in range(fitted.frequencies.size)],
    }
