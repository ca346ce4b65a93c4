"""Written values: what a restorer writes, and the number it stands for.

``parse_…`` takes a written value to a float in SI units; ``format_…`` takes it back. The two are exact inverses:
``parse_ohms(format_ohms(x)) == x`` for every float within the limits of ``trade/written_values.toml``. Rules for what
could be read two ways (a comma, a capital M) are in ``docs/written-values.md``. Nothing heavy is imported here: the
command line starts through this module.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from hetwright.errors import Complaint, InputFault, OutOfRange

__all__ = [
    "UNITS",
    "DecimalMark",
    "Marking",
    "Style",
    "Unit",
    "Words",
    "format_amps",
    "format_farads",
    "format_henries",
    "format_hertz",
    "format_ohms",
    "format_percent",
    "format_value",
    "format_volts",
    "format_watts",
    "parse",
    "parse_amps",
    "parse_capacitor_digits",
    "parse_farads",
    "parse_henries",
    "parse_hertz",
    "parse_marking",
    "parse_ohms",
    "parse_percent",
    "parse_volts",
    "parse_watts",
]

Unit = Literal["ohms", "farads", "henries", "volts", "amps", "watts", "hertz", "percent"]
Style = Literal["plain", "full", "code"]
Words = Literal["british", "american"]
DecimalMark = Literal[".", ","]

UNITS: tuple[Unit, ...] = ("ohms", "farads", "henries", "volts", "amps", "watts", "hertz", "percent")

LONGEST = 80
"""Characters of a written value; whatever is longer is something else pasted in."""

_CALLED: dict[Unit, str] = {
    "ohms": "a resistance",
    "farads": "a capacitance",
    "henries": "an inductance",
    "volts": "a voltage",
    "amps": "a current",
    "watts": "a power",
    "hertz": "a frequency",
    "percent": "a percentage",
}
_EXAMPLES: dict[Unit, str] = {
    "ohms": "4k7, 4.7 k, 330 or 1 M",
    "farads": "0.05 µF, 500 pF, 10n or 8 mfd",
    "henries": "10 H, 2.5 mH or 180 µH",
    "volts": "182 V, 6.3 V or 45 mV",
    "amps": "45 mA, 60 µA or 0.3 A",
    "watts": "80 W, 0.5 W or 50 mW",
    "hertz": "465 kHz, 1.5 MHz or 50 Hz",
    "percent": "5 %, ±20 % or 10 per cent",
}
_SIGNED: frozenset[Unit] = frozenset({"volts", "amps"})
_ZERO_MEANS_NOTHING: dict[Unit, str] = {
    "farads": "a capacitor that measures nothing is open: say so as its fault",
    "henries": "a winding that measures nothing is open or short: say so as its fault",
}

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

# What may follow a number, power of ten. Capitals are told apart only where "m" and "M" differ; the rest is
# looked up in small letters with spaces, dots and a plural s taken away.
_EXACT: dict[Unit, dict[str, int]] = {
    "ohms": {"M": 6, "MΩ": 6, "mΩ": -3, "Mohm": 6, "MOhm": 6, "MOHM": 6, "G": 9, "T": 12},
    "farads": {},
    "henries": {},
    "volts": {},
    "amps": {},
    "watts": {},
    "hertz": {"M": 6, "MHz": 6, "MHZ": 6},
    "percent": {},
}
_LOOSE: dict[Unit, dict[str, int]] = {
    "ohms": {
        "": 0, "r": 0, "Ω": 0, "ω": 0, "ohm": 0,
        "k": 3, "kΩ": 3, "kω": 3, "kohm": 3, "kilohm": 3, "kiloohm": 3, "kr": 3,
        "meg": 6, "megohm": 6, "megaohm": 6, "megΩ": 6, "megω": 6,
        "gΩ": 9, "gω": 9, "gohm": 9, "gigaohm": 9, "gigohm": 9,
        "tΩ": 12, "tω": 12, "teraohm": 12,
        "milliohm": -3, "µΩ": -6, "µω": -6, "microhm": -6,
    },
    "farads": {
        "f": 0, "farad": 0,
        "millifarad": -3,
        "µ": -6, "u": -6, "µf": -6, "uf": -6, "µfd": -6, "ufd": -6, "mf": -6, "mfd": -6, "microfarad": -6, "mike": -6,
        "n": -9, "nf": -9, "nfd": -9, "nanofarad": -9, "kpf": -9,
        "p": -12, "pf": -12, "pfd": -12, "picofarad": -12, "puff": -12, "mmf": -12, "mmfd": -12, "µµf": -12,
        "uuf": -12, "µµfd": -12, "uufd": -12, "µµ": -12, "micromicrofarad": -12,
    },
    "henries": {
        "": 0, "h": 0, "hy": 0, "henry": 0, "henrie": 0,
        "m": -3, "mh": -3, "mhy": -3, "millihenry": -3, "millihenrie": -3,
        "µ": -6, "u": -6, "µh": -6, "uh": -6, "µhy": -6, "uhy": -6, "microhenry": -6, "microhenrie": -6,
        "n": -9, "nh": -9,
    },
    "volts": {
        "": 0, "v": 0, "volt": 0, "kv": 3, "kilovolt": 3,
        "mv": -3, "millivolt": -3, "µv": -6, "uv": -6, "microvolt": -6,
    },
    "amps": {
        "": 0, "a": 0, "amp": 0, "ampere": 0, "ma": -3, "milliamp": -3, "milliampere": -3,
        "µa": -6, "ua": -6, "microamp": -6, "microampere": -6, "na": -9, "nanoamp": -9,
    },
    "watts": {"": 0, "w": 0, "watt": 0, "kw": 3, "kilowatt": 3, "mw": -3, "milliwatt": -3, "µw": -6, "uw": -6},
    "hertz": {
        "": 0, "hz": 0, "hertz": 0, "c/": 0, "cp": 0, "c": 0, "cycle": 0, "~": 0, "cyclespersecond": 0,
        "k": 3, "khz": 3, "kc": 3, "kc/": 3, "kcp": 3, "kilohertz": 3, "kilocycle": 3,
        "mc": 6, "mc/": 6, "mcp": 6, "meg": 6, "megahertz": 6, "megacycle": 6, "ghz": 9, "gigahertz": 9,
    },
    "percent": {"": -2, "%": -2, "percent": -2, "pc": -2},
}  # fmt: skip
_LETTERS: dict[Unit, dict[str, int]] = {
    "ohms": {"R": 0, "r": 0, "Ω": 0, "K": 3, "k": 3, "M": 6, "G": 9, "T": 12},
    "farads": {
        "F": 0, "m": -3, "µ": -6, "u": -6, "U": -6, "n": -9, "N": -9, "p": -12, "P": -12,
    },
    "henries": {"H": 0, "h": 0, "m": -3, "µ": -6, "u": -6, "n": -9},
    "volts": {"V": 0, "v": 0},
    "amps": {"A": 0, "a": 0},
    "watts": {"W": 0, "w": 0},
    "hertz": {"k": 3, "K": 3, "M": 6},
    "percent": {},
}  # fmt: skip


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


@cache
def _facts() -> dict[str, Any]:
    from hetwright.trade_data import load_trade

    return load_trade("written_values.toml")


def _fault(text: object, unit: Unit, right: str | None = None, wrong: str | None = None) -> InputFault:
    shown = _shown(text)
    return InputFault(
        Complaint(
            wrong=wrong or f"{shown} is not {_CALLED[unit]}",
            right=right or f"write it like {_EXAMPLES[unit]}",
        )
    )


def _shown(text: object) -> str:
    shown = str(text) if not isinstance(text, str) else text
    shown = "".join(c if c.isprintable() else "·" for c in shown[:40])
    return f"'{shown}'" + ("…" if len(str(text)) > 40 else "")


def _within(si: float, text: object, unit: Unit) -> float:
    """Refuse what nobody means: NaN, infinity, a wrong sign, an absurd size."""
    shown = _shown(text)
    if not math.isfinite(si):
        raise OutOfRange(Complaint(wrong=f"{shown} is not a finite number", right=f"write it like {_EXAMPLES[unit]}"))
    if si < 0 and unit not in _SIGNED:
        raise OutOfRange(
            Complaint(wrong=f"{shown}: {_CALLED[unit]} cannot be negative", right=f"write it like {_EXAMPLES[unit]}")
        )
    if si == 0:
        if unit in _ZERO_MEANS_NOTHING:
            raise OutOfRange(Complaint(wrong=f"{shown} is zero", right=_ZERO_MEANS_NOTHING[unit]))
        return 0.0
    limits = _facts()["limits"][unit]
    for beyond, limit, word in (
        (abs(si) < limits["least"], limits["least"], "below"),
        (abs(si) > limits["most"], limits["most"], "above"),
    ):
        if beyond:
            raise OutOfRange(
                Complaint(
                    wrong=f"{shown} is {word} {format_value(limit, unit)}, which no part or reading of a set is",
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
            raise _fault(text, unit)
        return digits[:last].replace(other, "") + "." + digits[last + 1 :]
    mark = "," if commas else "."
    if commas + dots > 1:
        if not _grouped(digits, mark):
            raise _fault(text, unit)
        return digits.replace(mark, "")
    if commas + dots == 0:
        return digits
    before, _, after = digits.partition(mark)
    like_thousands = len(after) == 3 and 1 <= len(before) <= 3 and before[0] != "0"
    if mark == "," and decimal == "." and like_thousands:
        return before + after
    if mark == "." and decimal == "," and like_thousands:
        raise _fault(
            text,
            unit,
            wrong=f"{_shown(text)} may be {before}{after} or {before},{after} where the comma is the decimal mark",
            right=f"write {before}{after} or {before},{after}",
        )
    return before + "." + after


def _grouped(digits: str, mark: str) -> bool:
    first, *rest = digits.split(mark)
    return 1 <= len(first) <= 3 and all(len(group) == 3 for group in rest)


def _clean(text: str, unit: Unit) -> str:
    if len(text) > LONGEST:
        raise _fault(text, unit, wrong=f"{_shown(text)} is {len(text)} characters long, too long for a value")
    clean = text.translate(_SAME)
    for sign, written in _FRACTIONS.items():
        clean = re.sub(rf"(?<=\d)\s*{sign}", f" {written}", clean).replace(sign, written)
    return " ".join(clean.split())


def _power(suffix: str, text: str, unit: Unit) -> float | int:
    """Power of ten of what follows the number; a float for units that are no power of ten (the jar)."""
    squeezed = suffix.replace(" ", "")
    if squeezed in _EXACT[unit]:
        return _EXACT[unit][squeezed]
    loose = squeezed.lower().replace(".", "").replace("-", "")
    table = _LOOSE[unit]
    for word in (loose, loose.removesuffix("s")):
        if word in table:
            return table[word]
    if unit == "ohms" and loose in ("m", "mohm", "mohms", "mΩ", "mω"):
        raise _small_m(text)
    if unit == "hertz" and loose in ("m", "mhz"):
        raise _fault(
            text,
            unit,
            wrong=f"{_shown(text)}: a small m may be a million or a thousandth",
            right="write 1.5 MHz, or 0.0015 Hz",
        )
    if unit == "farads":
        if loose == "":
            raise _fault(
                text,
                unit,
                wrong=f"{_shown(text)} has no unit, and capacitors are marked in more than one",
                right="write 0.05 µF, 500 pF or 10n",
            )
        if loose == "m":
            raise _fault(
                text,
                unit,
                wrong=f"{_shown(text)}: M alone may be a microfarad, a thousandth of a farad or 20 per cent",
                right="write 8 µF or 8 mfd",
            )
        if loose in ("jar", "jars", "cm"):
            return float(_facts()["centimetre" if loose == "cm" else "jar"]["farads"])
    raise _fault(text, unit)


def _numeric(clean: str, text: str, unit: Unit, decimal: DecimalMark) -> float:
    """A number, then what follows it."""
    matched = _NUMBER.match(clean)
    if matched is None or not (matched["digits"] or matched["top"]):
        raise _fault(text, unit)
    if matched["top"]:
        ratio = int(matched["whole"] or 0) + int(matched["top"]) / int(matched["bottom"])
        digits, power = repr(ratio), 0
    else:
        digits = _ungrouped(matched["digits"], text, unit, decimal)
        if not any(c.isdigit() for c in digits):
            raise _fault(text, unit)
        power = int(matched["power"][1:]) if matched["power"] else 0
    suffix = clean[matched.end() :].strip()
    if suffix and suffix[0] in ".,0123456789":
        raise _fault(text, unit)
    scale = _power(suffix, text, unit)
    sign = matched["sign"] or ""
    if isinstance(scale, float):
        return float(f"{sign}{digits}e{power}") * scale
    return float(f"{sign}{digits}e{power + scale}")


def _letter_code(clean: str, unit: Unit) -> tuple[float, str | None] | None:
    """A value with a letter for its decimal mark (IEC 60062) and its tolerance letter, or ``None``."""
    if unit == "ohms" and re.fullmatch(r"[0-9]+E[0-9]*", clean):
        clean = _old_ohms(clean)
    matched = _LETTER_CODE.fullmatch(_CODE_UNIT.sub(r"\1", clean))
    if matched is None:
        return None
    whole, letter, part, tolerance = matched["whole"], matched["letter"], matched["part"], matched["tolerance"]
    if unit == "ohms" and letter == "m" and part:
        raise _small_m(clean)
    if letter not in _LETTERS[unit] or not (whole or part):
        return None
    if tolerance is not None and unit not in ("ohms", "farads"):
        return None
    if tolerance == "F" and unit == "farads":
        tolerance = None  # 4n7F: as likely the unit as 1 per cent, so no tolerance is claimed
    if not part and tolerance is None and not (unit == "ohms" and letter == "R"):
        return None  # 47k, 10n: number and unit, read as such
    if tolerance is not None and tolerance not in _facts()["tolerance_letter"]:
        return None
    return float(f"{whole or '0'}.{part or '0'}e{_LETTERS[unit][letter]}"), tolerance


def _small_m(text: str) -> InputFault:
    return _fault(
        text,
        "ohms",
        wrong=f"{_shown(text)}: a small m may be a megohm or a thousandth of an ohm",
        right="write 1 M or 1 meg for a megohm, 0.001 for a thousandth",
    )


def _old_ohms(clean: str) -> str:
    """The continental E for ohms, ``470E``; between digits it may as well be an exponent."""
    whole, _, part = clean.partition("E")
    if part:
        raise _fault(
            clean,
            "ohms",
            wrong=f"{_shown(clean)} may be {whole}.{part} ohms or {whole} with {part} noughts",
            right=f"write {whole}R{part} or {whole}e{part}",
        )
    return whole + "R"


def _letter_tolerance(letter: str, si: float, unit: Unit) -> tuple[float, float]:
    facts = _facts()
    small = facts["small_capacitor"]
    if unit == "farads" and si < small["below_farads"] and letter in small["tolerance_farads"]:
        fraction = small["tolerance_farads"][letter] / si
        return fraction, fraction
    record = facts["tolerance_letter"][letter]
    return record["below"], record["above"]


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
        raise _fault(text, unit)
    clean = _clean(text, unit)
    below: float | None = None
    above: float | None = None
    uneven = _TOLERANCE_UNEVEN.search(clean)
    if uneven is not None and uneven.start() > 0:
        sides = [float(uneven[side].replace(" ", "").replace(",", ".") + "e-2") for side in ("first", "second")]
        if min(sides) >= 0 or max(sides) < 0:
            raise _fault(text, unit, right="write an uneven tolerance like +50 -20 %")
        below, above = -min(sides), max(sides)
        clean = _without(clean, uneven)
    else:
        even = _TOLERANCE_SYMMETRIC.search(clean)
        if even is not None and even.start() > 0:
            below = above = _within(float(even["figure"].replace(",", ".") + "e-2"), text, "percent")
            clean = _without(clean, even)
    ratings: dict[Unit, float] = {}
    for _ in range(2):
        rating = _RATING.search(clean)
        if rating is None or rating.start() == 0:
            break
        of: Unit = "volts" if rating["unit"].lower().startswith("v") else "watts"
        if of in ratings:
            raise _fault(text, unit)
        ratings[of] = parse(rating["number"], of, decimal=decimal)
        clean = _without(clean, rating)
    code = _letter_code(clean, unit)
    if code is None:
        si = _within(_numeric(clean, text, unit, decimal), text, unit)
    else:
        si, letter = _within(code[0], text, unit), code[1]
        if letter is not None:
            if below is not None:
                raise _fault(text, unit, wrong=f"{_shown(text)} gives its tolerance twice", right="give it once")
            below, above = _letter_tolerance(letter, si, unit)
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
        raise _fault(text, unit)
    if not isinstance(text, str):
        if not math.isfinite(text):
            raise OutOfRange(
                Complaint(wrong=f"{_shown(text)} is not a finite number", right=f"write it like {_EXAMPLES[unit]}")
            )
        text = repr(float(text)) if abs(text) < 1e300 else str(text)
    if unit in ("ohms", "farads", "henries"):
        return parse_marking(text, unit, decimal=decimal).si
    clean = _clean(text, unit)
    if unit == "percent":
        clean = re.sub(r"^(±|\+/-|\+-)\s*", "", clean)
    code = _letter_code(clean, unit)
    return _within(code[0] if code is not None else _numeric(clean, text, unit, decimal), text, unit)


def parse_ohms(text: str | float, *, decimal: DecimalMark = ".") -> float:
    """Resistance in ohms, as :func:`parse`.

    Examples
    --------
    >>> [parse_ohms(written) for written in ("4k7", "2R2", "330", "1 meg", "2,200 ohms", "4,7 k")]
    [4700.0, 2.2, 330.0, 1000000.0, 2200.0, 4700.0]
    """
    return parse(text, "ohms", decimal=decimal)


def parse_farads(text: str | float, *, decimal: DecimalMark = ".") -> float:
    """Capacitance in farads, as :func:`parse`. ``MF`` is the old microfarad, never mega and never milli.

    Examples
    --------
    >>> [parse_farads(written) for written in ("0.05 mfd", "500 mmfd", "0,1 µF", "p47", "8 MF", "1m0")]
    [5e-08, 5e-10, 1e-07, 4.7e-13, 8e-06, 0.001]
    """
    return parse(text, "farads", decimal=decimal)


def parse_henries(text: str | float, *, decimal: DecimalMark = ".") -> float:
    """Inductance in henries, as :func:`parse`."""
    return parse(text, "henries", decimal=decimal)


def parse_volts(text: str | float, *, decimal: DecimalMark = ".") -> float:
    """Volts, as :func:`parse`; may be negative."""
    return parse(text, "volts", decimal=decimal)


def parse_amps(text: str | float, *, decimal: DecimalMark = ".") -> float:
    """Amps, as :func:`parse`; may be negative."""
    return parse(text, "amps", decimal=decimal)


def parse_watts(text: str | float, *, decimal: DecimalMark = ".") -> float:
    """Watts, as :func:`parse`."""
    return parse(text, "watts", decimal=decimal)


def parse_hertz(text: str | float, *, decimal: DecimalMark = ".") -> float:
    """Frequency in hertz, as :func:`parse`; ``kc`` and ``c/s`` are understood."""
    return parse(text, "hertz", decimal=decimal)


def parse_percent(text: str | float, *, decimal: DecimalMark = ".") -> float:
    """A percentage as a fraction.

    Examples
    --------
    >>> parse_percent("±20 %"), parse_percent("5")
    (0.2, 0.05)
    """
    return parse(text, "percent", decimal=decimal)


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
    letters = _facts()["tolerance_letter"]
    if matched is None or (matched[3] is not None and matched[3] not in letters):
        raise _fault(
            text,
            "farads",
            wrong=f"{_shown(text)} is not a three-digit capacitor code",
            right="write two digits and the number of noughts, like 473 or 104K",
        )
    power = {"9": -1, "8": -2}.get(matched[2], int(matched[2]))
    si = float(f"{matched[1]}e{power - 12}")
    below, above = _letter_tolerance(matched[3], si, "farads") if matched[3] else (None, None)
    return Marking(si=si, unit="farads", minus_fraction=below, plus_fraction=above)


# --- writing -------------------------------------------------------------------------------------------------------

# (from this size on, power of ten, what follows the number); the last whose size is reached is taken.
_STEPS: dict[tuple[Unit, Style], tuple[tuple[float, int, str], ...]] = {
    ("ohms", "plain"): ((0.0, 0, " Ω"), (1e3, 3, " k"), (1e6, 6, " M")),
    ("ohms", "full"): ((0.0, 0, " Ω"), (1e3, 3, " kΩ"), (1e6, 6, " MΩ"), (1e9, 9, " GΩ")),
    ("ohms", "code"): ((0.0, 0, "R"), (1e3, 3, "k"), (1e6, 6, "M"), (1e9, 9, "G")),
    ("farads", "plain"): ((0.0, -12, " pF"), (1e-9, -6, " µF")),
    ("farads", "full"): ((0.0, -12, " pF"), (1e-9, -9, " nF"), (1e-6, -6, " µF")),
    ("farads", "code"): ((0.0, -12, "p"), (1e-9, -9, "n"), (1e-6, -6, "µ")),
    ("henries", "full"): ((0.0, -6, " µH"), (1e-3, -3, " mH"), (1.0, 0, " H")),
    ("volts", "full"): ((0.0, -6, " µV"), (1e-3, -3, " mV"), (0.1, 0, " V"), (1e4, 3, " kV")),
    ("amps", "full"): ((0.0, -9, " nA"), (1e-6, -6, " µA"), (1e-3, -3, " mA"), (1.0, 0, " A")),
    ("watts", "full"): ((0.0, -3, " mW"), (0.1, 0, " W"), (1e4, 3, " kW")),
    ("hertz", "full"): ((0.0, 0, " Hz"), (1e3, 3, " kHz"), (1e6, 6, " MHz"), (1e9, 9, " GHz")),
    ("percent", "full"): ((0.0, -2, " %"),),
}
_AMERICAN = {" k": "K", " M": " meg", " pF": " mmfd", " µF": " mfd"}


def format_value(
    si: float, unit: Unit, *, digits: int | None = None, style: Style = "plain", words: Words = "british"
) -> str:
    """Write a value as the trade writes it.

    Parameters
    ----------
    si : float
        SI units; per cent as a fraction.
    unit : str
        As :func:`parse`.
    digits : int > 0, optional
        Significant digits to round to. Without it every digit the float has is kept, and :func:`parse` gives the
        same float back.
    style : {"plain", "full", "code"}
        ``4.7 k`` and ``0.047 µF``; ``4.7 kΩ`` and ``47 nF``; ``4k7`` and ``47n``. Other units have one style.
    words : {"british", "american"}
        American plain style: ``470K``, ``2.2 meg``, ``0.05 mfd``, ``500 mmfd``.

    Returns
    -------
    written : str

    Raises
    ------
    OutOfRange
        NaN or infinite.

    Examples
    --------
    >>> format_value(4700.0, "ohms"), format_value(4700.0, "ohms", style="code")
    ('4.7 k', '4k7')
    >>> format_value(5e-8, "farads"), format_value(5e-8, "farads", words="american")
    ('0.05 µF', '0.05 mfd')
    >>> format_value(181.9563, "volts", digits=3)
    '182 V'
    """
    si = float(si)
    if not math.isfinite(si):
        raise OutOfRange(Complaint(wrong=f"{si} {unit} cannot be written", right="give a finite number"))
    if digits is not None:
        if not digits > 0:
            raise OutOfRange(Complaint(wrong=f"digits must be above zero, got {digits}", right="give 2 to 4"))
        si = float(f"{si:.{digits - 1}e}")
    steps = _STEPS.get((unit, style)) or _STEPS[unit, "full"]
    size = abs(si)
    power, suffix = next((p, s) for least, p, s in reversed(steps) if size >= least)
    if size == 0.0:
        power, suffix = {"farads": (-12, " pF"), "henries": (0, " H"), "percent": (-2, " %")}.get(
            unit,
            next((p, s) for _, p, s in steps if p == 0) if unit not in ("farads", "henries", "percent") else (0, ""),
        )
    number = _shifted(si, -power)
    if style == "code" and unit in ("ohms", "farads"):
        return _as_code(number, suffix)
    if words == "american" and style == "plain" and unit in ("ohms", "farads"):
        suffix = _AMERICAN.get(suffix, suffix)
    return number + suffix


def _shifted(value: float, power: int) -> str:
    """Shortest decimal digits of ``value`` times ten to the ``power``, written out; exact."""
    sign = "-" if value < 0 else ""
    mantissa, _, exponent = f"{abs(value)!r}".partition("e")
    whole, _, part = mantissa.partition(".")
    digits = (whole + part).lstrip("0")
    point = len(whole + part) - len(part) + int(exponent or 0) + power
    point -= len(whole + part) - len(digits)
    digits = digits.rstrip("0")
    if not digits:
        return "0"
    if point <= 0:
        return f"{sign}0.{'0' * -point}{digits}"
    if point >= len(digits):
        return sign + digits + "0" * (point - len(digits))
    return f"{sign}{digits[:point]}.{digits[point:]}"


def _as_code(number: str, letter: str) -> str:
    whole, _, part = number.partition(".")
    if whole == "0" and part:
        whole = ""  # R47 and p47, as the standard prints them
    return f"{whole}{letter}{part}"


def format_ohms(si: float, *, digits: int | None = None, style: Style = "plain", words: Words = "british") -> str:
    """Ohms as written, see :func:`format_value`; an open circuit as ``open``.

    Examples
    --------
    >>> format_ohms(0.47, style="code"), format_ohms(470e3), format_ohms(470e3, words="american")
    ('R47', '470 k', '470K')
    """
    if si == math.inf:
        return "open"
    return format_value(si, "ohms", digits=digits, style=style, words=words)


def format_farads(si: float, *, digits: int | None = None, style: Style = "plain", words: Words = "british") -> str:
    """Farads as written, see :func:`format_value`."""
    return format_value(si, "farads", digits=digits, style=style, words=words)


def format_henries(si: float, *, digits: int | None = None) -> str:
    """Henries as written, see :func:`format_value`."""
    return format_value(si, "henries", digits=digits)


def format_volts(si: float, *, digits: int | None = None) -> str:
    """Volts as written, see :func:`format_value`."""
    return format_value(si, "volts", digits=digits)


def format_amps(si: float, *, digits: int | None = None) -> str:
    """Amps as written, see :func:`format_value`."""
    return format_value(si, "amps", digits=digits)


def format_watts(si: float, *, digits: int | None = None) -> str:
    """Watts as written, see :func:`format_value`."""
    return format_value(si, "watts", digits=digits)


def format_hertz(si: float, *, digits: int | None = None) -> str:
    """Hertz as written, see :func:`format_value`."""
    return format_value(si, "hertz", digits=digits)


def format_percent(fraction: float, *, digits: int | None = None) -> str:
    """A fraction as a percentage.

    Examples
    --------
    >>> format_percent(0.05)
    '5 %'
    """
    return format_value(fraction, "percent", digits=digits)
