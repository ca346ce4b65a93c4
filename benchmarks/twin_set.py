"""Simulated sets: a truth the inference does not share, read by a simulated restorer.

A :class:`TwinCard` is one design: a line-up, the values its maker really fitted (the usual ones are only near),
and the card a restorer might have written of it. Many twins are drawn from it: every part aged, some faults or
none, some of them of no listed kind, read through a meter with the restorer's mistakes.

What differs from what the inference takes for granted, on purpose: the valve law (:mod:`twin_law`); the shapes of
all distributions (gamma drifts, mixtures, clipped worn valves); the rates of faults, each multiplied by a factor of
its own up to three either way; severities, which are continuous; how leakage rises with volts; how a cool heater
starves a valve; the words a restorer would use; and faults that no list has.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import twin_law
from numpy.typing import NDArray
from twin_readings import BenchMeter, Row, draw_meter, make_mistakes, shown_ohms

from hetwright.card.model import Part, ServiceSheetRow, SetCard, Value
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
from hetwright.circuit.solver import Circuit
from hetwright.faults.model import Fault, Severity
from hetwright.valves.catalogue import find

__all__ = ["LINEUPS", "Twin", "TwinCard", "simulate"]

Array = NDArray[np.float64]
Key = tuple[str, str]

#: Line-ups as a restorer would write them. Type numbers are real, the sets are nobody's.
LINEUPS: dict[str, str] = {
    "noval AC": """
[set]
mains = "230 V 50 Hz"
construction = "mains transformer, chassis isolated"
[valves]
V1 = "ECH81"
V2 = "EBF89"
V3 = "EABC80"
V4 = "EL84"
V5 = "EZ80"
""",
    "noval AC, bridge": """
[set]
mains = "220 V 50 Hz"
construction = "mains transformer, chassis isolated"
[valves]
V1 = "ECH81"
V2 = "EBF89"
V3 = "ECL82"
[supply]
rectifier = "bridge, silicon"
ht_secondary = "200 V"
smoothing = "resistor"
""",
    "noval AC with indicator": """
[set]
mains = "220 V 50 Hz"
construction = "mains transformer, chassis isolated"
[valves]
V1 = "ECH81"
V2 = "EBF89"
V3 = "EABC80"
V4 = "EL84"
V5 = "EM80"
V6 = "EZ80"
""",
    "B8A AC": """
[set]
mains = "240 V 50 Hz"
construction = "mains transformer, chassis isolated"
[valves]
V1 = "ECH42"
V2 = "EF41"
V3 = "EBC41"
V4 = "EL41"
V5 = "EZ40"
""",
    "B8A AC/DC": """
[set]
mains = "230 V 50 Hz"
construction = "AC/DC"
[valves]
V1 = "UCH42"
V2 = "UF41"
V3 = "UBC41"
V4 = "UL41"
V5 = "UY41"
""",
    "noval AC/DC": """
[set]
mains = "230 V 50 Hz"
construction = "AC/DC"
[valves]
V1 = "UCH81"
V2 = "UBF89"
V3 = "UABC80"
V4 = "UL84"
V5 = "UY85"
""",
    "European octal AC": """
[set]
mains = "230 V 50 Hz"
construction = "mains transformer, chassis isolated"
[valves]
V1 = "ECH35"
V2 = "EF39"
V3 = "EBC33"
V4 = "EL33"
V5 = "AZ31"
""",
    "octal with top caps, field coil": """
[set]
mains = "117 V 60 Hz"
construction = "mains transformer, chassis isolated"
[valves]
V1 = "6A8"
V2 = "6K7"
V3 = "6Q7"
V4 = "6F6"
V5 = "5Y3GT"
[supply]
rectifier = "two-anode valve"
smoothing = "field coil"
""",
    "octal single-ended": """
[set]
mains = "117 V 60 Hz"
construction = "mains transformer, chassis isolated"
[valves]
V1 = "6SA7"
V2 = "6SK7"
V3 = "6SQ7"
V4 = "6V6GT"
V5 = "5Y3GT"
""",
    "octal AC/DC": """
[set]
mains = "117 V 60 Hz"
construction = "AC/DC"
[valves]
V1 = "12SA7"
V2 = "12SK7"
V3 = "12SQ7"
V4 = "50L6GT"
V5 = "35Z5GT"
""",
    "miniature AC/DC": """
[set]
mains = "117 V 60 Hz"
construction = "AC/DC"
[valves]
V1 = "12BE6"
V2 = "12BA6"
V3 = "12AT6"
V4 = "50C5"
V5 = "35W4"
""",
    "miniature AC": """
[set]
mains = "117 V 60 Hz"
construction = "mains transformer, chassis isolated"
[valves]
V1 = "6BE6"
V2 = "6BA6"
V3 = "6AT6"
V4 = "6AQ5"
V5 = "6X4"
""",
    "push-pull": """
[set]
mains = "230 V 50 Hz"
construction = "mains transformer, chassis isolated"
output = "push-pull"
[valves]
V1 = "ECH81"
V2 = "EBF89"
V3 = "ECC83"
V4 = "EL84"
V5 = "EL84"
V6 = "EZ81"
""",
    "back bias": """
[set]
mains = "230 V 50 Hz"
construction = "mains transformer, chassis isolated"
[valves]
V1 = "ECH81"
V2 = "EBF89"
V3 = "EABC80"
V4 = "EL84"
V5 = "EZ80"
[supply]
bias = "back bias"
""",
    "battery miniature": """
[set]
construction = "battery"
[valves]
V1 = "1R5"
V2 = "1T4"
V3 = "1S5"
V4 = "3S4"
[supply]
heaters = "battery"
""",
    "battery miniature, 25 mA": """
