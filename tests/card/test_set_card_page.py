"""The page on the set card says what the program does."""

import doctest
import re
from pathlib import Path

import pytest

from hetwright.card import read_card
from hetwright.card.stated import card_keys

PAGE = Path(__file__).parents[2] / "docs" / "set-card.md"
TABLES = {
    "set": "[set]",
    "valve": "an entry of [valves]",
    "stage": "an entry of [stages]",
    "supply": "[supply]",
    "meter": "[meter]",
    "part": "an entry of [parts]",
    "service_sheet": "[[service_sheet]]",
}
VALVES = '[valves]\nV1 = "ECH81"\nV2 = "EBF89"\nV3 = "ECL82"\n'


def rows():
    return [
        f"| {title} | `{key}` | {record['says']} | `{key} = {record['example']}` |"
        for table, title in TABLES.items()
        for key, record in card_keys(table).items()
    ]


def test_every_key_stands_on_the_page_as_the_program_knows_it():
    page = PAGE.read_text(encoding="utf-8").splitlines()
    shown = [line for line in page if re.match(r"\| (\[|an entry)", line)]
    assert shown == rows(), "docs/set-card.md should list:\n" + "\n".join(rows())


def test_cards_on_the_page_can_be_read():
    blocks = re.findall(r"(?:^    .*\n|^\n(?=    ))+", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    cards = [re.sub(r"^    ", "", block, flags=re.MULTILINE) for block in blocks]
    line_up = next(card for card in cards if card.strip().startswith("[valves]"))
    stated = next(card for card in cards if card.strip().startswith("[set]"))
    assert len(read_card(line_up).stages) == 5
    card = read_card(stated.replace("[supply]", line_up + "[supply]"))
    assert card.parts["R31"].extra
    assert len(card.service_sheet) == 1


@pytest.mark.parametrize("record", card_keys("set").values(), ids=lambda record: record["key"])
def test_example_of_each_key_of_the_set_can_be_written(record):
    read_card(f"[set]\n{record['key']} = {record['example']}\n{VALVES}")


@pytest.mark.parametrize("record", card_keys("supply").values(), ids=lambda record: record["key"])
def test_example_of_each_key_of_the_supply_can_be_written(record):
    more = 'V5 = "EZ80"\n' if record["key"] == "valve" else ""
    read_card(f"{VALVES}{more}[supply]\n{record['key']} = {record['example']}\n")


def test_examples_of_the_keys_of_a_part_make_one_part():
    keys = {key: record["example"] for key, record in card_keys("part").items() if key not in ("ref", "from", "to")}
    text = ", ".join(f"{key} = {example}" for key, example in keys.items())
    card = read_card(f"{VALVES}[parts]\nR12 = {{ {text.replace(keys['kind'], chr(34) + 'carbon' + chr(34))} }}\n")
    assert card.parts["R12"].value("now").si == 330.0


def test_examples_of_the_program_on_the_page_run():
    failed, tried = doctest.testfile(str(PAGE), module_relative=False, verbose=False)
    assert tried > 0
    assert failed == 0
