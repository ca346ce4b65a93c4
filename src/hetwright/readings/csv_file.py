"""The readings file: CSV with a header, in and out. Only :func:`load_csv` opens one."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TypeVar, cast

from hetwright.errors import Complaint, InputFault
from hetwright.quantities import DecimalMark, Unit, parse
from hetwright.readings.meter import Meter
from hetwright.readings.reading import (
    OPEN_WORDS,
    Quantity,
    Reading,
    Taken,
    bounded,
    check_size,
    gain_written,
    placed,
    reading_point,
    settled_point,
)
from hetwright.readings.words import (
    OBSERVATIONS,
    facts,
    find_observation,
    near,
    observation_point,
    point_named,
    quantity_named,
)

__all__ = ["COLUMNS", "load_csv", "parse_csv", "write_csv"]

COLUMNS = ("point", "to", "quantity", "value", "unit", "meter", "mains_volts", "minutes_on", "state", "note")

T = TypeVar("T")


def parse_csv(source: bytes | str, *, file: str = "readings") -> tuple[Reading, ...]:
    """Every reading of a readings file.

    Parameters
    ----------
    source : bytes or str
        The whole file. Bytes must be UTF-8, with or without a byte-order mark. Columns are separated by commas, by
        tabs, or by semicolons; with semicolons a comma is the decimal mark. The header names the columns of
        ``COLUMNS``; only point, quantity and value are needed. Empty lines and lines that begin with ``#`` are
        passed over.
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
            complaints.extend(placed(fault, file, line).complaints)
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
                wrong=f"more than {most_bytes:,} bytes, too large for a readings file",
                right="is this the right file?",
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
    empty = InputFault(
        Complaint(wrong="the file is empty", right=f"begin with the header {','.join(COLUMNS)}", file=file)
    )
    first = next((i for i, each in enumerate(lines) if each.strip() and not each.lstrip().startswith("#")), None)
    if first is None:
        raise empty
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
                long = "larger" in str(error)
                raise InputFault(
                    Complaint(
                        wrong="a cell that does not end" if long else f"the quotation marks do not match ({error})",
                        right='put "…" round a whole cell or leave them out',
                        file=file,
                        line=start,
                    )
                ) from None
            line, start = start, reader.line_num + 1
            if any(cell.strip() for cell in cells) and not cells[0].lstrip().startswith("#"):
                yield line, cells

    found = rows()
    head = next(found, None)
    if head is None:
        raise empty
    return *head, delimiter, found


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
        raise InputFault(complaints[: int(facts()["file"]["most_complaints"])])
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

    tried = _Tried()
    quantity = tried(lambda: quantity_named(cell("quantity")))
    meter = tried(lambda: Meter.from_text(cell("meter"), decimal=decimal) if cell("meter") else None)
    mains_volts = tried(lambda: bounded("mains_volts", cell("mains_volts"), decimal))
    minutes_on = tried(lambda: bounded("minutes_on", cell("minutes_on"), decimal))
    to = tried(lambda: point_named(cell("to")) if cell("to") else None)
    state = tried(lambda: _state_cell(cell("state")))
    if quantity == "observation":
        place = tried(lambda: _observation_cell(cell("value"), cell("point")))
        value: float | None = 1.0
    else:
        place = tried(lambda: (_point_cell(cell("point")), None))
        value = (
            None if quantity is None else tried(lambda: _value_cell(cell("value"), cell("unit"), quantity, decimal))
        )
    if tried.complaints or place is None or value is None or quantity is None or state is None:
        raise InputFault(tried.complaints)
    return Reading(
        point=settled_point(place[0], quantity),
        to=to,
        quantity=cast(Quantity, quantity),
        value=value,
        meter=meter,
        mains_volts=mains_volts,
        minutes_on=minutes_on,
        state=state,
        note=cell("note"),
        observation=place[1],
        file=file,
        line=line,
    )


class _Tried:
    """Calls each reader of a cell and keeps what it complains of, so that a row is judged whole."""

    def __init__(self) -> None:
        self.complaints: list[Complaint] = []

    def __call__(self, read: Callable[[], T]) -> T | None:
        try:
            return read()
        except InputFault as fault:
            self.complaints.extend(fault.complaints)
            return None


def _state_cell(text: str) -> Taken:
    state = text.casefold() or "now"
    if state not in ("found", "now"):
        raise InputFault(Complaint(wrong=f"unknown state {text!r}", right="write found or now"))
    return cast(Taken, state)


def _point_cell(text: str) -> str:
    if not text:
        raise InputFault(Complaint(wrong="no point", right="write where it was read, such as V3.anode"))
    return reading_point(text)


def _observation_cell(value: str, place: str) -> tuple[str, str | None]:
    seen = find_observation(value)
    if seen is None:
        raise InputFault(
            Complaint(
                wrong=f"unknown observation {value!r}" if value else "an observation without a word",
                right=f"did you mean {near(value.casefold(), list(OBSERVATIONS))}?",
            )
        )
    return observation_point(place or seen[0], seen[1]), seen[1]


def _value_cell(value: str, unit: str, quantity: str, decimal: DecimalMark) -> float:
    if not value:
        raise InputFault(Complaint(wrong="no value", right="write what was read, or leave the row out"))
    record = facts()["quantity"][quantity]
    kind = re.search(r"\s*([ad])\.?c\.?$", unit, re.IGNORECASE)
    if kind is not None and quantity.endswith(("ac", "dc")):
        if not quantity.endswith(f"{kind[1].lower()}c"):
            raise InputFault(Complaint(wrong=f"unit {unit!r} of {quantity}", right="say a.c. or d.c. once, or alike"))
        unit = unit[: kind.start()]
    if quantity == "ohms" and value.casefold() in OPEN_WORDS:
        return math.inf
    if quantity == "gain":
        size = gain_written(f"{value} {unit}".strip(), decimal)
    else:
        size = parse(f"{value} {unit}".strip(), cast(Unit, record["unit"]), decimal=decimal)
    check_size(size, quantity)
    return size


def load_csv(path: Path | str) -> tuple[Reading, ...]:
    """The readings of a file on disk; see :func:`parse_csv`. No more of it is read than a readings file may hold.

    Raises
    ------
    InputFault
        The file cannot be read, or what is in it is wrong.
    """
    try:
        with open(path, "rb") as stream:
            source = stream.read(int(facts()["file"]["most_bytes"]) + 1)
    except OSError as error:
        raise InputFault(
            Complaint(
                wrong=f"cannot be read ({error.strerror})", right="give the name of a readings file", file=str(path)
            )
        ) from None
    return parse_csv(source, file=str(path))


def write_csv(readings: Iterable[Reading]) -> str:
    """A readings file of these readings; :func:`parse_csv` gives equal readings back.

    Notes
    -----
    Values keep every digit. Columns are those of ``COLUMNS``, separated by commas, lines ended by a newline.

    Examples
    --------
    >>> from hetwright.readings.reading import parse_reading
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
