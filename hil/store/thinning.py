"""Retention: traces of passing items of old runs made small, or removed. Measures never.

What was done is written into ``thinned.jsonl`` before it is done, one line a file with the SHA-256
before and after, so that a loss of power in between leaves no file that looks altered. The record
gets a note, and the manifest, where there is one, new hashes of these two; a file that was altered
beforehand is left as it is and told, never laundered.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

from hil.core.errors import StoreError
from hil.core.record import Note, RunStart
from hil.core.thinning import is_thin, thin_trace
from hil.core.verdict import Verdict
from hil.ports.clock import utc_now
from hil.store.atomic import replace_file, sync_folder
from hil.store.folder import TRACES, RunFolder
from hil.store.hashing import digest
from hil.store.manifest import MANIFEST, THINNED, read_manifest, renew
from hil.store.reading import RECORD, RunRecord, parse
from hil.store.traces import read_trace, trace_bytes

#: Samples that a thinned channel keeps: as many as a chart of a page can show.
POINTS = 200


@dataclass(frozen=True, slots=True)
class Rule:
    """What happens to which traces.

    Parameters
    ----------
    days : older runs only, by the begin of the run.
    remove : the traces are removed, else thinned to `POINTS` samples a channel.
    """

    days: float
    remove: bool = False

    def __str__(self) -> str:
        what = "removed" if self.remove else f"thinned to {POINTS} samples a channel"
        return f"traces of passing items {what} after {self.days:g} days"

    def applies(self, start: RunStart, now: str) -> bool:
        """Whether a run is old enough."""
        age = datetime.fromisoformat(now) - datetime.fromisoformat(start.utc)
        return age > timedelta(days=self.days)


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinned:
    """What was done to one run folder.

    Parameters
    ----------
    files : traces that were thinned or removed.
    before, after : bytes of these.
    troubles : what was left as it is, and why: altered, unreadable.
    """

    run: str
    path: str
    files: int = 0
    before: int = 0
    after: int = 0
    troubles: tuple[str, ...] = ()


def thin_run(folder: Path, rule: Rule, now: str | None = None) -> Thinned:
    """Apply `rule` to one run folder; again, it does nothing.

    Runs that are younger, or did not come to their end (they may be resumed), are left alone, and
    so is the trace of an item that any result of does not pass, or that is no longer what it was.

    Raises
    ------
    StoreError
        If the record cannot be read or the disk refuses to be written.
    """
    now = now or utc_now()
    content = _content(folder / RECORD)
    first, last = content.partition(b"\n")[0], content.rstrip(b"\n").rpartition(b"\n")[2]
    start = parse(first + b"\n", folder / RECORD).start
    nothing = Thinned(run=start.run, path=str(folder))
    # Years of runs are looked at every night: the note of a run that is done saves its reading.
    if not rule.applies(start, now) or f'"text":"{_NOTE}{rule}:'.encode() in last:
        return nothing
    record = parse(content, folder / RECORD)
    if record.end is None:
        return nothing
    work = _Work(folder, rule, now)
    files = _passing(record)
    if trouble := work.look(record):
        return replace(nothing, troubles=(trouble,)) if files else nothing
    for name in files:
        work.file(name)
    if work.done or work.untold:
        work.tell()
    return replace(
        nothing,
        files=work.done,
        before=work.before,
        after=work.after,
        troubles=tuple(work.troubles),
    )


def _content(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as problem:
        raise StoreError(f"{file}: no readable record: {problem.strerror}") from problem


def _passing(record: RunRecord) -> list[str]:
    """Traces of items of which every result passed and that were never interrupted."""
    verdicts: dict[str, set[Verdict]] = defaultdict(set)
    for result in record.results:
        verdicts[result.item].add(result.verdict)
    kept = {start.item for start in record.interrupted}
    passed = {item for item, found in verdicts.items() if found == {Verdict.PASS}} - kept
    return [name for r in record.results if r.item in passed for name in r.traces]


@dataclass
class _Work:
    """On one folder."""

    folder: Path
    rule: Rule
    now: str
    done: int = 0
    before: int = 0
    after: int = 0
    troubles: list[str] = field(default_factory=list)
    #: An earlier thinning was cut short before its note.
    untold: bool = False
    _sealed: dict[str, str] | None = None
    _steps: dict[str, dict[str, str | None]] = field(default_factory=dict)

    def look(self, record: RunRecord) -> str:
        """Take in manifest and earlier thinnings; says why the folder must be left alone, or ""."""
        list_file = self.folder / THINNED
        if list_file.is_file() and (trouble := self._take_list(list_file, record)):
            return trouble
        if not (self.folder / MANIFEST).is_file():
            return ""
        try:
            manifest = read_manifest(self.folder)
        except StoreError as problem:
            return str(problem)
        self._sealed = {file.path: file.sha256 for file in manifest.files}
        if self._sealed.get(RECORD) != digest(self.folder / RECORD):
            if not self._only_noted(record, self._sealed.get(RECORD, "")):
                return f"{self.folder / RECORD}: not the record that the manifest was made of"
            self._renew()
        elif list_file.is_file() and self._sealed.get(THINNED) != digest(list_file):
            self._renew()  # a loss of power came between the list and the manifest
        return ""

    def _take_list(self, file: Path, record: RunRecord) -> str:
        content = file.read_bytes()
        if torn := content[content.rfind(b"\n") + 1 :]:
            # Power was lost while it was written, so what it announces was not done.
            content = content[: -len(torn)]
            replace_file(file, content)
        told = {note.utc for note in record.notes if note.text.startswith(_NOTE)}
        for number, line in enumerate(content.splitlines(), 1):
            try:
                entry = json.loads(line)
                new, utc = entry["new"], str(entry["utc"])
                steps = self._steps.setdefault(str(entry["file"]), {})
                steps[str(entry["old"])] = None if new is None else str(new)
            except (ValueError, KeyError, TypeError) as problem:
                return f"{file}:{number}: cannot be read: {problem}"
            self.untold = utc not in told
        return ""

    def _only_noted(self, record: RunRecord, sealed: str) -> bool:
        """Whether nothing but notes of thinning came after the record that was sealed."""
        lines = (self.folder / RECORD).read_bytes().splitlines(keepends=True)
        found = hashlib.sha256()
        for number, line in enumerate(lines, 1):
            found.update(line)
            if found.hexdigest() == sealed:
                rest = record.entries[number:]
                return all(isinstance(e, Note) and e.text.startswith(_NOTE) for e in rest)
        return False

    def file(self, name: str) -> None:
        """Thin or remove one trace, unless that was done or it is not what it was."""
        key, path = f"{TRACES}/{name}", self.folder / TRACES / name
        steps = self._steps.get(key, {})
        if not path.is_file():
            if None not in steps.values():
                self.troubles.append(f"{path}: is missing")
            return
        try:
            old = digest(path)
            small = not self.rule.remove and is_thin(read_trace(path), POINTS)
            new = None if self.rule.remove or small else self._thinned(path)
        except StoreError as problem:
            self.troubles.append(str(problem))
            return
        if self._sealed is not None and not _leads(steps, self._sealed.get(key), old):
            self.troubles.append(f"{path}: altered: not the trace that the manifest was made of")
            return
        if small:
            return
        after = None if new is None else hashlib.sha256(new).hexdigest()
        if old not in steps or steps[old] != after:
            self._list(key, old, after)
            self._steps.setdefault(key, {})[old] = after
        self.done += 1
        self.before += path.stat().st_size
        if new is None:
            path.unlink()
            sync_folder(path.parent)
        else:
            self.after += len(new)
            replace_file(path, new)

    @staticmethod
    def _thinned(path: Path) -> bytes:
        return trace_bytes(thin_trace(read_trace(path), POINTS))

    def _list(self, key: str, old: str, new: str | None) -> None:
        entry = {"file": key, "old": old, "new": new, "utc": self.now, "rule": str(self.rule)}
        path = self.folder / THINNED
        try:
            with path.open("ab") as file:
                file.write(json.dumps(entry).encode() + b"\n")
                file.flush()
                os.fsync(file.fileno())
        except OSError as problem:
            raise StoreError(f"{path}: cannot be written: {problem.strerror}") from problem
        sync_folder(self.folder)

    def tell(self) -> None:
        """The note in the record, and new hashes of what grew."""
        counts = f"{self.done} files, {self.before} to {self.after} bytes"
        if self.untold:
            counts += ", after an earlier go was cut short"
        text = f"{_NOTE}{self.rule}: {counts}"
        with RunFolder.reopen(self.folder) as folder:
            folder.append(Note(utc=self.now, text=text))
        if self._sealed is not None:
            self._renew()

    def _renew(self) -> None:
        renew(self.folder, (RECORD, THINNED), self.now)


_NOTE = "retention: "


def _leads(steps: dict[str, str | None], sealed: str | None, now: str) -> bool:
    """Whether a trace is the one that was sealed, or what thinning made of it."""
    here = sealed
    for _ in range(len(steps) + 1):
        if here == now:
            return True
        here = steps.get(here) if here is not None else None
    return False