[set]
construction = "battery"
[valves]
V1 = "DK96"
V2 = "DF96"
V3 = "DAF96"
V4 = "DL96"
[supply]
heaters = "battery"
""",
}

E12 = np.array([1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2])
EXTRA = "~"
COLD = 1e-5


def _preferred(value: float) -> float:
    decade = 10.0 ** np.floor(np.log10(value))
    steps = np.concatenate([E12, [10.0]]) * decade
    return float(steps[np.argmin(np.abs(np.log(steps / value)))])


# -- a fault that really is ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class TrueFault:
    """A listed fault at its own severity, or one of no list (``key`` then starts with ``~``)."""

    key: str
    role: str
    words: str
    changes: tuple[tuple[Key, str, float], ...]
    shows: dict[str, float] = field(default_factory=dict)

    @property
    def listed(self) -> bool:
        return not self.key.startswith(EXTRA)


def _cells_beside(severities: Sequence[Severity], at: int) -> list[int]:
    """Cells of the same place that change the same slots, next in number."""
    own = severities[at]
    keys = [(c.part, c.what, c.how) for c in own.changes]
    same = [
        i
        for i, s in enumerate(severities)
        if getattr(s, "where", "") == getattr(own, "where", "")
        and [(c.part, c.what, c.how) for c in s.changes] == keys
    ]
    place = same.index(at)
    return [same[i] for i in (place - 1, place + 1) if 0 <= i < len(same)]


def _between(a: float, b: float, t: float) -> float:
    if a > 0.0 and b > 0.0:
        return float(np.exp((1.0 - t) * np.log(a) + t * np.log(b)))
    return (1.0 - t) * a + t * b


def draw_severity(fault: Fault, rng: np.random.Generator) -> tuple[tuple[Key, str, float], ...]:
    """Changes of a fault at a severity anywhere between, or a little beyond, the cells of the list."""
    if not fault.severities:
        return ()
    weight = np.array([max(s.weight, 1e-6) for s in fault.severities]) ** 0.7
    at = int(rng.choice(len(weight), p=weight / weight.sum()))
    own = fault.severities[at]
    beside = _cells_beside(fault.severities, at)
    if beside:
        other = fault.severities[beside[int(rng.integers(0, len(beside)))]]
        t = float(rng.uniform(-0.15, 0.6))
        numbers = [_between(c.number, o.number, t) for c, o in zip(own.changes, other.changes, strict=True)]
    else:
        # one cell only: its first change is let vary, where it can
        stray = float(np.exp(0.2 * rng.standard_normal()))
        numbers = [c.number for c in own.changes]
        if own.log_sd > 0.0 and numbers and numbers[0] > 0.0:
            numbers[0] *= stray
    return tuple(((c.part, c.what), c.how, n) for c, n in zip(own.changes, numbers, strict=True))


# -- one design -----------------------------------------------------------------------------------------------------


@dataclass
class Solution:
    """Working points of some rows: volts (N, P) of the HT network, NaN where not certified; heater volts by valve."""

    volts: Array
    heaters: dict[str, Array]


@dataclass
class Twin:
    """One simulated set and what was read of it. ``visible``: how many healthy spreads its worst reading moved."""

    card_number: int
    faults: tuple[TrueFault, ...]
    rows: list[Row]
    observations: list[str]
    meter: BenchMeter
    ht_slots: Array
    heater_slots: Array
    visible: float
    visible_each: tuple[float, ...]
    mains_volts: float | None
    seed: int

    @property
    def kind(self) -> str:
        """healthy, one, several or not listed."""
        if not self.faults:
            return "healthy"
        if any(not f.listed for f in self.faults):
            return "not listed"
        return "one" if len(self.faults) == 1 else "several"


class TwinCard:
    """One design with the card written of it.

    Parameters
    ----------
    number : int
        Also the seed of the design.
    build : text -> SetCard
    networks_of, faults_of :
        Those of the card and faults rooms.
    """

    def __init__(
        self,
        number: int,
        name: str,
        build: Callable[[str], SetCard],
        networks_of: Callable[..., Any],
        faults_of: Callable[..., Sequence[Fault]],
        *,
        seed: int = 0,
    ) -> None:
        self.number = number
        self.name = name
        rng = np.random.default_rng([seed, number, 77])
        bare = build(LINEUPS[name])
        self.networks_of = networks_of
        self.given, design = self._write(bare, networks_of(bare, "now"), rng)
        self.networks = networks_of(design, "drawn")
        self.design = design
        self.faults = tuple(f for f in faults_of(design, self.networks) if f.rate > 0.0)
        # each rate is off by a factor of its own, up to three either way
        self.rates = np.array([f.rate for f in self.faults]) * np.exp(
            rng.uniform(-np.log(3.0), np.log(3.0), len(self.faults))
        )
        self.reference = design.reference_point
        self.heaters = self.networks.heaters
        self._points_of_valves()
        self.extras = self._faults_of_no_list(rng)
        self.network = self._network(rng)
        self.circuit = Circuit(self.network, law=twin_law)
        self.base = np.array(self.circuit.base(), dtype=float)
        self.index = {(s.part, s.what): i for i, s in enumerate(self.circuit.slots)}
        self.farads = {e.part: e.farads for e in self.network.elements if isinstance(e, Capacitance)}
        self.kind_of_slot = self._kinds()
        self.heater_keys = _slots_of(self.heaters) if self.heaters is not None else {}
        self.heater_base = np.array(list(self.heater_keys.values()))
        self.heater_index = {key: i for i, key in enumerate(self.heater_keys)}
        self.design_mains = design.mains_rms_volts
        # what the mains was found at on the days these sets were on the bench
        self.mains_levels = [float(round(self.design_mains * f)) for f in rng.uniform(0.95, 1.06, 3)]
        self.given = replace(self.given, service_sheet=self._service_sheet(rng))
        self._healthy(rng)

    # -- design and card

    def _write(self, bare: SetCard, networks: Any, rng: np.random.Generator) -> tuple[SetCard, SetCard]:
        """(card given to the inference, card of the truth)."""
        share_marked = float(rng.choice([0.0, 0.15, 0.4, 0.7]))
        spreads = networks.spreads
        given: dict[str, Part] = {}
        design: dict[str, Part] = {}
        for ref, part in bare.parts.items():
            usual = part.value("now")
            given[ref] = design[ref] = part
            if usual is None or part.quantity not in ("ohms", "farads") or usual.basis != "usual" or usual.si <= 0.0:
                continue
            spread = usual.spread_log_sd
            what = "ohms" if part.quantity == "ohms" else "farads"
            spread = max(spread, float(spreads.get((ref, what), spread)))
            si = usual.si
            if rng.random() > 0.45:
                si *= float(np.exp(1.25 * spread * np.clip(rng.standard_normal(), -2.2, 2.2)))
            winding = part.kind in ("winding", "choke", "field coil") or "transformer" in part.kind
            if not winding:
                si = _preferred(si)
            stated = Value(si=si, basis="stated", spread_log_sd=0.08, written="")
            design[ref] = replace(part, drawn=stated)
            if rng.random() < share_marked and not winding:
                tolerance = 0.12 if part.quantity == "ohms" else 0.18
                given[ref] = replace(part, marked=Value(si=si, basis="marked", spread_log_sd=tolerance, written=""))
        supply = next((e for e in networks.ht.elements if isinstance(e, Supply)), None)
        told = made = bare.supply
        if supply is not None and float(spreads.get((supply.part, "mains"), 0.0)) > 0.08:
            # nobody stated the winding: the maker's own may be a good deal off the usual one
            strayed = 0.9 * float(spreads[(supply.part, "mains")]) * float(np.clip(rng.standard_normal(), -2.0, 2.0))
            volts = Value(
                si=supply.rms_volts * float(np.exp(strayed)), basis="stated", spread_log_sd=0.03, written=""
            )
            made = replace(bare.supply, secondary_rms_volts=volts)
            if rng.random() < 0.45:
                told = made
        return replace(bare, parts=given, supply=told), replace(bare, parts=design, supply=made)

    def _points_of_valves(self) -> None:
        """Points by valve electrode, from the network itself."""
        points: set[str] = set()
        for element in self.networks.ht.elements:
            points.update(_ends(element))
        self.points = sorted(points)
        self.sections = [e for e in self.networks.ht.elements if isinstance(e, ValveSection)]

    def _network(self, rng: np.random.Generator) -> Network:
        """The truth's network: other constants in the valves, other leakage laws, meters and strays."""
        elements: list[Element] = []
        rerouted = {key: point for extra in self.extras for key, point in extra.rerouted.items()}
        for element in self.networks.ht.elements:
            if isinstance(element, ValveSection):
                valve = self.design.valves[element.valve]
                name = element.part.rpartition(".")[2]
                constants = twin_law.constants_for(valve.type, name, like=valve.like, kind=valve.kind)
                element = replace(element, constants=constants)
            elif isinstance(element, Capacitance):
                element = replace(
                    element, knee_volts=float(rng.uniform(50.0, 350.0)), power=float(rng.uniform(1.0, 2.4))
                )
            if isinstance(element, Resistance | Capacitance):
                for end in ("a", "b"):
                    point = rerouted.get((element.part, getattr(element, end)))
                    if point is not None:
                        element = replace(element, **{end: point})
            elements.append(element)
        for extra in self.extras:
            elements.extend(extra.elements)
        self.measurable = [
            p for p in self.points if p != self.reference and "amplitude" not in p and not p.startswith(".")
        ]
        for point in self.measurable:
            elements.append(
                Conductance(part=f"{EXTRA}meter {point}", a=point, b=self.reference, what="siemens", siemens=0.0)
            )
        return replace(self.networks.ht, elements=tuple(elements))

    def _faults_of_no_list(self, rng: np.random.Generator) -> list[Unlisted]:
        """A dozen faults that no list has, with the elements that let them act."""
        out: list[Unlisted] = []
        number = 0

        def stray(words: str, a: str, b: str, ohms: float) -> None:
            nonlocal number
            if a == b:
                return
            number += 1
            part = f"{EXTRA}stray {number}"
            element = Conductance(part=part, a=a, b=b, what="siemens", siemens=0.0)
            out.append(
                Unlisted(
                    f"{part}: {words} {a} to {b}, {ohms:.3g} ohms",
                    (element,),
                    (((part, "siemens"), "set", 1.0 / ohms),),
                )
            )

        valves = [p for p in self.points if p.partition(".")[0] in self.design.valves and "amplitude" not in p]
        for _ in range(3):
            a, b = rng.choice(valves, 2, replace=False)
            if a.partition(".")[0] != b.partition(".")[0]:
                stray("solder bridge", str(a), str(b), float(np.exp(rng.uniform(np.log(0.1), np.log(100.0)))))
        screens = [p for p in valves if p.endswith("screen_grid") or p.endswith(".screen")]
        if len(screens) > 1:
            a, b = rng.choice(screens, 2, replace=False)
            stray("wire between screens", str(a), str(b), 0.2)
        for _ in range(2):
            a, b = rng.choice(valves, 2, replace=False)
            stray(
                "forgotten resistor", str(a), str(b), _preferred(float(np.exp(rng.uniform(np.log(4e3), np.log(5e5)))))
            )
        if "HT2" in self.points:
            stray("extra load", "HT2", "chassis", float(np.exp(rng.uniform(np.log(2.5e3), np.log(1.2e4)))))
        if "HT1" in self.points and "HT2" in self.points:
            stray(
                "resistor across the smoothing", "HT1", "HT2", float(np.exp(rng.uniform(np.log(50.0), np.log(600.0))))
            )
        grids = [p for p in self.points if "grid" in p.partition(".")[2] and "screen" not in p] + (
            ["avc_line"] if "avc_line" in self.points else []
        )
        if grids and "HT2" in self.points:
            stray(
                "tracking from the HT",
                "HT2",
                str(rng.choice(grids)),
                float(np.exp(rng.uniform(np.log(4e5), np.log(2e7)))),
            )
        # an earth tag of one stage gone high: everything of the stage that should reach the chassis shares it
        stages: dict[str, list[tuple[str, str]]] = {}
        for element in self.networks.ht.elements:
            if isinstance(element, Resistance | Capacitance) and "chassis" in (element.a, element.b):
                part = self.design.parts.get(element.part.partition(".")[0])
                if part is not None and part.role and not part.role.startswith(("supply.", "heaters.", "wiring.")):
                    stages.setdefault(part.role.partition(".")[0], []).append((element.part, "chassis"))
        usable = [name for name, found in stages.items() if len(found) >= 2]
        for name in rng.permutation(usable)[:2]:
            number += 1
            part, tag = f"{EXTRA}earth tag {number}", f"{EXTRA}{name} earth tag"
            ohms = float(np.exp(rng.uniform(np.log(150.0), np.log(3e4))))
            out.append(
                Unlisted(
                    f"{part}: earth tag of {name}, {ohms:.3g} ohms",
                    (Resistance(part=part, a=tag, b="chassis", ohms=1e-3),),
                    (((part, "ohms"), "set", ohms),),
                    dict.fromkeys(stages[str(name)], tag),
                )
            )
        return out

    def _kinds(self) -> list[str]:
        """Kind of ageing of every slot."""
        kinds = []
        leaks = {e.part: e for e in self.network.elements if isinstance(e, Capacitance)}
        for slot in self.circuit.slots:
            part = self.design.parts.get(slot.part) or self.design.parts.get(slot.part.partition(".")[0])
            kind = part.kind if part is not None else ""
            if slot.part.startswith(EXTRA):
                kinds.append("fixed")
            elif slot.what == "ohms":
                high = slot.nominal
                if kind in ("carbon", "composition", "control") and high < 3e7:
                    kinds.append("carbon" if high < 1e5 else "high carbon")
                elif 1.0 < high < 1e6:
                    kinds.append("wound")
                else:
                    kinds.append("fixed")
            elif slot.what == "leak_siemens":
                element = leaks.get(slot.part)
                small = element is not None and element.farads < 1.5e-9
                if element is not None and element.electrolytic:
                    kinds.append("electrolytic leak" if element.farads > 1e-6 else "paper leak")
                else:
                    kinds.append("small leak" if small else "paper leak")
            elif slot.what == "farads":
                kinds.append("electrolytic farads" if slot.nominal > 0.9e-6 else "farads")
            elif slot.what in ("emission", "emission_1", "emission_2", "mu", "contact_volts", "gas", "mains"):
                kinds.append(slot.what.partition("_1")[0].partition("_2")[0])
            elif slot.what == "volts" and slot.nominal > 0.0:
                kinds.append("battery")
            elif slot.what == "winding_ohms":
                kinds.append("wound")
            elif slot.what == "reservoir_farads":
                kinds.append("electrolytic farads")
            else:
                kinds.append("fixed")
        return kinds

    def age(self, rng: np.random.Generator, mains: float) -> Array:
        """Slot values of one set with nothing wrong but its years."""
        out = self.base.copy()
        years = float(np.exp(0.25 * rng.standard_normal()))
        emissions: dict[str, float] = {}
        for i, (slot, kind) in enumerate(zip(self.circuit.slots, self.kind_of_slot, strict=True)):
            base = self.base[i]
            if kind == "fixed":
                continue
            if kind in ("carbon", "high carbon"):
                drift = years * rng.gamma(1.3, 0.045 if kind == "carbon" else 0.075)
                if rng.random() < 0.04:
                    drift += rng.exponential(0.22)
                sign = 1.0 if rng.random() < 0.88 else -0.5
                out[i] = base * np.exp(sign * drift + rng.uniform(-0.10, 0.10))
            elif kind == "wound":
                out[i] = base * np.exp(0.05 * rng.standard_t(6))
            elif kind == "paper leak":
                # insulation times capacitance: seconds where new ones had hundreds
                seconds = max(2.5 * np.exp(1.3 * rng.standard_normal()) / years**2, 0.08)
                out[i] = self.farads[slot.part] / seconds
            elif kind == "small leak":
                out[i] = 1.0 / (2e9 * np.exp(1.0 * rng.standard_normal()))
            elif kind == "electrolytic leak":
                out[i] = self.farads[slot.part] / (9.0 * np.exp(0.8 * rng.standard_normal()))
            elif kind == "electrolytic farads":
                out[i] = base * np.exp(-years * rng.gamma(1.6, 0.10) + 0.12 * rng.standard_normal())
            elif kind == "farads":
                out[i] = base * np.exp(0.07 * rng.standard_normal())
            elif kind == "emission":
                valve = slot.part.partition(".")[0]
                if valve not in emissions:
                    worn = rng.random() < 0.3
                    emissions[valve] = float(0.55 + 0.4 * rng.beta(4, 2.5) if worn else 1.05 - rng.gamma(1.5, 0.06))
                out[i] = base * np.clip(emissions[valve] * np.exp(0.04 * rng.standard_normal()), 0.35, 1.15)
            elif kind == "mu":
                out[i] = base * np.exp(0.035 * rng.standard_t(6))
            elif kind == "contact_volts":
                out[i] = base + 0.10 * rng.standard_t(5)
            elif kind == "gas":
                out[i] = base + rng.gamma(0.7, 2.5e-6)
            elif kind == "mains":
                out[i] = base * mains
            elif kind == "battery":
                out[i] = base * rng.uniform(0.89, 1.02)
        return out

    def age_heaters(self, rng: np.random.Generator, mains: float) -> Array:
        out = self.heater_base.copy()
        for (_, what), i in self.heater_index.items():
            if what == "ohms" and out[i] > 0.5:
                out[i] *= np.exp(0.03 * rng.standard_normal())
            elif what == "volts":
                out[i] *= mains if self.design.construction != "battery" else rng.uniform(0.90, 1.02)
        return out

    # -- solving

    def uncooled(self, changes: tuple[tuple[Key, str, float], ...]) -> tuple[tuple[Key, str, float], ...]:
        """Changes of a fault without what they foretell of cooled valves: the heater circuit here works that out."""
        if not any(key in self.heater_index for key, _, _ in changes):
            return changes
        return tuple(c for c in changes if c[0] in self.heater_index or not c[0][1].startswith("emission"))

    def apply(self, fault: TrueFault, ht: Array, heaters: Array) -> None:
        """Change one set in place."""
        for key, how, number in fault.changes:
            for index, row in ((self.index, ht), (self.heater_index, heaters)):
                at = index.get(key)
                if at is not None:
                    row[at] = number if how == "set" else row[at] * number

    def solve(self, ht: Array, heaters: Array) -> Solution:
        """Working points of rows (N, S), (N, H), each valve as warm as the watts in its heater make it."""
        warm: dict[str, Array] = {}
        heater_volts: dict[str, Array] = {}
        nominal = self.networks.heater_nominal_volts
        if self.heaters is not None and nominal:
            heater_volts = self._heater_volts(heaters)
            for valve, volts in heater_volts.items():
                r = np.clip((np.abs(volts) / nominal[valve] - 0.42) / 0.40, 0.0, 1.0)
                warm[valve] = np.maximum(r * r * (3.0 - 2.0 * r), COLD)
        stack = ht.copy()
        for section in self.sections:
            if section.valve in warm:
                stack[:, self.index[(section.part, "emission")]] *= warm[section.valve]
        rectifier = self.design.supply.valve
        if rectifier in warm:
            for (_, what), at in self.index.items():
                if what in ("emission_1", "emission_2"):
                    stack[:, at] *= warm[rectifier]
        points = self.circuit.solve(stack)
        volts = np.where(points.certified[:, None], points.volts, np.nan)
        return Solution(volts, heater_volts)

    def _heater_volts(self, rows: Array) -> dict[str, Array]:
        assert self.heaters is not None
        out: dict[str, Array] = {valve: np.empty(len(rows)) for valve in self.networks.heater_nominal_volts}
        seen: dict[bytes, dict[str, float]] = {}
        for n, row in enumerate(rows):
            key = row.tobytes()
            if key not in seen:
                seen[key] = self._heater_row(row)
            for valve, volts in seen[key].items():
                out[valve][n] = volts
        return out

    def _heater_row(self, row: Array) -> dict[str, float]:
        """Volts that would give each heater the watts it has (an open one has volts across it, but no watts)."""
        assert self.heaters is not None
        values = dict(zip(self.heater_index, row, strict=True))
        volts = linear_volts(self.heaters, values, ())
        watts = dict.fromkeys(self.networks.heater_nominal_volts, 0.0)
        nominal_ohms = dict.fromkeys(watts, 0.0)
        for e in self.heaters.elements:
            valve = e.part.partition(".")[0]
            if isinstance(e, Resistance) and valve in watts:
                ohms = values[(e.part, e.what)] * e.scale
                watts[valve] += (volts[e.a] - volts[e.b]) ** 2 / ohms
                nominal_ohms[valve] += e.ohms * e.scale
        return {valve: float(np.sqrt(watts[valve] * nominal_ohms[valve])) for valve in watts}

    def at(self, name: str) -> str:
        """The point of the network that a name means (a cathode may be the chassis itself)."""
        return str(self.networks.point(name))

    def point(self, name: str) -> int:
        return int(self.circuit.point(self.at(name)))

    def meter_slot(self, name: str) -> int:
        """Column of the meter put on a point."""
        return self.index[(f"{EXTRA}meter {self.at(name)}", "siemens")]

    def volts_read(self, ht: Array, heaters: Array, wanted: Sequence[tuple[str, float]]) -> Array:
        """Volts at each (point, meter ohms) of one set, loaded, to the reference."""
        rows = np.repeat(ht[None, :], len(wanted), axis=0)
        for n, (point, ohms) in enumerate(wanted):
            rows[n, self.meter_slot(point)] = 1.0 / ohms
        solved = self.solve(rows, np.repeat(heaters[None, :], len(wanted), axis=0))
        reference = self.point(self.reference)
        return np.array(
            [solved.volts[n, self.point(p)] - solved.volts[n, reference] for n, (p, _) in enumerate(wanted)]
        )

    def cold_ohms(self, ht: Array, a: str, b: str) -> float:
        """What an ideal ohmmeter finds between two points of the cold set."""
        values = {key: ht[at] for key, at in self.index.items()}
        volts = linear_volts(replace(self.network, datum=self.at(b)), values, ((self.at(a), 1e-6),), cold=True)
        return float(volts.get(self.at(a), 0.0) / 1e-6)

    # -- the healthy set

    def _service_sheet(self, rng: np.random.Generator) -> tuple[ServiceSheetRow, ...]:
        """What the maker printed: a set as new, on an old meter, rounded."""
        if rng.random() < 0.55:
            return ()
        per_volt, ranges = (
            (500.0, (40.0, 100.0, 400.0)) if rng.random() < 0.5 else (1000.0, (50.0, 100.0, 250.0, 500.0))
        )
        usual = [p for p in self.usual_points() if not p.endswith("grid") or "screen" in p]
        chosen = [p for p in usual if rng.random() < 0.7]
        if not chosen:
            return ()
        plain = self.volts_read(self.base, self.heater_base, [(p, 1e9) for p in chosen])
        full = [next((r for r in ranges if abs(v) <= r), ranges[-1]) for v in np.nan_to_num(plain)]
        loaded = self.volts_read(
            self.base, self.heater_base, [(p, per_volt * r) for p, r in zip(chosen, full, strict=True)]
        )
        out = []
        for point, volts, r in zip(chosen, loaded, full, strict=True):
            if not np.isfinite(volts) or abs(volts) < 1.0:
                continue
            step = 5.0 if abs(volts) > 50.0 else 0.5
            shown = round(float(volts * (1.0 + 0.02 * rng.standard_normal())) / step) * step
            if shown == 0.0:
                continue
            name = f"{per_volt:g} ohm/V on {r:g} V"
            out.append(
                ServiceSheetRow(
                    point=point, to=None, quantity="volts dc", value=shown, meter=name, meter_ohms=per_volt * r
                )
            )
        return tuple(out)

    def usual_points(self) -> list[str]:
        """Points a restorer puts a meter on, supply first."""
        first = [p for p in ("HT1", "HT2") if self.at(p) in self.measurable]
        electrodes = (
            "anode", "screen_grid", "cathode", "control_grid", "triode_anode", "oscillator_anode", "triode_grid",
            "oscillator_grid", "target", "triode_1_anode", "triode_2_anode", "anode_2",
        )  # fmt: skip
        rest = []
        for valve in self.design.valves:
            if valve == self.design.supply.valve:
                continue
            # a triode's anode that is the oscillator's has two names: one is enough
            named = {self.at(f"{valve}.{e}"): f"{valve}.{e}" for e in reversed(electrodes)}
            rest += [f"{valve}.{e}" for e in electrodes if named.get(self.at(f"{valve}.{e}")) == f"{valve}.{e}"]
        rest = [name for name in rest if self.at(name) in self.measurable]
        back = ["ht_negative"] if "ht_negative" in self.measurable and self.reference == "chassis" else []
        return first + rest + back

    def _healthy(self, rng: np.random.Generator, count: int = 160) -> None:
        """Spread of every point over sets with nothing wrong that this card might be of.

        What the card states is as stated; the rest varies as usual values do, less where a service sheet tells of it.
        """
        mains = 1.0 + 0.02 * rng.standard_normal(count)
        ht = np.array([self.age(rng, m) for m in mains])
        heaters = (
            np.array([self.age_heaters(rng, m) for m in mains]) if len(self.heater_base) else np.zeros((count, 0))
        )
        known = 0.4 if self.given.service_sheet else 1.0
        guessed = self.networks_of(self.given, "now")
        theirs, ours = Circuit(guessed.ht), self.circuit.slot_index
        rms = {e.part: e.rms_volts for e in self.networks.ht.elements if isinstance(e, Supply)}
        for key, spread in guessed.spreads.items():
            if guessed.basis.get(key) != "usual" or key not in ours or key not in theirs.slot_index:
                continue
            at = ours[key]
            nominal = theirs.base()[theirs.slot_index[key]] / self.base[at]
            if key[1] == "mains":
                nominal = next(e.rms_volts for e in guessed.ht.elements if isinstance(e, Supply)) / rms[key[0]]
            if nominal > 0.0:
                ht[:, at] *= np.exp(known * (np.log(nominal) + spread * rng.standard_normal(count)))
        solved = self.solve(ht, heaters)
        reference = solved.volts[:, [self.point(self.reference)]]
        volts = solved.volts - reference
        low, middle, high = np.nanquantile(volts, [0.16, 0.5, 0.84], axis=0)
        self.healthy_volts = middle
        self.healthy_sd = np.maximum((high - low) / 2.0, 0.01)
        self.healthy_certified = float(np.isfinite(solved.volts[:, 0]).mean())
        self.healthy_slots = ht
        self._ohms_sd: dict[tuple[str, str], tuple[float, float]] = {}

    def healthy_ohms(self, a: str, b: str) -> tuple[float, float]:
        """Mean and spread of ln(1 + ohms) between two points over healthy sets."""
        if (a, b) not in self._ohms_sd:
            found = np.array([np.log1p(min(self.cold_ohms(row, a, b), 3e7)) for row in self.healthy_slots[:40]])
            self._ohms_sd[(a, b)] = float(np.median(found)), float(max(found.std(), 0.05))
        return self._ohms_sd[(a, b)]


