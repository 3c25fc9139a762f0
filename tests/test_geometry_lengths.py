"""Lengths and gauges: what people write, and that it comes back in their unit."""

import math
import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepole.geometry import GeometryError, Length
from ridgepole.geometry.lengths import gauge_radius, metres

ROUNDING = 1e-12


@pytest.mark.parametrize(
    ("text", "value", "shown"),
    [
        ("12 ft 6 in", 3.81, "12 ft 6 in"),
        ("12' 6\"", 3.81, "12 ft 6 in"),
        ("12’6”", 3.81, "12 ft 6 in"),
        ("12 feet, 6 inches", 3.81, "12 ft 6 in"),
        ("12' 6 1/2\"", 3.8227, "12 ft 6.5 in"),
        ("3/4 in", 0.01905, "0.75 in"),
        ("150 in", 3.81, "150 in"),
        ("12.5 ft", 3.81, "12.5 ft"),
        ("12 ft", 3.6576, "12 ft"),
        ("4.2 m", 4.2, "4.2 m"),
        ("4.2 Metres", 4.2, "4.2 m"),
        ("35 cm", 0.35, "35 cm"),
        ("1.6mm", 0.0016, "1.6 mm"),
        ("-3 ft 2 in", -0.9652, "-3 ft 2 in"),
        ("11 ft 11.999 in", 3.6575746, "12 ft"),
        ("0 ft 0 in", 0.0, "0 in"),
    ],
)
def test_text_is_read_and_shown_in_its_unit(text, value, shown):
    """1 in = 25.4 mm, 1 ft = 12 in, exactly (definition)."""
    length = Length(text)
    assert float(length) == pytest.approx(value, rel=ROUNDING, abs=1e-15)
    assert str(length) == shown
    assert metres(text) == float(length)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("4.2", "no unit"),
        ("4,2 m", "decimal comma"),
        ("6 in 12 ft", "is no length"),
        ("5 furlong", "is no length"),
        ("3 m 2 cm", "is no length"),
        ("3 ft 14 in", "below 12"),
        ("1/0 in", "zero"),
        ("nan m", "is no length"),
        ("", "is no length"),
    ],
)
def test_what_is_no_length_is_refused_with_a_cure(text, says):
    with pytest.raises(GeometryError, match=says):
        Length(text)


@pytest.mark.parametrize("value", [math.nan, math.inf, True, None, [1.0], 1j])
def test_what_is_no_number_is_refused(value):
    with pytest.raises(GeometryError, match="length"):
        metres(value)


def test_unit_survives_change_and_pickle():
    length = Length("12 ft 6 in")
    assert str(length.with_value(3.0)) == "9 ft 10.11 in"  # 3 m = 118.110 in
    again = pickle.loads(pickle.dumps(length))
    assert again == length
    assert again.unit == "ft in"
    assert f"{length}" == "12 ft 6 in"
    assert f"{length:.2f}" == "3.81"


@given(st.floats(-500, 500), st.sampled_from(["m", "cm", "mm", "ft", "in", "ft in"]))
def test_what_is_shown_reads_back(value, unit):
    """To half of the last decimal shown, at most 0.5 mm."""
    length = Length(value, unit)
    assert abs(float(Length(str(length))) - value) <= 0.51e-3


@pytest.mark.parametrize(
    ("gauge", "diameter_mm"),
    [
        # ASTM B258 nominal diameters in mm, as printed in wire tables (from memory).
        ("14 AWG", 1.628),
        ("#12", 2.053),
        ("AWG 18", 1.024),
        ("26awg", 0.405),
        ("0 AWG", 8.251),
        ("2/0 AWG", 9.266),
        ("0000 AWG", 11.684),
    ],
)
def test_wire_gauges_agree_with_the_table(gauge, diameter_mm):
    assert 2e3 * gauge_radius(gauge) == pytest.approx(diameter_mm, abs=0.6e-3)  # printed


def test_cross_section_gives_the_solid_radius():
    for text in ("1.5 mm2", "1.5 mm²", "1.5mm^2", "1.5 sq mm"):
        assert math.pi * gauge_radius(text) ** 2 == pytest.approx(1.5e-6, rel=ROUNDING)


@pytest.mark.parametrize("gauge", ["14", "14 SWG", "60 AWG", "5/0 AWG", "0 mm2", "-1 mm2", 14])
def test_what_is_no_gauge_is_refused(gauge):
    with pytest.raises(GeometryError, match="AWG"):
        gauge_radius(gauge)
