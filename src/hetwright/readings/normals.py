"""What every point ought to read: on this meter, with its band, beside the service sheet's figure.

The band is that of a set without faults: part tolerance, usual-value spread where nothing is stated, valves as they
vary, age, mains. It is had by solving sets drawn from that background, so that it is as lopsided as the circuit makes
it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hetwright.card.model import ServiceSheetRow
from hetwright.circuit.network import ValveSection
from hetwright.circuit.sensitivity import branch_amps, find_branch
from hetwright.circuit.whole_set import Question, to_ohms
from hetwright.faults.healthy import HealthySet
from hetwright.valves.catalogue import find

from .meter import Meter

__all__ = ["NormalReading", "Normals", "SectionState", "normals", "points_to_read"]

Array = NDArray[np.float64]

# 2.5 to 97.5 per cent: nineteen healthy sets in twenty read inside the band
LOW, HIGH = 0.025, 0.975
SAMPLES = 400
_LINES = ("HT1", "HT2", "HT3", "ht_negative", "bias_line", "avc_line")
_ELECTRODES = (
    "anode",
    "screen_grid",
    "control_grid",
    "triode_grid",
    "cathode",
    "filament",
    "oscillator_grid",
    "oscillator_anode",
    "target",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class NormalReading:
    """What one point ought to read.

    ``quantity`` "volts dc", "volts ac" or "ohms" (cold, mains out); SI. ``basis`` says what the band rests on most:
    "measured", "marked", "stated", "service sheet" or "usual". ``service_sheet`` is the maker's row for this point,
    and ``on_sheet_meter`` what this set ought to read on the sheet's meter.
    """

    point: str
    to: str
    quantity: Literal["volts dc", "volts ac", "ohms"]
    normal: float
    low: float
    high: float
    basis: str
    service_sheet: ServiceSheetRow | None = None
    on_sheet_meter: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionState:
    """How a valve section works in the healthy set: amps, and watts beside their ratings (``None``: not known)."""

    valve: str
    section: str
    type: str
    anode_volts: float
    anode_amps: float
    screen_amps: float
    cathode_amps: float
    anode_watts: float
    screen_watts: float
    anode_watts_rating: float | None
    screen_watts_rating: float | None
    stands_for: str | None


@dataclass(frozen=True, kw_only=True)
class Normals:
    """Normal readings of a set, with the certificate of the working point they come from."""

    readings: tuple[NormalReading, ...]
    valves: tuple[SectionState, ...]
    unbalanced_amps: float
    last_step_volts: float
    meter: Meter | None
    samples: int


def points_to_read(healthy: HealthySet, *, joined: bool = False) -> list[str]:
    """Points a restorer reads, supply first, then valve by valve from the aerial.

    With ``joined``, electrodes that are wired straight to a point named otherwise (a screen on the HT line) are there
    under their own names too.
    """
    known = set(healthy.whole.ht.points)
    wanted: list[str] = [name for name in _LINES if name in known]
    reference = healthy.networks.point(healthy.card.reference_point)
    wired = {name: to for name, to in healthy.networks.aliases.items() if joined and to in known and to != reference}
    for valve in healthy.card.valves:
        own = [name for name in healthy.whole.ht.points if name.partition(".")[0] == valve]
        # of the many names of a joined electrode the plain one, and only where it is no other point of the valve
        own += [
            name
            for name, to in wired.items()
            if name.partition(".")[0] == valve
            and to.partition(".")[0] != valve
            and name.partition(".")[2] in _ELECTRODES
        ]
        for point in own:
            if any(point.endswith(electrode) for electrode in _ELECTRODES) and point not in wanted:
                wanted.append(point)
    return [name for name in wanted if name != reference]


def _cold_pairs(healthy: HealthySet) -> list[str]:
    """Parts that can be checked cold across their ends, mains out."""
    known = set(healthy.whole.ht.points)
    out = []
    for part in healthy.card.parts.values():
        pair = healthy.networks.terminals.get(part.ref)
        if (
            part.quantity == "ohms"
            and pair is not None
            and pair[0] in known
            and pair[1] in known
            and pair[0] != pair[1]
        ):
            out.append(part.ref)
    return out


def normals(
    healthy: HealthySet, meter: Meter | None = None, *, samples: int = SAMPLES, seed: int = 1, cold: bool = True
) -> Normals:
    """Normal readings with bands.

    Parameters
    ----------
    healthy : HealthySet
    meter : Meter, optional
        What the readings will be taken on; without one, a meter that draws nothing.
    samples : int > 20
        Sets drawn from the background for the bands.
    seed : int
        Of the draw.
    cold : bool
        Cold resistances too.

    Returns
    -------
    Normals

    Raises
    ------
    NotSolved
        If the set has no certified working point.

    Notes
    -----
    Bands are quantiles of the solved sample (2.5 and 97.5 per cent); with 400 sets their own error is about a tenth
    of the band's width.
    """
    whole, card = healthy.whole, healthy.card
    reference = card.reference_point
    meter_ohms = meter.ohms if meter is not None else np.inf
    points = points_to_read(healthy, joined=True)
    asked: list[tuple[str, Literal["volts dc", "volts ac", "ohms"], Question]] = [
        (point, "volts dc", whole.question(point, None, "volts dc", meter_ohms, reference)) for point in points
    ]
    if whole.heaters is not None:
        known = set(whole.heaters.points)
        for valve in card.valves:
            pair = healthy.networks.terminals.get(f"{valve}.heater")
            if pair is not None and pair[0] in known and pair[1] in known:
                asked.append((f"{valve}.heater", "volts ac", Question("volts ac", pair[0], pair[1], np.inf)))
    if cold:
        asked += [(ref, "ohms", whole.question(ref, None, "ohms", np.inf, reference)) for ref in _cold_pairs(healthy)]

    stack = np.concatenate([healthy.medians[None, :], _drawn(healthy, samples, seed)])
    solved = whole.solve(stack)
    solved.ht.take(np.array([0])).require()
    questions = [question for _, _, question in asked]
    read = whole.read(solved, questions, slopes=False)
    mean = read.mean[read.solved]
    middle = read.mean[0]
    low, high = np.quantile(mean, LOW, axis=0), np.quantile(mean, HIGH, axis=0)
    basis = _bases(healthy, whole.read(whole.take(solved, np.array([0])), questions).slopes[0])

    rows = _sheet_rows(healthy, asked)
    sheet_volts = _on_sheet_meters(healthy, stack[:1], rows, reference)
    out = []
    for n, (point, quantity, question) in enumerate(asked):
        values = [float(v) for v in (middle[n], low[n], high[n])]
        if quantity == "ohms":
            values = [float(to_ohms(v)) for v in values]
        row = rows.get((point, quantity))
        out.append(
            NormalReading(
                point=point,
                to=question.b if quantity != "volts dc" else reference,
                quantity=quantity,
                normal=values[0],
                low=min(values[1], values[0]),
                high=max(values[2], values[0]),
                basis=basis[n],
                service_sheet=row,
                on_sheet_meter=sheet_volts.get((point, quantity)),
            )
        )
    return Normals(
        readings=tuple(out),
        valves=tuple(_sections(healthy, stack[:1])),
        unbalanced_amps=float(solved.ht.unbalanced_amps[0]),
        last_step_volts=float(solved.ht.last_step_volts[0]),
        meter=meter,
        samples=int(read.solved.sum()) - 1,
    )


def _drawn(healthy: HealthySet, samples: int, seed: int) -> Array:
    """(samples, S) sets drawn from the background, without its heavy tails (those are what a fault is)."""
    rng = np.random.default_rng(seed)
    background = healthy.background
    z = rng.standard_normal((samples, healthy.medians.shape[0])) * background.sd
    if background.learned is not None and background.learned.shape[1]:
        # z = sd e has covariance D; conditioned on the sheet it is D - W W': those slots are drawn anew from that
        w = background.learned
        used = np.flatnonzero(np.any(w != 0.0, axis=1))
        sd = background.sd[used]
        covariance = np.diag(sd**2) - w[used] @ w[used].T
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        z[:, used] = rng.standard_normal((samples, len(used))) @ root.T
    return np.where(background.logarithmic, healthy.medians * np.exp(z), healthy.medians + z)


def _bases(healthy: HealthySet, slopes: Array) -> list[str]:
    """What the spread of each reading rests on most, by share of its variance."""
    background = healthy.background
    scale = np.where(background.logarithmic, healthy.medians, 1.0) * background.sd
    share = (slopes * scale) ** 2
    told = set(healthy.sheet_slots)
    names = [""] * share.shape[1]
    for key, column in healthy.whole.slots.items():
        basis = healthy.networks.basis.get(key, "valve, mains or age")
        if basis == "usual" and healthy.sheet is not None and key in told and background.learned is not None:
            moved = float((background.learned[column] ** 2).sum())
            basis = "service sheet" if moved > 0.3 * background.sd[column] ** 2 else basis
        names[column] = basis
    out = []
    for row in share:
        totals: dict[str, float] = {}
        for name, value in zip(names, row, strict=True):
            totals[name] = totals.get(name, 0.0) + float(value)
        out.append(max(totals, key=lambda name: totals[name]) if totals and max(totals.values()) > 0.0 else "stated")
    return out


def _sheet_rows(
    healthy: HealthySet, asked: Sequence[tuple[str, str, Question]]
) -> dict[tuple[str, str], ServiceSheetRow]:
    """The maker's row for each reading, where it was taken between the same two points."""
    points = healthy.networks
    ends = {(point, quantity): question.b for point, quantity, question in asked}
    return {
        (row.point, row.quantity): row
        for row in healthy.card.service_sheet
        if row.to is None or points.point(row.to) == ends.get((row.point, row.quantity))
    }


