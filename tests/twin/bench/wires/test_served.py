"""The served bench through a real pseudo-terminal and real TCP sockets.

Time limits here are generous: they end a test that hangs, they do not judge speed.
"""

from __future__ import annotations

import itertools
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import pytest
import pyvisa
import serial

from hil.core.errors import BenchError
from hil.twin.wires.served import Served, serve_in_thread, wanted_port
from hil.twin.world import World

ROLES = ("supply", "tachometer", "brake", "switch")
PATIENCE = 20.0  # s


def open_files() -> set[str]:
    found = set()
    for entry in Path("/proc/self/fd").iterdir():
        with suppress(FileNotFoundError):  # the one that lists the folder
            found.add(f"{entry.name}:{entry.readlink()}")
    return found


@contextmanager
def serving(world: World) -> Iterator[Served]:
    with Served(world) as served:
        thread = serve_in_thread(served)
        try:
            yield served
        finally:
            served.stop()
            thread.join(PATIENCE)
            assert not thread.is_alive()


@pytest.fixture
def served(world: World) -> Iterator[Served]:
    with serving(world) as found:
        yield found


@pytest.fixture
def manager() -> Iterator[pyvisa.ResourceManager]:
    opened = pyvisa.ResourceManager("@py")
    yield opened
    opened.close()


@pytest.fixture
def instrument(served: Served, manager) -> Iterator[Callable[..., pyvisa.resources.Resource]]:
    with ExitStack() as opened:

        def open_one(role: str, timeout: int = 5000):
            return opened.enter_context(
                manager.open_resource(
                    served.resources[role],
                    read_termination="\n",
                    write_termination="\n",
                    timeout=timeout,
                )
            )

        yield open_one


def board_of(served: Served, **settings) -> serial.Serial:
    settings = {"baudrate": 230400, "timeout": 5.0, **settings}
    return serial.serial_for_url(served.board, **settings)


def test_every_instrument_answers_through_pyvisa_py(instrument) -> None:
    models = [instrument(role).query("*IDN?").split(",")[1] for role in ROLES]
    assert models == ["SIM-SUPPLY", "SIM-TACHO", "SIM-BRAKE", "SIM-SWITCH"]


def test_set_points_measurement_and_errors_over_tcp(instrument, drive) -> None:
    supply = instrument("supply")
    supply.write("CURR 5;VOLT:PROT 30;:VOLT 24;:OUTP ON")
    assert supply.query("OUTP?;VOLT?") == "1;2.400000E+01"
    assert float(supply.query("MEAS:VOLT?")) == pytest.approx(24.0, abs=0.02)
    supply.write("VOLT 99")
    assert supply.query("SYST:ERR?").startswith('-222,"Data out of range')
    assert drive.voltage == 24.0


def test_the_board_answers_on_the_terminal(served: Served, frame_line) -> None:
    with board_of(served) as port:
        port.write(b"id\n")
        assert port.read_until(b"\n") == frame_line("id,DOSING-DRIVE,1.0.0,5EED0001")


def test_the_terminal_is_raw(served: Served, drive) -> None:
    with board_of(served, timeout=0.2) as port:
        data = bytes(range(256)).replace(b"\n", b"")
        port.write(data)
        assert port.read(10) == b"", "nothing is echoed"
    assert b"".join(drive.overheard) == data


def test_the_board_can_be_opened_again(served: Served) -> None:
    for _ in range(3):
        with board_of(served, exclusive=True) as port:
            port.write(b"stop\n")
            assert port.read_until(b"\n").startswith(b"done,stop*")


def test_streaming_and_turning(served: Served, instrument, drive) -> None:
    supply, tachometer = instrument("supply"), instrument("tachometer")
    supply.write("CURR 5;VOLT 24;:OUTP ON")
    tachometer.write("INIT")
    with board_of(served) as port:
        port.write(b"stream,200\nstart,1200\n")
        lines = [port.read_until(b"\n") for _ in range(122)]
    telemetry = [line.split(b",") for line in lines if line.startswith(b"t,")]
    assert len(telemetry) >= 119
    assert [int(f[1]) for f in telemetry] == list(range(len(telemetry))), "no frame is lost"
    steps = [int(b[2]) - int(a[2]) for a, b in itertools.pairwise(telemetry)]
    assert set(steps) <= {4999, 5000, 5001}, "frames are 5 ms of board time apart"
    values = tachometer.query_ascii_values("FETC:ARR?")
    assert len(values) >= 3 * 500
    assert values[-1] == pytest.approx(drive.speed, abs=10.0)


