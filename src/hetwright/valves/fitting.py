"""Fit the constants of the valve law to published rows.

Run as ``python -m hetwright.valves.fitting [TYPE ...]``; it writes ``trade/laws/*.toml``, one file for each type
that has its own electrode system, with the residual of every row. A type with one row still gets a sensible
law, because every constant starts from what is expected of its kind (``trade/law_priors.toml``), and then from
what the *other* types of that kind turned out to be. A row is fitted at its own working point: where it states
a cathode or feed resistor instead of electrode volts, those volts are solved for.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cache

import numpy as np
from scipy.optimize import least_squares

from hetwright.errors import InputFault
from hetwright.valves import catalogue
from hetwright.valves.comparison import TINY, Fit, Outcome, Trial, lay_out, outcomes_of, predict
from hetwright.valves.electrode_systems import Group, groups
from hetwright.valves.law import CONSTANTS, SHAPES, ValveState, loop_gain
from hetwright.valves.law_files import LAWS, write_laws
from hetwright.valves.law_terms import Array
from hetwright.valves.priors import Prior, kind_facts, prior_facts, priors_of
from hetwright.valves.rectifying import fit_diode
from hetwright.valves.working_point import Builder, working_points

__all__ = ["first_pass", "fit_all", "fit_group", "left_out", "main", "priors_for"]


def _reference_amps(group: Group) -> float:
    for row in group.rows:
        if row.kind in ("working", "converter", "oscillator", "static") and "anode_amps" in row.figures:
            total = row.figures["anode_amps"] + row.figures.get("screen_amps", 0.0)
            total += row.figures.get("oscillator_anode_amps", 0.0) if group.shape == "pentagrid" else 0.0
            return total
    return float(kind_facts(group.kind)["reference_amps"])


def _start(group: Group, priors: Mapping[str, Prior], trial: Trial, fixed: Mapping[str, float]) -> dict[str, Prior]:
    """Return the priors with a centre for mu and perveance taken from the rows themselves."""
    made = dict(priors)
    stated: list[float] = []
    key = "mu_screen" if group.shape in ("pentode", "hexode") else "mu"
    for row in group.rows:
        get = row.figures.get
        if key in row.figures and (key == "mu_screen" or not row.triode_connected or group.shape == "converter"):
            stated.append(row.figures[key])
        elif key == "mu" and get("gm_siemens") and get("ra_ohms") and group.shape in ("triode", "oscillator"):
            stated.append(row.figures["gm_siemens"] * row.figures["ra_ohms"])
        elif key == "mu_screen" and row.triode_connected and "mu" in row.figures:
            stated.append(row.figures["mu"])
    if stated:
        made["mu"] = replace(made["mu"], centre=1.05 * float(np.median(stated)))
    mu = made["mu"].centre
    pull = next(
        (c for c in (e for e in ("oscillator_anode", "screen", "anode")) if c in SHAPES[group.shape]), "anode"
    )
    where = SHAPES[group.shape].index(pull)
    drive = float(np.median(trial.bench.volts[:, where])) / mu if len(trial.bench.volts) else 0.0
    contact = made["contact_volts"]
    made["contact_volts"] = replace(contact, spread=math.hypot(contact.spread, contact.with_drive * drive))
    anodes = [o for o in trial.observed if o.what.startswith(("anode", "gm")) and o.row >= 0]
    if anodes:
        constants = {name: np.array([prior.centre]) for name, prior in made.items()}
        constants.update({name: np.array([value]) for name, value in fixed.items()})
        ratios = []
        for _ in range(3):
            guess = predict(trial, constants)[:, 0]
            ratios = [
                math.log(o.value / max(guess[i], TINY))
                for i, o in enumerate(trial.observed)
                if o.what.startswith(("anode", "gm")) and o.row >= 0
            ]
            factor = math.exp(float(np.clip(np.median(ratios), -4.0, 4.0)))
            constants["perveance"] = constants["perveance"] * factor
        made["perveance"] = replace(made["perveance"], centre=float(constants["perveance"][0]))
    return made


def fit_group(
    group: Group,
    priors: Mapping[str, Prior],
    *,
    swing: Mapping[float, float] | None = None,
    without: int | None = None,
) -> Fit:
    """Fit the constants of one group of sections.

    Parameters
    ----------
    group : Group
    priors : mapping of str to Prior
        What is expected of each constant.
    swing : mapping of float to float, optional
        Peak oscillator volts for each mean injection grid volts, for hexodes.
    without : int, optional
        Index of a row that is to take no part.

    Returns
    -------
    Fit
        Status "fitted", or "typical of its kind" where no row can be used.
    """
    trial = lay_out(group, swing, without)
    facts = kind_facts(group.kind)
    fixed = {"reference_amps": _reference_amps(group)}
    if "target_amps" in facts:
        fixed["target_amps"] = float(facts["target_amps"])
    if not any(o.row >= 0 for o in trial.observed):
        constants = {name: prior.centre for name, prior in priors.items()} | fixed
        return Fit(group, constants, "typical of its kind", left=trial.left)
    priors = _start(group, priors, trial, fixed)
    free = [name for name, prior in priors.items() if prior.free]
    middle = np.array([priors[name].middle for name in free])
    spread = np.array([priors[name].spread for name in free])
    sigma = np.array([o.sigma for o in trial.observed])
    target = np.log([o.value for o in trial.observed])
    step = 1e-4

    def constants_of(x: Array) -> dict[str, Array]:
        made = {name: priors[name].outward(x[:, i]) for i, name in enumerate(free)}
        for name, prior in priors.items():
            if name not in made:
                made[name] = np.full(len(x), prior.centre)
        for name, value in fixed.items():
            made[name] = np.full(len(x), value)
        return made

    def misfit(x: Array) -> Array:
        """Columns of robust residuals, one for each row of x."""
        predicted = np.log(np.maximum(predict(trial, constants_of(x)), TINY))
        r = np.clip((predicted - target[:, None]) / sigma[:, None], -1e3, 1e3)
        # between square and absolute value, so that one contradicting row does not bend the rest
        r = np.sign(r) * np.sqrt(2.0 * (np.sqrt(1.0 + r * r / 4.0) - 1.0) * 4.0)
        result: Array = np.vstack([r, (x - middle).T / spread[:, None]])
        return result

    def value(x: Array) -> Array:
        result: Array = misfit(x[None, :])[:, 0]
        return result

    def slope(x: Array) -> Array:
        points = np.vstack([x, x + step * np.diag(spread)])
        columns = misfit(points)
        result: Array = (columns[:, 1:] - columns[:, :1]) / (step * spread)
        return result

    level = [i for i, o in enumerate(trial.observed) if o.what.startswith(("anode", "gm", "target")) and o.row >= 0]

    def shortfall(x: Array) -> Array:
        if not level:
            return np.zeros(len(x))
        predicted = np.log(np.maximum(predict(trial, constants_of(x)), TINY))
        result: Array = np.median(target[level, None] - predicted[level], axis=0)
        return result

    start = _best_start(free, middle, shortfall, misfit)
    found = least_squares(value, start, jac=slope, x_scale=spread, xtol=1e-7, ftol=1e-7, max_nfev=200)
    constants = {name: float(column[0]) for name, column in constants_of(found.x[None, :]).items()}
    whole = trial if without is None else lay_out(group, swing)
    fit = Fit(
        group,
        constants,
        "fitted",
        outcomes=outcomes_of(whole, constants),
        left=whole.left,
        moved=dict(zip(free, found.x.tolist(), strict=True)),
    )
    return _close_loop(fit)


def _best_start(
    free: Sequence[str],
    middle: Array,
    shortfall: Callable[[Array], Array],
    misfit: Callable[[Array], Array],
) -> Array:
    """Return the best of some spread-out starts: far below cut-off there is no slope to follow.

    Each start moves mu and the tails off the middle of the priors; ``shortfall`` gives the logarithm of
    published over law current for each, which sets its perveance.
    """
    tails = [name for name in free if name.endswith("tail_mu_ratio") or name.endswith("remote_mu_ratio")]
    starts = []
    for mu in (0.0, -0.25, -0.5, -0.8, -1.2, 0.25):
        for tail in (0.0, -0.7, -1.5):
            x = middle.copy()
            for i, name in enumerate(free):
                if name == "mu":
                    x[i] += mu
                elif name in tails:
                    x[i] += tail
            starts.append(x)
    points = np.array(starts)
    for _ in range(2):
        points[:, free.index("perveance")] += np.clip(shortfall(points), -3.0, 3.0)
    cost = (misfit(points) ** 2).sum(axis=0)
    best: Array = points[int(np.argmin(cost))]
    return best


def _close_loop(fit: Fit) -> Fit:
    """Set ``loop_ohms`` so that the published oscillator grid currents are those of loop gain one."""
    group = fit.group
    if "loop_ohms" not in CONSTANTS[group.shape]:
        return fit
    trial = lay_out(group, None)
    swung = np.flatnonzero(np.isfinite(trial.bench.grid_amps))
    if not swung.size:
        return fit
    constants = {name: np.array([value]) for name, value in fit.constants.items()}
    volts, _ = working_points(trial.bench, constants)
    gain = loop_gain(group.shape, constants, volts, ValveState.book(volts.shape[:2]))[swung, 0]
    ohms = fit.constants["loop_ohms"] * math.exp(-float(np.mean(np.log(gain))))
    return replace(fit, constants={**fit.constants, "loop_ohms": ohms})


def _sharpen(priors: Mapping[str, Prior], others: Sequence[Fit]) -> dict[str, Prior]:
    """Return the priors with what the other types of the kind turned out to be."""
    trust = float(prior_facts()["hierarchy"]["prior_counts_as"])
    floor = float(prior_facts()["hierarchy"]["least_spread"])
    made = dict(priors)
    for name, prior in priors.items():
        if not prior.free or name in ("perveance", "mu"):
            continue
        seen = np.array([fit.moved[name] for fit in others if name in fit.moved])
        n = seen.size
        if n < 3:
            continue
        middle = float(np.median(seen))
        scatter = 1.4826 * float(np.median(np.abs(seen - middle)))
        centre = (n * middle + trust * prior.middle) / (n + trust)
        variance = (n * scatter**2 + trust * prior.spread**2) / (n + trust)
        spread = min(max(math.sqrt(variance), floor * prior.spread), prior.spread)
        outward = float(prior.outward(np.array([centre]))[0])
        made[name] = replace(prior, centre=outward, spread=spread)
    return made


def _swing_of(group: Group, oscillators: Mapping[tuple[str, str], Fit]) -> dict[float, float] | None:
    """Return the oscillator's swing at each injection volts of a mixer's rows."""
    fit = oscillators.get(group.partner)
    if fit is None:
        return None
    assumed = float(prior_facts()["oscillator"]["assumed_anode_volts"])
    row = next((row for row in fit.group.rows if row.kind == "oscillator" and "anode_amps" in row.figures), None)
    constants = {name: np.array([value]) for name, value in fit.constants.items()}
    found: dict[float, float] = {}
    rows = list(group.rows) + [row for _, rows in group.remote for row in rows]
    for mixer in rows:
        leak, amps = mixer.get("oscillator_grid_leak_ohms"), mixer.get("oscillator_grid_amps")
        if leak is None or amps is None or -leak * amps in found:
            continue
        builder = Builder("oscillator")
        fixed = {"grid": -leak * amps, "anode": mixer.figures.get("oscillator_anode_volts", assumed)}
        fed: dict[str, tuple[float, float]] = {}
        if row is not None and "oscillator_anode_volts" not in mixer.figures:
            if "anode_volts" in row.figures:
                fixed["anode"] = row.figures["anode_volts"]
            else:
                fed["anode"] = (row.figures["supply_volts"], row.figures["anode_resistor_ohms"])
        builder.add(0, fixed, fed, 0.0, amps)
        volts, _ = working_points(builder.bench(), constants)
        found[fixed["grid"]] = float(volts[0, 0, 1])
    return found


def fit_all(only: Iterable[str] = ()) -> tuple[Fit, ...]:
    """Fit every electrode system of the catalogue, or those of the types named.

    Every type takes part in what is expected of its kind, but never in what is expected of itself.

    Raises
    ------
    UnknownValve
        If a type named is not in the catalogue.
    """
    wanted = {section.law_of[0] for name in only for section in catalogue.find(name).sections}
    first = first_pass()
    fits = []
    done: dict[tuple[str, str], Fit] = {}
    order = sorted(groups(), key=lambda group: group.shape == "hexode")
    for group in order:
        if wanted and group.owner not in wanted:
            continue
        if group.shape == "diode":
            fit = fit_diode(group)
        else:
            fit = fit_group(group, priors_for(group, first), swing=_swing_of(group, {**first, **done}))
        done[group.owner, group.sections[0]] = fit
        fits.append(fit)
    return tuple(_typical(fit, first) for fit in fits)


@cache
def first_pass() -> dict[tuple[str, str], Fit]:
    """Return fits from the priors alone, which tell what a kind is like."""
    made: dict[tuple[str, str], Fit] = {}
    for group in sorted(groups(), key=lambda group: group.shape == "hexode"):
        if group.shape != "diode":
            made[group.owner, group.sections[0]] = fit_group(
                group, priors_of(group.kind), swing=_swing_of(group, made)
            )
    return made


def priors_for(group: Group, first: Mapping[tuple[str, str], Fit]) -> dict[str, Prior]:
    """Priors of a group: those of its kind, drawn towards what the other fitted types of the kind turned out to be."""
    others = [
        fit
        for (owner, _), fit in first.items()
        if fit.group.kind == group.kind and owner != group.owner and fit.status == "fitted"
    ]
    return _sharpen(priors_of(group.kind), others)


def _typical(fit: Fit, first: Mapping[tuple[str, str], Fit]) -> Fit:
    """Give a type without usable rows the median perveance, mu and currents of its kind."""
    if fit.status != "typical of its kind":
        return fit
    others = [other for other in first.values() if other.group.kind == fit.group.kind and other.status == "fitted"]
    if not others:
        return fit
    scaled = ("perveance", "mu", "reference_amps", "target_perveance", "loop_ohms")
    medians = {
        name: math.exp(float(np.median([math.log(other.constants[name]) for other in others])))
        for name in scaled
        if name in fit.constants
    }
    return replace(fit, constants={**fit.constants, **medians})


def left_out() -> tuple[Outcome, ...]:
    """Return the anode current of each row from a fit without it, for systems of three rows or more.

    Priors of the kind are those of the other types; the row itself takes no part anywhere.
    """
    first = first_pass()
    made = []
    for group in groups():
        if group.shape == "diode":
            continue
        trial = lay_out(group, None)
        rows = sorted({o.row for o in trial.observed if o.row >= 0 and o.what.startswith("anode")})
        if len(rows) < 3:
            continue
        priors = priors_for(group, first)
        swing = _swing_of(group, first)
        for row in rows:
            fit = fit_group(group, priors, swing=swing, without=row)
            made += [o for o in fit.outcomes if o.row == row and o.what.startswith("anode")]
    return tuple(made)


def main(arguments: Sequence[str] | None = None) -> int:
    """Fit and write; names of types restrict it. Returns the exit status."""
    names = list(sys.argv[1:] if arguments is None else arguments)
    try:
        fits = fit_all(names)
    except InputFault as fault:
        print(fault, file=sys.stderr)
        return 2
    files = write_laws(fits)
    if not names:
        for stale in set(LAWS.glob("*.toml")) - set(files):
            stale.unlink()
    errors = [abs(o.error) for fit in fits for o in fit.outcomes if o.what.startswith("anode")]
    if errors:
        print(
            f"{len(files)} files, {len(errors)} anode currents: median error {np.median(errors):.1%}, "
            f"95th percentile {np.percentile(errors, 95):.1%}"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
