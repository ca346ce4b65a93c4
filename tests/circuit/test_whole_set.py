"""Whole receivers asked for volts, amps, ohms and watts, through real meters, HT and heaters together."""

from __future__ import annotations

import numpy as np
import pytest

from hetwright.card.network import networks_of
from hetwright.card.reading import read_card
from hetwright.circuit.whole_set import Question, WholeSet, to_compared, to_ohms
from hetwright.errors import InputFault, NotSolved

TRANSFORMER = """
[set]
name = "five valves on a transformer"
mains = "230 V 50 Hz"
construction = "mains transformer, chassis isolated"
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


def whole_set(text: str) -> WholeSet:
    return WholeSet(networks_of(read_card(text), "now"))


@pytest.fixture(scope="module")
def receiver() -> WholeSet:
    return whole_set(TRANSFORMER)


@pytest.fixture(scope="module")
def universal() -> WholeSet:
    return whole_set(UNIVERSAL)


def part_of(whole: WholeSet, role: str) -> str:
    """The reference by which a role's part is known in the slots."""
    return whole.networks.roles[role][0]


def with_slots(whole: WholeSet, rows: list[dict[tuple[str, str], float]]) -> np.ndarray:
    """A stack of the nominal set, each row with some slots at other values."""
    stack = np.tile(whole.base(), (len(rows), 1))
    for number, row in enumerate(rows):
        for key, value in row.items():
            stack[number, whole.slots[key]] = value
    return stack


def read(whole: WholeSet, stack: np.ndarray, *questions: Question) -> np.ndarray:
    found = whole.read(whole.solve(stack), questions, slopes=False)
    assert found.solved.all()
    return found.mean


def volts(whole: WholeSet, point: str, meter_ohms: float = np.inf) -> Question:
    return whole.question(point, None, "volts dc", meter_ohms, "chassis")


def amps(whole: WholeSet, point: str) -> Question:
    return whole.question(point, None, "amps dc", 0.0, "chassis")


# ---- slopes


def ordinary_old_set(whole: WholeSet) -> np.ndarray:
    """A set in which every part is some way off its value and everything leaks a little."""
    rng = np.random.default_rng(5)
    row = whole.base()
    for (_, what), column in whole.slots.items():
        if what == "contact_volts":
            row[column] = rng.normal(0.0, 0.05)
        elif what.endswith("siemens") or row[column] == 0.0:
            row[column] = max(row[column], 1e-9) * np.exp(rng.normal(0.0, 0.3))
        else:
            row[column] *= np.exp(rng.normal(0.0, 0.08))
    return row


def assert_slopes_are_those_of_differences(
    whole: WholeSet, questions: list[Question], fraction: float = 1e-3
) -> None:
    """Adjoint slopes of every reading by every slot against central differences.

    A step of 3e-4 of a slot leaves a few parts in a million of curvature behind, and the solver's own last digit about
    as much; a part in a thousand of the largest slope of a reading is a wrong formula, not arithmetic.
    """
    row = ordinary_old_set(whole)
    step = 3e-4 * np.abs(row)
    contact = [column for (_, what), column in whole.slots.items() if what == "contact_volts"]
    step[contact] = 1e-4
    slots = len(row)
    both = np.concatenate([row + np.diag(step), row - np.diag(step)])
    solved = whole.solve(row[None, :])
    found = whole.read(solved, questions)
    assert found.solved.all()
    moved = whole.read(whole.solve(both), questions, slopes=False)
    assert moved.solved.all()
    # by the slot's own size, so that amps by siemens and volts by ohms can be set side by side
    difference = (moved.mean[:slots] - moved.mean[slots:]) / 2.0
    computed = found.slopes[0].T * step[:, None]
    worst = np.abs(difference).max(axis=0)
    assert (worst > 0.0).all()
    assert np.abs(computed - difference) / worst == pytest.approx(0.0, abs=fraction)


POINTS = ["HT1", "HT2", "V1.screen_grid", "V2.cathode", "V3.anode", "V4.control_grid", "V4.cathode", "V4.anode"]


