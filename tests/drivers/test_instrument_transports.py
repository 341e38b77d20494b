"""The same supply over every transport that PyVISA-py offers here without hardware.

TCP sockets are used by all other tests; here a serial line (a pseudo-terminal) and HiSLIP.
"""

from __future__ import annotations

import os
import pty
import select
import socket
import struct
import threading
import time
import tty
from collections.abc import Callable
from contextlib import suppress

import pytest

from hil.core.errors import InstrumentError, InstrumentTimeout
from hil.drivers.scpi import ScpiConfig, ScpiSession
from hil.drivers.supply import ScpiSupply, SupplyConfig
from hil.ports.clock import WallClock
from hil.ports.conformance import SupplyConformance

Reply = Callable[[str], str | None]


class SerialPeer:
    """An instrument at the other end of a pseudo-terminal."""

    def __init__(self, reply: Reply) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(self.master)
        tty.setraw(slave)
        self.resource = f"ASRL{os.ttyname(slave)}::INSTR"
        self._slave, self._reply, self._running = slave, reply, True
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        pending = b""
        while self._running:
            if not select.select([self.master], [], [], 0.01)[0]:
                continue
            with suppress(OSError):
                pending += os.read(self.master, 4096)
            *lines, pending = pending.split(b"\n")
            for line in lines:
                answer = self._reply(line.decode().strip())
                if answer is not None:
                    os.write(self.master, answer.encode() + b"\n")

    def close(self) -> None:
        self._running = False
        self._thread.join(2.0)
        os.close(self.master)
        os.close(self._slave)


class HislipPeer:
    """A HiSLIP server as IVI-6.1 (HiSLIP 1.1), tables 3 and 4, describes it: as much as is asked.

    Message types: 0 Initialize, 6 Data, 7 DataEnd, 8 DeviceClearComplete, 15 AsyncMaxMsgSize,
    17 AsyncInitialize, 19 AsyncDeviceClear; the answer to each is the type after it, or 23 to 19.
    """

    HEADER = struct.Struct("!2sBBIQ")

    def __init__(self, reply: Reply) -> None:
        self.reply, self.clears, self.connections = reply, 0, 0
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.01)
        port = self._server.getsockname()[1]
        self.resource = f"TCPIP::127.0.0.1::hislip0,{port}::INSTR"
        self._running = True
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def _accept(self) -> None:
        while self._running:
            try:
                connection, _ = self._server.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            self.connections += 1
            connection.settimeout(0.01)
            thread = threading.Thread(target=self._talk, args=(connection,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _exactly(self, connection: socket.socket, size: int) -> bytes:
        data = b""
        while len(data) < size:
            if not self._running:
                raise ConnectionResetError
            try:
                more = connection.recv(size - len(data))
            except TimeoutError:
                continue
            if not more:
                raise ConnectionResetError
            data += more
        return data

    def _talk(self, connection: socket.socket) -> None:
        heard = b""
        with connection, suppress(OSError):
            while True:
                header = self._exactly(connection, self.HEADER.size)
                _, kind, _, parameter, size = self.HEADER.unpack(header)
                payload = self._exactly(connection, size)

                def say(kind: int, parameter: int = 0, payload: bytes = b"") -> None:
                    head = self.HEADER.pack(b"HS", kind, 0, parameter, len(payload))
                    connection.sendall(head + payload)

                if kind == 0:
                    say(1, 0x0100 << 16 | 1)  # protocol 1.0, session 1
                elif kind in (15, 17):
                    say(kind + 1, 0, payload)
                elif kind == 19:
                    self.clears += 1
                    say(23)
                elif kind == 8:
                    heard = b""
                    say(9)
                elif kind in (6, 7):
                    heard += payload
                    if kind == 7:
                        message, heard = heard.decode().strip(), b""
                        answer = self.reply(message)
                        if answer is not None:
                            say(7, parameter, answer.encode() + b"\n")

    def close(self) -> None:
        self._running = False
        self._server.close()
        for thread in self._threads:
            thread.join(2.0)


@pytest.fixture(params=[SerialPeer, HislipPeer], ids=["serial", "hislip"])
def start(request):
    """Starts a peer of each transport."""
    made = []

    def run(reply: Reply):
        made.append(request.param(reply))
        return made[-1]

    yield run
    for peer in made:
        peer.close()


class TestSupply(SupplyConformance):
    settle = 0.0

    @pytest.fixture
    def port(self, start, manager, simple_supply, clock):
        peer = start(simple_supply)
        scpi = ScpiConfig(resource=peer.resource, role="supply", timeout=0.5)
        supply = ScpiSupply.open(SupplyConfig(scpi=scpi), clock, manager)
        yield supply
        supply.close()


def test_an_instrument_that_hangs_is_told_in_time_and_comes_back(start, manager, simple) -> None:
    instrument = simple("X", {})
    peer = start(instrument)
    scpi = ScpiConfig(resource=peer.resource, role="supply", timeout=0.3)
    session = ScpiSession.open(manager, scpi, WallClock())
    instrument.special["VOLT?"] = None
    before = time.monotonic()
    with pytest.raises(InstrumentError):
        session.query("VOLT?")
    assert time.monotonic() - before < 2.0
    instrument.special["VOLT?"] = "24"
    assert session.query("VOLT?") == "24"
    session.close()


def test_a_late_answer_is_never_taken_for_the_next_one(start, manager, simple) -> None:
    instrument = simple("X", {})
    peer = start(instrument)

    def late() -> str:
        time.sleep(0.5)
        return "99"

    instrument.special["SLOW?"] = late
    instrument.special["VOLT?"] = "24"
    scpi = ScpiConfig(resource=peer.resource, role="supply", timeout=0.2)
    session = ScpiSession.open(manager, scpi, WallClock())
    with pytest.raises(InstrumentTimeout):
        session.query("SLOW?")
    time.sleep(0.5)
    assert session.query("VOLT?") == "24"
    session.close()


def test_nobody_there_is_an_error_of_the_instrument(manager) -> None:
    # not over HiSLIP: PyVISA-py 0.8 leaves the socket of a refused connection unclosed
    config = ScpiConfig(resource="ASRL/dev/no-such-port::INSTR", role="supply")
    with pytest.raises(InstrumentError, match=r"supply at .*: cannot be opened"):
        ScpiSession.open(manager, config, WallClock())
