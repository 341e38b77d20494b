"""Virtual time, order of events, and the faults a bench can have."""

from __future__ import annotations

import itertools
import math
import threading
import time

import numpy as np
import pytest
import pyvisa
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.errors import BenchError, FirmwareError
from hil.ports.clock import Clock
from hil.twin.instruments.base import SimulatedInstrument
from hil.twin.wires.visa import visa_library
from hil.twin.world import BOARD_BUFFER, VirtualClock, World

SUPPLY, TACHOMETER = (f"TCPIP0::127.0.0.1::{port}::SOCKET" for port in (5025, 5026))


class Witness(SimulatedInstrument):
    """Notes when it is looked at and asks to act at given times."""

    def __init__(self, *due: float) -> None:
        super().__init__("witness", "SIM-WITNESS")
        self.looks: list[float] = []
        self.pending = sorted(due)
        self.acted: list[float] = []

    def observe(self, now: float) -> None:
        self.looks.append(now)
        while self.pending and self.pending[0] <= now:
            self.pending.pop(0)
            self.acted.append(now)

    def due(self) -> float:
        return self.pending[0] if self.pending else math.inf


def test_time_moves_by_what_is_asked(world: World, drive) -> None:
    assert world.now == 0.0
    world.advance(0.25)
    assert world.now == pytest.approx(0.25, abs=1e-12)
    assert drive.time == pytest.approx(0.25, abs=1e-9)
    world.advance(0.0)
    assert world.now == pytest.approx(0.25, abs=1e-12)


@pytest.mark.parametrize("seconds", [-1e-9, math.nan, math.inf])
def test_time_moves_forward_only(world: World, seconds: float) -> None:
    with pytest.raises(ValueError, match="forward"):
        world.advance(seconds)


def test_steps_smaller_than_a_period_add_up(world: World, drive) -> None:
    for _ in range(10_000):
        world.advance(17e-6)
    assert world.now == pytest.approx(0.17, abs=1e-9)
    assert drive.time == pytest.approx(world.now, abs=50e-6)


def test_instruments_look_after_every_slice(drive) -> None:
    witness = Witness()
    world = World(drive, {"w": witness}, slice_time=0.004)
    world.advance(0.01)
    np.testing.assert_allclose(witness.looks, [0.004, 0.008, 0.01])


def test_what_is_due_happens_on_time(drive) -> None:
    witness = Witness(0.0013, 0.0061, 0.0062)
    world = World(drive, {"w": witness}, slice_time=0.004)
    world.advance(0.01)
    np.testing.assert_allclose(witness.acted, [0.0013, 0.0061, 0.0062])


def test_slice_time_must_be_positive(drive) -> None:
    with pytest.raises(ValueError, match="slice_time"):
        World(drive, {}, slice_time=0.0)


@settings(deadline=None, max_examples=25)
@given(pieces=st.lists(st.floats(0.0, 0.05), min_size=1, max_size=20))
def test_same_calls_same_results(make_world, pieces: list[float]) -> None:
    def run() -> tuple[str, bytes, float]:
        world, drive = make_world(seed=5)
        supply, tachometer = world.instruments[SUPPLY], world.instruments[TACHOMETER]
        supply.execute("CURR 5;VOLT 24;:OUTP ON")
        tachometer.execute("INIT")
        world.send(b"stream,200\nstart,1500\n")
        for piece in pieces:
            world.advance(piece)
        found = supply.execute("MEAS:VOLT?;:MEAS:CURR?") + tachometer.execute("FETC:ARR?")
        return found, world.receive(), drive.angle

    assert run() == run()


def test_instruments_look_after_every_slice_of_what_was_slept_through(drive) -> None:
    witness = Witness()
    world = World(drive, {"w": witness}, slice_time=0.004)
    clock = VirtualClock(world)
    for _ in range(10):
        clock.sleep(0.003)
    world.waiting()
    assert np.diff([0.0, *witness.looks]).max() <= 0.004 + 1e-9
    assert witness.looks[-1] == pytest.approx(0.03)


