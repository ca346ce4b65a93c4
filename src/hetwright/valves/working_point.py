"""The working point of one valve section under stated conditions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hetwright.errors import NotSolved
from hetwright.valves.law import SHAPES, Currents, ValveState, currents
from hetwright.valves.law_terms import Array

__all__ = ["Bench", "Builder", "working_points"]


@dataclass
class Bench:
    """Conditions a section is tried under: fixed volts, or a supply behind a resistor, for each electrode.

    ``volts`` (B, E) fixed or supply volts; ``ohms`` (B, E) in series with that electrode; ``cathode_ohms`` (B,)
    below the cathode, felt by the control grid and by fed electrodes (volts held fixed are to the cathode);
    ``grid_amps`` (B,) the mean oscillator grid current at which the swing is to be found, NaN to hold the swing.
    """

    shape: str
    volts: Array
    ohms: Array
    cathode_ohms: Array
    grid_amps: Array


def working_points(
    bench: Bench, constants: Mapping[str, Array], state: ValveState | None = None
) -> tuple[Array, Currents]:
    """Solve every condition for its electrode volts.

    Parameters
    ----------
    bench : Bench
        B conditions.
    constants : mapping of str to ndarray, shape (S,)
        S sets of constants, each tried under every condition.
    state : ValveState, optional
        Arrays (B, S); the book by default.

    Returns
    -------
    volts : ndarray, shape (B, S, E)
    currents : Currents

    Raises
    ------
    NotSolved
        If Newton's method does not settle to a nanovolt per volt in 80 steps.
    """
    electrodes = SHAPES[bench.shape]
    n_sets = len(next(iter(constants.values())))
    rows = len(bench.volts)
    if state is None:
        state = ValveState.book((rows, n_sets))
    volts = np.repeat(bench.volts[:, None, :], n_sets, axis=1)
    fed = bench.ohms > 0.0
    biased = bench.cathode_ohms > 0.0
    swung = np.isfinite(bench.grid_amps)
    busy = np.flatnonzero(fed.any(axis=1) | biased | swung)
    if busy.size:
        first = next(i for i, name in enumerate(electrodes) if name in ("grid", "anode"))
        oscillating = electrodes.index("amplitude") if "amplitude" in electrodes else -1
        own_grid = {"oscillator": 0, "pentagrid": 0, "converter": 0}.get(bench.shape, -1)
        real = np.array([name != "amplitude" for name in electrodes])
        sub = volts[busy].copy()
        if oscillating >= 0:
            start = np.abs(sub[:, :, own_grid]) + 3.0
            sub[:, :, oscillating] = np.where(swung[busy][:, None], start, sub[:, :, oscillating])
        source, ohms, below = bench.volts[busy], bench.ohms[busy], bench.cathode_ohms[busy]
        # begin fed electrodes somewhat below their supply, a biased grid below zero
        sub = np.where((ohms > 0.0)[:, None, :], 0.7 * source[:, None, :], sub)
        sub[:, :, first] = np.where((below > 0.0)[:, None], -1.5, sub[:, :, first])
        part = ValveState(state.emission[busy], state.mu[busy], state.contact_volts[busy], state.gas[busy])
        identity = np.eye(len(electrodes))
        for _ in range(80):
            now = currents(bench.shape, constants, sub, part)
            lack = sub - source[:, None, :] + ohms[:, None, :] * now.amps
            slope = identity + ohms[:, None, :, None] * now.slopes
            total = now.amps[..., real].sum(axis=-1)
            raised = ohms > 0.0
            raised[:, first] = True
            lift = below[:, None] * total
            lack += lift[..., None] * raised[:, None, :]
            lift_slope = below[:, None, None] * now.slopes[:, :, real, :].sum(axis=2)
            slope += lift_slope[:, :, None, :] * raised[:, None, :, None]
            if oscillating >= 0:
                wanted = bench.grid_amps[busy]
                rate = 1.0 / np.where(np.isfinite(wanted), wanted, 1.0)
                active = np.isfinite(wanted)
                own = now.amps[:, :, own_grid] * rate[:, None] - 1.0
                hold = np.where(active[:, None], own, sub[:, :, oscillating] - source[:, None, oscillating])
                lack[:, :, oscillating] = hold
                row = now.slopes[:, :, own_grid, :] * rate[:, None, None]
                slope[:, :, oscillating, :] = np.where(active[:, None, None], row, identity[oscillating])
            step = np.linalg.solve(slope, lack[..., None])[..., 0]
            # a swing is approached from above, where grid current is steepest; others within a quarter of the supply
            limit = np.maximum(5.0, 0.25 * np.abs(source).max(axis=1))[:, None, None]
            biggest = np.abs(step).max(axis=-1, keepdims=True)
            sub -= step * np.minimum(1.0, limit / np.maximum(biggest, 1e-30))
            if oscillating >= 0:
                sub[:, :, oscillating] = np.maximum(sub[:, :, oscillating], 0.0)
            if biggest.max() < 1e-9 * (1.0 + np.abs(sub).max()):
                break
        else:
            raise NotSolved("the working point of a published row does not settle", point=bench.shape)
        volts[busy] = sub
    return volts, currents(bench.shape, constants, volts, state)


class Builder:
    """Gathers conditions of one shape, one by one, into the arrays of a :class:`Bench`."""

    def __init__(self, shape: str) -> None:
        self.shape = shape
        self.electrodes = SHAPES[shape]
        self.volts: list[list[float]] = []
        self.ohms: list[list[float]] = []
        self.cathode: list[float] = []
        self.grid_amps: list[float] = []
        self.row_of: list[int] = []

    def add(
        self,
        row: int,
        fixed: Mapping[str, float],
        fed: Mapping[str, tuple[float, float]],
        cathode_ohms: float = 0.0,
        grid_amps: float = math.nan,
    ) -> int:
        volts, ohms = [], []
        for name in self.electrodes:
            supply, series = fed.get(name, (fixed.get(name, 0.0), 0.0))
            volts.append(supply)
            ohms.append(series)
        self.volts.append(volts)
        self.ohms.append(ohms)
        self.cathode.append(cathode_ohms)
        self.grid_amps.append(grid_amps)
        self.row_of.append(row)
        return len(self.volts) - 1

    def bench(self) -> Bench:
        n = len(self.electrodes)
        return Bench(
            self.shape,
            np.array(self.volts, float).reshape(-1, n),
            np.array(self.ohms, float).reshape(-1, n),
            np.array(self.cathode, float),
            np.array(self.grid_amps, float),
        )
