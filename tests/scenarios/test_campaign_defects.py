"""Proof by seeded defects: what counts as caught, in which order, and what makes it void."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from hil.core.verdict import Verdict
from hil.plan.plan import PlannedItem
from hil.scenarios.campaign_defects import Proof, catch_of, likeliest, prove, starts_of
from hil.scenarios.campaign_task import Judged, Task, TaskResult, items_of, run_task
from hil.twin.defects import DEFECTS, select

NIGHTLY = str(Path(__file__).parents[2] / "testplans" / "nightly.plan.yaml")

RIPPLE = DEFECTS["regulator-too-eager"]
INTERMITTENT = DEFECTS["start-missed-1-in-50"]


def result(
    verdict: Verdict = Verdict.FAIL,
    reason: str = "",
    judged: Sequence[Judged] = (),
    item: str = "a",
) -> TaskResult:
    return TaskResult(Task("p", item), verdict, reason, tuple(judged), wall_seconds=0.5)


def judged(measure: str, verdict: Verdict = Verdict.FAIL, margin: float | None = -1.0) -> Judged:
    return Judged(measure, verdict, 5.0, margin, f"{measure} is out of its band")


def test_a_fail_of_what_the_defect_shows_is_a_catch() -> None:
    found = catch_of(RIPPLE, result(judged=[judged("dwell"), judged("ripple", margin=-2.5)]))
    assert found is not None
    assert (found.measure, found.margin) == ("ripple", -2.5)


def test_a_manoeuvre_that_says_so_is_a_catch() -> None:
    one = DEFECTS["lost-link-endured"]
    said = "firmware: step 6: expected fault link-lost within 0.1 s, found state run"
    found = catch_of(one, result(reason=said))
    assert found is not None
    assert (found.measure, found.margin, found.reason) == ("", None, said)


@pytest.mark.parametrize(
    "one",
    [
        result(judged=[judged("dwell")], reason="dwell is out of its band"),
        result(judged=[judged("ripple", Verdict.PASS, 1.0)]),
        result(Verdict.BENCH_FAULT, "ripple"),
        result(Verdict.UNDECIDED, judged=[judged("ripple", Verdict.UNDECIDED)]),
        result(Verdict.PASS),
    ],
    ids=["other reason", "band held", "bench-fault", "undecided", "pass"],
)
def test_anything_else_is_none(one: TaskResult) -> None:
    assert catch_of(RIPPLE, one) is None


def test_a_proof_keeps_catches_apart_from_other_fails() -> None:
    proof = Proof(RIPPLE, 10, 1.0)
    assert proof.caught is None
    proof.results = [
        result(Verdict.PASS, item="a"),
        result(judged=[judged("dwell")], reason="dwell", item="b"),
        result(judged=[judged("ripple")], item="c"),
        result(judged=[judged("ripple")], item="d"),
    ]
    assert proof.caught is not None
    assert [catch.item for catch in proof.catches] == ["c", "d"]
    assert [one.task.item for one in proof.otherwise] == ["b"]
    assert proof.seconds == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("scenario", "starts"),
    [
        ("scenario: start, speed: 1000 rpm, bands: {success: {exactly: 1}}", 1),
        (
            "scenario: start, speed: 900 rpm, matrix: {repeats: 7}, bands: {success: {exactly: 1}}",
            7,
        ),
        (
            "scenario: reversal, speed: 1000 rpm, entry-speed: 1000 rpm, "
            "bands: {success: {exactly: 1}}",
            2,
        ),
        (
            "scenario: stall, speed: 1000 rpm, brake-torque: 0.4 N*m, expect: trip, "
            "bands: {tripped: {exactly: 1}}",
            2,
        ),
        (
            "scenario: stall, speed: 1000 rpm, brake-torque: 0.4 N*m, expect: no-trip, "
            "bands: {tripped: {exactly: 0}}",
            1,
        ),
        (
            "scenario: steps, steps: [{start: 1000 rpm}, reverse, stop, {start: 900 rpm}], "
            "bands: {fault-count: {exactly: 0}}",
            3,
        ),
    ],
)
def test_starts_are_counted(
    planned: Callable[..., tuple[PlannedItem, ...]], scenario: str, starts: int
) -> None:
    (item,) = planned(f"  - {{id: s, {scenario}}}\n")
    assert starts_of(item) == starts


def test_the_likeliest_items_come_first_and_none_is_left_out() -> None:
    items = items_of(NIGHTLY)
    for one in DEFECTS.values():
        assert sorted(likeliest(one, items.values())) == sorted(items)
    first = likeliest(DEFECTS["under-voltage-not-noticed"], items.values())[0]
    assert first.startswith("under-voltage")
    one_way = likeliest(DEFECTS["reversal-to-clockwise-ignored"], items.values())[0]
    assert ".ccw" in one_way
    assert items[likeliest(INTERMITTENT, items.values())[0]].repeats > 1


class Bench:
    """Runs tasks without any bench: fails `caught`, passes all else."""

    def __init__(self, caught: dict[str, str], *, healthy: Verdict = Verdict.PASS) -> None:
        self.caught, self.healthy = caught, healthy
        self.rounds: list[list[Task]] = []

    def __call__(self, tasks: Sequence[Task]) -> Iterator[TaskResult]:
        self.rounds.append(list(tasks))
        for task in tasks:
            name = task.variation.name
            if name == "healthy":
                yield TaskResult(task, self.healthy, "as it is")
            elif self.caught.get(name) == task.item:
                measure = DEFECTS[name].measures[0]
                yield TaskResult(task, Verdict.FAIL, "", (judged(measure),))
            else:
                yield TaskResult(task, Verdict.PASS, "all held")


def items_named(*names: str) -> dict[str, PlannedItem]:
    known = items_of(NIGHTLY)
    return {name: known[name] for name in names or known}


def test_a_defect_is_left_alone_once_it_is_caught() -> None:
    items, one = items_named(), DEFECTS["stall-not-noticed"]
    first = likeliest(one, items.values())[0]
    bench = Bench({one.name: first})
    matrix = prove("p", "", items, [one], bench)
    assert [len(tasks) for tasks in bench.rounds] == [len(items), 3]
    assert matrix.escaped == []
    assert matrix.proofs[0].caught is not None
    assert matrix.proofs[0].caught.item == first


@pytest.mark.parametrize("whole", [False, True])
@pytest.mark.parametrize("after", [0, 5, 24, 26, 30, 60])
def test_of_an_interrupted_campaign_what_is_settled_is_kept(after: int, whole: bool) -> None:
    """A task after another, so that it ends anywhere: among the healthy, in a round, at its end."""
    items = dict(list(items_named().items())[:24])
    chosen = select(["stall-not-noticed", "fault-not-latched"])
    bench = Bench({"stall-not-noticed": likeliest(chosen[0], items.values())[0]})
    left = [after]

    def run(tasks: Sequence[Task]) -> Iterator[TaskResult]:
        for one in bench(tasks):
            if not left[0]:
                raise KeyboardInterrupt
            left[0] -= 1
            yield one

    matrix = prove("p", "", items, chosen, run, whole=whole)
    assert matrix.interrupted is (after < 72 if whole else after < 24 + 3 + 24)
    names = [proof.defect.name for proof in matrix.proofs]
    assert sorted([*names, *matrix.unsettled]) == sorted(one.name for one in chosen)
    for proof in matrix.proofs:
        assert len(proof.results) == 24 or (proof.caught is not None and not whole)
    if after == 30 and not whole:
        assert names == ["stall-not-noticed"]
    if after <= 24:
        assert names == []


def test_a_defect_that_nobody_catches_has_seen_every_item() -> None:
    items, one = items_named(), DEFECTS["stall-not-noticed"]
    matrix = prove("p", "", items, [one], Bench({}))
    assert matrix.escaped == matrix.proofs
    assert sorted(r.task.item for r in matrix.proofs[0].results) == sorted(items)


def test_the_whole_matrix_is_in_the_order_of_the_plan() -> None:
    items = items_named()
    chosen = select(["stall-not-noticed", "fault-not-latched"])
    bench = Bench({"stall-not-noticed": next(iter(items))})
    matrix = prove("p", "", items, chosen, bench, whole=True)
    assert len(bench.rounds) == 2
    for proof in matrix.proofs:
        assert [r.task.item for r in proof.results] == list(items)


def test_series_may_be_kept_for_intermittent_defects() -> None:
    items = items_named("start-series.hall", "stop.hall.cw")
    chosen = [INTERMITTENT, DEFECTS["stall-not-noticed"]]
    matrix = prove("p", "", items, chosen, Bench({}), whole=True, without_series=True)
    ran = {p.defect.name: [r.task.item for r in p.results] for p in matrix.proofs}
    assert ran[INTERMITTENT.name] == list(items)
    assert ran["stall-not-noticed"] == ["stop.hall.cw"]


def test_without_a_healthy_pass_nothing_is_proved() -> None:
    items = items_named("stiff.hall.1000rpm", "stop.hall.cw")
    bench = Bench({}, healthy=Verdict.UNDECIDED)
    matrix = prove("p", "", items, select(["stall-not-noticed"]), bench)
    assert [r.task.item for r in matrix.void] == list(items)
    assert matrix.proofs == []
    assert len(bench.rounds) == 1


def test_the_chance_is_stated_for_the_starts_planned() -> None:
    items = items_named("start-series.hall", "stop.hall.cw")
    matrix = prove("p", "", items, [INTERMITTENT], Bench({}))
    assert matrix.proofs[0].starts == 21
    assert matrix.proofs[0].chance == pytest.approx(1 - 0.98**21)


def test_what_is_going_on_is_told() -> None:
    told: list[str] = []
    items = items_named("stop.hall.cw")
    prove("p", "", items, select(["stall-not-noticed"]), Bench({}), tell=told.append)
    assert told[0] == "healthy firmware through 1 item"
    assert told[1].startswith("1 defect, up to ")


#: A handful of quick ones through the nightly plan; the whole matrix is a campaign of its own.
QUICK = {
    "start-kick-too-strong": "start.hall.cw.24v.1000rpm",
    "turns-the-wrong-way": "start.hall.ccw.24v.1000rpm",
    "runs-too-fast-counter-clockwise": "start.hall.ccw.24v.1000rpm",
    "stall-not-noticed": "stall.hall.1000rpm.400mnm",
    "over-current-trip-too-high": "over-current.hall",
    "clear-starts-the-motor": "blocked-twice.hall",
    "speed-not-checked": "power-up.20v",
    "telemetry-sequence-stands-still": "sweep.hall.cw",
    "commutation-a-little-late-reverse": "sweep.hall.ccw",
    "reported-speed-2-percent-high": "sweep.hall.cw",
}


@pytest.mark.parametrize("name", QUICK)
def test_the_nightly_plan_catches_it(name: str) -> None:
    one = DEFECTS[name]
    healthy = run_task(Task(NIGHTLY, QUICK[name]))
    assert healthy.verdict is Verdict.PASS, healthy.reason
    found = run_task(Task(NIGHTLY, QUICK[name], variation=one.variation))
    assert catch_of(one, found) is not None, found.reason


def test_a_defect_in_one_direction_passes_in_the_other() -> None:
    one = DEFECTS["commutation-a-little-late-reverse"]
    found = run_task(Task(NIGHTLY, "sweep.hall.cw", variation=one.variation))
    assert found.verdict is Verdict.PASS, found.reason


if "HIL_ALL_DEFECTS" in os.environ:  # minutes long: asked for, never skipped over

    def test_the_nightly_plan_catches_every_defect() -> None:
        from hil.scenarios.campaign import run_campaign

        matrix = prove(NIGHTLY, "", items_of(NIGHTLY), DEFECTS.values(), run_campaign)
        assert not matrix.void
        assert [proof.defect.name for proof in matrix.escaped] == []
