"""Rigs from a pool: each session, and each worker of pytest-xdist, leases one that is free."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from hil.plugins.rigs import load_rig_once
from hil.plugins.workers import worker_number

if TYPE_CHECKING:
    from hil.bench.lease import Lease


@dataclass(frozen=True)
class FromPool:
    """What a session took; `lease` is None on a simulated bench."""

    rig: Path
    resources: dict[str, str]
    lease: Lease | None


def check_size(config: pytest.Config, pool: Path) -> None:
    """Refuse more workers than there are rigs.

    Raises
    ------
    pytest.UsageError
        Also for a pool file that is wrong.
    """
    from hil.core.errors import HilError
    from hil.plan.pool import load_pool

    try:
        size = len(load_pool(pool))
    except HilError as error:
        raise pytest.UsageError(str(error)) from error
    workers = config.getoption("numprocesses", None) or 0
    if workers > size:
        rigs = "1 rig" if size == 1 else f"{size} rigs"
        raise pytest.UsageError(f"-n {workers}, but {pool} has {rigs}: never two workers on one")


def take_rig(config: pytest.Config, pool: Path, mode: str) -> FromPool:
    """A free rig of the pool, leased if it is hardware.

    Workers begin to look at the entry of their own number, so that they need not get into each
    other's way.

    Raises
    ------
    HilError
        If none is free, naming every holder.
    """
    from hil.bench.lease import RigInUse, take
    from hil.plan.pool import load_pool

    entries = load_pool(pool)
    first = worker_number(config) or 0
    held: list[str] = []
    for step in range(len(entries)):
        file, entry = entries[(first + step) % len(entries)]
        rig = load_rig_once(file.resolve())
        if mode == "twin":
            return FromPool(file, entry.resources, None)
        try:
            return FromPool(file, entry.resources, take(rig, entry.resources))
        except RigInUse as error:
            held.append(str(error))
    raise RigInUse(f"no rig of {pool} is free: {'; '.join(held)}")
