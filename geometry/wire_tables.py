"""The tables of plain wires in an attic file: [[wire]], [[loop]], [[dipole]] and [[feed]]."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from .antenna import Loop, check_inside
from .feeds import Feed
from .file_tables import FileTable
from .lengths import metres
from .wires import Wire

if TYPE_CHECKING:
    from .attic_file import AtticReader

__all__ = [
    "HEIGHTS_FROM",
    "read_dipoles",
    "read_feeds",
    "read_loops",
    "read_named_points",
    "read_place",
    "read_wires",
]

HEIGHTS_FROM = ("attic floor", "ground")


def read_place(table: FileTable, key: str) -> Any:
    """A place along a conductor: a length, or a word such as "end"; None where not told."""
    told = table.take(key, None)
    if isinstance(told, str) and not re.search(r"\d", told):
        return told
    return table.length(key, None, least=0.0, most=1000.0)


def read_named_points(table: FileTable) -> dict[str, Any]:
    """Places on a conductor to report on, by their names."""
    told = table.take("named", {})
    if not isinstance(told, dict):
        raise table.error(
            "named", 'must be {name = place}, as {breaker = "start", alarm = "4.2 m"}.'
        )
    inner = FileTable(table.file, (*table.path, "named"), told)
    return {key: read_place(inner, key) for key in told}


def read_wires(reader: AtticReader) -> list[Wire]:
    found = []
    for table in reader.file.tables("wire"):
        name = reader.named(table)
        points = table.points("points", least=2)
        ground = table.choice("heights_from", HEIGHTS_FROM, "attic floor") == "ground"
        marks = table.take("marks", [])
        named = read_named_points(table)
        kind = reader.plain_kind(table, repr(name))
        outside = table.flag("outside", False)
        table.finish()
        with table.blamed("points"):
            wire = Wire(
                points
                if ground
                else reader.attic.to_world([[float(v) for v in p] for p in points]),
                name=name,
                marks=marks,
                outside=outside,
                **kind.options,
            )
            check_inside(wire, reader.attic)
        with table.blamed("named"):
            found.append(replace(wire, named_points=named))
    return found


def read_loops(reader: AtticReader) -> list[Loop]:
    found = []
    for table in reader.file.tables("loop"):
        name = reader.named(table)
        points = table.points("points", least=3)
        ground = table.choice("heights_from", HEIGHTS_FROM, "attic floor") == "ground"
        opening = table.length("opening_at", None, least=0.0)
        is_open = table.flag("open", False)
        kind = reader.plain_kind(table, repr(name))
        outside = table.flag("outside", False)
        table.finish()
        if ground:
            floor = reader.attic.floor_level
            points = [(x, y, float(z) - floor) for x, y, z in points]
        with table.blamed("opening_at" if opening is not None else "points"):
            found.append(
                Loop(
                    points,
                    kind=kind,
                    name=name,
                    opening_at=opening,
                    is_open=is_open,
                    attic=reader.attic,
                    outside=outside,
                )
            )
    return found


def read_dipoles(reader: AtticReader, feeds: list[Feed]) -> list[Wire]:
    found = []
    for table in reader.file.tables("dipole"):
        name = reader.named(table)
        centre = [float(v) for v in table.point("centre")]
        length = table.length("length", least=0.05, most=500.0)
        bearing = table.number("bearing", least=-360.0, most=360.0, unit="degrees")
        fed = table.flag("fed", True)
        kind = reader.plain_kind(table, repr(name))
        outside = table.flag("outside", False)
        table.finish()
        turn = math.radians(reader.attic.azimuth(bearing))
        half = [0.5 * length * math.cos(turn), 0.5 * length * math.sin(turn), 0.0]
        ends = [[c + s * h for c, h in zip(centre, half, strict=True)] for s in (-1.0, 1.0)]
        with table.blamed("length"):
            wire = Wire(reader.attic.to_world(ends), name=name, outside=outside, **kind.options)
            check_inside(wire, reader.attic)
            if fed:
                feeds.append(Feed(name, at=0.5 * wire.length, name=name))
        found.append(wire)
    return found


def read_feeds(reader: AtticReader, wires: dict[str, Wire]) -> list[Feed]:
    found = []
    for table in reader.file.tables("feed"):
        on = table.take("wire")
        names = [on] if isinstance(on, str) else on
        if not isinstance(names, list) or not all(isinstance(n, str) for n in names):
            raise table.error("wire", "must be the name of a wire, or a list of names.")
        for one in names:
            if one not in wires and one not in reader.origins:
                raise table.error(
                    "wire",
                    f"no wire is called {one!r}; there are: {', '.join(map(repr, wires))}.",
                )
        at = table.take("at", "start")
        if at not in ("start", "middle", "end"):
            at = table.length("at", least=0.0)
        elif at == "middle":
            if len(names) > 1 or names[0] not in wires:
                raise table.error("at", "'middle' goes with one [[wire]] or [[loop]].")
            at = 0.5 * wires[names[0]].length
        termination = table.take("termination", None)
        if termination is not None and termination != "open":
            termination = table.number("termination", least=0.0, most=1e9, unit="ohm")
        voltage = table.number("voltage", 1.0, least=-1e6, most=1e6, unit="V")
        name = table.string("name", "feed")
        table.finish()
        for one in names:
            if one in wires and not isinstance(at, str) and metres(at) > wires[one].length:
                raise table.error(
                    "at", f"is off wire {one!r}, which is {wires[one].length:.3f} m long."
                )
        with table.blamed():
            found.append(Feed(names, at=at, name=name, termination=termination, voltage=voltage))
    return found
