"""Severities of a fault, family by family: which slots change, and by how much."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from hetwright.circuit.network import Conductance, ValveSection

from .heating import base_part
from .model import Change, Severity
from .offered import Offered, SeriesSlot
from .rates import Grid, PartClass, Subject

__all__ = ["BUILDERS", "Case"]

Slot = tuple[str, str]
# A slot that follows the graded one: its value times a factor times the number.
Follower = tuple[str, str, float]
How = Literal["times", "ohms", "siemens"]


@dataclass(frozen=True)
class Case:
    """One fault of one subject, on its way to being built."""

    subject: Subject
    kind: PartClass
    fault: str
    grid: Grid | None
    offered: Offered

    def number(self, name: str) -> float:
        """A plain number of ``faults.toml``."""
        return self.offered.number(name)

    def graded(
        self,
        slots: Sequence[Slot],
        how: How,
        *,
        where: str = "",
        least: float = 0.0,
        follow: Sequence[Follower] = (),
        extra: Sequence[Change] = (),
    ) -> list[Severity]:
        """One severity for each number of the grid, over all ``slots`` together.

        ``how``: "times" the slot by the number; set it to the number of "ohms"; or set it to the "siemens" of so
        many ohms. ``least`` is the lowest number used; ``extra`` changes go with every severity.
        """
        if self.grid is None or not slots:
            return []
        numbers = [max(number, least) for number in self.grid.numbers]
        spreads = _spreads(self.grid.numbers, self.number("smoothness"), self.number("single_log_sd"))
        built = []
        for number, weight, log_sd in zip(numbers, self.grid.weights, spreads, strict=True):
            value = 1.0 / number if how == "siemens" else number
            changes = [
                Change(part=part, what=what, how="times" if how == "times" else "set", number=value)
                for part, what in slots
            ]
            changes += [Change(part=p, what=w, how="times", number=f * number) for p, w, f in follow]
            built.append(
                Severity(
                    changes=(*changes, *extra),
                    weight=weight,
                    log_sd=log_sd,
                    estimate=number,
                    unit=self.grid.unit,
                    where=where,
                )
            )
        return built

    def certain(self, changes: Sequence[Change], *, where: str = "") -> list[Severity]:
        """A fault of a single severity: open is open."""
        if not changes:
            return []
        return [Severity(changes=tuple(changes), weight=1.0, log_sd=self.number("single_log_sd"), where=where)]

    def shorted(self, slot: Slot, how: Literal["ohms", "siemens"], *, where: str = "") -> list[Severity]:
        """A dead short across a part or through a port."""
        ohms = self.number("short_ohms")
        change = Change(part=slot[0], what=slot[1], how="set", number=ohms if how == "ohms" else 1.0 / ohms)
        return [replace(s, estimate=ohms, unit="Ω") for s in self.certain([change], where=where)]

    def opened(self, slot: SeriesSlot, extra: Sequence[Change] = ()) -> list[Severity]:
        """A series path open."""
        change = Change(part=slot.part, what=slot.what, how="set", number=self.number("open_ohms"))
        return self.certain([change, *extra], where=slot.which)

    def through(self, ports: Sequence[Conductance]) -> list[Severity]:
        """ "leaky" and "short" through ports."""
        built: list[Severity] = []
        for port in ports:
            where = f"{port.a} to {port.b}"
            if self.fault == "leaky":
                built += self.graded([(port.part, port.what)], "siemens", where=where)
            elif self.fault == "short":
                built += self.shorted((port.part, port.what), "siemens", where=where)
        return built


def _spreads(numbers: Sequence[float], smoothness: float, single: float) -> list[float]:
    """Spread of each cell in the logarithm: a share of the distance to its neighbours."""
    logs = np.log(np.asarray(numbers))
    if logs.size < 2:
        return [single] * logs.size
    gaps = np.abs(np.diff(logs))
    mean = np.array([gaps[0], *((gaps[1:] + gaps[:-1]) / 2.0), gaps[-1]])
    return [float(value) for value in smoothness * mean]


Builder = Callable[[Case], list[Severity]]


def _capacitor(case: Case) -> list[Severity]:
    offered, fault = case.offered, case.fault
    elements = offered.capacitances(case.subject.part)
    # the reservoir is a slot of the supply, whether or not the network holds it as a capacitor too
    reservoir = (
        [(name, "reservoir_farads") for name in offered.with_slot("reservoir_farads")]
        if case.subject.role == "supply.reservoir_capacitor"
        else []
    )
    farads = reservoir + [(element.part, "farads") for element in elements]
    if fault in ("open", "missing"):
        left = case.number("open_farads")
        return case.certain([Change(part=part, what=what, how="set", number=left) for part, what in farads])
    if fault in ("low capacitance", "wrong value"):
        return case.graded(farads, "times")
    built: list[Severity] = []
    for element in elements:
        leak = (element.part, "leak_siemens")
        if fault == "leaky":
            built += case.graded([leak], "siemens")
        elif fault == "short":
            built += case.shorted(leak, "siemens")
        elif fault == "misplaced" and element.electrolytic:
            turned = Change(part=leak[0], what=leak[1], how="set", number=case.number("reverse_siemens"))
            built += case.certain([turned], where="the wrong way round")
    return built


def _is_rubbing(slot: SeriesSlot) -> bool:
    return "contact" in slot.what or "slider" in slot.what


def _series(case: Case, slots: Sequence[SeriesSlot]) -> list[Severity]:
    built: list[Severity] = []
    for slot in slots:
        if case.fault in ("open", "missing"):
            built += case.opened(slot)
        elif case.fault == "short":
            built += case.shorted(slot.key, "ohms", where=slot.which)
        elif case.fault in ("high", "low", "wrong value"):
            built += case.graded([slot.key], "times", where=slot.which)
    return built


def _resistor(case: Case) -> list[Severity]:
    return _series(case, [slot for slot in case.offered.series(case.subject.part) if not _is_rubbing(slot)])


def _control(case: Case) -> list[Severity]:
    """A track; its slider where the network has one."""
    if case.fault in ("dirty contact", "intermittent"):
        return []
    return _resistor(case)


def _dropper(case: Case) -> list[Severity]:
    """A resistor of the heater chain or of the HT feed: what it does to the heaters cools valves."""
    return [
        _cooling(case, severity, slot)
        for slot in case.offered.series(case.subject.part)
        for severity in _series(case, [slot])
    ]


def _winding(case: Case) -> list[Severity]:
    offered, fault, part = case.offered, case.fault, case.subject.part
    stop = offered.stopped() if case.kind.name == "oscillator coil" else []
    if fault == "not oscillating":
        return case.certain(stop)
    built: list[Severity] = []
    several = len(offered.series(part)) > 1
    for slot in offered.series(part):
        at = slot.key
        if fault in ("open", "missing"):
            # it is the winding under direct current that corrodes through
            idle = several and "secondary" in slot.which
            share = case.number("no_current_open_share") if idle else 1.0
            built += [replace(s, weight=s.weight * share) for s in case.opened(slot, stop)]
        elif fault == "high":
            # corroded through: thousands of ohms where there were tens
            built += case.graded([at], "ohms", where=slot.which, least=3.0 * slot.ohms)
        elif fault == "short":
            # shorted turns take the inductance with them, long before the ohms show it
            coil = [(slot.part, "henries", case.number("shorted_turns_henries"))] if slot.wound else []
            built += case.graded([at], "times", where=slot.which, follow=coil, extra=stop)
        elif fault == "wrong value":
            built += case.graded([at], "times", where=slot.which)
    built += case.through(offered.ports(part))
    if fault == "leaky":
        # the tuning micas inside an IF transformer can carry HT across them
        for element in offered.capacitances(part):
            built += case.graded([(element.part, "leak_siemens")], "siemens", where=element.part)
    return built


def _tuning(case: Case) -> list[Severity]:
    """Gang, trimmer, padder: vanes that touch in the oscillator's own section stop it."""
    if case.fault not in ("short", "open", "leaky", "missing"):
        return []
    built = _capacitor(case)
    stop = case.offered.stopped()
    if case.fault != "short" or not stop:
        return built
    if case.subject.role.endswith(".gang"):
        signal = [s for s in built if "oscillator" not in s.changes[0].part]
        return signal + case.certain(stop, where="oscillator section")
    return [replace(s, changes=(*s.changes, *stop)) for s in built] or case.certain(stop)


