"""A run folder read back: the record as one value, interrupted items included."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from hil.core.errors import StoreError
from hil.core.record import (
    UNSAFE,
    Entry,
    ItemResult,
    ItemStart,
    Note,
    Resumed,
    RunEnd,
    RunStart,
)
from hil.core.verdict import Verdict
from hil.store.codec import decode

RECORD = "record.jsonl"
#: How the reason of an interrupted item began before results said so by themselves.
_FORMERLY = "bench: interrupted: "


def was_interrupted(result: ItemResult) -> bool:
    """Whether the run was ended in the midst of an item (Ctrl-C, a termination): nobody's fault."""
    formerly = result.verdict is Verdict.BENCH_FAULT and result.reason.startswith(_FORMERLY)
    return result.interrupted or formerly


@dataclass(frozen=True)
class RunRecord:
    """Everything a record says.

    Parameters
    ----------
    path : the run folder.
    start : the first line.
    entries : all lines in order, the first and last included.
    unfinished : the last line was cut short, as by a power loss.
    whole : bytes of the record before such a line.
    """

    path: Path
    start: RunStart
    entries: tuple[Entry, ...]
    unfinished: bool = False
    whole: int = 0

    @cached_property
    def results(self) -> tuple[ItemResult, ...]:
        """Results in the order in which they were recorded; an item run twice is there twice.

        Those of a resumed run are in the order in which it was planned, whatever the interruption
        did to it, and what an item came to because it was interrupted is left out once it was run
        again.
        """
        found = [entry for entry in self.standing if isinstance(entry, ItemResult)]
        if self.resumed:
            planned = {item: n for n, item in enumerate(self.start.items)}
            found.sort(key=lambda result: planned.get(result.item, len(planned)))
        return tuple(found)

    @property
    def unsafe(self) -> tuple[str, ...]:
        """What the run could not make safe: a person must look before touching the bench."""
        texts = (note.text for note in self.notes if note.level == UNSAFE)
        return tuple(dict.fromkeys(texts))

    @cached_property
    def resumed(self) -> tuple[Resumed, ...]:
        """Every time the run was gone on with after an interruption."""
        return tuple(entry for entry in self.entries if isinstance(entry, Resumed))

    @cached_property
    def standing(self) -> tuple[Entry, ...]:
        """All entries but those of an earlier part whose item a later part has begun anew.

        `Resumed.again` names such items: they were interrupted, or not run for it.
        """
        if not self.resumed:
            return self.entries
        begun: set[str] = set()  # later than the entry looked at
        replaced: set[str] = set()
        kept: list[Entry] = []
        for entry in reversed(self.entries):
            if isinstance(entry, Resumed):
                replaced |= begun & set(entry.again)
            elif isinstance(entry, ItemStart | ItemResult):
                begun.add(entry.item)
                if entry.item in replaced:
                    continue
            kept.append(entry)
        return tuple(reversed(kept))

    @cached_property
    def interrupted(self) -> tuple[ItemStart, ...]:
        """Items that began and came to no verdict: those in `lost`, and where the run was ended.

        While a run is going on, the item in progress is among them. One that a later part of the
        run has begun anew is not.
        """
        return self._begun_only(was_interrupted)

    @cached_property
    def lost(self) -> tuple[ItemStart, ...]:
        """Items that began and left no result before they began again or the record ended."""
        return self._begun_only(lambda _result: False)

    def _begun_only(self, without_verdict: Callable[[ItemResult], bool]) -> tuple[ItemStart, ...]:
        found: list[ItemStart] = []
        open_items: dict[str, ItemStart] = {}
        for entry in self.standing:
            if isinstance(entry, ItemStart):
                if entry.item in open_items:
                    found.append(open_items[entry.item])
                open_items[entry.item] = entry
            elif isinstance(entry, ItemResult):
                begun = open_items.pop(entry.item, None)
                if begun is not None and without_verdict(entry):
                    found.append(begun)
        return tuple(sorted([*found, *open_items.values()], key=self.entries.index))

    @cached_property
    def never_begun(self) -> tuple[str, ...]:
        """Planned items that neither began nor left a result."""
        seen = {e.item for e in self.entries if isinstance(e, ItemStart | ItemResult)}
        return tuple(item for item in self.start.items if item not in seen)

    @cached_property
    def notes(self) -> tuple[Note, ...]:
        """Notes in order."""
        return tuple(entry for entry in self.entries if isinstance(entry, Note))

    @cached_property
    def end(self) -> RunEnd | None:
        """The last `RunEnd`, or None if the run, or its last part, never came to its end."""
        for entry in reversed(self.entries):
            if isinstance(entry, RunEnd | Resumed):
                return entry if isinstance(entry, RunEnd) else None
        return None


def read(path: Path | str) -> RunRecord:
    """Read a run folder (or its ``record.jsonl``).

    An unfinished last line is tolerated and reported; a run may have lost its power there. So is
    one that has its end and yet is no JSON: a disk writes the blocks of a long line in any order.

    Raises
    ------
    StoreError
        If there is no record, it does not begin with a run-start, or any other line is
        unreadable; names ``file:line``.
    """
    path = Path(path)
    file = path if path.name == RECORD else path / RECORD
    try:
        content = file.read_bytes()
    except OSError as problem:
        raise StoreError(f"{file}: no readable record: {problem.strerror}") from problem
    return parse(content, file)


def parse(content: bytes, file: Path) -> RunRecord:
    """As `read`, from the bytes of the record `file`."""
    *lines, rest = content.split(b"\n")
    whole = len(content) - len(rest)
    if not rest and lines and _torn(lines[-1]):
        rest = lines.pop() + b"\n"
        whole -= len(rest)
    entries = [_entry(line, f"{file}:{number}") for number, line in enumerate(lines, 1)]
    if not entries:
        raise StoreError(f"{file}:1: the record is empty: the run ended before it began")
    if not isinstance(entries[0], RunStart):
        raise StoreError(f"{file}:1: expected a run-start entry, found {entries[0].kind!r}")
    for number, entry in enumerate(entries[1:], 2):
        if isinstance(entry, RunStart):
            raise StoreError(f"{file}:{number}: a second run-start in one record")
    return RunRecord(file.parent, entries[0], tuple(entries), bool(rest), whole)


def _torn(line: bytes) -> bool:
    """Whether a line was never wholly on the disk."""
    try:
        json.loads(line)
    except ValueError:
        return True
    return False


def _entry(line: bytes, place: str) -> Entry:
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError as problem:
        raise StoreError(f"{place}: not text: {problem}") from problem
    return decode(text, place)
