"""The demonstration set: an invented receiver with several faults at once and an earlier repairer's ideas in it.

Its files are in ``trade/demo``: the card, the readings, and (for the curious) what is really wrong. The figures are
made by ``tools/make_demo.py``.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from hetwright.card.writing import save_text
from hetwright.errors import Complaint, InputFault

__all__ = [
    "CARD_NAME",
    "READINGS_NAME",
    "DemoFiles",
    "TrueFault",
    "demo_card",
    "demo_readings",
    "demo_truth",
    "write_demo",
]

CARD_NAME = "tarnbrook-ouzel.toml"
READINGS_NAME = "tarnbrook-ouzel-readings.csv"
_TRUTH_NAME = "tarnbrook-ouzel-truth.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoFiles:
    """Where the demonstration was written."""

    card: Path
    readings: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueFault:
    """One thing really wrong with the demonstration set."""

    role: str
    fault: str
    says: str


def _text(name: str) -> str:
    return (files("hetwright") / "trade" / "demo" / name).read_text(encoding="utf-8")


def demo_card() -> str:
    """Text of the demonstration set's card."""
    return _text(CARD_NAME)


def demo_readings() -> str:
    """Text of the readings taken of it (CSV)."""
    return _text(READINGS_NAME)


def demo_truth() -> tuple[TrueFault, ...]:
    """What is really wrong with it.

    Examples
    --------
    >>> [fault.role for fault in demo_truth()]
    ['output.coupling_capacitor', 'supply.reservoir_capacitor', 'audio.anode_load']
    """
    return tuple(
        TrueFault(role=record["role"], fault=record["fault"], says=record["says"])
        for record in tomllib.loads(_text(_TRUTH_NAME))["fault"]
    )


def write_demo(folder: str | Path) -> DemoFiles:
    """Write the card and the readings into a folder, which is made if need be.

    Files that are there already and have been changed are not overwritten.

    Raises
    ------
    InputFault
        The folder cannot be made or written to, or holds a changed file of the same name; nothing is then written.
    """
    target = Path(folder)
    wanted = {target / CARD_NAME: demo_card(), target / READINGS_NAME: demo_readings()}
    try:
        target.mkdir(parents=True, exist_ok=True)
        there = {path: path.read_text(encoding="utf-8") for path in wanted if path.exists()}
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "there is something else of that name"
        raise InputFault(
            Complaint(
                wrong=f"the demonstration cannot be written ({why})", right="give another folder", file=str(target)
            )
        ) from None
    changed = [path for path, text in there.items() if text != wanted[path]]
    if changed:
        raise InputFault(
            Complaint(
                wrong="the file is there already and has been changed",
                right="give another folder, or move it away",
                file=str(path),
            )
            for path in changed
        )
    for path, text in wanted.items():
        save_text(path, text)
    return DemoFiles(card=target / CARD_NAME, readings=target / READINGS_NAME)
