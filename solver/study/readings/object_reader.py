"""Readings from code: tuples (frequency, impedance) or (frequency, R, X), dicts, and arrays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from numbers import Complex, Real

import numpy as np

from ...errors import ReadingError
from .points import MOST_POINTS, Places, Points, place, points_from, too_many
from .quantities import FREQUENCY, R, X, Z, bare_frequency, meaning, parse_number
from .text_reader import parse_frequency, parse_line

_CURE = (
    "Give (frequency, impedance), (frequency, R, X), a dict as {'frequency': 7.05e6, 'SWR': 2.4}, "
    "or text as '7.05 MHz 23 - 41j'"
)


def points_of_objects(items: Iterable[object], *, reference: float, source: str) -> Points:
    """Points of tuples, dicts, texts or rows of an array.

    Raises
    ------
    ReadingError
        If an item is none of them or a value cannot be: its number, the rule and the cure.
    """
    things = list(items)
    if not things:
        raise ReadingError(f"{source}: there is no reading in it. {_CURE}.")
    if len(things) > MOST_POINTS:
        raise ReadingError(too_many(source, len(things)))
    frequencies: list[float] = []
    shown: list[dict[str, float | complex]] = []
    texts = [item if isinstance(item, str) else repr(item) for item in things]
    for n, item in enumerate(things, 1):
        try:
            frequency, values = _read_item(item)
        except ReadingError as error:
            raise ReadingError(f"{place('', 'point', n, texts[n - 1])}: {error}") from None
        frequencies.append(frequency)
        shown.append(values)
    places = Places("", "point", np.arange(1, len(things) + 1), texts)
    return points_from(frequencies, shown, places=places, reference=reference, source=source)


def _read_item(item: object) -> tuple[float, dict[str, float | complex]]:
    if isinstance(item, str):
        return parse_line(item)
    if isinstance(item, Mapping):
        return _read_mapping(item)
    if not isinstance(item, Iterable):
        raise ReadingError(f"it is no reading. {_CURE}.")
    row = list(item)
    if len(row) == 2:
        return _hertz(row[0]), {Z: complex(_number(row[1], "the impedance"))}
    if len(row) == 3:
        return _hertz(row[0]), {R: _number(row[1], R), X: _number(row[2], X)}
    raise ReadingError(f"it has {len(row)} values instead of 2 or 3. {_CURE}.")


def _read_mapping(item: Mapping[object, object]) -> tuple[float, dict[str, float | complex]]:
    frequency: float | None = None
    values: dict[str, float | complex] = {}
    for key, value in item.items():
        found = meaning(key) if isinstance(key, str) else None
        if found is None:
            raise ReadingError(f"{key!r} is no quantity that is known here. {_CURE}.")
        if found.quantity in values or (found.quantity == FREQUENCY and frequency is not None):
            raise ReadingError(f"{found.quantity} stands there twice; leave one out.")
        if found.quantity == FREQUENCY:
            scaled = found.has_unit
            frequency = found.scale * _real(value, FREQUENCY) if scaled else _hertz(value)
            continue
        number = _number(value, found.quantity)
        values[found.quantity] = found.scale * number if found.scale != 1.0 else number
    if frequency is None:
        raise ReadingError(f"there is no frequency in it. {_CURE}.")
    return frequency, values


def _hertz(value: object) -> float:
    if isinstance(value, str):
        return parse_frequency(value)
    return bare_frequency(_real(value, FREQUENCY))


def _real(value: object, what: str) -> float:
    number = _number(value, what)
    if isinstance(number, complex):
        if number.imag != 0.0:
            raise ReadingError(f"{what} is {value!r}; it is a real number. {_CURE}.")
        return number.real
    return number


def _number(value: object, what: str) -> float | complex:
    if isinstance(value, str):
        found = parse_number(value)
        if found is not None:
            return found
    elif isinstance(value, bool | np.bool_):
        pass
    elif isinstance(value, Real):
        return float(value)
    elif isinstance(value, Complex):
        return complex(value)
    raise ReadingError(f"{what} is {value!r}, which is no number. {_CURE}.")
