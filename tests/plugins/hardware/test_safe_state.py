"""Whatever goes wrong on hardware: supply off in time, the cause in the record, on if that is safe.

The bench is served in this process and reached by runs in other processes as hardware, through a
pseudo-terminal and TCP sockets. What its supply does is seen here directly.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import time
from collections.abc import Callable

import pytest

from hil.core.record import ItemResult
from hil.core.verdict import Verdict
from hil.store.reading import RunRecord

OFF_WITHIN = 2.0  # s


def results(record: RunRecord) -> tuple[ItemResult, ItemResult]:
    first, second = record.results
    assert (first.item, second.item) == ("long", "next")
    return first, second


def silence(hardware, role: str) -> Callable[[], None]:
    return lambda: setattr(hardware.instrument(role), "silent", True)


# -- links and instruments ----------------------------------------------------------------


@pytest.mark.parametrize("role", ["supply", "tachometer"])
def test_a_reset_connection(hardware, role: str) -> None:
    hardware.start()
    assert hardware.strike(lambda: hardware.served.cut_off(role)) < OFF_WITHIN
    code, output, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.BENCH_FAULT
    assert first.reason.startswith(f"bench: {role} at TCPIP0::127.0.0.1::")
    assert any("emergency stop: supply off, read back" in step for step in first.steps)
    assert len(first.traces) == 1
    # reconnected, the identities compared
    assert second.verdict is Verdict.PASS, second.reason
    assert any("reconnected after" in note.text for note in record.notes)
    assert code == pytest.ExitCode.TESTS_FAILED
    assert "CHECK THE BENCH" not in output


@pytest.mark.parametrize("role", ["supply", "tachometer"])
def test_an_instrument_that_hangs(hardware, role: str) -> None:
    hardware.start()
    assert hardware.strike(silence(hardware, role)) < OFF_WITHIN
    time.sleep(0.5)
    hardware.instrument(role).silent = False
    _, _, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.BENCH_FAULT
    assert f"{role} at TCPIP0::127.0.0.1::" in first.reason
    assert "nothing within 1 s" in first.reason
    assert second.verdict is Verdict.PASS, second.reason


def test_an_instrument_that_hangs_for_good(hardware) -> None:
    hardware.start()
    assert hardware.strike(silence(hardware, "tachometer")) < OFF_WITHIN
    code, _, record = hardware.finish()
    first, second = results(record)
    assert (first.verdict, second.verdict) == (Verdict.BENCH_FAULT, Verdict.BENCH_FAULT)
    assert "tachometer" in second.reason
    assert code == pytest.ExitCode.TESTS_FAILED


HANGING = """
import threading
from pathlib import Path
from pyvisa_py.tcpip import TCPIPSocketSession as Session

read = Session.read

def read_or_hang(self, count):
    if (asked := Path("hang")).exists() and asked.read_text() == self.parsed.port:
        asked.unlink()
        threading.Event().wait()
    return read(self, count)

