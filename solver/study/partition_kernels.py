"""Many small systems out of one large reduced matrix."""

from __future__ import annotations

import numpy as np
from numba import njit, prange


@njit(cache=True, error_model="numpy")
def eliminate(matrix, right, order):
    """Solve in place by Gauss' elimination with partial pivoting; False where singular.

    Parameters
    ----------
    matrix : (n, n) complex, overwritten by its factors, rows in the order they were taken
    right : (n, r) complex, overwritten by the solution
    order : (n,) int, written
        Which row was taken when.
    """
    n, r = matrix.shape[0], right.shape[1]
    for k in range(n):
        order[k] = k
    for k in range(n):
        best, pivot = 0.0, k
        for i in range(k, n):
            size = abs(matrix[i, k].real) + abs(matrix[i, k].imag)
            if size > best:
                best, pivot = size, i
        if not best > 0.0:
            return False
        if pivot != k:
            for j in range(n):
                matrix[k, j], matrix[pivot, j] = matrix[pivot, j], matrix[k, j]
            for j in range(r):
                right[k, j], right[pivot, j] = right[pivot, j], right[k, j]
            order[k], order[pivot] = order[pivot], order[k]
        inverse = 1.0 / matrix[k, k]
        for i in range(k + 1, n):
            factor = matrix[i, k] * inverse
            matrix[i, k] = factor
            for j in range(k + 1, n):
                matrix[i, j] -= factor * matrix[k, j]
            for j in range(r):
                right[i, j] -= factor * right[k, j]
    for k in range(n - 1, -1, -1):
        inverse = 1.0 / matrix[k, k]
        for j in range(r):
            total = right[k, j]
            for i in range(k + 1, n):
                total -= matrix[k, i] * right[i, j]
            right[k, j] = total * inverse
    return True


@njit(cache=True, error_model="numpy")
def gather(f0, f1, first_entry, column, weight, source, target):
    """target[m, n] = sum of weights times source over the entries of functions f0 .. f1 - 1."""
    for m in range(f1 - f0):
        for n in range(f1 - f0):
            total = 0.0j
            for a in range(first_entry[f0 + m], first_entry[f0 + m + 1]):
                for b in range(first_entry[f0 + n], first_entry[f0 + n + 1]):
                    total += weight[a] * weight[b] * source[column[a], column[b]]
            target[m, n] = total


@njit(cache=True, error_model="numpy")
def substitute(factors, order, vector, result):
    """result = matrix^-1 vector from what `eliminate` left."""
    n = factors.shape[0]
    for k in range(n):
        total = vector[order[k]]
        for i in range(k):
            total -= factors[k, i] * result[i]
        result[k] = total
    for k in range(n - 1, -1, -1):
        total = result[k]
        for i in range(k + 1, n):
            total -= factors[k, i] * result[i]
        result[k] = total / factors[k, k]


@njit(cache=True, error_model="numpy")
def greatest_eigenvalue(factors, order, slope, steps):
    """Of matrix^-1 slope, by `steps` of the power method."""
    n = factors.shape[0]
    vector = np.empty(n, dtype=np.complex128)
    moved = np.empty(n, dtype=np.complex128)
    turned = np.empty(n, dtype=np.complex128)
    for m in range(n):
        # lopsided, so that no mode is missed for its symmetry
        vector[m] = complex(1.0 + 0.37 * (m % 7), 0.61 * (m % 5) - 1.0)
    ratio = 0.0j
    for _ in range(steps):
        size = 0.0
        for m in range(n):
            size += vector[m].real ** 2 + vector[m].imag ** 2
        scale = 1.0 / np.sqrt(size)
        for m in range(n):
            vector[m] *= scale
        for m in range(n):
            total = 0.0j
            for k in range(n):
                total += slope[m, k] * vector[k]
            turned[m] = total
        substitute(factors, order, turned, moved)
        ratio = 0.0j
        for m in range(n):
            ratio += vector[m].conjugate() * moved[m]
            vector[m] = moved[m]
    return ratio


