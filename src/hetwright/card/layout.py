"""Where the parts of the stage patterns sit in one set: words of the patterns become points of the set.

A layout follows from what a card keeps (stages with their forms, supply, construction), so that a card read from a
file and one just built give the same circuit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass, replace

from hetwright.card.model import SetCard, Stage, SupplyCard
from hetwright.card.pattern_files import (
    Forms,
    PartPattern,
    Pattern,
    WindingPattern,
    base_stage,
    holds,
    pattern_named,
)
from hetwright.card.usual_values import customs
from hetwright.errors import Complaint, InputFault
from hetwright.valves.catalogue import Heater, ValveType, find

__all__ = [
    "SIGNAL_ORDER",
    "LaidPart",
    "Layout",
    "chain_heaters",
    "chain_order",
    "construction_word",
    "electrode_point",
    "filaments_from_ht",
    "lay_out",
    "layout_of",
    "rectifier_words",
    "region_of",
    "set_forms_of",
]


def construction_word(construction: str, heaters: str) -> str:
    """The construction in one of four words; an unknown one follows the heaters (this is no safety statement)."""
    plain = construction.lower()
    if "auto" in plain:
        return "auto-transformer"
    if "transformer" in plain and "less" not in plain:
        return "mains transformer"
    if "battery" in plain:
        return "battery"
    if "ac/dc" in plain or "universal" in plain or "live" in plain or "less" in plain:
        return "AC/DC"
    return {"series": "AC/DC", "battery": "battery"}.get(heaters, "mains transformer")


def rectifier_words(rectifier: str) -> tuple[str, str]:
    """("bridge", "silicon") of "bridge, silicon".

    >>> rectifier_words("two-anode valve"), rectifier_words("half-wave selenium")
    (('two-anode', 'valve'), ('half-wave', 'selenium'))
    """
    plain = rectifier.lower()
    if "battery" in plain:
        return "battery", "battery"
    form = next(
        (
            word
            for word in ("bridge", "two-anode", "half-wave", "doubler")
            if word in plain or word.replace("-", " ") in plain
        ),
        "two-anode" if ("full-wave" in plain or "full wave" in plain) else "half-wave",
    )
    kind = next((word for word in ("silicon", "selenium") if word in plain), "valve")
    if kind == "valve" and ("metal" in plain or "westinghouse" in plain):
        kind = "selenium"
    return form, kind


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Every part of the patterns of one set with its points resolved, the wires between them, and the valve points.

    ``joined`` maps a point to the one that stands for it; ``filament_ends`` a filament valve in a chain to the
    point of its negative end.
    """

    parts: tuple[LaidPart, ...]
    joined: Mapping[str, str]
    types: Mapping[str, ValveType]
    forms: Mapping[str, Forms]
    set_forms: Forms
    filament_ends: Mapping[str, str]

    def point(self, name: str) -> str:
        """The point that stands for ``name``."""
        seen = name
        while seen in self.joined:
            seen = self.joined[seen]
        return seen


@dataclass(frozen=True, kw_only=True)
class LaidPart:
    """A part of a pattern in its place. ``windings``: name, from, to, henries and usual of each."""

    role: str
    stage: str
    pattern: PartPattern
    from_point: str
    to_point: str
    windings: tuple[tuple[WindingPattern, str, str], ...] = ()
    slider: str | None = None


#: Order in which a point gives its name to those joined to it.
_RANK = (
    "chassis",
    "ht_negative",
    "HT1",
    "HT2",
    "HT3",
    "avc_line",
    "bias_line",
    "mains_live",
    "mains_neutral",
    "mains_in",
    "detector_load",
    "volume_slider",
    "heater_supply",
    "heater_line",
    "loudspeaker",
    "aerial",
)

GLOBAL_POINTS = frozenset(
    {
        *("HT1", "HT2", "HT3", "chassis", "ht_negative", "earth", "mains_live", "mains_neutral", "mains_in"),
        *("aerial", "aerial_input", "loudspeaker", "avc_line", "volume_slider", "detector_load", "bias_line"),
        *("heater_supply", "heater_line"),
    }
)


