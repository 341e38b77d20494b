"""A stream of good frames, noise, cuts and losses, step by step: nothing is invented, nothing lost.

Model: once a delimiter has passed, every frame that was sent whole is delivered, in order.
"""

from __future__ import annotations

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from hil.drivers.framing.make import make_framing
from hil.ports.link import FramingSpec

LONGEST = 80
#: kind -> what it needs beside the rest, and the bytes that end a frame
KINDS = {
    "lines": ({}, b"\n"),
    "cobs": ({}, b"\x00"),
    "slip": ({}, b"\xc0"),
    "delimited": ({"start": b"\x7e", "end": b"\x7e", "escape": 0x7D}, b"\x7e"),
}


class Resync(RuleBasedStateMachine):
    """Feeds a framing and keeps what it must have delivered."""

    @initialize(kind=st.sampled_from(sorted(KINDS)))
    def begin(self, kind):
        self.kind = kind
        # 32 bit: noise would pass a 16 bit checksum once in 65536 lines, which is not a fault
        more, self.delimiter = KINDS[kind]
        spec = FramingSpec(kind=kind, checksum="CRC-32/ISO-HDLC", longest=LONGEST, **more)
        self.framing, self.sender = make_framing(spec), make_framing(spec)
        self.clean = True  # whether the last byte fed was a delimiter
        self.queue = b""  # the unsent rest of a frame
        self.expected, self.delivered, self.rejected = [], [], 0
        self.number = 0

    def _feed(self, data):
        cut = self.framing.feed(data)
        self.delivered += cut.frames
        self.rejected += len(cut.rejects)
        if data:
            self.clean = data.endswith(self.delimiter)

    def _next(self):
        self.number += 1
        return b"t,%d" % self.number

    @rule()
    def whole_frame(self):
        payload = self._next()
        # the flag in front of a delimited frame ends whatever noise there was
        if self.clean or self.kind == "delimited":
            self.expected.append(payload)
        self._feed(self.sender.encode(payload))

    @precondition(lambda self: self.clean)
    @rule(cut=st.integers(1, 20))
    def frame_in_two_reads(self, cut):
        payload = self._next()
        data = self.sender.encode(payload)
        self._feed(data[:cut])
        self._feed(data[cut:])
        self.expected.append(payload)

    @precondition(lambda self: self.clean)
    @rule(missing=st.integers(1, 4))
    def frame_with_bytes_lost(self, missing):
        data = self.sender.encode(self._next())
        before = self.rejected
        self._feed(data[:3] + data[3 + missing :])
        assert self.rejected == before + 1

    @rule(noise=st.binary(min_size=1, max_size=200))
    def noise(self, noise):
        self._feed(noise)

    @rule()
    def delimiter_alone(self):
        self._feed(self.delimiter)

    @invariant()
    def nothing_invented_nothing_lost(self):
        if hasattr(self, "framing"):
            assert self.delivered == self.expected

    @invariant()
    def memory_is_bounded(self):
        if hasattr(self, "framing"):
            assert len(self.framing._splitter._rest) <= LONGEST


TestResync = Resync.TestCase
TestResync.settings = settings(deadline=None)
