"""Names that no file may bring any more, in folders from before: the site shows them all the same.

Rig and plan files are refused for such names, see `tests/plan/test_names.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from lxml import html

from ci.history import make_history
from hil.cli.site import site

NAMES = {"NUL": "\\u0000", "bell": "\\u0007", "C1": "\\u0085", "right to left": "\\u202e"}


@pytest.fixture(params=list(NAMES.values()), ids=list(NAMES))
def old(
    request: pytest.FixtureRequest, tmp_path: Path, make_campaigns: Callable[[Path], None]
) -> Path:
    """Runs and campaigns whose rig, items, measures and builds have such a character."""
    runs = tmp_path / "runs"
    make_history(runs, 22, 2, 5, 1, traces=2)
    make_campaigns(runs)
    changed = 0
    for file in (*runs.glob("*/record.jsonl"), *runs.glob("*/*.json")):
        text = file.read_text()
        for before in ('"rig":"', '"rig": "', '"item":"', '"item": "', '"measure": "', '"name":"'):
            changed += text.count(before)
            text = text.replace(before, f"{before}old{request.param}")
        file.write_text(text)
    assert changed > 200
    return runs


def test_the_site_shows_them(old: Path, tmp_path: Path) -> None:
    out = tmp_path / "site"
    done = CliRunner().invoke(site, [str(old), "--out", str(out)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert "not shown" not in done.output
    pages = {path.relative_to(out).as_posix(): path.read_bytes() for path in out.rglob("*.html")}
    unseen = [chr(n) for n in (0, 7, 0x85, 0x202E)]
    assert [name for name, page in pages.items() for c in unseen if c in page.decode()] == []
    for name in ("index.html", "items.html", "defects.html", "population.html"):
        assert "old" in html.fromstring(pages[name]).text_content()
    assert len([name for name in pages if name.startswith("measures/")]) == 28
