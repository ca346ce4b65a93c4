"""Which valve does what: facts a restorer reads off a line-up."""

from __future__ import annotations

import pytest

from hetwright.card.lineup import abilities, assign, families, family_of
from hetwright.card.model import ValveInPlace
from hetwright.errors import InputFault, UnknownValve
from hetwright.valves.catalogue import find


def valves(line_up: str) -> dict[str, ValveInPlace]:
    return {
        f"V{number}": ValveInPlace(identity=f"V{number}", ref=f"V{number}", type=name)
        for number, name in enumerate(line_up.split(), start=1)
    }


def duties(line_up: str, **more) -> dict[str, tuple[str, str]]:
    return {duty.stage: (duty.valve, duty.section) for duty in assign(valves(line_up), **more).duties}


def test_a_triode_pentode_is_audio_amplifier_and_output_valve():
    found = duties("ECH81 EBF89 ECL82")
    assert found["audio"] == ("V3", "triode")
    assert found["output"] == ("V3", "pentode")


def test_the_diodes_of_an_if_pentode_detect_where_no_other_valve_has_any():
    lineup = assign(valves("ECH81 EBF89 ECL82"))
    detector = lineup.duty("detector")
    assert (detector.valve, detector.section, detector.avc_diode) == ("V2", "diode_1", "diode_2")


def test_a_triple_diode_triode_detects_rather_than_the_if_valve():
    lineup = assign(valves("ECC85 ECH81 EBF89 EABC80 EL84 EZ80"))
    assert lineup.duty("detector").valve == "V4"
    assert lineup.duty("audio").valve == "V4"


def test_a_vhf_double_triode_is_the_fm_tuner_and_its_plain_anode_the_mixers():
    assert duties("ECC85 ECH81 EF89 EABC80 EL84 EM80 EZ80")["fm_tuner"] == ("V1", "triode_1")


def test_a_tuning_indicator_is_nothing_else():
    assert duties("ECC85 ECH81 EF89 EABC80 EL84 EM80 EZ80")["indicator"][0] == "V6"


def test_a_pentode_before_the_frequency_changer_is_an_rf_amplifier_and_one_behind_it_an_if_amplifier():
    found = duties("6SK7 6SA7 6SK7 6SQ7 6V6 5Y3GT")
    assert found["rf_amp"][0] == "V1"
    assert found["if_amp"][0] == "V3"


def test_two_pentodes_behind_the_frequency_changer_are_two_if_stages():
    found = duties("6SA7 6SK7 6SK7 6SQ7 6V6 5Y3GT")
    assert (found["if_amp"][0], found["if_amp_2"][0]) == ("V2", "V3")


def test_the_second_diode_pentode_of_a_four_valve_line_up_is_the_audio_amplifier():
    found = duties("UCH42 UAF42 UAF42 UL41 UY41")
    assert found["if_amp"][0] == "V2"
    assert found["audio"] == ("V3", "pentode")


def test_the_triode_of_a_second_triode_heptode_is_the_audio_amplifier():
    found = duties("ECH21 ECH21 EBL21 AZ1")
    assert found["if_amp"] == ("V2", "heptode")
    assert found["audio"] == ("V2", "triode")
    assert found["detector"][0] == "V3"


def test_two_output_valves_of_one_type_are_a_push_pull_pair():
    found = duties("ECC85 ECH81 EF89 EABC80 ECC83 EL84 EL84 EZ81")
    assert (found["output_a"][0], found["output_b"][0]) == ("V6", "V7")
    assert found["audio_2"][0] == "V5"


def test_a_line_up_without_frequency_changer_is_a_straight_set():
    found = duties("58 57 47 80")
    assert found["rf_amp"][0] == "V1"
    assert found["reaction_detector"][0] == "V2"
    assert "frequency_changer" not in found


def test_screened_grid_rf_amplifiers_come_before_a_triode_detector():
    found = duties("24A 24A 27 45 80")
    assert (found["rf_amp"][0], found["rf_amp_2"][0], found["reaction_detector"][0]) == ("V1", "V2", "V3")


def test_a_separate_double_diode_detects_and_a_pentode_amplifies():
    found = duties("6K8 6K7 6H6 6J7 6F6 5Y3GT")
    assert found["detector"][0] == "V3"
    assert found["audio"] == ("V4", "pentode")


