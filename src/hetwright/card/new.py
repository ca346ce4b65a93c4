"""Writing a set card from a valve line-up: every part with its role, its points and its usual value.

What is written is ready to be edited by hand. Nothing in it is stated that nobody stated: usual values stand under
``usual``, and what had to be assumed of the set stands in comments.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace

from hetwright import quantities
from hetwright.card.model import Part, SetCard
from hetwright.card.overlay import winding_role
from hetwright.card.reading import read_card
from hetwright.card.words import Words, in_words, stage_title
from hetwright.card.writing import Plain, inline_table, toml_value
from hetwright.errors import Complaint, InputFault
from hetwright.valves import catalogue

__all__ = ["card_text", "line_up", "new_card"]

_HEAD = """\
Set card{of}. Written from the valves alone; correct it as you learn more.

usual = "..." is what such a set usually has: nobody has stated it. Write beside it what you know:
    drawn = "..."      what the circuit diagram says
    marked = "..."     what the part you found says
    measured = "..."   what you measured, one lead lifted
    fitted = "..."     what you put in its place
R1, C1 and so on may be changed to the references of your own diagram; the role says which part is meant.
A part that is left out is not gone from the set: it is there with its usual value.

Before you measure ohms or lift a lead: plug out, discharge the capacitors through a resistor, then measure
that they are discharged.
"""


def line_up(written: str) -> dict[str, str]:
    """The valves of a line-up in one line.

    Parameters
    ----------
    written : str
        ``V1=ECH81 V2=EBF89``, with commas or not; or types alone, which become V1, V2, ... in order.

    Raises
    ------
    InputFault
        Nothing that reads as a line-up, or a reference given twice.

    Examples
    --------
    >>> line_up("V1=6BE6, V2 = 6V6 GT"), line_up("ECH81 EBF89")
    ({'V1': '6BE6', 'V2': '6V6 GT'}, {'V1': 'ECH81', 'V2': 'EBF89'})
    """
    right = 'write it like "V1=ECH81 V2=EBF89 V3=ECL82"'
    text = " ".join(written.replace(",", " ").replace(";", " ").split())
    if "=" not in text and text:
        return {f"V{number}": name for number, name in enumerate(text.split(), start=1)}
    pairs = re.findall(r"([A-Za-z][A-Za-z0-9]*)\s*=\s*([^=]+?)(?=\s+[A-Za-z][A-Za-z0-9]*\s*=|\s*$)", text)
    if not pairs or re.sub(r"\s", "", "".join(f"{ref}={name}" for ref, name in pairs)) != re.sub(r"\s", "", text):
        raise InputFault(Complaint(wrong=f"{written[:60]!r} is not a line-up", right=right))
    found: dict[str, str] = {}
    for ref, name in pairs:
        if ref.upper() in found:
            raise InputFault(Complaint(wrong=f"the line-up has {ref.upper()} twice", right=right))
        found[ref.upper()] = name
    return found


def new_card(
    valves: str | Mapping[str, str],
    *,
    name: str = "",
    mains: str | None = None,
    construction: str | None = None,
    year: int | None = None,
    rectifier: str | None = None,
    smoothing: str | None = None,
    ht_secondary: str | None = None,
    heaters: str | None = None,
    bias: str | None = None,
    output: str | None = None,
    words: Words = "british",
) -> str:
    """A complete set card from a line-up.

    Parameters
    ----------
    valves : str or mapping
        As :func:`line_up`, or reference to type.
    name, mains, construction, year, rectifier, smoothing, ht_secondary, heaters, bias, output
        As the keys of the card; ``None`` leaves it to what is usual.
    words : {"british", "american"}
        Words of the comments and style of the values.

    Returns
    -------
    str
        TOML that :func:`~hetwright.card.reading.read_card` reads back to the set it came from.

    Raises
    ------
    InputFault
        Unknown valves, mains that cannot be, and whatever else a card could not hold.

    Examples
    --------
    >>> text = new_card("V1=ECH81 V2=EBF89 V3=ECL82", mains="230 V 50 Hz", rectifier="bridge, silicon")
    >>> print(next(line for line in text.splitlines() if "output.coupling_capacitor" in line))  # doctest: +ELLIPSIS
    C... = { role = "output.coupling_capacitor", from = "V3.triode_anode", to = "output.grid_feed", usual = ... }...
    """
    given: dict[str, dict[str, Plain]] = {"set": {}, "supply": {}}
    for table, key, value in (
        ("set", "name", name or None),
        ("set", "mains", mains),
        ("set", "construction", construction),
        ("set", "year", year),
        ("set", "output", output),
        ("supply", "rectifier", rectifier),
        ("supply", "smoothing", smoothing),
        ("supply", "ht_secondary", ht_secondary),
        ("supply", "heaters", heaters),
        ("supply", "bias", bias),
    ):
        if value is not None:
            given[table][key] = value
    named = line_up(valves) if isinstance(valves, str) else dict(valves)
    short = "".join(_table(table, values) for table, values in given.items()) + _table("valves", named)
    try:
        card = read_card(short, "line-up")
    except InputFault as fault:
        raise InputFault([replace(one, file=None, line=None) for one in fault.complaints]) from None
    return card_text(card, given, words)


def _table(name: str, values: Mapping[str, Plain]) -> str:
    return f"[{name}]\n" + "".join(f"{key} = {toml_value(value)}\n" for key, value in values.items())


def card_text(card: SetCard, given: Mapping[str, Mapping[str, Plain]], words: Words = "british") -> str:
    """A whole card as text.

    ``given`` holds the keys of [set] and [supply] that somebody stated; the rest are written as comments.
    """
    pieces = [
        _comment(in_words(_HEAD.format(of=f" of the {card.name}" if card.name else ""), words)),
        _set(card, given.get("set", {}), words),
        _valves(card, words),
        _stages(card, words),
        _supply(card, given.get("supply", {}), words),
        '[meter]\n# default = "10M"   # the meter on your bench, or "20k/V on 250 V"\n',
        _parts(card, words),
        _sheet_example(card, words),
    ]
    return "\n".join(pieces)


def _comment(text: str) -> str:
    return "".join(f"# {line}".rstrip() + "\n" for line in text.splitlines())


def _rows(rows: Iterable[tuple[str, Plain, bool, str]], words: Words) -> str:
    """Lines ``key = value   # remark``, commented out where nobody stated them."""
    lines = []
    for key, value, is_given, remark in rows:
        line = f"{'' if is_given else '# '}{key} = {toml_value(value)}"
        lines.append(f"{line}   # {in_words(remark, words)}" if remark else line)
    return "\n".join(lines) + "\n"


