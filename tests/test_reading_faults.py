"""Readings that cannot be: each is refused with its place, the value, the rule and the cure."""

from pathlib import Path

import numpy as np
import pytest

from ridgepole.solver import BandError
from ridgepole.solver.errors import ReadingError
from ridgepole.solver.study.readings import Readings, read_readings
from ridgepole.solver.study.readings.points import MOST_POINTS

TYPED = [
    # text, what the message says of place and value, and of rule or cure
    ("", "text of readings is empty", "one a line"),
    ("\n\n", "text of readings is empty", "7.05 MHz"),
    ("# nothing\n! at all", "no reading in it", "7.05 MHz 23 - 41j"),
    ("7.05 MHz", "line 1 ('7.05 MHz')", "nothing follows"),
    ("7,05 MHz 23 - 41j", "line 1 ('7,05 MHz", "not guessed"),
    ("7.05 MHz 23,5 -41,2", "'7.05 MHz 23,5 -41,2'", "decimal points"),
    ("7.05 MHz 23,41", "line 1", "semicolons"),
    ("7,1 -41", "line 1", "decimal comma"),
    ("7,05,23,-41", "line 1", "not guessed"),
    ("7.05 MHz SWR 2,4", "line 1", "decimal points"),
    ("7.05 MHz 23 - 41", "'23 - 41' does not parse", "needs a j"),
    ("7.05 MHz 47", "'47' does not parse", "R, |Z| or SWR"),
    ("7.05 MHz 23 -41 12", "does not parse", "R 23 X -41"),
    ("7.05 Mhzz 23 -41", "'Mhzz' is no quantity or unit", "7.05 MHz"),
    ("7.05 miles 23 -41", "'miles' is no quantity or unit", "7.05 MHz"),
    ("7.05 MHz R 23 mohm X -41", "'mohm X' is no quantity or unit", "R 23 X -41"),
    ("7.05 MHz R 23 deg X -41", "unit 'deg' of R does not parse", "ohm"),
    ("7.05 MHz R 23", "R alone", "sign of the reactance"),
    ("7.05 MHz |Z| 47", "|Z| alone", "|Z| and phase"),
    ("7.05 MHz R 23 R 24 X 1", "R stands there twice", "leave one out"),
    ("7.05 MHz watts 23", "'watts' is no quantity", "SWR 2.4"),
    ("7.05 MHz S11 -8", "may be decibels or a size", "S11 (dB)"),
    ("7.05 MHz |Z| 47 |S11| 0.2 phase 3", "phase may be that of", "phase of Z"),
    ("7.05 MHz SWR 0.9", "SWR is 0.9", "at least 1"),
    ("7.05 MHz SWR -2", "SWR is -2", "at least 1"),
    ("7.05 MHz |Z| -47 phase 20", "|Z| is -47", "at least 0"),
    ("7.05 MHz |Z| 47 phase 2000", "2000 degrees", "deg or rad"),
    ("7.05 MHz nan 12", "'nan' is no quantity or unit", "7.05, 23, -41"),
    ("7.05 MHz SWR inf", "'SWR inf' does not parse", "SWR 2.4"),
    ("7.05 MHz 1e999 12", "R is inf", "finite"),
    ("7.05 MHz -23 12", "resistance -23 ohm, below 0", "Calibrate"),
    ("7.05 MHz -50 0", "-50", "negative"),
    ("7.05 MHz S11 1.2+0.5j", "|reflection| is 1.3", "at most all"),
    ("7.05 MHz S11 6 dB", "|reflection| is 2", "Calibrate the analyser"),
    ("7050 23 -41", "frequency 7050 has no unit", "7050 kHz"),
    ("0.7 23 -41", "frequency 0.7 has no unit", "1 to 60"),
    ("-7.05 MHz 23 -41", "frequency is -7.05e+06 Hz", "above 0"),
    ("0 MHz 23 -41", "frequency is 0 Hz", "above 0"),
    ("50 kHz 23 -41", "frequency is 0.05 MHz", "0.1 to 300 MHz"),
    ("433 MHz 23 -41", "frequency is 433 MHz", "within='1.8-30 MHz'"),
    ("7.05 MHz SWR 2\n7.1 MHz oops", "line 2 ('7.1 MHz oops')", "does not parse"),
    ("7.05 MHz SWR 2\n\n7.05 MHz SWR 3", "line 3", "stands there twice"),
    ("14 MHz 23 -41\n7.05 MHz 23-41j\n14 MHz 23 -42", "line 3 ('14 MHz 23 -42')", "line 1"),
    ("14 MHz 23 -41; 14.1 MHz oops", "reading 2 ('14.1 MHz oops')", "one a line, or with ';'"),
    ("14 MHz 23 -41; 14 MHz 25 -41", "reading 2", "in reading 1 ('14 MHz 23 -41')"),
    ("R 23 X -41 at 7.05 MHz\n7 MHz SWR 2", "line 1", "begins with its frequency"),
    ("f,R,X\n7.05,23,-41\n7.1,x,3", "line 3 ('7.1,x,3'): 'x' in column 'R'", "no number"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "place", "cure"), TYPED)
