"""The attic file: what it may say, what it assumes, and what each mistake is told."""

import dataclasses
from importlib.resources import files
from typing import Any

import numpy as np
import pytest

from ridgepole.geometry import AtticFileError, GeometryError, load_attic_file, read_attic_text
from ridgepole.geometry.file_tables import FileTable
from ridgepole.materials import Earth

SMALLEST = """\
[attic]
size = ["9.1 m", "7.2 m"]
ceiling_height = "4.9 m"
ridge_height = "8.0 m"
[antenna]
feed_point = ["2.1 m", "2.7 m"]
[[element]]
name = "long"
route = [["2.1 m", "3.3 m", "2.5 m"], ["8.3 m", "3.3 m", "2.6 m"], ["8.3 m", "1.4 m", "0.7 m"]]
length = "32 ft 6 in"
[counterpoise]
radials = 10
length = "3.9 m"
"""

FULL = (
    SMALLEST
    + """
[[wire]]
name = "downpipe"
points = [[-0.2, 2.7, 0.3], [-0.2, 2.7, 6.0]]
heights_from = "ground"
outside = true
radius = "4 cm"
conductor = "galvanised steel"

[[loop]]
name = "ring"
points = [[4, 5, 0.3], [6, 5, 0.3], [6, 6, 0.3], [4, 6, 0.3]]
opening_at = "1 m"
open = true

[[dipole]]
name = "stick"
centre = [6.5, 3.9, 1.9]
length = "3 m"
bearing = 90

[[feed]]
wire = "ring"
at = "middle"
name = "ring feed"
termination = 50

[earth]
permittivity = 7
conductivity = 0.002

[bands]
wanted = ["40 m"]

[[goal]]
name = "below"
"""
)
OTHERS = ("bands", "goal")


def read(text=FULL, **options) -> Any:
    return read_attic_text(text, name="house.toml", other_tables=OTHERS, **options)


def test_smallest_file_has_at_most_twenty_lines_and_every_default_is_said():
    assert len(SMALLEST.splitlines()) <= 20
    plan = read(SMALLEST)
    assert len(plan.scene().wires) == 11
    said = [a.what for a in plan.assumptions]
    assert said[0] == "earth"
    assert set(said) == {
        "earth", "ridge_bearing", "wire of the antenna", "eaves_height", "height of the radials",
        "height of the feed point", "margin", "spacing", "start_bearing", "house",
    }  # fmt: skip
    weights = [a.weight for a in plan.assumptions]
    assert weights == sorted(weights, reverse=True)
    assert "assumed earth: medium dry ground" in repr(plan)


def test_what_is_told_is_not_assumed():
    told = SMALLEST.replace(
        "[antenna]", 'eaves_height = "5.2 m"\nridge_bearing = 12\n[antenna]\nwire = "14 AWG copper"'
    ).replace('"2.7 m"]', '"2.7 m", "0 m"]') + (
        'height = "0 m"\nstart_bearing = 3\nmargin = 0.1\nspacing = 0.06\n[earth]\nperfect = true\n'
        '[house]\nwithout = "everything"\n'
    )
    plan = read(told)
    assert plan.assumptions == ()
    assert plan.earth == Earth.perfect()


def test_shipped_example_is_a_lopsided_full_antenna():
    path = files("ridgepole.geometry") / "examples" / "gable-house.toml"
    plan: Any = read_attic_text(
        path.read_text("utf-8"), other_tables=("bands", "line", "tuner", "station", "sweep")
    )
    assert len(plan.antenna.elements) >= 3
    assert all(len(e.path(plan.antenna.hub)) >= 4 for e in plan.antenna.elements)  # two bends
    radials = plan.antenna.wires()[len(plan.antenna.elements) :]
    assert 12 <= len(radials) <= 16
    assert sum(len(w.vertices) > 2 for w in radials) >= 6
    assert plan.assumptions == ()
    allowed = ("cores count as one conductor", "pass through sheets")
    assert all(any(words in doubt for words in allowed) for doubt in plan.doubts())
    kinds = {piece.kind for piece in plan.house}
    assert kinds == {"timber", "sheet", "duct", "cable", "downpipe"}
    assert {"joists", "rafters", "ridge board", "ceiling", "roof", "walls"} == set(
        plan.scene().groups
    )
    assert plan.scene().wire("light circuit").is_closed
    assert plan.for_solver["bands"]["wanted"][0] == "80 m"
    for wire in plan.wires:
        assert plan.attic.way_out(plan.attic.to_attic(wire.vertices)) is None


