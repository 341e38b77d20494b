"""Keeps the run folder: opens it when bench items were collected, completes it at the end."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from hil.core.record import CHECK, to_check
from hil.plugins import resume_hooks
from hil.plugins.attended import operator_for
from hil.plugins.in_use import EXIT_IN_USE, InUse
from hil.plugins.items import item_id, on_bench, rig_of, uses_bench
from hil.plugins.keys import CAME_TO, PROGRESS, RESUME, RUN, TAKEN
from hil.plugins.omitted import omitted
from hil.plugins.options import bench_options
from hil.plugins.plans import ItemNotPassed, PlanItem, foretold_of
from hil.plugins.pool import check_size, take_rig
from hil.plugins.terminations import Terminations
from hil.plugins.workers import Workers, worker_number

if TYPE_CHECKING:
    from hil.bench.unopened import Unopened
    from hil.plugins.progress_line import Progress
    from hil.plugins.resume import Resume
    from hil.plugins.run import Run

VERDICT = "hil_verdict"
LETTERS = {"pass": ".", "fail": "F", "undecided": "U", "bench-fault": "B", "not-run": "n"}
#: Reasons, and items of each, that are named at the end of a session.
SHOWN = 8
#: Exit codes beyond pytest's own: preflight or flashing failed, nothing was run; the supply could
#: not be proven off at the end.
EXIT_PREFLIGHT, EXIT_UNSAFE = 10, 12


def pytest_configure(config: pytest.Config) -> None:
    """Register what only some sessions need."""
    options = bench_options(config)
    if options.pool is not None:
        config.pluginmanager.register(Workers(), "hil-pool")
    if options.pool is not None and worker_number(config) is None:
        check_size(config, options.pool)
    if options.resume is not None:
        config.pluginmanager.register(resume_hooks, "hil-resume")


def pytest_sessionstart(session: pytest.Session) -> None:
    """Take a rig from the pool: what is collected depends on it."""
    config = session.config
    options = bench_options(config)
    controls = worker_number(config) is None and config.getoption("numprocesses", None)
    if options.pool is None or config.option.collectonly or config.option.setupplan:
        return
    if controls:
        _refuse_unless_writable(options.out)  # once, not by each worker
        return
    from hil.bench.lease import RigInUse
    from hil.core.errors import HilError

    try:
        config.stash[TAKEN] = take_rig(config, options.pool, options.bench)
    except RigInUse as error:
        pytest.exit(str(error), returncode=EXIT_IN_USE)
    except HilError as error:
        raise pytest.UsageError(str(error)) from error


@pytest.hookimpl(trylast=True)
def pytest_unconfigure(config: pytest.Config) -> None:
    """Give back a rig that was taken and never run."""
    taken = config.stash.get(TAKEN, None)
    if taken is not None and taken.lease is not None:
        taken.lease.release()


@pytest.hookimpl(tryfirst=True)
def pytest_collection_finish(session: pytest.Session) -> None:
    """Choose the bench for what was collected; nothing is energised yet."""
    config = session.config
    resume = config.stash.get(RESUME, None)
    items = [item for item in session.items if on_bench(item)] if resume is None else resume.items
    options = bench_options(config)
    if resume is not None and config.getoption("hil_seed") is None:
        options = resume.seeded(options)
    taken = config.stash.get(TAKEN, None)
    refused_here = hasattr(config, "workerinput") and options.pool is None
    refused_here = refused_here or (options.resume is not None and resume is None)
    shown_only = config.option.collectonly or config.option.setupplan
    if not items or shown_only or refused_here:
        return
    from hil.bench.lease import RigInUse
    from hil.core.errors import HilError
    from hil.plugins.run import Run

    rigs = {rig_file: rig for rig, rig_file in map(rig_of, items)}
    if len(rigs) > 1:
        names = ", ".join(str(path) for path in rigs)
        raise pytest.UsageError(
            f"the collected items name different rigs ({names}); choose one with --hil-rig"
        )
    planned = [(item_id(item), item.path) for item in items]
    ids = [name for name, _ in planned]
    if twice := next((name for name in ids if ids.count(name) > 1), None):
        files = ", ".join(str(item.path) for item in items if item_id(item) == twice)
        raise pytest.UsageError(
            f"two collected items have the id {twice} ({files}); ids must differ"
        )
    if resume is None:
        _refuse_unless_writable(options.out)
    details = {item.name: item.planned for item in items if isinstance(item, PlanItem)}
    try:
        (rig,) = rigs.values()
        progress = config.stash.get(PROGRESS, None)
        lease = taken.lease if taken is not None else None
        config.stash[RUN] = run = Run(
            options, rig, planned, progress, details, lease, operator_for(config), resume
        )
    except RigInUse as error:
        config.pluginmanager.register(InUse(error), "hil-in-use")
        return
    except HilError as error:
        raise pytest.UsageError(str(error)) from error
    run.shared = worker_number(config) is not None
    run.foretold = foretold_of(items)
    if resume is None:
        run.omitted = omitted(config, items)
    config.pluginmanager.register(Terminations(), "hil-terminations")
    config.pluginmanager.register(Evidence(run, progress, resume), "hil-evidence")


def _refuse_unless_writable(out: Path) -> None:
    """One usage error before anything is energised, not an error of every item."""
    from hil.core.errors import StoreError
    from hil.store.folder import refuse_unless_writable

    try:
        refuse_unless_writable(out)
    except StoreError as error:
        raise pytest.UsageError(f"--hil-out {error}") from error


class Evidence:
    """The hooks of a session that runs something on the bench."""

    def __init__(self, run: Run, progress: Progress | None, resume: Resume | None = None) -> None:
        self._run, self._progress, self._resume = run, progress, resume
        self._stopped_by = self._refused = ""
        self._unopened: Unopened | None = None  # why it is refused, if that is why
        self._folder: Path | None = None
        self._trouble = self._unindexed = ""
        self._held_against: dict[str, str] = {}  # item -> verdict of an attempt that did not pass
        self._passed_later: dict[str, str] = {}  # those of which a later attempt passed

    # -- session ---------------------------------------------------------------------------

    def pytest_report_collectionfinish(self) -> list[str]:
        """Say which bench is used, and why, before the first item."""
        return [f"bench: {self._run.choice.reason}"]

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool | None:
        """Before the first item: firmware onto the board, preflight; one message if they fail."""
        if session.testsfailed and not session.config.option.continue_on_collection_errors:
            return None  # pytest will not run anything either
        from hil.bench.unopened import Unopened
        from hil.core.errors import HilError
        from hil.plugins.prepare import prepare

        reporter = session.config.pluginmanager.get_plugin("terminalreporter")

        def tell(text: str, least: int = 0) -> None:
            if reporter is not None and reporter.verbosity >= least:
                reporter.ensure_newline()
                reporter.write_line(text)
                reporter.flush()

        if self._run.choice.simulated and not self._run.idle:
            from hil.bench.compile_ahead import compile_ahead

            compile_ahead(self._run.rig, lambda text: tell(text, least=-1))  # half a minute
        try:
            prepare(self._run, tell)
            self._run.verify_resumed()
        except HilError as error:
            self._refused = " ".join(str(error).split())
            self._unopened = error if isinstance(error, Unopened) else None
            if worker_number(session.config) is not None:
                return None  # the bench is dead: every item that comes here is skipped as not run
            rig = f"rig {self._run.rig.rig} cannot be opened, as told above"
            told = self._refused if self._unopened is None else rig
            session.shouldfail = f"nothing was run: {told}"
            return True
        return None

    @pytest.hookimpl(optionalhook=True, tryfirst=True)
    def pytest_timeout_set_timer(self, item: pytest.Item, settings: Any) -> None:
        """Should pytest-timeout end the process, the guard knows why."""
        if on_bench(item) and settings.timeout:
            limit = f"its time limit of {settings.timeout:g} s (pytest-timeout) ran out"
            self._run.session.set_limit(settings.timeout, f"{item_id(item)}: {limit}")

    @pytest.hookimpl(optionalhook=True, tryfirst=True)
    def pytest_timeout_cancel_timer(self, item: pytest.Item) -> None:
        """The item ended in time."""
        if on_bench(item):
            self._run.session.set_limit(None)

    def pytest_keyboard_interrupt(self, excinfo: pytest.ExceptionInfo[BaseException]) -> None:
        """Remember why the session was stopped, for the last line of the record."""
        self._stopped_by = str(excinfo.value) or "Ctrl-C"

    @pytest.hookimpl(trylast=True)  # after the fixtures of an interrupted test were torn down
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Complete the record, derive JUnit, table and page from it, and hash it all."""
        from hil.ports.clock import utc_now
        from hil.report.rebuild import rebuild
        from hil.store.manifest import write_manifest

        reason = "completed"
        if self._refused:
            reason = f"refused: {self._refused}"
        elif self._stopped_by:
            reason = f"interrupted: {self._stopped_by}"
        elif self._run.over:
            reason = f"stopped: {self._run.over}"
        elif session.shouldstop or session.shouldfail:
            reason = f"stopped: {session.shouldstop or session.shouldfail}"
        try:
            self._folder = self._run.finish(reason)
            if self._run.untouched:
                return
            self._enter_index(self._folder)
            rebuild(self._folder)
            write_manifest(self._folder, utc_now())
        except Exception as error:
            # What was measured is in the record, line by line; this must not hide it.
            self._trouble = f"{type(error).__name__}: {error}"
            session.exitstatus = pytest.ExitCode.INTERNAL_ERROR
        finally:
            self._run.release()
            self._set_exit_code(session)
            self._tell_controller(session)

    def _set_exit_code(self, session: pytest.Session) -> None:
        ok = (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED)
        if self._resume is not None and session.exitstatus in ok:
            failed = self._resume.failed
            session.exitstatus = pytest.ExitCode.TESTS_FAILED if failed else pytest.ExitCode.OK
        if self._refused:
            session.exitstatus = EXIT_PREFLIGHT
        if self._run.session.left_unsafe:
            session.exitstatus = EXIT_UNSAFE
        elif session.exitstatus == pytest.ExitCode.OK and (
            self._run.changed() or self._passed_later or self._run.over
        ):
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def _enter_index(self, folder: Path) -> None:
        if place := self._run.options.index:
            from hil.store.index.run_end import enter_at_end

            self._unindexed = enter_at_end(folder, place)

    def _tell_controller(self, session: pytest.Session) -> None:
        output: dict[str, Any] | None = getattr(session.config, "workeroutput", None)
        if output is not None:
            who = f"worker {worker_number(session.config)}, rig {self._run.rig.rig}"
            lines = [f"{who}: {line}" for line in self._summary()]
            code = int(session.exitstatus)
            output["hil"] = {"lines": lines, "code": code if code >= EXIT_PREFLIGHT else 0}

    def _summary(self) -> Iterator[str]:
        """Lines for the end of the session; those that call for action are in capitals."""
        from hil.report.omitted import omitted_lines

        run = self._run
        counts = ", ".join(f"{n} {word}" for word, n in sorted(run.counts.items()))
        yield f"{'SIMULATED: ' if run.simulated else ''}{counts or 'nothing was run'}"
        if self._unopened is not None:
            yield self._unopened.headline
            yield from (f"  {reason}" for reason in self._unopened.reasons)
        yield from _not_run(run.not_run, self._refused)
        yield from omitted_lines(run.omitted, run.planned)
        yield from _noted(run.warned)
        if self._resume is not None and not run.untouched and (kept := self._resume.left.kept):
            yield f"resumed: {len(kept)} of these verdicts are from before the interruption"
        if changed := run.changed():
            yield f"THE RUN FAILS: {changed}"
        for item, verdict in self._passed_later.items():
            yield (
                f"THE RUN FAILS: {item} came to {verdict} in an earlier attempt, which no later "
                "pass takes away"
            )
        if self._stopped_by and not self._refused:
            within = f", in the midst of {run.interrupted}" if run.interrupted else ""
            yield f"interrupted: {self._stopped_by}{within}"
            if not run.unsafe:
                yield "the supply is off and the record is complete up to here"
        yield from to_check(run.unsafe)
        yield from (f"left behind: {problem}" for problem in run.session.untidy)
        if self._trouble:
            yield f"the run folder is incomplete: {self._trouble}"
        if run.over and self._folder is not None:
            yield f"to run what is left: --hil-resume={self._folder}"
        if self._unindexed:
            yield f"not entered into the index: {self._unindexed}"
        if self._folder is not None:
            yield f"run folder: {self._folder}"
            yield f"report:     {self._folder / 'report.html'}"

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """Say what came of it and where the run folder is."""
        terminalreporter.ensure_newline()
        terminalreporter.section("bench")
        for line in self._summary():
            urgent = line.startswith((CHECK, "THE RUN FAILS"))
            terminalreporter.write_line(line, red=urgent, bold=urgent)

    # -- items -----------------------------------------------------------------------------

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """Tell the progress line which item runs."""
        if on_bench(item):
            self._run.look_at_time()
        if self._progress is not None and on_bench(item):
            self._progress.begin(item_id(item), *self._run.position(item_id(item)))
        return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(
        self, item: pytest.Item, call: pytest.CallInfo[None]
    ) -> Iterator[None]:
        """Note the verdict on the report, for the terminal."""
        report: pytest.TestReport = yield  # type: ignore[assignment]
        if on_bench(item):
            verdict = "pass" if report.passed else "not-run" if report.skipped else "bench-fault"
            error = call.excinfo.value if call.excinfo is not None else None
            if isinstance(error, ItemNotPassed):
                verdict = error.result.verdict.value
            elif error is not None and CAME_TO in item.stash and report.when != "teardown":
                verdict = item.stash[CAME_TO][0].value
            elif error is not None and uses_bench(item) and not _ours(error):
                verdict = "undecided"  # tidying up of the test's own: nobody else is to blame
            setattr(report, VERDICT, verdict)
            if not report.skipped:
                self._weigh(item_id(item), verdict, call=report.when == "call")
        return report  # type: ignore[return-value]

    def _weigh(self, item: str, verdict: str, *, call: bool) -> None:
        """Remember what did not pass: other plugins may run an item until it does."""
        if verdict != "pass":
            self._held_against[item] = verdict
        elif call and item in self._held_against:
            self._passed_later[item] = self._held_against[item]


