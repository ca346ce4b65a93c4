"""Either side of the ocean may write a card; inside there is one name for everything."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hetwright.card.words import (
    british_point,
    british_role,
    british_stage,
    in_words,
    part_words,
    set_points,
    stage_names,
)
from hetwright.readings.words import point_named
from hetwright.trade_data import load_trade


@pytest.mark.parametrize(
    ("written", "point"),
    [
        ("V3.anode", "V3.anode"),
        ("v3 plate", "V3.anode"),
        ("V3.g1", "V3.control_grid"),
        ("V3 screen", "V3.screen_grid"),
        ("V1.triode plate", "V1.triode_anode"),
        ("B+", "HT2"),
        ("reservoir", "HT1"),
        ("ground", "chassis"),
        ("antenna", "aerial"),
        ("hot", "mains_live"),
        ("audio.feed", "audio.feed"),
        ("tag 7", "tag 7"),
    ],
)
def test_points_have_one_name_however_they_are_written(written, point):
    assert british_point(written) == point


@pytest.mark.parametrize("table", ["point", "electrode"])
def test_cards_and_readings_mean_the_same_by_every_spelling_of_a_point(table):
    loose = {"avc", "mains", "set", "heaters"}
    for name, also in load_trade("readings.toml")[table].items():
        for spelling in (name, *also):
            written = spelling if table == "point" else f"V3.{spelling}"
            if name not in loose and "." not in spelling:
                assert british_point(written) == point_named(written), written


@pytest.mark.parametrize(
    ("written", "role"),
    [
        ("audio.plate_load", "audio.anode_load"),
        ("output.coupling condenser", "output.coupling_capacitor"),
        ("converter.antenna_coil", "frequency_changer.aerial_coil"),
        ("power supply.filter_choke", "supply.smoothing_choke"),
        ("second detector.volume control", "detector.volume_control"),
        ("supply.line_switch", "supply.mains_switch"),
        ("wiring.ground_bond", "wiring.earth_bond"),
    ],
)
def test_american_roles_are_understood(written, role):
    assert british_role(written) == role
    stage, _, part = role.partition(".")
    assert part in part_words(stage)


def test_a_british_role_is_never_taken_for_an_american_one():
    """The IF filter of a detector is no smoothing filter."""
    for stage in stage_names():
        for part in part_words(stage):
            assert british_role(f"{stage}.{part}") == f"{stage}.{part}"


@settings(max_examples=200)
@given(st.text(max_size=20))
def test_naming_a_point_or_stage_twice_changes_nothing(text):
    assert british_point(british_point(text)) == british_point(text)
    assert british_stage(british_stage(text)) == british_stage(text)


def test_points_of_the_set_are_places_a_wire_can_go_to():
    assert {"chassis", "HT1", "HT2", "ht_negative", "earth", "aerial", "mains_live", "mains_neutral"} <= set(
        set_points()
    )
    assert not {"set", "heaters", "mains"} & set(set_points())


@pytest.mark.parametrize(
    ("british", "american"),
    [
        ("Valves in the HT supply", "Tubes in the B+ supply"),
        ("the aerial and earth", "the antenna and ground"),
        ("frequency changer", "converter"),
        ("V3.anode stays a point", "V3.anode stays a point"),
        ("an anode_load stays a role", "an anode_load stays a role"),
    ],
)
def test_notes_can_be_written_in_american_words(british, american):
    assert in_words(british, "american") == american
    assert in_words(british, "british") == british