def test_several_clients_on_one_instrument(served: Served) -> None:
    host, port = "127.0.0.1", int(served.resources["supply"].split("::")[2])
    with ExitStack() as stack:
        clients = [
            stack.enter_context(socket.create_connection((host, port), PATIENCE)) for _ in range(3)
        ]
        for number, client in enumerate(clients):
            client.sendall(b"*ID" if number else b"*OPC?\n")
        for client in clients[1:]:
            client.sendall(b"N?\n")
        answers = [client.makefile("rb").readline() for client in clients]
        assert answers[0] == b"1\n"
        assert all(answer.startswith(b"GREENHOUSE BENCH,SIM-SUPPLY") for answer in answers[1:])
        clients[0].close()
        clients[1].sendall(b"SYST:VERS?\n")
        assert clients[1].makefile("rb").readline() == b"1999.0\n"


def test_a_client_that_vanishes_leaves_the_others_alone(served: Served, instrument) -> None:
    port = int(served.resources["supply"].split("::")[2])
    for _ in range(20):
        rude = socket.create_connection(("127.0.0.1", port), PATIENCE)
        rude.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")  # reset on close
        rude.sendall(b"*IDN?\n" * 50)
        rude.close()
    assert "SIM-SUPPLY" in instrument("supply").query("*IDN?")


def test_a_client_that_never_reads_is_cut_off(served: Served, instrument) -> None:
    port = int(served.resources["tachometer"].split("::")[2])
    with socket.create_connection(("127.0.0.1", port), PATIENCE) as deaf:
        deaf.settimeout(PATIENCE)
        with pytest.raises((ConnectionResetError, BrokenPipeError)):
            deaf.sendall(b"*IDN?\n" * 20_000_000)
    assert "SIM-TACHO" in instrument("tachometer").query("*IDN?")


def test_silence_times_out(instrument) -> None:
    supply = instrument("supply", timeout=100)
    supply.write("CURR 1")
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        supply.read()


def test_an_instrument_off_the_network(served: Served, world: World) -> None:
    name = next(iter(world.instruments))
    world.unplug_instrument(name)
    port = int(served.resources["supply"].split("::")[2])
    with socket.create_connection(("127.0.0.1", port), PATIENCE) as client:
        client.settimeout(PATIENCE)
        assert client.recv(10) == b""


def test_an_unplugged_board_is_silent(served: Served, world: World, drive) -> None:
    world.unplug_board()
    with board_of(served, timeout=0.3) as port:
        port.write(b"id\n")
        assert port.read(1) == b""
    assert drive.overheard == []


class StepClock:
    """A wall clock that the test moves on; each look costs nothing."""

    def __init__(self) -> None:
        self.time = 100.0

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds


def done_by(served: Served, action: Callable[[], object]) -> None:
    """Have the serving thread do it, and wait until it has."""
    done = threading.Event()
    served.call(lambda: (action(), done.set()))
    assert done.wait(PATIENCE)


def test_what_is_asked_of_it_is_done_by_the_thread_that_serves(served: Served) -> None:
    found: list[str] = []
    for number in range(5):
        done_by(served, lambda n=number: found.append(f"{n} {threading.current_thread().name}"))
    assert found == [f"{number} simulated bench" for number in range(5)]


def test_connections_to_one_instrument_can_be_cut_off(served: Served, instrument) -> None:
    supply, tachometer = instrument("supply"), instrument("tachometer")
    assert supply.query("*IDN?")
    assert tachometer.query("*IDN?")
    done_by(served, lambda: served.cut_off("supply"))
    with pytest.raises((pyvisa.errors.VisaIOError, OSError)):
        supply.query("*IDN?")
    assert "SIM-TACHO" in tachometer.query("*IDN?")
    assert "SIM-SUPPLY" in instrument("supply").query("*IDN?")  # a new one is accepted


def test_the_board_can_vanish_and_come_back_on_another_terminal(served: Served, frame_line) -> None:
    with board_of(served) as port:
        done_by(served, served.unplug_board)
        with pytest.raises((serial.SerialException, OSError)):
            b"".join(iter(lambda: port.read(port.in_waiting or 1), b""))
    done_by(served, served.plug_board)
    with board_of(served) as port:
        port.write(frame_line("id"))
        assert port.readline().startswith(b"id,")


