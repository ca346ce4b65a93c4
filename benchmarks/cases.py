"""Documented real repairs: where does the confirmed cause stand among the suspects?

Run as ``python benchmarks/cases.py DIR [--json]``. DIR holds one TOML file a repair, in the form the README of
``tests/cases`` describes. Causes are read only to score. Each case is run with its readings and symptoms, and again with
both withheld, which is what the rates alone would say.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hetwright.card.documented import case_from_mapping
from hetwright.errors import BenchError
from hetwright.faults.diagnosis import Diagnosis
from hetwright.faults.model import Fault
from hetwright.faults.suspects import Prepared, prepare


@dataclass(frozen=True)
class Ranked:
    """One part among the suspects, with the probability that anything is wrong with it."""

    part: str
    roles: frozenset[str]
    faults: tuple[tuple[str, str, float], ...]
    probability: float
    rank: float


def by_part(prepared: Prepared, diagnosis: Diagnosis) -> list[Ranked]:
    """Suspects gathered by part, best first; parts of one group share their mean rank."""
    gathered: dict[str, list[tuple[Fault, float]]] = {}
    for fault, p in zip(prepared.faults, diagnosis.fault_probability, strict=True):
        gathered.setdefault(fault.part, []).append((fault, float(p)))
    groups: dict[str, int] = {}
    for suspect in diagnosis.suspects:
        if suspect.group is not None and suspect.fault.part not in groups:
            groups[suspect.fault.part] = suspect.group
    order = sorted(gathered, key=lambda part: -sum(p for _, p in gathered[part]))
    place = {part: n + 1 for n, part in enumerate(order)}
    shared: dict[int, list[int]] = {}
    for part, group in groups.items():
        shared.setdefault(group, []).append(place[part])
    out = []
    for part in order:
        members = gathered[part]
        ranks = shared.get(groups.get(part, -1), [place[part]])
        # only neighbours in rank are told to a person as one group
        rank = sum(ranks) / len(ranks) if len(ranks) > 1 and max(ranks) - min(ranks) < 6 else float(place[part])
        roles = frozenset(role for fault, _ in members for role in (fault.role, *fault.also))
        named = tuple((f.role, f.fault, p) for f, p in sorted(members, key=lambda m: -m[1])[:3])
        out.append(Ranked(part, roles, named, min(sum(p for _, p in members), 1.0), rank))
    return out


def causes_to_find(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Causes that are no consequence of another; confirmed ones where there are any."""
    causes = [c for c in document["cause"] if not c.get("consequence", False)]
    confirmed = [c for c in causes if c.get("certainty") == "confirmed"]
    return confirmed or causes


def place_of(ranked: Sequence[Ranked], role: str) -> tuple[float, float]:
    """Rank and probability of a role; behind everything where no part plays it."""
    for item in ranked:
        if role in item.roles:
            return item.rank, item.probability
    return float(len(ranked) + 1), 0.0


def run_case(path: Path) -> dict[str, Any]:
    """One case, with and without its evidence."""
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    started = time.perf_counter()
    case = case_from_mapping(document, path.name)
    mains = next((r.value for r in case.readings if r.point == "mains" and r.quantity == "volts ac"), None)
    prepared = prepare(case.card, "found", mains_volts=mains)
    everything = [*case.readings, *case.symptoms]
    given = prepared.diagnose(prepared.case(everything))
    withheld = prepared.diagnose(prepared.case([]))
    with_all, without = by_part(prepared, given), by_part(prepared, withheld)
    causes = causes_to_find(document)
    places = [place_of(with_all, c["role"]) for c in causes]
    places_withheld = [place_of(without, c["role"]) for c in causes]
    best = min(range(len(causes)), key=lambda n: places[n][0])
    word = causes[best]["fault"]
    exact = [
        n + 1
        for n, suspect in enumerate(given.suspects)
        if suspect.fault.fault == word and causes[best]["role"] in (suspect.fault.role, *suspect.fault.also)
    ]
    return {
        "id": document["id"],
        "grade": document.get("grade", ""),
        "readings": len(case.readings),
        "symptoms": len(case.symptoms),
        "cause": [f"{c['role']} {c['fault']}" for c in causes],
        "rank": places[best][0],
        "probability": places[best][1],
        "rank_with_fault": exact[0] if exact else None,
        "rank_withheld": min(p[0] for p in places_withheld),
        "recall_top5": sum(p[0] <= 5 for p in places) / len(places),
        "top": [
            {"part": r.part, "role": r.faults[0][0], "fault": r.faults[0][1], "probability": round(r.probability, 4)}
            for r in with_all[:5]
        ],
        "healthy": given.healthy_probability,
        "not_listed": given.not_listed_probability,
        "left_out": list(case.left_out),
        "seconds": time.perf_counter() - started,
    }


def summary(cases: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Shares over a list of cases."""
    n = len(cases)
    if not n:
        return {"n": 0}
    return {
        "n": n,
        "top1": sum(c["rank"] <= 1 for c in cases) / n,
        "top3": sum(c["rank"] <= 3 for c in cases) / n,
        "mrr": sum(1 / c["rank"] for c in cases) / n,
        "top1_withheld": sum(c["rank_withheld"] <= 1 for c in cases) / n,
        "top3_withheld": sum(c["rank_withheld"] <= 3 for c in cases) / n,
        "recall_top5": sum(c["recall_top5"] for c in cases) / n,
    }


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("dir", type=Path, help="folder of case files")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    options = parser.parse_args(arguments)
    paths = sorted(options.dir.glob("*.toml"))
    if not paths:
        print(f"{options.dir}: no case files; name a folder of .toml files", file=sys.stderr)
        return 2
    cases, failed = [], []
    for path in paths:
        try:
            cases.append(run_case(path))
        except BenchError as fault:
            failed.append({"file": path.name, "why": str(fault)})
        print(f"\r{len(cases) + len(failed)} of {len(paths)}", end="", file=sys.stderr)
    print(file=sys.stderr)
    read = [c for c in cases if c["readings"]]
    told = summary(cases)
    # a case that could not be run counts as not found
    if failed and cases:
        share = len(cases) / (len(cases) + len(failed))
        for key in told:
            if key != "n":
                told[key] *= share
        told["n"] = len(cases) + len(failed)
    document = {
        "schema": "hetwright/benchmark-cases/1",
        **told,
        "with_readings": summary(read),
        "by_grade": {g: summary([c for c in cases if c["grade"] == g]) for g in sorted({c["grade"] for c in cases})},
        "cases": cases,
        "failed": failed,
    }
    if options.json:
        print(json.dumps(document))
        return 0
    for c in cases:
        top = ", ".join(f"{t['role']} {t['fault']} {t['probability']:.2f}" for t in c["top"][:3])
        ranks = f"rank {c['rank']:5.1f} ({c['rank_withheld']:5.1f} withheld)"
        print(f"{c['id']:8} {c['grade']:2} {ranks}  {'; '.join(c['cause'])}")
        print(f"         {top}")
    for f in failed:
        print(f"failed: {f['file']}: {f['why']}")
    for name, part in [("all", told), ("with readings", summary(read))]:
        if part["n"]:
            print(
                f"{name}: n {part['n']}  first {part['top1']:.0%}  top three {part['top3']:.0%}  mrr {part['mrr']:.2f}"
                f"   withheld: first {part['top1_withheld']:.0%}  top three {part['top3_withheld']:.0%}"
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