@njit(cache=True, parallel=True, error_model="numpy")
def solve_layouts(
    first_function, first_entry, column, weight, schur, sources, fixed, forms, slope, steps,
    admittance, values, eigenvalue,
):  # fmt: skip
    """Admittance of every layout, and forms of its currents for 1 V at each port in turn.

    Parameters
    ----------
    first_function, first_entry, column, weight
        `pool.Selections`.
    schur : (M, M) complex
        Reduced matrix of the moving columns. [ohm]
    sources : (M, P) complex
        Reduced gap weights.
    fixed : (P, P) complex
        Admittance of the fixed part alone. [S]
    forms : (K, M + P, M + P) complex
        Hermitian forms of the moving unknowns, then of the ports' voltages.
    slope : (M, M) complex, or (0, 0)
        Of the reduced matrix. [ohm]
    steps : int
        Of the power method.
    admittance : (V, P, P) complex, written; NaN where singular
        [S]
    eigenvalue : (V,) complex, written where there is a slope
        Greatest one of schur^-1 slope.
    values : (V, K, P, P) complex, written
        conj(q_r) form q_s for unit voltages at ports r and s.
    """
    n_ports, n_moving, n_forms = sources.shape[1], schur.shape[0], forms.shape[0]
    for unsigned in prange(first_function.size - 1):
        v = np.int64(unsigned)
        f0, f1 = first_function[v], first_function[v + 1]
        n = f1 - f0
        matrix = np.empty((n, n), dtype=np.complex128)
        gather(f0, f1, first_entry, column, weight, schur, matrix)
        right = np.empty((n, n_ports), dtype=np.complex128)
        for m in range(n):
            for p in range(n_ports):
                total = 0.0j
                for a in range(first_entry[f0 + m], first_entry[f0 + m + 1]):
                    total += weight[a] * sources[column[a], p]
                right[m, p] = total
        begin, end = first_entry[f0], first_entry[f1]
        # what the functions are worth, entry by entry, and the ports' own voltages after them
        size = end - begin + n_ports
        place = np.empty(size, dtype=np.int64)
        worth = np.zeros((size, n_ports), dtype=np.complex128)
        known = np.empty((n, n_ports), dtype=np.complex128)
        for m in range(n):
            for p in range(n_ports):
                known[m, p] = right[m, p]
        order = np.empty(n, dtype=np.int64)
        if not eliminate(matrix, right, order):
            for p in range(n_ports):
                for q in range(n_ports):
                    admittance[v, p, q] = np.nan
            for k in range(n_forms):
                for p in range(n_ports):
                    for q in range(n_ports):
                        values[v, k, p, q] = np.nan
            eigenvalue[v] = np.nan
            continue
        if slope.shape[0] > 0:
            moving = np.empty((n, n), dtype=np.complex128)
            gather(f0, f1, first_entry, column, weight, slope, moving)
            eigenvalue[v] = greatest_eigenvalue(matrix, order, moving, steps)
        for p in range(n_ports):
            for q in range(n_ports):
                total = fixed[p, q]
                for m in range(n):
                    total += known[m, p] * right[m, q]
                admittance[v, p, q] = total
        for m in range(n):
            for a in range(first_entry[f0 + m], first_entry[f0 + m + 1]):
                place[a - begin] = column[a]
                for p in range(n_ports):
                    worth[a - begin, p] = weight[a] * right[m, p]
        for p in range(n_ports):
            place[end - begin + p] = n_moving + p
            worth[end - begin + p, p] = 1.0
        for k in range(n_forms):
            form = forms[k]
            for p in range(n_ports):
                for q in range(n_ports):
                    values[v, k, p, q] = 0.0
            for a in range(size):
                row = form[place[a]]
                for q in range(n_ports):
                    total = 0.0j
                    for b in range(size):
                        total += row[place[b]] * worth[b, q]
                    for p in range(n_ports):
                        values[v, k, p, q] += worth[a, p].conjugate() * total
