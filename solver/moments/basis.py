r"""Local functions on an element and the current-conserving functions made from them.

On an element of half length h, with xi in [-1, 1] from its start to its end, the current is a
sum of the local functions

    0: (1 - xi)/2,   1: (1 + xi)/2,   k >= 2: (P_k - P_{k-2})/(2k - 1)

(P_k Legendre polynomials).  Functions k >= 2 vanish at both ends and their derivative is P_{k-1}.
This is the hierarchical basis of the higher-order literature [1]_.

A node where n ends meet gives n - 1 functions that carry current from one reference end to each
of the others; a node on a perfect ground gives n; a free end gives none.

References
----------
.. [1] B. M. Notaros, "Higher order frequency-domain computational electromagnetics",
   IEEE Trans. Antennas Propag. 56(8), 2008 (review; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.int64]


class ElementCurrents(NamedTuple):
    """Currents on straight elements at one frequency.

    Attributes
    ----------
    start, end : (E, 3) float
        Element ends. [m]
    radius : (E,) float
        Conductor radius. [m]
    current : (E, Q) complex
        Legendre coefficients, I(xi) = sum_i current[e, i] P_i(xi), zero-padded; RMS, positive
        from start to end. [A]
    """

    start: FloatArray
    end: FloatArray
    radius: FloatArray
    current: ComplexArray


class PointMoments(NamedTuple):
    """Current times length at points: the polarisation current of solids, cell by cell.

    Attributes
    ----------
    positions : (C, 3) float
        [m]
    moments : (C, 3) complex
        Int J dV of each cell, RMS. [A m]
    """

    positions: FloatArray
    moments: ComplexArray


def legendre_of_functions(n_functions: int) -> FloatArray:
    """Legendre coefficients of the first local functions, shape (n_functions, n_functions)."""
    coefficients = np.zeros((max(n_functions, 2), max(n_functions, 2)))
    coefficients[0, :2] = 0.5, -0.5
    coefficients[1, :2] = 0.5, 0.5
    for k in range(2, n_functions):
        coefficients[k, k] = 1.0 / (2 * k - 1)
        coefficients[k, k - 2] = -1.0 / (2 * k - 1)
    return coefficients[:n_functions, :n_functions]


def legendre_of_slopes(n_functions: int) -> FloatArray:
    """Legendre coefficients of d/dxi of the first local functions, shape (n, n)."""
    coefficients = np.zeros((max(n_functions, 2), max(n_functions, 2)))
    coefficients[0, 0] = -0.5
    coefficients[1, 0] = 0.5
    for k in range(2, n_functions):
        coefficients[k, k - 1] = 1.0
    return coefficients[:n_functions, :n_functions]


def overlap_of_functions(n_functions: int) -> FloatArray:
    """Integrals of f_m f_n over xi in [-1, 1], shape (n_functions, n_functions)."""
    coefficients = legendre_of_functions(n_functions)
    norm = 2.0 / (2.0 * np.arange(n_functions) + 1.0)
    return (coefficients * norm) @ coefficients.T


def overlap_of_slopes(n_functions: int) -> FloatArray:
    """Integrals of df_m/dxi df_n/dxi over xi in [-1, 1], shape (n_functions, n_functions)."""
    coefficients = legendre_of_slopes(n_functions)
    norm = 2.0 / (2.0 * np.arange(n_functions) + 1.0)
    return (coefficients * norm) @ coefficients.T


@dataclass(frozen=True)
class Basis:
    """Global functions as combinations of local ones.

    Attributes
    ----------
    offset : (E + 1,) int
        Element e owns the local functions offset[e] .. offset[e + 1] - 1.
    combination : sparse (M, N)
        Column n holds the local functions that make global function n.
    node_functions : tuple of (node, from_end, to_end, column)
        Ends are (element, side) with side 0 the start and 1 the end; `to_end` is None where the
        current goes into a perfect ground.
    n_unknowns : int
        Number of global functions, N.
    """

    offset: IntArray
    combination: sparse.csr_array
    node_functions: tuple[tuple[int, tuple[int, int], tuple[int, int] | None, int], ...]
    n_unknowns: int

    @property
    def n_local(self) -> int:
        """Number of local functions."""
        return int(self.offset[-1])

    def port_vector(self, node: int, group_a: Sequence[tuple[int, int]]) -> FloatArray:
        """Weights b, shape (N,), of a gap at a node; b^T I is the current driven into group A."""
        group = set(group_a)
        vector = np.zeros(self.n_unknowns)
        for at, from_end, to_end, column in self.node_functions:
            if at == node:
                vector[column] = float(to_end in group) - float(from_end in group)
        return vector

    def legendre_currents(self, unknowns: ComplexArray, degree: IntArray) -> ComplexArray:
        """Legendre coefficients per element, shape (E, max degree + 1), of currents (N,)."""
        local = self.combination @ unknowns
        width = int(degree.max()) + 1
        padded = np.zeros((degree.size, width), dtype=np.complex128)
        own = np.arange(width)[None, :] <= degree[:, None]
        padded[own] = local
        return padded @ legendre_of_functions(width)


class BasisBuilder:
    """Makes global functions one after the other.

    Parameters
    ----------
    degree : (E,) int
        Polynomial degree of the current on each element, >= 1.
    """

    def __init__(self, degree: IntArray) -> None:
        self.degree = degree
        self.offset = np.zeros(degree.size + 1, dtype=np.int64)
        np.cumsum(degree + 1, out=self.offset[1:])
        self.n_columns = 0
        self._entries: list[tuple[int, int, float]] = []
        self._node_functions: list[tuple[int, tuple[int, int], tuple[int, int] | None, int]] = []

    def add_interior(self, element: int) -> None:
        """The functions of an element that vanish at both ends."""
        for k in range(2, int(self.degree[element]) + 1):
            self._entries.append((int(self.offset[element]) + k, self.n_columns, 1.0))
            self.n_columns += 1

    def _carry(self, end: tuple[int, int], *, inward: bool) -> None:
        element, side = end
        along = 1.0 if side == 1 else -1.0
        row = int(self.offset[element]) + side
        self._entries.append((row, self.n_columns, along if inward else -along))

    def add_passage(
        self, node: int, from_end: tuple[int, int], to_end: tuple[int, int] | None
    ) -> None:
        """Current from one end (element, side) through a node to another; None: to the ground."""
        self._carry(from_end, inward=True)
        if to_end is not None:
            self._carry(to_end, inward=False)
        self._node_functions.append((node, from_end, to_end, self.n_columns))
        self.n_columns += 1

    def add_end(self, end: tuple[int, int]) -> None:
        """Current towards an end that goes nowhere: half of a passage."""
        self._carry(end, inward=True)
        self.n_columns += 1

    def add_node(self, node: int, ends: Sequence[tuple[int, int]], *, on_ground: bool) -> None:
        """All functions of a node where some ends meet."""
        if on_ground:
            for end in ends:
                self.add_passage(node, end, None)
            return
        for end in ends[1:]:
            self.add_passage(node, ends[0], end)

    def build(self) -> Basis:
        """The functions so far."""
        rows, columns, weights = zip(*self._entries, strict=True) if self._entries else ((), (), ())
        shape = (int(self.offset[-1]), self.n_columns)
        combination = sparse.csr_array((weights, (rows, columns)), shape=shape, dtype=np.float64)
        return Basis(self.offset, combination, tuple(self._node_functions), self.n_columns)


def meeting_ends(element_nodes: IntArray, n_nodes: int) -> list[list[tuple[int, int]]]:
    """Ends (element, side) that meet at each node, in the order of the elements."""
    ends: list[list[tuple[int, int]]] = [[] for _ in range(n_nodes)]
    for e, nodes in enumerate(element_nodes.tolist()):
        for side in (0, 1):
            ends[nodes[side]].append((e, side))
    return ends


def connect(element_nodes: IntArray, degree: IntArray, node_on_ground: NDArray[np.bool_]) -> Basis:
    """Make the global functions of a mesh.

    Parameters
    ----------
    element_nodes : (E, 2) int
        Node at the start and at the end of each element.
    degree : (E,) int
        Polynomial degree of the current on each element, >= 1.
    node_on_ground : (N,) bool
        True where a node touches a perfect ground.
    """
    builder = BasisBuilder(degree)
    for e in range(degree.size):
        builder.add_interior(e)
    for node, meeting in enumerate(meeting_ends(element_nodes, node_on_ground.size)):
        builder.add_node(node, meeting, on_ground=bool(node_on_ground[node]))
    return builder.build()
