"""What to do next: checks worth their minutes, each past the guard.

Three kinds of check are weighed: a voltage at a point not yet read, a cold resistance across a part or between points,
and the direct proof of one suspect (a lead lifted, a valve exchanged, a marking read). What each is worth is
computed in :mod:`~hetwright.faults.next_check`; whether it may be proposed, the guard decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hetwright.circuit.whole_set import Question, to_compared, to_ohms
from hetwright.quantities import format_ohms, format_volts
from hetwright.readings.meter import Meter
from hetwright.readings.normals import points_to_read
from hetwright.readings.reading import Reading, reading_sd
from hetwright.safety import GuardContext, Proposal
from hetwright.safety import check as guard_check

from .diagnosis import Diagnosis
from .healthy import facts
from .minutes import COLD_PROOF, action_minutes, check_minutes, prove_minutes
from .model import Fault
from .next_check import MeasuredCheck, ProvingCheck, Worth, expected_minutes, worth_of
from .outlook import outlook
from .rates import Subject, subjects_of
from .suspects import Case, Prepared

__all__ = ["Advice", "Outcome", "Withheld", "advise"]

Array = NDArray[np.float64]

_COLD_LOOK = "Plug out and discharged: ohms across "


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One thing a check may show: what is read, how likely, and what it would mean."""

    reads: str
    probability: float
    means: str
    suspect: str
    suspect_probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """A check worth making.

    ``check`` says it in a sentence; ``quantity`` is "volts dc", "ohms", "marking" or "proof"; ``power`` "off" or "on".
    ``demanded``: the construction demands this cold check before power, whatever it tells of the fault.
    ``fault`` is the index of the suspect a proof is about.
    """

    check: str
    point: str
    to: str | None
    quantity: str
    power: str
    minutes: float
    minutes_saved: float
    cautions: tuple[str, ...]
    outcomes: tuple[Outcome, ...]
    demanded: bool = False
    part: str | None = None
    fault: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Withheld:
    """A check the guard withheld, and why."""

    check: str
    reason: str


@dataclass(frozen=True, slots=True)
class _Candidate:
    check: str
    point: str
    to: str | None
    quantity: str
    power: bool
    minutes: float
    proposal: Proposal
    question: Question | None = None
    fault: int | None = None


def advise(
    prepared: Prepared,
    case: Case,
    diagnosis: Diagnosis,
    context: GuardContext,
    *,
    meter: Meter | None = None,
    power_is_on: bool = False,
    most: int = 6,
    skip: frozenset[str] = frozenset(),
) -> tuple[tuple[Advice, ...], tuple[Withheld, ...]]:
    """The checks worth making next, best first; cold before live where they save about as much.

    Parameters
    ----------
    prepared, case, diagnosis
        The set, what was read, and what was made of it.
    context : GuardContext
    meter : Meter, optional
        What further volts will be read on.
    power_is_on : bool
        How the set stands now: changing it takes minutes.
    most : int
        At most so many checks.
    skip : frozenset of str
        Checks (by their sentence) already made.

    Returns
    -------
    advice : tuple of Advice
    withheld : tuple of Withheld
    """
    weighed = _weigh(prepared, case, diagnosis, meter, power_is_on, skip)
    ranked: list[Advice] = []
    withheld: dict[str, Withheld] = {}
    ranked += _demanded(prepared, context)
    already = {(a.point, a.to, a.quantity) for a in ranked}
    sure = _as_good_as_certain(diagnosis)
    found: list[Advice] = []
    for candidate, worth, names in weighed:
        if len(found) >= 4 * most and candidate.fault not in sure:
            continue
        if (candidate.point, candidate.to, candidate.quantity) in already:
            continue
        if candidate.fault not in sure and _same_look(candidate, found):
            continue
        verdict = guard_check(candidate.proposal, context)
        if not verdict.allowed:
            withheld.setdefault(verdict.reason, Withheld(check=candidate.check, reason=verdict.reason))
            continue
        found.append(
            Advice(
                check=candidate.check,
                point=candidate.point,
                to=candidate.to,
                quantity=candidate.quantity,
                power="on" if candidate.power else "off",
                minutes=candidate.minutes,
                minutes_saved=worth.minutes_saved,
                cautions=verdict.cautions,
                outcomes=_outcomes(prepared, candidate, worth, names),
                part=candidate.proposal.part,
                fault=candidate.fault,
            )
        )
    # what is as good as certain is proved and put right first: everything reads plainer after it
    proved = [a for a in found if a.fault in sure][:1]
    looked_at = {a.part for a in proved if a.check.startswith(_COLD_LOOK)}
    useful = [
        a
        for a in found
        if a.minutes_saved > 0.0 and a not in proved and not (a.quantity == "ohms" and a.part in looked_at)
    ]
    if not (ranked or proved or useful):
        useful = found[:1]
    ranked += [*proved, *_cold_first(useful)]
    return tuple(ranked[:most]), tuple(withheld.values())


