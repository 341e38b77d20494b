"""Troubles of a bench that is served: seen through a real terminal and real TCP sockets."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import pytest
import serial

from hil.twin.adversary import Adversary
from hil.twin.trouble import Trouble
from hil.twin.wires.served import Served, serve_in_thread
from hil.twin.world import World

PATIENCE = 20.0  # s


class Told:
    """What the schedule has begun and ended so far."""

    def __init__(self) -> None:
        self.texts: list[str] = []
        self._event = threading.Condition()

    def __call__(self, text: str) -> None:
        with self._event:
            self.texts.append(text)
            self._event.notify_all()

    def wait(self, count: int) -> None:
        with self._event:
            assert self._event.wait_for(lambda: len(self.texts) >= count, PATIENCE)


@contextmanager
def troubled(world: World, *troubles: Trouble) -> Iterator[tuple[Served, Told]]:
    told = Told()
    Adversary(world, troubles, origin=world.now, protocol="lines", tell=told).install()
    with Served(world) as served:
        thread = serve_in_thread(served)
        try:
            yield served, told
        finally:
            served.stop()
            thread.join(PATIENCE)


def connect(served: Served, role: str = "supply") -> socket.socket:
    port = int(served.resources[role].split("::")[2])
    return socket.create_connection(("127.0.0.1", port), PATIENCE)


def ask(client: socket.socket, text: bytes = b"*IDN?\n") -> bytes:
    client.sendall(text)
    return client.recv(200)


def refused(served: Served) -> bool:
    with connect(served) as client:
        client.settimeout(PATIENCE)
        with suppress(ConnectionError):
            return ask(client) == b""
        return True


def test_a_dropped_connection_and_one_that_is_taken_again(world: World) -> None:
    with troubled(world, Trouble("supply-lost", 1.0, 2.0)) as (served, told):
        with connect(served) as client, connect(served, "brake") as other:
            assert b"SIM-SUPPLY" in ask(client)
            told.wait(1)
            with suppress(ConnectionError):
                assert client.recv(10) == b"", "the connection was to be closed"
            assert b"SIM-BRAKE" in ask(other), "only that of the supply"
        assert refused(served)
        told.wait(2)
        with connect(served) as client:
            assert b"SIM-SUPPLY" in ask(client)


def test_late_answers_keep_their_order(world: World) -> None:
    with troubled(world, Trouble("supply-latency", 0.0, value=0.4)) as (served, told):
        told.wait(1)
        with connect(served) as client:
            client.settimeout(PATIENCE)
            begun = time.monotonic()
            client.sendall(b"OUTP?\n*IDN?\n")
            data = b""
            while data.count(b"\n") < 2:
                data += client.recv(200)
            assert time.monotonic() - begun > 0.35
    assert data.startswith(b"0\nGREENHOUSE BENCH,SIM-SUPPLY")


def test_an_unplugged_board_fails_and_comes_back(world: World, frame_line) -> None:
    with troubled(world, Trouble("board-unplugged", 1.0, 1.0)) as (served, told):
        with serial.Serial(served.board, timeout=PATIENCE) as port:
            port.write(frame_line("id"))
            assert port.readline().startswith(b"id,")
            told.wait(1)
            with pytest.raises((serial.SerialException, OSError)):
                b"".join(iter(lambda: port.read(port.in_waiting or 1), b""))
        told.wait(2)
        with serial.Serial(served.board, timeout=PATIENCE) as port:
            port.write(frame_line("id"))
            assert port.readline().startswith(b"id,")


def test_a_clean_line_until_its_time_and_noise_afterwards(world: World, frame_line) -> None:
    noise = Trouble("board-dropped", 1.5, value=100.0)
    with (
        troubled(world, noise) as (served, told),
        serial.Serial(served.board, timeout=PATIENCE) as port,
    ):
        port.write(frame_line("id"))
        assert port.readline().startswith(b"id,")
        told.wait(1)
        port.timeout = 0.3
        port.write(frame_line("id"))
        assert port.readline() == b""
