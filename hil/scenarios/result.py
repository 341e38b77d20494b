"""What came of an item, as it goes into the record."""

from __future__ import annotations

from collections.abc import Sequence

from hil.core.errors import BenchError, FirmwareError
from hil.core.record import ItemResult
from hil.core.verdict import Verdict, combine
from hil.plan.plan import PlannedItem
from hil.ports.clock import utc_now
from hil.scenarios.execute import Executed
from hil.scenarios.script import Script
from hil.scenarios.timeline import state_spans


def result_of(
    item: PlannedItem, done: Executed, *, utc: str, duration: float, traces: Sequence[str]
) -> ItemResult:
    """The record of an executed item; `traces` are the file names, one a repetition."""
    return ItemResult(
        item=item.id,
        scenario=item.kind,
        plan=item.plan,
        title=item.title,
        conditions=item.describe(),
        verdict=done.verdict,
        reason=done.reason,
        utc=utc,
        duration=round(duration, 6),
        measures=tuple(done.measures),
        repeats=tuple(done.repeats),
        judgements=tuple(done.judgements),
        spans=tuple(done.spans),
        traces=tuple(traces),
        requirements=item.requirements,
        steps=tuple(done.steps),
    )


def not_opened(item: PlannedItem, cause: str, *, utc: str, first: bool) -> ItemResult:
    """The record of an item whose bench could not be opened.

    Only the first one is a bench-fault; the ones after it were not run, for the same cause.
    """
    done = Executed(
        verdict=Verdict.BENCH_FAULT if first else Verdict.NOT_RUN,
        reason=f"bench: {cause}" if first else cause,
    )
    return result_of(item, done, utc=utc, duration=0.0, traces=())


def result_of_script(
    script: Script,
    *,
    item: str,
    plan: str,
    title: str,
    outcome: BaseException | None,
    traces: Sequence[str],
) -> ItemResult:
    """The record of a Python scenario; `outcome` is the error its test function ended with."""
    verdict = combine(judgement.verdict for judgement in script.judgements)
    reasons = [j.reason for j in script.judgements if j.verdict is verdict]
    reason = f"all {len(reasons)} bands held" if verdict is Verdict.PASS else "; ".join(reasons)
    if outcome is not None:
        bench = isinstance(outcome, BenchError)
        whose = "firmware" if isinstance(outcome, FirmwareError) else "bench" if bench else "test"
        verdict = combine([verdict, Verdict.BENCH_FAULT if bench else Verdict.FAIL])
        first = (str(outcome) or type(outcome).__name__).splitlines()[0]
        reason = f"{whose}: {first}"
    return ItemResult(
        item=item,
        scenario="script",
        plan=plan,
        title=title,
        conditions={},
        verdict=verdict,
        reason=reason or "nothing was judged",
        utc=utc_now(),
        duration=round(sum(trace.end for trace in script.traces), 6),
        measures=tuple(script.measures),
        repeats=tuple(script.parts),
        judgements=tuple(script.judgements),
        spans=tuple(
            span
            for number, trace in enumerate(script.traces, start=1)
            for span in state_spans(trace, number)
        ),
        traces=tuple(traces),
        steps=tuple(script.log),
    )
