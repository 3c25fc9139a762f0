"""The house in the attic file: what it may say, what it assumes, and what each mistake is told."""

from typing import Any

import numpy as np
import pytest

from ridgepole.geometry import AtticFileError, GeometryError, read_attic_text
from ridgepole.geometry.house_file import sizes
from ridgepole.materials import MaterialError

WIRES = """\
[attic]
size = ["9.1 m", "7.2 m"]
ceiling_height = "4.9 m"
ridge_height = "8.2 m"
[antenna]
feed_point = ["2.1 m", "2.7 m", "0.05 m"]
[[element]]
name = "long"
route = [["2.1 m", "3.1 m", "2.2 m"], ["7.9 m", "3.1 m", "2.3 m"], ["7.9 m", "1.9 m", "1.0 m"]]
length = "8.2 m"
[counterpoise]
radials = 5
length = "1.9 m"
"""

TOLD = (
    WIRES
    + """
[house]
wood = "spruce"
moisture = "14 %"
temperature = 9

[joists]
spacing = "600 mm"
section = "45 x 195 mm"

[rafters]
spacing = "24 in"
section = "2x6"
moisture = 0.18

[ridge_board]
section = "45 x 220 mm"

[ceiling]
material = "plasterboard"
thickness = "12.5 mm"

[roof]
covering = "clay tile"
thickness = "18 mm"

[[timber]]
name = "post"
points = [[4.1, 5.5, 0.3], [4.1, 5.5, 1.1]]
section = "95 x 95 mm"

[[sheet]]
name = "hatch cover"
corners = [[6.1, 5.1, 0.6], [7.0, 5.1, 0.6], [7.0, 5.9, 0.6], [6.1, 5.9, 0.6]]
material = "plywood"
thickness = "12 mm"

[[duct]]
name = "fan duct"
points = [[4.6, 4.9, 0.4], [8.1, 4.9, 0.4]]
size = "200 x 100 mm"
conductor = "galvanised steel"
named = {fan = "start"}

[[cable]]
name = "lamp cable"
points = [[5.0, 4.4, -0.3], [8.5, 4.4, -0.3], [8.5, 6.3, -0.3]]
wire = "1.5 mm2 copper, bare"
cores = 3
named = {lamp = "1.25 m", switch = "end"}

[[downpipe]]
name = "rain pipe"
points = [[-0.2, 7.4, 0.4], [-0.2, 7.4, 4.7]]
size = "80 mm"
conductor = "galvanised steel"
heights_from = "ground"
"""
)


def read(text=TOLD) -> Any:
    return read_attic_text(text, name="house.toml")


def piece(plan, name) -> Any:
    return next(p for p in plan.house if p.name == name)


def said(plan):
    return [str(a) for a in plan.assumptions]


def test_pieces_are_what_and_where_the_file_says():
    plan = read()
    kinds = {p.kind for p in plan.house}
    assert kinds == {"timber", "sheet", "duct", "cable", "downpipe"}
    post = piece(plan, "post")
    assert post.start == pytest.approx((4.1, 5.5, 5.2))  # heights count from the attic floor
    assert 2.0 * post.half == pytest.approx([0.8, 0.095, 0.095])
    assert piece(plan, "hatch cover").center == pytest.approx([6.55, 5.5, 5.5])
    duct = piece(plan, "fan duct")
    assert (duct.width, duct.height) == pytest.approx((0.2, 0.1))
    assert duct.radius == pytest.approx(0.295 * 0.3)
    cable = piece(plan, "lamp cable")
    assert cable.cores == 3
    assert cable.core_radius == pytest.approx(np.sqrt(1.5e-6 / np.pi))
    assert cable.wires()[0].named_points == (("lamp", 1.25), ("switch", pytest.approx(5.4)))
    rain = piece(plan, "rain pipe")
    assert rain.points[0] == pytest.approx((-0.2, 7.4, 0.4))  # heights from the ground
    assert rain.radius == pytest.approx(0.04)


