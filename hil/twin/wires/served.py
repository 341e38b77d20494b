"""The simulated bench in wall-clock time: a pseudo-terminal and one TCP socket per instrument.

One thread does everything: it waits for bytes with a selector, and advances the bench in slices of
a millisecond or two so that virtual time follows the wall clock. After a hiccup it catches up; it
never runs ahead. The process that serves may be another one than the clients'.
"""

from __future__ import annotations

import contextlib
import os
import queue
import selectors
import socket
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from pyvisa import rname

from hil.core.closing import Closing
from hil.core.errors import BenchError, FirmwareError
from hil.ports.clock import Clock, WallClock
from hil.twin.instruments.base import Conversation
from hil.twin.world import World

LOOPBACK = "127.0.0.1"
SLICE = 0.002  # s of virtual time between two looks at the sockets while catching up
TICK = 0.001  # s, longest wait for bytes
MOST_UNSENT = 1 << 20  # bytes a client may leave unread before it is cut off
_CHUNK = 65536


@dataclass(eq=False)
class _Client:
    """One TCP client of an instrument."""

    socket: socket.socket
    role: str
    conversation: Conversation
    unsent: bytearray = field(default_factory=bytearray)
    held: deque[tuple[float, bytes]] = field(default_factory=deque)  # virtual time, s; answer


