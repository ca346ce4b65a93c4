"""Sets and random faulty variants of them, for the solver's benchmarks.

A variant is a set whose every part has drifted within its spread, whose capacitors leak as old ones do, and
which has none to three faults out of every fault the set can have, at any of its severities and a little
beyond.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hetwright.card import read_card
from hetwright.card.network import CardNetworks, networks_of
from hetwright.circuit.solver import Circuit
from hetwright.faults.model import Fault
from hetwright.faults.modes import faults_of

__all__ = ["LINE_UPS", "Subject", "draw_variants", "subject"]

_AC = 'construction = "mains transformer, chassis isolated"'

#: (name, [set] lines, valves, more lines). Types are real, the sets are nobody's.
_SETS: tuple[tuple[str, str, str, str], ...] = (
    ("noval AC", f'mains = "230 V 50 Hz"\n{_AC}', "ECH81 EBF89 EABC80 EL84 EZ80", ""),
    (
        "noval AC, silicon bridge",
        f'mains = "220 V 50 Hz"\n{_AC}',
        "ECH81 EBF89 ECL82",
        'rectifier = "bridge, silicon"\nht_secondary = "200 V"',
    ),
    ("noval AC with tuning indicator", f'mains = "220 V 50 Hz"\n{_AC}', "ECH81 EBF89 EABC80 EL84 EM80 EZ80", ""),
    ("noval AC/DC", 'mains = "230 V 50 Hz"\nconstruction = "AC/DC"', "UCH81 UBF89 UABC80 UL84 UY85", ""),
    ("rimlock AC", f'mains = "240 V 50 Hz"\n{_AC}', "ECH42 EF41 EBC41 EL41 EZ40", ""),
    ("rimlock AC/DC", 'mains = "230 V 50 Hz"\nconstruction = "AC/DC"', "UCH42 UF41 UBC41 UL41 UY41", ""),
    ("European octal", f'mains = "230 V 50 Hz"\n{_AC}', "ECH35 EF39 EBC33 EL33 AZ31", ""),
    (
        "American octal, field coil",
        f'mains = "117 V 60 Hz"\n{_AC}',
        "6A8 6K7 6Q7 6F6 5Y3GT",
        'rectifier = "two-anode valve"\nsmoothing = "field coil"',
    ),
    ("American octal, single-ended", f'mains = "117 V 60 Hz"\n{_AC}', "6SA7 6SK7 6SQ7 6V6GT 5Y3GT", ""),
    ("American octal AC/DC", 'mains = "117 V 60 Hz"\nconstruction = "AC/DC"', "12SA7 12SK7 12SQ7 50L6GT 35Z5GT", ""),
    ("American miniature AC", f'mains = "117 V 60 Hz"\n{_AC}', "6BE6 6BA6 6AT6 6AQ5 6X4", ""),
    ("American miniature AC/DC", 'mains = "117 V 60 Hz"\nconstruction = "AC/DC"', "12BE6 12BA6 12AT6 50C5 35W4", ""),
    (
        "push-pull",
        f'mains = "230 V 50 Hz"\n{_AC}\noutput = "push-pull"',
        "ECH81 EBF89 ECC83 EL84 EL84 EZ81",
        "",
    ),
    ("back bias", f'mains = "230 V 50 Hz"\n{_AC}', "ECH81 EBF89 EABC80 EL84 EZ80", 'bias = "back bias"'),
    ("battery", 'construction = "battery"', "1R5 1T4 1S5 3S4", 'heaters = "battery"'),
    ("battery, 25 mA", 'construction = "battery"', "DK96 DF96 DAF96 DL96", 'heaters = "battery"'),
)

LINE_UPS: tuple[str, ...] = tuple(name for name, *_ in _SETS)


@dataclass(frozen=True)
class Subject:
    """A set with its circuit and every fault it can have."""

    name: str
    networks: CardNetworks
    circuit: Circuit
    faults: Sequence[Fault]


def subject(name: str) -> Subject:
    """Build a set of :data:`LINE_UPS`."""
    _, head, valves, supply = next(row for row in _SETS if row[0] == name)
    lines = ["[set]", head, "[valves]"]
    lines += [f'V{number} = "{valve}"' for number, valve in enumerate(valves.split(), 1)]
    if supply:
        lines += ["[supply]", supply]
    card = read_card("\n".join(lines) + "\n")
    networks = networks_of(card)
    return Subject(name, networks, Circuit(networks.ht), faults_of(card, networks))


def draw_variants(set_: Subject, count: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """A stack (count, n_slots) of random variants."""
    circuit = set_.circuit
    base = circuit.base()
    stack = np.tile(base, (count, 1))
    for column, slot in enumerate(circuit.slots):
        if slot.what == "contact_volts":
            stack[:, column] += rng.normal(0.0, 0.1, count)
        elif slot.what == "leak_siemens":
            stack[:, column] = np.maximum(base[column], 1e-10) * np.exp(rng.normal(0.0, 2.0, count))
        elif base[column] > 0.0:
            spread = min(set_.networks.spreads.get((slot.part, slot.what), 0.05), 0.7)
            stack[:, column] *= np.exp(rng.normal(0.0, spread, count))
    for row in range(count):
        for _ in range(rng.choice(4, p=[0.05, 0.5, 0.3, 0.15])):
            fault = set_.faults[rng.integers(len(set_.faults))]
            severity = fault.severities[rng.integers(len(fault.severities))]
            for change in severity.changes:
                column = circuit.slot_index.get((change.part, change.what))
                if column is None:
                    continue
                value = change.number if change.how == "set" else stack[row, column] * change.number
                stack[row, column] = value * np.exp(rng.normal(0.0, severity.log_sd)) if value > 0.0 else value
    return stack
