"""What came of an item, as it goes into the record."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from hil.bench.operator import NotAttended
from hil.core.errors import (
    BenchError,
    FirmwareError,
    HarnessError,
    HilError,
    LinkError,
    NotOffered,
    StoreError,
)
from hil.core.record import ItemResult
from hil.core.trace import Trace
from hil.core.verdict import Doubt, Judgement, Verdict, blamed, combine, firmware_or, with_doubts
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


#: What else than test and firmware ended it -> its verdict, and what the reason begins with.
_BLAMED: tuple[tuple[type[HilError], Verdict, str], ...] = (
    (NotAttended, Verdict.NOT_RUN, "attended: "),
    (NotOffered, Verdict.NOT_RUN, ""),
    (BenchError, Verdict.BENCH_FAULT, "bench: "),
    (HarnessError, Verdict.BENCH_FAULT, "harness: "),
    (StoreError, Verdict.BENCH_FAULT, "harness: "),
)


def conclude_script(
    judgements: Iterable[Judgement],
    error: BaseException | None,
    *,
    asserted: bool = False,
    asserts: bool = False,
    where: str = "",
    doubts: Sequence[Doubt] = (),
) -> tuple[Verdict, str]:
    """Verdict and reason of a Python scenario.

    Parameters
    ----------
    error : what its test function ended with; None if it returned.
    asserted : `error` is a failed assertion: the test itself has judged.
    asserts : the test function has assertions of its own, and they held.
    where : file and line of the test that `error` comes from, if known.
    doubts : why what did not hold need not be the firmware's.

    Only a failed band, a failed assertion and a `FirmwareError` blame the firmware. A mistake in
    the test is no more its doing than a broken cable, and no more the bench's either: it leaves
    undecided what was to be judged. So does a test that judges nothing.
    """
    judged = list(judgements)
    verdict = combine(judgement.verdict for judgement in judged)
    if error is not None:
        came_to, reason = _ended_by(error, asserted=asserted, where=where, doubts=doubts)
        worst = combine([verdict, came_to])
        if worst is not came_to:
            _, after = _ended_by(error, asserted=asserted, where=where, doubts=())
            reason = f"{_of_bands(worst, judged, doubts)}; after that {after}"
        return worst, reason
    if not judged:
        if asserts:
            return Verdict.PASS, "no band was judged; the test's own assertions held"
        return Verdict.UNDECIDED, (
            "test: nothing was judged: expected a band (hil_script.judge) or an assert in the "
            "test, found neither"
        )
    if verdict is Verdict.PASS:
        return verdict, f"all {len(judged)} bands held"
    return verdict, _of_bands(verdict, judged, doubts)


def _of_bands(verdict: Verdict, judged: Iterable[Judgement], doubts: Sequence[Doubt]) -> str:
    return blamed(verdict, "; ".join(j.reason for j in judged if j.verdict is verdict), doubts)


def _ended_by(
    error: BaseException, *, asserted: bool, where: str, doubts: Sequence[Doubt]
) -> tuple[Verdict, str]:
    """What an error makes of a Python scenario: whose it is stands in front of the reason."""
    text = (str(error) or type(error).__name__).splitlines()[0]
    if asserted:
        return Verdict.FAIL, with_doubts(f"test: {text}", doubts)
    if isinstance(error, FirmwareError):
        whose = firmware_or(doubts) if doubts else error.whose
        return Verdict.FAIL, with_doubts(f"{whose}: {text}", doubts)
    if isinstance(error, LinkError):
        text = with_doubts(text, doubts)
    for kind, verdict, whose in _BLAMED:
        if isinstance(error, kind):
            return verdict, f"{whose}{text}"
    if not isinstance(error, HilError):
        text = f"{type(error).__name__}: {text}"
    return Verdict.UNDECIDED, ": ".join(filter(None, ("test", where, text)))


def result_of_script(
    script: Script | None,
    came_to: tuple[Verdict, str],
    *,
    item: str,
    plan: str,
    title: str,
    utc: str,
    traces: Sequence[str] = (),
    recorded: Sequence[Trace] = (),
) -> ItemResult:
    """The record of a Python scenario; without a `script` it drove the bench by itself.

    `traces` are the names of the files of those that were `recorded`.
    """
    verdict, reason = came_to
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
