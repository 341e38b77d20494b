from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.core.errors import StoreError
from hil.report.site import publish as module
from hil.report.site.publish import STATE, Piece, Published, publish


def pieces(contents: Mapping[str, bytes], stamps: Mapping[str, str] | None = None) -> list[Piece]:
    return [
        Piece(path, lambda content=content: content, (stamps or {}).get(path, ""))
        for path, content in contents.items()
    ]


def tree(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_a_new_site_has_every_file(tmp_path: Path) -> None:
    done = publish(tmp_path / "out", pieces({"index.html": b"a", "runs/x.html": b"bc"}))
    assert done == Published(("index.html", "runs/x.html"), 0, (), 3)
    assert (tmp_path / "out" / "runs" / "x.html").read_bytes() == b"bc"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_only_what_changed_is_written(tmp_path: Path) -> None:
    out = tmp_path / "out"
    publish(out, pieces({"a": b"1", "b": b"1", "c": b"1"}))
    before = {name: (out / name).stat() for name in "abc"}
    done = publish(out, pieces({"a": b"1", "b": b"2", "d": b"1"}))
    assert done == Published(("b", "d"), 1, ("c",), 3)
    after = (out / "a").stat()
    assert (after.st_ino, after.st_mtime_ns) == (before["a"].st_ino, before["a"].st_mtime_ns)
    assert not (out / "c").exists()


def test_a_stamped_file_is_not_made_again(tmp_path: Path) -> None:
    out, made = tmp_path / "out", []

    def piece(stamp: str) -> Piece:
        return Piece("t.js", lambda: made.append(stamp) or b"data", stamp)  # type: ignore[func-returns-value]

    publish(out, [piece("one")])
    publish(out, [piece("one")])
    assert made == ["one"]
    done = publish(out, [piece("two")])
    assert made == ["one", "two"]
    assert done.written == ()  # made again, and the same


@pytest.mark.parametrize("stamp", ["", "one"])
def test_an_altered_file_is_mended(tmp_path: Path, stamp: str) -> None:
    out = tmp_path / "out"
    publish(out, pieces({"a": b"right"}, {"a": stamp}))
    (out / "a").write_bytes(b"wrong")
    assert publish(out, pieces({"a": b"right"}, {"a": stamp})).written == ("a",)
    assert (out / "a").read_bytes() == b"right"
    (out / "a").unlink()
    assert publish(out, pieces({"a": b"right"}, {"a": stamp})).written == ("a",)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(
        st.dictionaries(
            st.sampled_from(["a", "b/c", "b/d", "e/f/g"]), st.binary(max_size=4), max_size=4
        ),
        min_size=1,
        max_size=5,
    )
)
def test_any_history_of_builds_ends_like_a_full_one(
    tmp_path_factory: pytest.TempPathFactory, history: list[dict[str, bytes]]
) -> None:
    base = tmp_path_factory.mktemp("history")
    for contents in history:
        done = publish(base / "grown", pieces(contents))
        assert len(done.written) + done.kept == len(contents)
    publish(base / "full", pieces(history[-1]))
    assert tree(base / "grown") == tree(base / "full")


def test_without_exchange_in_one_step_it_is_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_exchange", lambda _one, _other: False)
    out = tmp_path / "out"
    publish(out, pieces({"a": b"1", "b": b"2"}))
    publish(out, pieces({"a": b"1", "b": b"3"}))
    assert {k: v for k, v in tree(out).items() if k != STATE} == {"a": b"1", "b": b"3"}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_without_links_files_are_copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_source: object, _target: object) -> None:
        raise OSError("no links here")

    monkeypatch.setattr(os, "link", refuse)
    out = tmp_path / "out"
    publish(out, pieces({"a": b"1", "b": b"2"}))
    assert publish(out, pieces({"a": b"1", "b": b"3"})).written == ("b",)
    assert (out / "a").read_bytes() == b"1"


def test_a_piece_that_fails_leaves_the_old_site(tmp_path: Path) -> None:
    def fail() -> bytes:
        raise StoreError("the trace is gone")

    out = tmp_path / "out"
    publish(out, pieces({"a": b"1"}))
    before = tree(out)
    with pytest.raises(StoreError, match="the trace is gone"):
        publish(out, [*pieces({"a": b"2"}), Piece("b", fail)])
    assert tree(out) == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_two_pages_of_one_name_are_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="a: two pages of the site have this name"):
        publish(tmp_path / "out", [*pieces({"a": b"1"}), *pieces({"a": b"1"})])
    assert list(tmp_path.iterdir()) == []


def test_a_folder_with_other_things_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "thesis.tex").write_text("years of work")
    with pytest.raises(StoreError, match=r"no site \(site.json\): name a new or empty folder"):
        publish(tmp_path, pieces({"a": b"1"}))
    assert (tmp_path / "thesis.tex").read_text() == "years of work"


def test_an_empty_folder_will_do(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    assert publish(tmp_path / "out", pieces({"a": b"1"})).written == ("a",)


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("x")
    with pytest.raises(StoreError, match="expected a folder"):
        publish(tmp_path / "out", pieces({"a": b"1"}))


@pytest.mark.parametrize("state", ["", "{", "[]", '{"format": 1}', '{"format": 1, "files": 3}'])
def test_an_unreadable_state_is_said(tmp_path: Path, state: str) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / STATE).write_text(state)
    with pytest.raises(StoreError, match="the folder was altered; build into a new one"):
        publish(out, pieces({"a": b"1"}))


