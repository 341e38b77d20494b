"""Whatever goes wrong on hardware: supply off in time, the cause in the record, on if that is safe.

The bench is served in this process and reached by runs in other processes as hardware, through a
pseudo-terminal and TCP sockets. What its supply does is seen here directly.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hil.bench.simulate import world_for
from hil.core.record import ItemResult
from hil.core.verdict import Verdict
from hil.plan.load import load_rig
from hil.store.reading import RunRecord, read
from hil.twin.wires.served import Served, serve_in_thread

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
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
    bands: {success: {exactly: 1}}
  - id: next
    scenario: start
    speed: 1000 rpm
    hold: 0.2 s
    bands: {success: {exactly: 1}}
"""


class Hardware:
    """A served bench and the runs on it; `board` is a link that follows the pseudo-terminal."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.rig = folder / "rig.yaml"
        self.rig.write_text(
            f"based-on: {RIG}\nrig: hardware\n"
            "interlock: {resource: 'TCPIP::127.0.0.1::5029::SOCKET', expect: SIM-INTERLOCK,"
            " contacts: {emergency-stop: 1, guard: 2}}\n",
            encoding="utf-8",
        )
        (folder / "t.plan.yaml").write_text(PLAN, encoding="utf-8")
        self.served = Served(world_for(load_rig(self.rig), 1))
        self.thread = serve_in_thread(self.served)
        self.board = folder / "board"
        self.board.symlink_to(self.served.board)
        self.run: subprocess.Popen[str] | None = None
        self.out = folder / "runs"

    def instrument(self, role: str) -> Any:
        return next(one for one in self.served.world.instruments.values() if one.role == role)

    @property
    def on(self) -> bool:
        return bool(self.instrument("supply").on)

    @property
    def turning(self) -> bool:
        return self.on and abs(self.served.world.drive.speed_rpm) > 800.0

    def do(self, action: Callable[[], object]) -> None:
        """Do something to the bench in its own thread, and wait until it is done."""
        done: list[bool] = []
        self.served.call(lambda: (action(), done.append(True)))
        self.wait(lambda: bool(done), 5.0, "the served bench does not answer")

    @staticmethod
    def wait(condition: Callable[[], bool], within: float, what: str) -> None:
        end = time.monotonic() + within
        while not condition():
            assert time.monotonic() < end, what
            time.sleep(0.002)

    def command(self, *args: str) -> list[str]:
        places = {**self.served.resources, "board": str(self.board)}
        return [
            sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--hil-bench=hardware",
            f"--hil-out={self.out}", *(f"--hil-{role}={at}" for role, at in places.items()), *args,
        ]  # fmt: skip

    def start(self, *args: str) -> None:
        """Start a run and wait until its shaft turns."""
        self.run = subprocess.Popen(
            self.command("--hil-preflight=off", *(args or ("t.plan.yaml",))), cwd=self.folder,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        end = time.monotonic() + 60.0
        while not self.turning:
            assert self.run.poll() is None, self.run.communicate()[0]
            assert time.monotonic() < end, "the shaft does not turn"
            time.sleep(0.01)

    def strike(self, action: Callable[[], object]) -> float:
        """Do it; s until the supply is off."""
        self.do(action)
        struck = time.monotonic()
        self.wait(lambda: not self.on, 10.0, "the supply is still on")
        return time.monotonic() - struck

    def finish(self) -> tuple[int, str, RunRecord]:
        """Exit code, output and record of the run."""
        assert self.run is not None
        output, _ = self.run.communicate(timeout=60.0)
        (folder,) = self.out.iterdir()
        return self.run.returncode, output, read(folder)

    def guard_log(self) -> str:
        (file,) = self.out.glob("*/guard.log")
        return file.read_text(encoding="utf-8")

    def tidy(self) -> None:
        """Make it whole for the next test."""
        if self.run is not None:
            self.run.kill()
            self.run.communicate()
            self.run = None
        for instrument in self.served.world.instruments.values():
            instrument.silent = False
        self.instrument("interlock").closed[2] = True
        self.wait(lambda: not self.on, 5.0, "the supply was left on")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hardware]:
    made = Hardware(tmp_path_factory.mktemp("hardware"))
    yield made
    made.served.stop()
    made.thread.join()
    made.served.close()


@pytest.fixture
def hardware(
    bench: Hardware, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Hardware]:
    monkeypatch.setenv("HIL_LEASES", str(tmp_path / "leases"))
    bench.out = tmp_path / "runs"
    yield bench
    bench.tidy()


def results(record: RunRecord) -> tuple[ItemResult, ItemResult]:
    first, second = record.results
    assert (first.item, second.item) == ("long", "next")
    return first, second


def silence(hardware: Hardware, role: str) -> Callable[[], None]:
    return lambda: setattr(hardware.instrument(role), "silent", True)


# -- links and instruments ----------------------------------------------------------------


@pytest.mark.parametrize("role", ["supply", "tachometer"])
def test_a_reset_connection(hardware: Hardware, role: str) -> None:
    hardware.start()
    assert hardware.strike(lambda: hardware.served.cut_off(role)) < OFF_WITHIN
    code, output, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.BENCH_FAULT
    assert first.reason.startswith(f"bench: {role} at TCPIP0::127.0.0.1::")
    assert any("emergency stop: supply off, read back" in step for step in first.steps)
    assert len(first.traces) == 1
    assert second.verdict is Verdict.PASS  # reconnected, the identities compared
    assert any("reconnected after" in note.text for note in record.notes)
    assert code == pytest.ExitCode.TESTS_FAILED
    assert "CHECK THE BENCH" not in output


@pytest.mark.parametrize("role", ["supply", "tachometer"])
def test_an_instrument_that_hangs(hardware: Hardware, role: str) -> None:
    hardware.start()
    assert hardware.strike(silence(hardware, role)) < OFF_WITHIN
    time.sleep(0.5)
    hardware.instrument(role).silent = False
    _, _, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.BENCH_FAULT
    assert f"{role} at TCPIP0::127.0.0.1::" in first.reason
    assert "nothing within 1 s" in first.reason
    assert second.verdict is Verdict.PASS


def test_an_instrument_that_hangs_for_good(hardware: Hardware) -> None:
    hardware.start()
    assert hardware.strike(silence(hardware, "tachometer")) < OFF_WITHIN
    code, _, record = hardware.finish()
    first, second = results(record)
    assert (first.verdict, second.verdict) == (Verdict.BENCH_FAULT, Verdict.BENCH_FAULT)
    assert "tachometer" in second.reason
    assert code == pytest.ExitCode.TESTS_FAILED


def test_an_unplugged_board_that_comes_back_elsewhere(hardware: Hardware) -> None:
    hardware.start()
    assert hardware.strike(hardware.served.unplug_board) < OFF_WITHIN
    time.sleep(1.0)

    def plug() -> None:
        hardware.served.plug_board()
        hardware.board.unlink()
        hardware.board.symlink_to(hardware.served.board)

    hardware.do(plug)
    _, _, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.BENCH_FAULT
    assert "unplugged" in first.reason
    assert second.verdict is Verdict.PASS
    assert any("reconnected after" in note.text for note in record.notes)


# -- time limits --------------------------------------------------------------------------


def test_a_time_limit_by_signal(hardware: Hardware) -> None:
    hardware.start("t.plan.yaml", "--timeout=4", "--timeout-method=signal")
    hardware.wait(lambda: not hardware.on, 4.0 + OFF_WITHIN, "the supply is still on")
    _, _, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.BENCH_FAULT
    assert first.reason.startswith("bench: cut short: Timeout (>4.0s) from pytest-timeout")
    assert any("emergency stop: supply off" in step for step in first.steps)
    assert second.verdict is Verdict.PASS


def test_a_time_limit_by_thread_ends_the_process_and_the_guard_acts(hardware: Hardware) -> None:
    hardware.start("t.plan.yaml", "--timeout=4", "--timeout-method=thread")
    hardware.wait(lambda: not hardware.on, 4.0 + OFF_WITHIN, "the supply is still on")
    hardware.wait(lambda: "read back off" in hardware.guard_log(), 2.0, "the guard says nothing")
    code, _, record = hardware.finish()
    assert code == 1  # as pytest-timeout ends it
    assert [entry.item for entry in record.interrupted] == ["long"]
    assert record.end is None
    (note,) = (note for note in record.notes if note.level == "error")
    assert note.text.startswith("guard: supply off, read back off ")
    assert "long: its time limit of 4 s (pytest-timeout) ran out" in note.text


# -- the run, the guard, the interlocks ---------------------------------------------------


def test_a_killed_run_and_what_its_record_says(hardware: Hardware) -> None:
    hardware.start()
    assert hardware.run is not None
    assert hardware.strike(hardware.run.kill) < 1.0
    hardware.run.wait()
    hardware.wait(lambda: "read back off" in hardware.guard_log(), 2.0, "the guard says nothing")
    _, _, record = hardware.finish()
    assert [entry.item for entry in record.interrupted] == ["long"]
    assert any("ended without disarming its guard" in note.text for note in record.notes)


def test_a_killed_guard(hardware: Hardware) -> None:
    hardware.start()
    guard = int(hardware.guard_log().split(" process ")[1].split()[0])
    assert hardware.strike(lambda: os.kill(guard, signal.SIGKILL)) < 1.0
    _, output, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.BENCH_FAULT
    assert "the guard process was killed by signal 9" in first.reason
    assert "the guard process was killed by signal 9" in output
    assert second.verdict is Verdict.PASS  # under a new guard
    assert hardware.guard_log().count(" armed for process ") == 2


def test_an_opened_guard_door_ends_the_run(hardware: Hardware) -> None:
    hardware.start()
    door = hardware.instrument("interlock").closed
    assert hardware.strike(lambda: door.__setitem__(2, False)) < OFF_WITHIN
    door[2] = True  # closing it must not bring anything back
    _, _, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.BENCH_FAULT
    assert first.reason.startswith("bench: interlock open: guard; a person must see to the bench")
    assert second.verdict is Verdict.NOT_RUN
    assert second.reason.startswith("interlock open: guard")
    assert not hardware.on


def test_a_second_run_fails_at_once_and_names_the_first(hardware: Hardware) -> None:
    hardware.start()
    assert hardware.run is not None
    second = subprocess.run(
        hardware.command("t.plan.yaml"), cwd=hardware.folder, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert second.returncode == 11
    assert f"in use: held by process {hardware.run.pid} of " in second.stdout
    assert hardware.turning  # undisturbed
    assert hardware.strike(lambda: hardware.run.send_signal(signal.SIGTERM)) < OFF_WITHIN
    hardware.finish()


# -- Python scenarios ---------------------------------------------------------------------

SCRIPT = """
import pytest
pytestmark = pytest.mark.hil(rig="rig.yaml")

@pytest.fixture
def breaks(hil_script):
    hil_script.prepare()
    hil_script.start(1000.0, hold=1.0)
    {failing}

def test_first(breaks):
    pass

def test_second(hil_script):
    pass
"""


@pytest.mark.parametrize("failing", ["raise ValueError('broken fixture')", "yield; 1 / 0"])
def test_a_failed_fixture_with_the_shaft_turning(hardware: Hardware, failing: str) -> None:
    (hardware.folder / "test_it.py").write_text(SCRIPT.format(failing=failing), encoding="utf-8")
    hardware.start("test_it.py", "-x")
    hardware.wait(lambda: not hardware.on, 5.0, "the supply is still on")
    code, output, record = hardware.finish()
    first, second = record.results
    if "ValueError" in failing:
        assert first.verdict is Verdict.BENCH_FAULT
        assert "ValueError: broken fixture" in first.reason
    assert second.verdict is Verdict.NOT_RUN
    assert second.reason == "stopped: stopping after 1 failures"
    assert code == pytest.ExitCode.TESTS_FAILED
    assert "CHECK THE BENCH" not in output