def test_what_is_due_during_a_sleep_happens_on_time(drive) -> None:
    witness = Witness(0.0013, 0.0061)
    clock = VirtualClock(World(drive, {"w": witness}, slice_time=0.004))
    for _ in range(5):
        clock.sleep(0.002)
    np.testing.assert_allclose(witness.acted, [0.0013, 0.0061])


def test_what_is_due_as_a_sleep_ends_is_not_put_off_by_the_next_one(drive) -> None:
    witness = Witness(0.0015)
    clock = VirtualClock(World(drive, {"w": witness}))
    clock.sleep(0.0015)
    clock.sleep(0.02)
    assert witness.acted == [0.0015]
    assert drive.time == pytest.approx(0.0015)  # and nothing was simulated that need not be


@given(
    sleeps=st.lists(st.sampled_from([0.001, 0.002, 0.003, 0.05, 0.0625]), min_size=1, max_size=12),
    at=st.integers(0, 11),
    looks=st.booleans(),
)
def test_what_is_due_between_or_at_the_ends_of_sleeps_happens_when_it_is_due(
    make_world, sleeps: list[float], at: int, looks: bool
) -> None:
    _, drive = make_world()
    ends = list(itertools.accumulate(sleeps))
    due = sorted({ends[at % len(ends)], 0.5 * ends[-1], ends[-1]})
    witness = Witness(*due)
    world = World(drive, {"w": witness})
    clock = VirtualClock(world)
    for seconds in sleeps:
        clock.sleep(seconds)
        if looks:
            world.waiting()
    assert witness.acted == pytest.approx(due, abs=1e-12)


@pytest.mark.parametrize("seconds", [math.nan, math.inf])
def test_a_clock_moves_forward_only(world: World, seconds: float) -> None:
    with pytest.raises(ValueError, match="forward"):
        world.pass_by(seconds)


def test_the_clock_of_a_closed_bench_stands(world: World) -> None:
    world.close()
    with pytest.raises(BenchError, match="closed"):
        VirtualClock(world).sleep(0.001)


def test_virtual_clock(world: World) -> None:
    clock = VirtualClock(world)
    assert isinstance(clock, Clock)
    clock.sleep(0.3)
    clock.sleep(-1.0)
    assert clock.now() == world.now == pytest.approx(0.3, abs=1e-12)


def test_firmware_that_fails_is_told_once_by_the_wait_after(world: World, drive) -> None:
    clock = VirtualClock(world)
    clock.sleep(0.1)
    drive.firmware_fault = "mine: port_period crashed"
    with pytest.raises(FirmwareError, match="mine: port_period crashed"):
        clock.sleep(0.1)
    assert world.now == pytest.approx(0.1)  # no time passed: the bench may look first
    clock.sleep(0.1)
    assert world.now == pytest.approx(0.2)
    drive.firmware_fault = ""
    clock.sleep(0.0)
    drive.firmware_fault = "mine: another"
    with pytest.raises(FirmwareError, match="another"):
        clock.sleep(0.0)


def test_board_line(world: World, frame_line) -> None:
    world.send(b"id\n")
    assert world.waiting() == 0
    world.advance(0.01)
    expected = frame_line("id,DOSING-DRIVE,1.0.0,5EED0001")
    assert world.waiting() == len(expected)
    assert world.receive(3) == expected[:3]
    assert world.receive() == expected[3:]
    assert world.receive() == b""


def test_bytes_nobody_reads_are_bounded_and_the_oldest_go(world: World) -> None:
    world.send(b"stream,400\n")
    world.advance(8.0)
    data = world.receive(10 * BOARD_BUFFER)
    assert len(data) == BOARD_BUFFER
    last = data.splitlines()[-1].split(b",")
    assert int(last[2]) == pytest.approx(8.0e6, abs=5e3), "the newest frames are kept"


