"""Whether an interrupted run may be gone on with, and what of it is still to be run.

refuse_if_other(record, now)     # what the verdicts depend on must be what it was
left = remaining(record)
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from hil.core.errors import StoreError
from hil.core.record import Identity, ItemResult, ItemStart, Resumed, RunEnd, RunStart
from hil.core.verdict import Verdict
from hil.store.reading import RunRecord, was_interrupted

#: Beginning of the reason of an item that was ended from outside while the run went on.
CUT_SHORT = "bench: cut short: "
_SHOWN = 12  # digits of a hash that a message shows


@dataclass(frozen=True)
class Remaining:
    """What is left of a run.

    Parameters
    ----------
    kept : item -> the result that stands.
    interrupted : items that began and left no result, or were ended from outside.
    not_run : items that were never begun, or not run for what ended the run.
    """

    kept: Mapping[str, ItemResult]
    interrupted: tuple[str, ...]
    not_run: tuple[str, ...]

    @property
    def again(self) -> tuple[str, ...]:
        """All items to run."""
        return (*self.interrupted, *self.not_run)

    @property
    def counts(self) -> Counter[Verdict]:
        """How many kept items have each verdict."""
        return Counter(result.verdict for result in self.kept.values())

    def __str__(self) -> str:
        return (
            f"kept, with a verdict: {len(self.kept)}; run now: {len(self.interrupted)} "
            f"interrupted, {len(self.not_run)} not run"
        )


def remaining(record: RunRecord) -> Remaining:
    """Sort the planned items of a run by what became of them last.

    A fail, an undecided and a bench-fault are verdicts like any other and stand: running an item
    again until it passes is not what going on with a run is for.
    """
    last: dict[str, ItemStart | ItemResult] = {}
    for entry in record.entries:
        if isinstance(entry, ItemStart | ItemResult):
            last[entry.item] = entry
    kept: dict[str, ItemResult] = {}
    interrupted, not_run = [], []
    for item in record.start.items:
        found = last.get(item)
        if isinstance(found, ItemStart) or (found is not None and _cut_short(found)):
            interrupted.append(item)
        elif found is None or found.verdict is Verdict.NOT_RUN:
            not_run.append(item)
        else:
            kept[item] = found
    return Remaining(kept, tuple(interrupted), tuple(not_run))


def _cut_short(result: ItemResult) -> bool:
    """Whether an item was ended from outside, which says nothing about it."""
    limited = result.verdict is Verdict.BENCH_FAULT and result.reason.startswith(CUT_SHORT)
    return limited or was_interrupted(result)


def resumed(record: RunRecord, left: Remaining, now: RunStart) -> Resumed:
    """The entry that begins a further part of a run; `now` as for `refuse_if_other`."""
    return Resumed(
        utc=now.utc,
        number=len(record.resumed) + 1,
        bench=now.bench,
        kept=len(left.kept),
        again=left.again,
        identities=now.identities,
        host=now.host,
        operator=now.operator,
        environment=now.environment,
        checkouts=now.checkouts,
        settings=now.settings,
    )


def refuse_if_over(record: RunRecord) -> None:
    """Refuse a run that came to its end.

    Raises
    ------
    StoreError
    """
    end = record.end
    if isinstance(end, RunEnd) and end.reason == "completed":
        raise StoreError(
            f"{record.path} cannot be resumed: it came to its end at {end.utc}; nothing is left"
        )


def refuse_if_other(record: RunRecord, now: RunStart, *, asked: bool = True) -> None:
    """Refuse to go on unless firmware, plan, rig, limits and profile are what they were.

    Parameters
    ----------
    now : what the first line of the record would be if the run began now.
    asked : board and instruments were asked who they are, and the board has its firmware. If not,
        `now.identities`, if there are any, tell of the instruments alone.

    Raises
    ------
    StoreError
        One message that names all that differs, each with what it was and what it is.
    """
    found = list(differences(record.start, now, asked=asked))
    if found:
        raise StoreError(
            f"{record.path} cannot be resumed, since its parts could not be compared: "
            + "; ".join(found)
        )


def differences(before: RunStart, now: RunStart, *, asked: bool = True) -> Iterator[str]:
    """What two parts of one run must not differ in and do, one line each."""
    # A simulated bench that is served is hardware until its instruments say who they are.
    known = asked or now.simulated or bool(now.identities)
    if before.simulated != now.simulated and known:
        words = {True: "the simulated bench", False: "hardware"}
        yield f"it ran on {words[before.simulated]}, this would be {words[now.simulated]}"
    yield from _different("rig", {"name": before.rig}, {"name": now.rig}, "")
    yield from _different("", before.hashes, now.hashes, "SHA-256 ")
    yield from _different("limit", before.limits, now.limits, "")
    if known or not before.simulated:
        yield from _different(
            "firmware",
            {n: h for n, h in before.firmware.items() if n not in before.hashes},
            {n: h for n, h in now.firmware.items() if n not in now.hashes},
            "SHA-256 ",
        )
    if before.seed != now.seed:
        yield f"seed: was {before.seed}, is {now.seed}"
    if before.items != now.items:
        yield f"{len(before.items)} items were planned, other than the {len(now.items)} found now"
    if asked:
        yield from _other_devices(before.identities, now.identities)
    elif now.identities:
        yield from _other_devices(*map(_instruments, (before.identities, now.identities)))


def _different(what: str, was: Mapping[str, str], now: Mapping[str, str], kind: str) -> list[str]:
    lines = []
    for name in sorted(was.keys() | now.keys()):
        old, new = was.get(name), now.get(name)
        if old != new:
            place = f"{what} {name}".strip()
            lines.append(f"{place}: {kind}was {_shown(old, kind)}, is {_shown(new, kind)}")
    return lines


def _shown(value: str | None, kind: str) -> str:
    if value is None:
        return "none"
    return value[:_SHOWN] if kind else value


def _instruments(devices: tuple[Identity, ...]) -> tuple[Identity, ...]:
    return tuple(who for who in devices if who.role != "board")


def _other_devices(was: tuple[Identity, ...], now: tuple[Identity, ...]) -> Iterator[str]:
    """Devices that are not the same in the same state; the port may be another."""
    after = {who.role: who for who in now}
    for before in was:
        found = after.pop(before.role, None)
        if found is None:
            yield f"{before.role}: was {before}, is none"
        elif _facts(before) != _facts(found):
            yield f"{before.role}: was {before}, is {found}"
    for extra in after.values():
        yield f"{extra.role}: was none, is {extra}"


def _facts(who: Identity) -> tuple[str, str, str]:
    return who.model, who.serial, who.revision


def hashes_of(groups: Iterable[Iterable[Path]], taken: Mapping[str, str]) -> dict[str, str]:
    """Names and SHA-256 that `RunFolder.keep_inputs` would give files, group by group.

    Parameters
    ----------
    taken : what is kept already.

    Raises
    ------
    StoreError
        If a file cannot be read.
    """
    names = dict(taken)
    for group in groups:
        own: dict[str, str] = {}
        for source in group:
            try:
                digest = hashlib.sha256(source.read_bytes()).hexdigest()
            except OSError as problem:
                raise StoreError(f"{source}: cannot be read: {problem.strerror}") from problem
            if own.get(source.name) == digest:
                continue
            name, number = source.name, 2
            while name in names:
                name, number = f"{source.stem}-{number}{source.suffix}", number + 1
            names[name] = own[name] = digest
    return names
