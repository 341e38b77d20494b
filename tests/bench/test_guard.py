"""The guard process: armed before it matters, quick when the run dies, quiet when it ends in order.

The supply is a TCP server in this process, so that every command it gets can be looked at.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from hil.bench.guard import Guard, GuardLost, GuardSettings
from hil.core.errors import InstrumentError

IDENTITY = "GREENHOUSE BENCH,TEST-SUPPLY,7,1.0"


class TestSupply:
    """A supply on a TCP socket; `sessions` is how many it allows at a time."""

    __test__ = False

    def __init__(self, sessions: int = 9) -> None:
        self.on = True
        self.deaf = self.stuck_on = False
        self.off_at = 0.0
        self.offs = 0
        self._sessions = sessions
        self._clients: list[socket.socket] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.resource = f"TCPIP0::127.0.0.1::{self._server.getsockname()[1]}::SOCKET"
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._server.accept()
                if len(self._clients) >= self._sessions:
                    client.close()
                    continue
                self._clients.append(client)
                thread = threading.Thread(target=self._serve, args=(client,), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _serve(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError), client.makefile("rw", newline="\n") as stream:
            for line in stream:
                answer = self._obey(line.strip())
                if answer and not self.deaf:
                    stream.write(f"{answer}\n")
                    stream.flush()
        with contextlib.suppress(ValueError):
            self._clients.remove(client)
        client.close()

    def _obey(self, command: str) -> str:
        if command == "*IDN?":
            return IDENTITY
        if command == "OUTP?":
            return str(int(self.on))
        if command == "OUTP OFF":
            self.offs += 1
            if not self.stuck_on:
                self.on, self.off_at = False, time.monotonic()
        return ""

    def cut_off(self) -> None:
        """Reset every connection."""
        for client in list(self._clients):
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)

    def await_off(self, within: float = 3.0) -> float:
        """Wait until it is off; `time.monotonic` of that moment."""
        end = time.monotonic() + within
        while self.on:
            assert time.monotonic() < end, "the supply is still on"
            time.sleep(0.001)
        return self.off_at

    def close(self) -> None:
        with contextlib.suppress(OSError):  # wakes the thread that accepts
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self.cut_off()
        for thread in self._threads:
            thread.join(timeout=2.0)


@pytest.fixture
def supply() -> Iterator[TestSupply]:
    made = TestSupply()
    yield made
    made.close()


@contextlib.contextmanager
def guarding(supply: TestSupply, folder: Path, **more: object) -> Iterator[Guard]:
    settings = {"resource": supply.resource, "identity": IDENTITY, "log": folder / "guard.log"}
    guard = Guard.start(GuardSettings(**(settings | more)))  # type: ignore[arg-type]
    try:
        yield guard
    finally:
        guard.disarm()


def log_of(folder: Path) -> str:
    """What the log holds by now: a thread of the guard writes it, and has perhaps not begun."""
    log = folder / "guard.log"
    return log.read_text(encoding="utf-8") if log.exists() else ""


def wait_for(condition, within: float = 3.0) -> None:
    end = time.monotonic() + within
    while not condition():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.005)


# -- arming -------------------------------------------------------------------------------


def test_it_is_armed_only_after_it_has_spoken_to_the_supply(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        assert guard.lost() == ""
        assert supply.offs == 0  # arming switches nothing
        wait_for(lambda: f"armed for process {os.getpid()}" in log_of(tmp_path))


def test_another_instrument_at_the_address_is_refused(supply, tmp_path) -> None:
    other = IDENTITY.replace(",7,", ",8,")
    with (
        guarding(supply, tmp_path, identity=other) as guard,
        pytest.raises(GuardLost, match=r"answers as 'GREENHOUSE BENCH,TEST-SUPPLY,7,1\.0'"),
    ):
        guard.await_armed()


def test_blanks_and_missing_parts_of_an_identity_do_not_matter(supply, tmp_path) -> None:
    with guarding(supply, tmp_path, identity=IDENTITY.replace(",", " , ")) as guard:
        guard.await_armed()


def test_a_supply_that_is_not_there_is_refused_with_the_reason(tmp_path) -> None:
    gone = TestSupply()
    gone.close()
    with (
        guarding(gone, tmp_path) as guard,
        pytest.raises(GuardLost, match=r"not armed: ConnectionRefusedError"),
    ):
        guard.await_armed()


def test_an_arming_that_takes_too_long_is_given_up(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        os.kill(guard.pid, signal.SIGSTOP)
        with pytest.raises(GuardLost, match=r"no answer within 0\.3 s"):
            guard.await_armed(within=0.3)
        os.kill(guard.pid, signal.SIGCONT)


def test_what_the_guard_did_unasked_is_known_a_moment_later(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        assert guard.acted(within=0.05) == ""
        guard._send("stuck the run has stood still for 1.70 s with the supply on")
        did = guard.acted(within=10.0)
        assert did.startswith("the guard switched off: supply off, read back off ")
        assert did.endswith(" after: the run has stood still for 1.70 s with the supply on")
    assert not supply.on


# -- an orderly end -----------------------------------------------------------------------


def test_disarming_ends_the_process_and_leaves_the_supply_alone(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        assert guard.disarm() == ""
        assert guard.disarm() == ""
        with pytest.raises(ProcessLookupError):
            os.kill(guard.pid, 0)
    assert (supply.on, supply.offs) == (True, 0)
    wait_for(lambda: log_of(tmp_path).endswith(" disarmed\n"))
    assert guard.lost() == ""


def test_a_guard_that_hangs_is_ended_and_that_is_told(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        os.kill(guard.pid, signal.SIGSTOP)
        assert guard.disarm() == "the guard process did not end by itself and was killed"


# -- a supply that could not be proven off ------------------------------------------------


def test_a_guard_that_is_left_goes_on_until_the_supply_is_off(supply, tmp_path) -> None:
    supply.stuck_on = True
    run = tmp_path / "run"
    run.mkdir()
    (run / "record.jsonl").write_bytes(NOTE)
    with guarding(supply, run, record=run / "record.jsonl") as guard:
        guard.await_armed()
        guard.demand("a trial")  # it is in the midst of it
        assert guard.leave() == (
            f"its guard (process {guard.pid}) goes on trying to switch the supply off"
        )
        assert not has_ended(guard.pid)
        sealed = {file.name: file.read_bytes() for file in run.iterdir()}
        assert b"supply NOT proven off" in sealed["guard.log"]
        supply.stuck_on = False
        supply.await_off()
        wait_for(lambda: has_ended(guard.pid))
    # the run may have sealed its folder meanwhile
    assert {file.name: file.read_bytes() for file in run.iterdir()} == sealed
    assert sealed["record.jsonl"] == NOTE
    beside = (tmp_path / "run.guard.log").read_text(encoding="utf-8")
    assert "after: the run could not prove that the supply is off (" in beside
    assert "attempts)" in beside


def test_a_guard_that_is_left_and_succeeds_at_once_says_so(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        assert guard.leave().startswith("the guard switched off: supply off, read back off")
        assert not supply.on
        assert has_ended(guard.pid)


def test_a_guard_that_has_gone_can_be_left_with_nothing(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        os.kill(guard.pid, signal.SIGKILL)
        wait_for(guard.lost)
        said = "the guard process was killed by signal 9: nothing switches the supply off"
        assert guard.leave() == said


def test_the_next_guard_of_the_supply_takes_the_place_of_one_that_was_left(
    supply, tmp_path
) -> None:
    supply.stuck_on = True
    with guarding(supply, tmp_path) as left:
        left.await_armed()
        assert "goes on trying" in left.leave()
        with guarding(supply, tmp_path) as guard:
            assert has_ended(left.pid)
            guard.await_armed()
            offs = supply.offs
            guard.demand("a trial")
            wait_for(lambda: supply.offs > offs)


def test_a_guard_that_was_left_outlives_the_run(supply, tmp_path) -> None:
    action = "guard.leave(); print(guard.pid, flush=True); sys.exit()"
    supply.stuck_on = True
    with running(supply, tmp_path, action=action) as (run, guard):
        assert run.wait(timeout=5.0) == 0
        assert not has_ended(guard)
        supply.stuck_on = False
        supply.await_off()
        wait_for(lambda: has_ended(guard))


# -- the run is in trouble ----------------------------------------------------------------


def test_a_demand_is_met_at_once_over_its_own_session(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        asked = time.monotonic()
        guard.demand("the run's own session hangs")
        assert supply.await_off() - asked < 0.5
        wait_for(lambda: "read back off" in log_of(tmp_path))
        wait_for(lambda: "the run's own session hangs" in log_of(tmp_path))
        assert guard.lost() == ""  # it did as it was told, and is still there


def test_a_supply_that_needs_a_gap_between_messages_gets_it(supply, tmp_path) -> None:
    asked = []
    original = supply._obey

    def obey(command: str) -> str:
        asked.append((command, time.monotonic()))
        return original(command)

    supply._obey = obey
    off = ("OUTP OFF", "BRAKE OFF")
    with guarding(supply, tmp_path, off=off, gap=0.05) as guard:
        guard.await_armed()
        guard.demand("a trial")
        supply.await_off()
        wait_for(lambda: "read back off" in log_of(tmp_path))
    at = [command for command, _ in asked].index("OUTP OFF")
    assert [command for command, _ in asked[at : at + 3]] == ["OUTP OFF", "BRAKE OFF", "OUTP?"]
    times = [when for _, when in asked[at : at + 3]]
    assert min(times[1] - times[0], times[2] - times[1]) > 0.04


def test_a_run_that_stands_still_with_the_supply_on_loses_it(supply, tmp_path) -> None:
    with guarding(supply, tmp_path, stuck_after=0.4) as guard:
        guard.await_armed()
        guard.energised = True
        guard.beat()
        stopped = time.monotonic()
        assert 0.35 < supply.await_off() - stopped < 1.0
        wait_for(guard.lost)
        assert "the run has stood still for" in guard.lost()


def test_a_run_that_moves_on_keeps_it(supply, tmp_path) -> None:
    with guarding(supply, tmp_path, stuck_after=0.4) as guard:
        guard.await_armed()
        guard.energised = True
        for _ in range(10):
            guard.beat()
            time.sleep(0.1)
        assert (supply.on, guard.lost()) == (True, "")


def test_without_energy_nobody_has_to_move_on(supply, tmp_path) -> None:
    with guarding(supply, tmp_path, stuck_after=0.2) as guard:
        guard.await_armed()
        time.sleep(0.6)
        assert (supply.on, guard.lost()) == (True, "")


# -- the guard is in trouble --------------------------------------------------------------


def test_a_killed_guard_is_noticed_within_a_second(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        os.kill(guard.pid, signal.SIGKILL)
        struck = time.monotonic()
        wait_for(guard.lost, within=1.0)
        assert time.monotonic() - struck < 1.0
        assert "killed by signal 9" in guard.lost()
        guard.demand("to nobody")  # must not raise
        assert guard.disarm() == ""


def test_a_guard_asked_to_end_switches_off_first(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        os.kill(guard.pid, signal.SIGTERM)
        supply.await_off()
        wait_for(guard.lost)
        wait_for(lambda: "the guard was asked to end" in log_of(tmp_path))


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGHUP])
def test_signals_of_the_terminal_do_not_concern_it(supply, tmp_path, number) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        os.kill(guard.pid, number)
        time.sleep(0.2)
        assert (supply.on, guard.lost()) == (True, "")


def test_a_lost_session_is_opened_again_unasked(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        supply.cut_off()
        time.sleep(1.5)  # it looks once a second
        assert guard.lost() == ""
        guard.demand("now")
        supply.await_off()


def test_a_supply_out_of_reach_is_told_before_it_is_needed(supply, tmp_path) -> None:
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        supply.close()
        wait_for(guard.lost, within=4.0)
        assert "cannot reach the supply" in guard.lost()


def test_an_output_that_stays_on_is_told_and_tried_again(supply, tmp_path) -> None:
    supply.stuck_on = True
    with guarding(supply, tmp_path) as guard:
        guard.await_armed()
        guard.demand("try")
        wait_for(lambda: supply.offs >= 3)
        supply.stuck_on = False
        supply.await_off()
        wait_for(lambda: "attempts)" in log_of(tmp_path))
    wait_for(lambda: "first attempt failed: the output reads back '1'" in log_of(tmp_path))


def test_losing_the_guard_is_trouble_with_an_instrument() -> None:
    assert issubclass(GuardLost, InstrumentError)  # so the bench is opened anew after it


# -- the run dies -------------------------------------------------------------------------

RUN = """
import sys, time
from pathlib import Path
from hil.bench.guard import Guard, GuardSettings
resource, identity, folder, session, action = sys.argv[1:]
folder = Path(folder)
guard = Guard.start(GuardSettings(resource=resource, identity=identity, session=session,
                                  log=folder / "guard.log", record=folder / "record.jsonl"))
