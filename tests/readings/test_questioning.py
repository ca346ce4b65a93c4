"""Readings that cannot be are questioned; honest faults are not."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hetwright.readings.meter import IDEAL
from hetwright.readings.questioning import Expected, Surroundings, question
from hetwright.readings.reading import Reading, parse_reading

ANODE = Expected(value=185.0, sd=12.0)
CATHODE = Expected(value=12.5, sd=0.8)
GRID_LEAK = Expected(value=470e3, sd=40e3)


def asked(*said, **surroundings):
    """Questions about lines of (what was said, what is expected)."""
    readings = [parse_reading(line) for line, _ in said]
    return question(readings, [expected for _, expected in said], Surroundings(**surroundings))


@pytest.mark.parametrize(
    ("said", "expected", "supposed", "says"),
    [
        ("V3.anode 18.2 V", ANODE, 182.0, "decimal point misplaced or on the wrong range"),
        ("V3.anode 1820 V", ANODE, 182.0, "decimal point misplaced or on the wrong range"),
        ("V3.cathode 1.22 V", CATHODE, 12.2, "wrong range"),
        ("V3.anode 182 mV", ANODE, 182.0, "volts written as millivolts"),
        ("V3.cathode 1.3 V", Expected(value=0.0013, sd=0.0001), 0.0013, "millivolts written as volts"),
        ("R7 470 ohms", GRID_LEAK, 470e3, "k or M left off"),
        ("R7 1 ohm", Expected(value=1e6, sd=1e5), 1e6, "M left off"),
        ("R1 330k", Expected(value=330.0, sd=20.0), 330.0, "where there was none"),
        ("HT2 45 A", None, None, None),
        ("HT2 19 A", Expected(value=0.0185, sd=0.001), 0.019, "milliamps written as amps"),
    ],
)
def test_a_slip_of_range_or_unit_is_supposed_where_it_fits(said, expected, supposed, says):
    if expected is None:
        with pytest.raises(ValueError, match="beyond any reading"):
            parse_reading(said)
        return
    (one,) = asked((said, expected))
    assert one.kind == "range or unit"
    assert one.supposed == pytest.approx(supposed, rel=1e-12)
    assert says in one.sentence


def test_a_question_says_which_reading_what_it_says_and_what_it_probably_is_in_one_sentence():
    (one,) = asked(("V3.anode 18.2 V", ANODE))
    assert one.sentence == (
        "V3.anode says 18.2 V where 185 V is normal: "
        "probably 182 V with the decimal point misplaced or on the wrong range."
    )
    assert (one.index, one.reading.point) == (0, "V3.anode")


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("V3.anode 182 V", ANODE),
        ("V3.anode 215 V", ANODE),
        ("V3.anode 95 V", ANODE),
        ("V3.anode 0 V", ANODE),
        ("V3.anode 40 V", ANODE),
        ("R7 open", GRID_LEAK),
        ("R7 0 ohms", GRID_LEAK),
        ("hum", None),
        ("V3.anode 18 V", None),
        ("V3.anode 18 V", Expected(value=math.nan, sd=1.0)),
        ("V3.anode 18 V", Expected(value=185.0, sd=math.inf)),
    ],
)
def test_an_honest_fault_or_a_normal_reading_is_not_explained_away(said, expected):
    assert asked((said, expected)) == ()


def test_nothing_is_supposed_of_a_point_that_may_be_anywhere():
    assert asked(("V3.control_grid 0.7 V", Expected(value=-0.5, sd=1.5))) == ()


def test_leads_the_wrong_way_round():
    (one,) = asked(("V3.anode -182 V", ANODE))
    assert (one.kind, one.supposed) == ("sign", 182.0)
    assert "the leads were the wrong way round" in one.sentence


def test_a_minus_sign_left_out():
    (one,) = asked(("V3.control_grid 7.2 V", Expected(value=-7.3, sd=0.4)))
    assert (one.kind, one.supposed) == ("sign", -7.2)
    assert "minus sign was left out" in one.sentence


def test_a_positive_grid_of_another_size_is_a_leaky_capacitor_not_a_slip():
    assert asked(("V3.control_grid 2.5 V", Expected(value=-7.3, sd=0.4))) == ()


def test_the_black_lead_on_the_chassis_of_a_back_biased_set():
    said = (("V3.cathode -9.4 V", Expected(value=0.0, sd=0.1)),)
    (one,) = asked(*said, other_references={"chassis": 9.5})
    assert one.kind == "reference"
    assert "probably read to chassis" in one.sentence
    assert asked(*said) == ()


def test_two_rows_exchanged():
    first, second = asked(("V3.anode 12.3 V", ANODE), ("HT2 250 V", None), ("V3.cathode 181 V", CATHODE))
    assert (first.kind, first.index, first.other_index, first.supposed) == ("swapped", 0, 2, 181.0)
    assert (second.kind, second.index, second.other_index, second.supposed) == ("swapped", 2, 0, 12.3)
    assert "each is normal for the other" in first.sentence


def test_rows_are_not_exchanged_between_kinds_or_references():
    assert asked(("V3.anode 12.3 V", ANODE), ("V3.cathode 181 V ac", CATHODE)) == ()
    assert asked(("V3.anode to HT2 12.3 V", ANODE), ("V3.cathode 181 V", CATHODE)) == ()


def test_mains_of_252_volts_on_a_230_volt_set():
    (one,) = asked(("mains 252 V", None), mains_rms_volts=230.0)
    assert one.kind == "mains"
    assert "252 V a.c., 10 % above the 230 V the set is for" in one.sentence
    assert asked(("mains 236 V", None), mains_rms_volts=230.0) == ()
    assert asked(("mains 252 V", None)) == ()


def test_mains_told_beside_a_reading_is_looked_at_once_and_hides_no_other_question():
    line = "V3.anode 18.2 V, mains 252 V"
    kinds = [one.kind for one in asked((line, ANODE), (line, None), mains_rms_volts=230.0)]
    assert sorted(kinds) == ["mains", "range or unit"]


def test_low_mains_is_asked_about_too():
    (one,) = asked(("mains 190 V", None), mains_rms_volts=230.0)
    assert "17 % below" in one.sentence
    assert "every reading will be low" in one.sentence


def test_nothing_reads_above_the_highest_source():
    (one,) = asked(("V3.anode 900 V", None), highest_direct_volts=350.0)
    assert one.kind == "above source"
    assert "nothing in this set gives more than 350 V" in one.sentence
    assert asked(("V3.anode 360 V", None), highest_direct_volts=350.0) == ()
    (ac,) = asked(("V5.anode_1 700 V ac", None), highest_rms_volts=275.0)
    assert ac.kind == "above source"


def test_a_better_explanation_of_the_same_value_goes_first():
    (one,) = asked(("V3.anode 1820 V", ANODE), highest_direct_volts=350.0)
    assert one.kind == "range or unit"


def test_a_cathode_is_not_above_its_anode():
    (one,) = asked(("V3.cathode 120 V", None), ("V3.anode 30 V", None))
    assert (one.kind, one.index) == ("cathode above anode", 0)
    assert "above its own anode at 30 V" in one.sentence


def test_a_screen_may_feed_the_cathode_when_the_anode_is_open():
    readings = (("V3.cathode 10.8 V", None), ("V3.anode 3.8 V", None), ("V3.screen_grid 241 V", None))
    assert asked(*readings) == ()


def test_sections_of_one_valve_are_kept_apart():
    assert asked(("V3.triode_cathode 20 V", None), ("V3.anode 5 V", None)) == ()
    (one,) = asked(("V3.triode_cathode 20 V", None), ("V3.triode_anode 5 V", None))
    assert one.reading.point == "V3.triode_cathode"


def test_the_error_of_the_meter_counts():
    reading = [parse_reading("V3.cathode 0.05 V on 500 ohm/V on 400 V")]
    expected = [Expected(value=5.0, sd=0.2)]
    assert question(reading, expected) == ()
    assert question([parse_reading("V3.cathode 0.5 V")], expected, meter=IDEAL)[0].supposed == 5.0


def test_both_lists_must_be_of_one_length():
    with pytest.raises(ValueError, match="1 readings but 0 expected"):
        question([parse_reading("hum")], [])


@given(
    values=st.lists(st.tuples(st.floats(-4000, 4000), st.floats(-500, 500), st.floats(0.01, 100)), max_size=5),
    highest=st.none() | st.floats(1, 1000),
)
def test_a_question_always_has_one_sentence_and_a_reading_that_fits_better(values, highest):
    readings = [Reading(point=f"V{n + 1}.anode", quantity="volts dc", value=v) for n, (v, _, _) in enumerate(values)]
    expected = [Expected(value=mean, sd=sd) for _, mean, sd in values]
    for one in question(readings, expected, Surroundings(highest_direct_volts=highest)):
        assert one.sentence.endswith(".")
        assert "\n" not in one.sentence
        assert readings[one.index] == one.reading
        if one.supposed is not None:
            normal = expected[one.index].value
            assert abs(one.supposed - normal) < abs(one.reading.value - normal)


@given(shift=st.floats(-2.0, 2.0))
def test_readings_within_their_bands_raise_no_question(shift):
    said = [(f"V3.anode {185.0 + 12.0 * shift:.1f} V", ANODE), (f"V3.cathode {12.5 + 0.8 * shift:.2f} V", CATHODE)]
    assert asked(*said, highest_direct_volts=350.0, mains_rms_volts=230.0) == ()