def test_builders_keep_to_spacing_section_and_wood():
    plan = read()
    joists = [p for p in plan.house if getattr(p, "group", "") == "joists"]
    places = np.sort([p.center[0] for p in joists])
    assert len(joists) >= 14
    assert np.median(np.diff(places)) == pytest.approx(0.6)
    assert sorted(2.0 * joists[0].half)[:2] == pytest.approx([0.045, 0.195])
    assert joists[0].wood.moisture == pytest.approx(0.14)
    assert joists[0].wood.temperature_c == 9
    rafters = [p for p in plan.house if getattr(p, "group", "") == "rafters"]
    assert sorted(2.0 * rafters[0].half)[:2] == pytest.approx([0.038, 0.140], abs=1e-3)
    assert {p.wood.moisture for p in rafters} == {0.18}
    along = read(TOLD.replace('"45 x 195 mm"', '"45 x 195 mm"\ndirection = "along"', 1))
    turned = next(p for p in along.house if getattr(p, "group", "") == "joists")
    assert abs(turned.frame[0][0]) == pytest.approx(1.0)
    assert abs(joists[0].frame[0][1]) == pytest.approx(1.0)


def test_the_scene_has_the_house_in_it():
    plan = read()
    scene = plan.scene()
    assert len(scene.solids) == sum(p.kind in ("timber", "sheet") for p in plan.house)
    assert scene.pieces == ("fan duct", "rain pipe", "lamp cable")
    assert [w.piece for w in scene.wires if w.piece] == ["fan duct", "rain pipe", "lamp cable"]
    assert len(plan.wires) == len(scene.wires) - 3
    assert len(plan.with_house().scene().wires) == len(plan.wires)


def test_what_is_told_of_the_house_is_not_assumed():
    about = [
        line for line in said(read()) if not line.startswith(("earth", "ridge", "wire of the"))
    ]
    assert all("house" not in line for line in about)
    for word in ("moisture", "section", "spacing of joists", "material", "covering", "cores"):
        assert not any(word in line for line in about), (word, about)


def test_each_default_is_said_once_with_all_that_use_it():
    text = WIRES + (
        "[joists]\n[rafters]\n[ridge_board]\n[ceiling]\n[roof]\n"
        '[[cable]]\nname = "lamp"\npoints = [[5, 4.4, -0.3], [8.5, 4.4, -0.3]]\n'
    )
    plan = read(text)
    lines = said(plan)
    for line in (
        "moisture of joists, rafters, ridge_board: 12 %",
        "spacing of joists, rafters: 600 mm",
        "section of joists: 45 x 195 mm",
        "wood of joists, rafters, ridge_board: spruce",
        "temperature of the timber: 15 deg C",
        "material of ceiling: plasterboard",
        "thickness of ceiling: 12.5 mm",
        "covering of roof: clay tile",
        "wire of lamp: 1.5 mm2 copper, PVC",
        "cores of lamp: 3",
    ):
        assert sum(one.startswith(line) for one in lines) == 1, (line, lines)
    weights = [a.weight for a in plan.assumptions]
    assert weights == sorted(weights, reverse=True)
    wood = next(p for p in plan.house if p.kind == "timber").wood
    assert (wood.moisture, wood.temperature_c) == (0.12, 15.0)


def test_a_missing_house_is_assumption_and_doubt():
    plan = read(WIRES)
    assert plan.house == ()
    (line,) = [one for one in said(plan) if one.startswith("house")]
    assert "results will be optimistic" in line
    assert any("The house is missing" in doubt for doubt in plan.doubts())
    assert plan.assumptions[1].what == "house"  # the earth alone weighs more
    silent = read(WIRES + '[house]\nwithout = "everything"\n')
    assert not any("house" in one for one in said(silent))
    assert not any("house" in doubt for doubt in silent.doubts())


