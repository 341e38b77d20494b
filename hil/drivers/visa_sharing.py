"""Several ports on one instrument, over one VISA session.

    shared = Sharing(manager)           # given to drivers in place of the resource manager

Two outputs of a supply that allows one session only, a brake and a supply in one box, a counter and
a thermometer in one data logger: each driver has its own link, and links to the same resource speak
over the same wire. What one of them finds out (that an answer is overdue, when the last message was
sent) holds for all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any


@dataclass(eq=False, slots=True)
class Wire:
    """One VISA session.

    Attributes
    ----------
    resource : as PyVISA opened it; None while it is closed.
    stale : a late answer may still come: the next answer cannot be trusted.
    last : clock time of the last message, s; gap : s that must lie between two.
    timeout : s that the session waits for an answer now.
    users : links that are open on it.
    """

    resource: Any = None
    stale: bool = False
    last: float = -math.inf
    gap: float = 0.0
    timeout: float = 0.0
    users: int = 0


class Sharing:
    """A resource manager whose sessions are shared between the drivers that are given it."""

    def __init__(self, manager: Any) -> None:
        self.manager = manager
        self._wires: dict[str, Wire] = {}

    def wire(self, resource: str) -> Wire:
        """The wire to a resource, open or not."""
        # TCPIP and TCPIP0 are one interface (VPP-4.3, resource names)
        name = resource.upper().replace("TCPIP::", "TCPIP0::", 1)
        return self._wires.setdefault(name, Wire())

    def open_resource(self, *args: Any, **options: Any) -> Any:
        """As the manager's own."""
        return self.manager.open_resource(*args, **options)


def wire_to(manager: Any, resource: str) -> Wire:
    """The shared wire of a manager that shares, else one of its own."""
    return manager.wire(resource) if isinstance(manager, Sharing) else Wire()