class Served(Closing):
    """A bench that is being served: a context manager; call `run`, and `stop` from anywhere.

    Parameters
    ----------
    world : the bench; it belongs to `run` from now on and is closed with this object.
    host : address to listen on; the loopback unless told otherwise, for there is no password.
    clock : wall clock.
    on_fault : told once what the board's firmware did, if it crashes, hangs or commands nonsense.

    An instrument gets the port that its resource name says if that names the loopback and is
    free, else any free port. Any number of clients may talk to an instrument at a time.

    Raises
    ------
    BenchError
        If there are no pseudo-terminals on this system, or no port can be opened.

    Attributes
    ----------
    board : path of the pseudo-terminal to open with pyserial.
    resources : role (``supply``, ...) -> VISA resource name that pyvisa-py can open.
    worst_lag : longest time in s by which the simulation was behind the wall clock.
    """

    def __init__(
        self,
        world: World,
        host: str = LOOPBACK,
        clock: Clock | None = None,
        on_fault: Callable[[str], None] = lambda _text: None,
    ) -> None:
        self.world = world
        self._on_fault = on_fault
        self.worst_lag = 0.0
        self.resources: dict[str, str] = {}
        self._clock = clock or WallClock()
        self._stopping = False
        self._closed = False
        self._asked: queue.SimpleQueue[Callable[[], object]] = queue.SimpleQueue()
        self._cleanup = contextlib.ExitStack()
        world.advance(SLICE)  # the first slice may compile the simulation; no client waits for that
        with contextlib.ExitStack() as opening:
            self._selector = opening.enter_context(selectors.DefaultSelector())
            self._wake, self._woken = socket.socketpair()
            opening.callback(self._wake.close)
            opening.callback(self._woken.close)
            self._wake.setblocking(False)
            self._watch(self._woken, selectors.EVENT_READ, lambda _: self._woken.recv(64))
            self._clients: list[_Client] = []
            opening.callback(self._drop_all)
            self._line = opening.enter_context(contextlib.ExitStack())
            self._master, self.board = self._open_board(self._line)
            for resource, instrument in world.instruments.items():
                self.resources[instrument.role] = self._listen(opening, resource, host)
            world.on_connection.append(self._connection)
            self._cleanup = opening.pop_all()

    # Life ------------------------------------------------------------------------------------

    def run(self) -> None:
        """Serve until `stop` is called, then return; virtual time starts where the bench stands."""
        clock, world = self._clock, self.world
        origin = clock.now() - world.now
        while not self._stopping:
            lag = clock.now() - origin - world.now
            for key, events in self._selector.select(max(0.0, TICK - lag)):
                key.data(events)
            lag = clock.now() - origin - world.now
            if lag > 0.0:
                self.worst_lag = max(self.worst_lag, lag)
                world.advance(min(lag, SLICE))
            self._forward_board()
            self._answer_late()
            while not self._asked.empty():
                self._asked.get()()
            try:
                world.check_firmware()
            except FirmwareError as error:
                self._on_fault(str(error))  # the board is dead, and its clients will notice

    def stop(self) -> None:
        """Make `run` return soon; safe from another thread and from a signal handler."""
        self._stopping = True
        with contextlib.suppress(OSError):
            self._wake.send(b"x")

    def call(self, action: Callable[[], object]) -> None:
        """Have `run` do something to the bench soon, between two slices; for faults from outside.

        What is done by other threads must go this way: the bench belongs to `run`.
        """
        self._asked.put(action)
        with contextlib.suppress(OSError):
            self._wake.send(b"x")

    def cut_off(self, role: str) -> None:
        """Drop every TCP connection to an instrument; new ones are accepted. Use with `call`."""
        for client in tuple(self._clients):
            if client.role == role:
                self._drop(client)

    def unplug_board(self) -> None:
        """Take the pseudo-terminal away, as a pulled USB adapter. Use with `call`."""
        self._selector.unregister(self._master)
        self._line.close()
        self._master = -1

    def plug_board(self) -> None:
        """Bring the board back on a new pseudo-terminal, `board`. Use with `call`."""
        self._master, self.board = self._open_board(self._line)

    def close(self) -> None:
        """Switch the bench off and close everything; a second call does nothing."""
        if not self._closed:
            self._closed = True
            self.world.close()
            self._cleanup.close()

    # The board -------------------------------------------------------------------------------

    def _open_board(self, opening: contextlib.ExitStack) -> tuple[int, str]:
        try:
            import pty
            import tty
        except ImportError as error:
            raise BenchError(
                "serving the simulated board needs pseudo-terminals, which this system has not"
            ) from error
        master, slave = pty.openpty()
        opening.callback(os.close, master)
        opening.callback(os.close, slave)  # held open, so that clients may come and go
        tty.setraw(slave)
        os.set_blocking(master, False)
        self._watch(master, selectors.EVENT_READ, lambda _: self._from_host())
        return master, os.ttyname(slave)

    def _from_host(self) -> None:
        with contextlib.suppress(BlockingIOError):
            data = os.read(self._master, _CHUNK)
            if self.world.board_present:
                self.world.send(data)

    def _forward_board(self) -> None:
        data = self.world.receive()
        if data and self.world.board_present and self._master >= 0:
            # Nobody reads and the terminal is full: bytes are lost, as on a serial line.
            with contextlib.suppress(BlockingIOError):
                os.write(self._master, data)

    # The instruments -------------------------------------------------------------------------

    def _listen(self, opening: contextlib.ExitStack, resource: str, host: str) -> str:
        listener = _bind(host, wanted_port(resource))
        opening.callback(listener.close)
        listener.setblocking(False)
        self._watch(listener, selectors.EVENT_READ, lambda _: self._accept(listener, resource))
        return f"TCPIP0::{host}::{listener.getsockname()[1]}::SOCKET"

    def _accept(self, listener: socket.socket, resource: str) -> None:
        with contextlib.suppress(OSError):  # the client may be gone already
            connection, _ = listener.accept()
            if not self.world.reachable(resource):
                connection.close()
                return
            connection.setblocking(False)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            instrument = self.world.instruments[resource]
            client = _Client(connection, instrument.role, instrument.converse())
            self._clients.append(client)
            self._watch(connection, selectors.EVENT_READ, lambda e: self._serve(client, e))

    def _serve(self, client: _Client, events: int) -> None:
        try:
            if events & selectors.EVENT_READ:
                data = client.socket.recv(_CHUNK)
                if not data:
                    self._drop(client)
                    return
                answers = client.conversation.receive(data)
                latency = self._latency(client.role)
                if answers and (latency > 0.0 or client.held):
                    client.held.append((self.world.now + latency, answers))
                else:
                    client.unsent += answers
            if client.unsent:
                del client.unsent[: client.socket.send(client.unsent)]
        except BlockingIOError:
            pass
        except OSError:
            self._drop(client)
            return
        if len(client.unsent) > MOST_UNSENT:
            self._drop(client)
            return
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.unsent else 0)
        key = self._selector.get_key(client.socket)
        if key.events != wanted:
            self._selector.modify(client.socket, wanted, key.data)

    def _latency(self, role: str) -> float:
        return next(one.latency for one in self.world.instruments.values() if one.role == role)

    def _answer_late(self) -> None:
        for client in tuple(self._clients):
            while client.held and client.held[0][0] <= self.world.now:
                client.unsent += client.held.popleft()[1]
                self._serve(client, selectors.EVENT_WRITE)

    def _connection(self, part: str, connected: bool) -> None:
        """The bench has taken a connection away, or given it back."""
        if part != "board":
            if not connected:
                self.cut_off(self.world.instruments[part].role)
        elif connected:
            self.plug_board()
        elif self._master >= 0:
            self.unplug_board()

    def _drop(self, client: _Client) -> None:
        self._clients.remove(client)
        self._selector.unregister(client.socket)
        client.socket.close()

    def _drop_all(self) -> None:
        for client in tuple(self._clients):
            self._drop(client)

    def _watch(
        self, what: socket.socket | int, events: int, action: Callable[[int], object]
    ) -> None:
        self._selector.register(what, events, action)


def wanted_port(resource: str) -> int:
    """Port that a loopback raw-socket resource names; 0, which means any, for other resources."""
    try:
        parsed = rname.parse_resource_name(resource)
    except rname.InvalidResourceName:
        return 0
    if isinstance(parsed, rname.TCPIPSocket) and parsed.host_address in {LOOPBACK, "localhost"}:
        return int(parsed.port)
    return 0


def _bind(host: str, port: int) -> socket.socket:
    """A listening socket on `port` if it is free, else on any free port."""
    for attempt in dict.fromkeys((port, 0)):
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, attempt))
            listener.listen()  # on a port in use this may be what fails
        except OSError as error:
            listener.close()
            refused = error
        else:
            return listener
    raise BenchError(f"no TCP port could be opened on {host}: {refused}") from refused


def serve_in_thread(served: Served) -> threading.Thread:
    """Run `served` in a thread of this process; call `served.stop()`, join, then `close()`."""
    thread = threading.Thread(target=served.run, name="simulated bench", daemon=True)
    thread.start()
    return thread
