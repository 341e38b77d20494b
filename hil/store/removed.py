"""Traces that a rule of retention removed: that they are not there is nothing wrong."""

from __future__ import annotations

import json
from pathlib import Path

from hil.store.manifest import THINNED


def removed_traces(folder: Path) -> dict[str, str]:
    """Name of the trace in traces/ -> the rule by which it was removed from the run folder.

    A list that cannot be read removes nothing: what is missing then counts as missing.
    """
    try:
        lines = (folder / THINNED).read_bytes().splitlines()
    except OSError:
        return {}
    found: dict[str, str] = {}
    for line in lines:
        try:
            entry = json.loads(line)
            name = str(entry["file"]).removeprefix("traces/")
            if entry["new"] is None:
                found[name] = str(entry["rule"])
        except (ValueError, KeyError, TypeError):
            continue
    return found
