"""A simulated bench as a whole: the drive, the instruments around it, and virtual time."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Mapping
from typing import Protocol

from hil.core.errors import BenchError, FirmwareError
from hil.twin.drive_like import DriveLike
from hil.twin.instruments.base import SimulatedInstrument

#: Longest stretch between two looks of the instruments, s: a little more than lies between two
#: readings of the supply, so that what passes between them is simulated in one go.
SLICE = 0.06
BOARD_BUFFER = 65536  # bytes from the board kept for a reader that is late; the oldest are lost


class Watching(Protocol):
    """What looks at the bench after each slice of time, as the instruments do."""

    def observe(self, now: float) -> None:
        """Called after each slice, `now` in s."""

    def due(self) -> float:
        """Time in s at which it wants to act; infinity for never."""


class Line(Protocol):
    """What the bytes from the board go through on their way to the host."""

    def pass_on(self, data: bytes, now: float) -> bytes:
        """Take what the board said until `now`, s; what comes out by then."""


class World:
    """A simulated bench.

    Time moves only through `advance`; the same calls give the same results. After every slice of
    at most `slice_time` the instruments look at the drive (protection, memories).

    Parameters
    ----------
    drive : the simulated drive.
    instruments : VISA resource name -> instrument.
    query_time : simulated time of one query over VISA, s.
    slice_time : longest stretch between two looks of the instruments, s.

    Attributes
    ----------
    board_silent : True and nothing gets through to the board or back, though its port opens.
    line : what bytes from the board go through; None for a line without trouble.
    on_connection : told when a part (``board`` or a resource) loses its connection or has it back.
    """

    def __init__(
        self,
        drive: DriveLike,
        instruments: Mapping[str, SimulatedInstrument],
        *,
        query_time: float = 0.001,
        slice_time: float = SLICE,
    ) -> None:
        if not slice_time > 0.0:
            raise ValueError(f"slice_time must be positive, found {slice_time}")
        self.drive = drive
        self.instruments = dict(instruments)
        self.query_time = query_time
        self._slice = slice_time
        devices = self.instruments.values()
        base = SimulatedInstrument
        self._watching: tuple[Watching, ...] = tuple(
            d for d in devices if type(d).observe is not base.observe
        )
        self._acting: tuple[Watching, ...] = tuple(
            d for d in devices if type(d).due is not base.due
        )
        self._now = drive.time
        #: Held while the bench is touched: a guard's thread may switch off in the middle of a run.
        self.lock = threading.RLock()
        self._from_board = bytearray()
        self._flip_every = 0
        self._until_flip = 0
        self.board_present = True
        self.board_silent = False
        self.line: Line | None = None
        self.on_connection: list[Callable[[str, bool], None]] = []
        self._cuts: dict[str, int] = {}
        self._fault_told = ""
        self._unreachable: set[str] = set()
        self.closed = False

    @property
    def now(self) -> float:
        """Virtual time, s since power-up of the simulated bench."""
        return self._now

    def advance(self, seconds: float) -> None:
        """Let `seconds` of virtual time pass; ValueError if negative or not finite."""
        if not (seconds >= 0.0 and math.isfinite(seconds)):
            raise ValueError(f"time moves forward only, found {seconds} s")
        if self.closed:
            raise BenchError("the simulated bench has been closed")
        drive = self.drive
        with self.lock:
            now = self._now
            end = now + seconds
            while True:
                # what passed by since the last look is part of the slice
                stop = min(end, max(now, drive.time + self._slice))
                for device in self._acting:
                    due = device.due()
                    if now < due < stop:
                        stop = due
                ahead = stop - drive.time
                if ahead > 0.0:
                    drive.advance(ahead)
                self._now = now = max(now, stop)
                for device in self._watching:
                    device.observe(now)
                self._collect()
                if now >= end:
                    return

    def check_firmware(self) -> None:
        """Raise what the firmware did, once; what came from the board before can still be read.

        Raises
        ------
        FirmwareError
            If it has crashed, hung or commanded what no board would take.
        """
        fault = self.drive.firmware_fault
        if fault and fault != self._fault_told:
            self._fault_told = fault
            raise FirmwareError(fault)

    def pass_by(self, seconds: float) -> None:
        """As `advance`, for short times: the drive catches up when somebody looks at it next."""
        if not (seconds >= 0.0 and math.isfinite(seconds)):
            raise ValueError(f"time moves forward only, found {seconds} s")
        if self.closed:
            raise BenchError("the simulated bench has been closed")
        with self.lock:
            end = self._now + seconds
            if end - self.drive.time > self._slice or self._acting_by(end):
                self.advance(seconds)
            else:
                self._now = end

    def _acting_by(self, time: float) -> bool:
        # What is due at `time` itself would otherwise be passed over by the step that follows.
        for device in self._acting:  # noqa: SIM110 - called all the time: a generator is slower
            if device.due() <= time:
                return True
        return False

    def _catch_up(self) -> None:
        if self.drive.time < self._now and not self.closed:
            self.advance(0.0)

    def _collect(self) -> None:
        data = self.drive.drain()
        if self.line is not None:
            data = self.line.pass_on(data, self._now)
        if data and not self.board_silent:
            self._from_board += self._disturbed(data) if self._flip_every else data
            del self._from_board[:-BOARD_BUFFER]

    # The board's serial line -----------------------------------------------------------------

    def waiting(self) -> int:
        """Bytes from the board that can be read now."""
        with self.lock:
            self._catch_up()
            self._collect()
            return len(self._from_board)

    def receive(self, size: int = BOARD_BUFFER) -> bytes:
        """At most `size` bytes from the board, without waiting."""
        with self.lock:
            self._catch_up()
            self._collect()
            data = bytes(self._from_board[:size])
            del self._from_board[:size]
            return data

    def send(self, data: bytes) -> None:
        """Bytes to the board."""
        with self.lock:
            self._catch_up()
            if not self.board_silent:
                self.drive.feed(data)

    # Faults of the bench, for tests ----------------------------------------------------------

    def unplug_board(self) -> None:
        """Pull the board's serial cable: an open port fails, and opening fails."""
        self.board_present = False

    def plug_board(self) -> None:
        """Put the cable back; a port must be opened again."""
        self.board_present = True
        self._from_board.clear()

    def disturb_board(self, every: int) -> None:
        """From now on flip a bit in each `every`-th byte from the board; 0 for a clean line."""
        self._flip_every = self._until_flip = every

    def _disturbed(self, data: bytes) -> bytes:
        noisy = bytearray(data)
        while self._until_flip <= len(data):
            noisy[self._until_flip - 1] ^= 0x10
            self._until_flip += self._flip_every
        self._until_flip -= len(data)
        return bytes(noisy)

    def unplug_instrument(self, resource: str) -> None:
        """Take an instrument off the network. KeyError for one that does not exist."""
        if resource not in self.instruments:
            raise KeyError(resource)
        self._unreachable.add(resource)

    def plug_instrument(self, resource: str) -> None:
        """Put it back."""
        self._unreachable.discard(resource)

    def attach(self, watching: Watching) -> None:
        """Have something look at the bench after each slice, and when it is due."""
        self._watching += (watching,)
        self._acting += (watching,)

    def connect(self, part: str, connected: bool) -> None:
        """Take ``board`` or a resource off, open connections included, or bring it back."""
        if part == "board":
            (self.plug_board if connected else self.unplug_board)()
        elif connected:
            self.plug_instrument(part)
        else:
            self.unplug_instrument(part)
            self._cuts[part] = self.cuts(part) + 1
        for told in self.on_connection:
            told(part, connected)

    def cuts(self, resource: str) -> int:
        """How often connections to an instrument were cut: older ones are dead."""
        return self._cuts.get(resource, 0)

    def connected(self, resource: str, cuts: int) -> bool:
        """Whether a connection is alive that was made after so many cuts."""
        return self._cuts.get(resource, 0) == cuts and self.reachable(resource)

    def reachable(self, resource: str) -> bool:
        """Whether the bench has that instrument and it is on the network."""
        return (
            not self.closed and resource in self.instruments and resource not in self._unreachable
        )

    def close(self) -> None:
        """Switch everything off; whoever still talks to the bench gets an error."""
        if not self.closed:
            for device in self.instruments.values():
                device.power_off()
            self.closed = True
            self.board_present = False
            self.drive.close()


class VirtualClock:
    """Clock of a simulated bench: sleeping moves the simulation on (`hil.ports.clock.Clock`).

    A short sleep is simulated together with what follows, up to when somebody looks at the bench.

    Whoever waits on a board is waiting in vain once its firmware has failed: the wait after that
    one raises `FirmwareError`, so that what was sent before can be read.
    """

    def __init__(self, world: World) -> None:
        self._world = world

    def now(self) -> float:
        """Virtual time, s."""
        return self._world.now

    def sleep(self, seconds: float) -> None:
        """Advance the bench; a negative duration counts as zero.

        Raises
        ------
        FirmwareError
            If the firmware failed before this call, see `World.check_firmware`.
        """
        self._world.check_firmware()
        if seconds > 0.0:
            self._world.pass_by(seconds)
