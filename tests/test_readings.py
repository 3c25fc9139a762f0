"""Readings from text, code, tables and Touchstone files: what they mean, and what is said of it."""

import math
import sys
import warnings
from dataclasses import FrozenInstanceError
from pathlib import Path

import numpy as np
import pytest
import skrf

from ridgepole.solver.errors import ReadingError
from ridgepole.solver.study.readings import Readings, read_readings
from ridgepole.solver.touchstone import write_touchstone

ROUNDING = 1e-12

F = np.array([7.0e6, 7.05e6, 7.2e6])
Z = np.array([23 - 41j, 25.5 - 30.25j, 61 + 87j])
SIZE_OF_Z, ANGLE_OF_Z = abs(23 - 41j), math.degrees(math.atan2(-41, 23))


def impedance_of(given: object, **asked: object) -> complex:
    read = read_readings(given, **asked)  # type: ignore[arg-type]
    assert read.frequencies.size == 1
    return complex(read.impedance[0])


# ---- typed in --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "7.05 MHz 23 - 41j",
        "7.05 MHz 23-41j",
        "7.05MHz 23-j41",
        "7.05 mhz 23 - j 41 ohm",
        "7.05 MHz 23 \u2212 41j \u03a9",
        "7050 kHz R 23 X -41",
        "7050 kHz X = -41 ohm, R = 23 ohm",
        "7050000 Hz, R: 0.023 kohm; X: -41",
        "f = 7.05 MHz, 23, -41",
        "7.05, 23, -41",
        "7.05,23,-41",
        "7.05 23 -41",
        "7050000 23 -41",
        "7.05\t23\t-41",
        "7,05; 23; -41",
        "7,05;23,0;-41,0",
        "0.00705 GHz 23 ohm -41 ohm",
        "# a note\n\n7.05, 2.3e1, -4.1E1\n! another",
    ],
)
def test_one_impedance_in_many_hands(text: str):
    read = read_readings(text)
    assert read.frequencies == pytest.approx([7.05e6], rel=ROUNDING)
    assert read.impedance == pytest.approx([23 - 41j], rel=ROUNDING)
    assert read.has_phase.all()


@pytest.mark.parametrize(
    ("text", "z"),
    [
        # computed from formula Z = |Z| exp(j theta), Z = R (1 + G)/(1 - G), G = 10^(dB/20)
        ("7.05 MHz |Z| 47 phase -60", 47 * np.exp(-1j * np.pi / 3)),
        ("7.05 MHz Z 47 ohm theta -1.0471975511965976 rad", 47 * np.exp(-1j * np.pi / 3)),
        ("7.05 MHz S11 -6 dB phase 110", None),
        ("7.05 MHz return loss 6 dB, phase 110 deg", None),
        ("7.05 MHz |S11| 0.5011872336272722 phase 110", None),
        ("7.05 MHz S11 -0.3+0.2j", 50 * (0.7 + 0.2j) / (1.3 - 0.2j)),
    ],
)
def test_polar_and_reflection_forms(text: str, z: complex | None):
    g = 10 ** (-6 / 20) * np.exp(1j * np.radians(110))
    expected = 50 * (1 + g) / (1 - g) if z is None else z
    assert impedance_of(text) == pytest.approx(expected, rel=ROUNDING)


@pytest.mark.parametrize(
    "text", ["7.05 MHz SWR 2.4", "7.05 MHz VSWR = 2.4", "7.05 MHz SWR 2.4:1", "7.05 MHz 2.4:1"]
)
def test_swr_alone_has_a_size_and_no_phase(text: str):
    read = read_readings(text)
    assert read.magnitude == pytest.approx([1.4 / 3.4], rel=ROUNDING)
    assert read.swr == pytest.approx([2.4], rel=ROUNDING)
    assert not read.has_phase.any()
    assert np.isnan(read.impedance).all()
    assert np.isnan(read.reflection.real).all()
    assert np.isnan(read.reflection.imag).all()
    assert np.isnan(read.phase_sd_deg).all()
    assert read.magnitude_sd == pytest.approx([0.01])


