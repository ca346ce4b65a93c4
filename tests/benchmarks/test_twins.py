"""The honesty benchmark's own parts: another law, other hands, scores that know noise from error."""

import numpy as np
import pytest
import twin_law
import twin_readings
import twin_scores
import twin_set

from hetwright.card.network import networks_of
from hetwright.card.reading import read_card
from hetwright.faults.modes import faults_of
from hetwright.readings.csv_file import parse_csv
from hetwright.valves import law

SECTIONS = [
    ("triode", "EABC80", "triode"),
    ("pentode", "EBF89", "pentode"),
    ("hexode", "ECH81", "heptode"),
    ("oscillator", "ECH81", "triode"),
    ("pentagrid", "6A8", "heptode"),
    ("converter", "12BE6", "heptode"),
    ("indicator", "6E5", "indicator"),
    ("diode", "EBF89", "diode_1"),
]


@pytest.fixture(scope="module")
def card():
    name = "noval AC, bridge"
    return twin_set.TwinCard(1, name, lambda text: read_card(text, name), networks_of, faults_of)


def state(rng, shape):
    return twin_law.NewValve(
        rng.uniform(0.3, 1.2, shape),
        rng.uniform(0.9, 1.1, shape),
        rng.uniform(-0.3, 0.3, shape),
        rng.uniform(0, 1e-3, shape),
    )


def test_the_other_law_has_the_electrodes_of_ours():
    assert dict(twin_law.SHAPES) == dict(law.SHAPES)


@pytest.mark.parametrize(("shape", "name", "section"), SECTIONS, ids=lambda value: str(value))
def test_slopes_of_the_other_law_are_those_of_its_currents(shape, name, section):
    rng = np.random.default_rng(3)
    constants = {key: np.array([value]) for key, value in twin_law.constants_for(name, section).items()}
    electrodes = len(twin_law.SHAPES[shape])
    volts = rng.uniform(-4.0, 120.0, (6, 1, electrodes))
    volts[..., 0] = rng.uniform(-5.0, 0.5, (6, 1))
    valve = state(rng, (6, 1))
    got = twin_law.currents(shape, constants, volts, valve)
    for e in range(electrodes):
        up, down = volts.copy(), volts.copy()
        up[..., e] += 1e-4
        down[..., e] -= 1e-4
        slope = (
            twin_law.currents(shape, constants, up, valve).amps
            - twin_law.currents(shape, constants, down, valve).amps
        ) / 2e-4
        assert got.slopes[..., e] == pytest.approx(slope, rel=1e-4, abs=1e-6 * (np.abs(slope).max() + 1e-9))


def test_the_other_law_keeps_to_published_rows_and_is_not_ours():
    errors = [
        abs(r)
        for name in ("ECH81", "EBF89", "EL84", "ECL82", "6K7", "12BE6")
        for _, _, r in twin_law.fit_errors(name)
    ]
    assert np.median(errors) < 0.05
    # a pentode with its anode pulled down to a tenth of the screen volts: two pictures of the knee
    constants = {key: np.array([value]) for key, value in twin_law.constants_for("EL84", "pentode").items()}
    from hetwright.valves.catalogue import find
    from hetwright.valves.laws import law_of

    shape, ours = law_of(find("EL84"), "pentode")
    volts = np.array([[[-7.3, 250.0, 25.0]]])
    theirs = twin_law.currents(
        "pentode", constants, volts, twin_law.NewValve(*(np.full((1, 1), v) for v in (1.0, 1.0, 0.0, 0.0)))
    )
    mine = law.currents(shape, {k: np.array([v]) for k, v in ours.items()}, volts, law.ValveState.book((1, 1)))
    assert abs(np.log(theirs.amps[0, 0, 2] / mine.amps[0, 0, 2])) > 0.03


def test_one_reading_in_twenty_is_mistaken():
    rng = np.random.default_rng(4)
    rows = [twin_readings.Row(f"V{n}.anode", "", "volts dc", 100.0 + n) for n in range(12)]
    spoilt = sum(sum(bool(row.mistaken) for row in twin_readings.make_mistakes(rows, rng)) for _ in range(400))
    # swapped rows spoil two at once
    assert 0.04 < spoilt / (400 * 12) < 0.075


def test_a_meter_of_low_resistance_reads_low_at_a_fed_anode(card):
    row = card.base
    volts = card.volts_read(row, card.heater_base, [("V3.triode_anode", 1e9), ("V3.triode_anode", 200e3)])
    assert 0.6 * volts[0] < volts[1] < 0.93 * volts[0]


def test_a_simulated_set_is_read_in_words_the_program_understands(card):
    twins = twin_set.simulate(card, 8, seed=5)
    assert len(twins) == 8
    for twin in twins:
        readings = parse_csv(twin_readings.csv_of(twin.rows, twin.observations))
        assert len(readings) == len(twin.rows) + len(twin.observations)
    again = twin_set.simulate(card, 8, seed=5)
    assert [t.rows for t in again] == [t.rows for t in twins]


def test_a_shorted_smoothing_capacitor_is_visible_and_a_sound_set_is_not(card):
    part = next(p for p in card.design.parts.values() if p.role == "supply.smoothing_capacitor")
    slots = card.base.copy()
    fault = twin_set.TrueFault("x", "", "short", (((part.ref, "leak_siemens"), "set", 2.0),))
    heaters = card.heater_base.copy()
    card.apply(fault, slots, heaters)
    sound, short = (
        card.volts_read(card.base, heaters, [("HT2", 1e7)]),
        card.volts_read(slots, heaters, [("HT2", 1e7)]),
    )
    assert sound[0] > 150.0
    assert short[0] < 5.0


def test_faults_of_no_list_are_of_six_kinds_or_more():
    kinds = set()
    for number, name in enumerate(("noval AC", "octal AC/DC", "push-pull")):
        text = twin_set.LINEUPS[name]
        bare = read_card(text, name)
        found = twin_set.TwinCard(number, name, lambda _, bare=bare: bare, networks_of, faults_of)
        kinds |= {
            extra.words.partition(": ")[2].partition(" V")[0].partition(" HT")[0].partition(" of ")[0]
            for extra in found.extras
        }
    assert len(kinds) >= 6


def test_calibration_of_honest_probabilities_is_noise_and_of_boastful_ones_is_not():
    rng = np.random.default_rng(1)
    of_set = np.repeat(np.arange(1500), 4)
    said = rng.beta(0.5, 2.0, len(of_set))
    honest = twin_scores.calibration(said, (rng.random(len(said)) < said).astype(float), of_set)
    boastful = twin_scores.calibration(said, (rng.random(len(said)) < said**1.6).astype(float), of_set)
    assert honest.error < 0.02
    assert honest.interval[0] == 0.0
    true_error = float(np.sqrt(np.mean((said - said**1.6) ** 2)))
    assert boastful.error == pytest.approx(true_error, rel=0.25)
    assert boastful.interval[0] < boastful.error < boastful.interval[1]


def test_members_of_a_group_share_their_mean_rank():
    keys, groups = ["a", "b", "c", "d"], [None, 1, 1, None]
    assert twin_scores.group_rank(keys, groups, "a") == (1.0, 1.0)
    assert twin_scores.group_rank(keys, groups, "c") == (2.5, 2.0)
    assert twin_scores.group_rank(keys, groups, "d") == (4.0, 3.0)
    assert twin_scores.group_rank(keys, groups, "e") == (float("inf"), float("inf"))
