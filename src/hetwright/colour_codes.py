"""Colour codes: bands of resistors, the old body, end and dot, and the dots of old moulded capacitors.

Each code has a function from colours to value and one back. Tables and their sources are in
``trade/colour_codes.toml``. Colours are written in English, either spelling, or by the two-letter codes of IEC 60757.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from hetwright.errors import Complaint, InputFault, OutOfRange
from hetwright.quantities import Words, format_farads, format_ohms

__all__ = [
    "ColourCoded",
    "capacitor_from_five_dots",
    "capacitor_from_jan_dots",
    "capacitor_from_six_rma_dots",
    "capacitor_from_three_dots",
    "colour_named",
    "colours_in",
    "dots_of_capacitor",
    "resistor_bands",
    "resistor_body_end_dot",
    "resistor_from_bands",
    "resistor_from_body_end_dot",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourCoded:
    """What colours say of a part.

    ``si`` in ohms or farads; ``tolerance_fraction`` ``None`` where the colour has no settled meaning;
    ``coefficient_per_kelvin`` of a six-band resistor; ``dielectric`` "mica" or "paper" where a dot says so.
    ``cautions`` are sentences for the restorer.
    """

    si: float
    unit: Literal["ohms", "farads"]
    tolerance_fraction: float | None
    rated_volts: float | None = None
    coefficient_per_kelvin: float | None = None
    dielectric: str | None = None
    cautions: tuple[str, ...] = ()


@cache
def _facts() -> dict[str, Any]:
    from hetwright.trade_data import load_trade

    return load_trade("colour_codes.toml")


@cache
def _names() -> dict[str, str]:
    names: dict[str, str] = {}
    for colour, record in _facts()["colour"].items():
        for word in (colour, *record["also"]):
            names[word] = colour
    return names


def colour_named(text: str | None) -> str:
    """The colour meant; ``None`` or an empty text is no colour, ``none``.

    Raises
    ------
    InputFault
        Not a colour of the code.

    Examples
    --------
    >>> colour_named("Gray"), colour_named("purple"), colour_named("BN")
    ('grey', 'violet', 'brown')
    """
    word = " ".join((text or "none").split()).casefold() or "none"
    if word in _names():
        return _names()[word]
    colours = list(_facts()["colour"])
    close = difflib.get_close_matches(word, colours, n=2, cutoff=0.5)
    raise InputFault(
        Complaint(
            wrong=f"{text!r} is no colour of the code",
            right=f"did you mean {' or '.join(close)}?" if close else f"use {', '.join(colours)}",
        )
    )


def colours_in(text: str) -> tuple[str, ...]:
    """The colours of a written row: ``yellow violet orange gold``, ``Brown-Black, Green``.

    Examples
    --------
    >>> colours_in("yellow-purple, orange")
    ('yellow', 'violet', 'orange')
    """
    return tuple(colour_named(word) for word in re.split(r"[\s,;/-]+", text.strip()) if word)


def _digit(colour: str, place: str) -> int:
    digit = _facts()["colour"][colour].get("digit")
    if digit is None:
        raise InputFault(
            Complaint(wrong=f"{colour} is no digit, as the {place} must be", right="read the row from the other end")
        )
    return int(digit)


def _power(colour: str, place: str) -> int:
    record = _facts()["colour"][colour]
    power = record.get("power", record.get("digit"))
    if power is None:
        raise InputFault(Complaint(wrong=f"the {place} has no colour", right="look again; it gives the noughts"))
    return int(power)


def _number(digits: Sequence[int], power: int) -> float:
    return float("".join(map(str, digits)) + f"e{power}")


# --- resistors -----------------------------------------------------------------------------------------------------


def resistor_from_bands(colours: Sequence[str]) -> ColourCoded:
    """A resistor from its bands, the first nearest to an end.

    Parameters
    ----------
    colours : sequence of str
        Three bands (20 %), four, five (three digits) or six (with a temperature coefficient); or a single black one,
        a link.

    Returns
    -------
    ColourCoded

    Raises
    ------
    InputFault
        A colour out of place, often because the row is read from the wrong end.

    Notes
    -----
    Source: IEC 60062.

    Examples
    --------
    >>> resistor_from_bands(["yellow", "violet", "orange", "gold"]).si
    47000.0
    """
    named = [colour_named(colour) for colour in colours]
    if named == ["black"]:
        return ColourCoded(si=0.0, unit="ohms", tolerance_fraction=None)
    if len(named) == 3:
        named.append("none")
    if not 4 <= len(named) <= 6:
        raise InputFault(
            Complaint(wrong=f"{len(colours)} bands", right="give three, four, five or six, or one black for a link")
        )
    count = 2 if len(named) == 4 else 3
    digits = [_digit(colour, f"{_ORDINALS[place]} band") for place, colour in enumerate(named[:count])]
    if digits[0] == 0:
        raise InputFault(
            Complaint(wrong="the first band is black, a leading nought", right="read the row from the other end")
        )
    tolerance = _facts()["colour"][named[count + 1]].get("tolerance")
    if tolerance is None or (named[count + 1] == "none" and count == 3):
        raise InputFault(
            Complaint(
                wrong=f"{named[count + 1]} is no tolerance band",
                right="read the row from the other end, or see whether a band has changed colour with heat",
            )
        )
    kelvin: float | None = None
    if len(named) == 6:
        kelvin = _facts()["colour"][named[5]].get("kelvin")
        if kelvin is None:
            raise InputFault(Complaint(wrong=f"{named[5]} is no temperature band", right="look again at the sixth"))
    return ColourCoded(
        si=_number(digits, _power(named[count], f"{_ORDINALS[count]} band")),
        unit="ohms",
        tolerance_fraction=tolerance,
        coefficient_per_kelvin=kelvin,
    )


_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth")


def resistor_bands(
    ohms: float, tolerance_fraction: float = 0.20, *, bands: Literal[4, 5] = 4, words: Words = "british"
) -> tuple[str, ...]:
    """Bands of a resistor; the inverse of :func:`resistor_from_bands`.

    Parameters
    ----------
    ohms : float > 0
    tolerance_fraction : float
        One that has a colour: 0.05, 0.1, 0.2, 0.01, ...; at 20 % there are three bands.
    bands : {4, 5}
        Two or three digits.
    words : {"british", "american"}
        grey or gray.

    Raises
    ------
    OutOfRange
        The value or tolerance has no such bands.

    Examples
    --------
    >>> resistor_bands(4700.0, 0.1)
    ('yellow', 'violet', 'red', 'silver')
    """
    digits, power = _digits_of(ohms, 2 if bands == 4 else 3, format_ohms(ohms) if ohms > 0 else f"{ohms} ohms")
    tolerance = next(
        (
            colour
            for colour, record in _facts()["colour"].items()
            if record.get("tolerance") == tolerance_fraction and not (bands == 5 and colour == "none")
        ),
        None,
    )
    if tolerance is None:
        known = sorted({f"{100 * r['tolerance']:g} %" for r in _facts()["colour"].values() if "tolerance" in r})
        raise OutOfRange(
            Complaint(
                wrong=f"no band for a tolerance of {100 * tolerance_fraction:g} %", right=f"use {', '.join(known)}"
            )
        )
    row = [*(_colour_of_digit(digit) for digit in digits), _colour_of_power(power, ohms)]
    if tolerance != "none":
        row.append(tolerance)
    return tuple(_spelt(colour, words) for colour in row)


def resistor_from_body_end_dot(
    body: str, end: str | None = None, dot: str | None = None, other_end: str | None = None
) -> ColourCoded:
    """An old resistor whose body, one end (tip) and a dot or central band are coloured.

    Parameters
    ----------
    body, end, dot : str
        First digit, second digit, noughts. An end or dot that cannot be seen has the colour of the body.
    other_end : str, optional
        Gold 5 %, silver 10 %, none (or the body's colour) 20 %.

    Notes
    -----
    Source: RMA, in use from about 1930 to the war.

    Examples
    --------
    >>> resistor_from_body_end_dot("green", "brown", "orange").si
    51000.0
    """
    base = colour_named(body)
    tip = colour_named(end) if end else base
    spot = colour_named(dot) if dot else base
    far = colour_named(other_end) if other_end else "none"
    if far == base:
        far = "none"
    if far not in ("gold", "silver", "none"):
        raise InputFault(
            Complaint(
                wrong=f"a {far} other end is no tolerance", right="it is gold, silver or bare; exchange the ends?"
            )
        )
    digits = [_digit(base, "body"), _digit(tip, "end")]
    if digits == [0, 0]:
        raise InputFault(
            Complaint(wrong="body and end are both black", right="look again; the value would be nought")
        )
    return ColourCoded(
        si=_number(digits, _power(spot, "dot")),
        unit="ohms",
        tolerance_fraction=float(_facts()["colour"][far]["tolerance"]),
    )


def resistor_body_end_dot(
    ohms: float, tolerance_fraction: float = 0.20, *, words: Words = "british"
) -> tuple[str, str, str, str]:
    """Body, end, dot and other end of an old resistor; the inverse of :func:`resistor_from_body_end_dot`.

    Raises
    ------
    OutOfRange
        The value or tolerance has no such colours.

    Examples
    --------
    >>> resistor_body_end_dot(250e3)
    ('red', 'green', 'yellow', 'none')
    """
    digits, power = _digits_of(ohms, 2, format_ohms(ohms) if ohms > 0 else f"{ohms} ohms")
    far = next(
        (
            colour
            for colour in ("gold", "silver", "none")
            if _facts()["colour"][colour]["tolerance"] == tolerance_fraction
        ),
        None,
    )
    if far is None:
        raise OutOfRange(
            Complaint(wrong=f"no colour for {100 * tolerance_fraction:g} %", right="the ends show 5, 10 or 20 %")
        )
    body, end = (_colour_of_digit(digit) for digit in digits)
    dot = _colour_of_power(power, ohms)
    return (_spelt(body, words), _spelt(end, words), _spelt(dot, words), far)


# --- capacitors ----------------------------------------------------------------------------------------------------


def _caution(*names: str) -> tuple[str, ...]:
    return tuple(str(_facts()["caution"][name]) for name in names)


def capacitor_from_three_dots(colours: Sequence[str]) -> ColourCoded:
    """A moulded capacitor with three dots: two digits and noughts, in picofarads; 500 V, 20 %.

    Notes
    -----
    Read left to right with the maker's name upright. Source: RMA, see ``trade/colour_codes.toml``.

    Examples
    --------
    >>> capacitor_from_three_dots(["red", "green", "black"]).si
    2.5e-11
    """
    if len(colours) != 3:
        raise InputFault(Complaint(wrong=f"{len(colours)} dots", right="give three"))
    return capacitor_from_five_dots([*colours, "none", "none"])


def capacitor_from_five_dots(colours: Sequence[str]) -> ColourCoded:
    """A moulded capacitor with five dots: two digits, noughts, volts in hundreds, tolerance.

    Parameters
    ----------
    colours : sequence of 5 str
        A dot that is not there is ``none``: 500 V, 20 %.

    Notes
    -----
    Source: RMA, see ``trade/colour_codes.toml``.

    Examples
    --------
    >>> part = capacitor_from_five_dots(["brown", "black", "brown", "gold", "silver"])
    >>> part.si, part.rated_volts, part.tolerance_fraction
    (1e-10, 1000.0, 0.1)
    """
    if len(colours) != 5:
        raise InputFault(Complaint(wrong=f"{len(colours)} dots", right="give five"))
    first, second, multiplier, volts, tolerance = (colour_named(colour) for colour in colours)
    return _rma_capacitor([first, second], multiplier, volts, tolerance)


def capacitor_from_six_rma_dots(top: Sequence[str], bottom: Sequence[str]) -> ColourCoded:
    """A moulded capacitor with six dots, RMA: three digits above; below volts, tolerance, noughts.

    Parameters
    ----------
    top, bottom : sequence of 3 str
        Both rows from the left, the arrow pointing right.

    Notes
    -----
    Where the first dot above is black, white or silver it may be the JAN code; see :func:`capacitor_from_jan_dots`.
    Source: RMA (from memory).

    Examples
    --------
    >>> capacitor_from_six_rma_dots(["red", "green", "black"], ["green", "gold", "brown"]).si
    2.5e-09
    """
    _three_and_three(top, bottom)
    first, second, third = (colour_named(colour) for colour in top)
    volts, tolerance, multiplier = (colour_named(colour) for colour in bottom)
    return _rma_capacitor([first, second, third], multiplier, volts, tolerance)


def _three_and_three(top: Sequence[str], bottom: Sequence[str]) -> None:
    if len(top) != 3 or len(bottom) != 3:
        raise InputFault(Complaint(wrong=f"rows of {len(top)} and {len(bottom)} dots", right="give three and three"))


def _rma_capacitor(digits: Sequence[str], multiplier: str, volts: str, tolerance: str) -> ColourCoded:
    code = _facts()["rma_mica"]
    figures = [_digit(colour, f"{_ORDINALS[place]} dot") for place, colour in enumerate(digits)]
    if not any(figures):
        raise InputFault(
            Complaint(wrong="all digits are black", right="turn the part so that its arrow points right")
        )
    rated = code["volts"].get(volts)
    if rated is None:
        rated = _number([_digit(volts, "volts dot")], code["volts_power"])
        if rated == 0:
            raise InputFault(
                Complaint(wrong="the volts dot is black", right="turn the part so its arrow points right")
            )
    fraction = code["tolerance"].get(tolerance)
    cautions = ["micamold", "mains"]
    if fraction is None:
        fraction = _number([_digit(tolerance, "tolerance dot")], code["tolerance_power"]) or None
        if fraction is None:
            cautions.append("tolerance_unknown")
    return ColourCoded(
        si=_moulded(figures, multiplier),
        unit="farads",
        tolerance_fraction=fraction,
        rated_volts=rated,
        cautions=_caution(*cautions),
    )


def _moulded(digits: Sequence[int], multiplier: str) -> float:
    """Farads of a moulded capacitor; one too large to be was read from the wrong end."""
    si = _number(digits, _power(multiplier, "multiplier dot") - 12)
    if si > _facts()["moulded"]["most_farads"]:
        raise OutOfRange(
            Complaint(
                wrong=f"{format_farads(si)} is no moulded capacitor",
                right="turn the part so that its arrow points right",
            )
        )
    return si


def capacitor_from_jan_dots(top: Sequence[str], bottom: Sequence[str]) -> ColourCoded:
    """A moulded capacitor with six dots, JAN or AWS.

    Parameters
    ----------
    top : sequence of 3 str
        Type (black or white mica, silver paper), first and second digit, arrows pointing right.
    bottom : sequence of 3 str
        Characteristic, tolerance, noughts.

    Returns
    -------
    ColourCoded
        ``tolerance_fraction`` is ``None`` for a colour on which printed lists disagree.

    Notes
    -----
    Sources: see ``trade/colour_codes.toml``.

    Examples
    --------
    >>> capacitor_from_jan_dots(["black", "green", "brown"], ["red", "yellow", "black"]).si
    5.1e-11
    """
    _three_and_three(top, bottom)
    kind, first, second = (colour_named(colour) for colour in top)
    _, tolerance, multiplier = (colour_named(colour) for colour in bottom)
    code = _facts()["jan"]
    dielectric = code["type"].get(kind)
    if dielectric is None:
        raise InputFault(
            Complaint(
                wrong=f"a {kind} type dot",
                right="it is black or white (mica) or silver (paper); or the code is RMA's",
            )
        )
    digits = [_digit(first, "first digit"), _digit(second, "second digit")]
    if not any(digits):
        raise InputFault(
            Complaint(wrong="both digits are black", right="turn the part so that its arrows point right")
        )
    si = _moulded(digits, multiplier)
    rated: float | None = None
    if dielectric == "mica":
        rated = next((row["volts"] for row in code["volts"] if si < row["below_farads"]), None)
    fraction = code["tolerance"].get(tolerance)
    cautions = ["micamold" if dielectric == "mica" else "paper", "mains"]
    if fraction is None:
        cautions.append("tolerance_unknown")
    return ColourCoded(
        si=si,
        unit="farads",
        tolerance_fraction=fraction,
        rated_volts=rated,
        dielectric=dielectric,
        cautions=_caution(*cautions),
    )


def dots_of_capacitor(
    farads: float,
    *,
    rated_volts: float = 500.0,
    tolerance_fraction: float = 0.20,
    words: Words = "british",
) -> tuple[str, str, str, str, str]:
    """Five dots of a moulded capacitor; the inverse of :func:`capacitor_from_five_dots`.

    Where the last two are ``none`` the first three are the three-dot code.

    Raises
    ------
    OutOfRange
        The value, volts or tolerance has no such dots.

    Examples
    --------
    >>> dots_of_capacitor(25e-12)
    ('red', 'green', 'black', 'none', 'none')
    """
    code = _facts()["rma_mica"]
    shown = format_farads(farads) if farads > 0 else f"{farads} farads"
    digits, power = _digits_of(farads, 2, shown)
    row = [*(_colour_of_digit(digit) for digit in digits), _colour_of_power(power + 12, shown)]
    for value, table, of_digit, what in (
        (rated_volts, code["volts"], code["volts_power"], f"{rated_volts:g} V"),
        (tolerance_fraction, code["tolerance"], code["tolerance_power"], f"{100 * tolerance_fraction:g} %"),
    ):
        named = next((colour for colour, figure in table.items() if figure == value), None)
        digit = next((d for d in range(1, 10) if _number([d], of_digit) == value), None)
        if named is None and digit is None:
            raise OutOfRange(Complaint(wrong=f"no dot for {what}", right="give a figure the code has"))
        row.append(named if named is not None else _colour_of_digit(digit or 0))
    first, second, third, fourth, fifth = (_spelt(colour, words) for colour in row)
    return first, second, third, fourth, fifth


# --- the way back --------------------------------------------------------------------------------------------------


def _digits_of(value: float, count: int, shown: str) -> tuple[list[int], int]:
    """``count`` significant digits and a power of ten that give ``value`` exactly."""
    if not 0 < value < float("inf"):
        raise OutOfRange(Complaint(wrong=f"{shown} has no colours", right="give a finite value above zero"))
    mantissa, _, exponent = f"{value:.{count - 1}e}".partition("e")
    digits = mantissa.replace(".", "")
    power = int(exponent) - (count - 1)
    if float(f"{digits}e{power}") != value:
        raise OutOfRange(
            Complaint(
                wrong=f"{shown} has more than {count} digits", right="give a value that two or three digits hold"
            )
        )
    return [int(digit) for digit in digits], power


def _colour_of_digit(digit: int) -> str:
    return next(colour for colour, record in _facts()["colour"].items() if record.get("digit") == digit)


def _colour_of_power(power: int, shown: object) -> str:
    for colour, record in _facts()["colour"].items():
        if record.get("power", record.get("digit")) == power:
            return str(colour)
    raise OutOfRange(Complaint(wrong=f"{shown} is beyond the multiplier colours", right="mark it in figures"))


def _spelt(colour: str, words: Words) -> str:
    return str(_facts()["colour"][colour].get("american", colour)) if words == "american" else colour