def test_lines_of_unlike_kinds_come_in_order():
    read = read_readings("14.2 MHz SWR 1.8\n7.05 MHz 23 - 41j\n\n28500 kHz R 80 X 12")
    assert read.frequencies == pytest.approx([7.05e6, 14.2e6, 28.5e6])
    assert read.has_phase.tolist() == [True, False, True]
    assert read.impedance[[0, 2]] == pytest.approx([23 - 41j, 80 + 12j])
    assert any("sorted" in note for note in read.notes)


@pytest.mark.parametrize(
    ("text", "megahertz", "ohms"),
    [
        ("14.1 MHz 22 - 20j; 14.2 MHz 23 - 5j", [14.1, 14.2], [22 - 20j, 23 - 5j]),
        ("7.1, 23, -41;7.2, 24, -20;", [7.1, 7.2], [23 - 41j, 24 - 20j]),
        ("14.1 22 -20;\n# dry\n14.3 23 1; 14.2 MHz R 4; X 5", [14.1, 14.2, 14.3],
         [22 - 20j, 4 + 5j, 23 + 1j]),
        # one reading, whose parts semicolons separate
        ("7,05; 23,5; -41,2", [7.05], [23.5 - 41.2j]),
        ("7.05; 22 -20j", [7.05], [22 - 20j]),
        ("7.05 MHz |Z| 50; phase 90 deg", [7.05], [50j]),
    ],
)  # fmt: skip
def test_semicolons_between_readings_part_them(
    text: str, megahertz: list[float], ohms: list[complex]
):
    """Those within a reading do not (rounding)."""
    read = read_readings(text)
    np.testing.assert_allclose(read.frequencies, 1e6 * np.array(megahertz), rtol=1e-12)
    np.testing.assert_allclose(read.impedance, ohms, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("typed", ["7.05 MHz 23 -41", "7.05 MHz R 23 X -41"])
def test_a_reference_is_of_swr_not_of_ohms(typed: str):
    read = read_readings(typed, reference=75)
    assert read.impedance == pytest.approx([23 - 41j])
    assert read.magnitude == pytest.approx([abs((23 - 41j - 75) / (23 - 41j + 75))])
    assert read_readings("7.05 MHz SWR 2", reference=75).reference == 75.0


# ---- from code -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "given",
    [
        [(7.05e6, 23 - 41j)],
        [(7.05, 23, -41)],
        (7.05e6, 23, -41),
        [("7050 kHz", "23 - 41j")],
        ["7.05 MHz 23 - 41j"],
        {"frequency": 7.05e6, "R": 23, "X": -41},
        [{"freq (kHz)": 7050, "resistance": 23, "reactance (ohm)": "-41"}],
        [{"f": "7.05 MHz", "Z": 23 - 41j}],
        np.array([[7.05e6, 23.0, -41.0]]),
        np.array([[7.05e6, 23 - 41j]]),
    ],
)
def test_objects_of_code(given: object):
    assert impedance_of(given) == pytest.approx(23 - 41j, rel=ROUNDING)


def test_readings_of_impedances():
    read = Readings.of(F, Z, reference=60.0, magnitude_sd=[0.01, 0.02, 0.03])
    assert read.impedance == pytest.approx(Z, rel=ROUNDING)
    assert read.magnitude == pytest.approx(np.abs((Z - 60) / (Z + 60)), rel=ROUNDING)
    assert read.magnitude_sd.tolist() == [0.01, 0.02, 0.03]
    assert read.phase_sd_deg.tolist() == [0.5, 0.5, 0.5]
    with pytest.raises(ValueError, match="read-only"):
        read.frequencies[0] = 1.0
    with pytest.raises(FrozenInstanceError):
        read.reference = 75.0  # type: ignore[misc]


# ---- tables ----------------------------------------------------------------------------------


