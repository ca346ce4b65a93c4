"""Kinds of part: tolerances by year, and values no part is made in."""

import math

import pytest

from hetwright.card.part_kinds import kind_by_letter, kind_by_value, kinds, limits_log_sd, limits_of, part_kind
from hetwright.card.patterns import patterns
from hetwright.card.usual_values import customs
from hetwright.trade_data import load_trade


def test_every_kind_is_within_what_any_part_can_be():
    for kind in kinds().values():
        if kind.quantity == "none":
            continue
        low, high = limits_of(kind.quantity)
        assert low <= kind.low < kind.high <= high, kind.kind
        assert kind.tolerances, kind.kind
        assert kind.tolerances[-1][0] is None, kind.kind


def test_later_parts_are_no_worse_than_earlier_ones():
    for kind in kinds().values():
        spreads = [kind.log_sd(year) for year in range(1920, 2020, 5)]
        assert spreads == sorted(spreads, reverse=True), kind.kind


@pytest.mark.parametrize(
    ("word", "year", "low", "high"),
    [("carbon", 1938, 0.8, 1.2), ("electrolytic", 1950, 0.8, 2.0), ("silver mica", 1955, 0.95, 1.05)],
)
def test_tolerance_is_two_standard_deviations_either_side(word, year, low, high):
    spread = part_kind(word).log_sd(year)
    assert math.exp(4 * spread) == pytest.approx(high / low)


def test_a_symmetric_small_tolerance_is_half_of_itself():
    assert limits_log_sd(0.01, 0.01) == pytest.approx(0.005, rel=1e-3)


@pytest.mark.parametrize(
    ("written", "kind"),
    [
        ("Wax Paper", "waxed paper"),
        ("pot", "control"),
        ("wire wound", "wirewound"),
        ("IF can", "IF transformer"),
        ("X2", "film"),
    ],
)
def test_kinds_are_understood_by_their_workshop_names(written, kind):
    assert part_kind(written).kind == kind


def test_no_spelling_means_two_kinds():
    spellings = [
        spelling.lower()
        for record in load_trade("part_kinds.toml")["kind"]
        for spelling in (record["kind"], *record["also"])
    ]
    assert len(spellings) == len(set(spellings))


def test_kinds_of_the_patterns_are_kinds_of_a_card():
    written = {part.kind for pattern in patterns() for part in pattern.parts}
    made_as = {row["is"] for rows in customs()["kinds"].values() if isinstance(rows, list) for row in rows}
    for kind in (written - set(customs()["kinds"])) | made_as:
        assert part_kind(kind) is not None, kind


def test_old_capacitors_are_told_by_their_size():
    assert [kind_by_value(farads) for farads in (500e-12, 0.05e-6, 1e-6, 8e-6)] == [
        "mica",
        "waxed paper",
        "waxed paper",
        "electrolytic",
    ]


@pytest.mark.parametrize(("ref", "quantity"), [("R1", "ohms"), ("r12a", "ohms"), ("VR2", "ohms"), ("C40", "farads")])
def test_the_letter_of_a_reference_says_what_is_counted(ref, quantity):
    assert kind_by_letter(ref)[0] == quantity
