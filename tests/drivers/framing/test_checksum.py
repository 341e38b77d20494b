"""Catalogue CRCs against the published check values: the CRC of the nine digits ``123456789``."""

from __future__ import annotations

import binascii
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.framing.checksum import find_checksum

DIGITS = b"123456789"

# Source: CRC catalogue (reveng), reference checks P1 to P7; trust V-C (reproduced by computation
# with crccheck, crcmod and binascii).
CHECKS = {
    "CRC-16/IBM-3740": 0x29B1,  # P1
    "CRC-16/XMODEM": 0x31C3,  # P2
    "CRC-16/MODBUS": 0x4B37,  # P3
    "CRC-16/ARC": 0xBB3D,  # P4
    "CRC-16/KERMIT": 0x2189,  # P5
    "CRC-16/IBM-SDLC": 0x906E,  # P5, there by its older name X-25
    "CRC-8/SMBUS": 0xF4,  # P6
    "CRC-8/MAXIM-DOW": 0xA1,  # P6
    "CRC-8/SAE-J1850": 0x4B,  # P6
    "CRC-8/AUTOSAR": 0xDF,  # P6
    "CRC-32/ISO-HDLC": 0xCBF43926,  # P7
    "CRC-32/ISCSI": 0xE3069283,  # P7, there by its older name CRC-32C
    "CRC-32/MPEG-2": 0x0376E6E7,  # P7
}


@pytest.mark.parametrize(("name", "value"), CHECKS.items())
def test_check_values_of_the_catalogue(name, value):
    assert find_checksum(name).compute(DIGITS) == value


@pytest.mark.parametrize(
    ("name", "value"),
    [("CRC-16/X-25", 0x906E), ("CRC-8/MAXIM", 0xA1), ("crc-16/ibm-3740", 0x29B1)],
)
def test_older_names_and_lower_case_are_understood(name, value):
    assert find_checksum(name).compute(DIGITS) == value


def test_the_variant_it_is_confused_with_differs():
    # P8 (crcmod, V-C): start value 1D0F gives E5CC, which is not the 29B1 of IBM-3740.
    assert find_checksum("CRC-16/SPI-FUJITSU").compute(DIGITS) == 0xE5CC
    assert find_checksum("CRC-16/IBM-3740").compute(DIGITS) != 0xE5CC


@settings(deadline=None)
@given(st.binary(max_size=64))
def test_agrees_with_the_standard_library(data):
    assert find_checksum("CRC-16/IBM-3740").compute(data) == binascii.crc_hqx(data, 0xFFFF)
    assert find_checksum("CRC-32/ISO-HDLC").compute(data) == zlib.crc32(data)


@settings(deadline=None)
@given(st.binary(max_size=64))
def test_residue_of_a_frame_with_its_checksum(data):
    # P13 (property, V-C): a reflected CRC over data and its own bytes, low first, gives 0000.
    check = find_checksum("CRC-16/MODBUS")
    assert check.compute(data + check.pack(data, "little")) == 0
    # the same for one that is not reflected, high byte first
    check = find_checksum("CRC-16/IBM-3740")
    assert check.compute(data + check.pack(data, "big")) == 0


def test_byte_order():
    check = find_checksum("CRC-16/IBM-3740")
    assert check.pack(DIGITS, "little") == b"\xb1\x29"
    assert check.pack(DIGITS, "big") == b"\x29\xb1"
    assert check.size == 2
    assert find_checksum("CRC-32/MPEG-2").size == 4


def test_unknown_name_lists_the_nearest():
    with pytest.raises(ValueError, match=r"'CRC-16/IBM-3741' is not .* nearest: CRC16-IBM-3740"):
        find_checksum("CRC-16/IBM-3741")
    with pytest.raises(ValueError, match="catalogue"):
        find_checksum("sum")


def test_bits_that_do_not_fill_bytes_are_refused():
    with pytest.raises(ValueError, match="7 bits, expected whole bytes"):
        find_checksum("CRC-7/MMC")


@pytest.mark.parametrize(
    ("sentence", "value"),
    [
        # P25, P26 (widely printed sentences, V-C): XOR of the characters between $ and *
        ("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", 0x47),
        ("GPGLL,5057.970,N,00146.110,E,142451,A", 0x27),
        ("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", 0x6A),
    ],
)
def test_xor_of_printed_sentences(sentence, value):
    assert find_checksum("XOR-8").compute(sentence.encode()) == value


def test_the_modbus_example():
    # P9 (MODBUS over Serial Line V1.02, C/M): 02 07 gives 1241h, sent 41 12
    check = find_checksum("CRC-16/MODBUS")
    assert check.compute(b"\x02\x07") == 0x1241
    assert check.pack(b"\x02\x07", "little") == b"\x41\x12"


@settings(deadline=None)
@given(st.binary(max_size=600))
def test_sums(data):
    assert find_checksum("SUM-8").compute(data) == sum(data) % 256
    assert find_checksum("SUM-16").compute(data) == sum(data) % 65536
    # a negated sum makes data and checksum add up to zero
    for name, size in (("SUM-8/NEGATED", 1), ("SUM-16/NEGATED", 2)):
        check = find_checksum(name)
        assert check.size == size
        assert (sum(data) + check.compute(data)) % (1 << 8 * size) == 0
    xor = 0
    for byte in data:
        xor ^= byte
    assert find_checksum("xor-8").compute(data) == xor
