"""``hil checklist``: point by point with a person, on paper, and what a run makes of it."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hil.bench.checklist import newest
from hil.cli import checklist as module
from hil.cli.checklist import checklist
from hil.core.errors import HilError, PlanError
from hil.plan.load import load_rig

SHIPPED = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
POINTS = 9


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    file = tmp_path / "pump.yaml"
    own = "checklist: {points: [The drain hose hangs in the tank.]}"
    file.write_text(f"based-on: {SHIPPED}\nrig: pump\n{own}\n", encoding="utf-8")
    return file


def run(rig: Path, *options: str, answers: str = "") -> Result:
    return CliRunner().invoke(checklist, [str(rig), *options], input=answers)


@pytest.fixture
def person(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "at_terminal", lambda: True)


@pytest.mark.usefixtures("person")
def test_who_has_seen_to_every_point_signs(rig: Path) -> None:
    result = run(rig, answers="y\n" * POINTS + "A. Bench\n")
    assert result.exit_code == 0, result.output
    assert result.output.count("seen to?") == POINTS
    assert "9/9  The drain hose hangs in the tank." in result.output
    assert "checklist of 9 points signed by A. Bench on " in result.output
    assert max(map(len, result.output.splitlines())) <= 80 + len(
        " valid until 2026-01-01 00:00 UTC"
    )
    found = newest(load_rig(rig))
    assert found is not None
    assert found.who == "A. Bench"
    file = rig.with_name("check.json")
    state = run(rig, "--state", f"--json={file}")
    assert state.output.startswith("checklist of 9 points signed by A. Bench on ")
    said = json.loads(file.read_text())
    assert (said["rig"], said["who"], len(said["points"])) == ("pump", "A. Bench", POINTS)
    assert datetime.fromisoformat(said["until"]) - found.at == timedelta(days=30)


@pytest.mark.usefixtures("person")
@pytest.mark.parametrize("seen", [0, 4, 8])
def test_a_point_that_is_open_leaves_it_unsigned(rig: Path, seen: int) -> None:
    result = run(rig, answers="y\n" * seen + "n\n")
    assert result.exit_code == 3
    assert f"Not signed: point {seen + 1} is open." in result.output
    assert newest(load_rig(rig)) is None


@pytest.mark.usefixtures("person")
def test_who_leaves_in_the_middle_or_has_no_name_signs_nothing(rig: Path) -> None:
    assert run(rig, answers="y\ny\n").exit_code == 1
    result = run(rig, answers="y\n" * POINTS + "-\n??\n")
    assert result.exit_code == 1
    assert "expected a name, found '-'" in result.output
    assert newest(load_rig(rig)) is None


def test_without_a_terminal_nobody_can_answer(rig: Path) -> None:
    result = run(rig, answers="y\n" * POINTS + "A. Bench\n")
    assert result.exit_code == 2
    assert "a person must answer at a terminal" in result.output
    assert newest(load_rig(rig)) is None


def test_on_paper_every_point_has_a_box_and_the_page_has_room_for_a_name(rig: Path) -> None:
    result = run(rig, "--print")
    assert result.exit_code == 0
    assert result.output.count("[ ] ") == POINTS
    assert "Signature ____" in result.output
    assert "hard-wired emergency stop" in " ".join(result.output.split())
    lines = [line for line in result.output.splitlines() if not line.startswith("Rig file:")]
    assert max(map(len, lines)) <= 80


def test_the_state_says_what_is_wrong(rig: Path) -> None:
    with pytest.raises(HilError, match="was never signed"):
        CliRunner().invoke(checklist, [str(rig), "--state"], catch_exceptions=False)


def test_a_rig_without_a_checklist_is_told_how_to_get_one() -> None:
    with pytest.raises(PlanError, match=r"dosing-pump\.yaml.*has no checklist: add 'checklist:"):
        CliRunner().invoke(checklist, [str(SHIPPED)], catch_exceptions=False)


def test_at_a_real_terminal(rig: Path) -> None:
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "hil.cli.main", "checklist", str(rig)],
        stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True,
    ) as process:  # fmt: skip
        os.close(theirs)
        os.write(ours, b"y\n" * POINTS + b"A. Bench\n")
        said = b""
        try:
            while part := os.read(ours, 4096):
                said += part
        except OSError:  # the other end is closed
            pass
        os.close(ours)
        assert process.wait(60) == 0, said
    assert re.search(rb"signed by A\. Bench on \d{4}-\d\d-\d\d", said)
    assert newest(load_rig(rig)) is not None
