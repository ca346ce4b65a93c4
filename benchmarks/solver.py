"""How many random faulty variants come out certified: ``solver.py --count N --seed S [--json]``.

Variants are spread evenly over the line-ups of :mod:`variants`. Every one must come out either certified or refused with
its point and reason.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from variants import LINE_UPS, draw_variants, subject


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()

    rng = np.random.default_rng(options.seed)
    shares = np.full(len(LINE_UPS), options.count // len(LINE_UPS))
    shares[: options.count % len(LINE_UPS)] += 1
    certified = refused = 0
    worst_amps = worst_volts = 0.0
    refusals: list[dict[str, object]] = []
    line_ups = []
    for name, share in zip(LINE_UPS, shares.tolist(), strict=True):
        set_ = subject(name)
        stack = draw_variants(set_, share, rng)
        began = time.process_time()
        points = set_.circuit.solve(stack)
        seconds = time.process_time() - began
        good = points.certified
        certified += int(good.sum())
        refused += len(points.refusals)
        if good.any():
            worst_amps = max(worst_amps, float(points.unbalanced_amps[good].max()))
            worst_volts = max(worst_volts, float(points.last_step_volts[good].max()))
        refusals += [{"line_up": name, "row": row, "point": p, "why": why} for row, p, why in points.refusals]
        line_ups.append(
            {
                "line_up": name,
                "points": len(set_.circuit.points),
                "slots": len(set_.circuit.slots),
                "variants": share,
                "refused": len(points.refusals),
                "per_variant_seconds": seconds / share,
            }
        )
        if not options.json:
            print(
                f"{name:34s} {len(set_.circuit.points):3d} points {share:6d} variants "
                f"{len(points.refusals):3d} refused {seconds / share * 1e6:6.0f} µs each",
                file=sys.stderr,
            )
    document = {
        "schema": "hetwright.benchmark.solver/1",
        "variants": options.count,
        "certified": certified,
        "refused": refused,
        "worst_unbalanced_amps": worst_amps,
        "worst_last_step_volts": worst_volts,
        "refusals": refusals,
        "line_ups": line_ups,
    }
    if options.json:
        print(json.dumps(document, indent=1))
    else:
        share = 100.0 * certified / max(options.count, 1)
        print(
            f"{options.count} variants: {certified} certified ({share:.3f} %), {refused} refused; "
            f"worst unbalance {worst_amps:.2g} A, worst last step {worst_volts:.2g} V"
        )


if __name__ == "__main__":
    main()