def test_text_that_cannot_be(text: str, place: str, cure: str):
    with pytest.raises(ReadingError) as caught:
        read_readings(text)
    assert place in str(caught.value)
    assert cure in str(caught.value)


FILES = [
    ("a.csv", "", "it is empty", "Export"),
    ("a.csv", "   \n\n", "it is empty", "Export"),
    ("a.csv", "# only a comment\n", "no reading in it", "Write"),
    ("a.csv", "f (MHz),R,X\n", "no reading follows the header", "Export"),
    ("a.csv", "f (MHz)\n7.05\n", "line 1 ('f (MHz)')", "no quantity"),
    ("a.csv", "7.05\n7.1\n", "line 1 ('7.05')", "nothing follows"),
    ("a.csv", "7.05,2.4\n7.1,2.2\n", "line 1 ('7.05,2.4')", "need a header, as 'freq (MHz),SWR'"),
    ("a.csv", "7.05,23,-41,9\n", "line 1", "need a header"),
    ("a.csv", "# SWR,other,T\n7.05,23,-41\n", "none of 'SWR', 'other', 'T'", "freq (MHz)"),
    ("a.csv", "R,X\n23,-41\n", "none of 'R', 'X' is a frequency", "freq (MHz)"),
    ("a.csv", "Made by a program\nf,R,X\n7.05,23,-41\n", "line 1", "Put # before"),
    ("a.csv", "f,R,R,X\n7.05,23,23,-41\n", "R is the name of two columns", "Rename"),
    ("a.csv", "f (furlong),R,X\n7.05,23,-41\n", "unit 'furlong' of frequency", "khz"),
    ("a.csv", "f (MHz),R (mohm),X\n7.05,23,-41\n", "unit 'mohm' of R", "kohm"),
    ("a.csv", "f,|Z|\n7.05,47\n", "line 1 ('f,|Z|')", "sign of the reactance"),
    ("a.csv", "f,|Z|,return loss,phase\n7.05,47,6,20\n", "phase may be that of", "phase of Z"),
    ("a.csv", "f,R,X\n7.05,23\n", "line 2 ('7.05,23'): it has 2 columns", "as many"),
    ("a.csv", "f,R,X\n7,05,23,5,-41,2\n", "it has 6 columns", "semicolons"),
    ("a.csv", 'f,R,X\n"7,05",23,-41\n', "'7,05' in column 'f'", "decimal point"),
    ("a.csv", "f;R;X\n1.007,05;23;-41\n", "'1.007,05' in column 'f'", "decimal point"),
    ("a.csv", "f,R,X\n7.05,,-41\n", "'' in column 'R'", "Leave the line out"),
    ("a.csv", "f,R,X\n7.05,nan,-41\n", "'nan' in column 'R'", "no number"),
    ("a.csv", "f,R,X\n7.05,23,-41\n7050,23,-41\n", "line 3 ('7050,23,-41')", "no unit"),
    ("a.csv", "f (MHz),R,X\n7050000,23,-41\n", "frequency is 7.05e+06 MHz", "Check its unit"),
    ("a.csv", "f,RL,phase\n7.05,6,1\n7.1,-6,2\n", "line 3 ('7.1,-6,2')", "one sign"),
    ("a.csv", "f,SWR\n7.05,2\n7.1,0.5\n", "line 3 ('7.1,0.5'): SWR is 0.5", "at least 1"),
    ("a.csv", "f,S11 dB,phase\n7.05,3,20\n", "|reflection| is 1.41", "units"),
    ("a.csv", "f,R,X\n7.05,23+4j,-41\n", "R is 23+4j", "real number"),
    ("a.csv", "f,R,X\n7.05,23,-41\n7.05,24,-41\n", "line 3", "stands there twice"),
    ("a.txt", "not,a,table\nat,all,\n", "line 1", "none of"),
    ("a.s1p", "# MHz S RI R 50\n", "no reading in it", "Export"),
    ("a.s1p", "7.05 0.1 0.2\n", "line 1 ('7.05 0.1 0.2')", "# MHz S RI R 50"),
    ("a.s1p", "# MHz S RI R 50\n7.05 0.1\n", "line 2 ('7.05 0.1'): it has 2 numbers", "three"),
    ("a.s1p", "# MHz S RI R 50\n7.05 0.1 0 0 0 0 0 0 0\n", "it has 9 numbers", "antenna has one"),
    ("a.s2p", "# MHz S RI R 50\n7.05 0.1 0 0 0 0 0 0 0\n", "its name says 2 ports", ".s1p"),
    ("a.ts", "[Version] 2.0\n# MHz S RI\n[Number of Ports] 2\n", "line 3", "An antenna has one"),
    ("a.ts", "[Version] two\n", "version is 'two'", "2.0"),
    ("a.s1p", "# MHz S RI R 50\n7.05 x 0\n", "'x' is no number", "Export"),
    ("a.s1p", "# MHz S RI R 50\n7,05 0,1 0\n", "'7,05' is no number", "decimal points"),
    ("a.s1p", "# MHz S RI R 50\n7.05 nan 0\n", "'nan' is not finite", "Leave the point out"),
    ("a.s1p", "# MHz S RI R 0\n7.05 0.1 0\n", "reference is '0'", "above 0"),
    ("a.s1p", "# MHz S RI R -50\n7.05 0.1 0\n", "reference is '-50'", "above 0"),
    ("a.s1p", "# MHz S RI R 50 75\n7.05 0.1 0\n", "more than one number", "one real"),
    ("a.s1p", "# THz S RI R 50\n7.05 0.1 0\n", "'thz' in the option line", "mhz"),
    ("a.s1p", "# MHz H RI R 50\n7.05 0.1 0\n", "'h' in the option line", "S, Y or Z"),
    ("a.s1p", "# MHz Z RI R 50\n7.05 -1 0\n", "minus the reference", "Calibrate"),
    ("a.s1p", "# MHz S RI R 50\n7.05 0.9 0.9\n", "line 2 ('7.05 0.9 0.9')", "at most all"),
    ("a.s1p", "# S RI R 50\n7.05 0.1 0\n", "frequency is 7050 MHz", "Check its unit"),
    ("a.ts", "[Version] 2.0\n# MHz S RI\n[Number of Ports] 1\n[Begin Information]\nfree text\n"
     "[End Information]\n[Number of Frequencies] 1\n[Network Data]\n7.05 .1 0\n",
     "cannot be read as a Touchstone file", "Export it anew"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "text", "place", "cure"), FILES)
