"""Limits of exposure against their documents, and what part of them a field is.

Values evaluated from the formulas of the documents (how each is known stands in the catalogue)
agree to the digits printed: half a unit of the last one.
"""

import numpy as np
import pytest
from scipy.constants import c, foot

from ridgepole.solver import (
    Limits,
    LimitsError,
    duty_factor,
    exemption_check,
    fraction_of_limit,
    limit_names,
    predicted_distance,
    predicted_power_density,
    sum_of_fractions,
)
from ridgepole.solver.station.limits import parse_exposure, read_exposure_file

SETS = {
    # frequencies in MHz: E in V/m, H in A/m
    "FCC occupational": {3.5: ("526.3", "1.397"), 7.0: ("263.1", "0.6986"),
                         14.0: ("131.6", "0.3493"), 21.0: ("87.7", "0.2329"),
                         28.0: ("65.8", "0.1746"), 0.4: ("614", "1.63"), 50.0: ("61.4", "0.163")},
    "FCC general": {3.5: ("235.4", "0.6257"), 7.0: ("117.7", "0.3129"), 14.0: ("58.9", "0.1564"),
                    21.0: ("39.2", "0.1043"), 28.0: ("29.4", "0.0782"), 1.2: ("614", "1.63"),
                    50.0: ("27.5", "0.073")},
    "ICNIRP 2020 general, whole body": {
        3.5: ("124.8", "0.629"), 7.0: ("76.8", "0.314"), 10.1: ("59.4", "0.218"),
        14.0: ("47.3", "0.157"), 21.0: ("35.6", "0.105"), 28.0: ("29.1", "0.0786")},
    "ICNIRP 2020 occupational, whole body": {
        3.5: ("274.6", "1.40"), 7.0: ("169.0", "0.700"), 14.0: ("104.1", "0.350"),
        28.0: ("64.1", "0.175")},
    "ICNIRP 2020 general, local": {50.0: ("62", "0.163"), 1.0: ("671", "4.9")},
    "ICNIRP 2020 occupational, local": {50.0: ("139", "0.36"), 1.0: ("1504", "10.8")},
    "ICNIRP 2010 general": {3.5: ("83", "21"), 0.003: ("83", "21")},
    "ICNIRP 2010 occupational": {7.1: ("170", "80")},
}  # fmt: skip


def half_unit(printed: str) -> float:
    return 0.5000001 * 10.0 ** -(len(printed.partition(".")[2]))


@pytest.mark.parametrize("name", list(SETS))
def test_published_limits(name: str):
    limits = Limits.named(name)
    for megahertz, (electric, magnetic) in SETS[name].items():
        at = limits.at(megahertz * 1e6)
        assert at.electric == pytest.approx(float(electric), abs=half_unit(electric))
        assert at.magnetic == pytest.approx(float(magnetic), abs=half_unit(magnetic))


def test_every_shipped_set_is_checked():
    assert set(limit_names()) == set(SETS)


def test_averaging_times_and_sums():
    assert {n: Limits.named(n).averaging_minutes for n in SETS} == {
        "FCC occupational": 6, "FCC general": 30,
        "ICNIRP 2020 general, whole body": 30, "ICNIRP 2020 occupational, whole body": 30,
        "ICNIRP 2020 general, local": 6, "ICNIRP 2020 occupational, local": 6,
        "ICNIRP 2010 general": 0, "ICNIRP 2010 occupational": 0,
    }  # fmt: skip
    assert all(Limits.named(n).sum_exponent == (1 if "2010" in n else 2) for n in SETS)


def test_pieces_of_a_curve_meet():
    """The documents round their numbers: steps at the edges stay below 3 %."""
    for name in SETS:
        limits = Limits.named(name)
        for curve in (limits.electric, limits.magnetic):
            assert curve is not None
            for row in curve.rows[:-1]:
                low, high = curve.at([row[1] * 1e6 * (1 + s) for s in (-1e-6, 1e-6)], what=name)
                assert low == pytest.approx(high, rel=0.03)


