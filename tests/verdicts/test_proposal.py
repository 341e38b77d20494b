from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.band import Band, Rule
from hil.core.measure import Measure, Outcome
from hil.core.verdict import Verdict
from hil.verdicts.baseline import Baseline, Found
from hil.verdicts.decide import judge
from hil.verdicts.proposal import FEWEST, Wish, hindsight, propose, widest
from hil.verdicts.tolerance import one_sided_factor, two_sided_factor

UPPER = Band("overshoot", None, 20.0, "%", Rule.SIMPLE)
BOTH = Band("overshoot", 0.0, 20.0, "%", Rule.SIMPLE)
LOWER = Band("overshoot", 1.0, None, "%", Rule.SIMPLE)
EXACT = Wish(share=0.0)


def baseline(values, uncertainty=0.0, resolution=0.0, verdict=Verdict.PASS, runs=4):
    base = Baseline("start", "overshoot", "%")
    for index, value in enumerate(values):
        measure = Measure("overshoot", "%", float(value), uncertainty, resolution)
        base.found.append(Found(f"run-{index % runs}", measure, verdict))
    return base


NORMAL = np.random.default_rng(6).normal(10.0, 1.0, 30)


def test_an_upper_limit_is_the_one_sided_tolerance_limit():
    found = propose(baseline(NORMAL), UPPER, EXACT)
    limit = NORMAL.mean() + one_sided_factor(30, 0.99, 0.95) * NORMAL.std(ddof=1)
    assert found.band.low is None
    assert limit <= found.band.high <= limit + 0.1 * (limit - NORMAL.mean()) + 1e-9
    assert found.method.startswith("normal, k = ")
    assert (found.sample.count, found.remarks) == (30, ())


def test_two_limits_are_the_two_sided_interval():
    found = propose(baseline(NORMAL), BOTH, EXACT).band
    reach = two_sided_factor(30, 0.99, 0.95) * NORMAL.std(ddof=1)
    assert found.high >= NORMAL.mean() + reach - 1e-9
    assert found.low <= NORMAL.mean() - reach + 1e-9
    assert found.high - found.low <= 2.2 * reach + 1e-9


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_band_about_zero_stays_one(sign):
    about = Band("overshoot", -20.0, 20.0, "%", Rule.SIMPLE)
    found = propose(baseline(sign * NORMAL), about, EXACT)
    far = max(found.band.high, -found.band.low)
    assert (found.band.low, found.band.high) == (-far, far)
    assert any("one side of zero" in remark for remark in found.remarks)
    narrow = Band("overshoot", *sorted((-sign * 2.0, sign * 20.0)), "%", Rule.SIMPLE)
    kept = propose(baseline(sign * NORMAL), narrow, EXACT).band
    assert -sign * 2.0 in {kept.low, kept.high}
    astride = propose(baseline(NORMAL - 10.0), about, EXACT)
    assert astride.band.low < 0.0 < astride.band.high
    assert not astride.remarks


def test_rule_and_requirement_stay():
    band = Band("overshoot", 1.0, None, "%", Rule.GUARDED, "REQ-1")
    found = propose(baseline(NORMAL), band, EXACT).band
    assert (found.rule, found.requirement, found.high) == (Rule.GUARDED, "REQ-1", None)


def test_a_guarded_limit_leaves_room_for_the_guard():
    plain = propose(baseline(NORMAL, 0.5), UPPER, EXACT).band
    guarded = propose(
        baseline(NORMAL, 0.5), Band("overshoot", None, 20.0, "%", Rule.GUARDED), EXACT
    )
    assert guarded.band.high >= plain.high + 0.5
    worst = Measure("overshoot", "%", float(NORMAL.max()), 0.5)
    assert judge(guarded.band, worst).verdict is Verdict.PASS


