"""What an exposure is held to: sets of limits, mode, times and grid, of a file or as given."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ...geometry.plan import Assumption
from ..errors import LimitsError, SolverError
from .limits import Limits, duty_factor, limit_names, require

if TYPE_CHECKING:
    from ...geometry.file_tables import FileTable
    from ...geometry.plan import AtticPlan

GENERAL = ("FCC general", "ICNIRP 2020 general", "ICNIRP 2010 general below 10 MHz")
OCCUPATIONAL = (
    "FCC occupational", "ICNIRP 2020 occupational", "ICNIRP 2010 occupational below 10 MHz",
)  # fmt: skip
"""Sets of limits where none is named, by who is in a room."""

DEFAULT_MODE = "carrier"
DEFAULT_STEP = 0.25
LEAST_STEP, LONGEST_STEP = 0.02, 10.0

_BELOW = re.compile(r"(.*?)\s+below\s+([\d.]+)\s*(kHz|MHz)", re.IGNORECASE)
_UNITS = {"khz": 1e3, "mhz": 1e6}


@dataclass(frozen=True)
class LimitChoice:
    """A set of limits and the frequencies that it is wanted for.

    Attributes
    ----------
    limits : Limits
    below : float
        Left aside from here on; infinite: wanted at every frequency. [Hz]
    """

    limits: Limits
    below: float = math.inf

    @classmethod
    def told(cls, text: str, *, file: str | Path | None = None) -> LimitChoice:
        """From "FCC general" or "ICNIRP 2010 general below 10 MHz".

        Raises
        ------
        LimitsError
            If there is no set of that name.
        """
        if not isinstance(text, str):
            raise LimitsError(
                f"limits: {text!r} is no name of a set of limits; give text, as 'FCC general'."
            )
        found = _BELOW.fullmatch(text.strip())
        if found is None:
            return cls(Limits.named(text, file=file))
        below = float(found[2]) * _UNITS[found[3].lower()]
        return cls(Limits.named(found[1], file=file), below)

    def covers(self, frequency: float) -> bool:
        """Whether it is wanted at a frequency [Hz]; it may not hold there."""
        return frequency < self.below


@dataclass(frozen=True)
class ExposureSettings:
    """Limits, mode and grid.

    Attributes
    ----------
    general, occupational : tuple of LimitChoice
        By who is in a room.
    mode : str
    duty : float
        Average over greatest power while sending.
    minutes_on : float or None
        None: sending all the time. [min]
    minutes_off : float
        [min]
    step : float
        Of the grid. [m]
    assumptions : tuple of Assumption
    """

    general: tuple[LimitChoice, ...]
    occupational: tuple[LimitChoice, ...]
    mode: str
    duty: float
    minutes_on: float | None
    minutes_off: float
    step: float
    assumptions: tuple[Assumption, ...] = ()

    def choices(self, who: str) -> tuple[LimitChoice, ...]:
        """Sets of limits for who is in a room."""
        return self.occupational if who == "occupational" else self.general

    def limits_at(self, who: str, frequency: float) -> tuple[Limits, ...]:
        """Sets of limits that are wanted at a frequency. [Hz]

        Raises
        ------
        LimitsError
            If one of them does not cover it, or none is wanted there.
        """
        found = tuple(one.limits for one in self.choices(who) if one.covers(frequency))
        if not found:
            names = ", ".join(one.limits.name for one in self.choices(who))
            raise LimitsError(
                f"no set of limits is wanted at {frequency / 1e6:g} MHz ({names} only below). "
                f"Name one that covers it; there are: {', '.join(limit_names())}."
            )
        for limits in found:
            try:
                limits.at(frequency)
            except LimitsError as error:
                raise LimitsError(
                    f"{error} Or give it a range of its own, '{limits.name} below 10 MHz'."
                ) from error
        return found


def read_exposure_settings(
    plan: AtticPlan | None,
    *,
    limits: str | Sequence[str] | None = None,
    limits_file: str | Path | None = None,
    mode: str | None = None,
    duty: float | None = None,
    minutes_on: float | None = None,
    minutes_off: float | None = None,
    step: float | None = None,
) -> ExposureSettings:
    """What the file asks for; what is given here counts before it.

    Raises
    ------
    AtticFileError
        If a value in the file cannot be used.
    LimitsError
        If a set of limits or a mode given here is not known, or a time or duty is none.
    SolverError
        If the step is out of range.
    """
    table = None if plan is None else plan.file.table("exposure")
    told = _Told.of(table)
    file = limits_file if limits_file is not None else told.file
    assumed: list[Assumption] = []

    def choices(given: object, in_file: list[str] | None, default: Sequence[str]) -> tuple:
        if given is not None:
            names = [given] if isinstance(given, str) else given
            if not isinstance(names, list | tuple) or not names:
                raise LimitsError(f"limits is {limits!r}; give a name or a list of names.")
            return tuple(LimitChoice.told(name, file=file) for name in names)
        # Where sets of one's own are read, those are not in the shipped catalogue.
        return tuple(
            LimitChoice.told(name, file=file if in_file is not None else None)
            for name in in_file or default
        )

    if mode is not None and duty is not None:
        raise LimitsError(
            f"mode {mode!r} and duty {duty!r} are both given; a mode has its own. Give one."
        )
    general = choices(limits, told.limits, GENERAL)
    occupational = choices(limits, told.occupational, OCCUPATIONAL)
    chosen_mode = mode if mode is not None else told.mode
    if chosen_mode is None:
        chosen_mode = DEFAULT_MODE
        if duty is None and told.duty is None:
            assumed.append(
                Assumption("mode", "a steady carrier", "not told; speech averages far less", 0.5)
            )
    if limits is None and told.limits is None:
        assumed.append(Assumption("limits", ", ".join(GENERAL), "none was named", 0.2))
    part = duty if duty is not None else told.duty
    if part is None or (mode is not None and duty is None):
        part = duty_factor(chosen_mode)
    elif mode is None and told.mode is None:
        part = float(require(part, what="duty", unit="of 1", above_zero=True))
        chosen_mode = f"duty factor {part:g}"
    on = minutes_on if minutes_on is not None else told.minutes_on
    off = minutes_off if minutes_off is not None else told.minutes_off
    for choice in (*general, *occupational):  # complains about what cannot be
        choice.limits.averaged_part(duty=part, minutes_on=on, minutes_off=off or 0.0)
    length = step if step is not None else told.step if told.step is not None else DEFAULT_STEP
    number = isinstance(length, int | float) and not isinstance(length, bool)
    if not (number and LEAST_STEP <= length <= LONGEST_STEP):
        raise SolverError(
            f"step is {length!r} m; the points of the grid may be {LEAST_STEP:g} to "
            f"{LONGEST_STEP:g} m apart."
        )
    return ExposureSettings(
        general, occupational, chosen_mode, float(part),
        None if on is None else float(require(on, what="minutes_on", unit="min")),
        float(off or 0.0), float(length), tuple(assumed),
    )  # fmt: skip


@dataclass(frozen=True)
class _Told:
    """The table [exposure] of a file; None where it does not say."""

    limits: list[str] | None = None
    occupational: list[str] | None = None
    file: Path | None = None
    mode: str | None = None
    duty: float | None = None
    minutes_on: float | None = None
    minutes_off: float | None = None
    step: float | None = None

    @classmethod
    def of(cls, table: FileTable | None) -> _Told:
        if table is None:
            return cls()
        own = table.string("limits_file", None)
        file = None if own is None else Path(table.file.name).parent / own
        general = _names(table, "limits", file)
        at_work = [name for name in general or () if "occupational" in name]
        if at_work:
            raise table.error(
                "limits",
                f"{at_work[0]!r} is for people who work with transmitters and know of them, and "
                'these are for rooms of the general public. Say who = "occupational" in such a '
                "[[room]], and limits_occupational here.",
            )
        occupational = _names(table, "limits_occupational", file)
        mode = table.string("mode", None)
        duty = table.number("duty", None, least=0.001, most=1.0)
        on = table.number("minutes_on", None, least=0.01, most=1e5, unit="min")
        off = table.number("minutes_off", None, least=0.0, most=1e5, unit="min")
        step = table.length("step", None, least=LEAST_STEP, most=LONGEST_STEP)
        table.finish()
        if off and on is None:
            raise table.error("minutes_off", "needs minutes_on beside it; give both or neither.")
        if mode is not None:
            if duty is not None:
                raise table.error(
                    "duty", "stands beside mode, which has a duty of its own; keep one."
                )
            try:
                duty_factor(mode)
            except LimitsError as error:
                raise table.error("mode", str(error)) from error
        return cls(general, occupational, file, mode, duty, on, off, step)


def _names(table: FileTable, key: str, file: Path | None) -> list[str] | None:
    value = table.take(key, None)
    if value is None:
        return None
    names = [value] if isinstance(value, str) else value
    if not (isinstance(names, list) and names and all(isinstance(one, str) for one in names)):
        raise table.error(key, 'must be a list of names of sets of limits, ["FCC general"].')
    for name in names:
        if names.count(name) > 1:
            raise table.error(key, f"{name!r} stands there more than once; keep one.")
        try:
            LimitChoice.told(name, file=file)
        except LimitsError as error:
            raise table.error(key, str(error)) from error
    return names
