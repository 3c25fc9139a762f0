r"""Reflected Green's functions of the earth: spectral integrals and their table.

With zeta = z + z' the sum of heights, rho the horizontal distance, b = exp(-j kz zeta)/(2j kz):

    g_vv  =  (1/2pi) Int b G_h             J0(kr rho) kr dkr    horizontal current
    g_phi =  (1/2pi) Int b (G_e + k^2 D)   J0 kr dkr            charge
    g_zz  = -(1/2pi) Int b (G_e + kz^2 D)  J0 kr dkr            vertical current
    w     = -(1/4pi) Int kr^2 D exp(-j kz zeta) J1 dkr          cross term

A_z of a horizontal current t' gains +w (rho_hat . t'), A_rho of a vertical current -w. What
is computed, stored and interpolated is w/rho, which is even and finite at rho = 0.
(Formulation C of K. A. Michalski and D. Zheng, IEEE Trans. AP 38, 1990; K. A. Michalski and
J. R. Mosig, IEEE Trans. AP 45, 1997; both from memory.)

A table covers a rectangle of (rho, zeta). It is filled band by band in rho: the larger the
distance, the finer but the shorter the integration path, since beyond the branch points the
integrand is smooth and J0 oscillates, so that a window of a few dozen oscillations ends it.
"""

from __future__ import annotations

import contextlib
import functools
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from threadpoolctl import ThreadpoolController

from ...materials.ground import Ground
from ..errors import SolverError
from .bessel import bessel_matrices, taylor_coefficients
from .paths import GHOSTS, fill_fine_enough, integration_path, invert_map
from .reflection import Reflection, free_space_wavenumber, reflect

__all__ = [
    "EarthTable",
    "FieldColumns",
    "Kernels",
    "build_earth_table",
    "evaluate_field_columns",
    "evaluate_kernels",
]

_BAND = 5.0


class Kernels(NamedTuple):
    """Reflected kernels of the mixed potentials, each of the shape of the points."""

    g_vv: NDArray[np.complex128]  #: horizontal current to horizontal potential [1/m]
    g_phi: NDArray[np.complex128]  #: charge to scalar potential [1/m]
    g_zz: NDArray[np.complex128]  #: vertical current to vertical potential [1/m]
    w_over_rho: NDArray[np.complex128]  #: cross term over rho [1/m^2]


class FieldColumns(NamedTuple):
    """Derivatives of the reflected kernels; the odd ones divided by rho, so all are even."""

    g_phi_rho: NDArray[np.complex128]  #: (d g_phi/d rho)/rho [1/m^3]
    g_vv_rho: NDArray[np.complex128]  #: (d g_vv/d rho)/rho [1/m^3]
    g_zz_rho: NDArray[np.complex128]  #: (d g_zz/d rho)/rho [1/m^3]
    g_phi_zeta: NDArray[np.complex128]  #: d g_phi/d zeta [1/m^2]
    g_vv_zeta: NDArray[np.complex128]  #: d g_vv/d zeta [1/m^2]
    g_zz_zeta: NDArray[np.complex128]  #: d g_zz/d zeta [1/m^2]
    w_zeta: NDArray[np.complex128]  #: (d w/d zeta)/rho [1/m^3]
    p: NDArray[np.complex128]  #: P/rho^2 = (d (w/rho)/d rho)/rho [1/m^4]


class _Spectrum(NamedTuple):
    """What multiplies the Bessel functions: columns for J0, J1(x)/x and J2(x)/x^2."""

    zero: list[NDArray[np.complex128]]
    one: list[NDArray[np.complex128]]
    two: list[NDArray[np.complex128]]


def _spectrum(
    kr: NDArray[np.complex128],
    weights: NDArray[np.complex128],
    wavenumber: complex,
    reflection: Reflection,
    *,
    with_kernels: bool,
    with_fields: bool,
) -> _Spectrum:
    """Weighted spectral functions without exp(-j kz zeta), in the order of the columns."""
    kz, te, tm, difference = reflection
    charge = tm + wavenumber**2 * difference  # G_e + k^2 D
    vertical = tm + kz**2 * difference  # G_e + kz^2 D
    plain = weights * kr / (4.0 * np.pi)
    b = plain / (1j * kz)  # (1/2pi) kr/(2j kz)
    zero: list[NDArray[np.complex128]] = []
    one: list[NDArray[np.complex128]] = []
    two: list[NDArray[np.complex128]] = []
    square = kr**2
    cross = plain * square * difference
    if with_kernels:
        zero += [b * te, b * charge, -b * vertical]
        one += [-cross]
    if with_fields:
        zero += [-plain * charge, -plain * te, plain * vertical]
        b = b * square
        one += [-b * charge, -b * te, b * vertical, 1j * cross * kz]
        two += [cross * square]
    return _Spectrum(zero, one, two)


