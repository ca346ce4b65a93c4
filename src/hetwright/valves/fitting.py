"""Fit the constants of the valve law to published rows.

Run as ``python -m hetwright.valves.fitting [TYPE ...]``; it writes ``trade/laws/*.toml``, one file for each type
that has its own electrode system, with the residual of every row. A type with one row still gets a sensible
law, because every constant starts from what is expected of its kind (``trade/law_priors.toml``), and then from
what the *other* types of that kind turned out to be. A row is fitted at its own working point: where it states
a cathode or feed resistor instead of electrode volts, those volts are solved for.
"""

from __future__ import annotations

import math
import re
import sys
import tomllib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from hetwright.errors import InputFault, NotSolved
from hetwright.valves import catalogue
from hetwright.valves.law import CONSTANTS, SHAPES, Currents, ValveState, conversion_slope, currents, loop_gain
from hetwright.valves.valve_type import Row, Section, ValveType

__all__ = [
    "Bench",
    "Fit",
    "Group",
    "Outcome",
    "Prior",
    "fit_all",
    "fit_group",
    "groups",
    "left_out",
    "working_points",
    "write_laws",
]

Array = NDArray[np.float64]
TRADE = Path(__file__).resolve().parent.parent / "trade"
LAWS = TRADE / "laws"

_CUTOFF_AMPS = 1e-5  # catalogue: cutoff_grid_volts is for about 10 microamps
_FITTED_ROWS = ("working", "static", "triode connected", "push-pull", "converter", "oscillator", "indicator")


# ---------------------------------------------------------------------------------------------------
# priors


@dataclass(frozen=True, slots=True)
class Prior:
    """What is expected of one constant: ``centre`` and ``spread`` on its scale (log, share or plain)."""

    centre: float
    spread: float
    scale: str
    with_drive: float = 0.0

    @property
    def free(self) -> bool:
        """Whether the fit may move it."""
        return self.spread > 0.0

    def inward(self, value: float) -> float:
        """Constant -> number the fit moves."""
        if self.scale == "log":
            return math.log(value)
        if self.scale == "share":
            return math.log(value / (1.0 - value))
        return value

    def outward(self, x: Array) -> Array:
        """Numbers the fit moves -> constants."""
        if self.scale == "log":
            return np.exp(np.clip(x, -60.0, 60.0))
        if self.scale == "share":
            return 1.0 / (1.0 + np.exp(-np.clip(x, -60.0, 60.0)))
        return x

    @property
    def middle(self) -> float:
        """The centre as the fit sees it."""
        return self.inward(self.centre)


@cache
def _facts() -> Mapping[str, Any]:
    return tomllib.loads((TRADE / "law_priors.toml").read_text(encoding="utf-8"))


def _kind_facts(kind: str) -> Mapping[str, Any]:
    facts: Mapping[str, Any] = _facts()["kind"][kind]
    return facts


def priors_of(kind: str) -> dict[str, Prior]:
    """Return the prior of each constant of a kind of section, reference amps left out."""
    facts = _kind_facts(kind)
    merged = {**_facts()["shape"][facts["shape"]], **facts}
    return {
        name: Prior(**merged[name])
        for name in CONSTANTS[facts["shape"]]
        if name not in ("reference_amps", "target_amps") and name in merged
    }


# ---------------------------------------------------------------------------------------------------
# what there is to fit


@dataclass(frozen=True)
class Group:
    """Sections, of one or more types, that share one electrode system and so one law."""

    owner: str
    sections: tuple[str, ...]
    kind: str
    shape: str
    section: Section
    rows: tuple[Row, ...]
    remote: tuple[tuple[Mapping[str, Any], tuple[Row, ...]], ...] = ()
    directly_heated: bool = False
    members: tuple[str, ...] = ()
    partner: tuple[str, str] = ("", "")  # the law of the oscillator triode that swings a hexode's injection grid

    @property
    def name(self) -> str:
        """Owner and sections, for people."""
        return f"{self.owner} {'/'.join(self.sections)}"


def _kind_of(valve: ValveType, section: Section, rows: Sequence[Row]) -> str:
    if section.kind == "pentode":
        watts = float(section.limits.get("anode_watts", 0.0))
        amps = max((row.figures.get("anode_amps", 0.0) for row in rows), default=0.0)
        return "output pentode" if watts >= 5.0 or amps > 0.016 or "output" in valve.duty else "small pentode"
    if section.kind == "heptode":
        return "converter" if section.shape == "converter" else "heptode mixer"
    if section.kind == "triode" and section.shape == "oscillator":
        return "oscillator triode"
    if section.kind == "rectifier":
        heated = valve.heater is not None and valve.heater.directly_heated
        return "directly heated rectifier" if heated else "indirectly heated rectifier"
    if section.kind == "diode":
        # a discriminator diode is rated for several times the current of a detector diode
        return "discriminator diode" if section.limits.get("anode_amps", 0.0) > 2e-3 else "detector diode"
    return section.kind


def _same(row: Row, other: Row) -> bool:
    keys = ("anode_volts", "screen_volts", "grid_volts", "cathode_resistor_ohms", "supply_volts", "anode_amps")
    return (
        all(row.get(key) == other.get(key) for key in keys)
        and row.kind == other.kind
        and row.filament == other.filament
    )