def test_slopes_of_volts_that_no_meter_loads(receiver):
    assert_slopes_are_those_of_differences(receiver, [volts(receiver, point) for point in POINTS])


@pytest.mark.parametrize("meter_ohms", [10e6, 200e3])
def test_slopes_of_volts_on_a_meter_that_loads_the_set(receiver, meter_ohms):
    # the valves' own slopes are taken where the valves stood before the meter moved them
    questions = [volts(receiver, point, meter_ohms) for point in POINTS]
    assert_slopes_are_those_of_differences(receiver, questions, 0.02)


def test_slopes_of_volts_between_two_live_points(receiver):
    question = receiver.question("HT1", "HT2", "volts dc", np.inf, "chassis")
    assert_slopes_are_those_of_differences(receiver, [question])


def test_slopes_of_cold_ohms(receiver):
    roles = ["output.cathode_resistor", "output.grid_leak", "audio.anode_load", "output.output_transformer"]
    questions = [receiver.question(role, None, "ohms", np.inf, "chassis") for role in roles]
    questions.append(receiver.question("HT1", "chassis", "ohms", np.inf, "chassis"))
    assert_slopes_are_those_of_differences(receiver, questions)


def test_slopes_of_amps(receiver):
    roles = ("output.cathode_resistor", "if_amp.screen_feed_resistor")
    points = [*(part_of(receiver, role) for role in roles), "V1.cathode", "V4.anode", "HT1"]
    questions = [receiver.question(point, None, "amps dc", 0.0, "chassis") for point in points]
    assert_slopes_are_those_of_differences(receiver, questions)


@pytest.mark.parametrize("text", [TRANSFORMER, UNIVERSAL], ids=["transformer", "universal"])
def test_slopes_of_mains_watts(text):
    assert_slopes_are_those_of_differences(whole_set(text), [Question("watts", "mains", "mains")])


def test_slopes_of_heater_volts(universal):
    questions = [
        universal.question(f"{valve}.heater", None, "volts ac", 10e6, "chassis") for valve in ("V1", "V4", "V5")
    ]
    assert_slopes_are_those_of_differences(universal, questions)


def test_slopes_of_the_cold_ohms_of_a_heater(universal):
    assert_slopes_are_those_of_differences(
        universal, [universal.question("V4.heater", None, "ohms", np.inf, "chassis")]
    )


def test_readings_without_slopes_are_the_same_readings(receiver):
    questions = [
        volts(receiver, "V3.anode", 200e3),
        receiver.question("output.cathode_resistor", None, "ohms", np.inf, "chassis"),
        receiver.question("mains", None, "watts", np.inf, "chassis"),
        receiver.question("V4.heater", None, "volts ac", 10e6, "chassis"),
    ]
    solved = receiver.solve(receiver.base()[None, :])
    with_, without = (receiver.read(solved, questions, slopes=slopes) for slopes in (True, False))
    assert without.mean == pytest.approx(with_.mean, rel=1e-9)
    assert with_.slopes.shape == (1, len(questions), len(receiver.base()))
    assert without.slopes.shape == (1, len(questions), 0)


# ---- what is read


def test_supply_and_electrodes_stand_in_their_order(receiver):
    names = ["HT1", "HT2", "V4.anode", "V3.anode", "V4.cathode"]
    ht1, ht2, output, audio, cathode = read(receiver, receiver.base()[None, :], *(volts(receiver, n) for n in names))[
        0
    ]
    assert ht1 > ht2 > audio > cathode > 0.0
    assert ht1 > output > ht2


def test_current_in_the_cathode_resistor_agrees_with_its_volts(receiver):
    part = part_of(receiver, "output.cathode_resistor")
    through, across = read(receiver, receiver.base()[None, :], amps(receiver, part), volts(receiver, "V4.cathode"))[0]
    ohms = receiver.base()[receiver.slots[part, "ohms"]]
    assert through == pytest.approx(across / ohms, rel=1e-3)


