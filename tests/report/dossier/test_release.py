"""What becomes of a release: outcome, summary, waivers, what lies outside the requirements."""

from __future__ import annotations

import pytest

from hil.core.verdict import Verdict
from hil.report.dossier.release import Outcome

TWO = "  - {id: R-1, text: It starts.}\n  - {id: R-2, text: It stops.}\n"
FAIL = Verdict.FAIL


def covered(lab, *names: str):
    return [lab.item(f"of-{name}", lab.judged(), marks=[name]) for name in names]


def failed(lab, name: str):
    return lab.item(f"of-{name}", lab.judged("t", FAIL), marks=[name])


def test_all_covered(lab) -> None:
    release = lab.release(lab.requirements(TWO), lab.run("a", *covered(lab, "R-1", "R-2")))
    assert release.outcome is Outcome.QUALIFIED
    assert release.summary == "qualified: 2 of 2 requirements covered by 1 run of DRIVE B1"


def test_what_is_open_is_named_in_one_line_the_worst_first(lab) -> None:
    text = TWO + "  - {id: R-3, text: It runs.}\n  - {id: R-4, text: It rests.}\n"
    open_one = lab.item("of-R-3", lab.judged("t", Verdict.UNDECIDED), marks=["R-3"])
    run = lab.run("a", failed(lab, "R-2"), *covered(lab, "R-1"), open_one)
    release = lab.release(lab.requirements(text), run)
    assert release.outcome is Outcome.NOT_QUALIFIED
    assert release.summary == (
        "NOT qualified: 1 failed (R-2), 1 not covered (R-4), 1 undecided (R-3); 1 of 4 covered"
    )


def test_a_long_list_is_cut_in_the_line(lab) -> None:
    text = "".join(f"  - {{id: R-{n}, text: a}}\n" for n in range(9))
    release = lab.release(lab.requirements(text), lab.run("a", *covered(lab, "R-8")))
    assert "8 not covered (R-0, R-1, R-2, R-3, R-4, R-5, and 2 more)" in release.summary


# -- waivers -----------------------------------------------------------------------------------

WAIVER = "{requirement: %s, reason: Known., approver: head of quality, expires: %s}"


def test_a_waiver_never_turns_a_fail_into_a_pass(lab) -> None:
    run = lab.run("a", failed(lab, "R-2"), *covered(lab, "R-1"))
    waivers = lab.waivers(WAIVER % ("R-2", "2026-03-05"))
    release = lab.release(lab.requirements(TWO), run, waivers=waivers)
    assert release.assessments[1].status == "failed"
    assert release.outcome is Outcome.ONLY_WAIVED
    assert release.summary == (
        "NOT qualified without waivers: 1 failed (R-2 waived); 1 of 2 covered"
    )
    assert release.waivers[0].text == "the requirement stays failed"


def test_an_expired_waiver_is_told_and_counts_for_nothing(lab) -> None:
    run = lab.run("a", failed(lab, "R-2"), *covered(lab, "R-1"))
    waivers = lab.waivers(WAIVER % ("R-2", "2026-03-04"))
    release = lab.release(lab.requirements(TWO), run, waivers=waivers)
    assert release.outcome is Outcome.NOT_QUALIFIED
    assert (release.waivers[0].standing, release.waivers[0].text) == (
        "expired",
        "it held until 2026-03-04",
    )


def test_unused_waivers_are_told(lab) -> None:
    run = lab.run("a", *covered(lab, "R-1", "R-2"))
    day = "2027-01-01"
    waivers = lab.waivers(WAIVER % ("R-2", day), WAIVER % ("R-9", day))
    release = lab.release(lab.requirements(TWO), run, waivers=waivers)
    assert release.outcome is Outcome.QUALIFIED
    assert [(line.standing, line.text) for line in release.waivers] == [
        ("unused", "the requirement is covered"),
        ("unused", "no requirement of the file has this id"),
    ]


def test_one_open_requirement_without_a_waiver_is_enough(lab) -> None:
    run = lab.run("a", failed(lab, "R-2"))
    waivers = lab.waivers(WAIVER % ("R-2", "2027-01-01"))
    release = lab.release(lab.requirements(TWO), run, waivers=waivers)
    assert release.outcome is Outcome.NOT_QUALIFIED
    assert "1 failed (R-2 waived), 1 not covered (R-1)" in release.summary


# -- outside the requirements ------------------------------------------------------------------


def test_orphans_are_listed_with_the_marks_of_their_plan(lab) -> None:
    run = lab.run(
        "a", *covered(lab, "R-1", "R-2"), lab.item("more", lab.judged()), *covered(lab, "R-9")
    )
    release = lab.release(lab.requirements(TWO), run)
    assert [(one.item.item, one.marks) for one in release.orphans] == [
        ("more", ()),
        ("of-R-9", ("R-9",)),
    ]
    assert release.unknown_marks == ("R-9",)
    assert release.outcome is Outcome.QUALIFIED


def test_a_mark_that_a_source_asks_for_is_known(lab) -> None:
    text = TWO + "  - {id: R-3, text: a, verified-by: [{plan-requirement: R-9}]}\n"
    run = lab.run("a", *covered(lab, "R-1", "R-2", "R-9"))
    assert lab.release(lab.requirements(text), run).unknown_marks == ()


def test_a_fail_outside_every_requirement_is_not_passed_over(lab) -> None:
    run = lab.run("a", *covered(lab, "R-1", "R-2"), lab.item("more", lab.judged("t", FAIL)))
    release = lab.release(lab.requirements(TWO), run)
    assert release.outcome is Outcome.NOT_QUALIFIED
    assert release.summary == (
        "NOT qualified: 1 fail outside every requirement (more); 2 of 2 covered"
    )


def test_a_fail_of_a_band_that_no_requirement_uses_is_not_passed_over(lab) -> None:
    bands = lab.judged("a", requirement="R-1"), lab.judged("b", FAIL, "R-9")
    run = lab.run("a", lab.item("x", *bands), *covered(lab, "R-2"))
    release = lab.release(lab.requirements(TWO), run)
    assert release.assessments[0].status == "covered"
    assert release.blocks == ("1 fail outside every requirement (x)",)


@pytest.mark.parametrize("where", ["bench", "simulated"])
def test_a_simulated_fail_beside_the_bench_is_told(lab, where: str) -> None:
    run = lab.run("a", *covered(lab, "R-1", "R-2"))
    other = lab.run("b", failed(lab, "R-1"), simulated=where == "simulated")
    release = lab.release(lab.requirements(TWO), run, other)
    if where == "bench":
        assert release.assessments[0].status == "failed"
    else:
        assert release.outcome is Outcome.QUALIFIED
        assert [p.standing for p in release.assessments[0].set_aside] == ["fail"]
        assert "1 simulated result set aside where the bench is asked for" in release.remarks


def test_runs_that_were_held_against_different_things_are_told(lab) -> None:
    from dataclasses import replace

    one = lab.run("a", *covered(lab, "R-1", "R-2"))
    other = lab.run(
        "b",
        lab.item("of-R-1", lab.judged(high=3.0), marks=["R-1"]),
        change=lambda s: replace(s, limits={"current": "12 A"}),
    )
    release = lab.release(lab.requirements(TWO), one, other)
    assert "the runs differ: pump: current: 15 A / 12 A" in release.remarks
    assert "the runs differ: success was judged by different bands, in of-R-1" in release.remarks
