"""Judging: a year of nights for drift and for changes, and the starts a sequential test saves."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy.special import comb
from scipy.stats import false_discovery_control

from ci.timing.result import Result, seconds, side_by_side

NIGHTS, MEASURES = 365, 200
#: The plain way is timed on so many nights and taken to a year.
SAMPLE = 3


def run() -> Iterator[Result]:
    """Drift of a year, against the same figures by one library call per measure; starts saved."""
    from hil.verdicts.drift import SHIPPED, WINDOW, judge_night
    from hil.verdicts.fixed_plans import smallest_plan
    from hil.verdicts.sequential import evaluate
    from hil.verdicts.sequential_design import design

    confirm = SHIPPED.confirm
    data = np.random.default_rng(1).standard_normal((NIGHTS + WINDOW + confirm, MEASURES))

    def night(day: int) -> None:
        judge_night(data[day : day + WINDOW], data[day + WINDOW : day + WINDOW + confirm])

    def nights(days: int) -> None:
        for day in range(days):
            night(day)

    found = judge_night(data[:WINDOW], data[WINDOW : WINDOW + confirm]).adjusted
    if not np.allclose(found, _plain(data[: WINDOW + confirm], confirm)):
        raise AssertionError("the two ways give different figures: there is nothing to compare")
    year = seconds(lambda: nights(NIGHTS))
    yield Result("a year of 365 x 200 measures judged", year, "s", "lower", 10.0)
    ours, plain = side_by_side(
        lambda: nights(SAMPLE),
        lambda: [_plain(data[day : day + WINDOW + confirm], confirm) for day in range(SAMPLE)],
    )
    yield Result("the same by a library call per measure", plain / ours, "times", "higher", 1.0)
    yield from _changes(data[:NIGHTS])
    for good, bad, risk in ((0.01, 0.05, 0.05), (0.01, 0.05, 0.01), (0.01, 0.10, 0.05)):
        test, plan = design(good, bad, risk, risk), smallest_plan(good, bad, risk, risk)
        mean = 0.5 * (evaluate(test, good).trials + evaluate(test, bad).trials)
        name = f"starts saved, {good:.0%} against {bad:.0%}, risks {risk:.0%}"
        yield Result(name, 100.0 * (1.0 - mean / plan.trials), "%", "higher", 50.0)


def _changes(data: np.ndarray) -> Iterator[Result]:
    """Change points of a year, against the same search by the plain class of the library."""
    from hil.verdicts.changes import search
    from hil.verdicts.changes_chance import clear_enough

    stepped = data.copy()
    for k in range(0, MEASURES, 10):
        stepped[50 + k :, k] += 2.0
    search(list(data[:, :2].T))  # not the first call of anything
    quiet = seconds(lambda: search(list(data.T)))
    busy = seconds(lambda: search(list(stepped.T)))
    yield Result("change points of a year of 365 x 200 healthy measures", quiet, "s", "lower", 10.0)
    yield Result("the same, a tenth of the measures changed", busy, "s", "lower", 10.0)
    price = clear_enough(0.01 / MEASURES, NIGHTS, 3) ** 2
    part = stepped[:, :SAMPLE]
    found = [_plain_search(row, price) for row in part.T]
    ours = [[c.position for c in one.changes] for one in search(list(part.T))]
    if [len(one) for one in found] != [len(one) for one in ours]:
        raise AssertionError(f"the two ways find different changes: {found} and {ours}")
    mine, plain = side_by_side(
        lambda: search(list(part.T)),
        lambda: [_plain_search(row, price) for row in part.T],
        rounds=3,
    )
    yield Result("change points by ruptures' plain search", plain / mine, "times", "higher", 10.0)


def _plain_search(row: np.ndarray, price: float) -> list[int]:
    """Changes by the search and the cost that a first look at the library suggests."""
    from ruptures.detection import Pelt

    found = Pelt(model="l2", min_size=3, jump=1).fit(row).predict(pen=price)
    return [int(place) for place in found[:-1]]


def _plain(data: np.ndarray, confirm: int) -> np.ndarray:
    """Adjusted p values of one night, measure by measure with pandas and scipy."""
    p = []
    for _name, series in pd.DataFrame(data).items():
        count = len(series) - confirm
        away = series - series.iloc[:count].mean()
        past = away.iloc[:count]
        raw = (past * past.shift()).sum() / (past**2).sum()
        lag = min(0.9, max(0.0, raw + (1.0 + 3.0 * raw) / count))
        free = away - lag * away.shift(fill_value=0.0)
        earlier, recent = free.iloc[:count], free.iloc[count:]
        beyond = min((earlier >= recent.min()).sum(), (earlier <= recent.max()).sum())
        ways = comb(beyond + confirm, confirm) / comb(count + confirm, confirm)
        p.append(min(1.0, 2.0 * ways))
    return false_discovery_control(p)
