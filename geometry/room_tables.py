"""The tables [[room]] of an attic file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .lengths import metres
from .rooms import HIGHEST, PLANES, TALLEST, WHO, Room
from .wire_tables import HEIGHTS_FROM

if TYPE_CHECKING:
    from .attic_file import AtticReader
    from .file_tables import FileTable

__all__ = ["read_rooms"]


def read_rooms(reader: AtticReader) -> tuple[Room, ...]:
    """All rooms of the file, heights above ground.

    Raises
    ------
    AtticFileError
        If a room cannot be as it is told, or two have one name.
    """
    rooms: dict[str, Room] = {}
    for table in reader.file.tables("room"):
        room = _read_room(reader, table)
        if room.name in rooms:
            raise table.error("name", "another room has this name; every room needs its own.")
        rooms[room.name] = room
    return tuple(rooms.values())


def _read_room(reader: AtticReader, table: FileTable) -> Room:
    name = table.string("name")
    floor = metres(table.length("floor", least=-HIGHEST, most=HIGHEST))
    if table.choice("heights_from", HEIGHTS_FROM, "attic floor") != "ground":
        floor += reader.attic.floor_level
    size = table.point("size", None, sizes=(2,))
    at = table.point("at", None, sizes=(2,))
    corners = table.points("corners", None, sizes=(2,), least=3)
    whole = table.choice("plan", ("whole house",), None)
    told = table.take("planes", list(PLANES))
    who = table.choice("who", WHO, "general")
    table.finish()
    if not isinstance(told, list) or not told:
        raise table.error("planes", "must be a list of heights above its floor, [0.5, 1.0].")
    planes = [
        metres(table.length_of("planes", v, least=0.0, most=TALLEST, item=n))
        for n, v in enumerate(told)
    ]
    ways = [key for key in ("size", "corners", "plan") if table.has(key)]
    if len(ways) > 1:
        raise table.error(ways[1], f"stands beside {ways[0]}; a room has one plan, keep one.")
    if at is not None and size is None:
        raise table.error("at", "needs a size beside it, [along x, along y].")
    key = ways[0] if ways else None
    with table.blamed("floor" if floor < 0.0 else key):
        if corners is not None:
            return Room(name, corners, floor=floor, planes=planes, who=who)
        if size is not None:
            if at is None:
                raise table.error("at", "is missing; the corner of least x and y goes with size.")
            return Room.rectangle(name, size, at=at, floor=floor, planes=planes, who=who)
        if whole is None:
            reader.told.assume(f"plan of room {name!r}", "the whole house", "not told", 0.1)
        return Room.whole_house(name, reader.attic, floor=floor, planes=planes, who=who)
