"""The site in a real browser, from the file system: network, widths, keyboard, paper, axe."""

from __future__ import annotations

import base64
import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from ci.history import make_history
from hil.report.rebuild import rebuild
from hil.report.site.build import Site
from hil.report.site.campaigns import campaigns_in
from hil.report.site.gather import gather
from hil.report.site.publish import publish
from hil.report.site.views import Strand
from hil.store.index import open_index
from hil.store.traces import trace_bytes

pytest.importorskip("selenium.webdriver")
WebDriverWait = pytest.importorskip("selenium.webdriver.support.ui").WebDriverWait
Select = pytest.importorskip("selenium.webdriver.support.ui").Select
Keys = pytest.importorskip("selenium.webdriver.common.keys").Keys
pytest.importorskip("axe_playwright_python", reason="carries axe-core")

CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
pytestmark = [
    pytest.mark.skipif(
        not (CHROMIUM and DRIVER),
        reason="needs chromium and chromedriver (Debian: chromium-driver)",
    ),
    pytest.mark.xdist_group("site-browser"),
]

KINDS = ("overview", "items", "runs", "compare", "defects", "population", "item", "measure", "run")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory, make_campaigns: Any) -> Path:
    """A site with bench and simulated evidence, traces, campaigns; all kinds of pages."""
    base = tmp_path_factory.mktemp("site")
    make_history(base / "bench", nights=40, items=6, seed=5, changes=4, simulated=False, traces=4)
    twin = make_history(base / "twin", nights=8, items=6, seed=6, changes=1, traces=2, gap=0.0)
    rebuild(twin.folders[-1])
    make_campaigns(base / "campaigns")
    with open_index(base / "index.db") as index:
        assert index.rebuild([base / "bench", base / "twin"]).clean
        strands = gather(index)
    out = base / "out"
    found = campaigns_in([base / "campaigns"])
    publish(out, Site(out, strands, found, traces=3, reports=1).pieces())
    return out


def page_of(built: Path, kind: str) -> Path:
    """A page of that kind; a measure page is one with a lasting change."""
    single = {"item": "items", "run": "runs", "measure": "measures"}
    if kind in single:
        pages = sorted((built / single[kind]).glob("*.html"))
        if kind == "measure":
            return next(p for p in pages if "Lasting changes" in p.read_text("utf-8"))
        return pages[-1]
    return built / f"{'index' if kind == 'overview' else kind}.html"


def show(browser: Any, page: Path, width: int = 1280, fragment: str = "") -> None:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get_log("performance")
    browser.get(page.as_uri() + fragment)


def wait(browser: Any, script: str) -> None:
    WebDriverWait(browser, 10).until(lambda b: b.execute_script(script))


def open_all(browser: Any) -> None:
    browser.execute_script("document.querySelectorAll('details').forEach(d => { d.open = true; })")


def settled(browser: Any, kind: str) -> None:
    if kind == "compare":
        wait(browser, "return document.querySelectorAll('#tables table').length == 2")


