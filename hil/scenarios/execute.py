"""Run one planned item on an opened bench: prepare, act, measure, judge, make safe."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, field

from hil.bench.attended import require_operator
from hil.bench.bench import Bench
from hil.bench.cooling import cool_down
from hil.bench.limits import LimitExceeded
from hil.bench.link_doubts import KINDS, link_doubts
from hil.bench.operator import NotAttended
from hil.core.conditions import Conditions
from hil.core.errors import BenchError, FirmwareError, HilError, LinkError
from hil.core.measure import Measure
from hil.core.record import StateSpan
from hil.core.trace import Trace
from hil.core.verdict import Doubt, Judgement, Verdict, blamed, combine, firmware_or, with_doubts
from hil.measures.catalogue import measure
from hil.plan.plan import PlannedItem
from hil.plan.reach import beyond_reach
from hil.plan.rig import Rig
from hil.scenarios.act import act, check_safe, conditions_of
from hil.scenarios.steps import Steps
from hil.scenarios.timeline import state_spans
from hil.verdicts.decide import judge
from hil.verdicts.samples import judge_rate
from hil.verdicts.sequence import announce, judge_series
from hil.verdicts.sequential import Progress


@dataclass(slots=True)
class Executed:
    """What came of an item; `problem` is the error that ended it early, if one did.

    `unsafe` : something went wrong while the bench was made safe; the notes say what.
    `doubts` : why what did not hold need not be the firmware's.
    """

    verdict: Verdict = Verdict.NOT_RUN
    reason: str = ""
    measures: list[Measure] = field(default_factory=list)
    repeats: list[int] = field(default_factory=list)
    judgements: list[Judgement] = field(default_factory=list)
    spans: list[StateSpan] = field(default_factory=list)
    traces: list[Trace] = field(default_factory=list)
    steps: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    problem: HilError | None = None
    doubts: list[Doubt] = field(default_factory=list)
    unsafe: bool = False
    progress: Progress | None = None  # of a sequential series

    def end(self, verdict: Verdict, reason: str) -> None:
        """End with `verdict`, or the worse one of a band: trouble takes no fail away."""
        self.verdict = combine([verdict, *(judgement.verdict for judgement in self.judgements)])
        self.reason = reason
        if self.verdict is not verdict:
            self.reason = f"{self._of_bands()}; after that {reason}"

    def conclude(self) -> None:
        """End with what the bands came to."""
        self.verdict = combine(judgement.verdict for judgement in self.judgements)
        if self.verdict is Verdict.PASS:
            self.reason = f"all {len(self.judgements)} bands held"
            self.notes += [doubt.text for doubt in self.doubts]
        else:
            self.reason = self._of_bands() if self.judgements else "nothing was judged"

    def _of_bands(self) -> str:
        """Why the bands came to the verdict: the first of those that did."""
        deciding = [one.reason for one in self.judgements if one.verdict is self.verdict]
        more = f" (and {len(deciding) - 1} more)" if len(deciding) > 1 else ""
        return blamed(self.verdict, f"{deciding[0]}{more}", self.doubts)


def execute(
    item: PlannedItem,
    rig: Rig,
    bench: Bench,
    *,
    keep: Callable[[int, Trace], object] = lambda _repeat, _trace: None,
    done: Executed | None = None,
) -> Executed:
    """Run every repetition of `item` and judge it.

    `keep` receives each trace as soon as it is complete, so that it is stored before the next
    repetition begins. An item that needs what the rig has not is not run. The bench is safe when
    this returns or raises. An interrupt (Ctrl-C, termination, a time limit) passes through, after
    the supply was switched off; `done` then holds what there was until then.
    """
    done = Executed() if done is None else done
    if item.lacks:
        done.verdict, done.reason = Verdict.NOT_RUN, item.lacks
        return done
    conditions = conditions_of(item, rig)
    if beyond := beyond_reach(item, rig):
        done.doubts.append(Doubt("plan and rig file", beyond))
    try:
        check_safe(item, rig)
        if item.attended:
            require_operator(bench)
        begun = bench.clock.now()
        for repeat in range(1, item.repeats + 1):
            if not _repetition(item, rig, bench, conditions, repeat, done, keep):
                break
            if _decided(item, done, bench.clock.now() - begun):
                break
    except HilError as error:
        done.problem = error
    finally:
        _make_safe(bench, done)
    _conclude(item, done)
    return done


def _repetition(
    item: PlannedItem,
    rig: Rig,
    bench: Bench,
    conditions: Conditions,
    repeat: int,
    done: Executed,
    keep: Callable[[int, Trace], object],
) -> bool:
    """One repetition; False if it ended early and the item with it."""
    steps = Steps(bench)
    cooled = cool_down(bench)
    steps.begin_trace()
    if cooled:
        steps.say(cooled)
    if item.series is not None and repeat == 1:
        steps.say(announce(item.series))
    if item.repeats > 1:
        steps.say(f"repetition {repeat} of {item.repeats}")
    try:
        act(item, steps)
        end = bench.clock.now()
        if not bench.come_to_rest():
            done.notes.append(f"repetition {repeat}: the shaft did not come to rest after stop")
    except HilError as error:
        done.problem = cause_of(error, bench)
        end = bench.clock.now()
        _make_safe(bench, done)
        bench.take_rest()
    except BaseException:  # an interrupt: off first, then keep what there is
        _make_safe(bench, done)
        done.steps += [*steps.log, *bench.keeper.take_stops()]
        with contextlib.suppress(Exception):
            keep(repeat, bench.trace())
        raise
    for stop in bench.keeper.take_stops():
        steps.say(stop)
    trace = bench.trace()
    keep(repeat, trace)
    done.traces.append(trace)
    if all(doubt.what not in KINDS for doubt in done.doubts):
        facts = bench.link_facts()
        done.doubts += link_doubts(trace, facts, rig.profile, rig.profile_path, rig.motor)
    done.spans += state_spans(trace, repeat)
    prefix = f"[{repeat}] " if item.repeats > 1 else ""
    done.steps += [prefix + line for line in steps.log]
    if done.problem is not None:
        return False
    # The run-down to standstill is kept in the trace but is no part of the manoeuvre.
    part = trace.between(0.0, end - bench.trace_start)
    bands = {band.measure: band for band in item.bands}
    for found in measure(item.kind, part, conditions):
        done.measures.append(found)
        done.repeats.append(repeat)
        if found.name in bands:
            done.judgements.append(judge(bands[found.name], found, repeat))
    return True


def _make_safe(bench: Bench, done: Executed) -> None:
    """Make safe, and note what goes wrong once: a second attempt says it again in other figures."""
    problems = bench.make_safe()
    if not done.unsafe:
        done.notes += problems
    done.unsafe = done.unsafe or bool(problems)


def _decided(item: PlannedItem, done: Executed, seconds: float) -> bool:
    """Whether a sequential series is over; notes what it came to, or what to expect of it."""
    if item.series is None:
        return False
    progress = done.progress or item.series.test.begin()
    wins = [m.value for m in done.measures if m.name == "success"]
    won = None if wins[-1] is None else wins[-1] == 1.0
    done.progress = progress = progress.after(success=won)
    if progress.trials == 1:
        done.steps.append(f"[1] {announce(item.series, seconds)}")
    if not progress.is_over and progress.trials < item.repeats:
        return False
    found, judgement = judge_series(item.series, progress, seconds)
    done.measures.append(found)
    done.repeats.append(0)
    done.judgements.append(judgement)
    return True


def cause_of(error: HilError, bench: Bench) -> HilError:
    """The error, unless the supply had gone before: then the firmware could do no other."""
    if isinstance(error, FirmwareError | LinkError) and not isinstance(error, LimitExceeded):
        lost = bench.supply_lost()
        if lost:
            found = bench.loss(f"{lost}; after that: {error}")
            found.__cause__ = error
            return found
    return error


def _conclude(item: PlannedItem, done: Executed) -> None:
    """Judge the repetitions as a sample, and form the verdict of the item and its reason."""
    if item.success is not None and done.problem is None:
        wins = [m.value for m in done.measures if m.name == "success"]
        won, open_ones = int(sum(v or 0.0 for v in wins)), wins.count(None)
        rate, judgement = judge_rate(item.success, won, len(wins), open_ones)
        done.measures.append(rate)
        done.repeats.append(0)
        done.judgements.append(judgement)
    problem = done.problem
    if problem is None:
        done.conclude()
    elif isinstance(problem, NotAttended):
        done.end(Verdict.NOT_RUN, f"attended: {problem}")
    elif isinstance(problem, FirmwareError):
        whose = firmware_or(done.doubts) if done.doubts else problem.whose
        done.end(Verdict.FAIL, with_doubts(f"{whose}: {problem}", done.doubts))
    else:  # only the firmware's own doing is a fail; everything else is the bench's
        whose = "bench" if isinstance(problem, BenchError) else "harness"
        done.end(Verdict.BENCH_FAULT, with_doubts(f"{whose}: {problem}", done.doubts))
