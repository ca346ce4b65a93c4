"""The main job: a card and what was read and seen, to suspects.

This module joins the rooms: the card's networks, the background of age, the faults, the readings as inference takes
them. The arithmetic is in :mod:`~hetwright.faults.inference` and :mod:`~hetwright.faults.diagnosis`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hetwright.card.model import SetCard, State
from hetwright.circuit.prediction import Prediction
from hetwright.circuit.solver import Effort
from hetwright.circuit.whole_set import Question, Solved, WholeSet, to_compared, to_ohms
from hetwright.errors import Complaint, InputFault, NotSolved
from hetwright.readings.meter import Meter
from hetwright.readings.reading import Reading, reading_sd

from .diagnosis import Bench, Diagnosis, ReadingSet, SearchLimits
from .healthy import HealthySet, facts, healthy_set
from .hypotheses import NumberPrior
from .model import Fault
from .modes import faults_of
from .observations import Observation, ObservationModel, Signs, default_model
from .rates import RateTable
from .signs import SignReader

__all__ = ["Case", "Prepared", "number_prior", "prepare"]

Array = NDArray[np.float64]

HT_POINTS = ("HT1", "HT2", "HT3")


def number_prior() -> NumberPrior:
    """Prior over the number of faults, from ``trade/inference.toml``."""
    table = facts()["number_of_faults"]
    return NumberPrior(
        count=(table["none"], table["one"], table["two"], table["three"]), not_listed=table["not_listed"]
    )


class _Asked:
    """A whole set with its signs, as :class:`~hetwright.faults.diagnosis.Bench` asks it."""

    def __init__(self, whole: WholeSet, signs: SignReader) -> None:
        self.whole = whole
        self._signs = signs

    def solve(self, stack: Array, start: Solved | None = None, *, effort: Effort = "full") -> Solved:
        return self.whole.solve(stack, start, effort=effort)

    def solve_alike(self, stack: Array) -> Solved:
        # the odd row that only a long search would find is refused: such a hypothesis is not searched
        return self.whole.solve_alike(stack, effort="brisk")

    def read(self, solved: Solved, questions: Sequence[Question], *, slopes: bool = True) -> Prediction:
        return self.whole.read(solved, questions, slopes=slopes)

    def take(self, solved: Solved, rows: NDArray[np.intp]) -> Solved:
        return self.whole.take(solved, rows)

    def added_up(self, solved: Solved, rows: NDArray[np.intp]) -> Solved:
        return self.whole.added_up(solved, rows)

    def signs(self, solved: Solved) -> Signs:
        return self._signs(solved)

    def same_everywhere(self, solved: Solved, rows: NDArray[np.intp]) -> Array:
        return self.whole.same_everywhere(solved, rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What was read and seen of a set, sorted for inference.

    readings : the numeric ones, in order, as inference takes them; ``taken`` are the readings themselves
    observed : plain observations
    hum_hertz : pitches of hum that were read
    left_out : readings that nothing in this set answers to, each with the reason
    mains_volts : what the mains was read as, or None
    """

    readings: ReadingSet
    taken: tuple[Reading, ...]
    observed: tuple[Observation, ...]
    hum_hertz: tuple[float, ...] = ()
    left_out: tuple[tuple[Reading, str], ...] = ()
    mains_volts: float | None = None


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """A set ready to be diagnosed: everything that does not depend on readings."""

    healthy: HealthySet
    faults: tuple[Fault, ...]
    bench: Bench
    observations: ObservationModel = field(default_factory=default_model)

    @property
    def card(self) -> SetCard:
        return self.healthy.card

    @property
    def whole(self) -> WholeSet:
        return self.healthy.whole

    def case(self, readings: Sequence[Reading], meter: Meter | None = None) -> Case:
        """Sort readings for inference; see :class:`Case`.

        Parameters
        ----------
        readings : sequence of Reading
        meter : Meter, optional
            What a reading was taken on when it does not say.

        Raises
        ------
        InputFault
            When a reading names a point that the set does not have.
        """
        return _case(self, readings, meter)

    def diagnose(self, case: Case, on_progress: Callable[[int, int], None] | None = None) -> Diagnosis:
        """Compare every hypothesis on a case."""
        observe = None
        if case.observed or case.hum_hertz:
            model, hertz = self.observations, self.card.mains_hertz

            def observe(signs: Signs, shown: Array) -> Array:
                total = model.log_likelihood(case.observed, signs, shown)
                for pitch in case.hum_hertz:
                    total = total + model.hum_pitch_log_likelihood(pitch, hertz, signs, shown)
                return total

        return self.bench.diagnose(case.readings, observe, on_progress)


