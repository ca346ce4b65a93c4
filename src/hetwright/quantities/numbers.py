"""Reading a number and its unit: decimal marks, thousands, fractions, letter codes."""

from __future__ import annotations

import math
import re

from hetwright.errors import Complaint, InputFault, OutOfRange
from hetwright.quantities.units import (
    CALLED,
    EXACT,
    EXAMPLES,
    LETTERS,
    LOOSE,
    SIGNED,
    ZERO_MEANS_NOTHING,
    DecimalMark,
    Unit,
    facts,
    fault,
    shown,
)
from hetwright.quantities.writing import format_value

__all__ = ["clean_text", "letter_code", "letter_tolerance", "number_and_unit", "within"]

LONGEST = 80
"""Characters of a written value; whatever is longer is something else pasted in."""

# One sign for one meaning, before anything else is looked at.
_SAME = str.maketrans(
    {
        "\u03bc": "µ",  # Greek mu
        "\u2126": "Ω",  # ohm sign
        "\u03a9": "Ω",  # Greek capital omega
        "\u2212": "-",  # minus sign
        "\u2013": "-",
        "\u2010": "-",
        "\u2011": "-",
        "\u00a0": " ",
        "\u2007": " ",
        "\u2009": " ",
        "\u202f": " ",
        "\t": " ",
        "\u2019": "'",
    }
)
_FRACTIONS = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8"}

_NUMBER = re.compile(
    r"""(?P<sign>[+-])?\s*
        (?: (?:(?P<whole>\d{1,3})\s+)?(?P<top>\d{1,2})/(?P<bottom>[248])(?!\d)
          | (?P<digits>(?:\d{1,3}(?:[ ']\d{3})+(?!\d)|\d+)?(?:[.,]\d+)*[.,]?)(?P<power>[eE][+-]?\d{1,3}(?![\w.,]))?
        )""",
    re.VERBOSE | re.ASCII,
)
_LETTER_CODE = re.compile(r"(?P<whole>\d*)(?P<letter>[A-Za-zµΩ])(?P<part>\d*)(?P<tolerance>[A-Z])?", re.ASCII)

# A letter code may be followed by its unit, or by its tolerance letter after a space.
_CODE_UNIT = re.compile(r"([0-9]*[A-Za-zµ][0-9]+|[0-9]+[A-Za-zµ])(?:\s*(?:Ω|[Oo]hms?|OHMS?)|\s(?=[A-Z]$))", re.ASCII)


def within(si: float, text: object, unit: Unit) -> float:
    """Refuse what nobody means: NaN, infinity, a wrong sign, an absurd size."""
    if not math.isfinite(si):
        raise OutOfRange(
            Complaint(wrong=f"{shown(text)} is not a finite number", right=f"write it like {EXAMPLES[unit]}")
        )
    if si < 0 and unit not in SIGNED:
        raise OutOfRange(
            Complaint(
                wrong=f"{shown(text)}: {CALLED[unit]} cannot be negative", right=f"write it like {EXAMPLES[unit]}"
            )
        )
    if si == 0:
        if unit in ZERO_MEANS_NOTHING:
            raise OutOfRange(Complaint(wrong=f"{shown(text)} is zero", right=ZERO_MEANS_NOTHING[unit]))
        return 0.0
    limits = facts()["limits"][unit]
    for beyond, limit, word in (
        (abs(si) < limits["least"], limits["least"], "below"),
        (abs(si) > limits["most"], limits["most"], "above"),
    ):
        if beyond:
            edge = format_value(limit, unit, style="full")
            raise OutOfRange(
                Complaint(
                    wrong=f"{shown(text)} is {word} {edge}, beyond any part or reading of a set",
                    right="check the unit and the number of noughts",
                )
            )
    return si


def _ungrouped(digits: str, text: str, unit: Unit, decimal: DecimalMark) -> str:
    """Digits with a point for decimals and no thousands marks; the rules of docs/written-values.md."""
    digits = digits.replace(" ", "").replace("'", "")
    commas, dots = digits.count(","), digits.count(".")
    if commas and dots:
        last = max(digits.rfind(","), digits.rfind("."))
        mark = digits[last]
        other = "." if mark == "," else ","
        if digits.count(mark) > 1 or not _grouped(digits[:last], other):
            raise fault(text, unit)
        return digits[:last].replace(other, "") + "." + digits[last + 1 :]
    mark = "," if commas else "."
    if commas + dots > 1:
        if not _grouped(digits, mark):
            raise fault(text, unit)
        return digits.replace(mark, "")
    if commas + dots == 0:
        return digits
    before, _, after = digits.partition(mark)
    like_thousands = len(after) == 3 and 1 <= len(before) <= 3 and before[0] != "0"
    if mark == "," and decimal == "." and like_thousands:
        return before + after
    if mark == "." and decimal == "," and like_thousands:
        raise fault(
            text,
            unit,
            wrong=f"{shown(text)} may be {before}{after} or {before},{after} where the comma is the decimal mark",
            right=f"write {before}{after} or {before},{after}",
        )
    return before + "." + after


def _grouped(digits: str, mark: str) -> bool:
    first, *rest = digits.split(mark)
    return 1 <= len(first) <= 3 and all(len(group) == 3 for group in rest)


