"""Readings as lines of text: frequency first, then what the analyser shows.

``7.05 MHz 23 - 41j``, ``7.05 MHz R 23 X -41``, ``7.05 MHz SWR 2.4``, ``7.05, 23, -41``,
``7050 kHz |Z| 47 phase -60``. Lines with semicolons or tabs may have decimal commas; elsewhere a
comma separates, and where it could be either the line is refused. What is typed in may hold
several readings a line, ";" between them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from ...errors import ReadingError
from .points import MOST_POINTS, Places, Points, place, points_from, too_many
from .quantities import (
    COMPLEX,
    FREQUENCY,
    FREQUENCY_UNITS,
    NUMBER,
    SWR,
    R,
    X,
    Z,
    bare_frequency,
    meaning,
    parse_number,
    plain,
)

_FREQUENCY = re.compile(
    rf"\s*(?:f(?:req(?:uency)?)?\s*[=:]?\s*)?({NUMBER})\s*([kMG]?Hz)?(?![\w.])\s*[,:;@\t]?\s*",
    re.IGNORECASE,
)
_ITEM = re.compile(
    r"(?P<word>[A-Za-z|\u03b8][A-Za-z0-9|\u03b8'()]*(?:[ _]+[A-Za-z|][A-Za-z0-9|()]*)*)"
    rf"\s*[=:]?\s*(?<![\w.])(?P<value>{COMPLEX}|{NUMBER})"
    r"\s*(?P<unit>[kK]?[oO]hms?\b|dB\b|deg(?:rees?)?\b|\u00b0|rad(?:ians)?\b|:\s*1\b)?\s*[,;\t]?\s*",
    re.IGNORECASE,
)
_OHM = r"\s*(?:ohms?)?\s*"
_PAIR = re.compile(rf"({NUMBER}){_OHM}(?:[,;\t]\s*|\s+)({NUMBER}){_OHM}", re.IGNORECASE)
_RATIO = re.compile(rf"({NUMBER})\s*:\s*1")
_COMPLEX_OHMS = re.compile(rf"({COMPLEX}){_OHM}", re.IGNORECASE)
_COMMA_IN_DIGITS = re.compile(r"\d,\d")

COMMENTS = ("#", "!")
_SEPARATOR = re.compile(r"sep\s*=.?", re.IGNORECASE)

_DECIMAL_COMMA = (
    "A comma between two digits may separate or be a decimal comma, which is not guessed. Write "
    "decimal points, as '7.05 MHz 23.5 -41.2', or put semicolons between the values, as "
    "'7,05; 23,5; -41,2'; other columns than frequency, R and X need a header, as 'freq (MHz),SWR'"
)
_CURE = (
    "Write a frequency and what was read, as '7.05 MHz 23 - 41j', '7.05 MHz R 23 X -41', "
    "'7.05 MHz SWR 2.4' or '7.05, 23, -41'"
)
_SEVERAL = "Several readings stand one a line, or with ';' between them."


def is_comment(line: str) -> bool:
    """Whether a line says nothing: empty, led by # or !, or "sep=;" of a spreadsheet."""
    bare = line.strip()
    return not bare or bare.startswith(COMMENTS) or _SEPARATOR.fullmatch(bare) is not None


def begins_with_frequency(line: str) -> bool:
    """Whether a line may be a reading rather than names of columns."""
    return _FREQUENCY.match(plain(line)) is not None


def parted_readings(lines: Sequence[str]) -> list[str]:
    """Typed lines with one reading each: parted at a ";" that stands between two readings.

    One within a reading, as in "7,05; 23,5; -41,2", stays: what follows it is no reading.
    """
    found: list[str] = []
    for line in lines:
        if is_comment(line):
            found.append(line)
            continue
        first, *others = line.split(";")
        found.append(first)
        for piece in others:
            if _begins_reading(piece, found[-1]):
                found.append(piece)
            else:
                found[-1] += f";{piece}"
    return found


def _begins_reading(piece: str, before: str) -> bool:
    match = _FREQUENCY.match(plain(piece).strip())
    if match is None or match[2] is not None:  # a second unit of frequency: a second reading
        return match is not None
    try:
        _ = parse_line(before), parse_line(piece)
    except ReadingError:
        return False
    return True


