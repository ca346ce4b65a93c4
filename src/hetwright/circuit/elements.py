"""The equations of a set, laid out for a stack of variants.

:class:`Layout` reads a :class:`~hetwright.circuit.network.Network` once: it numbers the points and the slots,
and turns every element into *branches* (a current from one point to another). At each point the currents that
leave sum to zero; a supply adds one unknown, its amps, and one equation, that its volts are those between its
terminals.

Inside the solver a stack lies with its rows last, arrays of shape (quantity, B): every operation then runs along
contiguous rows. Point 0 is the datum. The vector of unknowns ``x`` has the shape (1 + unknowns, B): datum (zero),
points, supply amps.

Element laws that are not plain conductances:

- leakage, ``I = G V (1 + (|V|/V0)**n)`` (insulation resistance of paper and electrolytics falls as volts rise);
- a reversed electrolytic, ``-g w (softplus(-(V + V1)/w) - softplus(-V1/w))``, smooth at its onset ``V1``;
- a junction diode with its series resistance, ``I = (n Vt / Rs) omega(ln(Is Rs / n Vt) + (V + Is Rs) / n Vt) -
  Is + V Gr``, with the Wright function ``omega(z) + ln omega(z) = z``: the exact solution of Shockley's law
  behind a resistance (T. C. Banwell and A. Jayakumar, Electronics Letters 36 (2000) 291-292), which never
  overflows;
- valves, :mod:`hetwright.valves.law`; the supply, :mod:`hetwright.supply.port`.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, cast

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.special import wrightomega

from ..errors import Complaint, InputFault, OutOfRange
from ..supply.port import PARAMETERS, PortVolts, port_volts
from ..trade_data import load_trade
from ..valves import law as book_law
from ..valves.law import Currents, ValveState
from .elimination import Elimination
from .network import (
    Battery,
    Capacitance,
    Conductance,
    Inductance,
    JunctionDiode,
    Network,
    Resistance,
    Slot,
    Supply,
    ValveSection,
)

__all__ = ["Estimate", "Evaluation", "Law", "Layout", "Parameters"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

STATE_WORDS = ("emission", "mu", "contact_volts", "gas")
AMPLITUDE = "amplitude"
COLLECTORS = frozenset({"anode", "screen", "target", "oscillator_anode"})
# a path of less is taken as this: below it, volts rounded off in the last place would be nanoamps
LEAST_OHMS = 1e-3
ROOM_THERMAL_VOLTS = 0.025693  # kT/q at 25 °C, exact constants


class SlotSums:
    """Adds terms of elements to the slots they belong to; nearly every slot has one element."""

    def __init__(self, slots: Index) -> None:
        _, first = np.unique(slots, return_index=True)
        self.slots = slots
        self.first = np.sort(first)
        self.first_slots = slots[self.first]
        self.more = np.setdiff1d(np.arange(len(slots)), self.first)

    def add(self, terms: Array, out: Array) -> None:
        """Add ``terms`` (elements, ...) into ``out`` (n_slots, ...)."""
        if len(self.more):
            out[self.first_slots] += terms[self.first]
            for at in self.more:
                out[self.slots[at]] += terms[at]
        else:
            out[self.slots] += terms


class Law(Protocol):
    """What the circuit needs of a valve law; :mod:`hetwright.valves.law` is one."""

    SHAPES: Mapping[str, tuple[str, ...]]

    def currents(self, shape: str, constants: Mapping[str, Array], volts: Array, state: ValveState) -> Currents: ...


@dataclass(frozen=True, slots=True, eq=False)
class ValveGroup:
    """All sections of one shape, worked by one call of the law.

    ``electrodes`` (S, E) and ``cathodes`` (S,) are points, ``reference`` (S, E) the point an electrode's volts are
    counted from; ``slots`` (S, 4); ``currents_at``/``slopes_at``: where its currents and slopes start among all.
    """

    shape: str
    parts: tuple[str, ...]
    constants: dict[str, Array]
    electrodes: Index
    cathodes: Index
    reference: Index
    slots: Index
    currents_at: int
    slopes_at: int

    @property
    def size(self) -> tuple[int, int]:
        """Sections and electrodes."""
        return self.electrodes.shape[0], self.electrodes.shape[1]


@dataclass(frozen=True, slots=True, eq=False)
class SupplyPort:
    """A supply with the points it joins, the place of its amps among the unknowns, and its slots."""

    element: Supply
    plus: int
    minus: int
    amps_at: int
    slots: Index


@dataclass(frozen=True, slots=True, eq=False)
class Parameters:
    """Slot values of a stack turned into what the equations use; every array (..., B)."""

    slots: Array
    siemens: Array
    source_volts: Array
    coefficients: Array

    def take(self, chosen: Index) -> Parameters:
        """The same for some rows only."""
        return Parameters(
            np.ascontiguousarray(self.slots[:, chosen]),
            np.ascontiguousarray(self.siemens[:, chosen]),
            np.ascontiguousarray(self.source_volts[:, chosen]),
            np.ascontiguousarray(self.coefficients[:, chosen]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """The equations at one vector of unknowns.

    ``unbalanced`` (unknowns, B): sum of amps leaving each point; volts of each supply's own equation.
    ``slopes`` (non-linear slopes, B). ``valves`` and ``supplies``: what the laws returned, for sensitivities.
    """

    unbalanced: Array
    slopes: Array
    valves: tuple[Currents, ...]
    supplies: tuple[PortVolts, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """Currents of one group known without the law: amps (S, E, B), slopes (S, E, E) alike for every row."""

    amps: Array
    slopes: Array


class _Sums:
    """Collects (row, column, factor) and becomes a sparse matrix that sums branch quantities."""

    def __init__(self) -> None:
        self.rows: list[int] = []
        self.columns: list[int] = []
        self.factors: list[float] = []

    def add(self, row: int, column: int, factor: float) -> None:
        self.rows.append(row)
        self.columns.append(column)
        self.factors.append(factor)

    def matrix(self, height: int, width: int) -> Any:
        return csr_array((self.factors, (self.rows, self.columns)), shape=(height, width))


class Layout:
    """Points, slots and branches of one network.

    Parameters
    ----------
    network : Network
    law : Law, optional
        Another valve law than the book's (same shapes and state).

    Raises
    ------
    InputFault
        If the network is empty, an element joins a point to itself where that cannot be meant, a valve shape or
        electrode is unknown, or one slot is given two nominal values.
    """

    def __init__(self, network: Network, law: Law | None = None) -> None:
        self.network = network
        self.law: Law = cast(Law, book_law) if law is None else law
        if not network.elements:
            raise InputFault(Complaint(wrong="the network has no elements", right="join at least one part"))
        if not (network.insulation_ohms > 0 and np.isfinite(network.insulation_ohms)):
            raise OutOfRange(
                Complaint(
                    wrong=f"insulation_ohms is {network.insulation_ohms}",
                    right="give a finite resistance above zero, such as 1e10",
                )
            )
        self.points: list[str] = [network.datum]
        self.point_index: dict[str, int] = {network.datum: 0}
        self.slots: list[Slot] = []
        self.slot_index: dict[tuple[str, str], int] = {}
        self._kinds: list[str] = []
        self.amplitudes: set[int] = set()
        self._driven: set[int] = set()
        self._number()
        self._lay()

    # ---- numbering

    def _point(self, name: str) -> int:
        at = self.point_index.get(name)
        if at is None:
            at = self.point_index[name] = len(self.points)
            self.points.append(name)
        return at

    def _slot(self, part: str, what: str, nominal: float, kind: str) -> int:
        key = (part, what)
        at = self.slot_index.get(key)
        if at is None:
            at = self.slot_index[key] = len(self.slots)
            self.slots.append(Slot(part, what, float(nominal)))
            self._kinds.append(kind)
        elif self.slots[at].nominal != nominal:
            raise InputFault(
                Complaint(
                    wrong=f"{part} {what} is given as {self.slots[at].nominal:g} and as {nominal:g}",
                    right="give one nominal value to elements that share a slot",
                )
            )
        return at

    def _number(self) -> None:
        self._lines: list[tuple[int, int, int, float, str]] = []  # a, b, slot, scale, ohms or siemens
        self._sources: list[tuple[int, int]] = []  # line, slot of volts
        self._leaks: list[tuple[int, int, int, Capacitance]] = []
        self._diodes: list[tuple[int, int, str]] = []
        self._supplies: list[tuple[Supply, int, int, list[int]]] = []
        sections: dict[str, list[tuple[ValveSection, list[int], int, list[int]]]] = {}
        self.farad_branches: list[tuple[int, int, int]] = []
        self.henry_branches: list[tuple[int, int, int, int]] = []
        for element in self.network.elements:
            match element:
                case Resistance(part=part, a=a, b=b, ohms=ohms, what=what, scale=scale):
                    slot = self._slot(part, what, ohms, "ohms")
                    self._lines.append((self._point(a), self._point(b), slot, scale, "ohms"))
                case Conductance(part=part, a=a, b=b, what=what, siemens=siemens):
                    slot = self._slot(part, what, siemens, "siemens")
                    self._lines.append((self._point(a), self._point(b), slot, 1.0, "siemens"))
                case Inductance(part=part, a=a, b=b, ohms=ohms, henries=henries):
                    slot = self._slot(part, "ohms", ohms, "ohms")
                    coil = self._slot(part, "henries", henries, "positive")
                    self.henry_branches.append((len(self._lines), self._point(a), self._point(b), coil))
                    self._lines.append((self._point(a), self._point(b), slot, 1.0, "ohms"))
                case Capacitance(part=part, a=a, b=b, farads=farads, leak_siemens=leak):
                    plate = self._slot(part, "farads", farads, "not negative")
                    slot = self._slot(part, "leak_siemens", leak, "siemens")
                    self.farad_branches.append((self._point(a), self._point(b), plate))
                    self._leaks.append((self._point(a), self._point(b), slot, element))
                case JunctionDiode(anode=anode, cathode=cathode, kind=kind):
                    self._diodes.append((self._point(anode), self._point(cathode), kind))
                case Battery(part=part, plus=plus, minus=minus, volts=volts, ohms=ohms):
                    volts_slot = self._slot(part, "volts", volts, "finite")
                    slot = self._slot(part, "ohms", ohms, "ohms")
                    self._sources.append((len(self._lines), volts_slot))
                    self._lines.append((self._point(plus), self._point(minus), slot, 1.0, "ohms"))
                case Supply(plus=plus, minus=minus):
                    self._supplies.append(
                        (element, self._point(plus), self._point(minus), self._supply_slots(element))
                    )
                case ValveSection(part=part, shape=shape):
                    electrodes = self._electrodes(element)
                    slots = [
                        self._slot(part, word, nominal, kind)
                        for word, nominal, kind in zip(
                            STATE_WORDS,
                            (1.0, 1.0, 0.0, 0.0),
                            ("not negative", "positive", "finite", "not negative"),
                            strict=True,
                        )
                    ]
                    sections.setdefault(shape, []).append((element, electrodes, self._point(element.cathode), slots))
        self._sections = sections

    def _supply_slots(self, supply: Supply) -> list[int]:
        nominal = (1.0, supply.winding_ohms, 1.0, 1.0, supply.reservoir_farads)
        kinds = ("not negative", "ohms", "not negative", "not negative", "not negative")
        slots = []
        for what, value, kind in zip(PARAMETERS, nominal, kinds, strict=True):
            slots.append(self._slot(supply.part, what, value, kind))
        return slots

    def _electrodes(self, section: ValveSection) -> list[int]:
        names = self.law.SHAPES.get(section.shape)
        if names is None:
            raise InputFault(
                Complaint(
                    wrong=f"{section.part} has the unknown shape {section.shape!r}",
                    right=f"use one of {', '.join(self.law.SHAPES)}",
                )
            )
        if set(section.electrodes) != set(names):
            raise InputFault(
                Complaint(
                    wrong=f"{section.part} joins the electrodes {', '.join(section.electrodes) or 'none'}",
                    right=f"a {section.shape} has {', '.join(names)}",
                )
            )
        electrodes = [self._point(section.electrodes[name]) for name in names]
        if AMPLITUDE in names:
            at = electrodes[names.index(AMPLITUDE)]
            self.amplitudes.add(at)
            if section.shape != "hexode":
                self._driven.add(at)
        return electrodes

    # ---- branches

    def _lay(self) -> None:
        self.n_points = len(self.points)
        lonely = sorted(self.amplitudes - self._driven)
        if lonely:
            raise InputFault(
                Complaint(
                    wrong=f"no oscillator sets the amplitude {self.points[lonely[0]]}",
                    right="join it to the oscillator section of the same valve",
                )
            )
        self._lay_lines()
        self._lay_nonlinear()
        self._lay_sums()
        self._lay_checks()

    def _lay_lines(self) -> None:
        lines = self._lines
        self.n_lines = len(lines)
        insulated = [p for p in range(1, self.n_points) if p not in self.amplitudes]
        self.line_a = np.array([line[0] for line in lines] + insulated, dtype=np.intp)
        self.line_b = np.array([line[1] for line in lines] + [0] * len(insulated), dtype=np.intp)
        self.line_slot = np.array([line[2] for line in lines], dtype=np.intp)
        self.line_scale = np.array([line[3] for line in lines])
        self.line_is_ohms = np.array([line[4] == "ohms" for line in lines], dtype=bool)
        if lines and not (self.line_scale > 0).all():
            part = self.slots[self.line_slot[int(np.argmin(self.line_scale))]].part
            raise OutOfRange(Complaint(wrong=f"{part} has a scale of zero or less", right="give one above zero"))
        self.line_slots = SlotSums(self.line_slot)
        self.insulation_siemens = 1.0 / self.network.insulation_ohms
        self.source_line = np.array([s[0] for s in self._sources], dtype=np.intp)
        self.source_slot = np.array([s[1] for s in self._sources], dtype=np.intp)

    def _lay_nonlinear(self) -> None:
        leaks = self._leaks
        facts = load_trade("rectifiers.toml")
        self.leak_a = np.array([leak[0] for leak in leaks], dtype=np.intp)
        self.leak_b = np.array([leak[1] for leak in leaks], dtype=np.intp)
        self.leak_slot = np.array([leak[2] for leak in leaks], dtype=np.intp)
        self.leak_slots = SlotSums(self.leak_slot)
        self.leak_knee = np.array([leak[3].knee_volts for leak in leaks])[:, None]
        self.leak_power = np.array([leak[3].power for leak in leaks])[:, None]
        self.polar = np.array([n for n, leak in enumerate(leaks) if leak[3].electrolytic], dtype=np.intp)
        self.polar_siemens = np.array([leaks[n][3].reverse_siemens for n in self.polar])[:, None]
        self.polar_onset = float(facts["electrolytic"]["reverse_onset_volts"])
        self.polar_width = float(facts["electrolytic"]["reverse_softness_volts"])

        junctions = facts["junction"]
        for _, _, kind in self._diodes:
            if kind not in junctions:
                raise InputFault(
                    Complaint(wrong=f"unknown diode kind {kind!r}", right=f"use one of {', '.join(junctions)}")
                )
        rows = [junctions[kind] for _, _, kind in self._diodes]
        self.diode_a = np.array([d[0] for d in self._diodes], dtype=np.intp)
        self.diode_b = np.array([d[1] for d in self._diodes], dtype=np.intp)
        self.diode_saturation = np.array([r["saturation_amps"] for r in rows])[:, None]
        self.diode_volts = np.array([r["ideality"] * ROOM_THERMAL_VOLTS for r in rows])[:, None]
        self.diode_ohms = np.array([r["series_ohms"] for r in rows])[:, None]
        self.diode_reverse = np.array([r["reverse_siemens"] for r in rows])[:, None]

        currents = len(self.line_a) + len(leaks) + len(rows)
        slopes = len(leaks) + len(rows)
        self.valve_groups: list[ValveGroup] = []
        for shape, found in self._sections.items():
            names = self.law.SHAPES[shape]
            electrodes = np.array([f[1] for f in found], dtype=np.intp)
            cathodes = np.array([f[2] for f in found], dtype=np.intp)
            reference = np.tile(cathodes[:, None], (1, len(names)))
            if AMPLITUDE in names:
                reference[:, names.index(AMPLITUDE)] = 0
            wanted = {key for f in found for key in f[0].constants}
            for f in found:
                missing = wanted - f[0].constants.keys()
                if missing:
                    raise InputFault(
                        Complaint(
                            wrong=f"{f[0].part} lacks the constant {sorted(missing)[0]}",
                            right=f"give every {shape} the same constants",
                        )
                    )
            self.valve_groups.append(
                ValveGroup(
                    shape=shape,
                    parts=tuple(f[0].part for f in found),
                    constants={key: np.array([f[0].constants[key] for f in found]) for key in sorted(wanted)},
                    electrodes=electrodes,
                    cathodes=cathodes,
                    reference=reference,
                    slots=np.array([f[3] for f in found], dtype=np.intp),
                    currents_at=currents,
                    slopes_at=slopes,
                )
            )
            currents += electrodes.size
            slopes += len(found) * len(names) ** 2
        collecting = [
            (int(group.electrodes[s, e]), int(group.cathodes[s]))
            for group in self.valve_groups
            for e, name in enumerate(self.law.SHAPES[group.shape])
            if name in COLLECTORS
            for s in range(group.size[0])
        ]
        self.collectors = np.array([c[0] for c in collecting], dtype=np.intp)
        self.collector_cathodes = np.array([c[1] for c in collecting], dtype=np.intp)
        self.supplies: list[SupplyPort] = []
        self.extras: list[str] = []
        for n, (element, plus, minus, slots) in enumerate(self._supplies):
            self.supplies.append(SupplyPort(element, plus, minus, self.n_points + n, np.array(slots, dtype=np.intp)))
            self.extras.append(f"{element.part}.amps")
        self.supply_currents_at = currents
        self.supply_slopes_at = slopes
        self.n_currents = currents + len(self.supplies)
        self.n_slopes = slopes + len(self.supplies)
        self.n_unknowns = self.n_points - 1 + len(self.supplies)

    def _lay_sums(self) -> None:
        """Where every current and every slope enters the equations."""
        balance = _Sums()
        linear = _Sums()
        curved = _Sums()
        entries: set[tuple[int, int]] = set()

        def current(row_point: int, at: int, sign: float) -> None:
            if row_point:
                balance.add(row_point - 1, at, sign)

        wanted: list[tuple[_Sums, int, int, int, float]] = []

        def slope(into: _Sums, row: int, column: int, at: int, sign: float) -> None:
            if row and column:
                entries.add((row - 1, column - 1))
                wanted.append((into, row - 1, column - 1, at, sign))

        def two_ended(into: _Sums, a: int, b: int, at: int) -> None:
            for row, sign in ((a, 1.0), (b, -1.0)):
                slope(into, row, a, at, sign)
                slope(into, row, b, at, -sign)

        at = 0
        for a, b in zip(self.line_a, self.line_b, strict=True):
            current(int(a), at, 1.0)
            current(int(b), at, -1.0)
            two_ended(linear, int(a), int(b), at)
            at += 1
        n_lines = at
        for ends in ((self.leak_a, self.leak_b), (self.diode_a, self.diode_b)):
            for a, b in zip(*ends, strict=True):
                current(int(a), at, 1.0)
                current(int(b), at, -1.0)
                two_ended(curved, int(a), int(b), at - n_lines)
                at += 1
        for group in self.valve_groups:
            sections, electrodes = group.size
            for s in range(sections):
                for e in range(electrodes):
                    at = group.currents_at + s * electrodes + e
                    current(int(group.electrodes[s, e]), at, 1.0)
                    current(int(group.reference[s, e]), at, -1.0)
                    for f in range(electrodes):
                        at = group.slopes_at + (s * electrodes + e) * electrodes + f
                        for row, sign in ((group.electrodes[s, e], 1.0), (group.reference[s, e], -1.0)):
                            slope(curved, int(row), int(group.electrodes[s, f]), at, sign)
                            slope(curved, int(row), int(group.reference[s, f]), at, -sign)
        self._constants: list[tuple[int, int, float]] = []
        for n, port in enumerate(self.supplies):
            own = port.amps_at
            current(port.plus, self.supply_currents_at + n, -1.0)
            current(port.minus, self.supply_currents_at + n, 1.0)
            slope(curved, own, own, self.supply_slopes_at + n, -1.0)
            for point, sign in ((port.plus, 1.0), (port.minus, -1.0)):
                if point:
                    entries.add((point - 1, own - 1))
                    entries.add((own - 1, point - 1))
                    self._constants.append((point - 1, own - 1, -sign))
                    self._constants.append((own - 1, point - 1, sign))
        self.elimination = Elimination(self.n_unknowns, entries)
        for into, row, column, which, sign in wanted:
            into.add(self.elimination.slot_of(row, column), which, sign)
        stored = self.elimination.stored
        self.balance = balance.matrix(self.n_unknowns, self.n_currents)
        self.linear_sums = linear.matrix(stored, len(self.line_a))
        self.curved_sums = curved.matrix(stored, max(self.n_slopes, 1))
        self.constant_at = np.array(
            [self.elimination.slot_of(row, column) for row, column, _ in self._constants], dtype=np.intp
        )
        self.constant_value = np.array([value for _, _, value in self._constants])[:, None]

    def _lay_checks(self) -> None:
        kinds = np.array(self._kinds)
        self.nominal = np.array([slot.nominal for slot in self.slots])
        self._positive = np.isin(kinds, ("ohms", "positive"))
        self._may_be_infinite = kinds == "ohms"
        self._not_negative = np.isin(kinds, ("siemens", "not negative"))

    # ---- names

    def point(self, name: str) -> int:
        """Number of a point."""
        at = self.point_index.get(name)
        if at is None:
            raise InputFault(
                Complaint(wrong=f"there is no point {name!r}", right=f"points are {near(name, self.points, 'none')}")
            )
        return at

    def slot(self, part: str, what: str) -> int:
        """Column of a slot."""
        at = self.slot_index.get((part, what))
        if at is None:
            own = [w for p, w in self.slot_index if p == part]
            if own:
                right = f"{part} has {', '.join(own)}"
            else:
                right = f"parts are {near(part, sorted({p for p, _ in self.slot_index}), 'none')}"
            raise InputFault(Complaint(wrong=f"there is no slot {part!r} {what!r}", right=right))
        return at

    # ---- numbers

    def check(self, stack: Array) -> None:
        """Refuse a stack (B, n_slots) with a value no computation can use.

        Raises
        ------
        OutOfRange
            Names the first few offending slots and the row.
        """
        if stack.ndim != 2 or stack.shape[1] != len(self.slots):
            raise OutOfRange(
                Complaint(
                    wrong=f"the stack has the shape {stack.shape}",
                    right=f"give one column for each of the {len(self.slots)} slots",
                )
            )
        bad = ~(stack > 0.0) if self._positive.all() else np.isnan(stack)
        bad[:, self._positive] = ~(stack[:, self._positive] > 0.0)
        bad[:, self._not_negative] = ~(stack[:, self._not_negative] >= 0.0)
        finite = ~self._may_be_infinite
        bad[:, finite] |= ~np.isfinite(stack[:, finite])
        if not bad.any():
            return
        complaints = []
        for column in np.flatnonzero(bad.any(axis=0))[:5]:
            row = int(np.flatnonzero(bad[:, column])[0])
            slot = self.slots[column]
            right = (
                "give a value above zero"
                if self._positive[column]
                else "give zero or a value above it"
                if self._not_negative[column]
                else "give a finite value"
            )
            complaints.append(
                Complaint(
                    wrong=f"{slot.part} {slot.what} is {stack[row, column]:g} in row {row} of the stack",
                    right=right,
                )
            )
        raise OutOfRange(complaints)

    def parameters(self, slots: Array) -> Parameters:
        """Conductances, sources and constant coefficients of a stack given as (n_slots, B)."""
        rows = slots.shape[1]
        siemens = np.empty((len(self.line_a), rows))
        n = self.n_lines
        siemens[n:] = self.insulation_siemens
        taken = slots[self.line_slot]
        ohms = self.line_is_ohms
        taken[ohms] = 1.0 / np.maximum(taken[ohms] * self.line_scale[ohms, None], LEAST_OHMS)
        siemens[:n] = taken
        coefficients = self.linear_sums @ siemens
        if len(self.constant_at):
            coefficients[self.constant_at] += self.constant_value
        return Parameters(slots, siemens, slots[self.source_slot], coefficients)

    def line_volts(self, x: Array, p: Parameters) -> Array:
        """Volts across every line less its own source, (lines, B)."""
        across = x[self.line_a] - x[self.line_b]
        if len(self.source_line):
            across[self.source_line] -= p.source_volts
        return across

    def leak_law(self, across: Array) -> tuple[Array, Array]:
        """Amps per siemens of leakage and its slope by volts."""
        ratio = np.abs(across) / self.leak_knee
        common = float(self.leak_power[0, 0]) if len(self.leak_power) else 0.0
        if common == 1.5 and bool((self.leak_power == common).all()):
            rise = ratio * np.sqrt(ratio)
        else:
            rise = ratio**self.leak_power
        return across * (1.0 + rise), 1.0 + (1.0 + self.leak_power) * rise

    def reverse_law(self, across: Array) -> tuple[Array, Array]:
        """Amps and slope of electrolytics the wrong way round."""
        width, onset = self.polar_width, self.polar_onset
        z = -(across + onset) / width
        tail = np.exp(-np.abs(z))
        soft = np.log1p(tail) + np.maximum(z, 0.0)
        slope = np.where(z >= 0.0, 1.0, tail) / (1.0 + tail)
        at_zero = float(np.log1p(np.exp(-onset / width)))
        return -self.polar_siemens * width * (soft - at_zero), self.polar_siemens * slope

    def diode_law(self, across: Array) -> tuple[Array, Array]:
        """Amps and slope of junction diodes."""
        amps, slope = junction(across, self.diode_saturation, self.diode_volts, self.diode_ohms)
        return amps + self.diode_reverse * across, slope + self.diode_reverse

    def evaluate(self, p: Parameters, x: Array, valves: Sequence[Estimate] | None = None) -> Evaluation:
        """The equations and their non-linear slopes at ``x`` (1 + unknowns, B).

        ``valves`` stands in for the valve law where the currents are known by estimate.
        """
        rows = x.shape[1]
        amps = np.empty((self.n_currents, rows))
        slopes = np.zeros((max(self.n_slopes, 1), rows))
        at = len(self.line_a)
        np.multiply(self.line_volts(x, p), p.siemens, out=amps[:at])
        n_leaks, n_diodes = len(self.leak_a), len(self.diode_a)
        if n_leaks:
            siemens = p.slots[self.leak_slot]
            across = x[self.leak_a] - x[self.leak_b]
            per_siemens, slope = self.leak_law(across)
            np.multiply(per_siemens, siemens, out=amps[at : at + n_leaks])
            np.multiply(slope, siemens, out=slopes[:n_leaks])
            if len(self.polar):
                back, back_slope = self.reverse_law(across[self.polar])
                amps[at + self.polar] += back
                slopes[self.polar] += back_slope
            at += n_leaks
        if n_diodes:
            amps[at : at + n_diodes], slopes[n_leaks : n_leaks + n_diodes] = self.diode_law(
                x[self.diode_a] - x[self.diode_b]
            )
        worked = []
        for number, group in enumerate(self.valve_groups):
            sections, electrodes = group.size
            many = sections * electrodes
            amps_at = amps[group.currents_at : group.currents_at + many].reshape(sections, electrodes, rows)
            slopes_at = slopes[group.slopes_at : group.slopes_at + many * electrodes].reshape(
                sections, electrodes, electrodes, rows
            )
            if valves is None:
                found = self.valve_currents(group, p, x)
                amps_at[...] = found.amps.transpose(1, 2, 0)
                slopes_at[...] = found.slopes.transpose(1, 2, 3, 0)
                worked.append(found)
            else:
                amps_at[...] = valves[number].amps
                slopes_at[...] = valves[number].slopes[..., None]
        ports = []
        for n, port in enumerate(self.supplies):
            drawn = x[port.amps_at]
            given = self.port(port, drawn, p)
            amps[self.supply_currents_at + n] = drawn
            slopes[self.supply_slopes_at + n] = given.by_amps
            ports.append(given)
        unbalanced = self.balance @ amps
        for port, given in zip(self.supplies, ports, strict=True):
            unbalanced[port.amps_at - 1] = x[port.plus] - x[port.minus] - given.volts
        return Evaluation(unbalanced, slopes, tuple(worked), tuple(ports))

    def valve_currents(self, group: ValveGroup, p: Parameters, x: Array) -> Currents:
        """The valve law for one group."""
        volts = x[group.electrodes.T] - x[group.reference.T]  # (E, S, B): the law works electrode by electrode
        state = np.ascontiguousarray(p.slots[group.slots.T].transpose(0, 2, 1))
        return self.law.currents(
            group.shape,
            group.constants,
            volts.transpose(2, 1, 0),
            ValveState(state[0], state[1], state[2], state[3]),
        )

    def estimate(self, known: Evaluation, known_slots: Array, p: Parameters) -> list[Estimate]:
        """Valve currents of every row at unknowns where one row's are known, to first order in the valves' state.

        ``known`` is that one row's evaluation, ``known_slots`` (n_slots, 1) its slots.
        """
        estimates = []
        for group, currents in zip(self.valve_groups, known.valves, strict=True):
            change = p.slots[group.slots] - known_slots[group.slots]  # (S, 4, B)
            moved = np.einsum("sem,smb->seb", currents.by_state[0], change)
            estimates.append(Estimate(currents.amps[0][:, :, None] + moved, currents.slopes[0]))
        return estimates

    def port(self, port: SupplyPort, amps: Array, p: Parameters) -> PortVolts:
        """Volts of one supply at the amps drawn."""
        return port_volts(port.element, amps, p.slots[port.slots])

    def coefficients(self, p: Parameters, slopes: Array) -> Array:
        """The slopes of the equations as stored for elimination, (stored, B)."""
        values: Array = self.curved_sums @ slopes
        values += p.coefficients
        return values

    def amps_of_unbalance(self, evaluation: Evaluation) -> Array:
        """Largest unbalanced current of every row, (unknowns, B); a supply's volts over its source ohms."""
        amps = np.abs(evaluation.unbalanced)
        for port, given in zip(self.supplies, evaluation.supplies, strict=True):
            amps[port.amps_at - 1] /= np.maximum(-given.by_amps, 1.0)
        return amps


def junction(
    across: Array, saturation: Array | float, thermal: Array | float, ohms: Array | float
) -> tuple[Array, Array]:
    """Amps and slope of a junction behind a resistance; see the module's introduction for the equation."""
    unit = thermal / ohms
    w = wrightomega(np.log(saturation / unit) + (across + saturation * ohms) / thermal)
    return unit * w - saturation, w / (1.0 + w) / ohms


def near(name: str, names: list[str], none: str) -> str:
    """Near names for a message, or a few of what there is."""
    found = difflib.get_close_matches(name, names, n=4, cutoff=0.5) or names[:6]
    return ", ".join(found) if found else none