@dataclass(frozen=True)
class Unlisted:
    """A fault of no list: its words, the elements that carry it and the changes that make it act."""

    words: str
    elements: tuple[Element, ...]
    changes: tuple[tuple[Key, str, float], ...]
    rerouted: dict[tuple[str, str], str] = field(default_factory=dict)


def _ends(element: Element) -> list[str]:
    if isinstance(element, ValveSection):
        return [*element.electrodes.values(), element.cathode]
    if isinstance(element, Supply | Battery):
        return [element.plus, element.minus]
    if isinstance(element, JunctionDiode):
        return [element.anode, element.cathode]
    return [element.a, element.b]


def _slots_of(network: Network) -> dict[Key, float]:
    """Slots of a linear network with their nominal values."""
    out: dict[Key, float] = {}
    for e in network.elements:
        if isinstance(e, Resistance):
            out.setdefault((e.part, e.what), e.ohms)
        elif isinstance(e, Conductance):
            out.setdefault((e.part, e.what), e.siemens)
        elif isinstance(e, Inductance):
            out.setdefault((e.part, "ohms"), e.ohms)
        elif isinstance(e, Battery):
            out.setdefault((e.part, "volts"), e.volts)
            out.setdefault((e.part, "ohms"), e.ohms)
        elif isinstance(e, Capacitance):
            out.setdefault((e.part, "leak_siemens"), e.leak_siemens)
    return out