def _swung(rows: Iterable[Row]) -> bool:
    return any("oscillator_grid_amps" in row.figures for row in rows)


def _oscillator_rows(found: Iterable[tuple[ValveType, Section]]) -> Iterator[Row]:
    """Yield what the mixer's rows say of the oscillator triode beside it."""
    assumed = float(_facts()["oscillator"]["assumed_anode_volts"])
    seen: list[Mapping[str, float]] = []
    for valve, section in found:
        for row in valve.rows:
            if (
                row.section == section.name
                or row.published_for
                or section.like
                or "oscillator_grid_amps" not in row.figures
            ):
                continue
            figures = {
                "oscillator_grid_leak_ohms": row.figures["oscillator_grid_leak_ohms"],
                "oscillator_grid_amps": row.figures["oscillator_grid_amps"],
            }
            supplied = "oscillator_anode_supply_volts" in row.figures
            if supplied:
                figures["supply_volts"] = row.figures["oscillator_anode_supply_volts"]
                figures["anode_resistor_ohms"] = row.figures["oscillator_anode_resistor_ohms"]
            else:
                figures["anode_volts"] = row.figures.get("oscillator_anode_volts", assumed)
            stated = supplied or "oscillator_anode_volts" in row.figures
            if stated and "oscillator_anode_amps" in row.figures:
                figures["anode_amps"] = row.figures["oscillator_anode_amps"]
            if figures not in seen:
                seen.append(figures)
                note = "" if stated else "anode volts assumed"
                yield replace(
                    row, section=section.name, kind="oscillator", figures=figures, use="of the mixer's row", note=note
                )


@cache
def groups() -> tuple[Group, ...]:
    """Return every electrode system of the catalogue with its distinct published rows."""
    members: dict[tuple[str, str], list[tuple[ValveType, Section]]] = defaultdict(list)
    for name in catalogue.types():
        valve = catalogue.find(name)
        for section in valve.sections:
            if section.shape is None:
                continue
            owner, served_by = section.law_of
            # two like sections of one valve share a law, the diodes of a detector valve need not
            stem = served_by if section.kind == "diode" else re.sub(r"_\d+$", "", served_by)
            members[owner, stem].append((valve, section))
    made = []
    for (owner, _), found in members.items():
        own = [(valve, section) for valve, section in found if valve.name == owner] or found
        rows: list[Row] = []
        for valve, section in own + [pair for pair in found if pair not in own]:
            for row in valve.rows_of(section.name):
                if not row.published_for and not any(_same(row, other) for other in rows):
                    rows.append(row)
        remote: list[tuple[Mapping[str, Any], tuple[Row, ...]]] = []
        for valve, section in found:
            cutoff = section.remote_cutoff
            if cutoff and not section.like and not any(cutoff == other for other, _ in remote):
                remote.append((cutoff, valve.rows_of(section.name)))
        if own[0][1].shape == "oscillator":
            rows += [row for row in _oscillator_rows(found) if row.get("anode_amps") is not None or not _swung(rows)]
        valve, section = own[0]
        partner = next((other.law_of for other in valve.sections if other.shape == "oscillator"), ("", ""))
        made.append(
            Group(
                owner=owner,
                sections=tuple(dict.fromkeys(section.law_of[1] for _, section in found)),
                kind=_kind_of(valve, section, rows),
                shape=str(section.shape),
                section=section,
                rows=tuple(rows),
                remote=tuple(remote),
                directly_heated=valve.heater is not None and valve.heater.directly_heated,
                members=tuple(dict.fromkeys(valve.name for valve, _ in found)),
                partner=partner if section.shape == "hexode" else ("", ""),
            )
        )
    return tuple(made)


# ---------------------------------------------------------------------------------------------------
# working points


@dataclass
class Bench:
    """Conditions a section is tried under: fixed volts, or a supply behind a resistor, for each electrode.

    ``volts`` (B, E) fixed or supply volts; ``ohms`` (B, E) in series with that electrode; ``cathode_ohms`` (B,)
    below the cathode, felt by the control grid and by fed electrodes (volts held fixed are to the cathode);
    ``grid_amps`` (B,) the mean oscillator grid current at which the swing is to be found, NaN to hold the swing.
    """

    shape: str
    volts: Array
    ohms: Array
    cathode_ohms: Array
    grid_amps: Array


