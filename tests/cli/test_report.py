from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from hil.cli.main import main
from hil.core.record import UNSAFE, ItemResult, ItemStart, Note, RunEnd, RunStart
from hil.core.trace import Channel, Trace
from hil.core.verdict import Verdict
from hil.store.folder import RunFolder
from hil.store.intact import check_run
from hil.store.manifest import write_manifest

UTC = "2026-03-01T22:15:09.123Z"


@pytest.fixture
def run(tmp_path: Path) -> Path:
    with RunFolder.create(tmp_path, "night") as folder:
        items = ("start-cw", "stall")
        folder.append(
            RunStart(run="night", utc=UTC, simulated=True, bench="twin", rig="pump", items=items)
        )
        for n, (item, verdict) in enumerate(zip(items, (Verdict.PASS, Verdict.FAIL), strict=True)):
            folder.append(ItemStart(item=item, utc=UTC, position=n + 1, of=2))
            folder.append(
                ItemResult(
                    item=item,
                    scenario="start",
                    plan="p",
                    title="",
                    conditions={},
                    verdict=verdict,
                    reason="as\nexpected",
                    utc=UTC,
                    duration=1.0,
                )
            )
        folder.append(RunEnd(utc=UTC, reason="completed", counts={}))
        return folder.path


def _run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(["report", *arguments])
    return int(left.value.code or 0)


def test_what_may_still_be_live_comes_first(
    run: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with RunFolder.reopen(run) as folder:
        folder.append(Note(utc=UTC, text="the brake may still be on: no answer", level=UNSAFE))
    assert _run(str(run), "--json", str(tmp_path / "f.json")) == 0
    first = capsys.readouterr().out.splitlines()[0]
    assert first == "CHECK THE BENCH: the brake may still be on: no answer"
    told = json.loads((tmp_path / "f.json").read_text())
    assert told["unsafe"] == ["the brake may still be on: no answer"]


def test_it_rebuilds_and_says_what_did_not_pass(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run(str(run)) == 0
    assert capsys.readouterr().out.splitlines() == [
        "SIMULATED: no motor turned.",
        "run night: 1 fail, 1 pass",
        "  fail        stall: as expected",
        str(run / "junit.xml"),
        str(run / "measures.csv"),
        str(run / "report.html"),
    ]
    assert all((run / n).is_file() for n in ("junit.xml", "measures.csv", "report.html"))


def test_the_figures_as_json(run: Path, tmp_path: Path) -> None:
    assert _run(str(run), "--json", str(tmp_path / "out.json")) == 0
    found = json.loads((tmp_path / "out.json").read_text())
    assert found["counts"]["fail"] == 1
    assert found["standing"] == "fail"
    assert found["items"][0] == {"name": "stall", "standing": "fail", "reason": "as expected"}
    assert found["operating_points"] == []  # no traces, and no nameplate


def test_an_unfinished_run_is_named(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    content = (run / "record.jsonl").read_bytes()
    (run / "record.jsonl").write_bytes(content[:-5])
    assert _run(str(run)) == 0
    assert "The run did not come to its end." in capsys.readouterr().out


def test_the_record_file_will_do_as_well(run: Path) -> None:
    assert _run(str(run / "record.jsonl")) == 0
    assert (run / "report.html").is_file()


def test_a_damaged_record_is_one_line_with_its_place(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content = (run / "record.jsonl").read_text().replace('"kind":"item"', '"kind":"thing"', 1)
    (run / "record.jsonl").write_text(content)
    assert _run(str(run)) == 1
    assert capsys.readouterr().err.startswith(f"hil: {run}/record.jsonl:3: unknown kind")


def test_an_unwritable_json_file_is_one_line(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run(str(run), "--json", str(tmp_path / "none" / "x.json")) == 1
    assert "No such file or directory" in capsys.readouterr().err


def test_a_run_that_is_not_there_is_a_misused_command_line(tmp_path: Path) -> None:
    assert _run(str(tmp_path / "none")) == 2


def test_what_is_derived_again_is_taken_into_the_manifest(run: Path) -> None:
    write_manifest(run, UTC)
    assert _run(str(run)) == 0
    assert check_run(run).intact


def test_an_altered_manifest_is_left_as_it_is_and_told(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_manifest(run, UTC)
    altered = (run / "manifest.json").read_text().replace("night", "nacht")
    (run / "manifest.json").write_text(altered)
    assert _run(str(run)) == 0
    assert "The manifest was left as it is" in capsys.readouterr().err
    assert (run / "manifest.json").read_text() == altered


def test_traces_as_csv(run: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    t = np.array([0.0, 0.1])
    trace = Trace({"witness.speed": Channel("witness.speed", "rpm", t, 10.0 * t)}, (), 0.1)
    with RunFolder.reopen(run) as folder:
        folder.write_trace("start-cw", 1, trace)
        folder.write_trace("stall", 1, trace)
    (run / "traces" / "stall.1.parquet").write_bytes(b"torn")
    assert _run(str(run), "--csv", str(tmp_path / "deep" / "tables")) == 0
    assert f"1 trace as CSV in {tmp_path / 'deep' / 'tables'}" in capsys.readouterr().out
    tables = tmp_path / "deep" / "tables"
    assert {file.name for file in tables.iterdir()} == {
        "start-cw.1.csv", "traces.csv", "measures.csv",
    }  # fmt: skip
    lines = (tables / "start-cw.1.csv").read_text().splitlines()
    assert lines[2] == "0.1,witness.speed,1.0,rpm,"
    head, row = (tables / "traces.csv").read_text().splitlines()
    assert head.startswith("format,run,began_utc,")
    assert row.startswith("1,night,")
    assert ",start-cw.1.csv," in row
    assert (tables / "measures.csv").read_text().startswith("run,began_utc,build,item_began_utc,")


def test_a_summary_is_appended_for_a_pipeline(run: Path, tmp_path: Path) -> None:
    file = tmp_path / "summary.md"
    file.write_text("what another step wrote")
    url = "https://ci.example/run/7"
    assert _run(str(run), "--summary", str(file), "--artefacts", url) == 0
    written = file.read_text()
    assert written.startswith("what another step wrote\n## SIMULATED: ✗ fail: run night\n")
    assert "| stall | ✗ fail | as expected |" in written
    assert f"[kept here](<{url}>)" in written
    assert _run(str(run), "--summary", str(file)) == 0
    assert file.read_text().count("## SIMULATED: ") == 2


def test_a_summary_may_be_printed_alone(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert _run(str(run), "--summary", "-") == 0
    printed = capsys.readouterr()
    assert printed.out.startswith("## SIMULATED: ✗ fail: run night\n")
    assert "run night: 1 fail, 1 pass" not in printed.out
    assert "run night: 1 fail, 1 pass" in printed.err


def test_summaries_of_one_file_share_the_largest_size(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from hil.report.job_summary import MOST_BYTES

    file = tmp_path / "summary.md"
    file.write_text("x" * (MOST_BYTES - 100))
    assert _run(str(run), "--summary", str(file)) == 0
    assert file.stat().st_size == MOST_BYTES - 100
    assert f"{file}: full at 900 kB, run night is not in it" in capsys.readouterr().err


def test_a_summary_that_cannot_be_written_is_one_line(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run(str(run), "--summary", str(tmp_path / "none" / "x.md")) == 1
    assert "No such file or directory" in capsys.readouterr().err
