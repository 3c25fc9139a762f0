"""Other values of what is unknown, put into the attic file: one unknown may change several keys."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from ....geometry import Wire, metres
from ....geometry.attic_file import plan_from
from ....geometry.file_tables import HOUSE_TABLES
from ....geometry.metalwork import MetalRun
from ....geometry.plan import AtticPlan
from ....geometry.positions import TomlPath
from ....geometry.screens import Screen
from ....geometry.text_edits import with_document, with_values
from ....materials import Earth
from ...errors import PriorError
from ..sweep_names import resolve, value_at
from ..sweep_values import read_quantity, rounded, written
from .records import Unknown

__all__ = ["apply_values", "changed_topology", "edits", "with_constants"]

PERMITTIVITY, CONDUCTIVITY = "earth.permittivity", "earth.conductivity"
HEIGHT, MOISTURE = "attic.ceiling_height", "house.moisture"

METAL = (MetalRun, Screen)
"""Pieces of the house that are wire like any other."""

AT = 10e6
"""Frequency whose constants stand for a ground that varies with frequency. [Hz]"""

ABOVE_GROUND = ("eaves_height", "ridge_height")
"""Heights of [attic] above ground that go along with the floor's."""


def with_constants(plan: AtticPlan) -> AtticPlan:
    """The plan whose [earth] says permittivity and conductivity, at 10 MHz, instead of a name.

    As it is where there is no earth, a perfect one, or one that says them.
    """
    told, earth = plan.file.document.get("earth", {}), plan.earth
    if earth is None or earth.is_perfect:
        return plan
    layers = told.get("layers", [])
    if "permittivity" in told and all("permittivity" in layer for layer in layers):
        return plan
    if earth.layers:
        *upper, below = earth.layers
        if below.earth.is_perfect:
            return plan
        return plan.with_earth(
            Earth.layered(
                [(one.thickness, _constant(one.earth)) for one in upper],
                below=_constant(below.earth),
            )
        )
    return plan.with_earth(_constant(earth))


def _constant(earth: Earth) -> Earth:
    return Earth(
        rounded(float(earth.permittivity_at(AT))), rounded(float(earth.conductivity_at(AT)))
    )


def edits(plan: AtticPlan, unknown: Unknown, value: float) -> dict[TomlPath, Any]:
    """What the attic file says where an unknown has a value, by the path of the key.

    Parameters
    ----------
    plan : AtticPlan
        Of which the unknown is; where it is of the ground, with its constants
        (`with_constants`).
    unknown : Unknown
        Of the kind "key" or "length".
    value : float
        [unit of the unknown]

    Returns
    -------
    dict of path to value
        As `with_values` takes them. With the height of the attic floor go eaves, ridge and all
        that counts from the ground, stretched below the floor; with the moisture go timbers that
        say their own, with the ground below go its layers: each at the same score about its own
        middle, or in proportion within a range; what is told at the edge of what can be stays.

    Raises
    ------
    PriorError
        If the value cannot be, or the unknown is of no key.
    """
    return _edits(plan, plan.file.document, unknown, float(value))


def _edits(
    plan: AtticPlan, document: Mapping[str, Any], unknown: Unknown, value: float
) -> dict[TomlPath, Any]:
    """The same where the file says what is in `document`, others' values put in already."""
    _ = unknown.distribution.score(value)  # complains about what cannot be
    if unknown.kind == "length":
        return _of_length(plan, unknown, value)
    if unknown.kind != "key":
        raise PriorError(
            f"Unknown {unknown.name!r} changes nothing that the attic file says; the model adds it "
            "to what is computed."
        )
    path = resolve(plan.file, unknown.key)[1]
    like = value_at(document, path)
    found = {path: _as_told(value, unknown.unit, like)}
    if unknown.key == HEIGHT:
        return found | _of_height(document, value, plan.attic.floor_level)
    if unknown.key == MOISTURE:
        return found | _of_moisture(document, unknown, value)
    if unknown.key in (PERMITTIVITY, CONDUCTIVITY):
        return found | _of_layers(document, unknown, value)
    return found


