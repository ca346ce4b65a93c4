"""Letting the maker's service sheet correct the values nobody stated, before any fault is sought.

The sheet was taken on a healthy set, so its rows tell about the design: what usual value the maker really used.
Unstated values move within the spread of their pattern until the predicted readings agree with the sheet; their
spread shrinks accordingly. The arithmetic is on arrays alone; who predicts, and what a coordinate stands for, is
the caller's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hetwright.card.model import SetCard, Value
from hetwright.errors import Complaint, NotSolved, OutOfRange

__all__ = ["Conditioned", "condition", "conditioned_card", "predictor_in_logs"]

Array = NDArray[np.float64]
Predict = Callable[[Array], Array]

#: A row farther off than this many of its standard deviations, at the best fit, is reported as not fitting.
MISFIT_SIGMAS = 4.0
#: Degrees of freedom of the rows' heavy tails: a row that cannot be right loses its pull instead of bending the set.
TAIL_FREEDOM = 4.0
_FRACTIONS = np.array([1.0, 0.5, 0.25, 0.1, 0.03, 0.01])
_TOLD_SHRINK = 0.95
_TOLD_SHIFT = 0.25


@dataclass(frozen=True, kw_only=True, eq=False)
class Conditioned:
    """What the sheet made of the unstated values.

    Attributes
    ----------
    mean_log : ndarray, shape (n,)
        Likeliest coordinates (natural logarithms of values).
    factor : ndarray, shape (n, n)
        Square root of their covariance: ``covariance = factor @ factor.T``.
    predicted, residual : ndarray, shape (m,)
        What the sheet's rows would read at ``mean_log`` of the whole fit, and sheet minus that.
    weight : ndarray, shape (m,)
        How far each row was believed: one fully, near zero not at all.
    misfits : tuple of int
        Rows that no values within the spreads can explain: a misprint, another meter, another set than the sheet's.
    iterations : int
    converged : bool
        False when the last step was still larger than asked.
    """

    mean_log: Array
    factor: Array
    predicted: Array
    residual: Array
    weight: Array
    misfits: tuple[int, ...]
    iterations: int
    converged: bool

    @property
    def covariance(self) -> Array:
        """Covariance of the coordinates, shape (n, n)."""
        return self.factor @ self.factor.T

    @property
    def log_sd(self) -> Array:
        """Standard deviation of each coordinate, shape (n,)."""
        sd: Array = np.sqrt(np.sum(self.factor**2, axis=1))
        return sd


def predictor_in_logs(predict: Predict, base: ArrayLike, columns: Sequence[int]) -> Predict:
    """Predict from the logarithms of a few slots, the rest standing at ``base``.

    Parameters
    ----------
    predict : callable
        (B, n_slots) slot values in SI units to (B, m) readings.
    base : array_like, shape (n_slots,)
        Slot values of the set.
    columns : sequence of int, length n
        The slots that vary; all above zero.

    Returns
    -------
    callable
        (B, n) natural logarithms to (B, m) readings.
    """
    nominal = np.asarray(base, dtype=float)
    which = np.asarray(columns, dtype=int)

    def of_logs(logs: Array) -> Array:
        stack = np.tile(nominal, (len(logs), 1))
        stack[:, which] = np.exp(logs)
        return predict(stack)

    return of_logs


def condition(
    predict: Predict,
    base_log: ArrayLike,
    log_sd: ArrayLike,
    sheet_values: ArrayLike,
    sheet_sd: ArrayLike,
    *,
    jacobian: Callable[[Array], Array] | None = None,
    of_sheet_set: ArrayLike | None = None,
    tolerance: float = 1e-3,
    most_iterations: int = 25,
) -> Conditioned:
    """Update unstated values by the rows of a service sheet (iterated Gauss-Newton).

    Parameters
    ----------
    predict : callable
        (B, n) coordinates to (B, m) readings on the sheet's meter. A row may be NaN where nothing could be solved.
    base_log : array_like, shape (n,)
        Prior means: natural logarithms of the usual values (any additive coordinate will do).
    log_sd : array_like, shape (n,), >= 0
        Prior standard deviations; zero holds a coordinate where it is.
    sheet_values : array_like, shape (m,)
        What the sheet says, in the units of ``predict``.
    sheet_sd : array_like, shape (m,), > 0
        How far a right row may be off: meter, rounding, and what is not among the coordinates.
    jacobian : callable, optional
        (n,) coordinates to (m, n) derivatives; by default central differences, one stack of 2n.
    of_sheet_set : array_like of bool, shape (n,), optional
        Coordinates that belonged to the set the sheet was taken on (its own tolerances, its own valves) and say
        nothing of this one: they take part in the fit and then return to their priors.
    tolerance : float > 0
        Largest last step allowed, in prior standard deviations.
    most_iterations : int > 0

    Returns
    -------
    Conditioned

    Raises
    ------
    OutOfRange
        Shapes that do not match, a number that is not finite, a standard deviation that is not positive.
    NotSolved
        Nothing can be predicted at the prior means.

    Notes
    -----
    Minimises ``|z|^2/2 + sum_k v/2 log(1 + r_k^2 / (v s_k^2))`` over the whitened coordinates z, with r the residuals
    and v = ``TAIL_FREEDOM``: normal for small residuals, with the tails of Student's distribution; reweighted at each
    step. The covariance is that of the linear update at the end, ``D (I + A' A)^-1 D`` with A the weighted whitened
    Jacobian; its symmetric root comes from the singular values s of A as ``D (I - V (1 - 1/sqrt(1 + s^2)) V')``, so
    that it can never lose positivity. Source: textbook iterated extended Kalman (Gauss-Newton) update; iteratively
    reweighted least squares for the tails.

    Examples
    --------
    >>> halves = lambda logs: 200.0 / (1.0 + np.exp(logs))      # a divider: 200 V through R into 1 ohm
    >>> told = condition(halves, [0.0], [0.5], [80.0], [1.0])
    >>> round(float(np.exp(told.mean_log[0])), 2), bool(told.log_sd[0] < 0.03)
    (1.5, True)
    """
    mean, sd, wanted, row_sd = (
        np.atleast_1d(np.asarray(x, dtype=float)) for x in (base_log, log_sd, sheet_values, sheet_sd)
    )
    row_sd = np.broadcast_to(row_sd, wanted.shape).copy()
    theirs = np.zeros(mean.shape, bool) if of_sheet_set is None else np.asarray(of_sheet_set, bool)
    _check(mean, sd, wanted, row_sd, theirs)
    here = _first(predict, mean)
    if here.shape != wanted.shape:
        _refuse(f"predict gives {here.size} readings for {wanted.size} rows of the sheet", "one for each")
    if not np.all(np.isfinite(here)):
        raise NotSolved("the service sheet's rows cannot be predicted at the usual values")

    z = np.zeros_like(mean)
    moved = np.inf
    iterations = 0
    slope = _slopes(predict, jacobian, mean, sd, len(wanted))
    while iterations < most_iterations:
        iterations += 1
        weight = _weights(wanted - here, row_sd)
        root = np.sqrt(weight) / row_sd
        a = root[:, None] * slope * sd
        b = root * (wanted - here)
        step = np.linalg.lstsq(np.vstack([a, np.eye(len(z))]), np.concatenate([b, -z]), rcond=None)[0]
        cost = _cost(z, wanted - here, row_sd)
        tried = z + _FRACTIONS[:, None] * step
        readings = np.asarray(predict(mean + sd * tried), dtype=float)
        costs = np.array([_cost(*pair, row_sd) for pair in zip(tried, wanted - readings, strict=True)])
        best = int(np.argmin(np.where(np.isfinite(costs), costs, np.inf)))
        if not costs[best] < cost:
            moved = 0.0 if np.max(np.abs(step), initial=0.0) < 10 * tolerance or cost < 1e-12 else moved
            break
        moved = float(np.max(np.abs(tried[best] - z), initial=0.0))
        z, here = tried[best], readings[best]
        slope = _slopes(predict, jacobian, mean + sd * z, sd, len(wanted))
        if moved < tolerance:
            break

    weight = _weights(wanted - here, row_sd)
    a = (np.sqrt(weight) / row_sd)[:, None] * slope * sd
    _, s, vt = np.linalg.svd(a, full_matrices=False)
    root_whitened = np.eye(len(z)) - vt.T @ ((1.0 - 1.0 / np.sqrt(1.0 + s**2))[:, None] * vt)
    factor = sd[:, None] * root_whitened
    final, factor = _without_theirs(mean, mean + sd * z, sd, factor, theirs)
    residual = wanted - here
    return Conditioned(
        mean_log=final,
        factor=factor,
        predicted=here,
        residual=residual,
        weight=weight,
        misfits=tuple(int(row) for row in np.flatnonzero(np.abs(residual) > MISFIT_SIGMAS * row_sd)),
        iterations=iterations,
        converged=moved < tolerance,
    )


def _without_theirs(
    base: Array, mean: Array, sd: Array, factor: Array, theirs: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Give the coordinates of the sheet's own set their priors back, independent of the rest."""
    if not np.any(theirs):
        return mean, factor
    ours = ~theirs
    out = np.zeros_like(factor)
    out[theirs, theirs] = sd[theirs]
    if np.any(ours):
        upper: Array = np.asarray(np.linalg.qr(factor[ours].T, mode="r"))
        out[np.ix_(ours, ours)] = upper.T
    return np.where(theirs, base, mean), out


def _first(predict: Predict, coordinates: Array) -> Array:
    return np.asarray(predict(coordinates[None, :]), dtype=float)[0]


def _weights(residual: Array, row_sd: Array) -> Array:
    weight: Array = 1.0 / (1.0 + (residual / row_sd) ** 2 / TAIL_FREEDOM)
    return weight


def _cost(z: Array, residual: Array, row_sd: Array) -> float:
    tails = np.log1p((residual / row_sd) ** 2 / TAIL_FREEDOM)
    return float(0.5 * np.sum(z**2) + 0.5 * TAIL_FREEDOM * np.sum(tails))


def _slopes(predict: Predict, jacobian: Callable[[Array], Array] | None, at: Array, sd: Array, rows: int) -> Array:
    """Derivatives (m, n). A side that cannot be solved leaves the other; neither leaves zero."""
    if jacobian is not None:
        given = np.asarray(jacobian(at), dtype=float)
        if given.shape != (rows, len(at)):
            _refuse(f"the jacobian has shape {given.shape}", f"shape {(rows, len(at))}")
        return np.nan_to_num(given)
    moving = np.flatnonzero(sd > 0)
    slopes = np.zeros((rows, len(at)))
    if not len(moving):
        return slopes
    width = np.clip(0.1 * sd[moving], 1e-4, 0.05)
    stack = np.tile(at, (2 * len(moving) + 1, 1))
    index = np.arange(len(moving))
    stack[1 + index, moving] += width
    stack[1 + len(moving) + index, moving] -= width
    readings = np.asarray(predict(stack), dtype=float)
    middle, above, below = readings[0], readings[1 : 1 + len(moving)], readings[1 + len(moving) :]
    up, down = (above - middle) / width[:, None], (middle - below) / width[:, None]
    both = np.stack([up, down])
    known = np.isfinite(both)
    total = np.where(known, both, 0.0).sum(axis=0)
    slopes[:, moving] = (total / np.maximum(known.sum(axis=0), 1)).T
    return slopes


def _check(mean: Array, sd: Array, wanted: Array, row_sd: Array, theirs: NDArray[np.bool_]) -> None:
    if mean.ndim != 1 or sd.shape != mean.shape or theirs.shape != mean.shape or wanted.ndim != 1:
        _refuse("means, spreads and rows do not match in shape", "one spread for each mean, one row for each reading")
    if not (np.all(np.isfinite(mean)) and np.all(np.isfinite(sd)) and np.all(np.isfinite(wanted))):
        _refuse("a mean, a spread or a row of the sheet is not a finite number", "finite numbers only")
    if np.any(sd < 0):
        _refuse("a spread is below zero", "zero or above")
    if not np.all(row_sd > 0) or not np.all(np.isfinite(row_sd)):
        _refuse("a row of the sheet has no standard deviation above zero", "the accuracy of the meter it was read on")


def _refuse(wrong: str, right: str) -> None:
    raise OutOfRange(Complaint(wrong=wrong, right=right))


def conditioned_card(
    card: SetCard, slots: Sequence[tuple[str, str]], told: Conditioned, log_sd: ArrayLike
) -> SetCard:
    """The card with the usual values that the sheet said something about, their basis "service sheet".

    Parameters
    ----------
    card : SetCard
    slots : sequence of (part, what), length n
        What each coordinate of ``told`` stands for, such as ``("R12", "ohms")``. Those that are no value of a part
        with a usual value (a valve's emission, say) are passed over.
    told : Conditioned
    log_sd : array_like, shape (n,)
        The spreads before, to see what changed.

    Returns
    -------
    SetCard
        Stated values are untouched. A usual value changes when its spread shrank by a twentieth, or when it moved by
        a quarter of its spread.
    """
    before = np.asarray(log_sd, dtype=float)
    parts = dict(card.parts)
    for index, (ref, what) in enumerate(slots):
        part = parts.get(ref)
        if part is None or part.usual is None or part.quantity != what or part.usual.basis != "usual":
            continue
        shift = told.mean_log[index] - np.log(part.usual.si)
        spread = float(told.log_sd[index])
        if spread > _TOLD_SHRINK * before[index] and abs(shift) < _TOLD_SHIFT * before[index]:
            continue
        usual = Value(
            si=float(np.exp(told.mean_log[index])),
            basis="service sheet",
            spread_log_sd=spread,
            written=part.usual.written,
            line=part.usual.line,
        )
        parts[ref] = replace(part, usual=usual)
    return replace(card, parts=parts)
