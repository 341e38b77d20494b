"""The page in a real browser, from the file system, with the network watched."""

from __future__ import annotations

import base64
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.report.plots import LEAST
from hil.report.rebuild import rebuild

pytest.importorskip("selenium.webdriver")
WebDriverWait = pytest.importorskip("selenium.webdriver.support.ui").WebDriverWait
Keys = pytest.importorskip("selenium.webdriver.common.keys").Keys

CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
pytestmark = pytest.mark.skipif(
    not (CHROMIUM and DRIVER), reason="needs chromium and chromedriver (Debian: chromium-driver)"
)

DRAWN = "return document.querySelectorAll('.chart[data-drawn] .main-svg').length"


def _open(browser: Any, run: Path, width: int = 1280) -> None:
    rebuild(run)
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    browser.get_log("browser")
    browser.get_log("performance")
    browser.get((run / "report.html").as_uri())


def _wait_until(browser: Any, script: str) -> None:
    WebDriverWait(browser, 10).until(lambda b: b.execute_script(script))


def _wait_drawn(browser: Any) -> None:
    browser.execute_script("document.querySelector('.chart').scrollIntoView()")
    _wait_until(browser, DRAWN)


def _requests(browser: Any) -> list[str]:
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    return [
        message["params"]["request"]["url"]
        for message in messages
        if message["method"] == "Network.requestWillBeSent"
    ]


def test_it_opens_without_errors_and_asks_for_two_files_only(browser: Any, full_run: Path) -> None:
    _open(browser, full_run)
    _wait_drawn(browser)
    browser.execute_script("document.getElementById('open-all').click()")
    assert [entry["message"] for entry in browser.get_log("browser")] == []
    asked = {url for url in _requests(browser) if not url.startswith("data:")}
    assert asked == {(full_run / name).as_uri() for name in ("report.html", "plotly.min.js")}


def test_charts_are_drawn_when_their_item_is_opened(browser: Any, full_run: Path) -> None:
    _open(browser, full_run)
    passed = "[...document.querySelectorAll('details.item')].pop()"
    assert browser.execute_script(f"return {passed}.querySelectorAll('.main-svg').length") == 0
    assert browser.execute_script(f"return {passed}.querySelectorAll('figure svg').length") == 5
    browser.execute_script(f"{passed}.open = true; {passed}.scrollIntoView()")
    _wait_until(
        browser, f"return {passed}.querySelectorAll('.chart .main-svg .scatterlayer .trace').length"
    )
    lines = browser.execute_script(
        f"return [...{passed}.querySelectorAll('.chart .js-plotly-plot')].map(p => p.data.length)"
    )
    assert lines == [10]


def test_the_chart_shows_the_recorded_numbers(browser: Any, full_run: Path) -> None:
    _open(browser, full_run)
    _wait_drawn(browser)
    largest, end, gap = browser.execute_script(
        "const p = document.querySelector('.js-plotly-plot').data;"
        "const y = p.find(s => s.name === 'tachometer');"
        "return [Math.max(...y.y), y.x[y.x.length - 1], p[1].y.includes(null)]"
    )
    assert largest == pytest.approx(2237.0, abs=3.0)
    assert end == pytest.approx(2.995, abs=0.001)
    assert gap


