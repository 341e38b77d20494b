"""A run that is to be over by some time: what is left is told, and gone on with."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.verdict import Verdict
from hil.plugins.until import Until, moment

NOW = datetime(2026, 3, 1, 22, 15, 9)
TWO = """
  - {id: a, scenario: start, speed: 1000 rpm, hold: 0.2 s, bands: {success: {exactly: 1}}}
  - {id: b, scenario: start, speed: 1200 rpm, hold: 0.2 s, bands: {success: {exactly: 1}}}
"""
AFTER_ONE = """
from datetime import timedelta
from hil.plugins.keys import RUN

def pytest_runtest_teardown(item):
    ends = item.config.stash[RUN].ends
    if ends.at is not None:
        ends.at -= timedelta(days=1)
"""


@pytest.mark.parametrize(
    ("text", "then"),
    [
        ("06:30", datetime(2026, 3, 2, 6, 30)),
        ("6:30", datetime(2026, 3, 2, 6, 30)),
        ("23:59", datetime(2026, 3, 1, 23, 59)),
        ("22:15", datetime(2026, 3, 2, 22, 15)),  # it is past that by nine seconds
        ("8 h", datetime(2026, 3, 2, 6, 15, 9)),
        ("90 min", datetime(2026, 3, 1, 23, 45, 9)),
    ],
)
def test_a_time_of_day_is_the_next_and_a_duration_counts_from_now(text: str, then) -> None:
    assert moment(text, NOW) == then


@given(st.times(), st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1)))
def test_a_time_of_day_comes_within_a_day(time, now: datetime) -> None:
    then = moment(f"{time.hour}:{time.minute:02}", now)
    assert timedelta(0) < then - now <= timedelta(days=1)
    assert (then.hour, then.minute, then.second) == (time.hour, time.minute, 0)


@pytest.mark.parametrize(
    "text", ["24:00", "6.30", "8", "soon", "5 V", "0 s", "-1 h", "1e300 h", "6:5"]
)
def test_what_is_neither_is_refused_with_what_is_expected(lab, text: str) -> None:
    result = lab.run(lab.plan(), f"--hil-until={text}")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    said = "--hil-until: expected a time of day such as 06:30, or a duration such as '8 h', found "
    result.stderr.fnmatch_lines([f"*{said}{text!r}*"])


@given(st.integers(-3600, 3600))
def test_it_is_over_from_the_moment_on(seconds: int) -> None:
    end = Until("1 h", NOW)
    over = end.over(NOW + timedelta(hours=1, seconds=seconds))
    assert bool(over) is (seconds >= 0)
    assert Until("", NOW).over(NOW + timedelta(days=900)) == ""


def test_what_is_left_is_not_run_and_run_when_the_run_goes_on(lab) -> None:
    lab.pytester.makeconftest(AFTER_ONE)
    plan = lab.plan(TWO)
    result = lab.run(plan, "--hil-until=23 h")
    result.assert_outcomes(passed=1, skipped=1)
    assert result.ret == pytest.ExitCode.TESTS_FAILED, "an incomplete night is no green one"
    why = "the run was to be over by ????-??-?? ??:?? (--hil-until 23 h)"
    (folder,) = lab.folders
    result.stdout.fnmatch_lines(
        [f"not-run: {why}: b", f"to run what is left: --hil-resume={folder.relative_to(lab.path)}"]
    )
    a, b = lab.record.results
    assert (a.verdict, b.verdict) == (Verdict.PASS, Verdict.NOT_RUN)
    assert lab.record.end.reason.startswith("stopped: the run was to be over by ")

    result = lab.run(plan, f"--hil-resume={folder}")
    result.assert_outcomes(passed=1, deselected=1)
    assert result.ret == pytest.ExitCode.OK
    assert lab.record.end.reason == "completed"


def test_a_run_that_is_done_in_time_is_as_any_other(lab) -> None:
    result = lab.run(lab.plan(TWO), "--hil-until=23 h")
    result.assert_outcomes(passed=2)
    assert result.ret == pytest.ExitCode.OK
    result.stdout.no_fnmatch_line("*to run what is left*")
