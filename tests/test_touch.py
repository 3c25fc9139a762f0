"""Currents through a person who touches a conductor."""

import numpy as np
import pytest

from ridgepole.solver import LimitsError, contact_current_limit, touch


def slow_current(volts: complex, source: complex, frequency: float, farads: float) -> float:
    """The circuit written out: source, resistance and capacitance in one loop."""
    loop = source + 500.0 + 1.0 / (2j * np.pi * frequency * farads)
    return abs(volts / loop)


@pytest.mark.parametrize(
    ("source", "frequency"),
    [(120.0 - 800.0j, 3.65e6), (35.0 + 250.0j, 7.1e6), (900.0 + 40.0j, 1.9e6), (4.0 + 160.0j, 7e6)],
)
def test_greatest_current_over_the_range_of_capacitances(source: complex, frequency: float):
    """The second and fourth resonate with the body inside of the range and at its end."""
    volts = 31.0 - 12.0j
    found = touch(volts, source, frequency)
    tried = [slow_current(volts, source, frequency, c) for c in np.linspace(100e-12, 200e-12, 4001)]
    # Rounding, and the grid of capacitances.
    assert found.current == pytest.approx(max(tried), rel=1e-6)
    assert found.current >= max(tried) * (1.0 - 1e-12)
    assert found.current == pytest.approx(
        slow_current(volts, source, frequency, float(found.capacitance)), rel=1e-12
    )
    assert found.short_circuit_current == pytest.approx(abs(volts / source), rel=1e-12)
    assert found.barefoot_current == pytest.approx(abs(volts / (source + 500.0)), rel=1e-12)


def test_it_resonates_within_the_range():
    assert 100e-12 < float(touch(10.0, 5.0 + 150.0j, 7.1e6).capacitance) < 200e-12
    assert float(touch(10.0, 5.0 - 150.0j, 7.1e6).capacitance) == 200e-12
    assert float(touch(10.0, 5.0 + 900.0j, 7.1e6).capacitance) == 100e-12


def test_shapes_are_broadcast():
    found = touch(np.array([[1.0], [2.0 + 1j]]), 50.0 + 3.0j, [3.5e6, 7e6, 10e6])
    assert np.shape(found.current) == (2, 3)
    assert np.all(np.asarray(found.current)[1] > np.asarray(found.current)[0])
    assert np.shape(found.fraction_of_limit()) == (2, 3)


def test_contact_currents():
    """ICNIRP 2010, 100 kHz to 10 MHz, read at second hand in a book on bioelectromagnetism."""
    assert contact_current_limit("ICNIRP 2010 general", 3.5e6) == 0.020
    assert contact_current_limit("icnirp 2010 occupational", 100e3) == 0.040
    found = touch(20.0, 0.0, 9.9e6)
    assert found.barefoot_fraction_of_limit() == pytest.approx(2.0)
    assert np.isinf(found.short_circuit_current)
    assert touch(0.0, 0.0, 9.9e6).short_circuit_current == 0.0
    with pytest.raises(LimitsError, match=r"14\.1 MHz; it runs from 0\.1 to 10 MHz"):
        touch(20.0, 50.0, 14.1e6).fraction_of_limit()


@pytest.mark.parametrize(
    ("arguments", "rest", "said"),
    [
        ((np.nan, 50.0, 7e6), {}, "open-circuit voltage"),
        ((1.0, np.inf, 7e6), {}, "source impedance"),
        ((1.0, -5.0 + 1j, 7e6), {}, "no negative resistance"),
        ((1.0, 5.0, 0.0), {}, "frequency is 0 Hz"),
        ((1.0, 5.0, 7e6), {"capacitances": (2e-10, 1e-10)}, "smaller one first"),
        ((1.0, 5.0, 7e6), {"resistance": 0.0}, "body resistance is 0 ohm"),
        (("high", 5.0, 7e6), {}, "finite numbers"),
    ],
)
def test_bad_input_is_named(arguments: tuple, rest: dict, said: str):
    with pytest.raises(LimitsError, match=said):
        touch(*arguments, **rest)