def test_general_public_local_over_whole_body_is_the_root_of_five():
    """ICNIRP 2020, from memory; their coefficients have three digits."""
    whole = Limits.named("ICNIRP 2020 general").at([3.5e6, 21e6])
    local = Limits.named("ICNIRP 2020 general, local").at([3.5e6, 21e6])
    assert local.electric / whole.electric == pytest.approx(np.full(2, np.sqrt(5.0)), rel=5e-3)
    assert local.magnetic / whole.magnetic == pytest.approx(np.full(2, np.sqrt(5.0)), rel=5e-3)


def test_the_stricter_value_counts_at_an_edge():
    at = Limits.named("FCC general").at([1.34e6, 30e6])
    assert at.electric == pytest.approx([614.0, 824.0 / 30.0])
    assert at.magnetic == pytest.approx([1.63, 0.073])


def test_a_set_that_does_not_cover_the_frequency_says_so():
    with pytest.raises(LimitsError, match=r"ICNIRP 2010 general.*14\.1 MHz; .*0\.003 to 10 MHz"):
        Limits.named("icnirp 2010 general").at(14.1e6)
    with pytest.raises(LimitsError, match=r"does not cover 0\.137 MHz"):
        fraction_of_limit(1.0, 1.0, 137e3, limits=Limits.named("FCC general"), power=1.0)
    with pytest.raises(LimitsError, match="Near: 'FCC general'"):
        Limits.named("FCC gen")


# --- averaging --------------------------------------------------------------------------------


def worst_window(on: float, off: float, window: float) -> float:
    """The greatest part of any window that is sent in, by trying 3000 beginnings."""
    step = window / 6000.0
    times = np.arange(0.0, 2.0 * (on + off) + window, step)
    sending = np.concatenate([[0.0], np.cumsum((times % (on + off) < on) * step)])
    return float((sending[6000:] - sending[:-6000]).max() / window)


@pytest.mark.parametrize(("on", "off"), [(1.3, 2.1), (4.0, 0.7), (7.0, 11.0), (0.2, 0.45)])
def test_the_worst_window_counts(on: float, off: float):
    limits = Limits.named("FCC occupational")
    found = limits.averaged_part(minutes_on=on, minutes_off=off)
    # The grid of times.
    assert found == pytest.approx(worst_window(on, off, 6.0), abs=2e-3)


def test_thermal_limits_average_and_those_of_nerves_do_not():
    said = {"power": 100.0, "duty": duty_factor("SSB"), "minutes_on": 5.0, "minutes_off": 5.0}
    heat = fraction_of_limit(2.0, 0.003, 3.5e6, limits=Limits.named("ICNIRP 2020 general"), **said)
    nerves = fraction_of_limit(
        2.0, 0.003, 3.5e6, limits=Limits.named("ICNIRP 2010 general"), **said
    )
    # 30 minutes hold three turns; E at 100 W is 20 V/m.
    assert heat.averaged_part == pytest.approx(0.2 * 0.5)
    assert heat.electric == pytest.approx(20.0 * np.sqrt(0.1) / (300.0 / 3.5**0.7))
    assert heat.magnetic == pytest.approx(0.03 * np.sqrt(0.1) / (2.2 / 3.5))
    assert nerves.averaged_part == 1.0
    assert nerves.electric == pytest.approx(20.0 / 83.0)
    assert nerves.worst == nerves.electric
    # Nerves limit the general public's carrier, as E, at 3.5 MHz.
    assert nerves.worst > heat.worst


def test_power_that_complies():
    electric, magnetic = np.array([2.1, 0.4, 0.0]), np.array([0.001, 0.02, 0.0])
    limits = Limits.named("FCC general")
    found = fraction_of_limit(
        electric, magnetic, 14.1e6, limits=limits, power=400.0, fields_power=2.0, duty=0.4
    )
    assert found.complies.tolist() == [True, False, True]
    assert np.isinf(found.complying_power[2])
    for n in (0, 1):
        again = fraction_of_limit(
            electric[n], magnetic[n], 14.1e6, limits=limits, fields_power=2.0, duty=0.4,
            power=float(found.complying_power[n]),
        )  # fmt: skip
        assert again.worst == pytest.approx(1.0, rel=1e-12)


