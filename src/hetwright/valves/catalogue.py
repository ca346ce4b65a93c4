"""The valve catalogue: from a name on a card to the facts of the type.

Facts live in ``trade/valves/*.toml``, one file a type; their grammar is in ``docs/valves.md``. A file is
read when its type is first asked for, and only then.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from hetwright.errors import Complaint, InputFault, UnknownValve
from hetwright.valves.index import INDEX, TRADE, VALVES, plain_name

__all__ = [
    "ELECTRODES",
    "Heater",
    "Origin",
    "Row",
    "Section",
    "ValveType",
    "find",
    "kinds",
    "names",
    "neighbouring_pins",
    "neighbouring_points",
    "of_kind",
    "parse",
    "types",
]

#: Electrodes of each shape of the valve law, in its order, without cathode and oscillator amplitude.
ELECTRODES: Mapping[str, tuple[str, ...]] = {
    "diode": ("anode",),
    "triode": ("grid", "anode"),
    "pentode": ("grid", "screen", "anode"),
    "hexode": ("grid", "injection", "screen", "anode"),
    "oscillator": ("grid", "anode"),
    "pentagrid": ("oscillator_grid", "oscillator_anode", "grid", "screen", "anode"),
    "converter": ("oscillator_grid", "grid", "screen", "anode"),
    "indicator": ("grid", "anode", "target"),
}

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

_TOP = {
    "name": str,
    "also": list,
    "kind": str,
    "duty": str,
    "base": str,
    "electrodes_as": str,
    "like": str,
    "like_because": str,
    "note": str,
    "joined": list,
    "heater": dict,
    "limits": dict,
    "limits_design_maximum": dict,
    "pins": dict,
    "section": list,
    "row": list,
}
_ORIGIN = {"source": str, "from_memory": bool, "confidence": str, "url": str, "confirmed_keys": list}
_SECTION = {
    "name": str,
    "kind": str,
    "shape": str,
    "plain": bool,
    "grids": dict,
    "like": str,
    "like_because": str,
    "limits": dict,
    "limits_design_maximum": dict,
    "capacitances_farads": dict,
    "remote_cutoff": dict,
    "drop": dict,
    "note": str,
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where figures come from. ``confirmed_keys`` were read in the page at ``url``; the rest is from memory."""

    source: str
    from_memory: bool
    confidence: str
    url: str = ""
    confirmed_keys: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Heater:
    """Heater or filament as the pins are normally joined; ``None`` where the figure is not known.

    ``series_volts``/``series_amps``: with the two halves in series. ``tap_volts``: of the 35 V kind's lamp section.
    """

    volts: float | None
    amps: float | None
    directly_heated: bool
    series_volts: float | None = None
    series_amps: float | None = None
    tap_volts: float | None = None
    tap_volts_with_lamp: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One published point or operating condition of one section.

    ``published_for`` names another type where the row was borrowed from it.

    ``figures`` are SI, keyed as in the file (``anode_volts``, ``anode_amps``, ``gm_siemens``, ...). With
    ``valves = 2`` (push-pull) currents and drive are of each valve, ``load_ohms`` is anode to anode and
    ``output_watts`` of the pair.
    """

    section: str
    kind: str
    figures: Mapping[str, float]
    origin: Origin
    use: str = ""
    note: str = ""
    valves: int = 1
    triode_connected: bool = False
    filament: str = ""
    published_for: str = ""

    def get(self, figure: str) -> float | None:
        """The figure, or ``None`` where the row does not give it."""
        return self.figures.get(figure)

    @property
    def bias_volts(self) -> float | None:
        """Grid volts: stated, or those the cathode resistor makes of the row's own currents.

        A push-pull pair shares its cathode resistor.
        """
        if "grid_volts" in self.figures:
            return self.figures["grid_volts"]
        ohms, anode = self.get("cathode_resistor_ohms"), self.get("anode_amps")
        if ohms is None or anode is None:
            return None
        return -ohms * self.valves * (anode + self.figures.get("screen_amps", 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One electrode system of a type.

    ``electrodes`` maps each electrode (those of the law's shape, the cathode, and any other with a pin, such as
    ``suppressor``) to the pins it is joined to; an empty tuple is a pin that is not known. ``shape`` is
    ``None`` for a gas stabiliser. ``plain``: "anode" without more means this section's. ``law_of`` names the
    type and section whose law serves this one: its own, that of a type with the same electrodes, or a stand-in's
    (``like``).
    """

    name: str
    kind: str
    shape: str | None
    plain: bool
    electrodes: Mapping[str, tuple[str, ...]]
    grids: Mapping[str, str] = field(default_factory=dict)
    limits: Mapping[str, float] = field(default_factory=dict)
    limits_design_maximum: Mapping[str, float] = field(default_factory=dict)
    capacitances_farads: Mapping[str, float] = field(default_factory=dict)
    remote_cutoff: Mapping[str, Any] = field(default_factory=dict)
    drop: Mapping[str, float] = field(default_factory=dict)
    note: str = ""
    law_of: tuple[str, str] = ("", "")
    like: str = ""
    like_because: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveType:
    """A type of valve and all that is known of it.

    ``figures_of`` names the type whose rows these are: the type itself, or the one that stands in for it, and then
    ``stands_for`` is the type that was asked for and ``assumption`` says so in words for every result to repeat.
    ``electrodes_as`` names a type with the same electrode system, so that one law serves both.
    ``points`` maps ``"triode.anode"`` to the name of its point in a set (``triode_anode``, after ``V1.``): electrodes
    joined inside the valve share one, and those of the plain section have plain names.
    """

    name: str
    also: tuple[str, ...]
    kind: str
    duty: str
    base: str
    pins: Mapping[str, tuple[str, ...]]
    heater: Heater | None
    limits: Mapping[str, Any]
    limits_design_maximum: Mapping[str, Any]
    sections: tuple[Section, ...]
    rows: tuple[Row, ...]
    points: Mapping[str, str]
    origin: Origin
    electrodes_as: str
    figures_of: str
    note: str = ""
    stands_for: str | None = None
    assumption: str = ""

    @property
    def plain(self) -> Section:
        """The section that owns the plain electrode names."""
        return next(section for section in self.sections if section.plain)

    @property
    def sources(self) -> tuple[str, ...]:
        """Every source drawn on, in order, each once."""
        return tuple(dict.fromkeys([self.origin.source, *(row.origin.source for row in self.rows)]))

    @property
    def from_memory(self) -> bool:
        """Whether every figure was recalled rather than read."""
        return self.origin.from_memory and all(row.origin.from_memory for row in self.rows)

    def section(self, name: str) -> Section:
        """The section of that name.

        Raises
        ------
        InputFault
            There is none; the complaint names those there are.
        """
        for section in self.sections:
            if section.name == name:
                return section
        raise InputFault(
            Complaint(
                wrong=f"{self.name} has no section {name!r}",
                right="its sections are " + ", ".join(section.name for section in self.sections),
            )
        )

    def rows_of(self, section: str) -> tuple[Row, ...]:
        """Rows of one section, those of "each" section included."""
        mine = self.section(section)
        alike = mine.kind == self.plain.kind
        return tuple(row for row in self.rows if row.section == section or (alike and row.section == "each"))

    def electrode(self, name: str) -> tuple[Section, str]:
        """Section and electrode meant by a written electrode name.

        ``anode`` is the plain section's; ``triode_anode`` or ``triode.anode`` a named section's; ``anode_2``
        that of the second of two like sections; ``oscillator_anode`` that of a frequency changer's triode;
        ``diode_1`` its anode.

        Raises
        ------
        InputFault
            The valve has no such electrode; the complaint names those it has.
        """
        word = name.strip().lower().replace(".", "_").replace(" ", "_")
        by_name: dict[str, tuple[Section, str]] = {}
        for section in self.sections:
            for electrode in section.electrodes:
                by_name.setdefault(f"{section.name}_{electrode}", (section, electrode))
                if section.plain:
                    by_name.setdefault(electrode, (section, electrode))
                elif section.shape == "oscillator":
                    by_name.setdefault(f"oscillator_{electrode}", (section, electrode))
                stem, _, number = section.name.partition("_")
                if number and (section.kind == self.plain.kind or stem == "diode"):
                    by_name.setdefault(f"{electrode}_{number}", (section, electrode))
            if section.shape == "diode" and not section.plain:
                by_name.setdefault(section.name, (section, "anode"))
        if word in by_name:
            return by_name[word]
        raise InputFault(
            Complaint(
                wrong=f"{self.name} has no electrode {name!r}",
                right="its electrodes are " + ", ".join(dict.fromkeys(self.points.values())),
            )
        )

    def section_of(self, electrode_name: str) -> Section:
        """The section that owns an electrode, written as :meth:`electrode` takes it."""
        return self.electrode(electrode_name)[0]

    def point(self, electrode_name: str) -> str:
        """Name of the point of an electrode, written as :meth:`electrode` takes it."""
        section, electrode = self.electrode(electrode_name)
        return self.points[f"{section.name}.{electrode}"]


