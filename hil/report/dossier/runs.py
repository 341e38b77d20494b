"""The runs of a release: whole, of one firmware, with instruments in date on the day of test.

What speaks against a run is a doubt: its fails count, its passes do not. What only has to be known
is a remark.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from hil.core.errors import StoreError
from hil.core.record import Identity
from hil.report.checkouts import checkout_lines, doubtful_lines
from hil.report.dossier.planned import Planned, not_in_run, planned_of
from hil.report.items import Item, listing
from hil.store.fingerprint import fingerprint
from hil.store.folder import INPUTS
from hil.store.hashing import digest
from hil.store.intact import Checked, check_run
from hil.store.manifest import MANIFEST
from hil.store.reading import RunRecord, read

BOARD = "board"


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument of a run, and whether its calibration was in date.

    `standing`: in date, expired, unknown, not needed, simulated.
    """

    identity: Identity
    standing: str
    why: str = ""

    @property
    def in_doubt(self) -> bool:
        """Its calibration speaks against the run."""
        return self.standing in ("expired", "unknown")


@dataclass(frozen=True, slots=True)
class RunFacts:
    """A run as a release sees it.

    Parameters
    ----------
    checked : outcome of the look at its manifest, None without one.
    days : first and last day of test (UTC, ISO).
    items : every item, each attempt on its own, interrupted and never begun ones too.
    planned : every item of its plans, those too that are not in it.
    expanded : whether its plans could be read again; else `planned` is what the record left out.
    """

    record: RunRecord
    board: Identity
    instruments: tuple[Instrument, ...]
    checked: Checked | None
    days: tuple[str, str]
    items: tuple[Item, ...]
    planned: tuple[Planned, ...] = ()
    doubts: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    expanded: bool = True

    @property
    def name(self) -> str:
        """Name of the run."""
        return self.record.start.run

    @property
    def simulated(self) -> bool:
        """Whether no motor turned."""
        return self.record.start.simulated

    @property
    def operators(self) -> str:
        """Who ran it; each part of a resumed run may have had another."""
        names = [self.record.start.operator, *(part.operator for part in self.record.resumed)]
        return ", ".join(dict.fromkeys(name for name in names if name))

    @property
    def checkouts(self) -> tuple[str, ...]:
        """State of the repositories of plans and rig files, in words."""
        return tuple(checkout_lines(self.record.start.checkouts))

    @property
    def environments(self) -> tuple[str, ...]:
        """What was stated of the surroundings of each part, each statement once."""
        stated = [self.record.start.environment, *(p.environment for p in self.record.resumed)]
        return tuple(
            dict.fromkeys(f"{name} {value}" for one in stated for name, value in one.items())
        )


@dataclass(frozen=True, slots=True)
class Firmware:
    """The one firmware of all runs; `images` file -> SHA-256, empty where none was recorded."""

    maker: str
    model: str
    revision: str
    commit: str
    images: Mapping[str, str]

    def __str__(self) -> str:
        words = (self.maker, self.model, self.revision)
        return " ".join(word for word in words if word) or "unknown firmware"


def look_at(folder: Path, not_needed: Mapping[str, str]) -> RunFacts:
    """Read a run and find what speaks against it.

    `not_needed`: roles of instruments that need no calibration -> reason.

    Raises
    ------
    StoreError
        If the record is unreadable, no board answered, or another firmware answered at the end.
    """
    record = read(folder)
    board = _board(record)
    checked, doubts, remarks = _integrity(record)
    items = listing(record, every_part=True)
    times = [record.start.utc, *(i.result.utc for i in items if i.result is not None)]
    if record.end is not None:
        times.append(record.end.utc)
    days = min(times)[:10], max(times)[:10]
    instruments = tuple(
        _instrument(one, record.start.simulated, days[1], not_needed)
        for one in record.start.identities
        if one.role != BOARD
    )
    doubts += [f"calibration of the {i.identity.role}: {i.why}" for i in instruments if i.in_doubt]
    planned, untold = planned_of(record)
    doubts += [untold] if untold else []
    remarks += not_in_run(planned, expanded=not untold)
    return RunFacts(
        record, board, instruments, checked, days, items, planned, tuple(doubts), tuple(remarks),
        expanded=not untold,
    )  # fmt: skip


