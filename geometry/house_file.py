"""The house of an attic file: timber, boards and coverings, foil, and everything of metal.

Schema. Builders fill the attic by rule; single pieces are told point by point.

``[house]``
    wood = "spruce", moisture = part of dry mass (0.06 to 0.28), temperature = degrees Celsius: of
    all timber that does not say its own; permittivity_factor, loss_factor = what the permittivity
    less 1, and the loss, of all timber are multiplied by; without = ["timber", "ceiling", "roof",
    "metal"] or "everything": what is known not to be there, so that nobody asks
``[joists]``
    spacing = "600 mm", "16 in"; section = "45 x 195 mm" or "2x8"; direction = "across" or "along"
    the ridge; wood, moisture
``[rafters]``
    spacing; section; position = "above" the attic's roof or "below"; wood, moisture
``[ridge_board]``
    section; position; wood, moisture
``[trusses]``
    spacing; section; wood, moisture; instead of joists and rafters
``[studs]``
    spacing; section; wood, moisture; in both gables
``[ceiling]``
    material; thickness
``[floor]``
    material; thickness
``[roof]``
    covering = "clay tile", "slate", "steel roofing", ...; thickness; wet = true, with water on it;
    metal is joined along the ridge and floats
``[walls]``
    material; thickness; base = where they begin above ground; the gables, from the attic floor up
``[[timber]]``
    name; points = [start, end]; section; heights_from; wood, moisture
``[[sheet]]``
    name; corners = [points]; material; thickness; heights_from
``[[screen]]``
    name; corners; material = "aluminium foil", ...; seams = [[point, point], ...]; heights_from;
    bonded; earthed
``[[duct]]``, ``[[pipe]]``, ``[[gutter]]``, ``[[downpipe]]``
    name; points; size = "200 x 100 mm" or a diameter, "160 mm"; conductor; heights_from; bonded;
    earthed; named
``[[tank]]``
    name; points, the middles of its two ends; size; conductor; heights_from; bonded; earthed;
    named
``[[cable]]``
    name; points; wire = "1.5 mm2 copper, PVC"; cores, with spacing and flat = true; closed = true;
    heights_from; bonded; earthed; named

For metal: bonded = ["name of a wire or piece", {to = "name", at = "2 m", own = "end"}, ...] joins
it to them, where they are nearest unless told; "counterpoise" is the feed point. earthed = true,
{rod = "1.5 m"} or {impedance = ohms} leads its lowest end into the earth, which must not have
layers then. Pieces whose points meet within 1 mm are joined as they are. named = {breaker =
"start", alarm = "4.2 m"} are places to report on.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

from .coax import Coax
from .errors import GeometryError
from .file_tables import BUILDERS, SINGLES, FileTable
from .lengths import Length, metres
from .load_tables import read_coax
from .metalwork import BondTo, Cable
from .wire_kinds import WireKind
from .wire_tables import HEIGHTS_FROM, read_named_points, read_place

if TYPE_CHECKING:
    from ..materials import Wood
    from .attic_file import AtticReader

__all__ = ["BUILDERS", "SINGLES", "read_house", "sizes"]

TIMBERS = ("joists", "rafters", "ridge_board", "trusses", "studs", "timber")

PARTS = {
    "timber": (TIMBERS, "no joists, rafters or other wood", 0.5),
    "metal": (
        ("screen", "duct", "pipe", "gutter", "downpipe", "tank", "cable"),
        "no cables, ducts, pipes or foil, though every house has some",
        0.6,
    ),
    "roof": (("roof",), "no covering; tiles and a wet layer detune, metal shuts in", 0.35),
    "ceiling": (("ceiling", "sheet"), "no board under the joists", 0.15),
}
"""What a house is made of: its tables, what it means if none is told, and how much that weighs."""

SPACING = "600 mm"
SECTIONS = {
    "joists": "45 x 195 mm", "rafters": "45 x 170 mm", "ridge_board": "45 x 220 mm",
    "trusses": "45 x 120 mm", "studs": "45 x 95 mm", "timber": "45 x 195 mm",
}  # fmt: skip
SHEETS = {
    "ceiling": ("plasterboard", "12.5 mm"), "floor": ("chipboard", "22 mm"),
    "walls": ("brick", "110 mm"), "sheet": ("plasterboard", "12.5 mm"),
}  # fmt: skip
METALS = {
    "duct": ("galvanised steel", None), "pipe": ("annealed copper", "22 mm"),
    "gutter": ("galvanised steel", "125 mm"), "downpipe": ("galvanised steel", "80 mm"),
    "tank": ("mild steel", None),
}  # fmt: skip
"""Metal and size where none is told; a duct and a tank must tell their size."""

CABLE, CORES = "1.5 mm2 copper, PVC", 3
MOISTURE, SPECIES, TEMPERATURE = 0.12, "spruce", 15.0

_SIZES = re.compile(r"(?P<first>.+?)\s*(?:x|X|×|by)\s*(?P<second>.+)")
_UNIT = re.compile(r"[a-z\"″']+\.?\s*$", re.IGNORECASE)


def sizes(text: str) -> tuple[Length, ...]:
    """One size, or the two of "200 x 100 mm" (the unit behind the last counts for both). [m]

    Raises
    ------
    GeometryError
        If it is neither.
    """
    match = _SIZES.fullmatch(text.strip())
    if match is None:
        return (Length(text),)
    first, second = match["first"], match["second"]
    unit = _UNIT.search(second)
    if _UNIT.search(first) is None and unit is not None:
        first += f" {unit[0].strip()}"
    return Length(first), Length(second)


@dataclass
class _Guesses:
    """Defaults that several tables share, so that each is told once with all that use it."""

    used: dict[tuple[str, str, str, float], list[str]] = field(default_factory=dict)

    def note(self, what: str, value: Any, why: str, weight: float, user: str) -> None:
        users = self.used.setdefault((what, str(value), why, weight), [])
        if user not in users:
            users.append(user)

    def tell(self, assume: Callable[[str, str, str, float], None]) -> None:
        for (what, value, why, weight), users in self.used.items():
            several = ", ".join(users[:4]) + (f" and {len(users) - 4} more" * (len(users) > 4))
            assume(f"{what} of {several}", value, why, weight)


def read_house(reader: AtticReader) -> tuple[Any, ...]:
    """All pieces of the house: solids and metal, world coordinates, in the order of the tables.

    Names go to `reader.origins`, defaults and what is missing to `reader.told`.
    """
    return _HouseReader(reader).read()


class _HouseReader:
    def __init__(self, reader: AtticReader) -> None:
        self.reader = reader
        self.file = reader.file
        self.attic = reader.attic
        self.guesses = _Guesses()
        self.made: dict[str, list[Any]] = {name: [] for name in BUILDERS}

    def read(self) -> tuple[Any, ...]:
        self.read_defaults()
        pieces: list[Any] = []
        for name in BUILDERS:
            if self.file.has(name):
                table = self.file.table(name)
                pieces += self.built(name, table)
        for name in SINGLES:
            for table in self.file.tables(name):
                pieces.append(self.single(name, table))
        self.look_for_gaps()
        self.guesses.tell(self.reader.told.assume)
        return tuple(pieces)

    # ---- what holds for all --------------------------------------------------------------

    def read_defaults(self) -> None:
        table = self.file.table("house")
        self.species = table.string("wood", None)
        self.moisture = self.read_moisture(table)
        self.temperature = table.number("temperature", None, least=-60.0, most=80.0, unit="deg C")
        self.factors = {
            key: float(table.number(f"{key}_factor", 1.0, least=0.05, most=20.0))
            for key in ("permittivity", "loss")
        }
        if table.values:  # known now, also where no timber uses it
            self.made_wood(table, self.species, self.moisture, self.temperature)
        told = table.take("without", [])
        words = (*PARTS, "everything")
        self.without = [told] if isinstance(told, str) else told
        if not isinstance(self.without, list) or any(w not in words for w in self.without):
            raise table.error("without", f"must be a list of {', '.join(map(repr, words))}.")
        table.finish()
        for part in PARTS if "everything" in self.without else self.without:
            held = [name for name in PARTS[part][0] if self.file.has(name)]
            if held:
                raise table.error(
                    "without", f"says that there is no {part}, but the file has [{held[0]}]."
                )

    def look_for_gaps(self) -> None:
        """Say what is missing from the house; an empty one in a single sentence."""
        told = self.reader.told
        if "everything" in self.without:
            return
        missing = [
            part
            for part, (tables, _, _) in PARTS.items()
            if part not in self.without and not any(self.file.has(name) for name in tables)
        ]
        if len(missing) == len(PARTS) and not any(map(self.file.has, (*BUILDERS, *SINGLES))):
            told.assume(
                "house",
                "nothing but the wires",
                "no timber, ceiling, roof, cables or ducts told; results will be optimistic",
                0.85,
            )
            told.remarks.append(
                "The house is missing: the file tells of no timber, ceiling, roof, cables or "
                "ducts, and results will be optimistic. Add at least [joists], [rafters], "
                "[ceiling], [roof] and the longest [[cable]]; or say under [house] without = "
                '"everything".'
            )
            return
        for part in missing:
            _, why, weight = PARTS[part]
            told.assume(
                f"{part} of the house",
                "none",
                f'{why}; if there is none, say [house] without = ["{part}"]',
                weight,
            )

    # ---- by rule -------------------------------------------------------------------------

    def built(self, name: str, table: FileTable) -> list[Any]:
        from . import framing

        options: dict[str, Any] = {}
        if name in ("joists", "rafters", "trusses", "studs"):
            options["spacing"] = self.spacing(table, name)
        if name in SECTIONS:
            options["section"] = self.section(table, name)
            options["wood"] = self.wood(table, name)
        if name == "joists":
            options["direction"] = table.choice("direction", ("across", "along"), "across")
        if name in ("rafters", "ridge_board"):
            options["position"] = table.choice("position", ("above", "below"), "above")
        if name in SHEETS:
            material, thickness = SHEETS[name]
            options["material"] = self.guessed(table, "material", material, name, 0.2)
            options["thickness"] = self.thickness(table, thickness, name)
        if name == "ceiling":
            options["under"] = self.made["joists"] or self.made["trusses"] or None
        if name == "walls":
            options["base"] = table.length("base", None, least=0.0, most=100.0)
        if name == "roof":
            options |= self.covering(table)
        table.finish()
        self.reader.origins.setdefault(name, table.path)
        build = getattr(framing, name)
        with table.blamed():
            pieces = list(build(self.attic, **options))
        self.made[name] = pieces
        if [piece.kind for piece in pieces].count("screen") > 1:
            self.guesses.note(
                "ridge", "both slopes joined", "metal roofing overlaps there", 0.1, "the metal roof"
            )
        for piece in pieces:
            self.reader.origins.setdefault(piece.name, table.path)
        return pieces

    def covering(self, table: FileTable) -> dict[str, Any]:
        """What lies on the rafters."""
        from .framing import COVERINGS

        covering = self.guessed(table, "covering", "clay tile", "roof", 0.3)
        thickness = table.length("thickness", None, least=1e-5, most=1.0)
        usual = COVERINGS.get(covering)
        if thickness is None and usual:
            self.guesses.note("thickness", f"{1e3 * usual:g} mm", "not told", 0.15, "roof")
        rafters = [*self.made["rafters"], *self.made["ridge_board"], *self.made["trusses"]]
        return {
            "covering": covering,
            "thickness": thickness,
            "wet": table.flag("wet", False),
            "on": rafters or None,
        }

    def spacing(self, table: FileTable, user: str) -> Length:
        told = table.length("spacing", None, least=0.05, most=10.0)
        if told is None:
            self.guesses.note("spacing", SPACING, "not told", 0.25, user)
            return Length(SPACING)
        return told

    def section(self, table: FileTable, name: str, user: str = "") -> str:
        told = table.string("section", None)
        if told is None:
            told = SECTIONS[name]
            self.guesses.note("section", told, "not told", 0.25, user or name)
        return told

    def guessed(self, table: FileTable, key: str, default: str, user: str, weight: float) -> str:
        told = table.string(key, None)
        if told is None:
            self.guesses.note(key, default, "not told", weight, user)
            return default
        return told

    def thickness(self, table: FileTable, default: str, user: str) -> Length:
        told = table.length("thickness", None, least=1e-5, most=2.0)
        if told is None:
            self.guesses.note("thickness", default, "not told", 0.15, user)
            return Length(default)
        return told

    def read_moisture(self, table: FileTable) -> float | None:
        """A part of the dry mass, or text in per cent. [1]"""
        told = table.take("moisture", None)
        if isinstance(told, str) and told.strip().endswith("%"):
            from ..materials import MaterialError
            from ..materials.checks import read_per_cent

            try:
                told = read_per_cent(told, what="moisture", cure="")
            except MaterialError:
                raise table.error("moisture", 'must be as 0.12 or "12 %".') from None
            if not 0.0 <= told <= 1.0:
                raise table.error("moisture", 'must be 0 to 1, as 0.12 or "12 %".')
            return told
        return table.number(
            "moisture", None, least=0.0, most=1.0, unit='of the dry mass ("12 %" is 0.12)'
        )

    def wood(self, table: FileTable, user: str) -> Wood:
        species = table.string("wood", None) or self.species
        moisture = self.read_moisture(table)
        moisture = self.moisture if moisture is None else moisture
        if species is None:
            species = SPECIES
            self.guesses.note("wood", species, "not told", 0.15, user)
        if moisture is None:
            moisture = MOISTURE
            self.guesses.note(
                "moisture", f"{100 * moisture:.0f} %", "not told; damp wood loses far more", 0.45,
                user,
            )  # fmt: skip
        temperature = self.temperature
        if temperature is None:
            temperature = TEMPERATURE
            self.guesses.note(
                "temperature", f"{temperature:g} deg C", "not told", 0.05, "the timber"
            )
        return self.made_wood(table, species, moisture, temperature)

    def made_wood(
        self, table: FileTable, species: str | None, moisture: float | None, heat: float | None
    ) -> Wood:
        from ..materials import MaterialError, Wood

        try:
            return Wood(
                SPECIES if species is None else species,
                moisture=MOISTURE if moisture is None else moisture,
                temperature_c=TEMPERATURE if heat is None else heat,
            ).varied(**self.factors)
        except MaterialError as error:
            text = str(error)
            shared = self.file.table("house")
            key = next((k for k in ("moisture", "temperature") if k in text), "wood")
            raise (table if key in table.values else shared).error(key, text) from error

    # ---- piece by piece ------------------------------------------------------------------

    def single(self, name: str, table: FileTable) -> Any:
        own = self.reader.named(table)
        if name == "timber":
            return self.timber(table, own)
        if name in ("sheet", "screen"):
            return self.face(name, table, own)
        return self.metal(name, table, own)

    def world(self, table: FileTable, points: Sequence[Sequence[Length]]) -> list[list[float]]:
        """World coordinates of points told in attic coordinates, or from the ground."""
        ground = table.choice("heights_from", HEIGHTS_FROM, "attic floor") == "ground"
        plain = [[float(v) for v in point] for point in points]
        return plain if ground else self.attic.to_world(plain).tolist()

    def timber(self, table: FileTable, name: str) -> Any:
        from .framing import read_section
        from .obstructions import Timber

        points = table.points("points", least=2)
        if len(points) != 2:
            raise table.error("points", "must be two points, the ends of its axis.")
        start, end = self.world(table, points)
        section = self.section(table, "timber", name)
        wood = self.wood(table, name)
        table.finish()
        with table.blamed("section" if "section" in table.values else None):
            width, depth = read_section(section)
        with self.blamed(table, points=""):
            return Timber(start, end, width=width, depth=depth, wood=wood, name=name)

    def face(self, kind: str, table: FileTable, name: str) -> Any:
        from .obstructions import Sheet
        from .screens import Screen

        corners = self.world(table, table.points("corners", least=3))
        if kind == "sheet":
            material = self.guessed(table, "material", SHEETS["sheet"][0], name, 0.2)
            thickness = self.thickness(table, SHEETS["sheet"][1], name)
            table.finish()
            with self.blamed(table, corners="corner|outline|plane"):
                return Sheet(corners, thickness=thickness, material=material, name=name)
        material = self.guessed(table, "material", "aluminium foil", name, 0.2)
        seams = [self.world(table, seam) for seam in table.stretches("seams", [])]
        fixed = self.fixings(table, name)
        table.finish()
        with self.blamed(table, seams="seam", corners="corner|outline|plane"):
            return Screen(corners, conductor=material, seams=seams, name=name, **fixed)

    def metal(self, kind: str, table: FileTable, name: str) -> Any:
        from . import metalwork

        points = self.world(table, table.points("points", least=2))
        if kind == "coax":
            options, make = read_coax(table), Coax
        else:
            read = self.cable if kind == "cable" else self.metal_run
            options, make = read(kind, table, name), getattr(metalwork, kind.capitalize())
        options |= self.fixings(table, name)
        named = read_named_points(table)
        if kind == "coax":  # which has its own where none is told
            options = {k: v for k, v in options.items() if v or k != "bonded"}
        if named or kind != "coax":
            options["points_of_interest"] = named
        table.finish()
        with self.blamed(
            table, named="place|named", cores="cores|apart", size="width|height|diameter|radius",
            points="point|corner|bend|turn",
        ):  # fmt: skip
            piece = make(points, name=name, **options)
        for load in getattr(piece, "loads", ()):
            self.reader.origins.setdefault(load.name, table.path)
        return piece

    @contextmanager
    def blamed(self, table: FileTable, **words: str) -> Iterator[None]:
        """Blame a complaint on the first key of the table that has a word of its in the text."""
        try:
            yield
        except GeometryError as error:
            text = self.attic.with_own_heights(str(error))
            for key, marks in words.items():
                if key in table.values and re.search(rf"\b({marks})", text):
                    raise table.error(key, text) from error
            with table.blamed():
                raise GeometryError(text) from error

    def metal_run(self, kind: str, table: FileTable, name: str) -> dict[str, Any]:
        from ..materials import Conductor

        metal, usual = METALS[kind]
        told = table.take("size", None)
        if told is None:
            if usual is None:
                raise table.error(
                    "size", 'is missing; give "200 x 100 mm", or a diameter as "160 mm".'
                )
            self.guesses.note("size", usual, "not told", 0.1, name)
            told = usual
        with table.blamed("size"):
            found = sizes(told) if isinstance(told, str) else (Length(told),)
        if len(found) == 2 and kind in ("pipe", "gutter"):
            raise table.error("size", f"a {kind} has one size, as {usual!r}.")
        keys = ("width", "height") if len(found) == 2 else ("diameter",)
        if kind == "gutter":
            keys = ("width",)
        conductor = self.guessed(table, "conductor", metal, name, 0.05)
        if conductor != "lossless":
            with table.blamed("conductor"):
                Conductor.named(conductor)
        return {
            **dict(zip(keys, found, strict=True)),
            "conductor": None if conductor == "lossless" else conductor,
        }

    def cable(self, _: str, table: FileTable, name: str) -> dict[str, Any]:
        kind = self.reader.kind(table, None, use=repr(name))
        if kind is None:
            self.guesses.note("wire", CABLE, "not told", 0.1, name)
            kind = WireKind.from_text(CABLE)
        cores = table.number("cores", None, least=1, most=7, whole=True)
        if cores is None:
            self.guesses.note("cores", CORES, "not told", 0.1, name)
            cores = CORES
        told = dict(kind.options)
        radius = told.pop("radius", None)
        if radius is not None:
            told["diameter"] = 2.0 * metres(radius)
        known = {field.name for field in fields(Cable)}
        options = {key: v for key, v in told.items() if key in known and v is not None}
        return {
            **options,
            "conductor": kind.conductor,
            "cores": cores,
            "spacing": table.length("spacing", None, least=1e-4, most=0.5),
            "flat": table.flag("flat", False),
            "closed": table.flag("closed", False),
        }

    # ---- what it is joined to ------------------------------------------------------------

    def fixings(self, table: FileTable, name: str) -> dict[str, Any]:
        """Bonds and earth of a piece of metal, as its class takes them."""
        found: dict[str, Any] = {"bonded": self.bonds(table, name)}
        earthed = self.electrode(table, name)
        if earthed is not None:
            found["earthed"] = earthed
        return found

    def bonds(self, table: FileTable, name: str) -> list[BondTo]:
        told = table.take("bonded", [])
        told = [told] if isinstance(told, str | dict) else told
        if not isinstance(told, list):
            raise table.error("bonded", "must be a name or {to, at, own}, or a list of them.")
        found = []
        for n, one in enumerate(told):
            if isinstance(one, str):
                found.append(BondTo(one))
            elif isinstance(one, dict):
                inner = FileTable(self.file, (*table.path, "bonded", n), one)
                to = inner.string("to")
                bond = BondTo(to, read_place(inner, "at"), read_place(inner, "own"))
                inner.finish()
                found.append(bond)
            else:
                raise table.error("bonded", "must be a name or {to, at, own}.", item=n)
        if name in self.reader.house_bonds:  # told under [counterpoise]
            found.append(BondTo("counterpoise", own=self.reader.house_bonds[name]))
        return found

    def electrode(self, table: FileTable, name: str) -> Any:
        told = table.take("earthed", False)
        if told is False:
            return None
        if told is True:
            from .electrodes import USUAL_ROD, read_electrode

            self.guesses.note("earth rod", USUAL_ROD, "earthed = true tells no length", 0.3, name)
            return read_electrode(True, name)
        if not isinstance(told, dict):
            raise table.error("earthed", 'must be true, {rod = "1.5 m"} or {impedance = ohms}.')
        inner = FileTable(self.file, (*table.path, "earthed"), told)
        rod = inner.length("rod", None, least=0.05, most=30.0)
        radius = inner.length("radius", None, least=1e-3, most=0.5)
        impedance = inner.number("impedance", None, least=0.0, most=1e6, unit="ohm")
        inner.finish()
        if (rod is None) == (impedance is None):
            raise table.error("earthed", "give rod = length, or impedance = ohms, one of them.")
        from .electrodes import Electrode

        with table.blamed("earthed"):
            if rod is None:
                return Electrode(impedance=impedance)
            return Electrode(rod) if radius is None else Electrode(rod, radius=radius)
