"""What would be heard and seen of a set with a fault, from its working point."""

from __future__ import annotations

import numpy as np
import pytest

from hetwright.card.reading import read_card
from hetwright.faults.healthy import healthy_set
from hetwright.faults.model import Change
from hetwright.faults.modes import faults_of
from hetwright.faults.observations import Signs
from hetwright.faults.signs import SignReader

VALVES = 'V1 = "ECH81"\nV2 = "EBF89"\nV3 = "EABC80"\nV4 = "EL84"\n'
CHAIN = 'V1 = "UCH42"\nV2 = "UF41"\nV3 = "UBC41"\nV4 = "UL41"\nV5 = "UY41"\n'
SETS = {
    "bridge": ("mains transformer, chassis isolated", VALVES, '[supply]\nrectifier = "bridge, silicon"\n'),
    "two anodes": ("mains transformer, chassis isolated", VALVES + 'V5 = "EZ80"\n', ""),
    # made before output stages had negative feedback round them
    "half wave": ("AC/DC", CHAIN, ""),
}
YEARS = {"bridge": 1956, "two anodes": 1956, "half wave": 1951}


class Heard:
    """Signs of one set with one fault after another."""

    def __init__(self, name: str) -> None:
        construction, valves, supply = SETS[name]
        top = f'[set]\nmains = "230 V 50 Hz"\nyear = {YEARS[name]}\nconstruction = "{construction}"\n'
        text = f"{top}[valves]\n{valves}{supply}"
        self.card = read_card(text)
        self.set = healthy_set(self.card)
        self.faults = faults_of(self.card, self.set.networks)
        self.reader = SignReader(self.card, self.set.whole, self.set.medians)

    def changes(self, role: str, word: str, which: int = 0) -> tuple[Change, ...]:
        fault = next(f for f in self.faults if f.role == role and f.fault == word)
        return fault.severities[which].changes

    def with_changes(self, *changes: Change) -> Signs:
        row = self.set.medians.copy()
        for change in changes:
            at = self.set.whole.slots[change.part, change.what]
            row[at] = change.number * (row[at] if change.how == "times" else 1.0)
        return self.reader(self.set.whole.solve(row[None, :]))

    def __call__(self, role: str, word: str, which: int = 0) -> Signs:
        return self.with_changes(*self.changes(role, word, which))

    def column(self, valve: str) -> int:
        return self.reader.valves.index(valve)


@pytest.fixture(scope="module")
def bridge() -> Heard:
    return Heard("bridge")


@pytest.fixture(scope="module")
def two_anodes() -> Heard:
    return Heard("two anodes")


@pytest.fixture(scope="module")
def half_wave() -> Heard:
    return Heard("half wave")


@pytest.mark.parametrize("name", SETS)
def test_healthy_set_shows_no_signs(name):
    signs = Heard(name).with_changes()
    assert signs.audio_gain_db == pytest.approx(0.0, abs=0.1)
    assert signs.rf_gain_db == pytest.approx(0.0, abs=0.1)
    assert signs.oscillator_running == pytest.approx(1.0)
    # both orders together are the hum of the healthy set
    assert 10.0 * np.log10(10 ** (signs.hum1_db / 10) + 10 ** (signs.hum2_db / 10)) == pytest.approx(0.0, abs=0.1)
    assert signs.mains_watts_ratio == pytest.approx(1.0, abs=1e-6)
    assert signs.output_current_fraction == pytest.approx(1.0, abs=1e-6)
    assert signs.output_grid_current[0] < 0.01
    assert signs.heater_volts_fraction == pytest.approx(1.0, abs=0.08)
    # makers rated resistors at about twice what they carry
    assert signs.worst_overload_ratio[0] < 0.6


# ---- hum


def test_dried_reservoir_of_a_bridge_hums_at_twice_the_line_frequency(bridge):
    signs = bridge("supply.reservoir_capacitor", "low capacitance", 2)
    assert signs.hum2_db[0] > 12.0
    assert signs.hum1_db[0] < 0.0


