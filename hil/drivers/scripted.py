"""A board that answers as a link profile says: the other end of a link, without hardware.

    board = ScriptedBoard(description)
    answer = board.feed(data)              # bytes from the host in, bytes to the host out
    frame = board.telemetry(t)             # one telemetry message at board time t, s
    board.values["reported.speed"] = 2000.0
    board.refuse["start"] = 2              # code of the refusal

For tests of profiles and of programs that use them; it does not simulate a motor. Modbus is not
covered: the Modbus library has servers of its own.
"""

from __future__ import annotations

import math
from dataclasses import replace

from hil.drivers.fields import FLOATS, RANGES
from hil.drivers.framing.make import make_framing
from hil.drivers.layout import Layout
from hil.ports.link import FieldSpec, LinkDescription, MessageSpec

Value = float | str


class ScriptedBoard:
    """See the module text.

    Attributes
    ----------
    values : channel -> canonical value, or NaN for 'no value' where the profile has a mark for it.
    texts : role -> text of the identity.
    refuse : command -> code of its refusal.
    received : names and raw arguments of the commands, in order; "" for an unknown one.
    streaming : whether telemetry was asked for last; always true without a ``stream`` command.
    """

    def __init__(self, description: LinkDescription) -> None:
        self.description = description
        # the host drops echoes and prompts; this end makes them
        plain = replace(description.framing, echo=False, prompt=b"")
        self._out, self._in = make_framing(plain), make_framing(plain)
        self._layout = Layout(description.framing)
        self._sequence: dict[str, int] = {}
        self.values: dict[str, float] = {}
        self.texts = {"model": "SCRIPTED", "revision": "5EED0001", "serial": "7"}
        self.refuse: dict[str, int] = {}
        self.received: list[tuple[str, dict[str, Value]]] = []
        self.streaming = "stream" not in description.commands
        self.time = 0.0
        self._commands = {
            self._layout.key(name, spec.key): (name, spec)
            for name, spec in description.commands.items()
        }
        self._polls = {
            self._layout.key("poll", poll.request.key): poll.answer
            for poll in description.polls
            if poll.request is not None
        }

    def feed(self, data: bytes) -> bytes:
        """What the board says to bytes from the host."""
        out = b""
        framing = self.description.framing
        for payload in self._in.feed(data).frames:
            if framing.echo:
                out += framing.prompt + self._out.encode(payload)
            out += self._answer(payload)
        return out

    def _answer(self, payload: bytes) -> bytes:
        head = self._layout.head(payload)
        if head in self._polls:
            return self.telemetry(self.time, self._polls[head])
        name, spec = self._commands.get(head, ("", None))
        if spec is None:
            self.received.append(("", {}))
            return b""
        raw = self._layout.unpack(spec, payload)
        if isinstance(raw, str):
            return b""
        arguments = {f.role or f.name: v for f, v in zip(spec.fields, raw, strict=True)}
        self.received.append((name, arguments))
        if name == "identify":
            return self.message("identity", {})
        if name == "stream" and name not in self.refuse:
            self.streaming = bool(arguments.get("rate"))
        return self._acknowledge(name, spec)

    def _acknowledge(self, name: str, spec: MessageSpec) -> bytes:
        messages = self.description.messages
        if "done" not in messages:
            return b""
        code = self.refuse.get(name, 0)
        kind = "refused" if code and "refused" in messages else "done"
        key = spec.reply if spec.reply is not None and kind == "done" else None
        return self.message(kind, {"command": spec.key, "code": float(code)}, key)

    def telemetry(self, t: float, name: str = "telemetry") -> bytes:
        """One telemetry message at board time `t`, s, with the next sequence number."""
        number = self._sequence.get(name, 0)
        self._sequence[name] = number + 1
        self.time = t
        return self.message(name, {"sequence": float(number), "board-time": t})

    def skip(self, count: int, name: str = "telemetry") -> None:
        """Leave `count` sequence numbers out, as if so many frames were lost."""
        self._sequence[name] = self._sequence.get(name, 0) + count

    def message(self, name: str, roles: dict[str, Value], key: str | int | None = None) -> bytes:
        """One whole frame; `roles` go before `values` and `texts`."""
        spec = self.description.messages[name]
        known: dict[str, Value] = {**self.texts, **self.values, **roles}
        raw = [self._raw(field, known) for field in spec.fields]
        key = spec.key if key is None else key
        head = b"" if key == "" else self._layout.key(name, key)
        payload = self._layout.pack(head, spec.fields, raw)
        return self.description.framing.prompt + self._out.encode(payload)

    def _raw(self, spec: FieldSpec, known: dict[str, Value]) -> Value:
        if spec.parts:
            whole = 0
            for part in spec.parts:
                bits = int(float(self._raw(part, known)))
                whole |= (bits & ((1 << part.width) - 1)) << part.low
            return whole
        value = known.get(spec.role or spec.channel, 0.0)
        if spec.role == "command":
            return str(value) if spec.type == "text" else int(value)
        if spec.type == "text":
            return str(value)[: spec.size or None]
        if isinstance(value, str):
            return int(value)
        return to_wire(spec, value)


def to_wire(spec: FieldSpec, value: float) -> Value:
    """Raw value of a canonical one: the way back of `hil.drivers.fields.Columns`."""
    if math.isnan(value):
        if spec.missing_text:
            return spec.missing_text
        return value if spec.missing is None else spec.missing
    if spec.values:
        return next(raw for raw, found in spec.values.items() if found == int(value))
    if spec.bits:
        return sum(1 << bit for bit, flag in spec.bits.items() if int(value) & flag)
    raw = (value - spec.offset) / spec.scale
    if spec.modulus:
        raw = math.floor(raw + 1e-6) % spec.modulus
    if spec.type in FLOATS or (spec.type not in RANGES and not spec.width):
        return raw
    return round(raw)
