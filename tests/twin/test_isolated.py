"""Firmware in a process of its own: the same motor, and whatever it does is told, not suffered."""

from __future__ import annotations

import gc
import os
import re
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from hil.twin import firmware_client, library
from hil.twin.drive import Drive
from hil.twin.isolated import IsolatedFirmware
from hil.twin.parameters import DriveParameters

QUIET = ["-O0", "-w"]  # as written: the compiler must not reason a crash away
PATIENCE = 0.6


@pytest.fixture
def board(firmware_c, tmp_path):
    """``board(period=...)``: a drive with a tiny firmware in its own process, supply on."""
    made = []

    def make(isolated=True, patience=PATIENCE, **bodies):
        path = library.build([firmware_c(**bodies)], flags=QUIET, folder=tmp_path / "kept")
        firmware = (
            IsolatedFirmware.load(path, "tiny", patience=patience)
            if isolated
            else library.load(path, "tiny")
        )
        drive = Drive(DriveParameters(), firmware, seed=1)
        made.append(drive)
        drive.set_supply(24.0, 10.0, True)
        return drive

    yield make
    for drive in made:
        drive.close()


def after(seconds: float, body: str) -> str:
    return f"if (now >= {seconds} - 1e-9) {{ {body} }}"


def descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def children() -> set[int]:
    """Processes below the firmware server of this process, running or not yet waited for."""
    server = firmware_client.server()
    found = Path(f"/proc/{server._process.pid}/task/{server._process.pid}/children").read_text()
    return {int(one) for one in found.split()}


def test_the_motor_turns_to_the_last_digit_as_it_does_in_this_process(board):
    ends = []
    for isolated in (True, False):
        drive = board(isolated)
        drive.feed(b"start,1\n")
        said = b""
        for _ in range(30):
            drive.advance(0.01)
            said += drive.drain()
        ends.append((drive.angle_deg, drive.speed_rpm, drive.dc_link_voltage, drive.steps, said))
        assert drive.firmware_fault == ""
        assert drive.speed_rpm > 1000
    assert ends[0] == ends[1]


CRASHES = {
    "a null pointer": (
        "*(volatile int *)8 = 1;",
        r"port_period crashed with SIGSEGV \(segmentation fault\)",
    ),
    "a division by zero": (
        # some processors just return a number
        "{ volatile int q = 1000 / zero; (void)q; raise(SIGFPE); }",
        r"port_period crashed with SIGFPE \(floating point exception\)",
    ),
    "abort": ("abort();", r"port_period crashed with SIGABRT \(aborted\)"),
    "endless recursion": (
        "{ volatile char room[4096]; room[1] = 1; port_period(in, o); room[2] = 2; }",
        r"port_period crashed with SIGSEGV \(segmentation fault\)",
    ),
    "exit": ("exit(3);", "port_period ended its process with exit code 3"),
    "an illegal instruction": (
        "__builtin_trap();",
        r"port_period crashed with SIG(ILL|TRAP|ABRT) \(.*\)",
    ),
}


@pytest.mark.parametrize("name", CRASHES)
def test_a_crash_is_named_with_its_function_and_its_motor_time(board, name):
    body, text = CRASHES[name]
    drive = board(top="#include <signal.h>", period=after(0.0123, body))
    drive.feed(b"start,1\n")
    drive.advance(0.05)
    assert re.search(rf"^tiny: {text}, at 0\.01230\d s; all gates off", drive.firmware_fault)


def test_what_a_failed_assertion_prints_is_passed_on(board):
    drive = board(top="#include <assert.h>", period=after(0.002, 'assert(!"duty in range");'))
    drive.advance(0.01)
    assert "SIGABRT" in drive.firmware_fault
    assert "it printed: " in drive.firmware_fault
    assert 'Assertion `!"duty in range"\' failed' in drive.firmware_fault


@pytest.mark.parametrize(
    ("hole", "function"),
    [("receive", "port_receive"), ("transmit", "port_transmit"), ("reset", "port_reset")],
)
def test_the_function_that_crashed_is_named(board, hole, function):
    drive = board(**{hole: "abort();"})
    drive.feed(b"id\n")
    drive.advance(0.01)
    assert re.match(rf"tiny: {function} crashed with SIGABRT", drive.firmware_fault)


