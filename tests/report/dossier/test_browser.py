"""The page of a dossier in a real browser: widths, folds, paper, axe."""

from __future__ import annotations

import base64
import shutil
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from hil.core.verdict import Verdict

pytest.importorskip("selenium.webdriver")
pytest.importorskip("axe_playwright_python", reason="carries axe-core")

CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
pytestmark = [
    pytest.mark.skipif(
        not (CHROMIUM and DRIVER),
        reason="needs chromium and chromedriver (Debian: chromium-driver)",
    ),
    pytest.mark.xdist_group("dossier-browser"),
]
TEXT = (
    "  - {id: R-1, text: It starts., supports: clause 7.3, evidence: simulated-is-enough}\n"
    "  - {id: R-2, text: It stops., sample: {size: 59, at-least: 95 %}}\n"
    "  - {id: R-3, text: It runs.}\n"
)


@pytest.fixture
def page(lab) -> Path:
    """Everything that a page can hold: waived, changed, set aside, orphans, doubts."""
    before = lab.run("first", lab.item("x", lab.judged(high=3.0), marks=["R-1"]))
    _, former = lab.dossier(lab.requirements(TEXT), before)
    bad = lab.item("y", lab.judged("t", Verdict.FAIL), marks=["R-2"])
    runs = (
        lab.run("a", lab.item("x", lab.judged(high=4.0), marks=["R-1"]), bad, due={"supply": ""}),
        lab.run("b", lab.item("x", lab.judged(), marks=["R-1", "R-2"]), simulated=True),
        lab.run("c", lab.item("o", lab.judged("t", Verdict.FAIL)), "z", ended=False),
    )
    waivers = lab.waivers("{requirement: R-2, reason: Known., approver: QA, expires: 2027-01-01}")
    _, out = lab.dossier(lab.requirements(TEXT), *runs, waivers=waivers, previous=former)
    return out / "dossier.html"


def show(browser: Any, page: Path, width: int) -> None:
    metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    browser.get(page.as_uri())
    browser.execute_script("document.querySelectorAll('details').forEach(d => { d.open = true; })")


@pytest.mark.parametrize("width", [390, 1280])
def test_nothing_is_wider_than_the_screen(browser: Any, page: Path, width: int) -> None:
    show(browser, page, width)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [390, 1280])
def test_labels_stand_beside_their_values(browser: Any, page: Path, width: int) -> None:
    show(browser, page, width)
    found = browser.execute_script(
        "return [...document.querySelectorAll('.pairs:not(.inline) > div')].map(d => {"
        "  const [label, value] = [...d.children].map(e => e.getBoundingClientRect());"
        "  return value.left >= label.right && value.top <= label.bottom;"
        "})"
    )
    assert len(found) > 10
    assert all(found)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_violation(browser: Any, page: Path, scheme: str) -> None:
    """All rules of axe-core, best practices included, with every fold open."""
    features = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", features)
    show(browser, page, 1280)
    browser.execute_script(files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8"))
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {resultTypes: ['violations']}).then(r => done(r.violations.map("
        "v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.html).join(' | '))));"
    )
    assert found == [], found


def test_paper_shows_what_is_folded_on_the_screen(browser: Any, page: Path, tmp_path: Path) -> None:
    import subprocess

    if not shutil.which("pdftotext"):
        pytest.skip("needs pdftotext (Debian: poppler-utils)")
    browser.get(page.as_uri())
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    (tmp_path / "d.pdf").write_bytes(base64.b64decode(printed["data"]))
    command = ["pdftotext", "-layout", str(tmp_path / "d.pdf"), "-"]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    for said in (
        "Computer and packages",
        "Approved by",
        "PARTLY SIMULATED",
        "Set aside: simulated",
    ):
        assert said in text
