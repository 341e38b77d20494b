"""Whatever becomes of the runs between two builds: brought up to date, or built at once, a site is
the same to the last byte.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from ci.history import Change, History, make_history
from hil.report.site.build import Site
from hil.report.site.gather import gather
from hil.report.site.publish import Published, publish
from hil.store.index import Index, open_index

NIGHTS, ITEMS, SEED = 30, 3, 17
#: Nights that are there from the beginning: enough to tell a change.
FIRST = 24


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> History:
    """Thirty nights with a large step in the middle, and repeats."""
    out = tmp_path_factory.mktemp("history")
    (item,) = make_history(out / "draft", 1, 1, SEED, 0).items
    change = Change(item, "peak-current", 12, 9.0)
    return make_history(out / "runs", NIGHTS, ITEMS, SEED, [change], repeats=2, gap=0.0)


class Lab:
    """Run folders, their index and the site; what happens to them."""

    def __init__(self, base: Path, history: History, late: set[int]) -> None:
        self.runs, self.place, self.source = base / "runs", base / "site", history.folders
        self.index: Index = open_index(base / "index.db")
        self.there: list[Path] = []
        self.ahead = list(self.source[FIRST:])
        self.late = [self.source[n] for n in sorted(late)]
        for n, folder in enumerate(self.source[:FIRST]):
            if n not in late:
                self.bring(folder)

    def bring(self, folder: Path) -> Path:
        shutil.copytree(folder, self.runs / folder.name)
        self.there.append(self.runs / folder.name)
        return self.there[-1]

    def new_night(self) -> None:
        if self.ahead:
            self.bring(self.ahead.pop(0))

    def late_night(self) -> None:
        """A run from long ago comes from another machine."""
        if self.late:
            self.bring(self.late.pop())

    def other_bands(self) -> None:
        """From the next night on, every upper limit is another one."""
        if self.ahead:
            record = self.bring(self.ahead.pop(0)) / "record.jsonl"
            text = record.read_text()
            wider = re.sub(r'"high": ?([-0-9.e]+)', lambda m: f'"high":{2 * float(m[1]):g}', text)
            assert wider != text
            record.write_text(wider)

    def altered_run(self) -> None:
        record = self.there[len(self.there) // 3] / "record.jsonl"
        record.write_bytes(record.read_bytes().replace(b"peak-current", b"peek-current"))

    def mended_run(self) -> None:
        folder = self.there[len(self.there) // 3]
        original = next(one for one in self.source if one.name == folder.name)
        shutil.copy(original / "record.jsonl", folder / "record.jsonl")

    def removed_run(self) -> None:
        """Gone for good, and taken out of the index."""
        folder = self.there.pop(len(self.there) // 2)
        shutil.rmtree(folder)
        if any(run.run == folder.name for run in self.index.runs()):
            self.index.forget(folder.name)

    def vanished_run(self) -> None:
        shutil.rmtree(self.there.pop(0))

    def altered_page(self) -> None:
        """Somebody edits what was published."""
        for page in sorted(self.place.rglob("*.html"))[::7]:
            page.write_text("edited")

    def altered_state(self) -> None:
        """What is known of the files no longer fits them."""
        state = self.place / "site.json"
        if state.exists():
            state.write_bytes(state.read_bytes().replace(b'"0', b'"1').replace(b'"a', b'"b'))

    def built(self) -> Published:
        self.index.rebuild([self.runs])
        return publish(self.place, Site(self.place, gather(self.index), traces=1).pieces())

    def tree(self) -> dict[str, bytes]:
        return {
            path.relative_to(self.place).as_posix(): path.read_bytes()
            for path in self.place.rglob("*")
            if path.is_file()
        }


EVENTS: list[Callable[[Lab], None]] = [
    Lab.new_night,
    Lab.late_night,
    Lab.other_bands,
    Lab.altered_run,
    Lab.mended_run,
    Lab.removed_run,
    Lab.vanished_run,
    Lab.altered_page,
    Lab.altered_state,
]


def held_against_a_site_built_at_once(lab: Lab) -> None:
    grown = lab.tree()
    shutil.rmtree(lab.place)
    lab.built()
    whole = lab.tree()
    assert set(grown) == set(whole)
    assert [path for path in whole if grown[path] != whole[path]] == []


@pytest.mark.parametrize("happens", EVENTS, ids=lambda happens: happens.__name__)
def test_one_event_and_the_site_is_that_built_at_once(
    happens: Callable[[Lab], None], history: History, tmp_path: Path
) -> None:
    lab = Lab(tmp_path, history, {3, 15})
    with lab.index:
        lab.built()
        if happens is Lab.mended_run:
            lab.altered_run()
            lab.built()
        happens(lab)
        assert lab.built().written, "nothing came of it"
        held_against_a_site_built_at_once(lab)


@settings(max_examples=4, deadline=None)
@given(
    st.lists(st.sampled_from(EVENTS), min_size=2, max_size=5),
    st.sets(st.integers(0, FIRST - 1), max_size=3),
)
def test_any_events_and_the_site_is_that_built_at_once(
    history: History, happenings: list[Callable[[Lab], None]], late: set[int]
) -> None:
    with tempfile.TemporaryDirectory() as name:
        lab = Lab(Path(name), history, late)
        with lab.index:
            lab.built()
            for happens in happenings:
                event(happens.__name__)
                happens(lab)
                lab.built()
            held_against_a_site_built_at_once(lab)
