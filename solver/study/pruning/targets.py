"""What is aimed at on a band: a resonance, or a reactance, at a frequency.

``[targets]``
    "40 m" = "resonant at 7.1 MHz", "20 m" = ["14.05 MHz +- 30 kHz", "X = -40 ohm at 14.3 MHz"]: by
    band of [bands], what the feed point is to show; within half a per cent of the frequency, or
    what is said behind +- (kHz or %)
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ....geometry.plan import AtticPlan
from ...bands import Band
from ...errors import TargetError

__all__ = ["DEFAULT_TOLERANCE", "Target", "read_targets", "targets_of"]

DEFAULT_TOLERANCE = 0.005
"""Part of the frequency that a resonance may be off. Common practice: a tuner takes the rest."""

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)"
_TOLD = re.compile(
    rf"(?:(?:resonant|resonance|resonate)(?:\s+at)?\s+"
    rf"|x\s*=?\s*(?P<x>{_NUMBER})\s*(?:ohms?)?\s+at\s+)?"
    rf"(?P<f>{_NUMBER})\s*(?P<unit>MHz|kHz|Hz)"
    rf"(?:\s*\+-\s*(?P<off>{_NUMBER})\s*(?P<off_unit>MHz|kHz|Hz|%))?",
    re.IGNORECASE,
)
_HERTZ = {"mhz": 1e6, "khz": 1e3, "hz": 1.0}


@dataclass(frozen=True)
class Target:
    """A reactance wanted at a frequency.

    Attributes
    ----------
    band : str
        Name of the band it is in.
    frequency : float
        [Hz]
    reactance : float
        At the feed point; 0 is a resonance. [ohm]
    tolerance : float
        Part of the frequency by which it may be met beside it.
    """

    band: str
    frequency: float
    reactance: float = 0.0
    tolerance: float = DEFAULT_TOLERANCE

    def __str__(self) -> str:
        what = "resonant" if self.reactance == 0.0 else f"X = {self.reactance:g} ohm"
        off = self.tolerance * self.frequency
        return f"{self.band}: {what} at {self.frequency / 1e6:g} MHz +- {off / 1e3:.3g} kHz"


def read_targets(
    told: Mapping[str, Any] | Sequence[Target], bands: Sequence[Band]
) -> tuple[Target, ...]:
    """Targets from what people write, lowest frequency first.

    Parameters
    ----------
    told : mapping of band to target, or sequence of Target
        ``{"40 m": "resonant at 7.1 MHz +- 30 kHz", "20 m": "X = -40 ohm at 14.2 MHz"}``; a plain
        number is a resonance in hertz; a list holds several.
    bands : sequence of Band
        That there are.

    Raises
    ------
    TargetError
        If one cannot be read, lies outside its band, or two contradict each other.

    Examples
    --------
    >>> from ridgepole.solver.bands import read_bands
    >>> for target in read_targets({"40 m": "7.1 MHz"}, read_bands(["40 m"], region=1)):
    ...     print(target)
    40 m: resonant at 7.1 MHz +- 35.5 kHz
    """
    by_name = {band.name: band for band in bands}
    found: list[Target] = []
    if isinstance(told, Mapping):
        for name, values in told.items():
            if name not in by_name:
                raise TargetError(
                    f"Target for {name!r}: there is no such band here; there are: "
                    f"{', '.join(map(repr, by_name))}."
                )
            several = values if isinstance(values, list | tuple) else [values]
            found += [_read(one, name) for one in several]
    elif isinstance(told, Sequence) and not isinstance(told, str):
        for one in told:
            if not isinstance(one, Target):
                raise TargetError(f"{one!r} is no Target; give Target(band, frequency) or a text.")
            found.append(one)
    else:
        raise TargetError(
            f"targets are {told!r}; give them by band, as {{'40 m': 'resonant at 7.1 MHz'}}."
        )
    if not found:
        raise TargetError("There is no target; say at least one band and frequency.")
    for target in found:
        _check(target, by_name)
    _check_agreement(found)
    return tuple(sorted(found, key=lambda target: target.frequency))


def targets_of(plan: AtticPlan, bands: Sequence[Band]) -> tuple[Target, ...]:
    """Targets of the attic file's table [targets].

    Raises
    ------
    AtticFileError
        If one of them cannot be used; with its line.
    TargetError
        If there is no such table.
    """
    if not plan.file.has("targets"):
        raise TargetError(
            f"{plan.file.name} has no [targets]; write one, or give targets, as "
            "{'40 m': 'resonant at 7.1 MHz'}."
        )
    table = plan.file.table("targets")
    told = dict(plan.file.document["targets"])
    found: list[Target] = []
    for name in told:
        try:
            found += read_targets({name: table.take(name, None)}, bands)
        except TargetError as error:
            raise table.error(name, str(error)) from error
    table.finish()
    try:
        return read_targets(found, bands)
    except TargetError as error:
        raise plan.file.error(("targets",), f"[targets]: {error}") from error


def _read(told: Any, band: str) -> Target:
    if isinstance(told, Target):
        if told.band != band:
            raise TargetError(f"Target for {band!r} is one for {told.band!r}: {told}.")
        return told
    if isinstance(told, int | float) and not isinstance(told, bool):
        return Target(band, float(told))
    match = _TOLD.fullmatch(told.strip()) if isinstance(told, str) else None
    if match is None:
        raise TargetError(
            f"Target for {band!r}, {told!r}, is not understood. Write 'resonant at 7.1 MHz', "
            "'7.1 MHz +- 30 kHz' or 'X = -40 ohm at 7.1 MHz'."
        )
    frequency = float(match["f"]) * _HERTZ[match["unit"].lower()]
    reactance = float(match["x"]) if match["x"] else 0.0
    tolerance = DEFAULT_TOLERANCE
    if match["off"]:
        off, unit = float(match["off"]), match["off_unit"].lower()
        if off <= 0.0 or frequency <= 0.0:
            raise TargetError(f"Target for {band!r}, {told!r}: what may be off must be above 0.")
        tolerance = off / 100.0 if unit == "%" else off * _HERTZ[unit] / frequency
    return Target(band, frequency, reactance, tolerance)


def _check(target: Target, bands: Mapping[str, Band]) -> None:
    numbers = (target.frequency, target.reactance, target.tolerance)
    if not all(isinstance(v, int | float) and math.isfinite(v) for v in numbers):
        raise TargetError(f"Target for {target.band!r} holds {numbers}: numbers are needed.")
    if target.band not in bands:
        raise TargetError(
            f"Target for {target.band!r}: there is no such band here; there are: "
            f"{', '.join(map(repr, bands))}."
        )
    band = bands[target.band]
    if not band.low <= target.frequency <= band.high:
        hint = ""
        if target.frequency < 1e3:
            hint = f" A plain number is hertz; write '{target.frequency:g} MHz'."
        raise TargetError(
            f"Target for {target.band!r}: {target.frequency / 1e6:g} MHz lies outside of it, "
            f"{band.low / 1e6:g} to {band.high / 1e6:g} MHz.{hint}"
        )
    if not 1e-5 <= target.tolerance <= 0.1:
        raise TargetError(
            f"Target for {target.band!r}: {100 * target.tolerance:g} % may be off; that must be "
            "between 0.001 and 10 %."
        )
    if abs(target.reactance) > 5e3:
        raise TargetError(
            f"Target for {target.band!r}: X = {target.reactance:g} ohm; no more than 5000 either "
            "way."
        )


def _check_agreement(targets: Sequence[Target]) -> None:
    """No two targets may want different things of the same place."""
    for k, one in enumerate(targets):
        for other in targets[:k]:
            near = (one.tolerance + other.tolerance) * one.frequency
            if abs(one.frequency - other.frequency) > near:
                continue
            same = one.reactance == other.reactance
            what = "say the same twice" if same and one.frequency == other.frequency else (
                "contradict each other: within what both may be off there is one reactance only"
            )  # fmt: skip
            raise TargetError(f"Two targets {what}: {one}; {other}. Leave one out.")
