"""The folder of a campaign."""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import pandas as pd
import pytest

from hil.core.errors import StoreError
from hil.store import campaign_folder
from hil.store.campaign_folder import CampaignFolder, plain


class Colour(StrEnum):
    RED = "red"


@dataclass(frozen=True)
class Point:
    x: float
    colour: Colour


def test_each_campaign_has_a_folder_of_its_own(tmp_path) -> None:
    first, second = (CampaignFolder(tmp_path / "runs", "population") for _ in range(2))
    assert first.path != second.path
    assert first.path.parent == tmp_path / "runs"
    assert first.path.name.startswith("population-20")


def test_json_with_dataclasses(tmp_path) -> None:
    folder = CampaignFolder(tmp_path, "defects")
    path = folder.write_json("summary", {"points": [Point(1.5, Colour.RED)], "at": Path("a/b")})
    assert path == folder.path / "summary.json"
    assert json.loads(path.read_text()) == {"points": [{"x": 1.5, "colour": "red"}], "at": "a/b"}


def test_nan_has_no_place_in_json(tmp_path) -> None:
    with pytest.raises(ValueError, match="JSON"):
        CampaignFolder(tmp_path, "x").write_json("summary", {"value": float("nan")})


def test_what_json_cannot_hold() -> None:
    with pytest.raises(TypeError, match="object has no place in JSON"):
        plain(object())


def test_csv(tmp_path) -> None:
    path = CampaignFolder(tmp_path, "x").write_csv(
        "t", ("a", "b"), [(1, None), ("ü,", 2.5), ("-x", -0.5)]
    )
    assert path.read_bytes() == 'a,b\n1,\n"ü,",2.5\n\'-x,-0.5\n'.encode()


@pytest.mark.parametrize("rows", [0, 1, 7, 23])
def test_a_table_grows_in_batches(tmp_path, monkeypatch, rows) -> None:
    monkeypatch.setattr(campaign_folder, "_BATCH", 7)
    folder = CampaignFolder(tmp_path, "x")
    columns = {"name": "text", "value": "number", "repeat": "whole"}
    with folder.table("judgements", columns) as table:
        for n in range(rows):
            table.add(f"n{n % 3}", None if n % 5 == 0 else n / 2, n)
            assert len(table._rows) < 7
    found = pd.read_parquet(table.path)
    assert list(found.columns) == list(columns)
    assert found["repeat"].tolist() == list(range(rows))
    assert found["name"].astype(str).tolist() == [f"n{n % 3}" for n in range(rows)]
    assert found["value"].isna().sum() == sum(n % 5 == 0 for n in range(rows))


def test_an_interrupted_table_keeps_its_rows(tmp_path) -> None:
    folder = CampaignFolder(tmp_path, "x")
    table = folder.table("t", {"a": "whole"})
    table.__enter__().add(1)
    table.__exit__(KeyboardInterrupt, KeyboardInterrupt(), None)
    assert pd.read_parquet(table.path)["a"].tolist() == [1]


def test_a_killed_campaign_keeps_its_batches(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(campaign_folder, "_BATCH", 4)
    table = CampaignFolder(tmp_path, "x").table("t", {"a": "whole"})
    for n in range(10):
        table.add(n)
    # nothing is closed: the process is gone
    assert pd.read_parquet(table.path)["a"].tolist() == list(range(8))


def test_a_row_of_the_wrong_length(tmp_path) -> None:
    folder = CampaignFolder(tmp_path, "x")
    with folder.table("t", {"a": "whole"}) as table, pytest.raises(ValueError, match="2 values"):
        table.add(1, 2)
    assert len(pd.read_parquet(table.path)) == 0


def test_a_folder_that_cannot_be_made(tmp_path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be made"):
        CampaignFolder(tmp_path / "file", "population")
