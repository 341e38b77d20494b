from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from lxml import html

from hil.core.errors import StoreError
from hil.report.site.campaign_pages import TIGHTEST, defects_page, population_page
from hil.report.site.campaigns import (
    Campaigns,
    campaigns_in,
    day_of,
    read_defects,
    read_defects_file,
    read_population,
)
from hil.report.site.shell import page_of
from hil.report.site.views import SIMULATED, Strand

FRAME = page_of("x.html", (), [Strand("", SIMULATED)])


@pytest.fixture
def folder(tmp_path: Path, make_campaigns: Callable[[Path], None]) -> Path:
    make_campaigns(tmp_path / "runs")
    return tmp_path / "runs"


def text(node: Any) -> str:
    return " ".join(node.text_content().split())


def test_campaigns_are_found_newest_first(folder: Path) -> None:
    (folder / "defects-2026-03-09t00-00-00z-aaaa").mkdir()  # still running: no summary yet
    (folder / "2026-03-01t22-15-09z-5f0c").mkdir()  # a run
    found = campaigns_in([folder])
    assert [view.day for view in found.defects] == ["2026-03-02 22:15", "2026-03-01 22:15"]
    assert [view.day for view in found.population] == ["2026-03-02 22:15", "2026-03-01 22:15"]
    assert found.unreadable == ()


def test_a_campaign_may_be_named_itself_and_twice(folder: Path) -> None:
    one = folder / "defects-2026-03-01t22-15-09z-5f0c"
    assert len(campaigns_in([one, one]).defects) == 1
    assert campaigns_in([folder / "nothing"]) == Campaigns()


def test_what_cannot_be_read_is_named_and_the_others_are_shown(folder: Path) -> None:
    (folder / "defects-2026-03-01t22-15-09z-5f0c" / "matrix.json").write_text("{")
    (folder / "population-2026-03-02t22-15-09z-5f0c" / "campaign.json").unlink()
    found = campaigns_in([folder])
    assert (len(found.defects), len(found.population)) == (1, 1)
    assert len(found.unreadable) == 2
    assert "matrix.json: not readable" in found.unreadable[0]
    assert "campaign.json: not readable" in found.unreadable[1]
    assert len(found.also_unreadable(["a run"]).unreadable) == 3


def saved(runs: Path, name: str, **more: Any) -> Path:
    """What ``hil defects --json`` writes beside the folder of that campaign."""
    content = json.loads((runs / name / "matrix.json").read_text())
    with (runs / name / "matrix.csv").open(newline="") as text:
        cells = [
            {key: row[key] for key in ("defect", "item", "verdict", "caught")}
            for row in csv.DictReader(text)
        ]
    file = runs.parent / f"{name}.json"
    content |= {"folder": f"runs/{name}", "cells": cells, **more}
    file.write_text(json.dumps(content))
    return file


def test_what_a_campaign_saved_as_json_is_the_campaign(folder: Path) -> None:
    name = "defects-2026-03-01t22-15-09z-5f0c"
    file = saved(folder, name)
    assert read_defects_file(file) == read_defects(folder / name)
    assert campaigns_in([file]).defects == (read_defects(folder / name),)
    # In a folder with other JSON it is found, and what is there as both is there once.
    (folder.parent / "other.json").write_text('{"folder": 1}')
    (folder.parent / "broken.json").write_text("{")
    assert campaigns_in([folder.parent]).defects == (read_defects(folder / name),)
    assert campaigns_in([folder.parent, folder]) == campaigns_in([folder])


def test_json_without_cells_or_from_another_system_is_shown(folder: Path) -> None:
    name = "defects-2026-03-01t22-15-09z-5f0c"
    view = read_defects_file(saved(folder, name, folder="C:\\runs\\" + name, cells=[]))
    assert view.name == name
    page = html.fromstring(defects_page(FRAME, [view], {}))
    assert "1 of 3 defects is caught by nobody." in text(page)
    assert not page.xpath('//table[@class="matrix"]')


@pytest.mark.parametrize(
    "content", ["{", "[]", "{}", '{"folder": "x", "cells": [1]}', '{"folder": "x"}']
)
def test_a_named_file_that_is_no_campaign_is_told(tmp_path: Path, content: str) -> None:
    file = tmp_path / "matrix.json"
    file.write_text(content)
    (told,) = campaigns_in([file]).unreadable
    assert str(file) in told


def test_every_file_is_read_strictly(folder: Path) -> None:
    one = folder / "defects-2026-03-01t22-15-09z-5f0c"
    content = json.loads((one / "matrix.json").read_text())
    for key in ("plan", "rig", "seed", "whole", "void", "items", "defects"):
        (one / "matrix.json").write_text(json.dumps({k: v for k, v in content.items() if k != key}))
        with pytest.raises(StoreError, match=key):
            read_defects(one)
    (one / "matrix.json").write_text("[]")
    with pytest.raises(StoreError, match="expected an object, found list"):
        read_defects(one)
    (one / "matrix.json").write_text(json.dumps(content))
    (one / "matrix.csv").write_text("a,b\n1,2\n")
    with pytest.raises(StoreError, match="not a table of defects"):
        read_defects(one)
    (one / "matrix.csv").unlink()  # a void campaign has none
    assert read_defects(one).lines[0].cells == {}
    two = folder / "population-2026-03-01t22-15-09z-5f0c"
    (two / "summary.json").write_text('{"rigs": 3}')
    with pytest.raises(StoreError, match="not a summary of healthy rigs"):
        read_population(two)


