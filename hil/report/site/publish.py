"""A site written whole: only what changed is written, and readers see the old site or the new one.

A new folder is filled beside the site (what has not changed is linked, not copied) and then takes
its place: in one step where the system can exchange two folders (Linux), else in two, which the
next build ends if this one does not. `site.json` keeps the SHA-256 of every file.
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import json
import os
import platform
import shutil
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from hil.core.errors import StoreError
from hil.report.site.collecting import uncollected
from hil.report.site.workers import each
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
    apart : whether `make` can be pickled, so that another process may call it.
    """

    path: str
    make: Callable[[], bytes]
    stamp: str = ""
    apart: bool = False


@dataclass(frozen=True, slots=True)
class Published:
    """What was done to bring the site up to date: paths, and the size of the whole in bytes."""

    written: tuple[str, ...]
    kept: int
    removed: tuple[str, ...]
    size: int


def publish(out: Path, pieces: Iterable[Piece], pool: Executor | None = None) -> Published:
    """Bring the site in `out` to exactly `pieces`; files that are not of the site stay.

    Parameters
    ----------
    pool : processes that make those pieces that can be made apart; what comes of it is the same.

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
        _remove(draft)
        draft.mkdir()
        try:
            with uncollected():
                done = _fill(out, draft, known, pieces, pool)
            _sync(draft)
            _take_place(draft, out)
        finally:
            _remove(draft)
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


#: So many pieces go to another process at once.
_TOGETHER = 32


@dataclass(frozen=True, slots=True)
class _Task:
    """A piece with what is known of the file that is there."""

    piece: Piece
    digest: str
    stamp: str


@dataclass(frozen=True, slots=True)
class _Settled:
    """What became of a piece; size in bytes."""

    path: str
    digest: str
    stamp: str
    size: int
    written: bool


def _fill(
    out: Path,
    draft: Path,
    known: dict[str, list[str]],
    pieces: Iterable[Piece],
    pool: Executor | None,
) -> Published:
    settled: list[_Settled] = []
    paths: set[str] = set()
    settle = partial(_settle, out=out, draft=draft)

    def apart() -> Iterator[list[_Task]]:
        """Those that any process may make, some at a time; the others are made meanwhile."""
        waiting: list[_Task] = []
        folders: set[str] = set()
        for piece in pieces:
            if piece.path in paths:
                raise StoreError(f"{piece.path}: two pages of the site have this name")
            paths.add(piece.path)
            folder = piece.path.rpartition("/")[0]
            if folder not in folders:
                (draft / folder).mkdir(parents=True, exist_ok=True)
                folders.add(folder)
            task = _Task(piece, *known.get(piece.path, ("", "")))
            if piece.apart:
                waiting.append(task)
            else:
                settled.extend(settle([task]))
            if len(waiting) >= _TOGETHER:
                yield waiting
                waiting = []
        yield waiting

    for some in each(pool, settle, apart()):
        settled += some
    removed = tuple(sorted(set(known) - paths))
    _carry(out, draft, set(known) | paths | {STATE})
    settled.sort(key=lambda one: one.path)
    files = {one.path: [one.digest, one.stamp] for one in settled}
    text = json.dumps({"format": _FORMAT, "files": files}, indent=0)
    (draft / STATE).write_text(text + "\n", encoding="utf-8")
    written = tuple(one.path for one in settled if one.written)
    size = sum(one.size for one in settled)
    return Published(written, len(settled) - len(written), removed, size)


def _settle(tasks: Iterable[_Task], out: Path, draft: Path) -> list[_Settled]:
    """Have the files of these pieces in the draft: linked if unchanged, else written."""
    done = []
    for task in tasks:
        piece = task.piece
        old, target = out / piece.path, draft / piece.path
        if piece.stamp and piece.stamp == task.stamp and (size := _intact(old, task.digest)) >= 0:
            _link(old, target)
            done.append(_Settled(piece.path, task.digest, piece.stamp, size, False))
            continue
        content = piece.make()
        digest = hashlib.sha256(content).hexdigest()
        same = digest == task.digest and _holds(old, content)
        if same:
            _link(old, target)
        else:
            _write(target, content)
        done.append(_Settled(piece.path, digest, piece.stamp, len(content), not same))
    return done


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


def _write(path: Path, content: bytes) -> None:
    """A new file: a process that was killed may have left a link to an old one in its place."""
    try:
        file = path.open("xb")
    except FileExistsError:
        path.unlink()
        file = path.open("xb")
    with file:
        file.write(content)


def _link(source: Path, target: Path) -> None:
    """The same file under a new name; a copy where the file system has no links."""
    target.unlink(missing_ok=True)
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)


#: Files that are removed at once: some disks keep one waiting for each.
_AT_ONCE = 8


def _remove(folder: Path) -> None:
    """Away with a folder, as far as that can be."""
    files = [Path(place, name) for place, _, names in os.walk(folder) for name in names]
    with contextlib.suppress(OSError), ThreadPoolExecutor(_AT_ONCE) as threads:
        list(threads.map(Path.unlink, files))
    shutil.rmtree(folder, ignore_errors=True)


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
        try:
            draft.rename(out)
        except OSError:
            # Another build was first: its site is there now.
            if not out.exists():
                raise
        else:
            return
    if not _exchange(draft, out):
        # Two steps; `_recover` ends them if this process does not come to the second.
        old = _aside(out)
        _remove(old)
        out.rename(old)
        try:
            draft.rename(out)
        except OSError:
            old.rename(out)
            raise
        _remove(old)


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
            _remove(old)
        else:
            old.rename(out)
    prefix = f".{out.name}.{platform.node()}."
    for draft in out.parent.glob(f"{_escaped(prefix)}*.part"):
        number = draft.name[len(prefix) : -len(".part")]
        if number.isdecimal() and not _alive(int(number)):
            _remove(draft)


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