guard.await_armed()
if session == "takeover":
    import socket
    _, host, port, _ = resource.split("::")
    mine = socket.create_connection((host, int(port)))
exec(action)
guard.energised = True
print(guard.pid, flush=True)
while True:
    guard.beat()
    time.sleep(0.05)
"""
NOTE = b'{"kind":"run-start"}\n'


@contextlib.contextmanager
def running(
    supply: TestSupply, folder: Path, session: str = "own", action: str = ""
) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """A process with a guard, and the guard's process id; both have ended afterwards."""
    run = subprocess.Popen(
        [sys.executable, "-c", RUN, supply.resource, IDENTITY, str(folder), session, action],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert run.stdout is not None
    guard = int(run.stdout.readline())
    try:
        yield run, guard
    finally:
        run.kill()
        run.wait()
        run.stdout.close()
        with contextlib.suppress(AssertionError):  # it persists while the supply is not off
            wait_for(lambda: has_ended(guard), within=6.0)
        with contextlib.suppress(ProcessLookupError):
            os.kill(guard, signal.SIGKILL)


def has_ended(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


@pytest.mark.parametrize("session", ["own", "takeover"])
def test_a_killed_run_leaves_the_supply_off(tmp_path, session) -> None:
    supply = TestSupply(sessions=9 if session == "own" else 1)
    (tmp_path / "record.jsonl").write_bytes(NOTE)
    with running(supply, tmp_path, session) as (run, guard):
        assert supply.on
        run.kill()
        killed = time.monotonic()
        assert supply.await_off() - killed < 1.0
        wait_for(lambda: has_ended(guard))
    first, added = (tmp_path / "record.jsonl").read_bytes().splitlines(keepends=True)
    assert first == NOTE
    assert b"ended without disarming its guard" in added
    assert added.endswith(b"\n")
    supply.close()


def test_a_cut_last_line_of_the_record_is_left_as_it_is(supply, tmp_path) -> None:
    (tmp_path / "record.jsonl").write_bytes(NOTE + b'{"kind":"it')
    with running(supply, tmp_path) as (run, guard):
        run.kill()
        wait_for(lambda: has_ended(guard))
    assert (tmp_path / "record.jsonl").read_bytes() == NOTE + b'{"kind":"it'
    wait_for(lambda: "supply off, read back off" in log_of(tmp_path))


def test_a_stopped_run_loses_the_supply_and_is_told_when_it_goes_on(supply, tmp_path) -> None:
    with running(supply, tmp_path) as (run, _):
        run.send_signal(signal.SIGSTOP)
        stopped = time.monotonic()
        assert supply.await_off() - stopped < 2.0
        assert run.poll() is None  # with a session of its own the guard need not end it
        run.send_signal(signal.SIGCONT)


def test_a_stopped_run_that_holds_the_only_session_is_ended(tmp_path) -> None:
    supply = TestSupply(sessions=1)
    with running(supply, tmp_path, "takeover") as (run, _):
        run.send_signal(signal.SIGSTOP)
        supply.await_off(within=4.0)
        assert run.wait(timeout=2.0) == -signal.SIGKILL
    wait_for(lambda: "holds the only session and is ended" in log_of(tmp_path))
    supply.close()


def test_a_time_limit_is_named_as_the_cause_if_it_had_run_out(supply, tmp_path) -> None:
    with running(supply, tmp_path, action="guard.limit(0.1, 'its 0.1 s ran out')") as (run, guard):
        time.sleep(0.3)
        run.kill()
        wait_for(lambda: has_ended(guard))
    wait_for(lambda: "its 0.1 s ran out: the run" in log_of(tmp_path))


@pytest.mark.parametrize(
    "action", ["guard.limit(60, 'too long')", "guard.limit(0, 'x'); guard.limit(None)"]
)
def test_a_time_limit_that_had_not_run_out_is_not(supply, tmp_path, action) -> None:
    with running(supply, tmp_path, action=action) as (run, guard):
        run.kill()
        wait_for(lambda: has_ended(guard))
    wait_for(lambda: "switching off: the run (process" in log_of(tmp_path))


@pytest.mark.parametrize("disk", ["full", "stalled"])
def test_a_disk_that_takes_nothing_does_not_keep_the_supply_on(supply, tmp_path, disk) -> None:
    log = tmp_path / "guard.log"
    if disk == "full":
        log.symlink_to("/dev/full")
    else:
        os.mkfifo(log)  # opening it to write waits for a reader that never comes
    with running(supply, tmp_path) as (run, _guard):
        run.kill()
        supply.await_off()


def test_a_supply_that_comes_back_late_is_still_switched_off(supply, tmp_path) -> None:
    supply.deaf = True
    with running_deaf(supply, tmp_path) as (run, guard):
        supply.deaf = True
        supply.stuck_on = True
        run.kill()
        time.sleep(1.0)
        assert not has_ended(guard)  # it goes on trying
        supply.deaf = supply.stuck_on = False
        supply.await_off()
        wait_for(lambda: has_ended(guard))


@contextlib.contextmanager
def running_deaf(supply: TestSupply, folder: Path) -> Iterator[tuple[subprocess.Popen[str], int]]:
    supply.deaf = False  # it must answer for the guard to be armed
    with running(supply, folder) as found:
        yield found
