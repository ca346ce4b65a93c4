"""Stage patterns: from a valve line-up to a complete card, every part with its role, its points and its usual value.

The patterns are data, ``trade/stages/*.toml``; their grammar is in ``docs/stage-patterns.md``. This module reads
them, chooses between their forms, and resolves the words they use for points to the points of one set.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, Literal

from hetwright.card import usual_values
from hetwright.card.lineup import Duty, Family, LineUp, assign, family_of
from hetwright.card.model import Part, SetCard, Stage, SupplyCard, Value, ValveInPlace
from hetwright.card.usual_values import STAGES_DIRECTORY, SetFacts, StageFacts, by_year, customs
from hetwright.errors import Complaint, InputFault
from hetwright.valves.catalogue import ValveType, find

__all__ = [
    "Join",
    "LaidPart",
    "Layout",
    "PartPattern",
    "Pattern",
    "Skeleton",
    "WindingPattern",
    "build",
    "lay_out",
    "patterns",
    "roles_of_patterns",
]

Forms = Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class Skeleton:
    """What a card states of a set before its parts: as little as a line-up.

    Parameters
    ----------
    valves : dict
        Reference to valve.
    stage_hints : dict
        Stage name to valve reference, where the card says who does what.
    rectifier, smoothing, heaters, bias : str or None
        As in :class:`~hetwright.card.model.SupplyCard`; ``None`` or "unknown" leaves it to what is usual.
    ht_secondary, ht_volts : Value or None
        R.m.s. volts of the HT winding (each half); direct volts at the reservoir.
    options : dict
        ``"STAGE.OPTION"`` to form, such as ``{"audio.bias": "cathode"}``.
    complete : bool
        ``False``: the line-up is known to be partial, and missing stages are filled with assumed valves.
    stated_roles : frozenset of str
        Roles the card states a part for: forms that have them are preferred.
    refs : dict
        Role to the reference the card gives it.
    taken_refs : frozenset of str
        References the card uses for parts of its own.
    """

    name: str = ""
    mains_rms_volts: float
    mains_hertz: float
    construction: str = "unknown"
    year: int | None = None
    valves: dict[str, ValveInPlace]
    stage_hints: dict[str, str] = field(default_factory=dict)
    rectifier: str | None = None
    smoothing: str | None = None
    ht_secondary: Value | None = None
    ht_volts: Value | None = None
    heaters: Literal["parallel", "series", "battery"] | None = None
    bias: str | None = None
    output: str = "single"
    options: dict[str, str] = field(default_factory=dict)
    complete: bool = True
    reference_point: str | None = None
    source_file: str = ""
    stated_roles: frozenset[str] = frozenset()
    refs: dict[str, str] = field(default_factory=dict)
    taken_refs: frozenset[str] = frozenset()


# ------------------------------------------------------------------------------------------------ patterns as data


@dataclass(frozen=True, slots=True, kw_only=True)
class Join:
    """Two point words that are one point, in the forms named."""

    a: str
    b: str
    when: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingPattern:
    """One winding of a transformer or coil, or one section of a gang. ``usual`` ``None``: as the part itself."""

    name: str
    from_word: str
    to_word: str
    usual: Any = None
    henries: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPattern:
    """A part by role. ``usual`` is a number, a rule or a list of choices; ``factor`` the spread of the usual value."""

    role: str
    stage: str | None
    kind: str
    quantity: Literal["ohms", "farads", "henries", "none"]
    from_word: str
    to_word: str
    usual: Any
    factor: float
    when: Mapping[str, Any]
    windings: tuple[WindingPattern, ...] = ()
    slider: str | None = None
    figures: Mapping[str, float] = field(default_factory=dict)
    figure_ohms: Any = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """A stage pattern. ``shapes``: of the valve section that works it; ``links``: what other stages join to."""

    name: str
    stage: str
    shapes: tuple[str, ...]
    links: Mapping[str, str]
    joins: tuple[Join, ...]
    parts: tuple[PartPattern, ...]
    source: str
    from_memory: bool


_PART_KEYS = frozenset(
    "role stage kind from to when factor ohms farads henries contact_ohms figure_ohms quantity winding slider figures note".split()
)


def _part(record: Mapping[str, Any], file: str) -> PartPattern:
    unknown = set(record) - _PART_KEYS
    if unknown:
        raise InputFault(
            Complaint(
                file=file,
                wrong=f"part {record.get('role')} has the unknown keys {', '.join(sorted(unknown))}",
                right="see docs/stage-patterns.md",
            )
        )
    quantity: Literal["ohms", "farads", "henries", "none"] = "none"
    usual: Any = None
    for word in ("ohms", "farads", "henries"):
        if word in record:
            quantity, usual = word, record[word]  # type: ignore[assignment]
    figures = dict(record.get("figures", {}))
    if "contact_ohms" in record:
        figures["ohms"] = float(record["contact_ohms"])
    return PartPattern(
        role=record["role"],
        stage=record.get("stage"),
        kind=record["kind"],
        quantity=quantity,
        from_word=record["from"],
        to_word=record["to"],
        usual=usual,
        factor=float(record.get("factor", 1.2)),
        when=record.get("when", {}),
        windings=tuple(
            WindingPattern(
                name=winding["name"],
                from_word=winding["from"],
                to_word=winding["to"],
                usual=winding.get("ohms"),
                henries=float(winding.get("henries", 0.0)),
            )
            for winding in record.get("winding", ())
        ),
        slider=record.get("slider"),
        figures=figures,
        figure_ohms=record.get("figure_ohms"),
        note=record.get("note", ""),
    )


@lru_cache(maxsize=1)
def patterns() -> tuple[Pattern, ...]:
    """Every stage pattern.

    Raises
    ------
    InputFault
        A pattern file without source or with an unknown key.
    """
    found = []
    for file in sorted(STAGES_DIRECTORY.glob("*.toml")):
        record = tomllib.loads(file.read_text(encoding="utf-8"))
        if "pattern" not in record:
            continue
        if not record.get("source") or "from_memory" not in record:
            raise InputFault(
                Complaint(file=file.name, wrong="the pattern names no source", right="say where it comes from")
            )
        found.append(
            Pattern(
                name=record["pattern"],
                stage=record["stage"],
                shapes=tuple(record["shapes"]),
                links=record.get("links", {}),
                joins=tuple(
                    Join(a=join["a"], b=join["b"], when=join.get("when", {})) for join in record.get("join", ())
                ),
                parts=tuple(_part(part, file.name) for part in record.get("part", ())),
                source=record["source"],
                from_memory=record["from_memory"],
            )
        )
    return tuple(found)


def _base_stage(stage: str) -> str:
    return re.sub(r"_(\d+|a|b)$", "", stage)


def pattern_named(name: str) -> Pattern:
    """The pattern of that name.

    Raises
    ------
    InputFault
        There is none.
    """
    for pattern in patterns():
        if pattern.name == name:
            return pattern
    raise InputFault(
        Complaint(
            wrong=f"no stage pattern is called {name!r}",
            right="patterns are " + ", ".join(pattern.name for pattern in patterns()),
        )
    )


def _pattern_for(stage: str, shape: str, fm: bool) -> Pattern:
    base = "fm_tuner" if fm else _base_stage(stage)
    fitting = [pattern for pattern in patterns() if pattern.stage == base and shape in pattern.shapes]
    if not fitting:
        raise InputFault(
            Complaint(
                wrong=f"no pattern of stage {stage} is worked by a {shape}",
                right="its patterns take " + ", ".join(s for p in patterns() if p.stage == base for s in p.shapes),
            )
        )
    return fitting[0]


def roles_of_patterns() -> frozenset[str]:
    """Every role that some pattern has, stages of their own name."""
    return frozenset(f"{part.stage or pattern.stage}.{part.role}" for pattern in patterns() for part in pattern.parts)


def holds(when: Mapping[str, Any], forms: Forms) -> bool:
    """Whether every condition of ``when`` holds; a list means any of its words."""
    for key, wanted in when.items():
        words = wanted if isinstance(wanted, list) else [wanted]
        if forms.get(key) not in words:
            return False
    return True


# ------------------------------------------------------------------------------------------------ the set as a whole


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

    ``joined`` maps a point to the one that stands for it; ``links`` a stage to its link points.
    """

    parts: tuple[LaidPart, ...]
    joined: Mapping[str, str]
    links: Mapping[str, Mapping[str, str]]
    types: Mapping[str, ValveType]
    forms: Mapping[str, Forms]
    set_forms: Forms

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

