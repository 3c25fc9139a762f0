"""Ranges, steps and Q of the coils and capacitors that a tuner sets."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from ...materials import MaterialError
from ...materials.impedances import capacitance, inductance, quality

_MOST_STEPS = 100_000


@dataclass(frozen=True)
class CoilRange:
    """A coil that can be set from a least to a greatest inductance.

    Parameters
    ----------
    low, high : float or str
        Ends of its range, low at least 0; text as "25 uH". [H]
    step : float or str, optional
        Distance of its steps, counted from the low end, as switched coils have; None for a coil
        that turns without steps. [H]
    q : float
        Reactance over resistance, the same at every setting and frequency; infinite for no loss.

    Raises
    ------
    MaterialError
        If a value is out of range.
    """

    low: float | str
    high: float | str
    step: float | str | None = field(default=None, kw_only=True)
    q: float = field(default=math.inf, kw_only=True)

    def __post_init__(self) -> None:
        _check_range(self, read=inductance, of="a coil", unit="H")


@dataclass(frozen=True)
class CapacitorRange:
    """A capacitor that can be set from a least to a greatest capacitance.

    Parameters
    ----------
    low, high : float or str
        Ends of its range, low at least 0; text as "300 pF". [F]
    step : float or str, optional
        Distance of its steps, counted from the low end; None if it turns without steps. [F]
    q : float
        Reactance over resistance, the same at every setting and frequency; infinite for no loss.

    Raises
    ------
    MaterialError
        If a value is out of range.
    """

    low: float | str
    high: float | str
    step: float | str | None = field(default=None, kw_only=True)
    q: float = field(default=math.inf, kw_only=True)

    def __post_init__(self) -> None:
        _check_range(self, read=capacitance, of="a capacitor", unit="F")


def _check_range(
    part: CoilRange | CapacitorRange, *, read: Callable[..., float], of: str, unit: str
) -> None:
    low = read(part.low, what=f"low end of {of}")
    high = read(part.high, what=f"high end of {of}")
    if not low < high:
        raise MaterialError(
            f"the range of {of} runs from {low:g} to {high:g} {unit}; its low end comes first. "
            "Give a part that is fixed a small range."
        )
    object.__setattr__(part, "low", low)
    object.__setattr__(part, "high", high)
    object.__setattr__(part, "q", quality(part.q, what=f"Q of {of}"))
    if part.step is not None:
        step = read(part.step, what=f"step of {of}")
        if not (high - low) / _MOST_STEPS <= step <= (high - low) * (1.0 + 1e-9):
            raise MaterialError(
                f"the step of {of} is {step:g} {unit}; it must be above its range over "
                f"{_MOST_STEPS} and at most its range of {high - low:g} {unit}. Leave it out for a "
                "part that turns without steps."
            )
        object.__setattr__(part, "step", step)
