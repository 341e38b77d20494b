"""The report of a run as one page."""

from __future__ import annotations

import html
from pathlib import Path

from hil.report.items import listing, worst_first
from hil.store.atomic import replace_file
from hil.store.reading import RunRecord


def write_page(record: RunRecord, path: Path) -> None:
    """Write the page of `record` to `path`."""
    rows = "".join(
        f"<tr><td>{html.escape(i.name)}<td>{i.standing}<td>{html.escape(i.reason)}"
        for i in worst_first(listing(record))
    )
    replace_file(path, f"<!doctype html><html lang=en><table>{rows}</table>".encode())
