"""Text lines: ``payload*HHHH`` and a terminator; ``*HHHH`` only if the profile names a checksum."""

from __future__ import annotations

from collections import deque

from hil.drivers.framing.base import Cut, Framing, Reject, Splitter, readable
from hil.drivers.framing.checksum import find_checksum
from hil.ports.link import FramingSpec

#: Bytes a message may consist of; telling them apart this way costs one call a line.
PRINTABLE = bytes(range(0x20, 0x7F))
#: Echoes waited for at most; a board that stops echoing must not fill the memory.
MOST_ECHOES = 16


class LineFraming(Framing):
    """Lines of printable ASCII. Empty lines and a carriage return before the end are let pass.

    A prompt in front of a line is dropped, and so is the first line that repeats what was sent, if
    the profile says that the board echoes.
    """

    def __init__(self, spec: FramingSpec) -> None:
        self._spec = spec
        self._checksum = find_checksum(spec.checksum) if spec.checksum else None
        if self._checksum and not spec.mark:
            raise ValueError("a checksum on a line needs a mark in front of it")
        self._splitter = Splitter(spec.terminator, spec.longest)
        self._dressed = bool(spec.prompt or spec.echo or spec.begin)
        self._echoes: deque[bytes] = deque(maxlen=MOST_ECHOES)
        self._mark = spec.mark
        width = 2 * self._checksum.size if self._checksum else 0
        self._form = b"%%0%d%s" % (width, b"x" if spec.digits == "lower" else b"X")
        self._any = spec.digits == "any"
        self._end = len(spec.mark) + width  # bytes of a line that are not its payload

    def feed(self, data: bytes) -> Cut:
        """Take what arrived and return what is complete; never raises on bad bytes."""
        cut = Cut()
        frames, rejects = cut.frames, cut.rejects
        lines = self._splitter.split(data, rejects)
        if (sound := self._sound(lines)) is not None:
            frames += sound
            return cut
        check, mark, form, dressed = self._checksum, self._mark, self._form, self._dressed
        for raw in lines:
            line = raw[:-1] if raw.endswith(b"\r") else raw
            if not line:
                continue
            if dressed:
                line = self._undress(line, rejects)
                if not line:
                    continue
            if check is None:
                payload = line
            else:
                payload, star, digits = line.rpartition(mark)
                # compared as text: as many digits as the checksum has, of the case it should have
                if not star:
                    rejects.append(Reject(line, "no checksum"))
                    continue
                computed = check.compute(payload)
                expected = form % computed
                if digits != expected and not (self._any and digits.upper() == expected):
                    found = digits.decode("ascii", "backslashreplace")
                    reason = f"checksum {found!r}, expected {expected.decode()}"
                    rejects.append(Reject(line, reason))
                    continue
            if payload.translate(None, PRINTABLE):
                rejects.append(Reject(line, "not printable ASCII"))
            elif not payload:
                rejects.append(Reject(line, "empty message"))
            else:
                frames.append(payload)
        return cut

    def _sound(self, lines: list[bytes]) -> list[bytes] | None:
        """Payloads of lines of which each is as it should be; None as soon as one is not."""
        check, end, mark, form = self._checksum, self._end, self._mark, self._form
        if check is None or self._dressed:
            return None
        payloads = []
        for line in lines:
            payload = line[:-end]
            if line[-end:] != mark + form % check.compute(payload):
                return None
            payloads.append(payload)
        if not all(payloads) or b"".join(payloads).translate(None, PRINTABLE):
            return None
        return payloads

    def _undress(self, line: bytes, rejects: list[Reject]) -> bytes:
        """The line without prompt, begin text and echo; empty if nothing is left."""
        spec = self._spec
        if spec.prompt:
            bare = spec.prompt.rstrip()
            while line.startswith(spec.prompt):
                line = line[len(spec.prompt) :]
            if line in (bare, spec.prompt):
                return b""
        if line in self._echoes:
            while self._echoes.popleft() != line:
                pass
            return b""
        if spec.begin and line:
            before, found, rest = line.rpartition(spec.begin)
            if not found:
                rejects.append(Reject(line, f"does not begin with {readable(spec.begin)}"))
                return b""
            if before:
                rejects.append(Reject(before, f"noise before {readable(spec.begin)}"))
            return rest
        return line

    def sent(self, data: bytes) -> None:
        """Expect the board to repeat this line, if the profile says that it does."""
        if self._spec.echo:
            self._echoes.append(data.removesuffix(self._spec.terminator).removesuffix(b"\r"))

    def encode(self, payload: bytes) -> bytes:
        """One line; ValueError if `payload` is empty, not printable ASCII or too long."""
        if not payload or payload.translate(None, PRINTABLE):
            raise ValueError(f"a line must be printable ASCII, found {readable(payload)}")
        line = payload
        if self._checksum is not None:
            line += self._mark + self._form % self._checksum.compute(payload)
        if self._spec.begin and self._spec.begin in line:
            raise ValueError(
                f"a line must not contain {readable(self._spec.begin)}, found {readable(payload)}"
            )
        line = self._spec.begin + line
        if self._spec.terminator in line:
            raise ValueError(f"a line must not contain its terminator, found {readable(payload)}")
        if len(line) > self._spec.longest:
            raise ValueError(f"a line of {len(line)} bytes, at most {self._spec.longest} allowed")
        return line + self._spec.terminator
