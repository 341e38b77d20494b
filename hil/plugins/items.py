"""Which pytest items run on the bench, under which id, and on which rig."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from hil.plugins.options import bench_options
from hil.plugins.plans import PlanItem
from hil.plugins.rigs import load_rig_once

if TYPE_CHECKING:
    from hil.plan.rig import Rig


def uses_bench(item: pytest.Item) -> bool:
    """True for a Python scenario: a test function that asks for the opened rig."""
    return "hil_bench" in getattr(item, "fixturenames", ())


def on_bench(item: pytest.Item) -> bool:
    """True for an item that runs on the bench: a planned one, or a test that uses its fixtures."""
    return isinstance(item, PlanItem) or uses_bench(item)


def item_id(item: pytest.Item) -> str:
    """Id of a bench item, ``[a-z0-9._-]`` only: the planned id, or made from the test's name."""
    if isinstance(item, PlanItem):
        return item.name
    module = item.path.name.removesuffix(".py")
    return re.sub(r"[^a-z0-9._-]+", "-", f"{module}.{item.name}".lower()).strip("-.")


def rig_of(item: pytest.Item) -> tuple[Rig, Path]:
    """The rig an item runs on, and its file.

    Raises
    ------
    pytest.UsageError
        If a Python scenario names none and ``--hil-rig`` is not given.
    """
    if isinstance(item, PlanItem):
        return item.rig, item.rig_file
    given = bench_options(item.config).rig
    mark = item.get_closest_marker("hil")
    if given:
        path = Path(given)
    elif mark is not None and "rig" in mark.kwargs:
        path = item.path.parent / str(mark.kwargs["rig"])
    else:
        raise pytest.UsageError(
            f'{item.nodeid}: names no rig; mark it pytest.mark.hil(rig="...") or give --hil-rig'
        )
    from hil.core.errors import HilError

    try:
        return load_rig_once(path.resolve()), path.resolve()
    except HilError as error:
        raise pytest.UsageError(str(error)) from error
