"""Old moulded capacitors: three, five and six dots.

A row of dots is read with the arrow (or the maker's name) pointing right.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

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
from hetwright.quantities import Words, format_farads

__all__ = [
    "capacitor_from_five_dots",
    "capacitor_from_jan_dots",
    "capacitor_from_six_rma_dots",
    "capacitor_from_three_dots",
    "dots_of_capacitor",
    "jan_dots_of_capacitor",
    "six_rma_dots_of_capacitor",
]

Row = tuple[str, str, str]


def _caution(*names: str) -> tuple[str, ...]:
    return tuple(str(facts()["caution"][name]) for name in names)


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
    code = facts()["rma_mica"]
    figures = [digit_of(colour, f"{ORDINALS[place]} dot") for place, colour in enumerate(digits)]
    if not any(figures):
        raise InputFault(
            Complaint(wrong="all digits are black", right="turn the part so that its arrow points right")
        )
    rated = code["volts"].get(volts)
    if rated is None:
        rated = number([digit_of(volts, "volts dot")], code["volts_power"])
        if rated == 0:
            raise InputFault(
                Complaint(wrong="the volts dot is black", right="turn the part so its arrow points right")
            )
    fraction = code["tolerance"].get(tolerance)
    cautions = ["micamold", "mains"]
    if fraction is None:
        fraction = number([digit_of(tolerance, "tolerance dot")], code["tolerance_power"]) or None
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
    si = number(digits, power_of(multiplier, "multiplier dot") - 12)
    if si > facts()["moulded"]["most_farads"]:
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
    code = facts()["jan"]
    dielectric = code["type"].get(kind)
    if dielectric is None:
        raise InputFault(
            Complaint(
                wrong=f"a {kind} type dot",
                right="it is black or white (mica) or silver (paper); or the code is RMA's",
            )
        )
    digits = [digit_of(first, "first digit"), digit_of(second, "second digit")]
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


def _rma_dots(farads: float, count: int, rated_volts: float, tolerance_fraction: float, words: Words) -> list[str]:
    """Digits, multiplier, volts, tolerance."""
    code = facts()["rma_mica"]
    shown = format_farads(farads) if farads > 0 else f"{farads} farads"
    digits, power = digits_of(farads, count, shown)
    row = [*(colour_of_digit(digit) for digit in digits), colour_of_power(power + 12, shown)]
    row.append(_dot_of(rated_volts, code["volts"], code["volts_power"], f"{rated_volts:g} V"))
    row.append(
        _dot_of(tolerance_fraction, code["tolerance"], code["tolerance_power"], f"{100 * tolerance_fraction:g} %")
    )
    return [spelt(colour, words) for colour in row]


def _dot_of(figure: float, named: Mapping[str, float], digit_power: int, what: str) -> str:
    for colour, meant in named.items():
        if meant == figure:
            return colour
    for digit in range(1, 10):
        if number([digit], digit_power) == figure:
            return colour_of_digit(digit)
    raise OutOfRange(Complaint(wrong=f"no dot for {what}", right="give a figure the code has"))


def dots_of_capacitor(
    farads: float, *, rated_volts: float = 500.0, tolerance_fraction: float = 0.20, words: Words = "british"
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
    first, second, multiplier, volts, tolerance = _rma_dots(farads, 2, rated_volts, tolerance_fraction, words)
    return first, second, multiplier, volts, tolerance


def six_rma_dots_of_capacitor(
    farads: float, *, rated_volts: float = 500.0, tolerance_fraction: float = 0.20, words: Words = "british"
) -> tuple[Row, Row]:
    """Six dots of a moulded capacitor, RMA, both rows; the inverse of :func:`capacitor_from_six_rma_dots`.

    Raises
    ------
    OutOfRange
        The value, volts or tolerance has no such dots.

    Examples
    --------
    >>> six_rma_dots_of_capacitor(250e-12, rated_volts=300.0, tolerance_fraction=0.05)
    (('red', 'green', 'black'), ('orange', 'gold', 'black'))
    """
    first, second, third, multiplier, volts, tolerance = _rma_dots(farads, 3, rated_volts, tolerance_fraction, words)
    return (first, second, third), (volts, tolerance, multiplier)


def jan_dots_of_capacitor(
    farads: float,
    *,
    tolerance_fraction: float = 0.20,
    dielectric: str = "mica",
    characteristic: str = "brown",
    words: Words = "british",
) -> tuple[Row, Row]:
    """Six dots of a moulded capacitor, JAN, both rows; the inverse of :func:`capacitor_from_jan_dots`.

    Parameters
    ----------
    farads : float > 0
    tolerance_fraction : float
        One the code has.
    dielectric : {"mica", "paper"}
    characteristic : str
        Colour of the characteristic dot (how far temperature moves the value), which the value does not tell.

    Raises
    ------
    OutOfRange
        The value, tolerance or dielectric has no such dots.

    Examples
    --------
    >>> jan_dots_of_capacitor(51e-12, tolerance_fraction=0.05)
    (('black', 'green', 'brown'), ('brown', 'green', 'black'))
    """
    code = facts()["jan"]
    shown = format_farads(farads) if farads > 0 else f"{farads} farads"
    digits, power = digits_of(farads, 2, shown)
    kind = next((colour for colour, meant in code["type"].items() if meant == dielectric), None)
    tolerance = next((colour for colour, meant in code["tolerance"].items() if meant == tolerance_fraction), None)
    if kind is None or tolerance is None:
        what = f"{100 * tolerance_fraction:g} %" if tolerance is None else dielectric
        raise OutOfRange(Complaint(wrong=f"no dot for {what}", right="give a figure the code has"))
    first, second = (spelt(colour_of_digit(digit), words) for digit in digits)
    multiplier = spelt(colour_of_power(power + 12, shown), words)
    return (kind, first, second), (spelt(colour_named(characteristic), words), tolerance, multiplier)
