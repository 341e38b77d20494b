"""Campaigns of seeded defects in a dossier: evidence about plans as they were run, and no other."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lxml import html

from hil.core.errors import StoreError
from hil.report.dossier.release import Outcome

ONE = "  - {id: R-1, text: It starts.}\n"
PLAN = """
  - id: x
    scenario: start
    requirements: [R-1]
    speed: 1000 rpm
    hold: 0.5 s
    bands: {success: {exactly: 1}}
"""
NAME = "defects-2026-03-02t22-15-09z-5f0c"


def row(defect: str, item: str = "x") -> dict[str, Any]:
    return {
        "defect": defect, "consequence": f"what {defect} does", "seeds": "", "tags": [],
        "item": item, "measure": "time-to-speed" if item else "", "margin": -0.4,
        "margin_text": "-0.4 s", "reason": "", "caught_by_items": int(bool(item)), "items_run": 3,
        "seconds": 1.0, "chance": None, "chance_text": "", "otherwise": [],
    }  # fmt: skip


@pytest.fixture
def campaign(tmp_path: Path) -> Callable[..., Path]:
    """Makes the folder that `hil defects` leaves."""

    def make(run: Path, name: str = NAME, **more: Any) -> Path:
        folder = tmp_path / "campaigns" / name
        folder.mkdir(parents=True)
        plan = hashlib.sha256((run / "inputs" / "nightly.plan.yaml").read_bytes()).hexdigest()
        content = {
            "plan": "testplans/nightly.plan.yaml", "rig": "pump", "seed": "1", "whole": False,
            "simulated": True, "seconds": 2.0, "utc": "2026-03-02T22:15:09.123Z", "hil": "0.1.0",
            "hil-code": "c0de" * 16, "inputs": {"my.plan.yaml": plan},
            "library": 2, "void": [], "items": ["x"], "interrupted": False, "unsettled": [],
            "defects": [row("late-start"), row("lost-hall")],
        }  # fmt: skip
        (folder / "matrix.json").write_text(json.dumps(content | more))
        return folder

    return make


@pytest.fixture
def run(lab) -> Path:
    return lab.run("a", lab.item("x", lab.judged(), marks=["R-1"]), plan=PLAN)


def section(folder: Path) -> str:
    tree = html.fromstring((folder / "dossier.html").read_text("utf-8"))
    (found,) = tree.xpath('//section[@aria-labelledby="proofs"]')
    return " ".join(found.text_content().split())


def test_a_campaign_of_the_plan_as_it_was_run_is_named(lab, run, campaign) -> None:
    release, out = lab.dossier(lab.requirements(ONE), run, campaigns=(campaign(run),))
    assert release.outcome is Outcome.QUALIFIED
    told = section(out)
    assert "about the plans, never about the firmware" in told
    assert "SIMULATED" in told
    assert "2026-03-02 22:15 UTC" in told
    assert "all caught 2 of 2 seeded defects caught." in told
    assert "by hil 0.1.0, code c0dec0dec0dec0de, as the runs" in told
    assert "late-start what late-start does x time-to-speed -0.4 s" in told
    assert not release.proofs.remarks
    (out / "campaigns" / NAME / "matrix.json").read_text()
    told = json.loads((out / "dossier.json").read_text())["proofs"]
    assert told["plans"][0]["campaigns"][0]["caught"] == {"late-start": "x", "lost-hall": "x"}
    assert f"campaigns/{NAME}/matrix.json" in (out / "manifest.sha256").read_text()


def test_without_a_campaign_it_is_said_how_to_make_one(lab, run) -> None:
    release, out = lab.dossier(lab.requirements(ONE), run)
    assert "none was named that is of this file as it was run" in section(out)
    assert release.proofs.remarks == ()
    assert not (out / "campaigns").exists()


def test_a_campaign_of_another_state_of_the_plan_shows_nothing(lab, run, campaign) -> None:
    other = campaign(run, inputs={"nightly.plan.yaml": "ab" * 32})
    release, out = lab.dossier(lab.requirements(ONE), run, campaigns=(other,))
    assert "none was named that is of this file" in section(out)
    assert release.proofs.remarks == (
        f"campaign {NAME}: of nightly.plan.yaml in another state than any run had, or of another "
        "plan: it shows nothing here",
        "no campaign shows what nightly.plan.yaml catches",
    )
    assert release.remarks[-2:] == release.proofs.remarks
    old = campaign(run, f"{NAME}2", inputs={})
    assert len(lab.release(lab.requirements(ONE), run, campaigns=(old,)).proofs.others) == 1


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (
            {"defects": [row("late-start"), row("lost-hall", "")]},
            "not all caught 1 of 2 seeded defects caught; not caught: lost-hall.",
        ),
        (
            {"void": ["x: fail, late"], "defects": []},
            "void void: the healthy firmware does not pass 1 of its items",
        ),
        (
            {"library": 40},
            "2 of 2 seeded defects caught; 38 more of the library not tried to the end.",
        ),
        (
            {"hil-code": "beef" * 16},
            "by hil 0.1.0, code beefbeefbeefbeef: another version than that of the runs",
        ),
    ],
)
def test_what_weakens_a_campaign_is_said_and_turns_no_requirement(
    lab, run, campaign, more, words
) -> None:
    release, out = lab.dossier(lab.requirements(ONE), run, campaigns=(campaign(run, **more),))
    assert words in section(out)
    assert release.outcome is Outcome.QUALIFIED
    weak = "void" in words or "not all caught" in words
    assert len(release.proofs.remarks) == int(weak)


def test_the_newest_campaign_stands_first(lab, run, campaign) -> None:
    later = campaign(run, NAME.replace("03-02", "03-04"), defects=[row("late-start", "")])
    release = lab.release(lab.requirements(ONE), run, campaigns=(campaign(run), later))
    (plan,) = release.proofs.plans
    assert [proof.campaign.name for proof in plan.proofs] == [later.name, NAME]


def test_what_is_no_campaign_is_refused_before_anything_is_made(lab, run, campaign) -> None:
    with pytest.raises(StoreError, match=r"matrix\.json: not readable"):
        lab.dossier(lab.requirements(ONE), run, campaigns=(run,))
    one = campaign(run)
    twin = lab.path / "elsewhere" / NAME
    twin.mkdir(parents=True)
    (twin / "matrix.json").write_bytes((one / "matrix.json").read_bytes())
    with pytest.raises(StoreError, match="a campaign of that name is at"):
        lab.dossier(lab.requirements(ONE), run, campaigns=(one, twin))
    assert not list(lab.path.glob("dossier-*"))