def _sort_columns(
    zero: NDArray[np.complex128],
    one: NDArray[np.complex128],
    two: NDArray[np.complex128],
    *,
    with_kernels: bool,
) -> tuple[Kernels | None, FieldColumns | None]:
    """From sums by Bessel function (first axis the column) to the named columns."""
    kernels = None
    start_zero = start_one = 0
    if with_kernels:
        kernels = Kernels(zero[0], zero[1], zero[2], one[0])
        start_zero, start_one = 3, 1
    if len(two) == 0:
        return kernels, None
    charge, te, vertical, cross = one[start_one : start_one + 4]
    charge_zeta, te_zeta, vertical_zeta = zero[start_zero : start_zero + 3]
    fields = FieldColumns(charge, te, vertical, charge_zeta, te_zeta, vertical_zeta, cross, two[0])
    return kernels, fields


def check_medium(frequency: float, ground: complex | Ground) -> Ground:
    """The ground as an object, or SolverError if it or the frequency [Hz] is out of range."""
    ground = Ground.of(ground)
    if not (np.isfinite(frequency) and frequency > 0.0):
        raise SolverError(f"earth: frequency {frequency!r} Hz must be a finite positive number")
    for number, ec in enumerate(ground.permittivities):
        if number and number == len(ground.thicknesses) and np.isinf(ec):
            continue  # a perfect conductor below layers
        if not (np.isfinite(ec) and ec.real >= 1.0 and ec.imag <= 0.0):
            raise SolverError(
                f"earth: complex relative permittivity {ec!r} must have a real part of at least 1 "
                "and an imaginary part <= 0 (er - j sigma/(w eps0), time factor exp(+jwt))"
            )
    if len(ground.thicknesses) != len(ground.permittivities) - 1:
        raise SolverError(
            f"earth: {len(ground.permittivities)} permittivities and {len(ground.thicknesses)} "
            "thicknesses; every layer needs one, and the half-space below them has none"
        )
    for thickness in ground.thicknesses:
        if not (np.isfinite(thickness) and thickness > 0.0):
            raise SolverError(f"earth: a layer {thickness!r} m thick; it must be above 0, finite")
    return ground


def _evaluate(
    rho: ArrayLike,
    zeta: ArrayLike,
    frequency: float,
    ground: complex | Ground,
    *,
    with_fields: bool,
    order: int,
    window: float,
    air_permittivity: complex,
) -> NDArray[np.complex128]:
    """All columns (4 or 8) at pairs of points, shape (columns, ...)."""
    ground = check_medium(frequency, ground)
    rho, zeta = np.broadcast_arrays(np.asarray(rho, float), np.asarray(zeta, float))
    shape = rho.shape
    rho, zeta = rho.ravel(), zeta.ravel()
    if rho.size and not (np.all(np.isfinite(rho)) and rho.min() >= 0.0):
        raise SolverError("earth kernels: every rho must be finite and >= 0 m")
    if zeta.size and not (np.all(np.isfinite(zeta)) and zeta.min() > 0.0):
        raise SolverError("earth kernels: every sum of heights zeta must be finite and > 0 m")
    k = free_space_wavenumber(frequency)
    if air_permittivity != 1.0:
        k = k * np.sqrt(complex(air_permittivity))
        ground = ground.relative_to(complex(air_permittivity))
    columns = 8 if with_fields else 4
    result = np.empty((columns, rho.size), dtype=np.complex128)
    # points of like size share a path
    octave_zeta = np.floor(np.log2(zeta))
    octave_rho = np.floor(np.log2(np.maximum(rho, 0.25 * zeta)))
    keys, inverse = np.unique(np.stack([octave_zeta, octave_rho]), axis=1, return_inverse=True)
    inverse = inverse.ravel()
    for key in range(keys.shape[1]):
        members = np.flatnonzero(inverse == key)
        r, z = np.ascontiguousarray(rho[members]), zeta[members]
        kr, weights = integration_path(
            k,
            ground,
            rho_min=r.min(),
            rho_max=r.max(),
            zeta_min=z.min(),
            zeta_max=z.max(),
            order=order,
            window=window,
        )
        reflection = reflect(kr, k, ground)
        spectrum = _spectrum(
            kr, weights, k, reflection, with_kernels=not with_fields, with_fields=with_fields
        )
        bessel = _bessel(r, kr, with_fields=with_fields)
        decay = np.exp(-1j * z[:, None] * reflection.kz)
        parts = []
        for matrix, group in zip(bessel, spectrum, strict=True):
            product = matrix * decay if group else np.empty((0, 0))
            parts.append(np.array([product @ column for column in group]))
        kernels, fields = _sort_columns(*parts, with_kernels=not with_fields)
        result[:, members] = np.array(fields if kernels is None else kernels)
    return result.reshape((columns, *shape))


