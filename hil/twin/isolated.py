"""Firmware in a process of its own: whatever it does, the bench survives and knows what happened.

The `STATE` record, the port block and the `CONSTANTS` lie in `SharedMemory`. The board's process
loads the library and runs the compiled kernel on order; the bench reads and writes the same memory
while the board waits. A board that does not answer is either dead, which the system tells at once,
or in a loop without end, which only patience can tell.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import struct
import weakref
from pathlib import Path
from typing import Any

import numpy.typing as npt

from hil.core.errors import FirmwareError, PlanError
from hil.twin import kernel
from hil.twin.firmware_client import Server, ended, server
from hil.twin.firmware_server import ADVANCE, LINE, ORDER, RESET, RESETS
from hil.twin.kernel_serial import PERIOD, RECEIVE, TRANSMIT
from hil.twin.library import private_copy
from hil.twin.port import FirmwareBinding
from hil.twin.shared import SIZE, SharedMemory, nameless_file
from hil.twin.silent import silence

#: Wall-clock time in s within which an order must be answered, or at least one PWM period pass.
PATIENCE = 5.0
#: Loading may take longer: on a busy machine the server is still starting.
_LOADING = 120.0
_FUNCTIONS = {PERIOD: "port_period", RECEIVE: "port_receive", TRANSMIT: "port_transmit"}
_TAIL = 300  # characters of what the firmware printed


class _Line:
    """The bench's end of a board's socket, and of what the board prints."""

    def __init__(self, name: str, path: Path, memory: int) -> None:
        self.server: Server = server()
        self.owed = 0  # answers
        self._socket, theirs = socket.socketpair()
        self._printed = nameless_file()
        self.letting_go = weakref.finalize(self, _let_go, self._socket, self._printed)
        with theirs, private_copy(path) as image:
            descriptors = [theirs.fileno(), memory, self._printed]
            self.pid = self.server.new(name, path, image, descriptors)
            theirs.close()
            self.wait(_LOADING)
            self.greeting = self._socket.recv(LINE)

    def wait(self, seconds: float) -> None:
        """From now on, receiving gives up after `seconds` of wall-clock time."""
        whole = int(seconds)
        limit = struct.pack("@ll", whole, int((seconds - whole) * 1e6))
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, limit)

    def send(self, order: bytes) -> None:
        try:
            self._socket.send(order)
            self.owed += 1
        except OSError:  # no context manager: called hundreds of times a simulated second
            pass  # it is gone, which receiving will tell

    def receive(self) -> bytes:
        """An answer; b"" if the process is gone. BlockingIOError if time is up.

        More than one is owed after an interrupt (Ctrl-C) between an order and its answer.
        """
        try:
            answer = self._socket.recv(ORDER.size, socket.MSG_WAITALL)
        except BlockingIOError:
            raise
        except OSError:
            return b""
        self.owed -= 1
        return answer

    def end(self) -> str:
        """Kill the process if need be, and say how it ended, in words."""
        said = ended(self.server.end(self.pid))
        self._socket.close()
        return said

    def printed(self) -> str:
        """The last that the firmware printed, as the end of a sentence; or ""."""
        size = os.fstat(self._printed).st_size
        text = os.pread(self._printed, _TAIL, max(0, size - _TAIL)).decode("utf-8", "replace")
        text = " ".join(text.split())
        return f"; it printed: {text}" if text else ""


def _let_go(line: socket.socket, printed: int) -> None:
    line.close()  # the process sees that nobody is there, and ends
    with contextlib.suppress(OSError):
        os.close(printed)


class Isolated:
    """A `hil.twin.host.Host` in another process; see the module text.

    Parameters
    ----------
    path : the library. name : of the firmware in messages, the file name if empty.
    patience : see `PATIENCE`.

    Raises
    ------
    PlanError
        If the library cannot be loaded.
    FirmwareError
        If it crashes while it is loaded.
    """

    def __init__(self, path: Path, name: str, patience: float) -> None:
        self._path, self._given_name, self._patience = path, name, patience
        self._name = name or path.name
        self._descriptor = nameless_file(SIZE)
        self._release = weakref.finalize(self, os.close, self._descriptor)
        self.shared = SharedMemory(self._descriptor)
        self.memory = self.shared.state
        self.gone = ""
        self._periods = 0  # ordered so far
        self._line: _Line | None = None
        self._tells_resets = False
        self._load()

    def _load(self) -> None:
        line = _Line(self._given_name, self._path, self._descriptor)
        if not line.greeting:
            said = f"{self._name}: {line.end()} while it was loaded{line.printed()}"
            line.letting_go()
            raise FirmwareError(said)
        greeting = json.loads(line.greeting)
        if "error" in greeting:
            line.end()
            line.letting_go()
            raise PlanError(greeting["error"])
        self._tells_resets = bool(greeting["resets"])
        line.wait(0.5 * self._patience)  # time is up when nothing has moved twice
        self._line, self.gone = line, ""

    def begin(self, constants: npt.NDArray[Any]) -> None:
        """See `Host`."""
        self.shared.constants[:] = constants
        silence(constants)  # for when the firmware is gone
        self._addresses = (constants.ctypes.data, self.memory.ctypes.data)

    def advance(self, periods: int) -> None:
        """See `Host`."""
        if self._line is not None:
            end = self._periods + periods
            self._order(ADVANCE, periods)
            self._periods = end
            if not self.gone:
                return
            periods = max(0, end - int(self.memory[0]["periods"]))
        kernel.advance(*self._addresses, periods)
        self._periods = int(self.memory[0]["periods"])

    def reset(self, pwm_hz: float) -> None:
        """See `Host`."""
        if self._line is None:
            self._load()
        self._order(RESET, pwm_hz)

    def resets(self) -> int | None:
        """See `Host`."""
        if not self._tells_resets or self._line is None:
            return None
        answer = self._order(RESETS, 0.0)
        return None if answer is None else int(answer)

    def close(self) -> None:
        """See `Host`; returns when the process has ended."""
        if self._line is not None:
            self._line.end()
            self._line.letting_go()
            self._line = None
        self._release()

    def _order(self, what: int, value: float) -> float | None:
        """Give an order; the number in its answer, None if the firmware is gone by then."""
        line = self._line
        assert line is not None
        line.send(ORDER.pack(what, value))
        before = -1
        while True:
            try:
                answer = line.receive()
                if line.owed <= 0 or len(answer) < ORDER.size:
                    break
            except BlockingIOError:
                if line.owed <= 0:  # a signal handler used the bench meanwhile, and has it
                    return None
                now = int(self.memory[0]["periods"])
                if now == before:
                    text = f"did not return within {self._patience:g} s (an endless loop?)"
                    self._lose(what, text)
                    return None
                before = now
        if len(answer) < ORDER.size:
            if self._line is line:
                self._lose(what, "")
            return None
        found: float = ORDER.unpack(answer)[1]
        return found

    def _lose(self, what: int, how: str) -> None:
        """Note how the firmware ended, and go on without it, all gates off."""
        line, self._line = self._line, None
        assert line is not None
        said = line.end()
        state = self.memory[0]
        where = {RESET: "port_reset", RESETS: "port_resets"}.get(
            what, _FUNCTIONS.get(int(state["inside"]), "the firmware")
        )
        period = float(self.shared.constants[0]["period"])
        when = float(state["periods"]) * period
        self.gone = f"{self._name}: {where} {how or said}, at {when:.6f} s; all gates off"
        self.gone += line.printed()
        line.letting_go()
        state["inside"] = 0
        state["fault"], state["fault_time"] = kernel.FAULT_GONE, when


class IsolatedFirmware(FirmwareBinding):
    """A firmware that runs in a process of its own; used by one `Drive`, as any binding."""

    host: Isolated

    @classmethod
    def load(
        cls, path: Path | str, name: str = "", *, patience: float = PATIENCE
    ) -> IsolatedFirmware:
        """Start the process and load the library in it.

        Parameters
        ----------
        path : the library. name : what to call it in messages; the file name by default.
        patience : wall-clock time in s in which a call must return.

        Raises
        ------
        PlanError
            As `hil.twin.library.load`.
        FirmwareError
            If it crashes while it is loaded.
        """
        path = Path(path)
        host = Isolated(path, name, patience)
        made = cls(
            name=name or path.name,
            period=0,
            receive=0,
            transmit=0,
            block=host.shared.block,
            reset=host.reset,
        )
        object.__setattr__(made, "host", host)
        return made
