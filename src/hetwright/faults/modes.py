"""What can be wrong with a set: every fault of every part, with its severities as changes of slots.

Faults come from the classes of part in ``trade/faults.toml``, for every part, valve and role of the card. Where the
networks offer no slot or port for a fault it is still listed, with what it shows by itself.

A fault that stops heaters or mains changes the emission of every valve it leaves cold as well: the HT network
does not know the heater circuit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from functools import cache
from typing import Any

from hetwright.card.model import SetCard, State
from hetwright.trade_data import load_trade

from .model import Fault, Severity
from .offered import Networks, Offered
from .rates import RateTable, Subject, default_rates, subjects_of
from .severities import BUILDERS, Case, names_section

__all__ = ["faults_of", "shown_by"]

# Faults of a whole valve: listed once however many stages it serves.
WHOLE_VALVE = frozenset({"heater open", "missing", "misplaced", "intermittent", "noisy"})
HEATER_ROLE = "heaters.valve"


@cache
def _shows_table() -> tuple[dict[str, Any], ...]:
    return tuple(load_trade("observations.toml")["shows"])


def shown_by(subject: Subject, class_name: str, fault: str) -> dict[str, float]:
    """Plain observations a fault causes by itself, word -> probability; the first row that fits is taken."""
    for record in _shows_table():
        if (
            fault in record["faults"]
            and fnmatchcase(subject.role, record.get("role", "*"))
            and fnmatchcase(class_name, record.get("class", "*"))
        ):
            return dict(record["words"])
    return {}


def _normal(severities: Sequence[Severity]) -> tuple[Severity, ...]:
    if not severities:
        # nothing the networks can show: the readings are those of a set without it
        return (Severity(changes=(), weight=1.0, log_sd=0.0),)
    total = sum(severity.weight for severity in severities)
    return tuple(replace(severity, weight=severity.weight / total) for severity in severities)


def _listed_here(offered: Offered, subject: Subject, stages: Sequence[Subject], fault: str) -> bool:
    """Whether a valve's fault is listed under this stage: once for each cathode, or once for the whole valve."""
    if subject is stages[0]:
        return True
    if fault in WHOLE_VALVE:
        return False
    sections = offered.sections.get(subject.part, [])

    def cathodes(stage: Subject) -> set[str]:
        named = {s.cathode for s in sections if names_section(s, stage.section)}
        return named or {s.cathode for s in sections}

    earlier = set().union(*(cathodes(stage) for stage in stages[: stages.index(subject)]))
    return not cathodes(subject) <= earlier


def faults_of(
    card: SetCard,
    networks: Networks,
    *,
    state: State = "now",
    rates: RateTable | None = None,
) -> tuple[Fault, ...]:
    """Every fault of every part of a set.

    Parameters
    ----------
    card : SetCard
    networks : CardNetworks
        Of the same card and state. A fault is electrical as far as they have slots for it.
    state : "drawn", "found" or "now"
        Which values the card's parts have, and so what it already tells of them.
    rates : RateTable, optional
        Other rates than those of ``trade/faults.toml``.

    Returns
    -------
    faults : tuple of Fault
        In the order of the card: parts, valves, what every set has. The severities of each sum to one; a fault
        the networks cannot show has one severity without changes.
    """
    table = rates or default_rates()
    offered = Offered(networks, table)
    subjects = subjects_of(card, state)
    faults: list[Fault] = []
    for subject in subjects:
        kind = table.class_of(subject)
        stages = [s for s in subjects if s.valve and s.part == subject.part]
        for fault in table.words_of(kind.name, subject):
            if subject.valve and not _listed_here(offered, subject, stages, fault):
                continue
            rate = table.rate_of(subject, fault, year=card.year)
            if not rate > 0.0:
                continue
            already_in_place = fault == "wrong value" and "differs from the drawing" in subject.known
            case = Case(subject, kind, fault, table.grid_of(kind.name, fault), offered)
            severities = [] if already_in_place else BUILDERS[kind.family](case)
            faults.append(
                Fault(
                    part=subject.part,
                    role=subject.role,
                    fault=fault,
                    rate=rate,
                    severities=_normal([replace(s, changes=offered.in_both_circuits(s.changes)) for s in severities]),
                    shows=shown_by(subject, kind.name, fault),
                    safety=table.is_safety(subject, fault),
                    also=(*subject.also, HEATER_ROLE) if subject.valve and fault == "heater open" else subject.also,
                )
            )
    return tuple(faults)
