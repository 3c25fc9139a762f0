"""Compiled kernels: what was found cell by cell, put where functions and axes have it."""

from __future__ import annotations

import numpy as np
from numba import njit, prange


@njit(cache=True, error_model="numpy")
def scatter_forms(
    first_cell, last_cell, volume, first_member, members, place, first_entry, base, n_functions,
    forms, block, values,
):  # fmt: skip
    """Add the forms of some cells, times volume, to blocks by pair of elements.

    Parameters
    ----------
    place : (E,) int
        Where an element is among those of the blocks.
    base : int
        What of `first_entry` is before the forms.
    block : (U, U) int
        Where the block (n_functions[i], n_functions[j]) of the pair i <= j begins in `values`.
    values : (12, ...) float, added to
    """
    for c in range(first_cell, last_cell):
        low, high = first_member[c], first_member[c + 1]
        total = 0
        for m in range(low, high):
            total += n_functions[members[m]]
        start = first_entry[c] - base
        row = 0
        for m in range(low, high):
            ni = n_functions[members[m]]
            column = row
            for o in range(m, high):
                nj = n_functions[members[o]]
                begin = block[place[members[m]], place[members[o]]]
                for a in range(ni):
                    # a block on the diagonal holds its upper triangle only
                    for b in range(a if o == m else 0, nj):
                        source = start + (row + a) * total + column + b
                        for k in range(12):
                            values[k, begin + a * nj + b] += volume[c] * forms[k, source]
                column += nj
            row += ni


@njit(cache=True, parallel=True, error_model="numpy")
def add_turned(fields, frame, total):
    """Add fields (M, 3, 2, C), real and imaginary parts, to total (M, 3 C) in the cells' frames."""
    for unsigned in prange(fields.shape[0]):
        m = np.int64(unsigned)
        for c in range(frame.shape[0]):
            for a in range(3):
                real, imaginary = 0.0, 0.0
                for b in range(3):
                    real += frame[c, a, b] * fields[m, b, 0, c]
                    imaginary += frame[c, a, b] * fields[m, b, 1, c]
                total[m, 3 * c + a] += complex(real, imaginary)
