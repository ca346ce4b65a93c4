"""How readings change with every slot, and what a meter does to what it reads.

With the equations ``F(x, s) = 0`` (:mod:`hetwright.circuit.elements`) and a reading ``y = c . x`` the adjoint
``L`` of ``J^T L = c`` gives the slope by *every* slot at once, ``dy/ds = -L . dF/ds``: one transposed solve a
reading, whatever the number of slots (S. W. Director and R. A. Rohrer, "The generalized adjoint network and
network sensitivities", IEEE Trans. Circuit Theory 16 (1969) 318-323).

A meter of conductance ``g`` between two points adds ``g u u^T`` to ``J``. With ``z = J^-1 u`` and the source
resistance ``R = u . z`` the linearised change is ``-g V z / (1 + g R)`` (J. Sherman and W. J. Morrison, 1950).
Where the valves bend within that change, Newton steps with the meter in place follow, until what is left out is
below :data:`READING_TOLERANCE` of the reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import Complaint, InputFault, OutOfRange
from .elements import Evaluation, Layout, Parameters, near
from .elimination import Factors
from .network import Conductance
from .solver import Circuit, WorkingPoints

__all__ = [
    "READING_TOLERANCE",
    "Branch",
    "branch_amps",
    "branch_amps_slopes",
    "find_branch",
    "read_through_meter",
    "readings_with_slopes",
    "source_ohms",
    "volts_slopes",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: What may be left out of a reading through a meter, as a fraction of it; and in volts, for readings near zero.
READING_TOLERANCE = 3e-4
READING_FLOOR_VOLTS = 1e-4

# Over so many volts a valve's current is taken to bend; deliberately short, they only decide what is worked again:
_GRID_BEND_VOLTS = 0.1
_ANODE_BEND_VOLTS = 10.0
_ANODE_BEND_SHARE = 0.3
_METER_STEPS = 8
_BLOCK = 96  # rows worked together: with ten readings each, the arrays stay in the cache
WIDE_BLOCK = 512  # the same where only a few numbers of a row are wanted
_PAIRS = 768


@dataclass(frozen=True, slots=True, eq=False)
class Linear:
    """The equations linearised at the working points of a block of rows."""

    rows: Index
    p: Parameters
    x: Array
    evaluation: Evaluation
    factors: Factors


def _linearise(layout: Layout, slots: Array, x: Array, rows: Index) -> Linear:
    p = layout.parameters(np.ascontiguousarray(slots[:, rows]))
    evaluation = layout.evaluate(p, x)
    factors = layout.elimination.factor(layout.coefficients(p, evaluation.slopes))
    return Linear(rows, p, x, evaluation, factors)


def blocks(circuit: Circuit, points: WorkingPoints, stack: Array, size: int = _BLOCK) -> Iterator[Linear]:
    """The certified rows, block by block.

    Wide blocks of the working points asked last are kept: signs of one stack are read at several frequencies.
    """
    if stack.shape != (len(points), len(circuit.slots)):
        raise OutOfRange(
            Complaint(
                wrong=f"the stack has the shape {stack.shape}",
                right=f"give the stack that was solved, ({len(points)}, {len(circuit.slots)})",
            )
        )
    if size == WIDE_BLOCK and circuit.kept_linear is not None and circuit.kept_linear[0] is points:
        yield from circuit.kept_linear[1]
        return
    slots = np.ascontiguousarray(np.asarray(stack, dtype=np.float64).T)
    unknowns = points.unknowns()
    good = np.flatnonzero(points.certified)
    made: list[Linear] = []
    for first in range(0, len(good), size):
        rows = good[first : first + size]
        linear = _linearise(circuit.layout, slots, np.ascontiguousarray(unknowns[:, rows]), rows)
        if size == WIDE_BLOCK:
            made.append(linear)
        yield linear
    if size == WIDE_BLOCK:
        circuit.kept_linear = (points, made)


def _point_numbers(circuit: Circuit, points: Sequence[str | int] | NDArray[np.integer]) -> Index:
    numbers = [circuit.point(p) if isinstance(p, str) else int(p) for p in points]
    for number in numbers:
        if not 0 <= number < len(circuit.points):
            raise InputFault(
                Complaint(wrong=f"there is no point number {number}", right=f"there are {len(circuit.points)}")
            )
    return np.array(numbers, dtype=np.intp)


def _pairs(
    circuit: Circuit,
    points: Sequence[str | int] | NDArray[np.integer],
    tos: Sequence[str | int] | NDArray[np.integer],
) -> tuple[Index, Index]:
    a, b = _point_numbers(circuit, points), _point_numbers(circuit, tos)
    if len(a) != len(b):
        raise InputFault(
            Complaint(wrong=f"{len(a)} points are read to {len(b)}", right="give as many second points as first")
        )
    return a, b


def _unit(layout: Layout, a: Index, b: Index, rows: int) -> Array:
    """Right-hand sides +1 at a, -1 at b, (unknowns, R, rows)."""
    right = np.zeros((1 + layout.n_unknowns, len(a), rows))
    readings = np.arange(len(a))
    right[a, readings] += 1.0
    right[b, readings] -= 1.0
    return right[1:]


def _with_datum(solution: Array) -> Array:
    """Put the datum's zero before the unknowns."""
    out = np.zeros((solution.shape[0] + 1, *solution.shape[1:]))
    out[1:] = solution
    return out


