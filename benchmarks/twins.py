"""The honesty benchmark: simulated sets whose truth is not the inference's own, judged on what it says of them.

    .venv/bin/python benchmarks/twins.py --count 2000 --seed 1 --json

Each simulated set (:mod:`twin_set`) obeys another valve law (:mod:`twin_law`), is aged by other distributions, and is
faulty at rates off by up to three either way. One JSON document on standard output; progress on standard error.
What every figure means stands in ``docs/twins.md``.
"""

# ruff: noqa: E402  the number of threads must be set before numpy is loaded
from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from multiprocessing import get_context
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
from twin_checks import advised_readings, fixed_readings
from twin_readings import csv_of
from twin_scores import calibration, group_rank
from twin_set import LINEUPS, Twin, TwinCard, simulate

from hetwright.card.network import networks_of
from hetwright.card.reading import read_card
from hetwright.faults.diagnosis import Diagnosis
from hetwright.faults.model import Fault
from hetwright.faults.modes import faults_of
from hetwright.faults.suspects import Prepared, prepare
from hetwright.readings.csv_file import parse_csv

VISIBLE = 3.0
LEAST_SAID = 0.01
FLOOR = 1e-5


@dataclass
class Result:
    """What the inference said of one twin, beside the truth."""

    card: int
    kind: str
    lineup: str
    truth: list[str]
    roles: list[str]
    visible: list[float]
    visible_all: float
    readings: int
    mistaken: int
    observed: int
    healthy: float
    not_listed: float
    log_truth: float
    log_prior: float
    loss: float
    loss_prior: float
    strict: float = float("inf")
    mean_rank: float = float("inf")
    place: float = float("inf")
    told: float = float("inf")
    role_rank: float = float("inf")
    part_rank: float = float("inf")
    group_size: int = 1
    said: list[float] = field(default_factory=list)
    present: list[float] = field(default_factory=list)
    what: list[str] = field(default_factory=list)
    top: list[str] = field(default_factory=list)
    doubtful: list[float] = field(default_factory=list)
    seconds: float = 0.0
    advised: int | None = None
    fixed: int | None = None


def key_of(fault: Fault) -> str:
    """Name of a fault here: part, word and role."""
    return f"{fault.part}|{fault.fault}|{fault.role}"


def _prior_of(prepared: Prepared) -> Diagnosis:
    return prepared.diagnose(prepared.case(()))


def _binary_loss(probability: np.ndarray, present: np.ndarray) -> float:
    p = np.clip(probability, FLOOR, 1.0 - FLOOR)
    return float(-(present * np.log(p) + (1.0 - present) * np.log1p(-p)).sum())


def _log_truth(twin: Twin, found: Diagnosis, index: dict[str, int]) -> float:
    """Log probability given to the truth: of every true fault its own, or that of healthy or not listed."""
    if twin.kind == "healthy":
        return float(np.log(max(found.healthy_probability, FLOOR)))
    if twin.kind == "not listed":
        return float(np.log(max(found.not_listed_probability, FLOOR)))
    said = [found.fault_probability[index[f.key]] if f.key in index else 0.0 for f in twin.faults]
    return float(np.mean(np.log(np.maximum(said, FLOOR))))


def _rank_by(names: Iterable[tuple[str, ...]], probability: np.ndarray, truth: set[str]) -> float:
    """Rank of the truth when the probabilities of faults of one role (or part) are added up."""
    total: dict[str, float] = {}
    for own, p in zip(names, probability, strict=True):
        total[own[0]] = total.get(own[0], 0.0) + float(p)
    best = max((total.get(name, 0.0) for name in truth), default=0.0)
    return 1.0 + sum(p > best for p in total.values())


def _told_apart(found: Diagnosis, keys: list[str], groups: list[int | None], truth: str) -> float:
    """Place of the truth, suspects that the readings taken cannot tell from it left out.

    Two are alike when each, at its likeliest severity, expects every reading within two standard deviations of meter
    and model of what the other expects.
    """
    if truth not in keys:
        return float("inf")
    at = keys.index(truth)
    own = np.array(found.suspects[at].would_read)
    before: set[object] = set()
    for n in range(at):
        theirs = np.array(found.suspects[n].would_read)
        together = groups[n] is not None and groups[n] == groups[at]
        if not together and (np.abs(theirs - own) > 2.0 * found.readings.sd).any():
            before.add(-1 - n if groups[n] is None else groups[n])
    return float(len(before) + 1)


