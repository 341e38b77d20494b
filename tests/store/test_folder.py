from __future__ import annotations

import hashlib
import os
import re
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hil.core.errors import StoreError
from hil.core.record import ItemResult, ItemStart, Note, RunEnd, RunStart
from hil.core.trace import Channel, Trace
from hil.store.folder import RunFolder, new_name, refuse_unless_writable
from hil.store.rawlog import read_raw_log
from hil.store.reading import read
from hil.store.traces import read_trace


def test_a_name_is_safe_everywhere_and_sorts_by_time() -> None:
    name = new_name()
    assert re.fullmatch(r"\d{4}-\d\d-\d\dt\d\d-\d\d-\d\dz-[0-9a-f]{4}", name)
    assert new_name() >= name[:-5]


def test_a_new_folder_has_its_parts(tmp_path: Path) -> None:
    with RunFolder.create(tmp_path / "deep" / "out") as run:
        assert run.path.parent == tmp_path / "deep" / "out"
        assert run.path.name == run.name
        found = sorted(path.name for path in run.path.iterdir())
    assert found == ["inputs", "record.jsonl", "serial", "traces"]


def test_a_given_name_is_used_once(tmp_path: Path) -> None:
    RunFolder.create(tmp_path, "nightly-1").close()
    with pytest.raises(StoreError, match="a run of that name already"):
        RunFolder.create(tmp_path, "nightly-1")


@pytest.mark.parametrize(
    "name",
    [
        "",
        "..",
        ".hidden",
        "a/b",
        "a\\b",
        "a:b",
        "a[1]",
        "Upper",
        "a b",
        "a.",
        "con",
        "nul.txt",
        "ü",
        "a" * 200,
        "a\n",
    ],
)
def test_a_name_unsafe_on_some_system_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(StoreError, match="cannot name a file on every system"):
        RunFolder.create(tmp_path, name)
    assert list(tmp_path.iterdir()) == []


def test_names_drawn_twice_are_drawn_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = iter(["same", "same", "other"])
    monkeypatch.setattr("hil.store.folder.new_name", lambda: next(names))
    first, second = RunFolder.create(tmp_path), RunFolder.create(tmp_path)
    assert (first.name, second.name) == ("same", "other")
    first.close()
    second.close()


@pytest.mark.parametrize("make", [RunFolder.create, refuse_unless_writable])
@pytest.mark.parametrize("out", ["out", "out/deeper", "/proc/x"])
def test_an_out_folder_that_cannot_be_made_is_an_error(tmp_path: Path, make, out: str) -> None:
    (tmp_path / "out").write_text("")
    with pytest.raises(StoreError, match=f"{out}: cannot make a run folder: [A-Z]"):
        make(tmp_path / out)


def test_asking_whether_a_run_folder_can_be_made_leaves_the_folder_empty(tmp_path: Path) -> None:
    for _ in range(2):
        refuse_unless_writable(tmp_path / "a" / "b")
    assert list((tmp_path / "a" / "b").iterdir()) == []


