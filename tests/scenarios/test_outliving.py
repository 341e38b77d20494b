"""Real processes whose parent is killed: before they begin, and while they work."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from hil.scenarios.outliving import ended_with_parent

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells a child")


def gone(process: int, within: float = 30.0) -> bool:
    """Whether it ends in time; one that nobody waits for has ended, too."""
    end = time.monotonic() + within
    while time.monotonic() < end:
        try:
            state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            return True
        if state == "Z":
            return True
        time.sleep(0.01)
    return False


@pytest.mark.parametrize("tied", [True, False])
def test_a_child_ends_with_its_parent_if_it_asked_for_it(tied: bool, tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(
        "import subprocess, sys, time\n"
        "from hil.scenarios.outliving import ended_with_parent\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(120)'],\n"
        f"    start_new_session=True, preexec_fn=ended_with_parent() if {tied} else None)\n"
        "print(child.pid, flush=True)\n"
        "time.sleep(120)\n"
    )
    parent = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    try:
        parent.send_signal(signal.SIGKILL)
        parent.wait()
        assert gone(child, 30.0 if tied else 1.0) is tied
    finally:
        parent.kill()
        parent.stdout.close()
        if not gone(child, 0.0):
            os.kill(child, signal.SIGKILL)


def test_a_parent_that_was_gone_before_it_was_asked(tmp_path: Path) -> None:
    """Made here, asked by a grandchild: its parent is another process than the one that made it."""
    ask = ended_with_parent()
    assert ask is not None
    child = os.fork()
    if child == 0:
        grandchild = os.fork()
        if grandchild == 0:
            ask()
            (tmp_path / "survived").touch()
            os._exit(0)
        _, status = os.waitpid(grandchild, 0)
        os._exit(os.waitstatus_to_exitcode(status) == -signal.SIGTERM)
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == 1
    assert not (tmp_path / "survived").exists()