def test_it_follows_the_clock_and_never_runs_ahead(world: World) -> None:
    clock = StepClock()
    ahead: list[float] = []
    with Served(world, clock=clock) as served:
        supply = next(iter(world.instruments.values()))
        original = supply.observe
        started: list[float] = []

        def observe(now: float) -> None:
            original(now)
            if not started:
                started.append(now)  # the first slice, before the pace is set
            ahead.append((now - started[0]) - (clock.now() - 100.0))

        supply.observe = observe
        thread = serve_in_thread(served)
        for hiccup in (0.01, 0.3, 0.0005, 2.0, 0.05):
            clock.time += hiccup
            deadline = time.monotonic() + PATIENCE
            while clock.time - 100.0 - (world.now - 0.002) > 1e-6 and time.monotonic() < deadline:
                time.sleep(0.001)
            assert world.now - 0.002 == pytest.approx(clock.time - 100.0, abs=1e-6)
        served.stop()
        thread.join(PATIENCE)
        assert max(ahead) <= 1e-9
        assert served.worst_lag == pytest.approx(2.0, abs=0.1)


def test_firmware_that_fails_is_told_and_serving_goes_on(world: World, drive) -> None:
    told: list[str] = []
    clock = StepClock()
    with Served(world, clock=clock, on_fault=told.append) as served:
        thread = serve_in_thread(served)
        for fault in ("", "mine: port_period crashed", "mine: port_period crashed"):
            drive.firmware_fault = fault
            clock.time += 0.1
            deadline = time.monotonic() + PATIENCE
            while clock.time - 100.0 - (world.now - 0.002) > 1e-6 and time.monotonic() < deadline:
                time.sleep(0.001)
            assert world.now - 0.002 == pytest.approx(clock.time - 100.0, abs=1e-6)
        served.stop()
        thread.join(PATIENCE)
    assert told == ["mine: port_period crashed"]


@pytest.mark.usefixtures("served")
def test_pace_of_the_real_clock(world: World) -> None:
    before, start = world.now, time.monotonic()
    time.sleep(0.5)
    after, end = world.now, time.monotonic()
    assert after >= before
    assert after - before <= end - start + 0.1  # it may have been behind when looked at first
    assert after - before >= (end - start) * 0.5  # a busy machine may keep it waiting


@pytest.mark.usefixtures("served")
def test_time_only_moves_forward(world: World) -> None:
    seen = [world.now]
    while seen[-1] < seen[0] + 0.05:
        seen.append(world.now)
    assert seen == sorted(seen)


def test_closing_switches_off_and_releases_everything(world: World, drive) -> None:
    before = open_files()
    threads = threading.active_count()
    with serving(world) as served:
        port = int(served.resources["supply"].split("::")[2])
        with socket.create_connection(("127.0.0.1", port), PATIENCE) as client:
            client.sendall(b"CURR 5;VOLT 24;:OUTP ON;*OPC?\n")
            assert client.makefile("rb").readline() == b"1\n"
            assert drive.on
            board = served.board
            served.stop()
    served.close()
    assert not drive.on
    assert open_files() == before
    assert threading.active_count() == threads
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", port), 1.0)
    with pytest.raises(serial.SerialException):
        serial.Serial(board)


def test_the_named_port_is_used_if_it_is_free(make_world) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        free = probe.getsockname()[1]
    world, drive = make_world()
    supply = next(iter(world.instruments.values()))
    named = f"TCPIP0::127.0.0.1::{free}::SOCKET"
    bench = World(drive, {named: supply})
    with Served(bench) as first:
        assert first.resources == {"supply": named}
        other = World(make_world()[1], {named: supply})
        with Served(other) as second:
            assert second.resources["supply"] != named
            assert second.resources["supply"].startswith("TCPIP0::127.0.0.1::")


@pytest.mark.parametrize(
    ("resource", "port"),
    [
        ("TCPIP0::127.0.0.1::5025::SOCKET", 5025),
        ("TCPIP::localhost::5025::SOCKET", 5025),
        ("TCPIP0::192.0.2.7::5025::SOCKET", 0),  # another machine (RFC 5737 documentation address)
        ("TCPIP0::127.0.0.1::inst0::INSTR", 0),
        ("USB0::0x1209::0x0001::S1::INSTR", 0),
        ("nonsense", 0),
    ],
)
def test_port_a_resource_asks_for(resource: str, port: int) -> None:
    assert wanted_port(resource) == port


def test_an_address_that_is_not_ours(world: World) -> None:
    before = open_files()
    with pytest.raises(BenchError, match="no TCP port could be opened"):
        Served(world, host="192.0.2.7")  # RFC 5737: belongs to nobody
    assert open_files() == before


def test_an_error_in_the_simulation_ends_serving(world: World, drive) -> None:
    with Served(world) as served:
        world.advance(0.01)

        def broken(seconds: float) -> None:
            raise BenchError(f"the simulation failed in a step of {seconds:g} s")

        drive.advance = broken
        with pytest.raises(BenchError, match="simulation failed"):
            served.run()
    assert not drive.on