def test_files_that_cannot_be(tmp_path: Path, name: str, text: str, place: str, cure: str):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ReadingError) as caught:
        read_readings(str(path))
    said = str(caught.value)
    assert said.startswith(str(path))
    assert place in said
    assert cure in said


OBJECTS = [
    ([], "no reading in it", "Give"),
    (3.5, "readings are float", "give text"),
    (b"7.05 MHz SWR 2", "readings are bytes", "give text"),
    ([3.5], "point 1 ('3.5')", "no reading"),
    ([(7.05e6,)], "has 1 values", "2 or 3"),
    ([(7.05e6, 1, 2, 3)], "has 4 values", "2 or 3"),
    ([(7.05e6, 23 - 41j), (7.1e6, None)], "point 2", "no number"),
    ([(7.05e6, "many ohms")], "point 1", "no number"),
    ([(7.05e6, complex(np.nan, 0))], "Z is nan", "finite"),
    ([(7.05e6, 23, np.inf)], "X is inf", "finite"),
    ([(np.nan, 23, 1)], "frequency nan", "no unit"),
    ([(7.05e6, True, 1)], "R is True", "no number"),
    ([(7.05e6 + 1j, 23)], "point 1", "real number"),
    ([("7,05 MHz", 23 - 4j)], "'7,05 MHz' is no frequency", "7.05 MHz"),
    ([{"R": 23, "X": 1}], "no frequency in it", "'frequency': 7.05e6"),
    ([{"f": 7.05e6, "Q": 23}], "'Q' is no quantity", "Give"),
    ([{"f": 7.05e6, "freq": 7.05e6, "SWR": 2}], "frequency stands there twice", "leave one"),
    ([{"f": 7.05e6, 1: 23}], "1 is no quantity", "Give"),
    ([{"f": 7.05e6, "SWR": 2 + 1j}], "SWR is 2+1j", "real number"),
]


@pytest.mark.parametrize(("given", "place", "cure"), OBJECTS)
def test_objects_that_cannot_be(given: object, place: str, cure: str):
    with pytest.raises(ReadingError) as caught:
        read_readings(given)  # type: ignore[arg-type]
    assert place in str(caught.value)
    assert cure in str(caught.value)