def _origin(record: Mapping[str, Any], where: str) -> Origin:
    missing = [key for key in ("source", "from_memory", "confidence") if key not in record]
    if missing:
        raise InputFault(
            Complaint(
                file=where.partition(":")[0],
                wrong=f"{where.partition(':')[2] or 'the type'} lacks {', '.join(missing)}",
                right="every figure states its source, whether it is from memory, and how sure it is",
            )
        )
    if not str(record["source"]).strip() or record["confidence"] not in ("high", "medium"):
        raise InputFault(
            Complaint(
                file=where.partition(":")[0],
                wrong="the source is empty or the confidence is neither high nor medium",
                right="name the publication, and say high or medium",
            )
        )
    return Origin(
        source=record["source"],
        from_memory=record["from_memory"],
        confidence=record["confidence"],
        url=record.get("url", ""),
        confirmed_keys=tuple(record.get("confirmed_keys", ())),
    )


def _check_keys(record: Mapping[str, Any], known: Mapping[str, type], where: str, file: str) -> list[Complaint]:
    complaints = []
    for key, value in record.items():
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            right = f"perhaps {near[0]}" if near else "see docs/valves.md for the keys there are"
            complaints.append(Complaint(file=file, wrong=f"{where} has an unknown key {key}", right=right))
        elif not isinstance(value, known[key]):
            complaints.append(
                Complaint(file=file, wrong=f"{where}: {key} is {value!r}", right=f"a {known[key].__name__}")
            )
    return complaints


