"""Files that are either the old ones or the new ones, never half of one."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from hil.core.errors import StoreError


def replace_file(path: Path, data: bytes) -> None:
    """Write `data` beside `path`, force it to the disk and put it in the place of `path`.

    Raises
    ------
    StoreError
        If the file cannot be written; then the old one, if any, is untouched.
    """
    draft = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with draft.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    except OSError as problem:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)
        raise StoreError(f"{path}: cannot be written: {problem.strerror or problem}") from problem
    sync_folder(path.parent)


def remove_drafts(folder: Path) -> None:
    """Take away what writers that died in `replace_file` have left in `folder`."""
    for draft in folder.glob(".*.part"):
        with contextlib.suppress(OSError):
            draft.unlink()


def sync_folder(folder: Path) -> None:
    """Force the names in `folder` to the disk, where the system can do that."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
