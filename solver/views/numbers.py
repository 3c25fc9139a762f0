"""Numbers and tables as people read them: rounded to what is known, with their units."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

NOT_KNOWN = "-"


def rounded(value: float) -> str:
    """Two digits below 100, three from there on: 0.94, 2.4, 23, 577, 1440."""
    if not math.isfinite(value):
        return NOT_KNOWN
    size = abs(value)
    if size < 1e-9:
        return "0"

    def decimals(of: float) -> int:
        power = math.floor(math.log10(of))
        return min(2 - power, 0) if of >= 99.5 else 1 - power

    value = round(value, decimals(size))
    return f"{value:.{max(decimals(abs(value)), 0)}f}"  # 9.96 has become 10


def with_unit(value: float, unit: str) -> str:
    """Rounded, with its unit; what is not known has none."""
    text = rounded(value)
    return text if text == NOT_KNOWN else f"{text} {unit}"


def signed(value: float) -> str:
    """Rounded, with its sign."""
    text = rounded(value)
    return f"+{text}" if value > 0.0 and text != "0" else text


def impedance(value: complex) -> str:
    """As 23 + j144."""
    if not (math.isfinite(value.real) and math.isfinite(value.imag)):
        return NOT_KNOWN
    sign = "+" if value.imag >= 0 else "-"
    return f"{rounded(value.real)} {sign} j{rounded(abs(value.imag))}"


def swr(value: float) -> str:
    """One decimal below 10, whole numbers to 999."""
    if math.isnan(value):
        return NOT_KNOWN
    if not 0.0 < value < 999.5:  # all is reflected
        return "over 999"
    return f"{value:.1f}" if value < 9.95 else f"{value:.0f}"


def per_cent(part: float) -> str:
    """A part of 1 in per cent."""
    if math.isnan(part):
        return NOT_KNOWN
    value = 100.0 * part
    if 99.0 < value < 99.95 or 0.95 <= abs(value) < 9.95:
        return f"{value:.1f} %"
    if abs(value) < 0.95:
        return f"{value:.2g} %" if abs(value) >= 0.01 else ("0 %" if value == 0 else "under 0.01 %")
    return f"{value:.0f} %"


def decibels(value: float) -> str:
    """One decimal and the sign."""
    if math.isnan(value):
        return NOT_KNOWN
    if value == -math.inf:
        return "nothing"
    return f"{value:+.1f}" if abs(value) >= 0.05 else "0.0"


def megahertz(value: float) -> str:
    """Three decimals; [Hz] in."""
    return f"{value / 1e6:.3f}"


def angle(value: float) -> str:
    """Whole degrees."""
    return NOT_KNOWN if math.isnan(value) else f"{value:.0f}"


def bearing(value: float) -> str:
    """Whole degrees, three digits, 000 to 359."""
    return NOT_KNOWN if math.isnan(value) else f"{round(value) % 360:03d}"


def ampere(value: complex) -> str:
    """Magnitude and phase, as 0.92 at -35 deg."""
    size = abs(value)
    if size < 1e-6:
        return "0"
    return f"{rounded(size)} at {math.degrees(math.atan2(value.imag, value.real)):.0f} deg"


def wrapped(text: str, width: int, *, first: str = "  ", rest: str = "  ") -> list[str]:
    """A paragraph as lines."""
    return textwrap.wrap(text, max(width, 40), initial_indent=first, subsequent_indent=rest)


def columns(
    rows: Sequence[Sequence[str]], *, left: int = 1, width: int = 1000, indent: int = 2
) -> list[str]:
    """Lines of a table, the first row its heads.

    The first `left` columns are flush left, the others flush right.  What is wider than `width`
    goes on below, in tables that begin with the same first columns.
    """
    wide = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    blocks: list[list[int]] = [[]]
    used = 0
    for i, size in enumerate(wide):
        if blocks[-1] and used + 3 + size > width and len(blocks[-1]) > left:
            blocks.append(list(range(left)))
            used = indent + sum(wide[:left]) + 3 * (left - 1)
        blocks[-1].append(i)
        used += size + (3 if len(blocks[-1]) > 1 else indent)
    lines = []
    for block in blocks:
        for row in rows:
            cells = [row[i].ljust(wide[i]) if i < left else row[i].rjust(wide[i]) for i in block]
            lines.append((" " * indent + "   ".join(cells)).rstrip())
    return lines
