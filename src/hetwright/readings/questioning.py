"""Readings that cannot be: questioned before anything is concluded from them.

A fault moves a reading too, so a slip is supposed only where the reading lies far outside what is normal *and* one
plain slip (a range, a unit, a sign, two rows exchanged) puts it right inside. Nothing is corrected here: the restorer
is asked. Limits are in ``trade/readings.toml``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from hetwright.errors import InputFault
from hetwright.readings.meter import Meter
from hetwright.readings.reading import Reading, reading_sd, written_value
from hetwright.readings.words import facts

__all__ = ["Expected", "Question", "QuestionKind", "Surroundings", "question"]

QuestionKind = Literal[
    "range or unit", "sign", "reference", "swapped", "mains", "above source", "cathode above anode"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What a reading ought to be: SI value through the meter it was taken with, and the spread of that (one standard
    deviation, tolerance and valve spread included, the meter's own error left out)."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What else is known of the set.

    Parameters
    ----------
    mains_rms_volts : float, optional
        The mains the set is for, or the tapping it is on.
    highest_direct_volts, highest_rms_volts : float, optional
        The most any source in the set can give: direct (at switch-on, no load), and r.m.s.
    other_references : mapping of str to float
        Volts of other points the black lead is easily left on, relative to the card's reference point, such as
        ``{"chassis": 9.5}`` where the reference is HT negative.
    """

    mains_rms_volts: float | None = None
    highest_direct_volts: float | None = None
    highest_rms_volts: float | None = None
    other_references: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A reading that is doubted, and why, in one sentence.

    ``index`` is its place in the readings given; ``other_index`` that of the row it seems exchanged with.
    ``supposed`` is the value it probably was (SI), ``None`` where only the reading is doubted.
    """

    index: int
    kind: QuestionKind
    reading: Reading
    sentence: str
    supposed: float | None = None
    other_index: int | None = None


def question(
    readings: Sequence[Reading],
    expected: Sequence[Expected | None],
    surroundings: Surroundings | None = None,
    *,
    meter: Meter | None = None,
) -> tuple[Question, ...]:
    """Every reading that cannot well be as it stands.

    Parameters
    ----------
    readings : sequence of Reading
    expected : sequence of Expected or None, as long as ``readings``
        What each ought to be in a healthy set; ``None`` where nothing is known.
    surroundings : Surroundings, optional
    meter : Meter, optional
        What readings were taken with that do not say.

    Returns
    -------
    questions : tuple of Question
        In the order of the readings; of one reading at most one of its value and one of the mains beside it.

    Raises
    ------
    ValueError
        The two sequences differ in length.

    Examples
    --------
    >>> from hetwright.readings.reading import parse_reading
    >>> asked = question([parse_reading("V3.anode 18.2 V")], [Expected(value=185.0, sd=12.0)])
    >>> asked[0].supposed
    182.0
    """
    if len(readings) != len(expected):
        raise ValueError(f"{len(readings)} readings but {len(expected)} expected values")
    around = surroundings or Surroundings()
    found: dict[tuple[int, bool], Question] = {}
    # the most telling explanation first; a value is asked about once
    for asked in (
        *_mains(readings, around),
        *_swapped(readings, expected, meter),
        *_slips(readings, expected, around, meter),
        *_above_source(readings, around),
        *_cathode_above_anode(readings),
    ):
        found.setdefault((asked.index, asked.kind == "mains"), asked)
    return tuple(found[key] for key in sorted(found))


def _limits() -> dict[str, Any]:
    return dict(facts()["questioning"])


def _misfit(value: float, expected: Expected, sd: float) -> float:
    spread = math.hypot(expected.sd, sd)
    if spread > 0:
        return abs(value - expected.value) / spread
    return 0.0 if value == expected.value else math.inf


def _says(reading: Reading) -> str:
    return f"{reading.point}{'' if reading.to is None else ' to ' + reading.to} says {reading.written}"


def _short(value: float, quantity: str) -> str:
    return written_value(value, quantity, digits=3)


def _judged(reading: Reading, expected: Expected | None) -> bool:
    return (
        expected is not None
        and reading.quantity != "observation"
        and math.isfinite(reading.value)
        and math.isfinite(expected.value)
        and math.isfinite(expected.sd)
    )


def _slips(
    readings: Sequence[Reading], expected: Sequence[Expected | None], around: Surroundings, meter: Meter | None
) -> Iterable[Question]:
    limits = _limits()
    for index, (reading, normal) in enumerate(zip(readings, expected, strict=True)):
        if normal is None or not _judged(reading, normal):
            continue
        sd = reading_sd(reading, meter=meter)
        if _misfit(reading.value, normal, sd) <= limits["misfit_sds"]:
            continue
        head = f"{_says(reading)} where {_short(normal.value, reading.quantity)} is normal"
        # where nought is normal too, any shrinking fits and nothing is learnt from it
        sure = abs(normal.value) > limits["fit_sds"] * normal.sd
        for slip in limits["slip"] if sure else ():
            supposed = _times(reading.value, slip["factor"])
            if reading.quantity in slip["quantities"] and _fits(supposed, reading, normal, sd * slip["factor"]):
                yield Question(
                    index=index,
                    kind="range or unit",
                    reading=reading,
                    supposed=supposed,
                    sentence=f"{head}: probably {_short(supposed, reading.quantity)} {slip['what']}.",
                )
                break
        else:
            yield from _references(index, reading, normal, sd, head, around, sure=sure)


def _times(value: float, factor: float) -> float:
    """Decimal shifts without binary dust: 18.2 ten times is 182."""
    return value * factor if factor >= 1 else value / round(1 / factor)


def _fits(value: float, reading: Reading, normal: Expected, sd: float) -> bool:
    if reading.value == 0 or not _misfit(value, normal, sd) <= _limits()["fit_sds"]:
        return False
    try:
        written_value(value, reading.quantity)
    except InputFault:
        return False
    return True


def _references(
    index: int, reading: Reading, normal: Expected, sd: float, head: str, around: Surroundings, *, sure: bool
) -> Iterable[Question]:
    if not reading.quantity.endswith(" dc"):
        return
    if sure and _fits(-reading.value, reading, normal, sd):
        why = "the leads were the wrong way round" if reading.value < 0 else "its minus sign was left out"
        supposed = _short(-reading.value, reading.quantity)
        yield Question(
            index=index,
            kind="sign",
            reading=reading,
            supposed=-reading.value,
            sentence=f"{head}: probably {supposed}, and {why}.",
        )
        return
    if reading.to is not None or reading.quantity != "volts dc":
        return
    for other, volts in around.other_references.items():
        supposed_volts = reading.value + volts
        if _fits(supposed_volts, reading, normal, sd):
            yield Question(
                index=index,
                kind="reference",
                reading=reading,
                supposed=supposed_volts,
                sentence=f"{head}: probably read to {other}, which makes it {_short(supposed_volts, 'volts dc')}.",
            )
            return


def _swapped(
    readings: Sequence[Reading], expected: Sequence[Expected | None], meter: Meter | None
) -> Iterable[Question]:
    """Two readings of one kind that both fit when exchanged."""
    limits = _limits()
    odd: list[tuple[int, Reading, Expected]] = []
    for index, (reading, normal) in enumerate(zip(readings, expected, strict=True)):
        if normal is None or not _judged(reading, normal):
            continue
        if _misfit(reading.value, normal, reading_sd(reading, meter=meter)) > limits["misfit_sds"]:
            odd.append((index, reading, normal))
    taken: set[int] = set()
    for place, (i, first, first_normal) in enumerate(odd):
        # nearest rows first: it is neighbours that are exchanged
        for j, second, second_normal in odd[place + 1 :]:
            if {i, j} & taken or first.quantity != second.quantity or first.to != second.to:
                continue
            if _misfit(second.value, first_normal, reading_sd(second, meter=meter)) > limits["fit_sds"]:
                continue
            if _misfit(first.value, second_normal, reading_sd(first, meter=meter)) > limits["fit_sds"]:
                continue
            taken |= {i, j}
            for index, reading, other_index, other in ((i, first, j, second), (j, second, i, first)):
                yield Question(
                    index=index,
                    kind="swapped",
                    reading=reading,
                    supposed=other.value,
                    other_index=other_index,
                    sentence=(
                        f"{_says(reading)} and {other.point} {other.written}: "
                        f"each is normal for the other, so the two rows are probably exchanged."
                    ),
                )


def _mains(readings: Sequence[Reading], around: Surroundings) -> Iterable[Question]:
    nominal = around.mains_rms_volts
    if nominal is None:
        return
    limits = _limits()["mains"]
    said: set[float] = set()
    for index, reading in enumerate(readings):
        is_mains = reading.point in ("mains", "mains_live") and reading.quantity == "volts ac"
        volts = reading.value if is_mains else reading.mains_volts
        if volts is None or volts in said:
            continue
        ratio = volts / nominal - 1.0
        if -limits["low_fraction"] <= ratio <= limits["high_fraction"]:
            continue
        said.add(volts)
        how = f"{abs(ratio) * 100:.0f} % {'above' if ratio > 0 else 'below'}"
        yield Question(
            index=index,
            kind="mains",
            reading=reading,
            sentence=(
                f"The mains says {_short(volts, 'volts ac')}, {how} the {nominal:g} V the set is for: "
                f"every reading will be {'high' if ratio > 0 else 'low'} with it; check the figure and the tapping."
            ),
        )


def _above_source(readings: Sequence[Reading], around: Surroundings) -> Iterable[Question]:
    margin = 1.0 + _limits()["above_source_fraction"]
    for index, reading in enumerate(readings):
        highest = {"volts dc": around.highest_direct_volts, "volts ac": around.highest_rms_volts}.get(
            reading.quantity
        )
        if highest is None or abs(reading.value) <= highest * margin:
            continue
        yield Question(
            index=index,
            kind="above source",
            reading=reading,
            sentence=(
                f"{_says(reading)}, but nothing in this set gives more than "
                f"{_short(highest, reading.quantity)}: probably the wrong range or a slip of the pen."
            ),
        )


_ANODES = ("anode", "screen_grid")


def _cathode_above_anode(readings: Sequence[Reading]) -> Iterable[Question]:
    """A cathode above every electrode that could feed it: a pentode's screen may feed it when the anode is open."""
    by_point: dict[tuple[str, str | None], float] = {}
    for reading in readings:
        if reading.quantity == "volts dc":
            by_point[reading.point, reading.to] = reading.value
    for index, reading in enumerate(readings):
        valve, _, electrode = reading.point.partition(".")
        section = electrode.removesuffix("cathode")
        if reading.quantity != "volts dc" or not electrode.endswith("cathode") or reading.value <= 0:
            continue
        fed = {
            name: by_point[f"{valve}.{section}{name}", reading.to]
            for name in _ANODES
            if (f"{valve}.{section}{name}", reading.to) in by_point
        }
        if "anode" not in fed or reading.value <= max(fed.values()) + _limits()["cathode_above_volts"]:
            continue
        yield Question(
            index=index,
            kind="cathode above anode",
            reading=reading,
            sentence=(
                f"{_says(reading)}, above its own anode at {_short(fed['anode'], 'volts dc')}: "
                f"probably another pin, or the rows are exchanged; read both again."
            ),
        )
