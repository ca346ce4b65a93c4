"""Perveance of diodes and rectifiers, from a drop, from published direct volts, or typical of the kind."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from hetwright.valves.comparison import Fit, Outcome
from hetwright.valves.electrode_systems import Group
from hetwright.valves.law import ValveState, currents
from hetwright.valves.priors import kind_facts, priors_of
from hetwright.valves.valve_type import Row

__all__ = ["fit_diode", "reservoir_volts"]


def reservoir_volts(
    constants: Mapping[str, float], ac_volts: float, series_ohms: float, load_amps: float, anodes: int
) -> float:
    """Return the direct volts on a large reservoir fed by a valve rectifier.

    Parameters
    ----------
    constants : mapping of str to float
        Of the diode law.
    ac_volts : float > 0
        R.m.s. volts of each anode.
    series_ohms : float >= 0
        Supply resistance in series with each anode.
    load_amps : float > 0
        Direct current drawn.
    anodes : int
        2 for full wave, 1 for half wave.

    Returns
    -------
    float
        Direct volts; ripple is taken as small, which overstates them by up to half the ripple.

    Notes
    -----
    Source: charge balance over one cycle of the conducting half (Schade, Proc. IRE 31, 341, 1943, from memory).
    """
    law = {name: np.array([value]) for name, value in constants.items()}
    source = math.sqrt(2.0) * ac_volts * np.cos((np.arange(96) + 0.5) * math.pi / 192.0)
    state = ValveState.book((source.size, 1))
    low, high = -0.2 * ac_volts, math.sqrt(2.0) * ac_volts
    for _ in range(50):
        middle = 0.5 * (low + high)
        drop = np.minimum(0.5 * (source - middle), 20.0)
        for _ in range(40):
            now = currents("diode", law, drop[:, None, None], state)
            lack = drop + series_ohms * now.amps[:, 0, 0] - (source - middle)
            move = lack / (1.0 + series_ohms * now.slopes[:, 0, 0, 0])
            drop = drop - move
            if np.abs(move).max() < 1e-6:
                break
        mean = anodes * 0.5 * float(currents("diode", law, drop[:, None, None], state).amps.mean())
        low, high = (middle, high) if mean > load_amps else (low, middle)
    return 0.5 * (low + high)


def _rated_amps(group: Group) -> float:
    given = [row.figures["dc_amps"] for row in group.rows if "dc_amps" in row.figures]
    return max(given) if given else float(kind_facts(group.kind)["reference_amps"])


def _diode_constants(kind: str, volts: float, amps: float) -> dict[str, float]:
    """Return the constants of a diode that drops ``volts`` at ``amps``."""
    priors = priors_of(kind)
    made = {name: prior.centre for name, prior in priors.items()} | {"reference_amps": amps, "perveance": 1.0}
    law = {name: np.array([value]) for name, value in made.items()}
    law["reference_amps"] = np.array([1e9])  # the space current alone
    space = currents("diode", law, np.array([[[volts]]]), ValveState.book((1, 1))).amps[0, 0, 0]
    return made | {"perveance": float(amps / space)}


def _full_wave(group: Group, row: Row) -> bool:
    return len(group.sections) > 1 and "half" not in row.use


def _rectifier_outcomes(group: Group, constants: Mapping[str, float]) -> tuple[Outcome, ...]:
    made = []
    for index, row in enumerate(group.rows):
        if row.kind == "rectifier" and "reservoir_farads" in row.figures and "dc_volts" in row.figures:
            figures = row.figures
            volts = reservoir_volts(
                constants,
                figures["ac_volts_per_anode"],
                figures["supply_ohms_per_anode"],
                figures["dc_amps"],
                2 if _full_wave(group, row) else 1,
            )
            made.append(Outcome(index, "dc volts", figures["dc_volts"], volts))
    return tuple(made)


def fit_diode(group: Group) -> Fit:
    """Perveance from the published drop, else from published direct volts, else typical of the kind."""
    facts = kind_facts(group.kind)
    drop = group.section.drop
    if drop:
        constants = _diode_constants(group.kind, drop["volts"], drop["amps"])
        return Fit(group, constants, "drop point", outcomes=_rectifier_outcomes(group, constants))
    rated = _rated_amps(group)

    def at(drop_volts: float) -> dict[str, float]:
        return _diode_constants(group.kind, drop_volts, rated)

    if _rectifier_outcomes(group, at(20.0)):

        def lack(drop_volts: float) -> float:
            return float(np.median([o.error for o in _rectifier_outcomes(group, at(drop_volts))]))

        low, high = 5.0, 120.0
        if lack(low) > 0.0 > lack(high):
            for _ in range(18):
                middle = math.sqrt(low * high)
                low, high = (middle, high) if lack(middle) > 0.0 else (low, middle)
            constants = at(math.sqrt(low * high))
            return Fit(group, constants, "operation", outcomes=_rectifier_outcomes(group, constants))
    typical = facts["drop"]
    constants = _diode_constants(group.kind, typical["volts"], typical["amps"])
    if "rectifier" in group.kind:
        factor = rated / float(facts["reference_amps"])
        constants["perveance"] *= factor
        constants["reference_amps"] = rated
    return Fit(group, constants, "typical drop", outcomes=_rectifier_outcomes(group, constants))
