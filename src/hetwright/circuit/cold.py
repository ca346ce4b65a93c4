"""Resistance between points of a set that is switched off: valves cold, mains off.

Cold valves carry nothing. A supply with a valve rectifier is open; one with silicon or selenium conducts from
minus to plus, through its winding, when the probe's polarity lets it. Windings conduct. Capacitors show their
leakage at the ohmmeter's few volts, not at working volts; an electrolytic the wrong way round conducts more. A
battery is taken as disconnected.

The probe at the first point is plus. The resistance is volts over amps with the ohmmeter's volts across the points,
behind a small resistance of its own. A set of plain resistances needs one solve a pair, for a whole stack; where
junctions, reversed electrolytics or leaks bend the answer, Newton's method follows for just those pairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from ..errors import Complaint, OutOfRange
from ..trade_data import load_trade
from .elements import ROOM_THERMAL_VOLTS, Layout, junction
from .elimination import Elimination, Factors
from .solver import Circuit

__all__ = ["TEST_VOLTS", "cold_ohms", "cold_ohms_slopes", "cold_ohms_with_slopes"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: Volts an ohmmeter puts out with its probes apart, unless the caller knows better.
TEST_VOLTS = 1.0

_PROBE_OHMS = 1.0  # behind the test volts, so that a dead short has an answer
_BENT_SHARE = 1e-3  # currents misjudged by less than this share of the test current are let be
_SETTLED_VOLTS = 1e-9
_STEPS = 80
_HALVINGS = 6
_BLOCK = 96
_PAIRS = 768


class _ColdLayout:
    """The cold network: plain conductances, bent elements (leaks, diodes, rectifiers), order of elimination."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.size = layout.n_points - 1
        self.ports = [port for port in layout.supplies if port.element.rectifier != "valve"]
        kinds = load_trade("rectifiers.toml")["junction"]
        facts = [kinds[port.element.rectifier] for port in self.ports]
        # a bridge or doubler passes the probe's current through two arms one after the other
        arms = np.array([2.0 if port.element.kind in ("bridge", "doubler") else 1.0 for port in self.ports])
        self.saturation = np.array([f["saturation_amps"] for f in facts])
        self.thermal = np.array([f["ideality"] * ROOM_THERMAL_VOLTS for f in facts]) * arms
        self.own_ohms = np.array([f["series_ohms"] for f in facts]) * arms
        self.reverse = np.array([f["reverse_siemens"] for f in facts])

        self.line_a, self.line_b = layout.line_a, layout.line_b
        minus = np.array([port.minus for port in self.ports], dtype=np.intp)
        plus = np.array([port.plus for port in self.ports], dtype=np.intp)
        self.bent_a = np.concatenate([layout.leak_a, layout.diode_a, minus])
        self.bent_b = np.concatenate([layout.leak_b, layout.diode_b, plus])
        # an oscillator's amplitude is a point of the working set only: it is held at zero by itself
        held = np.array(sorted(layout.amplitudes), dtype=np.intp)
        lines = list(zip(self.line_a.tolist(), self.line_b.tolist(), strict=True))
        bent = list(zip(self.bent_a.tolist(), self.bent_b.tolist(), strict=True))
        self.elimination = Elimination(self.size, [(a - 1, b - 1) for a, b in lines + bent if a and b and a != b])
        self.line_sums = self._sums(lines)
        self.bent_sums = self._sums(bent)
        self.held_at = np.array([self.elimination.slot_of(int(p) - 1, int(p) - 1) for p in held], dtype=np.intp)
        self.line_balance = self._balance(lines)
        self.bent_balance = self._balance(bent)

    def _sums(self, ends: list[tuple[int, int]]) -> Any:
        rows, columns, factors = [], [], []
        for number, (a, b) in enumerate(ends):
            for p, q, sign in ((a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)):
                if p and q:
                    rows.append(self.elimination.slot_of(p - 1, q - 1))
                    columns.append(number)
                    factors.append(sign)
        return csr_array((factors, (rows, columns)), shape=(self.elimination.stored, max(len(ends), 1)))

    def _balance(self, ends: list[tuple[int, int]]) -> Any:
        rows, columns, factors = [], [], []
        for number, (a, b) in enumerate(ends):
            for p, sign in ((a, 1.0), (b, -1.0)):
                if p:
                    rows.append(p - 1)
                    columns.append(number)
                    factors.append(sign)
        return csr_array((factors, (rows, columns)), shape=(self.size, max(len(ends), 1)))

    def siemens(self, slots: Array) -> Array:
        """Plain conductances, batteries out, (lines, B)."""
        g = self.layout.parameters(slots).siemens
        g[self.layout.source_line] = 0.0
        return g

    def alive(self, slots: Array) -> Array:
        """How much of each semiconductor rectifier is left to conduct, 0 to 1, (ports, B)."""
        out = np.empty((len(self.ports), slots.shape[1]))
        for k, port in enumerate(self.ports):
            first, second = slots[port.slots[2]], slots[port.slots[3]]
            out[k] = first if port.element.kind == "half-wave" else np.maximum(first, second)
        return np.clip(out, 0.0, 1.0)

    def laws(self, slots: Array, across: Array) -> tuple[Array, Array]:
        """Amps and slopes of the bent elements at volts ``across`` (elements, B)."""
        layout = self.layout
        n, m = len(layout.leak_a), len(layout.diode_a)
        amps, slopes = np.zeros_like(across), np.zeros_like(across)
        if n:
            siemens = slots[layout.leak_slot]
            per_siemens, slope = layout.leak_law(across[:n])
            amps[:n], slopes[:n] = per_siemens * siemens, slope * siemens
            if len(layout.polar):
                back, back_slope = layout.reverse_law(across[layout.polar])
                amps[layout.polar] += back
                slopes[layout.polar] += back_slope
        if m:
            amps[n : n + m], slopes[n : n + m] = layout.diode_law(across[n : n + m])
        if self.ports:
            alive = self.alive(slots)
            for k, port in enumerate(self.ports):
                volts = across[n + m + k]
                flow, slope = junction(
                    volts, self.saturation[k], self.thermal[k], self.own_ohms[k] + slots[port.slots[1]]
                )
                amps[n + m + k] = alive[k] * flow + self.reverse[k] * volts
                slopes[n + m + k] = alive[k] * slope + self.reverse[k]
        return amps, slopes

    def factors(self, siemens: Array, slopes: Array) -> Factors:
        values = self.line_sums @ siemens
        if slopes.shape[0]:
            values += self.bent_sums @ slopes
        values[self.held_at] += 1.0
        return self.elimination.factor(np.ascontiguousarray(values))


