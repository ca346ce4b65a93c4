"""Working points of a stack of variants: found by Newton's method, certified, or refused.

The nodal equations of :mod:`hetwright.circuit.elements` are solved for all rows of a stack together, in blocks that
stay in the cache. A row goes through as many of these as it needs:

1. Newton's method from the healthy solution (:mod:`hetwright.circuit.newton`). The first step uses the valve
   currents and slopes of the healthy solution, which are known, so it costs no evaluation of the law; it takes
   a change of any plain conductance in its stride.
2. A climb: the supply is brought up from nothing in strides, the working point followed; the whole way at once
   where that succeeds.
3. Time: every point is given a capacitance, the set is switched on, and the step of time grows as things settle;
   where raising the supply meets a fold, this is how the set itself would jump.

A row is *certified* when the largest unbalanced current is below :data:`CERTIFIED_AMPS` and the last undamped Newton
step moved no point by more than :data:`CERTIFIED_VOLTS`, and its determinant is not negative (a point that balances
but is not stable is none). Where a gassy valve's grid has gone up to where it conducts (the one positive feedback a
set commonly has), the gas is let in from nothing by steps, so that the lower state is found where there is one: it
is the one that raising HT would reach.

Sources: P. Deuflhard, *Newton Methods for Nonlinear Problems*; C. T. Kelley and D. E. Keyes, "Convergence analysis of
pseudo-transient continuation", SIAM J. Numer. Anal. 35 (1998) 508-523. ``docs/working-point.md`` has the equations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import Complaint, NotSolved, OutOfRange
from .elements import Evaluation, Law, Layout, Parameters, near
from .elimination import factor
from .network import Network
from .newton import CERTIFIED_AMPS, CERTIFIED_VOLTS, Block, Found, Outcome

__all__ = ["CERTIFIED_AMPS", "CERTIFIED_VOLTS", "Circuit", "WorkingPoints", "near"]

Array = NDArray[np.float64]
Effort = Literal["full", "brisk", "steps", "quick"]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

# How the method proceeds, not facts of any set:
_BLOCK = 1024  # rows worked together; docs/decisions/solver.md
_QUICK_STEPS = 8  # before the rows left over are gathered into fewer blocks
_WORTH_SHARE = 4  # a block is left when only one row in so many is not done
_QUICK_WORTH_SHARE = 20  # the same where nothing follows: what is left is refused
_MORE_STEPS = 10
_STEPS = 40
# where the healthy solution begins; any such values do
_USUAL_COLLECTOR_VOLTS, _USUAL_SWING_VOLTS, _USUAL_SUPPLY_AMPS = 100.0, 5.0, 0.03
# the climb: steps a stride may take, and all steps together; shares of the way
_STRIDE_STEPS, _CLIMB_STEPS, _LONG_CLIMB_STEPS = 30, 100, 300
_LEAST_STRIDE = 1e-3
_GAS_STRIDES = (0.0, 0.4, 1.0)
# grid amps per anode amp; with less no usual grid leak closes the loop
_RUNS_AWAY_GAS = 3e-5
# a grid above so many volts to its cathode, and so many above its healthy volts, may have run away
_CONDUCTS_VOLTS, _MOVED_VOLTS = -1.0, 0.5
# letting a set settle: each point's capacitance over the step of time, first and last; volts moved in a step
_FIRST_STEP_SIEMENS, _LAST_STEP_SIEMENS = 1e-2, 1e-13
_SETTLE_VOLTS, _LONGEST_VOLTS, _TIME_STEPS = 20.0, 60.0, 150


@dataclass(frozen=True, slots=True, eq=False)
class WorkingPoints:
    """Certified volts of a stack.

    Attributes
    ----------
    volts : (B, n_points)
        To the datum; NaN in a refused row.
    extra : (B, n_extra)
        Supply amps, in the order of ``Circuit.extras``; NaN in a refused row.
    certified : (B,) bool
    unbalanced_amps, last_step_volts : (B,)
        Largest unbalanced current, and the largest move of the last undamped Newton step (inf where none was made).
    refusals : tuple of (row, point, why)
    """

    volts: Array
    extra: Array
    certified: Flags
    unbalanced_amps: Array
    last_step_volts: Array
    refusals: tuple[tuple[int, str, str], ...]

    def __len__(self) -> int:
        return int(self.volts.shape[0])

    def require(self) -> WorkingPoints:
        """Return self when every row is certified.

        Raises
        ------
        NotSolved
            Names the point of the first refusal and the reason.
        """
        if self.refusals:
            row, point, why = self.refusals[0]
            raise NotSolved(f"no working point for row {row}: {why}", point=point)
        return self

    def unknowns(self) -> Array:
        """Volts and extras as the solver holds them, (1 + unknowns, B)."""
        return np.ascontiguousarray(np.concatenate([self.volts, self.extra], axis=1).T)

    def take(self, rows: Index) -> WorkingPoints:
        """Some rows only; refusals keep the new row numbers."""
        where = {int(row): n for n, row in enumerate(rows)}
        return WorkingPoints(
            self.volts[rows],
            self.extra[rows],
            self.certified[rows],
            self.unbalanced_amps[rows],
            self.last_step_volts[rows],
            tuple((where[row], point, why) for row, point, why in self.refusals if row in where),
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Healthy:
    """The healthy solution with its currents and slopes, from which every variant starts."""

    slots: Array
    x: Array
    evaluation: Evaluation


class Circuit:
    """A network ready to be solved for any values of its slots.

    Parameters
    ----------
    network : Network
    law : optional
        Another valve law than the book's.

    Raises
    ------
    InputFault
        If the network contradicts itself; the message names the part.
    """

    def __init__(self, network: Network, law: Law | None = None) -> None:
        self.network = network
        self.layout = Layout(network, law)
        self.slots = tuple(self.layout.slots)
        self.points = tuple(self.layout.points)
        self.extras = tuple(self.layout.extras)
        self._healthy: _Healthy | None = None
        #: Working points and their linearised blocks, as :func:`hetwright.circuit.sensitivity.blocks` keeps them.
        self.kept_linear: tuple[WorkingPoints, list[Any]] | None = None

    def __repr__(self) -> str:
        return f"Circuit({len(self.points)} points, {len(self.slots)} slots, {len(self.network.elements)} elements)"

    # ---- names and stacks

    @property
    def slot_index(self) -> dict[tuple[str, str], int]:
        """Column of every slot by (part, what)."""
        return self.layout.slot_index

    def point(self, name: str) -> int:
        """Number of a point.

        Raises
        ------
        InputFault
            If there is none of that name; the message names near ones.
        """
        return self.layout.point(name)

    def slot(self, part: str, what: str) -> int:
        """Column of a slot in a stack.

        Raises
        ------
        InputFault
            If there is none; the message names near parts, or what the part has.
        """
        return self.layout.slot(part, what)

    def base(self) -> Array:
        """The nominal value of every slot, (n_slots,)."""
        return self.layout.nominal.copy()

    def with_slots(self, changes: dict[tuple[str, str], float] | None = None, rows: int = 1) -> Array:
        """A stack (rows, n_slots) of nominal values with some slots changed in every row."""
        stack = np.tile(self.layout.nominal, (rows, 1))
        for (part, what), value in (changes or {}).items():
            stack[:, self.slot(part, what)] = value
        return stack

    # ---- solving

    def solve(
        self, stack: Array, start: WorkingPoints | Array | None = None, *, effort: Effort = "full"
    ) -> WorkingPoints:
        """Find the working point of every row.

        Parameters
        ----------
        stack : (B, n_slots)
        start : WorkingPoints or (n_points,) or (B, n_points), optional
            Where to begin; the healthy solution by default. A refused row of a start begins at the healthy solution.
        effort : "full", "brisk", "steps" or "quick"
            What is done for a row that plain Newton does not find in a few steps: all there is; more steps and a climb;
            more steps; nothing. What is not found is refused.

        Returns
        -------
        WorkingPoints

        Raises
        ------
        OutOfRange
            If a slot value is NaN, a resistance is not above zero, a conductance is negative; names slot and row.
        NotSolved
            If the healthy set itself has no certified working point.
        """
        stack = np.asarray(stack, dtype=np.float64)
        self.layout.check(stack)
        rows = stack.shape[0]
        healthy = self.healthy()
        x0 = self._start(start, rows)
        slots = np.ascontiguousarray(stack.T)
        found = Found.nothing(np.zeros((1 + self.layout.n_unknowns, rows)))
        for first in range(0, rows, _BLOCK):
            block = np.arange(first, min(first + _BLOCK, rows))
            p = self.layout.parameters(np.ascontiguousarray(slots[:, block]))
            begin = None if x0 is None else np.ascontiguousarray(x0[:, block])
            worth = len(block) // (_QUICK_WORTH_SHARE if effort == "quick" else _WORTH_SHARE)
            result = self._newton(p, begin, healthy, steps=_QUICK_STEPS, worth=worth)
            found.put(block, result)
        # a row that began at a certified point close by is on that point's branch
        followed = np.zeros(rows, dtype=np.bool_)
        if isinstance(start, WorkingPoints) and len(start) == rows:
            followed = start.certified & found.good
        if effort == "steps":
            self._attempt(slots, found, ~found.good, lambda p, x: self._newton(p, x, steps=_MORE_STEPS))
        if effort in ("brisk", "full"):
            self._again(slots, found, healthy, followed, full=effort == "full")
        else:
            found.good &= ~found.odd
            found.good &= ~(self._run_away(slots, found, healthy) & ~followed)
        return self._working_points(found)

    def healthy(self) -> _Healthy:
        """The solution at nominal slot values, kept.

        Raises
        ------
        NotSolved
            If there is none.
        """
        if self._healthy is None:
            slots = self.layout.nominal[:, None].copy()
            self.layout.check(slots.T)
            p = self.layout.parameters(slots)
            found = self._newton(p, self._usual_volts(), steps=_MORE_STEPS + _QUICK_STEPS)
            self._climb_all(slots, found, ~found.good | found.odd, np.zeros(1, dtype=np.bool_), None)
            self._settle_all(slots, found)
            if not found.good[0]:
                raise NotSolved(
                    f"the set as it should be has no certified working point ({self._why(found, 0)})",
                    point=self._name(int(found.worst[0])),
                )
            self._healthy = _Healthy(slots, found.x, self.layout.evaluate(p, found.x))
        return self._healthy

    def adopt_healthy(self, other: Circuit) -> None:
        """Take over the healthy solution of a circuit that differs only by further elements at zero siemens."""
        healthy = other.healthy()
        more = len(self.slots) - len(other.slots)
        assert self.points == other.points
        assert not self.layout.nominal[len(other.slots) :].any()
        self._healthy = _Healthy(np.concatenate([healthy.slots, np.zeros((more, 1))]), healthy.x, healthy.evaluation)

    def _usual_volts(self) -> Array:
        """Volts not far from what sets have, to begin the healthy solution with, (1 + unknowns, 1)."""
        layout = self.layout
        x = np.zeros((1 + layout.n_unknowns, 1))
        x[layout.collectors] = _USUAL_COLLECTOR_VOLTS
        x[sorted(layout.amplitudes)] = _USUAL_SWING_VOLTS
        for port in layout.supplies:
            x[port.plus], x[port.amps_at] = port.element.rms_volts, _USUAL_SUPPLY_AMPS
        x[0] = 0.0
        return x

    def _start(self, start: WorkingPoints | Array | None, rows: int) -> Array | None:
        if start is None:
            return None
        healthy = self.healthy().x
        x0 = np.repeat(healthy, rows, axis=1)
        if isinstance(start, WorkingPoints):
            if len(start) not in (1, rows):
                raise OutOfRange(
                    Complaint(wrong=f"the start has {len(start)} rows", right=f"give one row, or {rows}")
                )
            given = np.broadcast_to(start.unknowns(), x0.shape)
        else:
            volts = np.atleast_2d(np.asarray(start, dtype=np.float64))
            if volts.shape[1] != self.layout.n_points or volts.shape[0] not in (1, rows):
                raise OutOfRange(
                    Complaint(
                        wrong=f"the start has the shape {volts.shape}",
                        right=f"give (n_points,) or ({rows}, {self.layout.n_points})",
                    )
                )
            given = x0.copy()
            given[: self.layout.n_points] = volts.T
        usable = np.isfinite(given).all(axis=0)
        x0[:, usable] = given[:, usable]
        return x0

    def _again(self, slots: Array, found: Found, healthy: _Healthy, followed: Flags, *, full: bool) -> None:
        """Give the rows that need it more steps, then a climb, then time.

        ``followed`` rows began at a certified point close by and are on that point's branch.
        """
        self._attempt(slots, found, ~found.good, lambda p, x: self._newton(p, x, steps=_MORE_STEPS))
        away = found.good & self._run_away(slots, found, healthy) & ~followed
        self._climb_all(slots, found, ~found.good | found.odd, away & ~found.odd, healthy)
        if full:
            self._settle_all(slots, found)
        found.good &= ~found.odd

    def _settle_all(self, slots: Array, found: Found) -> None:
        """Time for what is not found or unstable, and a longer climb for what is left after it."""
        self._attempt(slots, found, ~found.good | found.odd, lambda p, _: self._let_settle(p))
        none = np.zeros(slots.shape[1], dtype=np.bool_)
        self._climb_all(slots, found, ~found.good | found.odd, none, None, steps=_LONG_CLIMB_STEPS)
        # an unstable point is no working point, however well it balances
        found.good &= ~found.odd

    def _climb_all(
        self,
        slots: Array,
        found: Found,
        supply: Flags,
        gas: Flags,
        healthy: _Healthy | None,
        *,
        steps: int = _CLIMB_STEPS,
    ) -> None:
        """Climb with the supply for some rows and with the gas for others, side by side."""

        left = np.flatnonzero(supply | gas)
        for first in range(0, len(left), _BLOCK):
            rows = left[first : first + _BLOCK]
            p = self.layout.parameters(np.ascontiguousarray(slots[:, rows]))
            result = self._climb(p, gas[rows], healthy, steps)
            # one that fails leaves a certified point alone
            found.put(rows, result, result.good | ~found.good[rows])

    @staticmethod
    def _why(found: Found, row: int) -> str:
        if found.odd[row]:
            return "it balances only where it is not stable"
        return f"unbalanced {found.amps[row]:.3g} A, last step {found.volts[row]:.3g} V"

    def _attempt(
        self, slots: Array, found: Found, wanted: Flags, attempt: Callable[[Parameters, Array], Found]
    ) -> None:
        """Try something for the wanted rows, gathered into blocks; a failure leaves a certified point alone."""
        left = np.flatnonzero(wanted)
        for first in range(0, len(left), _BLOCK):
            block = left[first : first + _BLOCK]
            p = self.layout.parameters(np.ascontiguousarray(slots[:, block]))
            result = attempt(p, np.ascontiguousarray(found.x[:, block]))
            found.put(block, result, result.good | ~found.good[block])

    def _run_away(self, slots: Array, found: Found, healthy: _Healthy) -> Flags:
        """Rows in which a gassy valve's grid has gone up to where it conducts: there may be a lower state too."""
        away = np.zeros(slots.shape[1], dtype=bool)
        for group in self.layout.valve_groups:
            grids = [n for n, name in enumerate(self.layout.law.SHAPES[group.shape]) if name == "grid"]
            for n in grids:
                grid, cathode = group.electrodes[:, n], group.cathodes
                volts = found.x[grid] - found.x[cathode]
                moved = volts - (healthy.x[grid] - healthy.x[cathode])
                up = (volts > _CONDUCTS_VOLTS) & (moved > _MOVED_VOLTS)
                away |= (up & (slots[group.slots[:, 3]] > _RUNS_AWAY_GAS)).any(axis=0)
        return away

    def _working_points(self, found: Found) -> WorkingPoints:
        x = found.x.copy()
        x[:, ~found.good] = np.nan
        refusals = tuple(
            (int(row), self._name(int(found.worst[row])), self._why(found, int(row)))
            for row in np.flatnonzero(~found.good)
        )
        n = self.layout.n_points
        return WorkingPoints(
            volts=np.ascontiguousarray(x[:n].T),
            extra=np.ascontiguousarray(x[n:].T),
            certified=found.good,
            unbalanced_amps=found.amps,
            last_step_volts=found.volts,
            refusals=refusals,
        )

    def _name(self, unknown: int) -> str:
        """Name of a point or extra by its place among the unknowns (0 = first point after the datum)."""
        at = unknown + 1
        return self.points[at] if at < len(self.points) else self.extras[at - len(self.points)]

    # ---- Newton

    def _newton(
        self,
        p: Parameters,
        x: Array | None,
        healthy: _Healthy | None = None,
        *,
        steps: int = _STEPS,
        worth: int = 0,
    ) -> Found:
        """Newton for a block of rows; finished rows leave it. Without ``x`` from the healthy solution."""
        with np.errstate(all="ignore"):
            if x is None:
                assert healthy is not None
                x = np.repeat(healthy.x, p.slots.shape[1], axis=1)
                estimate = self.layout.estimate(healthy.evaluation, healthy.slots, p)
                block = Block(self.layout, p, x, self.layout.evaluate(p, x, estimate))
            else:
                block = Block(self.layout, p, x)
            found = Found.nothing(x)
            for _ in range(steps):
                outcome = block.advance()
                block.note(found, outcome)
                stay = np.flatnonzero(~(outcome.done | outcome.lost))
                if len(stay) <= worth:
                    break
                block.keep(stay)
        return found

    # ---- continuation

    def _climb(self, p: Parameters, gas: Flags, healthy: _Healthy | None, steps: int) -> Found:
        """Bring mains and batteries up from nothing; for rows of ``gas`` let the gas in from the healthy solution.

        Every row goes at its own pace. A stride of the supply that fails is cut to a quarter and tried again from
        the last point; one of the gas that fails ends the climb, for then the lower state has come to its end.
        """
        layout = self.layout
        rows = p.slots.shape[1]
        full_slots, full_volts = p.slots.copy(), p.source_volts.copy()
        mains = np.array([port.slots[0] for port in layout.supplies], dtype=np.intp)
        gases = np.concatenate([np.empty(0, dtype=np.intp), *(group.slots[:, 3] for group in layout.valve_groups)])

        x = np.zeros((1 + layout.n_unknowns, rows))
        if healthy is not None:
            x[:, gas] = healthy.x
        target = np.where(gas, _GAS_STRIDES[0], 1.0)
        reached = np.zeros(rows)
        stage = np.zeros(rows, dtype=np.intp)
        used = np.zeros(rows, dtype=np.intp)
        last = x.copy()

        def scale(into: Parameters, at: Index, which: Index) -> None:
            """Set the parameters of some rows to their target's share."""
            share = np.where(gas[which], 1.0, target[which])
            if len(mains):
                into.slots[np.ix_(mains, at)] = full_slots[np.ix_(mains, which)] * share
            if len(layout.source_slot):
                into.slots[np.ix_(layout.source_slot, at)] = full_slots[np.ix_(layout.source_slot, which)] * share
                into.source_volts[:, at] = full_volts[:, which] * share
            if len(gases):
                let_in = np.where(gas[which], target[which], 1.0)
                into.slots[np.ix_(gases, at)] = full_slots[np.ix_(gases, which)] * let_in

        found = Found.nothing(x)
        with np.errstate(all="ignore"):
            scale(p, np.arange(rows), np.arange(rows))
            block = Block(layout, p, x)
            for _ in range(steps):
                outcome = block.advance()
                used[block.rows] += 1
                summit = target[block.rows] >= 1.0
                stable = np.ones(len(block.rows), dtype=np.bool_)
                if outcome.done.any():
                    stable = ~block.odd() | ~outcome.done
                self._note_summit(block, found, outcome, summit)
                arrived = outcome.done & stable
                failed = outcome.lost | (outcome.done & ~stable) | (~arrived & (used[block.rows] > _STRIDE_STEPS))
                leave = arrived & summit
                again: list[int] = []
                for at in np.flatnonzero((arrived & ~summit) | failed):
                    row = block.rows[at]
                    if gas[row]:
                        if failed[at]:
                            leave[at] = True
                            continue
                        stage[row] += 1
                        target[row] = _GAS_STRIDES[stage[row]]
                        last[:, row] = block.x[:, at]
                    elif failed[at]:
                        stride = 0.25 * (target[row] - reached[row])
                        if stride < _LEAST_STRIDE:
                            leave[at] = True
                            continue
                        target[row] = reached[row] + stride
                    else:
                        stride = 2.0 * (target[row] - reached[row])
                        reached[row] = target[row]
                        target[row] = min(1.0, reached[row] + stride)
                        last[:, row] = block.x[:, at]
                    used[row] = 0
                    again.append(int(at))
                if again:
                    at_rows = np.array(again, dtype=np.intp)
                    scale(block.p, at_rows, block.rows[at_rows])
                    block.restart(at_rows, last[:, block.rows[at_rows]])
                stay = np.flatnonzero(~leave)
                if not len(stay):
                    break
                block.keep(stay)
        return found

    @staticmethod
    def _note_summit(block: Block, found: Found, outcome: Outcome, summit: Flags) -> None:
        """Note only what was reached with everything at its full value."""
        block.note(
            found,
            Outcome(
                outcome.taken & summit,
                outcome.undamped,
                outcome.certified & summit,
                outcome.done & summit,
                outcome.lost,
                outcome.amps,
                outcome.amps_each,
                outcome.move,
            ),
        )

    def _let_settle(self, p: Parameters) -> Found:
        """Switch on from zero with a capacitance at every point, and let the step of time grow."""
        layout = self.layout
        rows = p.slots.shape[1]
        x = np.zeros((1 + layout.n_unknowns, rows))
        points = np.arange(layout.n_points - 1)
        diagonal = np.array([layout.elimination.slot_of(int(n), int(n)) for n in points], dtype=np.intp)
        per_step = np.full(rows, _FIRST_STEP_SIEMENS)
        with np.errstate(all="ignore"):
            evaluation = layout.evaluate(p, x)
            for _ in range(_TIME_STEPS):
                values = layout.coefficients(p, evaluation.slopes)
                values[diagonal] += per_step
                step = -factor(layout.elimination, values).solve(evaluation.unbalanced)
                length = np.abs(step[: layout.n_points - 1]).max(axis=0)
                ok = np.isfinite(length)
                limit = np.where(length > _LONGEST_VOLTS, _LONGEST_VOLTS / length, 1.0)
                trial = x.copy()
                trial[1:] += np.where(ok, limit * step, 0.0)
                at_trial = layout.evaluate(p, trial)
                ok &= np.isfinite(at_trial.unbalanced).all(axis=0)
                x = np.where(ok, trial, x)
                evaluation = Evaluation(
                    np.where(ok, at_trial.unbalanced, evaluation.unbalanced),
                    np.where(ok, at_trial.slopes, evaluation.slopes),
                    (),
                    (),
                )
                eased = np.where(length < _SETTLE_VOLTS, per_step / 4.0, per_step)
                per_step = np.where(ok, eased, per_step * 8.0)
                if bool((per_step < _LAST_STEP_SIEMENS).all()):
                    break
        return self._newton(p, x)
