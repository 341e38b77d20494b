"""One run: opens the bench when an item needs it, and records everything.

Glue between bench, scenarios and store: choosing, measuring and judging happen there.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from types import MappingProxyType

from hil.bench.attended import nobody_there
from hil.bench.bench import Bench
from hil.bench.choose import is_simulated
from hil.bench.lease import Lease
from hil.bench.observe import Observer
from hil.bench.open import Guarding
from hil.bench.operator import Nobody, Operator
from hil.bench.session import Session
from hil.core.errors import HilError
from hil.core.record import Checkout, ItemResult, ItemStart, Note, Omitted, RunEnd, RunStart
from hil.core.verdict import Verdict
from hil.plan.plan import PlannedItem
from hil.plan.rig import Rig
from hil.plugins.choice import choose_leased
from hil.plugins.head import head, input_groups
from hil.plugins.in_force import BenchOptions
from hil.plugins.resume import Resume
from hil.plugins.until import Until
from hil.ports.clock import utc_now
from hil.scenarios.result import never_run
from hil.store.checkout import checkouts_of
from hil.store.folder import RunFolder
from hil.store.rawlog import RawLog
from hil.store.reading import RECORD
from hil.store.resuming import hashes_of, refuse_if_other, resumed


class Run:
    """See the module text.

    Parameters
    ----------
    rig : the rig all items run on.
    planned : ids of all items in order, with the plan file each comes from.
    details : id -> what a plan says of it.
    lease : of the rig, if the session has one already.
    operator : who is asked for what takes a person; None for an unattended run.
    resume : an interrupted run that is gone on with.
    """

    def __init__(
        self,
        options: BenchOptions,
        rig: Rig,
        planned: Sequence[tuple[str, Path]],
        observer: Observer | None,
        details: Mapping[str, PlannedItem] = MappingProxyType({}),
        lease: Lease | None = None,
        operator: Operator | None = None,
        resume: Resume | None = None,
    ) -> None:
        self.options, self.rig, self._operator = options, rig, operator
        self._planned, self._details = list(planned), details
        self._positions = {item: n for n, (item, _) in enumerate(planned, start=1)}
        self._resume = resume
        self._begun: set[str] = set() if resume is None else set(resume.left.kept)
        self.choice, self._lease = choose_leased(rig, options.bench, options.resources, lease)
        if self.choice.simulated and rig.firmware is not None:
            from hil.bench.simulated_firmware import check_firmware

            check_firmware(rig)
        self.session = Session(
            rig,
            self.choice,
            seed=str(options.seed),
            observer=observer,
            log=self.keep_bytes,
            guarding=self._guarding,
            note=lambda text, level: self.note(text, item=self._item, level=level),
            operator=operator,
        )
        self.observer = observer
        self._folder: RunFolder | None = None if resume is None else resume.folder
        self._log: RawLog | None = None
        self._item = ""  # the one that is running
        self._left_out: list[ItemResult] = []  # to be recorded once the head is written
        self._started = False
        self._checkouts: tuple[Checkout, ...] = ()  # known once the record begins
        self.ends = Until(options.until, datetime.now())
        #: Why items were left although nothing is wrong: their time was over.
        self.over = ""
        #: Other workers take some of the items.
        self.shared = False
        #: SHA-256 of the firmware image that was put on the board.
        self.image: dict[str, str] = {}
        #: Verdict, or ``interrupted`` -> how many items came to it.
        self.counts: Counter[str] = Counter({} if resume is None else resume.left.counts)
        #: What was said of the plans before anything was run, for the record.
        self.foretold: Sequence[str] = ()
        #: What is to be known of items beside their verdicts, with the items.
        self.warned: dict[str, list[str]] = {}
        #: Planned items that are in no part of the run.
        self.omitted: tuple[Omitted, ...] = () if resume is None else resume.record.start.omitted
        self.interrupted = ""  # the item that the session was ended in the midst of
        #: Reason -> items of this session that were not run, or could not be judged, for it.
        self.not_run: dict[str, list[str]] = {}
        if resume is not None:
            try:
                if options.firmware is not None:
                    self.image = hashes_of([[options.firmware]], {})
                refuse_if_other(resume.record, self._head(), asked=False)
            except HilError:
                self.release()
                raise

    @property
    def unsafe(self) -> list[str]:
        """What went wrong while the bench was made safe."""
        return self.session.unsafe

    @property
    def dead(self) -> str:
        """Why the bench cannot be used any more, or ""."""
        return self.session.dead

    @property
    def folder(self) -> RunFolder:
        """The run folder, made on first use."""
        if self._folder is None:
            self._folder = RunFolder.create(self.options.out)
        return self._folder

    @property
    def simulated(self) -> bool:
        """Whether what is recorded is simulated evidence; known for sure once the bench is open."""
        return is_simulated(self.choice, self.session.identities)

    @property
    def planned(self) -> int:
        """How many items the run has."""
        return len(self._planned)

    @property
    def idle(self) -> bool:
        """Whether no planned item can be run: each needs what is not wired, or who is not there."""
        details = [self._details.get(item) for item, _plan in self._planned]
        return all(item is not None and self.refused(item) for item in details)

    def refused(self, item: PlannedItem) -> str:
        """Why an item is not run, as is known without a bench; or ""."""
        if item.lacks or not item.attended:
            return item.lacks
        if self._operator is not None and self.choice.simulated:
            return ""  # the bench has a person of its own, or has not
        why = nobody_there(self._operator or Nobody())
        return why and f"attended: {why}"

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
        with self.folder.raw_log(item) as log:
            self._log, self._item = log, item
            try:
                yield self.session.open(item)
            finally:
                if self.choice.simulated:
                    self.session.close()
                self._log, self._item = None, ""

    def _guarding(self) -> Guarding:
        path = self.folder.path
        hold = self._lease.files if self._lease is not None else ()
        return Guarding(log=path / "guard.log", record=path / RECORD, hold=hold)

    def look_at_time(self) -> None:
        """Begin no further item once the run is to be over."""
        if not self.dead and (over := self.ends.over(datetime.now())):
            self.over = self.session.dead = over

    def keep_bytes(self, way: str, at: float, data: bytes) -> None:
        """Keep raw serial bytes in the log of the item that is running."""
        if self._log is not None:
            (self._log.sent if way == "tx" else self._log.received)(at, data)

    # -- record ----------------------------------------------------------------------------

    def start(self) -> None:
        """Write the head of the record, once."""
        if self._started:
            return
        groups = input_groups(self.rig, self._planned)
        self._checkouts = checkouts_of(file for group in groups for file in group)
        if self._resume is None:
            sources, others = map(self.folder.keep_inputs, groups)
            self.folder.append(self._head(others | sources | self.image))
        else:
            self._go_on(self._resume)
        self._started = True
        for left in self._lease.stale if self._lease is not None else ():
            self.note(f"took over a lease left behind by {left}", level="warning")
        if self._resume is None:
            for text in self.foretold:
                self.note(text)
        self._record_left_out()

    def _head(self, hashes: Mapping[str, str] | None = None) -> RunStart:
        """The first line of the record; without `hashes` as it would be if the run began now."""
        groups = input_groups(self.rig, self._planned)
        sources = hashes_of(groups[:1], self.image)
        now = hashes_of(groups[1:], sources)
        return head(
            self.options,
            self.rig,
            self.choice,
            self._planned,
            name=self.folder.name,
            simulated=self.simulated,
            identities=self.session.identities,
            hashes=now if hashes is None else hashes,
            firmware=self.image or (sources if self.simulated else {}),
            omitted=self.omitted,
            checkouts=self._checkouts,
        )

    def _go_on(self, resume: Resume) -> None:
        """Write that an interrupted run goes on, unless something is another than it was."""
        record, left = resume.record, resume.left
        now = self._head()
        refuse_if_other(record, now, asked=bool(left.again))
        self.folder.append(resumed(record, left, now))
        for item in left.interrupted:
            text = "was interrupted in an earlier part of the run, and is run again"
            self.folder.append(Note(utc=utc_now(), text=text, item=item, level="warning"))

    def keep_image(self, image: Path) -> None:
        """Keep the firmware image that was put on the board."""
        if self._resume is None:  # else it is there already, or the run is refused
            self.image = self.folder.keep_inputs([image])

    def verify_bench(self) -> None:
        """Raise `StoreError` if a run goes on and the bench, now open, is another one.

        Before firmware is put on the board, after which alone its build can be compared.
        """
        if self._resume is not None:
            refuse_if_other(self._resume.record, self._head(), asked=False)

    def verify_resumed(self) -> None:
        """Raise `StoreError`, before anything is energised, unless all are who they were."""
        if not self.untouched:
            return
        try:
            self.session.open("resume")
            self.start()
        finally:
            if self.choice.simulated or not self._started:
                self.session.close()

    @property
    def untouched(self) -> bool:
        """Whether a run that was to be resumed is still as it was found."""
        return self._resume is not None and bool(self._resume.left.again) and not self._started

    def begin_item(self, item: str) -> None:
        """Write that `item` is about to run, before anything is energised."""
        self.start()
        self._begun.add(item)
        position, of = self.position(item)
        self.folder.append(ItemStart(item=item, utc=utc_now(), position=position, of=of))

    def has_begun(self, item: str) -> bool:
        """Whether anything of `item` is, or will be, in the record."""
        return item in self._begun

    def leave_out(self, result: ItemResult) -> None:
        """Record an item that is not run, for which no bench needs to be opened.

        Not before somebody opens it or the run ends: the head of the record says who is there.
        """
        self._begun.add(result.item)
        self._left_out.append(result)
        if self._started:
            self._record_left_out()

    def _record_left_out(self) -> None:
        left, self._left_out = self._left_out, []
        for result in left:
            self.begin_item(result.item)
            self.end_item(result)

    def end_item(self, result: ItemResult) -> None:
        """Write what came of an item, after what it rests on."""
        if self._log is not None:
            self._log.sync()
        self.folder.append(result)
        self.counts["interrupted" if result.interrupted else result.verdict.value] += 1
        if result.interrupted:
            self.interrupted = result.item
        elif result.verdict is Verdict.NOT_RUN:
            self.not_run.setdefault(result.reason, []).append(result.item)

    def note(self, text: str, *, item: str = "", level: str = "info") -> None:
        """Keep something worth knowing."""
        if item and level == "warning":
            self.warned.setdefault(text, []).append(item)
        self.start()
        self.folder.append(Note(utc=utc_now(), text=text, item=item, level=level))

    def finish(self, reason: str) -> Path:
        """Close the bench, write the last line of the record and return the folder.

        Items that were never begun are recorded as not run, for `reason` or what ended the bench.
        """
        self.session.close()
        if self.untouched:
            self.counts.clear()
            self.folder.close()
            self.release()
            return self.folder.path
        self.start()
        self.session.tell_held()
        if changed := self.changed():
            self.note(changed, level="error")
        why = self.dead or (reason if reason != "completed" else "")
        if not why and self.shared:
            why = "left to another worker of the session"
        if why:
            for item, plan in self._planned:
                if item not in self._begun:
                    self.end_item(never_run(self._details.get(item), item, plan.name, why))
        counts = {str(word): n for word, n in self.counts.items()}
        end = self.session.identities_at_end
        self.folder.append(RunEnd(utc=utc_now(), reason=reason, counts=counts, identities=end))
        self.folder.close()
        self.release()
        return self.folder.path

    def changed(self) -> str:
        """Which device, or its firmware, was another at the end of the run; or ""."""
        return "" if self.choice.simulated else self.session.changed()

    def release(self) -> None:
        """Give the rig back to others."""
        if self._lease is not None:
            self._lease.release(keep_for_children=self.session.left_to_guard)
