"""What a check of a card says."""

import json

from hetwright.card.check import check_card, check_text

GOOD = """\
[valves]
V1 = "ECH81"
V2 = "EBF89"
V3 = "ECL82"
[parts]
R12 = { role = "output.cathode_resistor", drawn = "330R", marked = "470R" }
R31 = { marked = "1M", from = "V2.anode", to = "chassis" }
"""


def test_a_good_card_has_no_faults_and_lists_its_parts_and_points():
    found = check_text(GOOD).as_json()
    assert found["faults"] == []
    part = next(part for part in found["parts"] if part["part"] == "R12")
    assert part["role"] == "output.cathode_resistor"
    assert (part["drawn"]["si"], part["marked"]["si"]) == (330.0, 470.0)
    assert (part["in_force"]["found"]["si"], part["in_force"]["found"]["basis"]) == (470.0, "marked")
    joins = {point["point"]: point["joins"] for point in found["points"]}
    assert {"V2", "R31"} <= set(joins["V2.anode"])
    assert "R31" in joins["chassis"]
    json.dumps(found, allow_nan=False)


def test_faults_carry_file_line_wrong_and_right(tmp_path):
    file = tmp_path / "ouzel.toml"
    file.write_text(GOOD.replace("drawn", "drwn"))
    found = check_card(file).as_json()
    assert found["faults"] == [
        {"file": str(file), "line": 6, "wrong": "R12 has no key 'drwn'", "right": "perhaps drawn"}
    ]
    assert found["parts"] == found["points"] == []
    assert not check_card(file).good


def test_a_file_that_is_not_there_is_a_fault_too(tmp_path):
    assert "no such file" in check_card(tmp_path / "none.toml").faults[0].wrong


def test_doubts_are_asked_about():
    text = GOOD.replace('drawn = "330R"', 'drawn = "22k"')
    found = check_text(text).as_json()
    assert found["faults"] == []
    assert any("R12" in question and "22k" in question for question in found["questions"])
