"""The earth at one frequency, as plain numbers: what the solver works with."""

from __future__ import annotations

import cmath
from typing import NamedTuple


class Ground(NamedTuple):
    """Permittivities and thicknesses of the earth's layers at one frequency, from the top down.

    Attributes
    ----------
    permittivities : tuple of complex
        Relative permittivity of every layer and, last, of the half-space below them, Im <= 0;
        infinite for a perfect conductor at the bottom. [1]
    thicknesses : tuple of float
        Of the layers, one fewer than permittivities; none for a homogeneous earth. [m]

    Examples
    --------
    >>> Ground((4 - 0.1j, 13 - 2j), (0.4,)).is_layered
    True
    """

    permittivities: tuple[complex, ...]
    thicknesses: tuple[float, ...] = ()

    @classmethod
    def of(cls, ground: Ground | complex) -> Ground:
        """Return a Ground; a number is the permittivity of a homogeneous one."""
        return ground if isinstance(ground, Ground) else cls((complex(ground),))

    @property
    def is_layered(self) -> bool:
        """Whether there is any layer above the half-space."""
        return bool(self.thicknesses)

    @property
    def bottom(self) -> complex:
        """Permittivity of the half-space below all layers."""
        return self.permittivities[-1]

    @property
    def has_perfect_bottom(self) -> bool:
        """Whether a perfect conductor lies below the layers, if any."""
        return cmath.isinf(self.bottom)

    @property
    def is_perfect(self) -> bool:
        """Whether it is a perfect conductor from the surface down."""
        return not self.thicknesses and self.has_perfect_bottom

    def at(self, frequency: float) -> Ground:
        """Return itself: it stands for an earth whose frequency is known already."""
        del frequency
        return self

    def relative_to(self, permittivity: complex) -> Ground:
        """Return it with every permittivity divided by that of the medium above it."""
        if permittivity == 1.0:
            return self
        divided = tuple(e if cmath.isinf(e) else e / permittivity for e in self.permittivities)
        return self._replace(permittivities=divided)