def test_the_room_beside_the_mean_is_kept():
    quiet = [10.0, 10.001, 9.999, 10.0, 10.002, 9.998]
    assert propose(baseline(quiet), UPPER, Wish(share=0.2)).band.high >= 12.0
    rooms = Wish(share=0.2, rooms={"overshoot": 0.5})
    assert 10.5 <= propose(baseline(quiet), UPPER, rooms).band.high <= 10.56
    lower = propose(baseline(quiet), LOWER, rooms).band
    assert 9.44 <= lower.low <= 9.5


@pytest.mark.parametrize("current", [UPPER, BOTH, LOWER], ids=["upper", "both", "lower"])
@pytest.mark.parametrize(("uncertainty", "resolution"), [(0.0, 0.0), (0.3, 0.0), (0.0, 0.5)])
def test_a_proposed_band_can_be_judged(current, uncertainty, resolution):
    values = [4.0, 4.0, 4.0, 4.01, 4.0, 3.99]
    base = baseline(values, uncertainty, resolution)
    band = propose(base, current, EXACT).band
    assert hindsight(band, base).counts == {Verdict.PASS: 6}


def test_a_lower_limit_that_nothing_could_judge_is_not_proposed():
    found = propose(baseline([1.0, 1.0, 1.0, 1.01, 1.0], resolution=0.5), LOWER, EXACT)
    assert found.band is None
    assert "too fine to judge" in found.remarks[0]


def test_a_limit_near_zero_is_moved_out_until_it_can_be_judged():
    base = baseline([0.01, 0.0, 0.02, 0.0, 0.01], uncertainty=0.1, resolution=0.05)
    assert propose(base, UPPER, EXACT).band.high >= 0.4
    assert propose(base, LOWER, EXACT).band.low <= -0.4


def test_values_that_are_not_normal_take_distribution_free_limits():
    values = np.random.default_rng(3).exponential(size=400)
    found = propose(baseline(values), UPPER, EXACT)
    assert found.method.startswith("distribution-free")
    assert found.band.high >= np.sort(values)[-3]


def test_too_few_values_that_are_not_normal_are_said_to_be():
    values = np.random.default_rng(3).exponential(size=40)
    found = propose(baseline(values), UPPER, EXACT)
    assert found.method.startswith("normal")
    assert "do not look normal" in found.remarks[0]
    assert "takes 299 values" in found.remarks[0]


def test_equal_values_need_room():
    base = baseline([5.0] * 10)
    assert propose(base, UPPER, EXACT).band.high == 5.0
    assert propose(base, UPPER, Wish(share=0.1)).band.high == 5.5


@pytest.mark.parametrize(
    "band", [Band("overshoot", 0.0, 0.0, "%"), Band("overshoot", None, 2.0, "1")]
)
def test_exact_values_and_counts_are_not_for_data(band):
    base = Baseline("start", "overshoot", band.unit)
    found = propose(base, band, EXACT)
    assert found.band is None
    assert "not for data" in found.remarks[0]


def test_few_values_give_no_band():
    found = propose(baseline(NORMAL[: FEWEST - 1]), UPPER, EXACT)
    assert (found.band, found.remarks) == (None, ("4 values, of which it takes 5",))
    assert propose(baseline(NORMAL[:FEWEST]), UPPER, EXACT).band is not None


def test_what_the_reader_must_know_is_said():
    base = baseline([*NORMAL, 60.0], runs=1, verdict=Verdict.FAIL)
    base.found.append(
        Found("run-0", Measure.absent("overshoot", "%", Outcome.NEVER_REACHED, ""), Verdict.FAIL)
    )
    remarks = " | ".join(propose(base, UPPER, EXACT).remarks)
    for words in (
        "from one run", "1 times without a value", "31 of the values are from items that failed",
        "far from the rest: 60 (kept)",
    ):  # fmt: skip
        assert words in remarks


