"""Damped Newton for a block of rows, one step at a time.

A row's step is tried at its damping; it is taken when the simplified Newton correction (the next correction
with the old slopes) is shorter than the step was, or the currents balance clearly better; otherwise the damping
falls (P. Deuflhard, *Newton Methods for Nonlinear Problems*, section 3.3: natural monotonicity). Anodes and
screens are kept from being thrown far below their cathodes in one step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .elements import Evaluation, Layout, Parameters
from .elimination import DenseFactors, Factors, factor

__all__ = ["CERTIFIED_AMPS", "CERTIFIED_VOLTS", "Block", "Found", "Outcome"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

CERTIFIED_AMPS = 1e-9
CERTIFIED_VOLTS = 1e-3

# How the method proceeds, not facts of any set:
_AIM_AMPS = 2e-10  # stop a little inside the certificate
_AIM_VOLTS = 2e-4
# an electrode that collects may fall in one step to this share of its volts, less these volts
_HOLD_SHARE, _HOLD_GROWTH, _HOLD_VOLTS = 0.1, 3.0, 0.5
_CLEARLY_BETTER = 0.9
_LEAST_DAMPING = 1.0 / 4096.0
_GROWTH = 2.0  # damping may rise so many times from one step to the next
_AMPS_TO_VOLTS = 1e3  # how an error in supply amps counts beside an error in volts


@dataclass(slots=True)
class Found:
    """What an attempt found, rows last.

    ``x`` (1 + unknowns, B); ``good``: certified; ``amps``, ``volts``: the certificate's figures; ``worst``: the
    unknown with the largest unbalance; ``odd``: the determinant is negative, the point is not stable.
    """

    x: Array
    good: Flags
    amps: Array
    volts: Array
    worst: Index
    odd: Flags

    @classmethod
    def nothing(cls, x: Array) -> Found:
        """Nothing found yet, at ``x``."""
        rows = x.shape[1]
        return cls(
            x.copy(),
            np.zeros(rows, dtype=np.bool_),
            np.full(rows, np.inf),
            np.full(rows, np.inf),
            np.zeros(rows, dtype=np.intp),
            np.zeros(rows, dtype=np.bool_),
        )

    def put(self, rows: Index, other: Found, only: Flags | None = None) -> None:
        """Take over rows of another attempt, ``only`` some of them."""
        keep = np.arange(len(rows)) if only is None else np.flatnonzero(only)
        at = rows[keep]
        self.x[:, at] = other.x[:, keep]
        for mine, theirs in (
            (self.good, other.good),
            (self.amps, other.amps),
            (self.volts, other.volts),
            (self.worst, other.worst),
            (self.odd, other.odd),
        ):
            mine[at] = theirs[keep]


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What one step did to each row of the block.

    ``taken``: the step was taken. ``undamped``: it was a whole Newton step. ``certified``: and it meets the
    certificate; ``done``: with something to spare. ``lost``: no damping helps. ``amps``, ``move``: largest
    unbalance and largest move of a point.
    """

    taken: Flags
    undamped: Flags
    certified: Flags
    done: Flags
    lost: Flags
    amps: Array
    amps_each: Array
    move: Array


