"""Answers and comparisons as plain numbers and texts, for machines."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from ..fields.budget import TERMS

if TYPE_CHECKING:
    from ..answer_records import Answer, BandAnswer, PointAnswer
    from ..comparison import Comparison

FORMAT_VERSION = 1


def number(value: float | None) -> float | None:
    """A number, or null where it is not finite."""
    return float(value) if value is not None and math.isfinite(value) else None


def _complex(value: complex) -> dict[str, float | None]:
    return {"real": number(value.real), "imaginary": number(value.imag)}


def _point(point: PointAnswer) -> dict[str, Any]:
    return {
        "frequency_hz": number(point.frequency),
        "resistance_ohm": number(point.impedance.real),
        "reactance_ohm": number(point.impedance.imag),
        "swr": number(point.swr),
        "efficiency": number(point.efficiency),
    }


def _band(band: BandAnswer) -> dict[str, Any]:
    way = "bearing_deg" if band.has_bearings else "azimuth_deg"
    return {
        "band": band.name,
        "low_hz": band.band.low,
        "high_hz": band.band.high,
        "low_edge": _point(band.low_edge),
        "centre": _point(band.centre),
        "high_edge": _point(band.high_edge),
        "lowest_swr": _point(band.lowest),
        "bandwidth_swr_2_hz": number(band.bandwidth),
        "budget": {key: number(float(value)) for key, value in band.budget.as_dict().items()},
        "budget_parts": {
            term: parts
            for term in TERMS
            if (parts := {k: number(float(v)) for k, v in band.budget.parts_of(term).items()})
        },
        "losses_in_timber_and_sheets": {one.group: number(one.share) for one in band.solid_losses},
        "balance_error": number(band.balance_error),
        "radiation_resistance_ohm": number(band.radiation_resistance),
        "loss_resistance_ohm": number(band.loss_resistance),
        "gain_dbi": number(band.gain_dbi),
        "elevation_deg": number(band.elevation_deg),
        way: number(band.bearing_deg),
        "angle_limits_deg": list(band.angle_limits),
        "shares_of_radiated": [number(share) for share in band.shares],
        "shares_of_input": [number(share) for share in band.shares_of_input],
        "feed_voltage_v": number(abs(band.feed_voltage)),
        "feed_current_a": number(abs(band.feed_current)),
        "currents_at_feed_a": [
            {"wire": one.wire, "driven": one.is_driven, **_complex(one.current)}
            for one in band.node_currents
        ],
        "named_points": [
            {
                "point": one.point,
                "wire": one.wire,
                "at_m": number(one.at),
                "current_a": _complex(one.current),
                "open_end": one.is_open_end,
                "potential_v": _complex(one.potential),
            }
            for one in band.named_points
        ],
        "voltages": [
            {
                "wire": one.wire,
                "place": one.place,
                "at_m": number(one.at),
                "open_end": one.is_open_end,
                "rms_v": number(one.rms),
                "peak_v": number(one.peak),
                "nearest": one.nearest,
                "nearest_kind": one.nearest_kind,
                "gap_m": number(one.gap),
                "flagged": one.is_flagged,
            }
            for one in band.voltages
        ],
        "voltage_limits": None
        if band.voltage_limits is None
        else {
            "peak_v": number(band.voltage_limits.peak),
            "distance_m": number(band.voltage_limits.distance),
            "field_v_per_m": number(band.voltage_limits.field),
        },
        "error_estimate": number(band.error_estimate),
        "interpolation_error": number(band.interpolation_error),
        "curve": {
            "frequency_hz": [float(f) for f in band.frequencies],
            "resistance_ohm": [number(z.real) for z in band.impedances],
            "reactance_ohm": [number(z.imag) for z in band.impedances],
            "swr": [number(s) for s in band.swr],
        },
    }


def answer_form(answer: Answer) -> dict[str, Any]:
    """An answer as nested dicts and lists."""
    from .station_page import station_form
    from .tables import CAUTIONS

    return {
        "format_version": FORMAT_VERSION,
        "library_version": answer.version,
        "name": answer.name,
        "earth": answer.earth,
        "region": answer.region,
        "reference_ohm": answer.reference,
        "power_w": answer.power,
        "unknowns": answer.unknowns,
        "assumed": [{"what": a.what, "value": a.value, "why": a.why} for a in answer.assumptions],
        "doubts": list(answer.remarks),
        "cautions": list(CAUTIONS),
        "bands": [_band(band) for band in answer.bands],
        "station": None if answer.station is None else station_form(answer.station),
    }


def comparison_form(comparison: Comparison) -> dict[str, Any]:
    """A comparison as nested dicts and lists."""
    way = "bearing_deg" if comparison.has_bearings else "azimuth_deg"
    return {
        "format_version": FORMAT_VERSION,
        "first": comparison.first,
        "reference_ohm": comparison.reference,
        "left_out": list(comparison.left_out),
        "house_differs": [
            {"layout": layout, "tables": list(tables)}
            for layout, tables in comparison.house_differs
        ],
        "point": comparison.point,
        "power_w": number(comparison.power),
        "ranking": [
            {"layout": name, "mean_difference_db": number(mean)}
            for name, mean in comparison.ranking
        ],
        "rows": [
            {
                "band": row.band,
                "layout": row.layout,
                "rank": row.rank,
                "mean_difference_db": number(row.mean_difference),
                "efficiency": number(row.efficiency),
                "lowest_swr": number(row.lowest_swr),
                "point_current_a": number(row.point_current),
                "point_difference_db": number(row.point_difference),
                "angles": [
                    {
                        "elevation_deg": at.elevation_deg,
                        way: at.direction_deg,
                        "gain_dbi": number(at.gain_dbi),
                        "difference_db": number(at.difference),
                        "difference_s_units": number(at.s_units),
                    }
                    for at in row.angles
                ],
            }
            for row in comparison.rows
        ],
    }
