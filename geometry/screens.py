"""Conducting sheets (foil, metal roofing, mesh) as grids of wires."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import KW_ONLY, dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import mu_0

from .electrodes import read_electrode
from .errors import GeometryError
from .lengths import LengthLike, PointsLike, metres
from .metalwork import read_bonds, read_flag, read_size, scaled_bond
from .moves import mirror_signs, read_factor, read_vector, rotation
from .obstructions import FLAT, as_points, covered_area, plane_frame, polygon_area, read_outline
from .outlines import cross2
from .wires import JOINING_DISTANCE, Wire, locked, read_points, show_point

if TYPE_CHECKING:
    from ..materials import SheetConductor

__all__ = ["GridConductor", "Ruling", "Screen"]

Array = NDArray[np.float64]
Point = tuple[float, float, float]
Seam = tuple[Point, Point]

GROWTH = 0.5
"""How fast the pitch may grow along the sheet; neighbours then differ by at most 1.65."""

LEAST_PITCH = 0.05
"""However near a wire comes. [m]"""

MOST_PIECES = 100_000
"""What `most_pieces` may be: the unknowns of so many fill no ordinary memory any more."""

MOST_CELLS = 4e6
"""Of a grid's rectangle, whatever part of them is metal."""

SLIM = 0.4
"""Largest radius of a grid's wire in lengths of its shortest piece."""

CROWDING = 0.4
"""Logarithm by which the wires of a square grid are too thick for their charge.

Wires of radius pitch/(2 pi) carry current as the solid sheet does, but hold too much charge: it
gathers between the crossings, and shows beyond the sheet's plane. With 0.4 taken off, the reactance
of a dipole 0.4 m over grids of 0.14 to 0.4 m pitch is the same within 0.02 ohm; without, it runs
by 1.6 ohm towards that value (computed with this package, see tests/test_screens.py)."""

ALIGNED = np.tan(np.radians(1.0))  # a seam counts as along an axis within one degree


@dataclass(frozen=True)
class GridConductor:
    """What a wire of a grid is made of: the strip of sheet that it stands for.

    Parameters
    ----------
    sheet : SheetConductor, optional
        With its impedance per square; None: no loss.
    width : float
        Of the strip. [m]
    pitch : float
        Of the grid, across the wire. [m]
    """

    sheet: Any
    width: float
    pitch: float

    @property
    def name(self) -> str:
        """The sheet's."""
        return "perfect sheet" if self.sheet is None else str(self.sheet.name)

    def internal_impedance(self, frequency: ArrayLike, *, radius: float) -> NDArray[np.complex128]:
        """Sheet impedance over the strip's width, less what a thinner wire has too much. [ohm/m]

        Notes
        -----
        A grid of wires of radius a at pitch p has the inductance mu0/(2 pi) ln(p/(2 pi a)) per
        wire over a solid sheet. It is zero for a = p/(2 pi) (equal area: the wires have the
        surface of one side of the sheet, and the rule that is common practice); a wire that had
        to be thinner has it taken off again. From formula of a wire grid's sheet impedance.
        """
        frequency = np.asarray(frequency, dtype=float)
        omega = 2.0 * np.pi * frequency
        excess = np.log(self.pitch / (2.0 * np.pi * radius)) * mu_0 / (2.0 * np.pi)
        sheet = 0.0 if self.sheet is None else self.sheet.impedance(frequency) / self.width
        return np.asarray(sheet - 1j * omega * excess, dtype=complex)

    def charge_logarithm(self, radius: float) -> float:
        """What the potential of a charge q per metre lacks, over q/(2 pi eps0).

        That of the charge between the crossings (`CROWDING`), less what a wire thinner than
        pitch/(2 pi) has too much.
        """
        return CROWDING - float(np.log(self.pitch / (2.0 * np.pi * radius)))