def _own_sections(case: Case) -> list[ValveSection]:
    """The sections that fail with this subject: its own first, then those on the same cathode."""
    sections = case.offered.sections.get(case.subject.part, [])
    own = [section for section in sections if names_section(section, case.subject.section)]
    cathodes = {section.cathode for section in own or sections}
    return own + [s for s in sections if s.cathode in cathodes and s not in own]


def names_section(section: ValveSection, name: str | None) -> bool:
    """Whether a stage that works ``name`` of a valve works this section."""
    return name is None or section.part.rsplit(".", 1)[-1] == name


def _valve(case: Case) -> list[Severity]:
    offered, fault, valve = case.offered, case.fault, case.subject.part
    sections = _own_sections(case)
    if fault == "low emission":
        return case.graded([(section.part, "emission") for section in sections], "times")
    if fault == "gassy":
        gridded = [(s.part, "gas") for s in sections if "grid" in s.electrodes]
        return case.graded(gridded, "ohms")
    if fault in ("heater open", "missing"):
        return case.certain(offered.heater_out(valve))
    if fault == "not oscillating":
        return case.certain(offered.stopped(valve))
    built: list[Severity] = []
    if fault == "heater-cathode leak":
        cathodes = {section.cathode for section in sections}
        ports = offered.heater_leaks(valve)
        for port in [p for p in ports if p.a in cathodes or p.b in cathodes] or ports:
            built += case.graded([(port.part, port.what)], "siemens")
    elif fault == "electrodes touching":
        points = {point for s in sections for point in (*s.electrodes.values(), s.cathode)}
        for port in offered.touching(valve):
            if {port.a, port.b} <= points:
                where = f"{port.a} to {port.b}"
                built += case.graded([(port.part, port.what)], "siemens", where=where)
    return built


