"""What is varied in a sweep, and which layouts that makes."""

from __future__ import annotations

import inspect
import logging
import math
import re
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...geometry import Length
from ...geometry.plan import AtticPlan
from ...geometry.positions import TomlPath
from ..errors import SweepError
from ..moments.basis import FloatArray
from .sweep_names import is_outer, resolve, value_at
from .sweep_records import Design, Parameter
from .sweep_trials import refusal
from .sweep_values import plain, read_quantity, rounded, written

__all__ = ["METHODS", "MOST_LAYOUTS", "design_layouts", "read_parameter"]

METHODS = ("grid", "list", "latin hypercube", "sobol")

MOST_LAYOUTS = 1_000_000

_RANGE = re.compile(
    r"\s*(?P<low>[-+.\d].*?)\s+to\s+(?P<high>[-+.\d].*?)"
    r"(?:\s*,\s*(?:(?:in )?steps?(?: of)?\s+(?P<step>.+?)|(?P<count>\d+)\s+values?))?\s*"
)
_HOW = "Write '9 m to 14 m, step 25 cm', '9 m to 14 m, 6 values' or, where drawn, '9 m to 14 m'."

_LOG = logging.getLogger(__name__)


def design_layouts(
    plan: AtticPlan,
    parameters: Mapping[str, Any],
    *,
    method: str = "grid",
    count: int | None = None,
    seed: int = 0,
) -> Design:
    """Which layouts there are: parameters by name with lists or ranges, and how they combine.

    Parameters
    ----------
    plan : AtticPlan
        What is varied.
    parameters : mapping of str to values
        By name: the path of a key as "house.moisture" or "element.long.length", or the name of an
        element alone, which means its length. Each is

        - a list of values as in the file: ``["9 m", 9.2]``, ``["medium dry ground"]``, routes;
        - a text "9 m to 14 m, step 25 cm", "8 % to 18 %, 6 values", "9 m to 14 m";
        - a tuple (low, high) or (low, high, step);
        - one value.
    method : str
        "grid" for all combinations, the last parameter fastest; "list" for columns of equal
        length; "latin hypercube" and "sobol" for `count` layouts that fill the ranges evenly,
        by steps where there are any, choices as often as each other.
    count : int, optional
        How many layouts are drawn; only for the latter two.
    seed : int
        Of what is drawn.

    Returns
    -------
    Design
        Layouts that come more than once are kept once; its `remarks` say how many went.

    Raises
    ------
    SweepError
        If a name leads nowhere, no reader takes a value, or there are none or too many layouts.
    """
    if method not in METHODS:
        raise SweepError(
            f"method is {method!r}; it must be one of {', '.join(map(repr, METHODS))}."
        )
    if not isinstance(parameters, Mapping) or not parameters:
        raise SweepError(
            f"parameters is {parameters!r}; give a mapping from names to values, as "
            "{'element.long.length': '9 m to 14 m, step 25 cm'}."
        )
    drawn = method in ("latin hypercube", "sobol")
    whole = isinstance(count, int | np.integer) and not isinstance(count, bool)
    number = int(count) if count is not None and whole else 0
    if drawn and not 1 <= number <= MOST_LAYOUTS:
        raise SweepError(
            f"count is {count!r}; {method} draws a whole number of layouts, 1 to {MOST_LAYOUTS}."
        )
    if not drawn and count is not None:
        raise SweepError(
            f"count is {count!r}, but {method} has as many layouts as its values make; leave it "
            "out, or draw with 'latin hypercube' or 'sobol'."
        )
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
        raise SweepError(f"seed is {seed!r}; it must be a whole number from 0 up.")
    read: list[Parameter] = []
    for name, told in parameters.items():
        parameter = read_parameter(plan, name, told)
        if any(parameter.name == other.name for other in read):
            raise SweepError(
                f"Parameter {parameter.name!r} is given twice; keep one.", parameter=parameter.name
            )
        read.append(parameter)
    first = {resolve(plan.file, p.name)[1]: _first_value(plan, p) for p in read}
    read = [
        tried(plan, parameter, beside=first, texts=_texts(told))
        for parameter, told in zip(read, parameters.values(), strict=True)
    ]
    remarks: list[str] = []
    read = [_ending_on_step(plan, parameter, remarks) for parameter in read]
    if drawn:
        columns = _drawn(read, method, number, int(seed), remarks)
    else:
        columns = _grid(read) if method == "grid" else _listed(read)
    columns, dropped = _once(columns)
    if dropped:
        remarks.append(
            f"{dropped} of {dropped + columns[0].size} layouts came more than once and were dropped"
        )
    for remark in remarks:
        _LOG.info("%s.", remark)
    return Design(
        tuple(read), columns, method=method, seed=int(seed) if drawn else None,
        remarks=tuple(remarks),
    )  # fmt: skip


