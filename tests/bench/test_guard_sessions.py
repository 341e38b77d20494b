"""Connections of the guard: stale answers, silence, and identities."""

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import pyvisa
from hypothesis import given
from hypothesis import strategies as st

from hil.bench import guard_process, guard_sessions
from hil.bench.guard_sessions import ANSWER, SOCKET, SocketSession, VisaSession, connect, parts
from hil.drivers.visa_calls import Overdue


@pytest.fixture
def peer() -> Iterator[Callable[[], tuple[str, socket.socket]]]:
    """Connect: the resource of a server and, once something has connected, its end."""
    server = socket.create_server(("127.0.0.1", 0))
    opened: list[socket.socket] = []

    def make() -> tuple[SocketSession, socket.socket]:
        resource = f"TCPIP0::127.0.0.1::{server.getsockname()[1]}::SOCKET"
        session = connect(resource)
        assert isinstance(session, SocketSession)
        theirs, _ = server.accept()
        opened.append(theirs)
        return session, theirs

    yield make
    for one in (*opened, server):
        one.close()


def answer(theirs: socket.socket, *pieces: bytes) -> threading.Thread:
    """Wait for a query, then send these."""

    def act() -> None:
        theirs.recv(100)
        for piece in pieces:
            theirs.sendall(piece)

    thread = threading.Thread(target=act)
    thread.start()
    return thread


def test_an_answer_in_pieces_is_put_together(peer) -> None:
    session, theirs = peer()
    thread = answer(theirs, b"GREENHOUSE", b" BENCH,X,1,2 \r\n")
    assert session.ask("*IDN?") == "GREENHOUSE BENCH,X,1,2"
    thread.join()
    session.close()


def test_what_was_left_of_an_earlier_answer_is_not_taken_for_this_one(peer) -> None:
    session, theirs = peer()
    theirs.sendall(b"1\n")
    thread = answer(theirs, b"0\n")
    time.sleep(0.05)  # until it has arrived
    assert session.ask("OUTP?") == "0"
    thread.join()
    session.close()


def test_silence_ends_within_the_time_for_an_answer(peer) -> None:
    session, _theirs = peer()
    begun = time.monotonic()
    with pytest.raises(TimeoutError):
        session.ask("OUTP?")
    assert ANSWER * 0.9 < time.monotonic() - begun < ANSWER + 1.0
    session.close()


def test_a_connection_closed_by_the_supply_is_said(peer) -> None:
    session, theirs = peer()
    theirs.close()
    with pytest.raises(ConnectionError):
        session.ask("OUTP?")
    session.close()


@given(st.lists(st.text("ABCxyz019 -.", max_size=8), min_size=1, max_size=7))
def test_an_identity_has_four_parts_whatever_was_answered(fields) -> None:
    found = parts(",".join(fields))
    assert len(found) == 4
    assert found == [part.strip() for part in found]
    assert found[: min(3, len(fields))] == [field.strip() for field in fields[:3]]
    assert parts(" , ".join(found)) == found or "," in found[3]


@pytest.mark.parametrize(
    ("resource", "host", "port"),
    [
        ("TCPIP0::192.0.2.7::5025::SOCKET", "192.0.2.7", "5025"),
        ("tcpip::bench-supply::5025::socket", "bench-supply", "5025"),
        ("TCPIP::[2001:db8::7]::5025::SOCKET", "[2001:db8::7]", "5025"),
    ],
)
def test_sockets_are_told_from_other_resources(resource, host, port) -> None:
    found = SOCKET.fullmatch(resource)
    assert found is not None
    assert found.groups() == (host, port)
    assert SOCKET.fullmatch(resource[:-6] + "INSTR") is None


def test_the_program_starts_by_its_path_from_a_bare_checkout(tmp_path: Path) -> None:
    """Neither installed nor on the path, and with the standard library alone."""
    source = Path(guard_process.__file__).read_text()
    package = tmp_path / "hil" / "bench"
    package.mkdir(parents=True)
    for folder in (package.parent, package):
        (folder / "__init__.py").touch()
    (package / "guard_process.py").write_text(source)
    (package / "guard_sessions.py").write_text(Path(guard_sessions.__file__).read_text())
    settings = (
        '{"resource": "TCPIP0::127.0.0.1::1::SOCKET", "identity": "", "session": "own",'
        ' "patience": 1, "off": [], "state": "", "log": "", "record": "", "run": 1}'
    )
    done = subprocess.run(
        [sys.executable, "-I", "-S", str(package / "guard_process.py"), settings],
        capture_output=True, text=True, timeout=30.0, check=True, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.stdout.startswith("unable ConnectionRefusedError")
    assert done.stderr == ""


class Library:
    """A stand-in for PyVISA: one resource, any call of which may hang until it is told to go on."""

    def __init__(self) -> None:
        self.hanging: set[str] = set()
        self.go_on = threading.Event()
        self.calls: list[str] = []
        self.closed = threading.Event()

    def open_resource(self, _name: str, **_: int) -> "Library":
        return self._reach("open", self)

    def write(self, command: str) -> None:
        self._reach(command, None)

    def query(self, command: str) -> str:
        return self._reach(command, " 0 ")

    def close(self) -> None:
        self._reach("close", None)
        self.closed.set()

    def _reach(self, what: str, came_to):
        self.calls.append(what)
        if what in self.hanging:
            self.go_on.wait()
        return came_to


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Iterator[Library]:
    made = Library()
    monkeypatch.setattr(pyvisa, "ResourceManager", lambda _kind: made)
    before = set(threading.enumerate())
    yield made
    made.go_on.set()
    for thread in set(threading.enumerate()) - before:
        thread.join(20.0)


USB = "USB0::0x1209::0x0001::7::INSTR"


def test_another_resource_is_reached_through_the_library(library) -> None:
    session = connect(USB)
    assert isinstance(session, VisaSession)
    session.send("OUTP OFF")
    assert session.ask("OUTP?") == "0"
    session.close()
    assert library.calls == ["open", "OUTP OFF", "OUTP?", "close"]


@pytest.mark.parametrize("what", ["open", "OUTP OFF", "OUTP?"])
def test_a_library_that_hangs_holds_the_guard_for_a_moment_only(library, what: str) -> None:
    library.hanging.add(what)
    with pytest.raises(Overdue, match="has not come back from this call"):  # noqa: PT012
        session = connect(USB)
        session.send("OUTP OFF")
        session.ask("OUTP?")
    library.hanging.clear()
    again = connect(USB)  # the next attempt of the guard
    again.send("OUTP OFF")
    assert again.ask("OUTP?") == "0"
    again.close()
    assert library.closed.is_set()


def test_a_connection_that_was_given_up_is_not_used_any_more(library) -> None:
    session = connect(USB)
    library.hanging.add("OUTP?")
    with pytest.raises(Overdue):
        session.ask("OUTP?")
    with pytest.raises(ConnectionError):
        session.send("OUTP OFF")
    session.close()
    assert library.calls == ["open", "OUTP?"]
