"""Checks of the numbers that a station is asked for; each says what, the value, rule and cure."""

from __future__ import annotations

from numbers import Real

import numpy as np
from numpy.typing import ArrayLike

from ..errors import SolverError
from ..moments.basis import ComplexArray, FloatArray

LEAST_FREQUENCY = 1e3
"""Less is a slip of the unit. [Hz]"""


def require_frequency(frequency: ArrayLike) -> FloatArray:
    """Frequencies as float64, > 0 and finite, shape as given. [Hz]

    Raises
    ------
    SolverError
        If one is not.
    """
    found = _positive(frequency, what="frequency", unit="Hz", cure="Give hertz, as 14.2e6.")
    if found.size and found.min() < LEAST_FREQUENCY:
        low = float(found.min())
        raise SolverError(
            f"frequency is {low:g} Hz; it must be at least {LEAST_FREQUENCY:g} Hz. Give hertz: "
            f"{low:g} MHz is {low:g}e6."
        )
    return found


def require_power(power: ArrayLike) -> FloatArray:
    """Powers as float64, > 0 and finite, shape as given. [W]

    Raises
    ------
    SolverError
        If one is not.
    """
    return _positive(power, what="power", unit="W", cure="Give the watts that go in.")


def require_load(load: ArrayLike, *, what: str = "load impedance") -> ComplexArray:
    """Impedances as complex128, finite, real part > 0, shape as given. [ohm]

    Raises
    ------
    SolverError
        If one is not: a load without resistance takes no power.
    """
    try:
        values = np.asarray(load, dtype=np.complex128)
    except (TypeError, ValueError) as error:
        raise SolverError(f"{what} is {load!r}, which is no number. Give ohms.") from error
    bad = ~(np.isfinite(values) & (values.real > 0.0))
    if np.any(bad):
        raise SolverError(
            f"{what} is {values[bad].flat[0]:g} ohm; it must be finite with a resistance above 0, "
            "or it takes no power."
        )
    return values


def require_value(
    value: object, *, what: str, unit: str, above: float | None = None, least: float | None = None
) -> float:
    """Return one real, finite number, above or at least a bound.

    Raises
    ------
    SolverError
        If it is not.
    """
    of_unit = f" {unit}" if unit else ""
    if isinstance(value, (bool, np.bool_)) or not isinstance(value, Real):
        raise SolverError(
            f"{what} is {value!r}, which is not a real number. Give a number{of_unit}."
        )
    number = float(value)
    low_enough = above is None or number > above
    if not (np.isfinite(number) and low_enough and (least is None or number >= least)):
        rule = f"above {above:g}" if above is not None else f"at least {least or 0.0:g}"
        raise SolverError(f"{what} is {number:g}{of_unit}; it must be finite and {rule}{of_unit}.")
    return number


def _positive(values: ArrayLike, *, what: str, unit: str, cure: str) -> FloatArray:
    asked = np.asarray(values)
    if asked.dtype.kind not in "iuf":
        raise SolverError(f"{what} is {values!r}, which is not made of real numbers. {cure}")
    numbers = asked.astype(np.float64)
    bad = ~(np.isfinite(numbers) & (numbers > 0.0))
    if np.any(bad):
        raise SolverError(
            f"{what} is {numbers[bad].flat[0]:g} {unit}; it must be finite and above 0. {cure}"
        )
    return numbers
