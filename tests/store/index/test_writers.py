"""Several processes that write to one index at once: nothing is lost, doubled or refused."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np

from ci.history import make_history
from hil.store.index import open_index

#: Enters the folders given, each several times over, as a machine of the name given; asks between.
WRITER = """
import sys
from pathlib import Path
from hil.store.index import open_index
place, machine, go, times, *folders = sys.argv[1:]
while not Path(go).exists():
    pass
with open_index(place, machine=machine) as index:
    for n in range(int(times)):
        for folder in folders:
            report = index.rebuild([Path(folder)], fresh=n % 2 == 1)
            assert report.clean, report
            seen = index.all_series()
            assert all(len(set(s.run)) * s.repeat.max() == len(s) for s in seen.values()), "torn"
"""


def together(place: str, tmp_path: Path, shares: list[list[Path]], times: int) -> None:
    go = tmp_path / "go"
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, place, f"m{n}", str(go), str(times), *map(str, share)],
            stderr=subprocess.PIPE, text=True,
        )
        for n, share in enumerate(shares)
    ]  # fmt: skip
    go.touch()
    for writer in writers:
        _, errors = writer.communicate(timeout=240)
        assert writer.returncode == 0, errors


def test_two_processes_fill_one_new_index(tmp_path: Path, place: str) -> None:
    """The tables themselves are made by whoever comes first."""
    made = make_history(
        tmp_path / "h", 16, 6, seed=1, repeats=2, gap=0.0, cut=0.0, trouble=0.0, changes=0
    )
    half = len(made.folders) // 2
    together(place, tmp_path, [list(made.folders[:half]), list(made.folders[half:])], 2)
    with open_index(place) as index:
        assert len(index.runs()) == 16
        check(index.all_series(), nights=16, items=6, repeats=2)


def test_two_processes_enter_the_same_folders(tmp_path: Path, place: str) -> None:
    made = make_history(
        tmp_path / "h", 6, 4, seed=1, repeats=2, gap=0.0, cut=0.0, trouble=0.0, changes=0
    )
    folders = list(made.folders)
    together(place, tmp_path, [folders, folders[::-1]], 3)
    with open_index(place) as index:
        assert len(index.runs()) == 6
        check(index.all_series(), nights=6, items=4, repeats=2)


def check(every, *, nights: int, items: int, repeats: int) -> None:
    assert len(every) == 14 * items
    for series in every.values():
        assert len(series) == nights * repeats
        assert len(set(series.run)) == nights
        assert (np.diff(series.utc.astype(np.int64)) >= 0).all()
        assert list(series.repeat) == list(range(1, repeats + 1)) * nights
