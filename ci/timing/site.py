"""A site of a year of nights, and the night after, against writing the same bytes once more."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from ci.history import make_history
from ci.timing.result import Result, seconds

NIGHTS, ITEMS, CHANGES = 365, 200, 8
#: A page of a year's figures may have so many bytes.
LARGEST = 300_000


def run() -> Iterator[Result]:
    """A whole build, a build after one new night, sizes; fourteen measures an item."""
    with tempfile.TemporaryDirectory(prefix="hil-site-") as name:
        yield from _measured(Path(name))


def _measured(folder: Path) -> Iterator[Result]:
    from hil.report.history import changes_of
    from hil.report.site.build import Site
    from hil.report.site.gather import gather
    from hil.report.site.publish import publish
    from hil.report.site.workers import sharing, workers
    from hil.store.index import open_index

    runs, out, place = folder / "runs", folder / "site", folder / "index.db"
    first = make_history(runs, NIGHTS, ITEMS, 1, CHANGES, gap=0.0)

    def build() -> int:
        with open_index(place) as index:
            figures = sum(run.measures for run in index.runs())
            with workers(figures) as pool:
                strands = gather(index, partial(changes_of, share=sharing(pool)))
                return publish(out, Site(out, strands, traces=5).pieces(), pool).size

    with open_index(place) as index:
        index.rebuild([runs])
    wall, own = time.perf_counter(), _spent()
    size = build()
    wall, own = time.perf_counter() - wall, _spent() - own
    yield Result(f"site of {NIGHTS} nights x {ITEMS} items", wall, "s", "lower", 60.0)
    yield Result("the same, processor time", own, "s", "lower")
    plain = seconds(lambda: _written(out, folder / "copy"))
    yield Result("the same, against writing its bytes", wall / plain, "times", "lower")
    yield Result("size of the site", size / 1e6, "MB", "lower")
    largest = max(page.stat().st_size for page in (out / "measures").iterdir())
    yield Result("largest measure page", largest / 1e3, "kB", "lower", LARGEST / 1e3)

    make_history(runs, NIGHTS + 1, ITEMS, 1, first.changes, gap=0.0, first_night=NIGHTS)
    with open_index(place) as index:
        entered = seconds(lambda: index.rebuild([runs]))
    yield Result("entering one more night", entered, "s", "lower")
    wall, own = time.perf_counter(), _spent()
    build()
    wall, own = time.perf_counter() - wall, _spent() - own
    yield Result("site after one more night", wall, "s", "lower", 5.0)
    yield Result("the same, processor time", own, "s", "lower")


def _spent() -> float:
    """Processor time of this process and of those that made pages beside it, in s."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def _written(source: Path, target: Path) -> None:
    """Read and write the files of a site as they are."""
    for path in source.rglob("*"):
        if path.is_file():
            copy = target / path.relative_to(source)
            copy.parent.mkdir(parents=True, exist_ok=True)
            copy.write_bytes(path.read_bytes())
