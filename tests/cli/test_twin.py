"""``hil twin``, from outside as a script uses it, and its pieces."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import click
import pytest
import pyvisa
import serial
from click.testing import CliRunner

from hil.cli.twin import (
    announcement,
    elsewhere,
    kinds_of_trouble,
    schedule_of,
    stopping_on_signals,
    twin,
    write_whole,
)
from hil.plan.load import load_rig
from hil.twin.trouble import KINDS

ROOT = Path(__file__).parents[2]
RIG = ROOT / "testplans" / "rigs" / "dosing-pump.yaml"
ROLES = ("board", "supply", "tachometer", "brake", "switch")
PATIENCE = 180.0  # s; the first start on a machine compiles the simulation


def start(*arguments: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-W", "error", "-m", "hil.cli.main", "twin", *map(str, arguments)]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True, cwd=ROOT)


def wait_for(file: Path, process: subprocess.Popen[str]) -> dict[str, object]:
    deadline = time.monotonic() + PATIENCE
    while not file.exists():
        if process.poll() is not None:
            pytest.fail(f"it ended: {process.communicate()}")
        assert time.monotonic() < deadline, "never ready"
        time.sleep(0.05)
    found = json.loads(file.read_text())
    assert isinstance(found, dict)
    return found


class Running:
    """A served bench in another process."""

    def __init__(self, folder: Path) -> None:
        self.ready, self.keep = folder / "ready.json", folder / "keep.json"
        self.ready.write_text("{}")  # left behind by a run that was killed
        self.process = start(RIG, "--ready", self.ready, "--seed", 3, "--json", self.keep)
        deadline = time.monotonic() + PATIENCE
        while self.ready.exists() and self.ready.read_text() == "{}":
            assert time.monotonic() < deadline, "a stale file was left"
            time.sleep(0.02)
        self.places = wait_for(self.ready, self.process)

    def stop(self, number: int) -> tuple[int, str, str]:
        self.process.send_signal(number)
        output, errors = self.process.communicate(timeout=30)
        return self.process.returncode, output, errors


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    found = Running(tmp_path)
    yield found
    if found.process.poll() is None:
        found.process.kill()
        found.process.communicate()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_serve_use_and_stop(running: Running, number: int) -> None:
    places = running.places
    assert set(places) == {*ROLES, "pid"}
    assert places["pid"] == running.process.pid
    manager = pyvisa.ResourceManager("@py")
    for role in ROLES[1:]:
        settings = {"read_termination": "\n", "write_termination": "\n", "timeout": 5000}
        with manager.open_resource(str(places[role]), **settings) as instrument:
            assert instrument.query("*IDN?").startswith("GREENHOUSE BENCH,SIM-")
            assert instrument.query("SYST:ERR?") == '0,"No error"', "being checked left errors"
    manager.close()
    with serial.serial_for_url(str(places["board"]), timeout=5.0) as board:
        board.write(b"id\n")  # a person may leave out the checksum
        assert board.read_until(b"\n").startswith(b"id,DOSING-DRIVE,")
    code, output, errors = running.stop(number)
    assert code == 0
    assert not errors or errors.startswith("The simulation was up to")  # a busy machine
    assert "SIMULATED" in output
    for role in ROLES:
        assert f"--hil-{role} {places[role]}" in output
    assert "stopped" in output
    assert not running.ready.exists(), "nobody is ready any more"
    assert json.loads(running.keep.read_text()) == places


def test_a_rig_file_that_is_wrong_is_one_line(tmp_path: Path) -> None:
    broken = tmp_path / "broken.yaml"
    broken.write_text("format: 1\nrig: x\nnonsense: 3\n")
    ready = tmp_path / "ready.json"
    process = start(broken, "--ready", ready)
    output, errors = process.communicate(timeout=PATIENCE)
    assert process.returncode == 2
    assert "broken.yaml" in errors
    assert "Traceback" not in errors
    assert output == ""
    assert not ready.exists()


def test_a_ready_file_that_cannot_be_written_stops_it(tmp_path: Path) -> None:
    process = start(RIG, "--ready", tmp_path / "no" / "such" / "folder.json")
    _, errors = process.communicate(timeout=PATIENCE)
    assert process.returncode == 1
    assert "folder.json" in errors
    assert "Traceback" not in errors


def test_announcement_says_it_is_simulated_and_how_to_use_it() -> None:
    places = {"supply": "TCPIP0::127.0.0.1::5025::SOCKET", "board": "/dev/pts/7"}
    lines = announcement(places, Path("rig.yaml"))
    assert lines[0].startswith("SIMULATED")
    command = next(line for line in lines if "pytest" in line)
    assert command.strip() == (
        "pytest testplans --hil-rig rig.yaml --hil-bench=hardware "
        "--hil-board /dev/pts/7 --hil-supply TCPIP0::127.0.0.1::5025::SOCKET"
    )
    assert not any("brake" in line for line in lines), "this rig has none"


def test_ports_of_the_rig_file_that_somebody_else_has_are_told() -> None:
    port = "TCPIP0::127.0.0.1::%d::SOCKET"
    places = {"board": "/dev/pts/7", "supply": port % 41234, "tachometer": port % 5026}
    moved = elsewhere(load_rig(RIG), places)
    assert moved == ["supply (5025)"]
    lines = announcement(places, RIG, moved)
    (told,) = [line for line in lines if line.startswith("NOT FREE")]
    assert "for supply (5025). A run that is not told those above by options talks to" in told
    assert not any(line.startswith("NOT FREE") for line in announcement(places, RIG))


def test_files_appear_whole(tmp_path: Path) -> None:
    file = tmp_path / "ready.json"
    file.write_text("old")
    write_whole(file, "new")
    assert file.read_text() == "new"
    assert list(tmp_path.iterdir()) == [file], "no part is left"
    blocked = tmp_path / "folder"
    blocked.mkdir()
    with pytest.raises(OSError, match="folder"):
        write_whole(blocked, "text")
    assert sorted(tmp_path.iterdir()) == sorted([file, blocked])


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signals_stop_and_handlers_come_back(number: int) -> None:
    before = signal.getsignal(number)
    calls: list[int] = []
    with stopping_on_signals(lambda: calls.append(1)):
        os.kill(os.getpid(), number)
        os.kill(os.getpid(), number)
    assert calls == [1, 1]
    assert signal.getsignal(number) is before


def test_troubles_come_after_it_is_ready_and_are_told(tmp_path: Path) -> None:
    file = tmp_path / "troubles.yaml"
    file.write_text("format: 1\ntroubles:\n  - {kind: supply-error, at: 0.2, value: -330}\n")
    ready = tmp_path / "ready.json"
    process = start(RIG, "--ready", ready, "--trouble", file, "--trouble", "brake-lost@0.1")
    try:
        places = wait_for(ready, process)
        assert process.stderr is not None
        told = [process.stderr.readline().strip() for _ in range(2)]
        assert told == [
            "trouble begins: brake-lost at 0.1 s",
            "trouble begins: supply-error -330 at 0.2 s",
        ]
        manager = pyvisa.ResourceManager("@py")
        settings = {"read_termination": "\n", "write_termination": "\n", "timeout": 5000}
        with manager.open_resource(str(places["supply"]), **settings) as supply:
            assert supply.query("SYST:ERR?").startswith("-330,")
        manager.close()
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=30)
    assert process.returncode == 0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("board-silnt@1", "did you mean 'board-silent'"),
        ("board-silent@soon", "time must be a number"),
        ("nothing.yaml", "nothing.yaml"),
    ],
)
def test_troubles_that_are_wrong_are_refused(text: str, said: str) -> None:
    with pytest.raises(click.BadParameter) as caught:
        schedule_of([text])
    assert said in caught.value.message


def test_a_file_of_troubles_that_is_wrong_is_named(tmp_path: Path) -> None:
    file = tmp_path / "t.yaml"
    for text, said in (
        ("format: 1\ntroubles: [{kind: board-late}]", "troubles[1]: at is missing"),
        ("troubles: [", "t.yaml: "),
    ):
        file.write_text(text)
        with pytest.raises(click.BadParameter) as caught:
            schedule_of([str(file)])
        assert said in caught.value.message
        assert "t.yaml" in caught.value.message


def test_a_trouble_this_bench_cannot_have_is_said_before_it_is_served() -> None:
    process = start(RIG, "--trouble", "interlock-silent@1")
    _, errors = process.communicate(timeout=PATIENCE)
    assert process.returncode == 2
    assert "this bench has no interlock" in errors
    assert "Traceback" not in errors


def test_own_firmware_that_does_not_answer_is_served_to_be_debugged(
    tmp_path: Path, firmware_c: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    profile = RIG.parents[1] / "profiles" / "dosing-lines.profile.yaml"
    quick = profile.read_text().replace("retries: 2", "retries: 0")
    (tmp_path / "quick.profile.yaml").write_text(quick)
    rig = tmp_path / "mute.yaml"
    rig.write_text(
        f"based-on: {RIG.as_posix()}\nrig: mute\nboard: {{profile: quick.profile.yaml}}\n"
        "twin:\n  firmware:\n    kind: sources\n"
        f"    sources: {{files: [{firmware_c(receive='return;')}]}}\n"
    )
    served: list[str] = []

    def announced(places: Mapping[str, str], *_: object) -> None:
        served.append(places["board"])
        os.kill(os.getpid(), signal.SIGINT)

    monkeypatch.setattr("hil.cli.twin._announce", announced)
    done = CliRunner().invoke(twin, [str(rig)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert "no answer to 'identify'" in done.stderr
    assert f"hil link {load_rig(rig).profile_path} --port {served[0]} " in done.stderr


def test_the_kinds_of_trouble_are_listed() -> None:
    lines = kinds_of_trouble()
    assert len(lines) == len(KINDS)
    assert any(line.startswith("board-latency ") and "0.02 s" in line for line in lines)


def test_troubles_are_listed_without_a_rig_and_nothing_else_is_done_without_one() -> None:
    listed = CliRunner().invoke(twin, ["--trouble", "help"])
    assert listed.exit_code == 0
    assert listed.output.splitlines() == kinds_of_trouble()
    missing = CliRunner().invoke(twin, [])
    assert missing.exit_code == 2
    assert "Missing argument 'RIG'" in missing.output
