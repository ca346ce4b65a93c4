"""Which single check brings the repair nearest: the one that saves most expected minutes.

The restorer is taken to go on, after any outcome, by proving the likeliest faults one at a time (lifting a lead,
exchanging a valve) in the best order, until all that is wrong has been found. That expected time is worth V(p) minutes
under probabilities p; a check is worth V(p) - E[V(p after its outcome)] - its own minutes.

Source: the order that minimises expected search time takes items by probability per unit of cost (the ratio rule
of sequential search: Kadane & Simon, "Optimal strategies for a class of constrained sequential problems",
Annals of Statistics 5 (1977)); the look one check ahead is the usual expected value of sample information.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["MeasuredCheck", "ProvingCheck", "Worth", "expected_minutes", "worth_of"]

Array = NDArray[np.float64]

# three-point Gauss-Hermite rule for a normal variable (exact to the fifth power)
NODES = np.array([-np.sqrt(3.0), 0.0, np.sqrt(3.0)])
WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0
# minutes of a proof that has been made already; above zero, since suspects are ranked by probability per minute
_NO_TIME = 1e-6


@dataclass(frozen=True, slots=True)
class MeasuredCheck:
    """A reading not yet taken.

    mean, sd : (H,)   what each hypothesis expects to be read, with the readings so far taken into account
    minutes : float
    """

    mean: Array
    sd: Array
    minutes: float


@dataclass(frozen=True, slots=True)
class ProvingCheck:
    """A direct test of one fault: bad or good.

    bad : (H,)  probability that the test says "bad" under each hypothesis
    settles : columns of faults that need no proving after it, whatever it says
    """

    bad: Array
    minutes: float
    settles: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Worth:
    """What a check is worth.

    minutes_saved : expected minutes saved, its own minutes already taken off
    outcomes : tuple of (value or 1.0/0.0, probability, probabilities of the hypotheses after it (H,))
    """

    minutes_saved: float
    outcomes: tuple[tuple[float, float, Array], ...]


def expected_minutes(probability: Array, members: NDArray[np.bool_], minutes: Array) -> Array:
    """Expected minutes to find everything wrong, proving faults one by one in the best order.

    Parameters
    ----------
    probability : (N, H)
        Rows of probabilities of the hypotheses.
    members : (H, F)
        Which faults each hypothesis contains.
    minutes : (F,)
        Time to prove or clear each fault.

    Returns
    -------
    (N,) minutes
    """
    marginal = probability @ members
    order = np.argsort(-marginal / minutes, axis=1)
    # position at which each fault is proved; a hypothesis is finished at its last
    position = np.empty_like(order)
    np.put_along_axis(position, order, np.arange(order.shape[1])[None, :], axis=1)
    cumulative = np.cumsum(minutes[order], axis=1)
    cost_of_fault = np.take_along_axis(cumulative, position, axis=1)
    finished = np.where(members[None, :, :], cost_of_fault[:, None, :], 0.0).max(axis=2)
    out: Array = np.einsum("nh,nh->n", probability, finished)
    return out


def _normal_density(y: Array, mean: Array, sd: Array) -> Array:
    return np.asarray(np.exp(-0.5 * ((y - mean) / sd) ** 2) / sd)


def worth_of(
    check: MeasuredCheck | ProvingCheck,
    probability: Array,
    members: NDArray[np.bool_],
    minutes: Array,
    *,
    now: float | None = None,
    nodes_from: int = 14,
) -> Worth:
    """Expected minutes a check saves.

    Parameters
    ----------
    check : MeasuredCheck or ProvingCheck
    probability : (H,)
        Summing to one.
    members : (H, F) bool
    minutes : (F,)
    now : float, optional
        ``expected_minutes`` at ``probability``, when already known.
    nodes_from : int
        The outcomes looked at come from this many of the likeliest hypotheses.

    Returns
    -------
    Worth
    """
    if now is None:
        now = float(expected_minutes(probability[None, :], members, minutes)[0])
    if isinstance(check, ProvingCheck):
        bad = float(probability @ check.bad)
        likelihood = np.stack([check.bad, 1.0 - check.bad])
        weight = np.array([bad, 1.0 - bad])
        values = np.array([1.0, 0.0])
    else:
        top = np.argsort(-probability)[:nodes_from]
        values = (check.mean[top][:, None] + NODES[None, :] * check.sd[top][:, None]).ravel()
        weight = (probability[top][:, None] * WEIGHTS[None, :]).ravel()
        weight = weight / weight.sum()
        likelihood = _normal_density(values[:, None], check.mean[None, :], check.sd[None, :])
    after = likelihood * probability
    total = after.sum(axis=1, keepdims=True)
    after = np.where(total > 1e-300, after / np.maximum(total, 1e-300), probability)
    if isinstance(check, ProvingCheck) and check.settles:
        # what has been proved or cleared is not proved again
        minutes = minutes.copy()
        minutes[list(check.settles)] = _NO_TIME
    left = expected_minutes(after, members, minutes)
    saved = now - float(weight @ left) - check.minutes
    outcomes = tuple((float(v), float(w), a) for v, w, a in zip(values, weight, after, strict=True))
    return Worth(saved, outcomes)


def best_of(worths: Sequence[Worth]) -> int:
    """Index of the check that saves most; -1 for none that saves anything."""
    if not worths:
        return -1
    at = int(np.argmax([w.minutes_saved for w in worths]))
    return at if worths[at].minutes_saved > 0.0 else -1
