"""Ends runs at random instants and looks at what is left of them; see ``ci/crashes``.

Three ways to end: SIGKILL; a disk that is full after so many bytes; a loss of power, by which all
that was not forced to the disk is lost, torn or in disorder. Each run is a whole pytest session on
the simulated bench, in a process forked from one that has loaded everything.
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from ci.disk import Operation
from ci.examining import examine
from ci.power_loss import Disk

ROOT = Path(__file__).parents[1]
RIG = ROOT / "testplans" / "rigs" / "dosing-pump.yaml"
ITEMS = ("first", "second", "third")
PLAN = f"format: 1\nplan: crash\nrig: {RIG}\nscenarios:\n" + "".join(
    f"""\
  - id: {name}
    scenario: start
    speed: {speed} rpm
    hold: 0.2 s
    within: 2 s
    bands: {{success: {{exactly: 1}}, time-to-speed: {{max: 2 s}}}}
"""
    for name, speed in zip(ITEMS, (800, 1000, 1200), strict=True)
)
WAYS = ("killed", "full", "power")
#: Share of each way; one recorded run gives any number of losses of power.
SHARES = {"killed": 0.08, "full": 0.08, "power": 0.84}
RECORDED = 3
LONGEST = 120.0  # s that a run may take before something is wrong with it
#: Bytes of the chart script, which is most of what a run writes and the last.
SCRIPT = 4_000_000


@dataclass(frozen=True)
class Crash:
    """One end: how, at which instant, how far the run had come, and what is wrong since."""

    way: str
    instant: str
    kept: int  # entries acknowledged before
    interrupted: bool  # an item was in progress
    wrong: tuple[str, ...]

    @property
    def readable(self) -> bool:
        """Whether everything is as it must be."""
        return not self.wrong


# -- runs in processes of their own ---------------------------------------------------------------


def warm() -> None:
    """Load what every run needs, so that a forked one begins at once."""
    import pandas  # noqa: F401
    import plotly  # noqa: F401
    import pyarrow.parquet  # noqa: F401
    import pytest  # noqa: F401

    import hil.bench.simulate
    import hil.plan.expand
    import hil.plan.load
    import hil.plugins.planned_item
    import hil.report.rebuild
    import hil.twin.world  # noqa: F401


def forked(folder: Path, arguments: tuple[str, ...], environment: dict[str, str]) -> int:
    """Begin a session in a process of its own; its id."""
    pid = os.fork()
    if pid:
        return pid
    code = 70
    try:
        os.setpgid(0, 0)
        said = os.open(folder / "run.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        os.dup2(said, 1)
        os.dup2(said, 2)
        sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
        os.chdir(folder)
        os.environ.update(environment)
        import pytest

        code = int(
            pytest.main(
                ["crash.plan.yaml", "-q", "-p", "no:cacheprovider", "-p", "ci.disk",
                 "-p", "no:randomly", "--hil-bench=twin", "--hil-out=watched/runs", *arguments]
            )
        )  # fmt: skip
        sys.stdout.flush()
    finally:
        os._exit(code)


def wait(pid: int, until: Callable[[], bool] = lambda: False) -> int | None:
    """Wait for a process; its exit code, or None if `until` came first."""
    end = time.monotonic() + LONGEST
    while True:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        if until():
            return None
        if time.monotonic() > end:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            raise RuntimeError(f"a run did not end within {LONGEST:g} s")
        time.sleep(0.001)


def place(root: Path, name: str) -> Path:
    """A folder for one run, with its plan."""
    folder = root / name
    (folder / "watched").mkdir(parents=True)
    (folder / "crash.plan.yaml").write_text(PLAN, encoding="utf-8")
    return folder


def settings(folder: Path, **more: str) -> dict[str, str]:
    """Environment for `ci.disk`."""
    given = {"HIL_DISK_ROOT": str(folder / "watched"), "HIL_DISK_ACKS": str(folder / "acks")}
    return given | more


def acknowledged(folder: Path) -> list[str]:
    """Lines that a run was told to be kept; one that the kill tore is none."""
    file = folder / "acks"
    text = file.read_text(encoding="ascii") if file.exists() else ""
    return [line for line in text.splitlines(keepends=True) if line.endswith("\n")]


def _in_progress(lines: list[str]) -> bool:
    kinds = [json.loads(line)["kind"] for line in lines]
    return kinds.count("item-start") > kinds.count("item")


def _crash(way: str, instant: str, lines: list[str], wrong: list[str]) -> Crash:
    return Crash(way, instant, len(lines), _in_progress(lines), tuple(wrong))


# -- the three ways -------------------------------------------------------------------------------


def kill(folder: Path, after: float) -> Crash:
    """End a run by SIGKILL `after` s from when its folder appears."""
    runs = folder / "watched" / "runs"
    pid = forked(folder, (), settings(folder))
    code = wait(pid, until=runs.exists)
    if code is None:
        at = time.monotonic() + after
        code = wait(pid, until=lambda: time.monotonic() >= at)
        if code is None:
            os.kill(pid, signal.SIGKILL)
            code = wait(pid)
    wrong = (
        [] if code in (0, -signal.SIGKILL) else [f"the run ended with code {code}: {_said(folder)}"]
    )
    lines = acknowledged(folder)
    return _crash("killed", f"{after:.3f} s", lines, wrong + examine(runs, lines))


def fill(folder: Path, room: int) -> Crash:
    """Let a run find the disk full after `room` bytes."""
    code = wait(forked(folder, (), settings(folder, HIL_DISK_ROOM=str(room))))
    lines = acknowledged(folder)
    kinds = [json.loads(line)["kind"] for line in lines]
    wrong = []
    if code == 0:
        wrong.append("the disk was full and the run says that all is well")
    elif code is None or code < 0:
        wrong.append(f"the run ended with code {code}: {_said(folder)}")
    elif "run-end" not in kinds and "No space left" not in _said(folder, 10**9):
        wrong.append(f"the run does not say that the disk is full: {_said(folder)}")
    return _crash(
        "full", f"{room} bytes", lines, wrong + examine(folder / "watched" / "runs", lines)
    )


def record(folder: Path, *arguments: str) -> list[Operation]:
    """The operations of a whole run."""
    log = folder / "operations"
    code = wait(forked(folder, arguments, settings(folder, HIL_DISK_LOG=str(log))))
    if code != 0:
        raise RuntimeError(f"a recorded run ended with code {code}: {_said(folder)}")
    operations: list[Operation] = pickle.loads(log.read_bytes())
    return operations


def lose_power(watched: Path, operations: list[Operation], to: Path, draw: random.Random) -> Crash:
    """What is left if the power goes at an instant of a recorded run."""
    at = draw.randint(0, len(operations))
    disk = Disk(watched)
    must_have: dict[str, bytes] = {}
    for operation in operations[:at]:
        disk.take([operation])
        if operation[0] == "acknowledged":
            must_have |= _rests_on(disk, operation[1])
    disk.lose_power(to, draw)
    lines = disk.acknowledged
    return _crash("power", f"operation {at} of {len(operations)}", lines,
                  examine(to / "runs", lines, must_have))  # fmt: skip


def _rests_on(disk: Disk, line: str) -> dict[str, bytes]:
    """Files that a result rests on, as the run saw them when it was told that it is kept."""
    entry = json.loads(line)
    if entry["kind"] != "item":
        return {}
    (run,) = disk.names("runs")
    names = [f"serial/{entry['item']}.log", *(f"traces/{name}" for name in entry["traces"])]
    found = {f"{run}/{name}": disk.seen(f"runs/{run}/{name}") for name in names}
    return {name: content for name, content in found.items() if content is not None}


def _said(folder: Path, most: int = 800) -> str:
    file = folder / "run.log"
    return file.read_text(encoding="utf-8", errors="replace")[-most:] if file.exists() else ""


# -- the campaign ---------------------------------------------------------------------------------


def campaign(
    count: int, seed: int, tell: Callable[[str], None] = lambda _text: None
) -> list[Crash]:
    """End runs `count` times."""
    warm()
    crashes: list[Crash] = []
    numbers = {way: round(count * SHARES[way]) for way in WAYS[:2]}
    numbers["power"] = count - sum(numbers.values())
    with tempfile.TemporaryDirectory() as top:
        for number, crash in enumerate(_crashes(Path(top), numbers, seed), 1):
            crashes.append(crash)
            if not crash.readable or number % 25 == 0:
                tell(f"{number}/{count}{'' if crash.readable else f' {crash}'}")
    return crashes


def _crashes(root: Path, numbers: dict[str, int], seed: int) -> Iterator[Crash]:
    recorded = []
    begun = time.monotonic()
    for number in range(min(RECORDED, max(1, numbers["power"] // 10))):
        folder = place(root, f"recorded-{number}")
        recorded.append((folder / "watched", record(folder)))
    length = (time.monotonic() - begun) / len(recorded)
    size = sum(len(op[3]) for op in recorded[0][1] if op[0] == "write")
    for number in range(numbers["killed"]):
        folder = place(root, f"killed-{number}")
        yield kill(folder, random.Random(f"{seed}/killed/{number}").uniform(0.0, length))
        shutil.rmtree(folder)
    for number in range(numbers["full"]):
        folder = place(root, f"full-{number}")
        draw = random.Random(f"{seed}/full/{number}")
        # Most of the instants before the chart script, which is written last.
        yield fill(folder, draw.randint(0, size - SCRIPT if number % 8 else size - 1))
        shutil.rmtree(folder)
    for number in range(numbers["power"]):
        watched, operations = recorded[number % len(recorded)]
        to = root / "after"
        yield lose_power(watched, operations, to, random.Random(f"{seed}/power/{number}"))
        shutil.rmtree(to)


def summary(crashes: list[Crash]) -> dict[str, object]:
    """Numbers of a campaign."""
    facts: dict[str, object] = {
        "ends": len(crashes),
        "readable": sum(crash.readable for crash in crashes),
    }
    for way in WAYS:
        own = [crash for crash in crashes if crash.way == way]
        facts[f"{way}, readable"] = f"{sum(crash.readable for crash in own)} of {len(own)}"
    facts["with an item in progress"] = sum(crash.interrupted for crash in crashes)
    facts["after a first verdict"] = sum(crash.kept >= len(ITEMS) for crash in crashes)
    facts["before the record began"] = sum(not crash.kept for crash in crashes)
    return facts


def main() -> None:
    """Run a campaign from the command line."""
    parser = argparse.ArgumentParser(prog="ci/crashes", description=__doc__)
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()
    begun = time.monotonic()
    crashes = campaign(given.count, given.seed, lambda text: print(text, flush=True))
    facts = summary(crashes) | {"seconds": round(time.monotonic() - begun, 1)}
    for name, value in facts.items():
        print(f"{name:<28}{value}")
    for reason, number in Counter(line for c in crashes for line in c.wrong).most_common(10):
        print(f"  {number} x {reason}"[:200])
    if given.json is not None:
        whole = {**facts, "each": [asdict(crash) for crash in crashes]}
        given.json.write_text(json.dumps(whole, indent=2) + "\n", encoding="utf-8")
    sys.exit(0 if facts["readable"] == facts["ends"] else 1)


if __name__ == "__main__":
    main()
