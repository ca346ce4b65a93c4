"""The demonstration set can be read, and its figures are those of the set it claims to be."""

import csv
import importlib.util
import io
from pathlib import Path

import pytest

from hetwright.card import read_card
from hetwright.card.demo import CARD_NAME, READINGS_NAME, demo_card, demo_readings, demo_truth, write_demo
from hetwright.errors import InputFault
from hetwright.readings.csv_file import parse_csv

MAKER = Path(__file__).parents[2] / "tools" / "make_demo.py"


@pytest.fixture(scope="module")
def made():
    """What the script that makes the figures would write now."""
    spec = importlib.util.spec_from_file_location("make_demo", MAKER)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return {path.name: text for path, text in module.made().items()}


def test_the_card_reads_without_doubts_and_shows_the_earlier_repair():
    card = read_card(demo_card(), CARD_NAME)
    assert card.questions == ()
    repaired = card.parts["R12"]
    assert (repaired.value("drawn").si, repaired.value("found").si) == (330.0, 470.0)
    assert card.parts["R31"].extra
    assert card.parts["R31"].value("drawn") is None
    assert card.parts["C9"].kind == "waxed paper"
    assert len(card.service_sheet) >= 10
    assert all(row.meter_ohms for row in card.service_sheet)


def test_nothing_on_the_card_gives_the_faults_away():
    words = demo_card().lower()
    assert not any(word in words for word in ("leaky", "leaks", "dried", "risen", "low capacitance"))


def test_readings_are_read_without_complaint():
    readings = parse_csv(demo_readings(), file=READINGS_NAME)
    assert sum(reading.quantity == "volts dc" for reading in readings) >= 8
    assert {"hum", "distorted"} <= {row["value"] for row in csv.DictReader(io.StringIO(demo_readings()))}


def test_several_faults_are_there_at_once():
    card = read_card(demo_card())
    assert len(demo_truth()) >= 3
    assert all(card.parts_of_role(fault.role) for fault in demo_truth())


def test_sheet_is_what_the_set_as_made_reads_on_the_sheets_meter(made):
    """Within 4 % and a division: the printed figures are rounded, and the valve laws may be fitted anew."""
    stored, now = (read_card(text).service_sheet for text in (demo_card(), made[CARD_NAME]))
    assert [row.point for row in stored] == [row.point for row in now]
    for old, new in zip(stored, now, strict=True):
        assert old.value == pytest.approx(new.value, rel=0.04, abs=0.2), old.point


def test_readings_are_what_the_faulty_set_reads_on_the_museums_meter(made):
    """Within 5 % and two divisions of a scale of 100, ohms within 10 %; meter errors are drawn from a fixed seed."""
    rows = [list(csv.DictReader(io.StringIO(text))) for text in (demo_readings(), made[READINGS_NAME])]
    assert [row["point"] for row in rows[0]] == [row["point"] for row in rows[1]]
    for old, new in zip(*rows, strict=True):
        if old["quantity"] == "volts dc":
            full = float(old["meter"].split(" on ")[1].split()[0])
            assert float(old["value"]) == pytest.approx(float(new["value"]), rel=0.05, abs=full / 50), old["point"]
        elif old["value"] == "open" or old["quantity"] == "observation":
            assert old["value"] == new["value"], old["point"]
        else:
            assert float(old["value"]) == pytest.approx(float(new["value"]), rel=0.1), old["point"]
            assert old["unit"] == new["unit"], old["point"]


def test_the_cold_checks_came_before_power():
    rows = list(csv.DictReader(io.StringIO(demo_readings())))
    cold = [n for n, row in enumerate(rows) if row["quantity"] == "ohms"]
    assert cold == list(range(len(cold)))
    assert {(rows[n]["point"], rows[n]["to"]) for n in cold} >= {("mains_live", "chassis"), ("HT1", "chassis")}


def test_the_demonstration_is_written_where_asked(tmp_path):
    files = write_demo(tmp_path / "deep" / "folder")
    assert files.card.read_text(encoding="utf-8") == demo_card()
    assert files.readings.read_text(encoding="utf-8") == demo_readings()
    assert write_demo(tmp_path / "deep" / "folder") == files


def test_a_card_somebody_has_worked_on_is_not_overwritten(tmp_path):
    files = write_demo(tmp_path)
    files.card.write_text(demo_card() + "# mine\n", encoding="utf-8")
    files.readings.unlink()
    with pytest.raises(InputFault, match="has been changed"):
        write_demo(tmp_path)
    assert not files.readings.exists()


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputFault, match="cannot be written"):
        write_demo(tmp_path / "file")
