"""Readings: what was read, where, on which meter, when.

Values are SI floats; the written line is at the edge. The readings file is :mod:`hetwright.readings.csv_file`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Literal, TypedDict, cast

from hetwright.errors import Complaint, InputFault, OutOfRange
from hetwright.quantities import (
    DecimalMark,
    Unit,
    format_ohms,
    format_value,
    format_volts,
    parse,
)
from hetwright.readings.meter import Meter
from hetwright.readings.meter import facts as meter_facts
from hetwright.readings.words import (
    OBSERVATIONS,
    QUANTITIES,
    facts,
    find_observation,
    is_alternating,
    near,
    observation_point,
    point_named,
)

__all__ = ["Quantity", "Reading", "Taken", "parse_reading", "reading_sd", "written_value"]

Quantity = Literal["volts dc", "volts ac", "ohms", "amps dc", "amps ac", "watts", "hum", "gain", "observation"]
Taken = Literal["found", "now"]

OPEN_WORDS = frozenset({"open", "o/c", "oc", "ol", "o.l", "o.l.", "0l", "0.l", "inf", "infinite", "infinity", "∞"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One thing read or seen.

    Parameters
    ----------
    point, to : str, str or None
        Canonical points; ``to`` ``None`` is the card's reference point, or across the part when ``point`` is a part.
    quantity : str
        One of ``QUANTITIES``.
    value : float
        In SI units; of ohms it may be ``inf`` (open); of an observation it is 1.0 (it was seen).
    meter : Meter, optional
        What it was read on; ``None`` where nothing is said.
    mains_volts, minutes_on : float, optional
        R.m.s. volts of the mains, and minutes since switching on, at the time.
    state : {"found", "now"}
        Before any repair of ours, or as the set stands now.
    observation : str, optional
        The canonical word, for an observation only.
    file, line : str, int, optional
        Where it was written; no part of a comparison.

    Raises
    ------
    OutOfRange
        A value no reading has.
    """

    point: str
    quantity: Quantity
    value: float
    to: str | None = None
    meter: Meter | None = None
    mains_volts: float | None = None
    minutes_on: float | None = None
    state: Taken = "now"
    note: str = ""
    observation: str | None = None
    file: str | None = field(default=None, compare=False)
    line: int | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        if self.quantity not in QUANTITIES:
            raise InputFault(
                Complaint(wrong=f"unknown quantity {self.quantity!r}", right=f"use {', '.join(QUANTITIES)}")
            )
        if (self.quantity == "observation") != (self.observation is not None):
            raise InputFault(
                Complaint(
                    wrong=f"{self.point}: only an observation has a word", right=f"use {', '.join(OBSERVATIONS)}"
                )
            )
        if self.observation is not None and self.observation not in OBSERVATIONS:
            raise InputFault(
                Complaint(
                    wrong=f"unknown observation {self.observation!r}",
                    right=f"did you mean {near(self.observation, list(OBSERVATIONS))}?",
                )
            )
        if self.quantity != "observation":
            check_size(self.value, self.quantity)

    @property
    def unit(self) -> str:
        """The SI unit of the value: volts, ohms, amps, watts, hertz, ratio; "word" of an observation."""
        return str(facts()["quantity"][self.quantity]["unit"])

    @property
    def written(self) -> str:
        """The value as the trade writes it, four digits."""
        return written_value(self.value, self.quantity, observation=self.observation)

    def __str__(self) -> str:
        if self.observation is not None:
            return _observation_written(self.point, self.observation)
        to = "" if self.to is None else f" to {self.to}"
        on = "" if self.meter is None else f" on {self.meter}"
        # a.c. is written anyway; d.c. where the place alone would mean the other
        kind = " d.c." if self.quantity.endswith(" dc") and is_alternating(self.point) else ""
        return f"{self.point}{to} {self.written}{kind}{on}"


def written_value(value: float, quantity: str, *, observation: str | None = None, digits: int | None = 4) -> str:
    """A value of some quantity for a person: ``182 V``, ``230 V a.c.``, ``open``, ``gain 54``."""
    if quantity == "observation":
        return observation or "seen"
    unit = facts()["quantity"][quantity]["unit"]
    if unit == "ohms":
        return format_ohms(value, digits=digits if math.isfinite(value) else None)
    if unit == "ratio":
        return f"gain {value:.{digits or 17}g}"
    written = format_value(value, cast(Unit, unit), digits=digits)
    return f"{written} a.c." if quantity.endswith(" ac") else written


