"""What the pages of a site show, as frozen values: pages are functions of these alone.

Whatever is compared stays within one `Strand`: one rig under one kind of evidence. Numbers are in
canonical units, runs are in the order of time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from hil.core.count import many

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

BENCH, SIMULATED = "bench", "simulated"


@dataclass(frozen=True, slots=True, order=True)
class Strand:
    """One rig under one kind of evidence: what may stand in one trend."""

    rig: str
    evidence: str  # BENCH or SIMULATED

    @property
    def simulated(self) -> bool:
        """Whether no motor turned."""
        return self.evidence != BENCH


def part_words(deselected: int | None) -> str:
    """What keeps a run from being known as a whole one, "" for one that is."""
    if deselected is None:
        return "not known whether it is whole"
    return f"partial: {many(deselected, 'planned item')} deselected" if deselected else ""


@dataclass(frozen=True, slots=True)
class RunLine:
    """One run as the pages refer to it.

    Parameters
    ----------
    run, utc : name and ISO time of its start.
    build, commit : what the running board reported, and the commit named for it; "" if unknown.
    counts : verdict word -> number of items, those of `hil.report.items.Standing`.
    end : how it ended, ``completed`` or a reason; "" if it never came to its end.
    page : its page, from the root of the site.
    trouble : what is wrong with its folder, "" for nothing.
    deselected : planned items that its user did not choose; None is not known.
    """

    run: str
    utc: str
    build: str
    commit: str
    plans: tuple[str, ...]
    end: str
    counts: Mapping[str, int]
    page: str
    trouble: str = ""
    deselected: int | None = 0

    @property
    def total(self) -> int:
        """Items planned or run."""
        return sum(self.counts.values())

    @property
    def passed(self) -> int:
        """Items that passed."""
        return self.counts.get("pass", 0)

    @property
    def good(self) -> bool:
        """Whether it came to its end with every planned item passed, and had items."""
        return self.whole and self.end == "completed" and 0 < self.total == self.passed

    @property
    def whole(self) -> bool:
        """Whether it is known that nothing of its plans was deselected."""
        return self.deselected == 0

    @property
    def part(self) -> str:
        """What keeps it from being known as whole, "" for nothing."""
        return part_words(self.deselected)

    @property
    def words(self) -> str:
        """The verdict words that were counted, and whether it is whole, for a search."""
        return " ".join([*(word for word, number in self.counts.items() if number), self.part])

    @property
    def night(self) -> str:
        """Its start to the minute, as people write it."""
        return f"{self.utc[:10]} {self.utc[11:16]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A lasting change of one measure in one item, as `hil.report.history.ChangeRow` found it.

    Parameters
    ----------
    build, commit, utc : of the first run that shows it; `build_before` of the run before it.
    same_build : the build ran before without it: bench or room are likelier causes.
    before, after : level on either side, in `unit`; `size_low`, `size_high` the 95 % interval of
        the step between them.
    sigma : size in standard deviations of nights about their level.
    p : probability of a change so clear where there is none, corrected for all series.
    exact : probability that it began with exactly this run.
    margin_before, margin_after : distance of the level to the nearest limit, negative outside; None
        without a band.
    at : place in the strand's runs of the first run that shows it; `last_before` of the run of the
        series before it; `earliest` and `latest` hold its begin with 95 %.
    page : page of the measure, from the root of the site.
    """

    item: str
    measure: str
    unit: str
    build: str
    commit: str
    utc: str
    build_before: str
    same_build: bool
    before: float
    after: float
    size_low: float
    size_high: float
    sigma: float
    p: float
    exact: float
    margin_before: float | None
    margin_after: float | None
    at: int
    last_before: int
    earliest: int
    latest: int
    page: str

    @property
    def size(self) -> float:
        """Step of the level, in `unit`."""
        return self.after - self.before


@dataclass(frozen=True, slots=True, kw_only=True)
class Hint:
    """What the last night says of a measure where it is not steady; `state` in words.

    `level` is what `value` is held against, `sigma` their difference in standard deviations of
    nights; NaN where there is none.
    """

    item: str
    measure: str
    unit: str
    state: str
    value: float
    level: float
    sigma: float
    page: str


@dataclass(frozen=True, slots=True, eq=False)
class Trend:
    """One measure of one item over the runs of a strand.

    Parameters
    ----------
    at : shape (n,), run of each point as its place in the strand's runs, rising.
    repeat : shape (n,), repetition within the run, 0 for the item as a whole.
    value, uncertainty : shape (n,), NaN without a value.
    low, high : shape (n,), limits of the band, NaN where open.
    verdict : shape (n,), words; "" without a band.
    definition : what the measure is, in words; "" if unknown.
    """

    strand: Strand
    plan: str
    item: str
    measure: str
    unit: str
    page: str
    at: IntArray
    repeat: IntArray
    value: FloatArray
    uncertainty: FloatArray
    low: FloatArray
    high: FloatArray
    verdict: tuple[str, ...]
    changes: tuple[Change, ...] = ()
    definition: str = ""
    hint: Hint | None = None
    judged: bool = True  # whether there was enough in it to search for changes


@dataclass(frozen=True, slots=True)
class BuildLine:
    """One build: its runs (the last on top) and what changed with it."""

    build: str
    commit: str
    runs: tuple[RunLine, ...]
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class ItemLine:
    """One item over the runs of a strand.

    Parameters
    ----------
    verdicts : shape (runs,), what became of it in each run of the strand; "" where it was not
        planned.
    reason : of the last verdict.
    """

    plan: str
    item: str
    page: str
    verdicts: tuple[str, ...]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ItemResultLine:
    """What became of one item in one run."""

    item: str
    verdict: str
    reason: str
    page: str = ""


@dataclass(frozen=True, slots=True)
class StrandView:
    """Everything the overview shows of one strand; `runs` in the order of time."""

    strand: Strand
    runs: tuple[RunLine, ...]
    builds: tuple[BuildLine, ...]  # newest first
    watched: int  # series looked at
    judged: int  # of these, with nights enough, and variation, to tell a change
    newly: tuple[ItemResultLine, ...] = ()  # of the last run: not passed now, passed before
    mended: tuple[ItemResultLine, ...] = ()
    hints: tuple[Hint, ...] = ()  # not certain yet, the surest first
    false_share: float = 0.0  # chance of any change at all being called where nothing changed
    unsafe: tuple[str, ...] = ()  # what the last run could not make safe
    untold: str = ""  # why that cannot be told
    left_out: tuple[str, ...] = ()  # planned items that are not in the last run


@dataclass(frozen=True, slots=True)
class RunView:
    """One run with its items and its neighbours in the strand."""

    strand: Strand
    line: RunLine
    items: tuple[ItemResultLine, ...]
    before: RunLine | None = None
    after: RunLine | None = None
    last_good: RunLine | None = None
    newly: tuple[ItemResultLine, ...] = ()
    mended: tuple[ItemResultLine, ...] = ()
    changes: tuple[Change, ...] = ()
    files: Mapping[str, str] = field(default_factory=dict)  # what -> link
    compared: bool = False  # whether its traces are in the site
    unmatched: int = 0  # its items that the run before does not have
