"""A stream swung by an oscillator: means over the cycle, and what closes the oscillation."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hetwright.valves.law_terms import Array, ValveState
from hetwright.valves.stream import Stream, control_grid_take, mu_parts, space_current

__all__ = ["COS", "NODES", "ONES", "Cycle", "Gate", "closure", "over_cycle"]

_SWING_FLOOR_VOLTS = 0.05  # slope of an oscillator at rest is taken over this small swing
_CLOSURE_ROUNDING = 1e-3
_GAIN_FLOOR = 0.1  # keeps the closure finite when the stream is cut off
NODES = 8  # Gauss-Chebyshev points over the oscillator's cycle
COS = np.cos((np.arange(NODES) + 0.5) * np.pi / NODES)
ONES = np.ones(NODES)


def over_cycle(weights: Array, values: Array) -> Array:
    """Return the mean over the cycle of ``weights x values``; values (nodes, B, S)."""
    result: Array = np.dot(weights / NODES, values.reshape(NODES, -1)).reshape(values.shape[1:])
    return result


class Gate:
    """The share a second control grid lets through: ``z / (1 + z)``, z the three-halves law of that grid.

    Behind a screen the current waits in a virtual cathode; a grid there draws what its own
    three-halves law asks for, up to all there is. ``swing`` on that grid is averaged over. ``fundamental`` is the
    mean of share times cosine.
    """

    def __init__(self, c: Mapping[str, Array], grid: Array, screen: Array, shift: Array, swing: Array | None) -> None:
        drive = grid + shift
        drive += c["gate_contact_volts"]
        if swing is not None:
            drive = drive + swing * COS[:, None, None]
        z, z_v, z_s = space_current(drive, screen, c["foot_volts"], c["unevenness"], mu_parts(c, "gate_"))
        unit = c["gate_volts"] ** -1.5
        z *= unit
        z_v *= unit
        z_s *= unit
        over = 1.0 / (1.0 + z)
        passed = z * over
        over *= over
        z_v *= over
        z_s *= over
        if swing is None:
            self.share, self.by_grid, self.by_screen = passed, z_v, z_s
            self.by_swing = np.zeros_like(passed)
            self.fundamental = self.by_swing
        else:
            self.share = over_cycle(ONES, passed)
            self.by_grid = over_cycle(ONES, z_v)
            self.by_screen = over_cycle(ONES, z_s)
            self.by_swing = over_cycle(COS, z_v)
            self.fundamental = over_cycle(COS, passed)


class Cycle:
    """A grid-driven stream averaged over the cycle of a swing on its grid.

    ``taken`` is the mean current of the grid, ``onward`` the mean of what passes it, ``swung`` the amplitude of the
    fundamental of that. Each carries slopes by: grid volts, swing, pull, collect, contact, mu, emission.
    """

    NAMES = ("grid", "swing", "pull", "collect", "contact", "mu", "emission")

    def __init__(
        self, c: Mapping[str, Array], grid: Array, swing: Array, pull: Array, collect: Array, state: ValveState
    ) -> None:
        reach = np.sqrt(swing * swing + _SWING_FLOOR_VOLTS**2)
        reach_w = swing / reach
        nodes = COS[:, None, None]
        at = grid + reach * nodes
        stream = Stream(c, at, pull, state)
        taken, taken_g, taken_p = control_grid_take(c, at, state.contact_volts, collect)
        left = 1.0 - taken
        taken_g *= stream.amps
        taken_p *= stream.amps
        onward = stream.amps * left
        onward_g = stream.by_grid * left - taken_g
        own = stream.amps * taken
        own_g = stream.by_grid * taken + taken_g
        self.reach, self.reach_w = reach, reach_w

        def mean(
            total: Array, by_grid: Array, weights: Array, factor: Array, collect_sign: float
        ) -> dict[str, Array]:
            by = over_cycle(weights, by_grid)
            return {
                "amps": over_cycle(weights, total),
                "grid": by,
                "swing": over_cycle(weights * COS, by_grid) * reach_w,
                "pull": over_cycle(weights, stream.by_pull * factor),
                "collect": collect_sign * over_cycle(weights, taken_p),
                "contact": by,
                "mu": over_cycle(weights, stream.by_mu * factor),
                "emission": over_cycle(weights, stream.by_emission * factor),
            }

        self.taken = mean(own, own_g, ONES, taken, 1.0)
        self.onward = mean(onward, onward_g, ONES, left, -1.0)
        self.swung = mean(onward, onward_g, 2.0 * COS, left, -1.0)


def closure(
    c: Mapping[str, Array], swing: Array, cycle: Cycle, share: Array | float
) -> tuple[Array, Array, Array, Array]:
    """Return the residual that closes an oscillation, with its slopes by swing, by swung current and by share.

    Either the swing is zero and the loop gain below one, or the loop gain is one: the rounded complementarity
    ``a + b - sqrt(a^2 + b^2 + r^2)`` (Fischer 1992) of ``a`` = swing and ``b = (1 - gain) / (gain + 0.1)``, which
    grows about evenly with the swing. The loop gain is the describing function of the stream
    (fundamental of its current over grid swing) times ``loop_ohms``.
    """
    per_volt = 1.0 / c["amplitude_volts"]
    a = swing * per_volt
    per_reach = c["loop_ohms"] / cycle.reach
    whole = cycle.swung["amps"] * per_reach  # loop gain if all of the current fed the loop
    gain = np.maximum(whole * share, 0.0)
    over = 1.0 / (gain + _GAIN_FLOOR)
    b = (1.0 - gain) * over
    # a grid driven far positive can take so much at the crest that the rest swings the wrong way: no gain
    b_gain = np.where(gain > 0.0, -(1.0 + _GAIN_FLOOR) * over * over, 0.0)
    root = np.sqrt(a * a + b * b + _CLOSURE_ROUNDING**2)
    scale = c["reference_amps"]
    residual = scale * (a + b - root)
    by_gain = scale * (1.0 - b / root) * b_gain
    by_swing = scale * (1.0 - a / root) * per_volt - by_gain * gain / cycle.reach * cycle.reach_w
    return residual, by_swing, by_gain * per_reach * share, by_gain * whole
