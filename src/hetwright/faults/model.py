"""What can be wrong with a part, and what the solver must change to show it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

__all__ = ["Change", "Fault", "Severity"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A change to one slot: ``set`` it to a number, ``times`` its background value by a number."""

    part: str
    what: str
    how: Literal["set", "times"]
    number: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Severity:
    """One cell of a fault's severity: the changes at its middle and how wide the cell is.

    ``weight``: share of the fault's probability in this cell (the cells of a fault sum to one).
    ``log_sd``: how far the true severity may lie from the middle, standard deviation of the natural
    logarithm of the first changed slot; inference finds the likeliest severity within it.
    ``where``: which of the part's windings, halves or pairs of points, where it has several.
    """

    changes: tuple[Change, ...]
    weight: float
    log_sd: float
    estimate: float | None = None
    unit: str = ""
    where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One way one part can fail.

    ``rate``: probability that this part has this fault in a set of this age brought for repair (prior, see
    ``trade/faults.toml``). ``shows``: plain observations it causes by itself, whatever the solved voltages say
    (word -> probability), such as a dirty contact's crackle. ``also``: other roles the same part plays (one valve
    may serve three stages); a cause named by any of them is this fault.
    """

    part: str
    role: str
    fault: str
    rate: float
    severities: tuple[Severity, ...]
    shows: dict[str, float] = field(default_factory=dict)
    safety: bool = False
    also: tuple[str, ...] = ()
