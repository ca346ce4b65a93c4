"""The demonstration: what it writes, what it shows, and that it spoils nothing."""

import re
from html.parser import HTMLParser

import pytest

from hetwright.card.demo import CARD_NAME, READINGS_NAME, demo_card, demo_readings
from hetwright.cli.demo import FOLDER, REPORT_NAME
from hetwright.cli.demo_report import report_html, summary
from hetwright.cli.normals import normals_document
from hetwright.cli.suspects import run_job

from .test_normals import FORBIDDEN

VOID = {"meta", "line", "path", "br"}


class Tags(HTMLParser):
    """Complains of tags that do not match; gathers text and addresses."""

    def __init__(self):
        super().__init__()
        self.open, self.text, self.addresses = [], [], []

    def handle_starttag(self, tag, attributes):
        if tag not in VOID:
            self.open.append(tag)
        self.addresses += [value for name, value in attributes if name in ("src", "href")]

    def handle_startendtag(self, tag, attributes):
        assert tag in VOID

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open[-1:] != ["style"]:
            self.text.append(data)


def parsed(html):
    tags = Tags()
    tags.feed(html)
    tags.close()
    assert tags.open == []
    return tags


@pytest.fixture(scope="module")
def documents():
    """Normals and suspects of the demonstration set."""
    from hetwright.card import read_card

    return normals_document(read_card(demo_card()), state="found"), run_job(demo_card(), demo_readings())


def test_the_demonstration_from_start_to_finish(hetwright, folder):
    answer = hetwright("demo")
    assert answer.status == 0, answer.err
    there = folder / FOLDER
    assert sorted(path.name for path in there.iterdir()) == sorted([CARD_NAME, READINGS_NAME, REPORT_NAME])
    assert (there / CARD_NAME).read_text(encoding="utf-8") == demo_card()
    # the three commands, in order, as a person would see them
    commands = re.findall(r"^\$ hetwright (.*)$", answer.out, re.M)
    assert [command.split()[0] for command in commands] == ["card", "normals", "suspects"]
    assert "◆ likely: C9" in answer.out
    assert f"{FOLDER}/{REPORT_NAME}" in answer.out
    assert "comparing what was read" in answer.err
    assert "Traceback" not in answer.err


def test_commands_that_the_demonstration_shows_print_what_it_shows(hetwright, folder):
    shown = hetwright("demo", "here").out
    commands = re.findall(r"^\$ hetwright (.*)$", shown, re.M)
    for command in commands:
        printed = hetwright(*command.split()).out.strip()
        assert printed.splitlines()[:12] == shown[shown.index(command) :].split("\n\n", 1)[1].splitlines()[:12]


def test_a_card_somebody_has_worked_on_is_kept_and_nothing_else_is_written(refused, folder):
    (folder / "mine").mkdir()
    (folder / "mine" / CARD_NAME).write_text(demo_card() + "# mine\n", encoding="utf-8")
    (line,) = refused("demo", "mine", "--quiet")
    assert "has been changed" in line
    assert [path.name for path in (folder / "mine").iterdir()] == [CARD_NAME]


def test_a_place_that_cannot_be_written(refused, folder):
    (folder / "file").write_text("x")
    (line,) = refused("demo", "file", "--quiet")
    assert line.startswith("file: ")


def test_the_demonstration_as_a_document(hetwright):
    answer = hetwright("demo", "here", "--json", "--quiet")
    assert answer.status == 0
    assert answer.err == ""
    document = answer.document
    assert set(document) == {"schema", "files", "check", "normals", "suspects"}
    assert document["check"]["faults"] == []
    assert document["suspects"]["suspects"][0]["part"] == "C9"


# ---- the report


def test_the_report_is_whole_and_asks_nobody_for_anything(documents):
    tags = parsed(report_html(*documents))
    assert tags.addresses == []
    said = " ".join(tags.text)
    assert "C9" in said
    assert "The next check" in said
    assert "no verdict" in said
    assert not FORBIDDEN.search(said)


def test_what_a_card_calls_itself_cannot_write_html(documents):
    normal, found = documents
    evil = '<script>alert(1)</script> & "co"'
    noted = [{**row, "note": evil} for row in found["readings"]]
    html = report_html(normal, {**found, "set": evil, "readings": noted, "assumptions": [evil]})
    assert "<script" not in html
    assert "&lt;script&gt;" in html
    parsed(html)


def test_the_report_speaks_either_way(documents):
    from hetwright.card import read_card

    normal = normals_document(read_card(demo_card()), state="found", words="american", cold=False)
    said = " ".join(parsed(report_html(normal, {**documents[1]}, words="american")).text)
    assert "V3 plate" in said


def test_the_summary_says_how_many_readings_lie_outside(documents):
    found = documents[1]
    outside = [row for row in found["readings"] if row["verdict"] == "out"]
    assert f" {len(outside)} lie outside" in summary(found)
    assert "Likely: C9" in summary(found)
    calm = {**found, "suspects": [{**s, "probability": 0.2} for s in found["suspects"]]}
    assert "No one fault is likely yet" in summary(calm)