def working_points(
    bench: Bench, constants: Mapping[str, Array], state: ValveState | None = None
) -> tuple[Array, Currents]:
    """Solve every condition for its electrode volts.

    Parameters
    ----------
    bench : Bench
        B conditions.
    constants : mapping of str to ndarray, shape (S,)
        S sets of constants, each tried under every condition.
    state : ValveState, optional
        Arrays (B, S); the book by default.

    Returns
    -------
    volts : ndarray, shape (B, S, E)
    currents : Currents

    Raises
    ------
    NotSolved
        If Newton's method does not settle to a nanovolt per volt in 80 steps.
    """
    electrodes = SHAPES[bench.shape]
    n_sets = len(next(iter(constants.values())))
    rows = len(bench.volts)
    if state is None:
        state = ValveState.book((rows, n_sets))
    volts = np.repeat(bench.volts[:, None, :], n_sets, axis=1)
    fed = bench.ohms > 0.0
    biased = bench.cathode_ohms > 0.0
    swung = np.isfinite(bench.grid_amps)
    busy = np.flatnonzero(fed.any(axis=1) | biased | swung)
    if busy.size:
        first = next(i for i, name in enumerate(electrodes) if name in ("grid", "anode"))
        oscillating = electrodes.index("amplitude") if "amplitude" in electrodes else -1
        own_grid = {"oscillator": 0, "pentagrid": 0, "converter": 0}.get(bench.shape, -1)
        real = np.array([name != "amplitude" for name in electrodes])
        sub = volts[busy].copy()
        if oscillating >= 0:
            start = np.abs(sub[:, :, own_grid]) + 3.0
            sub[:, :, oscillating] = np.where(swung[busy][:, None], start, sub[:, :, oscillating])
        source, ohms, below = bench.volts[busy], bench.ohms[busy], bench.cathode_ohms[busy]
        # begin fed electrodes somewhat below their supply, a biased grid below zero
        sub = np.where((ohms > 0.0)[:, None, :], 0.7 * source[:, None, :], sub)
        sub[:, :, first] = np.where((below > 0.0)[:, None], -1.5, sub[:, :, first])
        part = ValveState(state.emission[busy], state.mu[busy], state.contact_volts[busy], state.gas[busy])
        identity = np.eye(len(electrodes))
        for _ in range(80):
            now = currents(bench.shape, constants, sub, part)
            lack = sub - source[:, None, :] + ohms[:, None, :] * now.amps
            slope = identity + ohms[:, None, :, None] * now.slopes
            total = now.amps[..., real].sum(axis=-1)
            raised = ohms > 0.0
            raised[:, first] = True
            lift = below[:, None] * total
            lack += lift[..., None] * raised[:, None, :]
            lift_slope = below[:, None, None] * now.slopes[:, :, real, :].sum(axis=2)
            slope += lift_slope[:, :, None, :] * raised[:, None, :, None]
            if oscillating >= 0:
                wanted = bench.grid_amps[busy]
                rate = 1.0 / np.where(np.isfinite(wanted), wanted, 1.0)
                active = np.isfinite(wanted)
                own = now.amps[:, :, own_grid] * rate[:, None] - 1.0
                hold = np.where(active[:, None], own, sub[:, :, oscillating] - source[:, None, oscillating])
                lack[:, :, oscillating] = hold
                row = now.slopes[:, :, own_grid, :] * rate[:, None, None]
                slope[:, :, oscillating, :] = np.where(active[:, None, None], row, identity[oscillating])
            step = np.linalg.solve(slope, lack[..., None])[..., 0]
            # a swing is approached from above, where grid current is steepest; others within a quarter of the supply
            limit = np.maximum(5.0, 0.25 * np.abs(source).max(axis=1))[:, None, None]
            biggest = np.abs(step).max(axis=-1, keepdims=True)
            sub -= step * np.minimum(1.0, limit / np.maximum(biggest, 1e-30))
            if oscillating >= 0:
                sub[:, :, oscillating] = np.maximum(sub[:, :, oscillating], 0.0)
            if biggest.max() < 1e-9 * (1.0 + np.abs(sub).max()):
                break
        else:
            raise NotSolved("the working point of a published row does not settle", point=bench.shape)
        volts[busy] = sub
    return volts, currents(bench.shape, constants, volts, state)


# ---------------------------------------------------------------------------------------------------
# observations


@dataclass(frozen=True, slots=True)
class _Observation:
    condition: int
    what: str
    value: float
    sigma: float
    row: int
    reference: int = -1  # condition whose gm a ratio is taken to


@dataclass
class _Trial:
    """The conditions of a group and what was observed under each."""

    bench: Bench
    observed: list[_Observation]
    row_of: list[int]  # condition -> row of the group, -1 for conditions of no row
    left: dict[int, str] = field(default_factory=dict)  # row -> why it is not fitted


class _Builder:
    def __init__(self, shape: str) -> None:
        self.shape = shape
        self.electrodes = SHAPES[shape]
        self.volts: list[list[float]] = []
        self.ohms: list[list[float]] = []
        self.cathode: list[float] = []
        self.grid_amps: list[float] = []
        self.row_of: list[int] = []

    def add(
        self,
        row: int,
        fixed: Mapping[str, float],
        fed: Mapping[str, tuple[float, float]],
        cathode_ohms: float = 0.0,
        grid_amps: float = math.nan,
    ) -> int:
        volts, ohms = [], []
        for name in self.electrodes:
            supply, series = fed.get(name, (fixed.get(name, 0.0), 0.0))
            volts.append(supply)
            ohms.append(series)
        self.volts.append(volts)
        self.ohms.append(ohms)
        self.cathode.append(cathode_ohms)
        self.grid_amps.append(grid_amps)
        self.row_of.append(row)
        return len(self.volts) - 1

    def bench(self) -> Bench:
        n = len(self.electrodes)
        return Bench(
            self.shape,
            np.array(self.volts, float).reshape(-1, n),
            np.array(self.ohms, float).reshape(-1, n),
            np.array(self.cathode, float),
            np.array(self.grid_amps, float),
        )