def test_what_leaves_by_a_cathode_is_what_entered_by_anode_screen_and_grid(receiver):
    points = ["V4.cathode", "V4.anode", "V4.screen_grid", "V4.control_grid"]
    cathode, *entering = read(receiver, receiver.base()[None, :], *(amps(receiver, point) for point in points))[0]
    assert 0.03 < cathode < 0.07
    assert cathode == pytest.approx(sum(entering), rel=1e-6)


def test_two_systems_on_one_cathode_add_up_in_its_resistor(receiver):
    # heptode and triode of the frequency changer
    cathode = amps(receiver, "V1.cathode")
    resistor = amps(receiver, part_of(receiver, "frequency_changer.cathode_resistor"))
    together, through = read(receiver, receiver.base()[None, :], cathode, resistor)[0]
    assert together == pytest.approx(through, rel=0.05)
    assert together > 1.5 * read(receiver, receiver.base()[None, :], amps(receiver, "V1.triode_anode"))[0, 0]


def test_ht_current_is_read_at_the_reservoir(receiver):
    whole, output = read(receiver, receiver.base()[None, :], amps(receiver, "HT1"), amps(receiver, "V4.cathode"))[0]
    assert output < whole < output + 0.04


def test_meter_of_500_ohms_a_volt_pulls_down_what_is_fed_through_a_large_resistor(receiver):
    base = receiver.base()[None, :]
    anode, ht = ([volts(receiver, point, ohms) for ohms in (np.inf, 200e3)] for point in ("V3.anode", "HT1"))
    unloaded, loaded = read(receiver, base, *anode)[0]
    assert loaded < 0.9 * unloaded
    unloaded, loaded = read(receiver, base, *ht)[0]
    assert loaded > 0.995 * unloaded


def test_resistor_in_circuit_reads_below_its_value_cold(receiver):
    # the anode load is shunted by the feedback resistor and the smoothing behind it; the meter sees them all
    roles = ["audio.anode_load", "output.grid_leak", "if_amp.screen_feed_resistor", "output.cathode_resistor"]
    questions = [receiver.question(role, None, "ohms", np.inf, "chassis") for role in roles]
    cold = to_ohms(read(receiver, receiver.base()[None, :], *questions)[0])
    for role, ohms in zip(roles, cold, strict=True):
        value = receiver.base()[receiver.slots[part_of(receiver, role), "ohms"]]
        assert 0.3 * value < ohms <= value * (1.0 + 1e-9), role


def test_open_resistor_reads_what_lies_beside_it(receiver):
    part = part_of(receiver, "output.cathode_resistor")
    stack = with_slots(receiver, [{}, {(part, "ohms"): 1e9}])
    good, open_ = to_ohms(read(receiver, stack, receiver.question(part, None, "ohms", np.inf, "chassis")))[:, 0]
    assert good < 200.0
    # the leak of the electrolytic across it is all there is
    assert open_ > 20e3


def test_shorted_coupling_capacitor_reads_next_to_nothing_cold(receiver):
    part = part_of(receiver, "output.coupling_capacitor")
    stack = with_slots(receiver, [{(part, "leak_siemens"): 2.0}])
    (ohms,) = to_ohms(read(receiver, stack, receiver.question(part, None, "ohms", np.inf, "chassis")))[0]
    assert ohms < 1.0


def test_what_is_open_reads_open():
    assert to_ohms(to_compared(np.inf)) == np.inf
    assert to_ohms(to_compared(1e9)) == np.inf
    assert to_ohms(to_compared(0.0)) == 0.0
    assert to_ohms(to_compared(4700.0)) == pytest.approx(4700.0)


def test_every_heater_of_a_transformer_set_has_its_6_3_volts(receiver):
    valves = list(receiver.networks.heater_nominal_volts)
    assert len(valves) == 5
    questions = [receiver.question(f"{valve}.heater", None, "volts ac", 10e6, "chassis") for valve in valves]
    assert read(receiver, receiver.base()[None, :], *questions)[0] == pytest.approx(6.3, abs=0.3)


