"""Requirements held against evidence: what fails, what is missing, what is not enough."""

from __future__ import annotations

import pytest

from hil.core.verdict import Verdict
from hil.report.dossier.assess import Status, margin_share
from hil.report.items import Standing
from hil.verdicts.samples import lower_bound

ONE = "  - {id: R-1, text: It starts.}\n"
PASS, FAIL, UNDECIDED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED


def only(release):
    (one,) = release.assessments
    return one


# -- where evidence comes from -----------------------------------------------------------------


def test_an_item_that_names_the_requirement_covers_it(lab) -> None:
    release = lab.release(lab.requirements(ONE), lab.run("a", lab.item("x", lab.judged(),
                          marks=["R-1"])))  # fmt: skip
    one = only(release)
    assert one.status is Status.COVERED
    assert one.reasons == ("1 item, every judgement holds",)
    assert not one.simulated


def test_a_band_that_names_a_requirement_is_evidence_for_that_one_alone(lab) -> None:
    text = ONE + "  - {id: R-2, text: It is quick.}\n  - {id: R-3, text: It is both.}\n"
    bands = lab.judged("a", FAIL, "R-2"), lab.judged("b", PASS, "R-1"), lab.judged("c")
    run = lab.run("a", lab.item("x", *bands, marks=["R-1", "R-2", "R-3"]))
    found = lab.release(lab.requirements(text), run).assessments
    assert [one.status for one in found] == [Status.COVERED, Status.FAILED, Status.COVERED]
    measures = [[j.band.measure for j in one.pieces[0].judgements] for one in found]
    assert measures == [["b", "c"], ["a", "c"], ["c"]]


def test_a_band_without_a_mark_fails_every_requirement_of_its_item(lab) -> None:
    text = ONE + "  - {id: R-2, text: It is quick.}\n"
    bands = lab.judged("a", PASS, "R-2"), lab.judged("c", FAIL)
    run = lab.run("a", lab.item("x", *bands, marks=["R-1", "R-2"]))
    found = lab.release(lab.requirements(text), run).assessments
    assert {one.status for one in found} == {Status.FAILED}


@pytest.mark.parametrize("verdict", [FAIL, Verdict.BENCH_FAULT])
def test_a_verdict_that_no_band_explains_counts_for_every_requirement(lab, verdict) -> None:
    entry = lab.item("x", lab.judged(), marks=["R-1"], verdict=verdict, reason="it crashed")
    one = only(lab.release(lab.requirements(ONE), lab.run("a", entry)))
    assert one.status is (Status.FAILED if verdict is FAIL else Status.UNDECIDED)
    assert "it crashed" in one.reasons[0]


def test_items_by_pattern_as_a_whole(lab) -> None:
    text = ONE.replace("}", ", verified-by: [{items: 'start.*'}]}")
    run = lab.run("a", lab.item("start.cw", lab.judged()), lab.item("stall", lab.judged("t", FAIL)))
    one = only(lab.release(lab.requirements(text), run))
    assert one.status is Status.COVERED
    assert [piece.item.item for piece in one.pieces] == ["start.cw"]


def test_measures_of_items_and_nothing_else_of_them(lab) -> None:
    text = ONE.replace("}", ", verified-by: [{items: 'start.*', measures: [peak]}]}")
    entry = lab.item("start.cw", lab.judged("peak"), lab.judged("kick", FAIL))
    one = only(lab.release(lab.requirements(text), lab.run("a", entry)))
    assert one.status is Status.COVERED
    entry = lab.item("start.cw", lab.judged("peak", FAIL), lab.judged("kick"))
    assert only(lab.release(lab.requirements(text), lab.run("b", entry))).status is Status.FAILED


def test_a_measure_that_no_item_judges_leaves_a_gap(lab) -> None:
    text = ONE.replace("}", ", verified-by: [{items: '*', measures: [peak, dip]}]}")
    run = lab.run("a", lab.item("x", lab.judged("peak")), lab.item("y", lab.judged("kick")))
    one = only(lab.release(lab.requirements(text), run))
    assert one.status is Status.NOT_COVERED
    assert one.reasons == ("no judgement of measure dip of items *, measures peak, dip",)


def test_every_source_must_give_something(lab) -> None:
    text = ONE.replace("}", ", verified-by: [{items: x}, {items: y}, {items: x, plan: smoke}]}")
    run = lab.run("a", lab.item("x", lab.judged()))
    one = only(lab.release(lab.requirements(text), run))
    assert one.status is Status.NOT_COVERED
    assert one.reasons == (
        "items y: no such item in these runs",
        "items x, of plan smoke: no such item in these runs",
    )


# -- attempts ----------------------------------------------------------------------------------


