"""The guard: every check, test and remedy passes here before it is proposed.

It knows how the set is fed, which cold checks have been passed and which hazards were found. A step is allowed, with
the cautions that belong to it, or withheld, with the reason. Being allowed means only that no rule forbids it:
local codes and qualified people come first, and what is not known counts as live chassis.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from hetwright.card.model import SetCard

from .cautions import Words, caution, refusal
from .construction import (
    MAINS_POINTS,
    PAPER,
    ColdCheckResult,
    ColdReading,
    Construction,
    Hazard,
    cold_check_results,
    construction_of,
    hazard_named,
    hazards_of_card,
    peak_volts_present,
)

__all__ = ["KINDS", "GuardContext", "Proposal", "Verdict", "check"]

# step -> (done with power on, hands or clips inside the set)
KINDS: Mapping[str, tuple[bool, bool]] = {
    "measure volts": (True, True),
    "measure current": (True, True),
    "measure watts": (True, False),
    "measure hum": (True, False),
    "measure gain": (True, True),
    "observe": (True, False),
    "apply power": (True, False),
    "reverse mains": (True, False),
    "ground grid": (True, True),
    "connect instrument": (True, True),
    "measure ohms": (False, True),
    "insulation test": (False, True),
    "read marking": (False, True),
    "lift lead": (False, True),
    "swap valve": (False, True),
    "pull valve": (False, True),
    "bridge capacitor": (False, True),
    "replace part": (False, True),
    "put back": (False, True),
    "earth chassis": (False, True),
    "heater on battery": (False, True),
    "clean contact": (False, True),
    "align": (True, True),
    "mechanical": (False, True),
    "hand over": (False, False),
}
"""The steps the guard knows: whether each needs power, and whether hands or clips go inside the set."""

SOLDERING = ("lift lead", "bridge capacitor", "replace part", "put back", "read marking", "clean contact")
# Fitted with the plug out, and then of use only under power.
POWER_AFTER = ("bridge capacitor",)
MAINS_WORDS = (*MAINS_POINTS, "mains", "supply.mains_switch", "supply.fuse", "supply.mains_lead")


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A step that is about to be proposed.

    Parameters
    ----------
    kind : str
        One of ``KINDS``.
    power : bool, optional
        With the plug in; default as the kind of step usually is.
    point, to : str, optional
        Where the leads go.
    part, role, valve : str, optional
        What is touched, changed or put back.
    quantity : str
    peak_volts : float, optional
        Highest volts that can be present there; default the highest of the set.
    meter_volts : float, optional
        What the meter is rated, V.
    capacitor_volts : float, optional
        What a test or replacement capacitor is rated, V.
    capacitor_kind : str
        Words of a capacitor to be fitted ("Y2", "film", "waxed paper").
    then_power : bool
        Done with the plug out, but it tells something only once power is on again (a lead lifted, then read).
    through_capacitor : bool
        A grid or instrument is joined through a capacitor only.
    earthed : bool
        The instrument has an earthed lead.
    computer : bool
        The instrument is a computer, phone on its charger, or sound card.
    heater_disconnected : bool
        The heater winding has been unsoldered.
    failed : bool
        ``safety`` has failed this part.
    final_tests_passed : bool
        Every final test has been done and passed (for "hand over").
    """

    kind: str
    power: bool | None = None
    point: str | None = None
    to: str | None = None
    part: str | None = None
    role: str | None = None
    valve: str | None = None
    quantity: str = ""
    peak_volts: float | None = None
    meter_volts: float | None = None
    capacitor_volts: float | None = None
    capacitor_kind: str = ""
    then_power: bool = False
    through_capacitor: bool = False
    earthed: bool = False
    computer: bool = False
    heater_disconnected: bool = False
    failed: bool = False
    final_tests_passed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardContext:
    """What the guard knows of a set and of how it is being worked on.

    ``isolating_transformer``: one feeds this set alone. ``peak_volts``: point -> highest volts known to be possible.
    """

    construction: Construction
    heaters: str = "parallel"
    cold_checks: tuple[ColdCheckResult, ...] = ()
    hazards: tuple[Hazard, ...] = ()
    isolating_transformer: bool = False
    mains_peak_volts: float = 0.0
    ht_peak_volts: float = 0.0
    peak_volts: Mapping[str, float] = field(default_factory=dict)
    presumed_mains_capacitor: bool = False
    words: Words = "british"

    @classmethod
    def from_card(
        cls,
        card: SetCard,
        readings: Iterable[ColdReading] = (),
        *,
        hazards: Iterable[str] = (),
        isolating_transformer: bool = False,
        expected_ohms: Mapping[tuple[str, str], float] | None = None,
        peak_volts: Mapping[str, float] | None = None,
        words: Words = "british",
    ) -> GuardContext:
        """The context of a card with the readings taken so far.

        Parameters
        ----------
        readings : iterable of Reading
            Those of ohms answer the cold checks.
        hazards : iterable of str
            What the look-over found, in words; words that name no STOP hazard are passed over.
        isolating_transformer : bool
            One feeds this set alone.
        expected_ohms : (point, point) -> ohms, optional
            As in :func:`hetwright.safety.construction.cold_checks_demanded`.
        """
        found = [hazard for word in hazards if (hazard := hazard_named(word)) is not None]
        peaks = peak_volts_present(card)
        mains_capacitors = card.parts_of_role("supply.mains_bypass_capacitor")
        return cls(
            construction=construction_of(card),
            heaters=card.supply.heaters,
            cold_checks=cold_check_results(card, readings, expected_ohms=expected_ohms, words=words),
            hazards=tuple(dict.fromkeys([*found, *hazards_of_card(card)])),
            isolating_transformer=isolating_transformer,
            mains_peak_volts=peaks["mains"],
            ht_peak_volts=peaks["ht"],
            peak_volts=dict(peak_volts or {}),
            presumed_mains_capacitor=any(
                part.fitted is None and not (part.drawn or part.marked or part.measured) for part in mains_capacitors
            ),
            words=words,
        )

    def is_mains(self, proposal: Proposal) -> bool:
        """Whether the step is at a point of the mains side."""
        return any(name in MAINS_WORDS for name in (proposal.point, proposal.to, proposal.role) if name)

    def peak_at(self, proposal: Proposal) -> float:
        """Highest volts that can be present where the step is."""
        if proposal.peak_volts is not None:
            return proposal.peak_volts
        known = [self.peak_volts[p] for p in (proposal.point, proposal.to) if p is not None and p in self.peak_volts]
        if known:
            return max(known)
        return max(self.ht_peak_volts, self.mains_peak_volts if self.is_mains(proposal) else 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What the guard says: allowed with cautions, or withheld with the reason.

    ``missing``: cold checks that would have to be done first. Allowed means no rule forbids it, no more.
    """

    allowed: bool
    cautions: tuple[str, ...] = ()
    reason: str = ""
    missing: tuple[ColdCheckResult, ...] = ()


def check(proposal: Proposal, context: GuardContext) -> Verdict:
    """Pass a step through the guard.

    Parameters
    ----------
    proposal : Proposal
    context : GuardContext

    Returns
    -------
    Verdict
        With the cautions of the step even when it is withheld for want of cold checks.
    """
    words = context.words
    if proposal.kind not in KINDS:
        return Verdict(allowed=False, reason=refusal("unknown step", words, kind=proposal.kind))
    usual_power, inside = KINDS[proposal.kind]
    power = usual_power if proposal.power is None else proposal.power
    needs_power = power or proposal.then_power or proposal.kind in POWER_AFTER
    cautions = _cautions(proposal, context, power=power, needs_power=needs_power)
    stop = _hazard_stop(proposal, context, power=needs_power, inside=inside)
    if stop is not None:
        return Verdict(allowed=False, cautions=cautions, reason=stop)
    reason = _rule(proposal, context, power=power)
    if reason is not None:
        return Verdict(allowed=False, cautions=cautions, reason=reason)
    if needs_power and (withheld := _cold_checks_first(context)) is not None:
        return Verdict(allowed=False, cautions=cautions, reason=withheld[0], missing=withheld[1])
    clipped = inside and (power or proposal.kind in POWER_AFTER)
    if clipped and context.construction.live_chassis and not context.isolating_transformer:
        reason = refusal("clip leads", words, title=context.construction.title)
        return Verdict(allowed=False, cautions=cautions, reason=reason)
    return Verdict(allowed=True, cautions=cautions)


# ------------------------------------------------------------------------------------------------ rules


def _hazard_stop(proposal: Proposal, context: GuardContext, *, power: bool, inside: bool) -> str | None:
    doing = {"hand over"} if proposal.kind == "hand over" else set()
    if power:
        doing.add("power")
    if inside:
        doing.add("inside")
    if proposal.kind in ("mechanical", "clean contact"):
        doing.add("mechanical")
    for hazard in context.hazards:
        stops = set(hazard.stops)
        if not context.isolating_transformer:
            stops |= hazard.stops_without_isolating_transformer
        if doing & stops:
            return refusal("hazard", context.words, hazard=hazard.said(context.words))
    return None


def _rule(proposal: Proposal, context: GuardContext, *, power: bool) -> str | None:
    """The first rule that forbids the step."""
    words, kind = context.words, proposal.kind
    title = context.construction.title
    live = context.construction.live_chassis
    peak = context.peak_at(proposal)
    place = proposal.point or proposal.part or "the point"

    def no(name: str, **filled: Any) -> str:
        return refusal(name, words, **({"title": title} | filled))

    if kind == "earth chassis":
        if not context.construction.may_be_earthed_once_proved:
            return no("earth a live chassis")
        unproved = [r for r in context.cold_checks if r.status != "passed" and r.check.name == "mains to chassis"]
        if unproved or not any(r.check.name == "mains to chassis" for r in context.cold_checks):
            return no("earth unproved", missing=_listed(unproved) or "mains to chassis")
    if kind == "reverse mains" and live and not context.isolating_transformer:
        return no("reverse mains")
    if kind == "connect instrument" and live:
        if proposal.computer:
            return no("computer")
        if proposal.earthed and not proposal.through_capacitor:
            return no("earthed instrument")
    if kind in ("swap valve", "pull valve") and power:
        return no("series chain" if context.heaters == "series" else "valve under power")
    if kind in ("measure ohms", "insulation test") and power:
        return no("ohms under power")
    if kind in SOLDERING and power:
        return no("hands under power")
    if kind == "measure current" and context.is_mains(proposal):
        return no("mains current")
    if kind == "ground grid" and (
        not proposal.through_capacitor or proposal.capacitor_volts is None or proposal.capacitor_volts < peak
    ):
        return no("grid direct", volts=f"{peak:.0f}")
    if kind == "heater on battery" and not proposal.heater_disconnected:
        return no("heater on battery")
    if kind == "bridge capacitor":
        if proposal.capacitor_volts is None:
            return no("capacitor rating unknown", volts=f"{peak:.0f}", point=place)
        if proposal.capacitor_volts < peak:
            return no("capacitor rating", rating=f"{proposal.capacitor_volts:.0f}", volts=f"{peak:.0f}", point=place)
    if power and proposal.meter_volts is not None and proposal.meter_volts < peak:
        return no("meter rating", rating=f"{proposal.meter_volts:.0f}", volts=f"{peak:.0f}", point=place)
    if kind in ("put back", "replace part"):
        if proposal.failed and kind == "put back":
            return no("put back", what=proposal.part or proposal.role or "the part")
        fitted = proposal.capacitor_kind.casefold()
        unfit = not fitted or any(word in fitted for word in PAPER)
        if proposal.role == "supply.mains_bypass_capacitor" and kind == "put back" and unfit:
            return no("paper on the mains")
        if proposal.role == "supply.mains_bypass_capacitor" and fitted and unfit:
            return no("paper on the mains")
    if kind == "hand over" and not proposal.final_tests_passed:
        return no("hand over")
    return None


def _listed(results: Iterable[ColdCheckResult]) -> str:
    said = []
    for result in results:
        a, b = result.check.points
        text = f"measure {result.check.name} ({a} to {b}, {_limits(result)})"
        said.append(f"{text}: {result.remark}" if result.remark else text)
    return "; ".join(said)


def _limits(result: ColdCheckResult) -> str:
    check_ = result.check
    most = "" if check_.most_ohms is None else f", at most {_ohms(check_.most_ohms)}"
    return f"at least {_ohms(check_.least_ohms)}{most}"


def _ohms(ohms: float) -> str:
    for size, unit in ((1e6, "MΩ"), (1e3, "kΩ")):
        if ohms >= size:
            return f"{ohms / size:.3g} {unit}"
    return f"{ohms:.3g} Ω"


def _cold_checks_first(context: GuardContext) -> tuple[str, tuple[ColdCheckResult, ...]] | None:
    failed = [r for r in context.cold_checks if r.status == "failed"]
    if failed:
        said = "; ".join(f"{r.check.name} reads {r.remark}" for r in failed)
        return refusal("cold check failed", context.words, failed=said), tuple(failed)
    missing = [r for r in context.cold_checks if r.status == "missing"]
    if missing or not context.cold_checks:
        said = _listed(missing) or "the cold checks of this set's construction"
        return refusal("cold checks", context.words, missing=said), tuple(missing)
    return None


# ------------------------------------------------------------------------------------------------ cautions


def _cautions(proposal: Proposal, context: GuardContext, *, power: bool, needs_power: bool) -> tuple[str, ...]:
    """What is said at the step, in the order it is needed."""
    names = _live(proposal, context) if power else _dead(proposal, context)
    if needs_power and not power:
        names += _live(proposal, context)
    peak = context.peak_at(proposal)
    filled = {
        "volts": f"{context.mains_peak_volts if context.is_mains(proposal) else peak:.0f}",
        "point": proposal.point or proposal.part or proposal.role or "that point",
    }
    return tuple(caution(name, context.words, **filled) for name in dict.fromkeys(names))


def _live(proposal: Proposal, context: GuardContext) -> list[str]:
    kind = proposal.kind
    if not context.construction.mains:
        return ["battery", "clip on dead"] if KINDS[kind][1] else ["battery"]
    names = []
    if context.construction.name == "unknown":
        names.append("construction unknown")
    if context.construction.live_chassis:
        names += ["live chassis", "no earth"]
    if kind in ("apply power", "observe", "measure watts", "measure hum"):
        names += ["first power"] if kind == "apply power" else ["look only"]
        if context.presumed_mains_capacitor and kind == "apply power":
            names.append("presumed mains capacitor")
        names.append("watch")
    else:
        names += ["plug out", "discharge", "clip on dead"]
        if kind == "measure current":
            names.append("current")
        if kind == "ground grid":
            names.append("grid")
        names.append("mains here" if context.is_mains(proposal) else "live here")
    names += ["mains elsewhere", "discharge after", "local rules"]
    return names


def _dead(proposal: Proposal, context: GuardContext) -> list[str]:
    kind = proposal.kind
    if kind == "hand over":
        return ["local rules"]
    names = ["plug out"] if context.construction.mains else ["battery"]
    names.append("discharge")
    if kind == "measure ohms":
        names.append("ohms dead")
    elif kind == "insulation test":
        names.append("insulation tester")
    elif kind in ("swap valve", "pull valve"):
        names.append("hot valves")
    elif kind == "lift lead":
        names.append("lift lead")
    elif kind == "bridge capacitor":
        names.append("bridge capacitor")
    elif kind in ("replace part", "put back"):
        names.append("lift lead")
        if proposal.role == "supply.mains_bypass_capacitor" or (proposal.role or "").startswith("supply.mains"):
            names.append("mains capacitor class")
    elif kind == "earth chassis":
        names.append("no earth" if context.construction.live_chassis else "earth bolt")
    if kind in SOLDERING:
        names.append("wax and dust")
    return names
