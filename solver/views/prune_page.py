"""What to cut next: text, table and JSON."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any

from . import numbers as n
from .html_tables import html_table
from .json_form import FORMAT_VERSION, number
from .numbers import wrapped

if TYPE_CHECKING:
    from ..study.pruning.records import Advice, Cut, Expected

CAUTION = (
    "Nothing transmitted while anyone is up there; the analyser off the wire while cutting. Step "
    "on joists only, mind cables before cutting or stapling, and keep the new ends off wood and "
    "metal: they carry the highest voltage. Your local codes come first."
)

BELOW = (
    "In one of a hundred possible houses at most is a cut more than 0.35 % of the length below "
    "what would be right there."
)


def _range(three: tuple[float, float, float]) -> str:
    low, middle, high = three
    return f"{n.megahertz(middle)} ({n.megahertz(low)} to {n.megahertz(high)})"


def verdict(advice: Advice) -> str:
    """What it comes to, in a sentence or two."""
    if not advice.is_believed:
        return (
            "Cut nothing: these readings are not of this antenna as it is told. See the doubt "
            "below."
        )
    sure = n.per_cent(advice.chance_after)
    if advice.is_done:
        if advice.chance_now >= 0.5:
            return (
                f"Leave it: every target is met in {n.per_cent(advice.chance_now)} of the houses "
                "that the readings leave possible."
            )
        return "Nothing to cut that would help; see the doubts below."
    if not advice.lengths.aim.is_met:
        return (
            "No lengths of these ends meet every target; these cuts come nearest, as far as one "
            "round goes. See the doubts below before anything is cut."
        )
    if advice.trips == 1:
        return (
            f"One trip to the attic should do: after these cuts every target is met in {sure} of "
            f"the houses that the readings leave possible ({n.per_cent(advice.chance_now)} as it "
            "is). Then read again, and tell me."
        )
    return (
        f"This trip and at least one more: what is right is too unsure to cut it all at once, and "
        f"after these cuts every target is met in {sure} of the houses that the readings leave "
        f"possible. Then read again, and tell me."
    )


def _what(cut: Cut) -> str:
    if cut.change == 0.0:
        return "leave"
    by = cut.now.with_value(abs(cut.change))
    return f"take off {by}" if cut.change < 0.0 else f"add {by}"


def _margin(cut: Cut) -> str:
    if cut.change >= 0.0 or float(cut.margin) == 0.0:
        return ""
    return f"cut off {cut.cut_off}, fold back {cut.margin}"


def cut_rows(advice: Advice) -> list[list[str]]:
    """The cuts as a table, heads first."""
    rows = [["", "element", "now", "do", "new length", "right is, 10 to 90 %", "at the wire"]]
    for cut in advice.cuts:
        sure = f"{cut.now.with_value(cut.low)} to {cut.now.with_value(cut.high)}"
        if cut.high - cut.low < 1e-3:
            sure = "not known"
        rows.append(
            [f"{cut.order}.", cut.element, str(cut.now), _what(cut), str(cut.next), sure,
             _margin(cut)]
        )  # fmt: skip
    if not any(row[-1] for row in rows[1:]):
        rows = [row[:-1] for row in rows]
    return rows


def expected_rows(advice: Advice) -> list[list[str]]:
    """Targets now and after the cuts, heads first."""
    rows = [["target", "met now at, MHz", "ohm now", "after the cuts, MHz", "ohm after"]]
    for one in advice.expected:
        rows.append(
            [
                str(one.target), _range(one.now), _ohms(one.impedance_now),
                _range(one.after), _ohms(one.impedance_after),
            ]
        )  # fmt: skip
    return [row[:3] for row in rows] if advice.is_done else rows


def _ohms(value: complex) -> str:
    """Down to a tenth of an ohm."""
    return n.impedance(complex(round(value.real, 1), round(value.imag, 1)))


def _slopes(one: Expected) -> str:
    parts = [
        f"{element} {value / 1e5:+.1f} kHz" for element, value in one.by_length.items()
        if abs(value) > 1e3
    ]  # fmt: skip
    at = f"{one.target.band}, {n.megahertz(one.target.frequency)} MHz"
    return f"{at}: {', '.join(parts) or 'hardly any'}"


def advice_text(advice: Advice, *, width: int = 100) -> str:
    """The printed form."""
    read = f"{advice.visits} set{'s' * (advice.visits != 1)} of readings"
    lines = [f"What to cut next, for {advice.name}, after {read}", ""]
    lines += wrapped(verdict(advice), width, first="", rest="")
    if not advice.is_believed:
        for warning in advice.warnings:
            lines += ["", *wrapped(f"Doubt: {warning}", width, first="", rest="  ")]
        return "\n".join(lines)
    lines += ["", *n.columns(cut_rows(advice), left=2, width=width)]
    if advice.out_of_reach:
        lines.append(f"  Out of reach, left as they are: {', '.join(advice.out_of_reach)}.")
    lines.append("")
    for cut in advice.cuts:
        lines += wrapped(f"{cut.element}: {cut.reason}.", width)
    if not advice.is_done:
        lines += wrapped(BELOW, width)
    lines += ["", "What the analyser should read (10 to 90 % in brackets)"]
    lines += n.columns(expected_rows(advice), width=width)
    lines += ["", "Where the resonance goes for each cm more of an element"]
    lines += [f"  {_slopes(one)}" for one in advice.expected]
    for warning in advice.warnings:
        lines += ["", *wrapped(f"Doubt: {warning}", width, first="", rest="  ")]
    if not advice.is_done:
        lines += ["", *wrapped(CAUTION, width, first="", rest="")]
    return "\n".join(lines)


def advice_columns(advice: Advice) -> dict[str, Any]:
    """A row an element, the first to be done first."""
    return {
        "element": [cut.element for cut in advice.cuts],
        "order": [cut.order for cut in advice.cuts],
        "now [m]": [float(cut.now) for cut in advice.cuts],
        "next [m]": [float(cut.next) for cut in advice.cuts],
        "change [m]": [cut.change for cut in advice.cuts],
        "best [m]": [cut.best for cut in advice.cuts],
        "10 % [m]": [cut.low for cut in advice.cuts],
        "90 % [m]": [cut.high for cut in advice.cuts],
        "reason": [cut.reason for cut in advice.cuts],
    }


def advice_html(advice: Advice) -> str:
    """For a notebook."""
    doubts = "".join(f"<p>Doubt: {html.escape(one)}</p>" for one in advice.warnings)
    reasons = "".join(
        f"<li>{html.escape(cut.element)}: {html.escape(cut.reason)}.</li>" for cut in advice.cuts
    )
    if not advice.is_believed:
        return f"<p>{html.escape(verdict(advice))}</p>{doubts}"
    caution = "" if advice.is_done else f"<p>{html.escape(CAUTION)}</p>"
    return (
        f"<p>{html.escape(verdict(advice))}</p>"
        + html_table(cut_rows(advice), f"What to cut next, {advice.name}")
        + f"<ul>{reasons}</ul>"
        + html_table(expected_rows(advice), "What the analyser should read")
        + doubts
        + caution
    )


def advice_form(advice: Advice) -> dict[str, Any]:
    """As plain data."""
    return {
        "format": "ridgepole prune",
        "format_version": FORMAT_VERSION,
        "name": advice.name,
        "visits": advice.visits,
        "is_done": advice.is_done,
        "is_believed": advice.is_believed,
        "trips": advice.trips,
        "chance_now": number(advice.chance_now),
        "chance_after": number(advice.chance_after),
        "cuts": [
            {
                "order": cut.order, "element": cut.element, "now_m": number(float(cut.now)),
                "next_m": number(float(cut.next)), "change_m": number(cut.change),
                "best_m": number(cut.best), "low_m": number(cut.low), "high_m": number(cut.high),
                "margin_m": number(float(cut.margin)), "reason": cut.reason,
                "in_words": str(cut),
            }
            for cut in advice.cuts
        ],
        "out_of_reach": list(advice.out_of_reach),
        "expected": [
            {
                "band": one.target.band, "frequency_hz": number(one.target.frequency),
                "reactance_ohm": number(one.target.reactance),
                "now_hz": [number(v) for v in one.now],
                "after_hz": [number(v) for v in one.after],
                "resistance_now_ohm": number(one.impedance_now.real),
                "reactance_now_ohm": number(one.impedance_now.imag),
                "resistance_after_ohm": number(one.impedance_after.real),
                "reactance_after_ohm": number(one.impedance_after.imag),
                "hertz_per_metre": {k: number(v) for k, v in one.by_length.items()},
            }
            for one in advice.expected
        ],
        "warnings": list(advice.warnings),
    }  # fmt: skip
