"""The alterations that are put to ``hil verify``, on a small run; and that a blind one is seen."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ci import altering
from hil.core.record import Identity, ItemResult, ItemStart, RunEnd, RunStart
from hil.core.verdict import Verdict
from hil.report.rebuild import rebuild
from hil.store.folder import RunFolder
from hil.store.manifest import write_manifest

UTC = "2026-03-01T22:15:09.123Z"


def small_run(out: Path) -> Path:
    board = Identity(role="board", model="DRIVE", revision="B1")
    with RunFolder.create(out, "night") as folder:
        start = RunStart(
            run="night", utc=UTC, simulated=True, bench="twin", rig="pump", items=("start.cw",),
            identities=(board,),
        )  # fmt: skip
        result = ItemResult(
            item="start.cw", scenario="start", plan="p", title="", conditions={},
            verdict=Verdict.PASS, reason="", utc=UTC, duration=1.0,
        )  # fmt: skip
        folder.append(start)
        folder.append(ItemStart(item="start.cw", utc=UTC, position=1, of=1))
        folder.append(result)
        folder.append(RunEnd(utc=UTC, reason="completed", counts={}, identities=(board,)))
    (folder.path / "traces" / "start.cw.1.parquet").write_bytes(b"PAR1" * 100)
    rebuild(folder.path)
    (folder.path / "plotly.min.js").write_bytes(b"// small")
    write_manifest(folder.path, UTC)
    return folder.path


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(altering, "simulated_run", small_run)


def test_every_alteration_is_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "out.json"
    assert altering.main(["--count", "120", "--seed", "7", "--json", str(file)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[:3] == [
        "120 of 120 found and named: byte",
        "12 of 12 found and named: removed",
        "12 of 12 found and named: added",
    ]
    facts = json.loads(file.read_text())
    assert (facts["found"], facts["of"], facts["missed"]) == (144, 144, [])
    assert facts["by-command"] == 6
    assert facts["kinds"] == {"byte": 120, "removed": 12, "added": 12}


def test_both_folders_and_every_kind_of_file_get_their_turn(tmp_path: Path) -> None:
    done = altering.alter(tmp_path, 300, 3)
    files = {(one.folder, one.file) for one in done if one.kind == "byte"}
    assert {
        ("dossier", "manifest.sha256"),
        ("dossier", "manifest.sha256.sig"),
        ("dossier", "public-key.pem"),
        ("dossier", "dossier.html"),
        ("run", "manifest.json"),
        ("run", "record.jsonl"),
    } <= files


def test_what_goes_unnoticed_fails_and_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    real = altering.named_first

    def blind(folder: Path) -> str:
        named = real(folder)
        return "" if named.endswith("record.jsonl") else named

    monkeypatch.setattr(altering, "named_first", blind)
    assert altering.main(["--count", "60"]) == 1
    assert "MISSED Alteration(" in capsys.readouterr().out