def _same_look(candidate: _Candidate, found: Sequence[Advice]) -> bool:
    """Whether an ohmmeter across this part, plug out, is proposed already: as a reading or as a proof."""
    part = candidate.proposal.part
    if part is None or candidate.proposal.kind != "measure ohms":
        return False
    return any(a.part == part and (a.quantity == "ohms" or a.check.startswith(_COLD_LOOK)) for a in found)


def _as_good_as_certain(diagnosis: Diagnosis) -> set[int]:
    """Faults whose proof needs no further reading before it, likeliest first taken."""
    least = facts()["next_check"]["proved_first_probability"]
    return {int(f) for f in np.flatnonzero(diagnosis.fault_probability >= least)}


def _cold_first(advice: Sequence[Advice], share: float = 0.75) -> list[Advice]:
    """Best first, but a cold check that saves nearly as much as the live one ahead of it goes before it."""
    left = list(advice)
    out: list[Advice] = []
    while left:
        best = left[0]
        if best.power == "on":
            cold = next((a for a in left if a.power == "off" and a.minutes_saved >= share * best.minutes_saved), None)
            best = cold or best
        out.append(best)
        left.remove(best)
    return out


def _demanded(prepared: Prepared, context: GuardContext) -> list[Advice]:
    """Cold checks that the construction demands and that nobody has recorded."""
    out = []
    minutes = action_minutes("cold reading")
    for result in context.cold_checks:
        if result.status != "missing":
            continue
        a, b = result.check.points
        verdict = guard_check(Proposal(kind="measure ohms", point=a, to=b, quantity="ohms"), context)
        if not verdict.allowed:
            continue
        out.append(
            Advice(
                check=f"Plug out and discharged: {result.check.name}, {a} to {b}. {result.check.how}".strip(),
                point=a,
                to=b,
                quantity="ohms",
                power="off",
                minutes=minutes,
                minutes_saved=0.0,
                cautions=verdict.cautions,
                outcomes=(),
                demanded=True,
            )
        )
    return out


# ---- weighing


def _weigh(
    prepared: Prepared,
    case: Case,
    diagnosis: Diagnosis,
    meter: Meter | None,
    power_is_on: bool,
    skip: frozenset[str],
) -> list[tuple[_Candidate, Worth, list[tuple[int, ...]]]]:
    table = facts()["next_check"]
    hypotheses = [h for h in diagnosis.hypotheses if h.probability > table["least_probability"]][
        : table["hypotheses"]
    ]
    if not hypotheses:
        return []
    members_of = [h.faults for h in hypotheses]
    involved = sorted({f for key in members_of for f in key})
    column = {f: n for n, f in enumerate(involved)}
    # last column stands for whatever is not listed
    members = np.zeros((len(hypotheses) + 1, len(involved) + 1), dtype=bool)
    for row, key in enumerate(members_of):
        for f in key:
            members[row, column[f]] = True
    members[-1, -1] = True
    probability = np.array([h.probability for h in hypotheses] + [diagnosis.not_listed_probability + 1e-6])
    probability /= probability.sum()
    subjects = {(s.part, s.role): s for s in subjects_of(prepared.card, prepared.healthy.state)}
    minutes = np.array(
        [_prove(prepared.faults[f], subjects) for f in involved] + [table["not_listed_minutes"]], dtype=np.float64
    )
    now = float(expected_minutes(probability[None, :], members, minutes)[0])

    candidates = _measured(prepared, case, meter, power_is_on)
    candidates = [c for c in candidates if c.check not in skip]
    questions = [c.question for c in candidates if c.question is not None]
    mean, sd = outlook(prepared.whole, prepared.healthy.background, hypotheses, diagnosis.readings, questions)
    mean, sd = _with_meter(mean, sd, candidates, meter)
    weighed: list[tuple[_Candidate, Worth, list[tuple[int, ...]]]] = []
    for n, candidate in enumerate(candidates):
        good = np.isfinite(mean[:, n])
        if not good.any():
            continue
        centre = float(np.average(mean[good, n], weights=probability[:-1][good] + 1e-12))
        filled = np.where(good, mean[:, n], centre)
        wide = 3.0 * float(sd[:, n].max()) + float(np.ptp(filled))
        check = MeasuredCheck(np.append(filled, centre), np.append(sd[:, n], max(wide, 1e-3)), candidate.minutes)
        weighed.append((candidate, worth_of(check, probability, members, minutes, now=now), members_of))
    for f in involved:
        for candidate, bad in _proofs(prepared, f, members_of, subjects, power_is_on):
            if candidate.check in skip:
                continue
            check_ = ProvingCheck(
                np.append(bad, facts()["next_check"]["proof_wrong"]), candidate.minutes, settles=(column[f],)
            )
            weighed.append((candidate, worth_of(check_, probability, members, minutes, now=now), members_of))
    # of checks that save as much, the one nearest the supply: a tenth of a minute is beneath anybody's notice
    weighed.sort(key=lambda item: -round(item[1].minutes_saved, 1))
    return weighed


