"""How often a part of an old set is a cause of the complaint, by kind, place, year and what is known of it.

The figures are in ``trade/faults.toml``: experience and judgement, not statistics. A rate is a probability that
this part has this fault as a cause of what the owner complains of; drift and leakage that every old part has are
not faults but ageing (:mod:`hetwright.faults.ageing`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from functools import cache
from typing import Any, Literal

from hetwright.card.model import Part, SetCard, Stage, State
from hetwright.errors import Complaint, InputFault
from hetwright.trade_data import load_trade, sources_of

__all__ = [
    "Grid",
    "PartClass",
    "RateTable",
    "Subject",
    "default_rates",
    "rate_of",
    "scaled",
    "subject_of_part",
    "subjects_of",
]

Scale = float | Mapping[tuple[str, str], float] | Callable[[str, str], float]

# Roles of the diodes inside a detector's valve.
DETECTOR_DIODES = ("detector.diode", "detector.avc_diode")
# Of the stages one valve serves, the one whose name its whole-valve faults carry.
STAGE_ORDER = (
    "output",
    "output_a",
    "output_b",
    "frequency_changer",
    "audio",
    "if_amp",
    "if_amp_2",
    "rf_amp",
    "reaction_detector",
    "fm_tuner",
    "indicator",
    "detector",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PartClass:
    """A class of part: its name in the rate tables and the family whose changes its faults make."""

    name: str
    family: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Severity cells of a fault: the number at the middle of each and its share."""

    numbers: tuple[float, ...]
    weights: tuple[float, ...]
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What a fault is a fault of: a part of the card, a valve in one stage, or a role every set has.

    ``part`` is its name in slots; ``also`` the other roles it plays; ``section`` the valve section its stage
    uses; ``known`` what the card already tells ("measured", "marked", "fitted", "differs from the drawing",
    "not on the drawing"); ``listed`` is False for a role the card has no part for.
    """

    part: str
    role: str
    kind: str = ""
    quantity: Literal["ohms", "farads", "henries", "none"] = "none"
    si: float | None = None
    year: int | None = None
    section: str | None = None
    also: tuple[str, ...] = ()
    known: frozenset[str] = field(default_factory=frozenset)
    valve: bool = False
    listed: bool = True


def _fits(record: Mapping[str, Any], subject: Subject) -> bool:
    roles = record.get("roles")
    if roles is not None and not any(fnmatchcase(subject.role, pattern) for pattern in roles):
        return False
    quantity = record.get("quantity")
    if quantity is not None and subject.quantity != quantity:
        return False
    kinds = record.get("kinds")
    if kinds is not None and subject.kind.casefold() not in kinds:
        return False
    if "least" in record and (subject.si is None or subject.si < record["least"]):
        return False
    return not ("most" in record and (subject.si is None or subject.si > record["most"]))


@dataclass(frozen=True)
class RateTable:
    """The rates of ``faults.toml``, as they stand or scaled.

    ``scale`` multiplies rates: one number, or a number for each (class, fault), or a function of them.
    """

    document: Mapping[str, Any]
    scale: Scale = 1.0

    def class_of(self, subject: Subject) -> PartClass:
        """The first class of the table that fits."""
        for record in self.document["class"]:
            if _fits(record, subject):
                return PartClass(name=record["name"], family=record["family"])
        raise InputFault(
            Complaint(
                wrong=f"no class of part fits {subject.part} ({subject.role})",
                right="the last class of faults.toml must fit everything",
            )
        )

    def words_of(self, class_name: str, subject: Subject) -> tuple[str, ...]:
        """The fault words of a class of part, and those the card itself suggests for this one."""
        words = list(self.document["rates"][class_name])
        for known in self.document["known"]:
            if "rate" in known and known["basis"] in subject.known:
                words += [word for word in known["faults"] if word not in words]
        return tuple(words)

    def grid_of(self, class_name: str, fault: str) -> Grid | None:
        """The severity cells of a fault; None where it has only one severity."""
        name = self.document["rates"][class_name].get(fault, {}).get("grid")
        return None if name is None else self.grid_named(name)

    def grid_named(self, name: str) -> Grid:
        """A grid of severities by its own name."""
        record = self.document["grid"][name]
        total = sum(record["weights"])
        return Grid(
            numbers=tuple(record["numbers"]),
            weights=tuple(weight / total for weight in record["weights"]),
            unit=record["unit"],
        )

    def number(self, name: str) -> float:
        """A plain number of the table."""
        return float(self.document["numbers"][name])

    def is_safety(self, subject: Subject, fault: str) -> bool:
        """Whether this fault of this part can hurt."""
        return any(
            subject.role in record["roles"] and ("faults" not in record or fault in record["faults"])
            for record in self.document["safety"]
        )

    def rate_of(self, subject: Subject, fault: str, *, year: int | None = None) -> float:
        """Probability that ``subject`` has ``fault`` as a cause of the complaint.

        Parameters
        ----------
        subject : Subject
        fault : str
            A fault word of the class of ``subject``.
        year : int, optional
            Year of the set, where the part has none of its own.

        Returns
        -------
        rate : float in [0, 0.9]
            Zero for a fault its class cannot have.
        """
        name = self.class_of(subject).name
        record = self.document["rates"][name].get(fault)
        if record is None:
            rate = 0.0
        else:
            rate = float(record["rate"]) * self._place(name, subject, fault) * self._era(name, subject, fault, year)
        for known in self.document["known"]:
            if known["basis"] in subject.known and fault in known["faults"]:
                rate = float(known["rate"]) if "rate" in known else rate * known["times"]
        return min(rate * self._scale(name, fault), 0.9)

    def source_of(self, class_name: str, fault: str) -> str:
        """Where the rate comes from, in words."""
        record = self.document["rates"][class_name][fault]
        source = sources_of(dict(self.document))[record["source"]]
        return f"{source['title']} ({source['evidence']})"

    def scaled(self, factor: Scale) -> RateTable:
        """The same table with every rate multiplied, on top of any scale it has."""
        if isinstance(self.scale, float) and isinstance(factor, int | float):
            return replace(self, scale=self.scale * float(factor))
        before = self

        def both(name: str, fault: str) -> float:
            return before._scale(name, fault) * _scale_of(factor, name, fault)

        return replace(self, scale=both)

    def _scale(self, name: str, fault: str) -> float:
        return _scale_of(self.scale, name, fault)

    def _place(self, name: str, subject: Subject, fault: str) -> float:
        times = 1.0
        for record in self.document["position"]:
            if (
                fnmatchcase(subject.role, record["role"])
                and fnmatchcase(name, record.get("class", "*"))
                and record.get("fault", fault) == fault
            ):
                times *= record["times"]
        return times

    def _era(self, name: str, subject: Subject, fault: str, year: int | None) -> float:
        made = subject.year or year or int(self.number("assumed_year"))
        times = 1.0
        for record in self.document["era"]:
            if (
                record["class"] == name
                and record.get("fault", fault) == fault
                and record.get("from", made) <= made <= record.get("until", made)
            ):
                times *= record["times"]
        return times


def _scale_of(scale: Scale, name: str, fault: str) -> float:
    if isinstance(scale, Mapping):
        return float(scale.get((name, fault), 1.0))
    if callable(scale):
        return float(scale(name, fault))
    return float(scale)


@cache
def default_rates() -> RateTable:
    """The rates as they stand in ``trade/faults.toml``."""
    return RateTable(load_trade("faults.toml"))


def scaled(factor: Scale) -> RateTable:
    """The rates multiplied: by one number, by a number for each (class, fault), or by a function of them.

    Examples
    --------
    >>> subject = Subject(part="C9", role="output.coupling_capacitor", kind="waxed paper", quantity="farads", si=1e-8)
    >>> round(scaled(3.0).rate_of(subject, "leaky") / default_rates().rate_of(subject, "leaky"), 6)
    3.0
    """
    return default_rates().scaled(factor)


def rate_of(part: Part | Subject, fault: str, card: SetCard) -> float:
    """Probability that this part of this set has this fault as a cause of the complaint."""
    subject = part if isinstance(part, Subject) else subject_of_part(part)
    return default_rates().rate_of(subject, fault, year=card.year)


def _known_of(part: Part, state: State) -> frozenset[str]:
    known: set[str] = set()
    if state == "now" and part.fitted is not None:
        known.add("fitted")
    elif state != "drawn":
        if part.measured is not None:
            known.add("measured")
        if part.marked is not None:
            known.add("marked")
        found = part.measured or part.marked
        if part.drawn is not None and found is not None and part.drawn.si > 0.0 and found.si > 0.0:
            limit = float(load_trade("faults.toml")["numbers_known"]["differs_by_factor"])
            ratio = found.si / part.drawn.si
            # a measured departure is the part's own drift unless the marking differs too
            if (part.marked is not None or part.measured is None) and max(ratio, 1.0 / ratio) >= limit:
                known.add("differs from the drawing")
        if part.extra:
            known.add("not on the drawing")
    return frozenset(known)


def subject_of_part(part: Part, state: State = "now") -> Subject:
    """A part of the card as a subject of faults."""
    value = part.value(state)
    kind = part.kind
    if state == "now" and part.fitted is not None:
        kind = part.fitted_kind or "film"
    return Subject(
        part=part.ref,
        role=part.role or "",
        kind=kind.casefold(),
        quantity=part.quantity,
        si=None if value is None else value.si,
        year=part.year,
        known=_known_of(part, state),
    )


def _rank(stage: Stage) -> int:
    return STAGE_ORDER.index(stage.name) if stage.name in STAGE_ORDER else len(STAGE_ORDER)


def _valve_subjects(card: SetCard) -> Iterator[Subject]:
    for ref, valve in card.valves.items():
        if card.supply.valve == ref:
            yield Subject(part=ref, role="supply.rectifier", kind="valve", valve=True, year=None)
            continue
        stages = sorted((stage for stage in card.stages if stage.valve == ref), key=_rank)
        roles = tuple(dict.fromkeys(f"{stage.name}.valve" for stage in stages))
        listed = {part.role for part in card.parts.values()}
        if "detector.valve" in roles:
            roles += tuple(role for role in DETECTOR_DIODES if role not in listed)
        if not stages:
            yield Subject(part=ref, role="", kind=valve.kind or "", valve=True)
        for stage in stages:
            role = f"{stage.name}.valve"
            yield Subject(
                part=ref,
                role=role,
                kind=valve.kind or "",
                section=stage.section,
                also=tuple(other for other in roles if other != role),
                valve=True,
            )


def _placeless(card: SetCard, taken: set[str]) -> Iterator[Subject]:
    stages = {stage.name for stage in card.stages}
    rectifier = card.supply.rectifier.casefold()
    transformer = "transformer" in card.construction.casefold() and "less" not in card.construction.casefold()
    conditions = {
        None: True,
        "mains": rectifier != "battery",
        "mains transformer": transformer and rectifier != "battery",
        "series heaters": card.supply.heaters == "series",
        "frequency changer": "frequency_changer" in stages,
        "rectifier": rectifier not in ("", "none", "battery"),
    }
    for record in load_trade("faults.toml")["placeless"]:
        if not conditions[record.get("when")]:
            continue
        for role in record["roles"]:
            if role in taken:
                continue
            taken.add(role)
            kind = rectifier.split(",")[-1].strip() if role == "supply.rectifier" else ""
            yield Subject(part=role, role=role, kind=kind, listed=False)


def subjects_of(card: SetCard, state: State = "now") -> tuple[Subject, ...]:
    """Everything of a set that can fail: parts, valves (once for each stage they serve), and what every set has.

    A valve that serves several stages comes first in the stage whose name its whole-valve faults carry.
    """
    parts = [subject_of_part(part, state) for part in card.parts.values()]
    valves = list(_valve_subjects(card))
    taken = {subject.role for subject in parts + valves}
    return (*parts, *valves, *_placeless(card, taken))
