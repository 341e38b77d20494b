"""Rigs from a pool: each session, and each worker of pytest-xdist, leases one that is free.

With ``-n`` every worker is a session of its own with a run folder of its own; the controlling
process only gathers where those are. Without a pool bench items refuse to run in workers.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from hil.bench.lease import Lease


@dataclass(frozen=True)
class FromPool:
    """What a session took; `lease` is None on a simulated bench."""

    rig: Path
    resources: dict[str, str]
    lease: Lease | None


@dataclass
class Gathered:
    """What the workers left behind, for the controlling process."""

    lines: list[str] = field(default_factory=list)
    code: int = 0


TAKEN = pytest.StashKey[FromPool]()
GATHERED = pytest.StashKey[Gathered]()


def worker_number(config: pytest.Config) -> int | None:
    """Number of a pytest-xdist worker; None in any other session."""
    given: dict[str, Any] | None = getattr(config, "workerinput", None)
    return None if given is None else int(given["workerid"].removeprefix("gw"))


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
        raise pytest.UsageError(
            f"-n {workers}, but {pool} has {size} rigs: never two workers on one"
        )


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
    from hil.plugins.plans import load_rig_once

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


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any, error: object) -> None:  # noqa: ARG001
    """Keep what a worker said at its end."""
    said = getattr(node, "workeroutput", {}).get("hil")
    if said is not None:
        gathered = node.config.stash.setdefault(GATHERED, Gathered())
        gathered.lines += said["lines"]
        gathered.code = max(gathered.code, said["code"])


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    """Say where the run folders of the workers are."""
    if gathered := config.stash.get(GATHERED, None):
        terminalreporter.ensure_newline()
        terminalreporter.section("bench")
        for line in gathered.lines:
            terminalreporter.write_line(line)


@pytest.hookimpl(tryfirst=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """A worker whose bench was refused or left unsafe sets the exit code."""
    gathered = session.config.stash.get(GATHERED, None)
    if gathered is not None and gathered.code:
        session.exitstatus = gathered.code
