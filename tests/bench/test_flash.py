"""Flashing: the user's command, a board that proves what it runs, a shaft that stays still.

The command is a small program; the bench is one of stand-ins whose board is "reopened" by the test.
"""

from __future__ import annotations

import hashlib
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from hil.bench import flash as flashing
from hil.bench.flash import FlashFailed, flash, sha256_of, verify_build
from hil.core.errors import LinkTimeout
from hil.core.record import Identity
from hil.plan.load import load_rig
from hil.plan.rig import Rig

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
BUILD = Identity(role="board", model="FAKE", revision="5EED0002")


class Step:
    """A flash of `kit`'s bench with a Python program as the command."""

    def __init__(self, kit: SimpleNamespace, folder: Path) -> None:
        self.kit, self.folder = kit, folder
        self.image = folder / "image.bin"
        self.image.write_bytes(b"\x01\x02\x03")
        self.told: list[str] = []
        self.silent_for = 0  # attempts to reopen the board that fail
        self.reopened = 0
        self.identity = BUILD
        # the stand-in clock moves only by sleeping: a little real time must pass as well
        clock, sleep = kit.clock, kit.clock.sleep
        clock.sleep = lambda seconds: (sleep(seconds), __import__("time").sleep(0.001))

    def rig(self, program: str, more: str = "") -> Rig:
        file = self.folder / "rig.yaml"
        script = self.folder / "flash.py"
        script.write_text(program, encoding="utf-8")
        file.write_text(
            f"based-on: {RIG}\nrig: flashed\nboard:\n  flash:\n"
            f"    command: ['{sys.executable}', '{script}', '{{image}}', '{{board}}']\n"
            f"    watch: 0.2 s\n{more}",
            encoding="utf-8",
        )
        return load_rig(file)

    def reopen(self):
        self.reopened += 1
        if self.reopened <= self.silent_for:
            raise LinkTimeout("no answer yet")
        self.kit.board.identify = lambda: self.identity
        return self.kit.board

    def run(self, program: str, more: str = "", **given: str):
        return flash(
            self.kit.bench, self.rig(program, more), self.image, port="/dev/ttyX",
            reopen=self.reopen, tell=self.told.append, log=self.folder / "flash.log", **given,
        )  # fmt: skip


@pytest.fixture
def step(kit: SimpleNamespace, tmp_path: Path) -> Step:
    return Step(kit, tmp_path)


SAYS = "import sys\nprint('writing', sys.argv[2])\nprint(open(sys.argv[1], 'rb').read())\n"


def test_what_was_done_is_said_and_kept(step: Step) -> None:
    done = step.run(SAYS, expect_build="5eed0002")
    assert done.sha256 == hashlib.sha256(b"\x01\x02\x03").hexdigest()
    assert done.identity == BUILD
    assert step.told[:2] == ["writing /dev/ttyX", "b'\\x01\\x02\\x03'"]
    assert (step.folder / "flash.log").read_text().splitlines() == step.told[:2]
    assert "image SHA-256 039058c6f2c0cb492c533b0a4d14ef77" in str(done)
    assert "no shaft motion" in str(done)
    calls = step.kit.journal
    assert "board close" in calls  # the command had the port for itself
    assert "supply on" not in calls


def test_the_board_is_asked_until_it_answers(step: Step) -> None:
    step.silent_for = 5
    done = step.run(SAYS)
    assert step.reopened == 6
    assert done.ready_after == pytest.approx(0.5, abs=0.1)


def test_a_board_that_never_answers(step: Step) -> None:
    step.silent_for = 10**6
    with pytest.raises(FlashFailed, match="does not answer within 1 s after flashing: no answer"):
        step.run(SAYS, "    identity-within: 1 s\n")


def test_another_build_than_expected_is_refused(step: Step) -> None:
    with pytest.raises(FlashFailed, match="runs build 5EED0002, expected 5EED0003"):
        step.run(SAYS, expect_build="5EED0003")


def test_the_build_of_the_image_can_be_found_out_by_a_program(step: Step) -> None:
    command = f"    build: ['{sys.executable}', '-c', 'print(\"build\"); print(\"5EED0002\")']\n"
    step.run(SAYS, command)
    command = command.replace("5EED0002", "5EED0009")
    with pytest.raises(FlashFailed, match="expected 5EED0009"):
        step.run(SAYS, command)


