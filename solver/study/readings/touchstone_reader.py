"""Touchstone one-port files, of versions 1 and 2, through scikit-rf.

Lines are looked at first, so that what is wrong is told by its line. The numbers are read as if
they were S, and turned here: in version 1, Z is divided and Y multiplied by the reference (the
format's text, from memory), while scikit-rf 2.2 multiplies both.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...errors import ReadingError
from ...moments.basis import ComplexArray
from .points import MOST_POINTS, Places, Points, place, too_many

SUFFIX = re.compile(r"\.([a-z]*?)(\d+)p$", re.IGNORECASE)
_OPTION = re.compile(
    r"#\s*(?=.*\b(?:ri|ma|db|s|y|z)\b)(?:[kmg]?hz|[syz]|ri|ma|db|r)\b", re.IGNORECASE
)
_UNITS = ("hz", "khz", "mhz", "ghz")
_FORMATS = ("ri", "ma", "db")


@dataclass(frozen=True)
class _Options:
    unit: str = "ghz"
    parameter: str = "s"
    format: str = "ma"
    reference: float = 50.0

    def __str__(self) -> str:
        return f"# {self.unit} s {self.format} r {self.reference!r}"


def looks_like_touchstone(lines: Sequence[str]) -> bool:
    """Whether the first line that is no ! comment is an option line or a keyword."""
    first = next((line.strip() for line in lines if line.strip().lstrip()[:1] not in ("", "!")), "")
    return _OPTION.match(first) is not None or first.lower().startswith("[version]")


def require_one_port(name: str) -> None:
    """Refuse a file whose name says more ports.

    Raises
    ------
    ReadingError
        If it does.
    """
    match = SUFFIX.search(name)
    if match and int(match[2]) != 1:
        raise ReadingError(f"{name}: its name says {match[2]} ports. {_ONE_PORT}")


_ONE_PORT = (
    "An antenna has one: export the reflection at the port it hangs on alone, as a one-port .s1p "
    "file, or as a table of S11."
)


def points_of_touchstone(lines: Sequence[str], *, name: str) -> Points:
    """Points of a Touchstone file, against its own reference.

    Raises
    ------
    ReadingError
        If it is no one-port file or a value cannot be: line, text, rule and cure.
    ImportError
        If scikit-rf is not installed.
    """
    try:
        from skrf.io.touchstone import Touchstone
    except ImportError as error:
        raise ImportError(
            "Touchstone files need scikit-rf, which is not installed: pip install "
            "'scikit-rf>=1.0' (or 'ridgepole[readings]')"
        ) from error
    require_one_port(name)
    kept, options, version, numbers = _looked_at(lines, name)
    text = io.StringIO("\n".join(kept) + "\n")
    text.name = "reading.s1p"  # scikit-rf takes the number of ports from it
    try:
        found = Touchstone(text)
        frequencies, values = found.get_sparameter_arrays()
    except (ValueError, IndexError, KeyError, TypeError) as error:
        raise ReadingError(
            f"{name}: it cannot be read as a Touchstone file ({error}). Export it anew, or as a "
            "table of frequency, R and X."
        ) from error
    if found.rank != 1:
        raise ReadingError(f"{name}: it has {found.rank} ports. {_ONE_PORT}")
    shown = np.asarray(values[:, 0, 0], dtype=np.complex128)
    reference = float(np.asarray(found.z0, dtype=np.complex128).ravel()[0].real)
    places = Places(name, "line", np.array(numbers), lines)
    if len(numbers) != shown.size:
        raise ReadingError(
            f"{name}: {len(numbers)} points stand in it and {shown.size} could be read. Export it "
            "anew, with one point a line."
        )
    if not (math.isfinite(reference) and reference > 0.0):
        raise ReadingError(
            f"{name}: its reference is {reference:g} ohm; it must be above 0. Correct the file."
        )
    reflection = _reflection(shown, options.parameter, reference if version >= 2.0 else 1.0, places)
    note = (
        f"{options.parameter.upper()}-parameters against {reference:g} ohm, Touchstone {version:g}"
    )
    return Points(
        np.asarray(frequencies, dtype=np.float64), reflection, np.abs(reflection), reference,
        places, name, (note,),
    )  # fmt: skip


def _reflection(
    values: ComplexArray, parameter: str, reference: float, places: Places
) -> ComplexArray:
    """Reflection coefficient from S, or from Z or Y of a reference."""
    if parameter == "s":
        return values
    scaled = values / reference if parameter == "z" else values * reference
    bad = scaled == -1.0
    if np.any(bad):
        at = int(np.argmax(bad))
        raise ReadingError(
            f"{places.at(at)}: its resistance is minus the reference; a passive antenna has none "
            "below 0. Calibrate the analyser."
        )
    turned = (scaled - 1.0) / (scaled + 1.0)
    return turned if parameter == "z" else -turned


def _looked_at(lines: Sequence[str], name: str) -> tuple[list[str], _Options, float, list[int]]:
    """Lines without comments for scikit-rf, options, version, and line numbers of the points."""
    kept: list[str] = []
    numbers: list[int] = []
    options: _Options | None = None
    version, in_data, has_ended = 1.0, True, False
    for n, line in enumerate(lines, 1):
        text = line.partition("!")[0].strip()
        if not text or has_ended:
            continue
        where = place(name, "line", n, line)
        if text.startswith("#"):
            if options is not None:
                continue  # the format takes the first and skips others
            options = _read_options(text, where)
            kept.append(str(options))
            continue
        if text.startswith("["):
            keyword, _, rest = text[1:].partition("]")
            keyword = " ".join(keyword.lower().split())
            version = _read_keyword(keyword, rest.strip(), where, version)
            if keyword == "version":
                in_data = version < 2.0
            in_data = in_data or keyword == "network data"
            has_ended = keyword == "end"
            if keyword != "end":
                kept.append(text)
            continue
        if in_data:
            if options is None:
                raise ReadingError(
                    f"{where}: a number stands before the option line, which says its unit and "
                    "form. Put a line as '# MHz S RI R 50' at the top."
                )
            _require_point(text, where)
            numbers.append(n)
        kept.append(text)
    if not numbers:
        raise ReadingError(f"{name}: there is no reading in it. Export the points of the sweep.")
    if len(numbers) > MOST_POINTS:
        raise ReadingError(too_many(name, len(numbers)))
    return kept, options or _Options(), version, numbers


def _read_options(text: str, where: str) -> _Options:
    """The option line; its words may stand in any order."""
    words = text[1:].lower().split()
    found: dict[str, str | float] = {}
    at = 0
    while at < len(words):
        word = words[at]
        if word == "r":
            at += 1
            ohms = words[at] if at < len(words) else ""
            if len(words) > at + 1 and re.match(r"[-+.\d]", words[at + 1]):
                raise ReadingError(
                    f"{where}: the reference has more than one number; a one-port file has one "
                    "real reference, as R 50. Correct the option line."
                )
            try:
                value = float(ohms)
            except ValueError:
                value = math.nan
            if not (math.isfinite(value) and value > 0.0):
                raise ReadingError(
                    f"{where}: the reference is {ohms!r}; it must be ohms above 0, as R 50. "
                    "Correct the option line."
                )
            found["reference"] = value
        elif word in _UNITS:
            found["unit"] = word
        elif word in _FORMATS:
            found["format"] = word
        elif word in ("s", "y", "z"):
            found["parameter"] = word
        else:
            raise ReadingError(
                f"{where}: {word!r} in the option line is not known for one port; it says a unit "
                f"({', '.join(_UNITS)}), S, Y or Z, one of {', '.join(_FORMATS)}, and R with ohms, "
                "as '# MHz S RI R 50'. Correct it, or export anew."
            )
        at += 1
    return _Options(**found)  # type: ignore[arg-type]


def _read_keyword(keyword: str, rest: str, where: str, version: float) -> float:
    """The version, as far as it is known after a keyword."""
    if keyword == "version":
        try:
            return float(rest)
        except ValueError:
            raise ReadingError(
                f"{where}: the version is {rest!r}; it is a number, as 2.0. Correct it."
            ) from None
    if keyword == "number of ports" and rest != "1":
        raise ReadingError(f"{where}: the file has {rest or 'no'} ports. {_ONE_PORT}")
    return version


def _require_point(text: str, where: str) -> None:
    words = text.split()
    values: list[float] = []
    for word in words:
        try:
            values.append(float(word))
        except ValueError:
            cure = "Write decimal points." if "," in word else "Export the file anew."
            raise ReadingError(
                f"{where}: {word!r} is no number; a point is a frequency and two numbers. {cure}"
            ) from None
    if len(values) != 3:
        more = f" {_ONE_PORT}" if len(values) > 3 else " Export the file anew."
        raise ReadingError(
            f"{where}: it has {len(values)} numbers; a point of one port has three, a frequency "
            f"and two numbers.{more}"
        )
    for value, word in zip(values, words, strict=True):
        if not math.isfinite(value):
            raise ReadingError(
                f"{where}: {word!r} is not finite; each value is a finite number. Leave the point "
                "out."
            )
