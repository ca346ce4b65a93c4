"""What every point ought to read, on the meter that is to hand, and how far a healthy set may be from it."""

from __future__ import annotations

import numpy as np
import pytest

from hetwright.card.demo import demo_card
from hetwright.card.reading import read_card
from hetwright.errors import InputFault
from hetwright.faults.healthy import healthy_set
from hetwright.readings.meter import Meter
from hetwright.readings.normals import NormalReading, Normals, normals, points_to_read

SET = """
[set]
name = "five valves on a transformer"
mains = "230 V 50 Hz"
construction = "mains transformer, chassis isolated"
year = 1956
[valves]
V1 = "ECH81"
V2 = "EBF89"
V3 = "EABC80"
V4 = "EL84"
V5 = "EZ80"
"""
UNIVERSAL = """
[set]
name = "five valves in a chain"
mains = "230 V 50 Hz"
construction = "AC/DC"
[valves]
V1 = "UCH42"
V2 = "UF41"
V3 = "UBC41"
V4 = "UL41"
V5 = "UY41"
"""
DIGITAL, COIL = Meter.from_text("10M"), Meter.from_text("500 ohm/V on 400 V")


def of(text: str, meter: Meter | None = DIGITAL, state="now", **more) -> Normals:
    return normals(healthy_set(read_card(text), state), meter, **{"samples": 150, **more})


def at(found: Normals, point: str, quantity: str = "volts dc") -> NormalReading:
    return next(one for one in found.readings if (one.point, one.quantity) == (point, quantity))


def width(one: NormalReading) -> float:
    """Breadth of the band as a share of the reading."""
    return (one.high - one.low) / abs(one.normal)


@pytest.fixture(scope="module")
def plain() -> Normals:
    return of(SET)


@pytest.fixture(scope="module")
def loaded() -> Normals:
    return of(SET, COIL)


@pytest.fixture(scope="module")
def ouzel() -> Normals:
    return of(demo_card(), state="found")


# ---- bands


def test_every_band_holds_the_normal_reading(plain, loaded, ouzel):
    for found in (plain, loaded, ouzel):
        assert len(found.readings) > 40
        for one in found.readings:
            assert one.low <= one.normal <= one.high, one.point
            assert not np.isnan(one.normal)


def test_nineteen_healthy_sets_in_twenty_read_inside_the_band(plain):
    """Sets drawn anew from the same background; the band itself was drawn from 150."""
    healthy = healthy_set(read_card(SET))
    rng = np.random.default_rng(77)
    points = ("HT1", "V2.screen_grid", "V3.anode", "V4.cathode")
    z = rng.standard_normal((200, len(healthy.medians))) * healthy.background.sd
    stack = np.where(healthy.background.logarithmic, healthy.medians * np.exp(z), healthy.medians + z)
    questions = [healthy.whole.question(point, None, "volts dc", DIGITAL.ohms, "chassis") for point in points]
    read = healthy.whole.read(healthy.whole.solve(stack), questions, slopes=False)
    for n, point in enumerate(points):
        one = at(plain, point)
        inside = (read.mean[read.solved, n] >= one.low) & (read.mean[read.solved, n] <= one.high)
        assert 0.88 < inside.mean() <= 1.0, point


def test_band_is_the_same_when_drawn_again_and_about_the_same_from_another_draw(plain):
    assert [(one.low, one.high) for one in of(SET).readings] == [(one.low, one.high) for one in plain.readings]
    again = of(SET, seed=2)
    for point in ("HT1", "V3.anode", "V4.cathode"):
        assert width(at(again, point)) == pytest.approx(width(at(plain, point)), rel=0.35)
        assert at(again, point).normal == at(plain, point).normal


def test_value_marked_on_the_part_narrows_its_band(plain):
    ref = plain_part("output.cathode_resistor")
    marked = of(SET + f'[parts]\n{ref} = {{ role = "output.cathode_resistor", measured = "135R" }}\n')
    assert width(at(marked, ref, "ohms")) < 0.5 * width(at(plain, ref, "ohms"))
    assert width(at(marked, "V4.cathode")) < width(at(plain, "V4.cathode"))
    assert at(plain, ref, "ohms").basis == "usual"
    assert at(marked, ref, "ohms").basis == "measured"


def plain_part(role: str) -> str:
    return read_card(SET).parts_of_role(role)[0].ref


def test_row_of_the_service_sheet_narrows_the_band_and_moves_what_nobody_stated(plain):
    row = '[[service_sheet]]\npoint = "V2.screen_grid"\nvolts = 75\nmeter = "10M"\n'
    ht = '[[service_sheet]]\npoint = "HT2"\nvolts = 228\nmeter = "10M"\n'
    told = of(SET + row + ht)
    before, after = at(plain, "V2.screen_grid"), at(told, "V2.screen_grid")
    assert before.normal > 90.0
    assert 72.0 < after.normal < 85.0
    assert after.high - after.low < 0.8 * (before.high - before.low)
    assert after.basis == "service sheet"
    assert after.service_sheet is not None
    assert after.service_sheet.value == 75.0


# ---- meters


def test_meter_of_500_ohms_a_volt_reads_low_where_the_feed_is_a_large_resistor(plain, loaded):
    for point, least in (("V3.anode", 0.10), ("V2.screen_grid", 0.05), ("V1.triode_anode", 0.03)):
        share = 1.0 - at(loaded, point).normal / at(plain, point).normal
        assert share > least, point
        assert at(loaded, point).high < at(plain, point).high
    for point in ("HT1", "HT2", "V4.anode", "V4.cathode"):
        assert at(loaded, point).normal == pytest.approx(at(plain, point).normal, rel=0.02), point


