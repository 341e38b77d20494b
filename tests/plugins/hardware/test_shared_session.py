"""Supply and brake are two outputs of one instrument: whole guarded runs, and its loss.

The guard has a session of its own, or, with ``takeover``, the run has the only one.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator

import pytest

from hil.core.record import ItemResult
from hil.core.verdict import Verdict
from hil.twin.instruments.base import Conversation, SimulatedInstrument
from hil.twin.instruments.supply import SimulatedSupply
from hil.twin.world import World

OFF_WITHIN = 2.0  # s
PLAN = """\
format: 1
plan: t
rig: rig.yaml
scenarios:
  - id: long
    scenario: start
    speed: 1000 rpm
    hold: 60 s
    load: 0.02 N*m
    bands: {success: {exactly: 1}}
  - id: next
    scenario: stall
    speed: 1000 rpm
    brake-torque: 1 N*m
    expect: trip
    bands: {tripped: {exactly: 1}}
"""
MORE = """\
supply: {{guard: {guard}, commands: {{channel: {{number: 1}}}}}}
brake:
  driver: current
  resource: TCPIP::127.0.0.1::5025::SOCKET
  expect: SIM-SUPPLY
  torque-constant: 0.5 N*m/A
  compliance-voltage: 24 V
  commands: {{channel: {{number: 2}}}}
"""


# -- the instrument ----------------------------------------------------------------------

TORQUE_CONSTANT = 0.5  # N m/A
_SELECTED = re.compile(r"INST:NSEL ([12]);(.*)")


class Coil:
    """A brake's coil as a supply sees it: takes the current that it is given."""

    over_voltage_tripped = False

    def __init__(self, world: World) -> None:
        self._drive = world.drive
        self.supply_voltage = self.supply_current = 0.0
        self.most_torque = 0.0  # N m, so far

    def set_over_voltage(self, level: float) -> None:
        """Nothing here drives the output up."""

    def clear_over_voltage(self) -> None:
        """Nor has it tripped."""

    def set_supply(self, voltage: float, current: float, on: bool) -> None:
        """What the output may do; the coil is of 4 ohm."""
        self.supply_current = min(current, voltage / 4.0) if on else 0.0
        self.supply_voltage = 4.0 * self.supply_current
        torque = TORQUE_CONSTANT * self.supply_current
        self.most_torque = max(self.most_torque, torque)
        self._drive.set_brake(torque)


class TwoOutputs(SimulatedInstrument):
    """See the module text.

    Attributes
    ----------
    conversations : how many clients have connected so far.
    strays : messages that did not say which output they were for.
    """

    def __init__(self, world: World, first: SimulatedSupply) -> None:
        super().__init__("supply", "SIM-SUPPLY")
        self.coil = Coil(world)
        self.outputs = {1: first, 2: SimulatedSupply(self.coil)}
        self.status = self.outputs[1].status  # one queue of errors for the whole instrument
        self.outputs[2].status = self.status
        self.conversations = 0
        self.strays: list[str] = []

    @property
    def on(self) -> bool:
        """Whether the output that feeds the board is on."""
        return self.outputs[1].on

    def converse(self) -> Conversation:
        """A new client."""
        self.conversations += 1
        return super().converse()

    def execute(self, message: str) -> str:
        """For the output that the message selects; common commands for the whole."""
        found = _SELECTED.fullmatch(message)
        if found is not None:
            return self.outputs[int(found[1])].execute(found[2])
        if not message.startswith(("*", "SYST")):
            self.strays.append(message)
        return self.outputs[1].execute(message)

    def observe(self, now: float) -> None:
        """Both."""
        for output in self.outputs.values():
            output.observe(now)

    def power_off(self) -> None:
        """Both."""
        for output in self.outputs.values():
            output.power_off()


def rewired(world: World) -> World:
    """The same bench with one instrument in place of supply and brake."""
    instruments = dict(world.instruments)
    at = {one.role: resource for resource, one in instruments.items()}
    first = instruments[at["supply"]]
    assert isinstance(first, SimulatedSupply)
    del instruments[at["brake"]]
    instruments[at["supply"]] = TwoOutputs(world, first)
    return World(world.drive, instruments)


