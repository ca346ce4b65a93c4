"""What a set is to the solver: points, and the elements joined between them.

A network is a plain description. Every quantity of an element that a fault, a tolerance or a meter
may change is a *slot*, named by the part and what it is of that part: ``("R12", "ohms")``,
``("C9", "leak_siemens")``, ``("V3.pentode", "emission")``. A stack of variants is an array of slot
values, one row a variant; topology never changes. What a fault may add (a leak, touching electrodes, a
meter across two points) is an element present from the start at zero siemens.

Element order is slot order. Volts are to the datum point (volts zero), normally ``chassis``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = [
    "Battery",
    "Capacitance",
    "Conductance",
    "Element",
    "Inductance",
    "JunctionDiode",
    "Network",
    "Resistance",
    "Slot",
    "Supply",
    "ValveSection",
]


@dataclass(frozen=True, slots=True)
class Slot:
    """One quantity of one part that a variant may change, in SI units."""

    part: str
    what: str
    nominal: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Resistance:
    """A resistor, winding, link or contact. Slot (part, what) in ohms; effective ohms = slot x scale.

    ``scale`` lets one track make two elements: the halves of a volume control share its slot.
    """

    part: str
    a: str
    b: str
    ohms: float
    what: str = "ohms"
    scale: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Conductance:
    """Something that may join two points: touching electrodes, a stray leak, a meter. Slot in siemens."""

    part: str
    a: str
    b: str
    what: str
    siemens: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Inductance:
    """A coil or winding. Slots (part, "ohms") and (part, "henries"); direct current sees the ohms only."""

    part: str
    a: str
    b: str
    ohms: float
    henries: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacitance:
    """A capacitor. Slots (part, "farads") and (part, "leak_siemens").

    Leakage current at V volts is ``G V (1 + (|V|/knee_volts)**power)`` (design: leakage rises with
    voltage). An electrolytic has its plus at ``a``; reversed it conducts as ``reverse_siemens``.
    """

    part: str
    a: str
    b: str
    farads: float
    leak_siemens: float = 0.0
    knee_volts: float = 150.0
    power: float = 1.5
    electrolytic: bool = False
    reverse_siemens: float = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class JunctionDiode:
    """A semiconductor diode in the circuit proper (not the supply's): "silicon", "germanium", "selenium"."""

    part: str
    anode: str
    cathode: str
    kind: str = "germanium"


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveSection:
    """One electrode system of a valve.

    ``shape`` and ``constants`` are those of :mod:`hetwright.valves.law`; ``electrodes`` maps each electrode
    name of the shape to a point; ``cathode`` is the point of the cathode (or filament).
    Slots (part, ...): "emission" (1 = new), "mu" (factor, 1 = book), "contact_volts" (0 = book),
    "gas" (grid amps per anode amp, 0 = hard). ``part`` reads ``V3.pentode``; ``valve`` reads ``V3``.
    """

    part: str
    valve: str
    shape: str
    constants: dict[str, float]
    electrodes: dict[str, str]
    cathode: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """The HT supply as one port: volts between ``plus`` and ``minus`` as a smooth function of amps drawn.

    ``kind``: "bridge", "two-anode", "half-wave", "doubler"; ``rectifier``: "silicon", "selenium", "valve".
    Slots (part, ...): "mains" (factor on nominal), "winding_ohms", "emission_1", "emission_2",
    "reservoir_farads". ``slots_of`` says which part of the set stands behind a slot ("emission_1" -> "V5"); it names
    no slot. See :mod:`hetwright.supply.port` for what the figures mean.
    """

    part: str
    plus: str
    minus: str
    kind: str
    rectifier: str
    rms_volts: float
    hertz: float
    winding_ohms: float
    reservoir_farads: float
    perveance: float = 0.0
    drop_volts: float = 0.0
    slots_of: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Battery:
    """A direct (or, in a heater network, r.m.s.) source with internal resistance. Slots "volts", "ohms"."""

    part: str
    plus: str
    minus: str
    volts: float
    ohms: float = 1.0


Element = Resistance | Conductance | Inductance | Capacitance | JunctionDiode | ValveSection | Supply | Battery


@dataclass(frozen=True, kw_only=True)
class Network:
    """Points and elements, with the datum. ``insulation_ohms`` joins every point to the datum."""

    elements: tuple[Element, ...]
    datum: str = "chassis"
    insulation_ohms: float = 1e10
    labels: dict[str, str] = field(default_factory=dict)
