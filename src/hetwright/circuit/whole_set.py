"""The whole set as something that can be asked: working points, readings of every kind, and signs of what would be heard.

A set has two circuits, the one that carries HT and the heater circuit; their slots stand side by side in one stack.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ..errors import Complaint, InputFault, NotSolved
from .cold import cold_ohms, cold_ohms_with_slopes
from .network import Capacitance, Conductance, Inductance, Network, Resistance, Supply, ValveSection
from .prediction import Prediction
from .sensitivity import (
    branch_amps,
    branch_amps_slopes,
    find_branch,
    read_through_meter,
    readings_with_slopes,
    volts_slopes,
)
from .solver import Circuit, Effort, WorkingPoints, near

__all__ = ["Question", "Solved", "WholeSet", "to_compared", "to_ohms"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: An ohmmeter shows no more than this: anything above reads "open".
OPEN_OHMS = 30e6
#: Points closer than this stand at the same volts.
SAME_VOLTS = 1e-6


class Networks(Protocol):
    """What the card room gives; see :class:`hetwright.card.network.CardNetworks`."""

    @property
    def ht(self) -> Network: ...

    @property
    def heaters(self) -> Network | None: ...

    @property
    def terminals(self) -> Mapping[str, tuple[str, str]]: ...

    @property
    def heater_nominal_volts(self) -> Mapping[str, float]: ...

    def point(self, name: str) -> str: ...


@dataclass(frozen=True, slots=True)
class Question:
    """One reading as the set is asked for it.

    ``kind``: "volts dc", "volts ac", "amps dc", "ohms" or "watts". ``a`` and ``b`` are points of the network; ``ohms`` the
    meter's resistance. For amps ``a`` names what carries them, parts whose currents meet joined by "+". Readings of
    ohms are compared as ln(1 + R/1 ohm).
    """

    kind: str
    a: str
    b: str = "chassis"
    ohms: float = np.inf


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """A solved stack of the whole set.

    stack : (B, S)
    ht : WorkingPoints of the HT circuit
    heaters : WorkingPoints of the heater circuit, or None
    """

    stack: Array
    ht: WorkingPoints
    heaters: WorkingPoints | None

    def __len__(self) -> int:
        return int(self.stack.shape[0])


def to_compared(ohms: Array | float) -> Any:
    """Cold ohms as they are compared: ln(1 + R/1 ohm), an open circuit at the most a meter shows."""
    return np.log1p(np.minimum(ohms, OPEN_OHMS))


def to_ohms(compared: Array | float) -> Any:
    """Inverse of :func:`to_compared`; what reads as the most a meter shows is infinite."""
    ohms = np.expm1(compared)
    return np.where(ohms > 0.97 * OPEN_OHMS, np.inf, ohms)


class WholeSet:
    """A set ready to be solved and asked.

    Parameters
    ----------
    networks : CardNetworks
    law : optional
        Another valve law than the book's.

    Raises
    ------
    NotSolved
        If the set as it should be has no certified working point.
    """

    def __init__(self, networks: Networks, law: Any = None) -> None:
        self.networks = networks
        self.ht = Circuit(networks.ht, law)
        self.heaters = Circuit(networks.heaters) if networks.heaters is not None else None
        self.n_ht = len(self.ht.slots)
        self.slots: dict[tuple[str, str], int] = dict(self.ht.slot_index)
        if self.heaters is not None:
            for key, column in self.heaters.slot_index.items():
                # a part that stands in both circuits is led by its HT slot; its heater slot gets a name of its own
                name = key if key not in self.slots else (f"{key[0]} (heaters)", key[1])
                self.slots[name] = self.n_ht + column

    def base(self) -> Array:
        """Nominal value of every slot, (S,)."""
        parts = [self.ht.base()]
        if self.heaters is not None:
            parts.append(self.heaters.base())
        return np.concatenate(parts)

    def solve(self, stack: Array, start: Solved | None = None, *, effort: Effort = "full") -> Solved:
        """Working points of every row of a stack (B, S), from rows solved near them where there are any.

        ``effort`` as in :meth:`~hetwright.circuit.solver.Circuit.solve`.
        """
        begin = start.ht if start is not None else None
        ht = self.ht.solve(np.ascontiguousarray(stack[:, : self.n_ht]), begin, effort=effort)
        heaters = None
        if self.heaters is not None:
            heaters = self.heaters.solve(np.ascontiguousarray(stack[:, self.n_ht :]))
        return Solved(stack, ht, heaters)

    def solve_alike(self, stack: Array, *, effort: Effort = "full") -> Solved:
        """Working points of a stack of changes to its row 0, each different direct-current circuit solved once.

        A capacitance carries no direct current, and a conductance between points that stand at the same volts changes
        nothing: rows that differ from another only in such slots have its working point exactly.
        """
        first = self.solve(stack[:1])
        matters = np.ones(stack.shape[1], dtype=bool)
        matters[: self.n_ht] = ~self._idle_slots(first)
        _, chosen, place = np.unique(stack[:, matters], axis=0, return_index=True, return_inverse=True)
        solved = self.take(self.solve(stack[chosen], effort=effort), place.reshape(-1))
        return replace(solved, stack=stack)

    def _idle_slots(self, solved: Solved) -> NDArray[np.bool_]:
        """HT slots that move no direct voltage of the solved row 0, whatever their value."""
        idle = np.zeros(self.n_ht, dtype=bool)
        if not solved.ht.certified[0]:
            return idle
        volts, columns = solved.ht.volts[0], self.ht.slot_index
        level: dict[int, bool] = {}
        for element in self.ht.network.elements:
            if isinstance(element, Capacitance):
                idle[columns[element.part, "farads"]] = True
                slot = columns[element.part, "leak_siemens"]
            elif isinstance(element, Inductance):
                idle[columns[element.part, "henries"]] = True
                continue
            elif isinstance(element, Conductance):
                slot = columns[element.part, element.what]
            else:
                continue
            across = abs(volts[self.ht.point(element.a)] - volts[self.ht.point(element.b)])
            level[slot] = level.get(slot, True) and across < SAME_VOLTS
        for slot, same in level.items():
            idle[slot] = same
        # the reservoir is the supply's as well, and there it tells
        for element in self.ht.network.elements:
            if isinstance(element, Supply):
                for key, column in columns.items():
                    if key[0] == element.part:
                        idle[column] = False
        return idle

    def take(self, solved: Solved, rows: Index) -> Solved:
        """Some rows of a solved stack."""
        return Solved(
            solved.stack[rows],
            solved.ht.take(rows),
            solved.heaters.take(rows) if solved.heaters is not None else None,
        )

    def added_up(self, solved: Solved, rows: Index) -> Solved:
        """A place to start several changes at once from: the moves of rows (N, k) of a solved stack added to row 0."""
        ht = solved.ht
        moves = ht.volts[rows] - ht.volts[0]
        extra = ht.extra[rows] - ht.extra[0]
        count = len(rows)
        none = np.zeros(count, dtype=bool)
        start = replace(
            ht,
            volts=ht.volts[0] + moves.sum(axis=1),
            extra=ht.extra[0] + extra.sum(axis=1),
            certified=none,
            unbalanced_amps=np.full(count, np.inf),
            last_step_volts=np.full(count, np.inf),
            refusals=(),
        )
        return Solved(solved.stack[rows[:, 0]], start, None)

    # ---- asking

    def question(self, point: str, to: str | None, quantity: str, meter_ohms: float, reference: str) -> Question:
        """A reading's question, its names resolved to points of the networks.

        Parameters
        ----------
        point, to : str, str or None
            As a reading names them: a point, a part or a role. Without ``to`` a part or a heater is read across, a point
            to ``reference``.
        quantity : str
        meter_ohms : float > 0

        Raises
        ------
        InputFault
            If a point is unknown, or the quantity cannot be computed there; names near points.
        """
        if quantity == "watts":
            return Question("watts", "mains", "mains")
        if quantity == "amps dc":
            return Question("amps dc", "+".join(self._carriers(point)))
        circuit = self.ht
        if quantity == "volts ac" or (quantity == "ohms" and self._stands_in(self.heaters, point)):
            if self.heaters is None:
                raise InputFault(
                    Complaint(wrong=f"{point}: this set has no heater circuit", right="leave the reading out")
                )
            # a heater that stands in a chain is there cold, beside everything else
            circuit = self.heaters if quantity == "volts ac" or not self._stands_in(self.ht, point) else self.ht
        a, b = self._ends(point, to, circuit, reference)
        if to is None and quantity != "volts dc" and point.partition(".")[2] in ("heater", "filament"):
            # it is read at its own two pins
            a, b = self.networks.terminals.get(point, (a, b))
        if circuit is self.heaters and quantity == "ohms":
            return Question("ohms heaters", a, b)
        if quantity not in ("volts dc", "volts ac", "ohms"):
            raise InputFault(
                Complaint(
                    wrong=f"{quantity} at {point} is not a reading of points", right="write it as an observation"
                )
            )
        return Question(quantity, a, b, meter_ohms)

    def why_not(self, point: str, quantity: str) -> str:
        """Why nothing can be said of a reading at a place that the set has; empty where it can."""
        here, warm = self._stands_in(self.ht, point), self._stands_in(self.heaters, point)
        if quantity == "volts ac" and here and not warm:
            return "alternating volts are worked out of heaters and the mains alone"
        if quantity == "ohms" and warm and not here:
            return "in circuit it reads no more than the heater winding across it: measure it out of the set"
        return ""

    def _stands_in(self, circuit: Circuit | None, point: str) -> bool:
        """Whether a point or part is in one of the two circuits."""
        if circuit is None:
            return False
        known = set(circuit.points)
        ends = self.networks.terminals.get(point, ())
        return self.networks.point(point) in known or (bool(ends) and all(end in known for end in ends))

    def _ends(self, point: str, to: str | None, circuit: Circuit, reference: str) -> tuple[str, str]:
        names, known = self.networks, set(circuit.points)

        def resolved(name: str, end: int) -> str:
            actual = names.point(name)
            if actual in known:
                return actual
            pair = names.terminals.get(name)
            if pair is not None and pair[end] in known:
                return pair[end]
            raise InputFault(
                Complaint(
                    wrong=f"no point {name!r} in this set",
                    right="near ones are "
                    + near(name, sorted(known | set(names.terminals)), "none; see `card check`"),
                )
            )

        if to is not None:
            # a part read to a point is read from the end that is not that point already
            b = resolved(to, 1)
            a = resolved(point, 0)
            pair = names.terminals.get(point)
            if a == b and pair is not None and pair[1] in known and names.point(point) not in known:
                a = pair[1]
            return a, b
        if names.point(point) not in known and point in names.terminals:
            pair = names.terminals[point]
            if pair[0] in known and pair[1] in known:
                return pair
        return resolved(point, 0), resolved(reference, 1)

    def _carriers(self, point: str) -> list[str]:
        """What carries the current read at a part, an electrode or the HT: ``PART`` or ``SECTION:electrode`` each."""
        named, (valve, _, electrode) = self.networks.point(point), point.partition(".")
        elements = self.ht.network.elements
        sections = [e for e in elements if isinstance(e, ValveSection) and electrode and e.valve == valve]
        # by a cathode's pin leaves the current of every section that stands on it
        found = [f"{e.part}:cathode" for e in sections if electrode == "cathode" or e.cathode == named]
        if not found:
            found = [
                f"{e.part}:{name}"
                for e in sections
                for name, joined in e.electrodes.items()
                if joined == named and name not in ("amplitude", "injection")
            ]
        if not found:
            found = [e.part for e in elements if isinstance(e, Supply) and e.plus == named]
        found = found or [point]
        try:
            for one in found:
                find_branch(self.ht, *one.split(":"))
        except InputFault:
            raise InputFault(
                Complaint(
                    wrong=f"no current can be told at {point!r}",
                    right="name a resistor, winding, capacitor, electrode or HT1",
                )
            ) from None
        return found

    def read(self, solved: Solved, questions: Sequence[Question], *, slopes: bool = True) -> Prediction:
        """Expected readings with their slopes by every slot.

        Parameters
        ----------
        solved : Solved
        questions : R questions
        slopes : bool
            False leaves the slopes at zero, which costs much less.

        Returns
        -------
        Prediction
            mean (B, R), slopes (B, R, S); ``ohms`` in compared form.
        """
        rows, width = len(solved), len(questions)
        mean = np.zeros((rows, width))
        every_slope = np.zeros((rows, width, solved.stack.shape[1] if slopes else 0))
        ok = solved.ht.certified.copy()
        if solved.heaters is not None:
            ok &= solved.heaters.certified
        by_kind: dict[str, list[int]] = {}
        for number, question in enumerate(questions):
            by_kind.setdefault(question.kind, []).append(number)
        for kind, numbers in by_kind.items():
            asked = [questions[n] for n in numbers]
            ours = slice(0, self.n_ht)
            if kind in ("volts ac", "ohms heaters"):
                ours = slice(self.n_ht, solved.stack.shape[1])
            elif kind == "watts":
                ours = slice(None)
            if slopes:
                mean[:, numbers], every_slope[:, numbers, ours] = self._answer(kind, asked, solved)
            else:
                mean[:, numbers] = self._mean(kind, asked, solved)
        return Prediction(mean, np.nan_to_num(every_slope), ok)

    def _mean(self, kind: str, asked: Sequence[Question], solved: Solved) -> Array:
        """Expected readings alone."""
        a, b = [q.a for q in asked], [q.b for q in asked]
        if kind == "volts dc":
            ohms = np.array([q.ohms for q in asked])
            return read_through_meter(self.ht, solved.ht, solved.stack[:, : self.n_ht], a, b, ohms)
        if kind == "ohms":
            stack = np.ascontiguousarray(solved.stack[:, : self.n_ht])
            return np.asarray(to_compared(cold_ohms(self.ht, stack, list(zip(a, b, strict=True)))))
        if kind == "watts":
            return np.repeat(self.mains_watts(solved, slopes=False)[0][:, None], len(asked), axis=1)
        return self._answer(kind, asked, solved)[0]

    def _answer(self, kind: str, asked: Sequence[Question], solved: Solved) -> tuple[Array, Array]:
        a, b = [q.a for q in asked], [q.b for q in asked]
        ohms = np.array([q.ohms for q in asked])
        ht_stack = solved.stack[:, : self.n_ht]
        if kind == "volts dc":
            return readings_with_slopes(self.ht, solved.ht, ht_stack, a, b, ohms)
        if kind == "volts ac" and self.heaters is not None and solved.heaters is not None:
            m, s = readings_with_slopes(
                self.heaters, solved.heaters, np.ascontiguousarray(solved.stack[:, self.n_ht :]), a, b, ohms
            )
            # alternating volts have no sign
            sign = np.sign(m)
            return np.abs(m), s * sign[:, :, None]
        if kind == "amps dc":
            carriers = [q.a.split("+") for q in asked]
            branches = [find_branch(self.ht, *one.split(":")) for several in carriers for one in several]
            first = np.cumsum([0, *(len(several) for several in carriers[:-1])])
            return (
                np.add.reduceat(branch_amps(self.ht, solved.ht, ht_stack, branches), first, axis=1),
                np.add.reduceat(branch_amps_slopes(self.ht, solved.ht, ht_stack, branches), first, axis=1),
            )
        if kind in ("ohms", "ohms heaters"):
            circuit = self.ht if kind == "ohms" else self.heaters
            assert circuit is not None
            stack = ht_stack if kind == "ohms" else solved.stack[:, self.n_ht :]
            pairs = list(zip(a, b, strict=True))
            r, d_log = cold_ohms_with_slopes(circuit, np.ascontiguousarray(stack), pairs)
            shown = np.minimum(r, OPEN_OHMS)
            factor = np.where(r < OPEN_OHMS, shown / (1.0 + shown), 0.0)
            # d ln R / d ln slot -> d ln(1+R) / d slot
            positive = np.where(stack > 0.0, stack, np.inf)
            return np.asarray(to_compared(r)), d_log * factor[:, :, None] / positive[:, None, :]
        if kind == "watts":
            watts, by_slot = self.mains_watts(solved)
            return np.repeat(watts[:, None], len(asked), axis=1), np.repeat(by_slot[:, None, :], len(asked), axis=1)
        raise NotSolved(f"nothing computes {kind}")

    # ---- power from the mains

    def _supply_parts(self) -> list[str]:
        return [port.element.part for port in self.ht.layout.supplies]

    def mains_watts(self, solved: Solved, *, slopes: bool = True) -> tuple[Array, Array]:
        """Watts from the mains, (B,): HT amps at the peak of the rectifier's volts, and the heaters; cores are left out.

        Their slopes by every slot, (B, S), are zero without ``slopes``, which costs much less.
        """
        watts, by_slot = self._heater_watts(solved, slopes)
        parts = self._supply_parts()
        if not parts:
            return watts, by_slot
        branches = [find_branch(self.ht, part) for part in parts]
        ht_stack = solved.stack[:, : self.n_ht]
        amps = branch_amps(self.ht, solved.ht, ht_stack, branches)
        amps_by_slot = branch_amps_slopes(self.ht, solved.ht, ht_stack, branches) if slopes else None
        for n, port in enumerate(self.ht.layout.supplies):
            element = port.element
            # a capacitor-input supply takes its amps at about the peak of the wave
            peak = float(np.sqrt(2.0)) * element.rms_volts
            mains = self.ht.layout.slot_index[element.part, "mains"]
            factor = ht_stack[:, mains]
            watts = watts + peak * factor * amps[:, n]
            if amps_by_slot is not None:
                by_slot[:, : self.n_ht] += (peak * factor)[:, None] * amps_by_slot[:, n]
                by_slot[:, mains] += peak * amps[:, n]
        return watts, by_slot

    def heater_watts(self, solved: Solved) -> Array:
        """Power taken by the heater circuit, (B,) W."""
        return self._heater_watts(solved, False)[0]

    def _heater_watts(self, solved: Solved, slopes: bool) -> tuple[Array, Array]:
        rows = len(solved)
        watts, by_slot = np.zeros(rows), np.zeros((rows, len(self.slots)))
        if self.heaters is None or solved.heaters is None:
            return watts, by_slot
        lines = [e for e in self.heaters.network.elements if isinstance(e, Resistance | Conductance)]
        stack = np.ascontiguousarray(solved.stack[:, self.n_ht :])
        columns = [self.heaters.slot_index[e.part, e.what] for e in lines]
        values = stack[:, columns]
        is_ohms = np.array([isinstance(e, Resistance) for e in lines])
        scale = np.array([e.scale if isinstance(e, Resistance) else 1.0 for e in lines])
        siemens = np.where(is_ohms, 1.0 / (np.where(is_ohms, values, 1.0) * scale), values)
        a = [self.heaters.point(e.a) for e in lines]
        b = [self.heaters.point(e.b) for e in lines]
        across = solved.heaters.volts[:, a] - solved.heaters.volts[:, b]
        watts = np.nan_to_num((across**2 * siemens).sum(axis=1))
        if slopes:
            moved = volts_slopes(self.heaters, solved.heaters, stack, a, b)
            ours = np.einsum("br,brs->bs", 2.0 * across * siemens, moved)
            own = across**2 * np.where(is_ohms, -siemens / np.where(is_ohms, values, 1.0), 1.0)
            for n, column in enumerate(columns):
                ours[:, column] += own[:, n]
            by_slot[:, self.n_ht :] = np.nan_to_num(ours)
        return watts, by_slot

    # ---- telling hypotheses apart

    def same_everywhere(self, solved: Solved, rows: Index) -> Array:
        """(K, K) how far apart rows are at the point where they differ most, in parts of what a good meter tells.

        Below one, no voltage in the set tells the two apart.
        """
        volts = np.nan_to_num(solved.ht.volts[rows])
        scale = 0.01 * np.abs(volts).max(axis=0) + 0.05
        apart = np.abs(volts[:, None, :] - volts[None, :, :]) / scale
        worst = apart.max(axis=2)
        if solved.heaters is not None:
            warm = np.nan_to_num(solved.heaters.volts[rows])
            worst = np.maximum(worst, (np.abs(warm[:, None, :] - warm[None, :, :]) / 0.1).max(axis=2))
        # two rows that differ from the healthy set nowhere are not alike for that
        healthy = np.nan_to_num(solved.ht.volts[0])
        moved = (np.abs(volts - healthy) / scale).max(axis=1)
        silent = (moved[:, None] < 1.0) | (moved[None, :] < 1.0)
        return np.asarray(np.where(silent, np.inf, worst))