# ---------------------------------------------------------------------------------------------------
# slopes by slot


def _slopes_of(layout: Layout, linear: Linear, adjoint: Array, x: Array | None = None) -> Array:
    """-L . dF/ds for every slot, (n_slots, R, B).

    ``adjoint`` is (1 + unknowns, R, B) with the datum's zero first. ``x`` (1 + unknowns, R, B) gives each
    reading its own volts for the plain elements; by default they are those of the row.
    """
    p = linear.p
    out = np.zeros((len(layout.slots), adjoint.shape[1], adjoint.shape[2]))
    n = layout.n_lines
    volts = linear.x[:, None, :] if x is None else x

    def across(a: Index, b: Index) -> Array:
        return np.asarray(volts[a] - volts[b])

    if n:
        a, b = layout.line_a[:n], layout.line_b[:n]
        drop = across(a, b)
        if len(layout.source_line):
            drop[layout.source_line] -= p.source_volts[:, None, :]
        weight = np.ones((n, p.slots.shape[1]))
        ohms = layout.line_is_ohms
        weight[ohms] = -p.siemens[:n][ohms] / p.slots[layout.line_slot[ohms]]
        terms = adjoint[a]
        terms -= adjoint[b]
        terms *= drop
        terms *= -weight[:, None, :]
        layout.line_slots.add(terms, out)
        if len(layout.source_line):
            at = layout.source_line
            out[layout.source_slot] = (adjoint[a[at]] - adjoint[b[at]]) * p.siemens[at][:, None, :]
    if len(layout.leak_a):
        drop = across(layout.leak_a, layout.leak_b)
        shape = drop.shape
        per_siemens = layout.leak_law(drop.reshape(shape[0], -1))[0].reshape(shape)
        terms = adjoint[layout.leak_b] - adjoint[layout.leak_a]
        terms *= per_siemens
        layout.leak_slots.add(terms, out)
    for group, currents in zip(layout.valve_groups, linear.evaluation.valves, strict=True):
        by_state = currents.by_state.transpose(1, 2, 3, 0)  # (S, E, 4, B)
        sections, electrodes = group.size
        for s in range(sections):
            for e in range(electrodes):
                pull = adjoint[group.reference[s, e]] - adjoint[group.electrodes[s, e]]
                out[group.slots[s]] += pull[None] * by_state[s, e][:, None, :]
    for port, given in zip(layout.supplies, linear.evaluation.supplies, strict=True):
        for m, slot in enumerate(port.slots):
            out[slot] += adjoint[port.amps_at] * given.by_parameters[m]
    return out


def _into(result: Array, rows: Index, slopes: Array) -> None:
    result[rows] = slopes.transpose(2, 1, 0)


def volts_slopes(
    circuit: Circuit,
    working_points: WorkingPoints,
    stack: Array,
    points: Sequence[str | int] | NDArray[np.integer],
    tos: Sequence[str | int] | NDArray[np.integer],
) -> Array:
    """Slope of volts between points by every slot.

    Parameters
    ----------
    circuit : Circuit
    working_points : WorkingPoints
        What ``circuit.solve(stack)`` returned.
    stack : (B, n_slots)
    points, tos : R names or numbers of points
        The reading is volts at ``points[r]`` less volts at ``tos[r]``.

    Returns
    -------
    (B, R, n_slots)
        d volts / d slot, in SI units of the slot; NaN in a refused row.

    Raises
    ------
    InputFault
        If a point is unknown or the lengths differ.
    """
    a, b = _pairs(circuit, points, tos)
    result = np.full((len(working_points), len(a), len(circuit.slots)), np.nan)
    for linear in blocks(circuit, working_points, stack):
        adjoint = _with_datum(linear.factors.solve_transposed(_unit(circuit.layout, a, b, len(linear.rows))))
        _into(result, linear.rows, _slopes_of(circuit.layout, linear, adjoint))
    return result