def check_size(value: float, quantity: str) -> None:
    record = facts()["quantity"][quantity]
    if math.isnan(value):
        raise OutOfRange(
            Complaint(wrong=f"a reading of {quantity} is no number", right="leave the row out if nothing was read")
        )
    if quantity == "ohms" and value == math.inf:
        return
    if not abs(value) <= record["most"]:
        limit = written_value(record["most"], quantity)
        raise OutOfRange(
            Complaint(
                wrong=f"{value:g} {record['unit']} is beyond any reading of {quantity}", right=f"stay below {limit}"
            )
        )
    if value < 0 and not record["signed"]:
        raise OutOfRange(
            Complaint(wrong=f"{value:g}: {quantity} cannot be negative", right="write it without the sign")
        )


def _observation_written(point: str, word: str) -> str:
    record = facts()["observation"][word]
    if point == record.get("where"):
        return word
    return f"{point.removesuffix('.' + record['electrode']) if 'electrode' in record else point} {word}"


def reading_sd(reading: Reading, *, meter: Meter | None = None) -> float:
    """How far a reading may be out because of what it was read with.

    Parameters
    ----------
    reading : Reading
    meter : Meter, optional
        What it was read on where the reading itself does not say; without either, a digital meter's accuracy.

    Returns
    -------
    sd : float
        One standard deviation in the unit of the reading; zero for an observation and on an ideal meter, ``inf`` for
        open ohms.

    Notes
    -----
    Source: ``trade/meters.toml``. Volts by the meter; other quantities by what an ordinary bench reads.

    Examples
    --------
    >>> reading_sd(parse_reading("V3.anode 182 V on 20k/V on 250 V"))
    3.75
    """
    if reading.quantity == "observation":
        return 0.0
    other = meter_facts()["other"].get(reading.quantity)
    beside = max(other["fraction"] * abs(reading.value), other["at_least"]) if other is not None else 0.0
    if reading.unit != "volts":
        return float(beside)
    used = reading.meter or meter or Meter(kind="digital", ohms=meter_facts()["digital"]["usual_ohms"])
    return math.hypot(used.sd_volts(reading.value), beside)


# --- one line, as a restorer says it -------------------------------------------------------------------------------

_VALUE_START = re.compile(r"[+\-−–]?[.,]?\d|[½¼¾∞]", re.ASCII)
_KIND = re.compile(r"\s*\(?\b(?:(?P<dc>d\.?c\.?)|(?P<ac>a\.?c\.?|r\.?m\.?s\.?))\)?(?![\w.])", re.IGNORECASE)
_OHMS = r"(?:ohms?|Ω|\u2126)"
_UNIT_ENDS: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"(?:[\d.\s]|[mkuµμ])(?:v|volts?)$|\dv\d+$", re.IGNORECASE), "volts"),
    (re.compile(rf"(?:{_OHMS}|megs?|megohms?|\d\s*[rkm])$|\d[rkm]\d+$", re.IGNORECASE), "ohms"),
    (re.compile(r"(?:[\d.\s]|[mnuµμ])(?:a|amps?|amperes?)$|milliamps$", re.IGNORECASE), "amps"),
    (re.compile(r"(?:[\d.\s]|[mkuµμ])(?:w|watts?)$", re.IGNORECASE), "watts"),
    (re.compile(r"(?:hz|hertz|c/s|cycles)$", re.IGNORECASE), "hertz"),
)
_CLAUSES: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("state", re.compile(r"(?:as\s+)?(found|now)", re.IGNORECASE)),
    ("minutes_on", re.compile(r"(?:after|at|on\s+for)\s+([\d.,]+\s*min(?:ute)?s?)(?:\s+on)?", re.IGNORECASE)),
    ("mains_volts", re.compile(r"(?:with\s+)?(?:the\s+)?mains\s+(?:at\s+)?([\d.,]+\s*v(?:olts?)?)", re.IGNORECASE)),
)
_LINKING = re.compile(r"\s*(?:[:=]|\b(?:at|is|reads|shows|was|voltage|current))$", re.IGNORECASE)