def _set(card: SetCard, given: Mapping[str, Plain], words: Words) -> str:
    construction = str(given.get("construction", "unknown"))
    live = "unknown counts as a live chassis" if construction == "unknown" else ""
    mains = f"{card.mains_rms_volts:g} V {card.mains_hertz:g} Hz" if card.mains_rms_volts else "none"
    rows: list[tuple[str, Plain, bool, str]] = [
        ("name", card.name, bool(card.name), ""),
        ("mains", given.get("mains", mains), True, "" if "mains" in given else "assumed: check it against the set"),
        ("construction", construction, True, live),
        ("year", card.year or 0, "year" in given, "" if "year" in given else "about, by its valves"),
        ("output", card.output, "output" in given, "" if "output" in given else "by its valves"),
        ("reference", card.reference_point, False, "where the black lead goes"),
    ]
    return "[set]\n" + _rows(rows, words)


def _valves(card: SetCard, words: Words) -> str:
    rows: list[tuple[str, Plain, bool, str]] = []
    for ref, valve in card.valves.items():
        kind = catalogue.find(valve.type, like=valve.like, kind=valve.kind)
        remark = kind.duty if not valve.assumed else f"assumed: {kind.duty}"
        rows.append((ref, valve.type, not valve.assumed, remark))
    return "[valves]\n" + _rows(rows, words)


