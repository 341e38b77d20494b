"""The simulated board through pyserial."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import serial
from serial import SerialException

from hil.twin.wires.registry import publish
from hil.twin.world import World


@pytest.fixture
def url(world: World) -> str:
    return publish(world)


@pytest.fixture
def port(url: str) -> Iterator[serial.SerialBase]:
    with serial.serial_for_url(url, baudrate=230400, timeout=0.5) as opened:
        yield opened


def test_question_and_answer(port, world: World, frame_line) -> None:
    port.write(b"id\n")
    expected = frame_line("id,DOSING-DRIVE,1.0.0,5EED0001")
    assert port.read(len(expected)) == expected
    # 3 bytes there and 35 back at 23 040 bytes a second, looked at every millisecond
    assert (3 + len(expected)) / 23040 <= world.now <= (3 + len(expected)) / 23040 + 0.0015
    assert port.read_until(b"\n") == b""


@pytest.mark.parametrize("timeout", [0.0, 0.0005, 0.1, 2.0])
def test_timeout_costs_exactly_virtual_time(port, world: World, timeout: float) -> None:
    port.timeout = timeout
    assert port.read(10) == b""
    assert world.now == pytest.approx(timeout, abs=1e-9)


def test_read_returns_what_came_at_the_timeout(port, world: World) -> None:
    port.write(b"id\n")
    data = port.read(1000)
    assert data.startswith(b"id,DOSING-DRIVE")
    assert world.now == pytest.approx(0.5, abs=1e-9)


def test_without_timeout_it_waits_for_data_but_not_for_ever(port, drive, world: World) -> None:
    port.timeout = None
    port.write(b"stream,0.5\n")
    assert port.read(60).startswith(b"done,stream")
    port.write(b"stream,0\n")
    world.advance(0.1)
    port.reset_input_buffer()
    drive.advance = lambda seconds: setattr(drive, "time", drive.time + seconds)
    with pytest.raises(SerialException, match="600 s of simulated time"):
        port.read(1)


def test_in_waiting_reset_and_read_all(port, world: World) -> None:
    assert port.in_waiting == 0
    port.write(b"id\n")
    world.advance(0.1)
    assert port.in_waiting > 30
    port.reset_input_buffer()
    assert port.in_waiting == 0
    port.write(b"stop\n")
    world.advance(0.1)
    assert port.read_all().startswith(b"done,stop*")
    port.reset_output_buffer()


def test_flush_waits_until_the_bytes_are_out(port, world: World) -> None:
    port.write(b"x" * 2304)
    assert port.out_waiting == 2304
    port.flush()
    assert world.now == pytest.approx(0.1, abs=1e-6)
    assert port.out_waiting == 0
    port.flush()
    assert world.now == pytest.approx(0.1, abs=1e-6)


def test_write_takes_any_bytes(port, drive) -> None:
    assert port.write(bytearray(b"ab")) == 2
    assert port.write(memoryview(b"cde")) == 3
    assert drive.overheard == [b"ab", b"cde"]


def test_streaming_in_virtual_time(port, world: World) -> None:
    port.write(b"stream,200\n")
    world.advance(1.0)
    lines = port.read_all().splitlines()
    assert 198 <= len(lines) <= 201
    assert all(line.count(b"*") == 1 for line in lines)


def test_what_came_before_opening_is_gone(url: str, world: World) -> None:
    with serial.serial_for_url(url, timeout=0) as port:
        port.write(b"id\n")
    world.advance(0.1)
    with serial.serial_for_url(url, timeout=0) as port:
        assert port.in_waiting == 0


def test_one_port_at_a_time(url: str, port) -> None:
    with pytest.raises(SerialException, match="already in use"):
        serial.serial_for_url(url)
    with pytest.raises(SerialException, match="already open"):
        port.open()
    port.close()
    port.close()
    with serial.serial_for_url(url) as second:
        assert second.is_open


@pytest.mark.parametrize(
    "action",
    [
        lambda port: port.read(1),
        lambda port: port.write(b"x"),
        lambda port: port.in_waiting,
        lambda port: port.out_waiting,
        lambda port: port.flush(),
        lambda port: port.reset_input_buffer(),
        lambda port: port.reset_output_buffer(),
    ],
    ids=["read", "write", "in-waiting", "out-waiting", "flush", "reset-input", "reset-output"],
)
class TestTrouble:
    def test_unplugged(self, port, world: World, action) -> None:
        world.unplug_board()
        with pytest.raises(SerialException, match="disconnected"):
            action(port)

    def test_bench_closed(self, port, world: World, action) -> None:
        world.close()
        with pytest.raises(SerialException, match="disconnected"):
            action(port)

    def test_port_closed(self, port, action) -> None:
        port.close()
        with pytest.raises(SerialException):
            action(port)


def test_unplugged_while_waiting(port, world: World) -> None:
    supply = next(iter(world.instruments.values()))
    original = supply.observe

    def observe(now: float) -> None:
        original(now)
        if now > 0.2:
            world.unplug_board()

    supply.observe = observe
    with pytest.raises(SerialException, match="disconnected"):
        port.read(1)
    assert world.now == pytest.approx(0.2, abs=0.01)


def test_plugging_in_again(url: str, port, world: World) -> None:
    world.unplug_board()
    port.close()
    with pytest.raises(SerialException, match="no such"):
        serial.serial_for_url(url)
    world.plug_board()
    with serial.serial_for_url(url, timeout=0.1) as again:
        again.write(b"stop\n")
        assert again.read(9) == b"done,stop"


@pytest.mark.parametrize("url", ["twin://nobody/board", "twin://w1/motor", "twin://"])
def test_wrong_urls(world: World, url: str) -> None:
    publish(world)
    with pytest.raises(SerialException):
        serial.serial_for_url(url)


def test_control_lines_are_accepted_and_do_nothing(url: str) -> None:
    port = serial.serial_for_url(url, do_not_open=True)
    port.dtr = port.rts = False
    port.baudrate = 115200
    port.open()
    port.rts = True
    port.break_condition = True
    port.timeout = 0.1
    assert port.cts
    assert port.dsr
    assert port.cd
    assert not port.ri
    with pytest.raises(OSError, match="descriptor"):
        port.fileno()
    port.close()
