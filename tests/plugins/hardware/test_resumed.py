"""Going on with a killed run on hardware: what was judged is kept, the rest is run, in one record.

A served simulated bench is told by its instruments: what it gave is simulated evidence, also where
it was reached as hardware, and in a release counts as that.
"""

from __future__ import annotations

import json
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from hil.core.verdict import Verdict
from hil.store.intact import check_run
from hil.store.reading import RECORD, read

ITEM = """
  - id: {}
    scenario: start
    speed: 1000 rpm
    hold: {} s
    requirements: [R-1]
    bands: {{success: {{exactly: 1}}}}
"""
PLAN = "format: 1\nplan: t\nrig: rig.yaml\nscenarios:\n" + "".join(
    ITEM.format(name, hold) for name, hold in (("first", 0.2), ("second", 4), ("third", 0.2))
)
REQUIREMENTS = """
format: 1
release: pump
evidence: EVIDENCE
calibration-not-needed: {tachometer: a, supply: b, brake: c, switch: d, interlock: e}
requirements:
  - {id: R-1, text: It starts.}
"""
NOTHING_RUN = 10
ABOUT = ("--hil-operator=A. Bench", "--hil-place=east bay", "--hil-ambient=22 degC")


FLASH = """
board:
  flash: {{command: [touch, '{}', '{{image}}'], watch: 0.3 s, identity-within: 5 s}}
"""


@pytest.fixture(scope="module")
def flashed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file that is there once something was put on the board."""
    return tmp_path_factory.mktemp("flash") / "flashed"


@pytest.fixture(scope="module")
def bench(make_hardware, flashed: Path):
    return make_hardware(plan=PLAN, more=FLASH.format(flashed))


def cut_short(hardware, *more: str) -> Path:
    """A run folder as a kill in the second of three items leaves it; the guard switched off."""
    hardware.start("t.plan.yaml", *ABOUT, *more)

    def second() -> bool:
        records = list(hardware.out.glob(f"*/{RECORD}"))
        return bool(records) and records[0].read_bytes().count(b'"kind":"item-start"') == 2

    hardware.wait(lambda: second() and hardware.turning, 60.0, "the second item does not begin")
    hardware.strike(hardware.run.kill)
    hardware.run.wait()
    hardware.wait(lambda: "read back off" in hardware.guard_log(), 5.0, "the guard says nothing")
    (folder,) = hardware.out.iterdir()
    return folder


@pytest.fixture
def killed(hardware) -> Path:
    return cut_short(hardware)


def resumed(hardware, folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    going_on = "--hil-preflight=off", "t.plan.yaml", f"--hil-resume={folder}", *ABOUT, *more
    return subprocess.run(
        hardware.command(*going_on),
        cwd=hardware.folder, capture_output=True, text=True, check=False, timeout=120.0,
    )  # fmt: skip


def hil(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "hil.cli.main", *map(str, arguments)],
        capture_output=True, text=True, check=False, timeout=120.0,
    )  # fmt: skip


def test_a_killed_run_goes_on_and_is_held_against_requirements(
    hardware, killed: Path, tmp_path: Path
) -> None:
    before = (killed / RECORD).read_bytes()
    assert [one.item for one in read(killed).interrupted] == ["second"]
    done = resumed(hardware, killed)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "kept, with a verdict: 1; run now: 1 interrupted, 1 not run" in done.stdout
    assert not hardware.on
    record = read(killed)
    assert (killed / RECORD).read_bytes().startswith(before)
    assert record.start.simulated
    assert record.start.bench.startswith("hardware bench hardware")
    assert [(one.item, one.verdict) for one in record.results] == [
        (name, Verdict.PASS) for name in ("first", "second", "third")
    ]
    (part,) = record.resumed
    assert (part.kept, part.again) == (1, ("second", "third"))
    suite = ET.parse(killed / "junit.xml").getroot()
    assert {p.get("name"): p.get("value") for p in suite.iter("property")}["resumed"].startswith(
        "1 time: "
    )
    assert check_run(killed).intact

    requirements, facts = tmp_path / "release.requirements.yaml", tmp_path / "facts.json"
    requirements.write_text(REQUIREMENTS.replace("EVIDENCE", "bench"))
    said = hil("qualify", requirements, killed, "--out", tmp_path / "shipped")
    assert said.returncode == 4, said.stdout + said.stderr
    assert said.stdout.startswith("NOT qualified: 1 not covered (R-1); 0 of 1 covered")

    requirements.write_text(REQUIREMENTS.replace("EVIDENCE", "simulated-is-enough"))
    said = hil("qualify", requirements, killed, "--out", tmp_path / "tried", "--json", facts)
    assert said.returncode == 0, said.stdout + said.stderr
    assert said.stdout.splitlines()[0].startswith(
        "qualified on SIMULATED evidence: 1 of 1 requirements covered by 1 run of DOSING-DRIVE "
    )
    assert json.loads(facts.read_text())["seal"] in said.stdout
    assert "Resumed" in (tmp_path / "tried" / "runs" / killed.name / "report.html").read_text()
    assert hil("verify", tmp_path / "tried").returncode == 0


def test_another_supply_than_before_is_refused_before_anything_is_energised(
    hardware, killed: Path, monkeypatch
) -> None:
    supply = hardware.instrument("supply")
    before = (killed / RECORD).read_bytes()
    other = supply.identity.replace("SIM-0001", "SIM-0002")
    was_on: list[bool] = []
    set_supply = hardware.served.world.drive.set_supply

    def watched(voltage: float, current: float, on: bool) -> None:
        was_on.append(on)
        set_supply(voltage, current, on)

    monkeypatch.setattr(supply, "identity", other)
    monkeypatch.setattr(hardware.served.world.drive, "set_supply", watched)
    done = resumed(hardware, killed)
    assert done.returncode == NOTHING_RUN, done.stdout + done.stderr
    assert "supply: was GREENHOUSE BENCH SIM-SUPPLY SIM-0001" in done.stdout + done.stderr
    assert "SIM-0002" in done.stdout + done.stderr
    assert True not in was_on
    assert (killed / RECORD).read_bytes() == before


@pytest.mark.parametrize(
    ("was", "becomes", "words"),
    [
        ("SIM-", "NOT-SIM-", "it ran on the simulated bench, this would be hardware"),
        ("SIM-SUPPLY,SIM-0001", "SIM-SUPPLY,SIM-0002", "supply: was GREENHOUSE BENCH SIM-SUPPLY"),
    ],
)
def test_on_another_bench_no_firmware_is_put_on_the_board(
    hardware, flashed: Path, tmp_path: Path, monkeypatch, was: str, becomes: str, words: str
) -> None:
    image = tmp_path / "image.bin"
    image.write_bytes(b"firmware")
    flashed.unlink(missing_ok=True)
    folder = cut_short(hardware, f"--hil-firmware={image}")
    assert flashed.exists()
    assert read(folder).start.simulated
    flashed.unlink()
    for one in hardware.served.world.instruments.values():
        monkeypatch.setattr(one, "identity", one.identity.replace(was, becomes, 1))
    done = resumed(hardware, folder, f"--hil-firmware={image}")
    said = done.stdout + done.stderr
    assert done.returncode == NOTHING_RUN, said
    assert words in said
    assert not flashed.exists()