def _electrode_volts(
    row: Row, shape: str
) -> tuple[dict[str, float], dict[str, tuple[float, float]], float, float] | str:
    """Return fixed volts, fed electrodes, cathode ohms and oscillator grid amps of a row, or why it cannot be."""
    get = row.figures.get
    fixed: dict[str, float] = {}
    fed: dict[str, tuple[float, float]] = {}
    supply = get("supply_volts")
    names = SHAPES[shape]
    if "anode_volts" in row.figures:
        fixed["anode"] = row.figures["anode_volts"]
    elif supply is not None and "anode_resistor_ohms" in row.figures:
        fed["anode"] = (supply, row.figures["anode_resistor_ohms"])
    else:
        return "no anode volts"
    if "screen" in names:
        if row.triode_connected:
            fixed["screen"] = fixed.get("anode", 0.0)
        elif "screen_volts" in row.figures:
            fixed["screen"] = row.figures["screen_volts"]
        elif supply is not None and "screen_resistor_ohms" in row.figures:
            fed["screen"] = (supply, row.figures["screen_resistor_ohms"])
        else:
            return "no screen volts"
    if "target" in names:
        fixed["target"] = row.figures.get("target_volts", fixed.get("anode", 0.0))
    cathode_ohms = 0.0
    grid_amps = math.nan
    leak, grid_current = get("oscillator_grid_leak_ohms"), get("oscillator_grid_amps")
    if shape == "oscillator":
        if row.kind == "oscillator":
            if leak is None or grid_current is None:
                return "no oscillator grid current"
            fixed["grid"], grid_amps = -leak * grid_current, grid_current
        else:
            fixed["grid"] = row.figures.get("grid_volts", 0.0)
        return fixed, fed, 0.0, grid_amps
    if "grid_volts" in row.figures:
        fixed["grid"] = row.figures["grid_volts"]
    elif "cathode_resistor_ohms" in row.figures:
        cathode_ohms = row.figures["cathode_resistor_ohms"] * row.valves
    else:
        return "no bias"
    if shape in ("pentagrid", "converter"):
        if row.triode_connected:
            fixed["oscillator_grid"] = fixed["grid"]
        elif leak is None or grid_current is None:
            return "no oscillator grid current"
        else:
            fixed["oscillator_grid"], grid_amps = -leak * grid_current, grid_current
    if shape == "converter" and "separate" in row.use:
        # the sheets give these figures as those of a self-excited stage with no bias, which is how a set has it
        fixed["grid"] = 0.0
    if shape == "pentagrid":
        if "oscillator_anode_volts" in row.figures:
            fixed["oscillator_anode"] = row.figures["oscillator_anode_volts"]
        elif "oscillator_anode_supply_volts" in row.figures:
            fed["oscillator_anode"] = (
                row.figures["oscillator_anode_supply_volts"],
                row.figures["oscillator_anode_resistor_ohms"],
            )
        else:
            return "no oscillator anode volts"
    if shape == "hexode" and row.kind == "converter":
        if leak is None or grid_current is None:
            return "no oscillator grid current"
        fixed["injection"] = -leak * grid_current
    return fixed, fed, cathode_ohms, grid_amps


_FIGURES = {
    "anode": "anode_amps",
    "screen": "screen_amps",
    "cathode": "cathode_amps",
    "target": "target_amps",
    "oscillator_anode": "oscillator_anode_amps",
    "gm": "gm_siemens",
    "ra": "ra_ohms",
    "mu": "mu",
    "mu_screen": "mu_screen",
    "conversion": "conversion_gm_siemens",
}


def _build(group: Group, swing: Mapping[float, float] | None, without: int | None = None) -> _Trial:
    """Lay out conditions and observations; ``swing`` maps injection volts to the oscillator's swing."""
    weights = _facts()["weights"]
    builder = _Builder(group.shape)
    observed: list[_Observation] = []
    left: dict[int, str] = {}
    condition_of: dict[int, int] = {}
    triode = group.shape in ("triode", "oscillator", "indicator")

    def sigma(what: str, row: Row) -> float:
        value = float(weights["ra_triode" if triode else "ra_pentode"] if what == "ra" else weights[what])
        if row.origin.confidence != "high":
            value *= weights["medium_factor"]
        if row.kind == "push-pull":
            value *= weights["push_pull_factor"]
        return value

    for index, row in enumerate(group.rows):
        if index == without:
            continue
        if row.kind not in _FITTED_ROWS or (row.kind == "converter" and group.shape in ("triode", "pentode")):
            left[index] = f"a {row.kind} row gives no point of the characteristic"
            continue
        if row.filament == "series":
            left[index] = "filament halves in series"
            continue
        laid = _electrode_volts(row, group.shape)
        if isinstance(laid, str):
            left[index] = laid
            continue
        fixed, fed, cathode_ohms, grid_amps = laid
        if group.shape == "hexode" and row.kind == "converter":
            fixed["amplitude"] = (swing or {}).get(fixed["injection"], 1.0 - fixed["injection"])
        condition = builder.add(index, fixed, fed, cathode_ohms, grid_amps)
        condition_of[index] = condition
        have = {what: row.figures[key] for what, key in _FIGURES.items() if key in row.figures}
        if triode and "gm" in have and "ra" in have:
            have.pop("mu", None)
        if not triode and not row.triode_connected:
            have.pop("mu", None)
        for what, value in have.items():
            if what in ("screen", "mu_screen") and row.triode_connected:
                continue
            if what == "oscillator_anode" and "oscillator_anode" not in SHAPES[group.shape]:
                continue
            if what == "cathode" and group.shape == "hexode":
                continue  # it is the sum with the triode's
            name = what
            if row.triode_connected and what in ("anode", "gm", "ra", "mu"):
                name = f"{what} as triode"
            observed.append(_Observation(condition, name, value, sigma(what, row), index))
        if "cutoff_grid_volts" in row.figures:
            at = builder.add(index, {**fixed, "grid": row.figures["cutoff_grid_volts"]}, {})
            observed.append(_Observation(at, "cutoff", _CUTOFF_AMPS, sigma("cutoff", row), index))
    for cutoff, rows in group.remote:
        _add_remote(group, cutoff, rows, builder, observed, condition_of, swing, float(weights["remote"]))
    return _Trial(builder.bench(), observed, builder.row_of, left)


