"""The comparison with the release before as people and machines read it."""

from __future__ import annotations

import pytest

from hil.core.band import Band
from hil.core.measure import Measure
from hil.core.verdict import Judgement, Verdict
from hil.report.dossier.measured import ALONE, THEN_BENCH, Compared, Key, Row
from hil.report.dossier.measured_words import (
    difference,
    facts,
    finding,
    left,
    now,
    remarks,
    summary,
    then,
    value,
)
from hil.verdicts.moved import Mean, Scatter, moved, share_left

BAND = Band("time-to-speed", None, 1.0, "s")


def row(
    was: Mean | None, is_now: Mean, *, margin: float = 0.5, apart: str = "", band: Band = BAND
) -> Row:
    nearest = Judgement(
        band, Measure(band.measure, band.unit, is_now.value, 0.01), Verdict.PASS, "", margin
    )
    move = None if was is None else moved(was, is_now, band)
    share = share_left(margin, band)
    key = Key("nightly", "start", band.measure, simulated=True)
    return Row(key, was, is_now, (0, 0), move, apart, nearest, share, Verdict.PASS)


def mean(number: float, uncertainty: float | None = 0.01, count: int = 3) -> Mean:
    return Mean(number, count, uncertainty, None, Scatter(0.0, 2.0) if count > 1 else None)


QUIET = row(mean(0.5), mean(0.5))
NEARER = row(mean(0.4), mean(0.5))
AWAY = row(mean(0.6), mean(0.5))
CHANCE = row(mean(0.49), mean(0.5))
LITTLE = row(mean(0.88), mean(0.88), margin=0.12)
OPEN = row(mean(0.4, count=1), mean(0.5, count=1))
APART = row(None, mean(0.5), apart=THEN_BENCH)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (
            [NEARER] * 3 + [LITTLE] * 5 + [QUIET] * 206,
            "3 of 214 measures moved towards their limits by more than their uncertainty, 5 have "
            "less than 20 % of their band left",
        ),
        (
            [NEARER, LITTLE],
            "1 of 2 measures moved towards its limits by more than its uncertainty, 1 has less "
            "than 20 % of its band left",
        ),
        (
            [NEARER, OPEN, OPEN],
            "1 of 3 measures moved towards its limits by more than its uncertainty, 0 have less "
            "than 20 % of their band left; 2 differ by more than is known of one start: not "
            "decidable from it",
        ),
        (
            [QUIET, AWAY, CHANCE, APART, APART],
            "0 of 3 measures moved towards their limits by more than their uncertainty, 0 have "
            "less than 20 % of their band left; 2 not compared, simulated against bench",
        ),
    ],
)
def test_one_line_for_the_terminal(rows: list[Row], said: str) -> None:
    assert summary(Compared(tuple(rows), before=True)) == said


def test_without_a_release_before_only_what_calls_for_a_look_is_told() -> None:
    alone = row(None, mean(0.88), margin=0.12, apart=ALONE)
    said = summary(Compared((alone, QUIET), before=False))
    assert said == "1 of 2 measures has less than 20 % of its band left"
    assert summary(Compared((QUIET,), before=False)) == ""


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (QUIET, "the same"),
        (NEARER, "beyond its uncertainty, towards its limit"),
        (AWAY, "beyond its uncertainty, away from its limit"),
        (
            row(mean(0.4, count=1), mean(0.5)),
            "beyond its uncertainty, towards its limit (measured once then, with the scatter of "
            "the other release)",
        ),
        (
            row(mean(0.4), mean(0.5, count=1)),
            "beyond its uncertainty, towards its limit (measured once now, with the scatter of "
            "the other release)",
        ),
        (OPEN, "towards its limit; not decidable from one start, whose scatter nobody knows"),
        (CHANCE, "within its uncertainty"),
        (APART, THEN_BENCH),
        (
            row(mean(0.4, None), mean(0.5)),
            "towards its limit; its uncertainty is not stated, so that may be chance",
        ),
    ],
)
def test_what_a_difference_means_is_said_in_words(one: Row, said: str) -> None:
    assert finding(one) == said


def test_values_with_their_uncertainty_and_number() -> None:
    one = row(mean(0.4, count=1), mean(0.5))
    assert then(one) == "0.400 ± 0.020 s"
    assert now(one) == "0.500 ± 0.020 s (mean of 3)"
    # hypot(0.02, 0.02) = 0.0283
    assert difference(one) == "+0.100 ± 0.028 s"
    assert difference(AWAY) == "-0.100 ± 0.028 s"
    assert difference(APART) == "\u2013"


def test_repetitions_without_a_value_are_told() -> None:
    assert value(mean(0.5, count=2), 1, "s") == "0.500 ± 0.020 s (mean of 2, 1 without a value)"
    assert value(None, 2, "s") == "no value in 2 repetitions"
    assert value(None, 0, "s") == "\u2013"


def test_what_is_left_is_told_in_the_unit_and_of_the_span() -> None:
    assert left(LITTLE) == "+0.120 s, 12 % of the span (at most 1 s)"
    exact = Band("success", 1.0, 1.0, "1")
    assert left(row(mean(1.0, 0.0), mean(1.0, 0.0), margin=0.0, band=exact)) == "0 (exactly 1)"


def test_what_was_never_compared_and_what_is_in_doubt_are_sentences() -> None:
    found = Compared((APART, QUIET), before=True, doubted=(("old",), ("a", "b")))
    assert list(remarks(found)) == [
        f"1 measure: {THEN_BENCH}.",
        "In doubt are the numbers of the release before from old.",
        "In doubt are the numbers of now from a, b.",
    ]


def test_for_machines() -> None:
    told = facts(Compared((NEARER, LITTLE, AWAY, APART), before=True))
    counts = {name: told[name] for name in told if isinstance(told[name], int)}
    assert counts == {
        "compared": 3, "towards-beyond-uncertainty": 1, "away-beyond-uncertainty": 1,
        "not-decidable-from-one-start": 0, "little-left": 1, "never-compared": 1,
    }  # fmt: skip
    first, last = told["measures"][0], told["measures"][-1]
    assert first["difference"] == pytest.approx(0.1)
    assert first["uncertainty"] == pytest.approx(0.02 * 2**0.5)
    assert (first["beyond-uncertainty"], first["sense"]) == (True, "towards")
    assert first["scatter-known"] is True
    told_open = facts(Compared((OPEN,), before=True))
    assert told_open["not-decidable-from-one-start"] == 1
    assert told_open["measures"][0]["beyond-uncertainty"] is None
    assert told_open["measures"][0]["scatter-known"] is False
    assert first["margin-percent-of-span"] == pytest.approx(50.0)
    assert first["then"] == {
        "value": 0.4, "expanded-uncertainty": 0.02, "repetitions": 3, "without-value": 0,
    }  # fmt: skip
    assert last["then"] is None
    assert last["not-compared"] == THEN_BENCH
