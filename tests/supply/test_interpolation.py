"""The smooth surface through a table."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from hetwright.supply.interpolation import Surface

X = np.linspace(0.0, 2.0, 15)
Y = np.linspace(-1.0, 3.0, 21)
TABLE = np.stack([np.sin(X)[:, None] * np.exp(-0.3 * Y), X[:, None] ** 2 + 0.0 * Y])
SURFACE = Surface((0.0, 2.0), (-1.0, 3.0), TABLE)


def test_passes_through_the_table():
    x, y = (grid.ravel() for grid in np.meshgrid(X, Y, indexing="ij"))
    assert SURFACE.at(x, y)[0] == pytest.approx(TABLE.reshape(2, -1), abs=1e-12)


def test_is_the_natural_spline_of_a_general_library():
    x = np.linspace(0.01, 1.99, 37)
    expected = CubicSpline(X, TABLE[:, :, 5].T, bc_type="natural")(x)
    assert SURFACE.at(x, np.full_like(x, Y[5]))[0] == pytest.approx(expected.T, abs=1e-12)


def test_slopes_are_the_slopes():
    rng = np.random.default_rng(3)
    x, y, h = rng.uniform(0.0, 2.0, 200), rng.uniform(-1.0, 3.0, 200), 1e-6
    _, by_x, by_y = SURFACE.at(x, y)
    assert by_x == pytest.approx((SURFACE.at(x + h, y)[0] - SURFACE.at(x - h, y)[0]) / (2 * h), abs=1e-5)
    assert by_y == pytest.approx((SURFACE.at(x, y + h)[0] - SURFACE.at(x, y - h)[0]) / (2 * h), abs=1e-5)


def test_beyond_the_table_the_edge_holds():
    value, by_x, by_y = SURFACE.at(np.array([-5.0, 7.0]), np.array([0.0, 9.0]))
    edge = SURFACE.at(np.array([0.0, 2.0]), np.array([0.0, 3.0]))[0]
    assert value == pytest.approx(edge)
    assert by_x == pytest.approx(0.0)
    assert by_y[:, 1] == pytest.approx(0.0)
