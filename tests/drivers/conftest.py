"""Link descriptions, pseudo-terminals with a scripted board, TCP peers that speak SCPI."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import pytest
import pyvisa

from hil.drivers.framing.make import make_framing
from hil.drivers.scpi import ScpiConfig, ScpiSession
from hil.ports.clock import Clock, WallClock
from hil.ports.link import FieldSpec, FramingSpec, LinkDescription, MessageSpec

STATES = {number: number for number in range(6)}
FAULTS = {bit: 1 << bit for bit in range(8)}
COMMAND_WORDS = {
    "identify": ("id", 1),
    "start": ("start", 2),
    "set-speed": ("speed", 3),
    "stop": ("stop", 4),
    "clear": ("clear", 5),
    "select-sensing": ("sense", 6),
    "stream": ("stream", 7),
}
REFUSALS = {1: "busy, the motor is turning", 2: "fault latched, clear it first", 3: "out of range"}


def _argument(command: str, binary: bool) -> tuple[FieldSpec, ...]:
    whole = "i16" if binary else "number"
    if command in ("start", "set-speed"):
        return (FieldSpec(name="speed", type=whole, role="speed"),)
    if command == "select-sensing":
        choices = {"hall": 0, "back-emf": 1}
        kind = "u8" if binary else "number"
        return (FieldSpec(name="sensing", type=kind, role="sensing", choices=choices),)
    if command == "stream":
        return (FieldSpec(name="rate", type="u16" if binary else "number", role="rate"),)
    return ()


def describe(kind: str) -> LinkDescription:
    """The demo protocol, on lines or in COBS blocks."""
    binary = kind == "cobs"

    def pick(binary_type: str, name: str, **more: object) -> FieldSpec:
        return FieldSpec(name=name, type=binary_type if binary else "number", **more)

    current = 0.01 if binary else 0.001
    telemetry = (
        pick("u8", "seq", role="sequence", modulus=256),
        pick("u32", "time", role="board-time", scale=1e-6, modulus=1 << 32),
        pick("u8", "state", channel="reported.state", values=STATES),
        pick("u16", "faults", channel="reported.fault", bits=FAULTS),
        pick("i16", "speed", channel="reported.speed"),
        pick("i16", "setpoint", channel="reported.setpoint"),
        pick("i16", "current", channel="reported.current", scale=current),
        pick("u16", "peak", channel="reported.peak", scale=current),
        pick("u16", "voltage", channel="reported.voltage", scale=current),
        pick("i16", "temperature", channel="reported.temperature", scale=0.1),
    )
    if binary:
        command_field = FieldSpec(name="command", type="u8", role="command")
        code_field = FieldSpec(name="code", type="u8", role="code")
        identity = (
            FieldSpec(name="model", type="text", role="model", size=16),
            FieldSpec(name="version", type="text", size=8),
            FieldSpec(name="build", type="text", role="revision", size=8),
        )
        keys: tuple[str | int, ...] = (0x81, 0x82, 0x83, 0x90)
    else:
        command_field = FieldSpec(name="command", type="text", role="command")
        code_field = FieldSpec(name="code", type="number", role="code")
        identity = (
            FieldSpec(name="model", type="text", role="model"),
            FieldSpec(name="version", type="text"),
            FieldSpec(name="build", type="text", role="revision"),
        )
        keys = ("id", "done", "refused", "t")
    fields = (identity, (command_field,), (command_field, code_field), telemetry)
    names = ("identity", "done", "refused", "telemetry")
    return LinkDescription(
        name=f"dosing-{kind}",
        baud=230400,
        framing=FramingSpec(kind="cobs" if binary else "lines", checksum="CRC-16/IBM-3740"),
        messages={
            name: MessageSpec(name=name, key=key, fields=parts)
            for name, key, parts in zip(names, keys, fields, strict=True)
        },
        commands={
            name: MessageSpec(
                name=name, key=number if binary else word, fields=_argument(name, binary)
            )
            for name, (word, number) in COMMAND_WORDS.items()
        },
        refusals=REFUSALS,
        reply_timeout=0.3,
        retries=1,
        telemetry_rate=500.0 if binary else 200.0,
    )


@pytest.fixture
def lines_description() -> LinkDescription:
    return describe("lines")


@pytest.fixture
def cobs_description() -> LinkDescription:
    return describe("cobs")


@pytest.fixture(params=["lines", "cobs"])
def description(request: pytest.FixtureRequest) -> LinkDescription:
    return describe(request.param)


# ---------------------------------------------------------------------- board on a pseudo-terminal


@dataclass
class BoardPeer:
    """The far end of a pseudo-terminal: answers commands by a script of its own.

    `answers`: command -> payloads to send (built by `reply`); None stays silent.
    """

    description: LinkDescription
    master: int
    url: str
    received: list[bytes] = field(default_factory=list)
    silent: bool = False
    refuse: dict[str, int] = field(default_factory=dict)
    before: bytes = b""  # raw bytes sent ahead of each answer
    mute_first: int = 0  # answers withheld at the beginning
    thinking: float = 0.0  # s before an answer

    def __post_init__(self) -> None:
        self.framing = make_framing(self.description.framing)
        self.binary = self.description.framing.kind == "cobs"
        self.delimiter = b"\x00" if self.binary else b"\n"
        self._running = True
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def command_of(self, payload: bytes) -> str:
        for name, spec in self.description.commands.items():
            key = bytes([spec.key]) if self.binary else str(spec.key).encode()
            if (payload[:1] if self.binary else payload.split(b",")[0]) == key:
                return name
        return ""

    def answer(self, command: str) -> bytes:
        word, number = COMMAND_WORDS[command]
        if command == "identify":
            if self.binary:
                return b"\x81" + b"DOSING-DRIVE".ljust(16, b"\0") + b"1.0.0\0\0\0" + b"5EED0001"
            return b"id,DOSING-DRIVE,1.0.0,5EED0001"
        code = self.refuse.get(command)
        if self.binary:
            return bytes([0x82, number]) if code is None else bytes([0x83, number, code])
        return f"done,{word}".encode() if code is None else f"refused,{word},{code}".encode()

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def send_payload(self, payload: bytes) -> None:
        self.send(self.framing.encode(payload))

    def _serve(self) -> None:
        reader = make_framing(self.description.framing)
        while self._running:
            try:
                data = os.read(self.master, 4096)
            except OSError:  # nobody has the other side open
                time.sleep(0.002)
                continue
            for payload in reader.feed(data).frames:
                self.received.append(payload)
                if self.silent:
                    continue
                if self.mute_first:
                    self.mute_first -= 1
                    continue
                if self.before:
                    self.send(self.before)
                time.sleep(self.thinking)
                self.send_payload(self.answer(self.command_of(payload)))

    def hang_up(self) -> None:
        self._running = False
        os.close(self.master)

    def stop(self) -> None:
        self._running = False


class TerminalPair:
    """A pseudo-terminal in raw mode."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(self.master)
        tty.setraw(slave)
        self.url = os.ttyname(slave)
        os.set_blocking(self.master, False)
        self._slave = slave

    def close(self) -> None:
        for handle in (self._slave, self.master):
            with contextlib.suppress(OSError):  # a test may have hung up already
                os.close(handle)