def _subject(fault: Fault, subjects: dict[tuple[str, str], Subject]) -> Subject | None:
    found = subjects.get((fault.part, fault.role))
    return found or next((s for (part, _), s in subjects.items() if part == fault.part), None)


def _prove(fault: Fault, subjects: dict[tuple[str, str], Subject]) -> float:
    subject = _subject(fault, subjects)
    return prove_minutes(fault, subject) if subject is not None else action_minutes("lift lead")


def _measured(prepared: Prepared, case: Case, meter: Meter | None, power_is_on: bool) -> list[_Candidate]:
    """Voltages and cold resistances not yet read."""
    card, whole = prepared.card, prepared.whole
    taken = {(q.kind, q.a, q.b) for q in case.readings.questions}
    meter_ohms = meter.ohms if meter is not None else np.inf
    on_meter = f", on the {meter}" if meter is not None else ""
    live = check_minutes("live reading", power=True, power_is_on=power_is_on)
    cold = check_minutes("cold reading", power=False, power_is_on=power_is_on)
    out = []
    for point in points_to_read(prepared.healthy):
        question = whole.question(point, None, "volts dc", meter_ohms, card.reference_point)
        if ("volts dc", question.a, question.b) in taken:
            continue
        out.append(
            _Candidate(
                check=f"Read {point} to {card.reference_point}, direct volts{on_meter}.",
                point=point,
                to=card.reference_point,
                quantity="volts dc",
                power=True,
                minutes=live,
                proposal=Proposal(kind="measure volts", point=point, to=card.reference_point, quantity="volts dc"),
                question=question,
            )
        )
    known = set(whole.ht.points)
    for part in card.parts.values():
        pair = prepared.healthy.networks.terminals.get(part.ref)
        if pair is None or pair[0] == pair[1] or pair[0] not in known or pair[1] not in known:
            continue
        if ("ohms", *pair) in taken or ("ohms", pair[1], pair[0]) in taken:
            continue
        name = f"{part.ref} ({part.role})" if part.role else part.ref
        out.append(
            _Candidate(
                check=f"{_COLD_LOOK}{name}, {pair[0]} to {pair[1]}, in circuit.",
                point=pair[0],
                to=pair[1],
                quantity="ohms",
                power=False,
                minutes=cold,
                proposal=Proposal(
                    kind="measure ohms", point=pair[0], to=pair[1], part=part.ref, role=part.role, quantity="ohms"
                ),
                question=Question("ohms", pair[0], pair[1]),
            )
        )
    return out


