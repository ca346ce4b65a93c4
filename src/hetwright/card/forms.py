"""Which form of its pattern each stage takes: as the card states, as the parts it states need, as is usual.

Every form is a word under an option ("bias" -> "cathode"); the ``when`` of a pattern asks for them.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass

from hetwright.card import usual_values
from hetwright.card.layout import SIGNAL_ORDER
from hetwright.card.lineup import Duty
from hetwright.card.pattern_files import base_stage
from hetwright.card.usual_values import customs
from hetwright.valves.catalogue import Section, ValveType

__all__ = ["SetWords", "stage_forms"]


@dataclass(frozen=True, kw_only=True)
class SetWords:
    """What the forms of a stage depend on in the set around it.

    ``line_volts``: smoothed HT. ``names``: stages there are. ``stated``: roles the card states a part for.
    ``options``: "STAGE.OPTION" to word, as the card states them.
    """

    construction: str
    region: str
    year: int
    heaters: str
    bias: str
    line_volts: float
    names: tuple[str, ...]
    stated: Set[str]
    options: Mapping[str, str]
    filaments_from_ht: bool = False
    shared_cathodes: Set[str] = frozenset()
    plain_avc_valve: str | None = None

    @property
    def filaments(self) -> bool:
        """Whether the valves are filament valves whose negative end is the cathode point."""
        return self.heaters == "battery" or self.filaments_from_ht


def _custom(name: str) -> float:
    return float(customs()["forms"][name])


def stage_forms(duty: Duty, valve: ValveType, words: SetWords) -> dict[str, str]:
    """The forms of one stage."""
    section = valve.section(duty.section)
    base = base_stage(duty.stage)
    stated = {role.partition(".")[2] for role in words.stated if role.partition(".")[0] == duty.stage}
    signal = [name for name in SIGNAL_ORDER if name in words.names and name != "fm_tuner"]
    if duty.crystal:
        return {"shape": "crystal"}
    forms = {
        "shape": section.shape or "",
        "first": "yes" if duty.stage == "fm_tuner" or (signal and duty.stage == signal[0]) else "no",
    }
    if "screen" in section.electrodes:
        forms["screen"] = _screen(duty, valve, section, words, stated)
    if base in ("frequency_changer", "if_amp", "rf_amp"):
        forms.update(_signal_stage(duty, section, words, stated))
    if duty.oscillator is not None:
        forms["oscillator"] = ".".join(duty.oscillator)
        forms["oscillator_is"] = "another valve"
    if base == "fm_tuner" or (base == "frequency_changer" and section.shape == "triode"):
        two = sum(other.shape == "triode" for other in valve.sections) > 1
        forms["triodes"] = "two" if two else "one"
        forms["as_frequency_changer"] = "yes" if base == "frequency_changer" else "no"
    if base == "detector":
        forms.update(_detector(duty, valve, words, stated))
    if base == "reaction_detector":
        forms.update(_reaction_detector(duty, section, words, stated))
    if base == "audio":
        forms.update(_audio(duty, valve, section, words, stated))
    if base == "output":
        forms.update(_output(duty, words, stated))
    if base == "indicator":
        forms["target"] = "fed" if "target_feed_resistor" in stated or words.region == "European" else "direct"
    for key, word in words.options.items():
        stage, _, option = key.partition(".")
        if stage == duty.stage:
            forms[option] = word
    return forms


def _screen(duty: Duty, valve: ValveType, section: Section, words: SetWords, stated: Set[str]) -> str:
    row = usual_values.nearest_row(valve, section.name, words.line_volts, needs=("screen_volts",), stage=duty.stage)
    volts = row.get("screen_volts") if row is not None else None
    fed = volts is not None and volts < _custom("screen_direct_above") * words.line_volts
    return "fed" if fed or stated & {"screen_feed_resistor", "screen_bypass_capacitor"} else "direct"


def _signal_stage(duty: Duty, section: Section, words: SetWords, stated: Set[str]) -> dict[str, str]:
    big_set = words.region == "European" and words.construction in ("mains transformer", "auto-transformer")
    resistor = stated & {"anode_feed_resistor", "anode_decoupling_capacitor"} or big_set
    forms = {
        "anode_feed": "resistor" if resistor else "direct",
        "bias": "none" if words.filaments or duty.valve == words.plain_avc_valve else "cathode",
        "coupling": "shunt fed" if words.region == "European" and not words.filaments else "series fed",
        "first_if": "yes" if duty.stage == "if_amp" else "no",
    }
    if section.shape == "converter":
        forms["bias"] = "filament" if words.filaments else "coil"
    return forms


def _detector(duty: Duty, valve: ValveType, words: SetWords, stated: Set[str]) -> dict[str, str]:
    three = sum(section.kind == "diode" for section in valve.sections) >= 3
    asks_delay = stated & {"avc_diode_coupling_capacitor", "avc_load_resistor"}
    forms = {
        "load": "separate" if three or stated & {"load_resistor"} else "volume control",
        "avc": "delayed" if duty.avc_diode and (words.region == "European" or asks_delay) else "plain",
    }
    if duty.avc_diode:
        forms["avc_diode"] = duty.avc_diode
    return forms


def _reaction_detector(duty: Duty, section: Section, words: SetWords, stated: Set[str]) -> dict[str, str]:
    bend = stated & {"cathode_resistor", "cathode_bypass_capacitor"}
    bias = "none" if words.filaments else "anode bend" if bend or words.region == "American" else "grid leak"
    mains = words.construction != "battery"
    return {
        "bias": bias,
        "decoupling": "resistor" if mains or stated & {"decoupling_resistor", "decoupling_capacitor"} else "none",
        "reaction": "none" if words.region == "American" and "reaction_capacitor" not in stated else "fitted",
    }


def _audio(duty: Duty, valve: ValveType, section: Section, words: SetWords, stated: Set[str]) -> dict[str, str]:
    mu = max((row.get("mu") or 0.0 for row in valve.rows_of(section.name)), default=0.0)
    # a high-mu triode, or a diode pentode, is biased by its grid current; other pentodes by a cathode resistor
    with_diode = section.shape == "pentode" and any(other.kind == "diode" for other in valve.sections)
    by_leak = (with_diode or mu >= _custom("grid_leak_bias_mu")) and duty.stage != "audio_2"
    asks = stated & {"cathode_resistor", "cathode_bypass_capacitor"}
    transformer = words.construction in ("mains transformer", "auto-transformer")
    bias = "none" if words.filaments else "grid leak" if by_leak and not asks else "cathode"
    return {
        "bias": "shared" if duty.stage in words.shared_cathodes else bias,
        "decoupling": "resistor"
        if transformer or stated & {"decoupling_resistor", "decoupling_capacitor"}
        else "none",
    }


def _output(duty: Duty, words: SetWords, stated: Set[str]) -> dict[str, str]:
    modern = words.region == "European" and words.year >= _custom("stopper_from_year")
    fed_back = words.region == "European" and words.year >= _custom("feedback_from_year") and "audio" in words.names
    halves = {"output_a": "first", "output_b": "second"}
    asks_cathode = stated & {"cathode_resistor", "cathode_bypass_capacitor"}
    return {
        "bias": "cathode" if words.bias == "cathode" or asks_cathode else "back bias",
        "stopper": "resistor" if modern or "grid_stopper" in stated else "none",
        "half": halves.get(duty.stage, "first" if "output_b" in words.names else "single"),
        "feedback": "to the anode" if fed_back or "feedback_resistor" in stated else "none",
    }
