"""One writer a run folder."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from hil.core.errors import StoreError
from hil.store import lock as module
from hil.store.folder import RunFolder
from hil.store.lock import lock
from hil.store.reading import RECORD

HOLD = """
import sys, time
from hil.store.folder import RunFolder
folder = RunFolder.create(sys.argv[1], "r")
from hil.core.record import RunStart
folder.append(RunStart(run="r", utc="u", simulated=True, bench="b", rig="r"))
print("held", flush=True)
time.sleep(60)
"""


def test_a_second_writer_is_told_and_a_dead_one_is_not_in_the_way(tmp_path: Path) -> None:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        before = (tmp_path / "r" / RECORD).read_bytes()
        with pytest.raises(StoreError, match="another process is still writing this run"):
            RunFolder.reopen(tmp_path / "r")
        assert (tmp_path / "r" / RECORD).read_bytes() == before
    finally:
        holder.send_signal(signal.SIGKILL)
        holder.wait()
        holder.stdout.close()
    RunFolder.reopen(tmp_path / "r").close()


def test_two_handles_exclude_each_other(tmp_path: Path) -> None:
    one, two = (os.open(tmp_path / "f", os.O_RDWR | os.O_CREAT) for _ in range(2))
    try:
        assert lock(one)
        assert not lock(two)
        os.close(one)
        assert lock(two)
    finally:
        os.close(two)


def test_a_share_without_locks_does_not_stop_a_night(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(_file: int) -> None:
        raise OSError(errno.ENOLCK, "no locks available")

    monkeypatch.setattr(module, "_lock", none)
    assert lock(0)
