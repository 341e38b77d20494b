"""The pool file: rigs of which each run, or each worker of a run, takes one that is free.

format: 1
pool:
  - rig: rigs/dosing-pump.yaml
  - rig: rigs/dosing-pump.yaml
    board: /dev/serial/by-id/usb-dosing-drive-bench-2
    supply: TCPIP::192.0.2.12::5025::SOCKET
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from hil.core.roles import ROLES
from hil.plan.checked import read_checked
from hil.plan.model import Model, Text
from hil.plan.source import Problem, Source


class PoolEntry(Model):
    """A rig file, and ports and resources that override what it says."""

    rig: Text  # path relative to the pool file
    board: str = ""
    supply: str = ""
    tachometer: str = ""
    brake: str = ""
    switch: str = ""
    interlock: str = ""
    encoder: str = ""
    thermometer: str = ""

    @property
    def resources(self) -> dict[str, str]:
        """Role -> override, only those given."""
        return {role: getattr(self, role) for role in ROLES if getattr(self, role)}


class Pool(Model):
    """A pool file."""

    format: Literal[1]
    pool: Annotated[tuple[PoolEntry, ...], Field(min_length=1)]


def load_pool(path: Path | str) -> tuple[tuple[Path, PoolEntry], ...]:
    """Each entry with the path of its rig file.

    Raises
    ------
    PlanError
        With file, line and column of every problem.
    """
    beside = Path(path).parent

    def check(found: Pool, source: Source) -> Iterator[Problem]:
        for number, entry in enumerate(found.pool):
            if not (file := beside / entry.rig).is_file():
                said = f"there is no file {file.as_posix()}"
                yield source.problem(("pool", number, "rig"), said)

    pool = read_checked(Pool, path, check, kind="pool").pool
    return tuple((beside / entry.rig, entry) for entry in pool)
