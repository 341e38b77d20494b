"""Rows of history: what changed between builds and nights, for the page and for the terminal.

A night is one run. Its repeats are one figure with a scatter; scatter within a night and between
nights are told apart, because only the latter says whether two nights differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.store.index.rows import SeriesKey


class Effect(StrEnum):
    """What a change does to the distance between the measure and the limits of its band."""

    NO_BAND = "no band"
    NOW_FAILS = "now outside its band"
    PASSES_AGAIN = "inside its band again"
    STILL_FAILS = "still outside its band"
    WORSE = "nearer to its limit"
    BETTER = "further from its limit"


class Latest(StrEnum):
    """What the latest night says of a measure."""

    STEADY = "steady"
    ODD = "odd"  # this night lies beyond everything before it; wait for the next
    CREEPING = "creeping"  # a small change that adds up over nights
    CHANGED = "changed"  # several nights in a row lie beyond chance
    NO_VALUE = "no value"
    ABSENT = "not in the latest run"
    TOO_SHORT = "too few nights"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeRow:
    """One change of one measure of one item.

    Parameters
    ----------
    key : rig, evidence, plan, item, measure and unit.
    position : index in the nights of the series of the first night at which it shows.
    run, build, commit, utc : of that night; utc as ISO 8601.
    build_before, commit_before : of the last night before it.
    build_good, commit_good, build_bad, commit_bad : the firmware before `earliest` and the one at
        `latest`: between these the cause is to be sought.
    same_build : True if those are one: then the bench or the room is a likelier cause.
    earliest, latest : positions between which it began with 95 % (both included).
    probability : that it began at exactly this night, given that there is a change.
    before, after : level on either side, in the unit: means of the nights up to the neighbouring
        changes.
    size : after less before; `size_low`, `size_high` its 95 % interval.
    sigma : size in standard deviations of nights about their level.
    nights_before, nights_after : how many nights those levels rest on.
    p : probability of so clear a change where there is none, corrected for all series watched.
    margin_before, margin_after : distance of the level to the nearest limit of the band at that
        night, negative outside; None without a band.
    effect : what that means.
    failed_before, failed_after : share of figures that fail their band; NaN without a band.
    """

    key: SeriesKey
    position: int
    run: str
    build: str
    commit: str
    utc: str
    build_before: str
    commit_before: str
    build_good: str
    commit_good: str
    build_bad: str
    commit_bad: str
    same_build: bool
    earliest: int
    latest: int
    probability: float
    before: float
    after: float
    size: float
    size_low: float
    size_high: float
    sigma: float
    nights_before: int
    nights_after: int
    p: float
    margin_before: float | None
    margin_after: float | None
    effect: Effect
    failed_before: float
    failed_after: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LatestRow:
    """What the latest night of the rig says of one measure of one item.

    Parameters
    ----------
    state : in one word; see `Latest`.
    run, build, commit, utc : of the latest night of this series.
    value : its figure; NaN where there is none.
    level : what it is held against: mean of the nights since the last change, without those judged.
    sigma : difference in standard deviations of those nights; NaN where it cannot be told.
    p : of the last nights in a row, corrected for all series watched; NaN if not judged.
    since : position of the first night of a creeping change, -1 for none.
    """

    key: SeriesKey
    state: Latest
    run: str
    build: str
    commit: str
    utc: str
    value: float
    level: float
    sigma: float
    p: float
    since: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nights:
    """The nights of one series, columns of equal length in order of time.

    Parameters
    ----------
    run, build, commit, utc : text, dtype object; utc as ISO 8601.
    mean : of the repeats, NaN where no repeat has a value.
    count : repeats that have a value.
    scatter : standard deviation of the repeats, NaN for fewer than two.
    low, high : limits of the band at that night, NaN where there is none.
    failed : share of figures whose verdict is fail, of those with a verdict; NaN without a band.
    level : mean of the nights between two changes, as a step line for plots.
    """

    run: NDArray[Any]
    build: NDArray[Any]
    commit: NDArray[Any]
    utc: NDArray[Any]
    mean: NDArray[np.float64]
    count: NDArray[np.int64]
    scatter: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    failed: NDArray[np.float64]
    level: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.mean)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class History:
    """One series: its nights, its changes in order of time, and what the latest night says.

    Parameters
    ----------
    within : standard deviation of repeats about the mean of their night; NaN without repeats.
    between : standard deviation of nights about their level beyond what `within` explains.
    judged : False where the series is too short, or never varies, to be searched for changes.
    """

    key: SeriesKey
    nights: Nights
    changes: tuple[ChangeRow, ...]
    latest: LatestRow
    within: float
    between: float
    judged: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Watch:
    """All series that were watched together; their p values are corrected for each other.

    Parameters
    ----------
    histories : in order of their keys.
    false_share : probability at which anything at all is called a change where nothing changed,
        once for the changes of all nights and once for the latest night.
    """

    histories: tuple[History, ...]
    false_share: float

    @property
    def judged(self) -> int:
        """Series that were searched for changes."""
        return sum(history.judged for history in self.histories)

    @property
    def changes(self) -> tuple[ChangeRow, ...]:
        """All changes, those of the newest night first; of one night the largest first."""
        rows = [row for history in self.histories for row in history.changes]
        begun: dict[str, str] = {}  # items of one night begin one after the other
        for row in rows:
            begun[row.run] = min(begun.get(row.run, row.utc), row.utc)
        rows.sort(key=lambda row: -abs(row.sigma))
        rows.sort(key=lambda row: (begun[row.run], row.run), reverse=True)
        return tuple(rows)

    def since(self, utc: str) -> tuple[ChangeRow, ...]:
        """The changes that show from that time on (ISO 8601), the newest first."""
        return tuple(row for row in self.changes if row.utc >= utc)

    @property
    def alarms(self) -> tuple[LatestRow, ...]:
        """Series of which the latest night says that something is no longer as it was."""
        return self._latest(Latest.CHANGED, Latest.CREEPING, Latest.NO_VALUE)

    @property
    def odd(self) -> tuple[LatestRow, ...]:
        """Series whose latest night lies beyond all before it; of many series some always do."""
        return self._latest(Latest.ODD)

    def _latest(self, *states: Latest) -> tuple[LatestRow, ...]:
        return tuple(h.latest for h in self.histories if h.latest.state in states)
