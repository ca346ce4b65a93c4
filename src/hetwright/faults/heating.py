"""What a changed heater circuit does: volts at every heater, and the emission that is left."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hetwright.circuit.network import Battery, Conductance, Network, Resistance

from .rates import RateTable, default_rates

__all__ = ["base_part", "emission_at", "heater_name", "heater_volts"]


def heater_name(part: str) -> str:
    """Name of a part's slots in the heater circuit where it stands in the HT network as well."""
    return f"{part} (heaters)"


def base_part(part: str) -> str:
    """The part a slot belongs to: ``IFT1`` of ``IFT1.primary``; a role (``wiring.joint``) stays whole."""
    head = part.split(".", 1)[0]
    return head if any(letter.isdigit() for letter in head) else part


def emission_at(heater_fraction: float, rates: RateTable | None = None) -> float:
    """Share of a valve's working emission left at a fraction of its heater volts.

    Parameters
    ----------
    heater_fraction : float >= 0
        Heater volts over nominal.

    Returns
    -------
    float in (0, 1)
        Judgement: one half at 60 % of the heater volts, next to nothing below 40 %, little lost at 90 %.

    Examples
    --------
    >>> [round(emission_at(x), 3) for x in (1.0, 0.9, 0.6, 0.3)]
    [0.994, 0.983, 0.5, 0.001]
    """
    table = rates or default_rates()
    if not heater_fraction > 0.0:
        return table.number("cold_emission")
    ratio = table.number("heater_half_fraction") / heater_fraction
    left = 1.0 / (1.0 + float(ratio ** table.number("heater_steepness")))
    return max(left, table.number("cold_emission"))


def heater_volts(network: Network, changed: Mapping[tuple[str, str], float] | None = None) -> dict[str, float]:
    """R.m.s. volts across the resistances of every part of a linear heater network.

    Parameters
    ----------
    network : Network
        Resistances, Conductances and Batteries; others are left out.
    changed : (part, slot) -> value, optional
        Slots that differ from the network's own.

    Returns
    -------
    dict of part -> volts
        Summed over the elements of a part (a tapped heater has two).

    Notes
    -----
    Nodal equations, every point joined to the datum by the network's insulation.
    """
    changed = changed or {}
    points: dict[str, int] = {}

    def at(name: str) -> int:
        return -1 if name == network.datum else points.setdefault(name, len(points))

    branches: list[tuple[int, int, float, float, str]] = []
    for element in network.elements:
        if isinstance(element, Resistance):
            ohms = changed.get((element.part, element.what), element.ohms) * element.scale
            branches.append((at(element.a), at(element.b), 1.0 / max(ohms, 1e-9), 0.0, element.part))
        elif isinstance(element, Battery):
            volts = changed.get((element.part, "volts"), element.volts)
            ohms = changed.get((element.part, "ohms"), element.ohms)
            branches.append((at(element.plus), at(element.minus), 1.0 / max(ohms, 1e-9), volts, ""))
        elif isinstance(element, Conductance):
            siemens = changed.get((element.part, element.what), element.siemens)
            branches.append((at(element.a), at(element.b), siemens, 0.0, ""))
    size = len(points)
    matrix = np.eye(size) / network.insulation_ohms
    source = np.zeros(size)
    for a, b, siemens, volts, _ in branches:
        for here, there, sign in ((a, b, 1.0), (b, a, -1.0)):
            if here < 0:
                continue
            matrix[here, here] += siemens
            source[here] += sign * siemens * volts
            if there >= 0:
                matrix[here, there] -= siemens
    solved = np.append(np.linalg.solve(matrix, source), 0.0)
    out: dict[str, float] = {}
    for a, b, _, _, name in branches:
        if name:
            out[name] = out.get(name, 0.0) + abs(float(solved[a] - solved[b]))
    return out
