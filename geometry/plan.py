"""The plan: an attic, what hangs in it, the house around, and what had to be assumed."""

from __future__ import annotations

import html
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .antenna import BentL, Loop
from .attic import Attic
from .errors import AtticFileError, FeedError, GeometryError
from .feeds import Feed
from .file_tables import HOUSE_TABLES, AtticFile, nearest
from .lengths import Length, LengthLike
from .loads import Load
from .metal_checks import outside_doubts
from .positions import TomlPath
from .rooms import Room
from .scene import Scene
from .text_edits import exact_text, with_table, with_value, without_table
from .wires import Wire

if TYPE_CHECKING:
    from ..materials import Earth

__all__ = ["Assumption", "AtticPlan"]

MOST_SOIL_CONDUCTS = 0.2
"""More than this is no soil; it is doubted unless it is salt water. Common practice. [S/m]"""

LEAST_SALT_WATER_PERMITTIVITY = 60.0
"""Relative permittivity above which it may be salt water (the sea: 70). Common practice. [1]"""

FAR_FROM_FEED = 0.3
"""A coax that begins farther from the feed point is doubted. [m]"""


@dataclass(frozen=True)
class Assumption:
    """A default that was used because the file does not say.

    Attributes
    ----------
    what, value, why : str
        What was assumed, which value, and the reason.
    weight : float
        How much an answer may hang on it, 0 to 1; a judgement for sorting, not a figure.
    """

    what: str
    value: str
    why: str
    weight: float

    def __str__(self) -> str:
        return f"{self.what}: {self.value} ({self.why})"