def test_a_later_pass_does_not_take_a_fail_away(lab) -> None:
    bad = lab.item("x", lab.judged("t", FAIL), marks=["R-1"])
    good = lab.item("x", lab.judged(), marks=["R-1"])
    runs = lab.run("a", bad, good), lab.run("b", good)
    one = only(lab.release(lab.requirements(ONE), *runs))
    assert one.status is Status.FAILED
    assert len(one.pieces) == 3
    assert one.reasons == ("x in run a: fail: t 4 s is outside its band",)


@pytest.mark.parametrize("silent", [Verdict.BENCH_FAULT, Verdict.NOT_RUN])
def test_an_attempt_that_says_nothing_is_made_up_for(lab, silent) -> None:
    lost = lab.item("x", marks=["R-1"], verdict=silent)
    good = lab.item("x", lab.judged(), marks=["R-1"])
    alone = lab.run("a", lost)
    one = only(lab.release(lab.requirements(ONE), alone))
    nothing = Status.UNDECIDED if silent is Verdict.BENCH_FAULT else Status.NOT_COVERED
    assert one.status is nothing
    one = only(lab.release(lab.requirements(ONE), alone, lab.run("b", good)))
    assert one.status is Status.COVERED
    assert [piece.made_up for piece in one.pieces] == [True, False]


def test_an_interrupted_item_is_known_by_its_other_attempts(lab) -> None:
    good = lab.item("x", lab.judged(), marks=["R-1"])
    killed = lab.run("a", good, "x", ended=False)
    one = only(lab.release(lab.requirements(ONE), killed))
    assert [piece.standing for piece in one.pieces] == [Standing.PASS, Standing.INTERRUPTED]
    assert one.status is Status.COVERED


def test_an_undecided_attempt_is_not_made_up_for(lab) -> None:
    open_one = lab.item("x", lab.judged("t", UNDECIDED), marks=["R-1"])
    good = lab.item("x", lab.judged(), marks=["R-1"])
    one = only(lab.release(lab.requirements(ONE), lab.run("a", open_one, good)))
    assert one.status is Status.UNDECIDED
    assert one.reasons == ("x in run a: undecided: t: missing data",)


# -- simulated and bench -----------------------------------------------------------------------


def test_simulated_evidence_is_set_aside_where_the_bench_is_asked_for(lab) -> None:
    run = lab.run("a", lab.item("x", lab.judged(), marks=["R-1"]), simulated=True)
    one = only(lab.release(lab.requirements(ONE), run))
    assert one.status is Status.NOT_COVERED
    assert "only simulated evidence (1 result set aside)" in one.reasons[0]
    assert [piece.item.item for piece in one.set_aside] == ["x"]
    assert one.pieces == ()


@pytest.mark.parametrize("where", ["file", "requirement"])
def test_simulated_evidence_is_enough_where_the_file_says_so(lab, where) -> None:
    run = lab.run("a", lab.item("x", lab.judged(), marks=["R-1"]), simulated=True)
    text, head = ONE, ""
    if where == "file":
        head = "evidence: simulated-is-enough"
    else:
        text = ONE.replace("}", ", evidence: simulated-is-enough}")
    release = lab.release(lab.requirements(text, head), run)
    assert only(release).status is Status.COVERED
    assert only(release).simulated
    assert release.simulated
    assert "qualified on SIMULATED evidence" in release.summary


def test_a_requirement_may_ask_for_the_bench_where_the_file_does_not(lab) -> None:
    text = ONE.replace("}", ", evidence: bench}")
    run = lab.run("a", lab.item("x", lab.judged(), marks=["R-1"]), simulated=True)
    head = "evidence: simulated-is-enough"
    assert only(lab.release(lab.requirements(text, head), run)).status is Status.NOT_COVERED


# -- samples -----------------------------------------------------------------------------------


def sampled(lab, claim: str, *runs):
    text = ONE.replace("}", f", sample: {claim}}}")
    return only(lab.release(lab.requirements(text, "evidence: simulated-is-enough"), *runs))


def series(lab, wins, verdict=PASS, **more):
    return lab.item("x", lab.judged("rate", verdict, repeat=0), marks=["R-1"], wins=wins, **more)


@pytest.mark.parametrize(
    ("trials", "rate", "confidence"),
    # T24: ceil(ln(1-C)/ln R), the zero-failure binomial plan, recomputed: 22, 29, 59, 299
    [(22, 90, 90), (29, 90, 95), (59, 95, 95), (299, 99, 95)],
)
def test_the_smallest_sample_without_a_failure_is_just_enough(
    lab, trials: int, rate: int, confidence: int
) -> None:
    claim = f"{{at-least: {rate} %, confidence: {confidence} %}}"
    one = sampled(lab, claim, lab.run("a", series(lab, [True] * trials)))
    assert one.status is Status.COVERED
    assert one.samples[0].low == pytest.approx(
        100.0 * (1.0 - confidence / 100.0) ** (1.0 / trials), abs=1e-9
    )
    one = sampled(lab, claim, lab.run("b", series(lab, [True] * (trials - 1))))
    assert one.status is Status.UNDECIDED
    assert f"{trials - 1} of {trials - 1} trials succeeded" in one.reasons[0]


