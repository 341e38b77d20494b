from __future__ import annotations

from pathlib import Path

import pytest

from hil.core.errors import StoreError
from hil.store.atomic import replace_file, sync_folder


def test_a_file_is_made_and_replaced(tmp_path: Path) -> None:
    path = tmp_path / "x"
    replace_file(path, b"one")
    replace_file(path, b"two")
    assert path.read_bytes() == b"two"
    assert list(tmp_path.iterdir()) == [path]


def test_a_failure_leaves_the_old_file_and_no_draft(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x"
    replace_file(path, b"one")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("hil.store.atomic.os.fsync", full)
    with pytest.raises(StoreError, match="x: cannot be written: No space left"):
        replace_file(path, b"two")
    assert path.read_bytes() == b"one"
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_folder_is_a_store_error(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be written"):
        replace_file(tmp_path / "none" / "x", b"")


def test_a_folder_that_cannot_be_forced_to_the_disk_is_no_error(tmp_path: Path) -> None:
    sync_folder(tmp_path / "none")