def points_of_lines(lines: Sequence[str], *, name: str, reference: float, source: str) -> Points:
    """Points of lines of text, one each, or with ";" between them where typed; see the module.

    Raises
    ------
    ReadingError
        If a line does not parse or a value cannot be: line, text, rule and cure.
    """
    word = "line"
    if not name:
        parted = parted_readings(lines)
        word = "line" if len(parted) == len(lines) else "reading"
        lines = parted
    numbers = [n for n, line in enumerate(lines, 1) if not is_comment(line)]
    if not numbers:
        raise ReadingError(f"{source}: there is no reading in it. {_CURE}.")
    if len(numbers) > MOST_POINTS:
        raise ReadingError(too_many(name or source, len(numbers)))
    frequencies: list[float] = []
    shown: list[dict[str, float | complex]] = []
    for n in numbers:
        try:
            frequency, values = parse_line(lines[n - 1])
        except ReadingError as error:
            several = "" if name else f" {_SEVERAL}"
            at = place(name, word, n, lines[n - 1])
            raise ReadingError(f"{at}: {error}{several}") from None
        frequencies.append(frequency)
        shown.append(values)
    places = Places(name, word, np.array(numbers), lines)
    bare = bool(name) and all(tuple(values) == (R, X) for values in shown)
    notes = ("no names of columns: frequency, R and X",) if bare else ()
    return points_from(
        frequencies, shown, places=places, reference=reference, source=source, notes=notes
    )


def parse_line(text: str) -> tuple[float, dict[str, float | complex]]:
    """Frequency [Hz] and quantities of one line.

    Raises
    ------
    ReadingError
        If it does not parse; the place is the caller's to add.
    """
    line = plain(text).strip().rstrip(",;")
    if ";" in line or "\t" in line:
        line = re.sub(r"(?<=\d),(?=\d)", ".", line)
    elif _COMMA_IN_DIGITS.search(line) and not _separates_clearly(line):
        raise ReadingError(f"{_DECIMAL_COMMA}.")
    match = _FREQUENCY.match(line)
    if match is None:
        raise ReadingError(f"it does not begin with a frequency. {_CURE}.")
    frequency = _hertz(match)
    rest = line[match.end() :].strip()
    if not rest:
        raise ReadingError(f"nothing follows the frequency. {_CURE}.")
    return frequency, _values(rest)


def parse_frequency(text: str) -> float:
    """A frequency alone, as "7.05 MHz". [Hz]

    Raises
    ------
    ReadingError
        If it does not parse; the place is the caller's to add.
    """
    match = _FREQUENCY.fullmatch(plain(text))
    if match is None:
        raise ReadingError(f"{text!r} is no frequency. Write it as '7.05 MHz'.")
    return _hertz(match)


def _hertz(match: re.Match[str]) -> float:
    value = float(match[1])
    return bare_frequency(value) if match[2] is None else value * FREQUENCY_UNITS[match[2].lower()]


def _separates_clearly(line: str) -> bool:
    """Whether commas between digits can only separate: frequency, R, X and nothing else."""
    fields = [field.strip() for field in line.split(",")]
    if len(fields) == 2:
        return "." in fields[0] and parse_number(fields[1]) is not None and "j" in fields[1]
    ohms = rf"{NUMBER}{_OHM}"
    return (
        len(fields) == 3
        and _FREQUENCY.fullmatch(fields[0]) is not None
        and all(re.fullmatch(ohms, field, re.IGNORECASE) for field in fields[1:])
    )


def _values(rest: str) -> dict[str, float | complex]:
    match = _COMPLEX_OHMS.fullmatch(rest)
    if match:
        return {Z: _number(match[1])}
    match = _PAIR.fullmatch(rest)
    if match:
        return {R: float(match[1]), X: float(match[2])}
    match = _RATIO.fullmatch(rest)
    if match:
        return {SWR: float(match[1])}
    values: dict[str, float | complex] = {}
    at = 0
    while at < len(rest):
        item = _ITEM.match(rest, at)
        if item is None:
            raise ReadingError(f"{rest[at:]!r} does not parse. {_CURE}{_sign_hint(rest)}.")
        unit = (item["unit"] or "").replace(" ", "")
        found = meaning(f"{item['word']} ({unit})" if unit else item["word"])
        if found is None or found.quantity == FREQUENCY:
            raise ReadingError(
                f"{item['word']!r} is no quantity or unit that is known here. {_CURE}."
            )
        if found.quantity in values:
            raise ReadingError(f"{found.quantity} stands there twice; leave one out.")
        number = _number(item["value"])
        values[found.quantity] = found.scale * number if found.scale != 1.0 else number
        at = item.end()
    return values


def _number(text: str) -> float | complex:
    found = parse_number(text)
    if found is None:
        raise ReadingError(f"{text!r} is no number. {_CURE}.")
    return found


def _sign_hint(rest: str) -> str:
    """More of the cure where a sign stands apart and may be a dash."""
    apart = re.fullmatch(rf"{NUMBER}\s+[+-]\s+{NUMBER}", rest)
    lone = re.fullmatch(NUMBER, rest)
    if apart:
        return "; a sign that stands apart needs a j behind the reactance"
    if lone:
        return "; one number alone may be R, |Z| or SWR"
    return ""
