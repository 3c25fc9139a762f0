"""Moments of kernels of (horizontal distance, sum of heights) over the pairs of a mesh."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..moments.assembly import AddReflected, Elements, ReflectedPairs
from ..moments.basis import ComplexArray
from ..moments.quadrature import node_tables
from .kernels import add_reflected_moments

__all__ = ["reflected_adder"]

KernelArguments = tuple[NDArray[np.float64], float, float, float, float, float, float]


def reflected_adder(top_degree: int, arguments: KernelArguments) -> AddReflected:
    """What adds the moments of a table's kernels to rows of element pairs.

    Parameters
    ----------
    top_degree : int
        Highest degree of an element.
    arguments : tuple
        `EarthTable.kernel_arguments()`, or those of a table laid out like it.
    """
    far, near = node_tables(top_degree, extra=1, least=3), node_tables(top_degree, extra=4, least=6)

    def add(
        buffer: ComplexArray,
        first: int,
        last: int,
        extra: int,
        elements: Elements,
        pairs: ReflectedPairs,
    ) -> None:
        add_reflected_moments(
            buffer, first, last, extra, *elements, *pairs, *far[:3], *near[:3], *arguments
        )

    return add
