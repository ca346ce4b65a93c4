"""The service sheet corrects what nobody stated."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hetwright.card.conditioning import Conditioned, condition, conditioned_card, predictor_in_logs
from hetwright.card.model import Part, SetCard, SupplyCard, Value
from hetwright.errors import NotSolved, OutOfRange


def divider(logs):
    """Volts at the two joints of three resistors in series across 250 V."""
    ohms = np.exp(logs)
    total = ohms.sum(axis=1)
    return 250.0 * np.stack([ohms[:, 1:].sum(axis=1) / total, ohms[:, 2] / total], axis=1)


def linear(matrix):
    return lambda x: x @ matrix.T


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 10**6),
    rows=st.integers(1, 6),
    size=st.integers(1, 8),
)
def test_linear_sheet_gives_the_textbook_mean_and_covariance(seed, rows, size):
    """Against the closed form, with rows so close to the prior that their tails do not matter."""
    rng = np.random.default_rng(seed)
    matrix = rng.normal(size=(rows, size))
    base, sd = rng.normal(size=size), rng.uniform(0.1, 0.7, size)
    row_sd = rng.uniform(0.5, 2.0, rows)
    wanted = matrix @ base + 1e-3 * rng.normal(size=rows)
    told = condition(linear(matrix), base, sd, wanted, row_sd)
    information = np.diag(1 / sd**2) + matrix.T @ np.diag(1 / row_sd**2) @ matrix
    covariance = np.linalg.inv(information)
    mean = base + covariance @ matrix.T @ ((wanted - matrix @ base) / row_sd**2)
    scale = np.sqrt(np.diag(covariance))
    np.testing.assert_allclose(
        told.covariance / np.outer(scale, scale), covariance / np.outer(scale, scale), atol=2e-5
    )
    np.testing.assert_allclose(told.mean_log, mean, atol=1e-5)
    assert told.converged
    assert told.misfits == ()


def test_covariance_agrees_with_brute_force_over_a_grid():
    base, sd = np.log([100e3]), np.array([0.5])

    def volts(logs):
        return 250.0 * 47e3 / (47e3 + np.exp(logs))

    told = condition(volts, base, sd, [60.0], [3.0])
    grid = np.linspace(base[0] - 3, base[0] + 3, 20001)
    residual = 60.0 - volts(grid[:, None])[:, 0]
    log_weight = -0.5 * ((grid - base[0]) / sd[0]) ** 2 - 0.5 * (residual / 3.0) ** 2
    weight = np.exp(log_weight - log_weight.max())
    mean = np.sum(weight * grid) / weight.sum()
    spread = np.sqrt(np.sum(weight * (grid - mean) ** 2) / weight.sum())
    assert told.mean_log[0] == pytest.approx(mean, abs=0.1 * spread)
    assert told.log_sd[0] == pytest.approx(spread, rel=0.05)


def test_sheet_moves_the_unstated_and_leaves_the_stated_alone():
    base = np.log([100e3, 47e3, 22e3])
    sheet = divider(np.log([[100e3, 47e3, 40e3]]))[0]
    told = condition(divider, base, [0.0, 0.0, 0.6], sheet, [1.0, 1.0])
    assert np.exp(told.mean_log[:2]) == pytest.approx([100e3, 47e3])
    assert np.exp(told.mean_log[2]) == pytest.approx(40e3, rel=0.03)
    assert told.log_sd[2] < 0.05 < 0.6


def test_a_ratio_alone_leaves_the_common_size_unknown_and_correlated():
    base = np.log([100e3, 100e3])

    def middle(logs):
        ohms = np.exp(logs)
        return (250.0 * ohms[:, 1] / ohms.sum(axis=1))[:, None]

    told = condition(middle, base, [0.5, 0.5], [125.0], [0.5])
    correlation = told.covariance[0, 1] / (told.log_sd[0] * told.log_sd[1])
    assert correlation > 0.99
    assert told.log_sd[0] == pytest.approx(0.5 / np.sqrt(2), rel=0.02)


def test_a_row_that_cannot_fit_is_named_and_does_not_bend_the_set():
    base = np.log([100e3, 47e3, 22e3])
    true = divider(np.log([[100e3, 60e3, 22e3]]))[0]
    right = condition(divider, base, [0.05, 0.5, 0.05], true, [1.0, 1.0])
    misprint = condition(divider, base, [0.05, 0.5, 0.05], [true[0], true[1] + 150.0], [1.0, 1.0])
    assert right.misfits == ()
    assert misprint.misfits == (1,)
    assert misprint.weight[1] < 0.01
    assert np.exp(misprint.mean_log[1]) == pytest.approx(60e3, rel=0.05)


def test_tolerances_of_the_makers_own_set_say_nothing_of_this_one():
    base = np.log([100e3, 47e3, 22e3])
    sheet = divider(np.log([[100e3, 60e3, 22e3]]))[0]
    told = condition(divider, base, [0.3, 0.3, 0.1], sheet, [1.0, 1.0], of_sheet_set=[False, False, True])
    assert told.mean_log[2] == base[2]
    assert told.log_sd[2] == pytest.approx(0.1)
    assert told.covariance[2, :2] == pytest.approx([0.0, 0.0])
    joint = condition(divider, base, [0.3, 0.3, 0.1], sheet, [1.0, 1.0])
    np.testing.assert_allclose(told.covariance[:2, :2], joint.covariance[:2, :2], rtol=1e-9)


def test_a_stated_jacobian_gives_the_same_answer_as_differences():
    base = np.log([100e3, 47e3, 22e3])

    def slopes(x):
        ohms = np.exp(x)
        total = ohms.sum()
        tails = np.array([ohms[1:].sum(), ohms[2]])
        inside = np.array([[0, 1, 1], [0, 0, 1]], float)
        return 250.0 * (inside * ohms / total - np.outer(tails, ohms) / total**2)

    one = condition(divider, base, [0.4] * 3, [160.0, 50.0], [2.0, 2.0])
    other = condition(divider, base, [0.4] * 3, [160.0, 50.0], [2.0, 2.0], jacobian=slopes)
    np.testing.assert_allclose(one.mean_log, other.mean_log, atol=2e-3)
    np.testing.assert_allclose(one.covariance, other.covariance, rtol=0.01, atol=1e-5)


def test_an_unsolvable_neighbour_is_stepped_round():
    def fussy(logs):
        volts = 100.0 * np.exp(logs)
        return np.where(logs > 0.5, np.nan, volts)

    told = condition(fussy, [0.45], [0.5], [110.0], [1.0])
    assert np.exp(told.mean_log[0]) == pytest.approx(1.1, rel=0.02)


def test_nothing_predicted_at_the_usual_values_is_an_error():
    with pytest.raises(NotSolved, match="cannot be predicted"):
        condition(lambda x: np.full((len(x), 1), np.nan), [0.0], [0.1], [1.0], [1.0])


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        ({"sheet_values": [float("nan")]}, "not a finite"),
        ({"sheet_sd": [0.0]}, "standard deviation"),
        ({"log_sd": [-0.1]}, "below zero"),
        ({"base_log": [0.0, 1.0]}, "match in shape"),
        ({"sheet_values": [1.0, 2.0], "sheet_sd": [1.0, 1.0]}, "1 readings for 2 rows"),
    ],
)
def test_impossible_input_is_refused(change, wrong):
    given_ = {"base_log": [0.0], "log_sd": [0.1], "sheet_values": [1.0], "sheet_sd": [1.0], **change}
    with pytest.raises(OutOfRange, match=wrong):
        condition(lambda x: np.exp(x[:, :1]), **given_)


def test_no_rows_leave_the_priors():
    told = condition(lambda x: np.zeros((len(x), 0)), [0.0, 1.0], [0.1, 0.2], np.zeros(0), np.zeros(0))
    assert told.mean_log.tolist() == [0.0, 1.0]
    assert told.log_sd == pytest.approx([0.1, 0.2])


def test_slots_are_varied_in_logarithms_and_the_rest_stand():
    of_logs = predictor_in_logs(lambda stack: stack[:, :1] / stack[:, 1:2], [10.0, 5.0, 1.0], [1])
    assert of_logs(np.log([[5.0], [2.0]]))[:, 0] == pytest.approx([2.0, 5.0])


def resistor(ref, **values):
    return Part(
        identity=ref, ref=ref, role=None, kind="carbon", quantity="ohms", from_point="a", to_point="b", **values
    )


def test_the_card_says_which_values_the_sheet_told():
    usual = Value(si=100e3, basis="usual", spread_log_sd=0.5)
    stated = Value(si=47e3, basis="stated", spread_log_sd=0.1)
    parts = {
        "R1": resistor("R1", usual=usual),
        "R2": resistor("R2", usual=usual),
        "R3": resistor("R3", usual=usual, drawn=stated),
    }
    card = SetCard(
        name="",
        mains_rms_volts=230.0,
        mains_hertz=50.0,
        construction="unknown",
        valves={},
        stages=(),
        parts=parts,
        supply=SupplyCard(rectifier="unknown", smoothing="resistor"),
    )
    told = Conditioned(
        mean_log=np.log([68e3, 101e3]),
        factor=np.diag([0.1, 0.499]),
        predicted=np.zeros(1),
        residual=np.zeros(1),
        weight=np.ones(1),
        misfits=(),
        iterations=1,
        converged=True,
    )
    slots = [("R1", "ohms"), ("R2", "ohms")]
    after = conditioned_card(card, slots, told, [0.5, 0.5])
    r1 = after.parts["R1"].value("now")
    assert (r1.basis, round(r1.si), round(r1.spread_log_sd, 3)) == ("service sheet", 68000, 0.1)
    assert after.parts["R2"].value("now").basis == "usual"
    assert after.parts["R3"].value("now") is stated
    assert card.parts["R1"].usual is usual