Session.read = read_or_hang
"""


def test_a_library_whose_read_never_comes_back(hardware) -> None:
    """The guard makes the supply safe, and the run goes on: over another session."""
    (hardware.folder / "hanging.py").write_text(HANGING, encoding="utf-8")
    hardware.start("t.plan.yaml", "-p", "hanging")
    port = hardware.served.resources["supply"].split("::")[2]
    assert hardware.strike(lambda: (hardware.folder / "hang").write_text(port)) < OFF_WITHIN + 1.0
    code, output, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.BENCH_FAULT
    assert re.match(
        r"bench: supply at TCPIP0::127\.0\.0\.1::\d+::SOCKET: '\S+' failed: the VISA library has "
        r"not come back from this call for 3\S* s: ",
        first.reason,
    )
    assert "the run has stood still for 1." in hardware.guard_log()
    assert second.verdict is Verdict.PASS, second.reason
    assert code == pytest.ExitCode.TESTS_FAILED
    assert "CHECK THE BENCH" not in output


def test_an_unplugged_board_that_comes_back_elsewhere(hardware) -> None:
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
    assert second.verdict is Verdict.PASS, second.reason
    assert any("reconnected after" in note.text for note in record.notes)


# -- time limits --------------------------------------------------------------------------


def test_a_time_limit_by_signal(hardware) -> None:
    hardware.start("t.plan.yaml", "--timeout=4", "--timeout-method=signal")
    hardware.wait(lambda: not hardware.on, 4.0 + OFF_WITHIN, "the supply is still on")
    _, _, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.BENCH_FAULT
    assert first.reason.startswith("bench: cut short: Timeout (>4.0s) from pytest-timeout")
    assert any("emergency stop: supply off" in step for step in first.steps)
    assert second.verdict is Verdict.PASS, second.reason


def test_a_time_limit_by_thread_ends_the_process_and_the_guard_acts(hardware) -> None:
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


def test_a_killed_run_and_what_its_record_says(hardware) -> None:
    hardware.start()
    assert hardware.run is not None
    assert hardware.strike(hardware.run.kill) < 1.0
    hardware.run.wait()
    hardware.wait(lambda: "read back off" in hardware.guard_log(), 2.0, "the guard says nothing")
    _, _, record = hardware.finish()
    assert [entry.item for entry in record.interrupted] == ["long"]
    assert any("ended without disarming its guard" in note.text for note in record.notes)


def test_a_killed_guard(hardware) -> None:
    hardware.start()
    hardware.wait(lambda: " armed for " in hardware.guard_log(), 2.0, "the guard says nothing")
    guard = int(hardware.guard_log().split(" process ")[1].split()[0])
    assert hardware.strike(lambda: os.kill(guard, signal.SIGKILL)) < 1.0
    _, output, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.BENCH_FAULT
    assert "the guard process was killed by signal 9" in first.reason
    assert "the guard process was killed by signal 9" in output
    assert second.verdict is Verdict.PASS  # under a new guard
    armed = " armed for process "
    hardware.wait(lambda: hardware.guard_log().count(armed) == 2, 2.0, "no second guard")


def test_an_opened_guard_door_ends_the_run(hardware) -> None:
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


def test_a_limit_that_ends_the_run(hardware) -> None:
    """Beyond the limit of the DC link nothing is energised again before a person has looked."""
    hardware.start()
    supply = hardware.instrument("supply")
    assert hardware.strike(lambda: supply.shift_voltmeter(40.0)) < OFF_WITHIN
    supply.shift_voltmeter(-40.0)  # that it looks well again must not bring anything back
    code, output, record = hardware.finish()
    first, second = results(record)
    assert first.verdict is Verdict.FAIL
    assert "supply.voltage reached 6" in first.reason
    assert "above the abort limit of " in first.reason
    assert any("emergency stop: supply off, read back" in step for step in first.steps)
    assert second.verdict is Verdict.NOT_RUN
    assert second.reason.startswith("supply.voltage reached 6")
    assert second.steps == ()
    assert code == pytest.ExitCode.TESTS_FAILED
    assert not hardware.on
    assert "CHECK THE BENCH" not in output


def test_a_second_run_fails_at_once_and_names_the_first(hardware) -> None:
    hardware.start()
    assert hardware.run is not None
    second = subprocess.run(
        hardware.command("t.plan.yaml"), cwd=hardware.folder, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert second.returncode == 11
    told = re.search(
        r"^!+ nothing was run: the board \(.*?\) is in use: held by (.*)", second.stdout, re.M
    )
    assert told is not None
    assert told[1].startswith(f"process {hardware.run.pid} of ")
    assert "Exit" not in second.stdout + second.stderr
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
    assert breaks is None

def test_second(hil_script):
    pass
"""


@pytest.mark.parametrize("failing", ["raise ValueError('broken fixture')", "yield; 1 / 0"])
def test_a_failed_fixture_with_the_shaft_turning(hardware, failing: str) -> None:
    (hardware.folder / "test_it.py").write_text(SCRIPT.format(failing=failing), encoding="utf-8")
    hardware.start("test_it.py", "-x")
    hardware.wait(lambda: not hardware.on, 5.0, "the supply is still on")
    code, output, record = hardware.finish()
    first, second = record.results
    if "ValueError" in failing:
        assert first.verdict is Verdict.UNDECIDED
        assert first.reason == "test: test_it.py:9: ValueError: broken fixture"
    assert second.verdict is Verdict.NOT_RUN
    assert second.reason == "stopped: stopping after 1 failures"
    assert code == pytest.ExitCode.TESTS_FAILED
    assert "CHECK THE BENCH" not in output