def test_one_open_heater_darkens_a_whole_chain_and_has_the_mains_across_it(universal):
    valves = list(universal.networks.heater_nominal_volts)
    stack = with_slots(universal, [{}, {("V1 (heaters)", "heater_ohms"): 1e9}])
    questions = [universal.question(f"{valve}.heater", None, "volts ac", np.inf, "chassis") for valve in valves]
    good, bad = read(universal, stack, *questions)
    nominal = np.array([universal.networks.heater_nominal_volts[valve] for valve in valves])
    assert good == pytest.approx(nominal, rel=0.1)
    broken = valves.index("V1")
    assert bad[broken] > 200.0
    assert np.delete(bad, broken) == pytest.approx(0.0, abs=0.1)


def test_heater_in_a_chain_is_read_at_its_own_pins(universal):
    # 45 V for a UL41, wherever it stands in the chain; from there to chassis lie the others as well
    own, below = (universal.question("V4.heater", to, "volts ac", np.inf, "chassis") for to in (None, "chassis"))
    across, to_chassis = read(universal, universal.base()[None, :], own, below)[0]
    assert across == pytest.approx(45.0, rel=0.1)
    assert to_chassis > across + 10.0


def test_cold_heater_has_a_fraction_of_its_hot_ohms(universal):
    # 45 V at 0.1 A is 450 ohms hot; tungsten cold is about a seventh of that
    (ohms,) = to_ohms(
        read(universal, universal.base()[None, :], universal.question("V4.heater", None, "ohms", np.inf, "chassis"))
    )[0]
    assert 450.0 / 10.0 < ohms < 450.0 / 5.0


def test_what_lies_across_the_heater_winding_is_not_told_by_an_ohmmeter_in_circuit(receiver, universal):
    assert "out of the set" in receiver.why_not("V4.heater", "ohms")
    assert "out of the set" in receiver.why_not("heaters.lamp", "ohms")
    assert universal.why_not("V4.heater", "ohms") == ""
    assert receiver.why_not("output.cathode_resistor", "ohms") == ""


def test_alternating_volts_are_told_of_heaters_alone(receiver):
    assert "alternating" in receiver.why_not("supply.ht_secondary", "volts ac")
    assert receiver.why_not("V4.heater", "volts ac") == ""
    # a place that is not there is another matter
    assert receiver.why_not("V9.heater", "volts ac") == ""
    with pytest.raises(InputFault, match=r"no point 'V9\.heater'"):
        receiver.question("V9.heater", None, "volts ac", np.inf, "chassis")


def test_alternating_volts_have_no_sign(universal):
    stack = universal.base()[None, :]
    ends = universal.networks.terminals["V4.heater"]
    there, back = read(universal, stack, Question("volts ac", *ends), Question("volts ac", ends[1], ends[0]))[0]
    assert there == pytest.approx(back)
    assert there > 0.0


def test_five_valve_set_takes_some_tens_of_watts(receiver, universal):
    for whole in (receiver, universal):
        watts = read(whole, whole.base()[None, :], whole.question("mains", None, "watts", 0.0, "chassis"))[0, 0]
        assert 25.0 < watts < 75.0
        heaters = whole.heater_watts(whole.solve(whole.base()[None, :]))[0]
        assert 0.3 * watts < heaters < 0.9 * watts


def test_shorted_cathode_bypass_takes_the_cathode_to_nothing_and_raises_the_watts(receiver):
    part = part_of(receiver, "output.cathode_bypass_capacitor")
    stack = with_slots(receiver, [{}, {(part, "leak_siemens"): 2.0}])
    asked = [
        volts(receiver, "V4.cathode"),
        receiver.question("mains", None, "watts", 0.0, "chassis"),
        volts(receiver, "HT1"),
    ]
    good, bad = read(receiver, stack, *asked)
    assert bad[0] < 0.2
    assert bad[1] > good[1] + 3.0
    assert bad[2] < good[2] - 3.0


# ---- names


def test_a_point_that_is_not_there_names_near_ones(receiver):
    with pytest.raises(InputFault, match=r"no point 'V4\.cathod'.*V4\.cathode"):
        receiver.question("V4.cathod", None, "volts dc", 10e6, "chassis")


