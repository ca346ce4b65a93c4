"""The command line as it is called: in a folder of its own, watched for files left behind."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pytest

from hetwright.card.demo import demo_card, demo_readings
from hetwright.cli.app import run as run_command


@dataclass(frozen=True)
class Answer:
    """What a command said: exit status, standard output, standard error."""

    status: int
    out: str
    err: str

    @property
    def document(self):
        """The one JSON document on standard output; NaN and Infinity are refused, as JSON refuses them."""

        def refuse(word):
            raise AssertionError(f"{word} is no JSON")

        return json.loads(self.out, parse_constant=refuse)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty folder to work in; a terminal of 80 columns."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("HETWRIGHT_TRACE", raising=False)
    return tmp_path


@pytest.fixture
def hetwright(folder, capsys):
    """Run a command in the folder."""

    def run(*arguments):
        capsys.readouterr()
        status = run_command([str(word) for word in arguments])
        said = capsys.readouterr()
        return Answer(status, said.out, said.err)

    return run


@pytest.fixture
def refused(hetwright, folder):
    """Run a command that must be refused: exit 2, one line a fault, nothing printed, nothing left behind."""

    def run(*arguments):
        before = sorted(path.name for path in folder.rglob("*"))
        answer = hetwright(*arguments)
        assert answer.status == 2, answer.err
        assert answer.out == ""
        assert "Traceback" not in answer.err
        lines = answer.err.splitlines()
        assert lines
        assert all(line.strip() for line in lines)
        assert sorted(path.name for path in folder.rglob("*")) == before
        return lines

    return run


@pytest.fixture
def demo_files(folder):
    """The demonstration's card and readings in the folder."""
    card, readings = folder / "ouzel.toml", folder / "ouzel.csv"
    card.write_text(demo_card(), encoding="utf-8")
    readings.write_text(demo_readings(), encoding="utf-8")
    return Path("ouzel.toml"), Path("ouzel.csv")