def _figures(record: Mapping[str, Any], known: Iterable[str]) -> dict[str, float]:
    return {key: float(record[key]) for key in record if key in known}


def _numbers(record: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: float(value) if isinstance(value, int | float) and not isinstance(value, bool) else value
        for key, value in record.items()
    }


def _points(
    sections: Iterable[Section], pins: Mapping[str, tuple[str, ...]], joined: Iterable[Iterable[str]]
) -> dict[str, str]:
    """Point of every electrode: joined ones share the name of the foremost."""
    sections = tuple(sections)
    groups = [{end for end in ends if "." in end} for ends in [*pins.values(), *joined]]
    rank: dict[str, tuple[bool, int]] = {}
    label: dict[str, str] = {}
    for number, section in enumerate(sorted(sections, key=lambda section: not section.plain)):
        for electrode in section.electrodes:
            end = f"{section.name}.{electrode}"
            rank[end] = (electrode in ("injection", "suppressor"), number)
            _, _, digits = section.name.partition("_")
            if section.kind == "rectifier" and digits:
                label[end] = f"{electrode}_{digits}" if electrode == "anode" or number else electrode
            else:
                label[end] = electrode if section.plain else f"{section.name}_{electrode}"
    # a cathode whose pin is not known is taken to be the common one
    plain = next(section.name for section in sections if section.plain)
    groups += [
        {f"{section.name}.cathode", f"{plain}.cathode"} for section in sections if not section.electrodes["cathode"]
    ]
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
    complaints = _check_keys(record, {**_TOP, **_ORIGIN}, "the type", file)
    complaints += [
        Complaint(file=file, wrong=f"the type lacks {key}", right=f"state its {key}")
        for key in ("name", "also", "kind", "duty", "base", "pins", "section")
        if key not in record
    ]
    if complaints:
        raise InputFault(complaints)
    origin = _origin(record, file)
    pins = {pin: tuple(ends) for pin, ends in record["pins"].items()}
    tables = record["section"]
    for table in tables:
        complaints += _check_keys(table, _SECTION, f"section {table.get('name', '?')}", file)
        if table.get("kind") not in SECTION_KINDS or table.get("shape", "diode") not in ELECTRODES:
            complaints.append(
                Complaint(
                    file=file,
                    wrong=f"section {table.get('name', '?')} is a {table.get('kind')} of shape {table.get('shape')}",
                    right="kinds are " + ", ".join(sorted(SECTION_KINDS)) + "; shapes are " + ", ".join(ELECTRODES),
                )
            )
    if complaints:
        raise InputFault(complaints)
    if sum(table.get("plain", False) for table in tables) != 1:
        raise InputFault(
            Complaint(file=file, wrong="not one section is plain", right="say plain = true of just one section")
        )
    sections = []
    for table in tables:
        wanted = [*ELECTRODES.get(table.get("shape", ""), ("anode",)), "cathode"]
        found: dict[str, tuple[str, ...]] = dict.fromkeys(wanted, ())
        for pin, ends in pins.items():
            for end in ends:
                owner, dot, electrode = end.partition(".")
                if dot and owner == table["name"] and electrode != "beam_plates":
                    found[electrode] = (*found.get(electrode, ()), pin)
        sections.append(
            Section(
                name=table["name"],
                kind=table["kind"],
                shape=table.get("shape"),
                plain=table.get("plain", False),
                electrodes=found,
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
        )
    own = {section.name for section in sections}
    for pin, ends in pins.items():
        for end in ends:
            if end not in PIN_WORDS and end.partition(".")[0] not in own:
                complaints.append(
                    Complaint(
                        file=file,
                        wrong=f"pin {pin} is joined to {end}",
                        right="a section's electrode or one of " + ", ".join(sorted(PIN_WORDS)),
                    )
                )
    rows = []
    for number, table in enumerate(record.get("row", ()), start=1):
        known = {**_ROW_WORDS, **_ORIGIN, **dict.fromkeys(_ROW_FIGURES, (int, float))}
        complaints += _check_keys(table, known, f"row {number}", file)  # type: ignore[arg-type]
        if table.get("section") not in own | {"each"} or table.get("kind") not in ROW_KINDS:
            complaints.append(
                Complaint(
                    file=file,
                    wrong=f"row {number} is a {table.get('kind')} row of {table.get('section')}",
                    right=f"sections are {', '.join(sorted(own))} or each; kinds are {', '.join(sorted(ROW_KINDS))}",
                )
            )
            continue
        rows.append(
            Row(
                section=table["section"],
                kind=table["kind"],
                figures=_figures(table, _ROW_FIGURES),
                origin=_origin(table, f"{file}:row {number}"),
                use=table.get("use", ""),
                note=table.get("note", ""),
                valves=table.get("valves", 1),
                triode_connected=table.get("triode_connected", False),
                filament=table.get("filament", ""),
            )
        )
    if complaints:
        raise InputFault(complaints)
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
        sections=tuple(sections),
        rows=tuple(rows),
        points=_points(sections, pins, record.get("joined", ())),
        origin=origin,
        electrodes_as=record.get("electrodes_as", record["name"]),
        figures_of=record["name"],
        note=record.get("note", ""),
    )


