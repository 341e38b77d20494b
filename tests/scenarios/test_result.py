"""Records of items, and the conclusion of scenarios written in Python."""

import pytest

from hil.bench.operator import NotAttended
from hil.core.band import Band
from hil.core.errors import (
    BenchError,
    HarnessError,
    LinkError,
    NotOffered,
    PlanError,
    ProfileMisfit,
    ScenarioError,
    StoreError,
)
from hil.core.measure import Measure
from hil.core.verdict import Doubt, Judgement, Verdict
from hil.scenarios.execute import Executed
from hil.scenarios.result import conclude_script, not_opened, result_of, result_of_script
from hil.scenarios.steps import ManoeuvreFailed


def judgement(verdict: Verdict, reason: str) -> Judgement:
    return Judgement(Band("x", 0.0, 1.0, "s"), Measure("x", "s", 0.5), verdict, reason)


HELD = judgement(Verdict.PASS, "x held")
BROKEN = judgement(Verdict.FAIL, "x is 2 s")
VAGUE = judgement(Verdict.UNDECIDED, "x is too coarse")


@pytest.mark.parametrize(
    ("judgements", "error", "asserted", "verdict", "reason"),
    [
        ([HELD, HELD], None, False, Verdict.PASS, "all 2 bands held"),
        ([HELD, BROKEN], None, False, Verdict.FAIL, "firmware: x is 2 s"),
        ([VAGUE, BROKEN, BROKEN], None, False, Verdict.FAIL, "firmware: x is 2 s; x is 2 s"),
        ([HELD, VAGUE], None, False, Verdict.UNDECIDED, "x is too coarse"),
        ([HELD], AssertionError("1 != 2\ndetails"), True, Verdict.FAIL, "test: 1 != 2"),
        ([], AssertionError(), True, Verdict.FAIL, "test: AssertionError"),
        ([HELD], LinkError("unplugged"), False, Verdict.BENCH_FAULT, "bench: unplugged"),
        ([HELD], ManoeuvreFailed("stuck"), False, Verdict.FAIL, "firmware: stuck"),
        (
            [BROKEN],
            BenchError("gone"),
            False,
            Verdict.FAIL,
            "firmware: x is 2 s; after that bench: gone",
        ),
        ([HELD], TypeError("no len()"), False, Verdict.UNDECIDED, "test: TypeError: no len()"),
        ([], PlanError("unknown"), False, Verdict.UNDECIDED, "test: unknown"),
        ([HELD], ScenarioError("speed: x"), False, Verdict.UNDECIDED, "test: speed: x"),
        (
            [BROKEN],
            ScenarioError("speed: x"),
            False,
            Verdict.FAIL,
            "firmware: x is 2 s; after that test: speed: x",
        ),
        ([HELD], NotOffered("no sensing"), False, Verdict.NOT_RUN, "no sensing"),
        (
            [VAGUE],
            NotOffered("no sensing"),
            False,
            Verdict.UNDECIDED,
            "x is too coarse; after that no sensing",
        ),
        ([], NotAttended("nobody"), False, Verdict.NOT_RUN, "attended: nobody"),
        ([], StoreError("disk full"), False, Verdict.BENCH_FAULT, "harness: disk full"),
    ],
)
def test_only_bands_assertions_and_the_firmware_itself_make_a_fail(
    judgements, error, asserted, verdict, reason
) -> None:
    assert conclude_script(judgements, error, asserted=asserted) == (verdict, reason)


def test_what_judges_nothing_is_no_pass() -> None:
    held = (Verdict.PASS, "no band was judged; the test's own assertions held")
    assert conclude_script([], None, asserts=True) == held
    verdict, reason = conclude_script([], None)
    assert verdict is Verdict.UNDECIDED
    assert reason.startswith("test: nothing was judged: expected a band (hil_script.judge) or")
    assert conclude_script([VAGUE], None, asserts=True)[0] is Verdict.UNDECIDED


