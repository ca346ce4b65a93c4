"""Speed as ratios within one run: ``speed.py [--count N] [--json]``.

``ratio_to_root``: a loop of ``scipy.optimize.root`` (hybr, same analytic Jacobian, started at the healthy
solution like ours) over a sample of the variants, its time a variant over ours. The loop's equations are
written for one row with dense matrices, cheaper than the stacked form at one row; function and Jacobian share
one evaluation of the laws. ``solves_per_variant``: our time a variant over that of one stacked
``numpy.linalg.solve`` of the whole network. Both in processor seconds, one thread, the best of several runs.
``suspects_seconds`` and ``help_ratio`` are seconds of the clock in fresh processes.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import root
from variants import draw_variants, subject

from hetwright.circuit.solver import Circuit
from hetwright.supply.port import port_volts
from hetwright.valves.law import ValveState

Array = NDArray[np.float64]


class OneRow:
    """The equations of one variant, dense, for a general root finder."""

    def __init__(self, circuit: Circuit) -> None:
        layout = self.layout = circuit.layout
        n = self.n = layout.n_unknowns
        self.at_rows = np.empty(layout.elimination.stored, dtype=np.intp)
        self.at_columns = np.empty(layout.elimination.stored, dtype=np.intp)
        for i in range(n):
            for j in range(n):
                try:
                    at = layout.elimination.slot_of(i, j)
                except KeyError:
                    continue
                self.at_rows[at], self.at_columns[at] = i, j
        self.gather = layout.balance.toarray()
        self.curved = layout.curved_sums

    def load(self, slots: Array) -> None:
        """Take the slot values of one variant."""
        layout = self.layout
        p = layout.parameters(slots[:, None])
        self.slots = slots
        dense = np.zeros((self.n, self.n))
        np.add.at(dense, (self.at_rows, self.at_columns), p.coefficients[:, 0])
        self.linear = dense
        self.siemens = p.siemens[:, 0]
        fixed = np.zeros(self.n)
        for line, volts in zip(layout.source_line, p.source_volts[:, 0], strict=True):
            current = self.siemens[line] * volts
            for point, sign in ((layout.line_a[line], -1.0), (layout.line_b[line], 1.0)):
                if point:
                    fixed[point - 1] += sign * current
        self.fixed = fixed
        self.states = [
            ValveState(*(np.ascontiguousarray(slots[g.slots[:, m]])[None, :] for m in range(4)))
            for g in layout.valve_groups
        ]
        self.known: Array | None = None

    def _work(self, x: Array) -> None:
        if self.known is not None and np.array_equal(x, self.known):
            return
        layout = self.layout
        full = np.concatenate([[0.0], x])
        amps = np.zeros(layout.n_currents - len(layout.line_a))
        slopes = np.zeros(max(layout.n_slopes, 1))
        base = len(layout.line_a)
        leaks = len(layout.leak_a)
        if leaks:
            across = full[layout.leak_a] - full[layout.leak_b]
            g = self.slots[layout.leak_slot]
            per, slope = layout.leak_law(across[:, None])
            amps[:leaks], slopes[:leaks] = per[:, 0] * g, slope[:, 0] * g
            if len(layout.polar):
                back, back_slope = layout.reverse_law(across[layout.polar][:, None])
                amps[layout.polar] += back[:, 0]
                slopes[layout.polar] += back_slope[:, 0]
        for group, state in zip(layout.valve_groups, self.states, strict=True):
            volts = full[group.electrodes] - full[group.reference]
            found = layout.law.currents(group.shape, group.constants, volts[None], state)
            at, many = group.currents_at - base, group.electrodes.size
            amps[at : at + many] = found.amps[0].ravel()
            wide = many * group.size[1]
            slopes[group.slopes_at : group.slopes_at + wide] = found.slopes[0].ravel()
        unbalanced = self.linear @ x + self.fixed
        for n, port in enumerate(layout.supplies):
            given = port_volts(port.element, full[port.amps_at][None], self.slots[port.slots][:, None])
            slopes[layout.supply_slopes_at + n] = given.by_amps[0]
            unbalanced[port.amps_at - 1] -= given.volts[0]
        many = layout.supply_currents_at - base
        unbalanced += self.gather[:, base : base + many] @ amps[:many]
        jacobian = self.linear.copy()
        jacobian[self.at_rows, self.at_columns] += self.curved @ slopes
        self.known, self.value, self.jacobian = x.copy(), unbalanced, jacobian

    def equations(self, x: Array) -> Array:
        self._work(x)
        return self.value

    def slopes(self, x: Array) -> Array:
        self._work(x)
        return self.jacobian


def loop_of_root(circuit: Circuit, stack: Array, start: Array) -> tuple[float, int, float]:
    """Processor seconds a variant, how many it solved, and its largest disagreement with ours in volts."""
    one = OneRow(circuit)
    ours = circuit.solve(stack)
    solved = 0
    apart = 0.0
    began = time.process_time()
    found = []
    for row in stack:
        one.load(row)
        found.append(root(one.equations, start, jac=one.slopes, method="hybr"))
    seconds = (time.process_time() - began) / len(stack)
    for row, result in enumerate(found):
        settled = bool(result.success) and float(np.abs(result.fun).max()) < 1e-6
        solved += settled
        if settled and ours.certified[row]:
            points = len(circuit.points) - 1
            apart = max(apart, float(np.median(np.abs(result.x[:points] - ours.volts[row, 1:]))))
    return seconds, solved, apart


def stacked_solves(circuit: Circuit, stack: Array, repeats: int) -> float:
    """Processor seconds a variant of one stacked dense solve of the whole network, at the healthy solution."""
    layout = circuit.layout
    one = OneRow(circuit)
    x = circuit.healthy().x[1:, 0]
    dense = np.empty((len(stack), layout.n_unknowns, layout.n_unknowns))
    right = np.empty((len(stack), layout.n_unknowns, 1))
    for n, row in enumerate(stack):
        one.load(row)
        right[n, :, 0] = one.equations(x)
        dense[n] = one.slopes(x)
    best = np.inf
    for _ in range(repeats):
        began = time.process_time()
        np.linalg.solve(dense, right)
        best = min(best, time.process_time() - began)
    return best / len(stack)


_SUSPECTS = """
import io, sys, time
from contextlib import redirect_stderr, redirect_stdout
import hetwright.cli.job, hetwright.cli.suspects_document, hetwright.card.reading, hetwright.readings.csv_file
from hetwright.cli.app import run
sink = io.StringIO()
with redirect_stdout(sink), redirect_stderr(sink):
    began = time.perf_counter()
    status = run(["suspects", *sys.argv[1:], "--json"])
    seconds = time.perf_counter() - began
