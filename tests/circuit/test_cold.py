"""Cold resistance between points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hetwright.circuit.cold import cold_ohms, cold_ohms_slopes
from hetwright.circuit.network import Battery, Capacitance, JunctionDiode, Network, Resistance, Supply
from hetwright.circuit.solver import Circuit
from hetwright.errors import InputFault, OutOfRange

from .conftest import random_faults, receiver_network

PAIRS = [
    ("HT1", "HT2"),
    ("V4.anode", "HT1"),
    ("V4.cathode", "chassis"),
    ("HT1", "chassis"),
    ("V4.control_grid", "chassis"),
    ("avc", "chassis"),
    ("V2.screen_grid", "V2.anode"),
]


def ohms(network: Network, a: str, b: str, **keywords) -> float:
    circuit = Circuit(network)
    return float(cold_ohms(circuit, circuit.with_slots(), [(a, b)], **keywords)[0, 0])


def rectified(kind: str, rectifier: str) -> Network:
    network = receiver_network()
    return replace(
        network,
        elements=tuple(
            replace(e, kind=kind, rectifier=rectifier, perveance=0.0) if isinstance(e, Supply) else e
            for e in network.elements
        ),
    )


def test_what_an_ohmmeter_shows_on_a_healthy_set(receiver):
    found = cold_ohms(receiver, receiver.with_slots(), PAIRS)[0]
    assert found[0] == pytest.approx(1200.0, rel=1e-2)
    assert found[1] == pytest.approx(350.0, rel=1e-3)
    assert found[2] == pytest.approx(150.0, rel=1e-3)
    # HT to chassis: the two electrolytics' leakage
    assert found[3] == pytest.approx(0.5e6, rel=0.05)
    assert found[4] == pytest.approx(681e3, rel=1e-2)
    # avc line: 1 Mohm, then the volume control
    assert found[5] == pytest.approx(1.5e6, rel=1e-2)
    # screen feed and anode feed meet at HT2
    assert found[6] == pytest.approx(82e3 + 2.2e3 + 5.0, rel=1e-3)


def test_cold_valves_and_their_rectifier_carry_nothing(receiver):
    stack = receiver.with_slots({("C20", "leak_siemens"): 1e-12, ("C21", "leak_siemens"): 1e-12})
    # what is left is the paper capacitors and the insulation of the points
    assert cold_ohms(receiver, stack, [("HT1", "chassis"), ("chassis", "HT1")], test_volts=0.02).min() > 5e6


def test_shorts_and_opens(receiver):
    stack = receiver.with_slots(rows=3)
    stack[1, receiver.slot("C21", "leak_siemens")] = 0.5
    stack[2, receiver.slot("R20", "ohms")] = 1e9
    found = cold_ohms(receiver, stack, [("HT2", "chassis"), ("HT1", "HT2")])
    assert found[1, 0] == pytest.approx(2.0, rel=1e-2)
    # round through the leakage of both electrolytics, 1 Mohm each, and of what hangs on HT2
    assert 1.5e6 < found[2, 1] < 2e6
    assert found[0, 1] == pytest.approx(1200.0, rel=1e-2)


def test_a_dead_short_reads_nothing():
    network = Network(
        elements=(Resistance(part="link", a="x", b="y", ohms=1e-3), Resistance(part="R", a="x", b="y", ohms=1e6))
    )
    assert ohms(network, "x", "y") == pytest.approx(1e-3, rel=1e-3)
    assert ohms(network, "x", "x") == 0.0


def test_nothing_but_insulation_reads_open():
    network = Network(elements=(Resistance(part="R", a="x", b="y", ohms=1e3),), insulation_ohms=1e10)
    assert ohms(network, "x", "chassis") == pytest.approx(0.5e10, rel=1e-3)


def test_a_battery_is_disconnected():
    network = Network(
        elements=(
            Battery(part="B", plus="x", minus="chassis", volts=90.0, ohms=1.0),
            Resistance(part="R", a="x", b="chassis", ohms=4.7e3),
        )
    )
    assert ohms(network, "x", "chassis") == pytest.approx(4.7e3, rel=1e-4)


@pytest.mark.parametrize("kind", ["silicon", "germanium"])
def test_a_diode_shows_by_the_probes(kind):
    network = Network(elements=(JunctionDiode(part="D", anode="a", cathode="k", kind=kind),))
    assert ohms(network, "a", "k") < 5e3
    assert ohms(network, "k", "a") > 200.0 * ohms(network, "a", "k")


def test_a_silicon_rectifier_conducts_from_minus_to_plus_through_its_winding():
    network = rectified("bridge", "silicon")
    blocked, through = (
        ohms(network, "HT1", "chassis", test_volts=3.0),
        ohms(network, "chassis", "HT1", test_volts=3.0),
    )
    assert blocked == pytest.approx(0.5e6, rel=0.05)
    # two junctions of about 0.6 V out of 3 V, and 200 ohm of winding
    assert 200.0 < through < 500.0
    # with less than two junctions' worth of volts it hardly shows
    assert ohms(network, "chassis", "HT1", test_volts=0.5) > 20e3


def test_an_open_silicon_rectifier_does_not_conduct():
    supply = next(e for e in rectified("half-wave", "silicon").elements if isinstance(e, Supply))
    circuit = Circuit(Network(elements=(supply, Resistance(part="R", a="HT1", b="chassis", ohms=1e6))))
    stack = circuit.with_slots(rows=2)
    stack[1, circuit.slot("V5", "emission_1")] = 0.0
    good, gone = cold_ohms(circuit, stack, [("chassis", "HT1")], test_volts=3.0)[:, 0]
    assert good < 1e3
    assert gone == pytest.approx(1e6, rel=1e-2)


def test_an_electrolytic_shows_less_the_wrong_way_round():
    network = Network(
        elements=(Capacitance(part="C", a="plus", b="chassis", farads=1e-5, leak_siemens=1e-7, electrolytic=True),)
    )
    right, wrong = ohms(network, "plus", "chassis", test_volts=9.0), ohms(network, "chassis", "plus", test_volts=9.0)
    assert right > 5e6
    # 1 mS beyond 1.5 V
    assert wrong == pytest.approx(9.0 / (1e-3 * 7.5), rel=0.02)


def test_leakage_is_judged_at_the_ohmmeters_volts_not_at_working_volts():
    # a capacitor may pass an ohmmeter and still leak at working volts
    element = Capacitance(part="C", a="x", b="chassis", farads=1e-8, leak_siemens=1e-7, knee_volts=10.0, power=1.5)
    network = Network(elements=(element,), insulation_ohms=1e13)
    assert ohms(network, "x", "chassis", test_volts=1.0) == pytest.approx(1e7 / (1.0 + 0.1**1.5), rel=2e-3)
    assert ohms(network, "x", "chassis", test_volts=100.0) == pytest.approx(1e7 / (1.0 + 10.0**1.5), rel=2e-3)


def test_direction_does_not_matter_where_nothing_rectifies(receiver):
    stack = random_faults(receiver, np.random.default_rng(2), 50)
    forward = cold_ohms(receiver, stack, PAIRS, test_volts=1e-4)
    backward = cold_ohms(receiver, stack, [(b, a) for a, b in PAIRS], test_volts=1e-4)
    assert forward == pytest.approx(backward, rel=5e-3)


@pytest.mark.parametrize("rectifier", ["valve", "silicon", "selenium"])
def test_slopes_are_the_slopes(rectifier):
    circuit = Circuit(receiver_network() if rectifier == "valve" else rectified("half-wave", rectifier))
    pairs = [*PAIRS, ("chassis", "HT1"), ("chassis", "V4.cathode")]
    volts = [1.0] * len(PAIRS) + [2.5, 4.0]
    stack = random_faults(circuit, np.random.default_rng(4), 6)
    found = cold_ohms_slopes(circuit, stack, pairs, volts)
    step = 1e-3
    emission = [n for n, s in enumerate(circuit.slots) if s.what.startswith("emission_")]
    for row in range(len(stack)):
        at = np.arange(len(circuit.slots))
        up, down = (np.tile(stack[row], (len(at), 1)) for _ in range(2))
        up[at, at] *= np.exp(step)
        down[at, at] *= np.exp(-step)
        measured = np.log(cold_ohms(circuit, up, pairs, volts) / cold_ohms(circuit, down, pairs, volts)) / (2 * step)
        measured[emission] = 0.0
        assert found[row] == pytest.approx(measured.T, abs=5e-3)


def test_nonsense_is_refused(receiver):
    with pytest.raises(OutOfRange, match="test volts"):
        cold_ohms(receiver, receiver.with_slots(), PAIRS, test_volts=0.0)
    with pytest.raises(InputFault, match="no point 'HT9'"):
        cold_ohms(receiver, receiver.with_slots(), [("HT9", "chassis")])
