"""The station in words, tables and plain numbers: what stands beside the five questions."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..station.hops import ZONES, greatest_hop
from ..station.station_tables import AT_FEED_POINT, IN_SHACK
from ..station.tuner import Network
from ..station.window_matcher import WindowMatcher
from . import numbers as n
from .numbers import wrapped

if TYPE_CHECKING:
    from ..station.chain import LadderEntry
    from ..station.station_answer import StationAnswer, StationBand, StationPoint
    from ..station.station_tables import StationSetup

NO_TUNER = "No [tuner] is told, so what it takes to match is left out."
MOST_GAPS = 2
"""Stretches without a match that are told one by one."""

LEAST_SHOWN = 1e-3
"""Part of the radio's power below which on every band a rung is not shown."""

ABOUT_LAYERS = (
    "Whether a layer sends that band back at that angle depends on hour, season and sun, and is "
    "not computed."
)
ABOUT_NOISE = (
    "Noise from outside is the median of its class (numbers of ITU-R P.372 from memory), with "
    "galactic noise from 10 MHz on; thunderstorms, and what the house itself makes, are left out."
)


def chain_in_words(setup: StationSetup) -> str:
    """What stands between radio and antenna."""
    parts = []
    if setup.line is not None:
        kind = setup.line.kind
        parts.append(f"{float(setup.line.length):.4g} m of {kind.name} ({kind.impedance:.3g} ohm)")
    if setup.tuner is not None:
        parts.append(f"{tuner_in_words(setup)} at the feed point" if setup.tuner_at == AT_FEED_POINT
                     else f"{tuner_in_words(setup)} in the shack")  # fmt: skip
    if setup.line is not None and setup.tuner is not None and setup.tuner_at == IN_SHACK:
        parts.reverse()
    if setup.transformer is not None:
        parts.append(f"a transformer of {setup.transformer.impedance_ratio:g}:1")
    return ", ".join(["radio", *parts, "antenna"])


def tuner_in_words(setup: StationSetup) -> str:
    """Kind of the tuner."""
    if isinstance(setup.tuner, WindowMatcher):
        return f"{setup.tuner.name} (by its data sheet)"
    kind = type(setup.tuner).__name__.removesuffix("Network")
    return f"{'an L' if kind == 'L' else 'a ' + kind.replace('Pi', 'pi')} network"


def verdict(band: StationBand) -> str:
    """Whether the tuner copes, else where it does not."""
    if band.copes:
        return "yes"
    if not band.copes_at.any():
        return "no"
    gaps = [
        n.megahertz(low) if low == high else f"{n.megahertz(low)} to {n.megahertz(high)}"
        for low, high in band.not_coped
    ]
    more = f" and {len(gaps) - MOST_GAPS} more" if len(gaps) > MOST_GAPS else ""
    return f"not at {', '.join(gaps[:MOST_GAPS])} MHz{more}"


def _three(points: Sequence[StationPoint], of: str, show: Any) -> str:
    return " / ".join(show(getattr(point, of)) for point in points)


def _loss(value: float) -> str:
    """Decibels of a loss, two decimals."""
    if math.isnan(value):
        return n.NOT_KNOWN
    return "under 0.01" if 0.0 < value < 0.005 else f"{value + 0.0:.2f}"


