"""What a plan comes to on a rig before anything is run: items, their time, what will not run."""

from __future__ import annotations

from collections.abc import Iterator

from hil.bench.findings import Finding, Grade
from hil.core.errors import BenchError
from hil.plan.collect import Collected
from hil.plan.expand import left_out, not_wired
from hil.plan.kinds import (
    ReversalParameters,
    SpeedStepParameters,
    StallParameters,
    StartParameters,
    StepsParameters,
)
from hil.plan.offers import NAMED, not_judged
from hil.plan.plan import PlannedItem
from hil.plan.protective import DeratingParameters, ProtectionParameters
from hil.plan.reach import out_of_reach
from hil.plan.steps import Dip, ExpectStill, Glitch, Hold, Silence, Sweep, Wait
from hil.plan.unspoken import unspoken
from hil.scenarios.act import check_safe
from hil.scenarios.manoeuvres import REST, SETTLE
from hil.scenarios.protection import RUN
from hil.verdicts.samples import chance_to_see
from hil.verdicts.sequence import announce
from hil.verdicts.sequential_design import forecast

#: Faults that come once in so many repetitions: the chance to see one is told.
RARE = (20, 50, 100)
#: Steps that take a time of their own.
_LASTING = (Wait, Hold, Silence, ExpectStill, Dip, Glitch, Sweep)


def repetitions(item: PlannedItem) -> float:
    """How many are run; of a sequential series, how many to expect if the firmware is good."""
    if item.series is None:
        return float(item.repeats)
    return forecast(item.series.test, item.series.fixed, item.series.test.good, 0.0).trials


def least_time(item: PlannedItem) -> float:
    """Bench time of an item without which it cannot end, s: what its plan holds, waits and watches.

    Supply, run-up, trip and run-down come on top: how long these take is for the drive to show.
    """
    return repetitions(item) * _of_one(item)


def _of_one(item: PlannedItem) -> float:
    p = item.parameters
    match p:
        case StartParameters():
            found = REST + p.hold
        case ReversalParameters():
            found = SETTLE + p.hold
        case StallParameters(expect="trip"):
            found = p.watch + SETTLE + (0.0 if p.from_standstill else SETTLE)
        case StallParameters():
            found = SETTLE + p.hold + p.watch
        case SpeedStepParameters():
            found = SETTLE + p.hold + (p.saturate.hold if p.saturate is not None else 0.0)
        case ProtectionParameters():
            lasts = p.cause.seconds if isinstance(p.cause, _LASTING) else 0.0
            found = SETTLE + lasts
            found += 6.0 * p.hold_off + RUN if p.expect == "trip" else p.hold + 2.0 * p.hold_off
        case DeratingParameters():
            found = SETTLE + len(p.temperatures) * (p.soak + p.hold)
        case StepsParameters():
            found = sum(step.seconds for step in p.steps if isinstance(step, _LASTING))
        case _:
            found = 0.0
    return found


def plan_findings(found: Collected) -> Iterator[Finding]:
    """What to know of a plan on its rig; a failure is an item that would be refused as unsafe."""
    plan, rig, items = found.plan, found.rig, found.items
    run = [item for item in items if not item.lacks]
    yield Finding(
        "plan", Grade.OK, f"{plan.name}: {_count(len(items), 'item')} of "
        f"{_count(len(plan.scenarios), 'scenario')} on rig {rig.rig}, {found.rig_file}"
    )  # fmt: skip
    if rig.borrowed_name:
        yield Finding("name", Grade.WARNING, f"{found.rig_file}: {rig.borrowed_name}")
    seconds = round(sum(least_time(item) for item in run))
    times = round(sum(repetitions(item) for item in run))
    yield Finding(
        "duration",
        Grade.OK,
        f"at least {seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02} of bench time for "
        f"{_count(times, 'repetition')}: what the plan holds, waits and watches. Supply, run-up "
        "and run-down come on top: on the demo pump about as much again",
    )
    for item in items:
        if item.series is not None:
            yield Finding("series", Grade.OK, f"{item.id}: {announce(item.series)}")
    yield from _repeated(run)
    for text in left_out(plan, rig):
        yield Finding("left out", Grade.WARNING, text)
    for text in not_wired(items, rig):
        yield Finding("not run", Grade.WARNING, text)
    if attended := [item.id for item in items if item.attended]:
        take, are = ("takes", "is") if len(attended) == 1 else ("take", "are")
        yield Finding(
            "attended",
            Grade.WARNING,
            f"no brake is wired: {', '.join(attended)} {take} a person at the shaft "
            f"(--hil-attended=on), or {are} not run",
        )
    for text in not_judged(items, rig):
        yield Finding("not judged", Grade.WARNING, text)
    for text in out_of_reach(items, rig):
        yield Finding("out of reach", Grade.WARNING, text)
    for text in unspoken(items, rig):
        yield Finding("no word", Grade.WARNING, text)
    yield from _refused(run, found)


def _repeated(run: list[PlannedItem]) -> Iterator[Finding]:
    """What a fixed number of repetitions can show of a fault that comes now and then."""
    alike: dict[int, list[str]] = {}
    for item in run:
        if item.series is None and item.repeats > 1:
            alike.setdefault(item.repeats, []).append(item.id)
    for repeats, those in alike.items():
        seen = ", ".join(
            f"one in {many} with {100.0 * chance_to_see(1.0 / many, repeats):.0f} %"
            for many in RARE
        )
        more = f" and {len(those) - NAMED} more" if len(those) > NAMED else ""
        yield Finding(
            "repetitions",
            Grade.OK,
            f"{', '.join(those[:NAMED])}{more}: {repeats} show a fault that comes once in so many "
            f"with this probability: {seen}",
        )


def _refused(run: list[PlannedItem], found: Collected) -> Iterator[Finding]:
    reasons: dict[str, list[str]] = {}
    for item in run:
        try:
            check_safe(item, found.rig)
        except BenchError as error:
            reasons.setdefault(str(error), []).append(item.id)
    for reason, those in reasons.items():
        yield Finding("refused", Grade.FAILED, f"{', '.join(those)}: {reason}")


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