def parse_reading(
    text: str, *, decimal: DecimalMark = ".", file: str | None = None, line: int | None = None
) -> Reading:
    """A reading as a restorer says it.

    Parameters
    ----------
    text : str
        ``V3.anode 182 V``, ``HT1 to ht_negative 215 V``, ``V3 cathode 12.5 V on 10M``, ``mains 80 W``,
        ``aerial to chassis open ohms``, ``hum``, ``V3 anode glows``. Behind a comma may follow ``after 20 min``,
        ``mains 236 V`` and ``found``. A number without a unit at an electrode or the HT is direct volts.
    decimal : {".", ","}
        What a doubtful decimal mark is.
    file, line : str, int, optional
        Where it was written, for complaints.

    Raises
    ------
    InputFault
        Says what is wrong and what would be right.

    Examples
    --------
    >>> reading = parse_reading("V3 plate 182 V on 10M")
    >>> reading.point, reading.quantity, reading.value, reading.meter.ohms
    ('V3.anode', 'volts dc', 182.0, 10000000.0)
    >>> parse_reading("aerial to chassis open ohms").value
    inf
    >>> parse_reading("V3 anode glows").observation
    'anode glows'
    """
    try:
        return _reading_from_line(text, decimal, file, line)
    except InputFault as fault:
        raise placed(fault, file, line) from None


def placed(fault: InputFault, file: str | None, line: int | None) -> InputFault:
    if file is None and line is None:
        return fault
    return InputFault(
        Complaint(wrong=complaint.wrong, right=complaint.right, file=file, line=line)
        for complaint in fault.complaints
    )


def _reading_from_line(text: str, decimal: DecimalMark, file: str | None, line: int | None) -> Reading:
    if not isinstance(text, str) or not text.strip():
        raise InputFault(Complaint(wrong="an empty reading", right="write it like 'V3.anode 182 V'"))
    if len(text) > 200:
        raise InputFault(
            Complaint(wrong=f"{text[:40]!r}… is too long for a reading", right="write it like 'V3.anode 182 V'")
        )
    rest = " ".join(text.split())
    extra: dict[str, str] = {}
    while ", " in rest:
        before, _, clause = rest.rpartition(", ")
        for name, pattern in _CLAUSES:
            matched = pattern.fullmatch(clause.strip())
            if matched is not None:
                extra[name] = matched[1].lower()
                rest = before
                break
        else:
            break
    common = _Common(
        mains_volts=bounded("mains_volts", extra.get("mains_volts"), decimal),
        minutes_on=bounded("minutes_on", extra.get("minutes_on"), decimal),
        state=cast(Taken, extra.get("state", "now")),
        file=file,
        line=line,
    )
    seen = find_observation(rest)
    if seen is not None:
        place, word = seen
        return Reading(
            point=observation_point(place, word), quantity="observation", value=1.0, observation=word, **common
        )
    rest, _, on = rest.partition(" on ")
    meter = Meter.from_text(on.rstrip(" ,"), decimal=decimal) if on else None
    fault = InputFault(
        Complaint(
            wrong=f"{rest!r} holds no value and none of the words of an observation",
            right=f"write it like 'V3.anode 182 V', or use one of: {', '.join(OBSERVATIONS)}",
        )
    )
    words = rest.rstrip(" ,").split(" ")
    # the value begins at the first word from which the rest makes sense as one: "V3 g1 0.4 V", "tube 3 plate 90 V"
    for index in range(1, len(words)):
        if not (_VALUE_START.match(words[index]) or words[index].casefold().rstrip(".,") in (*OPEN_WORDS, "nan")):
            continue
        place, written = " ".join(words[:index]), " ".join(words[index:])
        try:
            point, to, named = _place(place)
            quantity, value = _quantity_and_value(written, point, named, decimal)
            point = settled_point(point, quantity)
            return Reading(point=point, to=to, quantity=quantity, value=value, meter=meter, **common)
        except InputFault as inner:
            fault = inner
    raise fault


class _Common(TypedDict):
    mains_volts: float | None
    minutes_on: float | None
    state: Taken
    file: str | None
    line: int | None


