"""E and H of dipoles over earth: ours from the field columns, and empymod's, in one frame.

empymod (W. Werthmueller, Geophysics 82, 2017) is written for geophysics, in the same time
convention exp(+jwt), with z pointing down: turning both by half a turn about x maps its frame
on ours, (x, y, z) -> (x, -y, -z).

An earth is given here as pairs of relative permittivity and conductivity from the top down, and
the thicknesses of all but the last.
"""

from itertools import pairwise
from types import SimpleNamespace

import empymod
import numpy as np
from scipy import constants
from scipy.special import j0, j1

from ridgepole.materials import Ground
from ridgepole.solver.earth.reflection import free_space_wavenumber
from ridgepole.solver.earth.tables import evaluate_field_columns, evaluate_kernels

TURN = np.array([1, -1, -1, 1, -1, -1])
#: tenth-order first derivative
DIFFERENCE = np.array([5 / 6, -5 / 21, 5 / 84, -5 / 504, 1 / 1260])


def permittivity(constants_of_ground: tuple[float, float], frequency: float) -> complex:
    er, sigma = constants_of_ground
    return er - 1j * sigma / (2.0 * np.pi * frequency * constants.epsilon_0)


def reflected_dipole(frequency, ground, x, y, zeta, t, air=1.0 + 0j):
    """Reflected E and H of a unit current moment along t, by the field columns.

    The dipole's two charges +-1/jw are ten, at distances and weights that make the tenth-order
    derivative along t, so only the first derivatives of g_phi are needed.
    """
    omega = 2.0 * np.pi * frequency
    t = np.asarray(t, float)
    kernel = evaluate_kernels(np.hypot(x, y), zeta, frequency, ground, air_permittivity=air)
    field = evaluate_field_columns(np.hypot(x, y), zeta, frequency, ground, air_permittivity=air)
    d = np.array([x, y])
    along = d @ t[:2]
    w = kernel.w_over_rho
    level = t[:2] * kernel.g_vv - t[2] * w * d
    potential = np.array([*level, t[2] * kernel.g_zz + w * along])
    gradient = (t[2] * field.g_zz_rho + along * field.p) * d + w * t[:2]  # of A_z
    rise = t[:2] * field.g_vv_zeta - t[2] * field.w_zeta * d  # d A_h/d zeta
    turn = field.g_vv_rho * (x * t[1] - y * t[0])
    magnetic = np.array([gradient[1] - rise[1], rise[0] - gradient[0], turn])

    span = zeta if t[2] else np.hypot(np.hypot(x, y), zeta)
    h = min(0.04 * span, 0.12 / free_space_wavenumber(frequency))
    offset = h * np.array([*range(1, 6), *range(-1, -6, -1)])
    weight = np.concatenate([DIFFERENCE, -DIFFERENCE]) / h
    at_x, at_y, at_z = x - offset * t[0], y - offset * t[1], zeta + offset * t[2]
    slope = evaluate_field_columns(
        np.hypot(at_x, at_y), at_z, frequency, ground, air_permittivity=air
    )
    push = np.array([at_x * slope.g_phi_rho, at_y * slope.g_phi_rho, slope.g_phi_zeta]) @ weight
    electric = -1j * omega * constants.mu_0 * potential
    electric -= push / (1j * omega * constants.epsilon_0 * air)
    return electric, magnetic


def reference_fields(
    materials, thicknesses, frequency, x, y, zeta, column, *, air_resistivity, **transform
):
    """empymod's secondary field of an electric dipole along x (column 1) or z (column 3)."""
    # only z + z' matters above the ground: any split of zeta will do
    result = [
        0.0
        if (row, column) == (6, 3)
        else empymod.dipole(
            src=[0.0, 0.0, -0.37 * zeta],
            rec=[x, -y, -0.63 * zeta],
            depth=[0.0, *np.cumsum(thicknesses)],
            res=[air_resistivity, *(1.0 / sigma for _, sigma in materials)],
            freqtime=frequency,
            ab=10 * row + column,
            epermH=[1.0, *(er for er, _ in materials)],
            xdirect=None,
            verb=0,
            **transform,
        )
        for row in range(1, 7)
    ]
    # a source along our z points against empymod's
    return np.array(result) * TURN * (1.0 if column == 1 else -1.0)