def test_what_a_told_house_lacks_is_said():
    lines = said(read(WIRES + "[ceiling]\n"))
    for part in ("timber", "metal", "roof"):
        assert any(one.startswith(f"{part} of the house: none") for one in lines), part
    assert not any(one.startswith("ceiling of") for one in lines)
    lines = said(read(WIRES + '[ceiling]\n[house]\nwithout = ["metal", "roof"]\n'))
    assert not any(one.startswith(("metal of", "roof of")) for one in lines)
    assert any(one.startswith("timber of the house") for one in lines)
    with pytest.raises(AtticFileError, match=r"line 16: \[house\], without = .*no timber, but.*jo"):
        read(WIRES + '[joists]\n[house]\nwithout = ["timber"]\n')


def test_sizes():
    assert sizes("200 x 100 mm") == pytest.approx((0.2, 0.1))
    assert sizes("8 x 12 in") == pytest.approx((8 * 0.0254, 12 * 0.0254))
    assert sizes("20 cm x 100 mm") == pytest.approx((0.2, 0.1))
    assert sizes("160 mm") == pytest.approx((0.16,))
    for bad in ("200 x", "x 100 mm", "wide", "200 x 100"):
        with pytest.raises(GeometryError):
            sizes(bad)


# (text to replace, what instead, start of the offending line, words)
FAULTS = [
    ("[joists]", "[joist]", "[joist]", "'joist' is not known. Is 'joists' meant"),
    ("[joists]\nspacing", "[joists]\nspaceing", "spaceing", "not known.*Is 'spacing' meant"),
    ('spacing = "600 mm"', 'spacing = "60"', "spacing", r"\[joists\], spacing = '60': .*unit"),
    ('spacing = "600 mm"', "spacing = 60", "spacing", "0.05 to 10 m"),
    ('"45 x 195 mm"', '"45 by hand"', "section", r"\[joists\], section = '45 by hand'"),
    ('"45 x 195 mm"', '"45 x 195 mm"\ndirection = "up"', "direction", "'across', 'along'"),
    ("moisture = 0.18", "moisture = 18", "moisture", r"0 to 1 .*\"12 %\" is 0.12"),
    ("moisture = 0.18", "moisture = 0.9", "moisture", r"\[rafters\], moisture = 0.9: "),
    ('moisture = "14 %"', 'moisture = "74 %"', "moisture", r"\[house\], moisture = '74 %': "),
    ('wood = "spruce"', 'wood = "sprouce"', "wood", r"\[house\], wood = 'sprouce': .*spruce"),
    ('"plasterboard"', '"plasterbored"', "material", r"\[ceiling\], material = .*plasterboard"),
    ('thickness = "12.5 mm"', 'thickness = "-12.5 mm"', "thickness", "1e-05 to 2 m"),
    ('"clay tile"', '"chocolate"', "covering", r"\[roof\], covering = 'chocolate': "),
    ('points = [[4.1, 5.5, 0.3], [4.1, 5.5, 1.1]]', "points = [[4.1, 5.5, 0.3]]", "points",
     r"\[\[timber\]\] 'post', points = .*2 or more"),
    ('"plasterboard"', '"aluminium foil"', "material",
     r"\[ceiling\], material = .*is metal.*\[\[screen\]\]"),
    ("[7.0, 5.9, 0.6]", "[7.0, 5.9, 0.9]", "corners", r"'hatch cover', corners = .*plane"),
    ('size = "200 x 100 mm"\n', "", "[[duct]]", "'fan duct', key size: is missing"),
    ('size = "200 x 100 mm"', 'size = "200 x 100 x 3 mm"', "size", "'fan duct', size = "),
    ('{fan = "start"}', '{fan = "9 m"}', "named", "'fan duct', named = .*fan"),
    ('{fan = "start"}', '"fan"', "named", "must be .name = place."),
    ('name = "rain pipe"', 'name = "fan duct"', "name", "name is taken"),
    ('name = "rain pipe"', 'name = "long"', "name", "name is taken"),
    ("cores = 3", "cores = 30", "cores", "whole number, 1 to 7"),
    ('"1.5 mm2 copper, bare"', '"thick"', "wire", "'lamp cable', wire = 'thick'"),
    ("cores = 3", "cores = 3\nearthed = 3", "earthed", "must be true, .rod"),
    ("cores = 3", "cores = 3\nearthed = {}", "earthed", "rod = length, or impedance"),
    ("cores = 3", "cores = 3\nbonded = [7]", "bonded", "must be a name or .to, at, own."),
    ("cores = 3", 'cores = 3\nbonded = [{too = "x"}]', "bonded", "too = 'x'|key to: is missing"),
    ('heights_from = "ground"', 'heights_from = "sky"', "heights_from", "'attic floor', 'ground'"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "line_start", "words"), FAULTS, ids=lambda v: v[:24])
