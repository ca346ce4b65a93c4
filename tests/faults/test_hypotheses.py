"""Rows of hypotheses and the prior over how many faults there are."""

from itertools import product

import numpy as np
import pytest

from hetwright.faults.hypotheses import NumberPrior, combine_cells, single_cells
from hetwright.faults.model import Change, Fault, Severity

SLOTS = {("R1", "ohms"): 0, ("C1", "leak_siemens"): 1}


def fault(part, what, numbers, how="times", rate=0.1):
    cells = tuple(
        Severity(changes=(Change(part=part, what=what, how=how, number=n),), weight=1 / len(numbers), log_sd=0.2)
        for n in numbers
    )
    return Fault(part=part, role="x.y", fault="high", rate=rate, severities=cells)


FAULTS = (
    fault("R1", "ohms", [2.0, 5.0]),
    fault("C1", "leak_siemens", [1e-6], how="set"),
    fault("S1", "none", [1.0]),
)


def test_every_severity_of_an_electrical_fault_is_a_row():
    cells, electrical = single_cells(FAULTS, np.array([100.0, 1e-9]), np.array([0.1, 1.0]), SLOTS)
    assert electrical.tolist() == [True, True, False]
    assert cells.medians.tolist() == [[200.0, 1e-9], [500.0, 1e-9], [100.0, 1e-6]]
    assert cells.sd[0].tolist() == [0.2, 1.0]
    assert cells.log_weight == pytest.approx(np.log([0.5, 0.5, 1.0]))


def test_two_faults_together_change_both_parts():
    cells = combine_cells([((0, 1), (1, 0))], FAULTS, np.array([100.0, 1e-9]), np.array([0.1, 1.0]), SLOTS, widen=1.0)
    assert cells.medians.tolist() == [[500.0, 1e-6]]


def test_prior_over_numbers_agrees_with_drawing_every_case():
    """Enumerate ordered draws of up to three faults from five, the last two invisible."""
    number = NumberPrior(count=(0.1, 0.4, 0.3, 0.1), not_listed=0.1)
    share = np.array([0.3, 0.25, 0.2, 0.15, 0.1])
    invisible = share[3:].sum()
    for visible in [(), (0,), (0, 1), (1, 2)]:
        exact = 0.0
        for n in range(4):
            for drawn in product(range(5), repeat=n):
                seen = [f for f in drawn if f < 3]
                if sorted(seen) == sorted(visible):
                    exact += number.count[n] * np.prod(share[list(drawn)])
        got = np.exp(number.log_of_visible(len(visible), invisible)) * np.prod(share[list(visible)])
        assert got == pytest.approx(exact, rel=1e-12)


def test_probabilities_of_the_number_must_sum_to_one():
    with pytest.raises(ValueError, match="sum to 1"):
        NumberPrior(count=(0.5, 0.1), not_listed=0.1)