def _stages(card: SetCard, words: Words) -> str:
    rows: list[tuple[str, Plain, bool, str]] = []
    for stage in card.stages:
        if stage.name == "supply":
            continue
        assumed = card.valves[stage.valve].assumed
        chosen = ", ".join(
            f"{key} {word}" for key, word in stage.options.items() if key in ("bias", "feedback", "avc", "load")
        )
        rows.append((stage.name, stage.valve, not assumed, f"{stage.section}; {chosen}" if chosen else stage.section))
    return "[stages]\n" + _rows(rows, words)


def _supply(card: SetCard, given: Mapping[str, Plain], words: Words) -> str:
    supply = card.supply
    by_valve = supply.valve is not None and not card.valves[supply.valve].assumed
    rows: list[tuple[str, Plain, bool, str]] = [
        (
            "rectifier",
            given.get("rectifier", supply.rectifier),
            "rectifier" in given,
            "" if "rectifier" in given else ("by its valves" if by_valve else "assumed"),
        ),
    ]
    if supply.valve is not None:
        rows.append(("valve", supply.valve, by_valve, "" if by_valve else "assumed"))
    rows += [
        ("smoothing", given.get("smoothing", supply.smoothing), "smoothing" in given, _usual(given, "smoothing")),
        ("heaters", given.get("heaters", supply.heaters), "heaters" in given, _usual(given, "heaters")),
        ("bias", given.get("bias", supply.bias), "bias" in given, _usual(given, "bias")),
    ]
    if supply.secondary_rms_volts is not None:
        rows.append(("ht_secondary", given.get("ht_secondary", ""), True, ""))
    else:
        rows.append(("ht_secondary", "200 V", False, "r.m.s., of each half where there are two, if you know it"))
    if supply.ht_volts is not None:
        rows.append(("ht_volts", supply.ht_volts.written, False, "at the reservoir, usual"))
    return "[supply]\n" + _rows(rows, words)


def _usual(given: Mapping[str, Plain], key: str) -> str:
    return "" if key in given else "usual"


def _parts(card: SetCard, words: Words) -> str:
    lines = ["[parts]"]
    stage = ""
    for part in card.parts.values():
        here = (part.role or "").partition(".")[0]
        if here != stage:
            stage = here
            valve = next((one.valve for one in card.stages if one.name == stage and stage != "supply"), "")
            title = in_words(stage_title(stage) if stage else "Extra parts", words)
            lines += ["", f"# {title}{f' ({valve})' if valve else ''}"]
        lines.append(_part_line(part, words))
    return "\n".join(lines) + "\n"


def _part_line(part: Part, words: Words) -> str:
    values: dict[str, Plain] = {"role": part.role} if part.role else {}
    if not winding_role(part.role) and part.from_point != part.to_point:
        values |= {"from": part.from_point, "to": part.to_point}
    if part.usual is not None and part.quantity != "none":
        values["usual"] = _written(part.usual.si, part.quantity, words)
    return f"{part.ref} = {inline_table(values)}   # {in_words(part.kind, words)}"


def _written(si: float, unit: quantities.Unit, words: Words) -> str:
    if words == "american":
        return quantities.format_value(si, unit, words="american")
    return quantities.format_value(si, unit, style="code")


def _sheet_example(card: SetCard, words: Words) -> str:
    output = next((stage.valve for stage in card.stages if stage.name.startswith("output")), "V1")
    return _comment(
        in_words("What the maker's service sheet says, a block for each figure:", words)
        + f'\n\n[[service_sheet]]\npoint = "{output}.anode"\nvolts = 205\nmeter = "500 ohm/V on 400 V"\n'
    )