def electrode_point(ref: str, valve: ValveType, section: str, electrode: str) -> str:
    """Point of an electrode in a set: ``V3.anode``, ``V3.control_grid``, ``V3.screen_grid``, ``V1.triode_anode``."""
    name = valve.points[f"{section}.{electrode}"]
    written = {"grid": "control_grid", "screen": "screen_grid", "suppressor": "suppressor_grid"}.get(name, name)
    return f"{ref}.{written}"


def _rank(point: str) -> tuple[int, str]:
    if point in _RANK:
        return _RANK.index(point), point
    owner, dot, word = point.partition(".")
    electrode = bool(dot) and owner[-1:].isdigit()
    # a valve pin names the point before a local word does; an injection grid after the oscillator's own
    return len(_RANK) + (2 if word == "injection" else 0 if electrode else 1 if not dot else 3), point


class _Layer:
    """Resolves the words of the patterns for one set."""

    def __init__(
        self,
        stages: tuple[Stage, ...],
        types: Mapping[str, ValveType],
        set_forms: Forms,
        rails: Mapping[str, str],
    ) -> None:
        self.stages = {stage.name: stage for stage in stages}
        self.types = types
        self.set_forms = set_forms
        self.chain = [s.name for s in stages if s.name in SIGNAL_ORDER or base_stage(s.name) in SIGNAL_ORDER]
        self.rails = rails
        self.joins: list[tuple[str, str]] = []
        self.parts: list[LaidPart] = []

    def forms(self, stage: str) -> Forms:
        own = self.stages[stage].options if stage in self.stages else {}
        return {**self.set_forms, **own}

    def driver(self, stage: str) -> str | None:
        """The stage whose signal comes in: two halves of a push-pull pair have each their own, or share one."""
        if stage == "output_b":
            if "audio_2" in self.stages:
                return "audio_2"
            return self.driver("output_a" if "output_a" in self.stages else "output")
        if stage == "audio_2":
            return "audio" if "audio" in self.stages else self.driver("audio")
        order = [name for name in SIGNAL_ORDER if name in self.stages and name not in ("audio_2", "fm_tuner")]
        if stage not in order:
            order = [name for name in SIGNAL_ORDER if name in self.stages or name == stage]
        at = order.index(stage)
        return order[at - 1] if at > 0 else None

    def following(self, stage: str) -> str | None:
        order = [name for name in SIGNAL_ORDER if name in self.stages and name != "fm_tuner"]
        at = order.index(stage) if stage in order else -1
        return order[at + 1] if 0 <= at < len(order) - 1 else None

    def electrode(self, stage: str, word: str) -> str | None:
        if stage not in self.stages:
            return None
        place = self.stages[stage]
        valve = self.types[place.valve]
        section = valve.section(place.section)
        if word in section.electrodes:
            return electrode_point(place.valve, valve, section.name, word)
        if word in ("oscillator_grid", "oscillator_anode", "oscillator_cathode"):
            separate, _, triode = place.options.get("oscillator", "").partition(".")
            if separate in self.types:
                owner = self.types[separate]
                return electrode_point(separate, owner, triode, word.removeprefix("oscillator_"))
            for other in valve.sections:
                if other.shape == "oscillator":
                    return electrode_point(place.valve, valve, other.name, word.removeprefix("oscillator_"))
        if word in ("diode", "diode_cathode"):
            return electrode_point(place.valve, valve, section.name, "anode" if word == "diode" else "cathode")
        if word in ("avc_diode", "avc_diode_cathode") and place.options.get("avc_diode"):
            name = place.options["avc_diode"]
            return electrode_point(place.valve, valve, name, "anode" if word == "avc_diode" else "cathode")
        return None

    def resolve(self, stage: str, word: str) -> str:
        if word in GLOBAL_POINTS:
            return word
        if word.startswith("."):
            return f"{stage}{word}"
        if word == "rail":
            return self.rails.get(base_stage(stage), self.rails["*"])
        if word == "output_supply":
            return self.forms(stage).get("anode_supply", self.rails["output_supply"])
        if word == "filament":
            place = self.stages[stage]
            return self.rails.get(f"filament {place.valve}", "chassis")
        owner, dot, rest = word.partition(".")
        if owner == "other_triode":
            return self.other_triode(stage, rest)
        if dot:
            other = {
                "driver": self.driver,
                "next": self.following,
                "other_half": lambda name: "output_b",
            }[owner](stage)
            if other is None:
                return "chassis" if rest in ("anode_feed", "cathode", "grid_return") else f"{stage}.{owner}_{rest}"
            return self.link(other, rest)
        found = self.electrode(stage, word)
        if found is None:
            raise InputFault(
                Complaint(
                    wrong=f"pattern {self.stages[stage].pattern if stage in self.stages else stage} names {word!r}, "
                    "which its valve does not have",
                    right="use an electrode of the section, a point of the set, or a word with a dot before it",
                )
            )
        return found

    def other_triode(self, stage: str, electrode: str) -> str:
        place = self.stages[stage]
        valve = self.types[place.valve]
        for section in valve.sections:
            if section.shape == "triode" and section.name != place.section:
                return electrode_point(place.valve, valve, section.name, electrode)
        raise InputFault(
            Complaint(
                wrong=f"{place.valve} ({valve.name}) has no second triode for stage {stage}",
                right='state triodes = "one" for that stage',
            )
        )

    def link(self, stage: str, word: str) -> str:
        pattern = pattern_named(self.stages[stage].pattern)
        if word in pattern.links:
            return self.resolve(stage, pattern.links[word])
        return self.resolve(stage, word)

    def lay(self, stage: str, pattern: Pattern) -> None:
        forms = self.forms(stage)
        for join in pattern.joins:
            if holds(join.when, forms):
                self.joins.append((self.resolve(stage, join.a), self.resolve(stage, join.b)))
        for part in pattern.parts:
            if not holds(part.when, forms):
                continue
            self.parts.append(
                LaidPart(
                    role=f"{part.stage or stage}.{part.role}",
                    stage=stage,
                    pattern=part,
                    from_point=self.resolve(stage, part.from_word),
                    to_point=self.resolve(stage, part.to_word),
                    windings=tuple(
                        (winding, self.resolve(stage, winding.from_word), self.resolve(stage, winding.to_word))
                        for winding in part.windings
                    ),
                    slider=self.resolve(stage, part.slider) if part.slider else None,
                )
            )

    def joined(self) -> dict[str, str]:
        owner: dict[str, str] = {}

        def find_owner(point: str) -> str:
            while owner.get(point, point) != point:
                point = owner[point]
            return point

        for a, b in self.joins:
            first, second = sorted((find_owner(a), find_owner(b)), key=_rank)
            if first != second:
                owner[second] = first
        return {point: find_owner(point) for point in owner if find_owner(point) != point}