def test_each_fault_is_told_with_its_own_line(old, new, line_start, words):
    assert TOLD.count(old) >= 1
    text = TOLD.replace(old, new, 1)
    with pytest.raises(AtticFileError, match=words) as caught:
        read(text)
    told = str(caught.value)
    assert told.startswith("house.toml, line ")
    number = int(told.removeprefix("house.toml, line ").split(":")[0])
    found = text.splitlines()[number - 1]
    assert found.startswith(line_start), (told, found)


def test_a_piece_in_the_way_is_told_with_its_line():
    """A wire through a post: both lines."""
    text = TOLD.replace("[[4.1, 5.5, 0.3], [4.1, 5.5, 1.1]]", "[[5.0, 3.1, 2.0], [5.0, 3.1, 2.6]]")
    lines = text.splitlines()
    wire, post = (1 + lines.index(one) for one in ('name = "long"', 'name = "post"'))
    with pytest.raises(AtticFileError, match="'post'") as caught:
        read(text).scene()
    told = str(caught.value).split(":")[0]
    assert str(wire - 1) in told  # the header's line
    assert str(post - 1) in told


def test_the_same_timber_twice_is_told_with_both_lines():
    post = "[[timber]]" + TOLD.split("[[timber]]")[1].split("\n[[")[0]
    text = TOLD + "\n" + post.replace('"post"', '"again"')
    lines = text.splitlines()
    with pytest.raises(AtticFileError, match="'post' and 'again' share 100 %") as caught:
        read(text).scene()
    told = str(caught.value).split(":")[0]
    assert all(str(lines.index(f'name = "{name}"')) in told for name in ("post", "again"))


def test_points_are_told_with_the_height_that_the_file_has():
    """The post stands 5.2 to 6.0 m above ground, 0.3 to 1.1 m above the attic floor."""
    text = TOLD.replace("[[4.1, 5.5, 0.3], [4.1, 5.5, 1.1]]", "[[4.1, 5.5, 0.3], [4.1, 5.5, 0.3]]")
    with pytest.raises(AtticFileError, match=r"5\.2\) m \(height 0\.3 m from the attic floor\)"):
        read(text)
    text = TOLD.replace("[[4.1, 5.5, 0.3], [4.1, 5.5, 1.1]]", "[[5.0, 3.1, 2.0], [5.0, 3.1, 2.6]]")
    with pytest.raises(AtticFileError, match=r"7\.1\d*\) m \(height 2\.2\d* m from the attic"):
        read(text).scene()


def test_a_number_without_its_zero_is_shown_as_toml_wants_it():
    for bad, good in (
        ("[4.1, 5.5, .3]", r"\.3 must be written 0\.3"),
        ("[4.1, 5., 0.3]", r"5\. must be written 5\.0"),
        ("[-.4, 5.5, 0.3]", r"-\.4 must be written -0\.4"),
    ):
        with pytest.raises(AtticFileError, match=good):
            read(TOLD.replace("[4.1, 5.5, 0.3]", bad))
    with pytest.raises(AtticFileError, match="no valid TOML") as caught:
        read(TOLD.replace("[4.1, 5.5, 0.3]", '"a .5 mark" = [4.1, 5.5, 0.3]'))
    assert "must be written" not in str(caught.value)


