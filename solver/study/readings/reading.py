"""Readings from whatever a person has: text, tuples, tables, Touchstone files, at a line's end."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from ....geometry import GeometryError
from ....geometry.plan import AtticPlan
from ....materials import MaterialError
from ...bands import Band, read_band
from ...errors import ReadingError, SolverError
from ...moments.basis import FloatArray
from ...station.line import Line
from ...station.station_tables import read_station
from .deembedding import Reflections, carried
from .object_reader import points_of_objects
from .points import Places, Points, ordered
from .records import (
    AT_FEED_POINT,
    DEFAULT_MAGNITUDE_SD,
    DEFAULT_PHASE_SD_DEG,
    DEFAULT_REFERENCE,
    TYPED_IN,
    Readings,
    require_reference,
)
from .table_reader import find_header, points_of_table
from .text_reader import points_of_lines
from .touchstone_reader import (
    SUFFIX,
    looks_like_touchstone,
    points_of_touchstone,
    require_one_port,
)

MOST_BYTES = 50_000_000
SIGMAS = 3.0
"""So many standard deviations above 1 a reflection is taken for noise."""

ROUNDING = 1e-12

SAYS_LITTLE = 0.1
"""Noise of the reflection from which a reading says little of the antenna: at an SWR of 2 it is
anything from 1.6 to 2.5."""

_TABLE_SUFFIXES = (".csv", ".tsv", ".txt", ".dat", ".asc")
_LINE = re.compile(r"\s*(\S.*?)\s+of\s+(\S.*?)\s*")


def read_readings(
    given: str | Path | Readings | Iterable[object],
    *,
    reference: float | None = None,
    line: Line | str | None = None,
    within: Band | str | Sequence[float] | None = None,
    magnitude_sd: ArrayLike = DEFAULT_MAGNITUDE_SD,
    phase_sd_deg: ArrayLike = DEFAULT_PHASE_SD_DEG,
) -> Readings:
    """Readings at the feed point.

    Parameters
    ----------
    given : str, Path, Readings, or iterable
        Text as "7.05 MHz 23 - 41j", "7.05 MHz R 23 X -41", "7.05 MHz SWR 2.4" or
        "7.05, 23, -41", several of them one a line or with ";" between them; a list of (frequency,
        impedance), (frequency, R, X), dicts or such texts; the path of a table with a header, or
        of a Touchstone one-port file; or readings. A frequency without unit is MHz from 1 to 60
        and Hz from 1e5 on.
    reference : float or None
        What SWR, |reflection| and S11 refer to, and the result, 50 unless told; a Touchstone file
        and readings say their own, and are turned to this. [ohm]
    line : Line, str or None
        Between analyser and feed point, as "12 m of RG-58"; its effect is taken away. See
        `line_of` for that of an attic file.
    within : Band, str, pair of float or None
        Keep only this range, as "1.8-30 MHz". [Hz]
    magnitude_sd : float
        Standard deviation of the size of the reflection as the analyser shows it.
    phase_sd_deg : float
        Standard deviation of its phase. [degrees]

    Returns
    -------
    Readings
        `notes` says what was done and what is doubtful.

    Raises
    ------
    ReadingError
        If something cannot be read or cannot be true: place, value, rule and cure.
    BandError
        If `within` is no range.
    ImportError
        If scikit-rf is missing for a Touchstone file.

    Notes
    -----
    A reflection above 1 by up to three standard deviations is kept as it is, and noted; more is an
    error, as it is behind a line, where it means that the line loses less than told.

    Examples
    --------
    >>> read_readings("7.05 MHz 23 - 41j")
    <Readings: 1 reading at 7.05 MHz at the feed point, typed in>
    >>> read = read_readings("7050 kHz SWR 2.4", line="12 m of RG-58")
    >>> f"{read.swr[0]:.2f}"
    '2.69'
    """
    to = DEFAULT_REFERENCE if reference is None else require_reference(reference)
    band = None if within is None else read_band(within)
    known_line = None if line is None else _as_line(line)
    if isinstance(given, Readings):
        return _read_again(given, given.reference if reference is None else to, known_line, band)
    points = ordered(_points(given, to), within=band)
    read = Reflections(
        points.reflection,
        points.magnitude,
        _noise(magnitude_sd, "magnitude_sd", points.frequencies),
        _noise(phase_sd_deg, "phase_sd_deg", points.frequencies),
    )
    notes = [*points.notes, *_require_passive(points, read.magnitude_sd)]
    return _at_feed_point(points.frequencies, read, points.places, points.reference, to,
                          known_line, points.source, notes)  # fmt: skip


def line_of(plan: AtticPlan) -> Line:
    """The [line] of an attic file, for readings taken at the radio's end of it.

    The tuner must have been bypassed.

    Raises
    ------
    ReadingError
        If the file tells no line, or a transformer stands between it and the feed point.
    AtticFileError
        If the line's table cannot be used.
    """
    setup = read_station(plan.file)
    if setup.line is None:
        raise ReadingError(
            f"{plan.file.name}: it tells no line, and a reading was taken at the end of one. Add "
            'a table [line] with type and length, or say line="12 m of RG-58".'
        )
    if setup.transformer is not None:
        raise ReadingError(
            f"{plan.file.name}: a transformer stands between the line and the feed point, and its "
            "effect on a reading is not taken away. Read at the feed point, behind it."
        )
    return setup.line


def _at_feed_point(
    frequencies: FloatArray,
    read: Reflections,
    places: Places | None,
    from_reference: float,
    to_reference: float,
    line: Line | None,
    source: str,
    notes: Sequence[str],
    taken_at: str = AT_FEED_POINT,
) -> Readings:
    all_notes = list(notes)
    found = read
    if line is not None or from_reference != to_reference:
        found = carried(
            read,
            frequencies,
            from_reference=from_reference,
            to_reference=to_reference,
            line=line,
            source=source,
        )
    if line is not None:
        taken_at = f"the end of {line.length:g} m of {line.kind.name}"
        all_notes += _require_line_possible(frequencies, read, found, line, places, source)
        all_notes += _noise_note(frequencies, found, line)
    return Readings(
        frequencies,
        found.values,
        found.magnitude,
        reference=to_reference,
        magnitude_sd=found.magnitude_sd,
        phase_sd_deg=found.phase_sd_deg,
        source=source,
        taken_at=taken_at,
        notes=tuple(all_notes),
    )


def _read_again(
    given: Readings, reference: float, line: Line | None, band: Band | None
) -> Readings:
    """Readings that are there already, moved to a feed point or another reference."""
    kept = given if band is None else given.within(band.low, band.high)
    if line is None:
        return kept.renormalised(reference)
    if given.taken_at != AT_FEED_POINT:
        raise ReadingError(
            f"{given.source}: the effect of a line has been taken away already (taken at "
            f"{given.taken_at}); {line} would come on top. Leave line out."
        )
    return _at_feed_point(
        kept.frequencies, kept.reflections, None, kept.reference, reference, line, kept.source,
        kept.notes,
    )  # fmt: skip


def _as_line(line: Line | str) -> Line:
    if isinstance(line, Line):
        return line
    match = _LINE.fullmatch(line) if isinstance(line, str) else None
    if match is None:
        raise ReadingError(
            f"the line is {line!r}; give a Line, or its length and kind, as '12 m of RG-58'."
        )
    try:
        return Line.named(match[2], length=match[1])
    except (GeometryError, MaterialError, SolverError) as error:
        raise ReadingError(f"the line {line!r} cannot be used: {error}") from error


def _noise(told: ArrayLike, name: str, frequencies: FloatArray) -> FloatArray:
    try:
        value = np.asarray(told, dtype=np.float64)
    except (TypeError, ValueError):
        value = np.array(np.nan)
    if value.ndim != 0 or not (np.isfinite(value) and value > 0.0):
        raise ReadingError(
            f"{name} is {told!r}; it is one number above 0, since no analyser is exact. Leave it "
            f"out for the usual {DEFAULT_MAGNITUDE_SD:g} and {DEFAULT_PHASE_SD_DEG:g} degrees."
        )
    return np.full(frequencies.shape, value)


# ---- where they come from ----------------------------------------------------------------


def _points(given: str | Path | Iterable[object], reference: float) -> Points:
    if isinstance(given, os.PathLike) or (isinstance(given, str) and _is_path(given)):
        return _points_of_file(Path(given), reference)
    if isinstance(given, str):
        if not given.strip():
            raise ReadingError(
                "the text of readings is empty. Write them as '7.05 MHz 23 - 41j', one a line or "
                "with ';' between them."
            )
        return _points_of_text(given.splitlines(), "", reference)
    if isinstance(given, Mapping):
        return points_of_objects([given], reference=reference, source=TYPED_IN)
    if isinstance(given, bytes) or not isinstance(given, Iterable):
        raise ReadingError(
            f"readings are {type(given).__name__}; give text, a path, a list of (frequency, "
            "impedance) or (frequency, R, X), or Readings."
        )
    things = list(given) if not isinstance(given, np.ndarray) else [*np.atleast_2d(given)]
    if len(things) in (2, 3) and all(_is_scalar(thing) for thing in things):
        things = [tuple(things)]
    return points_of_objects(things, reference=reference, source=TYPED_IN)


def _is_scalar(thing: object) -> bool:
    return np.isscalar(thing) and not isinstance(thing, str | bytes)


def _is_path(text: str) -> bool:
    """Whether a text is the name of a file rather than readings."""
    if "\n" in text or "\r" in text or not text.strip():
        return False
    suffix = Path(text).suffix.lower()
    if suffix in _TABLE_SUFFIXES or suffix == ".ts" or SUFFIX.search(text):
        return True
    if re.match(r"\s*[-+.\d]", text):
        return _exists(text)
    is_bare = " " not in text.strip() or re.search(r"[\\/]", text) is not None
    return is_bare or _exists(text)


def _exists(text: str) -> bool:
    try:
        return Path(text).exists()
    except (OSError, ValueError):
        return False


def _points_of_file(path: Path, reference: float) -> Points:
    name = str(path)
    require_one_port(name)
    lines = _lines_of(path, name)
    if SUFFIX.search(name) or path.suffix.lower() == ".ts" or looks_like_touchstone(lines):
        return points_of_touchstone(lines, name=name)
    return _points_of_text(lines, name, reference)


def _points_of_text(lines: Sequence[str], name: str, reference: float) -> Points:
    source = name or TYPED_IN
    if not name and looks_like_touchstone(lines):
        return points_of_touchstone(lines, name=TYPED_IN)
    header = find_header(lines, name=name) if name or len(lines) > 1 else None
    if header is not None:
        return points_of_table(lines, header=header, name=name, reference=reference, source=source)
    return points_of_lines(lines, name=name, reference=reference, source=source)


def _lines_of(path: Path, name: str) -> list[str]:
    try:
        if path.is_dir():
            raise ReadingError(f"{name}: it is a directory. Give one file in it.")
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise ReadingError(
                f"{name}: it has {size / 1e6:.0f} MB, more than {MOST_BYTES / 1e6:.0f} MB. "
                "Export fewer points, or only the bands that matter."
            )
        raw = path.read_bytes()
    except FileNotFoundError:
        raise ReadingError(
            f"{name}: there is no such file. Check the path; readings themselves are written as "
            "'7.05 MHz 23 - 41j'."
        ) from None
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise ReadingError(
            f"{name}: it cannot be read ({why}). Check the path and rights."
        ) from None
    if not raw.strip():
        raise ReadingError(f"{name}: it is empty. Export the reading anew.")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    odd = re.search(r"[\x00-\x08\x0e-\x1f\x7f]", text)
    if odd:
        raise ReadingError(
            f"{name}: it is no text (character {odd.start()} has the code {ord(odd[0])}). Export "
            "it as CSV or Touchstone text in UTF-8; a spreadsheet's own format is none."
        )
    return text.splitlines()


# ---- what cannot be ----------------------------------------------------------------------


def _require_passive(points: Points, sd: FloatArray) -> list[str]:
    above = points.magnitude > 1.0 + SIGMAS * sd
    if np.any(above):
        at = int(np.argmax(above))
        size = points.magnitude[at]
        g = points.reflection[at]
        z = points.reference * (1.0 + g) / (1.0 - g) if np.isfinite(g) and g != 1.0 else np.nan
        shown = f" (resistance {z.real:.3g} ohm, below 0)" if np.isfinite(z) else ""
        raise ReadingError(
            f"{points.places.at(at)}: |reflection| is {size:.3g} at "
            f"{points.frequencies[at] / 1e6:g} MHz{shown}; a passive antenna reflects at most "
            f"all, 1, and noise of {sd[at]:g} explains up to {1.0 + SIGMAS * sd[at]:.3g}. "
            "Calibrate the analyser, and check the port, the units and the order of columns."
        )
    return _above_one_note(points.frequencies, points.magnitude, "as read")


def _above_one_note(frequencies: FloatArray, magnitude: FloatArray, where: str) -> list[str]:
    over = int(np.count_nonzero(magnitude > 1.0 + ROUNDING))
    if not over:
        return []
    at = int(np.argmax(magnitude))
    return [
        f"|reflection| above 1 {where} at {over} of {magnitude.size} points, up to "
        f"1 + {magnitude[at] - 1.0:.1g} at {frequencies[at] / 1e6:g} MHz: within the noise, kept "
        "as it is"
    ]


def _require_line_possible(
    frequencies: FloatArray,
    read: Reflections,
    found: Reflections,
    line: Line,
    places: Places | None,
    source: str,
) -> list[str]:
    above = found.magnitude > 1.0 + SIGMAS * found.magnitude_sd
    if np.any(above):
        at = int(np.argmax(np.where(above, found.magnitude, 0.0)))
        where = places.at(at) if places is not None else source
        loss = float(line.matched_loss_db(frequencies[at]))
        raise ReadingError(
            f"{where}: at {frequencies[at] / 1e6:g} MHz {line} as told loses {loss:.2f} dB, and "
            f"|reflection| {read.magnitude[at]:.3g} at its end would be {found.magnitude[at]:.3g} "
            f"at the feed point, above 1 by more than noise of {found.magnitude_sd[at]:.2g} "
            "explains. The line is shorter or loses less than told, has another impedance, or the "
            "reading was not taken behind it: correct the line, or leave it out."
        )
    if np.any((found.magnitude > 1.0) & (read.magnitude <= 1.0)):
        return _above_one_note(frequencies, found.magnitude, f"behind {line}")
    return []


def _noise_note(frequencies: FloatArray, found: Reflections, line: Line) -> list[str]:
    loud = found.magnitude_sd > SAYS_LITTLE
    if not np.any(loud):
        return []
    at = int(np.argmax(found.magnitude_sd))
    loss = float(line.matched_loss_db(frequencies[at]))
    return [
        f"{line} loses so much that {int(np.count_nonzero(loud))} of {loud.size} readings say "
        f"little of the antenna: noise of |reflection| is {found.magnitude_sd[at]:.2g} at "
        f"{frequencies[at] / 1e6:g} MHz, where the line loses {loss:.1f} dB each way"
    ]
