"""What a wire is made of, as people say it: "1.5 mm2 copper, PVC", "14 AWG hard-drawn copper"."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from .errors import GeometryError
from .jackets import Jacket
from .lengths import LengthLike, gauge_radius, metres

if TYPE_CHECKING:
    from ..materials import Conductor

__all__ = ["WireKind"]

_SIZE = re.compile(
    r"""\s*(?:
        (?:AWG\s*\#?|\#|gauge)\s*(?P<before>(?:\d+/)?\d+)(?:\s*(?:AWG|gauge|ga))?\b
        | (?P<after>(?:\d+/)?\d+)\s*(?:AWG|gauge|ga)\b
        | (?P<area>[\d.]+\s*(?:mm2|mm\^2|mm²|sq\.?\s*mm))\b
        | (?P<diameter>\d+\.?\d*|\.\d+)\s*mm\b(?!\s*[\^2*])(?:\s*(?:diameter\b|dia\b\.?))?
    )\s*""",
    re.IGNORECASE | re.VERBOSE,
)
_FILLERS = re.compile(r"\b(?:wire|solid|stranded)\b", re.IGNORECASE)
_STRANDED = re.compile(r"\bstranded\b", re.IGNORECASE)
_BARE = ("bare", "none", "no jacket", "")
_CURE = (
    "Write size, metal and jacket, as in '1.5 mm2 copper, PVC', '14 AWG copper, bare' or "
    "'2 mm copper' (a diameter)."
)


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
    jacket : Jacket or str, optional
        The jacket, or its text ("PVC", "PVC 0.8 mm", "PVC 2.8 mm outside"); None: bare.
    is_stranded : bool
        Whether it is made of strands. It is kept; the wire is computed as a solid one of the
        gauge's or radius' size.

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
    jacket: Jacket | str | None = None
    is_stranded: bool = False

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
        if isinstance(self.jacket, str):
            bare = self.jacket.strip().lower() in _BARE
            jacket = None if bare else Jacket.from_text(self.jacket)
            object.__setattr__(self, "jacket", jacket)
        if isinstance(self.jacket, Jacket):
            self.jacket.outer_radius(self.metal_radius, wire=self._size)
        if isinstance(self.conductor, str):
            from ..materials import Conductor

            object.__setattr__(self, "conductor", Conductor.named(self.conductor))

    @classmethod
    def from_text(cls, text: str) -> WireKind:
        """Read "SIZE METAL, JACKET"; metal and jacket may be left out (copper, bare).

        Sizes are "14 AWG", "#14", "14 gauge", a section "1.5 mm2" or a diameter "2 mm". The words
        "wire", "solid" and "stranded" may stand beside the metal.

        Raises
        ------
        GeometryError
            If it does not start with a size or has more than one comma.
        MaterialError
            If no metal has that name.
        """
        match = _SIZE.match(text)
        parts = [part.strip() for part in text[match.end() :].split(",")] if match else []
        if match is None or len(parts) > 2:
            raise GeometryError(f"Wire {text!r} cannot be read. {_CURE}")
        metal = " ".join(_FILLERS.sub(" ", parts[0]).split()) or "annealed copper"
        jacket = parts[1] if len(parts) == 2 else ""
        number = match["before"] or match["after"]
        diameter = match["diameter"]
        return cls(
            gauge=f"{number} AWG" if number else match["area"],
            radius=None if diameter is None else 0.5e-3 * float(diameter),
            conductor=metal,
            jacket=jacket,
            is_stranded=_STRANDED.search(parts[0]) is not None,
        )

    @property
    def options(self) -> dict[str, Any]:
        """Keyword arguments for `Wire`."""
        return {
            "gauge": self.gauge,
            "radius": self.radius,
            "conductor": self.conductor,
            "jacket": self.jacket,
        }

    @property
    def metal_radius(self) -> float:
        """Radius of the metal. [m]"""
        return metres(self.radius or 0.0) if self.gauge is None else gauge_radius(self.gauge)

    @property
    def _size(self) -> str:
        return self.gauge if self.gauge is not None else f"radius {self.radius} m"

    def __str__(self) -> str:
        size = self._size + " stranded" * self.is_stranded
        metal = "no loss" if self.conductor is None else getattr(self.conductor, "name", "")
        return f"{size} {metal}, {self.jacket or 'bare'}"
