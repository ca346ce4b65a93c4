"""Readings: what was read, where, on which meter, when.

From a readings file (CSV), from a line as a restorer says it, and back to a file. Nothing here opens a file.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Literal, cast

from hetwright.errors import Complaint, InputFault, OutOfRange
from hetwright.quantities import (
    DecimalMark,
    Unit,
    format_ohms,
    format_value,
    parse,
)
from hetwright.readings.meter import Meter
from hetwright.readings.words import (
    OBSERVATIONS,
    QUANTITIES,
    facts,
    find_observation,
    is_alternating,
    near,
    observation_point,
    point_named,
    quantity_named,
)

__all__ = ["COLUMNS", "Quantity", "Reading", "Taken", "parse_csv", "parse_reading", "write_csv"]

Quantity = Literal["volts dc", "volts ac", "ohms", "amps dc", "amps ac", "watts", "hum", "gain", "observation"]
Taken = Literal["found", "now"]

COLUMNS = ("point", "to", "quantity", "value", "unit", "meter", "mains_volts", "minutes_on", "state", "note")

_OPEN = frozenset(
    {"open", "o/c", "oc", "ol", "o.l", "o.l.", "0l", "0.l", "inf", "infinite", "infinity", "∞", "over range"}
)


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
            _check_size(self.value, self.quantity)

    @property
    def unit(self) -> str:
        """The SI unit of the value: volts, ohms, amps, watts, hertz, ratio; "word" of an observation."""
        return str(facts()["quantity"][self.quantity]["unit"])

    @property
    def written(self) -> str:
        """The value as the trade writes it, four digits."""
        return written_value(self.value, self.quantity, observation=self.observation)

    def __str__(self) -> str:
        to = "" if self.to is None else f" to {self.to}"
        on = "" if self.meter is None else f" on {self.meter}"
        return f"{self.point}{to} {self.written}{on}"


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


def _check_size(value: float, quantity: str) -> None:
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


# --- one line, as a restorer says it -------------------------------------------------------------------------------

_VALUE_START = re.compile(r"[+-−–]?(?:[.,]?\d|[RpnuµμRVKM]\d)|∞", re.ASCII)
_KIND = re.compile(r"\s*\(?\b(?:(?P<dc>d\.?c\.?)|(?P<ac>a\.?c\.?|r\.?m\.?s\.?))\)?(?![\w.])", re.IGNORECASE)
_LAST_LETTERS = re.compile(r"([A-Za-zΩµ%/.]+)\s*$")
_UNIT_ENDS: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"(?:[\d.\s]|[mkuµMK])(?:v|volts?)$", re.IGNORECASE), "volts"),
    (re.compile(r"\d[vV]\d+$"), "volts"),
    (re.compile(r"(?:ohms?|megs?|megohms?|Ω|Ω|\d\s*[RrKkM])$|^\d*[RKkM]\d+$", re.IGNORECASE), "ohms"),
    (re.compile(r"(?:[\d.\s]|[mnuµMU])(?:a|amps?|amperes?)$", re.IGNORECASE), "amps"),
    (re.compile(r"(?:[\d.\s]|[mkuµMK])(?:w|watts?)$", re.IGNORECASE), "watts"),
    (re.compile(r"(?:hz|hertz|c/s|cycles)$", re.IGNORECASE), "hertz"),
)
_CLAUSES: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("state", re.compile(r"(?:as\s+)?(found|now)", re.IGNORECASE)),
    ("minutes_on", re.compile(r"(?:after|at|on\s+for)\s+([\d.]+)\s*(?:min|mins|minutes?)(?:\s+on)?", re.IGNORECASE)),
    ("mains_volts", re.compile(r"(?:with\s+)?(?:the\s+)?mains\s+(?:at\s+)?([\d.]+)\s*v(?:olts?)?", re.IGNORECASE)),
)


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
        raise _placed(fault, file, line) from None


def _placed(fault: InputFault, file: str | None, line: int | None) -> InputFault:
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
    meter: Meter | None = None
    seen = find_observation(rest)
    if seen is None and " on " in rest:
        rest, _, written = rest.partition(" on ")
        meter = Meter.from_text(written.rstrip(" ,"), decimal=decimal)
        rest = rest.rstrip(" ,")
    common = {
        "meter": meter,
        "mains_volts": _bounded("mains_volts", extra.get("mains_volts"), decimal),
        "minutes_on": _bounded("minutes_on", extra.get("minutes_on"), decimal),
    }
    state = cast(Taken, extra.get("state", "now"))
    if seen is not None:
        place, word = seen
        return Reading(
            point=observation_point(place, word),
            quantity="observation",
            value=1.0,
            observation=word,
            state=state,
            file=file,
            line=line,
            mains_volts=common["mains_volts"],  # type: ignore[arg-type]
            minutes_on=common["minutes_on"],  # type: ignore[arg-type]
        )
    place, written = _split_place(rest)
    from_text, _, to_text = place.partition(" to ")
    point = point_named(from_text.removeprefix("across "))
    to = point_named(to_text) if to_text else None
    quantity, value = _quantity_and_value(written, point, decimal)
    return Reading(
        point=point,
        to=to,
        quantity=quantity,
        value=value,
        state=state,
        file=file,
        line=line,
        **common,  # type: ignore[arg-type]
    )


def _split_place(rest: str) -> tuple[str, str]:
    """Where the place ends and the value begins: at the first word that can be a value."""
    words = rest.split(" ")
    for index in range(1, len(words)):
        word = words[index]
        lone = word.casefold().rstrip(".,") in _OPEN or (words[index : index + 2] == ["over", "range"])
        if _VALUE_START.match(word) or lone or word.casefold() == "nan":
            return " ".join(words[:index]), " ".join(words[index:])
    known = ", ".join(OBSERVATIONS)
    raise InputFault(
        Complaint(
            wrong=f"{rest!r} holds no value and none of the words of an observation",
            right=f"write it like 'V3.anode 182 V', or use one of: {known}",
        )
    )


def _quantity_and_value(written: str, point: str, decimal: DecimalMark) -> tuple[Quantity, float]:
    kind = _KIND.search(written)
    plain = _KIND.sub("", written, count=1).strip() if kind is not None else written.strip()
    current = None if kind is None else ("ac" if kind["ac"] else "dc")
    opened = re.sub(r"\s*(?:ohms?|Ω|Ω)$", "", plain, flags=re.IGNORECASE).strip().casefold()
    if opened in _OPEN:
        return "ohms", math.inf
    unit = next((unit for pattern, unit in _UNIT_ENDS if pattern.search(plain)), None)
    if unit is None and re.search(r"(?:\d\s*x|times)$", plain, re.IGNORECASE):
        return "gain", _number(re.sub(r"\s*(?:x|times)$", "", plain, flags=re.IGNORECASE), decimal)
    if unit is None:
        if current is None and not _reads_volts(point):
            raise InputFault(
                Complaint(
                    wrong=f"'{plain}' at {point} has no unit that is known",
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


def _reads_volts(point: str) -> bool:
    return re.match(r"V\d+\.|HT\d", point) is not None


def _number(text: str, decimal: DecimalMark) -> float:
    """A bare number; by the rules of ohms, which has a bare form."""
    try:
        return parse(text, "ohms", decimal=decimal)
    except OutOfRange:
        raise
    except InputFault:
        raise InputFault(
            Complaint(wrong=f"{text.strip()!r} is not a number", right="write a number like 54")
        ) from None


def _bounded(column: str, text: str | None, decimal: DecimalMark) -> float | None:
    if text is None or not text.strip():
        return None
    limits = facts()["other"]
    if column == "mains_volts":
        volts = parse(text, "volts", decimal=decimal)
        if not limits["least_mains_volts"] <= volts <= limits["most_mains_volts"]:
            raise OutOfRange(
                Complaint(wrong=f"mains of {volts:g} V", right="write the volts at the set, such as 236")
            )
        return volts
    number = re.sub(r"\s*(?:min|mins|minutes?)$", "", text.strip(), flags=re.IGNORECASE)
    minutes = _number(number, decimal)
    if not minutes <= limits["most_minutes"]:
        raise OutOfRange(
            Complaint(wrong=f"{minutes:g} minutes on", right="write minutes since switching on, such as 20")
        )
    return minutes


# --- the readings file ---------------------------------------------------------------------------------------------


def parse_csv(source: bytes | str, *, file: str = "readings") -> tuple[Reading, ...]:
    """Every reading of a readings file.

    Parameters
    ----------
    source : bytes or str
        The whole file. Bytes must be UTF-8, with or without a byte-order mark. Columns are separated by commas, by
        tabs, or by semicolons; with semicolons a comma is the decimal mark. The header names the columns of
        ``COLUMNS``; only point, quantity and value are needed. Empty lines and lines that begin with ``#`` are passed over.
    file : str
        Its name, for complaints.

    Returns
    -------
    readings : tuple of Reading

    Raises
    ------
    InputFault
        With every complaint found, each ``FILE:LINE: what is wrong; what would be right``.

    Examples
    --------
    >>> parse_csv("point,quantity,value\\nV3 plate,volts dc,182\\n")[0].point
    'V3.anode'
    """
    limits = facts()["file"]
    text = _decoded(source, file, int(limits["most_bytes"]))
    header_line, header, delimiter, rows = _table(text, file)
    decimal: DecimalMark = "," if delimiter == ";" else "."
    columns = _columns(header, file, header_line)
    readings: list[Reading] = []
    complaints: list[Complaint] = []
    for count, (line, cells) in enumerate(rows, start=1):
        if count > limits["most_rows"]:
            complaints.append(
                Complaint(
                    wrong=f"more than {int(limits['most_rows'])} readings",
                    right="is this the right file? split it if it is",
                    file=file,
                    line=line,
                )
            )
            break
        try:
            readings.append(_reading_of_row(cells, columns, decimal, delimiter, file, line))
        except InputFault as fault:
            complaints.extend(_placed(fault, file, line).complaints)
        if len(complaints) >= limits["most_complaints"]:
            complaints.append(
                Complaint(
                    wrong="there may be more", right="these are the first; correct them and try again", file=file
                )
            )
            break
    if complaints:
        raise InputFault(complaints)
    if not readings:
        raise InputFault(
            Complaint(wrong="no readings below the header", right="add rows like V3.anode,,volts dc,182", file=file)
        )
    return tuple(readings)


def _decoded(source: bytes | str, file: str, most_bytes: int) -> str:
    if len(source) > most_bytes:
        raise InputFault(
            Complaint(
                wrong=f"{len(source):,} bytes is too large for a readings file",
                right=f"give a file below {most_bytes:,} bytes",
                file=file,
            )
        )
    if isinstance(source, bytes):
        if source.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in source:
            raise InputFault(
                Complaint(wrong="not UTF-8 text", right="save it as CSV in UTF-8, not as a spreadsheet", file=file)
            )
        try:
            text = source.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = source.count(b"\n", 0, error.start) + 1
            raise InputFault(
                Complaint(
                    wrong=f"byte 0x{source[error.start]:02x} is not UTF-8, the file looks like Latin-1",
                    right="save it as UTF-8",
                    file=file,
                    line=line,
                )
            ) from None
    else:
        text = source.removeprefix("\ufeff")
        if "\x00" in text:
            raise InputFault(
                Complaint(wrong="not text: it holds a zero byte", right="save it as CSV in UTF-8", file=file)
            )
    return text


def _table(text: str, file: str) -> tuple[int, list[str], str, Iterator[tuple[int, list[str]]]]:
    """Header line and cells, the delimiter, and the rows that hold something, each with its line."""
    lines = text.splitlines()
    first = next((i for i, each in enumerate(lines) if each.strip() and not each.lstrip().startswith("#")), None)
    if first is None:
        raise InputFault(
            Complaint(wrong="the file is empty", right=f"begin with the header {','.join(COLUMNS)}", file=file)
        )
    delimiter = max(";\t,", key=lines[first].count)

    def rows() -> Iterator[tuple[int, list[str]]]:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        start = 1
        while True:
            try:
                cells = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                raise InputFault(
                    Complaint(
                        wrong=f"the quotation marks do not match ({error})",
                        right='put "…" round a whole cell or leave them out',
                        file=file,
                        line=start,
                    )
                ) from None
            line, start = start, reader.line_num + 1
            if any(cell.strip() for cell in cells) and not cells[0].lstrip().startswith("#"):
                yield line, cells

    found = rows()
    line, header = next(found)
    return line, header, delimiter, found


def _columns(header: list[str], file: str, line: int) -> dict[str, int]:
    columns: dict[str, int] = {}
    complaints: list[Complaint] = []
    for index, cell in enumerate(header):
        name = re.sub(r"[\s-]+", "_", cell.strip().casefold())
        if not name:
            continue
        if name not in COLUMNS:
            right = f"did you mean {near(name, list(COLUMNS))}?"
            complaints.append(
                Complaint(wrong=f"unknown column {cell.strip()[:40]!r}", right=right, file=file, line=line)
            )
        elif name in columns:
            complaints.append(Complaint(wrong=f"two columns {name!r}", right="keep one", file=file, line=line))
        else:
            columns[name] = index
    complaints.extend(
        Complaint(wrong=f"no column {name!r}", right=f"the header is {','.join(COLUMNS)}", file=file, line=line)
        for name in ("point", "quantity", "value")
        if name not in columns
    )
    if complaints:
        raise InputFault(complaints)
    return columns


def _reading_of_row(
    cells: list[str], columns: dict[str, int], decimal: DecimalMark, delimiter: str, file: str, line: int
) -> Reading:
    last = max(columns.values())
    if any(cell.strip() for cell in cells[last + 1 :]):
        hint = "put a value with a comma in quotation marks, or separate the columns with ;"
        raise InputFault(
            Complaint(
                wrong=f"{len(cells)} cells where the header has {last + 1} columns",
                right=hint if delimiter == "," else "one cell a column",
            )
        )

    def cell(name: str) -> str:
        index = columns.get(name)
        return cells[index].strip() if index is not None and index < len(cells) else ""

    complaints: list[Complaint] = []
    quantity = cast(Quantity, _collected(complaints, lambda: quantity_named(cell("quantity"))))
    meter = _collected(complaints, lambda: Meter.from_text(cell("meter"), decimal=decimal) if cell("meter") else None)
    mains = _collected(complaints, lambda: _bounded("mains_volts", cell("mains_volts"), decimal))
    minutes = _collected(complaints, lambda: _bounded("minutes_on", cell("minutes_on"), decimal))
    to = _collected(complaints, lambda: point_named(cell("to")) if cell("to") else None)
    state = cell("state").casefold() or "now"
    if state not in ("found", "now"):
        complaints.append(Complaint(wrong=f"unknown state {cell('state')!r}", right="write found or now"))
    point: str | None = None
    value: float | None = None
    word: str | None = None
    if quantity == "observation":
        seen = _collected(complaints, lambda: _observation_cell(cell("value"), cell("point")))
        if seen is not None:
            (point, word), value = cast(tuple[str, str], seen), 1.0
    else:
        point = cast(str | None, _collected(complaints, lambda: _point_cell(cell("point"))))
        if quantity is not None:
            value = cast(
                float | None,
                _collected(complaints, lambda: _value_cell(cell("value"), cell("unit"), quantity, decimal)),
            )
    if complaints or point is None or value is None:
        raise InputFault(complaints)
    return Reading(
        point=point,
        to=cast(str | None, to),
        quantity=quantity,
        value=value,
        meter=cast(Meter | None, meter),
        mains_volts=cast(float | None, mains),
        minutes_on=cast(float | None, minutes),
        state=cast(Taken, state),
        note=cell("note"),
        observation=word,
        file=file,
        line=line,
    )


def _collected(complaints: list[Complaint], get: object) -> object:
    try:
        return get()  # type: ignore[operator]
    except InputFault as fault:
        complaints.extend(fault.complaints)
        return None


def _point_cell(text: str) -> str:
    if not text:
        raise InputFault(Complaint(wrong="no point", right="write where it was read, such as V3.anode"))
    return point_named(text)


def _observation_cell(value: str, place: str) -> tuple[str, str]:
    seen = find_observation(value)
    if seen is None:
        raise InputFault(
            Complaint(
                wrong=f"unknown observation {value!r}" if value else "an observation without a word",
                right=f"did you mean {near(value.casefold(), list(OBSERVATIONS))}?",
            )
        )
    return observation_point(place or seen[0], seen[1]), seen[1]


def _value_cell(value: str, unit: str, quantity: Quantity, decimal: DecimalMark) -> float:
    if not value:
        raise InputFault(Complaint(wrong="no value", right="write what was read, or leave the row out"))
    record = facts()["quantity"][quantity]
    if quantity == "ohms" and value.casefold() in _OPEN:
        return math.inf
    if quantity == "gain":
        size = _number(re.sub(r"\s*(?:x|times)$", "", value, flags=re.IGNORECASE), decimal)
    else:
        size = parse(f"{value} {unit}".strip(), cast(Unit, record["unit"]), decimal=decimal)
    _check_size(size, quantity)
    return size


def write_csv(readings: Iterable[Reading]) -> str:
    """A readings file of these readings; :func:`parse_csv` gives equal readings back.

    Notes
    -----
    Values keep every digit. Columns are those of ``COLUMNS``, separated by commas, lines ended by a newline.

    Examples
    --------
    >>> print(write_csv([parse_reading("V3 plate 182 V on 10M")]), end="")
    point,to,quantity,value,unit,meter,mains_volts,minutes_on,state,note
    V3.anode,,volts dc,182,V,10M,,,now,
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for reading in readings:
        seen = reading.quantity == "observation"
        writer.writerow(
            [
                reading.point,
                reading.to or "",
                reading.quantity,
                reading.observation if seen else _plain(reading.value),
                "" if seen else facts()["quantity"][reading.quantity]["symbol"],
                "" if reading.meter is None else str(reading.meter),
                "" if reading.mains_volts is None else _plain(reading.mains_volts),
                "" if reading.minutes_on is None else _plain(reading.minutes_on),
                reading.state,
                reading.note,
            ]
        )
    return out.getvalue()


def _plain(value: float) -> str:
    if value == math.inf:
        return "open"
    return f"{value!r}".removesuffix(".0")