def _on_sheet_meters(
    healthy: HealthySet, stack: Array, rows: dict[tuple[str, str], ServiceSheetRow], reference: str
) -> dict[tuple[str, str], float]:
    volts = [row for row in rows.values() if row.quantity == "volts dc"]
    if not volts:
        return {}
    whole = healthy.whole
    questions = [whole.question(row.point, row.to, "volts dc", row.meter_ohms or np.inf, reference) for row in volts]
    read = whole.read(whole.solve(stack), questions)
    return {(row.point, "volts dc"): float(v) for row, v in zip(volts, read.mean[0], strict=True)}


def _sections(healthy: HealthySet, stack: Array) -> list[SectionState]:
    whole, card = healthy.whole, healthy.card
    solved = whole.solve(stack)
    volts = solved.ht.volts[0]
    out = []
    for element in whole.ht.network.elements:
        if not isinstance(element, ValveSection) or "anode" not in element.electrodes or element.shape == "diode":
            continue
        fitted = card.valves.get(element.valve)
        if fitted is None:
            continue
        valve = find(fitted.type, like=fitted.like, kind=fitted.kind)
        name = element.part.split(".", 1)[1]
        section = next((s for s in valve.sections if s.name == name), None)
        limits = dict(section.limits) if section is not None else {}
        branches = [find_branch(whole.ht, element.part, "anode"), find_branch(whole.ht, element.part, "cathode")]
        if "screen" in element.electrodes:
            branches.append(find_branch(whole.ht, element.part, "screen"))
        amps = branch_amps(whole.ht, solved.ht, stack[:, : whole.n_ht], branches)[0]
        below = volts[whole.ht.point(element.cathode)]
        anode = float(volts[whole.ht.point(element.electrodes["anode"])] - below)
        screen_amps = float(amps[2]) if len(amps) > 2 else 0.0
        screen = float(volts[whole.ht.point(element.electrodes["screen"])] - below) if len(amps) > 2 else 0.0
        out.append(
            SectionState(
                valve=element.valve,
                section=name,
                type=fitted.type,
                anode_volts=anode,
                anode_amps=float(amps[0]),
                screen_amps=screen_amps,
                cathode_amps=float(amps[1]),
                anode_watts=float(amps[0]) * anode,
                screen_watts=screen_amps * screen,
                anode_watts_rating=limits.get("anode_watts"),
                screen_watts_rating=limits.get("screen_watts"),
                stands_for=valve.stands_for,
            )
        )
    return out
