"""A reading as a restorer says it."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hetwright.errors import InputFault, OutOfRange
from hetwright.readings.meter import IDEAL, Meter
from hetwright.readings.reading import Reading, parse_reading, reading_sd
from hetwright.readings.words import OBSERVATIONS, QUANTITIES, facts, find_observation, point_named, quantity_named

READINGS = [
    ("V3.anode 182 V", "V3.anode", None, "volts dc", 182.0),
    ("V3 anode 182V", "V3.anode", None, "volts dc", 182.0),
    ("V3 plate 182", "V3.anode", None, "volts dc", 182.0),
    ("V3.anode = 182 V", "V3.anode", None, "volts dc", 182.0),
    ("V3.anode reads 182 volts d.c.", "V3.anode", None, "volts dc", 182.0),
    ("tube 3 plate 90v", "V3.anode", None, "volts dc", 90.0),
    ("v3.g2 85 V", "V3.screen_grid", None, "volts dc", 85.0),
    ("V3 g1 0.4V", "V3.control_grid", None, "volts dc", 0.4),
    ("V3 grid \u22127,3 V", "V3.control_grid", None, "volts dc", -7.3),
    ("V3.triode_anode 90 V", "V3.triode_anode", None, "volts dc", 90.0),
    ("V3 triode plate 90 V", "V3.triode_anode", None, "volts dc", 90.0),
    ("V3.anode to V3.cathode 182 V", "V3.anode", "V3.cathode", "volts dc", 182.0),
    ("HT1 to ht_negative 215 V", "HT1", "ht_negative", "volts dc", 215.0),
    ("B+ to B- 250 V dc", "HT2", "ht_negative", "volts dc", 250.0),
    ("HT2 1 000 V", "HT2", None, "volts dc", 1000.0),
    ("mains 236 V", "mains", None, "volts ac", 236.0),
    ("V1.heater 6.3 V", "V1.heater", None, "volts ac", 6.3),
    ("V1.filament 1.4 V dc", "V1.filament", None, "volts dc", 1.4),
    ("V1.filament 6.3 V", "V1.heater", None, "volts ac", 6.3),
    ("V1 fil 3.2 ohms", "V1.heater", None, "ohms", 3.2),
    ("V8.a1 300 V a.c.", "V8.anode_1", None, "volts ac", 300.0),
    ("HT2 45 mA", "HT2", None, "amps dc", 0.045),
    ("mains 0.35 A", "mains", None, "amps ac", 0.35),
    ("mains 80 W", "mains", None, "watts", 80.0),
    ("R12 4k7", "R12", None, "ohms", 4700.0),
    ("across R12 470 ohms", "R12", None, "ohms", 470.0),
    ("heaters.dropper OL", "heaters.dropper", None, "ohms", math.inf),
    ("aerial to chassis open ohms", "aerial", "chassis", "ohms", math.inf),
    ("antenna to ground 4.2 Ω", "aerial", "chassis", "ohms", 4.2),
    ("R1 ½ meg", "R1", None, "ohms", 500e3),
    ("loudspeaker hum 100 Hz", "loudspeaker", None, "hum", 100.0),
    ("hum 50 c/s", "loudspeaker", None, "hum", 50.0),
    ("audio gain 54", "audio", None, "gain", 54.0),
    ("audio 54 x", "audio", None, "gain", 54.0),
    ("audio gain 20 dB", "audio", None, "gain", 10.0),
]


@pytest.mark.parametrize(("said", "point", "to", "quantity", "value"), READINGS)
def test_readings_are_understood_as_restorers_say_them(said, point, to, quantity, value):
    reading = parse_reading(said)
    assert (reading.point, reading.to, reading.quantity) == (point, to, quantity)
    assert reading.value == pytest.approx(value, rel=1e-15)
    again = parse_reading(str(reading))
    assert (again.point, again.to, again.quantity) == (point, to, quantity)


def test_the_meter_is_read_behind_on():
    assert parse_reading("V3.cathode 12.5 V on 10M").meter == Meter.from_text("10M")
    reading = parse_reading("V3.anode 182 V on 1000 ohm/V on 1,000 V")
    assert reading.meter is not None
    assert reading.meter.ohms == 1e6


def test_when_and_on_what_mains_may_follow():
    reading = parse_reading("V3.screen 85 V on 20k/V on 250 V, after 20 min, mains 236 V, found")
    assert (reading.minutes_on, reading.mains_volts, reading.state) == (20.0, 236.0, "found")
    assert parse_reading("V3.screen 85 V").state == "now"
    assert parse_reading("hum, after 2 min").minutes_on == 2.0


@pytest.mark.parametrize(
    ("said", "point", "word"),
    [
        ("hum", "loudspeaker", "hum"),
        ("no sound", "loudspeaker", "no sound"),
        ("V3 anode glows", "V3.anode", "anode glows"),
        ("V3 plate glowing red", "V3.anode", "anode glows"),
        ("V3.anode glows", "V3.anode", "anode glows"),
        ("V3 red plating", "V3.anode", "anode glows"),
        ("V2 heater dark", "V2.heater", "heater dark"),
        ("heaters dark", "heaters", "heater dark"),
        ("V5 getter white", "V5", "getter white"),
        ("lamp limiter bright", "mains", "lamp limiter bright"),
        ("fuse blew", "supply.fuse", "fuse blew"),
        ("oscillator stopped", "frequency_changer.valve", "oscillator stopped"),
        ("smoke", "set", "smoke"),
        ("output.output_transformer smokes", "output.output_transformer", "smoke"),
        ("crackling", "loudspeaker", "crackle"),
    ],
)
def test_observations_are_understood_in_both_kinds_of_english(said, point, word):
    reading = parse_reading(said)
    assert (reading.quantity, reading.point, reading.observation, reading.value) == ("observation", point, word, 1.0)
    assert parse_reading(str(reading)) == reading


@pytest.mark.parametrize(
    ("said", "says"),
    [
        ("", "empty reading"),
        ("V3.anode", "holds no value"),
        ("loud and clear", "holds no value"),
        ("V3.anod 182 V", "did you mean 'anode'"),
        ("V3 182 V", "V3 alone is no point"),
        ("V3.anode nan V", "is not a voltage"),
        ("V3.anode inf V", "is not a voltage"),
        ("V3.anode 1e9 V", "beyond any part or reading"),
        ("V3.anode 6000 V", "beyond any reading of volts dc"),
        ("V3.anode -5 ohms", "cannot be negative"),
        ("mains -230 V", "cannot be negative"),
        ("V3.anode 182 V on", "is not a voltage"),
        ("V3.anode 182 V on 20k/V", "lacks its range"),
        ("aerial to chassis 4", "no unit that is known"),
        ("C9 0.05 µF", "no unit that is known"),
        ("heater dark", "does not say of which valve"),
        ("anode glows", "does not say of which valve"),
        ("V3.anode 182 V, mains 2 V", "mains of 2 V"),
        ("V3.anode 4e7 kV", "is above"),
        ("; drop 5 V", "is not a point"),
        ("x" * 300, "too long"),
        ("\x1b[31mV3 5 V", r"\\x1b\[31mV3' is not a point"),
        (None, "empty reading"),
    ],
)
def test_what_is_no_reading_is_refused_with_what_would_be_right(said, says):
    with pytest.raises(InputFault, match=says) as caught:
        parse_reading(said, file="bench.txt", line=3)
    assert str(caught.value).startswith("bench.txt:3: ")
    assert all(complaint.right for complaint in caught.value.complaints)


@given(said=st.text(max_size=60) | st.text(alphabet="V3.anodegk HT12+-0,5mkΩµ to on 10M/V", max_size=40))
def test_anything_said_is_a_reading_or_a_complaint(said):
    try:
        reading = parse_reading(said)
    except InputFault:
        return
    assert reading.quantity in QUANTITIES
    assert not math.isnan(reading.value)


@given(
    point=st.sampled_from(["V3.anode", "HT2", "V1.screen_grid", "mains"]),
    volts=st.integers(1, 9999).map(lambda n: n / 10),
    meter=st.sampled_from([None, "10M", "20k/V on 250 V", "500 ohm/V on 400 V"]),
)
def test_a_reading_written_out_is_read_back_as_itself(point, volts, meter):
    quantity = "volts ac" if point == "mains" else "volts dc"
    on = None if meter is None else Meter.from_text(meter)
    reading = Reading(point=point, quantity=quantity, value=volts, meter=on)
    assert parse_reading(str(reading)) == reading


@pytest.mark.parametrize(
    "wrong",
    [
        {"quantity": "volts dc", "value": math.nan},
        {"quantity": "volts dc", "value": math.inf},
        {"quantity": "watts", "value": -5.0},
        {"quantity": "smell", "value": 1.0},
        {"quantity": "observation", "value": 1.0},
        {"quantity": "observation", "value": 1.0, "observation": "loud"},
        {"quantity": "volts dc", "value": 1.0, "observation": "hum"},
    ],
)
def test_a_reading_that_cannot_be_is_not_made(wrong):
    with pytest.raises(InputFault):
        Reading(point="V3.anode", **wrong)


def test_open_ohms_are_a_reading():
    reading = Reading(point="heaters.dropper", quantity="ohms", value=math.inf)
    assert reading.written == "open"
    assert reading_sd(reading) == math.inf


def test_where_a_reading_was_written_is_no_part_of_it():
    assert parse_reading("V3.anode 5 V", file="a", line=1) == parse_reading("V3.anode 5 V", file="b", line=2)


@pytest.mark.parametrize(
    ("written", "point"),
    [
        ("V3.anode", "V3.anode"),
        ("V03 Anode", "V3.anode"),
        ("valve 3 anode", "V3.anode"),
        ("V3 screen grid", "V3.screen_grid"),
        ("V3.g3", "V3.suppressor_grid"),
        ("V1 osc plate", "V1.oscillator_anode"),
        ("V2.d2", "V2.diode_2_anode"),
        ("B+", "HT2"),
        ("HT+", "HT2"),
        ("reservoir", "HT1"),
        ("ground", "chassis"),
        ("Antenna", "aerial"),
        ("neutral", "mains_neutral"),
        ("output.coupling_capacitor", "output.coupling_capacitor"),
        ("T2.primary", "T2.primary"),
        ("V3", "V3"),
    ],
)
def test_points_have_one_name_whatever_they_are_called(written, point):
    assert point_named(written) == point
    assert point_named(point) == point


@pytest.mark.parametrize("written", ["", "V3.wobble", "3", "a b/c", "V3..", "=5", "x" * 61, "HT1; drop"])
def test_what_is_no_point_is_refused(written):
    with pytest.raises(InputFault):
        point_named(written)


def test_quantities_have_one_name_whatever_they_are_called():
    assert quantity_named("Volts") == quantity_named("VDC") == quantity_named("dc volts") == "volts dc"
    assert quantity_named("v ac") == "volts ac"
    with pytest.raises(InputFault, match="did you mean 'ohms'"):
        quantity_named("omhs")


def test_the_words_of_the_data_are_the_words_of_the_code():
    assert tuple(facts()["observation"]) == OBSERVATIONS
    assert tuple(facts()["quantity"]) == QUANTITIES
    for word, record in facts()["observation"].items():
        assert ("where" in record) != ("needs" in record), word
        for other in (word, *record["also"]):
            found = find_observation(other)
            assert found is not None
            assert found[1] == word


@pytest.mark.parametrize("table", ["electrode", "point", "quantity", "observation"])
def test_no_word_means_two_things(table):
    seen: dict[str, str] = {}
    for word, record in facts()[table].items():
        for other in {word, *(record if isinstance(record, list) else record["also"])}:
            assert seen.setdefault(other.casefold().replace(" ", "_"), word) == word, other


def test_the_spread_of_a_reading_is_that_of_its_meter():
    reading = parse_reading("V3.anode 182 V")
    coil = Meter.from_text("20k/V on 250 V")
    assert reading_sd(reading, meter=coil) == coil.sd_volts(182.0)
    assert reading_sd(parse_reading("V3.anode 182 V on 20k/V on 250 V"), meter=IDEAL) == coil.sd_volts(182.0)
    assert reading_sd(reading) == Meter.from_text("10M").sd_volts(182.0)
    assert reading_sd(reading, meter=IDEAL) == 0.0


def test_the_spread_of_other_readings_has_a_floor():
    assert reading_sd(parse_reading("mains 80 W")) == pytest.approx(2.4)
    assert reading_sd(parse_reading("mains 10 W")) == 1.0
    assert reading_sd(parse_reading("R12 4k7")) == pytest.approx(47.0)
    assert reading_sd(parse_reading("R12 1 ohm")) == pytest.approx(0.2)
    assert reading_sd(parse_reading("hum")) == 0.0


def test_alternating_volts_are_read_less_well_than_direct():
    on = " on 20k/V on 250 V"
    assert reading_sd(parse_reading("mains 236 V" + on)) > reading_sd(parse_reading("HT2 236 V" + on))


def test_beyond_what_any_reading_is():
    with pytest.raises(OutOfRange):
        parse_reading("HT2 20 kV")


def test_every_reading_of_the_document_is_understood():
    page = (Path(__file__).parents[2] / "docs" / "readings.md").read_text(encoding="utf-8")
    block = page.partition("## Saying one\n\n")[2].partition("\n\nA point")[0]
    said = [line for row in block.splitlines() for line in re.split(r"\s{3,}", row.strip())]
    assert len(said) == 8
    assert [parse_reading(line).quantity for line in said].count("volts dc") == 4
