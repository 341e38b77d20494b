"""The process from which the processes of firmware are forked, one for each simulated board.

A process with a clean start and a single thread, which has the compiled kernel loaded: a fork of
it is ready in milliseconds. It runs as ``main(descriptor)`` with one end of a socket pair on which
the bench asks for boards; when that end is closed, everything here ends.

Requests and answers are lines of JSON. ``{"op": "new", "name": shown in errors, "path": library,
"image": copy, "sources": digest}`` comes with three descriptors (the board's socket, its
`SharedMemory`, a file for what it prints) and is answered ``{"pid": n}``, or ``{"error": text}``
where the two processes do not run the same code; the board then says itself on its socket how
loading went. ``{"op": "end", "pid": n}`` kills a board and is answered ``{"status": s}`` as from
`os.waitpid`.

On its socket a board gets `ORDER` records, an order and a number, and answers one each.
"""

from __future__ import annotations

import contextlib
import ctypes
import faulthandler
import gc
import json
import os
import resource
import select
import signal
import socket
import struct
import traceback
from pathlib import Path

from hil.core.errors import HilError
from hil.twin import kernel, library
from hil.twin.jit import cache_folder
from hil.twin.kernel_memory import CONSTANTS, STATE
from hil.twin.port import FirmwareBinding
from hil.twin.shared import SharedMemory

#: An order, or its answer: which, and a number that belongs to it.
ORDER = struct.Struct("=qd")
ADVANCE, RESET, RESETS = 1, 2, 3

LINE = 65536  # bytes of a request or an answer at most
MOST_PRINTED = 1 << 22  # bytes
MOST_MEMORY = 2 << 30  # bytes of a firmware's own
_PARENT_DEATH_SIGNAL = 1  # PR_SET_PDEATHSIG of linux/prctl.h
_TICK = 0.2  # s between two looks for boards that have ended


def main(descriptor: int) -> None:
    """Serve requests on this socket until the other end is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the bench, which then closes
    faulthandler.disable()
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    warm_up()
    gc.freeze()
    with socket.socket(fileno=descriptor) as control:
        _Boards(control).serve()


def warm_up() -> None:
    """Load the kernel's machine code, so that no board has to."""
    import numpy as np

    constants, state = np.zeros(1, CONSTANTS), np.zeros(1, STATE)
    kernel.advance(constants.ctypes.data, state.ctypes.data, 0)


class _Boards:
    """The boards forked from here."""

    def __init__(self, control: socket.socket) -> None:
        self._control = control
        self._living: set[int] = set()
        self._ended: dict[int, int] = {}

    def serve(self) -> None:
        try:
            while True:
                if self._living and not select.select([self._control], [], [], _TICK)[0]:
                    self._collect()
                    continue
                request, descriptors, _, _ = socket.recv_fds(self._control, LINE, 3)
                if not request:
                    return
                answer = self._answer(json.loads(request), descriptors)
                self._control.sendall(json.dumps(answer).encode())
        except OSError:
            return  # the bench is gone
        finally:
            for pid in self._living:
                with contextlib.suppress(OSError):
                    os.kill(pid, signal.SIGKILL)
                    os.waitpid(pid, 0)

    def _answer(self, request: dict[str, str], descriptors: list[int]) -> dict[str, int | str]:
        if request["op"] == "end":
            return {"status": self._end(int(request["pid"]))}
        try:
            if request["sources"] != cache_folder().name:
                return {"error": "the sources of the simulated bench were changed in mid-run"}
            pid = os.fork()
            if pid == 0:
                self._control.close()
                _become(
                    request["name"], Path(request["path"]), Path(request["image"]), *descriptors
                )
            self._living.add(pid)
            return {"pid": pid}
        finally:
            for one in descriptors:
                os.close(one)

    def _end(self, pid: int) -> int:
        if pid in self._living:
            with contextlib.suppress(OSError):
                os.kill(pid, signal.SIGKILL)  # one that has ended already keeps its status
            self._ended[pid] = os.waitpid(pid, 0)[1]
            self._living.discard(pid)
        return self._ended.pop(pid, 0)

    def _collect(self) -> None:
        for pid in tuple(self._living):
            found, status = os.waitpid(pid, os.WNOHANG)
            if found:
                self._living.discard(pid)
                self._ended[pid] = status


def _become(name: str, path: Path, image: Path, line: int, memory: int, printed: int) -> None:
    """Be a board, in a new process; never returns."""
    try:
        with open(os.devnull, "rb") as nothing:  # noqa: PTH123 - a descriptor is wanted
            os.dup2(nothing.fileno(), 0)
        _die_with_the_server()
        os.dup2(printed, 1)
        os.dup2(printed, 2)
        for limit, most in (("RLIMIT_FSIZE", MOST_PRINTED), ("RLIMIT_DATA", MOST_MEMORY)):
            with contextlib.suppress(OSError, ValueError):
                number = getattr(resource, limit)
                resource.setrlimit(number, (most, resource.getrlimit(number)[1]))
        firmware = _loaded(name, path, image, board := socket.socket(fileno=line))
        _run(firmware, board, SharedMemory(memory))
    except OSError:
        os._exit(0)  # the bench is gone
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(70)


def _die_with_the_server() -> None:
    """Where the system can: be killed when the parent ends, even in an endless loop."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(_PARENT_DEATH_SIGNAL, signal.SIGKILL)


def _loaded(name: str, path: Path, image: Path, line: socket.socket) -> FirmwareBinding:
    try:
        firmware = library.load(path, name, image=image)
    except HilError as error:
        line.sendall(json.dumps({"error": str(error)}).encode())
        os._exit(0)
    line.sendall(json.dumps({"resets": firmware.resets is not None}).encode())
    return firmware


def _run(firmware: FirmwareBinding, line: socket.socket, memory: SharedMemory) -> None:
    constants = memory.constants.copy()
    addresses = (constants.ctypes.data, memory.state.ctypes.data)
    block = memory.block.ctypes.data
    while True:
        order = line.recv(ORDER.size, socket.MSG_WAITALL)
        if not order:
            os._exit(0)
        what, value = ORDER.unpack(order)
        if what == ADVANCE:
            kernel.advance(*addresses, int(value))
        elif what == RESET:
            constants[:] = memory.constants
            constants["port_period"] = firmware.period
            constants["port_receive"] = firmware.receive
            constants["port_transmit"] = firmware.transmit
            constants["block"] = block
            firmware.reset(value)
        elif firmware.resets is not None:
            value = firmware.resets()
        line.sendall(ORDER.pack(what, value))
