"""Puts firmware on the board with the user's own command, and proves what runs afterwards.

Nothing waits for a fixed time: the command has a limit, then the board is asked who it is until it
answers. The shaft is watched from before the command until the board has been quiet for a while.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import queue
import signal
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from hil.bench.bench import Bench
from hil.bench.limits import LimitExceeded
from hil.core.errors import BenchError, HilError
from hil.core.record import Identity
from hil.plan.rig import Rig
from hil.ports.board import Board

POLL, ASK_EVERY = 0.01, 0.1
#: Lines of the command's output that a message repeats.
TAIL = 3


class FlashFailed(BenchError):
    """The firmware could not be put on the board, or another one runs on it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flashed:
    """What was done.

    sha256 : of the image. seconds : that the command took. ready_after : s from its end to the
    first answer. identity : of the board afterwards. reset_cause : as the board states it, or "".
    """

    sha256: str
    seconds: float
    ready_after: float
    identity: Identity
    reset_cause: str = ""

    def __str__(self) -> str:
        cause = f", reset cause {self.reset_cause}" if self.reset_cause else ""
        return (
            f"flashed in {self.seconds:.1f} s, image SHA-256 {self.sha256}; the board answered "
            f"{self.ready_after:.2f} s later: {self.identity}{cause}; no shaft motion"
        )


def sha256_of(image: Path) -> str:
    """SHA-256 of a file.

    Raises
    ------
    FlashFailed
        If it cannot be read.
    """
    try:
        return hashlib.sha256(image.read_bytes()).hexdigest()
    except OSError as error:
        raise FlashFailed(f"firmware image {image}: {error.strerror}") from error


def verify_build(identity: Identity, expected: str) -> None:
    """Raise `FlashFailed` unless the board reports the build `expected`; "" accepts any."""
    if expected and identity.revision.casefold() != expected.casefold():
        raise FlashFailed(
            f"the board runs build {identity.revision or 'unknown'}, expected {expected}"
        )


def flash(
    bench: Bench,
    rig: Rig,
    image: Path,
    *,
    port: str,
    reopen: Callable[[], Board],
    expect_build: str = "",
    tell: Callable[[str], None] = lambda _text: None,
    log: Path | None = None,
) -> Flashed:
    """Flash `image` and come back with the board answering and its supply off.

    Parameters
    ----------
    port : where the board is, for the command.
    reopen : opens the board's link anew, raising `HilError` as long as it does not answer.
    expect_build : build that the board must then report; "" asks the rig file's ``build`` command.
    tell : told each line of progress. log : file for the output of the command.

    Raises
    ------
    FlashFailed
        With the end of the command's output, or what answered instead.
    HilError
        Whatever else goes wrong with the bench meanwhile.
    """
    settings = rig.board.flash
    if settings is None:
        raise FlashFailed("the rig file has no board.flash: it does not say how to flash")
    digest = sha256_of(image)
    places = {"image": str(image), "board": port}
    expected = expect_build or _build_of(settings.build, places, settings.time_limit)
    bench.begin_trace()
    if settings.powered:
        bench.energise(rig.supply.voltage)
    bench.watch.expect(0)
    begun = bench.clock.now()
    bench.board.close()  # the command needs the port
    try:
        with _unmoved("while the board was flashed"):
            _run(bench, _filled(settings.command, places), settings.time_limit, tell, log)
            took = bench.clock.now() - begun
            tell("waiting for the board to answer")
            bench.board, identity, ready = _await_board(bench, reopen, settings.identity_within)
        verify_build(identity, expected)
        tell(f"{identity} answers; watching the shaft for {settings.watch:g} s")
        with _unmoved("after the board was flashed and reset"):
            end = bench.clock.now() + settings.watch
            while bench.clock.now() < end:
                bench.poll_instruments()
                bench.clock.sleep(POLL)
    finally:
        if settings.powered:
            bench.make_safe()
    return Flashed(
        sha256=digest,
        seconds=took,
        ready_after=ready,
        identity=identity,
        reset_cause=str(getattr(bench.board, "reset_cause", "")),
    )


