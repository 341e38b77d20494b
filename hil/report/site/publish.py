"""A site written whole: only what changed is written, and readers see the old site or the new one.

A new folder is filled beside the site (what has not changed is linked, not copied) and then takes
its place in one step. `site.json` keeps the SHA-256 of every file.
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import json
import os
import platform
import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from hil.core.errors import StoreError
from hil.store.atomic import sync_folder

STATE = "site.json"
_FORMAT = 1
_FROM_HERE, _EXCHANGE = -100, 2  # AT_FDCWD and RENAME_EXCHANGE of Linux


@dataclass(frozen=True, slots=True)
class Piece:
    """One file of the site.

    Parameters
    ----------
    path : from the root of the site, with ``/``.
    make : gives the content.
    stamp : fingerprint of all that the content depends on; "" where making it is as quick as
        finding that out. With the stamp of the file that is there, the file is kept unmade.
    """

    path: str
    make: Callable[[], bytes]
    stamp: str = ""


@dataclass(frozen=True, slots=True)
class Published:
    """What was done to bring the site up to date: paths, and the size of the whole in bytes."""

    written: tuple[str, ...]
    kept: int
    removed: tuple[str, ...]
    size: int


def publish(out: Path, pieces: Iterable[Piece]) -> Published:
    """Bring the site in `out` to exactly `pieces`; files that are not of the site stay.

    Raises
    ------
    StoreError
        If `out` has files but is no site, or something cannot be written; then the old site is
        untouched.
    """
    out = out.absolute()
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        _recover(out)
        known = _known(out)
        draft = out.with_name(f".{out.name}.{platform.node()}.{os.getpid()}.part")
        shutil.rmtree(draft, ignore_errors=True)
        draft.mkdir()
        try:
            done = _fill(out, draft, known, pieces)
            _sync(draft)
            _take_place(draft, out)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    except OSError as problem:
        raise StoreError(f"{out}: cannot be written: {problem.strerror or problem}") from problem
    sync_folder(out.parent)
    return done


def _known(out: Path) -> dict[str, list[str]]:
    """Path -> SHA-256 and stamp of the files of the site in `out`."""
    if not out.exists():
        return {}
    if not out.is_dir():
        raise StoreError(f"{out}: expected a folder to build the site in, found a file")
    state = out / STATE
    if not state.is_file():
        if any(out.iterdir()):
            raise StoreError(
                f"{out}: there are files in it, but no site ({STATE}): name a new or empty folder"
            )
        return {}
    try:
        content = json.loads(state.read_bytes())
        if content["format"] != _FORMAT:
            return {}
        return {str(path): [str(part) for part in kept] for path, kept in content["files"].items()}
    except (ValueError, KeyError, TypeError, AttributeError) as problem:
        raise StoreError(
            f"{state}: unreadable ({problem}): the folder was altered; build into a new one"
        ) from problem


def _fill(
    out: Path, draft: Path, known: dict[str, list[str]], pieces: Iterable[Piece]
) -> Published:
    files: dict[str, list[str]] = {}
    written, size = [], 0
    folders: set[Path] = set()
    for piece in pieces:
        if piece.path in files:
            raise StoreError(f"{piece.path}: two pages of the site have this name")
        target = draft / piece.path
        if target.parent not in folders:
            target.parent.mkdir(parents=True, exist_ok=True)
            folders.add(target.parent)
        had, stamp = known.get(piece.path, ("", ""))
        old = out / piece.path
        if piece.stamp and piece.stamp == stamp and (there := _intact(old, had)) >= 0:
            _link(old, target)
            files[piece.path] = [had, stamp]
            size += there
            continue
        content = piece.make()
        digest = hashlib.sha256(content).hexdigest()
        files[piece.path] = [digest, piece.stamp]
        size += len(content)
        if digest == had and _holds(old, content):
            _link(old, target)
        else:
            target.write_bytes(content)
            written.append(piece.path)
    removed = tuple(sorted(set(known) - set(files)))
    _carry(out, draft, set(known) | set(files) | {STATE})
    text = json.dumps({"format": _FORMAT, "files": dict(sorted(files.items()))}, indent=0)
    (draft / STATE).write_text(text + "\n", encoding="utf-8")
    return Published(tuple(written), len(files) - len(written), removed, size)


def _holds(path: Path, content: bytes) -> bool:
    """Whether the file is there and unaltered."""
    try:
        return path.read_bytes() == content
    except OSError:
        return False


def _intact(path: Path, digest: str) -> int:
    """Size of the file in bytes if it is as it was written, -1 if it is altered or gone."""
    try:
        content = path.read_bytes()
    except OSError:
        return -1
    return len(content) if hashlib.sha256(content).hexdigest() == digest else -1


def _link(source: Path, target: Path) -> None:
    """The same file under a new name; a copy where the file system has no links."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)


def _carry(out: Path, draft: Path, ours: set[str]) -> None:
    """Take along what somebody else put into the folder."""
    for folder, _, names in os.walk(out):
        for name in names:
            source = Path(folder) / name
            path = source.relative_to(out).as_posix()
            if path not in ours:
                target = draft / path
                target.parent.mkdir(parents=True, exist_ok=True)
                _link(source, target)


def _sync(folder: Path) -> None:
    """Force the new files to the disk, all at once: one by one takes longer than making them."""
    with contextlib.suppress(OSError, AttributeError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            ctypes.CDLL(None, use_errno=True).syncfs(handle)
        finally:
            os.close(handle)


def _take_place(draft: Path, out: Path) -> None:
    """Put `draft` in the place of `out`; what was there is at `draft` afterwards, if anything."""
    if not out.exists():
        draft.rename(out)
    elif not _exchange(draft, out):
        # Two steps; `_recover` ends them if this process does not come to the second.
        old = _aside(out)
        shutil.rmtree(old, ignore_errors=True)
        out.rename(old)
        try:
            draft.rename(out)
        except OSError:
            old.rename(out)
            raise
        shutil.rmtree(old, ignore_errors=True)


def _exchange(one: Path, other: Path) -> bool:
    """Exchange two folders in one step, where the system can do that."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError, TypeError):
        return False
    return bool(call(_FROM_HERE, os.fsencode(one), _FROM_HERE, os.fsencode(other), _EXCHANGE) == 0)


def _aside(out: Path) -> Path:
    return out.with_name(f".{out.name}.old")


def _recover(out: Path) -> None:
    """End what a build that was killed left: its draft, and a site put aside but not replaced."""
    old = _aside(out)
    if old.is_dir():
        if out.exists():
            shutil.rmtree(old, ignore_errors=True)
        else:
            old.rename(out)
    prefix = f".{out.name}.{platform.node()}."
    for draft in out.parent.glob(f"{_escaped(prefix)}*.part"):
        number = draft.name[len(prefix) : -len(".part")]
        if number.isdecimal() and not _alive(int(number)):
            shutil.rmtree(draft, ignore_errors=True)


def _escaped(text: str) -> str:
    return "".join(f"[{c}]" if c in "*?[" else c for c in text)


def _alive(process: int) -> bool:
    if os.name != "posix":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
