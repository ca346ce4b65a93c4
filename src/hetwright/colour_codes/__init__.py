"""Colour codes: bands of resistors, the old body, end and dot, and the dots of old moulded capacitors.

Each code has a function from colours to value and one back. Tables and their sources are in
``trade/colour_codes.toml``. Colours are written in English, either spelling, or by the two-letter codes of IEC 60757.
"""

from __future__ import annotations

from hetwright.colour_codes.capacitors import (
    capacitor_from_five_dots,
    capacitor_from_jan_dots,
    capacitor_from_six_rma_dots,
    capacitor_from_three_dots,
    dots_of_capacitor,
    jan_dots_of_capacitor,
    six_rma_dots_of_capacitor,
)
from hetwright.colour_codes.colours import ColourCoded, colour_named, colours_in
from hetwright.colour_codes.resistors import (
    resistor_bands,
    resistor_body_end_dot,
    resistor_from_bands,
    resistor_from_body_end_dot,
)

__all__ = [
    "ColourCoded",
    "capacitor_from_five_dots",
    "capacitor_from_jan_dots",
    "capacitor_from_six_rma_dots",
    "capacitor_from_three_dots",
    "colour_named",
    "colours_in",
    "dots_of_capacitor",
    "jan_dots_of_capacitor",
    "resistor_bands",
    "resistor_body_end_dot",
    "resistor_from_bands",
    "resistor_from_body_end_dot",
    "six_rma_dots_of_capacitor",
]
