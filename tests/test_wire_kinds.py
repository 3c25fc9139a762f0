"""Wires as people say them. Tolerance class: rounding."""

import pytest

from ridgepole.geometry import GeometryError, Jacket, Wire, WireKind, read_attic_text
from ridgepole.materials import Conductor, MaterialError

AWG_14 = 0.5 * 0.127e-3 * 92.0 ** (22 / 39)  # ASTM B258 (from memory) [m]


def radius_of(kind: WireKind) -> float:
    return Wire([(0, 0, 5), (1, 0, 5.5)], **kind.options).radius


@pytest.mark.parametrize(
    "text",
    [
        "14 AWG copper wire", "#14 copper", "# 14 AWG copper", "14 gauge copper",
        "14 ga solid wire", "AWG 14", "AWG #14 copper", "14AWG solid copper wire, bare",
        "gauge 14 copper", "14 awg Copper Wire",
    ],
)  # fmt: skip
def test_ways_to_say_14_awg_of_copper(text):
    kind = WireKind.from_text(text)
    assert kind == WireKind(gauge="14 AWG", conductor="annealed copper")
    assert radius_of(kind) == pytest.approx(AWG_14, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "radius", "metal"),
    [
        ("2 mm copper", 1e-3, "annealed copper"),
        ("2.5mm diameter hard-drawn copper wire", 1.25e-3, "hard-drawn copper"),
        (".8 mm dia. brass", 0.4e-3, "brass"),
        ("3 mm", 1.5e-3, "annealed copper"),
    ],
)
def test_millimetres_are_a_diameter(text, radius, metal):
    kind = WireKind.from_text(text)
    assert radius_of(kind) == pytest.approx(radius, rel=1e-12)
    assert kind.conductor == Conductor.named(metal)
    assert kind.gauge is None


@pytest.mark.parametrize("text", ["2 mm2 copper", "2 mm^2 copper", "2 mm² wire", "2 sq mm copper"])
def test_square_millimetres_stay_a_section(text):
    assert radius_of(WireKind.from_text(text)) == pytest.approx((2e-6 / 3.141592653589793) ** 0.5)


def test_stranded_wire_is_kept_as_such():
    kind = WireKind.from_text("18 AWG stranded copper wire, PVC")
    assert kind.is_stranded
    assert kind.jacket == Jacket("PVC")
    assert kind.conductor == Conductor.named("copper")
    assert str(kind) == "18 AWG stranded annealed copper, PVC 0.7 mm"
    assert not WireKind.from_text("18 AWG solid copper").is_stranded


def test_the_file_says_that_strands_are_computed_as_solid():
    plan = read_attic_text(
        """
        [attic]
        size = [9.1, 7.2]
        ceiling_height = 4.9
        ridge_height = 8.0
        [[dipole]]
        name = "east"
        centre = [4.5, 3.9, 1.9]
        length = 3
        bearing = 90
        wire = "18 AWG stranded copper"
        """
    )
    said = [str(a) for a in plan.assumptions if a.what == "strands"]
    assert len(said) == 1
    assert "solid wire of 18 AWG" in said[0]


@pytest.mark.parametrize("text", ["14 copper", "copper wire", "2 mm 2 copper", "2 m copper", "#"])
def test_what_has_no_size_is_refused(text):
    with pytest.raises(GeometryError, match=r"cannot be read.*'2 mm copper'"):
        WireKind.from_text(text)


def test_a_metal_that_is_not_known_is_told_the_plain_names_too():
    with pytest.raises(MaterialError, match="no conductor is called 'coper'") as told:
        WireKind.from_text("#14 coper wire")
    known = str(told.value).partition("Known: ")[2]
    assert known.startswith("'copper', 'annealed copper', 'hard-drawn copper'")
    assert "'steel', 'mild steel'" in known
