"""One run: opens the bench when an item needs it, and records everything.

Glue between bench, scenarios and store: choosing, measuring and judging happen there.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from hil.bench.bench import Bench
from hil.bench.choose import Choice, choose, is_simulated
from hil.bench.describe import host_facts, limit_lines
from hil.bench.observe import Observer
from hil.bench.open import open_bench
from hil.core.errors import BenchError, HilError, InstrumentError, LinkError
from hil.core.record import Identity, ItemResult, ItemStart, Note, RunEnd, RunStart
from hil.core.verdict import Verdict
from hil.plan.plan import PlannedItem
from hil.plan.rig import Rig
from hil.plugins.options import BenchOptions
from hil.ports.clock import utc_now
from hil.scenarios.execute import Executed, execute
from hil.scenarios.result import not_opened, result_of, result_of_script
from hil.scenarios.script import Script
from hil.store.folder import RunFolder
from hil.store.rawlog import RawLog


class Run:
    """See the module text.

    Parameters
    ----------
    rig : the rig all items run on.
    planned : ids of all items in order, with the plan file each comes from.
    """

    def __init__(
        self,
        options: BenchOptions,
        rig: Rig,
        planned: Sequence[tuple[str, Path]],
        observer: Observer | None,
    ) -> None:
        self.options, self.rig, self._observer = options, rig, observer
        self._planned = list(planned)
        self._positions = {item: n for n, (item, _) in enumerate(planned, start=1)}
        self.choice: Choice = choose(rig, options.bench, options.resources)
        self._folder: RunFolder | None = None
        self._bench: Bench | None = None
        self._log: RawLog | None = None
        self._identities: tuple[Identity, ...] = ()
        self._identities_at_end: tuple[Identity, ...] = ()
        self._started = False
        self.counts: Counter[Verdict] = Counter()
        #: What went wrong while the bench was made safe and closed.
        self.unsafe: list[str] = []
        #: Why the bench cannot be used any more, or "".
        self.dead = ""

    @property
    def folder(self) -> RunFolder:
        """The run folder, made on first use."""
        if self._folder is None:
            self._folder = RunFolder.create(self.options.out)
        return self._folder

    @property
    def simulated(self) -> bool:
        """Whether what is recorded is simulated evidence; known for sure once the bench is open."""
        return is_simulated(self.choice, self._identities)

    def position(self, item: str) -> tuple[int, int]:
        """``(n, N)`` of item n of N."""
        return self._positions[item], len(self._positions)

    # -- bench -----------------------------------------------------------------------------

    @contextlib.contextmanager
    def bench(self, item: str) -> Iterator[Bench]:
        """The opened bench for one item, its raw serial bytes going to the item's log.

        A simulated bench is powered up anew for each item, seeded by the run's seed and the
        item's id, so that an item measures the same alone as in the whole night. A real one stays
        open from item to item.

        Raises
        ------
        BenchError
            If it cannot be opened, or could not be before.
        """
        if self.dead:
            raise BenchError(self.dead)
        with self.folder.raw_log(item) as log:
            self._log = log
            try:
                yield self._opened(item)
            finally:
                if self._bench is not None and self.choice.simulated:
                    self._close_bench(item)
                self._log = None

    def _opened(self, item: str) -> Bench:
        if self._bench is None:
            try:
                self._bench = open_bench(
                    self.rig,
                    self.choice.simulated,
                    self.choice.resources,
                    seed=f"{self.options.seed}/{item}",
                    observer=self._observer,
                    log=self._keep_bytes,
                )
                self._check_identities(self._bench.identities())
            except HilError as error:
                self._close_bench(item, ask=False)
                self.dead = f"the bench could not be opened: {error}"
                raise
        return self._bench

    def _check_identities(self, found: tuple[Identity, ...]) -> None:
        """Keep who is there; a run goes on only with the board and the firmware it began with."""
        if not self._identities:
            self._identities = found
        before, now = self._identities[0], found[0]
        if (before.model, before.serial, before.revision) != (now.model, now.serial, now.revision):
            raise BenchError(f"the board answers as {now}, but the run began with {before}")

    def _keep_bytes(self, way: str, at: float, data: bytes) -> None:
        if self._log is not None:
            (self._log.sent if way == "tx" else self._log.received)(at, data)

    def reopen_after(self, problem: BaseException | None, item: str) -> None:
        """After trouble with a link or an instrument, let go of the bench.

        The next item opens it again; if that fails, the rest of the run is not run.
        """
        if isinstance(problem, LinkError | InstrumentError):
            self._close_bench(item, ask=False)

    def _close_bench(self, item: str = "", *, ask: bool = True) -> None:
        """Make safe, ask once more who is there, and let go of everything."""
        if self._bench is None:
            return
        bench, self._bench = self._bench, None
        problems = bench.make_safe() if ask else []
        if ask and not problems:
            with contextlib.suppress(HilError):
                self._identities_at_end = bench.identities()
        again = bench.close()
        for problem in problems or again:
            self.unsafe.append(problem)
            self.note(problem, item=item, level="error")

    # -- record ----------------------------------------------------------------------------

    def _start(self) -> None:
        """Write the head of the record, once."""
        if self._started:
            return
        self._started = True
        plans = list(dict.fromkeys(plan for _, plan in self._planned))
        hashes = self.folder.keep_inputs([*plans, *self.rig.files])
        self.folder.append(
            RunStart(
                run=self.folder.name,
                utc=utc_now(),
                simulated=self.simulated,
                bench=self.choice.reason,
                rig=self.rig.rig,
                plans=tuple(plan.name for plan in plans),
                items=tuple(self._positions),
                seed=self.options.seed,
                identities=self._identities,
                hashes=hashes,
                host=host_facts(),
                motor=dict(self.rig.motor.nameplate),
                limits=limit_lines(self.rig),
            )
        )

    def begin_item(self, item: str) -> None:
        """Write that `item` is about to run, before anything is energised."""
        self._start()
        position, of = self.position(item)
        self.folder.append(ItemStart(item=item, utc=utc_now(), position=position, of=of))

    def end_item(self, result: ItemResult) -> None:
        """Write what came of an item."""
        self.folder.append(result)
        self.counts[result.verdict] += 1

    def note(self, text: str, *, item: str = "", level: str = "info") -> None:
        """Keep something worth knowing."""
        self._start()
        self.folder.append(Note(utc=utc_now(), text=text, item=item, level=level))

    def finish(self, reason: str) -> Path:
        """Close the bench, write the last line of the record and return the folder."""
        self._close_bench()
        self._start()
        counts = {verdict.value: n for verdict, n in self.counts.items()}
        self.folder.append(
            RunEnd(utc=utc_now(), reason=reason, counts=counts, identities=self._identities_at_end)
        )
        self.folder.close()
        return self.folder.path


def run_planned(run: Run, item: PlannedItem) -> ItemResult:
    """Run one planned item and record it.

    A defect of the harness is recorded as bench-fault, then raised on to be seen in full.
    """
    utc, dead, begun = utc_now(), bool(run.dead), False
    traces: list[str] = []
    done = Executed()
    duration = 0.0
    defect: Exception | None = None
    try:
        with run.bench(item.id) as bench:
            run.begin_item(item.id)
            begun = True
            before = bench.clock.now()
            done = execute(
                item,
                run.rig,
                bench,
                keep=lambda repeat, trace: traces.append(
                    run.folder.write_trace(item.id, repeat, trace)
                ),
            )
            duration = bench.clock.now() - before
            run.reopen_after(done.problem, item.id)
        result = result_of(item, done, utc=utc, duration=duration, traces=traces)
    except BenchError as error:
        result = not_opened(item, str(error), utc=utc, first=begun or not dead)
    except Exception as error:
        defect = error
        done.verdict = Verdict.BENCH_FAULT
        done.reason = f"harness: {type(error).__name__}: {error}"
        result = result_of(item, done, utc=utc, duration=duration, traces=traces)
    if not begun:
        run.begin_item(item.id)
    for text in done.notes:
        run.note(text, item=item.id, level="warning")
    run.end_item(result)
    if defect is not None:
        raise defect
    return result


@contextlib.contextmanager
def python_scenario(run: Run, name: str, node: pytest.Item) -> Iterator[Bench]:
    """The opened bench for a test function; what the test came to is recorded afterwards.

    Nothing is recorded of a test that was interrupted: its start without a result says so.
    """
    utc, dead, begun = utc_now(), bool(run.dead), False

    def record(came_to: tuple[Verdict, str], script: Script | None = None) -> None:
        traces = [] if script is None else script.traces
        files = [run.folder.write_trace(name, n, trace) for n, trace in enumerate(traces, start=1)]
        result = result_of_script(
            script, came_to, item=name, plan=node.path.name, title=node.name, utc=utc, traces=files
        )
        run.end_item(result)

    try:
        with run.bench(name) as bench:
            run.begin_item(name)
            begun = True
            bench.begin_trace()
            yield bench
            for problem in bench.make_safe():
                run.note(problem, item=name, level="error")
            script = node.stash.get(SCRIPT, None)
            if script is not None:
                script.finish()
            if CAME_TO in node.stash:
                record(node.stash[CAME_TO], script)
            run.reopen_after(node.stash.get(OUTCOME, None), name)
    except BenchError as error:
        if begun:
            raise
        verdict = Verdict.NOT_RUN if dead else Verdict.BENCH_FAULT
        run.begin_item(name)
        record((verdict, str(error) if dead else f"bench: {error}"))
        if dead:
            pytest.skip(f"not run: {error}")
        raise


#: The script of a Python scenario, the error its test function ended with, and verdict and reason.
SCRIPT = pytest.StashKey[Script]()
OUTCOME = pytest.StashKey[BaseException]()
CAME_TO = pytest.StashKey[tuple[Verdict, str]]()
RUN = pytest.StashKey[Run]()