def test_a_band_of_something_else():
    with pytest.raises(ValueError, match="does not fit"):
        propose(baseline(NORMAL), Band("ripple", None, 1.0, "%"), EXACT)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.floats(1.0, 1000.0), min_size=FEWEST, max_size=30),
    st.sampled_from([UPPER, BOTH, LOWER]),
    st.floats(0.0, 0.3),
)
def test_every_proposal_holds_the_values_it_promises_room_for(values, current, share):
    found = propose(baseline(values), current, Wish(share=share)).band
    mean = float(np.mean(values))
    if found.high is not None:
        assert found.high >= mean * (1.0 + share) - 1e-9 * mean
    if found.low is not None:
        assert found.low <= mean * (1.0 - share) + 1e-9 * mean
    assert (found.low is None) is (current.low is None)
    assert (found.high is None) is (current.high is None)


@settings(deadline=None, max_examples=40)
@given(st.lists(st.floats(1.0, 1000.0), min_size=FEWEST, max_size=30))
def test_larger_claims_never_narrow_a_band(values):
    limits = [
        propose(baseline(values), UPPER, Wish(coverage, 0.95, 0.0)).band.high
        for coverage in (0.9, 0.95, 0.99)
    ]
    assert limits == sorted(limits)


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.integers(-50, 50), min_size=FEWEST, max_size=30).filter(lambda v: len(set(v)) > 2),
    st.sampled_from([0.1, 10.0, 1000.0]),
)
def test_powers_of_ten_scale_a_band(values, scale):
    before = propose(baseline(values), BOTH, EXACT)
    after = propose(baseline([scale * value for value in values]), BOTH, EXACT)
    assert after.band.high == pytest.approx(scale * before.band.high, rel=1e-6, abs=1e-9 * scale)
    assert after.band.low == pytest.approx(scale * before.band.low, rel=1e-6, abs=1e-9 * scale)


def test_proposed_bands_hold_new_results_as_promised():
    rng = np.random.default_rng(12)
    kept, runs = 0, 400
    for _ in range(runs):
        band = propose(baseline(rng.normal(10.0, 1.0, 12)), UPPER, Wish(0.95, 0.90, 0.0)).band
        coverage = 0.5 * math.erfc(-(band.high - 10.0) / math.sqrt(2.0))
        kept += coverage >= 0.95
    # Rounding outwards only adds to it.
    assert kept / runs >= 0.90 - 4 * math.sqrt(0.09 / runs)


def test_the_widest_of_several():
    bands = [Band("x", 1.0, 5.0, "V"), Band("x", 2.0, 9.0, "V"), Band("x", 0.5, 3.0, "V")]
    assert (widest(bands).low, widest(bands).high) == (0.5, 9.0)
    one_sided = [Band("x", None, 5.0, "V"), Band("x", None, 9.0, "V")]
    assert (widest(one_sided).low, widest(one_sided).high) == (None, 9.0)
    for wrong in ([], [bands[0], one_sided[0]], [bands[0], Band("y", 1.0, 5.0, "V")]):
        with pytest.raises(ValueError, match="one measure, unit and side"):
            widest(wrong)


def test_hindsight_counts_what_a_band_would_have_done():
    base = baseline([5.0, 15.0, 25.0, 5.0, 26.0])
    base.found.append(
        Found("run-9", Measure.absent("overshoot", "%", Outcome.MISSING_DATA, ""), Verdict.FAIL)
    )
    base.found.append(
        Found("run-8", Measure.absent("overshoot", "%", Outcome.NOT_APPLICABLE, ""), Verdict.PASS)
    )
    found = hindsight(UPPER, base)
    assert found.counts == {
        Verdict.PASS: 3, Verdict.FAIL: 2, Verdict.UNDECIDED: 1, Verdict.NOT_RUN: 1,
    }  # fmt: skip
    assert found.not_passed == ("run-2", "run-0", "run-9")
    assert str(found) == "3 pass, 2 fail, 1 undecided, 1 not-run"


@pytest.mark.parametrize(
    "wrong", [{"coverage": 1.0}, {"confidence": 0.0}, {"share": -0.1}, {"rooms": {"x": math.nan}}]
)
def test_no_such_wish(wrong):
    with pytest.raises(ValueError, match=r"coverage|room"):
        Wish(**wrong)
