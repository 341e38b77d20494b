"""Requirement and waiver files, read strictly."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import PlanError
from hil.plan.requirements import RequirementFile, VerifiedBy, load_requirements
from hil.plan.waivers import load_waivers
from hil.verdicts.samples import trials_without_failure

HEAD = "format: 1\nrelease: pump\nrequirements:\n"
FULL = """\
format: 1
release: dosing-pump
description: All of it
evidence: simulated-is-enough
calibration-not-needed: {brake: nothing is measured with it}
requirements:
  - id: PUMP-START-1
    text: It starts.
    supports: clause 7.3
    evidence: bench
    sample: {size: 59, at-least: 95 %, confidence: 95 %, of: tripped}
    verified-by:
      - plan-requirement: PUMP-OTHER
      - {items: "start.*", measures: [success, overshoot], plan: nightly}
  - {id: R-2, text: It stops.}
"""


def test_everything_that_may_stand_in_the_file(write) -> None:
    found = load_requirements(write(FULL))
    one, two = found.requirements
    assert (found.release, found.calibration_not_needed["brake"]) == (
        "dosing-pump",
        "nothing is measured with it",
    )
    assert (found.kind_of(one), found.kind_of(two)) == ("bench", "simulated-is-enough")
    assert one.sample is not None
    assert one.sample.target is not None
    assert (one.sample.size, one.sample.target.at_least, one.sample.of) == (59, 95.0, "tripped")
    assert [str(source) for source in one.sources] == [
        "marked PUMP-OTHER",
        "items start.*, measures success, overshoot, of plan nightly",
    ]
    assert two.sources == (VerifiedBy(plan_requirement="R-2"),)


def test_bench_evidence_and_95_percent_unless_the_file_says_otherwise(write) -> None:
    text = HEAD + "  - {id: R-1, text: It starts., sample: {at-least: 90 %}}\n"
    found = load_requirements(write(text))
    assert found.kind_of(found.requirements[0]) == "bench"
    assert found.requirements[0].sample.target.confidence == 95.0


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("{id: R-1}", "4:5: requirements[R-1].text is missing"),
        ("{id: R-1, txt: It starts.}", "unknown key 'txt'; did you mean 'text'?"),
        ("{id: R-1, text: a, evidence: enough}", "expected 'bench' or 'simulated-is-enough'"),
        ("{id: 7, text: a}", "requirements[1].id: expected a text (put digits in quotes)"),
        ("{id: R-1, text: a, sample: {}}", "expected a size, or a share at-least, or both"),
        ("{id: R-1, text: a, sample: {size: 0}}", "requirements[R-1].sample.size"),
        ("{id: R-1, text: a, sample: {size: 9, confidence: 95 %}}", "without the share (at-least)"),
        ("{id: R-1, text: a, sample: {at-least: 100 %}}", "below 100 %, found 100 %"),
        ("{id: R-1, text: a, sample: {at-least: 95}}", "found 95 without unit"),
        (
            "{id: R-1, text: a, sample: {size: 58, at-least: 95 %}}",
            "58 trials cannot show 95 % with 95 % confidence, not even without a failure; it "
            "takes 59",
        ),
        ("{id: R-1, text: a, verified-by: [{measures: [b]}]}", "one of plan-requirement, items"),
        (
            "{id: R-1, text: a, verified-by: [{plan-requirement: b, items: c}]}",
            "one of plan-requirement, items",
        ),
        (
            "{id: R-1, text: a, verified-by: [{plan-requirement: b, measures: [c]}]}",
            "measures need the items",
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_place(write, line: str, words: str) -> None:
    path = write(f"{HEAD}  - {line}\n")
    with pytest.raises(PlanError) as caught:
        load_requirements(path)
    assert words in str(caught.value)
    assert f"{path}:4:" in str(caught.value)


def test_an_id_may_stand_once(write) -> None:
    line = "  - {id: R-1, text: a}\n"
    with pytest.raises(PlanError, match=r":5:10: requirements\[2\]\.id: 'R-1' stands already at"):
        load_requirements(write(HEAD + line + line))


def test_an_id_may_stand_once_on_one_line_too(write) -> None:
    text = HEAD.rstrip("\n") + " [{id: R-1, text: a}, {id: R-1, text: b}]\n"
    with pytest.raises(PlanError, match=r":3:\d+: requirements\[2\]\.id: 'R-1' stands already"):
        load_requirements(write(text))


def test_an_unknown_instrument_is_refused(write) -> None:
    text = "calibration-not-needed: {break: x}\n" + HEAD + "  - {id: R-1, text: a}\n"
    with pytest.raises(PlanError, match=r"no instrument is called 'break'; did you mean 'brake'\?"):
        load_requirements(write(text))


def test_an_empty_list_and_another_format_are_refused(write) -> None:
    with pytest.raises(PlanError, match="requirements"):
        load_requirements(write("format: 1\nrelease: pump\nrequirements: []\n"))
    with pytest.raises(PlanError, match="format"):
        load_requirements(write(FULL.replace("format: 1", "format: 2")))


@given(st.integers(1, 400), st.floats(50.0, 99.9), st.floats(50.0, 99.9))
def test_a_claimed_size_is_refused_just_where_it_can_show_nothing(
    size: int, rate: float, confidence: float
) -> None:
    sample = {"size": size, "at-least": f"{rate} %", "confidence": f"{confidence} %"}
    data = {
        "format": 1, "release": "r", "requirements": [{"id": "a", "text": "b", "sample": sample}]
    }  # fmt: skip
    enough = size >= trials_without_failure(
        float(f"{rate:.14g}") / 100.0, float(f"{confidence:.14g}") / 100.0
    )
    if enough:
        RequirementFile.model_validate(data)
    else:
        with pytest.raises(ValueError, match="cannot show"):
            RequirementFile.model_validate(data)


def test_the_shipped_file_names_every_requirement_of_the_nightly_plan(shipped) -> None:
    import re

    found = load_requirements(shipped / "release.requirements.yaml")
    plan = (shipped / "nightly.plan.yaml").read_text()
    marks = set(re.findall(r"PUMP-[A-Z]+-\d+", plan))
    assert len(marks) > 20
    assert marks <= {one.id for one in found.requirements}


# -- waivers -----------------------------------------------------------------------------------

WAIVER = "  - {requirement: R-1, reason: a, approver: b, expires: 2027-01-31}\n"


def test_a_waiver_holds_to_the_end_of_its_last_day(write) -> None:
    (found,) = load_waivers(write("format: 1\nwaivers:\n" + WAIVER))
    assert found.holds_on(date(2027, 1, 31))
    assert not found.holds_on(date(2027, 2, 1))


def test_a_file_without_waivers_may_stay(write) -> None:
    assert load_waivers(write("format: 1\nwaivers: []\n")) == ()


@pytest.mark.parametrize("key", ["requirement", "reason", "approver", "expires"])
def test_every_waiver_says_what_why_who_and_until_when(write, key: str) -> None:
    kept = [part for part in WAIVER.strip(" -{}\n").split(", ") if not part.startswith(key)]
    with pytest.raises(PlanError, match=rf"waivers\[1\]\.{key} is missing"):
        load_waivers(write("format: 1\nwaivers:\n  - {" + ", ".join(kept) + "}\n"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (WAIVER + WAIVER, "'R-1' stands already at line 3"),
        (WAIVER.replace("2027-01-31", "soon"), "expected a date such as 2027-03-31"),
        (WAIVER.replace("reason: a", "reason: ''"), "expected some text"),
        (
            WAIVER.replace("expires", "approved: 2027-02-01, expires"),
            "waivers[1].expires: 2027-01-31 lies before its approval",
        ),
    ],
)
def test_a_waiver_that_cannot_be_right_is_refused(write, text: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        load_waivers(write("format: 1\nwaivers:\n" + text))
    assert words in str(caught.value)
