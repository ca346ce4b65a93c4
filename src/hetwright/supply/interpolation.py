"""A smooth surface through a table: cubic B-splines on an even grid, with slopes.

Second derivatives are continuous and vanish at the edges (natural splines). Beyond the grid the edge value
holds and the slope is zero. C. de Boor, *A Practical Guide to Splines*.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Surface"]

Array = NDArray[np.float64]


def _coefficients(values: Array) -> Array:
    """Natural spline coefficients along the first axis, one more at either end."""
    n = values.shape[0]
    matrix = np.zeros((n + 2, n + 2))
    right = np.zeros((n + 2, *values.shape[1:]))
    for i in range(n):
        matrix[i + 1, i : i + 3] = (1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0)
    right[1:-1] = values
    matrix[0, :3] = matrix[-1, -3:] = (1.0, -2.0, 1.0)
    flat = np.linalg.solve(matrix, right.reshape(n + 2, -1))
    return np.asarray(flat.reshape(right.shape))


class Surface:
    """Several quantities over one grid.

    Parameters
    ----------
    first, second : (low, high)
        Ends of the two even grids.
    values : (K, P, Q)
    """

    def __init__(self, first: tuple[float, float], second: tuple[float, float], values: Array) -> None:
        _, p, q = values.shape
        self.first, self.second = first, second
        self.scale = ((p - 1) / (first[1] - first[0]), (q - 1) / (second[1] - second[0]))
        self.size = (p, q)
        both = np.stack([_coefficients(_coefficients(table).T).T for table in values])
        self._flat = np.ascontiguousarray(both.reshape(values.shape[0], -1))
        self._offsets = (np.arange(4)[:, None] * (q + 2) + np.arange(4)).reshape(-1, 1)

    @staticmethod
    def _weights(t: Array, cells: int) -> tuple[NDArray[np.intp], Array, Array]:
        """Cell, weights (4, B) and their slopes by ``t``."""
        clipped = np.clip(t, 0.0, cells)
        cell = np.minimum(clipped.astype(np.intp), cells - 1)
        s = clipped - cell
        r = 1.0 - s
        value = np.empty((4, *t.shape))
        slope = np.empty((4, *t.shape))
        ss, rr = s * s, r * r
        value[0], value[3] = rr * r, ss * s
        value[1] = (3.0 * s - 6.0) * ss + 4.0
        value[2] = (3.0 * r - 6.0) * rr + 4.0
        slope[0], slope[3] = -rr, ss
        slope[1] = (3.0 * s - 4.0) * s
        slope[2] = -(3.0 * r - 4.0) * r
        value *= 1.0 / 6.0
        slope *= 0.5 * (clipped == t)
        return cell, value, slope

    def at(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Values and slopes by ``x`` and ``y``, each (K, B), at points (B,)."""
        i, wx, wx_slope = self._weights((x - self.first[0]) * self.scale[0], self.size[0] - 1)
        j, wy, wy_slope = self._weights((y - self.second[0]) * self.scale[1], self.size[1] - 1)
        where = self._offsets + (i * (self.size[1] + 2) + j)
        out = np.empty((3, len(self._flat), *x.shape))
        for k, flat in enumerate(self._flat):
            patch = flat[where].reshape(4, 4, *x.shape)
            along = (patch * wy).sum(axis=1)
            out[0, k] = (along * wx).sum(axis=0)
            out[1, k] = (along * wx_slope).sum(axis=0)
            out[2, k] = ((patch * wy_slope).sum(axis=1) * wx).sum(axis=0)
        out[1] *= self.scale[0]
        out[2] *= self.scale[1]
        return out[0], out[1], out[2]