def test_the_oscillator_triode_of_a_frequency_changer_is_never_taken_for_audio():
    found = duties("ECH81 EF89 EL84", complete=False)
    assert found["audio"][0] != "V1"


def test_a_set_without_diode_valve_has_a_germanium_detector():
    lineup = assign(valves("ECH81 EF89 ECL82"))
    assert lineup.duty("detector").crystal
    assert any("germanium" in line for line in lineup.assumptions)


def test_a_lone_output_valve_and_rectifier_get_their_familys_companions():
    lineup = assign(valves("UL41 UY41"), complete=False)
    assumed = {valve.type for valve in lineup.valves.values() if valve.assumed}
    assert assumed == {"UCH42", "UF41", "UBC41"}
    assert all("assumed" in line for line in lineup.assumptions)


def test_a_lone_american_pentode_gets_american_companions():
    lineup = assign(valves("6F6"), complete=False)
    assumed = {valve.type for valve in lineup.valves.values() if valve.assumed}
    assert {"6K7", "6Q7"} <= assumed


def test_a_partial_line_up_of_a_straight_set_stays_a_straight_set():
    found = duties("24", complete=False, hints={"rf_amp": "V1"})
    assert "reaction_detector" in found
    assert "frequency_changer" not in found


@pytest.mark.parametrize("family", families(), ids=lambda family: family.name)
def test_every_companion_of_a_family_is_in_the_catalogue_and_can_do_its_duty(family):
    can = {duty: abilities(find(name)) for duty, name in family.companions.items()}
    assert can["frequency_changer"].frequency_changer or can["frequency_changer"].pentode
    assert can["if_amp"].pentode
    assert can["output"].output
    assert can["audio"].triodes or can["audio"].pentode
    if "supply" in can:
        assert can["supply"].rectifier


@pytest.mark.parametrize(
    ("line_up", "name"),
    [
        ("EL84 EZ80", "noval, 6.3 V"),
        ("UCH81", "noval, 100 mA"),
        ("UL41", "all-glass B8A, 100 mA"),
        ("12BE6 50C5", "miniature B7G, 150 mA"),
        ("12SA7 35Z5GT", "octal, 150 mA"),
        ("DK91 DL94", "battery, 1.4 V miniature"),
        ("78 42 80", "six and seven pin glass, 6.3 V"),
        ("24 45", "four and five pin glass, 2.5 V"),
        ("7A8 7C5", "loctal, 6.3 V"),
    ],
)
def test_valves_of_one_time_and_maker_belong_together(line_up, name):
    assert family_of([find(word) for word in line_up.split()], line_up.split()).name == name


def test_a_hint_is_followed_even_against_the_order_of_the_valves():
    found = duties("EF89 ECH81 EBC41 EL84 EZ80", hints={"if_amp": "V1"})
    assert found["if_amp"][0] == "V1"
    assert "rf_amp" not in found


def test_a_detector_hint_on_a_valve_without_diode_puts_a_diode_beside_it():
    lineup = assign(valves("6K7 6J7 6F6"), complete=False, hints={"detector": "V2", "audio": "V2"})
    assert lineup.duty("audio").valve == "V2"
    assert lineup.types[lineup.duty("detector").valve].name == "6H6"


def test_no_valves_is_an_error_that_says_what_to_write():
    with pytest.raises(InputFault, match="names no valve"):
        assign({})


def test_an_unknown_type_names_near_ones():
    with pytest.raises(UnknownValve, match="EL84"):
        assign(valves("EL94X"))


def test_a_rectifier_cannot_be_the_output_valve():
    with pytest.raises(InputFault, match="cannot work stage output"):
        assign(valves("EL84 EZ80"), hints={"output": "V2"})


def test_a_stage_nobody_knows_is_an_error():
    with pytest.raises(InputFault, match="stage 'tremolo'"):
        assign(valves("EL84"), hints={"tremolo": "V1"})


def test_a_hint_for_a_valve_that_is_not_there_is_an_error():
    with pytest.raises(InputFault, match="V9"):
        assign(valves("EL84"), hints={"output": "V9"})
