"""A run on one short page of Markdown, as pipelines show it beside a job."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from hil.core.count import many
from hil.core.record import CHECK, NOT_REPORTED
from hil.core.verdict import Verdict
from hil.report.items import Item, Standing, counts, listing, overall, worst_first
from hil.report.markdown import escaped, link, row, table_head
from hil.report.markup import SIGNS
from hil.report.omitted import omitted_lines
from hil.report.rebuild import JUNIT, MEASURES, PAGE
from hil.store.condition import problems
from hil.store.reading import RECORD, RunRecord
from hil.verdicts.moved import share_left

#: Largest page in bytes; the limit of one service is 1024 KiB, and drops what is larger whole.
MOST_BYTES = 900_000
#: Longest name and reason in characters; notes and problems are named up to so many.
LONGEST_NAME, LONGEST_REASON, MOST_LINES = 200, 500, 10
#: Kept free for the sentence that says what was left out.
_RESERVE = 400


def job_summary(record: RunRecord, address: str = "", most: int = MOST_BYTES) -> str:
    """The page; the least bad of what does not fit into `most` bytes is left out, and counted.

    Parameters
    ----------
    address : where the pipeline keeps the run folder, to be linked.
    most : less than `MOST_BYTES` if other pages stand in the same file; "" if nothing fits.
    """
    items = listing(record)
    head = "".join(_head(record, items, address))
    left = most - _RESERVE - _size(head)
    if left < 0:
        return ""
    return head + "".join(_tables(items, left))


def _size(text: str) -> int:
    return len(text.encode())


def _head(record: RunRecord, items: Sequence[Item], address: str) -> Iterator[str]:
    start, worst = record.start, overall(items)
    stamp = "SIMULATED: " if start.simulated else ""
    name = escaped(start.run, LONGEST_NAME)
    yield f"## {stamp}{SIGNS[worst]} {worst}: run {name}\n\n"
    if record.unsafe:
        yield from _several(f"**{CHECK}**", record.unsafe)
        yield "\n"
    if start.simulated:
        yield "> **SIMULATED**: no motor turned; this is no evidence from the bench.\n\n"
    yield table_head(("verdict", "items", "meaning"))
    for standing, number in counts(items).items():
        if number:
            yield row((f"{SIGNS[standing]} {standing}", str(number), standing.meaning))
    yield "\n"
    for what, text in _facts(record):
        yield f"- {what}: {escaped(text, LONGEST_REASON)}\n"
    kept = f"Artefacts: run folder {escaped(str(record.path), LONGEST_REASON)}"
    names = ", ".join((PAGE, JUNIT, MEASURES, RECORD, "traces, serial"))
    yield f"- {kept} ({names})" + (f", {link('kept here', address)}" if address else "") + "\n"
    yield from _several("Unreadable", problems(record))
    yield "\n"


def _several(what: str, texts: Sequence[str]) -> Iterator[str]:
    """The first of several texts as a list, and how many more there are."""
    for text in texts[:MOST_LINES]:
        yield f"- {what}: {escaped(text, LONGEST_REASON)}\n"
    if len(texts) > MOST_LINES:
        yield f"- {what}: and {len(texts) - MOST_LINES} more\n"


def _facts(record: RunRecord) -> Iterator[tuple[str, str]]:
    start, end = record.start, record.end
    board = next((one for one in start.identities if one.role == "board"), None)
    firmware = NOT_REPORTED
    if board is not None:
        maker = " ".join(part for part in (board.maker, board.model) if part)
        firmware = f"{maker or 'board'}, build {board.revision or NOT_REPORTED}"
    yield "Firmware", firmware + (f", commit {start.commit}" if start.commit else "")
    yield "Bench", f"{start.bench}; rig {start.rig}"
    yield "Began", start.utc
    if end is None or record.unfinished:
        yield "Ended", "never: the run did not come to its end"
    else:
        yield "Ended", f"{end.utc}, {end.reason}"
    for part in record.resumed:
        yield "Resumed", f"{part.utc}, {many(part.kept, 'verdict')} kept"
    for told in omitted_lines(start.omitted, len(start.items)):
        yield "Not in it", told


def _tables(items: Sequence[Item], left: int) -> Iterator[str]:
    """What failed, then what came to no decision, as many rows as fit."""
    failed = sorted((i for i in items if i.standing is Standing.FAIL), key=_how_far)
    others = [
        item for item in worst_first(items) if item.standing not in (Standing.FAIL, Standing.PASS)
    ]
    lost, cut = 0, False
    for title, found in (("failed", failed), ("came to no decision", others)):
        if not found:
            continue
        begin = f"### {many(len(found), 'item')} {title}\n\n" + table_head(
            ("item", "verdict", "why")
        )
        left -= _size(begin) + 1
        shown = 0
        for item in found:
            line = _line(item)
            if left < _size(line):
                break
            yield line if shown else begin + line
            shown += 1
            left -= _size(line)
            cut = cut or len(item.reason) > LONGEST_REASON or len(item.name) > LONGEST_NAME
        if shown < len(found):
            left = 0  # nothing less bad takes the place of what was left out
            lost += len(found) - shown
        if shown:
            yield "\n"
    if lost:
        yield (
            f"**Left out here: {many(lost, 'more item')} that did not pass**, to keep this page "
            f"short; {PAGE} has all.\n"
        )
    if cut:
        yield f"Long texts are cut; {PAGE} has them whole.\n"


def _line(item: Item) -> str:
    verdict = f"{SIGNS[item.standing]} {item.standing}"
    return row((escaped(item.name, LONGEST_NAME), verdict, escaped(item.reason, LONGEST_REASON)))


def _how_far(item: Item) -> tuple[float, int]:
    """Farthest outside its bands first; what has no proportion (no value, no start) before that."""
    judgements = item.result.judgements if item.result is not None else ()
    shares = [
        None if one.margin is None else share_left(one.margin, one.band)
        for one in judgements
        if one.verdict is Verdict.FAIL
    ]
    far = [-math.inf if share is None else share for share in shares]
    return min(far, default=-math.inf), item.number
