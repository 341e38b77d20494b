from __future__ import annotations

import json
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from hil.store.manifest import THINNED
from hil.store.removed import removed_traces

RULE = "traces of passing items removed after 30 days"


def entry(file: str, new: str | None) -> str:
    return json.dumps({"file": file, "old": "11", "new": new, "utc": "u", "rule": RULE}) + "\n"


def test_what_was_removed_is_told_and_what_was_thinned_is_not(tmp_path: Path) -> None:
    (tmp_path / THINNED).write_text(
        entry("traces/a.1.parquet", "22") + entry("traces/b.1.parquet", None)
        + entry("traces/c.1.parquet", "33") + entry("traces/c.1.parquet", None)
    )  # fmt: skip
    assert removed_traces(tmp_path) == {"b.1.parquet": RULE, "c.1.parquet": RULE}


def test_without_a_list_nothing_was_removed(tmp_path: Path) -> None:
    assert removed_traces(tmp_path) == {}
    assert removed_traces(tmp_path / "none") == {}


@given(noise=st.lists(st.binary(max_size=20), max_size=4))
def test_lines_that_cannot_be_read_remove_nothing(tmp_path_factory, noise: list[bytes]) -> None:
    folder = tmp_path_factory.mktemp("run")
    good = entry("traces/b.1.parquet", None).encode()
    (folder / THINNED).write_bytes(b"\n".join(noise) + b"\n" + good)
    found = removed_traces(folder)
    assert found.get("b.1.parquet") == RULE
    assert len(found) == 1
