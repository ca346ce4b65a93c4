"""Writing a card from a line-up, and checking one."""

import tomllib

import pytest

from hetwright.card import read_card

LINE_UP = "V1=ECH81 V2=EBF89 V3=ECL82"


def test_a_line_up_becomes_a_whole_card(hetwright):
    answer = hetwright("card", "new", "--valves", LINE_UP, "--mains", "230 V 50 Hz", "--rectifier", "bridge, silicon")
    assert answer.status == 0
    card = read_card(answer.out)
    assert [valve.type for valve in card.valves.values()] == ["ECH81", "EBF89", "ECL82"]
    assert card.supply.rectifier == "bridge, silicon"
    assert len(card.parts) > 40


def test_what_was_stated_stands_on_the_card_and_nothing_else_does(hetwright):
    stated = tomllib.loads(hetwright("card", "new", "--valves", LINE_UP, "--year", 1957, "--name", "Ouzel").out)[
        "set"
    ]
    assert stated["year"] == 1957
    assert stated["name"] == "Ouzel"
    assert stated["construction"] == "unknown"


def test_every_option_of_a_new_card_reaches_it(hetwright):
    answer = hetwright(
        *("card", "new", "--valves", "V1=ECH81 V2=EBF89 V3=ECC83 V4=EL84 V5=EL84 V6=EZ81", "--push-pull"),
        *("--smoothing", "choke", "--ht-secondary", "270 V", "--heaters", "parallel", "--bias", "cathode"),
        *("--construction", "mains transformer"),
    )
    card = read_card(answer.out)
    assert card.output == "push-pull"
    assert card.supply.smoothing == "choke"
    assert card.supply.secondary_rms_volts.si == 270.0
    assert card.construction == "mains transformer"


def test_a_card_is_written_to_a_file_and_never_over_another(hetwright, refused, folder):
    answer = hetwright("card", "new", "--valves", LINE_UP, "--out", "set.toml")
    assert (answer.status, answer.out) == (0, "")
    assert "set.toml" in answer.err
    written = (folder / "set.toml").read_text(encoding="utf-8")
    assert read_card(written)
    (line,) = refused("card", "new", "--valves", "V1=ECH81 V2=EBF89 V3=ECL86", "--out", "set.toml")
    assert "there already" in line
    assert (folder / "set.toml").read_text(encoding="utf-8") == written
    assert (
        hetwright("card", "new", "--valves", "V1=ECH81 V2=EBF89 V3=ECL86", "--out", "set.toml", "--force").status == 0
    )
    assert "ECL86" in (folder / "set.toml").read_text(encoding="utf-8")
    assert [path.name for path in folder.iterdir()] == ["set.toml"]


def test_quiet_says_nothing_beside_the_file(hetwright):
    assert hetwright("card", "new", "--valves", LINE_UP, "--out", "set.toml", "--quiet").err == ""


@pytest.mark.parametrize("out", [".", "no/such/folder/set.toml"])
def test_a_place_that_cannot_be_written_is_named(refused, out):
    (line,) = refused("card", "new", "--valves", LINE_UP, "--out", out)
    assert line.startswith(f"{out}: ")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--valves", "V1=ECH99"), "ECH99"),
        (("--valves", "V1=ECH81 V1=EBF89"), "twice"),
        (("--valves", "= = ="), "line-up"),
        (("--valves", ""), "line-up"),
        (("--valves", LINE_UP, "--mains", "nan V"), "mains"),
        (("--valves", LINE_UP, "--mains", "100000 V"), "mains"),
        (("--valves", LINE_UP, "--construction", "transformer"), "construction"),
        (("--valves", LINE_UP, "--rectifier", "magic"), "rectifier"),
        (("--valves", LINE_UP, "--year", "57"), "year"),
        (("--valves", LINE_UP, "--year", "soon"), "--year"),
    ],
)
def test_a_card_that_cannot_be_is_refused(refused, arguments, says):
    assert any(says in line for line in refused("card", "new", *arguments, "--out", "set.toml"))


def test_american_words_reach_the_card(hetwright):
    american = hetwright("card", "new", "--valves", "6SA7 6SK7 6SQ7 6V6GT 5Y3GT", "--words", "american").out
    assert "tubes" in american
    assert read_card(american)


def test_a_new_card_as_a_document(hetwright, folder):
    document = hetwright("card", "new", "--valves", LINE_UP, "--json").document
    assert document["schema"] == "hetwright/card-new/1"
    assert read_card(document["card"])
    assert list(folder.iterdir()) == []


def test_a_good_card_has_no_faults_and_lists_parts_and_points(hetwright, demo_files):
    answer = hetwright("card", "check", demo_files[0], "--json")
    assert (answer.status, answer.err) == (0, "")
    document = answer.document
    assert document["schema"] == "hetwright/card-check/1"
    assert document["faults"] == []
    assert {"C9", "R12", "R31"} <= {part["part"] for part in document["parts"]}
    assert {"V3.anode", "chassis", "HT1"} <= {point["point"] for point in document["points"]}


def test_a_faulty_card_is_a_document_and_a_line_a_fault(hetwright, folder):
    (folder / "bad.toml").write_text('[valves]\nV1 = "ECL82"\n[parts]\nR1 = { drwn = "1k" }\nR2 = { drawn = "-3" }\n')
    answer = hetwright("card", "check", "bad.toml", "--json")
    assert answer.status == 2
    faults = answer.document["faults"]
    assert len(faults) == 2
    lines = answer.err.splitlines()
    assert [line.split(": ")[0] for line in lines] == ["bad.toml:4", "bad.toml:5"]
    assert all("; " in line for line in lines)


def test_a_person_is_told_what_was_said_and_what_is_usual(hetwright, demo_files):
    page = hetwright("card", "check", demo_files[0]).out
    r12 = next(line for line in page.splitlines() if line.startswith("R12"))
    assert "▪ marked" in r12
    assert "470 Ω" in r12
    r3 = next(line for line in page.splitlines() if line.startswith("R3 "))
    assert "▫ usual" in r3
    assert "audio.feed" in page
    assert "Not on the diagram" in page
    assert max(map(len, page.splitlines())) <= 80


def test_a_stand_in_valve_is_said_to_be_one(hetwright, folder):
    (folder / "card.toml").write_text(
        '[valves]\nV1 = "ECH81"\nV2 = "EBF89"\nV3 = { type = "ZZ99", like = "ECL82" }\n', encoding="utf-8"
    )
    page = hetwright("card", "check", "card.toml").out
    assert "figures of ECL82" in page


def test_a_good_card_may_still_be_questioned(hetwright, folder):
    (folder / "card.toml").write_text(
        '[valves]\nV1 = "ECH81"\nV2 = "EBF89"\nV3 = { type = "ECL82", like = "EL84" }\n', encoding="utf-8"
    )
    answer = hetwright("card", "check", "card.toml")
    assert answer.status == 0
    assert "? line 4" in answer.out
