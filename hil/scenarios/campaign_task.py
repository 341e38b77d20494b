"""One task of a campaign: one item of a plan on one varied simulated rig. Runs in a worker."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from hil.bench.assemble import assemble
from hil.bench.bench import closing
from hil.bench.open import open_parts
from hil.bench.simulate import twin_access
from hil.core.errors import FirmwareError, HilError, PlanError
from hil.core.verdict import Verdict
from hil.plan.collect import collect
from hil.plan.expand import left_out, not_wired
from hil.plan.plan import PlannedItem
from hil.plan.rig import Rig
from hil.scenarios.execute import Executed, execute
from hil.twin.variation import Variation


@dataclass(frozen=True, slots=True)
class Task:
    """One item of a plan on one simulated rig.

    Parameters
    ----------
    plan : plan file. item : id of one of its items.
    rig : rig file, or "" for the one that the plan names.
    variation : how the simulated rig differs from its file.
    seed : of everything random on this bench, together with the item's id.
    """

    plan: str
    item: str
    rig: str = ""
    variation: Variation = field(default_factory=Variation)
    seed: str = "1"


@dataclass(frozen=True, slots=True)
class Judged:
    """One judgement: `margin` and `value` in the unit of the measure, None without a value."""

    measure: str
    verdict: Verdict
    value: float | None
    margin: float | None
    reason: str
    repeat: int = 0


@dataclass(frozen=True, slots=True)
class Measured:
    """One measure: `value` None unless `outcome` is ``value``; `repeat` as in `Judgement`."""

    measure: str
    unit: str
    value: float | None
    uncertainty: float | None
    outcome: str
    repeat: int = 0


@dataclass(frozen=True, slots=True)
class TaskResult:
    """What came of a task; compact, so that thousands fit into memory.

    Parameters
    ----------
    bench_seconds : time that passed on the simulated bench.
    wall_seconds : time the worker spent; not part of comparisons, it differs every time.
    """

    task: Task
    verdict: Verdict
    reason: str
    judged: tuple[Judged, ...] = ()
    measured: tuple[Measured, ...] = ()
    bench_seconds: float = 0.0
    wall_seconds: float = field(default=0.0, compare=False)


#: Simulated benches of one process take turns, whatever threads a worker may have.
_one_at_a_time = threading.Lock()


def items_of(plan: str, rig: str = "") -> Mapping[str, PlannedItem]:
    """The items of a plan by id, in their order, for `rig` or the rig that the plan names.

    Raises
    ------
    PlanError
        If a file is wrong, or no rig is named at all.
    """
    return _read(plan, rig).items


def runnable_items(plan: str, rig: str = "") -> tuple[Mapping[str, PlannedItem], tuple[str, ...]]:
    """As `items_of`, without those that need what is not wired, or a person; lines that say so."""
    described, items, gone, _ = _read(plan, rig)
    able = {name: item for name, item in items.items() if not (item.lacks or item.attended)}
    told = [*gone, *not_wired(tuple(items.values()), described)]
    if attended := [name for name, item in items.items() if item.attended]:
        told.append(f"left out, for nobody is there to hold the shaft: {', '.join(attended)}")
    return able, tuple(told)


def rig_of(plan: str, rig: str = "") -> Rig:
    """The rig that the plan is run on; see `items_of`."""
    return _read(plan, rig).rig


class _Read(NamedTuple):
    """A plan on its rig; `gone`: lines that say which items are left out."""

    rig: Rig
    items: Mapping[str, PlannedItem]
    gone: tuple[str, ...]
    files: Mapping[Path, tuple[int, int]]  # as they were read


#: Plan and rig -> what they came to: reading takes as long as running an item.
_known: dict[tuple[str, str], _Read] = {}


def _read(plan: str, rig: str) -> _Read:
    """Read once per worker, and again when a file has changed: some workers live for days."""
    known = _known.get((plan, rig))
    if known is None or known.files != {file: _state(file) for file in known.files}:
        found = collect(plan, rig)
        files = {file: _state(file) for file in (Path(plan), *found.rig.files)}
        gone = tuple(left_out(found.plan, found.rig))
        known = _Read(found.rig, {item.id: item for item in found.items}, gone, files)
        _known[plan, rig] = known
    return known


def _state(path: Path) -> tuple[int, int]:
    """What changes when a file is changed."""
    with contextlib.suppress(OSError):
        found = path.stat()
        return found.st_mtime_ns, found.st_size
    return 0, 0


def warm_up() -> None:
    """Load what is compiled, so that the first task of a worker takes no longer than the rest."""
    from hil.twin.reference import binding

    binding()


def run_task(task: Task) -> TaskResult:
    """Run one task on a simulated bench of its own, in virtual time.

    The same task gives the same result in any process on any machine. Whatever goes wrong with
    the bench or in the project itself becomes a *bench-fault*, as in a run.

    Raises
    ------
    PlanError
        If a file is wrong, or the plan has no such item: then no task of the campaign makes sense.
    ValueError
        If the variation names a parameter that does not exist.
    """
    rig, items, _, _ = _read(task.plan, task.rig)
    item = items.get(task.item)
    if item is None:
        raise PlanError(f"has no item {task.item!r}", file=task.plan)
    with _one_at_a_time:
        begun = time.perf_counter()
        done, bench_seconds = _run(task, rig, item)
        taken = time.perf_counter() - begun
    return TaskResult(
        task=task,
        verdict=done.verdict,
        reason=done.reason,
        judged=tuple(
            Judged(j.band.measure, j.verdict, j.measure.value, j.margin, j.reason, j.repeat)
            for j in done.judgements
        ),
        measured=tuple(
            Measured(m.name, m.unit, m.value, m.uncertainty, m.outcome.value, repeat)
            for m, repeat in zip(done.measures, done.repeats, strict=True)
        ),
        bench_seconds=bench_seconds,
        wall_seconds=taken,
    )


def _run(task: Task, rig: Rig, item: PlannedItem) -> tuple[Executed, float]:
    """Execute `item` and say how long it took on the bench, s."""
    access = twin_access(rig, f"{task.seed}/{task.item}", task.variation)
    before = access.clock.now()
    try:
        parts = open_parts(rig, access, {})
        polls = access.poll, access.quiet_poll
        with closing(assemble(rig, parts, access.clock, None, *polls)) as bench:
            done = execute(item, rig, bench)
    except FirmwareError as error:
        done = Executed(Verdict.FAIL, f"{error.whose}: {error}")
    except HilError as error:
        done = Executed(Verdict.BENCH_FAULT, f"bench: {error}")
    except Exception as error:
        # A defect of ours costs one result, not the campaign.
        done = Executed(Verdict.BENCH_FAULT, f"harness: {type(error).__name__}: {error}")
    return done, access.clock.now() - before


def lost(task: Task, why: str) -> TaskResult:
    """The result of a task whose workers died."""
    return TaskResult(task, Verdict.BENCH_FAULT, f"harness: {why}")


def run_chunk(chunk: Sequence[Task]) -> list[TaskResult]:
    """Run tasks one after another; what a worker is asked to do."""
    return [run_task(task) for task in chunk]
