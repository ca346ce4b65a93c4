"""From a valve line-up to a complete card: every part with its role, its points and its usual value.

The stage patterns are data (:mod:`hetwright.card.pattern_files`); where their parts sit is worked out in
:mod:`hetwright.card.layout`; here the forms of a pattern are chosen and the usual values are put in.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from hetwright.card import usual_values
from hetwright.card.forms import SetWords, stage_forms
from hetwright.card.layout import (
    SET_PATTERNS,
    LaidPart,
    Layout,
    chain_heaters,
    construction_word,
    filaments_from_ht,
    lay_out,
    rectifier_words,
    region_of,
    set_forms_of,
)
from hetwright.card.lineup import LineUp, assign
from hetwright.card.model import Part, SetCard, Stage, SupplyCard, Value, ValveInPlace
from hetwright.card.pattern_files import Forms, base_stage, holds, pattern_for, patterns
from hetwright.card.usual_values import SetFacts, StageFacts, by_year, customs
from hetwright.errors import Complaint, InputFault

__all__ = ["Skeleton", "build", "patterns"]


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


# ------------------------------------------------------------------------------------------------ building a card


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


def _heaters_of(skeleton: Skeleton, lineup: LineUp) -> Literal["parallel", "series", "battery"]:
    """How the heaters are fed: as stated, as their volts and amps demand, as usual for the family."""
    if skeleton.heaters:
        return skeleton.heaters
    plain = skeleton.construction.lower()
    if "battery" in plain:
        return "battery"
    known = [valve.heater for valve in lineup.types.values() if valve.heater and valve.heater.volts]
    volts = {heater.volts or 0.0 for heater in known if not heater.directly_heated}
    amps = {round(heater.amps or 0.0, 2) for heater in known}
    if len(volts) > 1 and len(amps) == 1 and max(volts) > float(customs()["forms"]["series_above_volts"]):
        return "series"
    if construction_word(skeleton.construction, "parallel") == "AC/DC":
        return "series"
    return lineup.family.heaters


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
        self.heaters = _heaters_of(skeleton, lineup)
        self.construction = construction_word(skeleton.construction, self.heaters)
        self.region = region_of(self.construction, skeleton.mains_rms_volts)
        if not skeleton.year:
            self.assume(f"the set is taken to be of about {self.year}, as its valves are")

    def assume(self, what: str) -> None:
        self.assumptions.append(what)

    # ---- what is not stated of the supply

    def rectifier(self) -> str:
        stated = self.skeleton.rectifier
        if stated and stated != "unknown":
            return stated
        if self.construction == "battery":
            return "battery"
        valve = self.lineup.rectifier_valve
        if valve is not None:
            diodes = [s for s in self.lineup.types[valve].sections if s.kind == "rectifier"]
            return "two-anode valve" if len(diodes) >= 2 and self.construction != "AC/DC" else "half-wave valve"
        form = "half-wave" if self.construction == "AC/DC" else "bridge"
        kind = "selenium" if self.year < int(customs()["forms"]["silicon_from_year"]) else "silicon"
        self.assume(f"the rectifier is taken to be {form}, {kind}: the line-up has no rectifier valve")
        return f"{form}, {kind}"

    def smoothing(self) -> str:
        stated = self.skeleton.smoothing
        if stated and stated != "unknown":
            return stated
        if self.construction == "battery":
            return "none"
        for role, word in (
            ("smoothing_resistor", "resistor"),
            ("smoothing_choke", "choke"),
            ("field_coil", "field coil"),
        ):
            if f"supply.{role}" in self.skeleton.stated_roles:
                return word
        word = self.family.smoothing if self.family.smoothing != "none" else "resistor"
        self.assume(f"smoothing is taken to be by {word}, as is usual with these valves")
        return word

    def bias(self) -> str:
        stated = self.skeleton.bias
        if stated and stated != "unknown":
            return stated
        if self.construction == "battery" or "supply.bias_resistor" in self.skeleton.stated_roles:
            return "back bias"
        return "cathode"

    def ht_volts(self, form: str, kind: str) -> float:
        """Direct volts at the reservoir: stated, from the winding, or usual."""
        skeleton = self.skeleton
        ratio = float(customs()["ht_over_rms"].get(f"{form} {kind}", 1.0))
        if skeleton.ht_volts is not None:
            return skeleton.ht_volts.si
        if skeleton.ht_secondary is not None:
            return skeleton.ht_secondary.si * ratio
        if self.construction == "AC/DC":
            mains = "low" if self.region == "American" else "high"
            ratio = float(customs()["ht_over_rms"].get(f"AC/DC {kind}, {mains} mains", ratio))
            guess = skeleton.mains_rms_volts * ratio
            because = f"on {skeleton.mains_rms_volts:.0f} V mains"
        else:
            guess = self.family.ht_volts
            because = "with these valves"
        self.assume(f"HT is taken to be about {guess:.0f} V at the reservoir, as is usual {because}")
        return guess

    # ---- the card

    def card(self) -> SetCard:
        skeleton, lineup = self.skeleton, self.lineup
        rectifier, smoothing = self.rectifier(), self.smoothing()
        form, kind = rectifier_words(rectifier)
        ht = self.ht_volts(form, kind)
        usual_ht = Value(
            si=ht,
            basis="usual",
            spread_log_sd=math.log(customs()["spread"]["ht_usual_factor"]),
            written=f"{ht:.0f} V",
        )
        supply = SupplyCard(
            rectifier=rectifier,
            smoothing=smoothing,
            valve=lineup.rectifier_valve,
            secondary_rms_volts=skeleton.ht_secondary,
            ht_volts=skeleton.ht_volts or (usual_ht if skeleton.ht_secondary is None else None),
            heaters=self.heaters,
            bias=self.bias(),
        )
        total = usual_values.total_amps(
            ((lineup.types[duty.valve], duty.section, duty.stage) for duty in lineup.duties), ht
        )
        line = self.line_volts(ht, smoothing)
        stages = self.stages(line, supply.bias)
        layout = lay_out(
            stages,
            lineup.types,
            set_forms_of(
                construction=skeleton.construction,
                mains_rms_volts=skeleton.mains_rms_volts,
                year=self.year,
                supply=supply,
                stages=stages,
                types=lineup.types,
                stated=skeleton.stated_roles,
            ),
        )
        facts = self.facts(layout, ht, line, total, kind)
        return SetCard(
            name=skeleton.name,
            mains_rms_volts=skeleton.mains_rms_volts,
            mains_hertz=skeleton.mains_hertz,
            construction=skeleton.construction,
            valves=dict(lineup.valves),
            stages=stages,
            parts=self.parts(layout, stages, facts),
            supply=supply,
            reference_point=skeleton.reference_point or "chassis",
            year=self.year,
            output="push-pull" if lineup.duty("output_b") else "single",
            complete=skeleton.complete,
            source_file=skeleton.source_file,
            assumptions=tuple(dict.fromkeys(self.assumptions)),
        )

    def line_volts(self, ht: float, smoothing: str) -> float:
        """Smoothed HT that goes with that reservoir volts."""
        table = customs()["smoothing_drop"]
        if smoothing == "none":
            return ht
        if filaments_from_ht(self.construction, self.heaters, self.lineup.types):
            return min(ht, self.family.ht_volts)
        if smoothing == "field coil":
            return ht - min(float(table["field_coil_volts"]), float(table["field_coil_share"]) * ht)
        if smoothing == "resistor":
            return ht - float(table["AC/DC resistor volts" if self.construction == "AC/DC" else "resistor_volts"])
        return ht - float(table["choke_volts"])

    def stages(self, line_volts: float, bias: str) -> tuple[Stage, ...]:
        lineup = self.lineup
        words = SetWords(
            construction=self.construction,
            region=self.region,
            year=self.year,
            heaters=self.heaters,
            bias=bias,
            line_volts=line_volts,
            names=tuple(duty.stage for duty in lineup.duties),
            stated=self.skeleton.stated_roles,
            options=self.skeleton.options,
            filaments_from_ht=filaments_from_ht(self.construction, self.heaters, lineup.types),
            shared_cathodes=self.shared_cathodes(),
            plain_avc_valve=self.plain_avc_valve(),
        )
        stages = []
        for duty in lineup.duties:
            valve = lineup.types[duty.valve]
            shape = "crystal" if duty.crystal else valve.section(duty.section).shape or ""
            pattern = pattern_for(duty.stage, shape)
            stages.append(
                Stage(
                    name=duty.stage,
                    pattern=pattern.name,
                    valve=duty.valve,
                    section=duty.section,
                    options=stage_forms(duty, valve, words),
                )
            )
        rectifier = lineup.rectifier_valve
        if rectifier is not None:
            first = next(s.name for s in lineup.types[rectifier].sections if s.kind == "rectifier")
            pattern_name = SET_PATTERNS[self.construction]
            stages.append(Stage(name="supply", pattern=pattern_name, valve=rectifier, section=first))
        return tuple(stages)

    def shared_cathodes(self) -> frozenset[str]:
        """Stages whose cathode is that of a signal-frequency or output stage of the same valve."""
        owners = {}
        for duty in self.lineup.duties:
            if base_stage(duty.stage) in ("frequency_changer", "if_amp", "rf_amp", "output"):
                points = self.lineup.types[duty.valve].points
                owners[duty.valve, points.get(f"{duty.section}.cathode")] = duty.stage
        return frozenset(
            duty.stage
            for duty in self.lineup.duties
            if base_stage(duty.stage) == "audio"
            and (duty.valve, self.lineup.types[duty.valve].points.get(f"{duty.section}.cathode")) in owners
        )

    def plain_avc_valve(self) -> str | None:
        """The signal valve whose only diode is detector and source of AVC: its cathode goes to chassis."""
        detector = self.lineup.duty("detector")
        if detector is None or detector.avc_diode is not None:
            return None
        amplifiers = {d.valve for d in self.lineup.duties if base_stage(d.stage) in ("if_amp", "rf_amp")}
        return detector.valve if detector.valve in amplifiers else None

    def facts(self, layout: Layout, ht: float, line: float, total: float, kind: str) -> SetFacts:
        known = {
            ref: v.heater for ref, v in self.lineup.types.items() if v.heater and v.heater.volts and v.heater.amps
        }
        forms = layout.set_forms
        from_ht = forms["chain"] == "HT"
        if from_ht:
            known = {ref: heater for ref, heater in known.items() if heater.directly_heated}
        amps = sum(heater.amps or 0.0 for heater in known.values())
        if self.heaters == "series" and known:
            amps, known = chain_heaters(known)
        chain = sum((heater.volts or 0.0) for heater in known.values())
        if forms["thermistor"] == "fitted":
            chain += float(customs()["thermistor"]["hot_volts"])
        if forms["lamp"] == "in the chain":
            chain += float(customs()["lamps"]["chain_volts"])
        amps = amps or float(customs()["heaters"]["usual_amps"])
        return SetFacts(
            year=self.year,
            construction=self.construction,
            mains_rms_volts=self.skeleton.mains_rms_volts,
            ht_volts=ht,
            line_volts=line,
            total_amps=total + (amps if from_ht else 0.0),
            rectifier_kind=kind,
            heater_volts=max((heater.volts or 0.0 for heater in known.values()), default=6.3),
            heater_amps=amps,
            chain_volts=chain,
            chain_source_volts=ht if from_ht else self.skeleton.mains_rms_volts,
            output_bias_volts=self.output_bias(line),
            smoothing=forms["smoothing"],
            filaments_from_ht=from_ht,
            lamp_in_chain=forms["lamp"] == "in the chain",
            common_dropper=forms["mains_dropper"] == "fitted",
            front_end_amps=usual_values.total_amps(
                (
                    (self.lineup.types[duty.valve], duty.section, duty.stage)
                    for duty in self.lineup.duties
                    if base_stage(duty.stage) in ("fm_tuner", "rf_amp", "frequency_changer", "if_amp")
                ),
                ht,
            ),
        )

    def output_bias(self, line_volts: float) -> float:
        """Volts of bias the output valve needs."""
        duty = self.lineup.duty("output") or self.lineup.duty("output_a")
        usual = float(customs()["forms"]["output_bias_volts"])
        if duty is None:
            return usual
        row = usual_values.nearest_row(self.lineup.types[duty.valve], duty.section, line_volts, needs=("anode_amps",))
        bias = row.bias_volts if row is not None else None
        return -bias if bias is not None and bias < 0.0 else usual

    # ---- parts

    def parts(self, layout: Layout, stages: tuple[Stage, ...], facts: SetFacts) -> dict[str, Part]:
        by_stage = {stage.name: stage for stage in stages if stage.name != "supply"}
        numbering = _Numbering(set(self.lineup.valves))
        parts: dict[str, Part] = {}
        for laid in layout.parts:
            place = by_stage.get(laid.stage)
            stage = None
            if place is not None:
                stage = StageFacts(
                    valve=self.lineup.types[place.valve],
                    section=place.section,
                    line_volts=facts.line_volts,
                    stage=place.name,
                )
            part = self.part(laid, layout, facts, stage, numbering)
            parts[part.ref] = part
        return parts

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
        if pattern.quantity == "ohms":
            for number, (winding, _, _) in enumerate(laid.windings):
                own = _usual_si(winding.usual, forms, facts, stage)
                if number > 0:
                    figures[f"{winding.name}_ohms"] = own if own is not None else si or 0.0
                figures[f"{winding.name}_henries"] = winding.henries
        ref, identity = numbering.next(laid.role, kind)
        return Part(
            identity=identity,
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
    """Gives references R1, C1, ... and identities in the order of the patterns."""

    def __init__(self, taken: set[str]) -> None:
        self.taken = taken
        self.roles: dict[str, int] = {}

    def next(self, role: str, kind: str) -> tuple[str, str]:
        letter = customs()["letters"].get(kind, "P")
        number = 1
        while f"{letter}{number}" in self.taken:
            number += 1
        ref = f"{letter}{number}"
        self.taken.add(ref)
        self.roles[role] = self.roles.get(role, 0) + 1
        return ref, role if self.roles[role] == 1 else f"{role}#{self.roles[role]}"