def test_all_tables_make_one_scene():
    plan = read()
    scene = plan.scene()
    assert [f.name for f in plan.feeds] == ["feed", "ring feed", "ring opening", "stick"]
    assert scene.feeds[1].termination == 50
    assert scene.feeds[1].at == pytest.approx(3.0)
    assert scene.feeds[2].termination == "open"
    assert scene.wire("downpipe").vertices[0, 2] == pytest.approx(0.3)
    assert scene.wire("ring").vertices[0, 2] == pytest.approx(5.2)
    stick = scene.wire("stick")  # bearing 90 is +x: the ridge is assumed to bear 90
    assert stick.vertices[1] - stick.vertices[0] == pytest.approx([3, 0, 0])
    assert scene.earth == Earth(7.0, 0.002)


TWO_DIPOLES = """\
[attic]
size = [9.1, 7.2]
ceiling_height = 4.9
ridge_height = 8.0
[[dipole]]
name = "east"
centre = [4.5, 3.9, 1.9]
length = 3
bearing = 90
[[dipole]]
name = "north"
centre = [6.9, 3.1, 0.7]
length = 2
bearing = 10
"""


def test_two_driven_feeds_are_told():
    plan = read(TWO_DIPOLES)
    assert [f.name for f in plan.feeds if f.is_driven] == ["east", "north"]
    assert plan.assumptions[0].what == "feeds"
    assert "all 2 feeds driven with equal voltage, in phase" in str(plan.assumptions[0])
    assert "that of the first, 'east'" in str(plan.assumptions[0])
    assert "2 feeds are driven at once: 'east', 'north'." in plan.doubts()[0]
    assert "fed = false" in plan.doubts()[0]
    assert "termination" in plan.doubts()[0]


@pytest.mark.parametrize(
    "extra",
    ["fed = false\n", 'fed = false\n[[feed]]\nwire = "north"\nat = "middle"\ntermination = 50\n'],
)
def test_one_driven_feed_is_no_doubt(extra):
    plan = read(TWO_DIPOLES + extra)
    assert "feeds" not in [a.what for a in plan.assumptions]
    assert not any("driven" in doubt for doubt in plan.doubts())


def test_feeds_with_voltages_of_their_own_are_a_doubt_but_not_assumed_equal():
    feed = 'fed = false\n[[feed]]\nwire = "north"\nat = "middle"\nvoltage = -0.5\nname = "n"\n'
    plan = read(TWO_DIPOLES + feed)
    assert "feeds" not in [a.what for a in plan.assumptions]
    assert "'n' on 'north', 'east'" in plan.doubts()[0]


@pytest.mark.parametrize(
    ("told", "conductivity"),
    [
        ('"5 mS/m"', 0.005),
        ('"0.005 S/m"', 0.005),
        ('" 2.5ms/m "', 0.0025),
        ('"30 uS/cm"', 0.003),
        ('"70 µS / m"', 70e-6),
        ('".3 dS/m"', 0.03),
        ('"1e-3 S/m"', 0.001),
        ("0.004", 0.004),
    ],
)
def test_conductivity_with_a_unit(told, conductivity):
    plan = read(SMALLEST + f"[earth]\npermittivity = 13\nconductivity = {told}\n")
    assert plan.earth.conductivity == pytest.approx(conductivity, rel=1e-12)  # rounding
    assert not any("conducts" in doubt for doubt in plan.doubts())


@pytest.mark.parametrize(
    "told", ['"5"', '"5 MS/m"', '"-5 mS/m"', '"much"', '"200 S/m"', "200", "true"]
)
def test_what_is_no_conductivity_is_refused_with_its_line(told):
    with pytest.raises(AtticFileError, match=r"line 16: .*conductivity.*S/m"):
        read(SMALLEST + f"[earth]\npermittivity = 13\nconductivity = {told}\n")


