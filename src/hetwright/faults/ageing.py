"""The background of an old set: how far every quantity may be off without anything being called a fault.

Tolerance or usual-value spread comes from the card's networks, ageing by class of part from ``trade/ageing.toml``
(experience and judgement, not statistics). The two are independent: their log variances add.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from math import exp, hypot, log
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hetwright.card.model import SetCard, State
from hetwright.circuit.network import (
    Battery,
    Capacitance,
    Conductance,
    Element,
    Inductance,
    JunctionDiode,
    Network,
    Resistance,
    Supply,
    ValveSection,
)
from hetwright.trade_data import load_trade

from .heating import base_part, heater_name
from .inference import Background
from .rates import RateTable, Subject, default_rates, subjects_of

__all__ = ["SlotBackground", "SpreadNetworks", "arrays_of", "background"]

Key = tuple[str, str]


class SpreadNetworks(Protocol):
    """What the background needs of :class:`hetwright.card.network.CardNetworks`."""

    @property
    def ht(self) -> Network: ...

    @property
    def heaters(self) -> Network | None: ...

    @property
    def spreads(self) -> Mapping[Key, float]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotBackground:
    """Where a slot of a set without faults may be.

    The slot is ``median x exp(z)``, or ``median + z`` where ``logarithmic`` is False; z has standard deviation
    ``sd``, and with ``tail_probability`` the wider ``tail_sd``. ``median`` includes ``log_shift``, the drift age has
    given it; ``floor`` is the middle value of a quantity that has no nominal one (leakage, gas).
    """

    median: float
    sd: float
    tail_probability: float = 0.0
    tail_sd: float = 0.0
    log_shift: float = 0.0
    floor: float | None = None
    logarithmic: bool = True


FIXED = SlotBackground(median=0.0, sd=0.0, logarithmic=False)


class _Ageing:
    """The ageing table with the ages of one card."""

    def __init__(self, card: SetCard, state: State, rates: RateTable, as_of_year: int | None) -> None:
        self.table = load_trade("ageing.toml")
        numbers = self.table["numbers"]
        self.now = int(as_of_year or numbers["as_of_year"])
        self.set_year = card.year or int(numbers["assumed_year"])
        self.full = float(numbers["full_at_years"])
        self.subjects: dict[str, Subject] = {}
        self.classes: dict[str, str] = {}
        for subject in subjects_of(card, state):
            self.subjects.setdefault(subject.part, subject)
            self.classes.setdefault(subject.part, rates.class_of(subject).name)

    def age(self, part: str) -> float:
        """Share of full ageing, 0 to 1."""
        subject = self.subjects.get(part)
        if subject is not None and "fitted" in subject.known:
            return 0.0
        made = (subject.year if subject is not None else None) or self.set_year
        return min(max((self.now - made) / self.full, 0.0), 1.0)

    def known(self, part: str) -> frozenset[str]:
        subject = self.subjects.get(part)
        return frozenset() if subject is None else subject.known

    def row(self, section: str, part: str, **fits: str) -> dict[str, Any]:
        """The first row of a section that fits."""
        name = self.classes.get(part, "other")
        for record in self.table[section]:
            if not fnmatchcase(name, record.get("class", "*")):
                continue
            if fits.get("what", record.get("what")) != record.get("what"):
                continue
            if "rectifier" in record and fits.get("rectifier") not in record["rectifier"]:
                continue
            found: dict[str, Any] = record
            return found
        raise KeyError(f"ageing.toml has no {section} row for {name}, {fits}")

    def logarithmic(
        self,
        nominal: float,
        record: Mapping[str, Any],
        part: str,
        tolerance: float,
        *,
        aged: bool = True,
    ) -> SlotBackground:
        """Nominal value with tolerance and age together."""
        share = self.age(part) if aged and record.get("ages", True) else float(not record.get("ages", True))
        shift = share * record["log_shift"]
        sd = hypot(tolerance, share * record["log_sd"])
        return SlotBackground(
            median=nominal * exp(shift),
            sd=sd,
            tail_probability=share * record["tail_probability"],
            tail_sd=max(hypot(tolerance, record["tail_log_sd"]), sd),
            log_shift=shift,
        )


def background(
    card: SetCard,
    networks: SpreadNetworks,
    *,
    state: State = "now",
    mains_read: bool = False,
    as_of_year: int | None = None,
    rates: RateTable | None = None,
) -> dict[Key, SlotBackground]:
    """Where every slot of a set may be before any fault: tolerance, usual-value spread, ageing, valves, mains.

    Parameters
    ----------
    card : SetCard
    networks : CardNetworks
        Of the same card and state; ``spreads`` holds log standard deviations before ageing.
    state : "drawn", "found" or "now"
    mains_read : bool
        The mains volts were read when the readings were taken.
    as_of_year : int, optional
        The year ages are counted to; default that of ``ageing.toml``.
    rates : RateTable, optional
        Whose classes of part are used.

    Returns
    -------
    dict of (part, slot) -> SlotBackground
        Every slot of both networks. Ports, at zero until a fault opens them, have no spread.
    """
    ageing = _Ageing(card, state, rates or default_rates(), as_of_year)
    out: dict[Key, SlotBackground] = {}
    heaters = networks.heaters.elements if networks.heaters is not None else ()
    for element in networks.ht.elements:
        for key, value in _slots_of(element, networks.spreads, ageing, mains_read=mains_read).items():
            out.setdefault(key, value)
    in_ht = set(out)
    for element in heaters:
        for key, value in _heater_slots(element, networks.spreads, ageing, mains_read=mains_read).items():
            out[key if key not in in_ht else (heater_name(key[0]), key[1])] = value
    return out


def _aged_value(
    element_part: str, what: str, nominal: float, kind: str, spreads: Mapping[Key, float], ageing: _Ageing
) -> SlotBackground:
    part = base_part(element_part)
    # a measured value has its ageing in it
    aged = not ({"measured"} & ageing.known(part) and what in ("ohms", "farads"))
    return ageing.logarithmic(
        nominal, ageing.row("drift", part, what=kind), part, spreads.get((element_part, what), 0.0), aged=aged
    )


def _slots_of(
    element: Element, spreads: Mapping[Key, float], ageing: _Ageing, *, mains_read: bool
) -> dict[Key, SlotBackground]:
    name = element.part
    if isinstance(element, Resistance):
        return {(name, element.what): _aged_value(name, element.what, element.ohms, "ohms", spreads, ageing)}
    if isinstance(element, Inductance):
        return {
            (name, "ohms"): _aged_value(name, "ohms", element.ohms, "ohms", spreads, ageing),
            (name, "henries"): _aged_value(name, "henries", element.henries, "henries", spreads, ageing),
        }
    if isinstance(element, Capacitance):
        return {
            (name, "farads"): _aged_value(name, "farads", element.farads, "farads", spreads, ageing),
            (name, "leak_siemens"): _leakage(element, ageing),
        }
    if isinstance(element, Conductance):
        return {(name, element.what): FIXED if element.siemens == 0.0 else _plain(element.siemens)}
    if isinstance(element, ValveSection):
        return _valve(element, spreads, ageing)
    if isinstance(element, Supply):
        return _supply(element, spreads, ageing, mains_read=mains_read)
    if isinstance(element, Battery):
        return _battery(element, spreads, ageing, mains_read=mains_read)
    assert isinstance(element, JunctionDiode)
    return {}


def _plain(nominal: float) -> SlotBackground:
    return SlotBackground(median=nominal, sd=0.0)


def _leakage(element: Capacitance, ageing: _Ageing) -> SlotBackground:
    part = base_part(element.part)
    record = ageing.row("leakage", part)
    share = ageing.age(part)
    middle = max(record["siemens_per_farad"] * element.farads, record["least_siemens"])
    # a new part leaks as little as the best of the old ones
    median = max(element.leak_siemens, middle * exp((share - 1.0) * 2.0 * record["log_sd"]))
    return SlotBackground(
        median=median,
        sd=record["log_sd"],
        tail_probability=share * record["tail_probability"],
        tail_sd=record["tail_log_sd"],
        log_shift=log(median / element.leak_siemens) if element.leak_siemens > 0.0 else 0.0,
        floor=median,
    )


def _valve(element: ValveSection, spreads: Mapping[Key, float], ageing: _Ageing) -> dict[Key, SlotBackground]:
    name, valve = element.part, element.valve
    share = ageing.age(valve)
    out: dict[Key, SlotBackground] = {}
    for what in ("emission", "mu"):
        record = ageing.row("valve", valve, what=what)
        out[name, what] = ageing.logarithmic(1.0, record, valve, spreads.get((name, what), 0.0))
    record = ageing.row("valve", valve, what="contact_volts")
    out[name, "contact_volts"] = SlotBackground(
        median=0.0,
        sd=record["sd_volts"],
        tail_probability=record["tail_probability"],
        tail_sd=record["tail_sd_volts"],
        logarithmic=False,
    )
    record = ageing.row("valve", valve, what="gas")
    out[name, "gas"] = SlotBackground(
        median=record["middle"],
        sd=record["log_sd"],
        tail_probability=share * record["tail_probability"],
        tail_sd=record["tail_log_sd"],
        floor=record["middle"],
    )
    return out


def _mains(nominal: float, stated: float, ageing: _Ageing, *, mains_read: bool) -> SlotBackground:
    """Mains volts, or what is in proportion to them.

    ``stated`` already has the spread of unread mains in it; what is left of it is that of the winding.
    """
    unread, read = (ageing.row("supply", "", what=what) for what in ("mains", "mains_read"))
    record = read if mains_read else unread
    winding = max(stated**2 - unread["log_sd"] ** 2, 0.0) ** 0.5
    return ageing.logarithmic(nominal, record, "", winding)


def _supply(
    element: Supply, spreads: Mapping[Key, float], ageing: _Ageing, *, mains_read: bool
) -> dict[Key, SlotBackground]:
    nominal = {
        "winding_ohms": element.winding_ohms,
        "emission_1": 1.0,
        "emission_2": 1.0,
        "reservoir_farads": element.reservoir_farads,
    }
    key = (element.part, "mains")
    out = {key: _mains(1.0, spreads.get(key, 0.0), ageing, mains_read=mains_read)}
    for what, value in nominal.items():
        part = element.slots_of.get(what, element.part)
        record = ageing.row("supply", part, what=what, rectifier=element.rectifier)
        out[element.part, what] = ageing.logarithmic(value, record, part, spreads.get((element.part, what), 0.0))
    return out


def _battery(
    element: Battery, spreads: Mapping[Key, float], ageing: _Ageing, *, mains_read: bool
) -> dict[Key, SlotBackground]:
    key = (element.part, "volts")
    return {
        key: _mains(element.volts, spreads.get(key, 0.0), ageing, mains_read=mains_read),
        (element.part, "ohms"): _plain(element.ohms),
    }


def _heater_slots(
    element: Element, spreads: Mapping[Key, float], ageing: _Ageing, *, mains_read: bool
) -> dict[Key, SlotBackground]:
    if isinstance(element, Resistance):
        part = base_part(element.part)
        subject = ageing.subjects.get(part)
        section = "drift" if subject is not None and not subject.valve else "heater"
        record = ageing.row(section, part, what="ohms")
        key = (element.part, element.what)
        return {key: ageing.logarithmic(element.ohms, record, part, spreads.get(key, 0.0))}
    return _slots_of(element, spreads, ageing, mains_read=mains_read)


def arrays_of(
    backgrounds: Mapping[Key, SlotBackground], slots: Mapping[Key, int], nominal: NDArray[np.float64]
) -> tuple[NDArray[np.float64], Background]:
    """The background as arrays, in the order of a circuit's slots.

    Parameters
    ----------
    backgrounds : dict as :func:`background` makes it
    slots : (part, slot) -> column
    nominal : (S,)
        Slot values of the circuit; kept where the background has nothing to say.

    Returns
    -------
    medians : (S,)
    background : hetwright.faults.inference.Background
    """
    medians = np.array(nominal, dtype=np.float64)
    size = medians.shape[0]
    logarithmic = np.ones(size, dtype=bool)
    sd, probability, tail = np.zeros(size), np.zeros(size), np.zeros(size)
    for key, column in slots.items():
        slot = backgrounds.get(key)
        if slot is None:
            continue
        if not (slot.sd == 0.0 and slot.median == 0.0):
            medians[column] = slot.median
        logarithmic[column] = slot.logarithmic
        sd[column] = slot.sd
        probability[column] = slot.tail_probability
        tail[column] = max(slot.tail_sd, slot.sd)
    return medians, Background(logarithmic=logarithmic, sd=sd, tail_probability=probability, tail_sd=tail)