class Block:
    """Rows that are worked together.

    Parameters
    ----------
    layout : Layout
    p : Parameters
        The block's own; :meth:`restart` changes them.
    x : (1 + unknowns, B)
    evaluation : Evaluation, optional
        The equations at ``x``, if they are known, perhaps by estimate; the first step is then taken whatever it
        brings.
    """

    def __init__(
        self,
        layout: Layout,
        p: Parameters,
        x: Array,
        evaluation: Evaluation | None = None,
    ) -> None:
        self.layout = layout
        self.p = p
        self.x = x
        rows = x.shape[1]
        self.rows = np.arange(rows)
        known = evaluation if evaluation is not None else layout.evaluate(p, x)
        self.unbalanced, self.slopes = known.unbalanced, known.slopes
        self.size = layout.amps_of_unbalance(known).max(axis=0)
        self.damping = np.ones(rows)
        # a free row takes its next step whatever it brings, and cannot be done by it
        self.free = np.full(rows, evaluation is not None)
        self._due = np.ones(rows, dtype=np.bool_)
        # a fresh row's slopes are not known yet
        self._fresh = np.zeros(rows, dtype=np.bool_)
        self._factors: Factors | DenseFactors | None = None
        self._step = np.zeros((layout.n_unknowns, rows))
        self._length = np.zeros(rows)

    # ---- measures

    def _lengths(self, step: Array) -> Array:
        """Largest move of a step in volts, (B,); supply amps count through a usual source resistance."""
        n = self.layout.n_points - 1
        longest = np.abs(step[:n]).max(axis=0)
        if step.shape[0] > n:
            longest = np.maximum(longest, _AMPS_TO_VOLTS * np.abs(step[n:]).max(axis=0))
        return np.asarray(longest)

    def odd(self) -> Flags:
        """Rows whose determinant, at the slopes of the last step, is negative."""
        assert self._factors is not None
        return np.asarray(self._factors.negative_pivots() % 2 == 1)

    # ---- one step

    def _make_steps(self) -> None:
        """Newton steps for the rows whose slopes are new."""
        layout = self.layout
        values = layout.coefficients(self.p, self.slopes)
        factors = factor(layout.elimination, values)
        step = -factors.solve(self.unbalanced)
        old = self._factors
        if old is None or self._due.all():
            self._factors, self._step = factors, step
        elif isinstance(old, DenseFactors) and isinstance(factors, DenseFactors):
            full = np.where(self._due[:, None, None], factors.full, old.full)
            self._factors = DenseFactors(layout.elimination, full)
            self._step = np.where(self._due, step, self._step)
        elif isinstance(old, Factors) and isinstance(factors, Factors):
            self._factors = Factors(layout.elimination, np.where(self._due, factors.values, old.values))
            self._step = np.where(self._due, step, self._step)
        else:
            # few are left: every row's step is made anew, but for those whose slopes are not known
            self._factors, self._step = factors, np.where(self._fresh, 0.0, step)
        self._length = np.where(self._fresh, np.inf, self._lengths(self._step))
        self._due = np.zeros(len(self.rows), dtype=np.bool_)

    def _correction(self, unbalanced: Array) -> Array:
        assert self._factors is not None
        return -self._factors.solve(unbalanced)

    def _hold_electrodes(self, trial: Array) -> Flags:
        """Keep anodes and screens from being thrown far below the cathode in one step.

        Slopes taken at a high anode say nothing of where its current ends: an anode whose feed is open would be sent
        kilovolts negative, where the law is flat and gives no way back. Changes ``trial``; True where a row was held.
        """
        e, c = self.layout.collectors, self.layout.collector_cathodes
        if not len(e):
            return np.zeros(trial.shape[1], dtype=np.bool_)
        was = self.x[e] - self.x[c]
        floor = np.where(was > 0.0, _HOLD_SHARE * was, _HOLD_GROWTH * was) - _HOLD_VOLTS
        below = trial[e] - trial[c] < floor
        held: Flags = np.asarray(below.any(axis=0))
        if held.any():
            trial[e] = np.where(below, trial[c] + floor, trial[e])
        return held

    def advance(self) -> Outcome:
        """Try the step of every row; take it where it helps."""
        layout = self.layout
        if self._due.any():
            self._make_steps()
        step, damping, free = self._step, self.damping, self.free
        trial = self.x.copy()
        trial[1:] += damping * step
        held = self._hold_electrodes(trial)
        at_trial = layout.evaluate(self.p, trial)
        amps_each = layout.amps_of_unbalance(at_trial)
        amps = amps_each.max(axis=0)
        finite = np.isfinite(amps)
        move = np.abs(step[: layout.n_points - 1]).max(axis=0)
        undamped = (damping == 1.0) & ~held & ~free
        simplified = self._correction(at_trial.unbalanced)
        short = self._lengths(simplified)
        leftover = self._lengths(simplified - (1.0 - damping) * step)
        proposed = np.where(leftover > 0.0, 0.5 * self._length * damping**2 / leftover, 1.0)

        taken = (short < self._length) | held | free | (amps < _CLEARLY_BETTER * self.size)
        # within the certificate already, rounding may keep the correction from shrinking
        taken |= (short <= _AIM_VOLTS) & undamped
        certified = undamped & (move <= CERTIFIED_VOLTS) & (amps <= CERTIFIED_AMPS)
        done = certified & (move <= _AIM_VOLTS) & (amps <= _AIM_AMPS)
        taken = (taken | done) & finite
        certified &= taken
        whole = (short <= _AIM_VOLTS) | held | free
        self.damping = np.where(
            taken,
            np.where(whole, 1.0, np.clip(np.minimum(proposed, _GROWTH * damping), 0.01, 1.0)),
            np.minimum(np.nan_to_num(proposed), 0.5 * damping),
        )
        lost = ~taken & (self.damping < _LEAST_DAMPING)
        if taken.all():
            self.x, self.unbalanced, self.slopes, self.size = trial, at_trial.unbalanced, at_trial.slopes, amps
        elif taken.any():
            self.x = np.where(taken, trial, self.x)
            self.unbalanced = np.where(taken, at_trial.unbalanced, self.unbalanced)
            self.slopes = np.where(taken, at_trial.slopes, self.slopes)
            self.size = np.where(taken, amps, self.size)
        self._due = taken
        self.free = np.zeros(len(self.rows), dtype=np.bool_)
        self._fresh = self.free.copy()
        return Outcome(taken, undamped, certified, done, lost, amps, amps_each, move)

    def note(self, found: Found, outcome: Outcome) -> None:
        """Write the newest state of every row that moved into ``found``."""
        take = np.flatnonzero(outcome.taken)
        at = self.rows[take]
        found.x[:, at] = self.x[:, take]
        found.amps[at] = outcome.amps[take]
        found.volts[at] = np.where(outcome.undamped, outcome.move, np.inf)[take]
        found.worst[at] = outcome.amps_each[:, take].argmax(axis=0)
        found.good[at] = outcome.certified[take]
        if outcome.certified.any():
            found.odd[self.rows[outcome.certified]] = self.odd()[outcome.certified]

    def keep(self, stay: Index) -> None:
        """Let every other row go."""
        if len(stay) == len(self.rows):
            return
        assert self._factors is not None
        self.rows, self.p = self.rows[stay], self.p.take(stay)
        self.x, self.unbalanced = self.x[:, stay], self.unbalanced[:, stay]
        self.slopes, self.size = self.slopes[:, stay], self.size[stay]
        self.damping, self.free, self._due = self.damping[stay], self.free[stay], self._due[stay]
        self._fresh = self._fresh[stay]
        self._step, self._length = self._step[:, stay], self._length[stay]
        self._factors = self._factors.take(stay)

    def restart(self, at: Index, x: Array) -> None:
        """Put rows at new unknowns, after a change of their parameters; what is known there is found by the next step."""
        self.x = self.x.copy()
        self.x[:, at] = x
        self._step[:, at] = 0.0
        self._length[at] = np.inf
        self.size[at] = np.inf
        self.damping[at] = 1.0
        self.free[at] = self._fresh[at] = True
        self._due[at] = False
