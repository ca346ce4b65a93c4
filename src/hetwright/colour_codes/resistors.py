"""Resistors: bands, and the old body, end and dot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from hetwright.colour_codes.colours import (
    ORDINALS,
    ColourCoded,
    colour_named,
    colour_of_digit,
    colour_of_power,
    digit_of,
    digits_of,
    facts,
    number,
    power_of,
    spelt,
)
from hetwright.errors import Complaint, InputFault, OutOfRange
from hetwright.quantities import Words, format_ohms

__all__ = ["resistor_bands", "resistor_body_end_dot", "resistor_from_bands", "resistor_from_body_end_dot"]


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
    digits = [digit_of(colour, f"{ORDINALS[place]} band") for place, colour in enumerate(named[:count])]
    if digits[0] == 0:
        raise InputFault(
            Complaint(wrong="the first band is black, a leading nought", right="read the row from the other end")
        )
    tolerance = facts()["colour"][named[count + 1]].get("tolerance")
    if tolerance is None or (named[count + 1] == "none" and count == 3):
        raise InputFault(
            Complaint(
                wrong=f"{named[count + 1]} is no tolerance band",
                right="read the row from the other end, or see whether a band has changed colour with heat",
            )
        )
    kelvin: float | None = None
    if len(named) == 6:
        kelvin = facts()["colour"][named[5]].get("kelvin")
        if kelvin is None:
            raise InputFault(Complaint(wrong=f"{named[5]} is no temperature band", right="look again at the sixth"))
    return ColourCoded(
        si=number(digits, power_of(named[count], f"{ORDINALS[count]} band")),
        unit="ohms",
        tolerance_fraction=tolerance,
        coefficient_per_kelvin=kelvin,
    )


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
    digits, power = digits_of(ohms, 2 if bands == 4 else 3, format_ohms(ohms) if ohms > 0 else f"{ohms} ohms")
    tolerance = next(
        (
            colour
            for colour, record in facts()["colour"].items()
            if record.get("tolerance") == tolerance_fraction and not (bands == 5 and colour == "none")
        ),
        None,
    )
    if tolerance is None:
        known = sorted({f"{100 * r['tolerance']:g} %" for r in facts()["colour"].values() if "tolerance" in r})
        raise OutOfRange(
            Complaint(
                wrong=f"no band for a tolerance of {100 * tolerance_fraction:g} %", right=f"use {', '.join(known)}"
            )
        )
    row = [*(colour_of_digit(digit) for digit in digits), colour_of_power(power, ohms)]
    if tolerance != "none":
        row.append(tolerance)
    return tuple(spelt(colour, words) for colour in row)


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
    digits = [digit_of(base, "body"), digit_of(tip, "end")]
    if digits == [0, 0]:
        raise InputFault(
            Complaint(wrong="body and end are both black", right="look again; the value would be nought")
        )
    return ColourCoded(
        si=number(digits, power_of(spot, "dot")),
        unit="ohms",
        tolerance_fraction=float(facts()["colour"][far]["tolerance"]),
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
    digits, power = digits_of(ohms, 2, format_ohms(ohms) if ohms > 0 else f"{ohms} ohms")
    far = next(
        (
            colour
            for colour in ("gold", "silver", "none")
            if facts()["colour"][colour]["tolerance"] == tolerance_fraction
        ),
        None,
    )
    if far is None:
        raise OutOfRange(
            Complaint(wrong=f"no colour for {100 * tolerance_fraction:g} %", right="the ends show 5, 10 or 20 %")
        )
    body, end = (colour_of_digit(digit) for digit in digits)
    dot = colour_of_power(power, ohms)
    return (spelt(body, words), spelt(end, words), spelt(dot, words), far)
