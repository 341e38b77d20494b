"""Pages made by other processes: the same bytes, no process left, none where it does not pay."""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor, Executor, Future
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from ci.history import Change, make_history
from hil.core.errors import StoreError
from hil.report.history import changes_of
from hil.report.site import workers as module
from hil.report.site.build import Site
from hil.report.site.gather import Gathered, gather
from hil.report.site.measures import RunCells
from hil.report.site.publish import Piece, publish
from hil.report.site.workers import WORTH, cores, each, sharing, workers
from hil.store.index import open_index


@pytest.fixture(scope="module")
def strands(tmp_path_factory: pytest.TempPathFactory) -> list[Gathered]:
    base = tmp_path_factory.mktemp("runs")
    make_history(base / "runs", 12, 4, 5, 2, traces=2)
    make_history(base / "runs", 4, 2, 6, 0, simulated=False, rig="bench")
    with open_index(base / "index.db") as index:
        index.rebuild([base / "runs"])
        return gather(index)


@pytest.fixture(scope="module")
def pool() -> Executor:
    with workers(WORTH, 2) as made:
        assert made is not None
        yield made


def text(name: str) -> bytes:
    return f"{name} of a page".encode()


def refused(_: str) -> bytes:
    raise OSError("no room")


def killed(parent: int) -> bytes:
    """Ends whichever process makes it, unless that is the one that asked."""
    if os.getpid() != parent:
        os.kill(os.getpid(), signal.SIGKILL)
    return b"made after all"