def table(tmp_path: Path, text: str, name: str = "attic.csv") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


PRINTED = 2e-4
"""Reflections below are written with four digits, angles with one behind the point."""


@pytest.mark.parametrize(
    ("header", "row", "within"),
    [
        ("Frequency (MHz),R,X", "7.05,23,-41", ROUNDING),
        ("freq_kHz;Resistance [ohm];Reactance [ohm]", "7050;23,0;-41,0", ROUNDING),
        ("F/Hz\tRs\tXs", "7050000\t23\t-41", ROUNDING),
        ("freq (MHz) R X", "7.05 23 -41", ROUNDING),
        ('"Freq. (mhz)","SWR","Rs (\u03a9)","Xs (\u03a9)"', '"7.05","3.83","23","-41"', ROUNDING),
        ("X,R,FREQ", "-41,23,7.05", ROUNDING),
        ("f (Hz),Z", "7050000,23-41j", ROUNDING),
        ("frequency,|Z|,theta", f"7.05,{SIZE_OF_Z!r},{ANGLE_OF_Z!r}", ROUNDING),
        ("frequency,Z,phase (rad)", f"7.05,{SIZE_OF_Z!r},{math.radians(ANGLE_OF_Z)!r}", ROUNDING),
        ("f,S11 real,S11 imag", "7.05,-0.0414,-0.5849", PRINTED),
        ("f,S11 dB,phase", "7.05,-4.636,-94.05", PRINTED),
        ("f,return loss (dB),phase (deg),R", "7.05,4.636,-94.05,23", PRINTED),
        ("f,RL,phase", "7.05,-4.636,-94.05", PRINTED),
        ("f;|S11|;phase of S11;phase of Z;spare", "7,05;0,5864;-94,05;-60,7;1", PRINTED),
    ],
)
def test_columns_in_usual_words(tmp_path: Path, header: str, row: str, within: float):
    file = table(tmp_path, f"# exported\n! again\n\n{header}\n{row}\n")
    read = read_readings(file)
    assert read.frequencies == pytest.approx([7.05e6], rel=ROUNDING)
    assert abs(read.reflection[0] - (23 - 41j - 50) / (23 - 41j + 50)) < within
    assert read.source == str(file)
    assert "frequency from" in read.notes[0]


def test_values_of_a_table_are_those_of_its_columns(tmp_path: Path):
    g = (Z - 50) / (Z + 50)
    rows = [
        f"{f / 1e6},{20 * np.log10(abs(r)):.9f},{np.degrees(np.angle(r)):.9f}"
        for f, r in zip(F.tolist(), g.tolist(), strict=True)
    ]
    read = read_readings(table(tmp_path, "f (MHz),S11 (dB),phase (deg)\n" + "\n".join(rows)))
    assert read.impedance == pytest.approx(Z, rel=1e-8)  # printed: 9 digits behind the point
    swapped = read_readings(
        table(
            tmp_path,
            "f (MHz),S11 im,S11 re\n"
            + "\n".join(
                f"{f / 1e6},{r.imag!r},{r.real!r}"
                for f, r in zip(F.tolist(), g.tolist(), strict=True)
            ),
        )
    )
    assert swapped.impedance == pytest.approx(Z, rel=1e-10)


def test_what_was_taken_for_what_is_said(tmp_path: Path):
    read = read_readings(table(tmp_path, "Freq (MHz),Rs,Xs,cable\n7.05,23,-41,9\n"))
    assert read.notes[0] == (
        "frequency from 'Freq (MHz)', R from 'Rs', X from 'Xs'; not used: 'cable'"
    )
    bare = read_readings(table(tmp_path, "freq,R,X\n7.05,23,-41\n"))
    assert "no unit told" in bare.notes[0]