def prepare(
    card: SetCard,
    state: State = "now",
    *,
    mains_volts: float | None = None,
    rates: RateTable | None = None,
    limits: SearchLimits | None = None,
    law: Any = None,
    number: NumberPrior | None = None,
) -> Prepared:
    """Make a set ready for diagnosis: networks, faults, background, and every single fault solved.

    Parameters
    ----------
    card : SetCard
    state : "drawn", "found" or "now"
    mains_volts : float, optional
        R.m.s. volts the mains was read as; the set's nominal mains, with its spread, otherwise.
    rates, limits, law, number : optional
        In place of the book's.

    Raises
    ------
    NotSolved
        If the set as it should be has no certified working point.
    """
    healthy = healthy_set(card, state, mains_volts=mains_volts, rates=rates, law=law)
    networks, whole = healthy.networks, healthy.whole
    faults = faults_of(card, networks, state=state, rates=rates)
    signs = SignReader(card, whole, healthy.medians)
    bench = Bench(
        _Asked(whole, signs),
        faults,
        healthy.medians,
        healthy.background,
        whole.slots,
        number or number_prior(),
        limits,
        default_model().shows_array([fault.shows for fault in faults]),
    )
    return Prepared(healthy=healthy, faults=faults, bench=bench)


# ---- readings


def _compared(value: float, quantity: str) -> float:
    return float(to_compared(value)) if quantity == "ohms" else value


def _case(prepared: Prepared, readings: Sequence[Reading], meter: Meter | None) -> Case:
    table = facts()
    whole, card = prepared.whole, prepared.card
    questions: list[Question] = []
    values: list[float] = []
    sds: list[float] = []
    wrongs: list[float] = []
    taken: list[Reading] = []
    observed: list[Observation] = []
    hums: list[float] = []
    left_out: list[tuple[Reading, str]] = []
    mains = None
    complaints: list[Complaint] = []
    healthy = whole.ht.solve(whole.ht.base()[None, :])
    top = float(np.nanmax(np.abs(healthy.volts))) if healthy.certified[0] else 250.0
    wrong = table["wrong_reading"]
    for reading in readings:
        if reading.quantity == "observation":
            valve = reading.point.partition(".")[0]
            observed.append(Observation(reading.observation or "", valve if valve in card.valves else None))
            continue
        if reading.quantity == "hum":
            hums.append(reading.value)
            continue
        if reading.quantity == "volts ac" and reading.point == "mains":
            mains = reading.value
            continue
        if reading.quantity in ("gain", "amps ac"):
            left_out.append((reading, "nothing computes it yet from this command"))
            continue
        why = whole.why_not(reading.point, reading.quantity)
        if why:
            left_out.append((reading, why))
            continue
        used = reading.meter or meter
        meter_ohms = used.ohms if used is not None else table["unstated_meter"]["ohms"]
        try:
            to = _across_winding(prepared, reading) or reading.to
            question = whole.question(reading.point, to, reading.quantity, meter_ohms, card.reference_point)
        except InputFault as fault:
            complaints += [replace(c, file=reading.file, line=reading.line) for c in fault.complaints]
            continue
        questions.append(question)
        taken.append(reading)
    if complaints:
        raise InputFault(complaints)
    asked = whole.take(prepared.bench.solved, np.array([0]))
    normal = whole.read(asked, questions, slopes=False).mean[0]
    for reading, usual in zip(taken, normal, strict=True):
        value, sd, wrong_sd = _measure(
            reading, reading.meter or meter, float(usual), top, table["model_error"], wrong
        )
        values.append(value)
        sds.append(sd)
        wrongs.append(wrong_sd)
    return Case(
        readings=ReadingSet(
            questions=tuple(questions),
            values=np.array(values),
            sd=np.array(sds),
            wrong_sd=np.array(wrongs),
            labels=tuple(_label(reading) for reading in taken),
            wrong_bonus=_slips(taken, np.array(values), normal, np.array(sds), np.array(wrongs), wrong),
            wrong_probability=np.array(
                [wrong["ohms_probability" if r.quantity == "ohms" else "probability"] for r in taken]
            ),
        ),
        taken=tuple(taken),
        observed=tuple(observed),
        hum_hertz=tuple(hums),
        left_out=tuple(left_out),
        mains_volts=mains,
    )