def test_dried_reservoir_of_a_half_wave_supply_hums_at_once_the_line_frequency(half_wave):
    signs = half_wave("supply.reservoir_capacitor", "low capacitance", 2)
    assert signs.hum1_db[0] > 10.0
    assert signs.hum1_db[0] > signs.hum2_db[0] + 3.0


def test_hum_grows_as_the_reservoir_dries(bridge):
    hum = [bridge("supply.reservoir_capacitor", "low capacitance", which).hum2_db[0] for which in range(4)]
    assert (np.diff(hum) > 3.0).all()


def test_heater_cathode_leak_of_the_output_valve_hums_at_once_the_line_frequency(two_anodes):
    signs = two_anodes("output.valve", "heater-cathode leak", 0)
    assert signs.hum1_db[0] > 12.0
    assert signs.hum1_db[0] > signs.hum2_db[0] + 10.0


def test_slight_heater_cathode_leak_hums_less(two_anodes):
    loud, soft = (two_anodes("output.valve", "heater-cathode leak", which).hum1_db[0] for which in (0, 1))
    assert soft < loud - 12.0


def test_dried_smoothing_capacitor_hums_too(bridge, half_wave):
    assert bridge("supply.smoothing_capacitor", "low capacitance", 3).hum2_db[0] > 4.0
    assert half_wave("supply.smoothing_capacitor", "low capacitance", 3).hum1_db[0] > 6.0


def test_set_whose_output_valve_is_dead_does_not_hum(bridge):
    assert bridge("output.valve", "low emission", 4).hum2_db[0] < -15.0


# ---- gain


def test_open_coupling_capacitor_silences_the_audio_and_moves_no_direct_volts(bridge):
    signs = bridge("output.coupling_capacitor", "open")
    assert signs.audio_gain_db[0] < -25.0
    assert signs.mains_watts_ratio == pytest.approx(1.0, abs=1e-3)
    assert signs.output_current_fraction == pytest.approx(1.0, abs=1e-3)


def test_open_anode_load_takes_gain_and_swing_from_the_audio_stage(bridge, half_wave):
    for heard, most_db in ((bridge, -4.0), (half_wave, -25.0)):
        signs = heard("audio.anode_load", "open")
        assert signs.audio_gain_db[0] < most_db
        assert signs.audio_headroom_fraction[0] < 0.5
        assert signs.rf_gain_db[0] == pytest.approx(0.0, abs=0.5)


def test_open_cathode_bypass_costs_a_few_decibels(half_wave):
    # current feedback of an output pentode: 20 lg (1 + gm Rk) is 6 to 8 dB for 10 mA/V and 140 ohms, worn valves less
    assert -10.0 < half_wave("output.cathode_bypass_capacitor", "open").audio_gain_db[0] < -3.0


def test_worn_if_valve_costs_gain_before_the_detector_only(bridge):
    signs = bridge("if_amp.valve", "low emission", 3)
    assert signs.rf_gain_db[0] < -12.0
    assert signs.audio_gain_db[0] > -1.0


def test_if_valve_without_screen_volts_amplifies_next_to_nothing(bridge):
    assert bridge("if_amp.screen_feed_resistor", "open").rf_gain_db[0] < -15.0


def test_stopped_oscillator_is_seen_to_have_stopped(bridge):
    signs = bridge("frequency_changer.valve", "not oscillating")
    assert signs.oscillator_running[0] < 0.05
    assert bridge("if_amp.valve", "low emission", 3).oscillator_running[0] > 0.9


# ---- current and heat


def test_shorted_cathode_bypass_overheats_the_output_valve_and_takes_more_from_the_mains(two_anodes):
    signs = two_anodes("output.cathode_bypass_capacitor", "short")
    at = two_anodes.column("V4")
    assert signs.output_current_fraction[0] > 1.5
    assert signs.mains_watts_ratio[0] > 1.2
    assert signs.dissipation_ratio[0, at] > 1.1
    assert signs.dissipation_ratio[0, at] > 1.3 * two_anodes.with_changes().dissipation_ratio[0, at]


