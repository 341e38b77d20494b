"""One scenario written in Python: its bench, and what its test function came to, recorded."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest

from hil.bench.bench import Bench
from hil.core.errors import BenchError, FirmwareError
from hil.core.trace import Trace
from hil.core.verdict import Verdict
from hil.plugins.keys import CAME_TO, INTERRUPTED, OUTCOME, SCRIPT
from hil.plugins.run import Run
from hil.ports.clock import utc_now
from hil.scenarios.checked_board import checked
from hil.scenarios.result import result_of_script
from hil.scenarios.script import Script


def leave_out_unless_begun(run: Run, name: str, node: pytest.Item) -> None:
    """Record a test that ended before it had the bench: skipped, or by another of its fixtures."""
    if not run.has_begun(name):
        result = result_of_script(
            None,
            node.stash[CAME_TO],
            item=name,
            plan=node.path.name,
            title=node.name,
            utc=utc_now(),
        )
        run.leave_out(result)


def _recorded(bench: Bench, script: Script | None) -> Sequence[Trace]:
    """The traces of a test; one that drove the bench without a script has that of its readings."""
    if script is not None:
        return script.traces
    bench.take_rest()
    trace = bench.trace()
    return (trace,) if trace.channels else ()


@contextlib.contextmanager
def python_scenario(run: Run, name: str, node: pytest.Item) -> Iterator[Bench]:
    """The opened bench for a test function; what the test came to is recorded afterwards.

    A test in the midst of which the session was ended is interrupted, and to be run again.
    """
    utc, dead, begun = utc_now(), bool(run.dead), False

    def record(
        came_to: tuple[Verdict, str], script: Script | None = None, traces: Sequence[Trace] = ()
    ) -> None:
        files = [run.folder.write_trace(name, n, trace) for n, trace in enumerate(traces, start=1)]
        result = result_of_script(
            script,
            came_to,
            item=name,
            plan=node.path.name,
            title=node.name,
            utc=utc,
            traces=files,
            recorded=traces,
        )
        run.end_item(replace(result, interrupted=node.stash.get(INTERRUPTED, False)))

    try:
        with run.bench(name) as bench:
            run.begin_item(name)
            begun = True
            bench.begin_trace()
            board, bench.board = bench.board, checked(bench.board, run.rig)
            try:
                yield bench
            finally:  # the bench is opened once for many
                bench.board = board
            for problem in bench.make_safe():
                run.note(problem, item=name, level="error")
            script = node.stash.get(SCRIPT, None)
            if script is not None:
                script.finish()
                script.log += bench.keeper.take_stops()
                if node.stash.get(CAME_TO, (None, ""))[0] is Verdict.PASS:  # else the reason has it
                    for doubt in script.doubts():
                        run.note(doubt.text, item=name, level="warning")
            if CAME_TO in node.stash:
                record(node.stash[CAME_TO], script, _recorded(bench, script))
            run.session.let_go_after(node.stash.get(OUTCOME, None))
    except FirmwareError as error:
        if not begun:
            run.begin_item(name)
            record((Verdict.FAIL, f"{error.whose}: {error}"))
        raise
    except BenchError as error:
        if begun:
            raise
        verdict = Verdict.NOT_RUN if dead else Verdict.BENCH_FAULT
        run.begin_item(name)
        record((verdict, str(error) if dead else f"bench: {error}"))
        if dead:
            pytest.skip(f"not run: {error}")
        raise
