"""What was planned, expanded from the files that a run has kept, and what of it is in no run."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from hil.core.record import DESELECTED, Omitted
from hil.core.verdict import Verdict
from hil.report.dossier.assess import Status
from hil.report.dossier.release import Outcome
from hil.report.items import Standing

BOTH = """
  - id: start
    scenario: start
    requirements: [R-1]
    speed: 1000 rpm
    hold: 0.5 s
    matrix: {sensing: [hall, back-emf], direction: [cw, ccw]}
    bands:
      time-to-speed: {max: 2 s, requirement: R-2}
      success: {exactly: 1}
"""
HALF = """
  - id: stop
    scenario: start
    speed: 1000 rpm
    hold: 0.5 s
    bands: {steady-error: {max: 5 %}}
"""
IDS = ["start.hall.cw", "start.hall.ccw", "start.back-emf.cw", "start.back-emf.ccw"]
CW, CCW = IDS[::2], IDS[1::2]
ONE = "  - {id: R-1, text: It starts in both directions.}\n"
BY = "  - {id: R-1, text: It starts., verified-by: [%s]}\n"


@pytest.fixture
def ran(lab):
    """A run of some items of the plan."""

    def ran(name: str, items, verdict: Verdict = Verdict.PASS, **more):
        results = [lab.item(item, lab.judged("success", verdict), marks=["R-1"]) for item in items]
        return lab.run(name, *results, plan=more.pop("plan", BOTH), **more)

    return ran


def only(release):
    (one,) = release.assessments
    return one


def test_a_whole_run_covers(lab, ran) -> None:
    one = only(lab.release(lab.requirements(ONE), ran("a", IDS)))
    assert one.status is Status.COVERED
    assert one.missing == ()


def test_a_planned_item_in_no_run_leaves_its_requirement_open(lab, ran) -> None:
    release = lab.release(lab.requirements(ONE), ran("a", CW))
    one = only(release)
    assert one.status is Status.NOT_COVERED
    assert one.reasons == (
        "2 planned items are in no run (deselected, or left out): "
        "start.hall.ccw, start.back-emf.ccw",
    )
    assert release.outcome is Outcome.NOT_QUALIFIED
    assert (
        "run a: 2 of 4 planned items are not in it (deselected, or left out): "
        "start.hall.ccw, start.back-emf.ccw"
    ) in release.remarks


def test_what_the_record_says_of_it_is_told(lab, ran) -> None:
    left = Omitted(plan="nightly", why=DESELECTED, items=dict.fromkeys(CCW, ("R-1", "R-2")))
    one = only(lab.release(lab.requirements(ONE), ran("a", CW, omitted=[left])))
    assert one.reasons == (
        "2 planned items are in no run (deselected): start.hall.ccw, start.back-emf.ccw",
    )


def test_runs_complete_each_other(lab, ran) -> None:
    one = only(lab.release(lab.requirements(ONE), ran("a", CW), ran("b", CCW)))
    assert one.status is Status.COVERED
    one = only(lab.release(lab.requirements(ONE), ran("c", CW), ran("d", CCW[:1])))
    assert one.reasons == (
        "1 planned item is in no run (deselected, or left out): start.back-emf.ccw",
    )


def test_a_fail_comes_before_what_is_missing(lab, ran) -> None:
    one = only(lab.release(lab.requirements(ONE), ran("a", CW, Verdict.FAIL)))
    assert one.status is Status.FAILED


def test_a_band_that_names_a_requirement_plans_for_it(lab) -> None:
    text = "  - {id: R-2, text: It is quick.}\n"
    band = lab.judged("time-to-speed", requirement="R-2")
    run = lab.run("a", lab.item("start.hall.cw", band), plan=BOTH)
    one = only(lab.release(lab.requirements(text), run))
    assert [planned.item for planned in one.missing] == IDS[1:]


def test_what_the_rig_cannot_do_is_left_out_and_blocks(lab, ran) -> None:
    one = only(lab.release(lab.requirements(ONE), ran("a", IDS[:2], sensing="hall")))
    assert one.status is Status.NOT_COVERED
    (reason,) = one.reasons
    assert reason.startswith("2 planned items are in no run (left out, rig pump has no sensing ")
    assert reason.endswith("start.back-emf.cw, start.back-emf.ccw")
    # on another rig they were run
    runs = ran("b", IDS[:2], sensing="hall"), ran("c", IDS[2:])
    assert only(lab.release(lab.requirements(ONE), *runs)).status is Status.COVERED


@pytest.mark.parametrize("source", ["{items: 'start.hall.*'}", "{items: '*', plan: other}"])
def test_the_requirement_file_says_which_items_it_asks_for(lab, ran, source: str) -> None:
    one = only(lab.release(lab.requirements(BY % source), ran("a", IDS[:2], sensing="hall")))
    assert one.missing == ()
    assert (one.status is Status.COVERED) == ("other" not in source)


def test_a_source_of_measures_asks_for_the_items_that_judge_them(lab, ran) -> None:
    text = BY % "{items: '*', measures: [success]}"
    one = only(lab.release(lab.requirements(text), ran("a", IDS, plan=BOTH + HALF)))
    assert one.status is Status.COVERED  # stop judges another measure
    text = BY % "{items: '*', measures: [success, steady-error]}"
    one = only(lab.release(lab.requirements(text), ran("b", IDS, plan=BOTH + HALF)))
    assert [planned.item for planned in one.missing] == ["stop"]


def test_a_source_all_of_whose_items_are_missing_is_told_once(lab, ran) -> None:
    text = BY % "{items: 'start.*.cw'}, {items: 'start.*.ccw'}, {items: nothing}"
    one = only(lab.release(lab.requirements(text), ran("a", CW)))
    assert one.reasons == (
        "2 planned items are in no run (deselected, or left out): "
        "start.hall.ccw, start.back-emf.ccw",
        "items nothing: no such item in these runs",
    )


def test_what_belongs_to_no_requirement_is_told_and_does_not_block(lab, ran) -> None:
    release = lab.release(lab.requirements(ONE), ran("a", IDS, plan=BOTH + HALF))
    assert release.outcome is Outcome.QUALIFIED
    assert any("1 of 5 planned items are not in it" in text for text in release.remarks)


def test_an_item_that_was_to_run_and_left_nothing_is_not_missing_but_undecided(lab, ran) -> None:
    release = lab.release(lab.requirements(ONE), ran("a", IDS[:3], planned=IDS[3:]))
    one = only(release)
    assert one.missing == ()
    assert one.status is Status.UNDECIDED
    assert [piece.standing for piece in one.pieces][-1] is Standing.NOT_RUN
    assert release.blocks == ("1 planned item left no result in any run (start.back-emf.ccw)",)


def test_the_bench_is_asked_for_what_was_planned_on_it(lab, ran) -> None:
    """Simulated runs neither make up for a planned item of the bench nor plan for it."""
    runs = ran("a", CW), ran("b", IDS, simulated=True)
    one = only(lab.release(lab.requirements(ONE), *runs))
    assert one.status is Status.NOT_COVERED
    assert [planned.item for planned in one.missing] == CCW
    runs = ran("c", IDS), ran("d", CW, simulated=True, plan=BOTH + HALF)
    assert only(lab.release(lab.requirements(ONE), *runs)).status is Status.COVERED


def test_a_result_of_another_plan_is_another_item(lab, ran) -> None:
    other = lab.run("b", *(lab.item(i, lab.judged(), marks=["R-1"], plan="smoke") for i in CCW))
    one = only(lab.release(lab.requirements(ONE), ran("a", CW), other))
    assert [planned.item for planned in one.missing] == CCW


# -- known from the record alone ---------------------------------------------------------------


def test_a_deselected_scenario_in_python_is_asked_for_by_its_pattern(lab) -> None:
    left = Omitted(plan="test_pump.py", why=DESELECTED, items={"test_pump.dry": ()})
    good = lab.item("test_pump.wet", lab.judged())
    run = lab.run("a", good, omitted=[left])
    one = only(lab.release(lab.requirements(BY % "{items: 'test_pump.*'}"), run))
    assert one.reasons == ("1 planned item is in no run (deselected): test_pump.dry",)
    one = only(lab.release(lab.requirements(BY % "{items: test_pump.wet}"), run))
    assert one.status is Status.COVERED


def test_a_plan_of_which_nothing_was_run_counts_by_its_marks(lab, ran) -> None:
    left = Omitted(plan="smoke", why=DESELECTED, items={"dry": ("R-1",), "wet": ("R-9",)})
    one = only(lab.release(lab.requirements(ONE), ran("a", IDS, omitted=[left])))
    assert [planned.key for planned in one.missing] == [("smoke", "dry")]


# -- files that do not say what was planned ----------------------------------------------------


def test_a_run_whose_plan_cannot_be_expanded_covers_nothing(lab, ran) -> None:
    strange = BOTH.replace("time-to-speed", "time-to-nowhere")
    one = only(lab.release(lab.requirements(ONE), ran("a", IDS, plan=strange)))
    assert one.status is Status.UNDECIDED
    assert one.reasons[0].startswith("run a: what was planned cannot be told: ")
    assert "cannot be told: inputs/nightly.plan.yaml:" in one.reasons[0]  # where it lay is nobody's


def test_of_how_many_items_they_are_is_not_told_where_the_plan_cannot_be_expanded(lab, ran) -> None:
    left = Omitted(plan="nightly", why=DESELECTED, items=dict.fromkeys(CCW, ("R-1",)))
    strange = BOTH.replace("time-to-speed", "time-to-nowhere")
    run = ran("a", CW, plan=strange, omitted=[left])
    release = lab.release(lab.requirements(ONE), run)
    assert (
        f"run a: 2 planned items are not in it ({DESELECTED}): {', '.join(CCW)}"
    ) in release.remarks
    _, out = lab.dossier(lab.requirements(ONE), run)
    assert "<dt>Items</dt><dd>2</dd>" in (out / "dossier.html").read_text("utf-8")


def test_a_run_that_has_not_kept_its_plan_or_rig_covers_nothing(lab, ran) -> None:
    def without(name: str):
        return lambda start: replace(
            start, hashes={file: sha for file, sha in start.hashes.items() if file != name}
        )

    run = ran("a", IDS, change=without("nightly.plan.yaml"))
    one = only(lab.release(lab.requirements(ONE), run))
    assert one.reasons == (
        "run a: what was planned cannot be told: nightly.plan.yaml: the run has not kept it",
    )
    run = ran("b", IDS, change=without("pump.yaml"))
    one = only(lab.release(lab.requirements(ONE), run))
    assert "expected the file of rig pump among the files of the run" in one.reasons[0]


# -- how it is told ----------------------------------------------------------------------------


def test_the_dossier_tells_it_to_people_and_machines(lab, ran) -> None:
    _release, out = lab.dossier(lab.requirements(ONE), ran("a", CW))
    facts = json.loads((out / "dossier.json").read_text())
    (requirement,), (run,) = facts["requirements"], facts["runs"]
    why = "deselected, or left out"
    entries = [{"plan": "nightly", "item": item, "why": why} for item in CCW]
    assert requirement["in-no-run"] == run["not-in-run"] == entries
    assert run["planned"] == 4
    page = (out / "dossier.html").read_text()
    assert "2 planned items in no run" in page
    assert "start.back-emf.ccw of plan nightly: deselected, or left out" in page
    assert "2 of 4 planned" in page


TRIP = """
  - id: block
    scenario: stall
    requirements: [R-1]
    speed: 1000 rpm
    brake-torque: 0.4 N*m
    expect: trip
    bands: {tripped: {exactly: 1}}