_ELECTRODE_WORDS = {
    "anode": "anode",
    "screen": "screen",
    "grid": "grid",
    "cathode": "cathode",
    "target": "target",
    "injection": "injection",
    "suppressor": "suppressor",
}
GLOBAL_POINTS = frozenset(
    "HT1 HT2 HT3 chassis ht_negative earth mains_live mains_neutral mains_in aerial aerial_input loudspeaker avc_line "
    "volume_slider detector_load bias_line heater_supply heater_line filament_supply".split()
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
        self.chain = [s.name for s in stages if s.name in SIGNAL_ORDER or _base_stage(s.name) in SIGNAL_ORDER]
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
        if word in ("oscillator_grid", "oscillator_anode"):
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
            return self.rails.get(_base_stage(stage), self.rails["*"])
        if word == "output_supply":
            return self.rails["output_supply"]
        if word == "filament":
            place = self.stages[stage]
            return self.rails.get(f"filament {place.valve}", "chassis")
        owner, dot, rest = word.partition(".")
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


def set_forms_of(
    *,
    construction: str,
    mains_rms_volts: float,
    year: int,
    supply: SupplyCard,
    stages: Iterable[Stage],
    types: Mapping[str, ValveType],
    stated: frozenset[str] = frozenset(),
) -> dict[str, str]:
    """The forms that hold for the whole set; everything follows from what a card keeps."""
    form, kind = rectifier_words(supply.rectifier)
    word = construction_word(construction, supply.heaters)
    names = {stage.name for stage in stages}
    region = "American" if mains_rms_volts < 150.0 else "European"
    chain = [t.heater for t in types.values() if t.heater and t.heater.volts]
    chain_volts = sum((heater.volts or 0.0) for heater in chain)
    on_winding = word in ("mains transformer", "auto-transformer")
    amps = max((heater.amps or 0.0) for heater in chain) if chain else 0.3
    left = mains_rms_volts - chain_volts
    dropper = "none" if on_winding or left < 0.03 * mains_rms_volts else "resistor"
    if "heaters.barretter" in stated:
        dropper = "barretter"
    tapped = any(t.heater and t.heater.tap_volts for t in types.values())
    lamp = (
        "on the rectifier's tap"
        if tapped
        else "none"
        if on_winding and supply.heaters == "series"
        else "in the chain"
    )
    directly = any(t.heater and t.heater.directly_heated and t.plain.kind != "rectifier" for t in types.values())
    return {
        "construction": word,
        "region": region,
        "rectifier": form,
        "rectifier_kind": kind,
        "smoothing": supply.smoothing,
        "bias": supply.bias,
        "surge": "resistor" if "supply.surge_resistor" in stated else "none",
        "fuse": "fitted" if region == "European" or "supply.fuse" in stated else "none",
        "aerial": "isolated" if word == "AC/DC" and region == "European" else "direct",
        "bleeder": "resistor"
        if "supply.bleeder" in stated or (region == "American" and word == "mains transformer" and year <= 1936)
        else "none",
        "rail": "decoupled"
        if "fm_tuner" in names or "output_b" in names or "rf_amp" in names and word != "AC/DC"
        else "plain",
        "dropper": dropper,
        "chain": "winding" if on_winding else "mains",
        "thermistor": "fitted"
        if "supply.thermistor" in stated or (dropper == "resistor" and region == "European" and year >= 1950)
        else "none",
        "lamp": lamp,
        "centre_tap": "resistor"
        if "heaters.centre_tap" in stated or (word == "mains transformer" and (directly or year <= 1934))
        else "none",
        "heaters": supply.heaters,
    }


def rails_of(set_forms: Forms, stages: Iterable[Stage], types: Mapping[str, ValveType]) -> dict[str, str]:
    """Which HT rail feeds which stage, and where each filament's negative end is."""
    front = "HT3" if set_forms["rail"] == "decoupled" else "HT2"
    rails = {"*": "HT2", **dict.fromkeys(("fm_tuner", "rf_amp", "frequency_changer", "if_amp", "indicator"), front)}
    rails["output_supply"] = "HT1" if set_forms["smoothing"] == "resistor" else "HT2"
    if set_forms["rectifier"] == "battery":
        rails = dict.fromkeys(rails, "HT2")
    return rails


def lay_out(
    stages: tuple[Stage, ...],
    types: Mapping[str, ValveType],
    set_forms: Forms,
) -> Layout:
    """Resolve the patterns of every stage, of the supply, the heaters and what every set has."""
    layer = _Layer(stages, types, set_forms, rails_of(set_forms, stages, types))
    for stage in stages:
        if stage.name != "supply":
            layer.lay(stage.name, pattern_named(stage.pattern))
    if not any(_base_stage(stage.name) == "detector" for stage in stages):
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
        links={
            stage.name: {word: layer.link(stage.name, word) for word in pattern_named(stage.pattern).links}
            for stage in stages
            if stage.name != "supply"
        },
        types=types,
        forms={stage.name: layer.forms(stage.name) for stage in stages},
        set_forms=set_forms,
    )


