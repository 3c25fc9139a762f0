"""What is not known of an attic: defaults, what the file and callers change, values put in."""

from __future__ import annotations

import re

import numpy as np
import pytest
from small_attic import ATTIC, LONG, MEDIUM_DRY, ON_20_M, RADIALS, ROOM

from ridgepole.geometry import AtticFileError, metres
from ridgepole.geometry.attic_file import read_attic_text
from ridgepole.geometry.plan import AtticPlan
from ridgepole.materials import Earth
from ridgepole.solver import Distribution, Unknown, read_attic, unknowns_of
from ridgepole.solver.errors import PriorError
from ridgepole.solver.settings import TABLES
from ridgepole.solver.study.unknowns import apply, edits, sobol_scores, with_constants
from ridgepole.solver.views.command import main

JACKETED = LONG.replace("2.5 mm2 copper, bare", "1.5 mm2 copper, PVC 0.7 mm")

HOUSE = """
[house]
wood = "spruce"
moisture = "14 %"
[joists]
spacing = "900 mm"
section = "45 x 195 mm"
moisture = "10 %"
[ceiling]
material = "plasterboard"
[walls]
material = "brick"
base = "4.2 m"
[[downpipe]]
name = "downpipe"
points = [["8.9 m", "-0.2 m", "0.2 m"], ["8.9 m", "-0.2 m", "5.2 m"]]
heights_from = "ground"
size = "80 mm"
[[cable]]
name = "riser"
points = [["0.4 m", "5.8 m", "-3.4 m"], ["0.4 m", "5.8 m", "0.05 m"], ["3.4 m", "5.8 m", "0.05 m"]]
wire = "1.5 mm2 copper, PVC 0.7 mm"
"""

LAYERED = """[earth]
permittivity = 9
conductivity = "2 mS/m"
layers = [{thickness = "0.4 m", permittivity = 22, conductivity = 0.02}]
"""

FURNISHED = ROOM + LONG + RADIALS + MEDIUM_DRY + ON_20_M + HOUSE


def _plan(text: str) -> AtticPlan:
    return read_attic_text(text, name="a.toml", other_tables=TABLES)


def _told(*lines: str, base: str = ATTIC) -> AtticPlan:
    return _plan("\n".join([f"{base}[unknowns]", *lines, ""]))


@pytest.fixture(scope="module")
def example() -> AtticPlan:
    from importlib.resources import files

    return read_attic(str(files("ridgepole.geometry") / "examples" / "gable-house.toml"))


@pytest.fixture(scope="module")
def furnished() -> AtticPlan:
    return _plan(FURNISHED)


def _shape(plan: AtticPlan) -> dict[str, int]:
    return {wire.name: len(wire.vertices) for wire in plan.scene().wires}


# ---- defaults ----------------------------------------------------------------------------


def test_defaults_of_the_shipped_example(example: AtticPlan):
    found = unknowns_of(example)
    assert found.names == (
        "ground permittivity", "ground conductivity", "height above ground", "timber moisture",
        "wood permittivity", "wood loss", "length of long", "length of cross", "length of short",
        "feed lead", "house cables",
    )  # fmt: skip
    middles = {one.name: one.distribution.middle for one in found}
    # what the file and its ground of the catalogue say
    assert middles["ground permittivity"] == pytest.approx(15.0)
    assert middles["ground conductivity"] == pytest.approx(1e-3)
    assert middles["height above ground"] == pytest.approx(5.4)
    assert middles["timber moisture"] == pytest.approx(0.14)
    assert (middles["wood permittivity"], middles["wood loss"]) == pytest.approx((1.0, 1.0))
    assert middles["length of cross"] == 0.0
    assert middles["feed lead"] == pytest.approx(1e-7)  # 10 cm at 1 uH/m
    for one in found:
        assert re.fullmatch(r"[A-Z].{40,}\.", one.reason), one.name
        assert len(one.measure) > 20
        low, high = one.distribution.four_in_five
        assert low < one.distribution.middle < high
    assert len(set(found.names)) == len(found)


