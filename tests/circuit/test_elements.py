"""Points, slots and element laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hetwright.circuit.network import (
    Battery,
    Capacitance,
    Conductance,
    JunctionDiode,
    Network,
    Resistance,
    ValveSection,
)
from hetwright.circuit.solver import Circuit
from hetwright.errors import InputFault, OutOfRange


def divider(*more, **keywords) -> Network:
    return Network(
        elements=(
            Battery(part="B1", plus="top", minus="chassis", volts=100.0, ohms=1e-3),
            Resistance(part="R1", a="top", b="middle", ohms=1e3),
            Resistance(part="R2", a="middle", b="chassis", ohms=3e3),
            *more,
        ),
        **keywords,
    )


def test_slots_follow_the_elements():
    circuit = Circuit(divider(Capacitance(part="C1", a="middle", b="chassis", farads=1e-6, leak_siemens=1e-9)))
    assert [(slot.part, slot.what) for slot in circuit.slots] == [
        ("B1", "volts"),
        ("B1", "ohms"),
        ("R1", "ohms"),
        ("R2", "ohms"),
        ("C1", "farads"),
        ("C1", "leak_siemens"),
    ]
    assert circuit.points == ("chassis", "top", "middle")
    assert circuit.base().tolist() == [100.0, 1e-3, 1e3, 3e3, 1e-6, 1e-9]
    assert circuit.with_slots({("R2", "ohms"): 1e3}, rows=2)[:, 3].tolist() == [1e3, 1e3]


def test_halves_of_a_volume_control_share_one_track():
    network = Network(
        elements=(
            Battery(part="B1", plus="top", minus="chassis", volts=10.0),
            Resistance(part="P1", a="top", b="slider", ohms=500e3, scale=0.25),
            Resistance(part="P1", a="slider", b="chassis", ohms=500e3, scale=0.75),
        )
    )
    circuit = Circuit(network)
    assert len(circuit.slots) == 3
    worn = circuit.solve(circuit.with_slots({("P1", "ohms"): 700e3}))
    assert worn.volts[0, circuit.point("slider")] == pytest.approx(7.5, rel=1e-3)


def test_a_name_that_is_near_is_offered():
    circuit = Circuit(divider())
    with pytest.raises(InputFault, match=r"no point 'midle'; points are middle"):
        circuit.point("midle")
    with pytest.raises(InputFault, match=r"no slot 'R1' 'farads'; R1 has ohms"):
        circuit.slot("R1", "farads")
    with pytest.raises(InputFault, match=r"parts are R1"):
        circuit.slot("R11", "ohms")


@pytest.mark.parametrize(
    ("value", "match"),
    [(np.nan, "R1 ohms is nan in row 1"), (0.0, "R1 ohms is 0 "), (-5.0, "R1 ohms is -5 ")],
)
def test_ohms_no_computation_can_use_are_refused(value, match):
    circuit = Circuit(divider())
    stack = circuit.with_slots(rows=3)
    stack[1, circuit.slot("R1", "ohms")] = value
    with pytest.raises(OutOfRange, match=match):
        circuit.solve(stack)


def test_other_values_no_computation_can_use_are_refused():
    circuit = Circuit(divider(Conductance(part="leak", a="top", b="middle", what="siemens")))
    for part, what, value in (("leak", "siemens", -1.0), ("B1", "volts", np.inf), ("leak", "siemens", np.inf)):
        with pytest.raises(OutOfRange, match=f"{part} {what}"):
            circuit.solve(circuit.with_slots({(part, what): value}))
    with pytest.raises(OutOfRange, match="shape"):
        circuit.solve(np.ones((2, 3)))


def test_an_open_resistor_may_be_infinite():
    circuit = Circuit(divider())
    found = circuit.solve(circuit.with_slots({("R2", "ohms"): np.inf}))
    assert found.certified.all()
    assert found.volts[0, circuit.point("middle")] == pytest.approx(100.0, rel=1e-4)


def test_networks_that_contradict_themselves_are_refused():
    with pytest.raises(InputFault, match="no elements"):
        Circuit(Network(elements=()))
    with pytest.raises(InputFault, match="R1 ohms is given as 1000 and as 2000"):
        Circuit(divider(Resistance(part="R1", a="top", b="chassis", ohms=2e3)))
    with pytest.raises(InputFault, match="scale"):
        Circuit(divider(Resistance(part="R9", a="top", b="chassis", ohms=2e3, scale=0.0)))
    with pytest.raises(InputFault, match="insulation_ohms"):
        Circuit(divider(insulation_ohms=0.0))
    with pytest.raises(InputFault, match="unknown diode kind 'copper'"):
        Circuit(divider(JunctionDiode(part="D1", anode="top", cathode="middle", kind="copper")))


def test_valve_sections_must_name_their_electrodes(triode_stage):
    valve = next(e for e in triode_stage.elements if isinstance(e, ValveSection))

    def with_valve(**changes):
        return Network(elements=(replace(valve, **changes),))

    with pytest.raises(InputFault, match="unknown shape 'tetrapod'"):
        Circuit(with_valve(shape="tetrapod"))
    with pytest.raises(InputFault, match="a triode has grid, anode"):
        Circuit(with_valve(electrodes={"grid": "g"}))
    names = ("grid", "injection", "amplitude", "screen", "anode")
    with pytest.raises(InputFault, match="no oscillator sets the amplitude"):
        Circuit(with_valve(shape="hexode", electrodes={name: name for name in names}))


def test_leakage_rises_with_volts():
    network = Network(
        elements=(
            Battery(part="B1", plus="top", minus="chassis", volts=150.0),
            Capacitance(part="C1", a="top", b="bottom", farads=1e-8, leak_siemens=1e-8, knee_volts=150.0, power=1.5),
            Resistance(part="R1", a="bottom", b="chassis", ohms=1e3),
        )
    )
    circuit = Circuit(network)
    high = circuit.solve(circuit.with_slots()).volts[0, circuit.point("bottom")] / 150.0
    low = circuit.solve(circuit.with_slots({("B1", "volts"): 1.5})).volts[0, circuit.point("bottom")] / 1.5
    assert low == pytest.approx(1e-5 * (1.0 + 0.01**1.5), rel=1e-3)
    assert high / low == pytest.approx(2.0, rel=1e-2)


def test_an_electrolytic_the_wrong_way_round_conducts():
    def volts_across(plus, minus):
        network = Network(
            elements=(
                Battery(part="B1", plus="top", minus="chassis", volts=50.0),
                Resistance(part="R1", a="top", b="end", ohms=10e3),
                Capacitance(part="C1", a=plus, b=minus, farads=1e-5, leak_siemens=1e-7, electrolytic=True),
            )
        )
        circuit = Circuit(network)
        return circuit.solve(circuit.with_slots()).volts[0, circuit.point("end")]

    assert volts_across("end", "chassis") > 49.9
    # 1e-3 S beyond 1.5 V: (50 - v) / 10k = 1e-3 (v - 1.5)
    assert volts_across("chassis", "end") == pytest.approx((50.0 + 15.0) / 11.0, rel=0.01)


@pytest.mark.parametrize(("kind", "drop"), [("silicon", 0.5), ("germanium", 0.2)])
def test_a_diode_conducts_one_way(kind, drop):
    network = divider(JunctionDiode(part="D1", anode="middle", cathode="end", kind=kind))
    network = replace(network, elements=(*network.elements, Resistance(part="R3", a="end", b="chassis", ohms=100e3)))
    circuit = Circuit(network)
    forward = circuit.solve(circuit.with_slots()).volts[0]
    fall = forward[circuit.point("middle")] - forward[circuit.point("end")]
    assert drop < fall < drop + 0.5
    backward = circuit.solve(circuit.with_slots({("B1", "volts"): -100.0})).volts[0]
    assert abs(backward[circuit.point("end")]) < 10.0
