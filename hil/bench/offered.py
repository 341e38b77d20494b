"""What this computer offers to a bench: drivers, and the transports over which VISA can speak."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from importlib import import_module
from typing import Any

from hil.bench.findings import Finding, Grade
from hil.core.alike import nearest
from hil.core.roles import ROLES
from hil.plan.rig import Rig
from hil.ports.registry import Listing, Registry


def driver_findings(rig: Rig, registry: Registry) -> Iterator[Finding]:
    """Every driver that can be used, then each that cannot with the reason.

    One that cannot be used is a failure only for a rig that asks for it.
    """
    lines = registry.listing()
    usable = ", ".join(_named(line) for line in lines if not line.reason)
    yield Finding("drivers", Grade.OK, usable or "none")
    wanted = {f"{role}.{part.driver}" for role in ROLES if (part := getattr(rig, role)) is not None}
    known = {f"{line.port}.{line.name}" for line in lines}
    for name in sorted(wanted - known):
        role, _, driver = name.partition(".")
        offered = [line.name for line in lines if line.port == role]
        yield Finding(
            f"driver {name}",
            Grade.FAILED,
            f"{role}.driver: there is no driver {driver!r}{nearest(driver, offered)}",
        )
    for line in lines:
        if line.reason:
            name = f"{line.port}.{line.name}"
            needed = name in wanted
            use = "this rig asks for it" if needed else "this rig does not need it"
            yield Finding(
                f"driver {name}",
                Grade.FAILED if needed else Grade.WARNING,
                f"unavailable: {line.reason} (from {line.source}); {use}",
            )


def _named(line: Listing) -> str:
    can = f" ({', '.join(sorted(line.capabilities))})" if line.capabilities else ""
    source = "" if line.source == "this project" else f" from {line.source}"
    return f"{line.port}.{line.name}{can}{source}"


def transport_findings(resources: Iterable[str]) -> Iterator[Finding]:
    """Transports as PyVISA-py offers them here; a warning where `resources` need another."""
    try:
        library: Any = import_module("pyvisa_py.highlevel").PyVisaLibrary
        told: Mapping[str, Any] = library.get_debug_info()
    except Exception as error:  # a library that cannot be loaded raises anything
        yield Finding("VISA transports", Grade.FAILED, f"{type(error).__name__}: {error}")
        return
    found = dict(transports(told))
    usable = ", ".join(name for name, reason in found.items() if not reason)
    # the first sentence says what is missing; all of it is told where the rig needs one
    missing = "; ".join(
        f"{name}: {why.split('. ')[0].rstrip('.')}" for name, why in found.items() if why
    )
    yield Finding(
        "VISA transports",
        Grade.OK,
        f"{usable or 'none'}" + (f". Unavailable: {missing}" if missing else ""),
    )
    for resource in resources:
        kind = kind_of(resource)
        if reason := found.get(kind, ""):
            yield Finding(
                "VISA transports", Grade.WARNING, f"{resource} needs {kind}, unavailable: {reason}"
            )


def transports(told: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Each transport in the debug information of PyVISA-py, with why it is missing, or ""."""
    for name, value in told.items():
        if name == "Version" or not isinstance(name, str):
            continue
        lines = [value] if isinstance(value, str) else list(value)
        text = " ".join(" ".join(str(line).split()) for line in lines)
        yield name, "" if text.startswith("Available") else text


def kind_of(resource: str) -> str:
    """``TCPIP SOCKET`` of ``TCPIP0::host::5025::SOCKET``; INSTR where nothing is said."""
    parts = resource.upper().split("::")
    last = parts[-1] if parts[-1] in ("INSTR", "SOCKET", "RAW", "INTFC") else "INSTR"
    interface = re.match(r"PRLGX_(TCPIP|ASRL)|[A-Z]+", parts[0])
    name = interface[0] if interface is not None else parts[0]
    return f"{name} {last}"
