"""What current flows to each electrode of a valve, and how it changes.

Every shape is one picture. The cathode gives a *space current*, the three-halves law of an equivalent
diode driven by the grid and, through the amplification factor, by the electrodes behind it (Child 1911,
Langmuir 1913, Tellegen 1925). Its foot is rounded: electrons leave with a thermal spread, so current dies
away exponentially, not abruptly (Langmuir 1923). A grid is never wound quite evenly, and a remote
cut-off grid is wound unevenly on purpose: the space current is a weighted sum of parts of different
amplification factor (Ballantine and Snow 1930). The space current is then *divided*: what
one electrode does not take the next takes, so that the cathode current is always the sum.

Shapes and the order of their electrodes stand in :data:`SHAPES`, the constants of a shape in
:data:`CONSTANTS`; ``docs/valve-law.md`` has the equations and their sources.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CONSTANTS",
    "SHAPES",
    "STATE_NAMES",
    "Currents",
    "ValveState",
    "conversion_slope",
    "currents",
    "loop_gain",
]

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

# How the numbers of this module are rounded off, not facts of any valve:
_CORNER_VOLTS = 1.0  # how softly an electrode at zero volts begins to collect
_EMISSION_LIMITS = (1e-3, 2.5)
_MU_LIMITS = (0.2, 5.0)
_NEW_SATURATION = 0.02  # a good cathode saturates at 1/0.02 = 50 times the reference current
_WORN_SATURATION = 0.5
_SWING_FLOOR_VOLTS = 0.05  # slope of an oscillator at rest is taken over this small swing
_CLOSURE_ROUNDING = 1e-3
_GAIN_FLOOR = 0.1  # keeps the closure finite when the stream is cut off
_NODES = 8  # Gauss-Chebyshev points over the oscillator's cycle
_COS = np.cos((np.arange(_NODES) + 0.5) * np.pi / _NODES)
_ROWS_AT_ONCE = 6144  # section evaluations worked together, so that temporaries stay in the cache


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


# ---------------------------------------------------------------------------------------------------
# pieces


def _softplus(x: Array) -> tuple[Array, Array]:
    """Return ln(1 + e^x) and its slope, safe for any x."""
    tail = np.exp(-np.abs(x))
    base = 1.0 + tail
    value = np.log1p(tail)
    value += np.maximum(x, 0.0)
    slope = np.where(x >= 0.0, 1.0, tail)
    slope /= base
    return value, slope


def _collecting(volts: Array) -> tuple[Array, Array]:
    """Return the volts by which an electrode collects (smoothly zero when negative) and their slope."""
    root = np.sqrt(volts * volts + _CORNER_VOLTS**2)
    value = volts + root
    value *= 0.5
    # below zero the sum above cancels; the reciprocal form does not
    np.divide(0.5 * _CORNER_VOLTS**2, root - volts, out=value, where=volts < 0.0)
    return value, value / root


def _parts(c: Mapping[str, Array], prefix: str = "") -> list[tuple[Array, Array]]:
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


def _space(
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
    forward, forward_v = _collecting(pull)
    for weight, inverse_mu in parts:
        per_pull = unevenness * inverse_mu
        width = per_pull * forward
        width += foot
        per_width = 1.0 / width
        root_width = np.sqrt(width)
        x = pull * inverse_mu + drive
        x *= per_width
        value, slope = _softplus(x)
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


class _Cathode:
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


def _mu_factor(mu: Array) -> tuple[Array, Array]:
    """Return 1/mu kept within limits, and whether it is within."""
    low, high = _MU_LIMITS
    return 1.0 / np.clip(mu, low, high), ((mu > low) & (mu < high)).astype(np.float64)


class _Division:
    """How forward current divides between screen and anode, and the slopes of the anode's share.

    Far above the knee the screen takes ``s = s1 (1 + t) Vs / (Vs + t Va)``; below it the anode's share falls as
    ``Va^2 / (Va^2 + (knee Vs)^2)`` (after the division laws in Spangenberg, Vacuum Tubes, 1948, ch. 9).
    """

    def __init__(self, c: Mapping[str, Array], screen: Array, anode: Array) -> None:
        ps, ps_v = _collecting(screen)
        pa, pa_v = _collecting(anode)
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


def _grid_take(grid: Array, collect: Array, foot: Array, strength: Array) -> tuple[Array, Array, Array]:
    """Return the share of a stream a grid takes, and its slopes by grid volts and by ``collect``.

    ``share = q / (q + collect)`` with ``q = strength x softplus(grid volts)``, contact potential included. With
    the grid negative this is the retarding-field current, one e-fold per foot volts; with the grid
    positive the division law. ``collect`` is the pull of what lies behind, V.
    """
    q, q_v = _softplus(grid / foot)
    q *= strength * foot
    q_v *= strength
    inverse = 1.0 / (q + collect)
    share = q * inverse
    by_collect = -share * inverse
    by_grid = q_v * inverse
    by_grid *= 1.0 - share
    return share, by_grid, by_collect


def _control_grid_take(
    c: Mapping[str, Array], grid: Array, shift: Array, collect: Array
) -> tuple[Array, Array, Array]:
    return _grid_take(grid + shift + c["grid_contact_volts"], collect, c["grid_foot_volts"], c["grid_share"])


# ---------------------------------------------------------------------------------------------------
# output


class _Planes:
    """The result as contiguous planes: amps (E, B, S), by volts (E, E, B, S), by state (E, 4, B, S)."""

    def __init__(self, electrodes: int, stack: tuple[int, int]) -> None:
        self.amps = np.zeros((electrodes, *stack))
        self.slopes = np.zeros((electrodes, electrodes, *stack))
        self.by_state = np.zeros((electrodes, 4, *stack))

    def rows(self, part: slice) -> _Planes:
        view = object.__new__(_Planes)
        view.amps = self.amps[:, part]
        view.slopes = self.slopes[:, :, part]
        view.by_state = self.by_state[:, :, part]
        return view

    def public(self) -> Currents:
        return Currents(
            amps=self.amps.transpose(1, 2, 0),
            slopes=self.slopes.transpose(2, 3, 0, 1),
            by_state=self.by_state.transpose(2, 3, 0, 1),
        )

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


# ---------------------------------------------------------------------------------------------------
# shapes


def _plain_diode(
    volts: Array, c: Mapping[str, Array], perveance: Array, reference: Array, state: ValveState
) -> tuple[Array, Array, Array]:
    """Return the current of an equivalent diode, its slope and its slope by emission."""
    foot = c["foot_volts"]
    x = volts + state.contact_volts
    x += c["contact_volts"]
    x /= foot
    value, slope = _softplus(x)
    root = np.sqrt(value)
    scale = perveance * np.sqrt(foot)
    value *= root
    value *= scale * foot
    slope *= root
    slope *= 1.5 * scale
    current, by_space, by_emission = _Cathode(state.emission, reference).give(value)
    slope *= by_space
    return current, slope, by_emission


class _Stream:
    """The current of a gridded cathode that is not averaged, with its slopes."""

    def __init__(self, c: Mapping[str, Array], grid: Array, pull: Array, state: ValveState) -> None:
        inverse_mu, mu_live = _mu_factor(state.mu)
        pull = pull * inverse_mu
        space, by_drive, by_pull = _space(
            grid + state.contact_volts + c["contact_volts"], pull, c["foot_volts"], c["unevenness"], _parts(c)
        )
        k = c["perveance"]
        space *= k
        self.amps, by_space, self.by_emission = _Cathode(state.emission, c["reference_amps"]).give(space)
        by_space *= k
        self.by_grid = by_drive * by_space
        by_pull *= by_space
        self.by_mu = -by_pull * pull * inverse_mu * mu_live
        self.by_pull = by_pull * inverse_mu


def _diode(c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes) -> None:
    current, slope, by_emission = _plain_diode(v[0], c, c["perveance"], c["reference_amps"], state)
    out.amps[0] = current
    out.slopes[0, 0] = slope
    out.by_state[0, 0] = by_emission
    out.by_state[0, 2] = slope


def _triode(c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes) -> None:
    grid, anode = v[0], v[1]
    stream = _Stream(c, grid, anode, state)
    pa, pa_v = _collecting(anode)
    taken, taken_g, taken_a = _control_grid_take(c, grid, state.contact_volts, pa)
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
    out.gas(0, 1, state.gas)


def _indicator(c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes) -> None:
    _triode(c, v, state, out)
    current, slope, by_emission = _plain_diode(v[2], c, c["target_perveance"], c["target_amps"], state)
    out.amps[2] = current
    out.slopes[2, 2] = slope
    out.by_state[2, 0] = by_emission
    out.by_state[2, 2] = slope


class _PastGrid:
    """A pentode-like stream after its control grid, and what that grid takes."""

    def __init__(self, c: Mapping[str, Array], grid: Array, part: _Division, stream: _Stream, shift: Array) -> None:
        influence = c["anode_influence"]
        taken, taken_g, taken_p = _control_grid_take(c, grid, shift, part.ps + influence * part.pa)
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


def _pentode(c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes) -> None:
    grid, screen, anode = v[0], v[1], v[2]
    stream = _Stream(c, grid, screen + c["anode_influence"] * anode, state)
    part = _Division(c, screen, anode)
    past = _PastGrid(c, grid, part, stream, state.contact_volts)
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


def _over_cycle(weights: Array, values: Array) -> Array:
    """Return the mean over the cycle of ``weights x values``; values (nodes, B, S)."""
    result: Array = np.tensordot(weights / _NODES, values, axes=(0, 0))
    return result


_ONES = np.ones(_NODES)


class _Gate:
    """The share a second control grid lets through: ``z / (1 + z)``, z the three-halves law of that grid.

    Behind a screen the current waits in a virtual cathode; a grid there draws what its own
    three-halves law asks for, up to all there is. ``cycle`` is the swing on that grid, averaged over.
    """

    def __init__(self, c: Mapping[str, Array], grid: Array, screen: Array, shift: Array, swing: Array | None) -> None:
        drive = grid + shift
        drive += c["gate_contact_volts"]
        if swing is not None:
            drive = drive + swing * _COS[:, None, None]
        z, z_v, z_s = _space(drive, screen, c["foot_volts"], c["unevenness"], _parts(c, "gate_"))
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
            self.share = _over_cycle(_ONES, passed)
            self.by_grid = _over_cycle(_ONES, z_v)
            self.by_screen = _over_cycle(_ONES, z_s)
            self.by_swing = _over_cycle(_COS, z_v)
            self.fundamental = _over_cycle(_COS, passed)


def _hexode(c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes) -> None:
    grid, injection, swing, screen, anode = v
    shift = state.contact_volts
    stream = _Stream(c, grid, screen + c["anode_influence"] * anode, state)
    part = _Division(c, screen, anode)
    past = _PastGrid(c, grid, part, stream, shift)
    gate = _Gate(c, injection, screen, shift, swing)
    # what the injection grid itself collects over the cycle
    foot = c["grid_foot_volts"]
    x = (injection + shift + c["gate_grid_contact_volts"]) + swing * _COS[:, None, None]
    x /= foot
    value, slope = _softplus(x)
    strength = c["gate_grid_share"]
    q = strength * foot * _over_cycle(_ONES, value)
    q_v = strength * _over_cycle(_ONES, slope)
    q_w = strength * _over_cycle(_COS, slope)
    inverse = 1.0 / (q + part.ps)
    taken = q * inverse
    rest = 1.0 - taken
    taken_v, taken_w = q_v * inverse * rest, q_w * inverse * rest
    taken_s = -taken * inverse * part.ps_v
    # share of the anode in what is past the control grid, and its slopes
    through = rest * gate.share
    share = through * part.anode
    share_v = (rest * gate.by_grid - taken_v * gate.share) * part.anode
    share_w = (rest * gate.by_swing - taken_w * gate.share) * part.anode
    share_s = (rest * gate.by_screen - taken_s * gate.share) * part.anode + through * part.by_screen
    share_a = through * part.by_anode
    g, i, w, s, a = range(5)
    amps, slopes, by_state = out.amps, out.slopes, out.by_state
    beyond = past.amps
    amps[g] = stream.amps * past.taken
    amps[i] = beyond * taken
    amps[a] = beyond * share
    amps[s] = beyond - amps[i] - amps[a]
    slopes[g, g], slopes[g, s], slopes[g, a] = past.grid_g, past.grid_s, past.grid_a
    for f, rate, own, other in (
        (g, past.by_g, None, None),
        (i, None, taken_v, share_v),
        (w, None, taken_w, share_w),
        (s, past.by_s, taken_s, share_s),
        (a, past.by_a, None, share_a),
    ):
        if rate is not None:
            slopes[i, f] += rate * taken
            slopes[a, f] += rate * share
            slopes[s, f] += rate
        if own is not None:
            slopes[i, f] += beyond * own
        if other is not None:
            slopes[a, f] += beyond * other
        slopes[s, f] -= slopes[i, f]
        slopes[s, f] -= slopes[a, f]
    for index, rate in ((0, stream.by_emission), (1, stream.by_mu)):
        by_state[g, index] = past.taken * rate
        onward = past.forward * rate
        by_state[i, index] = onward * taken
        by_state[a, index] = onward * share
        by_state[s, index] = onward - by_state[i, index] - by_state[a, index]
    by_state[:, 2] = slopes[:, g] + slopes[:, i]
    out.gas(g, a, state.gas)


class _Cycle:
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
        nodes = _COS[:, None, None]
        at = grid + reach * nodes
        stream = _Stream(c, at, pull, state)
        taken, taken_g, taken_p = _control_grid_take(c, at, state.contact_volts, collect)
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
            by = _over_cycle(weights, by_grid)
            return {
                "amps": _over_cycle(weights, total),
                "grid": by,
                "swing": _over_cycle(weights * _COS, by_grid) * reach_w,
                "pull": _over_cycle(weights, stream.by_pull * factor),
                "collect": collect_sign * _over_cycle(weights, taken_p),
                "contact": by,
                "mu": _over_cycle(weights, stream.by_mu * factor),
                "emission": _over_cycle(weights, stream.by_emission * factor),
            }

        self.taken = mean(own, own_g, _ONES, taken, 1.0)
        self.onward = mean(onward, onward_g, _ONES, left, -1.0)
        self.swung = mean(onward, onward_g, 2.0 * _COS, left, -1.0)


def _closure(
    c: Mapping[str, Array], swing: Array, cycle: _Cycle, share: Array | float
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


def _oscillator(c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes) -> None:
    grid, swing, anode = v
    pa, pa_v = _collecting(anode)
    cycle = _Cycle(c, grid, swing, anode, pa, state)
    g, w, a = range(3)
    amps, slopes, by_state = out.amps, out.slopes, out.by_state

    def lay(row: int, mean: dict[str, Array], factor: Array | float) -> None:
        slopes[row, g] = mean["grid"] * factor
        slopes[row, w] = mean["swing"] * factor
        slopes[row, a] = (mean["pull"] + mean["collect"] * pa_v) * factor
        by_state[row, 0] = mean["emission"] * factor
        by_state[row, 1] = mean["mu"] * factor
        by_state[row, 2] = mean["contact"] * factor

    amps[g], amps[a] = cycle.taken["amps"], cycle.onward["amps"]
    lay(g, cycle.taken, 1.0)
    lay(a, cycle.onward, 1.0)
    amps[w], by_swing, by_swung, _ = _closure(c, swing, cycle, 1.0)
    lay(w, cycle.swung, by_swung)
    slopes[w, w] += by_swing
    out.gas(g, a, state.gas)


class _Share:
    """A fraction of the onward current with its slopes by electrode index and by contact potential."""

    def __init__(self, value: Array, by: dict[int, Array], contact: Array | None = None) -> None:
        self.value, self.by, self.contact = value, by, contact

    def __mul__(self, other: _Share) -> _Share:
        by = {f: slope * other.value for f, slope in self.by.items()}
        for f, slope in other.by.items():
            term = slope * self.value
            by[f] = by[f] + term if f in by else term
        contact = None
        for mine, its in ((self.contact, other.value), (other.contact, self.value)):
            if mine is not None:
                contact = mine * its if contact is None else contact + mine * its
        return _Share(self.value * other.value, by, contact)

    def __add__(self, other: _Share) -> _Share:
        by = dict(self.by)
        for f, slope in other.by.items():
            by[f] = by[f] + slope if f in by else slope
        if self.contact is None or other.contact is None:
            contact = self.contact if other.contact is None else other.contact
        else:
            contact = self.contact + other.contact
        return _Share(self.value + other.value, by, contact)

    def rest(self) -> _Share:
        """Return one minus this share."""
        contact = None if self.contact is None else -self.contact
        return _Share(1.0 - self.value, {f: -slope for f, slope in self.by.items()}, contact)


def _frequency_changer(
    c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes, oscillator_anode: int | None
) -> None:
    """A single stream that oscillates on its first grid and is gated by a later signal grid."""
    o, w = 0, 1
    g, s, a = range(len(v) - 3, len(v))
    shift = state.contact_volts
    part = _Division(c, v[s], v[a])
    influence = c["anode_influence"]
    if oscillator_anode is None:
        pull_by: dict[int, Array | float] = {s: 1.0, a: influence}
        pull = v[s] + influence * v[a]
        collect = part.ps + influence * part.pa
        collect_by = {s: part.ps_v, a: influence * part.pa_v}
    else:
        lean = c["screen_influence"]
        pull_by = {oscillator_anode: 1.0, s: lean, a: influence}
        pull = v[oscillator_anode] + lean * v[s] + influence * v[a]
        po, po_v = _collecting(v[oscillator_anode])
        collect = po + lean * part.ps
        collect_by = {oscillator_anode: po_v, s: lean * part.ps_v}
    cycle = _Cycle(c, v[o], v[w], pull, collect, state)
    gate = _Gate(c, v[g], v[s], shift, None)
    taken, taken_g, taken_p = _grid_take(
        v[g] + shift + c["gate_grid_contact_volts"], part.ps, c["grid_foot_volts"], c["gate_grid_share"]
    )
    signal = _Share(taken, {g: taken_g, s: taken_p * part.ps_v}, taken_g)
    passed = _Share(gate.share, {g: gate.by_grid, s: gate.by_screen}, gate.by_grid)
    division = _Share(part.anode, {s: part.by_screen, a: part.by_anode})
    to_anode = signal.rest() * passed * division
    shares = [(g, signal), (a, to_anode)]
    front: _Share | None = None
    if oscillator_anode is not None:
        # electrons the signal grid turns back end on the oscillator anode or the screen
        h = c["oscillator_share"]
        inverse = 1.0 / (h * po + part.ps)
        front = _Share(
            h * po * inverse,
            {
                oscillator_anode: h * part.ps * inverse * inverse * po_v,
                s: -h * po * inverse * inverse * part.ps_v,
            },
        )
        shares.append((oscillator_anode, (signal + to_anode).rest() * front))

    amps, slopes, by_state = out.amps, out.slopes, out.by_state

    def lay(row: int, mean: dict[str, Array], share: _Share | None, factor: Array | float = 1.0) -> None:
        level = factor if share is None else factor * share.value
        slopes[row, o] += mean["grid"] * level
        slopes[row, w] += mean["swing"] * level
        for f, rate in pull_by.items():
            slopes[row, f] += mean["pull"] * rate * level
        for f, slope in collect_by.items():
            slopes[row, f] += mean["collect"] * slope * level
        by_state[row, 0] += mean["emission"] * level
        by_state[row, 1] += mean["mu"] * level
        by_state[row, 2] += mean["contact"] * level
        if share is not None:
            amount = mean["amps"] * factor
            for f, slope in share.by.items():
                slopes[row, f] += amount * slope
            if share.contact is not None:
                by_state[row, 2] += amount * share.contact

    amps[o] = cycle.taken["amps"]
    lay(o, cycle.taken, None)
    amps[s] = cycle.onward["amps"]
    lay(s, cycle.onward, None)
    for row, share in shares:
        amps[row] = cycle.onward["amps"] * share.value
        lay(row, cycle.onward, share)
        amps[s] -= amps[row]
        slopes[s] -= slopes[row]
        by_state[s] -= by_state[row]
    fed = 1.0 if front is None else front.value
    amps[w], by_swing, by_swung, by_share = _closure(c, v[w], cycle, fed)
    lay(w, cycle.swung, None, by_swung)
    slopes[w, w] += by_swing
    if front is not None:
        for f, slope in front.by.items():
            slopes[w, f] += by_share * slope
    out.gas(g, a, state.gas)


def _pentagrid(c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes) -> None:
    _frequency_changer(c, v, state, out, 2)


def _converter(c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes) -> None:
    _frequency_changer(c, v, state, out, None)


_SHAPE_LAWS = {
    "diode": _diode,
    "triode": _triode,
    "pentode": _pentode,
    "hexode": _hexode,
    "oscillator": _oscillator,
    "pentagrid": _pentagrid,
    "converter": _converter,
    "indicator": _indicator,
}
_AVERAGED = frozenset({"hexode", "oscillator", "pentagrid", "converter"})


def currents(shape: str, constants: Mapping[str, Array], volts: Array, state: ValveState) -> Currents:
    """Return the current into every electrode of a stack of valve sections, with all slopes.

    Parameters
    ----------
    shape : str
        A key of :data:`SHAPES`.
    constants : mapping of str to ndarray, shape (S,)
        The :data:`CONSTANTS` of the shape, one value a section.
    volts : ndarray, shape (B, S, E)
        Electrode volts relative to the cathode, V; ``amplitude`` is the oscillator's peak grid swing, V.
        Any finite volts are good.
    state : ValveState
        How each valve differs from the book, arrays (B, S).

    Returns
    -------
    Currents
        Amps, slopes and slopes by state. The "current" of an ``amplitude`` is the residual that closes the
        oscillation, in amps of the reference current.

    Raises
    ------
    KeyError
        If the shape or one of its constants is unknown.
    """
    law = _SHAPE_LAWS[shape]
    rows, sections, electrodes = volts.shape
    out = _Planes(electrodes, (rows, sections))
    step = max(1, _ROWS_AT_ONCE // (max(1, sections) * (_NODES if shape in _AVERAGED else 1)))
    for start in range(0, rows, step):
        part = slice(start, start + step)
        planes = np.ascontiguousarray(volts[part].transpose(2, 0, 1))
        law(constants, planes, state.rows(part), out.rows(part))
    return out.public()


def _oscillator_cycle(
    shape: str, c: Mapping[str, Array], v: Array, state: ValveState
) -> tuple[_Cycle, Array | float]:
    """Return the averaged stream of an oscillating section and the share of it that feeds the loop."""
    if shape == "oscillator":
        return _Cycle(c, v[0], v[1], v[2], _collecting(v[2])[0], state), 1.0
    screen, anode = v[-2], v[-1]
    influence = c["anode_influence"]
    ps, pa = _collecting(screen)[0], _collecting(anode)[0]
    if shape == "converter":
        return _Cycle(c, v[0], v[1], screen + influence * anode, ps + influence * pa, state), 1.0
    po, lean, h = _collecting(v[2])[0], c["screen_influence"], c["oscillator_share"]
    pull = v[2] + lean * screen + influence * anode
    return _Cycle(c, v[0], v[1], pull, po + lean * ps, state), h * po / (h * po + ps)


def loop_gain(shape: str, constants: Mapping[str, Array], volts: Array, state: ValveState) -> Array:
    """Return the loop gain of an oscillating section at the given swing, shape (B, S).

    At zero swing this is the start-up gain: below one the oscillator does not start. Arguments as
    :func:`currents`; ``shape`` is oscillator, pentagrid or converter.

    Raises
    ------
    KeyError
        If the shape has no oscillator.
    """
    if shape not in ("oscillator", "pentagrid", "converter"):
        raise KeyError(f"{shape} has no oscillator; oscillator, pentagrid and converter have")
    cycle, share = _oscillator_cycle(shape, constants, np.moveaxis(volts, -1, 0), state)
    gain: Array = constants["loop_ohms"] * cycle.swung["amps"] * share / cycle.reach
    return gain


def conversion_slope(shape: str, constants: Mapping[str, Array], volts: Array, state: ValveState) -> Array:
    """Return the conversion slope of a frequency changer, S, shape (B, S).

    It is the intermediate-frequency anode current per volt of signal on the signal grid: the mean over the
    oscillator's cycle of the slope times the cosine, half the slope's fundamental. Arguments
    as :func:`currents`; ``shape`` is hexode, pentagrid or converter.

    Raises
    ------
    KeyError
        If the shape does not change frequency.

    Notes
    -----
    Source: Herold, "The operation of frequency converters and mixers", Proc. IRE 30, 84 (1942), from memory.
    """
    if shape not in ("hexode", "pentagrid", "converter"):
        raise KeyError(f"{shape} does not change frequency; hexode, pentagrid and converter do")
    signal = SHAPES[shape].index("grid")
    slope = currents(shape, constants, volts, state).slopes[..., -1, signal]
    planes = np.moveaxis(volts, -1, 0)
    if shape == "hexode":
        gate = _Gate(constants, planes[1], planes[3], state.contact_volts, planes[2])
        ratio = gate.fundamental / np.maximum(gate.share, 1e-300)
    else:
        cycle, _ = _oscillator_cycle(shape, constants, planes, state)
        ratio = 0.5 * cycle.swung["amps"] / np.maximum(cycle.onward["amps"], 1e-300)
    result: Array = slope * ratio
    return result