def _add_remote(
    group: Group,
    cutoff: Mapping[str, Any],
    rows: Sequence[Row],
    builder: _Builder,
    observed: list[_Observation],
    condition_of: Mapping[int, int],
    swing: Mapping[float, float] | None,
    sigma: float,
) -> None:
    """Add the published remote cut-off point, at the electrode volts of the row it belongs to."""
    text = str(cutoff.get("condition", ""))
    number = re.search(r"([\d.]+) V (?:screen|on g2)", text)
    supply = re.search(r"([\d.]+) V supply", text)
    converter = "conversion_gm_siemens" in cutoff or "frequency changer" in text

    def fits(row: Row) -> bool:
        if (row.kind == "converter") != (converter or group.shape in ("hexode", "pentagrid", "converter")):
            return False
        if number and row.get("screen_volts") != float(number.group(1)):
            return False
        return not supply or row.get("supply_volts") == float(supply.group(1))

    row = next((row for row in rows if fits(row)), None)
    if row is None:
        return
    index = next((i for i, other in enumerate(group.rows) if _same(row, other)), -1)
    laid = _electrode_volts(row, group.shape)
    if isinstance(laid, str):
        return
    fixed, fed, _, grid_amps = laid
    if group.shape == "hexode" and row.kind == "converter":
        fixed["amplitude"] = (swing or {}).get(fixed["injection"], 1.0 - fixed["injection"])
    fixed["grid"] = float(cutoff["grid_volts"])
    if "supply_volts" in row.figures and "screen_resistor_ohms" in row.figures and supply:
        fed["screen"] = (row.figures["supply_volts"], row.figures["screen_resistor_ohms"])
    at = builder.add(-1, fixed, fed, 0.0, grid_amps)
    slope = "conversion" if row.kind == "converter" else "gm"
    for key in ("gm_siemens", "conversion_gm_siemens"):
        if key in cutoff:
            observed.append(_Observation(at, slope, float(cutoff[key]), sigma, -1))
    if "gm_ratio" in cutoff:
        if index in condition_of:
            observed.append(
                _Observation(at, f"{slope} ratio", float(cutoff["gm_ratio"]), sigma, -1, condition_of[index])
            )
        else:
            value = row.get("conversion_gm_siemens" if slope == "conversion" else "gm_siemens")
            if value is not None:
                observed.append(_Observation(at, slope, value * float(cutoff["gm_ratio"]), sigma, -1))


_TINY = 1e-30


def _predict(trial: _Trial, constants: Mapping[str, Array]) -> Array:
    """Return the law's value of every observation, shape (n_observations, S)."""
    shape = trial.bench.shape
    volts, now = working_points(trial.bench, constants)
    e = {name: i for i, name in enumerate(SHAPES[shape])}
    amps, slopes = now.amps, now.slopes
    conversion = None
    if any(o.what.startswith("conversion") for o in trial.observed):
        conversion = conversion_slope(shape, constants, volts, ValveState.book(volts.shape[:2]))
    real = [i for name, i in e.items() if name != "amplitude"]
    behind = [e[name] for name in ("oscillator_anode", "screen", "anode") if name in e]
    drive = e.get("oscillator_grid", e.get("grid", 0))
    result = np.empty((len(trial.observed), volts.shape[1]))
    for i, seen in enumerate(trial.observed):
        c = seen.condition
        match seen.what:
            case "anode" | "screen" | "target" | "oscillator_anode":
                value = amps[c, :, e[seen.what]]
            case "cutoff":
                value = amps[c, :, e["anode"]]
            case "cathode":
                value = amps[c][:, real].sum(axis=-1)
            case "anode as triode":
                value = amps[c][:, behind].sum(axis=-1)
            case "gm":
                value = slopes[c, :, e["anode"], e["grid"]]
            case "gm as triode":
                value = slopes[c][:, behind, drive].sum(axis=-1)
            case "ra":
                value = 1.0 / np.maximum(slopes[c, :, e["anode"], e["anode"]], _TINY)
            case "ra as triode":
                value = 1.0 / np.maximum(slopes[c][:, behind][:, :, behind].sum(axis=(-1, -2)), _TINY)
            case "mu":
                value = slopes[c, :, e["anode"], e["grid"]] / np.maximum(slopes[c, :, e["anode"], e["anode"]], _TINY)
            case "mu as triode":
                value = slopes[c][:, behind, drive].sum(axis=-1) / np.maximum(
                    slopes[c][:, behind][:, :, behind].sum(axis=(-1, -2)), _TINY
                )
            case "mu_screen":
                total = slopes[c][:, real].sum(axis=1)
                value = total[:, e["grid"]] / np.maximum(total[:, e["screen"]], _TINY)
            case "conversion":
                assert conversion is not None
                value = conversion[c]
            case "gm ratio":
                value = slopes[c, :, e["anode"], e["grid"]] / slopes[seen.reference, :, e["anode"], e["grid"]]
            case "conversion ratio":
                assert conversion is not None
                value = conversion[c] / conversion[seen.reference]
            case _:
                raise AssertionError(seen.what)
        result[i] = value
    return result


