"""The attic: what a tape measure and a compass give.

Attic coordinates (x, y, height): x along the ridge from one corner, y across, to
the left of x seen from above, height above the attic floor. World coordinates keep
x and y and add the ceiling height, so that z = 0 is the earth's surface.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import GeometryError
from .lengths import LengthLike, metres
from .outlines import clip_strip, inset, inside, is_simple, line_parameters, signed_area, tidied

__all__ = ["Attic", "azimuth_of", "bearing_of"]

Array = NDArray[np.float64]

TOLERANCE = 1e-3  # a point this far outside still counts as inside [m]
_CONSISTENT = 0.05  # eaves, ridge and pitch may disagree by this much [m]


def bearing_of(azimuth_deg: float, *, ridge_bearing: float) -> float:
    """Compass bearing of an azimuth.

    Parameters
    ----------
    azimuth_deg : float
        Counter-clockwise from +x, seen from above. [degree]
    ridge_bearing : float
        Bearing of +x, clockwise from true north. [degree]

    Returns
    -------
    float
        Clockwise from true north, 0 <= bearing < 360. [degree]
    """
    return float((ridge_bearing - azimuth_deg) % 360.0) % 360.0


def azimuth_of(bearing_deg: float, *, ridge_bearing: float) -> float:
    """Azimuth of a compass bearing; see `bearing_of`, of which it is the inverse."""
    return float((ridge_bearing - bearing_deg) % 360.0) % 360.0


@dataclass(frozen=True)
class Attic:
    """A roof space under a gable roof, its ridge along x over the middle of the width.

    Parameters
    ----------
    size : pair of length, optional
        Sides of a rectangular plan: along the ridge and across. [m]
    outline : sequence of (x, y), optional
        Plan of any other shape, corner after corner; instead of `size`. [m]
    ceiling_height : length
        Attic floor above ground. [m]
    ridge_height : length, optional
        Underside of the ridge, above ground. Needed unless `pitch` is given. [m]
    eaves_height : length, optional
        Underside of the roof at the walls, above ground. Left out, it follows from
        `pitch`; without that the roof is taken to spring from the attic floor. [m]
    pitch : float, optional
        Slope of the roof, 0 < pitch < 90. [degree]
    ridge_bearing : float
        Bearing of +x, clockwise from true north, -360 to 360. [degree]
    name : str
        What to call the house.

    Raises
    ------
    GeometryError
        If the outline crosses itself, or heights and pitch do not fit each other.

    Notes
    -----
    Lengths are numbers in metres or text with a unit ("12 ft 6 in").
    """

    size: tuple[LengthLike, LengthLike] | None = None
    outline: Sequence[Sequence[LengthLike]] | None = None
    _: KW_ONLY
    ceiling_height: LengthLike
    ridge_height: LengthLike | None = None
    eaves_height: LengthLike | None = None
    pitch: float | None = None
    ridge_bearing: float = 90.0
    name: str = "attic"
    _corners: Array = field(init=False, repr=False, compare=False)
    _levels: tuple[float, float, float] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if (self.size is None) == (self.outline is None):
            raise GeometryError(
                f"{self.name}: give `size` (two sides) or `outline` (corners), "
                f"not {'neither' if self.size is None else 'both'}."
            )
        if not -360.0 <= self.ridge_bearing <= 360.0:
            raise GeometryError(
                f"{self.name}: ridge_bearing is {self.ridge_bearing}; it is a compass bearing, "
                "0 to 360 degrees."
            )
        corners = self._plan()
        corners.setflags(write=False)
        object.__setattr__(self, "_corners", corners)
        object.__setattr__(self, "_levels", self._found_levels())

    def _plan(self) -> Array:
        if self.size is not None:
            if len(self.size) != 2:
                raise GeometryError(f"{self.name}: `size` has {len(self.size)} numbers, not two.")
            a, b = (metres(side) for side in self.size)
            if not (0.5 <= a <= 200.0 and 0.5 <= b <= 200.0):
                raise GeometryError(
                    f"{self.name}: size is {a:g} m by {b:g} m; each side must be 0.5 to 200 m."
                )
            return np.array([[0.0, 0.0], [a, 0.0], [a, b], [0.0, b]])
        rows = [[metres(v) for v in corner] for corner in self.outline or ()]
        if len(rows) < 3 or any(len(row) != 2 for row in rows):
            raise GeometryError(
                f"{self.name}: `outline` needs three or more corners [x, y]; found {len(rows)}."
            )
        corners = tidied(np.array(rows))
        if not np.all(np.isfinite(corners)) or np.abs(corners).max() > 200.0:
            raise GeometryError(f"{self.name}: corners of `outline` must lie within 200 m.")
        if len(corners) < 3 or abs(signed_area(corners)) < 0.25 or not is_simple(corners):
            raise GeometryError(
                f"{self.name}: `outline` crosses or touches itself, or encloses nothing; "
                "list the corners in order round the plan, without repeating the first."
            )
        return corners if signed_area(corners) > 0.0 else corners[::-1].copy()

    def _found_levels(self) -> tuple[float, float, float]:
        """Ceiling, eaves and ridge above ground. [m]"""
        floor = metres(self.ceiling_height)
        if not 0.0 < floor <= 100.0:
            raise GeometryError(
                f"{self.name}: ceiling_height is {floor:g} m; it must be above 0, up to 100 m."
            )
        half = 0.5 * self._width_of(self._corners)
        rise = None
        if self.pitch is not None:
            if not 0.0 < self.pitch < 90.0:
                raise GeometryError(
                    f"{self.name}: pitch is {self.pitch} degrees; it must lie between 0 and 90."
                )
            rise = half * math.tan(math.radians(self.pitch))
        ridge = None if self.ridge_height is None else metres(self.ridge_height)
        eaves = None if self.eaves_height is None else metres(self.eaves_height)
        if ridge is None:
            if rise is None:
                raise GeometryError(
                    f"{self.name}: give ridge_height, or pitch; neither was told, and the roof "
                    "follows from one of them."
                )
            eaves = floor if eaves is None else eaves
            ridge = eaves + rise
        elif eaves is None:
            eaves = floor if rise is None else ridge - rise
        elif rise is not None and abs(ridge - eaves - rise) > _CONSISTENT:
            raise GeometryError(
                f"{self.name}: ridge_height {ridge:g} m less eaves_height {eaves:g} m is "
                f"{ridge - eaves:.2f} m, but a pitch of {self.pitch:g} degrees over half the width "
                f"({half:.2f} m) rises {rise:.2f} m; leave one of the three out or mend it."
            )
        if not ridge > floor:
            raise GeometryError(
                f"{self.name}: ridge_height {ridge:g} m is not above ceiling_height {floor:g} m; "
                "both are heights above ground."
            )
        if not 0.0 < eaves <= ridge:
            raise GeometryError(
                f"{self.name}: the eaves come out {eaves:.2f} m above ground; they must lie above "
                f"the ground and not above the ridge ({ridge:g} m). Check pitch and heights."
            )
        return floor, eaves, ridge

    @staticmethod
    def _width_of(corners: Array) -> float:
        return float(np.ptp(corners[:, 1]))

    @property
    def corners(self) -> Array:
        """Corners of the plan, counter-clockwise, shape (N, 2), read-only. [m]"""
        return self._corners

    @property
    def floor_level(self) -> float:
        """Attic floor above ground. [m]"""
        return self._levels[0]

    @property
    def eaves_level(self) -> float:
        """Underside of the roof at the walls, above ground. [m]"""
        return self._levels[1]

    @property
    def ridge_level(self) -> float:
        """Underside of the ridge, above ground. [m]"""
        return self._levels[2]

    @property
    def eaves_are_assumed(self) -> bool:
        """Whether nobody told where the roof meets the walls."""
        return self.eaves_height is None and (self.pitch is None or self.ridge_height is None)

    @property
    def ridge_across(self) -> float:
        """The ridge's y. [m]"""
        return 0.5 * float(self._corners[:, 1].min() + self._corners[:, 1].max())

    @property
    def slope(self) -> float:
        """Rise of the roof over its run."""
        return (self.ridge_level - self.eaves_level) / (0.5 * self._width_of(self._corners))

    def roof_height(self, y: ArrayLike) -> Array:
        """Underside of the roof above the attic floor at y, shape of y. [m]"""
        across = np.abs(np.asarray(y, dtype=float) - self.ridge_across)
        return self.ridge_level - self.floor_level - self.slope * across

    def to_world(self, points: ArrayLike) -> Array:
        """World coordinates, z above the earth's surface, of attic points (..., 3). [m]"""
        return np.asarray(points, dtype=float) + np.array([0.0, 0.0, self.floor_level])

    def to_attic(self, points: ArrayLike) -> Array:
        """Attic coordinates, height above the attic floor, of world points (..., 3). [m]"""
        return np.asarray(points, dtype=float) - np.array([0.0, 0.0, self.floor_level])

    def with_own_heights(self, text: str) -> str:
        """A message with the height above the attic floor behind each point, (x, y, z) m."""

        def both(found: re.Match[str]) -> str:
            height = float(found[1]) - self.floor_level
            return f"{found[0]} (height {round(height, 3) + 0.0:g} m from the attic floor)"

        return re.sub(r"\([^(),]+, [^(),]+, ([-+.\de]+)\) m\b", both, text)

    def bearing(self, azimuth_deg: float) -> float:
        """Bearing, clockwise from true north, of an azimuth (counter-clockwise from +x)."""
        return bearing_of(azimuth_deg, ridge_bearing=self.ridge_bearing)

    def azimuth(self, bearing_deg: float) -> float:
        """Azimuth, counter-clockwise from +x, of a bearing (clockwise from true north)."""
        return azimuth_of(bearing_deg, ridge_bearing=self.ridge_bearing)

    def contains(self, points: ArrayLike) -> NDArray[np.bool_]:
        """Which points (M, 3), in attic coordinates, lie between floor, walls and roof.

        A point on a surface, or outside it by less than 1 mm, counts as inside.

        Returns
        -------
        ndarray of bool, shape (M,)
        """
        at = np.atleast_2d(np.asarray(points, dtype=float))
        plan = inside(self._corners, at[:, :2], tolerance=TOLERANCE)
        height = (at[:, 2] >= -TOLERANCE) & (at[:, 2] <= self.roof_height(at[:, 1]) + TOLERANCE)
        return plan & height

    def way_out(self, points: ArrayLike) -> tuple[Array, str] | None:
        """Where a polyline first leaves the attic.

        Parameters
        ----------
        points : array_like, shape (N, 3)
            Corners of the polyline, attic coordinates. [m]

        Returns
        -------
        (point, words) or None
            A point outside, shape (3,), and how far outside of what; None if all is inside.
        """
        at = np.atleast_2d(np.asarray(points, dtype=float))
        for n, point in enumerate(at):
            if n > 0:  # vertices suffice for roof and floor; walls may be re-entrant
                before = at[n - 1]
                cuts = line_parameters(self._corners, before[:2], point[:2])
                stops = np.concatenate([[0.0], cuts, [1.0]])
                for t in 0.5 * (stops[:-1] + stops[1:]):
                    middle = before + t * (point - before)
                    if not inside(self._corners, middle[None, :2], tolerance=TOLERANCE)[0]:
                        return middle, "outside the walls"
            if not inside(self._corners, point[None, :2], tolerance=TOLERANCE)[0]:
                return point, "outside the walls"
            roof = float(self.roof_height(point[1]))
            if point[2] > roof + TOLERANCE:
                guess = " (no eaves_height was told)" if self.eaves_are_assumed else ""
                return point, (
                    f"{point[2] - roof:.2f} m above the underside of the roof, which is "
                    f"{roof:.2f} m above the attic floor there{guess}"
                )
            if point[2] < -TOLERANCE:
                return point, f"{-point[2]:.2f} m below the attic floor"
        return None

    def room_at(self, height: float, *, margin: float = 0.0) -> Array | None:
        """Plan of the free space at a height above the attic floor, less a margin to each wall.

        Parameters
        ----------
        height, margin : float
            Above the attic floor; from walls and roof. [m]

        Returns
        -------
        ndarray (N, 2) or None
            Counter-clockwise corners; None if nothing is left. [m]
        """
        corners = self._corners
        eaves = self.eaves_level - self.floor_level
        if height > eaves and self.slope > 0.0:
            half = (self.ridge_level - self.floor_level - height) / self.slope
            if half <= 0.0:
                return None
            mid = self.ridge_across
            corners = tidied(clip_strip(corners, mid - half, mid + half))
            if len(corners) < 3:
                return None
        return corners if margin == 0.0 else inset(corners, margin)

    def _repr_lines(self) -> list[str]:
        spans = np.ptp(self._corners, axis=0)
        shape = "" if self.size is not None else f", {len(self._corners)} corners"
        return [
            f"{self.name}: {spans[0]:.2f} m along the ridge, {spans[1]:.2f} m across{shape}",
            f"floor {self.floor_level:.2f} m, eaves {self.eaves_level:.2f} m, ridge "
            f"{self.ridge_level:.2f} m above ground; ridge bears "
            f"{self.ridge_bearing % 360:.0f} deg",
        ]

    def __str__(self) -> str:
        return "\n".join(self._repr_lines())
