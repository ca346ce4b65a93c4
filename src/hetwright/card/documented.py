"""From a documented repair to a card and readings.

The format is that of ``tests/cases/*.toml``: a line-up (often partial), what the source states of the set, the
values it gives, what was read, what was seen. What was found to be wrong is not looked at here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

from hetwright import quantities
from hetwright.card.lineup import abilities
from hetwright.card.model import Part, ServiceSheetRow, SetCard, Value, ValveInPlace
from hetwright.card.part_kinds import part_kind
from hetwright.card.patterns import Skeleton, build
from hetwright.errors import Complaint, InputFault, UnknownValve
from hetwright.readings.meter import Meter
from hetwright.readings.reading import Quantity, Reading
from hetwright.readings.words import observation_point, point_named, quantity_named
from hetwright.valves.catalogue import find

__all__ = ["DocumentedCase", "card_from_case", "case_from_mapping"]

#: Kind of valve that stands in for a type the catalogue lacks, by the stage the case gives it.
_KIND_OF_STAGE = {
    "frequency_changer": "frequency changer",
    "rf_amp": "rf pentode",
    "if_amp": "if pentode",
    "if_amp_2": "if pentode",
    "fm_tuner": "fm double triode",
    "reaction_detector": "pentode",
    "detector": "double diode triode",
    "audio": "double diode triode",
    "output": "output pentode",
    "output_a": "output pentode",
    "output_b": "output pentode",
    "indicator": "tuning indicator",
    "supply": "full-wave rectifier",
}


#: Less than this on a cathode may be the drop of a wire or an offset of the meter.
_CATHODE_VOLTS = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class DocumentedCase:
    """A repair as the project works on it.

    ``symptoms`` are readings of observations. ``left_out`` says what of the case could not be used.
    """

    name: str
    card: SetCard
    readings: tuple[Reading, ...]
    symptoms: tuple[Reading, ...]
    left_out: tuple[str, ...] = ()


def _mains(written: str, file: str) -> tuple[float, float]:
    found = re.fullmatch(r"\s*([\d.]+)\s*V(?:\s+([\d.]+)\s*Hz)?\s*", written, re.IGNORECASE)
    if found is None:
        raise InputFault(
            Complaint(wrong=f"mains is {written!r}", right='write it like "230 V 50 Hz"', file=file or None)
        )
    volts = float(found[1])
    return volts, float(found[2]) if found[2] else (60.0 if volts < 150.0 else 50.0)


def _valves(lineup: Mapping[str, str], stages: Mapping[str, str]) -> tuple[dict[str, ValveInPlace], list[str]]:
    """The valves; a type nobody knows is taken as a typical one of its stage."""
    valves: dict[str, ValveInPlace] = {}
    notes: list[str] = []
    for ref, type_name in lineup.items():
        kind = None
        try:
            find(type_name)
        except UnknownValve:
            stage = next((name for name, owner in stages.items() if owner == ref), None)
            if stage not in _KIND_OF_STAGE:
                raise
            kind = _KIND_OF_STAGE[stage]
            notes.append(f"{ref}: {type_name} is not in the catalogue and is taken as a typical {kind}")
        valves[ref] = ValveInPlace(identity=ref, ref=ref, type=type_name, kind=kind)
    return valves, notes


def _hints(stages: Mapping[str, str], valves: Mapping[str, ValveInPlace], notes: list[str]) -> dict[str, str]:
    """The stage hints that their valves can follow."""
    hints = {}
    for stage, ref in stages.items():
        if ref not in valves:
            notes.append(f"stage {stage} names {ref}, which is not in the line-up")
            continue
        valve = valves[ref]
        can = abilities(find(valve.type, like=valve.like, kind=valve.kind))
        if stage == "supply" and not can.rectifier:
            notes.append(f"{ref} is no rectifier: the stage it is given is left open")
            continue
        hints[stage] = ref
    return hints


def _unknown(value: Any) -> str | None:
    return None if value in (None, "", "unknown") else str(value)


def case_from_mapping(document: Mapping[str, Any], file: str = "") -> DocumentedCase:
    """A documented case as card, readings and symptoms.

    Parameters
    ----------
    document : mapping
        What ``tomllib`` makes of a case file.
    file : str
        Its name, for complaints.

    Returns
    -------
    DocumentedCase
        The line-up completed with usual companions where it is partial.

    Raises
    ------
    InputFault
        No line-up, a mains or a value that cannot be read.
    """
    case_set = document.get("set", {})
    lineup = case_set.get("lineup", {})
    if not lineup:
        raise InputFault(
            Complaint(wrong="the case has no line-up", right='lineup = { V1 = "EL84" }', file=file or None)
        )
    stages = case_set.get("stages", {})
    valves, notes = _valves(lineup, stages)
    volts, hertz = _mains(case_set.get("mains", "230 V 50 Hz"), file)
    known = {str(row["role"]): row for row in document.get("known", ())}
    skeleton = Skeleton(
        name=str(document.get("title") or document.get("id") or file),
        mains_rms_volts=volts,
        mains_hertz=hertz,
        construction=str(case_set.get("construction", "unknown")),
        year=case_set.get("year"),
        valves=valves,
        stage_hints=_hints(stages, valves, notes),
        rectifier=_unknown(case_set.get("rectifier")),
        smoothing=_unknown(case_set.get("smoothing")),
        bias=_unknown(case_set.get("bias")),
        output=str(case_set.get("output", "single")),
        complete=False,
        source_file=file,
        stated_roles=frozenset(known),
    )
    card = build(skeleton)
    rows = [*document.get("normal", ()), *document.get("reading", ())]
    told = _told_by_volts(card, rows)
    options = _told_by_ohms(card, rows)
    if told - skeleton.stated_roles or options:
        card = build(replace(skeleton, stated_roles=skeleton.stated_roles | told, options=options))
    card = replace(card, complete=not any(valve.assumed for valve in card.valves.values()))
    card = _with_known(card, known, notes, file)
    card = replace(card, service_sheet=_sheet(document.get("normal", ()), file))
    readings = tuple(_reading(row, file) for row in document.get("reading", ()))
    symptoms = []
    for row in document.get("symptom", ()):
        try:
            symptoms.append(_symptom(row))
        except InputFault as fault:
            notes.append(str(fault))
    card = replace(card, assumptions=(*notes, *card.assumptions))
    return DocumentedCase(
        name=str(document.get("id", file)),
        card=card,
        readings=readings,
        symptoms=tuple(symptoms),
        left_out=tuple(notes),
    )


def _told_by_volts(card: SetCard, rows: Sequence[Mapping[str, Any]]) -> frozenset[str]:
    """Parts that the set must have because a cathode stands above chassis: a cathode joined to it could not."""
    told = set()
    for row in rows:
        if row.get("quantity", "volts dc") != "volts dc" or row.get("to") or not float(row["value"]) > _CATHODE_VOLTS:
            continue
        ref, _, electrode = point_named(str(row["point"])).partition(".")
        for stage in card.stages:
            if stage.valve == ref and electrode == "cathode" and stage.options.get("bias") == "grid leak":
                told.add(f"{stage.name}.cathode_resistor")
    return frozenset(told)


def _told_by_ohms(card: SetCard, rows: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Forms that a reading of ohms takes for granted.

    Who reads from an output valve's anode to an HT point reads the output transformer: that point feeds it.
    """
    options = {}
    for row in rows:
        if row.get("quantity") != "ohms" or not row.get("to"):
            continue
        ends = {point_named(str(row["point"])), point_named(str(row["to"]))}
        for stage in card.stages:
            line = ends & {"HT1", "HT2"}
            if stage.name.startswith("output") and f"{stage.valve}.anode" in ends and line:
                options[f"{stage.name}.anode_supply"] = line.pop()
    return options


