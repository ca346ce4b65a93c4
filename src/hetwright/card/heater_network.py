"""The heater circuit of a card: side by side on windings, one after the other on the mains, or on a battery."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from hetwright.card.layout import LaidPart, Layout, chain_heaters, chain_order
from hetwright.card.model import Basis, Part, SetCard, State
from hetwright.card.usual_values import customs
from hetwright.circuit.network import Battery, Element, Resistance
from hetwright.valves.catalogue import Heater, ValveType

__all__ = ["HeaterElements", "heater_elements"]

SlotKey = tuple[str, str]


@dataclass(kw_only=True)
class HeaterElements:
    """Elements of the heater network (``hot``), and of the same chain cold, for the ohmmeter (``cold``).

    ``nominal_volts``: of each heater as its halves are joined here.
    """

    hot: list[Element] = field(default_factory=list)
    cold: list[Element] = field(default_factory=list)
    terminals: dict[str, tuple[str, str]] = field(default_factory=dict)
    spreads: dict[SlotKey, float] = field(default_factory=dict)
    basis: dict[SlotKey, Basis] = field(default_factory=dict)
    assumptions: list[str] = field(default_factory=list)
    nominal_volts: dict[str, float] = field(default_factory=dict)

    def resistance(
        self, part: str, a: str, b: str, ohms: float, what: str = "ohms", scale: float = 1.0, cold: float = 1.0
    ) -> None:
        """A resistance hot, and the same slot ``cold`` times as great when cold."""
        ohms = max(ohms, float(customs()["heaters"]["least_ohms"]))
        self.hot.append(Resistance(part=part, a=a, b=b, ohms=ohms, what=what, scale=scale))
        self.cold.append(Resistance(part=part, a=a, b=b, ohms=ohms, what=what, scale=scale * cold))


def heater_elements(
    card: SetCard, layout: Layout, placed: list[tuple[Part, LaidPart | None]], state: State
) -> HeaterElements | None:
    """The heater circuit, or ``None`` where no heater is known."""
    heaters = {
        ref: valve.heater
        for ref, valve in layout.types.items()
        if valve.heater is not None and valve.heater.volts and valve.heater.amps
    }
    if not heaters:
        return None
    parts = {
        laid.role: part
        for part, laid in placed
        if laid is not None and (laid.stage == "heaters" or laid.role == "supply.dropper")
    }
    built = HeaterElements(nominal_volts={ref: heater.volts or 0.0 for ref, heater in heaters.items()})
    for ref in layout.types:
        if ref not in heaters:
            built.assumptions.append(
                f"heater figures of {ref} ({layout.types[ref].name}) are not known: it is left out"
            )
    scheme = layout.set_forms["heaters"]
    if scheme == "series":
        _series(card, layout, parts, heaters, built, state)
    else:
        _parallel(card, layout, parts, heaters, built, state)
    return built


def _part_ohms(part: Part | None, state: State) -> float:
    """Ohms of a part, counted in ohms or not; none for a part that is not there."""
    if part is None:
        return 0.0
    value = part.value(state)
    return value.si if value is not None else part.figures.get("ohms", 0.0)


def _note(built: HeaterElements, part: Part | None, key: SlotKey, state: State) -> None:
    value = part.value(state) if part is not None else None
    if value is not None:
        built.spreads[key] = value.spread_log_sd
        built.basis[key] = value.basis


def _heater(built: HeaterElements, ref: str, above: str, below: str, heater: Heater) -> None:
    table = customs()["heaters"]
    pin, ret = f"{ref}.heater", below
    built.resistance(f"{ref}.holder", above, pin, float(table["contact_ohms"]), what="heater_contact_ohms")
    built.resistance(
        ref,
        pin,
        ret,
        (heater.volts or 0.0) / (heater.amps or 1.0),
        what="heater_ohms",
        cold=float(table["cold_over_hot"]),
    )
    built.spreads[ref, "heater_ohms"] = math.log(float(table["spread_factor"]))
    built.basis[ref, "heater_ohms"] = "usual"
    built.terminals[f"{ref}.heater"] = (pin, ret)


def _parallel(
    card: SetCard,
    layout: Layout,
    parts: dict[str, Part],
    heaters: dict[str, Heater],
    built: HeaterElements,
    state: State,
) -> None:
    battery = layout.set_forms["heaters"] == "battery"
    winding = parts.get("heaters.winding") or parts.get("heaters.battery")
    wiring = parts.get("heaters.wiring")
    lamp = parts.get("heaters.lamp")
    name = winding.ref if winding is not None else "heater winding"
    groups: dict[tuple[float, bool], list[str]] = {}
    for ref, heater in heaters.items():
        valve: ValveType = layout.types[ref]
        rectifier = valve.plain.kind == "rectifier"
        # a rectifier whose cathode is its filament, or whose heater volts differ, has a winding of its own
        alone = rectifier and (
            heater.directly_heated or abs((heater.volts or 0.0) - _main_volts(layout, heaters)) > 0.3
        )
        groups.setdefault((heater.volts or 0.0, alone), []).append(ref)
    main = _main_volts(layout, heaters)
    for number, ((volts, _), refs) in enumerate(
        sorted(groups.items(), key=lambda item: (item[0][1], abs(item[0][0] - main)))
    ):
        suffix = "" if number == 0 else f"_{number + 1}"
        supply, line = f"heater_supply{suffix}", f"heater_line{suffix}"
        amps = sum((heaters[ref].amps or 0.0) for ref in refs)
        lit = number == 0 and lamp is not None and not battery
        lamp_ohms = _part_ohms(lamp, state)
        if lit:
            amps += volts / lamp_ohms
        ohms = _part_ohms(winding, state)
        lead = _part_ohms(wiring, state)
        part = name if number == 0 else f"{name}.{number + 1}"
        # the winding gives its volts at the load it is made for
        built.hot.append(
            Battery(part=part, plus=supply, minus="chassis", volts=volts + amps * (ohms + lead), ohms=ohms)
        )
        _note(built, winding, (part, "ohms"), state)
        built.resistance(
            wiring.ref if wiring is not None and number == 0 else f"heaters.wiring{suffix}", supply, line, lead
        )
        if number == 0:
            if winding is not None:
                built.terminals[winding.ref] = built.terminals["heaters.winding"] = (supply, "chassis")
            if wiring is not None:
                built.terminals[wiring.ref] = built.terminals["heaters.wiring"] = (supply, line)
        if lit and lamp is not None:
            built.resistance(lamp.ref, line, "chassis", lamp_ohms, cold=float(customs()["heaters"]["cold_over_hot"]))
            _note(built, lamp, (lamp.ref, "ohms"), state)
            built.terminals[lamp.ref] = built.terminals["heaters.lamp"] = (line, "chassis")
        tap = parts.get("heaters.centre_tap")
        if number == 0 and tap is not None:
            built.resistance(tap.ref, line, "chassis", _part_ohms(tap, state))
            built.terminals[tap.ref] = built.terminals["heaters.centre_tap"] = (line, "chassis")
        for ref in refs:
            _heater(built, ref, line, "chassis", heaters[ref])


def _main_volts(layout: Layout, heaters: dict[str, Heater]) -> float:
    amps: dict[float, float] = {}
    for ref, heater in heaters.items():
        if layout.types[ref].plain.kind == "rectifier":
            continue
        amps[heater.volts or 0.0] = amps.get(heater.volts or 0.0, 0.0) + (heater.amps or 0.0)
    return max(amps, key=lambda volts: amps[volts]) if amps else next(iter(heaters.values())).volts or 6.3


def _series(
    card: SetCard,
    layout: Layout,
    parts: dict[str, Part],
    heaters: dict[str, Heater],
    built: HeaterElements,
    state: State,
) -> None:
    table = customs()["heaters"]
    forms = layout.set_forms
    amps, heaters = chain_heaters(heaters)
    built.nominal_volts.update({ref: heater.volts or 0.0 for ref, heater in heaters.items()})
    chain = chain_order(card.stages, card.supply.valve, list(heaters))
    on_winding = forms["chain"] == "winding"
    top = {"winding": "heater_supply", "HT": "HT1"}.get(forms["chain"], layout.point("mains_in"))

    link = parts.get("heaters.chain")
    here = top
    ohms_in_series = 0.0

    def series(part: Part | None, ohms: float, role: str, to: str, cold: float = 1.0) -> None:
        nonlocal here, ohms_in_series
        ref = part.ref if part is not None else role
        built.resistance(ref, here, to, ohms, cold=cold)
        _note(built, part, (ref, "ohms"), state)
        built.terminals[ref] = built.terminals[role] = (here, to)
        here = to
        ohms_in_series += ohms

    series(link, _part_ohms(link, state), "heaters.chain", "heaters.dropper_in")
    for role in ("heaters.dropper", "heaters.barretter"):
        dropper = parts.get(role)
        if dropper is not None:
            series(dropper, _part_ohms(dropper, state), role, f"heaters.{role[8:]}_out")
    thermistor = parts.get("supply.thermistor")
    if thermistor is not None:
        series(
            thermistor,
            _part_ohms(thermistor, state),
            "supply.thermistor",
            "heaters.thermistor_out",
            cold=float(table["thermistor_cold_over_hot"]),
        )
    lamp, shunt = parts.get("heaters.lamp"), parts.get("heaters.shunt_resistor")
    if lamp is not None and forms["lamp"] == "in the chain":
        above, below = here, "heaters.lamp_out"
        least = float(table["least_ohms"])
        lamp_ohms, shunt_ohms = max(_part_ohms(lamp, state), least), _part_ohms(shunt, state)
        built.resistance(lamp.ref, above, below, lamp_ohms, cold=float(table["cold_over_hot"]))
        built.terminals[lamp.ref] = built.terminals["heaters.lamp"] = (above, below)
        if shunt is not None:
            built.resistance(shunt.ref, above, below, shunt_ohms)
            _note(built, shunt, (shunt.ref, "ohms"), state)
            built.terminals[shunt.ref] = built.terminals["heaters.shunt_resistor"] = (above, below)
        here = below
        ohms_in_series += 1.0 / (1.0 / lamp_ohms + (1.0 / shunt_ohms if shunt_ohms else 0.0))
    volts_needed = ohms_in_series * amps
    for number, ref in enumerate(chain):
        heater = heaters[ref]
        last = number == len(chain) - 1
        below = "heaters.chain_end" if last else f"{ref}.heater_return"
        if ref in layout.filament_ends:
            below = layout.point(layout.filament_ends[ref]) if not last else below
        _chain_heater(built, ref, here, below, heater, lamp, forms["lamp"] == "on the rectifier's tap", state)
        if (heater.amps or amps) < float(table["shunt_below_share"]) * amps:
            built.resistance(
                f"{ref}.shunt", f"{ref}.heater", below, (heater.volts or 0.0) / (amps - (heater.amps or 0.0))
            )
            built.assumptions.append(f"the heater of {ref} takes less than the chain: a shunt across it is assumed")
        volts_needed += heater.volts or 0.0
        here = below
    wiring = parts.get("heaters.wiring")
    end = "chassis" if on_winding or forms["chain"] == "HT" else layout.point("ht_negative")
    built.resistance(wiring.ref if wiring is not None else "heaters.wiring", here, end, _part_ohms(wiring, state))
    if wiring is not None:
        built.terminals[wiring.ref] = built.terminals["heaters.wiring"] = (here, end)
    winding = parts.get("heaters.winding")
    if on_winding:
        ohms = _part_ohms(winding, state)
        source = winding.ref if winding is not None else "heater winding"
        built.hot.append(Battery(part=source, plus=top, minus="chassis", volts=volts_needed + ohms * amps, ohms=ohms))
        built.terminals[source] = built.terminals["heaters.winding"] = (top, "chassis")
    elif forms["chain"] == "HT":
        source = "HT"
        ht = card.supply.ht_volts
        volts = ht.si if ht is not None else volts_needed
        built.hot.append(
            Battery(part=source, plus=top, minus="chassis", volts=volts, ohms=float(table["mains_ohms"]))
        )
    else:
        source = "mains"
        ohms = float(table["mains_ohms"])
        common = parts.get("supply.dropper")
        if common is not None and common.usual is not None:
            # a dropper that feeds the rectifier as well: what it drops by both currents counts for the chain
            share = _part_ohms(common, state) / common.usual.si
            ohms += share * max(card.mains_rms_volts - volts_needed, 0.0) / amps
            volts_needed = card.mains_rms_volts
        built.hot.append(
            Battery(part=source, plus=top, minus=layout.point("mains_neutral"), volts=card.mains_rms_volts, ohms=ohms)
        )
        off = volts_needed / card.mains_rms_volts
        if abs(off - 1.0) > float(table["chain_volts_may_be_off"]):
            built.assumptions.append(
                f"the heater chain needs {volts_needed:.0f} V at {amps * 1e3:.0f} mA, "
                f"and the mains are {card.mains_rms_volts:.0f} V"
            )
    built.spreads[source, "volts"] = math.log(float(customs()["spread"]["mains_factor"]))
    built.basis[source, "volts"] = "stated"


def _chain_heater(
    built: HeaterElements,
    ref: str,
    above: str,
    below: str,
    heater: Heater,
    lamp: Part | None,
    on_tap: bool,
    state: State,
) -> None:
    if not (on_tap and heater.tap_volts and lamp is not None):
        _heater(built, ref, above, below, heater)
        return
    # the lamp lies across part of the rectifier's heater; the heater is rated with the lamp in place
    table = customs()["heaters"]
    share = heater.tap_volts / (heater.volts or 1.0)
    ohms = (heater.volts or 0.0) / (heater.amps or 1.0)
    pin, tap = f"{ref}.heater", f"{ref}.heater_tap"
    cold = float(table["cold_over_hot"])
    built.resistance(f"{ref}.holder", above, pin, float(table["contact_ohms"]), what="heater_contact_ohms")
    built.resistance(ref, pin, tap, ohms, what="heater_ohms", scale=share, cold=cold)
    built.resistance(ref, tap, below, ohms, what="heater_ohms", scale=1.0 - share, cold=cold)
    lamp_ohms = _part_ohms(lamp, state)
    built.resistance(lamp.ref, pin, tap, lamp_ohms, cold=cold)
    built.terminals[lamp.ref] = built.terminals["heaters.lamp"] = (pin, tap)
    built.terminals[f"{ref}.heater"] = (pin, below)
    built.spreads[ref, "heater_ohms"] = math.log(float(table["spread_factor"]))
    built.basis[ref, "heater_ohms"] = "usual"
