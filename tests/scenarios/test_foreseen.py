"""What a plan comes to on a rig, before anything is run."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.bench.findings import Grade
from hil.plan.collect import collect
from hil.scenarios.foreseen import least_time, plan_findings, repetitions

PLANS = Path(__file__).parents[2] / "testplans"
RIG = PLANS / "rigs" / "dosing-pump.yaml"
HEAD = "format: 1\nplan: p\nscenarios:\n"


@pytest.fixture
def found(tmp_path: Path):
    def make(text: str, rig: Path = RIG):
        file = tmp_path / "p.plan.yaml"
        file.write_text(HEAD + text, encoding="utf-8")
        return collect(file, rig)

    return make


BANDS = "bands: {telemetry-loss: {max: 1 %}}"


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("scenario: start, speed: 900 rpm, hold: 2 s", 2.1),
        ("scenario: start, speed: 900 rpm, hold: 2 s, matrix: {repeats: 10}", 21.0),
        ("scenario: reversal, entry-speed: 900 rpm, speed: 900 rpm, hold: 1 s", 1.4),
        (
            "scenario: stall, speed: 900 rpm, brake-torque: 1 N*m, expect: trip, watch: 1 s",
            1.8,
        ),
        (
            "scenario: stall, speed: 900 rpm, brake-torque: 1 N*m, expect: trip, watch: 1 s, "
            "from-standstill: true",
            1.4,
        ),
        (
            "scenario: stall, speed: 900 rpm, brake-torque: 1 mN*m, expect: no-trip, hold: 2 s, "
            "watch: 1 s",
            3.4,
        ),
        ("scenario: speed-step, from: 900 rpm, to: 1000 rpm, hold: 1 s", 1.4),
        (
            "scenario: speed-step, from: 900 rpm, to: 1000 rpm, hold: 1 s, "
            "saturate: {brake-torque: 0.1 N*m, hold: 2 s}",
            3.4,
        ),
        (
            "scenario: steps, steps: [{start: 900 rpm}, {wait: 1 s}, {hold: 2 s}, {silence: 4 s}, "
            "{dip: 20 V, for: 8 s}, stop, {expect-still: 16 s}]",
            31.0,
        ),
    ],
)
def test_no_item_can_end_before_what_its_plan_waits_for(found, text, seconds):
    (item,) = found(f"  - {{id: s, {text}, {BANDS}}}\n").items
    assert least_time(item) == pytest.approx(seconds)


def test_a_series_is_foreseen_by_its_expected_length(found):
    text = "success: {sequential: {good: 1 %, bad: 5 %}}"
    (item,) = found(f"  - {{id: s, scenario: start, speed: 900 rpm, {text}}}\n").items
    assert 60 < repetitions(item) < 181 < item.repeats
    assert least_time(item) == pytest.approx(repetitions(item) * 0.9)


def test_what_so_many_repetitions_can_show_is_told(found):
    text = "scenario: start, speed: 900 rpm, matrix: {sensing: [hall, back-emf], repeats: 20}"
    once = f"  - {{id: once, scenario: start, speed: 900 rpm, {BANDS}}}\n"
    findings = list(plan_findings(found(f"  - {{id: s, {text}, {BANDS}}}\n{once}")))
    (told,) = [finding for finding in findings if finding.what == "repetitions"]
    assert told.grade is Grade.OK
    assert told.detail == (
        "s.hall, s.back-emf: 20 show a fault that comes once in so many with this probability: "
        "one in 20 with 64 %, one in 50 with 33 %, one in 100 with 18 %"
    )


def test_the_shipped_plans_are_in_order_on_the_demo_rig():
    for plan in sorted(PLANS.glob("*.plan.yaml")):
        assert {f.grade for f in plan_findings(collect(plan))} == {Grade.OK}, plan


def test_a_name_that_is_that_of_another_rig_is_a_warning(found, tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text(f"based-on: {RIG}\n")
    findings = list(
        plan_findings(found(f"  - {{id: s, scenario: start, speed: 900 rpm, {BANDS}}}\n", rig))
    )
    (told,) = [finding for finding in findings if finding.grade is not Grade.OK]
    assert (told.what, told.grade) == ("name", Grade.WARNING)
    assert told.detail.startswith(f"{rig}: it has no 'rig:' of its own, and the name dosing-pump")


def test_a_speed_that_its_supply_cannot_give_is_a_warning(found):
    text = "scenario: start, speed: 4000 rpm, matrix: {supply: [15 V]}"
    findings = list(plan_findings(found(f"  - {{id: s, {text}, {BANDS}}}\n")))
    (told,) = [finding for finding in findings if finding.grade is not Grade.OK]
    assert (told.what, told.grade) == ("out of reach", Grade.WARNING)
    assert "p.plan.yaml:4: s.15v: 4000 rpm is out of reach at 15 V" in told.detail


def test_what_would_be_refused_as_unsafe_is_a_failure_that_names_items_and_reason(found, tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text(
        f"based-on: {RIG}\nsupply: {{max-voltage: 24 V}}\nlimits: {{dc-link-voltage: 25 V}}\n"
    )
    text = "scenario: reversal, entry-speed: 3000 rpm, speed: 900 rpm"
    findings = list(plan_findings(found(f"  - {{id: s, {text}, {BANDS}}}\n", rig)))
    refused = [finding for finding in findings if finding.grade is Grade.FAILED]
    assert [finding.what for finding in refused] == ["refused"]
    assert refused[0].detail.startswith("s: reversal from 3000 rpm refused: ")
