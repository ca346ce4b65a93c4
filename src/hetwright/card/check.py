"""What ``card check`` says of a card: every fault with its line, and every part and point as they were understood."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

from hetwright.card.model import Part, SetCard, State, Value
from hetwright.card.reading import read_card, text_of_file
from hetwright.card.soundness import valve_points
from hetwright.errors import Complaint, InputFault

__all__ = ["SCHEMA", "CardCheck", "check_card", "check_text"]

SCHEMA = "hetwright/card-check/1"
_STATES: tuple[State, ...] = ("drawn", "found", "now")


@dataclass(frozen=True, kw_only=True)
class CardCheck:
    """The outcome of a check. ``card`` is ``None`` when there are faults."""

    faults: tuple[Complaint, ...]
    card: SetCard | None

    @property
    def good(self) -> bool:
        """Whether the card can be used."""
        return not self.faults

    def points(self) -> dict[str, tuple[str, ...]]:
        """Every point that something joins, with the references and valves that join it, in order of the parts."""
        if self.card is None:
            return {}
        found: dict[str, list[str]] = {}
        for ref, ends in valve_points(self.card).items():
            for point in sorted(ends):
                found.setdefault(point, []).append(ref)
        for part in self.card.parts.values():
            for point in (part.from_point, part.to_point):
                joins = found.setdefault(point, [])
                if part.ref not in joins:
                    joins.append(part.ref)
        return {point: tuple(joins) for point, joins in found.items()}

    def as_json(self) -> dict[str, Any]:
        """A document for ``--json``: plain values, SI units."""
        card = self.card
        return {
            "schema": SCHEMA,
            "faults": [
                {"file": one.file, "line": one.line, "wrong": one.wrong, "right": one.right} for one in self.faults
            ],
            "questions": list(card.questions) if card is not None else [],
            "assumptions": list(card.assumptions) if card is not None else [],
            "points": [{"point": point, "joins": list(joins)} for point, joins in self.points().items()],
            "parts": [_part(part) for part in card.parts.values()] if card is not None else [],
        }


def check_card(path: str | FilePath) -> CardCheck:
    """Check a card file; a fault of any kind, the file's own included, is in the result and never raised."""
    try:
        return check_text(text_of_file(path), str(path))
    except InputFault as fault:
        return CardCheck(faults=fault.complaints, card=None)


def check_text(text: str, file: str = "card") -> CardCheck:
    """Check the text of a card.

    Examples
    --------
    >>> check_text('[valves]\\nV1 = "ECL82"\\n[parts]\\nR1 = { drwn = "1k" }\\n').as_json()["faults"][0]["right"]
    'perhaps drawn'
    """
    try:
        return CardCheck(faults=(), card=read_card(text, file))
    except InputFault as fault:
        return CardCheck(faults=fault.complaints, card=None)


def _part(part: Part) -> dict[str, Any]:
    stated = {key: _value(getattr(part, key)) for key in ("usual", "drawn", "marked", "measured", "fitted")}
    return {
        "part": part.ref,
        "identity": part.identity,
        "role": part.role,
        "kind": part.kind,
        "fitted_kind": part.fitted_kind,
        "unit": part.quantity,
        "from": part.from_point,
        "to": part.to_point,
        "extra": part.extra,
        **stated,
        "in_force": {state: _value(part.value(state)) for state in _STATES},
        "note": part.note,
        "line": part.line,
    }


def _value(value: Value | None) -> dict[str, Any] | None:
    if value is None:
        return None
    return {"si": value.si, "basis": value.basis, "spread_log_sd": value.spread_log_sd, "written": value.written}