def _slips(
    taken: Sequence[Reading], values: Array, normal: Array, sds: Array, wrongs: Array, table: Mapping[str, Any]
) -> Array:
    """(R,) log of how much denser the slips people make are at each value than the wide normal of a wrong reading.

    A wrong reading is on the wrong range or mistyped (a factor on what is normal), or it belongs to another row, or it is
    anything.
    """
    out = np.zeros(len(values))
    volts = np.array([r.quantity == "volts dc" for r in taken], dtype=bool)
    root = np.sqrt(2.0 * np.pi)
    for n in np.flatnonzero(volts):
        wide = np.exp(-0.5 * ((values[n] - normal[n]) / wrongs[n]) ** 2) / (wrongs[n] * root)
        read = max(abs(values[n]), 2.0 * sds[n])
        expected = max(abs(normal[n]), sds[n])
        off = np.log(read / expected) / table["factor_log_sd"]
        factor = np.exp(-0.5 * off**2) / (read * table["factor_log_sd"] * root)
        others = values[volts & (np.arange(len(values)) != n)]
        row = 0.0
        if len(others):
            near = np.maximum(0.03 * np.abs(others), sds[n])
            row = float(np.mean(np.exp(-0.5 * ((values[n] - others) / near) ** 2) / (near * root)))
        dense = table["factor_share"] * factor + table["row_share"] * row + table["anything_share"] * wide
        out[n] = np.log(dense / max(wide, 1e-12))
    return np.clip(out, -1.0, 6.0)


def _across_winding(prepared: Prepared, reading: Reading) -> str | None:
    """Where an anode's winding really goes, when ohms were read to "the HT" of a set whose smoothing is only assumed."""
    if prepared.card.complete or reading.quantity != "ohms" or reading.to not in HT_POINTS:
        return None
    networks, known = prepared.healthy.networks, set(prepared.whole.ht.points)
    for pair in networks.terminals.values():
        if networks.point(reading.point) == pair[0] and pair[1] in HT_POINTS and pair[1] in known:
            return pair[1]
    return None


def _label(reading: Reading) -> str:
    return f"{reading.point}{f' to {reading.to}' if reading.to else ''} {reading.quantity}"


def _measure(
    reading: Reading,
    meter: Meter | None,
    normal: float,
    top: float,
    errors: Mapping[str, Any],
    wrong: Mapping[str, Any],
) -> tuple[float, float, float]:
    """Value as compared, its standard deviation (meter and model), and that of a wrong one.

    A meter is put on the range of what it is meant to find: "0 V" where 200 V is normal means a volt or less.
    """
    if reading.quantity == "ohms":
        table = errors["ohms"]
        relative = (
            0.02 if not np.isfinite(reading.value) else reading_sd(reading, meter=meter) / (1.0 + reading.value)
        )
        return float(to_compared(reading.value)), float(np.hypot(table["log_sd"], relative)), wrong["log_sd"]
    own = reading_sd(reading, meter=meter)
    size = abs(reading.value)
    if reading.quantity == "volts dc":
        table = errors["volts"]
        # parts that add: so much of the reading, of HT, of what is normal there, and what no meter shows
        model = np.sqrt(
            (table["fraction"] * size) ** 2
            + (table["fraction_of_ht"] * min(top, 20.0 * size + 5.0)) ** 2
            + (table["fraction_of_normal"] * normal) ** 2
            + table["floor_volts"] ** 2
        )
        return (
            reading.value,
            float(np.hypot(own, model)),
            max(wrong["fraction_of_normal"] * max(size, abs(normal)), wrong["at_least_volts"]),
        )
    if reading.quantity == "volts ac":
        table = errors["heater_volts"]
        return (
            size,
            float(np.sqrt(own**2 + (table["fraction"] * size) ** 2 + table["floor_volts"] ** 2)),
            max(size, wrong["at_least_volts"]),
        )
    if reading.quantity == "amps dc":
        table = errors["amps"]
        return (
            reading.value,
            float(np.sqrt(own**2 + (table["fraction"] * size) ** 2 + table["floor_amps"] ** 2)),
            max(size, 0.01),
        )
    table = errors["watts"]
    return (
        reading.value,
        float(np.sqrt(own**2 + (table["fraction"] * size) ** 2 + table["floor_watts"] ** 2)),
        max(size, 10.0),
    )


def shown(value: float, question: Question) -> float:
    """A compared value back in the unit a person reads."""
    if question.kind.startswith("ohms"):
        return float(to_ohms(value))
    return value


def require_solved(diagnosis: Diagnosis) -> None:
    """Refuse to print probabilities that rest on nothing.

    Raises
    ------
    NotSolved
        When no hypothesis has a certified working point.
    """
    if not diagnosis.hypotheses:
        raise NotSolved("no hypothesis has a certified working point with these readings")