def layout_of(card: SetCard) -> Layout:
    """The layout of a card as it stands: its stages, supply and construction decide everything."""
    types = {ref: find(valve.type, like=valve.like, kind=valve.kind) for ref, valve in card.valves.items()}
    stated = frozenset(part.role for part in card.parts.values() if part.role)
    forms = set_forms_of(
        construction=card.construction,
        mains_rms_volts=card.mains_rms_volts,
        year=card.year or 1950,
        supply=card.supply,
        stages=card.stages,
        types=types,
        stated=stated,
    )
    return lay_out(card.stages, types, forms)


# ------------------------------------------------------------------------------------------------ building a card


def _default_spread(role: str) -> float:
    return 0.0


def _usual_si(usual: Any, forms: Forms, facts: SetFacts, stage: StageFacts | None) -> float | None:
    """A usual value: number, ``{rule, otherwise}``, or a list of choices with ``when`` and ``until``."""
    if usual is None:
        return None
    if isinstance(usual, int | float):
        return float(usual)
    if isinstance(usual, Mapping):
        if "rule" in usual:
            found = usual_values.rule(usual["rule"], facts, stage)
            return found if found is not None else usual.get("otherwise")
        return float(usual["value"])
    for choice in usual:
        if holds(choice.get("when", {}), forms) and facts.year <= choice.get("until", 9999):
            return _usual_si(choice if "rule" in choice else choice["value"], forms, facts, stage)
    return None