_layouts: WeakKeyDictionary[Circuit, _ColdLayout] = WeakKeyDictionary()


def _cold_layout(circuit: Circuit) -> _ColdLayout:
    found = _layouts.get(circuit)
    if found is None:
        found = _layouts[circuit] = _ColdLayout(circuit.layout)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Probed:
    """Volts with the ohmmeter across a pair, and the answer's slope: (1 + points, ..., B) and (..., B)."""

    volts: Array
    response: Array  # J^-1 u, ohms
    ohms: Array


def _probe_linear(
    cold: _ColdLayout, slots: Array, a: Index, b: Index, test: Array
) -> tuple[_Probed, NDArray[np.bool_]]:
    """Every pair at the slopes of zero volts, and which pairs that misjudges; arrays (1 + points, R, B)."""
    rows = slots.shape[1]
    siemens = cold.siemens(slots)
    nothing = np.zeros((len(cold.bent_a), rows))
    _, slopes = cold.laws(slots, nothing)
    factors = cold.factors(siemens, slopes)
    pairs = np.arange(len(a))
    unit = np.zeros((1 + cold.size, len(a), rows))
    unit[a, pairs] += 1.0
    unit[b, pairs] -= 1.0
    z = np.zeros_like(unit)
    z[1:] = factors.solve(unit[1:])
    ohms = np.maximum(z[a, pairs] - z[b, pairs], 0.0)
    amps = test[:, None] / (_PROBE_OHMS + ohms)
    volts = z * amps
    bent = np.zeros((len(a), rows), dtype=bool)
    if len(cold.bent_a):
        for r in range(len(a)):
            across = volts[cold.bent_a, r] - volts[cold.bent_b, r]
            flow, _ = cold.laws(slots, across)
            bent[r] = np.abs(flow - slopes * across).max(axis=0) > _BENT_SHARE * np.abs(amps[r])
    return _Probed(volts, z, ohms), bent