def test_the_list_shows_itself_as_a_table(example: AtticPlan):
    text = repr(unknowns_of(example))
    assert text.startswith("unknown")
    assert re.search(r"ground conductivity +1 mS/m +0.3333 mS/m to 3 mS/m +A name stands", text)
    assert re.search(r"length of long +0 % +-1 % to 1 % +The tape", text)
    assert max(map(len, text.split("\n"))) <= 102
    one = unknowns_of(example).named("feed lead")
    assert repr(one) == "<Unknown 'feed lead': 0.1 uH, 10-90 % 0.02 uH to 0.18 uH>"
    html = unknowns_of(example)._repr_html_()
    assert html.count("<tr>") == 12
    assert "Nothing is unknown" in repr(unknowns_of(example, {"defaults": False}))
    with pytest.raises(PriorError, match=r"'height'.*'height above ground'"):
        unknowns_of(example).named("height")


def test_a_jacket_widens_lengths_and_only_where_there_is_one():
    bare, jacketed = (
        unknowns_of(_plan(ROOM + part + RADIALS + MEDIUM_DRY)).named("length of long")
        for part in (LONG, JACKETED)
    )
    assert bare.distribution == Distribution.normal(0.0, 0.01)
    assert jacketed.distribution == Distribution.normal(0.0, 0.02)
    assert "jacket" in jacketed.reason
    assert "jacket" not in bare.reason


@pytest.mark.parametrize(
    ("earth", "names", "factor"),
    [
        ("", ("ground permittivity", "ground conductivity", "height above ground"), 4.0),
        (MEDIUM_DRY, ("ground permittivity", "ground conductivity", "height above ground"), 3.0),
        (
            "[earth]\npermittivity = 7\nconductivity = 0.002\n",
            ("ground permittivity", "ground conductivity", "height above ground"),
            2.0,
        ),
        (
            '[earth]\nground = "fresh water"\n',
            ("ground permittivity", "ground conductivity", "height above ground"),
            1.3,
        ),
        (
            "[earth]\npermittivity = 7\nconductivity = 0\n",
            ("ground permittivity", "height above ground"),
            None,
        ),
        (
            "[earth]\npermittivity = 1\nconductivity = 0.002\n",
            ("ground conductivity", "height above ground"),
            2.0,
        ),
        ("[earth]\nperfect = true\n", ("height above ground",), None),
        ("[earth]\nfree_space = true\n", (), None),
    ],
)
def test_defaults_of_the_ground_follow_from_what_is_told(
    earth: str, names: tuple[str, ...], factor: float | None
):
    found = unknowns_of(_plan(ROOM + LONG + RADIALS + earth))
    kept = [one for one in found if one.name.startswith(("ground", "height"))]
    assert tuple(one.name for one in kept) == names
    if factor is not None:
        assert found.named("ground conductivity").distribution.second == factor


def test_moisture_at_the_edge_of_what_is_known_becomes_a_range():
    found = unknowns_of(_plan(FURNISHED.replace('"14 %"', "0.28")))
    assert found.named("timber moisture").distribution == Distribution.between(0.25, 0.28)
    assert "timber moisture" not in unknowns_of(_plan(ATTIC)).names


def test_radials_are_unknown_where_their_bends_stay():
    straight = unknowns_of(_plan(ATTIC.replace('"3.4 m"', '"1.6 m"')))
    assert straight.named("length of the radials").distribution == Distribution.normal(1.6, 0.016)
    # it ends 1 cm after its bend at the wall
    bent = ATTIC.replace("radials = 3", "radials = 1").replace('"3.4 m"', '"2.01 m"')
    bent = bent.replace("start_bearing = 30", "start_bearing = 217")
    assert "length of the radials" not in unknowns_of(_plan(bent)).names