def test_soil_that_conducts_like_the_sea_is_doubted():
    plan = read(SMALLEST + "[earth]\npermittivity = 13\nconductivity = 5\n")
    doubt = next(d for d in plan.doubts() if "conducts" in d)
    assert "5 S/m with permittivity 13" in doubt
    assert 'did you mean "5 mS/m"' in doubt
    for earth in (Earth.named("sea water"), Earth(81.0, 4.0), Earth(13.0, 0.2), Earth.perfect()):
        assert not any("conducts" in d for d in plan.with_earth(earth).doubts())
    assert any("conducts" in d for d in plan.with_earth(Earth(60.0, 0.21)).doubts())


def test_bonded_wire_leaves_the_other_wires():
    plan = read(FULL.replace("radials = 10", 'radials = 4\nbonded = [{wire = "downpipe", at = 4}]'))
    assert plan.scene().wire("bond to downpipe").outside
    assert [w.name for w in plan.other_wires] == ["ring", "stick"]
    assert plan.scene().wire("downpipe").marks == (4.0,)


def test_solver_tables_are_handed_on_with_positions():
    plan = read()
    assert plan.for_solver == {"bands": {"wanted": ["40 m"]}, "goal": [{"name": "below"}]}
    lines = FULL.splitlines()
    assert lines[plan.position("bands", "wanted") - 1].startswith("wanted")
    assert lines[plan.position(("goal", 0), "name") - 1] == 'name = "below"'
    assert plan.position("bands", "nothing") is None
    table = plan.file.table("bands")
    assert isinstance(table, FileTable)
    with pytest.raises(AtticFileError, match=r"house.toml, line \d+: \[bands\], wanted = .*known"):
        table.finish()


# (text to replace, what instead, start of the offending line, words)
FAULTS = [
    ('size = ["9.1', 'sise = ["9.1', "sise", r"\[attic\], sise = .*not known.*Is 'size' meant"),
    ("[antenna]\n", "[antena]\n", "[antena]", "'antena' is not known. Is 'antenna' meant"),
    ("[bands]", "[band]", "[band]", "'band' is not known. Is 'bands' meant"),
    ('"8.0 m"', '"4.0 m"', "ridge_height",
     r"\[attic\], ridge_height = '4.0 m': .*ridge_height 4 m is not above"),
    ('"8.0 m"', '"8.0 m"\neaves_height = "9 m"', "eaves_height",
     r"\[attic\], eaves_height = '9 m': .*eaves come out 9.00 m"),
    ("radials = 10", "radials = 0", "radials", r"\[counterpoise\], radials = 0: .*no radials"),
    ("radials = 10", "radials = 10\nheight = '5 m'", "height",
     r"\[counterpoise\], height = '5 m': "),
    ("radials = 10", f"radials = 1{'0' * 400}", "radials", "whole number, 0 to 128"),
    ('"32 ft 6 in"', "9" * 400, "length",
     r"\[\[element\]\] 'long', length = 9+\.\.\.: .*too large"),
    ('"8.0 m"', '"8,0 m"', "ridge_height", "decimal comma"),
    ('"8.0 m"', '"800 m"', "ridge_height", r"ridge_height = '800 m': must be .* 0.1 to 120 m"),
    ('"8.0 m"', "true", "ridge_height", "must be a length"),
    ("radials = 10", "radials = 10.5", "radials", "whole number, 0 to 128"),
    ("radials = 10", "radials = 500", "radials", "whole number, 0 to 128"),
    ("radials = 10", "radials = 60\nstart_bearing = 0", "length",
     r"\[counterpoise\], length = '.*': .*no way was found for radial"),
    ("radials = 10", "radials = [{bearing = 3, len = 2}]", "radials", "len = 2.*not known"),
    ("radials = 10", 'bonded = ["gutter"]', "bonded", "no .*'gutter'.*'downpipe'"),
    ('"32 ft 6 in"', '"42 ft 6 in"', "length", r"42 ft 6 in.*m are missing"),
    ('"32 ft 6 in"', '"-2 m"', "length", "0.05 to 500 m"),
    ('"2.6 m"]', '"3.6 m"]', "route",
     r"\[\[element\]\] 'long', route = .*'long' leaves the attic at .*above the underside"),
    ('"2.6 m"]', "2.6, 1]", "route", r"must be \[x, y, height\]"),
    ('"2.6 m"]', "nan]", "route", "not finite"),
    ('["2.1 m", "2.7 m"]', '["12.1 m", "2.7 m"]', "feed_point", "lies outside the attic"),
    ('name = "ring"', 'name = "long"', "name", "name is taken on line 23"),
    ('name = "ring"', "", "[[loop]]", "key name: is missing"),
    ("outside = true", "outside = false", "points", "'downpipe' leaves the attic"),
    ('"galvanised steel"', '"galvanized steal"', "conductor", "galvani.ed steel"),
    ('radius = "4 cm"', 'wire = "1.5 mm2 copper"', "conductor", "stands beside wire"),
    ("opening_at", "opened_at", "open = ", "no opening|opened_at"),
    ('at = "middle"', "at = 7", "at", "off wire 'ring', which is 6.000 m"),
    ('wire = "ring"', 'wire = "rung"', "wire", "no wire is called 'rung'"),
    ("termination = 50", "termination = -5", "termination", "0 to 1e.09 ohm"),
    ("permittivity = 7", "permittivity = 0.2", "permittivity", "1 to 100"),
    ("permittivity = 7", "perfect = true", "[earth]", "say one of"),
    ("permittivity = 7", "", "[earth]", "permittivity: is missing"),
    ("bearing = 90", "", "[[dipole]]", "bearing: is missing"),
]  # fmt: skip