def _as_told(value: float, unit: str, like: Any) -> Any:
    told = written(value, unit, like=like)
    return rounded(told) if isinstance(told, float) else told


def _of_length(plan: AtticPlan, unknown: Unknown, value: float) -> dict[TomlPath, Any]:
    path = resolve(plan.file, f"element.{unknown.key}.length")[1]
    like = value_at(plan.file.document, path)
    return {path: written(told_length(plan, unknown.key) * (1.0 + value), "m", like=like)}


def told_length(plan: AtticPlan, element: str) -> float:
    """Length of an element as told, or its whole route. [m]"""
    antenna = plan.antenna
    if antenna is None or all(one.name != element for one in antenna.elements):
        raise PriorError(f"There is no [[element]] {element!r}.")
    told = antenna.element(element)
    if told.length is not None:
        return metres(told.length)
    (wire,) = [wire for wire in antenna.wires() if wire.name == element]
    return float(wire.length)


def lifted(height: float, floor: float, value: float) -> float:
    """A height above ground once the attic floor, which was at `floor`, is at `value`. [m]

    Above the floor all moves along; below it is stretched, so that it stays above ground.
    """
    return height * value / floor if height <= floor else height + value - floor


def _of_height(document: Mapping[str, Any], value: float, floor: float) -> dict[TomlPath, Any]:
    """All heights above ground once the attic floor, which was at `floor`, is at `value`."""
    found: dict[TomlPath, Any] = {}

    def put(path: TomlPath, told: Any) -> None:
        found[path] = written(lifted(metres(told), floor, value), "m", like=told)

    for key in ABOVE_GROUND:
        if key in document["attic"]:
            put(("attic", key), document["attic"][key])
    if "base" in document.get("walls", {}):
        put(("walls", "base"), document["walls"]["base"])
    for name, several in document.items():
        listed = [((name,), several)] if isinstance(several, dict) else [
            ((name, n), one) for n, one in enumerate(several)
        ]  # fmt: skip
        for path, told in listed:
            if not isinstance(told, dict) or told.get("heights_from") != "ground":
                continue
            if name == "room" and "floor" in told:
                put((*path, "floor"), told["floor"])
            for key in ("points", "corners"):
                for n, point in enumerate(told.get(key, [])):
                    if isinstance(point, list) and len(point) == 3:
                        put((*path, key, n, 2), point[2])
            for n, seam in enumerate(told.get("seams", [])):
                for m, point in enumerate(seam):
                    put((*path, "seams", n, m, 2), point[2])
    return found


def _of_moisture(
    document: Mapping[str, Any], unknown: Unknown, value: float
) -> dict[TomlPath, Any]:
    """Moistures of tables of timber that say their own, as far up or down as the house's."""
    found: dict[TomlPath, Any] = {}
    for name in HOUSE_TABLES:
        several = document.get(name, [])
        listed = [((name,), several)] if isinstance(several, dict) else [
            ((name, n), one) for n, one in enumerate(several)
        ]  # fmt: skip
        for path, told in listed:
            if name != "house" and "moisture" in told:
                read = read_quantity(told["moisture"])
                if read is not None:
                    found[(*path, "moisture")] = _alike(unknown, value, read[0])
    return found


def _of_layers(document: Mapping[str, Any], unknown: Unknown, value: float) -> dict[TomlPath, Any]:
    key = unknown.key.rpartition(".")[2]
    found: dict[TomlPath, Any] = {}
    for n, layer in enumerate(document.get("earth", {}).get("layers", [])):
        read = read_quantity(layer.get(key))
        if read is not None and read[0] > 0.0:
            found[("earth", "layers", n, key)] = _alike(unknown, value, read[0])
    return found


