"""From readings and observations to probabilities of faults.

`Bench` holds everything of a set that does not depend on readings: every single-fault hypothesis solved once.
`Bench.diagnose` compares the hypotheses on the readings at hand, grows pairs and triples from the best, and adds
up what is likely.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hetwright.errors import NotSolved

from .hypotheses import NumberPrior, SlotIndex, combine_cells, single_cells
from .inference import (
    Background,
    Evidence,
    Prediction,
    WrongReadings,
    extra_directions,
    extras_of,
    integrate_background,
    log_mixture_of_extras,
    weighted_slopes,
)
from .model import Fault

__all__ = ["Bench", "Diagnosis", "Hypothesis", "ReadingSet", "SearchLimits", "SolvedSet", "Suspect"]

Array = NDArray[np.float64]

_OWN_SHARE = 0.7
"""A fault explains a reading when, before any drift, it brings it nearer than this share of its distance."""

#: Nepers below the best at which a hypothesis is out of the question.
RULED_OUT = 14.0


@dataclass(frozen=True, slots=True)
class ReadingSet:
    """Readings as inference takes them.

    questions : what each reading asks of the set (opaque here)
    values, sd, wrong_sd : (R,)
    labels : how each is named to a person
    wrong_probability : float or (R,), how likely each is simply wrong
    wrong_bonus : float or (R,), see :class:`~hetwright.faults.inference.WrongReadings`
    """

    questions: tuple[Any, ...]
    values: Array
    sd: Array
    wrong_sd: Array
    labels: tuple[str, ...]
    wrong_probability: Array | float = 0.03
    wrong_bonus: Array | float = 0.0

    @property
    def wrong(self) -> WrongReadings:
        """What they look like when they are wrong."""
        return WrongReadings(self.wrong_sd, self.wrong_probability, self.wrong_bonus)

    def __len__(self) -> int:
        return len(self.labels)


class SolvedSet(Protocol):
    """A set the circuit room can solve; implemented by :class:`hetwright.circuit.whole_set.WholeSet`."""

    def solve(self, stack: Array, start: Any = None, /, *, effort: Any = "full") -> Any: ...

    def solve_alike(self, stack: Array, /) -> Any: ...

    def read(self, solved: Any, questions: Sequence[Any], /, *, slopes: bool = True) -> Prediction: ...

    def take(self, solved: Any, rows: NDArray[np.intp], /) -> Any: ...

    def added_up(self, solved: Any, rows: NDArray[np.intp], /) -> Any: ...

    def signs(self, solved: Any, /) -> Any: ...

    def same_everywhere(self, solved: Any, rows: NDArray[np.intp], /) -> Array: ...


ObservationLikelihood = Callable[[Any, Array], Array]
"""(signs of B rows, (B, W) probability that each word is shown by the faults themselves) -> log likelihood (B,)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchLimits:
    """How far the search goes; what lies beyond is reported as not searched."""

    refined_rows: int = 120
    grown_from: int = 24
    pairs_solved: int = 180
    triples_grown_from: int = 10
    triples_solved: int = 120
    iterations: int = 3
    invisible: float = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypothesis:
    """One explanation: the faults present (indices), how likely, and where its row's numbers are."""

    faults: tuple[int, ...]
    probability: float
    medians: Array
    sd: Array
    shift: Array
    fitted: Array
    prior_mean: Array
    wrong: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """One fault of one part, with what it explains."""

    fault: Fault
    probability: float
    estimate: float | None
    unit: str
    group: int | None
    explains: tuple[int, ...]
    leaves: tuple[int, ...]
    would_read: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Diagnosis:
    """What the readings say.

    ``suspects`` is best first, by the probability that the fault is present (alone or with others).
    ``not_searched`` is the prior probability of fault combinations that were neither solved nor screened.
    """

    healthy_probability: float
    not_listed_probability: float
    suspects: tuple[Suspect, ...]
    hypotheses: tuple[Hypothesis, ...]
    doubtful: Array
    normal: Array
    normal_sd: Array
    not_searched: float
    log_evidence: float
    readings: ReadingSet
    fault_probability: Array = field(default_factory=lambda: np.zeros(0))


def _log_sum(values: Array, axis: int | None = None) -> Any:
    peak = np.max(values, axis=axis, keepdims=True)
    peak = np.where(np.isfinite(peak), peak, 0.0)
    with np.errstate(divide="ignore"):
        return np.squeeze(np.log(np.sum(np.exp(values - peak), axis=axis, keepdims=True)) + peak, axis=axis)


