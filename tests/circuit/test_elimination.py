"""Stacked elimination against dense solves by a general-purpose library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hetwright.circuit.elimination import FEW, DenseFactors, Elimination, Factors, factor


@st.composite
def systems(draw):
    size = draw(st.integers(1, 14))
    pair = st.tuples(st.integers(0, size - 1), st.integers(0, size - 1))
    entries = draw(st.sets(pair, max_size=3 * size))
    rows = draw(st.integers(1, 5))
    seed = draw(st.integers(0, 2**32 - 1))
    return size, sorted(entries), rows, seed


def fill(size, entries, rows, seed, dtype=float):
    """Random coefficients with a strong diagonal: stored form and dense."""
    rng = np.random.default_rng(seed)
    elimination = Elimination(size, entries)
    values = np.zeros((elimination.stored, rows), dtype=dtype)
    dense = np.zeros((rows, size, size), dtype=dtype)
    for i, j in {*entries, *((j, i) for i, j in entries), *((i, i) for i in range(size))}:
        x = rng.normal(size=rows) + (size + 3.0) * (i == j)
        if dtype is complex:
            x = x + 1j * rng.normal(size=rows)
        values[elimination.slot_of(i, j)] = x
        dense[:, i, j] = x
    return elimination, values, dense, rng


def dense(elimination, values):
    return DenseFactors(elimination, elimination.dense(values))


@given(systems(), st.sampled_from([float, complex]))
def test_solves_like_a_dense_solver(system, dtype):
    size, _, rows, _ = system
    elimination, values, full, rng = fill(*system, dtype=dtype)
    right = rng.normal(size=(size, 3, rows))
    factors = elimination.factor(values.copy())
    together = factors.solve(right)
    transposed = factors.solve_transposed(right)
    for row in range(rows):
        expected = np.linalg.solve(full[row], right[:, :, row])
        assert together[:, :, row] == pytest.approx(expected, abs=1e-10)
        assert factors.solve(right[:, 0])[:, row] == pytest.approx(expected[:, 0], abs=1e-10)
        if dtype is float:
            assert dense(elimination, values).solve(right[:, 0])[:, row] == pytest.approx(expected[:, 0], abs=1e-10)
        expected = np.linalg.solve(full[row].T, right[:, :, row])
        assert transposed[:, :, row] == pytest.approx(expected, abs=1e-10)


@given(systems())
def test_pivots_tell_the_sign_of_the_determinant(system):
    elimination, values, full, rng = fill(*system)
    flip = rng.random(elimination.size) < 0.5
    for i in np.flatnonzero(flip):
        values[elimination.slot_of(i, i)] *= -1.0
        full[:, i, i] *= -1.0
    odd = dense(elimination, values).negative_pivots() % 2
    assert np.array_equal(odd == 1, np.linalg.det(full) < 0.0)
    assert np.array_equal(elimination.factor(values).negative_pivots() % 2, odd)


@settings(max_examples=20)
@given(systems())
def test_rows_of_a_stack_are_independent(system):
    size, _, rows, _ = system
    elimination, values, _, rng = fill(*system)
    right = rng.normal(size=(size, rows))
    whole = elimination.factor(values.copy())
    some = np.array([rows - 1, 0])
    assert np.array_equal(whole.take(some).solve(right[:, some]), whole.solve(right)[:, some])
    apart = dense(elimination, values)
    assert np.array_equal(apart.take(some).solve(right[:, some]), apart.solve(right)[:, some])


def test_a_few_rows_are_solved_as_full_matrices():
    elimination = Elimination(3, [(0, 1), (1, 2)])
    assert isinstance(factor(elimination, np.ones((elimination.stored, FEW))), DenseFactors)
    assert isinstance(factor(elimination, np.ones((elimination.stored, FEW + 1))), Factors)


def test_a_singular_row_is_not_finite_and_harms_no_other():
    elimination = Elimination(2, [(0, 1)])
    values = np.zeros((elimination.stored, 2))
    for i, j, x in ((0, 0, 1.0), (1, 1, 1.0), (0, 1, 1.0), (1, 0, 1.0)):
        values[elimination.slot_of(i, j)] = x
    values[elimination.slot_of(1, 1), 1] = 3.0
    right = np.ones((2, 2))
    found = elimination.factor(values.copy()).solve(right)
    assert not np.isfinite(found[:, 0]).all()
    assert found[:, 1] == pytest.approx([1.0, 0.0])
    alone = dense(elimination, values).solve(right)
    assert np.isnan(alone[:, 0]).all()
    assert alone[:, 1] == pytest.approx([1.0, 0.0])


def test_a_ladder_is_eliminated_without_fill():
    rungs = 60
    elimination = Elimination(rungs, [(n, n + 1) for n in range(rungs - 1)])
    assert elimination.stored == rungs + 2 * (rungs - 1)
