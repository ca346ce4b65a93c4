"""Laws of the shapes that are not swung: diode, triode, pentode, indicator.

Each lays its currents and slopes into :class:`~hetwright.valves.law_terms.Planes`; ``v`` holds the electrode
volts, one (B, S) array an electrode.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hetwright.valves.law_terms import Array, Planes, ValveState
from hetwright.valves.stream import Division, PastGrid, Stream, collecting, control_grid_take, plain_diode

__all__ = ["diode", "indicator", "pentode", "triode"]


def diode(c: Mapping[str, Array], v: Array, state: ValveState, out: Planes) -> None:
    """Current of a diode."""
    current, slope, by_emission = plain_diode(v[0], c, c["perveance"], c["reference_amps"], state)
    out.amps[0] = current
    out.slopes[0, 0] = slope
    out.by_state[0, 0] = by_emission
    out.by_state[0, 2] = slope


def triode(c: Mapping[str, Array], v: Array, state: ValveState, out: Planes) -> None:
    """Currents of a triode: one stream, what the grid takes first, the rest to the anode."""
    grid, anode = v[0], v[1]
    stream = Stream(c, grid, anode, state)
    pa, pa_v = collecting(anode)
    taken, taken_g, taken_a = control_grid_take(c, grid, state.contact_volts, pa)
    left = 1.0 - taken
    taken_g *= stream.amps
    taken_a *= stream.amps
    taken_a *= pa_v
    amps, slopes, by_state = out.amps, out.slopes, out.by_state
    np.multiply(stream.amps, taken, out=amps[0])
    np.multiply(stream.amps, left, out=amps[1])
    slopes[0, 0] = taken * stream.by_grid + taken_g
    slopes[0, 1] = taken * stream.by_pull + taken_a
    slopes[1, 0] = stream.by_grid - slopes[0, 0]
    slopes[1, 1] = stream.by_pull - slopes[0, 1]
    by_state[0, 0] = taken * stream.by_emission
    by_state[1, 0] = left * stream.by_emission
    by_state[0, 1] = taken * stream.by_mu
    by_state[1, 1] = left * stream.by_mu
    by_state[0, 2] = slopes[0, 0]
    by_state[1, 2] = slopes[1, 0]
    out.turn_back(1, anode)
    out.gas(0, 1, state.gas)


def indicator(c: Mapping[str, Array], v: Array, state: ValveState, out: Planes) -> None:
    """Currents of a tuning indicator: its triode, and the target as a diode beside it."""
    triode(c, v, state, out)
    current, slope, by_emission = plain_diode(v[2], c, c["target_perveance"], c["target_amps"], state)
    out.amps[2] = current
    out.slopes[2, 2] = slope
    out.by_state[2, 0] = by_emission
    out.by_state[2, 2] = slope


def pentode(c: Mapping[str, Array], v: Array, state: ValveState, out: Planes) -> None:
    """Currents of a pentode or tetrode: one stream, what the grid takes first, the rest divided by screen and anode."""
    grid, screen, anode = v[0], v[1], v[2]
    stream = Stream(c, grid, screen + c["anode_influence"] * anode, state)
    part = Division(c, screen, anode)
    past = PastGrid(c, grid, part, stream, state.contact_volts)
    amps, slopes, by_state = out.amps, out.slopes, out.by_state
    np.multiply(stream.amps, past.taken, out=amps[0])
    np.multiply(past.amps, part.anode, out=amps[2])
    amps[1] = past.amps - amps[2]
    slopes[0, 0], slopes[0, 1], slopes[0, 2] = past.grid_g, past.grid_s, past.grid_a
    np.multiply(past.by_g, part.anode, out=slopes[2, 0])
    slopes[2, 1] = past.by_s * part.anode + past.amps * part.by_screen
    slopes[2, 2] = past.by_a * part.anode + past.amps * part.by_anode
    slopes[1, 0] = past.by_g - slopes[2, 0]
    slopes[1, 1] = past.by_s - slopes[2, 1]
    slopes[1, 2] = past.by_a - slopes[2, 2]
    for index, rate in ((0, stream.by_emission), (1, stream.by_mu)):
        np.multiply(past.taken, rate, out=by_state[0, index])
        onward = past.forward * rate
        np.multiply(onward, part.anode, out=by_state[2, index])
        by_state[1, index] = onward - by_state[2, index]
    by_state[0, 2], by_state[1, 2], by_state[2, 2] = slopes[0, 0], slopes[1, 0], slopes[2, 0]
    out.gas(0, 2, state.gas)