def linear_volts(
    network: Network, values: dict[Key, float], inject: Sequence[tuple[str, float]], *, cold: bool = False
) -> dict[str, float]:
    """Volts of a network taken as linear: resistors, windings, strays, capacitor leaks at few volts, batteries.

    ``cold``: batteries are off. Valves, the supply and junction diodes conduct nothing. ``inject`` puts amps into
    points, out of the datum.
    """
    names: dict[str, int] = {network.datum: 0}
    for e in network.elements:
        for end in _ends(e):
            names.setdefault(end, len(names))
    for point, _ in inject:
        names.setdefault(point, len(names))
    size = len(names)
    g = np.zeros((size, size))
    amps = np.zeros(size)
    g[np.arange(size), np.arange(size)] += 1.0 / network.insulation_ohms

    def join(a: int, b: int, siemens: float) -> None:
        g[a, a] += siemens
        g[b, b] += siemens
        g[a, b] -= siemens
        g[b, a] -= siemens

    for e in network.elements:
        if isinstance(e, Resistance):
            join(names[e.a], names[e.b], 1.0 / max(values[(e.part, e.what)] * e.scale, 1e-6))
        elif isinstance(e, Conductance):
            join(names[e.a], names[e.b], min(values[(e.part, e.what)], 1e6))
        elif isinstance(e, Inductance):
            join(names[e.a], names[e.b], 1.0 / max(values[(e.part, "ohms")], 1e-6))
        elif isinstance(e, Capacitance):
            join(names[e.a], names[e.b], values[(e.part, "leak_siemens")])
        elif isinstance(e, Battery) and not cold:
            siemens = 1.0 / max(values[(e.part, "ohms")], 1e-3)
            join(names[e.plus], names[e.minus], siemens)
            amps[names[e.plus]] += siemens * values[(e.part, "volts")]
            amps[names[e.minus]] -= siemens * values[(e.part, "volts")]
    for point, current in inject:
        amps[names[point]] += current
    volts = np.zeros(size)
    volts[1:] = np.linalg.solve(g[1:, 1:], amps[1:])
    return {name: float(volts[at]) for name, at in names.items()}


