"""The same supply over every transport that PyVISA-py offers here without hardware.

TCP sockets are used by all other tests; here a serial line (a pseudo-terminal), HiSLIP and VXI-11.
USBTMC takes a device on the bus, which no test can have; `hil check` says what it needs.
"""

from __future__ import annotations

import os
import pty
import queue
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


class TcpPeer:
    """Accepts connections on a free port and has each served by a thread of its own."""

    def __init__(self, reply: Reply) -> None:
        self.reply, self.clears, self.connections = reply, 0, 0
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.01)
        self.resource = self._named(self._server.getsockname()[1])
        self._running = True
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def _named(self, port: int) -> str:
        """The VISA resource name of this peer."""
        raise NotImplementedError

    def _talk(self, connection: socket.socket) -> None:
        """Serve one connection, until it ends or `_running` does."""
        raise NotImplementedError

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

    def close(self) -> None:
        self._running = False
        self._server.close()
        for thread in self._threads:
            thread.join(2.0)


class HislipPeer(TcpPeer):
    """A HiSLIP server as IVI-6.1 (HiSLIP 1.1), tables 3 and 4, describes it: as much as is asked.

    Message types: 0 Initialize, 6 Data, 7 DataEnd, 8 DeviceClearComplete, 15 AsyncMaxMsgSize,
    17 AsyncInitialize, 19 AsyncDeviceClear; the answer to each is the type after it, or 23 to 19.
    """

    HEADER = struct.Struct("!2sBBIQ")

    def _named(self, port: int) -> str:
        return f"TCPIP::127.0.0.1::hislip0,{port}::INSTR"

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


class Vxi11Peer(TcpPeer):
    """A VXI-11 server (VXI-11 of 1995, B.6): the core channel of one device, what is asked of it.

    Calls are those of RFC 5531, in records (its section 11), values those of RFC 4506.
    All three are cited from memory. The resource names the port, so that no port mapper is asked.
    Procedures: 10 create link, 11 write, 12 read, 15 clear, 23 destroy link.
    """

    CALL, WORD = struct.Struct("!10I"), struct.Struct("!I")
    END, TIMEOUT, ENDED = 8, 15, 4  # flag of a last block; error of a read, reason for its end

    def __init__(self, reply: Reply) -> None:
        self.links = 0
        super().__init__(reply)

    def _named(self, port: int) -> str:
        return f"TCPIP::127.0.0.1,{port}::inst0::INSTR"

    def _record(self, connection: socket.socket) -> bytes:
        record = b""
        while True:
            (head,) = self.WORD.unpack(self._exactly(connection, 4))
            record += self._exactly(connection, head & 0x7FFFFFFF)
            if head & 0x80000000:
                return record

    _exactly = HislipPeer._exactly

    def _talk(self, connection: socket.socket) -> None:
        device = Vxi11Device(self.reply)
        with connection, suppress(OSError):
            while True:
                record = self._record(connection)
                xid, kind, rpc, program, version, procedure, *auth = self.CALL.unpack_from(record)
                assert (kind, rpc, program, version) == (0, 2, 0x0607AF, 1)
                assert auth == [0, 0, 0, 0]  # nobody says who he is
                arguments = record[self.CALL.size :]
                head = struct.pack("!6I", xid, 1, 0, 0, 0, 0)
                answer = head + self._called(procedure, arguments, device)
                connection.sendall(self.WORD.pack(0x80000000 | len(answer)) + answer)
        device.close()

    def _called(self, procedure: int, arguments: bytes, device: Vxi11Device) -> bytes:
        if procedure == 10:
            self.links += 1
            return struct.pack("!4I", 0, self.links, 0, 1024)  # blocks of 1024 bytes at most
        if procedure == 11:
            *_, flags, size = struct.unpack_from("!5I", arguments)
            device.hear(arguments[20 : 20 + size], last=bool(flags & self.END))
            return struct.pack("!2I", 0, size)
        if procedure == 12:
            _, most, wait, *_ = struct.unpack_from("!6I", arguments)
            data, more = device.say(most, wait / 1000.0)
            if not data:
                return struct.pack("!3I", self.TIMEOUT, 0, 0)
            reason = 0 if more else self.ENDED
            return struct.pack("!3I", 0, reason, len(data)) + data + bytes(-len(data) % 4)
        if procedure == 15:
            self.clears += 1
            device.clear()
        else:
            assert procedure == 23
        return self.WORD.pack(0)


