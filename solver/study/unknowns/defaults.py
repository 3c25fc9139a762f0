"""What is not known exactly of any attic, how it is spread, and why.

Spreads are common practice unless a reason says where they come from. What holds four cases in
five, 10 to 90 %, is meant everywhere.
"""

from __future__ import annotations

import math
from dataclasses import replace

from ....geometry import FeedError, GeometryError, metres
from ....geometry.house_file import MOISTURE as DEFAULT_MOISTURE
from ....geometry.plan import AtticPlan
from ....materials import Wood
from ..sweep_values import read_quantity
from .applying import (
    CONDUCTIVITY,
    HEIGHT,
    MOISTURE,
    PERMITTIVITY,
    changed_topology,
    height_room,
    with_constants,
)
from .distributions import NEAREST_BOUND, Distribution
from .records import Unknown

__all__ = ["LEAD_INDUCTANCE", "default_unknowns", "house_cables"]

LEAD_INDUCTANCE = 1e-6
"""Of a thin wire away from others; common practice, 1 uH per metre. [H/m]"""

LONGEST_LEAD = 0.2
"""Of a feed lead that is not drawn. [m]"""

BARE, JACKETED = 0.01, 0.02
"""Spread of the effective length of an element. [1]"""

CABLES_BESIDE_TOLD, CABLES = 3, 4
"""Greatest number of cables that nobody told, where the file tells some and where it tells none."""

WATER = 60.0
"""Relative permittivity above which a ground is water."""


def default_unknowns(plan: AtticPlan) -> list[Unknown]:
    """All that can be unknown of this plan, in the order earth, house, antenna."""
    return [
        *_earth(plan),
        *_height(plan),
        *_timber(plan),
        *_lengths(plan),
        *_radials(plan),
        *([feed_lead()] if plan.antenna is not None else []),
        *_cables(plan),
    ]


def _earth(plan: AtticPlan) -> list[Unknown]:
    plan_with = with_constants(plan)
    earth = plan_with.earth
    if earth is None or earth.is_perfect:
        return []
    below = earth.layers[-1].earth if earth.layers else earth
    if below.is_perfect:
        return []
    told = plan.file.document.get("earth", {})
    layers = " Layers above go along with it." if earth.layers else ""
    permittivity, conductivity = below.relative_permittivity, below.conductivity
    if permittivity >= WATER:
        factors, why = (1.1, 1.3), "water hangs on its temperature and its salts"
    elif not told:
        factors, why = (
            (1.6, 4.0),
            "no ground is told, and soil varies tenfold from place to place (common practice)",
        )
    elif "ground" in told:
        factors, why = (
            (1.5, 3.0),
            "a name stands for a kind of soil; within one kind and over the year it varies by as "
            "much (common practice)",
        )
    else:
        factors, why = (
            (1.4, 2.0),
            "soil around a house is uneven, and dries and gets wet with the seasons (common "
            "practice)",
        )
    found = []
    if permittivity > 1.0:
        factor = _narrowed(factors[0], math.log(permittivity), math.log(100.0 / permittivity))
        if factor > 1.0:
            found.append(
                Unknown(
                    "ground permittivity",
                    "key",
                    PERMITTIVITY,
                    Distribution.lognormal(permittivity, factor, least=1.0, most=100.0),
                    "",
                    f"{_sentence(why)}{layers}",
                    "a ground constant is seldom measured; note whether the soil is sand, loam or "
                    "clay, and dry or wet",
                )
            )
    if conductivity > 0.0:
        found.append(
            Unknown(
                "ground conductivity",
                "key",
                CONDUCTIVITY,
                Distribution.lognormal(
                    conductivity, factors[1], most=max(100.0, 10 * conductivity)
                ),
                "S/m",
                f"{_sentence(why)}{layers}",
                "four rods in a row in the garden and a resistance meter, or the soil's kind",
            )
        )
    return found


def _height(plan: AtticPlan) -> list[Unknown]:
    if plan.earth is None:
        return []
    floor = plan.attic.floor_level
    spread = min(max(0.2, 0.06 * floor), height_room(plan) / 3.0)
    if spread < 0.01:
        return []
    return [
        Unknown(
            "height above ground",
            "key",
            HEIGHT,
            Distribution.normal(floor, spread, least=floor - 0.9 * height_room(plan)),
            "m",
            "Ceilings and floors between are measured one by one, the garden slopes, and the "
            "electrical surface lies below turf and paving (common practice); eaves, ridge and "
            "all that hangs in the attic go along.",
            "a tape out of the gable window down to the lawn",
        )
    ]


