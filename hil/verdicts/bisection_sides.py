"""What the builds on one side of a change show, learnt from few runs: the odds of the next one.

Values are not presumed to follow any distribution: results of a bench are skewed, have two humps or
stray values, or are rounded. The number line is cut into cells, between which the values of the
runs at hand fall about evenly; "no value" (the manoeuvre could not go on) is a cell of its own. All
that counts is how many runs of a side fell into which cell. The chance of the next run is then
Laplace's rule with a prior that weighs as much as one run (Perks, 1947)::

    (runs in the cell + 1/cells) / (runs + 1)

A rate (passed or not) has two cells from the start. All statistics are arrays: one row for each
place where the change may be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Intervals into which values are sorted, if there are enough different ones.
INTERVALS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Cells into which runs are sorted.

    Parameters
    ----------
    edges : rising; an interval begins at each and below the first. None for a rate, whose runs are
        0 or 1.
    """

    edges: FloatArray | None

    @classmethod
    def of(cls, values: Sequence[float], *, rate: bool) -> Self:
        """Cells that part these values about evenly, between neighbouring different ones.

        Parameters
        ----------
        values : NaN where a run gave none.
        """
        if rate:
            return cls(None)
        given = np.asarray(values, dtype=np.float64)
        known = np.sort(given[~np.isnan(given)])
        differ = np.diff(known) > 0.0
        between = 0.5 * (known[1:] + known[:-1])[differ]
        places = np.flatnonzero(differ) + 1.0  # values below each edge
        wanted = known.size * np.arange(1, INTERVALS) / INTERVALS
        if not between.size:
            return cls(np.array([]))
        nearest = {int(np.argmin(np.abs(places - wish))) for wish in wanted}
        return cls(between[sorted(nearest)])

    @property
    def count(self) -> int:
        """How many there are; the last is that of runs without a value."""
        return 2 if self.edges is None else self.edges.size + 2

    def of_runs(self, values: Sequence[float]) -> npt.NDArray[np.intp]:
        """The cell of each run."""
        given = np.asarray(values, dtype=np.float64)
        if self.edges is None:
            return given.astype(np.intp)
        between = np.searchsorted(self.edges, given, side="right")
        return np.where(np.isnan(given), self.count - 1, between)

    def of_run(self, value: float) -> int:
        """The cell of one run."""
        return int(self.of_runs([value])[0])


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """Runs on one side of the change, weighted.

    Parameters
    ----------
    counts : shape (places, cells).
    """

    counts: FloatArray

    @classmethod
    def empty(cls, places: int, cells: Cells) -> Self:
        """No run yet."""
        return cls(np.zeros((places, cells.count)))

    def with_run(self, cell: int, weight: FloatArray) -> Side:
        """The side after one more run, which counts for `weight` (shape (places,)) of one."""
        counts = self.counts.copy()
        counts[:, cell] += weight
        return Side(counts)

    @property
    def odds(self) -> FloatArray:
        """Shape (places, cells): probability of the next run falling into each cell."""
        cells = self.counts.shape[1]
        total = self.counts.sum(axis=1, keepdims=True)
        found: FloatArray = (self.counts + 1.0 / cells) / (total + 1.0)
        return found
