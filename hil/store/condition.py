"""What of a run folder is missing or unreadable, said in words; a report never fails over it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from hil.core.errors import StoreError
from hil.store.reading import RECORD, RunRecord
from hil.store.removed import removed_traces

#: Bytes at the end of a raw log that are looked at: what a crash leaves undone is there.
TAIL = 64 * 1024


def problems(record: RunRecord) -> tuple[str, ...]:
    """One line for each file that cannot be used, in the order in which a reader meets them.

    The record that ends in an unfinished line, traces that results name, raw logs, and inputs that
    are not what the record says they were. Traces are judged by their structure, not sample by
    sample.
    """
    return tuple(_problems(record))


def _problems(record: RunRecord) -> Iterator[str]:
    if record.unfinished:
        yield f"{RECORD}: its last line was cut short"
    removed = removed_traces(record.path)
    for name in (name for result in record.results for name in result.traces):
        if name in removed and not (record.path / "traces" / name).exists():
            continue
        if problem := _trace(record.path / "traces" / name):
            yield f"traces/{name}: {problem}"
    for log in sorted((record.path / "serial").glob("*.log")):
        if problem := _raw_log(log):
            yield f"serial/{log.name}: {problem}"
    for name, digest in record.start.hashes.items():
        if problem := _input(record.path / "inputs" / name, digest):
            yield f"inputs/{name}: {problem}"


def _trace(file: Path) -> str:
    from hil.store.traces import check_trace

    try:
        check_trace(file)
    except StoreError as problem:
        return str(problem).removeprefix(f"{file}: ").replace(f"{file.parents[1]}/", "")
    return ""


def _raw_log(file: Path) -> str:
    try:
        with file.open("rb") as log:
            head = log.read(TAIL)
            log.seek(max(0, file.stat().st_size - TAIL))
            tail = log.read(TAIL)
    except OSError as problem:
        return f"cannot be read: {problem.strerror}"
    if not head:
        return "empty"
    if b"\0" in head or b"\0" in tail:
        return "holds blocks that never reached the disk"
    if not tail.endswith(b"\n"):
        return "its last line was cut short"
    return ""


def _input(file: Path, digest: str) -> str:
    try:
        found = hashlib.sha256(file.read_bytes()).hexdigest()
    except OSError as problem:
        return f"cannot be read: {problem.strerror}"
    return "" if found == digest else "not what the record says it was"