@pytest.mark.parametrize("kind", KINDS)
def test_it_opens_without_errors_and_asks_only_for_files_of_the_site(
    browser: Any, built: Path, kind: str
) -> None:
    show(browser, page_of(built, kind))
    settled(browser, kind)
    assert [entry["message"] for entry in browser.get_log("browser")] == []
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = {
        message["params"]["request"]["url"]
        for message in messages
        if message["method"] == "Network.requestWillBeSent"
    }
    asked = {url for url in asked if not url.startswith(("data:", "about:"))}
    assert asked
    assert all(url.startswith(built.as_uri()) for url in asked), asked


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("kind", KINDS)
def test_axe_finds_no_violation(browser: Any, built: Path, kind: str, scheme: str) -> None:
    """All rules of axe-core, best practices included, with every fold open."""
    browser.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"features": [{"name": "prefers-color-scheme", "value": scheme}]},
    )
    show(browser, page_of(built, kind))
    settled(browser, kind)
    open_all(browser)
    browser.execute_script(files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8"))
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {resultTypes: ['violations']}).then(r => done(r.violations.map("
        "v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.html + ' ' + n.failureSummary)"
        ".join(' | '))), e => done(['axe itself: ' + e]))"
    )
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    assert found == []


def test_axe_would_find_a_violation(browser: Any, built: Path) -> None:
    show(browser, page_of(built, "overview"))
    browser.execute_script("document.body.appendChild(document.createElement('img'))")
    browser.execute_script(files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8"))
    found = browser.execute_async_script(
        "const done = arguments[0]; axe.run(document).then(r => done(r.violations.map(v => v.id)))"
    )
    assert "image-alt" in found


@pytest.mark.parametrize("width", [360, 390, 768, 1280])
@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_wider_than_the_screen(browser: Any, built: Path, kind: str, width: int) -> None:
    show(browser, page_of(built, kind), width)
    settled(browser, kind)
    open_all(browser)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width


def test_a_build_stands_on_one_line_beside_its_figures_on_a_phone(
    browser: Any, built: Path
) -> None:
    """Eight digits, as boards report and as a commit is shortened to."""
    show(browser, page_of(built, "measure"), 390)
    lines = browser.execute_script(
        "return [...document.querySelectorAll('.nights td:nth-child(2)')].map(cell => {"
        "  const range = document.createRange();"
        "  range.selectNodeContents(cell);"
        "  return [cell.textContent, range.getClientRects().length];"
        "})"
    )
    assert {len(build) for build, _ in lines} == {8}
    assert {count for _, count in lines} == {1}


@pytest.mark.parametrize("kind", KINDS)
def test_the_keyboard_reaches_the_skip_link_then_the_rooms(
    browser: Any, built: Path, kind: str
) -> None:
    show(browser, page_of(built, kind))
    browser.find_element("tag name", "body").send_keys(Keys.TAB)
    assert browser.switch_to.active_element.text == "Skip to the content"
    browser.switch_to.active_element.send_keys(Keys.TAB)
    assert browser.switch_to.active_element.text == "Overview"


@pytest.mark.parametrize("kind", KINDS)
def test_it_prints(browser: Any, built: Path, kind: str) -> None:
    show(browser, page_of(built, kind))
    settled(browser, kind)
    browser.execute_script(
        "window.addEventListener('beforeprint', () => {"
        "window.seen = document.querySelectorAll('details:not([open])').length })"
    )
    before = browser.execute_script("return document.querySelectorAll('details[open]').length")
    pdf = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", {})["data"])
    assert pdf.startswith(b"%PDF")
    assert browser.execute_script("return window.seen") == 0
    after = browser.execute_script("return document.querySelectorAll('details[open]').length")
    assert after == before


def test_the_slider_tells_each_night_of_a_trend(browser: Any, built: Path) -> None:
    show(browser, page_of(built, "measure"))
    slider = browser.find_element("id", "look")
    rows = browser.execute_script("return document.querySelectorAll('.figures tbody tr').length")
    assert slider.get_attribute("value") == slider.get_attribute("max") == str(rows - 1)
    slider.send_keys(Keys.HOME)
    told = browser.find_element("id", "seen").text
    last = browser.execute_script(
        "const c = [...document.querySelectorAll('.figures tbody tr')].pop().cells;"
        "return [...c].map(x => x.textContent.trim())"
    )
    assert all(words in told for words in last)
    slider.send_keys(Keys.ARROW_RIGHT)
    assert browser.find_element("id", "seen").text != told
    at = browser.execute_script(
        "const f = document.querySelector('.trend');"
        "const at = f.dataset.at ? f.dataset.at.split(' ') : ['0', '1'];"
        "return [parseFloat(document.querySelector('.cursor').style.left),"
        " 100 * (Number(at[1]) + 0.5) / f.dataset.runs]"
    )
    assert at[0] == pytest.approx(at[1], abs=0.01)


def test_a_click_into_the_trend_chooses_the_nearest_night(browser: Any, built: Path) -> None:
    show(browser, page_of(built, "measure"))
    browser.execute_script(
        "const p = document.querySelector('.plot'), b = p.getBoundingClientRect();"
        "const at = {clientX: b.left + 1, clientY: b.top + 5};"
        "p.dispatchEvent(new PointerEvent('pointerdown', at))"
    )
    assert browser.find_element("id", "look").get_attribute("value") == "0"


def test_the_filter_hides_what_does_not_fit(browser: Any, built: Path) -> None:
    show(browser, built / "items.html")
    field = browser.find_element("id", "filter")
    field.send_keys("STALL")
    names = browser.execute_script(
        "return [...document.querySelectorAll('tbody tr')].filter(r => r.offsetParent)"
        ".map(r => r.querySelector('th').textContent)"
    )
    assert names
    assert all("stall" in name for name in names)
    assert browser.find_element("id", "shown").text.startswith(f"{len(names)} of ")


def test_two_runs_are_overlaid_on_their_marks(browser: Any, built: Path) -> None:
    show(browser, built / "compare.html")
    settled(browser, "compare")
    lines = "return [...document.querySelectorAll('.ov-a, .ov-b')].map(p => p.getAttribute('d'))"
    drawn = browser.execute_script(lines)
    assert len(drawn) >= 2
    assert all(path.startswith("M") for path in drawn)
    assert browser.find_element("id", "mark").get_attribute("value") in ("command", "reverse")
    Select(browser.find_element("id", "mark")).select_by_value("")
    assert browser.execute_script(lines) != drawn
    to = browser.find_element("id", "to")
    to.send_keys("0.5", Keys.TAB)
    assert "to 0.5 s" in browser.find_element("id", "told").text


def test_each_source_of_a_quantity_has_a_scale_of_its_own(browser: Any, built: Path) -> None:
    show(browser, built / "compare.html")
    settled(browser, "compare")
    browser.execute_script("document.getElementById('to').value = '0.2'")
    told = []
    for panel in browser.find_elements("css selector", ".panel"):
        sources = panel.find_elements("css selector", "select option")
        names = [source.text for source in sources] or [""]
        for name in names:
            if name:
                Select(panel.find_element("tag name", "select")).select_by_visible_text(name)
            heights = [
                float(y)
                for path in panel.find_elements("css selector", ".ov-a, .ov-b")
                for y in re.findall(r"[ML][-\d.]+ ([-\d.]+)", path.get_attribute("d"))
            ]
            assert min(heights) >= 0.0
            assert max(heights) <= 1000.0
            assert max(heights) - min(heights) > 800.0  # it fills the picture
            told.append(panel.find_element("tag name", "svg").get_attribute("aria-label"))
    assert len(set(told)) == len(told)


def test_the_address_of_a_comparison_opens_it(browser: Any, built: Path) -> None:
    run = sorted((built / "runs").glob("*.html"))[-1].read_text("utf-8")
    fragment = run.partition('href="../compare.html#')[2].partition('"')[0].replace("&amp;", "&")
    assert fragment
    show(browser, built / "compare.html", fragment=f"#{fragment}")
    settled(browser, "compare")
    wanted = dict(part.split("=") for part in fragment.split("&"))
    assert browser.find_element("id", "run-a").get_attribute("value") == wanted["a"]
    assert browser.find_element("id", "run-b").get_attribute("value") == wanted["b"]


def test_no_two_ticks_of_an_axis_read_alike(browser: Any, built: Path) -> None:
    show(browser, built / "compare.html")
    settled(browser, "compare")
    axes = (
        "return [...document.querySelectorAll('.panel .plot, .panel .names')].map("
        "  box => [...box.querySelectorAll('span')].map(tick => tick.textContent))"
    )
    wide = browser.execute_script(axes)
    browser.find_element("id", "from").send_keys("1.0", Keys.TAB)
    browser.find_element("id", "to").send_keys("1.004", Keys.TAB)
    narrow = browser.execute_script(axes)
    assert "1.001 s" in narrow[1]
    assert len(wide) == len(narrow) >= 4
    for words in wide + narrow:
        assert len(set(words)) == len(words) > 1


def test_the_comparison_opens_on_two_runs_that_share_an_item(
    browser: Any, make_strand: Callable[..., Any], make_trace: Callable[..., Any], tmp_path: Path
) -> None:
    """Newest of all is a run of another plan; the next two have an item in common, at one time."""
    one = make_strand(Strand("pump", "bench"), 6)
    other = make_strand(Strand("quiet", "simulated"), 4)
    runs = (*one.runs[:4], replace(one.runs[4], utc=one.runs[3].utc), one.runs[5])
    folders = {}
    for n, item in ((2, "stall"), (3, "start"), (4, "start"), (5, "another")):
        traces = tmp_path / "runs" / runs[n].run / "traces"
        traces.mkdir(parents=True)
        (traces / f"{item}.1.parquet").write_bytes(trace_bytes(make_trace(seed=n)))
        folders[runs[n].run] = str(traces.parent)
    strands = [replace(one, runs=runs, folders={**one.folders, **folders}), other]
    out = tmp_path / "out"
    publish(out, Site(out, strands, traces=6).pieces())
    show(browser, out / "compare.html")
    settled(browser, "compare")
    opened = [
        browser.find_element("id", name).get_attribute("value")
        for name in ("run-a", "run-b", "item")
    ]
    assert opened == [runs[3].run, runs[4].run, "start"]
    newest = Select(browser.find_element("id", "run-b"))
    assert newest.options[0].get_attribute("value") == runs[5].run
    newest.select_by_value(runs[5].run)
    wait(browser, "return document.getElementById('told').textContent.includes('no item')")


def test_what_lies_beyond_a_trend_is_told_beside_it_not_over_its_points(
    browser: Any, make_strand: Callable[..., Any], tmp_path: Path
) -> None:
    one = make_strand(Strand("pump", "bench"), 12)
    out = tmp_path / "out"
    publish(out, Site(out, [one]).pieces())
    page = next(p for p in (out / "measures").glob("*.html") if "beyond" in p.read_text("utf-8"))
    for width in (390, 1280):
        show(browser, page, width)
        bottom, top, right = browser.execute_script(
            "const told = document.querySelector('.beyond').getBoundingClientRect();"
            "return [document.querySelector('.plot').getBoundingClientRect().bottom,"
            "  told.top, told.right]"
        )
        assert top >= bottom
        assert right <= width


def test_bench_runs_are_offered_bench_runs_only(browser: Any, built: Path) -> None:
    show(browser, built / "compare.html")
    settled(browser, "compare")
    chosen = Select(browser.find_element("id", "run-b"))
    for words in [option.text for option in chosen.options]:
        chosen.select_by_visible_text(words)
        stamped = browser.find_element("id", "stamp").is_displayed()
        assert stamped is ("SIMULATED" in words)
        rivals = browser.execute_script(
            "return [...document.getElementById('run-a').options].map(o => o.value)"
        )
        own = browser.find_element("id", "run-b").get_attribute("value")
        listed = json.loads(
            (built / "compare-data.js").read_text().removeprefix("hand.apply(null,")[:-3]
        )[1]
        kind = {one["run"]: one["simulated"] for one in listed}
        assert {kind[rival] for rival in rivals} <= {kind[own]}


def test_measures_of_both_runs_stand_side_by_side(browser: Any, built: Path) -> None:
    show(browser, built / "compare.html")
    settled(browser, "compare")
    rows = browser.execute_script(
        "return [...document.querySelectorAll('#tables table:first-child tbody tr')]"
        ".map(r => [...r.cells].map(c => c.textContent))"
    )
    assert len(rows) > 5
    valued = [row for row in rows if "no value" not in row[1] + row[2]]
    assert valued
    for row in valued:
        assert row[3][0] in "+-0", row


def test_without_scripts_the_pages_say_all_but_the_overlay(
    browser: Any, make_strand: Callable[..., Any], tmp_path: Path
) -> None:
    """What a script adds is hidden until it runs; nothing else is."""
    one = make_strand(Strand("pump", "bench"), 12)
    out = tmp_path / "out"
    publish(out, Site(out, [one]).pieces())
    (out / "site.js").unlink()
    show(browser, next((out / "measures").glob("*.html")))
    assert browser.execute_script("return document.querySelectorAll('.figures tbody tr').length")
    assert not browser.find_element("css selector", ".look").is_displayed()
    assert browser.execute_script("return document.querySelectorAll('.plot svg path').length") > 2
