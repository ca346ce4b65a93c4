"""Facts of valves that the current law must keep, and its slopes."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hetwright.valves.law import (
    CONSTANTS,
    SHAPES,
    STATE_NAMES,
    ValveState,
    conversion_slope,
    currents,
    loop_gain,
)

#: A plausible set of constants; every shape takes those it needs.
PLAUSIBLE = {
    "perveance": 1e-3,
    "contact_volts": 0.5,
    "foot_volts": 0.15,
    "reference_amps": 5e-3,
    "mu": 20.0,
    "unevenness": 0.15,
    "tail_share": 0.1,
    "tail_mu_ratio": 0.6,
    "remote_share": 0.02,
    "remote_mu_ratio": 0.25,
    "grid_contact_volts": 0.5,
    "grid_foot_volts": 0.1,
    "grid_share": 1.0,
    "anode_influence": 0.02,
    "screen_share": 0.25,
    "screen_slope": 0.05,
    "knee": 0.12,
    "gate_mu": 8.0,
    "gate_volts": 5.0,
    "gate_tail_share": 0.05,
    "gate_tail_mu_ratio": 0.4,
    "gate_contact_volts": 0.5,
    "gate_grid_contact_volts": -0.2,
    "gate_grid_share": 0.3,
    "loop_ohms": 1500.0,
    "amplitude_volts": 10.0,
    "oscillator_share": 0.8,
    "screen_influence": 0.3,
    "target_perveance": 5e-7,
    "target_amps": 2e-3,
}


def constants_of(shape: str, sections: int = 1, **changed: float) -> dict[str, np.ndarray]:
    values = {**PLAUSIBLE, **changed}
    return {name: np.full(sections, values[name]) for name in CONSTANTS[shape]}


def state_of(stack: tuple[int, int] = (1, 1), **changed: float) -> ValveState:
    book = ValveState.book(stack)
    return dataclasses.replace(book, **{name: np.full(stack, value) for name, value in changed.items()})


def at(shape: str, *volts: float, state: ValveState | None = None, **changed: float) -> np.ndarray:
    """Electrode amps of one section."""
    return currents(shape, constants_of(shape, **changed), np.array([[volts]]), state or state_of()).amps[0, 0]


def random_stack(shape: str, rows: int, sections: int, seed: int = 0):
    rng = np.random.default_rng(seed)
    constants = {
        name: values * rng.uniform(0.8, 1.2, sections) for name, values in constants_of(shape, sections).items()
    }
    n = len(SHAPES[shape])
    scale = np.where(rng.random((rows, sections, 1)) < 0.5, 300.0, 10.0)
    volts = rng.uniform(-1.0, 1.0, (rows, sections, n)) * scale
    stack = (rows, sections)
    state = ValveState(
        rng.uniform(0.1, 1.5, stack),
        rng.uniform(0.7, 1.3, stack),
        rng.uniform(-0.5, 0.5, stack),
        rng.uniform(0.0, 0.01, stack),
    )
    return constants, volts, state


@pytest.mark.parametrize("shape", SHAPES)
def test_slopes_by_volts_are_those_of_the_currents(shape):
    constants, volts, state = random_stack(shape, 300, 3)
    found = currents(shape, constants, volts, state)
    for f in range(volts.shape[-1]):
        step = np.zeros(volts.shape[-1])
        step[f] = 1e-5
        up = currents(shape, constants, volts + step, state).amps
        down = currents(shape, constants, volts - step, state).amps
        # central differences err by the third derivative times 1e-10 and by rounding of 1e-16 A / 1e-5 V
        np.testing.assert_allclose(found.slopes[..., f], (up - down) / 2e-5, rtol=2e-5, atol=2e-10)


@pytest.mark.parametrize("name", STATE_NAMES)
@pytest.mark.parametrize("shape", SHAPES)
def test_slopes_by_state_are_those_of_the_currents(shape, name):
    constants, volts, state = random_stack(shape, 300, 3, seed=1)
    found = currents(shape, constants, volts, state).by_state[..., STATE_NAMES.index(name)]
    step = 1e-6
    up = currents(shape, constants, volts, dataclasses.replace(state, **{name: getattr(state, name) + step})).amps
    down = currents(shape, constants, volts, dataclasses.replace(state, **{name: getattr(state, name) - step})).amps
    np.testing.assert_allclose(found, (up - down) / (2.0 * step), rtol=3e-5, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    shape=st.sampled_from(sorted(SHAPES)),
    volts=st.lists(st.floats(-2000.0, 2000.0), min_size=6, max_size=6),
    emission=st.floats(0.0, 5.0),
    mu=st.floats(0.05, 10.0),
    contact=st.floats(-3.0, 3.0),
    gas=st.floats(0.0, 0.5),
)
def test_any_volts_and_any_state_give_finite_currents(shape, volts, emission, mu, contact, gas):
    n = len(SHAPES[shape])
    state = state_of(emission=emission, mu=mu, contact_volts=contact, gas=gas)
    found = currents(shape, constants_of(shape), np.array([[volts[:n]]]), state)
    assert np.isfinite(found.amps).all()
    assert np.isfinite(found.slopes).all()
    assert np.isfinite(found.by_state).all()
    real = [i for i, name in enumerate(SHAPES[shape]) if name != "amplitude"]
    # a cathode saturates at fifty times its reference current, whatever pulls; gas adds its share
    limit = 50.0 * 2.5 * (PLAUSIBLE["reference_amps"] + PLAUSIBLE["target_amps"]) * (1.0 + gas)
    assert np.abs(found.amps[..., real]).max() < limit


@settings(max_examples=60, deadline=None)
@given(
    grid=st.floats(-60.0, 20.0),
    screen=st.floats(0.0, 300.0),
    anode=st.floats(0.0, 400.0),
    more=st.floats(0.1, 50.0),
)
def test_more_anode_volts_give_more_anode_current_and_less_screen_current(grid, screen, anode, more):
    before = at("pentode", grid, screen, anode)
    after = at("pentode", grid, screen, anode + more)
    assert after[2] >= before[2] - 1e-15
    # the screen loses at least what the anode's own pull on the cathode does not account for
    assert after[1] - before[1] <= after.sum() - before.sum() + 1e-15


@settings(max_examples=60, deadline=None)
@given(grid=st.floats(-40.0, 15.0), anode=st.floats(0.0, 400.0), more=st.floats(0.01, 5.0))
def test_a_less_negative_grid_gives_more_cathode_current(grid, anode, more):
    assert at("triode", grid + more, anode).sum() >= at("triode", grid, anode).sum()


def test_what_the_anode_does_not_take_the_screen_takes():
    high, low = at("pentode", -2.0, 100.0, 100.0), at("pentode", -2.0, 100.0, 5.0)
    assert low[2] < 0.3 * high[2]
    assert low[1] > 1.5 * high[1]
    # only the anode's small pull on the cathode is lost
    assert low.sum() == pytest.approx(high.sum(), rel=0.1)


def test_anode_below_its_cathode_takes_nothing():
    amps = at("pentode", -2.0, 100.0, -5.0)
    assert 0.0 <= amps[2] < 1e-9
    assert amps[1] > 1e-3


@pytest.mark.parametrize("shape", ["triode", "pentode"])
def test_an_anode_left_unconnected_floats_a_few_volts_negative(shape):
    """It charges until no more than a leak of 1e10 ohms can carry away still gets there."""
    inner = (0.0,) if shape == "triode" else (-2.0, 100.0)
    volts = next(v for v in np.linspace(0.0, -20.0, 401) if at(shape, *inner, v)[-1] < 1e-9)
    assert -8.0 < volts < -0.5


def test_missing_screen_volts_cut_off_a_pentode():
    assert at("pentode", -2.0, 0.0, 250.0).sum() < 0.01 * at("pentode", -2.0, 100.0, 250.0).sum()


def test_retarding_field_current_of_a_diode_falls_an_e_fold_a_tenth_of_a_volt():
    ratio = at("diode", -2.0)[0] / at("diode", -2.1)[0]
    assert ratio == pytest.approx(np.e, rel=0.01)


def test_current_of_a_diode_rises_as_the_three_halves_power():
    ratio = (
        at("diode", 40.0, contact_volts=0.0, reference_amps=100.0)[0]
        / at("diode", 10.0, contact_volts=0.0, reference_amps=100.0)[0]
    )
    assert ratio == pytest.approx(8.0, rel=0.001)


def test_negative_grid_current_falls_an_e_fold_a_tenth_of_a_volt():
    ratio = at("triode", -1.5, 200.0)[0] / at("triode", -1.6, 200.0)[0]
    # the stream itself shrinks by some per cent as well
    assert ratio == pytest.approx(np.e, rel=0.06)


def test_grid_current_starts_below_zero_and_grows_when_positive():
    below, zero, above, high = (at("triode", v, 200.0)[0] for v in (-1.0, 0.0, 2.0, 10.0))
    assert 0.0 < below < 1e-6 < zero < above < high
    assert high < at("triode", 10.0, 200.0)[1]


def test_a_gassy_valve_drives_current_out_of_its_grid():
    hard, soft = at("triode", -5.0, 200.0), at("triode", -5.0, 200.0, state=state_of(gas=1e-3))
    assert soft[0] - hard[0] == pytest.approx(-1e-3 * hard[1], rel=1e-9)
    assert soft.sum() == pytest.approx(hard.sum(), rel=1e-12)


def test_emission_is_the_plain_factor_at_the_reference_current():
    volts = 20.0
    space = at("diode", volts, reference_amps=1e9)[0]
    for emission in (0.2, 0.5, 0.8, 1.0, 1.2):
        amps = at("diode", volts, state=state_of(emission=emission), reference_amps=float(space))[0]
        assert amps == pytest.approx(emission * space, rel=1e-6)


def test_a_worn_cathode_fails_at_the_peak_before_it_fails_at_a_trickle():
    worn = state_of(emission=0.4)
    share = [at("diode", v, state=worn)[0] / at("diode", v)[0] for v in (0.5, 3.0, 30.0, 100.0)]
    assert share == sorted(share, reverse=True)
    assert share[0] > 0.5 > share[2]


def test_remote_cutoff_grid_keeps_some_slope_far_below_the_cutoff_of_a_plain_one():
    volts = np.array([[[-15.0, 100.0, 250.0]]])
    plain = currents("pentode", constants_of("pentode", tail_share=0.0, remote_share=0.0), volts, state_of())
    remote = currents("pentode", constants_of("pentode"), volts, state_of())
    assert remote.slopes[0, 0, 2, 0] > 1e-6 > 100.0 * plain.slopes[0, 0, 2, 0]


def test_amplification_factor_is_gm_times_ra_and_falls_towards_cutoff():
    def factor(grid: float) -> float:
        found = currents("triode", constants_of("triode"), np.array([[[grid, 200.0]]]), state_of())
        return float(found.slopes[0, 0, 1, 0] / found.slopes[0, 0, 1, 1])

    assert 15.0 < factor(-2.0) < 21.0
    assert factor(-10.0) < factor(-5.0) < factor(-2.0)


def test_injection_at_rest_is_the_static_mixer_and_negative_injection_turns_current_to_the_screen():
    rest = at("hexode", -2.0, 0.0, 0.0, 100.0, 250.0)
    held = at("hexode", -2.0, -30.0, 0.0, 100.0, 250.0)
    assert held[4] < 0.05 * rest[4]
    assert held[3] > rest[3]
    assert held.sum() == pytest.approx(rest.sum(), rel=0.01)


def test_a_swung_injection_grid_passes_about_half_the_current():
    still = at("hexode", -2.0, 0.0, 0.0, 100.0, 250.0)
    swung = at("hexode", -2.0, -10.0, 11.0, 100.0, 250.0)
    assert 0.3 < swung[4] / still[4] < 0.75


def test_conversion_slope_is_about_a_third_of_the_working_slope():
    """Square switching would give 1/pi of it (Herold, Proc. IRE 30, 84, 1942, from memory)."""
    constants = constants_of("hexode")
    still = currents("hexode", constants, np.array([[[-2.0, 0.0, 0.0, 100.0, 250.0]]]), state_of())
    volts = np.array([[[-2.0, -10.0, 11.0, 100.0, 250.0]]])
    ratio = conversion_slope("hexode", constants, volts, state_of())[0, 0] / still.slopes[0, 0, 4, 0]
    assert 0.2 < ratio < 0.4
    assert conversion_slope("hexode", constants, volts * [1, 1, 0, 1, 1], state_of())[0, 0] == pytest.approx(0.0)


def _oscillate(emission: float, supply: float, ohms: float = 33e3, leak: float = 47e3) -> np.ndarray:
    """Grid volts, swing and anode volts of an oscillator triode, by damped Newton from a swing of supply / 10."""
    constants = constants_of("oscillator")
    series = np.array([leak, 0.0, ohms])
    volts = np.array([-supply / 15.0, supply / 12.0, supply / 2.0])
    source = np.array([0.0, 0.0, supply])
    for _ in range(200):
        found = currents("oscillator", constants, volts[None, None], state_of(emission=emission))
        lack = volts - source + series * found.amps[0, 0]
        slope = np.eye(3) + series[:, None] * found.slopes[0, 0]
        lack[1] = found.amps[0, 0, 1] / PLAUSIBLE["reference_amps"]
        slope[1] = found.slopes[0, 0, 1] / PLAUSIBLE["reference_amps"]
        step = np.linalg.solve(slope, lack)
        volts = volts - step * min(1.0, 2.0 / np.abs(step[:2]).max(), 30.0 / max(abs(step[2]), 1e-9))
        if np.abs(step).max() < 1e-9:
            return volts
    raise AssertionError("did not settle")


def test_an_oscillator_biases_itself_and_its_loop_gain_is_one():
    grid, swing, anode = _oscillate(1.0, 250.0)
    assert grid < -3.0
    assert 0.0 < swing + grid < 5.0  # the grid goes somewhat positive at the crest
    volts = np.array([[[grid, swing, anode]]])
    assert loop_gain("oscillator", constants_of("oscillator"), volts, state_of())[0, 0] == pytest.approx(1, abs=0.01)


def test_a_stopped_oscillator_loses_its_bias_and_draws_more_current():
    worn = _oscillate(0.08, 250.0)
    good = _oscillate(1.0, 250.0)
    assert worn[1] < 1e-3 < good[1]
    assert worn[0] > -1.5
    volts = np.array([[[0.0, 0.0, worn[2]]]])
    assert loop_gain("oscillator", constants_of("oscillator"), volts, state_of(emission=0.08))[0, 0] < 1.0


def test_an_oscillator_without_enough_anode_volts_does_not_start():
    assert _oscillate(1.0, 4.0)[1] < 0.05


def test_less_supply_means_less_swing():
    swings = [_oscillate(1.0, supply)[1] for supply in (250.0, 180.0, 120.0, 80.0)]
    assert swings == sorted(swings, reverse=True)


def test_a_long_stack_is_worked_row_by_row_the_same():
    constants, volts, state = random_stack("pentode", 7000, 3, seed=2)
    whole = currents("pentode", constants, volts, state)
    for row in (0, 2047, 2048, 6999):
        part = slice(row, row + 1)
        alone = currents("pentode", constants, volts[part], state.rows(part))
        np.testing.assert_array_equal(whole.amps[part], alone.amps)
        np.testing.assert_array_equal(whole.slopes[part], alone.slopes)


def test_what_oscillates_is_asked_only_of_what_can():
    volts = np.zeros((1, 1, 2))
    with pytest.raises(KeyError, match="no oscillator"):
        loop_gain("triode", constants_of("triode"), volts, state_of())
    with pytest.raises(KeyError, match="does not change frequency"):
        conversion_slope("triode", constants_of("triode"), volts, state_of())
