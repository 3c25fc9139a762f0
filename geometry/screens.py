"""Conducting sheets (foil, metal roofing, mesh) as grids of wires."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import speed_of_light

from .errors import GeometryError
from .lengths import LengthLike, metres
from .metalwork import read_bonds, scaled_bond
from .moves import mirror_signs, read_factor, read_vector, rotation
from .obstructions import plane_frame, polygon_area, read_outline
from .wires import Wire, locked, read_points

if TYPE_CHECKING:
    from ..materials import SheetConductor
    from .electrodes import Electrode

__all__ = ["GridConductor", "Screen"]

Array = NDArray[np.float64]
Point = tuple[float, float, float]
Seam = tuple[Point, Point]


@dataclass(frozen=True)
class GridConductor:
    """What a wire of a grid is made of: the strip of sheet that it stands for.

    Parameters
    ----------
    sheet : SheetConductor
        With its impedance per square.
    width : float
        Of the strip. [m]
    """

    sheet: Any
    width: float

    @property
    def name(self) -> str:
        """The sheet's."""
        return str(self.sheet.name)

    def internal_impedance(self, frequency: ArrayLike, *, radius: float) -> NDArray[np.complex128]:
        """Sheet impedance over the strip's width, shape of frequency; `radius` is the wire's.

        The grid's own inductance over a solid sheet, w mu0 p/(2 pi) ln(p/(2 pi a)) per square,
        is zero for the radius a = p/(2 pi) that its wires have.
        """
        del radius  # the resistance is that of the strip, not of the wire
        return np.asarray(self.sheet.impedance(frequency), dtype=complex) / self.width


@dataclass(frozen=True, repr=False)
class Screen:
    """A plane sheet of metal, computed as a grid of wires.

    Parameters
    ----------
    corners : array_like, shape (N, 3)
        Its outline, corner after corner, N >= 3; need not be convex. [m]
    conductor : SheetConductor or str, optional
        Or the name of one that the catalogue has; None: no loss.
    seams : sequence of (start, end)
        Straight lines across which no current flows. [m]
    pitch : length, optional
        Of the grid, everywhere the same; None: graded by the nearest wire and the wavelength. [m]
    name : str
        Unique among the wires and pieces of a scene.
    bonded, earthed, outside
        As for `MetalRun`; bonds go to the nearest crossing of the grid.
    most_pieces : int
        The grid is made coarser until it has at most so many pieces.
    """

    corners: tuple[Point, ...]
    _: KW_ONLY
    conductor: SheetConductor | str | None = "aluminium foil"
    seams: tuple[Seam, ...] = ()
    pitch: LengthLike | None = None
    name: str = "screen"
    bonded: Any = ()
    earthed: Electrode | None = None
    outside: bool = False
    most_pieces: int = 2000
    rulings: tuple[tuple[float, ...], tuple[float, ...]] | None = None

    kind: ClassVar[str] = "screen"

    def wires(self, *, near: Sequence[Wire] = (), top_frequency: float = 30e6) -> tuple[Wire, ...]:
        """The grid as wires, each with `piece` the name of this.

        Parameters
        ----------
        near : sequence of Wire
            What the pitch follows: it is no wider than the distance to the nearest of them.
        top_frequency : float
            The pitch stays below a twelfth of the wavelength there. [Hz]
        """
        raise NotImplementedError
