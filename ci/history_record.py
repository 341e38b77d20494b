"""The entries of a made run, as a record has them: built past the types, for speed.

A test reads them back strictly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from ci.history_items import Item, Spread


@dataclass(frozen=True, slots=True)
class Night:
    """What the entries of one night have in common."""

    number: int
    seed: int
    build: str
    commit: str
    simulated: bool
    rig: str
    repeats: int
    trouble: float
    failing: tuple[str, ...]


def utc(at: datetime) -> str:
    """A time as records have it."""
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def start_of(
    run: str, begun: datetime, night: Night, plan: Sequence[Item], hashes: dict[str, str]
) -> dict[str, Any]:
    """The first entry."""
    board = {"role": "board", "model": "DOSING-DRIVE", "revision": night.build}
    supply = {"role": "supply", "maker": "GREENHOUSE BENCH", "model": "SUPPLY", "serial": "1"}
    return {
        "kind": "run-start",
        "run": run,
        "utc": utc(begun),
        "simulated": night.simulated,
        "bench": f"{'SIMULATED' if night.simulated else 'hardware'} bench of rig {night.rig}",
        "rig": night.rig,
        "plans": ["nightly.plan.yaml"],
        "items": [item.name for item in plan],
        "seed": night.seed,
        "identities": [board, {**supply, "calibration_due": "2030-01-31"}],
        "hashes": hashes,
        "limits": {"speed": "at most 4500 rpm", "current": "at most 12 A"},
        "commit": night.commit,
    }


def result_of(
    item: Item, away: dict[str, float], night: Night, chance: np.random.Generator, at: str
) -> dict[str, Any]:
    """The entry of one item: measures, judgements, verdict."""
    fate = chance.random()
    entry: dict[str, Any] = {
        "kind": "item", "item": item.name, "scenario": item.scenario, "plan": "nightly",
        "title": item.title, "conditions": item.conditions, "verdict": "pass",
        "reason": "all bands held", "utc": at, "duration": 6.5, "measures": [], "repeats": [],
        "judgements": [], "requirements": list(item.requirements),
    }  # fmt: skip
    if fate < 0.5 * night.trouble:
        reason = "bench: the board did not answer within 1 s"
        return {**entry, "verdict": "bench-fault", "reason": reason}
    broken = int(chance.integers(len(item.spreads))) if fate < 1.5 * night.trouble else -1
    if item.scenario in night.failing:
        broken = 0
    between = chance.standard_normal(len(item.spreads))
    for repeat in range(1, night.repeats + 1):
        within = chance.standard_normal(len(item.spreads))
        for n, spread in enumerate(item.spreads):
            sigmas = between[n] + spread.within * within[n] + away.get(spread.measure, 0.0)
            value = spread.beyond if n == broken else spread.at(float(sigmas))
            judged = _judged(spread, value, repeat)
            entry["measures"].append(judged["measure"])
            entry["repeats"].append(repeat)
            if spread.banded:
                entry["judgements"].append(judged)
                if judged["verdict"] == "fail":
                    entry |= {"verdict": "fail", "reason": judged["reason"]}
    return entry


def _judged(spread: Spread, value: float, repeat: int) -> dict[str, Any]:
    low, high = spread.low, spread.high
    rooms = [*([] if low is None else [value - low]), *([] if high is None else [high - value])]
    margin = min(rooms, default=0.0)
    passed = margin >= 0.0
    return {
        "band": {"measure": spread.measure, "low": low, "high": high, "unit": spread.unit},
        "measure": {
            "name": spread.measure, "unit": spread.unit, "value": value,
            "uncertainty": spread.uncertainty, "resolution": spread.uncertainty,
        },
        "verdict": "pass" if passed else "fail",
        "reason": f"{spread.measure} {value:.4g} {spread.unit} {'held' if passed else 'missed'}",
        "margin": margin,
        "repeat": repeat,
    }  # fmt: skip