def source_ohms(
    circuit: Circuit,
    working_points: WorkingPoints,
    stack: Array,
    points: Sequence[str | int] | NDArray[np.integer],
    tos: Sequence[str | int] | NDArray[np.integer],
) -> Array:
    """Incremental resistance seen between points with the set working (Thevenin), (B, R) ohms; NaN where refused."""
    a, b = _pairs(circuit, points, tos)
    result = np.full((len(working_points), len(a)), np.nan)
    readings = np.arange(len(a))
    for linear in blocks(circuit, working_points, stack):
        z = _with_datum(linear.factors.solve(_unit(circuit.layout, a, b, len(linear.rows))))
        result[linear.rows] = (z[a, readings] - z[b, readings]).T
    return result


# ---------------------------------------------------------------------------------------------------
# currents


@dataclass(frozen=True, slots=True)
class Branch:
    """Where a current flows: a line (resistor, winding, battery), a leak, a valve electrode or cathode, a supply."""

    kind: str
    at: int
    electrode: int = -1


def find_branch(circuit: Circuit, part: str, what: str | None = None) -> Branch:
    """Find the current of a part.

    Parameters
    ----------
    part : str
        A resistor, winding, battery, capacitor (its leakage), supply, or valve section (``V3.pentode``).
    what : str, optional
        Of a valve section an electrode, or "cathode" (current out of the cathode's lead). Of another part the
        slot word, where it has several.

    Raises
    ------
    InputFault
        If nothing of that name carries a current.
    """
    layout = circuit.layout
    for number, group in enumerate(layout.valve_groups):
        if part in group.parts:
            section = group.parts.index(part)
            names = layout.law.SHAPES[group.shape]
            if what == "cathode":
                return Branch(f"cathode {number}", section)
            if what in names:
                return Branch(f"valve {number}", section, names.index(what))
            wrong = f"{part} has no {what!r}" if what else f"{part} carries several currents"
            raise InputFault(Complaint(wrong=wrong, right=f"name one of {', '.join(names)}, cathode"))
    for number, port in enumerate(layout.supplies):
        if port.element.part == part:
            return Branch("supply", number)
    words = (what,) if what else ("ohms", "siemens", "touching_siemens", "leak_siemens", "total_ohms")
    for word in words:
        slot = layout.slot_index.get((part, word))
        if slot is None:
            continue
        lines = np.flatnonzero(layout.line_slot == slot)
        if len(lines):
            return Branch("line", int(lines[0]))
        leaks = np.flatnonzero(layout.leak_slot == slot)
        if len(leaks):
            return Branch("leak", int(leaks[0]))
    own = [w for p, w in layout.slot_index if p == part]
    if own:
        raise InputFault(
            Complaint(wrong=f"no current is known of {part} {what or ''}".rstrip(), right=f"it has {', '.join(own)}")
        )
    names_known = sorted({p for p, _ in layout.slot_index})
    raise InputFault(
        Complaint(wrong=f"there is no part {part!r}", right=f"parts are {near(part, names_known, 'none')}")
    )


def _amps_of(layout: Layout, linear: Linear, branch: Branch) -> Array:
    p, x = linear.p, linear.x
    kind, _, number = branch.kind.partition(" ")
    if kind == "line":
        return np.asarray(layout.line_volts(x, p)[branch.at] * p.siemens[branch.at])
    if kind == "leak":
        across = x[layout.leak_a] - x[layout.leak_b]
        amps = layout.leak_law(across)[0] * p.slots[layout.leak_slot]
        if len(layout.polar):
            amps[layout.polar] += layout.reverse_law(across[layout.polar])[0]
        return np.asarray(amps[branch.at])
    if kind == "supply":
        return np.asarray(x[layout.supplies[branch.at].amps_at])
    currents = linear.evaluation.valves[int(number)]
    if kind == "valve":
        return np.asarray(currents.amps[:, branch.at, branch.electrode])
    real = _real_electrodes(layout, int(number))
    return np.asarray(currents.amps[:, branch.at, real].sum(axis=1))


def _real_electrodes(layout: Layout, group: int) -> Index:
    names = layout.law.SHAPES[layout.valve_groups[group].shape]
    return np.array([n for n, name in enumerate(names) if name != "amplitude"], dtype=np.intp)