def test_houses_without_metal_have_no_unknown_cables():
    for without in ('["metal"]', '"everything"'):
        plan = _plan(f"{ATTIC}[house]\nwithout = {without}\n")
        assert "house cables" not in unknowns_of(plan).names
    most = [
        unknowns_of(_plan(t)).named("house cables").distribution.high for t in (ATTIC, FURNISHED)
    ]
    assert most[0] > most[1] > 2.9  # more where none is told


# ---- changed by the file and by callers --------------------------------------------------


def test_the_file_changes_removes_and_adds():
    plan = _told(
        '"earth.conductivity" = "4 mS/m, factor 2"',
        'earth.permittivity = "known"',
        '"length of long" = "+- 0.5 %"',
        '"feed lead" = "0 cm to 30 cm"',
        '"attic.ceiling_height" = "+- 10 cm"',
        '"counterpoise.height" = "1 cm to 5 cm"',
        "cables = 2",
        base=ATTIC.replace("radials = 3", "radials = 3\nheight = 0.02"),
    )
    found = unknowns_of(plan)
    assert "ground permittivity" not in found.names
    assert found.named("ground conductivity").distribution.first == pytest.approx(0.004)
    assert found.named("length of long").distribution == Distribution.normal(0.0, 0.005)
    assert found.named("feed lead").distribution.second == pytest.approx(3e-7)
    assert found.named("height above ground").distribution.second == pytest.approx(0.1)
    assert found.named("house cables").distribution == Distribution.between(0.0, 2.0)
    own = found.named("counterpoise.height")
    assert (own.kind, own.unit, own.distribution.second) == ("key", "m", 0.05)
    given = unknowns_of(
        plan,
        {
            "ground conductivity": Distribution.lognormal(0.01, 3.0),
            "feed lead": "known",
            "cables": 0,
            "long": (-0.01, 0.03),
        },
    )
    assert given.named("ground conductivity").distribution.first == 0.01
    assert given.named("length of long").distribution == Distribution.between(-0.01, 0.03)
    assert not {"feed lead", "house cables"} & set(given.names)


def test_defaults_false_begins_with_none():
    plan = _told("defaults = false", '"house.moisture" = "10 % to 18 %"', base=FURNISHED)
    (one,) = unknowns_of(plan)
    assert (one.key, one.distribution) == ("house.moisture", Distribution.between(0.10, 0.18))


@pytest.mark.parametrize(
    ("told", "wanted"),
    [
        ("+- 8.3 cm", Distribution.normal(0.0, 0.01)),
        ("8.3 m +- 1 %", Distribution.normal(0.0, 0.01)),
        ("8.383 m +- 0.083", Distribution.normal(0.01, 0.01)),
        ("8.217 m to 8.466 m", Distribution.between(-0.01, 0.02)),
        ("-1 % to 2 %", Distribution.between(-0.01, 0.02)),
        ("1 % +- 0.5 %", Distribution.normal(0.01, 0.005)),
        ("+- 2 %, at least -1 %", Distribution.normal(0.0, 0.02, least=-0.01)),
    ],
)
def test_lengths_are_told_in_metres_or_in_per_cent(told: str, wanted: Distribution):
    for name in ("long", "length of long", "element.long.length"):
        (found,) = unknowns_of(_plan(ATTIC), {"defaults": False, name: told})
        one = found.distribution
        assert (found.kind, found.key, one.shape) == ("length", "long", wanted.shape)
        assert (one.first, one.second) == pytest.approx((wanted.first, wanted.second), abs=1e-12)
        assert (one.least, one.most) == pytest.approx((wanted.least, wanted.most), abs=1e-12)


