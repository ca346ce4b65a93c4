"""Every part of a set can fail in the ways the trade knows, and each way changes the right thing."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from hetwright.card.model import Part, SetCard, Stage, SupplyCard, Value, ValveInPlace
from hetwright.circuit.network import (
    Battery,
    Capacitance,
    Conductance,
    Inductance,
    Network,
    Resistance,
    Supply,
    ValveSection,
)
from hetwright.faults.heating import emission_at, heater_volts
from hetwright.faults.model import Fault
from hetwright.faults.modes import faults_of

WORDS = [
    "open",
    "short",
    "leaky",
    "high",
    "low",
    "wrong value",
    "intermittent",
    "low capacitance",
    "low emission",
    "gassy",
    "heater open",
    "heater-cathode leak",
    "electrodes touching",
    "not oscillating",
    "dirty contact",
    "missing",
    "misplaced",
    "noisy",
    "misaligned",
]

ROLES = {
    "supply": "mains_lead mains_switch fuse mains_bypass_capacitor mains_transformer ht_secondary rectifier "
    "surge_resistor reservoir_capacitor smoothing_choke smoothing_resistor smoothing_capacitor field_coil dropper "
    "thermistor bleeder decoupling_resistor decoupling_capacitor bias_resistor",
    "heaters": "winding chain valve lamp wiring dropper barretter shunt_resistor centre_tap",
    "output": "coupling_capacitor grid_leak grid_stopper cathode_resistor cathode_bypass_capacitor "
    "anode_bypass_capacitor output_transformer screen_feed_resistor screen_bypass_capacitor tone_control "
    "tone_capacitor feedback_resistor loudspeaker valve",
    "audio": "anode_load cathode_resistor cathode_bypass_capacitor grid_leak coupling_capacitor decoupling_resistor "
    "decoupling_capacitor screen_feed_resistor screen_bypass_capacitor anode_bypass_capacitor valve",
    "detector": "diode if_filter_resistor if_bypass_capacitor volume_control load_resistor avc_feed_resistor "
    "avc_capacitor avc_diode avc_diode_coupling_capacitor avc_load_resistor valve",
    "if_amp": "input_transformer output_transformer screen_feed_resistor screen_bypass_capacitor cathode_resistor "
    "cathode_bypass_capacitor anode_feed_resistor anode_decoupling_capacitor grid_return_capacitor valve",
    "frequency_changer": "aerial_coil signal_grid_leak signal_grid_capacitor screen_feed_resistor "
    "screen_bypass_capacitor cathode_resistor cathode_bypass_capacitor oscillator_anode_resistor "
    "oscillator_anode_capacitor oscillator_grid_leak oscillator_grid_capacitor oscillator_coil padder trimmer gang "
    "anode_feed_resistor valve",
    "indicator": "target_feed_resistor anode_load valve",
    "wiring": "earth_bond screen lead joint waveband_switch valve_holder",
    "mechanical": "control_shaft drive knob",
}


@dataclass(frozen=True)
class Nets:
    ht: Network
    heaters: Network | None


def part(ref: str, role: str, kind: str, quantity: str, si: float, a: str = "a", b: str = "chassis", **more: object):
    value = Value(si=si, basis="usual", spread_log_sd=0.1)
    return Part(
        identity=ref, ref=ref, role=role, kind=kind, quantity=quantity, from_point=a, to_point=b, usual=value, **more
    )


def small_card(**more: object) -> SetCard:
    parts = [
        part("C9", "output.coupling_capacitor", "paper", "farads", 10e-9, "V2.triode_anode", "V2.control_grid"),
        part("C1", "supply.reservoir_capacitor", "electrolytic", "farads", 32e-6, "HT1", "chassis"),
        part("C12", "output.cathode_bypass_capacitor", "electrolytic", "farads", 25e-6, "V2.cathode", "chassis"),
        part("R7", "audio.anode_load", "carbon", "ohms", 220e3, "HT2", "V2.triode_anode"),
        part("R12", "output.cathode_resistor", "carbon", "ohms", 330.0, "V2.cathode", "chassis"),
        part("VR1", "detector.volume_control", "control", "ohms", 500e3, "detector_load", "chassis"),
        part("T2", "output.output_transformer", "output transformer", "ohms", 400.0, "HT2", "V2.anode"),
        part("L2", "frequency_changer.oscillator_coil", "oscillator coil", "ohms", 3.0),
        part("R1", "heaters.dropper", "wirewound", "ohms", 600.0),
    ]
    fields = {
        "name": "Tarnbrook test",
        "mains_rms_volts": 230.0,
        "mains_hertz": 50.0,
        "construction": "AC/DC",
        "valves": {
            "V1": ValveInPlace(identity="v1", ref="V1", type="UCH42"),
            "V2": ValveInPlace(identity="v2", ref="V2", type="UCL82"),
            "V3": ValveInPlace(identity="v3", ref="V3", type="UY85"),
        },
        "stages": (
            Stage(name="frequency_changer", pattern="hexode", valve="V1", section="hexode"),
            Stage(name="audio", pattern="audio", valve="V2", section="triode"),
            Stage(name="output", pattern="output", valve="V2", section="pentode"),
        ),
        "parts": {p.ref: p for p in parts},
        "supply": SupplyCard(rectifier="half-wave valve", smoothing="resistor", valve="V3", heaters="series"),
    }
    return SetCard(**{**fields, **more})


def small_networks() -> Nets:
    ht = Network(
        elements=(
            Supply(
                part="supply",
                plus="HT1",
                minus="chassis",
                kind="half-wave",
                rectifier="valve",
                rms_volts=230.0,
                hertz=50.0,
                winding_ohms=150.0,
                reservoir_farads=32e-6,
                perveance=1e-3,
                slots_of={"emission_1": "V3"},
            ),
            Capacitance(part="C9", a="V2.triode_anode", b="V2.control_grid", farads=10e-9),
            Capacitance(part="C1", a="HT1", b="chassis", farads=32e-6, electrolytic=True),
            Capacitance(part="C12", a="V2.cathode", b="chassis", farads=25e-6, electrolytic=True),
            Resistance(part="R7", a="HT2", b="V2.triode_anode", ohms=220e3),
            Resistance(part="R12", a="V2.cathode", b="chassis", ohms=330.0),
            Resistance(part="VR1", a="detector_load", b="slider", ohms=500e3, scale=0.5),
            Resistance(part="VR1", a="slider", b="chassis", ohms=500e3, scale=0.5),
            Inductance(part="T2.primary", a="HT2", b="V2.anode", ohms=400.0, henries=10.0),
            Conductance(part="T2", a="V2.anode", b="chassis", what="core_siemens"),
            Inductance(part="L2.tuned", a="tuned", b="chassis", ohms=3.0, henries=1e-4),
            Conductance(part="L2", a="V1.oscillator_amplitude", b="chassis", what="stop_siemens"),
            ValveSection(
                part="V1.hexode",
                valve="V1",
                shape="hexode",
                constants={},
                electrodes={"grid": "V1.control_grid", "screen": "V1.screen_grid", "anode": "V1.anode"},
                cathode="V1.cathode",
            ),
            ValveSection(
                part="V2.triode",
                valve="V2",
                shape="triode",
                constants={},
                electrodes={"grid": "V2.triode_grid", "anode": "V2.triode_anode"},
                cathode="chassis",
            ),
            ValveSection(
                part="V2.pentode",
                valve="V2",
                shape="pentode",
                constants={},
                electrodes={"grid": "V2.control_grid", "screen": "V2.screen_grid", "anode": "V2.anode"},
                cathode="V2.cathode",
            ),
            Conductance(part="V2.pentode", a="V2.control_grid", b="V2.screen_grid", what="touch_siemens"),
            Conductance(part="V2.pentode", a="V2.cathode", b="chassis", what="heater_cathode_siemens"),
            Conductance(part="V2.holder", a="V2.anode", b="V2.screen_grid", what="holder_siemens"),
        )
    )
    heaters = Network(
        elements=(
            Battery(part="heater_supply", plus="mains_live", minus="chassis", volts=230.0),
            Resistance(part="R1", a="mains_live", b="n1", ohms=950.0),
            Resistance(part="V3", a="n1", b="n2", ohms=380.0, what="heater_ohms"),
            Resistance(part="V2", a="n2", b="n3", ohms=500.0, what="heater_ohms"),
            Resistance(part="V1", a="n3", b="chassis", ohms=140.0, what="heater_ohms"),
        )
    )
    return Nets(ht, heaters)


@pytest.fixture(scope="module")
def faults() -> tuple[Fault, ...]:
    return faults_of(small_card(), small_networks())


def one(faults: tuple[Fault, ...], part: str, fault: str) -> Fault:
    (found,) = [f for f in faults if f.part == part and f.fault == fault]
    return found


def every_role_card() -> SetCard:
    """A card that has a part for every role, of the sort its name says."""
    parts, stages, valves = [], [], {}
    for stage, words in ROLES.items():
        if stage in ("output", "audio", "detector", "if_amp", "frequency_changer", "indicator"):
            ref = f"V{len(valves) + 1}"
            valves[ref] = ValveInPlace(identity=ref, ref=ref, type="any")
            stages.append(Stage(name=stage, pattern="", valve=ref, section="any"))
        for word in words.split():
            if word == "valve" or stage in ("wiring", "mechanical"):
                continue
            ref = f"P{len(parts) + 1}"
            quantity, si, kind = ("ohms", 1e4, "")
            if "capacitor" in word:
                quantity, si, kind = "farads", 47e-9, "paper"
            parts.append(part(ref, f"{stage}.{word}", kind, quantity, si))
    supply = SupplyCard(rectifier="bridge, silicon", smoothing="choke")
    return small_card(valves=valves, stages=tuple(stages), parts={p.ref: p for p in parts}, supply=supply)


def test_every_role_of_the_trade_can_fail():
    faults = faults_of(every_role_card(), Nets(Network(elements=()), None))
    named = {f.role for f in faults} | {role for f in faults for role in f.also}
    for stage, words in ROLES.items():
        for word in words.split():
            assert f"{stage}.{word}" in named


def test_fault_words_are_those_of_the_trade(faults):
    every = (*faults, *faults_of(every_role_card(), Nets(Network(elements=()), None)))
    assert {f.fault for f in every} <= set(WORDS)
    assert {"open", "leaky", "high", "low emission", "misaligned", "dirty contact"} <= {f.fault for f in every}


def test_severities_of_every_fault_sum_to_one(faults):
    for fault in faults:
        assert sum(s.weight for s in fault.severities) == pytest.approx(1.0)
        assert 0.0 < fault.rate < 1.0


def test_no_part_has_the_same_fault_twice(faults):
    keys = [(f.part, f.role, f.fault) for f in faults]
    assert len(keys) == len(set(keys))


def test_leaky_coupling_capacitor_runs_from_a_near_short_to_tens_of_megohms(faults):
    leaks = [s.changes[0] for s in one(faults, "C9", "leaky").severities]
    assert {(c.part, c.what, c.how) for c in leaks} == {("C9", "leak_siemens", "set")}
    ohms = [1.0 / c.number for c in leaks]
    assert ohms == sorted(ohms)
    assert ohms[0] <= 10e3
    assert ohms[-1] >= 10e6


def test_leaky_coupling_capacitor_is_the_likeliest_capacitor_fault(faults):
    coupling = one(faults, "C9", "leaky").rate
    assert coupling > max(f.rate for f in faults if f.part == "C9" and f.fault != "leaky") * 5.0


def test_open_capacitor_carries_no_signal_but_no_direct_current_either(faults):
    (severity,) = one(faults, "C9", "open").severities
    (change,) = severity.changes
    assert (change.what, change.how) == ("farads", "set")
    assert change.number < 1e-12
    assert one(faults, "C9", "open").shows["no sound"] > 0.5


def test_dried_reservoir_changes_the_supply(faults):
    changed = {(c.part, c.what) for s in one(faults, "C1", "low capacitance").severities for c in s.changes}
    assert ("supply", "reservoir_farads") in changed


def test_electrolytic_the_wrong_way_round_conducts(faults):
    (severity,) = one(faults, "C12", "misplaced").severities
    assert severity.where == "the wrong way round"
    assert severity.changes[0].number > 1e-4


def test_paper_capacitor_has_no_wrong_way_round(faults):
    assert one(faults, "C9", "misplaced").severities[0].changes == ()


def test_resistor_drifts_high_and_its_steps_blend(faults):
    high = one(faults, "R7", "high").severities
    assert [s.changes[0].how for s in high] == ["times"] * len(high)
    assert high[0].changes[0].number < 1.5
    assert high[-1].changes[0].number >= 5.0
    assert all(s.log_sd > 0.05 for s in high)


def test_anode_load_of_220k_fails_oftener_than_cathode_resistor_of_330_drifts(faults):
    assert one(faults, "R7", "high").rate > one(faults, "R12", "high").rate


def test_both_halves_of_a_volume_control_are_one_track(faults):
    (severity,) = one(faults, "VR1", "open").severities
    assert len(severity.changes) == 1


def test_dirty_slider_crackles_without_changing_a_voltage(faults):
    fault = one(faults, "VR1", "dirty contact")
    assert fault.severities[0].changes == ()
    assert fault.shows["crackle"] > 0.5


def test_shorted_turns_take_the_inductance_with_them(faults):
    for severity in one(faults, "T2", "short").severities:
        slots = {c.what for c in severity.changes}
        assert slots == {"ohms", "henries"} or slots == {"core_siemens"}


def test_winding_names_the_winding(faults):
    assert one(faults, "T2", "open").severities[0].where == "primary"


def test_low_emission_of_one_section_spares_a_section_with_its_own_cathode(faults):
    emission = [f for f in faults if f.part == "V2" and f.fault == "low emission"]
    assert {f.role for f in emission} == {"output.valve", "audio.valve"}
    pentode = next(f for f in emission if f.role == "output.valve")
    assert {c.part for s in pentode.severities for c in s.changes} == {"V2.pentode"}


def test_sections_on_one_cathode_wear_together():
    networks = small_networks()
    shared = tuple(
        replace(e, cathode="V2.cathode") if isinstance(e, ValveSection) and e.valve == "V2" else e
        for e in networks.ht.elements
    )
    faults = faults_of(small_card(), replace(networks, ht=Network(elements=shared)))
    (fault,) = [f for f in faults if f.part == "V2" and f.fault == "low emission"]
    assert fault.role == "output.valve"
    assert "audio.valve" in fault.also
    assert {c.part for c in fault.severities[0].changes} == {"V2.pentode", "V2.triode"}
    assert fault.severities[0].changes[0].part == "V2.pentode"


def test_gas_needs_a_grid(faults):
    assert all(c.what == "gas" for s in one(faults, "V1", "gassy").severities for c in s.changes)


def test_heater_cathode_leak_and_touching_electrodes_use_their_own_ports(faults):
    leak = next(f for f in faults if f.part == "V2" and f.fault == "heater-cathode leak" and f.role == "output.valve")
    touch = [f for f in faults if f.part == "V2" and f.fault == "electrodes touching" and f.role == "output.valve"]
    assert {c.what for s in leak.severities for c in s.changes} == {"heater_cathode_siemens"}
    assert {c.what for s in touch[0].severities for c in s.changes} == {"touch_siemens"}


def test_tracking_valve_holder_joins_neighbouring_pins(faults):
    fault = one(faults, "wiring.valve_holder", "leaky")
    assert {s.changes[0].part for s in fault.severities if "heater" not in s.where} == {"V2.holder"}
    assert fault.severities[0].where == "V2.anode to V2.screen_grid"


def test_path_across_the_heater_pins_of_a_chain_starves_one_valve_and_over_runs_the_rest(faults):
    severities = [s for s in one(faults, "wiring.valve_holder", "leaky").severities if "heater of V1" in s.where]
    worst = severities[-1]
    assert worst.changes[0].part == "V1"
    assert worst.changes[0].number < 0.2
    assert {c.part for c in worst.changes[1:]} == {"V1.hexode"}


def test_heater_open_in_a_series_chain_leaves_every_valve_cold(faults):
    (severity,) = one(faults, "V1", "heater open").severities
    cold = {c.part for c in severity.changes if c.what.startswith("emission")}
    assert cold == {"V1.hexode", "V2.triode", "V2.pentode", "supply"}
    assert "heaters.valve" in one(faults, "V1", "heater open").also


def test_dropper_gone_high_starves_the_heaters(faults):
    severities = one(faults, "R1", "high").severities
    mild, worst = severities[0], severities[-1]
    assert len(worst.changes) > 1
    kept = {c.part: c.number for c in worst.changes if c.what == "emission"}
    assert kept["V1.hexode"] < 0.05
    assert all(c.number > kept["V1.hexode"] for c in mild.changes[1:])


def test_heater_volts_of_a_chain_agree_with_ohms_law():
    networks = small_networks()
    amps = 230.0 / (1.0 + 950.0 + 380.0 + 500.0 + 140.0)
    volts = heater_volts(networks.heaters)
    assert volts["V3"] == pytest.approx(380.0 * amps, rel=1e-6)
    assert volts["V1"] == pytest.approx(140.0 * amps, rel=1e-6)


def test_a_shorted_heater_over_runs_the_others():
    networks = small_networks()
    before = heater_volts(networks.heaters)
    after = heater_volts(networks.heaters, {("V3", "heater_ohms"): 0.5})
    assert after["V1"] > before["V1"] * 1.1
    assert after["V3"] < 0.01 * before["V3"]


def test_emission_falls_with_heater_volts_and_never_vanishes():
    fractions = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2]
    left = [emission_at(f) for f in fractions]
    assert left == sorted(left)
    assert left[0] > 0.0
    assert left[-1] < 1.0


def test_oscillator_coil_open_stops_the_oscillator(faults):
    changes = {(c.part, c.what) for s in one(faults, "L2", "open").severities for c in s.changes}
    assert ("L2", "stop_siemens") in changes
    assert one(faults, "V1", "not oscillating").severities[0].changes[0].what == "stop_siemens"


def test_open_fuse_kills_ht_and_heaters(faults):
    changes = {(c.part, c.what) for c in one(faults, "supply.mains_switch", "open").severities[0].changes}
    assert ("supply", "mains") in changes
    assert ("heater_supply", "volts") in changes


def test_rectifier_half_can_fail_alone_only_where_there_are_two():
    networks = small_networks()
    assert {s.where for s in one(faults_of(small_card(), networks), "V3", "low emission").severities} == {""}
    two = tuple(replace(e, kind="two-anode") if isinstance(e, Supply) else e for e in networks.ht.elements)
    fault = one(faults_of(small_card(), replace(networks, ht=Network(elements=two))), "V3", "low emission")
    assert {s.where for s in fault.severities} == {"both halves", "one half", "other half"}


def test_a_value_that_differs_from_the_drawing_is_a_suspect_as_it_stands():
    card = small_card()
    changed = replace(
        card.parts["R12"],
        drawn=Value(si=330.0, basis="stated", spread_log_sd=0.05),
        marked=Value(si=1000.0, basis="marked", spread_log_sd=0.05),
    )
    fault = one(
        faults_of(replace(card, parts={**card.parts, "R12": changed}), small_networks()), "R12", "wrong value"
    )
    assert fault.severities[0].changes == ()
    assert fault.rate > 0.1


def test_measured_resistor_is_hardly_suspected_of_drift():
    card = small_card()
    measured = replace(card.parts["R7"], measured=Value(si=231e3, basis="measured", spread_log_sd=0.01))
    faults = faults_of(replace(card, parts={**card.parts, "R7": measured}), small_networks())
    assert one(faults, "R7", "high").rate < 0.1 * one(faults_of(card, small_networks()), "R7", "high").rate


def test_networks_without_ports_still_list_the_fault():
    bare = Nets(Network(elements=()), None)
    faults = faults_of(small_card(), bare)
    assert one(faults, "C9", "leaky").severities[0].changes == ()
    assert one(faults, "C9", "leaky").shows
