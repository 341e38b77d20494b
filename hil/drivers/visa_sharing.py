"""Several ports on one instrument, over one VISA session.

    shared = Sharing(manager)           # given to drivers in place of the resource manager

Two outputs of a supply that allows one session only, a brake and a supply in one box, a counter and
a thermometer in one data logger: each driver has its own link, and links to the same resource speak
over the same wire. What one of them finds out (that an answer is overdue, when the last message was
sent) holds for all.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from hil.drivers.visa_calls import Overdue, Owner

Value = TypeVar("Value")


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
    bounded : calls that do not come back are given up; else they are made directly.
    owner : of the open session, if it is bounded.
    stuck : the one that last hung in opening it.
    """

    resource: Any = None
    stale: bool = False
    last: float = -math.inf
    gap: float = 0.0
    timeout: float = 0.0
    users: int = 0
    bounded: bool = False
    owner: Owner | None = None
    stuck: Owner | None = None

    def open(self, name: str, opening: Callable[[], Any], within: float) -> None:
        """Keep the resource that `opening` returns.

        Raises
        ------
        Overdue
            If it has not come back `within` s, or one before it still has not.
        """
        if not self.bounded:
            self.resource = opening()
            return
        if self.stuck is not None and (hangs := self.stuck.hangs_for):
            raise Overdue(hangs)  # another one would hang as well
        opened: list[Any] = []
        owner, self.stuck = Owner(name), None
        try:
            owner.call(lambda: opened.append(opening()), within)
        except BaseException:  # also an interrupt: what it comes to is let go of again
            owner.end(lambda: [resource.close() for resource in opened])
            self.stuck = owner
            raise
        self.owner, self.resource = owner, opened[0]

    def call(self, action: Callable[[Any], Value], within: float) -> Value:
        """What `action` does with the resource.

        Raises
        ------
        Overdue
            If it has not come back `within` s. The resource is closed should it ever do so.
        """
        owner, resource = self.owner, self.resource
        if owner is None:
            return action(resource)
        try:
            return owner.call(lambda: action(resource), within)
        except Overdue:
            self.owner, self.resource, self.stale = None, None, True
            owner.end(resource.close)
            raise

    def close(self, within: float) -> None:
        """Let go of the resource, if it is open."""
        (owner, self.owner), (resource, self.resource) = (self.owner, None), (self.resource, None)
        if resource is None:
            return
        if owner is None:
            resource.close()
            return
        try:
            owner.call(resource.close, within)
        finally:
            owner.end()


class Sharing:
    """A resource manager whose sessions are shared between the drivers that are given it.

    Parameters
    ----------
    bounded : no call holds its caller for ever; see `hil.drivers.visa_calls`. Not so where the
        library is that of the simulated bench, which moves on in the thread of the caller alone.
    """

    def __init__(self, manager: Any, *, bounded: bool) -> None:
        self.manager, self._bounded = manager, bounded
        self._wires: dict[str, Wire] = {}

    def wire(self, resource: str) -> Wire:
        """The wire to a resource, open or not."""
        # TCPIP and TCPIP0 are one interface (VPP-4.3, resource names)
        name = resource.upper().replace("TCPIP::", "TCPIP0::", 1)
        return self._wires.setdefault(name, Wire(bounded=self._bounded))

    def open_resource(self, *args: Any, **options: Any) -> Any:
        """As the manager's own."""
        return self.manager.open_resource(*args, **options)


def wire_to(manager: Any, resource: str) -> Wire:
    """The shared wire of a manager that shares, else one of its own."""
    return manager.wire(resource) if isinstance(manager, Sharing) else Wire()