def test_an_endless_loop_is_ended(board):
    drive = board(period=after(0.0123, "for (;;) zero = 0;"))
    drive.advance(0.05)
    assert re.match(
        r"tiny: port_period did not return within 0.6 s \(an endless loop\?\), at 0.01230\d s",
        drive.firmware_fault,
    )


def test_slow_firmware_is_not_taken_for_an_endless_loop(board):
    """Each order takes longer than the patience, no single period does."""
    drive = board(
        top="#define _POSIX_C_SOURCE 199309L\n#include <time.h>\n",
        period="{ struct timespec t = {0, 20000000}; nanosleep(&t, 0); }",
        patience=0.3,
    )
    drive.advance(0.0015)  # 30 periods of 20 ms wall-clock time each
    assert drive.firmware_fault == ""


def test_a_signal_handler_may_use_the_bench_in_the_middle(board):
    drive = board(
        top="#define _POSIX_C_SOURCE 199309L\n#include <time.h>\n",
        period=after(0.01, "{ struct timespec t = {0, 2000000}; nanosleep(&t, 0); }"),
        patience=1.0,
    )
    drive.advance(0.009)

    def use(_number, _frame):
        drive.set_supply(0.0, 0.0, False)
        drive.advance(0.0005)

    former = signal.signal(signal.SIGALRM, use)
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.05)
        drive.advance(0.006)  # takes 0.2 s of wall-clock time
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, former)
    drive.advance(0.001)
    assert drive.firmware_fault == ""
    assert not drive.supply_on


def test_an_interrupt_between_order_and_answer_does_no_harm(board):
    drive = board(
        top="#define _POSIX_C_SOURCE 199309L\n#include <time.h>\n",
        period=after(0.01, "{ struct timespec t = {0, 2000000}; nanosleep(&t, 0); }"),
        patience=5.0,
    )
    drive.advance(0.009)

    def interrupt(_number, _frame):
        raise KeyboardInterrupt

    former = signal.signal(signal.SIGALRM, interrupt)
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.05)
        with pytest.raises(KeyboardInterrupt):
            drive.advance(0.011)  # takes 0.4 s of wall-clock time
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, former)
    drive.set_brake(0.1)
    periods = []
    for _ in range(3):
        drive.advance(0.0005)
        periods.append(int(drive._state["periods"]))
    assert drive.firmware_fault == ""
    assert np.diff(periods).tolist() == [10, 10]


def test_physics_goes_on_without_the_firmware(board):
    drive = board(period=after(0.3, "abort();"))
    drive.feed(b"start,1\nstream,200\n")
    drive.advance(0.29)
    turning = drive.speed_rpm
    assert turning > 1000
    assert any(drive.phase_currents)
    drive.drain()
    drive.shaft_samples()
    drive.advance(0.2)
    assert drive.time == pytest.approx(0.49)
    assert drive.phase_currents == (0.0, 0.0, 0.0)
    assert 0.0 < drive.speed_rpm < turning
    time, _, speed = drive.shaft_samples()
    assert np.allclose(np.diff(time), 0.001)
    assert time[-1] == pytest.approx(0.49)
    assert np.all(np.diff(speed[-150:]) < 0)
    assert drive.drain().count(b"\nt,") >= 1  # what was sent before
    drive.advance(0.2)
    assert drive.drain() == b""


def test_a_reset_brings_a_dead_board_back(board):
    drive = board(receive=after(0.1, "abort();"))
    drive.advance(0.11)
    drive.feed(b"id\n")
    drive.advance(0.01)
    assert "SIGABRT" in drive.firmware_fault
    drive.restart_board()
    assert drive.firmware_fault == ""
    drive.feed(b"id\n")
    drive.advance(0.01)
    assert b"id,DOSING-DRIVE" in drive.drain()
    drive.advance(0.1)
    drive.feed(b"id\n")
    drive.advance(0.01)
    assert re.search(r"SIGABRT \(aborted\), at 0\.230", drive.firmware_fault)


