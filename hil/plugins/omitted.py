"""Planned items that are in no part of the run: deselected, or beyond what the rig can do.

However they came to be left out (``-k``, ``-m``, the id of an item, ``--lf``): what a plan comes to
is held against what is run.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from hil.core.record import DESELECTED, Omitted
from hil.plugins.items import item_id, rig_of, uses_bench
from hil.plugins.keys import COLLECTED, LEFT


def omitted(config: pytest.Config, items: Sequence[pytest.Item]) -> tuple[Omitted, ...]:
    """See the module text; of plans and Python scenarios on the rig of `items`, and no others."""
    _, rig_file = rig_of(items[0])
    taken = {(item.path, item_id(item)) for item in items}
    found = (*_planned(config, taken, rig_file), *_scenarios(config, taken, rig_file))
    return tuple(one for one in found if one.items)


def _planned(
    config: pytest.Config, taken: set[tuple[Path, str]], rig_file: Path
) -> Iterator[Omitted]:
    for path, found in config.stash.get(COLLECTED, {}).items():
        if found.rig_file.resolve() != rig_file:
            continue
        chosen = {one.id: one.marks for one in found.items if (path, one.id) not in taken}
        yield Omitted(plan=found.plan.name, why=DESELECTED, items=chosen)
        beyond: dict[str, dict[str, tuple[str, ...]]] = {}
        for why, one in found.left_out:
            beyond.setdefault(why, {})[one.id] = one.marks
        for why, those in beyond.items():
            yield Omitted(plan=found.plan.name, why=why, items=those)


def _scenarios(
    config: pytest.Config, taken: set[tuple[Path, str]], rig_file: Path
) -> Iterator[Omitted]:
    left: dict[Path, dict[str, tuple[str, ...]]] = {}
    for item in config.stash.get(LEFT, []):
        if uses_bench(item) and (item.path, item_id(item)) not in taken and _on(item, rig_file):
            left.setdefault(item.path, {})[item_id(item)] = ()
    for path, those in left.items():
        yield Omitted(plan=path.name, why=DESELECTED, items=those)


def _on(item: pytest.Item, rig_file: Path) -> bool:
    try:
        return rig_of(item)[1] == rig_file
    except pytest.UsageError:  # it names no rig: it could not have been run
        return False
