"""Layouts of a pool over a band: narrow resonances are found, whatever the points."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy.interpolate import AAA

from ridgepole.geometry import Feed, Scene, Wire
from ridgepole.solver.band_sweep import natural_frequencies
from ridgepole.solver.bands import Band
from ridgepole.solver.study.pool import build_pool
from ridgepole.solver.study.pool_band import PoolBand, narrow_resonances

SEED = 20261125
PAIRS = 5
REFERENCE = 50.0
BAND = Band("8.1 MHz", 7.95e6, 8.45e6, None, "around the kink of two wires of 10 m")
STEP = 2e3
POINTS = np.linspace(BAND.low, BAND.high, 9)


def three_wires(one: float, two: float) -> list[Wire]:
    """Two unlike wires 5 degrees apart against one of 10 m opposite."""
    turn, z = np.deg2rad(5.0), 6.0
    return [
        Wire([(0, 0, z), (one, 0, z)], radius=1e-3, name="one"),
        Wire([(0, 0, z), (two * np.cos(turn), two * np.sin(turn), z)], radius=1e-3, name="two"),
        Wire([(0, 0, z), (-10.0, 0, z)], radius=1e-3, name="opposite"),
    ]


@lru_cache(maxsize=1)
def prepared() -> PoolBand:
    """Five random pairs near 10 m."""
    rng = np.random.default_rng(SEED)
    pairs = 10.0 + rng.uniform(-0.25, 0.25, size=(PAIRS, 2))
    # in free space, where a direct solve is quick
    scene = Scene(three_wires(10.3, 10.3), feed=Feed(("one", "two"), at=0.0))
    variants = {
        "one": [three_wires(length, 1.0)[0] for length in pairs[:, 0]],
        "two": [three_wires(1.0, length)[1] for length in pairs[:, 1]],
    }
    layouts = np.stack([np.arange(PAIRS), np.arange(PAIRS)], axis=1)
    frequencies = [BAND.low, BAND.centre, BAND.high]
    pool = build_pool(scene, variants, layouts, frequencies, tolerance=0.02)
    return PoolBand.prepare(pool, BAND, reference=REFERENCE)


def reflection(impedance: np.ndarray) -> np.ndarray:
    return (impedance - REFERENCE) / (impedance + REFERENCE)


@pytest.mark.parametrize("pair", range(PAIRS))
def test_kinks_against_a_fine_sweep(pair: int) -> None:
    """Place, width and depth, by a rational fit to direct solves 2 kHz apart."""
    band = prepared()
    assert band.n_matrices <= 5
    fine = np.arange(BAND.low, BAND.high + 1.0, STEP)
    system = band.pool.layout_system(pair)
    direct = reflection(np.array([1.0 / system.solve(f).admittance[0, 0] for f in fine]))
    fit = AAA(fine / 1e6, direct, rtol=1e-9)
    poles, residues = fit.poles() * 1e6, fit.residues() * 1e6
    inside = (poles.real > BAND.low) & (poles.real < BAND.high) & (np.abs(poles.imag) < 5e4)
    assert inside.sum() == 1
    pole, residue = complex(poles[inside][0]), complex(residues[inside][0])

    own = band.layout(pair)
    found = natural_frequencies(own, [REFERENCE])
    near = found[np.argmin(np.abs(found - pole))]
    width = 2.0 * abs(pole.imag)
    assert width < POINTS[1] - POINTS[0]  # narrower than the band's points are apart
    # quadrature: a twentieth of the width
    assert abs(near.real - pole.real) < 0.05 * width
    assert abs(abs(near.imag) - abs(pole.imag)) < 0.05 * width
    # depth: how far the reflection moves through the kink, 2 |residue| over the half width
    places = np.real(near) + width * np.array([-3.0, -0.5, 0.0, 0.5, 3.0])
    through = reflection(np.asarray(own.solution(places).impedance))
    expected = fit(places / 1e6)
    depth = abs(residue) / abs(pole.imag)
    assert depth > 0.01
    assert np.abs(through - expected).max() < 0.02 * depth  # discretisation of the sweep
    # and on the sweep's own frequencies
    curve = reflection(np.asarray(own.solution(fine).impedance))
    assert np.abs(curve - direct).max() < 1e-5  # of the interpolated matrix


def test_all_kinks_are_flagged() -> None:
    """From nine points none of which lies in a kink."""
    band = prepared()
    _, poles = band.curve(POINTS)
    count, width = narrow_resonances(POINTS, poles)
    for pair in range(PAIRS):
        natural = natural_frequencies(band.layout(pair), [0.0])
        sharp = natural[2.0 * np.abs(natural.imag) < POINTS[1] - POINTS[0]]
        assert sharp.size == count[pair] == 1
        assert np.abs(POINTS - sharp[0].real).min() > abs(sharp[0].imag)
        # found from up to half a step away
        assert width[pair] == pytest.approx(2.0 * abs(sharp[0].imag), rel=0.15)


def test_no_kink_is_flagged_where_there_is_none() -> None:
    frequencies = np.linspace(7.0e6, 7.2e6, 9)
    poles = np.full((3, 9), 7.1e6 + 4e5j)
    count, width = narrow_resonances(frequencies, poles)
    assert not count.any()
    assert np.isnan(width).all()


def test_points_equal_the_layout_by_itself() -> None:
    band = prepared()
    impedance, _ = band.curve(POINTS)
    for layout in (0, 3):
        alone = np.asarray(band.layout(layout).solution(POINTS).impedance)
        np.testing.assert_allclose(impedance[layout], alone, rtol=1e-9)  # rounding
    assert band.interpolation_error < 1e-3