def _stage_options(
    duty: Duty,
    types: Mapping[str, ValveType],
    skeleton: Skeleton,
    line_volts: float,
    names: list[str],
    set_word: str,
    region: str,
    family: Family,
) -> dict[str, str]:
    """The forms of one stage: stated ones, those that the stated roles need, usual ones."""
    valve = types[duty.valve]
    section = valve.section(duty.section)
    base = _base_stage(duty.stage)
    stated = {role.partition(".")[2] for role in skeleton.stated_roles if role.partition(".")[0] == duty.stage}
    directly = bool(valve.heater and valve.heater.directly_heated)
    battery = skeleton_heaters(skeleton, family) == "battery"
    options: dict[str, str] = {"shape": section.shape or ""}
    signal = [name for name in SIGNAL_ORDER if name in names]
    options["first"] = (
        "yes"
        if signal
        and duty.stage == next((n for n in signal if n != "fm_tuner"), None)
        or duty.stage == "fm_tuner"
        and "rf_amp" not in names
        else "no"
    )
    options["first_if"] = "yes" if duty.stage == "if_amp" else "no"
    row = usual_values.nearest_row(valve, duty.section, line_volts, needs=("screen_volts",))
    if "screen" in section.electrodes:
        screen = row.get("screen_volts") if row is not None else None
        fed = screen is not None and screen < 0.85 * line_volts
        options["screen"] = "fed" if fed or "screen_feed_resistor" in stated else "direct"
    if base in ("frequency_changer", "if_amp", "rf_amp"):
        options["anode_feed"] = (
            "resistor"
            if "anode_feed_resistor" in stated or (region == "European" and set_word == "mains transformer")
            else "direct"
        )
        options["bias"] = "none" if battery else "cathode"
        options["coupling"] = "shunt fed" if region == "European" else "series fed"
    if base == "detector":
        three = len([s for s in valve.sections if s.kind == "diode"]) >= 3
        options["load"] = "separate" if "load_resistor" in stated or three else "volume control"
        options["avc"] = (
            "delayed"
            if duty.avc_diode and (region == "European" or "avc_diode_coupling_capacitor" in stated)
            else "plain"
        )
        if duty.avc_diode:
            options["avc_diode"] = duty.avc_diode
    if base == "audio":
        cathode = "cathode_resistor" in stated
        high_mu = any((r.get("mu") or 0.0) >= 45.0 for r in valve.rows_of(duty.section)) or section.shape == "pentode"
        options["bias"] = "none" if battery else "cathode" if cathode or not high_mu else "grid leak"
        options["decoupling"] = (
            "resistor" if "decoupling_resistor" in stated or (set_word == "mains transformer") else "none"
        )
    if base == "output":
        bias = skeleton.bias if skeleton.bias and skeleton.bias != "unknown" else "cathode"
        options["bias"] = "back bias" if bias != "cathode" or battery else "cathode"
        options["stopper"] = (
            "resistor" if "grid_stopper" in stated or (region == "European" and family.year >= 1950) else "none"
        )
        halves = {"output_a": "first", "output_b": "second"}
        options["half"] = halves.get(duty.stage, "first" if "output_b" in names else "single")
        options["feedback"] = (
            "to the anode"
            if "feedback_resistor" in stated or (region == "European" and family.year >= 1953 and "audio" in names)
            else "none"
        )
    for key, value in skeleton.options.items():
        stage, _, option = key.partition(".")
        if stage == duty.stage:
            options[option] = value
    return options