def _probe_bent(cold: _ColdLayout, slots: Array, a: Index, b: Index, test: Array, start: Array) -> _Probed:
    """Newton for rows that each have a pair of their own; arrays (1 + points, B) and (B,)."""
    rows = np.arange(slots.shape[1])
    siemens = cold.siemens(slots)
    volts = start.copy()
    unit = np.zeros_like(volts)
    unit[a, rows] += 1.0
    unit[b, rows] -= 1.0
    unit[0] = 0.0

    def balance(v: Array, flow: Array) -> Array:
        plain = (v[cold.line_a] - v[cold.line_b]) * siemens
        drawn = (test - (v[a, rows] - v[b, rows])) / _PROBE_OHMS
        out = cold.line_balance @ plain + cold.bent_balance @ flow
        out -= unit[1:] * drawn
        return np.asarray(out)

    flow, slopes = cold.laws(slots, volts[cold.bent_a] - volts[cold.bent_b])
    unbalanced = balance(volts, flow)
    z = np.zeros_like(volts)
    settled = np.zeros(len(rows), dtype=bool)
    for _ in range(_STEPS):
        factors = cold.factors(siemens, slopes)
        solved = factors.solve(np.stack([unit[1:], unbalanced], axis=1))
        z[1:], step = solved[:, 0], np.zeros_like(volts)
        step[1:] = -solved[:, 1]
        source = z[a, rows] - z[b, rows]
        # the probe's own conductance by Sherman and Morrison
        step -= z * ((step[a, rows] - step[b, rows]) / (_PROBE_OHMS + source))
        settled = np.abs(step).max(axis=0) <= _SETTLED_VOLTS
        if settled.all():
            break
        share = np.ones(len(rows))
        size = np.abs(unbalanced).max(axis=0)
        for halving in range(_HALVINGS):
            trial = volts + share * step
            flow, slopes_new = cold.laws(slots, trial[cold.bent_a] - trial[cold.bent_b])
            left = balance(trial, flow)
            worse = np.abs(left).max(axis=0) > size
            if not worse.any() or halving == _HALVINGS - 1:
                break
            share = np.where(worse, 0.5 * share, share)
        volts, slopes, unbalanced = trial, slopes_new, left
    across = volts[a, rows] - volts[b, rows]
    drawn = (test - across) / _PROBE_OHMS
    ohms = np.where(settled, across / np.where(drawn == 0.0, np.nan, drawn), np.nan)
    return _Probed(volts, z, np.maximum(ohms, 0.0))


def _slopes_of(cold: _ColdLayout, slots: Array, siemens: Array, volts: Array, z: Array, into: Array) -> None:
    """Volts at constant test amps by ln(slot): adds z . dF / d ln(slot) with its sign; arrays (1 + points, B)."""
    layout = cold.layout
    n = layout.n_lines
    across = volts[layout.line_a[:n]] - volts[layout.line_b[:n]]
    pull = z[layout.line_a[:n]] - z[layout.line_b[:n]]
    terms = across * pull * siemens[:n]
    terms[~layout.line_is_ohms] *= -1.0
    layout.line_slots.add(terms, into)
    leaks = len(layout.leak_a)
    if leaks:
        drop = volts[layout.leak_a] - volts[layout.leak_b]
        per_siemens, _ = layout.leak_law(drop)
        pull = z[layout.leak_a] - z[layout.leak_b]
        layout.leak_slots.add(-per_siemens * slots[layout.leak_slot] * pull, into)
    alive = cold.alive(slots)
    for k, port in enumerate(cold.ports):
        drop = volts[port.minus] - volts[port.plus]
        winding = slots[port.slots[1]]
        flow, slope = junction(drop, cold.saturation[k], cold.thermal[k], cold.own_ohms[k] + winding)
        # V = junction + i Rs: di/dRs = -i di/dV
        into[port.slots[1]] += (z[port.minus] - z[port.plus]) * alive[k] * winding * flow * slope


def _ends(circuit: Circuit, pairs: Sequence[tuple[str | int, str | int]]) -> tuple[Index, Index]:
    numbers = [[circuit.point(p) if isinstance(p, str) else int(p) for p in pair] for pair in pairs]
    array = np.array(numbers, dtype=np.intp).reshape(-1, 2)
    return array[:, 0], array[:, 1]


