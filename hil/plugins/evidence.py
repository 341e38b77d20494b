"""Keeps the run folder: opens it when bench items were collected, completes it at the end.

Also turns a termination request into an orderly stop, so that the supply is switched off.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import pytest

from hil.plugins.options import bench_options
from hil.plugins.plans import ItemNotPassed, PlanItem
from hil.plugins.progress import PROGRESS

if TYPE_CHECKING:
    from hil.plugins.run import Run

FINISHED = pytest.StashKey[Path]()
VERDICT = "hil_verdict"


def bench_items(items: list[pytest.Item]) -> list[pytest.Item]:
    """The items that run on the bench: plan items, and tests that use the bench fixtures."""
    return [
        item
        for item in items
        if isinstance(item, PlanItem) or "hil_bench" in getattr(item, "fixturenames", ())
    ]


@pytest.hookimpl(trylast=True)
def pytest_collection_finish(session: pytest.Session) -> None:
    """Choose the bench for what was collected; nothing is opened or energised yet."""
    config = session.config
    items = bench_items(session.items)
    if not items or config.option.collectonly or hasattr(config, "workerinput"):
        return
    if getattr(config.option, "numprocesses", None):
        raise pytest.UsageError(
            "-n: bench items run in one process, one rig at a time; leave -n out"
        )
    from hil.core.errors import HilError
    from hil.plugins.bench import item_id, rig_of
    from hil.plugins.run import RUN, Run

    rigs = {rig_file: rig for rig, rig_file in map(rig_of, items)}
    if len(rigs) > 1:
        names = ", ".join(str(path) for path in rigs)
        raise pytest.UsageError(
            f"the collected items name different rigs ({names}); choose one with --hil-rig"
        )
    planned = [(item_id(item), item.path) for item in items]
    ids = [name for name, _ in planned]
    if twice := next((name for name in ids if ids.count(name) > 1), None):
        raise pytest.UsageError(f"two collected items have the id {twice}; ids must differ")
    try:
        (rig,) = rigs.values()
        config.stash[RUN] = Run(
            bench_options(config), rig, planned, config.stash.get(PROGRESS, None)
        )
    except HilError as error:
        raise pytest.UsageError(str(error)) from error
    signal.signal(signal.SIGTERM, _terminated)


def _terminated(number: int, _frame: FrameType | None) -> None:
    """SIGTERM runs no finalizers by itself; this way it does."""
    raise KeyboardInterrupt(f"signal {signal.Signals(number).name}")


def run_of(config: pytest.Config) -> Run | None:
    """The run in progress, if there is one; cheap when there is none."""
    import sys

    module = sys.modules.get("hil.plugins.run")
    return config.stash.get(module.RUN, None) if module is not None else None


def pytest_report_collectionfinish(config: pytest.Config) -> list[str]:
    """Say which bench is used, and why, before the first item."""
    run = run_of(config)
    return [f"bench: {run.choice.reason}"] if run is not None else []


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Tell the progress line which item runs."""
    run, progress = run_of(item.config), item.config.stash.get(PROGRESS, None)
    if run is not None and progress is not None and item in bench_items([item]):
        from hil.plugins.bench import item_id

        progress.begin(item_id(item), *run.position(item_id(item)))
    return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    """Note the verdict on the report, for the terminal."""
    report: pytest.TestReport = yield  # type: ignore[assignment]
    if isinstance(item, PlanItem):
        verdict = "pass" if report.passed else "not-run" if report.skipped else "bench-fault"
        if call.excinfo is not None and isinstance(call.excinfo.value, ItemNotPassed):
            verdict = call.excinfo.value.result.verdict.value
        setattr(report, VERDICT, verdict)
    return report  # type: ignore[return-value]


def pytest_report_teststatus(
    report: pytest.CollectReport | pytest.TestReport, config: pytest.Config
) -> tuple[str, str, str] | None:
    """The project's five verdicts in the terminal; outcome and exit code stay pytest's."""
    verdict = getattr(report, VERDICT, None)
    if verdict is None or (report.when != "call" and report.passed):
        return None
    progress = config.stash.get(PROGRESS, None)
    if progress is not None:
        progress.clear()
    letters = {"pass": ".", "fail": "F", "undecided": "U", "bench-fault": "B", "not-run": "n"}
    return report.outcome, letters[verdict], verdict.upper()


def pytest_keyboard_interrupt(excinfo: pytest.ExceptionInfo[BaseException]) -> None:
    """Remember why the session was stopped, for the last line of the record."""
    _STOPPED_BY.append(str(excinfo.value) or "Ctrl-C")


#: Why the session was interrupted; the hook above is not told for which session.
_STOPPED_BY: list[str] = []


@pytest.hookimpl(tryfirst=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """Complete the record and derive JUnit, table and page from it."""
    run = run_of(session.config)
    if run is None:
        return
    from hil.report.rebuild import rebuild

    reason = f"interrupted: {_STOPPED_BY.pop()}" if _STOPPED_BY else "completed"
    if session.shouldstop or session.shouldfail:
        reason = f"stopped: {session.shouldstop or session.shouldfail}"
    folder = run.finish(reason)
    rebuild(folder)
    session.config.stash[FINISHED] = folder


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say where the run folder is."""
    config = terminalreporter.config
    folder = config.stash.get(FINISHED, None)
    run = run_of(config)
    if folder is None or run is None:
        return
    counts = ", ".join(f"{n} {verdict.value}" for verdict, n in sorted(run.counts.items()))
    terminalreporter.section("bench")
    terminalreporter.write_line(f"{'SIMULATED: ' if run.choice.simulated else ''}{counts}")
    terminalreporter.write_line(f"run folder: {folder}")
    terminalreporter.write_line(f"report:     {folder / 'report.html'}")
