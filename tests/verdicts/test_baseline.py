from __future__ import annotations

import pytest

from hil.core.measure import Measure, Outcome
from hil.core.record import ItemResult
from hil.core.verdict import Verdict
from hil.verdicts.baseline import Baseline, gather

CONDITIONS = {"direction": "cw", "supply": "24 V"}
PLANNED = {"start.cw": CONDITIONS}


def result(*measures, item="start.cw", verdict=Verdict.PASS, repeats=(), conditions=None):
    return ItemResult(
        item=item, scenario="start", plan="nightly", title="", reason="", duration=1.0,
        conditions=CONDITIONS if conditions is None else conditions, verdict=verdict,
        utc="2026-03-01T22:15:09Z", measures=measures, repeats=repeats,
    )  # fmt: skip


def time(value, uncertainty=0.01, resolution=0.002):
    return Measure("time-to-speed", "s", value, uncertainty, resolution)


def test_values_come_in_the_order_of_the_runs():
    found = gather([("a", [result(time(0.5))]), ("b", [result(time(0.6), time(0.7))])], PLANNED)
    base = found.baselines["start.cw", "time-to-speed"]
    assert base.values == [0.5, 0.6, 0.7]
    assert base.runs == ("a", "b")
    assert (base.unit, base.uncertainty, base.resolution, base.absent) == ("s", 0.01, 0.002, 0)
    assert found.left_out == ()


def test_an_item_run_twice_counts_twice():
    found = gather([("a", [result(time(0.5)), result(time(0.9))])], PLANNED)
    assert found.baselines["start.cw", "time-to-speed"].values == [0.5, 0.9]


def test_figures_of_the_item_as_a_whole_are_no_sample():
    found = gather([("a", [result(time(0.5), time(0.6), time(9.0), repeats=(1, 2, 0))])], PLANNED)
    assert found.baselines["start.cw", "time-to-speed"].values == [0.5, 0.6]


def test_failed_items_are_kept_and_bench_faults_named():
    runs = [
        ("a", [result(time(0.5), verdict=Verdict.FAIL)]),
        ("b", [result(time(0.6), verdict=Verdict.BENCH_FAULT)]),
        ("c", [result(verdict=Verdict.NOT_RUN)]),
    ]
    found = gather(runs, PLANNED)
    base = found.baselines["start.cw", "time-to-speed"]
    assert [(one.run, one.verdict) for one in base.found] == [("a", Verdict.FAIL)]
    assert found.left_out == (("b", "start.cw", "bench-fault"), ("c", "start.cw", "not-run"))


@pytest.mark.parametrize(
    ("conditions", "why"),
    [
        ({"direction": "cw", "supply": "20 V"}, "run with supply 20 V, now planned with 24 V"),
        ({"direction": "cw"}, "run with supply unset, now planned with 24 V"),
        ({**CONDITIONS, "load": "1 N*m"}, "run with load 1 N*m, now planned with unset"),
    ],
)
def test_other_conditions_do_not_count(conditions, why):
    found = gather([("a", [result(time(0.5), conditions=conditions)])], PLANNED)
    assert not found.baselines
    assert found.left_out == (("a", "start.cw", why),)


def test_another_number_of_repetitions_is_the_same_condition():
    given = {**CONDITIONS, "repeats": "20"}
    assert gather([("a", [result(time(0.5), conditions=given)])], PLANNED).baselines


def test_items_of_no_interest_are_passed_over():
    found = gather([("a", [result(time(0.5), item="stall")])], PLANNED)
    assert (dict(found.baselines), found.left_out) == ({}, ())


def test_absent_values_are_counted_unless_they_do_not_apply():
    never = Measure.absent("time-to-speed", "s", Outcome.NEVER_REACHED, "")
    foreign = Measure.absent("time-to-speed", "s", Outcome.NOT_APPLICABLE, "")
    base = gather([("a", [result(never), result(foreign)])], PLANNED).baselines[
        "start.cw", "time-to-speed"
    ]
    assert (base.values, base.runs, base.absent, base.applies) == ([], (), 1, True)
    assert base.uncertainty == 0.0
    other = gather([("a", [result(foreign)])], PLANNED).baselines["start.cw", "time-to-speed"]
    assert not other.applies
    assert Baseline("start.cw", "x", "s").applies  # nothing known is no reason to think otherwise


def test_one_measure_has_one_unit():
    runs = [("a", [result(time(0.5)), result(Measure("time-to-speed", "ms", 5.0))])]
    with pytest.raises(ValueError, match="in ms in run a, in s before"):
        gather(runs, PLANNED)
