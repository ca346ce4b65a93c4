"""The main job as one call: a card and readings in, everything that can be said of them out. Nothing is printed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hetwright.card.model import SetCard, State
from hetwright.circuit.whole_set import Question, to_ohms
from hetwright.errors import Complaint, InputFault
from hetwright.faults.advice import Advice, Withheld, advise
from hetwright.faults.diagnosis import Diagnosis
from hetwright.faults.suspects import Case, Prepared, prepare, require_solved
from hetwright.readings.meter import Meter
from hetwright.readings.normals import points_to_read
from hetwright.readings.questioning import Expected, Surroundings
from hetwright.readings.questioning import Question as Doubt
from hetwright.readings.questioning import question as questions_of
from hetwright.readings.reading import Reading
from hetwright.readings.words import facts
from hetwright.safety import GuardContext, Proposal, cold_checks_demanded, peak_volts_present
from hetwright.safety import check as guard_check

from .inputs import assumptions_of
from .output import Words
from .set_cautions import expected_cold_ohms, set_cautions

__all__ = ["Findings", "Row", "WouldRead", "find_suspects", "state_of_readings"]

Array = NDArray[np.float64]
Part = Literal["compared", "seen", "hum", "mains", "cold check", "left out"]

SHOWN = 12
"""Of so many suspects it is worked out what every point would read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A reading with what became of it: ``index`` counts those compared; ``why`` it was left out.

    A "cold check" answers what the construction demands before power, at a place no computation reaches.
    """

    reading: Reading
    part: Part
    index: int | None = None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WouldRead:
    """What one point would read, on the meter, with a fault in the set."""

    point: str
    to: str
    volts: float


@dataclass(frozen=True, kw_only=True)
class Findings:
    """Everything that came of a card and its readings.

    ``would_read`` has one entry a suspect, of the first :data:`SHOWN`; ``unsolved`` counts explanations that had no
    working point, of ``explanations``.
    """

    card: SetCard
    state: State
    meter: Meter
    words: Words
    rows: tuple[Row, ...]
    mains_volts: float | None
    prepared: Prepared
    case: Case
    diagnosis: Diagnosis
    context: GuardContext
    cautions: tuple[str, ...]
    advice: tuple[Advice, ...]
    withheld: tuple[Withheld, ...]
    doubts: tuple[Doubt, ...]
    would_read: tuple[tuple[WouldRead, ...], ...]
    assumptions: tuple[str, ...]
    unsolved: int
    explanations: int


def state_of_readings(readings: Sequence[Reading], asked: State | None) -> tuple[State, list[Reading], str | None]:
    """The state of the set that is meant, the readings of it, and what to say where nobody did.

    Readings that were all taken of the set as found are not of the set as it stands now, unless that is asked for. A
    reading that does not say when it was taken counts as "now"; where none says "found", all are of the state asked.

    Raises
    ------
    InputFault
        No reading is of the state asked for.
    """
    stated = {reading.state for reading in readings}
    if asked is None:
        if stated == {"found"}:
            said = "every reading is of the set as found, so it is taken as found; --state now asks otherwise"
            return "found", list(readings), said
        return "now", [reading for reading in readings if reading.state == "now"], None
    if asked == "drawn":
        return asked, list(readings), None
    if asked == "found" and stated == {"now"}:
        return asked, list(readings), "no reading says when it was taken: all are taken to be of the set as found"
    kept = [reading for reading in readings if reading.state == asked]
    if readings and not kept:
        raise InputFault(
            Complaint(
                wrong=f"every reading is of the set as found, none of it as it is {asked}",
                right="ask with --state found",
            )
        )
    return asked, kept, None


def find_suspects(
    card: SetCard,
    readings: Sequence[Reading],
    *,
    state: State | None = None,
    meter: Meter,
    power_is_on: bool = False,
    isolating_transformer: bool = False,
    hazards: Sequence[str] = (),
    words: Words = "british",
    most_checks: int = 6,
    assumed: Sequence[str] = (),
    on_progress: Callable[[int, int], None] | None = None,
) -> Findings:
    """From a card and readings to suspects and the next check.

    Parameters
    ----------
    card : SetCard
    readings : sequence of Reading
        May be empty: what the kinds of parts alone make likely is said then.
    state : "drawn", "found" or "now", optional
        Readings of another state are left out, and that is said. A drawn set has no readings of its own: all count.
    meter : Meter
        What was read with that does not say, and what will be read on next.
    power_is_on, isolating_transformer : bool
        How the set stands on the bench.
    hazards : sequence of str
        What the look-over found, in words the guard knows.
    most_checks : int
        Of next checks.
    assumed : sequence of str
        What the caller had to assume, to be said with the rest.

    Raises
    ------
    InputFault
        A reading names a point the set does not have; every such reading is named.
    NotSolved
        The set as it should be has no certified working point.
    """
    meant, kept, said = state_of_readings(readings, state)
    kept = [_as_mains(reading) for reading in kept]
    mains, mains_said = _mains_volts(card, kept)

    prepared = prepare(card, meant, mains_volts=mains)
    beyond = _beyond_computing(prepared, kept)
    case = prepared.case([reading for reading in kept if id(reading) not in beyond], meter)
    diagnosis = prepared.diagnose(case, on_progress)
    require_solved(diagnosis)

    whole = prepared.whole
    context = GuardContext.from_card(
        card,
        kept,
        hazards=hazards,
        isolating_transformer=isolating_transformer,
        expected_ohms=expected_cold_ohms(whole, prepared.healthy.medians, card),
        words=words,
    )
    advice, withheld = advise(
        prepared, case, diagnosis, context, meter=meter, power_is_on=power_is_on, most=most_checks
    )
    withheld = _with_standing(withheld, context, card)
    rows = _rows([_as_mains(reading) for reading in readings], kept, case, meant, beyond)
    solved = prepared.bench.solved_rows()
    said_of_set = [*([said] if said else []), *([mains_said] if mains_said else []), *assumed]
    return Findings(
        card=card,
        state=meant,
        meter=meter,
        words=words,
        rows=rows,
        mains_volts=mains,
        prepared=prepared,
        case=case,
        diagnosis=diagnosis,
        context=context,
        cautions=tuple(set_cautions(context, card, meant, words)),
        advice=advice,
        withheld=withheld,
        doubts=_doubts(rows, prepared, diagnosis, meter),
        would_read=_would_read(prepared, diagnosis, meter),
        assumptions=(*said_of_set, *assumptions_of(card), *prepared.healthy.networks.assumptions, *_sheet(prepared)),
        unsolved=int((~solved).sum()),
        explanations=len(solved),
    )


def _with_standing(withheld: tuple[Withheld, ...], context: GuardContext, card: SetCard) -> tuple[Withheld, ...]:
    """What is withheld whatever it would tell: readings under power, while they are."""
    verdict = guard_check(
        Proposal(kind="measure volts", point="HT1", to=card.reference_point, quantity="volts dc"), context
    )
    if verdict.allowed:
        return withheld
    return (Withheld(check="Every reading under power.", reason=verdict.reason), *withheld)


def _as_mains(reading: Reading) -> Reading:
    """Volts of the mains, from live to neutral or however they were named, are volts of the mains."""
    ends = {reading.point, reading.to}
    if reading.quantity == "volts ac" and ends in ({"mains_live", "mains_neutral"}, {"mains_live", None}):
        return replace(reading, point="mains", to=None)
    return reading


def _mains_volts(card: SetCard, readings: Sequence[Reading]) -> tuple[float | None, str | None]:
    """R.m.s. volts of the mains while the readings were taken, and what has to be said of them."""
    if card.mains_rms_volts <= 0.0:
        return None, None
    read = [reading.value for reading in readings if reading.point == "mains" and reading.quantity == "volts ac"]
    beside = [reading.mains_volts for reading in readings if reading.mains_volts is not None]
    if not read and not beside:
        return None, None
    volts = read[-1] if read else float(median(beside))
    if not volts <= facts()["questioning"]["mains_used"]["most_ratio"] * card.mains_rms_volts or volts <= 0.0:
        return None, (
            f"mains of {volts:g} V cannot be right for a set of {card.mains_rms_volts:g} V: that figure is not used"
        )
    said = None
    if beside and max(beside) - min(beside) > facts()["questioning"]["mains_used"]["spread_fraction"] * volts:
        said = f"the mains was read as {min(beside):g} to {max(beside):g} V; {volts:g} V is taken for every reading"
    return volts, said


def _beyond_computing(prepared: Prepared, readings: Sequence[Reading]) -> set[int]:
    """Readings (by ``id``) that answer a demanded cold check at a place that is no point of the networks: a spindle."""
    card = prepared.card
    demanded = {frozenset(pair) for check in cold_checks_demanded(card) for pair in check.pairs}
    beyond = set()
    for reading in readings:
        if (
            reading.quantity != "ohms"
            or frozenset((reading.point, reading.to or card.reference_point)) not in demanded
        ):
            continue
        try:
            prepared.whole.question(reading.point, reading.to, "ohms", np.inf, card.reference_point)
        except InputFault:
            beyond.add(id(reading))
    return beyond


def _rows(
    given: Sequence[Reading], kept: Sequence[Reading], case: Case, state: State, beyond: set[int]
) -> tuple[Row, ...]:
    reasons = {id(reading): why for reading, why in case.left_out}
    waiting = list(case.taken)
    rows: list[Row] = []
    index = 0
    # the same objects, in the same order, as were handed to the case
    left = list(kept)
    for reading in given:
        if not (left and left[0] == reading):
            rows.append(
                Row(reading=reading, part="left out", why=f"of the set in the state {reading.state}, not {state}")
            )
            continue
        ours = left.pop(0)
        if waiting and waiting[0] is ours:
            waiting.pop(0)
            rows.append(Row(reading=ours, part="compared", index=index))
            index += 1
        elif id(ours) in beyond:
            rows.append(Row(reading=ours, part="cold check"))
        elif id(ours) in reasons:
            rows.append(Row(reading=ours, part="left out", why=reasons[id(ours)]))
        elif ours.quantity == "observation":
            rows.append(Row(reading=ours, part="seen"))
        else:
            rows.append(Row(reading=ours, part="hum" if ours.quantity == "hum" else "mains"))
    return tuple(rows)


def _doubts(rows: Sequence[Row], prepared: Prepared, diagnosis: Diagnosis, meter: Meter) -> tuple[Doubt, ...]:
    """Readings that cannot well be as they stand; ``index`` is the place among ``rows``."""
    asked = [n for n, row in enumerate(rows) if row.part != "left out"]
    expected: list[Expected | None] = []
    for n in asked:
        k = rows[n].index
        if k is None:
            expected.append(None)
            continue
        middle, sd = float(diagnosis.normal[k]), float(diagnosis.normal_sd[k])
        # the questioner adds the meter's own error
        sd = float(np.sqrt(max(sd**2 - float(diagnosis.readings.sd[k]) ** 2, (0.1 * sd) ** 2)))
        if rows[n].reading.quantity == "ohms":
            ohms = float(to_ohms(middle))
            expected.append(Expected(value=ohms, sd=sd * (1.0 + ohms)))
        else:
            expected.append(Expected(value=middle, sd=sd))
    found = questions_of([rows[n].reading for n in asked], expected, _surroundings(prepared), meter=meter)
    return tuple(
        replace(
            doubt,
            index=asked[doubt.index],
            other_index=None if doubt.other_index is None else asked[doubt.other_index],
        )
        for doubt in found
    )


def _surroundings(prepared: Prepared) -> Surroundings:
    card, whole = prepared.card, prepared.whole
    peaks = peak_volts_present(card)
    reference = whole.networks.point(card.reference_point)
    points = {name: n for n, name in enumerate(whole.ht.points)}
    volts = prepared.bench.solved.ht.volts[0]
    others = {}
    for name in ("chassis", "ht_negative"):
        point = whole.networks.point(name)
        if point in points and reference in points and point != reference:
            others[name] = float(volts[points[point]] - volts[points[reference]])
    rms = max(
        card.mains_rms_volts,
        card.supply.secondary_rms_volts.si if card.supply.secondary_rms_volts is not None else 0.0,
    )
    return Surroundings(
        mains_rms_volts=card.mains_rms_volts or None,
        highest_direct_volts=peaks["ht"] or None,
        highest_rms_volts=rms or None,
        other_references=others,
    )


def _would_read(prepared: Prepared, diagnosis: Diagnosis, meter: Meter) -> tuple[tuple[WouldRead, ...], ...]:
    """What every point would read under each of the first suspects, at its likeliest severity and background."""
    shown = diagnosis.suspects[:SHOWN]
    if not shown:
        return ()
    whole, card = prepared.whole, prepared.card
    number = {id(fault): n for n, fault in enumerate(prepared.faults)}
    pairs = [_row_with(prepared, diagnosis, number[id(suspect.fault)]) for suspect in shown]
    stack = np.stack([slots for slots, _ in pairs])
    near = whole.take(prepared.bench.solved, np.array([row for _, row in pairs], dtype=np.intp))
    names = points_to_read(prepared.healthy)
    asked: list[Question] = [
        whole.question(name, None, "volts dc", meter.ohms, card.reference_point) for name in names
    ]
    read = whole.read(whole.solve(stack, near), asked, slopes=False)
    return tuple(
        tuple(
            WouldRead(point=name, to=card.reference_point, volts=float(value))
            for name, value in zip(names, volts, strict=True)
        )
        if good
        else ()
        for volts, good in zip(read.mean, read.solved, strict=True)
    )


def _row_with(prepared: Prepared, diagnosis: Diagnosis, fault: int) -> tuple[Array, int]:
    """Slots of the set with one fault, alone if it was weighed alone, and a row of the bench that lies near.

    What a fault cannot show leaves the healthy set, row 0.
    """
    bench = prepared.bench
    rows = np.flatnonzero(bench.row_fault == fault)
    row = int(rows[np.argmax(bench.row_log_weight[rows])]) if len(rows) else 0
    carriers = [h for h in diagnosis.hypotheses if fault in h.faults]
    if not carriers:
        return np.asarray(bench.stack[row]), row
    best = next((h for h in carriers if h.faults == (fault,)), carriers[0])
    logarithmic = prepared.healthy.background.logarithmic
    return np.asarray(np.where(logarithmic, best.medians * np.exp(best.shift), best.medians + best.shift)), row


def _sheet(prepared: Prepared) -> list[str]:
    """Rows of the service sheet that no likely values explain."""
    told = prepared.healthy.sheet
    if told is None:
        return []
    rows = prepared.healthy.sheet_rows
    return [
        f"the service sheet's {rows[n].value:g} at {rows[n].point} agrees with no likely values: "
        "a misprint, another meter, or another version of the set?"
        for n in told.misfits
    ]
