"""A strand of nights made by hand: a step in one measure, a failure, repeats, gaps."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from hil.report.site.gather import Gathered
from hil.report.site.places import item_place, measure_place, run_place
from hil.report.site.views import Change, Hint, ItemLine, ItemResultLine, RunLine, Strand, Trend

PLAN = "nightly"


def runs_of(
    nights: int, per_build: int = 3, trouble: str = "", tag: str = "b"
) -> tuple[RunLine, ...]:
    found = []
    for n in range(nights):
        at = datetime(2026, 1, 1, 22, 15, tzinfo=UTC) + timedelta(days=n)
        name = f"{at:%Y-%m-%dt%H-%M-%Sz}-{tag}{n:03x}"
        build = f"1.4.{n // per_build}+g{0xA1B2C3 + n // per_build:06x}"
        counts = dict.fromkeys(
            ("fail", "bench-fault", "interrupted", "undecided", "not-run", "pass"), 0
        )
        counts["pass"] = 3
        found.append(
            RunLine(
                name,
                f"{at:%Y-%m-%dT%H:%M:%S}Z",
                build,
                f"{0xC0FFEE + n // per_build:040x}",
                ("nightly.plan.yaml",),
                "completed",
                counts,
                run_place(name),
                trouble,
            )
        )
    return tuple(found)


def trend_of(
    strand: Strand,
    runs: tuple[RunLine, ...],
    item: str,
    measure: str = "time-to-speed",
    unit: str = "s",
    *,
    step_at: int | None = None,
    step: float = 0.2,
    level: float = 0.8,
    high: float = 1.2,
    repeats: int = 1,
    seed: int = 1,
) -> Trend:
    random = np.random.default_rng(seed)
    at = np.repeat(np.arange(len(runs)), repeats)
    value = level + 0.01 * random.standard_normal(at.size)
    page = measure_place(strand, PLAN, item, measure, unit)
    changes = ()
    if step_at is not None:
        value[at >= step_at] += step
        changes = (change_of(runs, item, measure, unit, page, step_at, level, level + step, high),)
    verdict = tuple(np.where(value > high, "fail", "pass").tolist())
    return Trend(
        strand,
        PLAN,
        item,
        measure,
        unit,
        page,
        at,
        np.tile(np.arange(1, repeats + 1), len(runs)),
        value,
        np.full(at.size, 0.004),
        np.full(at.size, np.nan),
        np.full(at.size, high),
        verdict,
        changes,
        definition="Time from the start command until the speed stays within 2 % of its target.",
    )


def change_of(
    runs: tuple[RunLine, ...],
    item: str,
    measure: str,
    unit: str,
    page: str,
    at: int,
    before: float,
    after: float,
    high: float,
) -> Change:
    return Change(
        item=item,
        measure=measure,
        unit=unit,
        build=runs[at].build,
        commit=runs[at].commit,
        utc=runs[at].utc,
        build_before=runs[at - 1].build,
        same_build=runs[at].build == runs[at - 1].build,
        before=before,
        after=after,
        size_low=0.9 * (after - before),
        size_high=1.1 * (after - before),
        sigma=20.0,
        p=1e-9,
        exact=0.99,
        margin_before=high - before,
        margin_after=high - after,
        at=at,
        last_before=at - 1,
        earliest=at,
        latest=at,
        page=page,
    )


def strand_of(strand: Strand, nights: int = 30) -> Gathered:
    """Three items: one fails since night 21, one slower since 12, one with ten repeats."""
    runs = runs_of(nights, tag=strand.evidence[0])
    names = ("start.hall.cw.24v", "reversal.back-emf.2000rpm", "stall.locked")
    since_fail, since_slow = 2 * nights // 3 + 1, 2 * nights // 5
    trends = {
        names[0]: (
            trend_of(strand, runs, names[0], step_at=since_slow),
            trend_of(strand, runs, names[0], "peak-current", "A", level=2.4, high=3.5, seed=2),
        ),
        names[1]: (
            trend_of(strand, runs, names[1], step_at=since_fail, step=0.6, level=0.9, seed=3),
        ),
        names[2]: (trend_of(strand, runs, names[2], "trip-time", repeats=10, seed=4),),
    }
    hinted = replace(
        trends[names[2]][0],
        hint=Hint(
            item=names[2],
            measure="trip-time",
            unit="s",
            state="unlike every night before it, wait for the next",
            value=0.84,
            level=0.8,
            sigma=4.2,
            page=trends[names[2]][0].page,
        ),
    )
    trends[names[2]] = (hinted,)
    results: dict[str, dict[tuple[str, str], ItemResultLine]] = {}
    lines = []
    for n, run in enumerate(runs):
        failed = n >= since_fail
        if failed:
            run.counts["fail"], run.counts["pass"] = 1, 2  # type: ignore[index]
        results[run.run] = {
            (PLAN, name): ItemResultLine(
                name,
                "fail" if failed and name == names[1] else "pass",
                "time-to-speed 1.5 s is above 1.2 s" if failed and name == names[1] else "",
                item_place(strand, PLAN, name),
            )
            for name in names
        }
    for name in names:
        words = tuple(results[run.run][PLAN, name].verdict for run in runs)
        reason = results[runs[-1].run][PLAN, name].reason
        lines.append(ItemLine(PLAN, name, item_place(strand, PLAN, name), words, reason))
    return Gathered(
        strand,
        runs,
        {run.run: "" for run in runs},
        tuple(lines),
        results,
        {(PLAN, name): group for name, group in trends.items()},
        (hinted.hint,) if hinted.hint else (),
        0.01,
    )


@pytest.fixture
def bench_strand() -> Strand:
    return Strand("greenhouse-dosing-pump", "bench")


@pytest.fixture
def simulated_strand() -> Strand:
    return Strand("greenhouse-dosing-pump", "simulated")


@pytest.fixture
def make_runs() -> Callable[..., tuple[RunLine, ...]]:
    """``make_runs(nights, per_build=3)``."""
    return runs_of


@pytest.fixture
def make_trend() -> Callable[..., Trend]:
    """``make_trend(strand, runs, item, measure, unit, step_at=, level=, high=, repeats=)``."""
    return trend_of


@pytest.fixture
def make_strand() -> Callable[..., Gathered]:
    """``make_strand(strand, nights=30)``."""
    return strand_of


def campaigns_of(out: Path) -> None:
    """Two campaigns of each kind below `out`, in the form in which the commands leave them."""
    rows = [
        {
            "defect": name,
            "consequence": f"What {name} does.",
            "seeds": "x = 1",
            "tags": ["start"],
            "item": item,
            "measure": measure,
            "margin": -0.2 if item else None,
            "margin_text": "-0.2 s" if item else "-",
            "reason": "",
            "caught_by_items": 1 if item else 0,
            "items_run": 2,
            "seconds": 1.0,
            "chance": chance,
            "chance_text": "",
            "otherwise": [],
        }
        for name, item, measure, chance in (
            ("stall-not-noticed", "", "", None),
            ("start-sluggish", "start.hall", "time-to-speed", None),
            ("start-missed-1-in-50", "start.hall", "", 0.997),
        )
    ]
    for day, void in (("2026-03-01", []), ("2026-03-02", [])):
        folder = out / f"defects-{day}t22-15-09z-5f0c"
        folder.mkdir(parents=True)
        content = {
            "plan": "nightly.plan.yaml",
            "rig": "pump",
            "seed": "1",
            "whole": True,
            "simulated": True,
            "seconds": 2.0,
            "void": void,
            "items": ["start.hall", "stall.hall"],
            "defects": rows,
        }
        (folder / "matrix.json").write_text(json.dumps(content))
        (folder / "matrix.csv").write_text(
            "defect,item,verdict,caught,measure,margin,seconds,reason\n"
            "stall-not-noticed,start.hall,pass,,,,0.1,\n"
            "stall-not-noticed,stall.hall,undecided,,,,0.1,\n"
            "start-sluggish,start.hall,fail,caught,time-to-speed,-0.2,0.1,slow\n"
            "start-missed-1-in-50,start.hall,fail,caught,success,-1,0.1,missed\n"
        )
        spread = {"count": 50, "least": 1.0, "low": 1.1, "median": 1.3, "high": 1.8, "most": 2.1}
        band = {
            "item": "start.hall",
            "measure": "peak-current",
            "unit": "A",
            "judged": 50,
            "fails": 1,
            "undecided": 0,
            "fail_bound": 0.09,
            "spread": spread,
            "limits": [None, 2.0],
            "margin": -0.1,
            "room": -0.14,
            "examples": ["rig 7: peak-current 2.1 A is above 2 A"],
        }
        held = {
            **band,
            "measure": "overshoot",
            "unit": "%",
            "fails": 0,
            "limits": [0.5, 9.0],
            "margin": 0.5,
            "room": 0.7,
            "examples": [],
        }
        empty = {**held, "measure": "dwell", "spread": None, "margin": None, "room": None}
        folder = out / f"population-{day}t22-15-09z-5f0c"
        folder.mkdir()
        (folder / "campaign.json").write_text(
            json.dumps({"plan": "nightly.plan.yaml", "rig": "pump.yaml", "rigs": 50, "seed": 1})
        )
        summary = {
            "rigs": 50,
            "failed_rigs": ["rig 7"],
            "fail_bound_of_a_rig": 0.09,
            "judgements": 100,
            "undecided": 0,
            "bands": [band, held, empty],
        }
        (folder / "summary.json").write_text(json.dumps(summary))


@pytest.fixture(scope="session")
def make_campaigns() -> Callable[[Path], None]:
    """``make_campaigns(out)``: two campaigns of seeded defects and two of healthy rigs."""
    return campaigns_of