BAD = [
    ('"earth.conductivity" = "4 m, factor 2"', "it must be in S/m"),
    ('"earth.conductivity" = "factor 1"', "must be above 1"),
    ('"earth.permittivity" = "0.5 to 4"', "leaves what can be, 1 to 100"),
    ('"earth.ground" = "factor 2"', "no number"),
    ('"earth.free_space" = "+- 1"', "file says nothing there"),
    ('"earth.conductivty" = "1 mS/m to 2 mS/m"', "key is not known.*'conductivity'"),
    ('"house.moisture" = "+- 4 %"', "may mean points of per cent"),
    ('"house.moisture" = "2 % to 18 %"', "leaves what can be"),
    ('"house.moisture" = "0 %"', "tells no spread"),
    ('"house.moisture" = 0.14', "0.14 tells no spread"),
    ('"house.moisture" = ["10 %", "18 %"]', "tells no spread"),
    ('"house.moisture" = true', "True tells no spread"),
    ('"house.wood" = "+- 1"', "no number"),
    ('"house.temperature" = "+- 3"', "file says nothing there"),
    ('"counterpoise.radials" = "2 to 5"', "counts and names cannot be unknown"),
    ('"joists.spacing" = "+- 80 %"', "must be a length, 0.05 to 10 m"),
    ('"element.long.name" = "+- 1"', "names stay"),
    ('"element.lng.length" = "+- 1 %"', "no \\[\\[element\\]\\] is called 'lng'"),
    ('"element.long.route" = "+- 1 %"', "no number"),
    ('"length of lang" = "+- 1 %"', "Is 'length of long' meant"),
    ('"length of long" = "factor 1.1"', "no factor"),
    ('"length of long" = "4 m to 5 m"', "up to 30 % can be"),
    ('"length of long" = "+- 0 %"', "spread is 0"),
    ('"bands.region" = "1 to 3"', "does not change what a sweep computes"),
    ('"station.power" = "+- 10 %"', "does not change what a sweep computes"),
    ('moisture = "8 % to 14 %"', "neither a key of the file nor an unknown"),
    ('"feed lead" = "0 ohm to 20 ohm"', "a length, as '0 cm to 20 cm', or an inductance"),
    ('"feed lead" = "-5 cm to 20 cm"', "leaves what can be"),
    ('"feed lead" = "0 m to 1000 m"', "draw such a lead as wire"),
    ("cables = -1", "whole number, 0 to 12"),
    ("cables = 2.5", "whole number"),
    ('cables = "many"', "whole number"),
    ("cables = true", "whole number"),
    ("defaults = 0", "say true or false"),
    ('"attic.ridge_height" = "5.2 m to 8 m"', "eaves"),
    ('"attic.size" = "+- 1 %"', "no number"),
    ('"counterpoise.length" = "2 m to 20 m"', "bends"),
]


@pytest.mark.parametrize(("line", "says"), BAD)
def test_what_the_file_cannot_say_is_told_with_its_line(line: str, says: str):
    base = FURNISHED + "[unknowns]\n"
    plan = _plan(f'{base}"feed lead" = "0 cm to 20 cm"\n{line}\n'.replace(
        '"feed lead" = "0 cm to 20 cm"\n"feed', '\n"feed'
    ))  # fmt: skip
    number = base.count("\n") + 2
    with pytest.raises(AtticFileError, match=says) as error:
        unknowns_of(plan)
    assert str(error.value).startswith(f"a.toml, line {number}: [unknowns]: ")


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"house.moisture": 0.14}, "0.14 tells no spread"),
        ({"house.moisture": (0.1, 0.1)}, "the same as the high end"),
        ({"house.moisture": Distribution.between(0.01, 0.2)}, "moisture"),
        ({3: "+- 1"}, "3 is no name"),
        ({"long": "+- 1 %", "length of long": "+- 2 %"}, "told before, as 'long'"),
        ("house.moisture", "no mapping"),
        ({"earth.layers": "+- 1"}, "cannot be unknown|file says nothing"),
        ({"feed lead": Distribution.normal(1e-7, 1e-7)}, "below 0"),
        ({"cables": "2"}, "whole number"),
    ],
)
def test_what_callers_cannot_say_is_told(furnished: AtticPlan, given, says: str):
    with pytest.raises(PriorError, match=says):
        unknowns_of(furnished, given)


