"""The supply as a port: against a time-domain solution, and the facts a restorer would expect of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hetwright.circuit.network import Supply
from hetwright.errors import InputFault
from hetwright.supply.port import PARAMETERS, port_volts, ripple_volts

TWO_ANODE = Supply(
    part="T1",
    plus="HT1",
    minus="chassis",
    kind="two-anode",
    rectifier="valve",
    rms_volts=250.0,
    hertz=50.0,
    winding_ohms=200.0,
    reservoir_farads=32e-6,
    perveance=1e-3,
)
BRIDGE = replace(TWO_ANODE, kind="bridge", rectifier="silicon", perveance=0.0)
HALF_WAVE = replace(TWO_ANODE, kind="half-wave")
DOUBLER = replace(BRIDGE, kind="doubler", rms_volts=117.0)
SELENIUM = replace(BRIDGE, kind="half-wave", rectifier="selenium")
EVERY_KIND = [TWO_ANODE, BRIDGE, HALF_WAVE, DOUBLER, SELENIUM]


def settings(rows: int = 1, **values: float) -> np.ndarray:
    nominal = {
        "mains": 1.0,
        "winding_ohms": 200.0,
        "emission_1": 1.0,
        "emission_2": 1.0,
        "reservoir_farads": 32e-6,
    }
    return np.tile(np.array([{**nominal, **values}[name] for name in PARAMETERS])[:, None], (1, rows))


def volts(supply: Supply, amps, **values: float) -> np.ndarray:
    amps = np.atleast_1d(np.asarray(amps, dtype=float))
    return port_volts(supply, amps, settings(len(amps), **values)).volts


# ---------------------------------------------------------------------------------------------------
# against the time domain: three-halves law and winding as they are, resistive load


def run_in_time(cases: np.ndarray, start: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean volts and (first, second) line harmonic; columns rms, hertz, ohms, perveance, e1, e2, farads, load."""
    rms, hertz, ohms, perveance, first, second, farads, load = cases.T
    steps, cycles = 400, 30
    dt = 1.0 / hertz / steps
    curve = np.stack([(first * perveance), (second * perveance)]) ** (-2.0 / 3.0)

    def arms(v, angle):
        wave = np.sqrt(2.0) * rms * np.sin(angle)
        across = np.maximum(np.stack([wave - v, -wave - v]), 1e-12)
        # ohms t^3 + curve t^2 = across, t the cube root of the current: Newton down from above
        t = np.minimum(np.cbrt(across / ohms), np.sqrt(across / curve))
        for _ in range(5):
            t = t - ((ohms * t + curve) * t * t - across) / ((3.0 * ohms * t + 2.0 * curve) * t)
        return (t**3).sum(axis=0)

    v = start.copy()
    kept = np.empty((steps, len(v)))
    for cycle in range(cycles):
        before = v
        for step in range(steps):
            angle = 2.0 * np.pi * step / steps
            slope = (arms(v, angle) - v / load) / farads
            ahead = v + dt * slope
            v = v + 0.5 * dt * (slope + (arms(ahead, angle + 2.0 * np.pi / steps) - ahead / load) / farads)
            if cycle == cycles - 1:
                kept[step] = v
    angle = 2.0 * np.pi * (np.arange(steps) + 1) / steps
    harmonics = [2.0 * np.abs((kept * np.exp(1j * k * angle)[:, None]).mean(axis=0)) for k in (1, 2)]
    # settled: the last cycle ends where it began
    assert np.abs(kept[-1] - before).max() < 2e-3 * rms.max()
    return kept.mean(axis=0), np.array(harmonics)


GRID = np.array(
    [
        # rms  Hz   ohms  perveance e1    e2    farads load
        [250.0, 50, 200.0, 1.0e-3, 1.0, 1.0, 8e-6, 20000.0],
        [250.0, 50, 200.0, 1.0e-3, 1.0, 1.0, 32e-6, 5000.0],
        [250.0, 50, 200.0, 1.0e-3, 1.0, 1.0, 32e-6, 2500.0],
        [300.0, 50, 150.0, 3.0e-4, 1.0, 1.0, 16e-6, 4000.0],
        [350.0, 60, 100.0, 2.7e-4, 1.0, 1.0, 8e-6, 5000.0],
        [250.0, 50, 200.0, 1.0e-3, 0.3, 0.3, 32e-6, 4000.0],
        [250.0, 50, 200.0, 1.0e-3, 1.0, 0.3, 32e-6, 4000.0],
        [250.0, 50, 200.0, 1.0e-3, 1.0, 0.05, 32e-6, 4000.0],
        [250.0, 50, 200.0, 1.0e-3, 1.0, 1e-6, 32e-6, 4000.0],  # half dead
        [230.0, 50, 100.0, 9.0e-4, 1.0, 1e-6, 32e-6, 3000.0],  # as good as half-wave
        [117.0, 60, 22.0, 9.0e-4, 1.0, 1e-6, 40e-6, 1800.0],
        [250.0, 50, 200.0, 1.0e-3, 1.0, 1.0, 4e-6, 4000.0],  # reservoir dried
        [250.0, 50, 200.0, 1.0e-3, 1.0, 1.0, 1e-6, 4000.0],
        [230.0, 50, 100.0, 9.0e-4, 1.0, 1e-6, 4e-6, 3000.0],
    ]
)
USUAL = slice(0, 11)