def _alike(unknown: Unknown, value: float, middle: float) -> float:
    """The value about another middle at the same score."""
    spread = unknown.distribution
    if spread.shape == "between":
        return rounded(middle * value / spread.middle)
    try:
        about = spread.about(middle)
    except PriorError:  # told at the edge of what can be: it stays
        return middle
    return rounded(about.value(spread.score(value)))


# ---- together ----------------------------------------------------------------------------

ORDER = {PERMITTIVITY: 0, CONDUCTIVITY: 0, MOISTURE: 0, HEIGHT: 2}
"""What moves others along comes before them; what moves all heights last."""


def apply_values(
    plan: AtticPlan, values: Mapping[str, float], unknowns: Sequence[Unknown]
) -> AtticPlan:
    """The plan in which unknowns have values, its scene checked; see `apply`."""
    known = {one.name: one for one in unknowns}
    strange = [name for name in values if name not in known]
    if strange:
        raise PriorError(
            f"Nothing unknown is called {strange[0]!r}. There are: "
            f"{', '.join(map(repr, known)) or 'none'}."
        )
    if not values:
        return plan
    _ = plan.text  # complains if the text does not say what the plan is
    told = [known[name] for name in values]
    changed = varied(plan, {one: float(values[one.name]) for one in told})
    fault = changed_topology(plan, changed)
    if fault:
        raise PriorError(f"With {_listed(values, known)} {fault}.")
    _ = changed.scene()
    return changed


def varied(plan: AtticPlan, values: Mapping[Unknown, float]) -> AtticPlan:
    """The plan in which unknowns have values, read anew but not checked as a scene."""
    is_earth = any(one.key in (PERMITTIVITY, CONDUCTIVITY) for one in values)
    base = with_constants(plan) if is_earth else plan
    _ = base.text
    document: dict[str, Any] = base.file.document
    changes: dict[TomlPath, Any] = {}
    for one in sorted(values, key=lambda one: ORDER.get(one.key, 1)):
        value = values[one]
        if not math.isfinite(value):
            raise PriorError(f"Unknown {one.name!r} is {value!r}; it must be a finite number.")
        step = _edits(base, document, one, value)
        changes |= step
        document = with_document(document, step)
    return plan_from(with_values(base.file, changes))


def changed_topology(plan: AtticPlan, changed: AtticPlan) -> str:
    """What two plans have not in common of names and bends of their wires, "" where nothing."""
    before, after = _bends(plan), _bends(changed)
    for name, bends in before.items():
        if name not in after:
            return f"there is no {name!r} any more"
        if after[name] != bends:
            return f"{name!r} has {after[name] - 2} bends instead of {bends - 2}"
    new = [name for name in after if name not in before]
    return f"there is {new[0]!r} besides" if new else ""


def _bends(plan: AtticPlan) -> dict[str, int]:
    own = [] if plan.antenna is None else list(plan.antenna.wires())
    wires = [*own, *plan.other_wires]
    for piece in plan.house:
        wires += piece.wires() if isinstance(piece, METAL) else []
    return {wire.name: len(wire.vertices) for wire in wires}


def _listed(values: Mapping[str, float], known: Mapping[str, Unknown]) -> str:
    return ", ".join(f"{name} {known[name].in_words(float(v))}" for name, v in values.items())


def height_room(plan: AtticPlan) -> float:
    """How far the attic floor may come down before what hangs from it meets the ground. [m]"""
    told = plan.file.document
    lowest = plan.attic.floor_level
    for piece in (*plan.wires, *plan.house):
        path = plan.origins.get(piece.name)
        table = None if path is None else value_at(told, path)
        if isinstance(table, dict) and table.get("heights_from") == "ground":
            continue
        parts = piece.wires() if isinstance(piece, METAL) else [piece]
        for part in parts:
            if isinstance(part, Wire):
                lowest = min(lowest, float(part.vertices[:, 2].min()))
    return max(lowest, 0.0)