def _timber(plan: AtticPlan) -> list[Unknown]:
    woods = [piece.wood for piece in plan.house if hasattr(piece, "with_wood")]
    if not woods:
        return []
    table = plan.file.document.get("house", {})
    told = read_quantity(table.get("moisture"))
    middle = DEFAULT_MOISTURE if told is None else told[0]
    dry, wet = Wood().table.moisture_range
    spread = 0.04 if told is None else 0.03
    room = min(middle - dry, wet - middle)
    if room < NEAREST_BOUND * spread:  # told at the edge of what is known
        moisture = Distribution.between(max(dry, middle - spread), min(wet, middle + spread))
    else:
        moisture = Distribution.normal(middle, spread, least=dry, most=wet)
    whence = "not told" if told is None else "told"
    found = [
        Unknown(
            "timber moisture",
            "key",
            MOISTURE,
            moisture,
            "",
            f"It is {whence}; the timber of a heated house has 8 % of its dry mass, a dry attic "
            "12 %, a damp one 18 %, and it swings by some points over the year (common practice). "
            "All timber of the house goes together.",
            "a moisture meter with pins, in three joists and three rafters",
        )
    ]
    factors = woods[0].spread
    heads = (
        ("wood permittivity", "permittivity_factor", factors.permittivity, "permittivity less 1"),
        ("wood loss", "loss_factor", factors.loss, "loss tangent"),
    )
    for name, key, factor, what in heads:
        said = read_quantity(table.get(key))
        found.append(
            Unknown(
                name,
                "key",
                f"house.{key}",
                Distribution.lognormal(
                    1.0 if said is None else said[0], float(factor), least=0.05, most=20.0
                ),
                "",
                f"Times the {what} of the catalogue, whose table states that a true piece lies up "
                f"to a factor {factor:.3g} off.",
                "nothing in reach; readings of the antenna tell it together with the moisture",
            )
        )
    return found


def _lengths(plan: AtticPlan) -> list[Unknown]:
    if plan.antenna is None:
        return []
    found = []
    for element in plan.antenna.elements:
        kind = plan.antenna.kind if element.kind is None else element.kind
        is_bare = kind.jacket is None
        why = (
            "The tape, sag, insulators and the end that is folded back leave 1 % of the "
            "electrical length open (common practice)."
            if is_bare
            else "The tape, sag and the end that is folded back leave 1 % of the electrical length "
            "open, thickness and permittivity of the jacket another (common practice)."
        )
        found.append(
            Unknown(
                f"length of {element.name}",
                "length",
                element.name,
                Distribution.normal(0.0, BARE if is_bare else JACKETED),
                "",
                why,
                "the wire taken down and laid along a tape"
                + ("" if is_bare else ", and a calliper over its jacket"),
            )
        )
    return found


def _radials(plan: AtticPlan) -> list[Unknown]:
    if plan.antenna is None:
        return []
    counterpoise = plan.antenna.counterpoise
    told = plan.file.document["counterpoise"]
    if counterpoise.length is None or "length" not in told:
        return []
    kind = plan.antenna.kind if counterpoise.kind is None else counterpoise.kind
    length = metres(counterpoise.length)
    spread = BARE if kind.jacket is None else JACKETED
    unknown = Unknown(
        "length of the radials",
        "key",
        "counterpoise.length",
        Distribution.normal(length, spread * length),
        "m",
        "As for the elements, all radials together (common practice).",
        "a tape along one radial, its bends too",
    )
    spread_of = unknown.distribution
    for end in (spread_of.low, spread_of.high):
        try:
            antenna = plan.antenna.with_counterpoise(counterpoise.with_length(end))
            if changed_topology(plan, replace(plan, antenna=antenna)):
                return []
        except (GeometryError, FeedError):
            return []
    return [unknown]


def feed_lead(distribution: Distribution | None = None) -> Unknown:
    """The lead between tuner and wires that nobody drew."""
    return Unknown(
        "feed lead",
        "lead",
        "",
        distribution or Distribution.between(0.0, LEAD_INDUCTANCE * LONGEST_LEAD),
        "H",
        "Between the tuner's terminal and where the wires part lies a lead of up to 20 cm that "
        "is not drawn, at about 1 uH per metre (common practice).",
        "a ruler from the terminal to where the wires part",
    )


def _cables(plan: AtticPlan) -> list[Unknown]:
    without = plan.file.document.get("house", {}).get("without", [])
    without = [without] if isinstance(without, str) else without
    if plan.antenna is None or "metal" in without or "everything" in without:
        return []
    told = any(piece.kind == "cable" for piece in plan.house)
    return [house_cables(CABLES_BESIDE_TOLD if told else CABLES)]


def house_cables(most: int) -> Unknown:
    """Cables that nobody told: none to `most`, each number alike likely."""
    return Unknown(
        "house cables",
        "cables",
        "",
        Distribution.between(0.0, float(most)),
        "",
        f"Every house has cables that nobody thinks of: none to {most} of them lie somewhere on "
        "the attic floor or go up a wall, wherever there is room (a choice).",
        "all cables, pipes and ducts within two metres of the wires, walked and drawn",
    )


def _narrowed(factor: float, below: float, above: float) -> float:
    """A factor that leaves room to the bounds, whose logarithms of distance are given."""
    return math.exp(min(math.log(factor), 2.0 * min(below, above)))


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."