def tuner_lines(station: StationAnswer, width: int = 1000) -> list[str]:
    """Does the tuner cope, with which settings, at which loss and stress."""
    setup = station.setup
    if setup.tuner is None:
        if setup.has_chain:
            return [
                *wrapped(f"{NO_TUNER} From the radio: {chain_in_words(setup)}.", width),
                *n.columns(_swr_rows(station), width=width),
            ]
        return wrapped(NO_TUNER, width)
    limit = (
        f"it copes where that leaves SWR {setup.swr_limit:g} or less at its input, steps considered"
        if isinstance(setup.tuner, Network)
        else "it copes where its data sheet says so"
    )
    edges = "low / centre / high"
    rows = [["band", "tuner copes", f"lost in it, dB, {edges}", "watts", "SWR at the radio"]]
    rows += [
        [
            band.name,
            verdict(band),
            _three(band.points, "tuner_loss", _loss),
            _three(band.points, "tuner_watts", n.rounded),
            _three(band.points, "swr", n.swr),
        ]
        for band in station.bands
    ]
    lines = wrapped(
        f"Matching {station.power:g} W of the radio ({chain_in_words(setup)}): {limit}.", width
    )
    lines += n.columns(rows, left=2, width=width)
    rows = [["band", "tuner at the centre", "most V peak", "most A RMS", "on the line, V peak"]]
    for band in station.bands:
        line = math.nan if band.line_stress is None else band.line_stress.peak_voltage
        rows.append(
            [
                band.name,
                band.centre.settings,
                n.rounded(band.most("peak_voltage")),
                n.rounded(band.most("current")),
                n.rounded(line),
            ]
        )
    if setup.line is None:
        rows = [row[:-1] for row in rows]
    lines += wrapped(
        "Its settings, and the most that any part of it has to stand anywhere in the band where it "
        "copes:",
        width,
    )
    return [*lines, *n.columns(rows, left=2, width=width)]


def _swr_rows(station: StationAnswer) -> list[list[str]]:
    rows = [["band", "SWR at the radio, low / centre / high"]]
    return rows + [[band.name, _three(band.points, "swr", n.swr)] for band in station.bands]


def _watts(entry: LadderEntry, power: float) -> str:
    """Watts, with the dB that a stage takes, or a share against the radio's power."""
    if not entry.watts > 0.0:
        return "0"
    if math.isnan(entry.loss_db):
        return f"{n.rounded(entry.watts)} ({n.decibels(10.0 * math.log10(entry.watts / power))})"
    return f"{n.rounded(entry.watts)} ({_loss(entry.loss_db)})"


def ladder_names(station: StationAnswer) -> list[str]:
    """Rungs that take anything on any band, from the radio down."""
    found: dict[str, float] = {}
    for band in station.bands:
        for entry in band.ladder.entries if band.ladder else ():
            found[entry.name] = max(found.get(entry.name, 0.0), abs(entry.watts))
    return [name for name, most in found.items() if most > LEAST_SHOWN * station.power]


def ladder_lines(station: StationAnswer, width: int = 1000) -> list[str]:
    """Radio to sky in watts and dB, a row a band; tuner here against tuner there."""
    setup = station.setup
    if not setup.has_chain:
        return []
    names = ladder_names(station)
    rows = [["band", *names]]
    for band in station.bands:
        cells = {e.name: _watts(e, station.power) for e in (band.ladder.entries if band.ladder
                                                            else ())}  # fmt: skip
        rows.append([band.name, *(cells.get(name, n.NOT_KNOWN) for name in names)])
    lines = wrapped(
        f"Where the radio's {station.power:g} W go at each band's centre "
        f"({chain_in_words(setup)}), watts. In brackets dB: what a stage takes of what reaches it, "
        "then what the antenna's parts get of the radio's. Together they make "
        f"{station.power:g} W; what is under a thousandth on every band is not shown:",
        width,
    )
    lines += n.columns(rows, width=width)
    if not station.bands[0].sky_at_feed_point:
        return lines
    rows = [["band", "tuner at the feed point", "in the shack", "difference at the centre, dB"]]
    for band in station.bands:
        far, near = band.sky_at_feed_point[1], band.sky_in_shack[1]
        both = far > 0.0 and near > 0.0
        rows.append(
            [
                band.name,
                " / ".join(map(n.rounded, band.sky_at_feed_point)),
                " / ".join(map(n.rounded, band.sky_in_shack)),
                n.decibels(10.0 * math.log10(far / near)) if both else n.NOT_KNOWN,
            ]
        )
    lines += wrapped(
        "Watts to the sky from the same line and tuner, the tuner at either end of the line, at "
        "low edge / centre / high edge:",
        width,
    )
    return [*lines, *n.columns(rows, width=width)]


