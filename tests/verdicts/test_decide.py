"""Verdicts of single measures: the rules, their edges, and the sentences."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from hil.core.band import Band, Rule
from hil.core.measure import Measure, Outcome
from hil.core.verdict import Verdict
from hil.verdicts.decide import judge, margin, span


def measured(value, uncertainty=0.0, resolution=0.0, unit="%"):
    return Measure("overshoot", unit, value, uncertainty, resolution)


def band(low=None, high=None, rule=Rule.SIMPLE, unit="%"):
    return Band("overshoot", low, high, unit, rule)


numbers = st.floats(-1e4, 1e4)
uncertainties = st.floats(0, 100)


def test_limits_are_inclusive():
    assert judge(band(high=20.0), measured(20.0)).verdict is Verdict.PASS
    assert judge(band(high=20.0), measured(math.nextafter(20.0, 21.0))).verdict is Verdict.FAIL
    assert judge(band(low=20.0), measured(20.0)).verdict is Verdict.PASS
    assert judge(band(low=20.0), measured(math.nextafter(20.0, 19.0))).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (11.9, Verdict.FAIL),
        (12.0, Verdict.UNDECIDED),
        (12.9, Verdict.UNDECIDED),
        (13.0, Verdict.UNDECIDED),
        (14.0, Verdict.PASS),
        (18.0, Verdict.PASS),
        (19.5, Verdict.UNDECIDED),
        (20.0, Verdict.UNDECIDED),
        (21.0, Verdict.UNDECIDED),
        (21.1, Verdict.FAIL),
    ],
)
def test_three_zones_of_the_guarded_rule(value, verdict):
    # ISO 14253-1 (secondary pages agree on the zones): limits 13 and 20, U = 1.
    found = judge(band(13.0, 20.0, Rule.GUARDED), measured(value, 0.5))
    assert found.verdict is verdict


def test_conformance_of_the_published_example():
    # JCGM 106:2012, clause 7, motor oil: y 13.6, u 1.8, 12.5..16.3 (computed, place from memory).
    found = judge(band(12.5, 16.3), measured(13.6, 1.8))
    assert found.conformance == pytest.approx(0.66263, abs=1e-5)
    # Its band is too narrow for such an instrument: C_m = 3.8/7.2 < 1.
    assert found.verdict is Verdict.UNDECIDED


def test_guarded_acceptance_at_the_limit_of_the_guard_band():
    # JCGM 106:2012, 8.3: at T_U - U the conformance probability is Phi(2) = 0.97725.
    found = judge(band(high=20.0, rule=Rule.GUARDED), measured(19.0, 0.5))
    assert found.verdict is Verdict.PASS
    assert found.conformance == pytest.approx(0.977250, abs=1e-6)


def test_band_finer_than_the_resolution():
    limit = band(high=0.010, unit="%")
    assert judge(limit, measured(0.007, 0.0, 0.005)).verdict is Verdict.UNDECIDED
    assert judge(limit, measured(0.012, 0.0, 0.005)).verdict is Verdict.UNDECIDED
    # Fifty times the limit is a fail however coarse the data.
    assert judge(limit, measured(0.5, 0.0, 0.005)).verdict is Verdict.FAIL
    # At exactly three resolutions the data is good enough.
    assert judge(band(high=0.015), measured(0.007, 0.0, 0.005)).verdict is Verdict.PASS


def test_width_counts_for_two_limits():
    assert judge(band(100.0, 101.0), measured(100.5, 0.0, 0.5)).verdict is Verdict.UNDECIDED
    assert judge(band(100.0, 102.0), measured(100.5, 0.0, 0.5)).verdict is Verdict.PASS


def test_counts_are_exact():
    assert judge(band(high=0.0, unit="1"), measured(0.0, unit="1")).verdict is Verdict.PASS
    assert judge(band(1.0, 1.0, unit="1"), measured(1.0, unit="1")).verdict is Verdict.PASS
    assert judge(band(1.0, 1.0, unit="1"), measured(0.0, unit="1")).verdict is Verdict.FAIL


@pytest.mark.parametrize("outcome", [Outcome.MISSING_DATA, Outcome.TOO_FEW_SAMPLES])
@pytest.mark.parametrize("limits", [(None, 1.0), (0.0, None), (0.0, 1.0)], ids=str)
def test_missing_data_is_undecided(outcome, limits):
    found = judge(band(*limits), Measure.absent("overshoot", "%", outcome, "a gap of 0.3 s"))
    assert found.verdict is Verdict.UNDECIDED
    assert found.margin is None
    assert found.conformance is None
    assert "a gap of 0.3 s" in found.reason


@pytest.mark.parametrize(
    ("limits", "verdict"),
    [
        ((None, 1.0), Verdict.FAIL),
        ((0.5, 1.0), Verdict.FAIL),
        ((0.5, None), Verdict.UNDECIDED),
    ],
    ids=str,
)
def test_never_reached(limits, verdict):
    absent = Measure.absent("overshoot", "%", Outcome.NEVER_REACHED, "stayed below 1900 rpm")
    assert judge(band(*limits), absent).verdict is verdict


def test_not_applicable_is_not_run():
    absent = Measure.absent("overshoot", "%", Outcome.NOT_APPLICABLE, "a Hall start has no ramp")
    found = judge(band(high=1.0), absent)
    assert found.verdict is Verdict.NOT_RUN
    assert found.reason == "overshoot: not judged: a Hall start has no ramp"


@pytest.mark.parametrize("outcome", [o for o in Outcome if o is not Outcome.VALUE])
@pytest.mark.parametrize("rule", list(Rule))
def test_nothing_without_a_value_passes(outcome, rule):
    for limits in ((None, 1.0), (0.0, None), (0.0, 1.0)):
        found = judge(band(*limits, rule), Measure.absent("overshoot", "%", outcome, ""))
        assert found.verdict is not Verdict.PASS


@pytest.mark.parametrize(
    ("limits", "value", "reason"),
    [
        (
            band(high=20.0),
            measured(12.34, 0.3),
            "overshoot 12.34 % ± 0.6 % (k=2) is inside its band (at most 20 %), 7.66 % to spare "
            "(simple rule)",
        ),
        (
            band(high=20.0),
            measured(23.4, 0.3),
            "overshoot 23.4 % ± 0.6 % (k=2) is 3.4 % above its band (at most 20 %) (simple rule)",
        ),
        (
            band(-2.0, 2.0, Rule.GUARDED),
            measured(-2.5, 0.1),
            "overshoot -2.5 % ± 0.2 % (k=2) is 0.5 % below its band (-2 to 2 %) (guarded rule)",
        ),
        (
            band(high=20.0, rule=Rule.GUARDED),
            measured(19.8, 0.3),
            "overshoot 19.8 % ± 0.6 % (k=2) lies 0.2 % inside its band (at most 20 %), nearer to "
            "the limit than its uncertainty (guarded rule)",
        ),
        (
            band(high=200.0),
            measured(212.3456, 0.000829),
            "overshoot 212.3456 % ± 0.0017 % (k=2) is 12.35 % above its band (at most 200 %) "
            "(simple rule)",
        ),
        (
            band(high=20000.0),
            measured(1234.5, 61.7),
            "overshoot 1230 % ± 120 % (k=2) is inside its band (at most 20000 %), "
            "1.877e+04 % to spare (simple rule)",
        ),
        (
            band(1.0, 1.0, unit="1"),
            measured(0.0, unit="1"),
            "overshoot 0, expected exactly 1",
        ),
        (
            band(high=0.01),
            measured(0.007, 0.001, 0.005),
            "overshoot 0.007 % ± 0.002 % (k=2): at most 0.01 % is too fine to judge: the data "
            "resolves 0.005 %, and a band needs 3 times that",
        ),
        (
            band(0.0, 1.0),
            measured(0.4, 0.3),
            "overshoot 0.4 % ± 0.6 % (k=2): 0 to 1 % is too fine to judge: the uncertainty of "
            "± 0.6 % covers more than half of it",
        ),
    ],
    ids=["inside", "above", "below", "near", "rounded", "large", "count", "coarse", "uncertain"],
)
def test_sentences(limits, value, reason):
    assert judge(limits, value).reason == reason


@pytest.mark.parametrize(
    "other", [Measure("ripple", "%", 1.0), Measure("overshoot", "rpm", 1.0)], ids=["name", "unit"]
)
def test_band_and_measure_must_belong_together(other):
    with pytest.raises(ValueError, match="does not judge"):
        judge(band(high=1.0), other)


def test_repeat_is_kept():
    assert judge(band(high=1.0), measured(0.5), 7).repeat == 7


limits = st.tuples(st.none() | numbers, st.none() | numbers).filter(
    lambda pair: pair != (None, None) and (None in pair or pair[0] <= pair[1])
)


@given(limits, numbers, uncertainties, st.floats(0, 10), st.sampled_from(Rule))
def test_verdict_agrees_with_margin(pair, value, uncertainty, resolution, rule):
    found = judge(band(*pair, rule), measured(value, uncertainty, resolution))
    assert 0.0 <= found.conformance <= 1.0
    if found.verdict is Verdict.PASS:
        assert found.margin >= 0.0
        assert found.conformance >= 0.45  # both limits of a band of 4 u at a limit: Phi(4) - 0.5
    elif found.verdict is Verdict.FAIL:
        assert found.margin < 0.0
        assert found.conformance <= 0.5
    else:
        assert found.verdict is Verdict.UNDECIDED


@given(limits, numbers, uncertainties)
def test_guarded_only_decides_what_simple_decides_alike(pair, value, uncertainty):
    simple = judge(band(*pair), measured(value, uncertainty)).verdict
    guarded = judge(band(*pair, Rule.GUARDED), measured(value, uncertainty)).verdict
    assert guarded in (simple, Verdict.UNDECIDED)


@given(limits, numbers, st.floats(0, 50), st.floats(0, 50))
def test_more_uncertainty_never_decides_more(pair, value, less, more):
    assume(less <= more)
    sharp = judge(band(*pair, Rule.GUARDED), measured(value, less)).verdict
    blunt = judge(band(*pair, Rule.GUARDED), measured(value, more)).verdict
    assert blunt in (sharp, Verdict.UNDECIDED)


@pytest.mark.parametrize(
    ("pair", "width"),
    [((-3.0, 5.0), 8.0), ((None, 5.0), 5.0), ((-3.0, None), 3.0), ((None, -5.0), 5.0)],
)
def test_the_width_of_a_band_is_that_of_its_limits_or_the_size_of_its_only_one(pair, width):
    assert span(band(*pair)) == width


@given(limits, numbers)
def test_margin_and_span(pair, value):
    found = band(*pair)
    inside = (pair[0] is None or value >= pair[0]) and (pair[1] is None or value <= pair[1])
    assert (margin(found, value) >= 0.0) is inside
    assert span(found) >= 0.0


@pytest.mark.parametrize(
    ("guard", "value", "verdict"),
    [
        (0.5, 19.4, Verdict.PASS),
        (0.5, 19.6, Verdict.UNDECIDED),
        (0.5, 20.4, Verdict.UNDECIDED),
        (0.5, 20.6, Verdict.FAIL),
        (0.0, 20.0, Verdict.PASS),
        (0.0, 20.001, Verdict.FAIL),
        (2.0, 18.5, Verdict.UNDECIDED),
        (2.0, 17.9, Verdict.PASS),
    ],
)
def test_guard_as_a_share_of_the_expanded_uncertainty(guard, value, verdict):
    """JCGM 106:2012, 8.3: w = r U; U = 1 here."""
    wide = Band("overshoot", 0.0, 20.0, "%", Rule.GUARDED, guard=guard)
    assert judge(wide, measured(value, 0.5)).verdict is verdict


@given(st.floats(0.001, 0.4), st.floats(15.0, 25.0), st.floats(0.01, 2.0))
def test_a_risk_bounds_the_probability_of_a_wrong_verdict(risk, value, u):
    found = judge(Band("overshoot", 0.0, 20.0, "%", Rule.GUARDED, risk=risk), measured(value, u))
    if found.verdict is Verdict.PASS:
        assert found.consumer_risk <= risk
    elif found.verdict is Verdict.FAIL:
        assert found.producer_risk <= risk
    else:
        assert min(found.consumer_risk, found.producer_risk) > risk


@pytest.mark.parametrize(
    ("r", "conforms"),
    [(0.0, 0.5), (0.5, 0.841345), (0.8225, 0.950015), (1.0, 0.977250), (1.5, 0.998650)],
)
def test_conformance_at_the_acceptance_limit(r, conforms):
    # JCGM 106:2012, 8.3 (computed): at T_U - r U the probability is Phi(2 r)
    found = judge(Band("overshoot", None, 20.0, "%", Rule.GUARDED), measured(20.0 - r, 0.5))
    assert found.conformance == pytest.approx(conforms, abs=1e-6)
    assert found.consumer_risk == pytest.approx(1.0 - conforms, abs=1e-6)


def test_a_risk_says_what_it_would_have_been():
    strict = Band("overshoot", None, 20.0, "%", Rule.GUARDED, risk=0.01)
    found = judge(strict, measured(19.5, 0.5))
    assert found.verdict is Verdict.UNDECIDED
    assert "a pass would be wrong with 16 %, allowed are 1 %" in found.reason


def test_an_uncertainty_that_is_known_badly_counts_more():
    """JCGM 100:2008, G.6.4: the Student factor in the place of 2."""
    sure = Measure("overshoot", "%", 19.2, 0.35)
    unsure = Measure("overshoot", "%", 19.2, 0.35, freedom=4.0)
    limit = band(high=20.0, rule=Rule.GUARDED)
    assert judge(limit, sure).verdict is Verdict.PASS
    assert judge(limit, unsure).verdict is Verdict.UNDECIDED
    assert "k=2.87" in judge(limit, unsure).reason


@pytest.mark.parametrize(
    "more", [{"guard": -1.0}, {"guard": math.inf}, {"risk": 0.5}, {"risk": 0.0}]
)
def test_impossible_guards(more):
    with pytest.raises(ValueError, match="overshoot: a "):
        Band("overshoot", None, 1.0, "%", Rule.GUARDED, **more)


def test_the_rule_in_words():
    def words(**more):
        return Band("overshoot", None, 1.0, "%", Rule.GUARDED, **more).rule_text

    assert band(high=1.0).rule_text == "simple"
    assert words() == "guarded"
    assert words(guard=0.5) == "guarded, 0.5 U"
    assert words(risk=0.05) == "guarded, risk 5 %"


def test_a_ratio_of_unit_one_is_no_count():
    """A crest factor has an uncertainty: a band too fine for it decides nothing."""
    ratio = measured(1.7, 0.5, unit="1")
    found = judge(band(1.6, 1.75, unit="1"), ratio)
    assert found.verdict is Verdict.UNDECIDED
    assert found.reason.startswith("overshoot 1.7 ± 1 (k=2): 1.6 to 1.75 is too fine to judge")
    assert judge(band(high=4.0, unit="1"), ratio).verdict is Verdict.PASS
    assert "2.3 to spare" in judge(band(high=4.0, unit="1"), ratio).reason


@given(
    st.one_of(
        st.fixed_dictionaries({"risk": st.floats(0.0001, 0.4)}),
        st.fixed_dictionaries({"guard": st.floats(0.0, 5.0)}),
    ),
    st.floats(-10.0, 10.0),
    st.floats(0.1, 5.0),
)
def test_coarse_data_fails_nothing_that_the_guard_leaves_undecided(more, value, u):
    """A band of 1 under an uncertainty that covers it: the rule of the band holds all the same."""
    narrow = Band("overshoot", 0.0, 1.0, "%", Rule.GUARDED, **more)
    found = judge(narrow, measured(value, u))
    if found.verdict is Verdict.FAIL:
        assert found.producer_risk <= more.get("risk", 1.0)
        assert found.margin < -more.get("guard", 0.0) * 2.0 * u


def test_coarse_data_beyond_the_guard_band_fails():
    narrow = Band("overshoot", 0.0, 1.0, "%", Rule.GUARDED, guard=2.0)
    assert judge(narrow, measured(1.66, 0.3)).verdict is Verdict.UNDECIDED
    assert judge(narrow, measured(2.3, 0.3)).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(19.01, Verdict.PASS), (20.0, Verdict.PASS), (20.01, Verdict.FAIL), (20.99, Verdict.FAIL)],
)
def test_the_simple_rule_decides_within_the_uncertainty_of_a_limit(value, verdict):
    """JCGM 106:2012, 8.2: the measured value alone; the risk is shared."""
    assert judge(band(13.0, 20.0), measured(value, 0.5)).verdict is verdict


def test_a_risk_that_is_just_kept_is_kept():
    edge = measured(19.0, 0.5)
    risk = judge(band(high=20.0), edge).consumer_risk
    assert risk == pytest.approx(0.022750, abs=1e-6)
    just = Band("overshoot", None, 20.0, "%", Rule.GUARDED, risk=risk)
    assert judge(just, edge).verdict is Verdict.PASS