def clean_text(text: str, unit: Unit) -> str:
    """Text with one kind of space, sign and fraction, spaces at the ends and double ones gone.

    Raises
    ------
    InputFault
        If the text is too long to be a value.
    """
    if len(text) > LONGEST:
        raise fault(text, unit, wrong=f"{shown(text)} is {len(text)} characters long, too long for a value")
    clean = text.translate(_SAME)
    for sign, written in _FRACTIONS.items():
        clean = re.sub(rf"(?<=\d)\s*{sign}", f" {written}", clean).replace(sign, written)
    return " ".join(clean.split())


def _power(suffix: str, text: str, unit: Unit) -> float | int:
    """Power of ten of what follows the number; a float for units that are no power of ten (the jar)."""
    squeezed = suffix.replace(" ", "")
    if squeezed in EXACT[unit]:
        return EXACT[unit][squeezed]
    loose = squeezed.lower().replace(".", "").replace("-", "")
    table = LOOSE[unit]
    for word in (loose, loose.removesuffix("s")):
        if word in table:
            return table[word]
    if unit == "ohms" and loose in ("m", "mohm", "mohms", "mΩ", "mω"):
        raise _small_m(text)
    if unit == "hertz" and loose in ("m", "mhz"):
        raise fault(
            text,
            unit,
            wrong=f"{shown(text)}: a small m may be a million or a thousandth",
            right="write 1.5 MHz, or 0.0015 Hz",
        )
    if unit == "farads":
        if loose == "":
            raise fault(
                text,
                unit,
                wrong=f"{shown(text)} has no unit, and capacitors are marked in more than one",
                right="write 0.05 µF, 500 pF or 10n",
            )
        if loose == "m":
            raise fault(
                text,
                unit,
                wrong=f"{shown(text)}: M alone may be a microfarad, a thousandth of a farad or 20 per cent",
                right="write 8 µF or 8 mfd",
            )
        if loose in ("jar", "jars", "cm"):
            return float(facts()["centimetre" if loose == "cm" else "jar"]["farads"])
    raise fault(text, unit)


def number_and_unit(clean: str, text: str, unit: Unit, decimal: DecimalMark) -> float:
    """A number, then what follows it."""
    matched = _NUMBER.match(clean)
    if matched is None or not (matched["digits"] or matched["top"]):
        raise fault(text, unit)
    if matched["top"]:
        ratio = int(matched["whole"] or 0) + int(matched["top"]) / int(matched["bottom"])
        digits, power = repr(ratio), 0
    else:
        digits = _ungrouped(matched["digits"], text, unit, decimal)
        if not any(c.isdigit() for c in digits):
            raise fault(text, unit)
        power = int(matched["power"][1:]) if matched["power"] else 0
    suffix = clean[matched.end() :].strip()
    if suffix and suffix[0] in ".,0123456789":
        raise fault(text, unit)
    scale = _power(suffix, text, unit)
    sign = matched["sign"] or ""
    if isinstance(scale, float):
        return float(f"{sign}{digits}e{power}") * scale
    return float(f"{sign}{digits}e{power + scale}")


def letter_code(clean: str, unit: Unit) -> tuple[float, str | None] | None:
    """A value with a letter for its decimal mark (IEC 60062) and its tolerance letter, or ``None``."""
    if unit == "ohms" and re.fullmatch(r"[0-9]+E[0-9]*", clean):
        clean = _old_ohms(clean)
    matched = _LETTER_CODE.fullmatch(_CODE_UNIT.sub(r"\1", clean))
    if matched is None:
        return None
    whole, letter, part, tolerance = matched["whole"], matched["letter"], matched["part"], matched["tolerance"]
    if unit == "ohms" and letter == "m" and part:
        raise _small_m(clean)
    if letter not in LETTERS[unit] or not (whole or part):
        return None
    if tolerance is not None and unit not in ("ohms", "farads"):
        return None
    if tolerance == "F" and unit == "farads":
        tolerance = None  # 4n7F: as likely the unit as 1 per cent, so no tolerance is claimed
    if not part and tolerance is None and not (unit == "ohms" and letter == "R"):
        return None  # 47k, 10n: number and unit, read as such
    if tolerance is not None and tolerance not in facts()["tolerance_letter"]:
        return None
    return float(f"{whole or '0'}.{part or '0'}e{LETTERS[unit][letter]}"), tolerance


def _small_m(text: str) -> InputFault:
    return fault(
        text,
        "ohms",
        wrong=f"{shown(text)}: a small m may be a megohm or a thousandth of an ohm",
        right="write 1 M or 1 meg for a megohm, 0.001 for a thousandth",
    )


def _old_ohms(clean: str) -> str:
    """The continental E for ohms, ``470E``; between digits it may as well be an exponent."""
    whole, _, part = clean.partition("E")
    if part:
        raise fault(
            clean,
            "ohms",
            wrong=f"{shown(clean)} may be {whole}.{part} ohms or {whole} with {part} noughts",
            right=f"write {whole}R{part} or {whole}e{part}",
        )
    return whole + "R"


def letter_tolerance(letter: str, si: float, unit: Unit) -> tuple[float, float]:
    """Fractions below and above that a tolerance letter allows; of small capacitors it stands for farads, not per cent."""
    small = facts()["small_capacitor"]
    if unit == "farads" and si < small["below_farads"] and letter in small["tolerance_farads"]:
        fraction = small["tolerance_farads"][letter] / si
        return fraction, fraction
    record = facts()["tolerance_letter"][letter]
    return record["below"], record["above"]
