"""A person at a real terminal, asked by a run on a served bench."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import time
from collections.abc import Iterator
from typing import Any

import pytest

from hil.core.verdict import Verdict

PLAN = """\
format: 1
plan: hand
rig: hand.yaml
scenarios:
  - id: held
    scenario: stall
    speed: 1000 rpm
    brake-torque: 1 N*m
    expect: trip
    hold: 3 s
    bands: {tripped: {exactly: 1}}
"""


class Typist:
    """The other end of the pseudo-terminal that a run is started on."""

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()
        self.seen = ""

    def wait_for(self, words: str, within: float = 60.0) -> None:
        """Wait until `words` stand on the screen, and forget what is there."""
        end = time.monotonic() + within
        while words not in self.seen:
            assert time.monotonic() < end, f"{words!r} not on the screen: {self.seen!r}"
            if select.select([self.master], [], [], 0.05)[0]:
                self.seen += os.read(self.master, 4096).decode()
        self.seen = self.seen.partition(words)[2]

    def type(self, line: str) -> None:
        os.write(self.master, f"{line}\n".encode())

    def close(self) -> None:
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def typist() -> Iterator[Typist]:
    made = Typist()
    yield made
    made.close()


def begin(hardware: Any, stdin: int, *more: str) -> None:
    folder = hardware.folder
    (folder / "hand.yaml").write_text(
        "based-on: rig.yaml\nrig: hand\nbrake: {driver: attended, answer-within: 20 s}\n",
        encoding="utf-8",
    )
    (folder / "hand.plan.yaml").write_text(PLAN, encoding="utf-8")
    options = ("--hil-preflight=off", "--hil-attended=on", "hand.plan.yaml", *more)
    hardware.run = subprocess.Popen(
        hardware.command(*options), cwd=folder, stdin=stdin,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip


def brake(hardware: Any, torque: float) -> None:
    hardware.do(lambda: hardware.served.world.drive.set_brake(torque))


def test_a_person_holds_the_shaft_and_types_the_answers(hardware: Any, typist: Typist) -> None:
    begin(hardware, typist.slave)
    typist.type("stop")  # before anybody asked: it does not count
    typist.wait_for("Hold the shaft with a tool, as firmly as 1 N*m")
    typist.wait_for("CAUTION")
    typist.wait_for("Within 20 s type one of these")
    assert hardware.on
    time.sleep(2.0)  # longer than the guard has patience with a run that stands still
    assert hardware.turning
    typist.type("perhaps")
    typist.wait_for("'perhaps': type done, cannot or stop")
    brake(hardware, 1.0)
    typist.type("done")
    typist.wait_for("operator: answered done")
    typist.wait_for("Take the tool off the shaft")
    brake(hardware, 0.0)
    typist.type("d")
    typist.wait_for("operator: answered done")
    code, output, record = hardware.finish()
    assert code == 0, output
    (found,) = record.results
    assert found.verdict is Verdict.PASS
    assert sum("operator: answered done after" in step for step in found.steps) == 2
    assert "missed" not in hardware.guard_log()
    assert not hardware.on
    assert max(map(len, output.splitlines())) < 200


def test_stop_switches_off_at_once(hardware: Any, typist: Typist) -> None:
    begin(hardware, typist.slave)
    typist.wait_for("Within 20 s type one of these")
    assert hardware.on
    typist.type("stop")
    typed = time.monotonic()
    hardware.wait(lambda: not hardware.on, 5.0, "the supply is still on")
    assert time.monotonic() - typed < 2.0
    code, output, record = hardware.finish()
    assert code == 1, output
    (found,) = record.results
    assert found.verdict is Verdict.BENCH_FAULT
    assert "operator called for an immediate stop" in found.reason


def test_a_terminal_that_closes_is_no_answer(hardware: Any) -> None:
    typist = Typist()
    begin(hardware, typist.slave)
    typist.wait_for("Within 20 s type one of these")
    typist.close()
    code, output, record = hardware.finish()
    assert code == 0, output
    assert record.results[0].verdict is Verdict.NOT_RUN
    assert not hardware.on


def test_without_a_terminal_nobody_is_asked(hardware: Any) -> None:
    begin(hardware, subprocess.DEVNULL)
    code, output, record = hardware.finish()
    assert code == 0, output
    assert record.results[0].verdict is Verdict.NOT_RUN
    assert "standard input is no terminal" in record.results[0].reason
