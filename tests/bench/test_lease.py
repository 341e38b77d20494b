"""One owner per rig: by address, with the holder's name, and without trusting the dead."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from hil.bench import lease as leases
from hil.bench.lease import RigInUse, addresses, boot_id, lease_folder, take
from hil.core.errors import BenchError
from hil.plan.rig import Rig

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
#: Another supply, tachometer, ... and board: another rig, whatever it is called.
ELSEWHERE = {
    "board": "/dev/ttyOTHER",
    "supply": "TCPIP::127.0.0.1::6025::SOCKET",
    "tachometer": "TCPIP::127.0.0.1::6026::SOCKET",
    "brake": "TCPIP::127.0.0.1::6027::SOCKET",
    "switch": "TCPIP::127.0.0.1::6028::SOCKET",
}
HOLD = """
import sys, time
from hil.bench.lease import take
from hil.plan.load import load_rig
lease = take(load_rig(sys.argv[1]), {}, purpose=sys.argv[2])
print(len(lease.stale), flush=True)
time.sleep(60)
"""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("HIL_LEASES", str(tmp_path / "leases"))
    return tmp_path / "leases"


@pytest.fixture
def holder():
    """Starts processes that hold the rig."""
    started: list[subprocess.Popen[str]] = []

    def start(purpose: str = "run") -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-c", HOLD, str(RIG), purpose], stdout=subprocess.PIPE, text=True
        )
        started.append(process)
        assert process.stdout is not None
        assert process.stdout.readline().strip().isdigit()
        return process

    yield start
    for process in started:
        process.kill()
        process.wait()
        process.stdout.close()


def test_a_second_run_fails_at_once_and_names_the_holder(rig: Rig, holder) -> None:
    process = holder()
    begun = time.monotonic()
    for _ in range(2):  # being refused must not blur who holds it
        with pytest.raises(RigInUse) as found:
            take(rig, {})
    assert time.monotonic() - begun < 1.0
    text = str(found.value)
    assert f"held by process {process.pid} of " in text
    assert " since 20" in text
    assert "(rig dosing-pump)" in text


def test_a_released_rig_can_be_taken_again(rig: Rig) -> None:
    for _ in range(2):
        with take(rig, {}) as lease:
            assert lease.stale == ()
            assert len(lease.files) == 5
            with pytest.raises(RigInUse):
                take(rig, {})
        assert lease.files == ()
        lease.release()


def test_a_dead_holder_is_recognised_and_not_in_the_way(rig: Rig, holder) -> None:
    process = holder()
    process.send_signal(signal.SIGKILL)
    process.wait()
    with take(rig, {}) as lease:
        assert {who.pid for who in lease.stale} == {process.pid}
    with take(rig, {}) as lease:
        assert lease.stale == ()


def test_a_holder_of_before_the_system_was_started_again_is_dead(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its process id may belong to somebody else now."""
    with take(rig, {}) as lease:
        (text, *_) = [os.pread(file, 4096, 0) for file in lease.files]
    found = leases.Holder(**json.loads(text))
    assert leases._alive(found)  # this very process
    monkeypatch.setattr(leases, "boot_id", lambda: "another start of the system")
    assert not leases._alive(found)


def test_rigs_that_share_one_instrument_exclude_each_other(rig: Rig) -> None:
    shared = {**ELSEWHERE, "supply": rig.supply.resource}
    with take(rig, {}):
        with pytest.raises(RigInUse, match=r"the supply \(TCPIP0::127\.0\.0\.1::5025::SOCKET\)"):
            take(rig, shared)
        with take(rig, ELSEWHERE):  # nothing shared, although the rig file is the same
            pass


def test_what_could_be_locked_is_given_back_when_the_rest_could_not(rig: Rig) -> None:
    shared = {**ELSEWHERE, "supply": rig.supply.resource}
    with take(rig, {}), pytest.raises(RigInUse):
        take(rig, shared)
    with take(rig, shared):
        pass


@pytest.mark.parametrize(
    "name",
    [
        "TCPIP::127.0.0.1::5025::SOCKET",
        "TCPIP0::127.0.0.1::5025::SOCKET",
        "tcpip0::localhost::5025::socket",
    ],
)
def test_one_instrument_has_one_address_however_it_is_spelt(rig: Rig, name: str) -> None:
    assert addresses(rig, {"supply": name})["supply"] == "TCPIP0::127.0.0.1::5025::SOCKET"


