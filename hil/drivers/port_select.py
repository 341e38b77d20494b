"""Which serial port the board is on: by what it is, not by the order in which it was plugged in.

url = find_port(by_id="...")                                  # a stable device path
url = find_port(usb=UsbMatch(vendor="1209", product="0001"))  # optional serial, location
url = find_port(url="socket://bench:5000")                    # handed on as it is
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hil.core.errors import LinkError

Ports = Callable[[], Iterable[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class UsbMatch:
    """A USB adapter; `vendor` and `product` are four hexadecimal digits, "" matches any."""

    vendor: str
    product: str
    serial: str = ""
    location: str = ""

    def __str__(self) -> str:
        text = f"{self.vendor}:{self.product}"
        text += f" serial {self.serial}" if self.serial else ""
        return text + (f" at {self.location}" if self.location else "")


def find_port(
    *,
    by_id: str = "",
    usb: UsbMatch | None = None,
    url: str = "",
    ports: Ports | None = None,
) -> str:
    """Device path or URL of the one port that is meant.

    Parameters
    ----------
    by_id, usb, url : exactly one of them.
    ports : lists the ports there are, `serial.tools.list_ports.comports` by default.

    Raises
    ------
    LinkError
        If none or several match; the message lists what is there.
    """
    given = [name for name, value in (("by-id", by_id), ("usb", usb), ("url", url)) if value]
    if len(given) != 1:
        raise LinkError(f"board port: expected one of by-id, usb, url, found {given or 'none'}")
    if url:
        return url
    if by_id:
        refuse_unless_there(by_id, ports)
        return by_id
    found = _listed(ports)
    assert usb is not None
    matching = [port for port in found if _matches(port, usb)]
    if len(matching) == 1:
        return str(matching[0].device)
    count = "no port" if not matching else f"{len(matching)} ports"
    hint = "; add its serial number or location" if matching else ""
    raise LinkError(f"board port usb {usb}: {count} match{hint}; {_there(found)}")


def refuse_unless_there(path: str, ports: Ports | None = None) -> None:
    """Raise `LinkError` with the ports that are there if there is none at this path."""
    if not Path(path).exists():
        raise LinkError(f"board port {path}: not there; {_there(_listed(ports))}")


def _listed(ports: Ports | None) -> list[Any]:
    if ports is None:
        from serial.tools.list_ports import comports

        ports = comports
    return sorted(ports(), key=lambda port: str(port.device))


def _matches(port: Any, usb: UsbMatch) -> bool:
    try:
        vendor, product = int(usb.vendor, 16), int(usb.product, 16)
    except ValueError as error:
        raise LinkError(
            f"board port usb {usb}: vendor and product must be hexadecimal digits"
        ) from error
    if (port.vid, port.pid) != (vendor, product):
        return False
    if usb.serial and port.serial_number != usb.serial:
        return False
    return not usb.location or port.location == usb.location


def _there(ports: list[Any]) -> str:
    if not ports:
        return "no serial port is there"
    return "there are " + ", ".join(_describe(port) for port in ports)


def _describe(port: Any) -> str:
    if port.vid is None:
        return str(port.device)
    text = f"{port.device} ({port.vid:04x}:{port.pid:04x}"
    text += f" serial {port.serial_number}" if port.serial_number else ""
    return text + (f" at {port.location})" if port.location else ")")