SIGNAL_ORDER = (
    "fm_tuner",
    "rf_amp",
    "rf_amp_2",
    "frequency_changer",
    "if_amp",
    "if_amp_2",
    "if_amp_3",
    "reaction_detector",
    "detector",
    "audio",
    "audio_2",
    "output",
    "output_a",
    "output_b",
)

SET_PATTERNS = {
    "mains transformer": "supply from a mains transformer",
    "auto-transformer": "supply from a mains transformer",
    "AC/DC": "supply straight from the mains",
    "battery": "supply from batteries",
}
HEATER_PATTERNS = {
    "parallel": "heaters in parallel",
    "series": "heaters in series",
    "battery": "filaments on a battery",
}


def region_of(construction: str, mains_rms_volts: float) -> str:
    """ "American" on mains under 150 V, "European" otherwise; a battery set without mains counts as European."""
    return "American" if 0.0 < mains_rms_volts < float(customs()["forms"]["low_mains_below_volts"]) else "European"


def filaments_from_ht(construction: str, heaters: str, types: Mapping[str, ValveType]) -> bool:
    """Whether the filaments are a series chain fed with direct current from the HT (mains-battery portables)."""
    signal = [
        valve.heater
        for valve in types.values()
        if valve.heater and valve.heater.volts and not any(s.kind == "rectifier" for s in valve.sections)
    ]
    low = float(customs()["forms"]["filament_below_volts"])
    return (
        construction == "AC/DC"
        and heaters == "series"
        and bool(signal)
        and all(heater.directly_heated and (heater.volts or 0.0) < low for heater in signal)
    )


