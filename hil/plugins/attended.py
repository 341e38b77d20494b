"""The person at the terminal: asked without stopping the bench, answering by a word and Enter."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any

import pytest

from hil.plugins.keys import PROGRESS
from hil.plugins.options import bench_options

if TYPE_CHECKING:
    from hil.bench.operator import Answer, Operator, Request
    from hil.plugins.progress_line import Progress

WIDTH = 78
RULE = "-" * WIDTH
STANDARD_INPUT = 0


def operator_for(config: pytest.Config) -> Operator | None:
    """Who is asked in this session: None if it is unattended."""
    if not bench_options(config).attended:
        return None
    from hil.bench.operator import Nobody

    if hasattr(config, "workerinput"):
        return Nobody("a worker process has no terminal")
    capture = config.pluginmanager.get_plugin("capturemanager")
    return Terminal(capture, config.stash.get(PROGRESS, None))


class Terminal:
    """See `hil.bench.operator.Operator`.

    Parameters
    ----------
    capture : pytest's capture manager, suspended while a question stands; None if there is none.
    progress : its line is held meanwhile.
    """

    def __init__(self, capture: Any, progress: Progress | None) -> None:
        self._capture, self._progress = capture, progress
        self._heard = b""
        self._screen: int | None = None  # the terminal that is read, to write on

    def absent(self) -> str:
        """Why the terminal cannot be used, or ""."""
        try:
            import termios  # noqa: F401 - whether there is such a thing
        except ImportError:
            return "terminals of this system cannot be read without stopping the bench"
        if self._screen is not None:
            return ""
        self._suspend()
        try:
            return "" if os.isatty(STANDARD_INPUT) else "standard input is no terminal"
        finally:
            self._resume()

    def ask(self, request: Request) -> None:
        """Show the question; what was typed before it does not count."""
        import termios

        from hil.bench.operator import CAUTIONS

        self._suspend()
        self._screen = os.open(os.ttyname(STANDARD_INPUT), os.O_WRONLY | os.O_NOCTTY)
        self._heard = b""
        termios.tcflush(STANDARD_INPUT, termios.TCIFLUSH)
        if self._progress is not None:
            self._progress.hold(True)
        self._write(
            "", RULE, "A PERSON IS NEEDED AT THE BENCH", f"  {request.text}.", "",
            *(f"  CAUTION  {line}" for line in CAUTIONS), "",
            f"Within {request.within:g} s type one of these, then Enter:",
            "  done     it is so now",
            "  cannot   it cannot be done: the item is not run",
            "  stop     supply off at once, and the run ends here",
            RULE,
        )  # fmt: skip

    def answer(self) -> Answer | None:
        """The answer, once a whole line is there; a closed terminal cannot do anything."""
        import select

        from hil.bench.operator import Answer

        readable, _, _ = select.select([STANDARD_INPUT], [], [], 0.0)
        if not readable:
            return None
        try:
            data = os.read(STANDARD_INPUT, 1024)
        except OSError:  # the terminal is gone
            data = b""
        if not data:
            return Answer.CANNOT
        *lines, self._heard = (self._heard + data).split(b"\n")
        for line in lines:
            word = line.decode("utf-8", "replace").strip().lower()
            for known in Answer:
                if word and known.value.startswith(word):
                    return known
            self._write(f"{word[:40]!r}: type done, cannot or stop, then Enter")
        return None

    def over(self, came_to: str) -> None:
        """Say what came of it, and give the terminal back."""
        if self._screen is None:
            return
        self._write(f"operator: {came_to}", RULE)
        os.close(self._screen)
        self._screen = None
        if self._progress is not None:
            self._progress.hold(False)
        self._resume()

    def _write(self, *lines: str) -> None:
        assert self._screen is not None
        try:
            os.write(self._screen, ("\r\n".join(lines) + "\r\n").encode("ascii", "replace"))
        except OSError:  # gone: `answer` tells
            return

    def _suspend(self) -> None:
        if self._capture is not None:
            self._capture.suspend(in_=True)
        sys.stdout.flush()

    def _resume(self) -> None:
        if self._capture is not None:
            self._capture.resume()