def noise_lines(station: StationAnswer, width: int = 1000) -> list[str]:
    """Whether loss costs anything on receive."""
    setup = station.setup
    rows = [["band", "outside over inside, dB", "limited by", "antenna loss costs, dB"]]
    for band in station.bands:
        noise = band.noise
        if noise is None:
            rows.append([band.name, n.NOT_KNOWN, n.NOT_KNOWN, n.NOT_KNOWN])
            continue
        limited = bool(noise.is_noise_limited)
        rows.append(
            [
                band.name,
                n.decibels(float(noise.margin)),
                "noise from outside" if limited else "loss and receiver",
                _loss(float(noise.antenna_loss_cost)),
            ]
        )
    return [
        *wrapped(
            f"On receive, in a {setup.noise} area, with a noise figure of "
            f"{setup.receiver_noise:g} dB, signal to noise that the antenna's losses cost at each "
            f"band's centre. {ABOUT_NOISE}",
            width,
        ),
        *n.columns(rows, width=width),
    ]


def reach_lines(station: StationAnswer, width: int = 1000) -> list[str]:
    """Distances of one hop by the strongest angles, shares by distance, near-vertical share."""
    bands = [band for band in station.bands if band.reach is not None]
    if not bands:
        return wrapped("In free space there is no ground to hop over: no distances.", width)
    height = station.setup.virtual_height
    most = float(greatest_hop(height))
    limits = {name: min(far, most) for name, _, far in ZONES}
    zones = list(dict.fromkeys(zone.name for band in bands for zone in band.reach.zones))  # pyright: ignore[reportOptionalMemberAccess]
    heads = [f"to {limits[zone] / 1e3:.0f} km" for zone in zones]
    rows = [["band", "strongest, deg", "reaches, km", *heads, "above 70 deg"]]
    for band in bands:
        reach = band.reach
        if reach is None:
            continue
        shares = {z.name: s for z, s in zip(reach.zones, reach.shares, strict=True)}
        rows.append(
            [
                band.name,
                ", ".join(f"{one.low_deg:.0f} to {one.high_deg:.0f}" for one in reach.strong),
                ", ".join(
                    f"{n.rounded(one.near / 1e3)} to {n.rounded(one.far / 1e3)}"
                    for one in reach.strong
                ),
                *(n.per_cent(shares[zone]) for zone in zones),
                n.per_cent(reach.near_vertical),
            ]
        )
    return [
        *wrapped(
            f"One hop by a layer that reflects as from {height / 1e3:g} km up: where the strongest "
            "angles (mean of all bearings, within 3 dB) come down, and the shares of the radiated "
            f"power that go near, farther and far. {ABOUT_LAYERS}",
            width,
        ),
        *n.columns(rows, width=width),
    ]


def station_text(station: StationAnswer, *, width: int = 100) -> str:
    """The station alone."""
    lines = [f"Station of {station.name}", ""]
    if station.assumptions:
        lines.append("Assumed, the worst first")
        for assumption in station.assumptions:
            lines += wrapped(str(assumption), width, first="  - ", rest="    ")
        lines.append("")
    parts = [
        tuner_lines(station, width),
        ladder_lines(station, width),
        noise_lines(station, width),
        reach_lines(station, width),
    ]
    return "\n".join([*lines, *"\n\n".join("\n".join(part) for part in parts if part).split("\n")])


