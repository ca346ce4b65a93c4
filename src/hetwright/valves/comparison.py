"""Published figures beside the law's, each at its own working point."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from hetwright.valves.electrode_systems import Group, same_point
from hetwright.valves.law import SHAPES, ValveState, conversion_slope
from hetwright.valves.law_terms import Array
from hetwright.valves.priors import prior_facts
from hetwright.valves.valve_type import Row
from hetwright.valves.working_point import Bench, Builder, working_points

__all__ = ["TINY", "Fit", "Observation", "Outcome", "Trial", "lay_out", "outcomes_of", "predict"]

_CUTOFF_AMPS = 1e-5  # catalogue: cutoff_grid_volts is for about 10 microamps
_FITTED_ROWS = ("working", "static", "triode connected", "push-pull", "converter", "oscillator", "indicator")
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
TINY = 1e-30


@dataclass(frozen=True, slots=True)
class Observation:
    """A published figure to be met.

    ``condition`` is the working point it was taken at, ``what`` the figure ("anode", "gm", ...), ``sigma`` how far a
    typical valve's law may be off it (standard deviation of the logarithm), ``row`` the row of the group it is from.
    """

    condition: int
    what: str
    value: float
    sigma: float
    row: int
    reference: int = -1  # condition whose gm a ratio is taken to


@dataclass
class Trial:
    """The conditions of a group and what was observed under each."""

    bench: Bench
    observed: list[Observation]
    row_of: list[int]  # condition -> row of the group, -1 for conditions of no row
    left: dict[int, str] = field(default_factory=dict)  # row -> why it is not fitted


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


def electrode_volts(
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


def lay_out(group: Group, swing: Mapping[float, float] | None, without: int | None = None) -> Trial:
    """Lay out conditions and observations; ``swing`` maps injection volts to the oscillator's swing."""
    weights = prior_facts()["weights"]
    builder = Builder(group.shape)
    observed: list[Observation] = []
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
        laid = electrode_volts(row, group.shape)
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
            observed.append(Observation(condition, name, value, sigma(what, row), index))
        if "cutoff_grid_volts" in row.figures:
            at = builder.add(index, {**fixed, "grid": row.figures["cutoff_grid_volts"]}, {})
            observed.append(Observation(at, "cutoff", _CUTOFF_AMPS, sigma("cutoff", row), index))
    for cutoff, rows in group.remote:
        _add_remote(group, cutoff, rows, builder, observed, condition_of, swing, float(weights["remote"]))
    return Trial(builder.bench(), observed, builder.row_of, left)


def _add_remote(
    group: Group,
    cutoff: Mapping[str, Any],
    rows: Sequence[Row],
    builder: Builder,
    observed: list[Observation],
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
    index = next((i for i, other in enumerate(group.rows) if same_point(row, other)), -1)
    laid = electrode_volts(row, group.shape)
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
            observed.append(Observation(at, slope, float(cutoff[key]), sigma, -1))
    if "gm_ratio" in cutoff:
        if index in condition_of:
            observed.append(
                Observation(at, f"{slope} ratio", float(cutoff["gm_ratio"]), sigma, -1, condition_of[index])
            )
        else:
            value = row.get("conversion_gm_siemens" if slope == "conversion" else "gm_siemens")
            if value is not None:
                observed.append(Observation(at, slope, value * float(cutoff["gm_ratio"]), sigma, -1))


def predict(trial: Trial, constants: Mapping[str, Array]) -> Array:
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
                value = 1.0 / np.maximum(slopes[c, :, e["anode"], e["anode"]], TINY)
            case "ra as triode":
                value = 1.0 / np.maximum(slopes[c][:, behind][:, :, behind].sum(axis=(-1, -2)), TINY)
            case "mu":
                value = slopes[c, :, e["anode"], e["grid"]] / np.maximum(slopes[c, :, e["anode"], e["anode"]], TINY)
            case "mu as triode":
                value = slopes[c][:, behind, drive].sum(axis=-1) / np.maximum(
                    slopes[c][:, behind][:, :, behind].sum(axis=(-1, -2)), TINY
                )
            case "mu_screen":
                total = slopes[c][:, real].sum(axis=1)
                value = total[:, e["grid"]] / np.maximum(total[:, e["screen"]], TINY)
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


def outcomes_of(trial: Trial, constants: Mapping[str, float]) -> tuple[Outcome, ...]:
    """Each observed figure beside what the law says under ``constants``."""
    law = predict(trial, {name: np.array([value]) for name, value in constants.items()})[:, 0]
    return tuple(
        Outcome(seen.row, seen.what, seen.value, float(value))
        for seen, value in zip(trial.observed, law, strict=True)
    )
