"""The suspects command for a person: what can hurt, what was read, what explains it, and the one thing to do next."""

from __future__ import annotations

from typing import Any

from .page import DANGER, IN, NEAR, OUT, SUSPECT, Column, Page
from .speech import (
    LIKELY,
    POSSIBLE,
    as_read,
    band,
    chance,
    listed,
    point_spoken,
    reading_spoken,
    role_spoken,
    written,
)
from .suspects_document import estimate_spoken

__all__ = ["print_suspects"]

_VERDICTS = {"in": f"{IN} in its band", "near": f"{NEAR} at its edge", "out": f"{OUT} outside"}
_LEAST = 0.02
_MOST = 8
_FURTHER = 3
_BAR = 21


def print_suspects(page: Page, document: dict[str, Any]) -> None:
    """Print a suspects document.

    Parameters
    ----------
    page : Page
    document : dict
        As :func:`hetwright.cli.suspects.run_job` gives it.
    """
    name = document["set"] or "This set"
    states = {"drawn": "as drawn", "found": "as found", "now": "as it stands now"}
    page.title(f"{name}, {states[document['state']]}")
    page.heading("Before a hand goes near it")
    page.cautions(document["cautions"])
    _cold_checks(page, document)
    _readings(page, document)
    _suspects(page, document)
    _next_checks(page, document)
    _withheld(page, document)
    if document["assumptions"]:
        page.heading("Taken for granted")
        for text in document["assumptions"]:
            page.item("·", text)


def _cold_checks(page: Page, document: dict[str, Any]) -> None:
    shapes = {"passed": IN, "failed": DANGER, "missing": "○"}
    words = {"passed": "passed", "failed": "FAILED: no power", "missing": "not done"}
    for check in document["cold_checks"]:
        status = words[check["status"]]
        if check["status"] == "missing" and check["ohms"] is not None:
            status = "not settled"
        read = f", {written(check['ohms'], 'ohms', page.words)}" if check["ohms"] is not None else ""
        remark = f" ({check['says']})" if check["says"] and check["status"] != "passed" else ""
        style: Any = "danger" if check["status"] == "failed" else ""
        page.item(shapes[check["status"]], f"Cold check, {check['name']}: {status}{read}{remark}", style)


# ---- what was read


def _readings(page: Page, document: dict[str, Any]) -> None:
    compared = [row for row in document["readings"] if row["verdict"] is not None]
    seen = [row for row in document["readings"] if row["quantity"] == "observation"]
    hums = [row for row in document["readings"] if row["quantity"] == "hum"]
    if not document["readings"]:
        page.heading("What was read")
        page.say("Nothing yet. What follows rests on what such sets most often suffer from, and on nothing else.")
    if compared:
        page.heading("What was read, beside normal")
        mains = f", mains at {document['mains_volts']:g} V" if document["mains_volts"] is not None else ""
        meters = {row["meter"] for row in compared if row["meter"]}
        on = f" on the {next(iter(meters))}" if len(meters) == 1 else ""
        page.say(f"To {point_spoken(document['reference'])} where nothing else is said{on}{mains}.", "quiet")
        wide = page.width >= 100
        columns = [
            Column("Point", fold=True),
            Column("Read", right=True),
            Column("Normal", right=True),
            Column("Low to high", right=True),
            *([Column("")] if wide else []),
            Column("It is"),
        ]
        page.table(columns, [_reading_row(document, row, page, wide) for row in compared])
    if seen or hums:
        said = [_seen(row) for row in seen] + [f"a hum of {written(row['value'], 'hum')}" for row in hums]
        page.say(f"Seen and heard: {listed(said)}.")
    for question in document["questions"]:
        page.item("?", question["says"], "eye")
    asked = {(q["point"], q["quantity"]) for q in document["questions"]}
    for doubt in document["doubtful_readings"]:
        if (doubt["point"], doubt["quantity"]) not in asked:
            place = reading_spoken(doubt["point"], doubt["to"], document["reference"])
            value = written(doubt["value"], doubt["quantity"], page.words)
            page.item("?", f"{place}, {value}: perhaps a slip, {chance(doubt['probability'])}. Read it again.", "eye")
    for row in document["left_out"]:
        where = f" (line {row['line']})" if row["line"] else ""
        place = reading_spoken(row["point"], row["to"], document["reference"])
        page.item(
            "·", f"Left out: {place}, {written(row['value'], row['quantity'], page.words)}{where}: {row['why']}."
        )


def _seen(row: dict[str, Any]) -> str:
    valve = row["point"].partition(".")[0]
    return f"{valve} {row['value']}" if valve[:1] == "V" and valve[1:].isdigit() else str(row["value"])


def _reading_row(document: dict[str, Any], row: dict[str, Any], page: Page, wide: bool) -> list[str]:
    quantity = row["quantity"]
    # ohms are between two points wherever the second lies
    reference = document["reference"] if quantity != "ohms" else ""
    place = reading_spoken(row["point"], row["to"], reference)
    kind = "" if quantity.startswith("volts") else f", {quantity}"
    verdict = _VERDICTS[row["verdict"]] + ("" if row["verdict"] == "in" else f", {row['side']}")
    return [
        f"{place}{kind}",
        as_read(row["value"], quantity, page.words),
        written(row["normal"], quantity, page.words),
        band(row["low"], row["high"], quantity, page.words),
        *([bar(row["away_sds"])] if wide else []),
        verdict,
    ]


