"""A board on a serial port, spoken to as its link profile says.

    config = SerialBoardConfig(url="/dev/ttyACM0", description=description)
    board = open_board(config, clock, log=None)      # implements hil.ports.board.Board

Anything pyserial can open as a URL will do. Call `read` at least every 100 ms while telemetry
streams: the operating system keeps a few kilobytes at most. Telemetry that has to be polled is
asked for by `read`, which sends the next request and returns what answered the last one.
"""

from __future__ import annotations

from collections import Counter
from typing import Any, get_args

from hil.core.count import many
from hil.core.errors import HilError, LinkError, LinkTimeout
from hil.core.record import Identity
from hil.drivers.codec import Codec, Message
from hil.drivers.commanded import CommandedBoard
from hil.drivers.framing.base import Reject, readable
from hil.drivers.framing.make import make_framing
from hil.drivers.inbox import MOST_BAD, Inbox
from hil.drivers.polling import Poller
from hil.drivers.refit import ENOUGH, absent_start, refitted
from hil.drivers.serial_port import ByteLog, SerialBoardConfig
from hil.drivers.telemetry import Batch
from hil.ports.board import Board, BoardReadings
from hil.ports.clock import Clock
from hil.ports.link import FramingKind
from hil.ports.registry import Descriptor

#: So many frames that are no message are shown where an answer is missing.
MOST_UNMATCHED = 3
#: Time that so many bytes take on the line, of the time they came in: it was full. Over USB it may
#: be many times as long.
FULL_FROM, FULL_TO = 0.9, 1.1

__all__ = ["DESCRIPTOR", "MOST_BAD", "ByteLog", "SerialBoard", "SerialBoardConfig", "open_board"]