def _place(place: str) -> tuple[str, str | None, str | None]:
    """Point, the point it is read to, and "hum" or "gain" where the place ends in that word."""
    plain = place.strip(" ,")
    while (linking := _LINKING.search(plain)) is not None and linking.start() > 0:
        plain = plain[: linking.start()]
    named = next((word for word in ("hum", "gain") if plain.casefold().endswith(f" {word}")), None)
    if named is not None:
        plain = plain[: -len(named)].strip()
    elif plain.casefold() == "hum":
        plain, named = facts()["observation"]["hum"]["where"], "hum"
    start, _, end = plain.partition(" to ")
    across = start.casefold().startswith("across ")
    point = reading_point(start[len("across ") :] if across else start)
    return point, (point_named(end) if end else None), named


def _quantity_and_value(written: str, point: str, named: str | None, decimal: DecimalMark) -> tuple[Quantity, float]:
    kind = _KIND.search(written)
    plain = (_KIND.sub("", written, count=1) if kind is not None else written).strip()
    current = None if kind is None else ("ac" if kind["ac"] else "dc")
    if re.sub(rf"\s*{_OHMS}$", "", plain, flags=re.IGNORECASE).strip().casefold() in OPEN_WORDS:
        return "ohms", math.inf
    if named == "gain" or re.search(r"(?:\d\s*[x×]|times)$", plain, re.IGNORECASE):
        return "gain", gain_written(plain, decimal)
    unit = next((unit for pattern, unit in _UNIT_ENDS if pattern.search(plain)), None)
    if unit is None:
        if current is None and not re.match(r"V\d+\.|HT\d", point):
            raise InputFault(
                Complaint(
                    wrong=f"{plain!r} at {point} has no unit that is known",
                    right="write V, mV, mA, W, ohms, k, M or Hz behind the number",
                )
            )
        unit = "volts"
    if unit in ("volts", "amps"):
        if current is None:
            current = "ac" if is_alternating(point) else "dc"
        return cast(Quantity, f"{unit} {current}"), parse(plain, cast(Unit, unit), decimal=decimal)
    if unit == "hertz":
        return "hum", parse(plain, "hertz", decimal=decimal)
    return cast(Quantity, unit), parse(plain, cast(Unit, unit), decimal=decimal)


def reading_point(text: str) -> str:
    """The canonical point of a number that was read; a whole valve is none."""
    point = point_named(text)
    if re.fullmatch(r"V\d+", point):
        raise InputFault(
            Complaint(wrong=f"{point} alone is no point to read", right=f"name the electrode, such as {point}.anode")
        )
    if point in OBSERVATIONS or point in ("set", "to", "no_sound"):
        raise InputFault(Complaint(wrong=f"{text!r} is no point", right="write a point like V3.anode, HT1 or aerial"))
    return point


def settled_point(point: str, quantity: str) -> str:
    """A filament read with alternating current or cold is what other valves call the heater."""
    if point.endswith(".filament") and not quantity.endswith(" dc"):
        return point.removesuffix("filament") + "heater"
    return point


def gain_written(text: str, decimal: DecimalMark) -> float:
    """A gain: ``54``, ``54 x`` or ``35 dB``, as a ratio of volts."""
    if text.casefold().endswith("db"):
        return float(10.0 ** (_number(text[:-2], decimal) / 20.0))
    return _number(re.sub(r"\s*(?:[x×]|times)$", "", text, flags=re.IGNORECASE), decimal)


def _number(text: str, decimal: DecimalMark) -> float:
    """A bare number; by the rules of ohms, which has a bare form."""
    if re.search(r"[^\d.,eE+\- ']", text):
        raise InputFault(Complaint(wrong=f"{text.strip()!r} is not a number", right="write a number like 54"))
    return parse(text, "ohms", decimal=decimal)


def bounded(column: str, text: str | None, decimal: DecimalMark) -> float | None:
    """Mains volts or minutes on, within what they can be; ``None`` for nothing written."""
    if text is None or not text.strip():
        return None
    limits = facts()["other"]
    if column == "mains_volts":
        volts = parse(text, "volts", decimal=decimal)
        if not limits["least_mains_volts"] <= volts <= limits["most_mains_volts"]:
            raise OutOfRange(
                Complaint(wrong=f"mains of {format_volts(volts)}", right="write the volts at the set, such as 236")
            )
        return volts
    minutes = _number(re.sub(r"\s*min(?:ute)?s?$", "", text.strip(), flags=re.IGNORECASE), decimal)
    if not minutes <= limits["most_minutes"]:
        raise OutOfRange(
            Complaint(wrong=f"{minutes:g} minutes on", right="write minutes since switching on, such as 20")
        )
    return minutes
