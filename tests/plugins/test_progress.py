"""Progress: live on a terminal, plain lines elsewhere, never over pytest's own line."""

import io
import os
import pty
import re
import select
import subprocess
import sys
from pathlib import Path

import pytest

from hil.bench import compile_ahead
from hil.bench.observe import Latest
from hil.plugins import progress_line as module
from hil.plugins.progress_line import Progress, duration, shown
from hil.twin.drive import Drive

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
NOW = Latest(reported_speed=1990.0, witness_speed=2000.4, current=1.234, voltage=23.96)


@pytest.fixture
def moment(monkeypatch: pytest.MonkeyPatch):
    """The monotonic time that the progress line sees, to be set."""
    time = [1000.0]
    monkeypatch.setattr(module.time, "monotonic", lambda: time[0])
    return time


def made(*, live: bool, column: int = 26) -> tuple[Progress, io.StringIO]:
    stream = io.StringIO()
    return Progress(stream, live=live, column=lambda: column), stream


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0:00"), (9.6, "0:10"), (75, "1:15"), (3675, "1:01:15"), (59.7, "1:00")],
)
def test_durations(seconds: float, text: str) -> None:
    assert duration(seconds) == text


def test_a_value_that_is_missing_is_a_dash() -> None:
    assert shown(float("nan"), 2) == "-"
    assert shown(-0.5, 1) == "-0.5"


def test_the_line_has_item_step_figures_elapsed_and_time_left(moment) -> None:
    progress, _ = made(live=True)
    progress.begin("start.hall", 1, 4)
    progress.step("wait 0.8 s")
    assert progress.line(NOW, 5.0) == ("1/4 0:05 | 2000 rpm 1.23 A 24.0 V | start.hall: wait 0.8 s")
    progress.begin("reversal", 3, 4)
    assert progress.line(Latest(), 60.0) == "3/4 1:00, 1:00 left | - rpm - A - V | reversal"
    assert moment == [1000.0]


def test_before_the_first_item_there_is_neither_a_count_nor_a_time_left(moment) -> None:
    progress, _ = made(live=True)
    assert progress.line(Latest(), 7.0) == "0:07 | - rpm - A - V"
    progress.step("preflight: direction")
    assert progress.line(Latest(), 7.0) == "0:07 | - rpm - A - V | preflight: direction"
    progress.begin("start", 1, 2)
    assert progress.line(Latest(), 0.0) == "1/2 0:00 | - rpm - A - V | start"
    assert moment == [1000.0]


def test_lines_come_no_oftener_than_useful(moment) -> None:
    for live, interval in ((True, module.LIVE_INTERVAL), (False, module.PLAIN_INTERVAL)):
        progress, stream = made(live=live)
        progress.begin("s", 1, 1)
        for _ in range(120):
            moment[0] += interval / 50.0
            progress.readings(NOW)
        assert stream.getvalue().count("V | s") == 2


def test_what_took_long_before_the_first_item_calls_for_no_line_at_its_beginning(moment) -> None:
    progress, stream = made(live=False)
    moment[0] += 65.0  # a compiler at work
    progress.begin("s", 1, 2)
    progress.readings(NOW)
    assert stream.getvalue() == ""
    moment[0] += module.PLAIN_INTERVAL
    progress.readings(NOW)
    assert stream.getvalue().startswith("\n1/2 0:30 | ")


def test_plain_lines_stand_alone_and_carry_no_control_codes(moment) -> None:
    progress, stream = made(live=False)
    progress.begin("s", 1, 1)
    for _ in range(2):
        moment[0] += 31.0
        progress.readings(NOW)
    progress.clear()  # pytest writes a dot
    moment[0] += 31.0
    progress.readings(NOW)
    text = stream.getvalue()
    assert "\x1b" not in text
    assert "\r" not in text
    lines = text.split("\n")
    # a new line where pytest's own was in progress, none between two of ours
    assert [bool(line) for line in lines] == [False, True, True, False, True, False]


class Screen:
    """As much of a terminal as the progress line uses."""

    def __init__(self) -> None:
        self.lines = [""]
        self.row = self.column = 0

    def feed(self, text: str) -> None:
        for code in re.findall(r"\x1b\[\d*[A-Z]|\n|\r|[^\x1b\n\r]", text):
            if code == "\n":
                self.row, self.column = self.row + 1, 0
                if self.row == len(self.lines):
                    self.lines.append("")
            elif code == "\r":
                self.column = 0
            elif code == "\x1b[2K":
                self.lines[self.row] = ""
            elif code == "\x1b[1A":
                self.row -= 1
            elif code.startswith("\x1b["):
                self.column = int(code[2:-1]) - 1
            else:
                line = self.lines[self.row].ljust(self.column)
                self.lines[self.row] = line[: self.column] + code + line[self.column + 1 :]
                self.column += 1