@pytest.mark.parametrize("ends", ["\n", "\r\n"], ids=["lf", "crlf"])
@pytest.mark.parametrize(("old", "new", "line_start", "words"), FAULTS, ids=lambda v: v[:24])
def test_each_fault_is_told_with_its_own_line(old, new, line_start, words, ends):
    assert FULL.count(old) >= 1
    text = FULL.replace(old, new, 1)
    with pytest.raises(AtticFileError, match=words) as caught:
        read(text.replace("\n", ends)).scene()
    told = str(caught.value)
    assert told.startswith("house.toml, line ")
    number = int(told.removeprefix("house.toml, line ").split(":")[0])
    found = text.splitlines()[number - 1]
    assert found.startswith(line_start) or (new and new.splitlines()[0] in found), (told, found)


def test_a_bad_point_in_a_list_of_many_lines_is_told_with_its_own_line():
    text = SMALLEST + (
        '[[wire]]\nname = "stay"\nwire = "14 AWG copper"\npoints = [\n  [5, 2, 1.5],\n'
        '  [5, 3, "1.5"],\n  [5, 5, 1.5],\n]\n'
    )
    line = 1 + text[: text.index('[5, 3, "1.5"]')].count("\n")
    with pytest.raises(AtticFileError, match=rf"line {line}: .*'stay', item 2 of points = .*unit"):
        read(text)
    with pytest.raises(AtticFileError, match=rf"line {line}: .*item 2 of points = \[5, 3\]"):
        read(text.replace('[5, 3, "1.5"]', "[5, 3]"))
    size = SMALLEST.replace(SMALLEST.split("size = ")[1].split("\n")[0], "[-11, 7.7]", 1)
    line = 1 + size[: size.index("size = ")].count("\n")
    with pytest.raises(
        AtticFileError, match=rf"line {line}: \[attic\], size = \[-11, 7.7\]: .*0.5 to 200"
    ):
        read(size)


@pytest.mark.parametrize("depth", [300, 3000])
def test_lists_too_deep_are_told(depth: int):
    nested = "[" * depth + "]" * depth
    with pytest.raises(AtticFileError, match=r"^house.toml.*(too deep|points|not known)"):
        read(SMALLEST + f"[[wire]]\nname = 'x'\npoints = {nested}\n")


def test_a_number_of_thousands_of_digits_is_told():
    with pytest.raises(AtticFileError, match=r"^house.toml.*cannot be read"):
        read(SMALLEST + f"[[wire]]\nname = 'x'\nmarks = [{'7' * 5000}]\n")


def test_an_unsure_place_says_so_and_never_a_wrong_line():
    file = read().file
    lost = dataclasses.replace(file, places={})
    error = FileTable(lost, ("attic",), lost.document["attic"]).error("size", "is odd.")
    assert str(error).startswith("house.toml (line not known): [attic], size = ")


