"""Folders made, grown, altered, restored, moved and removed in any order: the index keeps up.

The machine knows what every folder should count as; after every rebuild each is in exactly one
list, and the series hold the figures of exactly the runs that are as they were written.
"""

from __future__ import annotations

import shutil
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from hil.core.measure import Measure
from hil.core.record import Entry, ItemResult, RunStart
from hil.core.verdict import Verdict
from hil.store.codec import encode
from hil.store.index import open_index

UTC = "2026-03-01T22:15:09.123Z"


def line(entry: Entry) -> bytes:
    return encode(entry).encode() + b"\n"


def item(number: int) -> bytes:
    result = ItemResult(
        item="start", scenario="start", plan="p", title="", conditions={}, verdict=Verdict.PASS,
        reason="", utc=UTC, duration=1.0, measures=(Measure("m", "A", float(number)),),
    )  # fmt: skip
    return line(result)


@dataclass
class Folder:
    """What the machine believes of one run."""

    run: str
    path: Path
    items: int = 0
    altered: bool = False
    gone: bool = False
    #: As the index knows it: None before the first rebuild.
    known_items: int | None = None
    known_path: Path | None = None

    @property
    def record(self) -> Path:
        return self.path / "record.jsonl"

    def flip(self) -> None:
        """Alter a letter of the first line without making it unreadable, or put it back."""
        content = self.record.read_bytes()
        old, new = (b'"bench":"b"', b'"bench":"c"')
        self.record.write_bytes(content.replace(*((new, old) if self.altered else (old, new))))
        self.altered = not self.altered


class Life(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.root = Path(tempfile.mkdtemp(prefix="life-"))
        (self.root / "runs").mkdir()
        self.index = open_index(self.root / "index.db")
        self.folders: list[Folder] = []
        self.made = 0

    def teardown(self) -> None:
        self.index.close()
        shutil.rmtree(self.root)

    def pick(self, number: int, *, known: bool | None = None) -> Folder | None:
        there = [
            f for f in self.folders
            if not f.gone and (known is None or (f.known_items is not None) is known)
        ]  # fmt: skip
        return there[number % len(there)] if there else None

    @rule()
    @precondition(lambda self: len(self.folders) < 6)
    def make(self) -> None:
        self.made += 1
        folder = Folder(f"run-{self.made}", self.root / "runs" / f"run-{self.made}")
        folder.path.mkdir()
        start = RunStart(run=folder.run, utc=UTC, simulated=True, bench="b", rig="pump")
        folder.record.write_bytes(line(start))
        self.folders.append(folder)

    @rule(number=st.integers(0, 9), lines=st.integers(1, 3))
    def grow(self, number: int, lines: int) -> None:
        if folder := self.pick(number):
            with folder.record.open("ab") as file:
                for _ in range(lines):
                    folder.items += 1
                    file.write(item(folder.items))

    @rule(number=st.integers(0, 9))
    def alter_or_restore(self, number: int) -> None:
        if folder := self.pick(number, known=True):
            folder.flip()

    @rule(number=st.integers(0, 9), to=st.sampled_from(["a", "b"]))
    def move(self, number: int, to: str) -> None:
        if folder := self.pick(number):
            target = self.root / "runs" / to / folder.path.name
            target.parent.mkdir(exist_ok=True)
            if not target.exists():
                folder.path.rename(target)
                folder.path = target

    @rule(number=st.integers(0, 9))
    def remove(self, number: int) -> None:
        folder = self.pick(number)
        if folder and folder.known_items is not None:
            shutil.rmtree(folder.path)
            folder.gone = True

    @rule(fresh=st.booleans())
    def rebuild(self, fresh: bool) -> None:
        report = self.index.rebuild([self.root / "runs"], fresh=fresh)
        expected: dict[str, str] = {}
        for folder in self.folders:
            expected[folder.run] = self.expected(folder)
            if not folder.gone and not folder.altered:
                folder.known_items, folder.known_path = folder.items, folder.path
        lists = ("added", "unchanged", "updated", "moved", "copies", "altered", "unreadable",
                 "vanished")  # fmt: skip
        found = [(one.run, name) for name in lists for one in getattr(report, name)]
        assert dict(found) == expected
        assert max(Counter(run for run, _ in found).values(), default=1) == 1

    @staticmethod
    def expected(folder: Folder) -> str:
        if folder.gone:
            return "vanished"
        if folder.known_items is None:
            return "added"
        if folder.altered:
            return "altered"
        if folder.items != folder.known_items:
            return "updated"
        return "unchanged" if folder.path == folder.known_path else "moved"

    @rule(number=st.integers(0, 9))
    def forget_what_is_gone(self, number: int) -> None:
        gone = [f for f in self.folders if f.gone]
        if gone:
            folder = gone[number % len(gone)]
            self.index.forget(folder.run)
            self.folders.remove(folder)

    @invariant()
    def the_series_hold_what_was_indexed(self) -> None:
        states = {run.run: run.state for run in self.index.runs()}
        assert states.keys() == {f.run for f in self.folders if f.known_items is not None}
        counted: Counter[str] = Counter()
        for series in self.index.all_series().values():
            counted.update(series.run)
        expected = {
            f.run: f.known_items
            for f in self.folders
            if f.known_items and states[f.run] != "altered"
        }
        assert dict(counted) == expected


def test_the_index_keeps_up_with_folders() -> None:
    run_state_machine_as_test(
        Life,
        settings=settings(
            max_examples=25,
            stateful_step_count=20,
            deadline=None,
            phases=[Phase.explicit, Phase.reuse, Phase.generate],  # to shrink takes minutes
            suppress_health_check=list(HealthCheck),
        ),
    )
