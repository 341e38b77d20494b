"""History of measures: series of the index to rows that say what changed, where and since when.

A pure function of the series, shared by the page and the terminal. How nights are judged:
`hil.verdicts.changes` (all nights, afterwards), `hil.verdicts.changes_latest` (the latest night).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.core.verdict import Verdict
from hil.report.history_rows import (
    ChangeRow,
    Effect,
    History,
    Latest,
    LatestRow,
    Nights,
    Watch,
)
from hil.store.index.rows import Series, SeriesKey
from hil.verdicts.changes import search
from hil.verdicts.changes_found import SHIPPED, Change, ChangeSettings
from hil.verdicts.changes_latest import LatestNight, judge_latest
from hil.verdicts.changes_many import Share, alone
from hil.verdicts.changes_scatter import NightMeans, night_means
from hil.verdicts.drift import SHIPPED as NIGHTLY
from hil.verdicts.drift import DriftSettings

__all__ = [
    "ChangeRow",
    "Effect",
    "History",
    "Latest",
    "LatestRow",
    "Nights",
    "Watch",
    "changes_of",
    "nights_of",
]

#: A measure that mostly had a value in so many nights before is missed when it has none.
_RECENT = 20


def changes_of(
    series: Iterable[Series], settings: ChangeSettings = SHIPPED, share: Share = alone
) -> Watch:
    """What changed in these series, judged together.

    Bench and simulated evidence are series of their own and share nothing but the correction for
    their number.

    Parameters
    ----------
    series : of `hil.store.index`, each in order of time; more of them make each harder to believe.
    settings : how they are judged; its `false_share` holds for the latest night, too.
    share : who looks at which of them; what is found is the same.

    Raises
    ------
    ValueError
        If a figure is infinite.
    """
    found = sorted(series, key=lambda one: one.key)
    known: dict[bytes, _Runs] = {}
    nights: list[tuple[Nights, NightMeans]] = []

    def summed() -> Iterator[NDArray[np.float64]]:
        for one in found:
            nights.append(_summed(one, _runs_of(one, known)))
            yield nights[-1][0].mean

    searched = search(summed(), settings, share)
    since = [steps.changes[-1].position if steps.changes else 0 for steps in searched]
    nightly = DriftSettings(settings.false_share, NIGHTLY.confirm, NIGHTLY.least)
    memory = [steps.memory for steps in searched]
    means = [columns.mean for columns, _ in nights]
    judged = judge_latest(means, since, memory, nightly, share)
    last = _last_run(found, [columns for columns, _ in nights])
    histories = tuple(
        History(
            key=one.key,
            nights=replace(columns, level=steps.level),
            changes=tuple(_change(one.key, columns, change) for change in steps.changes),
            latest=_latest(one.key, columns, tonight, last[_bench(one.key)]),
            within=repeats.within,
            between=repeats.between(steps.scatter),
            judged=steps.judged,
        )
        for one, (columns, repeats), steps, tonight in zip(
            found, nights, searched, judged, strict=True
        )
    )
    return Watch(histories=histories, false_share=settings.false_share)


def nights_of(series: Series) -> tuple[Nights, NightMeans]:
    """The nights of a series, in order of their first figures, and what their repeats say.

    `Nights.level` is the mean of all nights: nothing was searched for changes here.
    """
    return _summed(series, _runs_of(series, {}))


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """Which runs the figures of a series come from: `night` of each figure, then one a run."""

    night: NDArray[np.intp]
    first: NDArray[np.intp]  # its first figure
    run: NDArray[Any]
    build: NDArray[Any]
    commit: NDArray[Any]
    utc: NDArray[Any]


def _runs_of(series: Series, known: dict[bytes, _Runs]) -> _Runs:
    """The runs of a series; the measures of an item mostly share them, and find them in `known`.

    `known` may serve as long as all series live: text is told by being the same object.
    """
    columns = (series.run, series.utc, series.build, series.commit)
    same = b"".join(column.tobytes() for column in columns)
    if same not in known:
        names: dict[str, int] = {}
        found = (names.setdefault(run, len(names)) for run in series.run.tolist())
        night = np.fromiter(found, dtype=np.intp, count=len(series))
        first = np.zeros(len(names), dtype=np.intp)
        first[night[::-1]] = np.arange(len(series))[::-1]
        known[same] = _Runs(
            night,
            first,
            np.array(list(names), dtype=object),
            series.build[first],
            series.commit[first],
            _iso(series.utc[first]),
        )
    return known[same]


def _summed(series: Series, runs: _Runs) -> tuple[Nights, NightMeans]:
    night, first, count = runs.night, runs.first, len(runs.run)
    means = night_means(night, series.value, count)
    failed = _failed(night, series.verdict, count)
    known = means.mean[~np.isnan(means.mean)]
    columns = Nights(
        run=runs.run,
        build=runs.build,
        commit=runs.commit,
        utc=runs.utc,
        mean=means.mean,
        count=means.count.astype(np.int64),
        scatter=means.scatter,
        low=series.low[first],
        high=series.high[first],
        failed=failed,
        level=np.full(count, float(np.mean(known)) if known.size else math.nan),
    )
    return columns, means


#: Verdicts that say something of the firmware or of the data; the others were never judged.
_JUDGED = frozenset((Verdict.PASS.value, Verdict.FAIL.value, Verdict.UNDECIDED.value))


def _failed(night: NDArray[np.intp], verdict: NDArray[Any], nights: int) -> NDArray[np.float64]:
    """Share of the figures of each night that fail, NaN where none was judged."""
    words = set(verdict.tolist())
    judged = words & _JUDGED
    if not judged:
        return np.full(nights, math.nan)
    banded = np.bincount(
        night, weights=None if judged == words else np.isin(verdict, list(judged)), minlength=nights
    )
    if Verdict.FAIL.value not in words:
        return np.where(banded > 0, 0.0, math.nan)
    fails = np.bincount(night, weights=verdict == Verdict.FAIL.value, minlength=nights)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(fails / banded)


def _iso(utc: NDArray[np.datetime64]) -> NDArray[Any]:
    text = np.datetime_as_string(utc, unit="s").astype(object)
    return np.asarray(text + "Z", dtype=object)


def _bench(key: SeriesKey) -> tuple[str, str, str]:
    """Series of one bench and plan run together: the latest run of one is that of all."""
    return key.rig, key.evidence, key.plan


def _last_run(
    series: Sequence[Series], nights: Sequence[Nights]
) -> Mapping[tuple[str, str, str], str]:
    latest: dict[tuple[str, str, str], tuple[str, str]] = {}
    for one, columns in zip(series, nights, strict=True):
        if len(columns):
            candidate = (columns.utc[-1], columns.run[-1])
            known = latest.get(_bench(one.key))
            # Items of one run begin one after the other: the run that began last is wanted.
            if known is None or candidate[0] > known[0]:
                latest[_bench(one.key)] = candidate
    return {_bench(one.key): latest.get(_bench(one.key), ("", ""))[1] for one in series}


def _change(key: SeriesKey, nights: Nights, change: Change) -> ChangeRow:
    at = change.position
    # The last night with a value before it: that is what the new level is compared with.
    known = np.flatnonzero(~np.isnan(nights.mean))
    last, good = (int(known[known < night][-1]) for night in (at, change.earliest))
    low, high = float(nights.low[at]), float(nights.high[at])
    before, after = _margin(change.before, low, high), _margin(change.after, low, high)
    return ChangeRow(
        key=key,
        position=at,
        run=nights.run[at],
        build=nights.build[at],
        commit=nights.commit[at],
        utc=nights.utc[at],
        build_before=nights.build[last],
        commit_before=nights.commit[last],
        build_good=nights.build[good],
        commit_good=nights.commit[good],
        build_bad=nights.build[change.latest],
        commit_bad=nights.commit[change.latest],
        same_build=_same_firmware(nights, good, change.latest),
        earliest=change.earliest,
        latest=change.latest,
        probability=change.probability,
        before=change.before,
        after=change.after,
        size=change.size,
        size_low=change.low,
        size_high=change.high,
        sigma=change.sigma,
        nights_before=change.nights_before,
        nights_after=change.nights_after,
        p=change.p,
        margin_before=before,
        margin_after=after,
        effect=effect_of(before, after),
        failed_before=_share(nights.failed[:at][-change.nights_before :]),
        failed_after=_share(nights.failed[at:][: change.nights_after]),
    )


def _same_firmware(nights: Nights, good: int, bad: int) -> bool:
    build, commit = nights.build[good : bad + 1], nights.commit[good : bad + 1]
    # A board that tells no revision may have had any firmware.
    told = bool(build[0] or commit[0])
    return told and bool(np.all(build == build[0]) and np.all(commit == commit[0]))


def _share(failed: NDArray[np.float64]) -> float:
    known = failed[~np.isnan(failed)]
    return float(np.mean(known)) if known.size else math.nan


def _margin(level: float, low: float, high: float) -> float | None:
    distances = [d for d in (level - low, high - level) if not math.isnan(d)]
    return min(distances) if distances else None


def effect_of(before: float | None, after: float | None) -> Effect:
    """What a change does, from the margins on either side of it; None is no band."""
    if before is None or after is None:
        return Effect.NO_BAND
    if before < 0.0:
        return Effect.STILL_FAILS if after < 0.0 else Effect.PASSES_AGAIN
    if after < 0.0:
        return Effect.NOW_FAILS
    return Effect.WORSE if after < before else Effect.BETTER


def _latest(key: SeriesKey, nights: Nights, tonight: LatestNight, last_run: str) -> LatestRow:
    value = float(nights.mean[-1]) if len(nights) else math.nan
    away = value - tonight.level
    if tonight.sigma > 0.0:
        away /= tonight.sigma
    elif away:
        away = math.copysign(math.inf, away)
    return LatestRow(
        key=key,
        state=_state(nights, tonight, last_run),
        run=nights.run[-1] if len(nights) else "",
        build=nights.build[-1] if len(nights) else "",
        commit=nights.commit[-1] if len(nights) else "",
        utc=nights.utc[-1] if len(nights) else "",
        value=value,
        level=tonight.level,
        sigma=away,
        p=tonight.p,
        since=-1 if tonight.creeping is None else tonight.creeping,
    )


def _state(nights: Nights, tonight: LatestNight, last_run: str) -> Latest:
    if not len(nights) or nights.run[-1] != last_run:
        return Latest.ABSENT
    if math.isnan(nights.mean[-1]):
        earlier = ~np.isnan(nights.mean[:-1][-_RECENT:])
        missed = earlier.size > 0 and 2 * int(earlier.sum()) > earlier.size
        return Latest.NO_VALUE if missed else Latest.TOO_SHORT
    if tonight.changed:
        return Latest.CHANGED
    if tonight.creeping is not None:
        return Latest.CREEPING
    if not tonight.judged:
        return Latest.TOO_SHORT
    return Latest.ODD if tonight.odd else Latest.STEADY
