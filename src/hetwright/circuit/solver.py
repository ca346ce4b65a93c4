"""Working points of a stack of variants: found by Newton's method, certified, or refused.

The nodal equations of :mod:`hetwright.circuit.elements` are solved for all rows of a stack together, in blocks
that stay in the cache. A row goes through as many of these as it needs:

1. Newton's method from the healthy solution, damped. The first step uses the valve currents and slopes of the healthy
   solution, which are known, so it costs no evaluation of the law; it takes a change of any
   plain conductance in its stride.
2. Supply raised from zero: mains and batteries brought up in steps, the working point followed.
3. Time: every point is given a capacitance, the set is switched on, and the step of time
   grows as things settle; where raising the supply meets a fold, this is how the set itself would jump.

A row is *certified* when the largest unbalanced current is below :data:`CERTIFIED_AMPS` and the last undamped
Newton step moved no point by more than :data:`CERTIFIED_VOLTS`. A row with gas (the one positive feedback a set
commonly has), or whose equations have a negative determinant (an unstable point), is always taken through 2, so
that its point lies on the branch reached by raising HT.

Damping follows the simplified Newton correction (P. Deuflhard, *Newton Methods for Nonlinear Problems*, section
3.3: the natural monotonicity test); 3 is pseudo-transient continuation (C. T. Kelley and D. E. Keyes, SIAM J.
Numer. Anal. 35 (1998) 508-523). ``docs/working-point.md`` has the equations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import Complaint, NotSolved, OutOfRange
from .elements import Evaluation, Law, Layout, Parameters, near
from .elimination import Factors, dense_solve
from .network import Network

__all__ = ["CERTIFIED_AMPS", "CERTIFIED_VOLTS", "Circuit", "WorkingPoints", "near"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

CERTIFIED_AMPS = 1e-9
CERTIFIED_VOLTS = 1e-3

# How the method proceeds, not facts of any set:
_AIM_AMPS = 2e-10  # stop a little inside the certificate
_AIM_VOLTS = 2e-4
_BLOCK = 768  # rows worked together; docs/decisions/solver.md
_QUICK_STEPS = 8  # before the rows left over are gathered into fewer blocks
_MORE_STEPS = 10
_STEPS = 40
# an electrode that collects may fall in one step to this share of its volts, less these volts
_HOLD_SHARE, _HOLD_GROWTH, _HOLD_VOLTS = 0.1, 3.0, 0.5
_CLEARLY_BETTER = 0.8
_LEAST_DAMPING = 1.0 / 4096.0
_ZERO_STEPS = 25
_GAS_SHARES = (0.0, 0.4, 1.0)
_GAS_STEPS = 8
_RAISE_STRIDE = 0.25
_LEAST_STRIDE = 1e-3
_RAISE_STEPS = 25
_TIME_STEPS = 150
_CONDUCTS_VOLTS = -1.0  # a grid above this may carry electrons
_MOVED_VOLTS = 0.5
_RUNS_AWAY_GAS = 3e-5  # grid amps per anode amp; with less no usual grid leak closes the loop
# letting a set settle: each point's capacitance over the step of time, first and last; volts moved in a step
_FIRST_STEP_SIEMENS, _LAST_STEP_SIEMENS = 1e-2, 1e-13
_SETTLE_VOLTS, _LONGEST_VOLTS = 20.0, 60.0
_AMPS_TO_VOLTS = 1e3  # how an error in supply amps counts beside an error in volts


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


@dataclass(slots=True)
class _Found:
    """What one attempt found, rows last."""

    x: Array
    good: Flags
    amps: Array
    volts: Array
    worst: Index
    odd: Flags

    @classmethod
    def nothing(cls, x: Array) -> _Found:
        rows = x.shape[1]
        return cls(
            x.copy(),
            np.zeros(rows, dtype=bool),
            np.full(rows, np.inf),
            np.full(rows, np.inf),
            np.zeros(rows, dtype=np.intp),
            np.zeros(rows, dtype=bool),
        )

    def put(self, rows: Index, other: _Found, only: Flags | None = None) -> None:
        """Take over rows of another attempt."""
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

    def solve(self, stack: Array, start: WorkingPoints | Array | None = None) -> WorkingPoints:
        """Find the working point of every row.

        Parameters
        ----------
        stack : (B, n_slots)
        start : WorkingPoints or (n_points,) or (B, n_points), optional
            Where to begin; the healthy solution by default. A refused row of a start begins at the healthy solution.

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
        found = _Found.nothing(np.zeros((1 + self.layout.n_unknowns, rows)))
        for first in range(0, rows, _BLOCK):
            block = np.arange(first, min(first + _BLOCK, rows))
            p = self.layout.parameters(np.ascontiguousarray(slots[:, block]))
            if x0 is None:
                result = self._newton(p, None, healthy, steps=_QUICK_STEPS, worth=len(block) // 4)
            else:
                result = self._newton(
                    p, np.ascontiguousarray(x0[:, block]), None, steps=_QUICK_STEPS, worth=len(block) // 4
                )
            found.put(block, result)
        # a row that began at a certified point close by is on that point's branch
        near_by = isinstance(start, WorkingPoints) and len(start) == rows
        self._again(slots, found, healthy, start.certified & found.good if near_by else np.zeros(rows, dtype=bool))
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
            found = self._newton(p, np.zeros((1 + self.layout.n_unknowns, 1)), None)
            self._settled(slots, found)
            if not found.good[0]:
                raise NotSolved(
                    f"the set as it should be has no certified working point ({self._why(found, 0)})",
                    point=self._name(int(found.worst[0])),
                )
            self._healthy = _Healthy(slots, found.x, self.layout.evaluate(p, found.x))
        return self._healthy

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

    def _again(self, slots: Array, found: _Found, healthy: _Healthy, followed: Flags) -> None:
        """Give the rows that need it more steps, then a start from zero, then the supply raised, then time."""
        self._attempt(slots, found, ~found.good, lambda p, x: self._newton(p, x, None, steps=_MORE_STEPS))
        self._attempt(
            slots,
            found,
            ~found.good,
            lambda p, x: self._newton(p, np.zeros_like(x), None, steps=_ZERO_STEPS, worth=x.shape[1] // 20),
        )
        away = self._run_away(slots, found, healthy) & ~followed
        if away.any():
            self._attempt(slots, found, away, lambda p, _: self._raise_gas(p, healthy))
        self._settled(slots, found)

    def _settled(self, slots: Array, found: _Found) -> None:
        """The supply raised, then time, for what is not found or unstable; what stays unstable is refused."""
        # switching on and letting it settle gets to the same branch, and costs a fraction where it gets there at all
        self._attempt(slots, found, ~found.good & ~found.odd, lambda p, _: self._let_settle(p))
        self._attempt(slots, found, ~found.good | found.odd, lambda p, _: self._raise_supply(p))
        self._attempt(slots, found, ~found.good | found.odd, lambda p, _: self._let_settle(p))
        # an unstable point is no working point, however well it balances
        found.good &= ~found.odd

    @staticmethod
    def _why(found: _Found, row: int) -> str:
        if found.odd[row]:
            return "it balances only where it is not stable"
        return f"unbalanced {found.amps[row]:.3g} A, last step {found.volts[row]:.3g} V"

    def _attempt(
        self, slots: Array, found: _Found, wanted: Flags, attempt: Callable[[Parameters, Array], _Found]
    ) -> None:
        """Try something for the wanted rows, gathered into blocks; a failure leaves a certified point alone."""
        left = np.flatnonzero(wanted)
        for first in range(0, len(left), _BLOCK):
            block = left[first : first + _BLOCK]
            p = self.layout.parameters(np.ascontiguousarray(slots[:, block]))
            result = attempt(p, np.ascontiguousarray(found.x[:, block]))
            found.put(block, result, result.good | ~found.good[block])

    def _run_away(self, slots: Array, found: _Found, healthy: _Healthy) -> Flags:
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

    def _working_points(self, found: _Found) -> WorkingPoints:
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

    def _first_evaluation(self, p: Parameters, healthy: _Healthy) -> tuple[Array, Evaluation]:
        """The equations of every row at the healthy solution, the valves' part by first order in their state."""
        layout = self.layout
        rows = p.slots.shape[1]
        x = np.repeat(healthy.x, rows, axis=1)
        base = healthy.evaluation
        # everything but the valves, at the rows' own slots
        amps = np.empty((layout.n_currents, rows))
        slopes = np.repeat(base.slopes, rows, axis=1)
        at = len(layout.line_a)
        np.multiply(layout.line_volts(x, p), p.siemens, out=amps[:at])
        n_leaks, n_diodes = len(layout.leak_a), len(layout.diode_a)
        one = healthy.x
        if n_leaks:
            siemens = p.slots[layout.leak_slot]
            across = one[layout.leak_a] - one[layout.leak_b]
            per_siemens, slope = layout.leak_law(across)
            amps[at : at + n_leaks] = per_siemens * siemens
            slopes[:n_leaks] = slope * siemens
            if len(layout.polar):
                back, back_slope = layout.reverse_law(across[layout.polar])
                amps[at + layout.polar] += back
                slopes[layout.polar] += back_slope
            at += n_leaks
        if n_diodes:
            amps[at : at + n_diodes], _ = layout.diode_law(one[layout.diode_a] - one[layout.diode_b])
        for group, known in zip(layout.valve_groups, base.valves, strict=True):
            sections, electrodes = group.size
            change = p.slots[group.slots] - healthy.slots[group.slots]  # (S, 4, B)
            moved = np.einsum("sem,smb->seb", known.by_state[0], change)
            many = sections * electrodes
            amps[group.currents_at : group.currents_at + many] = (known.amps[0][:, :, None] + moved).reshape(
                many, rows
            )
        evaluation_ports = []
        for n, port in enumerate(layout.supplies):
            drawn = x[port.amps_at]
            given = layout.port(port, drawn, p)
            amps[layout.supply_currents_at + n] = drawn
            slopes[layout.supply_slopes_at + n] = given.by_amps
            evaluation_ports.append(given)
        unbalanced = layout.balance @ amps
        for port, given in zip(layout.supplies, evaluation_ports, strict=True):
            unbalanced[port.amps_at - 1] = x[port.plus] - x[port.minus] - given.volts
        return x, Evaluation(unbalanced, slopes, (), tuple(evaluation_ports))

    def _lengths(self, step: Array) -> Array:
        """Largest move of a step, volts, (B,); a move in supply amps counts through a usual source resistance."""
        n = self.layout.n_points - 1
        longest = np.abs(step[:n]).max(axis=0)
        if step.shape[0] > n:
            longest = np.maximum(longest, _AMPS_TO_VOLTS * np.abs(step[n:]).max(axis=0))
        return np.asarray(longest)

    def _point_move(self, step: Array) -> Array:
        return np.asarray(np.abs(step[: self.layout.n_points - 1]).max(axis=0))

    def _hold_electrodes(self, x: Array, trial: Array) -> Flags:
        """Keep anodes and screens from being thrown far below the cathode in one step.

        Slopes taken at a high anode say nothing of where its current ends: an anode whose feed is open would be sent
        kilovolts negative, where the law is flat and gives no way back. Changes ``trial``; True where a row was held.
        """
        layout = self.layout
        e, c = layout.collectors, layout.collector_cathodes
        if not len(e):
            return np.zeros(x.shape[1], dtype=np.bool_)
        was = x[e] - x[c]
        floor = np.where(was > 0.0, _HOLD_SHARE * was, _HOLD_GROWTH * was) - _HOLD_VOLTS
        below = trial[e] - trial[c] < floor
        held: Flags = np.asarray(below.any(axis=0))
        if held.any():
            trial[e] = np.where(below, trial[c] + floor, trial[e])
        return held

    def _newton(
        self,
        p: Parameters,
        x: Array | None,
        healthy: _Healthy | None,
        *,
        steps: int = _STEPS,
        dense: bool = False,
        worth: int = 0,
    ) -> _Found:
        """Damped Newton for a block of rows; finished rows leave the block."""
        layout = self.layout
        with np.errstate(all="ignore"):
            if x is None:
                assert healthy is not None
                x, evaluation = self._first_evaluation(p, healthy)
                guessed = True
            else:
                evaluation = layout.evaluate(p, x)
                guessed = False
            found = _Found.nothing(x)
            rows = np.arange(x.shape[1])
            damping = np.ones(len(rows))
            factors, step = self._step(p, evaluation, dense)
            length = self._lengths(step)
            size = layout.amps_of_unbalance(evaluation).max(axis=0)
            for _ in range(steps):
                trial = x.copy()
                trial[1:] += damping * step
                held = self._hold_electrodes(x, trial)
                at_trial = layout.evaluate(p, trial)
                amps_each = layout.amps_of_unbalance(at_trial)
                amps = amps_each.max(axis=0)
                move = self._point_move(step)
                undamped = (damping == 1.0) & ~held & (not guessed)
                done = undamped & (move <= _AIM_VOLTS) & (amps <= _AIM_AMPS)
                finite = np.isfinite(amps)
                simplified = -self._correct(factors, p, evaluation, at_trial.unbalanced, dense)
                short = self._lengths(simplified)
                if guessed:
                    # the first step came of currents that were estimated: take it, whatever it brings
                    accept = finite.copy()
                    proposed = np.ones(len(rows))
                    guessed = False
                else:
                    leftover = self._lengths(simplified - (1.0 - damping) * step)
                    proposed = np.where(leftover > 0.0, 0.5 * length * damping**2 / leftover, 1.0)
                    accept = finite & (short < length) | done
                    # within the certificate already, rounding may keep the correction from shrinking
                    accept |= finite & (short <= _AIM_VOLTS) & undamped
                    accept |= finite & held
                    # or the currents balance clearly better, whatever the correction says
                    accept |= finite & (amps < _CLEARLY_BETTER * size)
                damping_next = np.where(
                    accept,
                    np.where((short <= _AIM_VOLTS) | held, 1.0, np.clip(proposed, 0.01, 1.0)),
                    np.minimum(np.nan_to_num(proposed), 0.5 * damping),
                )
                lost = ~accept & (damping_next < _LEAST_DAMPING)
                # keep the state of every row that leaves, finished or lost
                leave = done | lost
                self._record(found, rows, x, trial, amps_each, amps, move, accept, undamped, done, factors)
                stay = np.flatnonzero(~leave)
                if len(stay) <= worth:
                    break
                take = accept[stay]
                size = np.where(accept, amps, size)[stay]
                if len(stay) < len(rows):
                    rows, p = rows[stay], p.take(stay)
                    x = np.where(take, trial[:, stay], x[:, stay])
                    evaluation = _merge(evaluation, at_trial, stay, take)
                    step, length = step[:, stay], length[stay]
                    damping_next = damping_next[stay]
                    factors = factors.take(stay)
                elif take.all():
                    x, evaluation = trial, at_trial
                else:
                    x = np.where(take, trial, x)
                    evaluation = _merge(evaluation, at_trial, stay, take)
                damping = damping_next
                if take.any():
                    new_factors, new_step = self._step(p, evaluation, dense)
                    if take.all():
                        factors, step = new_factors, new_step
                    else:
                        factors = Factors(factors.elimination, np.where(take, new_factors.values, factors.values))
                        step = np.where(take, new_step, step)
                    length = self._lengths(step)
        return found

    def _record(
        self,
        found: _Found,
        rows: Index,
        x: Array,
        trial: Array,
        amps_each: Array,
        amps: Array,
        move: Array,
        accept: Flags,
        undamped: Flags,
        done: Flags,
        factors: Factors,
    ) -> None:
        """Note the newest accepted state of every row, and whether it is certified."""
        take = np.flatnonzero(accept)
        at = rows[take]
        found.x[:, at] = trial[:, take]
        found.amps[at] = amps[take]
        found.volts[at] = np.where(undamped, move, np.inf)[take]
        found.worst[at] = amps_each[:, take].argmax(axis=0)
        certified = undamped & (move <= CERTIFIED_VOLTS) & (amps <= CERTIFIED_AMPS) & accept
        found.good[at] = certified[take]
        if done.any():
            found.odd[rows[done]] = (factors.negative_pivots()[done] % 2).astype(bool)

    def _step(self, p: Parameters, evaluation: Evaluation, dense: bool) -> tuple[Factors, Array]:
        values = self.layout.coefficients(p, evaluation.slopes)
        if dense:
            step = -dense_solve(self.layout.elimination, values, evaluation.unbalanced)
            return self.layout.elimination.factor(values), step
        factors = self.layout.elimination.factor(values)
        return factors, -factors.solve(evaluation.unbalanced)

    def _correct(
        self, factors: Factors, p: Parameters, evaluation: Evaluation, unbalanced: Array, dense: bool
    ) -> Array:
        if dense:
            values = self.layout.coefficients(p, evaluation.slopes)
            return np.asarray(dense_solve(self.layout.elimination, values, unbalanced))
        return np.asarray(factors.solve(unbalanced))

    # ---- continuation

    def _scaled(self, p: Parameters, share: Array) -> Parameters:
        """The same rows with mains and batteries at a share of their volts."""
        slots = p.slots.copy()
        for port in self.layout.supplies:
            slots[port.slots[0]] *= share
        slots[self.layout.source_slot] *= share
        return Parameters(slots, p.siemens, p.source_volts * share, p.coefficients)

    def _raise_gas(self, p: Parameters, healthy: _Healthy) -> _Found:
        """Solve without gas, then let the gas in by steps: the lower state is kept to for as long as there is one.

        A row whose lower state ends on the way comes back as not found; the state it had run away to is then
        the only one.
        """
        rows = p.slots.shape[1]
        last = _Found.nothing(np.repeat(healthy.x, rows, axis=1))
        live = np.arange(rows)
        x: Array | None = None
        for share in _GAS_SHARES:
            part = p.take(live)
            slots = part.slots.copy()
            for group in self.layout.valve_groups:
                slots[group.slots[:, 3]] *= share
            part = Parameters(slots, part.siemens, part.source_volts, part.coefficients)
            result = self._newton(part, x, healthy, steps=_GAS_STEPS)
            if share == 1.0:
                last.put(live, result)
            stay = np.flatnonzero(result.good)
            if not len(stay):
                break
            live, x = live[stay], np.ascontiguousarray(result.x[:, stay])
        return last

    def _raise_supply(self, p: Parameters) -> _Found:
        """Bring mains and batteries up from zero, following the working point."""
        rows = p.slots.shape[1]
        x = np.zeros((1 + self.layout.n_unknowns, rows))
        last = _Found.nothing(x)
        live = np.arange(rows)
        reached = np.zeros(rows)
        before = x.copy()
        reached_before = np.zeros(rows)
        stride = np.full(rows, _RAISE_STRIDE)
        for _ in range(4 * _RAISE_STEPS):
            target = np.minimum(reached + stride, 1.0)
            part = p if len(live) == rows else p.take(live)
            # where the last two points lead
            with np.errstate(all="ignore"):
                slope = (target - reached) / (reached - reached_before)
            slope = np.where(np.isfinite(slope), slope, 0.0)
            guess = x + slope * (x - before)
            result = self._newton(self._scaled(part, target), guess, None, steps=_RAISE_STEPS)
            ok = result.good & ~result.odd
            end = ok & (target >= 1.0)
            failed = ~ok & (stride < _LEAST_STRIDE)
            last.put(live[end | failed], _rows_of(result, end | failed))
            before = np.where(ok, x, before)
            reached_before = np.where(ok, reached, reached_before)
            x = np.where(ok, result.x, x)
            reached = np.where(ok, target, reached)
            stride = np.where(ok, np.minimum(stride * 2.0, _RAISE_STRIDE), stride * 0.4)
            stay = ~(end | failed)
            if not stay.any():
                break
            live, x, before = live[stay], x[:, stay], before[:, stay]
            reached, reached_before, stride = reached[stay], reached_before[stay], stride[stay]
        return last

    def _let_settle(self, p: Parameters) -> _Found:
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
                step = -layout.elimination.factor(values).solve(evaluation.unbalanced)
                length = self._lengths(step)
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
        result = self._newton(p, x, None)
        retry = np.flatnonzero(~result.good)
        if len(retry):
            again = self._newton(p.take(retry), np.ascontiguousarray(x[:, retry]), None, dense=True)
            result.put(retry, again)
        return result


def _merge(old: Evaluation, new: Evaluation, stay: Index, take: Flags) -> Evaluation:
    """Unbalance and slopes of the rows that stay, new where the trial was accepted."""
    return Evaluation(
        np.where(take, new.unbalanced[:, stay], old.unbalanced[:, stay]),
        np.where(take, new.slopes[:, stay], old.slopes[:, stay]),
        (),
        (),
    )


def _rows_of(found: _Found, chosen: Flags) -> _Found:
    at = np.flatnonzero(chosen)
    return _Found(found.x[:, at], found.good[at], found.amps[at], found.volts[at], found.worst[at], found.odd[at])
