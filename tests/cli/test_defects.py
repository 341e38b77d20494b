"""``hil defects``: what it prints, saves, and answers as exit code."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import signal
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

from hil.cli.main import main
from hil.report.site.campaigns import read_defects, read_defects_file
from hil.store.fingerprint import code_fingerprint
from hil.twin.defects import DEFECTS

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"

SMALL = """
format: 1
plan: small
rig: {rig}
scenarios:
  - id: start
    scenario: start
    speed: 1500 rpm
    matrix: {{direction: [cw, ccw]}}
    bands: {{success: {{exactly: 1}}, peak-current: {{max: {most}}}, ripple: {{max: 20 %}}}}
  - id: refusals
    scenario: steps
    steps:
      - {{expect-refusal: {{start: 9000 rpm}}}}
    bands: {{refusals: {{exactly: 1}}}}
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "small.plan.yaml"
    path.write_text(SMALL.format(rig=RIG, most="3 A"), encoding="utf-8")
    return path


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as left:
        main(["defects", *map(str, arguments)])
    return int(left.value.code or 0)


def test_the_list_needs_no_plan(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("--list") == 0
    out = capsys.readouterr().out
    for one in DEFECTS.values():
        assert one.name in out
        assert one.consequence in out
    assert list(tmp_path.iterdir()) == []


def test_tags_select(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--list", "--tag", "intermittent") == 0
    out = capsys.readouterr().out
    assert "start-missed-1-in-50" in out
    assert "stall-not-noticed" not in out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--only", "stall-unseen"), "no defect is called 'stall-unseen'"),
        (("--only", "late-commutation"), "did you mean 'commutation-late'?"),
        (("--only", "x"), f"there are {len(DEFECTS)} others (hil defects --list names all)"),
        (("--tag", "weather"), "no defect has any of these tags: weather"),
        (("--plan", "absent.plan.yaml"), "does not exist"),
        (("--jobs", "0"), "--jobs"),
    ],
)
def test_a_misused_command_line_is_told(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
    said: str,
) -> None:
    monkeypatch.chdir(Path(__file__).parents[2])  # where the nightly plan is
    assert run(*arguments) == 2
    assert said in " ".join(capsys.readouterr().err.split())


def test_without_the_nightly_plan_one_must_be_named(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("--only", "stall-not-noticed") == 2
    assert "give --plan" in capsys.readouterr().err


def test_caught_and_escaped(capsys: pytest.CaptureFixture[str], plan: Path, tmp_path: Path) -> None:
    """A small plan catches some, and says on top what it does not catch."""
    saved, page = tmp_path / "matrix.json", tmp_path / "page.md"
    names = ("speed-not-checked", "turns-the-wrong-way", "stall-not-noticed")
    only = [word for name in names for word in ("--only", name)]
    files = ("--out", tmp_path / "runs", "--json", saved, "--markdown", page)
    assert run("--plan", plan, *only, "--jobs", 1, *files) == 1
    out = capsys.readouterr().out.splitlines()
    assert out[0] == "SIMULATED: no motor turned."
    table = out[next(n for n, line in enumerate(out) if line.startswith("defect ")) + 1 :]
    assert table[0].startswith("stall-not-noticed")
    assert "NOBODY" in table[0]
    assert table[1].split()[:2] == ["speed-not-checked", "refusals"]
    assert table[2].split()[0] == "turns-the-wrong-way"
    assert table[2].split()[1] in ("start.cw", "start.ccw")
    assert out[-1].startswith("2 of 3 defects caught in ")

    content = json.loads(saved.read_text(encoding="utf-8"))
    assert content["simulated"] is True
    assert content["void"] == []
    assert content["items"] == ["start.cw", "start.ccw", "refusals"]
    found = {entry["defect"]: entry for entry in content["defects"]}
    assert found["stall-not-noticed"]["item"] == ""
    assert "was obeyed" in found["speed-not-checked"]["reason"]

    assert content["library"] > len(names)
    assert content["inputs"][plan.name] == hashlib.sha256(plan.read_bytes()).hexdigest()
    assert len(content["inputs"]) > 2, "its rig file and link profile, too"
    view = read_defects_file(saved)
    assert (view.utc[:4].isdigit(), view.library) == (True, content["library"])
    assert view.made_with == f"{version('hil')}, code {code_fingerprint()[:16]}"

    folder = Path(content["folder"])
    assert json.loads((folder / "matrix.json").read_text())["defects"] == content["defects"]
    assert read_defects_file(saved) == read_defects(folder)
    with (folder / "matrix.csv").open(newline="") as file:
        cells = list(csv.DictReader(file))
    assert {cell["item"] for cell in cells if cell["defect"] == "stall-not-noticed"} == {
        "start.cw",
        "start.ccw",
        "refusals",
    }
    text = page.read_text(encoding="utf-8")
    assert text.startswith("# Seeded defects")
    assert "2 of 3 defects caught by `small.plan.yaml`" in text


def test_a_plan_that_fails_healthy_firmware_proves_nothing(
    capsys: pytest.CaptureFixture[str], plan: Path, tmp_path: Path
) -> None:
    plan.write_text(SMALL.format(rig=RIG, most="0.1 A"), encoding="utf-8")
    arguments = ("--plan", plan, "--only", "speed-not-checked", "--jobs", 1)
    assert run(*arguments, "--out", tmp_path / "runs") == 1
    out = capsys.readouterr().out
    assert "VOID: the healthy firmware does not pass 2 items:" in out
    assert "start.cw: fail, firmware: peak-current" in out
    assert "defects caught" not in out


@pytest.mark.skipif(sys.platform == "win32", reason="needs signals")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_early_and_tells_what_is_settled(
    plan: Path, tmp_path: Path, number: signal.Signals
) -> None:
    arguments = ("--plan", plan, "--jobs", 1, "--whole", "--out", tmp_path / "runs")
    with subprocess.Popen(
        [sys.executable, "-m", "hil.cli.main", "defects", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as begun:
        assert begun.stdout is not None
        said = ""
        while " defects, up to " not in said:
            said += begun.stdout.readline() or pytest.fail(said)
        begun.send_signal(number)
        said += begun.communicate()[0]
    assert begun.returncode == 130, said
    (left,) = re.findall(r"interrupted: (\d+) more are not settled", said)
    (folder,) = tmp_path.glob("runs/defects-*")
    matrix = json.loads((folder / "matrix.json").read_text())
    assert matrix["interrupted"]
    assert len(matrix["unsettled"]) == int(left) > 0
    assert len(matrix["defects"]) + int(left) == len(DEFECTS)


def test_the_odds_are_told_before_and_after(
    capsys: pytest.CaptureFixture[str], plan: Path, tmp_path: Path
) -> None:
    arguments = ("--plan", plan, "--only", "start-missed-1-in-50", "--jobs", 1)
    run(*arguments, "--out", tmp_path / "runs")
    out = capsys.readouterr().out
    assert "shows in 1 of 50 starts; 2 starts are planned, so the chance to see it is 4.0 %" in out
    assert "start-missed-1-in-50: stated 4.0 %; " in out


def test_own_firmware_in_c_has_its_table(capsys: pytest.CaptureFixture[str]) -> None:
    rig = Path(__file__).parents[2] / "testplans" / "rigs"
    assert run("--list", "--rig", str(rig / "dosing-pump-c.yaml"), "--only", "start-sluggish") == 0
    assert "start-sluggish" in capsys.readouterr().out
    assert run("--list", "--rig", str(rig / "dosing-pump-foc.yaml")) != 0
