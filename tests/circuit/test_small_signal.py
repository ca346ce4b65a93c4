"""Gain at a frequency against closed formulas."""

from __future__ import annotations

import numpy as np
import pytest

from hetwright.circuit.network import Capacitance, Inductance, Network, Resistance
from hetwright.circuit.small_signal import AtPoint, InSeries, gain, transfer_ohms
from hetwright.circuit.solver import Circuit
from hetwright.errors import InputFault, OutOfRange
from hetwright.valves import law


@pytest.fixture
def stage(triode_stage):
    circuit = Circuit(triode_stage)
    stack = circuit.with_slots()
    return circuit, stack, circuit.solve(stack).require()


def slopes_of(circuit, points, part="V1.triode_1"):
    """gm and ra of the triode at its working point, from the law alone."""
    valve = next(e for e in circuit.network.elements if e.part == part)
    v = dict(zip(circuit.points, points.volts[0], strict=True))
    rel = [[[v["V1.grid"] - v["V1.cathode"], v["V1.anode"] - v["V1.cathode"]]]]
    found = law.currents(
        valve.shape,
        {k: np.array([c]) for k, c in valve.constants.items()},
        np.array(rel),
        law.ValveState.book((1, 1)),
    )
    return found.slopes[0, 0, 1, 0], 1.0 / found.slopes[0, 0, 1, 1]


def test_resistance_coupled_stage(stage):
    # A = gm x (ra parallel Ra parallel next grid leak), Langford-Smith, Radiotron Designer's Handbook, chapter 12
    circuit, stack, points = stage
    gm, ra = slopes_of(circuit, points)
    expected = gm / (1.0 / ra + 1.0 / 100e3 + 1.0 / 1e6)
    found = gain(circuit, points, stack, 1e4, AtPoint(point="V1.grid"), "out")[0]
    assert abs(found) == pytest.approx(expected, rel=2e-3)
    assert np.angle(-found, deg=True) == pytest.approx(0.0, abs=2.0)


def test_without_its_bypass_capacitor_the_cathode_takes_gain_away(stage):
    # A = mu R / (ra + R + (mu + 1) Rk)
    circuit, _, points = stage
    gm, ra = slopes_of(circuit, points)
    dry = circuit.with_slots({("Ck", "farads"): 1e-15})
    load = 1.0 / (1.0 / 100e3 + 1.0 / 1e6)
    expected = gm * ra * load / (ra + load + (gm * ra + 1.0) * 1.5e3)
    found = gain(circuit, points, dry, 1e4, AtPoint(point="V1.grid"), "out")[0]
    assert abs(found) == pytest.approx(expected, rel=3e-3)


def test_the_coupling_capacitor_sets_the_bass(stage):
    # 3 dB down where its reactance is all it is in series with
    circuit, _, points = stage
    stack = circuit.with_slots({("Ck", "farads"): 1.0})
    _, ra = slopes_of(circuit, points)
    series = 1e6 + 1.0 / (1.0 / ra + 1.0 / 100e3)
    corner = 1.0 / (2.0 * np.pi * 1e-8 * series)
    ratio = [abs(gain(circuit, points, stack, f, AtPoint(point="V1.grid"), "out")[0]) for f in (corner, 300 * corner)]
    assert ratio[0] / ratio[1] == pytest.approx(np.sqrt(0.5), rel=2e-3)


def test_output_impedance_of_the_stage(stage):
    circuit, stack, points = stage
    _, ra = slopes_of(circuit, points)
    found = transfer_ohms(circuit, points, stack, 1e5, ("V1.anode", "chassis"), ("V1.anode", "chassis"))[0]
    assert found.real == pytest.approx(1.0 / (1.0 / ra + 1.0 / 100e3 + 1.0 / 1e6), rel=5e-3)


def test_a_generator_behind_a_resistance_is_divided(stage):
    circuit, stack, points = stage
    direct = gain(circuit, points, stack, 1e3, AtPoint(point="V1.grid"), "V1.grid")[0]
    behind = gain(circuit, points, stack, 1e3, AtPoint(point="V1.grid", source_ohms=1e6), "V1.grid")[0]
    assert direct == pytest.approx(1.0)
    assert abs(behind) == pytest.approx(0.5, rel=0.05)


def tuned_network() -> Network:
    return Network(
        elements=(
            Inductance(part="L", a="top", b="chassis", ohms=10.0, henries=200e-6),
            Capacitance(part="C", a="top", b="chassis", farads=200e-12),
            Resistance(part="R", a="in", b="top", ohms=1e6),
        ),
        insulation_ohms=1e13,
    )


def test_a_tuned_circuit_resonates():
    circuit = Circuit(tuned_network())
    stack = circuit.with_slots()
    points = circuit.solve(stack)
    resonance = 1.0 / (2.0 * np.pi * np.sqrt(200e-6 * 200e-12))
    # dynamic resistance L / (C r)
    at = transfer_ohms(circuit, points, stack, resonance, ("top", "chassis"), ("top", "chassis"))[0]
    assert abs(at) == pytest.approx(200e-6 / (200e-12 * 10.0), rel=1e-3)
    # volts induced in the coil come out Q times as great
    q = 2.0 * np.pi * resonance * 200e-6 / 10.0
    induced = gain(circuit, points, stack, resonance, InSeries(part="L"), "top")[0]
    assert abs(induced) == pytest.approx(q, rel=1e-2)
    off = gain(circuit, points, stack, resonance * (1.0 + 0.5 / q), InSeries(part="L"), "top")[0]
    assert abs(off) == pytest.approx(q / np.sqrt(2.0), rel=0.02)


def test_a_stack_has_a_gain_for_every_row(stage):
    circuit, _, _ = stage
    stack = circuit.with_slots(rows=3)
    stack[:, circuit.slot("Ra", "ohms")] = (47e3, 100e3, 220e3)
    points = circuit.solve(stack).require()
    found = np.abs(gain(circuit, points, stack, 1e3, AtPoint(point="V1.grid"), "V1.anode"))
    assert (np.diff(found) > 0.0).all()


def test_the_receiver_amplifies(receiver):
    # from grid of the audio triode to anode of the output valve, as such stages do (common practice: 30 to 60,
    # times 20 to 60)
    stack = receiver.with_slots()
    points = receiver.solve(stack)
    first = abs(gain(receiver, points, stack, 400.0, AtPoint(point="V3.triode_grid"), "V3.triode_anode")[0])
    assert 25.0 < first < 65.0
    # a signal at the anode of the frequency changer finds the swing of the oscillator steady
    assert np.isfinite(gain(receiver, points, stack, 465e3, AtPoint(point="V1.control_grid"), "V1.anode")).all()


def test_nonsense_is_refused(stage):
    circuit, stack, points = stage
    with pytest.raises(OutOfRange, match="a frequency of -1"):
        gain(circuit, points, stack, -1.0, AtPoint(point="V1.grid"), "out")
    with pytest.raises(OutOfRange, match="in series with Cc"):
        gain(circuit, points, stack, 1e3, InSeries(part="Cc"), "out")
    with pytest.raises(InputFault, match="no point 'nowhere'"):
        transfer_ohms(circuit, points, stack, 1e3, ("nowhere", "chassis"), ("out", "chassis"))
