"""What a restorer writes down of a simulated set: meters with their errors, and mistakes of the hand.

Nothing here is taken from the product's own idea of a meter: a meter has one error of scale for all that it reads,
shows whole divisions or digits, and is put on the range a person would choose.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

__all__ = ["BenchMeter", "Row", "csv_of", "draw_meter", "make_mistakes", "shown_ohms"]

HEADER = "point,to,quantity,value,unit,meter,mains_volts,minutes_on,state,note"


@dataclass(frozen=True, slots=True)
class BenchMeter:
    """One meter on one bench.

    ``fixed_ohms`` or ``ohms_per_volt`` say how it loads; ``scale`` is its own error (1 = right), ``error_of_full``
    and
    ``error_of_reading`` the random part (standard deviations); ``steps`` divisions or counts of full scale.
    """

    name: str
    ranges: tuple[float, ...]
    steps: float
    scale: float
    error_of_full: float
    error_of_reading: float
    fixed_ohms: float | None = None
    ohms_per_volt: float | None = None

    def range_for(self, volts: float) -> float:
        """The lowest range that holds ``volts``."""
        return next((full for full in self.ranges if abs(volts) <= full), self.ranges[-1])

    def ohms_on(self, full: float) -> float:
        return self.fixed_ohms if self.fixed_ohms is not None else float(self.ohms_per_volt or 0.0) * full

    def text_on(self, full: float) -> str:
        """As written in the meter column."""
        return self.name if self.fixed_ohms is not None else f"{self.name} on {full:g} V"

    def show(self, volts: float, full: float, rng: np.random.Generator) -> float:
        """What is read off: with its errors, to a whole division or digit, never beyond full scale."""
        value = volts * self.scale * (1.0 + self.error_of_reading * rng.standard_normal())
        value += self.error_of_full * full * rng.standard_normal()
        step = full / self.steps
        return float(np.clip(np.round(value / step) * step, -1.1 * full, 1.1 * full))


def draw_meter(rng: np.random.Generator) -> BenchMeter:
    """A meter of the day: digital for half the benches."""
    which = rng.random()
    if which < 0.5:
        ranges = (0.2, 2.0, 20.0, 200.0, 600.0) if rng.random() < 0.5 else (0.6, 6.0, 60.0, 600.0)
        return BenchMeter("10M", ranges, 2000.0, 1.0 + 0.004 * rng.standard_normal(), 0.0004, 0.002, fixed_ohms=10e6)
    scale = 1.0 + 0.012 * rng.standard_normal()
    if which < 0.78:
        return BenchMeter("20k/V", (2.5, 10, 50, 250, 1000), 100.0, scale, 0.006, 0.0, ohms_per_volt=20e3)
    if which < 0.9:
        return BenchMeter("1000 ohm/V", (10, 50, 100, 250, 500), 100.0, scale, 0.008, 0.0, ohms_per_volt=1e3)
    return BenchMeter("500 ohm/V", (10, 40, 100, 400), 80.0, scale, 0.008, 0.0, ohms_per_volt=500.0)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a readings file. ``mistaken`` and ``wanted`` are known to the simulator only."""

    point: str
    to: str
    quantity: str
    value: float
    meter: str = ""
    mains_volts: float | None = None
    mistaken: str = ""


def shown_ohms(ohms: float, rng: np.random.Generator) -> float:
    """An ohmmeter's reading: a few per cent, two or three figures, ``inf`` above 20 MΩ."""
    if not ohms < 2e7:
        return float("inf")
    value = (ohms + 0.15) * float(np.exp(0.02 * rng.standard_normal()))
    if value < 0.5:
        return round(value, 1)
    digits = 2 - int(np.floor(np.log10(value)))
    return float(np.round(value, digits))


def _typed_wrong(value: float, rng: np.random.Generator) -> float:
    """A digit mistyped or two changed round."""
    if not np.isfinite(value):
        return value
    text = f"{abs(value):.0f}" if abs(value) >= 100.0 else f"{abs(value):.3g}"
    digits = [i for i, c in enumerate(text) if c.isdigit()]
    letters = list(text)
    if len(digits) > 1 and rng.random() < 0.5:
        i = int(rng.integers(0, len(digits) - 1))
        a, b = digits[i], digits[i + 1]
        letters[a], letters[b] = letters[b], letters[a]
    else:
        letters[digits[int(rng.integers(0, len(digits)))]] = str(int(rng.integers(0, 10)))
    try:
        return float(np.copysign(float("".join(letters)), value))
    except ValueError:
        return value


def make_mistakes(rows: list[Row], rng: np.random.Generator, *, rate: float = 0.05) -> list[Row]:
    """Spoil about ``rate`` of the readings: factor ten, wrong row, rows swapped, wrong range written, mistyped."""
    out = list(rows)
    volts = [i for i, row in enumerate(out) if row.quantity == "volts dc"]
    for i in range(len(out)):
        if rng.random() >= rate or out[i].mistaken:
            continue
        row = out[i]
        kind = rng.choice(
            ["factor ten", "wrong row", "swapped", "wrong range", "mistyped", "sign"],
            p=[0.25, 0.2, 0.15, 0.1, 0.25, 0.05],
        )
        others = [j for j in volts if j != i and not out[j].mistaken]
        if kind in ("wrong row", "swapped") and (row.quantity != "volts dc" or not others):
            kind = "mistyped"
        if kind in ("wrong range", "sign") and row.quantity != "volts dc":
            kind = "factor ten"
        if kind == "factor ten":
            out[i] = replace(row, value=row.value * (10.0 if rng.random() < 0.5 else 0.1), mistaken=str(kind))
        elif kind == "wrong row":
            j = others[int(rng.integers(0, len(others)))]
            out[i] = replace(row, value=out[j].value, mistaken=str(kind))
        elif kind == "swapped":
            j = others[int(rng.integers(0, len(others)))]
            out[i] = replace(row, value=out[j].value, meter=out[j].meter, mistaken=str(kind))
            out[j] = replace(out[j], value=row.value, meter=row.meter, mistaken=str(kind))
        elif kind == "wrong range":
            # read on the neighbouring scale of the dial
            out[i] = replace(row, value=row.value * float(rng.choice([0.4, 0.5, 2.0, 2.5])), mistaken=str(kind))
        elif kind == "sign":
            out[i] = replace(row, value=-row.value, mistaken=str(kind))
        else:
            out[i] = replace(row, value=_typed_wrong(row.value, rng), mistaken=str(kind))
    return out


def csv_of(rows: list[Row], observations: list[str]) -> str:
    """A readings file; an observation of one valve is ``anode glows of V4``."""
    lines = [HEADER]
    for row in rows:
        mains = "" if row.mains_volts is None else f"{row.mains_volts:.0f}"
        lines.append(f"{row.point},{row.to},{row.quantity},{row.value:.6g},,{row.meter},{mains},,now,")
    for seen in observations:
        word, _, valve = seen.partition(" of ")
        lines.append(f"{valve},,observation,{word},,,,,now,")
    return "\n".join(lines) + "\n"
