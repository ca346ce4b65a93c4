"""Written values: what a restorer writes, and the number it stands for.

``parse_…`` takes a written value to a float in SI units; ``format_…`` takes it back. The two are exact inverses:
``parse_ohms(format_ohms(x)) == x`` for every float within the limits of ``trade/written_values.toml``. Rules for what
could be read two ways (a comma, a capital M) are in ``docs/written-values.md``. Nothing heavy is imported here: the
command line starts through this package.
"""

from __future__ import annotations

from hetwright.quantities.marking import Marking, parse, parse_capacitor_digits, parse_marking
from hetwright.quantities.units import UNITS, DecimalMark, Style, Unit, Words
from hetwright.quantities.writing import (
    format_amps,
    format_farads,
    format_henries,
    format_hertz,
    format_ohms,
    format_percent,
    format_value,
    format_volts,
    format_watts,
)

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
