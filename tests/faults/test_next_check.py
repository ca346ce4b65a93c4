"""What a check is worth: against enumeration of every order and of every outcome."""

from itertools import permutations

import numpy as np
import pytest

from hetwright.faults.next_check import MeasuredCheck, ProvingCheck, expected_minutes, worth_of

MEMBERS = np.eye(4, dtype=bool)


def test_faults_are_proved_in_the_order_that_costs_least():
    """With single faults the ratio rule is optimal: no order of the 24 beats it."""
    probability = np.array([0.4, 0.3, 0.2, 0.1])
    minutes = np.array([20.0, 5.0, 30.0, 2.0])

    def cost(order):
        spent, total = 0.0, 0.0
        for fault in order:
            spent += minutes[fault]
            total += probability[fault] * spent
        return total

    best = min(cost(order) for order in permutations(range(4)))
    assert expected_minutes(probability[None], MEMBERS, minutes)[0] == pytest.approx(best)


def test_a_pair_is_finished_when_both_are_found():
    members = np.array([[True, True, False]])
    got = expected_minutes(np.array([[1.0]]), members, np.array([3.0, 4.0, 5.0]))
    assert got[0] == pytest.approx(7.0)


def test_a_reading_that_tells_two_suspects_apart_is_worth_the_search_it_spares():
    probability = np.array([0.5, 0.5, 0.0, 0.0])
    minutes = np.full(4, 20.0)
    telling = MeasuredCheck(np.array([100.0, 200.0, 0.0, 0.0]), np.full(4, 1.0), 2.0)
    idle = MeasuredCheck(np.full(4, 100.0), np.full(4, 1.0), 2.0)
    # 30 minutes expected now (20 or 40); 20 when told apart
    assert worth_of(telling, probability, MEMBERS, minutes).minutes_saved == pytest.approx(10.0 - 2.0, abs=1e-6)
    assert worth_of(idle, probability, MEMBERS, minutes).minutes_saved == pytest.approx(-2.0, abs=1e-6)


def test_a_direct_test_reports_what_each_outcome_would_mean():
    probability = np.array([0.7, 0.3, 0.0, 0.0])
    check = ProvingCheck(np.array([0.95, 0.05, 0.05, 0.05]), 10.0)
    worth = worth_of(check, probability, MEMBERS, np.full(4, 30.0))
    (bad, p_bad, after_bad), (good, p_good, after_good) = worth.outcomes
    assert (bad, good) == (1.0, 0.0)
    assert p_bad == pytest.approx(0.7 * 0.95 + 0.3 * 0.05)
    assert p_bad + p_good == pytest.approx(1.0)
    assert after_bad[0] == pytest.approx(0.7 * 0.95 / p_bad)
    assert after_good[1] == pytest.approx(0.3 * 0.95 / p_good)