# ---- one parameter -----------------------------------------------------------------------


def read_parameter(plan: AtticPlan, name: str, told: Any) -> Parameter:
    """A parameter from its name and what it takes; nothing is tried yet.

    Raises
    ------
    SweepError
        If the name leads nowhere, or what it takes is no list and no range.
    """
    name, path = resolve(plan.file, name)
    told = told.tolist() if isinstance(told, np.ndarray) else told
    outer = is_outer(path)
    if isinstance(told, str):
        match = _RANGE.fullmatch(told)
        if match is not None:
            low, high = _with_unit_of(match["low"], match["high"]), match["high"]
            count = None if match["count"] is None else int(match["count"])
            return _range(name, told, low, high, match["step"], count, is_outer=outer)
    if isinstance(told, tuple):
        if len(told) not in (2, 3):
            raise _wrong(
                name,
                told,
                f"a tuple is (low, high) or (low, high, step); values go in a list. {_HOW}",
            )
        return _range(name, told, told[0], told[1], *told[2:], is_outer=outer)
    values = plain(told if isinstance(told, list) else [told])
    if not values:
        raise _wrong(name, told, "it takes no value; give one at least.")
    for value in values:
        if value is None or (isinstance(value, float) and not math.isfinite(value)):
            raise _wrong(name, told, f"{value!r} is no value.")
    found = [read_quantity(value) for value in values]
    quantities = [one for one in found if one is not None]
    if len(quantities) < len(values):
        return Parameter(name, tuple(values), is_outer=outer)
    units = sorted({unit for _, unit in quantities if unit})
    if len(units) > 1:
        raise _wrong(name, told, f"its values have the units {' and '.join(units)}; keep to one.")
    numbers = tuple(value for value, _ in quantities)
    return Parameter(name, numbers, unit=units[0] if units else "", is_outer=outer)


def _with_unit_of(low: str, high: str) -> str:
    """ "9" of "9 to 14 m" with the unit that follows."""
    unit = re.sub(r"^[-+\d.eE\s]+", "", high)
    try:
        float(low)
    except ValueError:
        return low
    return f"{low} {unit}" if unit else low


def _range(
    name: str, told: Any, low: Any, high: Any, step: Any = None, count: int | None = None, *,
    is_outer: bool,
) -> Parameter:  # fmt: skip
    first, last = read_quantity(plain(low)), read_quantity(plain(high))
    if first is None or last is None:
        bad = low if first is None else high
        raise _wrong(name, told, f"{bad!r} is no number, with a unit or without. {_HOW}")
    (least, unit), (most, other) = first, last
    if not (math.isfinite(least) and math.isfinite(most)):
        raise _wrong(name, told, "its ends must be finite.")
    if unit and other and unit != other:
        raise _wrong(name, told, f"it runs from {unit} to {other}; keep to one unit.")
    unit = unit or other
    mixed = [one for one in (low, high, step) if unit and _is_per_cent(one)]
    if mixed:
        raise _wrong(name, told, f"{mixed[0]!r} is not in {unit}, as the rest; keep to one unit.")
    if not least < most:
        raise _wrong(
            name, told, f"its low end {least:g} must lie below its high end {most:g}; one value "
            "alone goes as it is.",
        )  # fmt: skip
    by = math.nan
    if count is not None:
        if not 2 <= count <= MOST_LAYOUTS:
            raise _wrong(
                name, told, f"{count} value{'s' * (count != 1)} of a range cannot be; 2 to "
                f"{MOST_LAYOUTS} can.",
            )  # fmt: skip
        by = rounded((most - least) / (count - 1))
    elif step is not None:
        read = read_quantity(plain(step))
        if read is None or (read[1] and unit and read[1] != unit):
            raise _wrong(name, told, f"its step {step!r} is no number in the unit of its ends.")
        by, unit = read[0], unit or read[1]
        if not (math.isfinite(by) and by > 0.0):
            raise _wrong(name, told, f"its step is {by:g}; it must be above 0.")
        if by > (most - least) * (1.0 + 1e-9):
            raise _wrong(name, told, f"its step {by:g} is larger than the range, {most - least:g}.")
    return Parameter(name, (), least, most, by, unit, is_outer)


def _is_per_cent(told: object) -> bool:
    return isinstance(told, str) and told.rstrip().endswith("%")


