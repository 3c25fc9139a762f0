r"""Layouts of a few moving wires in one house, as selections from one pool of elements.

Every wire is meshed once, refined, for its greatest length on each way that it takes; a shorter one
keeps whole elements and only its last element differs.  The pool holds each element once, however
many layouts have it.  Elements that all layouts share are fixed; of the others none meets those of
another variant of its wire, and such pairs are never integrated.

The pool is a `System` whose functions are those of the fixed elements, [f], then columns [m] from
which a layout picks its own: functions within moving elements, from a fixed end to a moving one,
or between moving ends that always meet; where it depends on the layout which moving ends meet, half
a function for each end, of which the layout joins two.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from ...geometry import Feed, Scene, Wire
from ...geometry.joints import FeedNode
from ...geometry.mesh import PLACE_DECIMALS, Division, Mesh, build_mesh
from ...materials import Earth
from ..earth.reflection import free_space_wavenumber
from ..errors import SolverError
from ..moments.assembly import make_elements, prepare
from ..moments.basis import BasisBuilder, FloatArray, IntArray
from ..moments.kernels import THIN
from ..moments.rings import is_thick
from ..surround.integrals import CellIntegrals
from ..surround.volume import Volume, prepare_volume
from ..system import System

FIXED = -1
"""Stands for the variant of an element that all layouts have."""


@dataclass(frozen=True, eq=False)
class PoolScene:
    """What a `System` asks of a scene, of wires that are not all there at once."""

    wires: tuple[Wire, ...]
    feeds: tuple[Feed, ...]
    loads: tuple[Feed, ...]
    earth: Earth | None
    solids: tuple[Any, ...]

    @property
    def ports(self) -> tuple[Feed, ...]:
        """Feeds, then loads."""
        return (*self.feeds, *self.loads)


@dataclass(frozen=True, eq=False)
class Selections:
    """The functions of each layout, as combinations of the pool's moving columns.

    Attributes
    ----------
    first_function : (V + 1,) int
        Functions first_function[v] : first_function[v + 1] are those of layout v.
    first_entry : (N + 1,) int
        Entries of each function.
    column : (K,) int
        Moving column of each entry, counted from 0.
    weight : (K,) float
    """

    first_function: IntArray
    first_entry: IntArray
    column: IntArray
    weight: FloatArray

    def __len__(self) -> int:
        return self.first_function.size - 1

    def columns(self, layout: int, *, n_fixed: int, n_moving: int) -> sparse.csr_array:
        """All functions of a layout, the fixed ones first, by those of the pool: (F + M, n)."""
        own = slice(int(self.first_function[layout]), int(self.first_function[layout + 1]))
        ends = self.first_entry[own.start : own.stop + 1]
        entries = slice(int(ends[0]), int(ends[-1]))
        function = np.repeat(np.arange(ends.size - 1), np.diff(ends))
        rows = np.concatenate([np.arange(n_fixed), n_fixed + self.column[entries]])
        columns = np.concatenate([np.arange(n_fixed), n_fixed + function])
        weights = np.concatenate([np.ones(n_fixed), self.weight[entries]])
        shape = (n_fixed + n_moving, n_fixed + ends.size - 1)
        return sparse.csr_array(sparse.coo_array((weights, (rows, columns)), shape=shape))


@dataclass(frozen=True, eq=False)
class Pool:
    """A pool of elements, and what each layout takes of it.

    Attributes
    ----------
    system : System
        Of all elements; its unknowns are the fixed functions, then the moving columns.
    n_fixed : int
        How many of them are fixed.
    scene : Scene
        With every moving wire at its greatest length: the layout from which the others are cut.
    divisions : mapping of str to Division
        Of that scene's wires.
    variants : mapping of str to tuple of (Wire, Division)
        By moving wire.
    layouts : (V, W) int
        Which variant each layout has of each moving wire, in the order of `variants`.
    selections : Selections
    top_frequency : float
        For which meshes are made. [Hz]
    """

    system: System
    n_fixed: int
    scene: Scene
    divisions: Mapping[str, Division]
    variants: Mapping[str, tuple[tuple[Wire, Division], ...]]
    layouts: IntArray
    selections: Selections
    top_frequency: float

    def __len__(self) -> int:
        return len(self.selections)

    @property
    def n_moving(self) -> int:
        """Moving columns."""
        return self.system.n_unknowns - self.n_fixed

    def layout_scene(self, layout: int) -> tuple[Scene, dict[str, Division]]:
        """One layout as a scene of its own, and how its wires are cut."""
        wires = {wire.name: wire for wire in self.scene.own_wires}
        divisions = dict(self.divisions)
        for name, number in zip(self.variants, self.layouts[layout], strict=True):
            wires[name], divisions[name] = self.variants[name][number]
        return self.scene.with_wires(tuple(wires.values())), divisions

    def columns(self, layout: int) -> sparse.csr_array:
        """Functions of a layout by those of the pool, (N, n)."""
        return self.selections.columns(layout, n_fixed=self.n_fixed, n_moving=self.n_moving)

    def selected_system(self, layout: int) -> System:
        """One layout on the elements of the pool, with no current on those that it has not."""
        columns: Any = self.columns(layout)
        prepared, combination = self.system.prepared, self.system.prepared.basis.combination
        basis = replace(
            prepared.basis,
            combination=sparse.csr_array(combination @ columns),
            node_functions=(),
            n_unknowns=columns.shape[1],
        )
        return replace(
            self.system,
            prepared=replace(prepared, basis=basis),
            ports=np.asarray(columns.T @ self.system.ports),
        )

    def layout_system(self, layout: int) -> System:
        """One layout solved by itself: the same elements, cells and earth tables."""
        scene, divisions = self.layout_scene(layout)
        mesh = build_mesh(scene, self.top_frequency, divisions=divisions)
        return System.from_scene(scene, mesh, envelope=self.system)


@dataclass(frozen=True)
class _Element:
    """An element of the pool."""

    start: tuple[float, ...]
    end: tuple[float, ...]
    radius: float
    degree: int
    wire: int


class _Gathering:
    """Elements and nodes of the pool while meshes are put in."""

    def __init__(self) -> None:
        self.elements: list[_Element] = []
        self.keys: dict[Any, int] = {}
        self.places: dict[tuple[float, ...], int] = {}
        self.ends: list[tuple[int, int]] = []
        self.on_ground: set[int] = set()
        self.groups: list[set[tuple[int, int]]] = []
        self.feed_nodes: list[set[int]] = []

    def _node(self, place: NDArray[np.float64]) -> int:
        key = tuple(np.round(place, PLACE_DECIMALS) + 0.0)
        return self.places.setdefault(key, len(self.places))

    def put(self, mesh: Mesh, wire_numbers: Mapping[int, int]) -> list[int]:
        """Put in the elements of some wires, their numbers in the mesh to those in the pool.

        Returns their places in the pool, in the order of the mesh.
        """
        found: dict[int, int] = {}
        for e in np.flatnonzero(np.isin(mesh.wire, list(wire_numbers))):
            start, end = mesh.start[e], mesh.end[e]
            radius, degree = float(mesh.radius[e]), int(mesh.degree[e])
            wire = wire_numbers[int(mesh.wire[e])]
            key = (
                wire, degree, tuple(np.round(start, PLACE_DECIMALS) + 0.0),
                tuple(np.round(end, PLACE_DECIMALS) + 0.0),
            )  # fmt: skip
            if key not in self.keys:
                self.keys[key] = len(self.elements)
                element = _Element(tuple(start), tuple(end), radius, degree, wire)
                self.elements.append(element)
                self.ends.append((self._node(start), self._node(end)))
            found[int(e)] = self.keys[key]
        for e, at in found.items():
            for side in (0, 1):
                if mesh.node_on_ground[mesh.element_nodes[e, side]]:
                    self.on_ground.add(self.ends[at][side])
        for port, feed in enumerate(mesh.feeds):
            while len(self.groups) <= port:
                self.groups.append(set())
                self.feed_nodes.append(set())
            self.groups[port] |= {(found[e], side) for e, side in feed.group_a if e in found}
            self.feed_nodes[port].add(self._node(mesh.nodes[feed.node]))
        return list(found.values())


def longest_ways(wires: Sequence[Wire]) -> list[int]:
    """For each of some wires the longest one that goes the same way, by its place among them."""
    order = sorted(range(len(wires)), key=lambda n: (-wires[n].length, n))
    found = [-1] * len(wires)
    longest: list[int] = []
    for n in order:
        wire = wires[n]
        for other in longest:
            way = wires[other]
            alike = (wire.radius, wire.conductor, wire.jacket) == (
                way.radius, way.conductor, way.jacket
            )  # fmt: skip
            if alike and wire.marks == tuple(m for m in way.marks if m < wire.length - 1e-9):
                gap = np.abs(way.points_at(wire.vertex_distances) - wire.vertices).max()
                inner = way.vertex_distances[way.vertex_distances < wire.length - 1e-9]
                if gap < 1e-9 and inner.size == wire.vertex_distances.size - 1:
                    found[n] = other
                    break
        else:
            longest.append(n)
            found[n] = n
    return found


def build_pool(
    scene: Scene,
    variants: Mapping[str, Sequence[Wire]],
    layouts: IntArray,
    frequencies: Sequence[float],
    *,
    tolerance: float | None,
    reuse: Pool | None = None,
) -> Pool:
    """Pool of the layouts of a scene in which some wires take other lengths and ways.

    Parameters
    ----------
    scene : Scene
        With any of the variants.
    variants : mapping of str to sequence of Wire
        What each moving wire may be, by its name.
    layouts : (V, W) int
        Which variant each layout has of each moving wire, in the order of `variants`.
    frequencies : sequence of float
        At which the mesh is refined; the highest is what it is made for. [Hz]
    tolerance : float or None
        As for `solve`.
    reuse : Pool, optional
        Of another ground or other timber: integrals over solids that are the same are taken over.

    Raises
    ------
    SolverError
        If the scene is one that cannot be parted so: wires led to real earth, or moving wires that
        are thick or share an element with another wire.
    """
    top = max(frequencies)
    known = None if reuse is None or reuse.system.volume is None else reuse.system.volume.known
    parted = _Parted(scene, variants, top, known)
    ways = {name: longest_ways(wires) for name, wires in variants.items()}
    first_way = {name: ways[name][0] for name in variants}
    reference = parted.scene_with({name: variants[name][n] for name, n in first_way.items()})
    divisions: dict[str, Division] = {}
    by_way: dict[str, dict[int, Division]] = {name: {} for name in variants}
    for name, n in [("", 0), *((m, k) for m in variants for k in sorted({*ways[m]}))]:
        if name and n == first_way[name]:
            by_way[name][n] = divisions[name]
            continue
        one = reference if not name else parted.scene_with({name: variants[name][n]}, reference)
        mesh = build_mesh(one, top)
        if tolerance is not None:
            bare = System.refined(one, mesh, frequencies, tolerance=tolerance)
            mesh = bare.mesh
        found = {w.name: mesh.division(k) for k, w in enumerate(one.wires)}
        if name:
            by_way[name][n] = found[name]
        else:
            divisions = found
    cut = {
        name: tuple(
            (wire, by_way[name][way].shortened(wire))
            for wire, way in zip(wires, ways[name], strict=True)
        )
        for name, wires in variants.items()
    }
    return parted.pool(reference, divisions, cut, np.asarray(layouts, dtype=np.int64))


class _Parted:
    """Building of a pool, step by step."""

    def __init__(
        self,
        scene: Scene,
        variants: Mapping[str, Sequence[Wire]],
        top: float,
        known: Mapping[bytes, CellIntegrals] | None,
    ) -> None:
        self.scene, self.top, self.known = scene, top, known
        own = {wire.name for wire in scene.own_wires}
        for name, wires in variants.items():
            if name not in own:
                raise SolverError(f"There is no wire {name!r} that could move.")
            radius = np.array([wire.radius for wire in wires])
            if self._thick(radius).any():
                raise SolverError(
                    f"Wire {name!r} is {1e3 * radius.max():g} mm thick, too thick to be parted "
                    f"from the rest at {top / 1e6:g} MHz; its layouts are solved one by one."
                )

    def _thick(self, radius: FloatArray) -> NDArray[np.bool_]:
        """What has corners that matter, see `rings.add_corners`."""
        return is_thick(radius, free_space_wavenumber(self.top), THIN)

    def scene_with(self, wires: Mapping[str, Wire], scene: Scene | None = None) -> Scene:
        scene = self.scene if scene is None else scene
        return scene.with_wires(tuple(wires.get(w.name, w) for w in scene.own_wires))

    def pool(
        self,
        reference: Scene,
        divisions: Mapping[str, Division],
        cut: Mapping[str, tuple[tuple[Wire, Division], ...]],
        layouts: IntArray,
    ) -> Pool:
        gathering, numbers = _Gathering(), {w.name: n for n, w in enumerate(reference.wires)}
        mesh = build_mesh(reference, self.top, divisions=divisions)
        if mesh.electrodes:
            raise SolverError(
                "A wire is led to real earth; its layouts are solved one by one, not parted."
            )
        self._check_alone(mesh, [numbers[name] for name in cut])
        moving = {numbers[name] for name in cut}
        wires = list(reference.wires)
        gathering.put(mesh, {n: n for n in range(len(wires)) if n not in moving})
        n_still = len(gathering.elements)
        own: dict[str, list[list[int]]] = {}
        for name, several in cut.items():
            own[name] = []
            same: dict[Any, int] = {}
            for wire, division in several:
                one = self.scene_with({name: wire}, reference)
                found = build_mesh(one, self.top, divisions={**divisions, name: division})
                # wires that differ in length alone share what they have in common
                key = (wire.conductor, wire.jacket, wire.radius)
                if key not in same:
                    same[key] = len(wires)
                    wires.append(wire)
                index = next(n for n, w in enumerate(one.wires) if w.name == name)
                own[name].append(gathering.put(found, {index: same[key]}))
                if any(e < n_still for e in own[name][-1]):
                    raise SolverError(f"Wire {name!r} shares elements with another wire.")
        return self._finished(reference, divisions, cut, layouts, gathering, own, wires)

    @staticmethod
    def _check_alone(mesh: Mesh, moving: Sequence[int]) -> None:
        """Complain of a moving wire that is merged with another into one stretch."""
        for wire in moving:
            for run in mesh.runs:
                of = slice(run.first_element, run.first_element + len(run.breaks) - 1)
                members = set(mesh.wire[of].tolist())
                if wire in members and len(members) > 1:
                    raise SolverError("A moving wire runs on in line with another wire.")

    def _finished(
        self,
        reference: Scene,
        divisions: Mapping[str, Division],
        cut: Mapping[str, tuple[tuple[Wire, Division], ...]],
        layouts: IntArray,
        gathering: _Gathering,
        own: Mapping[str, list[list[int]]],
        wires: list[Wire],
    ) -> Pool:
        n_elements = len(gathering.elements)
        used = {name: np.unique(layouts[:, k]) for k, name in enumerate(own)}
        # elements that every layout has are fixed, whatever wire they are of
        always = np.zeros(n_elements, dtype=bool)
        mover = np.full(n_elements, FIXED)
        for k, (name, lists) in enumerate(own.items()):
            members = [set(lists[n]) for n in used[name]]
            mover[sorted(set().union(*map(set, lists)))] = k
            always[sorted(set.intersection(*members))] = True
        always |= mover == FIXED
        # unused variants leave elements that no layout has
        needed = always.copy()
        for name, lists in own.items():
            for n in used[name]:
                needed[lists[n]] = True
        order = np.concatenate([np.flatnonzero(always), np.flatnonzero(needed & ~always)])
        place = np.full(n_elements, -1)
        place[order] = np.arange(order.size)
        elements = [gathering.elements[e] for e in order]
        ends = np.array([gathering.ends[e] for e in order])
        mesh = Mesh(
            start=np.array([e.start for e in elements]),
            end=np.array([e.end for e in elements]),
            radius=np.array([e.radius for e in elements]),
            degree=np.array([e.degree for e in elements], dtype=np.int64),
            wire=np.array([e.wire for e in elements], dtype=np.int64),
            element_nodes=ends,
            nodes=np.array(list(gathering.places)),
            node_on_ground=np.isin(np.arange(len(gathering.places)), list(gathering.on_ground)),
            feeds=tuple(FeedNode(-1, ()) for _ in gathering.groups),
            free_end=np.zeros((order.size, 2), dtype=bool),
            runs=(),
            drawing=(),
        )
        n_fixed = int(always.sum())
        members = {
            name: [[int(place[e]) for e in lists[n]] if n in used[name] else [] for n in
                   range(len(lists))]
            for name, lists in own.items()
        }  # fmt: skip
        still = set(
            ends[:n_fixed].ravel()[np.repeat(self._thick(mesh.radius[:n_fixed]), 2)].tolist()
        )
        if still & set(ends[n_fixed:].ravel().tolist()):
            raise SolverError(
                "A moving wire is joined to a thick conductor; its layouts are solved one by one."
            )
        groups = [{(int(place[e]), side) for e, side in group} for group in gathering.groups]
        columns = _Columns(mesh, n_fixed, members, groups, gathering.feed_nodes)
        system = self._system(reference, mesh, columns, wires, mover[order])
        return Pool(
            system, columns.n_fixed, reference, divisions, cut, layouts,
            columns.selections(layouts), self.top,
        )  # fmt: skip

    def _system(
        self, reference: Scene, mesh: Mesh, columns: _Columns, wires: list[Wire], mover: IntArray
    ) -> System:
        scene = PoolScene(
            tuple(wires), reference.feeds, reference.loads, reference.earth, reference.solids
        )
        elements = make_elements(mesh.start, mesh.end, mesh.radius, mesh.degree)
        ground = "none"
        if reference.earth is not None:
            ground = "perfect" if reference.earth.is_perfect else "real"
        volume: Volume | None = None
        if reference.solids:
            volume = prepare_volume(
                reference.solids,
                elements,
                columns.basis,
                has_images=ground == "perfect",
                known=self.known,
            )
        meets = columns.meets(mover)
        prepared = prepare(elements, columns.basis, ground=ground, meets=meets)
        whole: Any = scene
        return System(whole, mesh, prepared, columns.ports, volume)


class _Columns:
    """Fixed functions and moving columns of a pool, and the layouts' choice of them."""

    def __init__(
        self,
        mesh: Mesh,
        n_fixed_elements: int,
        members: Mapping[str, list[list[int]]],
        groups: Sequence[set[tuple[int, int]]],
        feed_nodes: Sequence[set[int]],
    ) -> None:
        self.mesh, self.members = mesh, members
        self.n_still = n_fixed_elements
        self.groups, self.feed_nodes = groups, feed_nodes
        n_nodes = mesh.nodes.shape[0]
        meeting: list[list[tuple[int, int]]] = [[] for _ in range(n_nodes)]
        for e, nodes in enumerate(mesh.element_nodes.tolist()):
            for side in (0, 1):
                meeting[nodes[side]].append((e, side))
        self.builder = BasisBuilder(mesh.degree)
        still: dict[int, list[tuple[int, int]]] = {}
        for e in range(self.n_still):
            self.builder.add_interior(e)
        for node, ends in enumerate(meeting):
            some = [end for end in ends if end[0] < self.n_still]
            if some:
                still[node] = some
                self.builder.add_node(node, some, on_ground=bool(mesh.node_on_ground[node]))
        self.n_fixed = self.builder.n_columns
        corners = len(self.builder.build().node_functions)
        self.interior: dict[int, range] = {}
        for e in range(self.n_still, len(mesh)):
            begin = self.builder.n_columns
            self.builder.add_interior(e)
            self.interior[e] = range(begin, self.builder.n_columns)
        self.end_column: dict[tuple[int, int], int] = {}
        self.pairs: dict[frozenset[tuple[int, int]], range] = {}
        self._add_moving(meeting, still)
        whole = self.builder.build()
        # corners matter for thick conductors only, which do not move
        self.basis = replace(whole, node_functions=whole.node_functions[:corners])
        self.ports = self._port_weights(whole)

    def _sets(self, node: int, meeting: list[list[tuple[int, int]]]) -> set[frozenset[Any]]:
        """Which sets of moving ends there may be at a node."""
        here = {end for end in meeting[node] if end[0] >= self.n_still}
        found: list[frozenset[Any]] = [frozenset()]
        for variants in self.members.values():
            own = {frozenset(end for end in here if end[0] in variant)
                   for variant in map(set, variants) if variant}  # fmt: skip
            found = [one | more for one in found for more in own]
        return set(found) - {frozenset()}

    def _add_moving(
        self, meeting: list[list[tuple[int, int]]], still: Mapping[int, list[tuple[int, int]]]
    ) -> None:
        for node, ends in enumerate(meeting):
            moving = [end for end in ends if end[0] >= self.n_still]
            if not moving:
                continue
            on_ground = bool(self.mesh.node_on_ground[node])
            if node in still or on_ground:
                for end in moving:
                    self.end_column[end] = self.builder.n_columns
                    if on_ground:
                        self.builder.add_passage(node, end, None)
                    else:
                        self.builder.add_passage(node, still[node][0], end)
                continue
            sets = self._sets(node, meeting)
            if len(sets) == 1:
                ordered = sorted(next(iter(sets)))
                begin = self.builder.n_columns
                self.builder.add_node(node, ordered, on_ground=False)
                self.pairs[frozenset(ordered)] = range(begin, self.builder.n_columns)
                continue
            for end in moving:
                self.end_column[end] = self.builder.n_columns
                self.builder.add_end(end)
        self.meeting, self.still = meeting, still

    def _port_weights(self, whole: Any) -> FloatArray:
        """Gap weights of the fixed functions and the columns, (N, P)."""
        ports = np.zeros((self.builder.n_columns, len(self.groups)))
        passages = {column: (node, a, b) for node, a, b, column in whole.node_functions}
        halves = {column: end for end, column in self.end_column.items() if column not in passages}
        for port, (group, nodes) in enumerate(zip(self.groups, self.feed_nodes, strict=True)):
            for column, (node, from_end, to_end) in passages.items():
                if node in nodes:
                    ports[column, port] = float(to_end in group) - float(from_end in group)
            for column, end in halves.items():
                if self.mesh.element_nodes[end[0], end[1]] in nodes:
                    ports[column, port] = -float(end in group)
        return ports

    def meets(self, mover: IntArray) -> NDArray[np.bool_]:
        """Which pairs of elements are there together in some layout, (E, E)."""
        count = len(self.mesh)
        together = np.ones((count, count), dtype=bool)
        for k, variants in enumerate(self.members.values()):
            own = np.flatnonzero((mover == k) & (np.arange(count) >= self.n_still))
            together[np.ix_(own, own)] = False
            for variant in variants:
                some = [e for e in variant if e >= self.n_still]
                together[np.ix_(some, some)] = True
        return together

    def selections(self, layouts: IntArray) -> Selections:
        """Functions of each layout."""
        first_function, first_entry = [0], [0]
        column: list[int] = []
        weight: list[float] = []
        names = list(self.members)
        for layout in layouts:
            moving = [
                e for name, n in zip(names, layout, strict=True) for e in self.members[name][n]
                if e >= self.n_still
            ]  # fmt: skip
            singles: list[int] = []
            nodes: dict[int, list[tuple[int, int]]] = {}
            for e in moving:
                singles += self.interior[e]
                for side in (0, 1):
                    nodes.setdefault(int(self.mesh.element_nodes[e, side]), []).append((e, side))
            joined: list[tuple[int, int]] = []
            for node, ends in nodes.items():
                ends.sort()
                if node in self.still or self.mesh.node_on_ground[node]:
                    singles += [self.end_column[end] for end in ends]
                elif frozenset(ends) in self.pairs:
                    singles += self.pairs[frozenset(ends)]
                else:
                    halves = [self.end_column[end] for end in ends]
                    joined += [(halves[0], other) for other in halves[1:]]
            for one in singles:
                column.append(one - self.n_fixed)
                weight.append(1.0)
                first_entry.append(len(column))
            for one, other in joined:
                column += [one - self.n_fixed, other - self.n_fixed]
                weight += [1.0, -1.0]
                first_entry.append(len(column))
            first_function.append(len(first_entry) - 1)
        return Selections(
            np.array(first_function, dtype=np.int64),
            np.array(first_entry, dtype=np.int64),
            np.array(column, dtype=np.int64),
            np.array(weight),
        )