@pytest.mark.parametrize("isolated", [True, False])
@pytest.mark.parametrize(
    ("body", "text"),
    [
        ("o->drive[0] = LEG_SYNC; o->duty[0] = NAN;", r"duty nan on leg A, expected 0 to 1"),
        ("o->drive[1] = LEG_ASYNC; o->duty[1] = 1.01f;", r"duty 1.01 on leg B, expected 0 to 1"),
        ("o->drive[2] = 9;", r"drive value 9 on leg C, expected 0, 1 or 2"),
    ],
)
def test_nonsense_at_the_gates_is_named(board, isolated, body, text):
    drive = board(isolated, period=after(0.05, body))
    drive.feed(b"start,1\n")
    drive.advance(0.1)
    assert re.match(rf"tiny: {text}, at 0\.05000\d s; all gates off", drive.firmware_fault)
    assert drive.phase_currents == (0.0, 0.0, 0.0)


def test_more_bytes_than_there_is_room_for_is_a_fault(board):
    drive = board(transmit="if (now > 0.01) return capacity + 1;")
    drive.advance(0.05)
    assert re.match(
        r"tiny: port_transmit wrote more bytes than it was given room for, at 0.0100",
        drive.firmware_fault,
    )


def test_writing_far_beyond_the_buffer_is_a_crash_of_the_firmware(board):
    drive = board(transmit="if (now > 0.01) memset(bytes, 1, 1 << 24);")
    drive.advance(0.05)
    assert "port_transmit crashed with SIGSEGV" in drive.firmware_fault


def test_a_babbling_firmware_gets_no_more_than_the_baud_rate_carries(board):
    drive = board(transmit="memset(bytes, 'x', (size_t)capacity); return capacity;")
    got = 0
    for _ in range(50):
        drive.advance(0.01)
        got += len(drive.drain())
    assert drive.firmware_fault == ""
    assert got == pytest.approx(0.5 * 23_040, rel=0.02)
    assert got <= 0.5 * 23_040


def test_each_board_has_a_process_and_variables_of_its_own(board):
    before = children()
    first, second = board(), board()
    assert len(children() - before) == 2
    first.feed(b"start,1\n")
    first.advance(0.3)
    second.advance(0.3)
    assert first.speed_rpm > 1000
    assert second.speed_rpm == 0.0
    os.kill(first.firmware.host._line.pid, signal.SIGKILL)
    first.advance(0.01)
    second.advance(0.01)
    assert "SIGKILL" in first.firmware_fault
    assert second.firmware_fault == ""


def test_resets_are_told(board):
    drive = board(end="int port_resets(void) { return (int)(now * 1000); }")
    drive.advance(0.02001)
    assert drive.firmware.host.resets() in (19, 20)
    other = board()
    assert other.firmware.host.resets() is None


def test_nothing_is_left_behind(board, firmware_c, tmp_path):
    board().close()  # whatever is set up once
    gc.collect()
    open_before, boards_before = descriptors(), children()
    files_before = set(Path(library.tempfile.gettempdir()).glob("firmware-*"))
    for body in ("", "abort();", "for (;;) zero = 0;"):
        path = library.build(
            [firmware_c(period=after(0.001, body))], flags=QUIET, folder=tmp_path / "kept"
        )
        firmware = IsolatedFirmware.load(path, patience=0.2)
        drive = Drive(DriveParameters(), firmware, seed=1)
        drive.advance(0.01)
        drive.close()
        drive.close()
    del drive, firmware
    gc.collect()
    assert children() == boards_before
    assert descriptors() == open_before
    deadline = time.monotonic() + 10.0  # other tests load firmware too, for a moment
    while left := set(Path(library.tempfile.gettempdir()).glob("firmware-*")) - files_before:
        assert time.monotonic() < deadline, left
        time.sleep(0.02)


def test_a_server_that_was_killed_is_replaced(board):
    drive = board()
    process = firmware_client.server()._process  # asked again, it may be another one already
    process.kill()
    process.wait()
    drive.advance(0.01)
    other = board()
    other.advance(0.01)
    assert other.firmware_fault == ""