@pytest.fixture(scope="module")
def both():
    estimate = np.empty(len(GRID))
    ripple = np.empty((2, len(GRID)))
    mean, harmonics = run_in_time(GRID, start=0.9 * GRID[:, 0])
    for n, (rms, hertz, ohms, perveance, e1, e2, farads, load) in enumerate(GRID):
        supply = replace(TWO_ANODE, rms_volts=rms, hertz=hertz, perveance=perveance)
        p = settings(winding_ohms=ohms, emission_1=e1, emission_2=e2, reservoir_farads=farads)
        amps = np.array([mean[n] / load])
        estimate[n] = port_volts(supply, amps, p).volts[0]
        ripple[:, n] = ripple_volts(supply, amps, p)[:, 0]
    return mean, estimate, harmonics, ripple


def test_volts_of_usual_supplies_are_within_one_and_a_half_per_cent_of_the_time_domain(both):
    mean, estimate, _, _ = both
    assert estimate[USUAL] == pytest.approx(mean[USUAL], rel=0.015)


def test_volts_with_a_dried_reservoir_are_within_four_per_cent_of_the_time_domain(both):
    mean, estimate, _, _ = both
    assert estimate == pytest.approx(mean, rel=0.04)


def test_ripple_is_within_a_tenth_of_the_time_domain(both):
    mean, _, harmonics, ripple = both
    assert (np.abs(ripple - harmonics) <= 0.1 * harmonics + 0.002 * mean).all()


# ---------------------------------------------------------------------------------------------------
# facts of the trade


def test_unloaded_reservoir_charges_to_the_winding_peak():
    assert volts(TWO_ANODE, 0.0)[0] == pytest.approx(np.sqrt(2.0) * 250.0, rel=0.005)
    assert volts(DOUBLER, 0.0)[0] == pytest.approx(2.0 * np.sqrt(2.0) * 117.0, rel=0.02)


def test_half_dead_two_anode_rectifier_behaves_like_half_wave():
    load = np.array([0.02, 0.06, 0.1])
    assert volts(TWO_ANODE, load, emission_2=0.0) == pytest.approx(volts(HALF_WAVE, load), rel=1e-5)
    hum = ripple_volts(TWO_ANODE, load, settings(3, emission_2=0.0))
    healthy = ripple_volts(TWO_ANODE, load, settings(3))
    assert hum == pytest.approx(ripple_volts(HALF_WAVE, load, settings(3)), rel=1e-3)
    assert (hum[0] > hum[1]).all()
    assert healthy[0] == pytest.approx(0.0)


def test_either_half_may_be_the_dead_one():
    load = np.array([0.06])
    assert volts(TWO_ANODE, load, emission_1=0.1) == pytest.approx(volts(TWO_ANODE, load, emission_2=0.1))


def test_dried_reservoir_lets_the_ht_fall_towards_the_average_of_the_wave():
    load = 0.06
    dry = [volts(TWO_ANODE, load, reservoir_farads=c)[0] for c in (32e-6, 8e-6, 2e-6, 0.2e-6, 1e-9)]
    assert dry == sorted(dry, reverse=True)
    average = 2.0 / np.pi * np.sqrt(2.0) * 250.0
    assert 0.75 * average < dry[-1] < average
    ripple = [ripple_volts(TWO_ANODE, np.array([load]), settings(reservoir_farads=c))[1, 0] for c in (32e-6, 2e-6)]
    assert ripple[1] > 8.0 * ripple[0]


def test_tired_rectifier_valve_lowers_the_ht_more_under_load():
    light = volts(TWO_ANODE, 0.01)[0] - volts(TWO_ANODE, 0.01, emission_1=0.2, emission_2=0.2)[0]
    heavy = volts(TWO_ANODE, 0.1)[0] - volts(TWO_ANODE, 0.1, emission_1=0.2, emission_2=0.2)[0]
    assert 0.0 < light < heavy


def test_dead_rectifier_gives_next_to_nothing():
    assert volts(TWO_ANODE, 1e-4, emission_1=0.0, emission_2=0.0)[0] < 0.0
    # one anode of a doubler gone: no direct volts are left once current is drawn
    assert volts(DOUBLER, 1e-2, emission_2=0.0)[0] < 0.0