@cache
def _index() -> dict[str, str]:
    """Plain name to file stem."""
    listed = tomllib.loads(INDEX.read_text(encoding="utf-8"))
    return {plain_name(name): stem for stem, also in listed.items() for name in also}


def _read(file: Path) -> Mapping[str, Any]:
    return tomllib.loads(file.read_text(encoding="utf-8"))


@cache
def _load(stem: str) -> ValveType:
    valve = parse(_read(VALVES / f"{stem}.toml"), f"{stem}.toml")
    return _borrow(valve) if any(section.like for section in valve.sections) else valve


def _counterpart(section: Section, other: ValveType) -> Section:
    """The section of ``other`` that can stand in for ``section``: of the same name, or else of the same shape."""
    alike = [theirs for theirs in other.sections if theirs.shape == section.shape]
    for theirs in alike:
        if theirs.name == section.name:
            return theirs
    if not alike:
        raise InputFault(
            Complaint(
                wrong=f"{other.name} has no section like the {section.name}",
                right=f"name a type with a section of shape {section.shape}",
            )
        )
    return alike[0]


def _borrow(valve: ValveType) -> ValveType:
    """Rows, drop and cut-off of the types that stand in for sections without figures of their own."""
    sections, rows = [], list(valve.rows)
    said: dict[tuple[str, str, str], list[str]] = {}
    for section in valve.sections:
        if not section.like:
            sections.append(section)
            continue
        other = find(section.like)
        theirs = _counterpart(section, other)
        rows += [
            replace(row, section=section.name, published_for=row.published_for or other.name)
            for row in other.rows_of(theirs.name)
            if row.kind != "rating"
        ]
        sections.append(
            replace(
                section,
                drop=section.drop or theirs.drop,
                remote_cutoff=section.remote_cutoff or theirs.remote_cutoff,
                law_of=theirs.law_of,
            )
        )
        what = "drop is" if section.kind == "rectifier" else "figures are"
        said.setdefault((what, other.name, section.like_because), []).append(section.name)
    assumption = "; ".join(
        f"no {what} known for {valve.name}{_only(names, valve)}: {other} stands in ({because})"
        for (what, other, because), names in said.items()
    )
    owners = {section.law_of[0] for section in sections}
    alike = len(owners) == 1 and all(section.law_of[1] == section.name for section in sections)
    return replace(
        valve,
        sections=tuple(sections),
        rows=tuple(rows),
        electrodes_as=owners.pop() if alike else valve.electrodes_as,
        figures_of=", ".join(dict.fromkeys(other for _, other, _ in said)),
        stands_for=valve.name,
        assumption=assumption,
    )


