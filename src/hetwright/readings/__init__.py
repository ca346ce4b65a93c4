"""Readings: meters, what was read, and readings that cannot be."""

from __future__ import annotations

from hetwright.readings.csv_file import load_csv, parse_csv, write_csv
from hetwright.readings.meter import IDEAL, Meter, TwoRanges, converted_volts, volts_from_two_ranges
from hetwright.readings.reading import Reading, parse_reading, reading_sd

__all__ = [
    "IDEAL",
    "Meter",
    "Reading",
    "TwoRanges",
    "converted_volts",
    "load_csv",
    "parse_csv",
    "parse_reading",
    "reading_sd",
    "volts_from_two_ranges",
    "write_csv",
]
