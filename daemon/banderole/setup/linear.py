"""Small linear algebra, in plain Python: a handful of unknowns does not want a library of 60 MB on a small board."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

SINGULAR: Final = 1e-12
"""A pivot, relative to its column's largest, below which two unknowns cannot be told apart."""


def least_squares(rows: Sequence[Sequence[float]], ys: Sequence[float]) -> list[float] | None:
    """x that makes Σ(y − row·x)² least, by the normal equations; None where the rows do not settle it."""
    size = len(rows[0])
    normal = [[0.0] * size for _ in range(size)]
    right = [0.0] * size
    for row, y in zip(rows, ys, strict=True):
        for i, a in enumerate(row):
            if a:
                right[i] += a * y
                for j, b in enumerate(row):
                    normal[i][j] += a * b
    turned = inverse(normal)
    return None if turned is None else [sum(a * b for a, b in zip(line, right, strict=True)) for line in turned]


def inverse(matrix: Sequence[Sequence[float]]) -> list[list[float]] | None:
    """The inverse of a small square matrix by Gauss and Jordan with pivots; None where it has none."""
    size = len(matrix)
    work = [[*row, *(1.0 if i == j else 0.0 for j in range(size))] for i, row in enumerate(matrix)]
    largest = [max(abs(row[i]) for row in matrix) or 1.0 for i in range(size)]
    for column in range(size):
        pivot = max(range(column, size), key=lambda i: abs(work[i][column]))
        if abs(work[pivot][column]) <= SINGULAR * largest[column]:
            return None
        work[column], work[pivot] = work[pivot], work[column]
        lead = work[column][column]
        work[column] = [value / lead for value in work[column]]
        for i in range(size):
            factor = work[i][column]
            if i != column and factor:
                work[i] = [a - factor * b for a, b in zip(work[i], work[column], strict=True)]
    return [row[size:] for row in work]
