from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from ci.history import make_history
from hil.cli.main import COMMANDS, main
from hil.cli.site import site
from hil.store.index import open_index


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    base = tmp_path_factory.mktemp("runs")
    make_history(base / "bench", 6, 4, 3, 0, simulated=False, gap=0.0)
    make_history(base / "twin", 4, 4, 4, 0, traces=2, gap=0.0)
    return base


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no folder is named, campaigns are taken from ``runs`` in the current one."""
    monkeypatch.chdir(tmp_path)


def call(*arguments: object) -> Result:
    return CliRunner().invoke(site, [str(argument) for argument in arguments])


def test_a_site_of_run_folders(runs: Path, tmp_path: Path) -> None:
    file = tmp_path / "site.json"
    done = call(runs / "bench", runs / "twin", "--out", tmp_path / "out", "--json", file)
    assert done.exit_code == 0, done.output
    lines = done.output.splitlines()
    assert lines[0].startswith("dosing-pump: 6 runs, ")
    assert lines[1].startswith("SIMULATED dosing-pump: 4 runs, ")
    assert lines[-1] == str(tmp_path / "out" / "index.html")
    assert all(len(line) <= 80 for line in lines[:-1])
    facts = json.loads(file.read_text())
    assert [one["evidence"] for one in facts["strands"]] == ["bench", "simulated"]
    assert facts["written"] == sum(1 for p in (tmp_path / "out").rglob("*") if p.is_file()) - 1
    again = call(runs / "bench", runs / "twin", "--out", tmp_path / "out", "--json", file)
    assert "0 files written" in again.output
    assert json.loads(file.read_text())["kept"] == facts["written"]


def test_a_site_of_an_index(runs: Path, tmp_path: Path) -> None:
    with open_index(tmp_path / "index.db") as index:
        index.rebuild([runs / "bench", runs / "twin"])
    done = call("--database", tmp_path / "index.db", "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    direct = call(runs / "bench", runs / "twin", "--out", tmp_path / "out")
    assert "0 files written" in direct.output  # the same site either way


@pytest.mark.parametrize("option", ["--rig=none", "--evidence=bench"])
def test_only_some_runs(runs: Path, tmp_path: Path, option: str) -> None:
    done = call(runs / "bench", runs / "twin", "--out", tmp_path / "out", option)
    assert done.exit_code == 0, done.output
    assert "SIMULATED" not in done.output
    assert ("no runs" in done.output) is (option == "--rig=none")
    assert "SIMULATED" not in (tmp_path / "out" / "index.html").read_text("utf-8")


def test_an_unreadable_run_is_named(runs: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad" / "2026-01-01t00-00-00z-aaaa"
    bad.mkdir(parents=True)
    (bad / "record.jsonl").write_text("nonsense\n")
    done = call(runs / "twin", tmp_path / "bad", "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    assert "not shown: " in done.output
    assert "2026-01-01t00-00-00z-aaaa" in done.output
    assert "not shown" in (tmp_path / "out" / "index.html").read_text("utf-8")


def test_an_altered_run_is_told_once_where_it_is_shown(tmp_path: Path) -> None:
    made = make_history(tmp_path / "runs", 3, 2, 5, 0, gap=0.0)
    plan = next((made.folders[1] / "inputs").iterdir())
    plan.write_bytes(plan.read_bytes() + b"#")
    shutil.copytree(made.folders[0], tmp_path / "again" / made.folders[0].name)
    done = call(tmp_path / "runs", tmp_path / "again", "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    page = (tmp_path / "out" / "index.html").read_text("utf-8")
    assert page.count(f"inputs/{plan.name}: SHA-256") == 1
    assert "1 of 3 runs is not as it was indexed" in page
    # A second folder of a run is in no other place than this list.
    assert (done.output.count("not shown: "), page.count("<strong>not shown</strong>")) == (1, 1)


def test_campaigns_are_found_beside_runs_and_where_they_are_named(
    runs: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "runs" / "defects-2026-03-01t22-15-09z-5f0c"
    folder.mkdir(parents=True)
    content: dict[str, Any] = {
        "plan": "p", "rig": "r", "seed": "1", "whole": False, "void": [], "items": [], "defects": []
    }  # fmt: skip
    (folder / "matrix.json").write_text(json.dumps(content))
    call(runs / "twin", "--out", tmp_path / "one", "--campaigns", tmp_path / "runs")
    assert (tmp_path / "one" / "defects.html").is_file()
    call(runs / "twin", "--out", tmp_path / "two")
    assert not (tmp_path / "two" / "defects.html").exists()
    with open_index() as index:
        index.rebuild([runs / "twin"])
    done = call("--out", "three")
    assert done.exit_code == 0, done.output
    assert (tmp_path / "three" / "defects.html").is_file()


def test_runs_and_an_index_at_once_are_refused(runs: Path, tmp_path: Path) -> None:
    done = call(runs, "--database", tmp_path / "x.db", "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert "not both" in done.output


def test_no_index_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as exit_:
        main(["site", "--database", str(tmp_path / "none.db"), "--out", str(tmp_path / "out")])
    assert exit_.value.code == 1
    error = capsys.readouterr().err
    assert error.startswith("hil: ")
    assert error.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_folder_with_other_things_is_refused(
    runs: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine").write_text("x")
    with pytest.raises(SystemExit):
        main(["site", str(runs / "twin"), "--out", str(tmp_path)])
    assert "name a new or empty folder" in capsys.readouterr().err


def test_the_command_is_listed() -> None:
    assert COMMANDS["site"][:2] == ("hil.cli.site", "site")
