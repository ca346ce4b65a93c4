"""Written codes, colour codes and preferred numbers against published tables and examples.

Every case names its source in ``data/codes_and_values.toml``, beside the figures; the short name is the id there.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from hetwright.colour_codes import (
    capacitor_from_five_dots,
    capacitor_from_jan_dots,
    capacitor_from_three_dots,
    dots_of_capacitor,
    resistor_bands,
    resistor_body_end_dot,
    resistor_from_bands,
    resistor_from_body_end_dot,
)
from hetwright.preferred import nearest, series_values
from hetwright.quantities import parse_capacitor_digits, parse_farads, parse_marking, parse_ohms

DATA = tomllib.loads((Path(__file__).parent / "data" / "codes_and_values.toml").read_text(encoding="utf-8"))
ENTRIES = {entry["id"]: entry for entry in DATA["entry"]}


def table(name, one, other):
    """Pairs of two lists of an entry."""
    entry = ENTRIES[name]
    keys = {**entry.get("inputs", {}), **entry["expected"]}
    return list(zip(keys[one], keys[other], strict=True))


def ids_of(*starts):
    return [name for name in ENTRIES if name.startswith(starts)]


def test_every_entry_names_its_source():
    assert all(entry["source"] and isinstance(entry["from_memory"], bool) for entry in ENTRIES.values())


@pytest.mark.parametrize("series", ["E6", "E12", "E24"])
def test_preferred_numbers(series):
    assert list(series_values(series)) == ENTRIES[series.lower()]["expected"]["values"]


def test_eight_numbers_of_e24_are_not_the_rounded_powers():
    rounded = [round(10 ** (n / 24), 1) for n in range(24)]
    differing = [value for value, power in zip(series_values("E24"), rounded, strict=True) if value != power]
    assert len(differing) == ENTRIES["e24_not_rounded_geometric"]["expected"]["count"]


@pytest.mark.parametrize(("old_kohm", "new_kohm"), table("nearest_preferred_substitution", "old_kohm", "new_kohm"))
def test_the_nearest_preferred_value_to_an_old_one(old_kohm, new_kohm):
    assert nearest(old_kohm * 1e3) == new_kohm * 1e3


@pytest.mark.parametrize(("old_kohm", "percent"), table("nearest_preferred_substitution", "old_kohm", "change_pct"))
def test_how_far_the_nearest_preferred_value_is_off(old_kohm, percent):
    assert 100 * (nearest(old_kohm * 1e3) / (old_kohm * 1e3) - 1) == pytest.approx(percent, abs=0.01)


# from the note of the same entry
@pytest.mark.parametrize(("old_kohm", "new_kohm"), [(25.0, 27.0), (50.0, 47.0)])
def test_the_nearest_value_in_the_ten_per_cent_series(old_kohm, new_kohm):
    assert nearest(old_kohm * 1e3, "E12") == new_kohm * 1e3


@pytest.mark.parametrize(("digit", "colour"), list(enumerate(ENTRIES["colour_digits"]["expected"]["colours"])))
def test_colour_of_each_digit(digit, colour):
    assert resistor_from_bands(["brown", colour, "black"]).si == 10 + digit
    assert resistor_bands(10.0 + digit)[1] == colour


@pytest.mark.parametrize("metal", ["gold", "silver"])
def test_gold_and_silver_multiply_by_tenths_and_hundredths(metal):
    factor = ENTRIES["colour_digits"]["expected"][f"{metal}_multiplier"]
    assert resistor_from_bands(["green", "red", metal]).si == pytest.approx(52 * factor, rel=1e-15)


@pytest.mark.parametrize(("colour", "percent"), list(ENTRIES["colour_tolerance"]["expected"].items()))
def test_colour_of_each_tolerance(colour, percent):
    bands = ["brown", "black", "black"] if colour == "none" else ["brown", "black", "black", colour]
    assert resistor_from_bands(bands).tolerance_fraction == pytest.approx(percent / 100, rel=1e-15)


@pytest.mark.parametrize("name", ids_of("liec_colour_example"))
def test_resistors_read_from_their_bands(name):
    entry = ENTRIES[name]
    part = resistor_from_bands(entry["inputs"]["bands"])
    assert part.si == entry["expected"]["R_ohm"]
    assert part.tolerance_fraction == pytest.approx(entry["expected"]["tolerance_pct"] / 100, rel=1e-15)


@pytest.mark.parametrize("name", ids_of("liec_colour_example"))
def test_bands_found_for_resistors(name):
    entry = ENTRIES[name]
    bands = tuple(entry["inputs"]["bands"])
    fraction = float(f"{entry['expected']['tolerance_pct']}e-2")
    assert resistor_bands(entry["expected"]["R_ohm"], fraction, bands=5 if len(bands) == 5 else 4) == bands


def test_body_end_and_dot_are_read_in_that_order():
    order = ENTRIES["body_end_dot_order"]["expected"]["order"]
    colours = {"body": "yellow", "tip": "violet", "dot": "brown"}
    # 4, 7 and one nought in that order; any other order gives another value
    assert resistor_from_body_end_dot(*(colours[place] for place in order)).si == 470.0


def test_a_published_body_end_and_dot():
    entry = ENTRIES["body_end_dot_example_51k"]
    colours = [entry["inputs"][place] for place in ("body", "tip", "dot")]
    assert resistor_from_body_end_dot(*colours).si == entry["expected"]["R_ohm"]
    assert list(resistor_body_end_dot(entry["expected"]["R_ohm"])[:3]) == colours


@pytest.mark.parametrize(("colours", "ohms"), table("body_end_dot_more", "body_tip_dot", "R_ohm"))
def test_more_bodies_ends_and_dots(colours, ohms):
    assert resistor_from_body_end_dot(*colours).si == ohms


RESISTANCE_CODES = [
    name
    for name in ids_of("rkm_")
    if "code" in ENTRIES[name].get("inputs", {}) and "R_ohm" in ENTRIES[name]["expected"]
]


@pytest.mark.parametrize("name", RESISTANCE_CODES)
def test_letter_codes_of_resistance(name):
    entry = ENTRIES[name]
    assert parse_ohms(entry["inputs"]["code"]) == entry["expected"]["R_ohm"]


@pytest.mark.parametrize(("code", "picofarads"), table("rkm_capacitance", "code", "C_pF"))
def test_letter_codes_of_capacitance(code, picofarads):
    assert parse_farads(code) == pytest.approx(picofarads * 1e-12, rel=1e-14)


@pytest.mark.parametrize(("letter", "percent"), list(ENTRIES["rkm_tolerance_letters"]["expected"].items()))
def test_tolerance_letters(letter, percent):
    assert parse_marking(f"4K7{letter}", "ohms").tolerance_fraction == pytest.approx(percent / 100, rel=1e-15)


# from the note of the same entry: below 10 pF the letters are picofarads
@pytest.mark.parametrize(("letter", "picofarads"), [("B", 0.1), ("C", 0.25), ("D", 0.5)])
def test_tolerance_letters_of_small_capacitors(letter, picofarads):
    marking = parse_marking(f"5p0{letter}", "farads")
    assert marking.tolerance_fraction is not None
    assert marking.tolerance_fraction * marking.si == pytest.approx(picofarads * 1e-12, rel=1e-12)


@pytest.mark.parametrize(("code", "picofarads"), table("three_digit_capacitor_code", "code", "C_pF"))
def test_three_digit_codes_of_capacitors(code, picofarads):
    assert parse_capacitor_digits(code).si == pytest.approx(picofarads * 1e-12, rel=1e-14)


@pytest.mark.parametrize(("old", "key"), [("0.0005 mfd", "pF_of_0p0005_mfd"), ("1 jar", "jar_pF")])
def test_old_units_of_capacitance(old, key):
    entry = ENTRIES["old_unit_conversion"]
    assert parse_farads(old) * 1e12 == pytest.approx(entry["expected"][key], rel=entry["tolerance"]["rel"])


def test_a_three_dot_mica():
    entry = ENTRIES["mica_three_dot"]
    part = capacitor_from_three_dots(entry["inputs"]["dots"])
    assert part.si == pytest.approx(entry["expected"]["C_pF"] * 1e-12, rel=1e-14)
    assert part.rated_volts == entry["expected"]["V"]
    assert part.tolerance_fraction == entry["expected"]["tolerance_pct"] / 100
    assert list(dots_of_capacitor(part.si)[:3]) == entry["inputs"]["dots"]


@pytest.mark.parametrize("colour", ["none", "gold", "silver"])
def test_volts_and_tolerance_dots_of_a_five_dot_mica(colour):
    expected = ENTRIES["mica_five_dot"]["expected"]
    part = capacitor_from_five_dots(["brown", "black", "brown", colour, colour])
    assert part.rated_volts == expected[f"{colour}_V"]
    assert part.tolerance_fraction == expected[f"{colour}_tol_pct"] / 100


@pytest.mark.parametrize(
    ("kind", "dielectric"),
    [
        *((colour, "mica") for colour in ENTRIES["mica_aws_six_dot_layout"]["expected"]["mica_types"]),
        (ENTRIES["mica_aws_six_dot_layout"]["expected"]["paper_type"], "paper"),
    ],
)
def test_six_dots_are_read_in_the_published_layout(kind, dielectric):
    layout = ENTRIES["mica_aws_six_dot_layout"]["expected"]
    dots = {
        "type": kind, "digit1": "green", "digit2": "brown",
        "characteristic": "red", "tolerance": "silver", "multiplier": "brown",
    }  # fmt: skip
    part = capacitor_from_jan_dots(
        [dots[place] for place in layout["top_row"]], [dots[p] for p in layout["bottom_row"]]
    )
    assert (part.dielectric, part.si, part.tolerance_fraction) == (dielectric, 510e-12, 0.10)


def test_a_published_six_dot_mica_of_an_army_lesson():
    entry = ENTRIES["mica_od1647_example"]
    given = entry["inputs"]
    # characteristic and tolerance are not part of the example
    part = capacitor_from_jan_dots(
        [given["type"], given["digit1"], given["digit2"]], ["brown", "silver", given["multiplier"]]
    )
    assert part.si == pytest.approx(entry["expected"]["C_pF"] * 1e-12, rel=1e-14)
    assert part.dielectric == entry["expected"]["kind"]


def test_a_published_six_dot_mica_of_51_picofarads():
    entry = ENTRIES["mica_aws_51pF_example"]
    part = capacitor_from_jan_dots(entry["inputs"]["top"], entry["inputs"]["bottom"])
    assert part.si == pytest.approx(entry["expected"]["C_pF"] * 1e-12, rel=1e-14)


# from the note of the same entry: 500 V below 6800 pF, 300 V from there to 10000 pF
@pytest.mark.parametrize(
    ("digits", "noughts", "volts"), [(("blue", "red"), "red", 500.0), (("blue", "grey"), "red", 300.0)]
)
def test_working_volts_of_six_dot_mica(digits, noughts, volts):
    assert capacitor_from_jan_dots(["black", *digits], ["red", "silver", noughts]).rated_volts == volts


def test_moulded_blocks_marked_like_mica_are_to_be_treated_as_paper():
    assert ENTRIES["micamold_are_paper"]["expected"]["treat_as_paper"]
    part = capacitor_from_three_dots(["brown", "black", "red"])
    assert any("treat it as paper" in caution for caution in part.cautions)
