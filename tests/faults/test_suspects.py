"""From readings of whole receivers to the parts they accuse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hetwright.card.reading import read_card
from hetwright.errors import InputFault, NotSolved
from hetwright.faults.model import Change
from hetwright.faults.suspects import number_prior, prepare, require_solved, shown
from hetwright.readings.meter import Meter
from hetwright.readings.reading import Reading, parse_reading

LEAK_OHMS = 500e3


def leak(bench) -> Change:
    """The output coupling capacitor leaking like 500 kilohms."""
    return Change(part=bench.part("output.coupling_capacitor"), what="leak_siemens", how="set", number=1 / LEAK_OHMS)


def number_of(readings, point: str) -> int:
    return next(n for n, reading in enumerate(readings) if reading.point == point)


# ---- a leaky coupling capacitor


@pytest.fixture(scope="module")
def leaky(ouzel):
    readings = ouzel.volts(ouzel.row(leak(ouzel), wandered=2), error=2)
    return readings, ouzel.diagnose(readings)


def test_leaky_coupling_capacitor_pulls_the_grid_positive_and_is_found_first(ouzel, leaky):
    readings, diagnosis = leaky
    grid = number_of(readings, "V3.control_grid")
    assert readings[grid].value > 5.0
    first = diagnosis.suspects[0]
    assert (first.fault.role, first.fault.fault) == ("output.coupling_capacitor", "leaky")
    assert first.probability > 0.8
    assert grid in first.explains
    assert number_of(readings, "V3.cathode") in first.explains
    assert first.would_read[grid] == pytest.approx(readings[grid].value, rel=0.3)
    assert diagnosis.normal[grid] < 2.0


def test_ohms_of_the_leak_are_told_within_a_factor_of_two(leaky):
    first = leaky[1].suspects[0]
    assert first.unit == "Ω"
    assert LEAK_OHMS / 2 < first.estimate < LEAK_OHMS * 2


def test_what_a_suspect_explains_it_does_not_leave(leaky):
    readings, diagnosis = leaky
    for suspect in diagnosis.suspects:
        assert not set(suspect.explains) & set(suspect.leaves)
        assert {*suspect.explains, *suspect.leaves} <= set(range(len(readings)))
        assert len(suspect.would_read) == len(readings)


def test_probabilities_are_probabilities(leaky, ouzel):
    for diagnosis in (leaky[1], ouzel.diagnose([])):
        assert diagnosis.healthy_probability >= 0.0
        assert diagnosis.not_listed_probability >= 0.0
        assert diagnosis.healthy_probability + diagnosis.not_listed_probability <= 1.0
        said = np.array([suspect.probability for suspect in diagnosis.suspects])
        assert ((said >= 0.0) & (said <= 1.0)).all()
        assert (np.diff(said) <= 1e-12).all()
        # explanations exclude each other
        assert sum(h.probability for h in diagnosis.hypotheses) + diagnosis.not_listed_probability <= 1.0 + 1e-9
        assert 0.0 <= diagnosis.not_searched < 0.5
        assert ((diagnosis.doubtful >= 0.0) & (diagnosis.doubtful <= 1.0)).all()


def test_meter_of_500_ohms_a_volt_and_digital_meter_lead_to_the_same_part(ouzel):
    row = ouzel.row(leak(ouzel))
    found = {}
    for meter in ("10M", "500 ohm/V on 400 V"):
        readings = ouzel.volts(row, meter=meter)
        found[meter] = readings, ouzel.diagnose(readings)
    (digital, by_digital), (coil, by_coil) = found.values()
    at = number_of(digital, "V3.triode_anode")
    assert coil[at].value < 0.85 * digital[at].value
    for diagnosis in (by_digital, by_coil):
        assert diagnosis.suspects[0].fault.role == "output.coupling_capacitor"
        assert diagnosis.suspects[0].probability > 0.8
        assert diagnosis.suspects[0].estimate == pytest.approx(LEAK_OHMS, rel=0.5)


# ---- one fault after another


def test_dried_reservoir_lowers_the_ht_and_adds_hum(ouzel, saw):
    row = ouzel.row(*ouzel.fault("supply.reservoir_capacitor", "low capacitance", 3), wandered=2)
    readings = [*ouzel.volts(row, error=2), saw("hum")]
    good = ouzel.volts(ouzel.row(wandered=2), error=2)
    at = number_of(readings, "HT1")
    assert readings[at].value < 0.95 * good[at].value
    first = ouzel.diagnose(readings).suspects[0]
    assert first.fault.role == "supply.reservoir_capacitor"
    assert first.fault.fault in ("low capacitance", "open")
    assert at in first.explains


def test_open_cathode_resistor_stops_the_valve_and_leaves_its_cathode_high(transformer_set):
    row = transformer_set.row(*transformer_set.fault("output.cathode_resistor", "open"), wandered=1)
    readings = transformer_set.volts(row, error=1)
    assert readings[number_of(readings, "V4.cathode")].value > 12.0
    first = transformer_set.diagnose(readings).suspects[0]
    assert (first.fault.role, first.fault.fault) == ("output.cathode_resistor", "open")
    assert number_of(readings, "V4.cathode") in first.explains


def test_shorted_cathode_bypass_takes_the_cathode_to_nothing(transformer_set):
    row = transformer_set.row(*transformer_set.fault("output.cathode_bypass_capacitor", "short"), wandered=1)
    readings = transformer_set.volts(row, error=1)
    assert abs(readings[number_of(readings, "V4.cathode")].value) < 0.2
    diagnosis = transformer_set.diagnose(readings)
    first = diagnosis.suspects[0]
    assert (first.fault.role, first.fault.fault) == ("output.cathode_bypass_capacitor", "short")
    # the resistor beside it, shorted, would read the same everywhere
    at = transformer_set.place(diagnosis, "output.cathode_resistor", "short")
    assert diagnosis.suspects[at - 1].group == first.group
    assert first.group is not None


def test_open_anode_load_leaves_the_anode_without_ht(universal_set):
    row = universal_set.row(*universal_set.fault("audio.anode_load", "open"), wandered=1)
    readings = universal_set.volts(row, error=1)
    assert abs(readings[number_of(readings, "V3.anode")].value) < 2.0
    first = universal_set.diagnose(readings).suspects[0]
    assert (first.fault.role, first.fault.fault) == ("audio.anode_load", "open")


def test_ohmmeter_tells_an_open_anode_load_from_its_open_feed(transformer_set):
    row = transformer_set.row(*transformer_set.fault("audio.anode_load", "open"), wandered=2)
    volts = transformer_set.volts(row, error=2)
    live = transformer_set.diagnose(volts)
    both = transformer_set.diagnose([*volts, *transformer_set.ohms(row, "audio.anode_load")])
    assert transformer_set.place(live, "audio.anode_load") <= 3
    assert live.suspects[0].probability < 0.7
    first = both.suspects[0]
    assert (first.fault.role, first.fault.fault) == ("audio.anode_load", "open")
    assert first.probability > 0.8


def test_open_heater_in_a_chain_has_the_mains_across_it(universal_set):
    readings = [parse_reading(text) for text in ("V2 heater 230 V a.c.", "V4 heater 0 V a.c.", "HT1 0 V")]
    first = universal_set.diagnose(readings).suspects[0]
    assert (first.fault.part, first.fault.fault) == ("V2", "heater open")
    assert first.probability > 0.8


def test_mains_watts_betray_a_shorted_reservoir(transformer_set):
    diagnosis = transformer_set.diagnose([parse_reading("mains 140 W"), parse_reading("HT1 0 V")])
    assert transformer_set.place(diagnosis, "supply.reservoir_capacitor", "short") == 1


@pytest.mark.parametrize("wandered", [1, 3])
def test_two_faults_at_once_are_both_among_the_first_three(ouzel, wandered):
    changes = [leak(ouzel), *ouzel.fault("if_amp.cathode_resistor", "open")]
    diagnosis = ouzel.diagnose(ouzel.volts(ouzel.row(*changes, wandered=wandered), error=wandered))
    assert ouzel.place(diagnosis, "output.coupling_capacitor", "leaky") <= 3
    assert ouzel.place(diagnosis, "if_amp.cathode_resistor", "open") <= 3
    assert set(diagnosis.hypotheses[0].faults) >= {
        n
        for n, fault in enumerate(ouzel.prepared.faults)
        if (fault.role, fault.fault) in (("output.coupling_capacitor", "leaky"), ("if_amp.cathode_resistor", "open"))
    }


# ---- good sets and bad readings


@pytest.mark.parametrize("name", ["transformer_set", "universal_set", "ouzel"])
def test_good_readings_accuse_no_part(name, request):
    """Of sets as old as they are but sound; much that goes wrong shows in no voltage."""
    bench = request.getfixturevalue(name)
    found = [bench.diagnose(bench.volts(bench.row(wandered=n), error=n)) for n in range(3, 7)]
    # one set may have wandered to where a fault would explain it as well; most have not
    assert sum(diagnosis.hypotheses[0].faults == () for diagnosis in found) >= 3
    assert np.median([diagnosis.suspects[0].probability for diagnosis in found]) < 0.4
    # beforehand it was one in ten
    assert np.mean([diagnosis.healthy_probability for diagnosis in found]) > 0.14
    assert np.median([diagnosis.doubtful.max() for diagnosis in found]) < 0.5


@pytest.mark.parametrize(("point", "factor"), [("HT2", 0.1), ("V2.screen_grid", 10.0)])
def test_reading_mistyped_by_a_factor_of_ten_is_doubted(ouzel, point, factor):
    readings = ouzel.volts(ouzel.row(wandered=2), error=2)
    at = number_of(readings, point)
    readings[at] = replace(readings[at], value=readings[at].value * factor)
    diagnosis = ouzel.diagnose(readings)
    assert int(np.argmax(diagnosis.doubtful)) == at
    assert diagnosis.doubtful[at] > 0.8
    assert np.delete(diagnosis.doubtful, at).max() < 0.5
    assert diagnosis.suspects[0].probability < 0.5


def test_high_mains_that_was_read_is_no_fault(transformer_set):
    told = type(transformer_set)(prepare(transformer_set.prepared.card, mains_volts=262.0))
    readings = told.volts(told.row())
    ratio = readings[0].value / transformer_set.volts(transformer_set.row())[0].value
    assert ratio == pytest.approx(262 / 230, abs=0.03)
    case = told.prepared.case([*readings, parse_reading("mains 262 V a.c.")])
    assert case.mains_volts == 262.0
    assert len(case.readings) == len(readings)
    diagnosis = told.prepared.diagnose(case)
    assert diagnosis.hypotheses[0].faults == ()
    assert diagnosis.normal[0] == pytest.approx(readings[0].value, rel=0.01)


# ---- what is seen and heard


def test_hum_alone_ranks_the_smoothing_first(transformer_set, saw):
    diagnosis = transformer_set.diagnose([saw("hum")])
    first = {suspect.fault.role for suspect in diagnosis.suspects[:2]}
    assert first == {"supply.reservoir_capacitor", "supply.smoothing_capacitor"}
    assert diagnosis.healthy_probability < 0.15
    assert len(diagnosis.readings) == 0


def test_pitch_of_the_hum_tells_heaters_from_smoothing(ouzel, saw):
    at_twice = ouzel.diagnose([saw("hum"), parse_reading("hum 100 Hz")])
    at_once = ouzel.diagnose([saw("hum"), parse_reading("hum 50 Hz")])
    assert at_twice.suspects[0].fault.role == "supply.reservoir_capacitor"
    assert at_once.suspects[0].fault.fault == "heater-cathode leak"
    assert ouzel.place(at_once, "supply.reservoir_capacitor") > 5
    leaks = [s.probability for s in at_twice.suspects if s.fault.fault == "heater-cathode leak"]
    assert max(leaks, default=0.0) < 0.1


def test_half_wave_set_hums_at_once_from_its_reservoir(universal_set, saw):
    diagnosis = universal_set.diagnose([saw("hum"), parse_reading("hum 50 Hz")])
    assert diagnosis.suspects[0].fault.role == "supply.reservoir_capacitor"


def test_dark_heater_of_one_valve_accuses_that_valve(transformer_set, saw):
    for valve in ("V4", "V2"):
        first = transformer_set.diagnose([saw("no sound"), saw("heater dark", f"{valve}.heater")]).suspects[0]
        assert (first.fault.part, first.fault.fault) == (valve, "heater open")


def test_glowing_output_valve_without_sound_has_lost_its_anode_feed(ouzel, saw):
    # the screen takes the current when the transformer is open
    diagnosis = ouzel.diagnose([saw("no sound"), saw("anode glows", "V3.anode")])
    assert (diagnosis.suspects[0].fault.role, diagnosis.suspects[0].fault.fault) == (
        "output.output_transformer",
        "open",
    )


def test_without_readings_the_rates_alone_make_the_list(transformer_set):
    diagnosis = transformer_set.diagnose([])
    prior = number_prior()
    assert diagnosis.healthy_probability == pytest.approx(prior.count[0], abs=0.02)
    assert diagnosis.not_listed_probability == pytest.approx(prior.not_listed, abs=0.02)
    rates = {(f.part, f.role, f.fault): f.rate for f in transformer_set.prepared.faults}
    ranked = [rates[s.fault.part, s.fault.role, s.fault.fault] for s in diagnosis.suspects[:10]]
    assert ranked == sorted(ranked, reverse=True)
    assert diagnosis.suspects[0].probability < 0.15
    # what is said is said of those shown and of the rest alike
    assert diagnosis.fault_probability.shape == (len(transformer_set.prepared.faults),)


def test_a_set_brought_for_repair_has_a_number_of_faults():
    prior = number_prior()
    assert sum(prior.count) + prior.not_listed == pytest.approx(1.0)


# ---- what was written


def test_every_point_the_set_lacks_is_told_with_its_place_and_near_ones(transformer_set):
    readings = [
        Reading(point="HT1", quantity="volts dc", value=250.0, file="readings.csv", line=2),
        Reading(point="V4.cathod", quantity="volts dc", value=7.0, file="readings.csv", line=3),
        Reading(point="V9.anode", quantity="volts dc", value=7.0, file="readings.csv", line=5),
    ]
    with pytest.raises(InputFault) as caught:
        transformer_set.prepared.case(readings)
    first, second = caught.value.complaints
    assert (first.file, first.line) == ("readings.csv", 3)
    assert "V4.cathod" in first.wrong
    assert "V4.cathode" in first.right
    assert (second.file, second.line) == ("readings.csv", 5)


def test_readings_nothing_computes_are_left_out_and_that_is_said(transformer_set):
    readings = [
        parse_reading("HT1 255 V"),
        Reading(point="V4.anode", quantity="gain", value=40.0),
        Reading(point="V4.heater", quantity="ohms", value=1.2),
        Reading(point="V5.anode_1", quantity="volts ac", value=250.0),
        parse_reading("hum"),
    ]
    case = transformer_set.prepared.case(readings)
    assert case.taken == (readings[0],)
    assert len(case.readings) == 1
    assert [reading for reading, _ in case.left_out] == readings[1:4]
    assert all(why for _, why in case.left_out)
    assert [o.word for o in case.observed] == ["hum"]


def test_meter_of_the_reading_goes_before_the_meter_of_the_bench(transformer_set):
    coil = Meter.from_text("500 ohm/V on 400 V")
    own, bench, none = (
        transformer_set.prepared.case([Reading(point="V3.anode", quantity="volts dc", value=60.0, meter=m)], given)
        for m, given in ((coil, Meter.from_text("10M")), (None, coil), (None, None))
    )
    assert own.readings.questions[0].ohms == 200e3
    assert bench.readings.questions[0].ohms == 200e3
    assert none.readings.questions[0].ohms == 10e6
    # a coarse meter is believed less
    assert own.readings.sd[0] > none.readings.sd[0]


def test_open_circuit_is_a_reading_like_another(transformer_set):
    part = transformer_set.part("audio.anode_load")
    case = transformer_set.prepared.case([parse_reading(f"{part} open"), parse_reading(f"{part} 220k")])
    assert shown(case.readings.values[0], case.readings.questions[0]) == np.inf
    assert shown(case.readings.values[1], case.readings.questions[1]) == pytest.approx(220e3)
    assert np.isfinite(case.readings.values).all()
    assert (case.readings.sd > 0.0).all()


def test_volts_are_shown_as_they_are(transformer_set):
    case = transformer_set.prepared.case([parse_reading("V4.cathode 7.3 V")])
    assert shown(case.readings.values[0], case.readings.questions[0]) == 7.3


def test_nothing_solved_is_nothing_said(leaky):
    require_solved(leaky[1])
    with pytest.raises(NotSolved):
        require_solved(replace(leaky[1], hypotheses=()))


def test_progress_is_told_to_its_end(transformer_set):
    told = []
    case = transformer_set.prepared.case([parse_reading("HT1 150 V")])
    transformer_set.prepared.diagnose(case, lambda done, of: told.append((done, of)))
    assert told
    assert told == sorted(told)
    assert told[-1][0] == told[-1][1]


# ---- preparation


def test_every_single_fault_has_a_working_point_or_is_refused(transformer_set, universal_set):
    for bench in (transformer_set, universal_set):
        solved = bench.prepared.bench.solved.ht
        assert solved.certified[0]
        assert solved.certified.mean() > 0.99


def test_faults_solved_together_stand_where_each_stands_by_itself(transformer_set):
    """What carries no direct current is not solved again; that must not change a working point."""
    bench = transformer_set.prepared.bench
    rows = np.random.default_rng(8).choice(len(bench.stack), 120, replace=False)
    alone = transformer_set.prepared.whole.solve(bench.stack[rows]).ht
    together = bench.solved.ht.take(rows)
    both = alone.certified & together.certified
    assert both.mean() > 0.98
    assert together.volts[both] == pytest.approx(alone.volts[both], abs=0.01)


def test_card_of_a_set_as_drawn_can_be_prepared():
    card = read_card('[valves]\nV1 = "ECH81"\nV2 = "EBF89"\nV3 = "ECL82"\n')
    drawn = prepare(card, "drawn")
    assert drawn.healthy.state == "drawn"
    assert drawn.faults
