"""The words of the valve law: shapes, their electrodes and constants, the state of a valve, the answer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["CONSTANTS", "SHAPES", "STATE_NAMES", "Array", "Currents", "Planes", "ValveState"]

Array = NDArray[np.float64]

#: Electrodes of each shape, in the order of the last axis of ``volts`` and ``amps``.
SHAPES: dict[str, tuple[str, ...]] = {
    "diode": ("anode",),
    "triode": ("grid", "anode"),
    "pentode": ("grid", "screen", "anode"),
    "hexode": ("grid", "injection", "amplitude", "screen", "anode"),
    "oscillator": ("grid", "amplitude", "anode"),
    "pentagrid": ("oscillator_grid", "amplitude", "oscillator_anode", "grid", "screen", "anode"),
    "converter": ("oscillator_grid", "amplitude", "grid", "screen", "anode"),
    "indicator": ("grid", "anode", "target"),
}

_SPACE = ("perveance", "contact_volts", "foot_volts", "reference_amps")
_GRID = (
    "mu",
    "unevenness",
    "tail_share",
    "tail_mu_ratio",
    "remote_share",
    "remote_mu_ratio",
    "grid_contact_volts",
    "grid_foot_volts",
    "grid_share",
)
_DIVISION = ("anode_influence", "screen_share", "screen_slope", "knee")
_GATE = (
    "gate_mu",
    "gate_volts",
    "gate_tail_share",
    "gate_tail_mu_ratio",
    "gate_contact_volts",
    "gate_grid_contact_volts",
    "gate_grid_share",
)
_LOOP = ("loop_ohms", "amplitude_volts")

#: Constants each shape needs. Perveance in A/V^1.5; names ending in volts, ohms, amps in those units;
#: ``mu``, ratios and shares are plain numbers. ``reference_amps`` is the cathode current at which
#: ``emission`` is the plain factor on the current.
CONSTANTS: dict[str, tuple[str, ...]] = {
    "diode": _SPACE,
    "triode": _SPACE + _GRID,
    "pentode": _SPACE + _GRID + _DIVISION,
    "hexode": _SPACE + _GRID + _DIVISION + _GATE,
    "oscillator": _SPACE + _GRID + _LOOP,
    "pentagrid": (*_SPACE, *_GRID, *_DIVISION, *_GATE, *_LOOP, "oscillator_share", "screen_influence"),
    "converter": _SPACE + _GRID + _DIVISION + _GATE + _LOOP,
    "indicator": (*_SPACE, *_GRID, "target_perveance", "target_amps"),
}

#: Order of the last axis of ``by_state``.
STATE_NAMES = ("emission", "mu", "contact_volts", "gas")


#: Volts per e-fold of the current into a negative anode (from memory: a cathode at 1000 K gives about 0.09 V, contact
#: potential and an uneven cathode blur it).
RETARDING_VOLTS = 0.15
_RETARDING_REACH = 25.0


@dataclass(frozen=True, slots=True, eq=False)
class ValveState:
    """How this valve differs from the book, each array of shape (B, S).

    ``emission``: factor on the cathode current at the reference current, 1 = new. ``mu``: factor on the
    amplification factor. ``contact_volts``: shift of the contact potential, V; positive raises the
    current. ``gas``: reversed grid current per anode current, 0 = hard.
    """

    emission: Array
    mu: Array
    contact_volts: Array
    gas: Array

    @classmethod
    def book(cls, shape: tuple[int, int]) -> ValveState:
        """Return the state of valves exactly as the book has them, for a stack of ``shape`` (B, S)."""
        return cls(np.ones(shape), np.ones(shape), np.zeros(shape), np.zeros(shape))

    def rows(self, part: slice) -> ValveState:
        """Return the same for some rows of the stack."""
        return ValveState(self.emission[part], self.mu[part], self.contact_volts[part], self.gas[part])


@dataclass(frozen=True, slots=True, eq=False)
class Currents:
    """Electrode currents with their slopes.

    ``amps`` (B, S, E): A into each electrode. ``slopes`` (B, S, E, E): d amps[e] / d volts[f], S.
    ``by_state`` (B, S, E, 4): d amps[e] / d (emission, mu, contact_volts, gas). All three are views of
    arrays that are contiguous over (B, S) for one electrode (pair), which is the quick way to read them.
    """

    amps: Array
    slopes: Array
    by_state: Array


class Planes:
    """The result as contiguous planes: amps (E, B, S), by volts (E, E, B, S), by state (E, 4, B, S)."""

    def __init__(self, electrodes: int, stack: tuple[int, int]) -> None:
        self.amps = np.zeros((electrodes, *stack))
        self.slopes = np.zeros((electrodes, electrodes, *stack))
        self.by_state = np.zeros((electrodes, 4, *stack))

    def rows(self, part: slice) -> Planes:
        """Return a view of some rows of the stack."""
        view = object.__new__(Planes)
        view.amps = self.amps[:, part]
        view.slopes = self.slopes[:, :, part]
        view.by_state = self.by_state[:, :, part]
        return view

    def public(self) -> Currents:
        """Return the same arrays in the order of the contract."""
        return Currents(
            amps=self.amps.transpose(1, 2, 0),
            slopes=self.slopes.transpose(2, 3, 0, 1),
            by_state=self.by_state.transpose(2, 3, 0, 1),
        )

    def turn_back(self, anode: int, volts: Array) -> None:
        """Send back to the cathode what a negative anode cannot take: exp(-V/V_T) of the stream gets there.

        Without it an anode left unconnected would charge to minus mu times a few tenths of a volt. Source: the
        retarding field of Langmuir (1923); electrons leave the cathode with some tenths of a volt.
        """
        if not np.any(volts < _RETARDING_REACH * RETARDING_VOLTS):
            return
        share = 1.0 / (1.0 + np.exp(np.clip(-volts / RETARDING_VOLTS, -60.0, 60.0)))
        by_anode = self.amps[anode] * share * (1.0 - share) / RETARDING_VOLTS
        self.amps[anode] *= share
        self.slopes[anode] *= share
        self.slopes[anode, anode] += by_anode
        self.by_state[anode] *= share

    def gas(self, grid: int, anode: int, gas: Array) -> None:
        """Add the ions of a soft valve: out of ``grid``, and as many electrons more into ``anode``."""
        if np.any(gas):
            ions = gas * self.amps[anode]
            slopes = gas * self.slopes[anode]
            state = gas * self.by_state[anode]
            self.by_state[grid, 3] = -self.amps[anode]
            self.by_state[anode, 3] = self.amps[anode]
            self.amps[grid] -= ions
            self.amps[anode] += ions
            self.slopes[grid] -= slopes
            self.slopes[anode] += slopes
            self.by_state[grid, :3] -= state[:3]
            self.by_state[anode, :3] += state[:3]
        else:
            self.by_state[grid, 3] = -self.amps[anode]
            self.by_state[anode, 3] = self.amps[anode]
