"""Colour codes: what the colours say, the way back, and cautions."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hetwright.colour_codes import (
    capacitor_from_five_dots,
    capacitor_from_jan_dots,
    capacitor_from_six_rma_dots,
    capacitor_from_three_dots,
    colour_named,
    colours_in,
    dots_of_capacitor,
    jan_dots_of_capacitor,
    resistor_bands,
    resistor_body_end_dot,
    resistor_from_bands,
    resistor_from_body_end_dot,
    six_rma_dots_of_capacitor,
)
from hetwright.errors import InputFault, OutOfRange

DIGITS = ("black", "brown", "red", "orange", "yellow", "green", "blue", "violet", "grey", "white")


def test_both_spellings_and_short_names_are_one_colour():
    assert colour_named("grey") == colour_named("gray") == colour_named("GY") == "grey"
    assert colour_named("violet") == colour_named("Purple") == "violet"
    assert colour_named(None) == colour_named("") == colour_named("no colour") == "none"


def test_a_written_row_is_split_into_colours():
    assert colours_in("Yellow-purple, orange / gold") == ("yellow", "violet", "orange", "gold")
    assert resistor_from_bands(colours_in("yellow violet orange gold")).si == 47e3


@pytest.mark.parametrize("colour", ["pink", "yelow", "7"])
def test_what_is_no_colour_is_refused(colour):
    with pytest.raises(InputFault, match="no colour of the code"):
        colour_named(colour)


def test_a_near_colour_is_suggested():
    with pytest.raises(InputFault, match="did you mean yellow"):
        colour_named("yelow")


def test_three_bands_are_twenty_per_cent():
    assert resistor_from_bands(["brown", "black", "yellow"]).tolerance_fraction == 0.20


def test_a_sixth_band_is_a_temperature_coefficient():
    part = resistor_from_bands(["brown", "black", "black", "red", "brown", "red"])
    assert (part.si, part.tolerance_fraction, part.coefficient_per_kelvin) == (10e3, 0.01, 50e-6)


def test_a_single_black_band_is_a_link():
    assert resistor_from_bands(["black"]).si == 0.0


@pytest.mark.parametrize(
    ("bands", "says"),
    [
        (["gold", "orange", "violet", "yellow"], "read the row from the other end"),
        (["black", "brown", "red"], "leading nought"),
        (["brown", "black"], "2 bands"),
        (["brown"] * 7, "7 bands"),
        (["brown", "black", "red", "yellow"], "no tolerance band"),
        (["brown", "black", "none", "gold"], "third band has no colour"),
        (["brown", "black", "black", "red", "none"], "no tolerance band"),
        (["brown", "black", "black", "red", "brown", "white"], "no temperature band"),
        (["brown", "mauvish", "red"], "no colour of the code"),
        ([], "0 bands"),
    ],
)
def test_bands_that_cannot_be_are_refused(bands, says):
    with pytest.raises(InputFault, match=says):
        resistor_from_bands(bands)


def test_an_end_or_dot_that_cannot_be_seen_has_the_colour_of_the_body():
    assert resistor_from_body_end_dot("red").si == 2200.0
    assert resistor_from_body_end_dot("yellow", "violet").si == 470e3
    assert resistor_from_body_end_dot("red", None, "yellow").si == 220e3


def test_the_other_end_is_the_tolerance():
    for other, fraction in (("gold", 0.05), ("silver", 0.10), (None, 0.20), ("red", 0.20)):
        assert resistor_from_body_end_dot("red", "green", "yellow", other).tolerance_fraction == fraction
    with pytest.raises(InputFault, match="exchange the ends"):
        resistor_from_body_end_dot("red", "green", "yellow", "blue")


def test_black_body_and_end_are_no_value():
    with pytest.raises(InputFault, match="both black"):
        resistor_from_body_end_dot("black", "black", "red")


def test_volts_dot_is_hundreds_of_volts():
    assert capacitor_from_five_dots(["brown", "black", "brown", "orange", "none"]).rated_volts == 300.0


def test_every_moulded_capacitor_is_told_to_be_paper_until_measured():
    parts = [
        capacitor_from_three_dots(["red", "green", "black"]),
        capacitor_from_six_rma_dots(["brown", "green", "black"], ["green", "gold", "brown"]),
        capacitor_from_jan_dots(["black", "green", "brown"], ["red", "red", "black"]),
    ]
    for part in parts:
        assert any("treat it as paper" in caution for caution in part.cautions)
        assert any("mains duty" in caution for caution in part.cautions)


def test_a_silver_type_dot_is_paper_and_says_replace():
    part = capacitor_from_jan_dots(["silver", "brown", "black"], ["black", "silver", "orange"])
    assert (part.si, part.dielectric, part.rated_volts) == (10e-9, "paper", None)
    assert any("replace it" in caution for caution in part.cautions)


def test_working_volts_of_jan_mica_follow_its_size():
    def volts(*colours: str) -> float | None:
        return capacitor_from_jan_dots(["black", *colours[:2]], ["red", "red", colours[2]]).rated_volts

    assert volts("violet", "green", "brown") == 500.0
    assert volts("blue", "grey", "red") == 300.0
    assert volts("brown", "black", "orange") == 300.0
    assert volts("brown", "green", "orange") is None


def test_a_tolerance_colour_on_which_lists_disagree_is_unknown():
    part = capacitor_from_jan_dots(["white", "brown", "red"], ["brown", "blue", "red"])
    assert part.tolerance_fraction is None
    assert any("no settled meaning" in caution for caution in part.cautions)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: capacitor_from_three_dots(["red", "green"]), "give three"),
        (lambda: capacitor_from_five_dots(["red", "green", "black"]), "give five"),
        (lambda: capacitor_from_six_rma_dots(["red"] * 3, ["red"] * 2), "three and three"),
        (lambda: capacitor_from_jan_dots(["blue", "green", "brown"], ["red"] * 3), "type dot"),
        (lambda: capacitor_from_jan_dots(["black", "black", "black"], ["red"] * 3), "both digits are black"),
        (lambda: capacitor_from_three_dots(["black", "black", "red"]), "all digits are black"),
        (lambda: capacitor_from_three_dots(["gold", "green", "red"]), "is no digit"),
        (lambda: capacitor_from_three_dots(["red", "green", "white"]), "turn the part"),
        (lambda: capacitor_from_five_dots(["red", "green", "red", "black", "gold"]), "volts dot is black"),
    ],
)
def test_dots_that_cannot_be_are_refused(call, says):
    with pytest.raises(InputFault, match=says):
        call()


@given(
    first=st.integers(1, 9),
    second=st.integers(0, 9),
    third=st.none() | st.integers(0, 9),
    power=st.integers(-2, 9),
    tolerance=st.sampled_from([0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.0025, 0.001]),
)
def test_bands_of_a_value_are_read_back_as_that_value(first, second, third, power, tolerance):
    digits = [first, second] if third is None else [first, second, third]
    if third is not None and tolerance == 0.2:
        tolerance = 0.1
    ohms = float("".join(map(str, digits)) + f"e{power}")
    bands = resistor_bands(ohms, tolerance, bands=4 if third is None else 5)
    part = resistor_from_bands(bands)
    assert (part.si, part.tolerance_fraction) == (ohms, tolerance)
    assert bands[: len(digits)] == tuple(DIGITS[digit] for digit in digits)


@given(
    first=st.integers(1, 9),
    second=st.integers(0, 9),
    power=st.integers(-2, 9),
    tolerance=st.sampled_from([0.2, 0.1, 0.05]),
)
def test_body_end_and_dot_of_a_value_are_read_back_as_that_value(first, second, power, tolerance):
    ohms = float(f"{first}{second}e{power}")
    part = resistor_from_body_end_dot(*resistor_body_end_dot(ohms, tolerance))
    assert (part.si, part.tolerance_fraction) == (ohms, tolerance)


@given(
    first=st.integers(1, 9),
    second=st.integers(0, 9),
    power=st.integers(-2, 4),
    volts=st.sampled_from([100.0, 300.0, 500.0, 900.0, 1000.0, 2000.0]),
    tolerance=st.sampled_from([0.2, 0.1, 0.05, 0.01, 0.02, 0.03, 0.07, 0.09]),
)
def test_dots_of_a_capacitor_are_read_back_as_that_capacitor(first, second, power, volts, tolerance):
    farads = float(f"{first}{second}e{power - 12}")
    part = capacitor_from_five_dots(dots_of_capacitor(farads, rated_volts=volts, tolerance_fraction=tolerance))
    assert (part.si, part.rated_volts, part.tolerance_fraction) == (farads, volts, tolerance)


@given(
    first=st.integers(1, 9),
    rest=st.integers(0, 99),
    power=st.integers(-2, 3),
    volts=st.sampled_from([300.0, 500.0, 1000.0]),
    tolerance=st.sampled_from([0.2, 0.1, 0.05, 0.02]),
)
def test_six_rma_dots_of_a_capacitor_are_read_back_as_that_capacitor(first, rest, power, volts, tolerance):
    farads = float(f"{first}{rest:02d}e{power - 12}")
    rows = six_rma_dots_of_capacitor(farads, rated_volts=volts, tolerance_fraction=tolerance)
    part = capacitor_from_six_rma_dots(*rows)
    assert (part.si, part.rated_volts, part.tolerance_fraction) == (farads, volts, tolerance)


@given(
    first=st.integers(1, 9),
    second=st.integers(0, 9),
    power=st.integers(-2, 4),
    tolerance=st.sampled_from([0.2, 0.1, 0.05, 0.03, 0.02, 0.01]),
    dielectric=st.sampled_from(["mica", "paper"]),
)
def test_jan_dots_of_a_capacitor_are_read_back_as_that_capacitor(first, second, power, tolerance, dielectric):
    farads = float(f"{first}{second}e{power - 12}")
    rows = jan_dots_of_capacitor(farads, tolerance_fraction=tolerance, dielectric=dielectric)
    part = capacitor_from_jan_dots(*rows)
    assert (part.si, part.tolerance_fraction, part.dielectric) == (farads, tolerance, dielectric)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: jan_dots_of_capacitor(51e-12, tolerance_fraction=0.15), "no dot for 15 %"),
        (lambda: jan_dots_of_capacitor(51e-12, dielectric="glass"), "no dot for glass"),
        (lambda: six_rma_dots_of_capacitor(51e-12, rated_volts=450.0), "no dot for 450 V"),
        (lambda: six_rma_dots_of_capacitor(5.1234e-12), "more than 3 digits"),
        (lambda: resistor_bands(47300.0), "more than 2 digits"),
        (lambda: resistor_bands(0.0), "no colours"),
        (lambda: resistor_bands(-1.0), "no colours"),
        (lambda: resistor_bands(float("nan")), "no colours"),
        (lambda: resistor_bands(4700.0, 0.07), "tolerance of 7 %"),
        (lambda: resistor_bands(4700.0, 0.20, bands=5), "tolerance of 20 %"),
        (lambda: resistor_bands(1e-4), "beyond the multiplier"),
        (lambda: resistor_body_end_dot(4700.0, 0.01), "5, 10 or 20 %"),
        (lambda: dots_of_capacitor(25e-12, rated_volts=450.0), "no dot for 450 V"),
        (lambda: dots_of_capacitor(25e-12, tolerance_fraction=0.15), "no dot for 15 %"),
        (lambda: dots_of_capacitor(0.0), "no colours"),
    ],
)
def test_values_without_colours_are_refused(call, says):
    with pytest.raises(OutOfRange, match=says):
        call()


def test_american_spelling_on_output():
    assert resistor_bands(8200.0, 0.1) == ("grey", "red", "red", "silver")
    assert resistor_bands(8200.0, 0.1, words="american") == ("gray", "red", "red", "silver")
    assert resistor_body_end_dot(8200.0, words="american")[0] == "gray"
    assert dots_of_capacitor(82e-12, words="american")[0] == "gray"
