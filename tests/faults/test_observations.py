"""What is seen and heard of a set speaks for the faults that would make it so."""

from __future__ import annotations

import numpy as np
import pytest

from hetwright.errors import InputFault
from hetwright.faults.observations import WORDS, Observation, Signs, default_model, log_likelihood
from hetwright.trade_data import load_trade

NOTHING: list[dict[str, float]] = [{}, {}]


def pair(**signs: float) -> Signs:
    """Two rows: a healthy set, and one with these signs."""
    return Signs.healthy(2, ("V1", "V2"), **{name: np.array([_normal(name), value]) for name, value in signs.items()})


def _normal(name: str) -> float:
    return 0.0 if name.endswith("_db") or name == "output_grid_current" else 1.0


def gain_of_second(words: list[str], signs: Signs, shows: list[dict[str, float]] = NOTHING) -> float:
    first, second = log_likelihood(words, signs, shows)
    return float(second - first)


def test_nothing_told_says_nothing():
    assert np.array_equal(log_likelihood([], pair(audio_gain_db=-60.0), NOTHING), np.zeros(2))


@pytest.mark.parametrize(
    ("word", "signs"),
    [
        ("no sound", {"audio_gain_db": -60.0}),
        ("no sound", {"rf_gain_db": -90.0}),
        ("no sound", {"oscillator_running": 0.0}),
        ("weak", {"audio_gain_db": -18.0}),
        ("weak", {"rf_gain_db": -26.0}),
        ("distorted", {"output_current_fraction": 0.2}),
        ("distorted", {"output_current_fraction": 2.5}),
        ("distorted", {"output_grid_current": 1.0}),
        ("hum", {"hum2_db": 25.0}),
        ("hum", {"hum1_db": 25.0}),
        ("lamp limiter bright", {"mains_watts_ratio": 3.0}),
        ("fuse blew", {"mains_watts_ratio": 5.0}),
        ("oscillator stopped", {"oscillator_running": 0.0}),
        ("smoke", {"worst_overload_ratio": 12.0}),
    ],
)
def test_observation_speaks_for_the_set_that_has_a_reason_for_it(word, signs):
    assert gain_of_second([word], pair(**signs)) > 1.0


def test_heater_dark_names_its_valve():
    signs = Signs.healthy(3, ("V1", "V2"), heater_volts_fraction=np.array([[1.0, 1.0], [0.0, 1.0], [1.0, 0.0]]))
    found = default_model().log_likelihood([Observation("heater dark", "V2")], signs, [{}, {}, {}], looked_for=False)
    assert found[2] > found[0] + 2.0
    assert found[1] == pytest.approx(found[0])


def test_anode_of_a_valve_run_far_beyond_its_rating_glows():
    signs = Signs.healthy(2, ("V1",), dissipation_ratio=np.array([[0.8], [3.5]]))
    assert gain_of_second(["anode glows"], signs) > 2.0


def test_a_little_over_its_rating_no_anode_glows():
    signs = Signs.healthy(2, ("V1",), dissipation_ratio=np.array([[0.8], [1.15]]))
    assert gain_of_second(["anode glows"], signs) < 0.5


def test_fault_that_crackles_by_itself_is_told_by_crackle():
    assert gain_of_second(["crackle"], Signs.healthy(2), [{}, {"crackle": 0.9}]) > 1.5


def test_an_unexplained_symptom_does_not_rule_a_fault_out():
    # a set has several faults: hum told of a set that should not hum is unlikely, not impossible
    told = log_likelihood(["hum"], Signs.healthy(1), [{}])[0]
    assert told > np.log(0.02)


def test_what_was_not_complained_of_counts_a_little():
    silent = pair(audio_gain_db=-60.0)
    lost = gain_of_second(["hum"], silent)
    assert -3.0 < lost < -0.3


def test_two_faults_explain_two_symptoms_better_than_either():
    shows = [{"hum": 0.8}, {"crackle": 0.8}, {"hum": 0.8, "crackle": 0.8}]
    first, second, both = log_likelihood(["hum", "crackle"], Signs.healthy(3), shows)
    assert both > first + 1.0
    assert both > second + 1.0


def test_distortion_cannot_be_heard_from_a_silent_set():
    model = default_model()
    signs = Signs.healthy(2, (), output_grid_current=np.ones(2), audio_gain_db=np.array([0.0, -80.0]))
    there = model.present(signs, NOTHING)
    assert there[1, WORDS.index("distorted")] < 0.4 * there[0, WORDS.index("distorted")]


def test_hum_at_twice_line_speaks_for_ripple_and_at_line_for_heater_leak():
    model = default_model()
    signs = Signs.healthy(2, (), hum1_db=np.array([0.0, 25.0]), hum2_db=np.array([25.0, 0.0]))
    at_twice = model.hum_pitch_log_likelihood(100.0, 50.0, signs, NOTHING)
    at_line = model.hum_pitch_log_likelihood(50.0, 50.0, signs, NOTHING)
    assert at_twice[0] > at_twice[1] + 2.0
    assert at_line[1] > at_line[0] + 2.0


def test_heater_leak_hums_at_line_by_itself():
    model = default_model()
    shows = [{}, {"hum": 0.6, "hum at line": 0.6}]
    found = model.hum_pitch_log_likelihood(60.0, 60.0, Signs.healthy(2), shows)
    assert found[1] > found[0] + 0.5


@pytest.mark.parametrize("hertz", [0.0, -50.0, float("nan"), float("inf")])
def test_impossible_pitch_is_refused(hertz):
    with pytest.raises(InputFault, match="above zero"):
        default_model().hum_pitch_log_likelihood(hertz, 50.0, Signs.healthy(1), [{}])


def test_measured_gain_speaks_for_the_row_that_expects_it():
    expected = np.array([34.0, 20.0])
    found = default_model().gain_log_likelihood(21.0, expected)
    assert found[1] > found[0] + 2.0
    # a gain may be measured wrongly: no row is ruled out
    assert np.all(np.isfinite(default_model().gain_log_likelihood(300.0, expected)))


def test_unknown_word_names_the_known_ones():
    with pytest.raises(InputFault, match="no sound"):
        Observation("sounds funny")


def test_rows_can_be_taken_and_two_faults_put_together():
    signs = pair(audio_gain_db=-20.0, hum2_db=20.0, oscillator_running=0.0)
    both = signs.take(np.array([1, 1])).with_(signs.take(np.array([0, 1])))
    assert both.audio_gain_db == pytest.approx([-20.0, -40.0])
    assert both.oscillator_running == pytest.approx([0.0, 0.0])
    # beside a healthy set the hum stays what it is; two equal hums are 3 dB more
    assert both.hum2_db == pytest.approx([20.0, 23.0], abs=0.05)


def test_every_word_can_come_about_and_every_probability_is_one():
    document = load_trade("observations.toml")
    explained = {record["word"] for record in document["sign"]}
    explained |= {word for record in document["shows"] for word in record["words"]}
    assert set(WORDS) <= explained
    for record in document["shows"]:
        assert all(0.0 < p < 1.0 for p in record["words"].values())
    for word in WORDS:
        row = document["word"][word]
        assert 0.0 < row["otherwise"] < row["reported"] < 1.0
        assert 0.0 <= row["silence"] <= 1.0
