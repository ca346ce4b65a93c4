"""What the networks of a set offer to a fault: the slots and ports of each part."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from hetwright.circuit.network import (
    Battery,
    Capacitance,
    Conductance,
    Element,
    Inductance,
    Network,
    Resistance,
    Supply,
    ValveSection,
)

from .heating import base_part, emission_at, heater_name, heater_volts
from .model import Change
from .rates import RateTable

__all__ = ["Networks", "Offered", "SeriesSlot"]

AMPLITUDE = ".oscillator_amplitude"
# Heaters that lose less than this share of their emission are left as they are.
UNNOTICED = 0.02


class Networks(Protocol):
    """What faults need of :class:`hetwright.card.network.CardNetworks`."""

    @property
    def ht(self) -> Network: ...

    @property
    def heaters(self) -> Network | None: ...


@dataclass(frozen=True, slots=True)
class SeriesSlot:
    """A series resistance of a part: its slot, its ohms, and which winding or half of the part it is."""

    part: str
    what: str
    ohms: float
    which: str = ""
    wound: bool = False
    heater: bool = False

    @property
    def key(self) -> tuple[str, str]:
        """(part, slot)."""
        return self.part, self.what


@dataclass
class Offered:
    """The elements of a set's networks, by the part they belong to."""

    networks: Networks
    rates: RateTable
    by_part: dict[str, list[Element]] = field(default_factory=dict)
    heater_elements: dict[str, list[Resistance]] = field(default_factory=dict)
    heater_slots: set[tuple[str, str]] = field(default_factory=set)
    sections: dict[str, list[ValveSection]] = field(default_factory=dict)
    supplies: list[Supply] = field(default_factory=list)
    oscillator_stops: list[Conductance] = field(default_factory=list)

    def __post_init__(self) -> None:
        for element in self.networks.ht.elements:
            for name in dict.fromkeys((element.part, base_part(element.part))):
                self.by_part.setdefault(name, []).append(element)
            if isinstance(element, ValveSection):
                self.sections.setdefault(element.valve, []).append(element)
            elif isinstance(element, Supply):
                self.supplies.append(element)
            elif isinstance(element, Conductance) and self._is_stop(element):
                self.oscillator_stops.append(element)
        if self.networks.heaters is not None:
            for element in self.networks.heaters.elements:
                if isinstance(element, Resistance):
                    self.heater_elements.setdefault(element.part, []).append(element)
                    self.heater_slots.add((element.part, element.what))
        ours = {
            (element.part, element.what) for element in self.networks.ht.elements if isinstance(element, Resistance)
        }
        self.shared = self.heater_slots & ours
        self._heater_volts = {} if self.networks.heaters is None else heater_volts(self.networks.heaters)

    @staticmethod
    def _is_stop(port: Conductance) -> bool:
        return port.a.endswith(AMPLITUDE) or port.b.endswith(AMPLITUDE)

    def of(self, part: str, kind: type[Element] | tuple[type[Element], ...]) -> list[Any]:
        """Elements of one kind that belong to a part, its windings and sections included."""
        return [element for element in self.by_part.get(part, []) if isinstance(element, kind)]

    def number(self, name: str) -> float:
        """A plain number of ``faults.toml``."""
        return self.rates.number(name)

    # ---- slots and ports

    def batteries(self) -> list[Battery]:
        """Every battery of both circuits."""
        heaters = () if self.networks.heaters is None else self.networks.heaters.elements
        return [element for element in (*self.networks.ht.elements, *heaters) if isinstance(element, Battery)]

    @property
    def lit_by(self) -> set[str]:
        """Names of what feeds the heaters."""
        heaters = () if self.networks.heaters is None else self.networks.heaters.elements
        return {element.part for element in heaters if isinstance(element, Battery)}

    def series(self, part: str) -> list[SeriesSlot]:
        """Every series resistance of a part, each slot once, heater circuit included."""
        found: dict[tuple[str, str], SeriesSlot] = {}
        for element in self.of(part, (Resistance, Inductance)):
            what = element.what if isinstance(element, Resistance) else "ohms"
            which = element.part[len(base_part(element.part)) + 1 :]
            wound = isinstance(element, Inductance)
            heats = (element.part, what) in self.heater_slots
            found.setdefault((element.part, what), SeriesSlot(element.part, what, element.ohms, which, wound, heats))
        for element in self.heater_elements.get(part, []):
            found.setdefault(
                (element.part, element.what),
                SeriesSlot(element.part, element.what, element.ohms, "", False, True),
            )
        return list(found.values())

    def capacitances(self, part: str) -> list[Capacitance]:
        """The capacitors of a part."""
        return self.of(part, Capacitance)

    def ports(self, part: str) -> list[Conductance]:
        """What may come to join two points because of this part, oscillator stops left out."""
        return [port for port in self.of(part, Conductance) if not self._is_stop(port)]

    def touching(self, valve: str) -> list[Conductance]:
        """Ports between electrodes of a valve."""
        return [port for port in self.ports(valve) if not (_is_heater(port) or _is_holder(port))]

    def heater_leaks(self, valve: str) -> list[Conductance]:
        """Ports between heater and cathode of a valve."""
        return [port for port in self.ports(valve) if _is_heater(port) and not _is_holder(port)]

    def holder_ports(self) -> list[Conductance]:
        """Ports between neighbouring pins of every valve holder."""
        return [
            element
            for element in self.networks.ht.elements
            if isinstance(element, Conductance) and _is_holder(element)
        ]

    def heater_contacts(self) -> list[Resistance]:
        """Contacts of heater pins in their holders."""
        return [e for elements in self.heater_elements.values() for e in elements if "contact" in e.what]

    def chain_heaters(self) -> list[Resistance]:
        """Heaters that stand in series with others, each once; none where they are in parallel."""
        heaters = self.networks.heaters
        found = {
            element.part: element
            for elements in self.heater_elements.values()
            for element in elements
            if element.part in self.sections or element.part in self.all_valves()
        }
        if heaters is None or all(element.b == heaters.datum for element in found.values()):
            return []
        return list(found.values())

    def with_slot(self, what: str) -> list[str]:
        """Names of the supplies that have this slot."""
        return [s.part for s in self.supplies if what != "emission_2" or s.kind != "half-wave"]

    # ---- changes that go together

    def in_both_circuits(self, changes: Iterable[Change]) -> tuple[Change, ...]:
        """The changes, each repeated for the heater circuit where its part stands in both circuits.

        A series chain is part of the HT network too, for the ohmmeter; its slots in the heater circuit then have
        names of their own (:func:`~hetwright.faults.heating.heater_name`).
        """
        given = tuple(changes)
        twins = tuple(
            replace(change, part=heater_name(change.part))
            for change in given
            if (change.part, change.what) in self.shared
        )
        return given + twins

    def stopped(self, valve: str | None = None) -> list[Change]:
        """The oscillator held still; of one valve, or of every one."""
        return [
            Change(part=port.part, what=port.what, how="set", number=1.0 / self.number("short_ohms"))
            for port in self.oscillator_stops
            if valve is None or valve in (base_part(port.a), base_part(port.b))
        ]

    def cold(self, valves: Iterable[str], left: float | None = None) -> list[Change]:
        """Valves whose cathodes have only this share of their emission left (default: next to none)."""
        share = self.number("cold_emission") if left is None else left
        changes: list[Change] = []
        for valve in valves:
            changes += [
                Change(part=section.part, what="emission", how="times", number=share)
                for section in self.sections.get(valve, [])
            ]
            changes += [
                Change(part=supply.part, what=what, how="times", number=share)
                for supply in self.supplies
                if supply.rectifier == "valve" and valve in self.rectifier_valves(supply)
                for what in ("emission_1", "emission_2")
                if supply.part in self.with_slot(what)
            ]
        return changes

    def rectifier_valves(self, supply: Supply) -> set[str]:
        """The valves that rectify for a supply, as the network names them."""
        return {base_part(name) for what, name in supply.slots_of.items() if what.startswith("emission")}

    def all_valves(self) -> list[str]:
        """Every valve of the set, rectifiers last."""
        rectifiers = [v for s in self.supplies if s.rectifier == "valve" for v in sorted(self.rectifier_valves(s))]
        return list(dict.fromkeys([*self.sections, *rectifiers]))

    def heater_sources(self, factor: float) -> list[Change]:
        """The sources of the heater circuit times a factor."""
        heaters = self.networks.heaters
        return [
            Change(part=element.part, what="volts", how="times", number=factor)
            for element in (() if heaters is None else heaters.elements)
            if isinstance(element, Battery)
        ]

    def dead_mains(self) -> list[Change]:
        """No mains: no HT, no heaters, and every cathode cold."""
        factor = self.number("dead_volts_factor")
        changes = [Change(part=s.part, what="mains", how="times", number=factor) for s in self.supplies]
        return changes + self.heater_sources(factor) + self.cold(self.all_valves())

    def cooled_by(self, part: str, what: str, ohms: float) -> list[Change]:
        """Emission lost by every valve of the heater circuit when one of its ohms changes."""
        heaters = self.networks.heaters
        if heaters is None:
            return []
        after = heater_volts(heaters, {(part, what): ohms})
        full = emission_at(1.0, self.rates)
        changes: list[Change] = []
        for valve in self.all_valves():
            normal = self._heater_volts.get(valve, 0.0)
            if not normal > 0.0:
                continue
            # volts across an open heater are not volts that heat it
            own = part == valve and ohms >= self.number("open_ohms")
            fraction = 0.0 if own else after[valve] / normal
            share = min(emission_at(fraction, self.rates) / full, 1.0)
            if share < 1.0 - UNNOTICED:
                changes += self.cold([valve], share)
        return changes

    def heater_out(self, valve: str) -> list[Change]:
        """A valve's heater open: the valve cold, and in a series chain every other one with it."""
        opened = self.number("open_ohms")
        heaters = self.heater_elements.get(valve, [])
        slots = dict.fromkeys((heater.part, heater.what) for heater in heaters)
        changes = [Change(part=part, what=what, how="set", number=opened) for part, what in slots]
        cooled = self.cold([valve])
        seen = {(change.part, change.what) for change in cooled}
        for heater in heaters[:1]:
            cooled += [
                change
                for change in self.cooled_by(heater.part, heater.what, opened)
                if (change.part, change.what) not in seen
            ]
        return changes + cooled


def _is_heater(port: Conductance) -> bool:
    return "heater" in port.what or "heater" in port.a or "heater" in port.b


def _is_holder(port: Conductance) -> bool:
    return "holder" in port.what or "holder" in port.part
