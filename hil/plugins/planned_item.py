"""One planned item: run, judged and recorded."""

from __future__ import annotations

from dataclasses import replace

from hil.core.errors import BenchError, FirmwareError
from hil.core.record import ItemResult
from hil.core.verdict import Verdict
from hil.plan.plan import PlannedItem
from hil.plugins.run import Run
from hil.plugins.terminations import INTERRUPTS, interruption
from hil.ports.clock import utc_now
from hil.scenarios.execute import Executed, execute
from hil.scenarios.result import (
    cut_short,
    failed_at_power_up,
    never_run,
    not_opened,
    result_of,
)


def run_planned(run: Run, item: PlannedItem) -> ItemResult:
    """Run one planned item and record it.

    A defect of the harness, and a time limit, is recorded as bench-fault, an interrupt as such;
    then it is raised on. No bench is opened for an item that needs what is not wired, or who is not
    there.
    """
    if refused := run.refused(item):
        result = never_run(item, item.id, item.plan, refused)
        run.leave_out(result)
        return result
    utc, dead, begun = utc_now(), bool(run.dead), False
    traces: list[str] = []
    done = Executed()
    duration = 0.0
    defect: BaseException | None = None
    try:
        with run.bench(item.id) as bench:
            run.begin_item(item.id)
            begun = True
            before = bench.clock.now()
            execute(
                item,
                run.rig,
                bench,
                keep=lambda repeat, trace: traces.append(
                    run.folder.write_trace(item.id, repeat, trace)
                ),
                done=done,
            )
            duration = bench.clock.now() - before
            run.session.let_go_after(done.problem)
        result = result_of(item, done, utc=utc, duration=duration, traces=traces)
    except FirmwareError as error:
        result = failed_at_power_up(item, error, utc=utc)
    except BenchError as error:
        result = not_opened(item, str(error), utc=utc, first=begun or not dead)
    except Exception as error:
        defect = error
        done.end(Verdict.BENCH_FAULT, f"harness: {type(error).__name__}: {error}")
        result = result_of(item, done, utc=utc, duration=duration, traces=traces)
    except BaseException as error:
        # Ctrl-C, a termination, a time limit: the bench is safe, and in an unknown conversation.
        defect = error
        run.session.let_go_after(error)
        done.end(Verdict.BENCH_FAULT, f"bench: {cut_short(error)}")
        if interrupted := isinstance(error, INTERRUPTS):
            done.verdict, done.reason = Verdict.NOT_RUN, interruption(error)
        result = result_of(item, done, utc=utc, duration=duration, traces=traces)
        result = replace(result, interrupted=interrupted)
    if not begun:
        run.begin_item(item.id)
    for text in done.notes:
        run.note(text, item=item.id, level="warning")
    run.end_item(result)
    if defect is not None:
        raise defect
    return result