"""
HELD = TRIP.replace("id: block", "id: stiff").replace("expect: trip", "expect: no-trip").replace(
    "    requirements: [R-1]\n", ""
)  # fmt: skip


@pytest.mark.parametrize(
    ("plan", "judged", "lacks"),
    [
        (TRIP + HELD, {"stiff": Verdict.PASS}, ""),
        (TRIP + HELD, {"stiff": Verdict.FAIL}, ""),
        (
            TRIP + HELD,
            {"stiff": Verdict.BENCH_FAULT},
            "its partner (stiff) was judged in none of these runs",
        ),
        (TRIP + HELD, {}, "its partner (stiff) was judged in none of these runs"),
        (TRIP, {}, "it has no partner with 'expect: no-trip'"),
        (TRIP + HELD.replace("1000 rpm", "900 rpm"), {"stiff": Verdict.PASS}, "it has no partner"),
    ],
)
def test_what_must_trip_is_no_evidence_without_its_partner(lab, plan, judged, lacks) -> None:
    trip = lab.item("block", lab.judged("tripped"), marks=["R-1"])
    others = [lab.item(name, lab.judged("tripped", verdict)) for name, verdict in judged.items()]
    one = only(lab.release(lab.requirements(ONE), lab.run("a", trip, *others, plan=plan)))
    if not lacks:
        assert one.status is Status.COVERED
        return
    assert one.status is Status.NOT_COVERED
    (reason,) = one.reasons
    assert reason.startswith("block must trip, and nothing shows that it does not too early: ")
    assert lacks in reason


def test_a_partner_in_another_run_of_the_plan_will_do(lab) -> None:
    trip = lab.run("a", lab.item("block", lab.judged("tripped"), marks=["R-1"]), plan=TRIP + HELD)
    held = lab.run("b", lab.item("stiff", lab.judged("tripped")), plan=TRIP + HELD)
    assert only(lab.release(lab.requirements(ONE), trip, held)).status is Status.COVERED
