"""Tables with a header, as analysers and their programs write them, and what its words mean."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...errors import ReadingError
from ...moments.basis import FloatArray
from .points import MOST_POINTS, Places, Points, place, points_from, too_many
from .quantities import (
    FREQUENCY,
    KNOWN,
    SWR,
    Z_SIZE,
    Meaning,
    Z,
    bare_frequency,
    choose,
    meaning,
    parse_number,
)
from .text_reader import COMMENTS, begins_with_frequency, is_comment

DIFFERING_SWR = 0.1
"""Share by which a column of SWR may differ from that of the impedances beside it."""


@dataclass(frozen=True)
class _Header:
    number: int
    cells: tuple[str, ...]
    meanings: tuple[Meaning | None, ...]
    separator: str


def find_header(lines: Sequence[str], *, name: str) -> int | None:
    """Number of the line that names columns: the first that says something, or the last comment.

    Raises
    ------
    ReadingError
        If a unit in it does not parse.
    """
    first = next((n for n, line in enumerate(lines, 1) if not is_comment(line)), None)
    if first is None:
        return None
    leading = re.match(r"\s*[\"']?[A-Za-z|\u03b8(]", lines[first - 1])
    if leading and not begins_with_frequency(lines[first - 1]):
        return first
    for n in range(first - 1, 0, -1):
        bare = lines[n - 1].strip().lstrip("".join(COMMENTS)).strip()
        if not bare:
            continue
        separator = _separator(lines[first - 1])
        cells = _split(bare, separator)
        if len(cells) < 2 or len(cells) != len(_split(lines[first - 1], separator)):
            return None
        found = _meanings(cells, place(name, "line", n, lines[n - 1]))
        known = sum(m is not None for m in found)
        # words of a sentence lie between spaces too
        return n if known == len(cells) or (known and separator != " ") else None
    return None


def points_of_table(
    lines: Sequence[str], *, header: int, name: str, reference: float, source: str
) -> Points:
    """Points of a table.

    Parameters
    ----------
    lines : sequence of str
    header : int
        Number of the line that names the columns.
    name, source : str
        File name or "", and what to call it.
    reference : float
        [ohm]

    Raises
    ------
    ReadingError
        If header or a value cannot be used: line, text, rule and cure.
    """
    head = _read_header(lines, header, name)
    rows = [n for n in range(header + 1, len(lines) + 1) if not is_comment(lines[n - 1])]
    if not rows:
        raise ReadingError(
            f"{source}: no reading follows the header. Export the points of the sweep too."
        )
    if len(rows) > MOST_POINTS:
        raise ReadingError(too_many(source, len(rows)))
    head = _sized(head, lines[rows[0] - 1])
    columns = {m.quantity: k for k, m in enumerate(head.meanings) if m is not None}
    try:
        used = choose([q for q in columns if q != FREQUENCY])
    except ReadingError as error:
        at = place(name, "line", header, lines[header - 1])
        raise ReadingError(f"{at}: {error}") from None
    wanted = dict.fromkeys((FREQUENCY, *used, *((SWR,) if SWR in columns else ())))
    shown: list[dict[str, float | complex]] = []
    for n in rows:
        shown.append(_read_row(lines[n - 1], n, head, [columns[q] for q in wanted], name))
    frequencies = _frequencies(shown, head, rows, lines, name)
    ratios = [values.pop(SWR) for values in shown] if SWR in columns and SWR not in used else None
    places = Places(name, "line", np.array(rows), lines)
    points = points_from(
        frequencies,
        shown,
        places=places,
        reference=reference,
        source=source,
        notes=(_taken(head, columns, used),),
    )
    if ratios is not None:
        extra = _differing(points, np.array([complex(r).real for r in ratios]))
        points = replace(points, notes=(*points.notes, *extra))
    return points


def _read_header(lines: Sequence[str], number: int, name: str) -> _Header:
    text = lines[number - 1]
    bare = text.strip().lstrip("".join(COMMENTS)).strip()
    after = next((line for line in lines[number:] if not is_comment(line)), "")
    where = place(name, "line", number, text)
    separator = _separator(bare)
    if separator == " " and _separator(after) != " ":
        separator = _separator(after)
    cells = _split(bare, separator)
    meanings = _meanings(cells, where)
    names = [m.quantity for m in meanings if m is not None]
    numbers = [cell for cell in cells if parse_number(cell) is not None]
    if numbers:
        raise ReadingError(
            f"{where}: it begins with a word, as names of columns do, and has the number "
            f"{numbers[0]!r}. A reading begins with its frequency, as '7.05 MHz R 23 X -41'."
        )
    if FREQUENCY not in names:
        raise ReadingError(
            f"{where}: it should name the columns, and none of {', '.join(map(repr, cells))} is "
            f"a frequency. Known are: {KNOWN}, with units as 'freq (MHz)'. Put # before lines "
            "that are no part of the table."
        )
    for quantity in names:
        if names.count(quantity) > 1:
            raise ReadingError(
                f"{where}: {quantity} is the name of two columns. Rename the one that is not meant."
            )
    return _Header(number, tuple(cells), tuple(meanings), separator)


def _sized(head: _Header, first_row: str) -> _Header:
    """The same with Z called a size where the first cell below it is no complex number."""
    cells = _split(first_row, head.separator)
    meanings = tuple(
        replace(kind, quantity=Z_SIZE)
        if kind is not None
        and kind.quantity == Z
        and k < len(cells)
        and isinstance(parse_number(cells[k], decimal_comma=head.separator in ";\t"), float)
        else kind
        for k, kind in enumerate(head.meanings)
    )
    return replace(head, meanings=meanings)


def _meanings(cells: Sequence[str], where: str) -> list[Meaning | None]:
    try:
        return [meaning(cell) if cell.strip() else None for cell in cells]
    except ReadingError as error:
        raise ReadingError(f"{where}: {error}") from None


def _read_row(
    text: str, number: int, head: _Header, wanted: Sequence[int], name: str
) -> dict[str, float | complex]:
    cells = _split(text, head.separator)
    while len(cells) > len(head.cells) and not cells[-1].strip():
        cells.pop()
    where = place(name, "line", number, text)
    if len(cells) != len(head.cells):
        hint = (
            " If its commas are decimal commas, put semicolons between the columns."
            if head.separator == "," and len(cells) > len(head.cells)
            else " Export the table anew, or leave the line out."
        )
        raise ReadingError(
            f"{where}: it has {len(cells)} columns, the header has {len(head.cells)}; they must "
            f"be as many.{hint}"
        )
    values: dict[str, float | complex] = {}
    for k in wanted:
        kind = head.meanings[k]
        found = parse_number(cells[k], decimal_comma=head.separator in ";\t")
        if kind is None or found is None:
            hint = " Write a decimal point." if "," in cells[k] else ""
            raise ReadingError(
                f"{where}: {cells[k].strip()!r} in column {head.cells[k].strip()!r} is no number; "
                f"each cell is one.{hint or ' Leave the line out if nothing was read.'}"
            )
        values[kind.quantity] = kind.scale * found if kind.scale != 1.0 else found
    return values


def _frequencies(
    shown: Sequence[dict[str, float | complex]],
    head: _Header,
    rows: Sequence[int],
    lines: Sequence[str],
    name: str,
) -> list[float]:
    """Take the frequencies out. [Hz]"""
    told = any(m is not None and m.quantity == FREQUENCY and m.has_unit for m in head.meanings)
    found: list[float] = []
    for n, values in zip(rows, shown, strict=True):
        value = complex(values.pop(FREQUENCY))
        where = place(name, "line", n, lines[n - 1])
        if value.imag != 0.0:
            raise ReadingError(f"{where}: the frequency is complex. Check the order of columns.")
        try:
            found.append(value.real if told else bare_frequency(value.real))
        except ReadingError as error:
            raise ReadingError(f"{where}: {error}") from None
    return found


def _taken(head: _Header, columns: dict[str, int], used: tuple[str, ...]) -> str:
    """Which column was taken for what."""
    words = [f"{q} from {head.cells[columns[q]].strip()!r}" for q in (FREQUENCY, *used)]
    spare = [
        repr(cell.strip())
        for k, cell in enumerate(head.cells)
        if cell.strip() and all(columns[q] != k for q in (FREQUENCY, *used))
    ]
    unit = next(m for m in head.meanings if m is not None and m.quantity == FREQUENCY)
    bare = "" if unit.has_unit else " (no unit told: by its size)"
    text = f"{words[0]}{bare}, {', '.join(words[1:])}"
    return f"{text}; not used: {', '.join(spare)}" if spare else text


def _differing(points: Points, ratios: FloatArray) -> tuple[str, ...]:
    """A note where a column of SWR contradicts the impedances beside it."""
    with np.errstate(divide="ignore", invalid="ignore"):
        told = np.abs((ratios - 1.0) / (ratios + 1.0))
    off = np.abs(told - points.magnitude)
    at = int(np.argmax(off))
    if not off[at] > DIFFERING_SWR:
        return ()
    return (
        f"the column of SWR differs from what the others give against {points.reference:g} ohm, "
        f"most at {points.frequencies[at] / 1e6:g} MHz (|reflection| {told[at]:.2f} and "
        f"{points.magnitude[at]:.2f}): is its reference another?",
    )


def _separator(text: str) -> str:
    return next((one for one in "\t;," if one in text), " ")


def _split(text: str, separator: str) -> list[str]:
    if separator == " ":
        # "freq (MHz) R X": a unit in brackets belongs to the word before it
        return re.sub(r"\s+(?=[(\[])", "", text.strip()).split()
    return next(csv.reader([text.strip("\r\n ")], delimiter=separator, skipinitialspace=True))