def test_the_bound_with_failures_is_the_published_one(lab) -> None:
    # T22 (Clopper-Pearson, scipy binomtest): 9 of 10 has the two-sided 95 % bound .554984, which
    # is the one-sided bound at 97.5 %
    wins = [True] * 9 + [False]
    one = sampled(lab, "{at-least: 50 %, confidence: 97.5 %}", lab.run("a", series(lab, wins)))
    assert one.samples[0].low == pytest.approx(55.4984, abs=1e-4)
    assert one.status is Status.COVERED


def test_a_claim_that_the_sample_rules_out_is_failed(lab) -> None:
    wins = [True] * 5 + [False] * 5
    one = sampled(lab, "{at-least: 95 %}", lab.run("a", series(lab, wins)))
    assert one.status is Status.FAILED
    assert "5 of 10 trials succeeded" in one.reasons[0]


def test_trials_of_several_items_and_runs_are_one_sample(lab) -> None:
    runs = [lab.run(name, series(lab, [True] * 20)) for name in "abc"]
    one = sampled(lab, "{size: 60, at-least: 95 %}", *runs)
    assert one.samples[0].trials == 60
    assert one.samples[0].boards == "1 board (S-7)"
    assert one.status is Status.COVERED
    assert sampled(lab, "{size: 61}", *runs).status is Status.UNDECIDED


def test_what_was_sampled_is_said(lab) -> None:
    runs = lab.run("a", series(lab, [True] * 3)), lab.run("b", series(lab, [True]), serial="S-8")
    assert "4 of 4 trials succeeded on 2 boards (S-7, S-8)" in (
        sampled(lab, "{size: 4}", *runs).samples[0].shown
    )


def test_a_trial_without_data_neither_succeeded_nor_failed(lab) -> None:
    one = sampled(lab, "{size: 3}", lab.run("a", series(lab, [True, None, True])))
    (sample,) = one.samples
    assert (sample.successes, sample.failures, sample.undecided, sample.trials) == (2, 0, 1, 3)
    assert one.status is Status.UNDECIDED  # two trials were decided, and three are claimed
    assert one.reasons[0].startswith("2 succeeded, 0 failed, 1 undecided of 3 trials on 1 board")


def blurred(lab, won: int, lost: int, blurry: int):
    """A series whose `success` has a value each time, and a band that cannot always judge."""
    verdicts = [PASS] * (won + lost) + [UNDECIDED] * blurry
    bands = [lab.judged("t", verdict, repeat=n) for n, verdict in enumerate(verdicts, 1)]
    wins = [True] * won + [False] * lost + [True] * blurry
    return lab.item("x", *bands, marks=["R-1"], wins=wins)


def test_undecided_trials_are_no_failures(lab) -> None:
    claim = "{size: 120, at-least: 97 %, confidence: 95 %}"
    one = sampled(lab, claim, lab.run("a", blurred(lab, 27, 0, 93)))
    assert one.status is Status.UNDECIDED
    assert one.reasons[0].startswith("27 succeeded, 0 failed, 93 undecided of 120 trials")
    assert one.samples[0].verdict is UNDECIDED
    assert one.samples[0].low == pytest.approx(
        100.0 * lower_bound(27, 120, 0.95)
    )  # shown is only what the successes show


@pytest.mark.parametrize(
    ("won", "lost", "blurry", "verdict"),
    [
        # upper bound at 95 % of 110 of 120, as if every undecided trial had succeeded: 95.41 %
        (27, 10, 83, FAIL),
        # of 114 of 120: 97.80 %, the 97 % may still be true
        (27, 6, 87, UNDECIDED),
        # lower bound of 118 of 120, as if the undecided one had failed: 96.11 %
        (119, 0, 1, UNDECIDED),
        (400, 0, 1, PASS),
    ],
)
def test_a_share_is_ruled_out_by_failures_alone_and_shown_by_successes_alone(
    lab, won: int, lost: int, blurry: int, verdict: Verdict
) -> None:
    claim = "{at-least: 97 %, confidence: 95 %}"
    one = sampled(lab, claim, lab.run("a", blurred(lab, won, lost, blurry)))
    assert one.samples[0].verdict is verdict
    failed = verdict is FAIL
    assert one.status is (Status.FAILED if failed else Status.UNDECIDED)


