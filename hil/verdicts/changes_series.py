"""One series of nights at work: how clear its clearest split is, and where its steps lie."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from hil.verdicts import changes_chance as chance
from hil.verdicts.changes_found import Change, ChangeSettings, FloatArray, Searched

#: Standard deviations beyond the levels at which a night says no more about the place of a step.
_FAR = 3.0
#: Times that steps are confirmed and placed in turn; two settle nearly all.
_ROUNDS = 3
#: Median absolute deviation to standard deviation, of a normal distribution.
_NORMAL = 1.4826


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """A series at work.

    Parameters
    ----------
    length : nights.
    where, y, scores : the nights that have a value, their values, and their scores.
    memory : how much a night resembles the one before.
    judged : whether there is enough to search for steps.
    clearest : clearness of the clearest split, or of the clearest stretch that differs from all the
        rest over sqrt(2); 0 until that was looked at.
    """

    length: int
    where: npt.NDArray[np.intp]
    y: FloatArray
    scores: FloatArray
    memory: float
    judged: bool
    clearest: float = 0.0

    @classmethod
    def of(cls, values: npt.ArrayLike, settings: ChangeSettings) -> Row:
        """The row of all nights, NaN where there is no value, shape (n,).

        Raises
        ------
        ValueError
            If it is no row, or a number is infinite.
        """
        given = np.asarray(values, dtype=np.float64)
        if given.ndim != 1:
            raise ValueError(f"expected a row of nights, found shape {given.shape}")
        if bool(np.any(np.isinf(given))):
            raise ValueError("results are finite, or NaN where there is none")
        where = np.flatnonzero(~np.isnan(given))
        y = given[where]
        scores = chance.normal_scores(_rounded(y))
        memory = chance.memory(scores)
        judged = y.size >= settings.least and bool(np.any(scores != 0.0))
        return cls(given.size, where, y, scores, memory, judged)

    def split(self, settings: ChangeSettings) -> float:
        """Clearness of the clearest split of a row that is judged."""
        return float(splits(self.scores, settings.side).max())

    def chance(self, settings: ChangeSettings) -> float:
        """Probability of nights so clearly split where nothing changed; NaN if not judged."""
        if not self.judged:
            return math.nan
        clearest = self.clearest / math.sqrt(chance.inflation(self.memory))
        return chance_of(clearest, self.y.size, settings)

    def price(self, at: list[int], level: float, settings: ChangeSettings) -> float:
        """What a step costs at `level`, with what is left about the levels between the steps `at`.

        With none of them, all is left.
        """
        n, side = self.y.size, settings.side
        b = chance.as_split(chance.clear_enough(level / 2.0, n, side), n)
        return b * b * chance.inflation(self.memory) * _rest(self.scores, at)

    def settled(self, at: list[int], level: float, settings: ChangeSettings) -> list[int]:
        """Those of the steps `at` that hold at `level`, each where it is likeliest."""
        # Where a step lies decides about the stretches of its neighbours.
        for _ in range(_ROUNDS):
            at = self._placed(self._confirmed(at, level, settings), settings)
        return self._confirmed(at, level, settings)

    def _confirmed(self, at: list[int], level: float, settings: ChangeSettings) -> list[int]:
        """Leave the least clear step out until all that are left hold in their own stretch."""
        at = list(at)
        while at:
            chances = [self.local(at, i, settings) for i in range(len(at))]
            worst = int(np.argmax(chances))
            if chances[worst] <= level:
                break
            del at[worst]
        return at

    def _placed(self, at: list[int], settings: ChangeSettings) -> list[int]:
        """Each step at its likeliest night; ranks find that there is one, values where it is."""
        for i in range(len(at)):
            share = self._places(at, i, settings)
            at[i] = self.stretch(at, i)[0] + settings.side + int(np.argmax(share))
        return at

    def stretch(self, at: list[int], i: int) -> tuple[int, int]:
        """First night and end of the stretch in which step `i` is the only one."""
        edges = [0, *at, self.y.size]
        return edges[i], edges[i + 2]

    def local(self, at: list[int], i: int, settings: ChangeSettings) -> float:
        """Probability of so clear a split in the stretch of step `i`, by its own ranks."""
        start, end = self.stretch(at, i)
        if end - start < 2 * settings.side:
            return 1.0
        scores = chance.normal_scores(_rounded(self.y[start:end]))
        split = float(splits(scores, settings.side).max())
        return chance_of(split / math.sqrt(chance.inflation(self.memory)), end - start, settings)

    def searched(
        self, at: list[int], adjusted: float, factor: float, settings: ChangeSettings
    ) -> Searched:
        """The series with its steps; local p values times `factor`."""
        n = self.y.size
        edges = [0, *at, n]
        levels = [float(np.mean(self.y[a:b])) for a, b in itertools.pairwise(edges) if n]
        fitted = np.repeat(levels, np.diff(edges)) if n else np.empty(0)
        freedom = n - len(levels)
        scatter = math.nan
        if freedom > 0:
            scatter = math.sqrt(float(np.sum((self.y - fitted) ** 2)) / freedom)
            if scatter <= 1e-12 * max(map(abs, levels)):
                scatter = 0.0
        changes = tuple(
            self._change(at, i, levels, scatter, freedom, factor, settings) for i in range(len(at))
        )
        return Searched(
            self.judged, adjusted, changes, self._everywhere(fitted), scatter, self.memory
        )

    def _everywhere(self, fitted: FloatArray) -> FloatArray:
        """The level at nights without a value, too: that of the night with one before it."""
        if not fitted.size:
            return np.full(self.length, math.nan)
        nearest = np.searchsorted(self.where, np.arange(self.length), side="right") - 1
        return np.asarray(fitted[np.maximum(nearest, 0)])

    def _change(
        self,
        at: list[int],
        i: int,
        levels: list[float],
        scatter: float,
        freedom: int,
        factor: float,
        settings: ChangeSettings,
    ) -> Change:
        start, end = self.stretch(at, i)
        before, after = at[i] - start, end - at[i]
        widened = chance.inflation(self.memory)
        half = scatter * math.sqrt(widened * (1.0 / before + 1.0 / after))
        half *= float(stdtrit(max(1.0, freedom / widened), 0.975))
        size = levels[i + 1] - levels[i]
        share = self._places(at, i, settings)
        total = np.cumsum(share)
        first = start + settings.side
        earliest = first + int(np.searchsorted(total, 0.025))
        latest = first + min(int(np.searchsorted(total, 0.975)), share.size - 1)
        # The night itself always belongs to the nights at which it may lie.
        earliest, latest = min(earliest, at[i]), max(latest, at[i])
        return Change(
            position=int(self.where[at[i]]),
            earliest=int(self.where[earliest]),
            latest=int(self.where[latest]),
            probability=float(share[at[i] - first]),
            before=levels[i],
            after=levels[i + 1],
            low=size - half,
            high=size + half,
            sigma=size / scatter if scatter > 0.0 else math.copysign(math.inf, size),
            nights_before=before,
            nights_after=after,
            p=min(1.0, factor * self.local(at, i, settings)),
        )

    def _places(self, at: list[int], i: int, settings: ChangeSettings) -> FloatArray:
        """Probability of each place of step `i` in its stretch, its levels and scatter unknown.

        Proportional to SSE^(-(n - 2)/2) (t (n - t))^(-1/2): levels and log scatter alike before.
        Nights further out than `_FAR` standard deviations beyond both levels count as being there.
        """
        start, end = self.stretch(at, i)
        sides = self.y[start : at[i]], self.y[at[i] : end]
        levels = [float(np.median(side)) for side in sides]
        away = np.concatenate([side - level for side, level in zip(sides, levels, strict=True)])
        reach = _FAR * max(_NORMAL * float(np.median(np.abs(away))), 0.1 * float(np.std(away)))
        y = np.clip(self.y[start:end], min(levels) - reach, max(levels) + reach)
        y -= y.mean()
        n = y.size
        where = np.arange(settings.side, n - settings.side + 1, dtype=np.float64)
        total = float(np.sum(y**2))
        rest = np.maximum(total - splits(y, settings.side) ** 2, 1e-9 * total)
        weight = -0.5 * (n - 2) / chance.inflation(self.memory) * np.log(rest)
        weight -= 0.5 * np.log(where * (n - where))
        share = np.exp(weight - weight.max())
        return np.asarray(share / share.sum())


def chance_of(split: float, nights: int, settings: ChangeSettings) -> float:
    """Both ways to be clear, a step and a step there and back, may each have half of it."""
    b = float(chance.as_normal(np.array(split), nights))
    return min(1.0, 2.0 * chance.chance_of_split(b, nights, settings.side))


def splits(scores: FloatArray, side: int) -> FloatArray:
    """Clearness of each split with `side` nights on either side; shape (n - 2 side + 1,)."""
    n = scores.size
    where = np.arange(side, n - side + 1)
    sums = np.cumsum(scores)[where - 1]
    return np.asarray(np.abs(sums) / np.sqrt(where * (n - where) / n))


def _rounded(y: FloatArray) -> FloatArray:
    """Nights that differ by the rounding of a mean only are equal."""
    size = float(np.max(np.abs(y), initial=0.0))
    if not size:
        return y
    grain = 2.0 ** (math.frexp(size)[1] - 40)
    return np.asarray(np.round(y / grain))


def _squares(scores: FloatArray, at: list[int]) -> float:
    return sum(float(np.sum((part - part.mean()) ** 2)) for part in np.split(scores, at))


def _rest(scores: FloatArray, at: list[int]) -> float:
    """Variance about the levels between the steps, at most 1."""
    if not at:
        return 1.0
    free = max(1, scores.size - len(at) - 1)
    return min(1.0, max(_squares(scores, at) / free, 1e-6))