def skeleton_heaters(skeleton: Skeleton, family: Family) -> str:
    """How the heaters are fed: as stated, as the construction demands, as usual for the family."""
    if skeleton.heaters:
        return skeleton.heaters
    types = [find(v.type, like=v.like, kind=v.kind) for v in skeleton.valves.values()]
    known = [t.heater for t in types if t.heater and t.heater.volts]
    plain = skeleton.construction.lower()
    if "battery" in plain:
        return "battery"
    volts = {heater.volts for heater in known if not heater.directly_heated}
    amps = {round(heater.amps or 0.0, 2) for heater in known}
    if len(volts) > 1 and len(amps) == 1 and max(volts) > 13.0:
        return "series"
    if "ac/dc" in plain and "transformer" not in plain:
        return "series"
    return family.heaters


def build(skeleton: Skeleton) -> SetCard:
    """A complete card from what little is stated.

    Parameters
    ----------
    skeleton : Skeleton

    Returns
    -------
    SetCard
        Every role of the set has a part with its points and usual value; valves that had to be assumed are
        marked, and ``assumptions`` says what was taken for granted.

    Raises
    ------
    UnknownValve
        A type is not in the catalogue and no stand-in is named.
    InputFault
        No valve, a stage hint that cannot be, an impossible supply.
    """
    if not (80.0 <= skeleton.mains_rms_volts <= 260.0) and not any(
        "battery" in w for w in (skeleton.construction.lower(), (skeleton.rectifier or "").lower())
    ):
        raise InputFault(
            Complaint(
                wrong=f"mains of {skeleton.mains_rms_volts:g} V",
                right="write the mains of the set, 100 to 250 V, such as 230 V 50 Hz",
            )
        )
    lineup = assign(
        skeleton.valves,
        hints=skeleton.stage_hints,
        complete=skeleton.complete,
        rectifier=skeleton.rectifier,
        push_pull=skeleton.output == "push-pull",
    )
    return _Builder(skeleton, lineup).card()


