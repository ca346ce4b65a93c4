"""The HT supply as a port: volts as a smooth function of the amps drawn, with every slope.

A rectifier charges the reservoir in short pulses about the crest of the mains. With a very large reservoir at
``V`` volts, an arm of resistance ``R`` on a winding of peak ``E`` conducts over the half-angle ``phi`` where
``E cos phi = V`` and passes the mean current ``(E / pi R) (sin phi - phi cos phi)`` a pulse. Arms that share a
reservoir share ``phi``, so their conductances add:

    I = (E / pi) (G1 + G2) g(phi),    g(phi) = sin phi - phi cos phi

That gives ``phi`` for the amps drawn, each anode's emission standing in its own conductance, so that a
half-dead two-anode rectifier passes over into a half-wave one. What a reservoir of finite size takes off, and
the peak of the pulse, come from the table of :mod:`hetwright.supply.steady_state`, by ``phi`` and ``omega C E /
I``: a dried reservoir lets the volts fall towards the average of the rectified wave.

A valve's arm follows ``i = P v**1.5``. It is taken as the resistance ``1.11 P**(-2/3) i**(-1/3)`` at the
pulse's own peak: the straight line that passes the same charge over a pulse of parabolic shape
(``docs/decisions/supply-port.md``).

Two roundings make the port defined everywhere: amps below nothing are met by a high back resistance,
and beyond a short circuit the volts go on falling in a straight line.

Sources: O. H. Schade, "Analysis of rectifier operation", Proc. IRE 31 (1943) 341-361; F. E. Terman, *Radio
Engineers' Handbook* (1943), section 8 (conduction angle); Child's law for the valve.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import Complaint, InputFault
from ..trade_data import load_trade
from .interpolation import Surface

if TYPE_CHECKING:
    from ..circuit.network import Supply

__all__ = ["PARAMETERS", "PortVolts", "port_volts", "ripple_volts"]

Array = NDArray[np.float64]

#: Order of the rows of ``parameters``; the supply's slots.
PARAMETERS = ("mains", "winding_ohms", "emission_1", "emission_2", "reservoir_farads")

KINDS = ("two-anode", "bridge", "half-wave", "doubler")

# Roundings that keep the port smooth and defined; none is a fact of any set:
_FOOT_AMPS = 1e-6
_BACK_OHMS = 1e5
_LEAST_VOLTS = 1e-3
_LEAST_EMISSION = 1e-6
_LEAST_FARADS = 1e-9  # winding and wiring have as much
_LEAST_OHMS = 1e-3
_HALF_PI = 0.5 * np.pi
_ANGLE_STEPS = 40
_ANGLE_SETTLED = 1e-6
_CREST_FACTOR = 6.0  # peak over mean current, to begin with

#: The straight line that passes the same charge as v = k i^(2/3) over a pulse of parabolic shape, as a factor
#: on v/i at the peak: (2/3) / integral of (1-s^2)^(3/2) = 1.132 where the valve is all the resistance there is,
#: integral of (1-s^2)^(2/3) / (2/3) = 1.109 where the winding is, which is nearer the usual set:
PULSE_SHAPE = 1.11


@dataclass(frozen=True, slots=True, eq=False)
class PortVolts:
    """Volts between plus and minus, (B,), slope by amps, (B,) (always negative), by parameters, (5, B)."""

    volts: Array
    by_amps: Array
    by_parameters: Array


@dataclass(frozen=True, slots=True)
class _Arms:
    """What does not change of a supply: arms that charge one capacitor, how often they repeat, their constants."""

    anodes: tuple[int, ...]  # rows of the parameters: 2 for emission_1, 3 for emission_2
    sections: tuple[tuple[int, ...], ...]  # capacitors in series, each with its arms
    in_series: float  # rectifier arms one after another in each path
    perveance: float
    ohms: float
    drop_volts: float


@cache
def _surfaces() -> tuple[Surface, Surface, Surface, Surface]:
    """Volts for half-wave and full-wave; ripple for half-wave and full-wave."""
    facts = load_trade("capacitor_input.toml")
    phi, log_stiffness = facts["grid"]["phi"], facts["grid"]["log_stiffness"]

    def surface(kind: str, quantities: tuple[str, ...]) -> Surface:
        values = [
            [[float(word) for word in line.split()] for line in facts[kind][quantity].strip().splitlines()]
            for quantity in quantities
        ]
        return Surface((phi[0], phi[1]), (log_stiffness[0], log_stiffness[1]), np.array(values))

    return (
        surface("half_wave", ("volts",)),
        surface("full_wave", ("volts",)),
        surface("half_wave", ("first", "second")),
        surface("full_wave", ("first", "second")),
    )


@cache
def _arms(kind: str, rectifier: str, rms_volts: float, perveance: float, drop_volts: float) -> _Arms:
    if kind not in KINDS:
        raise InputFault(Complaint(wrong=f"unknown rectifier circuit {kind!r}", right=f"use {', '.join(KINDS)}"))
    in_series = 2.0 if kind == "bridge" else 1.0
    sections: tuple[tuple[int, ...], ...]
    if kind == "half-wave":
        sections = ((2,),)
    elif kind == "doubler":
        sections = ((2,), (3,))
    else:
        sections = ((2, 3),)
    ohms, drop = 0.0, drop_volts
    if rectifier == "valve":
        if not perveance > 0.0:
            raise InputFault(
                Complaint(
                    wrong=f"a valve rectifier with a perveance of {perveance:g}",
                    right="give amps per volt^1.5 of one anode, such as 1e-3",
                )
            )
    else:
        facts = load_trade("rectifiers.toml")["rectifier"]
        if rectifier not in facts:
            raise InputFault(
                Complaint(wrong=f"unknown kind of rectifier {rectifier!r}", right=f"use valve, {', '.join(facts)}")
            )
        # a selenium stack has plates for the volts it must hold off
        plates = rms_volts / 100.0 if rectifier == "selenium" else 1.0
        ohms = facts[rectifier]["ohms"] * plates
        drop = drop_volts or facts[rectifier]["drop_volts"] * plates
        perveance = 0.0
    return _Arms((2, 3), sections, in_series, perveance, ohms, drop)


def _angle_laws(phi: Array) -> tuple[Array, Array, Array]:
    """g, cos and sin of the half-angle of conduction; beyond a right angle all three go on in straight lines."""
    inside = np.minimum(phi, _HALF_PI)
    beyond = phi - inside
    sine, cosine = np.sin(inside), np.cos(inside)
    # below a tenth the difference cancels; the series does not
    square = inside * inside
    series = inside * square * (1.0 / 3.0 - square * (1.0 / 30.0 - square / 840.0))
    g = np.where(inside < 0.1, series, sine - inside * cosine) + _HALF_PI * beyond
    return g, cosine - beyond, sine


def _pulse(peak: Array, ohms: Array, curve: Array) -> Array:
    """Cube root t of the peak current: ``ohms t^3 + curve t^2 = peak`` (volts across winding and valve).

    With u = 1/t the cubic is u^3 = 3 m u + 2 n: Cardano's form where it has one real root, the cosine of a third of
    an angle where it has three.
    """
    m = curve / (3.0 * peak)
    n = ohms / (2.0 * peak)
    bulk = n * n - m * m * m
    whole = np.cbrt(n + np.sqrt(np.maximum(bulk, 0.0)))
    u = whole + m / whole
    three = bulk < 0.0
    if three.any():
        root = np.sqrt(m[three])
        u[three] = 2.0 * root * np.cos(np.arccos(np.minimum(n[three] / root**3, 1.0)) / 3.0)
    return np.asarray(1.0 / u)


@dataclass(frozen=True, slots=True, eq=False)
class _Angle:
    """Everything at one half-angle of conduction; arms first in two-dimensional arrays."""

    log_amps: Array
    slope: Array  # of log_amps by the angle
    cosine: Array
    fall: Array  # minus the slope of cosine
    crest_phi: Array  # slope of ln(crest)
    t: Array  # cube root of each arm's peak current
    siemens: Array
    power: Array  # d ln(siemens) / d ln(crest)
    total: Array
    mean_power: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Charging:
    """The state of one reservoir with its arms, and everything its slopes need."""

    phi: Array
    cosine: Array
    stiffness_log: Array
    lean: Array  # 0 both arms alike, 1 one arm alone
    lean_signed: Array
    volts: Array
    by_drawn: Array
    by_peak: Array  # by the winding's peak volts less drop
    by_ohms: Array
    by_emission: list[Array]
    by_farads: Array


def _charging(arms: _Arms, section: tuple[int, ...], drawn: Array, peak: Array, p: Array, omega: float) -> _Charging:
    half, full, _, _ = _surfaces()
    rows = list(section)
    emission = np.maximum(p[rows], _LEAST_EMISSION)
    winding = np.maximum(p[1], _LEAST_OHMS)
    farads = np.maximum(p[4], _LEAST_FARADS)
    log_stiffness = np.log(omega * farads * peak / drawn)
    series = arms.in_series
    if arms.perveance:
        curve = series * PULSE_SHAPE * (arms.perveance * emission) ** (-2.0 / 3.0)
        curve_e = -(2.0 / 3.0) * curve / emission
        ohms = np.broadcast_to(winding, emission.shape)
        ohms_e = np.zeros_like(emission)
    else:
        curve = curve_e = np.zeros_like(emission)
        # a worn semiconductor arm: its own resistance over its emission squared, an open one nearly infinite
        own = series * arms.ohms / (emission * emission)
        ohms = winding + own
        ohms_e = -2.0 * own / emission

    def at(phi: Array) -> _Angle:
        g, cosine, sine = _angle_laws(phi)
        lift = 1.0 - cosine
        crest = peak * lift
        t = _pulse(crest, ohms, curve)
        siemens = t**3 / crest
        # d ln G / d ln crest of each arm
        power = (3.0 * (ohms * t + curve)) / (3.0 * ohms * t + 2.0 * curve) - 1.0
        total = siemens.sum(axis=0)
        within = phi < _HALF_PI
        fall = np.where(within, sine, 1.0)
        crest_phi = fall / lift
        mean_power = (siemens * power).sum(axis=0) / total
        slope = np.where(within, phi * sine, _HALF_PI) / g + mean_power * crest_phi
        return _Angle(
            np.log(peak * total * g / np.pi), slope, cosine, fall, crest_phi, t, siemens, power, total, mean_power
        )

    # ln(amps) against ln(phi) is nearly straight: Newton there settles in a few steps from anywhere
    wanted = np.log(drawn)
    rough = (1.0 / (ohms + curve * np.cbrt(1.0 / (_CREST_FACTOR * drawn)))).sum(axis=0)
    cube = np.cbrt(3.0 * np.pi * drawn / (peak * rough))
    log_phi = np.log(cube * (1.0 + cube * cube / 30.0))
    for _ in range(_ANGLE_STEPS):
        phi = np.exp(log_phi)
        found = at(phi)
        step = (found.log_amps - wanted) / (found.slope * phi)
        log_phi = log_phi - np.clip(step, -1.5, 1.5)
        # the step is squared by the next: what is left is rounding
        if bool((np.abs(step) <= _ANGLE_SETTLED).all()):
            break
    phi = np.exp(log_phi)
    found = at(phi)
    slope, cosine, fall, crest_phi = found.slope, found.cosine, found.fall, found.crest_phi
    t, siemens, power, total, mean_power = found.t, found.siemens, found.power, found.total, found.mean_power

    # phi by everything: slope dphi = d ln(drawn) - d ln(peak G)|phi
    phi_drawn = 1.0 / (slope * drawn)
    phi_peak = -(1.0 + mean_power) / (peak * slope)
    # each arm's siemens by winding and by its emission, at fixed crest: t from r t^3 + k t^2 = crest
    below = (3.0 * ohms * t + 2.0 * curve) * t
    siemens_ohms = -3.0 * siemens * t * t / below
    siemens_emission = -3.0 * siemens * t * (t * ohms_e + curve_e) / below
    phi_ohms = -siemens_ohms.sum(axis=0) / (total * slope)
    phi_emission = -siemens_emission / (total * slope)

    if len(rows) == 2:
        signed = (siemens[0] - siemens[1]) / total
        pull = np.stack([(1.0 - signed) / total, -(1.0 + signed) / total])
    else:
        signed = np.ones_like(phi)
        pull = np.zeros_like(siemens)
    lean = signed * signed
    signed_crest = (pull * siemens * power).sum(axis=0)
    signed_ohms = (pull * siemens_ohms).sum(axis=0)
    signed_emission = pull * siemens_emission

    share, share_phi, share_log, one_more = _volts_share(half, full, phi, log_stiffness, lean, len(rows))
    volts = peak * cosine * share
    volts_phi = peak * (cosine * share_phi - fall * share)
    volts_log = peak * cosine * share_log
    volts_lean = peak * cosine * one_more * 2.0 * signed

    def along(phi_q: Array, signed_q: Array) -> Array:
        return np.asarray(volts_phi * phi_q + volts_lean * (signed_q + signed_crest * crest_phi * phi_q))

    zero = np.zeros_like(phi)
    return _Charging(
        phi=phi,
        cosine=cosine,
        stiffness_log=log_stiffness,
        lean=lean,
        lean_signed=signed,
        volts=volts,
        by_drawn=along(phi_drawn, zero) - volts_log / drawn,
        by_peak=cosine * share
        + volts_phi * phi_peak
        + volts_lean * signed_crest * (1.0 / peak + crest_phi * phi_peak)
        + volts_log / peak,
        by_ohms=np.where(p[1] > _LEAST_OHMS, along(phi_ohms, signed_ohms), 0.0),
        by_emission=[
            np.where(p[row] > _LEAST_EMISSION, along(a, b), 0.0)
            for row, a, b in zip(section, phi_emission, signed_emission, strict=True)
        ],
        by_farads=np.where(p[4] > _LEAST_FARADS, volts_log / farads, 0.0),
    )


def _volts_share(
    half: Surface, full: Surface, phi: Array, log_stiffness: Array, lean: Array, arms: int
) -> tuple[Array, Array, Array, Array]:
    """Mean volts over cos phi, slopes by phi and ln stiffness, and by how far the arms differ."""
    one, one_phi, one_log = (found[0] for found in half.at(phi, log_stiffness))
    if arms == 1:
        return one, one_phi, one_log, np.zeros_like(one)
    two, two_phi, two_log = (found[0] for found in full.at(phi, log_stiffness))
    return (
        two + lean * (one - two),
        two_phi + lean * (one_phi - two_phi),
        two_log + lean * (one_log - two_log),
        one - two,
    )


def _inputs(supply: Supply, amps: ArrayLike, parameters: ArrayLike) -> tuple[_Arms, Array, Array, float]:
    arms = _arms(supply.kind, supply.rectifier, supply.rms_volts, supply.perveance, supply.drop_volts)
    drawn = np.asarray(amps, dtype=np.float64)
    p = np.asarray(parameters, dtype=np.float64)
    if p.shape != (len(PARAMETERS), *drawn.shape):
        raise InputFault(
            Complaint(
                wrong=f"parameters of shape {p.shape}", right=f"give ({len(PARAMETERS)}, {drawn.size}) for the amps"
            )
        )
    return arms, drawn, p, 2.0 * np.pi * supply.hertz


def port_volts(supply: Supply, amps: ArrayLike, parameters: ArrayLike) -> PortVolts:
    """Direct volts of the supply at its reservoir, averaged over the cycle.

    Parameters
    ----------
    supply : Supply
        ``rms_volts`` of the winding that one pulse draws on (one half of a centre-tapped one, the whole of a
        bridge's); ``winding_ohms`` in each pulse's path: winding, reflected primary, surge resistor;
        ``perveance`` of one anode, A/V^1.5; ``drop_volts`` a fixed drop of each arm (0: the usual one of the
        kind).
    amps : (B,)
        Direct amps drawn. Any finite number; negative amps push the volts above the crest.
    parameters : (5, B)
        In the order of :data:`PARAMETERS`. An emission of 0 is taken as one
        millionth, a reservoir of less than 1 nF (winding and wiring have as much) as 1 nF.

    Returns
    -------
    PortVolts

    Raises
    ------
    InputFault
        If the kind of circuit or rectifier is unknown, or a valve rectifier has no perveance.

    Notes
    -----
    Against a time-domain solution with valve and load as they are: within a few per cent of the volts; see
    ``docs/decisions/supply-port.md`` for the measured error and what is left out.
    """
    arms, amps_drawn, p, omega = _inputs(supply, amps, parameters)
    root = np.sqrt(amps_drawn * amps_drawn + 4.0 * _FOOT_AMPS**2)
    drawn = np.where(amps_drawn >= 0.0, 0.5 * (amps_drawn + root), 2.0 * _FOOT_AMPS**2 / (root - amps_drawn))
    drawn_amps = drawn / root
    crest = np.sqrt(2.0) * supply.rms_volts
    fixed = arms.in_series * arms.drop_volts
    # the crest less the fixed drop, never below a little: a smooth maximum
    rise = crest * p[0] - fixed
    bend = np.sqrt(rise * rise + 4.0 * _LEAST_VOLTS**2)
    peak = np.where(rise >= 0.0, 0.5 * (rise + bend), 2.0 * _LEAST_VOLTS**2 / (bend - rise))
    peak_mains = crest * peak / bend

    volts = (drawn - amps_drawn) * _BACK_OHMS
    by_amps = (drawn_amps - 1.0) * _BACK_OHMS
    by = np.zeros_like(p)
    for section in arms.sections:
        found = _charging(arms, section, drawn, peak, p, omega)
        volts = volts + found.volts
        by_amps = by_amps + found.by_drawn * drawn_amps
        by[0] += found.by_peak * peak_mains
        by[1] += found.by_ohms
        for row, slope in zip(section, found.by_emission, strict=True):
            by[row] += slope
        by[4] += found.by_farads
    return PortVolts(volts, by_amps, by)


def ripple_volts(supply: Supply, amps: ArrayLike, parameters: ArrayLike) -> Array:
    """Amplitude of the ripple across the reservoir at once and twice the mains frequency.

    Parameters as in :func:`port_volts`.

    Returns
    -------
    (2, B)
        Peak volts (not r.m.s.) of the first and the second line harmonic.

    Notes
    -----
    From the same steady state with a resistive load. Unequal arms are taken between full-wave and half-wave by the
    difference of their conductances; a doubler's two halves, half a cycle apart, cancel at once and add at twice the
    mains frequency as far as they are alike.
    """
    arms, amps_drawn, p, omega = _inputs(supply, amps, parameters)
    _, _, half, full = _surfaces()
    drawn = np.maximum(amps_drawn, _FOOT_AMPS)
    crest = np.maximum(np.sqrt(2.0) * supply.rms_volts * p[0] - arms.in_series * arms.drop_volts, _LEAST_VOLTS)
    first = np.zeros_like(drawn)
    second = np.zeros_like(drawn)
    for number, section in enumerate(arms.sections):
        found = _charging(arms, section, drawn, crest, p, omega)
        one = half.at(found.phi, found.stiffness_log)[0]
        two = full.at(found.phi, found.stiffness_log)[0]
        # ln stiffness is of omega C E / I
        unit = crest * np.exp(-found.stiffness_log)
        first += (-1.0) ** number * 2.0 * unit * one[0] * np.abs(found.lean_signed)
        second += unit * (two[1] + found.lean * (one[1] - two[1]))
    return np.stack([np.abs(first), np.abs(second)])
