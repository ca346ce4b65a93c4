"""The arithmetic of inference against brute force and against scipy's multivariate normal."""

from itertools import combinations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal, norm

from hetwright.faults.inference import (
    Background,
    Extras,
    Prediction,
    WrongReadings,
    integrate_background,
    log_mixture_of_extras,
)


def linear_set(slopes, offset):
    """A set whose readings are linear in the logarithms of its slots."""

    def predict(stack, rows):
        return Prediction(
            np.log(stack) @ slopes.T + offset,
            slopes[None] / stack[:, None, :],
            np.ones(len(stack), dtype=bool),
        )

    return predict


def test_background_of_a_linear_set_is_integrated_exactly():
    rng = np.random.default_rng(3)
    slopes = rng.normal(size=(3, 5))
    sd = rng.uniform(0.05, 0.3, size=5)
    noise = np.array([0.1, 0.2, 0.05])
    readings = np.array([4.7, 5.4, 5.0])
    background = Background(np.ones(5, dtype=bool), sd, np.zeros(5), sd)
    evidence = integrate_background(
        linear_set(slopes, 5.0),
        np.ones((1, 5)),
        background,
        readings,
        noise,
        wrong=WrongReadings(np.full(3, 50.0), 1e-9),
        iterations=2,
    )
    # scipy.stats.multivariate_normal is the independent judge of the Gaussian integral
    exact = multivariate_normal(np.full(3, 5.0), slopes @ np.diag(sd**2) @ slopes.T + np.diag(noise**2))
    assert evidence.log_evidence[0] == pytest.approx(exact.logpdf(readings), abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_wrong_readings_and_tails_sum_as_brute_force_does(seed):
    """Every subset of four extras, their prior probabilities multiplied out."""
    rng = np.random.default_rng(seed)
    width, count = 3, 4
    factor = rng.normal(size=(width, width))
    covariance = factor @ factor.T + 0.1 * np.eye(width)
    innovation = rng.normal(size=width) * 3
    directions = rng.normal(size=(width, count))
    variances = rng.uniform(0.5, 20.0, size=count)
    probability = rng.uniform(0.005, 0.05, size=count)
    got, responsibility = log_mixture_of_extras(
        innovation[None],
        covariance[None],
        Extras(directions[None], variances, probability, np.zeros(count)),
        second_level=count,
    )
    total, by_extra, many = 0.0, np.zeros(count), 0.0
    for size in range(count + 1):
        for acting in combinations(range(count), size):
            grown = covariance + sum(
                (variances[k] * np.outer(directions[:, k], directions[:, k]) for k in acting),
                np.zeros((width, width)),
            )
            density = multivariate_normal(np.zeros(width), grown).pdf(innovation)
            for k in range(count):
                density *= probability[k] if k in acting else 1 - probability[k]
            total += density
            many += density if size > 2 else 0.0
            by_extra[list(acting)] += density
    # second order: three at once are left out, and products of those that lower the density
    left_out = -np.log1p(-many / total)
    assert got[0] == pytest.approx(np.log(total), abs=0.05 + left_out)
    assert responsibility[0] == pytest.approx(by_extra / total, abs=0.06 + many / total)


def test_tails_that_no_reading_sees_change_nothing():
    """Two hundred slots in another corner of the set, each with one chance in five of a heavy tail."""
    innovation, covariance = np.array([[1.0, -0.5]]), np.eye(2)[None]
    directions = np.concatenate([np.eye(2), np.zeros((2, 200))], axis=1)[None]
    probability = np.concatenate([np.full(2, 0.04), np.full(200, 0.2)])
    few, _ = log_mixture_of_extras(
        innovation, covariance, Extras(directions[:, :, :2], np.full(2, 9.0), probability[:2], np.zeros(2))
    )
    many, _ = log_mixture_of_extras(
        innovation, covariance, Extras(directions, np.full(202, 9.0), probability, np.zeros(202))
    )
    assert many[0] == pytest.approx(few[0], abs=1e-9)


def test_a_bent_reading_is_integrated_about_its_mode():
    """A saturating reading, one wide slot: Laplace about the mode against numerical quadrature (scipy)."""
    noise, sd = 2.0, 0.5

    def volts(x):
        return 200.0 * x / (x + 1.0)

    def predict(stack, rows):
        x = stack[:, :1]
        return Prediction(volts(x), (200.0 / (x + 1.0) ** 2)[:, None, :], np.ones(len(stack), dtype=bool))

    reading = 130.0
    background = Background(np.ones(1, dtype=bool), np.array([sd]), np.zeros(1), np.array([sd]))
    evidence = integrate_background(
        predict,
        np.ones((1, 1)),
        background,
        np.array([reading]),
        np.array([noise]),
        wrong=WrongReadings(np.array([1e6]), 1e-12),
        iterations=6,
        step_limit=8.0,
    )
    exact, _ = quad(
        lambda z: norm.pdf(z, scale=sd) * norm.pdf(reading, volts(np.exp(z)), noise), -6 * sd, 6 * sd, points=[0.6]
    )
    assert evidence.log_evidence[0] == pytest.approx(np.log(exact), abs=0.02)
    assert evidence.fitted[0, 0] == pytest.approx(reading, abs=1.0)


def test_a_mistyped_reading_is_doubted_and_does_not_sink_its_hypothesis():
    slopes = np.array([[1.0, 0.0], [1.0, 0.1], [0.9, 0.0], [1.1, 0.0]])
    background = Background(np.ones(2, dtype=bool), np.full(2, 0.1), np.zeros(2), np.full(2, 0.1))
    evidence = integrate_background(
        linear_set(slopes, 100.0),
        np.ones((1, 2)),
        background,
        np.array([100.02, 99.99, 10.0, 100.01]),
        np.full(4, 0.05),
        wrong=WrongReadings(np.full(4, 50.0)),
        iterations=3,
    )
    assert evidence.wrong[0, 2] > 0.99
    assert max(evidence.wrong[0, [0, 1, 3]]) < 0.05
    assert np.abs(evidence.shift).max() < 0.3


def test_an_unsolved_row_has_no_evidence():
    def predict(stack, rows):
        good = stack[:, 0] < 5
        return Prediction(np.where(good[:, None], stack[:, :1], np.nan), np.ones((len(stack), 1, 1)), good)

    evidence = integrate_background(
        predict,
        np.array([[1.0], [9.0]]),
        Background(np.ones(1, dtype=bool), np.full(1, 0.1), np.zeros(1), np.full(1, 0.1)),
        np.array([1.0]),
        np.array([0.1]),
        wrong=WrongReadings(np.array([5.0])),
    )
    assert np.isfinite(evidence.log_evidence[0])
    assert evidence.log_evidence[1] == -np.inf
