"""The exact steady state against a general integrator, and the stored table against the exact steady state."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from hetwright.supply.steady_state import (
    LOG_STIFFNESS_GRID,
    PHI_GRID,
    QUANTITIES,
    build_table,
    solve_drawing,
    solve_loaded,
)
from hetwright.trade_data import load_trade


@pytest.mark.parametrize("pulses", [1, 2])
@pytest.mark.parametrize(("load", "c"), [(20.0, 0.5), (5.0, 0.2), (100.0, 0.05), (2.0, 3.0)])
def test_agrees_with_a_general_integrator(load, c, pulses):
    def slope(angle, v):
        source = np.cos(angle) if pulses == 1 else np.abs(np.cos(angle))
        return (np.maximum(source - v, 0.0) - v / load) / c

    exact = solve_loaded(np.array([load]), np.array([c]), pulses)
    cycles = 1 + int(6.0 * c * load / (2.0 * np.pi))
    end = 2.0 * np.pi * (cycles + 1)
    angles = np.linspace(end - 2.0 * np.pi, end, 4001)
    run = solve_ivp(
        slope, (0.0, end), [exact.mean_volts[0]], t_eval=angles, rtol=1e-7, atol=1e-9, max_step=0.02, method="RK45"
    )
    volts = run.y[0][:-1]
    assert exact.mean_volts[0] == pytest.approx(volts.mean(), abs=1e-3)
    for order, amplitude in ((1, exact.first[0]), (2, exact.second[0])):
        found = 2.0 * np.abs(np.mean(volts * np.exp(1j * order * angles[:-1])))
        assert amplitude == pytest.approx(found, abs=1e-3)


def test_charge_balances():
    # what the rectifier passes is what the load takes
    load, c = np.array([1.0, 10.0, 50.0]), np.array([10.0, 0.1, 2.0])
    for pulses in (1, 2):
        found = solve_loaded(load, c, pulses)
        assert found.mean_amps * load == pytest.approx(found.mean_volts)
        drawn = solve_drawing(np.array([0.3, 0.8, 1.3]), np.array([40.0, 2.0, 300.0]), pulses)
        phi = np.array([0.3, 0.8, 1.3])
        assert drawn.mean_amps == pytest.approx(pulses * (np.sin(phi) - phi * np.cos(phi)) / np.pi, rel=1e-6)


def test_no_reservoir_gives_the_average_of_the_rectified_wave():
    # peak / pi and 2 peak / pi: standard Fourier series
    for pulses in (1, 2):
        found = solve_loaded(np.array([1e4]), np.array([1e-9]), pulses)
        assert found.mean_volts[0] == pytest.approx(pulses / np.pi, rel=1e-3)


def test_ripple_is_at_the_line_frequency_half_wave_and_twice_it_full_wave():
    half = solve_loaded(np.array([20.0]), np.array([1.0]), 1)
    full = solve_loaded(np.array([20.0]), np.array([1.0]), 2)
    assert half.first[0] > half.second[0] > 0.0
    assert full.first[0] == 0.0
    assert full.second[0] > 0.0


def test_the_stored_table_is_the_exact_steady_state():
    facts = load_trade("capacitor_input.toml")
    phi, log_stiffness = np.linspace(*PHI_GRID), np.linspace(*LOG_STIFFNESS_GRID)
    assert facts["grid"]["phi"] == list(PHI_GRID[:2])
    assert facts["grid"]["log_stiffness"] == list(LOG_STIFFNESS_GRID[:2])
    some_phi, some_log = [0, 7, 20], [0, 11, 14, 25]
    fresh = build_table(phi[some_phi], log_stiffness[some_log])
    for number, kind in enumerate(("half_wave", "full_wave")):
        for quantity, values in zip(QUANTITIES, fresh[number], strict=True):
            stored = np.array([line.split() for line in facts[kind][quantity].strip().splitlines()], dtype=float)
            assert stored.shape == (len(phi), len(log_stiffness))
            assert stored[np.ix_(some_phi, some_log)] == pytest.approx(values, abs=1.1e-5)
