"""Timber and sheets: what is no metal, and where it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import GeometryError
from .lengths import LengthLike, PointLike, PointsLike, metres
from .moves import mirror_signs, read_factor, read_vector, rotation
from .outlines import inside, is_simple
from .wires import locked, read_points, show_point

if TYPE_CHECKING:
    from ..materials import Dielectric, Wood

__all__ = [
    "Sheet",
    "Timber",
    "as_points",
    "covered_area",
    "plane_frame",
    "read_outline",
    "read_wood",
]

Array = NDArray[np.float64]
Point = tuple[float, float, float]

FLAT = 2e-3
"""Corners of a sheet may lie this far off its plane, and solids overlap by this much. [m]"""


def read_thickness(value: LengthLike, what: str) -> float:
    """A thickness above zero, in metres; `what` names it in messages. [m]"""
    try:
        found = metres(value)
    except GeometryError as error:
        raise GeometryError(f"{what}: {error}") from None
    if not 0.0 < found <= 20.0:
        raise GeometryError(
            f"{what} is {found:g} m; it must be above 0, up to 20 m. For a piece that is not "
            "there, leave it out."
        )
    return found


def read_wood(wood: Wood | str | None) -> Wood:
    """The wood of a name; None: `Wood()`."""
    if wood is None or isinstance(wood, str):
        from ..materials import Wood as Known

        return Known() if wood is None else Known(wood)
    return wood


def _read_name(name: str, what: str) -> str:
    if not isinstance(name, str) or not name.strip():
        raise GeometryError(
            f"A {what} has the name {name!r}; give name='...', as messages need it."
        )
    return name


def _read_group(group: str, name: str, what: str) -> str:
    if not isinstance(group, str):
        raise GeometryError(
            f"{what.capitalize()} {name!r}: group={group!r} is no text; give group='...', or leave "
            "it out."
        )
    return group or name


def _read_dielectric(material: str, name: str) -> Dielectric:
    """The dielectric of that name; metal is told where it belongs."""
    from ..materials import Conductor, Dielectric, MaterialError, SheetConductor

    try:
        return Dielectric.named(material)
    except MaterialError:
        for metals in (SheetConductor, Conductor):
            try:
                metals.named(material)
            except MaterialError:
                continue
            raise GeometryError(
                f"Sheet {name!r}: {material!r} is metal, or has a face of it, and is no material "
                "of a Sheet. Metal sheets are a Screen(corners, conductor='aluminium foil'), in an "
                f"attic file a [[screen]] with its corners; they take "
                f"{', '.join(map(repr, SheetConductor.names()))}."
            ) from None
        raise


def as_points(array: Array) -> tuple[Point, ...]:
    """An array (N, 3) as plain tuples."""
    return tuple((float(x), float(y), float(z)) for x, y, z in array.tolist())


@dataclass(frozen=True, repr=False)
class Timber:
    """A straight piece of wood of rectangular section.

    Parameters
    ----------
    start, end : (x, y, z)
        Ends of its axis, the middle of the section. [m]
    width, depth : length
        Section, across; depth points along `up`. [m]
    wood : Wood or str, optional
        What it is of; None: `Wood()`.
    up : (x, y, z), optional
        The direction of the depth, as near as the axis allows. None: up, and for an upright
        timber along y.
    name : str
        How messages call it.
    group : str
        Its losses are told with those of this group; the name where left out.

    Raises
    ------
    GeometryError
        If the ends coincide, a size is not above zero, or `up` is along the axis.

    Examples
    --------
    >>> joist = Timber((0, 0, 2.4), (0, 8, 2.4), width="45 mm", depth="195 mm", name="joist")
    >>> joist.half
    array([4.    , 0.0225, 0.0975])
    """

    start: PointLike
    end: PointLike
    _: KW_ONLY
    width: LengthLike
    depth: LengthLike
    wood: Wood | str | None = None
    up: PointLike | None = None
    name: str = "timber"
    group: str = ""

    def __post_init__(self) -> None:
        name = _read_name(self.name, "timber")
        axis = read_points([self.start, self.end], name, kind="Timber")
        if float(np.linalg.norm(axis[1] - axis[0])) < FLAT:
            raise GeometryError(
                f"Timber {name!r} begins and ends at {show_point(axis[0])}; give the two ends of "
                "its axis."
            )
        put = object.__setattr__
        put(self, "start", as_points(axis)[0])
        put(self, "end", as_points(axis)[1])
        put(self, "width", read_thickness(self.width, f"The width of timber {name!r}"))
        put(self, "depth", read_thickness(self.depth, f"The depth of timber {name!r}"))
        put(self, "group", _read_group(self.group, name, "timber"))
        wood = read_wood(self.wood)
        if not hasattr(wood, "permittivity_across"):
            raise GeometryError(
                f"Timber {name!r}: wood={wood!r} is none; give ridgepole.materials.Wood, a kind it "
                "knows, or leave it out."
            )
        put(self, "wood", wood)
        if self.up is not None:
            up = read_vector(self.up)
            if not np.linalg.norm(np.cross(up, axis[1] - axis[0])) > 0.0:
                raise GeometryError(
                    f"Timber {name!r}: up={tuple(up.tolist())} is along its axis; give a direction "
                    "across it, or leave it out."
                )
            put(self, "up", as_points(up[None])[0])

    @property
    def kind(self) -> Literal["timber"]:
        """What sort of solid it is."""
        return "timber"

    @cached_property
    def frame(self) -> Array:
        """Unit vectors along, in the width and in the depth as rows, shape (3, 3), read-only."""
        along = np.subtract(self.end, self.start)
        along /= np.linalg.norm(along)
        if self.up is not None:
            up = np.array(self.up)
        elif np.hypot(along[0], along[1]) > 1e-6:
            up = np.array([0.0, 0.0, 1.0])
        else:
            up = np.array([0.0, 1.0, 0.0])
        depth = up - (up @ along) * along
        depth /= np.linalg.norm(depth)
        return locked(np.stack([along, np.cross(depth, along), depth]))

    @cached_property
    def center(self) -> Array:
        """Middle, shape (3,), read-only. [m]"""
        return locked(0.5 * np.add(self.start, self.end))

    @property
    def length(self) -> float:
        """From end to end. [m]"""
        return float(np.linalg.norm(np.subtract(self.end, self.start)))

    @cached_property
    def half(self) -> Array:
        """Half sizes along the rows of `frame`, shape (3,), read-only. [m]"""
        return locked(0.5 * np.array([self.length, metres(self.width), metres(self.depth)]))

    @property
    def material(self) -> Wood:
        """What it is of."""
        return self.wood  # pyright: ignore[reportReturnType] - read when it was made

    @property
    def stuff(self) -> Wood:
        """What solids must have in common to share a permittivity."""
        return self.material

    @property
    def volume(self) -> float:
        """[m3]"""
        return float(8.0 * np.prod(self.half))

    def permittivity(self, frequency: ArrayLike) -> NDArray[np.complex128]:
        """Complex relative permittivity along the rows of `frame`, shape (..., 3).

        Parameters
        ----------
        frequency : array_like, shape (...)
            [Hz]
        """
        at = np.asarray(frequency, dtype=float)
        along = np.asarray(self.material.permittivity_along(at), dtype=complex)
        across = np.asarray(self.material.permittivity_across(at), dtype=complex)
        return np.stack([along, across, across], axis=-1)

    def contains(self, points: ArrayLike, margin: float = 0.0) -> NDArray[np.bool_]:
        """Which points (M, 3) lie inside, or outside by at most `margin` (< 0: so deep). [m]"""
        local = (np.atleast_2d(np.asarray(points, dtype=float)) - self.center) @ self.frame.T
        return np.asarray((np.abs(local) <= self.half + margin).all(axis=1))

    def corners(self) -> Array:
        """The eight corners, shape (8, 3). [m]"""
        return _box_corners(self.center, self.frame, self.half)

    def translated(self, by: Sequence[float]) -> Timber:
        """Moved by (dx, dy, dz). [m]"""
        shift = read_vector(by)
        return self._moved(lambda p: p + shift, lambda v: v)

    def rotated(self, degrees: float) -> Timber:
        """Turned about the z axis, counter-clockwise seen from above. [degree]"""
        turn = rotation(degrees)
        return self._moved(lambda p: p @ turn.T, lambda v: v @ turn.T)

    def mirrored(self, axis: Literal["x", "y"]) -> Timber:
        """With the sign of x or of y changed."""
        signs = mirror_signs(axis)
        return self._moved(lambda p: p * signs, lambda v: v * signs)

    def scaled(self, factor: float) -> Timber:
        """All lengths times `factor` > 0, about the origin."""
        by = read_factor(factor)
        moved = self._moved(lambda p: p * by, lambda v: v)
        return replace(moved, width=metres(self.width) * by, depth=metres(self.depth) * by)

    def with_wood(self, wood: Wood | str) -> Timber:
        """Of other wood."""
        return replace(self, wood=wood)

    def _moved(self, points: Any, directions: Any) -> Timber:
        ends = points(np.array([self.start, self.end]))
        # The depth's direction is written down: upright timbers have none of their own.
        up = directions(self.frame[2])
        return replace(self, start=ends[0], end=ends[1], up=up)

    def __repr__(self) -> str:
        size = f"{metres(self.width) * 1e3:.4g} x {metres(self.depth) * 1e3:.4g} mm"
        return f"Timber({self.name!r}, {self.length:.4g} m, {size}, {self.wood!r})"


@dataclass(frozen=True, repr=False)
class Sheet:
    """A plane sheet of one material and thickness: board, tile, batts, a wall.

    Parameters
    ----------
    corners : array_like, shape (N, 3)
        Its outline in the middle plane, corner after corner, N >= 3; need not be convex. [m]
    thickness : length
        [m]
    material : Dielectric or str
        What it is of, or the name of a material that the catalogue has.
    name : str
        How messages call it.
    group : str
        Its losses are told with those of this group; the name where left out.

    Raises
    ------
    GeometryError
        If the corners do not lie in a plane (2 mm), the outline crosses itself, or the
        thickness is not above zero.

    Examples
    --------
    >>> from ridgepole.materials import Dielectric
    >>> board = Sheet([(0, 0, 2.3), (9, 0, 2.3), (9, 7, 2.3)], thickness="12.5 mm",
    ...               material=Dielectric.constant(2.8, 0.02, name="board"), name="ceiling")
    >>> round(board.area, 9)
    31.5
    """

    corners: PointsLike
    _: KW_ONLY
    thickness: LengthLike
    material: Dielectric | str
    name: str = "sheet"
    group: str = ""

    def __post_init__(self) -> None:
        name = _read_name(self.name, "sheet")
        put = object.__setattr__
        put(self, "corners", read_outline(self.corners, name, kind="Sheet"))
        put(self, "thickness", read_thickness(self.thickness, f"The thickness of sheet {name!r}"))
        put(self, "group", _read_group(self.group, name, "sheet"))
        material = self.material
        if isinstance(material, str):
            material = _read_dielectric(material, name)
            put(self, "material", material)
        if not hasattr(material, "complex_permittivity"):
            raise GeometryError(
                f"Sheet {name!r}: material={material!r} is none; give "
                "ridgepole.materials.Dielectric or a name it knows. Metal sheets are a Screen."
            )

    @property
    def kind(self) -> Literal["sheet"]:
        """What sort of solid it is."""
        return "sheet"

    @cached_property
    def frame(self) -> Array:
        """Two unit vectors in its plane and the normal as rows, shape (3, 3), read-only.

        The first is along the longest side, the normal follows the right hand round the corners.
        """
        return locked(plane_frame(np.array(self.corners)))

    @cached_property
    def center(self) -> Array:
        """Middle of the rectangle around the outline, shape (3,), read-only. [m]"""
        low, high = self._bounds
        plane = 0.5 * (low + high) @ self.frame[:2]
        return locked(plane + (np.array(self.corners[0]) @ self.frame[2]) * self.frame[2])

    @cached_property
    def half(self) -> Array:
        """Half sizes of that rectangle, and half the thickness, shape (3,), read-only. [m]"""
        low, high = self._bounds
        return locked(np.append(0.5 * (high - low), 0.5 * metres(self.thickness)))

    @cached_property
    def outline(self) -> Array:
        """Corners along axes 0 and 1 of `frame`, from `center`, counter-clockwise, (N, 2). [m]"""
        return locked((np.array(self.corners) - self.center) @ self.frame[:2].T)

    @property
    def area(self) -> float:
        """Of one side. [m2]"""
        return polygon_area(self.outline)

    @property
    def volume(self) -> float:
        """[m3]"""
        return self.area * metres(self.thickness)

    @property
    def stuff(self) -> Any:
        """What solids must have in common to share a permittivity."""
        return self.material

    @cached_property
    def _bounds(self) -> tuple[Array, Array]:
        plane = np.array(self.corners) @ self.frame[:2].T
        return plane.min(axis=0), plane.max(axis=0)

    def permittivity(self, frequency: ArrayLike) -> NDArray[np.complex128]:
        """Complex relative permittivity along the rows of `frame`, shape (..., 3).

        Parameters
        ----------
        frequency : array_like, shape (...)
            [Hz]
        """
        material: Any = self.material
        value = np.asarray(material.complex_permittivity(frequency), dtype=complex)
        return np.stack([value, value, value], axis=-1)

    def cover(self, u_edges: ArrayLike, v_edges: ArrayLike) -> Array:
        """How much of each rectangle of a grid the sheet covers.

        Parameters
        ----------
        u_edges : array_like, shape (U + 1,)
            Rising, along axis 0 of `frame`, from `center`. [m]
        v_edges : array_like, shape (V + 1,)
            Rising, along axis 1. [m]

        Returns
        -------
        ndarray, shape (U, V)
            0 to 1, exact.
        """
        u, v = np.asarray(u_edges, dtype=float), np.asarray(v_edges, dtype=float)
        return covered_area(self.outline, u, v) / np.outer(np.diff(u), np.diff(v))

    def filled(self, rectangles: ArrayLike) -> Array:
        """How much of each rectangle the sheet covers, exact, shape (M,).

        Parameters
        ----------
        rectangles : array_like, shape (M, 4)
            From and to along axis 0 of `frame`, from and to along axis 1, from `center`. [m]
        """
        u0, u1, v0, v1 = np.asarray(rectangles, dtype=float).T
        corners = self.outline
        area = (
            area_below(corners, u1, v1) - area_below(corners, u0, v1)
            - area_below(corners, u1, v0) + area_below(corners, u0, v0)
        )  # fmt: skip
        part = area / ((u1 - u0) * (v1 - v0))
        return np.where(np.abs(part) < 1e-12, 0.0, part)  # rounding, of a rectangle outside

    def contains(self, points: ArrayLike, margin: float = 0.0) -> NDArray[np.bool_]:
        """Which points (M, 3) lie inside, or outside by at most `margin` (< 0: so deep). [m]"""
        local = (np.atleast_2d(np.asarray(points, dtype=float)) - self.center) @ self.frame.T
        within = np.abs(local[:, 2]) <= self.half[2] + margin
        if within.any():
            within[within] = inside(self.outline, local[within, :2], tolerance=margin)
        return within

    def translated(self, by: Sequence[float]) -> Sheet:
        """Moved by (dx, dy, dz). [m]"""
        return replace(self, corners=np.array(self.corners) + read_vector(by))

    def rotated(self, degrees: float) -> Sheet:
        """Turned about the z axis, counter-clockwise seen from above. [degree]"""
        return replace(self, corners=np.array(self.corners) @ rotation(degrees).T)

    def mirrored(self, axis: Literal["x", "y"]) -> Sheet:
        """With the sign of x or of y changed."""
        return replace(self, corners=np.array(self.corners) * mirror_signs(axis))

    def scaled(self, factor: float) -> Sheet:
        """All lengths times `factor` > 0, about the origin."""
        by = read_factor(factor)
        return replace(
            self, corners=np.array(self.corners) * by, thickness=metres(self.thickness) * by
        )

    def __repr__(self) -> str:
        material: Any = self.material
        thick = f"{metres(self.thickness) * 1e3:.4g} mm"
        return f"Sheet({self.name!r}, {self.area:.4g} m2, {thick} of {material.name})"


# ---- planes and boxes -----------------------------------------------------------------------


def read_outline(corners: Any, name: str, *, kind: str) -> tuple[Point, ...]:
    """Corners of a plane outline that does not cross itself; the first may be repeated. [m]"""
    array = read_points(corners, name, kind=kind)
    if len(array) > 3 and np.linalg.norm(array[-1] - array[0]) < 1e-3:
        array = array[:-1]
    if len(array) < 3:
        raise GeometryError(
            f"{kind} {name!r} has {len(array)} corners; an outline needs three or more."
        )
    frame = plane_frame(array)
    if not np.isfinite(frame).all():
        raise GeometryError(
            f"{kind} {name!r}: its corners enclose nothing; list them in order round the outline."
        )
    off = (array - array.mean(axis=0)) @ frame[2]
    worst = int(np.argmax(np.abs(off)))
    if abs(off[worst]) > FLAT:
        raise GeometryError(
            f"{kind} {name!r}: corner {worst + 1} at {show_point(array[worst])} lies "
            f"{abs(off[worst]) * 1e3:.3g} mm off the plane of the others; up to 2 mm is possible. "
            "Move it into the plane, or draw two pieces."
        )
    if not is_simple(array @ frame[:2].T):
        raise GeometryError(
            f"{kind} {name!r}: its outline crosses or touches itself; list the corners in order "
            "round it, without repeating one."
        )
    return as_points(array - off[:, None] * frame[2])


def plane_frame(corners: Array) -> Array:
    """Axes of a plane outline (N, 3): along its longest side, across, normal, as rows (3, 3)."""
    middle = corners - corners.mean(axis=0)
    normal = 0.5 * np.cross(middle, np.roll(middle, -1, axis=0)).sum(axis=0)
    side = np.roll(corners, -1, axis=0) - corners
    along = side[int(np.argmax(np.round((side**2).sum(axis=1), 6)))]
    with np.errstate(invalid="ignore", divide="ignore"):
        size = np.linalg.norm(normal)
        normal = normal / (size if size > 1e-8 else np.nan)
        along = along - (along @ normal) * normal
        along = along / np.linalg.norm(along)
    return np.stack([along, np.cross(normal, along), normal])


def polygon_area(corners: Array) -> float:
    """Area of a counter-clockwise polygon (N, 2). [m2]"""
    x, y = corners.T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def covered_area(corners: Array, u: Array, v: Array) -> Array:
    """Area of a counter-clockwise polygon (N, 2) in each rectangle of a grid.

    Parameters
    ----------
    corners : ndarray, shape (N, 2)
        [m]
    u, v : ndarray, shapes (U + 1,) and (V + 1,)
        Rising edges. [m]

    Returns
    -------
    ndarray, shape (U, V)
        [m2]
    """
    return np.diff(np.diff(area_below(corners, u[:, None], v), axis=0), axis=1)


def area_below(corners: Array, u: Array, v: Array) -> Array:
    """Area of the part of a counter-clockwise polygon (N, 2) with x < u and y < v. [m2]

    Parameters
    ----------
    corners : ndarray, shape (N, 2)
        [m]
    u, v : ndarray
        Of shapes that go together. [m]

    Notes
    -----
    It is -sum over sides of the integral of min(y, v) dx over the part of the side with x < u.
    """
    ends = np.roll(corners, -1, axis=0)
    x0, y0, x1, y1 = corners[:, 0], corners[:, 1], ends[:, 0], ends[:, 1]
    base = corners[:, 1].min()
    run = x1 - x0
    slope = np.where(run == 0.0, 0.0, (y1 - y0) / np.where(run == 0.0, 1.0, run))
    low, high = np.minimum(x0, x1), np.maximum(x0, x1)
    width = np.clip(u[..., None], low, high) - low  # (..., N): the part of each side with x < u
    y_low = np.where(run >= 0.0, y0, y1)
    cap = np.maximum(v[..., None], base)
    a, b = y_low - cap, y_low + slope * width - cap
    # Mean of min(y, v) over the side: of the line, less what sticks out above v.
    both = 0.5 * (a + b)
    top = np.maximum(np.maximum(a, b), 0.0)
    cuts = (a > 0.0) != (b > 0.0)
    over = np.where(cuts, 0.5 * top**2 / np.where(cuts, np.abs(b - a), 1.0), np.maximum(both, 0.0))
    return -(np.sign(run) * (cap - base + both - over) * width).sum(axis=-1)


def _box_corners(center: Array, frame: Array, half: Array) -> Array:
    signs = np.array([[i, j, k] for i in (-1, 1) for j in (-1, 1) for k in (-1, 1)], dtype=float)
    return center + (signs * half) @ frame