def _only(names: list[str], valve: ValveType) -> str:
    """Which sections are meant, unless it is all of them."""
    return "" if len(names) == len(valve.sections) else " (" + ", ".join(names) + ")"


@cache
def _kinds() -> Mapping[str, Mapping[str, str]]:
    return tomllib.loads((TRADE / "valve_kinds.toml").read_text(encoding="utf-8"))["kind"]  # type: ignore[no-any-return]


@cache
def _bases() -> Mapping[str, Mapping[str, Any]]:
    return tomllib.loads((TRADE / "valve_bases.toml").read_text(encoding="utf-8"))["base"]  # type: ignore[no-any-return]


def names() -> tuple[str, ...]:
    """Every name a type may be asked for by, equivalents included, in alphabetical order."""
    listed = tomllib.loads(INDEX.read_text(encoding="utf-8"))
    return tuple(sorted(name for also in listed.values() for name in also))


def types() -> tuple[str, ...]:
    """The name of every type once, without its equivalents, in the order of the files."""
    listed = tomllib.loads(INDEX.read_text(encoding="utf-8"))
    return tuple(also[0] for also in listed.values())


def kinds() -> tuple[str, ...]:
    """The kinds that :func:`of_kind` knows a typical valve of."""
    return tuple(_kinds())


def _stem(name: str) -> str | None:
    index = _index()
    plain = plain_name(name)
    if plain in index:
        return index[plain]
    if plain[:1].isdigit():
        # glass, small glass and metal versions of an American type share everything but the envelope
        bare = next((plain.removesuffix(end) for end in ("GTG", "GT", "MG", "G") if plain.endswith(end)), plain)
        for version in (bare, f"{bare}GT", f"{bare}G"):
            if version in index:
                return index[version]
    return None