def set_forms_of(
    *,
    construction: str,
    mains_rms_volts: float,
    year: int,
    supply: SupplyCard,
    stages: Iterable[Stage],
    types: Mapping[str, ValveType],
    stated: Set[str] = frozenset(),
) -> dict[str, str]:
    """The forms that hold for the whole set; everything follows from what a card keeps.

    Parameters
    ----------
    construction : str
        As on the card.
    stated : set of str
        Roles the card has parts for: a form that brings them is taken.
    """
    form, kind = rectifier_words(supply.rectifier)
    word = construction_word(construction, supply.heaters)
    names = {stage.name for stage in stages}
    region = region_of(word, mains_rms_volts)
    table = customs()["forms"]
    on_winding = word in ("mains transformer", "auto-transformer")

    def fitted(role: str, *, usually: bool = False, yes: str = "resistor", no: str = "none") -> str:
        return yes if usually or role in stated else no

    heaters = [v.heater for v in types.values() if v.heater and v.heater.volts]
    from_ht = filaments_from_ht(word, supply.heaters, types)
    left = mains_rms_volts - sum((heater.volts or 0.0) for heater in heaters)
    drops = not on_winding and (from_ht or left > float(table["dropper_from_share"]) * mains_rms_volts)
    room_for_lamp = not on_winding and not from_ht and left > float(customs()["lamps"]["chain_volts"])
    filament = any(
        v.heater and v.heater.directly_heated and not any(s.kind == "rectifier" for s in v.sections)
        for v in types.values()
    )
    big = bool(names & {"fm_tuner", "output_b"}) or ("rf_amp" in names and on_winding)
    tapped = any(v.heater and v.heater.tap_volts for v in types.values())
    return {
        "construction": word,
        "region": region,
        "rectifier": form,
        "rectifier_kind": kind,
        "smoothing": supply.smoothing,
        "bias": supply.bias if supply.bias in ("cathode", "battery") else "back bias",
        "heaters": supply.heaters,
        "surge": fitted("supply.surge_resistor"),
        "mains_dropper": fitted("supply.dropper", yes="fitted"),
        "fuse": fitted("supply.fuse", usually=region == "European", yes="fitted"),
        "aerial": "isolated" if word == "AC/DC" and region == "European" else "direct",
        "bleeder": fitted(
            "supply.bleeder", usually=region == "American" and on_winding and year <= int(table["bleeder_until_year"])
        ),
        "rail": "decoupled" if big and form != "battery" else "plain",
        "chain": "winding" if on_winding else "HT" if from_ht else "mains",
        "dropper": "none"
        if not drops or "supply.dropper" in stated
        else "barretter"
        if "heaters.barretter" in stated
        else "resistor",
        "thermistor": fitted(
            "supply.thermistor",
            usually=drops and not from_ht and region == "European" and year >= int(table["thermistor_from_year"]),
            yes="fitted",
        ),
        "lamp": "on the rectifier's tap" if tapped else "in the chain" if room_for_lamp else "none",
        "centre_tap": fitted(
            "heaters.centre_tap",
            usually=word == "mains transformer" and (filament or year <= int(table["centre_tap_until_year"])),
        ),
    }


def rails_of(set_forms: Forms, chain: Iterable[str]) -> dict[str, str]:
    """Which HT rail feeds which stage, and where each filament's negative end is.

    ``chain``: valves of a series filament chain from its positive end.
    """
    front = "HT3" if set_forms["rail"] == "decoupled" else "HT2"
    rails = {"*": "HT2", **dict.fromkeys(("fm_tuner", "rf_amp", "frequency_changer", "if_amp"), front)}
    before = set_forms["smoothing"] == "resistor" and set_forms["chain"] != "HT"
    rails["output_supply"] = "HT1" if before else "HT2"
    if set_forms["chain"] == "HT":
        chain = list(chain)
        for number, ref in enumerate(chain):
            rails[f"filament {ref}"] = "chassis" if number == len(chain) - 1 else f"{ref}.filament"
    return rails


