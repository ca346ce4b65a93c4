"""How many readings it takes to isolate a fault: by the advised checks, and by a fixed order from supply to aerial.

Both start with nothing but what was seen and heard, both are judged by the same inference, and both end when the part
at fault has nine tenths of the probability or has been proved by a direct test. The fixed order reads every electrode
from the supply through the output stage to the aerial, then proves the parts one after another in the same order.
A reading and a proof count one each. Readings are as often mistaken as anywhere else.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from twin_readings import Row, csv_of, make_mistakes, shown_ohms
from twin_set import Twin, TwinCard, take_reading

from hetwright.faults.advice import advise, with_cold_checks_done
from hetwright.faults.diagnosis import Diagnosis
from hetwright.faults.suspects import Prepared
from hetwright.readings.csv_file import parse_csv
from hetwright.readings.meter import Meter
from hetwright.safety import GuardContext

__all__ = ["advised_readings", "fixed_readings"]

ENOUGH = 0.9
MOST = 45
#: stages from the supply to the aerial
ORDER = (
    "supply", "output", "output_a", "output_b", "audio_2", "audio", "detector", "indicator", "if_amp_2", "if_amp",
    "frequency_changer", "rf_amp", "fm_tuner",
)  # fmt: skip
ELECTRODES = ("anode", "screen_grid", "cathode", "control_grid", "target", "triode_anode", "oscillator_anode", "grid")


def _without(found: Diagnosis, cleared: set[str], prepared: Prepared) -> Diagnosis:
    """The diagnosis once some parts have been proved good."""
    if not cleared:
        return found
    bad = {n for n, fault in enumerate(prepared.faults) if fault.part in cleared}
    kept = [h for h in found.hypotheses if not bad & set(h.faults)]
    total = sum(h.probability for h in kept) + found.not_listed_probability
    if total <= 0.0:
        return found
    hypotheses = tuple(replace(h, probability=h.probability / total) for h in kept)
    marginal = np.zeros(len(prepared.faults))
    for h in hypotheses:
        for f in h.faults:
            marginal[f] += h.probability
    return replace(
        found,
        hypotheses=hypotheses,
        not_listed_probability=found.not_listed_probability / total,
        fault_probability=marginal,
    )


def _isolated(found: Diagnosis, prepared: Prepared, part: str) -> bool:
    own = [n for n, fault in enumerate(prepared.faults) if fault.part == part]
    return float(found.fault_probability[own].sum()) >= ENOUGH


class _Bench:
    """A twin on the bench: what has been read of it so far."""

    def __init__(self, card: TwinCard, twin: Twin, prepared: Prepared, seed: int) -> None:
        self.card, self.twin, self.prepared = card, twin, prepared
        self.rng = np.random.default_rng([seed, twin.card_number, 991])
        self.rows: list[Row] = []
        self.part = twin.faults[0].key.partition("|")[0]
        self.cleared: set[str] = set()

    def diagnosis(self):  # type: ignore[no-untyped-def]
        """(case, diagnosis) of everything read so far."""
        nothing = not self.rows and not self.twin.observations
        case = self.prepared.case(() if nothing else parse_csv(csv_of(self.rows, self.twin.observations)))
        return case, _without(self.prepared.diagnose(case), self.cleared, self.prepared)

    def read_volts(self, point: str) -> bool:
        row, _ = take_reading(self.card, self.twin.ht_slots, self.twin.heater_slots, point, self.twin.meter, self.rng)
        if row is None:
            return False
        self.rows += make_mistakes([replace(row, mains_volts=self.twin.mains_volts)], self.rng)
        return True

    def read_ohms(self, a: str, b: str) -> None:
        ohms = shown_ohms(self.card.cold_ohms(self.twin.ht_slots, a, b), self.rng)
        self.rows += make_mistakes([Row(a, b, "ohms", ohms)], self.rng)


def advised_readings(card: TwinCard, twin: Twin, prepared: Prepared, seed: int) -> int:
    """Readings and proofs until the one fault of a twin is isolated, following the first advice each time."""
    bench = _Bench(card, twin, prepared, seed)
    context = with_cold_checks_done(GuardContext.from_card(card.given))
    meter = twin.meter
    used = Meter.from_text(meter.text_on(meter.ranges[-2]))
    skip: set[str] = set()
    power = False
    for count in range(MOST):
        case, found = bench.diagnosis()
        if _isolated(found, prepared, bench.part):
            return count
        advice, _ = advise(
            prepared, case, found, context, meter=used, power_is_on=power, most=1, skip=frozenset(skip)
        )
        if not advice:
            return MOST
        best = advice[0]
        skip.add(best.check)
        power = best.power == "on"
        if best.quantity == "volts dc":
            bench.read_volts(best.point)
        elif best.quantity == "ohms":
            bench.read_ohms(best.point, best.to or "chassis")
        elif best.fault is not None:
            part = prepared.faults[best.fault].part
            if part == bench.part:
                return count + 1
            bench.cleared.add(part)
    return MOST


def _fixed_points(card: TwinCard) -> list[str]:
    usual = card.usual_points()
    valves = {stage.name: stage.valve for stage in card.design.stages}
    out = [p for p in usual if p.startswith("HT") or p == "ht_negative"]
    for stage in ORDER:
        valve = valves.get(stage)
        own = [p for p in usual if p.partition(".")[0] == valve and p not in out]
        out += sorted(own, key=lambda p: next((n for n, e in enumerate(ELECTRODES) if p.endswith(e)), 99))
    return out + [p for p in usual if p not in out]


def fixed_readings(card: TwinCard, twin: Twin, prepared: Prepared, seed: int) -> int:
    """The same, reading everything from the supply to the aerial and then proving the parts in that order."""
    bench = _Bench(card, twin, prepared, seed)
    count = 0
    for point in _fixed_points(card):
        _, found = bench.diagnosis()
        if _isolated(found, prepared, bench.part):
            return count
        bench.read_volts(point)
        count += 1
    _, found = bench.diagnosis()
    if _isolated(found, prepared, bench.part):
        return count
    rank = {name: n for n, name in enumerate(ORDER)}
    parts = sorted(
        {fault.part: fault.role for fault in prepared.faults}.items(),
        key=lambda item: rank.get(item[1].partition(".")[0], 99),
    )
    for part, _ in parts:
        count += 1
        if part == bench.part or count >= MOST:
            break
    return min(count, MOST)