class _Builder:
    def __init__(self, skeleton: Skeleton, lineup: LineUp) -> None:
        self.skeleton = skeleton
        self.lineup = lineup
        self.family = lineup.family
        self.year = skeleton.year or self.family.year
        self.assumptions = list(lineup.assumptions)
        self.region = "American" if skeleton.mains_rms_volts < 150.0 else "European"
        self.heaters = skeleton_heaters(skeleton, self.family)
        self.construction = construction_word(skeleton.construction, self.heaters)
        if not skeleton.year:
            self.assumptions.append(f"the set is taken to be of about {self.year}, as its valves are")

    def assume(self, what: str) -> None:
        self.assumptions.append(what)

    def rectifier(self) -> str:
        stated = self.skeleton.rectifier
        if stated and stated != "unknown":
            return stated
        if self.construction == "battery":
            return "battery"
        valve = self.lineup.rectifier_valve
        if valve is not None:
            diodes = [s for s in self.lineup.types[valve].sections if s.kind == "rectifier"]
            two = len(diodes) >= 2 and self.construction != "AC/DC"
            return "two-anode valve" if two else "half-wave valve"
        word = "half-wave silicon" if self.construction == "AC/DC" else "bridge, silicon"
        if self.year < 1960:
            word = word.replace("silicon", "selenium")
        self.assume(f"the rectifier is taken to be a {word}: the line-up has no rectifier valve")
        return word

    def smoothing(self) -> str:
        stated = self.skeleton.smoothing
        if stated and stated != "unknown":
            return stated
        for role, word in (
            ("smoothing_resistor", "resistor"),
            ("smoothing_choke", "choke"),
            ("field_coil", "field coil"),
        ):
            if f"supply.{role}" in self.skeleton.stated_roles:
                return word
        word = self.family.smoothing if self.construction != "battery" else "none"
        if word != "none":
            self.assume(f"smoothing is taken to be by {word}, as is usual with these valves")
        return word

    def card(self) -> SetCard:
        skeleton, lineup = self.skeleton, self.lineup
        rectifier, smoothing = self.rectifier(), self.smoothing()
        form, kind = rectifier_words(rectifier)
        bias = skeleton.bias if skeleton.bias and skeleton.bias != "unknown" else "cathode"
        if bias == "cathode" and "supply.bias_resistor" in skeleton.stated_roles:
            bias = "back bias"
        ht = self.ht_volts(form, kind)
        names = [duty.stage for duty in lineup.duties]
        total = usual_values.total_amps(
            ((lineup.types[duty.valve], duty.section, duty.stage) for duty in lineup.duties), ht
        )
        supply = SupplyCard(
            rectifier=rectifier,
            smoothing=smoothing,
            valve=lineup.rectifier_valve,
            secondary_rms_volts=skeleton.ht_secondary,
            ht_volts=skeleton.ht_volts
            or (
                Value(
                    si=ht,
                    basis="usual",
                    spread_log_sd=math.log(customs()["spread"]["ht_usual_factor"]),
                    written=f"{ht:.0f} V",
                )
                if skeleton.ht_secondary is None
                else None
            ),
            heaters=self.heaters,  # type: ignore[arg-type]
            bias=bias,
        )
        drop = customs()["smoothing_drop"]
        line = ht - {
            "resistor": drop["AC/DC resistor volts"] if self.construction == "AC/DC" else drop["resistor_volts"],
            "field coil": drop["field_coil_volts"] if ht > 200 else 15.0,
        }.get(smoothing, 8.0)
        stages = []
        for duty in lineup.duties:
            valve = lineup.types[duty.valve]
            fm = bool(
                duty.stage in ("frequency_changer", "fm_tuner") and valve.section(duty.section).shape == "triode"
            )
            pattern = _pattern_for(duty.stage, valve.section(duty.section).shape or "", fm)
            options = _stage_options(
                duty, lineup.types, skeleton, line, names, self.construction, self.region, self.family
            )
            stages.append(
                Stage(name=duty.stage, pattern=pattern.name, valve=duty.valve, section=duty.section, options=options)
            )
        if lineup.rectifier_valve is not None:
            first = next(s.name for s in lineup.types[lineup.rectifier_valve].sections if s.kind == "rectifier")
            stages.append(
                Stage(
                    name="supply",
                    pattern=SET_PATTERNS[self.construction],
                    valve=lineup.rectifier_valve,
                    section=first,
                )
            )
        set_forms = set_forms_of(
            construction=self.skeleton.construction
            if construction_word(self.skeleton.construction, self.heaters) == self.construction
            else self.construction,
            mains_rms_volts=skeleton.mains_rms_volts,
            year=self.year,
            supply=supply,
            stages=stages,
            types=lineup.types,
            stated=skeleton.stated_roles,
        )
        layout = lay_out(tuple(stages), lineup.types, set_forms)
        parts = self.parts(layout, tuple(stages), ht, line, total, kind)
        return SetCard(
            name=skeleton.name,
            mains_rms_volts=skeleton.mains_rms_volts,
            mains_hertz=skeleton.mains_hertz,
            construction=skeleton.construction,
            valves=dict(lineup.valves),
            stages=tuple(stages),
            parts=parts,
            supply=supply,
            reference_point=skeleton.reference_point or "chassis",
            year=self.year,
            output="push-pull" if "output_b" in names else "single",
            complete=skeleton.complete,
            source_file=skeleton.source_file,
            assumptions=tuple(dict.fromkeys(self.assumptions)),
        )

    def ht_volts(self, form: str, kind: str) -> float:
        skeleton = self.skeleton
        if skeleton.ht_volts is not None:
            return skeleton.ht_volts.si
        if skeleton.ht_secondary is not None:
            ratio = customs()["ht_over_rms"].get(f"{form} {kind}", 1.15)
            return skeleton.ht_secondary.si * float(ratio)
        if self.construction == "AC/DC":
            ratio = customs()["ht_over_rms"].get(f"{form} {kind}", 1.0)
            guess = skeleton.mains_rms_volts * float(ratio) * (1.0 if self.region == "American" else 0.9)
            self.assume(
                f"HT is taken to be about {guess:.0f} V at the reservoir, as is usual on {skeleton.mains_rms_volts:.0f} V mains"
            )
            return guess
        self.assume(
            f"HT is taken to be about {self.family.ht_volts:.0f} V at the reservoir, as is usual with these valves"
        )
        return self.family.ht_volts

    def parts(
        self, layout: Layout, stages: tuple[Stage, ...], ht: float, line: float, total: float, kind: str
    ) -> dict[str, Part]:
        heaters = [t.heater for t in self.lineup.types.values() if t.heater and t.heater.volts and t.heater.amps]
        amps = max((h.amps or 0.0) for h in heaters) if heaters else 0.3
        chain = sum((h.volts or 0.0) for h in heaters)
        facts = SetFacts(
            year=self.year,
            construction=self.construction,
            mains_rms_volts=self.skeleton.mains_rms_volts,
            ht_volts=ht,
            line_volts=line,
            total_amps=total,
            rectifier_kind=kind,
            heater_volts=max((h.volts or 0.0) for h in heaters) if heaters else 6.3,
            heater_amps=amps if self.heaters == "series" else sum(h.amps or 0.0 for h in heaters) or 0.3,
            chain_volts=chain
            + (customs()["thermistor"]["hot_volts"] if layout.set_forms["thermistor"] == "fitted" else 0.0)
            + (customs()["lamps"]["chain_volts"] if layout.set_forms["lamp"] == "in the chain" else 0.0),
            output_bias_volts=self.output_bias(line),
            smoothing=layout.set_forms["smoothing"],
        )
        by_stage = {stage.name: stage for stage in stages}
        numbering = _Numbering(self.skeleton)
        parts: dict[str, Part] = {}
        for laid in layout.parts:
            place = by_stage.get(laid.stage)
            stage_facts = None
            if place is not None and place.name != "supply":
                volts = (
                    line
                    if layout.set_forms["smoothing"] != "resistor" or _base_stage(place.name) != "output"
                    else line
                )
                stage_facts = StageFacts(
                    valve=self.lineup.types[place.valve], section=place.section, line_volts=volts
                )
            part = self.part(laid, layout, facts, stage_facts, numbering)
            parts[part.ref] = part
        return parts

    def output_bias(self, line: float) -> float:
        duty = self.lineup.duty("output") or self.lineup.duty("output_a")
        if duty is None:
            return 10.0
        row = usual_values.nearest_row(self.lineup.types[duty.valve], duty.section, line, needs=("anode_amps",))
        bias = row.bias_volts if row is not None else None
        return -bias if bias is not None and bias < 0.0 else 10.0

    def part(
        self, laid: LaidPart, layout: Layout, facts: SetFacts, stage: StageFacts | None, numbering: _Numbering
    ) -> Part:
        pattern = laid.pattern
        forms = layout.forms.get(laid.stage, layout.set_forms)
        kinds = customs()["kinds"].get(pattern.kind)
        kind = by_year(kinds, self.year)["is"] if isinstance(kinds, list) else pattern.kind
        si = _usual_si(pattern.usual, forms, facts, stage) if pattern.quantity != "none" else None
        if pattern.quantity != "none" and si is None:
            raise InputFault(
                Complaint(
                    wrong=f"no usual value of {laid.role} is known for {stage.valve.name if stage else 'this set'}",
                    right="state its value on the card",
                )
            )
        figures = {key: float(value) for key, value in pattern.figures.items()}
        ohms = _usual_si(pattern.figure_ohms, forms, facts, stage)
        if ohms is not None:
            figures["ohms"] = ohms
        for number, (winding, _, _) in enumerate(laid.windings):
            if pattern.quantity == "ohms":
                own = _usual_si(winding.usual, forms, facts, stage)
                if number > 0 or own is not None:
                    figures[f"{winding.name}_ohms"] = own if own is not None else si or 0.0
                figures[f"{winding.name}_henries"] = winding.henries
        ref = numbering.ref(laid.role, kind)
        return Part(
            identity=numbering.identity(laid.role),
            ref=ref,
            role=laid.role,
            kind=kind,
            quantity=pattern.quantity,
            from_point=laid.from_point,
            to_point=laid.to_point,
            usual=Value(si=si, basis="usual", spread_log_sd=math.log(pattern.factor)) if si is not None else None,
            figures=figures,
            note=pattern.note,
        )


