"""House metal as wires: ducts, pipes, gutters, downpipes, cables and tanks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .electrodes import read_electrode
from .errors import GeometryError
from .jackets import Jacket
from .lengths import LengthLike, PointsLike, gauge_radius, metres
from .moves import mirror_signs, read_factor, read_vector, rotation
from .wires import JOINING_DISTANCE, Wire, read_points

if TYPE_CHECKING:
    from ..materials import Conductor

__all__ = [
    "BondTo",
    "Cable",
    "Downpipe",
    "Duct",
    "Gutter",
    "MetalRun",
    "Pipe",
    "Tank",
    "cores_radius",
    "read_flag",
    "rectangle_radius",
]

Array = NDArray[np.float64]
Point = tuple[float, float, float]

_CAGE_WIRES = 6
"""Upright wires of a tank that is too stout to be one thick wire."""

_STOUT = 0.09
"""Radius in lengths above which a tank is a cage; wires must stay below a tenth."""

WIDEST_SPACING = 0.5
"""Cores that are farther apart are conductors of their own. [m]"""

LEAD_RADIUS = 1.38e-3  # 6 mm2, the usual bonding conductor (common practice) [m]


def rectangle_radius(width: float, height: float) -> float:
    """Radius of the round conductor that stands for a rectangular one, 0.295 (w + h). [m]

    Common practice; a square is 0.59 of its side, a flat strip a quarter of its width (0.295).
    """
    return 0.295 * (width + height)


def cores_radius(radius: float, spacing: float, *, cores: int, flat: bool = False) -> float:
    """Radius of the one conductor that stands for cores side by side in common mode. [m]

    Parameters
    ----------
    radius, spacing : float
        Of each core; between the centres of neighbours. [m]
    cores : int
        1 or more.
    flat : bool
        In a row; otherwise evenly on a circle.

    Notes
    -----
    Equal potentials, logarithmic potentials between the axes: a = exp(-1/sum(P^-1)) with
    P_ij = -ln d_ij, d_ii = radius. Two cores: sqrt(a s); three on a circle: (a s^2)^(1/3).
    """
    if cores == 1:
        return radius
    if flat:
        at = np.stack([spacing * np.arange(cores), np.zeros(cores)], axis=1)
    else:
        turn = 2.0 * np.pi * np.arange(cores) / cores
        at = np.stack([np.cos(turn), np.sin(turn)], axis=1)
        at *= spacing / (2.0 * math.sin(math.pi / cores))
    distance = np.linalg.norm(at[:, None] - at, axis=2)
    np.fill_diagonal(distance, radius)
    potential = -np.log(distance / spacing)  # in spacings: any unit gives the same radius
    # A constant added to all of P keeps it well away from singular and comes out again.
    shift = 10.0
    charges = np.linalg.solve(potential + shift, np.ones(cores))
    return spacing * math.exp(shift - 1.0 / float(charges.sum()))


@dataclass(frozen=True)
class BondTo:
    """What a piece of metal is bonded to, and where.

    Parameters
    ----------
    to : str
        Name of a wire or of another piece of the house; "counterpoise": the (first) feed point,
        on the side that the antenna is not.
    at : length or str, optional
        Where on that: metres along it, "start", "middle", "end" or a named point. None: its
        place nearest to this piece. [m]
    own : length or str, optional
        Where on this piece. None: its place nearest to the other. [m]
    radius : length
        Of the straight lead between the two, where they do not touch. [m]
    """

    to: str
    at: LengthLike | None = None
    own: LengthLike | None = None
    _: KW_ONLY
    radius: LengthLike = LEAD_RADIUS


BondLike = BondTo | str | tuple[str, LengthLike]


def read_bonds(bonded: Any, name: str) -> tuple[BondTo, ...]:
    """Bonds from a name, a (name, place) pair, a BondTo, or a sequence of them."""
    if isinstance(bonded, str | BondTo):
        bonded = (bonded,)
    found = []
    if isinstance(bonded, Mapping) or not isinstance(bonded, Iterable):
        raise GeometryError(
            f"{name!r}: bonded={bonded!r} is no bond; give the name of a wire or piece, a BondTo, "
            "or a list of them; for none leave it out."
        )
    for one in bonded:
        if isinstance(one, BondTo):
            found.append(one)
        elif isinstance(one, str):
            found.append(BondTo(one))
        elif isinstance(one, tuple) and len(one) == 2 and isinstance(one[0], str):
            found.append(BondTo(one[0], one[1]))
        else:
            raise GeometryError(
                f"{name!r}: bonded={one!r} is no bond; give the name of a wire or piece, "
                "(name, place), or a BondTo."
            )
    return tuple(found)


def read_conductor(conductor: Any, name: str) -> Any:
    """A Conductor from its name; None stays None."""
    if isinstance(conductor, str):
        from ..materials import Conductor

        return Conductor.named(conductor)
    if conductor is not None and not hasattr(conductor, "internal_impedance"):
        raise GeometryError(
            f"{name!r}: conductor {conductor!r} is no Conductor. Give "
            "ridgepole.materials.Conductor, a name it knows, or None for no loss."
        )
    return conductor


def read_size(value: LengthLike, what: str) -> float:
    """A size above zero, up to 20 m. [m]"""
    try:
        found = metres(value)
    except GeometryError as error:
        raise GeometryError(f"{what}: {error}") from None
    if not 0.0 < found <= 20.0:
        raise GeometryError(f"{what} is {found:g} m; it must be above 0, up to 20 m.")
    return found


def read_flag(value: Any, what: str) -> bool:
    """True or False; `what` names it in messages."""
    if not isinstance(value, bool | np.bool_):
        raise GeometryError(f"{what}={value!r}; it must be True or False.")
    return bool(value)


def read_places(named: Any, name: str) -> tuple[tuple[str, Any], ...]:
    """Named places of a piece as pairs, from a mapping or from pairs."""
    cure = "give names with their places, {'breaker': 'start', 'alarm': '4.2 m'}."
    pairs = named.items() if isinstance(named, Mapping) else named
    found = []
    for pair in pairs if isinstance(pairs, Iterable) else [pairs]:
        if isinstance(pair, str) or not isinstance(pair, Sequence) or len(pair) != 2:
            raise GeometryError(f"{name!r}: points_of_interest={named!r} are none; {cure}")
        if not isinstance(pair[0], str):
            raise GeometryError(
                f"{name!r}: points_of_interest has the name {pair[0]!r}, which is no text; {cure}"
            )
        found.append((pair[0], pair[1]))
    return tuple(found)


@dataclass(frozen=True, repr=False)
class MetalRun:
    """A piece of metal along straight stretches; the base of ducts, pipes and cables.

    Parameters
    ----------
    points : array_like, shape (N, 3)
        Its axis, corner after corner. [m]
    conductor : Conductor or str, optional
        None: no loss.
    name : str
        Unique among the wires and pieces of a scene.
    bonded : BondTo, str, or a sequence of BondTo, str and (str, place)
        What it is joined to, ["cable 1", ("cable 2", "breaker")]; nothing: it floats, unless its
        points meet others within 1 mm.
    earthed : Electrode or bool, optional
        Led to earth by this electrode (True: a rod of 1.5 m): its lowest end, straight down where
        it does not reach z = 0 itself.
    points_of_interest : mapping of str to place
        Named points whose current is worth knowing, and where along it: metres, "start",
        "middle" or "end". [m]
    outside : bool
        Whether it may lie outside the attic.
    """

    points: PointsLike
    _: KW_ONLY
    conductor: Conductor | str | None = "galvanised steel"
    name: str = "metal"
    bonded: Any = ()
    earthed: Any = None
    points_of_interest: Any = ()
    outside: bool = False

    kind: ClassVar[str] = "metal"

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise GeometryError(f"A {self.kind} has the name {self.name!r}; give name='...'.")
        put = object.__setattr__
        array = read_points(self.points, self.name, kind=self.kind.capitalize())
        put(self, "points", tuple((float(x), float(y), float(z)) for x, y, z in array.tolist()))
        put(self, "conductor", read_conductor(self.conductor, self.name))
        put(self, "bonded", read_bonds(self.bonded, self.name))
        put(self, "earthed", read_electrode(self.earthed, f"{self.kind} {self.name!r}"))
        put(self, "points_of_interest", read_places(self.points_of_interest, self.name))
        what = f"{self.kind.capitalize()} {self.name!r}: outside"
        put(self, "outside", read_flag(self.outside, what))
        self._read_sizes()
        self.wires()  # reports what is wrong with points and places now

    def _read_sizes(self) -> None:
        """Check the sizes of the section."""

    @property
    def radius(self) -> float:
        """Of the round conductor that stands for it. [m]"""
        raise NotImplementedError

    @property
    def vertices(self) -> Array:
        """Its axis, shape (N, 3). [m]"""
        return np.array(self.points)

    def wires(self) -> tuple[Wire, ...]:
        """It as wires, each with `piece` the name of this."""
        return (self._wire(self.vertices),)

    def doubts(self) -> tuple[str, ...]:
        """What its model leaves out, a sentence each."""
        return ()

    def _wire(self, points: ArrayLike, **more: Any) -> Wire:
        return Wire(
            points,
            radius=self.radius,
            conductor=self.conductor,
            name=self.name,
            piece=self.name,
            outside=self.outside,
            named_points=self.points_of_interest,
            **more,
        )

    def translated(self, by: Sequence[float]) -> Self:
        """Moved by (dx, dy, dz). [m]"""
        return replace(self, points=self.vertices + read_vector(by))

    def rotated(self, degrees: float) -> Self:
        """Turned about the z axis, counter-clockwise seen from above. [degree]"""
        return replace(self, points=self.vertices @ rotation(degrees).T)

    def mirrored(self, axis: Literal["x", "y"]) -> Self:
        """With the sign of x or of y changed."""
        return replace(self, points=self.vertices * mirror_signs(axis))

    def scaled(self, factor: float) -> Self:
        """All lengths times `factor` > 0, about the origin."""
        by = read_factor(factor)
        return replace(self, points=self.vertices * by, **self._scaled_sizes(by))

    def _scaled_sizes(self, by: float) -> dict[str, Any]:
        sizes = {
            key: metres(getattr(self, key)) * by
            for key in ("width", "height", "diameter", "spacing")
            if getattr(self, key, None) is not None
        }
        return {
            **sizes,
            "bonded": [scaled_bond(bond, by) for bond in self.bonded],
            "earthed": None if self.earthed is None else self.earthed.scaled(by),
            "points_of_interest": [(k, scaled_place(v, by)) for k, v in self.points_of_interest],
        }

    def without_bonds(self) -> Self:
        """Floating: without bonds and earth."""
        return replace(self, bonded=(), earthed=None)

    def __repr__(self) -> str:
        length = float(np.linalg.norm(np.diff(self.vertices, axis=0), axis=1).sum())
        tied = "".join(f", bonded to {bond.to!r}" for bond in self.bonded)
        tied += ", led to earth" * (self.earthed is not None)
        return (
            f"{type(self).__name__}({self.name!r}, {length:.4g} m, radius "
            f"{self.radius * 1e3:.3g} mm{tied or ', floating'})"
        )


def scaled_place(at: Any, by: float) -> Any:
    """A place along a wire with all lengths times `by`; named places stay."""
    if at is None or at in ("start", "middle", "end"):
        return at
    try:
        return metres(at) * by
    except GeometryError:  # the name of a point
        return at


def scaled_bond(bond: BondTo, by: float) -> BondTo:
    """A bond with all its lengths times `by`."""
    return replace(
        bond,
        at=scaled_place(bond.at, by),
        own=scaled_place(bond.own, by),
        radius=metres(bond.radius) * by,
    )


@dataclass(frozen=True, repr=False)
class Pipe(MetalRun):
    """A round pipe.

    Parameters
    ----------
    points : array_like, shape (N, 3)
        Its axis. [m]
    diameter : length
        Outside. [m]
    conductor, name, bonded, earthed, points_of_interest, outside
        As for `MetalRun`.
    """

    diameter: LengthLike = "22 mm"
    conductor: Conductor | str | None = "annealed copper"
    name: str = "pipe"
    kind: ClassVar[str] = "pipe"

    def _read_sizes(self) -> None:
        size = read_size(self.diameter, f"The diameter of {self.kind} {self.name!r}")
        object.__setattr__(self, "diameter", size)

    @property
    def radius(self) -> float:
        """Half the diameter. [m]"""
        return 0.5 * metres(self.diameter)


@dataclass(frozen=True, repr=False)
class Duct(MetalRun):
    """An air duct, rectangular or round; its ends' caps are left out (0.1 radius).

    It is one thin wire, as all metal runs: current and charge lie evenly around it. A wire within
    five radii A of its axis, at distance d, has them crowd to the near side, which takes
    -(mu0/2 pi) ln(1 - (A/d)^2) per metre off the wire's inductance, and off the inverse of its
    capacitance in proportion. That is left out and told as a doubt of the scene, with its size.
    Computed with this package, 4 m of duct beside a 7 m wire at 14.2 MHz, 166.8 ohm without it:

    =========  =====  ======  ============  ========================
    diameter   d      d/A     X with Duct   X with a cage of 12 bars
    =========  =====  ======  ============  ========================
    0.16 m     0.12   1.5     164.5         129.8
    0.16 m     0.24   3       164.2         156.6
    0.4 m      0.6    3       161.7         154.2
    0.125 m    0.3    4.8     164.4         161.4
    0.16 m     0.4    5       163.9         161.1
    0.4 m      1.0    5       161.3         158.2
    =========  =====  ======  ============  ========================

    Parameters
    ----------
    points : array_like, shape (N, 3)
        Its axis. [m]
    width, height : length, optional
        Of a rectangular one; or [m]
    diameter : length, optional
        of a round one. [m]
    conductor, name, bonded, earthed, points_of_interest, outside
        As for `MetalRun`.
    """

    width: LengthLike | None = None
    height: LengthLike | None = None
    diameter: LengthLike | None = None
    name: str = "duct"
    kind: ClassVar[str] = "duct"

    def _read_sizes(self) -> None:
        rectangular = self.width is not None and self.height is not None
        half_told = (self.width is None) != (self.height is None)
        if rectangular == (self.diameter is not None) or half_told:
            raise GeometryError(
                f"{self.kind.capitalize()} {self.name!r}: give width and height, or diameter "
                f"(found width={self.width!r}, height={self.height!r}, "
                f"diameter={self.diameter!r})."
            )
        for key in ("width", "height", "diameter"):
            value = getattr(self, key)
            if value is not None:
                size = read_size(value, f"The {key} of {self.kind} {self.name!r}")
                object.__setattr__(self, key, size)

    @property
    def radius(self) -> float:
        """Half the diameter, or 0.295 (width + height). [m]"""
        if self.diameter is not None:
            return 0.5 * metres(self.diameter)
        return rectangle_radius(metres(self.width), metres(self.height))


@dataclass(frozen=True, repr=False)
class Downpipe(Duct):
    """A rainwater pipe, round or rectangular; outside the attic."""

    name: str = "downpipe"
    outside: bool = True
    kind: ClassVar[str] = "downpipe"


@dataclass(frozen=True, repr=False)
class Gutter(MetalRun):
    """A half-round gutter; outside the attic.

    Parameters
    ----------
    points : array_like, shape (N, 3)
        The middle of its opening. [m]
    width : length
        Across its opening. [m]
    conductor, name, bonded, earthed, points_of_interest, outside
        As for `MetalRun`.
    """

    width: LengthLike = "125 mm"
    name: str = "gutter"
    outside: bool = True
    kind: ClassVar[str] = "gutter"

    def _read_sizes(self) -> None:
        size = read_size(self.width, f"The width of {self.kind} {self.name!r}")
        object.__setattr__(self, "width", size)

    @property
    def radius(self) -> float:
        """Half a tube of radius R has the capacity of R sin(45 deg) (an arc t: R sin t/4). [m]"""
        return 0.5 * metres(self.width) * math.sin(0.25 * math.pi)


@dataclass(frozen=True, repr=False)
class Cable(MetalRun):
    """House wiring: cores that run together count as one conductor, common mode only.

    Parameters
    ----------
    points : array_like, shape (N, 3)
        Its way. [m]
    gauge : str, optional
        Of each core, "1.5 mm2" or "14 AWG"; or [m]
    diameter : length, optional
        of each core. [m]
    cores : int
        That carry the common current side by side, 1 to 7.
    spacing : length, optional
        Between the centres of neighbouring cores; None: 1.9 core diameters (common practice,
        insulated house wiring). [m]
    flat : bool
        Cores in a row; otherwise on a circle.
    closed : bool
        Back to its first point: a ring circuit.
    jacket : Jacket or str, optional
        Round the one conductor that stands for all, "PVC 0.8 mm"; None: bare.
    conductor, name, bonded, earthed, points_of_interest, outside
        As for `MetalRun`.
    """

    gauge: str | None = None
    diameter: LengthLike | None = None
    cores: int = 1
    spacing: LengthLike | None = None
    flat: bool = False
    closed: bool = False
    jacket: Jacket | str | None = None
    conductor: Conductor | str | None = "annealed copper"
    name: str = "cable"
    kind: ClassVar[str] = "cable"

    def _read_sizes(self) -> None:
        if (self.gauge is None) == (self.diameter is None):
            raise GeometryError(
                f"Cable {self.name!r}: give the gauge of a core ('1.5 mm2', '14 AWG') or its "
                "diameter, one of the two."
            )
        if self.gauge is not None:
            gauge_radius(self.gauge)
        else:
            read_size(self.diameter or 0.0, f"The diameter of a core of cable {self.name!r}")
        put = object.__setattr__
        for key in ("flat", "closed"):
            put(self, key, read_flag(getattr(self, key), f"Cable {self.name!r}: {key}"))
        if self.spacing is not None:
            what = f"The spacing of the cores of cable {self.name!r}"
            put(self, "spacing", read_size(self.spacing, what))
            if self.core_spacing > WIDEST_SPACING:
                raise GeometryError(
                    f"{what} is {self.core_spacing:g} m; up to {WIDEST_SPACING:g} m they count as "
                    "one conductor. Draw cores that are farther apart as cables of their own."
                )
        if not isinstance(self.cores, int) or self.cores is True or not 1 <= self.cores <= 7:
            raise GeometryError(
                f"Cable {self.name!r}: cores={self.cores!r}; 1 to 7 side by side are possible."
            )
        if self.cores > 1 and self.core_spacing < 2.0 * self.core_radius:
            raise GeometryError(
                f"Cable {self.name!r}: its cores are {self.core_spacing:g} m apart, less than "
                f"their diameter, {2.0 * self.core_radius:g} m; they would lie in each other."
            )

    @property
    def core_radius(self) -> float:
        """Of one core. [m]"""
        if self.gauge is not None:
            return gauge_radius(self.gauge)
        return 0.5 * metres(self.diameter)

    @property
    def core_spacing(self) -> float:
        """Between the centres of neighbouring cores. [m]"""
        return 3.8 * self.core_radius if self.spacing is None else metres(self.spacing)

    @property
    def radius(self) -> float:
        """Of the one conductor that stands for its cores, see `cores_radius`. [m]"""
        return cores_radius(self.core_radius, self.core_spacing, cores=self.cores, flat=self.flat)

    def wires(self) -> tuple[Wire, ...]:
        """One wire; a closed one ends where it begins."""
        points = self.vertices
        if self.closed and np.linalg.norm(points[-1] - points[0]) > JOINING_DISTANCE:
            points = np.vstack([points, points[:1]])
        return (self._wire(points, jacket=self.jacket),)

    def doubts(self) -> tuple[str, ...]:
        """That a pair of cores counts as one."""
        if self.cores == 1:
            return ()
        return (
            f"Cable {self.name!r}: its {self.cores} cores count as one conductor of radius "
            f"{self.radius * 1e3:.3g} mm, common mode only; what flows to and fro between the "
            "cores, and loads across them, is left out.",
        )

    def _scaled_sizes(self, by: float) -> dict[str, Any]:
        sizes = super()._scaled_sizes(by)
        if self.jacket is not None:
            jacket = Jacket.from_text(self.jacket) if isinstance(self.jacket, str) else self.jacket
            sizes["jacket"] = jacket.scaled(by)
        return {**sizes, "gauge": None, "diameter": 2.0 * self.core_radius * by}


@dataclass(frozen=True, repr=False)
class Tank(MetalRun):
    """A tank: one thick wire if slim, otherwise a cage of wires with closed ends.

    Parameters
    ----------
    points : array_like, shape (2, 3)
        Its axis, from the middle of one end to the middle of the other. [m]
    diameter : length, optional
        Of a round one; or [m]
    width, height : length, optional
        of a rectangular section, counted as round with radius 0.295 (width + height). [m]
    conductor, name, bonded, earthed, outside
        As for `MetalRun`.

    Notes
    -----
    A tank whose radius is above 0.09 of its length is a cage of six upright wires, rings at both
    ends and spokes to their middles, each wire of radius R/6 (equal area: the wires have the
    surface of the tank; common practice).
    """

    diameter: LengthLike | None = None
    width: LengthLike | None = None
    height: LengthLike | None = None
    conductor: Conductor | str | None = "mild steel"
    name: str = "tank"
    kind: ClassVar[str] = "tank"

    def _read_sizes(self) -> None:
        Duct._read_sizes(self)  # pyright: ignore[reportArgumentType] - the same three sizes
        if len(self.points) != 2:
            raise GeometryError(
                f"Tank {self.name!r} has {len(self.points)} points; give the middles of its two "
                "ends."
            )
        if self.points_of_interest and self.is_cage:
            raise GeometryError(
                f"Tank {self.name!r} is a cage of wires and has no points of interest; name a "
                "point of the pipe or lead that goes to it."
            )

    @property
    def radius(self) -> float:
        """Of the round tank that stands for it. [m]"""
        return Duct.radius.fget(self)  # pyright: ignore[reportOptionalCall]

    @property
    def length(self) -> float:
        """From end to end. [m]"""
        return float(np.linalg.norm(self.vertices[1] - self.vertices[0]))

    @property
    def is_cage(self) -> bool:
        """Whether it is too stout for one thick wire."""
        return self.radius > _STOUT * self.length

    def wires(self) -> tuple[Wire, ...]:
        """One wire, or uprights, rings and spokes."""
        if not self.is_cage:
            return super().wires()
        low, high = self.vertices
        axis = (high - low) / self.length
        across = np.eye(3)[int(np.argmin(np.abs(axis)))]
        u = across - (across @ axis) * axis
        u /= np.linalg.norm(u)
        v = np.cross(axis, u)
        turn = 2.0 * np.pi * np.arange(_CAGE_WIRES) / _CAGE_WIRES
        rim = self.radius * (np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v)

        def part(what: str, points: ArrayLike) -> Wire:
            return Wire(
                points, radius=self.radius / _CAGE_WIRES, conductor=self.conductor,
                name=f"{self.name} {what}", piece=self.name, outside=self.outside,
            )  # fmt: skip

        found = []
        for n in range(_CAGE_WIRES):  # spoke, upright and spoke in one
            found.append(part(f"upright {n + 1}", [low, low + rim[n], high + rim[n], high]))
        for what, middle in (("lower ring", low), ("upper ring", high)):
            found.append(part(what, middle + np.vstack([rim, rim[:1]])))
        return tuple(found)

    def doubts(self) -> tuple[str, ...]:
        """That a cage is no shell."""
        if not self.is_cage:
            return ()
        return (
            f"Tank {self.name!r} counts as a cage of {_CAGE_WIRES} wires with spoked ends, not as "
            "a closed shell.",
        )