def bar(away_sds: float) -> str:
    """A reading as a rule: the band thick, the normal value a notch, the reading a pointer.

    Examples
    --------
    >>> bar(0.0), bar(-2.6), bar(9.0)
    ('─────━━━━━◆━━━━━─────', '────◆━━━━━╋━━━━━─────', '─────━━━━━╋━━━━━────▶')
    """
    middle = _BAR // 2
    scale = (middle - 5) / 2.0
    rule = ["━" if abs(n - middle) <= 2.0 * scale else "─" for n in range(_BAR)]
    rule[middle] = "╋"
    at = round(middle + away_sds * scale)
    if at < 0:
        rule[0] = "◀"
    elif at >= _BAR:
        rule[-1] = "▶"
    else:
        rule[at] = "◆"
    return "".join(rule)


# ---- what explains it


def _suspects(page: Page, document: dict[str, Any]) -> None:
    page.heading("What would explain it" if document["readings"] else "What such a set most often has")
    shown = [s for s in document["suspects"] if s["probability"] >= _LEAST][:_MOST] or document["suspects"][:3]
    for suspect in shown:
        p = suspect["probability"]
        word = "likely" if p >= LIKELY else "possible" if p >= POSSIBLE else "less likely"
        size = estimate_spoken(suspect["estimate"], suspect["unit"], suspect["fault"], page.words)
        role = f", {role_spoken(suspect['role'])}" if suspect["role"] else ""
        what = f"{suspect['part']}{role}: {suspect['fault']}{', ' + size if size else ''}"
        head = f"{word}: {what}. {_capital(chance(p))}."
        page.item(SUSPECT if p >= POSSIBLE else "◇", head, "strong" if p >= LIKELY else "")
        told = suspect["says"].partition(": ")[2]
        if told:
            page.say(f"{_capital(told)}.", "quiet", indent=2)
    rest = [s for s in document["suspects"] if s not in shown]
    if rest:
        page.item("◇", f"{len(rest)} others, each {chance(max(s['probability'] for s in rest))} or less.", "quiet")
    page.blank()
    page.item(IN, f"Nothing wrong that these readings can show: {chance(document['healthy_probability'])}.")
    page.item("?", f"Something that is not in the list: {chance(document['not_listed_probability'])}.")
    if document["not_searched"] > _LEAST:
        page.item("·", "Not tried: pairs of faults that are each unlikely alone, and more than three faults at once.")
    for members in _groups(shown):
        page.item("=", f"No reading of this set tells these apart: {listed(members)}.")
    unsolved = document["certificate"]["unsolved"]
    if unsolved:
        total = document["certificate"]["explanations"]
        page.item("·", f"{unsolved} of {total} explanations could not be computed and were left out.")


def _groups(suspects: list[dict[str, Any]]) -> list[list[str]]:
    groups: dict[int, list[str]] = {}
    for suspect in suspects:
        if suspect["group"] is not None:
            groups.setdefault(suspect["group"], []).append(f"{suspect['part']} {suspect['fault']}")
    return [members for members in groups.values() if len(members) > 1]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


# ---- what to do


def _next_checks(page: Page, document: dict[str, Any]) -> None:
    checks = document["next_checks"]
    if not checks:
        page.heading("The next check")
        page.say("None that may be proposed: see below what is withheld, and why.")
        return
    first, others = checks[0], checks[1 : 1 + _FURTHER]
    below: list[tuple[str, str, Any]] = [("", "", "")]
    power = "Power OFF, plug out." if first["power"] == "off" else "Power ON: clips on and off with the plug out."
    below += [("", f"{power} About {first['minutes']:.0f} min.", "eye"), ("", "", "")]
    below += [(DANGER, caution, "danger") for caution in first["cautions"]]
    if first["outcomes"]:
        below.append(("", "", ""))
        below += [("→", _outcome(one), "") for one in first["outcomes"]]
    page.boxed("The next check", first["check"], below)
    if others:
        page.heading("After that")
    known = set(first["cautions"])
    for check in others:
        page.item("○", f"{check['check']} About {check['minutes']:.0f} min, power {check['power']}.")
        for one in check["outcomes"][:2]:
            page.item("→", _outcome(one), "quiet", indent=2)
        new = [caution for caution in check["cautions"] if caution not in known]
        if new:
            page.cautions(new, indent=2)
        elif check["cautions"]:
            page.item(DANGER, "The cautions above hold here too.", "danger", indent=2)


def _outcome(one: dict[str, Any]) -> str:
    often = f", {chance(one['probability'])}" if one["probability"] is not None else ""
    return f"{_capital(one['reads'])}{often}: {one['means'].rstrip('.')}."


def _withheld(page: Page, document: dict[str, Any]) -> None:
    if not document["withheld"]:
        return
    page.heading("Withheld")
    by_reason: dict[str, list[str]] = {}
    for one in document["withheld"]:
        by_reason.setdefault(one["reason"], []).append(one["check"].rstrip("."))
    for reason, checks in by_reason.items():
        page.item(DANGER, f"{'; '.join(checks)}. Withheld: {reason}.")
