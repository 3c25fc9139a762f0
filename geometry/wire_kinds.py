"""What a wire is made of, as people say it: "1.5 mm2 copper, PVC", "14 AWG hard-drawn copper"."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from .errors import GeometryError
from .lengths import LengthLike, gauge_radius, metres

if TYPE_CHECKING:
    from ..materials import Conductor

__all__ = ["WireKind"]

_GAUGE = re.compile(
    r"\s*(?P<gauge>(?:\d+/)?\d+\s*AWG|AWG\s*\d+|[\d.]+\s*(?:mm2|mm\^2|mm²|sq\.?\s*mm))\b\s*",
    re.IGNORECASE,
)
_BARE = ("bare", "none", "no jacket", "")
_CURE = "Write gauge, metal and jacket, as in '1.5 mm2 copper, PVC' or '14 AWG copper, bare'."


@dataclass(frozen=True)
class WireKind:
    """Thickness, metal and jacket of a wire.

    Parameters
    ----------
    gauge : str, optional
        "14 AWG" or "1.5 mm2"; or
    radius : length, optional
        the radius of the metal. [m]
    conductor : Conductor or str, optional
        The metal, or the name of one that the catalogue has; None: no loss.
    jacket : str
        Name of the jacket's material, "" for bare wire. It is kept, not yet computed with.

    Raises
    ------
    GeometryError
        If neither or both of gauge and radius are given, or one of them is none.
    MaterialError
        If no metal has that name.
    """

    gauge: str | None = None
    radius: LengthLike | None = None
    conductor: Conductor | str | None = None
    jacket: str = ""

    def __post_init__(self) -> None:
        if (self.gauge is None) == (self.radius is None):
            raise GeometryError(
                "A wire needs a gauge ('1.5 mm2', '14 AWG') or a radius, one of them; "
                f"{'neither' if self.gauge is None else 'both'} given."
            )
        if self.gauge is not None:
            gauge_radius(self.gauge)
        elif self.radius is not None and not metres(self.radius) > 0.0:
            raise GeometryError(f"A radius of {self.radius} is none; it must be above 0.")
        if isinstance(self.conductor, str):
            from ..materials import Conductor

            object.__setattr__(self, "conductor", Conductor.named(self.conductor))

    @classmethod
    def from_text(cls, text: str) -> WireKind:
        """Read "GAUGE METAL, JACKET"; metal and jacket may be left out (copper, bare).

        Raises
        ------
        GeometryError
            If it does not start with a gauge or has more than one comma.
        MaterialError
            If no metal has that name.
        """
        match = _GAUGE.match(text)
        parts = [part.strip() for part in text[match.end() :].split(",")] if match else []
        if match is None or len(parts) > 2:
            raise GeometryError(f"Wire {text!r} cannot be read. {_CURE}")
        metal = parts[0] or "annealed copper"
        jacket = parts[1] if len(parts) == 2 else ""
        return cls(
            gauge=match["gauge"],
            conductor=metal,
            jacket="" if jacket.lower() in _BARE else jacket,
        )

    @property
    def options(self) -> dict[str, Any]:
        """Keyword arguments for `Wire`."""
        return {"gauge": self.gauge, "radius": self.radius, "conductor": self.conductor}

    def __str__(self) -> str:
        size = self.gauge if self.gauge is not None else f"radius {self.radius} m"
        metal = "no loss" if self.conductor is None else getattr(self.conductor, "name", "")
        return f"{size} {metal}, {self.jacket or 'bare'}"
