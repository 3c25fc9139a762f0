"""The house of a scene: solids kept as they are, metal made into wires and joined."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.constants import mu_0

from .errors import GeometryError
from .feeds import Feed
from .lengths import metres
from .metalwork import LEAD_RADIUS, BondTo, MetalRun
from .nearness import segment_distances
from .obstructions import Sheet, Timber
from .screen_joints import draw_screens, rule_screens
from .screens import Screen
from .wires import JOINING_DISTANCE, Wire, show_point

if TYPE_CHECKING:
    from .electrodes import Electrode

__all__ = [
    "COUNTERPOISE",
    "HousePiece",
    "MetalPiece",
    "Solid",
    "join_metal",
    "metal_doubts",
    "read_house",
    "without_bonds_to",
]

Array = NDArray[np.float64]
Solid = Timber | Sheet
MetalPiece = MetalRun | Screen
HousePiece = Solid | MetalPiece

COUNTERPOISE = "counterpoise"
"""What a bond calls the far side of the (first) feed point."""

SNAP = 5e-3
"""A bond looked for by nearness goes to a corner, end or mark that is this near. [m]"""

_PAIRS_AT_ONCE = 50_000  # of stretches, in the search for the nearest places

LEAD_METAL = "annealed copper"

FAT_REACH = 5.0
"""Out to so many of its own radii a fat conductor's section is felt by a wire beside it."""

FAT = 10.0
"""A conductor counts as fat beside a wire with so much smaller a radius."""

LEAST_MISSING = 5e-9
"""Less missing inductance than this is no doubt, half an ohm at 14 MHz. [H]"""


def read_house(house: Any) -> tuple[HousePiece, ...]:
    """The pieces of a house, in order; sequences among them (from builders) are opened.

    Raises
    ------
    GeometryError
        If something is no piece, or two pieces of metal or two solids have one name.
    """
    if isinstance(house, Solid | MetalPiece):
        house = (house,)
    found: list[HousePiece] = []
    if isinstance(house, str | Mapping) or not isinstance(house, Iterable):
        raise GeometryError(f"house={house!r} is none; give a list of pieces, or leave it out.")
    for one in house:
        if isinstance(one, Solid | MetalPiece):
            found.append(one)
        elif isinstance(one, Sequence) and not isinstance(one, str):
            found += read_house(one)
        else:
            raise GeometryError(
                f"house=... takes Timber, Sheet, Duct, Pipe, Gutter, Downpipe, Cable, Tank and "
                f"Screen, got {one!r}. Antenna and radials go in wires."
            )
    counts = Counter(piece.name for piece in found)
    name, count = counts.most_common(1)[0] if counts else ("", 0)
    if count > 1:
        raise GeometryError(
            f"{count} pieces of the house are called {name!r}; give each a name of its own."
        )
    return tuple(found)


def join_metal(
    own: Sequence[Wire], feeds: Sequence[Feed], house: Sequence[HousePiece]
) -> tuple[Wire, ...]:
    """All wires of a scene: its own, the house's metal, and the leads that bond and earth it.

    Parameters
    ----------
    own : sequence of Wire
        Antenna and radials.
    feeds : sequence of Feed
        The first says where the counterpoise is.
    house : sequence of piece

    Returns
    -------
    tuple of Wire
        The own ones first and in order, marked where something is bonded to them.

    Raises
    ------
    GeometryError
        If a bond names nothing that is there, or a place that is not.
    """
    metal = [piece for piece in house if isinstance(piece, MetalPiece)]
    if not metal:
        return tuple(own)
    runs: dict[str, list[Wire]] = {}
    for piece in metal:
        if isinstance(piece, MetalRun):
            runs[piece.name] = list(piece.wires())
    near = [*own, *(wire for wires in runs.values() for wire in wires)]
    screens = draw_screens([piece for piece in metal if isinstance(piece, Screen)], near=near)
    joiner = _Joiner(
        own={wire.name: wire for wire in own},
        metal={
            piece.name: list(screens[piece.name]) if isinstance(piece, Screen) else runs[piece.name]
            for piece in metal
        },
        feed=feeds[0],
        leads={piece.name: [] for piece in metal},
    )
    for piece in metal:
        for bond in piece.bonded:
            joiner.bond(piece, bond)
        if piece.earthed is not None:
            joiner.earth(piece, piece.earthed)
    return (
        *joiner.own.values(),
        *(w for piece in metal for w in (*joiner.metal[piece.name], *joiner.leads[piece.name])),
    )