def test_a_matrix_says_who_caught_what(folder: Path) -> None:
    view = read_defects(folder / "defects-2026-03-01t22-15-09z-5f0c")
    assert [line.defect for line in view.escaped] == ["stall-not-noticed"]
    assert view.lines[0].cells == {
        "start.hall": ("pass", False),
        "stall.hall": ("undecided", False),
    }
    assert view.lines[1].cells == {"start.hall": ("fail", True)}


def test_an_interrupted_campaign_never_passes(folder: Path) -> None:
    """Of nothing that is settled, all is caught: that proves nothing."""
    one = folder / "defects-2026-03-01t22-15-09z-5f0c"
    content = json.loads((one / "matrix.json").read_text())
    caught = [row for row in content["defects"] if row["item"]]
    for rows in ([], caught):
        content |= {"defects": rows, "interrupted": True, "unsettled": ["late", "never"]}
        (one / "matrix.json").write_text(json.dumps(content))
        view = read_defects(one)
        assert view.unsettled == ("late", "never")
        words = text(html.fromstring(defects_page(FRAME, [view], {})))
        assert f"Interrupted: {len(rows)} of {len(rows) + 2} defects caught so far." in words
        assert "Interrupted before anything could be said of late, never." in words
        assert "the healthy firmware passes" not in words
        again = replace(view, name="defects-2026-02-01t22-15-09z-5f0c")
        assert "interrupted with 2 more" in text(
            html.fromstring(defects_page(FRAME, [view, again], {}))
        )


def test_the_page_of_defects(folder: Path) -> None:
    views = campaigns_in([folder]).defects
    page = html.fromstring(defects_page(FRAME, views, {"start.hall": "items/s.html"}))
    words = text(page)
    assert "1 of 3 defects is caught by nobody." in words
    assert "99.7 % likely to be seen in the starts planned" in words
    rows = page.xpath('//table[contains(@class, "cards")]/tbody/tr')
    assert "nobody" in text(rows[0])
    assert rows[1].xpath(".//a/@href") == ["items/s.html"]
    assert "the manoeuvre" in text(rows[2])
    cells = [[text(cell) for cell in row] for row in page.xpath('//table[@class="matrix"]//tr')]
    assert cells == [
        ["Defect", "start.hall", "stall.hall"],
        ["stall-not-noticed", "\u2713", "?"],
        ["start-sluggish", "\u2717", ""],
        ["start-missed-1-in-50", "\u2717", ""],
    ]
    assert "2026-03-01 22:15, nightly.plan.yaml on pump: 2 of 3 defects caught" in words
    assert all(h2.xpath(".//span[@class='stamp']") for h2 in page.xpath("//h2")[:2])


def test_campaigns_that_went_well_or_were_void(folder: Path) -> None:
    view = campaigns_in([folder]).defects[0]
    good = replace(view, lines=view.lines[1:])
    assert "All 2 defects are caught; the healthy firmware passes all 2 items." in text(
        html.fromstring(defects_page(FRAME, [good], {}))
    )
    void = replace(view, void=("start.hall: fail",), lines=())
    assert "Void: the healthy firmware does not pass 1 of 2 items" in text(
        html.fromstring(defects_page(FRAME, [void], {}))
    )


def test_each_plan_and_rig_has_its_own_section(folder: Path) -> None:
    views = campaigns_in([folder]).defects
    page = html.fromstring(defects_page(FRAME, [views[0], replace(views[1], rig="other")], {}))
    assert len(page.xpath('//section[starts-with(@aria-labelledby, "campaign")]')) == 2
    assert "Earlier campaigns" not in text(page)


def test_the_page_of_healthy_rigs(folder: Path) -> None:
    views = campaigns_in([folder]).population
    page = html.fromstring(population_page(FRAME, views, {"start.hall": "items/s.html"}))
    words = text(page)
    assert "1 of 50 healthy rigs failed; with 95 % confidence the plan fails at most 9 %" in words
    rows = [text(row) for row in page.xpath("//tbody/tr")]
    assert len(rows) == 2
    assert "peak-current" in rows[0]
    assert "1 to 2.100 A, median 1.300" in rows[0]
    assert "rig 7: peak-current 2.1 A is above 2 A" in text(page.xpath("//details")[0])
    assert "overshoot" in rows[1]
    assert "1 more bands held with more room or never had a value" in words
    assert "Earlier campaigns" in words


def test_of_many_bands_the_tightest_are_shown(folder: Path) -> None:
    view = campaigns_in([folder]).population[0]
    held = view.bands[1]
    many = tuple(replace(held, measure=f"m{n:03}", room=float(n)) for n in range(500))
    page = html.fromstring(population_page(FRAME, [replace(view, bands=many)], {}))
    names = [row.xpath("string(th)").split()[0] for row in page.xpath("//tbody/tr")]
    assert names == [f"m{n:03}" for n in range(TIGHTEST)]
    assert f"{500 - TIGHTEST} more bands" in text(page)


@pytest.mark.parametrize(
    ("name", "day"),
    [
        ("defects-2026-03-01t22-15-09z-5f0c", "2026-03-01 22:15"),
        ("population-2026-03-01t22-15-09z-5f0c", "2026-03-01 22:15"),
        ("defects-mine", "defects-mine"),
        ("mine", "mine"),
    ],
)
def test_the_day_of_a_campaign(name: str, day: str) -> None:
    assert day_of(name) == day