@dataclass(frozen=True, repr=False)
class AtticPlan:
    """What an attic file says, ready to become a scene.

    Attributes
    ----------
    file : AtticFile
        Source text, parsed tables and positions.
    attic : Attic
    antenna : BentL or None
        The bent elements with their counterpoise.
    other_wires : tuple of Wire
        Plain wires, dipoles and loops, world coordinates.
    other_feeds : tuple of Feed
        Feeds and openings on them.
    loads : tuple of Load
        Impedances in wires.
    loops : tuple of Loop
    earth : Earth or None
        None: free space.
    assumptions : tuple of Assumption
        The worst first.
    remarks : tuple of str
        Doubts found while reading.
    house : tuple
        Timber, sheets and metal of the house, world coordinates.
    rooms : tuple of Room
        Where people may be, heights above ground.
    """

    file: AtticFile
    attic: Attic
    antenna: BentL | None
    other_wires: tuple[Wire, ...]
    other_feeds: tuple[Feed, ...]
    loops: tuple[Loop, ...]
    earth: Earth | None
    assumptions: tuple[Assumption, ...]
    remarks: tuple[str, ...]
    origins: Mapping[str, TomlPath] = field(compare=False)
    house: tuple[Any, ...] = ()
    loads: tuple[Load, ...] = ()
    rooms: tuple[Room, ...] = ()
    _text_fault: str = ""

    @property
    def wires(self) -> tuple[Wire, ...]:
        """Wires of the antenna and the others, world coordinates; none of the house's metal."""
        own = () if self.antenna is None else self.antenna.wires()
        return (*own, *self.other_wires)

    @property
    def feeds(self) -> tuple[Feed, ...]:
        """All feeds, the antenna's first."""
        own = () if self.antenna is None else (self.antenna.feed(),)
        return (*own, *self.other_feeds)

    @property
    def for_solver(self) -> dict[str, Any]:
        """Tables handed on unparsed, by name."""
        return self.file.for_solver

    @property
    def text(self) -> str:
        """The TOML text that gives this plan.

        Raises
        ------
        AtticFileError
            If a change was made that the file cannot say.
        """
        if self._text_fault:
            raise AtticFileError(self._text_fault)
        return self.file.text

    def save(self, path: str | Path) -> None:
        """Write `text` to a file."""
        Path(path).write_text(self.text, encoding="utf-8", newline="\n")

    def position(self, table: str | TomlPath, key: str | None = None) -> int | None:
        """Line of a table or key in the file; None where unsure."""
        return self.file.position(table, key)

    def scene(self) -> Scene:
        """All wires and feeds in the house, over the earth, checked.

        Raises
        ------
        AtticFileError
            If wires cross, lie on each other, in timber or in the ground, pieces of the house
            overlap, or a feed sits where it cannot; with the lines of what is named.
        """
        try:
            return Scene(
                self.wires, feeds=self.feeds, loads=self.loads, earth=self.earth, house=self.house
            )
        except (GeometryError, FeedError) as error:
            if "not independent" in str(error) and self.antenna is not None and self.other_feeds:
                error = FeedError(
                    f"{error} [antenna] makes a feed at its feed_point by itself: a [feed] there "
                    "too is to be deleted."
                )
            raise self._with_lines(error) from error

    @property
    def loads_and_chokes(self) -> tuple[Load, ...]:
        """Impedances in wires, those of coax in the house too."""
        chokes = [load for piece in self.house for load in getattr(piece, "loads", ())]
        return (*self.loads, *chokes)

    def blamed_on(self, name: str, text: str) -> AtticFileError:
        """What is said of a load, or of the wire or piece of a name, with lines of the file."""
        return self._with_lines(GeometryError(text if repr(name) in text else f"{name!r}: {text}"))

    def _with_lines(self, error: Exception) -> AtticFileError:
        lines = []
        for name in re.findall(r"'([^']+)'", str(error)):
            origin = self.origins.get(name) or self._origin_of_piece(name)
            line = None if origin is None else self.position(origin)
            if line is not None and line not in lines:
                lines.append(line)
        where = f"{self.file.name}"
        if lines:
            where += f", line{'s' * (len(lines) > 1)} {' and '.join(map(str, lines))}"
        return AtticFileError(f"{where}: {self.attic.with_own_heights(str(error))}")

    def _origin_of_piece(self, wire: str) -> TomlPath | None:
        """Where the piece is told that a lead or a grid's wire of this name belongs to."""
        pieces = [piece.name for piece in self.house if wire.startswith(f"{piece.name} ")]
        return self.origins.get(max(pieces, key=len)) if pieces else None

    def doubts(self) -> tuple[str, ...]:
        """What is allowed but worth a second look, a sentence each; computes nothing."""
        told = (*self._feed_doubts(), *self._coax_doubts(), *self._earth_doubts())
        outside = outside_doubts(self.attic, self.house)
        scene = self.scene()
        return (
            *told,
            *self.remarks,
            *outside,
            *map(self.attic.with_own_heights, scene.doubts()),
            *(one for room in self.rooms for one in room.doubts(scene.wires, self.attic)),
        )

    def _earth_doubts(self) -> tuple[str, ...]:
        if self.earth is None:
            return ()
        found = []
        for part in [layer.earth for layer in self.earth.layers] or [self.earth]:
            sigma, permittivity = part.conductivity, part.relative_permittivity
            unlikely = sigma > MOST_SOIL_CONDUCTS and permittivity <= LEAST_SALT_WATER_PERMITTIVITY
            if unlikely and not part.is_perfect:
                found.append(
                    f"The earth conducts {sigma:g} S/m with permittivity {permittivity:g}. Sea "
                    "water has 5 S/m, soil about 0.0001 to 0.1 S/m; "
                    f'did you mean "{sigma:g} mS/m", {1e-3 * sigma:g} S/m?'
                )
        return tuple(found)

    def _coax_doubts(self) -> tuple[str, ...]:
        """Coax that begins elsewhere than at the feed point: its bond is a straight wire."""
        if self.antenna is None:
            return ()
        feed = self.antenna.feed()
        (wire,) = [one for one in self.antenna.wires() if one.name == feed.wires[0]]
        found = []
        for piece in self.house:
            if piece.kind == "coax" and any(bond.to == "counterpoise" for bond in piece.bonded):
                gap = float(np.linalg.norm(piece.vertices[0] - wire.position(feed.at)))
                if gap > FAR_FROM_FEED:
                    found.append(
                        f"Coax {piece.name!r} begins {gap:.2f} m from the feed point; it is joined "
                        "to the counterpoise there by a straight wire. Let its first point be the "
                        "feed point, or say what it is bonded to."
                    )
        return tuple(found)

    def _feed_doubts(self) -> tuple[str, ...]:
        driven = [feed.label for feed in self.feeds if feed.is_driven]
        if len(driven) < 2:
            return ()
        return (
            f"{len(driven)} feeds are driven at once: {', '.join(driven)}. The impedance shown is "
            f"that of {driven[0]} with the others driven too. If only one is meant, write "
            'fed = false in the other [[dipole]], or termination = 50 or "open" in the other '
            "[[feed]].",
        )

    # ---- changed copies ------------------------------------------------------------------

    def with_element_length(self, **lengths: LengthLike) -> AtticPlan:
        """With other lengths of the elements named; "radials" means all radials. [m]"""
        antenna = self._bent()
        plan = self
        for name, value in lengths.items():
            length = Length(value)
            if name == "radials" and all(e.name != "radials" for e in antenna.elements):
                antenna = antenna.with_counterpoise(antenna.counterpoise.with_length(length))
                path: TomlPath = ("counterpoise", "length")
            else:
                antenna = antenna.with_element_length(**{name: length})
                path = (*self.origins[name], "length")
            plan = plan._edited(lambda file, p=path, v=length: with_value(file, p, exact_text(v)))
        return replace(plan, antenna=antenna)

    def pruned(self, **by: LengthLike) -> AtticPlan:
        """Elements named longer by so much; negative cuts: ``pruned(long="-35 cm")``. [m]

        "radials" means all evenly spread radials.
        """
        antenna = self._bent()
        new: dict[str, LengthLike] = {}
        for name, value in by.items():
            if name == "radials" and all(e.name != "radials" for e in antenna.elements):
                length = antenna.counterpoise.pruned(value).length
            else:
                length = antenna.element(name).pruned(value).length
            new[name] = Length(0.0 if length is None else length)
        return self.with_element_length(**new)

    def with_earth(self, earth: Earth | None) -> AtticPlan:
        """Over other earth; None: free space."""
        values = _earth_table(earth)
        changed = replace(
            self,
            earth=earth,
            assumptions=tuple(a for a in self.assumptions if a.what != "earth"),
        )
        if values is None:
            return replace(
                changed,
                _text_fault=f"The file cannot say the earth {earth!r}; give it by name or by "
                "permittivity and conductivity.",
            )
        return changed._edited(lambda file: with_table(file, "earth", values))

    def with_house(self, *pieces: Any) -> AtticPlan:
        """With these pieces, in world coordinates, instead of the house; none: bare wires."""
        plan = replace(self, house=tuple(pieces))
        if pieces:
            return replace(
                plan,
                _text_fault="The file cannot say pieces that were given to with_house; write them "
                "into its tables.",
            )
        for name in HOUSE_TABLES:
            if name == "house":
                continue
            while plan.file.has(name) and not plan._text_fault:
                told = plan.file.document[name]
                path: TomlPath = (name,) if isinstance(told, dict) else (name, len(told) - 1)
                plan = plan._edited(lambda file, p=path: without_table(file, p))
        return plan

    def without(self, *names: str) -> AtticPlan:
        """Without the pieces of the house, or groups of them, of these names, nor bonds to them.

        Raises
        ------
        GeometryError
            If the house has nothing of that name.
        """
        plan = self
        for name in names:
            gone = [p for p in plan.house if name in (p.name, getattr(p, "group", ""))]
            if not gone:
                known = dict.fromkeys(getattr(p, "group", "") or p.name for p in plan.house)
                raise GeometryError(
                    f"The house has no piece {name!r}. {nearest(name, [*known])}There are: "
                    f"{', '.join(map(repr, known)) or 'none'}."
                )
            plan = plan._without(name, gone)
        return plan

    def _without(self, name: str, gone: list[Any]) -> AtticPlan:
        from .house import without_bonds_to

        names = [piece.name for piece in gone]
        kept = tuple(p for p in self.house if not any(p is one for one in gone))
        plan = replace(self, house=tuple(without_bonds_to(p, names) for p in kept))
        path = self.origins.get(name)
        if path is None or any(self.origins.get(p.name) == path for p in kept):
            return replace(
                plan,
                _text_fault=f"The file cannot say {name!r} alone away; its table makes other "
                "pieces too.",
            )
        plan = plan._edited(lambda file: without_table(file, path))
        for at, left in _bonds_left(plan.file, names):
            plan = plan._edited(lambda file, p=at, v=left: with_value(file, p, v))
        return replace(plan, origins=_renumbered(self.origins, path))

    def with_moisture(self, moisture: float) -> AtticPlan:
        """With all timber of this moisture, a part of its dry mass: dry 0.08, damp 0.25. [1]

        Raises
        ------
        MaterialError
            If the data do not reach there.
        """
        house = tuple(
            p.with_wood(p.wood.with_moisture(moisture)) if hasattr(p, "with_wood") else p
            for p in self.house
        )
        plan = replace(
            self,
            house=house,
            assumptions=tuple(a for a in self.assumptions if not a.what.startswith("moisture")),
        )
        paths: list[TomlPath] = [
            (*path, "moisture")
            for path, values in _tables(self.file, HOUSE_TABLES)
            if "moisture" in values
        ]
        if self.file.has("house") and ("house", "moisture") not in paths:
            paths.append(("house", "moisture"))
        for path in paths:
            plan = plan._edited(lambda file, p=path: with_value(file, p, float(moisture)))
        if not self.file.has("house"):
            plan = plan._edited(lambda file: with_table(file, "house", {"moisture": moisture}))
        return plan

    def _edited(self, edit: Any) -> AtticPlan:
        if self._text_fault:
            return self
        try:
            return replace(self, file=edit(self.file))
        except AtticFileError as error:
            return replace(self, _text_fault=str(error))

    def _bent(self) -> BentL:
        if self.antenna is None:
            raise GeometryError(
                f"{self.file.name} has no [antenna] with elements, so there is nothing to prune."
            )
        return self.antenna

    # ---- showing -------------------------------------------------------------------------

    def plot(self, **options: Any) -> Any:
        """Draw attic and wires: plan, section and 3-D; see `drawing.draw_attic`."""
        from .drawing import draw_attic

        return draw_attic(self, **options)

    def __repr__(self) -> str:
        lines = [str(self.attic)]
        if self.antenna is not None:
            lines += [f"{e.name}: {e.length}" for e in self.antenna.elements]
            if self.antenna.counterpoise.count:
                lines.append(f"{self.antenna.counterpoise.count} radials")
        lines += [f"{wire.name}: {wire.length:.2f} m" for wire in self.other_wires]
        if self.house:
            groups = Counter(getattr(piece, "group", "") or piece.name for piece in self.house)
            lines.append("house: " + ", ".join(
                f"{count} {name}" if count > 1 else name for name, count in groups.items()
            ))  # fmt: skip
        ground = "free space" if self.earth is None else self.earth.name or repr(self.earth)
        lines.append(f"over {ground}")
        lines += [f"assumed {a}" for a in self.assumptions]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        import base64
        import io

        from .drawing import draw_attic

        figure = draw_attic(self)
        picture = io.BytesIO()
        figure.savefig(picture, format="png", dpi=64)
        image = base64.b64encode(picture.getvalue()).decode("ascii")
        rows = "".join(
            f"<tr><td>{html.escape(a.what)}</td><td>{html.escape(a.value)}</td>"
            f"<td>{html.escape(a.why)}</td></tr>"
            for a in self.assumptions
        )
        return (
            f"<img alt='plan, section and view of the attic' src='data:image/png;base64,{image}'>"
            + (f"<table><caption>Assumed, the worst first</caption>{rows}</table>" if rows else "")
        )