# -- drawing twins --------------------------------------------------------------------------------------------------

KINDS = ("healthy", "not listed", "one", "two", "three")
SHARES = (0.10, 0.10, 0.40, 0.28, 0.12)


def _draw_faults(card: TwinCard, rng: np.random.Generator) -> tuple[TrueFault, ...]:
    kind = str(rng.choice(KINDS, p=SHARES))
    if kind == "healthy":
        return ()
    if kind == "not listed":
        extra = card.extras[int(rng.integers(0, len(card.extras)))]
        return (TrueFault(f"{EXTRA}{extra.words}", "", extra.words, extra.changes),)
    count = {"one": 1, "two": 2, "three": 3}[kind]
    weight = card.rates / card.rates.sum()
    out: list[TrueFault] = []
    parts: set[str] = set()
    while len(out) < count:
        fault = card.faults[int(rng.choice(len(weight), p=weight))]
        if fault.part in parts:
            continue
        parts.add(fault.part)
        shows = {word: float(min(1.0, p * rng.uniform(0.6, 1.1))) for word, p in fault.shows.items()}
        changes = card.uncooled(draw_severity(fault, rng))
        out.append(TrueFault(f"{fault.part}|{fault.fault}|{fault.role}", fault.role, fault.fault, changes, shows))
    return tuple(out)