def _with_meter(mean: Array, sd: Array, candidates: Sequence[_Candidate], meter: Meter | None) -> tuple[Array, Array]:
    """Add what the meter and the model may be out by."""
    errors = facts()["model_error"]
    out = sd.copy()
    for n, candidate in enumerate(candidates):
        if candidate.quantity == "ohms":
            out[:, n] = np.hypot(sd[:, n], errors["ohms"]["log_sd"])
            continue
        size = np.abs(np.nan_to_num(mean[:, n]))
        typical = float(np.median(size))
        own = reading_sd(Reading(point="HT1", quantity="volts dc", value=round(typical, 3)), meter=meter)
        table = errors["volts"]
        out[:, n] = np.sqrt(sd[:, n] ** 2 + own**2 + (table["fraction"] * size) ** 2 + table["floor_volts"] ** 2)
    return mean, out


def _proofs(
    prepared: Prepared,
    f: int,
    members_of: Sequence[tuple[int, ...]],
    subjects: dict[tuple[str, str], Subject],
    power_is_on: bool,
) -> list[tuple[_Candidate, Array]]:
    """The direct proof of one suspect."""
    table = facts()["next_check"]
    fault = prepared.faults[f]
    subject = _subject(fault, subjects)
    if subject is None:
        return []
    kind, action, sentence = _proof_words(fault, subject)
    same_part = np.array(
        [any(prepared.faults[g].part == fault.part for g in key) if subject.valve else f in key for key in members_of]
    )
    bad = np.where(same_part, table["proof_right"], table["proof_wrong"])
    minutes = prove_minutes(fault, subject)
    minutes += check_minutes(action, power=False, power_is_on=power_is_on) - action_minutes(action)
    proposal = Proposal(
        kind=kind,
        part=fault.part,
        role=fault.role,
        valve=fault.part if subject.valve else None,
        then_power=kind == "swap valve",
    )
    return [
        (
            _Candidate(
                check=sentence,
                point=fault.part,
                to=None,
                quantity="marking" if kind == "read marking" else "proof",
                power=False,
                minutes=minutes,
                proposal=proposal,
                fault=f,
            ),
            bad,
        )
    ]


def _proof_words(fault: Fault, subject: Subject) -> tuple[str, str, str]:
    """(guard's kind of step, action of the minutes table, sentence)."""
    name = f"{fault.part} ({fault.role})" if fault.role else fault.part
    if subject.valve:
        return "swap valve", "swap valve", f"Plug out: fit a known good valve for {name}, then read again."
    if fault.fault in ("wrong value", "misplaced"):
        return (
            "read marking",
            "read marking",
            f"Plug out and discharged: read what {name} is marked, and where it goes.",
        )
    if fault.fault in ("dirty contact", "noisy", "intermittent"):
        return "clean contact", "clean contact", f"Plug out and discharged: clean and work {name}, then listen again."
    if fault.fault == "misaligned":
        return "align", "align", f"Check the alignment of {name} against a generator."
    if subject.quantity == "farads" and fault.fault in ("low capacitance", "open", "missing"):
        return (
            "lift lead",
            "bridge capacitor",
            f"Plug out and discharged: lift one end of {name} and measure its capacitance.",
        )
    if subject.quantity == "ohms" and fault.fault in COLD_PROOF:
        return "measure ohms", "cold reading", f"{_COLD_LOOK}{name}, in circuit: is it open?"
    if subject.quantity == "farads" and fault.fault == "leaky":
        return (
            "lift lead",
            "lift lead",
            f"Plug out and discharged: lift one end of {name} and measure its leakage. Ohms that are low convict it; "
            "ohms that are high, at the few volts of an ohmmeter, do not clear it.",
        )
    if subject.quantity in ("farads", "ohms"):
        return "lift lead", "lift lead", f"Plug out and discharged: lift one end of {name} and measure it alone."
    return "measure ohms", "cold reading", f"Plug out and discharged: examine {name} and measure it cold."


# ---- what the outcomes mean