def _tables(file: AtticFile, names: Sequence[str]) -> list[tuple[TomlPath, dict[str, Any]]]:
    """All tables of these names, single ones and those of lists, with their paths."""
    found: list[tuple[TomlPath, dict[str, Any]]] = []
    for name in names:
        told = file.document.get(name, [])
        if isinstance(told, dict):
            found.append(((name,), told))
        else:
            found += [((name, n), values) for n, values in enumerate(told)]
    return found


def _bonds_left(file: AtticFile, gone: Sequence[str]) -> list[tuple[TomlPath, list[Any]]]:
    """Lists of bonds that name what is gone, by path, and what stays of them."""
    found: list[tuple[TomlPath, list[Any]]] = []
    for path, values in _tables(file, ("counterpoise", *HOUSE_TABLES)):
        told = values.get("bonded", [])
        told = told if isinstance(told, list) else [told]
        left = [
            bond
            for bond in told
            if (bond if isinstance(bond, str) else bond.get("to", bond.get("wire"))) not in gone
        ]
        if len(left) < len(told):
            found.append(((*path, "bonded"), left))
    return found


def _renumbered(origins: Mapping[str, TomlPath], gone: TomlPath) -> dict[str, TomlPath]:
    """Places of names once the table at a path is no longer there."""
    found: dict[str, TomlPath] = {}
    for name, path in origins.items():
        if path[: len(gone)] == gone:
            continue
        if len(gone) == 2 and path[0] == gone[0]:
            here, there = path[1], gone[1]
            if isinstance(here, int) and isinstance(there, int) and here > there:
                path = (path[0], here - 1, *path[2:])
        found[name] = path
    return found


def _earth_table(earth: Earth | None) -> dict[str, Any] | None:
    """What [earth] of an attic file says for an earth, None where it cannot."""
    if earth is None:
        return {"free_space": True}
    if earth.layers:
        tables = [_earth_table(layer.earth) for layer in earth.layers]
        if any(table is None for table in tables):
            return None
        *layers, below = (dict(table or {}) for table in tables)
        upper = [
            {"thickness": layer.thickness, **table}
            for layer, table in zip(earth.layers, layers, strict=False)
        ]
        return {**below, "layers": upper}
    if earth.is_perfect:
        return {"perfect": True}
    if earth.name in type(earth).names():
        return {"ground": earth.name}
    if earth.variation is None:
        return {
            "permittivity": earth.relative_permittivity,
            "conductivity": earth.conductivity,
        }
    return None
