"""What a run leaves behind: one typed entry per line of ``record.jsonl``.

Every entry has a ``kind``. The order in a complete run: `RunStart`, then per item an `ItemStart`
and an `ItemResult` (an `ItemStart` without its result, as a kill leaves it, is an interrupted item,
and so is one whose result says so), `Note` anywhere, `RunEnd` last. A run that was interrupted and
gone on with has a `Resumed` where the next part of it begins. Numbers are in canonical units.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

from hil.core.measure import Measure
from hil.core.verdict import Judgement, Verdict

SCHEMA = 1


#: Stands, wherever people read, for the build of a board that told none.
NOT_REPORTED = "not reported"


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who answered: a board (`revision` is the firmware build) or an instrument."""

    role: str  # board, supply, tachometer, brake, switch
    maker: str = ""
    model: str = ""
    serial: str = ""
    revision: str = ""
    resource: str = ""
    calibration_due: str = ""  # ISO date, "" when unknown

    def __str__(self) -> str:
        parts = [part for part in (self.maker, self.model, self.serial, self.revision) if part]
        return " ".join(parts) or "unknown"


#: Why a planned item is in no part of a run: the user chose others.
DESELECTED = "deselected"


@dataclass(frozen=True, slots=True, kw_only=True)
class Omitted:
    """Items of a plan that are in no part of a run, although it is of their plan and rig."""

    plan: str  # as in `ItemResult`
    why: str  # `DESELECTED`, or what the rig has not
    items: Mapping[str, tuple[str, ...]]  # id -> requirements that it would be evidence for


@dataclass(frozen=True, slots=True, kw_only=True)
class Checkout:
    """Input files of one git repository, and what they were as the run began.

    Parameters
    ----------
    files : paths within the repository; names alone where there is none.
    commit : that was checked out, "" if that is not known.
    changed : those of `files` that are not as in that commit, or not in it.
    others : how many other files of the repository are not as in that commit.
    why : why nothing is known: no git, no repository, no commit; "" if it is.
    """

    files: tuple[str, ...]
    commit: str = ""
    changed: tuple[str, ...] = ()
    others: int = 0
    why: str = ""

    @property
    def dirty(self) -> bool:
        """Whether the commit alone does not tell what was run."""
        return bool(self.changed or self.others)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """An option in force, and where its value came from."""

    name: str
    value: str
    source: str  # command line, environment NAME, name of an ini file, default


@dataclass(frozen=True, slots=True, kw_only=True)
class RunStart:
    """First line of a record."""

    kind: ClassVar[str] = "run-start"
    run: str  # name of the run folder
    utc: str  # ISO 8601, Z
    simulated: bool
    bench: str  # how the bench was chosen, one sentence
    rig: str
    plans: tuple[str, ...] = ()
    items: tuple[str, ...] = ()  # planned ids, in order
    seed: int = 0
    identities: tuple[Identity, ...] = ()
    hashes: Mapping[str, str] = field(default_factory=dict)  # input file name -> SHA-256
    host: Mapping[str, str] = field(default_factory=dict)  # machine, system, python, packages
    motor: Mapping[str, str] = field(default_factory=dict)  # nameplate lines for the report
    limits: Mapping[str, str] = field(default_factory=dict)  # abort limits, for the report
    commit: str = ""  # of the firmware's sources, as the user names it
    search: str = ""  # name of the search for a build that it serves; such a run is no night
    operator: str = ""  # who ran it, as the user names them
    environment: Mapping[str, str] = field(default_factory=dict)  # place, ambient: as stated
    #: Firmware image put on the board, or what was compiled for the simulated one -> SHA-256.
    firmware: Mapping[str, str] = field(default_factory=dict)
    omitted: tuple[Omitted, ...] = ()  # planned, and not among `items`
    checkouts: tuple[Checkout, ...] = ()  # of all files of `hashes` that a user wrote
    settings: tuple[Setting, ...] = ()  # every option
    schema: int = SCHEMA


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemStart:
    """An item is about to run; flushed before anything is energised."""

    kind: ClassVar[str] = "item-start"
    item: str
    utc: str
    position: int  # from 1
    of: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StateSpan:
    """A stretch of time in one reported state, for the state time-line."""

    state: str
    start: float
    end: float
    repeat: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemResult:
    """What an item measured and how it was judged."""

    kind: ClassVar[str] = "item"
    item: str
    scenario: str  # start, reversal, stall, speed-step, steps, ...
    plan: str
    title: str
    conditions: Mapping[str, str]  # e.g. direction: cw, supply: 24 V
    verdict: Verdict
    reason: str  # one line: what decided the verdict
    utc: str
    duration: float  # s of bench time
    measures: tuple[Measure, ...] = ()
    repeats: tuple[int, ...] = ()  # repetition number of each entry of `measures`, 0 = the item
    judgements: tuple[Judgement, ...] = ()
    spans: tuple[StateSpan, ...] = ()
    traces: tuple[str, ...] = ()  # files below traces/, one per repetition
    requirements: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()  # what was done, for people
    interrupted: bool = False  # the run was ended in the midst of it: not-run, and to be run again


#: Level of a note that a person must read before touching the bench.
UNSAFE = "unsafe"
#: What such a note begins with wherever it is shown.
CHECK = "CHECK THE BENCH"


def to_check(problems: Iterable[str]) -> list[str]:
    """Lines that tell a person what to look at before touching the bench."""
    return [f"{CHECK}: {problem}" for problem in problems]


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something worth keeping: a warning, a reconnect, a switched-off supply with its reason."""

    kind: ClassVar[str] = "note"
    utc: str
    text: str
    item: str = ""
    level: str = "info"  # info, warning, error, or `UNSAFE`


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEnd:
    """Last line of a complete record."""

    kind: ClassVar[str] = "run-end"
    utc: str
    reason: str  # completed, interrupted: ..., aborted: ...
    counts: Mapping[str, int]
    identities: tuple[Identity, ...] = ()  # read again at the end


@dataclass(frozen=True, slots=True, kw_only=True)
class Resumed:
    """An interrupted run goes on, with all that its verdicts depend on unchanged."""

    kind: ClassVar[str] = "resumed"
    utc: str
    number: int  # 1 for the first time
    bench: str  # how the bench was chosen, one sentence
    kept: int  # items whose verdict stands and that are not run again
    again: tuple[str, ...] = ()  # items that were interrupted or not run: run in this part
    identities: tuple[Identity, ...] = ()  # as read when the part began
    host: Mapping[str, str] = field(default_factory=dict)
    operator: str = ""
    environment: Mapping[str, str] = field(default_factory=dict)
    checkouts: tuple[Checkout, ...] = ()
    settings: tuple[Setting, ...] = ()


Entry = RunStart | ItemStart | ItemResult | Note | Resumed | RunEnd
JsonObject = dict[str, Any]