def judge(twin: Twin, prepared: Prepared, prior: Diagnosis, lineup: str) -> Result:
    """Give one twin to the inference and set down what it said."""
    text = csv_of(twin.rows, twin.observations)
    begun = time.perf_counter()
    found = prepared.diagnose(prepared.case(parse_csv(text)))
    seconds = time.perf_counter() - begun
    faults = prepared.faults
    index = {key_of(fault): n for n, fault in enumerate(faults)}
    present = np.zeros(len(faults))
    for fault in twin.faults:
        if fault.key in index:
            present[index[fault.key]] = 1.0
    out = Result(
        card=twin.card_number,
        kind=twin.kind,
        lineup=lineup,
        truth=[f.key for f in twin.faults],
        roles=[f.role for f in twin.faults],
        visible=[float(v) for v in twin.visible_each],
        visible_all=float(twin.visible),
        readings=len(twin.rows),
        mistaken=sum(bool(row.mistaken) for row in twin.rows),
        observed=len(twin.observations),
        healthy=found.healthy_probability,
        not_listed=found.not_listed_probability,
        log_truth=_log_truth(twin, found, index),
        log_prior=_log_truth(twin, prior, index),
        loss=_binary_loss(found.fault_probability, present),
        loss_prior=_binary_loss(prior.fault_probability, present),
        doubtful=[round(float(d), 3) for d in found.doubtful],
        seconds=seconds,
    )
    for n, fault in enumerate(faults):
        p = float(found.fault_probability[n])
        if p >= LEAST_SAID:
            out.said.append(p)
            out.present.append(float(present[n]))
            out.what.append(f"{fault.role}|{fault.fault}")
    for word, p in (("healthy", found.healthy_probability), ("not listed", found.not_listed_probability)):
        if p >= LEAST_SAID:
            out.said.append(p)
            out.present.append(float(twin.kind == word))
            out.what.append(word)
    out.top = [f"{key_of(s.fault)} {s.probability:.2f}" for s in found.suspects[:5]]
    if twin.kind == "one":
        truth = twin.faults[0]
        keys = [key_of(s.fault) for s in found.suspects]
        groups = [s.group for s in found.suspects]
        if truth.key in keys:
            at = keys.index(truth.key)
            out.strict = float(at + 1)
            out.group_size = 1 if groups[at] is None else sum(g == groups[at] for g in groups)
        out.mean_rank, out.place = group_rank(keys, groups, truth.key)
        out.told = _told_apart(found, keys, groups, truth.key)
        out.role_rank = _rank_by([(f.role,) for f in faults], found.fault_probability, {truth.role})
        out.part_rank = _rank_by([(f.part,) for f in faults], found.fault_probability, {truth.key.split("|")[0]})
    return out


def run_card(number: int, count: int, seed: int, followed: int) -> list[Result]:
    """Every twin of one design; the first ``followed`` with one visible fault are also followed check by check."""
    name = list(LINEUPS)[number % len(LINEUPS)]
    card = TwinCard(number, name, lambda text: read_card(text, name), networks_of, faults_of, seed=seed)
    twins = simulate(card, count, seed)
    out: list[Result] = []
    for mains in sorted({t.mains_volts for t in twins}, key=lambda m: m or 0.0):
        prepared = prepare(card.given, mains_volts=mains)
        prior = _prior_of(prepared)
        for twin in (t for t in twins if t.mains_volts == mains):
            result = judge(twin, prepared, prior, name)
            if followed > 0 and twin.kind == "one" and twin.visible >= VISIBLE:
                followed -= 1
                result.advised = advised_readings(card, twin, prepared, seed)
                result.fixed = fixed_readings(card, twin, prepared, seed)
            out.append(result)
    return out


def _run(job: tuple[int, int, int, int]) -> list[Result]:
    return run_card(*job)


def _share(values: list[bool]) -> float | None:
    return round(float(np.mean(values)), 4) if values else None


