"""A whole plausible receiver built by hand, a valve stage, and an independent recomputation of what must balance."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np
import pytest

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
from hetwright.supply.port import PARAMETERS, port_volts
from hetwright.trade_data import load_trade
from hetwright.valves import law
from hetwright.valves.catalogue import find
from hetwright.valves.laws import law_of

CHASSIS = "chassis"


@cache
def _law_of(valve: str, section: str):
    return law_of(find(valve), section)


def section(ref: str, valve: str, name: str, electrodes: Mapping[str, str], cathode: str) -> ValveSection:
    shape, constants = _law_of(valve, name)
    return ValveSection(
        part=f"{ref}.{name}",
        valve=ref,
        shape=shape,
        constants=constants,
        electrodes=dict(electrodes),
        cathode=cathode,
    )


class Builder:
    """Short words for long dataclasses."""

    def __init__(self) -> None:
        self.elements: list[Element] = []

    def r(self, part: str, a: str, b: str, ohms: float, scale: float = 1.0) -> None:
        self.elements.append(Resistance(part=part, a=a, b=b, ohms=ohms, scale=scale))

    def c(self, part: str, a: str, b: str, farads: float, leak: float = 1e-9, *, electrolytic: bool = False) -> None:
        self.elements.append(
            Capacitance(part=part, a=a, b=b, farads=farads, leak_siemens=leak, electrolytic=electrolytic)
        )

    def coil(self, part: str, a: str, b: str, ohms: float, henries: float) -> None:
        self.elements.append(Inductance(part=part, a=a, b=b, ohms=ohms, henries=henries))

    def touch(self, part: str, a: str, b: str, what: str = "touching_siemens") -> None:
        self.elements.append(Conductance(part=part, a=a, b=b, what=what))

    def network(self, **keywords) -> Network:
        return Network(elements=tuple(self.elements), **keywords)


def receiver_network() -> Network:
    """ECH81 EBF89 EABC80 EL84 EZ80: frequency changer, IF, detector and audio, output, two-anode supply."""
    b = Builder()
    b.elements.append(
        Supply(
            part="V5",
            plus="HT1",
            minus=CHASSIS,
            kind="two-anode",
            rectifier="valve",
            rms_volts=250.0,
            hertz=50.0,
            winding_ohms=200.0,
            reservoir_farads=32e-6,
            perveance=9e-4,
        )
    )
    b.c("C20", "HT1", CHASSIS, 32e-6, 1e-6, electrolytic=True)
    b.r("R20", "HT1", "HT2", 1200.0)
    b.c("C21", "HT2", CHASSIS, 32e-6, 1e-6, electrolytic=True)
    b.coil("T2.primary", "HT1", "V4.anode", 350.0, 8.0)
    b.r("R14", "HT2", "V4.screen_grid", 100.0)
    b.r("R13", "V4.cathode", CHASSIS, 150.0)
    b.c("C13", "V4.cathode", CHASSIS, 50e-6, 1e-6, electrolytic=True)
    b.r("R12", "output.grid_leak_top", CHASSIS, 680e3)
    b.r("R11", "output.grid_leak_top", "V4.control_grid", 1e3)
    b.c("C12", "V3.triode_anode", "output.grid_leak_top", 1e-8)
    b.elements.append(
        section(
            "V4",
            "EL84",
            "pentode",
            {"grid": "V4.control_grid", "screen": "V4.screen_grid", "anode": "V4.anode"},
            "V4.cathode",
        )
    )
    b.r("R10", "HT2", "V3.triode_anode", 220e3)
    b.r("R9", "V3.triode_grid", CHASSIS, 10e6)
    b.c("C11", "volume.slider", "V3.triode_grid", 1e-8)
    b.elements.append(
        section("V3", "EABC80", "triode", {"grid": "V3.triode_grid", "anode": "V3.triode_anode"}, CHASSIS)
    )
    b.r("P1", "detector.load", "volume.slider", 500e3, scale=0.5)
    b.r("P1", "volume.slider", CHASSIS, 500e3, scale=0.5)
    b.r("R8", "if.return", "detector.load", 47e3)
    b.c("C10", "if.return", CHASSIS, 1e-10)
    b.c("C9", "detector.load", CHASSIS, 1e-10)
    b.coil("IFT2.secondary", "if.return", "V3.diode_2", 5.0, 1e-3)
    b.elements.append(section("V3", "EABC80", "diode_2", {"anode": "V3.diode_2"}, CHASSIS))
    b.r("R7", "detector.load", "avc", 1e6)
    b.c("C8", "avc", CHASSIS, 1e-7)
    b.coil("IFT2.primary", "if_amp.anode_feed", "V2.anode", 5.0, 1e-3)
    b.r("R6", "HT2", "if_amp.anode_feed", 2.2e3)
    b.c("C7", "if_amp.anode_feed", CHASSIS, 1e-7)
    b.r("R5", "HT2", "V2.screen_grid", 82e3)
    b.c("C6", "V2.screen_grid", CHASSIS, 1e-7)
    b.r("R4", "V2.cathode", CHASSIS, 300.0)
    b.c("C5", "V2.cathode", CHASSIS, 1e-7)
    b.coil("IFT1.secondary", "avc", "V2.control_grid", 5.0, 1e-3)
    b.elements.append(
        section(
            "V2",
            "EBF89",
            "pentode",
            {"grid": "V2.control_grid", "screen": "V2.screen_grid", "anode": "V2.anode"},
            "V2.cathode",
        )
    )
    b.coil("IFT1.primary", "frequency_changer.anode_feed", "V1.anode", 5.0, 1e-3)
    b.r("R3", "HT2", "frequency_changer.anode_feed", 2.2e3)
    b.c("C4", "frequency_changer.anode_feed", CHASSIS, 1e-7)
    b.r("R2", "HT2", "V1.screen_grid", 33e3)
    b.c("C3", "V1.screen_grid", CHASSIS, 1e-7)
    b.r("R1", "V1.cathode", CHASSIS, 220.0)
    b.c("C2", "V1.cathode", CHASSIS, 1e-7)
    b.coil("L1", "avc", "V1.control_grid", 10.0, 1e-4)
    amplitude = "V1.oscillator_amplitude"
    shape, _ = _law_of("ECH81", "heptode")
    electrodes = {
        "grid": "V1.control_grid",
        "injection": "V1.triode_grid",
        "amplitude": amplitude,
        "screen": "V1.screen_grid",
        "anode": "V1.anode",
    }
    assert shape == "hexode"
    b.elements.append(section("V1", "ECH81", "heptode", electrodes, "V1.cathode"))
    b.elements.append(
        section(
            "V1",
            "ECH81",
            "triode",
            {"grid": "V1.triode_grid", "amplitude": amplitude, "anode": "V1.triode_anode"},
            "V1.cathode",
        )
    )
    b.r("R16", "HT2", "V1.triode_anode", 33e3)
    b.r("R17", "V1.triode_grid", "V1.cathode", 47e3)
    b.c("C15", "V1.triode_anode", "oscillator.coil_top", 5e-10)
    b.coil("L2", "oscillator.coil_top", CHASSIS, 2.0, 1e-4)
    for valve in ("V1", "V2", "V4"):
        for one, two in (("control_grid", "screen_grid"), ("screen_grid", "anode"), ("control_grid", "cathode")):
            b.touch(f"{valve} {one} {two}", f"{valve}.{one}", f"{valve}.{two}")
        b.touch(f"{valve} heater", f"{valve}.cathode", CHASSIS, "heater_cathode_siemens")
    return b.network()


@pytest.fixture(scope="session")
def receiver() -> Circuit:
    return Circuit(receiver_network())


def triode_stage_network(battery_volts: float = 250.0) -> Network:
    """A resistance-coupled triode, half of an ECC83, cathode bias: 100 kohm, 1.5 kohm, 1 Mohm grid leak."""
    b = Builder()
    b.elements.append(Battery(part="B", plus="HT", minus=CHASSIS, volts=battery_volts, ohms=1.0))
    b.r("Ra", "HT", "V1.anode", 100e3)
    b.r("Rk", "V1.cathode", CHASSIS, 1.5e3)
    b.r("Rg", "V1.grid", CHASSIS, 1e6)
    b.c("Ck", "V1.cathode", CHASSIS, 25e-6, 0.0)
    b.c("Cc", "V1.anode", "out", 1e-8, 0.0)
    b.r("Rout", "out", CHASSIS, 1e6)
    b.elements.append(section("V1", "ECC83", "triode_1", {"grid": "V1.grid", "anode": "V1.anode"}, "V1.cathode"))
    return b.network()


@pytest.fixture
def triode_stage() -> Network:
    return triode_stage_network()


# ---------------------------------------------------------------------------------------------------
# the independent recomputation: element by element, row by row, from the description alone


def balance(
    network: Network, slots: Mapping[tuple[str, str], float], volts: Mapping[str, float], extra: Mapping[str, float]
) -> dict[str, float]:
    """Sum of the amps that leave every point; volts by which each supply misses its own equation as amps."""
    out = dict.fromkeys(volts, 0.0)
    facts = load_trade("rectifiers.toml")

    def flow(a: str, b: str, amps: float) -> None:
        out[a] += amps
        out[b] -= amps

    amplitudes = set()
    for element in network.elements:
        match element:
            case Resistance(part=part, a=a, b=b, what=what, scale=scale):
                flow(a, b, (volts[a] - volts[b]) / (slots[part, what] * scale))
            case Inductance(part=part, a=a, b=b):
                flow(a, b, (volts[a] - volts[b]) / slots[part, "ohms"])
            case Conductance(part=part, a=a, b=b, what=what):
                flow(a, b, (volts[a] - volts[b]) * slots[part, what])
            case Battery(part=part, plus=a, minus=b):
                flow(a, b, (volts[a] - volts[b] - slots[part, "volts"]) / slots[part, "ohms"])
            case Capacitance(part=part, a=a, b=b, knee_volts=knee, power=power):
                v = volts[a] - volts[b]
                amps = slots[part, "leak_siemens"] * v * (1.0 + (abs(v) / knee) ** power)
                if element.electrolytic:
                    onset = facts["electrolytic"]["reverse_onset_volts"]
                    width = facts["electrolytic"]["reverse_softness_volts"]
                    soft = np.logaddexp(0.0, -(v + onset) / width) - np.logaddexp(0.0, -onset / width)
                    amps -= element.reverse_siemens * width * soft
                flow(a, b, amps)
            case JunctionDiode(anode=a, cathode=b, kind=kind):
                flow(a, b, _junction_amps(volts[a] - volts[b], facts["junction"][kind]))
            case ValveSection(part=part, shape=shape, constants=constants, electrodes=joined, cathode=k):
                names = law.SHAPES[shape]
                rel = [volts[joined[e]] - (0.0 if e == "amplitude" else volts[k]) for e in names]
                state = law.ValveState(
                    *(np.array([[slots[part, w]]]) for w in ("emission", "mu", "contact_volts", "gas"))
                )
                found = law.currents(
                    shape, {c: np.array([x]) for c, x in constants.items()}, np.array([[rel]]), state
                ).amps[0, 0]
                for name, amps in zip(names, found, strict=True):
                    if name == "amplitude":
                        out[joined[name]] += amps
                        amplitudes.add(joined[name])
                    else:
                        flow(joined[name], k, amps)
            case Supply(part=part, plus=a, minus=b):
                amps = extra[f"{part}.amps"]
                flow(a, b, -amps)
                p = np.array([[slots[part, w]] for w in PARAMETERS])
                given = port_volts(element, np.array([amps]), p)
                out[f"{part}.amps"] = (volts[a] - volts[b] - given.volts[0]) / max(-given.by_amps[0], 1.0)
    for point in volts:
        if point != network.datum and point not in amplitudes:
            flow(point, network.datum, volts[point] / network.insulation_ohms)
    del out[network.datum]
    return out


def _junction_amps(v: float, facts: Mapping[str, float]) -> float:
    """Shockley behind a series resistance, by halving."""
    thermal = facts["ideality"] * 0.025693
    saturation, ohms = facts["saturation_amps"], facts["series_ohms"]
    low, high = -saturation, max(v, 0.0) / ohms + saturation
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle <= -saturation or thermal * np.log1p(middle / saturation) + middle * ohms < v:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high) + facts["reverse_siemens"] * v


def unbalanced(circuit: Circuit, stack: np.ndarray, points, row: int) -> float:
    """Largest unbalanced current of one solved row, recomputed."""
    slots = {key: float(stack[row, column]) for key, column in circuit.slot_index.items()}
    volts = dict(zip(circuit.points, points.volts[row].tolist(), strict=True))
    extra = dict(zip(circuit.extras, points.extra[row].tolist(), strict=True))
    return max(abs(amps) for amps in balance(circuit.network, slots, volts, extra).values())


def random_faults(circuit: Circuit, rng: np.random.Generator, rows: int) -> np.ndarray:
    """Tolerance and ageing on every slot, and up to three gross faults a row."""
    stack = circuit.with_slots(rows=rows)
    nominal = circuit.base()
    stack *= np.exp(rng.normal(0.0, 0.12, stack.shape))
    for slot, column in zip(circuit.slots, range(len(circuit.slots)), strict=True):
        if slot.what == "contact_volts":
            stack[:, column] = rng.normal(0.0, 0.1, rows)
        elif slot.what == "leak_siemens":
            stack[:, column] = nominal[column] * np.exp(rng.normal(0.0, 2.0, rows))
    for row in range(rows):
        for _ in range(rng.integers(0, 4)):
            column = int(rng.integers(len(nominal)))
            what = circuit.slots[column].what
            if what == "ohms":
                stack[row, column] = rng.choice([10.0 ** rng.uniform(-1, 2), 1e9, stack[row, column] * 4.0])
            elif what.endswith("siemens"):
                stack[row, column] = 10.0 ** rng.uniform(-7.0, 0.0)
            elif what in ("emission", "emission_1", "emission_2"):
                stack[row, column] = rng.choice([0.0, 10.0 ** rng.uniform(-3, 0)])
            elif what == "gas":
                stack[row, column] = 10.0 ** rng.uniform(-5.0, -2.0)
            elif what == "mains":
                stack[row, column] = rng.choice([0.0, 0.5, 1.3])
    return stack
