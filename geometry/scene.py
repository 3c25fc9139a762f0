"""A scene: wires, feeds and the earth under them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass, fields
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

from .checks import check_names, check_scene, find_doubts, suggest_names
from .coax import Coax
from .errors import FeedError, GeometryError
from .feeds import Feed
from .house import HousePiece, MetalPiece, Solid, join_metal, read_house, without_bonds_to
from .house_checks import check_house
from .joints import Skeleton, trace_joints
from .loads import Load
from .metal_checks import check_solids_in_metal
from .wires import Wire

if TYPE_CHECKING:
    from ..materials import Earth

__all__ = ["Scene"]


@dataclass(frozen=True, init=False, repr=False)
class Scene:
    """Everything a solve needs but the frequency; checked when it is made.

    Parameters
    ----------
    wires : Wire or sequence of Wire
        With names of their own. Ends, corners and marked points within 1 mm join.
    feed : Feed, optional
        The one feed; or
    feeds : sequence of Feed
        several. Feeds that keep the name "feed" are numbered. At least one must be driven.
    loads : sequence of Load
        Impedances in wires: coils, traps, chokes.
    earth : Earth, optional
        What lies below z = 0; None: free space.
    house : sequence of Timber, Sheet, Duct, Pipe, Gutter, Downpipe, Cable, Tank, Screen
        What surrounds the wires; tuples from builders may stand among them. Metal becomes wires
        with `piece` set, joined as its `bonded` and `earthed` say.

    Attributes
    ----------
    wires : tuple of Wire
        The given ones, marked where house metal is bonded to them, then the metal's.
    own_wires : tuple of Wire
        As given.
    house : tuple
    feeds : tuple of Feed
    feed : Feed
        The first feed.
    loads : tuple of Load
        The given ones, then the chokes of coax in the house.
    own_loads : tuple of Load
        As given.

    Raises
    ------
    GeometryError
        If wires are in the ground, cross or lie on top of each other without a join, or are not
        thin.
    FeedError
        If there is no driven feed, or a feed sits where it cannot.

    Examples
    --------
    >>> wire = Wire([(0, 0, -5), (0, 0, 5)], radius=1e-3, name="dipole")
    >>> Scene(wire, feed=Feed("dipole", at=5.0))
    Scene(1 wire, 10 m; Feed('dipole' at 5 m); free space)
    """

    wires: tuple[Wire, ...]
    feed: Feed
    feeds: tuple[Feed, ...]
    loads: tuple[Load, ...]
    earth: Earth | None
    own_wires: tuple[Wire, ...]
    own_loads: tuple[Load, ...]
    house: tuple[HousePiece, ...]

    def __init__(
        self,
        wires: Wire | Sequence[Wire],
        *,
        feed: Feed | None = None,
        feeds: Sequence[Feed] = (),
        loads: Sequence[Load] | Load = (),
        earth: Earth | None = None,
        house: Sequence[HousePiece | Sequence[HousePiece]] | HousePiece = (),
    ) -> None:
        put = object.__setattr__
        put(self, "own_wires", _read_wires(wires))
        put(self, "feeds", _read_feeds(feed, feeds))
        put(self, "feed", self.feeds[0])
        put(self, "own_loads", _read_loads(loads))
        if earth is not None and not hasattr(earth, "is_perfect"):
            raise GeometryError(
                f"earth={earth!r} is no ground; give ridgepole.materials.Earth, or None for "
                "free space."
            )
        put(self, "earth", earth)
        put(self, "house", read_house(house))
        chokes = [load for piece in self.house for load in getattr(piece, "loads", ())]
        put(self, "loads", _named_apart((*self.own_loads, *chokes), self.feeds))
        put(self, "wires", join_metal(self.own_wires, self.feeds, self.house))
        check_names(self)
        check_house(self)
        check_solids_in_metal(self)
        check_scene(self)

    @cached_property
    def skeleton(self) -> Skeleton:
        """Nodes and straight pieces, see `trace_joints`."""
        return trace_joints(self)

    def wire(self, name: str) -> Wire:
        """The wire of that name; GeometryError names near matches if there is none."""
        for wire in self.wires:
            if wire.name == name:
                return wire
        raise GeometryError(f"No wire is called {name!r}. {suggest_names(name, self.wires)}")

    @property
    def ports(self) -> tuple[Feed, ...]:
        """All gaps in the wires: feeds, then loads."""
        return (*self.feeds, *self.loads)

    @cached_property
    def solids(self) -> tuple[Solid, ...]:
        """Timbers and sheets of the house, in order."""
        return tuple(piece for piece in self.house if isinstance(piece, Solid))

    @cached_property
    def groups(self) -> tuple[str, ...]:
        """Names of the groups of solids, in order of first appearance."""
        return tuple(dict.fromkeys(solid.group for solid in self.solids))

    @cached_property
    def pieces(self) -> tuple[str, ...]:
        """Names of the pieces of metal, in order; wires that name a piece of their own follow."""
        metal = [
            getattr(piece, "group", "") or piece.name
            for piece in self.house
            if isinstance(piece, MetalPiece)
        ]
        return tuple(dict.fromkeys([*metal, *(wire.piece for wire in self.wires if wire.piece)]))

    def doubts(self) -> tuple[str, ...]:
        """What is allowed but worth a second look, a sentence each."""
        return find_doubts(self)

    def translated(self, by: Sequence[float]) -> Scene:
        """Moved by (dx, dy, dz). [m]"""
        return self._moved(lambda body: body.translated(by))

    def rotated(self, degrees: float) -> Scene:
        """Turned about the z axis, counter-clockwise seen from above. [degree]"""
        return self._moved(lambda body: body.rotated(degrees))

    def mirrored(self, axis: Literal["x", "y"]) -> Scene:
        """With the sign of x or of y changed."""
        return self._moved(lambda body: body.mirrored(axis))

    def scaled(self, factor: float) -> Scene:
        """All lengths times `factor` > 0, about the origin, radii and feed distances too."""
        return self._moved(
            lambda body: body.scaled(factor),
            feeds=[feed.scaled(factor) for feed in self.feeds],
            loads=[load.scaled(factor) for load in self.own_loads],
        )

    def with_wires(self, wires: Wire | Sequence[Wire]) -> Scene:
        """With other wires of its own, the same feeds, earth and house."""
        return self._changed(wires=wires)

    def with_feeds(self, *feeds: Feed) -> Scene:
        """With other feeds."""
        return self._changed(feeds=feeds)

    def with_loads(self, *loads: Load) -> Scene:
        """With other loads; none: without any."""
        return self._changed(loads=loads)

    def with_load(self, name: str, impedance: Any) -> Scene:
        """With another impedance in place of a load or choke; nothing else is read again."""
        changed = copy(self)

        def other(loads: tuple[Load, ...]) -> tuple[Load, ...]:
            return tuple(
                Load(one.wires, at=one.at, impedance=impedance, name=name)
                if one.name == name
                else one
                for one in loads
            )

        put = object.__setattr__
        put(changed, "own_loads", other(self.own_loads))
        put(changed, "loads", other(self.loads))
        house = [
            piece.with_choke(name, impedance) if isinstance(piece, Coax) else piece
            for piece in self.house
        ]
        put(changed, "house", tuple(house))
        return changed

    def with_earth(self, earth: Earth | None) -> Scene:
        """Over other earth; None: free space."""
        return self._changed(earth=earth)

    def with_house(self, *house: HousePiece | Sequence[HousePiece]) -> Scene:
        """In another house; none: without one."""
        return self._changed(house=house)

    def without(self, *names: str) -> Scene:
        """Without the pieces of the house of these names or groups; bonds to them go too.

        Raises
        ------
        GeometryError
            If no piece or group has one of the names.
        """
        for name in names:
            if not any(name in (piece.name, getattr(piece, "group", "")) for piece in self.house):
                known = ", ".join(map(repr, (*self.groups, *self.pieces)[:12]))
                raise GeometryError(f"No piece of the house is called {name!r}; it has {known}.")
        left = [
            without_bonds_to(piece, names)
            for piece in self.house
            if piece.name not in names and getattr(piece, "group", None) not in names
        ]
        return self._changed(house=left)

    def _moved(self, move: Callable[[Any], Any], **changes: Any) -> Scene:
        return self._changed(
            wires=[move(wire) for wire in self.own_wires],
            house=[move(piece) for piece in self.house],
            **changes,
        )

    def _changed(self, **changes: Any) -> Scene:
        kept = {
            "wires": self.own_wires, "feeds": self.feeds, "loads": self.own_loads,
            "earth": self.earth, "house": self.house,
        }  # fmt: skip
        return Scene(**{**kept, **changes})

    def __getstate__(self) -> dict[str, Any]:
        return {f.name: self.__dict__[f.name] for f in fields(self)}  # arrays are made again

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)

    def __repr__(self) -> str:
        n = len(self.wires)
        length = sum(wire.length for wire in self.wires)
        feeds = repr(self.feed) if len(self.feeds) == 1 else f"{len(self.feeds)} feeds"
        if self.earth is None:
            earth = "free space"
        elif self.earth.is_perfect:
            earth = "perfect ground"
        else:
            earth = repr(self.earth)
        house = ""
        if self.house:
            house = f"; house of {len(self.solids)} solids, {len(self.pieces)} pieces of metal"
        return f"Scene({n} wire{'s' * (n > 1)}, {length:.4g} m; {feeds}; {earth}{house})"


def _read_wires(wires: Wire | Sequence[Wire]) -> tuple[Wire, ...]:
    found = (wires,) if isinstance(wires, Wire) else tuple(wires)
    if not found:
        raise GeometryError("The scene has no wires; give at least one Wire.")
    for wire in found:
        if not isinstance(wire, Wire):
            raise GeometryError(f"A scene is made of Wire objects, got {wire!r}.")
    return found


def _read_loads(loads: Sequence[Load] | Load) -> tuple[Load, ...]:
    found: tuple[Any, ...]
    try:
        found = (loads,) if isinstance(loads, Load) else tuple(loads)
    except TypeError:
        found = (loads,)
    for one in found:
        if not isinstance(one, Load):
            raise FeedError(
                f"loads=... takes Load objects, got {one!r}: Load('wire', at=metres, "
                "impedance=ohms)."
            )
    return found


def _named_apart(loads: tuple[Load, ...], feeds: Sequence[Feed]) -> tuple[Load, ...]:
    names = Counter(one.name for one in (*feeds, *loads))
    twice = [one.name for one in loads if names[one.name] > 1]
    if twice:
        raise FeedError(f"More than one load or feed is called {twice[0]!r}; give names: name=...")
    return loads


def _read_feeds(feed: Feed | None, feeds: Sequence[Feed]) -> tuple[Feed, ...]:
    if feed is not None and not isinstance(feed, Feed):
        raise FeedError(f"feed={feed!r} must be one Feed; several go in feeds=[...].")
    if isinstance(feeds, Feed):
        raise FeedError("feeds=... takes a sequence of Feed; one alone goes in feed=...")
    found = tuple(feeds)
    for one in found:
        if not isinstance(one, Feed):
            raise FeedError(f"feeds=... takes Feed objects, got {one!r}.")
    if feed is not None and not found:
        found = (feed,)
    if feed is not None and feed != found[0]:
        raise FeedError("Both feed=... and feeds=... are given; give one of them.")
    if not found:
        raise FeedError(
            "The scene has no feed, so no current flows. Give feed=Feed('wire name', at=metres)."
        )
    if len(found) > 1:
        found = tuple(
            one.renamed(f"feed {k + 1}") if one.name == "feed" else one
            for k, one in enumerate(found)
        )
    twice = [name for name, count in Counter(one.name for one in found).items() if count > 1]
    if twice:
        raise FeedError(
            f"{len(found)} feeds, and more than one is called {twice[0]!r}; rename one."
        )
    if not any(one.is_driven for one in found):
        raise FeedError(
            "No feed is driven: every one has a termination. Leave termination=None on one."
        )
    if all(one.voltage == 0 for one in found if one.is_driven):
        raise FeedError("Every driven feed has voltage 0; give at least one a voltage.")
    return found