def _choose(card: TwinCard, rng: np.random.Generator) -> list[str]:
    """Points read: 8 to 16 of the usual ones, anodes oftener than grids."""
    usual = card.usual_points()
    likely = {"anode": 1.0, "screen_grid": 0.9, "cathode": 0.8, "control_grid": 0.45}
    weight = np.array([0.95 if p.startswith("HT") else likely.get(p.partition(".")[2], 0.4) for p in usual])
    count = int(min(rng.integers(8, 17), len(usual)))
    order = np.argsort(rng.exponential(size=len(usual)) / weight)
    return [usual[i] for i in sorted(order[:count])]


def _cold_pairs(card: TwinCard, rng: np.random.Generator) -> list[tuple[str, str]]:
    if rng.random() < 0.6:
        return []
    pairs = [("HT2", "chassis"), ("HT1", "HT2")]
    for valve in card.design.valves:
        pairs += [(f"{valve}.anode", "HT2"), (f"{valve}.cathode", "chassis"), (f"{valve}.screen_grid", "HT2")]
        pairs.append((f"{valve}.control_grid", "chassis"))
    known = set(card.points)
    usable = [pair for pair in pairs if {card.at(p) for p in pair} <= known and card.at(pair[0]) != card.at(pair[1])]
    many = int(min(rng.integers(1, 5), len(usable)))
    return [usable[i] for i in sorted(rng.choice(len(usable), many, replace=False))]


