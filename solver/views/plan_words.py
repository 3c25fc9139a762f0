"""An attic file in words: what was read of wires, feeds, house and ground, a line each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ...geometry.plan import AtticPlan
    from ...geometry.wires import Wire
    from ...materials import Earth

__all__ = ["earth_in_words", "house_in_words", "plan_in_words"]


def plan_in_words(plan: AtticPlan) -> list[str]:
    """Wires, feeds, house, rooms and ground, a line each, so that a slip of the pen shows."""
    lines, radials = [], []
    for wire in plan.wires:
        if wire.name.startswith("radial "):
            radials.append(wire)
        else:
            lines.append(f"{wire.name}: {wire.length:.2f} m, {_thickness(wire)}")
    if radials:
        lengths = [wire.length for wire in radials]
        spread = f"{min(lengths):.2f} m"
        if max(lengths) - min(lengths) >= 0.005:
            spread += f" to {max(lengths):.2f} m"
        kinds = "; ".join(dict.fromkeys(_thickness(wire) for wire in radials))
        several = len(radials) > 1
        lines.append(
            f"{len(radials)} radial{'s' * several}, {'each ' * several}{spread}, "
            f"{sum(lengths):.1f} m in all, {kinds}"
        )
    for feed in plan.feeds:
        wires = ", ".join(feed.wires)
        at = f"{feed.at:.2f} m" if isinstance(feed.at, float) and feed.at else feed.at or "start"
        end = feed.termination
        if end is None:
            what = "feed"
        elif end == "open":
            what = "opening, open"
        elif isinstance(end, complex):
            what = "opening, closed" if end == 0 else f"gap with {end:g} ohm"
        else:
            what = f"gap with {end}"
        lines.append(f"{what}: at {at} of {wires}")
    for load in plan.scene().loads:
        at = f"{load.at:.2f} m" if isinstance(load.at, float) else load.at
        lines.append(f"load: {load.name}, {load.impedance}, at {at} of {', '.join(load.wires)}")
    if plan.earth is None:
        ground = "none, free space"
    else:
        named = f"{plan.earth.name}, " if plan.earth.name else ""
        ground = f"{named}{earth_in_words(plan.earth)}"
    rooms = [f"room {room}" for room in plan.rooms]
    return [*lines, *house_in_words(plan.house), *rooms, f"ground: {ground}"]


def _thickness(wire: Wire) -> str:
    """Radius and metal in words."""
    metal = "no loss" if wire.conductor is None else wire.conductor.name
    return f"{1e3 * wire.radius:.3g} mm radius, {metal}"


def house_in_words(house: Sequence[Any]) -> list[str]:
    """A line for each group of timber or sheets and for each piece of metal."""
    groups: dict[str, list[Any]] = {}
    for piece in house:
        groups.setdefault(getattr(piece, "group", "") or piece.name, []).append(piece)
    lines = []
    for name, pieces in groups.items():
        one, count = pieces[0], f"{len(pieces)} of " * (len(pieces) > 1)
        if one.kind == "timber":
            width, depth = 2e3 * one.half[1:]
            what = f"{width:.4g} x {depth:.4g} mm {one.wood.species}, "
            what += f"{100 * one.wood.moisture:.3g} % moist"
        elif one.kind == "sheet":
            what = f"{1e3 * float(one.thickness):.4g} mm {one.material.name}, "
            what += f"{sum(p.area for p in pieces):.1f} m2"
        elif one.kind == "screen":
            metal = "no loss" if one.conductor is None else one.conductor.name
            metal += ", joined to each other" * (len(pieces) > 1)
            what = f"{metal}, {len(one.seams)} seam{'s' * (len(one.seams) != 1)}, {_tied(one)}"
        else:
            length = sum(wire.length for wire in one.wires())
            what = f"{one.kind}, {length:.2f} m, {_thickness(one.wires()[0])}, {_tied(one)}"
        lines.append(f"{name}: {count}{what}")
    return lines


def _tied(piece: Any) -> str:
    """What metal of the house is joined to by its own word."""
    bonds = [f"bonded to {bond.to}" for bond in piece.bonded]
    return ", ".join([*bonds, *["led to earth"] * (piece.earthed is not None)]) or "not bonded"


def earth_in_words(earth: Earth) -> str:
    """Permittivity and conductivity in words."""
    if earth.is_perfect:
        return "no loss"
    words = f"eps_r {earth.relative_permittivity:g}, {1e3 * earth.conductivity:g} mS/m"
    if earth.variation is None:
        return words
    return f"{words} at low frequencies, varying with frequency"