def test_a_mistake_is_told_with_its_place_in_the_test_and_no_other_error_is() -> None:
    where = "garden/test_mine.py:10"
    assert conclude_script([], ScenarioError("speed: x"), where=where) == (
        Verdict.UNDECIDED,
        "test: garden/test_mine.py:10: speed: x",
    )
    told = conclude_script([], KeyError("a"), where=where)[1]
    assert told == "test: garden/test_mine.py:10: KeyError: 'a'"
    for error in (BenchError("gone"), ManoeuvreFailed("stuck"), HarnessError("ours")):
        assert where not in conclude_script([], error, where=where)[1]


def test_the_first_item_that_cannot_be_opened_is_a_fault_the_rest_were_not_run(planned) -> None:
    (item,) = planned(
        "  - {id: s, scenario: start, speed: 2000 rpm, bands: {success: {exactly: 1}}}\n"
    )
    first = not_opened(item, "no such port", utc="2026-01-01T00:00:00Z", first=True)
    assert (first.verdict, first.reason) == (Verdict.BENCH_FAULT, "bench: no such port")
    later = not_opened(item, "no such port", utc="2026-01-01T00:00:00Z", first=False)
    assert (later.verdict, later.reason) == (Verdict.NOT_RUN, "no such port")
    assert (later.item, later.duration, later.traces) == ("s", 0.0, ())


def test_a_result_carries_what_was_planned_and_what_came_of_it(planned) -> None:
    (item,) = planned("""
  - id: s
    scenario: start
    title: Dose
    requirements: [REQ-1]
    speed: 2000 rpm
    bands: {success: {exactly: 1}}
""")
    done = Executed(
        verdict=Verdict.FAIL, reason="x", measures=[Measure("m", "s", 1.0)], repeats=[1]
    )
    result = result_of(item, done, utc="u", duration=1.23456789, traces=["s.1.parquet"])
    assert (result.item, result.title, result.requirements) == ("s", "Dose", ("REQ-1",))
    assert (result.scenario, result.plan) == ("start", "t")
    assert result.conditions["speed"] == "2000 rpm"
    assert (result.duration, result.traces) == (1.234568, ("s.1.parquet",))
    assert result.measures == (Measure("m", "s", 1.0),)


def test_a_scenario_without_a_script_is_recorded_with_its_conclusion() -> None:
    result = result_of_script(
        None, (Verdict.PASS, "fine"), item="t.a", plan="test_a.py", title="a", utc="u"
    )
    assert (result.verdict, result.reason, result.scenario) == (Verdict.PASS, "fine", "script")
    assert (result.measures, result.traces, result.steps) == ((), (), ())


def test_an_error_of_ours_is_not_the_firmwares() -> None:
    verdict, reason = conclude_script([], HarnessError("impossible"))
    assert (verdict, reason) == (Verdict.BENCH_FAULT, "harness: impossible")


@pytest.mark.parametrize(
    ("judgements", "error", "asserted", "reason"),
    [
        ([BROKEN], None, False, "firmware or link profile: x is 2 s; unit of x?"),
        ([VAGUE], None, False, "x is too coarse; unit of x?"),
        ([], AssertionError("1 != 2"), True, "test: 1 != 2; unit of x?"),
        ([], ManoeuvreFailed("stuck"), False, "firmware or link profile: stuck; unit of x?"),
        ([], LinkError("unplugged"), False, "bench: unplugged; unit of x?"),
        ([], TypeError("no len()"), False, "test: TypeError: no len()"),
        (
            [BROKEN],
            LinkError("gone"),
            False,
            "firmware or link profile: x is 2 s; unit of x?; after that bench: gone",
        ),
    ],
)
def test_doubts_are_told_with_what_did_not_hold(judgements, error, asserted, reason) -> None:
    doubts = [Doubt("link profile", "unit of x?")]
    assert conclude_script(judgements, error, asserted=asserted, doubts=doubts)[1] == reason
    assert conclude_script([HELD], None, doubts=doubts) == (Verdict.PASS, "all 1 bands held")


def test_firmware_that_never_answered_is_not_blamed_alone() -> None:
    verdict, reason = conclude_script([], ProfileMisfit("tiny: no answer"))
    assert (verdict, reason) == (Verdict.FAIL, "firmware or link profile: tiny: no answer")