def test_leaky_coupling_capacitor_drives_the_output_grid_into_current(two_anodes):
    leak = Change(
        part=two_anodes.set.networks.roles["output.coupling_capacitor"][0],
        what="leak_siemens",
        how="set",
        number=2e-6,
    )
    signs = two_anodes.with_changes(leak)
    assert signs.output_grid_current[0] > 0.4
    assert signs.output_current_fraction[0] > 1.5
    assert signs.audio_gain_db[0] < -6.0


def test_output_transformer_open_makes_the_screen_take_the_current_and_glow(two_anodes):
    signs = two_anodes("output.output_transformer", "open")
    at = two_anodes.column("V4")
    assert signs.dissipation_ratio[0, at] > 2.0
    assert signs.audio_gain_db[0] < -30.0


def test_open_cathode_resistor_stops_the_output_valve(two_anodes):
    signs = two_anodes("output.cathode_resistor", "open")
    assert signs.output_current_fraction[0] < 0.05
    assert signs.audio_gain_db[0] < -20.0
    assert signs.dissipation_ratio[0, two_anodes.column("V4")] < 0.1


def test_shorted_reservoir_takes_several_times_the_watts(two_anodes, half_wave):
    for heard, least in ((two_anodes, 2.5), (half_wave, 1.5)):
        assert heard("supply.reservoir_capacitor", "short").mains_watts_ratio[0] > least


def test_shorted_smoothing_capacitor_burns_the_smoothing_resistor(two_anodes):
    assert two_anodes("supply.smoothing_capacitor", "short").worst_overload_ratio[0] > 5.0


# ---- heaters


def test_open_heater_of_one_valve_leaves_the_others_lit(two_anodes):
    fraction = two_anodes("output.valve", "heater open").heater_volts_fraction[0]
    at = two_anodes.column("V4")
    assert fraction[at] < 0.05
    assert np.delete(fraction, at) == pytest.approx(1.0, abs=0.08)


def test_open_heater_in_a_chain_leaves_all_dark_itself_too(half_wave):
    # the whole mains stands across the open one; that lights nothing
    assert half_wave("output.valve", "heater open").heater_volts_fraction[0] == pytest.approx(0.0, abs=0.02)


# ---- rows


def test_signs_of_a_stack_are_those_of_its_rows(bridge):
    rows = [bridge.set.medians.copy() for _ in range(3)]
    for row, which in zip(rows[1:], (1, 3), strict=True):
        for change in bridge.changes("supply.reservoir_capacitor", "low capacitance", which):
            row[bridge.set.whole.slots[change.part, change.what]] *= change.number
    together = bridge.reader(bridge.set.whole.solve(np.stack(rows)))
    assert len(together) == 3
    for number, which in ((1, 1), (2, 3)):
        alone = bridge("supply.reservoir_capacitor", "low capacitance", which)
        assert together.hum2_db[number] == pytest.approx(alone.hum2_db[0], abs=0.05)
        assert together.mains_watts_ratio[number] == pytest.approx(alone.mains_watts_ratio[0], rel=1e-4)


def test_battery_set_has_signs_as_well():
    text = (
        '[set]\nname = "portable"\nmains = "battery"\nconstruction = "battery"\n'
        '[valves]\nV1 = "DK96"\nV2 = "DF96"\nV3 = "DAF96"\nV4 = "DL96"\n'
    )
    card = read_card(text)
    set_ = healthy_set(card)
    signs = SignReader(card, set_.whole, set_.medians)(set_.whole.solve(set_.medians[None, :]))
    assert signs.audio_gain_db == pytest.approx(0.0, abs=0.1)
    assert signs.heater_volts_fraction == pytest.approx(1.0, abs=0.15)
    assert np.isfinite(signs.dissipation_ratio).all()