def test_undecided_trials_do_not_make_up_the_size_of_a_sample(lab) -> None:
    one = sampled(lab, "{size: 400, at-least: 97 %}", lab.run("a", blurred(lab, 399, 0, 1)))
    assert one.samples[0].verdict is UNDECIDED
    assert "claimed: 400 trials, at least 97 % with 95 % confidence" in one.samples[0].shown


def test_a_trial_that_two_sources_judge_is_counted_at_its_worst(lab) -> None:
    sources = "[{items: x, measures: [t]}, {items: x, measures: [u]}]"
    text = ONE.replace("}", f", verified-by: {sources}, sample: {{size: 3}}}}")
    bands = [
        lab.judged(name, verdict, repeat=n)
        for name, verdicts in (("t", [PASS, UNDECIDED, FAIL]), ("u", [UNDECIDED, PASS, PASS]))
        for n, verdict in enumerate(verdicts, 1)
    ]
    one = only(lab.release(lab.requirements(text), lab.run("a", lab.item("x", *bands))))
    (sample,) = one.samples
    assert (sample.successes, sample.failures, sample.undecided, sample.trials) == (0, 1, 2, 3)


def test_trials_before_a_bench_fault_count_too(lab) -> None:
    broken = series(lab, [True, False], verdict=PASS)
    from dataclasses import replace

    runs = (
        lab.run("a", replace(broken, verdict=Verdict.BENCH_FAULT)),
        lab.run("b", series(lab, [True] * 8)),
    )
    one = sampled(lab, "{size: 10}", *runs)
    assert (one.samples[0].successes, one.samples[0].trials) == (9, 10)


def test_without_the_measure_each_judged_repetition_is_a_trial(lab) -> None:
    bands = [lab.judged("t", FAIL if n == 2 else PASS, repeat=n) for n in (1, 2, 3)]
    bands.append(lab.judged("dip", repeat=1))
    one = sampled(lab, "{size: 3}", lab.run("a", lab.item("x", *bands, marks=["R-1"])))
    assert (one.samples[0].successes, one.samples[0].trials) == (2, 3)
    assert one.status is Status.FAILED


def test_bench_and_simulated_trials_are_never_added_up(lab) -> None:
    runs = (
        lab.run("a", series(lab, [True] * 40)),
        lab.run("b", series(lab, [True] * 40), simulated=True),
    )
    one = sampled(lab, "{size: 59, at-least: 95 %}", *runs)
    assert [(s.evidence, s.trials) for s in one.samples] == [("bench", 40), ("simulated", 40)]
    assert one.status is Status.UNDECIDED


def test_an_attempt_that_two_sources_find_is_one_sample(lab) -> None:
    text = ONE.replace("}", ", verified-by: [{items: x}, {items: '*'}], sample: {size: 20}}")
    run = lab.run("a", series(lab, [True] * 10))
    one = only(lab.release(lab.requirements(text), run))
    assert one.samples[0].trials == 10
    assert one.status is Status.UNDECIDED


def test_a_series_that_ended_when_it_had_decided_is_told(lab) -> None:
    entry = series(lab, [True] * 30, conditions={"repeats": "until decided, at most 90"})
    one = sampled(lab, "{size: 30}", lab.run("a", entry))
    assert "no fixed sample: the bound is rough" in one.samples[0].shown


# -- runs in doubt -----------------------------------------------------------------------------


def test_a_run_in_doubt_fails_and_does_not_cover(lab) -> None:
    good = lab.run("a", lab.item("x", lab.judged(), marks=["R-1"]), due={"supply": ""})
    one = only(lab.release(lab.requirements(ONE), good))
    assert one.status is Status.UNDECIDED
    assert one.reasons == ("run a: calibration of the supply: due date unknown",)
    bad = lab.run("b", lab.item("x", lab.judged("t", FAIL), marks=["R-1"]), due={"supply": ""})
    assert only(lab.release(lab.requirements(ONE), bad)).status is Status.FAILED


# -- nearest to a limit ------------------------------------------------------------------------


def test_the_judgement_nearest_to_its_limit_is_named(lab) -> None:
    from dataclasses import replace

    near = replace(lab.judged("near", high=2.0), margin=0.1)
    far = replace(lab.judged("far", low=0.0, high=4.0), margin=1.0)
    one = only(
        lab.release(lab.requirements(ONE), lab.run("a", lab.item("x", far, near, marks=["R-1"])))
    )
    assert one.nearest is not None
    assert one.nearest[0].band.measure == "near"
    assert one.nearest[1] == pytest.approx(5.0)
    assert margin_share(far) == pytest.approx(25.0)  # of the span


def test_a_margin_without_a_proportion(lab) -> None:
    from dataclasses import replace

    assert margin_share(replace(lab.judged(low=1.0, high=1.0), margin=0.0)) is None
    assert margin_share(replace(lab.judged(), margin=None)) is None
    assert margin_share(replace(lab.judged(low=0.0), margin=1.0)) is None