def one_firmware(runs: Sequence[RunFacts]) -> Firmware:
    """The firmware that all runs are of.

    Raises
    ------
    StoreError
        If there is more than one: names each run with what it is of.
    """
    _same(runs, "firmware", lambda run: str(_firmware(run)))
    _same(runs, "commit", lambda run: run.record.start.commit)
    _same(runs, "firmware image", lambda run: fingerprint(run.record.start.firmware)[:16])
    first = _firmware(runs[0])
    commit = next((r.record.start.commit for r in runs if r.record.start.commit), "")
    images = next((r.record.start.firmware for r in runs if r.record.start.firmware), {})
    return replace(first, commit=commit, images=images)


def _firmware(run: RunFacts) -> Firmware:
    return Firmware(run.board.maker, run.board.model, run.board.revision, "", {})


def _same(runs: Sequence[RunFacts], what: str, of: object) -> None:
    assert callable(of)
    found: dict[str, list[str]] = {}
    for run in runs:
        if value := of(run):
            found.setdefault(value, []).append(run.name)
    if len(found) > 1:
        told = "; ".join(f"{value}: {', '.join(names)}" for value, names in found.items())
        raise StoreError(f"the runs are of more than one {what}, and a release is of one: {told}")


def _board(record: RunRecord) -> Identity:
    boards = [one for one in record.start.identities if one.role == BOARD]
    if not boards:
        raise StoreError(
            f"{record.path}: no board answered before the run ended: it is evidence of no firmware"
        )
    later = [(one, "after an interruption") for part in record.resumed for one in part.identities]
    if record.end is not None:
        later += [(one, "at the end") for one in record.end.identities]
    for after, when in later:
        if after.role == BOARD and replace(after, resource="") != replace(boards[0], resource=""):
            raise StoreError(
                f"{record.path}: the board said {boards[0]} at the start and {after} {when}: the "
                "run is of more than one firmware"
            )
    return boards[0]


def _integrity(record: RunRecord) -> tuple[Checked | None, list[str], list[str]]:
    """Outcome of the look at the manifest, doubts, remarks."""
    doubts: list[str] = []
    remarks: list[str] = []
    for name, sha256 in record.start.hashes.items():
        path = record.path / INPUTS / name
        if not path.is_file():
            doubts.append(f"inputs/{name} is missing")
        elif digest(path) != sha256:
            doubts.append(f"inputs/{name} is not what the record says: altered")
    checked = None
    if (record.path / MANIFEST).is_file():
        checked = check_run(record.path)
        doubts += [str(one) for one in checked.differences[:1]]
        if checked.thinned:
            remarks.append(f"{len(checked.thinned)} traces of passing items were thinned")
    else:
        remarks.append("no manifest: nothing shows that it is as it was when it ended")
    told = list(doubtful_lines(record.start.checkouts))
    for part in record.resumed:
        told += [f"{line} (as it was gone on with)" for line in doubtful_lines(part.checkouts)]
    remarks += [f"plans and rig files: {line}" for line in told]
    for part in record.resumed:
        remarks.append(f"interrupted, and gone on with at {part.utc}; {part.kept} verdicts stood")
    if record.end is None:
        remarks.append("the run did not come to its end" + _cut(record))
    elif record.end.reason != "completed":
        remarks.append(f"the run ended early: {record.end.reason}")
    if record.end is not None and not record.end.identities and not record.start.simulated:
        remarks.append("the firmware was not asked again at the end")
    return checked, doubts, remarks


def _cut(record: RunRecord) -> str:
    return "; its last line was cut short" if record.unfinished else ""


def _instrument(
    identity: Identity, simulated: bool, day: str, not_needed: Mapping[str, str]
) -> Instrument:
    if simulated:
        return Instrument(identity, "simulated", "no instrument was used")
    if identity.role in not_needed:
        return Instrument(identity, "not needed", not_needed[identity.role])
    due = identity.calibration_due
    try:
        last = date.fromisoformat(due)
    except ValueError:
        return Instrument(identity, "unknown", f"due date unknown ({due})" if due else "due date "
                          "unknown")  # fmt: skip
    if last < date.fromisoformat(day):
        return Instrument(identity, "expired", f"was due on {due}, the test was on {day}")
    return Instrument(identity, "in date", f"due on {due}, the test was on {day}")


def boards_of(runs: Iterable[RunFacts]) -> str:
    """What was sampled: repeated starts of one board are not many boards."""
    serials = {run.board.serial for run in runs}
    if serials <= {""}:
        return "one board (no serial number reported)" if serials else "no board"
    named = sorted(serial or "no serial number" for serial in serials)
    return f"{len(named)} board{'s' if len(named) > 1 else ''} ({', '.join(named)})"
