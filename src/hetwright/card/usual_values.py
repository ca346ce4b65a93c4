"""Usual values of parts: from the valve's published rows where there are any, otherwise from custom.

The numbers are in ``trade/stages/*.toml``; the rules that turn a published row into ohms are here.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from hetwright.valves.catalogue import Row, ValveType

__all__ = [
    "SetFacts",
    "StageFacts",
    "by_year",
    "customs",
    "electrode_amps",
    "nearest_row",
    "preferred",
    "rule",
]

STAGES_DIRECTORY = Path(__file__).resolve().parent.parent / "trade" / "stages"

E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)


@lru_cache(maxsize=1)
def customs() -> Mapping[str, Any]:
    """The tables of ``trade/stages/customs.toml``."""
    return tomllib.loads((STAGES_DIRECTORY / "customs.toml").read_text(encoding="utf-8"))


def preferred(value: float) -> float:
    """The E12 value nearest in ratio.

    >>> preferred(219.0), preferred(1340.0)
    (220.0, 1200.0)
    """
    if not value > 0.0:
        return value
    decade = 10.0 ** math.floor(math.log10(value))
    steps = [step * decade for step in (*E12, 10.0)]
    return float(f"{min(steps, key=lambda step: abs(math.log(step / value))):.6g}")


def by_year(table: list[Mapping[str, Any]], year: int) -> Any:
    """The entry in force in that year: the first whose ``until`` is not before it.

    >>> by_year([{"until": 1945, "is": "mica"}, {"is": "ceramic"}], 1950)
    {'is': 'ceramic'}
    """
    for entry in table:
        if year <= entry.get("until", 9999):
            return entry
    return table[-1]


@dataclass(frozen=True, kw_only=True)
class SetFacts:
    """What the rules need to know of the whole set.

    ``ht_volts`` at the reservoir, ``line_volts`` smoothed (HT2); ``total_amps`` drawn from the reservoir.
    """

    year: int
    construction: str
    mains_rms_volts: float
    ht_volts: float
    line_volts: float
    total_amps: float
    rectifier_kind: str
    heater_volts: float = 6.3
    heater_amps: float = 0.3
    chain_volts: float = 0.0
    chain_source_volts: float = 230.0
    output_bias_volts: float = 10.0
    smoothing: str = "resistor"
    front_end_amps: float = 0.01
    filaments_from_ht: bool = False
    common_dropper: bool = False
    lamp_in_chain: bool = False


@dataclass(frozen=True, kw_only=True)
class StageFacts:
    """The valve of a stage and its section; ``line_volts`` the HT that feeds it."""

    valve: ValveType
    section: str
    line_volts: float
    stage: str = ""

    def row(self, *needs: str) -> Row | None:
        """The published row nearest the HT of the stage that gives all of ``needs``."""
        return nearest_row(self.valve, self.section, self.line_volts, needs=needs, stage=self.stage)


def _usable(row: Row) -> bool:
    return (
        row.valves == 1
        and not row.triode_connected
        and row.kind in ("working", "converter", "oscillator", "static", "indicator")
    )


def _row_volts(row: Row) -> float:
    return row.get("supply_volts") or row.get("anode_volts") or 0.0


def nearest_row(
    valve: ValveType, section: str, line_volts: float, *, needs: tuple[str, ...] = (), stage: str = ""
) -> Row | None:
    """The published working row whose supply (or anode) volts are nearest ``line_volts`` in ratio.

    Static points are used only where there is no working row; rows that lack one of ``needs`` are passed over.
    Where a section has rows as frequency changer and as amplifier, ``stage`` decides.
    """

    def fits(row: Row) -> bool:
        return _usable(row) and _row_volts(row) > 0.0 and all(row.get(key) is not None for key in needs)

    rows = [row for row in valve.rows_of(section) if fits(row)]
    working = [row for row in rows if row.kind != "static"] or rows
    wanted = "converter" if stage.startswith("frequency_changer") else "working" if stage else ""
    working = [row for row in working if row.kind == wanted] or working
    if not working or not line_volts > 0.0:
        return None
    return min(working, key=lambda row: abs(math.log(_row_volts(row) / line_volts)))


def electrode_amps(valve: ValveType, section: str, line_volts: float, stage: str = "") -> tuple[float, float, float]:
    """Anode, screen and oscillator-anode amps at that HT: the nearest row by the three-halves law."""
    row = nearest_row(valve, section, line_volts, needs=("anode_amps",), stage=stage)
    if row is None:
        return 0.0, 0.0, 0.0
    scale = min((line_volts / _row_volts(row)) ** 1.5, 1.5) if _row_volts(row) > 0.0 else 1.0
    return (
        scale * (row.get("anode_amps") or 0.0),
        scale * (row.get("screen_amps") or 0.0),
        scale * (row.get("oscillator_anode_amps") or 0.0),
    )


def oscillator_amps(valve: ValveType, line_volts: float) -> float:
    """Anode amps of a frequency changer's oscillator triode."""
    for section in valve.sections:
        if section.shape == "oscillator":
            for kind in ("oscillator", "working"):
                for row in valve.rows_of(section.name):
                    if row.kind == kind and row.get("anode_amps"):
                        return float(row.get("anode_amps") or 0.0)
            return float(customs()["oscillator"]["anode_amps"])
    return 0.0


