"""From a card to networks: what joins what, and what a healthy set then reads."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import networkx
import pytest

from hetwright.card import usual_values
from hetwright.card.model import Part, SetCard, Value, ValveInPlace
from hetwright.card.network import CardNetworks, networks_of
from hetwright.card.patterns import Skeleton, build
from hetwright.circuit.network import (
    Battery,
    Capacitance,
    Conductance,
    Inductance,
    JunctionDiode,
    Resistance,
    Supply,
    ValveSection,
)
from hetwright.circuit.solver import Circuit
from hetwright.errors import InputFault
from hetwright.faults.heating import heater_volts
from hetwright.valves.catalogue import find

STATED = Value(si=200.0, basis="stated", spread_log_sd=0.02)


@dataclass(frozen=True)
class LineUp:
    """A line-up with what its card would say of the supply."""

    name: str
    valves: str
    mains: float = 230.0
    construction: str = "mains transformer"
    more: dict[str, Any] = field(default_factory=dict)
    rows_apply: bool = True  # False: built to run its valves away from any published row


LINE_UPS = [
    LineUp("British AC 1951", "ECH42 EF41 EBC41 EL41 EZ40", 240.0),
    LineUp("AM/FM with indicator", "ECC85 ECH81 EF89 EABC80 EL84 EM80 EZ80", 220.0),
    LineUp(
        "AM/FM, selenium bridge", "ECC85 ECH81 EBF89 EABC80 EL84 EM84", 220.0, more={"rectifier": "bridge, selenium"}
    ),
    LineUp("U-series AC/DC", "UCH42 UF41 UBC41 UL41 UY41", 240.0, "AC/DC"),
    LineUp("noval U-series", "UCH81 UBF89 UABC80 UL84 UY85", 240.0, "AC/DC"),
    LineUp("half-wave selenium", "UCH81 UBF89 UCL82", 240.0, "AC/DC", {"rectifier": "half-wave selenium"}),
    LineUp("field coil and 80", "6A7 78 75 42 80", 117.0, more={"smoothing": "field coil"}),
    LineUp("metal octal", "6A8 6K7 6Q7 6F6 5Y3", 117.0),
    LineUp("RF stage, push-pull", "6SK7 6SA7 6SK7 6SQ7 6V6 6V6 5Y3", 117.0),
    LineUp("American AC/DC five", "12SA7 12SK7 12SQ7 50L6GT 35Z5GT", 117.0, "AC/DC"),
    LineUp("miniature AC/DC five", "12BE6 12BA6 12AV6 50C5 35W4", 117.0, "AC/DC"),
    LineUp("loctal", "7A8 7A7 7C6 7C5 7Y4", 117.0),
    LineUp("battery portable", "DK91 DF91 DAF91 DL94", 0.0, "battery"),
    LineUp("economy battery portable", "DK96 DF96 DAF96 DL96", 0.0, "battery"),
    LineUp(
        "mains-battery portable", "1U4 1R5 1U4 1U5 3V4", 117.0, "AC/DC", {"rectifier": "half-wave silicon"}, False
    ),
    LineUp("European octal", "ECH35 EF39 EBC33 EL33 AZ31", 230.0),
    LineUp("side contact", "ECH3 EF9 EBL1 AZ1", 220.0),
    LineUp("straight set, pentodes", "58 57 47 80", 117.0, more={"smoothing": "field coil"}),
    LineUp("straight set, tetrodes", "24 24 27 45 80", 117.0, more={"smoothing": "field coil"}),
    LineUp("push-pull radiogram", "ECC85 ECH81 EF89 EABC80 ECC83 EL84 EL84 EZ81", 220.0),
    LineUp("back bias", "ECH81 EBF89 ECL82 EZ80", 230.0, more={"bias": "back bias"}),
    LineUp(
        "bridge, silicon", "ECH81 EBF89 ECL82", 230.0, more={"rectifier": "bridge, silicon", "ht_secondary": STATED}
    ),
    LineUp("series heaters on a winding", "UCH42 UF41 UBC41 UL41 UY41", 240.0, rows_apply=False),
    LineUp("reflexless four", "UCH42 UAF42 UAF42 UL41 UY41", 240.0, "AC/DC"),
    LineUp("separate oscillator", "6K7 6L7 6J5 6K7 6H6 6F5 6F6 5Z4", 117.0),
    LineUp("germanium detector", "ECH81 EF89 ECL82", 220.0, more={"year": 1960}),
    LineUp("two IF stages", "6SA7 6SK7 6SK7 6SQ7 6V6 5Y3", 117.0),
]
by_name = pytest.mark.parametrize("line_up", LINE_UPS, ids=lambda line_up: line_up.name)


def valves(line_up: str) -> dict[str, ValveInPlace]:
    return {
        f"V{number}": ValveInPlace(identity=f"V{number}", ref=f"V{number}", type=name)
        for number, name in enumerate(line_up.split(), start=1)
    }


def card_of(line_up: LineUp | str, **more: Any) -> SetCard:
    if isinstance(line_up, str):
        line_up = next(each for each in LINE_UPS if each.name == line_up)
    return build(
        Skeleton(
            name=line_up.name,
            mains_rms_volts=line_up.mains,
            mains_hertz=60.0 if line_up.mains < 150.0 else 50.0,
            construction=line_up.construction,
            valves=valves(line_up.valves),
            **{**line_up.more, **more},
        )
    )


@cache
def solved(name: str) -> tuple[SetCard, CardNetworks, Circuit, dict[str, float]]:
    card = card_of(name)
    networks = networks_of(card)
    circuit = Circuit(networks.ht)
    points = circuit.solve(circuit.base()[None, :])
    assert points.certified[0]
    return card, networks, circuit, dict(zip(circuit.points, points.volts[0], strict=True))


def volts(name: str, point: str) -> float:
    _, networks, _, found = solved(name)
    return found[networks.point(point)]


def ends_of(element: Any) -> tuple[str, ...]:
    match element:
        case ValveSection():
            return (*element.electrodes.values(), element.cathode)
        case Supply() | Battery():
            return element.plus, element.minus
        case JunctionDiode():
            return element.anode, element.cathode
        case _:
            return element.a, element.b


# ---- every line-up


@by_name
def test_a_set_built_from_its_line_up_solves(line_up):
    _, networks, _, found = solved(line_up.name)
    ht = found[networks.point("HT2")]
    assert 60.0 < ht < 400.0
    assert all(abs(value) < 450.0 for value in found.values())


@by_name
def test_every_point_has_a_path_for_direct_current_or_is_an_open_end(line_up):
    _, networks, _, found = solved(line_up.name)
    graph = networkx.Graph()
    for element in networks.ht.elements:
        if isinstance(element, Conductance | Capacitance):
            continue
        ends = ends_of(element)
        graph.add_edges_from((ends[0], other) for other in ends[1:])
    # what hangs on capacitors alone, and the mains side of a transformer
    apart = set(found) - networkx.node_connected_component(graph, "chassis")
    allowed = (
        "aerial",
        "earth",
        "loudspeaker",
        "mains_",
        "supply.",
        "oscillator",
        "padder",
        "tone",
        "coil",
        "dipole",
        "amplitude",
        "feedback",
    )
    assert not {point for point in apart if not any(word in point for word in allowed)}


@by_name
def test_every_electrode_of_a_working_section_is_joined_to_something(line_up):
    _, networks, _, _ = solved(line_up.name)
    uses: dict[str, int] = {}
    for element in networks.ht.elements:
        if isinstance(element, Conductance):
            continue
        for point in set(ends_of(element)):
            uses[point] = uses.get(point, 0) + 1
    for element in networks.ht.elements:
        if isinstance(element, ValveSection):
            for electrode, point in element.electrodes.items():
                if electrode != "amplitude":
                    assert uses[point] >= 2, (element.part, electrode)


@by_name
def test_every_part_with_a_value_is_in_a_network_or_joins_a_point_to_itself(line_up):
    card, networks, _, _ = solved(line_up.name)
    elements = [*networks.ht.elements, *(networks.heaters.elements if networks.heaters else ())]
    named = {element.part.split(".")[0] for element in elements}
    for part in card.parts.values():
        if part.quantity == "none":
            continue
        same = networks.point(part.from_point) == networks.point(part.to_point)
        assert part.ref in named or same, (part.ref, part.role)


@by_name
def test_every_role_of_a_whole_receiver_is_there(line_up):
    card, networks, _, _ = solved(line_up.name)
    needed = {
        *("output.coupling_capacitor", "output.grid_leak", "output.output_transformer", "output.valve"),
        *("supply.mains_switch", "supply.reservoir_capacitor", "heaters.wiring", "heaters.valve"),
        *("frequency_changer.aerial_coil", "frequency_changer.gang"),
        *("wiring.earth_bond", "wiring.joint", "wiring.valve_holder", "mechanical.drive"),
    }
    stages = {stage.name for stage in card.stages}
    if "detector" in stages:
        needed |= {"detector.volume_control", "detector.diode", "detector.avc_capacitor"}
    if "frequency_changer" in stages:
        needed |= {"frequency_changer.oscillator_coil", "frequency_changer.padder", "if_amp.output_transformer"}
    if card.construction != "battery":
        needed |= {"supply.mains_lead", "supply.rectifier", "supply.mains_bypass_capacitor"}
    swapped = {role.replace("output.", "output_a.") if "output_a" in stages else role for role in needed}
    missing = {role for role in needed | swapped if role not in networks.roles}
    assert not {role for role in missing if role.replace("output.", "output_a.") not in networks.roles}


@by_name
def test_every_role_and_part_says_what_across_it_means(line_up):
    card, networks, _, _ = solved(line_up.name)
    for part in card.parts.values():
        assert part.ref in networks.terminals
        assert part.role in networks.terminals


@by_name
def test_every_spread_belongs_to_a_slot(line_up):
    _, networks, circuit, _ = solved(line_up.name)
    slots = set(circuit.slot_index)
    if networks.heaters is not None:
        slots |= set(Circuit(networks.heaters).slot_index)
    assert set(networks.spreads) <= slots
    assert set(networks.spreads) == set(networks.basis)
    assert all(0.0 < spread < 1.2 for spread in networks.spreads.values())


@by_name
def test_heaters_have_their_volts(line_up):
    _, networks, _, _ = solved(line_up.name)
    found = heater_volts(networks.heaters)
    for valve, nominal in networks.heater_nominal_volts.items():
        assert found[valve] == pytest.approx(nominal, rel=0.17), valve


def compared_with_rows(line_up: LineUp) -> list[tuple[str, float]]:
    """(what, found over published) for the bias and screen volts of every stage whose valve has a row."""
    card, networks, _, found = solved(line_up.name)
    ratios = []
    for stage in card.stages:
        if stage.name in ("supply", "detector", "indicator", "audio", "audio_2", "reaction_detector", "fm_tuner"):
            continue
        valve = find(card.valves[stage.valve].type)
        line = found[networks.point("HT2" if stage.name.startswith("output") else "HT3")]
        row = usual_values.nearest_row(valve, stage.section, line, needs=("anode_amps",), stage=stage.name)
        section = next(
            element
            for element in networks.ht.elements
            if isinstance(element, ValveSection) and element.part == f"{stage.valve}.{stage.section}"
        )
        scale = line / (row.get("supply_volts") or row.get("anode_volts"))
        cathode = found[section.cathode]
        name = f"{line_up.name}, {stage.name} ({valve.name})"
        if stage.options.get("screen") == "fed" and row.get("screen_volts"):
            screen = found[section.electrodes["screen"]] - cathode
            ratios.append((f"{name} screen", screen / (scale * row.get("screen_volts"))))
        if row.bias_volts and stage.options.get("bias") == "cathode":
            ratios.append((f"{name} bias", cathode / (-scale * row.bias_volts)))
        if row.bias_volts and stage.options.get("bias") == "back bias" and stage.name.startswith("output"):
            bias = cathode - found[section.electrodes["grid"]]
            ratios.append((f"{name} bias", bias / (-scale * row.bias_volts)))
    return ratios


def test_working_points_are_near_those_the_valves_makers_published():
    """Bias and screen volts against the published rows scaled by the HT (sources: those of the rows).

    Nineteen in twenty within 25 %: usual values are preferred numbers, and the AVC line adds its contact potential
    to the bias; none beyond a half.
    """
    ratios = [each for line_up in LINE_UPS if line_up.rows_apply for each in compared_with_rows(line_up)]
    assert len(ratios) > 100
    far = [each for each in ratios if not 0.75 <= each[1] <= 1.25]
    assert len(far) <= 0.05 * len(ratios), far
    assert all(0.5 <= ratio <= 1.5 for _, ratio in far), far


# ---- supplies


@pytest.mark.parametrize("stated", [180.0, 230.0, 260.0])
def test_a_stated_ht_is_met_within_a_tenth(stated):
    ht = Value(si=stated, basis="stated", spread_log_sd=0.02)
    card = card_of("AM/FM with indicator", ht_volts=ht)
    networks = networks_of(card)
    circuit = Circuit(networks.ht)
    points = circuit.solve(circuit.base()[None, :])
    assert points.volts[0][circuit.point("HT1")] == pytest.approx(stated, rel=0.1)


def test_a_stated_winding_is_taken_as_it_is():
    networks = networks_of(card_of("bridge, silicon"))
    (supply,) = [element for element in networks.ht.elements if isinstance(element, Supply)]
    assert supply.rms_volts == STATED.si
    assert networks.basis[supply.part, "mains"] == "stated"


def test_an_unstated_ht_has_a_wide_spread_and_a_stated_winding_a_narrow_one():
    wide = networks_of(card_of("British AC 1951"))
    narrow = networks_of(card_of("bridge, silicon"))
    (rectifier,) = [e.part for e in wide.ht.elements if isinstance(e, Supply)]
    (other,) = [e.part for e in narrow.ht.elements if isinstance(e, Supply)]
    assert wide.spreads[rectifier, "mains"] > 3.0 * narrow.spreads[other, "mains"]


def test_back_bias_puts_ht_negative_below_chassis():
    assert volts("back bias", "ht_negative") < -10.0
    assert volts("back bias", "V3.control_grid") == pytest.approx(volts("back bias", "ht_negative"), rel=0.1)
    assert volts("back bias", "V3.cathode") == 0.0


def test_ht_negative_of_an_ac_dc_set_is_its_chassis_and_the_neutral():
    _, networks, _, _ = solved("U-series AC/DC")
    assert networks.point("ht_negative") == networks.point("mains_neutral") == "chassis"


def test_an_auto_transformer_joins_the_neutral_to_the_chassis():
    skeleton = Skeleton(
        mains_rms_volts=220.0,
        mains_hertz=50.0,
        construction="auto-transformer",
        valves=valves("ECH81 EBF89 ECL82 EZ80"),
    )
    assert networks_of(build(skeleton)).point("mains_neutral") == "chassis"


def test_earth_is_bonded_to_an_isolated_chassis_and_never_to_a_live_one():
    def bonded(name: str) -> bool:
        return any(
            isinstance(element, Resistance) and "earth" in (element.a, element.b)
            for element in networks_of(card_of(name)).ht.elements
        )

    assert bonded("British AC 1951")
    assert not bonded("U-series AC/DC")


def test_the_surge_resistor_of_an_ac_dc_set_stands_in_the_anode_lead_and_drops_the_ht():
    card, networks, circuit, _ = solved("U-series AC/DC")
    (surge,) = card.parts_of_role("supply.surge_resistor")
    assert networks.terminals[surge.ref] == ("mains_in", "supply.winding_a")
    stack = circuit.base()[None, :].repeat(2, axis=0)
    stack[1, circuit.slot(surge.ref, "ohms")] *= 2.0
    points = circuit.solve(stack)
    normal, dropped = points.volts[:, circuit.point("HT1")]
    assert dropped < normal - 5.0


# ---- heaters


def test_series_heaters_stand_live_end_first_and_audio_valve_at_chassis():
    _, networks, _, _ = solved("U-series AC/DC")
    _, lower = networks.terminals["V5.heater"]  # rectifier
    assert lower == "V5.heater_return"
    assert networks.terminals["V3.heater"][1] == "heaters.chain_end"  # detector and audio


def test_a_rectifier_with_its_own_filament_has_its_own_winding():
    _, networks, _, _ = solved("field coil and 80")
    batteries = [element for element in networks.heaters.elements if isinstance(element, Battery)]
    assert len(batteries) == 2
    found = heater_volts(networks.heaters)
    assert found["V5"] == pytest.approx(5.0, rel=0.02)
    assert found["V1"] == pytest.approx(6.3, rel=0.02)


def test_the_heater_chain_is_there_for_the_ohmmeter_and_cold_it_is_a_fraction_of_its_hot_ohms():
    _, networks, _, _ = solved("U-series AC/DC")
    (cold,) = [
        e for e in networks.ht.elements if isinstance(e, Resistance) and (e.part, e.what) == ("V4", "heater_ohms")
    ]
    (hot,) = [
        e
        for e in networks.heaters.elements
        if isinstance(e, Resistance) and (e.part, e.what) == ("V4", "heater_ohms")
    ]
    assert cold.ohms == hot.ohms
    assert 0.1 < cold.scale < 0.25


def test_filaments_fed_from_the_ht_bias_the_valves_above_them():
    assert volts("mains-battery portable", "V5.cathode") > volts("mains-battery portable", "V1.cathode") > 1.0
    assert volts("mains-battery portable", "V4.cathode") == pytest.approx(0.0, abs=0.05)


def test_tapped_filaments_in_a_series_chain_have_their_halves_in_series():
    _, networks, _, _ = solved("mains-battery portable")
    assert networks.heater_nominal_volts["V5"] == pytest.approx(2.8)


def test_a_lamp_on_the_rectifiers_tap_lies_across_part_of_its_heater():
    card, networks, _, _ = solved("miniature AC/DC five")
    (lamp,) = card.parts_of_role("heaters.lamp")
    assert networks.terminals[lamp.ref] == ("V5.heater", "V5.heater_tap")


# ---- what faults need


def test_a_volume_control_is_one_track_in_two_parts():
    card, networks, _, _ = solved("British AC 1951")
    (control,) = card.parts_of_role("detector.volume_control")
    halves = [e for e in networks.ht.elements if e.part == control.ref and getattr(e, "what", "") == "ohms"]
    assert len(halves) == 2
    assert sum(half.scale for half in halves) == pytest.approx(1.0)
    assert len({half.ohms for half in halves}) == 1


def test_touching_electrodes_leaks_to_heaters_and_holders_are_ports_at_zero():
    _, networks, _, _ = solved("British AC 1951")
    ports = [element for element in networks.ht.elements if isinstance(element, Conductance)]
    assert all(port.siemens == 0.0 for port in ports)
    assert any(port.part == "V2.pentode" and port.what == "grid_to_screen_siemens" for port in ports)
    assert any(port.part == "V4" and "heater" in port.what for port in ports)
    assert any(port.part == "V2.holder" for port in ports)
    assert any(port.part.startswith("IFT") for port in ports)


def test_a_mains_lead_has_insulation_to_lose_to_the_chassis():
    card, networks, _, _ = solved("U-series AC/DC")
    (lead,) = card.parts_of_role("supply.mains_lead")
    ports = [e for e in networks.ht.elements if isinstance(e, Conductance) and e.part == lead.ref]
    assert [(port.a, port.b) for port in ports] == [("mains_live", "chassis")]


def test_a_filament_valve_has_no_heater_to_cathode_insulation_to_lose():
    _, networks, _, _ = solved("battery portable")
    ports = [e for e in networks.ht.elements if isinstance(e, Conductance) and "holder" not in e.part]
    assert ports
    assert not [port for port in ports if "heater" in port.what]


def test_an_oscillator_can_be_held_still():
    _, _, circuit, _ = solved("British AC 1951")
    stack = circuit.base()[None, :].repeat(2, axis=0)
    stack[1, circuit.slot("V1", "oscillator_stop_siemens")] = 2.0
    points = circuit.solve(stack)
    grid = points.volts[:, circuit.point("V1.triode_grid")]
    assert grid[0] < -3.0  # grid current of the oscillation through the leak
    assert grid[1] > -1.0


def test_neighbouring_pins_are_points_of_the_network():
    for line_up in LINE_UPS:
        _, networks, _, found = solved(line_up.name)
        for a, b in networks.neighbours:
            assert a in found
            assert b in found
            assert a != b


def test_electrolytics_have_their_plus_to_the_more_positive_point():
    for line_up in LINE_UPS:
        _, networks, _, found = solved(line_up.name)
        for element in networks.ht.elements:
            if isinstance(element, Capacitance) and element.electrolytic:
                assert found[element.a] >= found[element.b] - 0.01, (line_up.name, element.part)


def test_who_looks_for_the_aerial_coil_of_a_set_with_rf_stage_finds_it():
    _, networks, _, _ = solved("RF stage, push-pull")
    assert networks.roles["frequency_changer.aerial_coil"] == networks.roles["rf_amp.input_transformer"]


def test_electrodes_go_by_every_name_the_trade_uses():
    _, networks, _, _ = solved("British AC 1951")
    assert networks.point("V1.oscillator_grid") == networks.point("V1.triode_grid")
    assert networks.point("V1.injection") == networks.point("V1.triode_grid")
    assert networks.point("V3.diode_1") == networks.point("V3.diode_1_anode")
    assert networks.point("V3.cathode") == "chassis"


# ---- states and extra parts


def with_part(card: SetCard, role: str, **values: Any) -> SetCard:
    (part,) = card.parts_of_role(role)
    return replace(card, parts={**card.parts, part.ref: replace(part, **values)})


def value(si: float) -> Value:
    return Value(si=si, basis="stated", spread_log_sd=0.05)


def test_each_state_takes_its_own_value():
    card = with_part(
        card_of("bridge, silicon"),
        "output.cathode_resistor",
        drawn=value(330.0),
        marked=value(470.0),
        fitted=value(390.0),
    )
    (part,) = card.parts_of_role("output.cathode_resistor")

    def ohms(state: Any) -> float:
        elements = networks_of(card, state).ht.elements
        return next(e.ohms for e in elements if isinstance(e, Resistance) and e.part == part.ref)

    assert (ohms("drawn"), ohms("found"), ohms("now")) == (330.0, 470.0, 390.0)


def test_a_dried_reservoir_lowers_the_ht_and_does_not_rewind_the_transformer():
    ht = Value(si=250.0, basis="stated", spread_log_sd=0.02)
    card = with_part(card_of("AM/FM with indicator", ht_volts=ht), "supply.reservoir_capacitor", measured=value(2e-6))

    def reservoir_volts(state: Any) -> float:
        networks = networks_of(card, state)
        circuit = Circuit(networks.ht)
        return circuit.solve(circuit.base()[None, :]).volts[0][circuit.point("HT1")]

    windings = {
        state: next(e.rms_volts for e in networks_of(card, state).ht.elements if isinstance(e, Supply))
        for state in ("drawn", "found")
    }
    assert windings["drawn"] == windings["found"]
    assert reservoir_volts("found") < reservoir_volts("drawn") - 15.0


def test_a_stated_value_brings_its_own_spread():
    card = with_part(card_of("bridge, silicon"), "output.cathode_resistor", drawn=value(330.0))
    (part,) = card.parts_of_role("output.cathode_resistor")
    networks = networks_of(card)
    assert networks.spreads[part.ref, "ohms"] == 0.05
    assert networks.basis[part.ref, "ohms"] == "stated"


def test_an_extra_part_joins_the_points_it_names():
    card = card_of("bridge, silicon")
    extra = Part(
        identity="R90",
        ref="R90",
        role=None,
        kind="carbon",
        quantity="ohms",
        from_point="V2.anode",
        to_point="chassis",
        marked=value(100e3),
        extra=True,
    )
    networks = networks_of(replace(card, parts={**card.parts, "R90": extra}))
    circuit = Circuit(networks.ht)
    loaded = circuit.solve(circuit.base()[None, :]).volts[0][circuit.point("V2.anode")]
    assert loaded < volts("bridge, silicon", "V2.anode") - 1.0


def test_a_winding_measured_on_one_side_keeps_the_proportion_of_a_like_other():
    card = card_of("field coil and 80")
    (part,) = card.parts_of_role("supply.ht_secondary")
    usual = part.usual.si
    card = with_part(card, "supply.ht_secondary", measured=value(0.8 * usual))
    ohms = {
        element.part: element.ohms
        for element in networks_of(card).ht.elements
        if isinstance(element, Inductance) and element.part.startswith(part.ref)
    }
    assert ohms[f"{part.ref}.half_a"] == pytest.approx(0.8 * usual)
    assert ohms[f"{part.ref}.half_b"] == pytest.approx(0.8 * usual)


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -5.0])
def test_a_value_no_part_has_is_an_error_that_names_the_part(bad):
    card = with_part(card_of("bridge, silicon"), "output.cathode_resistor", drawn=value(bad))
    with pytest.raises(InputFault, match="ohms"):
        networks_of(card)