@pytest.fixture
def terminal() -> Iterator[TerminalPair]:
    pair = TerminalPair()
    yield pair
    pair.close()


MakePeer = Callable[..., BoardPeer]


@pytest.fixture
def make_peer(terminal: TerminalPair) -> Iterator[MakePeer]:
    made: list[BoardPeer] = []

    def make(description: LinkDescription, **more: object) -> BoardPeer:
        peer = BoardPeer(description, terminal.master, terminal.url, **more)
        made.append(peer)
        return peer

    yield make
    for peer in made:
        peer.stop()
        peer._thread.join(2.0)


# ---------------------------------------------------------------------- instrument on a TCP socket


class ScpiPeer:
    """A TCP server for one client at a time; `reply` maps a message to an answer or None."""

    def __init__(self, reply: Callable[[str], str | None]) -> None:
        self.reply = reply
        self.received: list[str] = []
        self.connections = 0
        self._running = True
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.01)
        self.resource = f"TCPIP0::127.0.0.1::{self._server.getsockname()[1]}::SOCKET"
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while self._running:
            try:
                connection, _ = self._server.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            self.connections += 1
            with connection:
                self._talk(connection)

    def _talk(self, connection: socket.socket) -> None:
        connection.settimeout(0.01)
        pending = b""
        while self._running:
            try:
                data = connection.recv(4096)
            except TimeoutError:
                continue
            except OSError:
                return
            if not data:
                return
            *lines, pending = (pending + data).split(b"\n")
            for line in lines:
                message = line.decode().strip()
                self.received.append(message)
                answer = self.reply(message)
                if answer == "<hang up>":
                    return
                if answer is not None:
                    try:
                        connection.sendall(answer.encode("latin-1") + b"\n")
                    except OSError:
                        return

    def close(self) -> None:
        self._running = False
        self._server.close()
        self._thread.join(2.0)