def test_an_unknown_is_of_a_kind_and_has_a_distribution():
    with pytest.raises(PriorError, match="kind is 'house'"):
        Unknown("a", "house", "", Distribution.between(0.0, 1.0))
    with pytest.raises(PriorError, match="is no Distribution"):
        Unknown("a", "key", "house.moisture", 0.2)  # type: ignore[arg-type]


def test_read_attic_reads_the_table_and_keys_tell_of_it(tmp_path, capsys):
    path = tmp_path / "a.toml"
    path.write_text(f'{ATTIC}[unknowns]\n"length of long" = "+- 1 S/m"\n', encoding="utf-8")
    with pytest.raises(AtticFileError, match=r"a.toml, line \d+: \[unknowns\]: .*must be in m"):
        read_attic(path)
    path.write_text(f'{ATTIC}[unknowns]\n"length of long" = "+- 1 %"\n', encoding="utf-8")
    assert unknowns_of(read_attic(path)).named("length of long").reason == "As told: +- 1 %."
    assert main(["keys"]) == 0
    assert "[unknowns]" in capsys.readouterr().out


# ---- values put in -----------------------------------------------------------------------


def test_values_change_the_house_and_leave_the_wires(example: AtticPlan):
    unknowns = unknowns_of(example).of_kind("key", "length")
    assert len(unknowns) == 9
    for score in (-3.0, 1.7, 3.0):
        values = {one.name: one.distribution.value(score) for one in unknowns}
        found = apply(example, values, unknowns=unknowns)
        assert _shape(found) == _shape(example)
        assert found.earth is not None
        assert found.earth.relative_permittivity == pytest.approx(values["ground permittivity"])
        assert found.earth.conductivity == pytest.approx(values["ground conductivity"])
        assert found.attic.floor_level == pytest.approx(values["height above ground"])
        assert found.attic.ridge_level - found.attic.floor_level == pytest.approx(9.15 - 5.4)
        woods = {piece.wood for piece in found.house if hasattr(piece, "wood")}
        (wood,) = woods
        assert wood.moisture == pytest.approx(values["timber moisture"])
        assert wood.factors == pytest.approx((values["wood permittivity"], values["wood loss"]))
        assert found.antenna is not None
        (length,) = [w.length for w in found.antenna.wires() if w.name == "cross"]
        assert length == pytest.approx(7.4 * (1.0 + values["length of cross"]))
        assert read_attic_text(found.text, other_tables=TABLES).attic == found.attic


def test_values_in_the_middle_leave_the_scene_as_it_was(example: AtticPlan):
    unknowns = unknowns_of(example).of_kind("key", "length")
    found = apply(example, {one.name: one.distribution.middle for one in unknowns})
    pairs = list(zip(example.scene().wires, found.scene().wires, strict=True))
    assert len(pairs) == 22
    for before, after in pairs:
        np.testing.assert_allclose(after.vertices, before.vertices, atol=1e-8)  # as text tells
    for frequency in (3.6e6, 28.5e6):
        assert found.earth is not None
        assert example.earth is not None
        for what in ("permittivity_at", "conductivity_at"):
            pair = (getattr(one.earth, what)(frequency) for one in (example, found))
            assert next(pair) == pytest.approx(next(pair), rel=1e-9)


def test_with_the_floor_all_that_hangs_from_it_goes_and_the_rest_is_stretched(
    furnished: AtticPlan,
):
    found = apply(furnished, {"height above ground": 5.3})
    before, after = ({w.name: w.vertices for w in one.scene().wires} for one in (furnished, found))
    for name in ("long", "radial 2", "riser"):
        np.testing.assert_allclose(after[name] - before[name], [[0, 0, 0.4]] * len(after[name]))
    # 0.2 m above ground below the floor, 5.2 m above the floor
    np.testing.assert_allclose(after["downpipe"][:, 2], [0.2 * 5.3 / 4.9, 5.6])
    assert found.attic.eaves_level == pytest.approx(5.7)
    base = metres(found.file.document["walls"]["base"])
    assert base == pytest.approx(4.2 * 5.3 / 4.9)