print(status, seconds)
"""


def suspects_seconds(processes: int = 3) -> float:
    """Seconds of one whole ``suspects`` on the demo set in a fresh process, after its imports; the best of several."""
    from hetwright.card.demo import CARD_NAME, READINGS_NAME, write_demo

    best = np.inf
    with tempfile.TemporaryDirectory() as folder:
        write_demo(folder)
        files = [str(Path(folder) / name) for name in (CARD_NAME, READINGS_NAME)]
        for _ in range(processes):
            out = subprocess.run(
                [sys.executable, "-c", _SUSPECTS, *files], check=True, capture_output=True, text=True
            )
            status, seconds = out.stdout.split()
            if status != "0":
                raise SystemExit(f"suspects on the demo set ended with status {status}")
            best = min(best, float(seconds))
    return float(best)


def help_ratio(repeats: int = 9) -> float:
    """Start of ``hetwright --help`` over that of a bare interpreter."""

    def least(command: list[str]) -> float:
        best = np.inf
        for _ in range(repeats):
            began = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            best = min(best, time.perf_counter() - began)
        return float(best)

    helped = [
        sys.executable,
        "-c",
        "import sys; sys.argv = ['hetwright', '--help']; from hetwright.cli import main; main()",
    ]
    return least(helped) / least([sys.executable, "-c", "pass"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sample", type=int, default=200, help="variants given to the loop of root")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()

    set_ = subject("noval AC")
    circuit = set_.circuit
    rng = np.random.default_rng(options.seed)
    stack = draw_variants(set_, options.count, rng)
    start = circuit.healthy().x[1:, 0].copy()

    best = np.inf
    for _ in range(options.repeats):
        began = time.process_time()
        points = circuit.solve(stack)
        best = min(best, time.process_time() - began)
    per_variant = best / options.count
    sample = stack[rng.choice(options.count, min(options.sample, options.count), replace=False)]
    root_seconds, root_solved, apart = loop_of_root(circuit, sample, start)
    dense = stacked_solves(circuit, stack, options.repeats)
    document = {
        "schema": "hetwright.benchmark.speed/1",
        "variants": options.count,
        "points": len(circuit.points),
        "unknowns": circuit.layout.n_unknowns,
        "certified": int(points.certified.sum()),
        "per_variant_seconds": per_variant,
        "ratio_to_root": root_seconds / per_variant,
        "root_seconds": root_seconds,
        "root_solved_share": root_solved / len(sample),
        "root_median_disagreement_volts": apart,
        "solves_per_variant": per_variant / dense,
        "stacked_solve_seconds": dense,
        "suspects_seconds": suspects_seconds(),
        "help_ratio": help_ratio(),
    }
    if options.json:
        print(json.dumps(document, indent=1))
    else:
        for key, value in document.items():
            print(f"{key:32s} {value:.4g}" if isinstance(value, float) else f"{key:32s} {value}")


if __name__ == "__main__":
    main()
