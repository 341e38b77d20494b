"""``python -m ci.truth_table --rigs N [--json FILE]``: do 95 % intervals hold the truth?"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from functools import cache
from pathlib import Path

import numpy as np

from hil.plan.plan import PlannedItem
from hil.plan.rig import Rig
from hil.scenarios.campaign_task import items_of, rig_of
from hil.scenarios.truth import held_against_truth
from hil.scenarios.truth_coverage import Held, coverage

PLAN = str(Path(__file__).with_name("truth.plan.yaml"))
LOW, HIGH = 93.0, 97.0  # % of the cases


@cache
def _loaded() -> tuple[Rig, Mapping[str, tuple[PlannedItem, ...]]]:
    groups: dict[str, list[PlannedItem]] = {}
    for item in items_of(PLAN).values():
        groups.setdefault(item.id.split(".")[0], []).append(item)
    return rig_of(PLAN), {name: tuple(items) for name, items in groups.items()}


def of_rig(seed: int, number: int) -> tuple[list[Held], list[str]]:
    """Every kind of manoeuvre, sensing and direction drawn, each on a rig of its own.

    On one and the same rig the errors of several manoeuvres would be those of one instrument, and
    several cases no more than one observation.
    """
    rig, groups = _loaded()
    rng = np.random.default_rng([seed, number, 3])
    cases: list[Held] = []
    problems: list[str] = []
    for place, items in enumerate(groups.values()):
        item = items[int(rng.integers(len(items)))]
        found, problem = held_against_truth(item, rig, seed * len(groups) + place, number)
        cases += found
        problems += [problem] if problem else []
    return cases, problems


def main() -> int:
    """Print the table; 1 if an interval holds the truth less often than it claims."""
    parser = argparse.ArgumentParser(prog="ci/truth")
    parser.add_argument("--rigs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--json", type=Path, help="write the table here")
    options = parser.parse_args()
    cases: list[Held] = []
    problems: list[str] = []
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(options.jobs, mp_context=context) as pool:
        seeds, numbers = [options.seed] * options.rigs, range(1, options.rigs + 1)
        for number, (found, wrong) in enumerate(
            pool.map(of_rig, seeds, numbers, chunksize=4), start=1
        ):
            cases += found
            problems += wrong
            if number % 50 == 0:
                print(f"{number} of {options.rigs} rigs", file=sys.stderr, flush=True)
    table = coverage(cases)
    print(
        f"{'measure':<28}{'n':>6}{'held %':>8}{'between':>14}{'exact':>7}{'bias':>8}{'spread':>8}"
        "  95 % interval"
    )
    for line in table:
        sign = "UNDER" if line.share < LOW else "wide" if line.share > HIGH else ""
        low, high = line.limits
        print(
            f"{line.measure:<28}{line.n:>6}{line.share:>8.1f}{low:>7.1f}-{high:<6.1f}"
            f"{line.exact:>7}{line.bias:>8.2f}{line.spread:>8.2f}"
            f"  ± {line.half_width:.3g} {line.unit} {sign}"
        )
    held = 100.0 * sum(line.held for line in table) / max(1, sum(line.n for line in table))
    print(f"all: {held:.2f} % of {len(cases)} cases on {options.rigs} rigs")
    for problem in problems:
        print(f"not measured: {problem}")
    if options.json:
        said = {
            "rigs": options.rigs,
            "seed": options.seed,
            "held": held,
            "measures": [
                {**asdict(line), "share": line.share, "limits": line.limits} for line in table
            ],
            "problems": problems,
        }
        options.json.write_text(json.dumps(said, indent=2) + "\n", encoding="utf-8")
    return 0 if all(line.share >= LOW for line in table) else 1


if __name__ == "__main__":
    raise SystemExit(main())