def station_html(station: StationAnswer) -> str:
    """A compact table: one row a band."""
    names = ladder_names(station)
    heads = ["band", "tuner copes", "settings at the centre", "tuner loss, dB", "SWR at the radio",
             *(f"{name}, W" for name in names), "antenna loss costs on receive, dB"]  # fmt: skip
    body = ""
    for band in station.bands:
        taken = {e.name: e.watts for e in (band.ladder.entries if band.ladder else ())}
        cost = math.nan if band.noise is None else float(band.noise.antenna_loss_cost)
        has_tuner = station.setup.tuner is not None
        cells = [
            band.name,
            verdict(band) if has_tuner else n.NOT_KNOWN,
            band.centre.settings or n.NOT_KNOWN,
            _loss(band.centre.tuner_loss),
            n.swr(band.centre.swr),
            *(n.rounded(taken.get(name, math.nan)) for name in names),
            _loss(cost),
        ]
        body += "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in cells) + "</tr>"
    row = "".join(f"<th>{html.escape(head)}</th>" for head in heads)
    assumed = "; ".join(html.escape(str(a)) for a in station.assumptions) or "nothing"
    return (
        f"<p><b>{html.escape(station.name)}</b>, {station.power:g} W of the radio, "
        f"{html.escape(chain_in_words(station.setup))}. Assumed: {assumed}.</p>"
        f"<table><thead><tr>{row}</tr></thead><tbody>{body}</tbody></table>"
    )


def station_form(station: StationAnswer) -> dict[str, Any]:
    """The station as nested dicts and lists, for machines."""
    from .json_form import number

    def point(one: StationPoint) -> dict[str, Any]:
        return {
            "frequency_hz": number(one.frequency),
            "copes": one.copes,
            "settings": one.settings,
            "swr_at_radio": number(one.swr),
            "tuner_loss_db": number(one.tuner_loss),
            "tuner_loss_w": number(one.tuner_watts),
            "delivered_w": number(one.delivered),
            "sky_w": number(one.sky),
        }

    def one_band(band: StationBand) -> dict[str, Any]:
        noise, reach, row = band.noise, band.reach, band.ladder
        stresses = [*band.stresses, *([band.line_stress] if band.line_stress else [])]
        return {
            "band": band.name,
            **dict(zip(("low_edge", "centre", "high_edge"), map(point, band.points), strict=True)),
            "not_coped_hz": [[low, high] for low, high in band.not_coped],
            "most": [
                {
                    "part": one.part,
                    "peak_voltage_v": number(one.peak_voltage),
                    "current_a": number(one.current),
                }
                for one in stresses
            ],
            "ladder": None
            if row is None
            else [
                {"name": e.name, "watts": number(e.watts), "loss_db": number(e.loss_db)}
                for e in row.entries
            ],
            "sky_w_tuner_at_feed_point": [number(w) for w in band.sky_at_feed_point],
            "sky_w_tuner_in_shack": [number(w) for w in band.sky_in_shack],
            "noise": None
            if noise is None
            else {
                "outside_over_inside_db": number(float(noise.margin)),
                "is_noise_limited": bool(noise.is_noise_limited),
                "antenna_loss_costs_db": number(float(noise.antenna_loss_cost)),
            },
            "reach": None
            if reach is None
            else {
                "strongest": [
                    {
                        "from_deg": one.low_deg,
                        "to_deg": one.high_deg,
                        "near_m": one.near,
                        "far_m": one.far,
                    }
                    for one in reach.strong
                ],
                "shares": [
                    {"from_m": z.from_distance, "to_m": z.to_distance, "share": number(s)}
                    for z, s in zip(reach.zones, reach.shares, strict=True)
                ],
                "share_above_70_deg": number(reach.near_vertical),
            },
        }

    setup = station.setup
    return {
        "name": station.name,
        "power_w": station.power,
        "reference_ohm": station.reference,
        "chain": chain_in_words(setup),
        "tuner_at": setup.tuner_at if setup.tuner is not None else None,
        "noise": setup.noise,
        "receiver_noise_db": setup.receiver_noise,
        "virtual_height_m": setup.virtual_height,
        "assumed": [{"what": a.what, "value": a.value, "why": a.why} for a in station.assumptions],
        "bands": [one_band(band) for band in station.bands],
    }
