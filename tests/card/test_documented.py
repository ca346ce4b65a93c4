"""Documented repairs become cards and readings."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest

from hetwright.card.documented import card_from_case, case_from_mapping
from hetwright.card.network import networks_of
from hetwright.circuit.solver import Circuit
from hetwright.errors import InputFault

CASES = sorted((Path(__file__).parent.parent / "cases").glob("*.toml"))
by_case = pytest.mark.parametrize("file", CASES, ids=lambda file: file.stem)


def document(file: Path) -> dict:
    return tomllib.loads(file.read_text(encoding="utf-8"))


def test_there_are_documented_repairs_and_each_names_its_source():
    assert len(CASES) >= 20
    assert all(document(file)["source"].startswith("http") for file in CASES)


@by_case
def test_a_documented_repair_builds_a_set_that_solves(file):
    card, _, _ = card_from_case(document(file), file.name)
    networks = networks_of(card)
    circuit = Circuit(networks.ht)
    assert circuit.solve(circuit.base()[None, :]).certified[0]


@by_case
def test_every_reading_of_a_documented_repair_has_its_points(file):
    card, readings, _ = card_from_case(document(file), file.name)
    networks = networks_of(card)
    known = {point for element in (*networks.ht.elements,) for point in _ends(element)}
    known |= {point for element in networks.heaters.elements for point in _ends(element)}
    for reading in readings:
        if reading.quantity in ("watts", "hum"):
            continue
        for point in (reading.point, reading.to):
            assert point is None or networks.point(point) in known or point in networks.terminals, point


def _ends(element) -> tuple[str, ...]:
    names = ("a", "b", "plus", "minus", "anode", "cathode")
    ends = [getattr(element, name) for name in names if isinstance(getattr(element, name, None), str)]
    return (*ends, *getattr(element, "electrodes", {}).values())


@by_case
def test_what_was_wrong_has_a_part_or_a_valve_in_the_set(file):
    """Causes are looked at here only to see that the set has the part: nothing is built from them."""
    text = document(file)
    card, _, _ = card_from_case(text, file.name)
    roles = networks_of(card).roles
    for cause in text["cause"]:
        assert cause["role"] in roles, cause["role"]


@by_case
def test_causes_change_nothing_in_the_set_or_its_readings(file):
    text = document(file)
    blind = {key: value for key, value in text.items() if key != "cause"}
    assert card_from_case(text, file.name) == card_from_case(blind, file.name)


CASE = """
id = "x"
title = "made for this test"
source = "https://example.org/"
[set]
lineup = { V1 = "ECH81", V2 = "EF89", V3 = "EABC80", V4 = "EL84", V5 = "EZ80" }
stages = { frequency_changer = "V1", if_amp = "V2", detector = "V3", audio = "V3", output = "V4", supply = "V5" }
construction = "mains transformer"
rectifier = "two-anode valve"
smoothing = "resistor"
bias = "cathode"
output = "single"
mains = "240 V 50 Hz"
[[known]]
role = "output.cathode_resistor"
value = "150"
[[normal]]
point = "V4.anode"
quantity = "volts dc"
value = 230.0
meter = "500 ohm/V on 400 V"
[[reading]]
point = "V4.cathode"
quantity = "volts dc"
value = 12.5
meter = "10M"
[[reading]]
point = "aerial"
to = "chassis"
quantity = "ohms"
value = inf
[[symptom]]
observation = "distorted"
"""


def test_known_values_are_stated_and_normals_become_sheet_rows():
    card, readings, symptoms = card_from_case(tomllib.loads(CASE))
    (resistor,) = card.parts_of_role("output.cathode_resistor")
    assert resistor.value("drawn").si == 150.0
    assert resistor.value("drawn").basis == "stated"
    (row,) = card.service_sheet
    assert (row.point, row.value, row.meter_ohms) == ("V4.anode", 230.0, 200e3)
    assert readings[0].meter.ohms == 10e6
    assert math.isinf(readings[1].value)
    assert (readings[1].point, readings[1].to) == ("aerial", "chassis")
    assert [symptom.observation for symptom in symptoms] == ["distorted"]


def test_a_whole_line_up_is_complete_and_a_partial_one_is_not():
    text = tomllib.loads(CASE)
    assert card_from_case(text)[0].complete
    text["set"]["lineup"] = {"V1": "EL84"}
    text["set"]["stages"] = {"output": "V1"}
    text["known"] = []
    card = card_from_case(text)[0]
    assert not card.complete
    assert sum(valve.assumed for valve in card.valves.values()) == 4


def test_a_cathode_above_chassis_must_have_a_resistor():
    text = tomllib.loads(CASE)
    assert not card_from_case(text)[0].parts_of_role("audio.cathode_resistor")
    text["normal"].append({"point": "V3.cathode", "quantity": "volts dc", "value": 1.4})
    assert card_from_case(text)[0].parts_of_role("audio.cathode_resistor")


def test_who_reads_from_output_anode_to_an_ht_line_reads_the_output_transformer():
    text = tomllib.loads(CASE)
    (before,) = card_from_case(text)[0].parts_of_role("output.output_transformer")
    assert before.to_point == "HT1"
    text["reading"].append({"point": "V4.anode", "to": "HT2", "quantity": "ohms", "value": 0.0})
    (after,) = card_from_case(text)[0].parts_of_role("output.output_transformer")
    assert after.to_point == "HT2"


def test_a_type_nobody_knows_is_taken_as_a_typical_one_of_its_stage_and_said_so():
    text = tomllib.loads(CASE)
    text["set"]["lineup"]["V4"] = "QX99ZZ"
    case = case_from_mapping(text)
    assert any("QX99ZZ" in line for line in case.left_out)
    assert any("QX99ZZ" in line for line in case.card.assumptions)


def test_a_known_value_of_a_part_the_set_lacks_is_said_not_lost():
    text = tomllib.loads(CASE)
    text["known"].append({"role": "supply.field_coil", "value": "1800"})
    text["set"]["smoothing"] = "choke"
    assert any("field_coil" in line for line in case_from_mapping(text).left_out)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"lineup": {}}, "no line-up"),
        ({"mains": "two hundred"}, "mains is"),
    ],
)
def test_a_case_that_cannot_be_read_says_why(change, match):
    text = tomllib.loads(CASE)
    text["set"].update(change)
    with pytest.raises(InputFault, match=match):
        card_from_case(text)


def test_a_known_value_that_is_no_value_names_its_role():
    text = tomllib.loads(CASE)
    text["known"][0]["value"] = "lots"
    with pytest.raises(InputFault, match=r"output\.cathode_resistor"):
        card_from_case(text)