def test_timbers_that_say_their_own_moisture_go_along(furnished: AtticPlan):
    one = unknowns_of(furnished).named("timber moisture")
    for score in (-2.5, 2.5):
        found = apply(furnished, {one.name: one.distribution.value(score)})
        (wood,) = {piece.wood for piece in found.house if hasattr(piece, "wood")}
        own = one.distribution.about(0.10)  # what the joists say
        assert wood.moisture == pytest.approx(own.value(score), rel=1e-9)
        assert 0.06 < wood.moisture < 0.28


def test_what_is_told_at_the_edge_of_what_is_known_stays():
    plan = _plan(FURNISHED.replace('"10 %"', "0.06"))
    found = apply(plan, {"timber moisture": 0.18})
    assert {piece.wood.moisture for piece in found.house if hasattr(piece, "wood")} == {0.06}
    assert found.file.document["house"]["moisture"] == 0.18
    ranged = {"house.moisture": "12 % to 18 %"}
    with pytest.raises(PriorError, match=r"joists.* must be at least 0\.06"):
        unknowns_of(plan, ranged)  # it would go below


def test_within_a_range_timbers_go_along_in_proportion(furnished: AtticPlan):
    ranged = unknowns_of(furnished, {"house.moisture": "12 % to 18 %"})
    found = apply(furnished, {"timber moisture": 0.18}, unknowns=ranged)
    assert found.file.document["joists"]["moisture"] == pytest.approx(0.10 * 0.18 / 0.15)


def test_layers_of_the_ground_go_along():
    plan = _plan(ROOM + LONG + RADIALS + LAYERED)
    found = apply(plan, {"ground permittivity": 12.0, "ground conductivity": 0.004})
    assert found.earth is not None
    top, below = (layer.earth for layer in found.earth.layers)
    assert (below.relative_permittivity, below.conductivity) == pytest.approx((12.0, 0.004))
    assert top.conductivity == pytest.approx(0.04)
    assert 22.0 < top.relative_permittivity < 22.0 * 12.0 / 9.0 * 1.01
    named = LAYERED.replace("permittivity = 22, conductivity = 0.02", 'ground = "wet ground"')
    found = apply(_plan(ROOM + LONG + RADIALS + named), {"ground conductivity": 0.001})
    assert found.earth is not None
    assert found.earth.layers[0].earth.conductivity == pytest.approx(0.005)


def test_constants_of_a_named_ground_are_those_of_10_mhz():
    plan = _plan(ATTIC.replace("medium dry ground", "fresh water"))
    found = with_constants(plan).earth
    assert found is not None
    water = Earth.named("fresh water")
    assert found.conductivity == pytest.approx(float(water.conductivity_at(10e6)))
    assert found.conductivity != pytest.approx(float(water.conductivity_at(50e6)))
    assert (
        with_constants(_plan(ROOM + LONG + RADIALS + LAYERED)).text
        == ROOM + LONG + RADIALS + LAYERED
    )


def test_several_unknowns_of_one_key_add_up(furnished: AtticPlan):
    unknowns = unknowns_of(
        furnished, {"attic.ridge_height": "8.2 m +- 5 cm", "joists.moisture": "10 % +- 1 %"}
    )
    found = apply(
        furnished,
        {
            "height above ground": 5.0, "attic.ridge_height": 8.25,
            "joists.moisture": 0.11, "timber moisture": 0.17,
        },
        unknowns=unknowns,
    )  # fmt: skip
    assert found.attic.ridge_level == pytest.approx(8.35)
    (wood,) = {piece.wood for piece in found.house if hasattr(piece, "wood")}
    assert wood.moisture == pytest.approx(0.11)


