"""``python -m ci.timing [--json FILE] [GROUP ...]``."""

from __future__ import annotations

import argparse
import importlib
import json
from dataclasses import asdict
from pathlib import Path

GROUPS = (
    "startup",
    "stack",
    "measures",
    "decode",
    "judging",
    "kernel",
    "firmware",
    "wallclock",
    "index",
    "site",
)


def main() -> int:
    """Run the groups, print a table, write JSON; 1 if a goal is missed."""
    parser = argparse.ArgumentParser(prog="ci/benchmark")
    parser.add_argument("--json", type=Path, help="write the results here")
    parser.add_argument("groups", nargs="*", default=[], help=f"of {', '.join(GROUPS)}")
    options = parser.parse_args()
    if unknown := sorted(set(options.groups) - set(GROUPS)):
        parser.error(f"no such group: {', '.join(unknown)}; there are {', '.join(GROUPS)}")
    results = []
    for group in options.groups or GROUPS:
        for result in importlib.import_module(f"ci.timing.{group}").run():
            results.append(result)
            sign = {"higher": ">=", "lower": "<="}[result.better]
            goal = "" if result.goal is None else f"goal {sign} {result.goal:g}"
            state = "" if result.goal is None else "holds" if result.holds else "MISSED"
            print(
                f"{result.name:<50} {result.value:>10.4g} {result.unit:<5} {goal:<14} {state}",
                flush=True,
            )
    if options.json:
        text = json.dumps([asdict(result) for result in results], indent=2)
        options.json.write_text(text + "\n", encoding="utf-8")
    return 0 if all(result.holds for result in results) else 1


if __name__ == "__main__":
    raise SystemExit(main())