def _bessel(
    rho: NDArray[np.float64], kr: NDArray[np.complex128], *, with_fields: bool
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
    shape = (rho.size, kr.size)
    j0 = np.empty(shape, dtype=np.complex128)
    j1 = np.empty(shape, dtype=np.complex128)
    j2 = np.empty(shape if with_fields else (0, 0), dtype=np.complex128)
    bessel_matrices(rho, kr, taylor_coefficients(), j0, j1, j2)
    return j0, j1, j2


def evaluate_kernels(
    rho: ArrayLike,
    zeta: ArrayLike,
    frequency: float,
    ground: complex | Ground,
    *,
    order: int = 14,
    window: float = 12.0,
    air_permittivity: complex = 1.0,
) -> Kernels:
    """Reflected kernels at given points by direct integration.

    Parameters
    ----------
    rho : array_like, shape (...)
        Horizontal distance, >= 0. [m]
    zeta : array_like, shape (...)
        Sum of the heights of source and observer, > 0. [m]
    frequency : float
        Frequency. [Hz]
    ground : complex or Ground
        Relative complex permittivities of the earth, Im <= 0; a number for a homogeneous one.
    order, window : int, float, optional
        See :func:`integration_path`; the defaults leave about 1e-12.
    air_permittivity : complex, optional
        Relative permittivity of the upper half space, Im <= 0: a little loss for comparison
        with methods that cannot integrate past the branch point of air.

    Returns
    -------
    Kernels
        g_vv, g_phi, g_zz, w/rho, each of the broadcast shape.

    Raises
    ------
    SolverError
        For a frequency, permittivity or point out of range.
    """
    columns = _evaluate(
        rho,
        zeta,
        frequency,
        ground,
        with_fields=False,
        order=order,
        window=window,
        air_permittivity=air_permittivity,
    )
    return Kernels(*list(columns))


def evaluate_field_columns(
    rho: ArrayLike,
    zeta: ArrayLike,
    frequency: float,
    ground: complex | Ground,
    *,
    order: int = 14,
    window: float = 12.0,
    air_permittivity: complex = 1.0,
) -> FieldColumns:
    """Derivatives of the reflected kernels at given points by direct integration.

    Parameters and errors as for :func:`evaluate_kernels`.

    Returns
    -------
    FieldColumns
        Eight columns, each of the broadcast shape.
    """
    columns = _evaluate(
        rho,
        zeta,
        frequency,
        ground,
        with_fields=True,
        order=order,
        window=window,
        air_permittivity=air_permittivity,
    )
    return FieldColumns(*list(columns))


def _scales(
    rho: NDArray[np.float64], zeta: NDArray[np.float64], k: float, *, with_fields: bool
) -> list[NDArray[np.complex128]]:
    """Functions that the columns are divided by in a table, broadcast over rho and zeta."""
    distance = np.hypot(rho, zeta)
    g = np.asarray(np.exp(-1j * k * distance) / (4.0 * np.pi * distance), dtype=np.complex128)
    if not with_fields:
        return [g, g, g, g / distance]
    slope = g * (1.0 + 1j * k * distance) / distance
    curvature = slope / distance
    return [curvature, curvature, curvature, slope, slope, slope, curvature, curvature / distance]


@functools.cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def blas_threads(products: int) -> contextlib.AbstractContextManager[object]:
    """One BLAS thread for small work: waking a second one costs more than it saves."""
    if products < 2e7:
        return _controller().limit(limits=1, user_api="blas")
    return contextlib.nullcontext()


def _fill_band(
    rho: NDArray[np.float64],
    zeta: NDArray[np.float64],
    k: float,
    ground: Ground,
    *,
    with_kernels: bool,
    with_fields: bool,
    order: int,
    window: float,
) -> tuple[Kernels | None, FieldColumns | None]:
    """Columns on the grid rho x zeta as matrix products J . diag(w f) . exp(-j kz zeta)."""
    kr, weights = integration_path(
        k,
        ground,
        rho_min=float(rho[0]),
        rho_max=float(rho[-1]),
        zeta_min=float(zeta[0]),
        zeta_max=float(zeta[-1]),
        order=order,
        window=window,
    )
    reflection = reflect(kr, k, ground)
    spectrum = _spectrum(
        kr, weights, k, reflection, with_kernels=with_kernels, with_fields=with_fields
    )
    decay = np.exp((-1j * reflection.kz)[:, None] * zeta)
    parts = []
    for matrix, group in zip(_bessel(rho, kr, with_fields=with_fields), spectrum, strict=True):
        if not group:
            parts.append(np.empty((0, 0)))
            continue
        right = np.empty((kr.size, len(group), zeta.size), dtype=np.complex128)
        for column, values in enumerate(group):
            np.multiply(values[:, None], decay, out=right[:, column])
        with blas_threads(matrix.size * right[0].size):
            product = matrix @ right.reshape(kr.size, -1)
        parts.append(product.reshape(rho.size, len(group), zeta.size).transpose(1, 0, 2))
    return _sort_columns(*parts, with_kernels=with_kernels)


def lateral_stretch(
    k: float, ground: Ground, *, rho_scale: float, rho_max: float, zeta_min: float, step: float
) -> float:
    """Linear part q of the map u(rho), from the phase of the lateral wave. [1/m]

    Over weakly absorbing ground a wave runs along the surface with wavenumber k1 and beats
    with the rest at k1 - k: a period that a logarithmic grid would step over. Its size is
    modelled as (10/|ec|) exp(-|Im kz(k1)| zeta_min - |Im k1| rho)/(1 + k rho); the midpoint
    error of six-point interpolation is 0.0049 (phase per step)^6 of it. Below layers it is only
    where :func:`.paths.fill_fine_enough` starts from.
    """
    if ground.has_perfect_bottom:
        return 0.0
    ec = complex(ground.bottom)
    k1 = k * np.sqrt(ec)
    evanescence = abs((k * np.sqrt(1.0 - ec + 0j)).imag)
    rho = np.geomspace(min(rho_scale, rho_max), rho_max, 60)
    size = 10.0 / abs(ec) * np.exp(-evanescence * zeta_min - abs(k1.imag) * rho) / (1.0 + k * rho)
    needed = abs(k1 - k) * (size * 0.0049 / 1e-6) ** (1.0 / 6.0)
    return max(0.0, float(np.max(step * needed - 1.0 / np.hypot(rho, rho_scale))))


@dataclass(frozen=True)
class EarthTable:
    """Reflected kernels of one ground at one frequency over a rectangle of (rho, zeta).

    Made by :func:`build_earth_table`; the arrays are read-only.
    """

    frequency: float  #: [Hz]
    ground: Ground  #: relative permittivities, Im <= 0, and thicknesses
    wavenumber: float  #: of air [rad/m]
    rho_max: float  #: [m]
    zeta_min: float  #: [m]
    zeta_max: float  #: [m]
    rho_scale: float  #: s of u = asinh(rho/s) + q rho [m]
    rho_stretch: float  #: q [1/m]
    du: float
    dv: float
    values: NDArray[np.float64] = field(repr=False)  #: kernel ratios, shape (U, V, 8)
    #: ratios of the eight field columns, shape (U, V, 16); (0, 0, 16) when not asked for
    field_values: NDArray[np.float64] = field(repr=False)

    @property
    def has_fields(self) -> bool:
        """Whether the field columns are there."""
        return self.field_values.shape[0] > 0

    def kernel_arguments(
        self,
    ) -> tuple[NDArray[np.float64], float, float, float, float, float, float]:
        """What :func:`.kernels.interpolate_kernels` takes after rho and zeta."""
        return (
            self.values,
            self.rho_scale,
            self.rho_stretch,
            self.zeta_min,
            self.du,
            self.dv,
            self.wavenumber,
        )

    def field_arguments(
        self,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], float, float, float, float, float, float]:
        """What :func:`.kernels.interpolate_fields` takes after rho and zeta.

        Raises
        ------
        SolverError
            If the table was built without field columns.
        """
        if not self.has_fields:
            raise SolverError(
                "earth table: it was built without field columns; build it with with_fields=True"
            )
        return (self.values, self.field_values, *self.kernel_arguments()[1:])

    def covers(self, rho: float, zeta_low: float, zeta_high: float) -> bool:
        """Whether distances up to rho and sums of heights between the two are inside. [m]"""
        slack = 1.0 + 1e-9
        return (
            rho <= self.rho_max * slack
            and zeta_low * slack >= self.zeta_min
            and zeta_high <= self.zeta_max * slack
        )

    def kernels(self, rho: ArrayLike, zeta: ArrayLike) -> Kernels:
        """Reflected kernels by interpolation, checked against the range.

        Parameters
        ----------
        rho, zeta : array_like, shape (...)
            Horizontal distance and sum of heights. [m]

        Returns
        -------
        Kernels
            Each of the broadcast shape.

        Raises
        ------
        SolverError
            If a point lies outside the table.
        """
        from .kernels import interpolate_kernels_at

        rho, zeta = np.broadcast_arrays(np.asarray(rho, float), np.asarray(zeta, float))
        if rho.size and not self.covers(float(rho.max()), float(zeta.min()), float(zeta.max())):
            raise SolverError(
                f"earth table: rho up to {rho.max():.6g} m and zeta from {zeta.min():.6g} to "
                f"{zeta.max():.6g} m asked for, the table holds rho up to {self.rho_max:.6g} m "
                f"and zeta from {self.zeta_min:.6g} to {self.zeta_max:.6g} m"
            )
        out = np.empty((4, rho.size), dtype=np.complex128)
        interpolate_kernels_at(
            np.ascontiguousarray(rho.ravel()),
            np.ascontiguousarray(zeta.ravel()),
            *self.kernel_arguments(),
            out,
        )
        g_vv, g_phi, g_zz, w_over_rho = (out[i].reshape(rho.shape) for i in range(4))
        return Kernels(g_vv, g_phi, g_zz, w_over_rho)

    def measured_error(self, n_points: int = 40, *, seed: int = 0) -> float:
        """Worst interpolation error at random points, by direct integration.

        Parameters
        ----------
        n_points : int, optional
            How many points, spread evenly over the grid's own u and v.
        seed : int, optional
            Seed of the random points.

        Returns
        -------
        float
            Greatest error of g_vv, g_phi, g_zz over |g(R')| and of w/rho over |g(R')|/R'.
        """
        rng = np.random.default_rng(seed)
        last = np.arcsinh(self.rho_max / self.rho_scale) + self.rho_stretch * self.rho_max
        rho = invert_map(
            np.sort(rng.uniform(0.0, last, n_points)), self.rho_scale, self.rho_stretch
        )
        zeta = self.zeta_min * (self.zeta_max / self.zeta_min) ** rng.uniform(size=n_points)
        exact = evaluate_kernels(rho, zeta, self.frequency, self.ground)
        scales = _scales(rho, zeta, self.wavenumber, with_fields=False)
        found = self.kernels(np.minimum(rho, self.rho_max), zeta)
        return max(
            float(np.max(np.abs((a - b) / s))) for a, b, s in zip(found, exact, scales, strict=True)
        )