#: From the live end of a chain to the chassis end: the valve that hums most is nearest chassis.
_CHAIN_ORDER = (
    *("supply", "output", "output_a", "output_b", "indicator", "if_amp_2", "if_amp", "rf_amp"),
    *("frequency_changer", "fm_tuner", "audio_2", "detector", "audio"),
)


def chain_heaters(heaters: Mapping[str, Heater]) -> tuple[float, dict[str, Heater]]:
    """Amps of a series chain, and every heater with its halves joined so that it takes them as nearly as it can.

    The chain's amps are the most that any heater needs when tapped ones are joined in series.
    """
    amps = max(
        min(heater.amps or 0.0, heater.series_amps if heater.series_amps is not None else math.inf)
        for heater in heaters.values()
    )
    joined = {}
    for ref, heater in heaters.items():
        in_series = heater.series_amps is not None and (
            abs(heater.series_amps - amps) < abs((heater.amps or 0.0) - amps)
        )
        joined[ref] = replace(heater, volts=heater.series_volts, amps=heater.series_amps) if in_series else heater
    return amps, joined


def chain_order(stages: Iterable[Stage], rectifier: str | None, refs: Iterable[str]) -> list[str]:
    """The valves of a heater chain from the live end down to chassis."""
    place: dict[str, int] = {}
    for stage in stages:
        rank = _CHAIN_ORDER.index(stage.name) if stage.name in _CHAIN_ORDER else 5
        place[stage.valve] = max(place.get(stage.valve, 0), rank)
    if rectifier:
        place[rectifier] = 0
    return sorted(refs, key=lambda ref: (place.get(ref, 5), ref))


def lay_out(stages: tuple[Stage, ...], types: Mapping[str, ValveType], set_forms: Forms) -> Layout:
    """Resolve the patterns of every stage, of the supply, the heaters and what every set has."""
    heated = [
        ref for ref, valve in types.items() if valve.heater and not any(s.kind == "rectifier" for s in valve.sections)
    ]
    layer = _Layer(stages, types, set_forms, rails_of(set_forms, chain_order(stages, None, heated)))
    for stage in stages:
        if stage.name != "supply":
            layer.lay(stage.name, pattern_named(stage.pattern))
    if not any(base_stage(stage.name) == "detector" for stage in stages):
        layer.joins.append(("avc_line", "chassis"))
    if set_forms["rail"] != "decoupled":
        layer.joins.append(("HT3", "HT2"))
    if set_forms["aerial"] == "direct":
        layer.joins.append(("aerial_input", "aerial"))
    layer.lay("supply", pattern_named(SET_PATTERNS[set_forms["construction"]]))
    layer.lay("heaters", pattern_named(HEATER_PATTERNS[set_forms["heaters"]]))
    for name in ("wiring", "mechanical"):
        layer.lay(name, pattern_named(name))
    return Layout(
        parts=tuple(layer.parts),
        joined=layer.joined(),
        types=types,
        forms={stage.name: layer.forms(stage.name) for stage in stages},
        set_forms=set_forms,
        filament_ends={ref: layer.rails[f"filament {ref}"] for ref in types if f"filament {ref}" in layer.rails},
    )


def layout_of(card: SetCard) -> Layout:
    """The layout of a card as it stands: its stages, supply and construction decide everything."""
    types = {ref: find(valve.type, like=valve.like, kind=valve.kind) for ref, valve in card.valves.items()}
    forms = set_forms_of(
        construction=card.construction,
        mains_rms_volts=card.mains_rms_volts,
        year=card.year or int(customs()["forms"]["year_where_unknown"]),
        supply=card.supply,
        stages=card.stages,
        types=types,
        stated=frozenset(part.role for part in card.parts.values() if part.role),
    )
    return lay_out(card.stages, types, forms)
