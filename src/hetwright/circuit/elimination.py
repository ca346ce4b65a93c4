"""Sets of linear equations of one pattern, solved for a whole stack at once.

Every variant of a set has the same points and the same elements, so which coefficients can differ from zero
is known before any number is. The order of elimination is chosen once (least degree first), and then each
step of the elimination is done for all rows of the stack together: a set of forty points costs a few hundred
short array operations, whatever the number of rows, where a dense solve costs tens of thousands of
multiplications a row. ``docs/decisions/solver.md`` has the measured figures.

No pivots are exchanged. For the conductances of a passive network this loses nothing (the matrix is
diagonally dominant); a valve's slopes can in principle bring a pivot near zero, and then the row comes out
non-finite or inaccurate, Newton's method does not settle, and the row ends among the few that are worked with
:class:`DenseFactors`, which exchanges pivots.

Sources: W. F. Tinney and J. W. Walker, "Direct solutions of sparse network equations by optimally ordered
triangular factorization", Proc. IEEE 55 (1967) 1801-1809 (ordering by least degree, once for many solves);
I. S. Duff, A. M. Erisman and J. K. Reid, *Direct Methods for Sparse Matrices*.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

__all__ = ["FEW", "DenseFactors", "Elimination", "Factors", "factor"]

Array = NDArray[np.float64]
Numbers = NDArray[np.inexact]


@dataclass(frozen=True, slots=True)
class _Step:
    """One pivot: where its row and column lie, and what its elimination changes.

    ``runs`` are (row of the product or None for all, first product column or row, first target, length, along):
    the products of column by row are subtracted from the stored coefficients in stretches that lie together.
    """

    degree: int
    diagonal: int
    neighbours: tuple[int, ...]
    runs: tuple[tuple[int, int, int, int, bool], ...]
    stretches: tuple[tuple[int, int, int], ...]


class Elimination:
    """Order and pattern of the elimination of ``size`` equations.

    Parameters
    ----------
    size : int
    entries : iterable of (row, column)
        Coefficients that may differ from zero. The pattern is made symmetric and the diagonal is added.

    Attributes
    ----------
    stored : int
        Number of stored coefficients, fill included.
    """

    def __init__(self, size: int, entries: Iterable[tuple[int, int]]) -> None:
        self.size = size
        joined: list[set[int]] = [set() for _ in range(size)]
        for row, column in entries:
            if row != column:
                joined[row].add(column)
                joined[column].add(row)
        self.order = self._least_degree_order([set(s) for s in joined])
        self.place = np.empty(size, dtype=np.intp)
        self.place[self.order] = np.arange(size)

        later: list[list[int]] = []
        links = [set(s) for s in joined]
        for pivot in self.order:
            neighbours = sorted(links[pivot], key=lambda p: int(self.place[p]))
            later.append([int(self.place[p]) for p in neighbours])
            for p in neighbours:
                links[p].discard(int(pivot))
                links[p].update(q for q in neighbours if q != p)
        self._at: dict[tuple[int, int], int] = {}
        stored = 0
        for k, neighbours in enumerate(later):
            for key in [(k, k), *[(k, j) for j in neighbours], *[(j, k) for j in neighbours]]:
                self._at[key] = stored
                stored += 1
        self.stored = stored
        keys = np.array(list(self._at), dtype=np.intp).reshape(-1, 2)
        self.rows_of, self.columns_of = self.order[keys[:, 0]], self.order[keys[:, 1]]
        self.diagonals = np.array([self._at[k, k] for k in range(size)], dtype=np.intp)
        self.steps = tuple(self._step(k, neighbours) for k, neighbours in enumerate(later))
        self._widest = max((step.degree for step in self.steps), default=0)

    @staticmethod
    def _least_degree_order(links: list[set[int]]) -> NDArray[np.intp]:
        left = set(range(len(links)))
        order = []
        while left:
            # among equals the one that adds fewest new links, then the first, so that the order is repeatable
            least = min(len(links[p]) for p in left)
            ties = [p for p in left if len(links[p]) == least]
            pivot = min(ties, key=lambda p: (_fill(links, p), p))
            order.append(pivot)
            left.discard(pivot)
            for p in links[pivot]:
                links[p].discard(pivot)
                links[p].update(q for q in links[pivot] if q != p)
        return np.array(order, dtype=np.intp)

    def _step(self, k: int, neighbours: list[int]) -> _Step:
        degree = len(neighbours)
        targets = np.array([[self._at[i, j] for j in neighbours] for i in neighbours], dtype=np.intp)
        runs: list[tuple[int, int, int, int, bool]] = []
        for r in range(degree):
            # row r from the diagonal on, then column r below the diagonal, cut where the targets part
            row = targets[r, r:] if degree else targets
            for start, length in _stretches(row):
                runs.append((r, r + start, int(row[start]), length, True))
            column = targets[r + 1 :, r]
            for start, length in _stretches(column):
                runs.append((r, r + 1 + start, int(column[start]), length, False))
        return _Step(
            degree=degree,
            diagonal=int(self.diagonals[k]),
            neighbours=tuple(neighbours),
            runs=tuple(runs),
            stretches=tuple((s, neighbours[s], n) for s, n in _stretches(np.array(neighbours, dtype=np.intp))),
        )

    def slot_of(self, row: int, column: int) -> int:
        """Where the coefficient (row, column) is stored."""
        return self._at[int(self.place[row]), int(self.place[column])]

    def dense(self, values: Array) -> Array:
        """The stored coefficients (stored, B) as full matrices, (B, size, size)."""
        full = np.zeros((values.shape[1], self.size, self.size), dtype=values.dtype)
        full[:, self.rows_of, self.columns_of] = values.T
        return full

    def factor(self, values: Numbers) -> Factors:
        """Factor a stack of coefficients in place.

        Parameters
        ----------
        values : (stored, B) array, C order
            Coefficients as placed by :meth:`slot_of`, zero where none; overwritten.

        Returns
        -------
        Factors
            A row whose pivots vanish holds non-finite numbers; nothing is raised.
        """
        rows = values.shape[1]
        products = np.empty((self._widest * self._widest, rows), dtype=values.dtype)
        single = list(values)
        with np.errstate(all="ignore"):
            for step in self.steps:
                d, at = step.degree, step.diagonal
                np.reciprocal(single[at], out=single[at])
                if not d:
                    continue
                across = values[at + 1 : at + 1 + d]
                down = values[at + 1 + d : at + 1 + 2 * d]
                np.multiply(down, single[at], out=down)
                table = products[: d * d].reshape(d, d, rows)
                np.multiply(down[:, None, :], across[None, :, :], out=table)
                for r, first, target, length, along in step.runs:
                    if length == 1:
                        into = single[target]
                        np.subtract(into, table[r, first] if along else table[first, r], out=into)
                    else:
                        into = values[target : target + length]
                        take = table[r, first : first + length] if along else table[first : first + length, r]
                        np.subtract(into, take, out=into)
        return Factors(self, values)


def _fill(links: list[set[int]], pivot: int) -> int:
    around = links[pivot]
    return sum(len(around - links[p]) - 1 for p in around)


def _stretches(numbers: NDArray[np.intp]) -> list[tuple[int, int]]:
    """(first position, length) of every stretch of consecutive numbers."""
    if not len(numbers):
        return []
    cuts = np.flatnonzero(np.diff(numbers) != 1) + 1
    starts = np.concatenate([[0], cuts])
    ends = np.concatenate([cuts, [len(numbers)]])
    return [(int(s), int(e - s)) for s, e in zip(starts, ends, strict=True)]


class Factors:
    """A factored stack: solves with the coefficients, or with their transpose.

    ``values`` holds reciprocal pivots on the diagonal, the unscaled upper rows and the scaled lower columns.
    """

    def __init__(self, elimination: Elimination, values: Numbers) -> None:
        self.elimination = elimination
        self.values = values

    @property
    def rows(self) -> int:
        """Number of rows of the stack."""
        return int(self.values.shape[1])

    def take(self, chosen: NDArray[np.intp]) -> Factors:
        """The factors of some rows of the stack only."""
        return Factors(self.elimination, np.ascontiguousarray(self.values[:, chosen]))

    def negative_pivots(self) -> NDArray[np.intp]:
        """How many pivots of each row are negative, (B,). Odd: the determinant is negative."""
        return np.asarray((self.values[self.elimination.diagonals] < 0.0).sum(axis=0), dtype=np.intp)

    @overload
    def solve(self, right: Array) -> Array: ...

    @overload
    def solve(self, right: NDArray[np.complex128]) -> NDArray[np.complex128]: ...

    def solve(self, right: Any) -> Any:
        """Solve for one or several right-hand sides a row.

        Parameters
        ----------
        right : (size, B) or (size, R, B)

        Returns
        -------
        same shape as ``right``
        """
        e, values = self.elimination, self.values
        b = np.array(right[e.order], dtype=np.result_type(right, values), order="C")
        scratch = np.empty((e._widest, *b.shape[1:]), dtype=b.dtype)
        spread = (slice(None), None, slice(None)) if b.ndim == 3 else (slice(None), slice(None))
        with np.errstate(all="ignore"):
            for k, step in enumerate(e.steps):
                d, at = step.degree, step.diagonal
                if d:
                    down = values[at + 1 + d : at + 1 + 2 * d]
                    np.multiply(down[spread], b[k], out=scratch[:d])
                    for first, target, length in step.stretches:
                        into = b[target : target + length]
                        np.subtract(into, scratch[first : first + length], out=into)
            for k in range(e.size - 1, -1, -1):
                step = e.steps[k]
                d, at = step.degree, step.diagonal
                if d:
                    across = values[at + 1 : at + 1 + d][spread]
                    for first, target, length in step.stretches:
                        np.multiply(
                            across[first : first + length],
                            b[target : target + length],
                            out=scratch[first : first + length],
                        )
                    for j in range(d):
                        np.subtract(b[k], scratch[j], out=b[k])
                np.multiply(b[k], values[at], out=b[k])
        return _back_in_place(b, e)

    @overload
    def solve_transposed(self, right: Array) -> Array: ...

    @overload
    def solve_transposed(self, right: NDArray[np.complex128]) -> NDArray[np.complex128]: ...

    def solve_transposed(self, right: Any) -> Any:
        """Solve with the transposed coefficients (adjoint); shapes as in :meth:`solve`."""
        e, values = self.elimination, self.values
        b = np.array(right[e.order], dtype=np.result_type(right, values), order="C")
        scratch = np.empty((e._widest, *b.shape[1:]), dtype=b.dtype)
        spread = (slice(None), None, slice(None)) if b.ndim == 3 else (slice(None), slice(None))
        with np.errstate(all="ignore"):
            for k, step in enumerate(e.steps):
                d, at = step.degree, step.diagonal
                np.multiply(b[k], values[at], out=b[k])
                if d:
                    across = values[at + 1 : at + 1 + d]
                    np.multiply(across[spread], b[k], out=scratch[:d])
                    for first, target, length in step.stretches:
                        into = b[target : target + length]
                        np.subtract(into, scratch[first : first + length], out=into)
            for k in range(e.size - 1, -1, -1):
                step = e.steps[k]
                d, at = step.degree, step.diagonal
                if d:
                    down = values[at + 1 + d : at + 1 + 2 * d][spread]
                    for first, target, length in step.stretches:
                        np.multiply(
                            down[first : first + length],
                            b[target : target + length],
                            out=scratch[first : first + length],
                        )
                    for j in range(d):
                        np.subtract(b[k], scratch[j], out=b[k])
        return _back_in_place(b, e)


def _back_in_place(b: Any, e: Elimination) -> Any:
    out = np.empty_like(b)
    out[e.order] = b
    return out


class DenseFactors:
    """The same for a few rows, as full matrices with exchange of pivots (LAPACK).

    For a dozen rows the array operations of :class:`Factors` cost more in being called than in arithmetic.
    """

    def __init__(self, elimination: Elimination, full: Array) -> None:
        self.elimination = elimination
        self.full = full

    @property
    def rows(self) -> int:
        """Number of rows of the stack."""
        return int(self.full.shape[0])

    def take(self, chosen: NDArray[np.intp]) -> DenseFactors:
        """Some rows of the stack only."""
        return DenseFactors(self.elimination, self.full[chosen])

    def negative_pivots(self) -> NDArray[np.intp]:
        """1 where the determinant is negative, else 0, (B,)."""
        return np.asarray(np.linalg.slogdet(self.full)[0] < 0.0, dtype=np.intp)

    def solve(self, right: Array) -> Array:
        """Solve for one right-hand side a row, (size, B); NaN where the equations are singular."""
        columns = np.ascontiguousarray(right.T)[:, :, None]
        try:
            return np.ascontiguousarray(np.linalg.solve(self.full, columns)[:, :, 0].T)
        except np.linalg.LinAlgError:
            out = np.full(right.shape, np.nan)
            for row in range(self.rows):
                try:
                    out[:, row] = np.linalg.solve(self.full[row], right[:, row])
                except np.linalg.LinAlgError:
                    continue
            return out


#: So many rows and fewer are solved as full matrices.
FEW = 12


def factor(elimination: Elimination, values: Array) -> Factors | DenseFactors:
    """Factor a stack of coefficients (stored, B) the way that suits its size; ``values`` may be overwritten."""
    if values.shape[1] <= FEW:
        return DenseFactors(elimination, elimination.dense(values))
    return elimination.factor(values)