@dataclass
class _Side:
    """One side of a bond: wires to choose from, and the place on them where it is told."""

    wires: list[Wire]
    place: tuple[int, float] | None  # which wire, how far along
    only_nodes: bool  # join at ends, corners and marks alone


@dataclass
class _Joiner:
    own: dict[str, Wire]
    metal: dict[str, list[Wire]]
    feed: Feed
    leads: dict[str, list[Wire]]

    def bond(self, piece: MetalPiece, bond: BondTo) -> None:
        """Mark both sides and draw the lead between them, if they do not touch."""
        what = f"{piece.name!r} is bonded to {bond.to!r}"
        if bond.to == piece.name:
            raise GeometryError(f"{what}, which is itself; name another wire or piece.")
        other = self._side(bond.to, bond.at, what, besides=piece.name)
        mine = self._side(piece.name, bond.own, what)
        (m, m_at), (o, o_at) = _nearest_places(mine, other)
        start = self._marked(piece.name, m, m_at)
        end = self._marked(bond.to, o, o_at)
        if np.linalg.norm(end - start) > JOINING_DISTANCE:
            self._lead(piece, f"{piece.name} to {bond.to}", start, end, metres(bond.radius))

    def earth(self, piece: MetalPiece, electrode: Electrode) -> None:
        """Lead the lowest end (of a cage or grid: node) straight down to the electrode."""
        wires = self.metal[piece.name]
        if isinstance(piece, MetalRun) and len(wires) == 1:
            ends = wires[0].vertices[[0, -1]]
            lowest = int(np.argmin(ends[:, 2]))
            point = ends[lowest]
            if abs(point[2]) <= JOINING_DISTANCE:
                side = "earth_end" if lowest else "earth_start"
                wires[0] = replace(wires[0], **{side: electrode})
                return
        else:
            nodes = np.concatenate([_node_points(wire) for wire in wires])
            point = nodes[int(np.argmin(nodes[:, 2]))]
        if point[2] <= JOINING_DISTANCE:
            raise GeometryError(
                f"{piece.name!r} is led to earth, but its lowest end is at {show_point(point)}; it "
                "must lie on the ground, z = 0, or above it."
            )
        down = np.array([point[0], point[1], 0.0])
        self._lead(piece, f"{piece.name} to earth", point, down, LEAD_RADIUS, earth_end=electrode)

    def _side(self, name: str, at: Any, what: str, *, besides: str = "") -> _Side:
        if name == COUNTERPOISE and name not in self.own and name not in self.metal:
            if at is not None:
                raise GeometryError(f"{what} at {at!r}; the counterpoise is joined at its feed.")
            wire = self.own.get(self.feed.wires[0])
            if wire is None:
                raise GeometryError(
                    f"{what}, but the feed is on {self.feed.wires[0]!r}, which is no wire of the "
                    "antenna. Name the wire or piece to bond to."
                )
            at = self.feed.at
            return _Side([wire], (0, wire.place(at)), False)
        if name in self.own:
            wires, piece_is_run = [self.own[name]], True
        elif name in self.metal:
            wires = self.metal[name]
            piece_is_run = len(wires) == 1
        else:
            known = [n for n in (*self.own, *self.metal, COUNTERPOISE) if n != besides]
            raise GeometryError(
                f"{what}, but no wire or piece has the name {name!r}. There are "
                f"{', '.join(map(repr, known[:10]))}{', ...' if len(known) > 10 else ''}; a place "
                "on one goes with it in a pair, [(name, place)]."
            )
        if at is None:
            return _Side(wires, None, not piece_is_run)
        if not piece_is_run:
            raise GeometryError(
                f"{what} at {at!r}, but {name!r} is a grid or cage of wires, which is joined at "
                "the crossing that is nearest; leave the place out."
            )
        return _Side(wires, (0, wires[0].place(at)), False)

    def _marked(self, name: str, index: int, at: float) -> Array:
        """Mark a wire there, unless it has an end, corner or mark there; the point. [m]"""
        if name in self.metal:
            wires = self.metal[name]
            wires[index], point = _mark(wires[index], at)
            return point
        if name == COUNTERPOISE and name not in self.own:
            name = self.feed.wires[0]
        self.own[name], point = _mark(self.own[name], at)
        return point

    def _lead(
        self, piece: MetalPiece, name: str, start: Array, end: Array, radius: float, **more: Any
    ) -> None:
        leads = self.leads[piece.name]
        taken = {wire.name for wire in leads}
        number = 2
        while name in taken:
            name = f"{name.rsplit(' #', 1)[0]} #{number}"
            number += 1
        leads.append(
            Wire(
                [start, end],
                radius=radius,
                conductor=LEAD_METAL,
                name=name,
                piece=getattr(piece, "group", "") or piece.name,
                outside=True,
                **more,
            )
        )