def tree(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*.*")}


def test_one_process_where_more_do_not_pay() -> None:
    with workers(WORTH - 1, 2) as few, workers(WORTH, 0) as one:
        assert few is None
        assert one is None
    assert cores() >= 1


def test_the_site_is_the_same_whoever_makes_its_pages(
    strands: list[Gathered], pool: Executor, tmp_path: Path
) -> None:
    alone = publish(tmp_path / "out", Site(tmp_path / "out", strands, traces=1).pieces())
    files = tree(tmp_path / "out")
    (tmp_path / "out").rename(tmp_path / "former")
    beside = publish(tmp_path / "out", Site(tmp_path / "out", strands, traces=1).pieces(), pool)
    assert tree(tmp_path / "out") == files
    assert sorted(beside.written) == sorted(alone.written)
    again = publish(tmp_path / "out", Site(tmp_path / "out", strands, traces=1).pieces(), pool)
    assert (again.written, again.removed, again.size) == ((), (), alone.size)
    assert tree(tmp_path / "out") == files


def test_an_altered_page_is_made_anew_there_too(pool: Executor, tmp_path: Path) -> None:
    pieces = [Piece(f"a/{n}.html", partial(text, str(n)), apart=True) for n in range(120)]
    publish(tmp_path / "out", pieces, pool)
    (tmp_path / "out" / "a" / "7.html").write_bytes(b"altered")
    (tmp_path / "out" / "a" / "8.html").unlink()
    done = publish(tmp_path / "out", pieces, pool)
    assert (done.written, done.kept) == (("a/7.html", "a/8.html"), 118)
    assert (tmp_path / "out" / "a" / "7.html").read_bytes() == b"7 of a page"


def test_what_fails_there_leaves_the_old_site(pool: Executor, tmp_path: Path) -> None:
    publish(tmp_path / "out", [Piece("a.html", partial(text, "old"), apart=True)], pool)
    before = tree(tmp_path / "out")
    bad = [Piece(f"{n}.html", partial(text, "x"), apart=True) for n in range(200)]
    bad[60] = Piece("60.html", partial(refused, ""), apart=True)
    with pytest.raises(StoreError, match="no room"):
        publish(tmp_path / "out", bad, pool)
    assert tree(tmp_path / "out") == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("together", [1, 5, 256])
def test_what_changed_is_the_same_whoever_looks_for_it(
    pool: Executor, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, together: int
) -> None:
    monkeypatch.setattr(module, "_TOGETHER", together)
    (item,) = make_history(tmp_path / "draft", 1, 1, 17, 0).items
    make_history(tmp_path / "runs", 30, 2, 17, [Change(item, "peak-current", 12, 9.0)])
    with open_index(tmp_path / "index.db") as index:
        index.rebuild([tmp_path / "runs"])
        (alone,) = gather(index, partial(changes_of, share=sharing(None)))
        (beside,) = gather(index, partial(changes_of, share=sharing(pool)))
    assert alone.judged > 5
    assert [change.measure for change in alone.changes] == ["peak-current"]
    assert (beside.changes, beside.hints) == (alone.changes, alone.hints)
    assert beside.judged == alone.judged


class Idle(Executor):
    """Takes everything and begins nothing."""

    def submit(self, _fn: Any, /, *_args: Any, **_more: Any) -> Future[Any]:
        return Future()


def test_what_no_other_process_has_begun_is_made_here(tmp_path: Path) -> None:
    pieces = [Piece(f"{n}.html", partial(text, str(n)), apart=n % 7 > 0) for n in range(150)]
    done = publish(tmp_path / "idle", pieces, Idle())
    assert sorted(done.written) == sorted(piece.path for piece in pieces)
    publish(tmp_path / "alone", pieces)
    assert tree(tmp_path / "idle") == tree(tmp_path / "alone")


@pytest.mark.parametrize("idle", [True, False])
def test_what_is_made_of_parts_has_their_order(pool: Executor, idle: bool) -> None:
    parts = [f"{n}" for n in range(100)]
    assert each(Idle() if idle else pool, text, iter(parts)) == list(map(text, parts))
    assert each(None, text, iter(parts)) == list(map(text, parts))
    assert each(pool, text, []) == []


def test_without_the_processes_that_there_were_all_is_made_here() -> None:
    """They die between two tasks, so that the pool takes none any more."""
    with workers(WORTH, 1) as mortal:
        assert mortal is not None
        with pytest.raises(BrokenExecutor):
            mortal.submit(killed, os.getpid()).result()
        with pytest.raises(BrokenExecutor):
            mortal.submit(os.getpid)
        assert each(mortal, text, ["a", "b"]) == [text("a"), text("b")]


def slow(folder: Path) -> None:
    """Says when it has begun and ended."""
    (folder / f"{os.getpid()}.begun").touch()
    while not (folder / "go").exists():
        time.sleep(0.005)
    (folder / f"{os.getpid()}.ended").touch()


def test_nothing_goes_on_when_the_parts_end_in_an_error(pool: Executor, tmp_path: Path) -> None:
    def parts() -> Iterator[Path]:
        yield tmp_path
        while not list(tmp_path.glob("*.begun")):
            time.sleep(0.005)
        (tmp_path / "go").touch()
        raise StoreError("no more of them")

    with pytest.raises(StoreError, match="no more"):
        each(pool, slow, parts())
    assert len(list(tmp_path.glob("*.ended"))) == 1


def test_the_cells_of_runs_are_unpacked_once_in_another_process(strands: list[Gathered]) -> None:
    cells = RunCells.of(strands[0].runs, "../")
    one, other = (pickle.loads(pickle.dumps([cells, n])) for n in range(2))
    assert one[0] is other[0]
    assert (one[0].heads, one[0].ground) == (cells.heads, cells.ground)


def test_what_a_killed_process_had_in_hand_is_made_here(tmp_path: Path) -> None:
    pieces = [Piece(f"{n}.html", partial(text, str(n)), apart=True) for n in range(150)]
    publish(tmp_path / "out", pieces)
    pieces[100] = Piece("100.html", partial(killed, os.getpid()), apart=True)
    with workers(WORTH, 2) as pool:
        done = publish(tmp_path / "out", pieces, pool)
    assert done.written == ("100.html",)
    assert (tmp_path / "out" / "100.html").read_bytes() == b"made after all"
    assert (tmp_path / "out" / "99.html").read_bytes() == b"99 of a page"


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
def test_the_processes_end_with_one_that_is_killed(tmp_path: Path) -> None:
    script = tmp_path / "build.py"
    script.write_text(
        textwrap.dedent(
            """
            import os, signal
            from hil.report.site.workers import WORTH, workers

            if __name__ == "__main__":
                with workers(WORTH, 2) as pool:
                    seen = {pool.submit(os.getpid).result() for _ in range(50)}
                    seen |= {process.pid for process in pool._processes.values()}
                    print(*seen, flush=True)
                    os.kill(os.getpid(), signal.SIGKILL)
            """
        )
    )
    done = subprocess.run(
        [sys.executable, str(script)], check=False, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == -signal.SIGKILL
    left = set(map(int, done.stdout.split()))
    assert left
    for _ in range(600):
        left = {number for number in left if Path(f"/proc/{number}/cmdline").exists()}
        # One that ended and is not waited for by anybody is nobody's burden.
        left = {n for n in left if Path(f"/proc/{n}/cmdline").read_bytes()}
        if not left:
            return
        time.sleep(0.1)
    pytest.fail(f"still there: {left}")
