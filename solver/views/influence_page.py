"""What each piece of the house does: text, table, JSON and bars."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any

import numpy as np

from . import numbers as n
from .figures import INK, head, new_axes, tidy
from .json_form import FORMAT_VERSION, number
from .numbers import wrapped

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..study.influence_records import Influence, InfluenceRow, MoistureRow, State
    from ..study.resonance import Shift

KIND_COLOURS = {"metal": "#0b4f8a", "timber": "#c9b38a", "sheet": "#d1641b"}
MOST_BARS = 20


def _points(change: float) -> str:
    """A change of a part of 1, in percentage points."""
    return n.NOT_KNOWN if change != change else f"{100.0 * change:+.2f}"


def _shift(shift: Shift, per_cent: float) -> str:
    if shift.by != shift.by:
        return n.NOT_KNOWN
    return f"{shift.by / 1e3:+.1f} ({per_cent:+.2f} %)"


def _cells(row: InfluenceRow) -> list[str]:
    change = row.impedance_change
    return [
        n.signed(change.real),
        n.signed(change.imag),
        _points(row.efficiency_change),
        *(_points(one) for one in row.share_changes),
        _shift(row.shift, row.shift_per_cent),
        n.with_unit(1e3 * row.current, "mA"),
        n.per_cent(row.watts),
    ]


def _heads(found: Influence) -> list[str]:
    low, high = found.angle_limits
    return [
        "R, ohm", "X, ohm", "efficiency, points", f"below {low:g}", f"{low:g} to {high:g}",
        f"above {high:g}", "resonance, kHz", "current at 1 W", "heat",
    ]  # fmt: skip


def _state(state: State) -> str:
    shares = ", ".join(n.per_cent(share) for share in state.shares)
    return (
        f"{n.impedance(state.impedance)} ohm, efficiency {n.per_cent(state.efficiency)}, low, "
        f"middle and high angles {shares}"
    )


def _moisture_lines(row: MoistureRow, width: int) -> list[str]:
    dry, wet = f"{100.0 * row.dry_moisture:g} %", f"{100.0 * row.wet_moisture:g} %"
    moved = row.shift.reason or f"{row.shift.by / 1e3:+.1f} kHz"
    change = row.wet.impedance - row.dry.impedance
    shares = ", ".join(
        _points(wet_share - dry_share)
        for dry_share, wet_share in zip(row.dry.shares, row.wet.shares, strict=True)
    )
    return wrapped(
        f"Timber at {dry} moisture: {_state(row.dry)}, heat {n.per_cent(row.dry_watts)}. At {wet} "
        f"against that: R {n.signed(change.real)} ohm, X {n.signed(change.imag)} ohm; in points, "
        f"efficiency {_points(row.wet.efficiency - row.dry.efficiency)}, low, middle and high "
        f"angles {shares}, heat {_points(row.wet_watts - row.dry_watts)}. Drying from {wet} to "
        f"{dry} moves the resonance: {moved}.",
        width,
    )


def current_place(row: InfluenceRow) -> str:
    """Where the greatest current flows, in the words of the file."""
    wire, at = row.current_at
    if wire == row.piece:
        return f"at {at:.2f} m along it"
    x, y, z = row.current_point
    lead, _, to = wire.partition(f"{row.piece} to ")
    what = f"in its lead to {to}" if to and not lead else "in its grid"
    return f"{what}, at ({x:.2f}, {y:.2f}) m in the plan, {z:.2f} m above ground"


def influence_text(found: Influence, *, width: int = 100) -> str:
    """The printed form: a table a band, the greatest effect first."""
    lines = [f"What the house does, for {found.name}", ""]
    lines += wrapped(
        "Each figure is with the piece less without it, at the band's centre: a negative shift "
        "says that the piece lowers the resonance. Efficiency and angles are in percentage points. "
        "The current is the greatest along a piece of metal, RMS at 1 W into the feed point "
        "(times 10 at 100 W); heat is the part of the input that a group of timber or sheets "
        "takes.",
        width,
        first="",
        rest="",
    )
    moistures = {row.band: row for row in found.moisture}
    for band in found.bands:
        own = [row for row in found.rows if row.band == band]
        lines += ["", f"{band}, {n.megahertz(own[0].frequency)} MHz"]
        lines += wrapped(f"With everything: {_state(own[0].whole)}.", width)
        reference = own[0].resonance
        what = (
            f"Resonance at {n.megahertz(reference.frequency)} MHz."
            if reference.is_resonance
            else "No resonance within reach: shifts are those of the frequency at which the "
            f"reactance is {n.rounded(reference.reactance)} ohm, as it is at the centre."
        )
        lines += wrapped(what, width)
        rows = [["piece", *_heads(found)], *([row.piece, *_cells(row)] for row in own)]
        lines += n.columns(rows, left=1, width=width)
        for row in own:
            if row.current_at[0] and len(own) <= MOST_BARS:
                lines += wrapped(
                    f"{row.piece}: greatest current {n.rounded(1e3 * row.current)} mA "
                    f"{current_place(row)}.",
                    width,
                )
        reasons: dict[str, list[str]] = {}
        for row in own:
            if reason := row.reason or row.shift.reason:
                reasons.setdefault(reason, []).append(row.piece)
        for reason, pieces in reasons.items():
            lines += wrapped(f"No figure for {', '.join(pieces)}: {reason}.", width)
        if band in moistures:
            lines += _moisture_lines(moistures[band], width)
    return "\n".join(lines)


def influence_html(found: Influence) -> str:
    """One table: a row a band and piece."""
    heads = ["band", "piece", *_heads(found)]
    body = ""
    for row in found.rows:
        cells = [row.band, row.piece, *_cells(row)]
        body += "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in cells) + "</tr>"
    top = "".join(f"<th>{html.escape(one)}</th>" for one in heads)
    pairs = "".join(
        f"<p>{html.escape(row.band)}: {html.escape(' '.join(_moisture_lines(row, 10000)).strip())}"
        "</p>"
        for row in found.moisture
    )
    return (
        f"<p><b>{html.escape(found.name)}</b>: each figure is with the piece less without it, at "
        "the band's centre; currents at 1 W into the feed point.</p>"
        f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>{pairs}"
    )


def influence_columns(found: Influence) -> dict[str, list[Any]]:
    """Columns for a data frame: one row a band and piece."""
    columns: dict[str, list[Any]] = {}
    for row in found.rows:
        for key, value in _flat(row).items():
            columns.setdefault(key, []).append(value)
    return columns


def _flat(row: InfluenceRow) -> dict[str, Any]:
    values: dict[str, Any] = {
        "band": row.band, "piece": row.piece, "kind": row.kind, "rank": row.rank,
        "effect": row.effect, "frequency_hz": row.frequency,
    }  # fmt: skip
    for label, state in (("with", row.whole), ("without", row.without)):
        values[f"resistance_{label}_ohm"] = state.impedance.real
        values[f"reactance_{label}_ohm"] = state.impedance.imag
        values[f"efficiency_{label}"] = state.efficiency
        for angle, share in zip(("low", "middle", "high"), state.shares, strict=True):
            values[f"{angle}_share_{label}"] = share
    return values | {
        "resonance_hz": row.resonance.frequency,
        "reactance_at_resonance_ohm": row.resonance.reactance,
        "shift_hz": row.shift.by,
        "shift_per_cent": row.shift_per_cent,
        "current_a_at_1_w": row.current,
        "current_on": row.current_at[0],
        "current_at_m": row.current_at[1],
        "current_x_m": row.current_point[0],
        "current_y_m": row.current_point[1],
        "current_z_m": row.current_point[2],
        "heat_w_per_w": row.watts,
        "reason": row.reason or row.shift.reason,
    }


def influence_form(found: Influence) -> dict[str, Any]:
    """The same as nested dicts and lists, null for what is not known."""

    def plain(value: Any) -> Any:
        return number(value) if isinstance(value, float) else value

    def state(one: State) -> dict[str, Any]:
        return {
            "resistance_ohm": number(one.impedance.real),
            "reactance_ohm": number(one.impedance.imag),
            "efficiency": number(one.efficiency),
            "shares_of_radiated": [number(share) for share in one.shares],
        }

    return {
        "format_version": FORMAT_VERSION,
        "name": found.name,
        "unknowns": found.unknowns,
        "angle_limits_deg": list(found.angle_limits),
        "ranking": [{"piece": piece, "effect": number(effect)} for piece, effect in found.ranking],
        "rows": [{key: plain(value) for key, value in _flat(row).items()} for row in found.rows],
        "moisture": [
            {
                "band": row.band,
                "dry_moisture": row.dry_moisture,
                "wet_moisture": row.wet_moisture,
                "dry": state(row.dry),
                "wet": state(row.wet),
                "dry_heat_w_per_w": number(row.dry_watts),
                "wet_heat_w_per_w": number(row.wet_watts),
                "shift_hz": number(row.shift.by),
                "reason": row.shift.reason,
            }
            for row in found.moisture
        ],
    }


def draw_influence(found: Influence, ax: Axes | None = None) -> Axes:
    """Bars of the greatest effect on any band, the greatest on top; metal, timber and sheets."""
    from matplotlib.patches import Patch

    known = [(piece, effect) for piece, effect in found.ranking if effect == effect]
    shown = known[:MOST_BARS]
    ax = new_axes(6.4, 1.4 + 0.26 * max(len(shown), 2)) if ax is None else ax
    kinds = {row.piece: row.kind for row in found.rows}
    places = np.arange(len(shown))[::-1]
    values = [100.0 * effect for _, effect in shown]
    ax.barh(places, values, height=0.7, color=[KIND_COLOURS[kinds[piece]] for piece, _ in shown])
    for place, value, (piece, _) in zip(places, values, shown, strict=True):
        rows = [row for row in found.rows if row.piece == piece]
        band = max(rows, key=lambda row: np.nan_to_num(row.effect, nan=-1.0)).band
        ax.annotate(
            f"{n.rounded(value)} % on {band}", (value, float(place)), xytext=(4, 0),
            textcoords="offset points", va="center", fontsize=8, color=INK,
        )  # fmt: skip
    tidy(ax)
    ax.grid(visible=False, axis="y")
    ax.set_yticks(places, [piece for piece, _ in shown])
    ax.set_xlim(0.0, 1.3 * max(values, default=1.0))
    ax.set_xlabel("greatest change of impedance or efficiency, %")
    used = list(dict.fromkeys(kinds[piece] for piece, _ in shown))
    if used:
        handles = [Patch(color=KIND_COLOURS[kind], label=kind) for kind in used]
        ax.legend(handles=handles, loc="lower right", frameon=False, fontsize=8)
    more = len(known) - len(shown)
    head(ax, f"{found.name}: what the house does{f' ({more} lesser ones not shown)' * (more > 0)}")
    return ax
