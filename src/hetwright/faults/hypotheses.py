"""Hypotheses as rows of a stack: what each set of faults does to the slots, and how likely it is beforehand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import comb, factorial, log

import numpy as np
from numpy.typing import NDArray

from .model import Fault, Severity

__all__ = ["Cells", "NumberPrior", "combine_cells", "single_cells"]

Array = NDArray[np.float64]
SlotIndex = Mapping[tuple[str, str], int]


@dataclass(frozen=True, slots=True)
class Cells:
    """Rows of one stack, each one cell of the severity of one fault or of several together.

    medians : (C, S)   slot medians
    sd : (C, S)        spread of each slot under the hypothesis
    faults : (C, k)    indices of the faults present
    severities : (C, k) index of each fault's severity cell
    log_weight : (C,)  log share of the faults' probability in this combination of cells
    """

    medians: Array
    sd: Array
    faults: NDArray[np.intp]
    severities: NDArray[np.intp]
    log_weight: Array

    def __len__(self) -> int:
        return int(self.medians.shape[0])


def _apply(
    severity: Severity,
    medians: Array,
    sd: Array,
    base_sd: Array,
    slots: SlotIndex,
    widen: float,
) -> None:
    """Change one row in place. A severity with a slot the network lacks changes nothing there."""
    for position, change in enumerate(severity.changes):
        at = slots.get((change.part, change.what))
        if at is None:
            continue
        medians[at] = change.number if change.how == "set" else medians[at] * change.number
        sd[at] = severity.log_sd * widen if position == 0 else base_sd[at] if change.how == "times" else 0.0


def single_cells(
    faults: Sequence[Fault], medians: Array, sd: Array, slots: SlotIndex
) -> tuple[Cells, NDArray[np.bool_]]:
    """One row for every severity cell of every fault that changes at least one slot.

    Parameters
    ----------
    faults : sequence of Fault
    medians, sd : (S,)
        Background of the healthy set.
    slots : (part, what) -> column

    Returns
    -------
    cells : Cells
        With k = 1.
    electrical : (F,) bool
        False for a fault that changes no slot of this network; it has no row.
    """
    rows: list[tuple[int, int]] = []
    electrical = np.zeros(len(faults), dtype=bool)
    for number, fault in enumerate(faults):
        for cell, severity in enumerate(fault.severities):
            if any((change.part, change.what) in slots for change in severity.changes):
                rows.append((number, cell))
                electrical[number] = True
    out_medians = np.tile(medians, (len(rows), 1))
    out_sd = np.tile(sd, (len(rows), 1))
    weights = np.empty(len(rows))
    for row, (number, cell) in enumerate(rows):
        severity = faults[number].severities[cell]
        _apply(severity, out_medians[row], out_sd[row], sd, slots, 1.0)
        weights[row] = log(max(severity.weight, 1e-12))
    index = np.array(rows, dtype=np.intp).reshape(len(rows), 2)
    return Cells(out_medians, out_sd, index[:, :1], index[:, 1:], weights), electrical


def combine_cells(
    combinations: Sequence[tuple[tuple[int, int], ...]],
    faults: Sequence[Fault],
    medians: Array,
    sd: Array,
    slots: SlotIndex,
    *,
    widen: float = 1.5,
) -> Cells:
    """Rows for several faults at once.

    Parameters
    ----------
    combinations : sequence of ((fault, severity cell), ...)
        All of one length k.
    widen : float >= 1
        Each severity is let range this much wider than its cell and weighted up in proportion, so that one
        row stands for the neighbouring cells as well (only the best cells of a combination are solved).
    """
    count = len(combinations)
    size = len(combinations[0]) if count else 0
    out_medians = np.tile(medians, (count, 1))
    out_sd = np.tile(sd, (count, 1))
    weights = np.zeros(count)
    for row, combination in enumerate(combinations):
        for number, cell in combination:
            severity = faults[number].severities[cell]
            _apply(severity, out_medians[row], out_sd[row], sd, slots, widen)
            gained = log(widen) if severity.log_sd > 0.0 and len(faults[number].severities) > 1 else 0.0
            weights[row] += min(log(max(severity.weight, 1e-12)) + gained, 0.0)
    index = np.array(combinations, dtype=np.intp).reshape(count, size, 2)
    return Cells(out_medians, out_sd, index[:, :, 0], index[:, :, 1], weights)


@dataclass(frozen=True, slots=True)
class NumberPrior:
    """Prior over how many listed faults a set brought for repair has, and over what is not listed.

    ``count[n]`` is the probability of exactly n listed faults; with ``not_listed`` they sum to one.
    """

    count: tuple[float, ...]
    not_listed: float

    def __post_init__(self) -> None:
        total = sum(self.count) + self.not_listed
        if not abs(total - 1.0) < 1e-9:
            raise ValueError(f"the number of faults must have probabilities that sum to 1, got {total}")

    def log_of_visible(self, size: int, invisible_share: float) -> float:
        """Log prior of ``size`` given faults beside any number of invisible ones, before the faults' own shares.

        With faults drawn in proportion to their rates, the probability of the set V of size k and n - k
        others that the readings cannot see is ``count[n] C(n, k) k! w**(n - k)`` times the product of the
        shares of V, w being the share of the invisible faults.
        """
        total = sum(
            self.count[n] * comb(n, size) * factorial(size) * invisible_share ** (n - size)
            for n in range(size, len(self.count))
        )
        return log(total) if total > 0.0 else -np.inf

    def expected_invisible(self, size: int, invisible_share: float) -> float:
        """Expected number of invisible faults beside ``size`` visible ones."""
        weights = [
            self.count[n] * comb(n, size) * factorial(size) * invisible_share ** (n - size)
            for n in range(size, len(self.count))
        ]
        total = sum(weights)
        return sum(w * k for k, w in enumerate(weights)) / total if total > 0.0 else 0.0
