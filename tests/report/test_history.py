from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.verdict import Verdict
from hil.report.history import Effect, Latest, changes_of, effect_of, nights_of
from hil.store.index.rows import Series, SeriesKey

NIGHTS = 80


def series(
    values: Sequence[float] | np.ndarray,
    *,
    item: str = "start",
    repeats: int = 1,
    scatter: float = 0.0,
    builds: Sequence[str] | None = None,
    low: float = math.nan,
    high: float = math.nan,
    first: int = 0,
    evidence: str = "bench",
) -> Series:
    """Nights of so many repeats about `values`; a build lasts five nights unless told."""
    level = np.asarray(values, dtype=np.float64)
    night = np.repeat(np.arange(level.size), repeats)
    rng = np.random.default_rng(abs(hash(item)) % 1000 if scatter else 0)
    value = level[night] + scatter * rng.standard_normal(night.size)
    names = builds or [f"1.{(n + first) // 5}" for n in range(level.size)]
    with np.errstate(invalid="ignore"):
        out = (value < low) | (value > high)
    banded = not (math.isnan(low) and math.isnan(high))
    verdict = ["" if not banded else "fail" if bad else "pass" for bad in out]

    def text(of: Sequence[str]) -> np.ndarray:
        return np.array([of[n] for n in night], dtype=object)

    return Series(
        key=SeriesKey(rig="pump", evidence=evidence, plan="night", item=item,
                      measure="time-to-speed", unit="s"),
        run=text([f"run-{n + first:03}" for n in range(level.size)]),
        utc=np.datetime64("2026-01-01T22:00", "ms")
        + (night + first) * np.timedelta64(86_400_000, "ms"),
        build=text(names),
        commit=text([f"c{name}" if name else "" for name in names]),
        repeat=np.tile(np.arange(1, repeats + 1), level.size),
        value=value,
        uncertainty=np.full(night.size, 0.01),
        low=np.full(night.size, low),
        high=np.full(night.size, high),
        verdict=np.array(verdict, dtype=object),
        outcome=np.where(np.isnan(value), "missing data", "value").astype(object),
    )  # fmt: skip


def noise(seed: int, nights: int = NIGHTS) -> np.ndarray:
    return 0.5 + 0.01 * np.random.default_rng(seed).standard_normal(nights)


def stepped(seed: int, at: int, size: float) -> np.ndarray:
    values = noise(seed)
    values[at:] += size
    return values


def test_a_change_is_told_with_its_build_its_size_and_its_effect():
    watch = changes_of(
        [series(noise(k), item=f"quiet-{k}", high=0.6) for k in range(10)]
        + [series(stepped(99, 50, 0.06), high=0.6)]
    )
    (row,) = watch.changes
    assert (row.key.item, row.run, row.build, row.commit) == ("start", "run-050", "1.10", "c1.10")
    assert row.utc == "2026-02-20T22:00:00Z"
    assert (row.build_before, row.commit_before) == ("1.9", "c1.9")
    assert (row.build_good, row.build_bad) == ("1.9", "1.10")
    assert not row.same_build
    assert row.size == pytest.approx(0.06, abs=0.006)
    assert row.size_low < 0.06 < row.size_high
    assert row.sigma == pytest.approx(6.0, abs=1.0)
    assert row.margin_before == pytest.approx(0.1, abs=0.01)
    assert row.margin_after == pytest.approx(0.04, abs=0.01)
    assert row.effect is Effect.WORSE
    assert (row.failed_before, row.failed_after) == (0.0, 0.0)
    assert row.p < 0.01
    assert (watch.judged, len(watch.histories), watch.false_share) == (11, 11, 0.01)
    assert watch.since("2026-02-20T22:00:00Z") == (row,)
    assert watch.since("2026-02-21") == ()


def test_nothing_changed():
    watch = changes_of(series(noise(k), item=f"i{k}") for k in range(12))
    assert watch.changes == ()
    assert watch.alarms == ()
    assert watch.judged == 12
    assert [h.key.item for h in watch.histories] == sorted(f"i{k}" for k in range(12))


def test_the_same_firmware_before_and_after_points_at_the_bench():
    builds = ["1.0"] * 30 + ["2.0"] * 50
    (row,) = changes_of([series(stepped(1, 50, 0.1), builds=builds)]).changes
    assert row.same_build
    assert row.build == row.build_before == "2.0"
    (row,) = changes_of([series(stepped(1, 30, 0.1), builds=builds)]).changes
    assert not row.same_build
    (row,) = changes_of([series(stepped(1, 50, 0.1), builds=[""] * 80)]).changes
    assert not row.same_build  # nobody knows


def test_changes_come_newest_first():
    rows = changes_of(
        [series(stepped(1, 40, 0.1), item="a"), series(stepped(2, 60, 0.1), item="b"),
         series(stepped(3, 60, 0.2), item="c")]
    ).changes  # fmt: skip
    assert [row.key.item for row in rows] == ["c", "b", "a"]