def test_a_state_of_another_format_means_a_full_build(tmp_path: Path) -> None:
    out = tmp_path / "out"
    publish(out, pieces({"a": b"1"}))
    state = json.loads((out / STATE).read_text())
    (out / STATE).write_text(json.dumps({**state, "format": 99}))
    assert publish(out, pieces({"a": b"1"})).written == ("a",)


def test_a_link_to_an_old_file_in_the_draft_is_never_written_through(tmp_path: Path) -> None:
    """As a process leaves it that was killed between linking a file and saying so."""
    out = tmp_path / "out"
    publish(out, pieces({"a": b"old"}))
    old = tmp_path / "kept"
    os.link(out / "a", old)

    def linked() -> bytes:
        (draft,) = tmp_path.glob(".out.*.part")
        os.link(out / "a", draft / "a")
        return b"new"

    assert publish(out, [Piece("a", linked)]).written == ("a",)
    assert (out / "a").read_bytes() == b"new"
    assert old.read_bytes() == b"old"


def test_files_of_others_stay(tmp_path: Path) -> None:
    out = tmp_path / "out"
    publish(out, pieces({"a": b"1"}))
    (out / "own").mkdir()
    (out / "own" / "note.txt").write_text("mine")
    done = publish(out, pieces({"a": b"2"}))
    assert (out / "own" / "note.txt").read_text() == "mine"
    assert done.removed == ()


def test_a_site_put_aside_and_not_replaced_comes_back(tmp_path: Path) -> None:
    """The state between the two steps of a system without exchange."""
    out = tmp_path / "out"
    publish(out, pieces({"a": b"1"}))
    out.rename(tmp_path / ".out.old")
    assert publish(out, pieces({"a": b"1"})) == Published((), 1, (), 1)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_what_a_dead_build_left_is_cleared_away_and_a_live_one_is_not(tmp_path: Path) -> None:
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    host = os.uname().nodename
    left = tmp_path / f".out.{host}.{dead.pid}.part"
    alive = tmp_path / f".out.{host}.{os.getppid()}.part"
    elsewhere = tmp_path / f".out.other-{host}.{dead.pid}.part"
    for folder in (left, alive, elsewhere):
        folder.mkdir()
    publish(tmp_path / "out", pieces({"a": b"1"}))
    assert not left.exists()
    assert alive.exists()
    assert elsewhere.exists()


KILLED = """
    import sys
    from pathlib import Path
    from hil.report.site.publish import Piece, publish
    out, word = Path(sys.argv[1]), sys.argv[2].encode()
    print("begun", flush=True)
    while True:
        for letter in (word, word[::-1]):
            publish(out, [Piece(f"p{n}", lambda: letter * 2000) for n in range(60)])
"""


def test_a_killed_build_leaves_the_old_site_or_the_new_one(tmp_path: Path) -> None:
    """SIGKILL at sixteen instants: every file there, all of one build, and the next build works."""
    out = tmp_path / "out"
    publish(out, pieces({f"p{n}": b"ab" * 2000 for n in range(60)}))
    seen = set()
    for attempt in range(16):
        build = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(KILLED), str(out), "ab"],
            stdout=subprocess.PIPE,
        )
        assert build.stdout is not None
        build.stdout.readline()
        time.sleep(0.003 * attempt)
        build.send_signal(signal.SIGKILL)
        build.wait()
        build.stdout.close()
        files = tree(out)
        state = json.loads(files.pop(STATE))
        assert set(files) == set(state["files"]) == {f"p{n}" for n in range(60)}
        (content,) = set(files.values())
        assert content in (b"ab" * 2000, b"ba" * 2000)
        seen.add(content)
    publish(out, pieces({"p0": b"x"}))
    assert set(tree(out)) == {"p0", STATE}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_two_builds_at_once_leave_one_of_them_whole(tmp_path: Path) -> None:
    out = tmp_path / "out"
    program = textwrap.dedent(KILLED).replace("while True", "for _ in range(4)")
    builds = [
        subprocess.Popen([sys.executable, "-c", program, str(out), word], stderr=subprocess.PIPE)
        for word in ("ab", "cd")
    ]
    errors = [build.communicate()[1] for build in builds]
    assert all(build.returncode == 0 for build in builds), errors
    files = tree(out)
    assert len(set(files.values())) == 2  # one content, and the state
    assert len(files) == 61


def test_a_first_build_that_another_overtakes_still_takes_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"

    def overtaken() -> bytes:
        publish(tmp_path / "other", pieces({"a": b"first", "b": b"gone afterwards"}))
        (tmp_path / "other").rename(out)
        return b"second"

    real = Path.exists
    asked = []

    def late(path: Path, **more: bool) -> bool:
        # As it was when this build looked: the other one renamed its draft just after.
        if path == out and not asked and real(path):
            asked.append(path)
            return False
        return real(path, **more)

    made = [Piece("a", lambda: (overtaken(), monkeypatch.setattr(Path, "exists", late))[0])]
    publish(out, made)
    assert asked == [out]
    assert (out / "a").read_bytes() == b"second"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
