"""What came of an item, as it goes into the record."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from hil.bench.operator import NotAttended
from hil.core.errors import BenchError, FirmwareError, HilError
from hil.core.record import ItemResult
from hil.core.verdict import Judgement, Verdict, blamed, combine
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


def never_run(item: PlannedItem | None, name: str, plan: str, cause: str) -> ItemResult:
    """The record of an item that was never begun; `item` is None for a Python scenario."""
    if item is not None:
        done = Executed(verdict=Verdict.NOT_RUN, reason=cause)
        return result_of(item, done, utc=utc_now(), duration=0.0, traces=())
    came_to = Verdict.NOT_RUN, cause
    return result_of_script(None, came_to, item=name, plan=plan, title=name, utc=utc_now())


def cut_short(error: BaseException) -> str:
    """Why an item was ended from outside, and the run not, in one line."""
    return f"cut short: {' '.join(str(error).split()) or type(error).__name__}"


def failed_at_power_up(item: PlannedItem, cause: FirmwareError, *, utc: str) -> ItemResult:
    """The record of an item whose simulated firmware failed before it had said who it is."""
    done = Executed(verdict=Verdict.FAIL, reason=f"{cause.whose}: {cause}")
    return result_of(item, done, utc=utc, duration=0.0, traces=())


def conclude_script(
    judgements: Iterable[Judgement], error: BaseException | None, *, asserted: bool = False
) -> tuple[Verdict, str]:
    """Verdict and reason of a Python scenario.

    Parameters
    ----------
    error : what its test function ended with; None if it returned.
    asserted : `error` is a failed assertion: the test itself has judged.

    Only a failed band, a failed assertion and a `FirmwareError` blame the firmware. A mistake in
    the test is no more its doing than a broken cable.
    """
    judged = list(judgements)
    verdict = combine(judgement.verdict for judgement in judged)
    if isinstance(error, NotAttended):
        return combine([verdict, Verdict.NOT_RUN]), f"attended: {error}"
    if error is not None:
        firmware = asserted or isinstance(error, FirmwareError)
        bench = isinstance(error, BenchError)
        whose = "test" if asserted else "firmware" if firmware else "bench" if bench else "test"
        text = (str(error) or type(error).__name__).splitlines()[0]
        if not (asserted or isinstance(error, HilError)):
            text = f"{type(error).__name__}: {text}"
        worst = Verdict.FAIL if firmware else Verdict.BENCH_FAULT
        return combine([verdict, worst]), f"{whose}: {text}"
    if not judged:
        return Verdict.PASS, "no band was judged; the test's own assertions held"
    if verdict is Verdict.PASS:
        return verdict, f"all {len(judged)} bands held"
    return verdict, blamed(verdict, "; ".join(j.reason for j in judged if j.verdict is verdict))


def result_of_script(
    script: Script | None,
    came_to: tuple[Verdict, str],
    *,
    item: str,
    plan: str,
    title: str,
    utc: str,
    traces: Sequence[str] = (),
) -> ItemResult:
    """The record of a Python scenario; without a `script` it drove the bench by itself."""
    verdict, reason = came_to
    recorded = script.traces if script is not None else []
    return ItemResult(
        item=item,
        scenario="script",
        plan=plan,
        title=title,
        conditions={},
        verdict=verdict,
        reason=reason,
        utc=utc,
        duration=round(sum(trace.end for trace in recorded), 6),
        measures=tuple(script.measures) if script is not None else (),
        repeats=tuple(script.parts) if script is not None else (),
        judgements=tuple(script.judgements) if script is not None else (),
        spans=tuple(
            span
            for number, trace in enumerate(recorded, start=1)
            for span in state_spans(trace, number)
        ),
        traces=tuple(traces),
        steps=tuple(script.log) if script is not None else (),
    )
