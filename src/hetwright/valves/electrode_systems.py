"""Which sections of the catalogue share one electrode system, and what is published of each."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from hetwright.valves import catalogue
from hetwright.valves.priors import prior_facts
from hetwright.valves.valve_type import Row, Section, ValveType

__all__ = ["Group", "groups", "same_point"]


@dataclass(frozen=True)
class Group:
    """Sections, of one or more types, that share one electrode system and so one law."""

    owner: str
    sections: tuple[str, ...]
    kind: str
    shape: str
    section: Section
    rows: tuple[Row, ...]
    remote: tuple[tuple[Mapping[str, Any], tuple[Row, ...]], ...] = ()
    directly_heated: bool = False
    members: tuple[str, ...] = ()
    partner: tuple[str, str] = ("", "")  # the law of the oscillator triode that swings a hexode's injection grid

    @property
    def name(self) -> str:
        """Owner and sections, for people."""
        return f"{self.owner} {'/'.join(self.sections)}"


def _kind_of(valve: ValveType, section: Section, rows: Sequence[Row]) -> str:
    if section.kind == "pentode":
        watts = float(section.limits.get("anode_watts", 0.0))
        amps = max((row.figures.get("anode_amps", 0.0) for row in rows), default=0.0)
        return "output pentode" if watts >= 5.0 or amps > 0.016 or "output" in valve.duty else "small pentode"
    if section.kind == "heptode":
        return "converter" if section.shape == "converter" else "heptode mixer"
    if section.kind == "triode" and section.shape == "oscillator":
        return "oscillator triode"
    if section.kind == "rectifier":
        heated = valve.heater is not None and valve.heater.directly_heated
        return "directly heated rectifier" if heated else "indirectly heated rectifier"
    if section.kind == "diode":
        # a discriminator diode is rated for several times the current of a detector diode
        return "discriminator diode" if section.limits.get("anode_amps", 0.0) > 2e-3 else "detector diode"
    return section.kind


def same_point(row: Row, other: Row) -> bool:
    """Whether two rows publish one and the same point, as handbooks that repeat each other do."""
    keys = ("anode_volts", "screen_volts", "grid_volts", "cathode_resistor_ohms", "supply_volts", "anode_amps")
    return (
        all(row.get(key) == other.get(key) for key in keys)
        and row.kind == other.kind
        and row.filament == other.filament
    )


def _swung(rows: Iterable[Row]) -> bool:
    return any("oscillator_grid_amps" in row.figures for row in rows)


def _oscillator_rows(found: Iterable[tuple[ValveType, Section]]) -> Iterator[Row]:
    """Yield what the mixer's rows say of the oscillator triode beside it."""
    assumed = float(prior_facts()["oscillator"]["assumed_anode_volts"])
    seen: list[Mapping[str, float]] = []
    for valve, section in found:
        for row in valve.rows:
            if (
                row.section == section.name
                or row.published_for
                or section.like
                or "oscillator_grid_amps" not in row.figures
            ):
                continue
            figures = {
                "oscillator_grid_leak_ohms": row.figures["oscillator_grid_leak_ohms"],
                "oscillator_grid_amps": row.figures["oscillator_grid_amps"],
            }
            supplied = "oscillator_anode_supply_volts" in row.figures
            if supplied:
                figures["supply_volts"] = row.figures["oscillator_anode_supply_volts"]
                figures["anode_resistor_ohms"] = row.figures["oscillator_anode_resistor_ohms"]
            else:
                figures["anode_volts"] = row.figures.get("oscillator_anode_volts", assumed)
            stated = supplied or "oscillator_anode_volts" in row.figures
            if stated and "oscillator_anode_amps" in row.figures:
                figures["anode_amps"] = row.figures["oscillator_anode_amps"]
            if figures not in seen:
                seen.append(figures)
                note = "" if stated else "anode volts assumed"
                yield replace(
                    row, section=section.name, kind="oscillator", figures=figures, use="of the mixer's row", note=note
                )


@cache
def groups() -> tuple[Group, ...]:
    """Return every electrode system of the catalogue with its distinct published rows."""
    members: dict[tuple[str, str], list[tuple[ValveType, Section]]] = defaultdict(list)
    for name in catalogue.types():
        valve = catalogue.find(name)
        for section in valve.sections:
            if section.shape is None:
                continue
            owner, served_by = section.law_of
            # two like sections of one valve share a law, the diodes of a detector valve need not
            stem = served_by if section.kind == "diode" else re.sub(r"_\d+$", "", served_by)
            members[owner, stem].append((valve, section))
    made = []
    for (owner, _), found in members.items():
        own = [(valve, section) for valve, section in found if valve.name == owner] or found
        rows: list[Row] = []
        for valve, section in own + [pair for pair in found if pair not in own]:
            for row in valve.rows_of(section.name):
                if not row.published_for and not any(same_point(row, other) for other in rows):
                    rows.append(row)
        remote: list[tuple[Mapping[str, Any], tuple[Row, ...]]] = []
        for valve, section in found:
            cutoff = section.remote_cutoff
            if cutoff and not section.like and not any(cutoff == other for other, _ in remote):
                remote.append((cutoff, valve.rows_of(section.name)))
        if own[0][1].shape == "oscillator":
            rows += [row for row in _oscillator_rows(found) if row.get("anode_amps") is not None or not _swung(rows)]
        valve, section = own[0]
        partner = next((other.law_of for other in valve.sections if other.shape == "oscillator"), ("", ""))
        made.append(
            Group(
                owner=owner,
                sections=tuple(dict.fromkeys(section.law_of[1] for _, section in found)),
                kind=_kind_of(valve, section, rows),
                shape=str(section.shape),
                section=section,
                rows=tuple(rows),
                remote=tuple(remote),
                directly_heated=valve.heater is not None and valve.heater.directly_heated,
                members=tuple(dict.fromkeys(valve.name for valve, _ in found)),
                partner=partner if section.shape == "hexode" else ("", ""),
            )
        )
    return tuple(made)