def test_crossing_wires_are_told_with_both_lines():
    text = SMALLEST + (
        '[[wire]]\nname = "stay"\npoints = [[5, 2, 1.5], [5, 5, 1.5]]\nwire = "1.5 mm2 copper"\n'
        '[[wire]]\nname = "rail"\npoints = [[4, 2.5, 1.5], [6, 2.5, 1.5]]\nwire = "14 AWG"\n'
    )
    with pytest.raises(AtticFileError, match=r"house.toml, lines 14 and 18: .*'stay'.*'rail'"):
        read(text).scene()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", r"\[attic\] is missing"),
        ("[attic\n", r"line 1: the file is no valid TOML"),
        ("x = 1\n", "line 1: key 'x' is not known"),
        ("attic = 3\n", "line 1: 'attic' is a value"),
        ("[[attic]]\nsize = [1, 2]\n", "must be one table"),
        (SMALLEST.split("[antenna]")[0], "nothing is fed"),
        (SMALLEST.split("[counterpoise]")[0], r"\[antenna\]: needs a \[counterpoise\]"),
        (
            SMALLEST.split("[antenna]")[0] + "[counterpoise]\nradials = 3\n",
            "needs a table .antenna",
        ),
    ],
)
def test_broken_files(text, words):
    with pytest.raises(AtticFileError, match=words):
        read(text)


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(AtticFileError, match="no such file"):
        load_attic_file(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes("[attic] # Höhe".encode("latin-1"))
    with pytest.raises(AtticFileError, match="byte 11 is no UTF-8"):
        load_attic_file(tmp_path / "latin.toml")
    with pytest.raises(AtticFileError, match="cannot be read"):
        load_attic_file(tmp_path)


def test_pruned_plan_saves_what_it_is(tmp_path):
    plan = read(FULL.replace('length = "32 ft 6 in"', 'length = "32 ft 6 in"  # to prune'))
    shorter = plan.pruned(long="-35 cm", radials="-0.2 m").with_earth(Earth.named("wet ground"))
    assert "# to prune" in shorter.text
    assert [line for line in shorter.text.splitlines() if line not in plan.text.splitlines()] == [
        'length = "376.220472441 in"  # to prune', 'length = "3.7 m"', 'ground = "wet ground"',
    ]  # fmt: skip
    shorter.save(tmp_path / "saved.toml")
    again = load_attic_file(tmp_path / "saved.toml", other_tables=OTHERS)
    assert len(again.wires) == len(shorter.wires)
    for a, b in zip(again.wires, shorter.wires, strict=True):
        assert a.name == b.name
        assert np.allclose(a.vertices, b.vertices, atol=2e-8)
    assert again.earth == shorter.earth
    assert plan.antenna.element("long").length == pytest.approx(32.5 * 0.3048)


def test_a_length_that_the_file_does_not_say_is_added_to_its_table():
    plan = read(SMALLEST.replace('length = "32 ft 6 in"\n', ""))
    shorter = plan.pruned(long=-0.5)
    assert shorter.scene().wire("long").length == pytest.approx(plan.wires[0].length - 0.5)
    again = read(shorter.text)
    assert again.wires[0].length == pytest.approx(shorter.wires[0].length, abs=1e-8)


def test_a_change_that_the_file_cannot_say_is_refused_only_when_it_is_written():
    plan = read(SMALLEST).with_earth(Earth.water(temperature_c=11.0))
    assert plan.scene().earth == Earth.water(temperature_c=11.0)
    with pytest.raises(AtticFileError, match="cannot say the earth"):
        _ = plan.text
    with pytest.raises(GeometryError, match="No element is called 'lnog'"):
        plan.pruned(lnog=1)


def test_told_routes_and_jackets_in_the_file():
    text = SMALLEST.replace(
        SMALLEST.splitlines()[8],
        'route = ["up to the ridge", "along the ridge 6 m", "down the right rafter 2.5 m"]',
    ).replace("[[element]]", 'wire = "14 AWG copper, PVC"\n[[element]]')
    plan = read(text)
    assert any("PVC 0.7 mm" in str(assumed) for assumed in plan.assumptions)
    assert plan.wires[0].vertices[1, 1] == pytest.approx(3.6)
    with pytest.raises(AtticFileError, match=r"line 10: .*Step 2.*'alang the ridge 6 m'"):
        read(text.replace('"along', '"alang'))


def test_a_feed_told_where_the_antenna_has_its_own():
    text = SMALLEST + '[feed]\nwire = ["long"]\nat = "start"\nname = "second"\n'
    with pytest.raises(
        AtticFileError, match=r"not independent.*\[feed\] there too is to be deleted"
    ):
        read_attic_text(text).scene()