def find(name: str, *, like: str | None = None, kind: str | None = None) -> ValveType:
    """The type of that name, whatever its case, spacing or hyphens, and by any of its other names.

    Parameters
    ----------
    name : str
        As on the card: ``"6v6 gt"``, ``"EL84"``, ``"AC/TH1"``.
    like : str, optional
        Type whose figures stand in when the catalogue lacks ``name``.
    kind : str, optional
        Kind whose typical valve stands in when the catalogue lacks ``name`` and no ``like`` is given.

    Returns
    -------
    ValveType
        With ``stands_for`` and ``assumption`` set when figures of another type stand in.

    Raises
    ------
    UnknownValve
        Neither name nor ``like`` is in the catalogue; ``near`` holds names that look like it.
    InputFault
        ``kind`` is not one of :func:`kinds`.
    """
    stem = _stem(name)
    if stem is not None:
        return _load(stem)
    if like is not None:
        other = find(like)
        return replace(
            other,
            stands_for=name,
            assumption=f"{name} is not in the catalogue: figures of {other.figures_of} stand in, as the card says",
        )
    if kind is not None:
        typical = of_kind(kind)
        return replace(
            typical,
            stands_for=name,
            assumption=f"{name} is not in the catalogue: figures of {typical.figures_of} stand in as a "
            f"typical {kind}",
        )
    near = _near(name)
    raise UnknownValve(
        name,
        near,
        Complaint(
            wrong=f"the catalogue has no valve {name!r}",
            right=(f"near names are {', '.join(near)}; " if near else "")
            + 'or say like = "..." or kind = "..." on the card',
        ),
    )


def _near(name: str) -> tuple[str, ...]:
    written: dict[str, str] = {}
    for other in names():
        written.setdefault(plain_name(other), other)
    close = difflib.get_close_matches(plain_name(name), written, n=5, cutoff=0.5)
    return tuple(written[match] for match in close)


def of_kind(kind: str) -> ValveType:
    """The typical valve of a kind ("output pentode"), from ``trade/valve_kinds.toml``, marked as a stand-in.

    Raises
    ------
    InputFault
        The kind is not listed; the complaint names those that are.
    """
    word = " ".join(kind.lower().split())
    listed = _kinds()
    if word not in listed:
        near = difflib.get_close_matches(word, listed, n=3, cutoff=0.4)
        raise InputFault(
            Complaint(
                wrong=f"{kind!r} is no kind of valve known here",
                right=f"perhaps {', '.join(near)}" if near else "kinds are " + ", ".join(listed),
            )
        )
    valve = find(listed[word]["type"])
    return replace(
        valve, stands_for=word, assumption=f"a {word} is taken to be {listed[word]['type']}, a typical one"
    )


def neighbouring_pins(valve: ValveType) -> tuple[tuple[str, str], ...]:
    """Pairs of pins that sit side by side on the base, round from pin 1.

    Pairs across the wide gap of a miniature base are left out: its contacts are a place apart. From
    ``trade/valve_bases.toml``.
    """
    base = _bases()[valve.base]
    ring = [str(pin) for pin in base["ring"]]
    pairs = list(pairwise(ring))
    if ring and base["closed"]:
        pairs.append((ring[-1], ring[0]))
    if "centre" in base:
        pairs += [(pin, str(base["centre"])) for pin in ring]
    return tuple(pairs)


def neighbouring_points(valve: ValveType) -> tuple[tuple[str, str], ...]:
    """Pairs of different points on pins side by side; heater pins are ``heater_<pin>``.

    Unknown and unconnected pins make no pair.
    """

    def point(pin: str) -> str | None:
        ends = valve.pins.get(pin, ())
        for end in ends:
            if end in valve.points:
                return valve.points[end]
        return f"heater_{pin}" if any(end.startswith("heater") for end in ends) else None

    pairs = ((point(a), point(b)) for a, b in neighbouring_pins(valve))
    return tuple(dict.fromkeys((a, b) for a, b in pairs if a and b and a != b))