def take_reading(
    card: TwinCard, twin_ht: Array, twin_heaters: Array, point: str, meter: BenchMeter, rng: np.random.Generator
) -> tuple[Row | None, float]:
    """One voltage reading of a twin: the line written, and what a meter without error would have shown."""
    plain = float(card.volts_read(twin_ht, twin_heaters, [(point, 1e9)])[0])
    if not np.isfinite(plain):
        return None, np.nan
    full = meter.range_for(plain)
    loaded = float(card.volts_read(twin_ht, twin_heaters, [(point, meter.ohms_on(full))])[0])
    if not np.isfinite(loaded):
        return None, np.nan
    return Row(point, "", "volts dc", meter.show(loaded, full, rng), meter.text_on(full)), loaded


def simulate(card: TwinCard, count: int, seed: int, *, with_observations: bool = True) -> list[Twin]:
    """Draw ``count`` twins of a design and read each.

    A twin whose truth has no certified working point is drawn again.
    """
    twins: list[Twin] = []
    attempt = 0
    while len(twins) < count and attempt < 4 * count:
        batch = min(count - len(twins) + 2, 40)
        seeds = list(range(attempt, attempt + batch))
        attempt += batch
        twins.extend(_simulate_batch(card, seeds, seed, with_observations))
    return twins[:count]


@dataclass
class _Draft:
    number: int
    rng: np.random.Generator
    faults: tuple[TrueFault, ...]
    ht: Array
    heaters: Array
    sound_ht: Array
    sound_heaters: Array
    meter: BenchMeter
    points: list[str]
    pairs: list[tuple[str, str]]
    mains_read: float | None


def _draft(card: TwinCard, number: int, seed: int) -> _Draft:
    rng = np.random.default_rng([seed, card.number, number])
    faults = _draw_faults(card, rng)
    mains_read = None
    if card.design.construction != "battery" and rng.random() < 0.6:
        mains_read = float(rng.choice(card.mains_levels))
        mains = mains_read / card.design_mains * (1.0 + 0.006 * rng.standard_normal())
    else:
        mains = 1.0 + 0.025 * rng.standard_t(5)
        if rng.random() < 0.05:
            mains *= 1.06
    mains = float(np.clip(mains, 0.85, 1.15))
    sound_ht = card.age(rng, mains)
    sound_heaters = card.age_heaters(rng, mains) if len(card.heater_base) else np.zeros(0)
    ht, heaters = sound_ht.copy(), sound_heaters.copy()
    for fault in faults:
        card.apply(fault, ht, heaters)
    return _Draft(
        number, rng, faults, ht, heaters, sound_ht, sound_heaters, draw_meter(rng), _choose(card, rng),
        _cold_pairs(card, rng), mains_read,
    )  # fmt: skip


def _simulate_batch(card: TwinCard, numbers: list[int], seed: int, with_observations: bool) -> list[Twin]:
    drafts = [_draft(card, number, seed) for number in numbers]
    rows: list[Array] = []
    heaters: list[Array] = []
    where: list[tuple[int, int]] = []
    for d in drafts:
        where.append((len(rows), len(rows) + 1))
        rows += [d.ht, d.sound_ht]
        heaters += [d.heaters, d.sound_heaters]
    solved = card.solve(np.array(rows), np.array(heaters))
    reference = card.point(card.reference)
    volts = solved.volts - solved.volts[:, [reference]]

    # every reading through its own meter, all together
    loads: list[Array] = []
    load_heaters: list[Array] = []
    ranges: list[list[float]] = []
    for d, (true, _) in zip(drafts, where, strict=True):
        full = []
        for point in d.points:
            plain = volts[true, card.point(point)]
            r = d.meter.range_for(float(plain) if np.isfinite(plain) else 0.0)
            full.append(r)
            row = d.ht.copy()
            row[card.meter_slot(point)] = 1.0 / d.meter.ohms_on(r)
            loads.append(row)
            load_heaters.append(d.heaters)
        ranges.append(full)
    # and the same set without its faults, and with each alone, through the same meters
    for d, full in zip(drafts, ranges, strict=True):
        for ht, heater in _versions(card, d):
            for point, r in zip(d.points, full, strict=True):
                row = ht.copy()
                row[card.meter_slot(point)] = 1.0 / d.meter.ohms_on(r)
                loads.append(row)
                load_heaters.append(heater)
    loaded = card.solve(np.array(loads), np.array(load_heaters)).volts
    out = []
    at, later = 0, sum(len(d.points) for d in drafts)
    for d, (true, sound), full in zip(drafts, where, ranges, strict=True):
        many = len(d.points)
        index = [card.point(p) for p in d.points]

        def read(first: int, many: int = many, index: list[int] = index) -> Array:
            block = loaded[first : first + many]
            return np.asarray(block[np.arange(many), index] - block[:, reference])

        measured, at = read(at), at + many
        versions = [read(later + k * many) for k in range(1 + _alone(d))]
        later += many * len(versions)
        if not np.isfinite(measured).all() or not np.isfinite(volts[sound]).all():
            continue
        out.append(
            _written(card, d, volts, true, sound, versions, measured, full, with_observations, solved.heaters, seed)
        )
    return out


def _alone(d: _Draft) -> int:
    """How many faults are also tried alone."""
    return len(d.faults) if len(d.faults) > 1 else 0


def _versions(card: TwinCard, d: _Draft) -> list[tuple[Array, Array]]:
    """The set without its faults, then with each of several alone."""
    out = [(d.sound_ht, d.sound_heaters)]
    for fault in d.faults[: _alone(d)]:
        ht, heaters = d.sound_ht.copy(), d.sound_heaters.copy()
        card.apply(fault, ht, heaters)
        out.append((ht, heaters))
    return out


