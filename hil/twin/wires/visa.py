"""PyVISA backend object: the simulated instruments as raw-socket VISA resources.

``pyvisa.ResourceManager(visa_library(world))`` opens the resource names of the rig file on the
simulated bench. A session behaves like PyVISA-py's socket session: reading ends at the
termination character if that is enabled, at the byte count, or with VI_ERROR_TMO; waiting costs
virtual time only. What sockets cannot do (serial poll, triggers, locks) is refused as there.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Iterable
from functools import cache
from typing import Any

from pyvisa import attributes, constants, highlevel, rname
from pyvisa.constants import BufferOperation, ResourceAttribute, StatusCode
from pyvisa.typing import VISAEventContext, VISARMSession, VISASession
from pyvisa.util import DebugInfo, LibraryPath

from hil.twin.world import World

FOREVER = 600.0  # s of virtual time after which a read with infinite timeout is given up
AnySession = VISASession | VISARMSession | VISAEventContext

_libraries = itertools.count(1)
_DISCARD_READ = (
    BufferOperation.discard_read_buffer
    | BufferOperation.discard_read_buffer_no_io
    | BufferOperation.discard_receive_buffer
    | BufferOperation.discard_receive_buffer2
)


def visa_library(world: World) -> TwinLibrary:
    """A backend object on a simulated bench; every call gives an independent one."""
    path = LibraryPath(f"twin-{next(_libraries)}", "simulated bench")
    library = TwinLibrary(path)
    library.attach(world)
    return library


@cache
def _defaults() -> dict[int, Any]:
    """Attributes of a socket and their defaults."""
    return {
        int(number): attribute.default
        for number, attribute in attributes.AttributesByID.items()
        if attribute.in_resource((constants.InterfaceType.tcpip, "SOCKET"))
        and attribute.default is not attributes.NotAvailable
    }


@cache
def _in_full(resource: str) -> str:
    """A resource name with all of its parts."""
    return str(rname.parse_resource_name(resource))


class _Session:
    """One open resource: a conversation with its instrument and the attributes of a socket."""

    def __init__(self, world: World, key: str, parsed: rname.TCPIPSocket) -> None:
        self.world, self.key = world, key
        self._instrument = world.instruments[key]
        self._conversation = self._instrument.converse()
        self._cuts = world.cuts(key)
        self._arriving: deque[tuple[float, bytes]] = deque()  # when, what
        self._buffer = bytearray()
        self.attrs: dict[int, Any] = {
            **_defaults(),
            ResourceAttribute.interface_type: constants.InterfaceType.tcpip,
            ResourceAttribute.interface_number: int(parsed.board),
            ResourceAttribute.resource_class: "SOCKET",
            ResourceAttribute.resource_name: str(parsed),
            ResourceAttribute.resource_manufacturer_name: "simulated bench",
            ResourceAttribute.tcpip_address: parsed.host_address,
            ResourceAttribute.tcpip_port: int(parsed.port),
            ResourceAttribute.tcpip_hostname: "",
            ResourceAttribute.timeout_value: 2000,
        }

    @property
    def _connected(self) -> bool:
        return self.world.connected(self.key, self._cuts)

    def write(self, data: bytes) -> tuple[int, StatusCode]:
        if not self._connected:
            return 0, StatusCode.error_connection_lost
        world = self.world
        half = world.query_time / 2.0
        world.advance(half)
        with world.lock:
            replies = self._conversation.receive(data)
        if replies:
            self._arriving.append((world.now + half + self._instrument.latency, replies))
        return len(data), StatusCode.success

    def read(self, count: int) -> tuple[bytes, StatusCode]:
        world = self.world
        if (self._buffer or not count) and (done := self._cut(count)) is not None:
            return done
        timeout = self.attrs[ResourceAttribute.timeout_value]
        infinite = timeout == constants.VI_TMO_INFINITE
        deadline = world.now + (FOREVER if infinite else timeout / 1000.0)
        while True:
            if not self._connected:
                return self._rest(count), StatusCode.error_connection_lost
            if self._arriving and self._arriving[0][0] <= deadline:
                when, data = self._arriving.popleft()
                world.pass_by(max(0.0, when - world.now))
                self._buffer += data
                if (done := self._cut(count)) is not None:
                    return done
                continue
            world.advance(max(0.0, deadline - world.now))
            return self._rest(count), StatusCode.error_timeout

    def discard(self) -> None:
        """Throw away what has been received, and what is on its way."""
        self._buffer.clear()
        self._arriving.clear()

    def clear(self) -> StatusCode:
        """As on a socket: only the received data are thrown away."""
        if not self._connected:
            return StatusCode.error_connection_lost
        self.discard()
        return StatusCode.success

    def _cut(self, count: int) -> tuple[bytes, StatusCode] | None:
        if self.attrs[ResourceAttribute.termchar_enabled]:
            at = self._buffer.find(int(self.attrs[ResourceAttribute.termchar])) + 1
            if 0 < at <= count:
                return self._rest(at), StatusCode.success_termination_character_read
        if len(self._buffer) >= count:
            return self._rest(count), StatusCode.success_max_count_read
        return None

    def _rest(self, count: int) -> bytes:
        data = bytes(self._buffer[:count])
        del self._buffer[:count]
        return data


class TwinLibrary(highlevel.VisaLibraryBase):
    """VISA library whose resources are the instruments of one `World`."""

    _world: World
    _sessions: dict[int, _Session | None]

    @staticmethod
    def get_library_paths() -> Iterable[LibraryPath]:
        """None: a library is made for a bench, by `visa_library`."""
        return ()

    @staticmethod
    def get_debug_info() -> DebugInfo:
        """Lines for ``pyvisa-info``."""
        return ["Simulated bench in this process"]

    def _init(self) -> None:
        self._sessions = {}
        self._handles = itertools.count(1)

    def attach(self, world: World) -> None:
        """Tie the library to a bench."""
        self._world = world

    def open_default_resource_manager(self) -> tuple[VISARMSession, StatusCode]:
        """Open a resource-manager session."""
        handle = next(self._handles)
        self._sessions[handle] = None
        return VISARMSession(handle), self.handle_return_value(None, StatusCode.success)

    def list_resources(self, session: VISARMSession, query: str = "?*::INSTR") -> tuple[str, ...]:
        """Names of the reachable instruments that match a VISA resource expression."""
        if session not in self._sessions:
            self.handle_return_value(session, StatusCode.error_invalid_object)
        names = (name for name in self._world.instruments if self._world.reachable(name))
        return tuple(rname.filter(names, query))

    def open(
        self,
        session: VISARMSession,
        resource_name: str,
        access_mode: constants.AccessModes = constants.AccessModes.no_lock,
        open_timeout: int = constants.VI_TMO_IMMEDIATE,  # noqa: ARG002
    ) -> tuple[VISASession, StatusCode]:
        """Open an instrument by its resource name."""
        if session not in self._sessions:
            self.handle_return_value(session, StatusCode.error_invalid_object)
        if access_mode != constants.AccessModes.no_lock:
            self.handle_return_value(None, StatusCode.error_nonsupported_operation)
        try:
            parsed = rname.parse_resource_name(resource_name)
        except rname.InvalidResourceName:
            self.handle_return_value(None, StatusCode.error_invalid_resource_name)
            raise
        key = self._find(str(parsed))
        if key is None or not isinstance(parsed, rname.TCPIPSocket):
            self.handle_return_value(None, StatusCode.error_resource_not_found)
            raise LookupError(resource_name)  # not reached: the line above raises
        handle = next(self._handles)
        self._sessions[handle] = _Session(self._world, key, parsed)
        return VISASession(handle), self.handle_return_value(None, StatusCode.success)

    def close(self, session: AnySession) -> StatusCode:
        """Close an instrument, or a resource manager."""
        if session not in self._sessions:
            return self.handle_return_value(session, StatusCode.error_invalid_object)
        del self._sessions[session]
        return self.handle_return_value(session, StatusCode.success)

    def read(self, session: VISASession, count: int) -> tuple[bytes, StatusCode]:
        """Read up to `count` bytes."""
        data, status = self._session(session).read(count)
        return data, self.handle_return_value(session, status)

    def write(self, session: VISASession, data: bytes) -> tuple[int, StatusCode]:
        """Write bytes."""
        written, status = self._session(session).write(bytes(data))
        return written, self.handle_return_value(session, status)

    def clear(self, session: VISASession) -> StatusCode:
        """Throw away received data."""
        return self.handle_return_value(session, self._session(session).clear())

    def flush(self, session: VISASession, mask: BufferOperation) -> StatusCode:
        """Throw away received data if `mask` says so; nothing is held back for writing."""
        if mask & _DISCARD_READ:
            self._session(session).discard()
        return self.handle_return_value(session, StatusCode.success)

    def get_attribute(
        self,
        session: AnySession,
        attribute: constants.ResourceAttribute | constants.EventAttribute,
    ) -> tuple[Any, StatusCode]:
        """State of an attribute."""
        attrs = self._session(session).attrs
        if attribute not in attrs:
            return None, self.handle_return_value(session, StatusCode.error_nonsupported_attribute)
        return attrs[attribute], self.handle_return_value(session, StatusCode.success)

    def set_attribute(
        self,
        session: VISASession,
        attribute: constants.ResourceAttribute,
        attribute_state: Any,
    ) -> StatusCode:
        """Set an attribute."""
        attrs = self._session(session).attrs
        known = attributes.AttributesByID.get(attribute)
        if attribute not in attrs or known is None:
            status = StatusCode.error_nonsupported_attribute
        elif not known.write:
            status = StatusCode.error_attribute_read_only
        else:
            attrs[attribute] = attribute_state
            status = StatusCode.success
        return self.handle_return_value(session, status)

    def disable_event(
        self,
        session: VISASession,  # noqa: ARG002
        event_type: constants.EventType,  # noqa: ARG002
        mechanism: constants.EventMechanism,  # noqa: ARG002
    ) -> StatusCode:
        """There are no events; PyVISA calls this before closing."""
        return StatusCode.success

    def discard_events(
        self,
        session: VISASession,  # noqa: ARG002
        event_type: constants.EventType,  # noqa: ARG002
        mechanism: constants.EventMechanism,  # noqa: ARG002
    ) -> StatusCode:
        """There are no events; PyVISA calls this before closing."""
        return StatusCode.success

    def read_stb(self, session: VISASession) -> tuple[int, StatusCode]:
        """A socket has no serial poll: ask ``*STB?``."""
        return 0, self.handle_return_value(session, StatusCode.error_nonsupported_operation)

    def assert_trigger(
        self,
        session: VISASession,
        protocol: constants.TriggerProtocol,  # noqa: ARG002
    ) -> StatusCode:
        """The simulated instruments have no trigger."""
        return self.handle_return_value(session, StatusCode.error_nonsupported_operation)

    def lock(
        self,
        session: VISASession,
        lock_type: constants.Lock,  # noqa: ARG002
        timeout: int,  # noqa: ARG002
        requested_key: str | None = None,  # noqa: ARG002
    ) -> tuple[str, StatusCode]:
        """Sockets cannot be locked."""
        return "", self.handle_return_value(session, StatusCode.error_nonsupported_operation)

    def unlock(self, session: VISASession) -> StatusCode:
        """Sockets cannot be locked."""
        return self.handle_return_value(session, StatusCode.error_session_not_locked)

    def _find(self, wanted: str) -> str | None:
        for name in self._world.instruments:
            if _in_full(name) == wanted and self._world.reachable(name):
                return name
        return None

    def _session(self, session: AnySession) -> _Session:
        found = self._sessions.get(session)
        if found is None:
            self.handle_return_value(session, StatusCode.error_invalid_object)
            raise LookupError(session)  # not reached: the line above raises
        return found