@pytest.mark.parametrize("width", [360, 390, 768, 1280])
def test_nothing_is_wider_than_the_screen(browser: Any, full_run: Path, width: int) -> None:
    _open(browser, full_run, width)
    browser.execute_script("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    _wait_drawn(browser)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width


def test_the_filter_hides_what_does_not_fit(browser: Any, full_run: Path) -> None:
    _open(browser, full_run)
    shown = (
        "return [...document.querySelectorAll('table.index tbody tr')].filter(r => !r.hidden)"
        ".map(r => r.querySelector('a').textContent)"
    )
    field = browser.find_element("id", "filter")
    field.send_keys("stall")
    assert browser.execute_script(shown) == ["stall-locked"]
    assert browser.find_element("id", "shown").text == "1 of 8 items"
    field.clear()
    field.send_keys("cw Fail")
    assert "reversal-2000" not in browser.execute_script(shown)
    sections = "return [...document.querySelectorAll('details.item')].filter(d => !d.hidden).length"
    assert browser.execute_script(sections) == len(browser.execute_script(shown))


def test_a_link_opens_its_item(browser: Any, full_run: Path) -> None:
    _open(browser, full_run)
    link = browser.find_element("link text", "reversal-2000")
    target = link.get_attribute("href").rpartition("#")[2]
    assert not browser.execute_script(f"return document.getElementById('{target}').open")
    browser.execute_script("arguments[0].click()", link)
    _wait_until(browser, f"return document.getElementById('{target}').open")


@pytest.mark.parametrize("width", [360, 1280])
def test_the_map_of_losses_fits_the_screen(
    browser: Any, make_loaded: Callable[..., Path], width: int
) -> None:
    _open(browser, make_loaded([(1000.0, 1.0), (2000.0, 1.0), (2000.0, 3.0)]), width)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    box, rows, outside = browser.execute_script(
        "const s = document.getElementById('losses').parentElement;"
        "const b = s.querySelector('svg').getBoundingClientRect();"
        "const all = [...s.querySelectorAll('svg text, svg path, td, th')]"
        "  .filter(e => !e.closest('thead')).map(e => e.getBoundingClientRect());"
        "return [b.width, s.querySelectorAll('tbody tr').length,"
        "  all.filter(r => r.left < 0 || r.right > innerWidth).length]"
    )
    assert 250 < box <= min(width, 544)
    assert rows == 3
    assert outside == 0
    low = browser.execute_script(CONTRAST)
    assert low == []
    assert [entry["message"] for entry in browser.get_log("browser")] == []


#: Labels that do not stand beside their value.
ABOVE = (
    "return [...document.querySelectorAll('.pairs:not(.inline) > div')].filter(d => {"
    "  const [label, value] = [...d.children].map(e => e.getBoundingClientRect());"
    "  return value.left < label.right || value.top > label.bottom;"
    "}).map(d => d.textContent)"
)


@pytest.mark.parametrize("width", [360, 390, 1280])
def test_labels_stand_beside_their_values(browser: Any, full_run: Path, width: int) -> None:
    _open(browser, full_run, width)
    assert browser.execute_script("return document.querySelectorAll('.pairs > div').length") > 20
    assert browser.execute_script(ABOVE) == []


#: Names in the list that are broken elsewhere than after a joint: their text up to there.
BROKEN = (
    "const found = [];"
    "document.querySelectorAll('.index tbody th a').forEach(a => {"
    "  const all = [], walk = document.createTreeWalker(a, NodeFilter.SHOW_TEXT);"
    "  for (let node; (node = walk.nextNode());) {"
    "    for (let n = 0; n < node.length; n++) {"
    "      const range = document.createRange();"
    "      range.setStart(node, n); range.setEnd(node, n + 1);"
    "      all.push([node.data[n], range.getBoundingClientRect().top]);"
    "    }"
    "  }"
    "  for (let n = 1; n < all.length; n++) {"
    "    if (all[n][1] > all[n - 1][1] + 4 && !'.-_/:'.includes(all[n - 1][0])) {"
    "      found.push(a.textContent + ' at ' + n);"
    "    }"
    "  }"
    "}); return found;"
)


@pytest.mark.parametrize("width", [768, 1280])
def test_names_in_the_list_are_broken_at_their_joints_only(
    browser: Any, full_run: Path, width: int
) -> None:
    _open(browser, full_run, width)
    browser.execute_script(
        "document.querySelectorAll('.index td:last-child').forEach("
        "  td => { td.textContent = 'a reason as long as they come '.repeat(20); });"
    )
    assert browser.execute_script(BROKEN) == []
    browser.execute_script(
        "document.querySelectorAll('.index tbody th').forEach("
        "  th => { th.style.width = '1rem'; th.style.overflowWrap = 'anywhere'; });"
    )
    assert browser.execute_script(BROKEN), "this way they would be"


def test_a_temperature_that_hardly_moves_is_drawn_flat(browser: Any, full_run: Path) -> None:
    _open(browser, full_run)
    _wait_drawn(browser)
    spans = browser.execute_script(
        "const p = document.querySelector('.js-plotly-plot'), found = {};"
        "Object.keys(p.layout).filter(k => k.startsWith('yaxis')).forEach(k => {"
        "  const [low, high] = p._fullLayout[k].range;"
        "  found[p.layout[k].title.text] = high - low; });"
        "return found"
    )
    assert spans.keys() == LEAST.keys()
    for unit, span in spans.items():
        assert span >= LEAST[unit]


def test_the_keyboard_reaches_the_skip_link_first(browser: Any, full_run: Path) -> None:
    _open(browser, full_run)
    browser.find_element("tag name", "body").send_keys(Keys.TAB)
    assert browser.switch_to.active_element.text == "Skip to the items"
    browser.switch_to.active_element.send_keys(Keys.TAB)
    assert browser.switch_to.active_element.get_attribute("id") == "filter"


def test_printing_opens_and_draws_everything(browser: Any, full_run: Path) -> None:
    _open(browser, full_run)
    browser.execute_script(
        "window.addEventListener('beforeprint', () => { window.seen = ["
        "document.querySelectorAll('.chart').length,"
        "document.querySelectorAll('.chart .main-svg:first-child').length,"
        "document.querySelectorAll('details:not([open])').length] })"
    )
    pdf = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", {})["data"])
    assert pdf.startswith(b"%PDF")
    charts, drawn, closed = browser.execute_script("return window.seen")
    assert charts == drawn == 7
    assert closed == 0
    assert browser.execute_script("return document.querySelectorAll('details[open]').length") == 3
    assert [entry["message"] for entry in browser.get_log("browser")] == []


def test_without_the_chart_script_the_pictures_stay(browser: Any, full_run: Path) -> None:
    rebuild(full_run)
    _open(browser, full_run)
    (full_run / "plotly.min.js").unlink()
    browser.get((full_run / "report.html").as_uri())
    browser.execute_script("document.getElementById('open-all').click()")
    assert browser.execute_script("return document.querySelectorAll('figure svg').length") == 35
    assert browser.execute_script(DRAWN) == 0


def test_text_keeps_its_contrast_in_both_colour_schemes(browser: Any, full_run: Path) -> None:
    """WCAG 2.1, 1.4.3: at least 4.5 to 1 for text of this size."""
    for scheme in ("light", "dark"):
        browser.execute_cdp_cmd(
            "Emulation.setEmulatedMedia",
            {"features": [{"name": "prefers-color-scheme", "value": scheme}]},
        )
        _open(browser, full_run)
        low = browser.execute_script(CONTRAST)
        assert low == [], f"{scheme}: {low}"
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


CONTRAST = """
const luminance = c => { const [r, g, b] = c.match(/[\\d.]+/g).map(v => v / 255)
  .map(v => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
const behind = e => { for (; e; e = e.parentElement) {
  const c = getComputedStyle(e).backgroundColor; if (!c.endsWith(', 0)')) return c; }
  return 'rgb(255,255,255)'; };
const low = new Set();
for (const e of document.querySelectorAll('body *:not(script):not(svg *)')) {
  if (![...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())) continue;
  const a = luminance(getComputedStyle(e).color), b = luminance(behind(e));
  const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  if (ratio < 4.5) low.add(e.tagName + '.' + e.className + ' ' + ratio.toFixed(2));
}
return [...low];
"""
