"""What the index answers with: frozen values, simulated and bench evidence always apart.

Times are UTC, values in the unit of their measure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hil.core.measure import Outcome
from hil.core.verdict import Verdict

BENCH, SIMULATED = "bench", "simulated"

#: States of an indexed run: as its folder is, its folder differs from what was indexed, its folder
#: is gone.
PRESENT, ALTERED, VANISHED = "present", "altered", "vanished"

#: Codes in the database are positions in these; they may be added to at the end, never reordered.
VERDICTS: tuple[str, ...] = (
    "",  # a measure without a band
    Verdict.PASS.value,
    Verdict.FAIL.value,
    Verdict.UNDECIDED.value,
    Verdict.BENCH_FAULT.value,
    Verdict.NOT_RUN.value,
)
OUTCOMES: tuple[str, ...] = (
    Outcome.VALUE.value,
    Outcome.NEVER_REACHED.value,
    Outcome.MISSING_DATA.value,
    Outcome.TOO_FEW_SAMPLES.value,
    Outcome.NOT_APPLICABLE.value,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """One run.

    Parameters
    ----------
    run : its name, which is the name of its folder.
    path : of the folder, as the machine that indexed it saw it.
    utc : when it began, as its record has it (ISO 8601, Z).
    ended : when it ended, or "".
    evidence : ``bench`` or ``simulated``.
    plan : names of its plan files, joined by ", ".
    build : firmware revision that the board reported (at the end, if not at the start), or "".
    commit : of the firmware's sources, or "".
    limits, plan_print, rig_print : fingerprints (SHA-256) of abort limits, plan and rig files.
    end : reason of the end, or "" for a run that never came to it.
    counts : verdict -> number of results; every verdict is there.
    interrupted, never_begun : items without a result.
    deselected : planned items of its plans that its user did not choose: it is a partial run. None
        is not known, as for a run that was indexed before this was kept and is gone.
    measures : figures in the index.
    state : ``present``, ``altered`` or ``vanished``; `state_reason` says what is wrong.
    """

    run: str
    path: str
    utc: str
    ended: str
    rig: str
    evidence: str
    plan: str
    build: str
    commit: str
    limits: str
    plan_print: str
    rig_print: str
    end: str
    counts: Mapping[str, int]
    interrupted: int
    never_begun: int
    deselected: int | None
    measures: int
    state: str
    state_reason: str


class ItemRow(NamedTuple):
    """One result of an item; an item that was run twice in a run is there twice.

    A tuple, since a year of nights has a hundred thousand of them.
    """

    run: str
    item: str
    plan: str
    scenario: str
    verdict: str
    reason: str
    utc: str


@dataclass(frozen=True, slots=True, order=True, kw_only=True)
class SeriesKey:
    """What figures must have in common to be one series.

    Whole-item figures such as ``success-rate`` are measures of their own, with repeat 0.
    """

    rig: str
    evidence: str
    plan: str
    item: str
    measure: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """All figures of one key: columns of equal length, in order of time.

    Figures of one item keep the order of its record.

    Parameters
    ----------
    run, build, commit : text, dtype object.
    utc : datetime64[ms], when the item began.
    repeat : int64, from 1; 0 for a figure of the item as a whole.
    value, uncertainty, low, high : float64, NaN where there is none. A measure with two bands has
        the tighter limit on each side.
    verdict : text, dtype object: a verdict, the worst of two; "" without a band.
    outcome : text, dtype object: ``value``, or why there is none (`hil.core.measure.Outcome`).
    """

    key: SeriesKey
    run: NDArray[Any]
    utc: NDArray[np.datetime64]
    build: NDArray[Any]
    commit: NDArray[Any]
    repeat: NDArray[np.int64]
    value: NDArray[np.float64]
    uncertainty: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    verdict: NDArray[Any]
    outcome: NDArray[Any]

    def __len__(self) -> int:
        return len(self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildRow:
    """What the index holds of one firmware build on one rig.

    Parameters
    ----------
    commits : of its runs, in order of first appearance; usually one.
    runs, items, measures : how many; an item counts once however often it was run.
    counts : verdict -> number of results; every verdict is there.
    interrupted : items without a result.
    first, last : begin of the first and the last run.
    """

    rig: str
    evidence: str
    build: str
    commits: tuple[str, ...]
    runs: int
    items: int
    measures: int
    counts: Mapping[str, int]
    interrupted: int
    first: str
    last: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One folder and what was found out about it; `reason` is "" where there is nothing to say."""

    run: str
    path: str
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebuilt:
    """What a rebuild found; every folder with a record below the roots is in exactly one list.

    Parameters
    ----------
    added : new in the index.
    unchanged : as indexed.
    updated : its record grew since it was indexed, as that of a running or resumed run does.
    moved : as indexed, in another place.
    copies : a second folder of a run whose first one is still in its place; not indexed.
    altered : its record is no continuation of what was indexed, or an input no longer has the
        SHA-256 in the record. What was indexed before is kept and marked.
    searching : of a search for a build, by their own record: no nights, and not indexed.
    unreadable : no readable record.
    vanished : indexed below one of the roots and no longer there; kept and marked.
    measures : figures written.
    """

    added: tuple[Found, ...] = ()
    unchanged: tuple[Found, ...] = ()
    updated: tuple[Found, ...] = ()
    moved: tuple[Found, ...] = ()
    copies: tuple[Found, ...] = ()
    altered: tuple[Found, ...] = ()
    searching: tuple[Found, ...] = ()
    unreadable: tuple[Found, ...] = ()
    vanished: tuple[Found, ...] = ()
    measures: int = 0

    @property
    def clean(self) -> bool:
        """Whether nothing is altered, unreadable or vanished."""
        return not (self.altered or self.unreadable or self.vanished)
