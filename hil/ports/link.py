"""A firmware's serial protocol as data: what a link profile says, and what a link driver needs.

`hil.plan.profile` reads it from a file; `hil.drivers` encodes and decodes by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

#: Bits on the line for a byte: start, eight data, stop.
BITS = 10
#: Commands a profile can describe; `OPTIONAL_COMMANDS` may be absent.
COMMANDS = ("identify", "start", "set-speed", "stop", "clear", "select-sensing", "stream")
OPTIONAL_COMMANDS = ("select-sensing", "stream")
#: Messages from the board a profile can describe; `OPTIONAL_MESSAGES` may be absent. Further
#: telemetry messages are called ``telemetry-`` and a word.
MESSAGES = ("identity", "done", "refused", "telemetry")
OPTIONAL_MESSAGES = ("done", "refused")

FieldType = Literal[
    "u8", "i8", "u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bit",
    "number", "hex", "text",
]  # fmt: skip
#: Bytes of the binary types; a text has its own size.
SIZES: Mapping[str, int] = {
    "u8": 1, "i8": 1, "u16": 2, "i16": 2, "u32": 4, "i32": 4, "u64": 8, "i64": 8,
    "f32": 4, "f64": 8,
}  # fmt: skip

#: Checksums that are no CRC; the others go by their names in the CRC catalogue.
PLAIN_CHECKSUMS = ("XOR-8", "SUM-8", "SUM-8/NEGATED", "SUM-16", "SUM-16/NEGATED")

FramingKind = Literal["lines", "cobs", "slip", "delimited", "length", "modbus"]
Table = Literal["", "coil", "discrete", "input", "holding"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldSpec:
    """One field of a message. Canonical value = raw * scale + offset.

    Parameters
    ----------
    type : binary type; ``number``, ``hex`` or ``text`` on a line protocol (``text`` has `size`
        bytes in a binary one, padded with NUL); ``bit`` in coils and discrete inputs only.
    channel : trace channel the field feeds, ``reported.*``.
    role : what else the field means: ``board-time`` (s after scaling), ``sequence``, ``model``,
        ``revision``, ``serial``, ``command`` (key of the command answered), ``code`` (reason of a
        refusal; 0 in ``done`` means none), or an argument of a command: ``speed``, its
        ``magnitude`` and ``direction``, ``sensing``, ``rate``.
    modulus : raw value at which a sequence counter or the board time wraps; 0 = never.
    values : raw number -> canonical number (states, fault codes).
    bits : bit number -> canonical flag (faults).
    choices : word -> raw number (arguments such as the sensing method).
    words : raw number -> text for people.
    missing : raw value that means 'no value'; missing_text : the same as text on a line.
    constant : raw value a command always sends here.
    parts : fields inside this one, each `width` bits from bit `low` on, `signed` or not.
    """

    name: str
    type: FieldType
    channel: str = ""
    role: str = ""
    scale: float = 1.0
    offset: float = 0.0
    size: int = 0
    modulus: int = 0
    values: Mapping[int, int] = field(default_factory=dict)
    bits: Mapping[int, int] = field(default_factory=dict)
    choices: Mapping[str, int] = field(default_factory=dict)
    words: Mapping[int, str] = field(default_factory=dict)
    missing: float | None = None
    missing_text: str = ""
    constant: float | None = None
    parts: tuple[FieldSpec, ...] = ()
    low: int = 0
    width: int = 0
    signed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageSpec:
    """A message: its key (first word of a line, or first bytes of a frame) and its fields.

    Parameters
    ----------
    key : ``""`` for telemetry lines without a first word, and in Modbus messages.
    reply : of a command: key of the acknowledgement, when each command has one of its own.
    timeout : of a command: s to wait for the answer, 0 = that of the link.
    retries : of a command: further attempts after a time-out. A repeated command must do no harm.
    table, address : of a Modbus message: where its fields stand, `address` counts from 0.
    then : of a Modbus command: further writes, in this order.
    """

    name: str
    key: str | int
    fields: tuple[FieldSpec, ...] = ()
    reply: str | int | None = None
    timeout: float = 0.0
    retries: int = 0
    table: Table = ""
    address: int = 0
    then: tuple[MessageSpec, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PollSpec:
    """Telemetry that comes only when asked for: `request` every `period` s brings `answer`.

    `request` is None on Modbus, where the answer's own table and address are read.
    """

    answer: str
    period: float
    request: MessageSpec | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FramingSpec:
    """How messages are cut from the byte stream.

    Parameters
    ----------
    kind : ``lines`` (text ended by `terminator`, fields split at `separator`); ``cobs`` (COBS
        blocks ended by a zero byte); ``slip`` (RFC 1055); ``delimited`` (from `start` to `end`,
        with `escape` or without); ``length`` (`sync`, a length field, as much as it says);
        ``modbus`` (Modbus RTU, big endian registers).
    checksum : CRC by catalogue name (``CRC-16/IBM-3740``), ``XOR-8``, ``SUM-8``, ``SUM-16``, the
        sums also with ``/NEGATED`` (two's complement), or ``""``. On lines it is appended as `mark`
        and hexadecimal `digits`, else as bytes in `checksum_order`.
    covers : what the checksum covers besides the message: ``message`` nothing; ``after-sync`` the
        length field too; ``frame`` sync or start bytes too.
    begin : text a line starts with, outside its checksum.
    prompt : text the board puts in front of lines.
    echo : whether the board repeats every line that is sent to it.
    escape, escape_xor : the byte before an escaped one, and what that one is xored with.
    length_at, length_size : position of the length field after the sync bytes, and its bytes.
    length_counts : ``message`` (all but sync, length and checksum), ``rest`` (message bytes after
        the length field), ``rest-and-checksum``, ``frame`` (everything).
    key_size : bytes of a message's key in binary framings.
    device : Modbus device address. word_order : which 16 bit word of a long value comes first.
    """

    kind: FramingKind
    terminator: bytes = b"\n"
    separator: str = ","
    checksum: str = ""
    byte_order: Literal["little", "big"] = "little"
    longest: int = 512  # bytes of one frame; anything longer is noise and is dropped
    checksum_order: Literal["little", "big", ""] = ""  # "" = byte_order
    covers: Literal["message", "after-sync", "frame"] = "after-sync"
    mark: bytes = b"*"
    digits: Literal["upper", "lower", "any"] = "upper"
    begin: bytes = b""
    prompt: bytes = b""
    echo: bool = False
    start: bytes = b""
    end: bytes = b""
    escape: int | None = None
    escape_xor: int = 0x20
    sync: bytes = b""
    length_at: int = 0
    length_size: int = 1
    length_counts: Literal["message", "rest", "rest-and-checksum", "frame"] = "message"
    key_size: int = 1
    device: int = 1
    word_order: Literal["high-first", "low-first"] = "high-first"

    @property
    def binary(self) -> bool:
        """Whether messages are packed bytes with a number as key."""
        return self.kind not in ("lines", "modbus")

    @property
    def order_of_checksum(self) -> Literal["little", "big"]:
        """Byte order of the checksum."""
        return self.checksum_order or self.byte_order


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkDescription:
    """A whole serial protocol.

    Parameters
    ----------
    messages, commands : by name, see `MESSAGES` and `COMMANDS`.
    refusals : code -> text for people.
    reply_timeout : s to wait for an answer; retries : further attempts for identify.
    telemetry_rate : frames per second to ask for with ``stream``, or to be expected.
    polls : requests that bring telemetry; empty when the board streams by itself.
    sensing : the only sensing method of a drive without ``select-sensing``, "" if it has it.
    hold : s for which values of a ``telemetry-...`` message go on counting.
    """

    name: str
    baud: int
    framing: FramingSpec
    messages: Mapping[str, MessageSpec]
    commands: Mapping[str, MessageSpec]
    refusals: Mapping[int, str] = field(default_factory=dict)
    reply_timeout: float = 0.5
    retries: int = 2
    telemetry_rate: float = 200.0
    polls: tuple[PollSpec, ...] = ()
    sensing: str = ""
    hold: float = 1.0

    def on_line(self, size: int) -> float:
        """Seconds that so many bytes are on the line."""
        return size * BITS / self.baud