@contextlib.contextmanager
def _unmoved(when: str) -> Iterator[None]:
    try:
        yield
    except LimitExceeded as error:
        raise FlashFailed(f"{error}, {when}") from error


def _filled(command: Sequence[str], places: dict[str, str]) -> list[str]:
    filled = []
    for word in command:
        for name, value in places.items():
            word = word.replace(f"{{{name}}}", value)  # noqa: PLW2901
        filled.append(word)
    return filled


def _build_of(command: Sequence[str], places: dict[str, str], limit: float) -> str:
    """The build an image holds, as the user's program prints it; "" without such a program."""
    if not command:
        return ""
    words = _filled(command, places)
    try:
        done = subprocess.run(
            words,
            capture_output=True,
            encoding="utf-8",
            errors="replace",
            timeout=limit,
            check=True,
        )
    except (OSError, subprocess.SubprocessError) as error:
        raise FlashFailed(f"the build of the image cannot be found out: {error}") from error
    lines = done.stdout.split("\n")
    last = next((line.strip() for line in reversed(lines) if line.strip()), "")
    if not last:
        raise FlashFailed(f"the build of the image cannot be found out: {words[0]} prints nothing")
    return last


def _run(
    bench: Bench,
    command: list[str],
    limit: float,
    tell: Callable[[str], None],
    log: Path | None,
) -> None:
    """Run the command while the bench is watched; its lines are told and kept as they come."""
    lines: queue.Queue[str] = queue.Queue()
    try:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            errors="replace",
            start_new_session=True,  # so that what it starts can be ended with it
        )
    except OSError as error:
        raise FlashFailed(f"the flash command cannot be started: {error}") from error
    assert process.stdout is not None
    reader = threading.Thread(target=_read, args=(process.stdout, lines), daemon=True)
    reader.start()
    begun = bench.clock.now()
    said: list[str] = []
    try:
        while True:
            bench.poll_instruments()
            _take(lines, said, tell, log)
            if process.poll() is not None:
                break
            if bench.clock.now() - begun > limit:
                raise FlashFailed(
                    f"flashing took longer than {limit:g} s and was stopped{_ending(said)}"
                )
            bench.clock.sleep(POLL)
    finally:
        _end(process)
        reader.join(timeout=2.0)
        if not reader.is_alive():
            process.stdout.close()
    _take(lines, said, tell, log)
    if process.returncode != 0:
        raise FlashFailed(f"the flash command ended with code {process.returncode}{_ending(said)}")


def _read(stream: TextIO, lines: queue.Queue[str]) -> None:
    for line in stream:
        lines.put(line.rstrip("\n"))


def _take(
    lines: queue.Queue[str],
    said: list[str],
    tell: Callable[[str], None],
    log: Path | None,
) -> None:
    while True:
        try:
            line = lines.get_nowait()
        except queue.Empty:
            return
        said.append(line)
        tell(line)
        if log is not None:
            with log.open("a", encoding="utf-8") as file:
                file.write(line + "\n")


def _end(process: subprocess.Popen[str]) -> None:
    if process.poll() is None:
        with contextlib.suppress(OSError):
            if os.name == "posix":
                os.killpg(process.pid, signal.SIGKILL)
            else:
                process.kill()
        process.wait()


def _ending(said: list[str]) -> str:
    return f"; it said: {' | '.join(said[-TAIL:])}" if said else "; it said nothing"


def _await_board(
    bench: Bench, reopen: Callable[[], Board], within: float
) -> tuple[Board, Identity, float]:
    """Ask until the board answers: its link, its identity, and s that it took."""
    begun = bench.clock.now()
    while True:
        bench.poll_instruments()
        try:
            board = reopen()
            try:
                return board, board.identify(), bench.clock.now() - begun
            except HilError:
                board.close()
                raise
        except HilError as error:
            if bench.clock.now() - begun > within:
                raise FlashFailed(
                    f"the board does not answer within {within:g} s after flashing: {error}"
                ) from error
        until = bench.clock.now() + ASK_EVERY
        while bench.clock.now() < until:
            bench.poll_instruments()
            bench.clock.sleep(POLL)
