"""The items of a run as a report lists them: every planned item once, the worst first.

Items that came to no verdict (interrupted, never begun) are listed too: missing data never passes
and never disappears.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from hil.core.record import ItemResult, ItemStart, Note
from hil.core.verdict import Verdict
from hil.store.reading import RunRecord, was_interrupted


class Standing(StrEnum):
    """What became of an item, worst first; a `Verdict`, or ``interrupted``."""

    FAIL = "fail"
    BENCH_FAULT = "bench-fault"
    INTERRUPTED = "interrupted"
    UNDECIDED = "undecided"
    NOT_RUN = "not-run"
    PASS = "pass"

    @property
    def meaning(self) -> str:
        """One sentence for people who do not know the words."""
        return _MEANINGS[self]


_MEANINGS = {
    Standing.FAIL: "The firmware left a pass band.",
    Standing.BENCH_FAULT: "The bench was at fault; it says nothing about the firmware.",
    Standing.INTERRUPTED: "The item began and was not run to its end; nobody is to blame for that.",
    Standing.UNDECIDED: "The data do not allow a decision, or the test itself is mistaken.",
    Standing.NOT_RUN: "The item was not run.",
    Standing.PASS: "Every pass band was met.",
}
_ORDER = {standing: rank for rank, standing in enumerate(Standing)}


@dataclass(frozen=True)
class Item:
    """One line of a report.

    Parameters
    ----------
    name : unique within the run: the item id, with the number of the attempt if not the first.
    item : the item id.
    standing, reason : what became of it and, in one line, why.
    number : place in the order of the run, from 1.
    result : what was recorded, None without a result.
    notes : notes that name the item.
    """

    name: str
    item: str
    standing: Standing
    reason: str
    number: int
    result: ItemResult | None = None
    notes: tuple[Note, ...] = ()

    @property
    def anchor(self) -> str:
        """Identifier of its section in a page."""
        return f"item-{self.number}"


def listing(record: RunRecord, *, every_part: bool = False) -> tuple[Item, ...]:
    """Every item of a run in the order of the run: recorded, interrupted, never begun.

    What an item came to because the run was interrupted is left out once a later part of the run
    has begun it anew, but for a judgement that failed. With `every_part` all of it is there.
    """
    attempts: Counter[str] = Counter()
    found: list[Item] = []
    lost = set(map(id, record.lost))
    in_force = set(map(id, record.entries if every_part else record.standing))
    for entry in record.entries:
        if isinstance(entry, ItemResult):
            if id(entry) not in in_force and not _failed(entry):
                continue
            standing, reason = Standing(entry.verdict.value), entry.reason
            if was_interrupted(entry):
                standing, reason = Standing.INTERRUPTED, reason.removeprefix("bench: ")
            result: ItemResult | None = entry
        elif isinstance(entry, ItemStart) and id(entry) in lost:
            standing, result = Standing.INTERRUPTED, None
            reason = f"began at {entry.utc} and left no result"
        else:
            continue
        attempts[entry.item] += 1
        attempt = attempts[entry.item]
        name = entry.item if attempt == 1 else f"{entry.item} (attempt {attempt})"
        notes = tuple(note for note in record.notes if note.item == entry.item)
        found.append(Item(name, entry.item, standing, reason, len(found) + 1, result, notes))
    for item in record.never_begun:
        reason = "the run ended before it"
        found.append(Item(item, item, Standing.NOT_RUN, reason, len(found) + 1))
    return tuple(found)


def _failed(result: ItemResult) -> bool:
    return any(judgement.verdict is Verdict.FAIL for judgement in result.judgements)


def worst_first(items: Iterable[Item]) -> list[Item]:
    """Sorted by standing, then in the order of the run."""
    return sorted(items, key=lambda item: (_ORDER[item.standing], item.number))


def counts(items: Iterable[Item]) -> dict[Standing, int]:
    """How many items have each standing, all standings listed, worst first."""
    found = Counter(item.standing for item in items)
    return {standing: found[standing] for standing in Standing}


def overall(items: Iterable[Item]) -> Standing:
    """The worst standing of a run; NOT_RUN without items."""
    return min((item.standing for item in items), key=_ORDER.__getitem__, default=Standing.NOT_RUN)


def verdict_of(standing: Standing) -> Verdict:
    """The verdict a standing amounts to; an interrupted item was not run to its end."""
    if standing is Standing.INTERRUPTED:
        return Verdict.NOT_RUN
    return Verdict(standing.value)
