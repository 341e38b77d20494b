"""A firmware's serial protocol as data: what a link profile says, and what a link driver needs.

`hil.plan.profile` reads it from a file; `hil.drivers` encodes and decodes by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

#: Commands a profile must describe.
COMMANDS = ("identify", "start", "set-speed", "stop", "clear", "select-sensing", "stream")
#: Messages from the board a profile must describe.
MESSAGES = ("identity", "done", "refused", "telemetry")

FieldType = Literal["u8", "i8", "u16", "i16", "u32", "i32", "f32", "number", "text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldSpec:
    """One field of a message. Canonical value = raw * scale + offset.

    Parameters
    ----------
    type : binary type, or ``number``/``text`` on a line protocol (``text`` has `size` bytes in a
        binary one, padded with NUL).
    channel : trace channel the field feeds, ``reported.*``.
    role : what else the field means: ``board-time`` (s after scaling), ``sequence``, ``model``,
        ``revision``, ``serial``, ``command`` (key of the command answered), ``code`` (reason of a
        refusal), or an argument of a command: ``speed``, ``sensing``, ``rate``.
    modulus : raw value at which a sequence counter or the board time wraps; 0 = never.
    values : raw number -> canonical number (states).
    bits : bit number -> canonical flag (faults).
    choices : word -> raw number (arguments such as the sensing method).
    missing : raw value that means 'no value'.
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
    missing: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageSpec:
    """A message: its key (first word of a line, or first byte of a frame) and its fields."""

    name: str
    key: str | int
    fields: tuple[FieldSpec, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FramingSpec:
    """How messages are cut from the byte stream.

    Parameters
    ----------
    kind : ``lines`` (text ended by `terminator`, fields split at `separator`) or ``cobs``
        (COBS blocks ended by a zero byte).
    checksum : CRC by catalogue name (``CRC-16/IBM-3740``) or ``""``; on lines it is appended as
        ``*`` and hexadecimal digits, in COBS blocks as bytes in `byte_order`.
    """

    kind: Literal["lines", "cobs"]
    terminator: bytes = b"\n"
    separator: str = ","
    checksum: str = ""
    byte_order: Literal["little", "big"] = "little"
    longest: int = 512  # bytes of one frame; anything longer is noise and is dropped


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkDescription:
    """A whole serial protocol.

    Parameters
    ----------
    messages, commands : by the names in `MESSAGES` and `COMMANDS`.
    refusals : code -> text for people.
    reply_timeout : s to wait for an answer; retries : further attempts for identify only.
    telemetry_rate : frames per second to ask for with ``stream``.
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