def test_the_wood_of_a_house_without_timber_is_known():
    with pytest.raises(AtticFileError, match=r"\[house\], wood = 'balsa'"):
        read(WIRES + '[house]\nwood = "balsa"\n')
    with pytest.raises(AtticFileError, match=r"\[house\], moisture = 0\.9"):
        read(WIRES + "[house]\nmoisture = 0.9\n")


def test_pieces_far_outside_the_house_are_doubted():
    def doubts(table: str) -> list[str]:
        return [doubt for doubt in read(WIRES + table).doubts() if "out of it" in doubt]

    duct = '[[duct]]\nname = "duct 1"\nsize = "160 mm"\npoints = [[1, 5, {0}], [5, 5, {0}]]\n'
    (found,) = doubts(duct.format(10))
    assert "'duct 1'" in found
    assert "(1, 5, 10) m" in found
    assert not doubts(duct.format(1.2))
    assert not doubts(duct.format(10) + "earthed = true\n")
    screen = (
        '[[screen]]\nname = "foil"\ncorners = [[1, 3.6, 0.4], [3, 3.6, 0.4], [3, 3.6, {0}], '
        "[1, 3.6, {0}]]\n"
    )
    assert not doubts(screen.format(3.2))
    (found,) = doubts(screen.format(4.4))  # the ridge is 3.3 m over the floor
    assert "'foil'" in found
    pipe = '[[{}]]\nname = "one"\npoints = [[1, -2, -1], [5, -2, -1]]\n'
    assert "beyond the walls" in doubts(pipe.format("pipe"))[0]
    assert not doubts(pipe.format("gutter"))
    assert not [doubt for doubt in read().doubts() if "out of it" in doubt]


def test_plan_without_a_piece_saves_what_it_is():
    plan = read()
    assert read(plan.text).house == plan.house
    bare = plan.without("fan duct", "rafters")
    assert "fan duct" not in bare.text
    assert "[rafters]" not in bare.text
    assert "lamp cable" in bare.text
    assert read(bare.text).house == bare.house
    assert len(bare.house) < len(plan.house)
    assert plan.without("joists").without("ridge board").without("post").text
    both = plan.without("lamp cable", "rain pipe")
    assert read(both.text).house == both.house
    bell = '[[cable]]\nname = "bell"\npoints = [[1, 6, 0.3], [3, 6, 0.3]]\nwire = "1 mm2 copper"\n'
    three = read(f"{TOLD}{bell}{bell.replace('bell', 'chime').replace('6', '6.5')}")
    left = three.without("lamp cable").without("chime")  # tables behind a gone one move up
    assert read(left.text).house == left.house
    assert [p.name for p in left.house if p.kind == "cable"] == ["bell"]
    with pytest.raises(GeometryError, match=r"no piece 'fan dukt'. Is 'fan duct' meant"):
        plan.without("fan dukt")
    first = next(p.name for p in plan.house if getattr(p, "group", "") == "joists")
    with pytest.raises(AtticFileError, match="its table makes other"):
        _ = plan.without(first).text


def test_plan_with_other_moisture_saves_what_it_is():
    plan = read()
    damp = plan.with_moisture(0.25)
    assert {p.wood.moisture for p in damp.house if p.kind == "timber"} == {0.25}
    assert read(damp.text).house == damp.house
    short = read(WIRES + "[joists]\n")
    wet = short.with_moisture(0.22)
    assert read(wet.text).house == wet.house
    assert any("moisture" in one for one in said(short))
    assert not any("moisture" in one for one in said(wet))
    with pytest.raises(MaterialError, match=r"0\.28"):
        plan.with_moisture(0.4)


def test_plan_with_another_house():
    plan = read()
    assert read(plan.with_house().text).house == ()
    changed = plan.with_house(piece(plan, "post"))
    assert [p.name for p in changed.house] == ["post"]
    with pytest.raises(AtticFileError, match="with_house"):
        _ = changed.text