def _ours(error: BaseException) -> bool:
    from hil.core.errors import HilError

    return isinstance(error, HilError | pytest.skip.Exception)


def _not_run(reasons: Mapping[str, Sequence[str]], refused: str) -> Iterator[str]:
    """What was not run, by reason, unless it is that of all; of many only the first."""
    for reason, items in list(reasons.items())[:SHOWN]:
        more = f" and {len(items) - SHOWN} more" if len(items) > SHOWN else ""
        why = "" if refused == (said := " ".join(reason.split())) else f"{said}: "
        yield f"not-run: {why}{', '.join(items[:SHOWN])}{more}"
    if others := list(reasons.values())[SHOWN:]:
        yield f"not-run for {len(others)} other reasons: {sum(map(len, others))}, see the report"


def _noted(warned: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """What is to be known beside the verdicts; of much only the first."""
    for text, items in list(warned.items())[:SHOWN]:
        more = f" and {len(items) - SHOWN} more" if len(items) > SHOWN else ""
        yield f"noted: {', '.join(items[:SHOWN])}{more}: {text}"
    if others := list(warned.values())[SHOWN:]:
        yield f"noted of other items: {sum(map(len, others))}, see the report"


def pytest_report_teststatus(
    report: pytest.CollectReport | pytest.TestReport, config: pytest.Config
) -> tuple[str, str, str] | None:
    """The project's five verdicts in the terminal; outcome and exit code stay pytest's."""
    verdict = getattr(report, VERDICT, None)
    if verdict is None or (report.when != "call" and report.passed):
        return None
    if progress := config.stash.get(PROGRESS, None):
        progress.clear()
    category = "error" if report.failed and report.when != "call" else report.outcome
    return category, LETTERS[verdict], verdict.upper()
