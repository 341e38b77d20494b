"""What a reader is told of a folder that has suffered."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hil.core.errors import StoreError
from hil.core.record import ItemResult, RunStart
from hil.core.trace import Channel, Trace
from hil.report.rebuild import rebuild
from hil.store.condition import problems
from hil.store.folder import RunFolder
from hil.store.reading import RECORD, read
from hil.store.traces import check_trace


@pytest.fixture
def folder(tmp_path: Path, run_start: RunStart, item_result: ItemResult) -> Path:
    plan = tmp_path / "n.plan.yaml"
    plan.write_text("format: 1\n")
    with RunFolder.create(tmp_path / "runs", "r") as run:
        run.append(replace(run_start, hashes=run.keep_inputs([plan])))
        with run.raw_log("a") as log:
            log.sent(0.5, b"\x01\x02")
        channel = Channel("shaft.speed", "rpm", np.arange(50.0), np.arange(50.0))
        name = run.write_trace("a", 1, Trace({"shaft.speed": channel}, (), end=50.0))
        run.append(replace(item_result, traces=(name,)))
    return run.path


def test_a_sound_folder_has_no_problems(folder: Path) -> None:
    assert problems(read(folder)) == ()


def damaged(folder: Path, name: str, change) -> tuple[str, ...]:
    file = folder / name
    file.write_bytes(change(file.read_bytes()))
    return problems(read(folder))


@pytest.mark.parametrize(
    ("name", "change", "words"),
    [
        ("traces/a.1.parquet", lambda c: c[:-9], "traces/a.1.parquet: not a readable trace"),
        ("traces/a.1.parquet", lambda _: b"", "traces/a.1.parquet: not a readable trace"),
        ("traces/a.1.parquet", lambda c: bytes(len(c)), "traces/a.1.parquet: not a readable"),
        ("serial/a.log", lambda _: b"", "serial/a.log: empty"),
        ("serial/a.log", lambda c: c[:-3], "serial/a.log: its last line was cut short"),
        ("serial/a.log", lambda c: c + bytes(9), "serial/a.log: holds blocks that never reached"),
        ("inputs/n.plan.yaml", lambda c: c + b"#", "inputs/n.plan.yaml: not what the record says"),
        (RECORD, lambda c: c + b'{"kind":"no', f"{RECORD}: its last line was cut short"),
    ],
    ids=[
        "trace cut",
        "trace empty",
        "trace lost",
        "log empty",
        "log cut",
        "log lost",
        "plan",
        "record",
    ],
)
def test_each_damage_is_named_and_a_report_is_made_all_the_same(
    folder: Path, name: str, change, words: str
) -> None:
    (line,) = damaged(folder, name, change)
    assert line.startswith(words)
    rebuild(folder)
    assert words.split(":", maxsplit=1)[0] in (folder / "report.html").read_text()


@pytest.mark.parametrize("name", ["traces/a.1.parquet", "inputs/n.plan.yaml"])
def test_what_is_missing_is_named(folder: Path, name: str) -> None:
    (folder / name).unlink()
    (line,) = problems(read(folder))
    assert line.startswith(f"{name}: ")
    assert str(folder) not in line.removeprefix(name)
    rebuild(folder)


def test_a_trace_that_lost_samples_is_no_sound_trace(folder: Path, tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    file = folder / "traces" / "a.1.parquet"
    table = pq.read_table(file, partitioning=None)
    short = tmp_path / "short.parquet"
    pq.write_table(table.slice(0, 10), short)
    with pytest.raises(StoreError, match="holds 10 samples, its description says 50"):
        check_trace(short)


def test_the_command_says_it_and_does_not_fail(folder: Path) -> None:
    from click.testing import CliRunner

    from hil.cli.report import report

    (folder / "traces" / "a.1.parquet").write_bytes(b"PAR1")
    said = CliRunner().invoke(report, [str(folder)])
    assert said.exit_code == 0
    assert "unreadable: traces/a.1.parquet: not a readable trace" in said.output
