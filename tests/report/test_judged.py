from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from hil.core.band import Band
from hil.core.measure import Measure, Outcome
from hil.core.record import ItemResult
from hil.core.verdict import Judgement, Verdict
from hil.report.judged import NO_BAND, tables
from hil.store.reading import read


def _of(folder: Path, item: str) -> ItemResult:
    return next(result for result in read(folder).results if result.item == item)


def test_one_repetition_is_one_table_with_the_worst_first(full_run: Path) -> None:
    found = tables(_of(full_run, "start-cw-hall"))
    assert [(row.measure, row.verdict) for row in found.single] == [
        ("peak-current", "fail"),
        ("handover-dip", "undecided"),
        ("time-to-speed", "pass"),
        ("overshoot", "pass"),
        ("ripple", NO_BAND),
    ]
    assert found.spreads == found.each == ()
    worst = found.single[0]
    assert (worst.value, worst.band, worst.margin) == ("3.71 ± 0.10 A", "at most 3.5 A", "-0.212 A")
    assert (worst.rule, worst.conformance, worst.requirement) == (
        "guarded",
        "under 0.1 %",
        "REQ-17",
    )


def test_many_repetitions_are_summed_up_as_k_of_n(full_run: Path) -> None:
    result = _of(full_run, "start-cw-many")
    found = tables(result)
    assert [row.measure for row in found.single] == ["success-rate"]
    (spread,) = found.spreads
    values = sorted(m.value for m in result.measures if m.value is not None)
    assert spread.met == "19 of 20 (1 without a value)"
    assert spread.verdict == "fail"
    assert float(spread.low) == round(values[0], 3)
    assert float(spread.median) == round(values[9], 3)
    assert spread.high == f"{values[-1]:.3f} s"
    assert float(spread.worst_margin.split()[0]) == round(1.25 - values[-1], 4)
    assert [row.repeat for row in found.each] == list(range(1, 21))
    assert found.each[6].value == "never reached: stuck at 310 rpm"


def test_two_bands_of_one_measure_are_two_lines(make_result: Callable[..., ItemResult]) -> None:
    measures = tuple(Measure("m", "V", float(n)) for n in (1, 2, 3))
    bands = (Band("m", None, 2.0, "V"), Band("m", 0.0, None, "V"))
    judgements = tuple(
        Judgement(
            band, m, Verdict.PASS if band.low == 0.0 or n < 3 else Verdict.FAIL, "", None, None, n
        )
        for n, m in enumerate(measures, 1)
        for band in bands
    )
    result = replace(
        make_result("a", Verdict.FAIL), measures=measures, repeats=(1, 2, 3), judgements=judgements
    )
    found = [(row.band, row.met, row.verdict) for row in tables(result).spreads]
    assert found == [("at most 2 V", "2 of 3", "fail"), ("at least 0 V", "3 of 3", "pass")]


def test_repetitions_that_never_gave_a_value(make_result: Callable[..., ItemResult]) -> None:
    lost = Measure.absent("m", "V", Outcome.MISSING_DATA, "no channel")
    result = replace(make_result("a", Verdict.PASS), measures=(lost, lost), repeats=(1, 2))
    (spread,) = tables(result).spreads
    assert (spread.met, spread.low, spread.verdict) == (
        "0 of 2 (missing data: no channel)",
        "\u2013",
        NO_BAND,
    )


def test_an_item_without_measures_has_empty_tables(make_result: Callable[..., ItemResult]) -> None:
    found = tables(make_result("a", Verdict.BENCH_FAULT))
    assert found.single == found.spreads == found.each == ()
