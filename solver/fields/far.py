r"""Far field: radiation vectors, gain, and how the radiated power is shared between angles.

RMS phasors, exp(+jwt).  With the radiation vector N = Int I t exp(jk r.r') ds, the radiation
intensity is

    U = eta0 k^2/(16 pi^2) (|N_theta|^2 + |N_phi|^2)   [W/sr]

A thick conductor of radius a carries its current all around: each element's part has the factor
J0(ka sin psi), psi the angle between the element and the direction.

Over a ground at z = 0 the image adds to N: R_v (-t_h . theta_h + t_z theta_z) exp(jk r.r'_image)
to N_theta and R_h t . phi exp(jk r.r'_image) to N_phi, R_v = -G_TM and R_h = G_TE the plane-wave
reflection coefficients at kr = k cos(elevation); R_v = 1 and R_h = -1 on a perfect ground.

The polarisation current of solids, given as point moments, adds N_p to the wires' N_w. Gains are
those of N_w + N_p. The power budget holds |N_w|^2 + 2 Re(N_w* . N_p) only: a matrix that has the
solids' reaction on the wires, but none of the solids on each other, balances without |N_p|^2.

The polynomial currents are integrated exactly: on short pieces (|k h| <= 1) the exponential's
power series against the current's moments, which is 2 j^n j_n(a) for a Legendre polynomial P_n.

References
----------
.. [1] C. A. Balanis, "Antenna Theory", radiation integrals and reciprocity chapters (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import c as LIGHT_SPEED
from scipy.constants import epsilon_0, mu_0

from ..earth.paths import resolution, resolved_edges
from ..earth.reflection import fresnel_coefficients
from ..errors import SolverError
from ..moments.basis import ComplexArray, ElementCurrents, FloatArray, PointMoments
from ..moments.kernels import ring_square
from ..moments.quadrature import gauss
from .kernels import point_vectors, radiation_vectors
from .peaks import climb_directions, neighbourhood
from .polarisation import check_moments, gathered, plain_moments

if TYPE_CHECKING:
    from ...materials import Earth, Ground

ETA_0 = float(np.sqrt(mu_0 / epsilon_0))
LONGEST_PIECE = 1.0
SERIES_ERROR = 1e-14
LAYER_NODES = 12
"""That many on a panel take what layers reflect; more are added for the antenna's size."""
MAXIMUM_STARTS = 6


@dataclass(frozen=True, eq=False)
class Pieces:
    """Straight pieces no longer than two radians, with their current as a power series.

    Attributes
    ----------
    centers, halves : (P, 3) float
        Middle of each piece, and the vector from there to its end. [m]
    rings : (P, 2) float
        Square of the conductor's radius, and of radius over half length. [m^2, 1]
    series : (P, M) complex
        j^m/m! Int I(xi) xi^m dxi. [A]
    """

    centers: FloatArray
    halves: FloatArray
    rings: FloatArray
    series: ComplexArray


class PieceOrders(NamedTuple):
    """Straight pieces no longer than two radians, with what each Legendre polynomial is on them.

    Attributes
    ----------
    centers, halves : (P, 3) float
        As `Pieces`. [m]
    rings : (P, 2) float
        As `Pieces`. [m^2, 1]
    owner : (P,) int
        The element that each piece is of.
    series : (P, Q, M) complex
        j^m/m! Int P_i xi^m dxi, xi along the piece, P_i along its element.
    """

    centers: FloatArray
    halves: FloatArray
    rings: FloatArray
    owner: NDArray[np.int64]
    series: ComplexArray


def cut_pieces(currents: ElementCurrents, wavenumber: float) -> Pieces:
    """Cut elements into pieces with k h <= 1 and expand the current on each."""
    orders = cut_orders(currents, wavenumber)
    series = np.einsum("pi,pim->pm", currents.current[orders.owner], orders.series)
    return Pieces(*orders[:3], np.ascontiguousarray(series))