def cathode_amps(valve: ValveType, section: str, line_volts: float, stage: str = "") -> float:
    """All that the cathode of a section carries; a frequency changer's triode shares it."""
    amps = sum(electrode_amps(valve, section, line_volts, stage))
    if valve.section(section).shape == "hexode" and not stage.startswith("if_amp"):
        amps += oscillator_amps(valve, line_volts)
    return amps


def total_amps(stages: Iterable[tuple[ValveType, str, str]], ht_volts: float) -> float:
    """Direct amps a set usually draws: (valve, section, stage) of every stage, from the published rows.

    Resistance-fed stages draw little whatever their rows say.
    """
    share = float(customs()["smoothing_drop"]["line_over_reservoir"])
    small = float(customs()["smoothing_drop"]["resistance_fed_amps"])
    amps = 0.0
    for valve, section, stage in stages:
        if stage.startswith(("audio", "indicator", "reaction")):
            amps += small
        elif not stage.startswith("detector"):
            amps += cathode_amps(valve, section, share * ht_volts, stage)
    return amps


def _cathode_bias(facts: SetFacts, stage: StageFacts) -> float | None:
    row = stage.row("anode_amps")
    if row is None:
        return None
    stated = row.get("cathode_resistor_ohms")
    if stated is not None and stated > 0.0:
        return stated
    bias = row.bias_volts
    if bias is None or not bias < 0.0:
        return None
    amps = (
        (row.get("anode_amps") or 0.0) + (row.get("screen_amps") or 0.0) + (row.get("oscillator_anode_amps") or 0.0)
    )
    if stage.valve.section(stage.section).shape == "hexode" and not stage.stage.startswith("if_amp"):
        amps += oscillator_amps(stage.valve, stage.line_volts)
    return preferred(-bias / amps) if amps > 0.0 else None


def _screen_feed(facts: SetFacts, stage: StageFacts) -> float | None:
    row = stage.row("screen_volts", "screen_amps")
    if row is None:
        return None
    volts, amps = row.get("screen_volts") or 0.0, row.get("screen_amps") or 0.0
    drop = stage.line_volts - volts
    stated = row.get("screen_resistor_ohms")
    if stated is not None and abs(math.log(_row_volts(row) / stage.line_volts)) < 0.25:
        return stated
    return preferred(drop / amps) if drop > 0.0 and amps > 0.0 else None


def _oscillator_anode_feed(facts: SetFacts, stage: StageFacts) -> float | None:
    rows = [row for row in stage.valve.rows if row.kind in ("oscillator", "converter")]
    for row in rows:
        for key in ("oscillator_anode_resistor_ohms", "anode_resistor_ohms"):
            ohms = row.get(key)
            if ohms and (key != "anode_resistor_ohms" or row.kind == "oscillator"):
                return ohms
    for row in rows:
        volts, amps = row.get("oscillator_anode_volts"), row.get("oscillator_anode_amps")
        if volts and amps and stage.line_volts > volts:
            return preferred((stage.line_volts - volts) / amps)
        if row.kind == "oscillator" and row.get("anode_volts") and row.get("anode_amps"):
            volts, amps = row.get("anode_volts") or 0.0, row.get("anode_amps") or 1.0
            if stage.line_volts > volts:
                return preferred((stage.line_volts - volts) / amps)
    return None


