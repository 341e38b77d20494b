"""Simulated tachometer: a counter on an encoder that samples the shaft once a millisecond."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from hil.core.trace import FloatArray
from hil.twin.drive_like import DriveLike
from hil.twin.instruments.base import SimulatedInstrument
from hil.twin.instruments.parameters import NOT_A_NUMBER, alternatives, decimal, integer
from hil.twin.scpi import ScpiError

COUNTS = 4096  # per turn
INTERVAL = 0.001  # s
GATE = 5  # samples over which the speed is counted
MEMORY = 20_000  # samples
FETCH = 2_000  # samples in one answer, at most
OVERRUN = 201  # device-dependent error: the memory was full and the oldest samples were dropped
DATA_LOST = 512  # bit 9 of the questionable register, free for the designer of a device
#: A sample as it is answered: us, 0.1 mdeg and 0.001 rpm (IEEE 488.2, 8.7.4).
_TRIPLE, _SCALES = "%d.0E-06,%d.0E-04,%d.0E-03", np.array((1e6, 1e4, 1e3))
_FORMS = alternatives({"ASCii": 0.0, "REAL": 64.0})  # SCPI-1999 volume 2, FORMat[:DATA]
_COLLECT_EVERY = 1.0  # s; the drive keeps 4 s of samples until they are collected


class SimulatedTachometer(SimulatedInstrument):
    """Counts encoder edges from ``INITiate`` to ``ABORt``.

    Position is the count (floor) in degrees, unwrapped; speed is the difference of counts over
    5 ms, so its resolution is 60/4096/0.005 = 2.93 rpm. The memory holds 20 000 samples; when it
    is full the oldest are dropped, bit 9 of the questionable register is set and error 201 queued
    once. Fetching without having initiated answers NAN and queues -230.

    ``FORMat REAL,64`` makes the answer a block of 64-bit numbers, the same ones to the last digit.
    """

    def __init__(self, drive: DriveLike, serial: str = "SIM-0001") -> None:
        super().__init__("tachometer", "SIM-TACHO", serial)
        self._drive = drive
        self._running = False
        self._origin = 0.0
        self._lost = self._binary = False
        self._collected = -1.0
        self._history: FloatArray | None = None  # the last GATE counts
        self._memory: deque[FloatArray] = deque()  # blocks of shape (n, 3): s, deg, rpm
        self._stored = 0
        self.tree.add("INITiate[:IMMediate]", self._begin)
        self.tree.add("ABORt", self._stop)
        self.tree.add("FETCh:ARRay?", self._fetch)
        self.tree.add("[SENSe:]SWEep:TINTerval?", lambda: decimal(INTERVAL))
        self.tree.add("FORMat[:DATA]", self._set_form, _form, integer(0, 64), optional=1)
        self.tree.add("FORMat[:DATA]?", lambda: "REAL,64" if self._binary else "ASC,0")

    def reset(self) -> None:
        """Stop sampling and empty the memory; answers are text."""
        self._binary = False
        self._stop()

    def _stop(self) -> None:
        self._collect()
        self._running = False
        self._empty()

    def observe(self, now: float) -> None:
        """Take the samples from the drive now and then."""
        if now - self._collected >= _COLLECT_EVERY:
            self._collect()

    def _begin(self) -> None:
        self._stop()
        self._running, self._origin = True, self._drive.time

    def _empty(self) -> None:
        self._memory.clear()
        self._stored = 0
        self._lost = False
        self.status.questionable.update(0)

    def _collect(self) -> None:
        self._collected = self._drive.time
        t, angle, _ = self._drive.shaft_samples()
        if not t.size:
            return
        counts = np.floor(angle * (COUNTS / 360.0))
        if self._history is None:  # before the first sample the shaft stood still
            self._history = np.full(GATE, counts[0])
        extended = np.concatenate((self._history, counts))
        self._history = extended[-GATE:]
        if not self._running:
            return
        speed = (counts - extended[: counts.size]) * (60.0 / COUNTS / (GATE * INTERVAL))
        block = np.empty((counts.size, 3))
        block[:, 0], block[:, 1], block[:, 2] = t - self._origin, counts * (360.0 / COUNTS), speed
        self._memory.append(block)
        self._stored += counts.size
        if self._stored > MEMORY:
            self._drop(self._stored - MEMORY)

    def _drop(self, surplus: int) -> None:
        self._take(surplus)
        if not self._lost:
            self._lost = True
            self.status.report(ScpiError(OVERRUN), "Sample memory overrun")
        self.status.questionable.update(DATA_LOST)

    def _take(self, count: int) -> list[FloatArray]:
        taken = []
        while count and self._memory:
            block = self._memory.popleft()
            if block.shape[0] > count:
                self._memory.appendleft(block[count:])
                block = block[:count]
            taken.append(block)
            count -= block.shape[0]
            self._stored -= block.shape[0]
        return taken

    def _fetch(self) -> str:
        self._collect()
        if not self._running:
            self.status.report(ScpiError(-230, "not initiated"))
        blocks = self._take(FETCH)
        self._lost = False
        self.status.questionable.update(0)
        if not blocks:
            return _block(np.array([NOT_A_NUMBER])) if self._binary else decimal(math.nan)
        samples = blocks[0] if len(blocks) == 1 else np.concatenate(blocks)
        whole = np.rint(samples * _SCALES)
        if self._binary:
            return _block(whole / _SCALES)
        # NR3 from whole microseconds and so on: six times as fast as formatting fractions
        return ",".join([_TRIPLE] * samples.shape[0]) % tuple(
            whole.astype(np.int64).ravel().tolist()
        )

    def _set_form(self, bits: float, length: int | None = None) -> None:
        if length not in (None, 0, bits):
            raise ScpiError(-224, f"{length} bits")
        self._binary = bits > 0.0


def _form(text: str) -> float:
    """Bits of a number in the form that is asked for, 0 for text."""
    try:
        return _FORMS[text.upper()]
    except KeyError:
        raise ScpiError(-224, text) from None


def _block(numbers: FloatArray) -> str:
    """A block of definite length (IEEE 488.2, 8.7.9), a character for each of its bytes."""
    data = numbers.astype(">f8").tobytes().decode("latin-1")
    size = str(len(data))
    return f"#{len(size)}{size}{data}"
