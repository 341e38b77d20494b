"""A short campaign of crashes: what ``ci/crashes`` does at length, and that it can fail."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).parents[2]
sys.path.insert(0, str(CHECKOUT))  # `ci` is no part of the package

from ci import crashing  # noqa: E402
from ci.crashing import Crash, lose_power, place, record, summary  # noqa: E402
from ci.disk import Layer, Operation  # noqa: E402
from ci.power_loss import BLOCK, Disk, File, Folder  # noqa: E402
from hil.store.reading import RECORD  # noqa: E402

Change = Callable[[list[Operation]], list[Operation]]


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Operation]]:
    """A whole run and what it asked of the disk."""
    crashing.warm()
    folder = place(tmp_path_factory.mktemp("crash"), "recorded")
    return folder / "watched", record(folder)


def test_a_loss_of_power_costs_nothing_that_was_judged(recorded, tmp_path: Path) -> None:
    crashes = [lose_power(*recorded, tmp_path / str(n), random.Random(n)) for n in range(25)]
    assert all(crash.readable for crash in crashes), [c for c in crashes if c.wrong]
    assert sum(crash.interrupted for crash in crashes) >= 3
    assert sum(crash.kept > 3 for crash in crashes) >= 8


def _numbers(operations: list[Operation], part: str) -> set[int]:
    return {op[2] for op in operations if op[0] == "create" and part in op[1]}


def _unsynced(part: str) -> Change:
    """The same run if files with `part` in their path were not forced to the disk."""

    def change(operations: list[Operation]) -> list[Operation]:
        files = _numbers(operations, part)
        assert files
        return [op for op in operations if not (op[0] == "sync" and op[1] in files)]

    return change


def _names_unsynced(operations: list[Operation]) -> list[Operation]:
    return [op for op in operations if op[0] != "sync-folder"]


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(_unsynced(RECORD), id="record"),
        pytest.param(_unsynced("/traces/"), id="traces"),
        pytest.param(_unsynced("/serial/"), id="logs"),
        pytest.param(_unsynced("/inputs/"), id="inputs"),
        pytest.param(_names_unsynced, id="names"),
    ],
)
def test_a_store_that_forces_less_to_the_disk_is_found_out(
    recorded, tmp_path: Path, change: Change
) -> None:
    changed = change(recorded[1])
    for n in range(100):
        crash = lose_power(recorded[0], changed, tmp_path / str(n), random.Random(n))
        if not crash.readable:
            return
    pytest.fail("100 losses of power and nothing was noticed")


def test_every_way_to_end(tmp_path: Path) -> None:
    file = tmp_path / "crashes.json"
    command = [sys.executable, "-m", "ci.crashing", "--count", "13", "--json", str(file)]
    done = subprocess.run(command, cwd=CHECKOUT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    facts = json.loads(file.read_text())
    assert facts["ends"] == facts["readable"] == 13
    assert {end["way"] for end in facts["each"]} == {"killed", "full", "power"}


def test_numbers_of_a_campaign() -> None:
    crashes = [
        Crash("killed", "0.1 s", 0, False, ()),
        Crash("full", "9 bytes", 4, True, ()),
        Crash("power", "operation 3", 5, True, ("unreadable",)),
    ]
    facts = summary(crashes)
    assert (facts["ends"], facts["readable"]) == (3, 2)
    assert facts["power, readable"] == "0 of 1"
    assert facts["with an item in progress"] == 2
    assert facts["before the record began"] == 1


# -- the simulated disk ----------------------------------------------------------------------------


@pytest.fixture
def layer(tmp_path: Path) -> Iterator[Layer]:
    made = Layer(tmp_path / "watched")
    (tmp_path / "watched").mkdir()
    made.install()
    yield made
    made.remove()


def test_operations_are_written_down_and_give_the_same_files(layer: Layer, tmp_path: Path) -> None:
    from hil.store.atomic import replace_file

    root = tmp_path / "watched"
    (root / "d").mkdir()
    replace_file(root / "d" / "f", b"one")
    replace_file(root / "d" / "f", b"another")
    with (root / "g").open("xb", buffering=0) as file:
        file.write(b"abcdef")
        file.truncate(3)
    with (root / "g").open("r+b", buffering=0) as file:
        file.seek(0, 2)
        file.write(b"XY")
    layer.remove()
    disk = Disk(root)
    disk.take(layer.log)
    assert disk.seen("d/f") == (root / "d" / "f").read_bytes() == b"another"
    assert disk.seen("g") == (root / "g").read_bytes() == b"abcXY"
    assert disk.names("d") == ["f"]
    assert disk.seen("nothing") is None


def test_a_full_disk_takes_what_fits_and_then_no_more(layer: Layer, tmp_path: Path) -> None:
    layer.room = 4
    with (tmp_path / "watched" / "f").open("xb", buffering=0) as file:
        assert file.write(b"abcdef") == 4
        with pytest.raises(OSError, match="No space left"):
            file.write(b"gh")
        file.truncate(2)
        assert file.write(b"ghi") == 2
    assert (tmp_path / "watched" / "f").stat().st_size == 6


def test_only_what_was_synced_is_sure() -> None:
    folder, file = Folder(), File()
    folder.name("f", file)
    file.write(0, b"a" * 3 * BLOCK)
    seen = {
        (tuple(folder.after(random.Random(n))), file.after(random.Random(n))) for n in range(99)
    }
    assert {names for names, _ in seen} == {(), ("f",)}
    assert {len(content) for _, content in seen} >= {0, 3 * BLOCK}
    assert any(0 < content.count(0) < 3 * BLOCK for _, content in seen)
    folder.sync()
    file.sync()
    for n in range(20):
        assert folder.after(random.Random(n)) == {"f": file}
        assert file.after(random.Random(n)) == b"a" * 3 * BLOCK


def test_a_rename_is_whole_or_not_at_all() -> None:
    folder, old, new = Folder(), File(b"old"), File(b"new")
    folder.name("f", old)
    folder.name(".part", new)
    folder.sync()
    folder.name("f", new, ".part")
    ends = [folder.after(random.Random(n)) for n in range(40)]
    assert {"f": old, ".part": new} in ends
    assert {"f": new} in ends
    assert all(end in ({"f": old, ".part": new}, {"f": new}) for end in ends)