def test_several_frequencies_add_by_the_rule_of_the_set():
    for name, exponent in (("FCC general", 2), ("ICNIRP 2010 general", 1)):
        limits = Limits.named(name)
        both = [
            fraction_of_limit(e, h, f, limits=limits, power=50.0)
            for e, h, f in ((1.5, 0.02, 3.6e6), (2.5, 0.001, 7.1e6))
        ]
        expected = max(
            sum(one.electric**exponent for one in both),
            sum(one.magnetic**exponent for one in both),
        )
        assert sum_of_fractions(both) == pytest.approx(expected, rel=1e-12)
    other = fraction_of_limit(1.0, 1.0, 7e6, limits=Limits.named("FCC general"), power=1.0)
    with pytest.raises(LimitsError, match="different limits do not add"):
        sum_of_fractions([both[0], other])
    with pytest.raises(LimitsError, match="nothing to add"):
        sum_of_fractions([])


def test_duty_factors():
    """Read at second hand, with the exemptions of 47 CFR 1.1307."""
    assert duty_factor("SSB conversational") == 0.2
    assert duty_factor("ssb processed") == duty_factor("CW") == 0.4
    assert duty_factor("FM") == duty_factor("rtty") == duty_factor("carrier") == 1.0
    with pytest.raises(LimitsError, match="no mode is called"):
        duty_factor("semaphore")


# --- rules of thumb ---------------------------------------------------------------------------


def test_worked_example_of_oet_65():
    """OET 65, supplement B, read at second hand: 60 W, sent half of the time, duty 20 %,
    2.2 dBi, 6 ft away on 29 MHz, with reflection; mW/cm^2 are 10 W/m^2."""
    radiated = 60.0 * 0.5 * 0.2 * 10.0**0.22
    assert predicted_power_density(radiated, 6.0 * foot) / 10.0 == pytest.approx(0.060653, abs=1e-6)
    occupational, general = (
        Limits.named(name).at(29e6).power_density for name in ("FCC occupational", "FCC general")
    )
    assert occupational / 10.0 == pytest.approx(1.07015, abs=1e-5)
    assert general / 10.0 == pytest.approx(0.21403, abs=5e-6)
    assert predicted_distance(radiated, occupational) / foot == pytest.approx(1.428, abs=5e-4)
    assert predicted_distance(radiated, general) / foot == pytest.approx(3.194, abs=5e-4)


def test_reflection_of_the_ground():
    free = predicted_power_density(100.0, 7.0, reflection="none")
    assert free == pytest.approx(100.0 / (4.0 * np.pi * 49.0))
    assert predicted_power_density(100.0, 7.0, reflection="full") == pytest.approx(4.0 * free)
    with pytest.raises(LimitsError, match="reflection"):
        predicted_power_density(100.0, 7.0, reflection="some")  # type: ignore[arg-type]


def test_exemption_by_power_and_distance():
    """47 CFR 1.1307(b)(3): 3450 R^2/f^2 from memory, 3.83 R^2 at second hand."""
    check = exemption_check(164.0, [10.0, 4.0], 14.0e6, duty=0.5)
    assert check.effective_radiated_power == pytest.approx(50.0)
    assert check.threshold == pytest.approx([3450.0 * 100.0 / 196.0, 3450.0 * 16.0 / 196.0])
    assert exemption_check(1.0, 3.0, 50e6).threshold == pytest.approx(3.83 * 9.0)
    assert exemption_check(1000.0, [3.5, 20.0], 14.0e6).is_exempt.tolist() == [False, True]
    least = c / (2.0 * np.pi * 3.5e6)
    exemption_check(1.0, least, 3.5e6)
    with pytest.raises(LimitsError, match=r"nearer than lambda/\(2 pi\) = 13\.6 m"):
        exemption_check(1.0, 0.99 * least, 3.5e6)
    # Continuous where the rows meet, which tells 3450 from a misprinted 33450.
    low, high = exemption_check(1.0, 40.0, [1.339999e6, 1.340001e6]).threshold
    assert low == pytest.approx(high, rel=2e-3)


