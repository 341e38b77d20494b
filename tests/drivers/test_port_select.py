"""Choosing a serial port by what it is."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from hil.core.errors import LinkError
from hil.drivers.port_select import UsbMatch, find_port


def port(device, vid=None, pid=None, serial=None, location=None):
    return SimpleNamespace(device=device, vid=vid, pid=pid, serial_number=serial, location=location)


PORTS = [
    port("/dev/ttyUSB1", 0x1209, 0x0001, "B2", "1-1.2"),
    port("/dev/ttyUSB0", 0x1209, 0x0001, "A1", "1-1.1"),
    port("/dev/ttyUSB2", 0x1209, 0x0002, None, "1-1.3"),
    port("/dev/ttyS0"),
]


def find(**more):
    return find_port(ports=lambda: PORTS, **more)


def test_a_url_is_handed_on():
    assert find(url="socket://bench:5000") == "socket://bench:5000"


def test_one_match_by_vendor_and_product():
    assert find(usb=UsbMatch(vendor="1209", product="0002")) == "/dev/ttyUSB2"
    assert find(usb=UsbMatch(vendor="1209", product="2")) == "/dev/ttyUSB2"


def test_identical_adapters_need_serial_number_or_location():
    both = {"vendor": "1209", "product": "0001"}
    assert find(usb=UsbMatch(**both, serial="A1")) == "/dev/ttyUSB0"
    assert find(usb=UsbMatch(**both, location="1-1.2")) == "/dev/ttyUSB1"
    with pytest.raises(LinkError) as caught:
        find(usb=UsbMatch(**both))
    assert str(caught.value) == (
        "board port usb 1209:0001: 2 ports match; add its serial number or location; there are "
        "/dev/ttyS0, /dev/ttyUSB0 (1209:0001 serial A1 at 1-1.1), "
        "/dev/ttyUSB1 (1209:0001 serial B2 at 1-1.2), /dev/ttyUSB2 (1209:0002 at 1-1.3)"
    )


@pytest.mark.parametrize(
    "usb",
    [
        UsbMatch(vendor="1209", product="0009"),
        UsbMatch(vendor="1209", product="0001", serial="C3"),
        UsbMatch(vendor="1209", product="0001", serial="A1", location="1-1.2"),
    ],
    ids=str,
)
def test_no_match_lists_what_is_there(usb):
    with pytest.raises(LinkError, match=r"no port match; there are /dev/ttyS0, /dev/ttyUSB0"):
        find(usb=usb)


def test_nothing_is_there_at_all():
    with pytest.raises(LinkError, match="no serial port is there"):
        find_port(usb=UsbMatch(vendor="1209", product="0001"), ports=list)


def test_digits_must_be_hexadecimal():
    with pytest.raises(LinkError, match="must be hexadecimal digits"):
        find(usb=UsbMatch(vendor="wxyz", product="0001"))


def test_by_id_is_a_path_that_must_exist(tmp_path):
    link = tmp_path / "usb-adapter-port0"
    with pytest.raises(LinkError, match="usb-adapter-port0: not there; there are /dev/ttyS0"):
        find(by_id=str(link))
    link.touch()
    assert find(by_id=str(link)) == str(link)


def test_a_broken_link_is_not_there(tmp_path):
    link = tmp_path / "usb-adapter-port0"
    link.symlink_to(tmp_path / "gone")
    with pytest.raises(LinkError, match="not there"):
        find(by_id=str(link))


def test_exactly_one_way_of_choosing():
    with pytest.raises(LinkError, match="expected one of by-id, usb, url, found none"):
        find()
    with pytest.raises(LinkError, match=r"found \['by-id', 'url'\]"):
        find(by_id="/dev/x", url="loop://")


def test_the_ports_of_this_computer_are_listed_by_default():
    with pytest.raises(LinkError, match=r"no serial port is there|there are /"):
        find_port(usb=UsbMatch(vendor="ffff", product="ffff"))