def test_meter_that_draws_nothing_reads_highest(plain):
    ideal = of(SET, None, samples=30, cold=False)
    assert ideal.meter is None
    for point in ("V3.anode", "V2.screen_grid"):
        assert at(ideal, point).normal > at(plain, point).normal


def test_the_makers_meter_reads_about_what_the_maker_wrote(ouzel):
    beside = [one for one in ouzel.readings if one.service_sheet is not None]
    assert len(beside) == len(read_card(demo_card()).service_sheet)
    for one in beside:
        assert one.on_sheet_meter is not None
        if one.point != "V3.cathode":  # the resistor that is in it is not the one that is drawn
            assert one.on_sheet_meter == pytest.approx(one.service_sheet.value, rel=0.1), one.point
    anode = at(ouzel, "V3.triode_anode")
    assert anode.on_sheet_meter < 0.85 * anode.normal


def test_sheet_row_to_another_point_is_not_set_beside_volts_to_chassis():
    rows = (
        '[[service_sheet]]\npoint = "HT1"\nto = "HT2"\nvolts = 34\n'
        '[[service_sheet]]\npoint = "V4.cathode"\nto = "chassis"\nvolts = 6.4\n'
    )
    found = of(SET + rows, samples=30, cold=False)
    assert at(found, "HT1").service_sheet is None
    assert at(found, "HT1").on_sheet_meter is None
    assert at(found, "V4.cathode").service_sheet is not None
    assert at(found, "V4.cathode").on_sheet_meter == pytest.approx(6.4, rel=0.1)


# ---- what is read


def test_supply_comes_first_then_the_valves_from_the_aerial(plain):
    live = [one.point for one in plain.readings if one.quantity == "volts dc"]
    assert live[:2] == ["HT1", "HT2"]
    valves = [point.partition(".")[0] for point in live if point.startswith("V")]
    assert valves == sorted(valves)
    assert len(set(live)) == len(live)
    assert "chassis" not in live


def test_screen_wired_to_the_ht_is_listed_under_its_own_name(plain):
    healthy = healthy_set(read_card(SET))
    assert "V4.screen_grid" not in points_to_read(healthy)
    assert "V4.screen_grid" in points_to_read(healthy, joined=True)
    assert at(plain, "V4.screen_grid").normal == pytest.approx(at(plain, "HT2").normal)


def test_heaters_read_their_volts_at_their_own_pins(plain):
    assert at(plain, "V4.heater", "volts ac").normal == pytest.approx(6.3, abs=0.3)
    chain = of(UNIVERSAL, samples=30, cold=False)
    expected = {"V1": 14.0, "V2": 12.6, "V3": 14.0, "V4": 45.0, "V5": 31.0}
    for valve, volts in expected.items():
        one = at(chain, f"{valve}.heater", "volts ac")
        assert one.normal == pytest.approx(volts, rel=0.08), valve
        assert one.to != "chassis" or valve == "V3"


def test_cold_ohms_are_those_in_circuit(plain):
    for role in ("output.cathode_resistor", "output.grid_leak", "audio.anode_load"):
        part = read_card(SET).parts_of_role(role)[0]
        one = at(plain, part.ref, "ohms")
        # aged a little high, or shunted by what lies across it
        assert 0.5 * part.usual.si < one.normal < 1.2 * part.usual.si
        assert one.low > 0.0


def test_cold_ohms_can_be_left_out():
    found = of(SET, samples=30, cold=False)
    assert {one.quantity for one in found.readings} == {"volts dc", "volts ac"}


def test_mains_of_252_volts_raises_what_every_point_ought_to_read(plain):
    high = normals(healthy_set(read_card(SET), mains_volts=252.0), DIGITAL, samples=30, cold=False)
    for point in ("HT1", "HT2", "V2.screen_grid", "V3.anode", "V4.anode", "V4.cathode"):
        assert at(high, point).normal > 1.02 * at(plain, point).normal
    assert at(high, "V4.heater", "volts ac").normal == pytest.approx(6.3 * 252 / 230, abs=0.3)


# ---- the certificate and the valves


def test_working_point_is_certified(plain, ouzel):
    for found in (plain, ouzel):
        assert 0.0 <= found.unbalanced_amps < 1e-7
        assert 0.0 <= found.last_step_volts < 1e-3
        assert found.samples >= 0.98 * 150


def test_no_valve_of_the_demonstration_set_is_run_beyond_its_rating(ouzel):
    rated = 0
    for one in ouzel.valves:
        for watts, rating in (
            (one.anode_watts, one.anode_watts_rating),
            (one.screen_watts, one.screen_watts_rating),
        ):
            assert watts >= -1e-9
            if rating is not None:
                rated += 1
                assert watts < rating, (one.valve, one.section)
    assert rated >= 5
    output = next(one for one in ouzel.valves if one.section == "pentode" and one.valve == "V3")
    assert output.anode_watts > 0.3 * output.anode_watts_rating


def test_currents_of_a_section_add_up(plain):
    for one in plain.valves:
        # what is left is the grid's, a fraction of a milliampere at most
        assert one.cathode_amps == pytest.approx(one.anode_amps + one.screen_amps, abs=5e-4)
        assert one.anode_watts == pytest.approx(one.anode_amps * one.anode_volts)
        assert one.stands_for is None


def test_valve_that_stands_in_for_another_is_said_to():
    text = SET.replace('V4 = "EL84"', 'V4 = { type = "ZZ99", like = "EL84" }')
    found = of(text, samples=30, cold=False)
    output = next(one for one in found.valves if one.valve == "V4")
    assert output.type == "ZZ99"
    assert output.stands_for


def test_valve_nobody_knows_is_told_before_anything_is_computed():
    with pytest.raises(InputFault, match="ZZ99"):
        of(SET.replace('V4 = "EL84"', 'V4 = "ZZ99"'))
