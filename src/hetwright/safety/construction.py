"""How a set is fed, what that makes of its chassis, and what must be measured cold before power.

Data: ``trade/constructions.toml``. What is not known counts as live chassis.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from math import isfinite, sqrt
from typing import Any, Literal, Protocol

from hetwright.card.model import SetCard
from hetwright.trade_data import load_trade, sources_of

from .cautions import Words

__all__ = [
    "ColdCheck",
    "ColdCheckResult",
    "ColdReading",
    "Construction",
    "Hazard",
    "classify",
    "cold_check_results",
    "cold_checks_demanded",
    "construction_of",
    "hazard_named",
    "hazards_of_card",
    "peak_volts_present",
]

MAINS_POINTS = ("mains_live", "mains_neutral")


@dataclass(frozen=True, slots=True, kw_only=True)
class Construction:
    """How a set is fed: ``name`` is the class, ``title`` the words for it."""

    name: str
    title: str
    live_chassis: bool
    may_be_earthed_once_proved: bool
    mains: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdCheck:
    """A measurement demanded with the plug out before power is applied.

    Any of ``pairs`` of points will do. A reading passes from ``least_ohms`` to ``most_ohms``; below ``settle_ohms``
    it fails outright, between the two it has not settled the matter.
    """

    name: str
    pairs: tuple[tuple[str, str], ...]
    least_ohms: float
    most_ohms: float | None
    settle_ohms: float | None
    how: str
    why: str
    source: str

    @property
    def points(self) -> tuple[str, str]:
        """The first pair: where to put the leads when there is no reason for another."""
        return self.pairs[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdCheckResult:
    """A demanded check with what was read: "passed", "failed" or "missing" (not done, or not settled)."""

    check: ColdCheck
    status: Literal["passed", "failed", "missing"]
    ohms: float | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazard:
    """A STOP hazard: what it stops and what is said. Nothing overrides it."""

    name: str
    stops: frozenset[str]
    stops_without_isolating_transformer: frozenset[str]
    british: str
    american: str

    def said(self, words: Words = "british") -> str:
        """What is said of it."""
        return self.american if words == "american" else self.british


class ColdReading(Protocol):
    """What is needed of a reading: :class:`hetwright.readings.reading.Reading` has it."""

    @property
    def point(self) -> str: ...

    @property
    def to(self) -> str | None: ...

    @property
    def quantity(self) -> str: ...

    @property
    def value(self) -> float: ...


@cache
def _constructions() -> tuple[tuple[int, tuple[str, ...], frozenset[str], Construction], ...]:
    return tuple(
        (
            record["rank"],
            tuple(record["phrases"]),
            frozenset(record.get("unless", [])),
            Construction(
                name=record["class"],
                title=record["title"],
                live_chassis=record["live_chassis"],
                may_be_earthed_once_proved=record["may_be_earthed_once_proved"],
                mains=record["mains"],
            ),
        )
        for record in load_trade("constructions.toml")["construction"]
    )


def _named(name: str) -> Construction:
    return next(c for *_, c in _constructions() if c.name == name)


def classify(words: str) -> Construction:
    """The construction a card's words name; the most dangerous that fits, "unknown" where none does.

    Examples
    --------
    >>> classify("mains transformer, chassis isolated").name
    'transformer'
    >>> classify("mains transformer for the heaters only").live_chassis
    True
    >>> classify("a wooden box").name
    'unknown'
    """
    text = " ".join(words.casefold().replace("_", " ").split())
    single = set(re.findall(r"[a-z.]+|\?", text))
    fitting = [
        (rank, construction)
        for rank, phrases, unless, construction in _constructions()
        if any(phrase in text for phrase in phrases) and not single & unless
    ]
    return max(fitting, key=lambda pair: pair[0])[1] if fitting else _named("unknown")


def construction_of(card: SetCard) -> Construction:
    """The construction of a card, doubts taken on the side of danger.

    A "battery" set with a mains rectifier is fed from the mains somehow: its construction is not known.
    """
    found = classify(card.construction)
    rectified = card.supply.rectifier.casefold() not in ("", "none", "battery")
    if found.name == "battery" and rectified and card.mains_rms_volts > 0.0 and card.supply.heaters != "battery":
        return _named("unknown")
    return found


def _of_mains(record: Mapping[str, Any], name: str, mains_rms_volts: float) -> float | None:
    for other in record.get("by_mains", []):
        if mains_rms_volts < other["below_volts"] and name in other:
            return float(other[name])
    value = record.get(name)
    return None if value is None else float(value)


def cold_checks_demanded(
    card: SetCard,
    *,
    expected_ohms: Mapping[tuple[str, str], float] | None = None,
    words: Words = "british",
) -> tuple[ColdCheck, ...]:
    """The cold checks a set's construction demands before power, with their limits and sources.

    Parameters
    ----------
    card : SetCard
    expected_ohms : (point, point) -> ohms, optional
        What the circuit as it stands should read. Where a bleeder or divider lies across the HT a low reading is
        normal: the limit is then two thirds of what is expected. Limits on both sides (primary, heater chain) are
        widened until they hold what is expected.
    words : "british" or "american"
    """
    document = load_trade("constructions.toml")
    sources = sources_of(document)
    construction = construction_of(card)
    checks = []
    for record in document["cold_check"]:
        if construction.name not in record["classes"]:
            continue
        pairs = tuple((a, b) for a, b in record["pairs"])
        least = _of_mains(record, "least_ohms", card.mains_rms_volts) or 0.0
        settle = _of_mains(record, "settle_ohms", card.mains_rms_volts)
        expected = [ohms for pair in pairs for ohms in _either_way(expected_ohms or {}, pair)]
        most = _of_mains(record, "most_ohms", card.mains_rms_volts)
        if settle is not None and expected and min(expected) * (2.0 / 3.0) < least:
            least = max(min(expected) * (2.0 / 3.0), settle)
        if most is not None and expected:
            # a path of this very circuit, cold thermistor or transformer primary, may lie beyond what is usual
            least, most = min(least, min(expected) * (2.0 / 3.0)), max(most, min(expected) * 1.5)
        source = sources[record["source"]]
        checks.append(
            ColdCheck(
                name=record["name"],
                pairs=pairs,
                least_ohms=least,
                most_ohms=most,
                settle_ohms=settle,
                how=record.get("how_american", record["how"]) if words == "american" else record["how"],
                why=record["why"],
                source=f"{source['title']} ({source['evidence']})",
            )
        )
    return tuple(checks)


def _either_way(ohms: Mapping[tuple[str, str], float], pair: tuple[str, str]) -> list[float]:
    return [ohms[key] for key in (pair, pair[::-1]) if key in ohms]


def cold_check_results(
    card: SetCard,
    readings: Iterable[ColdReading],
    *,
    expected_ohms: Mapping[tuple[str, str], float] | None = None,
    words: Words = "british",
) -> tuple[ColdCheckResult, ...]:
    """Every demanded check with the last reading that answers it.

    Parameters
    ----------
    readings
        In the order they were taken; only those of ohms count. A ``to`` left empty is the card's reference point.
    """
    taken = [
        (frozenset((reading.point, reading.to or card.reference_point)), reading.value)
        for reading in readings
        if reading.quantity == "ohms"
    ]
    results = []
    for check in cold_checks_demanded(card, expected_ohms=expected_ohms, words=words):
        wanted = {frozenset(pair) for pair in check.pairs}
        values = [value for points, value in taken if points in wanted and not value < 0.0]
        if not values:
            results.append(ColdCheckResult(check=check, status="missing"))
            continue
        results.append(_judged(check, values[-1]))
    return tuple(results)


def _judged(check: ColdCheck, ohms: float) -> ColdCheckResult:
    if check.most_ohms is not None and not ohms <= check.most_ohms:
        read = "open" if not isfinite(ohms) else f"{ohms:.3g} Ω"
        return ColdCheckResult(
            check=check, status="failed", ohms=ohms, remark=f"{read}, at most {check.most_ohms:.3g} Ω expected"
        )
    if ohms >= check.least_ohms:
        return ColdCheckResult(check=check, status="passed", ohms=ohms)
    remark = f"{ohms:.3g} Ω, at least {check.least_ohms:.3g} Ω wanted"
    if check.settle_ohms is not None and ohms >= check.settle_ohms:
        return ColdCheckResult(check=check, status="missing", ohms=ohms, remark=f"{remark}: wait, or find the leak")
    return ColdCheckResult(check=check, status="failed", ohms=ohms, remark=remark)


@cache
def _hazards() -> tuple[tuple[tuple[str, ...], Hazard], ...]:
    return tuple(
        (
            tuple(record["words"]),
            Hazard(
                name=record["id"],
                stops=frozenset(record["stops"]),
                stops_without_isolating_transformer=frozenset(record.get("stops_without_isolating_transformer", [])),
                british=record["british"],
                american=record.get("american", record["british"]),
            ),
        )
        for record in load_trade("cautions.toml")["hazard"]
    )


def hazard_named(words: str) -> Hazard | None:
    """The STOP hazard that words name, in whatever order they stand, or None.

    Examples
    --------
    >>> hazard_named("mains lead perished") == hazard_named("perished lead")
    True
    """
    text = words.casefold().replace("_", " ")
    for known, hazard in _hazards():
        if text == hazard.name or any(all(word in text for word in phrase.split()) for phrase in known):
            return hazard
    return None


PAPER = ("paper", "wax", "tar", "pitch")


def hazards_of_card(card: SetCard) -> tuple[Hazard, ...]:
    """STOP hazards that the card itself states: an old capacitor from mains to chassis that is known to be there.

    One that is only usual in such a set is no stop but a thing to look for. Wider hazards come from the restorer's
    look-over and are named by :func:`hazard_named`.
    """
    for part in card.parts_of_role("supply.mains_bypass_capacitor"):
        stated = part.drawn or part.marked or part.measured
        kind = (part.fitted_kind or "film") if part.fitted is not None else part.kind
        if stated is not None and any(word in kind.casefold() for word in PAPER):
            hazard = hazard_named("mains to chassis capacitor")
            return (hazard,) if hazard is not None else ()
    return ()


def peak_volts_present(card: SetCard) -> dict[str, float]:
    """The highest voltages that can be present: ``"mains"``, and ``"ht"`` for everything HT can reach.

    Returns
    -------
    dict
        Peak volts, mains high, valves cold. A fault can put full HT on a cathode or a grid, so every point that is
        not on the mains counts as HT. A battery set has its battery.

    Notes
    -----
    sqrt(2) x 1.1 x r.m.s. winding volts; a doubler twice that. The winding is the stated one; else the mains in a set
    without a transformer; else the larger of the usual one and what the stated HT would take.
    """
    table = load_trade("constructions.toml")["peak"]
    construction = construction_of(card)
    high = sqrt(2.0) * table["mains_high"]
    ht = card.supply.ht_volts
    if not construction.mains:
        return {"mains": 0.0, "ht": ht.si if ht is not None else 150.0}
    mains = high * card.mains_rms_volts
    secondary = card.supply.secondary_rms_volts
    if secondary is not None:
        winding = secondary.si
    elif construction.name == "live chassis":
        winding = card.mains_rms_volts
    else:
        winding = table["default_winding_rms_volts"]
        if ht is not None:
            least = ht.si / table["ht_over_rms_least"]
            winding = least if ht.basis != "usual" else max(winding, least)
    peak = high * winding
    if "doubler" in card.supply.rectifier.casefold():
        peak *= table["doubler"]
    # a live chassis has the mains on it whatever the HT is
    return {"mains": mains, "ht": max(peak, mains) if construction.live_chassis else peak}