def _outcomes(
    prepared: Prepared, candidate: _Candidate, worth: Worth, members_of: Sequence[tuple[int, ...]]
) -> tuple[Outcome, ...]:
    """What each outcome would mean, likely ones first; neighbouring outcomes that mean the same are one."""
    involved = sorted({f for key in members_of for f in key})
    if not involved or not worth.outcomes:
        return ()
    table = np.array([[f in key for f in involved] for key in members_of] + [[False] * len(involved)], dtype=float)
    before = sum(weight * after for _, weight, after in worth.outcomes) @ table
    groups: list[tuple[tuple[str, int], list[float], float, Array]] = []
    for value, weight, after in sorted(worth.outcomes, key=lambda item: item[0]):
        told = _told(before, after @ table) if candidate.fault is None else ("proof", involved.index(candidate.fault))
        if groups and groups[-1][0] == told and candidate.fault is None:
            _, values, total, mixed = groups[-1]
            groups[-1] = (told, [*values, value], total + weight, mixed + weight * after)
        else:
            groups.append((told, [value], weight, weight * after))
    out = []
    for (word, column), values, weight, mixed in groups:
        if weight < facts()["next_check"]["least_outcome"]:
            continue
        marginal = (mixed / weight) @ table
        named = prepared.faults[involved[column]]
        out.append(
            Outcome(
                reads=_reads(candidate, values),
                probability=min(weight, 1.0),
                means=_means(word, prepared, involved, column, marginal, proved=values[0] > 0.5),
                suspect=f"{named.part} {named.fault}",
                suspect_probability=float(marginal[column]),
            )
        )
    return tuple(sorted(out, key=lambda o: -o.probability))[:4]


def _told(before: Array, after: Array) -> tuple[str, int]:
    """What an outcome says first: whom it blames, or whom it clears, by the largest move of any suspect."""
    gain = after - before
    enough = facts()["next_check"]["telling_change"]
    if gain.max() >= enough:
        return "blames", int(np.argmax(gain))
    if gain.min() <= -enough:
        return "clears", int(np.argmin(gain))
    return "little", int(np.argmax(after))


def _means(
    word: str, prepared: Prepared, involved: Sequence[int], column: int, marginal: Array, *, proved: bool
) -> str:
    def said(n: int) -> str:
        fault = prepared.faults[involved[n]]
        role = f" ({fault.role})" if fault.role else ""
        return f"{'likely' if marginal[n] > 0.5 else 'perhaps'} {fault.part}{role} {fault.fault}"

    fault = prepared.faults[involved[column]]
    lead = int(np.argmax(marginal))
    if word == "proof" and proved:
        return f"it is {said(column).partition(' ')[2]}: put that right, then read again"
    if word == "blames":
        return said(column)
    if word == "little":
        return f"changes little: still {said(column)}"
    cleared = f"probably not {fault.part} {fault.fault}" if marginal[column] < 0.5 else "unexpected: try it again"
    return cleared if lead == column else f"{cleared}; {said(lead)}"


def _reads(candidate: _Candidate, values: Sequence[float]) -> str:
    low, high = min(values), max(values)
    if candidate.quantity == "volts dc":
        if high - low < max(0.04 * abs(high), 0.3):
            return f"about {_volts(0.5 * (low + high))}"
        return f"{_volts(low).removesuffix(' V')} to {_volts(high)}"
    if candidate.quantity == "ohms":
        a, b = float(to_ohms(max(low, 0.0))), float(to_ohms(max(high, 0.0)))
        if to_compared(b) - to_compared(a) < 0.3:
            middle = _ohms(float(to_ohms(0.5 * (max(low, 0.0) + max(high, 0.0)))))
            return middle if middle in ("open", "short") else f"about {middle}"
        first, last = _ohms(a), _ohms(b)
        if first == last:
            return first
        number, _, unit = first.partition(" ")
        return f"{number} to {last}" if unit and last.endswith(f" {unit}") else f"{first} to {last}"
    if candidate.proposal.kind == "measure ohms" and candidate.check.startswith(_COLD_LOOK):
        return "open, or far too high" if values[0] > 0.5 else "near its value"
    return "bad" if values[0] > 0.5 else "good"


def _rounded(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}")


def _volts(value: float) -> str:
    return format_volts(_rounded(value, 3) if abs(value) >= 1.0 else round(value, 1) + 0.0)


def _ohms(value: float) -> str:
    if not np.isfinite(value):
        return "open"
    return "short" if value < 1.0 else format_ohms(_rounded(value, 2))


def with_cold_checks_done(context: GuardContext) -> GuardContext:
    """The context in which every demanded cold check has been passed (for simulations; never for a real set)."""
    done = tuple(replace(result, status="passed") for result in context.cold_checks)
    return replace(context, cold_checks=done)