@pytest.mark.parametrize("point", ["HT2", "wiring.joint", "V9.anode", "LP1"])
def test_current_is_told_of_a_part_not_of_a_place(receiver, point):
    with pytest.raises(InputFault, match=f"no current can be told at '{point}'.*name a resistor, winding"):
        amps(receiver, point)


def test_gain_is_no_reading_of_points(receiver):
    with pytest.raises(InputFault, match="not a reading of points"):
        receiver.question("V3.anode", None, "gain", 10e6, "chassis")


def test_part_alone_is_read_across_and_point_alone_to_the_reference(receiver):
    across = receiver.question("output.cathode_resistor", None, "volts dc", 10e6, "HT1")
    assert {across.a, across.b} == {"V4.cathode", "chassis"}
    to_reference = receiver.question("V4.cathode", None, "volts dc", 10e6, "HT1")
    assert (to_reference.a, to_reference.b) == ("V4.cathode", "HT1")


def test_part_read_to_one_of_its_own_ends_is_read_from_the_other(receiver):
    there = receiver.question("output.cathode_resistor", "V4.cathode", "ohms", np.inf, "chassis")
    assert (there.a, there.b) == ("chassis", "V4.cathode")


def test_unknown_kind_of_question_is_refused(receiver):
    solved = receiver.solve(receiver.base()[None, :])
    with pytest.raises(NotSolved, match="nothing computes"):
        receiver.read(solved, [Question("henries", "HT1")])


# ---- stacks


def test_start_near_the_answer_leads_to_the_same_answer(receiver):
    bypass = part_of(receiver, "output.cathode_bypass_capacitor")
    feed = part_of(receiver, "if_amp.screen_feed_resistor")
    ohms = receiver.base()[receiver.slots[feed, "ohms"]]
    one, two = {(bypass, "leak_siemens"): 2.0}, {(feed, "ohms"): 3.0 * ohms}
    singles = receiver.solve(with_slots(receiver, [{}, one, two]))
    both = with_slots(receiver, [one | two])
    near = receiver.added_up(singles, np.array([[1, 2]]))
    far, close = receiver.solve(both), receiver.solve(both, near)
    assert close.ht.certified.all()
    assert close.ht.volts == pytest.approx(far.ht.volts, abs=1e-4)


def test_rows_taken_keep_their_working_points(receiver):
    part = part_of(receiver, "output.cathode_resistor")
    solved = receiver.solve(with_slots(receiver, [{}, {(part, "ohms"): 1e9}]))
    taken = receiver.take(solved, np.array([1, 0, 1]))
    assert len(taken) == 3
    assert np.array_equal(taken.ht.volts, solved.ht.volts[[1, 0, 1]])
    assert np.array_equal(taken.heaters.volts, solved.heaters.volts[[1, 0, 1]])


def test_shorted_bypass_and_shorted_cathode_resistor_cannot_be_told_apart(receiver):
    bypass = part_of(receiver, "output.cathode_bypass_capacitor")
    resistor = part_of(receiver, "output.cathode_resistor")
    rows = [{}, {(bypass, "leak_siemens"): 2.0}, {(resistor, "ohms"): 0.5}, {(resistor, "ohms"): 1e9}]
    solved = receiver.solve(with_slots(receiver, rows))
    apart = receiver.same_everywhere(solved, np.array([1, 2, 3]))
    assert apart[0, 1] < 1.0
    assert apart[0, 2] > 10.0
    assert apart == pytest.approx(apart.T)


def test_rows_that_differ_from_the_healthy_set_nowhere_are_not_called_alike(receiver):
    # an open capacitor and a smaller one both leave every direct voltage: that does not make them one suspect
    part = part_of(receiver, "output.coupling_capacitor")
    rows = [{}, {(part, "farads"): 1e-12}, {(part, "farads"): 1e-9}]
    apart = receiver.same_everywhere(receiver.solve(with_slots(receiver, rows)), np.array([1, 2]))
    assert np.isinf(apart[0, 1])
