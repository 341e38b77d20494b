"""What a board that streams and does not answer tells of its profile."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from hil.core.errors import LinkTimeout, ProfileMisfit
from hil.drivers.scripted import ScriptedBoard
from hil.drivers.serial_board import SerialBoard, SerialBoardConfig
from hil.plan.load import load_profile

PROFILES = Path(__file__).parents[2] / "testplans" / "profiles"
COBS = PROFILES / "dosing-cobs.profile.yaml"


class Babbler:
    """A port, and the clock with it, of a board that streams and answers nothing."""

    def __init__(self, description, rate: float) -> None:
        self.board, self.rate = ScriptedBoard(description), rate
        self.time, self.told, self.data = 0.0, 0, b""

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds

    def write(self, data: bytes) -> int:
        return len(data)

    @property
    def in_waiting(self) -> int:
        due = int(self.time * self.rate)
        self.data += b"".join(self.board.telemetry(n / self.rate) for n in range(self.told, due))
        self.told = due
        return len(self.data)

    def read(self, size: int) -> bytes:
        data, self.data = self.data[:size], self.data[size:]
        return data

    def identify(self, description, **more) -> str:
        config = SerialBoardConfig(url="babbler", description=description, **more)
        with pytest.raises((LinkTimeout, ProfileMisfit)) as caught:
            SerialBoard(self, config, self).identify()
        return str(caught.value)


@pytest.mark.parametrize("firmware", ["", "tiny"])
def test_what_does_not_decode_is_shown_with_the_words_that_would_fit(firmware):
    right = load_profile(COBS)
    babbler = Babbler(right, 100.0)
    wrong = replace(right, framing=replace(right.framing, checksum="CRC-16/KERMIT"))
    text = babbler.identify(wrong, firmware=firmware)
    last = r", the last of it: checksum [0-9A-F]{4}, expected [0-9A-F]{4}: [0-9a-f]{2} "
    assert re.search(last, text)
    assert "; with 'checksum: CRC-16/IBM-3740' in the profile nearly all of it would dec" in text
    assert "the line" not in text


def test_a_piece_that_fits_by_chance_is_not_taken_for_the_protocol():
    # all zeros have the checksum 0 by some CRCs: a frame of nothing with the key 0
    right = load_profile(PROFILES / "examples" / "length.profile.yaml")
    framing = replace(
        right.framing, sync=b"\xaa", key_size=1, length_at=1, checksum="CRC-16/IBM-3740"
    )
    keys = {name: replace(one, key=n) for n, (name, one) in enumerate(right.messages.items(), 1)}
    commands = {name: replace(one, key=one.key & 0xFF) for name, one in right.commands.items()}
    right = replace(right, framing=framing, messages=keys, commands=commands)
    babbler = Babbler(right, 100.0)
    babbler.board.telemetry = lambda t, inner=babbler.board.telemetry: (
        inner(t) + (b"\xaa" + bytes(8) if 0.2 < t < 0.22 else b"")
    )
    wrong = replace(right, framing=replace(framing, checksum="CRC-16/XMODEM"))
    text = babbler.identify(wrong)
    assert "bytes arrived but no frame decodes" in text
    assert "with 'checksum: CRC-16/IBM-3740'" in text


def test_a_line_that_is_full_is_told():
    description = load_profile(COBS)
    size = len(ScriptedBoard(description).telemetry(0.0))
    text = Babbler(description, description.baud / 10 / size).identify(description)
    assert "; 230400 baud carry no more than arrived: telemetry leaves no room for an ans" in text
    assert "would decode" not in text
    assert "the last of it" not in text


def test_sync_bytes_that_never_come_are_told():
    right = load_profile(PROFILES / "examples" / "length.profile.yaml")
    wrong = replace(right, framing=replace(right.framing, sync=b"\x5d\x00\x5d"))
    text = Babbler(right, 100.0).identify(wrong)
    assert "; 5d 00 5d, with which the profile has every frame begin, is nowhere in it" in text
