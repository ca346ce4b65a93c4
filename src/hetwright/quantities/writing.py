"""Writing values: the inverse of reading them, digit for digit."""

from __future__ import annotations

import math

from hetwright.errors import Complaint, OutOfRange
from hetwright.quantities.units import Style, Unit, Words

__all__ = [
    "format_amps",
    "format_farads",
    "format_henries",
    "format_hertz",
    "format_ohms",
    "format_percent",
    "format_value",
    "format_volts",
    "format_watts",
]

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