def test_faults_of_the_bench(world: World) -> None:
    assert world.board_present
    world.unplug_board()
    assert not world.board_present
    world.plug_board()
    assert world.board_present
    assert world.reachable(SUPPLY)
    world.unplug_instrument(SUPPLY)
    assert not world.reachable(SUPPLY)
    assert world.reachable(TACHOMETER)
    world.plug_instrument(SUPPLY)
    assert world.reachable(SUPPLY)
    with pytest.raises(KeyError):
        world.unplug_instrument("GPIB0::1::INSTR")
    assert not world.reachable("GPIB0::1::INSTR")


def test_a_silent_board(world: World, drive) -> None:
    world.board_silent = True
    world.send(b"id\n")
    world.advance(0.1)
    assert world.receive() == b""
    assert drive.overheard == []
    world.board_silent = False
    world.send(b"id\n")
    world.advance(0.1)
    assert world.receive().startswith(b"id,DOSING-DRIVE")


@pytest.mark.parametrize("pieces", [1, 7])
@pytest.mark.parametrize("every", [1, 5, 97])
def test_a_disturbed_line(make_world, every: int, pieces: int) -> None:
    def record(flip: int) -> bytes:
        world, _ = make_world()
        world.send(b"stream,100\n")
        world.disturb_board(flip)
        for _ in range(pieces):
            world.advance(0.7 / pieces)
        return world.receive()

    clean, noisy = record(0), record(every)
    assert len(clean) == len(noisy) > 1000
    wrong = [at for at, (a, b) in enumerate(zip(clean, noisy, strict=True)) if a != b]
    assert wrong == list(range(every - 1, len(clean), every))


@pytest.mark.parametrize("way", ["advance", "pass_by"])
def test_two_threads_do_not_get_in_each_others_way(world: World, drive, way: str) -> None:
    library = visa_library(world)
    manager = pyvisa.ResourceManager(library)
    supply = manager.open_resource(SUPPLY, read_termination="\n", write_termination="\n")
    failures: list[BaseException] = []

    def guard() -> None:
        try:
            for _ in range(200):
                assert supply.query("OUTP?") in {"0", "1"}
        except BaseException as error:
            failures.append(error)

    thread = threading.Thread(target=guard)
    thread.start()
    for _ in range(200):
        world.send(b"stop\n")
        before = world.now
        getattr(world, way)(0.003)
        assert world.now >= before + 0.003 - 1e-9
    thread.join(20.0)
    assert not failures
    assert not thread.is_alive()
    world.advance(0.1)
    assert world.receive().count(b"done,stop*") == 200
    assert drive.time == pytest.approx(world.now, abs=60e-6)
    manager.close()


def test_closing_lets_go_of_the_firmware(world: World, drive) -> None:
    world.close()
    assert drive.closed


def test_closing_switches_off(world: World, drive) -> None:
    world.instruments[SUPPLY].execute("CURR 5;VOLT 24;:OUTP ON")
    world.instruments["TCPIP0::127.0.0.1::5027::SOCKET"].execute("TORQ 1")
    world.close()
    world.close()
    assert not drive.on
    assert drive.brake == 0.0
    assert not world.reachable(SUPPLY)
    assert not world.board_present
    with pytest.raises(BenchError, match="closed"):
        world.advance(0.1)


def test_a_signal_handler_may_use_the_bench_in_the_middle(world: World, drive) -> None:
    # a handler runs between two steps of `advance`; here from the observe hook
    supply = world.instruments[SUPPLY]
    original, calls = supply.observe, []

    def observe(now: float) -> None:
        original(now)
        if not calls:
            calls.append(now)
            world.advance(0.02)
            supply.execute("OUTP OFF")

    supply.observe = observe
    world.advance(0.01)
    assert world.now == pytest.approx(0.03, abs=1e-9)
    assert drive.time == pytest.approx(world.now, abs=1e-9)


def test_overhead_is_small_against_real_time(world: World, drive) -> None:
    """The bench around the drive must allow 200 times real time: 50 us for 10 ms."""
    drive.advance = lambda seconds: setattr(drive, "time", drive.time + seconds)
    world.advance(1.0)
    best = math.inf
    for _ in range(5):
        start = time.perf_counter()
        for _ in range(100):
            world.advance(0.01)
        best = min(best, time.perf_counter() - start)
    assert 1.0 / best > 200.0