def branch_amps(circuit: Circuit, working_points: WorkingPoints, stack: Array, branches: Sequence[Branch]) -> Array:
    """Currents of branches, (B, R) amps, from ``a`` to ``b`` of the part as described; NaN where refused."""
    result = np.full((len(working_points), len(branches)), np.nan)
    for linear in blocks(circuit, working_points, stack, WIDE_BLOCK):
        for r, branch in enumerate(branches):
            result[linear.rows, r] = _amps_of(circuit.layout, linear, branch)
    return result


def branch_amps_slopes(
    circuit: Circuit, working_points: WorkingPoints, stack: Array, branches: Sequence[Branch]
) -> Array:
    """Slope of branch currents by every slot, (B, R, n_slots) amps per SI unit of the slot; NaN where refused."""
    layout = circuit.layout
    result = np.full((len(working_points), len(branches), len(circuit.slots)), np.nan)
    for linear in blocks(circuit, working_points, stack):
        rows = len(linear.rows)
        right = np.zeros((1 + layout.n_unknowns, len(branches), rows))
        direct = np.zeros((len(circuit.slots), len(branches), rows))
        for r, branch in enumerate(branches):
            _branch_terms(layout, linear, branch, right[:, r], direct[:, r])
        adjoint = _with_datum(linear.factors.solve_transposed(right[1:]))
        _into(result, linear.rows, _slopes_of(layout, linear, adjoint) + direct)
    return result


def _branch_terms(layout: Layout, linear: Linear, branch: Branch, by_x: Array, by_slot: Array) -> None:
    """Fill in d amps / d unknowns and the direct d amps / d slots of one branch."""
    p, x, at = linear.p, linear.x, branch.at
    kind, _, number = branch.kind.partition(" ")
    if kind == "line":
        by_x[layout.line_a[at]] += p.siemens[at]
        by_x[layout.line_b[at]] -= p.siemens[at]
        volts = layout.line_volts(x, p)[at]
        slot = layout.line_slot[at]
        by_slot[slot] = -p.siemens[at] * volts / p.slots[slot] if layout.line_is_ohms[at] else volts
        for source, line in enumerate(layout.source_line):
            if line == at:
                by_slot[layout.source_slot[source]] = -p.siemens[at]
    elif kind == "leak":
        a, b = layout.leak_a[at], layout.leak_b[at]
        slope = linear.evaluation.slopes[at]
        by_x[a] += slope
        by_x[b] -= slope
        every = x[layout.leak_a] - x[layout.leak_b]
        by_slot[layout.leak_slot[at]] = layout.leak_law(every)[0][at]
    elif kind == "supply":
        by_x[layout.supplies[at].amps_at] = 1.0
    else:
        group = layout.valve_groups[int(number)]
        currents = linear.evaluation.valves[int(number)]
        wanted = [branch.electrode] if kind == "valve" else list(_real_electrodes(layout, int(number)))
        for e in wanted:
            for f in range(group.size[1]):
                by_x[group.electrodes[at, f]] += currents.slopes[:, at, e, f]
                by_x[group.reference[at, f]] -= currents.slopes[:, at, e, f]
            for m in range(4):
                by_slot[group.slots[at, m]] += currents.by_state[:, at, e, m]
    by_x[0] = 0.0


# ---------------------------------------------------------------------------------------------------
# meters


def read_through_meter(
    circuit: Circuit,
    working_points: WorkingPoints,
    stack: Array,
    points: Sequence[str | int] | NDArray[np.integer],
    tos: Sequence[str | int] | NDArray[np.integer],
    meter_ohms: ArrayLike,
) -> Array:
    """Volts as each meter shows them, one meter connected at a time.

    Parameters
    ----------
    circuit : Circuit
    working_points : WorkingPoints
        What ``circuit.solve(stack)`` returned (no meter connected).
    stack : (B, n_slots)
    points, tos : R names or numbers of points
    meter_ohms : float > 0 or (R,)
        Resistance of the meter on its range; ``inf`` takes nothing.

    Returns
    -------
    (B, R)
        Volts at ``points[r]`` less volts at ``tos[r]``, within 0.1 % of a full solution with the meter in the
        network; NaN where refused.

    Raises
    ------
    InputFault
        If a point is unknown, the lengths differ, or a meter's resistance is not above zero.
    """
    return _read(circuit, working_points, stack, points, tos, meter_ohms, slopes=False)[0]


