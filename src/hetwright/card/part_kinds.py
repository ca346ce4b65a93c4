"""Kinds of part: what is counted of each, its tolerance when new, and what no such part can be.

Facts are in ``trade/part_kinds.toml``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from hetwright.trade_data import load_trade

__all__ = [
    "PartKind",
    "Quantity",
    "kind_by_letter",
    "kind_by_value",
    "kinds",
    "limits_of",
    "measured_log_sd",
    "part_kind",
]

Quantity = Literal["ohms", "farads", "henries", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PartKind:
    """A kind of part. ``low`` and ``high`` are SI; ``tolerances`` rows of (until year, below, above) fractions."""

    kind: str
    quantity: Quantity
    low: float
    high: float
    tolerances: tuple[tuple[int | None, float, float], ...]

    def log_sd(self, year: int | None) -> float:
        """Standard deviation of the logarithm of true over marked value of a new part.

        The two limits are taken as two standard deviations either side.

        Parameters
        ----------
        year : int or None
            Year the part was made; ``None`` takes the oldest row.

        Examples
        --------
        >>> round(part_kind("carbon").log_sd(1938), 3), round(part_kind("electrolytic").log_sd(None), 3)
        (0.101, 0.229)
        """
        for until, below, above in self.tolerances:
            if until is None or year is None or year <= until:
                return limits_log_sd(below, above)
        return 0.0


def limits_log_sd(below: float, above: float) -> float:
    """Log standard deviation of a tolerance ``-below`` to ``+above`` (fractions), taken as two either side."""
    return (math.log1p(above) - math.log1p(-below)) / 4.0


@cache
def kinds() -> Mapping[str, PartKind]:
    """Every kind by its own name."""
    found = {}
    for record in load_trade("part_kinds.toml")["kind"]:
        found[record["kind"]] = PartKind(
            kind=record["kind"],
            quantity=record["quantity"],
            low=record.get("low", 0.0),
            high=record.get("high", math.inf),
            tolerances=tuple((row.get("until"), row["below"], row["above"]) for row in record.get("tolerance", ())),
        )
    return found


@cache
def _spellings() -> dict[str, str]:
    return {
        spelling.lower(): record["kind"]
        for record in load_trade("part_kinds.toml")["kind"]
        for spelling in (record["kind"], *record["also"])
    }


def part_kind(written: str) -> PartKind | None:
    """The kind meant by a word, in any case and by any of its other names; ``None`` when there is none.

    Examples
    --------
    >>> part_kind("Potentiometer").kind, part_kind("cheese")
    ('control', None)
    """
    name = _spellings().get(" ".join(written.lower().replace("_", " ").split()))
    return None if name is None else kinds()[name]


def kind_words() -> tuple[str, ...]:
    """Every word that :func:`part_kind` knows."""
    return tuple(_spellings())


def kind_by_letter(ref: str) -> tuple[Quantity, str] | None:
    """Quantity and usual kind told by the letters a reference starts with; kind "" where the value decides.

    Examples
    --------
    >>> kind_by_letter("R31"), kind_by_letter("C9"), kind_by_letter("X1")
    (('ohms', 'carbon'), ('farads', ''), None)
    """
    letters = ref[: next((at for at, sign in enumerate(ref) if not sign.isalpha()), len(ref))].upper()
    for record in load_trade("part_kinds.toml")["letter"]:
        if record["letter"] == letters:
            return record["quantity"], record["kind"]
    return None


def kind_by_value(farads: float) -> str:
    """Kind an old capacitor of this value usually is.

    Examples
    --------
    >>> kind_by_value(100e-12), kind_by_value(0.1e-6), kind_by_value(16e-6)
    ('mica', 'waxed paper', 'electrolytic')
    """
    rows: list[dict[str, Any]] = load_trade("part_kinds.toml")["capacitor_by_value"]
    return next((str(row["kind"]) for row in rows if farads < row["below"]), str(rows[-1]["kind"]))


def measured_log_sd(quantity: Quantity) -> float:
    """Log standard deviation of a value the restorer measured with one lead lifted."""
    return float(load_trade("part_kinds.toml")["measured"].get(quantity, 0.0))


def limits_of(quantity: Quantity) -> tuple[float, float]:
    """Least and greatest value any part of a domestic receiver has, SI."""
    record = load_trade("part_kinds.toml")["any"]
    return float(record[f"{quantity}_low"]), float(record[f"{quantity}_high"])
