"""Cautions that belong to a set as it is built, before any step is named: hazards, chassis, mains, stored charge."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from .output import Words

if TYPE_CHECKING:
    from hetwright.card.model import SetCard, State
    from hetwright.circuit.whole_set import WholeSet
    from hetwright.safety import GuardContext

__all__ = ["cold_outcomes", "expected_cold_ohms", "set_cautions"]


def set_cautions(context: GuardContext, card: SetCard, state: State, words: Words) -> list[str]:
    """What is to be known of this set before a hand goes near it.

    Parameters
    ----------
    context : GuardContext
    card : SetCard
    state : "drawn", "found" or "now"
        Of the capacitors whose charge is counted.
    words : "british" or "american"

    Returns
    -------
    list of str
        STOP hazards first, then how the chassis stands to the mains, then stored charge.
    """
    from hetwright.safety import caution, discharge_caution

    said = [f"STOP: {hazard.said(words)}" for hazard in context.hazards]
    construction = context.construction
    names: list[str] = []
    if construction.name == "unknown":
        names.append("construction unknown")
    if construction.live_chassis:
        names += ["live chassis", "no earth"]
    if context.presumed_mains_capacitor:
        names.append("presumed mains capacitor")
    names += ["mains elsewhere", "plug out"] if construction.mains else ["battery"]
    said += [caution(name, words) for name in names]
    farads = _stored_farads(card, state)
    if construction.mains and farads > 0.0 and context.ht_peak_volts > 0.0:
        said.append(discharge_caution(farads, context.ht_peak_volts, words))
    if construction.mains:
        said.append(caution("local rules", words))
    return said


def _stored_farads(card: SetCard, state: State) -> float:
    roles = ("supply.reservoir_capacitor", "supply.smoothing_capacitor", "supply.decoupling_capacitor")
    values = [part.value(state) for role in roles for part in card.parts_of_role(role) if part.quantity == "farads"]
    return sum(value.si for value in values if value is not None)


def expected_cold_ohms(whole: WholeSet, medians: object, card: SetCard) -> Mapping[tuple[str, str], float]:
    """What the cold checks that a set's construction demands ought to read: a bleeder makes a low reading normal.

    Parameters
    ----------
    whole : WholeSet
    medians : ndarray, shape (S,)
        Slots of the healthy set.
    card : SetCard
    """
    import numpy as np

    from hetwright.circuit.cold import cold_ohms
    from hetwright.safety import cold_checks_demanded

    row = np.asarray(medians, dtype=float)[None, : whole.n_ht]
    known = set(whole.ht.points)
    pairs = []
    for check in cold_checks_demanded(card):
        for a, b in check.pairs:
            ends = (whole.networks.point(a), whole.networks.point(b))
            if ends[0] in known and ends[1] in known and ends[0] != ends[1]:
                pairs.append(((a, b), ends))
    if not pairs:
        return {}
    ohms = cold_ohms(whole.ht, np.ascontiguousarray(row), [ends for _, ends in pairs])[0]
    return {names: float(value) for (names, _), value in zip(pairs, ohms, strict=True)}


def cold_outcomes(context: GuardContext, point: str, to: str | None) -> list[dict[str, object]]:
    """What the readings of a demanded cold check would mean, by its limits."""
    from .speech import written

    for result in context.cold_checks:
        check = result.check
        if check.points != (point, to):
            continue
        least = written(check.least_ohms, "ohms", context.words)
        said: list[tuple[str, str]] = []
        if check.most_ohms is None:
            said.append((f"{least} or more", "this check is passed"))
        else:
            most = written(check.most_ohms, "ohms", context.words)
            said += [
                (f"{least} to {most}", "this check is passed"),
                (f"over {most}", f"no power until that is cured. {check.why}"),
            ]
        if check.settle_ohms is not None:
            settle = written(check.settle_ohms, "ohms", context.words)
            said.append((f"{settle} to {least}", "not settled: wait until it stands, or find the leak"))
            said.append((f"under {settle}", f"no power until that is cured. {check.why}"))
        elif check.least_ohms > 0.0:
            said.append((f"under {least}", f"no power until that is cured. {check.why}"))
        return [{"reads": reads, "means": means, "probability": None} for reads, means in said]
    return []