@pytest.mark.parametrize(
    "text",
    [
        "7.05,23,-41\n7.1,25,-30\n",
        "7,05;23;-41\n7,1;25;-30\n",
        "7050000 23 -41\n7100000 25 -30\n",
        "# measured in the evening\n7.05\t23\t-41\n7.1\t25\t-30\n",
        "# f (MHz), X, R\n7.05,-41,23\n7.1,-30,25\n",
        "! MHz; temperature; Z=R+jX\n7,05;20;23-41j\n7,1;21;25-30j\n",
        "sep=;\nMHz;X;R\n7,05;-41;23\n7,1;-30;25\n",
        "f = 7.05 MHz, 23, -41\nf = 7.1 MHz, 25, -30\n",
        "7.05 MHz 23 - 41j\n7.1 MHz R 25 X -30\n",
    ],
)
def test_files_without_a_header(tmp_path: Path, text: str):
    read = read_readings(str(table(tmp_path, text, "attic.txt")))
    assert read.frequencies == pytest.approx([7.05e6, 7.1e6], rel=ROUNDING)
    assert read.impedance == pytest.approx([23 - 41j, 25 - 30j], rel=ROUNDING)


def test_columns_without_names_are_said_to_be_guessed(tmp_path: Path):
    read = read_readings(table(tmp_path, "# some words\n7.05,23,-41\n"))
    assert read.notes == ("no names of columns: frequency, R and X",)


def test_a_table_can_be_pasted():
    read = read_readings("freq;SWR\n7,05;2,4\n7,10;1,9\n")
    assert read.swr == pytest.approx([2.4, 1.9], rel=ROUNDING)


@pytest.mark.parametrize(("ratio", "is_noted"), [(3.83, False), (3.0, False), (2.0, True)])
def test_a_column_of_swr_that_contradicts_is_noted(tmp_path: Path, ratio: float, is_noted: bool):
    read = read_readings(table(tmp_path, f"f (MHz),R,X,SWR\n7.05,23,-41,{ratio}\n"))
    assert any("column of SWR differs" in note for note in read.notes) is is_noted
    assert read.impedance == pytest.approx([23 - 41j])


def test_latin_text_and_a_byte_order_mark_are_read(tmp_path: Path):
    (tmp_path / "a.csv").write_bytes("# gr\u00fcn\nf (MHz),R,X\n7.05,23,-41\n".encode("latin-1"))
    assert impedance_of(tmp_path / "a.csv") == pytest.approx(23 - 41j)
    (tmp_path / "b.csv").write_bytes(b"\xef\xbb\xbff (MHz),R,X\r\n7.05,23,-41\r\n")
    assert impedance_of(tmp_path / "b.csv") == pytest.approx(23 - 41j)


# ---- Touchstone ------------------------------------------------------------------------------


def as_format(values: np.ndarray, kind: str) -> list[str]:
    if kind == "RI":
        return [f"{v.real!r} {v.imag!r}" for v in values.tolist()]
    degrees = np.degrees(np.angle(values))
    sizes = np.abs(values) if kind == "MA" else 20 * np.log10(np.abs(values))
    return [f"{s!r} {d!r}" for s, d in zip(sizes.tolist(), degrees.tolist(), strict=True)]


@pytest.mark.parametrize("kind", ["RI", "MA", "DB"])
@pytest.mark.parametrize("parameter", ["S", "Z", "Y"])
@pytest.mark.parametrize("version", [1, 2])
def test_touchstone_in_all_its_forms(tmp_path: Path, kind: str, parameter: str, version: int):
    ohms = 75.0
    scale = ohms if version == 1 else 1.0  # version 1 has Z/R and Y R (from memory)
    values = {"S": (Z - ohms) / (Z + ohms), "Z": Z / scale, "Y": scale / Z}[parameter]
    rows = [f"{f / 1e3!r} {v}" for f, v in zip(F.tolist(), as_format(values, kind), strict=True)]
    if version == 1:
        head = ["! Gamma of an attic wire, port impedance 3", f"# kHz {parameter} {kind} R {ohms}"]
        path = table(tmp_path, "\n".join([*head, *rows, ""]), "a.s1p")
    else:
        head = [
            "[Version] 2.0", f"# kHz {parameter} {kind} R 50", "[Number of Ports] 1",
            f"[Number of Frequencies] {F.size}", "[Reference]", f"{ohms}", "[Network Data]",
        ]  # fmt: skip
        path = table(tmp_path, "\n".join([*head, *rows, "[End]", ""]), "a.ts")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read = read_readings(path)
    assert read.reference == 50.0
    assert read.frequencies == pytest.approx(F, rel=ROUNDING)
    assert read.impedance == pytest.approx(Z, rel=1e-10)
    assert read.reflection == pytest.approx((Z - 50) / (Z + 50), rel=1e-10)


