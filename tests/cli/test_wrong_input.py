"""Whatever file is given: a line that says where, what, and what would be right; nothing half done; no trace of ours."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hetwright.card.demo import demo_card
from hetwright.cli.app import run

GOOD = "[valves]\nV1 = 'ECH81'\nV2 = 'EBF89'\nV3 = 'ECL82'\n"

BAD_CARDS = {
    "binary": bytes(range(256)) * 40,
    "latin-1": "[set]\nname = 'Café'\n".encode("latin-1"),
    "utf-16": GOOD.encode("utf-16"),
    "ten megabytes": GOOD.encode() + b"# " + b"x" * 10_000_000,
    "empty": b"",
    "no valves": b"[set]\nname = 'Empty'\n",
    "not toml": b"[valves\nV1 = ECH81\n",
    "unknown key": b"[valves]\nV1 = 'ECH81'\n[supplly]\nrectifier = 'bridge, silicon'\n",
    "unknown valve": b"[valves]\nV1 = 'ECH99'\n",
    "nan": GOOD.encode() + b"[parts]\nR1 = { drawn = nan }\n",
    "infinite": GOOD.encode() + b"[parts]\nR1 = { drawn = inf }\n",
    "negative": GOOD.encode() + b"[parts]\nR1 = { drawn = '-4k7' }\n",
    "absurd": GOOD.encode() + b"[set]\nmains = '900000 V 50 Hz'\n",
    "short across the supply": GOOD.encode() + b"[parts]\nR90 = { drawn = '0R', from = 'HT1', to = 'chassis' }\n",
    "loop of shorts": GOOD.encode()
    + b"[parts]\nR90 = { drawn = '0R', from = 'V3.anode', to = 'V2.anode' }\n"
    + b"R91 = { drawn = '0R', from = 'V2.anode', to = 'V3.anode' }\n",
    "nowhere": GOOD.encode() + b"[parts]\nR90 = { drawn = '1k', from = 'V7.anode', to = 'chassis' }\n",
}
BAD_READINGS = {
    "binary": bytes(range(256)) * 40,
    "latin-1": "point,quantity,value\nV3.anode,volts dc,180 \xb5\n".encode("latin-1"),
    "ten megabytes": b"point,quantity,value\n" + b"V3.anode,volts dc,180\n" * 500_000,
    "empty": b"",
    "header alone": b"point,quantity,value\n",
    "wrong columns": b"where,what,how much\nV3.anode,volts dc,180\n",
    "missing column": b"point,value\nV3.anode,180\n",
    "two columns of one name": b"point,point,quantity,value\nV3.anode,V3.anode,volts dc,180\n",
    "decimal comma": b"point,quantity,value\nV3.cathode,volts dc,12,5\n",
    "nan": b"point,quantity,value\nV3.anode,volts dc,nan\n",
    "infinite": b"point,quantity,value\nV3.anode,volts dc,inf\n",
    "words": b"point,quantity,value\nV3.anode,volts dc,plenty\n",
    "unknown quantity": b"point,quantity,value\nV3.anode,wobble,180\n",
    "unknown point": b"point,quantity,value\nV9.anode,volts dc,180\n",
    "unknown state": b"point,quantity,value,state\nV3.anode,volts dc,180,yesterday\n",
    "unknown meter": b"point,quantity,value,meter\nV3.anode,volts dc,180,the blue one\n",
    "absurd": b"point,quantity,value\nV3.anode,volts dc,99999999\n",
    "negative ohms": b"point,quantity,value\nR12,ohms,-5\n",
    "a cell that does not end": b'point,quantity,value\n"V3.anode,volts dc,180\n',
    "a spreadsheet": b"PK\x03\x04" + b"\x00" * 400,
}


@pytest.mark.parametrize("name", sorted(BAD_CARDS))
@pytest.mark.parametrize("command", ["normals", "suspects"])
def test_a_card_that_cannot_be_used(refused, folder, name, command):
    (folder / "card.toml").write_bytes(BAD_CARDS[name])
    for line in refused(command, "card.toml"):
        assert line.startswith("card.toml:")
        assert "; " in line
        assert len(line) < 600


@pytest.mark.parametrize("name", sorted(BAD_CARDS))
def test_card_check_says_the_same_and_stays_a_document(hetwright, folder, name):
    (folder / "card.toml").write_bytes(BAD_CARDS[name])
    answer = hetwright("card", "check", "card.toml", "--json")
    assert answer.status == 2
    assert len(answer.document["faults"]) == len(answer.err.splitlines()) > 0


@pytest.mark.parametrize("name", sorted(BAD_READINGS))
def test_readings_that_cannot_be_used(refused, folder, name):
    (folder / "card.toml").write_text(GOOD)
    (folder / "readings.csv").write_bytes(BAD_READINGS[name])
    for line in refused("suspects", "card.toml", "readings.csv", "--json"):
        assert line.startswith("readings.csv:")
        assert "; " in line
        assert len(line) < 600


def test_a_decimal_comma_is_fine_between_semicolons(hetwright, folder):
    (folder / "card.toml").write_text(GOOD)
    (folder / "readings.csv").write_text("point;quantity;value\nV3.cathode;volts dc;12,5\n")
    answer = hetwright("suspects", "card.toml", "readings.csv", "--json")
    assert answer.status == 0, answer.err
    assert answer.document["readings"][0]["value"] == 12.5


@pytest.mark.parametrize("place", ["missing.toml", ".", "missing/card.toml"])
@pytest.mark.parametrize("command", [("normals",), ("suspects",), ("card", "check")])
def test_a_file_that_is_not_there(refused, place, command):
    (line,) = refused(*command, place)
    assert line.startswith(f"{place}: ")


def test_a_misspelt_name_finds_its_neighbour(refused, demo_files):
    (line,) = refused("normals", "ouzle.toml")
    assert "ouzel.toml" in line


@pytest.mark.parametrize("place", ["missing.csv", "."])
def test_readings_that_are_not_there(refused, demo_files, place):
    (line,) = refused("suspects", demo_files[0], place)
    assert line.startswith(f"{place}: ")


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is closed to the superuser")
def test_a_file_that_may_not_be_read(refused, demo_files):
    Path(demo_files[0]).chmod(0)
    (line,) = refused("normals", demo_files[0])
    assert "cannot be read" in line


def test_faults_of_card_and_readings_are_heard_together(refused, folder):
    (folder / "card.toml").write_bytes(BAD_CARDS["unknown key"])
    (folder / "readings.csv").write_bytes(BAD_READINGS["unknown quantity"])
    lines = refused("suspects", "card.toml", "readings.csv", "--reading", "nonsense", "--hazard", "gremlins")
    starts = [line.partition(":")[0] for line in lines]
    assert {"card.toml", "readings.csv"} <= set(starts)
    assert any("nonsense" in line for line in lines)
    assert any("gremlins" in line for line in lines)


@pytest.mark.parametrize(
    "arguments",
    [
        ("mend",),
        ("normals",),
        ("normals", "card.toml", "--wibble"),
        ("normals", "card.toml", "--state", "later"),
        ("normals", "card.toml", "--words", "french"),
        ("normals", "card.toml", "extra"),
        ("normals", "card.toml", "--meter", "my fluke"),
        ("suspects", "card.toml", "--reading", "V3.anode"),
        ("suspects", "card.toml", "--reading", "V3.anode nan V"),
        ("suspects", "card.toml", "--power", "perhaps"),
        ("card", "mend"),
        ("card", "new"),
        ("demo", "--wibble"),
        ("--wibble",),
    ],
)
def test_a_wrong_command_is_one_line(refused, folder, arguments):
    (folder / "card.toml").write_text(GOOD)
    (line,) = refused(*arguments)
    assert len(line) < 400


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200))
def test_no_bytes_whatever_make_a_trace(folder, capsys, junk):
    (folder / "card.toml").write_bytes(junk)
    assert run(["card", "check", "card.toml", "--json"]) in (0, 2)
    said = capsys.readouterr()
    assert "Traceback" not in said.err


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(max_size=60))
def test_no_words_whatever_make_a_trace(folder, capsys, words):
    (folder / "card.toml").write_text(GOOD)
    assert run(["suspects", "card.toml", "missing.csv", "--meter", words, "--reading", words]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "Traceback" not in said.err
    assert len(said.err.splitlines()) == 1


# ---- through the real entry point


def started(*arguments, folder, **more):
    """A process of its own, as a shell would start it."""
    program = Path(sys.executable).parent / "hetwright"
    surroundings = {**os.environ, "PYTHONUTF8": "1"} | more.pop("surroundings", {})
    return subprocess.run(
        [str(program), *map(str, arguments)],
        cwd=folder,
        capture_output=True,
        timeout=120,
        check=False,
        env=surroundings,
    )


@pytest.mark.parametrize("name", ["binary", "latin-1", "not toml"])
def test_a_process_ends_with_two_and_a_line(tmp_path, name):
    (tmp_path / "card.toml").write_bytes(BAD_CARDS[name])
    done = started("suspects", "card.toml", folder=tmp_path)
    assert done.returncode == 2
    assert done.stdout == b""
    assert done.stderr.decode().startswith("card.toml:")
    assert b"Traceback" not in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["card.toml"]


def test_a_process_prints_one_document(tmp_path):
    (tmp_path / "card.toml").write_text(demo_card(), encoding="utf-8")
    done = started("card", "check", "card.toml", "--json", folder=tmp_path)
    assert done.returncode == 0
    assert done.stderr == b""
    assert done.stdout.startswith(b"{")


def test_a_closed_pipe_is_no_fault(tmp_path):
    (tmp_path / "card.toml").write_text(demo_card(), encoding="utf-8")
    program = Path(sys.executable).parent / "hetwright"
    with subprocess.Popen(
        [str(program), "card", "check", "card.toml", "--json"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        process.stdout.read(10)
        process.stdout.close()
        said = process.stderr.read()
        assert process.wait(timeout=60) == 0
    assert said == b""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full device here")
def test_a_full_disk_is_said(tmp_path):
    (tmp_path / "card.toml").write_text(demo_card(), encoding="utf-8")
    program = Path(sys.executable).parent / "hetwright"
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [str(program), "card", "check", "card.toml"],
            cwd=tmp_path,
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
        )
    assert done.returncode == 3
    assert b"could not be written" in done.stderr
    assert b"Traceback" not in done.stderr


def test_a_terminal_without_our_letters_still_gets_the_page(tmp_path):
    (tmp_path / "card.toml").write_text(demo_card(), encoding="utf-8")
    done = started(
        "card", "check", "card.toml", folder=tmp_path, surroundings={"PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"}
    )
    assert done.returncode == 0, done.stderr
    assert b"cathode resistor" in done.stdout


def test_a_fault_of_our_own_is_one_line_too(monkeypatch, capsys, demo_files):
    def broken(*arguments, **options):
        raise ZeroDivisionError("oh")

    monkeypatch.setattr("hetwright.cli.normals.normals_document", broken)
    assert run(["normals", "ouzel.toml"]) == 3
    (line,) = capsys.readouterr().err.splitlines()
    assert "ZeroDivisionError: oh" in line
    assert "HETWRIGHT_TRACE" in line
    monkeypatch.setenv("HETWRIGHT_TRACE", "1")
    with pytest.raises(ZeroDivisionError):
        run(["normals", "ouzel.toml"])


def test_what_cannot_be_computed_ends_with_three(monkeypatch, capsys, demo_files):
    from hetwright.errors import NotSolved

    def refuses(*arguments, **options):
        raise NotSolved("no certified working point", point="V3.anode")

    monkeypatch.setattr("hetwright.cli.normals.normals_document", refuses)
    assert run(["normals", "ouzel.toml"]) == 3
    said = capsys.readouterr()
    assert said.out == ""
    assert "V3.anode" in said.err