def test_the_table_of_faults_is_long():
    assert len(TYPED) + len(FILES) + len(OBJECTS) > 100


# ---- files that are none ---------------------------------------------------------------------


@pytest.mark.parametrize("name", ["attic.csv", "nowhere/attic.s1p", "readings", "a b/attic"])
def test_a_file_that_is_not_there(tmp_path: Path, name: str):
    for given in (tmp_path / name, str(tmp_path / name)):
        with pytest.raises(ReadingError, match=r"there is no such file\. Check the path"):
            read_readings(given)


def test_a_directory_and_a_picture(tmp_path: Path):
    with pytest.raises(ReadingError, match="it is a directory"):
        read_readings(tmp_path)
    picture = tmp_path / "sweep.csv"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR")
    with pytest.raises(ReadingError, match=r"it is no text .* spreadsheet"):
        read_readings(picture)
    picture.write_bytes("f,R,X\n7.05,23,-41\n".encode("utf-16"))
    with pytest.raises(ReadingError, match="UTF-8"):
        read_readings(picture)


def test_too_many_points(tmp_path: Path):
    path = tmp_path / "a.csv"
    path.write_text("f,R,X\n" + "7.05,23,-41\n" * (MOST_POINTS + 1), encoding="utf-8")
    with pytest.raises(ReadingError, match="100001 points, more than 100000"):
        read_readings(path)
    path.write_text("7.05,23,-41\n" * (MOST_POINTS + 1), encoding="utf-8")
    with pytest.raises(ReadingError, match="100001 points"):
        read_readings(path)
    touchstone = tmp_path / "a.s1p"
    touchstone.write_text("# MHz S RI R 50\n" + "7 .1 .2\n" * (MOST_POINTS + 1), encoding="utf-8")
    with pytest.raises(ReadingError, match="100001 points"):
        read_readings(touchstone)


def test_a_huge_file_is_not_read(tmp_path: Path):
    path = tmp_path / "a.csv"
    with path.open("wb") as file:
        file.truncate(60_000_000)  # sparse
    with pytest.raises(ReadingError, match="it has 60 MB, more than 50 MB"):
        read_readings(path)


# ---- what is asked ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"reference": 0}, "reference is 0; it must be ohms above 0"),
        ({"reference": np.nan}, "ohms above 0"),
        ({"reference": "50"}, "ohms above 0"),
        ({"reference": True}, "ohms above 0"),
        ({"magnitude_sd": 0}, "magnitude_sd is 0; it is one number above 0"),
        ({"magnitude_sd": "small"}, "one number above 0"),
        ({"phase_sd_deg": -1}, "phase_sd_deg is -1"),
        ({"phase_sd_deg": [1, 2]}, "one number above 0"),
        ({"within": (14e6, 15e6)}, "none of 1 points lies within 14-15 MHz"),
    ],
)
def test_what_cannot_be_asked(asked: dict[str, object], words: str):
    with pytest.raises(ReadingError, match=words):
        read_readings("7.05 MHz 23 - 41j", **asked)  # type: ignore[arg-type]


def test_a_range_that_is_none():
    with pytest.raises(BandError):
        read_readings("7.05 MHz 23 - 41j", within="39 m")


@pytest.mark.parametrize(
    ("frequencies", "impedance", "asked", "words"),
    [
        ([7e6, 7e6], [1, 2], {}, "rise, each once"),
        ([7.1e6, 7e6], [1, 2], {}, "rise"),
        ([np.nan], [1], {}, "finite"),
        ([7e6], [1, 2], {}, "equal length"),
        ([], [], {}, "at least one point"),
        ([7e6], [np.inf], {}, "must be finite"),
        ([7e6], [-50], {}, "resistance of at least 0"),
        ([7e6], [23], {"magnitude_sd": 0.0}, "no analyser is exact"),
        ([7e6], [23], {"phase_sd_deg": np.nan}, "no analyser is exact"),
        ([7e6], [23], {"magnitude_sd": [0.1, 0.1]}, "equal length"),
    ],
)
def test_records_that_cannot_be(frequencies: list[float], impedance: list[complex],
                                asked: dict[str, object], words: str):  # fmt: skip
    with pytest.raises(ReadingError, match=words):
        Readings.of(frequencies, impedance, **asked)  # type: ignore[arg-type]


def test_a_magnitude_that_is_another():
    with pytest.raises(ReadingError, match="magnitude is not the size"):
        Readings(np.array([7e6]), np.array([0.3 + 0.4j]), np.array([0.4]))