# ---------------------------------------------------------------------------------------------------
# the fit


@dataclass(frozen=True)
class Outcome:
    """One published figure beside the law's."""

    row: int
    what: str
    published: float
    law: float

    @property
    def error(self) -> float:
        """Law over published, minus one."""
        return self.law / self.published - 1.0


@dataclass(frozen=True)
class Fit:
    """The law of one group: constants, how they came about, and what is left over."""

    group: Group
    constants: Mapping[str, float]
    status: str  # "fitted", "typical of its kind", "drop point", "typical drop", "operation"
    outcomes: tuple[Outcome, ...] = ()
    left: Mapping[int, str] = field(default_factory=dict)
    moved: Mapping[str, float] = field(default_factory=dict)
    note: str = ""


def _reference_amps(group: Group) -> float:
    for row in group.rows:
        if row.kind in ("working", "converter", "oscillator", "static") and "anode_amps" in row.figures:
            total = row.figures["anode_amps"] + row.figures.get("screen_amps", 0.0)
            total += row.figures.get("oscillator_anode_amps", 0.0) if group.shape == "pentagrid" else 0.0
            return total
    return float(_kind_facts(group.kind)["reference_amps"])


def _start(group: Group, priors: Mapping[str, Prior], trial: _Trial, fixed: Mapping[str, float]) -> dict[str, Prior]:
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
            guess = _predict(trial, constants)[:, 0]
            ratios = [
                math.log(o.value / max(guess[i], _TINY))
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
    trial = _build(group, swing, without)
    facts = _kind_facts(group.kind)
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
        predicted = np.log(np.maximum(_predict(trial, constants_of(x)), _TINY))
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
        predicted = np.log(np.maximum(_predict(trial, constants_of(x)), _TINY))
        result: Array = np.median(target[level, None] - predicted[level], axis=0)
        return result

    start = _best_start(free, middle, shortfall, misfit)
    found = least_squares(value, start, jac=slope, x_scale=spread, xtol=1e-7, ftol=1e-7, max_nfev=200)
    constants = {name: float(column[0]) for name, column in constants_of(found.x[None, :]).items()}
    whole = trial if without is None else _build(group, swing)
    fit = Fit(
        group,
        constants,
        "fitted",
        outcomes=_outcomes(whole, constants),
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


def _outcomes(trial: _Trial, constants: Mapping[str, float]) -> tuple[Outcome, ...]:
    law = _predict(trial, {name: np.array([value]) for name, value in constants.items()})[:, 0]
    return tuple(
        Outcome(seen.row, seen.what, seen.value, float(value))
        for seen, value in zip(trial.observed, law, strict=True)
    )


def _close_loop(fit: Fit) -> Fit:
    """Set ``loop_ohms`` so that the published oscillator grid currents are those of loop gain one."""
    group = fit.group
    if "loop_ohms" not in CONSTANTS[group.shape]:
        return fit
    trial = _build(group, None)
    swung = np.flatnonzero(np.isfinite(trial.bench.grid_amps))
    if not swung.size:
        return fit
    constants = {name: np.array([value]) for name, value in fit.constants.items()}
    volts, _ = working_points(trial.bench, constants)
    gain = loop_gain(group.shape, constants, volts, ValveState.book(volts.shape[:2]))[swung, 0]
    ohms = fit.constants["loop_ohms"] * math.exp(-float(np.mean(np.log(gain))))
    return replace(fit, constants={**fit.constants, "loop_ohms": ohms})


# ---------------------------------------------------------------------------------------------------
# diodes and rectifiers


def reservoir_volts(
    constants: Mapping[str, float], ac_volts: float, series_ohms: float, load_amps: float, anodes: int
) -> float:
    """Return the direct volts on a large reservoir fed by a valve rectifier.

    Parameters
    ----------
    constants : mapping of str to float
        Of the diode law.
    ac_volts : float > 0
        R.m.s. volts of each anode.
    series_ohms : float >= 0
        Supply resistance in series with each anode.
    load_amps : float > 0
        Direct current drawn.
    anodes : int
        2 for full wave, 1 for half wave.

    Returns
    -------
    float
        Direct volts; ripple is taken as small, which overstates them by up to half the ripple.

    Notes
    -----
    Source: charge balance over one cycle of the conducting half (Schade, Proc. IRE 31, 341, 1943, from memory).
    """
    law = {name: np.array([value]) for name, value in constants.items()}
    source = math.sqrt(2.0) * ac_volts * np.cos((np.arange(96) + 0.5) * math.pi / 192.0)
    state = ValveState.book((source.size, 1))
    low, high = -0.2 * ac_volts, math.sqrt(2.0) * ac_volts
    for _ in range(50):
        middle = 0.5 * (low + high)
        drop = np.minimum(0.5 * (source - middle), 20.0)
        for _ in range(40):
            now = currents("diode", law, drop[:, None, None], state)
            lack = drop + series_ohms * now.amps[:, 0, 0] - (source - middle)
            move = lack / (1.0 + series_ohms * now.slopes[:, 0, 0, 0])
            drop = drop - move
            if np.abs(move).max() < 1e-6:
                break
        mean = anodes * 0.5 * float(currents("diode", law, drop[:, None, None], state).amps.mean())
        low, high = (middle, high) if mean > load_amps else (low, middle)
    return 0.5 * (low + high)


def _rated_amps(group: Group) -> float:
    given = [row.figures["dc_amps"] for row in group.rows if "dc_amps" in row.figures]
    return max(given) if given else float(_kind_facts(group.kind)["reference_amps"])


def _diode_constants(kind: str, volts: float, amps: float) -> dict[str, float]:
    """Return the constants of a diode that drops ``volts`` at ``amps``."""
    priors = priors_of(kind)
    made = {name: prior.centre for name, prior in priors.items()} | {"reference_amps": amps, "perveance": 1.0}
    law = {name: np.array([value]) for name, value in made.items()}
    law["reference_amps"] = np.array([1e9])  # the space current alone
    space = currents("diode", law, np.array([[[volts]]]), ValveState.book((1, 1))).amps[0, 0, 0]
    return made | {"perveance": float(amps / space)}


def _full_wave(group: Group, row: Row) -> bool:
    return len(group.sections) > 1 and "half" not in row.use


def _rectifier_outcomes(group: Group, constants: Mapping[str, float]) -> tuple[Outcome, ...]:
    made = []
    for index, row in enumerate(group.rows):
        if row.kind == "rectifier" and "reservoir_farads" in row.figures and "dc_volts" in row.figures:
            figures = row.figures
            volts = reservoir_volts(
                constants,
                figures["ac_volts_per_anode"],
                figures["supply_ohms_per_anode"],
                figures["dc_amps"],
                2 if _full_wave(group, row) else 1,
            )
            made.append(Outcome(index, "dc volts", figures["dc_volts"], volts))
    return tuple(made)


def _fit_diode(group: Group) -> Fit:
    """Perveance from the published drop, else from published direct volts, else typical of the kind."""
    facts = _kind_facts(group.kind)
    drop = group.section.drop
    if drop:
        constants = _diode_constants(group.kind, drop["volts"], drop["amps"])
        return Fit(group, constants, "drop point", outcomes=_rectifier_outcomes(group, constants))
    rated = _rated_amps(group)

    def at(drop_volts: float) -> dict[str, float]:
        return _diode_constants(group.kind, drop_volts, rated)

    if _rectifier_outcomes(group, at(20.0)):

        def lack(drop_volts: float) -> float:
            return float(np.median([o.error for o in _rectifier_outcomes(group, at(drop_volts))]))

        low, high = 5.0, 120.0
        if lack(low) > 0.0 > lack(high):
            for _ in range(18):
                middle = math.sqrt(low * high)
                low, high = (middle, high) if lack(middle) > 0.0 else (low, middle)
            constants = at(math.sqrt(low * high))
            return Fit(group, constants, "operation", outcomes=_rectifier_outcomes(group, constants))
    typical = facts["drop"]
    constants = _diode_constants(group.kind, typical["volts"], typical["amps"])
    if "rectifier" in group.kind:
        factor = rated / float(facts["reference_amps"])
        constants["perveance"] *= factor
        constants["reference_amps"] = rated
    return Fit(group, constants, "typical drop", outcomes=_rectifier_outcomes(group, constants))


# ---------------------------------------------------------------------------------------------------
# all of them


def _sharpen(priors: Mapping[str, Prior], others: Sequence[Fit]) -> dict[str, Prior]:
    """Return the priors with what the other types of the kind turned out to be."""
    trust = float(_facts()["hierarchy"]["prior_counts_as"])
    floor = float(_facts()["hierarchy"]["least_spread"])
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
    assumed = float(_facts()["oscillator"]["assumed_anode_volts"])
    row = next((row for row in fit.group.rows if row.kind == "oscillator" and "anode_amps" in row.figures), None)
    constants = {name: np.array([value]) for name, value in fit.constants.items()}
    found: dict[float, float] = {}
    rows = list(group.rows) + [row for _, rows in group.remote for row in rows]
    for mixer in rows:
        leak, amps = mixer.get("oscillator_grid_leak_ohms"), mixer.get("oscillator_grid_amps")
        if leak is None or amps is None or -leak * amps in found:
            continue
        builder = _Builder("oscillator")
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
    first = _first_pass()
    fits = []
    done: dict[tuple[str, str], Fit] = {}
    order = sorted(groups(), key=lambda group: group.shape == "hexode")
    for group in order:
        if wanted and group.owner not in wanted:
            continue
        if group.shape == "diode":
            fit = _fit_diode(group)
        else:
            fit = fit_group(group, _priors_for(group, first), swing=_swing_of(group, {**first, **done}))
        done[group.owner, group.sections[0]] = fit
        fits.append(fit)
    return tuple(_typical(fit, first) for fit in fits)


@cache
def _first_pass() -> dict[tuple[str, str], Fit]:
    """Return fits from the priors alone, which tell what a kind is like."""
    made: dict[tuple[str, str], Fit] = {}
    for group in sorted(groups(), key=lambda group: group.shape == "hexode"):
        if group.shape != "diode":
            made[group.owner, group.sections[0]] = fit_group(
                group, priors_of(group.kind), swing=_swing_of(group, made)
            )
    return made


def _priors_for(group: Group, first: Mapping[tuple[str, str], Fit]) -> dict[str, Prior]:
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


def left_out(fits: Iterable[Fit] | None = None) -> tuple[Outcome, ...]:
    """Return the anode current of each row from a fit without it, for systems of three rows or more.

    Priors of the kind are those of the other types; the row itself takes no part anywhere.
    """
    first = _first_pass()
    made = []
    for group in groups():
        if group.shape == "diode":
            continue
        trial = _build(group, None)
        rows = sorted({o.row for o in trial.observed if o.row >= 0 and o.what.startswith("anode")})
        if len(rows) < 3:
            continue
        priors = _priors_for(group, first)
        swing = _swing_of(group, first)
        for row in rows:
            fit = fit_group(group, priors, swing=swing, without=row)
            made += [o for o in fit.outcomes if o.row == row and o.what.startswith("anode")]
    return tuple(made)


# ---------------------------------------------------------------------------------------------------
# writing


def _label(row: Row) -> str:
    words = [row.kind if row.kind not in ("working", "static") else "", row.use]
    for key, text in (
        ("supply_volts", "supply {:g} V"),
        ("anode_volts", "anode {:g} V"),
        ("screen_volts", "screen {:g} V"),
        ("grid_volts", "grid {:g} V"),
        ("cathode_resistor_ohms", "cathode {:g} ohms"),
        ("ac_volts_per_anode", "{:g} V a.c."),
        ("dc_amps", "{:g} A"),
    ):
        if key in row.figures and not (key == "cathode_resistor_ohms" and "grid_volts" in row.figures):
            words.append(text.format(row.figures[key]))
    return ", ".join(dict.fromkeys(word for word in words if word))


def _text(value: str) -> str:
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _listed(values: Iterable[str]) -> str:
    return "[" + ", ".join(_text(value) for value in values) + "]"


def _law_table(fit: Fit) -> list[str]:
    group = fit.group
    rows = {o.row for o in fit.outcomes if o.row >= 0}
    lines = [
        "",
        "[[law]]",
        f"sections = {_listed(group.sections)}",
        f"kind = {_text(group.kind)}",
        f"shape = {_text(group.shape)}",
        f"status = {_text(fit.status)}",
        f"rows = {len(rows)}",
    ]
    if fit.note:
        lines.append(f"note = {_text(fit.note)}")
    if rows:
        worst = max((abs(o.error) for o in fit.outcomes if o.what.startswith("anode")), default=None)
        if worst is not None:
            lines.append(f"worst_anode_error = {worst:.3f}")
    lines.append("constants = { " + ", ".join(f"{n} = {v:.6g}" for n, v in fit.constants.items()) + " }")
    if fit.outcomes:
        lines.append("residuals = [")
        for o in fit.outcomes:
            label = _label(group.rows[o.row]) if o.row >= 0 else "remote cut-off"
            lines.append(
                f"  {{ figure = {_text(o.what)}, published = {o.published:.5g}, law = {o.law:.5g}, "
                f"error = {o.error:.3f}, row = {_text(label)} }},"
            )
        lines.append("]")
    if fit.left:
        lines.append("not_fitted = [")
        for index, why in fit.left.items():
            lines.append(f"  {{ row = {_text(_label(group.rows[index]))}, why = {_text(why)} }},")
        lines.append("]")
    return lines


def _stems() -> dict[str, str]:
    listed = tomllib.loads((TRADE / "valves_index.toml").read_text(encoding="utf-8"))
    return {names[0]: stem for stem, names in listed.items()}


def write_laws(fits: Iterable[Fit], folder: Path = LAWS) -> tuple[Path, ...]:
    """Write one file for each type that owns an electrode system; returns the files."""
    by_owner: dict[str, list[Fit]] = defaultdict(list)
    for fit in fits:
        by_owner[fit.group.owner].append(fit)
    folder.mkdir(parents=True, exist_ok=True)
    stems = _stems()
    written = []
    for owner, laws in by_owner.items():
        members = dict.fromkeys(name for fit in laws for name in fit.group.members)
        lines = [
            "# Written by hetwright.valves.fitting: change the rows of the catalogue or the priors, not this file.",
            f"type = {_text(owner)}",
            f"serves = {_listed(members)}",
            'generated_by = "hetwright.valves.fitting"',
            'method = "robust least squares on published rows, priors of the kind from the other types"',
        ]
        for fit in laws:
            lines += _law_table(fit)
        path = folder / f"{stems.get(owner, owner)}.toml"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        written.append(path)
    return tuple(written)


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