def test_links_to_a_port_lead_to_the_port(rig: Rig, tmp_path: Path) -> None:
    link = tmp_path / "by-id"
    link.symlink_to("/dev/null")
    assert addresses(rig, {"board": str(link)})["board"] == "/dev/null"
    assert addresses(rig, {"board": "socket://host:1"})["board"] == "socket://host:1"


def test_one_who_only_looks_is_waited_for(rig: Rig, holder) -> None:
    process = holder("look")

    class Clock:
        """Kills the holder when somebody waits for it."""

        waits = 0

        def now(self) -> float:
            return time.monotonic()

        def sleep(self, seconds: float) -> None:
            self.waits += 1
            process.kill()
            time.sleep(seconds)

    clock = Clock()
    with take(rig, {}, clock=clock):
        assert clock.waits >= 1


def test_one_who_looks_for_ever_is_named_in_the_end(
    rig: Rig, holder, monkeypatch: pytest.MonkeyPatch
) -> None:
    process = holder("look")
    monkeypatch.setattr(leases, "LOOKING", 0.2)
    with pytest.raises(RigInUse, match=f"process {process.pid} "):
        take(rig, {})


def test_a_lease_lives_as_long_as_the_guard_that_holds_its_files(rig: Rig) -> None:
    """After a run has died its guard may still be switching the supply off."""
    script = (
        "import subprocess, sys\n"
        "from hil.bench.lease import take\n"
        "from hil.plan.load import load_rig\n"
        "lease = take(load_rig(sys.argv[1]), {})\n"
        "child = subprocess.Popen(['sleep', '60'], pass_fds=lease.files,"
        " stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)\n"
        "print(child.pid, flush=True)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(RIG)], capture_output=True, text=True, check=True
    )
    child = int(done.stdout)
    try:
        with pytest.raises(RigInUse, match="has ended, but its guard is still switching"):
            take(rig, {})
    finally:
        os.kill(child, signal.SIGKILL)
    end = time.monotonic() + 2.0
    while True:
        try:
            take(rig, {}).release()
        except RigInUse:
            assert time.monotonic() < end
            time.sleep(0.02)
        else:
            return


def test_a_release_counts_also_for_children(rig: Rig) -> None:
    lease = take(rig, {})
    child = subprocess.Popen(["sleep", "60"], pass_fds=lease.files)
    try:
        lease.release()
        take(rig, {}).release()
    finally:
        child.kill()
        child.wait()


def test_a_child_that_is_left_behind_keeps_the_rig(rig: Rig) -> None:
    lease = take(rig, {})
    child = subprocess.Popen(["sleep", "60"], pass_fds=lease.files)
    try:
        lease.release(keep_for_children=True)
        assert lease.files == ()
        with pytest.raises(RigInUse):
            take(rig, {})
    finally:
        child.kill()
        child.wait()
    take(rig, {}).release()


def test_a_lease_that_no_child_holds_is_given_back_whatever_is_said(rig: Rig) -> None:
    take(rig, {}).release(keep_for_children=True)
    take(rig, {}).release()


def test_a_file_with_nonsense_is_no_holder(rig: Rig, folder: Path) -> None:
    take(rig, {}).release()
    for file in folder.iterdir():
        file.write_text('{"pid": ')
    with take(rig, {}) as lease:
        assert lease.stale == ()


def test_the_content_says_who_it_is(rig: Rig, folder: Path) -> None:
    with take(rig, {}, purpose="look"):
        found = [json.loads(file.read_text()) for file in folder.iterdir()]
    assert {one["pid"] for one in found} == {os.getpid()}
    assert {one["purpose"] for one in found} == {"look"}
    assert {one["boot"] for one in found} == {boot_id()}
    assert {one["address"] for one in found} == set(addresses(rig, {}).values())


def test_a_folder_that_cannot_be_is_said(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HIL_LEASES", "/dev/null/leases")
    with pytest.raises(BenchError, match="cannot be kept in /dev/null/leases"):
        take(rig, {})


def test_without_a_place_of_its_own_it_is_one_for_all_users(monkeypatch) -> None:
    monkeypatch.delenv("HIL_LEASES")
    assert lease_folder().name == "hil-leases"
