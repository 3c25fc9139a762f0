"""Points as they were read, with the place where each one stands, before any is changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...bands import HIGHEST, LOWEST, Band
from ...errors import ReadingError
from ...moments.basis import ComplexArray, FloatArray, IntArray
from .quantities import S11, Z_SIZE, Z, choose, reflection_from

MOST_POINTS = 100_000
"""More than that is no reading of an antenna by hand."""

_LONGEST_SHOWN = 60


@dataclass(frozen=True)
class Places:
    """Where points stand, for messages.

    Attributes
    ----------
    name : str
        File name, or "" for what was typed in.
    word : str
        "line" or "point".
    numbers : ndarray of int, shape (K,)
        Counted from 1.
    texts : sequence of str
        All lines or points, that number n at n - 1.
    """

    name: str
    word: str
    numbers: IntArray
    texts: Sequence[str]

    def at(self, point: int) -> str:
        """Place of a point, and what stands there."""
        number = int(self.numbers[point])
        return place(self.name, self.word, number, self.texts[number - 1])

    def taken(self, order: IntArray) -> Places:
        """The places of some points."""
        return replace(self, numbers=self.numbers[order])


@dataclass(frozen=True)
class Points:
    """What was read, at the analyser and against its own reference.

    Attributes
    ----------
    frequencies : ndarray of float, shape (K,)
        In the order of the source. [Hz]
    reflection : ndarray of complex, shape (K,)
        NaN + NaN j where only its size is known.
    magnitude : ndarray of float, shape (K,)
        Its size.
    reference : float
        [ohm]
    places : Places
    source : str
    notes : tuple of str
    """

    frequencies: FloatArray
    reflection: ComplexArray
    magnitude: FloatArray
    reference: float
    places: Places
    source: str
    notes: tuple[str, ...] = ()

    def taken(self, order: IntArray) -> Points:
        """Some of the points, in an order."""
        return replace(
            self,
            frequencies=self.frequencies[order],
            reflection=self.reflection[order],
            magnitude=self.magnitude[order],
            places=self.places.taken(order),
        )


def place(name: str, word: str, number: int, text: str = "") -> str:
    """ "readings.csv, line 4 ('7.05,23,-41')"."""
    text = text.strip()
    if len(text) > _LONGEST_SHOWN:
        text = text[: _LONGEST_SHOWN - 3] + "..."
    shown = f" ({text!r})" if text else ""
    return f"{name}, {word} {number}{shown}" if name else f"{word} {number}{shown}"


def points_from(
    frequencies: Sequence[float],
    shown: Sequence[dict[str, float | complex]],
    *,
    places: Places,
    reference: float,
    source: str,
    notes: tuple[str, ...] = (),
) -> Points:
    """Points from the quantities that each shows, which need not be the same for all.

    Raises
    ------
    ReadingError
        If a point tells no reflection, or a value cannot be.
    """
    if len(frequencies) > MOST_POINTS:
        raise ReadingError(too_many(places.name or source, len(frequencies)))
    f = np.asarray(frequencies, dtype=np.float64)
    reflection = np.empty(f.size, dtype=np.complex128)
    magnitude = np.empty(f.size)
    groups: dict[tuple[str, ...], list[int]] = {}
    settled = [_settled(values, places, k) for k, values in enumerate(shown)]
    for k, values in enumerate(settled):
        groups.setdefault(tuple(values), []).append(k)
    for names, members in groups.items():
        try:
            used = choose(names)
        except ReadingError as error:
            raise ReadingError(f"{places.at(members[0])}: {error}") from None
        columns = {
            name: np.array([settled[k][name] for k in members], dtype=np.complex128)
            for name in used
        }
        for name, column in columns.items():
            _require_numbers(column, name, places, members)
        reflection[members], magnitude[members] = reflection_from(
            columns,
            used,
            reference=reference,
            where=lambda at, members=members: places.at(members[at]),
        )
    return Points(f, reflection, magnitude, reference, places, source, notes)


def _settled(
    values: dict[str, float | complex], places: Places, point: int
) -> dict[str, float | complex]:
    """The same with a Z that is no complex number called a size."""
    if S11 in values and not isinstance(values[S11], complex):
        raise ReadingError(
            f"{places.at(point)}: S11 is {values[S11]:g}, which may be decibels or a size. Write "
            "'S11 (dB)', '|S11|', or a complex number, as -0.3+0.2j."
        )
    if Z in values and not isinstance(values[Z], complex):
        return {Z_SIZE if name == Z else name: value for name, value in values.items()}
    return values


def _require_numbers(
    column: ComplexArray, name: str, places: Places, members: Sequence[int]
) -> None:
    bad = ~np.isfinite(column)
    if np.any(bad):
        at = int(np.argmax(bad))
        raise ReadingError(
            f"{places.at(members[at])}: {name} is {column[at].real:g}, which is not finite; "
            "each value is a finite number. Leave a point out that the analyser could not read."
        )
    if name not in (Z, S11) and np.any(column.imag != 0.0):
        at = int(np.argmax(column.imag != 0.0))
        raise ReadingError(
            f"{places.at(members[at])}: {name} is {column[at]:g}; it is a real number. A complex "
            "one is called Z or S11."
        )


def too_many(name: str, count: int) -> str:
    """Message for more points than are taken."""
    return (
        f"{name}: there are {count} points, more than {MOST_POINTS}. Points of a resonance lie "
        "some kHz apart: export fewer, or only the bands that matter."
    )


def ordered(points: Points, *, within: Band | None) -> Points:
    """Points by rising frequency, each frequency once, none outside what can be computed.

    Raises
    ------
    ReadingError
        If a frequency is out of range, two readings of one frequency differ, or none is left.
    """
    f, notes = points.frequencies, list(points.notes)
    bad = ~np.isfinite(f) | (f <= 0.0)
    if np.any(bad):
        at = int(np.argmax(bad))
        raise ReadingError(
            f"{points.places.at(at)}: the frequency is {f[at]:g} Hz; it must be finite and above "
            "0. Check the column, and write units as '7.05 MHz'."
        )
    if within is not None:
        inside = np.flatnonzero((f >= within.low) & (f <= within.high))
        if inside.size == 0:
            raise ReadingError(
                f"{points.source}: none of {f.size} points lies within {within}; they run from "
                f"{f.min() / 1e6:g} to {f.max() / 1e6:g} MHz. Ask for another range."
            )
        if inside.size < f.size:
            notes.append(
                f"{f.size - inside.size} of {f.size} points lie outside {within}: left out"
            )
        points = points.taken(inside)
        f = points.frequencies
    out = (f < LOWEST) | (f > HIGHEST)
    if np.any(out):
        at = int(np.argmax(out))
        raise ReadingError(
            f"{points.places.at(at)}: the frequency is {f[at] / 1e6:g} MHz; {LOWEST / 1e6:g} to "
            f"{HIGHEST / 1e6:g} MHz can be computed. Check its unit, or read a part only, as with "
            "within='1.8-30 MHz'."
        )
    order = np.argsort(f, kind="stable")
    if np.any(np.diff(f) < 0.0):
        notes.append("frequencies did not rise: sorted")
    points = points.taken(order)
    keep = _first_of_each(points)
    if keep.size < order.size:
        notes.append(f"{order.size - keep.size} points stand there twice, alike: taken once")
        points = points.taken(keep)
    return replace(points, notes=tuple(notes))


def _first_of_each(points: Points) -> IntArray:
    f = points.frequencies
    twice = np.flatnonzero(np.diff(f) == 0.0)
    for k in map(int, twice):
        same = np.array_equal(
            points.reflection[k : k + 1], points.reflection[k + 1 : k + 2], equal_nan=True
        )
        if not (same and points.magnitude[k] == points.magnitude[k + 1]):
            raise ReadingError(
                f"{points.places.at(k + 1)}: {f[k] / 1e6:g} MHz stands there twice, the first time "
                f"in {points.places.at(k)}, and the two differ. One frequency has one reading: "
                "leave out the one that is older or worse."
            )
    return np.setdiff1d(np.arange(f.size), twice + 1)