def _fill_grid(
    rho: NDArray[np.float64],
    zeta: NDArray[np.float64],
    k: float,
    ground: Ground,
    *,
    with_fields: bool,
    order: int,
) -> NDArray[np.float64]:
    """All ratios on the grid, shape (ghosts + rho, zeta, 8 or 24), real and imaginary in turn."""
    grid = np.empty((rho.size + GHOSTS, zeta.size, 8 + 16 * with_fields))
    start = 0
    while start < rho.size:
        limit = _BAND * (rho[start] if start else zeta[GHOSTS])
        stop = max(start + 1, int(np.searchsorted(rho, limit, side="right")))
        kernels, fields = _fill_band(
            rho[start:stop],
            zeta,
            k,
            ground,
            with_kernels=True,
            with_fields=with_fields,
            order=order,
            window=9.2,
        )
        band = (*(kernels or ()), *(fields or ()))
        scales = _scales(rho[start:stop, None], zeta, k, with_fields=False)
        if with_fields:
            scales += _scales(rho[start:stop, None], zeta, k, with_fields=True)
        for column, (values, scale) in enumerate(zip(band, scales, strict=True)):
            ratio = values / scale
            rows = slice(start + GHOSTS, stop + GHOSTS)
            grid[rows, :, 2 * column] = ratio.real
            grid[rows, :, 2 * column + 1] = ratio.imag
        start = stop
    # every ratio is even in u
    grid[:GHOSTS] = grid[2 * GHOSTS : GHOSTS : -1]
    return grid


