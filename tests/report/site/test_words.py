from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.report.history_rows import Latest, LatestRow
from hil.report.site import words
from hil.report.site.gather import hint_of
from hil.report.site.views import Change, Hint, RunLine, Strand, Trend
from hil.store.index.rows import SeriesKey


@pytest.fixture
def change(
    make_runs: Callable[..., tuple[RunLine, ...]], make_trend: Callable[..., Trend]
) -> Change:
    trend = make_trend(Strand("pump", "bench"), make_runs(20), "start", step_at=9)
    return trend.changes[0]


def moved(change: Change, **fields: Any) -> Change:
    return replace(change, **fields)


def test_both_levels_are_told_to_the_same_place(change: Change) -> None:
    assert (words.was(change), words.is_now(change)) == ("0.80", "1.00 s")
    small = moved(change, before=1234.561, after=1234.578)
    assert (words.was(small), words.is_now(small)) == ("1234.561", "1234.578 s")
    large = moved(change, before=1200.0, after=3400.0, unit="rpm")
    assert (words.was(large), words.is_now(large)) == ("1200", "3400 rpm")
    count = moved(change, before=0.0, after=2.0, unit="1")
    assert words.is_now(count) == "2.0"


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_ends_of_a_step_that_is_one_read_differently(before: float, after: float) -> None:
    if abs(after - before) < 1e-8:
        return
    change = Change(
        item="i", measure="m", unit="s", build="b", commit="", utc="", build_before="",
        same_build=False, before=before, after=after, size_low=0.0, size_high=0.0, sigma=3.0,
        p=0.001, exact=1.0, margin_before=None, margin_after=None, at=1, last_before=0,
        earliest=1, latest=1, page="",
    )  # fmt: skip
    assert words.was(change) != words.level(after, change)


def test_a_step_has_a_sign_and_its_clearness(change: Change) -> None:
    assert words.step(change) == "+0.2 s, 20.0 \u03c3"
    assert words.step(moved(change, before=1.0, after=0.5)).startswith("-0.5 s")
    assert words.sigmas(moved(change, sigma=1e9)) == "over 99 \u03c3"
    assert words.sigmas(moved(change, sigma=-4.0)) == "4.0 \u03c3"


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (1e-9, "under 1 in a million"),
        (1e-4, "1 in 10000"),
        (0.000_021, "1 in 50000"),
        (0.004, "0.4 %"),
        (0.05, "5 %"),
    ],
)
def test_chances(change: Change, p: float, said: str) -> None:
    assert words.chance(moved(change, p=p)) == said


@pytest.mark.parametrize(
    ("before", "after", "brief", "weight", "verdict"),
    [
        (None, None, "no band", "other", ""),
        (0.4, -0.1, "left its band", "out", "fail"),
        (-0.4, -0.1, "still outside its band", "out", "fail"),
        (-0.4, 0.1, "came into its band", "other", "pass"),
        (0.4, 0.1, "nearer to its limit", "closer", ""),
        (0.1, 0.4, "further from its limit", "other", ""),
    ],
)
def test_what_a_step_means_for_the_band(
    change: Change,
    before: float | None,
    after: float | None,
    brief: str,
    weight: str,
    verdict: str,
) -> None:
    found = moved(change, margin_before=before, margin_after=after)
    assert words.brief(found) == brief
    assert words.effect(found).startswith(brief)
    assert words.weight(found) == weight
    assert words.verdict_word(found) == verdict


def test_a_step_towards_the_limit_says_how_much_of_the_margin_went(change: Change) -> None:
    assert words.effect(change).endswith("margin +0.400 s → +0.200 s, 50 % of it gone")
    to_zero = moved(change, margin_before=0.0, margin_after=0.0)
    assert words.effect(to_zero).startswith("further from its limit")


def test_the_worst_comes_first(change: Change) -> None:
    out = moved(change, margin_before=0.1, margin_after=-0.1)
    nearly = moved(change, margin_before=0.4, margin_after=0.01)
    nearer = moved(change, margin_before=0.4, margin_after=0.3)
    better = moved(change, margin_before=0.1, margin_after=0.4)
    none = moved(change, margin_before=None, margin_after=None, sigma=3.0)
    order = sorted([none, better, nearer, nearly, out], key=words.badness)
    assert order == [out, nearly, nearer, better, none]


