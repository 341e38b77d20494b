"""Kills runs at random instants and measures at the supply when it is off; see ``ci/kills``.

Each worker has a simulated bench of its own, served by ``hil twin`` in another process and reached
as hardware. The supply is watched over a TCP session that belongs to nobody else.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import re
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
RIG = ROOT / "testplans" / "rigs" / "dosing-pump.yaml"
ROLES = ("board", "supply", "tachometer", "brake", "switch")
LIMIT = 1.0  # s after the kill by which the supply must be off
TOLD = 6.0  # s after that by which the guard must have said so: it writes when all is safe
PLAN = f"""\
format: 1
plan: kill
rig: {RIG}
scenarios:
  - id: long
    scenario: start
    speed: 2000 rpm
    hold: 60 s
    bands: {{success: {{exactly: 1}}}}
"""
OFF = "supply off, read back off "
TOOK = re.compile(rf"{OFF}([\d.]+) s after")
#: When a run is killed: how soon after the output was first seen on, or after its start, s.
MOMENTS = ("at output-on", "while turning", "any time")


@dataclass(frozen=True)
class Kill:
    """One kill: when, whether the supply was on, s until it was off, and whether it stayed off."""

    moment: str
    after_start: float
    after_output_on: float | None
    was_on: bool
    off_after: float
    stayed_off: bool
    guard_said: bool
    guard_took: float | None  # s by the guard's own clock, from when it knew to the confirmation

    @property
    def safe(self) -> bool:
        """Whether it went as it must."""
        return self.off_after <= LIMIT and self.stayed_off and (self.guard_said or not self.was_on)


class Supply:
    """A session of our own with the supply."""

    def __init__(self, resource: str) -> None:
        _, host, port, _ = resource.split("::")
        self._socket = socket.create_connection((host, int(port)), timeout=5.0)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._file = self._socket.makefile()

    def is_on(self) -> bool:
        """Whether its output is on."""
        self._socket.sendall(b"OUTP?\n")
        return self._file.readline().strip() == "1"

    def close(self) -> None:
        """End the session."""
        self._file.close()
        self._socket.close()


@contextlib.contextmanager
def served(folder: Path, rig: Path = RIG) -> Iterator[dict[str, str]]:
    """A simulated bench in another process."""
    ready, log = folder / "ready.json", (folder / "twin.log").open("w")
    command = [sys.executable, "-m", "hil.cli.main", "twin", str(rig), "--ready", str(ready)]
    process = subprocess.Popen(command, cwd=folder, stdout=log, stderr=subprocess.STDOUT)
    try:
        end = time.monotonic() + 180.0
        while not ready.exists():
            if process.poll() is not None or time.monotonic() > end:
                raise RuntimeError(f"no served bench: {(folder / 'twin.log').read_text()}")
            time.sleep(0.05)
        yield json.loads(ready.read_text())
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=20.0)
        log.close()


def kill_once(folder: Path, places: dict[str, str], moment: str, draw: random.Random) -> Kill:
    """Start a run, kill it, and look at the supply."""
    (folder / "kill.plan.yaml").write_text(PLAN, encoding="utf-8")
    out = Path(tempfile.mkdtemp(dir=folder, prefix="runs-"))
    command = [
        sys.executable, "-m", "pytest", "kill.plan.yaml", "-q", "-p", "no:cacheprovider",
        "--hil-bench=hardware", f"--hil-out={out}",
        *(f"--hil-{role}={places[role]}" for role in ROLES),
    ]  # fmt: skip
    supply = Supply(places["supply"])
    said = folder / "run.log"
    with said.open("w") as log:
        run = subprocess.Popen(
            command, cwd=folder, stdout=log, stderr=subprocess.STDOUT,
            env={**os.environ, "HIL_LEASES": str(folder / "leases")},
        )  # fmt: skip
    try:
        begun = time.monotonic()
        try:
            seen_on = _wait_for_moment(run, supply, moment, draw)
        except RuntimeError as error:
            raise RuntimeError(f"{error}: {said.read_text()}") from error
        was_on = supply.is_on()
        run.kill()
        killed = time.monotonic()
        off = killed
        while supply.is_on() and off - killed < 10.0:
            time.sleep(0.001)
            off = time.monotonic()
        stayed = True
        while time.monotonic() - off < 0.5:
            stayed = stayed and not supply.is_on()
            time.sleep(0.01)
    finally:
        run.kill()
        run.wait()
        supply.close()
    logs = _guard_logs(out, wait=was_on)
    return Kill(
        moment=moment,
        after_start=killed - begun,
        after_output_on=None if seen_on is None else killed - seen_on,
        was_on=was_on,
        off_after=off - killed,
        stayed_off=stayed,
        guard_said=any(OFF in log for log in logs),
        guard_took=next((float(t) for log in logs for t in TOOK.findall(log)), None),
    )


def _guard_logs(out: Path, wait: bool) -> list[str]:
    """What the guards of a run have written; waited for, if one has something to say."""
    end = time.monotonic() + (TOLD if wait else 0.0)
    while True:
        logs = [log.read_text() for log in out.glob("*/guard.log")]
        if any(OFF in log for log in logs) or time.monotonic() >= end:
            return logs
        time.sleep(0.01)


def _wait_for_moment(
    run: subprocess.Popen[bytes], supply: Supply, moment: str, draw: random.Random
) -> float | None:
    """Wait until the run is to be killed; when its output was first seen on, if it was."""
    begun = time.monotonic()
    end = begun + (draw.uniform(0.2, 9.0) if moment == "any time" else 120.0)
    seen_on: float | None = None
    while time.monotonic() < end:
        if run.poll() is not None:
            raise RuntimeError(f"the run ended by itself with code {run.returncode}")
        if seen_on is None and supply.is_on():
            seen_on = time.monotonic()
            if moment == "at output-on":
                end = seen_on + draw.uniform(0.0, 0.05)
            elif moment == "while turning":
                end = seen_on + draw.uniform(0.0, 4.0)
        time.sleep(0.001)
    return seen_on


def campaign(count: int, parallel: int, seed: int) -> list[Kill]:
    """Kill `count` runs, `parallel` at a time; the moments take turns."""
    kills: list[Kill] = []
    todo = iter(range(count))
    lock = threading.Lock()
    failures: list[BaseException] = []

    def work(folder: Path) -> None:
        try:
            with served(folder) as places:
                while not failures:
                    with lock:
                        number = next(todo, None)
                    if number is None:
                        return
                    draw = random.Random(f"{seed}/{number}")
                    kill = kill_once(folder, places, MOMENTS[number % len(MOMENTS)], draw)
                    with lock:
                        kills.append(kill)
                        if len(kills) % 10 == 0 or not kill.safe:
                            print(f"{len(kills)}/{count} {'' if kill.safe else kill}", flush=True)
        except BaseException as error:
            failures.append(error)

    with tempfile.TemporaryDirectory() as root:
        folders = [Path(root) / f"bench-{n}" for n in range(parallel)]
        for folder in folders:
            folder.mkdir()
        threads = [threading.Thread(target=work, args=(folder,)) for folder in folders]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    if failures:
        raise failures[0]
    return kills


def summary(kills: list[Kill]) -> dict[str, object]:
    """Numbers of a campaign; times in s."""
    on = [kill.off_after for kill in kills if kill.was_on]
    return {
        "kills": len(kills),
        "safe": sum(kill.safe for kill in kills),
        "supply was on": len(on),
        "within 50 ms of output-on": sum((k.after_output_on or 1.0) <= 0.05 for k in kills),
        "median off after": statistics.median(on) if on else 0.0,
        "longest off after": max(on, default=0.0),
        "limit": LIMIT,
    }


def main() -> None:
    """Run a campaign from the command line."""
    parser = argparse.ArgumentParser(prog="ci/kills", description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--parallel", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()
    kills = campaign(given.count, given.parallel, given.seed)
    facts = summary(kills)
    for name, value in facts.items():
        print(f"{name:<28}{value:.4g}" if isinstance(value, float) else f"{name:<28}{value}")
    if given.json is not None:
        whole = {**facts, "each": [asdict(kill) for kill in kills]}
        given.json.write_text(json.dumps(whole, indent=2) + "\n", encoding="utf-8")
    sys.exit(0 if facts["safe"] == facts["kills"] else 1)


if __name__ == "__main__":
    main()
