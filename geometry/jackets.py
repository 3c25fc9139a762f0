"""The jacket of a wire: what it is made of and how thick."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from .errors import GeometryError
from .lengths import LengthLike, metres

if TYPE_CHECKING:
    from ..materials import Dielectric

__all__ = ["DEFAULT_THICKNESS", "Jacket"]

DEFAULT_THICKNESS = 0.7e-3
"""Of building wire of 1.5 and 2.5 mm2 (common practice). [m]"""

INSULATION = (
    "PVC", "polyethylene", "foamed polyethylene", "PTFE", "rubber", "silicone rubber", "nylon",
    "enamel",
)  # fmt: skip
"""What of the catalogue wires are insulated with."""

_SIZE = re.compile(r"(?P<size>[\d.]+\s*(?:mm|in))\s*(?P<outside>outside|diameter|od)?\s*$", re.I)


@dataclass(frozen=True)
class Jacket:
    """Insulation around a wire.

    Parameters
    ----------
    material : Dielectric or str
        What it is made of, or the name of an insulation that the catalogue has (`INSULATION`).
    thickness : length, optional
        Of the wall; this or `diameter`, 0.7 mm where neither is told. [m]
    diameter : length, optional
        Outside. [m]

    Raises
    ------
    GeometryError
        If both sizes are given, one is not positive, or the material named insulates no wires.
    MaterialError
        If no dielectric has that name.

    Examples
    --------
    >>> Jacket("PVC", diameter="2.8 mm").outer_radius(0.7e-3)
    0.0014
    """

    material: Dielectric | str
    thickness: LengthLike | None = None
    diameter: LengthLike | None = None

    def __post_init__(self) -> None:
        put = object.__setattr__
        if isinstance(self.material, str):
            from ..materials import Dielectric as Known

            found = Known.named(self.material)
            if found.name not in INSULATION:
                raise GeometryError(
                    f"Jacket: {found.name!r} is no insulation of wires. Take one of "
                    f"{', '.join(map(repr, INSULATION))}, or a Dielectric of your own."
                )
            put(self, "material", found)
        if not hasattr(self.material, "complex_permittivity"):
            raise GeometryError(
                f"Jacket: material {self.material!r} is no dielectric; give "
                "ridgepole.materials.Dielectric or a name it knows."
            )
        if self.thickness is not None and self.diameter is not None:
            raise GeometryError("Jacket: thickness and diameter are both given; give one of them.")
        for what in ("thickness", "diameter"):
            told = getattr(self, what)
            if told is not None:
                put(self, what, self._positive(told, what))

    @classmethod
    def from_text(cls, text: str) -> Jacket:
        """Read "PVC", "PVC 0.8 mm" (thickness) or "PVC 2.8 mm outside" (diameter)."""
        match = _SIZE.search(text)
        if match is None:
            return cls(text.strip())
        name = text[: match.start()].strip()
        if match["outside"]:
            return cls(name, diameter=match["size"])
        return cls(name, thickness=match["size"])

    @staticmethod
    def _positive(value: LengthLike, what: str) -> float:
        try:
            found = metres(value)
        except GeometryError as error:
            raise GeometryError(f"Jacket: {what}: {error}") from None
        if not 0.0 < found < 0.1:
            raise GeometryError(
                f"Jacket: {what} is {found:g} m; it must lie between 0 and 0.1 m. For bare wire "
                "leave the jacket out."
            )
        return found

    @property
    def is_assumed(self) -> bool:
        """True where neither thickness nor diameter was told."""
        return self.thickness is None and self.diameter is None

    @property
    def wall(self) -> float:
        """Thickness, the usual one where none was told. [m]"""
        return DEFAULT_THICKNESS if self.thickness is None else metres(self.thickness)

    def outer_radius(self, radius: float, *, wire: str = "") -> float:
        """Outside radius over a wire of that radius. [m]

        Raises
        ------
        GeometryError
            If the jacket's outside diameter is not more than the wire's.
        """
        if self.diameter is None:
            return radius + self.wall
        outer = 0.5 * metres(self.diameter)
        if not outer > radius:
            raise GeometryError(
                f"Wire {wire!r}: its jacket is {2e3 * outer:g} mm across outside, the metal "
                f"{2e3 * radius:g} mm; the jacket must be thicker than the wire."
            )
        return outer

    def complex_permittivity(self, frequency: float) -> complex:
        """Relative complex permittivity of the material at a frequency [Hz]. [1]"""
        return complex(self._material.complex_permittivity(frequency))

    @property
    def _material(self) -> Dielectric:
        if isinstance(self.material, str):  # read when it was made
            raise GeometryError(f"Jacket: {self.material!r} was not looked up.")
        return self.material

    def scaled(self, factor: float) -> Jacket:
        """With its size times `factor` > 0."""
        if self.diameter is None:
            return replace(self, thickness=self.wall * factor)
        return replace(self, diameter=metres(self.diameter) * factor)

    def __str__(self) -> str:
        name = getattr(self.material, "name", "") or "jacket"
        if self.diameter is None:
            return f"{name} {1e3 * self.wall:g} mm"
        return f"{name} {1e3 * metres(self.diameter):g} mm outside"
