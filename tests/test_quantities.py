"""Written values: what restorers write, what is refused and why, and that writing is the inverse of reading."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from hetwright import quantities
from hetwright.errors import InputFault, OutOfRange
from hetwright.quantities import (
    UNITS,
    format_farads,
    format_ohms,
    format_value,
    format_volts,
    parse,
    parse_capacitor_digits,
    parse_farads,
    parse_marking,
    parse_ohms,
    parse_percent,
    units,
)

OHMS = {
    "4k7": 4700.0,
    "4K7": 4700.0,
    "4.7k": 4700.0,
    "4,7 k": 4700.0,
    "4k7 Ω": 4700.0,
    "2R2": 2.2,
    "0R5": 0.5,
    "R47": 0.47,
    "330R": 330.0,
    "330": 330.0,
    "470E": 470.0,
    "1M": 1e6,
    "1M0": 1e6,
    "2M2": 2.2e6,
    "1 meg": 1e6,
    "½ meg": 500e3,
    "1/2 meg": 500e3,
    "1½ megohms": 1.5e6,
    "1 1/2 meg": 1.5e6,
    "250K": 250e3,
    "470 kΩ": 470e3,
    "470 k\u2126": 470e3,
    "470 kilohms": 470e3,
    "10 k ohms": 10e3,
    "2,200 ohms": 2200.0,
    "47,000": 47e3,
    "1,234,567": 1234567.0,
    "2.200,5": 2200.5,
    "2,200.5": 2200.5,
    "0,047 k": 47.0,
    "1 000": 1000.0,
    "1'000": 1000.0,
    "1\u202f000 Ω": 1000.0,
    ".5": 0.5,
    "100 mΩ": 0.1,
    "1e3": 1000.0,
    "1E+05": 100e3,
    "0": 0.0,
    "4K7J": 4700.0,
    "470RK": 470.0,
    "10k 5%": 10e3,
    "10 k ±20 %": 10e3,
    "22k 10% 1/2 W": 22e3,
}
FARADS = {
    "0.05 mfd": 0.05e-6,
    "0.05 mfd.": 0.05e-6,
    ".05 MFD": 0.05e-6,
    "500 mmfd": 500e-12,
    "500 mmf": 500e-12,
    "50 µµF": 50e-12,
    "0,1 µF": 0.1e-6,
    "0.1 uF": 0.1e-6,
    "0.1 \u03bcF": 0.1e-6,
    "0.1 \u00b5F": 0.1e-6,
    "\u03bc1": 0.1e-6,
    "4µ7": 4.7e-6,
    "4u7": 4.7e-6,
    "p47": 0.47e-12,
    "4n7": 4.7e-9,
    "n1": 0.1e-9,
    "10n": 10e-9,
    "10nF": 10e-9,
    "100p": 100e-12,
    "100 pF": 100e-12,
    "8 MF": 8e-6,
    "8MF": 8e-6,
    "8 mF": 8e-6,
    "8 mf": 8e-6,
    "1m0": 1e-3,
    "10 kpF": 10e-9,
    "4n7M": 4.7e-9,
    "2,200 pF": 2200e-12,
    "8 µF 450 V wkg": 8e-6,
}
OTHERS = [
    ("182 V", "volts", 182.0),
    ("182v", "volts", 182.0),
    ("6.3 V", "volts", 6.3),
    ("6V3", "volts", 6.3),
    ("\u221212.5 V", "volts", -12.5),
    ("1,250 V", "volts", 1250.0),
    ("0.25 kV", "volts", 250.0),
    ("45 mV", "volts", 0.045),
    ("45 mA", "amps", 0.045),
    ("45 MA", "amps", 0.045),
    ("60 µA", "amps", 60e-6),
    ("-60 uA", "amps", -60e-6),
    ("80 W", "watts", 80.0),
    ("½ watt", "watts", 0.5),
    ("465 kc/s", "hertz", 465e3),
    ("465 kc", "hertz", 465e3),
    ("465k", "hertz", 465e3),
    ("1.5 Mc", "hertz", 1.5e6),
    ("1M5", "hertz", 1.5e6),
    ("50 c/s", "hertz", 50.0),
    ("100 cycles", "hertz", 100.0),
    ("5%", "percent", 0.05),
    ("±20 %", "percent", 0.2),
    ("10 per cent", "percent", 0.1),
    ("10 Hy", "henries", 10.0),
    ("2.5mH", "henries", 2.5e-3),
    ("180 µH", "henries", 180e-6),
    ("4m7", "henries", 4.7e-3),
]


@pytest.mark.parametrize(("written", "ohms"), OHMS.items())
def test_resistances_are_read_as_restorers_write_them(written, ohms):
    assert parse_ohms(written) == ohms


@pytest.mark.parametrize(("written", "farads"), FARADS.items())
def test_capacitances_are_read_as_restorers_write_them(written, farads):
    assert parse_farads(written) == farads


@pytest.mark.parametrize(("written", "unit", "si"), OTHERS)
def test_other_quantities_are_read_as_restorers_write_them(written, unit, si):
    assert parse(written, unit) == si


def test_both_code_points_of_micro_and_of_ohm_are_one_sign():
    assert parse_farads("4\u00b57") == parse_farads("4\u03bc7")
    assert parse_ohms("10 k\u03a9") == parse_ohms("10 k\u2126")


def test_mf_is_the_old_microfarad_never_mega_and_never_milli():
    assert {parse_farads(f"8 {unit}") for unit in ("MF", "mF", "Mf", "mf", "mfd", "MFD", "µF")} == {8e-6}


@pytest.mark.parametrize(
    ("written", "decimal", "ohms"),
    [
        ("2,200", ".", 2200.0),
        ("2,200", ",", 2.2),
        ("4,7", ".", 4.7),
        ("0,047", ".", 0.047),
        ("12,3456", ".", 12.3456),
    ],
)
def test_a_comma_is_thousands_only_where_it_can_be_and_the_point_is_the_decimal_mark(written, decimal, ohms):
    assert parse_ohms(written, decimal=decimal) == ohms


def test_a_doubtful_point_in_a_decimal_comma_file_is_refused():
    with pytest.raises(InputFault, match="may be 1234 or 1,234"):
        parse_ohms("1.234", decimal=",")
    assert parse_ohms("1.5", decimal=",") == 1.5


@pytest.mark.parametrize(
    ("written", "minus", "plus"),
    [
        ("4K7J", 0.05, 0.05),
        ("470RK", 0.10, 0.10),
        ("470R K", 0.10, 0.10),
        ("1M0F", 0.01, 0.01),
        ("10k 5%", 0.05, 0.05),
        ("10 k ±20 %", 0.20, 0.20),
        ("10k, 10 per cent", 0.10, 0.10),
        ("10k (+/- 2.5 %)", 0.025, 0.025),
        ("10k", None, None),
    ],
)
def test_tolerances_of_resistors_are_kept(written, minus, plus):
    marking = parse_marking(written, "ohms")
    assert (marking.minus_fraction, marking.plus_fraction) == (minus, plus)


def test_a_can_tells_value_volts_and_uneven_tolerance():
    marking = parse_marking("32 MFD. 450 V. DC +50 -20 %", "farads")
    assert marking.si == 32e-6
    assert marking.rated_volts == 450.0
    assert (marking.minus_fraction, marking.plus_fraction) == (0.20, 0.50)
    assert marking.tolerance_fraction == 0.50


def test_a_resistor_tells_its_watts_in_fractions():
    assert parse_marking("22k 10% 1/2 W", "ohms").rated_watts == 0.5


def test_tolerance_letters_of_capacitors_below_ten_picofarads_are_picofarads():
    assert parse_marking("4p7C", "farads").tolerance_fraction == pytest.approx(0.25 / 4.7, rel=1e-12)
    assert parse_marking("10pJ", "farads").tolerance_fraction == 0.05


def test_f_behind_a_capacitor_code_claims_no_tolerance():
    assert parse_marking("4n7F", "farads").tolerance_fraction is None
    assert parse_marking("4K7F", "ohms").tolerance_fraction == 0.01


def test_the_jar_is_a_nine_hundredth_of_a_microfarad():
    assert parse_farads("900 jars") == pytest.approx(1e-6, rel=1e-12)


def test_a_centimetre_of_capacitance_is_about_one_point_one_picofarads():
    assert parse_farads("900 cm") == pytest.approx(1001.385e-12, rel=1e-5)


@pytest.mark.parametrize(
    ("written", "farads", "tolerance"),
    [("473", 47e-9, None), ("104K", 100e-9, 0.10), ("221J", 220e-12, 0.05), ("479", 4.7e-12, None)],
)
def test_three_digit_codes(written, farads, tolerance):
    marking = parse_capacitor_digits(written)
    assert (marking.si, marking.tolerance_fraction) == (farads, tolerance)


@pytest.mark.parametrize("written", ["47", "4730", "047", "477", "473X", "", "4k7", "٤٧٣", None])
def test_what_is_no_three_digit_code_is_refused(written):
    with pytest.raises(InputFault, match="three-digit"):
        parse_capacitor_digits(written)


@pytest.mark.parametrize(
    ("written", "unit", "says"),
    [
        ("4x7", "ohms", "write it like 4k7"),
        ("", "ohms", "is not a resistance"),
        ("4.7.7", "ohms", "is not a resistance"),
        ("1..2", "ohms", "is not a resistance"),
        ("47kk", "ohms", "is not a resistance"),
        ("1,5,6", "ohms", "is not a resistance"),
        ("10²", "ohms", "is not a resistance"),
        ("١٠", "ohms", "is not a resistance"),
        ("1_000", "ohms", "is not a resistance"),
        ("0x10", "ohms", "is not a resistance"),
        ("nan", "ohms", "is not a resistance"),
        ("open", "ohms", "is not a resistance"),
        ("4E7", "ohms", "may be 4.7 ohms or 4 with 7 noughts"),
        ("1 mohm", "ohms", "a small m may be a megohm"),
        ("1m0", "ohms", "a small m may be a megohm"),
        ("10k 5% 10%", "ohms", "is not a resistance"),
        ("4K7J 5%", "ohms", "gives its tolerance twice"),
        ("500", "farads", "has no unit"),
        ("8M", "farads", "M alone"),
        ("8m", "farads", "M alone"),
        ("16+16 µF", "farads", "is not a capacitance"),
        ("1.5 mHz", "hertz", "a small m may be a million"),
        ("350-0-350 V", "volts", "is not a voltage"),
        ("12 V and more", "volts", "is not a voltage"),
        (None, "ohms", "is not a resistance"),
        (True, "ohms", "is not a resistance"),
        (b"4k7", "ohms", "is not a resistance"),
        ("9" * 81, "ohms", "too long"),
    ],
)
def test_what_is_no_value_is_refused_with_what_would_be_right(written, unit, says):
    with pytest.raises(InputFault, match=says) as caught:
        parse(written, unit)
    assert all(complaint.right for complaint in caught.value.complaints)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("written", "unit"),
    [
        ("-5", "ohms"),
        ("1e999", "ohms"),
        ("1e20", "ohms"),
        ("1e-9", "ohms"),
        ("0 pF", "farads"),
        ("5 F", "farads"),
        ("0 H", "henries"),
        ("2000 kV", "volts"),
        ("5000 A", "amps"),
        ("-1 W", "watts"),
        ("5000 %", "percent"),
        (float("nan"), "ohms"),
        (float("inf"), "ohms"),
        (-math.inf, "volts"),
    ],
)
def test_what_no_part_or_reading_can_be_is_out_of_range(written, unit):
    with pytest.raises(OutOfRange):
        parse(written, unit)


@pytest.mark.parametrize(
    ("si", "unit", "style", "words", "written"),
    [
        (4700.0, "ohms", "plain", "british", "4.7 k"),
        (4700.0, "ohms", "full", "british", "4.7 kΩ"),
        (4700.0, "ohms", "code", "british", "4k7"),
        (330.0, "ohms", "code", "british", "330R"),
        (2.2, "ohms", "code", "british", "2R2"),
        (1e6, "ohms", "code", "british", "1M"),
        (470e3, "ohms", "plain", "american", "470K"),
        (2.2e6, "ohms", "plain", "american", "2.2 meg"),
        (330.0, "ohms", "plain", "american", "330 Ω"),
        (0.05e-6, "farads", "plain", "british", "0.05 µF"),
        (0.05e-6, "farads", "plain", "american", "0.05 mfd"),
        (500e-12, "farads", "plain", "american", "500 mmfd"),
        (47e-9, "farads", "full", "british", "47 nF"),
        (4.7e-9, "farads", "code", "british", "4n7"),
        (0.47e-12, "farads", "code", "british", "p47"),
        (100e-12, "farads", "code", "british", "100p"),
        (0.0, "ohms", "plain", "british", "0 Ω"),
        (0.0, "volts", "plain", "british", "0 V"),
        (-12.5, "volts", "plain", "british", "-12.5 V"),
        (0.045, "amps", "plain", "british", "45 mA"),
        (465e3, "hertz", "plain", "british", "465 kHz"),
        (0.05, "percent", "plain", "british", "5 %"),
    ],
)
def test_values_are_written_as_the_trade_writes_them(si, unit, style, words, written):
    assert format_value(si, unit, style=style, words=words) == written


def test_rounding_for_a_person_is_asked_for():
    assert format_volts(181.9563, digits=3) == "182 V"
    assert format_ohms(999.96, digits=3) == "1 k"
    assert format_ohms(math.inf) == "open"
    with pytest.raises(OutOfRange):
        format_volts(1.0, digits=0)
    with pytest.raises(OutOfRange):
        format_volts(math.nan)


def _sizes(unit: str) -> st.SearchStrategy[float]:
    limits = units.facts()["limits"][unit]
    sizes = st.floats(limits["least"], limits["most"], allow_subnormal=False)
    # uniform in the exponent as well: floats() alone seldom lands between a pico and a milli
    spread = st.builds(
        lambda low_to_high, digits: float(f"{digits}e{low_to_high}"),
        st.integers(math.floor(math.log10(limits["least"])), math.ceil(math.log10(limits["most"]))),
        st.integers(1, 10**17),
    )
    return st.one_of(sizes, spread).filter(lambda si: limits["least"] <= si <= limits["most"])


@pytest.mark.parametrize("unit", UNITS)
@given(
    data=st.data(), style=st.sampled_from(["plain", "full", "code"]), words=st.sampled_from(["british", "american"])
)
def test_reading_what_was_written_gives_the_same_float(unit, data, style, words):
    si = data.draw(_sizes(unit))
    assert parse(format_value(si, unit, style=style, words=words), unit) == si


@given(si=_sizes("volts"))
@example(si=0.1)
@example(si=1e-9)
def test_a_negative_voltage_comes_back_negative(si):
    assert parse(format_volts(-si), "volts") == -si


@given(
    digits=st.integers(1, 9999),
    letter=st.sampled_from("RkM"),
    places=st.integers(0, 3),
    tolerance=st.sampled_from(["", "F", "G", "J", "K", "M"]),
)
def test_a_letter_code_is_the_number_with_the_letter_for_its_point(digits, letter, places, tolerance):
    text = f"{digits:04d}"
    whole, part = text[: 4 - places].lstrip("0"), text[4 - places :]
    assume(whole or part)
    power = {"R": 0, "k": 3, "M": 6}[letter]
    expected = float(f"{whole or 0}.{part or 0}e{power}")
    marking = parse_marking(f"{whole}{letter}{part}{tolerance}", "ohms")
    assert marking.si == expected
    assert (marking.tolerance_fraction is None) == (tolerance == "")


@given(number=st.floats(0.01, 999, allow_nan=False), unit=st.sampled_from(UNITS))
def test_decimal_comma_and_decimal_point_read_alike(number, unit):
    with_point = f"{number:.4f} pF" if unit == "farads" else f"{number:.4f}"
    assert parse(with_point.replace(".", ","), unit) == parse(with_point, unit)
    assert parse(with_point.replace(".", ","), unit, decimal=",") == parse(with_point, unit)


@given(text=st.text(max_size=100), unit=st.sampled_from(UNITS), decimal=st.sampled_from([".", ","]))
def test_any_text_is_a_value_or_a_complaint(text, unit, decimal):
    complaints = None
    try:
        si = parse(text, unit, decimal=decimal)
    except InputFault as fault:
        complaints = str(fault).split("\n")
    assert math.isfinite(si) if complaints is None else len(complaints) == 1


@given(
    text=st.text(alphabet="0123456789.,' kKMmRrunpµFfdVvAWHz%±+-/eE", min_size=1, max_size=14),
    unit=st.sampled_from(UNITS),
)
def test_value_like_text_is_a_value_within_limits_or_a_complaint(text, unit):
    try:
        si = parse(text, unit)
    except InputFault:
        return
    limits = units.facts()["limits"][unit]
    assert si == 0 or limits["least"] <= abs(si) <= limits["most"]
    assert parse(format_value(si, unit), unit) == si


def test_formatting_by_name_agrees_with_the_general_form():
    for unit in UNITS:
        by_name = getattr(quantities, f"format_{unit}")
        assert by_name(0.125) == format_value(0.125, unit)
    assert parse_percent("12.5 %") == 0.125
    assert format_farads(1e-6) == "1 µF"


DOCS = Path(__file__).parents[1] / "docs"


def test_every_example_of_the_document_is_read():
    page = (DOCS / "written-values.md").read_text(encoding="utf-8")
    table = page.partition("## What is read")[2].partition("\n\n`")[0]
    rows = {of: re.findall(r"`([^`]+)`", written) for of, written in re.findall(r"\| ([^|`]+) \| (`.+) \|", table)}
    assert set(rows) == {"ohms", "farads", "henries", "volts, amps", "watts", "hertz", "per cent"}
    for of, examples in rows.items():
        assert len(examples) >= 3
        for one in examples:
            if of == "volts, amps":
                unit = "amps" if one.casefold().endswith("a") else "volts"
            else:
                unit = of.replace("per cent", "percent")
            assert math.isfinite(parse(one, unit))


def test_importing_written_values_imports_nothing_heavy():
    code = "import sys, hetwright.quantities; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"numpy", "scipy", "tomllib", "eseries", "rich", "click", "tomlkit"} & set(loaded)
