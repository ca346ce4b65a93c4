"""Every old part has drifted and leaks a little; that is no fault."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, log

import numpy as np
import pytest

from hetwright.card.model import Part, SetCard, Stage, SupplyCard, Value, ValveInPlace
from hetwright.circuit.network import Capacitance, Conductance, Network, Resistance, Supply, ValveSection
from hetwright.faults.ageing import arrays_of, background


@dataclass(frozen=True)
class Nets:
    ht: Network
    heaters: Network | None
    spreads: dict[tuple[str, str], float]


def part(ref: str, role: str, kind: str, quantity: str, si: float) -> Part:
    return Part(
        identity=ref,
        ref=ref,
        role=role,
        kind=kind,
        quantity=quantity,
        from_point="a",
        to_point="b",
        usual=Value(si=si, basis="usual", spread_log_sd=0.1),
    )


def card(year: int | None = 1950, **changed: Part) -> SetCard:
    parts = {
        "R7": part("R7", "audio.anode_load", "carbon", "ohms", 220e3),
        "R12": part("R12", "output.cathode_resistor", "carbon", "ohms", 330.0),
        "C9": part("C9", "output.coupling_capacitor", "waxed paper", "farads", 10e-9),
        "C5": part("C5", "detector.if_bypass_capacitor", "ceramic", "farads", 100e-12),
    }
    return SetCard(
        name="aged",
        mains_rms_volts=230.0,
        mains_hertz=50.0,
        construction="mains transformer",
        valves={"V4": ValveInPlace(identity="v4", ref="V4", type="EL84")},
        stages=(Stage(name="output", pattern="output", valve="V4", section="pentode"),),
        parts={**parts, **changed},
        supply=SupplyCard(rectifier="two-anode valve", smoothing="choke"),
        year=year,
    )


def nets(**spreads: float) -> Nets:
    elements = (
        Resistance(part="R7", a="HT2", b="a", ohms=220e3),
        Resistance(part="R12", a="k", b="chassis", ohms=330.0),
        Capacitance(part="C9", a="a", b="g", farads=10e-9),
        Capacitance(part="C5", a="d", b="chassis", farads=100e-12),
        ValveSection(
            part="V4.pentode",
            valve="V4",
            shape="pentode",
            constants={},
            electrodes={"grid": "g", "screen": "HT2", "anode": "p"},
            cathode="k",
        ),
        Conductance(part="V4.pentode", a="g", b="HT2", what="grid_to_screen_siemens"),
        Supply(
            part="V5",
            plus="HT1",
            minus="chassis",
            kind="two-anode",
            rectifier="valve",
            rms_volts=250.0,
            hertz=50.0,
            winding_ohms=300.0,
            reservoir_farads=16e-6,
            slots_of={"emission_1": "V5", "emission_2": "V5"},
        ),
    )
    given = {("R7", "ohms"): 0.1, ("V5", "mains"): log(1.03)}
    return Nets(
        Network(elements=elements),
        None,
        given | {(k.split("__")[0], k.split("__")[1]): v for k, v in spreads.items()},
    )


def test_carbon_resistor_of_220k_has_drifted_upward_and_further_than_330_ohms():
    slots = background(card(), nets())
    high, low = slots["R7", "ohms"], slots["R12", "ohms"]
    assert 1.05 * 220e3 < high.median < 1.25 * 220e3
    assert high.log_shift > low.log_shift > 0.0
    assert high.sd > low.sd
    assert high.tail_sd > 2.0 * high.sd


def test_tolerance_and_ageing_add_as_independent_spreads():
    without = background(card(), nets(R7__ohms=0.0))["R7", "ohms"].sd
    assert background(card(), nets(R7__ohms=0.1))["R7", "ohms"].sd == pytest.approx(np.hypot(without, 0.1))


def test_new_set_has_only_its_tolerance():
    slots = background(card(year=2025), nets())
    assert slots["R7", "ohms"].median == pytest.approx(220e3)
    assert slots["R7", "ohms"].sd == pytest.approx(0.1)
    assert slots["R7", "ohms"].tail_probability == 0.0


def test_older_set_has_drifted_further():
    older, newer = (background(card(year=year), nets())["R7", "ohms"] for year in (1980, 2010))
    assert older.log_shift > newer.log_shift > 0.0


def test_measured_value_has_its_ageing_in_it():
    measured = replace(
        part("R7", "audio.anode_load", "carbon", "ohms", 220e3),
        measured=Value(si=251e3, basis="measured", spread_log_sd=0.01),
    )
    slots = background(card(R7=measured), nets(R7__ohms=0.01))
    assert slots["R7", "ohms"].sd == pytest.approx(0.01)
    assert slots["R7", "ohms"].log_shift == 0.0


def test_renewed_capacitor_is_as_tight_as_a_new_one():
    renewed = replace(
        part("C9", "output.coupling_capacitor", "waxed paper", "farads", 10e-9),
        fitted=Value(si=10e-9, basis="stated", spread_log_sd=0.05),
        fitted_kind="film",
    )
    old = background(card(), nets())["C9", "leak_siemens"]
    new = background(card(C9=renewed), nets())["C9", "leak_siemens"]
    assert new.median < 0.05 * old.median
    assert new.tail_probability == 0.0


def test_old_paper_leaks_and_ceramic_hardly():
    slots = background(card(), nets())
    paper, ceramic = slots["C9", "leak_siemens"], slots["C5", "leak_siemens"]
    assert 100e6 < 1.0 / paper.median < 2e9
    assert ceramic.median < paper.median
    # one in some hundreds leaks as little as a megohm without being called a fault
    assert paper.median * exp(3.0 * paper.tail_sd) > 1e-7


def test_port_of_zero_siemens_stays_shut():
    slot = background(card(), nets())["V4.pentode", "grid_to_screen_siemens"]
    assert (slot.median, slot.sd) == (0.0, 0.0)


def test_valve_has_lost_some_emission_and_its_contact_potential_is_in_volts():
    slots = background(card(), nets())
    assert 0.8 < slots["V4.pentode", "emission"].median < 1.0
    contact = slots["V4.pentode", "contact_volts"]
    assert not contact.logarithmic
    assert contact.median == 0.0
    assert 0.05 < contact.sd < 0.3
    assert slots["V4.pentode", "gas"].median > 0.0


def test_mains_that_were_read_are_known_better():
    unread = background(card(), nets())["V5", "mains"]
    read = background(card(), nets(), mains_read=True)["V5", "mains"]
    assert 0.025 < unread.sd < 0.05
    assert read.sd < 0.5 * unread.sd


def test_spread_of_an_unstated_winding_stays_when_the_mains_are_read():
    read = background(card(), nets(V5__mains=0.15), mains_read=True)["V5", "mains"]
    assert read.sd == pytest.approx(0.15, rel=0.05)


def test_every_slot_of_the_network_has_a_background():
    networks = nets()
    slots = background(card(), networks)
    expected = {
        ("R7", "ohms"),
        ("C9", "farads"),
        ("C9", "leak_siemens"),
        ("V4.pentode", "emission"),
        ("V4.pentode", "mu"),
        ("V4.pentode", "contact_volts"),
        ("V4.pentode", "gas"),
        ("V5", "mains"),
        ("V5", "winding_ohms"),
        ("V5", "emission_1"),
        ("V5", "emission_2"),
        ("V5", "reservoir_farads"),
    }
    assert expected <= slots.keys()
    assert all(slot.tail_sd >= slot.sd or slot.tail_probability == 0.0 for slot in slots.values())


def test_background_becomes_arrays_in_the_order_of_a_circuit():
    slots = background(card(), nets())
    columns = {("V4.pentode", "contact_volts"): 0, ("R7", "ohms"): 1, ("unknown", "ohms"): 2}
    medians, arrays = arrays_of(slots, columns, np.array([0.0, 220e3, 47.0]))
    assert medians[1] == slots["R7", "ohms"].median
    assert medians[2] == 47.0
    assert arrays.logarithmic.tolist() == [False, True, True]
    assert arrays.sd[2] == 0.0
    assert (arrays.tail_sd >= arrays.sd).all()