class _Numbering:
    """Gives references R1, C1, … in the order of the patterns, leaving out those the card uses itself."""

    def __init__(self, skeleton: Skeleton) -> None:
        self.skeleton = skeleton
        self.next: dict[str, Iterator[int]] = {}
        self.seen: dict[str, int] = {}
        self.used = set(skeleton.taken_refs) | set(skeleton.refs.values()) | set(skeleton.valves)

    def ref(self, role: str, kind: str) -> str:
        stated = self.skeleton.refs.get(role)
        if stated is not None and stated not in self.seen:
            self.seen[stated] = 1
            return stated
        letter = customs()["letters"].get(kind, "P")
        number = 1
        while f"{letter}{number}" in self.used:
            number += 1
        name = f"{letter}{number}"
        self.used.add(name)
        return name

    def identity(self, role: str) -> str:
        self.seen[f"role {role}"] = self.seen.get(f"role {role}", 0) + 1
        number = self.seen[f"role {role}"]
        return role if number == 1 else f"{role}#{number}"


def with_parts(card: SetCard, parts: Mapping[str, Part]) -> SetCard:
    """The same card with other parts."""
    return replace(card, parts=dict(parts))


def family_of_card(card: SetCard) -> Family:
    """The family of valves of a card."""
    types = [find(v.type, like=v.like, kind=v.kind) for v in card.valves.values()]
    return family_of(types, [valve.type for valve in card.valves.values()])
