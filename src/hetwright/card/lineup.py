"""From a valve line-up to stages: which valve does what, and what a partial line-up lacks.

Facts (families of valves and their usual companions) are in ``trade/stages/families.toml``.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from hetwright.card.model import ValveInPlace
from hetwright.card.usual_values import customs
from hetwright.errors import Complaint, InputFault
from hetwright.valves.catalogue import ValveType, find
from hetwright.valves.index import plain_name

__all__ = ["STAGES", "Abilities", "Duty", "Family", "LineUp", "abilities", "assign", "families", "family_of"]

TRADE = Path(__file__).resolve().parent.parent / "trade" / "stages"

#: Stage words, aerial to loudspeaker, then what serves them all.
STAGES = (
    "fm_tuner",
    "rf_amp",
    "frequency_changer",
    "if_amp",
    "if_amp_2",
    "reaction_detector",
    "detector",
    "audio",
    "audio_2",
    "output",
    "output_a",
    "output_b",
    "indicator",
    "supply",
)

FREQUENCY_CHANGERS = frozenset({"hexode", "pentagrid", "converter"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Valves that were used together, and what they say of the set round them."""

    name: str
    matches: tuple[str, ...]
    companions: Mapping[str, str]
    region: str
    year: int
    construction: str
    heaters: Literal["parallel", "series", "battery"]
    rectifier: str
    smoothing: str
    ht_volts: float
    straight: bool = False
    heater: Mapping[str, Any] = field(default_factory=dict)

    def has(self, name: str) -> bool:
        """Whether a type of that plain name belongs to the family."""
        return any(re.search(pattern, name) for pattern in self.matches)


@lru_cache(maxsize=1)
def families() -> tuple[Family, ...]:
    """Every family, in the order of the file."""
    record = tomllib.loads((TRADE / "families.toml").read_text(encoding="utf-8"))
    return tuple(Family(**{**table, "matches": tuple(table["matches"])}) for table in record["family"])


def family_of(types: Iterable[ValveType], written: Iterable[str] = ()) -> Family:
    """The family most of the valves belong to; heaters settle what no family lists.

    Parameters
    ----------
    types : iterable of ValveType
    written : iterable of str
        The names as they stand on the card (an equivalent may name the maker's own family).
    """
    types = tuple(types)
    plain = [
        {plain_name(name) for name in (valve.name, *valve.also)} | ({plain_name(own)} if own else set())
        for valve, own in zip(types, [*written, *[""] * len(types)], strict=False)
    ]
    own = [plain_name(name) for name in written] or [plain_name(valve.name) for valve in types]

    def score(family: Family) -> tuple[float, int]:
        exact = sum(family.has(name) for name in own)
        also = sum(any(family.has(name) for name in every) for every in plain)
        return exact + 0.5 * also, 0

    best = max(families(), key=lambda family: score(family)[0])
    if score(best)[0] > 0.0:
        return best
    return _family_by_heater(types)


def _family_by_heater(types: tuple[ValveType, ...]) -> Family:
    """The family whose heaters these could be, where no family lists the types; the first family otherwise."""
    heaters = [valve.heater for valve in types if valve.heater and valve.heater.volts]
    alike = float(customs()["forms"]["heater_amps_alike"])

    def could_be(family: Family) -> bool:
        asked = family.heater
        return bool(asked and heaters) and all(
            ("amps" not in asked or abs((heater.amps or 0.0) - asked["amps"]) < alike)
            and asked.get("volts_least", 0.0) <= (heater.volts or 0.0) <= asked.get("volts_most", 1e3)
            and (not asked.get("filament") or heater.directly_heated)
            for heater in heaters
        )

    return next((family for family in families() if could_be(family)), families()[0])


@dataclass(frozen=True, slots=True)
class Abilities:
    """What a type can do in a set: the names of the sections that could do it."""

    rectifier: tuple[str, ...] = ()
    indicator: str | None = None
    frequency_changer: str | None = None
    output: str | None = None
    diodes: tuple[str, ...] = ()
    pentode: str | None = None
    hexode: str | None = None
    triodes: tuple[str, ...] = ()
    remote: bool = False
    fm: bool = False


