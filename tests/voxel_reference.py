"""A straight dipole beside a dielectric box: coupled volume solution, the reference for timber.

Shares no code with the library. The wire lies on the x axis, middle at the origin, and carries
piecewise-sinusoidal functions (Galerkin, axis to surface). The box is aligned with the axes and cut
into equal bricks, cubes where its sides allow, each with a constant field E. All mutual
interactions are kept:

    E_v - sum_u K_vu chi E_u = sum_n I_n <e_n>_v                 every brick v
    sum_n Z_mn I_n - jw eps0 V sum_v <e_m>_v . chi E_v = V_m     every wire function m

<e_n>_v is the field of wire function n averaged over the brick, chi = diag(ec - 1), and
K = V <<(grad grad + k^2) exp(-jkR)/(4 pi R)>>, averaged over both bricks. Its static part is exact
for bricks that are near each other (minus the demagnetising tensor of two uniformly magnetised
prisms; 1/3 for a cube on itself) and a 27-point rule on the static dipole field for the others. What
is left for a finite k is smooth and taken from centre to centre. The convolution is done by FFT.

Inside a brick the field of a wire that nearly touches is far from constant. With `subvoxel` the
part of the wire's field which the average leaves out acts too, weakened as at a flat face beside a
line charge (2/(ec + 1)). It fades with the brick size; both answers are given.

Units SI, exp(+jwt), RMS.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.constants import c as light
from scipy.constants import epsilon_0, mu_0
from scipy.sparse.linalg import LinearOperator, gmres

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

ETA0 = float(np.sqrt(mu_0 / epsilon_0))
PAIRS = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))
# Rule of three points for the distance of two points spread evenly over two equal intervals
# (triangular weight): exact to the fifth degree.
TRIANGLE_POINTS = np.array([-np.sqrt(0.4), 0.0, np.sqrt(0.4)])
TRIANGLE_WEIGHTS = np.array([5 / 24, 7 / 12, 5 / 24])
CHUNK = 20_000


# The wire ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Dipole:
    """Straight wire on the x axis from -length/2 to length/2 [m], fed at a node."""

    length: float
    radius: float = 1e-3
    segments: int = 20
    feed_node: int | None = None

    @property
    def step(self) -> float:
        return self.length / self.segments

    @property
    def nodes(self) -> Real:
        """x of all nodes, the two ends included. [m]"""
        return np.linspace(-self.length / 2, self.length / 2, self.segments + 1)

    @property
    def excitation(self) -> Real:
        """1 V at the feed: the middle unless `feed_node` names another inner node (1 ...)."""
        node = self.segments // 2 if self.feed_node is None else self.feed_node
        volts = np.zeros(self.segments - 1)
        volts[node - 1] = 1.0
        return volts


def node_weights(dipole: Dipole, wavenumber: float) -> Real:
    """(nodes, functions): strength of the spherical waves at the nodes of each function.

    The field of sin(k(d - |x - x_m|))/sin(kd) is closed, three spherical waves from its nodes
    (textbook, from memory; checked against a sum of dipoles in the tests).
    """
    kd = wavenumber * dipole.step
    n = dipole.segments - 1
    weights = np.zeros((n + 2, n))
    for m in range(n):
        weights[m : m + 3, m] = np.array([1.0, -2 * np.cos(kd), 1.0]) / np.sin(kd)
    return weights


def wave_fields(dipole: Dipole, wavenumber: float, points: Real) -> Complex:
    """(3, points, nodes): E of the spherical wave of each node, before `node_weights`. [V/m]"""
    along = points[:, None, 0] - dipole.nodes[None, :]
    rho2 = points[:, 1] ** 2 + points[:, 2] ** 2
    distance = np.sqrt(along**2 + rho2[:, None])
    wave = np.exp(-1j * wavenumber * distance) / distance
    factor = 1j * ETA0 / (4 * np.pi)
    fields = np.empty((3, *wave.shape), complex)
    fields[0] = -factor * wave
    wave *= along
    fields[1] = wave * (factor * points[:, 1] / rho2)[:, None]
    fields[2] = wave * (factor * points[:, 2] / rho2)[:, None]
    return fields


def wire_matrix(dipole: Dipole, wavenumber: float) -> Complex:
    """Galerkin impedance matrix of the bare wire, (functions, functions). [ohm]

    Each wave exp(-jkR)/R is integrated in t, x = x_node + a sinh t, which takes the peak away.
    """
    step, radius = dipole.step, dipole.radius
    nodes, weights = dipole.nodes, node_weights(dipole, wavenumber)
    t_nodes, t_weights = np.polynomial.legendre.leggauss(48)
    n = dipole.segments - 1

    def overlap(offset: float) -> complex:
        """Integral of one test function, middle at 0, times the wave of a node at `offset`."""
        total = 0j
        # Cut at the wave's own place as well: the peak then never lies inside a panel.
        cuts = sorted({-step, 0.0, step} | ({offset} if -step < offset < step else set()))
        for low, high in zip(cuts[:-1], cuts[1:], strict=True):
            t0, t1 = np.arcsinh((low - offset) / radius), np.arcsinh((high - offset) / radius)
            t = (t0 + t1) / 2 + (t1 - t0) / 2 * t_nodes
            x = offset + radius * np.sinh(t)
            test = np.sin(wavenumber * (step - np.abs(x))) / np.sin(wavenumber * step)
            wave = np.exp(-1j * wavenumber * radius * np.cosh(t))
            total += (t1 - t0) / 2 * complex(np.sum(t_weights * test * wave))
        return total

    by_lag = np.array([overlap(step * lag) for lag in range(n + 1)])
    lags = np.abs(np.arange(n + 2)[:, None] - np.arange(1, n + 1)[None, :])
    assert len(nodes) == n + 2
    return 1j * ETA0 / (4 * np.pi) * (by_lag[lags].T @ weights)


# The bricks -------------------------------------------------------------------------------------


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
        axes = [
            self.low[i] + (np.arange(self.counts[i]) + 0.5) * self.sides[i] for i in range(3)
        ]
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
    # On itself: mean of 1/R of two points in a cube is 1.8823/side (computed by quadrature), its
    # directions even; rr = 1/3 for each axis.
    own = grid.volume ** (1 / 3) / 1.8823
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
        padded = tuple(int(scipy.fft.next_fast_len(2 * n - 1)) for n in grid.counts)
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
            total = sum(rows[(min(i, j), max(i, j))] * waves[j] for j in range(3))
            out[i] = scipy.fft.ifftn(total, overwrite_x=True)[:nx, :ny, :nz].ravel()
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
        operator = LinearOperator((size, size), matvec=act, dtype=complex)
        start = (incident / (1 + chi / 3)).ravel()
        answer, status = gmres(
            operator, incident.ravel(), x0=start, rtol=rtol, atol=0.0, restart=60, maxiter=10
        )
        if status != 0:
            raise RuntimeError(f"the bricks did not converge (status {status})")
        return answer.reshape(shape)

    def _chi(self, permittivity: tuple[complex, complex, complex]) -> Complex:
        return (np.asarray(permittivity, complex) - 1)[:, None] * self.grid.mask[None, :]


def _lags(n: int, padded: int) -> tuple[NDArray[np.intp], Real, Real]:
    """For each place of the padded axis: |lag|, sign of the lag, 1 where the lag is used."""
    index = np.arange(padded)
    lag = np.where(index < n, index, index - padded)
    inside = np.abs(lag) < n
    return np.where(inside, np.abs(lag), 0), np.sign(lag).astype(float), inside.astype(float)


# Wire and bricks together -------------------------------------------------------------------------


@dataclass(frozen=True)
class Coupling:
    """The wire's field in the bricks.

    mean : (3, bricks, functions), <e_n>_v
    mean_products, products : (3, functions, functions), by component: V sum <e_m><e_n> and the
    same with the field of every point, the integral of e_m e_n
    powers : (3, functions, functions), the integral of conj(e_m) e_n
    """

    mean: Complex
    mean_products: Complex
    products: Complex
    powers: Complex


def couple(dipole: Dipole, grid: Grid, wavenumber: float) -> Coupling:
    """Average the wire's field over every brick; bricks near the wire are split until even."""
    weights = node_weights(dipole, wavenumber)
    n_bricks, n = len(grid.centers), weights.shape[1]
    mean = np.zeros((3, n_bricks, n), complex)
    products = np.zeros((3, n, n), complex)
    powers = np.zeros((3, n, n), complex)
    for owners, points, shares in _averaging_rule(dipole, grid):
        for begin in range(0, len(owners), max(1, CHUNK // points.shape[1])):
            part = slice(begin, begin + max(1, CHUNK // points.shape[1]))
            places = points[part].reshape(-1, 3)
            share = shares[part].ravel()
            fields = wave_fields(dipole, wavenumber, places) @ weights
            weighted = share[None, :, None] * fields
            for c in range(3):
                products[c] += grid.volume * (weighted[c].T @ fields[c])
                powers[c] += grid.volume * (weighted[c].conj().T @ fields[c])
                by_box = weighted[c].reshape(-1, points.shape[1], n).sum(axis=1)
                np.add.at(mean[c], owners[part], by_box)
    mean_products = np.stack([grid.volume * (mean[c].T @ mean[c]) for c in range(3)])
    return Coupling(mean, mean_products, products, powers)


@lru_cache(maxsize=1)
def _coupling_of_box(dipole: Dipole, grid: Grid, wavenumber: float) -> Coupling:
    """`couple`, kept for the next permittivity of a whole box."""
    return couple(dipole, grid, wavenumber)


def _averaging_rule(dipole: Dipole, grid: Grid) -> list[tuple[NDArray[np.intp], Real, Real]]:
    """Boxes inside the bricks: [(owner (b,), points (b, q, 3), shares of the brick (b, q))]."""
    centers, owners = grid.centers, np.arange(len(grid.centers))
    keep = grid.mask > 0
    centers, owners = centers[keep], owners[keep]
    sides = np.broadcast_to(grid.sides, centers.shape).copy()
    rules: list[tuple[NDArray[np.intp], Real, Real]] = []
    while len(centers):
        gap = np.maximum(np.abs(centers) - sides / 2, 0)
        gap[:, 0] = np.maximum(np.abs(centers[:, 0]) - sides[:, 0] / 2 - dipole.length / 2, 0)
        distance = np.sqrt((gap**2).sum(axis=1))
        if not np.all(distance > 0.5 * dipole.radius):
            raise ValueError("the wire runs inside the box")
        # Across the wire the field changes over its distance; along it over several.
        limit = np.stack([4 * distance, 0.7 * distance, 0.7 * distance], axis=1)
        split = sides > limit
        done = ~split.any(axis=1)
        fine = done & (sides.max(axis=1) > 0.1 * distance)
        for chosen, order in ((done & ~fine, 1), (fine, 3)):
            if chosen.any():
                rules.append(_gauss_boxes(owners[chosen], centers[chosen], sides[chosen], order))
        centers, sides, owners, split = centers[~done], sides[~done], owners[~done], split[~done]
        for axis in range(3):
            cut = split[:, axis]
            if not cut.any():
                continue
            sides[cut, axis] /= 2
            offset = np.zeros((int(cut.sum()), 3))
            offset[:, axis] = sides[cut, axis] / 2
            moved = centers[cut] + offset
            centers[cut] -= offset
            centers = np.concatenate([centers, moved])
            sides = np.concatenate([sides, sides[cut]])
            owners = np.concatenate([owners, owners[cut]])
            split = np.concatenate([split, split[cut]])
    return [
        (owner, points, shares / grid.volume) for owner, points, shares in rules
    ]


def _gauss_boxes(
    owners: NDArray[np.intp], centers: Real, sides: Real, order: int
) -> tuple[NDArray[np.intp], Real, Real]:
    x, w = np.polynomial.legendre.leggauss(order)
    u = np.stack(np.meshgrid(x, x, x, indexing="ij"), axis=-1).reshape(-1, 3)
    wu = np.einsum("i,j,k->ijk", w, w, w).ravel() / 8
    points = centers[:, None, :] + sides[:, None, :] / 2 * u[None, :, :]
    return owners, points, np.prod(sides, axis=1)[:, None] * wu[None, :]


@dataclass(frozen=True)
class ReferenceAnswer:
    """What one case gives. Impedances and resistances in ohm, at the feed.

    bare : without the box
    added : with minus without, coupled bricks, parts of the field finer than a brick included
    added_plain : the same with the bricks' constant fields alone
    loss_resistance : loss in the box over |feed current|^2 (plain, see `added_plain`)
    single : added, by single scattering with the weights of `single_weights`, integrated finely
    single_plain : the same from the bricks' mean fields
    single_loss : its loss over |feed current|^2, integrated finely
    radiated_resistance, bricks, brick_sides : radiated power over |feed current|^2 (NaN if not
        asked for), number and sides of bricks
    """

    bare: complex
    added: complex
    added_plain: complex
    loss_resistance: float
    single: complex
    single_plain: complex
    single_loss: float
    radiated_resistance: float
    bricks: int
    brick_sides: tuple[float, float, float]


def solve_box(
    dipole: Dipole,
    grid: Grid,
    *,
    frequency: float,
    permittivity: tuple[complex, complex, complex],
    single_weights: tuple[complex, complex, complex],
    radiated: bool = False,
) -> ReferenceAnswer:
    """Couple the dipole to the box. `permittivity` along x, y, z; `single_weights` of E there."""
    omega = 2 * np.pi * frequency
    k = omega / light
    z_wire = wire_matrix(dipole, k)
    volts = dipole.excitation
    find = _coupling_of_box if grid.filled is None else couple
    coupling = find(dipole, grid, k)
    body = Body.at(grid, k)
    chi = np.asarray(permittivity, complex) - 1
    jwe = 1j * omega * epsilon_0
    e = coupling.mean.reshape(-1, len(volts))

    def impedance(matrix: Complex) -> complex:
        return complex(1 / (volts @ np.linalg.solve(matrix, volts)))

    def with_bricks(matrix: Complex) -> tuple[complex, Complex, Complex]:
        inverse = np.linalg.inv(matrix)
        direct = inverse @ volts
        field = body.respond(
            (coupling.mean @ direct),
            permittivity,
            feedback=(e, jwe * grid.volume * inverse),
        )
        driven = e.T @ (chi[:, None] * grid.mask * field).ravel()
        current = direct + inverse @ (jwe * grid.volume * driven)
        return complex(1 / (volts @ current)), current, field

    bare = impedance(z_wire)
    plain, current, field = with_bricks(z_wire)
    feed2 = abs(volts @ current) ** 2
    density = omega * epsilon_0 * np.array([-np.imag(value) for value in chi])
    loss = grid.volume * float(np.sum(density[:, None] * grid.mask * np.abs(field) ** 2)) / feed2

    # Across the wire a flat face lets 2/(ec + 1) in, of an uneven stuff the geometric mean.
    across = 2 / (np.sqrt(complex(permittivity[1] * permittivity[2])) + 1)
    let_in = np.array([1.0, across, across])
    lost = coupling.products - coupling.mean_products
    finer = z_wire - jwe * np.einsum("c,cmn->mn", chi * let_in, lost)
    refined, _, _ = with_bricks(finer)

    alpha = chi * np.asarray(single_weights, complex)
    single_matrix = z_wire - jwe * np.einsum("c,cmn->mn", alpha, coupling.products)
    single = impedance(single_matrix)
    single_plain = impedance(
        z_wire - jwe * np.einsum("c,cmn->mn", alpha, coupling.mean_products)
    )
    single_current = np.linalg.solve(single_matrix, volts)
    single_density = density * np.abs(np.asarray(single_weights, complex)) ** 2
    single_power = np.einsum("c,cmn->mn", single_density, coupling.powers)
    single_loss = (single_current.conj() @ single_power @ single_current).real
    single_loss /= abs(volts @ single_current) ** 2

    moments = jwe * grid.volume * chi[:, None] * grid.mask * field
    sent = radiated_power(dipole, current, grid, moments, k) / feed2 if radiated else np.nan
    h = grid.sides
    return ReferenceAnswer(
        bare=bare,
        added=refined - bare,
        added_plain=plain - bare,
        loss_resistance=loss,
        single=single - bare,
        single_plain=single_plain - bare,
        single_loss=float(single_loss),
        radiated_resistance=float(sent),
        bricks=int(grid.mask.sum()),
        brick_sides=(float(h[0]), float(h[1]), float(h[2])),
    )


def radiated_power(
    dipole: Dipole, current: Complex, grid: Grid, moments: Complex, wavenumber: float
) -> float:
    """Power through a far sphere, of the wire and of the bricks' moments (3, bricks) [A m]. [W]"""
    k, d = wavenumber, dipole.step
    x, w = np.polynomial.legendre.leggauss(8)
    points, strengths = [grid.centers], [moments.T]
    for m, node in enumerate(dipole.nodes[1:-1]):
        for side in (-1, 1):
            s = node + side * (x + 1) / 2 * d
            shape = np.sin(k * (d - np.abs(s - node))) / np.sin(k * d) * w * d / 2
            points.append(np.stack([s, 0 * s, 0 * s], axis=1))
            strengths.append(np.stack([shape, 0 * s, 0 * s], axis=1) * current[m])
    place, strength = np.concatenate(points), np.concatenate(strengths)
    total = 0.0
    cosines, cos_weights = np.polynomial.legendre.leggauss(20)
    n_phi = 32
    for cosine, weight in zip(cosines, cos_weights, strict=True):
        sine = np.sqrt(1 - cosine**2)
        for phi in 2 * np.pi * np.arange(n_phi) / n_phi:
            ray = np.array([sine * np.cos(phi), sine * np.sin(phi), cosine])
            vector = np.exp(1j * k * (place @ ray)) @ strength
            square = np.sum(np.abs(vector) ** 2) - abs(vector @ ray) ** 2
            total += weight * 2 * np.pi / n_phi * ETA0 * k**2 / (16 * np.pi**2) * square
    return float(total)


# The cases ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ReferenceCase:
    """A dipole on the x axis and a timber under it, its top face `gap` below the wire's surface.

    "along": the timber's axis is parallel to the wire, from x = -0.3 length + 0.3 m on, that is,
    off the middle; "across": parallel to y, under x = `offset`, off its own middle as well.
    `width` is horizontal, `depth` vertical. Lengths in metres, frequency in hertz.
    """

    frequency: float = 28.5e6
    dipole_length: float = 5.0
    radius: float = 1e-3
    arrangement: str = "along"
    gap: float = 0.02
    offset: float = 0.3
    along: complex = 3 - 0.2j
    across: complex = 3 - 0.2j
    timber_length: float = 3.0
    width: float = 0.045
    depth: float = 0.145

    @property
    def timber_start(self) -> Real:
        """First end of the timber's axis (the middle of its section). [m]"""
        z = -(self.radius + self.gap + self.depth / 2)
        if self.arrangement == "along":
            return np.array([self.offset - self.timber_length / 2, 0.0, z])
        return np.array([self.offset, -0.35 * self.timber_length, z])

    @property
    def timber_end(self) -> Real:
        direction = np.array([1.0, 0, 0] if self.arrangement == "along" else [0, 1.0, 0])
        return self.timber_start + self.timber_length * direction

    @property
    def timber_axis(self) -> int:
        return {"along": 0, "across": 1}[self.arrangement]

    @property
    def corners(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """Lowest and highest corner of the box. [m]"""
        half = np.array([self.width / 2, self.width / 2, self.depth / 2])
        half[self.timber_axis] = 0.0
        low, high = self.timber_start - half, self.timber_end + half
        return (float(low[0]), float(low[1]), float(low[2])), (
            float(high[0]),
            float(high[1]),
            float(high[2]),
        )


def reference_case(
    case: ReferenceCase,
    *,
    voxel: float | tuple[float, float, float] = 0.015,
    segments: int = 20,
    radiated: bool = False,
) -> ReferenceAnswer:
    """Solve one case. `voxel` as in `Grid.cut`; `segments` of the wire.

    The single-scattering model weighs the field along the timber by 1 and across it by 2/(ec + 1).
    """
    axis = case.timber_axis
    permittivity = [case.across] * 3
    permittivity[axis] = case.along
    weights: list[complex] = [2 / (case.across + 1)] * 3
    weights[axis] = 1.0
    return solve_box(
        Dipole(case.dipole_length, case.radius, segments),
        Grid.cut(*case.corners, voxel=voxel),
        frequency=case.frequency,
        permittivity=(permittivity[0], permittivity[1], permittivity[2]),
        single_weights=(weights[0], weights[1], weights[2]),
        radiated=radiated,
    )


def with_permittivity(case: ReferenceCase, permittivity: complex) -> ReferenceCase:
    """The same timber with one permittivity along and across."""
    return replace(case, along=permittivity, across=permittivity)