def test_entries_are_on_the_disk_when_append_returns(
    tmp_path: Path,
    run_start: RunStart,
    item_start: ItemStart,
    item_result: ItemResult,
    run_end: RunEnd,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    synced: list[int] = []
    fsync = os.fsync
    with RunFolder.create(tmp_path) as run:
        monkeypatch.setattr(os, "fsync", lambda fd: (synced.append(fd), fsync(fd)))
        for number, entry in enumerate((run_start, item_start, item_result, run_end), 1):
            run.append(entry)
            assert len(synced) == number
            assert read(run.path).entries[-1] == entry
        assert run.read().results == (item_result,)


def test_a_bad_entry_leaves_the_record_as_it_was(
    tmp_path: Path, run_start: RunStart, item_result: ItemResult
) -> None:
    with RunFolder.create(tmp_path) as run:
        run.append(run_start)
        before = (run.path / "record.jsonl").read_bytes()
        with pytest.raises(StoreError, match="finite"):
            run.append(replace(item_result, duration=float("nan")))
        assert (run.path / "record.jsonl").read_bytes() == before


def test_a_full_disk_leaves_no_half_line(
    tmp_path: Path, run_start: RunStart, item_start: ItemStart, monkeypatch: pytest.MonkeyPatch
) -> None:
    with RunFolder.create(tmp_path) as run:
        run.append(run_start)

        def full(_: int) -> None:
            raise OSError(28, "No space left on device")

        with monkeypatch.context() as patched:
            patched.setattr("hil.store.folder.os.fsync", full)
            with pytest.raises(StoreError, match=r"record\.jsonl: cannot be written: .*No space"):
                run.append(item_start)
        run.append(item_start)
        assert read(run.path).entries == (run_start, item_start)


def test_appending_to_a_closed_folder_is_an_error(tmp_path: Path, run_start: RunStart) -> None:
    run = RunFolder.create(tmp_path)
    run.close()
    run.close()
    with pytest.raises(StoreError, match="cannot be written"):
        run.append(run_start)


def test_traces_get_a_file_a_repetition_and_are_never_overwritten(tmp_path: Path) -> None:
    t = np.arange(5.0)
    trace = Trace({"witness.speed": Channel("witness.speed", "rpm", t, t)}, (), 5.0)
    with RunFolder.create(tmp_path) as run:
        names = [run.write_trace("start-cw", n, trace) for n in (1, 2, 2)]
        assert names == ["start-cw.1.parquet", "start-cw.2.parquet", "start-cw.2-2.parquet"]
        for name in names:
            assert read_trace(run.path / "traces" / name).end == 5.0
        with pytest.raises(StoreError, match="cannot name a file"):
            run.write_trace("../escape", 1, trace)


def test_raw_logs_get_a_file_an_item(tmp_path: Path) -> None:
    with RunFolder.create(tmp_path) as run:
        for _ in range(2):
            with run.raw_log("stall") as log:
                log.sent(0.5, b"START")
        found = sorted(path.name for path in (run.path / "serial").iterdir())
        assert found == ["stall-2.log", "stall.log"]
        assert [piece.data for piece in read_raw_log(run.path / "serial" / "stall.log")] == [
            b"START"
        ]


def test_inputs_are_copied_with_their_hashes(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    rig, other, plan = tmp_path / "a/rig.yaml", tmp_path / "b/rig.yaml", tmp_path / "p.plan.yaml"
    rig.write_bytes(b"rig\r\n")
    other.write_bytes(b"another")
    plan.write_bytes(b"plan")
    with RunFolder.create(tmp_path / "out") as run:
        hashes = run.keep_inputs([rig, str(plan), other, rig])
        for name, digest in hashes.items():
            copy = (run.path / "inputs" / name).read_bytes()
            assert hashlib.sha256(copy).hexdigest() == digest
        assert list(hashes) == ["rig.yaml", "p.plan.yaml", "rig-2.yaml"]
        assert (run.path / "inputs" / "rig.yaml").read_bytes() == b"rig\r\n"
        with pytest.raises(StoreError, match=r"none\.yaml: cannot be read"):
            run.keep_inputs([tmp_path / "none.yaml"])


def test_reopening_appends(tmp_path: Path, run_start: RunStart, item_start: ItemStart) -> None:
    with RunFolder.create(tmp_path) as run:
        run.append(run_start)
    with RunFolder.reopen(run.path) as again:
        again.append(item_start)
    assert read(run.path).entries == (run_start, item_start)


def test_reopening_keeps_what_an_unfinished_line_said(
    tmp_path: Path, run_start: RunStart, item_start: ItemStart
) -> None:
    with RunFolder.create(tmp_path) as run:
        run.append(run_start)
    with (run.path / "record.jsonl").open("ab") as file:
        file.write(b'{"kind":"item-st')
    with RunFolder.reopen(run.path) as again:
        again.append(item_start)
    record = read(run.path)
    assert not record.unfinished
    note = record.entries[1]
    assert isinstance(note, Note)
    assert note.text == 'cut off an unfinished line: {"kind":"item-st'
    assert record.entries[2] == item_start


def test_reopening_needs_a_readable_record(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no readable record"):
        RunFolder.reopen(tmp_path)


_WRITER = """
import sys
from hil.core.record import ItemStart, RunStart
from hil.store.folder import RunFolder
run = RunFolder.create(sys.argv[1], "killed")
run.append(RunStart(run="killed", utc="u", simulated=True, bench="b", rig="r"))
n = 0
while True:
    n += 1
    run.append(ItemStart(item=f"i{n}", utc="u" * 5000, position=n, of=n))
    print(n, flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is a POSIX signal")
def test_every_entry_confirmed_before_a_kill_is_there_after_it(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        confirmed = [int(writer.stdout.readline()) for _ in range(20)]
        writer.send_signal(signal.SIGKILL)
        confirmed += [int(line) for line in writer.stdout if line.endswith("\n")]
    record = read(tmp_path / "killed")
    items = {item.item for item in record.interrupted}
    assert {f"i{n}" for n in confirmed} <= items
    assert len(items) - len(confirmed) in (0, 1)
