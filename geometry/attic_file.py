"""The attic file: TOML with a schema of our own, and the plan that is read from it.

Schema. Lengths are numbers in metres or text with a unit ("12 ft 6 in"). Points are
[x, y, height] in attic coordinates (see `attic`); bearings are true compass degrees. Ceiling,
eaves and ridge heights of the house count from the ground, all other heights from the attic floor
unless heights_from = "ground" stands beside them or their key says so.

``[attic]``
    size = [along the ridge, across] or outline = [[x, y], ...]; ceiling_height = attic floor above
    ground; ridge_height, eaves_height, both above ground too, to the underside of the roof, and
    pitch (two of the three say the third); ridge_bearing; name
``[antenna]``
    feed_point = [x, y] or [x, y, height]; wire; name
``[[element]]``
    name; route = [points] or steps as `Route.told` reads them; length; wire; outside
``[counterpoise]``
    radials = number, with length and start_bearing; or a list of {bearing, length} or
    {points, length}, with name, outside; height; fit = true to bend them within the walls, margin,
    spacing; wire; outside;
    bonded = ["name of a wire or of metal of the house", {wire = "name", at = "2 m"}]
``[[wire]]``
    name; points; heights_from = "attic floor" or "ground"; marks; named; wire; outside
``[[dipole]]``
    name; centre; length; bearing; fed; wire; outside
``[[loop]]``
    name; points; opening_at; open; heights_from; wire; outside
``[feed]`` or ``[[feed]]``
    one more besides the feed that [antenna] makes at its feed_point: wire = name or names; at =
    length, "start", "middle" or "end"; name; termination = ohms or "open"; voltage
``[[room]]``
    name; floor = height of its floor, below 0 under the attic floor; heights_from = "attic floor"
    or "ground"; size = [along x, along y] with at = [x, y], its corner of least x and y, or
    corners = [[x, y], ...], or plan = "whole house"; planes = [heights above its floor], 0.5, 1.0,
    1.5 and 2.0 m where left out; who = "general" or "occupational"
``[earth]``
    ground = name; or permittivity and conductivity (S/m, or "5 mS/m"); or perfect = true;
    or free_space = true; layers = [{thickness = "0.4 m", ground = name}, ...] from the top down,
    above that

Wherever it says wire: wire = "1.5 mm2 copper, PVC", or gauge or radius with conductor, jacket.
All other tables belong to those who name them in `other_tables`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .antenna import BentL, Element, Route
from .attic import Attic
from .counterpoise import Bond, Counterpoise, Radial
from .errors import AtticFileError, FeedError, GeometryError
from .feeds import Feed
from .file_tables import SINGLES, AtticFile, FileTable
from .house_file import read_house
from .jackets import Jacket
from .lengths import Length, metres
from .load_tables import read_loads
from .plan import Assumption, AtticPlan
from .positions import TomlPath
from .room_tables import read_rooms
from .wire_kinds import WireKind
from .wire_tables import read_dipoles, read_feeds, read_loops, read_wires
from .wires import Wire

if TYPE_CHECKING:
    from ..materials import Earth

__all__ = ["load_attic_file", "read_attic_text"]

_DEFAULT_WIRE = "1.5 mm2 copper, bare"
_DEFAULT_GROUND = "medium dry ground"


def load_attic_file(path: str | Path, *, other_tables: Sequence[str] = ()) -> AtticPlan:
    """Read an attic file.

    Parameters
    ----------
    path : str or Path
        The file.
    other_tables : sequence of str
        Tables of others, handed on unparsed with their positions.

    Returns
    -------
    AtticPlan

    Raises
    ------
    AtticFileError
        If the file cannot be read or a value in it cannot be used: file, line, table, key, value
        and what is allowed.
    """
    return plan_from(AtticFile.read(path, other_tables=other_tables))


def read_attic_text(
    text: str, *, name: str = "attic text", other_tables: Sequence[str] = ()
) -> AtticPlan:
    """The same from a text; `name` stands for the file in messages."""
    return plan_from(AtticFile.from_text(text, name=name, other_tables=other_tables))


def plan_from(file: AtticFile) -> AtticPlan:
    """Build the plan of a parsed file; see `load_attic_file`."""
    return AtticReader(file).plan()


@dataclass
class _Told:
    """What was assumed and what looks doubtful, gathered while reading."""

    assumptions: list[Assumption]
    remarks: list[str]

    def assume(self, what: str, value: str, why: str, weight: float) -> None:
        self.assumptions.append(Assumption(what, value, why, weight))


class AtticReader:
    """One pass over a file."""

    def __init__(self, file: AtticFile) -> None:
        self.file = file
        self.told = _Told([], [])
        self.origins: dict[str, TomlPath] = {}
        self.jackets: dict[str, None] = {}
        self.stranded: dict[str, None] = {}
        self.house_bonds: dict[str, Length | None] = {}

    def plan(self) -> AtticPlan:
        if not self.file.has("attic"):
            raise self.file.error(
                (), "the table [attic] is missing; it needs size, ceiling_height, ridge_height."
            )
        self.attic = self.read_attic()
        earth = self.read_earth()
        wires = {wire.name: wire for wire in read_wires(self)}
        loops, feeds = read_loops(self), []
        for loop in loops:
            switch = loop.switch()
            wires[loop.name] = loop.wire()
            feeds += [] if switch is None else [switch]
        dipoles = read_dipoles(self, feeds)
        wires.update({wire.name: wire for wire in dipoles})
        antenna = self.read_antenna(wires)
        house = read_house(self)
        rooms = read_rooms(self)
        feeds = read_feeds(self, wires) + feeds
        own = [] if antenna is None else [wire.name for wire in antenna.wires()]
        loads = read_loads(self, dict.fromkeys([*own, *wires]))
        bonded = {bond.wire.name for bond in antenna.counterpoise.bonds} if antenna else set()
        if antenna is None and not feeds:
            raise self.file.error(
                (),
                "nothing is fed. Give an [antenna] with [[element]] and [counterpoise], a "
                "[[dipole]], or a [feed] with the name of a [[wire]].",
            )
        self.look_at_feeds([*([antenna.feed()] if antenna else []), *feeds])
        for size in self.stranded:
            self.told.assume(
                "strands",
                f"computed as solid wire of {size}",
                "stranded wire of the same section is 10-15 % thicker outside",
                0.15,
            )
        for jacket in self.jackets:
            self.told.assume(
                "jacket",
                jacket,
                "its thickness is not told; resonances hang on it by half a per cent",
                0.3,
            )
        return AtticPlan(
            file=self.file,
            attic=self.attic,
            antenna=antenna,
            other_wires=tuple(wire for name, wire in wires.items() if name not in bonded),
            other_feeds=tuple(feeds),
            loads=tuple(loads),
            loops=tuple(loops),
            earth=earth,
            assumptions=tuple(sorted(self.told.assumptions, key=lambda a: -a.weight)),
            remarks=tuple(self.told.remarks),
            origins=self.origins,
            house=house,
            rooms=rooms,
        )

    # ---- tables --------------------------------------------------------------------------

    def read_attic(self) -> Attic:
        table = self.file.table("attic")
        size = table.point("size", None, sizes=(2,))
        outline = table.points("outline", None, sizes=(2,), least=3)
        heights = {
            "ceiling_height": table.length("ceiling_height", least=0.05, most=100.0),
            "ridge_height": table.length("ridge_height", None, least=0.1, most=120.0),
            "eaves_height": table.length("eaves_height", None, least=0.05, most=120.0),
            "pitch": table.number("pitch", None, least=1.0, most=85.0, unit="degrees"),
        }
        bearing = table.number("ridge_bearing", None, least=-360.0, most=360.0, unit="degrees")
        name = table.string("name", "attic")
        table.finish()
        if bearing is None:
            bearing = 90.0
            self.told.assume(
                "ridge_bearing", "90 deg", "not told; every printed bearing hangs on it", 0.7
            )
        with table.blamed():
            attic = Attic(size, outline, ridge_bearing=float(bearing), name=name, **heights)
        if attic.eaves_are_assumed:
            self.told.assume(
                "eaves_height",
                f"{attic.eaves_level:.2f} m",
                "not told; the roof is taken to spring from the attic floor",
                0.4,
            )
        return attic

    def read_earth(self) -> Earth | None:
        from ..materials import Earth

        table = self.file.table("earth")
        ground = table.string("ground", None)
        permittivity = table.number("permittivity", None, least=1.0, most=100.0)
        conductivity = self.read_conductivity(table)
        perfect = table.flag("perfect", False)
        free = table.flag("free_space", False)
        layers = table.take("layers", None)
        table.finish()
        constants = permittivity is not None or conductivity is not None
        if [ground is not None, constants, perfect, free].count(True) > 1:
            raise table.error(
                None,
                "say one of: ground, permittivity with conductivity, perfect = true, "
                "free_space = true.",
            )
        if free:
            if layers is not None:
                raise table.error("layers", "there are none in free space; leave out one of them.")
            return None
        if perfect:
            return self.read_layers(table, layers, Earth.perfect())
        if constants:
            return self.read_layers(
                table, layers, self.read_constants(table, permittivity, conductivity)
            )
        if ground is None:
            self.told.assume(
                "earth",
                _DEFAULT_GROUND,
                "not told; real constants vary tenfold from place to place",
                0.9,
            )
            ground = _DEFAULT_GROUND
        with table.blamed("ground"):
            below = Earth.named(ground)
        return self.read_layers(table, layers, below)

    def read_constants(
        self, table: FileTable, permittivity: float | None, conductivity: float | None
    ) -> Earth:
        from ..materials import Earth

        if permittivity is None or conductivity is None:
            missing = "permittivity" if permittivity is None else "conductivity"
            raise table.error(missing, "is missing; permittivity and conductivity go together.")
        return Earth(float(permittivity), float(conductivity))

    def read_layers(self, table: FileTable, told: Any, below: Earth) -> Earth:
        """The layers on top of what is below them, which is all there is where none are told."""
        from ..materials import Earth

        if told is None:
            return below
        if not isinstance(told, list) or not told:
            raise table.error(
                "layers", 'must be a list as [{thickness = "0.4 m", ground = "wet ground"}].'
            )
        found = []
        for n, values in enumerate(told):
            if not isinstance(values, dict):
                raise table.error("layers", "must be {thickness = ..., ground = ...}.", item=n)
            layer = FileTable(self.file, ("earth", "layers", n), values)
            thickness = layer.length("thickness", least=1e-4, most=1000.0)
            ground = layer.string("ground", None)
            permittivity = layer.number("permittivity", None, least=1.0, most=100.0)
            conductivity = self.read_conductivity(layer)
            layer.finish()
            if (ground is None) == (permittivity is None and conductivity is None):
                raise layer.error(None, "say either ground, or permittivity with conductivity.")
            if ground is None:
                earth = self.read_constants(layer, permittivity, conductivity)
            else:
                with layer.blamed("ground"):
                    earth = Earth.named(ground)
            found.append((metres(thickness), earth))
        with table.blamed("layers"):
            return Earth.layered(found, below=below)

    def read_conductivity(self, table: FileTable) -> float | None:
        """A number in S/m, or text with a unit. [S/m]"""
        from ..materials.checks import read_conductivity

        told = table.take("conductivity", None)
        if not isinstance(told, str):
            return table.number("conductivity", None, least=0.0, most=100.0, unit="S/m")
        with table.blamed("conductivity"):
            found = read_conductivity(told)
        if not found <= 100.0:
            raise table.error("conductivity", "must be 0 to 100 S/m.")
        return found

    def kind(self, table: FileTable, default: WireKind | None, *, use: str = "") -> WireKind | None:
        """Thickness, metal and jacket of a table's wire."""
        text = table.string("wire", None) if table.path[0] != "feed" else None
        gauge = table.string("gauge", None)
        radius = table.length("radius", None, least=1e-5, most=1.0)
        metal = table.string("conductor", None)
        jacket = table.string("jacket", None)
        if text is not None:
            for key, value in (
                ("gauge", gauge), ("radius", radius), ("conductor", metal), ("jacket", jacket)
            ):  # fmt: skip
                if value is not None:
                    raise table.error(key, "stands beside wire, which says the same; keep one.")
            with table.blamed("wire"):
                kind = WireKind.from_text(text)
        elif gauge is not None or radius is not None:
            if metal is None:
                self.told.assume(
                    f"conductor of {use or table.label}", "annealed copper", "not told", 0.3
                )
            with table.blamed("conductor" if metal else "gauge" if gauge else "radius"):
                kind = WireKind(
                    gauge=gauge,
                    radius=radius,
                    conductor=None if metal == "lossless" else metal or "annealed copper",
                    jacket=jacket,
                )
        elif metal is not None or jacket is not None:
            key = "conductor" if metal is not None else "jacket"
            raise table.error(key, "needs a gauge or a radius beside it.")
        else:
            return default
        if isinstance(kind.jacket, Jacket) and kind.jacket.is_assumed:
            self.jackets[str(kind.jacket)] = None
        if kind.is_stranded and kind.gauge is not None:
            self.stranded[kind.gauge] = None
        return kind

    def plain_kind(self, table: FileTable, use: str) -> WireKind:
        """The same, with the default wire where nothing is told."""
        kind = self.kind(table, None, use=use)
        if kind is None:
            self.told.assume(f"wire of {use}", _DEFAULT_WIRE, "not told", 0.5)
            kind = WireKind.from_text(_DEFAULT_WIRE)
        return kind

    def named(self, table: FileTable, default: str | None = None) -> str:
        """The name, which must be new."""
        name = table.string("name") if default is None else table.string("name", default)
        if name in self.origins:
            line = self.file.position(self.origins[name])
            where = "" if line is None else f" on line {line}"
            raise table.error("name", f"this name is taken{where}; every wire needs its own.")
        self.origins[name] = table.path
        return name

    def read_antenna(self, wires: dict[str, Wire]) -> BentL | None:
        if not self.file.has("antenna"):
            for name in ("element", "counterpoise"):
                if self.file.has(name):
                    raise self.file.error(
                        (name,), f"[{name}] needs a table [antenna] with the feed_point."
                    )
            return None
        table = self.file.table("antenna")
        feed_point = table.point("feed_point", sizes=(2, 3))
        kind = self.plain_kind(table, "the antenna")
        name = table.string("name", "feed")
        table.finish()
        if len(feed_point) == 2:
            self.told.assume(
                "height of the feed point", "on the attic floor", "feed_point has no height", 0.25
            )
        hub = (*feed_point, Length(0.0))[:3]
        elements = [self.read_element(t, hub) for t in self.file.tables("element")]
        if not elements:
            raise table.error(None, "needs at least one [[element]] with name and route.")
        if not self.file.has("counterpoise"):
            raise table.error(
                None,
                "needs a [counterpoise]: radials and length, or bonded = [...]; without one the "
                "feed has nothing to work against.",
            )
        counterpoise = self.read_counterpoise(wires)
        for n in range(counterpoise.count):
            self.origins.setdefault(f"radial {n + 1}", ("counterpoise",))
        try:
            antenna = BentL(
                feed_point, elements, counterpoise, attic=self.attic, kind=kind, name=name
            )
        except (GeometryError, FeedError) as error:
            raise self.blame(error, ("antenna", "feed_point")) from error
        self.look_at(antenna)
        return antenna

    def blame(self, error: Exception, otherwise: TomlPath) -> AtticFileError:
        """An error from an object, with the place of what it names."""
        text = str(error)
        path = ("counterpoise",) if text.startswith(("Counterpoise", "radial")) else otherwise
        for name in re.findall(r"'([^']+)'", text):
            if name in self.origins:
                path = self.origins[name]
                break
        values: Any = self.file.document
        for step in path:
            values = values[step]
        if not isinstance(values, dict):  # a key, not a table
            path, last = path[:-1], path[-1]
            values = self.file.table(str(path[0])).values if len(path) == 1 else {}
            if last in values:
                return FileTable(self.file, path, values).error(str(last), text)
            return self.file.error((*path, last), text)
        keys = ["route", "points", "length"] if "leaves" in text else ["length", "route", "points"]
        if "above the attic floor" in text:
            keys.insert(0, "height")
        key = next((one for one in keys if one in values), None)
        return FileTable(self.file, path, values).error(key, text)

    def look_at_feeds(self, feeds: Sequence[Feed]) -> None:
        """Record that several feeds are driven alike."""
        driven = [feed for feed in feeds if feed.is_driven]
        if len(driven) > 1 and len({feed.voltage for feed in driven}) == 1:
            self.told.assume(
                "feeds",
                f"all {len(driven)} feeds driven with equal voltage, in phase",
                f"the impedance shown is that of the first, {driven[0].label}",
                0.95,
            )

    def look_at(self, antenna: BentL) -> None:
        """Record what a route hides and what the counterpoise assumed."""
        for element in antenna.elements:
            if element.outside:
                continue
            whole = Route.of(element.route).array
            out = self.attic.way_out(whole)
            if out is not None:
                self.told.remarks.append(
                    f"The route of {element.name!r} leaves the attic beyond the wire's present "
                    f"tip, at ({out[0][0]:.2f}, {out[0][1]:.2f}, {out[0][2]:.2f}) m: {out[1]}. It "
                    "cannot be lengthened to the route's end."
                )

    def read_element(self, table: FileTable, hub: Sequence[Length]) -> Element:
        name = self.named(table)
        route = table.take("route")
        if isinstance(route, str) or (
            isinstance(route, list) and route and all(isinstance(s, str) for s in route)
        ):
            with table.blamed("route"):
                way = Route.told(route, start=hub, attic=self.attic)
        else:
            way = Route(table.points("route"))
        length = table.length("length", None, least=0.05, most=500.0)
        kind = self.kind(table, None, use=name)
        outside = table.flag("outside", False)
        table.finish()
        if length is None:
            self.told.assume(f"length of {name!r}", "its whole route", "not told", 0.2)
        with table.blamed("length" if length is not None else "route"):
            element = Element(name, way, length, kind=kind, outside=outside)
            element.path([float(v) for v in hub])
        return element

    def read_counterpoise(self, wires: dict[str, Wire]) -> Counterpoise:
        table = self.file.table("counterpoise")
        told = table.take("radials", 0)
        length = table.length("length", None, least=0.05, most=200.0)
        start = table.number("start_bearing", None, least=-360.0, most=360.0, unit="degrees")
        height = table.length("height", None, least=0.0, most=50.0)
        fit = table.flag("fit", True)
        margin = table.length("margin", None, least=0.0, most=5.0)
        spacing = table.length("spacing", None, least=0.005, most=1.0)
        outside = table.flag("outside", False)
        bonded = table.take("bonded", [])
        kind = self.kind(table, None, use="the counterpoise")
        table.finish()
        if isinstance(told, list):
            radials: Any = [
                self.read_radial(FileTable(self.file, ("counterpoise", "radials", n), values))
                if isinstance(values, dict)
                else self.no_radial(n, values)
                for n, values in enumerate(told)
            ]
        else:
            radials = table.number("radials", 0, least=0, most=128, whole=True)
        if not isinstance(bonded, list):
            raise table.error("bonded", "must be a list of wire names or {wire, at}.")
        told_bonds = [self.read_bond(n, value, wires) for n, value in enumerate(bonded)]
        bonds = [bond for bond in told_bonds if bond is not None]
        if isinstance(radials, int) and radials:
            if start is None:
                self.told.assume(
                    "start_bearing", "along the ridge, or as they fit", "not told", 0.1
                )
            if fit and not outside and margin is None:
                self.told.assume("margin", "0.1 m", "radials bend this far from the walls", 0.15)
            if fit and not outside and spacing is None:
                self.told.assume("spacing", "0.06 m", "radials along a wall lie so far apart", 0.05)
        if height is None and radials:
            self.told.assume(
                "height of the radials", "the feed point's", "taken to lie on the joists", 0.3
            )
        with table.blamed():
            return Counterpoise(
                radials,
                length,
                start,
                height=height,
                fit=fit,
                margin=0.10 if margin is None else margin,
                spacing=0.06 if spacing is None else spacing,
                bonds=bonds,
                kind=kind,
                outside=outside,
            )

    def no_radial(self, n: int, value: Any) -> Radial:
        raise self.file.error(
            ("counterpoise", "radials", n),
            f"radial {n + 1} is {value!r}; it must be {{bearing = ..., length = ...}} or "
            "{points = [...]}.",
        )

    def read_radial(self, table: FileTable) -> Radial:
        bearing = table.number("bearing", None, least=-360.0, most=360.0, unit="degrees")
        length = table.length("length", None, least=0.05, most=200.0)
        points = table.points("points", None, sizes=(2, 3))
        name = None
        if table.has("name"):
            name = self.named(table)
        outside = table.flag("outside", False)
        table.finish()
        with table.blamed():
            return Radial(length, bearing=bearing, points=points, name=name, outside=outside)

    def metal_names(self) -> list[str]:
        """Names of the metal of the house, before it is read."""
        tables = self.file.document
        metal = [tables.get(name, []) for name in SINGLES if name not in ("timber", "sheet")]
        listed = [one for told in metal for one in ([told] if isinstance(told, dict) else told)]
        return [str(one["name"]) for one in listed if isinstance(one, dict) and "name" in one]

    def read_bond(self, n: int, value: Any, wires: dict[str, Wire]) -> Bond | None:
        path = ("counterpoise", "bonded", n)
        if isinstance(value, str):
            name, at = value, None
        elif isinstance(value, dict):
            table = FileTable(self.file, path, value)
            name, at = table.string("wire"), table.length("at", None, least=0.0)
            table.finish()
        else:
            raise self.file.error(path, f"bonded: {value!r} must be a wire's name or {{wire, at}}.")
        if name not in wires:
            metal = self.metal_names()
            if name in metal:
                self.house_bonds[name] = at
                return None
            raise self.file.error(
                path,
                f"bonded: no [[wire]] or metal of the house is called {name!r}; there are: "
                f"{', '.join(map(repr, (*wires, *metal))) or 'none'}.",
            )
        self.origins.setdefault(f"bond to {name}", ("counterpoise",))
        return Bond(wires[name], at)