def _oscillator_grid_leak(facts: SetFacts, stage: StageFacts) -> float | None:
    return next(
        (row.get("oscillator_grid_leak_ohms") for row in stage.valve.rows if row.get("oscillator_grid_leak_ohms")),
        None,
    )


def _resistance_coupled_cathode(facts: SetFacts, stage: StageFacts) -> float | None:
    row = stage.row("cathode_resistor_ohms")
    return row.get("cathode_resistor_ohms") if row is not None else None


def _output_primary(facts: SetFacts, stage: StageFacts) -> float | None:
    table = customs()["windings"]
    anode = electrode_amps(stage.valve, stage.section, stage.line_volts, stage.stage)[0]
    if not anode > 0.0:
        return None
    ohms = table["output_primary_volts"] / anode
    return round(min(max(ohms, table["output_primary_least_ohms"]), table["output_primary_most_ohms"]), -1)


def _rf_triode_cathode(facts: SetFacts, stage: StageFacts) -> float | None:
    rows = (row for row in stage.valve.rows_of(stage.section) if row.get("cathode_resistor_ohms"))
    return next((row.get("cathode_resistor_ohms") for row in rows), None)


def _rf_triode_feed(facts: SetFacts, stage: StageFacts) -> float | None:
    rows = (row for row in stage.valve.rows_of(stage.section) if row.kind == "working")
    return next((ohms for row in rows if (ohms := row.get("anode_resistor_ohms"))), None)


def _mixer_triode_feed(facts: SetFacts, stage: StageFacts) -> float | None:
    rows = (row for row in stage.valve.rows_of(stage.section) if row.kind in ("converter", "oscillator"))
    return next((ohms for row in rows if (ohms := row.get("anode_resistor_ohms"))), None)


def _indicator_anode(facts: SetFacts, stage: StageFacts) -> float | None:
    row = stage.row("anode_resistor_ohms")
    return row.get("anode_resistor_ohms") if row is not None else None


def _target_feed(facts: SetFacts, stage: StageFacts) -> float | None:
    """A resistor only where the target is rated for less than the HT."""
    row = stage.row("target_volts", "target_amps")
    if row is None:
        return None
    volts, amps = row.get("target_volts") or 0.0, row.get("target_amps") or 0.0
    drop = stage.line_volts - volts
    return preferred(drop / amps) if drop > 0.0 and amps > 0.0 else None


def _mains_primary(facts: SetFacts, stage: StageFacts | None) -> float:
    # copper for the same watts: ohms go as the square of the volts
    return round(
        float(customs()["windings"]["mains_primary_ohms_at_230_volts"]) * (facts.mains_rms_volts / 230.0) ** 2, 1
    )


def _smoothing_part(key: str) -> Callable[[SetFacts, StageFacts | None], float]:
    def ohms(facts: SetFacts, stage: StageFacts | None) -> float:
        table = customs()["smoothing_drop"]
        amps = max(smoothed_amps(facts), 0.005)
        if key == "field_coil":
            raw = min(table["field_coil_volts"], table["field_coil_share"] * facts.ht_volts) / amps
            low = min(max(raw, table["field_coil_least_ohms"]), table["field_coil_most_ohms"])
            return preferred(low)
        volts = max(facts.ht_volts - facts.line_volts, 5.0)
        return preferred(min(max(volts / amps, table["smoothing_least_ohms"]), table["smoothing_most_ohms"]))

    return ohms


def smoothed_amps(facts: SetFacts) -> float:
    """Amps through the smoothing part; a smoothing resistor does not carry the output anode's current."""
    if facts.filaments_from_ht:
        return facts.total_amps - facts.heater_amps
    if facts.smoothing != "resistor":
        return facts.total_amps
    return facts.total_amps * float(customs()["smoothing_drop"]["share_through_resistor"])


def _electrolytic(which: str) -> Callable[[SetFacts, StageFacts | None], float]:
    def farads(facts: SetFacts, stage: StageFacts | None) -> float:
        table = customs()[which]["AC/DC" if facts.construction == "AC/DC" else "mains transformer"]
        return float(by_year(table, facts.year)["value"])

    return farads


def _back_bias(facts: SetFacts, stage: StageFacts | None) -> float | None:
    return preferred(facts.output_bias_volts / facts.total_amps) if facts.total_amps > 0.0 else None