@dataclass(frozen=True, eq=False)
class Ruling:
    """The lines of a grid and which of its cells are metal.

    Attributes
    ----------
    u, v : ndarray, shapes (U,) and (V,)
        Places of the lines along the sheet's axes, from its center. [m]
    along_u : ndarray of bool, shape (U - 1, V)
        Which pieces along axis 0 there are.
    along_v : ndarray of bool, shape (U, V - 1)
        The same along axis 1.
    coarsened : float
        How many times wider the pitch is than the nearest wire asks for, 1 or more.
    """

    u: Array
    v: Array
    along_u: NDArray[np.bool_]
    along_v: NDArray[np.bool_]
    coarsened: float

    @property
    def n_pieces(self) -> int:
        """How many straight pieces."""
        return int(self.along_u.sum() + self.along_v.sum())


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
        The grid is made coarser until it has at most so many straight pieces.

    Raises
    ------
    GeometryError
        If the outline is none, a seam lies outside its plane, or the pitch is out of range.

    Notes
    -----
    The grid has lines in two directions, its wires the radius pitch/(2 pi) (equal area, common
    practice). The pitch follows the distance to the nearest wire (half as fast along the sheet)
    and stays below a twelfth of the wavelength. A slanting side becomes steps: a cell is metal if
    at least half of it is. Along a seam the grid ends half a pitch on either side, which is how
    far its outer wires reach.

    Screens of one scene that have a side in common (within 1 mm, along the grids' lines) are joined
    there: their grids have the same lines across that side, and one wire along it.
    """

    corners: PointsLike
    _: KW_ONLY
    conductor: SheetConductor | str | None = "aluminium foil"
    seams: Sequence[PointsLike] = ()
    pitch: LengthLike | None = None
    name: str = "screen"
    bonded: Any = ()
    earthed: Any = None
    outside: bool = False
    most_pieces: int = 2000
    group: str = ""

    kind: ClassVar[str] = "screen"

    def __post_init__(self) -> None:
        name = self.name
        if not isinstance(name, str) or not name.strip():
            raise GeometryError(f"A screen has the name {name!r}; give name='...'.")
        put = object.__setattr__
        put(self, "corners", read_outline(self.corners, name, kind="Screen"))
        put(self, "bonded", read_bonds(self.bonded, name))
        put(self, "earthed", read_electrode(self.earthed, f"screen {name!r}"))
        if isinstance(self.conductor, str):
            from ..materials import SheetConductor

            put(self, "conductor", SheetConductor.named(self.conductor))
        elif self.conductor is not None and not hasattr(self.conductor, "impedance"):
            raise GeometryError(
                f"Screen {name!r}: conductor={self.conductor!r} is no conducting sheet; give "
                "ridgepole.materials.SheetConductor, a name it knows, or None for no loss."
            )
        if self.pitch is not None:
            put(self, "pitch", read_size(self.pitch, f"The pitch of screen {name!r}"))
        put(self, "outside", read_flag(self.outside, f"Screen {name!r}: outside"))
        most = self.most_pieces
        if not isinstance(most, int) or most is True or not 1 <= most <= MOST_PIECES:
            raise GeometryError(
                f"Screen {name!r}: most_pieces={most!r}; it must be a whole number, 1 to "
                f"{MOST_PIECES}. More than some thousand take long."
            )
        seams: Any = self.seams
        if isinstance(seams, str) or not isinstance(seams, Iterable):
            raise GeometryError(
                f"Screen {name!r}: seams={seams!r} are none; give a list of pairs of points, "
                "[((x, y, z), (x, y, z)), ...], or leave it out."
            )
        put(self, "seams", tuple(self._read_seam(seam) for seam in seams))

    def _read_seam(self, seam: Any) -> Seam:
        ends = read_points(seam, self.name, kind="Seam of screen")
        off = np.abs((ends - self.center) @ self.frame[2])
        if len(ends) != 2 or off.max() > FLAT:
            raise GeometryError(
                f"Screen {self.name!r}: a seam has {len(ends)} points up to {off.max():.3g} m off "
                "its plane; give two points in the plane (2 mm)."
            )
        if float(np.linalg.norm(ends[1] - ends[0])) <= JOINING_DISTANCE:
            raise GeometryError(
                f"Screen {self.name!r}: a seam begins and ends at {show_point(ends[0])} and cuts "
                "nothing; give its two ends."
            )
        return as_points(ends)  # pyright: ignore[reportReturnType]

    @cached_property
    def frame(self) -> Array:
        """Two unit vectors in its plane and the normal as rows, shape (3, 3), read-only."""
        return locked(plane_frame(np.array(self.corners)))

    @cached_property
    def center(self) -> Array:
        """Middle of the rectangle around the outline, shape (3,), read-only. [m]"""
        local = np.array(self.corners) @ self.frame.T
        return locked(0.5 * (local.min(axis=0) + local.max(axis=0)) @ self.frame)

    @cached_property
    def outline(self) -> Array:
        """Corners along axes 0 and 1 of `frame`, from `center`, counter-clockwise, (N, 2). [m]"""
        return locked((np.array(self.corners) - self.center) @ self.frame[:2].T)

    @property
    def area(self) -> float:
        """Of one side. [m2]"""
        return polygon_area(self.outline)

    # ---- the grid ------------------------------------------------------------------------

    def ruling(self, *, near: Sequence[Wire] = (), top_frequency: float = 30e6) -> Ruling:
        """Lines and pieces of the grid; parameters as for `wires`.

        Raises
        ------
        GeometryError
            If even the widest pitch needs more than `most_pieces` pieces.
        """
        from .screen_joints import rule_screens  # which knows this module

        (found,) = rule_screens([self], near=near, top_frequency=top_frequency).values()
        return found

    def check_pitch(self) -> None:
        """Refuse a pitch told that is far too fine, before a grid is built.

        Raises
        ------
        GeometryError
            If it needs about twice `most_pieces` pieces, or too many cells to look through.
        """
        if self.pitch is None:
            return
        square = metres(self.pitch) ** 2
        about = 2.0 * self.area / square
        if about > 2.0 * self.most_pieces:
            raise self.too_many(f"about {about:.3g}")
        cells = float(np.prod(np.ptp(self.outline, axis=0))) / square
        if cells > MOST_CELLS:
            raise GeometryError(
                f"Screen {self.name!r}: the rectangle around it has {cells:.3g} cells of its "
                f"pitch, {metres(self.pitch):g} m; up to {MOST_CELLS:.0e} are looked through. "
                "Give a wider pitch, or draw it as several screens."
            )

    def too_many(self, pieces: int | str) -> GeometryError:
        """What is said of a grid with more pieces than `most_pieces`."""
        return GeometryError(
            f"Screen {self.name!r}: its grid has {pieces} pieces, more than "
            f"most_pieces={self.most_pieces}. Give a wider pitch, a lower top frequency, or more "
            "pieces."
        )

    def pitches(self, axis: int, local: Array, widest: float, factor: float) -> tuple[Array, Array]:
        """Places across one axis, and the pitch that is wanted there. [m]"""
        fine = np.linspace(*self.reach(axis), 801)
        pitch = np.full(len(fine), widest)
        if self.pitch is not None:
            pitch[:] = metres(self.pitch)
        elif len(local):
            other = 1 - axis
            side = np.abs(self.outline[:, other]).max()
            beside = np.maximum(np.abs(local[:, other]) - side, 0.0)
            away = local[:, 2] ** 2 + (GROWTH * beside) ** 2
            for part in np.array_split(np.arange(len(local)), max(1, len(local) // 500)):
                gap = GROWTH * (fine[:, None] - local[part, axis])
                pitch = np.minimum(pitch, np.sqrt(away[part] + gap**2).min(axis=1))
            pitch = np.clip(pitch, LEAST_PITCH, widest) * factor
            pitch = np.minimum(pitch, widest)
        return fine, pitch

    def reach(self, axis: int) -> tuple[float, float]:
        """Where the outline begins and ends along an axis. [m]"""
        return float(self.outline[:, axis].min()), float(self.outline[:, axis].max())

    def seams_across(self, axis: int) -> list[float]:
        """Places along an axis of the seams that run along the other. [m]"""
        low, high = self.reach(axis)
        return [
            float(start[axis])
            for start, end in self._local_seams
            if abs(end - start)[axis] < ALIGNED * abs(end - start)[1 - axis]
            and low < start[axis] < high
        ]

    @cached_property
    def _local_seams(self) -> list[Array]:
        return [(np.array(seam) - self.center) @ self.frame[:2].T for seam in self.seams]

    def pieces(self, u: Array, v: Array, coarsened: float) -> Ruling:
        cover = covered_area(self.outline, u, v) / np.outer(np.diff(u), np.diff(v))
        metal = np.zeros((len(u) + 1, len(v) + 1), dtype=bool)  # cells, with a rim of none
        metal[1:-1, 1:-1] = cover >= 0.5
        along_u = metal[1:-1, 1:] | metal[1:-1, :-1]
        along_v = metal[1:, 1:-1] | metal[:-1, 1:-1]
        nodes = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1)
        for seam in self._local_seams:
            along_u &= ~_crosses(seam, nodes[:-1], nodes[1:])
            along_v &= ~_crosses(seam, nodes[:, :-1], nodes[:, 1:])
        return Ruling(u, v, along_u, along_v, coarsened)

    def wires(self, *, near: Sequence[Wire] = (), top_frequency: float = 30e6) -> tuple[Wire, ...]:
        """The grid as wires, each with `piece` the name or group of this.

        Parameters
        ----------
        near : sequence of Wire
            What the pitch follows: it is no wider than the distance to the nearest of them, and
            no narrower than 50 mm.
        top_frequency : float
            The pitch stays below a twelfth of the wavelength there. [Hz]

        Raises
        ------
        GeometryError
            If the grid needs more than `most_pieces` pieces.
        """
        return self.drawn(self.ruling(near=near, top_frequency=top_frequency))

    def drawn(self, ruling: Ruling) -> tuple[Wire, ...]:
        """The wires of a ruling."""
        return (
            *self._drawn(0, ruling.u, ruling.v, ruling.along_u.T),
            *self._drawn(1, ruling.v, ruling.u, ruling.along_v),
        )

    def _drawn(
        self, axis: int, along: Array, across: Array, present: NDArray[np.bool_]
    ) -> list[Wire]:
        """Wires along one axis: `present[j, i]` is the piece i of line j."""
        step = np.diff(across)
        before = np.concatenate([step[:1], step])
        after = np.concatenate([step, step[-1:]])
        pitch = 0.5 * (before + after)
        width = 0.5 * (np.append(0.0, step) + np.append(step, 0.0))
        found = []
        for j, row in enumerate(present):
            edges = np.flatnonzero(np.diff(np.concatenate([[False], row, [False]]).astype(int)))
            for k, (a, b) in enumerate(edges.reshape(-1, 2)):
                ends = np.zeros((2, 2))
                ends[:, axis] = along[[a, b]]
                ends[:, 1 - axis] = across[j]
                pieces = np.diff(along[a : b + 1])
                radius = min(pitch[j] / (2.0 * np.pi), SLIM * pieces.min())
                conductor = GridConductor(self.conductor, float(width[j]), float(pitch[j]))
                found.append(
                    Wire(
                        self.center + ends @ self.frame[:2],
                        radius=float(radius),
                        conductor=conductor,  # pyright: ignore[reportArgumentType]
                        name=f"{self.name} {'uv'[axis]}{j + 1}" + f".{k + 1}" * (len(edges) > 2),
                        marks=(along[a + 1 : b] - along[a]).tolist(),
                        outside=self.outside,
                        piece=self.group or self.name,
                    )
                )
        return found

    # ---- changed copies ------------------------------------------------------------------

    def translated(self, by: Sequence[float]) -> Screen:
        """Moved by (dx, dy, dz). [m]"""
        shift = read_vector(by)
        return self._moved(lambda p: p + shift)

    def rotated(self, degrees: float) -> Screen:
        """Turned about the z axis, counter-clockwise seen from above. [degree]"""
        turn = rotation(degrees)
        return self._moved(lambda p: p @ turn.T)

    def mirrored(self, axis: Literal["x", "y"]) -> Screen:
        """With the sign of x or of y changed."""
        signs = mirror_signs(axis)
        return self._moved(lambda p: p * signs)

    def scaled(self, factor: float) -> Screen:
        """All lengths times `factor` > 0, about the origin."""
        by = read_factor(factor)
        return replace(
            self._moved(lambda p: p * by),
            pitch=None if self.pitch is None else metres(self.pitch) * by,
            bonded=[scaled_bond(bond, by) for bond in self.bonded],
            earthed=None if self.earthed is None else self.earthed.scaled(by),
        )

    def without_bonds(self) -> Screen:
        """Floating: without bonds and earth."""
        return replace(self, bonded=(), earthed=None)

    def _moved(self, move: Callable[[Array], Array]) -> Screen:
        seams = [move(np.array(seam)) for seam in self.seams]
        return replace(self, corners=move(np.array(self.corners)), seams=seams)

    def doubts(self) -> tuple[str, ...]:
        """What its model leaves out, a sentence each; the grid's are told by the scene."""
        return ()

    def __repr__(self) -> str:
        stuff = "no loss" if self.conductor is None else getattr(self.conductor, "name", "")
        seams = f", {len(self.seams)} seams" if self.seams else ""
        return f"Screen({self.name!r}, {self.area:.4g} m2 of {stuff}{seams})"


def _crosses(seam: Array, start: Array, end: Array) -> NDArray[np.bool_]:
    """Which pieces (..., 2) to (..., 2) cross the stretch of a seam (2, 2)."""
    way = seam[1] - seam[0]
    a, b = cross2(way, start - seam[0]), cross2(way, end - seam[0])
    apart = (a > 0.0) != (b > 0.0)
    part = a / np.where(apart, a - b, 1.0)
    at = ((start + part[..., None] * (end - start) - seam[0]) @ way) / (way @ way)
    return apart & (at >= -1e-9) & (at <= 1.0 + 1e-9)
