"""Impedances of lumped parts against their circuit equations, and what bad input gets.

Tolerance class: rounding throughout.
"""

import dataclasses
import math

import numpy as np
import pytest

from ridgepole.materials import (
    Capacitor,
    Coil,
    FerriteChoke,
    Impedance,
    ImpedanceTable,
    MaterialError,
    ParallelParts,
    Resistor,
    SeriesParts,
)

F = np.array([1.83e6, 3.65e6, 14.2e6, 28.9e6])
W = 2 * np.pi * F


def test_coil_with_constant_q():
    assert Coil("2.2 uH", q=180).at(F) == pytest.approx(W * 2.2e-6 * (1 / 180 + 1j), rel=1e-14)


def test_coil_with_q_at_a_frequency_has_resistance_of_the_skin():
    z = Coil(2.2e-6, q=180, q_frequency=7.1e6).at(F)
    at_stated = 2 * np.pi * 7.1e6 * 2.2e-6 / 180
    assert z.real == pytest.approx(at_stated * np.sqrt(F / 7.1e6), rel=1e-14)
    assert z.imag == pytest.approx(W * 2.2e-6, rel=1e-14)


def test_self_capacitance_lies_beside_coil_and_its_loss():
    z = 1 / (1 / Coil("9 uH", q=70).at(F) + 1j * W * 6.5e-12)
    assert Coil("9 uH", q=70, capacitance="6.5 pF").at(F) == pytest.approx(z, rel=1e-13)
    assert Coil("9 uH", q=70, capacitance="6.5 pF").at(28.9e6).imag < 0  # above its resonance


def test_capacitor_series_and_parallel():
    c, r, coil = Capacitor("47 pF", q=900), Resistor("1.2 kohm"), Coil("330 nH", q=95)
    zc = (1 / 900 - 1j) / (W * 47e-12)
    assert c.at(F) == pytest.approx(zc, rel=1e-14)
    zl = coil.at(F)
    assert SeriesParts(c, r, coil).at(F) == pytest.approx(zc + 1200 + zl, rel=1e-14)
    beside = 1 / (1 / zc + 1 / 1200 + 1 / zl)
    assert ParallelParts(c, r, coil).at(F) == pytest.approx(beside, rel=1e-12)
    assert ParallelParts(c, Resistor(0.0), coil).at(3.65e6) == 0.0


def test_trap_is_a_resistance_of_q_times_reactance_at_resonance():
    trap = ParallelParts.trap(7.05e6, farads="47 pF", q=150)
    x = 1 / (2 * math.pi * 7.05e6 * 47e-12)
    # z of (x/Q + jx) beside -jx is x Q - j x
    assert trap.at(7.05e6) == pytest.approx(x * (150 - 1j), rel=1e-10)
    assert trap.at(3.6e6).imag > 0 > trap.at(14.1e6).imag


def test_choke():
    choke = FerriteChoke(resistance="4.7 kohm", inductance="38 uH", capacitance="1.8 pF")
    z = 1 / (1 / 4700 + 1 / (1j * W * 38e-6) + 1j * W * 1.8e-12)
    assert choke.at(F) == pytest.approx(z, rel=1e-13)
    resonance = 1 / (2 * math.pi * math.sqrt(38e-6 * 1.8e-12))
    assert choke.at(resonance) == pytest.approx(4700, rel=1e-10)


def test_table_meets_its_rows_and_is_straight_over_log_f():
    table = ImpedanceTable([3e6, 12e6, 30e6], [900 + 2100j, 2500 + 300j, 700 - 900j])
    assert table.at(np.array([3e6, 12e6, 30e6])) == pytest.approx(
        np.array([900 + 2100j, 2500 + 300j, 700 - 900j]), rel=1e-13
    )
    assert table.at(6e6) == pytest.approx(1700 + 1200j, rel=1e-13)  # half way in log f
    for outside in (2.9e6, 30.1e6):
        with pytest.raises(MaterialError, match="3 to 30 MHz"):
            table.at(outside)


PARTS: list[Impedance] = [
    Resistor(3.0),
    Coil(1e-6, q=80, capacitance=4e-12),
    Capacitor(1e-10, q=500),
    FerriteChoke(resistance=900, inductance=3e-6),
    ImpedanceTable([1e6, 30e6], [5 + 1j, 90 - 40j]),
    SeriesParts(Resistor(2.0), Coil(2e-6)),
]


@pytest.mark.parametrize("part", PARTS, ids=lambda part: type(part).__name__)
def test_a_number_gives_a_number_and_an_array_its_shape(part: Impedance):
    assert type(part.at(7.1e6)) is complex
    values = part.at(F.reshape(2, 2))
    assert values.shape == (2, 2)
    assert values[1, 0] == pytest.approx(part.at(14.2e6), rel=1e-15)
    assert (values.real >= 0).all()
    with pytest.raises(dataclasses.FrozenInstanceError):
        part.ohms = 4  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("text", "value"),
    [("2.2 uH", 2.2e-6), ("2.2µH", 2.2e-6), ("150 nH", 1.5e-7), (".5 mH", 5e-4), ("1 H", 1.0)],
)
def test_units_of_coils(text: str, value: float):
    assert Coil(text).henries == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "value"), [("1.2 kohm", 1200), ("47 Ω", 47), ("2 Mohm", 2e6), ("5 mohm", 5e-3)]
)
def test_units_of_resistors(text: str, value: float):
    assert Resistor(text).ohms == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Coil("2.2"), "units: H, mH, uH, nH"),
        (lambda: Coil("2.2 pF"), "inductance of a coil is '2.2 pF'"),
        (lambda: Coil("two uH"), "no number with a unit"),
        (lambda: Coil(-1e-6), "at least 0"),
        (lambda: Coil(1e-6, q=0), "Q of a coil is 0"),
        (lambda: Coil(math.nan), "NaN"),
        (lambda: Coil(1e-6, q=50, q_frequency=0.0), "above 0"),
        (lambda: Capacitor("0 pF"), "is a gap"),
        (lambda: Capacitor(True), "not a real number"),
        (lambda: Resistor(math.inf), "infinite"),
        (lambda: SeriesParts(), "has no parts"),
        (lambda: ParallelParts(Resistor(1), 50), "no impedance"),  # type: ignore[arg-type]
        (lambda: FerriteChoke(resistance=0, inductance=1e-6), "no choke"),
        (lambda: ImpedanceTable([1e6], [50]), "two or more"),
        (lambda: ImpedanceTable([1e6, 2e6], [50, 60, 70]), "shape"),
        (lambda: ImpedanceTable([2e6, 1e6], [50, 60]), "must rise"),
        (lambda: ImpedanceTable([1e6, 2e6], [50, -1 + 4j]), "at least 0"),
        (lambda: ImpedanceTable([1e6, 2e6], ["a", "b"]), "not numbers"),  # type: ignore[list-item]
        (lambda: Coil(1e-6).at(0.0), "above 0"),
        (lambda: Coil(1e-6).at(math.nan), "finite"),
    ],
)
def test_bad_input_is_named(make, says: str):
    with pytest.raises(MaterialError, match=says):
        make()


def test_resonance_without_loss_is_an_error_not_a_number():
    # 1 H and 1 F at the frequency where both reactances are exactly 1 ohm.
    f = 1 / (2 * math.pi)
    both = ParallelParts(Coil(1.0), Capacitor(1.0))
    assert Coil(1.0).at(f) == -Capacitor(1.0).at(f)
    with pytest.raises(MaterialError, match="infinite"):
        both.at(f)