def _rectifier(case: Case) -> list[Severity]:
    offered, fault = case.offered, case.fault
    first = [(name, "emission_1") for name in offered.with_slot("emission_1")]
    second = [(name, "emission_2") for name in offered.with_slot("emission_2")]
    two = bool(second) and any(supply.kind == "two-anode" for supply in offered.supplies)
    left = case.number("cold_emission")

    def gone(slots: Sequence[Slot], where: str = "") -> list[Severity]:
        return case.certain([Change(part=p, what=w, how="times", number=left) for p, w in slots], where=where)

    if fault == "low emission":
        worn = case.graded(first + second, "times", where="both halves" if two else "")
        if not two:
            return worn
        # the halves wear together; one far ahead of the other is the rarer thing
        alone = case.number("one_half_share") / 2.0
        built = [replace(s, weight=(1.0 - 2.0 * alone) * s.weight) for s in worn]
        for slots, where in ((first, "one half"), (second, "other half")):
            built += [replace(s, weight=alone * s.weight) for s in case.graded(slots, "times", where=where)]
        return built
    if fault == "high":
        return case.graded([(name, "winding_ohms") for name in offered.with_slot("winding_ohms")], "times")
    if fault == "open":
        if not two:
            return gone(first + second)
        return gone(first + second) + gone(first, "one half") + gone(second, "other half")
    if fault in ("heater open", "missing"):
        if not case.subject.valve:
            return gone(first + second)
        out = offered.heater_out(case.subject.part)
        known = {(change.part, change.what) for change in out}
        rest = [slot for slot in first + second if slot not in known]
        return case.certain(out + [Change(part=p, what=w, how="times", number=left) for p, w in rest])
    if fault == "short":
        return case.graded([(name, "mains") for name in offered.with_slot("mains")], "times")
    if fault == "heater-cathode leak":
        built = []
        for port in offered.heater_leaks(case.subject.part):
            built += case.graded([(port.part, port.what)], "siemens")
        return built
    return []


def _mains(case: Case) -> list[Severity]:
    """The mains transformer and its HT winding."""
    offered, fault = case.offered, case.fault
    mains = [(name, "mains") for name in offered.with_slot("mains")]
    if fault == "open":
        if case.kind.name == "mains transformer":
            primary = [slot for slot in offered.series(case.subject.part) if slot.which in ("", "primary")]
            opened = [
                Change(part=slot.part, what=slot.what, how="set", number=case.number("open_ohms"))
                for slot in primary[:1]
            ]
            return case.certain(opened + offered.dead_mains())
        left = case.number("cold_emission")
        if any(supply.kind == "two-anode" for supply in offered.supplies):
            return [
                severity
                for what, where in (("emission_1", "one half"), ("emission_2", "other half"))
                for name in offered.with_slot(what)
                for severity in case.certain([Change(part=name, what=what, how="times", number=left)], where=where)
            ]
        dead = case.number("dead_volts_factor")
        return case.certain([Change(part=p, what=w, how="times", number=dead) for p, w in mains])
    if fault in ("short", "wrong value"):
        return case.graded(mains, "times")
    return case.through(offered.ports(case.subject.part))