@pytest.mark.parametrize(
    ("program", "said"),
    [("raise SystemExit(3)", "exit status 3"), ("pass", "prints nothing")],
)
def test_a_build_that_cannot_be_found_out(step: Step, program: str, said: str) -> None:
    command = f"    build: ['{sys.executable}', '-c', '{program}']\n"
    with pytest.raises(FlashFailed, match=f"the build of the image cannot be found out: .*{said}"):
        step.run(SAYS, command)
    assert step.told == []  # nothing was flashed


def test_a_build_in_another_encoding_is_another_build(step: Step) -> None:
    program = "import os; os.write(1, bytes([0x42, 0xfc, 0x0a]))"
    command = f"    build: ['{sys.executable}', '-c', '{program}']\n"
    with pytest.raises(FlashFailed, match="expected B\ufffd"):
        step.run(SAYS, command)


def test_a_command_that_fails_is_quoted(step: Step) -> None:
    program = "print('one'); print('no target'); raise SystemExit(4)"
    with pytest.raises(FlashFailed, match=r"ended with code 4; it said: one \| no target"):
        step.run(program)
    assert step.reopened == 0


def test_a_command_that_does_not_exist(step: Step) -> None:
    rig = step.rig(SAYS)
    assert rig.board.flash is not None
    missing = rig.board.flash.model_copy(update={"command": ("/no/such/program",)})
    rig = rig.model_copy(update={"board": rig.board.model_copy(update={"flash": missing})})
    with pytest.raises(FlashFailed, match="cannot be started"):
        flash(step.kit.bench, rig, step.image, port="p", reopen=step.reopen)


def test_a_command_that_takes_too_long_is_stopped_with_all_it_started(step: Step) -> None:
    program = (
        "import subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)'])\n"
        "print(child.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    # 0.3 s by the stand-in clock are a fraction of that in truth: let the program begin first
    step.kit.clock.sleep(0)
    with pytest.raises(FlashFailed, match="took longer than 40 s and was stopped"):
        step.run(program, "    time-limit: 40 s\n")
    if step.told:
        stat = Path(f"/proc/{step.told[0]}/stat")
        deadline = time.monotonic() + 10.0  # a killed process takes a moment to be gone
        while stat.exists() and ") Z " not in stat.read_text():
            assert time.monotonic() < deadline, "a child of the command is still running"
            time.sleep(0.02)


def test_a_shaft_that_moves_while_the_board_is_flashed(step: Step) -> None:
    step.kit.clock.at(0.1, lambda: setattr(step.kit.board, "angle", 90.0))
    with pytest.raises(FlashFailed, match=r"moved 90\.0 deg .* while the board was flashed"):
        step.run("import time; time.sleep(20)")


def test_a_shaft_that_moves_after_the_reset(step: Step) -> None:
    def reopen():
        step.kit.clock.at(0.1, lambda: setattr(step.kit.board, "angle", 90.0))
        return Step.reopen(step)

    step.reopen = reopen  # type: ignore[method-assign]
    with pytest.raises(FlashFailed, match="after the board was flashed and reset"):
        step.run(SAYS)


def test_a_board_that_needs_power_gets_it_and_loses_it_again(step: Step) -> None:
    step.run(SAYS, "    powered: true\n")
    calls = [call for call in step.kit.journal if call.startswith(("supply on", "supply off"))]
    assert calls == ["supply on", "supply off"]
    assert not step.kit.supply.on


def test_power_goes_also_when_flashing_fails(step: Step) -> None:
    with pytest.raises(FlashFailed):
        step.run("raise SystemExit(1)", "    powered: true\n")
    assert not step.kit.supply.on


def test_a_reset_cause_is_kept(step: Step) -> None:
    step.kit.board.reset_cause = "software"
    assert "reset cause software" in str(step.run(SAYS))


def test_a_rig_that_does_not_say_how(step: Step) -> None:
    with pytest.raises(FlashFailed, match=r"no board\.flash"):
        flash(step.kit.bench, load_rig(RIG), step.image, port="p", reopen=step.reopen)


def test_an_image_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FlashFailed, match="No such file"):
        sha256_of(tmp_path / "none.bin")


def test_builds_are_compared_without_regard_to_case() -> None:
    verify_build(BUILD, "")
    verify_build(BUILD, "5eed0002")
    with pytest.raises(FlashFailed, match="runs build unknown, expected x"):
        verify_build(Identity(role="board"), "x")


def test_only_whole_words_in_braces_are_filled_in() -> None:
    assert flashing._filled(("a{image}b", "{other}", "{board}"), {"image": "I", "board": "B"}) == [
        "aIb", "{other}", "B",
    ]  # fmt: skip
