"""What state of which repository files are in, asked of a real git."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.core.record import Checkout
from hil.store import checkout
from hil.store.checkout import checkouts_of

pytestmark = pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")
WHO = ("-c", "user.name=bench", "-c", "user.email=bench@example.org", "-c", "commit.gpgsign=false")


def git(folder: Path, *words: str) -> str:
    environment = {n: v for n, v in os.environ.items() if not n.startswith("GIT_")}
    done = subprocess.run(
        ["git", *WHO, *words], cwd=folder, env=environment, check=True, capture_output=True,
        text=True,
    )  # fmt: skip
    return done.stdout.strip()


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A repository of a bench with a plan, a rig file, a manual and a committed state."""
    root = tmp_path / "bench"
    (root / "rigs").mkdir(parents=True)
    for name in ("night [1].plan.yaml", "rigs/pump.yaml", "manual.txt"):
        (root / name).write_text(f"{name}\n")
    git(root, "init", "--quiet")
    git(root, "add", ".")
    git(root, "commit", "--quiet", "-m", "As it was on Monday")
    return root


@pytest.fixture
def inputs(bench: Path) -> list[Path]:
    return [bench / "night [1].plan.yaml", bench / "rigs" / "pump.yaml"]


NAMES = ("night [1].plan.yaml", "rigs/pump.yaml")


def test_what_is_as_committed_is_told_by_its_commit(bench: Path, inputs: list[Path]) -> None:
    (bench / "runs").mkdir()
    (bench / "runs" / "new.txt").write_text("not of the repository, and no input")
    (one,) = checkouts_of([*inputs, inputs[0]])
    assert one == Checkout(files=NAMES, commit=git(bench, "rev-parse", "HEAD"))
    assert len(one.commit) == 40
    assert not one.dirty


def test_a_changed_input_is_named_and_another_changed_file_is_counted(
    bench: Path, inputs: list[Path]
) -> None:
    (bench / "manual.txt").write_text("rewritten\n")
    (one,) = checkouts_of(inputs)
    assert (one.changed, one.others, one.dirty) == ((), 1, True)
    inputs[0].write_text("another limit\n")
    (one,) = checkouts_of(inputs)
    assert (one.changed, one.others, one.dirty) == (NAMES[:1], 1, True)
    git(bench, "add", ".")
    assert checkouts_of(inputs) == (one,), "staged is not committed"
    git(bench, "commit", "--quiet", "-m", "Another limit")
    (after,) = checkouts_of(inputs)
    assert not after.dirty
    assert after.commit != one.commit


def test_an_input_that_was_never_committed_is_no_less_dirty(
    bench: Path, inputs: list[Path]
) -> None:
    (bench / ".gitignore").write_text("mine*\n")
    git(bench, "add", ".")
    git(bench, "commit", "--quiet", "-m", "Ignore some")
    for name in ("new.plan.yaml", "mine.plan.yaml"):
        (bench / name).write_text("x\n")
        (one,) = checkouts_of([*inputs, bench / name])
        assert (one.changed, one.others) == ((name,), 0)


def test_a_moved_file_counts_on_both_sides(bench: Path, inputs: list[Path]) -> None:
    git(bench, "mv", "manual.txt", "handbook.txt")
    (one,) = checkouts_of(inputs)
    assert (one.changed, one.others) == ((), 2)


def test_each_repository_is_asked_and_files_in_none_are_said(
    inputs: list[Path], tmp_path: Path
) -> None:
    other, loose = tmp_path / "firmware", tmp_path / "loose.plan.yaml"
    other.mkdir()
    (other / "drive.c").write_text("int x;\n")
    loose.write_text("x\n")
    git(other, "init", "--quiet")
    mine, theirs, none = checkouts_of([*inputs, other / "drive.c", loose])
    assert mine.commit
    assert theirs.files == ("drive.c",)
    assert theirs.commit == ""
    assert theirs.why.startswith("git says: fatal: "), "it has no commit yet"
    assert none == Checkout(files=("loose.plan.yaml",), why="in no git repository")
    assert not none.dirty


def test_a_link_is_where_it_leads(inputs: list[Path], tmp_path: Path) -> None:
    (tmp_path / "link.plan.yaml").symlink_to(inputs[0])
    (one,) = checkouts_of([tmp_path / "link.plan.yaml"])
    assert one.files == NAMES[:1]


def test_without_git_it_is_said(inputs: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    (one,) = checkouts_of(inputs)
    assert (one.commit, one.why) == ("", "git is not installed")


def test_the_repository_of_a_hook_that_started_it_is_not_asked(
    bench: Path, inputs: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GIT_DIR", str(tmp_path / "elsewhere"))
    (one,) = checkouts_of(inputs)
    assert one.commit == git(bench, "rev-parse", "HEAD")


def _stand_in(text: str) -> Callable[[Path, pytest.MonkeyPatch], None]:
    def install(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        program = folder / "bin" / "git"
        program.parent.mkdir()
        program.write_text(f"#!/bin/sh\n{text}\n")
        program.chmod(0o755)
        monkeypatch.setenv("PATH", str(program.parent))

    return install


def test_a_git_that_hangs_or_is_broken_does_not_hold_the_run(
    inputs: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checkout, "PATIENCE", 0.2)
    _stand_in("exec /bin/sleep 60")(tmp_path, monkeypatch)
    (one,) = checkouts_of(inputs)
    assert one.why == "git did not answer within 0.2 s"
    program = tmp_path / "bin" / "git"
    program.write_text("#!/bin/sh\nexit 3\n")
    (one,) = checkouts_of(inputs)
    assert one.why == "git says: exit code 3"
    program.write_text("#!/nowhere/at/all\n")
    (one,) = checkouts_of(inputs)
    assert one.why.startswith("git could not be started: ")
