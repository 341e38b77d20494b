"""What state of which git repository files are in: asked of git itself, never written.

A commit says more than hashes do: where the file came from, and what stood beside it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterable, Sequence
from pathlib import Path

from hil.core.record import Checkout

#: Longest time that git may take for one answer, s; a file server can be slow.
PATIENCE = 5.0
#: Of the caller, which may itself be started by git, as a hook is.
_NOT_OURS = ("GIT_DIR", "GIT_WORK_TREE", "GIT_INDEX_FILE", "GIT_PREFIX", "GIT_COMMON_DIR")


class _UnknownError(Exception):
    """Why nothing is known."""


def checkouts_of(files: Iterable[Path]) -> tuple[Checkout, ...]:
    """One a repository, in order of first appearance, and one for the files that are in none.

    Never raises: what cannot be found out is said in words.
    """
    groups: dict[Path | None, list[Path]] = {}
    for file in dict.fromkeys(path.resolve() for path in files):
        groups.setdefault(_root(file), []).append(file)
    return tuple(_checkout(root, own) for root, own in groups.items())


def _root(file: Path) -> Path | None:
    for folder in file.parents:
        try:
            if (folder / ".git").exists():
                return folder
        except OSError:  # it may not be looked into
            continue
    return None


def _checkout(root: Path | None, files: Sequence[Path]) -> Checkout:
    if root is None:
        names = tuple(dict.fromkeys(file.name for file in files))
        return Checkout(files=names, why="in no git repository")
    own = tuple(file.relative_to(root).as_posix() for file in files)
    try:
        commit = _ask(root, "rev-parse", "--verify", "HEAD^{commit}")
        tracked = _names(_ask(root, "ls-files", "-z", "--", *own))
        status = _ask(
            root, "status", "--porcelain=v1", "-z", "--no-renames", "--untracked-files=no"
        )
    except _UnknownError as unknown:
        return Checkout(files=own, why=str(unknown))
    differs = {name[3:] for name in _names(status)}  # two letters and a space before each name
    changed = tuple(name for name in own if name in differs or name not in tracked)
    return Checkout(
        files=own, commit=commit.strip(), changed=changed, others=len(differs - set(own))
    )


def _names(answer: str) -> set[str]:
    return {name for name in answer.split("\0") if name}


def _ask(root: Path, *question: str) -> str:
    """What git answers.

    Raises
    ------
    _UnknownError
    """
    git = shutil.which("git")
    if git is None:
        raise _UnknownError("git is not installed")
    # Locks are for those who write; a helper that watches the files is no business of ours.
    command = [git, "--no-optional-locks", "--literal-pathspecs", "-c", "core.fsmonitor=false"]
    environment = {name: value for name, value in os.environ.items() if name not in _NOT_OURS}
    try:
        done = subprocess.run(
            [*command, *question], cwd=root, env=environment | {"LC_ALL": "C"},
            stdin=subprocess.DEVNULL, capture_output=True, timeout=PATIENCE, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        raise _UnknownError(f"git did not answer within {PATIENCE:g} s") from None
    except OSError as problem:
        raise _UnknownError(f"git could not be started: {problem.strerror}") from problem
    if done.returncode != 0:
        told = os.fsdecode(done.stderr).strip().splitlines() or [f"exit code {done.returncode}"]
        raise _UnknownError(f"git says: {told[0]}")
    return os.fsdecode(done.stdout)