def test_changes_of_one_night_stand_together_the_largest_first():
    """Items begin one after the other, and another night between two of them is none."""
    late = series(stepped(2, 40, 0.1), item="late")
    late = replace(late, utc=late.utc + np.timedelta64(600_000, "ms"))
    rows = changes_of(
        [series(stepped(1, 40, 0.2), item="large"), series(stepped(3, 40, 0.05), item="small"),
         late, series(stepped(4, 39, 0.1), item="before")]
    ).changes  # fmt: skip
    assert [row.key.item for row in rows] == ["large", "late", "small", "before"]


def test_a_level_beyond_its_limit_is_told_with_the_share_that_fails():
    (row,) = changes_of([series(stepped(1, 40, 0.2), high=0.6, low=0.3)]).changes
    assert row.effect is Effect.NOW_FAILS
    assert row.margin_after is not None
    assert row.margin_after < 0.0
    assert (row.failed_before, row.failed_after) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("before", "after", "effect"),
    [
        (None, None, Effect.NO_BAND),
        (2.0, 1.0, Effect.WORSE),
        (1.0, 2.0, Effect.BETTER),
        (1.0, -0.1, Effect.NOW_FAILS),
        (-0.1, 1.0, Effect.PASSES_AGAIN),
        (-0.1, -3.0, Effect.STILL_FAILS),
    ],
)
def test_effects(before, after, effect):
    assert effect_of(before, after) is effect


@given(st.lists(st.sampled_from(["", *(word.value for word in Verdict)]), min_size=6, max_size=6))
def test_the_share_that_fails_is_of_those_that_were_judged(words):
    one = replace(series([1.0, 2.0, 3.0], repeats=2), verdict=np.array(words, dtype=object))
    nights, _ = nights_of(one)
    for n, failed in enumerate(nights.failed.tolist()):
        judged = [
            word for word in words[2 * n : 2 * n + 2] if word in ("pass", "fail", "undecided")
        ]
        share = judged.count("fail") / len(judged) if judged else math.nan
        assert failed == pytest.approx(share, nan_ok=True)


def test_nights_are_runs_and_repeats_their_scatter():
    one = series([1.0, 2.0, math.nan], repeats=4, high=1.5)
    nights, means = nights_of(one)
    assert nights.run.tolist() == ["run-000", "run-001", "run-002"]
    assert nights.utc.tolist()[1] == "2026-01-02T22:00:00Z"
    assert nights.mean[:2].tolist() == [1.0, 2.0]
    assert math.isnan(nights.mean[2])
    assert nights.count.tolist() == [4, 4, 0]
    assert nights.failed[:2].tolist() == [0.0, 1.0]
    assert nights.high.tolist() == [1.5] * 3
    assert means.within == 0.0
    assert len(nights) == 3


def test_scatter_within_a_night_and_between_nights():
    values = 0.5 + 0.03 * np.random.default_rng(1).standard_normal(200)
    (history,) = changes_of([series(values, repeats=6, scatter=0.05)]).histories
    assert history.within == pytest.approx(0.05, rel=0.1)
    assert history.between == pytest.approx(0.03, rel=0.2)
    assert history.nights.level == pytest.approx(np.full(200, 0.5), abs=0.02)


def _latest(values: np.ndarray, **more) -> Latest:
    others = [series(noise(k), item=f"quiet-{k}") for k in range(3)]
    watch = changes_of([*others, series(values, **more)])
    return next(h.latest for h in watch.histories if h.key.item == "start").state


def test_what_the_latest_night_says():
    assert _latest(noise(11)) is Latest.STEADY
    odd = noise(11)
    odd[-1] += 0.2
    assert _latest(odd) is Latest.ODD
    far = noise(11)
    far[-3:] += 0.2
    assert _latest(far) is Latest.CHANGED
    gone = noise(11)
    gone[-1] = math.nan
    assert _latest(gone) is Latest.NO_VALUE
    assert _latest(noise(11)[:-1]) is Latest.ABSENT
    assert _latest(noise(11)[:8], first=NIGHTS - 8) is Latest.TOO_SHORT
    never = np.full(NIGHTS, math.nan)
    assert _latest(never) is Latest.TOO_SHORT


def test_a_slow_creep_is_told_with_its_beginning():
    values = noise(11)
    values[74:] += 0.012
    watch = changes_of([series(values)] + [series(noise(k), item=f"q{k}") for k in range(3)])
    row = next(h.latest for h in watch.histories if h.key.item == "start")
    assert row.state is Latest.CREEPING
    assert row.since == pytest.approx(74, abs=5)
    assert row in watch.alarms


def test_alarms_and_oddities_are_kept_apart():
    odd, far = noise(11), noise(12)
    odd[-1] += 0.2
    far[-3:] += 0.2
    watch = changes_of(
        [series(odd, item="odd"), series(far, item="far")]
        + [series(noise(k), item=f"q{k}") for k in range(3)]
    )
    assert [row.key.item for row in watch.alarms] == ["far"]
    # Of few series one now and then lies beyond all nights before it by chance.
    assert "odd" in [row.key.item for row in watch.odd]
    assert "far" not in [row.key.item for row in watch.odd]


def test_no_series_at_all():
    watch = changes_of([])
    assert (watch.histories, watch.changes, watch.judged) == ((), (), 0)