def test_the_example_of_the_standard():
    # one-port Z of the Touchstone text, versions 1.1 (Z/R) and 2.0 (ohms); from memory
    one = read_readings("# MHz Z MA R 75\n100 0.99 -4\n200 0.80 -22\n300 0.707 -45\n")
    two = read_readings(
        "[Version] 2.0\n# MHz Z MA\n[Number of Ports] 1\n[Number of Frequencies] 3\n"
        "[Reference] 20.0\n[Network Data]\n100 74.25 -4\n200 60 -22\n300 53.025 -45\n[End]\n"
    )
    assert one.impedance == pytest.approx(two.impedance, rel=1e-10)
    assert np.abs(two.impedance) == pytest.approx([74.25, 60, 53.025], rel=1e-10)


def test_touchstone_round_trip_and_another_reference(tmp_path: Path):
    s = ((Z - 75) / (Z + 75))[:, None, None]
    path = write_touchstone(tmp_path / "feed", F, s.astype(complex), reference=75.0)
    read = read_readings(path, reference=200.0)
    assert read.impedance == pytest.approx(Z, rel=1e-10)  # printed: 12 digits
    # an outside reference for the turn from one reference to another
    network = skrf.Network(str(path))
    network.renormalize(np.array(200.0))
    assert read.reflection == pytest.approx(network.s[:, 0, 0], rel=1e-9)
    # noise shrinks or grows with the slope, here by central differences along the radius
    step = 1e-6
    for k in range(3):
        g = s[k, 0, 0]
        moved = [
            abs((q - 200) / (q + 200))
            for q in (75 * (1 + e * g) / (1 - e * g) for e in (1 - step, 1 + step))
        ]
        along = (moved[1] - moved[0]) / (2 * step * abs(g)) * 0.01
        assert read.magnitude_sd[k] > 0.99 * abs(along)


def test_missing_scikit_rf_says_how_to_get_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setitem(sys.modules, "skrf.io.touchstone", None)
    path = table(tmp_path, "# MHz S RI R 50\n7.05 0.1 0.2\n", "a.s1p")
    with pytest.raises(ImportError, match="pip install 'scikit-rf"):
        read_readings(path)


# ---- what readings do ------------------------------------------------------------------------


def test_within_and_the_range_asked_for():
    text = "0.05, 23, -41\n"  # not MHz, not Hz: refused; with units it is out of range
    with pytest.raises(ReadingError, match="no unit"):
        read_readings(text)
    wide = "50 kHz 5 -900j\n7.05 MHz 23 -41j\n14.1 MHz 40 + 3j\n".replace("5 -900j", "5 - 900j")
    read = read_readings(wide, within="1.8-30 MHz")
    assert read.frequencies == pytest.approx([7.05e6, 14.1e6])
    assert any("1 of 3 points" in note for note in read.notes)
    assert read.within(14e6, 15e6).impedance == pytest.approx([40 + 3j])
    with pytest.raises(ReadingError, match="no reading lies from 20 to 21 MHz"):
        read.within(20e6, 21e6)
    assert read_readings(read, within=(7e6, 8e6)).frequencies.size == 1


