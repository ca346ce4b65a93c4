"""Markings: everything that is printed on a part, and the general way in from a written value."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from hetwright.errors import Complaint, OutOfRange
from hetwright.quantities.numbers import clean_text, letter_code, letter_tolerance, number_and_unit, within
from hetwright.quantities.units import EXAMPLES, DecimalMark, Unit, facts, fault, shown

__all__ = ["Marking", "parse", "parse_capacitor_digits", "parse_marking"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Marking:
    """What is printed on a part: its value, and what else was written with it.

    ``minus_fraction`` and ``plus_fraction`` are how far the part may be below and above (0.2 for 20 %); ``None``
    where nothing is said. ``rated_volts`` and ``rated_watts`` likewise.
    """

    si: float
    unit: Unit
    minus_fraction: float | None = None
    plus_fraction: float | None = None
    rated_volts: float | None = None
    rated_watts: float | None = None

    @property
    def tolerance_fraction(self) -> float | None:
        """The wider side of the tolerance, or ``None``."""
        if self.minus_fraction is None or self.plus_fraction is None:
            return None
        return max(self.minus_fraction, self.plus_fraction)


_TOLERANCE_SYMMETRIC = re.compile(
    r"[,;(]?\s*(?:±|\+/-|\+-|\+\s*or\s*-|tol\.?|tolerance)?\s*(?P<figure>\d+(?:[.,]\d+)?)\s*(?:%|per\s?cent|pc)\s*\)?",
    re.IGNORECASE | re.ASCII,
)
_TOLERANCE_UNEVEN = re.compile(
    r"[,;(]?\s*(?P<first>[+-]\s*\d+(?:[.,]\d+)?)\s*%?\s*[/,]?\s*(?P<second>[+-]\s*\d+(?:[.,]\d+)?)\s*(?:%|per\s?cent)\s*\)?",
    re.IGNORECASE | re.ASCII,
)
_RATING = re.compile(
    r"(?<![\w.,/])(?P<number>(?:\d+\s)?\d+/[248]|[\d.,]+)\s*(?P<unit>volts?|v|watts?|w)\b\.?"
    r"(?:\s*(?:w(?:or)?k(?:in)?g|d\.?c|a\.?c)\b\.?)*",
    re.IGNORECASE,
)


def parse_marking(text: str, unit: Unit, *, decimal: DecimalMark = ".") -> Marking:
    """Everything printed on a part: value, tolerance, working volts or watts.

    Parameters
    ----------
    text : str
        Such as ``4K7J``, ``10 k ±20 %``, ``8 MF 450 V`` or ``22k 5% 1/2 W``.
    unit : {"ohms", "farads", "henries"}
        What the value is.
    decimal : {".", ","}
        Which decimal mark a doubtful number has; see :func:`parse`.

    Returns
    -------
    Marking

    Raises
    ------
    InputFault, OutOfRange
        As :func:`parse`.

    Notes
    -----
    Letters after a letter code are those of IEC 60062. A capacitor's ``F`` after a letter code claims no tolerance:
    it may as well be the unit.

    Examples
    --------
    >>> parse_marking("4K7J", "ohms").tolerance_fraction
    0.05
    >>> marking = parse_marking("8 MF 450 V +50 -20 %", "farads")
    >>> marking.si, marking.rated_volts, marking.minus_fraction, marking.plus_fraction
    (8e-06, 450.0, 0.2, 0.5)
    """
    if not isinstance(text, str):
        raise fault(text, unit)
    clean = clean_text(text, unit)
    below: float | None = None
    above: float | None = None
    uneven = _TOLERANCE_UNEVEN.search(clean)
    if uneven is not None and uneven.start() > 0:
        sides = [float(uneven[side].replace(" ", "").replace(",", ".") + "e-2") for side in ("first", "second")]
        if min(sides) >= 0 or max(sides) < 0:
            raise fault(text, unit, right="write an uneven tolerance like +50 -20 %")
        below, above = -min(sides), max(sides)
        clean = _without(clean, uneven)
    else:
        even = _TOLERANCE_SYMMETRIC.search(clean)
        if even is not None and even.start() > 0:
            below = above = within(float(even["figure"].replace(",", ".") + "e-2"), text, "percent")
            clean = _without(clean, even)
    ratings: dict[Unit, float] = {}
    for _ in range(2):
        rating = _RATING.search(clean)
        if rating is None or rating.start() == 0:
            break
        of: Unit = "volts" if rating["unit"].lower().startswith("v") else "watts"
        if of in ratings:
            raise fault(text, unit)
        ratings[of] = parse(rating["number"], of, decimal=decimal)
        clean = _without(clean, rating)
    code = letter_code(clean, unit)
    if code is None:
        si = within(number_and_unit(clean, text, unit, decimal), text, unit)
    else:
        si, letter = within(code[0], text, unit), code[1]
        if letter is not None:
            if below is not None:
                raise fault(text, unit, wrong=f"{shown(text)} gives its tolerance twice", right="give it once")
            below, above = letter_tolerance(letter, si, unit)
    return Marking(
        si=si,
        unit=unit,
        minus_fraction=below,
        plus_fraction=above,
        rated_volts=ratings.get("volts"),
        rated_watts=ratings.get("watts"),
    )


def _without(clean: str, matched: re.Match[str]) -> str:
    return (clean[: matched.start()] + " " + clean[matched.end() :]).strip(" ,;")


def parse(text: str | float, unit: Unit, *, decimal: DecimalMark = ".") -> float:
    """A written value as a float in SI units; per cent as a fraction.

    Parameters
    ----------
    text : str or float
        What was written. A plain number is in SI units, except for capacitance, where it is refused.
    unit : {"ohms", "farads", "henries", "volts", "amps", "watts", "hertz", "percent"}
        What it is of.
    decimal : {".", ","}
        What a doubtful mark is. With ``"."`` (the default) ``2,200`` is two thousand two hundred, while ``4,7`` and
        ``0,047`` can only be decimals. With ``","`` a comma is always the decimal mark.

    Returns
    -------
    si : float
        Correctly rounded: the float nearest to what was written. A tolerance or rating written behind ohms,
        farads or henries is checked and left to :func:`parse_marking`.

    Raises
    ------
    InputFault
        Not such a value; says what would be right.
    OutOfRange
        NaN, infinite, negative where that cannot be, or absurd.

    Examples
    --------
    >>> parse("4k7", "ohms"), parse("0.05 mfd", "farads"), parse("60 µA", "amps")
    (4700.0, 5e-08, 6e-05)
    """
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise fault(text, unit)
    if not isinstance(text, str):
        if not math.isfinite(text):
            raise OutOfRange(
                Complaint(wrong=f"{shown(text)} is not a finite number", right=f"write it like {EXAMPLES[unit]}")
            )
        text = repr(float(text)) if abs(text) < 1e300 else str(text)
    if unit in ("ohms", "farads", "henries"):
        return parse_marking(text, unit, decimal=decimal).si
    clean = clean_text(text, unit)
    if unit == "percent":
        clean = re.sub(r"^(±|\+/-|\+-)\s*", "", clean)
    code = letter_code(clean, unit)
    return within(code[0] if code is not None else number_and_unit(clean, text, unit, decimal), text, unit)


def parse_capacitor_digits(text: str) -> Marking:
    """The three-digit code of small capacitors: two digits and the number of noughts, in picofarads.

    Parameters
    ----------
    text : str
        ``473``, or ``473K`` with a tolerance letter. A third digit of 9 or 8 multiplies by 0.1 or 0.01.

    Returns
    -------
    Marking

    Raises
    ------
    InputFault
        Not three digits and at most a tolerance letter.

    Notes
    -----
    Source: EIA marking practice (from memory); the 9 and 8 as in makers' data sheets (from memory).

    Examples
    --------
    >>> parse_capacitor_digits("473K").si
    4.7e-08
    """
    matched = re.fullmatch(r"\s*([1-9]\d)([0-689])\s*([A-Z])?\s*", text, re.ASCII) if isinstance(text, str) else None
    letters = facts()["tolerance_letter"]
    if matched is None or (matched[3] is not None and matched[3] not in letters):
        raise fault(
            text,
            "farads",
            wrong=f"{shown(text)} is not a three-digit capacitor code",
            right="write two digits and the number of noughts, like 473 or 104K",
        )
    power = {"9": -1, "8": -2}.get(matched[2], int(matched[2]))
    si = float(f"{matched[1]}e{power - 12}")
    below, above = letter_tolerance(matched[3], si, "farads") if matched[3] else (None, None)
    return Marking(si=si, unit="farads", minus_fraction=below, plus_fraction=above)