def test_bonds():
    text = TOLD.replace("cores = 3", 'cores = 3\nbonded = [{to = "fan duct", own = "start"}]')
    text = text.replace("radials = 5", 'radials = 5\nbonded = ["rain pipe"]')
    plan = read(text)
    (bond,) = piece(plan, "lamp cable").bonded
    assert (bond.to, bond.own) == ("fan duct", "start")
    rain = piece(plan, "rain pipe")
    assert [b.to for b in rain.bonded] == ["counterpoise"]
    assert rain.earthed is None
    with pytest.raises(AtticFileError, match=r"bonded: no .*'rain pip'.*'rain pipe'"):
        read(text.replace('bonded = ["rain pipe"]', 'bonded = ["rain pip"]'))
    floating = plan.without("rain pipe")
    assert "rain pipe" not in floating.text  # under [counterpoise] neither
    assert read(floating.text).house == floating.house
    loose = plan.without("fan duct")
    assert piece(loose, "lamp cable").bonded == ()
    assert read(loose.text).house == loose.house


def test_earths():
    text = TOLD.replace('heights_from = "ground"', 'heights_from = "ground"\nearthed = true')
    plan = read(text)
    assert piece(plan, "rain pipe").earthed.length == pytest.approx(1.5)
    assert any(one.startswith("earth rod of rain pipe: 1.5 m") for one in said(plan))
    told = read(text.replace("earthed = true", "earthed = {impedance = 31}"))
    assert piece(told, "rain pipe").earthed.impedance == 31


def test_plain_wires_have_named_points():
    wire = '[[wire]]\nname = "chassis"\npoints = [[2.5, 5, 1], [2.5, 6, 1]]\nwire = "2 mm copper"\n'
    plan = read(TOLD + wire + 'named = {radio = "40 cm"}\n')
    assert plan.scene().wire("chassis").named_points == (("radio", pytest.approx(0.4)),)
    with pytest.raises(AtticFileError, match=r"'chassis', named = .*radio|place at 9 m"):
        read(TOLD + wire + 'named = {radio = "9 m"}\n')


def test_foil_has_seams():
    text = TOLD + (
        '[[screen]]\nname = "foil"\ncorners = [[6, 1, -0.4], [8, 1, -0.4], [8, 3, -0.4]]\n'
        "seams = [[[6.5, 1, -0.4], [6.5, 3, -0.4]]]\n"
    )
    foil = piece(read(text), "foil")
    assert np.asarray(foil.seams)[0, 0] == pytest.approx([6.5, 1, 4.5])
    with pytest.raises(AtticFileError, match=r"'foil', item 1 of seams = .*two points"):
        read(text.replace("[[[6.5, 1, -0.4], [6.5, 3, -0.4]]]", "[[6.5, 1, -0.4]]"))


def test_earth_in_layers_refuses_electrodes_and_says_where():
    earth = """
[earth]
ground = "average ground"
layers = [{thickness = "0.4 m", ground = "wet ground"}]
"""
    for heights in ("0.4", "0.0"):  # with a lead down, and without
        text = TOLD.replace("-0.2, 7.4, 0.4", f"-0.2, 7.4, {heights}") + earth
        assert read(text.replace(heights + "]", "0.4]")).scene().earth.is_layered
        text = text.replace('heights_from = "ground"', 'heights_from = "ground"\nearthed = true')
        line = next(n for n, row in enumerate(text.splitlines(), 1) if "rain pipe" in row)
        with pytest.raises(
            AtticFileError, match=r"without layers.*leave the electrode out"
        ) as told:
            read(text).scene()
        found = int(str(told.value).split("line ")[1].split(":")[0].split()[0])
        assert line - 1 <= found <= line + 5, str(told.value)


def test_earthed_true_stands_on_any_ground_in_any_band():
    from ridgepole.geometry.checks import check_frequency

    text = TOLD.replace('heights_from = "ground"', 'heights_from = "ground"\nearthed = true')
    for ground in ("average ground", "sea water", "very dry ground"):
        scene = read(text + f'\n[earth]\nground = "{ground}"\n').scene()
        check_frequency(scene, [1.81e6, 7.1e6, 29.7e6])