def _texts(told: Any) -> tuple[str, ...]:
    """One text of each unit that the values, or the ends of a range, are told with."""
    match = _RANGE.fullmatch(told) if isinstance(told, str) else None
    if match is not None:
        told = (_with_unit_of(match["low"], match["high"]), match["high"])
    several = told if isinstance(told, list | tuple) else [told]
    found: dict[tuple[str, bool], str] = {}
    for one in several:
        read = read_quantity(one) if isinstance(one, str) else None
        if read is not None and (read[1] or _is_per_cent(one)):
            found.setdefault((read[1], _is_per_cent(one)), one)
    return tuple(found.values())


def _wrong(name: str, told: Any, problem: str) -> SweepError:
    shown = repr(told)
    shown = shown if len(shown) <= 60 else f"{shown[:57]}..."
    return SweepError(f"Parameter {name!r} = {shown}: {problem}", parameter=name)


def _first_value(plan: AtticPlan, parameter: Parameter) -> Any:
    """As the file says it."""
    if parameter.choices and not parameter.is_number:
        return parameter.choices[0]
    like = value_at(plan.file.document, resolve(plan.file, parameter.name)[1])
    value = parameter.choices[0] if parameter.choices else parameter.low
    return written(value, parameter.unit, like=like)


def tried(
    plan: AtticPlan, parameter: Parameter, *, beside: Mapping[TomlPath, Any],
    texts: Sequence[str] = (),
) -> Parameter:  # fmt: skip
    """The parameter with unit and step that the file's reader shows, all its values tried.

    Numbers are tried at the least, the greatest and one that is not whole, all else one by one;
    each with what the file says, or, where that does not go together, with the first values of the
    other parameters, `beside`. Some of the numbers as they were told, `texts`, are tried first:
    their units are lost in the rest.

    Raises
    ------
    SweepError
        If no reader takes one of its values: which, and the reader's sentence.
    """
    path = resolve(plan.file, parameter.name)[1]
    like = value_at(plan.file.document, path)
    numeric = not parameter.choices or parameter.is_number
    if not numeric:
        for value in parameter.choices:
            _try(plan, parameter, path, value, beside)
        return parameter
    for text in texts:
        _try(plan, parameter, path, text, beside)
    ends = (
        (min(parameter.choices), max(parameter.choices))
        if parameter.choices
        else (parameter.low, parameter.high)
    )
    if not parameter.unit:
        parameter = replace(parameter, unit=_unit(plan, path, like, ends[0]))
    between = parameter.choices or (parameter.low + parameter.step,)
    broken = [value for value in between if not (math.isnan(value) or value.is_integer())]
    for value in (*ends, *broken[:1]):  # a count takes no broken number
        _try(plan, parameter, path, written(value, parameter.unit, like=like), beside)
    if parameter.choices or not math.isnan(parameter.step) or parameter.unit:
        return parameter
    # a count takes whole numbers only
    if all(end.is_integer() for end in ends) and refusal(plan, path, ends[0] + 0.5):
        return replace(parameter, step=1.0)
    return parameter


def _try(
    plan: AtticPlan,
    parameter: Parameter,
    path: TomlPath,
    value: Any,
    beside: Mapping[TomlPath, Any],
) -> None:
    said = refusal(plan, path, value)
    if said and (len(beside) < 2 or refusal(plan, path, value, beside=beside)):
        raise SweepError(
            f"Parameter {parameter.name!r} cannot take {value!r}: {said}", parameter=parameter.name
        )


def _unit(plan: AtticPlan, path: TomlPath, like: object, value: float) -> str:
    """Metres for a plain number where the file takes a length there."""
    if isinstance(like, str):
        read = read_quantity(like)
        if read is not None:
            return "m" if read[1] == "m" else ""
    if path[0] == "load":
        return ""
    return "" if refusal(plan, path, str(Length(value))) else "m"


# ---- layouts -----------------------------------------------------------------------------


def values_of(parameter: Parameter) -> NDArray[Any]:
    """All values of a parameter with choices or steps: numbers, or indices into its choices.

    Choices that are alike have the index of the first.
    """
    if parameter.choices and not parameter.is_number:
        first = [parameter.choices.index(value) for value in parameter.choices]
        return np.array(first, dtype=np.int64)
    if parameter.choices:
        return np.array(parameter.choices, dtype=np.float64)
    if math.isnan(parameter.step):
        raise SweepError(
            f"Parameter {parameter.name!r} is a range without steps; a grid or list needs them. "
            f"{_HOW}",
            parameter=parameter.name,
        )
    count = steps_in(parameter)
    if count > MOST_LAYOUTS:
        raise SweepError(
            f"Parameter {parameter.name!r} has {_many(count)} values; {MOST_LAYOUTS} are the most.",
            parameter=parameter.name,
        )
    return _on_steps(parameter, np.arange(count))


def _many(count: int) -> str:
    """A count in full as long as that can be read."""
    return str(count) if count < 10**12 else f"about {float(count):.0e}"