def readings_with_slopes(
    circuit: Circuit,
    working_points: WorkingPoints,
    stack: Array,
    points: Sequence[str | int] | NDArray[np.integer],
    tos: Sequence[str | int] | NDArray[np.integer],
    meter_ohms: ArrayLike,
) -> tuple[Array, Array]:
    """Volts through meters, (B, R), and their slopes by every slot, (B, R, n_slots); see :func:`read_through_meter`.

    The slopes are those of the loaded circuit. Where a reading needed no Newton steps, the valves' own part of
    them is taken at the unloaded point.
    """
    return _read(circuit, working_points, stack, points, tos, meter_ohms, slopes=True)


def _read(
    circuit: Circuit,
    working_points: WorkingPoints,
    stack: Array,
    points: Sequence[str | int] | NDArray[np.integer],
    tos: Sequence[str | int] | NDArray[np.integer],
    meter_ohms: ArrayLike,
    *,
    slopes: bool,
) -> tuple[Array, Array]:
    layout = circuit.layout
    a, b = _pairs(circuit, points, tos)
    ohms = np.broadcast_to(np.asarray(meter_ohms, dtype=np.float64), a.shape)
    if not (ohms > 0.0).all():
        raise OutOfRange(
            Complaint(
                wrong=f"a meter of {ohms[~(ohms > 0.0)][0]:g} ohms", right="give its resistance in ohms, above zero"
            )
        )
    siemens = (1.0 / ohms)[:, None]
    readings = np.arange(len(a))
    volts = np.full((len(working_points), len(a)), np.nan)
    by_slot = np.full((len(working_points), len(a), len(circuit.slots)) if slopes else (0, 0, 0), np.nan)
    again: list[_Pairs] = []
    for linear in blocks(circuit, working_points, stack, _BLOCK if slopes else WIDE_BLOCK):
        unit = _unit(layout, a, b, len(linear.rows))
        z = _with_datum(linear.factors.solve(unit))
        source = z[a, readings] - z[b, readings]
        unloaded = linear.x[a] - linear.x[b]
        share = siemens / (1.0 + siemens * source)
        move = z
        move *= -(share * unloaded)
        loaded = unloaded + move[a, readings] - move[b, readings]
        volts[linear.rows] = loaded.T
        left_out = np.abs(loaded - unloaded) * _bend(layout, linear.x[:, None, :], move)
        more = left_out > READING_TOLERANCE * np.abs(loaded) + READING_FLOOR_VOLTS
        x_loaded = move
        x_loaded += linear.x[:, None, :]
        if more.any():
            which, column = np.nonzero(more)
            again.append(_Pairs(linear.rows[column], which, x_loaded[:, which, column]))
        if slopes:
            adjoint = _with_datum(linear.factors.solve_transposed(unit))
            # (J + g u u^T)^-T u = J^-T u / (1 + g R)
            adjoint *= 1.0 / (1.0 + siemens * source)
            _into(by_slot, linear.rows, _slopes_of(layout, linear, adjoint, x_loaded))
    if again:
        _work_again(circuit, working_points, stack, (a, b, siemens[:, 0]), again, volts, by_slot if slopes else None)
    return volts, by_slot


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """Readings to be worked with their meter in place: row, reading, and where to begin (1 + unknowns, pairs)."""

    rows: Index
    readings: Index
    x: Array


def _bend(layout: Layout, x: Array, move: Array) -> Array:
    """How much of a change the valves' curvature may spoil: 0 where they are straight over it, at most 1."""
    worst = np.zeros(move.shape[1:])
    for group in layout.valve_groups:
        names = layout.law.SHAPES[group.shape]
        for e, name in enumerate(names):
            at, ref = group.electrodes[:, e], group.reference[:, e]
            change = np.abs(move[at] - move[ref])
            if name in ("anode", "screen", "target", "oscillator_anode") and len(names) > 1:
                scale = _ANODE_BEND_SHARE * np.abs(x[at] - x[ref]) + _ANODE_BEND_VOLTS
                change /= scale
            else:
                change /= _GRID_BEND_VOLTS
            np.maximum(worst, change.max(axis=0), out=worst)
    if len(layout.diode_a):
        change = np.abs(move[layout.diode_a] - move[layout.diode_b]) / _GRID_BEND_VOLTS
        np.maximum(worst, change.max(axis=0), out=worst)
    return np.minimum(worst, 1.0)


