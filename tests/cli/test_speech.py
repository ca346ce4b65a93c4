"""How things are said to a person."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hetwright.card.words import part_words, stage_names
from hetwright.cli.speech import band, chance, point_spoken, role_spoken, spoken, volts_spoken, written


@given(st.floats(0.0, 1.0))
def test_every_probability_has_words_that_are_near_it(probability):
    said = chance(probability)
    if probability < 0.005:
        assert said == "less than 1 in 200"
    elif probability > 0.99:
        assert said.startswith("as good as certain")
    else:
        part, whole = map(int, re.match(r"(\d+) in (\d+) \(", said).groups())
        odds = probability / (1.0 - probability)
        assert 0.6 < odds / (part / (whole - part)) < 1.7
        assert f"({100 * probability:.0f}\u00a0%)" in said


def test_nothing_short_of_certainty_is_called_certain():
    assert "certain" in chance(1.0)
    assert "as good as" in chance(1.0)


@pytest.mark.parametrize("stage", [*stage_names(), "if_amp_2", "output_a"])
def test_a_role_is_said_without_dots_and_underscores(stage):
    for part in part_words(stage):
        said = role_spoken(f"{stage}.{part}")
        assert "." not in said
        assert "_" not in said


@pytest.mark.parametrize(
    ("british", "american"),
    [
        ("Read V3.anode to chassis", "Read V3 plate to chassis"),
        ("the valve pulled from HT1", "the tube pulled from B+1"),
        ("Plug out: mains_live to HT negative", "Unplugged: line hot to B-"),
        ("earth the aerial", "ground the antenna"),
    ],
)
def test_american_words(british, american):
    assert spoken(british, "american") == american


@pytest.mark.parametrize("sentence", ["V3 anode 182 V", "HT1 (reservoir)", "C9 leaks about 1.2 M"])
def test_a_sentence_in_british_words_stays_as_it_is(sentence):
    assert spoken(sentence) == sentence


def test_points_are_said_as_the_trade_says_them():
    assert point_spoken("V1.triode_anode") == "V1 triode anode"
    assert point_spoken("ht_negative") == "HT negative"
    assert point_spoken("V1.screen_grid", "american") == "V1 screen grid"


@given(st.floats(-1e4, 1e4))
def test_volts_are_said_to_three_figures(volts):
    figure = volts_spoken(volts)
    assert figure.endswith(" V")
    assert float(figure[:-2]) == pytest.approx(volts, rel=6e-3, abs=6e-3)


def test_an_unknown_value_is_a_question_mark_and_an_open_one_says_so():
    assert written(None, "volts dc") == "?"
    assert written(float("nan"), "ohms") == "?"
    assert written(float("inf"), "ohms") == written("open", "ohms") == "open"
    assert band("open", "open", "ohms") == "open"
