"""The folder of a campaign: what was asked, every result, and the tables made of them."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import Any

from hil.core.closing import Closing
from hil.core.errors import StoreError
from hil.store.atomic import replace_file, sync_folder
from hil.store.cells import written
from hil.store.folder import new_name

#: Rows gathered before they are written: a campaign of a million rows needs no more memory.
_BATCH = 20_000


class CampaignFolder:
    """A new folder, written to while a campaign runs.

    Attributes
    ----------
    path : the folder, ``OUT/KIND-TIME-SUFFIX``.
    """

    def __init__(self, out: Path | str, kind: str) -> None:
        self.path = Path(out) / f"{kind}-{new_name()}"
        try:
            self.path.mkdir(parents=True)
        except OSError as problem:
            raise StoreError(f"{self.path}: cannot be made: {problem.strerror}") from problem
        sync_folder(self.path.parent)

    def write_json(self, name: str, content: Any) -> Path:
        """Write ``NAME.json``; dataclasses become objects. A file is whole or not there."""
        text = json.dumps(content, indent=2, default=plain, allow_nan=False) + "\n"
        path = self.path / f"{name}.json"
        replace_file(path, text.encode())
        return path

    def write_csv(self, name: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> Path:
        """Write ``NAME.csv`` in UTF-8; None is an empty cell, text as `hil.store.cells` has it."""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(columns)
        for row in rows:
            writer.writerow([written(cell) if isinstance(cell, str) else cell for cell in row])
        path = self.path / f"{name}.csv"
        replace_file(path, text.getvalue().encode())
        return path

    def table(self, name: str, columns: Mapping[str, str]) -> GrowingTable:
        """``NAME/``, a table in Parquet to which rows are added one by one."""
        return GrowingTable(self.path / name, columns)


class GrowingTable(Closing):
    """A folder of Parquet files, one a batch; a context manager.

    Each file is whole as soon as it is there, so a campaign that is killed keeps all but its last
    batch. Readers of Parquet take the folder as one table.

    Parameters
    ----------
    columns : name -> ``text``, ``number`` (may be None), ``whole``.
    """

    def __init__(self, path: Path, columns: Mapping[str, str]) -> None:
        import pyarrow as pa

        kinds = {
            "text": pa.dictionary(pa.int32(), pa.string()),
            "number": pa.float64(),
            "whole": pa.int32(),
        }
        self.path = path
        self._arrow = pa
        self._schema = pa.schema([(name, kinds[kind]) for name, kind in columns.items()])
        self._rows: list[tuple[Any, ...]] = []
        self._files = 0
        try:
            path.mkdir()
        except OSError as problem:
            raise StoreError(f"{path}: cannot be made: {problem.strerror}") from problem

    def add(self, *row: Any) -> None:
        """Add a row, one value a column.

        Raises
        ------
        ValueError
            If there are more or fewer. StoreError if the disk refuses it.
        """
        if len(row) != len(self._schema):
            raise ValueError(f"{self.path.name}: {len(row)} values for {len(self._schema)} columns")
        self._rows.append(row)
        if len(self._rows) >= _BATCH:
            self._flush()

    def _flush(self) -> None:
        import pyarrow.parquet as pq

        columns = [
            self._arrow.array([row[n] for row in self._rows], type=field.type)
            for n, field in enumerate(self._schema)
        ]
        self._rows = []
        buffer = io.BytesIO()
        pq.write_table(self._arrow.table(columns, schema=self._schema), buffer, compression="zstd")
        self._files += 1
        replace_file(self.path / f"{self._files:05}.parquet", buffer.getvalue())

    def close(self) -> None:
        """Write the last batch; an empty table is one file."""
        if self._rows or not self._files:
            self._flush()


def plain(value: Any) -> Any:
    """A dataclass, enumeration or path as JSON has it; for ``json.dumps(default=...)``."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {one.name: getattr(value, one.name) for one in dataclasses.fields(value)}
    if isinstance(value, StrEnum | Path):
        return str(value)
    raise TypeError(f"{type(value).__name__} has no place in JSON: {value!r}")