def _surge(facts: SetFacts, stage: StageFacts | None) -> float:
    table = customs()["surge"]
    if facts.mains_rms_volts >= float(customs()["forms"]["low_mains_below_volts"]) and not facts.common_dropper:
        return float(table["high_mains_ohms"])
    return float(table["valve_low_mains_ohms" if facts.rectifier_kind == "valve" else "silicon_low_mains_ohms"])


def _front_end_decoupling(facts: SetFacts, stage: StageFacts | None) -> float:
    volts = float(customs()["smoothing_drop"]["front_end_volts"])
    return preferred(volts / max(facts.front_end_amps, 1e-3))


def _heater_winding(facts: SetFacts, stage: StageFacts | None) -> float:
    table = customs()["windings"]
    return float(
        table["heater_winding_ohms_6_volts"] if 5.0 < facts.heater_volts < 7.0 else table["heater_winding_ohms_other"]
    )


def _lamp_amps(facts: SetFacts) -> float:
    table = customs()["lamps"]
    amps = float(table["amps"])
    return min(amps, float(table["share_of_chain"]) * facts.heater_amps) if facts.lamp_in_chain else amps


def _lamp(facts: SetFacts, stage: StageFacts | None) -> float:
    volts = float(customs()["lamps"]["chain_volts" if facts.lamp_in_chain else "volts"])
    return round(volts / _lamp_amps(facts), 1)


def _lamp_shunt(facts: SetFacts, stage: StageFacts | None) -> float:
    """The shunt carries what the chain takes beyond the lamp."""
    return round(float(customs()["lamps"]["chain_volts"]) / (facts.heater_amps - _lamp_amps(facts)), 0)


def _dropper(facts: SetFacts, stage: StageFacts | None) -> float:
    return max(round((facts.chain_source_volts - facts.chain_volts) / facts.heater_amps, 0), 1.0)


def _mains_dropper(facts: SetFacts, stage: StageFacts | None) -> float:
    """A dropper that feeds heater chain and rectifier alike; the pulses of the HT count by their r.m.s. amps."""
    pulses = float(customs()["surge"]["rms_over_direct_amps"]) * facts.total_amps
    return max(round((facts.chain_source_volts - facts.chain_volts) / math.hypot(facts.heater_amps, pulses), 0), 1.0)


def _thermistor(facts: SetFacts, stage: StageFacts | None) -> float:
    return round(float(customs()["thermistor"]["hot_volts"]) / facts.heater_amps, 0)


_STAGE_RULES: dict[str, Callable[[SetFacts, StageFacts], float | None]] = {
    "cathode_bias": _cathode_bias,
    "screen_feed": _screen_feed,
    "oscillator_anode_feed": _oscillator_anode_feed,
    "oscillator_grid_leak": _oscillator_grid_leak,
    "resistance_coupled_cathode": _resistance_coupled_cathode,
    "output_primary": _output_primary,
    "rf_triode_cathode": _rf_triode_cathode,
    "rf_triode_feed": _rf_triode_feed,
    "mixer_triode_feed": _mixer_triode_feed,
    "indicator_anode": _indicator_anode,
    "target_feed": _target_feed,
}
_SET_RULES: dict[str, Callable[[SetFacts, StageFacts | None], float | None]] = {
    "mains_primary": _mains_primary,
    "ht_half_secondary": lambda facts, stage: float(customs()["windings"]["ht_half_secondary_ohms"]),
    "ht_secondary": lambda facts, stage: float(customs()["windings"]["ht_secondary_ohms"]),
    "smoothing_resistor": _smoothing_part("smoothing_resistor"),
    "field_coil": _smoothing_part("field_coil"),
    "reservoir": _electrolytic("reservoir"),
    "smoothing": _electrolytic("smoothing"),
    "back_bias": _back_bias,
    "surge_resistor": _surge,
    "front_end_decoupling": _front_end_decoupling,
    "heater_winding": _heater_winding,
    "lamp": _lamp,
    "lamp_shunt": _lamp_shunt,
    "dropper": _dropper,
    "mains_dropper": _mains_dropper,
    "thermistor": _thermistor,
}


def rule(name: str, facts: SetFacts, stage: StageFacts | None) -> float | None:
    """The value a named rule gives, SI, or ``None`` where the published rows do not say.

    Raises
    ------
    KeyError
        No rule of that name: a pattern file is wrong.
    """
    if name in _SET_RULES:
        return _SET_RULES[name](facts, stage)
    made = _STAGE_RULES[name]
    return made(facts, stage) if stage is not None else None
