"""Voltages along wires in words: the highest of each band, and what is too near."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..voltage_records import CAUTION, in_words
from . import numbers as n
from .numbers import wrapped

if TYPE_CHECKING:
    from ..answer_records import BandAnswer

MOST_FLAGGED = 3
"""Voltages too near to something that are told of each band."""


def voltage_lines(bands: Sequence[BandAnswer], width: int = 1000) -> list[str]:
    """The highest voltage of each band, and the worst that are too near to something."""
    rows = [["band", "highest at", "volts", "peak", "nearest to it", "gap"]]
    flagged: list[str] = []
    left = 0
    for band in bands:
        readings = band.worst_voltages
        if not readings:
            continue
        most = max(readings, key=lambda one: one.peak)
        rows.append(
            [
                band.name,
                most.label,
                n.with_unit(most.rms, "V RMS"),
                n.with_unit(most.peak, "V"),
                most.nearest or n.NOT_KNOWN,
                n.with_unit(1e3 * most.gap, "mm"),
            ]
        )
        near = [one for one in readings if one.is_flagged]
        flagged += [f"{band.name}: {in_words(one)}" for one in near[:MOST_FLAGGED]]
        left += len(near[MOST_FLAGGED:])
    if len(rows) == 1:
        return []
    lines = [
        *wrapped(
            f"Along the wires, {bands[0].power:g} W into the feed point: potential against remote "
            "earth, which at an end is its voltage.",
            width,
        ),
        *n.columns(rows, left=2, width=width),
    ]
    limits = next((band.voltage_limits for band in bands if band.voltage_limits), None)
    if flagged and limits is not None:
        said = f"{limits.peak:g} V peak nearer than {1e3 * limits.distance:g} mm"
        if math.isfinite(limits.field):
            said += f", or {limits.field:g} V/m"
        lines += wrapped(f"Too near, above {said} (common practice unless you set it):", width)
        for text in flagged:
            lines += wrapped(text, width, first="  - ", rest="    ")
        if left:
            lines += wrapped(f"and {left} more, see the JSON form.", width)
        lines += wrapped(CAUTION, width)
    return lines