def _node_distances(wire: Wire) -> Array:
    return np.unique(np.concatenate([wire.vertex_distances, wire.marks]))


def _node_points(wire: Wire) -> Array:
    return wire.points_at(_node_distances(wire))


def _mark(wire: Wire, at: float) -> tuple[Wire, Array]:
    nodes = _node_distances(wire)
    nearest = float(nodes[int(np.argmin(np.abs(nodes - at)))])
    if abs(nearest - at) <= JOINING_DISTANCE:
        return wire, wire.position(nearest)
    return wire.with_marks(at), wire.position(at)


def _nearest_places(one: _Side, two: _Side) -> tuple[tuple[int, float], tuple[int, float]]:
    """Where two sides of a bond come nearest: (wire, distance along it) of each."""
    first, second = _stretches(one), _stretches(two)
    a0, a1, b0, b1 = (
        np.array([part[k] for part in side]) for side in (first, second) for k in (0, 1)
    )
    best: tuple[float, int, int, float, float] | None = None
    rows = max(1, _PAIRS_AT_ONCE // len(second))
    for start in range(0, len(first), rows):
        count = min(rows, len(first) - start)
        i = np.repeat(np.arange(start, start + count), len(second))
        j = np.tile(np.arange(len(second)), count)
        distance, s, t = segment_distances(a0[i], a1[i], b0[j], b1[j])
        k = int(np.argmin(distance))
        if best is None or distance[k] < best[0]:
            best = (float(distance[k]), int(i[k]), int(j[k]), float(s[k]), float(t[k]))
    if best is None:
        raise GeometryError("A bond has nothing to choose from.")
    _, i, j, s, t = best
    places = []
    for side, parts, k, part in ((one, first, i, s), (two, second, j, t)):
        start, end, index, at = parts[k]
        places.append(_snapped(side, (index, at + part * float(np.linalg.norm(end - start)))))
    return places[0], places[1]


def _snapped(side: _Side, place: tuple[int, float]) -> tuple[int, float]:
    """Onto an end, corner or mark that is near, where the place was looked for."""
    if side.place is not None:
        return place
    index, at = place
    nodes = _node_distances(side.wires[index])
    nearest = float(nodes[int(np.argmin(np.abs(nodes - at)))])
    return (index, nearest) if abs(nearest - at) <= SNAP else place


def _stretches(side: _Side) -> list[tuple[Array, Array, int, float]]:
    """What to measure between: (start, end, wire, distance along it of the start)."""
    if side.place is not None:
        index, at = side.place
        point = side.wires[index].position(at)
        return [(point, point, index, at)]
    found = []
    for index, wire in enumerate(side.wires):
        if side.only_nodes:
            at = _node_distances(wire)
            found += [(p, p, index, float(d)) for p, d in zip(_node_points(wire), at, strict=True)]
        else:
            corners, at = wire.vertices, wire.vertex_distances
            found += [
                (corners[k], corners[k + 1], index, float(at[k])) for k in range(len(corners) - 1)
            ]
    return found


def metal_doubts(house: Sequence[HousePiece], wires: Sequence[Wire]) -> list[str]:
    """What the models of the metal leave out, a sentence each."""
    found: list[str] = []
    own = [wire for wire in wires if not wire.piece]
    runs = [piece for piece in house if isinstance(piece, MetalRun)]
    near = [*own, *(wire for piece in runs for wire in piece.wires())]
    rulings = rule_screens([piece for piece in house if isinstance(piece, Screen)], near=near)
    for piece in house:
        if isinstance(piece, MetalPiece):
            found += piece.doubts()
        if isinstance(piece, MetalRun):
            found += _section_doubts(piece, own)
        if isinstance(piece, Screen):
            coarsened = rulings[piece.name].coarsened
            if coarsened > 1.0:
                found.append(
                    f"Screen {piece.name!r}: its grid is {coarsened:.2g} times coarser than the "
                    f"nearest wire asks for, to stay within {piece.most_pieces} pieces; raise "
                    "most_pieces to see what that changes."
                )
    return found


def _section_doubts(piece: MetalRun, own: Sequence[Wire]) -> list[str]:
    """That a fat conductor is one thin wire, where that matters to a wire beside it; how much."""
    axis = [wire for wire in piece.wires() if wire.radius == piece.radius]
    worst: tuple[float, Wire, float] | None = None
    for wire in own:
        if axis and piece.radius >= FAT * wire.radius:
            missing, nearest = missing_inductance(wire, axis[0].vertices, piece.radius)
            if missing > LEAST_MISSING and (worst is None or missing > worst[0]):
                worst = (missing, wire, nearest)
    if worst is None:
        return []
    missing, wire, nearest = worst
    return [
        f"{piece.kind.capitalize()} {piece.name!r} comes within {nearest:.3g} m of wire "
        f"{wire.name!r}, {nearest / piece.radius:.2g} of its own radii, but counts as one thin "
        "conductor: that current and charge crowd to its near side is left out. The wire's "
        f"inductance is up to {missing * 1e9:.2g} nH too large for that "
        f"({2 * np.pi * 14.2e6 * missing:.2g} ohm at 14.2 MHz, in proportion elsewhere), its "
        "capacitance too small alike. Keep the wire five radii off, or draw the piece as eight "
        "thin pipes around its surface, joined by rings at both ends."
    ]


def missing_inductance(wire: Wire, axis: Array, radius: float) -> tuple[float, float]:
    """What a wire's inductance lacks beside a fat conductor that is one thin wire. [H], [m]

    Parameters
    ----------
    wire : Wire
    axis : ndarray, shape (N, 3)
        Corners of the fat conductor's axis. [m]
    radius : float
        Of the fat conductor. [m]

    Returns
    -------
    missing, nearest : float
        The integral of -(mu0/2 pi) ln(1 - (A/d)^2) cos^2 over the wire where d is below five
        radii A, from formula of a line current beside a round conductor without net current
        (its image at A^2/d, less that at the axis); cos between the two directions. The least d.
    """
    count = int(np.clip(wire.length / (0.1 * radius), 20, 4000))
    at = (np.arange(count) + 0.5) * wire.length / count
    points = wire.points_at(at)
    way = np.gradient(points, axis=0)
    way /= np.maximum(np.linalg.norm(way, axis=1), 1e-12)[:, None]
    distance, cosine = np.full(count, np.inf), np.zeros(count)
    for start, end in pairwise(axis):
        along = end - start
        part = np.clip((points - start) @ along / (along @ along), 0.0, 1.0)
        here = np.linalg.norm(points - start - part[:, None] * along, axis=1)
        nearer = here < distance
        distance[nearer] = here[nearer]
        cosine[nearer] = (way @ along)[nearer] / np.linalg.norm(along)
    felt = (distance < FAT_REACH * radius) & (distance > 1.02 * radius)
    deficit = -np.log1p(-((radius / distance[felt]) ** 2)) * cosine[felt] ** 2
    missing = mu_0 / (2.0 * np.pi) * float(deficit.sum()) * wire.length / count
    return missing, float(distance.min())


def without_bonds_to(piece: HousePiece, names: Sequence[str]) -> HousePiece:
    """The piece without its bonds to any of the names."""
    if isinstance(piece, Solid) or not any(bond.to in names for bond in piece.bonded):
        return piece
    return replace(piece, bonded=[bond for bond in piece.bonded if bond.to not in names])