def test_joined_readings():
    one = read_readings("7.05 MHz 23 -41j".replace(" -41j", "-41j"), line="3 m of RG-58")
    other = read_readings("14.1 MHz SWR 2\n7.1 MHz 25-30j")
    both = one.joined(other)
    assert both.frequencies == pytest.approx([7.05e6, 7.1e6, 14.1e6])
    assert both.has_phase.tolist() == [True, True, False]
    assert both.magnitude_sd[0] == one.magnitude_sd[0] > 0.01
    assert both.taken_at == "the end of 3 m of RG-58 and feed point"
    assert other.joined(other).frequencies.size == 2
    with pytest.raises(ReadingError, match=r"7\.1 MHz stands in .* they differ"):
        other.joined(read_readings("7.1 MHz 25-31j"))
    with pytest.raises(ReadingError, match=r"renormalised\(50\)"):
        other.joined(read_readings("21 MHz 5-3j", reference=75))


def test_renormalised_readings():
    read = Readings.of(F, Z).renormalised(300)
    assert read.impedance == pytest.approx(Z, rel=1e-10)
    assert read.reference == 300.0
    assert read_readings(read) is read
    assert read_readings(read, reference=50).reflection == pytest.approx((Z - 50) / (Z + 50))
    with pytest.raises(ReadingError, match="SWR alone"):
        read_readings("7.05 MHz SWR 2").renormalised(75)


def test_the_same_point_twice_is_taken_once():
    read = read_readings("7.05 MHz SWR 2\n7.05 MHz SWR 2\n7.05 MHz SWR 2\n7.1 MHz SWR 3")
    assert read.swr == pytest.approx([2, 3])
    assert any("2 points stand there twice" in note for note in read.notes)


def test_a_reflection_above_one_within_noise_is_kept_and_noted():
    read = read_readings("7.05 MHz S11 0.6+0.81j\n7.1 MHz 5-20j")
    assert read.magnitude[0] == pytest.approx(abs(0.6 + 0.81j), rel=ROUNDING)  # 1.008
    assert read.magnitude[0] > 1.0
    assert read.swr[0] == np.inf
    assert any("above 1 as read at 1 of 2 points, up to 1 + 0.008" in n for n in read.notes)
    assert not read_readings("7.05 MHz 0+500j").notes  # all is reflected, to rounding
    assert not read_readings("7.05 MHz S11 0.59+0.8j").notes
    with pytest.raises(ReadingError, match=r"reflection\| is 1\.04"):
        read_readings("7.05 MHz S11 0.624+0.832j")
    assert read_readings("7.05 MHz S11 0.624+0.832j", magnitude_sd=0.02).magnitude[0] > 1.03


def test_how_readings_show_themselves():
    read = read_readings("7.05 MHz 23 - 41j\n14.1 MHz SWR 2.4")
    assert repr(read) == (
        "<Readings: 2 readings from 7.05 to 14.1 MHz at the feed point, typed in, 1 of SWR alone>"
    )
    page = read._repr_html_()
    assert "<td>23.0</td><td>-41.0</td><td>3.83</td>" in page
    assert "<td>not read</td>" in page
    assert "typed in" in page
    long = Readings.of(7e6 + 1e3 * np.arange(25), np.full(25, 30 + 1j))._repr_html_()
    assert long.count("<tr>") == 21
    assert "and 5 more" in long
    frame = read.to_dataframe()
    assert frame["resistance"][0] == pytest.approx(23)
    assert np.isnan(frame["reactance"][1])
    assert frame["swr"].tolist() == pytest.approx([read.swr[0], 2.4])


def test_many_points_are_read_in_a_second(tmp_path: Path):
    f = np.linspace(2e6, 30e6, 20_000)
    rows = "\n".join(f"{x:.0f};{20 + n % 7};{n % 11 - 5}" for n, x in enumerate(f))
    read = read_readings(table(tmp_path, f"freq (Hz);R;X\n{rows}\n"))
    assert read.frequencies.size == 20_000
    assert read.impedance[12_345] == pytest.approx(20 + 12_345 % 7 + 1j * (12_345 % 11 - 5))