# --- a file of one's own ----------------------------------------------------------------------

OWN = """
format = 1
[[limits]]
name = "house rule"
averaging_minutes = 10
sum_exponent = 2
electric = [[1.0, 20.0, 55.0, -0.5]]
sources.averaging_minutes = "our own"
sources.sum_exponent = "our own"
sources.electric = "our own"
"""


def test_a_file_of_ones_own(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(OWN)
    limits = Limits.named("house rule", file=path)
    assert limits.at(4e6).electric == pytest.approx(27.5)
    assert np.isnan(limits.at(4e6).magnetic)
    found = fraction_of_limit(5.5, 3.0, 4e6, limits=limits, power=25.0)
    assert found.worst == found.electric == pytest.approx(1.0)
    with pytest.raises(LimitsError, match="cannot be read"):
        Limits.named("house rule", file=tmp_path / "missing.toml")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            ("electric = [[1.0, 20.0, 55.0, -0.5]]", "electric = [[20.0, 1.0, 55.0, 0]]"),
            "from < to",
        ),
        (("electric = [[1.0, 20.0, 55.0, -0.5]]", "electric = [[1.0, 20.0, 55.0]]"), "row 1"),
        (("electric = [[1.0, 20.0, 55.0, -0.5]]", "electric = []"), "a list of rows"),
        (("electric = [[1.0, 20.0, 55.0, -0.5]]", "electric = [[1, 20, nan, 0]]"), "row 1"),
        (('sources.electric = "our own"', ""), "electric has no source"),
        (("averaging_minutes = 10", "averaging_minutes = -1"), "at least 0"),
        (("sum_exponent = 2", "sum_exponent = 0"), "above 0"),
        (("[[limits]]", "[[limit]]"), "unknown table 'limit'"),
        (("electric = [[", "electrics = [["), "unknown key 'electrics'"),
        (("format = 1", "format = 7"), "format is 7"),
        (("format = 1", "format 1"), "own.toml"),
    ],
)
def test_faults_of_a_file_are_named(change: tuple[str, str], said: str):
    assert change[0] in OWN
    with pytest.raises(LimitsError, match=said):
        parse_exposure(OWN.replace(*change), file="own.toml")


def test_every_value_of_the_catalogue_has_its_source():
    read = read_exposure_file()
    entries = (*read.limits, *read.contacts, *read.exemptions, *read.modes)
    assert len(entries) == 17
    for entry in entries:
        assert "memory" in entry.source or "read" in entry.source


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"power": 0.0}, "power is 0 W"),
        ({"duty": 20.0}, "20 % as 0.2"),
        ({"duty": 0.0}, "duty factor is 0"),
        ({"minutes_off": 3.0}, "minutes_on is not given"),
        ({"minutes_on": -1.0}, "minutes_on"),
        ({"fields_power": np.nan}, "fields_power"),
    ],
)
def test_bad_input_is_named(change: dict, said: str):
    given = {"limits": Limits.named("FCC general"), "power": 100.0, **change}
    with pytest.raises(LimitsError, match=said):
        fraction_of_limit(1.0, 0.1, 7e6, **given)


def test_fields_are_magnitudes():
    limits = Limits.named("FCC general")
    for electric, magnetic in ((1.0 + 2.0j, 0.1), (-1.0, 0.1), (1.0, np.nan)):
        with pytest.raises(LimitsError, match="field is"):
            fraction_of_limit(electric, magnetic, 7e6, limits=limits, power=1.0)  # type: ignore[arg-type]
