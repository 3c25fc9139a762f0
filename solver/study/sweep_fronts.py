"""Which layouts no other one beats in everything at once."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
from numpy.typing import NDArray

from ..moments.basis import FloatArray


def pareto_front(values: FloatArray) -> NDArray[np.int64]:
    """Rows that no other row is as good as in all columns and better than in one.

    Parameters
    ----------
    values : ndarray, shape (n, d)
        Less is better; NaN nowhere. Infinite values are allowed.

    Returns
    -------
    ndarray of int64, shape (m,)
        Rising. Equal rows stand or fall together.

    Notes
    -----
    Exact. One or two columns, and three [1]_, take O(n log n) steps (the third through a staircase
    kept sorted, whose insertion moves memory besides); more columns O(n m).

    References
    ----------
    .. [1] H. T. Kung, F. Luccio, F. P. Preparata, "On finding the maxima of a set of vectors",
       Journal of the ACM 22(4), 1975, doi:10.1145/321906.321910 (from memory).
    """
    if values.shape[0] == 0:
        return np.zeros(0, dtype=np.int64)
    order = np.lexsort(values.T[::-1])
    rows = values[order]
    is_new = np.ones(order.size, dtype=np.bool_)
    is_new[1:] = (rows[1:] != rows[:-1]).any(axis=1)
    group = np.cumsum(is_new) - 1
    distinct = rows[is_new]
    # In this order only an earlier row can be better than a later one.
    columns = distinct.shape[1]
    if columns == 1:
        on_front = np.arange(distinct.shape[0]) == 0
    elif columns == 2:
        on_front = _below_all_before(distinct[:, 1])
    elif columns == 3:
        on_front = _staircase(distinct)
    else:
        on_front = _one_by_one(distinct)
    return np.sort(order[on_front[group]])


def _below_all_before(values: FloatArray) -> NDArray[np.bool_]:
    found = np.ones(values.size, dtype=np.bool_)
    found[1:] = values[1:] < np.minimum.accumulate(values)[:-1]
    return found


def _staircase(rows: FloatArray) -> NDArray[np.bool_]:
    """Three columns: the undominated pairs of the last two so far, second rising, third falling."""
    found = np.zeros(rows.shape[0], dtype=np.bool_)
    seconds: list[float] = []
    thirds: list[float] = []
    for k, (_, second, third) in enumerate(rows.tolist()):
        at = bisect_right(seconds, second)
        if at and thirds[at - 1] <= third:
            continue
        found[k] = True
        first = at - 1 if at and seconds[at - 1] == second else at
        last = at
        while last < len(thirds) and thirds[last] >= third:
            last += 1
        seconds[first:last] = [second]
        thirds[first:last] = [third]
    return found


def _one_by_one(rows: FloatArray) -> NDArray[np.bool_]:
    """Any number of columns: each row of the front strikes out all that it is better than."""
    found = np.zeros(rows.shape[0], dtype=np.bool_)
    left = np.arange(rows.shape[0])
    while left.size:
        first, left = left[0], left[1:]
        found[first] = True
        left = left[(rows[left] < rows[first]).any(axis=1)]
    return found
