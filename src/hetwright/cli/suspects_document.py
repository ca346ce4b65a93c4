"""What the suspects command says, as one document of plain values: the JSON, and what the page is made of.

Numbers are SI. An open circuit is the string ``"open"``; what is not known is ``null``. Points, roles, quantities and
faults have their inside names whatever words are asked for; sentences are in the words asked for.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from hetwright.circuit.whole_set import to_ohms
from hetwright.faults.advice import Advice
from hetwright.faults.diagnosis import Suspect
from hetwright.quantities import format_farads, format_ohms

from .job import Findings, Row
from .set_cautions import cold_outcomes
from .speech import listed, reading_spoken, role_spoken, spoken

__all__ = ["SCHEMA", "suspects_document"]

SCHEMA = "hetwright/suspects/1"

IN_SDS, NEAR_SDS = 2.0, 3.0
"""Within so many standard deviations a reading is in its band; within so many it is near it."""
_DOUBTED = 0.05
_TIMES = {"× its ohms": "ohms", "× its farads": "farads", "× the right value": ""}
_SI = {"Ω": "ohms"}
_SAYS_IT_ALL = ("open", "short", "missing", "wrong value")


def suspects_document(found: Findings) -> dict[str, Any]:
    """The whole document.

    Parameters
    ----------
    found : Findings

    Returns
    -------
    dict
        As ``docs/commands.md`` lists it.
    """
    labels = _labels(found)
    diagnosis, solved = found.diagnosis, found.prepared.bench.solved.ht
    return {
        "schema": SCHEMA,
        "set": found.card.name,
        "state": found.state,
        "meter": str(found.meter),
        "reference": found.card.reference_point,
        "construction": found.context.construction.name,
        "mains_volts": found.mains_volts,
        "certificate": {
            "amps": float(solved.unbalanced_amps[0]),
            "volts": float(solved.last_step_volts[0]),
            "explanations": found.explanations,
            "unsolved": found.unsolved,
        },
        "cautions": list(found.cautions),
        "cold_checks": [
            {
                "name": result.check.name,
                "point": result.check.points[0],
                "to": result.check.points[1],
                "status": result.status,
                "ohms": None if result.ohms is None else _ohms(result.ohms),
                "says": spoken(result.remark, found.words),
            }
            for result in found.context.cold_checks
        ],
        "readings": [_reading(found, row, labels) for row in found.rows if row.part != "left out"],
        "left_out": [_left_out(row) for row in found.rows if row.part == "left out"],
        "questions": _questions(found),
        "doubtful_readings": _doubtful(found, labels),
        "healthy_probability": diagnosis.healthy_probability,
        "not_listed_probability": diagnosis.not_listed_probability,
        "not_searched": diagnosis.not_searched,
        "suspects": [_suspect(found, n, suspect, labels) for n, suspect in enumerate(diagnosis.suspects)],
        "next_checks": [_check(found, advice) for advice in found.advice],
        "withheld": [
            {"check": spoken(one.check, found.words), "reason": spoken(one.reason, found.words)}
            for one in found.withheld
        ],
        "assumptions": [spoken(text, found.words) for text in found.assumptions],
    }


# ---- readings


def _labels(found: Findings) -> list[str]:
    """A name for each compared reading; the meter is added where a point was read twice."""
    plain = found.case.readings.labels
    often = Counter(plain)
    labels = []
    for label, reading in zip(plain, found.case.taken, strict=True):
        meter = reading.meter or found.meter
        labels.append(label if often[label] == 1 else f"{label} on {meter}")
    seen: Counter[str] = Counter()
    for n, label in enumerate(labels):
        seen[label] += 1
        if seen[label] > 1:
            labels[n] = f"{label} ({seen[label]})"
    return labels


def _ohms(value: float) -> float | str:
    return value if np.isfinite(value) else "open"


def _shown(value: float, quantity: str) -> float | str:
    """A compared value as it is printed: ohms out of their logarithm."""
    return _ohms(float(to_ohms(max(value, 0.0)))) if quantity == "ohms" else float(value)


def _place(row: Row) -> dict[str, Any]:
    reading = row.reading
    value: float | str = reading.value
    if reading.quantity == "observation":
        value = reading.observation or ""
    elif reading.quantity == "ohms":
        value = _ohms(reading.value)
    return {"point": reading.point, "to": reading.to, "quantity": reading.quantity, "value": value}


def _reading(found: Findings, row: Row, labels: list[str]) -> dict[str, Any]:
    reading = row.reading
    out: dict[str, Any] = {
        "label": labels[row.index] if row.index is not None else None,
        **_place(row),
        "meter": str(reading.meter or found.meter) if reading.unit == "volts" else None,
        "state": reading.state,
        "note": reading.note,
    }
    if row.index is None:
        return {**out, "normal": None, "low": None, "high": None, "verdict": None}
    middle, sd = float(found.diagnosis.normal[row.index]), float(found.diagnosis.normal_sd[row.index])
    away = (float(found.diagnosis.readings.values[row.index]) - middle) / sd
    verdict = "in" if abs(away) <= IN_SDS else "near" if abs(away) <= NEAR_SDS else "out"
    low, high = (_shown(middle + side * IN_SDS * sd, reading.quantity) for side in (-1.0, 1.0))
    return {
        **out,
        "normal": _shown(middle, reading.quantity),
        "low": low,
        "high": high,
        "verdict": verdict,
        "side": "low" if away < 0 else "high",
        "away_sds": away,
    }


def _left_out(row: Row) -> dict[str, Any]:
    return {**_place(row), "file": row.reading.file, "line": row.reading.line, "why": row.why}


def _questions(found: Findings) -> list[dict[str, Any]]:
    return [
        {
            "kind": doubt.kind,
            **_place(found.rows[doubt.index]),
            "supposed": doubt.supposed,
            "says": spoken(doubt.sentence, found.words),
        }
        for doubt in found.doubts
    ]


def _doubtful(found: Findings, labels: list[str]) -> list[dict[str, Any]]:
    """Readings that the best explanations take for mistaken, most doubtful first."""
    out = [
        {"label": labels[row.index], **_place(row), "probability": float(found.diagnosis.doubtful[row.index])}
        for row in found.rows
        if row.index is not None and found.diagnosis.doubtful[row.index] >= _DOUBTED
    ]
    return sorted(out, key=lambda one: -one["probability"])


# ---- suspects


def _suspect(found: Findings, place: int, suspect: Suspect, labels: list[str]) -> dict[str, Any]:
    estimate, unit = _estimate(found, suspect)
    explains = [labels[k] for k in suspect.explains]
    leaves = [labels[k] for k in suspect.leaves]
    would = found.would_read[place] if place < len(found.would_read) else ()
    return {
        "part": suspect.fault.part,
        "role": suspect.fault.role,
        "also": list(suspect.fault.also),
        "fault": suspect.fault.fault,
        "estimate": estimate,
        "unit": unit,
        "probability": suspect.probability,
        "group": suspect.group,
        "explains": explains,
        "leaves": leaves,
        "would_read": [
            {"point": one.point, "to": one.to, "quantity": "volts dc", "value": one.volts} for one in would
        ],
        "says": _says(found, suspect, estimate, unit),
    }


def _estimate(found: Findings, suspect: Suspect) -> tuple[float | str | None, str]:
    """Likeliest severity in SI units where it has one: "2.4 times its ohms" becomes ohms."""
    if suspect.estimate is None:
        return None, ""
    unit = _SI.get(suspect.unit, suspect.unit)
    if suspect.unit in _TIMES:
        change = suspect.fault.severities[0].changes[0]
        column = found.prepared.whole.slots.get((change.part, change.what))
        of = _TIMES[suspect.unit] or (
            "ohms" if change.what == "ohms" else "farads" if "farads" in change.what else ""
        )
        if column is not None and of:
            return suspect.estimate * float(found.prepared.healthy.medians[column]), of
    return (_ohms(suspect.estimate) if unit == "ohms" else suspect.estimate), unit


def estimate_spoken(estimate: float | str | None, unit: str, fault: str, words: Any) -> str:
    """A severity for a person: about 1.2 M, about 4 µF, about 0.4 of new."""
    if estimate is None or isinstance(estimate, str):
        return ""
    if unit == "ohms":
        # an open or a dead short says as much by its name
        return "" if fault in _SAYS_IT_ALL else f"about {format_ohms(estimate, digits=2, words=words)}"
    if unit == "farads":
        return f"about {format_farads(estimate, digits=2, words=words)}"
    if unit == "× new":
        return f"about {100 * estimate:.0f} % of new"
    # shares of other things say little to a person
    return ""


def _says(found: Findings, suspect: Suspect, estimate: float | str | None, unit: str) -> str:
    size = estimate_spoken(estimate, unit, suspect.fault.fault, found.words)
    role = f" ({role_spoken(suspect.fault.role)})" if suspect.fault.role else ""
    head = f"{suspect.fault.part}{role} {suspect.fault.fault}{', ' + size if size else ''}"
    told = []
    if suspect.explains:
        told.append(f"explains {_named(found, suspect.explains)}")
    if suspect.leaves:
        told.append(f"does not explain {_named(found, suspect.leaves)}")
    return spoken(f"{head}: {'; '.join(told)}" if told else head, found.words)


def _named(found: Findings, which: tuple[int, ...]) -> str:
    names = []
    for k in which:
        reading = found.case.taken[k]
        place = reading_spoken(reading.point, reading.to, found.card.reference_point)
        names.append(place if reading.quantity == "volts dc" else f"{place} ({reading.quantity})")
    return listed(names)


# ---- checks


def _check(found: Findings, advice: Advice) -> dict[str, Any]:
    outcomes: list[dict[str, Any]] = [
        {
            "reads": spoken(one.reads, found.words),
            "means": spoken(one.means, found.words),
            "probability": one.probability,
            "suspect": one.suspect,
            "suspect_probability": one.suspect_probability,
        }
        for one in advice.outcomes
    ]
    if advice.demanded:
        outcomes = [
            {**one, "means": spoken(str(one["means"]), found.words), "suspect": None, "suspect_probability": None}
            for one in cold_outcomes(found.context, advice.point, advice.to)
        ]
    return {
        "check": spoken(advice.check, found.words),
        "point": advice.point,
        "to": advice.to,
        "quantity": advice.quantity,
        "part": advice.part,
        "power": advice.power,
        "minutes": advice.minutes,
        "minutes_saved": advice.minutes_saved,
        "demanded": advice.demanded,
        "cautions": [spoken(text, found.words) for text in advice.cautions],
        "outcomes": outcomes,
    }
