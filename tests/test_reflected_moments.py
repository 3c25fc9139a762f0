"""The compiled earth part of the matrix against plain dense quadrature of exact kernels."""

from __future__ import annotations

import numpy as np
import pytest

from ridgepole.geometry import Feed, Scene, Wire, build_mesh
from ridgepole.materials import Earth
from ridgepole.solver.earth.tables import evaluate_kernels
from ridgepole.solver.system import System

FREQUENCY = 21.2e6
EARTH = Earth(13.0, 0.005)


def lopsided_scene(height: float) -> Scene:
    hub = (0.2, -0.1, height)
    wires = [
        Wire([hub, (0.5, 0.3, height + 1.1), (2.2, 1.4, height + 1.3)], radius=1e-3, name="up"),
        Wire([hub, (-1.9, 0.8, height)], radius=2e-3, name="flat"),
        Wire([hub, (1.0, -1.5, height + 0.4)], radius=1e-3, name="sloping"),
    ]
    return Scene(wires, feed=Feed("up"), earth=EARTH)


def panel_nodes(n_panels: int, n_nodes: int):
    xi, weight = np.polynomial.legendre.leggauss(n_nodes)
    edges = np.linspace(-1.0, 1.0, n_panels + 1)
    middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
    return (middle[:, None] + half[:, None] * xi).ravel(), (half[:, None] * weight).ravel()


def dense_moments(elements, i, j, orders, *, panels):
    """Moments of t.G_A.t' and G_phi by the formulas, with directly integrated kernels."""
    xi, weight = panel_nodes(panels, 8)
    half_i, half_j = elements.half[i], elements.half[j]
    t, s = half_i / elements.length[i], half_j / elements.length[j]
    test = elements.center[i] + xi[:, None] * half_i
    source = elements.center[j] + xi[:, None] * half_j
    d = (test[:, None, :] - source[None, :, :])[..., :2]
    rho = np.hypot(d[..., 0], d[..., 1])
    zeta = test[:, None, 2] + source[None, :, 2]
    ec = complex(EARTH.complex_permittivity(FREQUENCY))
    kernels = evaluate_kernels(rho.ravel(), zeta.ravel(), FREQUENCY, ec)
    g_vv, g_phi, g_zz, w = (np.asarray(g).reshape(rho.shape) for g in kernels)
    vector = (t[:2] @ s[:2]) * g_vv + t[2] * s[2] * g_zz
    vector = vector + w * (t[2] * (d @ s[:2]) - s[2] * (d @ t[:2]))
    legendre = np.polynomial.legendre.legvander(xi, orders - 1) * weight[:, None]
    scale = elements.length[i] * elements.length[j]
    return scale * np.stack([legendre.T @ kernel @ legendre for kernel in (vector, g_phi)])


@pytest.mark.parametrize(("height", "panels"), [(4.0, 2), (0.15, 10)])
def test_reflected_moments_against_dense_quadrature(height, panels):
    scene = lopsided_scene(height)
    system = System.from_scene(scene, build_mesh(scene, FREQUENCY, degree=3))
    elements = system.prepared.elements
    n = len(system.mesh)
    moments = {extra: np.zeros((n, n, 2, 4 + extra, 4 + extra), dtype=complex) for extra in (0, 1)}
    add, pairs = system._reflected(FREQUENCY), system.prepared.reflected
    assert add is not None
    assert pairs is not None
    for extra, buffer in moments.items():
        for first, last in ((0, 3), (3, n)):
            add(buffer[first:last], first, last, extra, elements, pairs)
    for i, j in ((0, 1), (0, 2), (1, 1), (2, 3), (3, 5)):
        expected = dense_moments(elements, i, j, 5, panels=panels)
        size = np.abs(expected[1, 0, 0])
        off = np.abs(moments[1][i, j] - expected) / size
        # Tolerance class: table interpolation and quadrature. The order above the degree, used
        # by the error estimate alone, vanishes at the few nodes of far pairs.
        assert off[:, :4, :4].max() < 3e-6, (i, j)
        assert off.max() < 5e-5, (i, j)
        assert np.array_equal(moments[0][i, j], moments[1][i, j][:, :4, :4])
