"""Trials of the search for the first bad build, on histories whose truth is known."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import random
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path

from ci.bisecting_history import History, example
from hil.bench.assemble import assemble
from hil.bench.bench import closing
from hil.bench.open import open_parts
from hil.bench.simulate import twin_access
from hil.core.errors import FirmwareError
from hil.core.verdict import Verdict
from hil.plan.firmware import FirmwareFiles
from hil.plan.load import load_rig
from hil.plan.plan import PlannedItem
from hil.plan.rig import Rig
from hil.scenarios.campaign_task import items_of
from hil.scenarios.execute import Executed, execute
from hil.scenarios.source_defects import seeded_into
from hil.verdicts.bisection import Search
from hil.verdicts.bisection_finding import Outcome
from hil.verdicts.samples import interval

TESTPLANS = Path(__file__).parents[1] / "testplans"
RIG = TESTPLANS / "rigs" / "dosing-pump-c.yaml"
PLAN = TESTPLANS / "nightly.plan.yaml"

#: Defect -> item, and the measure in which it shows; "" for whether the item passes.
SHOWN = {
    "start-kick-too-strong": ("start.hall.cw.24v.1000rpm", "peak-current"),
    "start-sluggish": ("start.hall.cw.24v.2000rpm", "time-to-speed"),
    "alignment-too-short": ("start.back-emf.cw.24v.1000rpm", "alignment-time"),
    "alignment-too-strong": ("start.back-emf.cw.24v.1000rpm", "peak-current"),
    "ramp-too-slow": ("start.back-emf.cw.24v.2000rpm", "time-to-speed"),
    "handover-too-slow-a-rotor": ("start.back-emf.cw.24v.2000rpm", "handover-speed"),
    "commutation-late": ("start.hall.cw.24v.3000rpm", "peak-current"),
    "commutation-late-after-the-crossing": ("start.back-emf.cw.24v.3000rpm", ""),
    "blanking-too-long": ("start.back-emf.cw.24v.1000rpm", ""),
    "hall-table-shifted": ("start.hall.cw.24v.1000rpm", "peak-current"),
    "hall-code-missing": ("start.hall.cw.24v.1000rpm", ""),
    "runs-too-fast-unknowingly": ("start.hall.cw.24v.1000rpm", "steady-error"),
    "integral-part-missing": ("start.hall.cw.24v.1000rpm", "steady-error"),
    "regulator-too-eager": ("start.hall.cw.24v.2000rpm", "ripple"),
    "regulator-sluggish": ("stiff.hall.1000rpm", "speed-dip"),
    "current-limit-too-low": ("start-loaded.hall", "time-to-speed"),
    "reversal-lingers": ("reversal.back-emf.cw.1000rpm", "dwell"),
    "reversal-ignored": ("reversal.hall.cw.1000rpm", ""),
    "stop-switches-off": ("stop.hall.cw", ""),
    "stall-not-noticed": ("stall.hall.1000rpm.400mnm", "trip-time-from-brake"),
    "stall-noticed-late": ("stall.hall.1000rpm.400mnm", "trip-time-from-brake"),
    "over-current-trip-slow": ("over-current.hall", "time-to-fault"),
    "restarts-under-load": ("soft-block.hall", ""),
    "under-voltage-limit-too-high": ("start.hall.cw.20v.2000rpm", ""),
    "reported-speed-2-percent-high": ("start.hall.cw.24v.3000rpm", "speed-disagreement"),
    "reported-current-halved": ("start.hall.cw.24v.3000rpm", "current-disagreement"),
    "reported-voltage-low": ("start.hall.cw.24v.1000rpm", "voltage-disagreement"),
    "telemetry-frames-dropped": ("start.hall.cw.24v.1000rpm", "telemetry-loss"),
    "telemetry-checksum-wrong": ("start.hall.cw.24v.1000rpm", "telemetry-loss"),
    "telemetry-reports-standstill-now-and-then": ("sweep.hall.cw", ""),
}


@dataclass(frozen=True, slots=True)
class Trial:
    """What came of one history; `first_bad` 0 if nothing had been changed."""

    number: int
    defect: str
    item: str
    measure: str
    first_bad: int
    outcome: str
    first: int
    last: int
    probability: float
    right: bool
    runs: int
    builds: int
    skipped: int
    expected: float | None
    linear: float
    seconds: float


@cache
def _bench() -> tuple[Rig, dict[str, PlannedItem], dict[str, str]]:
    rig = load_rig(RIG)
    firmware = rig.twin.firmware.model_copy(update={"isolate": False})
    rig_here = rig.model_copy(update={"twin": rig.twin.model_copy(update={"firmware": firmware})})
    rig_here._firmware, rig_here._profile = rig._firmware, rig._profile
    rig_here._commands, rig_here._files = rig._commands, rig._files
    items = dict(items_of(str(PLAN), str(RIG)))
    return rig_here, items, example(TESTPLANS / "firmware" / "dosing_drive")


def run_item(library: Path, item: str, seed: str) -> Executed:
    """One item of the nightly plan with a compiled version, on a simulated bench of its own."""
    rig, items, _ = _bench()
    assert rig.firmware is not None
    old = rig.firmware
    rig._firmware = FirmwareFiles(library.name, old.where, old.position, library)
    access = twin_access(rig, seed)
    try:
        parts = open_parts(rig, access, {})
        with closing(assemble(rig, parts, access.clock, None, access.poll)) as bench:
            return execute(items[item], rig, bench)
    except FirmwareError as error:
        return Executed(Verdict.FAIL, f"firmware: {error}")


def value_of(done: Executed, measure: str) -> float:
    """The value of a measure, NaN without one; 1 or 0 for an item that passed or failed."""
    if done.verdict in (Verdict.BENCH_FAULT, Verdict.NOT_RUN):
        raise RuntimeError(f"the bench is at fault: {done.reason}")
    if not measure:
        return float(done.verdict is Verdict.PASS)
    for found in done.measures:
        if found.name == measure and found.value is not None:
            return found.value
    return float("nan")


def trial(number: int, seed: int, versions: int, risk: float, *, changed: bool) -> Trial:
    """One history, one search."""
    dice = random.Random(f"{seed}/{number}/{changed}")
    name = sorted(SHOWN)[number % len(SHOWN)]
    item, measure = SHOWN[name]
    sources = _bench()[2]
    first_bad = dice.randint(1, versions) if changed else 0
    with tempfile.TemporaryDirectory(prefix="bisecting-") as folder:
        defect = seeded_into(load_rig(RIG))[name] if changed else None
        history = History(sources, versions, dice.randrange(2**31), defect, first_bad)
        search = Search(versions, rate=not measure, risk=risk)
        begun, run = time.perf_counter(), 0
        while (build := search.next()) is not None:
            library = history.build(build, Path(folder))
            if library is None:
                search.skip(build)
                continue
            run += 1
            done = run_item(library, item, f"{seed}/{number}/{run}")
            search.observe(build, [value_of(done, measure)])
        found = search.finding()
    named = found.outcome is Outcome.FOUND
    right = found.first <= first_bad <= found.last if changed else not named
    return Trial(
        number, name if changed else "", item, measure, first_bad, found.outcome.value,
        found.first, found.last, found.probability, named and right if changed else right,
        found.runs, found.builds, len(search.skipped), search.expected, found.linear,
        time.perf_counter() - begun,
    )  # fmt: skip


def _one(task: tuple[int, int, int, float, bool]) -> Trial:
    number, seed, versions, risk, changed = task
    return trial(number, seed, versions, risk, changed=changed)


def summary(trials: list[Trial], risk: float) -> dict[str, object]:
    """Shares with exact intervals, and what it took."""
    changed = [one for one in trials if one.first_bad]
    rest = [one for one in trials if not one.first_bad]
    right = sum(one.right for one in changed)
    wrong = sum(one.outcome == "found" and not one.right for one in changed)
    alarms = sum(not one.right for one in rest)
    told: dict[str, object] = {"risk": risk, "trials": len(changed), "right": right}
    if changed:
        told["right_interval_95"] = interval(right, len(changed), 0.95)
        told["wrong_build_named"] = wrong
        told["no_change_seen"] = sum(one.outcome == "no-change" for one in changed)
        told["ranges"] = sum(one.outcome == "found" and one.first < one.last for one in changed)
        for name in ("runs", "builds", "linear", "seconds"):
            told[f"mean_{name}"] = sum(getattr(one, name) for one in changed) / len(changed)
        expected = [one.expected for one in changed if one.expected is not None]
        told["mean_expected_runs"] = sum(expected) / max(1, len(expected))
    told |= {"unchanged": len(rest), "false_alarms": alarms}
    return told


def main() -> None:
    """Run the trials, tell, save; exit code 1 if fewer are right than the risk allows."""
    options = _options()
    tasks = [
        (number, options.seed, options.versions, options.risk, changed)
        for changed, count in ((True, options.trials), (False, options.unchanged))
        for number in range(count)
    ]
    begun, trials = time.perf_counter(), []
    context = multiprocessing.get_context("spawn")
    with context.Pool(options.jobs) as pool:
        for one in pool.imap_unordered(_one, tasks):
            trials.append(one)
            place = f"{one.first}" if one.first == one.last else f"{one.first}-{one.last}"
            said = f"{one.outcome} {place}" if one.first else one.outcome
            print(
                f"{len(trials):4} {'right' if one.right else 'WRONG'}  {one.runs:3} runs "
                f"{one.builds:3} builds  true {one.first_bad:3}  {said:14} "
                f"{one.defect or '(nothing changed)'}",
                flush=True,
            )
    told = summary(trials, options.risk) | {"wall_seconds": time.perf_counter() - begun}
    for name, value in told.items():
        print(f"{name.replace('_', ' ')}: {value}")
    if options.json:
        rows = [asdict(one) for one in sorted(trials, key=lambda o: (not o.first_bad, o.number))]
        options.json.write_text(json.dumps({**told, "rows": rows}, indent=1) + "\n")
    changed = [one for one in trials if one.first_bad]
    alarms = [one for one in trials if not one.first_bad and not one.right]
    missed = sum(not one.right for one in changed)
    if missed > options.risk * len(changed) or len(alarms) > options.risk * options.unchanged:
        sys.exit(1)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=100, help="histories with a seeded change")
    parser.add_argument("--unchanged", type=int, default=0, help="histories without any change")
    parser.add_argument("--versions", type=int, default=200, help="versions of each history")
    parser.add_argument("--risk", type=float, default=0.05)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=multiprocessing.cpu_count())
    parser.add_argument("--json", type=Path)
    return parser.parse_args()


if __name__ == "__main__":
    main()
