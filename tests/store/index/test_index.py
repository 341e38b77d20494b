"""One run entered, and read back as it was."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from hil.core.errors import StoreError
from hil.store.index import SeriesKey, open_index


def test_a_run_is_entered_and_read_back(night, tmp_path: Path) -> None:
    folder = night("n1", build="A", commit="c1", values=(1.0, 2.0))
    with open_index(tmp_path / "index.db") as index:
        report = index.rebuild([tmp_path])
        assert [found.run for found in report.added] == ["n1"]
        assert report.measures == 2
        assert report.clean
        (run,) = index.runs()
        assert (run.path, run.build, run.commit, run.evidence) == (
            str(folder), "A", "c1", "simulated",
        )  # fmt: skip
        assert run.counts["pass"] == 1
        (key,) = index.keys()
        assert key == SeriesKey(
            rig="pump", evidence="simulated", plan="nightly", item="start", measure="peak-current",
            unit="A",
        )  # fmt: skip
        series = index.series(key)
        assert list(series.value) == [1.0, 2.0]
        assert list(series.repeat) == [1, 2]
        assert list(series.verdict) == ["pass", "pass"]
        assert list(series.high) == [3.5, 3.5]
        assert np.isnan(series.low).all()
        assert series.utc.dtype == np.dtype("datetime64[ms]")
        (build,) = index.overview()
        assert (build.runs, build.items, build.measures, build.commits) == (1, 1, 2, ("c1",))


def test_a_missing_index_is_not_made_by_a_reader(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="hil index"):
        open_index(tmp_path / "none.db", create=False)
    assert not (tmp_path / "none.db").exists()