def gauss_transform(rho, zeta, k, wavenumbers):
    """Real-axis Gauss panels in the guise of a digital filter.

    The filter's sum over f(base/rho) weight/rho becomes a quadrature for this one rho, with
    panels graded by halves to k and to the real part of the wavenumber of every layer.
    """
    end = 2.0 * k + 40.0 / zeta
    halves = 2.0 ** -np.arange(48.0)
    edges = [[0.0, k, end], k - k * halves, k + (end - k) * halves]
    for k1 in wavenumbers:
        if k1.real < end:
            edges += [[k1.real], k1.real - (k1.real - k) * halves]
            edges += [k1.real + (end - k1.real) * halves]
    edges = np.unique(np.concatenate(edges))
    panels = [np.array([0.0])]
    for a, b in pairwise(edges):
        n = int(np.ceil((b - a) / min(4.0 / rho, 0.25 * k + 0.3 * a)))
        panels.append(a + (b - a) * np.arange(1, n + 1) / n)
    edges = np.concatenate(panels)
    x, w = np.polynomial.legendre.leggauss(16)
    half = 0.5 * np.diff(edges)[:, None]
    kr = (0.5 * (edges[:-1] + edges[1:])[:, None] + half * x).ravel()
    weight = (half * w).ravel()
    filt = empymod.filters.DigitalFilter("gauss panels")
    vars(filt).update(
        base=kr * rho,
        j0=weight * rho * j0(kr * rho),
        j1=weight * rho * j1(kr * rho),
        factor=np.array([1.0]),
    )
    return {"ht": "dlf", "htarg": {"dlf": filt, "pts_per_dec": 0}}


def points():
    """20 random (rho, zeta) in wavelengths, with the far-flung ones that matter."""
    rng = np.random.default_rng(20)
    zeta = 10.0 ** rng.uniform(-2.0, 0.3, 20)
    ratio = 10.0 ** rng.uniform(-1.0, 1.3, 20)
    zeta[0], ratio[0] = 0.01, 50.0
    zeta[1], ratio[1] = 0.01, 0.4
    zeta[2], ratio[2] = 0.3, 50.0
    return SimpleNamespace(zeta=zeta, rho=ratio * zeta, azimuth=rng.uniform(0.2, 1.4, 20))


def worst_errors(materials, frequency, reference, air=1.0 + 0j, which=slice(None), thicknesses=()):
    """Worst error of E and H over points and both dipoles, relative to the largest component."""
    ground = Ground(tuple(permittivity(m, frequency) for m in materials), tuple(thicknesses))
    wavelength = constants.c / frequency
    place = points()
    worst = 0.0
    for rho, zeta, azimuth in zip(
        place.rho[which] * wavelength, place.zeta[which] * wavelength, place.azimuth[which],
        strict=True,
    ):  # fmt: skip
        x, y = rho * np.cos(azimuth), rho * np.sin(azimuth)
        for column, t in ((1, (1.0, 0.0, 0.0)), (3, (0.0, 0.0, 1.0))):
            expected = reference(materials, thicknesses, frequency, x, y, zeta, column)
            electric, magnetic = reflected_dipole(frequency, ground, x, y, zeta, t, air)
            for found, part in ((electric, expected[:3]), (magnetic, expected[3:])):
                worst = max(worst, np.abs(found - part).max() / np.abs(part).max())
    return worst


def by_gauss_panels(materials, thicknesses, frequency, x, y, zeta, column):
    """empymod's fields over air of 1e15 ohm m, by panels on the real axis."""
    k = free_space_wavenumber(frequency)
    inside = [k * np.sqrt(permittivity(m, frequency)) for m in materials]
    transform = gauss_transform(np.hypot(x, y), zeta, k, inside)
    return reference_fields(
        materials, thicknesses, frequency, x, y, zeta, column, air_resistivity=1e15, **transform
    )


def by_adaptive_quadrature(loss):
    """empymod's fields with ht="quad", over air of that loss tangent."""

    def reference(materials, thicknesses, frequency, x, y, zeta, column):
        k = free_space_wavenumber(frequency)
        settings = {
            "rtol": 1e-12,
            "atol": 0.0,
            "limit": 3000,
            "a": 1e-6 * k,
            "b": 2.0 * k + 30.0 / zeta,
            "pts_per_dec": 6000,
        }
        resistivity = 1.0 / (loss * 2.0 * np.pi * frequency * constants.epsilon_0)
        return reference_fields(
            materials, thicknesses, frequency, x, y, zeta, column, air_resistivity=resistivity,
            ht="quad", htarg=settings,
        )  # fmt: skip

    return reference
