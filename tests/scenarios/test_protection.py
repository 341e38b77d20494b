"""A protection, carried out on a drive of stand-ins, and on the simulated bench."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from hil.core.drive import Fault
from hil.core.errors import InstrumentError
from hil.plan.protective import ProtectionParameters
from hil.scenarios.execute import execute
from hil.scenarios.manoeuvres import Approach
from hil.scenarios.protection import protection
from hil.scenarios.steps import Steps

Kit = SimpleNamespace


def asked(cause: object, expect: str = "trip", **changes: object) -> ProtectionParameters:
    told = {
        "speed": "1000 rpm", "cause": cause, "fault": ["over-temperature"], "expect": expect,
        "hold-off": "0.1 s", "hold": "0.2 s", **changes,
    }  # fmt: skip
    return ProtectionParameters.model_validate(told)


def run(steps: Steps, p: ProtectionParameters, direction: int = 1) -> None:
    protection(steps, Approach(direction), p, voltage=24.0)


def test_what_is_done_after_a_trip(kit: Kit, steps: Steps) -> None:
    kit.clock.at(0.6, lambda: kit.board.trip(Fault.OVER_TEMPERATURE))
    run(steps, asked({"temperature": "80 degC"}), -1)
    assert kit.journal == [
        "board start -1000",
        "switch set temperature-80 False",
        "switch set temperature-80 True",
        "board set-speed -1000",
        "board start -1000",
        "board stop",
        "board clear",
        "board start -1000",
    ]
    names = [mark.name for mark in kit.bench.trace().marks]
    assert names.index("fault-seen") < names.index("stop") < names.index("clear")
    assert names[-1] == "restart"


def test_a_clear_meanwhile_comes_before_the_cause_has_gone(kit: Kit, steps: Steps) -> None:
    kit.clock.at(0.6, lambda: kit.board.trip(Fault.OVER_VOLTAGE))
    run(steps, asked({"supply": "30 V"}, **{"clear-meanwhile": True}))
    assert kit.journal.index("board clear") < kit.journal.index("supply set 24 V")


def test_a_drive_that_does_not_trip_is_left_alone(kit: Kit, steps: Steps) -> None:
    run(steps, asked({"open": "hall-a"}))
    assert kit.journal == [
        "board start 1000", "switch set hall-a False", "switch set hall-a True"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("cause", "done"),
    [
        ({"brake": "0.1 N*m"}, ["brake apply 0.1", "brake release"]),
        ({"supply": "30 V"}, ["supply set 30 V", "supply set 24 V"]),
        ({"dip": "20 V", "for": "0.1 s"}, ["supply set 20 V", "supply set 24 V"]),
        ({"silence": "0.1 s"}, []),
    ],
)
def test_the_partner_endures_the_cause(kit: Kit, steps: Steps, cause: object, done) -> None:
    run(steps, asked(cause, "no-trip"))
    assert kit.journal == ["board start 1000", *done]


@pytest.mark.parametrize("cause", ["stop", {"start": "1000 rpm"}, {"wait": "1 s"}])
def test_not_every_step_brings_a_fault(cause: object) -> None:
    with pytest.raises(ValueError, match="expected what may bring a fault"):
        asked(cause)


def test_a_fault_has_a_name() -> None:
    with pytest.raises(ValueError, match="unknown fault 'overheat'"):
        asked({"brake": "1 N*m"}, fault=["overheat"])


class Pulsing:
    """A switch that times a break by itself."""

    pulses = True

    def __init__(self, journal: list[str]) -> None:
        self.journal = journal

    def __getattr__(self, name: str) -> object:
        return lambda *given: self.journal.append(" ".join(map(str, (name, *given))))


def test_a_glitch_is_timed_by_a_switch_that_can(kit: Kit, steps: Steps) -> None:
    steps.bench.switch = Pulsing(kit.journal)
    begun = kit.clock.now()
    steps.glitch("hall-b", 2e-4, times=3, every=0.01)
    assert kit.journal == ["pulse hall-b 0.0002"] * 3
    assert kit.clock.now() - begun == pytest.approx(0.02, abs=0.002)
    assert [m.detail for m in kit.bench.trace().marks if m.name == "glitch"] == [
        "hall-b 0.2 ms"
    ] * 3  # fmt: skip


def test_else_a_switch_is_told_twice_and_a_break_that_came_too_long_is_none(
    kit: Kit, steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps.glitch("hall-b", 0.05)
    assert kit.journal == ["switch set hall-b False", "switch set hall-b True"]
    monkeypatch.setattr(
        type(kit.bench.switch), "set", lambda _self, _line, _closed: kit.clock.sleep(0.04)
    )
    with pytest.raises(InstrumentError, match="cannot make a break of 5 ms: hall-b may have been"):
        steps.glitch("hall-b", 0.005)


PLAN = """
  - id: hot
    scenario: protection
    speed: 1000 rpm
    cause: {open: temperature-sensor}
    fault: [over-temperature]
    expect: trip
    hold-off: 0.05 s
    clear-meanwhile: true
    bands:
      tripped: {exactly: 1}
      fault-named: {exactly: 1}
      latched: {exactly: 1}
      restarts: {exactly: 0}
      cleared-by-stop: {exactly: 0}
      idle-after-clear: {exactly: 1}
      recovered: {exactly: 1}
      refusals: {exactly: 2}
  - id: glitch
    scenario: protection
    speed: 1000 rpm
    cause: {glitch: hall-a, for: 0.1 ms}
    fault: [hall]
    expect: no-trip
    hold: 0.1 s
    hold-off: 0.05 s
    bands: {tripped: {exactly: 0}}
"""


def test_the_simulated_bench_passes_both(simulated, planned, rig) -> None:
    for item in planned(PLAN):
        done = execute(item, rig, simulated())
        assert done.verdict.value == "pass", done.reason
