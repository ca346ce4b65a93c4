"""How good probabilities are: ranks, logarithmic score, debiased calibration with its bootstrap interval.

Sources: Kumar, Liang & Ma, "Verified uncertainty calibration", NeurIPS 32 (2019), for the debiased estimate; the
bootstrap resamples whole sets, since the suspects of one set share one truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Calibration", "Reliability", "calibration", "group_rank"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Reliability:
    """One bin: how many pairs, what was said, what was so."""

    pairs: int
    said: float
    present: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """Root-mean-square distance of said from present, sampling noise taken off, and its 95 % interval.

    ``plain`` is the same with the noise left in.
    """

    error: float
    interval: tuple[float, float]
    plain: float
    pairs: int
    bins: tuple[Reliability, ...]


def _cells(said: Array, bins: int) -> NDArray[np.intp]:
    """Bin of every pair: equal numbers of pairs a bin, ties kept together."""
    edges = np.unique(np.quantile(said, np.linspace(0.0, 1.0, bins + 1)[1:-1]))
    return np.searchsorted(edges, said, side="right")


def _square(cells: NDArray[np.intp], said: Array, present: Array, weight: Array, count: int) -> tuple[float, float]:
    """(debiased, plain) mean square error of a weighted sample."""
    n = np.bincount(cells, weight, count)
    used = n > 1.0
    p = np.bincount(cells, weight * said, count)[used] / n[used]
    o = np.bincount(cells, weight * present, count)[used] / n[used]
    share = n[used] / n[used].sum()
    plain = (o - p) ** 2
    noise = o * (1.0 - o) / (n[used] - 1.0)
    return float((share * (plain - noise)).sum()), float((share * plain).sum())


def calibration(
    said: Array, present: Array, of_set: NDArray[np.intp], *, bins: int = 15, resamples: int = 400, seed: int = 1
) -> Calibration:
    """Calibration of ``said`` probabilities against what was ``present``.

    Parameters
    ----------
    said, present : (N,)
        Probability given, and 1.0 or 0.0.
    of_set : (N,)
        Which simulated set a pair belongs to.

    Returns
    -------
    Calibration
        ``error`` is the square root of the debiased mean square, nought where that is negative. The interval is the
        percentile bootstrap of the mean square over sets, moved so that its middle is the estimate (a resample
        carries the sampling noise twice).
    """
    cells = _cells(said, bins)
    count = int(cells.max()) + 1
    debiased, plain = _square(cells, said, present, np.ones(len(said)), count)
    rng = np.random.default_rng(seed)
    sets, inverse = np.unique(of_set, return_inverse=True)
    drawn = np.empty(resamples)
    for k in range(resamples):
        times = np.bincount(rng.integers(0, len(sets), len(sets)), minlength=len(sets)).astype(float)
        drawn[k] = _square(cells, said, present, times[inverse], count)[0]
    low, high = np.quantile(drawn - drawn.mean() + debiased, [0.025, 0.975])
    table = []
    for cell in range(count):
        inside = cells == cell
        if inside.any():
            table.append(
                Reliability(
                    int(inside.sum()), round(float(said[inside].mean()), 4), round(float(present[inside].mean()), 4)
                )
            )
    return Calibration(
        error=float(np.sqrt(max(debiased, 0.0))),
        interval=(float(np.sqrt(max(low, 0.0))), float(np.sqrt(max(high, 0.0)))),
        plain=float(np.sqrt(plain)),
        pairs=len(said),
        bins=tuple(table),
    )


def group_rank(keys: list[str], groups: list[int | None], truth: str) -> tuple[float, float]:
    """Rank of ``truth`` in a list best first: (mean rank of its group's members, place of its group among groups).

    ``inf`` where it is not listed. An entry without a group is a group of its own.
    """
    if truth not in keys:
        return float("inf"), float("inf")
    at = keys.index(truth)
    group = groups[at]
    if group is None:
        mean = float(at + 1)
        first = at
    else:
        members = [i for i, g in enumerate(groups) if g == group]
        mean = float(np.mean(members)) + 1.0
        first = members[0]
    seen: set[object] = set()
    for i in range(first):
        seen.add(("group", groups[i]) if groups[i] is not None else ("one", i))
    return mean, float(len(seen) + 1)
