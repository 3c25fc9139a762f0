"""Amateur bands by region, ranges of one's own, and what is no band."""

import math
from itertools import pairwise

import pytest

from ridgepole.solver import Band, BandError, band_names
from ridgepole.solver.bands import known_band_names, read_band, read_bands

# ITU Radio Regulations as tabulated by IARU Region 1 (HF page), 47 CFR 97.301 for Region 2; the 60,
# 12, 10, 160 and 6 m bands and 40 m in Region 3 from memory. In MHz, as printed.
PRINTED = {
    ("80 m", 1): (3.5, 3.8),
    ("80 m", 2): (3.5, 4.0),
    ("80 m", 3): (3.5, 3.9),
    ("60 m", 1): (5.3515, 5.3665),
    ("40 m", 1): (7.0, 7.2),
    ("40 m", 2): (7.0, 7.3),
    ("40 m", 3): (7.0, 7.2),
    ("30 m", 2): (10.1, 10.15),
    ("20 m", 3): (14.0, 14.35),
    ("17 m", 1): (18.068, 18.168),
    ("15 m", 2): (21.0, 21.45),
    ("12 m", 3): (24.89, 24.99),
    ("10 m", 1): (28.0, 29.7),
    ("160 m", 1): (1.81, 2.0),
    ("160 m", 2): (1.8, 2.0),
    ("160 m", 3): (1.8, 2.0),
    ("6 m", 1): (50.0, 52.0),
    ("6 m", 2): (50.0, 54.0),
    ("6 m", 3): (50.0, 54.0),
}


@pytest.mark.parametrize(("name", "region"), list(PRINTED))
def test_edges_are_those_printed(name: str, region: int):
    band = Band.named(name, region=region)
    assert (band.low, band.high) == tuple(round(edge * 1e6) for edge in PRINTED[name, region])
    assert band.region == region
    assert band.source


def test_every_band_in_every_region_has_edges_and_a_source():
    assert len(known_band_names()) == 11
    for region in (1, 2, 3):
        bands = read_bands(known_band_names(), region=region)
        lows = [band.low for band in bands]
        assert lows == sorted(lows)
        assert all(one.high < other.low for one, other in pairwise(bands))
        assert all(band.source for band in bands)


def test_where_none_is_named_80_m_to_10_m_are_meant():
    names = band_names()
    assert (names[0], names[-1], len(names)) == ("80 m", "10 m", 9)
    assert set(known_band_names()) - set(names) == {"160 m", "6 m"}


@pytest.mark.parametrize("text", ["40 m", "40m", " 40 ", "40 metres", "40 M"])
def test_ways_to_say_a_name(text: str):
    assert read_band(text, region=2) == Band.named("40 m", region=2)


@pytest.mark.parametrize(
    "asked",
    [(14.0e6, 14.35e6), [14.0e6, 14.35e6], "14.0-14.35 MHz", "14 to 14.35 mhz", "14000-14350 kHz"],
)
def test_ways_to_say_a_range(asked: object):
    band = read_band(asked)  # pyright: ignore[reportArgumentType]
    # Class: rounding, of the decimal text.
    assert band.low == pytest.approx(14.0e6, rel=1e-14)
    assert band.high == pytest.approx(14.35e6, rel=1e-14)
    assert band.name == "14-14.35 MHz"
    assert band.region is None


def test_a_range_over_two_units():
    band = read_band("900 kHz-1.2 MHz")
    assert (band.low, band.high) == pytest.approx((0.9e6, 1.2e6), rel=1e-14)


def test_centre_and_width():
    band = Band("odd", 3.1e6, 3.9e6)
    assert band.centre == 3.5e6
    assert band.width == pytest.approx(0.8e6, rel=1e-14)


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("41 m", "Is '40 m' meant"),
        ("75 m", "upper part of '80 m'"),
        ("forty", "Bands are"),
        ("14.35-14.0 MHz", "low edge comes first"),
        ((14.0, 14.35), "in hertz"),
        ((50e6, 400e6), "300 MHz"),
        ((1e6, math.nan), "finite"),
        ((1e6,), "pair"),
        (7.1e6, "pair"),
        ("14.0-14.35", "no band"),
    ],
)
def test_what_is_no_band_is_refused(asked: object, told: str):
    with pytest.raises(BandError, match=told):
        read_band(asked)  # pyright: ignore[reportArgumentType]


@pytest.mark.parametrize("region", [0, 4, 1.5, True, "1"])
def test_what_is_no_region_is_refused(region: object):
    with pytest.raises(BandError, match="ITU region"):
        Band.named("40 m", region=region)  # pyright: ignore[reportArgumentType]


def test_no_band_and_a_band_twice_are_refused():
    with pytest.raises(BandError, match="No band"):
        read_bands([])
    with pytest.raises(BandError, match="twice"):
        read_bands(["40 m", "20 m", "40m"])
    assert issubclass(BandError, ValueError)
