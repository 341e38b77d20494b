"""States and faults that a plan waits for and a link profile has no word for."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.core.drive import DriveState, Fault
from hil.plan.collect import collect
from hil.plan.load import load_profile, load_rig
from hil.plan.unspoken import spoken, unspoken

TESTPLANS = Path(__file__).parents[2] / "testplans"
PLAN = """\
format: 1
plan: waits
scenarios:
  - id: trips
    scenario: steps
    matrix: {supply: [22 V, 24 V]}
    steps:
      - start: 2000 rpm
      - {wait-for: {state: run}, within: 1 s}
      - {expect-fault: [link-lost], within: 1 s}
      - {expect-fault: [link-lost, stall], within: 1 s}
      - {expect-fault: [other], within: 1 s}
      - {wait-for: {state: align}, within: 1 s}
    bands: {fault-count: {exactly: 2}}
  - id: plain
    scenario: start
    speed: 1000 rpm
    bands: {overshoot: {max: 20 %}}
"""


def test_what_the_profile_has_no_word_for_is_told_with_its_items(write, tmp_path) -> None:
    profile = (TESTPLANS / "profiles" / "examples" / "slip.profile.yaml").read_text()
    (tmp_path / "few.profile.yaml").write_text(profile.replace("1: align, ", ""))
    rig_file = tmp_path / "few.yaml"
    rig_file.write_text(
        f"based-on: {TESTPLANS / 'rigs' / 'dosing-pump.yaml'}\nrig: few\n"
        "board: {profile: few.profile.yaml}\n"
    )
    rig = load_rig(rig_file)
    items = collect(write(PLAN, "waits.plan.yaml"), rig_file).items
    assert list(unspoken(items, rig)) == [
        f"link profile slip of rig few has no {what}, for which wait in vain: trips.22v, trips.24v"
        for what in ("fault link-lost", "state align")
    ]
    idle = [item for item in items if item.id == "plain"]
    assert list(unspoken(idle, rig)) == []


def test_a_profile_that_names_everything_leaves_nothing_unspoken() -> None:
    states, faults = spoken(load_profile(TESTPLANS / "profiles" / "dosing-lines.profile.yaml"))
    assert states == {state.word for state in DriveState}
    assert faults == {fault.words[0] for fault in Fault if fault}


@pytest.mark.parametrize("name", ["nightly", "smoke"])
def test_the_shipped_plans_wait_for_nothing_that_the_demo_pump_cannot_say(name: str) -> None:
    found = collect(TESTPLANS / f"{name}.plan.yaml")
    assert list(unspoken(found.items, found.rig)) == []
