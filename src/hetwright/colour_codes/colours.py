"""Colours: their names, digits and powers of ten, and what a row of them says of a part."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from hetwright.errors import Complaint, InputFault, OutOfRange
from hetwright.quantities import Words

__all__ = ["ColourCoded", "colour_named", "colours_in"]

ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth")


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
def facts() -> dict[str, Any]:
    """The tables of ``trade/colour_codes.toml``."""
    from hetwright.trade_data import load_trade

    return load_trade("colour_codes.toml")


@cache
def _names() -> dict[str, str]:
    names: dict[str, str] = {}
    for colour, record in facts()["colour"].items():
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
    colours = list(facts()["colour"])
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


def digit_of(colour: str, place: str) -> int:
    """The digit a colour stands for; complains of what is none."""
    digit = facts()["colour"][colour].get("digit")
    if digit is None:
        raise InputFault(
            Complaint(wrong=f"{colour} is no digit, as the {place} must be", right="read the row from the other end")
        )
    return int(digit)


def power_of(colour: str, place: str) -> int:
    """The power of ten a colour stands for."""
    record = facts()["colour"][colour]
    power = record.get("power", record.get("digit"))
    if power is None:
        raise InputFault(Complaint(wrong=f"the {place} has no colour", right="look again; it gives the noughts"))
    return int(power)


def number(digits: Sequence[int], power: int) -> float:
    """Digits and a power of ten as the nearest float."""
    return float("".join(map(str, digits)) + f"e{power}")


def digits_of(value: float, count: int, shown: str) -> tuple[list[int], int]:
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


def colour_of_digit(digit: int) -> str:
    """The colour of a digit."""
    return next(str(colour) for colour, record in facts()["colour"].items() if record.get("digit") == digit)


def colour_of_power(power: int, shown: object) -> str:
    """The colour of a power of ten."""
    for colour, record in facts()["colour"].items():
        if record.get("power", record.get("digit")) == power:
            return str(colour)
    raise OutOfRange(Complaint(wrong=f"{shown} is beyond the multiplier colours", right="mark it in figures"))


def spelt(colour: str, words: Words) -> str:
    """A colour in British or American spelling."""
    return str(facts()["colour"][colour].get("american", colour)) if words == "american" else colour