def summary(results: list[Result]) -> dict[str, Any]:
    """The figures of ``docs/twins.md``."""
    single = [r for r in results if r.kind == "one" and r.visible_all >= VISIBLE]
    all_singles = [r for r in results if r.kind == "one"]
    said = np.array([p for r in results for p in r.said])
    present = np.array([p for r in results for p in r.present])
    of_set = np.repeat(np.arange(len(results)), [len(r.said) for r in results])
    whole = calibration(said, present, of_set)
    firsts = [(max(r.said), r.present[int(np.argmax(r.said))]) for r in results if r.said]
    first = calibration(
        np.array([f[0] for f in firsts]), np.array([f[1] for f in firsts]), np.arange(len(firsts)), bins=10
    )
    healthy = [r for r in results if r.kind == "healthy"]
    other = [r for r in results if r.kind == "not listed"]
    return {
        "n": len(results),
        "single_visible": len(single),
        "top1": _share([r.place <= 1 for r in single]),
        "top3": _share([r.place <= 3 for r in single]),
        "top1_alone": _share([r.strict <= 1 for r in single]),
        "top3_alone": _share([r.strict <= 3 for r in single]),
        "top1_role": _share([r.role_rank <= 1 for r in single]),
        "top3_role": _share([r.role_rank <= 3 for r in single]),
        "top1_part": _share([r.part_rank <= 1 for r in single]),
        "top3_part": _share([r.part_rank <= 3 for r in single]),
        "top1_told": _share([r.told <= 1 for r in single]),
        "top3_told": _share([r.told <= 3 for r in single]),
        "group_size": round(float(np.mean([r.group_size for r in single])), 2) if single else None,
        "top3_every_single": _share([r.place <= 3 for r in all_singles]),
        "log_score": round(float(np.mean([r.log_truth for r in results])), 4),
        "log_score_prior": round(float(np.mean([r.log_prior for r in results])), 4),
        "loss": round(float(np.mean([r.loss for r in results])), 4),
        "loss_prior": round(float(np.mean([r.loss_prior for r in results])), 4),
        "calibration_error": round(whole.error, 4),
        "calibration_interval": [round(x, 4) for x in whole.interval],
        "calibration_pairs": whole.pairs,
        "calibration_error_first": round(first.error, 4),
        "calibration_interval_first": [round(x, 4) for x in first.interval],
        **_followed(results),
        "reliability": [asdict(b) for b in whole.bins],
        "reliability_first": [asdict(b) for b in first.bins],
        "healthy_said_when_healthy": round(float(np.mean([r.healthy for r in healthy])), 4) if healthy else None,
        "healthy_said_otherwise": round(float(np.mean([r.healthy for r in results if r.kind != "healthy"])), 4),
        "not_listed_said_when_so": round(float(np.mean([r.not_listed for r in other])), 4) if other else None,
        "not_listed_said_otherwise": round(
            float(np.mean([r.not_listed for r in results if r.kind != "not listed"])), 4
        ),
        "kinds": {k: sum(r.kind == k for r in results) for k in ("healthy", "one", "several", "not listed")},
        "median_seconds": round(float(np.median([r.seconds for r in results])), 4),
    }


def _followed(results: list[Result]) -> dict[str, Any]:
    pairs = [(r.advised, r.fixed) for r in results if r.advised is not None and r.fixed is not None]
    if not pairs:
        return {"readings_ratio": None, "followed": 0}
    advised, fixed = np.array(pairs, dtype=float).T
    return {
        "readings_ratio": round(float(advised.sum() / max(fixed.sum(), 1.0)), 4),
        "followed": len(pairs),
        "readings_advised": round(float(advised.mean()), 2),
        "readings_fixed": round(float(fixed.mean()), 2),
    }


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--count", type=int, default=2000, help="how many simulated sets")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cards", type=int, default=24, help="how many designs they are drawn from")
    parser.add_argument("--followed", type=int, default=96, help="how many are followed check by check")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="JSON on standard output (the only form there is)")
    parser.add_argument("--details", help="file for one line of JSON a set")
    wanted = parser.parse_args()
    cards = min(wanted.cards, wanted.count)
    each = [wanted.count // cards + (n < wanted.count % cards) for n in range(cards)]
    follow = [wanted.followed // cards + (n < wanted.followed % cards) for n in range(cards)]
    jobs = [(n, count, wanted.seed, many) for n, (count, many) in enumerate(zip(each, follow, strict=True))]
    results: list[Result] = []
    begun = time.perf_counter()
    if wanted.jobs > 1:
        with get_context("spawn").Pool(wanted.jobs) as pool:
            for found in pool.imap(_run, jobs):
                results += found
                print(f"{len(results)} of {wanted.count}, {time.perf_counter() - begun:.0f} s", file=sys.stderr)
    else:
        for job in jobs:
            results += _run(job)
            print(f"{len(results)} of {wanted.count}, {time.perf_counter() - begun:.0f} s", file=sys.stderr)
    if wanted.details:
        with open(wanted.details, "w", encoding="utf-8") as stream:
            for r in results:
                stream.write(json.dumps(asdict(r)) + "\n")
    print(json.dumps({"schema": 1, **summary(results)}, indent=1))


if __name__ == "__main__":
    main()