class Vxi11Device:
    """What is behind a link: messages in, answers out, in a thread of its own."""

    def __init__(self, reply: Reply) -> None:
        self._reply, self._heard = reply, b""
        self._messages: queue.SimpleQueue[tuple[int, str] | None] = queue.SimpleQueue()
        self._answers = b""
        self._there = threading.Condition()
        self._cleared = 0  # answers to what came before the last clear are dropped
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        while (found := self._messages.get()) is not None:
            cleared, message = found
            answer = self._reply(message)
            with self._there:
                if answer is not None and cleared == self._cleared:
                    self._answers += answer.encode() + b"\n"
                    self._there.notify()

    def hear(self, data: bytes, *, last: bool) -> None:
        """A block of a message."""
        self._heard += data
        if last:
            message, self._heard = self._heard.decode().strip(), b""
            self._messages.put((self._cleared, message))

    def say(self, most: int, wait: float) -> tuple[bytes, bool]:
        """At most `most` bytes of an answer once there is one, and whether there is more of it."""
        with self._there:
            self._there.wait_for(lambda: self._answers, wait)
            data, self._answers = self._answers[:most], self._answers[most:]
            return data, bool(self._answers)

    def clear(self) -> None:
        """Forget what was heard and what was to be said."""
        with self._there:
            self._cleared += 1
            self._heard = self._answers = b""

    def close(self) -> None:
        """End the thread."""
        self._messages.put(None)
        self._thread.join(2.0)


@pytest.fixture(params=[SerialPeer, HislipPeer, Vxi11Peer], ids=["serial", "hislip", "vxi-11"])
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


def test_messages_longer_than_a_block_and_answers_longer_than_a_read(
    start, manager, simple
) -> None:
    instrument = simple("X", {})
    peer = start(instrument)
    question = "DATA? " + ",".join(["1"] * 1500)
    instrument.special[question] = answer = ",".join(["-1.25"] * 9000)
    scpi = ScpiConfig(resource=peer.resource, role="supply", timeout=2.0)
    session = ScpiSession.open(manager, scpi, WallClock())
    assert session.query(question) == answer
    assert min(len(question) / 1024, len(answer) / (20 * 1024)) > 2.0  # PyVISA reads 20 KiB at once
    session.close()


def test_a_vxi_11_device_is_cleared_after_a_failure_and_its_link_is_kept(manager, simple) -> None:
    instrument = simple("X", {})
    peer = Vxi11Peer(instrument)
    scpi = ScpiConfig(resource=peer.resource, role="supply", timeout=0.2)
    session = ScpiSession.open(manager, scpi, WallClock())
    instrument.special["VOLT?"] = None
    with pytest.raises(InstrumentTimeout, match=r"'VOLT\?' failed: nothing within 0.2 s"):
        session.query("VOLT?")
    instrument.special["VOLT?"] = "24"
    assert session.query("VOLT?") == "24"
    assert (peer.clears, peer.links, peer.connections) == (1, 1, 1)
    session.close()
    peer.close()


def test_a_vxi_11_connection_that_breaks_is_made_again(manager, simple) -> None:
    class Breaking(Vxi11Peer):
        breaks = False

        def _called(self, procedure: int, arguments: bytes, device: Vxi11Device) -> bytes:
            if self.breaks:
                self.breaks = False
                raise ConnectionResetError
            return super()._called(procedure, arguments, device)

    instrument = simple("X", {})
    instrument.special["VOLT?"] = "24"
    peer = Breaking(instrument)
    scpi = ScpiConfig(resource=peer.resource, role="supply", timeout=0.3)
    session = ScpiSession.open(manager, scpi, WallClock())
    peer.breaks = True
    with pytest.raises(InstrumentError, match=r"supply at .*: 'VOLT\?' failed"):
        session.query("VOLT?")
    assert session.query("VOLT?") == "24"
    assert (peer.connections, peer.links) == (2, 2)
    session.close()
    peer.close()


def test_nobody_there_is_an_error_of_the_instrument(manager) -> None:
    # not over HiSLIP and VXI-11: PyVISA-py 0.8 leaves the socket of a refused connection unclosed
    config = ScpiConfig(resource="ASRL/dev/no-such-port::INSTR", role="supply")
    with pytest.raises(InstrumentError, match=r"supply at .*: cannot be opened"):
        ScpiSession.open(manager, config, WallClock())
