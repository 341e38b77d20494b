"""``hil qualify`` and ``hil verify`` as a pipeline sees them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from hil.core.band import Band
from hil.core.measure import Measure
from hil.core.record import Identity, ItemResult, ItemStart, RunEnd, RunStart
from hil.core.verdict import Judgement, Verdict
from hil.store.folder import RunFolder
from hil.store.manifest import write_manifest

UTC = "2026-03-01T22:15:09.123Z"
REQUIREMENTS = "format: 1\nrelease: pump\nrequirements:\n  - {id: R-1, text: It starts.}\n"


def made(out: Path, name: str, verdict: Verdict, revision: str = "B1") -> Path:
    board = Identity(role="board", model="DRIVE", revision=revision)
    band = Band("time-to-speed", None, 1.0, "s")
    measure = Measure("time-to-speed", "s", 0.5 if verdict is Verdict.PASS else 1.5, 0.01)
    judged = Judgement(band, measure, verdict, f"time-to-speed {measure.value} s", repeat=1)
    with RunFolder.create(out, name) as folder:
        start = RunStart(
            run=name, utc=UTC, simulated=False, bench="bench", rig="pump", items=("x",),
            identities=(board,),
        )  # fmt: skip
        folder.append(start)
        folder.append(ItemStart(item="x", utc=UTC, position=1, of=1))
        result = ItemResult(
            item="x", scenario="start", plan="p", title="", conditions={}, verdict=verdict,
            reason=judged.reason, utc=UTC, duration=1.0, judgements=(judged,),
            requirements=("R-1",),
        )  # fmt: skip
        folder.append(result)
        folder.append(RunEnd(utc=UTC, reason="completed", counts={}, identities=(board,)))
    write_manifest(folder.path, UTC)
    return folder.path


def hil(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "hil.cli.main", *map(str, arguments)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.fixture
def requirements(tmp_path: Path) -> Path:
    path = tmp_path / "release.requirements.yaml"
    path.write_text(REQUIREMENTS)
    return path


def test_qualified_verified_and_altered(tmp_path: Path, requirements: Path) -> None:
    run = made(tmp_path / "runs", "night", Verdict.PASS)
    out = tmp_path / "dossier"
    said = hil("qualify", requirements, run, "--out", out, "--json", tmp_path / "facts.json")
    assert said.returncode == 0, said.stderr
    lines = said.stdout.splitlines()
    assert lines[0] == "qualified: 1 of 1 requirements covered by 1 run of DRIVE B1"
    assert all(len(line) <= 80 for line in lines[1:-2])
    facts = json.loads((tmp_path / "facts.json").read_text())
    assert lines[-1] == f"seal:    {facts['seal']}"
    said = hil("verify", out)
    assert said.returncode == 0
    assert f"  seal {facts['seal']}" in said.stdout
    (out / "runs/night/record.jsonl").write_bytes(b"x")
    said = hil("verify", out)
    assert said.returncode == 6
    assert said.stdout.startswith("dossier dossier: NOT intact: runs/night/record.jsonl: altered")


def test_not_qualified_and_waived(tmp_path: Path, requirements: Path) -> None:
    run = made(tmp_path / "runs", "night", Verdict.FAIL)
    said = hil("qualify", requirements, run, "--out", tmp_path / "d1")
    assert said.returncode == 4
    assert said.stdout.splitlines()[0] == "NOT qualified: 1 failed (R-1); 0 of 1 covered"
    assert "  failed       R-1: x in run night: fail: time-to-speed 1.5 s" in said.stdout
    waivers = tmp_path / "waivers.yaml"
    waivers.write_text(
        "format: 1\nwaivers:\n  - {requirement: R-1, reason: a, approver: b, expires: 2999-01-01}\n"
    )
    said = hil("qualify", requirements, run, "--out", tmp_path / "d2", "--waivers", waivers)
    assert said.returncode == 5
    assert said.stdout.startswith("NOT qualified without waivers: 1 failed (R-1 waived)")
    previous = tmp_path / "d1"
    said = hil("qualify", requirements, run, "--out", tmp_path / "d3", "--previous", previous)
    assert said.returncode == 4


def test_no_dossier_is_made_of_two_builds_or_a_wrong_file(
    tmp_path: Path, requirements: Path
) -> None:
    runs = [
        made(tmp_path / "runs", "one", Verdict.PASS),
        made(tmp_path / "runs", "two", Verdict.PASS, "B2"),
    ]
    said = hil("qualify", requirements, *runs, "--out", tmp_path / "d")
    assert said.returncode == 1
    assert said.stderr.startswith("hil: the runs are of more than one firmware")
    assert "DRIVE B1: one; DRIVE B2: two" in said.stderr
    requirements.write_text(REQUIREMENTS.replace("text", "txt"))
    said = hil("qualify", requirements, runs[0], "--out", tmp_path / "d")
    assert said.returncode == 2
    assert "did you mean 'text'?" in said.stderr
    assert not (tmp_path / "d").exists()


def test_signed_and_held_against_a_key(tmp_path: Path, requirements: Path) -> None:
    key, public = tmp_path / "key.pem", tmp_path / "public.pem"
    for command in (
        ["genpkey", "-algorithm", "ed25519", "-out", key],
        ["pkey", "-in", key, "-pubout", "-out", public],
    ):
        subprocess.run(["openssl", *map(str, command)], check=True, capture_output=True)
    run = made(tmp_path / "runs", "night", Verdict.PASS)
    out = tmp_path / "dossier"
    assert hil("qualify", requirements, run, "--out", out, "--sign", key).returncode == 0
    assert "fits the key given: public.pem" in hil("verify", out, "--key", public).stdout
    (out / "manifest.sha256.sig").write_bytes(b"\0" * 64)
    assert hil("verify", out, "--key", public).returncode == 7


# -- a part of a plan --------------------------------------------------------------------------

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
BOTH_WAYS = f"""
format: 1
plan: starts
rig: {RIG}
scenarios:
  - id: start
    scenario: start
    requirements: [R-1]
    speed: 1000 rpm
    hold: 0.4 s
    matrix: {{direction: [cw, ccw]}}
    bands: {{success: {{exactly: 1}}}}
