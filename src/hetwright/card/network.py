"""From a card to networks: everything that carries direct current, and the heater circuit.

The layout of the stage patterns says which points are one, where windings and valve sections sit; the parts of the
card bring their values in the state asked for. What a fault may add (touching electrodes, a leak from heater to
cathode, a dirty holder, a winding leaking to its core) is there from the start as a port of zero siemens.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from hetwright.card.layout import LaidPart, Layout, electrode_point, layout_of
from hetwright.card.model import Basis, Part, SetCard, Stage, State, Value
from hetwright.card.supply_network import supply_elements
from hetwright.card.usual_values import customs
from hetwright.circuit.network import (
    Battery,
    Capacitance,
    Conductance,
    Element,
    Inductance,
    JunctionDiode,
    Network,
    Resistance,
    Supply,
    ValveSection,
)
from hetwright.errors import Complaint, InputFault
from hetwright.valves.catalogue import Section, ValveType, neighbouring_points
from hetwright.valves.law import SHAPES
from hetwright.valves.laws import law_of

__all__ = ["CardNetworks", "networks_of"]

SlotKey = tuple[str, str]

#: Pairs of electrodes that stand next to each other inside each shape of valve.
_ADJACENT = {
    "diode": (("cathode", "anode"),),
    "triode": (("cathode", "grid"), ("grid", "anode")),
    "oscillator": (("cathode", "grid"), ("grid", "anode")),
    "pentode": (("cathode", "grid"), ("grid", "screen"), ("screen", "anode")),
    "hexode": (("cathode", "grid"), ("grid", "screen"), ("screen", "injection"), ("screen", "anode")),
    "pentagrid": (
        ("cathode", "oscillator_grid"),
        ("oscillator_grid", "oscillator_anode"),
        ("oscillator_anode", "screen"),
        ("screen", "grid"),
        ("screen", "anode"),
    ),
    "converter": (
        ("cathode", "oscillator_grid"),
        ("oscillator_grid", "screen"),
        ("screen", "grid"),
        ("screen", "anode"),
    ),
    "indicator": (("cathode", "grid"), ("grid", "anode"), ("anode", "target")),
}
_AMPLITUDE_SHAPES = frozenset({"hexode", "oscillator", "pentagrid", "converter"})


@dataclass(frozen=True, kw_only=True)
class CardNetworks:
    """The networks of a set, and what names mean in them.

    Attributes
    ----------
    ht : Network
        Everything that carries direct current, aerial to loudspeaker, windings and mains side included.
    heaters : Network or None
        The heater circuit, linear, r.m.s. volts.
    terminals : dict
        Part reference, role, or a point such as ``V1.heater`` to the pair of points "across it".
    heater_nominal_volts : dict
        Valve to the volts its heater is made for.
    neighbours : tuple of pairs
        Points on adjacent pins of a valve.
    spreads : dict
        (part, what) to the standard deviation of the logarithm of the slot, before ageing; ``basis`` to its basis.
    aliases : dict
        Point names that are another point of the network (``V3.cathode`` wired to ``chassis``).
    roles : dict
        Role to the references (or valves) that play it; one part may play several.
    """

    ht: Network
    heaters: Network | None
    terminals: dict[str, tuple[str, str]]
    heater_nominal_volts: dict[str, float]
    neighbours: tuple[tuple[str, str], ...]
    spreads: dict[SlotKey, float]
    basis: dict[SlotKey, Basis]
    aliases: dict[str, str] = field(default_factory=dict)
    roles: dict[str, tuple[str, ...]] = field(default_factory=dict)
    assumptions: tuple[str, ...] = ()

    def point(self, name: str) -> str:
        """The point of the network that ``name`` means (itself where it is one)."""
        return self.aliases.get(name, name)


class _Networker:
    def __init__(self, card: SetCard, state: State) -> None:
        self.card = card
        self.state = state
        self.layout: Layout = layout_of(card)
        self.types = self.layout.types
        self.elements: list[Element] = []
        self.heater_elements: list[Element] = []
        self.spreads: dict[SlotKey, float] = {}
        self.basis: dict[SlotKey, Basis] = {}
        self.terminals: dict[str, tuple[str, str]] = {}
        self.roles: dict[str, list[str]] = {}
        self.assumptions: list[str] = []
        self.stage_of: dict[tuple[str, str], Stage] = {
            (s.valve, s.section): s for s in card.stages if s.options.get("shape") != "crystal"
        }
        self.oscillates_for: dict[tuple[str, str], str] = {}
        for stage in card.stages:
            valve, dot, triode = stage.options.get("oscillator", "").partition(".")
            if dot:
                self.oscillates_for[valve, triode] = stage.valve
        self.aliases_added: dict[str, str] = {}
        self.nominal_volts: dict[str, float] = {}
        self.placed = self._placed()

    # ---- parts and their places

    def _placed(self) -> list[tuple[Part, LaidPart | None]]:
        """Parts of the card with the pattern part they are; several of one role in order."""
        waiting: dict[str, list[LaidPart]] = {}
        for laid in self.layout.parts:
            waiting.setdefault(laid.role, []).append(laid)
        placed = []
        for part in self.card.parts.values():
            queue = waiting.get(part.role or "", [])
            chosen = next((laid for laid in queue if laid.pattern.quantity == part.quantity), None)
            if chosen is not None:
                queue.remove(chosen)
            placed.append((part, chosen))
        return placed

    def at(self, point: str) -> str:
        return self.layout.point(point)

    def value(self, part: Part) -> float | None:
        value = part.value(self.state)
        if value is None:
            return None
        if not (value.si >= 0.0 and math.isfinite(value.si)):
            raise InputFault(
                Complaint(
                    wrong=f"{part.ref} is {value.si} {part.quantity}",
                    right="give a finite value, not below zero",
                    file=self.card.source_file or None,
                    line=value.line or part.line,
                )
            )
        return value.si

    def note(self, part: Part, key: SlotKey) -> None:
        value: Value | None = part.value(self.state)
        if value is not None:
            self.spreads[key] = value.spread_log_sd
            self.basis[key] = value.basis

    def play(self, role: str | None, ref: str, pair: tuple[str, str]) -> None:
        self.terminals.setdefault(ref, pair)
        if role:
            self.terminals.setdefault(role, pair)
            players = self.roles.setdefault(role, [])
            if ref not in players:
                players.append(ref)

    # ---- elements of the parts

    def part(self, part: Part, laid: LaidPart | None) -> None:
        a, b = self.at(part.from_point), self.at(part.to_point)
        self.play(part.role, part.ref, (a, b))
        kind = part.fitted_kind if self.state == "now" and part.fitted_kind else part.kind
        if laid is not None and laid.windings:
            self.windings(part, laid)
        elif laid is not None and laid.slider is not None and part.quantity == "ohms":
            self.control(part, laid, a, b)
        elif part.quantity == "ohms":
            if part.role == "supply.surge_resistor" and self.layout.set_forms["construction"] != "AC/DC":
                self.note(part, (part.ref, "ohms"))
                return
            self.ohms(part, kind, a, b)
        elif part.quantity == "farads":
            self.capacitor(part.ref, part, kind, a, b, self.value(part))
        elif part.quantity == "henries":
            henries = self.value(part)
            if henries is not None and a != b:
                self.elements.append(
                    Inductance(part=part.ref, a=a, b=b, ohms=part.figures.get("ohms", 1.0), henries=henries)
                )
        elif "diode" in kind and kind != "rectifier":
            if a != b:
                self.elements.append(JunctionDiode(part=part.ref, anode=a, cathode=b, kind=kind.split()[0]))
        elif "ohms" in part.figures and a != b and part.figures["ohms"] > 0.0:
            self.elements.append(Resistance(part=part.ref, a=a, b=b, ohms=part.figures["ohms"]))
            if part.kind == "lead":
                # insulation that fails lets the mains to the chassis
                self.port(part.ref, a, "chassis", "to_chassis_siemens")

    def ohms(self, part: Part, kind: str, a: str, b: str) -> None:
        ohms = self.value(part)
        if ohms is None or a == b:
            return
        ohms = max(ohms, 1e-3)
        if "henries" in part.figures:
            self.elements.append(Inductance(part=part.ref, a=a, b=b, ohms=ohms, henries=part.figures["henries"]))
            self.port(part.ref, a, "chassis", "to_core_siemens")
        else:
            self.elements.append(Resistance(part=part.ref, a=a, b=b, ohms=ohms))
        self.note(part, (part.ref, "ohms"))

    def control(self, part: Part, laid: LaidPart, a: str, b: str) -> None:
        ohms = self.value(part)
        if ohms is None or a == b:
            return
        slider = self.at(laid.slider or "")
        share = part.figures.get("slider_fraction", 0.5)
        self.elements.append(Resistance(part=part.ref, a=a, b=f"{part.ref}.slider", ohms=ohms, scale=1.0 - share))
        self.elements.append(Resistance(part=part.ref, a=f"{part.ref}.slider", b=b, ohms=ohms, scale=share))
        contact = customs()["contacts"]["slider_ohms"]
        self.elements.append(
            Resistance(part=part.ref, a=f"{part.ref}.slider", b=slider, ohms=float(contact), what="slider_ohms")
        )
        self.note(part, (part.ref, "ohms"))

    def capacitor(self, name: str, part: Part, kind: str, a: str, b: str, farads: float | None) -> None:
        if farads is None or a == b:
            return
        table = customs()["leakage"].get(kind) or customs()["leakage"]["film"]
        electrolytic = kind == "electrolytic"
        self.elements.append(
            Capacitance(
                part=name,
                a=a,
                b=b,
                farads=farads,
                leak_siemens=float(table["siemens_per_farad"]) * farads,
                knee_volts=float(table["knee_volts"]),
                power=float(table["power"]),
                electrolytic=electrolytic,
            )
        )
        self.note(part, (name, "farads"))

    def windings(self, part: Part, laid: LaidPart) -> None:
        own = self.value(part)
        if own is None:
            return
        if part.quantity == "farads":
            for winding, from_point, to_point in laid.windings:
                self.capacitor(
                    f"{part.ref}.{winding.name}", part, part.kind, self.at(from_point), self.at(to_point), own
                )
            return
        ends: list[tuple[str, str, str]] = []
        usual = part.usual.si if part.usual is not None else own
        for winding, from_point, to_point in laid.windings:
            a, b = self.at(from_point), self.at(to_point)
            name = f"{part.ref}.{winding.name}"
            figure = part.figures.get(f"{winding.name}_ohms")
            # a winding that nobody measured keeps its proportion to the one that was
            ohms = (
                own
                if figure is None
                else figure * (own / usual if winding.usual is not None and figure == usual else 1.0)
            )
            ohms = max(ohms, 1e-3)
            if a != b:
                self.elements.append(
                    Inductance(
                        part=name,
                        a=a,
                        b=b,
                        ohms=ohms,
                        henries=part.figures.get(f"{winding.name}_henries", 1e-3) or 1e-3,
                    )
                )
                self.note(part, (name, "ohms"))
                ends.append((winding.name, a, b))
            self.terminals.setdefault(name, (a, b))
        if len(ends) >= 2 and part.kind != "HT secondary":
            first, second = ends[0], ends[-1]
            # to the core of an iron one, to the can of a tuned one
            self.port(part.ref, first[2], "chassis", f"{first[0]}_to_core_siemens")
            self.port(part.ref, first[1], "chassis", f"{first[0]}_start_to_core_siemens")
            self.port(part.ref, first[1], second[1], f"{first[0]}_to_{second[0]}_siemens")
        elif ends:
            self.port(part.ref, ends[0][1], "chassis", f"{ends[0][0]}_to_core_siemens")

    def port(self, part: str, a: str, b: str, what: str) -> None:
        a, b = self.at(a), self.at(b)
        if a != b:
            self.elements.append(Conductance(part=part, a=a, b=b, what=what))

    # ---- valves

    def touched(self) -> set[str]:
        points: set[str] = set()
        for laid in self.layout.parts:
            points |= {laid.from_point, laid.to_point}
            for _, a, b in laid.windings:
                points |= {a, b}
        for part in self.card.parts.values():
            points |= {part.from_point, part.to_point}
        points |= set(self.layout.joined) | set(self.layout.joined.values())
        return points

    def valves(self) -> None:
        touched = self.touched()
        for ref, valve in self.types.items():
            if any(section.kind == "rectifier" for section in valve.sections):
                self.heater_cathode(ref, valve, {"HT1"})
                continue
            used = [section for section in valve.sections if self.is_used(ref, valve, section, touched)]
            changers = (self.stage_of.get((ref, s.name)) for s in used if s.shape in _AMPLITUDE_SHAPES)
            oscillates = any(stage is not None and stage.name == "frequency_changer" for stage in changers)
            for section in used:
                self.section(ref, valve, section, oscillates, touched)
            cathodes = {self.at(electrode_point(ref, valve, section.name, "cathode")) for section in used}
            self.heater_cathode(ref, valve, cathodes)
            self.holder(ref, valve, touched)

    def is_used(self, ref: str, valve: ValveType, section: Section, touched: set[str]) -> bool:
        if section.shape is None or section.kind in ("rectifier", "stabiliser"):
            return False
        if (ref, section.name) in self.stage_of:
            return True
        if section.shape == "oscillator" and any(
            other.shape == "hexode" and (ref, other.name) in self.stage_of for other in valve.sections
        ):
            return True
        return any(
            electrode_point(ref, valve, section.name, electrode) in touched
            for electrode in section.electrodes
            if electrode not in ("cathode", "suppressor")
        )

    def section(self, ref: str, valve: ValveType, section: Section, oscillates: bool, touched: set[str]) -> None:
        shape, constants = law_of(valve, section.name)
        stage = self.stage_of.get((ref, section.name))
        mixer = self.oscillates_for.get((ref, section.name))
        if shape == "triode" and (mixer is not None or (stage is not None and stage.pattern == "FM tuner")):
            # a plain triode that swings by a coil of its own
            table = customs()["oscillator"]
            which = "fm_mixer" if mixer is None else "separate"
            constants["loop_ohms"] = float(table[f"{which}_loop_ohms"])
            constants["amplitude_volts"] = float(table[f"{which}_amplitude_volts"])
            shape, oscillates = "oscillator", True
        name = f"{ref}.{section.name}"
        cathode = self.at(electrode_point(ref, valve, section.name, "cathode"))
        electrodes: dict[str, str] = {}
        amplitude = f"{mixer or ref}.oscillator_amplitude"
        for electrode in SHAPES[shape]:
            if electrode == "amplitude":
                electrodes[electrode] = amplitude
                continue
            point = electrode_point(ref, valve, section.name, electrode)
            if point not in touched and electrode != "cathode":
                # nothing is joined to it: an idle triode, an unused grid
                point = cathode
            electrodes[electrode] = self.at(point)
        if shape in _AMPLITUDE_SHAPES and not oscillates and "loop_ohms" in constants:
            # a triode that is no oscillator here has no tuned circuit to keep it swinging
            constants["loop_ohms"] = float(customs()["oscillator"]["no_loop_ohms"])
        self.elements.append(
            ValveSection(
                part=name, valve=ref, shape=shape, constants=constants, electrodes=electrodes, cathode=cathode
            )
        )
        if shape in _AMPLITUDE_SHAPES and shape != "hexode":
            self.elements.append(Conductance(part=ref, a=amplitude, b="chassis", what="oscillator_stop_siemens"))
        pairs = [
            (
                self.at_electrode(ref, valve, section, a, electrodes, cathode),
                self.at_electrode(ref, valve, section, b, electrodes, cathode),
            )
            for a, b in _ADJACENT[shape]
        ]
        for (a, b), (first, second) in zip(_ADJACENT[shape], pairs, strict=True):
            self.port(name, first, second, f"{a}_to_{b}_siemens")

    def at_electrode(
        self,
        ref: str,
        valve: ValveType,
        section: Section,
        electrode: str,
        electrodes: Mapping[str, str],
        cathode: str,
    ) -> str:
        return cathode if electrode == "cathode" else electrodes[electrode]

    def heater_point(self, ref: str) -> str:
        return f"{ref}.heater" if self.chain_in_ht() else "chassis"

    def chain_in_ht(self) -> bool:
        return self.layout.set_forms["heaters"] == "series" and self.layout.set_forms["chain"] == "mains"

    def heater_cathode(self, ref: str, valve: ValveType, cathodes: set[str]) -> None:
        if valve.heater is None or valve.heater.directly_heated:
            return
        for cathode in sorted(cathodes):
            word = "heater_cathode_siemens" if len(cathodes) == 1 else f"heater_{cathode}_siemens"
            self.port(ref, cathode, self.heater_point(ref), word)

    def holder(self, ref: str, valve: ValveType, touched: set[str]) -> None:
        for a, b in neighbouring_points(valve):
            first, second = self.pin_point(ref, a), self.pin_point(ref, b)
            if (
                first is None
                or second is None
                or (first not in touched and not first.endswith("chassis"))
                or (second not in touched and second != "chassis")
            ):
                continue
            self.port(f"{ref}.holder", first, second, f"pins_{a}_{b}_siemens")

    def pin_point(self, ref: str, word: str) -> str | None:
        if word.startswith("heater_"):
            return "chassis" if not self.chain_in_ht() else None
        return f"{ref}.{_POINT_WORDS.get(word, word)}"

    def neighbours(self) -> tuple[tuple[str, str], ...]:
        pairs = []
        known = self.points()
        for ref, valve in self.types.items():
            for a, b in neighbouring_points(valve):
                first, second = self.pin_point(ref, a), self.pin_point(ref, b)
                if first is None or second is None:
                    continue
                first, second = self.at(first), self.at(second)
                if first != second and first in known and second in known:
                    pairs.append((first, second))
        return tuple(dict.fromkeys(pairs))

    def points(self) -> set[str]:
        found: set[str] = {"chassis"}
        for element in self.elements:
            found |= set(_ends(element))
        return found

    # ---- supply

    def supply(self) -> None:
        built = supply_elements(self.card, self.layout, [part for part, _ in self.placed], self.state)
        self.elements += built.elements
        self.spreads.update(built.spreads)
        self.basis.update(built.basis)
        self.aliases_added.update(built.aliases)
        if built.rectifier is not None:
            self.play("supply.rectifier", built.rectifier, built.across)

    # ---- heaters

    def heaters(self) -> Network | None:
        from hetwright.card.heater_network import heater_elements

        built = heater_elements(self.card, self.layout, self.placed, self.state)
        if built is None:
            return None
        for name, pair in built.terminals.items():
            self.terminals[name] = pair
        self.nominal_volts = built.nominal_volts
        self.spreads.update({key: spread for key, spread in built.spreads.items() if key not in self.spreads})
        self.basis.update({key: word for key, word in built.basis.items() if key not in self.basis})
        self.assumptions += built.assumptions
        if self.layout.set_forms["chain"] == "HT" and self.layout.set_forms["heaters"] == "series":
            # the filaments are direct current's own business: they bias the valves
            self.elements += [element for element in built.hot if isinstance(element, Resistance)]
        elif self.chain_in_ht():
            self.elements += built.cold
        return Network(elements=tuple(built.hot), datum="chassis")

    # ---- all of it

    def run(self) -> CardNetworks:
        for part, laid in self.placed:
            if laid is not None and laid.stage == "heaters":
                self.play(part.role, part.ref, (part.from_point, part.to_point))
                continue
            self.part(part, laid)
        self.valves()
        self.supply()
        heaters = self.heaters()
        ht = Network(elements=tuple(self.elements), datum="chassis")
        self.valve_roles()
        aliases = {name: self.at(name) for name in self.layout.joined}
        aliases.update(self.aliases_added)
        for name, point in self.electrode_aliases().items():
            aliases.setdefault(name, point)
        known = self.points()
        return CardNetworks(
            ht=ht,
            heaters=heaters,
            terminals=self.terminals,
            heater_nominal_volts=self.nominal_volts,
            neighbours=self.neighbours(),
            spreads=self.spreads,
            basis=self.basis,
            aliases={name: point for name, point in aliases.items() if name != point and point in known},
            roles={role: tuple(players) for role, players in self.roles.items()},
            assumptions=tuple(self.assumptions),
        )

    def electrode_aliases(self) -> dict[str, str]:
        """Other names of electrodes: ``V1.oscillator_grid``, ``V2.diode_1``, ``V8.anode_1``."""
        found: dict[str, str] = {}
        for ref, valve in self.types.items():
            for section in valve.sections:
                for electrode in section.electrodes:
                    point = self.at(electrode_point(ref, valve, section.name, electrode))
                    for name in (f"{section.name}_{electrode}", f"{section.name}.{electrode}"):
                        found.setdefault(f"{ref}.{name}", point)
                    if section.plain:
                        found.setdefault(f"{ref}.{electrode}", point)
                    if section.shape == "oscillator":
                        found.setdefault(f"{ref}.oscillator_{electrode}", point)
                    if section.shape == "diode" and electrode == "anode" and section.kind != "rectifier":
                        found.setdefault(f"{ref}.{section.name}", point)
        return found

    def valve_roles(self) -> None:
        for stage in self.card.stages:
            valve = self.types[stage.valve]
            pair = None
            if stage.name != "supply":
                section = valve.section(stage.section)
                anode = "anode" if "anode" in section.electrodes else next(iter(section.electrodes))
                pair = (
                    self.at(electrode_point(stage.valve, valve, section.name, anode)),
                    self.at(electrode_point(stage.valve, valve, section.name, "cathode")),
                )
                if stage.options.get("shape") != "crystal":
                    self.play(f"{stage.name}.valve", stage.valve, pair)
                if stage.name == "detector" and section.shape == "diode":
                    self.play("detector.diode", stage.valve, pair)
                    if stage.options.get("avc_diode"):
                        self.play("detector.avc_diode", stage.valve, pair)
        for ref in self.types:
            self.roles.setdefault("heaters.valve", []).append(ref)
        for record in customs()["same_part"]:
            role, other = record["role"], record["as"]
            if role not in self.roles and other in self.roles:
                self.roles[role] = list(self.roles[other])
                self.terminals.setdefault(role, self.terminals[other])


def _ends(element: Element) -> Iterable[str]:
    match element:
        case ValveSection():
            return (*element.electrodes.values(), element.cathode)
        case Supply() | Battery():
            return element.plus, element.minus
        case JunctionDiode():
            return element.anode, element.cathode
        case _:
            return element.a, element.b


_POINT_WORDS = {"grid": "control_grid", "screen": "screen_grid", "suppressor": "suppressor_grid"}


def networks_of(card: SetCard, state: State = "now") -> CardNetworks:
    """The networks of a card in one of its states.

    Parameters
    ----------
    card : SetCard
    state : "drawn", "found" or "now"
        Which values the parts have.

    Returns
    -------
    CardNetworks

    Raises
    ------
    InputFault
        A value that no part can have, or a supply of which nothing is known.
    """
    return _Networker(card, state).run()