def steps_in(parameter: Parameter) -> int:
    """How many values a range with steps has."""
    return math.floor(min((parameter.high - parameter.low) / parameter.step, 1e300) + 1e-6) + 1


def _ending_on_step(plan: AtticPlan, parameter: Parameter, remarks: list[str]) -> Parameter:
    """The parameter with its last step as its high end; a remark where that is another."""
    if parameter.choices or math.isnan(parameter.step):
        return parameter
    # too many to be allowed anyway
    if (parameter.high - parameter.low) / parameter.step > MOST_LAYOUTS:
        return parameter
    last = rounded(parameter.low + parameter.step * (steps_in(parameter) - 1))
    if parameter.high - last <= 1e-6 * parameter.step:
        return parameter
    like = value_at(plan.file.document, resolve(plan.file, parameter.name)[1])
    true, told = (written(one, parameter.unit, like=like) for one in (last, parameter.high))
    remarks.append(f"{parameter.name} ends at {true}; {told} is not reached by its steps")
    return replace(parameter, high=last)


def _on_steps(parameter: Parameter, steps: NDArray[Any]) -> FloatArray:
    values = parameter.low + parameter.step * steps.astype(np.float64)
    unique, inverse = np.unique(values, return_inverse=True)
    return np.array([rounded(float(v)) for v in unique])[inverse].reshape(values.shape)


def _grid(parameters: Sequence[Parameter]) -> tuple[NDArray[Any], ...]:
    values = [values_of(parameter) for parameter in parameters]
    number = math.prod(one.size for one in values)
    if number > MOST_LAYOUTS:
        sizes = " x ".join(str(one.size) for one in values)
        raise SweepError(
            f"A grid of {sizes} values has {number} layouts; {MOST_LAYOUTS} are the most. Take "
            "larger steps, or draw some with 'latin hypercube' or 'sobol'."
        )
    return tuple(grid.ravel() for grid in np.meshgrid(*values, indexing="ij"))


def _listed(parameters: Sequence[Parameter]) -> tuple[NDArray[Any], ...]:
    values = [values_of(parameter) for parameter in parameters]
    if len({one.size for one in values}) > 1:
        sizes = ", ".join(f"{p.name} {one.size}" for p, one in zip(parameters, values, strict=True))
        raise SweepError(f"A list needs as many values of every parameter; there are: {sizes}.")
    if values[0].size > MOST_LAYOUTS:
        raise SweepError(
            f"A list of {values[0].size} layouts is too long; {MOST_LAYOUTS} are the most."
        )
    return tuple(values)


def unit_points(method: str, dimensions: int, count: int, *, seed: int) -> FloatArray:
    """Points (count, dimensions) that fill the unit cube evenly: "sobol" or "latin hypercube"."""
    from scipy.stats import qmc

    engine = qmc.Sobol if method == "sobol" else qmc.LatinHypercube
    # scipy before 1.15 calls it seed
    known = "rng" if "rng" in inspect.signature(engine).parameters else "seed"
    options: dict[str, Any] = {"d": dimensions, known: np.random.default_rng(seed)}
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "The balance properties", UserWarning)
        return engine(**options).random(count)


def _drawn(
    parameters: Sequence[Parameter], method: str, count: int, seed: int, remarks: list[str]
) -> tuple[NDArray[Any], ...]:
    if method == "sobol" and count & (count - 1):
        remarks.append(
            f"{count} points of a Sobol sequence are not as even as "
            f"{1 << (count - 1).bit_length()}, a power of two"
        )
    unit = unit_points(method, len(parameters), count, seed=seed)
    columns: list[NDArray[Any]] = []
    for parameter, column in zip(parameters, unit.T, strict=True):
        if parameter.choices:
            values = values_of(parameter)
            columns.append(values[_place(column, values.size)])
        elif math.isnan(parameter.step):
            spread = parameter.low + (parameter.high - parameter.low) * column
            columns.append(np.clip(spread, parameter.low, parameter.high))
        else:
            columns.append(_on_steps(parameter, _place(column, steps_in(parameter))))
    return tuple(columns)


def _place(column: FloatArray, count: int) -> NDArray[np.int64]:
    """Which of so many values, each as often, numbers from 0 to 1 fall on."""
    return np.minimum((column * count).astype(np.int64), count - 1)


def _once(columns: tuple[NDArray[Any], ...]) -> tuple[tuple[NDArray[Any], ...], int]:
    """Columns without layouts that came before, and how many those were."""
    codes = np.stack([np.unique(column, return_inverse=True)[1].ravel() for column in columns])
    _, first = np.unique(codes, axis=1, return_index=True)
    kept = np.sort(first)
    return tuple(column[kept] for column in columns), int(columns[0].size - kept.size)
