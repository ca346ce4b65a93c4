"""The record of a valve type: the tables of its file, checked and made into a :class:`ValveType`.

The grammar is in ``docs/valves.md``.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from typing import Any

from hetwright.errors import Complaint, InputFault
from hetwright.valves.valve_type import ELECTRODES, Heater, Origin, Row, Section, ValveType

__all__ = ["PIN_WORDS", "ROW_KINDS", "SECTION_KINDS", "parse"]

SECTION_KINDS = frozenset(
    {
        "beam tetrode",
        "diode",
        "heptode",
        "hexode",
        "pentagrid",
        "pentode",
        "rectifier",
        "remote cut-off pentode",
        "remote cut-off tetrode",
        "stabiliser",
        "tetrode",
        "triode",
        "tuning indicator",
    }
)
ROW_KINDS = frozenset(
    {
        "class C",
        "converter",
        "indicator",
        "oscillator",
        "push-pull",
        "rating",
        "rectifier",
        "stabiliser",
        "static",
        "triode connected",
        "working",
    }
)
#: What a pin may be joined to besides the electrodes of a section.
PIN_WORDS = frozenset(
    {
        "heater",
        "heater_centre",
        "heater_tap",
        "internal",
        "metallising",
        "shell",
        "shield",
        "sleeve",
    }
)

_ORIGIN = {"source": str, "from_memory": bool, "confidence": str, "url": str, "confirmed_keys": list}
_TOP = {
    **dict.fromkeys(("name", "kind", "duty", "base", "electrodes_as", "like", "like_because", "note"), str),
    **dict.fromkeys(("also", "joined", "section", "row"), list),
    **dict.fromkeys(("heater", "limits", "limits_design_maximum", "pins"), dict),
    **_ORIGIN,
}
_MUST = ("name", "also", "kind", "duty", "base", "pins", "section")
_HEATER = {
    "directly_heated": bool,
    **dict.fromkeys(("volts", "amps", "series_volts", "series_amps", "tap_volts", "tap_volts_with_lamp"), float),
}
_SECTION = {
    **dict.fromkeys(("name", "kind", "shape", "like", "like_because", "note"), str),
    **dict.fromkeys(
        ("grids", "limits", "limits_design_maximum", "capacitances_farads", "remote_cutoff", "drop"), dict
    ),
    "plain": bool,
}
_ROW_WORDS = {
    "section": str,
    "kind": str,
    "use": str,
    "note": str,
    "filament": str,
    "valves": int,
    "triode_connected": bool,
}
_ROW_FIGURES = frozenset(
    {
        "ac_volts_per_anode",
        "anode_amps",
        "anode_amps_full_drive",
        "anode_amps_max",
        "anode_amps_min",
        "anode_resistor_ohms",
        "anode_volts",
        "cathode_amps",
        "cathode_resistor_ohms",
        "conversion_gm_siemens",
        "cutoff_grid_volts",
        "dc_amps",
        "dc_volts",
        "distortion_percent",
        "drive_volts_peak",
        "drive_volts_rms",
        "drive_watts",
        "gap_millimetres",
        "gm_siemens",
        "grid_amps",
        "grid_volts",
        "injection_drive_volts_peak",
        "injection_volts",
        "input_choke_henries",
        "lit_degrees",
        "load_ohms",
        "mu",
        "mu_screen",
        "oscillator_anode_amps",
        "oscillator_anode_resistor_ohms",
        "oscillator_anode_supply_volts",
        "oscillator_anode_volts",
        "oscillator_grid_amps",
        "oscillator_grid_leak_ohms",
        "output_watts",
        "panel_lamp_shunt_ohms",
        "ra_ohms",
        "regulation_volts",
        "reservoir_farads",
        "screen_amps",
        "screen_amps_full_drive",
        "screen_resistor_ohms",
        "screen_volts",
        "shadow_degrees",
        "starting_volts",
        "supply_ohms_per_anode",
        "supply_volts",
        "target_amps",
        "target_volts",
    }
)


_WRITTEN_AS = {
    str: "text",
    bool: "true-or-false",
    int: "whole number",
    float: "finite number",
    dict: "table",
    list: "list",
}


class _Complaints(list[Complaint]):
    """What is wrong with one file."""

    def __init__(self, file: str) -> None:
        super().__init__()
        self.file = file

    def add(self, wrong: str, right: str) -> None:
        self.append(Complaint(file=self.file or None, wrong=wrong, right=right))

    def keys(self, record: Mapping[str, Any], known: Mapping[str, type], where: str) -> None:
        """Complain of keys not ``known`` and of values of another type; ``float`` takes whole numbers too."""
        for key, value in record.items():
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                right = f"perhaps {near[0]}" if near else "see docs/valves.md for the keys there are"
                self.add(f"{where} has an unknown key {key}", right)
            elif known[key] is float:
                if type(value) not in (int, float) or not math.isfinite(value):
                    self.add(f"{where}: {key} is {value!r}", "write a finite number")
            elif not isinstance(value, known[key]):
                self.add(f"{where}: {key} is {value!r}", f"write a {_WRITTEN_AS[known[key]]}")

    def origin(self, record: Mapping[str, Any], where: str) -> None:
        """Complain of figures without source."""
        missing = [key for key in ("source", "from_memory", "confidence") if key not in record]
        if missing:
            self.add(
                f"{where} lacks {', '.join(missing)}",
                "every figure states its source, whether it is from memory, and how sure it is",
            )
        elif not str(record["source"]).strip() or record["confidence"] not in ("high", "medium"):
            self.add(
                f"{where}: the source is empty or the confidence is neither high nor medium",
                "name the publication, and say high or medium",
            )

    def stop(self) -> None:
        """Raise all there are."""
        if self:
            raise InputFault(self)


def _origin(record: Mapping[str, Any]) -> Origin:
    return Origin(
        source=record["source"],
        from_memory=record["from_memory"],
        confidence=record["confidence"],
        url=record.get("url", ""),
        confirmed_keys=tuple(record.get("confirmed_keys", ())),
    )


def _numbers(record: Mapping[str, Any]) -> dict[str, Any]:
    """The table with its whole numbers made floats; words and tables stay."""
    return {key: float(value) if type(value) is int else value for key, value in record.items()}


def _points(
    sections: Iterable[Section], pins: Mapping[str, tuple[str, ...]], joined: Iterable[Iterable[str]] | None
) -> dict[str, str]:
    """Point of every electrode: joined ones share the name of the foremost.

    Unless ``joined`` says what is joined inside, a cathode whose pin is not known is taken to be the common one.
    """
    sections = tuple(sections)
    groups: list[set[str]] = [set(ends) for ends in [*pins.values(), *(joined or ())]]
    if joined is None:
        plain = next(section.name for section in sections if section.plain)
        groups += [
            {f"{section.name}.cathode", f"{plain}.cathode"}
            for section in sections
            if not section.electrodes["cathode"]
        ]
    rank: dict[str, tuple[bool, int]] = {}
    label: dict[str, str] = {}
    for number, section in enumerate(sorted(sections, key=lambda section: not section.plain)):
        for electrode in section.electrodes:
            end = f"{section.name}.{electrode}"
            rank[end] = (electrode in ("injection", "suppressor"), len(rank))
            _, _, digits = section.name.partition("_")
            if section.kind == "rectifier" and digits:
                label[end] = f"{electrode}_{digits}" if electrode == "anode" or number else electrode
            else:
                label[end] = electrode if section.plain else f"{section.name}_{electrode}"
    owner = {end: end for end in rank}
    # electrodes joined at several pins make one group: merge until nothing moves
    moved = True
    while moved:
        moved = False
        for group in groups:
            ends = [end for end in group if end in owner]
            if not ends:
                continue
            foremost = min((owner[end] for end in ends), key=rank.__getitem__)
            for end in ends:
                if owner[end] != foremost:
                    owner[end] = foremost
                    moved = True
    return {end: label[owner[end]] for end in rank}


def _section(table: Mapping[str, Any], record: Mapping[str, Any]) -> Section:
    """A section with the pins of its electrodes gathered from the pin table."""
    electrodes: dict[str, tuple[str, ...]] = dict.fromkeys(
        (*ELECTRODES.get(table.get("shape", ""), ("anode",)), "cathode"), ()
    )
    for pin, ends in record["pins"].items():
        for end in ends:
            owner, _, electrode = end.partition(".")
            if electrode and owner == table["name"] and electrode != "beam_plates":
                electrodes[electrode] = (*electrodes.get(electrode, ()), pin)
    return Section(
        name=table["name"],
        kind=table["kind"],
        shape=table.get("shape"),
        plain=table.get("plain", False),
        electrodes=electrodes,
        grids=table.get("grids", {}),
        limits=_numbers(table.get("limits", {})),
        limits_design_maximum=_numbers(table.get("limits_design_maximum", {})),
        capacitances_farads=_numbers(table.get("capacitances_farads", {})),
        remote_cutoff=_numbers(table.get("remote_cutoff", {})),
        drop=_numbers(table.get("drop", {})),
        note=table.get("note", ""),
        law_of=(record.get("electrodes_as", record["name"]), table["name"]),
        like=table.get("like", record.get("like", "")),
        like_because=table.get("like_because", record.get("like_because", "")),
    )


def _row(table: Mapping[str, Any]) -> Row:
    return Row(
        section=table["section"],
        kind=table["kind"],
        figures={key: float(value) for key, value in table.items() if key in _ROW_FIGURES},
        origin=_origin(table),
        use=table.get("use", ""),
        note=table.get("note", ""),
        valves=table.get("valves", 1),
        triode_connected=table.get("triode_connected", False),
        filament=table.get("filament", ""),
    )


def parse(record: Mapping[str, Any], file: str = "") -> ValveType:
    """A type from the tables of its file, checked.

    Parameters
    ----------
    record : mapping
        What ``tomllib`` makes of a file written in the grammar of ``docs/valves.md``.
    file : str
        Name used in complaints.

    Raises
    ------
    InputFault
        A record without source, an unknown or missing key, a row of no section, a pin joined to no electrode.
    """
    wrong = _Complaints(file)
    wrong.keys(record, _TOP, "the type")
    for key in _MUST:
        if key not in record:
            wrong.add(f"the type lacks {key}", f"state its {key}")
    wrong.origin(record, "the type")
    wrong.stop()
    wrong.keys(record.get("heater", {"directly_heated": False}), _HEATER, "the heater")
    own = set()
    for table in record["section"]:
        where = f"section {table.get('name', '?')}"
        own.add(table.get("name"))
        wrong.keys(table, _SECTION, where)
        for name in ("limits", "limits_design_maximum", "capacitances_farads", "drop"):
            ratings = table.get(name, {})
            wrong.keys(ratings, dict.fromkeys(ratings, float), f"{where}, {name}")
        if table.get("kind") not in SECTION_KINDS or table.get("shape", "diode") not in ELECTRODES:
            wrong.add(
                f"{where} is a {table.get('kind')} of shape {table.get('shape')}",
                "kinds are " + ", ".join(sorted(SECTION_KINDS)) + "; shapes are " + ", ".join(ELECTRODES),
            )
    if sum(table.get("plain", False) for table in record["section"]) != 1:
        wrong.add("not one section is plain", "say plain = true of just one section")
    for pin, ends in record["pins"].items():
        for end in ends:
            if end not in PIN_WORDS and end.partition(".")[0] not in own:
                wrong.add(
                    f"pin {pin} is joined to {end}",
                    "a section's electrode or one of " + ", ".join(sorted(PIN_WORDS)),
                )
    known = {**_ROW_WORDS, **_ORIGIN, **dict.fromkeys(_ROW_FIGURES, float)}
    for number, table in enumerate(record.get("row", ()), start=1):
        wrong.keys(table, known, f"row {number}")
        wrong.origin(table, f"row {number}")
        if table.get("section") not in own | {"each"} or table.get("kind") not in ROW_KINDS:
            wrong.add(
                f"row {number} is a {table.get('kind')} row of {table.get('section')}",
                f"sections are {', '.join(sorted(own))} or each; kinds are {', '.join(sorted(ROW_KINDS))}",
            )
    wrong.stop()
    pins = {pin: tuple(ends) for pin, ends in record["pins"].items()}
    sections = tuple(_section(table, record) for table in record["section"])
    heater = record.get("heater")
    return ValveType(
        name=record["name"],
        also=tuple(record["also"]),
        kind=record["kind"],
        duty=record["duty"],
        base=record["base"],
        pins=pins,
        heater=Heater(**{"volts": None, "amps": None, **_numbers(heater)}) if heater else None,
        limits=_numbers(record.get("limits", {})),
        limits_design_maximum=_numbers(record.get("limits_design_maximum", {})),
        sections=sections,
        rows=tuple(_row(table) for table in record.get("row", ())),
        points=_points(sections, pins, record.get("joined")),
        origin=_origin(record),
        electrodes_as=record.get("electrodes_as", record["name"]),
        figures_of=record["name"],
        note=record.get("note", ""),
    )
