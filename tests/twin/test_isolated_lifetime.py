"""Libraries that cannot be loaded, and processes that must not outlive their bench."""

from __future__ import annotations

import gc
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from hil.core.errors import FirmwareError, PlanError
from hil.twin import firmware_client, library
from hil.twin.drive import Drive
from hil.twin.isolated import IsolatedFirmware
from hil.twin.parameters import DriveParameters

QUIET = ["-O0", "-w"]


def after(seconds: float, body: str) -> str:
    return f"if (now >= {seconds} - 1e-9) {{ {body} }}"


def children() -> set[int]:
    """Processes below the firmware server of this process, running or not yet waited for."""
    server = firmware_client.server()
    found = Path(f"/proc/{server._process.pid}/task/{server._process.pid}/children").read_text()
    return {int(one) for one in found.split()}


@pytest.mark.parametrize(
    ("bodies", "text"),
    [
        ({"version": "return 7;"}, "built for port version 7, expected 1"),
        (
            {"end": "void nowhere(void); void call(void) { nowhere(); }"},
            "undefined symbol: nowhere",
        ),
    ],
)
def test_libraries_that_do_not_fit_are_refused_as_in_this_process(
    firmware_c, tmp_path, bodies, text
):
    path = library.build([firmware_c(**bodies)], folder=tmp_path)
    messages = []
    for load in (IsolatedFirmware.load, library.load):
        with pytest.raises(PlanError, match=text) as caught:
            load(path)
        messages.append(str(caught.value))
    assert messages[0] == messages[1]


def test_missing_functions_and_files_are_named(firmware_c, tmp_path):
    source = firmware_c()
    source.write_text(source.read_text().replace("port_transmit", "transmit"))
    with pytest.raises(PlanError, match="lacks port_transmit"):
        IsolatedFirmware.load(library.build([source], folder=tmp_path))
    with pytest.raises(PlanError, match="not found"):
        IsolatedFirmware.load(tmp_path / "none.so")


def test_a_library_that_crashes_while_it_is_loaded_is_the_firmwares_doing(firmware_c, tmp_path):
    top = "__attribute__((constructor)) static void early(void) { abort(); }"
    path = library.build([firmware_c(top=top)], folder=tmp_path)
    with pytest.raises(FirmwareError, match=r"tiny: crashed with SIGABRT .* while it was loaded"):
        IsolatedFirmware.load(path, "tiny")


def test_a_drive_that_is_forgotten_takes_its_process_along(firmware_c, tmp_path):
    path = library.build([firmware_c()], folder=tmp_path)
    before = children()
    drive = Drive(DriveParameters(), IsolatedFirmware.load(path), seed=1)
    drive.advance(0.01)
    left = children() - before
    assert len(left) == 1
    del drive
    gc.collect()
    (pid,) = left
    ended = False
    for _ in range(200):  # the process notices by itself, the server within 0.2 s
        stat = Path(f"/proc/{pid}/stat")
        ended = not stat.exists()
        if ended:
            break
        subprocess.run(["sleep", "0.02"], check=True)
    assert ended


SCRIPT = """
    import os, signal, sys
    from hil.twin.drive import Drive
    from hil.twin.firmware_client import server
    from hil.twin.isolated import IsolatedFirmware
    from hil.twin.parameters import DriveParameters
    drive = Drive(DriveParameters(), IsolatedFirmware.load(sys.argv[1]), seed=1)
    drive.advance(0.01)
    print(server()._process.pid, drive.firmware.host._line.pid, flush=True)
    {end}
"""


@pytest.mark.parametrize(
    "end",
    ["", "os.kill(os.getpid(), signal.SIGKILL)", "drive.advance(1.0)"],
    ids=["normal end", "killed", "killed while the firmware loops"],
)
def test_no_process_outlives_the_bench(firmware_c, tmp_path, end):
    looping = "advance(1.0)" in end
    path = library.build(
        [firmware_c(period=after(0.5, "for (;;) zero = 0;") if looping else "")],
        flags=QUIET,
        folder=tmp_path,
    )
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(SCRIPT).format(end=end), str(path)],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        pids = [int(one) for one in process.stdout.readline().split()]
        assert len(pids) == 2
        if looping:
            process.kill()
        process.wait()
    for _ in range(200):
        left = [pid for pid in pids if _running(pid)]
        if not left:
            return
        subprocess.run(["sleep", "0.05"], check=True)
    pytest.fail(f"still there: {left}")


def _running(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False
    return state != "Z"  # nobody may be there to wait for an orphan in a container
