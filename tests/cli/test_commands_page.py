"""The page of the commands says what the commands do."""

import importlib.util
import re
from pathlib import Path

import pytest

from hetwright.card import read_card
from hetwright.card.check import check_text
from hetwright.card.demo import demo_card, demo_readings
from hetwright.cli.normals import normals_document
from hetwright.cli.suspects import run_job

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")


def text_of(title):
    """One section of the page."""
    return re.search(rf"^## {title}\n(.*?)(?=^## |\Z)", PAGE, re.M | re.S).group(1)


def section(title):
    """Words in code of one section of the page."""
    return set(re.findall(r"`([^`\n]+)`", text_of(title)))


def keys_of(node):
    """Every key of a document, of the tables inside it too."""
    if isinstance(node, dict):
        for key, value in node.items():
            yield key
            yield from keys_of(value)
    elif isinstance(node, list):
        for item in node:
            yield from keys_of(item)


def test_blocks_are_what_the_commands_print():
    spec = importlib.util.spec_from_file_location("commands_page", ROOT / "tools" / "commands_page.py")
    tool = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(tool)
    assert tool.fresh_page(PAGE) == PAGE, "run .venv/bin/python tools/commands_page.py"
    assert re.findall(r"<!-- help: ([\w ]+) -->", PAGE) == ["card new", "card check", "normals", "suspects", "demo"]


@pytest.mark.parametrize(
    ("title", "document"),
    [
        ("normals", lambda: normals_document(read_card(demo_card()))),
        ("suspects", lambda: run_job(demo_card(), demo_readings(), lines=["V3.anode 22 V, found", "V3.anode 215 V"])),
    ],
)
def test_every_key_of_a_document_is_on_its_page_and_no_other(title, document):
    made = document()
    assert set(keys_of(made)) <= section(title)
    rows = re.findall(r"^\| (`.*?) \|", text_of(title), re.M)
    tabled = {word for row in rows for word in re.findall(r"`(\w+)`", row)}
    assert tabled == set(made)


def test_keys_of_a_checked_card_are_on_its_page():
    assert set(check_text(demo_card()).as_json()) <= section("card check")
