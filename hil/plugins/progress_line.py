"""Live progress in the terminal: item n of N, step, speed, current, voltage, elapsed, time left.

On a terminal one line that rewrites itself, below the line that pytest is writing; otherwise a
plain line now and then, so that a log shows the night is alive. Colour is never used here, so
NO_COLOR holds by construction.
"""

from __future__ import annotations

import math
import shutil
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from hil.bench.observe import Latest

LIVE_INTERVAL = 0.2  # s between rewrites of the live line
PLAIN_INTERVAL = 30.0  # s between plain lines


def duration(seconds: float) -> str:
    """``75`` -> ``1:15``, ``3675`` -> ``1:01:15``."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


def shown(value: float, digits: int) -> str:
    """The number, or ``-`` while there is none."""
    return f"{value:.{digits}f}" if math.isfinite(value) else "-"


class Progress:
    """Shows what the bench is doing; an observer in the sense of `hil.bench.observe.Observer`.

    Parameters
    ----------
    live : one line that rewrites itself, below the line pytest is writing.
    column : how far pytest has come in its line.
    """

    def __init__(self, stream: TextIO, *, live: bool, column: Callable[[], int]) -> None:
        self._stream, self._live, self._column = stream, live, column
        self._item, self._step = "", ""
        self._position, self._of = 0, 0
        self._begun = self._shown = time.monotonic()
        self._dirty = self._held = False

    def hold(self, held: bool) -> None:
        """Show nothing while somebody else needs the terminal."""
        self._held = held
        if held:
            self.clear()

    def begin(self, item: str, position: int, of: int) -> None:
        """A new item starts."""
        if position == 1:
            self._begun = self._shown = time.monotonic()
        self._item, self._position, self._of, self._step = item, position, of, ""

    def step(self, text: str) -> None:
        """A new step of the item began."""
        self._step = text

    def readings(self, now: Latest) -> None:
        """New readings: show them if the last look is long enough ago."""
        moment = time.monotonic()
        if self._held or moment - self._shown < (LIVE_INTERVAL if self._live else PLAIN_INTERVAL):
            return
        self._shown = moment
        self._show(self.line(now, moment - self._begun))

    def line(self, now: Latest, elapsed: float) -> str:
        """The progress line, without regard to the width of the terminal."""
        done = self._position - 1
        which = f"{self._position}/{self._of} " if self._of else ""  # nothing before the first item
        left = f", {duration(elapsed / done * (self._of - done))} left" if done > 0 else ""
        what = ": ".join(part for part in (self._item, self._step) if part)
        # The figures come before the names: on a narrow terminal the names are cut, not they.
        return (
            f"{which}{duration(elapsed)}{left} | "
            f"{shown(now.speed, 0)} rpm {shown(now.current, 2)} A {shown(now.voltage, 1)} V"
            f"{' | ' if what else ''}{what}"
        )

    def _show(self, text: str) -> None:
        if self._live:
            width = shutil.get_terminal_size().columns - 1
            self._below(text[:width])
            self._dirty = True
        else:
            # pytest's own line is in progress unless the last thing there was one of ours.
            self._stream.write(f"{'' if self._dirty else chr(10)}{text}\n")
            self._dirty = True
        self._stream.flush()

    def _below(self, text: str) -> None:
        """Write on the line below pytest's and go back to where pytest stopped.

        The new line scrolls the screen if need be, so that going up by one is always right.
        """
        self._stream.write(f"\n\r\x1b[2K{text}\x1b[1A\x1b[{self._column() + 1}G")

    def clear(self) -> None:
        """Take the live line away before something else is printed."""
        if self._dirty and self._live:
            self._below("")
            self._stream.flush()
        self._dirty = False

    def close(self) -> None:
        """Release the stream."""
        self._stream.close()
