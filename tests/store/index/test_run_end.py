"""What can go wrong when a run enters itself, told in one line and noted in its record."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.core.errors import StoreError
from hil.store.folder import RunFolder
from hil.store.index import open_index
from hil.store.index.run_end import enter_at_end
from hil.store.reading import read


def test_a_run_is_entered_and_nothing_is_noted(night, place: str) -> None:
    folder = night("n1")
    before = (folder / "record.jsonl").read_bytes()
    assert enter_at_end(folder, place) == ""
    assert (folder / "record.jsonl").read_bytes() == before
    with open_index(place, create=False) as index:
        assert [run.run for run in index.runs()] == ["n1"]


def test_a_run_of_a_search_stays_out_without_a_word(night, place: str) -> None:
    assert enter_at_end(night("n1", search="bisect-0a"), place) == ""
    with open_index(place, create=False) as index:
        assert index.runs() == []


@pytest.mark.parametrize("place", ["mysql://lab/x", "postgresql://lab@/x?host=/nowhere"])
def test_what_went_wrong_is_told_and_noted(night, place: str) -> None:
    folder = night("n1")
    trouble = enter_at_end(folder, place)
    assert "index" in trouble
    assert "\n" not in trouble
    note = read(folder).notes[-1]
    assert (note.level, note.text) == ("warning", f"not entered into the index: {trouble}")


def test_an_altered_input_is_told(night, tmp_path: Path) -> None:
    plan = tmp_path / "p.plan.yaml"
    plan.write_text("a")
    folder = night("n1", inputs=[plan])
    (folder / "inputs" / plan.name).write_text("b")
    assert "inputs/p.plan.yaml" in enter_at_end(folder, str(tmp_path / "i.db"))


def test_a_disk_that_is_full_as_well_is_told(night, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise StoreError("no space left")

    folder = night("n1")
    monkeypatch.setattr(RunFolder, "append", full)
    trouble = enter_at_end(folder, "mysql://x/y")
    assert trouble.endswith("nor could that be noted: no space left")


def test_the_note_is_a_continuation_and_no_alteration(night, tmp_path: Path) -> None:
    folder, place = night("n1"), tmp_path / "i.db"
    assert enter_at_end(folder, str(place)) == ""
    assert enter_at_end(folder, "mysql://x/y") != ""
    with open_index(place) as index:
        assert [found.run for found in index.rebuild([folder]).updated] == ["n1"]