def abilities(valve: ValveType) -> Abilities:
    """Which sections of ``valve`` can work which kind of stage."""
    duty = valve.duty.lower()
    is_output = "output" in duty
    shape = {section.name: section.shape for section in valve.sections}
    kinds = {section.name: section.kind for section in valve.sections}
    power = [
        section.name
        for section in valve.sections
        if section.shape == "pentode" or (section.shape == "triode" and len(valve.sections) == 1)
    ]
    output = power[0] if is_output and power else None
    triodes = tuple(name for name in shape if shape[name] in ("triode", "oscillator") and name != output)
    changers = [name for name in shape if shape[name] in FREQUENCY_CHANGERS]
    diodes = tuple(name for name in shape if shape[name] == "diode" and kinds[name] != "rectifier")
    pentodes = [name for name in shape if shape[name] == "pentode" and name != output]
    return Abilities(
        rectifier=tuple(name for name in shape if kinds[name] == "rectifier"),
        indicator=next((name for name in shape if shape[name] == "indicator"), None),
        frequency_changer=changers[0] if changers else None,
        output=output,
        diodes=diodes,
        pentode=pentodes[0] if pentodes else None,
        # a mixer without triode (6L7) has no oscillator whose rest would leave it an amplifier
        hexode=next((name for name in changers if shape[name] == "hexode"), None) if triodes else None,
        triodes=triodes,
        remote=any("remote" in kind for kind in kinds.values()),
        fm=("fm" in duty or "vhf" in duty) and bool(triodes) and not changers and not diodes,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """A valve section at work in a stage.

    ``avc_diode`` and ``spare_diodes`` name diode sections of a detector. ``crystal``: a germanium diode detects,
    and the section is that of the audio stage it feeds. ``oscillator``: valve and triode that swing for a mixer
    without oscillator of its own.
    """

    stage: str
    valve: str
    section: str
    avc_diode: str | None = None
    spare_diodes: tuple[str, ...] = ()
    crystal: bool = False
    oscillator: tuple[str, str] | None = None


@dataclass(frozen=True, kw_only=True)
class LineUp:
    """Valves with their duties; ``assumptions`` in words for every result to repeat."""

    valves: Mapping[str, ValveInPlace]
    types: Mapping[str, ValveType]
    duties: tuple[Duty, ...]
    family: Family
    rectifier_valve: str | None
    assumptions: tuple[str, ...] = ()
    idle: tuple[str, ...] = ()
    sections_used: frozenset[tuple[str, str]] = field(default_factory=frozenset)

    def duty(self, stage: str) -> Duty | None:
        """The duty of that stage name, or ``None``."""
        return next((duty for duty in self.duties if duty.stage == stage), None)


def _natural(ref: str) -> tuple[Any, ...]:
    return tuple(int(piece) if piece.isdigit() else piece for piece in re.split(r"(\d+)", ref))


def _type_of(valve: ValveInPlace) -> ValveType:
    return find(valve.type, like=valve.like, kind=valve.kind)


class _Assigner:
    """Works a line-up through once; each rule takes what it is surest of first."""

    def __init__(self, valves: Mapping[str, ValveInPlace], hints: Mapping[str, str], push_pull: bool) -> None:
        self.valves = dict(sorted(valves.items(), key=lambda item: _natural(item[0])))
        self.types = {ref: _type_of(valve) for ref, valve in self.valves.items()}
        self.can = {ref: abilities(valve) for ref, valve in self.types.items()}
        self.duties: dict[str, Duty] = {}
        self.used: set[tuple[str, str]] = set()
        self.assumptions: list[str] = []
        self.hints = dict(hints)
        self.push_pull = push_pull
        self.rectifier: str | None = None

    # ---- keeping book

    def give(self, stage: str, ref: str, section: str, **more: Any) -> None:
        self.duties[stage] = Duty(stage=stage, valve=ref, section=section, **more)
        self.used.add((ref, section))
        for name in (more.get("avc_diode"), *more.get("spare_diodes", ())):
            if name:
                self.used.add((ref, name))

    def free(self, ref: str, section: str | None) -> bool:
        return section is not None and (ref, section) not in self.used

    def free_triode(self, ref: str) -> str | None:
        return next((name for name in self.can[ref].triodes if self.free(ref, name)), None)

    def busy(self, ref: str) -> bool:
        return any(valve == ref for valve, _ in self.used)

    def add(self, name: str, why: str) -> str:
        """Put in an assumed valve of that type; returns its reference."""
        number = 1
        while f"V{number}" in self.valves:
            number += 1
        ref = f"V{number}"
        kind = find(name)
        self.valves[ref] = ValveInPlace(identity=ref, ref=ref, type=kind.name, assumed=True)
        self.types[ref] = kind
        self.can[ref] = abilities(kind)
        self.assumptions.append(f"{ref} = {kind.name} is assumed for {why}: the line-up names no valve for it")
        return ref

    def has(self, stage: str) -> bool:
        return stage in self.duties

    def position(self, ref: str) -> int:
        return list(self.valves).index(ref)

    # ---- hints

    def section_for(self, stage: str, ref: str) -> str | None:
        can = self.can[ref]
        base = re.sub(r"_(\d|a|b)$", "", stage)
        pentode_or_triode = can.pentode or self.free_triode(ref)
        if base in ("frequency_changer",):
            if can.frequency_changer:
                return can.frequency_changer
            if can.fm:
                return can.triodes[0]
            return pentode_or_triode
        if base in ("rf_amp", "if_amp"):
            return pentode_or_triode or can.hexode if not can.hexode else can.hexode
        if base == "fm_tuner":
            return can.triodes[0] if can.triodes else can.pentode
        if base == "detector":
            return next((name for name in can.diodes if self.free(ref, name)), None)
        if base == "reaction_detector":
            return pentode_or_triode
        if base == "audio":
            return self.free_triode(ref) or (can.pentode if self.free(ref, can.pentode) else None)
        if base == "output":
            return can.output or pentode_or_triode
        if base == "indicator":
            return can.indicator
        if base == "supply":
            return can.rectifier[0] if can.rectifier else None
        return None

    def take_hints(self) -> None:
        # the AF section of a valve is wanted by "audio" only after "output" has taken its own
        order = {
            stage: number for number, stage in enumerate(("supply", "indicator", "output", "output_a", "output_b"))
        }
        for stage, ref in sorted(self.hints.items(), key=lambda item: order.get(item[0], 9)):
            if stage not in STAGES and not re.fullmatch(r"(if_amp|rf_amp|audio)_\d", stage):
                raise InputFault(
                    Complaint(wrong=f"stage {stage!r} is not known", right="stages are " + ", ".join(STAGES))
                )
            if ref not in self.valves:
                raise InputFault(
                    Complaint(
                        wrong=f"stage {stage} is given to {ref}, which is not in the line-up",
                        right="valves are " + ", ".join(self.valves),
                    )
                )
            if stage == "supply":
                self.take_rectifier(ref)
                continue
            section = self.section_for(stage, ref)
            if section is None:
                if (
                    stage == "detector"
                    and self.hints.get("audio") != ref
                    and (self.can[ref].pentode or self.can[ref].triodes)
                ):
                    # a detector without a diode: anode bend or leaky grid
                    self.give("reaction_detector", ref, self.can[ref].pentode or self.can[ref].triodes[0])
                elif stage == "detector":
                    self.assumptions.append(
                        f"{ref} ({self.types[ref].name}) has no diode: the detector is taken to be another valve"
                    )
                else:
                    raise InputFault(
                        Complaint(
                            wrong=f"{ref} ({self.types[ref].name}, {self.types[ref].kind}) cannot work stage {stage}",
                            right="give that stage to another valve, or leave it out",
                        )
                    )
                continue
            if stage == "detector":
                self.take_detector(ref)
            elif (ref, section) not in self.used:
                self.give(stage, ref, section)

    # ---- rules

    def take_rectifier(self, ref: str) -> None:
        if self.rectifier is None and self.can[ref].rectifier:
            self.rectifier = ref
        for name in self.can[ref].rectifier:
            self.used.add((ref, name))

    def take_detector(self, ref: str) -> None:
        diodes = [name for name in self.can[ref].diodes if self.free(ref, name)]
        if not diodes:
            return
        three = len(self.can[ref].diodes) >= 3
        avc = diodes[1] if len(diodes) >= 2 and not three else None
        spare = tuple(diodes[1:]) if three else tuple(diodes[2:])
        self.give("detector", ref, diodes[0], avc_diode=avc, spare_diodes=spare)

    def take_outputs(self) -> None:
        candidates = [ref for ref in self.valves if self.free(ref, self.can[ref].output)]
        hinted = next((s for s in ("output", "output_a") if self.has(s)), None)
        if hinted:
            first = self.duties[hinted].valve
            partner = next((r for r in candidates if self.types[r].name == self.types[first].name), None)
            if partner is not None and not self.has("output_b"):
                self.give("output_b", partner, self.can[partner].output or "")
                self.assumptions.append(f"{first} and {partner} are taken to be a push-pull pair")
            return
        if not candidates:
            return
        by_type: dict[str, list[str]] = {}
        for ref in candidates:
            by_type.setdefault(self.types[ref].name, []).append(ref)
        pair = next((refs for refs in by_type.values() if len(refs) >= 2), None)
        if pair is not None:
            self.give("output_a", pair[0], self.can[pair[0]].output or "")
            self.give("output_b", pair[1], self.can[pair[1]].output or "")
            return
        last = candidates[-1]
        self.give("output", last, self.can[last].output or "")

    def take_frequency_changer(self) -> None:
        if self.has("frequency_changer"):
            return
        for ref in self.valves:
            section = self.can[ref].frequency_changer
            if self.free(ref, section):
                self.give("frequency_changer", ref, section or "")
                return

    def take_oscillator(self) -> None:
        """A mixer without oscillator section (6L7) has a triode beside it."""
        changer = self.duties.get("frequency_changer")
        if changer is None or self.types[changer.valve].section(changer.section).shape != "hexode":
            return
        if self.can[changer.valve].triodes:
            return
        lone = [
            ref
            for ref in self.valves
            if not self.busy(ref) and len(self.types[ref].sections) == 1 and self.free_triode(ref)
        ]
        if lone:
            ref = min(lone, key=lambda other: abs(self.position(other) - self.position(changer.valve)))
        else:
            ref = self.add(str(customs()["oscillator"]["separate_type"]), "the oscillator beside the mixer")
        triode = self.free_triode(ref) or ""
        self.used.add((ref, triode))
        self.duties["frequency_changer"] = replace(changer, oscillator=(ref, triode))

    def take_fm_tuner(self) -> None:
        if self.has("fm_tuner"):
            return
        for ref in self.valves:
            can = self.can[ref]
            if can.fm and not self.busy(ref):
                self.give("fm_tuner", ref, can.triodes[0])
                return

    def take_amplifiers(self) -> None:
        changer = self.duties.get("frequency_changer")
        place = self.position(changer.valve) if changer else None
        signal = [
            ref
            for ref in self.valves
            if self.free(ref, self.can[ref].pentode or self.can[ref].hexode)
            and not (self.can[ref].pentode is None and self.can[ref].hexode is None)
        ]
        if changer is None:
            return self.take_straight(signal)
        detector_at = max((self.position(r) for r in self.valves if self.can[r].diodes), default=len(self.valves))
        # an audio stage is left to a triode, unless the only ones are oscillators or FM tuners
        taken = {changer.valve}
        has_triode = self.has("audio") or any(
            self.free_triode(ref) and not self.can[ref].fm and ref not in taken for ref in self.valves
        )
        for ref in signal:
            can = self.can[ref]
            section = can.pentode or can.hexode or ""
            if place is not None and self.position(ref) < place and not self.has("rf_amp"):
                self.give("rf_amp", ref, section)
            elif not self.has("if_amp"):
                self.give("if_amp", ref, section)
            elif (
                not has_triode
                and can.pentode
                and not self.has("audio")
                and (ref == signal[-1] or (can.diodes and not can.remote))
            ):
                self.give("audio", ref, section)
            elif not self.has("if_amp_2") and self.position(ref) <= detector_at:
                self.give("if_amp_2", ref, section)
        return None

    def take_straight(self, signal: list[str]) -> None:
        """No frequency changer: RF amplifiers, then a detector that is no diode, if there is no diode."""
        diodes = any(self.can[ref].diodes for ref in self.valves)
        rest = [ref for ref in self.valves if ref in signal or (self.free_triode(ref) and not self.can[ref].fm)]
        rest = [ref for ref in rest if not self.busy(ref)]
        if not rest:
            return
        if diodes or self.has("if_amp") or self.has("detector"):
            for ref in signal:
                if not self.has("if_amp") and self.free(ref, self.can[ref].pentode):
                    self.give("if_amp", ref, self.can[ref].pentode or "")
            return
        partial = len(self.valves) <= 2
        if partial:
            for ref in rest:
                can = self.can[ref]
                if can.pentode and not self.has("if_amp"):
                    self.give("if_amp", ref, can.pentode)
            return
        remote = [ref for ref in rest if self.can[ref].remote]
        others = [ref for ref in rest if ref not in remote]
        if not self.has("reaction_detector") and others:
            detector = (
                others[0]
                if not remote
                else next((r for r in others if self.position(r) > self.position(remote[0])), others[0])
            )
            pentodes_before = [
                r for r in others if self.can[r].pentode and self.position(r) < self.position(detector)
            ]
            triodes = [r for r in others if not self.can[r].pentode]
            if not remote and len(others) > 1 and self.can[others[0]].pentode and triodes:
                # 24 24 27 45: screened-grid RF amplifiers before a triode detector
                detector = triodes[0]
                pentodes_before = [r for r in others if self.can[r].pentode]
            self.give("reaction_detector", detector, self.can[detector].pentode or self.free_triode(detector) or "")
            remote = sorted({*remote, *pentodes_before}, key=self.position)
        for number, ref in enumerate(remote[:2], start=1):
            self.give("rf_amp" if number == 1 else "rf_amp_2", ref, self.can[ref].pentode or "")

    def take_audio(self) -> None:
        if not self.has("audio"):
            for ref in self.valves:
                if self.can[ref].fm and ref in {d.valve for d in self.duties.values()}:
                    continue
                section = self.free_triode(ref)
                changer = self.can[ref].hexode
                if section and not (
                    changer
                    and self.duties.get("frequency_changer", None)
                    and self.duties["frequency_changer"].valve == ref
                ):
                    self.give("audio", ref, section)
                    break
        if not self.has("audio"):
            for ref in self.valves:
                if self.free(ref, self.can[ref].pentode) and not self.busy(ref) and not self.can[ref].remote:
                    self.give("audio", ref, self.can[ref].pentode or "")
                    break
        if self.has("output_b") and self.has("audio") and not self.has("audio_2"):
            for ref in self.valves:
                section = self.free_triode(ref)
                if section and not self.can[ref].hexode and not self.can[ref].fm:
                    self.give("audio_2", ref, section)
                    break

    def take_detector_by_rule(self) -> None:
        if self.has("detector") or self.has("reaction_detector"):
            return
        with_diodes = [ref for ref in self.valves if any(self.free(ref, d) for d in self.can[ref].diodes)]
        if not with_diodes:
            return
        separate = [ref for ref in with_diodes if not self.busy(ref)]
        with_triode = [ref for ref in with_diodes if self.can[ref].triodes]
        self.take_detector((separate or with_triode or with_diodes)[0])

    def run(self) -> None:
        self.take_hints()
        for ref in self.valves:
            if self.can[ref].rectifier and not self.busy(ref):
                self.take_rectifier(ref)
        for ref in self.valves:
            section = self.can[ref].indicator
            if section and self.free(ref, section) and not self.has("indicator"):
                self.give("indicator", ref, section)
        self.take_outputs()
        self.take_fm_tuner()
        self.take_frequency_changer()
        self.take_oscillator()
        self.take_amplifiers()
        self.take_detector_by_rule()
        self.take_audio()

    def take_crystal(self) -> None:
        """No valve detects in a superhet: a germanium diode must."""
        if self.has("detector") or self.has("reaction_detector") or not self.has("if_amp"):
            return
        audio = self.duties.get("audio") or self.duties.get("output") or self.duties.get("output_a")
        if audio is not None:
            self.duties["detector"] = Duty(stage="detector", valve=audio.valve, section=audio.section, crystal=True)
            self.assumptions.append("no valve of the line-up detects: a germanium diode is assumed")

    # ---- what a partial line-up lacks

    def fill(self, family: Family, rectifier: str) -> None:
        """Put in the usual companions for every duty that nobody has."""
        straight = family.straight or self.has("reaction_detector")

        def add(key: str, why: str) -> str | None:
            name = family.companions.get(key)
            return self.add(name, why) if name is not None else None

        if not (self.has("output") or self.has("output_a")):
            ref = add("output", "the output stage")
            if ref:
                self.give("output", ref, self.can[ref].output or "")
        if not straight:
            if not self.has("frequency_changer"):
                ref = add("frequency_changer", "the frequency changer")
                if ref:
                    section = self.section_for("frequency_changer", ref)
                    self.give("frequency_changer", ref, section or "")
                    self.take_oscillator()
            if not self.has("if_amp"):
                any_diode = any(self.can[ref].diodes for ref in self.valves)
                audio = self.has("audio")
                key = "if_amp_with_diode" if audio and not any_diode else "if_amp"
                ref = add(key, "the IF amplifier")
                if ref:
                    self.give("if_amp", ref, self.can[ref].pentode or self.can[ref].hexode or "")
        elif not self.has("rf_amp"):
            ref = add("rf_amp", "the RF amplifier")
            if ref:
                self.give("rf_amp", ref, self.can[ref].pentode or "")
        self.take_detector_by_rule()
        self.take_audio()
        if straight:
            if not self.has("reaction_detector") and not self.has("detector"):
                ref = add("detector", "the detector") or add("audio", "the detector")
                if ref:
                    self.give("reaction_detector", ref, self.can[ref].pentode or self.free_triode(ref) or "")
        else:
            if not self.has("audio"):
                key = "audio" if self.has("detector") else "detector_audio"
                ref = add(key, "the detector and audio stages" if key == "detector_audio" else "the audio stage")
                if ref:
                    self.give("audio", ref, self.free_triode(ref) or self.can[ref].pentode or "")
            self.take_detector_by_rule()
            if not self.has("detector"):
                ref = add("diode", "the detector")
                if ref:
                    self.take_detector(ref)
        if self.rectifier is None and rectifier.endswith("valve"):
            ref = add("supply", "the rectifier")
            if ref:
                self.take_rectifier(ref)


def assign(
    valves: Mapping[str, ValveInPlace],
    *,
    hints: Mapping[str, str] | None = None,
    complete: bool = True,
    rectifier: str | None = None,
    push_pull: bool = False,
) -> LineUp:
    """Give every valve its duties, and where the line-up is partial, put in the usual companions.

    Parameters
    ----------
    valves : mapping
        Reference to valve, as on the card.
    hints : mapping, optional
        Stage name to valve reference, as the card or the documented case states them.
    complete : bool
        ``False``: the line-up is known to be partial; missing duties get assumed valves.
    rectifier : str, optional
        As the card says ("bridge, silicon"); ``None`` or "unknown" leaves it to the family.
    push_pull : bool
        The output is push-pull, whatever the line-up shows.

    Raises
    ------
    UnknownValve
        A type is not in the catalogue and the card names no stand-in.
    InputFault
        No valve at all, a hint for a stage that is not known or a valve that cannot do it.
    """
    if not valves:
        raise InputFault(Complaint(wrong="the line-up names no valve", right='write at least one, as V1 = "EL84"'))
    work = _Assigner(valves, hints or {}, push_pull)
    family = family_of(work.types.values(), [valve.type for valve in work.valves.values()])
    work.run()
    usual = family.rectifier if not rectifier or rectifier == "unknown" else rectifier
    if not complete:
        work.fill(family, usual)
    work.take_crystal()
    idle = tuple(ref for ref in work.valves if not work.busy(ref))
    for ref in idle:
        work.assumptions.append(f"no duty was found for {ref} ({work.types[ref].name}): only its heater is counted")
    order = {stage: number for number, stage in enumerate(STAGES)}
    duties = sorted(work.duties.values(), key=lambda duty: (order.get(duty.stage, 3), duty.stage))
    return LineUp(
        valves=work.valves,
        types=work.types,
        duties=tuple(duties),
        family=family,
        rectifier_valve=work.rectifier,
        assumptions=tuple(dict.fromkeys(work.assumptions)),
        idle=idle,
        sections_used=frozenset(work.used),
    )
