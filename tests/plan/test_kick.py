"""Starts on back-EMF have a limit of their kick, where a plan says none and the rig could tell."""

from __future__ import annotations

import pytest

from hil.core.band import Rule
from hil.core.errors import PlanError
from hil.motor.bounds import alignment_displacement
from hil.plan.collect import units
from hil.plan.expand import expand
from hil.plan.kick import KICK
from hil.plan.load import load_plan
from hil.plan.offers import not_judged

HEAD = "format: 1\nplan: demo\n"
START = """
  - id: start
    scenario: start
    speed: 1000 rpm
    matrix: {sensing: [hall, back-emf]}
"""


@pytest.fixture
def kicks(write, rig, measures):
    """Item -> its bands on the kick, of a plan."""

    def kicks(text: str, on=rig):
        plan = load_plan(write(HEAD + text, "demo.plan.yaml"))
        return {
            item.id: [band for band in item.bands if band.measure == KICK]
            for item in expand(plan, on, measures)
        }

    return kicks


def scenario(bands: str) -> str:
    return f"scenarios:{START}    bands: {bands}\n"


def test_what_no_alignment_explains_fails_where_the_plan_says_nothing(kicks, rig) -> None:
    found = kicks(scenario("{success: {exactly: 1}}"))
    assert found["start.hall"] == []
    (band,) = found["start.back-emf"]
    assert (band.low, band.high, band.unit) == (None, 360.0 / rig.motor.pole_pairs, "deg")
    assert band.high == 2.0 * alignment_displacement(rig.motor.pole_pairs)
    assert (band.rule, band.requirement) == (Rule.SIMPLE, "")


@pytest.mark.parametrize(
    ("bands", "limits"),
    [
        ("{success: {exactly: 1}, backward-kick: {max: 50 deg}}", [50.0]),
        ("{success: {exactly: 1}, backward-kick: none}", []),
        (
            "{backward-kick: [{max: 50 deg, when: {sensing: back-emf}}], success: {exactly: 1}}",
            [50.0],
        ),
        ("{backward-kick: [{max: 5 deg, when: {sensing: hall}}], success: {exactly: 1}}", [90.0]),
    ],
)
def test_what_the_plan_says_holds(kicks, bands: str, limits: list[float]) -> None:
    assert [band.high for band in kicks(scenario(bands))["start.back-emf"]] == limits


def test_what_the_defaults_say_holds_and_their_rule_is_that_of_the_band(kicks) -> None:
    defaults = "defaults: {bands: {backward-kick: {max: 60 deg}}}\n"
    (band,) = kicks(defaults + scenario("{success: {exactly: 1}}"))["start.back-emf"]
    assert band.high == 60.0
    guarded = "defaults: {rule: guarded, risk: 2 %}\n"
    (band,) = kicks(guarded + scenario("{success: {exactly: 1}}"))["start.back-emf"]
    assert (band.high, band.rule, band.risk) == (90.0, Rule.GUARDED, 0.02)


def test_other_kinds_have_none(kicks) -> None:
    text = "scenarios:\n  - {id: r, scenario: reversal, entry-speed: 1000 rpm, speed: 1000 rpm, "
    text += "sensing: back-emf, bands: {success: {exactly: 1}}}\n"
    assert kicks(text) == {"r": []}


def test_a_rig_that_could_not_tell_has_none_and_nothing_is_said_of_it(
    kicks, rig, write, measures
) -> None:
    text = scenario("{success: {exactly: 1}}")
    blind = rig.tachometer.model_copy(update={"senses_direction": False})
    for shaft in (None, blind):
        poor = rig.model_copy(update={"tachometer": shaft})
        assert kicks(text, poor)["start.back-emf"] == []
        items = expand(load_plan(write(HEAD + text, "p.plan.yaml")), poor, measures)
        assert list(not_judged(items, poor)) == []


def test_a_plan_without_a_band_is_no_plan_all_the_same(kicks) -> None:
    with pytest.raises(PlanError, match=r"no pass band applies to start\.back-emf"):
        kicks(f"scenarios:{START}    bands: {{overshoot: {{max: 1 %, when: {{sensing: hall}}}}}}\n")


def test_the_nightly_plan_has_its_own_and_this_one_where_it_has_none(shipped, rig) -> None:
    plan = load_plan(shipped / "nightly.plan.yaml")
    found = {
        item.id: band.high
        for item in expand(plan, rig, units())
        for band in item.bands
        if band.measure == KICK
    }
    assert found["start.back-emf.cw.24v.2000rpm"] == 70.0
    assert found["start-series.back-emf"] == found["start-loaded.back-emf"] == 90.0
    assert "start-series.hall" not in found