def _written(
    card: TwinCard,
    d: _Draft,
    volts: Array,
    true: int,
    sound: int,
    versions: list[Array],
    measured: Array,
    full: list[float],
    with_observations: bool,
    heater_volts: dict[str, Array],
    seed: int,
) -> Twin:
    rng = d.rng
    mains_volts = d.mains_read
    rows = [
        Row(p, "", "volts dc", d.meter.show(float(v), r, rng), d.meter.text_on(r), mains_volts)
        for p, v, r in zip(d.points, measured, full, strict=True)
    ]
    ohms = [card.cold_ohms(d.ht, a, b) for a, b in d.pairs]
    rows += [Row(a, b, "ohms", shown_ohms(x, rng)) for (a, b), x in zip(d.pairs, ohms, strict=True)]
    plain = np.array([volts[sound, card.point(p)] for p in d.points])
    loading = np.clip(np.abs(versions[0]) / np.maximum(np.abs(plain), 1e-3), 0.02, 1.0)
    spread = np.array([_spread(card, d.meter, p, r, k) for p, r, k in zip(d.points, full, loading, strict=True)])
    rows = make_mistakes(rows, rng)
    # a reading that was written wrongly shows nothing
    honest = np.array([not row.mistaken for row in rows])
    volts_honest, ohms_honest = honest[: len(d.points)], honest[len(d.points) :]

    def moved(read: Array, slots: Array) -> float:
        away = np.abs(read - versions[0]) / spread
        by_volts = float(np.nanmax(away[volts_honest], initial=0.0))
        by_ohms = 0.0
        for (a, b), usable in zip(d.pairs, ohms_honest, strict=True):
            if not usable:
                continue
            _, sd = card.healthy_ohms(a, b)
            now, was = (np.log1p(min(card.cold_ohms(s, a, b), 3e7)) for s in (slots, d.sound_ht))
            by_ohms = max(by_ohms, abs(float(now - was)) / sd)
        return max(by_volts, by_ohms)

    visible = moved(measured, d.ht)
    each = [visible]
    if _alone(d):
        each = [moved(read, ht) for read, (ht, _) in zip(versions[1:], _versions(card, d)[1:], strict=True)]
    observations = (
        _observed(card, d, volts[true], volts[sound], {v: x[true] for v, x in heater_volts.items()})
        if with_observations and rng.random() < 0.6
        else []
    )
    return Twin(
        card_number=card.number,
        faults=d.faults,
        rows=rows,
        observations=observations,
        meter=d.meter,
        ht_slots=d.ht,
        heater_slots=d.heaters,
        visible=visible,
        visible_each=tuple(each[: len(d.faults)]) if d.faults else (),
        mains_volts=mains_volts,
        seed=seed,
    )


def _spread(card: TwinCard, meter: BenchMeter, point: str, full: float, loading: float) -> float:
    """Standard deviation of a healthy reading: of the sets as the meter loads them, and of the meter."""
    at = card.point(point)
    shown = loading * abs(card.healthy_volts[at])
    meter_sd = np.hypot(0.004 * shown if meter.ohms_per_volt is None else 0.012 * shown, meter.error_of_full * full)
    return float(np.hypot(loading * card.healthy_sd[at], np.hypot(meter_sd, full / meter.steps / 3.5)))


def _observed(card: TwinCard, d: _Draft, true: Array, sound: Array, heater_volts: dict[str, float]) -> list[str]:
    """What a person sees and hears of it, put into words by rules of our own."""
    rng = d.rng
    words: set[str] = set()

    def say(word: str, p: float) -> None:
        if rng.random() < p:
            words.add(word)

    def volts(row: Array, point: str) -> float:
        return float(row[card.point(point)])

    nominal = card.networks.heater_nominal_volts
    dark = [valve for valve, v in heater_volts.items() if np.isfinite(v) and abs(v) < 0.3 * nominal[valve]]
    if dark:
        say(f"heater dark of {rng.choice(dark)}", 0.7)
    lively: list[float] = []
    for section in card.sections:
        if section.shape == "diode":
            continue
        amps = _section_amps(card, section, d.ht, true)
        before = _section_amps(card, section, d.sound_ht, sound)
        valve = card.design.valves[section.valve]
        kind = next(
            (s for s in find(valve.type, like=valve.like, kind=valve.kind).sections if section.part.endswith(s.name)),
            None,
        )
        limit = kind.limits.get("anode_watts") if kind is not None else None
        watts = amps * (volts(true, section.electrodes["anode"]) - volts(true, section.cathode))
        if limit and watts > 1.8 * limit:
            say(f"anode glows of {section.valve}", 0.75)
        lively.append(amps / before if before > 1e-6 else 1.0)
    worst = min(lively, default=1.0)
    most = max(lively, default=1.0)
    if worst < 0.04:
        say("no sound", 0.85)
    elif worst < 0.45:
        say("weak", 0.6)
    if most > 1.6 or 0.04 <= worst < 0.5:
        say("distorted", 0.55)
    for slot, i in card.index.items():
        if slot[1] in ("reservoir_farads", "farads") and d.sound_ht[i] > 4e-6 and d.ht[i] < 0.35 * d.sound_ht[i]:
            part = card.design.parts.get(slot[0])
            if slot[1] == "reservoir_farads" or (part is not None and (part.role or "").startswith("supply.")):
                say("hum", 0.85)
    for fault in d.faults:
        for word, p in fault.shows.items():
            # a person says that it hums, seldom at what pitch; what is seen is seen of a valve
            if word in ("heater dark", "anode glows", "getter white"):
                valve = fault.key.partition("|")[0]
                if valve in card.design.valves:
                    say(f"{word} of {valve}", p)
            else:
                say(word.partition(" at ")[0], p)
    if rng.random() < 0.03:
        words.add(str(rng.choice(["crackle", "hum", "weak"])))
    if "no sound" in words:
        words -= {"weak", "distorted"}
    return sorted(words)


def _section_amps(card: TwinCard, section: ValveSection, slots: Array, row: Array) -> float:
    """Anode current of one section at solved volts."""
    order = twin_law.ELECTRODES_OF[section.shape]
    cathode = row[card.point(section.cathode)]
    at = [row[card.point(section.electrodes[e])] - (0.0 if e == "amplitude" else cathode) for e in order]
    state = twin_law.NewValve(
        *(
            np.array([[slots[card.index[(section.part, what)]]]])
            for what in ("emission", "mu", "contact_volts", "gas")
        )
    )
    constants = {name: np.array([value]) for name, value in _constants(card, section).items()}
    got = twin_law.currents(section.shape, constants, np.array(at)[None, None, :], state)
    return float(got.amps[0, 0, order.index("anode")])


def _constants(card: TwinCard, section: ValveSection) -> dict[str, Any]:
    valve = card.design.valves[section.valve]
    name = section.part.rpartition(".")[2]
    return twin_law.constants_for(valve.type, name, like=valve.like, kind=valve.kind)
