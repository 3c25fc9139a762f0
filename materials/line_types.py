r"""Kinds of transmission line: impedance, velocity factor and the two constants of the loss.

    A = k1 sqrt(f) + k2 f      dB per 100 m, f in MHz

The first term is the conductors', the second the insulation's (form of MIL-C-17, second-hand).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from .catalogue_reader import Entry, find_entry, read_catalogue
from .checks import require_number
from .errors import MaterialError

_KEYS = frozenset({"impedance", "velocity_factor", "attenuation", "limits"})
_REQUIRED = frozenset({"impedance", "velocity_factor", "attenuation"})


@dataclass(frozen=True)
class LineType:
    """A kind of line, told per length; `ridgepole.solver.Line` is a length of it.

    Parameters
    ----------
    name : str
        Name, for messages and tables.
    impedance : float
        Nominal characteristic impedance, > 0. [ohm]
    velocity_factor : float
        Speed over that of light, above 0 and at most 1.
    k1, k2 : float
        Constants of the loss, at least 0; see the module's equation.
        [dB/(100 m sqrt(MHz)), dB/(100 m MHz)]
    source : str
        Where the values come from.

    Raises
    ------
    MaterialError
        If a value is out of range.

    Examples
    --------
    >>> cable = LineType.named("RG-58")
    >>> f"{cable.k1 * 14.1**0.5 + cable.k2 * 14.1:.2f} dB per 100 m"
    '5.48 dB per 100 m'
    """

    name: str
    impedance: float = field(kw_only=True)
    velocity_factor: float = field(kw_only=True)
    k1: float = field(kw_only=True)
    k2: float = field(default=0.0, kw_only=True)
    source: str = field(default="", kw_only=True)

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise MaterialError(f"the name of a line is {self.name!r}; give it a name.")
        of = f"of line {self.name!r}"
        z = require_number(
            self.impedance,
            what=f"impedance {of}",
            unit="ohm",
            above=0.0,
            cure="Give the nominal ohms, as 50.",
        )
        speed = require_number(
            self.velocity_factor,
            what=f"velocity factor {of}",
            unit="",
            above=0.0,
            cure="Give a part of the speed of light, as 0.66.",
        )
        if speed > 1.0:
            raise MaterialError(
                f"velocity factor {of} is {speed:g}; it must be at most 1. Give 0.66, not 66."
            )
        object.__setattr__(self, "impedance", z)
        object.__setattr__(self, "velocity_factor", speed)
        for key in ("k1", "k2"):
            value = require_number(
                getattr(self, key),
                what=f"loss constant {key} {of}",
                unit="",
                least=0.0,
                cure="In dB per 100 m with MHz; 0 for no loss.",
            )
            object.__setattr__(self, key, value)

    @classmethod
    def from_attenuation(
        cls,
        name: str,
        points: Sequence[Sequence[float]],
        *,
        impedance: float,
        velocity_factor: float,
        source: str = "",
    ) -> LineType:
        """Return the line whose loss passes through two points.

        Parameters
        ----------
        name : str
            Name, for messages and tables.
        points : two pairs of (frequency [Hz], attenuation [dB per 100 m])
            At different frequencies.
        impedance, velocity_factor, source
            See the class.

        Raises
        ------
        MaterialError
            If the points are not two, or no constants of at least 0 pass through both.
        """
        k1, k2 = fit_loss(points, of=name)
        return cls(
            name,
            impedance=impedance,
            velocity_factor=velocity_factor,
            k1=k1,
            k2=k2,
            source=source,
        )

    @classmethod
    def named(cls, name: str, *, limits: bool = False) -> LineType:
        """Return a line of the catalogue; capitals, hyphens and spaces do not matter.

        Parameters
        ----------
        name : str
            An open military designation, as "RG-58".
        limits : bool
            Take the greatest attenuation that the specification allows, not the nominal one.

        Raises
        ------
        MaterialError
            If there is none of that name (the message has near names and the list), or no limits
            are known for it.
        """
        entry = find_entry(name, entries=_entries(), what="line")
        values = entry.values
        if limits and "limits" not in values:
            raise MaterialError(
                f"no limits of attenuation are known for {entry.name!r}. Use its nominal values, "
                "or give points of your own to LineType.from_attenuation."
            )
        return cls.from_attenuation(
            f"{entry.name} at its limits" if limits else entry.name,
            values["limits" if limits else "attenuation"],
            impedance=values["impedance"],
            velocity_factor=values["velocity_factor"],
            source=f"{entry.source}; k1 and k2 fitted through two points",
        )

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return the names in the catalogue, in its order."""
        return tuple(entry.name for entry in _entries())


def fit_loss(points: Sequence[Sequence[float]], *, of: str) -> tuple[float, float]:
    """k1 and k2 through two points of (frequency [Hz], attenuation [dB per 100 m]).

    Raises
    ------
    MaterialError
        If the points are not two at different frequencies, or a constant would be negative.
    """
    rows = [tuple(row) for row in points]
    if len(rows) != 2 or any(len(row) != 2 for row in rows):
        raise MaterialError(
            f"the attenuation of line {of!r} is {points!r}; it must be two pairs of (frequency in "
            "Hz, dB per 100 m)."
        )
    cure = "Correct that point."
    (f1, a1), (f2, a2) = (
        (
            require_number(f, what=f"frequency of line {of!r}", unit="Hz", above=0.0, cure=cure)
            / 1e6,
            require_number(a, what=f"attenuation of {of!r}", unit="dB", least=0.0, cure=cure),
        )
        for f, a in rows
    )
    if f1 == f2:
        raise MaterialError(
            f"both points of the attenuation of line {of!r} are at {f1:g} MHz; take two "
            "frequencies."
        )
    determinant = math.sqrt(f1) * f2 - math.sqrt(f2) * f1
    k1 = (a1 * f2 - a2 * f1) / determinant
    k2 = (math.sqrt(f1) * a2 - math.sqrt(f2) * a1) / determinant
    slack = 1e-12 * (abs(a1) + abs(a2))  # rounding, where one constant is zero
    if k1 < -slack or k2 < -slack:
        raise MaterialError(
            f"no law k1 sqrt(f) + k2 f with constants of at least 0 passes through {a1:g} dB at "
            f"{f1:g} MHz and {a2:g} dB at {f2:g} MHz of line {of!r} (k1 = {k1:.3g}, k2 = {k2:.3g})."
            " Attenuation must rise at least as the square root of the frequency and at most with "
            "the frequency: take points farther apart."
        )
    return max(k1, 0.0), max(k2, 0.0)


def _entries() -> tuple[Entry, ...]:
    return read_catalogue("lines.toml", table="line", allowed=_KEYS, required=_REQUIRED)
