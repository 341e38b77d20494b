"""``hil population`` from the command line."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from hil.cli.main import main

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
PLAN = f"""
format: 1
plan: brief
rig: {RIG}
scenarios:
  - id: start
    scenario: start
    speed: 1000 rpm
    hold: 0.1 s
    sensing: hall
    bands: {{success: {{exactly: 1}}, time-to-speed: {{max: MAX}}}}
  - id: series
    scenario: start
    speed: 1000 rpm
    sensing: hall
    matrix: {{repeats: 2}}
    bands: {{success: {{exactly: 1}}}}
"""


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as left:
        main(["population", *map(str, arguments)])
    return int(left.value.code or 0)


@pytest.fixture
def plan(tmp_path) -> Path:
    path = tmp_path / "brief.plan.yaml"
    path.write_text(PLAN.replace("MAX", "2 s"))
    return path


def test_healthy_rigs_through_a_plan(plan, tmp_path, capfd) -> None:
    summary = tmp_path / "summary.json"
    options = ("--rigs", 3, "--jobs", 1, "--without-series", "--out", tmp_path / "runs")
    assert run(plan, *options, "--json", summary) == 0
    said = capfd.readouterr()
    assert said.out.startswith("SIMULATED: no motor turned.\n3 healthy rigs of dosing-pump, 1 item")
    assert "0 of 3 healthy rigs failed" in said.out
    assert "at most 63 %" in said.out, "1 - 0.05^(1/3): three rigs show little"
    assert "3/3 rigs" in said.err

    told = json.loads(summary.read_text())
    assert told["failed_rigs"] == {}
    assert (told["rigs"], told["undecided"]) == (3, 0)
    assert {b["item"] for b in told["bands"]} == {"start"}, "the series was left out"
    folder = Path(told["folder"])
    assert folder.parent == tmp_path / "runs"
    judged = pd.read_parquet(folder / "judgements")
    assert set(judged["rig"].astype(str)) == {"rig 1", "rig 2", "rig 3"}
    assert set(judged["verdict"].astype(str)) == {"pass"}
    bands = pd.read_csv(folder / "bands.csv").set_index("measure")
    assert bands.loc["time-to-speed", "high"] == 2.0
    assert 0.0 < bands.loc["time-to-speed", "least"] < bands.loc["time-to-speed", "most"] < 2.0
    asked = json.loads((folder / "campaign.json").read_text())
    assert (asked["rigs"], asked["seed"], asked["simulated"]) == (3, 1, True)
    assert asked["tolerances"]["back_emf"] == {
        "within": 0.06, "distribution": "normal", "middle": 0.0,
    }  # fmt: skip


def test_a_band_that_fails_healthy_rigs_is_told_and_the_exit_code_says_so(
    plan, tmp_path, capfd
) -> None:
    plan.write_text(PLAN.replace("MAX", "0.01 s"))
    options = ("--rigs", 2, "--jobs", 1, "--without-series", "--out", tmp_path)
    assert run(plan, *options) == 1
    said = capfd.readouterr().out
    assert "2 of 2 healthy rigs failed" in said
    assert "  start: time-to-speed at most 0.01 s\n" in said
    assert "2 of 2 failed (at most 100 %)" in " ".join(said.split())
    assert "rig 1: time-to-speed" in said
    assert max(map(len, said.splitlines()[:-1])) <= 80  # the last is the path of the folder


def test_an_interrupt_tells_what_has_been_seen(plan, tmp_path, monkeypatch, capfd) -> None:
    from hil.scenarios import campaign
    from hil.scenarios.campaign_task import run_task

    def two_and_ctrl_c(tasks, **_named):
        for task in tasks[:2]:
            yield run_task(task)
        raise KeyboardInterrupt

    monkeypatch.setattr(campaign, "run_campaign", two_and_ctrl_c)
    assert run(plan, "--rigs", 9, "--without-series", "--out", tmp_path) == 130
    said = capfd.readouterr()
    assert "interrupted after 2 of 9 rigs" in said.err
    assert "0 of 2 healthy rigs failed" in said.out
    (folder,) = tmp_path.glob("population-*")
    assert json.loads((folder / "summary.json").read_text())["rigs"] == 2
    assert len(pd.read_parquet(folder / "judgements")) == 4


@pytest.mark.skipif(sys.platform == "win32", reason="needs signals")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_early_and_tells_what_has_been_seen(plan, tmp_path, number) -> None:
    arguments = ("--rigs", 200, "--jobs", 1, "--without-series", "--out", tmp_path / "runs")
    with subprocess.Popen(
        [sys.executable, "-m", "hil.cli.main", "population", str(plan), *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as begun:
        assert begun.stdout is not None
        said = "".join(iter(begun.stdout.readline, "20/200 rigs\n"))
        assert begun.poll() is None, said
        begun.send_signal(number)
        said += begun.communicate()[0]
    assert begun.returncode == 130, said
    (seen,) = re.findall(r"interrupted after (\d+) of 200 rigs", said)
    assert 19 <= int(seen) < 200  # the line comes before what it tells of is counted
    (folder,) = tmp_path.glob("runs/population-*")
    assert json.loads((folder / "summary.json").read_text())["rigs"] == int(seen)
    assert pd.read_parquet(folder / "judgements")["rig"].nunique() == int(seen)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("{plan}", "--rigs", "0"), "--rigs"),
        (("{plan}",), "--rigs"),
        (("{plan}", "--rigs", "1", "--plan", "{plan}"), "is a plan itself"),
        (("{plan}", "--rigs", "1", "--jobs", "0"), "--jobs"),
        (("{plan}", "--rigs", "1", "--seed", "-1"), "--seed"),
        (("nowhere.yaml", "--rigs", "1"), "does not exist"),
    ],
)
def test_what_is_refused(plan, capfd, arguments, said) -> None:
    assert run(*(text.format(plan=plan) for text in arguments)) == 2
    assert said in capfd.readouterr().err


def test_a_rig_file_needs_a_plan(tmp_path, monkeypatch, capfd) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(RIG, "--rigs", 1) == 2
    assert "give --plan" in capfd.readouterr().err


def test_a_wrong_plan_ends_with_its_place(tmp_path, capfd) -> None:
    wrong = tmp_path / "wrong.plan.yaml"
    wrong.write_text("format: 1\nplan: wrong\nscenarios: []\n")
    assert run(wrong, "--rigs", 1, "--out", tmp_path) == 2
    assert "wrong.plan.yaml:3" in capfd.readouterr().err
    assert list(tmp_path.glob("population-*")) == [], "nothing was begun"


def test_a_rig_without_a_brake_is_told_what_is_left_out(tmp_path, capfd) -> None:
    rig = tmp_path / "bare.yaml"
    rig.write_text(f"based-on: {RIG}\nrig: bare\nbrake: {{driver: attended}}\n")
    plan = tmp_path / "loaded.plan.yaml"
    more = "  - {id: loaded, scenario: start, speed: 1000 rpm, load: 20 mN*m,"
    plan.write_text(
        PLAN.replace("MAX", "2 s").replace(str(RIG), str(rig))
        + f"{more} bands: {{success: {{exactly: 1}}}}}}\n"
    )
    options = ("--rigs", 1, "--jobs", 1, "--without-series", "--out", tmp_path / "runs")
    assert run(plan, *options) == 0
    said = capfd.readouterr().out
    assert "1 healthy rig of bare, 1 item each" in said
    assert "no brake wired on rig bare: items that need one are not run (1 of 3): loaded" in said