def card_from_case(
    document: Mapping[str, Any], file: str = ""
) -> tuple[SetCard, tuple[Reading, ...], tuple[Reading, ...]]:
    """Card, readings and symptoms of a documented case; see :func:`case_from_mapping`."""
    case = case_from_mapping(document, file)
    return case.card, case.readings, case.symptoms


def _with_known(card: SetCard, known: Mapping[str, Mapping[str, Any]], notes: list[str], file: str) -> SetCard:
    parts = dict(card.parts)
    for role, row in known.items():
        part = next((part for part in parts.values() if part.role == role), None)
        if part is None or part.quantity == "none":
            notes.append(f"{role}, which the source gives as {row.get('value')}, is no part of the set assumed here")
            continue
        parts[part.ref] = _stated(part, str(row["value"]), card.year, file)
    return replace(card, parts=parts)


def _stated(part: Part, written: str, year: int | None, file: str) -> Part:
    try:
        si = quantities.parse(written, cast(Any, part.quantity))
    except InputFault as fault:
        raise InputFault(
            Complaint(wrong=f"{part.role}: {c.wrong}", right=c.right, file=file or None) for c in fault.complaints
        ) from None
    kind = part_kind(part.kind)
    spread = kind.log_sd(year) if kind is not None else 0.1
    return replace(part, drawn=Value(si=si, basis="stated", spread_log_sd=spread, written=written))


def _sheet(rows: Sequence[Mapping[str, Any]], file: str) -> tuple[ServiceSheetRow, ...]:
    found = []
    for row in rows:
        meter = Meter.from_text(row["meter"]) if row.get("meter") else None
        found.append(
            ServiceSheetRow(
                point=point_named(str(row["point"])),
                to=point_named(str(row["to"])) if row.get("to") else None,
                quantity=quantity_named(str(row.get("quantity", "volts dc"))),
                value=float(row["value"]),
                meter=str(row.get("meter", "")),
                meter_ohms=meter.ohms if meter is not None else None,
            )
        )
    return tuple(found)


def _reading(row: Mapping[str, Any], file: str) -> Reading:
    return Reading(
        point=point_named(str(row["point"])),
        to=point_named(str(row["to"])) if row.get("to") else None,
        quantity=cast(Quantity, quantity_named(str(row.get("quantity", "volts dc")))),
        value=float(row["value"]),
        meter=Meter.from_text(row["meter"]) if row.get("meter") else None,
        mains_volts=float(row["mains_volts"]) if "mains_volts" in row else None,
        minutes_on=float(row["minutes_on"]) if "minutes_on" in row else None,
        state="found",
        note=str(row.get("note", "")),
        file=file or None,
    )


def _symptom(row: Mapping[str, Any]) -> Reading:
    word = str(row["observation"])
    return Reading(
        point=observation_point(str(row.get("point", "")), word),
        quantity="observation",
        value=1.0,
        observation=word,
        state="found",
        note=str(row.get("text", "")),
    )
