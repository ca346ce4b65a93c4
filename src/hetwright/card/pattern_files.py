"""The stage patterns as data: ``trade/stages/*.toml``, whose grammar is in ``docs/stage-patterns.md``."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

from hetwright.card.usual_values import STAGES_DIRECTORY
from hetwright.errors import Complaint, InputFault

__all__ = [
    "Forms",
    "Join",
    "PartPattern",
    "Pattern",
    "WindingPattern",
    "base_stage",
    "holds",
    "pattern_for",
    "pattern_named",
    "patterns",
    "roles_of_patterns",
]

#: Words under options, such as {"bias": "cathode"}.
Forms = Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Join:
    """Two point words that are one point, in the forms named."""

    a: str
    b: str
    when: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingPattern:
    """One winding of a transformer or coil, or one section of a gang. ``usual`` ``None``: as the part itself."""

    name: str
    from_word: str
    to_word: str
    usual: Any = None
    henries: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPattern:
    """A part by role.

    ``usual`` is a number, a rule or a list of choices; two true values in three lie within ``factor`` of it.
    """

    role: str
    stage: str | None
    kind: str
    quantity: Literal["ohms", "farads", "henries", "none"]
    from_word: str
    to_word: str
    usual: Any
    factor: float
    when: Mapping[str, Any]
    windings: tuple[WindingPattern, ...] = ()
    slider: str | None = None
    figures: Mapping[str, float] = field(default_factory=dict)
    figure_ohms: Any = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """A stage pattern. ``shapes``: of the valve section that works it; ``links``: what other stages join to."""

    name: str
    stage: str
    shapes: tuple[str, ...]
    links: Mapping[str, str]
    joins: tuple[Join, ...]
    parts: tuple[PartPattern, ...]
    source: str
    from_memory: bool


_PART_KEYS = frozenset(
    {
        *("role", "stage", "kind", "quantity", "from", "to", "when", "factor", "ohms", "farads", "henries"),
        *("contact_ohms", "figure_ohms", "winding", "slider", "figures", "note"),
    }
)


def _part(record: Mapping[str, Any], file: str) -> PartPattern:
    unknown = set(record) - _PART_KEYS
    if unknown:
        raise InputFault(
            Complaint(
                file=file,
                wrong=f"part {record.get('role')} has the unknown keys {', '.join(sorted(unknown))}",
                right="see docs/stage-patterns.md",
            )
        )
    quantity: Literal["ohms", "farads", "henries", "none"] = "none"
    usual: Any = None
    for word in ("ohms", "farads", "henries"):
        if word in record:
            quantity, usual = word, record[word]
    figures = dict(record.get("figures", {}))
    if "contact_ohms" in record:
        figures["ohms"] = float(record["contact_ohms"])
    return PartPattern(
        role=record["role"],
        stage=record.get("stage"),
        kind=record["kind"],
        quantity=quantity,
        from_word=record["from"],
        to_word=record["to"],
        usual=usual,
        factor=float(record.get("factor", 1.2)),
        when=record.get("when", {}),
        windings=tuple(
            WindingPattern(
                name=winding["name"],
                from_word=winding["from"],
                to_word=winding["to"],
                usual=winding.get("ohms"),
                henries=float(winding.get("henries", 0.0)),
            )
            for winding in record.get("winding", ())
        ),
        slider=record.get("slider"),
        figures=figures,
        figure_ohms=record.get("figure_ohms"),
        note=record.get("note", ""),
    )


@lru_cache(maxsize=1)
def patterns() -> tuple[Pattern, ...]:
    """Every stage pattern.

    Raises
    ------
    InputFault
        A pattern file without source or with an unknown key.
    """
    found = []
    fragments: dict[str, Mapping[str, Any]] = {}
    records = []
    for file in sorted(STAGES_DIRECTORY.glob("*.toml")):
        record = tomllib.loads(file.read_text(encoding="utf-8"))
        if "fragment" in record:
            fragments[record["fragment"]] = {"file": file.name, **record}
        if "pattern" in record:
            records.append((file, record))
    for file, record in records:
        if not record.get("source") or "from_memory" not in record:
            raise InputFault(
                Complaint(file=file.name, wrong="the pattern names no source", right="say where it comes from")
            )
        taken = [fragments[name] for name in record.get("use", ())]
        found.append(
            Pattern(
                name=record["pattern"],
                stage=record["stage"],
                shapes=tuple(record["shapes"]),
                links=record.get("links", {}),
                joins=tuple(
                    Join(a=join["a"], b=join["b"], when=join.get("when", {}))
                    for source in (record, *taken)
                    for join in source.get("join", ())
                ),
                parts=tuple(
                    _part(part, source.get("file", file.name))
                    for source in (*taken, record)
                    for part in source.get("part", ())
                ),
                source=record["source"],
                from_memory=record["from_memory"],
            )
        )
    return tuple(found)


def base_stage(stage: str) -> str:
    """The stage whose patterns and part words a repeat takes.

    >>> base_stage("if_amp_2"), base_stage("output_b"), base_stage("audio")
    ('if_amp', 'output', 'audio')
    """
    return re.sub(r"_(\d+|a|b)$", "", stage)


def pattern_named(name: str) -> Pattern:
    """The pattern of that name.

    Raises
    ------
    InputFault
        There is none.
    """
    for pattern in patterns():
        if pattern.name == name:
            return pattern
    raise InputFault(
        Complaint(
            wrong=f"no stage pattern is called {name!r}",
            right="patterns are " + ", ".join(pattern.name for pattern in patterns()),
        )
    )


def pattern_for(stage: str, shape: str) -> Pattern:
    """The pattern of a stage worked by a section of that shape.

    A frequency changer that is a triode is an FM tuner.

    Raises
    ------
    InputFault
        No pattern of that stage takes the shape.
    """
    base = base_stage(stage)
    if base == "frequency_changer" and shape == "triode":
        base = "fm_tuner"
    fitting = [pattern for pattern in patterns() if pattern.stage == base and shape in pattern.shapes]
    if not fitting:
        raise InputFault(
            Complaint(
                wrong=f"no pattern of stage {stage} is worked by a {shape}",
                right="its patterns take " + ", ".join(s for p in patterns() if p.stage == base for s in p.shapes),
            )
        )
    return fitting[0]


def roles_of_patterns() -> frozenset[str]:
    """Every role that some pattern has, stages of their own name."""
    return frozenset(f"{part.stage or pattern.stage}.{part.role}" for pattern in patterns() for part in pattern.parts)


def holds(when: Mapping[str, Any], forms: Forms) -> bool:
    """Whether every condition of ``when`` holds; a list means any of its words."""
    for key, wanted in when.items():
        words = wanted if isinstance(wanted, list) else [wanted]
        if forms.get(key) not in words:
            return False
    return True
