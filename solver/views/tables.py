"""The answer in words and tables, arranged by the five questions."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..fields.budget import ELEMENTS, OTHER_WIRES
from . import numbers as n
from .numbers import wrapped
from .voltage_text import voltage_lines

if TYPE_CHECKING:
    from ..answer_records import Answer, BandAnswer, PointAnswer
    from ..comparison import Comparison

QUESTIONS = (
    "Will it load?",
    "Where do the watts go?",
    "Where does it send them?",
    "Is it safe?",
    "How sure, and what next?",
)

CAUTIONS = (
    "Local codes, and the advice of licensed electricians and engineers, come before any number "
    "printed here.",
    "Radio waves: people sleep close to an attic antenna. Work out your compliance with your "
    "country's exposure limits before you transmit; the fields in the rooms are not in this "
    "answer (ridgepole exposure estimates them).",
    "High voltage: the ends of a wire can carry thousands of volts, far more than the feed point. "
    "Keep ends and bare wire away from wood, insulation and foil, and out of reach.",
    "Mains wiring: find every cable before you drill, keep wires away from it, and never tie a "
    "radial to it.",
    "Attics and roofs: step on joists only, mind heat, dust and old insulation, do not work alone.",
    "Lightning: a roof is no shelter for a wire. Earth and bond as the code asks, and disconnect "
    "before a storm.",
)

WORTH_FINDING_OUT = 0.2
"""Weight of an assumption from which on it is worth a measurement."""

SKY, EARTH, ELECTRODES, WIRE, METAL, JACKETS, SOLIDS, LOADS = (
    "sky", "earth", "electrodes", "wire", "house metal", "jackets", "timber, boards", "loads"
)  # fmt: skip

MOST_PARTS = 12
"""Parts of a term told one by one."""


def watt_columns(bands: Sequence[BandAnswer]) -> dict[str, list[float]]:
    """Where the input goes, by what people call it: a share a band, together all of it.

    The antenna's wire stands apart from the house's metal, and what electrodes dissipate from the
    rest of the earth's share (left together where the fields of a contact and of the rest so
    cancel that the rest is negative).
    """

    def column(term: str) -> list[float]:
        return [float(getattr(band.budget, term)) for band in bands]

    metal = [
        sum(float(share) for name, share in band.budget.parts_of("conductors").items()
            if name not in (ELEMENTS, OTHER_WIRES))
        for band in bands
    ]  # fmt: skip
    electrodes = [sum(map(float, band.budget.parts_of("earth").values())) for band in bands]
    ground = [a - b for a, b in zip(column("earth"), electrodes, strict=True)]
    if any(share < 0.0 for share in ground):
        ground, electrodes = column("earth"), [0.0] * len(bands)
    found = {
        SKY: column("radiated"),
        EARTH: ground,
        ELECTRODES: electrodes,
        WIRE: [a - b for a, b in zip(column("conductors"), metal, strict=True)],
        METAL: metal,
        JACKETS: column("jackets"),
        SOLIDS: column("timbers"),
        LOADS: column("loads"),
    }
    return {
        word: values
        for word, values in found.items()
        if word in (SKY, WIRE) or not all(map(_is_nothing, values))
    }


def _is_nothing(value: float) -> bool:
    return value == 0.0


def _head(number: int) -> str:
    return f"{number}. {QUESTIONS[number - 1]}"


def _points(band: BandAnswer) -> list[PointAnswer]:
    """Points to print, the lowest SWR merged with an edge or the centre where they are one."""
    from dataclasses import replace

    found = [band.low_edge, band.centre, band.high_edge]
    for k, point in enumerate(found):
        if abs(point.frequency - band.lowest.frequency) < 1e-6 * band.band.width:
            found[k] = replace(point, label=f"{point.label}, lowest SWR")
            return found
    return sorted([*found, band.lowest], key=lambda p: p.frequency)


def bandwidth_text(band: BandAnswer) -> str:
    """Width with an SWR of 2 or less."""
    if band.bandwidth is None:
        return "not reached"
    if band.is_whole_band:
        return "whole band"
    return f"{n.rounded(band.bandwidth / 1e3)} of {band.band.width / 1e3:.6g} kHz"


def load_lines(bands: Sequence[BandAnswer], width: int = 1000) -> list[str]:
    """Impedance, SWR, efficiency."""
    reference = bands[0].reference
    rows = [
        ["band", "at", "MHz", "impedance, ohm", f"SWR ({reference:g} ohm)", "efficiency",
         "SWR 2 or less"]
    ]  # fmt: skip
    for band in bands:
        for k, point in enumerate(_points(band)):
            rows.append(
                [
                    band.name if k == 0 else "",
                    point.label,
                    n.megahertz(point.frequency),
                    n.impedance(point.impedance),
                    n.swr(point.swr),
                    n.per_cent(point.efficiency),
                    bandwidth_text(band) if k == 0 else "",
                ]
            )
    return n.columns(rows, left=2, width=width)


def watt_lines(bands: Sequence[BandAnswer], width: int = 1000) -> list[str]:
    """Budget, radiation and loss resistance."""
    columns = watt_columns(bands)
    rows = [["band", *columns, "radiation R", "loss R"]]
    for k, band in enumerate(bands):
        cells = []
        for part in (values[k] for values in columns.values()):
            level = 10.0 * math.log10(part) if part > 0 else -math.inf
            cells.append(n.per_cent(part) + (f" ({n.decibels(level)} dB)" if part > 0 else ""))
        rows.append(
            [
                band.name,
                *cells,
                n.with_unit(band.radiation_resistance, "ohm"),
                n.with_unit(_loss(band), "ohm"),
            ]
        )
    return [*n.columns(rows, width=width), *_part_lines(bands, width)]


def _parts(band: BandAnswer, term: str) -> dict[str, float]:
    if term == "timbers":  # which older answers hold as well
        return {one.group: one.share for one in band.solid_losses}
    return {name: float(share) for name, share in band.budget.parts_of(term).items()}


def _part_lines(bands: Sequence[BandAnswer], width: int) -> list[str]:
    """Wires, pieces, groups and electrodes, a row each; nothing where there is only the antenna."""
    rows: list[list[str]] = []
    words = {"conductors": "wire and metal", "jackets": "jackets", "timbers": SOLIDS,
             "loads": "loads", "earth": "earth"}  # fmt: skip
    for term, word in words.items():
        names = dict.fromkeys(name for band in bands for name in _parts(band, term))
        if all(name in (ELEMENTS, OTHER_WIRES) for name in names):
            continue
        table = {name: [_parts(band, term).get(name, math.nan) for band in bands] for name in names}
        shown = list(table)
        if len(table) > MOST_PARTS:
            shown = sorted(table, key=lambda name: -max(table[name]))[:MOST_PARTS]
        for k, name in enumerate(shown):
            rows.append([f"{word}:" if k == 0 else "", name, *map(n.per_cent, table[name])])
        left = [values for name, values in table.items() if name not in shown]
        if left:
            sums = [sum(each) for each in zip(*left, strict=True)]
            rows.append(["", f"{len(left)} more together", *map(n.per_cent, sums)])
    if not rows:
        return []
    heads = ["of that in", "", *(band.name for band in bands)]
    return ["", *n.columns([heads, *rows], left=2, width=width)]


def _loss(band: BandAnswer) -> float:
    """Loss resistance, 0 where it is below what the budget can tell. [ohm]"""
    whole = abs(band.radiation_resistance + band.loss_resistance)
    return 0.0 if abs(band.loss_resistance) < 1e-6 * whole else band.loss_resistance


def end_names(band: BandAnswer) -> list[str]:
    """What to call the currents at the feed point; a wire that runs on through it has two."""
    names = [one.wire for one in band.node_currents]
    return [
        name if names.count(name) == 1 else f"{name} {'onward' if one.is_driven else 'back'}"
        for name, one in zip(names, band.node_currents, strict=True)
    ]


def current_lines(bands: Sequence[BandAnswer], width: int = 1000) -> list[str]:
    """Currents at the feed point: each element, the span of the radials, the sum."""
    named = list(zip(end_names(bands[0]), bands[0].node_currents, strict=True))
    elements = [name for name, one in named if one.is_driven]
    others = [one for one in bands[0].node_currents if not one.is_driven]
    label = (
        f"{len(others)} on the other side"
        if len(others) != 1
        else next(name for name, one in named if not one.is_driven)
    )
    if others and all(one.wire.startswith("radial") for one in others):
        label = f"each of {len(others)} radials"
    rows = [["band", *elements, *([label] if others else []), "sum of all"]]
    for band in bands:
        driven = [n.ampere(one.current) for one in band.node_currents if one.is_driven]
        rest = [abs(one.current) for one in band.node_currents if not one.is_driven]
        span = []
        if len(rest) == 1:
            span = [n.ampere(next(o.current for o in band.node_currents if not o.is_driven))]
        elif rest:
            span = [f"{n.rounded(min(rest))} to {n.rounded(max(rest))}"]
        rows.append([band.name, *driven, *span, n.ampere(band.hub_sum)])
    return n.columns(rows, width=width)


def angle_lines(bands: Sequence[BandAnswer], width: int = 1000) -> list[str]:
    """Shares of the radiated power and gain."""
    low, high = bands[0].angle_limits
    way = "bearing" if bands[0].has_bearings else "azimuth"
    cut = f"{bands[0].low_angle_deg:g} deg up"
    rows = [
        ["band", f"below {low:g}", f"{low:g} to {high:g}", f"above {high:g}", "most, dBi", "up",
         way, f"best {cut}", f"worst {cut}"]
    ]  # fmt: skip
    for band in bands:
        overhead = band.elevation_deg > 85.0
        rows.append(
            [
                band.name,
                *(n.per_cent(share) for share in band.shares),
                n.decibels(band.gain_dbi),
                n.angle(band.elevation_deg),
                "overhead" if overhead else n.bearing(band.bearing_deg),
                *(
                    f"{n.decibels(gain)} at {n.bearing(band.direction(azimuth))}"
                    for gain, azimuth in (band.lobe, band.null)
                ),
            ]
        )
    return n.columns(rows, width=width)


def is_free(band: BandAnswer) -> bool:
    """Whether there is nothing below: no ground, no horizon."""
    return band.ground is None


def _whole_sphere(bands: Sequence[BandAnswer]) -> str:
    """A word on free space, where the low angles hold what goes down as well."""
    if not is_free(bands[0]):
        return ""
    return f" (below {bands[0].angle_limits[0]:g} includes all that goes below the horizon)"


def efficiency_note(bands: Sequence[BandAnswer]) -> str:
    """What efficiency counts, where a ground takes its part; else nothing."""
    if all(_is_nothing(float(band.budget.earth)) for band in bands):
        return ""
    return (
        "Efficiency is the part that reaches the sky; the rest includes what the ground absorbs, "
        "far from the house too: even a lossless half-wave vertical just above average ground "
        "shows about 25 %."
    )


def named_point_lines(bands: Sequence[BandAnswer], width: int = 1000) -> list[str]:
    """Current at every named point, and the potential of open ends; none without any."""
    if not any(band.named_points for band in bands):
        return []
    rows = [["band", "point", "on", "at, m", "amperes", "potential"]]
    for band in bands:
        for k, one in enumerate(band.named_points):
            rows.append(
                [
                    band.name if k == 0 else "",
                    one.point,
                    one.wire,
                    f"{one.at:.2f}",
                    "open end" if one.is_open_end else n.with_unit(abs(one.current), "A RMS"),
                    n.with_unit(abs(one.potential), "V RMS"),
                ]
            )
    power = bands[0].power
    ends = any(one.is_open_end for band in bands for one in band.named_points)
    note = (
        " The potential of an open end is that against a point far away, by the charges on the "
        "wires; what a person or an appliance beside it feels depends on the way between."
    )
    return [
        *wrapped(f"At named points, {power:g} W into the feed point.{note * ends}", width),
        *n.columns(rows, left=3, width=width),
    ]


def safety_lines(bands: Sequence[BandAnswer], width: int) -> list[str]:
    """Volts and amperes at the feed point and at named points, then the cautions."""
    power = bands[0].power
    rows = [["band", f"volts at {power:g} W", "peak", "amperes"]]
    for band in bands:
        volts = abs(band.feed_voltage)
        rows.append(
            [
                band.name,
                n.with_unit(volts, "V RMS"),
                n.with_unit(math.sqrt(2.0) * volts, "V"),
                n.with_unit(abs(band.feed_current), "A RMS"),
            ]
        )
    lines = [
        "  At the feed point:",
        *n.columns(rows, width=width),
        *voltage_lines(bands, width),
        *named_point_lines(bands, width),
    ]
    for caution in CAUTIONS:
        lines += wrapped(caution, width, first="  - ", rest="    ")
    return lines


def sureness_lines(answer: Answer, width: int) -> list[str]:
    """Error estimates, what the model leaves out, what to do next."""
    bands = answer.bands
    rows = [["band", "mesh", "curve", "watts not accounted for"]]
    for band in bands:
        rows.append(
            [
                band.name,
                n.per_cent(band.error_estimate),
                n.per_cent(band.interpolation_error),
                n.per_cent(band.balance_error),
            ]
        )
    lines = wrapped(
        "Errors of the computing alone: the mesh's estimated error of the impedance at the "
        "centre, the error found between computed points of the curve, and what the power "
        "budget leaves over.",
        width,
    )
    lines += n.columns(rows, width=width)
    lines += wrapped(
        "The house is surely worse known than that: timber, foil, ducts and cables that nobody "
        "told of are not in this answer, and what was assumed may be off. Take the difference "
        "between two layouts as more certain than either number alone.",
        width,
    )
    if answer.assumptions and answer.assumptions[0].weight >= WORTH_FINDING_OUT:
        worst = answer.assumptions[0]
        lines += wrapped(
            f"Find out first: {worst.what} (assumed: {worst.value}). Then compare two layouts:",
            width,
        )
    else:
        lines += wrapped("Next, compare two layouts:", width)
    return [*lines, *next_lines(answer, width)]


def next_lines(answer: Answer, width: int) -> list[str]:
    """How to compare this layout with another one, keeping both."""
    if not answer.text:
        return wrapped(
            "answer the scene with one wire changed as well, and give both answers to `compare`.",
            width,
        )
    name = f"{answer.name}.toml"
    return [
        *wrapped(
            f"copy {name} as other.toml, change one length there and leave {name} as it is, then",
            width,
        ),
        f"    ridgepole compare {_quoted(name)} other.toml",
    ]


def _quoted(name: str) -> str:
    return f'"{name}"' if " " in name else name


def opening_lines(answer: Answer, width: int) -> list[str]:
    """What was answered, what was assumed, what is doubtful."""
    elements = [wire for wire in answer.wires if wire.is_element]
    own = [wire for wire in answer.wires if not wire.piece]
    others = [wire for wire in own if not wire.is_element]
    total = sum(wire.length for wire in own)
    parts = [
        f"{len(elements)} element{'s' * (len(elements) != 1)} ("
        + ", ".join(f"{wire.name} {wire.length:.2f} m" for wire in elements)
        + ")"
    ]
    if others:
        radials = all(wire.name.startswith("radial") for wire in others)
        several = "s" * (len(others) != 1)
        parts.append(f"{len(others)} {'radial' if radials else 'other wire'}{several}")
    pieces = list(dict.fromkeys(wire.piece for wire in answer.wires if wire.piece))
    metal = f" In the house besides: {', '.join(pieces)}." if pieces else ""
    way = (
        "Directions are true compass bearings"
        if answer.house is not None
        else "Directions are azimuths, counter-clockwise from +x"
    )
    lines = [f"Answer for {answer.name}", ""]
    lines += wrapped(
        f"{', '.join(parts)}, {total:.0f} m of wire in all, {answer.place}.{metal} SWR refers to "
        f"{answer.reference:g} ohm; volts and amperes to {answer.power:g} W into the feed point. "
        f"{way}, angles count from the horizon. Gain is relative to an isotropic radiator, all "
        "losses up to the feed point counted, no mismatch.",
        width,
    )
    lines.append("")
    station = () if answer.station is None else answer.station.assumptions
    assumptions = sorted((*answer.assumptions, *station), key=lambda a: -a.weight)
    if assumptions:
        lines.append("Assumed, the worst first")
        for assumption in assumptions:
            lines += wrapped(str(assumption), width, first="  - ", rest="    ")
    else:
        lines.append("Nothing had to be assumed.")
    if answer.remarks:
        lines += ["", "Worth a second look"]
        for remark in answer.remarks:
            lines += wrapped(remark, width, first="  - ", rest="    ")
    return lines


def answer_text(answer: Answer, *, width: int = 100) -> str:
    """The printed answer."""
    from . import station_page

    bands, station = answer.bands, answer.station
    lines = opening_lines(answer, width)
    lines += ["", _head(1), *load_lines(bands, width)]
    if station is not None:
        lines += station_page.tuner_lines(station, width)
    lines += ["", _head(2)]
    lines += wrapped("Per cent of the input at each band's centre (dB relative to it):", width)
    lines += watt_lines(bands, width)
    lines += wrapped(efficiency_note(bands), width)
    lines += wrapped(
        "Currents away from the feed point, A RMS and phase against its voltage:", width
    )
    lines += current_lines(bands, width)
    if station is not None:
        lines += station_page.ladder_lines(station, width)
    lines += ["", _head(3)]
    lines += wrapped(
        f"Shares of the radiated power by angle above the horizon, deg{_whole_sphere(bands)}:",
        width,
    )
    lines += angle_lines(bands, width)
    if station is not None:
        lines += station_page.reach_lines(station, width)
        lines += station_page.noise_lines(station, width)
    lines += ["", _head(4), *safety_lines(bands, width)]
    lines += ["", _head(5), *sureness_lines(answer, width)]
    return "\n".join(lines)


def band_text(band: BandAnswer) -> str:
    """One band by the five questions, with every current at the feed point."""
    one = [band]
    lines = [str(band.band), "", _head(1), *load_lines(one), "", _head(2), *watt_lines(one)]
    lines.append("  Currents away from the feed point, A RMS and phase against its voltage:")
    rows = [["wire", "current"]]
    rows += [
        [name, n.ampere(one.current)]
        for name, one in zip(end_names(band), band.node_currents, strict=True)
    ]
    rows.append(["sum of all", n.ampere(band.hub_sum)])
    lines += n.columns(rows, left=2, indent=4)
    lines += ["", _head(3), *angle_lines(one)]
    volts = abs(band.feed_voltage)
    lines += [
        "",
        _head(4),
        f"  {n.with_unit(volts, 'V RMS')} at the feed point for {band.power:g} W.",
        *voltage_lines(one),
        *named_point_lines(one),
        "",
        _head(5),
        f"  Impedance within {n.per_cent(band.error_estimate)} as far as the mesh goes; the house "
        "is worse known.",
    ]
    return "\n".join(lines)


def answer_columns(answer: Answer) -> dict[str, list[Any]]:
    """Columns for a data frame: one row a band and point."""
    found: dict[str, list[Any]] = {}
    for band in answer.bands:
        for point in band.points:
            row = {
                "band": band.name,
                "at": point.label,
                "frequency_hz": point.frequency,
                "resistance_ohm": point.impedance.real,
                "reactance_ohm": point.impedance.imag,
                f"swr_{answer.reference:g}": point.swr,
                "efficiency": point.efficiency,
            }
            for key, value in row.items():
                found.setdefault(key, []).append(value)
    return found


def answer_html(answer: Answer) -> str:
    """A compact table: one row a band, the columns grouped by question."""
    columns = watt_columns(answer.bands)
    low, high = answer.bands[0].angle_limits
    heads = [
        "band", "centre, MHz", "impedance, ohm", f"SWR ({answer.reference:g} ohm)", "lowest SWR",
        "SWR 2 or less", *columns, f"below {low:g} deg", f"{low:g} to {high:g} deg",
        f"above {high:g} deg", "most, dBi", "up, deg",
        "bearing, deg" if answer.house is not None else "azimuth, deg",
        f"volts at {answer.power:g} W", "error of the mesh",
    ]  # fmt: skip
    spans = (("", 1), (QUESTIONS[0], 5), (QUESTIONS[1], len(columns)), (QUESTIONS[2], 6),
             (QUESTIONS[3], 1), (QUESTIONS[4], 1))  # fmt: skip
    body = ""
    for k, band in enumerate(answer.bands):
        cells = [
            band.name, n.megahertz(band.centre.frequency), n.impedance(band.centre.impedance),
            n.swr(band.centre.swr), n.swr(band.lowest.swr), bandwidth_text(band),
            *(n.per_cent(values[k]) for values in columns.values()),
            *(n.per_cent(share) for share in band.shares), n.decibels(band.gain_dbi),
            n.angle(band.elevation_deg), n.bearing(band.bearing_deg),
            n.rounded(abs(band.feed_voltage)), n.per_cent(band.error_estimate),
        ]  # fmt: skip
        body += "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in cells) + "</tr>"
    top = "".join(f"<th colspan='{k}'>{html.escape(text)}</th>" for text, k in spans)
    row = "".join(f"<th>{html.escape(head)}</th>" for head in heads)
    assumed = "; ".join(html.escape(str(a)) for a in answer.assumptions) or "nothing"
    return (
        f"<p><b>{html.escape(answer.name)}</b> {html.escape(answer.place)}. "
        f"Assumed, the worst first: {assumed}.</p>"
        f"<table><thead><tr>{top}</tr><tr>{row}</tr></thead><tbody>{body}</tbody></table>"
        f"<p>{html.escape(CAUTIONS[0])} {html.escape(CAUTIONS[1])}</p>"
    )


def comparison_text(comparison: Comparison, *, width: int = 100) -> str:
    """The printed comparison: one table, the best of each band first."""
    if comparison.point:
        return _point_comparison_text(comparison, width=width)
    first = comparison.rows[0]
    way = "bearing" if comparison.has_bearings else "azimuth"
    heads = [
        f"{at.elevation_deg:g} deg up"
        + ("" if at.direction_deg is None else f", {way} {n.bearing(at.direction_deg)}")
        for at in first.angles
    ]
    rows = [["band", "layout", *heads, "mean", "efficiency", "lowest SWR"]]
    band = ""
    for row in comparison.rows:
        rows.append(
            [
                row.band if row.band != band else "",
                row.layout,
                *(_difference(at.difference) for at in row.angles),
                _difference(row.mean_difference),
                n.per_cent(row.efficiency),
                n.swr(row.lowest_swr),
            ]
        )
        band = row.band
    spread = "averaged over all bearings" if first.angles[0].direction_deg is None else "there"
    lines = wrapped(
        f"Gain {spread} against {comparison.first!r}, in dB and (S-units of 6 dB), the best of "
        f"each band first; SWR refers to {comparison.reference:g} ohm. All losses up to the feed "
        "point are counted, mismatch is not: read the SWR beside it.",
        width,
        first="",
        rest="",
    )
    lines += n.columns(rows, left=2, width=width)
    lines += _house_lines(comparison, width)
    over_all = ", ".join(f"{name} {n.decibels(mean)} dB" for name, mean in comparison.ranking)
    lines += wrapped(f"Over all bands and angles: {over_all}.", width, first="", rest="")
    if comparison.left_out:
        names = ", ".join(comparison.left_out)
        lines += wrapped(f"Not compared, not in every answer: {names}.", width, first="", rest="")
    return "\n".join(lines)


def _point_comparison_text(comparison: Comparison, *, width: int) -> str:
    rows = [["band", "layout", f"A at {comparison.point}", "dB", "efficiency", "lowest SWR"]]
    band = ""
    for row in comparison.rows:
        rows.append(
            [
                row.band if row.band != band else "",
                row.layout,
                n.rounded(row.point_current),
                n.decibels(row.point_difference),
                n.per_cent(row.efficiency),
                n.swr(row.lowest_swr),
            ]
        )
        band = row.band
    over_all = ", ".join(f"{name} {n.decibels(mean)} dB" for name, mean in comparison.ranking)
    lines = wrapped(
        f"Current at {comparison.point!r}, A RMS for {comparison.power:g} W into the feed point, "
        f"and in dB against {comparison.first!r}; the least of each band first. SWR refers to "
        f"{comparison.reference:g} ohm.",
        width, first="", rest="",
    )  # fmt: skip
    lines += n.columns(rows, left=2, width=width)
    lines += _house_lines(comparison, width)
    lines += wrapped(f"Over all bands: {over_all}.", width, first="", rest="")
    if comparison.left_out:
        names = ", ".join(comparison.left_out)
        lines += wrapped(f"Not compared, not in every answer: {names}.", width, first="", rest="")
    return "\n".join(lines)


def _house_lines(comparison: Comparison, width: int) -> list[str]:
    """Which houses differ, so that nobody takes it for the antenna's doing."""
    lines = []
    for layout, tables in comparison.house_differs:
        lines += wrapped(
            f"The houses differ: {layout!r} against {comparison.first!r} in "
            f"{', '.join(f'[{name}]' for name in tables)}. Part of the difference is the house's, "
            "not the antenna's.",
            width, first="", rest="",
        )  # fmt: skip
    return lines


def _difference(value: float) -> str:
    return f"{n.decibels(value)} ({n.decibels(value / 6.0)} S)"
