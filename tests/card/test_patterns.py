"""From a line-up to a complete card: parts, points and usual values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hetwright.card import usual_values
from hetwright.card.model import SetCard, Value, ValveInPlace
from hetwright.card.network import networks_of
from hetwright.card.pattern_files import patterns, roles_of_patterns
from hetwright.card.patterns import Skeleton, build
from hetwright.errors import InputFault
from hetwright.trade_data import load_trade
from hetwright.valves.catalogue import find, types


def valves(line_up: str) -> dict[str, ValveInPlace]:
    return {
        f"V{number}": ValveInPlace(identity=f"V{number}", ref=f"V{number}", type=name)
        for number, name in enumerate(line_up.split(), start=1)
    }


def card_of(line_up: str, mains: float = 230.0, construction: str = "mains transformer", **more) -> SetCard:
    return build(
        Skeleton(
            mains_rms_volts=mains,
            mains_hertz=60.0 if mains < 150.0 else 50.0,
            construction=construction,
            valves=valves(line_up),
            **more,
        )
    )


def usual(card: SetCard, role: str) -> float:
    (part,) = card.parts_of_role(role)
    assert part.usual is not None
    return part.usual.si


# ---- the patterns as data


@pytest.mark.parametrize("pattern", patterns(), ids=lambda pattern: pattern.name)
def test_every_pattern_names_its_source(pattern):
    assert pattern.source
    assert isinstance(pattern.from_memory, bool)


@pytest.mark.parametrize("pattern", patterns(), ids=lambda pattern: pattern.name)
def test_every_usual_value_has_a_spread_that_is_no_mere_tolerance(pattern):
    for part in pattern.parts:
        if part.quantity != "none":
            assert 1.05 <= part.factor <= 3.0, part.role


def test_every_role_of_the_trade_has_a_part_in_some_pattern():
    listed = {record["stage"]: record for record in load_trade("roles.toml")["stage"]}
    have = roles_of_patterns()
    # valves and the diodes inside them are no parts of a pattern; an FM tuner and a straight set have fewer parts
    own = ("valve", "avc_diode")
    missing = {
        f"{stage}.{word}"
        for stage, record in listed.items()
        if stage not in ("fm_tuner", "reaction_detector")
        for word in (*record["parts"], *(listed[record["as"]]["parts"] if "as" in record else ()))
        if word not in own
    } - have
    assert missing == set()


def test_every_kind_of_part_has_a_letter_for_its_reference():
    for pattern in patterns():
        for part in pattern.parts:
            kinds = usual_values.customs()["kinds"].get(part.kind)
            made = [entry["is"] for entry in kinds] if isinstance(kinds, list) else [part.kind]
            assert all(kind in usual_values.customs()["letters"] for kind in made), part.kind


# ---- usual values come from the valve's published rows


def test_cathode_resistor_of_an_el84_is_that_of_its_data_sheet():
    # Philips/Mullard data, EL84 single valve class A: 250 V, -7.3 V, 48 + 5.5 mA: 135 ohms
    assert usual(card_of("ECH81 EBF89 EABC80 EL84 EZ80"), "output.cathode_resistor") == pytest.approx(135.0, rel=0.1)


def test_cathode_resistor_of_a_6v6_on_250_volts_is_about_270_ohms():
    # RCA manual, 6V6GT class A: -12.5 V, 45 + 4.5 mA: 253 ohms
    card = card_of("6SA7 6SK7 6SQ7 6V6 5Y3GT", 117.0)
    assert usual(card, "output.cathode_resistor") == pytest.approx(253.0, rel=0.15)


def test_screen_resistor_of_an_ech81_frequency_changer_is_that_of_its_data_sheet():
    # Philips/Mullard data, ECH81 frequency changer on 250 V: screens through 22 k
    card = card_of("ECH81 EBF89 ECL82 EZ80")
    assert usual(card, "frequency_changer.screen_feed_resistor") == pytest.approx(22e3)
    assert usual(card, "frequency_changer.oscillator_anode_resistor") == pytest.approx(33e3)
    assert usual(card, "frequency_changer.oscillator_grid_leak") == pytest.approx(47e3)


def test_screens_on_117_volt_mains_are_joined_to_the_ht_line():
    card = card_of("12SA7 12SK7 12SQ7 50L6GT 35Z5GT", 117.0, "AC/DC")
    assert not card.parts_of_role("if_amp.screen_feed_resistor")
    assert not card.parts_of_role("output.screen_feed_resistor")


def test_back_bias_resistor_drops_the_output_valves_bias_at_the_current_of_the_whole_set():
    card = card_of("ECH81 EBF89 ECL82 EZ80", bias="back bias")
    assert not card.parts_of_role("output.cathode_resistor")
    ohms = usual(card, "supply.bias_resistor")
    # ECL82 pentode needs about 16 V, the whole set draws 60 to 80 mA
    assert 180.0 <= ohms <= 330.0


def test_heater_dropper_takes_what_the_chain_leaves_of_the_mains():
    # worked example of the handbooks: (117 - 62.6 V) / 0.3 A = 181 ohms, here with the dial lamp in the chain
    card = card_of("6A8 6K7 6Q7 25L6 25Z6", 117.0, "AC/DC")
    chain = 3 * 6.3 + 25.0 + 25.0 + 6.3
    assert usual(card, "heaters.dropper") == pytest.approx((117.0 - chain) / 0.3, abs=1.0)


def test_a_chain_that_uses_up_the_mains_has_no_dropper():
    card = card_of("12BE6 12BA6 12AV6 50C5 35W4", 117.0, "AC/DC")
    assert not card.parts_of_role("heaters.dropper")


def test_reservoirs_grew_with_the_years():
    early = usual(card_of("ECH35 EF39 EBC33 EL33 AZ31", year=1938), "supply.reservoir_capacitor")
    late = usual(card_of("ECH81 EBF89 EABC80 EL84 EZ80", year=1958), "supply.reservoir_capacitor")
    assert early <= 16e-6 < late


@pytest.mark.parametrize(("year", "kind"), [(1938, "waxed paper"), (1952, "waxed paper"), (1961, "film")])
def test_coupling_capacitors_were_waxed_paper_before_film(year, kind):
    (part,) = card_of("ECH81 EBF89 ECL82", year=year).parts_of_role("output.coupling_capacitor")
    assert part.kind == kind


def test_mains_primary_of_a_117_volt_set_is_a_quarter_of_a_230_volt_ones():
    high = usual(card_of("ECH81 EBF89 ECL82 EZ80"), "supply.mains_transformer")
    low = usual(card_of("6SA7 6SK7 6SQ7 6V6 5Y3GT", 117.0), "supply.mains_transformer")
    assert low / high == pytest.approx((117.0 / 230.0) ** 2, rel=0.02)


# ---- forms


def test_a_hollow_state_chassis_set_joins_neutral_to_chassis_through_no_transformer():
    card = card_of("UCH42 UF41 UBC41 UL41 UY41", 240.0, "AC/DC")
    assert not card.parts_of_role("supply.mains_transformer")
    assert card.parts_of_role("supply.surge_resistor")
    assert card.supply.heaters == "series"


def test_u_valves_on_a_transformer_still_have_their_heaters_in_series():
    card = card_of("UCH42 UF41 UBC41 UL41 UY41", 240.0)
    assert card.supply.heaters == "series"
    assert card.parts_of_role("heaters.winding")
    assert not card.parts_of_role("heaters.dropper")


def test_a_field_coil_stands_where_a_choke_would():
    card = card_of("6A7 78 75 42 80", 117.0, smoothing="field coil")
    (coil,) = card.parts_of_role("supply.field_coil")
    assert (coil.from_point, coil.to_point) == ("HT1", "HT2")
    assert not card.parts_of_role("supply.smoothing_choke")


def test_a_field_coil_across_the_ht_leaves_the_smoothing_to_a_choke():
    card = card_of("6A7 78 75 42 80", 117.0, smoothing="field coil across the HT")
    (coil,) = card.parts_of_role("supply.field_coil")
    assert coil.to_point == "chassis"
    assert card.parts_of_role("supply.smoothing_choke")


def test_the_output_anode_is_fed_before_a_smoothing_resistor_and_behind_a_choke():
    (before,) = card_of("ECH81 EBF89 ECL82", smoothing="resistor").parts_of_role("output.output_transformer")
    (behind,) = card_of("ECH81 EBF89 ECL82", smoothing="choke").parts_of_role("output.output_transformer")
    assert before.to_point == "HT1"
    assert behind.to_point == "HT2"


def test_push_pull_valves_share_one_output_transformer():
    card = card_of("ECC85 ECH81 EF89 EABC80 ECC83 EL84 EL84 EZ81")
    assert card.output == "push-pull"
    (transformer,) = [part for part in card.parts.values() if part.kind == "output transformer"]
    assert transformer.role == "output_a.output_transformer"
    assert card.parts_of_role("output_b.grid_leak")


def test_a_stated_part_brings_the_form_that_has_it():
    plain = card_of("ECH81 EBF89 EABC80 EL84 EZ80")
    asked = card_of("ECH81 EBF89 EABC80 EL84 EZ80", stated_roles=frozenset({"audio.cathode_resistor"}))
    assert not plain.parts_of_role("audio.cathode_resistor")
    assert asked.parts_of_role("audio.cathode_resistor")


@pytest.mark.parametrize(
    ("role", "line_up", "mains", "construction"),
    [
        ("supply.thermistor", "UCH42 UF41 UBC41 UL41 UY41", 240.0, "AC/DC"),
        ("supply.dropper", "UCH42 UF41 UBC41 UL41 UY41", 240.0, "AC/DC"),
        ("heaters.barretter", "CCH35 EF39 EBC33 CL33 CY31", 230.0, "AC/DC"),
        ("supply.bleeder", "ECH35 EF39 EBC33 EL33 AZ31", 230.0, "mains transformer"),
        ("supply.surge_resistor", "ECH81 EBF89 ECL82", 230.0, "mains transformer"),
        ("detector.load_resistor", "ECH81 EBF89 ECL82", 230.0, "mains transformer"),
        ("detector.avc_load_resistor", "6A8 6K7 6Q7 6F6 5Y3GT", 117.0, "mains transformer"),
        ("output.screen_feed_resistor", "ECH81 EBF89 EABC80 EL84 EZ80", 230.0, "mains transformer"),
        ("output.feedback_resistor", "ECH35 EF39 EBC33 EL33 AZ31", 230.0, "mains transformer"),
        ("reaction_detector.reaction_capacitor", "58 57 47 80", 117.0, "mains transformer"),
        ("indicator.target_feed_resistor", "6A8 6K7 6Q7 6F6 6E5 5Y3GT", 117.0, "mains transformer"),
        ("heaters.centre_tap", "ECH35 EF39 EBC33 EL33 AZ31", 230.0, "mains transformer"),
    ],
)
def test_what_a_card_states_is_there(role, line_up, mains, construction):
    assert card_of(line_up, mains, construction, stated_roles=frozenset({role})).parts_of_role(role)


def test_a_form_chosen_on_the_card_is_taken():
    card = card_of("ECH81 EBF89 ECL82", options={"audio.bias": "cathode", "detector.avc": "plain"})
    assert card.parts_of_role("audio.cathode_resistor")
    assert not card.parts_of_role("detector.avc_load_resistor")


# ---- what is usual is told apart, and what is assumed is said


def test_every_value_of_a_bare_line_up_is_usual_and_nothing_is_stated():
    card = card_of("ECH81 EBF89 ECL82")
    for part in card.parts.values():
        assert part.drawn is part.marked is part.measured is part.fitted is None
        assert part.usual is None or part.usual.basis == "usual"
        assert part.usual is None or part.usual.spread_log_sd >= math.log(1.05)


def test_assumed_valves_are_marked_and_told():
    card = card_of("UL41 UY41", 240.0, "AC/DC", complete=False)
    assumed = [valve for valve in card.valves.values() if valve.assumed]
    assert len(assumed) == 3
    for valve in assumed:
        assert any(valve.ref in line and "assumed" in line for line in card.assumptions)


def test_an_ht_nobody_stated_is_told_as_an_assumption():
    assert any("HT is taken" in line for line in card_of("ECH81 EBF89 ECL82").assumptions)
    stated = Value(si=250.0, basis="stated", spread_log_sd=0.02)
    card = card_of("ECH81 EBF89 ECL82", ht_volts=stated)
    assert not any("HT is taken" in line for line in card.assumptions)


def test_identities_and_references_are_unique():
    card = card_of("ECC85 ECH81 EF89 EABC80 EL84 EM80 EZ80")
    assert len({part.identity for part in card.parts.values()}) == len(card.parts)
    assert all(ref == part.ref for ref, part in card.parts.items())


@pytest.mark.parametrize("volts", [0.0, 12.0, 1000.0, math.nan, math.inf])
def test_mains_no_set_was_made_for_is_an_error(volts):
    with pytest.raises(InputFault, match="mains of"):
        card_of("ECH81 EBF89 ECL82", volts)


# ---- rules


@pytest.mark.parametrize(
    ("value", "nearest"), [(0.97, 1.0), (219.0, 220.0), (1340.0, 1200.0), (9.5e5, 1e6), (0.0, 0.0)]
)
def test_usual_values_are_preferred_ones(value, nearest):
    assert usual_values.preferred(value) == pytest.approx(nearest)


def test_the_row_nearest_the_sets_own_ht_is_taken():
    el84 = find("EL84")
    row = usual_values.nearest_row(el84, el84.plain.name, 190.0, needs=("anode_amps",))
    assert row is not None
    others = [r for r in el84.rows_of(el84.plain.name) if r.get("anode_amps") and r.valves == 1]
    volts = row.get("supply_volts") or row.get("anode_volts")
    assert abs(math.log(volts / 190.0)) == min(
        abs(math.log((r.get("supply_volts") or r.get("anode_volts")) / 190.0))
        for r in others
        if r.kind == row.kind and not r.triode_connected
    )


def test_a_rule_nobody_wrote_is_a_fault_of_the_pattern():
    facts = usual_values.SetFacts(
        year=1950,
        construction="AC/DC",
        mains_rms_volts=230.0,
        ht_volts=200.0,
        line_volts=180.0,
        total_amps=0.06,
        rectifier_kind="valve",
    )
    with pytest.raises(KeyError):
        usual_values.rule("guesswork", facts, None)


# ---- any line-up at all


@settings(max_examples=60, deadline=None)
@given(
    names=st.lists(st.sampled_from(types()), min_size=1, max_size=8),
    supply=st.sampled_from(
        [
            (230.0, "mains transformer"),
            (117.0, "unknown"),
            (240.0, "AC/DC"),
            (0.0, "battery"),
            (220.0, "auto-transformer"),
        ]
    ),
    complete=st.booleans(),
    bias=st.sampled_from([None, "cathode", "back bias"]),
)
def test_any_valves_in_any_order_make_a_card_and_networks(names, supply, complete, bias):
    mains, construction = supply
    card = card_of(" ".join(names), mains, construction, complete=complete, bias=bias)
    networks = networks_of(card)
    assert {part.ref for part in card.parts.values()} <= set(networks.terminals)
    assert all(value.si > 0.0 for part in card.parts.values() if (value := part.usual) is not None)
