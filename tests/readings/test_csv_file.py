"""The readings file, in and out."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hetwright.errors import InputFault
from hetwright.readings import load_csv, parse_csv, write_csv
from hetwright.readings.csv_file import COLUMNS
from hetwright.readings.meter import Meter
from hetwright.readings.reading import Reading
from hetwright.readings.words import OBSERVATIONS, facts, observation_point

FULL = """\
point,to,quantity,value,unit,meter,mains_volts,minutes_on,state,note
V3.anode,,volts dc,182,V,20k/V on 250 V,236,20,found,after the fuse
V3 plate,chassis,V DC,0.182,kV,10M,,,,
aerial,chassis,ohms,open,,,,,now,
mains,,watts,80,,,236,,,
V2,,observation,heater dark,,,,,found,
,,observation,hum,,,,,,
R12,,ohms,4k7,,,,,,
"""


def complaints_of(source, file="bench.csv"):
    with pytest.raises(InputFault) as caught:
        parse_csv(source, file=file)
    return [str(complaint) for complaint in caught.value.complaints]


def test_a_whole_file_is_read():
    first, second, third, fourth, fifth, sixth, seventh = parse_csv(FULL, file="bench.csv")
    assert first == Reading(
        point="V3.anode",
        quantity="volts dc",
        value=182.0,
        meter=Meter.from_text("20k/V on 250 V"),
        mains_volts=236.0,
        minutes_on=20.0,
        state="found",
        note="after the fuse",
    )
    assert (first.file, first.line) == ("bench.csv", 2)
    assert (second.point, second.to, second.value, second.state) == ("V3.anode", "chassis", 182.0, "now")
    assert third.value == math.inf
    assert (fourth.value, fourth.mains_volts) == (80.0, 236.0)
    assert (fifth.point, fifth.observation) == ("V2.heater", "heater dark")
    assert (sixth.point, sixth.observation) == ("loudspeaker", "hum")
    assert (seventh.value, seventh.line) == (4700.0, 8)


def test_only_point_quantity_and_value_are_needed_in_any_order_and_case():
    (reading,) = parse_csv("Value,Quantity,POINT\n182,volts dc,V3.anode\n")
    assert (reading.point, reading.value) == ("V3.anode", 182.0)


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
def test_bytes_with_or_without_a_byte_order_mark_and_either_line_ending(mark, ending):
    source = mark + "point,quantity,value,unit\nHT2,amps dc,45000,µA\n".encode().replace(b"\n", ending)
    assert parse_csv(source)[0].value == 0.045


def test_semicolons_bring_the_decimal_comma():
    source = "point;quantity;value;unit;mains_volts;meter\nV3.cathode;volts dc;12,5;V;236,5;20k/V on 250 V\n"
    (reading,) = parse_csv(source)
    assert (reading.value, reading.mains_volts) == (12.5, 236.5)
    assert parse_csv("point;quantity;value\nR1;ohms;2,200\n")[0].value == 2.2


@pytest.mark.parametrize(
    ("quantity", "value", "unit", "size"),
    [
        ("volts dc", "0.182", "kV", 182.0),
        ("volts dc", "182", "V d.c.", 182.0),
        ("volts ac", "236", "VAC", 236.0),
        ("amps dc", "45", "mA dc", 0.045),
        ("ohms", "4.7", "k", 4700.0),
        ("ohms", "OL", "MΩ", math.inf),
        ("gain", "20", "dB", 10.0),
        ("gain", "54", "", 54.0),
        ("hum", "100", "c/s", 100.0),
    ],
)
def test_units_stand_in_their_own_column(quantity, value, unit, size):
    (reading,) = parse_csv(f"point,quantity,value,unit\naudio,{quantity},{value},{unit}\n")
    assert reading.value == pytest.approx(size, rel=1e-15)


def test_a_file_on_disk(tmp_path):
    path = tmp_path / "bench.csv"
    path.write_bytes(FULL.encode())
    assert load_csv(path) == parse_csv(FULL)
    path.write_bytes(b"point,quantity,value\n" + b"R1,ohms,470\n" * 900_000)
    with pytest.raises(InputFault, match=r"bench\.csv: more than 1,000,000 bytes"):
        load_csv(path)
    with pytest.raises(InputFault, match=r"missing\.csv: cannot be read"):
        load_csv(tmp_path / "missing.csv")
    with pytest.raises(InputFault, match="cannot be read"):
        load_csv(tmp_path)


def test_tabs_and_quoted_decimal_commas_are_understood():
    assert parse_csv("point\tquantity\tvalue\nV3.cathode\tvolts dc\t12.5\n")[0].value == 12.5
    assert parse_csv('point,quantity,value\nV3.cathode,volts dc,"12,5"\n')[0].value == 12.5


def test_empty_lines_and_remarks_are_passed_over_and_lines_still_counted():
    source = "# bench, second evening\n\npoint,quantity,value\n\n# cold first\nR1,ohms,470\n,,\n"
    (reading,) = parse_csv(source)
    assert reading.line == 6


def test_a_cell_may_hold_a_line_break_and_later_lines_are_still_right():
    source = 'point,quantity,value,note\nR1,ohms,470,"one\ntwo"\nR2,ohms,nan,\n'
    assert complaints_of(source)[0].startswith("bench.csv:4: ")


def test_every_complaint_is_collected_with_its_line():
    source = (
        "point,to,quantity,value,unit,meter,mains_volts,minutes_on,state,note\n"
        "V3.anod,,volts dc,182,V,,,,,\n"
        "V3.anode,,volts dc,nan,V,,,,,\n"
        "V3.anode,,vlots dc,182,V,,,,,\n"
        "V3.anode,,volts dc,1e9,V,,,,,\n"
        "V3.anode,,volts dc,182,V,banana,3,x,sometime,\n"
        "V3.anode,,volts dc,,V,,,,,\n"
        ",,volts dc,182,V,,,,,\n"
        "V3.anode,,observation,loud,,,,,,\n"
        "V3.anode,,ohms,-5,,,,,,\n"
        "V3.anode,,volts dc,182,ohms,,,,,\n"
    )
    said = complaints_of(source)
    lines = [int(complaint.split(":")[1]) for complaint in said]
    assert lines == [2, 3, 4, 5, 6, 6, 6, 6, 7, 8, 9, 10, 11]
    for complaint, word in zip(
        said,
        [
            "did you mean 'anode'",
            "is not a voltage",
            "did you mean 'volts dc'",
            "is above",
            "is not a meter",
            "mains of 3 V",
            "is not a number",
            "write found or now",
            "no value",
            "no point",
            "unknown observation",
            "cannot be negative",
            "is not a voltage",
        ],
        strict=True,
    ):
        assert word in complaint
        assert "; " in complaint


@pytest.mark.parametrize(
    ("source", "says"),
    [
        (b"", "the file is empty"),
        (b"\n\n# nothing\n", "the file is empty"),
        (b",,\n", "the file is empty"),
        (b"# a\n;;\n", "the file is empty"),
        (b'point,quantity,value\nR1,ohms,"' + b"1" * 200_000, "a cell that does not end"),
        (b"point,quantity,value\n", "no readings below the header"),
        (b"V3.anode,volts dc,182\n", "unknown column 'V3.anode'"),
        (b"point,quantity\nV3.anode,volts dc\n", "no column 'value'"),
        (b"point,quantity,valeu\nV3.anode,volts dc,1\n", "did you mean 'value'"),
        (b"point,point,quantity,value\nR1,R1,ohms,1\n", "two columns 'point'"),
        (b"point,quantity,value\nV3.anode,volts dc,12,5\n", "put a value with a comma in quotation marks"),
        (b'point,quantity,value\nV3.anode,volts dc,"12\n', "quotation marks do not match"),
        ("point,quantity,value,unit\nHT2,amps dc,45,\xb5A\n".encode("latin-1"), "looks like Latin-1"),
        ("point,quantity,value\nR1,ohms,1\n".encode("utf-16"), "not UTF-8 text"),
        (b"PK\x03\x04\x00\x00", "not UTF-8 text"),
        ("point,quantity,value\nR1,ohms,1\x00\n", "zero byte"),
        (b"point;quantity;value\nR1;ohms;1.234\n", "may be 1234 or 1,234"),
        (b"point,quantity,value,unit\nHT2,volts dc,5,V ac\n", "say a.c. or d.c. once"),
    ],
)
def test_a_file_that_is_wrong_as_a_whole_says_so_at_once(source, says):
    said = complaints_of(source)
    assert says in said[0]
    assert said[0].startswith("bench.csv:")


def test_latin_1_bytes_are_reported_on_their_line():
    source = b"point,quantity,value,unit\nR1,ohms,1,\nHT2,amps dc,45,\xb5A\n"
    assert complaints_of(source)[0].startswith("bench.csv:3: byte 0xb5 is not UTF-8")


def test_a_file_of_ten_megabytes_is_refused_at_once():
    said = complaints_of(b"point,quantity,value\n" + b"R1,ohms,470\n" * 900_000)
    assert len(said) == 1
    assert "too large for a readings file" in said[0]


def test_too_many_rows_and_too_many_complaints_are_cut_short():
    limits = facts()["file"]
    rows = "R1,ohms,470\n" * (int(limits["most_rows"]) + 1)
    assert "more than 5000 readings" in complaints_of("point,quantity,value\n" + rows)[0]
    assert len(complaints_of(",".join(f"x{n}" for n in range(500)) + "\n")) == limits["most_complaints"]
    said = complaints_of("point,quantity,value\n" + "R1,ohms,x\n" * 500)
    assert len(said) == limits["most_complaints"] + 1
    assert "there may be more" in said[-1]


def test_a_file_written_and_read_again_is_the_same():
    readings = parse_csv(FULL)
    assert parse_csv(write_csv(readings)) == readings
    assert write_csv(readings).splitlines()[0] == ",".join(COLUMNS)


VOLTS = st.floats(-4999, 4999).filter(lambda v: v == 0 or abs(v) > 1e-9)
POSITIVE = st.floats(1e-3, 19.0)
METERS = st.one_of(
    st.none(),
    st.sampled_from(["10M", "11M", "valve voltmeter 10M", "200k", "ideal"]).map(Meter.from_text),
    st.builds(
        lambda per_volt, full: Meter.from_text(f"{per_volt} ohm/V on {full!r} V"),
        st.integers(100, 100_000),
        st.floats(1, 1000).map(lambda v: round(v, 3)),
    ),
)
NOTES = st.text(alphabet=st.characters(exclude_categories=("Cs", "Cc")), max_size=20).map(str.strip)


@st.composite
def any_reading(draw):
    quantity = draw(
        st.sampled_from(["volts dc", "volts ac", "ohms", "amps dc", "watts", "hum", "gain", "observation"])
    )
    extra = {
        "meter": draw(METERS),
        "mains_volts": draw(st.none() | st.floats(10, 500)),
        "minutes_on": draw(st.none() | st.floats(0.001, 1e4)),
        "state": draw(st.sampled_from(["found", "now"])),
        "note": draw(NOTES),
    }
    if quantity == "observation":
        word = draw(st.sampled_from(OBSERVATIONS))
        place = "V3" if "needs" in facts()["observation"][word] else ""
        point = observation_point(place, word)
        return Reading(point=point, quantity=quantity, value=1.0, observation=word, **extra)
    value = {
        "volts dc": VOLTS,
        "volts ac": VOLTS.map(abs),
        "ohms": st.floats(1e-3, 1e12) | st.just(math.inf),
    }.get(quantity, POSITIVE)
    point = draw(st.sampled_from(["V3.anode", "HT1", "heaters.dropper", "R12", "mains", "V1.triode_grid"]))
    to = draw(st.sampled_from([None, "chassis", "ht_negative", "HT2"]))
    return Reading(point=point, to=to, quantity=quantity, value=draw(value), **extra)


@given(readings=st.lists(any_reading(), min_size=1, max_size=6))
def test_any_readings_written_and_read_again_are_the_same(readings):
    assert parse_csv(write_csv(readings)) == tuple(readings)
    assert parse_csv(write_csv(readings).encode("utf-8-sig")) == tuple(readings)


@given(source=st.binary(max_size=200) | st.text(max_size=200))
def test_any_file_is_readings_or_complaints(source):
    try:
        readings = parse_csv(source)
    except InputFault as fault:
        readings = ()
        places = {complaint.file for complaint in fault.complaints}
    else:
        places = {reading.file for reading in readings}
    assert places == {"readings"}


@given(
    rows=st.lists(
        st.tuples(
            st.sampled_from(["V3.anode", "R1", "x y", ""]), st.text(alphabet='0123456789.,"eE-kmM ;\n', max_size=9)
        ),
        max_size=4,
    )
)
def test_any_cells_are_readings_or_complaints(rows):
    source = "point,quantity,value\n" + "".join(f"{point},volts dc,{value}\n" for point, value in rows)
    try:
        readings = parse_csv(source)
    except InputFault as fault:
        complaints = fault.complaints
    else:
        complaints = ()
        assert parse_csv(write_csv(readings)) == readings
    assert all(complaint.right and "\n" not in str(complaint) for complaint in complaints)
