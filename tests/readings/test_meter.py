"""Meters: what they load, what they show, how far they may be out."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from hetwright.errors import InputFault, OutOfRange
from hetwright.readings.meter import IDEAL, Meter, converted_volts, volts_from_two_ranges

METERS = {
    "10M": ("digital", 10e6),
    "10 MΩ": ("digital", 10e6),
    "digital 10 meg": ("digital", 10e6),
    "11M": ("valve voltmeter", 11e6),
    "VTVM 11M": ("valve voltmeter", 11e6),
    "valve voltmeter 10M": ("valve voltmeter", 10e6),
    "200k": ("digital", 200e3),
    "20k/V on 250 V": ("moving coil", 5e6),
    "20 kΩ/V on 250 V": ("moving coil", 5e6),
    "20,000 ohms per volt, 250 V range": ("moving coil", 5e6),
    "500 ohm/V on 400 V": ("moving coil", 200e3),
    "1000 Ω/V on 1,000 V": ("moving coil", 1e6),
    "1000 opv 250V": ("moving coil", 250e3),
    "167 ohm/V on the 1000 V range": ("moving coil", 167e3),
    "1000 ohm/volt on 250 volts": ("moving coil", 250e3),
    "ideal": ("ideal", math.inf),
}


@pytest.mark.parametrize("written", METERS)
def test_meters_are_read_as_restorers_write_them(written):
    meter = Meter.from_text(written)
    assert (meter.kind, meter.ohms) == METERS[written]
    assert Meter.from_text(str(meter)) == meter


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("20k/V", "lacks its range"),
        ("20k/V on banana", "is not a meter"),
        ("20k/V on 0 V", "no meter has 0 volts of range"),
        ("0/V on 5 V", "no meter has 0 ohms per volt"),
        ("20k/V on -250 V", "no meter has -250 volts"),
        ("nan", "is not a meter"),
        ("inf", "is not a meter"),
        ("-10M", "is not a meter"),
        ("10m", "is not a meter"),
        ("1 ohm", "no meter has 1 ohms"),
        ("", "is not a meter"),
        ("x" * 500, "is not a meter"),
        ("10M or so", "is not a meter"),
    ],
)
def test_what_is_no_meter_is_refused_with_what_would_be_right(written, says):
    with pytest.raises(InputFault, match=says):
        Meter.from_text(written)


@pytest.mark.parametrize(
    "figures",
    [
        {"kind": "digital", "ohms": 0.0},
        {"kind": "digital", "ohms": math.nan},
        {"kind": "moving coil", "ohms": 1e5, "range_volts": -1.0},
        {"kind": "moving coil", "ohms": 1e5, "range_volts": 10.0, "ohms_per_volt": math.inf},
        {"kind": "digital", "ohms": 1e7, "accuracy_fraction": 1.5},
    ],
)
def test_a_meter_that_cannot_be_is_out_of_range(figures):
    with pytest.raises(OutOfRange):
        Meter(**figures)


def test_a_moving_coil_meter_loads_by_its_range_not_by_its_reading():
    low, high = Meter.from_text("1000 ohm/V on 100 V"), Meter.from_text("1000 ohm/V on 1000 V")
    assert high.ohms == 10 * low.ohms
    assert low.loaded_volts(80.0, 100e3) < high.loaded_volts(80.0, 100e3) < 80.0


def test_an_ideal_meter_shows_what_is_there_and_errs_by_nothing():
    assert IDEAL.loaded_volts(123.0, 1e6) == 123.0
    assert IDEAL.sd_volts(123.0) == 0.0
    assert IDEAL.siemens == 0.0


def test_a_moving_coil_meter_is_worse_low_on_its_scale_and_a_digital_one_is_not():
    old, new = Meter.from_text("20k/V on 250 V"), Meter.from_text("10M")
    assert old.sd_volts(25.0) == old.sd_volts(250.0)
    assert new.sd_volts(1.5) < new.sd_volts(15.0) < new.sd_volts(150.0) < old.sd_volts(150.0)


def test_a_stated_accuracy_takes_the_place_of_the_usual_one():
    # the maker's limit is two standard deviations
    assert Meter.from_text("20k/V on 250 V ±2 %").sd_volts(100.0) == pytest.approx(2.5)
    assert Meter.from_text("20k/V on 250 V +/-1 %").sd_volts(100.0) == pytest.approx(1.25)
    fine, usual = Meter.from_text("10M ±0.1 %"), Meter.from_text("10M")
    assert 0 < fine.sd_volts(150.0) < usual.sd_volts(150.0)
    assert Meter.from_text(str(fine)) == fine


def test_a_reading_on_an_old_sheet_is_carried_to_todays_meter_and_back():
    sheet, mine = Meter.from_text("500 ohm/V on 400 V"), Meter.from_text("10M")
    mine_shows = converted_volts(93.0, 86e3, shown_on=sheet, wanted_on=mine)
    assert mine_shows == pytest.approx(132, abs=1)
    assert converted_volts(mine_shows, 86e3, shown_on=mine, wanted_on=sheet) == pytest.approx(93.0)


@pytest.mark.parametrize("source_ohms", [-1.0, math.nan, math.inf])
def test_a_source_resistance_must_be_finite_and_not_below_zero(source_ohms):
    with pytest.raises(OutOfRange):
        Meter.from_text("10M").loaded_volts(100.0, source_ohms)


@given(
    volts=st.floats(-900, 900).filter(lambda v: abs(v) > 1e-3),
    source_ohms=st.floats(0, 5e6),
    meter=st.sampled_from(["10M", "11M", "20k/V on 250 V", "500 ohm/V on 400 V"]),
)
def test_loading_can_be_undone_and_never_raises_a_reading(volts, source_ohms, meter):
    on = Meter.from_text(meter)
    shown = on.loaded_volts(volts, source_ohms)
    assert abs(shown) <= abs(volts)
    assert on.unloaded_volts(shown, source_ohms) == pytest.approx(volts, rel=1e-12)


@given(
    volts=st.floats(1, 900),
    source_ohms=st.floats(100, 3e6),
    sign=st.sampled_from([-1.0, 1.0]),
    meters=st.sampled_from(
        [
            ("1000 ohm/V on 100 V", "1000 ohm/V on 250 V"),
            ("20k/V on 250 V", "20k/V on 50 V"),
            ("500 ohm/V on 400 V", "ideal"),
            ("10M", "200k"),
        ]
    ),
)
def test_two_ranges_give_true_volts_and_source_resistance(volts, source_ohms, sign, meters):
    first, second = (Meter.from_text(meter) for meter in meters)
    shown = [sign * on.loaded_volts(volts, source_ohms) for on in (first, second)]
    assume(abs(shown[0] - shown[1]) > 1e-6 * volts)
    found = volts_from_two_ranges(shown[0], first, shown[1], second)
    assert found.true_volts == pytest.approx(sign * volts, rel=1e-6)
    assert found.source_ohms == pytest.approx(source_ohms, rel=1e-5)


def test_two_ranges_equal_the_formula_of_the_trade():
    first, second = Meter.from_text("1000 ohm/V on 100 V"), Meter.from_text("1000 ohm/V on 250 V")
    v1, v2 = 62.0, 88.0
    expected = (first.ohms - second.ohms) / (first.ohms / v1 - second.ohms / v2)
    assert volts_from_two_ranges(v1, first, v2, second).true_volts == pytest.approx(expected, rel=1e-12)


def test_the_error_of_two_ranges_is_that_of_the_meters_carried_through():
    first, second = Meter.from_text("1000 ohm/V on 100 V"), Meter.from_text("1000 ohm/V on 250 V")
    v1, v2, step = 62.0, 88.0, 1e-4
    found = volts_from_two_ranges(v1, first, v2, second)
    by_first = (volts_from_two_ranges(v1 + step, first, v2, second).true_volts - found.true_volts) / step
    by_second = (volts_from_two_ranges(v1, first, v2 + step, second).true_volts - found.true_volts) / step
    carried = math.hypot(by_first * first.sd_volts(v1), by_second * second.sd_volts(v2))
    assert found.sd_volts == pytest.approx(carried, rel=1e-4)


@pytest.mark.parametrize(
    ("first_volts", "first", "second_volts", "second", "says"),
    [
        (50.0, "10M", 50.0, "10M", "load the point alike"),
        (0.0, "10M", 50.0, "200k", "say nothing together"),
        (math.nan, "10M", 50.0, "200k", "say nothing together"),
        (-50.0, "10M", 50.0, "200k", "say nothing together"),
        (50.0, "10M", 60.0, "200k", "cannot both be of one point"),
        (10.0, "1000 ohm/V on 100 V", 90.0, "1000 ohm/V on 250 V", "cannot both be of one point"),
    ],
)
def test_two_readings_that_say_nothing_are_refused(first_volts, first, second_volts, second, says):
    with pytest.raises(InputFault, match=says):
        volts_from_two_ranges(first_volts, Meter.from_text(first), second_volts, Meter.from_text(second))
