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
from ..moments.basis import FloatArray, IntArray
from ..moments.kernels import THIN
from ..moments.rings import is_thick
from ..surround.integrals import CellIntegrals
from ..surround.volume import Volume, prepare_volume
from ..system import System
from .pool_columns import Columns, Selections
from .pool_meshing import Meshing, longest_ways

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
    meshing : Meshing
        How its wires are cut.
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
    meshing: Meshing
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
        divisions = dict(self.meshing.divisions)
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


def build_pool(
    scene: Scene,
    variants: Mapping[str, Sequence[Wire]],
    layouts: IntArray,
    frequencies: Sequence[float],
    *,
    tolerance: float | None,
    earth: Earth | None = None,
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
    earth : Earth, optional
        Over which the mesh is refined; the scene's where left out.
    reuse : Pool, optional
        Of another ground or other timber: the mesh, and integrals over solids that are the same,
        are taken over. The result is the same.

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
    reference = parted.scene_with({name: variants[name][ways[name][0]] for name in variants})
    longest = {
        name: {n: variants[name][n] for n in sorted({*own})} for name, own in ways.items()
    }  # fmt: skip
    meshing = Meshing.of(
        reference, longest, frequencies, tolerance,
        earth=reference.earth if earth is None else earth,
        known=None if reuse is None else reuse.meshing,
    )  # fmt: skip
    cut = {
        name: tuple(
            (wire, meshing.by_way[name][way].shortened(wire))
            for wire, way in zip(wires, ways[name], strict=True)
        )
        for name, wires in variants.items()
    }
    return parted.pool(reference, meshing, cut, np.asarray(layouts, dtype=np.int64))


def pool_of_divisions(
    scene: Scene,
    cut: Mapping[str, tuple[tuple[Wire, Division], ...]],
    layouts: IntArray,
    top_frequency: float,
    meshing: Meshing,
    *,
    reuse: Pool | None = None,
) -> Pool:
    """Pool of variants that are cut into elements already.

    Parameters
    ----------
    scene : Scene
        With every moving wire as far as it goes.
    cut : mapping of str to tuple of (Wire, Division)
        By moving wire.
    layouts : (V, W) int
        As for `build_pool`.
    top_frequency : float
        [Hz]
    meshing : Meshing
        How the other wires are cut.
    reuse : Pool, optional
        As for `build_pool`.

    Raises
    ------
    SolverError
        As for `build_pool`.
    """
    known = None if reuse is None or reuse.system.volume is None else reuse.system.volume.known
    wires = {name: [wire for wire, _ in several] for name, several in cut.items()}
    parted = _Parted(scene, wires, top_frequency, known)
    return parted.pool(scene, meshing, cut, np.asarray(layouts, dtype=np.int64))


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
        meshing: Meshing,
        cut: Mapping[str, tuple[tuple[Wire, Division], ...]],
        layouts: IntArray,
    ) -> Pool:
        gathering, numbers = _Gathering(), {w.name: n for n, w in enumerate(reference.wires)}
        divisions = meshing.divisions
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
        return self._finished(reference, meshing, cut, layouts, gathering, own, wires)

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
        meshing: Meshing,
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
        columns = Columns(mesh, n_fixed, members, groups, gathering.feed_nodes)
        system = self._system(reference, mesh, columns, wires, mover[order])
        return Pool(
            system, columns.n_fixed, reference, meshing, cut, layouts,
            columns.selections(layouts), self.top,
        )  # fmt: skip

    def _system(
        self, reference: Scene, mesh: Mesh, columns: Columns, wires: list[Wire], mover: IntArray
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
