"""What a search says fits the terminal and the pipeline, whatever was found."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.cli.bisect_told import as_json, conclusion, visit_line
from hil.scenarios.bisect import Visit
from hil.scenarios.bisect_builds import Build
from hil.verdicts.bisection_finding import Outcome, conclude

NAN = float("nan")
BUILDS = tuple(Build(f"{n:040x}", f"Version {n}: {'words ' * 20}") for n in range(30))
VALUES = st.lists(st.floats(-1e5, 1e5) | st.just(NAN), min_size=1, max_size=9)


def told(outcome, place, runs, *, rate=False) -> str:
    found = conclude(outcome, place, runs, 29, rate=rate)
    lines = list(conclusion(found, BUILDS, "" if rate else "A", "ripple of start", rate=rate))
    assert all(len(line) <= 80 for line in lines), lines
    return "\n".join(lines)


def test_one_build() -> None:
    text = told(
        Outcome.FOUND, (12, 12, 0.991),
        {0: [1.0, 1.1, 0.9], 29: [2.0, 2.1, 2.2], 11: [1.0], 12: [2.1], 15: [2.0, 2.1]},
    )  # fmt: skip
    assert "FIRST BAD BUILD: 12 000000000000, probability 99.1 %" in text
    assert "Version 12" in text
    assert "before: mean 1, scatter 0.082 A, 4 runs" in text
    assert "change +1.083 A, 95 % interval" in text
    # The ends take 6 runs; builds inside were run 4/3 times: 12 of them up to the first bad one.
    assert "10 runs of 5 builds; trying each in turn takes about 22, 55 % less" in text


def test_a_range_names_every_build_in_it() -> None:
    text = told(Outcome.FOUND, (12, 14, 0.97), {0: [1.0, 1.1], 29: [NAN, NAN], 11: [1.0]})
    assert "one of 12 000000000000 to 14 000000000000" in text
    assert text.count("Version") == 3
    assert "2 runs, none with a value" in text
    assert "change" not in text


def test_no_change() -> None:
    text = told(Outcome.NO_CHANGE, None, {0: [1.0, 1.2, 1.1], 29: [1.1, 1.0, 1.2]})
    assert "NO CHANGE seen" in text
    assert "change +0 A, 95 % interval -0." in text


def test_rates() -> None:
    text = told(
        Outcome.FOUND, (5, 5, 0.96), {0: [1.0] * 6, 29: [0.0] * 6, 5: [0.0], 4: [1.0]}, rate=True
    )
    assert "before: 7 of 7 passed (59 to 100 %)" in text
    assert "change -100 %, 95 % interval" in text


def test_an_undecided_search_says_what_is_likeliest() -> None:
    text = told(Outcome.UNDECIDED, (7, 7, 0.4), {0: [1.0, 2.0], 29: [2.0, 3.0]})
    assert text.startswith("UNDECIDED after 4 runs")
    assert "likeliest is: 7 000000000000, probability 40.0 %" in text
    assert "NO ANSWER" in told(Outcome.NO_END, None, {})


@pytest.mark.parametrize(
    ("behind", "said"),
    [
        (None, "runs "),
        (0.0, "good 99.9 %"),
        (0.03, "good 97.0 %"),
        (0.4, "bad 40 %?"),
        (1.0, "bad"),
    ],
)
def test_a_line_a_build(behind, said) -> None:
    line = visit_line(Visit(7, [1.0, NAN, 3.14159], behind), BUILDS, "A", rate=False)
    assert said in line
    assert "1 none 3.142 A" in line


def test_a_skipped_build_says_why_in_one_line() -> None:
    line = visit_line(Visit(7, skipped="build cc:\n  error " * 20), BUILDS, "A", rate=False)
    assert "skipped: build cc: error" in line
    assert len(line) == 80


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(st.integers(0, 29), VALUES, max_size=8),
    st.integers(1, 29),
    st.integers(0, 5),
    st.sampled_from(Outcome),
)
def test_anything_found_fits_and_is_json(runs, first, more, outcome) -> None:
    place = None if outcome in (Outcome.NO_CHANGE, Outcome.NO_END) else (
        first, min(29, first + more), 0.5,
    )  # fmt: skip
    told(outcome, place, runs)
    found = conclude(outcome, place, runs, 29, rate=False)
    content = json.loads(json.dumps(as_json(found, BUILDS), allow_nan=False))
    assert content["outcome"] == outcome.value
    assert len(content["builds"]) == (found.last - found.first + 1 if place else 0)
    for build, values in runs.items():
        line = visit_line(Visit(build, values, 0.3), BUILDS, "rpm", rate=False)
        assert len(line) <= 80
