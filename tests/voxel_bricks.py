"""Equal bricks of a dielectric and all their mutual interactions, for `voxel_reference`.

Shares no code with the library. SI units, exp(+jwt).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.sparse.linalg import LinearOperator, gmres

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

PAIRS = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))
# Rule of three points for the distance of two points spread evenly over two equal intervals
# (triangular weight): exact to the fifth degree.
TRIANGLE_POINTS = np.array([-np.sqrt(0.4), 0.0, np.sqrt(0.4)])
TRIANGLE_WEIGHTS = np.array([5 / 24, 7 / 12, 5 / 24])


@dataclass(frozen=True)
class Grid:
    """A box cut into equal bricks; `filled` (nx, ny, nz) may leave some of them out (air)."""

    low: tuple[float, float, float]
    high: tuple[float, float, float]
    counts: tuple[int, int, int]
    filled: NDArray[np.bool_] | None = None

    @classmethod
    def cut(
        cls,
        low: tuple[float, float, float],
        high: tuple[float, float, float],
        *,
        voxel: float | tuple[float, float, float],
    ) -> Grid:
        """Bricks with sides as near to `voxel` [m] as whole numbers allow."""
        sides = np.broadcast_to(np.asarray(voxel, float), (3,))
        extent = np.subtract(high, low)
        n = np.maximum(1, np.rint(extent / sides).astype(int))
        return cls(low, high, (int(n[0]), int(n[1]), int(n[2])))

    @property
    def sides(self) -> Real:
        return np.subtract(self.high, self.low) / np.array(self.counts)

    @property
    def volume(self) -> float:
        """Of one brick. [m^3]"""
        return float(np.prod(self.sides))

    @property
    def centers(self) -> Real:
        """(bricks, 3), last axis of the grid running fastest. [m]"""
        axes = [self.low[i] + (np.arange(self.counts[i]) + 0.5) * self.sides[i] for i in range(3)]
        return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)

    @property
    def mask(self) -> Real:
        """(bricks,) 1 where there is matter."""
        if self.filled is None:
            return np.ones(int(np.prod(self.counts)))
        return self.filled.astype(float).ravel()


def _prism_f(x: NDArray, y: NDArray, z: NDArray) -> NDArray:
    """Sixth-fold integral of d2/dx2 (1/R), see `prism_tensor`."""
    x, y, z = np.abs(x), np.abs(y), np.abs(z)
    r = np.sqrt(x * x + y * y + z * z)
    with np.errstate(divide="ignore", invalid="ignore"):
        a = np.where(x + z > 0, y / 2 * (z * z - x * x) * np.arcsinh(y / np.hypot(x, z)), 0)
        b = np.where(x + y > 0, z / 2 * (y * y - x * x) * np.arcsinh(z / np.hypot(x, y)), 0)
        c = np.where(x * r > 0, x * y * z * np.arctan(y * z / (x * r)), 0)
    return a + b - c + (2 * x * x - y * y - z * z) * r / 6


def _prism_g(x: NDArray, y: NDArray, z: NDArray) -> NDArray:
    """Sixth-fold integral of d2/dxdy (1/R), see `prism_tensor`."""
    z = np.abs(z)
    r = np.sqrt(x * x + y * y + z * z)
    xx, yy, zz = x * x, y * y, z * z

    def safe(value: NDArray) -> NDArray:
        return np.where(np.isfinite(value), value, 0)

    with np.errstate(divide="ignore", invalid="ignore"):
        terms = (
            safe(x * y * z * np.arcsinh(z / np.hypot(x, y)))
            + safe(y / 6 * (3 * zz - yy) * np.arcsinh(x / np.hypot(y, z)))
            + safe(x / 6 * (3 * zz - xx) * np.arcsinh(y / np.hypot(x, z)))
            - safe(z * zz / 6 * np.arctan(x * y / (z * r)))
            - safe(z * yy / 2 * np.arctan(x * z / (y * r)))
            - safe(z * xx / 2 * np.arctan(y * z / (x * r)))
        )
    return terms - x * y * r / 3


def prism_tensor(sides: Real, counts: tuple[int, int, int]) -> Real:
    """Mean static field in one brick of another's unit polarisation, for lags 0 ... counts-1.

    Returns (6, nx, ny, nz), rows as `PAIRS`, dimensionless: minus the demagnetising tensor of two
    equal prisms (Newell, Williams and Dunlop, J. Geophys. Res. 98, 1993, from memory; checked by
    quadrature in the tests). Extended precision, because the differences cancel.
    """
    h = np.asarray(sides, np.longdouble)
    axes = [np.arange(-1, counts[i] + 1, dtype=np.longdouble) * h[i] for i in range(3)]
    out = np.empty((6, *counts))
    for row, (i, j) in enumerate(PAIRS):
        # The two functions are written for xx and xy: turn the axes so that they serve all six.
        order = (i, j, 3 - i - j) if i != j else (i, (i + 1) % 3, (i + 2) % 3)
        coordinates = np.meshgrid(*axes, indexing="ij")
        turned = [coordinates[k] for k in order]
        value = _prism_g(*turned) if i != j else _prism_f(*turned)
        for axis in range(3):
            value = np.diff(value, n=2, axis=axis)
        out[row] = value / (4 * np.pi * np.prod(h))
    return out


@lru_cache(maxsize=2)
def _static_kernel(sides: tuple[float, float, float], counts: tuple[int, int, int]) -> Real:
    """Static K for all lags >= 0, (6, nx, ny, nz): exact when near, 27-point rule when far."""
    h = np.array(sides)
    axes = [np.arange(counts[i]) * h[i] for i in range(3)]
    out = np.zeros((6, *counts))
    for sx, wx in zip(TRIANGLE_POINTS, TRIANGLE_WEIGHTS, strict=True):
        for sy, wy in zip(TRIANGLE_POINTS, TRIANGLE_WEIGHTS, strict=True):
            for sz, wz in zip(TRIANGLE_POINTS, TRIANGLE_WEIGHTS, strict=True):
                shift = np.array([sx, sy, sz]) * h
                d = np.meshgrid(*(axes[i] + shift[i] for i in range(3)), indexing="ij", sparse=True)
                r2 = d[0] ** 2 + d[1] ** 2 + d[2] ** 2
                with np.errstate(divide="ignore", invalid="ignore"):
                    scale = wx * wy * wz * np.prod(h) / (4 * np.pi) * r2**-2.5
                    for row, (i, j) in enumerate(PAIRS):
                        out[row] += scale * (3 * d[i] * d[j] - (r2 if i == j else 0.0))
    reach = np.maximum(6, np.ceil(6 * h.max() / h).astype(int))
    near = tuple(int(min(counts[i], reach[i])) for i in range(3))
    out[:, : near[0], : near[1], : near[2]] = prism_tensor(h, (near[0], near[1], near[2]))
    out.flags.writeable = False
    return out


def brick_kernel(grid: Grid, wavenumber: float) -> Complex:
    """K for all lags >= 0, (6, nx, ny, nz), dimensionless."""
    h, k = grid.sides, wavenumber
    static = _static_kernel((float(h[0]), float(h[1]), float(h[2])), grid.counts)
    d = np.meshgrid(*(np.arange(n) * s for n, s in zip(grid.counts, h, strict=True)), indexing="ij")
    # On itself: mean of 1/R of two points in a cube is 1.88231/side (computed by quadrature), its
    # directions even; rr = 1/3 for each axis.
    own = grid.volume ** (1 / 3) / 1.88231
    r = np.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2)
    r[0, 0, 0] = own
    wave = np.exp(-1j * k * r)
    # grad grad + k^2 on (exp(-jkR) - 1)/(4 pi R), times V.
    isotropic = (wave * (k**2 - 1j * k / r) - (wave - 1) / r**2) / r
    radial = (wave * (3j * k / r - k**2) + 3 * (wave - 1) / r**2) / r
    out = np.empty(static.shape, complex)
    for row, (i, j) in enumerate(PAIRS):
        directions = d[i] * d[j] / r**2
        directions[0, 0, 0] = 1 / 3 if i == j else 0.0
        rest = radial * directions + (isotropic if i == j else 0.0)
        out[row] = static[row] + grid.volume / (4 * np.pi) * rest
    return out


@dataclass(frozen=True)
class Body:
    """A grid of bricks at one frequency, ready to act on fields."""

    grid: Grid
    spectra: Complex
    padded: tuple[int, int, int]

    @classmethod
    def at(cls, grid: Grid, wavenumber: float) -> Body:
        kernel = brick_kernel(grid, wavenumber)
        padded = tuple(int(scipy.fft.next_fast_len(2 * n - 1) or 0) for n in grid.counts)
        lags = [_lags(n, m) for n, m in zip(grid.counts, padded, strict=True)]
        spectra = np.empty((6, *padded), complex)
        for row, (i, j) in enumerate(PAIRS):
            full = kernel[row][np.ix_(*(index for index, _, _ in lags))]
            for axis in range(3):
                _, sign, inside = lags[axis]
                # Off the diagonal K is odd in its two axes.
                factor = inside * (sign if i != j and axis in (i, j) else 1.0)
                full = full * factor.reshape([-1 if a == axis else 1 for a in range(3)])
            spectra[row] = scipy.fft.fftn(full)
        return cls(grid, spectra, (padded[0], padded[1], padded[2]))

    def field_of(self, polarisation: Complex) -> Complex:
        """K applied to chi E, both (3, bricks)."""
        nx, ny, nz = self.grid.counts
        waves = [
            scipy.fft.fftn(polarisation[i].reshape(nx, ny, nz), s=self.padded) for i in range(3)
        ]
        rows = {pair: self.spectra[row] for row, pair in enumerate(PAIRS)}
        out = np.empty((3, nx * ny * nz), complex)
        for i in range(3):
            total = np.zeros(self.padded, complex)
            for j in range(3):
                total += rows[(min(i, j), max(i, j))] * waves[j]
            back = np.asarray(scipy.fft.ifftn(total, overwrite_x=True))
            out[i] = back[:nx, :ny, :nz].ravel()
        return out

    def respond(
        self,
        incident: Complex,
        permittivity: tuple[complex, complex, complex],
        *,
        feedback: tuple[Complex, Complex] | None = None,
        rtol: float = 1e-8,
    ) -> Complex:
        """Total field in the bricks (3, bricks) for an incident one.

        `feedback` = (e, W), shapes (3 bricks, n) and (n, n): the incident field gains
        e W (e^T chi E), what the currents of the wire give back.
        """
        chi = self._chi(permittivity)
        shape = incident.shape

        def act(vector: Complex) -> Complex:
            field = np.asarray(vector, complex).reshape(shape)
            out = (field - self.field_of(chi * field)).ravel()
            if feedback is not None:
                e, w = feedback
                out = out - e @ (w @ (e.T @ (chi * field).ravel()))
            return out

        size = int(np.prod(shape))
        operator = LinearOperator((size, size), matvec=act, dtype=complex)  # pyright: ignore[reportCallIssue]
        start = (incident / (1 + chi / 3)).ravel()
        answer, status = gmres(
            operator, incident.ravel(), x0=start, rtol=rtol, atol=0.0, restart=60, maxiter=10
        )
        if status != 0:
            raise RuntimeError(f"the bricks did not converge (status {status})")
        return answer.reshape(shape)

    def _chi(self, permittivity: tuple[complex, complex, complex]) -> Complex:
        chi = np.asarray(permittivity, complex) - 1
        return chi[:, None] * self.grid.mask.astype(complex)[None, :]


def _lags(n: int, padded: int) -> tuple[NDArray[np.intp], Real, Real]:
    """For each place of the padded axis: |lag|, sign of the lag, 1 where the lag is used."""
    index = np.arange(padded)
    lag = np.where(index < n, index, index - padded)
    inside = np.abs(lag) < n
    return np.where(inside, np.abs(lag), 0), np.sign(lag).astype(float), inside.astype(float)
