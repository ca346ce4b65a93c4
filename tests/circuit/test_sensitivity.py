"""Slopes by every slot, and readings through meters."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hetwright.circuit.network import Battery, Conductance, Network, Resistance
from hetwright.circuit.sensitivity import (
    branch_amps,
    branch_amps_slopes,
    find_branch,
    read_through_meter,
    readings_with_slopes,
    source_ohms,
    volts_slopes,
)
from hetwright.circuit.solver import Circuit
from hetwright.errors import InputFault, OutOfRange

from .conftest import random_faults

POINTS = ["HT1", "HT2", "V4.anode", "V4.cathode", "V3.triode_anode", "V3.triode_grid", "V2.screen_grid", "avc"]
TOS = ["chassis"] * 6 + ["V2.cathode", "V2.cathode"]


def steps(circuit: Circuit, row: np.ndarray) -> np.ndarray:
    """A step for every slot that is small beside what it does."""
    floor = {"contact_volts": 1e-5, "gas": 1e-9}
    least = [floor.get(s.what, 1e-13 if s.what.endswith("siemens") else 1e-15) for s in circuit.slots]
    return np.maximum(1e-5 * np.abs(row), least)


def measured_slopes(circuit: Circuit, row: np.ndarray, read) -> np.ndarray:
    """(R, n_slots) by solving at either side, or at one side of a slot that cannot go below zero."""
    h = steps(circuit, row)
    up = np.tile(row, (len(row), 1))
    down = up.copy()
    at = np.arange(len(row))
    signless = np.array([s.what != "contact_volts" for s in circuit.slots])
    below = np.where(signless & (row < h), 0.0, h)
    up[at, at] += h
    down[at, at] -= below
    return ((read(up) - read(down)) / (h + below)[:, None]).T


def agree(found: np.ndarray, measured: np.ndarray, scale: np.ndarray, rel: float) -> None:
    """Compare slopes as effects on the reading of a change the size of ``scale``."""
    error = np.abs(found - measured) * scale
    assert (error <= rel * np.abs(measured) * scale + 2e-4).all()


@pytest.fixture(scope="module")
def faulty(receiver):
    stack = random_faults(receiver, np.random.default_rng(21), 8)
    stack[0] = receiver.base()
    points = receiver.solve(stack)
    keep = np.flatnonzero(points.certified)
    return stack[keep], points.take(keep)


def scale_of(circuit: Circuit, row: np.ndarray) -> np.ndarray:
    least = {"contact_volts": 0.1, "gas": 1e-6}
    floor = [least.get(s.what, 1e-9 if s.what.endswith("siemens") else 0.0) for s in circuit.slots]
    return np.maximum(0.1 * np.abs(row), floor)


def test_slopes_of_volts_are_the_slopes(receiver, faulty):
    stack, points = faulty
    slopes = volts_slopes(receiver, points, stack, POINTS, TOS)
    a, b = ([receiver.point(p) for p in names] for names in (POINTS, TOS))
    for row in range(len(stack)):
        start = points.take(np.array([row]))

        def read(variants, start=start):
            volts = receiver.solve(variants, start=start).require().volts
            return volts[:, a] - volts[:, b]

        agree(slopes[row], measured_slopes(receiver, stack[row], read), scale_of(receiver, stack[row]), 0.01)


def test_slopes_of_currents_are_the_slopes(receiver, faulty):
    stack, points = faulty
    names = [
        ("R10", None),
        ("T2.primary", None),
        ("C12", None),
        ("C20", None),
        ("V4.pentode", "anode"),
        ("V4.pentode", "screen"),
        ("V4.pentode", "cathode"),
        ("V1.heptode", "cathode"),
        ("V5", None),
    ]
    branches = [find_branch(receiver, part, what) for part, what in names]
    slopes = branch_amps_slopes(receiver, points, stack, branches)
    for row in (0, len(stack) - 1):
        start = points.take(np.array([row]))

        def read(variants, start=start):
            # in milliamps, so that the comparison is on the scale of volts
            return 1e3 * branch_amps(receiver, receiver.solve(variants, start=start).require(), variants, branches)

        agree(1e3 * slopes[row], measured_slopes(receiver, stack[row], read), scale_of(receiver, stack[row]), 0.01)


def test_currents_are_what_the_trade_reckons(receiver):
    stack = receiver.with_slots()
    points = receiver.solve(stack)
    volts = dict(zip(receiver.points, points.volts[0], strict=True))
    found = branch_amps(
        receiver,
        points,
        stack,
        [find_branch(receiver, "R13"), find_branch(receiver, "V4.pentode", "cathode"), find_branch(receiver, "V5")],
    )[0]
    # cathode current is cathode volts over the cathode resistor
    assert found[0] == pytest.approx(volts["V4.cathode"] / 150.0)
    assert found[1] == pytest.approx(found[0], rel=1e-3)
    assert found[2] == pytest.approx(points.extra[0, 0])


def test_source_resistance_is_what_a_small_current_meets(receiver, faulty):
    stack, points = faulty
    ohms = source_ohms(receiver, points, stack, POINTS, TOS)
    # the same by a resistance so high that the circuit hardly feels it
    a, b = ([receiver.point(p) for p in names] for names in (POINTS, TOS))
    free = points.volts[:, a] - points.volts[:, b]
    for r, (one, other) in enumerate(zip(POINTS, TOS, strict=True)):
        probed = Circuit(with_meter(receiver.network, one, other))
        for g in (2e-11,):
            loaded = probed.solve(np.concatenate([stack, np.full((len(stack), 1), g)], axis=1)).require()
            read = loaded.volts[:, probed.point(one)] - loaded.volts[:, probed.point(other)]
            fall = free[:, r] - read
            clear = np.abs(fall) > 1e-6
            assert fall[clear] / (g * read[clear]) == pytest.approx(ohms[clear, r], rel=0.02)


def with_meter(network: Network, a: str, b: str) -> Network:
    return replace(network, elements=(*network.elements, Conductance(part="meter", a=a, b=b, what="siemens")))


@pytest.mark.parametrize("meter", [10e6, 1e6, 200e3, 20e3])
def test_a_reading_through_a_meter_is_that_of_the_circuit_with_the_meter_in_it(receiver, faulty, meter):
    stack, points = faulty
    more = random_faults(receiver, np.random.default_rng(5), 60)
    more_points = receiver.solve(more)
    stack = np.concatenate([stack, more[more_points.certified]])
    points = receiver.solve(stack)
    read = read_through_meter(receiver, points, stack, POINTS, TOS, meter)
    for r, (one, other) in enumerate(zip(POINTS, TOS, strict=True)):
        probed = Circuit(with_meter(receiver.network, one, other))
        full = probed.solve(np.concatenate([stack, np.full((len(stack), 1), 1.0 / meter)], axis=1), points.volts)
        volts = full.volts[:, probed.point(one)] - full.volts[:, probed.point(other)]
        good = points.certified & full.certified
        assert good.sum() > 0.9 * len(stack)
        assert read[good, r] == pytest.approx(volts[good], rel=1e-3, abs=5e-4)


def test_each_reading_has_its_own_meter(receiver):
    stack = receiver.with_slots()
    points = receiver.solve(stack)
    ohms = [np.inf, 10e6, 200e3]
    read = read_through_meter(receiver, points, stack, ["V3.triode_anode"] * 3, ["chassis"] * 3, ohms)[0]
    assert read[0] == pytest.approx(points.volts[0, receiver.point("V3.triode_anode")])
    assert read[0] > read[1] > read[2] + 5.0
    # a light meter: source resistance and meter make a divider
    source = source_ohms(receiver, points, stack, ["V3.triode_anode"], ["chassis"])[0, 0]
    assert read[1] == pytest.approx(read[0] * 10e6 / (10e6 + source), rel=1e-3)


@pytest.mark.parametrize("meter", [10e6, 200e3])
def test_slopes_of_readings_through_a_meter(receiver, faulty, meter):
    stack, points = faulty
    read, slopes = readings_with_slopes(receiver, points, stack, POINTS, TOS, meter)
    assert read == pytest.approx(read_through_meter(receiver, points, stack, POINTS, TOS, meter))
    row = 0
    start = points.volts[row : row + 1]
    for r, (one, other) in enumerate(zip(POINTS, TOS, strict=True)):
        probed = Circuit(with_meter(receiver.network, one, other))

        def volts(variants, probed=probed, one=one, other=other):
            full = np.concatenate([variants, np.full((len(variants), 1), 1.0 / meter)], axis=1)
            found = probed.solve(full, start).require().volts
            return (found[:, probed.point(one)] - found[:, probed.point(other)])[:, None]

        # the valves' own part may be taken at the unloaded point: a few per cent
        agree(
            slopes[row, r : r + 1],
            measured_slopes(receiver, stack[row], volts),
            scale_of(receiver, stack[row]),
            0.05,
        )


def test_refused_rows_read_nothing(receiver):
    stack = receiver.with_slots(rows=2)
    points = receiver.solve(stack)
    broken = replace(points, certified=np.array([True, False]))
    assert np.isnan(read_through_meter(receiver, broken, stack, ["HT1"], ["chassis"], 1e6)[1]).all()
    assert np.isnan(volts_slopes(receiver, broken, stack, ["HT1"], ["chassis"])[1]).all()
    assert np.isnan(source_ohms(receiver, broken, stack, ["HT1"], ["chassis"])[1]).all()


def test_nonsense_is_refused(receiver):
    stack = receiver.with_slots()
    points = receiver.solve(stack)
    with pytest.raises(OutOfRange, match="a meter of 0 ohms"):
        read_through_meter(receiver, points, stack, ["HT1"], ["chassis"], 0.0)
    with pytest.raises(InputFault, match="2 points are read to 1"):
        read_through_meter(receiver, points, stack, ["HT1", "HT2"], ["chassis"], 1e6)
    with pytest.raises(InputFault, match="no point number 99"):
        volts_slopes(receiver, points, stack, [99], [0])
    with pytest.raises(InputFault, match=r"V4\.pentode has no 'target'"):
        find_branch(receiver, "V4.pentode", "target")
    with pytest.raises(InputFault, match="no part 'R99'"):
        find_branch(receiver, "R99")
    with pytest.raises(OutOfRange, match="the stack has the shape"):
        volts_slopes(receiver, points, receiver.with_slots(rows=3), ["HT1"], ["chassis"])


def test_a_divider_by_hand():
    circuit = Circuit(
        Network(
            elements=(
                Battery(part="B", plus="top", minus="chassis", volts=100.0, ohms=1e-3),
                Resistance(part="R1", a="top", b="middle", ohms=1e5),
                Resistance(part="R2", a="middle", b="chassis", ohms=3e5),
            ),
            insulation_ohms=1e14,
        )
    )
    stack = circuit.with_slots()
    points = circuit.solve(stack)
    read, slopes = readings_with_slopes(circuit, points, stack, ["middle"], ["chassis"], 1e6)
    below = 3e5 * 1e6 / 1.3e6
    assert read[0, 0] == pytest.approx(100.0 * below / (below + 1e5), rel=1e-6)
    by = dict(zip([(s.part, s.what) for s in circuit.slots], slopes[0, 0], strict=True))
    assert by["B", "volts"] == pytest.approx(read[0, 0] / 100.0, rel=1e-6)
    assert by["R1", "ohms"] == pytest.approx(-100.0 * below / (below + 1e5) ** 2, rel=1e-6)
    assert by["R2", "ohms"] == pytest.approx(100.0 * 1e5 / (below + 1e5) ** 2 * (below / 3e5) ** 2, rel=1e-6)
