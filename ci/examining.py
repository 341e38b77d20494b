"""Whether a run folder that a crash has left keeps what it must; see ``ci/crashes``."""

from __future__ import annotations

import csv
import io
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from pathlib import Path

from hil.core.errors import HilError, StoreError
from hil.core.record import Entry, ItemResult, ItemStart, Note
from hil.report.items import Standing, listing
from hil.report.rebuild import JUNIT, MEASURES, PAGE, rebuild
from hil.store.codec import decode
from hil.store.condition import problems
from hil.store.folder import RunFolder
from hil.store.rawlog import read_raw_log
from hil.store.reading import RECORD, RunRecord, read
from hil.store.traces import read_trace


def examine(
    out: Path, acknowledged: Sequence[str], must_have: Mapping[str, bytes] | None = None
) -> list[str]:
    """What is wrong with what is left below `out`; nothing if all is as it must be.

    Parameters
    ----------
    acknowledged : lines that the run was told to be kept before it was ended.
    must_have : file -> content that was there when a result that rests on it was acknowledged.
    """
    kept = [decode(line) for line in acknowledged]
    folders = [path.parent for path in out.glob(f"*/{RECORD}")] if out.is_dir() else []
    if not folders:
        return ["the run folder is gone"] if kept else []
    (folder,) = folders
    wrong = [
        f"{name}: not what it was when the result was kept"
        for name, content in (must_have or {}).items()
        if not (out / name).is_file() or not (out / name).read_bytes().startswith(content)
    ]
    try:
        record = read(folder)
    except StoreError as error:
        return [*wrong, f"unreadable: {error}"] if kept else wrong
    wrong += _entries(record, kept)
    wrong += _evidence(record)
    try:
        wrong += _derived(rebuild(folder))
        wrong += _goes_on(folder, record)
    except (HilError, OSError, ET.ParseError) as error:
        wrong.append(f"{type(error).__name__}: {error}")
    return wrong


def _entries(record: RunRecord, kept: Sequence[Entry]) -> list[str]:
    found = list(record.entries)
    if found[: len(kept)] != kept:
        return [f"of {len(kept)} entries that were kept, {len(found)} are there or are others"]
    if len(found) > len(kept) + 1:  # one more may have come through before it was acknowledged
        return [f"{len(found) - len(kept)} entries more than were written"]
    return []


def _evidence(record: RunRecord) -> list[str]:
    """What results rest on, all of it readable."""
    wrong = []
    for result in record.results:
        for name in result.traces:
            try:
                read_trace(record.path / "traces" / name)
            except StoreError as error:
                wrong.append(str(error))
        try:
            pieces = list(read_raw_log(record.path / "serial" / f"{result.item}.log"))
        except StoreError as error:
            wrong.append(str(error))
        else:
            if not pieces and result.verdict.value == "pass":
                wrong.append(f"{result.item}: an empty raw log")
    wrong += [line for line in problems(record) if line.startswith(("inputs/", "traces/"))]
    return wrong


def _derived(record: RunRecord) -> list[str]:
    """JUnit, table and page say what the record says, interrupted items included."""
    wrong = []
    items = listing(record)
    begun = [e.item for e in record.entries if isinstance(e, ItemStart)]
    done = {e.item for e in record.entries if isinstance(e, ItemResult)}
    open_items = {item for item in begun if item not in done}
    shown = {item.item for item in items if item.standing is Standing.INTERRUPTED}
    if open_items != shown:
        wrong.append(f"interrupted are {open_items}, shown as that are {shown}")
    cases = list(ET.parse(record.path / JUNIT).getroot().iter("testcase"))
    types = [error.get("type") for case in cases for error in case.iter("error")]
    if len(cases) != len(items) or types.count("Interrupted") != len(open_items):
        wrong.append(f"{JUNIT}: {len(cases)} cases, errors {types}")
    page = (record.path / PAGE).read_text(encoding="utf-8")
    wrong += [f"{PAGE}: no item {item.item}" for item in items if item.item not in page]
    rows = csv.DictReader(io.StringIO((record.path / MEASURES).read_text(encoding="utf-8")))
    measured = {row["item"] for row in rows}
    wrong += [
        f"{MEASURES}: nothing of {result.item}"
        for result in record.results
        if result.measures and result.item not in measured
    ]
    return wrong


def _goes_on(folder: Path, before: RunRecord) -> list[str]:
    """The folder takes further entries, and no draft of a dead writer stays."""
    with RunFolder.reopen(folder) as opened:
        opened.append(Note(utc="2026-03-01T22:15:09.123Z", text="goes on"))
    after = read(folder)
    if after.entries[: len(before.entries)] != before.entries or after.unfinished:
        return ["what was appended spoilt what was there"]
    if left := [path.name for path in folder.rglob(".*.part")]:
        return [f"drafts are left: {', '.join(left)}"]
    return []
