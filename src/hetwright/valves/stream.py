"""The electron stream from a cathode, and how electrodes divide it.

Every function returns values with their slopes. ``c`` maps names of constants to arrays (S,); volts are arrays
(B, S), or with one more axis in front for the points of a cycle.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hetwright.valves.law_terms import Array, ValveState

__all__ = [
    "LEAST_PULL_VOLTS",
    "Cathode",
    "Division",
    "PastGrid",
    "Stream",
    "collecting",
    "control_grid_take",
    "grid_take",
    "mu_parts",
    "plain_diode",
    "softplus",
    "space_current",
]

# How the numbers of this module are rounded off, not facts of any valve:
_CORNER_VOLTS = 1.0  # how softly an electrode at zero volts begins to collect
_REPELLING_VOLTS = 0.5
LEAST_PULL_VOLTS = 0.01  # of what lies behind a grid, so that a share is never one nothing of another
_DEEP = 200.0  # e-folds below the knee; further down numbers too small for the processor would slow everything
_EMISSION_LIMITS = (1e-3, 2.5)
_MU_LIMITS = (0.2, 5.0)
_NEW_SATURATION = 0.02  # a good cathode saturates at 1/0.02 = 50 times the reference current
_WORN_SATURATION = 0.5


def softplus(x: Array) -> tuple[Array, Array]:
    """Return ln(1 + e^x) and its slope, safe for any x."""
    tail = np.abs(x)
    np.minimum(tail, _DEEP, out=tail)
    np.negative(tail, out=tail)
    np.exp(tail, out=tail)
    base = 1.0 + tail
    value = np.log1p(tail)
    value += np.maximum(x, 0.0)
    slope = np.where(x >= 0.0, 1.0, tail)
    slope /= base
    return value, slope


def forward_part(volts: Array) -> tuple[Array, Array]:
    """Return the positive part of ``volts``, rounded at zero, and its slope."""
    root = np.sqrt(volts * volts + _CORNER_VOLTS**2)
    value = volts + root
    value *= 0.5
    # below zero the sum above cancels; the reciprocal form does not
    np.divide(0.5 * _CORNER_VOLTS**2, root - volts, out=value, where=volts < 0.0)
    return value, value / root


def collecting(volts: Array) -> tuple[Array, Array]:
    """Return the volts by which an electrode collects, and their slope.

    Below zero they die away an e-fold in half a volt, so that an electrode left unconnected floats a volt or two
    negative, as real ones do.
    """
    value, slope = softplus(volts * (1.0 / _REPELLING_VOLTS))
    value *= _REPELLING_VOLTS
    return value, slope


def mu_parts(c: Mapping[str, Array], prefix: str = "") -> list[tuple[Array, Array]]:
    """Return (weight, 1/mu) of the main, tail and remote parts of a grid, leaving out absent ones."""
    mu = c[prefix + "mu"]
    tail = c[prefix + "tail_share"]
    remote = c.get(prefix + "remote_share")
    main = 1.0 - tail if remote is None else 1.0 - tail - remote
    parts = [(main, 1.0 / mu)]
    if np.any(tail):
        parts.append((tail, 1.0 / (mu * c[prefix + "tail_mu_ratio"])))
    if remote is not None and np.any(remote):
        parts.append((remote, 1.0 / (mu * c[prefix + "remote_mu_ratio"])))
    return parts


def space_current(
    drive: Array, pull: Array, foot: Array, unevenness: Array, parts: list[tuple[Array, Array]]
) -> tuple[Array, Array, Array]:
    """Return sum w s^1.5 in V^1.5, s = f softplus((drive + pull/mu) / f), and its slopes by ``drive`` and ``pull``.

    The width f of the foot is that of the thermal spread, ``foot``, plus ``unevenness`` times pull/mu: the
    amplification factor varies along any real grid by that fraction, so that its apparent value falls towards
    cut-off.
    """
    total: Array | None = None
    by_drive: Array | None = None
    by_pull: Array | None = None
    forward, forward_v = forward_part(pull)
    for weight, inverse_mu in parts:
        per_pull = unevenness * inverse_mu
        width = per_pull * forward
        width += foot
        per_width = 1.0 / width
        root_width = np.sqrt(width)
        x = pull * inverse_mu + drive
        x *= per_width
        value, slope = softplus(x)
        root = np.sqrt(value)
        x *= slope
        widening = value - x  # d s / d f
        widening *= forward_v
        widening *= per_pull
        widening += slope * inverse_mu
        root *= root_width
        value *= root
        value *= width
        value *= weight
        root *= 1.5 * weight
        slope *= root
        widening *= root
        if total is None or by_drive is None or by_pull is None:
            total, by_drive, by_pull = value, slope, widening
        else:
            total += value
            by_drive += slope
            by_pull += widening
    assert total is not None
    assert by_drive is not None
    assert by_pull is not None
    return total, by_drive, by_pull


class Cathode:
    """What the cathode can give: space current in, cathode current out, with slopes.

    The current of a worn cathode falls off more at a peak than at a trickle:
    ``H(x) = x (1 + x) / (A + B x + D x^2)`` in units of the reference current, with
    ``A = e^-1/2``, ``D = 0.02 + 0.5 (1 - e)^2 / e`` below e = 1, and ``A + B + D = 2 / e``, so that the current
    at the reference is just ``e`` and a new valve is left alone. B >= D keeps it monotone.
    """

    def __init__(self, emission: Array, reference: Array) -> None:
        low, high = _EMISSION_LIMITS
        e = np.clip(emission, low, high)
        inverse = 1.0 / e
        worn = np.maximum(1.0 - e, 0.0)
        self.a = np.sqrt(inverse)
        self.d = _WORN_SATURATION * worn * worn * inverse + _NEW_SATURATION
        self.b = 2.0 * inverse - self.a - self.d
        self.a_e = -0.5 * self.a * inverse
        self.d_e = -_WORN_SATURATION * worn * inverse * (2.0 + worn * inverse)
        self.b_e = -2.0 * inverse * inverse - self.a_e - self.d_e
        self.within = (emission > low) & (emission < high)
        self.reference = reference

    def give(self, space: Array) -> tuple[Array, Array, Array]:
        """Return cathode current, its slope by space current, and its slope by emission."""
        x = space / self.reference
        xx = x * x
        inverse = 1.0 / (self.a + self.b * x + self.d * xx)
        current = x + xx
        current *= self.reference
        current *= inverse
        by_space = self.b - self.d
        by_space = by_space * xx
        by_space += self.a * (1.0 + 2.0 * x)
        by_space *= inverse
        by_space *= inverse
        by_emission = self.a_e + self.b_e * x + self.d_e * xx
        by_emission *= -inverse
        by_emission *= current
        by_emission *= self.within
        return current, by_space, by_emission


def mu_factor(mu: Array) -> tuple[Array, Array]:
    """Return 1/mu kept within limits, and whether it is within."""
    low, high = _MU_LIMITS
    return 1.0 / np.clip(mu, low, high), ((mu > low) & (mu < high)).astype(np.float64)


class Division:
    """How forward current divides between screen and anode, and the slopes of the anode's share.

    Far above the knee the screen takes ``s = s1 (1 + t) Vs / (Vs + t Va)``; below it the anode's share falls as
    ``Va^2 / (Va^2 + (knee Vs)^2)`` (after the division laws in Spangenberg, Vacuum Tubes, 1948, ch. 9).
    """

    def __init__(self, c: Mapping[str, Array], screen: Array, anode: Array) -> None:
        ps, ps_v = collecting(screen)
        pa, pa_v = collecting(anode)
        share, slope, knee2 = c["screen_share"], c["screen_slope"], c["knee"] ** 2
        inverse = 1.0 / (ps + slope * pa)
        taken = (share * (1.0 + slope)) * ps
        taken *= inverse
        # d taken / d ps = taken (1/ps - inverse) ; written without 1/ps
        taken_s = (share * (1.0 + slope)) * inverse - taken * inverse
        taken_a = -slope * taken
        taken_a *= inverse
        aa = pa * pa
        lower = aa + knee2 * (ps * ps + _CORNER_VOLTS**2)
        over = 1.0 / lower
        passed = aa * over
        passed_a = 2.0 * pa * over * (1.0 - passed)
        passed_s = -2.0 * knee2 * ps * over
        passed_s *= passed
        left = 1.0 - taken
        self.anode = passed * left
        self.by_screen = (passed_s * left - passed * taken_s) * ps_v
        self.by_anode = (passed_a * left - passed * taken_a) * pa_v
        self.ps, self.ps_v, self.pa, self.pa_v = ps, ps_v, pa, pa_v


def grid_take(grid: Array, collect: Array, foot: Array, strength: Array) -> tuple[Array, Array, Array]:
    """Return the share of a stream a grid takes, and its slopes by grid volts and by ``collect``.

    ``share = q / (q + collect)`` with ``q = strength x softplus(grid volts)``, contact potential included. With
    the grid negative this is the retarding-field current, one e-fold per foot volts; with the grid
    positive the division law. ``collect`` is the pull of what lies behind, V.
    """
    q, q_v = softplus(grid / foot)
    q *= strength * foot
    q_v *= strength
    inverse = 1.0 / (q + (collect + LEAST_PULL_VOLTS))
    share = q * inverse
    by_collect = -share * inverse
    by_grid = q_v * inverse
    by_grid *= 1.0 - share
    return share, by_grid, by_collect


def control_grid_take(
    c: Mapping[str, Array], grid: Array, shift: Array, collect: Array
) -> tuple[Array, Array, Array]:
    """Return what the control grid takes; ``shift`` is the valve's own shift of contact potential."""
    return grid_take(grid + shift + c["grid_contact_volts"], collect, c["grid_foot_volts"], c["grid_share"])


