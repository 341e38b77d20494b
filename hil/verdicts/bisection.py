"""Where in a history of builds a measure changed, when every run of a build gives another value.

    search = Search(last=200, rate=False)
    while (build := search.next()) is not None:
        search.observe(build, run(build))        # or search.skip(build), if it cannot be made
    print(search.finding())

Build 0 is known as good, build `last` as bad; the first bad build is one of 1 to `last`, each as
likely as the next. First the ends are run until they are shown to differ (`bisection_ends`). Then
every run makes some places of the change likelier and others less (Bayes' rule), by how well it
fits to all runs before and all runs behind that place (`bisection_sides`): level and scatter of
both sides are never presumed, and every run of any build adds to what is known of them. One run in
`ROGUE` may look like the other side whatever the build is, so that no single run decides anything.
The search ends when one place is sure enough for the stated risk.

The next run goes where it is expected to tell most for its cost: near the median of the places, and
again there as long as the scatter leaves its side open, since another build must be made first.

Sources: Horstein, IEEE Trans. Inform. Theory 9 (1963) 136-143; Waeber, Frazier, Henderson,
Bisection search with noisy responses, SIAM J. Control Optim. 51 (2013) 2261-2279: query the median,
weigh by Bayes' rule, errors decline geometrically and the expected entropy is least. Learning the
responses meanwhile: Rodriguez, Ludkovski, arXiv:1711.00843. One change and no more is presumed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from hil.verdicts.bisection_ends import evidence
from hil.verdicts.bisection_finding import Finding, Outcome, conclude
from hil.verdicts.bisection_sides import Cells, Side

FloatArray = npt.NDArray[np.float64]

#: One run in so many may look like the other side of the change, whatever the build is.
ROGUE = 50.0
#: Share of the risk for the place. The rest is for what Bayes' rule does not know: ends that were
#: found to differ at a lucky moment look further apart than they are. Measured, not derived.
PLACE_SHARE = 1.0 / 3.0
#: Runs of an end before the other end is run: alternating would mean to flash for every run.
_BLOCK, _FIRST_BLOCK = 2, 6


@dataclass(slots=True)
class Search:
    """A search for the first bad build; feed it runs and ask it what to run next.

    Parameters
    ----------
    last : number of the last build; the first is 0.
    rate : runs are 1 or 0 (passed or not) instead of values.
    risk : probability of a wrong answer that is accepted, above 0 and below 0.5.
    most_ends : runs of each end after which it is said that no change is seen.
    most : runs in all after which the search gives up.
    build_cost : what it costs to make a build ready, in runs.

    Raises
    ------
    ValueError
        For numbers that make no search.
    """

    last: int
    rate: bool = False
    risk: float = 0.05
    most_ends: int = 30
    most: int = 400
    build_cost: float = 1.0
    runs: dict[int, list[float]] = field(default_factory=dict, init=False)
    skipped: set[int] = field(default_factory=set, init=False)
    expected: float | None = field(default=None, init=False)  # runs in all, said after the ends
    _current: int | None = field(default=None, init=False)
    _log: FloatArray = field(init=False)
    _cells: Cells = field(init=False)
    _before: Side = field(init=False)
    _after: Side = field(init=False)
    _differ: bool = field(default=False, init=False)

    def __post_init__(self) -> None:
        if self.last < 1 or not 0.0 < self.risk < 0.5 or self.build_cost < 0.0:
            raise ValueError(f"no such search: {self.last=}, {self.risk=}, {self.build_cost=}")
        if self.most_ends < _FIRST_BLOCK or self.most < 2 * self.most_ends:
            raise ValueError(
                f"expected at least {_FIRST_BLOCK} runs of an end and twice as many in all as of "
                f"both ends, found most_ends = {self.most_ends}, most = {self.most}"
            )
        # Place k - 1 of every array: the first bad build is k.
        self._log = np.zeros(self.last)
        self._sort_into(Cells.of([], rate=self.rate))

    # -- what came of a build --------------------------------------------------------------

    def observe(self, build: int, values: Sequence[float]) -> None:
        """Note the runs of a build: numbers, NaN for a run without one; 1 or 0 of a rate.

        Raises
        ------
        ValueError
            If there is no such build, or a rate is neither 0 nor 1.
        """
        self._check(build)
        for value in values:
            if math.isinf(value) or (self.rate and value not in (0.0, 1.0)):
                raise ValueError(f"build {build}: {value} is no {'rate' if self.rate else 'value'}")
        self._current = build
        self.runs.setdefault(build, []).extend(float(value) for value in values)
        if self._differ:
            for value in values:
                self._weigh(build, float(value))
            return
        good, bad = self.runs.get(0, []), self.runs.get(self.last, [])
        if evidence(good, bad, rate=self.rate) >= 1.0 / self.risk:
            self._differ = True
            self._sort_into(Cells.of([*good, *bad], rate=self.rate))
            for number in range(max(len(good), len(bad))):
                for end, side in ((0, good), (self.last, bad)):
                    if number < len(side):
                        self._weigh(end, side[number])
            self.expected = self.total + self._expect()

    def skip(self, build: int) -> None:
        """Note that a build cannot be made or run; it is not asked for again.

        Raises
        ------
        ValueError
            If there is no such build.
        """
        self._check(build)
        self.skipped.add(build)

    def _check(self, build: int) -> None:
        if not 0 <= build <= self.last:
            raise ValueError(f"there is no build {build}, expected 0 to {self.last}")

    @property
    def total(self) -> int:
        """Runs so far."""
        return sum(map(len, self.runs.values()))

    # -- what it says about the place ------------------------------------------------------

    def _sort_into(self, cells: Cells) -> None:
        self._cells = cells
        self._before = self._after = Side.empty(self.last, cells)

    def _weigh(self, build: int, value: float) -> None:
        cell = self._cells.of_run(value)
        before, after = self._before.odds[:, cell], self._after.odds[:, cell]
        is_before = np.arange(1, self.last + 1) > build
        own, other = np.where(is_before, before, after), np.where(is_before, after, before)
        rogue = 1.0 / ROGUE
        mixed = (1.0 - rogue) * own + rogue * other
        self._log += np.log(mixed)
        self._log -= self._log.max()
        weight = (1.0 - rogue) * own / mixed  # a rogue run is not to spoil what is known of a side
        self._before = self._before.with_run(cell, np.where(is_before, weight, 0.0))
        self._after = self._after.with_run(cell, np.where(is_before, 0.0, weight))

    @property
    def chances(self) -> FloatArray:
        """Shape (last,): probability that the first bad build is 1, 2, ... `last`."""
        weights = np.exp(self._log)
        found: FloatArray = weights / weights.sum()
        return found

    @property
    def _useful(self) -> list[int]:
        """Builds that can be run, in order."""
        return [build for build in range(self.last + 1) if build not in self.skipped]

    def _best(self) -> tuple[int, int, float]:
        """The likeliest place: first and last build it may be, and its probability.

        Builds that cannot be run hide between them which of them the first bad one is.
        """
        useful = self._useful
        sums = np.concatenate([[0.0], np.cumsum(self.chances)])
        masses = np.diff(sums[useful])
        place = int(np.argmax(masses))
        return useful[place] + 1, useful[place + 1], float(masses[place])

    # -- what to run next ------------------------------------------------------------------

    def next(self) -> int | None:
        """The build to run next, or None when there is nothing more to be learnt."""
        if self._outcome() is not None:
            return None
        return self._next_inside() if self._differ else self._next_end()

    def _outcome(self) -> Outcome | None:
        if {0, self.last} & self.skipped:
            return Outcome.NO_END
        if self._differ:
            if self._best()[2] >= 1.0 - PLACE_SHARE * self.risk:
                return Outcome.FOUND
            return Outcome.UNDECIDED if self.total >= self.most else None
        ends = (len(self.runs.get(0, [])), len(self.runs.get(self.last, [])))
        return Outcome.NO_CHANGE if min(ends) >= self.most_ends else None

    def _next_end(self) -> int:
        counts = {end: len(self.runs.get(end, [])) for end in (0, self.last)}
        here = self.last if self._current == self.last else 0
        there = self.last - here
        # Run ahead by a block before the other end is made ready again.
        ahead = min(max(_FIRST_BLOCK, counts[there] + _BLOCK), self.most_ends)
        return here if counts[here] < ahead else there

    def _next_inside(self) -> int:
        chances = self.chances
        behind = np.concatenate([[0.0], np.cumsum(chances)])  # the change is at or before a build
        shares = np.linspace(0.0, 1.0, 101)
        gain = _information(shares, *self._symbols())
        builds = np.array(self._useful)
        worth = np.interp(behind[builds], shares, gain)
        cost = np.where(builds == self._current, 1.0, 1.0 + self.build_cost)
        return int(builds[np.argmax(worth * self._makeable(builds) / cost)])

    def _makeable(self, builds: npt.NDArray[np.int_]) -> FloatArray:
        """Chance that a build can be made: small beside one that cannot, 1 once it has been."""
        sure = np.isin(builds, list(self.runs))
        if not self.skipped:
            return np.ones(builds.size)
        distance = np.abs(builds[:, None] - np.array(sorted(self.skipped))[None, :]).min(axis=1)
        found: FloatArray = np.where(sure, 1.0, distance / (distance + 2.0))
        return found

    def _symbols(self) -> tuple[FloatArray, FloatArray]:
        """What the next run may show, on both sides of the likeliest place."""
        place = int(np.argmax(self._log))
        before, after = self._before.odds[place], self._after.odds[place]
        rogue = 1.0 / ROGUE
        return before + rogue * (after - before), after + rogue * (before - after)

    def _expect(self) -> float:
        """Runs still to come: the bits of the place over those of a run, and those of being sure.

        Burnashev and Zigangirov's form of the expected length (1974; from memory): log2(n) over
        the capacity, and log2(1/risk) over the divergence of both sides.
        """
        before, after = self._symbols()
        capacity = float(_information(np.array([0.5]), before, after)[0])
        divergence = 0.5 * float(np.sum((before - after) * np.log2(before / after)))
        sure = math.log2(1.0 / (PLACE_SHARE * self.risk))
        return math.log2(self.last) / capacity + sure / divergence

    # -- what came of it -------------------------------------------------------------------

    def finding(self) -> Finding:
        """What is known now; `Outcome.UNDECIDED` while the search goes on."""
        outcome = self._outcome() or Outcome.UNDECIDED
        place = self._best() if self._differ else None
        return conclude(outcome, place, self.runs, self.last, rate=self.rate)


def _information(shares: FloatArray, before: FloatArray, after: FloatArray) -> FloatArray:
    """Bits that a run is expected to tell about its side, if it is behind the change with `shares`.

    The mutual information of side and run: the entropy of the mixture less that of its parts.
    """
    mixed = np.outer(1.0 - shares, before) + np.outer(shares, after)
    whole = -np.sum(np.where(mixed > 0.0, mixed * np.log2(np.maximum(mixed, 1e-300)), 0.0), axis=1)
    parts = [
        -float(np.sum(side[side > 0.0] * np.log2(side[side > 0.0]))) for side in (before, after)
    ]
    found: FloatArray = np.maximum(whole - (1.0 - shares) * parts[0] - shares * parts[1], 0.0)
    return found
