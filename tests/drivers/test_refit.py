"""A checksum, an order or a length that a profile has wrong is found from the bytes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.framing.checksum import PLAIN, find_checksum, of_catalogue
from hil.drivers.framing.make import make_framing
from hil.drivers.refit import CHECKED, ENOUGH, absent_start, refitted
from hil.plan.load import load_profile
from hil.ports.link import FramingSpec

PROFILES = Path(__file__).parents[2] / "testplans" / "profiles"
LENGTH = FramingSpec(
    kind="length", sync=b"\xd5", length_at=1, length_counts="rest", checksum="CRC-16/IBM-3740",
    byte_order="big",
)  # fmt: skip
NAMES = [*PLAIN, *of_catalogue()]


def stream(spec: FramingSpec, seed: int = 1, frames: int = 40) -> bytes:
    """Messages of several lengths, after the second half of one."""
    draw = np.random.default_rng(seed)
    framing = make_framing(spec)
    every = [framing.encode(draw.bytes(int(draw.integers(4, 20)))) for _ in range(frames)]
    return every[0][len(every[0]) // 2 :] + b"".join(every)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"byte_order": "little"}, "byte-order: big"),
        ({"checksum_order": "little"}, "checksum-order: big"),
        ({"checksum": "CRC-16/KERMIT"}, "checksum: CRC-16/IBM-3740"),
        ({"checksum": "CRC-32/ISO-HDLC"}, "checksum: CRC-16/IBM-3740"),
        ({"checksum": ""}, "checksum: CRC-16/IBM-3740"),
        (
            {"checksum": "XOR-8", "byte_order": "little"},
            "checksum: CRC-16/IBM-3740, byte-order: big",
        ),
        ({"covers": "message"}, "covers: after-sync"),
        ({"length_counts": "frame"}, "length: counts: rest"),
        ({"length_at": 0}, "length: at: 1"),
        ({"length_size": 2}, "length: size: 1"),
        ({"sync": b"\x5d"}, "sync: [0xD5]"),
    ],
)
def test_what_is_wrong_is_named(wrong, words) -> None:
    assert refitted(replace(LENGTH, **wrong), stream(LENGTH)) == words


def test_sync_bytes_of_another_are_found_by_the_checksum() -> None:
    right = replace(LENGTH, sync=b"\xaa\x55")
    assert refitted(replace(right, sync=b"\x55\xaa"), stream(right)) == "sync: [0xAA, 0x55]"
    assert refitted(replace(right, sync=b"\x55\xaa", checksum=""), stream(right)) == ""


def test_what_fits_needs_no_other_word_and_noise_has_none() -> None:
    data = stream(LENGTH)
    assert refitted(LENGTH, data) == ""
    assert refitted(LENGTH, np.random.default_rng(2).bytes(ENOUGH)) == ""
    assert refitted(LENGTH, b"") == ""
    two = replace(LENGTH, checksum="SUM-8", length_counts="frame")
    assert refitted(two, data) == ""  # the one hides the other
    few = make_framing(LENGTH).encode(b"\x81abc") * 2
    assert refitted(replace(LENGTH, checksum="XOR-8"), few) == ""


@pytest.mark.parametrize("name", ["delimited", "length", "slip"])
def test_examples_with_the_checksum_of_another(name: str) -> None:
    spec = load_profile(PROFILES / "examples" / f"{name}.profile.yaml").framing
    found = refitted(replace(spec, checksum="CRC-16/USB"), stream(spec))
    assert found == f"checksum: {spec.checksum}"


def test_lines_with_the_checksum_of_another() -> None:
    spec = load_profile(PROFILES / "examples" / "nmea.profile.yaml").framing
    framing = make_framing(spec)
    data = b"".join(framing.encode(f"PDRVT,{n},0,{n * n},24.0".encode()) for n in range(20))
    assert refitted(spec, data) == ""
    assert refitted(replace(spec, checksum="SUM-8"), data) == "checksum: XOR-8"


@settings(deadline=None, max_examples=15)
@given(st.sampled_from(NAMES), st.sampled_from(NAMES), st.integers(0, 2**32 - 1))
def test_each_checksum_is_told_from_each_other(true: str, told: str, seed: int) -> None:
    data = stream(replace(LENGTH, checksum=true), seed)
    same = find_checksum(true).compute(CHECKED) == find_checksum(told).compute(CHECKED)
    assert refitted(replace(LENGTH, checksum=told), data) == ("" if same else f"checksum: {true}")


def test_sync_bytes_that_never_come() -> None:
    data = stream(LENGTH)
    assert absent_start(LENGTH, data) == ""
    assert absent_start(replace(LENGTH, sync=b"\xaa\x55\xaa"), data) == "aa 55 aa"
    assert absent_start(FramingSpec(kind="cobs"), data) == ""


def test_every_name_of_the_catalogue_is_one_that_profiles_may_use() -> None:
    assert {"CRC-16/IBM-3740", "CRC-32/ISO-HDLC", "CRC-8/SMBUS"} <= set(NAMES)
    assert all(find_checksum(name).name == name for name in NAMES)
    assert not any("CRC-15" in name for name in NAMES)
