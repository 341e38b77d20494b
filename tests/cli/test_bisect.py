"""``hil bisect`` as a user runs it: a real repository and compiler, pytest in child processes."""

from __future__ import annotations

import json
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from ci.bisecting_history import DEFINES, History, example
from hil.cli.main import main
from hil.plan.load import load_rig
from hil.scenarios.source_defects import seeded_into
from hil.store.reading import read
from hil.twin.library import INCLUDE, compiler

ROOT = Path(__file__).parents[2]
RIG = ROOT / "testplans" / "rigs" / "dosing-pump-c.yaml"
PLAN = f"""
format: 1
plan: brief
rig: {RIG}
scenarios:
  - id: start
    scenario: start
    speed: 1000 rpm
    hold: 0.2 s
    bands: {{success: {{exactly: 1}}, peak-current: {{max: 3 A}}}}
"""
FIRST_BAD, BROKEN, LAST = 2, 1, 3
RISK = 0.2  # few runs: each is a pytest session of its own


def git(folder: Path, *arguments: str) -> str:
    done = subprocess.run(
        ["git", "-C", str(folder), "-c", "user.name=pump", "-c", "user.email=p@example.org",
         "-c", "commit.gpgsign=false", *arguments],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    return done.stdout.strip()


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """Four versions of the example firmware; one does not compile, the one after it kicks."""
    if compiler() is None:
        pytest.skip("no C compiler on this machine")
    folder = tmp_path / "firmware"
    folder.mkdir()
    git(folder, "init", "-q", "-b", "main")
    history = History(
        example(ROOT / "testplans" / "firmware" / "dosing_drive"),
        LAST,
        seed=4,
        defect=seeded_into(load_rig(RIG))["start-kick-too-strong"],
        first_bad=FIRST_BAD,
        broken=0.0,
    )
    history.broken_at = frozenset({BROKEN})
    for version in range(LAST + 1):
        for name, text in history.text(version).items():
            (folder / name).write_text(text)
        git(folder, "add", ".")
        git(folder, "commit", "-q", "-m", f"Version {version}")
    (tmp_path / "brief.plan.yaml").write_text(PLAN)
    return folder


def command(project: Path, *more: str) -> list[str]:
    macros = " ".join(f"-D{name}={value}" for name, value in DEFINES.items())
    build = (
        f"sh -c 'cc -O1 -shared -fPIC -w {macros} -I{shlex.quote(str(INCLUDE))} *.c -lm -o {{out}}'"
    )
    return [
        "bisect", f"HEAD~{LAST}", "HEAD", "--repository", str(project), "--plan",
        str(project.parent / "brief.plan.yaml"), "--item", "start", "--measure", "peak-current",
        "--build-command", build, "--work", str(project.parent / "work"),
        "--risk", str(RISK), *more,
    ]  # fmt: skip


@pytest.mark.timeout(1200)
def test_a_search_that_is_killed_goes_on_and_names_the_build(project, tmp_path) -> None:
    state = tmp_path / "work" / "state.jsonl"
    first = subprocess.Popen(
        [sys.executable, "-m", "hil.cli.main", *command(project)],
        stdout=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    try:
        for _ in range(6000):
            if state.exists() and state.read_bytes().count(b"\n") >= 4:
                break
            assert first.poll() is None
            time.sleep(0.1)
    finally:
        first.send_signal(signal.SIGKILL)
        first.wait()
        first.stdout.close()
    kept = state.read_bytes()
    done = subprocess.run(
        [sys.executable, "-m", "hil.cli.main",
         *command(project, "--json", str(tmp_path / "found.json"))],
        capture_output=True, text=True, check=False, timeout=1000,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "going on after" in done.stdout
    assert state.read_bytes().startswith(kept[: kept.rfind(b"\n") + 1])
    assert all(len(line) <= 80 for line in done.stdout.splitlines() if "/" not in line)
    # Version 1 does not compile, so it cannot be told whether it or version 2 is the first.
    found = json.loads((tmp_path / "found.json").read_text())
    names = git(project, "log", "--reverse", "--format=%H").splitlines()
    assert [one["name"] for one in found["builds"]] == names[BROKEN : FIRST_BAD + 1]
    assert found["skipped"] == [BROKEN]
    folders = [file.parent for file in (tmp_path / "work").rglob("record.jsonl")]
    assert {read(folder).start.search for folder in folders} == {"work"}, "none is a night"
    assert found["probability"] > 1.0 - RISK
    assert 2.0 < found["change_low"] < found["change_high"] < 3.6
    assert found["expected_runs"] == pytest.approx(found["runs"], abs=12)
    events = [json.loads(line) for line in state.read_text().splitlines()[1:]]
    assert [e["skipped"].splitlines()[0] for e in events if e["skipped"]] == [
        "build sh: exit code 1"
    ]
    assert any("expected" in e["skipped"] for e in events if e["skipped"])  # what the compiler said
    # Evidence: one whole run folder a run, with the commit and a seed of its own.
    records = [read(e["folder"]) for e in events if not e["skipped"]]
    assert len(records) == found["runs"]
    assert len({one.start.seed for one in records}) == len(records)
    for event, one in zip((e for e in events if not e["skipped"]), records, strict=True):
        assert one.start.commit == names[event["build"]]
        assert one.start.simulated
        assert one.end is not None
    # Asked once more, it answers from what it has.
    before = state.read_bytes()
    with pytest.raises(SystemExit) as left:
        main(command(project))
    assert not left.value.code
    assert state.read_bytes() == before


def refused(capsys, *arguments: str) -> str:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    assert left.value.code == 2
    return " ".join(capsys.readouterr().err.split())


@pytest.fixture
def plan(tmp_path: Path) -> str:
    (tmp_path / "brief.plan.yaml").write_text(PLAN)
    (tmp_path / "builds.txt").write_text("a.so\nb.so\n")
    return str(tmp_path / "brief.plan.yaml")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--item", "stat"], "has no item 'stat'; did you mean 'start'?"),
        (["--item", "start", "--measure", "riple"], "start has no 'riple'; did you mean 'ripple'?"),
        (["--item", "start", "--build-command", "make {image}"], "there is no {image}"),
        (["--item", "start", "--most", "20"], "expected at least 6 runs of an end and twice"),
    ],
)
def test_a_question_that_makes_no_sense_is_refused(capsys, tmp_path, plan, arguments, message):
    listed = ["--builds", str(tmp_path / "builds.txt")]
    assert message in refused(capsys, "bisect", "1", "2", "--plan", plan, *listed, *arguments)
    assert not (tmp_path / "work").exists()


def test_one_source_of_builds_is_needed(capsys, tmp_path, plan) -> None:
    asked = ["bisect", "1", "2", "--plan", plan, "--item", "start"]
    assert "give either --repository or --builds" in refused(capsys, *asked)
    repository = ["--repository", str(tmp_path)]
    assert "--repository needs a --build-command" in refused(capsys, *asked, *repository)


def test_an_end_that_cannot_be_made_has_its_exit_code(capsys, tmp_path, plan) -> None:
    with pytest.raises(SystemExit) as left:
        main(["bisect", "a.so", "b.so", "--builds", str(tmp_path / "builds.txt"), "--plan", plan,
              "--item", "start", "--work", str(tmp_path / "work")])  # fmt: skip
    assert left.value.code == 6
    out, err = capsys.readouterr()
    assert "SIMULATED" in out
    assert "NO ANSWER" in out
    assert "there is no file" in out
    assert "GOOD was skipped" in err
    result = json.loads((tmp_path / "work" / "result.json").read_text())
    assert (result["outcome"], result["skipped"]) == ("no-end", [0])
