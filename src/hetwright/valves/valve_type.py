"""What is known of a type of valve: its sections, electrodes, pins, ratings and published rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from hetwright.errors import Complaint, InputFault

__all__ = ["ELECTRODES", "Heater", "Origin", "Row", "Section", "ValveType"]

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
