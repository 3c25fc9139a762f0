"""Fields in rooms: text, table and JSON."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any

import numpy as np

from . import numbers as n
from .json_form import FORMAT_VERSION, number
from .tables import wrapped

if TYPE_CHECKING:
    from ..station.exposure_records import Exposure, PlaneExposure, RoomExposure

CAUTION = (
    "An estimate to plan by, not a compliance statement. It knows of house, wires and ground only "
    "what it was told, and takes the rooms to be empty of people and furniture. Local rules and "
    "licensed practice decide: work out your compliance with the limits of your country, or have "
    "it worked out, before you transmit."
)

TOLD_PIECES = 3
TOLD_CHANGE = 0.05
"""Pieces that change the part of the limit by less are not told in the text."""

MARK = "*"


def sending_in_words(found: Exposure) -> str:
    """Power, mode and times."""
    sending = found.sending
    turns = "sending all the time"
    if sending.minutes_on is not None:
        turns = f"{sending.minutes_on:g} min sending, {sending.minutes_off:g} min listening in turn"
    mode = sending.mode
    if not mode.startswith("duty factor"):
        mode += f" (duty factor {sending.duty:g})"
    return f"{sending.power:g} W into the feed point at the peaks, {mode}, {turns}"


def _watts(value: float) -> str:
    return "over 10000" if value > 1e4 else n.rounded(value)


def _distance(one: RoomExposure) -> str:
    from ..station.room_points import LEAST_DISTANCE

    if one.complying_distance != one.complying_distance:
        return "nowhere"
    if one.complying_distance <= LEAST_DISTANCE * 1.0001:
        return f"{LEAST_DISTANCE:g} or less"
    return f"{one.complying_distance:.2f}"


def _point(row: PlaneExposure) -> str:
    x, y, _ = row.worst_point
    return f"{x:.2f}, {y:.2f}"


HEADS = (
    "band", "limits", "part of limit", "by", "plane, m", "worst at x, y", "to wire, m", "E, V/m",
    "H, A/m", "body", "complies up to, W", "beyond, m",
)  # fmt: skip


def _cells(one: RoomExposure) -> list[str]:
    row = one.worst
    part = n.per_cent(row.fraction)
    if row.is_extrapolated or row.is_beside_solid:
        part += f" {MARK} ({n.per_cent(row.clear_fraction)})"
    return [
        row.band,
        row.limits,
        part,
        row.worst_field,
        f"{row.plane:g}",
        _point(row),
        f"{row.distance:.2f}",
        n.rounded(row.electric),
        _small(row.magnetic),
        n.per_cent(one.body_average),
        _watts(row.complying_power),
        _distance(one),
    ]


def _small(value: float) -> str:
    return f"{value:.2g}" if value < 0.1 else n.rounded(value)


def summary_sentence(found: Exposure) -> str:
    """Whether all is within, and how far."""
    worst = found.worst_of()
    row = worst.worst
    where = f"{row.room}, {row.band}, {row.limits}"
    aside, power = "", found.clear_complying_power
    if power > 1.01 * found.complying_power:
        aside = f" Extrapolated points beside wires left aside, that is {_watts(power)} W."
    over = dict.fromkeys(
        f"{one.worst.room} on {one.worst.band}" for one in found.worst if not one.worst.complies
    )
    if not over:
        return (
            f"By this estimate the fields are within every limit that was looked at; the most is "
            f"{n.per_cent(row.fraction)} ({where}). They would be up to "
            f"{_watts(found.complying_power)} W.{aside}"
        )
    named = "; ".join(list(over)[:8]) + ("; ..." if len(over) > 8 else "")
    return (
        f"By this estimate fields are above a limit in {named}. The most is "
        f"{n.per_cent(row.fraction)} ({where}). All are within the limits at "
        f"{_watts(found.complying_power)} W or less.{aside}"
    )


def exposure_text(found: Exposure, *, width: int = 100) -> str:
    """The printed form: a table a room, a row a band and set of limits."""
    lines = [f"Fields in the rooms of {found.name}", ""]
    lines += wrapped(CAUTION, width, first="", rest="")
    lines += ["", *wrapped(f"Sent: {sending_in_words(found)}.", width, first="", rest="")]
    lines += wrapped(summary_sentence(found), width, first="", rest="")
    for room in found.rooms:
        own = [one for one in found.worst if one.worst.room == room.name]
        lines += ["", str(room)]
        lines += n.columns([list(HEADS), *map(_cells, own)], left=2, width=width)
        lines += _probe_lines(found, room.name, width)
        lines += _piece_lines(found, room.name, width)
    lines += ["", "How to read it"]
    for note in _notes(found):
        lines += wrapped(note, width, first="  - ", rest="    ")
    if found.assumptions:
        lines += ["", "Assumed, the worst first"]
        for one in found.assumptions:
            lines += wrapped(str(one), width, first="  - ", rest="    ")
    if found.remarks:
        lines += ["", "Worth a second look"]
        for remark in found.remarks:
            lines += wrapped(remark, width, first="  - ", rest="    ")
    return "\n".join(lines)


def _notes(found: Exposure) -> list[str]:
    from ..station.room_points import BESIDE_SOLID, LEAST_DISTANCE

    averaging = "; ".join(
        f"{one.name}: averaged over {one.averaging_minutes:g} min"
        if one.is_averaged
        else f"{one.name}: at every instant, so that duty factor and pauses do not count"
        for one in found.limits
    )
    notes = [
        "Part of limit: greatest field of all three components together over its limit, RMS over "
        f"the averaging time, E or H whichever is more. {averaging}.",
        "E and H: greatest in that plane while the greatest power is sent, RMS, wherever they are. "
        "Body: squares averaged over the planes, one above another, where that is worst, of limits "
        "that are averaged over time. Beyond: "
        "distance from the nearest wire, along the line through the worst point, past which the "
        "field complies; nowhere: not on that line above the ground.",
        f"Points on a grid of {found.step:g} m; the greatest field between them is not looked for.",
    ]
    doubted = found.n_extrapolated + found.n_beside_solid
    if doubted:
        notes.append(
            f"{MARK} or dots in a map: extrapolated, with the most elsewhere in that plane in "
            f"brackets. {found.n_extrapolated} of {found.n_points} "
            f"points are nearer than {LEAST_DISTANCE:g} m to a wire, {found.n_beside_solid} within "
            f"{BESIDE_SOLID:g} m of timber or a sheet."
        )
    return notes


def _probe_lines(found: Exposure, room: str, width: int) -> list[str]:
    """A row a band: what single-axis probes read at most, in any plane."""
    rows = [["greatest on one axis", "Ex", "Ey", "Ez", "turned", "Hx", "Hy", "Hz", "turned"]]
    for band in found.bands:
        own = [row for row in found.planes if row.room == room and row.band == band]
        if not own:
            continue
        electric = np.max([[*row.electric_parts, row.electric_axis] for row in own], axis=0)
        magnetic = np.max([[*row.magnetic_parts, row.magnetic_axis] for row in own], axis=0)
        rows.append([f"{band}, V/m and A/m", *map(n.rounded, electric), *map(_small, magnetic)])
    return n.columns(rows, left=1, width=width)


def _piece_lines(found: Exposure, room: str, width: int) -> list[str]:
    """The few pieces of metal that matter most where the room is worst."""
    if not found.pieces:
        return []
    row = found.worst_of(room).worst
    told = [
        one
        for one in row.without
        if one.fraction == one.fraction and abs(one.fraction / row.fraction - 1.0) > TOLD_CHANGE
    ]
    most = f"{n.per_cent(row.fraction)} on {row.band} ({row.limits})"
    if not told:
        return wrapped(
            f"No piece of metal of the house changes its {most} by more than "
            f"{n.per_cent(TOLD_CHANGE)} of itself.",
            width,
        )
    words = "; ".join(
        f"without {one.piece} {n.per_cent(one.fraction)}" for one in told[:TOLD_PIECES]
    )
    more = len(told) - TOLD_PIECES
    rest = f"; {more} more pieces change it by over {n.per_cent(TOLD_CHANGE)}" if more > 0 else ""
    return wrapped(f"Its {most} would be: {words}{rest}.", width)


def exposure_html(found: Exposure) -> str:
    """One table: a row a room, band and set of limits."""
    top = "".join(f"<th>{html.escape(one)}</th>" for one in ("room", *HEADS))
    body = ""
    for one in found.worst:
        cells = [one.worst.room, *_cells(one)]
        body += "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in cells) + "</tr>"
    notes = "".join(f"<p>{html.escape(note)}</p>" for note in _notes(found))
    return (
        f"<p><b>{html.escape(found.name)}</b>: {html.escape(sending_in_words(found))}.</p>"
        f"<p>{html.escape(summary_sentence(found))}</p><p><b>{html.escape(CAUTION)}</b></p>"
        f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>{notes}"
    )


def _flat(row: PlaneExposure) -> dict[str, Any]:
    values: dict[str, Any] = {
        "room": row.room, "who": row.who, "band": row.band, "frequency_hz": row.frequency,
        "limits": row.limits, "plane_m": row.plane, "level_m": row.level,
        "fraction": row.fraction, "electric_fraction": row.electric_fraction,
        "magnetic_fraction": row.magnetic_fraction, "complies": row.complies,
        "complying_power_w": row.complying_power, "power_w": row.power,
        "averaged_part": row.averaged_part, "averaging_minutes": row.averaging_minutes,
        "electric_v_per_m": row.electric, "magnetic_a_per_m": row.magnetic,
    }  # fmt: skip
    for label, parts, axis, unit in (
        ("electric", row.electric_parts, row.electric_axis, "v_per_m"),
        ("magnetic", row.magnetic_parts, row.magnetic_axis, "a_per_m"),
    ):
        for letter, value in zip("xyz", parts, strict=True):
            values[f"{label}_{letter}_{unit}"] = value
        values[f"{label}_one_axis_{unit}"] = axis
    for letter, value in zip("xyz", row.worst_point, strict=True):
        values[f"worst_{letter}_m"] = value
    return values | {
        "nearest_wire": row.nearest_wire,
        "distance_m": row.distance,
        "is_extrapolated": row.is_extrapolated,
        "is_beside_solid": row.is_beside_solid,
        "clear_fraction": row.clear_fraction,
    }


def exposure_columns(found: Exposure) -> dict[str, list[Any]]:
    """Columns for a data frame: one row a plane, band and set of limits."""
    columns: dict[str, list[Any]] = {}
    for row in found.planes:
        for key, value in _flat(row).items():
            columns.setdefault(key, []).append(value)
    return columns


def exposure_form(found: Exposure) -> dict[str, Any]:
    """The same as nested dicts and lists, null for what is not known."""

    def plain(value: Any) -> Any:
        return number(value) if isinstance(value, float) else value

    sending = found.sending
    return {
        "format_version": FORMAT_VERSION,
        "library_version": found.version,
        "name": found.name,
        "caution": CAUTION,
        "power_w": sending.power,
        "mode": sending.mode,
        "duty": sending.duty,
        "minutes_on": sending.minutes_on,
        "minutes_off": sending.minutes_off,
        "step_m": found.step,
        "points": found.n_points,
        "points_extrapolated": found.n_extrapolated,
        "points_beside_solids": found.n_beside_solid,
        "unknowns": found.unknowns,
        "complying_power_w": number(found.complying_power),
        "clear_complying_power_w": number(found.clear_complying_power),
        "assumed": [{"what": a.what, "value": a.value, "why": a.why} for a in found.assumptions],
        "doubts": list(found.remarks),
        "rooms": [
            {
                "room": room.name,
                "who": room.who,
                "corners_m": room.outline.tolist(),
                "floor_m": room.floor_level,
                "planes_m": list(room.planes),
            }
            for room in found.rooms
        ],
        "worst": [
            {
                "room": one.worst.room,
                "band": one.worst.band,
                "limits": one.worst.limits,
                "plane_m": one.worst.plane,
                "fraction": number(one.worst.fraction),
                "body_average": number(one.body_average),
                "complying_distance_m": number(one.complying_distance),
                "complying_power_w": number(one.worst.complying_power),
            }
            for one in found.worst
        ],
        "planes": [
            {key: plain(value) for key, value in _flat(row).items()}
            | {
                "without": [
                    {"piece": one.piece, "fraction": number(one.fraction), "reason": one.reason}
                    for one in row.without
                ]
            }
            for row in found.planes
        ],
    }