def test_a_live_line_leaves_pytests_own_line_whole(moment) -> None:
    screen = Screen()
    screen.feed("t.plan.yaml ..")
    progress, stream = made(live=True, column=14)
    progress.begin("s", 1, 1)
    moment[0] += 1.0
    progress.readings(NOW)
    screen.feed(stream.getvalue())
    assert screen.lines[0] == "t.plan.yaml .."
    assert screen.lines[1].startswith("1/1 0:01 | 2000 rpm")
    assert (screen.row, screen.column) == (0, 14)
    stream.truncate(0)
    progress.clear()
    screen.feed(stream.getvalue().lstrip("\0") + ".F")
    assert screen.lines == ["t.plan.yaml ...F", ""]


def test_a_live_line_is_cut_to_the_width_of_the_terminal(moment, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    progress, stream = made(live=True)
    progress.begin("a-very-long-name-of-an-item.with.many.conditions", 10, 100)
    moment[0] += 1.0
    progress.readings(NOW)
    shown_line = re.sub(r"\x1b\[\d*[A-Z]", "", stream.getvalue()).strip()
    assert len(shown_line) <= 39
    assert "2000 rpm" in shown_line  # the figures stay, the name is cut


def test_clearing_what_is_not_shown_writes_nothing() -> None:
    for live in (True, False):
        progress, stream = made(live=live)
        progress.clear()
        assert stream.getvalue() == ""


# -- the first run ------------------------------------------------------------------------


@pytest.mark.parametrize("options", [(), ("-q",)])
def test_the_simulated_motor_is_compiled_before_the_first_item_and_not_in_its_time(
    lab, monkeypatch, options
) -> None:
    begun: list[int] = []
    monkeypatch.setattr(compile_ahead, "compiled_before", lambda: bool(begun))
    real = Drive.advance

    def advance(drive: Drive, seconds: float) -> None:
        begun.append(len(lab.worlds))  # benches opened so far: one an item
        real(drive, seconds)

    monkeypatch.setattr(Drive, "advance", advance)
    result = lab.run(lab.plan(), *options)
    assert result.ret == 0
    assert begun[0] == 0
    lines = result.outlines
    where = lines.index(compile_ahead.SAID)
    assert lines.count(compile_ahead.SAID) == 1
    assert any(line.startswith("bench: ") for line in lines[:where])
    assert not any(line.startswith(("t.plan.yaml", ".")) for line in lines[:where])

    again = lab.run(lab.plan(), *options)
    assert compile_ahead.SAID not in again.outlines


# -- on a real pseudo-terminal ------------------------------------------------------------

SLOW = """\
format: 1
plan: t
rig: {rig}
scenarios:
  - id: s
    scenario: start
    speed: 1000 rpm
    hold: {hold} s
    bands: {{success: {{exactly: 1}}}}
"""


def on_terminal(folder: Path, hold: float, **environment: str) -> str:
    """What a person sees: the bytes a session writes to a terminal of 80 columns."""
    (folder / "t.plan.yaml").write_text(SLOW.format(rig=RIG, hold=hold), encoding="utf-8")
    master, slave = pty.openpty()
    try:
        process = subprocess.Popen(
            [sys.executable, "-m", "pytest", "t.plan.yaml", "--hil-bench=twin", "--hil-out=runs"],
            cwd=folder,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env={**os.environ, "COLUMNS": "80", "PYTHONDONTWRITEBYTECODE": "1", **environment},
        )
        os.close(slave)
        slave = -1
        data = b""
        while select.select([master], [], [], 60.0)[0]:
            try:
                piece = os.read(master, 65536)
            except OSError:  # the other end was closed
                break
            if not piece:
                break
            data += piece
        assert process.wait(timeout=30.0) == 0, data.decode()
    finally:
        os.close(master)
        if slave >= 0:
            os.close(slave)
    return data.decode()


def test_on_a_terminal_progress_is_live_and_gone_at_the_end(tmp_path: Path) -> None:
    text = on_terminal(tmp_path, 200, TERM="xterm", NO_COLOR="1")
    live = [part for part in text.split("\x1b[2K") if re.match(r"1/1 \d:\d\d \| ", part)]
    assert len(live) >= 2
    assert all(len(part.split("\x1b")[0]) <= 79 for part in live)
    assert re.search(r"1/1 0:0\d \| \d+ rpm \d\.\d\d A 2\d\.\d V \| s: wait 200 s", text)
    assert not re.search(r"\x1b\[[\d;]*m", text), "colour although NO_COLOR is set"
    screen = Screen()
    screen.feed(text.replace("\r\n", "\n"))
    (mine,) = [line for line in screen.lines if line.startswith("t.plan.yaml")]
    assert re.fullmatch(r"t\.plan\.yaml \. +\[100%\]", mine)
    assert not [line for line in screen.lines if line.startswith("1/1")]


def test_a_dumb_terminal_gets_no_control_codes(tmp_path: Path) -> None:
    text = on_terminal(tmp_path, 0.2, TERM="dumb", NO_COLOR="1")
    assert "\x1b[" not in text
