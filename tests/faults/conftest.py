"""Receivers on the bench: a healthy set that has aged, the faults put into it, and the readings a meter would give."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pytest

from hetwright.card.demo import demo_card
from hetwright.card.reading import read_card
from hetwright.faults.diagnosis import Diagnosis
from hetwright.faults.model import Change
from hetwright.faults.suspects import Prepared, prepare
from hetwright.readings.meter import Meter
from hetwright.readings.normals import points_to_read
from hetwright.readings.reading import Reading

TRANSFORMER = """
[set]
name = "five valves on a transformer"
mains = "230 V 50 Hz"
construction = "mains transformer, chassis isolated"
year = 1956
[valves]
V1 = "ECH81"
V2 = "EBF89"
V3 = "EABC80"
V4 = "EL84"
V5 = "EZ80"
"""
UNIVERSAL = """
[set]
name = "five valves in a chain"
mains = "230 V 50 Hz"
construction = "AC/DC"
year = 1952
[valves]
V1 = "UCH42"
V2 = "UF41"
V3 = "UBC41"
V4 = "UL41"
V5 = "UY41"
"""


@dataclass(frozen=True)
class OnTheBench:
    """A prepared set with the means to put faults into a copy of it and read that."""

    prepared: Prepared

    def part(self, role: str) -> str:
        """The reference of the part that plays a role."""
        return self.prepared.healthy.networks.roles[role][0]

    def fault(self, role: str, word: str, which: int = 0) -> tuple[Change, ...]:
        """The changes of slots of one listed fault, at one of its severities."""
        return self.listed(role, word).severities[which].changes

    def listed(self, role: str, word: str):
        return next(f for f in self.prepared.faults if word == f.fault and role in (f.role, *f.also))

    def row(self, *changes: Change, wandered: int | None = None) -> np.ndarray:
        """Slots of the set as old as it is, ``wandered`` (a seed) as parts do, with the changes made."""
        healthy = self.prepared.healthy
        z = np.zeros(len(healthy.medians))
        if wandered is not None:
            z = np.random.default_rng(wandered).standard_normal(len(z)) * healthy.background.sd
        slots = np.where(healthy.background.logarithmic, healthy.medians * np.exp(z), healthy.medians + z)
        for change in changes:
            at = self.prepared.whole.slots[change.part, change.what]
            slots[at] = change.number * (slots[at] if change.how == "times" else 1.0)
        return slots

    def volts(
        self, row: np.ndarray, points: Sequence[str] = (), meter: str = "10M", error: int | None = None
    ) -> list[Reading]:
        """Direct volts of a row as a meter shows them, three digits; with a seed, out by one per cent or so."""
        whole, used = self.prepared.whole, Meter.from_text(meter)
        names = list(points) or points_to_read(self.prepared.healthy)
        reference = self.prepared.card.reference_point
        questions = [whole.question(name, None, "volts dc", used.ohms, reference) for name in names]
        solved = whole.solve(row[None, :])
        solved.ht.require()
        shown = whole.read(solved, questions, slopes=False).mean[0]
        if error is not None:
            shown = shown * (1.0 + 0.01 * np.random.default_rng(error).standard_normal(len(shown)))
        return [
            Reading(point=name, quantity="volts dc", value=float(f"{v:.3g}") if abs(v) >= 0.1 else 0.0, meter=used)
            for name, v in zip(names, shown, strict=True)
        ]

    def ohms(self, row: np.ndarray, *names: str) -> list[Reading]:
        """Cold ohms of a row across parts, two digits."""
        whole = self.prepared.whole
        questions = [whole.question(name, None, "ohms", np.inf, "chassis") for name in names]
        mean = whole.read(whole.solve(row[None, :]), questions, slopes=False).mean[0]
        return [
            Reading(point=name, quantity="ohms", value=float(f"{np.expm1(v):.2g}"))
            for name, v in zip(names, mean, strict=True)
        ]

    def diagnose(self, readings: Sequence[Reading]) -> Diagnosis:
        return self.prepared.diagnose(self.prepared.case(readings))

    def place(self, diagnosis: Diagnosis, role: str, word: str | None = None) -> int:
        """Where a suspect stands in the list, from one; behind everything if it is not there."""
        for n, suspect in enumerate(diagnosis.suspects, start=1):
            if role in (suspect.fault.role, *suspect.fault.also) and word in (None, suspect.fault.fault):
                return n
        return len(diagnosis.suspects) + 1


def saw(word: str, point: str = "loudspeaker") -> Reading:
    """A plain observation."""
    return Reading(point=point, quantity="observation", value=1.0, observation=word)


@pytest.fixture(scope="session", name="saw")
def saw_():
    return saw


@pytest.fixture(scope="session")
def transformer_set() -> OnTheBench:
    """ECH81 EBF89 EABC80 EL84 EZ80; nothing known but the line-up."""
    return OnTheBench(prepare(read_card(TRANSFORMER)))


@pytest.fixture(scope="session")
def universal_set() -> OnTheBench:
    """UCH42 UF41 UBC41 UL41 UY41, heaters in a chain, chassis live."""
    return OnTheBench(prepare(read_card(UNIVERSAL)))


@pytest.fixture(scope="session")
def ouzel() -> OnTheBench:
    """The demonstration set as found: silicon bridge, some parts marked, a service sheet."""
    return OnTheBench(prepare(read_card(demo_card()), "found"))