class SerialBoard(CommandedBoard):
    """See `hil.ports.board.Board`. Use `open`; the constructor takes a port already open."""

    def __init__(
        self, port: Any, config: SerialBoardConfig, clock: Clock, log: ByteLog | None = None
    ) -> None:
        super().__init__(port, config, clock, log)
        told = self._description
        try:
            self._framing = make_framing(told.framing)
            self._codec = Codec(told)
            self._requests = {
                poll.answer: self._framing.encode(
                    self._codec.encode_message(f"poll for {poll.answer}", poll.request)
                )
                for poll in told.polls
                if poll.request is not None
            }
        except (ValueError, KeyError) as error:
            raise LinkError(f"link profile {told.name}: {error}") from error
        further = [name for name in told.messages if name.startswith("telemetry-")]
        self._inbox: Inbox[bytes] = Inbox(self._decode, further, told.hold)
        self._poller = Poller(told.polls, told.reply_timeout)
        self._gated = "stream" not in told.commands
        self._wanted = not self._gated  # whether telemetry that arrives is kept
        self._messages: list[Message] = []
        self._forget_heard()
        self._nudged: float | None = None  # since when an answer to `nudge` is awaited
        self._unanswered = 0  # nudges in a row
        self._unmatched: Counter[str] = Counter()  # what was no message, while one is waited for

    def _forget_heard(self) -> None:
        """A command is about to be sent: what arrives is counted from here."""
        self._bytes = self._decoded = self._rejected = 0
        self._first = bytearray()  # of it, as much as `refitted` looks at
        self._last_reject: Reject | None = None

    # ------------------------------------------------------------------ commands

    def identify(self) -> Identity:
        """Ask who is there, with the retries of the profile.

        What arrived before the first answer since opening does not count as bad data: opening may
        have cut a frame in two.
        """
        first = "identify" not in self._answered
        answer = self._ask("identify", ("identity",), self._description.retries)
        if first:
            self._inbox.forget_bad()
        return self._identity(answer)

    def stream(self, on: bool) -> None:
        """Switch streaming telemetry on (at the rate of the profile) or off.

        Without a ``stream`` command in the profile, polls are sent from now on, or what the board
        streams by itself is kept from now on.
        """
        if self._gated:
            self._pump()
            self._inbox.forget_telemetry()
            self._wanted = on
            self._poller.switch(on, self._clock.now())
        else:
            self._command("stream", rate=self._description.telemetry_rate if on else 0.0)
        if on:
            self._codec.restart()

    def _command(self, command: str, **arguments: float | str) -> None:
        if "done" not in self._description.messages:
            self._send(command, self._payload(command, arguments))
            return
        retries = self._description.commands[command].retries
        answer = self._ask(command, ("done", "refused"), retries, **arguments)
        code = answer.roles.get("code")
        if answer.name == "refused" or (code is not None and code != 0.0):
            raise self._refusal(command, code, arguments)

    def _payload(self, command: str, arguments: dict[str, float | str]) -> bytes:
        try:
            return self._framing.encode(self._codec.encode(command, **arguments))
        except ValueError as error:
            raise LinkError(f"board on {self._url}: cannot send {error}") from error

    def _ask(
        self, command: str, answers: tuple[str, ...], retries: int, **arguments: float | str
    ) -> Message:
        """Send a command and wait for one of `answers` that belongs to it."""
        data = self._payload(command, arguments)
        self._unmatched.clear()
        for attempt in range(retries + 1):
            try:
                answer = self._ask_once(command, answers, data)
            except LinkTimeout:  # the port did not take the data
                if attempt == retries:
                    raise
                continue
            if answer is not None:
                self._answered.add(command)
                return answer
        raise self._silence(command, self._patience(command))

    def _ask_once(self, command: str, answers: tuple[str, ...], data: bytes) -> Message | None:
        """None if no answer comes in time."""
        self._pump()
        while self._awaits_something():  # one request on the line at a time
            self._clock.sleep(self._config.poll_interval)
            self._pump()
        self._messages.clear()  # a late answer to an earlier command must not count for this one
        self._forget_heard()
        timeout = self._patience(command)
        deadline = self._clock.now() + timeout
        self._send(command, data)
        asked = self._clock.now()
        while True:
            self._pump()
            for message in self._messages:
                ours = not message.command and "command" not in message.roles
                ours = ours or self._codec.same(message.command, command)
                if message.name in answers and ours:
                    self._messages.clear()
                    if self._decoded == 1:  # telemetry in between would have kept it waiting
                        self._note_turnaround(asked, len(data) + self._bytes)
                    return message
            self._messages.clear()
            if self._clock.now() >= deadline:
                return None
            self._clock.sleep(self._config.poll_interval)

    def nudge(self) -> bool:
        """See `hil.ports.board.Nudged`; as often as `identify` is tried, it may stay unanswered."""
        self._pump()
        if self._awaits_something():
            self._poller.give_way()
            return False
        if self._unanswered > self._description.retries:
            self._unanswered = 0
            raise self._silence("identify", self._patience("identify"))
        self._messages.clear()
        self._forget_heard()
        self._send("identify", self._payload("identify", {}))
        self._nudged = self._clock.now()
        return True

    def settle(self) -> None:
        """See `hil.ports.board.Nudged`."""
        if self._nudged is None and not self._unanswered:
            return
        while self._awaits_something():
            self._clock.sleep(self._config.poll_interval)
            self._pump()
        if self._unanswered:
            self._unanswered = 0
            self.identify()

    def _awaits_something(self) -> bool:
        """Whether a poll or a nudge awaits an answer that may still come."""
        now = self._clock.now()
        if self._nudged is not None:
            if any(message.name == "identity" for message in self._messages):
                self._nudged, self._unanswered = None, 0
                self._messages.clear()
            elif now - self._nudged >= self._patience("identify"):
                self._nudged, self._unanswered = None, self._unanswered + 1
        return self._nudged is not None or self._poller.waiting(now)

    def _patience(self, command: str) -> float:
        return self._description.commands[command].timeout or self._description.reply_timeout

    def _silence(self, command: str, timeout: float) -> HilError:
        heard = (
            f"{self._bytes} bytes arrived: {self._decoded} frames of telemetry or other messages, "
            f"{self._rejected} pieces that did not decode"
        )
        whole = 2 * self._unmatched.total() > self._rejected
        if not self._bytes:
            heard = "nothing arrived: is it powered, and is this its port?"
        elif whole and not self._decoded:
            heard = f"{self._bytes} bytes arrived, whole and of no message that profile knows"
        elif not self._decoded:
            heard = (
                f"{self._bytes} bytes arrived but no frame decodes: baud rate "
                f"({self._description.baud}) or profile ({self._description.name})?"
            )
        return self._no_answer(
            command,
            timeout,
            heard,
            garbled=self._bytes > 0 and not self._decoded and not whole,
            unmatched=self._said_unmatched() if whole or self._decoded else "",
            hint=self._hint(timeout, bool(whole or self._decoded)),
        )

    def _hint(self, timeout: float, framed: bool) -> str:
        """What of the profile, or of the line, may be why: with what arrived since the command."""
        if not self._bytes:
            return ""
        said = ""
        if self._last_reject is not None and not framed:
            said = f", the last of it: {self._last_reject}"
        share = self._description.on_line(self._bytes) / timeout
        if FULL_FROM < share < FULL_TO:
            said += (
                f"; {self._description.baud} baud carry no more than arrived: telemetry leaves no "
                "room for an answer"
            )
        framing, first = self._description.framing, bytes(self._first)
        words, start = refitted(framing, first), absent_start(framing, first)
        if words:
            said += f"; with '{words}' in the profile nearly all of it would decode"
        elif start:
            said += f"; {start}, with which the profile has every frame begin, is nowhere in it"
        return said

    def _said_unmatched(self) -> str:
        """What came meanwhile that is no message of the profile, the most frequent first."""
        most = self._unmatched.most_common(MOST_UNMATCHED)
        if not most:
            return ""
        listed = ", ".join(f"{text} ({many(count, 'time')})" for text, count in most)
        return f"; unmatched: {listed}"

    # ------------------------------------------------------------------ bytes

    def _send(self, what: str, data: bytes) -> None:
        self._port.write(what, data)
        self._framing.sent(data)

    def _pump(self) -> None:
        """Take what has arrived; never waits."""
        now, data = self._port.read()
        if not data:
            return
        self._bytes += len(data)
        if len(self._first) < ENOUGH:
            self._first += data
        cut = self._framing.feed(data)
        if cut.frames:
            found = self._codec.sort(cut.frames)
            if found.telemetry:
                self._keep("telemetry", now, found.telemetry)
            for name, frames in found.others.items():
                self._keep(name, now, frames)
            self._messages += found.messages
            self._decoded += len(cut.frames) - len(found.bad)
            cut.rejects.extend(found.bad)
            self._unmatched.update(map(self._codec.shown, found.unmatched))
        if cut.rejects:
            self._rejected += len(cut.rejects)
            self._last_reject = cut.rejects[-1]
            self._inbox.note_bad([str(reject) for reject in cut.rejects])

    def _keep(self, name: str, now: float, frames: list[bytes]) -> None:
        fits = self._poller.answered(name)
        if not self._wanted:
            return
        if self._description.polls:
            stray = frames[1:] if fits else frames
            if stray:
                said = (f"{name}: came unasked, or late: {readable(f[:24])}" for f in stray)
                self._inbox.note_bad(list(said))
            frames = frames[:1] if fits else []
        if frames:
            self._inbox.add(name, now, frames)

    def _decode(self, name: str, frames: Any, host_time: float | None) -> Batch:
        return self._codec.telemetry(frames, host_time, name)

    def read(self) -> BoardReadings:
        """Everything that arrived since the last call; never blocks, never raises on bad bytes.

        Raises
        ------
        LinkError
            If the port itself fails, e.g. because the adapter was unplugged.
        """
        self._pump()
        poll = None if self._awaits_something() else self._poller.next(self._clock.now())
        if poll is not None:
            self._send(f"poll for {poll.answer}", self._requests[poll.answer])
        return self._inbox.take(self._poller.take_lost())


def open_board(config: SerialBoardConfig, clock: Clock, log: ByteLog | None = None) -> Board:
    """The board a link profile describes. LinkError if its port cannot be opened."""
    if config.description.framing.kind == "modbus":
        from hil.drivers.modbus_board import ModbusBoard

        return ModbusBoard.open(config, clock, log)
    return SerialBoard.open(config, clock, log)


DESCRIPTOR = Descriptor(
    name="serial",
    port="board",
    driver=SerialBoard,
    config=SerialBoardConfig,
    open=open_board,
    capabilities=frozenset({*get_args(FramingKind), "polled", "raw-log"}),
)