def cut_orders(currents: ElementCurrents, wavenumber: float) -> PieceOrders:
    """Cut elements into pieces with k h <= 1 and expand each Legendre polynomial on them.

    Of the currents only their number of orders counts.
    """
    half = 0.5 * (currents.end - currents.start)
    length = np.linalg.norm(half, axis=1)
    count = np.maximum(np.ceil(wavenumber * length / LONGEST_PIECE).astype(int), 1)
    owner = np.repeat(np.arange(length.size), count)
    position = np.arange(owner.size) - np.repeat(np.cumsum(count) - count, count)
    scale = 1.0 / count[owner]
    middle = -1.0 + scale * (2 * position + 1)
    centers = 0.5 * (currents.start + currents.end)[owner] + middle[:, None] * half[owner]
    halves = scale[:, None] * half[owner]

    longest = float(np.max(wavenumber * length * (1.0 / count), initial=0.0))
    n_terms, term = 1, 1.0
    while term > SERIES_ERROR or n_terms < 4:
        term *= longest / n_terms
        n_terms += 1
    n_orders = currents.current.shape[1]
    xi, weight = gauss((n_terms + n_orders) // 2 + 1)
    local = np.polynomial.legendre.legvander(middle[:, None] + scale[:, None] * xi, n_orders - 1)
    factor = np.cumprod(np.concatenate([[1.0], 1j / np.arange(1, n_terms)]))
    moments = (xi[:, None] ** np.arange(n_terms)) * weight[:, None] * factor
    ring = np.array([ring_square(wavenumber, radius) for radius in currents.radius])[owner]
    rings = np.stack([ring, ring / (scale * length[owner]) ** 2], axis=1)
    series = np.einsum("pqi,qm->pim", local, moments)
    return PieceOrders(centers, halves, rings, owner, np.ascontiguousarray(series))


class Spare(NamedTuple):
    """How many directions are taken beyond what the size asks for.

    Attributes
    ----------
    degree : float
        exp(j x u), |u| <= 1, is taken for a polynomial of degree x + degree x^(1/3).
    sines, azimuths : int
        More nodes on each panel, and round the compass.
    """

    degree: float
    sines: int
    azimuths: int


FINE = Spare(8.0, 12, 10)
"""Leaves about 1e-10."""

CLOSE = Spare(5.0, 8, 7)
"""Leaves less than 1e-9, with two thirds of the directions."""

COARSE = Spare(3.5, 6, 5)
"""Leaves less than 1e-6, with half the directions."""


@dataclass(frozen=True, eq=False)
class FarField:
    """What an antenna radiates at one frequency.

    Elevations are counted from the horizon, azimuths counter-clockwise from +x, both in degrees;
    every method broadcasts elevation against azimuth.  Gain holds all losses up to the feed (it
    is relative to the input power), but no mismatch.

    Parameters
    ----------
    currents : ElementCurrents
        RMS currents. [A]
    frequency : float
        [Hz]
    earth : Earth or Ground, optional
        None is free space.
    input_power : float
        Watts put into the feeds for these currents. [W]
    polarisation : PointMoments, optional
        What the currents induce in solids nearby. [A m]
    """

    currents: ElementCurrents
    frequency: float
    earth: Earth | Ground | None = None
    input_power: float = 1.0
    polarisation: PointMoments | None = None

    def __post_init__(self) -> None:
        for name, value in (("frequency", self.frequency), ("input power", self.input_power)):
            if not (np.isfinite(value) and value > 0.0):
                raise SolverError(f"far field: {name} is {value}; it must be positive and finite")
        if self.currents.start.shape[0] == 0:
            raise SolverError("far field: there are no elements; pass at least one")
        if self.polarisation is not None:
            check_moments(self.polarisation, above_ground=self.earth is not None)

    @property
    def wavenumber(self) -> float:
        """Of free space. [1/m]"""
        return 2.0 * np.pi * self.frequency / LIGHT_SPEED

    @property
    def lowest_elevation_deg(self) -> float:
        """-90 in free space, 0 over ground."""
        return -90.0 if self.earth is None else 0.0

    @cached_property
    def _pieces(self) -> Pieces:
        return cut_pieces(self.currents, self.wavenumber)

    @cached_property
    def _ground(self) -> Ground | None:
        """A real ground at this frequency, else None."""
        if self.earth is None or self.earth.is_perfect:
            return None
        return self.earth.at(self.frequency)

    def reflection(self, sine: FloatArray) -> tuple[ComplexArray | float, ComplexArray | float]:
        """R_v = -G_TM and R_h = G_TE for waves leaving at this sine of the elevation."""
        if self._ground is None:
            return 1.0, -1.0
        return fresnel_coefficients(np.arcsin(sine), self._ground, wavenumber=self.wavenumber)

    def _of_wires(self, ways: FloatArray) -> ComplexArray:
        pieces = self._pieces
        return radiation_vectors(
            ways, self.wavenumber, pieces.centers, pieces.halves, pieces.rings, pieces.series
        )

    @cached_property
    def _solid_moments(self) -> PointMoments:
        if self.polarisation is None:
            return PointMoments(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.complex128))
        return plain_moments(gathered(self.polarisation, self.wavenumber))

    def _of_solids(self, ways: FloatArray) -> ComplexArray:
        if self.polarisation is None:
            return np.zeros((ways.shape[0], 3), dtype=np.complex128)
        return point_vectors(ways, self.wavenumber, *self._solid_moments)

    def _radiation_vector(
        self, sine: FloatArray, azimuth: FloatArray
    ) -> tuple[ComplexArray, ComplexArray]:
        """N_theta and N_phi, shape (D,), at sines of the elevation and azimuths [rad]. [A m]"""
        theta, phi = self.projected(self._of_wires, sine, azimuth)
        if self.polarisation is not None:
            more_theta, more_phi = self.projected(self._of_solids, sine, azimuth)
            theta, phi = theta + more_theta, phi + more_phi
        return theta, phi

    def projected(
        self, source: Callable[[FloatArray], ComplexArray], sine: FloatArray, azimuth: FloatArray
    ) -> tuple[ComplexArray, ComplexArray]:
        """N_theta and N_phi, image included, of what gives vectors (D, 3) for directions.

        Where it gives several for each direction, (V, D, 3), they are of shape (V, D).
        """
        cosine = np.sqrt(np.maximum(1.0 - sine**2, 0.0))
        cos_az, sin_az = np.cos(azimuth), np.sin(azimuth)
        directions = np.stack([cosine * cos_az, cosine * sin_az, sine], axis=-1)

        def along(ways: FloatArray) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
            vector = source(ways)
            outward = vector[..., 0] * cos_az + vector[..., 1] * sin_az
            across = vector[..., 1] * cos_az - vector[..., 0] * sin_az
            return outward * sine, across, vector[..., 2] * cosine

        level, across, upright = along(directions)
        n_theta, n_phi = level - upright, across
        if self.earth is not None:
            level, across, upright = along(directions * np.array([1.0, 1.0, -1.0]))
            vertical, horizontal = self.reflection(sine)
            n_theta = n_theta - vertical * (level + upright)
            n_phi = n_phi + horizontal * across
        return n_theta, n_phi

    @property
    def unit(self) -> float:
        """Radiation intensity for a radiation vector of 1 A m. [W/sr]"""
        return ETA_0 * self.wavenumber**2 / (16.0 * np.pi**2)

    def _intensities(self, sine: FloatArray, azimuth: FloatArray) -> tuple[FloatArray, FloatArray]:
        n_theta, n_phi = self._radiation_vector(sine, azimuth)
        return self.unit * np.abs(n_theta) ** 2, self.unit * np.abs(n_phi) ** 2

    def _split_intensities(self, sine: FloatArray, azimuth: FloatArray) -> list[FloatArray]:
        """The theta and the phi part without that of the solids alone, and the latter."""
        wires = self.projected(self._of_wires, sine, azimuth)
        if self.polarisation is None:
            return [self.unit * np.abs(n) ** 2 for n in wires] + [np.zeros(sine.shape)]
        solids = self.projected(self._of_solids, sine, azimuth)
        parts = [
            self.unit * (np.abs(w) ** 2 + 2.0 * (w.conj() * p).real)
            for w, p in zip(wires, solids, strict=True)
        ]
        return [*parts, self.unit * (np.abs(solids[0]) ** 2 + np.abs(solids[1]) ** 2)]

    def _check_elevation(self, elevation: NDArray[np.float64], what: str) -> None:
        low = self.lowest_elevation_deg
        wrong = ~((elevation >= low) & (elevation <= 90.0))
        if np.any(wrong):
            place = "in free space" if self.earth is None else "over ground"
            raise SolverError(
                f"{what} of {float(elevation[wrong].flat[0]):g} degrees: {place} it must lie "
                f"between {low:g} (0 is the horizon) and 90 (the zenith)"
            )

    def _angles(
        self, elevation_deg: ArrayLike, azimuth_deg: ArrayLike
    ) -> tuple[FloatArray, FloatArray, tuple[int, ...]]:
        elevation, azimuth = np.broadcast_arrays(
            np.asarray(elevation_deg, dtype=float), np.asarray(azimuth_deg, dtype=float)
        )
        self._check_elevation(elevation, "elevation")
        if not np.all(np.isfinite(azimuth)):
            raise SolverError("azimuth is not finite; give degrees counter-clockwise from +x")
        sine = np.sin(np.deg2rad(elevation.ravel()))
        return sine, np.deg2rad(azimuth.ravel()), elevation.shape

    def amplitudes(
        self, elevation_deg: ArrayLike, azimuth_deg: ArrayLike
    ) -> tuple[ComplexArray, ComplexArray]:
        """F_theta and F_phi [V], where E = F exp(-jkr)/r, RMS, r counted from the origin.

        The theta direction points down along the meridian, phi counter-clockwise.
        """
        sine, azimuth, shape = self._angles(elevation_deg, azimuth_deg)
        unit = -1j * ETA_0 * self.wavenumber / (4.0 * np.pi)
        n_theta, n_phi = self._radiation_vector(sine, azimuth)
        return (unit * n_theta).reshape(shape)[()], (unit * n_phi).reshape(shape)[()]

    def intensity(self, elevation_deg: ArrayLike, azimuth_deg: ArrayLike) -> FloatArray:
        """Radiation intensity U, both polarisations. [W/sr]"""
        sine, azimuth, shape = self._angles(elevation_deg, azimuth_deg)
        theta, phi = self._intensities(sine, azimuth)
        return (theta + phi).reshape(shape)[()]

    def _decibels(self, intensity: FloatArray, reference: float) -> FloatArray:
        with np.errstate(divide="ignore"):
            return 10.0 * np.log10(4.0 * np.pi * intensity / reference)

    def gain_dbi(self, elevation_deg: ArrayLike, azimuth_deg: ArrayLike) -> FloatArray:
        """Gain over an isotropic radiator, both polarisations; -inf in a null. [dBi]"""
        return self._decibels(self.intensity(elevation_deg, azimuth_deg), self.input_power)

    def directivity_dbi(self, elevation_deg: ArrayLike, azimuth_deg: ArrayLike) -> FloatArray:
        """Like gain, but relative to all the power in the far field. [dBi]"""
        whole = self.radiated + self.polarisation_self
        return self._decibels(self.intensity(elevation_deg, azimuth_deg), whole)

    def vertical_gain_dbi(self, elevation_deg: ArrayLike, azimuth_deg: ArrayLike) -> FloatArray:
        """The part of the gain whose field lies in the vertical plane (E_theta). [dBi]"""
        sine, azimuth, shape = self._angles(elevation_deg, azimuth_deg)
        return self._decibels(self._intensities(sine, azimuth)[0].reshape(shape), self.input_power)

    def horizontal_gain_dbi(self, elevation_deg: ArrayLike, azimuth_deg: ArrayLike) -> FloatArray:
        """The part of the gain whose field is horizontal (E_phi). [dBi]"""
        sine, azimuth, shape = self._angles(elevation_deg, azimuth_deg)
        return self._decibels(self._intensities(sine, azimuth)[1].reshape(shape), self.input_power)

    @cached_property
    def _extent(self) -> tuple[float, float]:
        """Horizontal radius about the middle, and height with images where there is ground. [m]"""
        points = np.concatenate([self.currents.start, self.currents.end])
        if self.polarisation is not None:
            points = np.concatenate([points, self.polarisation.positions])
        middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
        radius = float(np.linalg.norm((points - middle)[:, :2], axis=1).max())
        if self.earth is None:
            return radius, float(np.ptp(points[:, 2]))
        return radius, 2.0 * float(np.abs(points[:, 2]).max())

    def _sine_nodes(self, low: float, high: float, spare: Spare) -> tuple[FloatArray, FloatArray]:
        """Gauss nodes and weights for the sine of the elevation between two sines.

        The integral over azimuth is a polynomial in the sine, of a degree set by the extent; over
        real earth R_v has a pole near the horizon at sin = -1/sqrt(ec + 1), so panels there grow
        with the distance from it; over layers they are halved until R_v and R_h are smooth on each.
        """
        radius, height = self._extent
        size = self.wavenumber * float(np.hypot(2.0 * radius, height))
        degree = size + spare.degree * size ** (1.0 / 3.0)
        edges = [low, high]
        ground = self._ground
        if ground is not None and ground.is_layered:

            def smooth(sine: FloatArray) -> ComplexArray:
                return np.stack(self.reflection(sine))

            edges = resolved_edges(
                np.array(edges), smooth, order=LAYER_NODES, tolerance=resolution(LAYER_NODES)
            ).tolist()
        elif ground is not None:
            edge = 4.0 / abs(np.sqrt(ground.bottom + 1.0))
            while edge < high:
                if edge > low:
                    edges.insert(-1, edge)
                edge *= 4.0
        nodes, weights = [], []
        for start, stop in pairwise(edges):
            half = 0.5 * (stop - start)
            n_nodes = int(np.ceil(0.5 * degree * np.sqrt(half))) + spare.sines
            xi, weight = gauss(n_nodes)
            nodes.append(0.5 * (start + stop) + half * xi)
            weights.append(half * weight)
        return np.concatenate(nodes), np.concatenate(weights)

    def _power(self, low: float, high: float) -> FloatArray:
        """Power of `_split_intensities` between two sines of the elevation, (3,). [W]"""
        sine, azimuth, weight = self.directions(low, high)
        return np.array([weight @ part for part in self._split_intensities(sine, azimuth)])

    def directions(
        self, low: float, high: float, spare: Spare = FINE
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Sines of the elevation between two, azimuths [rad] and weights [sr], each (D,)."""
        size = 2.0 * self.wavenumber * self._extent[0]
        n_azimuths = int(np.ceil(size + spare.degree * size ** (1.0 / 3.0))) + spare.azimuths
        azimuths = 2.0 * np.pi * np.arange(n_azimuths) / n_azimuths
        sines, weights = self._sine_nodes(low, high, spare)
        grid_sine, grid_azimuth = np.meshgrid(sines, azimuths, indexing="ij")
        weight = np.repeat(weights * (2.0 * np.pi / n_azimuths), n_azimuths)
        return grid_sine.ravel(), grid_azimuth.ravel(), weight

    @cached_property
    def _total(self) -> FloatArray:
        return self._power(float(np.sin(np.deg2rad(self.lowest_elevation_deg))), 1.0)

    @property
    def radiated(self) -> float:
        """Power that leaves for the sky (over ground) or in all directions (free space). [W]

        Without what the solids' polarisation current would radiate alone, which the budget does
        not hold; it is in `polarisation_self`.
        """
        return float(self._total[:2].sum())

    @property
    def polarisation_self(self) -> float:
        """Power that the solids' polarisation current would radiate alone; 0 without. [W]"""
        return float(self._total[2])

    @property
    def efficiency(self) -> float:
        """Radiated power over input power."""
        return self.radiated / self.input_power

    @property
    def vertical_part(self) -> float:
        """Part of the radiated power whose field lies in vertical planes, 0 to 1."""
        return float(self._total[0] / self._total[:2].sum())

    def share(
        self,
        from_deg: float,
        to_deg: float,
        *,
        of: Literal["radiated", "input"] = "radiated",
    ) -> float:
        """Part of the radiated or of the input power that leaves between two elevations.

        Parameters
        ----------
        from_deg, to_deg : float
            Elevations from the horizon, from_deg <= to_deg. [degrees]
        of : "radiated" or "input"
        """
        if of not in ("radiated", "input"):
            raise SolverError(f"share of {of!r}: it must be 'radiated' or 'input'")
        self._check_elevation(np.array([from_deg, to_deg], dtype=float), "share: elevation")
        if from_deg > to_deg:
            raise SolverError(
                f"share from {from_deg:g} to {to_deg:g} degrees: give the lower elevation first"
            )
        low, high = (float(np.sin(np.deg2rad(e))) for e in (from_deg, to_deg))
        power = float(self._power(low, high)[:2].sum()) if high > low else 0.0
        return power / (self.radiated if of == "radiated" else self.input_power)

    def maximum(self) -> tuple[float, float, float]:
        """Greatest gain [dBi], its elevation and its azimuth in [0, 360) [degrees].

        A grid fine enough for the antenna's size, then ever smaller grids about the best few of
        its peaks.  Of equal peaks the one not below the horizon counts, then the least azimuth,
        then the least elevation.
        """
        elevations, azimuths, step = self.direction_grid()
        grid = self.intensity(elevations[None, :], azimuths[:, None])
        best = float(grid.max())
        if not best > 0.0:
            raise SolverError("far field: nothing is radiated, so there is no direction of gain")
        around = neighbourhood(grid)
        peaks = np.argwhere((grid >= around * (1.0 - 1e-12)) & (grid >= 0.7 * best))
        # A zenith seen at every azimuth, or an omnidirectional ring, is one candidate, not many.
        worth = np.round(grid[peaks[:, 0], peaks[:, 1]] / best, 9)
        below = elevations[peaks[:, 1]] < -1e-9
        order = np.lexsort((elevations[peaks[:, 1]], peaks[:, 0], below, -worth))
        starts: dict[tuple[float, int], tuple[int, int]] = {}
        for n in order:
            i, j = int(peaks[n, 0]), int(peaks[n, 1])
            starts.setdefault((float(worth[n]), j), (i, j))
        found = (-1.0, 0.0, 0.0)
        for i, j in list(starts.values())[:MAXIMUM_STARTS]:
            middle = (float(elevations[j]), float(azimuths[i]))
            peak = climb_directions(
                self.intensity, float(grid[i, j]), middle, step, lowest=self.lowest_elevation_deg
            )
            if peak[0] > found[0] * (1.0 + 1e-9):
                found = peak
        gain = float(10.0 * np.log10(4.0 * np.pi * found[0] / self.input_power))
        return gain, found[1], found[2] % 360.0

    def direction_grid(self, fineness: float = 1.0) -> tuple[FloatArray, FloatArray, float]:
        """Elevations (M,), azimuths (N,) and their step, fine enough for the antenna's size.

        With a fineness of 1 the greatest lobe shows, with 2 all lobes and nulls. [degrees]
        """
        low = self.lowest_elevation_deg
        radius, height = self._extent
        size = self.wavenumber * max(float(np.hypot(2.0 * radius, height)), 1e-3)
        step = min(6.0, 60.0 / size) / fineness
        elevations = np.linspace(low, 90.0, int(np.ceil((90.0 - low) / step)) + 1)
        azimuths = np.linspace(0.0, 360.0, int(np.ceil(360.0 / step)), endpoint=False)
        return elevations, azimuths, step

    def ring(self, elevation_deg: float) -> tuple[FloatArray, FloatArray]:
        """Azimuths (N,) [degrees], equally spaced, and intensities (N,) [W/sr] at one elevation.

        N is odd, and enough for the trigonometric polynomial through them to hold everywhere.
        """
        size = 2.0 * self.wavenumber * self._extent[0]
        half = int(np.ceil(size + FINE.degree * size ** (1.0 / 3.0))) + FINE.azimuths
        azimuths = 360.0 * np.arange(2 * half + 1) / (2 * half + 1)
        return azimuths, self.intensity(float(elevation_deg), azimuths)

    def __repr__(self) -> str:
        place = "free space" if self.earth is None else "over ground"
        return (
            f"FarField({self.frequency / 1e6:g} MHz, {place}, "
            f"{self.currents.start.shape[0]} elements, {self.input_power:g} W in)"
        )