# -- runs ---------------------------------------------------------------------------------


@pytest.fixture(scope="module", params=["own-session", "takeover"])
def guard(request):
    return request.param


@pytest.fixture(scope="module")
def bench(guard, make_hardware):
    made = make_hardware(more=MORE.format(guard=guard), plan=PLAN, rewired=rewired)
    made.places["brake"] = made.served.resources["supply"]
    return made


@pytest.fixture
def two(hardware) -> Iterator[TwoOutputs]:
    """The instrument; whatever a test does, no message is for no output, and both are left off."""
    found = hardware.instrument("supply")
    assert isinstance(found, TwoOutputs)
    found.strays.clear()
    found.coil.most_torque = 0.0
    found.conversations = 0
    yield found
    assert found.strays == []
    assert all_off(found)


def all_off(two: TwoOutputs) -> bool:
    return not (two.outputs[1].on or two.outputs[2].on)


def test_a_whole_run_with_preflight_over_one_session(hardware, two: TwoOutputs, guard: str) -> None:
    done = subprocess.run(
        hardware.command("-k", "next", "t.plan.yaml"), cwd=hardware.folder, capture_output=True,
        text=True, check=False, timeout=120.0,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    assert "preflight: stop path: " in done.stdout
    assert "guard process armed" in done.stdout
    assert two.coil.most_torque == pytest.approx(1.0, abs=0.01)  # it was the coil that held it
    assert two.conversations == (1 if guard == "takeover" else 2)  # the run, and a guard of its own


def loaded(hardware, two: TwoOutputs) -> None:
    """Start the long item and wait until it runs under its load."""
    hardware.start()
    hardware.wait(lambda: two.outputs[2].on, 20.0, "the brake is never fed")


def judged(hardware) -> tuple[ItemResult, ItemResult]:
    _, output, record = hardware.finish()
    assert "CHECK THE BENCH" not in output
    first, second = record.results
    assert (first.item, second.item) == ("long", "next")
    return first, second


def test_a_reset_connection_takes_both_and_both_come_back(hardware, two: TwoOutputs) -> None:
    loaded(hardware, two)
    took = hardware.strike(lambda: hardware.served.cut_off("supply"))
    assert took < OFF_WITHIN
    hardware.wait(lambda: all_off(two), OFF_WITHIN, "the brake is still fed")
    first, second = judged(hardware)
    assert first.verdict is Verdict.BENCH_FAULT
    assert first.reason.startswith("bench: supply at TCPIP0::127.0.0.1::")
    assert any("emergency stop: supply off" in step for step in first.steps)
    assert second.verdict is Verdict.PASS, second.reason  # held by the same brake


def test_an_instrument_that_hangs_takes_both(hardware, two: TwoOutputs, guard: str) -> None:
    loaded(hardware, two)
    before = two.conversations
    assert hardware.strike(lambda: setattr(two, "silent", True)) < OFF_WITHIN
    hardware.wait(lambda: all_off(two), OFF_WITHIN, "the brake is still fed")
    if guard == "takeover":  # that a run waits for answers in vain is to its guard a run that hangs
        assert hardware.run is not None
        hardware.run.wait(timeout=20.0)
        two.silent = False
        _, _, record = hardware.finish()
        assert [entry.item for entry in record.interrupted] == ["long"]
        return
    hardware.wait(lambda: two.conversations > before, 10.0, "nobody connects to it again")
    two.silent = False
    first, second = judged(hardware)
    assert first.verdict is Verdict.BENCH_FAULT
    assert "nothing within 1 s" in first.reason
    assert second.verdict is Verdict.PASS, second.reason


def test_a_killed_run_leaves_neither_on(hardware, two: TwoOutputs) -> None:
    loaded(hardware, two)
    assert hardware.run is not None
    assert hardware.strike(hardware.run.kill) < OFF_WITHIN
    hardware.run.wait()
    hardware.wait(lambda: all_off(two), OFF_WITHIN, "the brake is still fed")
    hardware.wait(lambda: "read back off" in hardware.guard_log(), 2.0, "the guard says nothing")
    _, _, record = hardware.finish()
    assert [entry.item for entry in record.interrupted] == ["long"]