def _mains_contact(case: Case) -> list[Severity]:
    """Lead, switch and fuse."""
    slots = case.offered.series(case.subject.part)
    if case.fault in ("open", "missing"):
        opened = [
            Change(part=slot.part, what=slot.what, how="set", number=case.number("open_ohms")) for slot in slots
        ]
        return case.certain(opened + case.offered.dead_mains())
    return _contact(case) + case.through(case.offered.ports(case.subject.part))


def _heater_part(case: Case) -> list[Severity]:
    """Heater winding and chain as a whole; a centre tap only hums."""
    offered = case.offered
    if case.fault not in ("open", "short") or case.subject.role == "heaters.centre_tap":
        return []
    sources = offered.heater_sources(case.number("dead_volts_factor"))
    return case.certain(sources + offered.cold(offered.all_valves()))


def _holder(case: Case) -> list[Severity]:
    """Valve holders: tracking and bridging between neighbouring pins; a heater pin without good contact."""
    offered = case.offered
    built = case.through(offered.holder_ports())
    if case.fault == "leaky":
        # in a chain, a path across the heater pins starves that heater and over-runs the rest
        for heater in offered.chain_heaters():
            slot = SeriesSlot(
                heater.part, heater.what, heater.ohms, f"across the heater of {heater.part}", heater=True
            )
            grid = replace(case, grid=case.offered.rates.grid_named("heater shunted"))
            built += [_cooling(case, s, slot) for s in grid.graded([slot.key], "times", where=slot.which)]
    for contact in offered.heater_contacts() if case.fault in ("open", "high") else ():
        slot = SeriesSlot(
            contact.part, contact.what, contact.ohms, f"heater pin of {base_part(contact.part)}", heater=True
        )
        severities = case.opened(slot) if case.fault == "open" else case.graded([slot.key], "ohms", where=slot.which)
        built += [_cooling(case, severity, slot) for severity in severities]
    return built


def _cooling(case: Case, severity: Severity, slot: SeriesSlot) -> Severity:
    """The severity with what its changed ohms do to the heaters."""
    if not slot.heater:
        return severity
    change = severity.changes[0]
    ohms = change.number if change.how == "set" else slot.ohms * change.number
    cooled = case.offered.cooled_by(slot.part, slot.what, ohms)
    return replace(severity, changes=(*severity.changes, *cooled))


def _battery(case: Case) -> list[Severity]:
    """Run down or without contact; a filament battery that fails leaves every valve cold."""
    offered = case.offered
    batteries = [e for e in offered.batteries() if e.part == case.subject.part]
    slots = [(battery.part, "volts") for battery in batteries]
    if case.fault == "low":
        return case.graded(slots, "times")
    if case.fault != "open":
        return []
    dead = case.number("dead_volts_factor")
    changes = [Change(part=part, what=what, how="times", number=dead) for part, what in slots]
    lit = any(battery.part in offered.lit_by for battery in batteries)
    return case.certain(changes + (offered.cold(offered.all_valves()) if lit else []))


def _contact(case: Case) -> list[Severity]:
    built: list[Severity] = []
    for slot in case.offered.series(case.subject.part):
        if case.fault == "open":
            found = case.opened(slot)
        elif case.fault == "high":
            found = case.graded([slot.key], "ohms", where=slot.which)
        else:
            continue
        built += [_cooling(case, severity, slot) for severity in found]
    return built


BUILDERS: dict[str, Builder] = {
    "capacitor": _capacitor,
    "electrolytic": _capacitor,
    "resistor": _resistor,
    "control": _control,
    "dropper": _dropper,
    "winding": _winding,
    "tuning": _tuning,
    "valve": _valve,
    "rectifier valve": _rectifier,
    "metal rectifier": _rectifier,
    "mains": _mains,
    "mains contact": _mains_contact,
    "heater": _heater_part,
    "battery": _battery,
    "holder": _holder,
    "contact": _contact,
    "plain": _contact,
}
