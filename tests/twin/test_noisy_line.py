"""The line that does harm: nothing lost or reordered unless asked, frames edited validly."""

from __future__ import annotations

import binascii
import math

import numpy as np
import pytest
from cobs import cobs

from hil.twin.noisy_line import PROTOCOLS, NoisyLine

DATA = bytes(range(256)) * 40


def framed(text: str) -> bytes:
    body = text.encode()
    return b"%s*%04X\n" % (body, binascii.crc_hqx(body, 0xFFFF))


def packed(body: bytes) -> bytes:
    return cobs.encode(body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "little")) + b"\0"


def telemetry(protocol: str, sequence: int, us: int) -> bytes:
    if protocol == "lines":
        return framed(f"t,{sequence},{us},3,0,1000,1000,100,120,24000,251")
    return packed(bytes([0x90, sequence]) + us.to_bytes(4, "little") + bytes(13))


def other(protocol: str) -> bytes:
    return framed("done,start") if protocol == "lines" else packed(b"\x82\x02")


def test_without_trouble_everything_passes_at_once() -> None:
    line = NoisyLine(None, 0)
    assert b"".join(line.pass_on(DATA[n : n + 7], n * 1e-3) for n in range(0, 700, 7)) == DATA[:700]
    assert line.due() == math.inf


def test_latency_delays_and_says_until_when() -> None:
    line = NoisyLine(None, 0)
    line.latency = 0.5
    assert line.pass_on(b"one", 1.0) == b""
    assert line.due() == 1.5
    assert line.pass_on(b"two", 1.2) == b""
    assert line.pass_on(b"", 1.499) == b""
    assert line.pass_on(b"", 1.5) == b"one"
    line.latency = 0.0  # what comes now must not overtake
    assert line.pass_on(b"three", 1.6) == b""
    assert line.pass_on(b"", 1.7) == b"twothree"


def test_jitter_keeps_the_order() -> None:
    line = NoisyLine(None, 3)
    line.jitter = 0.05
    out, sizes = b"", []
    for n in range(400):
        came = line.pass_on(DATA[n : n + 1], n * 1e-3)
        sizes.append(len(came))
        out += came
    assert out + line.pass_on(b"", 9.0) == DATA[:400]
    assert max(sizes) > 1, "nothing was late"


def test_held_bytes_come_in_one_piece() -> None:
    line = NoisyLine(None, 0)
    line.held = True
    assert line.pass_on(b"a", 0.0) + line.pass_on(b"b", 1.0) == b""
    assert line.due() == math.inf
    line.held = False
    assert line.pass_on(b"", 1.1) == b"ab"


def test_shares_of_bytes_are_as_asked() -> None:
    # 3 sigma of a binomial share of 20 % among 10240 bytes: 1.2 %
    for attribute in ("dropped", "duplicated"):
        line = NoisyLine(None, 1)
        setattr(line, attribute, 0.2)
        change = len(line.pass_on(DATA, 0.0)) / len(DATA) - 1.0
        assert change == pytest.approx(0.2 if attribute == "duplicated" else -0.2, abs=0.012)
    line = NoisyLine(None, 1)
    line.corrupted = 0.2
    out = np.frombuffer(line.pass_on(DATA, 0.0), np.uint8)
    wrong = out ^ np.frombuffer(DATA, np.uint8)
    assert np.count_nonzero(wrong) / len(DATA) == pytest.approx(0.2, abs=0.012)
    assert set(np.bitwise_count(wrong) if hasattr(np, "bitwise_count") else
               [bin(v).count("1") for v in wrong]) == {0, 1}  # fmt: skip


def test_the_same_seed_does_the_same_harm() -> None:
    def harmed(seed: int) -> bytes:
        line = NoisyLine(None, seed)
        line.dropped = line.corrupted = line.duplicated = 0.1
        return line.pass_on(DATA, 0.0)

    assert harmed(4) == harmed(4) != harmed(5)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_frozen_telemetry_repeats_the_last_frame_and_lets_the_rest_pass(protocol: str) -> None:
    line = NoisyLine(PROTOCOLS[protocol], 0)
    frames = [telemetry(protocol, n, 5000 * n) for n in range(4)]
    assert line.pass_on(frames[0] + frames[1][:5], 0.0) == frames[0]
    assert line.pass_on(frames[1][5:], 0.1) == frames[1]
    line.frozen = True
    assert line.pass_on(frames[2] + other(protocol), 0.2) == frames[1] + other(protocol)
    line.frozen = False
    assert line.pass_on(frames[3], 0.3) == frames[3]


def time_of(protocol: str, frame: bytes) -> int:
    if protocol == "lines":
        text, _, check = frame[:-1].rpartition(b"*")
        assert int(check, 16) == binascii.crc_hqx(text, 0xFFFF)
        return int(text.split(b",")[2])
    whole = cobs.decode(frame[:-1])
    assert int.from_bytes(whole[-2:], "little") == binascii.crc_hqx(whole[:-2], 0xFFFF)
    return int.from_bytes(whole[2:6], "little")


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_clock_that_drifts_runs_on_from_where_it_was_and_wraps(protocol: str) -> None:
    line = NoisyLine(PROTOCOLS[protocol], 0)
    line.drift = 0.01
    begin = 2**32 - 500_000
    times = []
    for n in range(201):
        frame = telemetry(protocol, n % 256, (begin + 5000 * n) % 2**32)
        times.append(time_of(protocol, line.pass_on(frame, n * 5e-3)))
    steps = np.diff(np.array(times, dtype=np.int64)) % 2**32
    assert times[0] == begin
    assert steps.min() == steps.max() == 5050
    line.drift = 0.0  # it stays ahead, and does not jump back
    last = (begin + 5000 * 201) % 2**32
    after = time_of(protocol, line.pass_on(telemetry(protocol, 7, last), 2.0))
    assert (after - times[-1]) % 2**32 == 5000
