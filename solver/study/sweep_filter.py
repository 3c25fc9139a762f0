"""Which layouts a person wants: conditions on what is varied, before anything is computed.

A text as `sweep_conditions` reads it, "element.long.length > element.cross.length + 1 m and
counterpoise.radials <= 12", in which a number of the file that is not varied counts as the file has
it; or a function of one layout's values.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...geometry.file_tables import AtticFile, nearest
from ..errors import SweepError
from .sweep_conditions import Column, parse_condition
from .sweep_names import known_numbers, resolve
from .sweep_records import Design, Parameter

__all__ = ["Where", "check_condition", "holds"]

Where = str | Callable[[dict[str, Any]], bool]
"""What `where` may be: a text as above, or a function of one layout's values by full name."""


def holds(where: Where | None, design: Design, file: AtticFile) -> NDArray[np.bool_]:
    """Which layouts of a design a filter lets pass, (L,).

    Raises
    ------
    SweepError
        If the text cannot be read, or the function fails or gives no truth value.
    """
    count = len(design)
    if where is None:
        return np.ones(count, dtype=bool)
    if isinstance(where, str):
        return _told(where, design.parameters, design.columns, file)
    if not callable(where):
        raise SweepError(f"where is {where!r}; give a text or a function of a layout's values.")
    passed = np.empty(count, dtype=bool)
    for number in range(count):
        values = design.layout(number)
        try:
            verdict = where(values)
        except Exception as error:
            raise SweepError(
                f"where fails on layout {number}, {values}: {type(error).__name__}: {error}."
            ) from error
        if not isinstance(verdict, bool | np.bool_):
            raise SweepError(
                f"where gives {verdict!r} on layout {number}; it must give True or False."
            )
        passed[number] = verdict
    return passed


def check_condition(text: str, parameters: Sequence[Parameter], file: AtticFile) -> None:
    """Complain about a text that cannot be a condition on these parameters, by SweepError."""
    firsts = [
        np.array([0 if p.choices and not p.is_number else p.choices[0] if p.choices else p.low])
        for p in parameters
    ]
    _told(text, parameters, firsts, file)


def _told(
    text: str, parameters: Sequence[Parameter], columns: Sequence[NDArray[Any]], file: AtticFile
) -> NDArray[np.bool_]:
    varied = {p.name: (p, column) for p, column in zip(parameters, columns, strict=True)}
    fixed = dict(known_numbers(file))

    def lookup(name: str) -> Column:
        try:
            full = resolve(file, name)[0]
        except SweepError:
            full = name
        if full in varied:
            parameter, column = varied[full]
            by_index = bool(parameter.choices) and not parameter.is_number
            if by_index and not all(isinstance(one, str) for one in parameter.choices):
                raise SweepError(
                    f"{name!r} takes values that are neither numbers nor texts; they cannot be "
                    "compared."
                )
            choices = tuple(map(str, parameter.choices)) if by_index else ()
            return Column(column[:, None].astype(np.float64), parameter.unit, choices)
        if full in fixed:
            value, unit = fixed[full]
            return Column(np.array([[value]]), unit)
        known = [*varied, *fixed]
        known += [one.split(".", 1)[1].removesuffix(".length") for one in known if "element" in one]
        raise SweepError(
            f"{name!r} is neither varied nor a number of the file. {nearest(name, known)}Varied "
            f"are: {', '.join(varied)}."
        )

    try:
        return parse_condition(text).holds(lookup, columns[0].size)
    except SweepError as error:
        raise SweepError(f"where = {text!r}: {error}") from error
