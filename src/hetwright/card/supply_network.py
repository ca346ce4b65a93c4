"""The HT supply of a card as the circuit sees it: a port, a surge resistor, or batteries.

What the winding gives follows from the set as it was drawn: a reservoir that somebody changed changes the HT, not the
transformer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from hetwright.card import usual_values
from hetwright.card.layout import Layout, chain_heaters, electrode_point, rectifier_words
from hetwright.card.model import Basis, Part, SetCard, State
from hetwright.card.usual_values import customs
from hetwright.circuit.network import Battery, Element, Resistance, Supply
from hetwright.errors import Complaint, InputFault
from hetwright.supply.port import port_volts
from hetwright.valves.catalogue import Section

__all__ = ["SupplyElements", "supply_elements"]

SlotKey = tuple[str, str]


@dataclass(kw_only=True)
class SupplyElements:
    """Elements of the supply with the spreads of their slots.

    ``rectifier``: reference of the valve or part that rectifies, ``None`` on batteries; ``across``: its ends.
    ``aliases``: points of a rectifier valve that are points of the supply.
    """

    elements: list[Element] = field(default_factory=list)
    spreads: dict[SlotKey, float] = field(default_factory=dict)
    basis: dict[SlotKey, Basis] = field(default_factory=dict)
    aliases: dict[str, str] = field(default_factory=dict)
    rectifier: str | None = None
    across: tuple[str, str] = ("", "")

    def note(self, key: SlotKey, spread: float, basis: Basis) -> None:
        """Set down the spread of a slot and its basis."""
        self.spreads[key], self.basis[key] = spread, basis


def supply_elements(card: SetCard, layout: Layout, parts: Sequence[Part], state: State) -> SupplyElements:
    """The elements that feed the HT of a card in one of its states.

    Raises
    ------
    InputFault
        The card states neither winding nor HT volts.
    """
    work = _Supply(card, layout, parts, state)
    if layout.set_forms["rectifier"] == "battery":
        return work.batteries()
    return work.mains()


class _Supply:
    def __init__(self, card: SetCard, layout: Layout, parts: Sequence[Part], state: State) -> None:
        self.card = card
        self.layout = layout
        self.forms = layout.set_forms
        self.state = state
        self.by_role: dict[str, Part] = {}
        for part in parts:
            if part.role:
                self.by_role.setdefault(part.role, part)
        self.batteries_of = [
            part for part in parts if part.kind == "battery" and (part.role or "").startswith("supply.")
        ]

    def si(self, role: str, state: State) -> float:
        """Value of the part of that role in a state; zero where there is none."""
        part = self.by_role.get(role)
        value = part.value(state) if part is not None and part.quantity != "none" else None
        return value.si if value is not None else 0.0

    # ---- batteries

    def batteries(self) -> SupplyElements:
        built = SupplyElements()
        table = customs()["batteries"]
        stated = self.card.supply.ht_volts
        for part in self.batteries_of:
            ht = part.role == "supply.ht_battery"
            volts = stated.si if ht and stated is not None else part.figures["volts"]
            built.elements.append(
                Battery(
                    part=part.ref,
                    plus=self.layout.point(part.from_point),
                    minus=self.layout.point(part.to_point),
                    volts=volts,
                    ohms=float(table["ht_ohms" if ht else "bias_ohms"]),
                )
            )
            basis = stated.basis if ht and stated is not None else "usual"
            built.note((part.ref, "volts"), math.log(float(table["spread_factor"])), basis)
        return built

    # ---- mains

    def mains(self) -> SupplyElements:
        built = SupplyElements()
        form, kind = rectifier_words(self.card.supply.rectifier)
        ref = self.card.supply.valve
        if ref is None:
            part = self.by_role.get("supply.rectifier")
            ref = part.ref if part is not None else "supply"
        systems = self.systems()
        pulsed = "supply.surge_resistor" in self.by_role
        plus = self.layout.point("supply.rectified") if pulsed else self.layout.point("HT1")
        least = float(customs()["rectifier"]["least_reservoir_farads"])

        def port(state: State) -> Supply:
            return Supply(
                part=ref,
                plus=plus,
                minus=self.layout.point("ht_negative"),
                kind=form,
                rectifier=kind,
                rms_volts=1.0,
                hertz=self.card.mains_hertz,
                winding_ohms=self.winding_ohms(state),
                reservoir_farads=self.si("supply.reservoir_capacitor", state) or least,
                perveance=self.perveance(form, systems),
                slots_of=dict.fromkeys(("emission_1", "emission_2"), ref),
            )

        rms, spread, basis = self.rms_volts(port("drawn"))
        element = replace(port(self.state), rms_volts=rms)
        built.elements.append(element)
        built.note((ref, "mains"), spread, basis)
        built.note((ref, "winding_ohms"), math.log(float(customs()["spread"]["source_ohms_factor"])), "usual")
        self.reservoir_spread(built, ref)
        if pulsed:
            self.surge(built, replace(port("drawn"), rms_volts=rms))
        self.name_valve_points(built, ref, form, systems, plus)
        built.rectifier = ref
        built.across = (self.layout.point("supply.winding_a"), plus)
        return built

    def systems(self) -> list[Section]:
        """The rectifier systems of the rectifier valve."""
        valve = self.layout.types.get(self.card.supply.valve or "")
        return [section for section in valve.sections if section.kind == "rectifier"] if valve else []

    @staticmethod
    def perveance(form: str, systems: Sequence[Section]) -> float:
        """Of each anode, from the published drop of one system; two in parallel on a half-wave supply."""
        if not systems:
            return 0.0
        table, drop = customs()["rectifier"], systems[0].drop
        volts, amps = drop.get("volts", table["drop_volts"]), drop.get("amps", table["drop_amps"])
        together = len(systems) if form == "half-wave" else 1
        return float(together * amps / volts**1.5)

    def reservoir_spread(self, built: SupplyElements, ref: str) -> None:
        part = self.by_role.get("supply.reservoir_capacitor")
        value = part.value(self.state) if part is not None else None
        if value is not None:
            built.note((ref, "reservoir_farads"), value.spread_log_sd, value.basis)

    def name_valve_points(
        self, built: SupplyElements, ref: str, form: str, systems: Sequence[Section], plus: str
    ) -> None:
        valve = self.layout.types.get(ref)
        if valve is None:
            return
        ends = ["supply.winding_a", "supply.winding_b" if form == "two-anode" else "supply.winding_a"]
        for section, end in zip(systems, ends, strict=False):
            built.aliases[electrode_point(ref, valve, section.name, "anode")] = self.layout.point(end)
            built.aliases[electrode_point(ref, valve, section.name, "cathode")] = plus

    # ---- volts and amps

    def winding_ohms(self, state: State) -> float:
        """Source ohms seen from one rectifier anode: winding, and primary by the turns squared."""
        table = customs()["rectifier"]
        if self.forms["construction"] == "AC/DC":
            return float(table["mains_ohms"]) + self.si("supply.dropper", state)
        rms = self.card.supply.secondary_rms_volts
        turns = (rms.si if rms else float(table["usual_rms_volts"])) / self.card.mains_rms_volts
        return round(self.si("supply.ht_secondary", state) + self.si("supply.mains_transformer", state) * turns**2, 1)

    def rms_volts(self, element: Supply) -> tuple[float, float, Basis]:
        """Volts of the winding with spread and basis: as stated, or those that give the HT at the usual current."""
        mains_spread = math.log(float(customs()["spread"]["mains_factor"]))
        stated, ht = self.card.supply.secondary_rms_volts, self.card.supply.ht_volts
        if stated is not None:
            return stated.si, math.hypot(stated.spread_log_sd, mains_spread), stated.basis
        if self.forms["construction"] == "AC/DC" and (ht is None or ht.basis == "usual"):
            return self.card.mains_rms_volts, mains_spread, "stated"
        if ht is None:
            raise InputFault(
                Complaint(wrong="the supply states neither winding nor HT volts", right='write ht_volts = "250 V"')
            )
        amps = self.total_amps(ht.si)
        wanted = ht.si
        if self.forms["bias"] != "cathode":
            wanted += amps * self.si("supply.bias_resistor", "drawn")
        surge = self.si("supply.surge_resistor", "drawn")
        pulsed = replace(element, winding_ohms=element.winding_ohms + surge, rms_volts=ht.si)
        # the port's volts rise with those of the winding: read them backwards
        factors = np.linspace(0.3, 3.0, 271)
        given = direct_volts(pulsed, np.full_like(factors, amps), factors)
        rms = ht.si * float(np.interp(wanted, given, factors))
        return round(rms, 2), math.hypot(ht.spread_log_sd, mains_spread), ht.basis

    def usual_ht(self) -> float:
        """Volts at the reservoir as stated, or roughly those of the winding."""
        supply = self.card.supply
        if supply.ht_volts is not None:
            return supply.ht_volts.si
        if supply.secondary_rms_volts is not None:
            form, kind = rectifier_words(supply.rectifier)
            return supply.secondary_rms_volts.si * float(customs()["ht_over_rms"].get(f"{form} {kind}", 1.0))
        return self.card.mains_rms_volts

    def surge(self, built: SupplyElements, element: Supply) -> None:
        """The surge resistor carries pulses; it stands here as the ohms that would drop as many direct volts.

        Found from the supply port with and without it at the usual current, so that at that current it is exact.
        """
        part = self.by_role["supply.surge_resistor"]
        drawn = max(self.si("supply.surge_resistor", "drawn"), 1e-3)
        amps = max(self.total_amps(self.usual_ht()), 1e-3)
        without = direct_volts(element, np.array([amps]), np.ones(1))[0]
        pulsed = replace(element, winding_ohms=element.winding_ohms + drawn)
        drop = without - direct_volts(pulsed, np.array([amps]), np.ones(1))[0]
        built.elements.append(
            Resistance(
                part=part.ref,
                a=element.plus,
                b=self.layout.point("HT1"),
                ohms=max(self.si("supply.surge_resistor", self.state), 1e-3),
                scale=round(max(float(drop) / (amps * drawn), 1.0), 3),
            )
        )

    def total_amps(self, ht_volts: float) -> float:
        """Direct amps the set usually draws at this HT, from the published rows of its valves."""
        types = self.layout.types
        amps = usual_values.total_amps(
            ((types[s.valve], s.section, s.name) for s in self.card.stages if s.name != "supply"), ht_volts
        )
        across = ["supply.bleeder"]
        if self.forms["smoothing"] == "field coil across the HT":
            across.append("supply.field_coil")
        share = float(customs()["smoothing_drop"]["line_over_reservoir"])
        amps += sum(share * ht_volts / ohms for role in across if (ohms := self.si(role, "drawn")))
        if self.forms["chain"] == "HT":
            filaments = {ref: v.heater for ref, v in types.items() if v.heater and v.heater.directly_heated}
            amps += chain_heaters(filaments)[0]
        return amps


def direct_volts(element: Supply, amps: np.ndarray, mains: np.ndarray) -> np.ndarray:
    """Volts of the supply port with a new rectifier, (B,), at these amps and factors on the mains, each (B,)."""
    rows = [np.full_like(amps, value) for value in (element.winding_ohms, 1.0, 1.0, element.reservoir_farads)]
    return np.ravel(port_volts(element, amps, np.stack([mains, *rows])).volts)