def _work(
    circuit: Circuit,
    stack: Array,
    pairs: Sequence[tuple[str | int, str | int]],
    test_volts: float | Sequence[float],
    *,
    slopes: bool,
) -> tuple[Array, Array]:
    stack = np.asarray(stack, dtype=np.float64)
    circuit.layout.check(stack)
    cold = _cold_layout(circuit)
    a, b = _ends(circuit, pairs)
    test = np.broadcast_to(np.asarray(test_volts, dtype=np.float64), a.shape)
    if not (np.isfinite(test) & (test > 0.0)).all():
        raise OutOfRange(
            Complaint(wrong=f"test volts of {test_volts}", right="give the ohmmeter's volts, above zero")
        )
    ohms = np.empty((len(stack), len(a)))
    by_slot = np.zeros((len(stack), len(a), len(circuit.slots)) if slopes else (0, 0, 0))
    slots = np.ascontiguousarray(stack.T)
    waiting: list[tuple[Index, Index, Array]] = []
    for first in range(0, len(stack), _BLOCK):
        rows = np.arange(first, min(first + _BLOCK, len(stack)))
        part = np.ascontiguousarray(slots[:, rows])
        probed, bent = _probe_linear(cold, part, a, b, test)
        ohms[rows] = probed.ohms.T
        if slopes:
            siemens = cold.siemens(part)
            for r in range(len(a)):
                into = np.zeros((len(circuit.slots), len(rows)))
                _slopes_of(cold, part, siemens, probed.volts[:, r], probed.response[:, r], into)
                across = test[r] * probed.ohms[r] / (_PROBE_OHMS + probed.ohms[r])
                by_slot[rows, r] = np.where(across > 0.0, into / np.where(across > 0.0, across, 1.0), 0.0).T
        if bent.any():
            which, column = np.nonzero(bent)
            waiting.append((rows[column], which, probed.volts[:, which, column]))
    if waiting:
        all_rows = np.concatenate([w[0] for w in waiting])
        all_pairs = np.concatenate([w[1] for w in waiting])
        starts = np.concatenate([w[2] for w in waiting], axis=1)
        for first in range(0, len(all_rows), _PAIRS):
            rows, pair = all_rows[first : first + _PAIRS], all_pairs[first : first + _PAIRS]
            part = np.ascontiguousarray(slots[:, rows])
            probed = _probe_bent(
                cold, part, a[pair], b[pair], test[pair], np.ascontiguousarray(starts[:, first : first + _PAIRS])
            )
            ohms[rows, pair] = probed.ohms
            if slopes:
                at = np.arange(len(rows))
                into = np.zeros((len(circuit.slots), len(rows)))
                _slopes_of(cold, part, cold.siemens(part), probed.volts, probed.response, into)
                across = probed.volts[a[pair], at] - probed.volts[b[pair], at]
                amps = (test[pair] - across) / _PROBE_OHMS
                source = probed.response[a[pair], at] - probed.response[b[pair], at]
                # ohms are volts over amps behind the probe's resistance
                with np.errstate(all="ignore"):
                    factor = test[pair] / (amps * across * (_PROBE_OHMS + source))
                by_slot[rows, pair] = np.nan_to_num(into * factor).T
    return ohms, by_slot


def cold_ohms(
    circuit: Circuit,
    stack: Array,
    pairs: Sequence[tuple[str | int, str | int]],
    test_volts: float | Sequence[float] = TEST_VOLTS,
) -> Array:
    """Resistance between points with the set off and valves cold.

    Parameters
    ----------
    circuit : Circuit
    stack : (B, n_slots)
    pairs : R pairs of points (names or numbers)
        The ohmmeter's plus is at the first.
    test_volts : float > 0 or R of them
        Volts of the ohmmeter with its probes apart.

    Returns
    -------
    (B, R)
        Ohms. With nothing but insulation between the points, the insulation of the network (some 1e10 ohms):
        open. NaN where no answer settled.

    Raises
    ------
    OutOfRange
        If a slot value cannot be used, or test volts are not above zero.
    InputFault
        If a point is unknown.
    """
    return _work(circuit, stack, pairs, test_volts, slopes=False)[0]


def cold_ohms_slopes(
    circuit: Circuit,
    stack: Array,
    pairs: Sequence[tuple[str | int, str | int]],
    test_volts: float | Sequence[float] = TEST_VOLTS,
) -> Array:
    """Slopes of the cold resistances, d ln(ohms) / d ln(slot), (B, R, n_slots); parameters as :func:`cold_ohms`.

    A slot at zero (a leak that is not there) has no logarithm and shows 0, as does a rectifier's emission.
    """
    return _work(circuit, stack, pairs, test_volts, slopes=True)[1]


def cold_ohms_with_slopes(
    circuit: Circuit,
    stack: Array,
    pairs: Sequence[tuple[str | int, str | int]],
    test_volts: float | Sequence[float] = TEST_VOLTS,
) -> tuple[Array, Array]:
    """:func:`cold_ohms` and :func:`cold_ohms_slopes` from one piece of work."""
    return _work(circuit, stack, pairs, test_volts, slopes=True)