def _work_again(
    circuit: Circuit,
    working_points: WorkingPoints,
    stack: Array,
    meters: tuple[Index, Index, Array],
    again: list[_Pairs],
    volts: Array,
    by_slot: Array | None,
) -> None:
    """Newton with the meter in place, for the readings whose valves bend."""
    rows = np.concatenate([pairs.rows for pairs in again])
    readings = np.concatenate([pairs.readings for pairs in again])
    x_all = np.concatenate([pairs.x for pairs in again], axis=1)
    slots = np.ascontiguousarray(np.asarray(stack, dtype=np.float64).T)
    block = _PAIRS if by_slot is None else _PAIRS // 2
    left: list[tuple[Index, Index]] = []
    for first in range(0, len(rows), block):
        left.append(
            _work_block(
                circuit.layout,
                slots,
                (rows[first : first + block], readings[first : first + block]),
                np.ascontiguousarray(x_all[:, first : first + block]),
                meters,
                volts,
                by_slot,
            )
        )
    rows = np.concatenate([pair[0] for pair in left])
    readings = np.concatenate([pair[1] for pair in left])
    for reading in np.unique(readings):
        _solve_with_meter(
            circuit, working_points, stack, meters, int(reading), rows[readings == reading], volts, by_slot
        )


_metered: WeakKeyDictionary[Circuit, dict[tuple[int, int], Circuit]] = WeakKeyDictionary()


def _solve_with_meter(
    circuit: Circuit,
    working_points: WorkingPoints,
    stack: Array,
    meters: tuple[Index, Index, Array],
    reading: int,
    rows: Index,
    volts: Array,
    by_slot: Array | None,
) -> None:
    """Solve rows afresh with the meter as an element of the network: for a meter that upsets the circuit."""
    a, b, g = int(meters[0][reading]), int(meters[1][reading]), float(meters[2][reading])
    known = _metered.setdefault(circuit, {})
    if (a, b) not in known:
        meter = Conductance(part=" meter", a=circuit.points[a], b=circuit.points[b], what="siemens")
        known[a, b] = Circuit(
            replace(circuit.network, elements=(*circuit.network.elements, meter)), circuit.layout.law
        )
        known[a, b].adopt_healthy(circuit)
    metered = known[a, b]
    full = np.concatenate([np.asarray(stack)[rows], np.full((len(rows), 1), g)], axis=1)
    found = metered.solve(full, working_points.volts[rows])
    volts[rows, reading] = found.volts[:, a] - found.volts[:, b]
    if by_slot is not None:
        by_slot[rows, reading] = volts_slopes(metered, found, full, [a], [b])[:, 0, :-1]


def _work_block(
    layout: Layout,
    slots: Array,
    pairs: tuple[Index, Index],
    x: Array,
    meters: tuple[Index, Index, Array],
    volts: Array,
    by_slot: Array | None,
) -> tuple[Index, Index]:
    """Work a block of pairs; returns those that did not settle."""
    rows, readings = pairs
    for _ in range(_METER_STEPS):
        a, b = meters[0][readings], meters[1][readings]
        siemens = meters[2][readings]
        pair = np.arange(len(rows))
        linear = _linearise(layout, slots, x, rows)
        shown = x[a, pair] - x[b, pair]
        unit = np.zeros_like(x)
        unit[a, pair] += 1.0
        unit[b, pair] -= 1.0
        unit[0] = 0.0
        both = np.stack([unit[1:], linear.evaluation.unbalanced + unit[1:] * (siemens * shown)], axis=1)
        solved = _with_datum(linear.factors.solve(both))
        z, step = solved[:, 0], -solved[:, 1]
        source = z[a, pair] - z[b, pair]
        # (J + g u u^T)^-1 by Sherman and Morrison
        step -= z * (siemens * (step[a, pair] - step[b, pair]) / (1.0 + siemens * source))
        new = x + step
        now = new[a, pair] - new[b, pair]
        left_out = np.abs(now - shown) * _bend(layout, x[:, None, :], step[:, None, :])[0]
        volts[rows, readings] = now
        done = ~(left_out > READING_TOLERANCE * np.abs(now) + READING_FLOOR_VOLTS)
        if by_slot is not None and done.any():
            adjoint = linear.factors.solve_transposed(unit[1:]) / (1.0 + siemens * source)
            found = _slopes_of(layout, linear, _with_datum(adjoint)[:, None, :], new[:, None, :])
            by_slot[rows[done], readings[done]] = found[:, 0, done].T
        if done.all():
            return rows[:0], readings[:0]
        left = np.flatnonzero(~done)
        rows, readings, x = rows[left], readings[left], np.ascontiguousarray(new[:, left])
    return rows, readings