def test_doubt_about_the_build(change: Change) -> None:
    assert words.doubt(moved(change, same_build=False)) == ""
    assert "same build ran before" in words.doubt(moved(change, same_build=True))
    unsure = moved(change, same_build=False, earliest=8, latest=11)
    assert words.doubt(unsure) == "may have begun within 4 runs about it (95 %)"


def test_since_a_build_or_a_day(change: Change) -> None:
    assert words.since(moved(change, same_build=False)) == change.build
    day = change.utc[:10]
    assert words.since(moved(change, same_build=True)) == day
    assert words.since(moved(change, same_build=False, build="")) == day


def test_hints() -> None:
    hint = Hint(
        item="i", measure="m", unit="s", state="unlike before", value=0.84, level=0.8, sigma=4.2,
        page="",
    )  # fmt: skip
    assert words.hint(hint) == "unlike before: 0.8400 s against 0.8000 s, 4.2 \u03c3 off"
    assert words.hint(replace(hint, sigma=float("nan"))).endswith("against 0.8000 s")
    assert words.hint(replace(hint, value=float("nan"))) == "unlike before"


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (None, None, "\u2013"),
        (None, 2.0, "at most 2 s"),
        (0.5, None, "at least 0.5000 s"),
        (0.5, 2.0, "0.5000 to 2 s"),
        (1.0, 1.0, "exactly 1 s"),
    ],
)
def test_bands(low: float | None, high: float | None, said: str) -> None:
    assert words.band_words(low, high, "s") == said


def test_commits_are_cut_and_not_told_twice() -> None:
    assert words.commit("0123456789abcdef") == "0123456789"
    assert words.commit("0123456789ab") == "0123456789ab"
    assert words.says_build("0123456789abcdef", "0123456789AB")
    assert not words.says_build("0123456789abcdef", "1.4.2")
    assert not words.says_build("0123456789abcdef", "")


def test_the_answer_of_a_measure(
    make_runs: Callable[..., tuple[RunLine, ...]], make_trend: Callable[..., Trend]
) -> None:
    strand, runs = Strand("pump", "bench"), make_runs(20)
    assert words.answer(make_trend(strand, runs, "s"), 20) == "No lasting change over 20 runs."
    assert words.answer(make_trend(strand, runs, "s"), 1) == "No lasting change over 1 run."
    early = replace(make_trend(strand, runs, "s"), judged=False)
    assert words.answer(early, 20) == "20 runs: too few to tell a lasting change."
    same = replace(early, value=np.ones(20))
    assert words.answer(same, 20) == "The same in all of 20 runs."
    said = words.answer(make_trend(strand, runs, "s", step_at=9), 20)
    assert said.startswith(f"Changed once, last with build {runs[9].build}: 0.80 → 1.00 s")
    trend = make_trend(strand, runs, "s", step_at=9)
    nameless = replace(trend, changes=(replace(trend.changes[0], build=""),) * 2)
    assert "Changed 2 times, last with the run of 2026-01-10" in words.answer(nameless, 20)
    room = replace(trend, changes=(replace(trend.changes[0], same_build=True),))
    assert words.answer(room, 20).startswith("Changed once, last with the run of 2026-01-10: ")
    assert words.answer(room, 20).endswith("; " + words.doubt(room.changes[0]) + ".")


@pytest.mark.parametrize(("plan", "whose"), [("smoke", " of plan smoke"), ("", "")])
def test_the_last_night_without_a_value_is_that_of_its_own_plan(plan: str, whose: str) -> None:
    key = SeriesKey(
        rig="pump", evidence="bench", plan=plan, item="start", measure="overshoot", unit="%"
    )
    nothing = float("nan")
    row = LatestRow(
        key=key, state=Latest.NO_VALUE, run="smoke-1", build="1.0", commit="", utc="",
        value=nothing, level=4.0, sigma=nothing, p=nothing, since=-1,
    )  # fmt: skip
    hint = hint_of(row, "page.html")
    assert hint is not None
    assert words.hint(hint) == f"no value in the last run{whose}"
    assert hint_of(replace(row, state=Latest.ABSENT), "page.html") is None
