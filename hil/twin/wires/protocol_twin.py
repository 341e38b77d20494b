"""pyserial handler for ``twin://<bench>/board``: the serial line of a simulated board.

pyserial imports this module by its name (``protocol_`` + scheme) from the packages listed in
``serial.protocol_handler_packages``; `hil.twin.wires.registry.publish` adds this package. Waiting
for bytes advances the virtual time of the bench. One port at a time, as with an exclusive device.
"""

from __future__ import annotations

import errno
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit
from weakref import WeakSet

from serial.serialutil import PortNotOpenError, SerialBase, SerialException

from hil.twin.wires import registry
from hil.twin.world import World

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

STEP = 0.001  # s of virtual time between two looks for bytes
FOREVER = 600.0  # s of virtual time after which a read without timeout is given up

_busy: WeakSet[World] = WeakSet()


class Serial(SerialBase):
    """Serial port on a simulated board; see `serial.Serial` for the interface."""

    _world: World | None = None
    _sent_by = 0.0

    def open(self) -> None:
        """Open the port; SerialException if there is no such bench, or it is unplugged or busy."""
        if self.is_open:
            raise SerialException("port is already open")
        parts = urlsplit(self.port or "")
        if parts.scheme.lower() != "twin" or parts.path != "/board":
            raise SerialException(f"{self.port!r}: expected twin://<bench>/board")
        world = registry.find(parts.netloc)
        if world is None or world.closed or not world.board_present:
            raise SerialException(errno.ENOENT, f"{self.port}: no such simulated board")
        if world in _busy:
            raise SerialException(errno.EBUSY, f"{self.port}: the port is already in use")
        _busy.add(world)
        self._world = world
        self._sent_by = world.now
        self.is_open = True
        world.receive()  # nobody was listening to what came before

    def close(self) -> None:
        """Close the port; a second call does nothing."""
        if self.is_open and self._world is not None:
            _busy.discard(self._world)
        self.is_open = False
        self._world = None

    def _reconfigure_port(self) -> None:
        """pyserial's hook for changed settings; a simulated line takes any."""

    def _line(self) -> World:
        if not self.is_open or self._world is None:
            raise PortNotOpenError
        if self._world.closed or not self._world.board_present:
            raise SerialException(errno.EIO, f"{self.port}: the device was disconnected")
        return self._world

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read without waiting."""
        return self._line().waiting()

    @property
    def out_waiting(self) -> int:
        """Bytes that have not left the host yet."""
        left = self._sent_by - self._line().now
        return max(0, round(left * self.baudrate / 10.0))

    def read(self, size: int = 1, /) -> bytes:
        """Up to `size` bytes; waits in virtual time as `timeout` says.

        Without a timeout a silent board would stop the process for good, so that after 600 s of
        virtual time a SerialException ends it.
        """
        world = self._line()
        data = bytearray(world.receive(size))
        timeout = self.timeout
        deadline = world.now + (FOREVER if timeout is None else timeout)
        while len(data) < size and world.now < deadline:
            world.advance(min(STEP, deadline - world.now))
            data += self._line().receive(size - len(data))
        if timeout is None and len(data) < size:
            raise SerialException(f"{self.port}: no data for {FOREVER:g} s of simulated time")
        return bytes(data)

    def write(self, b: ReadableBuffer, /) -> int:
        """Hand bytes to the line; they arrive at the pace of the baud rate."""
        world = self._line()
        data = bytes(memoryview(b))
        world.send(data)
        self._sent_by = max(self._sent_by, world.now) + 10.0 * len(data) / self.baudrate
        return len(data)

    def flush(self) -> None:
        """Wait until everything written has left the host."""
        world = self._line()
        world.advance(max(0.0, self._sent_by - world.now))

    def reset_input_buffer(self) -> None:
        """Throw away what has arrived."""
        self._line().receive()

    def reset_output_buffer(self) -> None:
        """Nothing is held back on the host side."""
        self._line()

    def _update_break_state(self) -> None:
        """The simulated board does not look at a break."""

    def _update_rts_state(self) -> None:
        """RTS is not wired."""

    def _update_dtr_state(self) -> None:
        """DTR is not wired: opening the port does not reset the board."""

    cts = dsr = cd = property(lambda _self: True, doc="Not wired; reads as active.")
    ri = property(lambda _self: False, doc="Not wired; reads as inactive.")

    def fileno(self) -> Any:
        """There is no descriptor; raises OSError as io objects do."""
        raise OSError(errno.ENOTSUP, "a simulated port has no file descriptor")