def plain_diode(
    volts: Array, c: Mapping[str, Array], perveance: Array, reference: Array, state: ValveState
) -> tuple[Array, Array, Array]:
    """Return the current of an equivalent diode, its slope and its slope by emission."""
    foot = c["foot_volts"]
    x = volts + state.contact_volts
    x += c["contact_volts"]
    x /= foot
    value, slope = softplus(x)
    root = np.sqrt(value)
    scale = perveance * np.sqrt(foot)
    value *= root
    value *= scale * foot
    slope *= root
    slope *= 1.5 * scale
    current, by_space, by_emission = Cathode(state.emission, reference).give(value)
    slope *= by_space
    return current, slope, by_emission


class Stream:
    """The current of a gridded cathode that is not averaged, with its slopes."""

    def __init__(self, c: Mapping[str, Array], grid: Array, pull: Array, state: ValveState) -> None:
        inverse_mu, mu_live = mu_factor(state.mu)
        pull = pull * inverse_mu
        space, by_drive, by_pull = space_current(
            grid + state.contact_volts + c["contact_volts"], pull, c["foot_volts"], c["unevenness"], mu_parts(c)
        )
        k = c["perveance"]
        space *= k
        self.amps, by_space, self.by_emission = Cathode(state.emission, c["reference_amps"]).give(space)
        by_space *= k
        self.by_grid = by_drive * by_space
        by_pull *= by_space
        self.by_mu = -by_pull * pull * inverse_mu * mu_live
        self.by_pull = by_pull * inverse_mu


class PastGrid:
    """A pentode-like stream after its control grid, and what that grid takes."""

    def __init__(self, c: Mapping[str, Array], grid: Array, part: Division, stream: Stream, shift: Array) -> None:
        influence = c["anode_influence"]
        taken, taken_g, taken_p = control_grid_take(c, grid, shift, part.ps + influence * part.pa)
        taken_g *= stream.amps
        taken_p *= stream.amps
        by_anode = influence * stream.by_pull
        self.taken = taken
        self.grid_g = taken * stream.by_grid + taken_g
        self.grid_s = taken * stream.by_pull + taken_p * part.ps_v
        self.grid_a = taken * by_anode + influence * taken_p * part.pa_v
        self.forward = 1.0 - taken
        self.amps = stream.amps * self.forward
        self.by_g = stream.by_grid - self.grid_g
        self.by_s = stream.by_pull - self.grid_s
        self.by_a = by_anode - self.grid_a
