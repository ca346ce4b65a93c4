"""The search over hypotheses, on a set simple enough that every answer can be had by drawing from the prior."""

from dataclasses import dataclass

import numpy as np
import pytest

from hetwright.faults.diagnosis import Bench, ReadingSet
from hetwright.faults.hypotheses import NumberPrior
from hetwright.faults.inference import Background, Prediction
from hetwright.faults.model import Change, Fault, Severity

SLOTS = {(f"R{n}", "ohms"): n for n in range(6)}


@dataclass(frozen=True)
class PlainSigns:
    rows: np.ndarray

    def take(self, rows):
        return PlainSigns(self.rows[rows])

    def with_(self, other):
        return PlainSigns(np.maximum(self.rows, other.rows))


class LinearSet:
    """Readings linear in the logarithms of the slots; ``questions`` are rows of slopes."""

    def solve(self, stack, start=None, *, effort="full"):
        return stack

    def solve_alike(self, stack):
        return stack

    def read(self, solved, questions, *, slopes=True):
        slopes = np.array(questions).reshape(len(questions), solved.shape[1])
        return Prediction(
            100.0 + np.log(solved) @ slopes.T,
            slopes[None] / solved[:, None, :],
            np.ones(len(solved), dtype=bool),
        )

    def take(self, solved, rows):
        return solved[rows]

    def added_up(self, solved, rows):
        return None

    def signs(self, solved):
        return PlainSigns(np.zeros(len(solved)))

    def same_everywhere(self, solved, rows):
        logs = np.log(solved[rows])
        return np.abs(logs[:, None] - logs[None, :]).max(axis=2) * 100


def high(n, rate):
    cells = tuple(
        Severity(
            changes=(Change(part=f"R{n}", what="ohms", how="times", number=float(np.exp(m))),),
            weight=w,
            log_sd=0.35,
            estimate=float(np.exp(m)),
            unit="times",
        )
        for m, w in [(0.7, 0.4), (1.4, 0.35), (2.1, 0.25)]
    )
    return Fault(part=f"R{n}", role=f"s.r{n}", fault="high", rate=rate, severities=cells)


RATES = [0.30, 0.25, 0.2, 0.1, 0.1]
FAULTS = (
    *(high(n, r) for n, r in enumerate(RATES)),
    Fault(part="S1", role="s.s", fault="dirty contact", rate=0.05, severities=(), shows={"crackle": 0.8}),
)
SHOWS = np.array([[fault.shows.get("crackle", 0.0)] for fault in FAULTS])
NUMBER = NumberPrior(count=(0.15, 0.45, 0.3, 0.1), not_listed=0.0)
SD = np.full(6, 0.1)
SLOPES = np.array(
    [
        [30.0, -5.0, 0.0, 4.0, 0.0, 2.0],
        [10.0, 25.0, 3.0, 0.0, 0.0, 1.0],
        [0.0, 12.0, 20.0, 0.0, 8.0, -2.0],
        [5.0, 0.0, 6.0, 0.0, 15.0, 0.0],
    ]
)
NOISE = np.full(4, 1.0)


def bench():
    background = Background(np.ones(6, dtype=bool), SD, np.zeros(6), SD)
    return Bench(LinearSet(), FAULTS, np.ones(6), background, SLOTS, NUMBER, shows=SHOWS)


def readings(values):
    return ReadingSet(
        questions=tuple(SLOPES), values=np.asarray(values), sd=NOISE, wrong_sd=np.full(4, 60.0), labels=tuple("abcd")
    )


def draw(rng):
    """A set drawn from the prior the bench assumes."""
    count = rng.choice(4, p=NUMBER.count)
    share = np.array([f.rate for f in FAULTS])
    while True:
        present = list(rng.choice(len(FAULTS), size=count, p=share / share.sum()))
        if len(set(present)) == count:
            break
    z = rng.normal(scale=SD)
    for f in present:
        if FAULTS[f].severities:
            cell = FAULTS[f].severities[rng.choice(3, p=[s.weight for s in FAULTS[f].severities])]
            z[f] = np.log(cell.changes[0].number) + 0.35 * rng.normal()
    values = 100.0 + SLOPES @ z + NOISE * rng.normal(size=4)
    wrong = rng.random(4) < 0.03
    values = np.where(wrong, values + 60.0 * rng.normal(size=4), values)
    return set(present), values


def test_probabilities_come_true_as_often_as_they_say():
    rng = np.random.default_rng(11)
    set_up = bench()
    said, was, healthy_said, healthy_was = [], [], [], []
    for _ in range(500):
        present, values = draw(rng)
        result = set_up.diagnose(readings(values))
        said.append(result.fault_probability)
        was.append([f in present for f in range(len(FAULTS))])
        healthy_said.append(result.healthy_probability)
        healthy_was.append(not present)
    said, was = np.array(said).ravel(), np.array(was).ravel()
    for low, high_ in [(0.0, 0.05), (0.05, 0.3), (0.3, 0.7), (0.7, 0.95), (0.95, 1.01)]:
        chosen = (said >= low) & (said < high_)
        expected = said[chosen].mean()
        # three standard errors of a proportion, and the little the search leaves out
        margin = 3 * np.sqrt(expected * (1 - expected) / chosen.sum()) + 0.02
        assert was[chosen].mean() == pytest.approx(expected, abs=margin)
    assert np.mean(healthy_was) == pytest.approx(np.mean(healthy_said), abs=0.05)


def test_a_single_fault_is_found_with_its_severity():
    z = np.zeros(6)
    z[1] = np.log(4.0)
    result = bench().diagnose(readings(100.0 + SLOPES @ z))
    assert result.suspects[0].fault.part == "R1"
    assert result.suspects[0].probability > 0.9
    assert result.suspects[0].estimate == pytest.approx(4.0, rel=0.15)
    assert result.suspects[0].leaves == ()
    assert 1 in result.suspects[0].explains
    assert result.healthy_probability < 0.01


def test_two_faults_are_found_together():
    z = np.zeros(6)
    z[0], z[2] = np.log(3.0), np.log(5.0)
    result = bench().diagnose(readings(100.0 + SLOPES @ z))
    assert {s.fault.part for s in result.suspects[:2]} == {"R0", "R2"}
    assert result.hypotheses[0].faults == (0, 2)


def test_a_fault_no_reading_sees_keeps_about_its_prior():
    result = bench().diagnose(readings(np.full(4, 100.0)))
    share = FAULTS[5].rate / sum(f.rate for f in FAULTS)
    probability = next(s.probability for s in result.suspects if s.fault.part == "S1")
    assert 0.5 * share < probability < 4 * share


def test_what_is_heard_tells_of_a_fault_that_no_reading_sees():
    def crackles(signs, shows):
        return np.log(0.02 + 0.9 * shows[:, 0])

    result = bench().diagnose(readings(np.full(4, 100.0)), crackles)
    assert result.suspects[0].fault.part == "S1"


def test_without_readings_the_rates_decide():
    empty = ReadingSet(questions=(), values=np.zeros(0), sd=np.zeros(0), wrong_sd=np.zeros(0), labels=())
    result = bench().diagnose(empty)
    assert [s.fault.part for s in result.suspects[:3]] == ["R0", "R1", "R2"]
    total = result.healthy_probability + result.not_listed_probability
    assert 0.1 < total < 0.3
