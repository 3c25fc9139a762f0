"""Gauss-Legendre tables, padded by degree so that compiled kernels can index them."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray


class NodeTables(NamedTuple):
    """Nodes for each polynomial degree d = 0 .. max_degree.

    Attributes
    ----------
    n_nodes : (D,) int
        Number of nodes.
    xi, weight : (D, Q) float
        Nodes in [-1, 1] and weights, zero-padded.
    legendre : (D, K, Q) float
        P_k at the nodes times the weight, k = 0 .. max_degree + 1.
    """

    n_nodes: NDArray[np.int64]
    xi: NDArray[np.float64]
    weight: NDArray[np.float64]
    legendre: NDArray[np.float64]


@lru_cache(maxsize=64)
def gauss(n_nodes: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Gauss-Legendre nodes and weights on [-1, 1], read-only."""
    xi, weight = np.polynomial.legendre.leggauss(n_nodes)
    xi.setflags(write=False)
    weight.setflags(write=False)
    return xi, weight


@lru_cache(maxsize=64)
def node_tables(max_degree: int, *, extra: int, least: int) -> NodeTables:
    """Tables with max(degree + extra, least) nodes for each degree."""
    counts = np.array([max(d + extra, least) for d in range(max_degree + 1)])
    width = int(counts.max())
    xi = np.zeros((max_degree + 1, width))
    weight = np.zeros_like(xi)
    legendre = np.zeros((max_degree + 1, max_degree + 2, width))
    for d, n in enumerate(counts):
        nodes, weights = gauss(int(n))
        xi[d, :n] = nodes
        weight[d, :n] = weights
        vander = np.polynomial.legendre.legvander(nodes, max_degree + 1)
        legendre[d, :, :n] = vander.T * weights
    for array in (counts, xi, weight, legendre):
        array.setflags(write=False)
    return NodeTables(counts, xi, weight, legendre)


def lagrange_weights(nodes: NDArray[np.float64], at: ArrayLike) -> NDArray[np.float64]:
    """What each node's value counts at some points, shape (*at.shape, n)."""
    gap = np.asarray(at, dtype=float)[..., None, None] - nodes
    own = np.eye(nodes.size, dtype=bool)
    other = nodes[:, None] - nodes[None, :] + own
    return np.where(own, 1.0, gap / other).prod(axis=-1)
