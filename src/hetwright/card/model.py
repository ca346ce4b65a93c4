"""The set card: what a set is, as drawn, as found, as it stands now.

Plain value objects; reading and writing TOML is in :mod:`hetwright.card.reading` and ``writing``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

__all__ = [
    "Basis",
    "Part",
    "ServiceSheetRow",
    "SetCard",
    "Stage",
    "State",
    "SupplyCard",
    "Value",
    "ValveInPlace",
]

State = Literal["drawn", "found", "now"]
Basis = Literal["measured", "marked", "service sheet", "stated", "usual"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """A value in SI units with where it came from and how far it may be out.

    ``spread_log_sd`` is the standard deviation of the natural logarithm of true over stated value for a part
    that has not aged: from the tolerance for a marked value, from the pattern for a usual one.
    """

    si: float
    basis: Basis
    spread_log_sd: float
    written: str = ""
    line: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part. ``identity`` is permanent; ``ref`` (R12) and ``role`` (output.cathode_resistor) are names.

    ``from_point``/``to_point`` are the points it joins. ``kind`` is the trade's word ("carbon", "waxed paper",
    "electrolytic", "mica", "ceramic", "film", "wirewound", "winding", "control", "switch", "lamp", ...).
    ``quantity`` is "ohms", "farads", "henries" or "none".
    """

    identity: str
    ref: str
    role: str | None
    kind: str
    quantity: Literal["ohms", "farads", "henries", "none"]
    from_point: str
    to_point: str
    usual: Value | None = None
    drawn: Value | None = None
    marked: Value | None = None
    measured: Value | None = None
    fitted: Value | None = None
    fitted_kind: str | None = None
    year: int | None = None
    extra: bool = False
    note: str = ""
    line: int | None = None
    figures: dict[str, float] = field(default_factory=dict)

    def value(self, state: State) -> Value | None:
        """The value in force: drawn takes drawn; found takes measured, marked, drawn; now takes fitted, found.

        Where nothing is stated, the usual value. ``None`` for a part with no value.
        """
        found = self.measured or self.marked or self.drawn or self.usual
        if state == "drawn":
            return self.drawn or self.usual
        if state == "found":
            return found
        return self.fitted or found


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveInPlace:
    """An individual valve in its holder. ``type`` as written; ``like`` or ``kind`` stand in for an unlisted type.

    ``assumed`` marks a valve that is not on the card but put in to complete a partial line-up.
    """

    identity: str
    ref: str
    type: str
    like: str | None = None
    kind: str | None = None
    assumed: bool = False
    note: str = ""
    line: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A stage: its name (``output``, ``if_amp_2``), the pattern it follows and the valve section that works it.

    ``options`` chooses between forms of a pattern, e.g. {"bias": "back bias"} or {"bias": "grid leak"}.
    """

    name: str
    pattern: str
    valve: str
    section: str
    options: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyCard:
    """What feeds the HT. ``rectifier`` as in the cards: "bridge, silicon", "two-anode valve", ...

    ``smoothing``: "choke", "resistor", "field coil", "field coil across the HT".
    """

    rectifier: str
    smoothing: str
    valve: str | None = None
    secondary_rms_volts: Value | None = None
    ht_volts: Value | None = None
    heaters: Literal["parallel", "series", "battery"] = "parallel"
    bias: str = "cathode"


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceSheetRow:
    """What the maker says a point reads, on which meter. ``meter_ohms`` None: as good as no load."""

    point: str
    to: str | None
    quantity: str
    value: float
    meter: str = ""
    meter_ohms: float | None = None
    line: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetCard:
    """The whole card. Points named in readings are to ``reference_point`` unless a reading says otherwise.

    ``meter`` is the meter the restorer uses ("" when the card names none). ``questions`` are doubts about
    what was written that do not stop the work.

    ``complete`` is False when the line-up is known to be partial (a documented case); the missing stages are
    then filled with assumed valves so that every role exists.
    """

    name: str
    mains_rms_volts: float
    mains_hertz: float
    construction: str
    valves: dict[str, ValveInPlace]
    stages: tuple[Stage, ...]
    parts: dict[str, Part]
    supply: SupplyCard
    reference_point: str = "chassis"
    year: int | None = None
    output: str = "single"
    complete: bool = True
    service_sheet: tuple[ServiceSheetRow, ...] = ()
    source_file: str = ""
    assumptions: tuple[str, ...] = ()
    meter: str = ""
    note: str = ""
    questions: tuple[str, ...] = ()

    def parts_of_role(self, role: str) -> tuple[Part, ...]:
        """Every part that plays ``role`` (a stage may have two)."""
        return tuple(part for part in self.parts.values() if part.role == role)