def test_full_wave_ripple_is_nearly_the_light_ripple_formula():
    # I / (2 f C) peak to peak is a sawtooth, first harmonic peak-to-peak / pi; the formula overestimates
    # (Boylestad & Nashelsky, Electronic Devices and Circuit Theory, chapter 15)
    amps = 0.05
    sawtooth = amps / (2.0 * 50.0 * 32e-6) / np.pi
    second = ripple_volts(BRIDGE, np.array([amps]), settings())[1, 0]
    assert 0.75 * sawtooth < second < sawtooth


def test_mains_ten_per_cent_high_raises_ht_in_proportion_when_little_is_drawn():
    assert volts(BRIDGE, 1e-4, mains=1.1)[0] / volts(BRIDGE, 1e-4)[0] == pytest.approx(1.1, rel=0.01)


def test_silicon_in_place_of_a_valve_raises_the_ht():
    assert volts(replace(TWO_ANODE, rectifier="silicon"), 0.08)[0] > 1.08 * volts(TWO_ANODE, 0.08)[0]


def test_unknown_kinds_are_refused():
    with pytest.raises(InputFault, match="unknown rectifier circuit 'tripler'"):
        volts(replace(BRIDGE, kind="tripler"), 0.05)
    with pytest.raises(InputFault, match="unknown kind of rectifier 'copper'"):
        volts(replace(BRIDGE, rectifier="copper"), 0.05)
    with pytest.raises(InputFault, match="perveance"):
        volts(replace(TWO_ANODE, perveance=0.0), 0.05)
    with pytest.raises(InputFault, match="parameters of shape"):
        port_volts(BRIDGE, np.zeros(3), np.zeros((5, 2)))


# ---------------------------------------------------------------------------------------------------
# smooth, monotone, defined everywhere

anything = st.fixed_dictionaries(
    {
        "mains": st.floats(0.0, 1.5),
        "winding_ohms": st.floats(1e-3, 1e9),
        "emission_1": st.floats(0.0, 2.0),
        "emission_2": st.floats(0.0, 2.0),
        "reservoir_farads": st.floats(0.0, 1e-3),
    }
)


@given(anything, st.floats(-1.0, 10.0), st.sampled_from(EVERY_KIND))
def test_volts_are_finite_whatever_is_asked(values, amps, supply):
    found = port_volts(supply, np.array([amps]), settings(**values))
    assert np.isfinite(found.volts).all()
    assert np.isfinite(found.by_amps).all()
    assert np.isfinite(found.by_parameters).all()


@given(anything, st.floats(5.0, 2000.0), st.floats(-1.0, 10.0), st.sampled_from(EVERY_KIND))
def test_volts_fall_with_amps(values, winding, amps, supply):
    found = port_volts(supply, np.array([amps]), settings(**{**values, "winding_ohms": winding}))
    assert found.by_amps[0] < 0.0


@pytest.mark.parametrize("supply", EVERY_KIND, ids=lambda s: f"{s.kind} {s.rectifier}")
def test_slopes_are_the_slopes(supply):
    rng = np.random.default_rng(5)
    rows = 300
    p = np.stack(
        [
            rng.uniform(0.5, 1.2, rows),
            10.0 ** rng.uniform(0.0, 3.0, rows),
            10.0 ** rng.uniform(-3.0, 0.2, rows),
            10.0 ** rng.uniform(-3.0, 0.2, rows),
            10.0 ** rng.uniform(-7.0, -4.0, rows),
        ]
    )
    amps = 10.0 ** rng.uniform(-5.0, 0.0, rows) * np.where(rng.random(rows) < 0.1, -1.0, 1.0)
    found = port_volts(supply, amps, p)
    h = 1e-5
    up, down = (port_volts(supply, amps * (1.0 + s * h), p).volts for s in (1.0, -1.0))
    assert found.by_amps == pytest.approx((up - down) / (2.0 * h * amps), rel=1e-5, abs=1e-3)
    for row in range(len(PARAMETERS)):
        up, down = (
            port_volts(supply, amps, np.where(np.arange(5)[:, None] == row, p * (1.0 + s * h), p)).volts
            for s in (1.0, -1.0)
        )
        assert found.by_parameters[row] * p[row] == pytest.approx((up - down) / (2.0 * h), rel=1e-3, abs=1e-3)


def test_rows_do_not_touch_each_other():
    rng = np.random.default_rng(6)
    amps = rng.uniform(0.0, 0.2, 40)
    p = settings(40) * np.exp(rng.normal(0.0, 0.3, (5, 40)))
    together = port_volts(TWO_ANODE, amps, p).volts
    alone = np.array([port_volts(TWO_ANODE, amps[n : n + 1], p[:, n : n + 1]).volts[0] for n in range(40)])
    assert together == pytest.approx(alone, rel=1e-9)
