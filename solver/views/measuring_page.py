"""What to measure: a page to print and to write on, as text, HTML and JSON."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any

from . import numbers as n
from .how_sure_page import UNTOLD, share_text
from .json_form import FORMAT_VERSION, number
from .numbers import wrapped

if TYPE_CHECKING:
    from ..study.ensemble.measuring import MeasuringSheet, SheetBand, SheetRow

BLANK = "________"

FLUSH = 42
"""Where blanks begin that stand on a line with what is told so far."""

LITTLE, OUT_OF_REACH = "Hardly worth the climb", "Nobody can measure"

IN_THE_ATTIC = (
    "Step on joists only, not alone, and find the mains wiring before you reach behind anything."
)

AT_THE_ANALYSER = (
    "The transmitter is off and unplugged. The analyser sits at the feed point itself, on leads as "
    "short as they go, the coax off, all radials on; step back, for a hand on its case is one more "
    "radial. R and X tell far more than SWR alone; where yours shows X without a sign, write SWR."
)

STYLE = (
    "body{font:11pt/1.35 sans-serif;margin:2cm;color:#33312e}h1{font-size:15pt}h2{font-size:12pt}"
    "table{border-collapse:collapse}td,th{padding:2pt 9pt 2pt 0;text-align:left;vertical-align:top}"
    ".blank{border-bottom:1px solid #33312e;min-width:6em}"
)


def _blank(unit: str) -> str:
    if unit == "ft in":
        return f"{BLANK} ft {BLANK} in"
    return f"{BLANK} {unit}".rstrip()


def _opening(sheet: MeasuringSheet) -> str:
    return (
        f"From {sheet.cases} houses drawn from what is not known. In the order in which it makes "
        "the answer surer: the part of the variance of SWR, X and efficiency over all bands that "
        "goes once it is known, each by itself."
    )


def _surer(row: SheetRow) -> str:
    most = f"; most in {row.most_on}, {n.per_cent(max(row.most, 0.0))}" if row.most_on else ""
    share = share_text(row.surer, row.error)
    return f"{UNTOLD} how much surer" if share == UNTOLD else f"surer by {share}{most}"


def _by_name(rows: tuple[SheetRow, ...]) -> str:
    return ", ".join(row.unknown.name for row in rows)


def _heard(band: SheetBand) -> str:
    return f"{band.band.name} (tells {band.spread:.2f} in the reflection coefficient)"


def measuring_text(sheet: MeasuringSheet, *, width: int = 80) -> str:
    """The page as plain text."""
    lines = [f"What to measure: {sheet.name}", f"Date {BLANK}{BLANK}", ""]
    lines += wrapped(_opening(sheet), width, first="", rest="")
    lines += ["", "1. Dimensions and what things are"]
    lines += wrapped(IN_THE_ATTIC, width)
    for row in sheet.rows:
        lines += ["", f"{row.place:>3}. {row.what}"]
        so_far, measured = f"so far {row.told}", f"measured {_blank(row.unit)}"
        if len(so_far) < FLUSH and 5 + FLUSH + len(measured) <= width:
            lines.append(f"     {so_far:<{FLUSH}}{measured}")
        else:
            lines += [f"     {so_far}", f"     {measured}"]
        lines += wrapped(f"How: {row.how or 'as well as you can'}.", width, first="     ",
                         rest="     ")  # fmt: skip
        lines += wrapped(f"The answer gets {_surer(row)}.", width, first="     ", rest="     ")
    if not sheet.rows:
        lines += ["", "  Nothing that could be measured changes the answer much."]
    for text, rows in ((LITTLE, sheet.little), (OUT_OF_REACH, sheet.out_of_reach)):
        if rows:
            lines += ["", *wrapped(f"{text}: {_by_name(rows)}.", width)]
    lines += ["", "2. Readings at the feed point"]
    lines += wrapped(AT_THE_ANALYSER, width)
    lengths = ", ".join(f"{name} {text}" for name, text in sheet.lengths)
    lines += wrapped(
        f"Leave the wires as they are ({lengths}); write down what they are if not. Bands that "
        "tell most come first.",
        width,
    )
    for band in sheet.readings:
        lines += ["", f"  {_heard(band)}"]
        for f in band.frequencies:
            lines.append(
                f"    {n.megahertz(f):>7} MHz   R {BLANK} ohm   X {BLANK} ohm   or SWR {BLANK}"
            )
    lines += ["", *wrapped(_next(), width, first="", rest="")]
    return "\n".join(lines)


def _next() -> str:
    return (
        "Then put the dimensions into the attic file, and the readings into a file of lines such "
        "as '7.05 MHz 23 - 41j' or '7.05 MHz SWR 2.4': ridgepole calibrate FILE --reading READINGS."
    )


def measuring_html(sheet: MeasuringSheet) -> str:
    """The page as HTML, to be put into another."""
    blank = '<td class="blank"></td>'
    rows = "".join(
        f"<tr><td>{row.place}</td><td><b>{html.escape(row.what)}</b><br>{html.escape(row.how)}</td>"
        f"<td>{html.escape(row.told)}</td>{blank}<td>{html.escape(row.unit)}</td>"
        f"<td>{html.escape(_surer(row))}</td></tr>"
        for row in sheet.rows
    )
    more = "".join(
        f"<p>{text}: {html.escape(_by_name(some))}.</p>"
        for text, some in ((LITTLE, sheet.little), (OUT_OF_REACH, sheet.out_of_reach))
        if some
    )
    readings = "".join(
        f"<tr><td>{html.escape(band.band.name) if k == 0 else ''}</td><td>{n.megahertz(f)}</td>"
        f"{blank}{blank}{blank}</tr>"
        for band in sheet.readings
        for k, f in enumerate(band.frequencies)
    )
    lengths = ", ".join(f"{name} {text}" for name, text in sheet.lengths)
    return (
        f"<h1>What to measure: {html.escape(sheet.name)}</h1><p>{html.escape(_opening(sheet))}</p>"
        f"<h2>1. Dimensions and what things are</h2><p>{html.escape(IN_THE_ATTIC)}</p>"
        "<table><thead><tr><th></th><th>what, and how</th><th>so far</th><th>measured</th><th></th>"
        f"<th>the answer gets</th></tr></thead><tbody>{rows}</tbody></table>{more}"
        f"<h2>2. Readings at the feed point</h2><p>{html.escape(AT_THE_ANALYSER)}</p>"
        f"<p>Leave the wires as they are: {html.escape(lengths)}.</p>"
        "<table><thead><tr><th>band</th><th>MHz</th><th>R, ohm</th><th>X, ohm</th><th>or SWR</th>"
        f"</tr></thead><tbody>{readings}</tbody></table><p>{html.escape(_next())}</p>"
    )


def measuring_document(sheet: MeasuringSheet) -> str:
    """The page as an HTML document of its own."""
    title = html.escape(f"What to measure: {sheet.name}")
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f"<style>{STYLE}</style></head><body>{measuring_html(sheet)}</body></html>\n"
    )


def measuring_form(sheet: MeasuringSheet) -> dict[str, Any]:
    """The same as nested dicts and lists."""

    def plain(row: SheetRow) -> dict[str, Any]:
        return {
            "unknown": row.unknown.name, "what": row.what, "how": row.how, "told": row.told,
            "unit": row.unit, "surer": number(row.surer), "error": number(row.error),
            "most_on": row.most_on, "most": number(row.most),
        }  # fmt: skip

    return {
        "format_version": FORMAT_VERSION,
        "name": sheet.name,
        "cases": sheet.cases,
        "measure": [plain(row) for row in sheet.rows],
        "hardly": [plain(row) for row in sheet.little],
        "out_of_reach": [plain(row) for row in sheet.out_of_reach],
        "readings": [
            {
                "band": one.band.name,
                "frequencies_hz": list(one.frequencies),
                "spread_of_reflection": number(one.spread),
            }
            for one in sheet.readings
        ],
        "lengths": dict(sheet.lengths),
    }