"""


def run_of(folder: Path, choice: str) -> tuple[Path, str]:
    """A run of the items that `-k choice` leaves, on the simulated bench, and what it said."""
    known = {path.name for path in (folder / "runs").glob("*")}
    said = subprocess.run(
        [sys.executable, "-m", "pytest", "starts.plan.yaml", "--hil-bench=twin", "-k", choice,
         "--hil-out=runs", "-p", "no:cacheprovider"],
        cwd=folder, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    (run,) = (path for path in (folder / "runs").glob("*") if path.name not in known)
    return run, said


def test_a_part_of_a_plan_does_not_qualify_and_parts_complete_each_other(
    tmp_path: Path, requirements: Path
) -> None:
    text = REQUIREMENTS.replace("requirements:", "evidence: simulated-is-enough\nrequirements:")
    requirements.write_text(text)
    (tmp_path / "starts.plan.yaml").write_text(BOTH_WAYS)
    half, said = run_of(tmp_path, "not ccw")
    assert "deselected: 1 of 2 planned items are not in this run: start.ccw" in said
    done = hil("qualify", requirements, half, "--out", tmp_path / "d1")
    assert done.returncode == 4
    lines = done.stdout.splitlines()
    assert lines[0] == "NOT qualified on SIMULATED evidence: 1 not covered (R-1); 0 of 1 covered"
    assert lines[1] == "  not covered  R-1: 1 planned item is in no run (deselected): start.ccw"
    other, _ = run_of(tmp_path, "ccw")
    done = hil("qualify", requirements, half, other, "--out", tmp_path / "d2")
    assert done.returncode == 0, done.stdout
    assert done.stdout.startswith("qualified on SIMULATED evidence: 1 of 1 requirements covered")