@pytest.fixture
def serve() -> Iterator[Callable[[Callable[[str], str | None]], ScpiPeer]]:
    made: list[ScpiPeer] = []

    def start(reply: Callable[[str], str | None]) -> ScpiPeer:
        made.append(ScpiPeer(reply))
        return made[-1]

    yield start
    for peer in made:
        peer.close()


class SimpleInstrument:
    """Set points with limits, IEEE 488.2 identity and an error queue as SCPI-1999 describes it.

    `points`: header -> value; `limits`: header -> (low, high), else -222; `special`: message ->
    answer, or a function without arguments that gives it, and goes before everything else.
    """

    def __init__(self, model: str, points: dict[str, float], depth: int = 10) -> None:
        self.model, self.points, self.depth = model, points, depth
        self.limits: dict[str, tuple[float, float]] = {}
        self.special: dict[str, str | Callable[[], str | None] | None] = {}
        self.stuck: set[str] = set()  # headers that take a value and do not follow it
        self.queue: list[str] = []

    def error(self, text: str) -> None:
        """Q5: when the queue is full the newest entry becomes -350, older ones are kept."""
        if len(self.queue) == self.depth:
            self.queue[-1] = '-350,"Queue overflow"'
        else:
            self.queue.append(text)

    def __call__(self, message: str) -> str | None:
        if message in self.special:
            found = self.special[message]
            return found() if callable(found) else found
        if message == "*IDN?":
            return f"GREENHOUSE BENCH,{self.model},0007,1.0"
        if message == "SYST:ERR?":
            return self.queue.pop(0) if self.queue else '0,"No error"'
        if message == "*CLS":
            self.queue.clear()
            return None
        if message.endswith("?") and message[:-1] in self.points:
            return f"{self.points[message[:-1]]:.6g}"
        self.take(*message.split(" ", 1))
        return None

    def take(self, header: str, value: str = "") -> None:
        if header in self.points:
            number = {"ON": 1.0, "OFF": 0.0}.get(value)
            number = float(value) if number is None else number
            low, high = self.limits.get(header, (-1e9, 1e9))
            if not low <= number <= high:
                self.error('-222,"Data out of range"')
            elif header not in self.stuck:
                self.points[header] = number
        else:
            self.error('-113,"Undefined header"')


@pytest.fixture
def simple() -> type[SimpleInstrument]:
    return SimpleInstrument


@pytest.fixture
def simple_supply() -> SimpleInstrument:
    """Off, 5 V set, at most 60 V and 10 A; measures what it is set to."""
    points = {"VOLT": 5.0, "CURR": 1.0, "VOLT:PROT": 66.0, "OUTP": 0.0}
    supply = SimpleInstrument("SIM-SUPPLY", points)
    supply.limits = {"VOLT": (0.0, 60.0), "CURR": (0.0, 10.0), "VOLT:PROT": (1.0, 66.0)}
    supply.special = {
        "MEAS:VOLT?": lambda: f"{points['VOLT'] * points['OUTP']:.5E}",
        "MEAS:CURR?": lambda: f"{0.25 * points['OUTP']:.5E}",
        "VOLT:PROT:TRIP?": "0",
        "VOLT:PROT:CLE": None,
    }
    return supply


@pytest.fixture
def open_session(serve, manager) -> Iterator[Callable[..., tuple[ScpiPeer, ScpiSession]]]:
    """Serve an instrument and open a session to it; closed afterwards."""
    opened: list[ScpiSession] = []

    def start(instrument, *, clock: Clock | None = None, **more: object):
        peer = serve(instrument)
        settings = {"resource": peer.resource, "role": "supply", "timeout": 0.3, **more}
        session = ScpiSession.open(manager, ScpiConfig(**settings), clock or WallClock())
        opened.append(session)
        return peer, session

    yield start
    for session in opened:
        session.close()


@pytest.fixture(scope="module")
def manager() -> Iterator[pyvisa.ResourceManager]:
    """PyVISA has one for the whole process: whoever closes it closes it for all."""
    found = pyvisa.ResourceManager("@py")
    yield found
    found.close()