def test_edits_are_paths_and_values_of_the_file(furnished: AtticPlan):
    unknowns = unknowns_of(furnished)
    found = edits(furnished, unknowns.named("height above ground"), 4.95)
    assert found["attic", "ceiling_height"] == "4.95 m"
    assert found["attic", "ridge_height"] == "8.25 m"
    assert ("downpipe", 0, "points", 1, 2) in found
    assert not any(path[0] == "cable" for path in found)
    with pytest.raises(PriorError, match="changes nothing that the attic file says"):
        edits(furnished, unknowns.named("feed lead"), 1e-7)


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"moisture": 0.1}, "Nothing unknown is called 'moisture'"),
        ({"timber moisture": 0.4}, "0.4 cannot be: .* from 0.06 to 0.28 only"),
        ({"timber moisture": float("nan")}, "finite|cannot be"),
        ({"feed lead": 1e-7}, "changes nothing that the attic file says"),
        ({"house cables": 1.0}, "changes nothing that the attic file says"),
    ],
)
def test_values_that_cannot_be_are_told(furnished: AtticPlan, values, says: str):
    with pytest.raises(PriorError, match=says):
        apply(furnished, values)


def test_values_of_which_other_wires_come_are_told():
    plan = _plan(ATTIC)
    one = Unknown("radials", "key", "counterpoise.length", Distribution.between(2.0, 12.0), "m")
    with pytest.raises(PriorError, match=r"With radials 12 m 'radial 1' has \d bends instead of 0"):
        apply(plan, {"radials": 12.0}, unknowns=[one])
    _ = apply(plan, {"radials": 3.39}, unknowns=[one])


# ---- cases -------------------------------------------------------------------------------


def test_scores_are_even_and_normal(example: AtticPlan):
    unknowns = unknowns_of(example)
    scores, cables = sobol_scores(unknowns, 256, 11)
    assert scores.shape == (256, 10)
    assert cables.shape == (256, 3)
    # one in each 256th of a standard normal variable: quadrature
    from scipy.stats import norm

    cells = np.sort(np.floor(norm.cdf(scores) * 0.9999 * 256), axis=0)
    assert np.mean(np.abs(cells - np.arange(256)[:, None]) <= 2) == 1.0
    assert np.abs(scores).max() <= 3.0
    assert abs(np.corrcoef(scores.T) - np.eye(10)).max() < 0.15
    assert [np.sum(cables.sum(axis=1) == n) for n in range(4)] == [64] * 4
    assert np.abs(cables.mean(axis=0) - 0.5).max() < 0.06


def test_any_count_is_the_beginning_of_the_next_power_of_two(example: AtticPlan):
    unknowns = unknowns_of(example, {"cables": 5})
    whole, some = sobol_scores(unknowns, 64, 3), sobol_scores(unknowns, 50, 3)
    for a, b in zip(whole, some, strict=True):
        np.testing.assert_array_equal(a[:50], b)
    assert not np.array_equal(sobol_scores(unknowns, 64, 4)[0], whole[0])
    none = sobol_scores([], 7, 0)
    assert (none[0].shape, none[1].shape) == ((7, 0), (7, 0))


def test_counts_and_seeds_that_are_none_are_told(example: AtticPlan):
    unknowns = unknowns_of(example)
    for count, seed in ((0, 1), (2.5, 1), (True, 1), (8, -1), (8, 1.5)):
        with pytest.raises(PriorError, match="must be a whole number"):
            sobol_scores(unknowns, count, seed)  # type: ignore[arg-type]
    with pytest.raises(PriorError, match="Several unknowns are cables"):
        sobol_scores([unknowns.named("house cables")] * 2, 8, 1)


def test_moisture_of_no_timber_is_refused_as_such() -> None:
    text = ROOM + LONG + RADIALS + MEDIUM_DRY + ON_20_M + '[house]\nmoisture = "14 %"\n'
    plan = read_attic_text(text, name="bare.toml", other_tables=TABLES)
    with pytest.raises(PriorError, match=r"house\.moisture: there is no timber in this house"):
        unknowns_of(plan, {"house.moisture": "14 % +- 4 %"})
    assert "house.moisture" not in [one.key for one in unknowns_of(plan)]
    unknowns_of(plan, {"house.moisture": "known"})
