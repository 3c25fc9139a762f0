"""Functions of a pool: those of its fixed elements, and the columns that layouts pick from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from ...geometry.mesh import Mesh
from ..moments.basis import BasisBuilder, FloatArray, IntArray, meeting_ends


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
    mover : (K,) int
        Of which moving wire each entry is, in the order of the layouts' columns.
    """

    first_function: IntArray
    first_entry: IntArray
    column: IntArray
    weight: FloatArray
    mover: IntArray

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


class Columns:
    """Fixed functions and moving columns of a pool, and the layouts' choice of them.

    Parameters
    ----------
    mesh : Mesh
        Of all elements, the fixed ones first.
    n_fixed_elements : int
    members : mapping of str to list of lists of int
        Elements of each variant of each moving wire; none of a variant that no layout has.
    groups : sequence of sets of (element, side)
        Ends of group A of each port, see `FeedNode`.
    feed_nodes : sequence of sets of int
        Where the ports are.
    """

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
        meeting = meeting_ends(mesh.element_nodes, n_nodes)
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

    def _at_node(
        self, ends: list[tuple[int, int]], whose: Mapping[int, int]
    ) -> list[list[tuple[int, int, float]]]:
        """Functions of moving ends that meet, each as (column, wire, weight) of its parts.

        Ends come in the order of their wires, and along these.
        """
        node = int(self.mesh.element_nodes[ends[0]])
        if node in self.still or self.mesh.node_on_ground[node]:
            return [[(self.end_column[end], whose[end[0]], 1.0)] for end in ends]
        if frozenset(ends) in self.pairs:
            own = whose[ends[0][0]]
            return [[(one, own, 1.0)] for one in self.pairs[frozenset(ends)]]
        first, *others = [(self.end_column[end], whose[end[0]]) for end in ends]
        return [[(*first, 1.0), (*other, -1.0)] for other in others]

    def selections(self, layouts: IntArray) -> Selections:
        """Functions of each layout."""
        first_function, first_entry = [0], [0]
        column: list[int] = []
        weight: list[float] = []
        mover: list[int] = []
        names = list(self.members)
        for layout in layouts:
            moving: list[int] = []
            whose: dict[int, int] = {}
            for k, (name, n) in enumerate(zip(names, layout, strict=True)):
                own = [e for e in self.members[name][n] if e >= self.n_still]
                moving += own
                whose.update(dict.fromkeys(own, k))
            nodes: dict[int, list[tuple[int, int]]] = {}
            for e in moving:
                for side in (0, 1):
                    nodes.setdefault(int(self.mesh.element_nodes[e, side]), []).append((e, side))
            # Along the wires, whatever the numbers of elements: layouts that differ in lengths
            # alone have like functions in the same order.
            functions: list[list[tuple[int, int, float]]] = []
            for e in moving:
                functions += [[(one, whose[e], 1.0)] for one in self.interior[e]]
                for side in (0, 1):
                    ends = nodes.pop(int(self.mesh.element_nodes[e, side]), None)
                    if ends is not None:
                        functions += self._at_node(ends, whose)
            for entries in functions:
                column += [one - self.n_fixed for one, _, _ in entries]
                weight += [w for _, _, w in entries]
                mover += [of for _, of, _ in entries]
                first_entry.append(len(column))
            first_function.append(len(first_entry) - 1)
        return Selections(
            np.array(first_function, dtype=np.int64),
            np.array(first_entry, dtype=np.int64),
            np.array(column, dtype=np.int64),
            np.array(weight),
            np.array(mover, dtype=np.int64),
        )
