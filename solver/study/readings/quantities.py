"""What an analyser shows: names of quantities as people write them, and the reflection they mean.

One vocabulary serves headers of tables, words in typed lines and keys of dicts.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...errors import ReadingError
from ...moments.basis import ComplexArray, FloatArray

UNSIGNED = r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
NUMBER = rf"[+-]?{UNSIGNED}"
COMPLEX = rf"{NUMBER}\s*[+-]\s*(?:[ji]\s*\*?\s*{UNSIGNED}|{UNSIGNED}\s*\*?\s*[ji])(?![A-Za-z0-9])"
_COMPLEX_PARTS = re.compile(
    rf"({NUMBER})\s*([+-])\s*(?:[ji]\s*\*?\s*({UNSIGNED})|({UNSIGNED})\s*\*?\s*[ji])"
)

FREQUENCY_UNITS = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
_OHMS = {"": 1.0, "ohm": 1.0, "ohms": 1.0, "kohm": 1e3, "kohms": 1e3}
_ANGLES = {
    "": 1.0, "deg": 1.0, "degree": 1.0, "degrees": 1.0, "\u00b0": 1.0,
    "rad": 180.0 / math.pi, "radians": 180.0 / math.pi,
}  # fmt: skip
_DECIBELS = {"": 1.0, "db": 1.0}
_PLAIN = {"": 1.0, ":1": 1.0}

FREQUENCY = "frequency"
R, X, Z, Z_SIZE = "R", "X", "Z", "|Z|"
SWR, S11, S11_REAL, S11_IMAG, S11_SIZE, S11_DB = (
    "SWR",
    "S11",
    "S11 real",
    "S11 imag",
    "|S11|",
    "S11 dB",
)
RETURN_LOSS, PHASE, PHASE_OF_Z, PHASE_OF_S11 = "return loss", "phase", "phase of Z", "phase of S11"

_WORDS: dict[str, str] = {
    FREQUENCY: "frequency frequencies freq f",
    R: "r rs rseries resistance re(z) real(z) rez realz zre zreal zr",
    X: "x xs xseries jx reactance im(z) imag(z) imz imagz zim zimag zx",
    Z: "z impedance zcomplex z=r+jx r+jx",
    Z_SIZE: "|z| zmag magz mag(z) abs(z) zabs absz magnitudeofz zmagnitude",
    SWR: "swr vswr standingwaveratio",
    S11: "s11 gamma reflection reflectioncoefficient",
    S11_REAL: "s11re s11real re(s11) real(s11) res11 reals11 regamma re(gamma) gammareal gammare",
    S11_IMAG: "s11im s11imag im(s11) imag(s11) ims11 imags11 imgamma im(gamma) gammaimag gammaim",
    S11_SIZE: "|s11| s11mag mags11 mag(s11) abs(s11) |gamma| gammamag mag(gamma) rho |rho| s11lin",
    S11_DB: "db(s11) s11logmag logmags11 s11magdb dbs11 s11db",
    RETURN_LOSS: "returnloss rl rtnloss",
    PHASE: "phase theta \u03b8 angle ang phi arg",
    PHASE_OF_Z: "phaseofz phasez zphase phase(z) thetaz zangle ang(z) arg(z) zang ztheta zphi",
    PHASE_OF_S11: "phaseofs11 phases11 s11phase phase(s11) ang(s11) arg(s11) s11angle s11ang "
    "angles11 gammaphase phasegamma phase(gamma) thetagamma rhophase phaseofgamma",
}
_MEANING = {word: name for name, words in _WORDS.items() for word in words.split()}

_UNITS: dict[str, Mapping[str, float]] = {
    FREQUENCY: {**FREQUENCY_UNITS, "": 1.0},
    **dict.fromkeys((R, X, Z, Z_SIZE), _OHMS),
    **dict.fromkeys((SWR, S11, S11_REAL, S11_IMAG, S11_SIZE), _PLAIN),
    **dict.fromkeys((S11_DB, RETURN_LOSS), _DECIBELS),
    **dict.fromkeys((PHASE, PHASE_OF_Z, PHASE_OF_S11), _ANGLES),
}

KNOWN = (
    "frequency; R and X; SWR; |Z| and phase; S11 real and S11 imag; S11 (dB), |S11| or return "
    "loss, and phase"
)
"""What can be read, in words."""

BARE_MEGAHERTZ = (1.0, 60.0)
BARE_HERTZ = 1e5
"""Frequencies without a unit are MHz within the first, Hz from the second on."""

MOST_PHASE = 360.0


@dataclass(frozen=True)
class Meaning:
    """What a word with its unit stands for.

    Attributes
    ----------
    quantity : str
        One of the names of this module.
    scale : float
        Factor to Hz, ohms, degrees or dB.
    has_unit : bool
        Whether a unit was told.
    """

    quantity: str
    scale: float
    has_unit: bool


def plain(text: str) -> str:
    """Text with one kind of minus, ohm and space."""
    for odd, usual in (
        ("\u2212", "-"), ("\u2013", "-"), ("\u03a9", "ohm"), ("\u2126", "ohm"), ("\u00a0", " "),
    ):  # fmt: skip
        text = text.replace(odd, usual)
    return text


def meaning(text: str) -> Meaning | None:
    """What "Freq. (MHz)", "R [ohm]", "S11 dB" or "theta" stands for; None: not known.

    Raises
    ------
    ReadingError
        If the word is known and its unit is none; the place is the caller's to add.
    """
    words = plain(text).strip().strip("\"'").strip().lower()
    whole = _MEANING.get(_compact(words))
    if whole is not None:
        return Meaning(whole, 1.0, False)
    if words in FREQUENCY_UNITS:
        return Meaning(FREQUENCY, FREQUENCY_UNITS[words], True)
    match = re.fullmatch(r"(.*?)[\s_,]*[(\[]\s*([^()\[\]]*?)\s*[)\]]", words)
    if match is None:
        match = re.fullmatch(r"(.*?)[\s_/,]+([a-z\u00b0]+)", words)
    if match is None:
        return None
    name, unit = _MEANING.get(_compact(match[1])), match[2].replace(" ", "")
    if name is None:
        return None
    if unit == "db" and name in (S11, S11_SIZE):
        name = S11_DB
    if unit not in _UNITS[name]:
        allowed = ", ".join(u for u in _UNITS[name] if u) or "none"
        raise ReadingError(
            f"the unit {match[2]!r} of {name} does not parse; units of {name}: {allowed}."
        )
    return Meaning(name, _UNITS[name][unit], unit != "")


def parse_number(text: str, *, decimal_comma: bool = False) -> float | complex | None:
    """A number, or a complex one as "23 - 41j" or "23-j41"; None: neither."""
    cell = plain(text).strip().strip("\"'").strip()
    if decimal_comma and "." not in cell:
        cell = re.sub(r"(?<=\d),(?=\d)", ".", cell)
    match = re.fullmatch(rf"({NUMBER})\s*(?::\s*1)?", cell)
    if match:
        return float(match[1])
    parts = _COMPLEX_PARTS.fullmatch(cell)
    if parts is None:
        return None
    imag = float(parts[3] or parts[4])
    return complex(float(parts[1]), -imag if parts[2] == "-" else imag)


def bare_frequency(value: float) -> float:
    """A frequency told without a unit. [Hz]

    Raises
    ------
    ReadingError
        If neither MHz nor Hz is likely; the place is the caller's to add.
    """
    if BARE_MEGAHERTZ[0] <= value <= BARE_MEGAHERTZ[1]:
        return 1e6 * value
    if value >= BARE_HERTZ:
        return value
    raise ReadingError(
        f"frequency {value:g} has no unit. Without one {BARE_MEGAHERTZ[0]:g} to "
        f"{BARE_MEGAHERTZ[1]:g} is taken as MHz and {BARE_HERTZ:g} and more as Hz. Write the "
        "unit, as '7.05 MHz' or '7050 kHz'; in a table put it in the header, as 'freq (kHz)'."
    )


def choose(names: Collection[str]) -> tuple[str, ...]:
    """Of the quantities that are there, those that tell the reflection, phase included if any.

    Raises
    ------
    ReadingError
        If none do, or a phase could belong to two; the place is the caller's to add.
    """
    there = set(names)
    for pair in ((R, X), (S11_REAL, S11_IMAG)):
        if there.issuperset(pair):
            return pair
    for one in (Z, S11):
        if one in there:
            return (one,)
    reflections = [name for name in (S11_SIZE, S11_DB, RETURN_LOSS) if name in there]
    if Z_SIZE in there and PHASE_OF_Z in there:
        return (Z_SIZE, PHASE_OF_Z)
    if reflections and PHASE_OF_S11 in there:
        return (reflections[0], PHASE_OF_S11)
    if PHASE in there:
        if Z_SIZE in there and reflections:
            raise ReadingError(
                f"phase may be that of {Z_SIZE} or that of {reflections[0]}; one of them is not "
                "known. Name it 'phase of Z' or 'phase of S11'."
            )
        if Z_SIZE in there:
            return (Z_SIZE, PHASE)
        if reflections:
            return (reflections[0], PHASE)
    for one in (SWR, *reflections):
        if one in there:
            return (one,)
    if R in there or X in there or Z_SIZE in there:
        found = ", ".join(sorted(there & {R, X, Z_SIZE}))
        raise ReadingError(
            f"{found} alone does not tell an impedance: the sign of the reactance is open. Give "
            "R and X, |Z| and phase, or SWR."
        )
    raise ReadingError(f"no quantity that tells a reflection is there. Known are: {KNOWN}.")


def reflection_from(
    values: Mapping[str, ComplexArray],
    used: tuple[str, ...],
    *,
    reference: float,
    where: Callable[[int], str],
) -> tuple[ComplexArray, FloatArray]:
    """Reflection coefficient, and its size, from what was chosen.

    Parameters
    ----------
    values : mapping of str to ndarray, shape (K,)
        Finite; ohms, degrees, dB.
    used : tuple of str
        As `choose` gives.
    reference : float
        Of the analyser. [ohm]
    where : callable
        Place of a point, for messages.

    Returns
    -------
    reflection : ndarray of complex, shape (K,)
        NaN + NaN j where no phase is known.
    magnitude : ndarray of float, shape (K,)

    Raises
    ------
    ReadingError
        If a value cannot be.
    """
    for name in used:
        _require_possible(values[name], name, where)
    first = values[used[0]]
    if used in ((R, X), (Z,)) or used[0] == Z_SIZE:
        if used == (R, X):
            z = first.real + 1j * values[X].real
        elif used == (Z,):
            z = first
        else:
            z = first.real * _turn(values[used[1]])
        bad = np.abs(z + reference) == 0.0
        if np.any(bad):
            at = int(np.argmax(bad))
            raise ReadingError(
                f"{where(at)}: the impedance is {z[at]:g} ohm; its resistance is negative, and a "
                "passive antenna has none. Calibrate the analyser."
            )
        reflection = (z - reference) / (z + reference)
        return reflection, np.abs(reflection)
    if used == (S11,):
        return first, np.abs(first)
    if used == (S11_REAL, S11_IMAG):
        reflection = first.real + 1j * values[S11_IMAG].real
        return reflection, np.abs(reflection)
    size = _size(first.real, used[0], where)
    if len(used) == 1:
        return np.full(size.shape, complex(np.nan, np.nan)), size
    return size * _turn(values[used[1]]), size


def _size(values: FloatArray, name: str, where: Callable[[int], str]) -> FloatArray:
    if name == SWR:
        return (values - 1.0) / (values + 1.0)
    if name == S11_SIZE:
        return values
    if name == S11_DB:
        return 10.0 ** (values / 20.0)
    if np.any(values < 0.0) and np.any(values > 0.0):
        at = int(np.argmax(values < 0.0))
        raise ReadingError(
            f"{where(at)}: the return loss is {values[at]:g} dB, others are above 0. A return "
            "loss has one sign throughout, as 8 dB. Correct it, or name the column 'S11 (dB)'."
        )
    return 10.0 ** (-np.abs(values) / 20.0)


def _require_possible(values: ComplexArray, name: str, where: Callable[[int], str]) -> None:
    rules: tuple[tuple[str, str, Callable[[FloatArray], NDArray[np.bool_]]], ...] = (
        (SWR, "an SWR is at least 1. Check which column it stands in", lambda v: v < 1.0),
        (Z_SIZE, "a size is at least 0. A signed value is R or X: name it so", lambda v: v < 0.0),
        (S11_SIZE, "a size is at least 0. Name it 'S11 (dB)' if it is decibels", lambda v: v < 0.0),
    )  # fmt: skip
    for which, rule, is_bad in rules:
        if name == which and np.any(is_bad(values.real)):
            at = int(np.argmax(is_bad(values.real)))
            raise ReadingError(f"{where(at)}: {name} is {values[at].real:g}; {rule}.")
    if name in (PHASE, PHASE_OF_Z, PHASE_OF_S11):
        bad = np.abs(values.real) > MOST_PHASE
        if np.any(bad):
            at = int(np.argmax(bad))
            raise ReadingError(
                f"{where(at)}: the {name} is {values[at].real:g} degrees; it lies within "
                f"{MOST_PHASE:g} of 0. Check its unit (deg or rad) and its column."
            )


def _turn(degrees: ComplexArray) -> ComplexArray:
    return np.exp(1j * np.radians(degrees.real))


def _compact(word: str) -> str:
    return re.sub(r"[\s_.\-]+", "", word)