def build_earth_table(
    frequency: float,
    ground: complex | Ground,
    *,
    rho_max: float,
    zeta_min: float,
    zeta_max: float,
    with_fields: bool = False,
    step: float = 0.1,
    order: int = 10,
) -> EarthTable:
    """Table of the reflected kernels of the earth.

    Parameters
    ----------
    frequency : float
        Frequency. [Hz]
    ground : complex or Ground
        Relative complex permittivities of the earth, er - j sigma/(w eps0), Im <= 0; a number
        for a homogeneous one.
    rho_max : float
        Greatest horizontal distance between any source and observer, >= 0. [m]
    zeta_min, zeta_max : float
        Least and greatest sum of heights of source and observer, 0 < zeta_min <= zeta_max.
        [m]
    with_fields : bool, optional
        Also tabulate the eight columns that the near field needs.
    step : float, optional
        Step of the grid in u and v. The error goes with its sixth power; 0.1 keeps it at
        1e-6 of |g(R')| or below. Over layers, whose guided waves beat with the rest, the grid is
        made finer until its own sixth differences say so.
    order : int, optional
        Gauss nodes per panel of the integration path.

    Returns
    -------
    EarthTable

    Raises
    ------
    SolverError
        For an argument out of range.
    """
    ground = check_medium(frequency, ground)
    if not (np.isfinite(rho_max) and rho_max >= 0.0):
        raise SolverError(f"earth table: rho_max {rho_max!r} m must be finite and >= 0")
    if not (np.isfinite(zeta_max) and 0.0 < zeta_min <= zeta_max):
        raise SolverError(
            f"earth table: sums of heights from {zeta_min!r} to {zeta_max!r} m must be "
            "positive and in rising order; wires must lie above the ground"
        )
    k = free_space_wavenumber(frequency)
    rho_scale = float(zeta_min)
    # a single point still needs a grid to interpolate on
    reach = max(float(rho_max), 0.1 * rho_scale)
    stretch = lateral_stretch(
        k, ground, rho_scale=rho_scale, rho_max=reach, zeta_min=zeta_min, step=step
    )

    def fill(rho: NDArray[np.float64], zeta: NDArray[np.float64]) -> NDArray[np.float64]:
        return _fill_grid(rho, zeta, k, ground, with_fields=with_fields, order=order)

    def size(grid: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.maximum(np.abs(grid).max(axis=1, keepdims=True), 1.0)

    grid, stretch, dv = fill_fine_enough(
        fill,
        size if ground.is_layered else None,
        rho_max=reach,
        zeta_min=rho_scale,
        zeta_max=float(zeta_max),
        rho_stretch=stretch,
        step=step,
    )
    values = np.ascontiguousarray(grid[..., :8])
    field_values = np.ascontiguousarray(grid[..., 8:]) if with_fields else np.empty((0, 0, 16))
    values.setflags(write=False)
    field_values.setflags(write=False)
    return EarthTable(
        frequency=float(frequency),
        ground=ground,
        wavenumber=k,
        rho_max=float(rho_max),
        zeta_min=float(zeta_min),
        zeta_max=float(zeta_max),
        rho_scale=rho_scale,
        rho_stretch=stretch,
        du=step,
        dv=dv,
        values=values,
        field_values=field_values,
    )