class Bench:
    """A set with its faults, ready to be asked.

    Parameters
    ----------
    whole : SolvedSet
    faults : sequence of Fault
    medians : (S,)
        Background medians of the healthy set.
    background : Background
        With ``sd`` of shape (S,).
    slots : (part, what) -> column
    number : NumberPrior
    shows : (F, W), optional
        What each fault shows by itself: probability of each word of observations.
    """

    def __init__(
        self,
        whole: SolvedSet,
        faults: Sequence[Fault],
        medians: Array,
        background: Background,
        slots: SlotIndex,
        number: NumberPrior,
        limits: SearchLimits | None = None,
        shows: Array | None = None,
    ) -> None:
        self.whole = whole
        self.faults = tuple(faults)
        self.medians = medians
        self.background = background
        self.slots = slots
        self.number = number
        self.limits = limits or SearchLimits()
        rates = np.array([fault.rate for fault in self.faults])
        self.log_share = np.log(rates) - np.log(rates.sum())
        self.cells, self.electrical = single_cells(self.faults, medians, background.sd, slots)
        # row 0 is the healthy set
        self.stack = np.concatenate([medians[None, :], self.cells.medians])
        self.sd = np.concatenate([background.sd[None, :], self.cells.sd])
        self.row_fault = np.concatenate([[-1], self.cells.faults[:, 0]])
        self.row_log_weight = np.concatenate([[0.0], self.cells.log_weight])
        self.solved = whole.solve_alike(self.stack)
        self.signs: Any = None
        # last row: a set without faults shows nothing
        own = np.zeros((len(self.faults), 0)) if shows is None else shows
        self.shows = np.concatenate([own, np.zeros((1, own.shape[1]))])
        self._row_of = {
            (int(f), int(c)): row + 1
            for row, (f, c) in enumerate(zip(self.cells.faults[:, 0], self.cells.severities[:, 0], strict=True))
        }

    # -- evidence ---------------------------------------------------------------------------------------------

    def _predictor(self, readings: ReadingSet, solved: Any) -> Callable[[Array, NDArray[np.intp]], Prediction]:
        """Predict from rows that lie near those already solved."""
        latest: list[tuple[Any, NDArray[np.intp] | None]] = [(solved, None)]

        def predict(stack: Array, rows: NDArray[np.intp]) -> Prediction:
            near, known = latest[0]
            place = rows if known is None else np.searchsorted(known, rows)
            now = self.whole.solve(stack, self.whole.take(near, place), effort="quick")
            latest[0] = (now, rows)
            return self.whole.read(now, readings.questions)

        return predict

    def _spread_of(self, sd: Array) -> Background:
        """The background with the spreads of some rows; a slot that a fault changes no longer follows the sheet."""
        kept = None if self.background.learned is None else sd == self.background.sd
        return replace(self.background, sd=sd, kept=kept)

    def _integrate(
        self,
        readings: ReadingSet,
        medians: Array,
        sd: Array,
        iterations: int,
        solved: Any,
        start: Prediction,
        log_prior: Array,
    ) -> Evidence:
        return integrate_background(
            self._predictor(readings, solved),
            medians,
            self._spread_of(sd),
            readings.values,
            readings.sd,
            wrong=readings.wrong,
            iterations=iterations,
            start=start,
            log_prior=log_prior,
            keep_within=RULED_OUT - 4.0,
        )

    def _singles(self, readings: ReadingSet) -> tuple[Evidence, Array]:
        """Evidence of every row: a screen for all, slopes and iterations where it matters."""
        means = self.whole.read(self.solved, readings.questions, slopes=False)
        base_solved = self.whole.take(self.solved, np.array([0]))
        base = self.whole.read(base_solved, readings.questions)
        screened, spread = self._screen_rows(readings, means, base)
        prior = self.row_log_weight + np.where(self.row_fault >= 0, self.log_share[self.row_fault], 0.0)
        score = screened + prior
        score[0] = np.inf
        keep = np.sort(np.argsort(-score)[: self.limits.refined_rows])
        near = self.whole.take(self.solved, keep)
        start = self.whole.read(near, readings.questions)
        fine = self._integrate(
            readings, self.stack[keep], self.sd[keep], self.limits.iterations, near, start, prior[keep]
        )
        rows, width, slots = len(self.stack), len(readings), self.stack.shape[1]
        merged = Evidence(
            log_evidence=screened,
            shift=np.zeros((rows, slots)),
            fitted=means.mean.copy(),
            residual=readings.values - means.mean,
            spread=np.broadcast_to(spread, (rows, width)).copy(),
            prior_mean=means.mean,
            wrong=np.zeros((rows, width)),
            tail=np.zeros((rows, slots)),
            slopes=np.zeros((rows, width, slots)),
        )
        for name in Evidence.__dataclass_fields__:
            if name != "prior_mean":
                getattr(merged, name)[keep] = getattr(fine, name)
        self._refined = np.zeros(rows, dtype=bool)
        self._refined[keep] = True
        return merged, means.mean

    def _screen_rows(self, readings: ReadingSet, means: Prediction, base: Prediction) -> tuple[Array, Array]:
        """Log density of the readings under every row with the healthy set's slopes, and the healthy spread.

        The reach of a severity cell is taken from the readings of its neighbours. Rows that matter are worked again with
        slopes of their own; for rows that hardly move a reading this is as good.
        """
        scale = np.where(self.background.logarithmic, self.medians, 1.0)
        slopes = base.slopes * scale
        sd = self.background.sd[None]
        weighted = weighted_slopes(slopes, sd**2, self._spread_of(sd))[0]
        covariance = weighted @ slopes[0].T + np.diag(readings.sd**2)
        reach = self._reach(means.mean)
        rows = len(self.stack)
        innovation = np.where(means.solved[:, None], readings.values - means.mean, 0.0)
        tails = extra_directions(slopes, self.background, sd, readings.sd)
        full = np.repeat(covariance[None], rows, axis=0) + reach[:, :, None] * reach[:, None, :]
        every = np.broadcast_to(slopes, (rows, *slopes.shape[1:]))
        spread = np.broadcast_to(sd, (rows, sd.shape[1]))
        extras = extras_of(every, tails, self.background, spread, readings.wrong)
        density, _ = log_mixture_of_extras(innovation, full, extras, second_level=3)
        return np.where(means.solved, density, -np.inf), np.sqrt(np.diag(covariance))

    def _reach(self, means: Array) -> Array:
        """(rows, R) how far readings move over the width of a row's severity cell."""
        out = np.zeros_like(means)
        means = np.nan_to_num(means)
        same = self.row_fault[1:] == self.row_fault[:-1]
        step = np.abs(means[1:] - means[:-1]) * same[:, None]
        out[1:] = step
        out[:-1] = np.maximum(out[:-1], step)
        alone = np.ones(len(means), dtype=bool)
        alone[1:] &= ~same
        alone[:-1] &= ~same
        alone[0] = False
        out[alone] = 0.15 * np.abs(means[alone] - means[0])
        out[~alone] *= 0.5
        out[0] = 0.0
        return out

    # -- the search -------------------------------------------------------------------------------------------

    def diagnose(
        self,
        readings: ReadingSet,
        observe: ObservationLikelihood | None = None,
        on_progress: Callable[[int, int], None] | None = None,
    ) -> Diagnosis:
        """Compare every hypothesis on the readings and observations.

        Parameters
        ----------
        readings : ReadingSet
            May be empty.
        observe : callable, optional
            Log likelihood of the plain observations; ``None`` when nothing was observed.
        on_progress : callable (done, total), optional

        Returns
        -------
        Diagnosis
        """
        limits = self.limits
        count = len(self.faults)
        # cells are found again by the identity of their evidence, which is alive only while this lasts
        self._combination_cells.clear()
        report = on_progress or (lambda done, total: None)
        report(0, 4)
        width = len(readings)
        evidence, means = self._singles(readings) if width else self._nothing_read()
        log_reading = evidence.log_evidence
        healthy_reading = float(log_reading[0])
        if observe:
            self.signs = self._signs_where(log_reading)
        seen = observe(self.signs, self.shows[self.row_fault]) if observe else np.zeros(len(self.stack))
        silent = np.flatnonzero(~self.electrical)
        silent_seen = np.zeros(len(silent))
        if observe and len(silent):
            silent_seen = observe(self._sign_rows(np.zeros(len(silent), dtype=np.intp)), self.shows[silent])
        report(1, 4)

        # fault by fault: severity summed out
        by_fault = np.full(count, -np.inf)
        best_row = np.zeros(count, dtype=np.intp)
        row_total = log_reading + seen + self.row_log_weight
        order = np.argsort(self.row_fault[1:], kind="stable") + 1
        for f, rows in _runs(self.row_fault, order):
            by_fault[f] = _log_sum(row_total[rows])
            best_row[f] = rows[int(np.argmax(row_total[rows]))]
        by_fault[silent] = healthy_reading + silent_seen

        # what the readings cannot see, and nothing shows: present with any hypothesis, they change nothing
        moved = self._visibility(means, evidence)
        base_seen = float(seen[0])
        obs_change = np.zeros(count)
        for f, rows in _runs(self.row_fault, order):
            obs_change[f] = np.max(np.abs(seen[rows] - base_seen))
        obs_change[silent] = np.abs(silent_seen - base_seen)
        invisible = (moved < limits.invisible) & (obs_change < limits.invisible)
        invisible_share = float(np.exp(self.log_share[invisible]).sum())

        # hypotheses: tuples of faults -> list of (log joint, row data)
        joint: dict[tuple[int, ...], float] = {}
        rows_of: dict[tuple[int, ...], tuple[Evidence, int, Array, Array]] = {}
        prior0 = self.number.log_of_visible(0, invisible_share)
        joint[()] = prior0 + healthy_reading + base_seen
        rows_of[()] = (evidence, 0, self.stack[0], self.sd[0])
        prior1 = self.number.log_of_visible(1, invisible_share)
        for f in range(count):
            if invisible[f]:
                continue
            joint[(f,)] = prior1 + self.log_share[f] + by_fault[f]
            row = int(best_row[f]) if self.electrical[f] else 0
            rows_of[(f,)] = (evidence, row, self.stack[row], self.sd[row])
        report(2, 4)

        screened = self._pairs(
            readings, observe, evidence, means, by_fault, best_row, invisible, invisible_share, joint, rows_of
        )
        report(3, 4)
        self._triples(readings, observe, invisible_share, joint, rows_of, evidence, means, invisible)
        other = self._not_listed(evidence, readings, seen, silent_seen, silent)
        report(4, 4)
        return self._sum_up(readings, joint, rows_of, other, invisible, invisible_share, evidence, screened, best_row)

    def _nothing_read(self) -> tuple[Evidence, Array]:
        rows, width = self.stack.shape[0], 0
        empty = np.zeros((rows, width))
        solved = self.solved_rows()
        return (
            Evidence(
                log_evidence=np.where(solved, 0.0, -np.inf),
                shift=np.zeros_like(self.stack),
                fitted=empty,
                residual=empty,
                spread=empty,
                prior_mean=empty,
                wrong=empty,
                tail=np.zeros_like(self.stack),
                slopes=np.zeros((rows, width, self.stack.shape[1])),
            ),
            empty,
        )

    def solved_rows(self) -> NDArray[np.bool_]:
        """Rows with a certified working point."""
        return np.asarray(self.whole.read(self.solved, ()).solved)

    def _signs_where(self, log_reading: Array) -> Any:
        """Signs of every row; a row that the readings rule out is given those of the healthy set."""
        score = log_reading + self.row_log_weight + np.where(self.row_fault >= 0, self.log_share[self.row_fault], 0.0)
        wanted = score > np.max(score) - RULED_OUT
        wanted[0] = True
        rows = np.flatnonzero(wanted)
        place = np.zeros(len(self.stack), dtype=np.intp)
        place[rows] = np.arange(len(rows))
        return self.whole.signs(self.whole.take(self.solved, rows)).take(place)

    def _sign_rows(self, rows: NDArray[np.intp]) -> Any:
        return self.signs.take(rows)

    def _visibility(self, means: Array, evidence: Evidence) -> Array:
        """(F,) how far, in standard deviations, the fault at its worst cell moves any reading."""
        out = np.zeros(len(self.faults))
        if means.shape[1]:
            spread = evidence.spread[0]
            moved = np.max(np.abs(means - means[0]) / spread, axis=1)
            moved = np.where(np.isfinite(moved), moved, np.inf)
            np.maximum.at(out, self.row_fault[1:], moved[1:])
        return out

    def _pairs(
        self,
        readings: ReadingSet,
        observe: ObservationLikelihood | None,
        evidence: Evidence,
        means: Array,
        by_fault: Array,
        best_row: NDArray[np.intp],
        invisible: NDArray[np.bool_],
        invisible_share: float,
        joint: dict[tuple[int, ...], float],
        rows_of: dict[tuple[int, ...], tuple[Evidence, int, Array, Array]],
    ) -> float:
        """Grow pairs from the best singles: all partners screened by adding effects, the best solved.

        Returns the prior probability of pairs that were not screened.
        """
        limits = self.limits
        prior2 = self.number.log_of_visible(2, invisible_share)
        if not np.isfinite(prior2):
            return 0.0
        visible = np.flatnonzero(~invisible)
        score = np.where(invisible, -np.inf, self.log_share + by_fault)
        top = [int(f) for f in np.argsort(-score)[: limits.grown_from] if np.isfinite(score[f])]
        found: list[tuple[Array, int, int, NDArray[np.intp], NDArray[np.intp]]] = []
        silent: dict[tuple[int, ...], float] = {}
        for i in top:
            row_i = int(best_row[i]) if self.electrical[i] else 0
            partner_rows, partner_faults = self._partner_rows(visible, i)
            reading = self._screen(readings, evidence, means, row_i, partner_rows)
            if observe:
                own = self._sign_rows(np.full(len(partner_rows), row_i, dtype=np.intp))
                shown = 1.0 - (1.0 - self.shows[i]) * (1.0 - self.shows[partner_faults])
                seen = observe(own.with_(self._sign_rows(partner_rows)), shown)
            else:
                seen = np.zeros(len(partner_rows))
            weight = self.row_log_weight[row_i] + self.row_log_weight[partner_rows]
            total = prior2 + self.log_share[i] + self.log_share[partner_faults] + weight + reading + seen
            both = self.electrical[partner_faults] & self.electrical[i] & np.isfinite(total)
            found.append((total[both], i, row_i, partner_faults[both], partner_rows[both]))
            # where one of the two changes no voltage, adding effects is exact
            quiet = np.flatnonzero(np.isfinite(total) & ~(self.electrical[partner_faults] & self.electrical[i]))
            for j, at in _runs(partner_faults, quiet[np.argsort(partner_faults[quiet], kind="stable")]):
                key = (min(i, j), max(i, j))
                silent[key] = max(silent.get(key, -np.inf), float(_log_sum(total[at])))
                if key not in rows_of:
                    row = int(partner_rows[at[int(np.argmax(total[at]))]]) if self.electrical[j] else row_i
                    rows_of[key] = (evidence, row, self.stack[row], self.sd[row])
        joint.update(silent)
        chosen = self._best_pairs(found)
        self._solve_combinations(chosen, prior2, readings, observe, joint, rows_of)
        covered = np.exp(self.log_share[top]).sum()
        return float(self.number.count[2] * max(0.0, 1.0 - covered) ** 2) if len(self.number.count) > 2 else 0.0

    def _best_pairs(
        self, found: Sequence[tuple[Array, int, int, NDArray[np.intp], NDArray[np.intp]]]
    ) -> list[tuple[tuple[int, int], ...]]:
        """The combinations of cells worth solving: best first, no pair of faults with more than three."""
        if not found:
            return []
        score = np.concatenate([part[0] for part in found])
        ones = np.concatenate([np.full(len(part[0]), n) for n, part in enumerate(found)])
        others, rows = (np.concatenate([part[n] for part in found]) for n in (3, 4))
        chosen: dict[tuple[tuple[int, int], ...], None] = {}
        per_pair: dict[tuple[int, int], int] = {}
        for at in np.argsort(-score, kind="stable"):
            _, i, row_i, _, _ = found[int(ones[at])]
            j = int(others[at])
            pair = (min(i, j), max(i, j))
            if per_pair.get(pair, 0) >= 3:
                continue
            cell = tuple(sorted(((i, self._cell(row_i)), (j, self._cell(int(rows[at]))))))
            if cell in chosen:
                continue
            chosen[cell] = None
            per_pair[pair] = per_pair.get(pair, 0) + 1
            if len(chosen) >= self.limits.pairs_solved:
                break
        return list(chosen)

    def _triples(
        self,
        readings: ReadingSet,
        observe: ObservationLikelihood | None,
        invisible_share: float,
        joint: dict[tuple[int, ...], float],
        rows_of: dict[tuple[int, ...], tuple[Evidence, int, Array, Array]],
        evidence: Evidence,
        means: Array,
        invisible: NDArray[np.bool_],
    ) -> None:
        """Grow triples from the best pairs with the faults that serve in the best pairs and singles."""
        limits = self.limits
        prior3 = self.number.log_of_visible(3, invisible_share)
        if not np.isfinite(prior3) or not len(readings):
            return
        pairs = sorted(
            (key for key in joint if len(key) == 2 and all(self.electrical[f] for f in key)),
            key=lambda key: -joint[key],
        )[: limits.triples_grown_from]
        pool: dict[int, float] = {}
        for key, value in joint.items():
            for f in key:
                if self.electrical[f]:
                    pool[f] = max(pool.get(f, -np.inf), value)
        partners = sorted(pool, key=lambda f: -pool[f])[: 2 * limits.grown_from]
        best = {f: self._best_row_of(f, evidence) for f in partners}
        candidates: list[tuple[float, tuple[tuple[int, int], ...]]] = []
        for pair in pairs:
            base_evidence, base_row, _, _ = rows_of[pair]
            cells = self._cells_of_row(pair, base_evidence, base_row)
            if cells is None:
                continue
            others = [f for f in partners if f not in pair and not any(self._conflict(f, g) for g in pair)]
            if not others:
                continue
            rows = np.array([best[f] for f in others], dtype=np.intp)
            effect = means[rows] - means[0]
            left = base_evidence.residual[base_row] - effect
            spread = np.sqrt(readings.sd**2 + (0.5 * base_evidence.spread[base_row]) ** 2)
            gain = -0.5 * np.minimum((left / spread) ** 2, 9.0).sum(axis=1)
            for f, g in zip(others, gain, strict=True):
                combination = tuple(sorted([*cells, (f, self._cell(best[f]))]))
                candidates.append((joint[pair] + float(self.log_share[f]) + float(g), combination))
        candidates.sort(key=lambda item: -item[0])
        chosen: list[tuple[tuple[int, int], ...]] = []
        for _, combination in candidates:
            if combination not in chosen:
                chosen.append(combination)
            if len(chosen) >= limits.triples_solved:
                break
        self._solve_combinations(chosen, prior3, readings, observe, joint, rows_of)

    def _solve_combinations(
        self,
        chosen: Sequence[tuple[tuple[int, int], ...]],
        log_prior: float,
        readings: ReadingSet,
        observe: ObservationLikelihood | None,
        joint: dict[tuple[int, ...], float],
        rows_of: dict[tuple[int, ...], tuple[Evidence, int, Array, Array]],
    ) -> None:
        if not chosen:
            return
        cells = combine_cells(chosen, self.faults, self.medians, self.background.sd, self.slots)
        singles = np.array([[self._row_of[member] for member in combination] for combination in chosen])
        solved = self.whole.solve(cells.medians, self.whole.added_up(self.solved, singles), effort="brisk")
        share = self.log_share[cells.faults].sum(axis=1)
        if len(readings):
            evidence = self._integrate(
                readings,
                cells.medians,
                cells.sd,
                min(2, self.limits.iterations),
                solved,
                self.whole.read(solved, readings.questions),
                share + cells.log_weight,
            )
            log_reading = evidence.log_evidence
        else:
            evidence = None
            log_reading = np.where(self.whole.read(solved, ()).solved, 0.0, -np.inf)
        if observe:
            signs = self.whole.signs(solved)
            seen = observe(signs, 1.0 - np.prod(1.0 - self.shows[cells.faults], axis=1))
        else:
            seen = np.zeros(len(cells))
        total = log_prior + share + cells.log_weight + log_reading + seen
        gathered: dict[tuple[int, ...], list[int]] = {}
        for row, members in enumerate(cells.faults.tolist()):
            gathered.setdefault(tuple(sorted(members)), []).append(row)
        for key, rows in gathered.items():
            value = float(_log_sum(total[rows]))
            if not np.isfinite(value):
                continue
            joint[key] = value
            best = rows[int(np.argmax(total[rows]))]
            if evidence is None:
                # nothing was read: the healthy row's empty evidence serves for all
                rows_of[key] = (rows_of[()][0], 0, cells.medians[best], cells.sd[best])
            else:
                rows_of[key] = (evidence, best, cells.medians[best], cells.sd[best])
                self._combination_cells[(id(evidence), best)] = tuple(
                    (int(f), int(s)) for f, s in zip(cells.faults[best], cells.severities[best], strict=True)
                )

    # -- small things -----------------------------------------------------------------------------------------

    @property
    def _combination_cells(self) -> dict[tuple[int, int], tuple[tuple[int, int], ...]]:
        store = self.__dict__.get("_cells_store")
        if store is None:
            store = self.__dict__["_cells_store"] = {}
        return store

    def _cells_of_row(self, key: tuple[int, ...], evidence: Evidence, row: int) -> tuple[tuple[int, int], ...] | None:
        return self._combination_cells.get((id(evidence), row))

    def _cell(self, row: int) -> int:
        return int(self.cells.severities[row - 1, 0])

    def _best_row_of(self, fault: int, evidence: Evidence) -> int:
        rows = np.flatnonzero(self.row_fault == fault)
        return int(rows[int(np.argmax(evidence.log_evidence[rows] + self.row_log_weight[rows]))])

    def _conflict(self, i: int, j: int) -> bool:
        """Two modes of one part that change the same slot cannot both be."""
        if self.faults[i].part != self.faults[j].part:
            return False
        touched = [{(c.part, c.what) for s in self.faults[f].severities for c in s.changes} for f in (i, j)]
        return bool(touched[0] & touched[1]) or i == j

    def _partner_rows(self, visible: NDArray[np.intp], i: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        allowed = np.zeros(len(self.faults), dtype=bool)
        allowed[visible] = True
        for j in visible:
            if self._conflict(i, int(j)):
                allowed[j] = False
        rows = np.flatnonzero((self.row_fault >= 0) & allowed[self.row_fault])
        quiet = np.flatnonzero(allowed & ~self.electrical)
        return (
            np.concatenate([rows, np.zeros(len(quiet), dtype=np.intp)]),
            np.concatenate([self.row_fault[rows], quiet]),
        )

    def _screen(
        self,
        readings: ReadingSet,
        evidence: Evidence,
        means: Array,
        row: int,
        partners: NDArray[np.intp],
    ) -> Array:
        """Log density of the readings under row and partner together, effects added (a screen, not evidence)."""
        if not len(readings):
            return np.zeros(len(partners))
        slopes = evidence.slopes[row]
        sd = self.sd[row]
        weighted = weighted_slopes(slopes[None], sd[None] ** 2, self._spread_of(sd[None]))[0]
        covariance = weighted @ slopes.T + np.diag(readings.sd**2)
        factor = np.linalg.cholesky(covariance)
        effect = means[partners] - means[0]
        innovation = (evidence.residual[row] + slopes @ evidence.shift[row])[None, :] - effect
        white = np.linalg.solve(factor, innovation.T)
        log_det = 2.0 * np.log(np.diag(factor)).sum()
        # each whitened reading may be wrong: its surprise is capped
        capped = np.minimum(white**2, 12.0).sum(axis=0)
        out = -0.5 * (capped + log_det + len(readings) * np.log(2.0 * np.pi))
        same = partners == 0
        out[same] = evidence.log_evidence[row]
        return np.where(np.isfinite(effect).all(axis=1), out, -np.inf)

    def _not_listed(
        self,
        evidence: Evidence,
        readings: ReadingSet,
        seen: Array,
        silent_seen: Array,
        silent: NDArray[np.intp],
    ) -> float:
        """Log joint probability of the readings and observations with a fault that is not in the list.

        Such a fault may leave every reading as it was, or move some of them anywhere between the extremes that
        listed faults reach; it may show anything that listed faults show.
        """
        if self.number.not_listed <= 0.0:
            return -np.inf
        if len(readings):
            spread = evidence.spread[0]
            away = readings.values - evidence.prior_mean[0]
            near = -0.5 * (away / spread) ** 2 - np.log(spread) - 0.5 * np.log(2 * np.pi)
            wide_sd = np.maximum(readings.wrong_sd, 3.0 * spread)
            wide = -0.5 * (away / wide_sd) ** 2 - np.log(wide_sd) - 0.5 * np.log(2 * np.pi)
            moved = np.logaddexp(np.log(0.6) + near, np.log(0.4) + wide).sum()
            reading = float(np.logaddexp(np.log(0.35) + evidence.log_evidence[0], np.log(0.65) + moved))
        else:
            reading = 0.0
        share = np.where(self.row_fault >= 0, self.log_share[self.row_fault], -np.inf) + self.row_log_weight
        pool = np.concatenate([share + seen, self.log_share[silent] + silent_seen])
        return float(np.log(self.number.not_listed) + reading + _log_sum(pool))

    def _sum_up(
        self,
        readings: ReadingSet,
        joint: dict[tuple[int, ...], float],
        rows_of: dict[tuple[int, ...], tuple[Evidence, int, Array, Array]],
        other: float,
        invisible: NDArray[np.bool_],
        invisible_share: float,
        evidence: Evidence,
        not_searched: float,
        best_row: NDArray[np.intp],
    ) -> Diagnosis:
        keys = [key for key, value in joint.items() if np.isfinite(value)]
        values = np.array([joint[key] for key in keys] + [other])
        total = float(_log_sum(values))
        if not np.isfinite(total):
            raise NotSolved("no explanation of these readings has a certified working point")
        probability = np.exp(values - total)
        marginal = np.zeros(len(self.faults))
        share = np.exp(self.log_share)
        hidden = 0.0
        healthy = 0.0
        for key, p in zip(keys, probability[:-1], strict=True):
            for f in key:
                marginal[f] += p
            expected = self.number.expected_invisible(len(key), invisible_share)
            hidden += p * expected
            if key == ():
                none = self.number.count[0]
                any_ = np.exp(self.number.log_of_visible(0, invisible_share))
                healthy = p * none / any_ if any_ > 0 else 0.0
        if invisible_share > 0.0:
            marginal[invisible] += hidden * share[invisible] / invisible_share
        marginal = np.minimum(marginal, 1.0)

        hypotheses = []
        order = np.argsort(-probability[:-1])
        for at in order[:60]:
            key = keys[int(at)]
            source, row, medians, sd = rows_of[key]
            hypotheses.append(
                Hypothesis(
                    faults=key,
                    probability=float(probability[at]),
                    medians=medians,
                    sd=sd,
                    shift=source.shift[row],
                    fitted=source.fitted[row],
                    prior_mean=source.prior_mean[row],
                    wrong=source.wrong[row],
                )
            )
        weights = np.array([h.probability for h in hypotheses])
        doubtful = (
            (np.array([h.wrong for h in hypotheses]) * weights[:, None]).sum(axis=0) / max(weights.sum(), 1e-300)
            if len(readings) and hypotheses
            else np.zeros(len(readings))
        )
        suspects = self._suspects(readings, marginal, hypotheses, evidence, best_row)
        return Diagnosis(
            healthy_probability=float(healthy),
            not_listed_probability=float(probability[-1]),
            suspects=suspects,
            hypotheses=tuple(hypotheses),
            doubtful=doubtful,
            normal=evidence.prior_mean[0] if len(readings) else np.zeros(0),
            normal_sd=evidence.spread[0] if len(readings) else np.zeros(0),
            not_searched=not_searched,
            log_evidence=total,
            readings=readings,
            fault_probability=marginal,
        )

    def _suspects(
        self,
        readings: ReadingSet,
        marginal: Array,
        hypotheses: Sequence[Hypothesis],
        evidence: Evidence,
        best_row: NDArray[np.intp],
        most: int = 60,
    ) -> tuple[Suspect, ...]:
        order = np.argsort(-marginal, kind="stable")[:most]
        groups = self._groups([int(f) for f in order[:30]], best_row)
        out = []
        for f in (int(x) for x in order):
            carrier = next((h for h in hypotheses if f in h.faults), None)
            row = int(best_row[f]) if self.electrical[f] else 0
            single = next((h for h in hypotheses if h.faults == (f,)), None)
            shown = single or carrier
            fitted = shown.fitted if shown else evidence.fitted[row]
            explains: list[int] = []
            leaves: list[int] = []
            if len(readings):
                spread = evidence.spread[0]
                odd = np.abs(readings.values - evidence.prior_mean[0]) > 2.0 * spread
                alone = evidence.fitted[row]
                tolerance = np.maximum(2.0 * readings.sd, 0.5 * spread)
                explained = np.abs(readings.values - alone) <= tolerance
                # drift may fit a reading as well; explained is what the fault itself moves towards it
                nearer = np.abs(readings.values - evidence.prior_mean[row])
                own = nearer < _OWN_SHARE * np.abs(readings.values - evidence.prior_mean[0])
                explains = [int(k) for k in np.flatnonzero(odd & explained & own)]
                leaves = [int(k) for k in np.flatnonzero(~explained & (odd | ~explained))]
            estimate, unit = self._estimate(f, carrier, evidence, row)
            out.append(
                Suspect(
                    fault=self.faults[f],
                    probability=float(marginal[f]),
                    estimate=estimate,
                    unit=unit,
                    group=groups.get(f),
                    explains=tuple(explains),
                    leaves=tuple(leaves),
                    would_read=tuple(float(v) for v in fitted),
                )
            )
        return tuple(out)

    def _estimate(self, f: int, carrier: Hypothesis | None, evidence: Evidence, row: int) -> tuple[float | None, str]:
        """Likeliest severity, in the unit the fault states it in."""
        fault = self.faults[f]
        if row == 0 or not self.electrical[f]:
            return None, ""
        severity = fault.severities[self._cell(row)]
        if severity.estimate is None or not severity.changes:
            return None, ""
        at = self.slots.get((severity.changes[0].part, severity.changes[0].what))
        if at is None:
            return severity.estimate, severity.unit
        if carrier is not None:
            slot = carrier.medians[at] * np.exp(carrier.shift[at])
            middle = carrier.medians[at]
        else:
            middle = self.stack[row, at]
            slot = middle * np.exp(evidence.shift[row, at])
        if middle <= 0.0 or slot <= 0.0:
            return severity.estimate, severity.unit
        reference = self.stack[row, at]
        # a leak is stated in ohms but held in siemens: the estimate goes the other way
        inverse = severity.unit == "Ω" and severity.changes[0].what.endswith("siemens")
        ratio = (slot / reference) ** (-1.0 if inverse else 1.0)
        return float(severity.estimate * ratio), severity.unit

    def _groups(self, members: Sequence[int], best_row: NDArray[np.intp]) -> dict[int, int]:
        """Faults that no reading of this set could tell apart share a group number."""
        rows = np.array([best_row[f] for f in members if self.electrical[f]], dtype=np.intp)
        named = [f for f in members if self.electrical[f]]
        out: dict[int, int] = {}
        number = 0
        if len(rows):
            apart = self.whole.same_everywhere(self.solved, rows)
            for a, b in combinations(range(len(named)), 2):
                if apart[a, b] < 1.0:
                    group = out.get(named[a]) or out.get(named[b])
                    if group is None:
                        number += 1
                        group = number
                    out[named[a]] = out[named[b]] = group
        quiet: dict[tuple[tuple[str, float], ...], list[int]] = {}
        for f in members:
            if not self.electrical[f]:
                quiet.setdefault(tuple(sorted(self.faults[f].shows.items())), []).append(f)
        for alike in quiet.values():
            if len(alike) > 1:
                number += 1
                for f in alike:
                    out[f] = number
        return out


def _runs(labels: NDArray[np.intp], order: NDArray[np.intp]) -> list[tuple[int, NDArray[np.intp]]]:
    """(label, rows) for rows sorted by label."""
    if not len(order):
        return []
    sorted_labels = labels[order]
    cuts = np.flatnonzero(np.diff(sorted_labels)) + 1
    return [(int(labels[block[0]]), block) for block in np.split(order, cuts)]
