"""How near the valve law comes to print.

    .venv/bin/python benchmarks/law.py [--json]

Three questions. Fitted rows: anode current of every published row against the law fitted to it. Rows left out:
for electrode systems of three rows or more, each row in turn against a law fitted without it. Stage gain: published
resistance-coupled stages, no figure of which is ever fitted; the stage's direct volts are solved with the law, then
gain is gm x (ra in parallel with the anode load and the following grid leak). All errors are fractions.
"""

from __future__ import annotations

import argparse
import json
import sys
import tomllib
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hetwright.valves import catalogue, fitting
from hetwright.valves.comparison import Fit
from hetwright.valves.law import SHAPES
from hetwright.valves.laws import law_of
from hetwright.valves.working_point import Bench, working_points

DATA = Path(__file__).resolve().parent / "data"


@dataclass(frozen=True)
class Stage:
    """One published resistance-coupled stage, SI units."""

    valve: str
    section: str
    supply_volts: float
    load_ohms: float
    leak_ohms: float
    cathode_ohms: float
    screen_ohms: float
    gain: float
    amps: float
    source: str


def stages() -> list[Stage]:
    """Every published stage that states a gain and the grid leak that follows; keys differ between the files."""
    found = []
    for name, key in (("rc_coupled_american", "row"), ("rc_coupled_european", "rc_coupled")):
        for row in tomllib.loads((DATA / f"{name}.toml").read_text(encoding="utf-8"))[key]:
            leak = row.get("following_grid_leak_ohms", row.get("next_grid_leak_ohms"))
            if "gain" not in row or leak is None:
                continue
            found.append(
                Stage(
                    valve=row.get("valve", row.get("type")),
                    section=row["section"],
                    supply_volts=row["supply_volts"],
                    load_ohms=row["anode_load_ohms"],
                    leak_ohms=leak,
                    cathode_ohms=row["cathode_resistor_ohms"],
                    screen_ohms=row.get("screen_resistor_ohms", 0.0),
                    gain=row["gain"],
                    amps=1e-3 * row.get("anode_ma", row.get("cathode_ma", 0.0)),
                    source=row["source"],
                )
            )
    return found


def gain_of(stage: Stage) -> tuple[float, float]:
    """Gain of a stage from the law, and its cathode current in amps."""
    valve = catalogue.find(stage.valve)
    section = next(s for s in valve.sections if s.kind != "diode" and s.name.startswith(stage.section))
    shape, constants = law_of(valve, section.name)
    names = SHAPES[shape]
    volts, ohms = np.zeros((1, len(names))), np.zeros((1, len(names)))
    fed = {"anode": stage.load_ohms, "screen": stage.screen_ohms}
    for i, name in enumerate(names):
        if name in fed:
            volts[0, i], ohms[0, i] = stage.supply_volts, fed[name]
    bench = Bench(shape, volts, ohms, np.array([stage.cathode_ohms]), np.array([np.nan]))
    _, now = working_points(bench, {name: np.array([value]) for name, value in constants.items()})
    grid, anode = names.index("grid"), names.index("anode")
    slopes = now.slopes[0, 0]
    across = slopes[anode, anode] + 1.0 / stage.load_ohms + 1.0 / stage.leak_ohms
    return float(slopes[anode, grid] / across), float(now.amps[0, 0].sum())


def _median(values: list[float]) -> float:
    return float(np.median(values))


def measure() -> dict[str, object]:
    """Every figure of this benchmark."""
    fits = fitting.fit_all()
    rows = [(fit, o) for fit in fits for o in fit.outcomes if o.what.startswith("anode") and o.row >= 0]
    errors = [abs(o.error) for _, o in rows]
    clash = [o for fit, o in rows if _contradicted(fit, o.row)]
    agreed = [abs(o.error) for fit, o in rows if not _contradicted(fit, o.row)]
    left = fitting.left_out()
    gains = [(stage, *gain_of(stage)) for stage in stages()]
    gain_errors = [abs(gain / stage.gain - 1.0) for stage, gain, _ in gains]
    by_kind: dict[str, list[float]] = defaultdict(list)
    for fit, o in rows:
        by_kind[fit.group.kind].append(abs(o.error))
    by_figure: dict[str, list[float]] = defaultdict(list)
    for fit in fits:
        for o in fit.outcomes:
            by_figure[o.what].append(abs(np.log(max(o.law, 1e-30) / o.published)))
    by_valve: dict[str, list[float]] = defaultdict(list)
    for stage, gain, _ in gains:
        by_valve[stage.valve].append(gain / stage.gain - 1.0)
    stage_amps = [amps / stage.amps - 1.0 for stage, _, amps in gains if stage.amps]
    return {
        "rows": len(rows),
        "anode_current_median_error": _median(errors),
        "anode_current_p95_error": float(np.percentile(errors, 95)),
        "contradicted_rows": len(clash),
        "anode_current_p95_error_without_contradicted": float(np.percentile(agreed, 95)),
        "left_out_rows": len(left),
        "left_out_median_error": _median([abs(o.error) for o in left]),
        "left_out_p90_error": float(np.percentile([abs(o.error) for o in left], 90)),
        "gain_rows": len(gains),
        "gain_median_error": _median(gain_errors),
        "gain_p90_error": float(np.percentile(gain_errors, 90)),
        "stage_current_rows": len(stage_amps),
        "stage_current_median_error": _median([abs(e) for e in stage_amps]),
        "by_kind": {kind: {"rows": len(e), "median": _median(e)} for kind, e in sorted(by_kind.items())},
        "by_figure": {what: {"figures": len(e), "median": _median(e)} for what, e in sorted(by_figure.items())},
        "gain_by_valve": {
            valve: {"rows": len(e), "median": _median([abs(x) for x in e]), "bias": _median(e)}
            for valve, e in sorted(by_valve.items())
        },
    }


def _contradicted(fit: Fit, row: int) -> bool:
    """Whether another row of the type contradicts this one.

    That is: at the same electrode volts a current that differs by a tenth, or the same current at a grid that differs
    by nearly a tenth. One of the two is wrong, or they are of different makes.
    """
    mine = fit.group.rows[row]
    for index, other in enumerate(fit.group.rows):
        if index == row or other.kind != mine.kind or other.filament != mine.filament:
            continue
        if any(other.get(key) != mine.get(key) for key in ("anode_volts", "screen_volts", "supply_volts")):
            continue
        bias, amps = (mine.bias_volts, other.bias_volts), (mine.get("anode_amps"), other.get("anode_amps"))
        if None in bias or None in amps or "anode_volts" not in mine.figures:
            continue
        (b, b_other), (a, a_other) = bias, amps
        assert b is not None
        assert b_other is not None
        assert a is not None
        assert a_other is not None
        same_bias, same_amps = abs(b - b_other) < 0.02, abs(a / a_other - 1.0) < 0.02
        if same_bias and abs(a / a_other - 1.0) > 0.1:
            return True
        if same_amps and abs(b - b_other) > 0.09 * max(abs(b), abs(b_other)):
            return True
    return False


def main() -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    asked = parser.parse_args()
    figures = measure()
    if asked.json:
        json.dump(figures, sys.stdout)
        print()
        return 0
    for name, value in figures.items():
        if isinstance(value, dict):
            print(name)
            for key, entry in value.items():
                print(
                    f"    {key:24s}"
                    + "  ".join(f"{k} {v:.3f}" if isinstance(v, float) else f"{k} {v}" for k, v in entry.items())
                )
        else:
            print(f"{name:48s}{value:.4f}" if isinstance(value, float) else f"{name:48s}{value}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
