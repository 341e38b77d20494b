"""How nights are searched for changes, and what is found: frozen values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ChangeSettings:
    """How nights are searched.

    Parameters
    ----------
    false_share : probability of calling anything a change, in any series, where nothing changed;
        also the expected share of false ones among the series said to have changed.
    side : nights that a level lasts at least.
    least : nights below which a series is not judged: the theory holds from about 18 on.

    Raises
    ------
    ValueError
        For a share outside (0, 1), no night on a side, or less than two sides of nights.
    """

    false_share: float = 0.01
    side: int = 3
    least: int = 20

    def __post_init__(self) -> None:
        if not 0.0 < self.false_share < 1.0 or self.side < 1 or self.least < 2 * self.side:
            raise ValueError(f"no such settings: {self}")


SHIPPED = ChangeSettings()


@dataclass(frozen=True, slots=True)
class Change:
    """A step from one level to another.

    Parameters
    ----------
    position : index of the first night at the new level.
    earliest, latest : between which nights (both included) it lies with 95 %.
    probability : that it lies at `position`, given that there is one (each night alike before).
    before, after : mean of the nights on either side, up to the neighbouring steps.
    low, high : 95 % interval of the size, `after` less `before`, for this place of the step.
    sigma : size over the standard deviation of nights about their levels; infinite without any.
    nights_before, nights_after : nights with a value on either side.
    p : of a split so clear within this stretch by chance, corrected for all series.
    """

    position: int
    earliest: int
    latest: int
    probability: float
    before: float
    after: float
    low: float
    high: float
    sigma: float
    nights_before: int
    nights_after: int
    p: float

    @property
    def size(self) -> float:
        """`after` less `before`, in the unit of the measure."""
        return self.after - self.before


@dataclass(frozen=True, slots=True, eq=False)
class Searched:
    """One series after the search.

    Parameters
    ----------
    judged : False where the series is too short or never varies.
    adjusted : p value of "nothing ever changed", corrected for all series; NaN if not judged.
    changes : in order of time.
    level : shape (n,), the mean of its stretch at every night; NaN for a series without values.
    scatter : standard deviation of nights about their levels; NaN where it cannot be told.
    memory : lag-one autocorrelation that was reckoned with.
    """

    judged: bool
    adjusted: float
    changes: tuple[Change, ...]
    level: FloatArray
    scatter: float
    memory: float
