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
    "currents",
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
    "indicator": (*_SPACE, *_GRID, "target_perveance", "target_share"),
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


def _space(drive: Array, pull: Array, foot: Array, parts: list[tuple[Array, Array]]) -> tuple[Array, Array, Array]:
    """Return sum w (softplus(drive + pull/mu))^1.5 in V^1.5 and its slopes by ``drive`` and ``pull``."""
    total: Array | None = None
    by_drive: Array | None = None
    by_pull: Array | None = None
    per_foot = 1.0 / foot
    root_foot = np.sqrt(foot)
    for weight, inverse_mu in parts:
        x = pull * inverse_mu
        x += drive
        x *= per_foot
        value, slope = _softplus(x)
        root = np.sqrt(value)
        value *= root
        value *= weight * foot * root_foot
        slope *= root
        slope *= 1.5 * weight * root_foot
        if total is None or by_drive is None or by_pull is None:
            total, by_drive, by_pull = value, slope, slope * inverse_mu
        else:
            total += value
            by_drive += slope
            slope *= inverse_mu
            by_pull += slope
    assert total is not None and by_drive is not None and by_pull is not None
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


def _grid_take(
    grid: Array, shift: Array, collect: Array, c: Mapping[str, Array], prefix: str = "grid"
) -> tuple[Array, Array, Array]:
    """Return the share of the space current a grid takes, and its slopes by grid volts and ``collect``.

    ``share = q / (q + collect)``, ``q = grid_share x softplus(grid volts + contact)``: with the grid negative this is the
    retarding-field current (one e-fold per ``grid_foot_volts``), with the grid positive the division law.
    """
    foot = c[prefix + "_foot_volts"]
    x = grid + shift
    x += c[prefix + "_contact_volts"]
    x /= foot
    q, q_v = _softplus(x)
    strength = c[prefix + "_share"]
    q *= strength * foot
    q_v *= strength
    inverse = 1.0 / (q + collect)
    share = q * inverse
    by_collect = -share * inverse
    by_grid = q_v * inverse
    by_grid *= 1.0 - share
    return share, by_grid, by_collect


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


def _diode(c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes) -> None:
    foot = c["foot_volts"]
    x = v[0] + state.contact_volts
    x += c["contact_volts"]
    x /= foot
    value, slope = _softplus(x)
    root = np.sqrt(value)
    scale = c["perveance"] * np.sqrt(foot)
    space = value * root
    space *= scale * foot
    slope *= root
    slope *= 1.5 * scale
    current, by_space, by_emission = _Cathode(state.emission, c["reference_amps"]).give(space)
    out.amps[0] = current
    slope *= by_space
    out.slopes[0, 0] = slope
    out.by_state[0, 0] = by_emission
    out.by_state[0, 2] = slope


def _triode(c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes) -> None:
    grid, anode = v[0], v[1]
    inverse_mu, mu_live = _mu_factor(state.mu)
    shift = state.contact_volts
    pull = anode * inverse_mu
    space, by_drive, by_pull = _space(grid + shift + c["contact_volts"], pull, c["foot_volts"], _parts(c))
    k = c["perveance"]
    space *= k
    by_drive *= k
    by_pull *= k
    current, by_space, by_emission = _Cathode(state.emission, c["reference_amps"]).give(space)
    by_drive *= by_space
    by_pull *= by_space
    by_mu = -by_pull * pull * inverse_mu * mu_live
    by_anode = by_pull * inverse_mu
    pa, pa_v = _collecting(anode)
    taken, taken_g, taken_p = _grid_take(grid, shift, pa, c)
    left = 1.0 - taken
    taken_g *= current
    taken_a = taken_p * pa_v * current
    amps, slopes, st = out.amps, out.slopes, out.by_state
    np.multiply(current, taken, out=amps[0])
    np.multiply(current, left, out=amps[1])
    slopes[0, 0] = taken * by_drive + taken_g
    slopes[0, 1] = taken * by_anode + taken_a
    slopes[1, 0] = by_drive - slopes[0, 0]
    slopes[1, 1] = by_anode - slopes[0, 1]
    st[0, 0] = taken * by_emission
    st[1, 0] = left * by_emission
    st[0, 1] = taken * by_mu
    st[1, 1] = left * by_mu
    st[0, 2] = slopes[0, 0]
    st[1, 2] = slopes[1, 0]
    out.gas(0, 1, state.gas)


def _pentode(c: Mapping[str, Array], v: Array, state: ValveState, out: _Planes) -> None:
    grid, screen, anode = v[0], v[1], v[2]
    inverse_mu, mu_live = _mu_factor(state.mu)
    shift = state.contact_volts
    influence = c["anode_influence"]
    pull = screen + influence * anode
    pull *= inverse_mu
    space, by_drive, by_pull = _space(grid + shift + c["contact_volts"], pull, c["foot_volts"], _parts(c))
    k = c["perveance"]
    space *= k
    by_drive *= k
    by_pull *= k
    current, by_space, by_emission = _Cathode(state.emission, c["reference_amps"]).give(space)
    by_drive *= by_space
    by_pull *= by_space
    by_mu = -by_pull * pull * inverse_mu * mu_live
    by_screen = by_pull * inverse_mu
    by_anode = influence * by_screen
    part = _Division(c, screen, anode)
    taken, taken_g, taken_p = _grid_take(grid, shift, part.ps + influence * part.pa, c)
    taken_g *= current
    taken_p *= current
    taken_s = taken_p * part.ps_v
    taken_a = influence * taken_p * part.pa_v
    forward = 1.0 - taken
    amps, slopes, st = out.amps, out.slopes, out.by_state
    grid_g = taken * by_drive + taken_g
    grid_s = taken * by_screen + taken_s
    grid_a = taken * by_anode + taken_a
    beyond = current * forward  # past the grid, to screen and anode together
    beyond_g, beyond_s, beyond_a = by_drive - grid_g, by_screen - grid_s, by_anode - grid_a
    amps[0] = current * taken
    np.multiply(beyond, part.anode, out=amps[2])
    amps[1] = beyond - amps[2]
    slopes[0, 0], slopes[0, 1], slopes[0, 2] = grid_g, grid_s, grid_a
    np.multiply(beyond_g, part.anode, out=slopes[2, 0])
    slopes[2, 1] = beyond_s * part.anode + beyond * part.by_screen
    slopes[2, 2] = beyond_a * part.anode + beyond * part.by_anode
    slopes[1, 0] = beyond_g - slopes[2, 0]
    slopes[1, 1] = beyond_s - slopes[2, 1]
    slopes[1, 2] = beyond_a - slopes[2, 2]
    for index, rate in ((0, by_emission), (1, by_mu)):
        st[0, index] = taken * rate
        onward = forward * rate
        st[2, index] = onward * part.anode
        st[1, index] = onward - st[2, index]
    st[0, 2], st[1, 2], st[2, 2] = slopes[0, 0], slopes[1, 0], slopes[2, 0]
    out.gas(0, 2, state.gas)


_SHAPE_LAWS = {"diode": _diode, "triode": _triode, "pentode": _pentode}


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
    step = max(1, _ROWS_AT_ONCE // max(1, sections))
    for start in range(0, rows, step):
        part = slice(start, start + step)
        planes = np.ascontiguousarray(volts[part].transpose(2, 0, 1))
        law(constants, planes, state.rows(part), out.rows(part))
    return out.public()
