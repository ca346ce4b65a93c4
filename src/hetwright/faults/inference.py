"""Which faults explain the readings: hypotheses compared at their own working points.

A hypothesis is a row of slot values (the medians of a set that has this fault) with a spread for every slot
(tolerance, usual-value spread, ageing, valve spread, mains). Under each hypothesis the readings are expected to be

    y = h(x) + meter error,    x = median * exp(z)  (or median + z),    z ~ background

The background is integrated out by an iterated Gauss-Newton step (the mode of z is found, h and its slopes taken
there, and the Gaussian integral done about it: Laplace's method with the Gauss-Newton Hessian). Heavy tails of
ageing and readings that are simply wrong enter as *extras*: each is a direction in reading space along which
one more variance may act, with a prior probability; the sum over none, one and two extras is done in closed form
by rank-one updates.

The module is pure: arrays in, arrays out. It knows nothing of valves or parts.

Sources: Bell & Cathey, "The iterated Kalman filter update as a Gauss-Newton method", IEEE Trans. Automatic
Control 38 (1993); Laplace's method and the matrix determinant lemma as in any text of Bayesian statistics.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hetwright.circuit.prediction import Prediction

__all__ = [
    "Background",
    "Evidence",
    "Extras",
    "Prediction",
    "WrongReadings",
    "extra_directions",
    "extras_of",
    "integrate_background",
    "log_mixture_of_extras",
    "weighted_slopes",
]

Array = NDArray[np.float64]

SEEN_TAIL_SD = 0.2

LOG_2PI = float(np.log(2.0 * np.pi))


Predictor = Callable[[Array, NDArray[np.intp]], Prediction]


@dataclass(frozen=True, slots=True)
class Background:
    """Spread of every slot under one or more hypotheses.

    logarithmic : (S,) bool   True: slot = median exp(z); False: slot = median + z
    sd : (S,) or (B, S)       standard deviation of z (core)
    tail_probability : (S,)   prior probability that this slot is in its heavy tail
    tail_sd : (S,)            standard deviation of z in the tail (>= sd)
    learned : (S, K)          what service-sheet rows have taught of the slots together: the covariance of z is
                              diag(sd**2) - learned @ learned.T
    kept : (B, S) bool        where what was learned still holds (a slot that a fault changes no longer follows it)
    """

    logarithmic: NDArray[np.bool_]
    sd: Array
    tail_probability: Array
    tail_sd: Array
    learned: Array | None = None
    kept: NDArray[np.bool_] | None = None


@dataclass(frozen=True, slots=True)
class WrongReadings:
    """What a reading looks like that is simply wrong: mistyped, on the wrong range, in the wrong row.

    sd : (R,)                      its standard deviation about what was expected
    probability : float or (R,)
    bonus : float or (R,)          log of how much denser the slips that people make are at what was read
    """

    sd: Array
    probability: float | Array = 0.03
    bonus: float | Array = 0.0


@dataclass(frozen=True, slots=True)
class Extras:
    """Directions of extra variance: heavy tails and wrong readings.

    directions : (B, R, K)   unit effect on the readings
    variances : (B, K) or (K,)   variance along each when it acts
    probability : (K,) or (B, K) prior probability that it acts
    bonus : (K,)                 log of how much denser than that variance's normal the readings really are when it acts
                                 (slips of the hand are not normal); 0 where nothing more is known
    """

    directions: Array
    variances: Array
    probability: Array
    bonus: Array


@dataclass(frozen=True, slots=True)
class Evidence:
    """How well each hypothesis explains the readings, and what the readings say of the background.

    log_evidence : (B,)       log probability density of the readings under the hypothesis (-inf where not solved)
    shift : (B, S)            most likely z of every slot
    fitted : (B, R)           readings expected at that z
    residual : (B, R)         reading minus fitted
    spread : (B, R)           standard deviation of each reading before it was taken (background and meter)
    prior_mean : (B, R)       readings expected at the medians
    wrong : (B, R)            probability that the reading itself is wrong, under this hypothesis
    tail : (B, S)             probability that the slot is in its heavy tail, under this hypothesis
    slopes : (B, R, S)        d reading / d z at the mode
    """

    log_evidence: Array
    shift: Array
    fitted: Array
    residual: Array
    spread: Array
    prior_mean: Array
    wrong: Array
    tail: Array
    slopes: Array


def log_mixture_of_extras(
    innovation: Array, covariance: Array, extras: Extras, *, second_level: int = 6
) -> tuple[Array, Array]:
    """Log density of ``innovation`` under a Gaussian on which extra variances may act, each with its probability.

    Parameters
    ----------
    innovation : (B, R)
    covariance : (B, R, R)
    extras : Extras with K directions
    second_level : int
        How many of the extras that raise the density most are looked at together with every other.

    Returns
    -------
    log_density : (B,)
    responsibility : (B, K)
        Probability that each extra acts.

    Notes
    -----
    With C' = C + d u u^T: log N(e; C') - log N(e; C) = -log(1 + d b)/2 + d a^2 / (2 (1 + d b)) = log L, where
    a = u^T C^-1 e and b = u^T C^-1 u (matrix determinant lemma; Sherman-Morrison). The density is the product over
    extras that lower it, (1 - p) + p L, times 1 + sum p (L - 1) + sum p_i p_j (L_ij - L_i - L_j + 1) over those that
    raise it: the expansion of the full mixture about "none acts" in which an extra that the readings cannot see
    (L = 1) drops out, exact to second order. Three extras at once are left out.
    """
    rows, width = innovation.shape
    directions = extras.directions
    count = directions.shape[2]
    variances = np.broadcast_to(extras.variances, (rows, count))
    p = np.broadcast_to(extras.probability, (rows, count))

    solved = np.linalg.solve(covariance, np.concatenate([innovation[:, :, None], directions], axis=2))
    c_inv_e = solved[:, :, 0]
    c_inv_u = solved[:, :, 1:]
    sign, log_det = np.linalg.slogdet(covariance)
    plain = -0.5 * (np.sum(innovation * c_inv_e, axis=1) + log_det + width * LOG_2PI)
    plain = np.where(sign > 0, plain, -np.inf)

    a = np.matmul(c_inv_e[:, None, :], directions)[:, 0]
    b = np.sum(directions * c_inv_u, axis=1)
    grown = 1.0 + variances * b
    gain = 0.5 * (variances * a * a / grown - np.log(grown)) + extras.bonus
    lowers = gain < 0.0
    quiet = np.where(lowers, 1.0 - p + p * np.exp(np.minimum(gain, 0.0)), 1.0)
    at = np.arange(rows)
    top = min(second_level, count)
    first = np.argpartition(-gain, top - 1, axis=1)[:, :top] if top else np.zeros((rows, 0), dtype=np.intp)
    pair_gain = np.zeros((top, rows, count))
    for level in range(top):
        i = first[:, level]
        # after extra i has acted: C_i^-1 = C^-1 - d/(1+d b) (C^-1 u)(C^-1 u)^T
        cross = np.matmul(directions[at, :, i][:, None, :], c_inv_u)[:, 0]
        factor = (variances[at, i] / grown[at, i])[:, None]
        a_after = a - factor * a[at, i][:, None] * cross
        grown_after = 1.0 + variances * np.maximum(b - factor * cross * cross, 0.0)
        more = 0.5 * (variances * a_after**2 / grown_after - np.log(grown_after)) + extras.bonus
        pair_gain[level] = gain[at, i][:, None] + more
    # everything is counted in units of exp(peak), since a mistyped reading can be worth thousands of nepers
    peak = np.maximum(np.max(gain, axis=1, initial=0.0), np.max(pair_gain, axis=(0, 2), initial=0.0))
    one, ratio = np.exp(-peak), np.exp(gain - peak[:, None])
    acting = p * ratio
    total = one + np.where(lowers, 0.0, p * (ratio - one[:, None])).sum(axis=1)
    for level in range(top):
        i = first[:, level]
        both = np.exp(pair_gain[level] - peak[:, None]) - ratio[at, i][:, None] - ratio + one[:, None]
        pair = p[at, i][:, None] * p * np.maximum(both, 0.0)
        pair[lowers[at, i]] = 0.0
        pair[at, i] = 0.0
        # a pair of two looked-at extras would be met twice: keep it the first time only
        for earlier in range(level):
            pair[at, first[:, earlier]] = 0.0
        total += pair.sum(axis=1)
        acting += pair
        np.add.at(acting, (at, i), pair.sum(axis=1))
    log_density = plain + np.log(quiet).sum(axis=1) + np.log(total) + peak
    alone = np.where(lowers, p * np.exp(np.minimum(gain, 0.0)) / quiet, 0.0)
    shared = acting / np.maximum(total[:, None], acting)
    log_density = np.where(np.isfinite(log_density), log_density, -np.inf)
    return log_density, np.clip(np.maximum(alone, np.nan_to_num(shared)), 0.0, 1.0)


def extra_directions(slopes_z: Array, background: Background, sd: Array, reading_sd: Array) -> NDArray[np.intp]:
    """Slots whose heavy tail some reading can see: it would move one by a fifth of its standard deviation.

    Parameters
    ----------
    slopes_z : (B, R, S)
    background : Background
    sd : (B, S)
    reading_sd : (R,) or (B, R)

    Returns
    -------
    (T,) columns
    """
    more = np.sqrt(np.maximum(background.tail_sd**2 - sd**2, 0.0))
    noise = np.broadcast_to(reading_sd, slopes_z.shape[:2])
    moved = np.max(np.abs(slopes_z) * more[:, None, :] / noise[:, :, None], axis=(0, 1), initial=0.0)
    return np.flatnonzero((background.tail_probability > 0.0) & (moved > SEEN_TAIL_SD))


def extras_of(
    slopes_z: Array,
    tails: NDArray[np.intp],
    background: Background,
    sd: Array,
    wrong: WrongReadings,
) -> Extras:
    """Readings that may be wrong, then the slots ``tails`` in their heavy tails."""
    rows, width, _ = slopes_z.shape
    directions = np.concatenate([np.broadcast_to(np.eye(width), (rows, width, width)), slopes_z[:, :, tails]], axis=2)
    tail_variance = np.maximum(background.tail_sd[tails] ** 2 - sd[:, tails] ** 2, 0.0)
    variances = np.concatenate([np.broadcast_to(wrong.sd**2, (rows, width)), tail_variance], axis=1)
    probability = np.concatenate([np.broadcast_to(wrong.probability, (width,)), background.tail_probability[tails]])
    bonus = np.concatenate([np.broadcast_to(wrong.bonus, (width,)), np.zeros(len(tails))])
    return Extras(directions, variances, probability, bonus)


def weighted_slopes(slopes_z: Array, variance: Array, background: Background) -> Array:
    """(B, R, S) slopes times the covariance of z."""
    weighted = slopes_z * variance[:, None, :]
    if background.learned is not None and background.learned.shape[1]:
        slopes = slopes_z if background.kept is None else slopes_z * background.kept[:, None, :]
        taken = (slopes @ background.learned) @ background.learned.T
        weighted -= taken if background.kept is None else taken * background.kept[:, None, :]
    return weighted


def _along(slopes: Array, z: Array) -> Array:
    """(B, R) slopes times z."""
    return np.asarray(np.matmul(slopes, z[:, :, None])[:, :, 0])


def integrate_background(
    predict: Predictor,
    medians: Array,
    background: Background,
    readings: Array,
    reading_sd: Array,
    *,
    wrong: WrongReadings,
    iterations: int = 2,
    start: Prediction | None = None,
    step_limit: float = 3.0,
    log_prior: Array | None = None,
    keep_within: float = 12.0,
) -> Evidence:
    """Integrate the background out under every hypothesis of a stack.

    Parameters
    ----------
    predict : (stack (N, S), rows (N,)) -> Prediction
        ``rows`` are the places of the stack's rows in ``medians``.
    medians : (B, S)
        Slot medians under each hypothesis.
    background : Background
    readings, reading_sd : (R,) or reading_sd (B, R)
        What was read and the standard deviation of meter and model together.
    wrong : WrongReadings
    iterations : int >= 1
        Times the slopes are taken; 1 is a plain linearisation at the medians.
    start : Prediction, optional
        The prediction at the medians where it is already known.
    step_limit : float
        Largest |z| in standard deviations the mode may take (keeps the slopes near where they were taken).
    log_prior : (B,), optional
        With it, rows are taken further only while evidence and prior together come within ``keep_within`` of the best.
    keep_within : float
        Nepers.

    Returns
    -------
    Evidence
        A row that cannot be solved at the medians has none (-inf); one that cannot be solved later keeps what it had.
    """
    every = np.arange(medians.shape[0])
    prediction = start if start is not None else predict(medians, every)
    z = np.zeros_like(medians)
    out, z_next = _about(prediction, medians, z, background, readings, reading_sd, wrong, step_limit)
    active = np.flatnonzero(np.isfinite(out.log_evidence))
    out.shift[active] = z_next[active]
    for _ in range(iterations - 1):
        if log_prior is not None and len(active):
            score = out.log_evidence + log_prior
            active = active[score[active] > np.max(score) - keep_within]
        if not len(active):
            break
        here = replace(
            background,
            sd=np.broadcast_to(background.sd, medians.shape)[active],
            kept=None if background.kept is None else background.kept[active],
        )
        noise = np.broadcast_to(reading_sd, (len(every), len(readings)))[active]
        z = out.shift[active]
        x = np.where(background.logarithmic, medians[active] * np.exp(z), medians[active] + z)
        found, z_next = _about(predict(x, active), medians[active], z, here, readings, noise, wrong, step_limit)
        good = np.isfinite(found.log_evidence)
        rows = active[good]
        for name in ("log_evidence", "fitted", "residual", "wrong", "tail", "slopes"):
            getattr(out, name)[rows] = getattr(found, name)[good]
        out.shift[rows] = z_next[good]
        active = rows
    return out


def _plainly_wrong(
    innovation: Array, covariance: Array, slips: WrongReadings, *, surely: float = 3.0
) -> tuple[NDArray[np.bool_], Array, Array]:
    """Readings so far off that only a slip explains them, whatever else acts; found one at a time, worst first.

    Returns
    -------
    plainly : (B, R) bool
    covered : (B, R, R)
        The covariance with their variance added.
    cost : (B,)
        Log prior probability (and bonus) of that many slips.
    """
    rows, width = innovation.shape
    p = np.broadcast_to(slips.probability, (width,))
    log_odds = np.log(p) - np.log1p(-p) + slips.bonus
    each = np.log(p) + np.broadcast_to(slips.bonus, (width,))
    variance = slips.sd**2
    covered = covariance.copy()
    plainly = np.zeros((rows, width), dtype=bool)
    cost = np.zeros(rows)
    active = np.arange(rows)
    for _ in range(width - 1):
        inverse = np.linalg.inv(covered[active])
        a = np.matmul(inverse, innovation[active][:, :, None])[:, :, 0]
        b = np.diagonal(inverse, axis1=1, axis2=2)
        gain = 0.5 * (variance * a * a / (1.0 + variance * b) - np.log1p(variance * b)) + log_odds
        gain = np.where(plainly[active], -np.inf, gain)
        best = np.argmax(gain, axis=1)
        sure = gain[np.arange(len(active)), best] > surely
        active, best = active[sure], best[sure]
        if not len(active):
            break
        plainly[active, best] = True
        covered[active, best, best] += variance[best]
        cost[active] += each[best]
    return plainly, covered, cost


def _about(
    prediction: Prediction,
    medians: Array,
    z: Array,
    background: Background,
    readings: Array,
    reading_sd: Array,
    slips: WrongReadings,
    step_limit: float,
) -> tuple[Evidence, Array]:
    """Evidence with the slopes taken at z, and the next mode."""
    rows, width = medians.shape[0], readings.shape[0]
    sd = np.broadcast_to(background.sd, medians.shape)
    noise = np.broadcast_to(reading_sd, (rows, width)) ** 2
    x = np.where(background.logarithmic, medians * np.exp(z), medians + z)
    good = prediction.solved & np.isfinite(prediction.mean).all(axis=1)
    mean = np.where(good[:, None], prediction.mean, readings)
    scale = np.where(background.logarithmic, x, 1.0)
    slopes_z = np.where(good[:, None, None], prediction.slopes * scale[:, None, :], 0.0)
    innovation = readings - mean + _along(slopes_z, z)
    weighted = weighted_slopes(slopes_z, sd**2, background)
    covariance = weighted @ np.swapaxes(slopes_z, 1, 2)
    diagonal = np.arange(width)
    covariance[:, diagonal, diagonal] += noise
    tails = extra_directions(slopes_z, background, sd, np.sqrt(noise))
    extras = extras_of(slopes_z, tails, background, sd, slips)
    plainly, covered, cost = _plainly_wrong(innovation, covariance, slips)
    acting = np.broadcast_to(extras.probability, (rows, extras.probability.shape[-1])).copy()
    acting[:, :width] = np.where(plainly, 0.0, acting[:, :width])
    log_evidence, responsibility = log_mixture_of_extras(innovation, covered, replace(extras, probability=acting))
    log_evidence = log_evidence + cost
    wrong = np.where(plainly, 1.0, responsibility[:, :width])
    tail = np.zeros_like(z)
    tail[:, tails] = responsibility[:, width:]

    # the next mode: a tail that probably acts widens its slot; a reading that may be wrong pulls with the precision it has
    # on the average (expectation maximisation): with its full variance it would hold the background where it is
    variance = sd**2 + tail * np.maximum(background.tail_sd**2 - sd**2, 0.0)
    weighted = weighted_slopes(slopes_z, variance, background)
    widened = weighted @ np.swapaxes(slopes_z, 1, 2)
    widened[:, diagonal, diagonal] += 1.0 / ((1.0 - wrong) / noise + wrong / slips.sd**2)
    gain = np.linalg.solve(widened, innovation[:, :, None])[:, :, 0]
    limit = step_limit * np.sqrt(variance)
    z_next = np.clip(np.matmul(gain[:, None, :], weighted)[:, 0], -limit, limit)
    fitted = mean + _along(slopes_z, z_next - z)
    evidence = Evidence(
        log_evidence=np.where(good, log_evidence, -np.inf),
        shift=z.copy(),
        fitted=fitted,
        residual=readings - fitted,
        spread=np.sqrt(covariance[:, diagonal, diagonal]),
        prior_mean=mean,
        wrong=wrong,
        tail=tail,
        slopes=slopes_z,
    )
    return evidence, z_next
