"""Ctrl-C and termination in mid-scenario, with the supply in another process.

The bench is served by ``hil twin`` and reached as hardware: a pseudo-terminal and TCP sockets. What
the supply says afterwards is asked over a socket of the test's own.
"""

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from hil.core.verdict import Verdict
from hil.store.reading import read

TESTPLANS = Path(__file__).parents[2] / "testplans"
RIG = TESTPLANS / "rigs" / "dosing-pump.yaml"
ROLES = ("board", "supply", "tachometer", "brake", "switch")
PLAN = f"""\
format: 1
plan: t
rig: {RIG}
scenarios:
  - id: long
    scenario: start
    speed: 1000 rpm
    hold: 60 s
    bands: {{success: {{exactly: 1}}}}
  - id: next
    scenario: start
    speed: 1000 rpm
    bands: {{success: {{exactly: 1}}}}
"""


def promptly() -> None:
    """Real time comes before what other tests have to compute, where the system allows that."""
    with contextlib.suppress(OSError):
        os.nice(-10)


@contextlib.contextmanager
def served(folder: Path, rig: Path = RIG) -> Iterator[dict[str, str]]:
    """Where the parts of a served bench are; stopped afterwards."""
    ready = folder / "ready.json"
    with (folder / "twin.log").open("w") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "hil.cli.main", "twin", str(rig), "--ready", str(ready)],
            cwd=folder, stdout=log, stderr=subprocess.STDOUT,
            preexec_fn=promptly,  # noqa: PLW1509 - a call of the system and nothing else
        )  # fmt: skip
    try:
        deadline = time.monotonic() + 120.0
        while not ready.exists():
            assert process.poll() is None, (folder / "twin.log").read_text()
            assert time.monotonic() < deadline, "the served bench is not ready"
            time.sleep(0.05)
        yield json.loads(ready.read_text())
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=20.0)


def session(folder: Path, places: dict[str, str], *args: str) -> list[str]:
    """Command line of a session on the served bench, as on hardware."""
    options = [f"--hil-{role}={places[role]}" for role in ROLES]
    return [
        sys.executable, "-m", "pytest", "--hil-bench=hardware", f"--hil-out={folder / 'runs'}",
        *options, *args,
    ]  # fmt: skip


def ask(resource: str, query: str) -> str:
    """One SCPI query over a socket of our own."""
    _, host, port, _ = resource.split("::")
    with socket.create_connection((host, int(port)), timeout=5.0) as connection:
        connection.sendall(query.encode() + b"\n")
        return connection.makefile().readline().strip()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_the_supply_is_off_after_an_interrupt_in_mid_scenario(
    tmp_path: Path, number: signal.Signals
) -> None:
    (tmp_path / "t.plan.yaml").write_text(PLAN, encoding="utf-8")
    with served(tmp_path) as places:
        process = subprocess.Popen(
            session(tmp_path, places, "t.plan.yaml", "--hil-preflight=off"), cwd=tmp_path,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        try:
            deadline = time.monotonic() + 60.0
            while not (ask(places["supply"], "OUTP?") == "1"
                       and float(ask(places["supply"], "MEAS:CURR?")) > 0.05):  # fmt: skip
                assert process.poll() is None, process.communicate()[0]
                assert time.monotonic() < deadline, "the shaft does not turn"
                time.sleep(0.05)
            process.send_signal(number)
            struck = time.monotonic()
            while ask(places["supply"], "OUTP?") == "1":
                assert time.monotonic() - struck < 2.0, "the supply is still on"
                time.sleep(0.02)
            output, _ = process.communicate(timeout=60.0)
        finally:
            process.kill()
            process.wait()
        assert ask(places["supply"], "OUTP?") == "0"
    assert process.returncode == pytest.ExitCode.INTERRUPTED, output
    why = "Ctrl-C" if number == signal.SIGINT else f"signal {number.name}"
    assert f"interrupted: {why}" in output
    assert "the supply is off and the record is complete up to here" in output
    assert "INTERNALERROR" not in output
    (folder,) = (tmp_path / "runs").iterdir()
    record = read(folder)
    assert record.end.reason == f"interrupted: {why}"
    long, following = record.results
    assert f"interrupted: {why}, in the midst of long" in output
    assert "1 interrupted, 1 not-run" in output
    assert (long.verdict, long.reason) == (Verdict.NOT_RUN, f"interrupted: {why}")
    assert long.interrupted
    assert len(long.traces) == 1  # what there was until then
    assert any("emergency stop: supply off" in step for step in long.steps)
    assert (following.verdict, following.reason) == (Verdict.NOT_RUN, f"interrupted: {why}")
    assert ([begun.item for begun in record.interrupted], record.never_begun) == (["long"], ())
    assert record.start.simulated  # known by the identities, although reached as hardware
    for name in ("junit.xml", "report.html", "measures.csv"):
        assert (folder / name).stat().st_size > 0


def test_the_smoke_plan_passes_over_the_served_bench_at_the_pace_of_the_wall_clock(
    tmp_path: Path,
) -> None:
    """The same plan as in process: real pseudo-terminal, real sockets, real time."""
    with served(tmp_path) as places:
        plan = TESTPLANS / "smoke.plan.yaml"
        done = subprocess.run(
            session(tmp_path, places, str(plan), "-p", "no:cacheprovider"), cwd=tmp_path,
            capture_output=True, text=True, check=False, timeout=180.0,
            env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
            preexec_fn=promptly,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        assert ask(places["supply"], "OUTP?") == "0"
    (folder,) = (tmp_path / "runs").iterdir()
    record = read(folder)
    assert {result.scenario for result in record.results} == {
        "start", "reversal", "stall", "speed-step",
    }  # fmt: skip
    assert {result.verdict.value for result in record.results} == {"pass"}
    assert [who.role for who in record.end.identities] == list(ROLES)
